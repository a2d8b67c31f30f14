"""A sheet as a workbook would hand it over, for tests of the rooms that show it.

Its steps are real arithmetic of the step's own formula; the home is invented.
"""

from __future__ import annotations

from dataclasses import replace

from workbook_lib.formula import evaluate
from workbook_lib.sheet import (
    Assumption,
    Check,
    Figure,
    Header,
    Input,
    Result,
    Section,
    Sheet,
    Source,
    Step,
    Table,
    Verdict,
    compare,
    needs_input,
)

HEADER = Header(
    site_id="fennel-7",
    address="7 Fennel Row, Amble Ford",
    edition="2023",
    edition_name="National Electrical Code 2023",
    edition_basis="adopted",
    jurisdiction="amble-ford",
    utility="amble-light",
    amendments="1 local rule: charging outside the tier (checklist <rev. 2>)",
    revision="A",
    calculation_date="2026-03-02",
    originator="QR",
    checker="",
    library_version="0.0.0",
    inputs_sha256="3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855f",
)


def nec(locator: str, status: str = "confirmed", note: str = "") -> Source:
    """A source of the edition of the fake sheet."""
    return Source(locator, "2023", status, note)


def given(key: str, meaning: str, value, unit: str | None, origin: str = "stated", text: str = "", note: str = "") -> Input:
    """An input of the home."""
    return Input(key, meaning, value, unit, origin, note, text or f"{value} {unit}")


def code(key: str, meaning: str, value: float, unit: str, locator: str, status: str = "confirmed") -> Input:
    """A value of the edition."""
    return Input(key, meaning, value, unit, "code", source=nec(locator, status))


def step(key, symbol, meaning, text, uses, unit, locator="", decimals=0, note="") -> Step:
    """A step whose value is that of its own formula."""
    values = {name: tuple(one.value for one in used) if isinstance(used, tuple) else used.value for name, used in uses.items()}
    return Step(key, symbol, meaning, text, uses, evaluate(text, values), unit, nec(locator) if locator else None, note, decimals)


def _loads() -> dict[str, Step]:
    area = given("dwelling.floor_area", "floor area by outside dimensions", 1500.0, "ft^2", "drawing", "1500 ft^2", "sheet A-1")
    volts = given("load.range.voltage", "voltage of range", 240.0, "V", "nameplate", "240 V")
    currents = given("load.heat-pump.current", "motor currents of heat pump", (21.0, 3.0), "A", "nameplate", '["21 A", "3 A"]', "photo 9")
    circuits = given("dwelling.small_appliance_circuits", "small-appliance circuits", 2, "count", "assumed", "2")
    lighting = step(
        "general.lighting",
        "S_light",
        "general lighting and receptacles",
        "floor_area * unit_load",
        {"floor_area": area, "unit_load": code("unit_load_va_per_ft2", "unit load of a dwelling", 3.0, "VA/ft^2", "220.41")},
        "VA",
        "220.41",
    )
    small = step(
        "general.small_appliance",
        "S_small_appliance",
        "small-appliance circuits",
        "max(circuits, minimum) * each",
        {
            "circuits": circuits,
            "minimum": code("small_appliance_minimum_count", "least number of small-appliance circuits", 2, "count", "210.11(C)(1)"),
            "each": code("small_appliance_circuit_va", "load of a small-appliance circuit", 1500.0, "VA", "220.52(A)"),
        },
        "VA",
        "220.52(A)",
    )
    cooking = step(
        "load.range",
        "S",
        "range: nameplate",
        "rating * count",
        {
            "rating": given("load.range.rating", "rating of range", 12000.0, "VA", "nameplate", "12 kW"),
            "count": given("load.range.count", "number of units", 1, "count", "assumed", "1"),
        },
        "VA",
    )
    heat_pump = step(
        "load.heat-pump", "S", "heat pump: current times voltage", "sum(current) * voltage", {"current": currents, "voltage": volts}, "VA"
    )
    charger = step(
        "load.evse-1",
        "S_evse",
        "charger, not less than the floor of the code",
        "max(current * voltage, floor)",
        {
            "current": given(
                "evse.evse-1.rating", "rating of charger evse-1", 48.0, "A", "data-sheet", "48 A", 'cut sheet "EV-48" & manual'
            ),
            "voltage": given("evse.evse-1.voltage", "voltage of charger evse-1", 240.0, "V", "stated", "240 V"),
            "floor": code("evse_floor_va", "least load of a charger", 7200.0, "VA", "220.57(A)", "from memory"),
        },
        "VA",
        "220.57(A)",
    )
    return {"lighting": lighting, "small": small, "range": cooking, "heat_pump": heat_pump, "charger": charger}


def _totals(loads: dict[str, Step]) -> dict[str, Step]:
    connected = step(
        "existing.connected",
        "S_con",
        "connected load in the tier",
        "lighting + sum(load)",
        {"lighting": loads["lighting"], "load": (loads["small"], loads["range"], loads["charger"])},
        "VA",
        "220.83(B)",
    )
    tier = step(
        "existing.general",
        "D_gen",
        "general load after demand",
        "min(connected, first) + rest_frac * max(0, connected - first)",
        {
            "connected": connected,
            "first": code("existing_first_va", "part of the load at 100 %", 8000.0, "VA", "220.83(B)"),
            "rest_frac": code("existing_rest_frac", "demand of the rest", 0.4, "frac", "220.83(B)"),
        },
        "VA",
        "220.83(B)",
    )
    total = step(
        "existing.total",
        "S_tot",
        "load by the existing dwelling method",
        "general + hvac",
        {"general": tier, "hvac": loads["heat_pump"]},
        "VA",
        "220.83(B)",
    )
    volts = given("service.voltage", "service voltage", 240.0, "V", "stated", "120/240 V 1-phase 3-wire")
    amps = step("service.load", "I_load", "calculated service load", "load / volts", {"load": total, "volts": volts}, "A", "220.83(B)", 1)
    whole = step(
        "service.load_rounded", "I_r", "service load to the whole ampere", "round_half_up(amperes)", {"amperes": amps}, "A", "220.5(B)"
    )
    return {"connected": connected, "tier": tier, "total": total, "amps": amps, "whole": whole}


def _checks(amps: Step, rating: Input) -> tuple[Check, ...]:
    limit = given("service.utility_limit", "limit of the utility", 100.0, "A", "utility", "100 A", "letter of 2026-02-03")
    conductor = Input(
        "service.conductor.ampacity", "ampacity of the service conductors", 100.0, "A", "code", source=nec("310.12", "unconfirmed")
    )
    other = step("optional.amps", "I_opt", "load by the optional method", "load / 240", {"load": _extra()}, "A", "220.82", 1)
    return (
        compare("service-capacity", "Is the service large enough for the load?", amps, "<=", rating, nec("220.83(B)")),
        compare("service-conductor", "Are the service conductors large enough?", conductor, ">=", rating, nec("310.12(A)")),
        compare("local-service-limit", "Is the load within the utility's limit?", amps, "<=", limit, note="utility's letter & its limit"),
        compare("service-capacity:optional-dwelling", "Does the optional method pass?", other, "<=", rating, nec("220.82"), counts=False),
        needs_input("leg-capacity:A", "Is leg A within its rating?", ["load.range.leg", "load.dryer.leg"], counts=False),
        Check(
            "field-verified",
            "Were the values under the verdict verified in the field?",
            Verdict.JUDGEMENT,
            note="service conductor size is stated, not read from the conductor",
            closes="photograph of the conductor's marking",
            decides="plan reviewer",
        ),
    )


def _extra() -> Step:
    base = given("load.total", "total by an earlier calculation", 24009.6, "VA", "stated", "24.0096 kVA")
    return step("optional.total", "S_opt", "load by the optional method", "total", {"total": base}, "VA", "220.82")


def _figures(loads: dict[str, Step], totals: dict[str, Step], amps: Step) -> tuple[Figure, ...]:
    names = ("lighting", "small", "range", "charger", "heat_pump")
    rows = [(loads[name].meaning.split(":")[0], loads[name].value, "") for name in names]
    rows += [("general load, tiers", totals["connected"].value, totals["tier"].value), ("whole load", "", totals["total"].value)]
    composition = Table(("Class", "Connected [VA]", "After demand [VA]"), tuple(rows))
    capacity = Table(
        ("Method", "Load [A]", "Decides"),
        (("existing dwelling", amps.value, "yes"), ("optional", 100.04, ""), ("standard", 131.66, "")),
        decimals=1,
    )
    return (
        Figure(
            "composition",
            "composition",
            "What makes up the load",
            "Connected load of each class and what the tiers leave of it.",
            composition,
            unit="VA",
        ),
        Figure(
            "capacity",
            "capacity",
            "Service capacity against each method",
            "Load in amperes by each method beside the service rating of 100 A.",
            capacity,
            (("service rating", 100.0),),
            "A",
        ),
    )


def sheet(*, basis: str = "adopted", edition: str = "2023") -> Sheet:
    """The whole fake sheet."""
    loads = _loads()
    totals = _totals(loads)
    rating = given("service.rating", "service rating", 100.0, "A", "photo", "100 A", "photo 2")
    amps = totals["amps"]
    return Sheet(
        workbook="service_load",
        title="Service load",
        question="Can the service carry the load with this work done?",
        header=replace(HEADER, edition_basis=basis, edition=edition),
        results={
            "service_load_va": Result(totals["total"].value, "VA", totals["total"]),
            "service_load_a": Result(amps.value, "A", amps),
            "service_load_rounded_a": Result(int(totals["whole"].value), "A", totals["whole"]),
            "existing_dwelling_branch": Result("B", None),
        },
        checks=_checks(amps, rating),
        sections=(
            Section(
                "General load",
                (loads["lighting"], loads["small"]),
                "Lighting, receptacles and the circuits that the code counts with them.",
            ),
            Section("Appliances and charging", (loads["range"], loads["charger"])),
            Section("Existing dwelling method", (totals["tier"], loads["heat_pump"], totals["total"], totals["whole"])),
        ),
        assumptions=(
            Assumption("load.range.count", "one range"),
            Assumption("load.range.rating", "watts of the range taken as volt-amperes"),
        ),
        cautions=("220.57(A): the value is from memory and was not confirmed.",),
        not_checked=("measured method: no record of a year is in the file",),
        figures=_figures(loads, totals, amps),
        cases=("annex-d-2a",),
    )
