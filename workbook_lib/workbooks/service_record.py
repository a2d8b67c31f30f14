"""The meter record in the service load sheet: its report, the demand by each reading, and the calculated loads beside it."""

from __future__ import annotations

import datetime
from dataclasses import replace

from workbook_lib.errors import MissingInput
from workbook_lib.rules import measured, service
from workbook_lib.sheet import Assumption, Check, Figure, Result, Section, Step, Table, Verdict
from workbook_lib.workbooks import metered, record_checks
from workbook_lib.workbooks.methods import CALCULATE, TITLES, Demand
from workbook_lib.workbooks.prepare import BEFORE, text

BOUNDS = (measured.TWO_QUARTER, "two-hour", "two-half-hour")
"""Readings that are shown and decide nothing."""


def demand_of(work) -> Demand | None:
    """Demand that the measured method takes, None where there is no record.

    Returns: Demand [VA], with `lack` where the method is barred or something is missing. Errors: InputFault
    where the method is the verdict's and its record cannot be used.
    """
    found = work.metered
    if found is None:
        return None
    if found.fault is not None and work.method == "measured":
        raise found.fault
    if found.demand.lack is not None:
        return found.demand
    why = record_checks.barred(work.home, found, work.edition)
    if why:
        return replace(found.demand, lack=MissingInput([], f"the measured method is barred: {why}"))
    seasonal = {text(name) for name in work.home.site.records.seasonal_missing or ()}
    missing = [field for name, status, fields in work.prepared.unready if status == "added" or name in seasonal for field in fields]
    return replace(found.demand, lack=MissingInput(missing)) if missing else found.demand


def record(work) -> None:
    """Results, checks and sections of the record; nothing where there is none and the method is another."""
    counts = work.method == "measured"
    if work.metered is None:
        if counts:
            work.checks += record_checks.record_checks(work.home, None, work.edition, counts=True)
        return
    work.checks += record_checks.record_checks(work.home, work.metered, work.edition, counts=counts)
    if work.metered.fault is not None:
        _unreadable(work)
    _results(work)
    _not_covered(work)
    if work.metered.facts is None:
        return
    from workbook_lib.workbooks import record_parts

    known = work.metered.facts
    factor = _power_factor(work)
    work.sections += record_parts.report_section(known.record, known.report, withheld=_withheld(work))
    work.sections.append(record_parts.ten_highest(known.record, factor, withheld=_withheld(work)))
    work.sections.append(record_parts.seasonal(known.record, withheld=_withheld(work)))


def _withheld(work) -> bool:
    return bool(work.home.site.records.withhold)


def _power_factor(work) -> float | None:
    records = work.home.site.records
    given = next((one for one in (records.load, records.fast_load) if one is not None), None)
    return given.power_factor.value if given is not None and given.power_factor is not None else None


def _unreadable(work) -> None:
    """The record is at fault and another method is the verdict's: said, each fault, and nothing stopped."""
    faults = work.metered.fault.faults
    work.checks.append(
        Check(
            "record-readable",
            "can the meter record be used?",
            Verdict.NEEDS_INPUT,
            note=metered.within(work.home, "; ".join(fault.what for fault in faults)),
            counts=False,
            closes="; ".join(dict.fromkeys(fault.todo for fault in faults if fault.todo)),
            decides="the engineer",
            fields=tuple(dict.fromkeys(fault.field for fault in faults if fault.field)),
        )
    )
    work.not_checked += [metered.within(work.home, f"meter record: {fault}") for fault in faults]


def _results(work) -> None:
    found = work.metered
    if found.peak is not None:
        key = {"kW": "record_peak_kw", "kVA": "record_peak_kva"}.get(found.peak.unit)
        if key is not None:
            work.result(key, found.peak)
    if found.peak_a is not None:
        work.result("record_peak_a", found.peak_a)
    if found.interval is not None:
        work.result("record_interval_s", found.interval)
    if found.days is not None:
        work.result("record_days_count", found.days)
    if found.facts is not None and found.facts.report.received_energy and not work.standing("source"):
        work.notes.append("the record gives energy back, and the site file names no source: find out what feeds it")
    if found.facts is not None:
        report = found.facts.report
        work.results["record_peak_start"] = Result(report.local(report.peak_start), None)
        work.results["record_reading_count"] = Result(report.readings_count, "count")
        work.results["record_coverage_frac"] = Result(report.coverage_frac, "frac")
        work.results["record_year_coverage_frac"] = Result(report.year_coverage_frac, "frac")
        if report.marks:
            work.results["record_marked_count"] = Result(report.marked_count, "count")
        if found.facts.record.unit == "Wh":
            work.results["record_energy_kwh"] = Result(report.energy / 1000.0, "kWh")
    for name, step in found.demand.readings.items():
        amperes = service.load_current(f"measured.{name}.demand", step, work.voltage, work.edition.cite("measured"))
        amperes = replace(amperes, meaning=f"demand by the reading {name}, in amperes")
        work.result(f"demand_a:{name}", amperes)


def _not_covered(work) -> None:
    """What a record leaves open, as cautions, and what was not read beside it."""
    found, records = work.metered, work.home.site.records
    if work.method == "measured":
        removed = [item.label for item in work.prepared.standing(("removed",))]
        if removed:
            work.notes.append(f"the record holds what is removed ({', '.join(removed)}): nothing is taken off for it")
        if found.demand.area is not None:
            work.notes.append(
                "added floor area is not in the record: its general lighting is added at 100 %, circuits that it needs are not known"
            )
        if records.occupied is not None and not records.occupied and record_checks.branch_of(found, work.edition) == "year":
            work.notes.append("the dwelling was not occupied all the time of the record: the demand of a full house may be higher")
        vacant_s = 0 if found.facts is None else found.facts.report.vacant_s
        if vacant_s and record_checks.branch_of(found, work.edition) == "year":
            work.notes.append(
                f"{vacant_s / 86400:,.1f} days of the record are marked vacant and not counted: what a full house takes then is not known"
            )
        if records.heavier_leg_fraction is None and (found.facts is None or not found.facts.record.legs):
            work.notes.append("the meter's total says nothing of each leg: both are taken alike; a heavier leg draws more than is shown")
            work.assumptions.append(Assumption("records.heavier_leg_fraction", "the metered demand is taken to lie half on each leg"))
    if _withheld(work) and found.facts is not None and found.facts.record.marks:
        work.notes.append(
            "the record is withheld, and the site file that the package carries says when the house stood empty or dark (mark): "
            "take the marks out of a file that leaves your hands"
        )
    if found.facts is not None:
        _age(work, found.facts.record, found.facts.report)
    if found.facts is not None and records.maximum_demand is not None:
        _letter_beside(work)
    if records.weather is not None:
        work.notes.append(
            "the weather file is for the backup study; a typical year is made of months of different years "
            "and is never joined by date to the record"
        )


def _age(work, record, report) -> None:
    """Cautions where a record ended long before the calculation, or runs on another clock than the home."""
    day = work.home.site.site.calculation_date
    ended = record.clock.text(report.last)[:10]
    if day is not None and (day - datetime.date.fromisoformat(ended)).days > 366:
        work.notes.append(f"the record ended on {ended}, more than a year before this calculation: ask what has changed in the home since")
    zone = work.home.site.site.time_zone
    if zone and record.clock.name != zone and "daylight" not in record.clock.name:
        work.notes.append(f"the record's clock is {record.clock.name}, the home's {zone}: hours of the day on this sheet are the record's")


def _letter_beside(work) -> None:
    """A letter beside a record: compared, the record decides."""
    letter, peak = work.home.site.records.maximum_demand, work.metered.peak
    if peak is not None and peak.unit == letter.unit and letter.value > peak.value:
        work.notes.append(
            f"the utility's letter states {letter.value:g} {letter.unit}, more than the record's highest interval "
            f"of {peak.value:.3f} {peak.unit}: find out why before the record is relied on"
        )


def low_current(work) -> Step | None:
    """Service current [A] by the lowest reading of the demand, where the method is measured and the reading open."""
    chosen = work.chosen
    if work.method != "measured" or chosen is None or chosen.low is None or work.load is not chosen.total:
        return None
    return service.load_current("measured.low.current", chosen.low, work.voltage, work.edition.cite("measured"))


def opened(work, check: Check) -> Check:
    """The measured method's own check, open where the readings of its record disagree."""
    low = work.answers["measured"].low
    if low is None:
        return check if check.verdict is not Verdict.PASS else replace(check, note="as service-capacity, which decides")
    amperes = service.load_current("measured.low.current", low, work.voltage, work.edition.cite("measured"))
    return by_factor(work, measured.open_between(check, amperes))


def by_factor(work, check: Check) -> Check:
    """A judgement between readings with what the jurisdiction's own factor gives, where it has one."""
    result = work.answers.get("measured")
    if check.verdict is not Verdict.JUDGEMENT or result is None or check.required is None:
        return check
    for name, total in result.by_reading.items():
        if name.endswith("-factor"):
            amperes = total.value / work.voltage.value
            side = "within" if amperes <= check.required.value else "above"
            return replace(check, note=f"{check.note}; by the jurisdiction's own factor {amperes:.1f} A, {side} the limit")
    return check


def prose(work) -> str:
    """What stands above the steps of the measured method."""
    role = "This is the method of the verdict." if work.method == "measured" else "Shown beside the chosen method."
    demand = work.scope.demand
    if demand.low == demand.high:
        sliding = "; a window that slides over a border is bounded by the reading with two intervals" if len(demand.readings) > 1 else ""
        return f"{role} The reading {demand.high} decides{sliding}."
    return (
        f"{role} It passes where {demand.high} passes, fails where {demand.low} fails, and is a judgement between them. "
        "The load shown first is the one by the reading that no quarter hour of the clock can exceed."
    )


def compared(work) -> None:
    """Sections: each reading against the service, and the calculated loads before this work against what was measured."""
    result = work.answers.get("measured")
    if result is None:
        return
    rows = []
    for name, total in result.by_reading.items():
        amperes = total.value / work.voltage.value
        work.results[f"measured_a:{name}"] = Result(amperes, "A")
        against = "" if work.limit is None else "within" if amperes <= work.limit.value else "above"
        rows.append((name, work.results[f"demand_a:{name}"].value, amperes, against, _role(name, work.scope.demand)))
        if work.method == "measured" and against == "above" and name in BOUNDS and work.load_a is not None:
            work.notes.append(
                f"a window that slides over a border of the meter's clock could reach {amperes:.1f} A ({name}), above the limit; "
                "the quarter hours of the clock decide"
            )
    limit = f" ({work.limit.value:g} A)" if work.limit is not None else ""
    columns = ("Reading", "Demand (A)", "125 % and added load (A)", f"Limit of the service{limit}", "What it decides")
    table = Table(columns, tuple(rows), "Readings of the record side by side", 2)
    work.sections.append(Section("The measured load by each reading", (), "", table))
    _against_calculated(work)


def _role(name: str, demand: Demand) -> str:
    if name == demand.low == demand.high:
        return "decides"
    if name == demand.high:
        return "passes where this passes"
    if name == demand.low:
        return "fails where this fails"
    return "shown" if name in BOUNDS or not name.endswith("-factor") else "the jurisdiction's factor: shown"


def _against_calculated(work) -> None:
    """Table of each calculated method's load before this work beside the measured demand, at least and at most."""
    demand = work.scope.demand
    low, high = (demand.readings[name].value / work.voltage.value for name in (demand.low, demand.high))
    before = work.prepared.standing(BEFORE)
    rows: list[tuple[object, ...]] = []
    for name in work.answers:
        if name == "measured":
            continue
        try:
            total = CALCULATE[name](work.scope.with_items(before), work.edition, work.general).total.value
        except MissingInput:
            continue
        rows.append((TITLES[name], total / work.voltage.value, _times(total / work.voltage.value, low, high)))
    frac = work.edition.value("measured_frac").value
    if demand.low != demand.high:
        rows.append((f"measured maximum demand at least ({demand.low})", low, ""))
        rows.append((f"measured maximum demand at most ({demand.high})", high, ""))
    else:
        rows.append((f"measured maximum demand ({demand.high})", high, _times(high, low, high)))
    rows.append((f"the {'last' if demand.low != demand.high else 'same'} at {frac * 100:g} %", frac * high, _times(frac * high, low, high)))
    columns = ("Load before this work", "Amperes (A)", "Times the measured demand")
    words = "What the calculated methods say of the home as it was, beside what its meter saw."
    work.sections.append(Section("Calculated against measured", (), words, Table(columns, tuple(rows), "Calculated and measured", 2)))


def _times(amperes: float, low: float, high: float) -> str:
    """How often a load holds the measured demand, as a range where that is open. Parameters: [A]."""
    if low <= 0 or high <= 0:
        return "-"
    return f"{amperes / high:.2f}" if low == high else f"{amperes / high:.2f} to {amperes / low:.2f}"


def figures(work) -> tuple[Figure, ...]:
    """Figures of the record: duration curve, day-by-hour map, peak day; none without a record."""
    if work.metered is None or work.metered.facts is None:
        return ()
    from workbook_lib.workbooks import record_figures

    return record_figures.figures(work.metered.facts.record, withheld=_withheld(work))


__all__ = ["compared", "demand_of", "figures", "low_current", "opened", "prose", "record"]
