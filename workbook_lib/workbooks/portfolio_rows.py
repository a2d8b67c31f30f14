"""The studies of a portfolio as its summary reads them: the states there are, what a row must hold, what is told of one.

A row is what the batch writes of a study in portfolio.json; `read` refuses a file that is not one with its faults.
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath

from workbook_lib.errors import Fault, InputFault
from workbook_lib.formula import GUARD
from workbook_lib.home.model import Site
from workbook_lib.home.shapes import shapes
from workbook_lib.sheet import Verdict
from workbook_lib.workbooks import REGISTRY
from workbook_lib.workbooks.portfolio_words import CAPACITY, SIZES, family, many, named, words_of

FORMAT = 1
FILE = "portfolio.json"
NOT_RUN = "not run"
FAULTED = ("machinery fault", "calculation fault", "input fault")
"""States without a verdict that something is to be done about."""
VERDICTS = (str(Verdict.FAIL), str(Verdict.NEEDS_INPUT), str(Verdict.JUDGEMENT), str(Verdict.PASS))
STATES = (*FAULTED, NOT_RUN, *VERDICTS)
"""What a study can come to, what must be looked at first before the rest."""
TOP = "format", "portfolio", "library_version", "edition", "what_if", "compared_with", "results_only", "counts", "studies"
"""What is read of the file; what the summary itself puts into it is not."""
FAULTS_SHOWN = 20
RUN_BEFORE = "the run before"
"""What a run is compared with where it is its own folder as it stood; every other word is the name of another folder."""
PASS, JUDGEMENT, NEEDS_INPUT, FAIL = VERDICTS[::-1]
STAYED, BETTER, WORSE = "stayed", "better", "worse"
KNOWN, UNKNOWN = "now known", "no longer known"
VERDICT_NOW, NONE_NOW = "has a verdict now", "without a verdict now"

Row = Mapping[str, object]
_TEXT, _WORDS, _TABLE, _LIST, _COUNT, _NUMBER = (str,), (str, type(None)), (Mapping,), (list, tuple), (int,), (int, float, type(None))
_SOME_TABLE = (Mapping, type(None))
ROW = {
    "site_id": _TEXT,
    "case": _TEXT,
    "edition": _WORDS,
    "edition_basis": _WORDS,
    "state": _TEXT,
    "folder": _WORDS,
    "line": (int, type(None)),
    "workbooks": _TABLE,
    "controlling": _SOME_TABLE,
    "missing": _LIST,
    "asked": _LIST,
    "tightest": _SOME_TABLE,
    "connections": _TABLE,
    "faults": _LIST,
    "faults_count": _COUNT,
    "why": _TEXT,
    "accepted": _LIST,
    "reasons": _LIST,
    "before": _SOME_TABLE,
    "left_out": (bool,),
    "substituted": (bool,),
    "state_otherwise": _WORDS,
    "workbooks_left_out": _LIST,
}
_ANY = (object, bool)
DECIDER = {
    "workbook": _TEXT,
    "verdict": _TEXT,
    "check": _WORDS,
    "provided": _ANY,
    "relation": _WORDS,
    "required": _ANY,
    "margin": _NUMBER,
    "unit": _WORDS,
    "room": _NUMBER,
    "fails": _COUNT,
}
CONNECTION = {"verdict": _TEXT, "check": _TEXT, "spare_a": _NUMBER, "spare_check": _WORDS, "spare_basis": _WORDS}
ASKED = {"check": _TEXT, "fields": _LIST, "note": _TEXT}
BEFORE = {"state": _TEXT, "workbook": _WORDS, "check": _WORDS}


@dataclass(frozen=True, slots=True)
class Roll:
    """The studies of one run of a portfolio, in its order, with what was asked of all of them.

    `edition` None: each home's own; `what_if` None: nothing was put in place; `compared_with` empty: no comparison; `counts` as the
    file has them; `sha256` of all that is read.
    """

    name: str
    library_version: str
    edition: str | None
    what_if: Mapping[str, Mapping[str, object]] | None
    compared_with: str
    results_only: bool
    counts: Mapping[str, int]
    rows: tuple[Row, ...]
    sha256: str


def read(portfolio: Mapping[str, object]) -> Roll:
    """The studies of a parsed portfolio.json. Errors: InputFault with what is not as it must be."""
    faults = list(_of_top(portfolio))
    if not faults:
        faults = [fault for number, row in enumerate(portfolio["studies"]) for fault in _of_row(f"studies.{number}", row)]
    if faults:
        raise InputFault(faults[:FAULTS_SHOWN])
    what_if = portfolio["what_if"]
    return Roll(
        portfolio["portfolio"],
        portfolio["library_version"],
        portfolio["edition"],
        None if what_if is None else {part: dict(what_if.get(part) or {}) for part in ("where", "set")},
        portfolio["compared_with"],
        portfolio["results_only"],
        portfolio["counts"],
        tuple(portfolio["studies"]),
        _digest(portfolio),
    )


def _of_top(portfolio: object) -> Iterator[Fault]:
    if not isinstance(portfolio, Mapping):
        yield _fault("", "is not a table", type(portfolio).__name__, "what a batch writes")
        return
    forms = dict.fromkeys(("portfolio", "library_version", "compared_with"), _TEXT)
    forms |= {"format": _COUNT, "edition": _WORDS, "what_if": _SOME_TABLE, "results_only": (bool,), "counts": _TABLE, "studies": _LIST}
    yield from _of_form("", portfolio, forms)
    if portfolio.get("format", FORMAT) != FORMAT:
        yield _fault("format", "unknown format", portfolio["format"], f"{FORMAT}")
    if isinstance(portfolio.get("studies"), _LIST) and not portfolio["studies"]:
        yield _fault("studies", "no study stands in it", "", "one row or more")
    counts = portfolio.get("counts")
    for state, count in counts.items() if isinstance(counts, Mapping) else ():
        if type(count) is not int or count < 0:
            yield _fault(f"counts.{state}", "not a count", count, "a whole number from 0")


def _of_row(place: str, row: object) -> Iterator[Fault]:
    if not isinstance(row, Mapping):
        yield _fault(place, "not a row", type(row).__name__, "the row of a study")
        return
    yield from _of_form(f"{place}.", row, ROW)
    parts = [(name, row.get(name), DECIDER) for name in ("controlling", "tightest")] + [("before", row.get("before"), BEFORE)]
    asked = row.get("asked")
    parts += [(f"asked.{number}", one, ASKED) for number, one in enumerate(asked if isinstance(asked, _LIST) else ())]
    for name, form in (("workbooks", DECIDER), ("connections", CONNECTION)):
        held = row.get(name)
        parts += [(f"{name}.{key}", one, form) for key, one in held.items()] if isinstance(held, Mapping) else []
    for name, part, form in parts:
        if isinstance(part, Mapping):
            yield from _of_form(f"{place}.{name}.", part, form)
        elif part is not None:
            yield _fault(f"{place}.{name}", "not a table", part, ", ".join(form))
    folder = row.get("folder")
    if isinstance(folder, str) and (PurePosixPath(folder).is_absolute() or ".." in PurePosixPath(folder).parts):
        yield _fault(f"{place}.folder", "not a folder beside this file", folder, "SITE/CASE")


def _of_form(place: str, table: Mapping[str, object], form: Mapping[str, tuple[type, ...]]) -> Iterator[Fault]:
    for key, kinds in form.items():
        if key not in table:
            yield _fault(place + key, "is missing", "", "what a batch writes")
        elif not isinstance(table[key], kinds) or (isinstance(table[key], bool) and bool not in kinds):
            yield _fault(place + key, "of another kind", table[key], " or ".join("none" if k is type(None) else k.__name__ for k in kinds))


def _fault(field: str, what: str, value: object, limit: str) -> Fault:
    return Fault(FILE, field, what, str(value)[:80], limit, "run the batch again with this version of the program")


def _digest(portfolio: Mapping[str, object]) -> str:
    """Hash of all that is read, whatever the order of keys and the spacing of the file."""
    kept = {key: portfolio[key] for key in TOP}
    try:
        text = json.dumps(kept, sort_keys=True, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
    except ValueError:
        raise InputFault([_fault("studies", "holds a value that is no finite number", "", "finite numbers")]) from None
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


# fields


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


# of one row


def name_of(row: Row) -> str:
    """The study in words: site id and case."""
    return f"{row['site_id'] or '(no site id)'}/{row['case']}"


def controlling(row: Row) -> Mapping[str, object] | None:
    """What decides a study; None where it has no controlling check."""
    decider = row["controlling"]
    return decider if decider is not None and decider["check"] else None


def room(row: Row) -> float | None:
    """Margin of the controlling check in proportion to its limit [-]; None where it compares no numbers."""
    decider = controlling(row)
    return None if decider is None else decider["room"]


def otherwise(row: Row) -> str:
    """The state of a study without the check of the adopted edition."""
    return row["state_otherwise"] if row["state"] in VERDICTS and row["state_otherwise"] else row["state"]


def way(before: str, now: str) -> str:
    """How a state lies to the one before, in words; needing input is neither better nor worse than what was known."""
    if before == now:
        return STAYED
    if now not in VERDICTS:
        return NONE_NOW
    if before not in VERDICTS:
        return VERDICT_NOW
    if NEEDS_INPUT in (before, now):
        return UNKNOWN if now == NEEDS_INPUT else KNOWN
    return BETTER if STATES.index(now) > STATES.index(before) else WORSE


def by_edition_alone(row: Row) -> bool:
    """Whether a study would be in the state before, were it not for the check of the adopted edition."""
    return changed(row) and row["before"]["state"] in VERDICTS and otherwise(row) == row["before"]["state"]


def other_deciders(row: Row, verdict: str) -> list[Mapping[str, object]]:
    """What decides the other workbooks of a study with this verdict."""
    deciding = row["controlling"] or {}
    return [one for one in row["workbooks"].values() if one["verdict"] == verdict and one["workbook"] != deciding.get("workbook")]


def also_failing(row: Row) -> str:
    """What decides the other workbooks that fail, in words; the test that controls the study may stand in several workbooks."""
    deciding = (row["controlling"] or {}).get("check")
    others = other_deciders(row, FAIL)
    told = "; ".join(
        f"{words_of(one['workbook'])}: {'the same test' if one['check'] == deciding else named(one['check'])}{_more(one)}" for one in others
    )
    return f"also failing: {told}" if told else "no other workbook"


def _more(decider: Mapping[str, object]) -> str:
    """How many more tests of a workbook fail than the one that decides it."""
    return f" and {decider['fails'] - 1:,} more" if decider["fails"] > 1 else ""


def holds(row: Row) -> bool:
    """Whether the numbers of the controlling check hold, the last bit of arithmetic guarded; it may fail for another reason."""
    return (room(row) or 0.0) >= -GUARD


def left_out(row: Row) -> bool:
    """Whether no case of the portfolio takes the home."""
    return row["state"] == NOT_RUN and row["left_out"]


def is_exception(row: Row) -> bool:
    """Whether a study has no verdict although the portfolio asks for one."""
    return row["state"] in FAULTED or (row["state"] == NOT_RUN and not left_out(row))


def changed(row: Row) -> bool:
    """Whether a study was in another state in the run that this one is compared with."""
    return row["before"] is not None and row["before"]["state"] != row["state"]


def edition_of(row: Row) -> str:
    """The edition of a study and on what basis it holds."""
    return "none: not calculated" if row["edition"] is None else f"{row['edition']}, {row['edition_basis'] or 'basis not on file'}"


def is_capacity(decider: Mapping[str, object]) -> bool:
    """Whether what decides is a load or a source set against a capacity."""
    return family(decider["check"] or "") in CAPACITY


def at_limit(row: Row) -> bool:
    """Whether the test that controls a study has no room and is none of a load or a source against a capacity."""
    part = room(row)
    return part is not None and abs(part) <= GUARD and not is_capacity(controlling(row))


def is_exact(row: Row) -> bool:
    """Whether the test that controls a study stands at zero because the size that was chosen is the one required."""
    return at_limit(row) and family(controlling(row)["check"]) in SIZES


def tightest(row: Row) -> Mapping[str, object] | None:
    """The test of a load or a source against a capacity that leaves a study the least room; None where it has none in amperes."""
    decider = row["tightest"]
    return decider if decider is not None and decider["room"] is not None else None


def beyond(row: Row) -> Mapping[str, object] | None:
    """What is a judgement of a study although its numbers are short of the limit: the tightest capacity, else the test that controls it."""
    for decider in (tightest(row), controlling(row)):
        if decider is not None and decider["verdict"] == JUDGEMENT and decider["room"] is not None and decider["room"] < -GUARD:
            return decider
    return None


# of all rows


def states_of(states: Iterable[str]) -> tuple[str, ...]:
    """The states among these as they are read: verdicts from pass on, then those without one, then what is no state."""
    found = set(states)
    return (*(state for state in reversed(STATES) if state in found), *sorted(found.difference(STATES)))


def sites(rows: Iterable[Row]) -> set[str]:
    """Site ids that are known."""
    return {row["site_id"] for row in rows if row["site_id"]}


def doubled(rows: Sequence[Row]) -> list[str]:
    """Names that stand more than once, one for each time beyond the first.

    Rows of one name that were all stopped as input faults are told apart by their faults and are not doubled: the reader of a portfolio
    stops both of them, since which is meant is not known.
    """
    used = Counter((row["site_id"], row["case"]) for row in rows)
    alive = {(row["site_id"], row["case"]) for row in rows if row["state"] != FAULTED[-1]}
    return [f"{site or '(no site id)'}/{case}" for (site, case), count in used.items() if (site, case) in alive for _ in range(count - 1)]


def held_back(rows: Iterable[Row]) -> dict[str, list[Row]]:
    """Studies that need input, by each field that they lack, ids taken out; the field that holds back the most homes first."""
    found: dict[str, list[Row]] = defaultdict(list)
    for row in rows:
        if row["state"] == NEEDS_INPUT:
            for field in dict.fromkeys(map(generalised, row["missing"])):
                found[field].append(row)
    return dict(sorted(found.items(), key=lambda item: (-len(sites(item[1])), -len(item[1]), item[0])))


def unclosed(row: Row) -> list[Mapping[str, object]]:
    """The tests of a study that need input and name no field of the site file."""
    return [one for one in row["asked"] if not one["fields"]] if row["state"] == NEEDS_INPUT else []


def freed(rows: Sequence[Row]) -> Counter[str]:
    """Studies of which every test that needs input asks for one and the same field, by that field, ids taken out."""
    found: Counter[str] = Counter()
    for row in rows:
        if row["state"] != NEEDS_INPUT or not row["asked"]:
            continue
        wanted = [set(map(generalised, one["fields"])) for one in row["asked"]]
        if len(wanted[0]) == 1 and all(one == wanted[0] for one in wanted):
            found[min(wanted[0])] += 1
    return found


def partial(rows: Iterable[Row]) -> list[tuple[tuple[str, ...], int]]:
    """Workbooks that some studies were made with alone, with how many studies; the sets in the order in which they come."""
    found: Counter[tuple[str, ...]] = Counter()
    for row in rows:
        if row["workbooks_left_out"]:
            found[tuple(name for name in REGISTRY if name not in row["workbooks_left_out"])] += 1
    return list(found.items())


def told_partial(rows: Iterable[Row]) -> tuple[str, ...]:
    """What is to be said first of studies that were made with some of the workbooks alone."""
    return tuple(
        f"{many(count, 'study was', 'studies were')} made with the workbooks {', '.join(map(words_of, names))} alone: what the others test "
        f"is not in {'its state' if count == 1 else 'their states'}."
        for names, count in partial(rows)
    )
