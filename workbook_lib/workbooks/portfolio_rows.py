"""The studies of a portfolio as its summary reads them: the states there are, what a row must hold, what is told of one.

A row is what the batch writes of a study in portfolio.json; `read` refuses a file that is not one with its faults.
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath

from workbook_lib.errors import Fault, InputFault
from workbook_lib.formula import GUARD
from workbook_lib.sheet import Verdict

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
    "connections": _TABLE,
    "faults": _LIST,
    "faults_count": _COUNT,
    "why": _TEXT,
    "accepted": _LIST,
    "reasons": _LIST,
    "before": _SOME_TABLE,
    "left_out": (bool,),
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
}
CONNECTION = {"verdict": _TEXT, "check": _TEXT, "spare_a": _NUMBER}
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
    parts = [("controlling", row.get("controlling"), DECIDER), ("before", row.get("before"), BEFORE)]
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


# of one row


def name_of(row: Row) -> str:
    """The study in words: site id and case."""
    return f"{row['site_id'] or '(no site id)'}/{row['case']}"


def family(key: str) -> str:
    """A check without its ids: `bus:main` is of the family `bus`."""
    return key.partition(":")[0]


def controlling(row: Row) -> Mapping[str, object] | None:
    """What decides a study; None where it has no controlling check."""
    decider = row["controlling"]
    return decider if decider is not None and decider["check"] else None


def room(row: Row) -> float | None:
    """Margin of the controlling check in proportion to its limit [-]; None where it compares no numbers."""
    decider = controlling(row)
    return None if decider is None else decider["room"]


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
