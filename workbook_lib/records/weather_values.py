"""What the weather readers share: the text of a file, what its values may be, positions in a year."""

from __future__ import annotations

import stat
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from workbook_lib.errors import Fault, InputFault

MOST_BYTES = 64_000_000
"""Largest weather file that is read [bytes]: a year of minutes has half of it, a typical year a thirtieth."""
ZERO_ERROR_W_M2 = 5.0
"""Measured irradiance so far below zero [W/m^2] is the zero error of a pyranometer at night; it is counted and taken as zero."""
LIMITS: Mapping[str, tuple[float, float, str]] = {
    "ghi": (0.0, 1500.0, "W/m^2"),
    "dni": (0.0, 1500.0, "W/m^2"),
    "dhi": (0.0, 1500.0, "W/m^2"),
    "temperature": (-90.0, 60.0, "degC"),
    "wind": (0.0, 115.0, "m/s"),
}
"""What a value may be; the ends are beyond what stations on land have measured."""
_ALWAYS = (-9999.0, -9900.0, -999.0, 9999.0, 99999.0)
MISSING: Mapping[str, tuple[float, ...]] = {
    "ghi": _ALWAYS,
    "dni": _ALWAYS,
    "dhi": _ALWAYS,
    "temperature": (*_ALWAYS, 99.9, 999.0, 999.9),
    "wind": (*_ALWAYS, 999.0, 999.9),
}
"""Marks of a missing value in the typical-year formats and in common use; 999 W/m^2 is an irradiance and no mark."""
_STARTS = np.cumsum([0, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30])
"""Days of an ordinary year before each month."""


def weather_text(path: Path, shown: str, field: str) -> str:
    """The text of a weather file. Errors: InputFault for what is no readable text file in UTF-8."""

    def stop(what: str, value: str, limit: str, todo: str, line: int | None = None) -> InputFault:
        return InputFault([Fault(shown, f"{field}.file", what, value, limit, todo, line)])

    try:
        if path.is_symlink() and not path.exists():
            raise stop("the weather file is a link that leads nowhere", "", "a file", "put the file where the link points")
        state = path.stat()
        if stat.S_ISDIR(state.st_mode):
            raise stop("the weather file is a folder", "", "a file", "name the file in it")
        if not stat.S_ISREG(state.st_mode):
            raise stop("the weather file is a device or a pipe", "", "a file", "name a file")
        if state.st_size > MOST_BYTES:
            size, todo = f"{state.st_size / 1e6:.0f} MB", "cut it to the year that is needed"
            raise stop("the weather file is too large", size, f"up to {MOST_BYTES / 1e6:.0f} MB", todo)
        data = path.read_bytes()
    except (OSError, ValueError) as error:
        said = getattr(error, "strerror", None) or str(error)
        raise stop("the weather file cannot be opened", said, "a file that can be read", "look at its name and rights") from None
    if not data.strip(b"\x00\r\n\t ,\xef\xbb\xbf"):
        raise stop("the weather file is empty", f"{len(data)} bytes", "a year of weather", "name the right file")
    encoding = "save it as text in UTF-8"
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise stop("text of another encoding", "UTF-16", "text in UTF-8", encoding)
    if b"\x00" in data:
        raise stop("not a text file", "bytes of zero", "a text table", "unpack it, or export it as text")
    try:
        return data.decode("utf-8-sig").replace("\r\n", "\n").replace("\r", "\n")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        raise stop("text of another encoding", f"byte 0x{data[error.start]:02x}", "text in UTF-8", encoding, line) from None


def line_numbers(text: str) -> np.ndarray:
    """Line of each row that is not blank, counted from 1."""
    return np.array([number for number, line in enumerate(text.split("\n"), 1) if line.strip()], dtype=np.int64)


def value_faults(
    values: Mapping[str, np.ndarray], shown: str, field: str, lines: Sequence[int] | np.ndarray, *, slack_w_m2: float = 0.0
) -> list[Fault]:
    """A fault for missing, unreadable and impossible values, each kind once with its count and first line.

    Parameters: values by name; file and field for faults; line of each row; how far below zero irradiance may read [W/m^2].
    """
    faults = []
    for name, array in values.items():
        low, high, unit = LIMITS[name]
        low -= slack_w_m2 if unit == "W/m^2" else 0.0
        missing = ~np.isfinite(array) | np.isin(array, MISSING[name])
        outside = ~missing & ((array < low) | (array > high))
        for where, what, limit in (
            (missing, "missing or unreadable values", "a number in every row"),
            (outside, "impossible values", f"{low:g} to {high:g} {unit}"),
        ):
            if where.any():
                first = int(np.flatnonzero(where)[0])
                said = f"{array[first]:g}" if np.isfinite(array[first]) else "no number"
                found = f"{int(where.sum())} of {len(array)}, the first is {said}"
                todo = "take another file, or mend it by hand and say so"
                faults.append(Fault(shown, f"{field}.file", f"{what} of {name}", found, limit, todo, int(lines[first])))
    return faults


def clipped(values: Mapping[str, np.ndarray]) -> tuple[dict[str, np.ndarray], int]:
    """Values with irradiance below zero taken as zero, and how many were."""
    sun = [name for name in values if LIMITS[name][2] == "W/m^2"]
    count = sum(int((values[name] < 0).sum()) for name in sun)
    return {name: np.maximum(array, 0.0) if name in sun else array for name, array in values.items()}, count


def calendar_parts(wall: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Year, month, day and hour [h, with parts] of wall-clock seconds."""
    seconds = wall.astype("datetime64[s]")
    days, months = seconds.astype("datetime64[D]"), seconds.astype("datetime64[M]")
    year = seconds.astype("datetime64[Y]").astype(np.int64) + 1970
    hour = (wall - days.astype("datetime64[s]").astype(np.int64)) / 3600.0
    return year, months.astype(np.int64) % 12 + 1, (days - months).astype(np.int64) + 1, hour


def slots(month: np.ndarray, day: np.ndarray, hour: np.ndarray, *, leap: bool) -> np.ndarray:
    """Seconds from the first of January to a position in an ordinary or a leap year."""
    days = _STARTS[month - 1] + day - 1 + (month > 2) * int(leap)
    return days.astype(np.int64) * 86400 + np.rint(hour * 3600).astype(np.int64)


def before_leap_day(wall: np.ndarray, length_s: int) -> np.ndarray:
    """Beginnings, with a last interval of 28 February that is stamped 1 March put back.

    Typical years leave 29 February out; the end of their 28 February in a leap year is then 1 March 00:00, and an hour
    before that is 29 February. Parameters: wall-clock seconds, length [s].
    """
    _, month, day, hour = calendar_parts(wall)
    leap = (month == 2) & (day == 29)
    if leap.any() and (hour[leap] * 3600 >= 86400 - length_s).all():
        return np.where(leap, wall - 86400, wall)
    return wall


def year_fault(wall: np.ndarray, length_s: int, shown: str, field: str, lines: Sequence[int] | np.ndarray) -> list[Fault]:
    """A fault where the intervals are not each of a calendar year once and in order. Parameters: wall-clock seconds, length [s]."""
    todo = "take the whole file, in standard time, without a clock change"
    days = len(wall) * length_s / 86400
    if days not in (365, 366):
        said, limit = f"{len(wall)} rows", f"{365 * 86400 // length_s:,} or {366 * 86400 // length_s:,}"
        return [Fault(shown, f"{field}.file", f"not a whole year of intervals of {length_s / 60:g} min", said, limit, todo)]
    _, month, day, hour = calendar_parts(wall)
    right = slots(month, day, hour, leap=days == 366) == np.arange(len(wall)) * length_s
    if days == 365:
        right &= ~((month == 2) & (day == 29))
    if right.all():
        return []
    at = int(np.flatnonzero(~right)[0])
    said = f"{int((~right).sum())} rows out of place, the first begins {int(month[at])}/{int(day[at])} at hour {hour[at]:g}"
    limit = "every interval of the year once, from 1 January 00:00 on"
    return [Fault(shown, f"{field}.file", "the intervals are not a year in order", said, limit, todo, int(lines[at]))]
