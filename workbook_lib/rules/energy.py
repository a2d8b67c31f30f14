"""From the nameplate of a store to the energy that reaches the loads: each part a step of its own."""

from __future__ import annotations

from math import sqrt

from workbook_lib.errors import MissingInput
from workbook_lib.sheet import Input, Quantity, Step


def stored_energy(item) -> Step:
    """Energy that one kind of store holds at its age and temperature, of all units.

    Parameters: energy of one [kWh], count, usable, health and temperature fractions [-]. Returns: [kWh]. Errors: MissingInput.
    Source: the maker's data sheet; common practice for what is left with age and cold.
    """
    if item.energy is None:
        raise MissingInput([f"storage.{item.id}.energy"])
    uses: dict[str, Quantity] = {"energy": item.energy}
    formula, value = "energy", item.energy.value
    for name in ("count", "usable_fraction", "health_fraction", "temperature_fraction"):
        given = getattr(item, name)
        if given is not None and given.value != 1:
            uses[name], formula, value = given, f"{formula} * {name}", value * given.value
    return Step(f"storage.{item.id}.stored", "E_st", f"energy that {item.id} holds, as it is now", formula, uses, value, "kWh", decimals=2)


def one_way(item) -> Quantity:
    """Efficiency of discharging: as given, else the root of the round trip, an assumption about how it is split.

    Parameters: discharge_efficiency or roundtrip_efficiency [-]. Returns: [-]. Errors: MissingInput. Source: the data sheet.
    """
    if item.discharge_efficiency is not None:
        return item.discharge_efficiency
    if item.roundtrip_efficiency is None:
        raise MissingInput([f"storage.{item.id}.roundtrip_efficiency"])
    return Step(
        f"storage.{item.id}.one_way",
        "eta_d",
        f"discharge efficiency of {item.id}",
        "sqrt(roundtrip)",
        {"roundtrip": item.roundtrip_efficiency},
        sqrt(item.roundtrip_efficiency.value),
        "frac",
        note="the round trip split evenly between charging and discharging, an assumption",
        decimals=4,
    )


def charging_efficiency(item) -> float:
    """Efficiency of charging. Parameters: as for `one_way` [-]. Returns: [-]. Source: round trip over discharging; else the same as it."""
    down = one_way(item).value
    return min(1.0, item.roundtrip_efficiency.value / down) if item.roundtrip_efficiency is not None else down


def usable_energy(item, stored: Step, efficiency: Quantity) -> Step:
    """Energy that reaches the loads from full down to where it stops. Parameters: [kWh], [-]. Returns: [kWh]. Source: energy balance."""
    cutoff = item.cutoff_fraction
    uses: dict[str, Quantity] = {"stored": stored, "efficiency": efficiency}
    formula, value = "stored * efficiency", stored.value * efficiency.value
    if cutoff is not None and cutoff.value:
        uses["cutoff"], formula, value = cutoff, "stored * (1 - cutoff) * efficiency", value * (1.0 - cutoff.value)
    return Step(f"storage.{item.id}.usable", "E_use", f"usable energy of {item.id} at the loads", formula, uses, value, "kWh", decimals=2)


def hours_at(energy: Quantity, load: Input) -> Step:
    """Time that an energy lasts at a constant load. Parameters: [kWh], [kW]. Returns: [h]. Source: division."""
    return Step(
        "backup.hours_at_average",
        "t",
        "time at the average load, without sun or standby loss",
        "energy / load",
        {"energy": energy, "load": load},
        energy.value / load.value,
        "h",
        decimals=1,
    )
