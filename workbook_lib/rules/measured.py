"""Measured load: maximum demand of a record, its readings, and the load with what is added.

A record of quarter hours gives the highest quarter-hour average itself. A slower one leaves open how
its energy fell inside an interval: the lowest it can be is the average (`raw`), the highest that all of
it fell in one quarter of an hour (`in-quarter`). Two adjacent intervals bound what a window that slides
across their border can hold. Source: 220.87 (2026: 120.87); the bounds are arithmetic.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from workbook_lib.editions import Edition
from workbook_lib.rules.loads import LoadItem
from workbook_lib.rules.standard_method import COOLING_KINDS, HEATING_KINDS
from workbook_lib.sheet import Check, Input, Quantity, Source, Step, Verdict, compare

QUARTER, TWO_QUARTER, LONG_RAW, LONG_IN_QUARTER = "quarter-hour", "two-quarter", "long-raw", "long-in-quarter"
SLOW = {3600.0: "hour", 1800.0: "half-hour"}
"""Intervals [s] longer than the quarter hour that the method takes, with the word in the names of their readings."""


@dataclass(frozen=True, slots=True)
class Peak:
    """Energy [Wh, VAh or Ah] that one reading of the demand rests on, and the time in which it is put [s]."""

    energy: Input
    window: Quantity
    meaning: str


def average_demand(name: str, peak: Peak, edition: Edition) -> Step:
    """Average of an energy over the time in which it is put.

    Parameters: peak [Wh] (or VAh, Ah) and its time [s]. Returns: [kW] (or kVA, A). Source: 220.87.
    """
    per_hour = {"Wh": "kW", "VAh": "kVA", "Ah": "A"}[peak.energy.unit]
    divisor = 1.0 if per_hour == "A" else 1000.0
    formula = "energy * 3600 / window" if per_hour == "A" else "energy / 1000 * 3600 / window"
    return Step(
        f"measured.{name}.average",
        "D",
        peak.meaning,
        formula,
        {"energy": peak.energy, "window": peak.window},
        peak.energy.value / divisor * 3600.0 / peak.window.value,
        per_hour,
        edition.cite("measured"),
        decimals=3,
    )


def demand_va(name: str, average: Quantity, power_factor: Quantity | None, voltage: Quantity, edition: Edition) -> Step:
    """Demand in volt-amperes.

    Parameters: average [kW] (or kVA, A), power factor [-] for kW, voltage [V]. Returns: [VA]. Source: 220.87.
    """
    if average.unit == "kW":
        formula, uses = "average * 1000 / power_factor", {"average": average, "power_factor": power_factor}
        value = average.value * 1000.0 / power_factor.value
    elif average.unit == "kVA":
        formula, uses, value = "average * 1000", {"average": average}, average.value * 1000.0
    else:
        formula, uses, value = "average * voltage", {"average": average, "voltage": voltage}, average.value * voltage.value
    return Step(f"measured.{name}.va", "S", f"demand by the reading {name}", formula, uses, value, "VA", edition.cite("measured"))


def heavier_leg(name: str, demand: Quantity, fraction: Input, edition: Edition) -> Step:
    """Demand as if both legs carried what the heavier one carries.

    Parameters: demand [VA] of both legs, fraction of it on the heavier leg [-]. Returns: [VA]. Source: 220.87 asks for the
    highest loaded leg; the fraction is stated.
    """
    return Step(
        f"measured.{name}.leg",
        "S_leg",
        "demand with both legs as the heavier one",
        "2 * fraction * demand",
        {"fraction": fraction, "demand": demand},
        2.0 * fraction.value * demand.value,
        "VA",
        edition.cite("measured"),
    )


def factored(name: str, raw: Quantity, factor: Input) -> Step:
    """Demand of a slow interval times the jurisdiction's factor.

    Parameters: raw [VA], factor [-]. Returns: [VA]. Source: the jurisdiction.
    """
    return Step(
        f"measured.{name}.va",
        "S",
        f"demand by the local factor, {name}",
        "factor * raw",
        {"factor": factor, "raw": raw},
        factor.value * raw.value,
        "VA",
        factor.source,
        note="the jurisdiction's own factor; the code has none",
    )


def _sides(items: Sequence[LoadItem]) -> tuple[list[LoadItem], list[LoadItem], list[LoadItem]]:
    """Items that run in any season, in heating only, and in cooling only."""
    rest, heating, cooling = [], [], []
    for item in items:
        season = item.season
        if not season and item.kind in HEATING_KINDS and item.kind not in COOLING_KINDS:
            season = "heating"
        if not season and item.kind in COOLING_KINDS and item.kind not in HEATING_KINDS:
            season = "cooling"
        (heating if season == "heating" else cooling if season == "cooling" else rest).append(item)
    return rest, heating, cooling


def sum_of_loads(key: str, symbol: str, meaning: str, items: Sequence[LoadItem], source: Source | None) -> Step | None:
    """Loads at 100 %, of heating and cooling that do not run together the larger; None if there are none.

    Parameters: items [VA]. Returns: [VA]. Source: 220.87; 220.60 for what does not run together.
    """
    if not items:
        return None
    rest, heating, cooling = _sides(items)
    uses: dict[str, tuple[Quantity, ...]] = {}
    terms: list[str] = []
    value = 0.0
    for name, side in (("load", rest), ("heating", heating), ("cooling", cooling)):
        if side:
            uses[name] = tuple(item.va for item in side)
    if rest:
        terms.append("sum(load)")
        value += sum(item.va.value for item in rest)
    if heating and cooling:
        terms.append("max(sum(heating), sum(cooling))")
        value += max(sum(item.va.value for item in side) for side in (heating, cooling))
    elif heating or cooling:
        terms.append("sum(heating)" if heating else "sum(cooling)")
        value += sum(item.va.value for item in heating or cooling)
    return Step(key, symbol, meaning, " + ".join(terms), uses, value, "VA", source)


def added_area(area: Input, edition: Edition) -> Step:
    """General lighting of floor area that the record could not see.

    Parameters: area [ft^2]. Returns: [VA]. Source: 220.41 (2020: 220.14(J)).
    """
    unit = edition.value("unit_load_va_per_ft2")
    return Step(
        "measured.added_area",
        "S_area",
        "general lighting of the added floor area",
        "area * unit_load",
        {"area": area, "unit_load": unit},
        area.value * unit.value,
        "VA",
        edition.cite("unit_load"),
    )


def new_load(items: Sequence[LoadItem], area: Step | None, edition: Edition) -> Step | None:
    """Load that this work adds, at 100 %; the continuous part at 125 % where the jurisdiction asks for it.

    Parameters: items added [VA], area [VA]. Returns: [VA], None where nothing is added. Source: 220.87;
    switch `measured_new_load_continuous`.
    """
    source = edition.cite("measured")
    raised = [item for item in items if item.continuous and edition.value("measured_new_load_continuous").value == "yes"]
    plain = sum_of_loads("measured.new_plain", "S_new", "added load", [item for item in items if item not in raised], source)
    if plain is not None and not raised and area is None:
        return replace(plain, key="measured.new")
    parts: dict[str, Quantity | tuple[Quantity, ...]] = {}
    terms, value = [], 0.0
    if plain is not None:
        parts["plain"], value = plain, plain.value
        terms.append("plain")
    if raised:
        frac = edition.value("continuous_frac")
        parts |= {"frac": frac, "continuous": tuple(item.va for item in raised)}
        terms.append("frac * sum(continuous)")
        value += frac.value * sum(item.va.value for item in raised)
    if area is not None:
        parts["area"] = area
        terms.append("area")
        value += area.value
    if not terms:
        return None
    return Step("measured.new", "S_new", "added load", " + ".join(terms), parts, value, "VA", source)


def measured_load(name: str, demand: Quantity, seasonal: Quantity | None, new: Quantity | None, edition: Edition) -> Step:
    """125 % of the maximum demand, with what did not run in the record, and the added load.

    Parameters: [VA]. Returns: [VA]. Source: 220.87(2).
    """
    frac = edition.value("measured_frac")
    uses: dict[str, Quantity] = {"frac": frac, "demand": demand}
    formula, value = "frac * demand", demand.value
    if seasonal is not None:
        uses["seasonal"], value = seasonal, demand.value + seasonal.value
        formula = "frac * (demand + seasonal)"
    value *= frac.value
    if new is not None:
        uses["new"], value, formula = new, value + new.value, f"{formula} + new"
    return Step(f"measured.{name}.total", "S", f"measured load by the reading {name}", formula, uses, value, "VA", edition.cite("measured"))


def open_between(check: Check, low: Quantity) -> Check:
    """A check that fails on the upper bound of a demand and passes on its lowest reading is a judgement.

    Parameters: check of the upper bound [A], low [A]. Returns: Check. Source: arithmetic of the record.
    """
    if check.verdict is not Verdict.FAIL:
        return check
    lower = compare(check.key, check.question, low, check.relation, check.required)
    if lower.verdict is Verdict.FAIL:
        return replace(check, provided=low, note=_joined(check.note, "fails even by the reading that it cannot be below"))
    words = (
        f"the record's intervals are longer than a quarter hour: {low.value:.1f} {low.unit} if the load was even within them, "
        f"{check.provided.value:.1f} {check.provided.unit} if all of it fell in one quarter"
    )
    return replace(
        check,
        verdict=Verdict.JUDGEMENT,
        note=_joined(check.note, words),
        closes="a record of 15-minute intervals, or the authority's word on the reading",
        decides="the authority having jurisdiction",
    )


def _joined(first: str, second: str) -> str:
    return f"{first}; {second}" if first else second
