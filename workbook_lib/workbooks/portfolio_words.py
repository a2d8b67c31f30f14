"""Words of the portfolio summary: tests by their family, in what amperes a margin is, counts with their nouns."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from workbook_lib.formula import GUARD

ADOPTED = "edition-adopted"
"""The check that a study under a what-if edition cannot pass."""
SIGNS = {"<=": "at most", ">=": "at least"}
"""A relation in words, as it stands before what is required."""
NAMED = 4
"""Studies that are named as examples in a cell [count]."""
TEST_WORDS: Mapping[str, str] = {
    "adapter-load": "load through the meter-socket adapter",
    "adapter-source": "sources through the meter-socket adapter",
    "backup-capacity": "backup source against its load",
    "backup-leg": "load of one leg of the backup",
    "backup-neutral": "neutral of the backup",
    "backup-running": "running load of the backup",
    "backup-target": "how long the backup lasts",
    "breaker-suitability": "breaker may be fed back",
    "bus": "bus with its sources",
    "conductor": "circuit conductor",
    "continuous-load": "continuous load at 125 %",
    "control-continuous": "continuous rating of the control",
    "control-fallback": "what runs when the control is lost",
    "control-holds": "time above the setting of the control",
    "control-setting": "setting of the control",
    "disconnect-rating": "rating of the disconnect",
    "dwelling-83": "conductors of the whole dwelling",
    ADOPTED: "edition is the adopted one",
    "evse-circuit": "circuit of the charger",
    "evse-disconnect": "disconnect of the charger",
    "feeder-capacity": "feeder with its sources",
    "field-verified": "verified in the field",
    "grounding": "grounding conductor or bonding jumper",
    "interrupting": "fault current at the equipment",
    "leg-capacity": "load of one leg",
    "local-evidence": "evidence that the jurisdiction asks for",
    "local-service-limit": "local limit of the service load",
    "measured-allowed": "the record may be used",
    "method-allowed": "the method may be used",
    "neutral": "neutral of the circuit",
    "overcurrent": "overcurrent device of the circuit",
    "panel-load": "load of the panel",
    "pass-through": "current passed through the equipment",
    "raceway": "fill of the raceway",
    "record-quality": "quality of the record",
    "service-capacity": "service with its load",
    "service-conductor": "service conductor",
    "service-disconnects": "number and grouping of the service disconnects",
    "service-main": "device rated above the service",
    "service-neutral": "service neutral",
    "single-bond": "one bond of the neutral",
    "storage-spacing": "spacing of the storage units",
    "storage-unit": "energy of a storage unit",
    "supply-side-capacity": "service conductors with their sources",
    "supply-side-size": "conductors of the supply-side connection",
    "tap-size": "conductors of the tap",
    "utility-export": "export that the utility takes without a study",
    "utility-motor-start": "motor that the utility lets start",
    "vehicle-need": "charge that the vehicle needs",
    "voltage": "voltage change of the circuit",
}
"""What a family of checks is about, in words; a family that is not here stands by its key alone."""
CAPACITY = (
    *("service-capacity", "service-peak", "panel-load", "leg-capacity", "continuous-load", "storage-charging", "local-service-limit"),
    *("bus", "bus-120", "bus-sum", "feeder-capacity", "supply-side-capacity", "adapter-source", "adapter-load"),
    *("backup-capacity", "backup-full-load", "backup-largest-load", "backup-leg", "backup-neutral", "backup-running"),
)
"""Families that set a load or a source against a capacity: their room is one of the home and none of a size that was chosen to fit."""
SIZES = (
    *("conductor", "service-conductor", "service-neutral", "overcurrent", "disconnect-rating", "neutral", "grounding", "raceway"),
    *("supply-side-size", "tap-size", "evse-circuit"),
)
"""Families whose one side is a standard size that was chosen to be enough: no room is how such a size is chosen."""
AMOUNTS_UNRANKED = ("d", "s", "cmil", "frac")
"""Units of amounts whose room is not ranked: days, seconds, areas, shares."""
AT_125, BREAKERS, DEMAND = "rating or continuous current at 125 %", "breaker ratings", "after demand factors"
PLAIN, SETTING, SEEN = "not multiplied", "setting of the control", "as metered or declared"
BASES: Mapping[str, str] = {
    "service-capacity": DEMAND,
    "service-peak": SEEN,
    "panel-load": DEMAND,
    "leg-capacity": DEMAND,
    "local-service-limit": DEMAND,
    "storage-charging": DEMAND,
    "continuous-load": AT_125,
    "feeder-capacity": AT_125,
    "supply-side-capacity": PLAIN,
    "adapter-source": PLAIN,
    "adapter-load": DEMAND,
    "control-setting": SETTING,
    "backup-capacity": DEMAND,
    "backup-full-load": DEMAND,
    "backup-largest-load": PLAIN,
    "backup-leg": DEMAND,
    "backup-neutral": DEMAND,
    "backup-running": PLAIN,
}
"""On what basis the amperes of a family stand; a bus stands on the rule that it relies on."""


def percent(part: float) -> float:
    """A proportion in hundredths [%]. Parameters: part [-]. Returns: [any]."""
    return 100.0 * part


def some(names: Iterable[str], most: int = NAMED) -> str:
    """The first of some names, at most so many [count], and how many more there are."""
    listed = list(names)
    more = f" and {len(listed) - most:,} more" if len(listed) > most else ""
    return ", ".join(listed[:most]) + more


def many(count: int, one: str, more: str = "") -> str:
    """A count with its noun in the right form. Parameters: count; noun of one; of several (with an s where not given)."""
    return f"{count:,} {one if count == 1 else more or one + 's'}"


def studies(count: int) -> str:
    """A number of studies in words. Parameters: count [count]."""
    return many(count, "study", "studies")


def words_of(workbook: str) -> str:
    """A workbook's name in words."""
    return workbook.replace("_", " ").replace("ev ", "EV ", 1) if workbook.startswith("ev_") else workbook.replace("_", " ")


def family(key: str) -> str:
    """The check without its ids: `bus:main` is of the family `bus`."""
    return key.partition(":")[0]


def named(check: str) -> str:
    """A check in words with its key, the key alone where there are no words for it."""
    words = TEST_WORDS.get(family(check))
    return f"{words} ({check})" if words else check


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
