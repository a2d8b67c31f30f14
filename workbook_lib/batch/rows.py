"""The row of a study: what its results.json says, in short, for the record, the roll-up and the summary.

A row is a dictionary of texts, numbers, lists and dictionaries (it stands in JSON files). Its keys:

`site_id`, `case`, `edition` and `edition_basis` (None where a fault left none), `state` (one of `STATES`), `folder` (under the output
folder, None where nothing is there), `line` (in the portfolio, None in a TOML file), `workbooks` (name -> `Decider`), `controlling`
(the `Decider` of the workbook that decides, None without a verdict), `missing` (fields that counted checks ask for), `connections`
(kind -> verdict, check, spare_a and the spare_check that it is the margin of, None where input is needed; a kind that the home does not
have is left out), `faults` (texts, at most `FAULTS_SHOWN`),
`faults_count`, `why` (in words, where there is no verdict), `accepted` (reasons that were accepted without a rerun), `reasons` (why it
was run this time, empty where it was not), `before` (state, workbook and check of what it is compared with, None where there is nothing),
`left_out` (true where no case of the portfolio takes the home), `substituted` (true where a what-if set a field of this study),
`state_otherwise` (the state that it would have without the check `edition-adopted`, None without a verdict).

A `Decider` is a dictionary of `workbook`, `verdict`, `check` (key), `provided`, `relation`, `required`, `margin`, `unit` and `room`
(margin in proportion to the limit, None where there is none).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from workbook_lib.sheet import CONDITIONS, Verdict, holds
from workbook_lib.workbooks import REGISTRY
from workbook_lib.workbooks.portfolio_rows import ADOPTED, CAPACITY, FAULTED, NOT_RUN, STATES, VERDICTS

__all__ = ["ADOPTED", "CONNECTIONS", "FAULTED", "NOT_RUN", "STATES", "VERDICTS", "blank", "family", "of_document", "of_fault", "outcome"]

ORDER = (*VERDICTS, str(Verdict.NOT_APPLICABLE))
FAULTS_SHOWN = 5

Row = dict[str, object]

CONNECTIONS: Mapping[str, tuple[str, tuple[str, ...]]] = {
    "service": ("service_load", ()),
    "backfed breaker": ("backfeed_and_tap", ("bus", "feeder-capacity", "breaker-suitability", "pass-through")),
    "tap of a feeder": ("backfeed_and_tap", ("tap-size", "tap-length")),
    "supply-side tap": (
        "backfeed_and_tap",
        ("supply-side-capacity", "supply-side-size", "supply-side-length", "supply-side-place", "disconnect-rating"),
    ),
    "meter-socket adapter": ("backfeed_and_tap", ("adapter-source", "adapter-load", "adapter-socket", "adapter-approval")),
    "controlled limit": (
        "ev_load_management",
        ("control-setting", "control-continuous", "control-fallback", "control-holds", "control-lost"),
    ),
    "backup": ("backup_duration", ()),
    "charger": ("ev_load_management", ()),
}
"""Kinds of connection that the workbooks answer for: the workbook, and the families of its checks (none named: all that count)."""
DRAWN_BY: Mapping[str, tuple[str, ...]] = {
    "backfed breaker": ("breaker-suitability",),
    "supply-side tap": ("supply-side-size", "supply-side-length", "supply-side-place"),
    "meter-socket adapter": ("adapter-source", "adapter-load", "adapter-socket", "adapter-approval"),
}
"""Families of which one must stand on the sheet for a home to have the connection at all."""


CAPACITIES = (*CAPACITY, "control-setting", "control-continuous", "pass-through", "backup-running")
"""Checks of a load, or of sources, against what carries them: the least of their margins is spare. A size that is chosen to fit is none."""
NOT_OF_CONNECTIONS = (ADOPTED, "independent-check")
"""Checks that say nothing of a connection: under a what-if the edition is never the adopted one."""


def family(key: str) -> str:
    """The check without its ids: `bus:main` is of the family `bus`."""
    return key.partition(":")[0]


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
    asking = (check for checks in counted.values() for check in checks if check["verdict"] == Verdict.NEEDS_INPUT)
    missing = dict.fromkeys(field for check in asking for field in check["fields"])
    otherwise = (check["verdict"] for checks in counted.values() for check in checks if check["key"] != ADOPTED)
    return blank(document["site_id"], document["case"], _state([one["verdict"] for one in workbooks.values()])) | {
        "state_otherwise": _state(otherwise),
        "edition": document["edition"],
        "edition_basis": document["edition_basis"],
        "workbooks": workbooks,
        "controlling": deciding,
        "missing": list(missing),
        "connections": dict(_connections(there)),
    }


def _of(counted: Mapping[str, list], decider: Mapping[str, object]) -> list[Mapping[str, object]]:
    return [check for check in counted[decider["workbook"]] if check["key"] == decider["check"]]


def _state(verdicts: Iterable[str]) -> str:
    """The worst of some verdicts; where nothing applies nothing is against it."""
    worst = min(verdicts, key=ORDER.index, default=ORDER[-1])
    return VERDICTS[-1] if worst == ORDER[-1] else worst


def rank(check: Mapping[str, object]) -> tuple[int, float]:
    """Rank by which a check decides, the least first: that of `sheet.controlling`."""
    place, margin, required = ORDER.index(check["verdict"]), check["margin"], check["required"]
    if margin is None or check["unit"] in CONDITIONS:
        return place, float("inf") if check["verdict"] in ORDER[-2:] else 0.0
    if check["verdict"] == ORDER[0] and holds(check["provided"], check["relation"], required):
        return place, 0.0
    return place, margin / max(abs(required), 1e-9)


def _decider(name: str, entry: Mapping[str, object]) -> dict[str, object]:
    found = next((check for check in entry["checks"] if check["key"] == entry["controlling"]), None)
    sides = dict.fromkeys(("provided", "relation", "required", "margin", "unit")) if found is None else found
    kept = {key: sides[key] for key in ("provided", "relation", "required", "margin", "unit")}
    room = None if kept["margin"] is None or kept["unit"] in CONDITIONS else kept["margin"] / max(abs(kept["required"]), 1e-9)
    return {"workbook": name, "verdict": entry["verdict"], "check": entry["controlling"], **kept, "room": room}


def _connections(workbooks: Mapping[str, Mapping[str, object]]) -> Iterable[tuple[str, dict[str, object]]]:
    for kind, (workbook, families) in CONNECTIONS.items():
        if workbook not in workbooks:
            continue
        entry = workbooks[workbook]
        checks = [check for check in entry["checks"] if check["counts"] and (not families or family(check["key"]) in families)]
        checks = [
            check for check in checks if check["verdict"] != Verdict.NOT_APPLICABLE and family(check["key"]) not in NOT_OF_CONNECTIONS
        ]
        marks = DRAWN_BY.get(kind, ())
        if not checks or (marks and not any(family(check["key"]) in marks for check in checks)):
            continue
        worst = min(checks, key=rank)
        tight = min((check for check in checks if _is_capacity(check)), key=lambda check: check["margin"], default=None)
        if tight is None or worst["verdict"] == Verdict.NEEDS_INPUT:
            tight = {"margin": None, "key": None}
        yield kind, {"verdict": worst["verdict"], "check": worst["key"], "spare_a": tight["margin"], "spare_check": tight["key"]}


def _is_capacity(check: Mapping[str, object]) -> bool:
    """Whether a check holds a load against what carries it, in amperes, so that its margin is what could be added."""
    return family(check["key"]) in CAPACITIES and check["unit"] == "A" and check["margin"] is not None
