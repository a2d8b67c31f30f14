"""Weather and sun for the backup study: typical years through pvlib, and plain tables of measured or typical intervals.

The typical-year formats stamp the end of an hour; here every interval stands at its beginning. A typical year is made of
months of different years: it has positions in a calendar and no dates, and is never joined to a metered year by date.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from workbook_lib.errors import CalculationFault, Fault, InputFault
from workbook_lib.records.clock import Clock
from workbook_lib.records.record import Decision, Record
from workbook_lib.records.weather_sun import lit_in_the_dark
from workbook_lib.records.weather_values import slots, weather_text

FORMATS = ("tmy3", "epw", "csv")
NIGHT_W_M2 = 20.0
"""Sun above this [W/m^2] in the four hours around local midnight is no night (below the polar circle)."""
SUSPECT_COUNT = 10
"""So many intervals with sun in the dark make the clock of a file suspect; fewer are left to haze and rounding."""
QUANTITIES = ("ghi_w_m2", "dni_w_m2", "dhi_w_m2", "temperature_degc", "wind_m_s")


@dataclass(frozen=True, eq=False)
class Weather:
    """Weather of equal intervals without gaps, all arrays of shape (n,) and not to be written.

    `ghi_w_m2`, `dni_w_m2`, `dhi_w_m2` global, direct and diffuse irradiance, averages of the interval [W/m^2];
    `temperature_degc`, `wind_m_s` as the file gives them (the typical-year formats: at the end of the hour);
    `month`, `day`, `hour` of the beginning of each interval in local standard time; `length_s` [s] of each; place
    [deg north, deg east, m] where the file states it; `standard_s` [s east of UTC]; `typical`; `years` its months were
    taken from. `begin` [s UTC] is for measured weather alone; a typical year has None. `source`: what the file says of
    itself; `decisions`: what the reader took and why; `clipped_count`: values just below zero taken as zero.
    Errors: ValueError if shapes differ or measured intervals do not follow each other.
    """

    ghi_w_m2: np.ndarray
    dni_w_m2: np.ndarray
    dhi_w_m2: np.ndarray
    temperature_degc: np.ndarray
    wind_m_s: np.ndarray
    month: np.ndarray
    day: np.ndarray
    hour: np.ndarray
    length_s: int
    standard_s: int
    typical: bool
    years: tuple[int, ...]
    begin: np.ndarray | None = None
    latitude_deg: float | None = None
    longitude_deg: float | None = None
    elevation_m: float | None = None
    file: str = ""
    source: tuple[str, ...] = ()
    decisions: tuple[Decision, ...] = ()
    clipped_count: int = 0

    def __post_init__(self) -> None:
        kinds = dict.fromkeys((*QUANTITIES, "hour"), np.float64) | dict.fromkeys(("month", "day"), np.int64)
        if self.begin is not None:
            kinds["begin"] = np.int64
        for name, kind in kinds.items():
            array = np.array(getattr(self, name), dtype=kind)
            if array.ndim != 1 or len(array) != len(self.ghi_w_m2):
                raise ValueError("the arrays of weather differ in shape")
            array.setflags(write=False)
            object.__setattr__(self, name, array)
        if self.typical != (self.begin is None):
            raise ValueError("a typical year has no dates, measured weather has")
        if self.begin is not None and (np.diff(self.begin) != self.length_s).any():
            raise ValueError("intervals of measured weather do not follow each other")

    def __len__(self) -> int:
        return len(self.ghi_w_m2)

    @property
    def start(self) -> np.ndarray:
        """Beginning of each interval [s UTC]. Errors: CalculationFault for a typical year, which has no dates."""
        if self.begin is None:
            raise CalculationFault("a typical year has no dates", where=self.file, todo="place it on a calendar with on_year")
        return self.begin

    @property
    def middle(self) -> np.ndarray:
        """Middle of each interval [s UTC], where the sun stands for it. Errors: as `start`."""
        return self.start + self.length_s // 2

    def on_year(self, year: int) -> np.ndarray:
        """Beginning of each interval as a position in a calendar year; no join of dates.

        Parameters: calendar year. Returns: positions [s UTC], in the order of the file; 29 February of a leap year stays
        empty where the weather has none. Errors: CalculationFault for 29 February in a year that has none.
        """
        leap = datetime.date(year, 12, 31).timetuple().tm_yday == 366
        if not leap and ((self.month == 2) & (self.day == 29)).any():
            raise CalculationFault("29 February in a year that has none", value=year, where=self.file, todo="take a leap year")
        first = int(datetime.datetime(year, 1, 1, tzinfo=datetime.UTC).timestamp()) - self.standard_s
        return first + slots(self.month, self.day, self.hour, leap=leap)

    def middle_on_year(self, year: int) -> np.ndarray:
        """Middle of each interval in a calendar year [s UTC], where the sun stands for it. Errors: as `on_year`."""
        return self.on_year(year) + self.length_s // 2

    def concurrent_with(self, record: Record) -> bool:
        """Whether the weather was measured while the record ran, the whole of it; never for a typical year."""
        if self.begin is None or not len(record) or not len(self):
            return False
        return bool(self.begin[0] <= record.start.min() and record.end.max() <= self.begin[-1] + self.length_s)

    def aligned(self, record: Record) -> np.ndarray:
        """Average global irradiance over each interval of a record that ran while the weather was measured.

        Parameters: record. Returns: [W/m^2], one a reading, weighted by time where a reading covers several intervals of
        weather. Errors: CalculationFault for a typical year, for weather that does not cover the record, for a reading
        without length.
        """
        if not self.concurrent_with(record):
            why = "a typical year is never joined to a metered year by date" if self.typical else "the weather does not cover the record"
            raise CalculationFault(why, where=self.file, todo="give weather that was measured while the record ran")
        if (record.length <= 0).any():
            count = int((record.length <= 0).sum())
            raise CalculationFault("readings without length", value=count, where=record.file, todo="settle the record first")
        edges = np.arange(len(self) + 1, dtype=np.float64) * self.length_s
        sums = np.concatenate(([0.0], np.cumsum(self.ghi_w_m2 * self.length_s)))
        begin, end = (np.interp(at - self.begin[0], edges, sums) for at in (record.start, record.end))
        average = np.maximum(end - begin, 0.0) / record.length
        first, last = ((at - self.begin[0]) // self.length_s for at in (record.start, record.end - 1))
        return np.where(first == last, self.ghi_w_m2[first], average)

    def report(self) -> tuple[str, ...]:
        """What the file is and what is doubtful in it, in sentences."""
        yearly = float(self.ghi_w_m2.sum()) * self.length_s / 3.6e6
        found = [f"{len(self):,} intervals of {self.length_s / 60:g} min, {yearly:,.0f} kWh/m^2 of global irradiance in all."]
        found.append(self._kind())
        if self.clipped_count:
            found.append(f"{self.clipped_count} values of irradiance just below zero, the zero error of instruments, are taken as zero.")
        dark = lit_in_the_dark(self)
        if dark is not None and dark >= SUSPECT_COUNT:
            found.append(
                f"{dark} intervals have sun while it is below the horizon of the stated place: the clock, the stamps or the place "
                "of the file are suspect."
            )
        night = (self.hour >= 22) | (self.hour < 2)
        lit = int((night & (self.ghi_w_m2 > NIGHT_W_M2)).sum()) if dark is None else 0
        if lit >= SUSPECT_COUNT:
            found.append(
                f"{lit} intervals between 22:00 and 02:00 standard time have sun: the clock or the stamps of the file are suspect."
            )
        return tuple(found)

    def _kind(self) -> str:
        years = ", ".join(map(str, self.years))
        if not self.typical:
            return f"Measured weather of {years}."
        never = "it is not concurrent with any metered year and is never joined to one by date."
        if len(self.years) > 1:
            return f"A typical year, made of months of different years ({years}): {never}"
        said = f"the file writes one year, {years}, for all of it"
        return f"A typical year ({said}): {never} If it was measured in {years}, the site file must say typical = false."


def read_weather(
    path: Path,
    shown: str,
    format: str,
    *,
    field: str = "records.weather",
    columns: Mapping[str, str] | None = None,
    stamp: str | None = None,
    clock: Clock | None = None,
    typical: bool | None = None,
) -> Weather:
    """A weather file: `tmy3` or `epw` through pvlib, or `csv`.

    Parameters: path; its name as faults show it; format; for a table its columns by what they are (time, ghi, dni, dhi,
    temperature, wind), where its stamps stand (start or end) and its clock; whether it is a typical year (the two formats:
    yes, unless False is given and the file is one year in a row). Returns: Weather. Errors: InputFault with every fault;
    MissingInput where a table can be read in more than one way.
    """
    if format not in FORMATS:
        raise InputFault([Fault(shown, f"{field}.format", "unknown format", format, ", ".join(FORMATS), "write one of these")])
    if stamp not in (None, "start", "end"):
        raise InputFault([Fault(shown, f"{field}.stamp", "unknown place of the stamps", stamp, "start, end", "write one of these")])
    if format != "csv" and stamp == "start":
        todo = "leave the field out, or correct the format"
        raise InputFault([Fault(shown, f"{field}.stamp", f"{format} stamps the end of the hour", stamp, "end", todo)])
    text = weather_text(path, shown, field)
    if format == "csv":
        from workbook_lib.records.weather_table import read_table

        return read_table(text, shown, field, dict(columns or {}), stamp, clock, typical)
    from workbook_lib.records.weather_year import read_year

    return read_year(path, text, shown, format, field, typical)
