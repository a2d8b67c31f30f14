"""Power of a store behind its inverters, and what it loses: what the engine of outages takes, each a step of its own."""

from __future__ import annotations

from collections.abc import Sequence

from workbook_lib.errors import MissingInput
from workbook_lib.sheet import Input, Quantity, Step

HOURS_OF_A_MONTH = 730.0
"""A twelfth of 8,760 h."""


def inverter_power(source, voltage: Input) -> Step:
    """AC power of all like inverters at the place's temperature while islanded.

    Parameters: source with output_power [W] or output_current [A], island.current [A], count, island.derate_fraction [-]; voltage [V].
    Returns: [W].
    Errors: MissingInput. Source: the maker's data sheet.
    """
    uses: dict[str, Quantity]
    if source.output_power is not None:
        uses, formula, value = {"power": source.output_power}, "power", source.output_power.value
    elif source.output_current is not None:
        uses, formula = {"current": source.output_current, "voltage": voltage}, "current * voltage"
        value = source.output_current.value * voltage.value
    else:
        raise MissingInput([f"source.{source.id}.output_power"])
    island = source.island.current if source.island is not None else None
    if island is not None:
        uses |= {"island": island, "voltage": voltage}
        formula, value = f"min({formula}, island * voltage)", min(value, island.value * voltage.value)
    if source.count.value != 1:
        uses["count"], formula, value = source.count, f"{formula} * count", value * source.count.value
    derate = source.island.derate_fraction if source.island is not None else None
    if derate is not None and derate.value != 1:
        uses["derate"], formula, value = derate, f"{formula} * derate", value * derate.value
    return Step(f"source.{source.id}.power", "P_inv", f"power of {source.id} in an outage", formula, uses, value, "W")


def charging_power(source, voltage: Input, output: Quantity) -> Quantity:
    """Power that all like inverters take from the island to charge: by their charging current, else their output power.

    Parameters: source with input_current [A], count [-]; voltage [V], output [W]. Returns: [W]. Source: the maker's data sheet.
    """
    if source.input_current is None:
        return output
    uses: dict[str, Quantity] = {"current": source.input_current, "voltage": voltage, "count": source.count}
    value = source.input_current.value * voltage.value * source.count.value
    return Step(f"source.{source.id}.charging", "P_in", f"charging power of {source.id}", "current * voltage * count", uses, value, "W")


def store_power(item, name: str, meaning: str) -> Step | None:
    """Power limit of all like stores at the place's temperature; None where the file gives none.

    Parameters: item with discharge_power or charge_power of one [W], count, power_fraction [-]. Returns: [W]. Source: the data sheet.
    """
    given = getattr(item, name)
    if given is None:
        return None
    uses: dict[str, Quantity] = {"power": given, "count": item.count}
    formula, value = "power * count", given.value * item.count.value
    if item.power_fraction is not None and item.power_fraction.value != 1:
        uses["warm"], formula, value = item.power_fraction, f"{formula} * warm", value * item.power_fraction.value
    return Step(f"storage.{item.id}.{name}", "P_st", f"{meaning} of {item.id}", formula, uses, value, "W")


def all_stores(item, given: Quantity) -> Quantity:
    """A figure of one store for all like ones, as it is for one. Parameters: of one [W], count [count]. Returns: [W]. Source: count."""
    if item.count.value == 1:
        return given
    uses = {"count": item.count, "each": given}
    meaning = f"{given.meaning}, all units of {item.id}"
    return Step(f"storage.{item.id}.all_standby", "P", meaning, "count * each", uses, item.count.value * given.value, "W", decimals=1)


def lesser(key: str, meaning: str, parts: Sequence[Quantity]) -> Quantity:
    """The least of some limits; a single one as it is. Parameters: [W]. Returns: [W]. Source: the lesser governs."""
    if len(parts) == 1:
        return parts[0]
    return Step(key, "P_lim", meaning, "min(limits)", {"limits": tuple(parts)}, min(one.value for one in parts), "W")


def added(key: str, meaning: str, parts: Sequence[Quantity]) -> Quantity:
    """Sum of what several stores do; a single one as it is. Parameters: [W, kWh]. Returns: [W, kWh]. Source: addition."""
    if len(parts) == 1:
        return parts[0]
    letter = "P_sum" if parts[0].unit == "W" else "E_sum"
    total = sum(one.value for one in parts)
    return Step(key, letter, meaning, "sum(parts)", {"parts": tuple(parts)}, total, parts[0].unit, decimals=2)


def shared_fraction(key: str, meaning: str, pairs: Sequence[tuple[Quantity, Quantity]]) -> Quantity:
    """A fraction of several stores, weighed by what they hold. Parameters: energy [kWh], fraction [-]. Returns: [-]. Source: weighing."""
    if len(pairs) == 1 or len({fraction.value for _, fraction in pairs}) == 1:
        return pairs[0][1]
    energies, fractions = (tuple(part) for part in zip(*pairs, strict=True))
    terms = {f"e{index}": one for index, one in enumerate(energies)} | {f"f{index}": one for index, one in enumerate(fractions)}
    over = " + ".join(f"e{index} * f{index}" for index in range(len(pairs)))
    under = " + ".join(f"e{index}" for index in range(len(pairs)))
    value = sum(energy.value * fraction.value for energy, fraction in pairs) / sum(energy.value for energy in energies)
    return Step(key, "w", meaning, f"({over}) / ({under})", terms, value, "frac", decimals=4)


def leak_per_hour(item) -> float:
    """Self-discharge in an hour. Parameters: self_discharge_per_month [-]. Returns: [-]. Source: the data sheet; a month of 730 h."""
    given = item.self_discharge_per_month
    return 0.0 if given is None else 1.0 - (1.0 - given.value) ** (1.0 / HOURS_OF_A_MONTH)
