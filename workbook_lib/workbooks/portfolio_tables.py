"""Sections of the portfolio summary that tell of each study or count all of them: exceptions, counts, accepted ones, the whole list."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Sequence

from workbook_lib.sheet import Section, Table
from workbook_lib.workbooks.portfolio_rows import (
    FAIL,
    FAULTED,
    JUDGEMENT,
    NEEDS_INPUT,
    NOT_RUN,
    PASS,
    STATES,
    VERDICTS,
    Roll,
    Row,
    controlling,
    edition_of,
    is_exception,
    left_out,
    name_of,
    room,
    states_of,
)
from workbook_lib.workbooks.portfolio_words import ADOPTED, many, named, percent, words_of

SHOWN = 200
"""Lines of a table of the summary; what is longer is cut, and says so [count]."""
ALL_IN = "homes.csv"
"""The file beside the summary that holds every study."""
LINKED = "Sheets"
"""Heading of a column whose cells are files beside the summary."""

EXCEPTIONS = "Exceptions: studies without a verdict"
BY_EDITION, BY_CASE, BY_WORKBOOK = "Studies by state and edition", "Studies by state and case", "Verdicts of each workbook"
ACCEPTED = "Accepted without a rerun"
STUDIES = "Every study and its sheets"

TODO = {
    "input fault": "correct the file, run again",
    "calculation fault": "correct the value that cannot be computed, run again",
    "machinery fault": "run again; where it stays, mend what the fault names",
    NOT_RUN: "run the batch again",
}
"""What is to be done about a study without a verdict whose fault does not say it."""


def cut(rows: Sequence[tuple[object, ...]], what: str, order: str) -> tuple[tuple[tuple[object, ...], ...], str]:
    """The lines of a table that are shown, and the words above it: what they are, in which order, and where the rest is."""
    if len(rows) <= SHOWN:
        return tuple(rows), f"{what}, {order}"
    return tuple(rows[:SHOWN]), f"{what}, {order}: the first {SHOWN} of {len(rows):,}; {ALL_IN} holds all"


# exceptions


def exceptions(rows: Sequence[Row]) -> Section:
    """Studies that have no verdict although they were asked for, the gravest state first: where, what is wrong, what to do."""
    found = [row for row in rows if is_exception(row) or row["state"] not in STATES]
    found.sort(key=lambda row: STATES.index(row["state"]) if row["state"] in STATES else -1)
    apart = sum(map(left_out, rows))
    aside = f" Left out on purpose, and no exceptions: {many(apart, 'home')} that no case of the portfolio takes." if apart else ""
    if not found:
        return Section(EXCEPTIONS, (), "There is none: every study that was asked for has a verdict." + aside)
    lines = [line for row in found for line in _fault_lines(row)]
    what = "What stopped them"
    if len(lines) > SHOWN:
        lines, what = [_first(row) for row in found], "The first fault of each"
    shown, caption = cut(lines, what, "by state, then in the order of the portfolio")
    prose = (
        f"Without a verdict: {len(found):,} of {many(len(rows), 'study', 'studies')}. They stand in no count of tests or connections."
        + aside
    )
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
    states = states_of([*VERDICTS, *(row["state"] for row in rows)])
    found: dict[str, Counter[str]] = {name: Counter() for name in order}
    for row in rows:
        found[key(row)][row["state"]] += 1
    lines = [(name, *(found[name][state] for state in states), found[name].total()) for name in order]
    shown, words = cut(lines, f"{label}s", "in the order of the portfolio") if len(lines) > SHOWN else (tuple(lines), "")
    whole = Counter(row["state"] for row in rows)
    return Table((label, *map(str.capitalize, states), "All"), (*shown, ("all", *(whole[state] for state in states), len(rows))), words)


def by_edition(rows: Sequence[Row]) -> tuple[Section, ...]:
    """Studies by edition of the code and state, where there are several editions."""
    order = sorted({edition_of(row) for row in rows})
    if len(order) < 2:
        return ()
    prose = (
        "An edition that is a what-if is not the adopted one: the best verdict that a study can have under it is a judgement, by the "
        f"check {ADOPTED}."
    )
    return (Section(BY_EDITION, (), prose, _tally("Edition", rows, edition_of, order)),)


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


# the rest


def accepted(rows: Sequence[Row]) -> Section:
    """Studies whose inputs or rules changed and that were accepted as they were."""
    found = [row for row in rows if row["accepted"]]
    if not found:
        return Section(ACCEPTED, (), "None: every study stands on its present inputs and rules.")
    lines = [(name_of(row), row["state"], "; ".join(map(str, row["accepted"]))) for row in found]
    shown, caption = cut(lines, "Accepted studies", "in the order of the portfolio")
    were = many(len(found), "study was", "studies were")
    prose = f"{were} not run again although what it rests on changed; in all counts it stands as before."
    if len(found) > 1:
        prose = f"{were} not run again although what they rest on changed; in all counts they stand as before."
    return Section(ACCEPTED, (), prose, Table(("Study", "State", "What was accepted"), shown, caption))


def studies(roll: Roll) -> Section:
    """Each line of the portfolio, its state and test, and where its sheets are."""
    numbered, apart = any(row["line"] is not None for row in roll.rows), ("Substituted",) if roll.what_if else ()
    lines = []
    for number, row in enumerate(roll.rows, 1):
        decider, part = controlling(row), room(row)
        test = named(decider["check"]) if decider is not None else row["why"] or ""
        place = row["line"] if numbered else number
        edition = row["edition"] or ""
        marked = ("yes" if row["substituted"] else "",) if apart else ()
        lines.append((place, name_of(row), row["state"], edition, test, "" if part is None else percent(part), *marked, _sheets(row, roll)))
    shown, caption = cut(lines, "Studies", "in the order of the portfolio")
    caption += ". The sheets of a study stand in the folder of its name beside this summary" if any(line[-1] for line in lines) else ""
    columns = (
        "Line" if numbered else "No.",
        "Study",
        "State",
        "Edition",
        "Controlling test, or why none",
        "Room, %",
        *apart,
        LINKED,
    )
    return Section(STUDIES, (), "", Table(columns, shown, caption, 1))


def _sheets(row: Row, roll: Roll) -> str:
    """File that a study's line leads to: its index of sheets, or its results where there are no sheets."""
    if row["folder"] is None:
        return ""
    return f"{row['folder']}/{'index.html' if row['state'] in VERDICTS and not roll.results_only else 'results.json'}"
