"""Figures of the portfolio summary, as data: studies by state, room of the controlling tests, state before against state now."""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from collections.abc import Sequence

from workbook_lib.formula import GUARD
from workbook_lib.sheet import Figure, Table
from workbook_lib.workbooks.portfolio_rows import STATES, VERDICTS, Roll, Row, room, states_of
from workbook_lib.workbooks.portfolio_tables import percent

EDGES = (-50.0, -25.0, -10.0, 0.0, 10.0, 25.0, 50.0, 100.0)
"""Ends between the classes of room [% of the limit]; the first and the last class are open."""


def figures(roll: Roll) -> tuple[Figure, ...]:
    """Every figure that the portfolio has. Returns: figures with tables."""
    drawn = [states(roll.rows)]
    numeric = [row for row in roll.rows if room(row) is not None]
    if numeric:
        drawn.append(margins(numeric))
    compared = [row for row in roll.rows if row["before"] is not None]
    if compared and roll.compared_with:
        drawn.append(changes(compared, roll.compared_with))
    return tuple(drawn)


def states(rows: Sequence[Row]) -> Figure:
    """How many studies came to each state. Parameters: rows. Returns: figure [count]."""
    counts = Counter(row["state"] for row in rows)
    lines = tuple((state, counts[state], f"{percent(counts[state] / len(rows)):.1f} %") for state in states_of(counts))
    said = ", ".join(f"{state} {count:,}" for state, count, _ in lines)
    table = Table(("State", "Studies", "Part of all"), lines)
    return Figure("states", "capacity", "Studies by state", f"Of {len(rows):,} studies: {said}.", table, unit="count")


def class_words() -> tuple[str, ...]:
    """Names of the classes of room, from the shortest on."""
    inner = [f"from {_end(low)} to below {_end(high)} %" for low, high in zip(EDGES, EDGES[1:], strict=False)]
    return (f"below {_end(EDGES[0])} %", *inner, f"{_end(EDGES[-1])} % and more")


def _end(value: float) -> str:
    return f"{value:g}".replace("-", "−")


def class_of(part: float) -> int:
    """Class of a room, the last bit of arithmetic guarded. Parameters: part of the limit [-]. Returns: place [count]."""
    return bisect_right(EDGES, percent(part) + GUARD * max(1.0, abs(percent(part))))


def margins(rows: Sequence[Row]) -> Figure:
    """Room of the controlling tests that compare numbers, in classes, by the state of the study.

    Parameters: rows with room. Returns: figure [count], a row of its table a class.
    """
    states = [state for state in reversed(VERDICTS) if any(row["state"] == state for row in rows)]
    tally = Counter((class_of(room(row)), row["state"]) for row in rows)
    lines = tuple((words, *(tally[place, state] for state in states)) for place, words in enumerate(class_words()))
    short = sum(count for (place, _), count in tally.items() if place < EDGES.index(0.0) + 1)
    description = (
        f"Room of {len(rows):,} controlling tests that compare numbers, in percent of their limit; {short:,} are short of it, "
        f"{len(rows) - short:,} have room. A study may fail with room: by a condition beside the amounts. The classes are not equally wide."
    )
    table = Table(("Room of the controlling test", *map(str.capitalize, states)), lines)
    limits = tuple((words, edge) for words, edge in zip(map(_end, EDGES), EDGES, strict=True))
    return Figure("margins", "roomclasses", "How far the controlling tests are from their limit", description, table, limits, "count")


def changes(rows: Sequence[Row], compared_with: str) -> Figure:
    """State before against state now. Parameters: rows that are in both runs, what the other is. Returns: figure [count]."""
    tally = Counter((row["before"]["state"], row["state"]) for row in rows)
    names = states_of(state for pair in tally for state in pair)
    grid = tuple(tuple(float(tally[before, now]) for now in names) for before in names)
    lines = tuple((before, *(tally[before, now] for now in names), sum(tally[before, now] for now in names)) for before in names)
    sums = ("all", *(sum(tally[before, now] for before in names) for now in names), len(rows))
    better, worse = (sum(count for pair, count in tally.items() if _way(*pair) == way) for way in (1, -1))
    description = (
        f"{len(rows):,} studies that are in this run and in {compared_with}: each line is the state before, each column the state now. "
        f"{better:,} went to a better state, {worse:,} to a worse one, {sum(tally[name, name] for name in names):,} stayed (framed)."
    )
    table = Table(("Before", *(f"Now {name}" for name in names), "All"), (*lines, sums))
    return Figure("changes", "statechanges", "State before and now", description, table, (), "count", grid)


def _way(before: str, now: str) -> int:
    """1 where a state is better than the one before, -1 where it is worse, 0 where it is the same or not known."""
    if before == now or before not in STATES or now not in STATES:
        return 0
    return 1 if STATES.index(now) > STATES.index(before) else -1
