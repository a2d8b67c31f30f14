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
SIGNS = {"<=": "at most", ">=": "at least"}
"""A relation in words, as it stands before what is required."""
NAMED = 4
"""Studies that are named as examples in a cell [count]."""
RUN_BEFORE = "the run before"
"""What a run is compared with where it is its own folder as it stood; every other word is the name of another folder."""
ADOPTED = "edition-adopted"
"""The check that a study under a what-if edition cannot pass."""
PASS, JUDGEMENT, NEEDS_INPUT, FAIL = VERDICTS[::-1]
STAYED, BETTER, WORSE = "stayed", "better", "worse"
KNOWN, UNKNOWN = "now known", "no longer known"
VERDICT_NOW, NONE_NOW = "has a verdict now", "without a verdict now"
TEST_WORDS: Mapping[str, str] = {
    "adapter-source": "sources through the meter-socket adapter",
    "backup-capacity": "backup source against its load",
    "backup-target": "how long the backup lasts",
    "bus": "bus with its sources",
    "conductor": "circuit conductor",
    "continuous-load": "continuous load at 125 %",
    "control-continuous": "continuous rating of the control",
    "control-holds": "time above the setting of the control",
    "control-setting": "setting of the control",
    "disconnect-rating": "rating of the disconnect",
    ADOPTED: "edition is the adopted one",
    "evse-circuit": "circuit of the charger",
    "evse-disconnect": "disconnect of the charger",
    "feeder-capacity": "feeder with its sources",
    "field-verified": "verified in the field",
    "local-evidence": "evidence that the jurisdiction asks for",
    "local-service-limit": "local limit of the service load",
    "measured-allowed": "the record may be used",
    "method-allowed": "the method may be used",
    "overcurrent": "overcurrent device of the source",
    "panel-load": "load of the panel",
    "pass-through": "current passed through the equipment",
    "raceway": "fill of the raceway",
    "service-capacity": "service with its load",
    "service-conductor": "service conductor",
    "storage-spacing": "spacing of the storage units",
    "storage-unit": "energy of a storage unit",
    "supply-side-capacity": "service conductors with their sources",
    "utility-export": "export that the utility takes without a study",
    "vehicle-need": "charge that the vehicle needs",
}
"""What a family of checks is about, in words; a family that is not here stands by its key alone."""
CAPACITY = (
    *("service-capacity", "service-peak", "panel-load", "leg-capacity", "continuous-load", "storage-charging", "local-service-limit"),
    *("bus", "bus-120", "bus-sum", "feeder-capacity", "supply-side-capacity", "adapter-source", "adapter-load"),
    *("backup-capacity", "backup-full-load", "backup-largest-load", "backup-leg", "backup-neutral"),
)
"""Families that set a load or a source against a capacity: their room is one of the home and none of a size that was chosen to fit."""
AMOUNTS_UNRANKED = ("d", "s", "cmil", "frac")
"""Units of amounts whose room is not ranked: days, seconds, areas, shares."""

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
    "substituted": (bool,),
    "state_otherwise": _WORDS,
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
CONNECTION = {"verdict": _TEXT, "check": _TEXT, "spare_a": _NUMBER, "spare_check": _WORDS}
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


# words and fields


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


def sides_of(decider: Mapping[str, object]) -> tuple[str, str]:
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


def named(check: str) -> str:
    """A check in words with its key, the key alone where there are no words for it."""
    words = TEST_WORDS.get(family(check))
    return f"{words} ({check})" if words else check


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
        f"{words_of(one['workbook'])}: {'the same test' if one['check'] == deciding else named(one['check'])}" for one in others
    )
    return f"also failing: {told}" if told else "no other workbook"


def asking(row: Row) -> set[str]:
    """Checks that decide a workbook of a study as needing input."""
    return {one["check"] for one in row["workbooks"].values() if one["verdict"] == NEEDS_INPUT and one["check"]}


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


def is_exact(row: Row) -> bool:
    """Whether the test that controls a study stands at zero because the size that was chosen is the one required."""
    part = room(row)
    return part is not None and abs(part) <= GUARD and not is_capacity(controlling(row))


# of all rows


def many(count: int, one: str, more: str = "") -> str:
    """A count with its noun in the right form. Parameters: count; noun of one; of several (with an s where not given)."""
    return f"{count:,} {one if count == 1 else more or one + 's'}"


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


def closes_by_none(rows: Sequence[Row]) -> dict[int, bool]:
    """Studies in need of input that a field of the site file does not close, by their place in the rows.

    True: it names no field at all. False: it names one, and a test that needs input in it named none in another study of the same
    edition or home. A row does not say which test asks for which field, so that the second is an inference.
    """
    silent = {mark for row in rows if not row["missing"] for mark in _marks(row)}
    waiting = [(place, row) for place, row in enumerate(rows) if row["state"] == NEEDS_INPUT]
    return {place: not row["missing"] for place, row in waiting if not row["missing"] or not silent.isdisjoint(_marks(row))}


def _marks(row: Row) -> Iterator[tuple[str, object, str]]:
    """By what the tests that need input in a study are known again in others: their family under the edition, themselves in the home."""
    for check in asking(row):
        yield "edition", row["edition"], family(check)
        yield "home", row["site_id"], check


def freed(rows: Sequence[Row]) -> Counter[str]:
    """Studies that a field alone would free: it is the only one, one test asks, and nothing says that the test lacks more than a field."""
    held = closes_by_none(rows)
    found: Counter[str] = Counter()
    for place, row in enumerate(rows):
        fields = set(map(generalised, row["missing"]))
        if row["state"] == NEEDS_INPUT and place not in held and len(fields) == 1 and len(asking(row)) <= 1:
            found[fields.pop()] += 1
    return found


def amperes(found: Iterable[Mapping[str, object]], verdict: str) -> list[float]:
    """Spare amperes of the connections that pass, or shortages of those that fail for want of them [A], least first."""
    known = [one["spare_a"] for one in found if one["verdict"] == verdict and one["spare_a"] is not None]
    return sorted(known if verdict == PASS else [-value for value in known if value < 0.0])
