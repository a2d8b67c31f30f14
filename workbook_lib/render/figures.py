"""Figures as SVG, safe in black and white: hatches and words, no meaning in colour alone.

The drawing is as narrow as a telephone's screen so that its words stay legible there; a text
description stands in the drawing itself and its table beside it. The same data give the same bytes.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from html import escape
from io import StringIO

from workbook_lib.errors import MachineryFault
from workbook_lib.render import backup_figures, charging_figures, diagrams, numbers, portfolio_figures, record_figures
from workbook_lib.sheet import Figure

WIDTH_IN = 5.0
BAR_IN = 0.19
INK, PALE = "#16181b", "#ffffff"
HATCHES = (("#ffffff", "////"), ("#8d9298", ""), ("#d9dcdf", "...."))
SETTINGS = {
    "svg.fonttype": "none",
    "svg.hashsalt": "dwelling-service-workbooks",
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": 8.6,
    "axes.linewidth": 0.6,
    "hatch.linewidth": 0.6,
    "path.simplify": False,
}
_PATCH = {"facecolor": "#ffffff", "edgecolor": "none", "pad": 0.6}
_FONTS = "Helvetica Neue, Helvetica, Arial, Liberation Sans, DejaVu Sans, sans-serif"


def svg(figure: Figure) -> str:
    """The drawing of a figure. Errors: MachineryFault if its kind has no drawing."""
    if figure.kind in diagrams.KINDS:
        return diagrams.svg(figure)
    draw = KINDS.get(figure.kind)
    if draw is None:
        known = ", ".join(sorted((*KINDS, *diagrams.KINDS)))
        raise MachineryFault(f"figure {figure.key}: no drawing for kind {figure.kind!r}; there are {known}")
    from matplotlib import rc_context
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure as Canvas

    with rc_context(SETTINGS):
        canvas = Canvas(figsize=(WIDTH_IN, 1.0))
        FigureCanvasSVG(canvas)
        draw(canvas, figure)
        out = StringIO()
        canvas.savefig(out, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None})
    return _described(out.getvalue(), figure)


def _described(text: str, figure: Figure) -> str:
    """The SVG element alone, with title, description and a font that every reader has."""
    text = text[text.index("<svg") :].strip()
    text = re.sub(r"<metadata>.*?</metadata>\s*", "", text, flags=re.DOTALL)
    text = re.sub(r' (?:width|height)="[\d.]+pt"', "", text, count=2)
    text = re.sub(r"font(-family)?: ?([^;\"]*)'DejaVu Sans'[^;\"]*", lambda found: f"font{found[1] or ''}: {found[2]}{_FONTS}", text)
    key = re.sub(r"[^a-z0-9]+", "-", figure.key.lower())
    text = re.sub(r"<style[^>]*>.*?</style>\s*", "", text, flags=re.DOTALL)
    text = re.sub(r' id="(?:figure|axes|patch|text|line2d|xtick|ytick|legend|matplotlib\.axis)_\d+"', "", text)
    text = re.sub(r'( id="|url\(#|href="#)', lambda found: f"{found[1]}{key}-", text)
    text = text.replace("<svg ", '<svg style="stroke-linejoin: round; stroke-linecap: butt" ', 1)
    head = f'<title id="{key}-title">{escape(figure.title)}</title><desc id="{key}-desc">{escape(figure.description)}</desc>'
    text = text.replace("<svg ", f'<svg role="img" aria-labelledby="{key}-title {key}-desc" ', 1)
    return re.sub(r"(<svg [^>]*>)", lambda found: found[1] + head, text, count=1)


def _numeric_columns(figure: Figure) -> list[int]:
    """Columns that hold numbers, the label column left out."""
    found = [
        column
        for column in range(1, len(figure.table.columns))
        if any(isinstance(row[column], (int, float)) and not isinstance(row[column], bool) for row in figure.table.rows)
    ]
    if not found:
        raise MachineryFault(f"figure {figure.key}: its table has no column of numbers")
    return found


def _axes(canvas, bars: int, rows: int, figure: Figure, top: float, legend: bool):
    """Axes for horizontal bars under their labels, the height grown to what is drawn."""
    head, foot = (0.36 if legend else 0.12) + 0.16 * len(figure.limits), 0.42
    height = head + foot + bars * BAR_IN + rows * 0.27
    canvas.set_size_inches(WIDTH_IN, height)
    axes = canvas.add_axes((0.03, foot / height, 0.94, 1 - (head + foot) / height))
    axes.set_xlim(0, top)
    axes.set_ylim(bars * BAR_IN + rows * 0.27, 0)
    axes.set_yticks([])
    axes.tick_params(axis="x", length=3, width=0.6)
    axes.xaxis.set_major_formatter(lambda value, _: numbers.number(value, 0))
    axes.locator_params(axis="x", nbins=5)
    axes.set_xlabel(numbers.unit_text(figure.unit), loc="right", labelpad=1)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    return axes


def _bars(canvas, figure: Figure, columns: list[int]) -> None:
    """One label per row of the table, under it one bar per number."""
    rows = figure.table.rows
    given = [[(column, row[column]) for column in columns if isinstance(row[column], (int, float))] for row in rows]
    most = max((value for one in given for _, value in one), default=0.0)
    most = max([most, *(limit for _, limit in figure.limits)])
    axes = _axes(canvas, sum(map(len, given)), len(rows), figure, 1.24 * (most or 1.0), len(columns) > 1)
    place = 0.0
    for row, one in zip(rows, given, strict=True):
        place += 0.2
        axes.text(0, place, str(row[0]) + _words(figure, row, columns), va="bottom", ha="left", zorder=6, bbox=_PATCH)
        for column, value in one:
            face, hatch = HATCHES[columns.index(column) % len(HATCHES)]
            axes.barh(place + 0.105, value, 0.15, facecolor=face, hatch=hatch, edgecolor=INK, linewidth=0.7)
            shown = numbers.apart(value, figure.table.decimals, [limit for _, limit in figure.limits])
            axes.text(value + most * 0.014, place + 0.105, shown, va="center", ha="left", zorder=6, bbox=_PATCH)
            place += BAR_IN
        place += 0.07
    _limits(axes, figure)
    if len(columns) > 1:
        _legend(axes, figure, columns)


def _words(figure: Figure, row: tuple[object, ...], columns: list[int]) -> str:
    """Words that stand in the place of numbers, put after the label."""
    words = [
        row[column] if column in columns else f"{figure.table.columns[column].lower()}: {row[column]}"
        for column in range(1, len(row))
        if isinstance(row[column], str) and row[column]
    ]
    return f" ({'; '.join(words)})" if words else ""


def _limits(axes, figure: Figure) -> None:
    low, high = axes.get_xlim()
    for index, (name, value) in enumerate(figure.limits):
        axes.axvline(value, color=INK, linewidth=1.6, linestyle=("-", "--", ":", "-.")[index % 4], zorder=5)
        right = value > (low + high) / 2
        words = f"{name} {numbers.with_unit(numbers.number(value, 0 if value == round(value) else figure.table.decimals), figure.unit)}"
        axes.annotate(
            words,
            (value, 1),
            (-3 if right else 3, 3 + 11 * index),
            xycoords=("data", "axes fraction"),
            textcoords="offset points",
            ha="right" if right else "left",
        )


def _legend(axes, figure: Figure, columns: list[int]) -> None:
    from matplotlib.patches import Patch

    handles = []
    for index, column in enumerate(columns):
        face, hatch = HATCHES[index % len(HATCHES)]
        handles.append(Patch(facecolor=face, hatch=hatch, edgecolor=INK, linewidth=0.7, label=figure.table.columns[column]))
    axes.legend(
        handles=handles, loc="lower left", bbox_to_anchor=(-0.01, 1.0), ncols=len(handles), frameon=False, handlelength=1.8, borderpad=0.1
    )


def _composition(canvas, figure: Figure) -> None:
    """What makes up the load: each class connected, then the tiers."""
    _bars(canvas, figure, _numeric_columns(figure))


def _capacity(canvas, figure: Figure) -> None:
    """Load by each method beside the limits of the service."""
    _bars(canvas, figure, _numeric_columns(figure)[:1])


KINDS: dict[str, Callable[[object, Figure], None]] = {
    "composition": _composition,
    "capacity": _capacity,
    "duration": record_figures.duration,
    "daymap": record_figures.day_map,
    "peakday": record_figures.peak_day,
    "survival": backup_figures.survival,
    "hourmap": backup_figures.hour_map,
    "outagetrace": backup_figures.trace,
    "waterfall": backup_figures.waterfall,
    "motorstarts": backup_figures.motor_starts,
    "chargingday": charging_figures.day,
    "chargingduration": charging_figures.durations,
    "chargingnights": charging_figures.nights,
    "chargingtrip": charging_figures.trip,
    "roomclasses": portfolio_figures.room_classes,
    "statechanges": portfolio_figures.state_changes,
}
"""Drawing of each kind of figure."""
