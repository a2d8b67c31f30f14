"""General lighting and receptacle load, small-appliance and laundry circuits, and their demand."""

from __future__ import annotations

from workbook_lib.editions import Edition
from workbook_lib.sheet import Input, Quantity, Step


def counted_floor_area(floor_area: Input, attached_garage: Input | None, detached_garage: Input | None, edition: Edition) -> Quantity:
    """Floor area that the unit load applies to.

    Parameters: areas [ft^2] by outside dimensions; None where there is no garage. Returns: [ft^2].
    Valid for: one dwelling. Source: 220.12 (2017), 220.11 (2020), 220.5(C) (2023), 120.5(C) (2026);
    garages are left out, counted, or counted only when attached, by the edition.
    """
    rule = edition.value("garage_counts")
    counted: dict[str, Input] = {}
    if rule.value in ("all", "attached") and attached_garage is not None:
        counted["attached_garage"] = attached_garage
    if rule.value == "all" and detached_garage is not None:
        counted["detached_garage"] = detached_garage
    if not counted and attached_garage is None and detached_garage is None:
        return floor_area
    note = "garages: " + {"none": "not counted", "all": "counted", "attached": "attached counted, detached not"}[rule.value]
    if "detached_garage" in counted:
        note += "; whether a detached garage counts is unclear in this edition, it is counted here"
    return Step(
        "general.floor_area",
        "A_f",
        "floor area that counts",
        " + ".join(["floor_area", *counted]),
        {"floor_area": floor_area, **counted},
        floor_area.value + sum(area.value for area in counted.values()),
        "ft^2",
        rule.source,
        note,
    )


def general_lighting(floor_area: Quantity, edition: Edition) -> Step:
    """General lighting and receptacle load.

    Parameters: floor_area [ft^2]. Returns: [VA]. Source: unit load of 220.12/220.14(J)/220.41/120.41.
    """
    unit = edition.value("unit_load_va_per_ft2")
    return Step(
        "general.lighting",
        "S_light",
        "general lighting and receptacles",
        "floor_area * unit_load",
        {"floor_area": floor_area, "unit_load": unit},
        floor_area.value * unit.value,
        "VA",
        edition.cite("unit_load"),
    )


def small_appliance_circuits(count: Input, edition: Edition, *, whole_dwelling: bool = True) -> Step:
    """Small-appliance circuit load; a whole dwelling has at least the edition's minimum number.

    Parameters: count [-]. Returns: [VA]. Source: 220.52(A) (2026: 120.52(A)), 210.11(C)(1).
    """
    return _circuits("small_appliance", "small-appliance circuits", count, edition, whole_dwelling)


def laundry_circuits(count: Input, edition: Edition, *, whole_dwelling: bool = True) -> Step:
    """Laundry circuit load; a whole dwelling has at least the edition's minimum number.

    Parameters: count [-]. Returns: [VA]. Source: 220.52(B) (2026: 120.52(B)), 210.11(C)(2).
    """
    return _circuits("laundry", "laundry circuits", count, edition, whole_dwelling)


def _circuits(name: str, meaning: str, count: Input, edition: Edition, whole_dwelling: bool) -> Step:
    each = edition.value(f"{name}_circuit_va")
    uses: dict[str, Quantity] = {"circuits": count, "each": each}
    if whole_dwelling:
        uses["minimum"] = edition.value(f"{name}_minimum_count")
        return Step(
            f"general.{name}",
            f"S_{name}",
            meaning,
            "max(circuits, minimum) * each",
            uses,
            max(count.value, uses["minimum"].value) * each.value,
            "VA",
            edition.cite("small_appliance_laundry"),
        )
    return Step(
        f"general.{name}",
        f"S_{name}",
        meaning,
        "circuits * each",
        uses,
        count.value * each.value,
        "VA",
        edition.cite("small_appliance_laundry"),
    )


def general_load(lighting: Step, small_appliance: Step, laundry: Step, edition: Edition) -> Step:
    """Lighting, small-appliance and laundry load together, before demand.

    Parameters: [VA] each. Returns: [VA]. Source: 220.52 lets the circuits join the lighting load.
    """
    return Step(
        "general.sum",
        "S_gen",
        "lighting, small-appliance and laundry load",
        "lighting + small_appliance + laundry",
        {"lighting": lighting, "small_appliance": small_appliance, "laundry": laundry},
        lighting.value + small_appliance.value + laundry.value,
        "VA",
        edition.cite("small_appliance_laundry"),
    )


def lighting_demand(general: Quantity, edition: Edition) -> Step:
    """General load after the lighting demand tiers.

    Parameters: general [VA]. Returns: [VA]. Source: Table 220.42 (2017, 2020), 220.45 (2023), 120.45 (2026):
    first 3,000 VA at 100 %, to 120,000 VA at 35 %, the rest at 25 %.
    """
    first, second, third = (edition.lookup("lighting_demand", tier, "frac") for tier in ("first", "second", "third"))
    first_to, second_to = (edition.lookup("lighting_demand", tier, "upto_va") for tier in ("first", "second"))
    amount = general.value
    value = (
        min(amount, first_to.value) * first.value
        + max(0.0, min(amount, second_to.value) - first_to.value) * second.value
        + max(0.0, amount - second_to.value) * third.value
    )
    return Step(
        "standard.lighting",
        "D_light",
        "general load after demand",
        "min(general, first_to) * first + max(0, min(general, second_to) - first_to) * second + max(0, general - second_to) * third",
        {"general": general, "first_to": first_to, "first": first, "second_to": second_to, "second": second, "third": third},
        value,
        "VA",
        edition.cite("lighting_demand"),
    )
