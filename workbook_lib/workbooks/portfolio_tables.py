"""Sections of the portfolio summary: tables in words that a meeting can read, each in a stated order."""

from __future__ import annotations

import statistics
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence

from workbook_lib.sheet import Section, Table
from workbook_lib.workbooks.portfolio_rows import (
    ADOPTED,
    AMOUNTS_UNRANKED,
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
    also_failing,
    amperes,
    asking,
    closes_by_none,
    controlling,
    edition_of,
    family,
    freed,
    generalised,
    held_back,
    holds,
    is_capacity,
    is_exact,
    is_exception,
    left_out,
    many,
    name_of,
    named,
    percent,
    room,
    sides_of,
    sites,
    some,
    states_of,
    words_of,
)

SHOWN = 200
"""Lines of a table of the summary; what is longer is cut, and says so [count]."""
NEAREST = 10
"""Studies that are shown nearest to their limit on either side [count]."""
ALL_IN = "homes.csv"
"""The file beside the summary that holds every study."""
LINKED = "Sheets"
"""Heading of a column whose cells are files beside the summary."""
NO_NUMBER = "not ranked"

EXCEPTIONS = "Exceptions: studies without a verdict"
BY_EDITION, BY_CASE, BY_WORKBOOK = "Studies by state and edition", "Studies by state and case", "Verdicts of each workbook"
TESTS, NEAR_PASS, EXACT = "Which test controls", "Passing with the least room in a capacity", "Passing with exactly the size required"
NEAR_FAIL = "Failing by the least"
MISSING, SILENT = "Missing fields that hold studies back", "Needs input that no field closes"
SCREENING, SPARE = "How many studies pass each connection", "Amperes to spare and amperes short"
DECIDING, GROUPS = "Which test decides each connection", "Homes by what passes"
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
        *nearest(roll),
        *missing(roll),
        screening(roll.rows),
        spare(roll.rows),
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


def by_edition(rows: Sequence[Row]) -> Section:
    """Studies by edition of the code and state."""
    order = sorted({edition_of(row) for row in rows})
    prose = (
        "An edition that is a what-if is not the adopted one: the best verdict that a study can have under it is a judgement, by the "
        f"check {ADOPTED}."
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
        lines.append((named(name), words_of(workbook), len(held), *(counts[state] for state in VERDICTS), *least))
    shown, caption = cut(lines, "Controlling tests", "those that control most studies first")
    columns = ("Test", "Workbook", "Studies", *map(str.capitalize, VERDICTS), "Least room, % of limit", "Where")
    prose = (
        "The controlling test of a study has its worst verdict and, among such, the least room in proportion to its limit; a condition "
        "and an amount whose room is not ranked (days, seconds, areas) have no room to state. Below zero is short of the limit."
    )
    return Section(TESTS, (), prose, Table(columns, shown, caption, 1))


def nearest(roll: Roll) -> tuple[Section, ...]:
    """Passing studies with the least room in a capacity, those whose size is just what is required, failing ones short by the least."""
    passing = [row for row in roll.rows if row["state"] == PASS]
    failing = [row for row in roll.rows if row["state"] == FAIL]
    return _capacities(passing), _exact(passing), _short(failing, roll)


def _capacities(passing: Sequence[Row]) -> Section:
    """Of each passing study the tightest of its deciding tests that set a load or a source against a capacity, least room first."""
    found = []
    for row in passing:
        loads = [one for one in row["workbooks"].values() if one["room"] is not None and one["unit"] == "A" and is_capacity(one)]
        found += [(row, min(loads, key=lambda one: one["room"]))] if loads else []
    found.sort(key=lambda pair: pair[1]["room"])
    rest = len(passing) - len(found)
    prose = f"Of {many(len(passing), 'passing study', 'passing studies')}, {len(found):,} show the room of a load or a source in amperes."
    if rest:
        prose += f" In the other {rest:,} another test decides each workbook; {ALL_IN} holds the margin of every test."
    if not found:
        return Section(NEAR_PASS, (), prose)
    lines = [(name_of(row), *_amounts(one)) for row, one in found[:NEAREST]]
    caption = "Passing studies, the least room in a capacity first" + _of_all(found)
    return Section(NEAR_PASS, (), prose, Table(("Study", *AMOUNTS), tuple(lines), caption, 1))


def _exact(passing: Sequence[Row]) -> Section:
    """Passing studies whose controlling test has no room, by test: a size chosen to fit is no want of room."""
    held: dict[str, list[Row]] = defaultdict(list)
    for row in filter(is_exact, passing):
        held[controlling(row)["check"].partition(":")[0]].append(row)
    count = sum(map(len, held.values()))
    prose = f"{many(count, 'study passes', 'studies pass')} with a size that is exactly what is required."
    if not held:
        return Section(EXACT, (), prose)
    prose += " That is how a size is chosen, and says nothing of the room that the home has."
    order = sorted(held.items(), key=lambda item: (-len(item[1]), item[0]))
    lines = tuple((named(name), len(rows), some(map(name_of, rows))) for name, rows in order)
    return Section(EXACT, (), prose, Table(("Test", "Studies", "Which"), lines))


def _short(failing: Sequence[Row], roll: Roll) -> Section:
    """Failing studies whose controlling test is short by the least, with what fails in their other workbooks."""
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
    where = f"in {ALL_IN}" if roll.results_only else "on its sheets"
    prose += (
        f" A row holds one deciding test of each workbook: how many more tests of a workbook fail stands {where}. A study that fails in "
        "another workbook too is not nearly passing."
    )
    lines = []
    for row in short[:NEAREST]:
        lines.append((name_of(row), *_amounts(controlling(row)), also_failing(row)))
    caption = "Failing studies, the least shortage first" + _of_all(short)
    return Section(NEAR_FAIL, (), prose.strip(), Table(("Study", *AMOUNTS, "Other workbooks"), tuple(lines), caption, 1))


def _by_amount(decider: Mapping[str, object] | None) -> bool:
    """Whether a check is missed by an amount that is not ranked."""
    return decider is not None and decider["unit"] in AMOUNTS_UNRANKED and (decider["margin"] or 0.0) < 0.0


def _of_all(found: Sequence[object]) -> str:
    return f": {NEAREST} of {len(found):,}" if len(found) > NEAREST else ""


AMOUNTS = ("Test", "Provided", "Required", "Room", "Unit", "Room, % of limit")


def _amounts(one: Mapping[str, object]) -> tuple[object, ...]:
    return named(one["check"]), *sides_of(one), one["margin"], one["unit"] or "", percent(one["room"])


# what is missing


def missing(roll: Roll) -> tuple[Section, Section]:
    """Which missing field holds back the most homes, how many it alone would free, and what no field closes."""
    rows = roll.rows
    waiting, held = [row for row in rows if row["state"] == NEEDS_INPUT], held_back(rows)
    asked = Counter(field for row in rows for field in dict.fromkeys(map(generalised, row["missing"])))
    prose = (
        f"{many(len(waiting), 'study needs', 'studies need')} input: the site file lacks a value, or the text of the code is not on file."
    )
    if not asked:
        return Section(MISSING, (), prose + " No field of a site file is asked for."), _silent(roll)
    order = [*held, *sorted(asked.keys() - held.keys(), key=lambda field: (-asked[field], field))]
    alone = freed(rows)
    if held:
        most = order[0]
        prose += (
            f" {most} holds back the most homes ({len(sites(held[most])):,}); given alone it would free "
            f"{many(alone[most], 'study', 'studies')}. A study that is freed has a verdict, whatever it then is."
        )
    lines = []
    for field in order:
        back = held.get(field, [])
        lines.append((field, len(sites(back)), len(back), alone[field], asked[field] - len(back), some(map(name_of, back))))
    shown, caption = cut(lines, "Fields that counted checks ask for (* stands for an id)", "those that hold back the most homes first")
    columns = ("Field", "Homes held back", "Studies held back", "Studies that it alone would free", "Also asked for in failing studies")
    return Section(MISSING, (), prose, Table((*columns, "Which are held back"), shown, caption)), _silent(roll)


def _silent(roll: Roll) -> Section:
    """Studies with a need of input that no field of the site file closes, each with the tests that ask."""
    found = closes_by_none(roll.rows)
    if not found:
        return Section(SILENT, (), "None is known: every study that needs input names the fields that it lacks.")
    lines = []
    for place, certain in found.items():
        row = roll.rows[place]
        why = "names no field" if certain else "its test names no field in another study of the edition or home"
        tests_of = "; ".join(map(named, sorted(asking(row)))) or "none on file"
        lines.append((name_of(row), row["edition"] or "", tests_of, why, some(row["missing"])))
    shown, caption = cut(lines, "Studies that a value in the site file does not free", "in the order of the portfolio")
    prose = (
        f"{many(len(found), 'study has', 'studies have')} a need of input that no field of the site file closes: the text of the code is "
        "not on file, or a document is asked for" + ("." if roll.results_only else " (see their sheets).")
    )
    columns = ("Study", "Edition", "Tests that need input", "How it is known", "Fields that it lacks as well")
    return Section(SILENT, (), prose, Table(columns, shown, caption))


# connections


def _by_kind(rows: Iterable[Row]) -> list[tuple[str, list[Mapping[str, object]]]]:
    """What was found of each kind of connection, the kind that most studies have first."""
    found: dict[str, list[Mapping[str, object]]] = defaultdict(list)
    for row in rows:
        for kind, connection in row["connections"].items():
            found[kind].append(connection)
    return sorted(found.items(), key=lambda item: (-len(item[1]), item[0]))


def _spread(values: Sequence[float]) -> tuple[object, ...]:
    return len(values), *((values[0], statistics.median(values), values[-1]) if values else ("none",) * 3)


def screening(rows: Sequence[Row]) -> Section:
    """For each kind of connection how many studies come to which verdict."""
    kinds = _by_kind(rows)
    if not kinds:
        return Section(SCREENING, (), "No study has a connection with a verdict.")
    order = (PASS, JUDGEMENT, NEEDS_INPUT, FAIL)
    lines = tuple((kind, *(Counter(one["verdict"] for one in found)[state] for state in order), len(found)) for kind, found in kinds)
    prose = (
        f"A kind of connection counts for the studies that have it drawn. Its verdict is the worst of its checks; {ADOPTED} is none of "
        "them, so that a connection can pass under a what-if edition."
    )
    columns = ("Connection", *map(str.capitalize, order), "All")
    return Section(SCREENING, (), prose, Table(columns, lines, "Connections, those that most studies have first"))


def spare(rows: Sequence[Row]) -> Section:
    """For each kind of connection the amperes that passing studies have to spare, and apart those that failing ones lack."""
    lines = []
    for kind, found in _by_kind(rows):
        left, short = amperes(found, PASS), amperes(found, FAIL)
        lines += [(kind, *_spread(left), *_spread(short))] if left or short else []
    if not lines:
        return Section(SPARE, (), "No connection that passes or fails has a check in amperes.")
    prose = (
        "Spare amperes are the least margin of the checks of a connection that set a load or sources against what carries them, of "
        "passing studies alone. A failing one stands apart by what it is short; where it fails without being short of amperes, and where "
        "it needs input or judgement, no amperes are shown."
    )
    columns = ["Connection", "Passing, with amperes", *(f"Spare A, {word}" for word in ("least", "median", "most"))]
    columns += ["Failing, short of amperes", *(f"Short A, {word}" for word in ("least", "median", "most"))]
    return Section(SPARE, (), prose, Table(tuple(columns), tuple(lines), "Amperes, the connections that most studies have first", 1))


def deciding(rows: Sequence[Row]) -> Section:
    """For each kind of connection and verdict the tests that decide, with how many studies each."""
    lines = []
    for kind, found in _by_kind(rows):
        for verdict in VERDICTS:
            tally = Counter(family(one["check"]) for one in found if one["verdict"] == verdict)
            told = ", ".join(f"{named(test)} {count:,}" for test, count in sorted(tally.items(), key=lambda item: (-item[1], item[0])))
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
