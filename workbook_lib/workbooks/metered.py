"""The meter record of a home, or a utility's letter, as the demand of the measured method."""

from __future__ import annotations

import functools
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from workbook_lib.editions import Edition
from workbook_lib.errors import CalculationFault, Fault, InputFault, MissingInput
from workbook_lib.home.moment import wall_s
from workbook_lib.rules import measured
from workbook_lib.sheet import Input, Quantity, Step
from workbook_lib.workbooks.methods import Demand, floored
from workbook_lib.workbooks.prepare import nominal_voltage, text

LETTER = "letter"
QUARTER_S = 900


@dataclass(frozen=True)
class Facts:
    """What a record says for the method: it in order, its report, and energy [unit h] and start [s UTC] of each reading."""

    record: object
    report: object
    energies: Mapping[str, tuple[float, int, float]] = field(default_factory=dict)
    troubles: tuple[str, ...] = ()


@dataclass(frozen=True)
class Metered:
    """Record or letter of a home. `demand` for the method; `facts` None for a letter; `peak` highest interval [kW, kVA, A];
    `interval` [s], `days` [count]; `assumed_factor` True where a letter gives no power factor; `fault` what makes the file useless.
    """

    demand: Demand
    facts: Facts | None = None
    peak: Step | None = None
    peak_a: Step | None = None
    interval: Quantity | None = None
    days: Input | None = None
    assumed_factor: bool = False
    generation_lack: tuple[str, ...] = ()
    fault: InputFault | None = None
    existing: tuple = ()


MOST_A = 2000.0
"""Highest current [A] that a record of a dwelling's service may hold; above it the unit or the multiplier is wrong."""


def declared(path: str, given):
    """What the site file says of one record file, as the readers take it."""
    from workbook_lib.records import Declared

    return Declared(
        field=path,
        register=text(given.register_) or None,
        channel=given.channel,
        time_column=given.time_column,
        value_column=given.value_column,
        received_column=given.received_column,
        leg_columns=tuple(text(name) for name in given.leg_columns),
        unit=text(given.unit) or None,
        interval_s=given.interval.value if given.interval is not None else None,
        stamp=text(given.stamp) or None,
        clock=given.clock,
        multiplier=given.multiplier.value if given.multiplier is not None else None,
        date_order=text(given.date_order) or None,
        decimal=text(given.decimal) or None,
        encoding=given.encoding,
        first_start=given.first_start,
    )


def read(home, name: str, progress=None):
    """One record of the home by its name under `records`. Errors: InputFault, MissingInput."""
    from workbook_lib.records import read_record

    given = getattr(home.site.records, name)
    path = f"records.{name}"
    if any(lacking == f"{path}.file" for lacking, _ in home.lacking):
        raise MissingInput([f"{path}.file"], f"the record {given.file} is named and not there")
    shown = (home.folder / given.file).as_posix()
    digest = dict(home.inputs).get(given.file, "")
    whole = read_record(home.folder / given.file, shown, declared(path, given), home.site.site.time_zone, digest=digest, progress=progress)
    if given.begins is None and given.ends is None and not given.mark:
        return whole
    begins = None if given.begins is None else wall_s(given.begins)
    ends = None if given.ends is None else wall_s(given.ends, end=True)
    marks = tuple((wall_s(one.begins), wall_s(one.ends, end=True), one.is_, one.reason) for one in given.mark)
    return _ranged(whole, shown, path, begins, ends, marks)


@functools.lru_cache(maxsize=6)
def _ranged(whole, shown: str, path: str, begins: int | None, ends: int | None, marks: tuple[tuple[int, int, str, str], ...]):
    """A record cut to the period of the site file, with its marks. Errors: InputFault where no reading is left."""
    from workbook_lib.records import ranged, unmarked

    try:
        found = ranged(whole, begins, ends, marks)
    except CalculationFault as fault:
        raise InputFault(
            [Fault(shown, f"{path}.file", fault.what, str(fault.value), fault.limit, "ask the utility for the record anew")]
        ) from None
    if len(whole) and not len(found):
        field = f"{path}.{'begins' if begins is not None else 'ends'}"
        held = f"{whole.clock.text(int(whole.start.min()))} to {whole.clock.text(int(whole.end.max()))}"
        raise InputFault([Fault(shown, field, "no reading lies within the period", "", held, "correct the period")])
    if len(found) and not len(unmarked(found)):
        what, limit = "every reading lies in a marked range", "a reading outside of them"
        raise InputFault([Fault(shown, f"{path}.mark", what, f"{len(found):,} readings", limit, "mark less, or name a longer record")])
    return found


def read_weather(home):
    """The weather file of the home, remembered by its hash. Errors: InputFault, MissingInput."""
    given = home.site.records.weather
    if any(lacking == "records.weather.file" for lacking, _ in home.lacking):
        raise MissingInput(["records.weather.file"], f"the weather file {given.file} is named and not there")
    if given.format is None:
        raise MissingInput(["records.weather.format"])
    typical = bool(given.typical) if given.typical is not None else None
    zone, digest = given.clock or home.site.site.time_zone, dict(home.inputs).get(given.file, "")
    return _weather_file(home.folder / given.file, text(given.format), text(given.stamp) or None, zone, typical, digest)


@functools.lru_cache(maxsize=4)
def _weather_file(path, form: str, stamp: str | None, zone: str | None, typical: bool | None, digest: str):
    from workbook_lib.records import clock_named
    from workbook_lib.records.weather import read_weather as read_file

    return read_file(path, path.as_posix(), form, stamp=stamp, clock=clock_named(zone), typical=typical)


def record_name(home) -> str | None:
    """Which record the method uses: `load`, else `fast_load`; None where there is neither."""
    records = home.site.records
    if records is None:
        return None
    return next((name for name in ("load", "fast_load") if getattr(records, name) is not None), None)


def gather(home, edition: Edition, items) -> Metered | None:
    """Record or letter of a home as a demand; None where the site file has neither.

    Parameters: home, edition with local changes, items that stand [VA]. Returns: Metered. What cannot be
    had stands in `demand.lack`; a file that cannot be used in `fault`.
    """
    records = home.site.records
    name = record_name(home)
    if name is None:
        if records is None or records.maximum_demand is None:
            return None
        return replace(_letter(home, edition, items), existing=_existing(items))
    try:
        facts = _facts_of(home, name)
    except MissingInput as lack:
        return Metered(Demand({}, lack=MissingInput(lack.fields, within(home, str(lack)))))
    except InputFault as fault:
        return Metered(Demand({}, lack=MissingInput([f"records.{name}.file"], within(home, _short(fault)))), fault=fault)
    found = _from_record(home, name, facts, edition, items)
    if found.peak_a is not None and found.peak_a.value > MOST_A:
        file = (home.folder / getattr(home.site.records, name).file).as_posix()
        what, todo = "a highest reading that no dwelling's service carries", "look at the unit and the multiplier of the meter"
        fault = InputFault([Fault(file, f"records.{name}.unit", what, f"{found.peak_a.value:,.0f} A", f"up to {MOST_A:,.0f} A", todo)])
        return Metered(Demand({}, lack=MissingInput([f"records.{name}.unit"], within(home, _short(fault)))), fault=fault)
    return replace(found, existing=_existing(items))


def _existing(items) -> tuple:
    """Loads that were there while the record ran."""
    return tuple(item for item in items if item.status == "existing")


def within(home, words: str) -> str:
    """Words with files named from the input folder: no place on this machine reaches a sheet."""
    folder = home.folder.as_posix()
    return words.replace(f"{folder}/", "") if folder != "." else words


def _short(fault: InputFault) -> str:
    first = fault.faults[0]
    rest = f", and {len(fault.faults) - 1} more" if len(fault.faults) > 1 else ""
    return f"the record cannot be used: {first.what}{f' ({first.value})' if first.value else ''}{rest}"


def _facts_of(home, name: str) -> Facts:
    record = read(home, name)
    records = home.site.records
    if records.rebuild_gross:
        if records.production is None:
            raise MissingInput(["records.production"], "own use is to be rebuilt, and no production record is given")
        found = _gross_facts(record, read(home, "production"), (home.folder / records.production.file).as_posix())
    else:
        found = facts(record)
    return replace(found, report=replace(found.report, undated=True)) if records.withhold else found


@functools.lru_cache(maxsize=6)
def _gross_facts(load, production, shown: str) -> Facts:
    from workbook_lib.records import rebuild

    return facts(rebuild(load, production, shown, "records.production.file"))


@functools.lru_cache(maxsize=6)
def facts(record) -> Facts:
    """What a record says for the method. Parameters: record as read. Returns: Facts. Errors: InputFault where no reading has a length."""
    from workbook_lib.records import adjacent, demand, examine, settle

    try:
        report, settled = examine(record), settle(record)
    except CalculationFault as fault:
        todo = "ask the utility for the record anew"
        raise InputFault([Fault(record.file, "records", fault.what, str(fault.value), fault.limit, fault.todo or todo)]) from None
    energies: dict[str, tuple[float, int, float]] = {}
    troubles: list[str] = []
    usual = report.interval_s

    def highest(name: str, window_s: int) -> None:
        part = _up_to(settled, window_s)
        if not len(part):
            return
        try:
            found = [demand(part, window_s, leg=leg) for leg in part.legs or (None,)]
        except CalculationFault as fault:
            troubles.append(fault.what)
            return
        rate, start = max(found)
        energies[name] = (rate * window_s / 3600.0, start, float(window_s))

    highest(measured.QUARTER, QUARTER_S)
    word = measured.SLOW.get(float(usual))
    if word:
        highest(f"{word}-raw", usual)
        if f"{word}-raw" in energies:
            energies[f"{word}-in-quarter"] = energies[f"{word}-raw"]
    if not settled.legs and (word or usual == QUARTER_S):
        _adjacent(energies, f"two-{word}" if word else measured.TWO_QUARTER, adjacent, settled)
    _longer(energies, settled, max(QUARTER_S, usual))
    return Facts(settled, report, energies, tuple(troubles))


def _up_to(record, window_s: int):
    """The record without readings longer than a window [s]; the same one where it has none."""
    fit = record.length <= window_s
    if fit.all():
        return record
    received = None if record.received is None else record.received[fit]
    legs = {leg: values[fit] for leg, values in record.legs.items()}
    arrays = {name: getattr(record, name)[fit] for name in ("start", "length", "amount", "quality")}
    return replace(record, **arrays, legs=legs, received=received)


def _adjacent(energies: dict, name: str, adjacent, settled) -> None:
    try:
        amount, start = adjacent(settled)
    except CalculationFault:
        return
    energies[name] = (amount, start, float(QUARTER_S))


def _longer(energies: dict, settled, above_s: float) -> None:
    """Readings longer than the usual one: their average, and all of it in one quarter."""
    longer = settled.length > above_s
    if not longer.any() or not energies:
        return
    amount = settled.amount[longer]
    place = int(amount.argmax())
    rate = (amount * 3600.0 / settled.length[longer]).argmax()
    start, length = settled.start[longer], settled.length[longer]
    energies[measured.LONG_RAW] = (float(amount[rate]), int(start[rate]), float(length[rate]))
    energies[measured.LONG_IN_QUARTER] = (float(amount[place]), int(start[place]), float(QUARTER_S))


WORDS = {
    measured.QUARTER: "highest average of a quarter hour",
    measured.TWO_QUARTER: "two adjacent quarter hours in one: what a window sliding across them cannot exceed",
    "hour-raw": "highest average of an hour",
    "hour-in-quarter": "all of that hour's energy in one quarter hour",
    "two-hour": "two adjacent hours' energy in one quarter hour: what a sliding window cannot exceed",
    "half-hour-raw": "highest average of half an hour",
    "half-hour-in-quarter": "all of that half hour's energy in one quarter hour",
    "two-half-hour": "two adjacent half hours' energy in one quarter hour: what a sliding window cannot exceed",
    measured.LONG_RAW: "highest average of a reading longer than the others",
    measured.LONG_IN_QUARTER: "all of a longer reading's energy in one quarter hour",
}


def _window(name: str, seconds: float, edition: Edition) -> Quantity:
    if name.endswith("-raw"):
        return Input(f"record.window.{name}", "length of the interval", seconds, "s", "measured")
    return edition.value("measured_interval_s")


def _from_record(home, name: str, known: Facts, edition: Edition, items) -> Metered:
    record, report = known.record, known.report
    path = f"records.{name}"
    given = getattr(home.site.records, name)
    factor = given.power_factor
    peak = _peak_step(record, report, path, edition)
    days = Input(f"{path}.days", "whole days that the record covers", float(report.days_count), "count", "measured")
    interval = Input(f"{path}.interval", "usual interval of the record", float(report.interval_s), "s", "measured")
    base = {"facts": known, "peak": peak, "interval": interval, "days": days}
    if record.unit == "Wh" and factor is None:
        lack = MissingInput([f"{path}.power_factor"], "the record is in watts; amperes need its power factor")
        return Metered(Demand({}, lack=lack), **base)
    current = _current(peak, factor, edition)
    if not known.energies:
        return Metered(Demand({}, lack=_no_reading(path, known)), peak_a=current, **base)
    readings: dict[str, Step] = {}
    for reading, (energy, start, seconds) in known.energies.items():
        note = f"from {known.report.local(start)}"
        amount = Input(f"{path}.{reading}", f"energy of the reading {reading}", energy, record.unit, "measured", note=note, decimals=1)
        average = measured.average_demand(reading, measured.Peak(amount, _window(reading, seconds, edition), WORDS[reading]), edition)
        readings[reading] = _volt_amperes(home, reading, average, factor, bool(record.legs) and record.unit != "Ah", edition)
    return Metered(_demand(home, edition, items, readings), peak_a=current, **base)


def _no_reading(path: str, known: Facts) -> MissingInput:
    why = "; ".join(known.troubles) or f"intervals of {known.report.interval_s:g} s say nothing of the highest quarter hour"
    reason = f"{why}; intervals of a quarter hour, half an hour or an hour are needed, or shorter ones that fill a quarter hour"
    return MissingInput([f"{path}.file"], reason)


def _peak_step(record, report, path: str, edition: Edition) -> Step:
    """Average of the highest interval [kW, kVA or A]."""
    note = f"from {report.local(report.peak_start)}"
    energy = Input(f"{path}.peak_energy", "energy of the highest interval", report.peak_amount, record.unit, "measured", note, decimals=1)
    seconds = Input(f"{path}.peak_length", "length of the highest interval", float(report.peak_length), "s", "measured")
    return measured.average_demand("highest-interval", measured.Peak(energy, seconds, "highest interval of the record"), edition)


def _current(peak: Step, factor: Input | None, edition: Edition) -> Step:
    from workbook_lib.rules import service

    voltage = nominal_voltage(edition)
    load = measured.demand_va("highest-interval", peak, factor, voltage, edition)
    current = service.load_current("measured.highest-interval.current", load, voltage, edition.cite("measured"))
    return replace(current, meaning="highest interval of the record, in amperes")


def _volt_amperes(home, reading: str, average: Quantity, factor: Input | None, one_leg: bool, edition: Edition) -> Step:
    """Demand of one reading [VA], on both legs as on the heavier one where that is known."""
    step = measured.demand_va(reading, average, factor, nominal_voltage(edition), edition)
    if one_leg:
        whole = Input("records.heavier_leg", "the reading is of the heavier leg alone", 1.0, "frac", "measured")
        return measured.heavier_leg(reading, step, whole, edition)
    fraction = home.site.records.heavier_leg_fraction
    return step if fraction is None else measured.heavier_leg(reading, step, fraction, edition)


def _demand(home, edition: Edition, items, readings: dict[str, Step]) -> Demand:
    """Readings with the local factor, which of them bound the demand, and what the record could not see."""
    factor = home.rule("interval_factor")
    source = next((name for name in ("hour-raw", "half-hour-raw") if name in readings), None)
    if factor is not None and source is not None and _factor_fits(home, source):
        name = source.replace("-raw", "-factor")
        readings[name] = measured.factored(name, readings[source], factor)
    low = [name for name in readings if name == measured.QUARTER or name.endswith("-raw")]
    high = [name for name in readings if name == measured.QUARTER or (name.endswith("-in-quarter"))]
    missing = {text(name) for name in home.site.records.seasonal_missing or ()}
    absent = [item for item in floored(items, edition) if item.id in missing and item.status != "added"]
    seasonal = measured.sum_of_loads(
        "measured.seasonal", "S_seas", "loads that did not run in the record", absent, edition.cite("measured")
    )
    area = home.site.dwelling.added_floor_area
    return Demand(
        readings,
        low=max(low, key=lambda name: readings[name].value),
        high=max(high, key=lambda name: readings[name].value),
        seasonal=seasonal,
        area=measured.added_area(area, edition) if area is not None and area.value > 0 else None,
    )


def _factor_fits(home, source: str) -> bool:
    """Whether the jurisdiction's factor is for intervals of this length."""
    given = home.rule("interval_factor.interval")
    return given is None or measured.SLOW.get(given.value) == source.removesuffix("-raw")


def _letter(home, edition: Edition, items) -> Metered:
    """A utility's letter: one maximum demand, its interval, the days it covers."""
    records = home.site.records
    path = "records"
    days = (
        Input(f"{path}.demand_days", "days that the letter covers", float(records.demand_days.value), "count", records.demand_days.origin)
        if (records.demand_days is not None)
        else None
    )
    lacking = [f"{path}.{name}" for name in ("demand_interval", "demand_days") if getattr(records, name) is None]
    assumed = records.power_factor is None
    factor = records.power_factor
    if assumed:
        factor = Input(f"{path}.power_factor", "power factor of the demand, not stated", 1.0, "frac", "assumed")
    voltage = nominal_voltage(edition)
    base = {"peak": records.maximum_demand, "interval": records.demand_interval, "days": days, "assumed_factor": assumed}
    from workbook_lib.rules import service

    whole = measured.demand_va(LETTER, records.maximum_demand, factor, voltage, edition)
    current = service.load_current("measured.letter.current", whole, voltage, edition.cite("measured"))
    if lacking:
        return Metered(Demand({}, lack=MissingInput(lacking)), peak_a=current, **base)
    seconds = records.demand_interval.value
    word = measured.SLOW.get(seconds)
    if seconds > QUARTER_S and word is None:
        reason = f"a demand over {seconds:g} s says nothing of the highest quarter hour"
        return Metered(Demand({}, lack=MissingInput([f"{path}.demand_interval"], reason)), peak_a=current, **base)
    readings: dict[str, Step] = {}
    for reading in (measured.QUARTER,) if word is None else (f"{word}-raw", f"{word}-in-quarter"):
        average: Quantity = records.maximum_demand
        if reading.endswith("-in-quarter"):
            average = _in_quarter(reading, records.maximum_demand, records.demand_interval, edition)
        readings[reading] = _volt_amperes(home, reading, average, factor, False, edition)
    return Metered(_demand(home, edition, items, readings), peak_a=current, **base)


def _in_quarter(reading: str, demand: Input, interval: Input, edition: Edition) -> Step:
    quarter = edition.value("measured_interval_s")
    return Step(
        f"measured.{reading}.average",
        "D",
        WORDS[reading],
        "demand * interval / quarter",
        {"demand": demand, "interval": interval, "quarter": quarter},
        demand.value * interval.value / quarter.value,
        "kW",
        edition.cite("measured"),
        decimals=3,
    )
