"""Sections of the portfolio summary on connections: which pass, what they have to spare, which test decides, what passes together."""

from __future__ import annotations

import statistics
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence

from workbook_lib.sheet import Section, Table
from workbook_lib.workbooks.portfolio_rows import FAIL, JUDGEMENT, NEEDS_INPUT, PASS, VERDICTS, Row, name_of, sites
from workbook_lib.workbooks.portfolio_tables import cut
from workbook_lib.workbooks.portfolio_words import ADOPTED, family, named, some

SCREENING, SPARE = "How many studies pass each connection", "Amperes to spare and amperes short"
DECIDING, GROUPS = "Which test decides each connection", "Homes by what passes"


def _by_kind(rows: Iterable[Row]) -> list[tuple[str, list[Mapping[str, object]]]]:
    """What was found of each kind of connection, the kind that most studies have first."""
    found: dict[str, list[Mapping[str, object]]] = defaultdict(list)
    for row in rows:
        for kind, connection in row["connections"].items():
            found[kind].append(connection)
    return sorted(found.items(), key=lambda item: (-len(item[1]), item[0]))


def screening(rows: Sequence[Row]) -> Section:
    """For each kind of connection how many studies come to which verdict."""
    kinds = _by_kind(rows)
    if not kinds:
        return Section(SCREENING, (), "No study has a connection with a verdict.")
    order = (PASS, JUDGEMENT, NEEDS_INPUT, FAIL)
    lines = tuple((kind, *(Counter(one["verdict"] for one in found)[state] for state in order), len(found)) for kind, found in kinds)
    prose = (
        "A kind of connection counts for the studies that have it drawn. Its verdict is the worst of the checks that decide it and of "
        "those of its equipment: conductors, devices, grounding, ratings. A check that may be of several connections counts against each "
        f"of them; {ADOPTED} is none of them, so that a connection can pass under a what-if edition."
    )
    columns = ("Connection", *map(str.capitalize, order), "All")
    return Section(SCREENING, (), prose, Table(columns, lines, "Connections, those that most studies have first"))


def spare(rows: Sequence[Row]) -> Section:
    """The amperes that passing connections have to spare and those that failing ones lack, a line for each test and basis."""
    lines = []
    for kind, found in _by_kind(rows):
        for verdict, words in ((PASS, "spare"), (FAIL, "short")):
            tally: dict[tuple[str, str], list[float]] = defaultdict(list)
            for one in found:
                if one["verdict"] == verdict and one["spare_a"] is not None:
                    tally[family(one["spare_check"]), one["spare_basis"]].append(abs(one["spare_a"]))
            for (test, basis), values in sorted(tally.items(), key=lambda item: (-len(item[1]), item[0])):
                lines.append((kind, words, named(test), basis, len(values), min(values), statistics.median(values), max(values)))
    if not lines:
        return Section(SPARE, (), "No connection that passes or fails has a test in amperes.")
    prose = (
        "Spare is the margin of the tightest test of a passing connection that sets a load or sources against what carries them, short "
        "that of the capacity that fails; the study may be in any state. Each test is ranked by itself: amperes of one basis are not "
        "those of another (at 125 %, 10 A at a bus take an inverter of 8 A). A connection that fails otherwise, needs input or is a "
        "judgement has none here."
    )
    columns = ("Connection", "What", "Of which test", "Basis of the amperes", "Studies", "Least A", "Median A", "Most A")
    shown, caption = cut(lines, "Amperes by connection and test", "the connections that most studies have first")
    return Section(SPARE, (), prose, Table(columns, shown, caption, 1))


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
    """Studies with a verdict, grouped by the connections that pass, with the states that they are in."""
    found: dict[tuple[str, ...], list[Row]] = defaultdict(list)
    for row in rows:
        if row["state"] in VERDICTS:
            found[tuple(sorted(kind for kind, one in row["connections"].items() if one["verdict"] == PASS))].append(row)
    if not found:
        return Section(GROUPS, (), "No study has a verdict.")
    order = (PASS, JUDGEMENT, NEEDS_INPUT, FAIL)
    lines = []
    for kinds, held in sorted(found.items(), key=lambda item: (-len(item[1]), item[0])):
        states = Counter(row["state"] for row in held)
        told = some(f"{name_of(row)} ({row['state']})" for row in held)
        lines.append((", ".join(kinds) or "none passes", len(held), *(states[state] for state in order), len(sites(held)), told))
    shown, caption = cut(lines, "Groups", "the largest first")
    prose = (
        "Studies in which the same connections pass, by the state of the whole study: a connection may pass in a study that fails. What is "
        "a judgement, fails, needs input or is not drawn is not named in a group."
    )
    columns = ("What passes", "Studies", *(f"State {state}" for state in order), "Homes", "Studies of the group")
    return Section(GROUPS, (), prose, Table(columns, shown, caption))
