"""Typical years in the open formats tmy3 and epw, parsed by pvlib; the form is looked at first, so that faults have lines."""

from __future__ import annotations

import csv
import difflib
import warnings
from pathlib import Path

import numpy as np

from workbook_lib.errors import Fault, InputFault
from workbook_lib.records.record import Decision
from workbook_lib.records.weather import Weather
from workbook_lib.records.weather_values import before_leap_day, calendar_parts, line_numbers, value_faults, year_fault

HOUR_S = 3600
ROWS = (8760, 8784)
"""Hours of a year, without and with 29 February."""
TMY3_COLUMNS = (
    "Date (MM/DD/YYYY)",
    "Time (HH:MM)",
    *("GHI (W/m^2)", "DNI (W/m^2)", "DHI (W/m^2)", "Dry-bulb (C)", "Wspd (m/s)"),
)
PVLIB_NAMES = {"ghi": "ghi", "dni": "dni", "dhi": "dhi", "temperature": "temp_air", "wind": "wind_speed"}
HEADER_LINES = {"tmy3": 2, "epw": 8}
EPW_FIELDS = (32, 35)
"""Fields of an epw row, fewest and most: what stands after the 32nd came with later versions of the format."""
PLACE = {"latitude": (-90.0, 90.0, "deg"), "longitude": (-180.0, 180.0, "deg"), "altitude": (-430.0, 9000.0, "m"), "TZ": (-12.0, 14.0, "h")}


def read_year(path: Path, text: str, shown: str, format: str, field: str, typical: bool | None) -> Weather:
    """A year of hours in tmy3 or epw.

    Both formats stamp the end of the hour. pvlib's index keeps that for tmy3 and moves to the beginning for epw.
    Parameters: path and text of the file; its name and field for faults; format; False for a year that was measured.
    Errors: InputFault with every fault.
    """
    lines = line_numbers(text)
    _look(text, lines, shown, format, field)
    first = text.split("\n", 1)[0]
    data, place = _parsed(path, first, shown, format, field)
    lines = lines[HEADER_LINES[format] :]
    values = {name: _numbers(data[column]) for name, column in PVLIB_NAMES.items()}
    standard = round(float(place["TZ"]) * 3600) if np.isfinite(place["TZ"]) else 0
    seconds = data.index.tz_localize(None).to_numpy().astype("datetime64[s]").astype(np.int64)
    wall = before_leap_day(seconds - HOUR_S, HOUR_S) if format == "tmy3" else seconds
    faults = [*_place_faults(first, shown, format, field), *year_fault(wall, HOUR_S, shown, field, lines)]
    faults += value_faults(values, shown, field, lines)
    faults += _dark_fault(values, shown, field)
    dated = typical is False
    if dated and (np.diff(wall) != HOUR_S).any():
        years = ", ".join(map(str, _years(wall)))
        todo = "say typical = true, or give weather that was measured in one year"
        faults.append(Fault(shown, f"{field}.typical", "months of several years are no measured year", years, "one year in a row", todo))
    if faults:
        raise InputFault(faults)
    return _weather(values, wall, standard, place, dated, shown, format, typical, first.strip())


def _weather(values, wall, standard: int, place: dict, dated: bool, shown: str, format: str, typical: bool | None, first: str) -> Weather:
    _, month, day, hour = calendar_parts(wall)
    kind = "measured weather" if dated else "a typical year, without dates"
    decisions = (
        Decision("each hour begins one hour before its stamp", f"the format {format} stamps the end of the hour"),
        Decision(f"clock {standard / 3600:+g} h from UTC, without daylight saving", "time zone in the file's first line"),
        Decision(kind, "typical in the site file" if typical is not None else f"the format {format}"),
    )
    return Weather(
        ghi_w_m2=values["ghi"],
        dni_w_m2=values["dni"],
        dhi_w_m2=values["dhi"],
        temperature_degc=values["temperature"],
        wind_m_s=values["wind"],
        month=month,
        day=day,
        hour=hour,
        length_s=HOUR_S,
        standard_s=standard,
        typical=not dated,
        years=_years(wall),
        begin=wall - standard if dated else None,
        latitude_deg=float(place["latitude"]),
        longitude_deg=float(place["longitude"]),
        elevation_m=float(place["altitude"]),
        file=Path(shown).name,
        source=(first,),
        decisions=decisions,
    )


def _years(wall: np.ndarray) -> tuple[int, ...]:
    return tuple(np.unique(calendar_parts(wall)[0]).tolist())


def _look(text: str, lines: np.ndarray, shown: str, format: str, field: str) -> None:
    """Errors: InputFault for another format, columns that lack, rows cut short, a wrong number of rows."""
    rows = [line for line in text.split("\n") if line.strip()]
    where, head = f"{field}.file", HEADER_LINES[format]
    other = _looks_like(rows)
    if other != format:
        said = f"it looks like {other}" if other else rows[0].strip()[:80]
        limit = "LOCATION in its first line, DATA PERIODS in the eighth" if format == "epw" else "station line, then a line of column names"
        todo = "name the file and its format anew"
        raise InputFault([Fault(shown, where, f"not a weather file in {format} format, or damaged", said, limit, todo, 1)])
    faults = []
    if format == "tmy3":
        names = next(csv.reader([rows[1]]))
        least = most = len(names)
        lacking = [name for name in TMY3_COLUMNS if name not in names]
        for name in lacking:
            near = difflib.get_close_matches(name, names, 3, 0.4)
            todo = "take the file as it was published"
            faults.append(Fault(shown, where, "columns that are not there", name, f"nearest: {', '.join(near) or 'none'}", todo, 2))
    else:
        least, most = EPW_FIELDS
        first = len(_cells(rows[head])) if len(rows) > head else least
        least, most = (first, first) if least <= first <= most else (least, most)
    wide = np.array([len(_cells(row)) for row in rows[head:]], dtype=np.int64)
    odd = np.flatnonzero((wide < least) | (wide > most))
    if odd.size:
        said = f"{odd.size} rows, the first with {wide[odd[0]]} fields"
        limit = f"{least} fields" if least == most else f"{least} to {most} fields"
        faults.append(Fault(shown, where, "rows cut short or too long", said, limit, "take the whole file", int(lines[head + odd[0]])))
    if len(wide) not in ROWS:
        todo = "take the whole file"
        faults.append(Fault(shown, where, "not a whole year of hours", f"{len(wide)} rows", "8,760 or 8,784", todo, int(lines[-1])))
    if faults:
        raise InputFault(faults)


def _cells(row: str) -> list[str]:
    return next(csv.reader([row])) if '"' in row else row.split(",")


def _looks_like(rows: list[str]) -> str:
    if rows[0].upper().startswith("LOCATION,"):
        return "epw" if len(rows) >= 8 and rows[7].upper().startswith("DATA PERIODS") else ""
    if len(rows) >= 2 and rows[0].count(",") >= 6 and "," in rows[1] and "Date" in rows[1] and "Time" in rows[1]:
        return "tmy3"
    return ""


def _parsed(path: Path, first: str, shown: str, format: str, field: str):
    """Table and place by pvlib. Errors: InputFault for whatever it cannot parse."""
    from pvlib import iotools

    whole = str(path.resolve())
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            if format == "tmy3":
                return iotools.read_tmy3(whole, map_variables=True, encoding="utf-8-sig")
            return iotools.read_epw(whole)
    except Exception as error:  # what pvlib and pandas raise for a damaged file has no common root
        said = f"{type(error).__name__}: {str(error).splitlines()[0][:120] if str(error) else ''}"
        what, todo = f"not a weather file in {format} format, or damaged", "name the file and its format anew"
        damaged = Fault(shown, f"{field}.file", what, said, f"a year of hours in {format}", todo)
        raise InputFault(_place_faults(first, shown, format, field) or [damaged]) from None


def _place_faults(first: str, shown: str, format: str, field: str) -> list[Fault]:
    """Faults of place and time zone in the first line, whose fields stand in a fixed order."""
    names = ("TZ", "latitude", "longitude", "altitude") if format == "tmy3" else ("latitude", "longitude", "TZ", "altitude")
    cells = dict(zip(names, first.split(",")[3 if format == "tmy3" else 6 :], strict=False))
    faults, todo = [], "correct the first line of the file; a name in it has no comma"
    for name, (low, high, unit) in PLACE.items():
        said = cells.get(name, "").strip()
        try:
            right, found = low <= float(said) <= high, said
        except ValueError:
            right, found = False, f"no number: {said[:40]!r}"
        if not right:
            limit = f"{low:g} to {high:g} {unit}"
            found = "no number" if said.lower() == "nan" else found
            faults.append(Fault(shown, f"{field}.file", f"{name} of the station is impossible", found, limit, todo, 1))
    return faults


def _dark_fault(values: dict[str, np.ndarray], shown: str, field: str) -> list[Fault]:
    if (values["ghi"] != 0).any():
        return []
    todo = "take a file that has irradiance"
    return [Fault(shown, f"{field}.file", "a year without sun", "global irradiance 0 in every hour", "irradiance in W/m^2", todo)]


def _numbers(column) -> np.ndarray:
    import pandas

    return pandas.to_numeric(column, errors="coerce").to_numpy(dtype=float, na_value=np.nan)
