"""Current on each leg and on the neutral, from the answer of the standard method."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from workbook_lib.editions import Edition
from workbook_lib.rules import neutral, standard_method
from workbook_lib.rules.loads import LoadItem
from workbook_lib.sheet import Quantity, Step
from workbook_lib.workbooks.methods import MethodResult
from workbook_lib.workbooks.prepare import LEG_VOLTAGE_LIMIT, nominal_voltage


@dataclass(frozen=True, slots=True)
class LegAnswer:
    """Legs and neutral: current on each leg [A], neutral load [VA] and current [A].

    `unplaced` are 120 V loads whose leg is not known; they are spread evenly, and `worst_a` is the
    current [A] of the worse leg if all of them were on it.
    """

    currents: dict[str, Step]
    worst: Step
    unplaced: tuple[str, ...]
    neutral_va: Step
    neutral_a: Step
    steps: tuple[Step, ...]


def demand_of(item: LoadItem, result: MethodResult, edition: Edition) -> Quantity | None:
    """What one load brings to the standard method after the factor of its class [VA]; None if its season is left out."""
    if item.group == "fastened" and "frac" in result.demand["fastened"].uses:
        if any(used is item.va for used in result.demand["fastened"].uses["appliance"]):
            frac = result.demand["fastened"].uses["frac"]
            return Step(
                f"leg.{item.id}.demand",
                "D",
                f"{item.label} after its class's factor",
                "frac * load",
                {"frac": frac, "load": item.va},
                frac.value * item.va.value,
                "VA",
                edition.cite("fastened_75"),
            )
        return item.va
    if item.group == "hvac":
        side = result.hvac.uses.get(result.season) if result.hvac is not None else None
        if side is None or not any(used is item.va for used in side.uses["load"]):
            return None
    return item.va


def leg_answer(items: Sequence[LoadItem], result: MethodResult, edition: Edition) -> LegAnswer:
    """Legs and neutral of the standard method's answer.

    Parameters: items [VA] that the method took, its result. Returns: LegAnswer [A, VA]. Source: Annex
    D1(b) for the layout, 220.61 (2026: 120.61) for the neutral.
    """
    one_leg = [item for item in items if item.voltage_v <= LEG_VOLTAGE_LIMIT]
    demands = {item.id: demand_of(item, result, edition) for item in one_leg}
    placed = [item for item in one_leg if item.leg and demands[item.id] is not None]
    unplaced = [item for item in one_leg if not item.leg and demands[item.id] is not None]
    amperes = {item.id: _amperes(item, demands[item.id], edition) for item in placed}
    across = _across_at_other_voltage(items, result, edition)
    even = _even(result, [*(demands[item.id] for item in placed), *(step.uses["demand"] for step in across)], edition)
    currents: dict[str, Step] = {}
    for leg in ("A", "B"):
        on_leg = [*(amperes[item.id] for item in placed if item.leg == leg), *across]
        currents[leg] = neutral.leg_current(leg, even, nominal_voltage(edition), on_leg, _motor_part(leg, items, result, edition), None)
    worst = _worst(currents, [demands[item.id] for item in unplaced], edition)
    neutral_va, neutral_a, steps = _neutral(items, result, placed, demands, amperes, edition)
    ordered = (*amperes.values(), *across, even, *currents.values(), *((worst,) if worst not in currents.values() else ()), *steps)
    return LegAnswer(currents, worst, tuple(item.label for item in unplaced), neutral_va, neutral_a, ordered)


def _across_at_other_voltage(items: Sequence[LoadItem], result: MethodResult, edition: Edition) -> list[Step]:
    """Current [A] on both legs of loads between them whose stated voltage is not the nominal one (230 V nameplates)."""
    nominal = nominal_voltage(edition).value
    found = []
    for item in items:
        if item.voltage_v > LEG_VOLTAGE_LIMIT and item.voltage_v != nominal and item.group not in ("cooking", "dryer"):
            demand = demand_of(item, result, edition)
            if demand is not None:
                found.append(_amperes(replace(item, leg="A and B"), demand, edition))
    return found


def _amperes(item: LoadItem, demand: Quantity, edition: Edition, *, key: str = "") -> Step:
    voltage = item.voltage or nominal_voltage(edition)
    return Step(
        key or f"leg.{item.id}.current",
        "I",
        f"{item.label} on leg {item.leg}",
        "demand / voltage",
        {"demand": demand, "voltage": voltage},
        demand.value / voltage.value,
        "A",
        decimals=1,
    )


def _even(result: MethodResult, placed: Sequence[Quantity], edition: Edition) -> Step:
    """Load between the legs or spread over both: all but what stands on a known leg and the motor part."""
    uses: dict[str, Quantity | tuple[Quantity, ...]] = {"total": result.total}
    formula, value = "total", result.total.value
    part = _largest_part(result)
    if part is not None:
        uses["largest_part"] = part
        formula += " - largest_part"
        value -= part.value
    if placed:
        uses["on_legs"] = tuple(placed)
        formula += " - sum(on_legs)"
        value -= sum(item.value for item in placed)
    return Step(
        "leg.even",
        "S_even",
        "load between the legs or spread evenly over them",
        formula,
        uses,
        value,
        "VA",
        edition.cite("standard"),
        note="lighting, small-appliance and laundry circuits and loads of unknown leg are spread evenly: an assumption",
    )


def _largest_part(result: MethodResult) -> Step | None:
    motor = result.demand.get("motor")
    return motor.uses.get("largest_part") if motor is not None else None


def _motor_part(leg: str, items: Sequence[LoadItem], result: MethodResult, edition: Edition) -> Step | None:
    """25 % of the largest motor current on this leg [A]: motors between the legs and those on it."""
    candidates = [
        (item, motor)
        for item, motor in standard_method.counted_motors(items, result.season, edition)
        if item.voltage_v > LEG_VOLTAGE_LIMIT or item.leg in (leg, "")
    ]
    if not candidates:
        return None
    item, motor = max(candidates, key=lambda pair: pair[1].value / pair[0].voltage_v)
    largest = _amperes(replace(item, leg=item.leg or "A and B"), motor, edition, key=f"leg.{leg}.largest")
    frac = edition.value("motor_largest_frac")
    return Step(
        f"leg.{leg}.motor",
        "I_25",
        f"25 % of the largest motor current on leg {leg}",
        "frac * largest",
        {"frac": frac, "largest": largest},
        frac.value * largest.value,
        "A",
        edition.cite("motors"),
        decimals=1,
    )


def _worst(currents: dict[str, Step], unplaced: Sequence[Quantity], edition: Edition) -> Step:
    heavier = max(currents.values(), key=lambda step: step.value)
    if not unplaced:
        return heavier
    voltage = nominal_voltage(edition)
    return Step(
        "leg.worst",
        "I_worst",
        "heavier leg if every load of unknown leg were on it",
        "heavier + sum(unplaced) / voltage",
        {"heavier": heavier, "unplaced": tuple(unplaced), "voltage": voltage},
        heavier.value + sum(item.value for item in unplaced) / voltage.value,
        "A",
        note="a 120 V load on one leg brings twice what it brings when spread over both",
        decimals=1,
    )


def _neutral(items, result: MethodResult, placed, demands, amperes, edition: Edition) -> tuple[Step, Step, list[Step]]:
    parts: dict[str, Quantity | tuple[Quantity, ...]] = {}
    steps: list[Step] = []
    if "lighting" in result.demand:
        parts["lighting"] = result.demand["lighting"]
    for group, meaning in (("cooking", "neutral part of cooking"), ("dryer", "neutral part of dryers")):
        if group in result.demand and any(item.neutral for item in items if item.group == group):
            parts[group] = neutral.neutral_cooking_dryer(f"neutral.{group}", meaning, result.demand[group], edition)
            steps.append(parts[group])
    placed_ids = {item.id for item in placed}
    loose = tuple(
        demand
        for item in items
        if item.neutral and item.group not in ("cooking", "dryer") and item.id not in placed_ids
        for demand in [demands.get(item.id, item.va) if item.voltage_v <= LEG_VOLTAGE_LIMIT else demand_of(item, result, edition)]
        if demand is not None
    )
    if loose:
        parts["loads_120"] = loose
    even = neutral.neutral_load(parts, edition) if parts else None
    voltage = nominal_voltage(edition)
    if even is None:
        even = neutral.neutral_load({"total_120": ()}, edition)
    paired = motor = None
    if placed:
        by_leg = {leg: [amperes[item.id] for item in placed if item.leg == leg and item.neutral] for leg in ("A", "B")}
        if by_leg["A"] or by_leg["B"]:
            paired = neutral.pair_legs(by_leg["A"], by_leg["B"], edition)
            motor = _neutral_motor(placed, edition)
    current = neutral.neutral_current(even, voltage, paired, motor, edition)
    final = neutral.neutral_above_200(current, edition)
    equivalent = Step(
        "neutral.va",
        "N",
        "neutral load at the voltage between the legs",
        "current * voltage",
        {"current": final, "voltage": voltage},
        final.value * voltage.value,
        "VA",
        edition.cite("neutral"),
    )
    steps += [step for step in (even, paired, motor, current, final, equivalent) if step is not None]
    return equivalent, final, steps


def _neutral_motor(placed: Sequence[LoadItem], edition: Edition) -> Step | None:
    """25 % of the largest motor current on the neutral [A], of the motor's own rating; None if there is no motor."""
    motors = [
        (item, motor)
        for item in placed
        if item.neutral and (item.motors or item.kind in standard_method.MOTOR_KINDS)
        for motor in (item.motors or (item.unit_va,))
    ]
    if not motors:
        return None
    item, motor = max(motors, key=lambda pair: pair[1].value / pair[0].voltage_v)
    largest, frac = _amperes(item, motor, edition, key="neutral.largest"), edition.value("motor_largest_frac")
    return Step(
        "neutral.motor",
        "I_25N",
        "25 % of the largest motor current on the neutral",
        "frac * largest",
        {"frac": frac, "largest": largest},
        frac.value * largest.value,
        "A",
        edition.cite("motors"),
        decimals=1,
    )
