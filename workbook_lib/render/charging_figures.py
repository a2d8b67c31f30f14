"""Drawings of the charging study: the longest excursion, duration curves, calendar of nights, excursions beside a breaker's bounds.

They use the sizes and shades of `figures.py`, which enters them. Each takes the canvas and the Figure
and draws nothing that the figure does not hold.
"""

from __future__ import annotations

import calendar
import itertools
import math
import textwrap

from workbook_lib.errors import MachineryFault
from workbook_lib.render import numbers
from workbook_lib.render.places import (
    LETTER_PT,
    LINE_PT,
    Box,
    Place,
    around,
    at_points,
    beside,
    free,
    line_box,
    nearest,
    room_of,
    slanted,
    spread,
)
from workbook_lib.render.record_figures import INK, POINTS, WIDTH_IN, plain_axes, unit_above
from workbook_lib.sheet import Figure

LEADER_PT = 12.0
"""Length of the line from the end of what is drawn to its words [points]."""
DIGIT_PT = 5.6
"""Width of a digit beside an axis [points]."""
MARGIN_CHARS, KEY_CHARS, NAME_CHARS = 20, 60, (26, 15)
"""Characters before words in the margin, in the key and beside a point (there two are tried) take another line [count]."""
CURVES = (("-", 0.7), ("--", 1.1), ("-", 1.7))
"""Style and width of the lines of house, vehicles and service."""
LIMITS = (("-.", 0.9), (":", 1.3), ((0, (9, 3)), 0.8), ((0, (1, 4)), 1.3))
"""Style and width of the limits, in their order."""
ABOVE = "#b9bdc2"
"""Shade of what lies above the setting."""
LONG_S = 600.0
"""From here on an excursion is drawn in minutes [s]."""
SECONDS = (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1200, 1800, 3600, 7200, 14400, 28800)
"""Steps of the axis of an excursion that are chosen among [s]."""
MOST_TICKS = 9
MOST_POWERS = 5
"""Up to so many decades each power of ten is written [count]."""
SHARES = (("without a control", "--", 1.2), ("with it", "-", 1.6))
"""The two duration curves: words, style, width."""
CELL_PT, WEEK_PT, SQUARE_PT = 10.0, 11.5, 8.2
"""Width and height that a night takes on the calendar, and side of its square [points]."""
MET = 100.0 - 1e-6
"""From here on a night met its need [%]."""
GREY = "#94999f"
MISSED = ((25.0, "#16181b"), (50.0, "#5d6268"), (75.0, GREY), (MET, "#cdd0d3"))
"""Shades of the nights that missed: what they gave is below this [%]."""
SHAPES = ("o", "s", "^", "D", "v", "P", "X", "<", ">", "p")
"""Marks of the excursions, in their order; then once more in grey."""
ZERO_FRAC = 0.12
"""Room for a share of zero, as a part of the decades of the axis [frac]."""
FAR_FRAC = 0.2
"""A name stands first where the curves are at least so much of their largest distance apart [frac]."""
RINGS_PT = (6.0, 14.0, 24.0, 36.0, 50.0, 66.0)
"""How far from its point a name may stand; from the second on with a line to it [points]."""
SAME_PT, AWAY_PT = 2.0, 9.0
"""Points so near are one place; a name keeps so far from the points of others [points]."""
_NEAR = 1e-9

Name = tuple[list[str], Box, float]
"""Lines of a name, the box that they take and how far it is from its point [points]."""


def _limit_words(figure: Figure) -> list[tuple[float, str]]:
    """Each limit and its words with the value."""
    found = []
    for name, value in figure.limits:
        shown = numbers.number(value, 0 if value == round(value) else figure.table.decimals)
        found.append((value, f"{name} {numbers.with_unit(shown, figure.unit)}"))
    return found


def _margin_axes(canvas, words: list[str], high: float, foot: float, head: float):
    """Axes with a margin on the right that holds words. Parameters: words, height of the axes, foot and head [in]."""
    lines = [line for one in words for line in textwrap.wrap(one, MARGIN_CHARS)]
    left, right = 0.46, 0.16
    if lines:
        right = (LEADER_PT + 5 + LETTER_PT * max(map(len, lines))) / POINTS
    high = max(high, (len(lines) + 1) * LINE_PT / POINTS)
    axes = plain_axes(canvas, foot + high + head, left, foot, head)
    place = axes.get_position()
    axes.set_position((place.x0, place.y0, 1 - (left + right) / WIDTH_IN, place.height))
    return axes


def _upright(axes, figure: Figure, values: list[float]) -> None:
    """Upright axis from zero, or from below it where values go there, to a little above all values and limits."""
    held = [*values, *(value for _, value in figure.limits), 0.0]
    low, high = min(held), max(held)
    span = (high - low) or 1.0
    axes.set_ylim(low - (0.06 * span if low < 0 else 0.0), low + 1.06 * span)
    if low < 0:
        axes.axhline(0.0, color=INK, linewidth=0.5, label="zero")
    unit_above(axes, figure)


def _beside(axes, entries: list[tuple[float, str, object, float]]) -> None:
    """Words right of the axes, each with a line in its own style to where what it names ends. Parameters: value, words, style, width."""
    low, high = axes.get_ylim()
    figure = axes.get_figure()
    tall = axes.get_position().height * figure.get_size_inches()[1] * POINTS
    wide = axes.get_position().width * WIDTH_IN * POINTS
    entries = sorted(entries, key=lambda one: one[0])
    wrapped = [textwrap.wrap(words, MARGIN_CHARS) for _, words, _, _ in entries]
    ends = [(value - low) / (high - low) * tall for value, *_ in entries]
    heights = [LINE_PT * len(lines) + 0.5 for lines in wrapped]
    middles = spread(list(zip(ends, heights, strict=True)), tall + LINE_PT / 2)
    for (_, _, style, width), lines, end, middle in zip(entries, wrapped, ends, middles, strict=True):
        kept = {"transform": axes.transAxes, "clip_on": False, "color": INK, "label": "leader"}
        axes.plot([1, 1 + LEADER_PT / wide], [end / tall, middle / tall], linestyle=style, linewidth=width, **kept)
        place = {"xycoords": "axes fraction", "textcoords": "offset points", "va": "center_baseline", "ha": "left"}
        axes.annotate("\n".join(lines), (1, 0), (LEADER_PT + 2.5, middle), linespacing=1.1, **place)


def _draw_limits(axes, figure: Figure) -> list[tuple[float, str, object, float]]:
    """Limits as lines across. Returns: what `_beside` needs to name them."""
    found = []
    for place, (value, words) in enumerate(_limit_words(figure)):
        style, width = LIMITS[place % len(LIMITS)]
        axes.axhline(value, color=INK, linewidth=width, linestyle=style, zorder=3, label=f"limit {figure.limits[place][0]}")
        found.append((value, words, style, width))
    return found


# longest excursion


def day(canvas, figure: Figure) -> None:
    """House, vehicles and service as steps around the longest excursion; grey where the service is above the setting."""
    if len(figure.grid) < 2 or any(len(row) != 4 for row in figure.grid):
        raise MachineryFault(f"figure {figure.key}: its grid has no piece of time with three currents")
    edges, *columns = (list(column) for column in zip(*figure.grid, strict=True))
    columns = [column[:-1] for column in columns]
    names = [f"{name.partition(' (')[0].lower()} current" for name in figure.table.columns[1:4]]
    setting = dict(figure.limits).get("setting")
    above = setting is not None and max(columns[2]) > setting
    axes = _margin_axes(canvas, [*names, *(words for _, words in _limit_words(figure))], 2.2, 0.46, 0.34 if above else 0.24)
    _upright(axes, figure, [value for column in columns for value in column])
    axes.set_xlim(edges[0], edges[-1] if edges[-1] > edges[0] else edges[0] + 1.0)
    if above:
        _area_above(canvas, axes, columns[2], edges, setting)
    entries = _draw_limits(axes, figure)
    for name, values, (style, width) in zip(names, columns, CURVES, strict=True):
        kept = {"color": INK, "linestyle": style, "linewidth": width, "label": name, "zorder": 4 + width}
        axes.stairs(*_merged(values, edges), baseline=None, clip_on=False, **kept)
        entries.append((values[-1], name, style, width))
    if edges[0] < 0 < edges[-1]:
        axes.axvline(0.0, color=INK, linewidth=0.6, linestyle=":", zorder=2, label="moment")
    _clock(axes, edges[0], edges[-1])
    _beside(axes, entries)


def _merged(values: list[float], edges: list[float]) -> tuple[list[float], list[float]]:
    """Pieces of the same value put together. Parameters: values [any], their edges [s]."""
    firsts = [place for place in range(len(values)) if place == 0 or values[place] != values[place - 1]]
    return [values[place] for place in firsts], [*(edges[place] for place in firsts), edges[-1]]


def _area_above(canvas, axes, values: list[float], edges: list[float], setting: float) -> None:
    """What lies between setting and service where the service is above it, and its words over the axes."""
    from matplotlib.patches import Patch

    over = [max(value, setting) for value in values]
    axes.stairs(*_merged(over, edges), baseline=setting, fill=True, facecolor=ABOVE, edgecolor="none", linewidth=0, zorder=1, label="above")
    handle = Patch(facecolor=ABOVE, edgecolor=INK, linewidth=0.5, label="service above the setting")
    place = axes.get_position()
    kept = {"frameon": False, "handlelength": 1.6, "borderpad": 0.1, "borderaxespad": 0.0}
    canvas.legend(handles=[handle], loc="lower left", bbox_to_anchor=(place.x0 + 0.02, place.y1 + 0.01), **kept)


def _clock(axes, first: float, last: float) -> None:
    """Axis of time around the moment: seconds, or minutes where it is long."""
    span = (last - first) or 1.0
    unit, word = (60.0, "minutes") if span > LONG_S else (1.0, "seconds")
    step = next((one for one in SECONDS if one >= unit * (unit > 1) and span / one <= MOST_TICKS), span)
    ticks = [place * step for place in range(math.ceil(first / step - _NEAR), math.floor(last / step + _NEAR) + 1)]
    axes.set_xticks(ticks, [numbers.number(round(tick / unit, 6)) for tick in ticks])
    axes.set_xlabel(f"{word} from the moment the setting is passed", labelpad=2)


# duration curves


def durations(canvas, figure: Figure) -> None:
    """Current reached or exceeded in a share of the year, without a control and with it; the share logarithmic, zero left of it."""
    shares = [row[0] for row in figure.grid]
    first = min((share for share in shares if share > 0), default=None)
    if first is None or len(shares) < 2 or any(len(row) != 3 for row in figure.grid):
        raise MachineryFault(f"figure {figure.key}: its grid has no two shares with two currents each, one above zero")
    axes = _margin_axes(canvas, [words for _, words in _limit_words(figure)], 2.3, 0.46, 0.24)
    zero = first / 10 ** (ZERO_FRAC * max(2.0, math.log10(100.0 / first)))
    places = [share if share > 0 else zero for share in shares]
    columns = [[row[1] for row in figure.grid], [row[2] for row in figure.grid]]
    _upright(axes, figure, [*columns[0], *columns[1]])
    axes.set_xscale("log")
    axes.set_xlim(zero if min(shares) <= 0 else first, 100.0)
    _share_ticks(axes, first, min(shares) <= 0)
    _beside(axes, _draw_limits(axes, figure))
    for values, (name, style, width) in zip(columns, SHARES, strict=True):
        kept = {"color": INK, "linestyle": style, "linewidth": width, "label": name, "clip_on": False, "zorder": 4}
        axes.step(places, values, where="post", **kept)
    _name_curves(axes, figure, places, columns)


def _share_ticks(axes, first: float, zero: bool) -> None:
    """Powers of ten from the smallest share on as plain numbers, the smallest itself where there is room for it, and zero."""
    low, wide = math.log10(axes.get_xlim()[0]), axes.get_position().width * WIDTH_IN * POINTS
    every = max(1, math.ceil((2 - math.log10(first)) / MOST_POWERS))
    powers = [power for power in range(2, math.floor(math.log10(first)) - 1, -1) if 10.0**power >= first * (1 - _NEAR)]
    ticks = [(10.0**power, f"{10.0**power:.{max(0, -power)}f}") for power in powers[::every]][::-1]
    own = numbers.fixed(first, max(0, 2 - math.floor(math.log10(first))))
    own = own.rstrip("0").rstrip(".") if "." in own else own

    def apart(left: tuple[float, str], right: tuple[float, str]) -> bool:
        space = (math.log10(right[0]) - math.log10(left[0])) / (2 - low) * wide
        return space >= LETTER_PT * (len(left[1]) + len(right[1])) / 2 + 3

    start = [(axes.get_xlim()[0], "0")] if zero else []
    if all(apart(one, (first, own)) for one in start) and apart((first, own), ticks[0]):
        start.append((first, own))
    axes.set_xticks(*zip(*start, *ticks, strict=True))
    fine = [lead * 10.0**power for power in range(powers[-1] - 1, 2) for lead in range(1, 10)]
    axes.set_xticks([tick for tick in fine if tick >= first], minor=True)
    axes.tick_params(axis="x", which="minor", length=1.6, width=0.5, labelbottom=False)
    axes.set_xlabel("% of the time that reaches this current (logarithmic)", labelpad=2)


def _name_curves(axes, figure: Figure, places: list[float], columns: list[list[float]]) -> None:
    """Words at the two curves where they are far apart: the upper above its line, the other below; over the axes if there is no room."""
    left, low, right, high = room_of(axes)
    room = (left, low, right, high + LINE_PT)
    limits = [line_box(axes, (axes.get_xlim()[0], value), (100.0, value)) for _, value in figure.limits]
    taken, corners = list(limits), []
    for values in columns:
        held = list(zip(places, values, strict=True))
        for (start, value), (end, after) in itertools.pairwise(held):
            taken += [line_box(axes, (start, value), (end, value)), line_box(axes, (end, value), (end, after))]
        corners.append([at_points(axes, *one) for one in held])
    apart = [abs(one - other) for one, other in zip(*columns, strict=True)]
    order = range(0, len(places), max(1, len(places) // 100))
    groups = [[place for place in order if (apart[place] >= FAR_FRAC * max(apart)) == far] for far in (True, False)]
    missing = []
    for (name, _, _), own, up in zip(SHARES, corners, (1, -1), strict=True):
        box = next((one for one in _tries(own, groups, name, up, limits) if free(one, taken, room)), None)
        if box is None:
            missing.append(name)
            continue
        taken.append(box)
        axes.annotate(name, (box[0] + 1, box[1] + 2.4), xycoords="figure points", ha="left", va="baseline", zorder=7)
    if missing:
        handles = [line for line in axes.lines if line.get_label() in missing]
        kept = {"frameon": False, "handlelength": 2.4, "borderpad": 0.1, "borderaxespad": 0.0, "ncols": 2}
        axes.legend(handles=handles, loc="lower left", bbox_to_anchor=(0.02, 1.01), **kept)


def _tries(own: list[Place], groups: list[list[int]], name: str, up: int, limits: list[Box]) -> list[Box]:
    """Where the name of a curve may stand, the best first: on its own side, with no limit between it and its curve."""
    angles = (45, 90, 135, -90, -135, -45) if up > 0 else (-90, -135, -45, 45, 90, 135)
    found = [(own[place], beside(own[place], angle, 5.0, [name])) for group in groups for angle in angles for place in group]
    clear = [free(around(at, box[:2], box[2:]), limits) for at, box in found]
    return [box for wanted in (True, False) for (_, box), one in zip(found, clear, strict=True) if one == wanted]


# calendar of nights


def nights(canvas, figure: Figure) -> None:
    """Months from top to bottom, days from left to right: white met its need, the darker the more was missed, a dot without a vehicle."""
    if len(figure.grid) != 12 or any(len(row) != 31 for row in figure.grid):
        raise MachineryFault(f"figure {figure.key}: its grid is not twelve months of 31 nights")
    for month, row in enumerate(figure.grid, 1):
        if any(value is not None for value in row[_longest(month) :]):
            raise MachineryFault(f"figure {figure.key}: its grid has a night that {calendar.month_name[month]} has not")
    head, foot, left = 0.08, 1.02, 0.46
    height = head + foot + 12 * WEEK_PT / POINTS
    canvas.set_size_inches(WIDTH_IN, height)
    axes = canvas.add_axes((left / WIDTH_IN, foot / height, 31 * CELL_PT / POINTS / WIDTH_IN, 12 * WEEK_PT / POINTS / height))
    axes.set_xlim(0.5, 31.5)
    axes.set_ylim(12.5, 0.5)
    held: dict[str, list[tuple[int, int]]] = {}
    for month, row in enumerate(figure.grid, 1):
        for day_of, value in enumerate(row, 1):
            # a year without a 29 February and a night without a vehicle are both None there: nothing is drawn
            if value is not None or day_of <= (28 if month == 2 else _longest(month)):
                held.setdefault(_shade(value), []).append((day_of, month))
    for shade in ("", "#ffffff", *(shade for _, shade in MISSED)):
        if shade in held:
            axes.plot(*zip(*held[shade], strict=True), label=shade or "no vehicle", linestyle="none", clip_on=False, **_look(shade))
    axes.set_yticks(range(1, 13), [calendar.month_abbr[month] for month in range(1, 13)])
    axes.set_xticks((1, 5, 10, 15, 20, 25, 31))
    axes.tick_params(length=0, pad=2)
    for side in ("top", "right", "bottom", "left"):
        axes.spines[side].set_visible(False)
    axes.set_xlabel("day of the month", labelpad=1)
    _night_key(canvas, figure, "" in held, height, left)


def _longest(month: int) -> int:
    """Days that a month has at most."""
    return calendar.monthrange(2000, month)[1]


def _shade(value: float | None) -> str:
    """Shade of a night, empty where no vehicle was there. Parameters: what it gave [%]."""
    if value is None:
        return ""
    return next((shade for end, shade in MISSED if value < end), "#ffffff")


def _look(shade: str) -> dict[str, object]:
    """How a night is drawn: a square with a thin frame, or a dot."""
    if not shade:
        return {"marker": "o", "markersize": 2.0, "color": INK, "markeredgewidth": 0}
    return {"marker": "s", "markersize": SQUARE_PT, "color": INK, "markerfacecolor": shade, "markeredgecolor": INK, "markeredgewidth": 0.5}


def _night_key(canvas, figure: Figure, absent: bool, height: float, left: float) -> None:
    """The shades with the ends between them; the white square, and the dot where some night has no vehicle."""
    from matplotlib.patches import Rectangle

    wide = WIDTH_IN - left - 0.1
    axes = canvas.add_axes((left / WIDTH_IN, 0.06 / height, wide / WIDTH_IN, 0.55 / height))
    axes.set_xlim(0, wide)
    axes.set_ylim(0, 0.55)
    axes.axis("off")
    box, low, tall = 0.42, 0.4, 0.13
    for place, (_, shade) in enumerate(MISSED):
        axes.add_patch(Rectangle((place * box, low), box, tall, facecolor=shade, edgecolor=INK, linewidth=0.5, clip_on=False))
    for place, end in enumerate((0.0, *(end for end, _ in MISSED))):
        axes.annotate(numbers.number(round(end)), (place * box, low), (0, -2), textcoords="offset points", ha="center", va="top")
    beside = {"textcoords": "offset points", "ha": "left", "va": "center"}
    words = f"{numbers.unit_text(figure.unit)} of the need given, dark is little"
    axes.annotate(words, (len(MISSED) * box, low + tall / 2), (5, 0), **beside)
    axes.plot([0.065], [0.06], clip_on=False, **_look("#ffffff"))
    axes.annotate("need met", (0.13, 0.06), (4, 0), **beside)
    if absent:
        axes.plot([1.1], [0.06], clip_on=False, **_look(""))
        axes.annotate("no night with the vehicle", (1.1, 0.06), (5, 0), **beside)


# excursions and bounds


def trip(canvas, figure: Figure) -> None:
    """Excursions as full marks with their names, and the open marks by which a breaker must have opened, both axes logarithmic."""
    if not figure.grid or len(figure.table.rows) != len(figure.grid):
        raise MachineryFault(f"figure {figure.key}: its grid has no point, or its table not a row for each")
    named = [(*point, str(row[0])) for point, row in zip(figure.grid, figure.table.rows, strict=True)]
    drawn = [one for one in named if one[0] and one[1] and one[0] > 0 and one[1] > 0]
    bounds = sorted((ratio, seconds) for ratio, seconds, what, _ in drawn if what == 1)
    runs = [(ratio, seconds, name) for ratio, seconds, what, name in drawn if what != 1]
    foot, head, tall = 0.46, 0.24, 2.7
    axes = plain_axes(canvas, foot + tall + head, 0.56, foot, head)
    _log_axes(axes, [one[0] for one in drawn], [one[1] for one in drawn])
    axes.annotate(numbers.unit_text(figure.unit), (0, 1), (-4, 5), xycoords="axes fraction", textcoords="offset points", ha="right")
    taken = [line_box(axes, (1.0, axes.get_ylim()[0]), (1.0, axes.get_ylim()[1]))]
    taken += [(x - 4, y - 4, x + 4, y + 4) for x, y in (at_points(axes, one[0], one[1]) for one in drawn)]
    _bounds(axes, bounds, taken)
    marks = []
    for place, (ratio, seconds, name) in enumerate(runs):
        face = INK if place // len(SHAPES) % 2 == 0 else GREY
        look = {"marker": SHAPES[place % len(SHAPES)], "markersize": 6, "markerfacecolor": face, "markeredgecolor": "#ffffff"}
        marks += axes.plot(
            [ratio], [seconds], linestyle="none", color=INK, markeredgewidth=0.4, label=name, clip_on=False, zorder=6, **look
        )
    unnamed = _name_marks(axes, runs, taken)
    if unnamed:
        _key_below(canvas, axes, [marks[place] for place in unnamed], foot, tall, head)


def _log_axes(axes, ratios: list[float], seconds: list[float]) -> None:
    """Axes from 0.5 to 10 times and from 1 s to 10,000 s, or as far as points need; an upright line at the rating."""
    low, high = min([0.5, *ratios]), max([10.0, *ratios])
    steps = [lead * 10.0**power for power in range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1) for lead in (1, 2, 5)]
    low = max(step for step in steps if step <= low * (1 + _NEAR))
    high = min(step for step in steps if step >= high * (1 - _NEAR))
    axes.set_xscale("log")
    axes.set_yscale("log")
    axes.set_xlim(low, high)
    bottom = min(0, math.floor(math.log10(min([1.0, *seconds])) + _NEAR))
    top = max(4, math.ceil(math.log10(max([1.0, *seconds])) - _NEAR))
    axes.set_ylim(10.0**bottom, 10.0**top)
    kept = [step for step in steps if low * (1 - _NEAR) <= step <= high * (1 + _NEAR)]
    every = kept if len(kept) <= 9 else [step for step in kept if math.isclose(math.log10(step), round(math.log10(step)), abs_tol=_NEAR)]
    place, left = axes.get_position(), (DIGIT_PT * len(numbers.number(10.0 ** max(top, -bottom))) + 8) / POINTS / WIDTH_IN
    if left > place.x0:
        axes.set_position((left, place.y0, place.x1 - left, place.height))
    axes.set_xticks(every, [numbers.number(float(f"{step:.6g}")) for step in every])
    axes.set_yticks([10.0**power for power in range(bottom, top + 1)], [numbers.number(10.0**power) for power in range(bottom, top + 1)])
    axes.minorticks_off()
    axes.set_xlabel("current, times the rating of the main (logarithmic)", labelpad=2)
    axes.axvline(1.0, color=INK, linewidth=1.0, zorder=3, label="rating")
    words, wide = "rating of the main", axes.get_position().width * WIDTH_IN * POINTS
    at = math.log(1 / low) / math.log(high / low) * wide
    side, shift = ("left", 3) if at + LETTER_PT * len(words) + 3 <= wide else ("right", -3)
    axes.annotate(words, (1.0, 1), (shift, 3), xycoords=("data", "axes fraction"), textcoords="offset points", ha=side)


def _bounds(axes, bounds: list[tuple[float, float]], taken: list[Box]) -> None:
    """Open marks joined by a thin dashed line, and its words; what they take is added to what is taken."""
    if not bounds:
        return
    look = {"marker": "o", "markersize": 6.5, "markerfacecolor": "#ffffff", "markeredgecolor": INK, "markeredgewidth": 1.0}
    axes.plot(*zip(*bounds, strict=True), color=INK, linewidth=0.8, linestyle="--", zorder=5, clip_on=False, label="bounds", **look)
    places = [at_points(axes, *one) for one in bounds]
    for start, end in itertools.pairwise(places):
        taken += slanted(start, end)
    anchors = [((one[0] + other[0]) / 2, (one[1] + other[1]) / 2) for one, other in itertools.pairwise(places)] + places
    tries = itertools.product((4.0, 8.0, 16.0), (30, 60, 90, 0, 150, 180, 210, 270, 330), anchors)
    boxes = [beside(at, angle, far, ["must have opened by"]) for far, angle, at in tries]
    box = next((one for one in boxes if free(one, taken, room_of(axes))), boxes[0])
    taken.append(box)
    x, y = places[0]
    axes.annotate("must have opened by", bounds[0], (box[0] + 1 - x, box[1] + 2.4 - y), textcoords="offset points", ha="left", zorder=7)


def _name_marks(axes, runs: list[tuple[float, float, str]], taken: list[Box]) -> list[int]:
    """The name of each point beside it: of some orders to take room in the one that serves best. Returns: which found none."""
    places = [at_points(axes, ratio, seconds) for ratio, seconds, _ in runs]
    if not places:
        return []
    middle = tuple(sum(along) / len(places) for along in zip(*places, strict=True))
    keys = (lambda one: -math.dist(places[one], middle), lambda one: -places[one][0], lambda one: -places[one][1])
    orders = [sorted(range(len(runs)), key=lambda one, key=key: (round(key(one), 6), one)) for key in keys]
    results = [_names(axes, runs, places, middle, order, taken) for order in (*orders, *(order[::-1] for order in orders))]
    best = min(results, key=lambda one: sum(RINGS_PT[-1] * 2 if name is None else name[2] for name in one))
    for (ratio, seconds, _), at, name in zip(runs, places, best, strict=True):
        if name is None:
            continue
        lines, box, far = name
        if far > RINGS_PT[0]:
            near = nearest(at, box)
            arrow = {"arrowstyle": "-", "linewidth": 0.5, "color": INK, "shrinkA": 0, "shrinkB": 3.5}
            reach = (near[0] - at[0], near[1] - at[1])
            axes.annotate("", (ratio, seconds), reach, textcoords="offset points", arrowprops=arrow, zorder=4)
        kept = {"textcoords": "offset points", "ha": "left", "va": "top", "linespacing": 1.1, "zorder": 7}
        axes.annotate("\n".join(lines), (ratio, seconds), (box[0] + 1 - at[0], box[3] - 1 - at[1]), **kept)
    return [place for place, name in enumerate(best) if name is None]


def _names(axes, runs, places: list[Place], middle: Place, order: list[int], taken: list[Box]) -> list[Name | None]:
    """Room for each name when they take it in an order; None where there is none."""
    found: list[Name | None] = [None] * len(runs)
    held, room = list(taken), room_of(axes)
    for place in order:
        at = places[place]
        outward = math.degrees(math.atan2(at[1] - middle[1], at[0] - middle[0])) if math.dist(at, middle) > 1 else 0.0
        others = [other for other in places if math.dist(other, at) > SAME_PT]
        found[place] = _place_name(runs[place][2], at, outward, others, held, room)
    return found


def _place_name(words: str, at: Place, outward: float, others: list[Place], held: list[Box], room: Box) -> Name | None:
    """Room for the name of a point: near it and away from the others, else farther off with a line to it; added to what is held."""
    angles = sorted(range(0, 360, 15), key=lambda one: (abs((one - outward + 180) % 360 - 180), one))
    wrapped = [textwrap.wrap(words, chars) or [""] for chars in NAME_CHARS]
    for far, lines, angle in itertools.product(RINGS_PT, wrapped[: 1 + (wrapped[0] != wrapped[1])], angles):
        box = beside(at, angle, far, lines)
        if not free(box, held, room) or any(math.dist(other, nearest(other, box)) < AWAY_PT for other in others):
            continue
        leader = [] if far == RINGS_PT[0] else [one for one in slanted(at, nearest(at, box)) if math.dist(at, nearest(at, one)) > 6][:-1]
        # the first of what is held is the upright line of the rating, which a thin line may cross
        if all(free(one, held[1:]) for one in leader):
            held += [box, *leader]
            return lines, box, far
    return None


def _key_below(canvas, axes, marks: list, foot: float, tall: float, head: float) -> None:
    """Names that found no room beside their points, each with its mark, below the axes; the axes keep their size."""
    names = ["\n".join(textwrap.wrap(mark.get_label(), KEY_CHARS)) for mark in marks]
    more = 0.06 + 0.165 * sum(name.count("\n") + 1 for name in names)
    height, place = foot + tall + head + more, axes.get_position()
    canvas.set_size_inches(WIDTH_IN, height)
    axes.set_position((place.x0, (foot + more) / height, place.width, tall / height))
    kept = {"frameon": False, "handlelength": 1.2, "borderpad": 0.1, "borderaxespad": 0.0, "labelspacing": 0.3}
    canvas.legend(marks, names, loc="lower left", bbox_to_anchor=(0.02, 0.04 / height), **kept)
