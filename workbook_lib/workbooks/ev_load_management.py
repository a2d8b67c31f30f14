"""Workbook ev_load_management: does the charger fit, does the control hold, does the car get its night?"""

from __future__ import annotations

from dataclasses import replace

from workbook_lib.editions import Edition
from workbook_lib.errors import InputFault, MissingInput
from workbook_lib.sheet import Check, Sheet, Verdict, needs_input
from workbook_lib.workbooks import (
    charging_circuits,
    charging_code,
    charging_fleet,
    charging_house,
    charging_inverse,
    charging_results,
    charging_sun,
    charging_tables,
    common,
)
from workbook_lib.workbooks.charging_work import Work, held_by
from workbook_lib.workbooks.prepare import standing_controls

FORM = common.Form(
    name="ev_load_management",
    title="EV load management",
    question="Does the charger fit on the service, does its control hold the setting second by second, and does the vehicle get its night?",
    order=(
        *("service-capacity", "control-setting", "control-continuous", "control-fallback", "control-malfunction", "control-record"),
        *(
            "service-peak",
            "control-holds",
            "control-lost",
            "vehicle-need",
            "vehicle-window",
            "evse-circuit",
            "evse-setting",
            "shared-circuit",
            "shared-fallback",
        ),
        *("evse-own-circuit", "evse-receptacle", "evse-disconnect", "evse-starts", "record-coverage", "record-quality"),
        *("field-verified", "edition-adopted", "independent-check", "weather-clock"),
    ),
    families=("charging", "mistakes", "tables"),
    first=(
        *("controlled_service_a", "uncontrolled_service_a", "peak_service_a", "longest_above_setting_s", "time_above_setting_s"),
        *("overshoot_as", "charger_starts_per_hour_max", "charger_starts_per_day_max", "lowest_setting_a", "largest_evse_a"),
    ),
    headings=("Charging in the load calculation", "Circuits", "As it is run", "The house load of the runs", "What goes wrong"),
)
CAUTIONS = (
    "A control holds the service only while it works: its loss is tested here, its wear, its wiring and its software are not.",
    "A breaker is no part of the control: between 100 and 135 % of its rating no trip is counted on.",
    "Seconds are those of one record and one stated vehicle. Another vehicle may answer later or draw more than its pilot.",
    "Charging circuits have ground-fault protection of the charger, or of the receptacle where it is plugged in (common practice).",
)
NONE = "no charger stands in this home"
KEYS = (
    *("evse_floor", "evse_floor_va", "evse_setting", "evse_demand", "evse_disconnect", "evse_receptacle_most_a", "control_setting"),
    *("control_listing", "control_reaches_optional", "control_malfunction", "cite:evse_managed", "cite:evse_setting", "cite:evse_load"),
    *("cite:evse_disconnect", "cite:evse_receptacle", "cite:control_setting", "cite:energy_management", "cite:power_control"),
)
"""Provisions of this workbook, as the sentences on what moved name them."""


def study(home, edition: Edition) -> Sheet:
    """Circuits, code load, control and nights of the chargers of a home, under an edition.

    Parameters: home (validated), edition as published; the jurisdiction's amendments are applied here. Returns: Sheet. Errors:
    InputFault for a record that cannot be used. Source: 625, 220.57, 220.70, 750 (2026: 120.57, 120.7, 130) and what stands beside each
    check.
    """
    return _study(home, edition, whole=True)


def verdict_study(home, edition: Edition) -> Sheet:
    """As `study`, for its verdict alone: without inverses, tables and figures. Parameters, Returns, Errors: as there."""
    return _study(home, edition, whole=False)


def _study(home, edition: Edition, *, whole: bool) -> Sheet:
    work = Work(home, common.local_edition(home, edition))
    if not work.chargers:
        asked = "is the need of every vehicle met?"
        work.checks.append(Check("vehicle-need", asked, Verdict.NOT_APPLICABLE, note=NONE))
        return common.finished(work, FORM)
    charging_circuits.all_circuits(work)
    charging_code.code_load(work)
    if whole:
        charging_inverse.largest(work)
    _runs(work, whole)
    fields = [(f"evse.{one.id}.rating", one.rating) for one in work.chargers if one.status != "added"]
    if fields:
        work.checks.append(common.field_verified(fields, "chargers that stand already"))
    work.checks += [common.edition_adopted(home), common.independent_check(home)]
    work.not_checked += [
        "harmonics of charging, and its power factor: the charger's listing",
        "grounding, raceway fill and voltage drop of charging circuits: the sheet of backfeed and tap",
        "export from a vehicle: not covered",
        "the largest device ahead of a charger that its maker allows (110.3(B)), and how conductors land on one terminal (110.14)",
    ]
    shown = tuple(key for key in work.results if key.startswith("nights_meeting_need_frac"))[:2]
    form = replace(FORM, first=(*FORM.first[:4], *shown, *FORM.first[4:]))
    return common.finished(work, form, cautions=CAUTIONS, figures=work.figures)


def _runs(work: Work, whole: bool) -> None:
    """Fleet, house and runs; what lacks of them is told at once."""
    lacks: list[MissingInput] = []
    faults: list = []
    made = houses = None
    try:
        made = charging_fleet.fleet(work)
    except MissingInput as lack:
        lacks.append(lack)
    try:
        houses = _houses(work)
    except MissingInput as lack:
        if made is not None and made.service is None:
            work.not_checked.append(f"currents of the service: {lack}")
            houses = (charging_house.unknown_house(),) * 2
        else:
            lacks.append(lack)
    except InputFault as fault:
        faults += fault.faults
    if faults:
        raise InputFault(faults)
    if not lacks:
        try:
            found = charging_results.answers(work, *houses, made)
        except MissingInput as lack:
            lacks.append(lack)
    if lacks:
        _lacking(work, lacks, made)
        return
    charging_results.checks(work, found)
    charging_results.results(work, found)
    if whole:
        charging_tables.sections(work, found)
        charging_sun.beside(work, found)
        charging_inverse.inverses(work, found)
        work.figures = charging_tables.figures(work, found)


def _houses(work: Work):
    """The house of the year and that of the seconds, which are one where there is one record."""
    fast, long = charging_house.record_names(work)
    close = charging_house.house(work, fast) if fast == long else _fast(work, fast)
    if fast == long or close is None:
        year = close if close is not None else charging_house.house(work, long)
        return year, year
    year = charging_house.house(work, long, float(close.shapes_a[0].max()) if close.fine else None)
    apart = charging_house.agreement(close, year)
    return year, replace(close, open=(*close.open, apart)) if apart else close


def _fast(work: Work, name: str):
    """The house by its fast record; None where that is sound and too short, so that the longer one stands for it."""
    try:
        return charging_house.house(work, name)
    except MissingInput as lack:
        if lack.fields != (f"records.{name}.file",):
            raise
        work.notes.append(f"the fast record is not used: {lack}")
        return None


def _lacking(work: Work, lacks: list[MissingInput], made) -> None:
    """The checks that cannot be made, with every field that lacks."""
    fields = list(dict.fromkeys(name for lack in lacks for name in lack.fields))
    reasons = "; ".join(dict.fromkeys(str(lack) for lack in lacks))
    for row, _ in work.service_controls():
        work.checks.append(needs_input(f"control-holds:{row.id}", charging_results.HOLDS, fields, note=reasons))
    for one in work.chargers:
        if work.vehicle(one.id) is None and not any(one.id in held_by(row) for row in standing_controls(work.home)):
            work.checks.append(charging_results.no_vehicle(one.id))
            continue
        asked = f"does the vehicle at {one.id} get its need in the asked share of nights?"
        own = charging_results.need_fields(work, one.id)
        work.checks.append(needs_input(f"vehicle-need:{one.id}", asked, [*own, *fields], note=reasons))
    work.not_checked.append(f"currents, starts, energy and nights: {reasons}")


def other_editions(home, edition: Edition):
    """Hook of the notebook: the verdicts under each edition, and in words which rules moved. Returns: sections."""
    from workbook_lib.workbooks.by_edition import compared

    return compared(home, edition, verdict_study, KEYS)


__all__ = ["FORM", "other_editions", "study", "verdict_study"]
