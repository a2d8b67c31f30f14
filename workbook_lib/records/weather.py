"""Weather and sun for the backup study: typical years through pvlib, and plain tables of measured or typical hours.

Stamps of the typical-year formats stand at the end of their hour; here every interval begins at its start. A typical
year is made of months of different years: it has positions in a calendar and no dates, and is never joined to a
metered year by date.
"""

from __future__ import annotations

import contextlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from workbook_lib.errors import CalculationFault, Fault, InputFault
from workbook_lib.records.clock import Clock, fixed
from workbook_lib.records.record import Record

HOURS = (8760, 8784)
"""Hours of a year, with and without 29 February."""
COLUMNS = ("ghi", "dni", "dhi", "temperature", "wind")
LIMITS: Mapping[str, tuple[float, float, str]] = {
    "ghi": (-5.0, 1500.0, "W/m^2"),
    "dni": (-5.0, 1500.0, "W/m^2"),
    "dhi": (-5.0, 1500.0, "W/m^2"),
    "temperature": (-90.0, 60.0, "degC"),
    "wind": (0.0, 100.0, "m/s"),
}
"""What a value may be: pyranometers read a few watts below zero at night; the rest is what no station on land has exceeded."""
MISSING = {
    "ghi": (9999.0, -9999.0),
    "dni": (9999.0, -9999.0),
    "dhi": (9999.0, -9999.0),
    "temperature": (99.9, -9999.0),
    "wind": (999.0, -9999.0),
}
"""Marks of a missing value in the typical-year formats."""
PVLIB_NAMES = {"ghi": "ghi", "dni": "dni", "dhi": "dhi", "temperature": "temp_air", "wind": "wind_speed"}
MONTH_STARTS = np.cumsum([0, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30])
"""Days of an ordinary year before each month."""
NIGHT_W_M2 = 20.0
"""Sun above this [W/m^2] in the four hours around local midnight is no night: the clock of the file is suspect."""


@dataclass(frozen=True, eq=False)
class Weather:
    """Weather of equal intervals, all arrays of shape (n,) and not to be written.

    `ghi_w_m2`, `dni_w_m2`, `dhi_w_m2` global, direct and diffuse irradiance [W/m^2]; `temperature_degc` [degC];
    `wind_m_s` [m/s]; `month`, `day`, `hour` of the beginning of each interval in local standard time; `length_s` [s];
    place [deg, m] where the file states it; `standard_s` [s east of UTC]; `typical`; `years` its months were taken
    from. `begin` [s UTC] is for measured weather alone; a typical year has None.
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
        """Beginning of each interval as positions in a calendar year [s UTC], for the sun's position; no join of dates.

        29 February of a leap year stays empty where the typical year has none. Errors: CalculationFault for 29
        February in a year without one.
        """
        import datetime

        leap = int(datetime.date(year, 12, 31).timetuple().tm_yday == 366)
        if not leap and ((self.month == 2) & (self.day == 29)).any():
            raise CalculationFault("29 February in a year that has none", value=year, where=self.file)
        days = MONTH_STARTS[self.month - 1] + self.day - 1 + leap * (self.month > 2)
        first = int(datetime.datetime(year, 1, 1, tzinfo=datetime.UTC).timestamp()) - self.standard_s
        return first + days * 86400 + np.rint(self.hour * 3600).astype(np.int64)

    def concurrent_with(self, record: Record) -> bool:
        """Whether the weather was measured while the record ran, the whole of it; never for a typical year."""
        if self.begin is None or not len(record):
            return False
        return bool(self.begin[0] <= record.start.min() and record.end.max() <= self.begin[-1] + self.length_s)

    def aligned(self, record: Record) -> np.ndarray:
        """Global irradiance [W/m^2] of the interval in which each reading begins. Errors: CalculationFault where it is not concurrent."""
        if not self.concurrent_with(record):
            why = "a typical year is never joined to a metered year by date" if self.typical else "the weather does not cover the record"
            raise CalculationFault(why, where=self.file, todo="give weather that was measured while the record ran")
        place = np.searchsorted(self.begin, record.start, side="right") - 1
        if (record.start - self.begin[place] >= self.length_s).any():
            raise CalculationFault("the weather has gaps within the record", where=self.file)
        return self.ghi_w_m2[place]

    def report(self) -> tuple[str, ...]:
        """What the file is, in sentences."""
        yearly = float(self.ghi_w_m2.sum()) * self.length_s / 3.6e6
        found = [f"{len(self):,} intervals of {self.length_s / 3600:g} h, {yearly:,.0f} kWh/m^2 of global irradiance in all."]
        if self.typical:
            years = ", ".join(map(str, self.years)) or "years that the file does not name"
            found.append(
                f"A typical year, made of months of different years ({years}): it is not concurrent with any metered year "
                "and is never joined to one by date."
            )
        else:
            found.append(f"Measured weather of {', '.join(map(str, self.years))}.")
        night = (self.hour >= 22) | (self.hour < 2)
        lit = int((night & (self.ghi_w_m2 > NIGHT_W_M2)).sum())
        if lit:
            found.append(f"{lit} intervals between 22:00 and 02:00 have sun: the clock or the stamps of the file are suspect.")
        return tuple(found)


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

    Parameters: path; its name as faults show it; format; for a table its columns by what they are (ghi, dni, dhi,
    temperature, wind, time), where its stamps stand (start or end), its clock, whether it is a typical year. Returns:
    Weather. Errors: InputFault with every fault; MissingInput where a table can be read in more than one way.
    """
    if format not in ("tmy3", "epw", "csv"):
        raise InputFault([Fault(shown, f"{field}.format", "unknown format", format, "tmy3, epw, csv", "write one of these")])
    _openable(path, shown, field)
    if format == "csv":
        from workbook_lib.records.weather_table import read_table

        return read_table(path, shown, field, dict(columns or {}), stamp, clock, typical)
    return _typical_year(path, shown, format, field)


def _openable(path: Path, shown: str, field: str) -> None:
    try:
        with path.open("rb") as file:
            head = file.read(4096)
    except OSError as error:
        todo = "name a file that can be read"
        raise InputFault(
            [Fault(shown, f"{field}.file", "the file cannot be opened", error.strerror or str(error), "a file", todo)]
        ) from None
    if not head.strip():
        raise InputFault([Fault(shown, f"{field}.file", "the file is empty", "", "a year of weather", "name the right file")])
    if b"\x00" in head:
        raise InputFault([Fault(shown, f"{field}.file", "not a text file", "", "a text table", "unpack or export it as text")])


def _typical_year(path: Path, shown: str, format: str, field: str) -> Weather:
    """A typical year by pvlib. Its index is the end of the hour for tmy3, the beginning for epw (pvlib 0.11 to 0.16)."""
    from pvlib import iotools

    try:
        data, place = iotools.read_tmy3(path) if format == "tmy3" else iotools.read_epw(path)
    except Exception as error:  # pvlib has no common root for what a file that is another can raise
        what, todo = f"not a weather file in {format} format, or damaged", "name the file and its format anew"
        said = f"{type(error).__name__}: {str(error).splitlines()[0][:120] if str(error) else ''}"
        raise InputFault([Fault(shown, f"{field}.file", what, said, f"a year of hours in {format}", todo)]) from None
    lacking = [name for name in PVLIB_NAMES.values() if name not in data.columns]
    faults = (
        [Fault(shown, f"{field}.file", "columns that are not there", ", ".join(lacking), "irradiance, temperature, wind")]
        if lacking
        else []
    )
    if len(data) not in HOURS:
        faults.append(
            Fault(shown, f"{field}.file", "not a whole year of hours", f"{len(data)} rows", "8,760 or 8,784", "take the whole file")
        )
    if faults:
        raise InputFault(faults)
    values = {name: _numbers(data[column]) for name, column in PVLIB_NAMES.items()}
    check_values(values, shown, f"{field}.file")
    standard = round(float(place["TZ"]) * 3600)
    begin = data.index.asi8 // _per_second(data.index) - (3600 if format == "tmy3" else 0) + standard
    stated = _stated_years(data, format, begin)
    return assembled(
        values,
        wall=begin,
        length_s=3600,
        standard_s=standard,
        typical=True,
        years=stated,
        place=tuple(float(place[name]) for name in ("latitude", "longitude", "altitude")),
        file=Path(shown).name,
    )


def _per_second(index) -> int:
    """Ticks of an index in a second: pandas keeps nanoseconds, or since version 3 coarser ones."""
    return {"s": 1, "ms": 10**3, "us": 10**6, "ns": 10**9}[index.unit]


def _stated_years(data, format: str, wall: np.ndarray) -> tuple[int, ...]:
    seconds = wall.astype("datetime64[s]").astype("datetime64[Y]").astype(int) + 1970
    return tuple(sorted({int(year) for year in seconds}))


def _numbers(column) -> np.ndarray:
    import pandas

    return pandas.to_numeric(column, errors="coerce").to_numpy(dtype=float)


def check_values(values: Mapping[str, np.ndarray], shown: str, field: str) -> None:
    """Errors: InputFault for missing, unreadable and impossible values, each kind once with its count and first row."""
    faults = []
    for name, array in values.items():
        low, high, unit = LIMITS[name]
        missing = ~np.isfinite(array) | np.isin(array, MISSING[name])
        outside = ~missing & ((array < low) | (array > high))
        for where, what, limit in (
            (missing, "missing or unreadable values", "a number in every row"),
            (outside, "impossible values", f"{low:g} to {high:g} {unit}"),
        ):
            if where.any():
                first = int(np.flatnonzero(where)[0])
                found = f"{int(where.sum())}, the first in hour {first + 1} ({array[first]:g})"
                faults.append(Fault(shown, field, f"{what} of {name}", found, limit, "take another file, or mend it by hand and say so"))
    if faults:
        raise InputFault(faults)


def assembled(
    values: Mapping[str, np.ndarray],
    *,
    wall: np.ndarray,
    length_s: int,
    standard_s: int,
    typical: bool,
    years: Sequence[int],
    place: tuple[float | None, float | None, float | None] = (None, None, None),
    file: str = "",
) -> Weather:
    """Weather from checked values and the wall-clock seconds at which its intervals begin (local standard time)."""
    days = wall.astype("datetime64[s]").astype("datetime64[D]")
    months = days.astype("datetime64[M]")
    arrays = {
        "month": months.astype(int) % 12 + 1,
        "day": (days - months).astype(int) + 1,
        "hour": (wall - days.astype("datetime64[s]").astype(np.int64)) / 3600.0,
        "ghi_w_m2": np.maximum(values["ghi"], 0.0),
        "dni_w_m2": np.maximum(values["dni"], 0.0),
        "dhi_w_m2": np.maximum(values["dhi"], 0.0),
        "temperature_degc": values["temperature"].astype(float),
        "wind_m_s": values["wind"].astype(float),
    }
    begin = None if typical else wall - standard_s
    for array in (*arrays.values(), *([] if begin is None else [begin])):
        with contextlib.suppress(ValueError):
            array.setflags(write=False)
    return Weather(
        **arrays,
        length_s=length_s,
        standard_s=standard_s,
        typical=typical,
        years=tuple(years),
        begin=begin,
        latitude_deg=place[0],
        longitude_deg=place[1],
        elevation_m=place[2],
        file=file,
    )


__all__ = ["Weather", "assembled", "check_values", "fixed", "read_weather"]
