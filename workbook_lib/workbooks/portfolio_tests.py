"""Sections of the portfolio summary on tests: which control, how near studies are to their limits, which input is missing."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence

from workbook_lib.sheet import Section, Table
from workbook_lib.workbooks.portfolio_rows import (
    FAIL,
    JUDGEMENT,
    NEEDS_INPUT,
    PASS,
    VERDICTS,
    Roll,
    Row,
    also_failing,
    at_limit,
    beyond,
    controlling,
    freed,
    generalised,
    held_back,
    holds,
    is_exact,
    name_of,
    room,
    sites,
    tightest,
    unclosed,
)
from workbook_lib.workbooks.portfolio_tables import cut
from workbook_lib.workbooks.portfolio_words import AMOUNTS_UNRANKED, family, many, named, percent, sides_of, some, studies, words_of

NEAREST = 10
"""Studies that are shown nearest to their limit on either side [count]."""
NO_NUMBER = "not ranked"
TESTS, NEAR_PASS, EXACT = "Which test controls", "Passing with the least room in a capacity", "Passing with exactly the size required"
NEAR_FAIL, BEYOND = "Failing by the least", "Judgements beyond their limit"
MISSING, SILENT = "Missing fields that hold studies back", "Needs input that names no field"
AMOUNTS = ("Test", "Provided", "Required", "Room", "Unit", "Room, % of limit")


def tests(rows: Sequence[Row]) -> Section:
    """How many studies each test controls, with which verdict, and where it has the least room."""
    found: dict[tuple[str, str], list[Row]] = defaultdict(list)
    for row in rows:
        decider = controlling(row)
        if decider is not None:
            found[family(decider["check"]), decider["workbook"]].append(row)
    if not found:
        return Section(TESTS, (), "No study has a controlling test.")
    lines = []
    for (name, workbook), held in sorted(found.items(), key=lambda item: (-len(item[1]), item[0])):
        counts = Counter(row["state"] for row in held)
        numeric = [row for row in held if room(row) is not None]
        worst = min(numeric, key=room, default=None)
        least = (NO_NUMBER, "") if worst is None else (percent(room(worst)), name_of(worst))
        lines.append((named(name), words_of(workbook), len(held), *(counts[state] for state in VERDICTS), *least))
    shown, caption = cut(lines, "Controlling tests", "those that control most studies first")
    columns = ("Test", "Workbook", "Studies", *map(str.capitalize, VERDICTS), "Least room, % of limit", "Where")
    prose = (
        "The controlling test of a study has its worst verdict and, among such, the least room in proportion to its limit; a condition "
        "and an amount whose room is not ranked (days, seconds, areas) have no room to state. Below zero is short of the limit."
    )
    return Section(TESTS, (), prose, Table(columns, shown, caption, 1))


def nearest(rows: Sequence[Row]) -> tuple[Section, ...]:
    """Studies nearest to their limits: failing by the least, judgements beyond it, passing with the least room or with none by choice."""
    passing = [row for row in rows if row["state"] == PASS]
    return _short([row for row in rows if row["state"] == FAIL]), _beyond(rows), _capacities(passing), _exact(passing)


def _capacities(passing: Sequence[Row]) -> Section:
    """Every passing study by the tightest of its tests that set a load or a source against a capacity, the least room first."""
    found = [(row, tightest(row)) for row in passing if tightest(row) is not None]
    found.sort(key=lambda pair: pair[1]["room"])
    rest = len(passing) - len(found)
    prose = (
        f"Of {many(len(passing), 'passing study', 'passing studies')}, {len(found):,} set a load or a source against a capacity in "
        "amperes. Each stands here by the tightest of these tests, whether it controls the study or not; a size that was chosen to be "
        "enough is none of them."
    )
    prose += f" The other {rest:,} {'has' if rest == 1 else 'have'} no such test." if rest else ""
    if not found:
        return Section(NEAR_PASS, (), prose)
    lines = [(name_of(row), *_amounts(one)) for row, one in found[:NEAREST]]
    caption = "Passing studies, the least room in a capacity first" + _of_all(found)
    return Section(NEAR_PASS, (), prose, Table(("Study", *AMOUNTS), tuple(lines), caption, 1))


def _exact(passing: Sequence[Row]) -> Section:
    """Passing studies whose controlling test has no room, by test: a size chosen to fit is no want of room."""
    held: dict[str, list[Row]] = defaultdict(list)
    for row in filter(is_exact, passing):
        held[family(controlling(row)["check"])].append(row)
    others = Counter(family(controlling(row)["check"]) for row in passing if at_limit(row) and not is_exact(row))
    count = sum(map(len, held.values()))
    prose = f"{many(count, 'study passes', 'studies pass')} with a size that is exactly what is required."
    prose += " That is how a size is chosen, and says nothing of the room that the home has." if held else ""
    if others:
        told = ", ".join(f"{named(name)} {number:,}" for name, number in sorted(others.items()))
        prose += f" Exactly at the limit of a test that is no choice of a size: {told}."
    if not held:
        return Section(EXACT, (), prose)
    order = sorted(held.items(), key=lambda item: (-len(item[1]), item[0]))
    lines = tuple((named(name), len(rows), some(map(name_of, rows))) for name, rows in order)
    return Section(EXACT, (), prose, Table(("Test", "Studies", "Which"), lines))


def _beyond(rows: Sequence[Row]) -> Section:
    """Studies that do not fail and are a judgement although the numbers of a test are short of its limit, short by the most first."""
    found = [(row, beyond(row)) for row in rows if row["state"] in (JUDGEMENT, NEEDS_INPUT) and beyond(row) is not None]
    if not found:
        return Section(BEYOND, (), "None: no study without a fail has a judgement whose numbers are short of the limit.")
    found.sort(key=lambda pair: pair[1]["room"])
    prose = (
        f"{many(len(found), 'study does', 'studies do')} not fail and {'has' if len(found) == 1 else 'have'} a test whose numbers are "
        "short of the limit: a person has to decide whether that is allowed. Until then it is no pass."
    )
    lines = [(name_of(row), row["state"], *_amounts(one)) for row, one in found[:NEAREST]]
    caption = "Judgements whose numbers do not hold, the largest shortage first" + _of_all(found)
    return Section(BEYOND, (), prose, Table(("Study", "State", *AMOUNTS), tuple(lines), caption, 1))


def _short(failing: Sequence[Row]) -> Section:
    """Failing studies whose controlling test is short by the least, with what else fails."""
    short = sorted((row for row in failing if room(row) is not None and not holds(row)), key=lambda row: -room(row))
    unranked = [row for row in failing if room(row) is None and _by_amount(controlling(row))]
    apart = len(failing) - len(short) - len(unranked)
    said = []
    if unranked:
        said.append(f"{many(len(unranked), 'fails', 'fail')} by an amount whose room is not ranked (days, seconds, areas)")
    if apart:
        said.append(f"{many(apart, 'fails', 'fail')} by a condition")
    prose = f"Not in this list: {'; '.join(said)}." if said else ""
    if not short:
        return Section(NEAR_FAIL, (), prose or "No study fails.")
    prose += " The shortage is that of the worst test alone: a study in which other tests fail too is not nearly passing."
    lines = []
    for row in short[:NEAREST]:
        one = controlling(row)
        lines.append((name_of(row), *_amounts(one), one["fails"] - 1, also_failing(row)))
    caption = "Failing studies, the least shortage first" + _of_all(short)
    columns = ("Study", *AMOUNTS, "More tests that fail in the same workbook", "Other workbooks")
    return Section(NEAR_FAIL, (), prose.strip(), Table(columns, tuple(lines), caption, 1))


def _by_amount(decider: Mapping[str, object] | None) -> bool:
    """Whether a check is missed by an amount that is not ranked."""
    return decider is not None and decider["unit"] in AMOUNTS_UNRANKED and (decider["margin"] or 0.0) < 0.0


def _of_all(found: Sequence[object]) -> str:
    return f": {NEAREST} of {len(found):,}" if len(found) > NEAREST else ""


def _amounts(one: Mapping[str, object]) -> tuple[object, ...]:
    return named(one["check"]), *sides_of(one), one["margin"], one["unit"] or "", percent(one["room"])


# what is missing


def missing(roll: Roll) -> tuple[Section, Section]:
    """Which missing field holds back the most homes, how many studies wait for it alone, and what names no field."""
    rows = roll.rows
    waiting, held = [row for row in rows if row["state"] == NEEDS_INPUT], held_back(rows)
    asked = Counter(field for row in rows for field in dict.fromkeys(map(generalised, row["missing"])))
    prose = f"{many(len(waiting), 'study needs', 'studies need')} input."
    without = sum(1 for row in waiting if unclosed(row))
    prose += f" {without:,} of them {'waits' if without == 1 else 'wait'} for what names no field, below." if without else ""
    if not asked:
        return Section(MISSING, (), prose + " No field of a site file is asked for."), _silent(roll)
    order = [*held, *sorted(asked.keys() - held.keys(), key=lambda field: (-asked[field], field))]
    alone = freed(rows)
    if held:
        most = order[0]
        prose += (
            f" {most} holds back the most homes ({len(sites(held[most])):,}); given alone, wherever it is asked for, it would free at most "
            f"{studies(alone[most])}. Freed means that no test on what is known today asks for more; the tables of the "
            "edition may still ask, and the verdict may be any."
        )
    lines = []
    for field in order:
        back = held.get(field, [])
        lines.append((field, len(sites(back)), len(back), alone[field], asked[field] - len(back), some(map(name_of, back))))
    shown, caption = cut(lines, "Fields that counted checks ask for (* stands for an id)", "those that hold back the most homes first")
    columns = ("Field", "Homes held back", "Studies held back", "Studies that it alone would free, at most")
    columns += ("Also asked for in failing studies", "Which are held back")
    return Section(MISSING, (), prose, Table(columns, shown, caption)), _silent(roll)


def _silent(roll: Roll) -> Section:
    """Tests that need input and name no field, each with what its note says and the studies that wait for it."""
    found: dict[tuple[str, str], list[Row]] = defaultdict(list)
    for row in roll.rows:
        for test, note in dict.fromkeys((family(one["check"]), one["note"]) for one in unclosed(row)):
            found[test, note].append(row)
    if not found:
        return Section(SILENT, (), "None: every test that needs input names the fields that it lacks.")
    studies = sum(1 for row in roll.rows if unclosed(row))
    lines = [
        (named(test), note or "the test has no note", len(rows), some(map(name_of, rows)))
        for (test, note), rows in sorted(found.items(), key=lambda item: (-len(item[1]), item[0]))
    ]
    shown, caption = cut(lines, "Tests that need input and name no field", "those of most studies first")
    prose = (
        f"{many(studies, 'study waits', 'studies wait')} for a choice, a document or an amount that no single field closes; the note of "
        "the test says what."
    )
    return Section(SILENT, (), prose, Table(("Test", "What its note says", "Studies", "Which"), shown, caption))
