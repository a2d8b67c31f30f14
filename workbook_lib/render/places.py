"""Where words may stand on a drawing without standing on each other: boxes in points from the lower left end of the canvas."""

from __future__ import annotations

import itertools
import math

POINTS = 72.0
LETTER_PT, LINE_PT = 4.82, 10.5
"""Width of a letter, rather more than less, and height of a line of words [points]."""
CLEAR_PT = 1.0
"""Room that boxes keep between each other [points]."""
STEEP = 0.3
"""A direction whose sine is below this is level, one whose cosine is below it is upright [-]."""

Place = tuple[float, float]
"""Across and up [points]."""
Box = tuple[float, float, float, float]
"""Left, lower, right and upper end [points]."""


def at_points(axes, x: float, y: float) -> Place:
    """Where a point of the axes stands on the canvas. Parameters: its coordinates in the axes [any]. Returns: place [points]."""
    place = axes.transData.transform((x, y)) * POINTS / axes.get_figure().dpi
    return float(place[0]), float(place[1])


def room_of(axes) -> Box:
    """Where words may stand inside the axes. Returns: box [points]."""
    place = axes.get_position()
    wide, tall = (float(side) * POINTS for side in axes.get_figure().get_size_inches())
    return place.x0 * wide + 2, place.y0 * tall + 2, place.x1 * wide, place.y1 * tall


def around(*places: Place) -> Box:
    """The box around some places. Parameters: places [points]. Returns: box [points]."""
    across, up = zip(*places, strict=True)
    return min(across), min(up), max(across), max(up)


def line_box(axes, start: Place, end: Place) -> Box:
    """The box of a level or upright line. Parameters: its ends in the axes [any]. Returns: box [points]."""
    return around(at_points(axes, *start), at_points(axes, *end))


def slanted(start: Place, end: Place) -> list[Box]:
    """A slanted line as small boxes. Parameters: its ends [points]. Returns: boxes [points]."""
    count = max(1, math.ceil(math.dist(start, end) / 3))
    steps = [(start[0] + (end[0] - start[0]) * place / count, start[1] + (end[1] - start[1]) * place / count) for place in range(count + 1)]
    return [around(*pair) for pair in itertools.pairwise(steps)]


def beside(at: Place, degrees: float, far: float, lines: list[str]) -> Box:
    """The box of lines of words beside a point, in a direction counted from the right against the clock.

    Parameters: place [points], direction [degrees, unit of an angle], how far [points], the lines. Returns: box [points].
    """
    wide, tall = LETTER_PT * max(map(len, lines)) + 2, LINE_PT * len(lines)
    across, up = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    left = at[0] + far * across + (0 if across > STEEP else -wide if across < -STEEP else -wide / 2)
    low = at[1] + far * up + (0 if up > STEEP else -tall if up < -STEEP else -tall / 2)
    return left, low, left + wide, low + tall


def nearest(at: Place, box: Box) -> Place:
    """The place of a box that is nearest to a point. Parameters: place, box [points]. Returns: place [points]."""
    return min(max(at[0], box[0]), box[2]), min(max(at[1], box[1]), box[3])


def free(box: Box, taken: list[Box], room: Box | None = None) -> bool:
    """Whether a box stands in the room and on nothing that is taken. Parameters: boxes [points]."""
    if room and not (box[0] >= room[0] and box[1] >= room[1] and box[2] <= room[2] and box[3] <= room[3]):
        return False
    left, low, right, high = box[0] - CLEAR_PT, box[1] - CLEAR_PT, box[2] + CLEAR_PT, box[3] + CLEAR_PT
    return not any(left < one[2] and one[0] < right and low < one[3] and one[1] < high for one in taken)


def spread(places: list[tuple[float, float]], high: float) -> list[float]:
    """Middles of things that stand one above the other, moved up as little as needed, then down where the highest passes the end.

    Parameters: wanted middle and height of each from below, and the end [points]. Returns: middles [points].
    """
    found: list[float] = []
    for place, (at, tall) in enumerate(places):
        found.append(max(at, found[-1] + (places[place - 1][1] + tall) / 2) if found else at)
    for place in range(len(found) - 1, -1, -1):
        tall = places[place][1]
        most = high - tall / 2 if place == len(found) - 1 else found[place + 1] - (places[place + 1][1] + tall) / 2
        found[place] = min(found[place], most)
    return found
