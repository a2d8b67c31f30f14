"""What arrays bring over the year: from a weather file through the production chain, or from a metered production column."""

from __future__ import annotations

import functools
from dataclasses import dataclass

from workbook_lib.errors import CalculationFault, Fault, InputFault, MissingInput
from workbook_lib.sheet import Assumption, Check, Verdict
from workbook_lib.workbooks import backup_record, metered
from workbook_lib.workbooks.backup_work import Work
from workbook_lib.workbooks.prepare import nominal_voltage, text

MOST_NEGATIVE_FRAC = 0.05
"""Part of the production that an inverter may draw at night [-]. Common practice."""
SEASONS_DEG = 20.0
"""Farther than this from the equator [deg] the sun of the summer half is more than that of the winter half."""
FAR_DEG = 2.0
"""From so far on the weather's place is named beside the home's [deg]."""


@dataclass(frozen=True, eq=False)
class Sun:
    """AC power of arrays over the year, shape (n,) [kW].

    `island_kw` of those on the island, `home_kw` of all; `words` where it comes from; `concurrent` whether it was measured while the
    load was.
    """

    island_kw: object
    home_kw: object
    words: str
    concurrent: bool


def sun(work: Work, steps) -> Sun:
    """Production on the island and of the home. Errors: MissingInput, InputFault of a file that cannot be used."""
    import numpy as np

    on = [*(one for one in work.forming() if one.array), *work.arrays()]
    names = {one.id for one in on}
    beside = [one for one in work.standing("source") if one.id not in names and (one.array or one.kind == "pv-inverter")]
    none = np.zeros(len(steps))
    if not on and not beside:
        return Sun(none, none, "no array stands in this home", True)
    if not on and not _matters(work):
        return Sun(none, none, "no array is on the island: its sun is lost while the grid is away", True)
    records = work.site.records
    if records is not None and records.production is not None:
        if beside and on:
            raise MissingInput(["records.weather"], "the production record is of all arrays, and not all of them are on the island")
        made = _metered(work, steps)
        return Sun(made if on else none, made, f"the production record {records.production.file}", steps.begin is not None)
    if records is None or records.weather is None:
        raise MissingInput(["records.weather"], "what the arrays bring is not known without weather or a production record")
    weather = _weather(work)
    made = sum((_of_source(work, one, weather, steps) for one in on), none)
    rest = sum((_of_source(work, one, weather, steps) for one in beside), none) if _matters(work) else none
    return Sun(made, made + rest, f"the weather file {records.weather.file}", _concurrent(weather, steps))


def of_home(work, steps, arrays):
    """What arrays of a home bring with the grid on, shape (n,) [kW].

    Parameters: work of any workbook, steps of a year, sources whose arrays are asked for. Returns: power. Errors: MissingInput,
    InputFault of a file that cannot be used.
    """
    import numpy as np

    records = work.site.records
    every = [one.id for one in work.standing("source") if one.array or one.kind == "pv-inverter"]
    if records is not None and records.production is not None and [one.id for one in arrays] == every:
        return _metered(work, steps)
    if records is None or records.weather is None:
        raise MissingInput(["records.weather"], "what the arrays bring is not known without weather or a production record")
    weather = _weather(work)
    return sum((_of_source(work, one, weather, steps) for one in arrays), np.zeros(len(steps)))


def look(work: Work) -> None:
    """Open the files that the sun needs, so that their faults stand beside those of the load. Errors: InputFault, MissingInput."""
    records = work.site.records
    if records is None or not any(one.array or one.kind == "pv-inverter" for one in work.standing("source")):
        return
    if records.production is not None:
        metered.read(work.home, "production")
    elif records.weather is not None:
        _weather(work)


def _matters(work: Work) -> bool:
    """Whether sun beside the island charges the store with the grid on."""
    return work.site.backup.start_charge_fraction is None and any(text(one.operation) not in ("", "hold-full") for one in work.stores())


# a metered column


def _metered(work: Work, steps):
    """A production record on the steps of the year [kW]."""
    from workbook_lib.records import unmarked
    from workbook_lib.simulate.steps import laid
    from workbook_lib.workbooks.backup_profile import _year

    record = metered.read(work.home, "production")
    given = work.site.records.production
    file = (work.home.folder / given.file).as_posix()
    if record.unit != "Wh":
        raise MissingInput(["records.production.unit"], "production is in watts or watt-hours")
    try:
        values, own, repaired = _year(unmarked(record))
    except CalculationFault as fault:
        todo = fault.todo or "get a whole record"
        raise InputFault([Fault(file, "records.production.file", fault.what, str(fault.value), fault.limit or "a year", todo)]) from None
    if own is None:
        raise MissingInput(["records.production.file"], f"the production record covers {values:.0f} days; a year is needed")
    import numpy as np

    from workbook_lib.simulate.production import onto

    lost = -float(np.minimum(values, 0.0).sum())
    if lost > MOST_NEGATIVE_FRAC * max(float(np.maximum(values, 0.0).sum()), 1e-12):
        words = "more of the production is below zero than an inverter draws at night: its sign, or what the column holds"
        raise MissingInput(["records.production.multiplier", "records.production.value_column"], words)
    backup_record.checks(work, record, "production", repaired, len(own))
    values = np.maximum(values, 0.0) / 1000.0
    if steps.begin is not None and own.begin is not None:
        shared = _by_date(values, own, steps, onto)
        if shared is not None:
            return shared
        work.notes.append("the production record and the load record are of different years: joined by month, day and hour")
    year = np.zeros(365 * 86400 // own.step_s)  # a record may lack one day, which then has no sun
    year[own.slot] = values
    fine = onto(year, own.step_s, steps.step_s)
    return laid(fine, np.arange(len(fine)), steps.step_s, steps, file)


def _by_date(values, own, steps, onto):
    """Values at the moments of the steps; None where the two do not cover the same time."""
    fine = onto(values, own.step_s, steps.step_s)
    shift = (int(steps.begin[0]) - int(own.begin[0])) // steps.step_s
    if not 0 <= shift <= len(fine) - len(steps):
        return None
    return fine[shift : shift + len(steps)]


# weather


def _weather(work: Work):
    """The weather of the home, its place and its clock looked at. Errors: InputFault for another hemisphere."""
    weather = metered.read_weather(work.home)
    here, east = work.site.site.latitude, work.site.site.longitude
    file = (work.home.folder / work.site.records.weather.file).as_posix()
    if here is None:
        return weather
    if (weather.latitude_deg is not None and here.value * weather.latitude_deg < 0) or _other_half(weather, here.value):
        found = "the sun of the other half of the year" if weather.latitude_deg is None else f"{weather.latitude_deg:g} deg"
        todo = "give weather of the place, or correct the sign of the latitude"
        limit = f"the side of the equator of {here.value:g} deg"
        raise InputFault([Fault(file, "records.weather.file", "weather of another hemisphere", found, limit, todo)])
    if weather.latitude_deg is not None:
        away = max(abs(here.value - weather.latitude_deg), _apart(east, weather.longitude_deg))
        if away > FAR_DEG:
            work.notes.append(f"the weather file is of a place {away:.1f} degrees away: weather of the place itself decides")
    _clock(work, weather, here.value, east.value if east is not None else None)
    return weather


def _other_half(weather, latitude_deg: float) -> bool:
    """Whether the half of the year that should have more sun at this latitude has less."""
    import numpy as np

    if abs(latitude_deg) < SEASONS_DEG:
        return False
    summer = np.isin(weather.month, (5, 6, 7)) if latitude_deg > 0 else np.isin(weather.month, (11, 12, 1))
    winter = np.isin(weather.month, (11, 12, 1)) if latitude_deg > 0 else np.isin(weather.month, (5, 6, 7))
    if not summer.any() or not winter.any():
        return False
    return bool(weather.ghi_w_m2[summer].mean() < weather.ghi_w_m2[winter].mean())


def _clock(work: Work, weather, latitude_deg: float, longitude_deg: float | None) -> None:
    """Check `weather-clock`: no sun while it is below the horizon of the home; what else the file says of itself as notes."""
    from dataclasses import replace

    from workbook_lib.records.weather import SUSPECT_COUNT
    from workbook_lib.records.weather_sun import lit_in_the_dark

    key, asked = "weather-clock", "does the sun of the weather file shine by day?"
    if any(check.key == key for check in work.checks):
        return
    placed = weather if weather.latitude_deg is not None else replace(weather, latitude_deg=latitude_deg, longitude_deg=longitude_deg)
    dark = lit_in_the_dark(placed)
    if dark is None:
        return
    if dark < SUSPECT_COUNT:
        work.checks.append(Check(key, asked, Verdict.PASS, note="no sun while it is below the horizon"))
        return
    note = f"{dark:,} intervals have sun while it is below the horizon: the clock, the stamps or the place of the file are suspect"
    closes = "records.weather.clock and stamp, or a file of the place"
    work.checks.append(Check(key, asked, Verdict.JUDGEMENT, note=note, closes=closes, decides="the engineer"))


def _apart(given, other: float | None) -> float:
    return abs(given.value - other) if given is not None and other is not None else 0.0


def _concurrent(weather, steps) -> bool:
    return bool(
        weather.begin is not None
        and steps.begin is not None
        and weather.begin[0] <= steps.begin[0]
        and steps.begin[-1] + steps.step_s <= weather.begin[-1] + weather.length_s
    )


def _of_source(work: Work, source, weather, steps):
    """AC power of the arrays of one source on the steps of the year [kW]."""
    planes, inverter = _planes(work, source), _inverter(work, source)
    place = work.site.site
    latitude = place.latitude.value if place.latitude is not None else weather.latitude_deg
    longitude = place.longitude.value if place.longitude is not None else weather.longitude_deg
    lacking = [f"site.{name}" for name, value in (("latitude", latitude), ("longitude", longitude)) if value is None]
    if lacking:
        raise MissingInput(lacking, "the sun's path needs the place")
    file = (work.home.folder / work.site.records.weather.file).as_posix()
    return _made(weather, latitude, longitude, planes, inverter, _Key(steps, file))


class _Key:
    """Steps as a key that lives as long as they do."""

    def __init__(self, steps, file: str):
        self.steps, self.file = steps, file
        self.name = (steps.step_s, len(steps), None if steps.begin is None else int(steps.begin[0]))

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Key) and self.name == other.name

    def __hash__(self) -> int:
        return hash(self.name)


@functools.lru_cache(maxsize=16)
def _made(weather, latitude: float, longitude: float, planes, inverter, key: _Key):
    import numpy as np

    from workbook_lib.simulate.production import array_kw, onto
    from workbook_lib.simulate.steps import laid, slot

    steps = key.steps
    made = array_kw(weather, latitude, longitude, planes, inverter)
    if _concurrent(weather, steps):
        fine = onto(made, weather.length_s, steps.step_s)
        shift = (int(steps.begin[0]) - int(weather.begin[0])) // steps.step_s
        return fine[shift : shift + len(steps)]
    places = slot(weather.month, weather.day, np.rint(weather.hour * 3600).astype(np.int64) // weather.length_s, weather.length_s)
    year = np.full(365 * 86400 // weather.length_s, np.nan)
    year[places] = made
    if np.isnan(year).any():
        count = int(np.isnan(year).sum())
        todo = "give weather of a whole year"
        what = "hours of the year are missing in the weather"
        raise InputFault([Fault(key.file, "records.weather.file", what, f"{count} intervals", "every interval of a year", todo)])
    fine = onto(year, weather.length_s, steps.step_s)
    return laid(fine, np.arange(len(fine)), steps.step_s, steps, weather.file)


def _planes(work: Work, source) -> tuple:
    from workbook_lib.simulate import production

    if not source.array:
        raise MissingInput([f"source.{source.id}.array"], "its modules, their tilt and azimuth say what it brings")
    lacking = [
        f"source.{source.id}.array.{index}.{name}"
        for index, row in enumerate(source.array)
        for name in ("dc_power", "tilt", "azimuth")
        if getattr(row, name) is None
    ]
    if lacking:
        raise MissingInput(lacking)
    planes = []
    for index, row in enumerate(source.array):
        path = f"source.{source.id}.array.{index}"
        usual = production.DEFAULT_LOSS_FRAC
        if row.monthly_fraction is not None:  # its shading is stated by month: not taken off twice
            usual = 1.0 - (1.0 - usual) / (1.0 - production.SHADING_LOSS_FRAC)
        loss = _or(work, f"{path}.loss_fraction", row.loss_fraction, usual, "losses of the array")
        warm = _or(work, f"{path}.power_loss_per_degc", row.power_loss_per_degc, production.DEFAULT_PER_DEGC_FRAC, "loss a kelvin")
        mounting = text(row.mounting)
        if not mounting:
            mounting = "close-mount"
            _take(work, f"{path}.mounting", "not given: modules close to a roof, the hottest of the mountings")
        monthly = row.monthly_fraction.value if row.monthly_fraction is not None else (1.0,) * 12
        if row.monthly_fraction is None:
            _take(work, f"{path}.monthly_fraction", "not given: no shading and no snow beyond the losses of the array")
        count = source.count.value
        planes.append(
            production.Plane(
                count * row.dc_power.value / 1000.0, row.tilt.value, row.azimuth.value % 360.0, loss, warm, mounting, tuple(monthly)
            )
        )
    return tuple(planes)


def _inverter(work: Work, source):
    from workbook_lib.simulate import production

    if source.output_power is not None:
        watts = source.output_power.value
    elif source.output_current is not None:
        watts = source.output_current.value * nominal_voltage(work.edition).value
    else:
        raise MissingInput([f"source.{source.id}.output_power"])
    path = f"source.{source.id}.conversion_efficiency"
    efficiency = _or(work, path, source.conversion_efficiency, production.DEFAULT_EFFICIENCY, "nominal efficiency")
    return production.Inverter(watts * source.count.value / 1000.0, efficiency)


def _or(work: Work, path: str, given, default: float, words: str) -> float:
    if given is not None:
        return given.value
    _take(work, path, f"{words} not given: {default:.4g}")
    return default


def _take(work: Work, path: str, words: str) -> None:
    if all(one.field != path for one in work.assumptions):
        work.assumptions.append(Assumption(path, words))
