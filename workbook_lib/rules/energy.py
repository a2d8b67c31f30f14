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
    for name, given in factors(item):
        if given.value != 1:
            uses[name], formula, value = given, f"{formula} * {name}", value * given.value
    return Step(f"storage.{item.id}.stored", "E_st", f"energy that {item.id} holds, as it is now", formula, uses, value, "kWh", decimals=2)


def factors(item) -> list[tuple[str, Quantity]]:
    """What the nameplate is multiplied by, in order: units, usable part, age, temperature, each where it is given, with its name.

    Parameters: count [count], usable, health and temperature fractions [-]. Returns: pairs [-]. Source: the maker's data sheet.
    """
    found = [(name, getattr(item, name)) for name in ("count", "usable_fraction")]
    found += [("health_fraction", health(item)), ("temperature_fraction", item.temperature_fraction)]
    return [(name, given) for name, given in found if given is not None]


def health(item) -> Quantity | None:
    """Capacity left at the age studied: as given, else from its fade by years and by cycles; None where nothing is given.

    Parameters: health_fraction, or fade_per_year with years and fade_per_cycle with cycles [-]. Returns: [-].
    Errors: MissingInput where one of a pair lacks, or nothing is left. Source: the maker's data sheet; fades added, common practice.
    """
    if item.health_fraction is not None:
        return item.health_fraction
    pairs = (("years", "fade_per_year"), ("cycles", "fade_per_cycle"))
    lacking = [
        f"storage.{item.id}.{one if getattr(item, one) is None else other}"
        for one, other in pairs
        if (getattr(item, one) is None) != (getattr(item, other) is None)
    ]
    if lacking:
        raise MissingInput(lacking)
    parts = [(one, other) for one, other in pairs if getattr(item, one) is not None]
    if not parts:
        return None
    uses: dict[str, Quantity] = {name: getattr(item, name) for pair in parts for name in pair}
    value = 1.0 - sum(getattr(item, one).value * getattr(item, other).value for one, other in parts)
    if value <= 0:
        raise MissingInput([f"storage.{item.id}.health_fraction"], f"by its fade nothing of {item.id} is left at this age")
    formula = " - ".join(["1", *(f"{one} * {other}" for one, other in parts)])
    return Step(
        f"storage.{item.id}.health", "h", f"capacity of {item.id} left at the age studied", formula, uses, value, "frac", decimals=3
    )


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
        "η_d",
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


def hours_at(energy: Quantity, load: Input, standby: Quantity | None = None, efficiency: Quantity | None = None) -> Step:
    """Time that an energy lasts at a constant load, with what the store draws for itself.

    Parameters: energy at the loads [kWh], load [kW], standby of all units [W], efficiency of discharging [-]. Returns: [h].
    Source: division; the standby loss is drawn from the store and never passes its way out.
    """
    uses: dict[str, Quantity] = {"energy": energy, "load": load}
    formula, power = "energy / load", load.value
    if standby is not None and efficiency is not None and standby.value:
        uses |= {"standby": standby, "efficiency": efficiency}
        formula, power = "energy / (load + standby / 1000 * efficiency)", power + standby.value / 1000.0 * efficiency.value
    return Step(
        "backup.hours_at_average",
        "t",
        "time at the average load from a full store, without sun",
        formula,
        uses,
        energy.value / power,
        "h",
        decimals=1,
    )


def from_charge(hours: Quantity, charge: Quantity, stop: Quantity | None) -> Step:
    """Time that is left of it from a lower charge.

    Parameters: time from full [h], charge, stop of what it holds [-]. Returns: [h]. Source: ratio of what is above the stop.
    """
    uses: dict[str, Quantity] = {"full": hours, "charge": charge}
    formula, value = "full * charge", hours.value * charge.value
    if stop is not None and stop.value:
        uses["stop"] = stop
        formula, value = "full * max(0, charge - stop) / (1 - stop)", hours.value * max(0.0, charge.value - stop.value) / (1.0 - stop.value)
    return Step(
        "backup.hours_from_least", "t", "the same from the least charge that a start may have", formula, uses, value, "h", decimals=1
    )
