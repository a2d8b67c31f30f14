"""The load methods put together from their provisions: optional, existing dwelling, standard, measured.

A `Scope` is what hangs below one point: the whole service, or one panel. Each method takes a Scope
and an edition and gives a `MethodResult`: the total, the steps in reading order, and the demand of
each class that has a demand factor of its own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from workbook_lib.editions import Edition
from workbook_lib.errors import MissingInput
from workbook_lib.rules import cooking, general_load, measured, optional_method, standard_method
from workbook_lib.rules.loads import LoadItem, of_group, settle_exclusive
from workbook_lib.sheet import Input, Quantity, Step

METHODS = ("optional_dwelling", "existing_dwelling", "standard", "measured")
TITLES = {
    "optional_dwelling": "Optional method for a dwelling",
    "existing_dwelling": "Existing dwelling method",
    "standard": "Standard method",
    "measured": "Measured load",
}
HVAC_GROUP = "hvac"


@dataclass(frozen=True, slots=True)
class Demand:
    """Maximum demand of a record by each reading [VA], before 125 %, and what must be added to it.

    `low` and `high` name the reading that the demand cannot be below and the one that it cannot exceed;
    they are the same for quarter hours. `seasonal` [VA] did not run in the record; `area` [VA] is general
    load of added floor area. `lack` says why the method cannot be computed, with `readings` then possibly empty.
    """

    readings: Mapping[str, Step]
    low: str = ""
    high: str = ""
    seasonal: Step | None = None
    area: Step | None = None
    lack: MissingInput | None = None


@dataclass(frozen=True, slots=True)
class Scope:
    """What hangs below one point: loads, and the general load it serves.

    Areas [ft^2]; circuit counts [-]; `whole` is True for the entire dwelling, where the code's least
    numbers of circuits apply. A panel that serves no general load has `floor_area` None. `demand` is what
    a record of the whole measured.
    """

    name: str
    items: tuple[LoadItem, ...]
    floor_area: Input | None = None
    attached_garage: Input | None = None
    detached_garage: Input | None = None
    small_appliance: Input | None = None
    laundry: Input | None = None
    whole: bool = True
    demand: Demand | None = None

    def with_items(self, items: Sequence[LoadItem]) -> Scope:
        """The same scope with other loads."""
        return replace(self, items=tuple(items))


@dataclass(frozen=True, slots=True)
class MethodResult:
    """Answer of one method: total [VA], steps in reading order, demand by class [VA], branch A or B, season taken.

    Of the measured method `total` is by the reading that the demand cannot exceed, `low` by the one that it
    cannot be below (None where they are one), `by_reading` the total by each.
    """

    method: str
    total: Step
    steps: tuple[Step, ...]
    demand: dict[str, Step] = field(default_factory=dict)
    continuous: tuple[Quantity, ...] = ()
    branch: str = ""
    hvac: Step | None = None
    season: str = ""
    low: Step | None = None
    by_reading: Mapping[str, Step] = field(default_factory=dict)


def general_steps(scope: Scope, edition: Edition) -> list[Step]:
    """General load of a scope: lighting, circuits and their sum; empty where the scope serves none.

    Errors: MissingInput if a whole dwelling has no floor area.
    """
    missing = []
    if scope.whole and scope.floor_area is None:
        missing.append("dwelling.floor_area")
    if scope.whole or scope.floor_area is not None:
        missing += [
            f"{'dwelling' if scope.whole else f'panel.{scope.name}.serves'}.{name}_circuits"
            for name, count in (("small_appliance", scope.small_appliance), ("laundry", scope.laundry))
            if count is None
        ]
    if missing:
        raise MissingInput(missing)
    if scope.floor_area is None:
        return []
    area = general_load.counted_floor_area(scope.floor_area, scope.attached_garage, scope.detached_garage, edition)
    lighting = general_load.general_lighting(area, edition)
    small = general_load.small_appliance_circuits(scope.small_appliance, edition, whole_dwelling=scope.whole)
    laundry = general_load.laundry_circuits(scope.laundry, edition, whole_dwelling=scope.whole)
    return [lighting, small, laundry, general_load.general_load(lighting, small, laundry, edition)]


def floored(items: Sequence[LoadItem], edition: Edition) -> tuple[LoadItem, ...]:
    """Items for an optional method: chargers without the floor where the edition's floor does not reach it."""
    if edition.value("evse_floor_reaches_optional").value == "yes":
        return tuple(items)
    return tuple(replace(item, va=item.unit_va) if item.group == "evse" else item for item in items)


def _outside(items: Sequence[LoadItem], edition: Edition) -> tuple[dict[str, Step], list[Step]]:
    """Loads at 100 % outside the tier: charging where the edition or a local rule says so, storage, totals."""
    parts: dict[str, Step | None] = {}
    if edition.value("evse_demand").value == "outside-tier":
        chargers = of_group(items, "evse")
        source = edition.value("evse_demand").source
        parts["evse"] = optional_method.outside_tier(
            "outside.evse", "D_evse", "charging at 100 %, outside the tier", chargers, source, "named switch evse_demand: outside-tier"
        )
    storage = of_group(items, "storage")
    parts["storage"] = optional_method.outside_tier("outside.storage", "D_stor", "storage charging from the service", storage, None)
    other = of_group(items, "other")
    parts["other"] = optional_method.outside_tier("outside.other", "D_oth", "loads calculated before, at 100 %", other, None)
    found = {name: step for name, step in parts.items() if step is not None}
    return found, list(found.values())


def _in_tier(items: Sequence[LoadItem], edition: Edition) -> tuple[LoadItem, ...]:
    classes = ["cooking", "dryer", "fastened", "motor"]
    if edition.value("evse_demand").value != "outside-tier":
        classes.append("evse")
    return of_group(items, *classes)


def optional_dwelling(scope: Scope, edition: Edition, general: Sequence[Step]) -> MethodResult:
    """Optional method for a dwelling. Source: 220.82 (2026: 120.82)."""
    items = floored(settle_exclusive(scope.items, edition), edition)
    steps = list(general)
    connected = optional_method.connected_general(
        "optional.connected", steps[-1], _in_tier(items, edition), edition.cite("optional_general")
    )
    first, rest = edition.value("optional_first_va"), edition.value("optional_rest_frac")
    tier = optional_method.tier("optional.general", connected, first, rest, edition.cite("optional_general"))
    choices = optional_method.optional_hvac_choices(of_group(items, HVAC_GROUP), edition)
    hvac = optional_method.largest_choice(
        "optional.hvac", "largest of the heating and cooling choices", choices, edition.cite("optional_hvac")
    )
    outside, outside_steps = _outside(items, edition)
    parts: dict[str, Quantity] = {"general": tier} | ({"hvac": hvac} if hvac else {}) | outside
    total = standard_method.whole_load("optional.total", "load by the optional method", parts, edition.cite("optional"))
    demand = {"general": tier} | ({"hvac": hvac} if hvac else {}) | outside
    ordered = [*steps, connected, tier, *choices.values(), *([hvac] if hvac else []), *outside_steps, total]
    return MethodResult("optional_dwelling", total, tuple(ordered), demand, _continuous(items), hvac=hvac)


def existing_dwelling(scope: Scope, edition: Edition, general: Sequence[Step]) -> MethodResult:
    """Existing dwelling method, branch A (no heating or cooling added) or B. Source: 220.83."""
    if edition.value("existing_form").value != "split":
        raise MissingInput(
            [],
            f"the heating and cooling factors of {edition.cite('existing').locator} ({edition.year}) were not seen in a source; "
            "choose another method, or let the jurisdiction state its own factors",
        )
    items = floored(settle_exclusive(scope.items, edition), edition)
    hvac_items = of_group(items, HVAC_GROUP)
    branch = "B" if any(item.status == "added" for item in hvac_items) else "A"
    cite = edition.cite("existing_b" if branch == "B" else "existing_a")
    steps = list(general)
    in_tier = list(_in_tier(items, edition))
    choices: dict[str, Step] = {}
    if branch == "B":
        in_tier += optional_method.heaters_in_tier(hvac_items, edition)
        choices = optional_method.existing_hvac_choices(hvac_items, edition)
    elif edition.value("existing_hvac_without_added").value == "carried":
        in_tier += hvac_items
    elif edition.value("existing_hvac_without_added").value == "at-100":
        choices = optional_method.existing_hvac_choices(hvac_items, edition)
    connected = optional_method.connected_general("existing.connected", steps[-1], in_tier, cite)
    tier = optional_method.tier(
        "existing.general", connected, edition.value("existing_first_va"), edition.value("existing_rest_frac"), cite
    )
    hvac = optional_method.largest_choice("existing.hvac", "larger of heating and cooling, at 100 %", choices, cite)
    outside, outside_steps = _outside(items, edition)
    demand = {"general": tier} | ({"hvac": hvac} if hvac else {}) | outside
    total = standard_method.whole_load("existing.total", f"load by the existing dwelling method, branch {branch}", dict(demand), cite)
    ordered = [*steps, connected, tier, *choices.values(), *([hvac] if hvac else []), *outside_steps, total]
    return MethodResult("existing_dwelling", total, tuple(ordered), demand, _continuous(items), branch, hvac)


def standard(scope: Scope, edition: Edition, general: Sequence[Step]) -> MethodResult:
    """Standard method. Source: Article 220 Part III (2026: 120 Part III)."""
    items = settle_exclusive(scope.items, edition)
    steps = list(general)
    demand: dict[str, Step] = {}
    if steps:
        demand["lighting"] = general_load.lighting_demand(steps[-1], edition)
    for group, rule in (("cooking", _cooking), ("dryer", standard_method.dryer_demand), ("fastened", standard_method.fastened_demand)):
        members = of_group(items, group)
        if members:
            demand[group] = rule(members, edition)
    hvac_items = of_group(items, HVAC_GROUP)
    heating, cooling = standard_method.heating_load(hvac_items, edition), standard_method.cooling_load(hvac_items, edition)
    hvac = standard_method.larger_hvac(heating, cooling, edition)
    season = standard_method.season_taken(heating, cooling)
    largest = standard_method.largest_motor_part(standard_method.counted_motors(items, season, edition), edition)
    motor = standard_method.motor_demand(of_group(items, "motor"), largest, edition)
    for name, step in (("motor", motor), ("hvac", hvac)):
        if step is not None:
            demand[name] = step
    for group, meaning in (
        ("evse", "charging equipment"),
        ("storage", "storage charging from the service"),
        ("other", "loads calculated before"),
    ):
        members = of_group(items, group)
        if members:
            source = edition.cite("evse_load") if group == "evse" else None
            demand[group] = optional_method.outside_tier(f"standard.{group}", f"D_{group[:4]}", f"{meaning} at 100 %", members, source)
    if not demand:
        raise MissingInput([f"panel.{scope.name}.serves"], "nothing is connected below this panel and it serves no area")
    total = standard_method.whole_load("standard.total", "load by the standard method", dict(demand), edition.cite("standard"))
    seasons = [step for step in (heating, cooling, largest) if step is not None]
    return MethodResult(
        "standard", total, (*steps, *seasons, *demand.values(), total), demand, _continuous(items), hvac=hvac, season=season
    )


def measured_load(scope: Scope, edition: Edition, general: Sequence[Step]) -> MethodResult:
    """Measured load: 125 % of the maximum demand of a record, and what is added. Source: 220.87 (2026: 120.87)."""
    demand = scope.demand
    if demand is None:
        raise MissingInput(["records.load"], "no meter record and no utility letter of the maximum demand is given")
    if demand.lack is not None:
        raise demand.lack
    added = [item for item in floored(scope.items, edition) if item.status == "added"]
    new = measured.new_load(added, demand.area, edition)
    totals = {name: measured.measured_load(name, step, demand.seasonal, new, edition) for name, step in demand.readings.items()}
    total = totals[demand.high]
    raised = edition.value("measured_new_load_continuous").value == "yes"
    extra = [step for step in (demand.seasonal, demand.area, new) if step is not None]
    return MethodResult(
        "measured",
        total,
        (*demand.readings.values(), *extra, *totals.values()),
        {"measured": demand.readings[demand.high]} | ({"added": new} if new is not None else {}),
        () if raised else _continuous(added),
        low=totals[demand.low] if demand.low != demand.high else None,
        by_reading=totals,
    )


def _cooking(items: Sequence[LoadItem], edition: Edition) -> Step:
    appliances = [cooking.Appliance(item.id, item.kind, item.unit_va, item.circuit) for item in items for _ in range(item.count)]
    return cooking.cooking_demand(appliances, edition)


def _continuous(items: Sequence[LoadItem]) -> tuple[Quantity, ...]:
    return tuple(item.va for item in items if item.continuous)


CALCULATE = {
    "optional_dwelling": optional_dwelling,
    "existing_dwelling": existing_dwelling,
    "standard": standard,
    "measured": measured_load,
}
"""Method name as in results.json -> function of a Scope, an edition and the general steps of the scope."""
