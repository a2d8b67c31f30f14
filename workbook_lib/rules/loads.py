"""Connected load of each thing on the service, before any demand factor.

A `LoadItem` is one row of the site file made ready for a load calculation: its class, its connected
volt-amperes as a Step or Input, and what the methods ask of it (motors, leg, neutral, season).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from workbook_lib.editions import Edition
from workbook_lib.errors import MissingInput
from workbook_lib.sheet import Input, Quantity, Step

GROUPS = ("lighting", "cooking", "dryer", "fastened", "motor", "hvac", "evse", "storage", "other")
"""Classes of load as results.json names them."""

GROUP_OF_KIND = {
    "range": "cooking",
    "cooktop": "cooking",
    "oven": "cooking",
    "dryer": "dryer",
    "water-heater": "fastened",
    "dishwasher": "fastened",
    "disposer": "fastened",
    "microwave": "fastened",
    "spa": "fastened",
    "fastened": "fastened",
    "well-pump": "motor",
    "pool-pump": "motor",
    "motor": "motor",
    "air-conditioner": "hvac",
    "room-air-conditioner": "hvac",
    "heat-pump": "hvac",
    "supplemental-heat": "hvac",
    "electric-heat": "hvac",
    "thermal-storage": "hvac",
    "hvac-fan": "hvac",
    "evse": "evse",
    "storage": "storage",
    "calculated": "other",
}
"""Class of each kind of load. `plug` has none: it is never part of a code load."""

MOTOR_KINDS = frozenset({"disposer", "well-pump", "pool-pump", "motor", "air-conditioner", "room-air-conditioner", "heat-pump", "hvac-fan"})
"""Kinds whose whole nameplate is taken as one motor where no motors are listed."""

MOTOR_TABLE_COLUMNS = {"v115": (110.0, 127.0), "v208": (200.0, 209.0), "v230": (210.0, 250.0)}
"""Columns of the full-load current table and the stated voltages [V] that each serves."""


@dataclass(frozen=True, slots=True)
class LoadItem:
    """One load ready for a calculation.

    `va` is the connected load [VA] of all `count` units; `unit_va` that of one; `motors` the [VA] of
    each motor in one unit; `voltage_v` [V] and `voltage`, the input it comes from where stated;
    `season` heating, cooling, both or empty; `exclusive` the name of a group of which only the largest
    member counts; `label` the words for the sheet.
    """

    id: str
    kind: str
    label: str
    va: Quantity
    unit_va: Quantity
    count: int = 1
    status: str = "existing"
    panel: str = ""
    circuit: str = ""
    voltage_v: float = 240.0
    voltage: Input | None = None
    leg: str = ""
    neutral: bool = False
    continuous: bool = False
    season: str = ""
    exclusive: str = ""
    motors: tuple[Quantity, ...] = ()
    floor_exempt: bool = False

    @property
    def group(self) -> str:
        """Class of the load, one of `GROUPS`."""
        return GROUP_OF_KIND[self.kind]


def load_current_va(key: str, label: str, currents: Sequence[Quantity], voltage: Input, by: tuple[Input, ...] = ()) -> Step:
    """Volt-amperes of a load given by its currents.

    Parameters: currents [A] of each motor or of the whole, voltage [V], by what a table was entered with
    for the current. Returns: [VA]. Source: the definition of apparent power; nameplate voltage as stated.
    """
    return Step(
        key,
        "S",
        f"{label}: current times voltage",
        "sum(current) * voltage",
        {"current": tuple(currents), "voltage": voltage},
        sum(current.value for current in currents) * voltage.value,
        "VA",
        by=by,
    )


def motor_current(power: Input, voltage: Input, edition: Edition) -> Input:
    """Full-load current of a single-phase motor from its horsepower, by the edition's table.

    Parameters: power [hp], voltage [V]. Returns: [A]. Errors: CalculationFault if the table has no
    such horsepower; MissingInput if the voltage has no column. Source: Table 430.248.
    """
    for column, (low, high) in MOTOR_TABLE_COLUMNS.items():
        if low <= voltage.value <= high:
            return edition.lookup("motor_current", power.value, column)
    raise MissingInput([voltage.key], f"{voltage.value:g} V has no column in the motor table; state the current instead")


def largest_of_group(name: str, members: Sequence[LoadItem], edition: Edition) -> LoadItem:
    """The member of a one-at-a-time group that counts: the largest, the others are left out.

    Parameters: members with connected load [VA]. Returns: the largest, its load [VA] traced to all.
    Source: 220.60 (2026: 120.60), noncoincident loads.
    """
    chosen = max(members, key=lambda member: member.va.value)
    step = Step(
        f"noncoincident.{name}",
        "S",
        f"only one at a time of {', '.join(member.label for member in members)}",
        "max(" + ", ".join(f"member_{index}" for index in range(len(members))) + ")",
        {f"member_{index}": member.va for index, member in enumerate(members)},
        chosen.va.value,
        "VA",
        edition.cite("noncoincident"),
        note=f"{chosen.label} is the largest",
    )
    return replace(chosen, va=step, label=f"{chosen.label} (largest of {name})")


def settle_exclusive(items: Iterable[LoadItem], edition: Edition) -> tuple[LoadItem, ...]:
    """Items with each one-at-a-time group of non-HVAC loads cut down to its largest member.

    Groups of heating and cooling are left whole: their methods treat interlocked equipment
    themselves. Parameters: items with loads [VA]. Returns: items [VA]. Source: 220.60.
    """
    kept: list[LoadItem] = []
    groups: dict[str, list[LoadItem]] = {}
    for item in items:
        if item.exclusive and item.group != "hvac":
            groups.setdefault(item.exclusive, []).append(item)
        else:
            kept.append(item)
    for name, members in groups.items():
        kept.append(members[0] if len(members) == 1 else largest_of_group(name, members, edition))
    return tuple(kept)


def total_va(key: str, symbol: str, meaning: str, items: Sequence[LoadItem], *, source=None, note: str = "") -> Step:
    """Sum of connected loads. Parameters: items [VA]. Returns: [VA]. Source: arithmetic."""
    value = sum(item.va.value for item in items)
    return Step(key, symbol, meaning, "sum(load)", {"load": tuple(item.va for item in items)}, value, "VA", source, note)


def of_group(items: Iterable[LoadItem], *groups: str) -> tuple[LoadItem, ...]:
    """Items of the named classes, in order. Parameters: items [VA]. Returns: items [VA]. Source: GROUP_OF_KIND."""
    return tuple(item for item in items if item.group in groups)


def of_kind(items: Iterable[LoadItem], *kinds: str) -> tuple[LoadItem, ...]:
    """Items of the named kinds, in order. Parameters: items [VA]. Returns: items [VA]. Source: the site file's kinds."""
    return tuple(item for item in items if item.kind in kinds)
