"""Drawings of a meter record: demand duration curve, day-by-hour map, peak day.

They use the sizes and shades of `figures.py`, which enters them. Each takes the canvas and the Figure
and draws nothing that the figure does not hold.
"""

from __future__ import annotations

import datetime
import math

from workbook_lib.errors import MachineryFault
from workbook_lib.render import numbers
from workbook_lib.sheet import Figure

WIDTH_IN, POINTS = 5.0, 72.0
INK = "#16181b"
GREYS = ("#eeeff0", "#d0d3d6", "#adb1b6", "#868b91", "#555a60", "#16181b")
"""Shades of the map from the lowest to the highest; no reading is white."""
ROW_PT, MAP_PT = 6.0, 310.0
"""Height of an hour and width of all days on the map [points]."""
SEAM_PT = 0.3
"""By how much rows overlap, so that no light line shows between two dark hours [points]."""
NICE = (1.0, 1.2, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0, 8.0, 10.0)
"""Widths of a shade, times a power of ten: the scale has readable ends."""
TICKS = (0.0, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)
"""Shares that the axis of the duration curve names [%]."""
LABELLED = (0.0, 1.0, 10.0)
"""Shares at which the duration curve prints its value [%]."""
SHORT_DAYS = 40
"""Up to so many days the map names days, above it months [count]."""
MANY = 120
"""From so many readings on the line of the peak day is thin [count]."""
_PATCH = {"facecolor": "#ffffff", "edgecolor": "none", "pad": 0.6}


def plain_axes(canvas, height: float, left: float, foot: float, head: float):
    """Axes without a top and a right side. Parameters: height, margins [in]."""
    canvas.set_size_inches(WIDTH_IN, height)
    axes = canvas.add_axes((left / WIDTH_IN, foot / height, 1 - (left + 0.16) / WIDTH_IN, 1 - (foot + head) / height))
    axes.tick_params(length=3, width=0.6)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    return axes


def unit_above(axes, figure: Figure) -> None:
    """The unit of the upright axis, above it, and the numbers as everywhere else."""
    axes.yaxis.set_major_formatter(lambda value, _: numbers.number(round(value, 9)))
    axes.locator_params(axis="y", nbins=6)
    axes.annotate(numbers.unit_text(figure.unit), (0, 1), (-4, 5), xycoords="axes fraction", textcoords="offset points", ha="right")


def _reach(axes, low: float, high: float) -> None:
    """Upright axis from zero, or from below it where the record goes there, with room for words."""
    low, high = min(0.0, low), max(0.0, high)
    span = (high - low) or 1.0
    axes.set_ylim(low - (0.08 * span if low < 0 else 0.0), high + 0.14 * span)
    if low < 0:
        axes.axhline(0.0, color=INK, linewidth=0.5)


def duration(canvas, figure: Figure) -> None:
    """Demand duration curve: the rows of its table as a step line over a logarithmic share of the time."""
    rows = [(float(share), float(value)) for share, value in figure.table.rows]
    if not rows:
        raise MachineryFault(f"figure {figure.key}: its table has no row")
    axes = plain_axes(canvas, 2.6, 0.5, 0.46, 0.26)
    places = [_share_place(share) for share, _ in rows]
    values = [value for _, value in rows]
    _reach(axes, min(values), max(values))
    axes.step(places, values, where="post", color=INK, linewidth=1.4)
    axes.set_xlim(_share_place(0.0), _share_place(100.0) + 0.06)
    axes.set_xticks([_share_place(share) for share in TICKS], [f"{share:g}" for share in TICKS])
    axes.set_xlabel("share of the recorded time at or above, % (logarithmic)", labelpad=2)
    unit_above(axes, figure)
    for place, (share, value) in zip(places, rows, strict=True):
        if share in LABELLED:
            axes.plot([place], [value], marker="o", markersize=3, color=INK)
            axes.annotate(numbers.number(value, figure.table.decimals), (place, value), (4, 3), textcoords="offset points")


def _share_place(share: float) -> float:
    """Place of a share [%] on the axis: decades from 0.1 up, zero half a decade to the left."""
    return math.log10(share) if share > 0 else math.log10(0.1) - 0.5


def peak_day(canvas, figure: Figure) -> None:
    """The day of the highest reading: each reading as a step, a gap left open."""
    if not figure.grid:
        raise MachineryFault(f"figure {figure.key}: its grid has no reading")
    axes = plain_axes(canvas, 2.4, 0.5, 0.46, 0.26)
    values = [value for _, _, value in figure.grid]
    _reach(axes, min(values), max(values))
    _stairs(axes, figure.grid)
    day = max(24.0, *(end for _, end, _ in figure.grid))
    axes.set_xlim(0, day)
    axes.set_xticks(range(0, int(day) + 1, 3))
    axes.set_xlabel("hours since local midnight", labelpad=2)
    unit_above(axes, figure)
    start, end, value = max(figure.grid, key=lambda row: (row[2], -row[0]))
    middle = (start + end) / 2
    shown = numbers.with_unit(numbers.number(value, figure.table.decimals), figure.unit)
    side = "left" if middle < 3 else "right" if middle > day - 3 else "center"
    axes.annotate(shown, (middle, value), (0, 3), textcoords="offset points", ha=side, bbox=_PATCH, zorder=6)


def day_map(canvas, figure: Figure) -> None:
    """Days from left to right, hours from top to bottom, six shades; each row of the grid is a day."""
    days = [datetime.date.fromordinal(int(row[0])) for row in figure.grid]
    cells = [row[1:] for row in figure.grid]
    known = [value for row in cells for value in row if value is not None]
    if not known or any(len(row) != 24 for row in cells):
        raise MachineryFault(f"figure {figure.key}: its grid is not days of 24 hours with a reading")
    pitch = max(0.1, math.floor(MAP_PT / len(days) * 10) / 10)
    width, tall = pitch * len(days), 24 * ROW_PT
    head, foot, left = 0.1, 0.88, 0.5
    height = head + foot + tall / POINTS
    canvas.set_size_inches(WIDTH_IN, height)
    axes = canvas.add_axes((left / WIDTH_IN, foot / height, width / POINTS / WIDTH_IN, tall / POINTS / height))
    axes.set_xlim(0, width)
    axes.set_ylim(tall, 0)
    edges = scale(min(known), max(known))
    for level in range(len(GREYS)):
        for hour in range(24):
            held = [row[hour] is not None and (level == 0 or row[hour] >= edges[level]) for row in cells]
            runs(axes, held, pitch, (hour + 0.5) * ROW_PT, GREYS[level])
    axes.set_yticks([hour * ROW_PT for hour in range(0, 25, 6)], [f"{hour:02d}:00" for hour in range(0, 25, 6)])
    axes.set_xticks(*_date_ticks(days, pitch))
    axes.tick_params(length=3, width=0.6)
    _scale_bar(canvas, figure, edges, len(known) < 24 * len(cells), height, left)


def scale(low: float, high: float) -> tuple[float, ...]:
    """Seven ends of the six shades, evenly apart and readable: from zero, or below it, to the highest value.

    Parameters: lowest and highest value [any]. Returns: ends [any].
    """
    span = (high - min(low, 0.0)) or 1.0
    power = math.floor(math.log10(span / len(GREYS)))
    for step in (nice * 10.0**exponent for exponent in (power, power + 1) for nice in NICE):
        start = math.floor(min(low, 0.0) / step + 1e-9)
        if (start + len(GREYS)) * step >= high * (1 - 1e-12):
            return tuple(float(f"{(start + place) * step:.10g}") for place in range(len(GREYS) + 1))
    raise MachineryFault(f"no scale for values from {low} to {high}")


def runs(axes, held: list[bool], pitch: float, at: float, shade: str) -> None:
    """Days that reach a shade, as one line whose dashes are the runs of days: far smaller than a box each."""
    lengths: list[int] = []
    first = held.index(True) if True in held else len(held)
    last = len(held) - held[::-1].index(True) if True in held else 0
    if first >= last:
        return
    state = True
    lengths.append(0)
    for one in held[first:last]:
        if one != state:
            lengths.append(0)
            state = one
        lengths[-1] += 1
    (line,) = axes.plot([first * pitch, last * pitch], [at, at], color=shade, linewidth=ROW_PT + SEAM_PT, zorder=1, clip_on=False)
    line.set_solid_capstyle("butt")
    line.set_dash_capstyle("butt")
    if len(lengths) > 1:
        # a dash pattern repeats: an even count of entries, the last gap never reached
        line.set_dashes([round(length * pitch / line.get_linewidth(), 9) for length in (*lengths, len(held))])


def _date_ticks(days: list[datetime.date], pitch: float) -> tuple[list[float], list[str]]:
    """Places and names of dates: the months of a long record, every few days of a short one."""
    if len(days) > SHORT_DAYS:
        found = [(place, day) for place, day in enumerate(days) if day.day == 1]
        every = max(1, math.ceil(len(found) / 13))
        kept = found[::every]
        return [place * pitch for place, _ in kept], [_month(day, index) for index, (_, day) in enumerate(kept)]
    every = max(1, math.ceil(len(days) / 6))
    kept = list(enumerate(days))[::every]
    names = [f"{day.day} {day:%b}" + (f"\n{day.year}" if index == 0 else "") for index, (_, day) in enumerate(kept)]
    return [(place + 0.5) * pitch for place, _ in kept], names


def _month(day: datetime.date, index: int) -> str:
    return f"{day:%b}" + (f"\n{day.year}" if index == 0 or day.month == 1 else "")


def _scale_bar(canvas, figure: Figure, edges: tuple[float, ...], gaps: bool, height: float, left: float) -> None:
    """The six shades with their ends, and a white box where some hour has no reading."""
    from matplotlib.patches import Rectangle

    box = 0.46
    axes = canvas.add_axes((left / WIDTH_IN, 0.24 / height, 1 - (left + 0.1) / WIDTH_IN, 0.14 / height))
    axes.set_xlim(0, WIDTH_IN - left - 0.1)
    axes.set_ylim(0, 1)
    axes.axis("off")
    for place, shade in enumerate(GREYS):
        axes.add_patch(Rectangle((place * box, 0), box, 1, facecolor=shade, edgecolor=INK, linewidth=0.5, clip_on=False))
    for place, edge in enumerate(edges):
        axes.annotate(numbers.number(edge), (place * box, 0), (0, -2), textcoords="offset points", ha="center", va="top")
    axes.annotate(numbers.unit_text(figure.unit), (6 * box, 0.5), (4, 0), textcoords="offset points", ha="left", va="center")
    if gaps:
        axes.add_patch(Rectangle((6 * box + 0.45, 0), 0.2, 1, facecolor="#ffffff", edgecolor=INK, linewidth=0.5, clip_on=False))
        axes.annotate("no reading", (6 * box + 0.65, 0.5), (3, 0), textcoords="offset points", ha="left", va="center")


def _stairs(axes, grid) -> None:
    """Readings as steps joined where they follow each other, apart where they do not; filled down to zero."""
    runs: list[list[tuple[float, float, float]]] = []
    for row in grid:
        if not runs or abs(row[0] - runs[-1][-1][1]) > 1e-9:
            runs.append([])
        runs[-1].append(row)
    for run in runs:
        values = [value for _, _, value in run]
        edges = [run[0][0], *(end for _, end, _ in run)]
        axes.stairs(values, edges, baseline=0.0, fill=True, facecolor="#d9dcdf", edgecolor="none", linewidth=0)
        axes.stairs(values, edges, baseline=None, color=INK, linewidth=1.2 if len(grid) <= MANY else 0.6)
