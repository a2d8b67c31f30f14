"""A plain table of weather: columns by their names, stamps at the start or the end, a clock without guessing."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import numpy as np

from workbook_lib.errors import Fault, InputFault, MissingInput
from workbook_lib.records.clock import Clock
from workbook_lib.records.record import Decision
from workbook_lib.records.weather import Weather
from workbook_lib.records.weather_columns import COLUMNS, choose, stamped_at
from workbook_lib.records.weather_values import (
    ZERO_ERROR_W_M2,
    before_leap_day,
    calendar_parts,
    clipped,
    line_numbers,
    value_faults,
    year_fault,
)

LEAST_S, MOST_S = 60, 3600
"""Shortest and longest interval of weather [s]: the sun moves too far in more than an hour."""


def read_table(
    text: str, shown: str, field: str, columns: dict[str, str], stamp: str | None, clock: Clock | None, typical: bool | None
) -> Weather:
    """Weather from a table [W/m^2, degC, m/s].

    Parameters: text; name and field for faults; columns by what they are; start or end; clock; typical year or measured.
    Errors: InputFault with every fault; MissingInput for what neither table nor site file says.
    """
    data, chosen, decisions = _parsed(text, shown, field, columns)
    lines = line_numbers(text)[1:]
    if len(lines) != len(data):
        lines = np.arange(len(data)) + 2
    stamps, offsets, faults = _times(data[chosen["time"]], shown, field, lines)
    values = {name: _numbers(data[chosen[name]]) for name in COLUMNS}
    faults += value_faults(values, shown, field, lines, slack_w_m2=0.0 if typical else ZERO_ERROR_W_M2)
    if faults:
        raise InputFault(faults)
    if stamp is None and (stamp := stamped_at(chosen["time"])) is not None:
        decisions.append(Decision(f"stamps stand at the {stamp} of the interval", f"column {chosen['time']!r}"))
    standard = _standard(offsets, clock, decisions)
    asked = {"stamp": stamp is None, "typical": typical is None, "clock": standard is None}
    if any(asked.values()):
        reasons = {
            "stamp": "whether stamps stand at the start or the end of the interval",
            "typical": "whether it is a typical year or measured weather",
            "clock": "in which time zone it is",
        }
        names = [name for name, lacks in asked.items() if lacks]
        raise MissingInput([f"{field}.{name}" for name in names], f"the weather table does not say {', '.join(reasons[n] for n in names)}")
    values, count = clipped(values)
    wall = stamps if offsets is None else stamps + standard
    step, wall = _placed(wall, offsets is None, stamp, clock, typical, shown, field, lines)
    _, month, day, hour = calendar_parts(wall)
    return Weather(
        ghi_w_m2=values["ghi"],
        dni_w_m2=values["dni"],
        dhi_w_m2=values["dhi"],
        temperature_degc=values["temperature"],
        wind_m_s=values["wind"],
        month=month,
        day=day,
        hour=hour,
        length_s=step,
        standard_s=standard,
        typical=typical,
        years=tuple(np.unique(calendar_parts(wall)[0]).tolist()),
        begin=None if typical else wall - standard,
        file=Path(shown).name,
        source=(f"columns {', '.join(map(repr, chosen.values()))}",),
        decisions=tuple(decisions),
        clipped_count=count,
    )


def _parsed(text: str, shown: str, field: str, columns: dict[str, str]):
    """Table, chosen columns, decisions. Errors: InputFault for what is no table with these columns."""
    import pandas

    where, start = f"{field}.file", text.lstrip("\n\t ")
    reader = csv.reader(io.StringIO(start), skipinitialspace=True)
    try:
        names, first = next(reader), next(reader, None)
    except (csv.Error, StopIteration) as error:
        raise InputFault([Fault(shown, where, "not a table", str(error), "a table with a heading", "save it as CSV")]) from None
    chosen, decisions, faults = choose(names, columns, shown, field)
    if first is None:
        faults.append(Fault(shown, where, "no rows under the heading", "0", "intervals of weather", "take the whole file"))
    elif len(first) > len(names):
        said, limit = f"{len(first)} fields", f"{len(names)}, as in the heading"
        faults.append(Fault(shown, where, "rows longer than the heading", said, limit, "save it as CSV, decimals with a point", 2))
    if faults:
        raise InputFault(faults)
    time = chosen["time"]
    try:
        data = pandas.read_csv(
            io.StringIO(start), usecols=list(chosen.values()), dtype={time: str}, skipinitialspace=True, low_memory=False
        )
    except ValueError as error:
        said, todo = str(error).splitlines()[0][:120], "save it as CSV, decimals with a point"
        raise InputFault([Fault(shown, where, "not a table", said, "rows as long as the heading", todo)]) from None
    return data, chosen, decisions


def _numbers(column) -> np.ndarray:
    import pandas

    if column.dtype == bool:
        return np.full(len(column), np.nan)
    return pandas.to_numeric(column, errors="coerce").to_numpy(dtype=float, na_value=np.nan)


def _times(column, shown: str, field: str, lines: np.ndarray) -> tuple[np.ndarray, np.ndarray | None, list[Fault]]:
    """Seconds of the stamps, of UTC with their offsets [s] where they carry one, else of the wall with None; faults."""
    import pandas

    texts = column.fillna("").str.strip()
    marks = texts.str.extract(r"[T ]\d\d[^Zz+-]*?(Z|z|[+-]\d\d:?\d\d)$", expand=False)
    has = marks.notna().to_numpy()
    parsed = pandas.to_datetime(texts, format="ISO8601", errors="coerce", utc=True)
    bad = parsed.isna().to_numpy()
    limit, todo = "2026-01-31T05:00, all with an offset or none", "write them so"
    if bad.any() or (has.any() and not has.all()):
        at = int(np.flatnonzero(bad)[0]) if bad.any() else int(np.flatnonzero(has != has[0])[0])
        what = f"{int(bad.sum())} stamps that are no time" if bad.any() else "stamps with and without an offset"
        return np.zeros(0), None, [Fault(shown, f"{field}.file", what, repr(texts.iloc[at])[:60], limit, todo, int(lines[at]))]
    seconds = parsed.dt.tz_localize(None).to_numpy().astype("datetime64[s]").astype(np.int64)
    if not has.any():
        return seconds, None, []
    seen = {mark: _offset_s(mark) for mark in marks.unique()}
    return seconds, marks.map(seen).to_numpy(dtype=np.int64), []


def _offset_s(mark: str) -> int:
    if mark in "Zz":
        return 0
    digits = mark[1:].replace(":", "")
    return (-1 if mark[0] == "-" else 1) * (int(digits[:2]) * 3600 + int(digits[2:]) * 60)


def _standard(offsets: np.ndarray | None, clock: Clock | None, decisions: list[Decision]) -> int | None:
    """Offset of local standard time [s east of UTC]; None where nothing says it."""
    if clock is not None:
        decisions.append(Decision(f"local standard time {clock.standard_s / 3600:+g} h from UTC", f"clock {clock.name}"))
        return clock.standard_s
    if offsets is None or (offsets != offsets[0]).any() or offsets[0] == 0:
        return None
    decisions.append(Decision(f"local standard time {offsets[0] / 3600:+g} h from UTC", "the one offset of all stamps"))
    return int(offsets[0])


def _placed(
    wall: np.ndarray, naive: bool, stamp: str, clock: Clock | None, typical: bool, shown: str, field: str, lines: np.ndarray
) -> tuple[int, np.ndarray]:
    """Length [s] and beginnings of the intervals by the wall in standard time. Errors: InputFault where they are not in a row."""
    where, steps = f"{field}.file", np.diff(wall)
    step = int(np.median(steps)) if len(steps) else 0
    if not LEAST_S <= step <= MOST_S:
        said, todo = f"{step} s from row to row", "give a table of hours or shorter, in order of time"
        raise InputFault([Fault(shown, where, "intervals that the sun cannot be placed in", said, f"{LEAST_S} to {MOST_S} s", todo)])
    begin = wall - (step if stamp == "end" else 0)
    if typical:
        begin = before_leap_day(begin, step)
        faults = year_fault(begin, step, shown, field, lines)
        if faults:
            raise InputFault(faults)
        return step, begin
    odd = np.flatnonzero(steps != step)
    if odd.size:
        todo = "fill or cut the table; a clock with daylight saving is written in standard time or with offsets"
        said = f"{odd.size} places, the first with {steps[odd[0]]} s"
        raise InputFault(
            [Fault(shown, where, "stamps are not evenly apart", said, f"{step} s from row to row", todo, int(lines[odd[0] + 1]))]
        )
    if naive and clock is not None:
        first, last = int(wall[0]) - clock.standard_s, int(wall[-1]) - clock.standard_s
        if clock.changes_between(first, last) or (clock.offset([first, last]) != clock.standard_s).any():
            what, todo = (
                "stamps in daylight saving or in standard time",
                'declare the clock that was used, as "Etc/GMT+7", or write offsets',
            )
            said = f"{clock.name}, which has daylight saving in these days, and stamps evenly apart"
            raise InputFault([Fault(shown, f"{field}.clock", what, said, "a clock without daylight saving", todo)])
    return step, begin
