"""Drawings of the backup study: survival curve, map by month and hour, worst start, energy chain, motor starts.

They use the sizes and shades of `figures.py`, which enters them. Each takes the canvas and the Figure
and draws nothing that the figure does not hold.
"""

from __future__ import annotations

import calendar
import math
import textwrap

from workbook_lib.errors import MachineryFault
from workbook_lib.render import numbers
from workbook_lib.render.record_figures import GREYS, INK, MAP_PT, POINTS, ROW_PT, WIDTH_IN, plain_axes, runs, unit_above
from workbook_lib.sheet import Figure

FILLS = (("#ffffff", "////"), ("#8d9298", ""), ("#d9dcdf", "----"), ("#ffffff", "xxxx"), ("#d9dcdf", "||||"))
"""Fill and hatch of the tiers of a start, the one that is kept longest first; of a total and a loss; of a motor and what runs beside it."""
SCALES = (
    (1, 2, 3, 4, 6),
    (2, 4, 6, 8, 12),
    (3, 6, 9, 12, 18),
    (4, 8, 12, 16, 24),
    (6, 12, 18, 24, 36),
    (6, 12, 24, 48, 96),
    (12, 24, 36, 48, 72),
    (24, 48, 72, 96, 120),
)
"""Ends between the six shades of the map by month and hour that are chosen among [h]."""
DEFAULT_SCALE = SCALES[5]
HOUR_TICKS = (0, 12, 24, 48, 72, 96, 120, 144, 168)
TICK_STEPS = (1, 2, 3, 6, 12, 24)
LABEL_CHARS = 58
"""Characters of a label before it takes another line [count]."""
LINE_IN, BAR_IN = 0.155, 0.22
DUST = 1e-6
"""What arithmetic leaves where there is no sun [kW]."""
LETTER_PT = 4.6
"""Width of a letter of the words above the axes, rather more than less [points]."""
_PATCH = {"facecolor": "#ffffff", "edgecolor": "none", "pad": 0.6}


def _above(axes, figure: Figure, words: str, at: float, line: int) -> None:
    """Words above the axes beside a place, on the right where they fit, else on the left, else moved in; lines counted from below."""
    low, high = axes.get_xlim()
    wide = axes.get_position().width * WIDTH_IN * POINTS
    left, need = (at - low) / (high - low) * wide, len(words) * LETTER_PT
    side, shift = ("left", 3.0) if left + need <= wide else ("right", -3.0) if need <= left else ("left", max(wide - need, 0.0) - left)
    place = {"xycoords": ("data", "axes fraction"), "textcoords": "offset points", "ha": side}
    axes.annotate(words, (at, 1), (shift, 3 + 11 * line), **place)


def survival(canvas, figure: Figure) -> None:
    """Share of the starts still served, as steps; at the target an open mark for what is wanted, a full one for what is reached."""
    if not figure.grid:
        raise MachineryFault(f"figure {figure.key}: its grid has no point")
    limits = dict(figure.limits)
    axes = plain_axes(canvas, 2.75, 0.46, 0.46, 0.2 + 0.155 * (len(limits) or 0.5))
    times, shares = zip(*figure.grid, strict=True)
    axes.set_xlim(0, times[-1] or 1.0)
    axes.set_ylim(0, 104)
    axes.step(times, shares, where="pre", color=INK, linewidth=1.4, clip_on=False)
    axes.set_xticks([tick for tick in HOUR_TICKS if tick <= times[-1]])
    axes.set_xlabel("hours since the outage began", labelpad=2)
    unit_above(axes, figure)
    axes.set_yticks(range(0, 101, 20))
    if "target" not in limits:
        return
    target, reached = limits["target"], dict(figure.grid)[limits["target"]]
    axes.axvline(target, color=INK, linewidth=1.0, linestyle="--", zorder=3)
    near = [0.0, 100.0, *([limits["wanted"]] if "wanted" in limits else [])]
    shown = numbers.apart(reached, 0 if reached == round(reached) else figure.table.decimals, near)
    if "wanted" in limits:
        axes.axhline(limits["wanted"], color=INK, linewidth=0.8, linestyle=":", zorder=3)
        axes.plot([target], [limits["wanted"]], marker="o", markersize=7, markerfacecolor="#ffffff", color=INK, zorder=7, clip_on=False)
        _above(axes, figure, f"target {target:g} h: {numbers.number(limits['wanted'])} % wanted (open mark)", target, 1)
    axes.plot([target], [reached], marker="o", markersize=4.5, color=INK, zorder=8, clip_on=False)
    words = f"{shown} % reach it (full mark)" if "wanted" in limits else f"{shown} % reach the target of {target:g} h"
    _above(axes, figure, words, target, 0)


def hour_map(canvas, figure: Figure) -> None:
    """Months from left to right, hours of the day from top to bottom, six shades, the darkest the shortest; white without a start."""
    if len(figure.grid) != 24 or any(len(row) != 12 for row in figure.grid):
        raise MachineryFault(f"figure {figure.key}: its grid is not 24 hours of twelve months")
    pitch, tall = math.floor(MAP_PT / 12), 24 * ROW_PT
    head, foot, left = 0.1, 0.86, 0.5
    height = head + foot + tall / POINTS
    canvas.set_size_inches(WIDTH_IN, height)
    axes = canvas.add_axes((left / WIDTH_IN, foot / height, 12 * pitch / POINTS / WIDTH_IN, tall / POINTS / height))
    axes.set_xlim(0, 12 * pitch)
    axes.set_ylim(tall, 0)
    known = [value for row in figure.grid for value in row if value is not None]
    ends = scale(known)
    for level in range(len(GREYS)):
        below = math.inf if level == 0 else ends[-level]
        for hour, row in enumerate(figure.grid):
            runs(axes, [value is not None and value < below for value in row], pitch, (hour + 0.5) * ROW_PT, GREYS[level])
    axes.set_yticks([hour * ROW_PT for hour in range(0, 25, 6)], [f"{hour:02d}:00" for hour in range(0, 25, 6)])
    axes.set_xticks([(month + 0.5) * pitch for month in range(12)], [calendar.month_abbr[month] for month in range(1, 13)])
    axes.tick_params(length=3, width=0.6)
    _map_scale(canvas, figure, ends, len(known) < 24 * 12, height, left)


def scale(values: list[float]) -> tuple[int, ...]:
    """The ends between shades that tell the values apart best: the scale over whose shades they spread most evenly.

    Parameters: values [h]. Returns: five ends [h].
    """

    def spread(ends: tuple[int, ...]) -> float:
        counts = [0] * (len(ends) + 1)
        for value in values:
            counts[sum(value >= end for end in ends)] += 1
        return -sum(count / len(values) * math.log(count / len(values)) for count in counts if count)

    best = max(SCALES, key=spread, default=DEFAULT_SCALE)
    return best if spread(best) > spread(DEFAULT_SCALE) + 1e-9 else DEFAULT_SCALE


def _map_scale(canvas, figure: Figure, ends: tuple[int, ...], gaps: bool, height: float, left: float) -> None:
    """The six shades from the darkest with the ends between them, and a white box where some cell has no start."""
    from matplotlib.patches import Rectangle

    box = 0.36
    axes = canvas.add_axes((left / WIDTH_IN, 0.24 / height, 1 - (left + 0.1) / WIDTH_IN, 0.14 / height))
    axes.set_xlim(0, WIDTH_IN - left - 0.1)
    axes.set_ylim(0, 1)
    axes.axis("off")
    for place, shade in enumerate(reversed(GREYS)):
        axes.add_patch(Rectangle((place * box, 0), box, 1, facecolor=shade, edgecolor=INK, linewidth=0.5, clip_on=False))
    for place, end in enumerate((0, *ends)):
        axes.annotate(f"{end}", (place * box, 0), (0, -2), textcoords="offset points", ha="center", va="top")
    axes.annotate(f"{numbers.unit_text(figure.unit)}, dark is short", (6 * box, 0.5), (4, 0), textcoords="offset points", va="center")
    if gaps:
        at = 6 * box + 1.2
        axes.add_patch(Rectangle((at, 0), 0.2, 1, facecolor="#ffffff", edgecolor=INK, linewidth=0.5, clip_on=False))
        axes.annotate("no start", (at + 0.2, 0.5), (3, 0), textcoords="offset points", va="center")


# worst start


def trace(canvas, figure: Figure) -> None:
    """Two panels over the same hours: power wanted, served, of the sun and held back; below it the charge."""
    if not figure.grid or len(figure.grid[0]) < 7:
        raise MachineryFault(f"figure {figure.key}: its grid has no piece of a start")
    columns = list(zip(*figure.grid, strict=True))
    edges, (load, sun, held, charge), tiers = (columns[0][0], *columns[1]), columns[2:6], columns[6:]
    names = [name.partition(" (")[0].lower() for name in figure.table.columns[1:]]
    lines = (
        [(names[0], load, "-", 0.8)]
        + [(names[-3], sun, "--", 1.2)] * (max(sun) > DUST)
        + [(names[-2], held, ":", 1.4)] * (max(held) > DUST)
    )
    head = 0.2 + 0.165 * math.ceil((len(tiers) + len(lines)) / 2) + 0.155 * len(figure.limits)
    foot, upper, gap, lower = 0.46, 1.75, 0.34, 0.85
    height = head + upper + gap + lower + foot
    axes = plain_axes(canvas, height, 0.46, foot + lower + gap, head)
    below = canvas.add_axes((0.46 / WIDTH_IN, foot / height, 1 - (0.46 + 0.16) / WIDTH_IN, lower / height))
    _served(axes, edges, tiers, names[1 : 1 + len(tiers)])
    for name, values, style, width in lines:
        axes.stairs(*_merged(values, edges), baseline=None, color=INK, linewidth=width, linestyle=style, label=name, zorder=4)
    axes.set_ylim(0, 1.08 * max(*load, *sun, *held, 1e-9, *map(sum, zip(*tiers, strict=True))))
    unit_above(axes, figure)
    axes.tick_params(axis="x", labelbottom=False)
    below.plot(edges[1:], charge, color=INK, linewidth=1.4, clip_on=False)
    below.set_ylim(0, 104)
    below.set_yticks((0, 50, 100))
    below.set_xlabel("hours since the outage began", labelpad=2)
    below.annotate(
        "charge at the end of each piece, % of what is usable", (0, 1), (2, 3), xycoords="axes fraction", textcoords="offset points"
    )
    below.tick_params(length=3, width=0.6)
    for side in ("top", "right"):
        below.spines[side].set_visible(False)
    every = next((step for step in TICK_STEPS if edges[-1] / step <= 9), TICK_STEPS[-1])
    for panel in (axes, below):
        panel.set_xlim(0, edges[-1])
        panel.set_xticks(range(0, int(edges[-1]) + 1, every))
    _moments(axes, below, figure)
    handles, labels = axes.get_legend_handles_labels()
    place = (0.0, 1 - 0.03 / height, 1.0, 0.0)
    kept = {"frameon": False, "handlelength": 2.0, "borderpad": 0.1, "labelspacing": 0.25, "ncols": 2}
    canvas.legend(handles, labels, loc="upper left", bbox_to_anchor=(0.4 / WIDTH_IN, *place[1:2]), **kept)


def _served(axes, edges, tiers, names: list[str]) -> None:
    """What is served of each tier, one on the other: the sum of all first, what lies below painted over it."""
    for count in range(len(tiers), 0, -1):
        top = [sum(values) for values in zip(*tiers[:count], strict=True)]
        face, hatch = FILLS[(count - 1) % len(FILLS)]
        kept = {"facecolor": face, "hatch": hatch, "edgecolor": INK, "linewidth": 0.3, "label": names[count - 1], "zorder": 2}
        axes.stairs(*_merged(top, edges), baseline=0.0, fill=True, **kept)


def _merged(values, edges) -> tuple[list[float], list[float]]:
    """Pieces of the same value put together: a night without sun is one. Parameters: values [kW], their edges [h]."""
    firsts = [place for place in range(len(values)) if place == 0 or values[place] != values[place - 1]]
    return [values[place] for place in firsts], [*(edges[place] for place in firsts), edges[-1]]


def _moments(axes, below, figure: Figure) -> None:
    """Upright lines through both panels: where the last-kept loads fail, and the target."""
    high = axes.get_xlim()[1]
    for place, (name, hours) in enumerate(figure.limits):
        line = len(figure.limits) - 1 - place
        width, style = (1.0, "-.") if name == "target" else (1.6, "-")
        for panel in (axes, below):
            if hours <= high:
                panel.axvline(hours, color=INK, zorder=5, linewidth=width, linestyle=style)
        _above(axes, figure, f"{name} {numbers.number(round(hours, 2))} h", min(hours, high), line)


# bars


def _rows(canvas, figure: Figure, labels: list[str], head: float, top: float):
    """Axes with a place for a label and a bar under it for each row. Returns: axes, for each row where its label and its bar stand [in]."""
    wrapped = [textwrap.wrap(label, LABEL_CHARS) or [""] for label in labels]
    places, at = [], 0.0
    for lines in wrapped:
        at += 0.05 + LINE_IN * len(lines)
        places.append((at, at + BAR_IN / 2))
        at += BAR_IN + 0.03
    foot = 0.42
    height = head + at + foot
    canvas.set_size_inches(WIDTH_IN, height)
    axes = canvas.add_axes((0.03, foot / height, 0.94, at / height))
    axes.set_xlim(0, top)
    axes.set_ylim(at, 0)
    axes.set_yticks([])
    axes.tick_params(axis="x", length=3, width=0.6)
    axes.xaxis.set_major_formatter(lambda value, _: numbers.number(round(value, 9)))
    axes.locator_params(axis="x", nbins=5)
    axes.set_xlabel(numbers.unit_text(figure.unit), loc="right", labelpad=1)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for lines, (foot_of, _) in zip(wrapped, places, strict=True):
        axes.text(0, foot_of, "\n".join(lines), va="bottom", ha="left", zorder=6, linespacing=1.1, bbox=_PATCH)
    return axes, places


def _bar(axes, at: float, left: float, width: float, fill: int) -> None:
    """A bar of a row. Parameters: its middle [in], where it begins and how wide it is [any], its fill."""
    face, hatch = FILLS[fill]
    axes.barh(at, width, 0.15, left=left, facecolor=face, hatch=hatch, edgecolor=INK, linewidth=0.7, zorder=3)


def waterfall(canvas, figure: Figure) -> None:
    """What is there at first and at last as bars from zero, each change between as a bar from what was to what is left."""
    rows = figure.table.rows
    if not rows:
        raise MachineryFault(f"figure {figure.key}: its table has no row")
    most = max(0.0, *(row[2] for row in rows)) or 1.0
    axes, places = _rows(canvas, figure, [str(row[0]) for row in rows], 0.08, 1.4 * most)
    before = 0.0
    for place, ((_, change, left), (_, at)) in enumerate(zip(rows, places, strict=True)):
        whole = place == 0 or not isinstance(change, float)
        start = 0.0 if whole else min(before, left)
        _bar(axes, at, start, left if whole else abs(change), 1 if whole else 0)
        end = numbers.number(left, figure.table.decimals)
        words = numbers.with_unit(end, figure.unit) if whole else f"{numbers.number(change, figure.table.decimals)}, {end} left"
        over = left if whole else max(before, left)
        axes.text(over + most * 0.014, at, words, va="center", ha="left", zorder=6, bbox=_PATCH)
        if place + 1 < len(rows):
            axes.plot([left, left], [at, places[place + 1][1]], color=INK, linewidth=0.6, linestyle=":", zorder=1)
        before = left


def motor_starts(canvas, figure: Figure) -> None:
    """Each motor's starting current and beside it what else runs, against the limit; a mark on the row where limits differ."""
    rows = figure.table.rows
    if not rows:
        raise MachineryFault(f"figure {figure.key}: its table has no row")
    most = max(max(row[3], row[4]) for row in rows) or 1.0
    decimals = figure.table.decimals
    labels = []
    for name, start, other, _, peak, words in rows:
        sums = f"{numbers.number(start, decimals)} + {numbers.number(other, decimals)}"
        own = "" if figure.limits else f" of {numbers.number(peak, decimals)} {numbers.unit_text(figure.unit)}"
        labels.append(f"{name} ({sums}; {words}{own})")
    axes, places = _rows(canvas, figure, labels, 0.36 + 0.155 * len(figure.limits), 1.2 * most)
    for (_, start, other, together, peak, _), (_, at) in zip(rows, places, strict=True):
        _bar(axes, at, 0.0, start, 0)
        if other:
            _bar(axes, at, start, other, 1)
        shown = numbers.apart(together, decimals, [peak])
        axes.text(together + most * 0.014, at, shown, va="center", ha="left", zorder=6, bbox=_PATCH)
        if not figure.limits:
            axes.plot([peak, peak], [at - BAR_IN / 2, at + BAR_IN / 2], color=INK, linewidth=2.2, zorder=5)
    for name, value in figure.limits:
        axes.axvline(value, color=INK, linewidth=1.6, zorder=5)
        _above(axes, figure, f"{name} {numbers.with_unit(numbers.number(value, decimals), figure.unit)}", value, 0)
    _motor_legend(axes, figure)


def _motor_legend(axes, figure: Figure) -> None:
    """What the two parts of a bar are."""
    from matplotlib.patches import Patch

    handles = [
        Patch(facecolor=FILLS[place][0], hatch=FILLS[place][1], edgecolor=INK, linewidth=0.7, label=figure.table.columns[1 + place])
        for place in range(2)
    ]
    raised = 0.155 * len(figure.limits) / (axes.get_ylim()[0] or 1.0)
    kept = {"frameon": False, "handlelength": 1.8, "borderpad": 0.1, "ncols": 2}
    axes.legend(handles=handles, loc="lower left", bbox_to_anchor=(-0.01, 1.0 + raised), **kept)
