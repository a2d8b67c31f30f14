"""States of the studies and how they moved, as tables and figures; the figure of the room that the capacities have.

Figures are data here; `render/portfolio_figures.py` draws them.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter
from collections.abc import Iterable, Sequence

from workbook_lib.formula import GUARD
from workbook_lib.sheet import Figure, Section, Table
from workbook_lib.workbooks.portfolio_rows import (
    BETTER,
    FAIL,
    KNOWN,
    NONE_NOW,
    RUN_BEFORE,
    UNKNOWN,
    VERDICT_NOW,
    VERDICTS,
    WORSE,
    Roll,
    Row,
    by_edition_alone,
    changed,
    controlling,
    name_of,
    otherwise,
    partial,
    room,
    sites,
    states_of,
    tightest,
    way,
)
from workbook_lib.workbooks.portfolio_tables import cut
from workbook_lib.workbooks.portfolio_words import ADOPTED, many, named, percent, some, studies

EDGES = (-50.0, -25.0, -10.0, 0.0, 10.0, 25.0, 50.0, 100.0)
"""Ends between the classes of room [% of the limit]; the first and the last class are open."""
STATES_OF_ALL = "How many studies came to which state"
CHANGES, CAUSES, CHANGED = "State before and now", "Where every cause stands", "Studies whose state changed"
FILE = "File"
"""Heading of a column whose cells are files beside the summary."""
CHANGES_PAGE, CHANGES_TABLE = "changes.html", "changes.csv"
"""Files that stand beside the summary where it is compared with another folder."""
MEANINGS = {
    "pass": "every counted check passes",
    "judgement": "a person has to decide; it is no pass",
    "needs input": "the site file lacks a value, or a choice, a document or the text of the code is wanting",
    "fail": "a counted check fails",
}
OF_THOSE = "every counted check of the workbooks that were asked for passes", "a counted check of the workbooks that were asked for fails"
"""What pass and fail mean where workbooks were left out."""
WORST_FIRST = {state: place for place, state in enumerate(VERDICTS)}
WITHOUT = f"without {ADOPTED}"


def figures(roll: Roll) -> tuple[Figure, ...]:
    """Every figure that the portfolio has. Returns: figures with tables."""
    drawn = []
    numeric = [row for row in roll.rows if tightest(row) is not None]
    if numeric:
        drawn.append(margins(numeric))
    compared = [row for row in roll.rows if row["before"] is not None]
    if compared and roll.compared_with:
        drawn.append(changes(compared, roll.compared_with))
    return tuple(drawn)


def shown_states(rows: Iterable[Row]) -> tuple[str, ...]:
    """The states that are shown, in reading order: those that are verdicts whether a study has them or not, then what else there is."""
    return states_of([*VERDICTS, *(row["state"] for row in rows)])


def _part(count: int, rows: Sequence[Row]) -> str:
    return f"{percent(count / len(rows)):.1f} %"


def states_section(roll: Roll) -> Section:
    """How many studies came to each state; apart those that a substitution was made for, beside it what they would be otherwise."""
    rows = roll.rows
    made_for = [row for row in rows if row["substituted"]]
    moved = Counter((row["state"], otherwise(row)) for row in rows if otherwise(row) != row["state"])
    columns: dict[str, Counter[str]] = {"Studies": Counter(row["state"] for row in rows)}
    if moved:
        columns[f"Studies {WITHOUT}"] = Counter(map(otherwise, rows))
    if roll.what_if:
        columns["Substituted"] = Counter(row["state"] for row in made_for)
        columns["Not substituted"] = Counter(row["state"] for row in rows if not row["substituted"])
        if moved:
            columns[f"Substituted, {WITHOUT}"] = Counter(map(otherwise, made_for))
    meanings = MEANINGS | ({FAIL: OF_THOSE[1], VERDICTS[-1]: OF_THOSE[0]} if partial(rows) else {})
    lines = tuple(
        (state, *(counts[state] for counts in columns.values()), _part(columns["Studies"][state], rows), meanings.get(state, "no verdict"))
        for state in shown_states(rows)
    )
    prose = f"{studies(len(rows))} of {many(len(sites(rows)), 'home')}; a home under several cases is several studies."
    if roll.what_if:
        prose += f" The substitution was made for {studies(len(made_for))} of {many(len(sites(made_for)), 'home')}"
        prose += f": {some(map(name_of, made_for))}; all of them are marked in the list of every study." if made_for else "."
    if moved:
        told = ", ".join(f"{count:,} {state} would be {other}" for (state, other), count in moved.most_common())
        prose += f" Without the check {ADOPTED}, which a study under a what-if edition cannot pass: {told}."
    return Section(STATES_OF_ALL, (), prose, Table(("State", *columns, "Part of all", "What it means"), lines))


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
    """Room of the tightest capacity of each study, in classes, by the verdict of that test.

    Parameters: rows with a tightest capacity. Returns: figure [count], a row of its table a class.
    """
    found = [tightest(row) for row in rows]
    verdicts = [verdict for verdict in reversed(VERDICTS) if any(one["verdict"] == verdict for one in found)]
    tally = Counter((class_of(one["room"]), one["verdict"]) for one in found)
    lines = tuple((words, *(tally[place, verdict] for verdict in verdicts)) for place, words in enumerate(class_words()))
    limit = EDGES.index(0.0) + 1
    short, within = (Counter({verdict: sum(n for (place, one), n in tally.items() if one == verdict and (place < limit) is side)
        for verdict in verdicts}) for side in (True, False))  # fmt: skip
    description = (
        f"The tightest test of a load or a source against a capacity, of each of {studies(len(rows))} that has one, in "
        f"percent of its limit. {_sides('Short of it', short)}; {_sides('within it', within)}. The verdict is that of the test, the study "
        "may fail by another. A test may fail or be a judgement with room: by a condition beside the amounts. The classes are not equally "
        "wide."
    )
    table = Table(("Room of the tightest capacity", *map(str.capitalize, verdicts)), lines)
    limits = tuple((words, edge) for words, edge in zip(map(_end, EDGES), EDGES, strict=True))
    return Figure("margins", "roomclasses", "How much room the tightest capacity of each study has", description, table, limits, "count")


def _sides(words: str, counts: Counter[str]) -> str:
    """What lies on one side of the limit, by verdict."""
    told = ", ".join(f"{verdict} {count:,}" for verdict, count in counts.items() if count)
    return f"{words} {counts.total():,}" + (f" ({told})" if told else "")


def changes(rows: Sequence[Row], compared_with: str) -> Figure:
    """State before against state now. Parameters: rows that are in both runs, what the other is. Returns: figure [count]."""
    tally = Counter((row["before"]["state"], row["state"]) for row in rows)
    names = states_of(state for pair in tally for state in pair)
    grid = tuple(tuple(float(tally[before, now]) for now in names) for before in names)
    lines = tuple((before, *(tally[before, now] for now in names), sum(tally[before, now] for now in names)) for before in names)
    sums = ("all", *(sum(tally[before, now] for before in names) for now in names), len(rows))
    description = (
        f"{studies(len(rows))} in this run and in {compared_with}: each line is the state before, each column the state "
        f"now. {_ways(rows)}; {sum(tally[name, name] for name in names):,} stayed (framed)."
    )
    table = Table(("Before", *(f"Now {name}" for name in names), "All"), (*lines, sums))
    return Figure("changes", "statechanges", "State before against state now", description, table, (), "count", grid)


def _ways(rows: Sequence[Row]) -> str:
    """How many of some rows went which way, those by the check of the adopted edition alone named."""
    tally = Counter(way(row["before"]["state"], row["state"]) for row in rows)
    alone = sum(1 for row in rows if by_edition_alone(row) and way(row["before"]["state"], row["state"]) == WORSE)
    worse = f"{tally[WORSE]:,} to a worse one" + (f" ({alone:,} by {ADOPTED} alone)" if alone else "")
    told = [f"{tally[BETTER]:,} went to a better state", worse]
    return ", ".join([*told, *(f"{tally[kind]:,} {kind}" for kind in (KNOWN, UNKNOWN, VERDICT_NOW, NONE_NOW) if tally[kind])])


# what changed


def changes_sections(roll: Roll) -> tuple[Section, ...]:
    """How many studies are in another state than in the run that this one is compared with, and each of them."""
    if not roll.compared_with:
        return (Section(CHANGES, (), "This run was not compared with another."),)
    compared = [row for row in roll.rows if row["before"] is not None]
    moved = [row for row in compared if changed(row)]
    others = sum(1 for row in compared if not changed(row) and row["before"]["check"] != _check_of(row))
    prose = (
        f"Compared with {roll.compared_with}: {many(len(compared), 'study is', 'studies are')} in both, {len(moved):,} of them in "
        f"another state; {many(len(roll.rows) - len(compared), 'is', 'are')} in this run alone. "
        "What was in the other run alone is not in this file."
    )
    prose += f" In the same state with another controlling test: {others:,}." if others else ""
    elsewhere = roll.compared_with != RUN_BEFORE
    if elsewhere:
        prose += (
            " Changed means here that the state moved; changes.json counts as moved also the studies in which a verdict of a workbook or "
            "any check moved."
        )
    made = [Section(CHANGES, (), prose, _moves(moved) if moved else None)]
    if elsewhere:
        made.append(_causes(roll))
    return (*made, _changed(moved, elsewhere=elsewhere)) if moved else tuple(made)


def _moves(moved: Sequence[Row]) -> Table:
    """Each move with its number of studies and which way it is."""
    tally = Counter((row["before"]["state"], row["state"]) for row in moved)
    alone = Counter((row["before"]["state"], row["state"]) for row in moved if by_edition_alone(row))
    lines = [(*pair, count, way(*pair), alone[pair]) for pair, count in sorted(tally.items(), key=lambda item: (-item[1], item[0]))]
    columns = ("Before", "Now", "Studies", "Which way", f"Of them by {ADOPTED} alone")
    if not alone:
        columns, lines = columns[:-1], [line[:-1] for line in lines]
    return Table(columns, tuple(lines), "Moves, those of most studies first")


def _causes(roll: Roll) -> Section:
    lines = (
        ("each study that moved, check by check, with every cause of it", CHANGES_PAGE),
        ("the same as a table, a line a check", CHANGES_TABLE),
    )
    prose = f"Every cause of a move against {roll.compared_with} stands beside this summary once the batch has run to its end."
    return Section(CAUSES, (), prose, Table(("What it holds", FILE), lines))


def _changed(moved: Sequence[Row], *, elsewhere: bool) -> Section:
    """Each study whose state moved, what fails first, then by the room of its test; against the run before also why it was run again."""
    both = any(otherwise(row) != row["state"] for row in moved)
    columns = ["Study", "Before", "Now", *([f"Now {WITHOUT}"] if both else []), "Test before", "Test now", "Room now, %"]
    columns += [] if elsewhere else ["Why it was run again"]
    lines = []
    for row in sorted(moved, key=_gravity):
        before, now, part = row["before"]["check"], _check_of(row), room(row)
        line = [name_of(row), row["before"]["state"], row["state"], *([otherwise(row)] if both else [])]
        line += [named(before) if before else "none", named(now) if now else "none", "" if part is None else percent(part)]
        line += [] if elsewhere else ["; ".join(map(str, row["reasons"])) or "not run again"]
        lines.append(tuple(line))
    shown, caption = cut(lines, "Studies in another state", "what fails first, then by the room of the test")
    return Section(CHANGED, (), "", Table(tuple(columns), shown, caption, 1))


def _gravity(row: Row) -> tuple[int, float]:
    part = room(row)
    return WORST_FIRST.get(row["state"], len(WORST_FIRST)), float("inf") if part is None else part


def _check_of(row: Row) -> str | None:
    decider = controlling(row)
    return None if decider is None else decider["check"]
