"""Workbook portfolio_summary: what the studies of a portfolio came to, and whether each of them is accounted for.

It reads what a batch wrote of each study and computes nothing of the trade: counts, orders and differences, each with the check that
shows that no study was lost. `study` makes its sheet from the parsed portfolio.json.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping

from workbook_lib.sheet import Check, Header, Input, Result, Section, Sheet, Step, Table, compare
from workbook_lib.version import VERSION
from workbook_lib.workbooks import portfolio_connections, portfolio_drawings, portfolio_tables, portfolio_tests
from workbook_lib.workbooks.common import STANDING_CAUTIONS
from workbook_lib.workbooks.portfolio_rows import (
    FAULTED,
    NOT_RUN,
    STATES,
    Roll,
    changed,
    controlling,
    doubled,
    held_back,
    is_exception,
    left_out,
    name_of,
    read,
    room,
    sites,
    states_of,
    told_partial,
)
from workbook_lib.workbooks.portfolio_words import family, many, studies

NAME, TITLE = "portfolio_summary", "Portfolio summary"
QUESTION = "is every study of the portfolio accounted for, and has each come to a verdict?"
OWN = "as each home's own"
ACCOUNTING, MADE_FROM = "Accounting", "What this summary was made from"
PARTIAL = "Not every workbook"
"""Label of what is to be said first where workbooks were left out."""
NAMED = 3
"""Studies that a note names [count]."""
PARTS: Mapping[str, tuple[str, ...]] = {
    "exceptions": (portfolio_tables.EXCEPTIONS,),
    "states": (portfolio_drawings.STATES_OF_ALL,),
    "changes": (portfolio_drawings.CHANGES, portfolio_drawings.CAUSES),
    "changed": (portfolio_drawings.CHANGED,),
    "missing": (portfolio_tests.MISSING, portfolio_tests.SILENT),
    "tests": (
        *(portfolio_tests.NEAR_FAIL, portfolio_tests.BEYOND, portfolio_tests.NEAR_PASS),
        *(portfolio_tests.TESTS, portfolio_tests.EXACT),
    ),
    "screening": (
        *(portfolio_connections.SCREENING, portfolio_connections.SPARE),
        *(portfolio_connections.DECIDING, portfolio_connections.GROUPS),
    ),
    "studies": (portfolio_tables.STUDIES,),
    "counts": (portfolio_tables.BY_EDITION, portfolio_tables.BY_CASE, portfolio_tables.BY_WORKBOOK),
    "accepted": (portfolio_tables.ACCEPTED,),
    "accounting": (ACCOUNTING, MADE_FROM),
}
"""Parts of the sheet as they are shown, with the headings of their sections."""


def study(portfolio: Mapping[str, object]) -> Sheet:
    """The sheet over all studies of a portfolio.

    Parameters: portfolio.json of a batch as parsed; what the summary itself puts into it is not read. Returns: Sheet.
    Errors: InputFault where it is not what a batch writes.
    """
    roll = read(portfolio)
    counted = _Counted(roll)
    return Sheet(
        workbook=NAME,
        title=TITLE,
        question=QUESTION,
        header=_header(roll),
        results=_results(roll, counted),
        checks=(_every_home(roll, counted), _filed_counts(counted), _no_exceptions(counted)),
        sections=(*_sections(roll), Section(ACCOUNTING, (counted.accounted, counted.apart, counted.exceptions), _RULE), _made_from(roll)),
        cautions=(*_cautions(roll), *STANDING_CAUTIONS),
        not_checked=tuple(_not_checked(roll)),
        figures=portfolio_drawings.figures(roll),
    )


def _sections(roll: Roll) -> Iterable[Section]:
    """Every section of tables in the order in which the parts are shown."""
    rows = roll.rows
    made = (
        portfolio_tables.exceptions(rows),
        portfolio_drawings.states_section(roll),
        *portfolio_drawings.changes_sections(roll),
        *portfolio_tests.missing(roll),
        *portfolio_tests.nearest(rows),
        portfolio_tests.tests(rows),
        portfolio_connections.screening(rows),
        portfolio_connections.spare(rows),
        portfolio_connections.deciding(rows),
        portfolio_connections.groups(rows),
        portfolio_tables.studies(roll),
        *portfolio_tables.by_edition(rows),
        *portfolio_tables.by_case(rows),
        portfolio_tables.by_workbook(rows),
        portfolio_tables.accepted(rows),
    )
    order = [heading for headings in PARTS.values() for heading in headings]
    return sorted(made, key=lambda section: order.index(section.heading))


_RULE = (
    "Each study must stand in the file once and in one of the states that there are. Rows of one name that were all stopped as input "
    "faults count as they stand: the reader of the portfolio stops both, since which is meant is not known."
)


def _header(roll: Roll) -> Header:
    return Header(
        site_id=roll.name,
        address="",
        edition=roll.edition or OWN,
        edition_name="",
        edition_basis="what-if" if what_if(roll) else "asked for all studies" if roll.edition else "",
        jurisdiction=OWN,
        utility=OWN,
        amendments=OWN,
        revision="",
        calculation_date="",
        originator="",
        checker="",
        library_version=VERSION,
        inputs_sha256=roll.sha256,
    )


def head(portfolio: Mapping[str, object]) -> tuple[tuple[str, str], ...]:
    """The title block of the summary as labels with their values. Errors: InputFault where it is not what a batch writes."""
    roll = read(portfolio)
    apart = _under_what_if(roll)
    rows = [(PARTIAL, said) for said in told_partial(roll.rows)]
    rows += [
        ("Portfolio", roll.name),
        ("Studies", f"{len(roll.rows):,} of {many(len(sites(roll.rows)), 'home')}"),
        ("Code edition", f"{roll.edition} in place of every file's" if roll.edition else OWN),
    ]
    rows += [("Under an edition that is not the adopted one", studies(apart))] if apart else []
    rows += [("What-if", what_if(roll))] if what_if(roll) else []
    rows += [("Compared with", roll.compared_with)] if roll.compared_with else []
    return tuple(rows)


def _made_from(roll: Roll) -> Section:
    """What was kept of the run, and by which program this summary was made."""
    rows = (
        ("Kept of each study", "results only, no sheets" if roll.results_only else "sheets, notebooks, results and inputs"),
        ("Program version of the run", roll.library_version),
        ("Program version of this summary", VERSION),
        ("Hash of the rows summarised (SHA-256)", roll.sha256),
    )
    return Section(MADE_FROM, (), "", Table(("What", "Which"), rows))


def _under_what_if(roll: Roll) -> int:
    """Studies under an edition that is not the adopted one."""
    return sum(1 for row in roll.rows if row["edition_basis"] == "what-if")


def what_if(roll: Roll) -> str:
    """What was put in place of what the homes are, in words: an edition, a substitution; empty where nothing was.

    An edition asked for is a what-if unless every study that was calculated stands under it as its own.
    """
    said = []
    apart, calculated = _under_what_if(roll), sum(1 for row in roll.rows if row["edition_basis"])
    if roll.edition and (apart or not calculated):
        said.append(
            f"edition {roll.edition} in place of every file's: "
            f"{studies(apart)} of {len(roll.rows):,} under an edition that is not the adopted one"
        )
    if roll.what_if is not None:
        put = ", ".join(f"{path} = {_shown(value)}" for path, value in sorted(roll.what_if["set"].items()))
        where = " and ".join(f"{path} is {_shown(value)}" for path, value in sorted(roll.what_if["where"].items()))
        made_for = sum(1 for row in roll.rows if row["substituted"])
        words = (put or "nothing put in place") + (f", where {where}" if where else "")
        said.append(f"{words}; made for {made_for:,} of {studies(len(roll.rows))}")
    return "; ".join(said)


def _shown(value: object) -> str:
    return " or ".join(map(str, value) if isinstance(value, (list, tuple)) else str(value).split("|"))


# what is counted


def _count(key: str, meaning: str, value: int) -> Input:
    return Input(key, meaning, value, "count", "counted")


class _Counted:
    """The counts behind checks and results, each once."""

    def __init__(self, roll: Roll):
        rows = roll.rows
        found = Counter(row["state"] for row in rows)
        self.rows = rows
        self.listed = _count("studies", "studies that the file lists", len(rows))
        self.sites = _count("sites", "homes with a study, by site id", len(sites(rows)))
        self.states = {state: _count(f"state.{state}", f"studies in state {state}", found[state]) for state in (*STATES, *states_of(found))}
        self.filed = {state: _count(f"counts.{state}", f"studies in state {state} as filed", count) for state, count in roll.counts.items()}
        self.twice = doubled(rows)
        self.again = _count("studies.again", "rows of a name that stands there already", len(self.twice))
        self.left_out = _count("studies.left_out", "studies left out: no case takes the home", sum(map(left_out, rows)))
        self.accepted = _count("studies.accepted", "studies accepted without a rerun", sum(1 for row in rows if row["accepted"]))
        self.accounted = self._accounted()
        self.apart = self._apart()
        self.exceptions = self._exceptions()

    def _accounted(self) -> Step:
        known = tuple(self.states[state] for state in reversed(STATES))
        return Step(
            "portfolio.accounted",
            "n_accounted",
            "studies in a known state, each once",
            "sum(in_states) - again",
            {"in_states": known, "again": self.again},
            sum(one.value for one in known) - self.again.value,
            "count",
        )

    def _apart(self) -> Step:
        """By how much the counts that were filed differ from those of the rows, over all states."""
        states = states_of([*self.filed, *(state for state, one in self.states.items() if one.value)])
        uses, terms, amount = {}, [], 0
        for number, state in enumerate(states):
            stem = re.sub(r"\W", "_", state) if state in STATES else f"other_{number}"
            counted = self.states.get(state) or _count(f"state.{state}", f"studies in state {state}", 0)
            filed = self.filed.get(state) or _count(f"counts.{state}", f"studies in state {state} as filed", 0)
            uses |= {f"{stem}_counted": counted, f"{stem}_filed": filed}
            terms.append(f"abs({stem}_counted - {stem}_filed)")
            amount += abs(counted.value - filed.value)
        meaning = "studies by which the counts filed differ from those of the rows"
        return Step("portfolio.counts_apart", "n_apart", meaning, " + ".join(terms), uses, amount, "count")

    def _exceptions(self) -> Step:
        faulted, not_run = tuple(self.states[state] for state in FAULTED), self.states[NOT_RUN]
        return Step(
            "portfolio.exceptions",
            "n_exceptions",
            "studies without a verdict that was asked for",
            "sum(faulted) + not_run - left_out",
            {"faulted": faulted, "not_run": not_run, "left_out": self.left_out},
            sum(one.value for one in faulted) + not_run.value - self.left_out.value,
            "count",
        )


def _every_home(roll: Roll, counted: _Counted) -> Check:
    """Check `every-home-accounted`: the states can never sum to more than what is listed, so that enough is equal."""
    unknown = [f"{name_of(row)} ({row['state']})" for row in roll.rows if row["state"] not in STATES]
    said = []
    if unknown:
        said.append(f"in no known state: {_some(unknown)}")
    if counted.twice:
        said.append(f"more than once: {_some(counted.twice)}")
    question = "is every study of the portfolio in one state, once?"
    return compare("every-home-accounted", question, counted.accounted, ">=", counted.listed, note="; ".join(said))


def _filed_counts(counted: _Counted) -> Check:
    none = Input("choice.counts_apart", "difference allowed", 0, "count", "choice")
    return compare("counts-agree", "do the counts that the batch filed agree with its rows?", counted.apart, "<=", none)


def _no_exceptions(counted: _Counted) -> Check:
    none = Input("choice.exceptions", "exceptions in a complete summary", 0, "count", "choice")
    named = [f"{name_of(row)} ({row['state']})" for row in counted.rows if is_exception(row)]
    note = f"without a verdict: {_some(named)}; what to do stands under the exceptions" if named else ""
    return compare("no-exceptions", "has every study that was asked for come to a verdict?", counted.exceptions, "<=", none, note=note)


def _some(names: list[str]) -> str:
    more = f" and {len(names) - NAMED:,} more" if len(names) > NAMED else ""
    return ", ".join(names[:NAMED]) + more


def _results(roll: Roll, counted: _Counted) -> dict[str, Result]:
    """Results under the agreed keys: the whole, the states, what is open, what changed, what controls."""
    found: dict[str, Input | Step] = {"homes_count": counted.listed, "sites_count": counted.sites}
    found |= {f"homes_count:{state}": counted.states[state] for state in portfolio_drawings.shown_states(roll.rows)}
    found |= {"exceptions_count": counted.exceptions, "accepted_count": counted.accepted}
    if roll.what_if:
        made_for = sum(1 for row in roll.rows if row["substituted"])
        found["substituted_count"] = _count("substituted", "studies that the substitution was made for", made_for)
    moved = Counter((row["before"]["state"], row["state"]) for row in roll.rows if changed(row))
    if roll.compared_with:
        found["changed_count"] = _count("changed", "studies whose state moved against what it is compared with", moved.total())
    for (before, now), count in sorted(moved.items(), key=lambda item: (-item[1], item[0])):
        found[f"changed_count:{before}:{now}"] = _count(f"changed.{before}.{now}", f"studies that went from {before} to {now}", count)
    tests = Counter(family(controlling(row)["check"]) for row in roll.rows if controlling(row) is not None)
    for name, count in sorted(tests.items(), key=lambda item: (-item[1], item[0])):
        found[f"homes_count:{name}"] = _count(f"controlling.{name}", f"studies that {name} controls", count)
    results = {key: Result(item.value, "count", item) for key, item in found.items()}
    held = held_back(roll.rows)
    if held:
        results["most_missing_field"] = Result(next(iter(held)), None)
    return results


def _cautions(roll: Roll) -> Iterable[str]:
    yield from told_partial(roll.rows)
    yield "A summary does not replace the sheets: a verdict holds with its own sheet, its assumptions, cautions and open items."
    yield (
        "A pass of this sheet says that the list is complete. It says nothing of the homes: those pass whose own sheets pass, and a "
        "judgement is not a pass."
    )
    yield "Counts say nothing about homes that were not run, and nothing about homes that are not in the portfolio."
    yield (
        "Room is that of one test, the one that controls or the tightest capacity, as each table says. Another test of the same home may "
        "have as little; a condition and an amount in days, seconds or areas have none that is ranked."
    )
    yield "Homes of one portfolio may share errors: a wrong base file, data sheet or jurisdiction file stands in all of them."
    if roll.what_if or any(row["edition_basis"] == "what-if" for row in roll.rows):
        yield "A study under a what-if is none that can be filed: it stands on an edition or on values that are not those of the home."
    if any(row["accepted"] for row in roll.rows):
        yield "Studies that were accepted without a rerun stand as they were calculated before what they rest on changed."
    if roll.library_version != VERSION:
        yield f"The studies were run by version {roll.library_version} of the program, this summary is made by {VERSION}."


def _not_checked(roll: Roll) -> Iterable[str]:
    """What the summary says nothing about, with the reason."""
    counts = Counter(row["state"] for row in roll.rows if not left_out(row))
    for state in (*FAULTED, NOT_RUN):
        if counts[state]:
            yield f"{studies(counts[state])} ended as {state}: no verdict, in no count of tests, margins and connections"
    apart = sum(map(left_out, roll.rows))
    if apart:
        yield f"{many(apart, 'home was', 'homes were')} left out: no case of the portfolio takes them"
    silent = sum(1 for row in roll.rows if controlling(row) is not None and room(row) is None)
    if silent:
        has = many(silent, "controlling test has", "controlling tests have")
        yield f"{has} no room that is ranked (conditions; days, seconds, areas) and no place among the margins"
