"""Demand of household cooking appliances over 1 3/4 kW: the table, its columns and its notes.

Readings that the table permits are each computed; the smallest is the demand, the others are
shown. Column C takes appliances as they come; note 3 lets those up to 8 3/4 kW use columns A and B;
note 4 makes one cooktop and up to two ovens on one circuit one range.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from workbook_lib.editions import Edition
from workbook_lib.errors import CalculationFault, MissingInput
from workbook_lib.formula import GUARD, round_half_up
from workbook_lib.sheet import Input, Quantity, Step


@dataclass(frozen=True, slots=True)
class Appliance:
    """One cooking appliance: connected load [VA] of one unit, its kind and the circuit it is on."""

    id: str
    kind: str
    va: Quantity
    circuit: str = ""


def cooking_demand(appliances: Sequence[Appliance], edition: Edition) -> Step:
    """Demand of all household cooking appliances over 1 3/4 kW on one feeder or service.

    Parameters: appliances, each [VA]. Returns: [VA], the smallest of the readings that the table
    permits, with appliances up to the threshold at nameplate. Valid for: ratings to 27 kW. Errors:
    CalculationFault for an empty list, MissingInput above 27 kW. Source: Table 220.55 (2026: 120.55)
    with its notes 1 to 4.
    """
    if not appliances:
        raise CalculationFault("no cooking appliance was given", where="cooking_demand", todo="leave the class out")
    _check_range(appliances, edition)
    threshold = edition.value("cooking_threshold_va").value
    tiny = [item for item in appliances if item.va.value <= threshold * (1 + GUARD)]
    if not tiny:
        return _table_demand(appliances, edition)
    tabled = [item for item in appliances if item not in tiny]
    uses: dict[str, Quantity | tuple[Quantity, ...]] = {"small": tuple(item.va for item in tiny)}
    if tabled:
        uses["table"] = _table_demand(tabled, edition)
    return Step(
        "cooking.with_small",
        "D_cook",
        "cooking demand with appliances too small for the table at nameplate",
        "table + sum(small)" if tabled else "sum(small)",
        uses,
        sum(item.va.value for item in tiny) + (uses["table"].value if tabled else 0.0),
        "VA",
        edition.cite("cooking"),
        note=f"the table is for more than {threshold:,.0f} VA",
    )


def _table_demand(appliances: Sequence[Appliance], edition: Edition) -> Step:
    readings = _readings(appliances, "cooking", edition)
    merged = _one_range_per_circuit(appliances, edition)
    if merged is not None:
        readings += _readings(merged, "cooking.one_range", edition)
    if len(readings) == 1:
        return readings[0]
    chosen = min(readings, key=lambda step: step.value)
    return Step(
        "cooking.demand",
        "D_cook",
        "cooking demand: the smallest reading the table permits",
        "min(" + ", ".join(f"reading_{index + 1}" for index in range(len(readings))) + ")",
        {f"reading_{index + 1}": step for index, step in enumerate(readings)},
        chosen.value,
        "VA",
        edition.cite("cooking"),
        note=f"taken: {chosen.meaning}",
    )


def _check_range(appliances: Sequence[Appliance], edition: Edition) -> None:
    highest = edition.value("cooking_note_1_limit_va")
    above = [item.id for item in appliances if item.va.value > highest.value * (1 + GUARD)]
    if above:
        raise MissingInput(
            [f"load.{name}.kind" for name in above],
            f"a cooking appliance above {highest.value:,.0f} VA is outside the table; state its own demand as kind calculated",
        )


def _readings(appliances: Sequence[Appliance], key: str, edition: Edition) -> list[Step]:
    large_limit = edition.value("cooking_large_limit_va").value
    small = [item for item in appliances if item.va.value <= large_limit * (1 + GUARD)]
    large = [item for item in appliances if item not in small]
    over = any(item.va.value > edition.value("cooking_column_c_limit_va").value * (1 + GUARD) for item in appliances)
    found: list[Step] = []
    if not (small and over):
        found.append(column_c([item.va for item in appliances], key, edition))
    if small:
        found.append(_note_3(small, large, key, edition))
    return found


def column_c(ratings: Sequence[Quantity], key: str, edition: Edition) -> Step:
    """Column C demand with notes 1 and 2.

    Parameters: ratings [VA] each. Returns: [VA]. Source: Table 220.55 column C; note 1: 5 % for each
    kW or major fraction above 12; note 2: unlike ratings are averaged, those under 12 kW as 12.
    """
    limit = edition.value("cooking_column_c_limit_va")
    table = edition.lookup("cooking_demand", len(ratings), "c_va")
    if all(rating.value <= limit.value * (1 + GUARD) for rating in ratings):
        return Step(
            f"{key}.column_c",
            "D_C",
            f"column C for {len(ratings)}, none above {limit.value / 1000:g} kW",
            "column_c",
            {"column_c": table},
            table.value,
            "VA",
            edition.cite("cooking"),
            by=tuple(ratings),
        )
    average = _average(ratings, limit, key, edition)
    step_va, frac = edition.value("cooking_excess_step_va"), edition.value("cooking_excess_frac")
    excess = max(0.0, round_half_up((average.value - limit.value) / step_va.value))
    return Step(
        f"{key}.column_c",
        "D_C",
        f"column C for {len(ratings)} with 5 % for each kW or major fraction above 12 kW",
        "column_c * (1 + excess_frac * max(0, round_half_up((average - limit) / step)))",
        {"column_c": table, "excess_frac": frac, "average": average, "limit": limit, "step": step_va},
        table.value * (1 + frac.value * excess),
        "VA",
        edition.cite("cooking"),
        note="note 1" if len({rating.value for rating in ratings}) == 1 else "note 2: unlike ratings averaged",
    )


def _average(ratings: Sequence[Quantity], limit: Input, key: str, edition: Edition) -> Quantity:
    if len({rating.value for rating in ratings}) == 1:
        return ratings[0]
    names = [f"rating_{index + 1}" for index in range(len(ratings))]
    value = sum(max(rating.value, limit.value) for rating in ratings) / len(ratings)
    return Step(
        f"{key}.average",
        "S_avg",
        "average rating, none taken below 12 kW",
        "(" + " + ".join(f"max({name}, limit)" for name in names) + f") / {len(ratings)}",
        {**dict(zip(names, ratings, strict=True)), "limit": limit},
        value,
        "VA",
        edition.cite("cooking"),
        note="note 2",
    )


def _note_3(small: Sequence[Appliance], large: Sequence[Appliance], key: str, edition: Edition) -> Step:
    boundary = edition.value("cooking_small_limit_va").value
    column_a = [item for item in small if item.va.value < boundary * (1 - GUARD)]
    column_b = [item for item in small if item not in column_a]
    parts: dict[str, Step] = {}
    for name, members in (("a", column_a), ("b", column_b)):
        if members:
            parts[f"column_{name}"] = _column_percent(name, [item.va for item in members], key, edition)
    if large:
        parts["column_c"] = column_c([item.va for item in large], f"{key}.large", edition)
    if len(parts) == 1:
        return next(iter(parts.values()))
    return Step(
        f"{key}.note_3",
        "D_3",
        "each class by its own column and its own count, added",
        " + ".join(parts),
        parts,
        sum(step.value for step in parts.values()),
        "VA",
        edition.cite("cooking"),
        note="note 3",
    )


def _column_percent(column: str, ratings: Sequence[Quantity], key: str, edition: Edition) -> Step:
    frac = edition.lookup("cooking_demand", len(ratings), f"{column}_frac")
    return Step(
        f"{key}.column_{column}",
        f"D_{column.upper()}",
        f"column {column.upper()} for {len(ratings)}",
        "sum(rating) * frac",
        {"rating": tuple(ratings), "frac": frac},
        math.fsum(rating.value for rating in ratings) * frac.value,
        "VA",
        edition.cite("cooking"),
        note="note 3",
    )


def _one_range_per_circuit(appliances: Sequence[Appliance], edition: Edition) -> list[Appliance] | None:
    """Appliances with each cooktop and its one or two ovens on the same circuit merged; None if there are none."""
    merged = list(appliances)
    found = False
    for circuit in {item.circuit for item in appliances if item.circuit}:
        cooktops = [item for item in merged if item.circuit == circuit and item.kind == "cooktop"]
        ovens = [item for item in merged if item.circuit == circuit and item.kind == "oven"]
        together = cooktops + ovens
        total = sum(item.va.value for item in together)
        if len(cooktops) != 1 or not 1 <= len(ovens) <= 2 or total > edition.value("cooking_note_1_limit_va").value:
            continue
        found = True
        step = Step(
            f"cooking.{circuit}.one_range",
            "S_range",
            f"cooktop and ovens on {circuit} as one range",
            "sum(part)",
            {"part": tuple(item.va for item in together)},
            total,
            "VA",
            edition.cite("cooking"),
            note="note 4, carried to the feeder",
        )
        merged = [item for item in merged if item not in together] + [Appliance(circuit, "range", step, circuit)]
    return merged if found else None
