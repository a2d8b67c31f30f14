"""Runs a published case through the library's own rules: one small adapter per rule name."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

from workbook_lib.editions import Edition, load
from workbook_lib.errors import CalculationFault
from workbook_lib.formula import next_standard, round_half_up
from workbook_lib.published import Case
from workbook_lib.rules import (
    charging,
    conductor,
    cooking,
    general_load,
    loads,
    measured,
    neutral,
    optional_method,
    service,
    standard_method,
)
from workbook_lib.sheet import Input

Answers = dict[str, float | str]


def run(case: Case, edition_year: str) -> Answers:
    """What the library gives for a case under an edition, by answer key. Errors: `CalculationFault` for an unknown rule."""
    try:
        adapter = ADAPTERS[case.rule]
    except KeyError:
        raise CalculationFault("unknown rule of a published case", value=case.rule, limit=", ".join(ADAPTERS), where=case.id) from None
    return adapter(case.inputs, load(edition_year))


def given(name: str, value: float | str, unit: str | None = None) -> Input:
    """An input as a publication printed it."""
    return Input(f"printed.{name}", name.replace("_", " "), value, unit, "stated")


def _lookup(inputs: Mapping, edition: Edition) -> Answers:
    return {"value": edition.lookup(inputs["table"], inputs["row"], inputs["column"]).value}


def _bracket(inputs: Mapping, edition: Edition) -> Answers:
    return {"value": edition.bracket(inputs["table"], float(inputs["value"]), inputs["column"]).value}


def _value(inputs: Mapping, edition: Edition) -> Answers:
    return {"value": edition.value(inputs["key"]).value}


def _cite(inputs: Mapping, edition: Edition) -> Answers:
    return {"locator": edition.cite(inputs["key"]).locator}


def _lighting(inputs: Mapping, edition: Edition) -> Answers:
    garages = [
        given(name, float(inputs[f"{name}_ft2"]), "ft^2") if f"{name}_ft2" in inputs else None
        for name in ("attached_garage", "detached_garage")
    ]
    area = general_load.counted_floor_area(given("floor_area", float(inputs["floor_area_ft2"]), "ft^2"), *garages, edition)
    lighting = general_load.general_lighting(area, edition)
    small = general_load.small_appliance_circuits(
        given("small_appliance", inputs["small_appliance"], "count"), edition, whole_dwelling=False
    )
    laundry = general_load.laundry_circuits(given("laundry", inputs["laundry"], "count"), edition, whole_dwelling=False)
    general = general_load.general_load(lighting, small, laundry, edition)
    demand = general_load.lighting_demand(general, edition)
    current = service.load_current("printed.current", demand, edition.value("nominal_voltage_v"))
    return {"lighting_va": lighting.value, "general_va": general.value, "demand_va": demand.value, "demand_a": current.value}


def _cooking(inputs: Mapping, edition: Edition) -> Answers:
    ratings = inputs["ratings_va"]
    kinds = inputs.get("kinds", ["range"] * len(ratings))
    circuits = inputs.get("circuits", [""] * len(ratings))
    appliances = [
        cooking.Appliance(f"appliance-{index + 1}", kind, given(f"rating_{index + 1}", float(rating), "VA"), circuit)
        for index, (rating, kind, circuit) in enumerate(zip(ratings, kinds, circuits, strict=True))
    ]
    return {"demand_va": cooking.cooking_demand(appliances, edition).value}


def _column_c(inputs: Mapping, edition: Edition) -> Answers:
    ratings = [given(f"rating_{index + 1}", float(rating), "VA") for index, rating in enumerate(inputs["ratings_va"])]
    return {"demand_va": cooking.column_c(ratings, "printed", edition).value}


def _items(kind: str, ratings) -> list[loads.LoadItem]:
    found = []
    for index, rating in enumerate(ratings):
        amount = given(f"{kind}_{index + 1}", float(rating), "VA")
        found.append(loads.LoadItem(f"{kind}-{index + 1}", kind, f"{kind} {index + 1}", amount, amount))
    return found


def _dryer(inputs: Mapping, edition: Edition) -> Answers:
    step = standard_method.dryer_demand(_items("dryer", inputs["ratings_va"]), edition)
    return {"demand_va": step.value, "factor": step.uses["factor"].value}


def _fastened(inputs: Mapping, edition: Edition) -> Answers:
    return {"demand_va": standard_method.fastened_demand(_items("fastened", inputs["ratings_va"]), edition).value}


def _motor(inputs: Mapping, edition: Edition) -> Answers:
    voltage = given("voltage", float(inputs["voltage_v"]), "V")
    current = loads.motor_current(given("power", float(inputs["hp"]), "hp"), voltage, edition)
    return {"current_a": current.value, "va": loads.load_current_va("printed.va", "motor", [current], voltage).value}


def _standard_size(inputs: Mapping, edition: Edition) -> Answers:
    return {"rating_a": next_standard(float(inputs["amperes"]), edition.series("standard_ratings", "rating_a").value)}


def _round(inputs: Mapping, edition: Edition) -> Answers:
    return {"whole": round_half_up(float(inputs["value"]))}


def _neutral_200(inputs: Mapping, edition: Edition) -> Answers:
    return {"current_a": neutral.neutral_above_200(given("neutral", float(inputs["amperes"]), "A"), edition).value}


def _charging(inputs: Mapping, edition: Edition) -> Answers:
    def amperes(name: str) -> Input | None:
        return given(name, float(inputs[name]), "A") if name in inputs else None

    charger = charging.Charger(
        "printed",
        given("nameplate", float(inputs["amperes"]), "A"),
        given("voltage", float(inputs.get("voltage_v", 240)), "V"),
        amperes("setting_a"),
        inputs.get("setting_access", ""),
        amperes("circuit_a"),
    )
    rated = charging.charging_rated_va(charger, edition, by_circuit="circuit_a" in inputs)
    return {"rated_va": rated.value, "code_va": charging.charging_code_va(rated, "printed", edition).value}


def _ampacity(inputs: Mapping, edition: Edition) -> Answers:
    if "factor" in inputs:
        column = conductor.insulation_column(given("insulation", inputs["insulation"]), given("material", inputs["material"]), edition)
        table = edition.lookup("ampacity", inputs["size"], column)
        cap = edition.lookup("ampacity", inputs["size"], f"{inputs['material'].lower()}_{int(inputs['terminals_degc'])}")
        return {"ampacity_a": min(table.value * float(inputs["factor"]), cap.value) * inputs.get("sets", 1)}
    step = conductor.conductor_ampacity(
        "printed",
        given("size", inputs["size"]),
        given("material", inputs["material"]),
        given("insulation", inputs["insulation"]),
        given("terminals", float(inputs["terminals_degc"]), "degC"),
        given("ambient", float(inputs["ambient_degc"]), "degC"),
        given("current_carrying", float(inputs.get("current_carrying", 2)), "count"),
        given("sets", float(inputs.get("sets", 1)), "count"),
        edition,
    )
    return {"ampacity_a": step.value}


def _required_ampacity(inputs: Mapping, edition: Edition) -> Answers:
    rating = given("rating", float(inputs["rating_a"]), "A")
    step = conductor.required_ampacity(rating, edition, entire_load=inputs["entire_load"], carries_source=inputs["carries_source"])
    return {"required_a": step.value}


def _smallest_size(inputs: Mapping, edition: Edition) -> Answers:
    return {"size": conductor.smallest_size(float(inputs["amperes"]), inputs["column"], edition)}


def _hvac_optional(inputs: Mapping, edition: Edition) -> Answers:
    items = []
    for row in inputs["loads"]:
        amount = given(row["id"], float(row["va"]), "VA")
        items.append(
            loads.LoadItem(
                row["id"],
                row["kind"],
                row["id"],
                given(row["id"], float(row["va"]) * row.get("count", 1), "VA"),
                amount,
                row.get("count", 1),
                season=row.get("runs_in", ""),
                exclusive=row.get("one_at_a_time", ""),
            )
        )
    choices = optional_method.optional_hvac_choices(items, edition)
    return {"hvac_va": max(step.value for step in choices.values())}


def _house(inputs: Mapping, edition: Edition) -> Answers:
    from workbook_lib.published.house import answers

    return answers(inputs, edition)


def _measured(inputs: Mapping, edition: Edition) -> Answers:
    """A highest reading by its energy and the time that it is put in, and what is added. Inputs: [Wh], [s], [A]."""
    energy = given("energy", float(inputs["energy_wh"]), "Wh")
    window = given("window", float(inputs["window_s"]), "s") if "window_s" in inputs else edition.value("measured_interval_s")
    voltage = edition.value("nominal_voltage_v")
    average = measured.average_demand("printed", measured.Peak(energy, window, "as printed"), edition)
    demand = measured.demand_va("printed", average, given("power_factor", 1.0, "frac"), voltage, edition)
    added = [replace(item, continuous=False) for item in _items("evse", [240.0 * amperes for amperes in inputs.get("added_a", [])])]
    total = measured.measured_load("printed", demand, None, measured.new_load(added, None, edition), edition)
    amperes = {name: service.load_current("printed.current", step, voltage).value for name, step in (("demand", demand), ("total", total))}
    return {"average_kw": average.value, "demand_a": amperes["demand"], "total_a": amperes["total"]}


def _of(module: str, name: str) -> Callable[[Mapping, Edition], Answers]:
    """An adapter of a module on printed connections or backups, loaded when first used."""

    def adapter(inputs: Mapping, edition: Edition) -> Answers:
        import importlib

        return getattr(importlib.import_module(f"workbook_lib.published.{module}"), name)(inputs, edition)

    return adapter


ADAPTERS: dict[str, Callable[[Mapping, Edition], Answers]] = {
    "lookup": _lookup,
    "bracket": _bracket,
    "value": _value,
    "cite": _cite,
    "lighting": _lighting,
    "cooking": _cooking,
    "column_c": _column_c,
    "dryer": _dryer,
    "fastened": _fastened,
    "motor": _motor,
    "standard_size": _standard_size,
    "round": _round,
    "neutral_200": _neutral_200,
    "charging": _charging,
    "ampacity": _ampacity,
    "required_ampacity": _required_ampacity,
    "smallest_size": _smallest_size,
    "hvac_optional": _hvac_optional,
    "house": _house,
    "measured": _measured,
    "tie": _of("tie", "answers"),
    "source_circuit": _of("tie", "circuit"),
    "grounding": _of("tie", "grounding"),
    "raceway": _of("tie", "raceway"),
    "raceway_room": _of("tie", "room"),
    "fault": _of("tie", "fault"),
    "point_to_point": _of("tie", "point"),
    "voltage": _of("tie", "voltage"),
    "pv_rounding": _of("tie", "factored"),
    "electrode": _of("tie", "electrode"),
    "shared_circuit": _of("evse", "shared"),
    "pilot": _of("evse", "pilot"),
    "daily_distance": _of("evse", "daily"),
    "energy_chain": _of("backup", "chain"),
    "motor_start": _of("backup", "start"),
    "backup_permission": _of("backup", "permit"),
}
"""Rule name of a case file -> adapter of its inputs and an edition."""

__all__ = ["ADAPTERS", "given", "run"]
