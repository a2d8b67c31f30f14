"""Sections of the portfolio summary: tables in words that a meeting can read, each in a stated order."""

from __future__ import annotations

import statistics
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence

from workbook_lib.formula import GUARD
from workbook_lib.home.model import Site
from workbook_lib.home.shapes import shapes
from workbook_lib.sheet import Section, Table
from workbook_lib.workbooks.portfolio_rows import (
    FAULTED,
    NOT_RUN,
    STATES,
    VERDICTS,
    Roll,
    Row,
    changed,
    controlling,
    family,
    holds,
    is_exception,
    left_out,
    name_of,
    room,
    sites,
    states_of,
)

SHOWN = 200
"""Lines of a table of the summary; what is longer is cut, and says so [count]."""
NEAREST = 10
"""Studies that are shown nearest to their limit on either side [count]."""
NAMED = 4
"""Studies that are named as examples in a cell [count]."""
ALL_IN = "homes.csv"
"""The file beside the summary that holds every study."""
LINKED = "Sheets"
"""Heading of a column whose cells are files beside the summary."""
NO_NUMBER = "no number"
SIGNS = {"<=": "at most", ">=": "at least"}
"""A relation in words, as it stands before what is required."""
PASS, JUDGEMENT, NEEDS_INPUT, FAIL = VERDICTS[::-1]

EXCEPTIONS = "Exceptions: studies without a verdict"
BY_EDITION, BY_CASE, BY_WORKBOOK = "Studies by state and edition", "Studies by state and case", "Verdicts of each workbook"
TESTS, NEAR_PASS, NEAR_FAIL = "Which test controls", "Passing with the least room", "Failing by the least"
MISSING = "Missing fields that hold studies back"
CHANGES, CHANGED = "State before and now", "Studies whose state changed"
SCREENING, DECIDING, GROUPS = "Screening by connection", "Which test decides each connection", "Homes by what passes"
ACCEPTED = "Accepted without a rerun"
STUDIES = "Every study and its sheets"

TODO = {
    "input fault": "correct the file, run again",
    "calculation fault": "correct the value that cannot be computed, run again",
    "machinery fault": "run again; where it stays, mend what the fault names",
    NOT_RUN: "run the batch again",
}
"""What is to be done about a study without a verdict whose fault does not say it."""


def sections(roll: Roll) -> tuple[Section, ...]:
    """Every section of tables in reading order. Parameters: studies of a run. Returns: sections, those without a row say so in words."""
    made = [
        exceptions(roll.rows),
        by_edition(roll.rows),
        *by_case(roll.rows),
        by_workbook(roll.rows),
        tests(roll.rows),
        *nearest(roll.rows),
        missing(roll.rows),
        *changes(roll),
        screening(roll.rows),
        deciding(roll.rows),
        groups(roll.rows),
        accepted(roll.rows),
        studies(roll),
    ]
    return tuple(made)


def cut(rows: Sequence[tuple[object, ...]], what: str, order: str) -> tuple[tuple[tuple[object, ...], ...], str]:
    """The lines of a table that are shown, and the words above it: what they are, in which order, and where the rest is."""
    if len(rows) <= SHOWN:
        return tuple(rows), f"{what}, {order}"
    return tuple(rows[:SHOWN]), f"{what}, {order}: the first {SHOWN} of {len(rows):,}; {ALL_IN} holds all"


def percent(part: float) -> float:
    """A proportion in hundredths [%]. Parameters: part [-]. Returns: [any]."""
    return 100.0 * part


def some(names: Iterable[str]) -> str:
    """The first of some names and how many more there are."""
    listed = list(names)
    more = f" and {len(listed) - NAMED:,} more" if len(listed) > NAMED else ""
    return ", ".join(listed[:NAMED]) + more


def words_of(workbook: str) -> str:
    """A workbook's name in words."""
    return workbook.replace("_", " ").replace("ev ", "EV ", 1) if workbook.startswith("ev_") else workbook.replace("_", " ")


# exceptions


def exceptions(rows: Sequence[Row]) -> Section:
    """Studies that have no verdict although they were asked for, the gravest state first: where, what is wrong, what to do."""
    found = [row for row in rows if is_exception(row) or row["state"] not in STATES]
    found.sort(key=lambda row: STATES.index(row["state"]) if row["state"] in STATES else -1)
    apart = sum(map(left_out, rows))
    aside = f" {apart:,} homes that no case of the portfolio takes were left out on purpose and are no exceptions." if apart else ""
    if not found:
        return Section(EXCEPTIONS, (), "There is none: every study that was asked for has a verdict." + aside)
    lines = [line for row in found for line in _fault_lines(row)]
    what = "What stopped them"
    if len(lines) > SHOWN:
        lines, what = [_first(row) for row in found], "The first fault of each"
    shown, caption = cut(lines, what, "by state, then in the order of the portfolio")
    prose = f"{len(found):,} of {len(rows):,} studies have no verdict. They stand in no count of tests, margins or connections." + aside
    return Section(EXCEPTIONS, (), prose, Table(("Study", "State", "File and field", "What is wrong", "What to do"), shown, caption))


def _fault_lines(row: Row) -> list[tuple[object, ...]]:
    """All that is kept of the faults of a study, each a line."""
    if row["state"] not in STATES or not row["faults"]:
        return [_first(row)]
    lines: list[tuple[object, ...]] = [(name_of(row), row["state"], *_told(row["state"], text)) for text in row["faults"]]
    more = row["faults_count"] - len(row["faults"])
    if more > 0:
        where = f"{row['folder']}/results.json" if row["folder"] else "the output of the batch"
        lines.append((name_of(row), row["state"], "", f"and {more:,} more", f"see {where}"))
    return lines


def _first(row: Row) -> tuple[object, ...]:
    """The first fault of a study, and how many more it has; the reason where it has none."""
    state = row["state"]
    if state not in STATES:
        todo = "run the batch again with one version of the program"
        return name_of(row), state, "", "a state that this program does not know", todo
    if not row["faults"]:
        return name_of(row), state, "", row["why"] or "no reason is on file", TODO[state]
    place, what, todo = _told(state, row["faults"][0])
    more = row["faults_count"] - 1
    return name_of(row), state, place, what + (f" (and {more:,} more)" if more > 0 else ""), todo


def _told(state: str, text: str) -> tuple[str, str, str]:
    """A fault as it was printed, in its parts: file and field, what is wrong, what to do."""
    head, _, todo = text.partition("; do: ")
    parts = head.split(": ", 2)
    if state == FAULTED[-1] and len(parts) == 3 and " " not in parts[1]:
        place, what = f"{parts[0]}: {parts[1]}", parts[2]
    elif state != FAULTED[0] and len(parts) > 1:
        place, _, what = head.partition(": ")
    else:
        place, what = "", head
    return place, what, todo or TODO[state]


# counts


def _tally(label: str, rows: Sequence[Row], key: Callable[[Row], str], order: Sequence[str]) -> Table:
    """Studies by a key (down) and state (across), with the sum of each line and column."""
    states = states_of(row["state"] for row in rows)
    found: dict[str, Counter[str]] = {name: Counter() for name in order}
    for row in rows:
        found[key(row)][row["state"]] += 1
    lines = [(name, *(found[name][state] for state in states), found[name].total()) for name in order]
    shown, words = cut(lines, f"{label}s", "in the order of the portfolio") if len(lines) > SHOWN else (tuple(lines), "")
    whole = Counter(row["state"] for row in rows)
    return Table((label, *map(str.capitalize, states), "All"), (*shown, ("all", *(whole[state] for state in states), len(rows))), words)


def edition_of(row: Row) -> str:
    """The edition of a study and on what basis it holds."""
    return "none: not calculated" if row["edition"] is None else f"{row['edition']}, {row['edition_basis'] or 'basis not on file'}"


def by_edition(rows: Sequence[Row]) -> Section:
    """Studies by edition of the code and state."""
    order = sorted({edition_of(row) for row in rows})
    prose = (
        f"{len(rows):,} studies of {len(sites(rows)):,} homes: a home under several cases is several studies, and what is counted here "
        "are studies. A judgement is no pass: a person has to decide. An edition that is a what-if is not the adopted one, and the best "
        "verdict that a study can have under it is a judgement."
    )
    return Section(BY_EDITION, (), prose, _tally("Edition", rows, edition_of, order))


def by_case(rows: Sequence[Row]) -> tuple[Section, ...]:
    """Studies by case and state, where there are several cases."""
    order = list(dict.fromkeys(row["case"] for row in rows))
    if len(order) < 2:
        return ()
    table = _tally("Case", rows, lambda row: row["case"], order)
    return (Section(BY_CASE, (), "", table),)


def by_workbook(rows: Sequence[Row]) -> Section:
    """Verdicts of each workbook over the studies that have it."""
    found: dict[str, Counter[str]] = defaultdict(Counter)
    for row in rows:
        for name, decider in row["workbooks"].items():
            found[name][decider["verdict"]] += 1
    if not found:
        return Section(BY_WORKBOOK, (), "No study has a verdict.")
    columns = [verdict for verdict in (PASS, JUDGEMENT, NEEDS_INPUT, FAIL, "not applicable") if any(one[verdict] for one in found.values())]
    lines = tuple((words_of(name), *(found[name][verdict] for verdict in columns), found[name].total()) for name in sorted(found))
    table = Table(("Workbook", *map(str.capitalize, columns), "All"), lines)
    return Section(BY_WORKBOOK, (), "The state of a study is the worst verdict of its workbooks.", table)


# tests and margins


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
        lines.append((name, words_of(workbook), len(held), *(counts[state] for state in VERDICTS), *least))
    shown, caption = cut(lines, "Controlling tests", "those that control most studies first")
    columns = ("Test", "Workbook", "Studies", *map(str.capitalize, VERDICTS), "Least room, % of limit", "Where")
    prose = (
        "The controlling test of a study has its worst verdict and, among such, the least room in proportion to its limit; where that is "
        "not a comparison of numbers there is no room to state. Below zero is short of the limit."
    )
    return Section(TESTS, (), prose, Table(columns, shown, caption, 1))


def nearest(rows: Sequence[Row]) -> tuple[Section, Section]:
    """Passing studies with the least room, and failing ones whose controlling test is short by the least."""
    numeric = [row for row in rows if room(row) is not None]
    passing = sorted((row for row in numeric if row["state"] == PASS), key=room)
    failing = sorted((row for row in numeric if row["state"] == FAIL and not holds(row)), key=lambda row: -room(row))
    apart = sum(1 for row in rows if row["state"] == FAIL) - len(failing)
    aside = f"Not among them: {apart:,} that fail by a condition and not by an amount." if apart else ""
    return (
        Section(NEAR_PASS, (), "" if passing else "No study passes by numbers.", _near(passing, "Passing studies", "the least room first")),
        Section(NEAR_FAIL, (), aside, _near(failing, "Failing studies", "the least shortage first")),
    )


def _near(rows: Sequence[Row], what: str, order: str) -> Table | None:
    if not rows:
        return None
    lines = []
    for row in rows[:NEAREST]:
        one = controlling(row)
        lines.append((name_of(row), one["check"], *_sides(one), one["margin"], one["unit"] or "", percent(one["room"])))
    caption = f"{what}, {order}" + (f": {NEAREST} of {len(rows):,}" if len(rows) > NEAREST else "")
    return Table(("Study", "Controlling test", "Provided", "Required", "Room", "Unit", "Room, % of limit"), tuple(lines), caption, 1)


def _sides(decider: Mapping[str, object]) -> tuple[str, str]:
    """What is provided and what is required, with enough digits that they do not read alike where they are not."""
    provided, required = float(decider["provided"]), float(decider["required"])
    alike = abs(provided - required) <= GUARD * max(abs(provided), abs(required), 1.0)
    for digits in range(1, 7):
        left, right = (f"{value:,.{digits}f}".replace("-", "−") for value in (provided, required))
        if alike or left != right:
            break
    left, right = (text.rstrip("0").rstrip(".") for text in (left, right))
    unit = f" {decider['unit']}" if decider["unit"] not in (None, "count", "frac") else ""
    return f"{left}{unit}", f"{SIGNS.get(decider['relation'], decider['relation'])} {right}{unit}"


# what is missing


def generalised(path: str) -> str:
    """A key path of a site file with `*` in place of its ids; what is no such path as it is."""
    current, kind, steps = Site, "table", []
    for step in path.split("."):
        if kind in ("rows", "tables"):
            steps.append("*")
            kind = "table"
            continue
        shape = shapes(current).get(step) if current is not None else None
        if shape is None:
            return path
        steps.append(step)
        kind, current = (shape.kind, shape.model) if shape.leaf is None else ("leaf", None)
    return ".".join(steps)


def held_back(rows: Iterable[Row]) -> dict[str, list[Row]]:
    """Studies that need input, by each field that they lack, ids taken out; the field that holds back the most homes first."""
    found: dict[str, list[Row]] = defaultdict(list)
    for row in rows:
        if row["state"] == NEEDS_INPUT:
            for field in dict.fromkeys(map(generalised, row["missing"])):
                found[field].append(row)
    return dict(sorted(found.items(), key=lambda item: (-len(sites(item[1])), -len(item[1]), item[0])))


def missing(rows: Sequence[Row]) -> Section:
    """Which missing field holds back the most homes, and how many it alone would free."""
    waiting, held = [row for row in rows if row["state"] == NEEDS_INPUT], held_back(rows)
    asked = Counter(field for row in rows for field in dict.fromkeys(map(generalised, row["missing"])))
    silent = sum(1 for row in waiting if not row["missing"])
    alone = Counter(fields.pop() for row in waiting if len(fields := set(map(generalised, row["missing"]))) == 1)
    prose = f"{len(waiting):,} studies need input."
    if silent:
        prose += (
            f" {silent:,} of them name no field of the site file: what they lack is a text of the code or a document (see their sheets)."
        )
    if not asked:
        return Section(MISSING, (), prose + " No field of a site file is asked for.")
    order = [*held, *sorted(asked.keys() - held.keys(), key=lambda field: (-asked[field], field))]
    lines = []
    for field in order:
        back = held.get(field, [])
        others = asked[field] - len(back)
        lines.append((field, len(sites(back)), len(back), alone[field], others, some(map(name_of, back))))
    shown, caption = cut(lines, "Fields that counted checks ask for (* stands for an id)", "those that hold back the most homes first")
    columns = (
        "Field",
        "Homes held back",
        "Studies held back",
        "Nothing else missing",
        "Also asked for in failing studies",
        "Which are held back",
    )
    return Section(MISSING, (), prose, Table(columns, shown, caption))


# what changed


def changes(roll: Roll) -> tuple[Section, ...]:
    """How many studies are in another state than in the run that this one is compared with, and each of them."""
    if not roll.compared_with:
        return (Section(CHANGES, (), "This run was not compared with another."),)
    compared = [row for row in roll.rows if row["before"] is not None]
    moved = [row for row in compared if changed(row)]
    others = sum(1 for row in compared if not changed(row) and row["before"]["check"] != _check_of(row))
    prose = (
        f"Compared with {roll.compared_with}: {len(compared):,} studies are in both, {len(moved):,} of them in another state; "
        f"{len(roll.rows) - len(compared):,} are in this run alone. What was in the other run alone is not in this file."
    )
    prose += f" {others:,} studies are in the same state with another controlling test." if others else ""
    if not moved:
        return (Section(CHANGES, (), prose),)
    shown, caption = cut([_moved(row) for row in moved], "Studies in another state", "in the order of the portfolio")
    columns = ("Study", "Before", "Now", "Controlling test before", "Controlling test now", "Why it was run")
    return Section(CHANGES, (), prose), Section(CHANGED, (), "", Table(columns, shown, caption))


def _check_of(row: Row) -> str | None:
    decider = controlling(row)
    return None if decider is None else decider["check"]


def _moved(row: Row) -> tuple[object, ...]:
    before, now = row["before"]["check"] or "none", _check_of(row) or "none"
    return name_of(row), row["before"]["state"], row["state"], before, now, "; ".join(map(str, row["reasons"])) or "not run again"


# connections


def _by_kind(rows: Iterable[Row]) -> list[tuple[str, list[Mapping[str, object]]]]:
    """What was found of each kind of connection, the kind that most studies have first."""
    found: dict[str, list[Mapping[str, object]]] = defaultdict(list)
    for row in rows:
        for kind, connection in row["connections"].items():
            found[kind].append(connection)
    return sorted(found.items(), key=lambda item: (-len(item[1]), item[0]))


def spare(found: Iterable[Mapping[str, object]]) -> tuple[object, object, object]:
    """Least, median and most spare amperes of some connections [A]; words where none has an amount."""
    amperes = [one["spare_a"] for one in found if one["spare_a"] is not None]
    return (min(amperes), statistics.median(amperes), max(amperes)) if amperes else (NO_NUMBER,) * 3


def screening(rows: Sequence[Row]) -> Section:
    """For each kind of connection how many studies pass it, and how many amperes they have to spare."""
    kinds = _by_kind(rows)
    if not kinds:
        return Section(SCREENING, (), "No study has a connection with a verdict.")
    order = (PASS, JUDGEMENT, NEEDS_INPUT, FAIL)
    lines = tuple(
        (kind, len(found), *(Counter(one["verdict"] for one in found)[state] for state in order), *spare(found)) for kind, found in kinds
    )
    columns = ("Connection", "Studies", *map(str.capitalize, order), "Spare A, least", "Spare A, median", "Spare A, most")
    prose = (
        "A kind of connection counts for the studies that have it drawn. Its verdict is the worst of its checks; its spare amperes are "
        "the least margin among those of its checks that are in amperes, below zero where one of them is short."
    )
    if any(row["edition_basis"] == "what-if" for row in rows):
        prose += " Under a what-if edition a connection whose checks ask for the adopted edition is at best a judgement."
    return Section(SCREENING, (), prose, Table(columns, lines, "Connections, those that most studies have first", 1))


def deciding(rows: Sequence[Row]) -> Section:
    """For each kind of connection and verdict the tests that decide, with how many studies each."""
    lines = []
    for kind, found in _by_kind(rows):
        for verdict in VERDICTS:
            tally = Counter(family(one["check"]) for one in found if one["verdict"] == verdict)
            told = ", ".join(f"{test} {count:,}" for test, count in sorted(tally.items(), key=lambda item: (-item[1], item[0])))
            lines += [(kind, verdict, tally.total(), told)] if told else []
    if not lines:
        return Section(DECIDING, (), "No study has a connection with a verdict.")
    shown, caption = cut(lines, "Tests that decide a connection, with the number of studies", "the worst verdict first")
    return Section(DECIDING, (), "", Table(("Connection", "Verdict", "Studies", "Tests that decide"), shown, caption))


def groups(rows: Sequence[Row]) -> Section:
    """Studies with a verdict, grouped by the connections that pass."""
    found: dict[tuple[str, ...], list[Row]] = defaultdict(list)
    for row in rows:
        if row["state"] in VERDICTS:
            found[tuple(sorted(kind for kind, one in row["connections"].items() if one["verdict"] == PASS))].append(row)
    if not found:
        return Section(GROUPS, (), "No study has a verdict.")
    ordered = sorted(found.items(), key=lambda item: (-len(item[1]), item[0]))
    lines = [(", ".join(kinds) or "none passes", len(held), len(sites(held)), some(map(name_of, held))) for kinds, held in ordered]
    shown, caption = cut(lines, "Groups", "the largest first")
    prose = "Studies in which the same connections pass. What is a judgement, fails, needs input or is not drawn is not named in a group."
    return Section(GROUPS, (), prose, Table(("What passes", "Studies", "Homes", "Studies of the group"), shown, caption))


# the rest


def accepted(rows: Sequence[Row]) -> Section:
    """Studies whose inputs or rules changed and that were accepted as they were."""
    found = [row for row in rows if row["accepted"]]
    if not found:
        return Section(ACCEPTED, (), "None: every study stands on its present inputs and rules.")
    lines = [(name_of(row), row["state"], "; ".join(map(str, row["accepted"]))) for row in found]
    shown, caption = cut(lines, "Accepted studies", "in the order of the portfolio")
    prose = f"{len(found):,} studies were not run again although something they rest on changed; they stand in all counts as they were."
    return Section(ACCEPTED, (), prose, Table(("Study", "State", "What was accepted"), shown, caption))


def studies(roll: Roll) -> Section:
    """Each line of the portfolio, its state and test, and where its sheets are."""
    numbered = any(row["line"] is not None for row in roll.rows)
    lines = []
    for number, row in enumerate(roll.rows, 1):
        decider, part = controlling(row), room(row)
        test = decider["check"] if decider is not None else row["why"] or ""
        place = row["line"] if numbered else number
        edition = row["edition"] or ""
        lines.append((place, name_of(row), row["state"], edition, test, "" if part is None else percent(part), _sheets(row, roll)))
    shown, caption = cut(lines, "Studies", "in the order of the portfolio")
    caption += ". The sheets of a study stand in the folder of its name beside this summary" if any(line[-1] for line in lines) else ""
    columns = ("Line" if numbered else "No.", "Study", "State", "Edition", "Controlling test, or why there is none", "Room, %", LINKED)
    return Section(STUDIES, (), "", Table(columns, shown, caption, 1))


def _sheets(row: Row, roll: Roll) -> str:
    """File that a study's line leads to: its index of sheets, or its results where there are no sheets."""
    if row["folder"] is None:
        return ""
    return f"{row['folder']}/{'index.html' if row['state'] in VERDICTS and not roll.results_only else 'results.json'}"
