"""The row of a study: what its results.json says, in short, for the record, the roll-up and the summary.

A row is a dictionary of texts, numbers, lists and dictionaries (it stands in JSON files). Its keys:

`site_id`, `case`, `edition` and `edition_basis` (None where a fault left none), `state` (one of `STATES`), `folder` (under the output
folder, None where nothing is there), `line` (in the portfolio, None in a TOML file), `workbooks` (name -> `Decider`), `controlling`
(the `Decider` of the workbook that decides, None without a verdict), `tightest` (the `Decider` of the counted check with the least room
of all that set a load or a source against a capacity, one that fails for want of amperes before the others, with the verdict of that
check; None where none compares numbers), `missing` (fields that counted checks ask for), `asked` (of each counted check that needs
input `check`, its `fields`, and the beginning of its `note` where it names none), `connections` (kind -> verdict, check, spare_a [A],
the spare_check that it is the margin of, and its spare_basis in words; these three are None where input is needed, where no amperes
are tested and where it fails otherwise than by that check; a kind that the home
does not have is left out), `faults` (texts, at most `FAULTS_SHOWN`), `faults_count`, `why` (in words, where there is no verdict),
`accepted` (reasons that were accepted without a rerun), `reasons` (why it was run this time, empty where it was not), `before` (state,
workbook and check of what it is compared with, None where there is nothing), `left_out` (true where no case of the portfolio takes the
home), `substituted` (true where a what-if set a field of this study), `state_otherwise` (the state that it would have without the check
`edition-adopted`, None without a verdict), `workbooks_left_out` (names of the workbooks that were not asked for, sorted: the state
knows nothing of them).

A `Decider` is a dictionary of `workbook`, `verdict`, `check` (key), `provided`, `relation`, `required`, `margin`, `unit`, `room`
(margin in proportion to the limit, None where there is none) and `fails` (counted checks of that workbook that fail).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping

from workbook_lib.batch.connections import connections, is_capacity
from workbook_lib.batch.ranks import ORDER, rank, room
from workbook_lib.sheet import Verdict
from workbook_lib.workbooks import REGISTRY
from workbook_lib.workbooks.portfolio_rows import FAULTED, NOT_RUN, STATES, VERDICTS
from workbook_lib.workbooks.portfolio_words import ADOPTED, family

__all__ = ["ADOPTED", "FAULTED", "NOT_RUN", "ORDER", "STATES", "VERDICTS", "blank", "family", "of_document", "of_fault", "outcome", "rank"]

SIDES = ("provided", "relation", "required", "margin", "unit")
FAULTS_SHOWN = 5

ASKED_NOTES = 200
"""Characters of a note that are kept in a row [count]."""

Row = dict[str, object]


def blank(site_id: str, case: str, state: str, why: str = "") -> Row:
    """A row without a verdict."""
    return {
        "site_id": site_id,
        "case": case,
        "edition": None,
        "edition_basis": None,
        "state": state,
        "folder": None,
        "line": None,
        "workbooks": {},
        "controlling": None,
        "missing": [],
        "asked": [],
        "tightest": None,
        "connections": {},
        "faults": [],
        "faults_count": 0,
        "why": why,
        "accepted": [],
        "reasons": [],
        "before": None,
        "left_out": False,
        "substituted": False,
        "state_otherwise": None,
        "workbooks_left_out": [],
    }


def outcome(row: Row) -> dict[str, object]:
    """What a row comes to, to be compared with: state, and the workbook and check that decide it."""
    deciding = row["controlling"] or {}
    return {"state": row["state"], "workbook": deciding.get("workbook"), "check": deciding.get("check")}


def of_fault(site_id: str, case: str, state: str, faults: Iterable[str]) -> Row:
    """The row of a study that a fault of its files or of a calculation stopped."""
    told = list(faults)
    return blank(site_id, case, state, told[0] if told else "") | {"faults": told[:FAULTS_SHOWN], "faults_count": len(told)}


def of_document(document: Mapping[str, object]) -> Row:
    """The row of a study from its results.json. Errors: KeyError where it is not one with verdicts."""
    there = document["workbooks"]
    workbooks = {name: _decider(name, there[name]) for name in REGISTRY if name in there}
    counted = {name: [check for check in there[name]["checks"] if check["counts"]] for name in workbooks}
    deciding = min(workbooks.values(), key=lambda one: min(map(rank, _of(counted, one)), default=(len(ORDER), 0.0)))
    asking = [_asked(check) for checks in counted.values() for check in checks if check["verdict"] == Verdict.NEEDS_INPUT]
    missing = dict.fromkeys(field for asked in asking for field in asked["fields"])
    otherwise = (check["verdict"] for checks in counted.values() for check in checks if check["key"] != ADOPTED)
    return blank(document["site_id"], document["case"], _state([one["verdict"] for one in workbooks.values()])) | {
        "state_otherwise": _state(otherwise),
        "edition": document["edition"],
        "edition_basis": document["edition_basis"],
        "workbooks": workbooks,
        "controlling": deciding,
        "missing": list(missing),
        "asked": asking,
        "tightest": _tightest(there),
        "connections": dict(connections(there)),
    }


def _of(counted: Mapping[str, list], decider: Mapping[str, object]) -> list[Mapping[str, object]]:
    return [check for check in counted[decider["workbook"]] if check["key"] == decider["check"]]


def _state(verdicts: Iterable[str]) -> str:
    """The worst of some verdicts; where nothing applies nothing is against it."""
    worst = min(verdicts, key=ORDER.index, default=ORDER[-1])
    return VERDICTS[-1] if worst == ORDER[-1] else worst


def _decider(name: str, entry: Mapping[str, object]) -> dict[str, object]:
    found = next((check for check in entry["checks"] if check["key"] == entry["controlling"]), None)
    return _told(name, entry, found, entry["verdict"])


def _told(name: str, entry: Mapping[str, object], found: Mapping[str, object] | None, verdict: str) -> dict[str, object]:
    """A check of a workbook as a `Decider`."""
    sides = dict.fromkeys(SIDES) if found is None else {key: found[key] for key in SIDES}
    key = None if found is None else found["key"]
    fails = sum(1 for check in entry["checks"] if check["counts"] and check["verdict"] == Verdict.FAIL)
    return {"workbook": name, "verdict": verdict, "check": key, **sides, "room": room(sides), "fails": fails}


def _tightest(workbooks: Mapping[str, Mapping[str, object]]) -> dict[str, object] | None:
    """Of the counted checks of a capacity the one with the least room, one that fails for want of it first; None without numbers."""
    held = [
        (room(check), name, check)
        for name in REGISTRY
        if name in workbooks
        for check in workbooks[name]["checks"]
        if check["counts"] and is_capacity(check) and check["margin"] is not None and check["verdict"] != Verdict.NOT_APPLICABLE
    ]
    if not held:
        return None
    _, name, check = min(held, key=lambda one: (one[2]["verdict"] != Verdict.FAIL or one[0] >= 0.0, one[0]))
    return _told(name, workbooks[name], check, check["verdict"])


def _asked(check: Mapping[str, object]) -> dict[str, object]:
    """What a check asks for; of one that names no field what its note says, its first sentence."""
    note = "" if check["fields"] else re.split(r"(?<=[a-z)]{2})\. ", check["note"], maxsplit=1)[0]
    return {"check": check["key"], "fields": list(check["fields"]), "note": _cut(note)}


def _cut(note: str) -> str:
    return note if len(note) <= ASKED_NOTES else f"{note[: ASKED_NOTES - 3].rsplit(' ', 1)[0]} ..."
