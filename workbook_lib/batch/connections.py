"""What the connections of a home come to by its results.json: which checks count against which, and what each has to spare.

A connection is judged by the checks that decide it and by those of the equipment that makes it. Which equipment is whose is read from
the keys of the checks (`conductor:pv-off` is of `pv-off`); where they do not say it, a check counts against every connection that it may
belong to.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from workbook_lib.batch.ranks import rank
from workbook_lib.sheet import Verdict
from workbook_lib.workbooks.portfolio_words import ADOPTED, AT_125, BASES, BREAKERS, CAPACITY, SETTING, family

SERVICE, BACKFED, TAP, SUPPLY = "service", "backfed breaker", "tap of a feeder", "supply-side tap"
ADAPTER, LIMIT, BACKUP, CHARGER = "meter-socket adapter", "controlled limit", "backup", "charger"
SOURCES = (BACKFED, TAP, SUPPLY, ADAPTER)
"""Connections of sources."""
TIES, EV = "backfeed_and_tap", "ev_load_management"


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of connection.

    `workbook`: the one that answers for it; `families`: of its checks those that decide it (none named: all that count); `marks`:
    families of which one must apply for a home to have the connection (none named: any of `families`); `spare`: families whose margin is
    what it has to spare, by turns: one that follows is taken where none before it is tested.
    """

    workbook: str
    families: tuple[str, ...] = ()
    marks: tuple[str, ...] = ()
    spare: tuple[tuple[str, ...], ...] = ()


CONTROLS = ("control-setting", "control-continuous", "control-fallback", "control-holds", "control-lost", "control-malfunction")
ADAPTERS = ("adapter-connection", "adapter-source", "adapter-load", "adapter-socket", "adapter-approval", "adapter-switch")
SUPPLIES = ("supply-side-capacity", "supply-side-size", "supply-side-length", "supply-side-place")
LOADS = ("service-capacity", "local-service-limit", "leg-capacity", "continuous-load", "storage-charging")
STANDBY = ("backup-capacity", "backup-leg", "backup-neutral", "backup-running", "backup-full-load", "backup-largest-load")
KINDS: Mapping[str, Kind] = {
    SERVICE: Kind("service_load", spare=(LOADS, ("panel-load",))),
    BACKFED: Kind(TIES, ("bus", "feeder-capacity", "breaker-suitability", "pass-through"), ("breaker-suitability",), (("bus",),)),
    TAP: Kind(TIES, ("tap-size", "tap-length", "bus", "feeder-capacity", "pass-through"), ("tap-size", "tap-length")),
    SUPPLY: Kind(TIES, SUPPLIES, SUPPLIES[1:], (("supply-side-capacity",),)),
    ADAPTER: Kind(TIES, (*ADAPTERS, "supply-side-capacity"), ADAPTERS, (("adapter-source",),)),
    LIMIT: Kind(EV, CONTROLS, (), (("control-setting",),)),
    BACKUP: Kind("backup_duration", spare=(STANDBY,)),
    CHARGER: Kind(EV, spare=(("service-capacity", "service-peak"),)),
}
"""Kinds of connection that the workbooks answer for."""

NOT_OF_CONNECTIONS = (ADOPTED, "independent-check")
"""Checks that say nothing of a connection: under a what-if the edition is never the adopted one."""
WHOLE = (SERVICE, *SOURCES)
BY_SUBJECT = ("conductor", "overcurrent", "neutral", "grounding", "voltage", "interrupting", "disconnect-rating")
"""Families of equipment: whose it is, the subject of the check says."""
ELSEWHERE: Mapping[str, tuple[tuple[str, ...], str]] = {
    "service-conductor": (WHOLE, "all that the home takes and gives passes through it"),
    "service-disconnects": (WHOLE, "a disconnect of a source at the service is one of them"),
    "single-bond": (WHOLE, "it is asked of the service and of what is connected beside it"),
    "emergency-disconnect": ((SERVICE,), "new service equipment brings it with it"),
    "utility-motor-start": ((SERVICE,), "a motor starts on the service"),
    "utility-voltage-dip": ((SERVICE,), "a motor starts on the service"),
    "utility-source-power": (SOURCES, "it is of all sources together"),
    "utility-export": (SOURCES, "it is of all sources together"),
    "source-current": (SOURCES, "every test of a source rests on it"),
    "field-verified": (SOURCES, "what the ratings of buses and breakers rest on"),
    "control-limit": ((LIMIT, CHARGER, *SOURCES), "a control may hold loads and sources"),
    "control-sees": ((LIMIT, CHARGER, *SOURCES), "a control may hold loads and sources"),
    "raceway": ((CHARGER, *SOURCES), "a raceway has a name of its own, which does not say whose conductors are in it"),
}
"""Families of `backfeed_and_tap` that stand against connections beside those of `KINDS`, with the reason."""
EVIDENCE: Mapping[str, tuple[str, ...]] = {
    "adapter": (ADAPTER,),
    "supply_side": (SUPPLY,),
    "source": SOURCES,
    "storage": SOURCES,
    "control": (LIMIT, *SOURCES),
    "service_change": WHOLE,
    "fault_current": WHOLE,
}
"""Kinds of document that `local-evidence:KIND:ID` asks for, and the connections that wait for it."""
ANY = (SERVICE, CHARGER, *SOURCES)
"""Whose equipment may be of which the keys say nothing: feeders, panels, the meter."""
OF_CHARGERS = ("evse-circuit", "evse-setting", "evse-own-circuit", "evse-receptacle", "evse-disconnect", "evse-starts")
"""Families whose subjects are chargers."""
DRAWN_AT: Mapping[str, tuple[str, ...]] = {
    SUPPLY: SUPPLIES[1:],
    TAP: ("tap-size", "tap-length"),
}
"""Families whose subject is the disconnect of one kind of connection alone."""

Check = Mapping[str, object]
Books = Mapping[str, Mapping[str, object]]


def connections(workbooks: Books) -> Iterator[tuple[str, dict[str, object]]]:
    """The connections that a home has, each with its verdict, the check that decides and what it has to spare.

    Parameters: `workbooks` of a results.json. Returns: pairs of kind and connection (`rows`).
    """
    applying = {name: [check for check in entry["checks"] if _says(check)] for name, entry in workbooks.items()}
    had = [kind for kind, one in KINDS.items() if _has(one, applying.get(one.workbook, ()))]
    against = _against(applying, had, workbooks)
    for kind in had:
        worst = min(against[kind], key=rank)
        tight = _spare(KINDS[kind], against[kind], worst["verdict"])
        spare = {"spare_a": None, "spare_check": None, "spare_basis": None}
        if tight is not None:
            spare = {"spare_a": tight["margin"], "spare_check": tight["key"], "spare_basis": _basis(tight, workbooks)}
        yield kind, {"verdict": worst["verdict"], "check": worst["key"], **spare}


def _says(check: Check) -> bool:
    return check["counts"] and check["verdict"] != Verdict.NOT_APPLICABLE and family(check["key"]) not in NOT_OF_CONNECTIONS


def _has(kind: Kind, checks: Iterable[Check]) -> bool:
    """Whether a home has a connection of this kind."""
    marks = kind.marks or kind.families
    return any(not marks or family(check["key"]) in marks for check in checks)


def _against(applying: Mapping[str, list[Check]], had: list[str], workbooks: Books) -> dict[str, list[Check]]:
    """The checks that count against each connection that a home has."""
    subjects = _Subjects(applying, workbooks)
    found: dict[str, list[Check]] = {kind: [] for kind in had}
    for workbook, checks in applying.items():
        for check in checks:
            name = family(check["key"])
            owners = {kind for kind in had if KINDS[kind].workbook == workbook and name in (KINDS[kind].families or (name,))}
            if workbook == TIES:
                owners |= {kind for kind in subjects.owners(check["key"]) if kind in found} or ({SERVICE} & found.keys() - owners)
            for kind in owners:
                found[kind].append(check)
    return found


class _Subjects:
    """What the subjects of the checks of a home are: chargers, islanding devices, sources, disconnects of one kind of connection."""

    def __init__(self, applying: Mapping[str, list[Check]], workbooks: Books):
        ties = workbooks.get(TIES, {"checks": (), "results": {}})
        every = [check["key"] for entry in workbooks.values() for check in entry["checks"]]
        self.chargers = {_subject(key) for key in every if family(key) in OF_CHARGERS}
        self.islands = {_subject(key) for key in every if family(key) == "islanding-device"}
        self.drawn = {kind: {_subject(key) for key in every if family(key) in marks} for kind, marks in DRAWN_AT.items()}
        named = {_subject(key) for key in ties["results"] if family(key) == "source_current_a"}
        named |= {_subject(check["key"]) for check in applying.get(TIES, ()) if family(check["key"]) in ("overcurrent", "voltage")}
        self.sources = named | {_subject(check["key"]) for check in applying.get(TIES, ()) if family(check["key"]) == "source-current"}

    def owners(self, key: str) -> tuple[str, ...]:
        """Connections that a check of `backfeed_and_tap` stands against, whether the home has them or not."""
        name, subject = family(key), _subject(key)
        if subject in self.chargers:
            return (CHARGER,)
        if name == "local-evidence":
            return EVIDENCE.get(subject.partition(":")[0], ANY)
        if name in ELSEWHERE:
            return ELSEWHERE[name][0]
        deciding = tuple(kind for kind, one in KINDS.items() if one.workbook == TIES and name in one.families)
        if deciding:
            return deciding
        alone = tuple(kind for kind, subjects in self.drawn.items() if subject in subjects)
        if alone or subject == "adapter":
            return alone or (ADAPTER,)
        if subject in self.islands:
            return (BACKUP, *SOURCES)
        return SOURCES if subject in self.sources else ANY


def _subject(key: str) -> str:
    return key.partition(":")[2]


def _spare(kind: Kind, checks: Iterable[Check], verdict: str) -> Check | None:
    """The check whose margin is what a connection has to spare or is short of; none where input is needed or another check fails."""
    loads = [check for check in checks if is_capacity(check) and check["margin"] is not None]
    if verdict == Verdict.NEEDS_INPUT:
        return None
    if verdict == Verdict.FAIL:
        loads = [check for check in loads if check["verdict"] == Verdict.FAIL and check["margin"] < 0.0]
        return min(loads, key=lambda check: check["margin"], default=None)
    for families in kind.spare:
        held = [check for check in checks if family(check["key"]) in families and check["unit"] == "A" and check["margin"] is not None]
        if held:
            return min(held, key=lambda check: check["margin"])
    return None


def is_capacity(check: Check) -> bool:
    """Whether a check holds a load or sources against what carries them, in amperes; a size that is chosen to fit is none."""
    return family(check["key"]) in CAPACITY and check["unit"] == "A"


def _basis(check: Check, workbooks: Books) -> str:
    """In what amperes a margin is, in words: a bus by the rule that it relies on, the others by their family."""
    name, subject = family(check["key"]), _subject(check["key"])
    if name != "bus":
        return BASES[name]
    ties = workbooks[TIES]
    rule = ties["results"].get(f"bus_rule:{subject}", {}).get("value")
    if rule is None:
        return BREAKERS
    tried = next((one for one in ties["checks"] if one["key"] == f"bus-{rule}:{subject}"), None)
    if tried is not None and tried["required"] != check["required"]:
        return SETTING
    return BREAKERS if rule == "breakers" else AT_125
