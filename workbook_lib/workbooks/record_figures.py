"""Figures of a meter record, as data: demand duration curve, day-by-hour map, peak day.

Days, hours and months are those of the record's own clock. A reading stands at the moment at which it
begins; one that reaches into the next hour counts in both.
"""

from __future__ import annotations

import calendar
import datetime
import math
from dataclasses import replace
from typing import TYPE_CHECKING

from workbook_lib.errors import CalculationFault
from workbook_lib.records.marks import kinds_between
from workbook_lib.sheet import Figure, Table

if TYPE_CHECKING:
    from workbook_lib.records import Record

UNITS = {"Wh": ("kW", 1000.0), "VAh": ("kVA", 1000.0), "Ah": ("A", 1.0)}
"""Unit in which the rate of a record is shown, and how many of the record's own units it is."""
SHARES = (0.0, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, *(float(share) for share in range(10, 101, 10)))
"""Shares of the recorded time [%] of the demand duration curve."""
DAY_S, HOUR_S, QUARTER_S = 86400, 3600, 900
DRAWN_S = 300
"""Readings of the peak day that are shorter than this are drawn as the highest of each such time [s]."""
SHORT_DAYS = 40
"""Up to so many days the table of the map has a row a day [count]."""
MAP_DAYS = 366
"""The map shows at most this many days, the last of the record [count]."""
DECIMALS = 3
_EPOCH = datetime.date(1970, 1, 1).toordinal()


def figures(record: Record, *, withheld: bool) -> tuple[Figure, ...]:
    """Duration curve, and the map and the peak day unless the home's daily pattern is withheld.

    Parameters: record, withheld. Returns: figures [kW, kVA or A]; readings of a day or longer have
    neither map nor peak day. Errors: CalculationFault for a record without a usable reading.
    """
    settled = ordered(record)
    drawn = [_duration(settled)]
    if not withheld and hourly(settled):
        drawn += [_daymap(settled), _peak_day(settled)]
    if settled.marks:
        drawn = [replace(one, description=one.description + _marked(settled, one.key)) for one in drawn]
    return tuple(drawn)


def _marked(record: Record, key: str) -> str:
    """Words for what is marked in a figure; dates in the map alone, which is not drawn where they are withheld."""
    if key == "duration":
        return " Readings in ranges that the site file marks are among them."
    if key == "daymap":
        text = record.clock.text
        ranges = (f"{mark.kind} {text(mark.begins)[:16]} to {text(mark.ends)[:16]}".replace("T", " ") for mark in record.marks)
        return f" Marked in the site file, and drawn as read: {'; '.join(ranges)}."
    top = int(shown_rate(record).argmax())
    found = kinds_between(record.marks, int(record.start[top]), int(record.end[top]))
    return f" The highest lies in a range that is marked {found}." if found else ""


def ordered(record: Record) -> Record:
    """A record in order of time, duplicates once, readings of no length left out, which have no average.

    Parameters: record as it was read. Returns: Record. Errors: CalculationFault if no reading is left.
    """
    import numpy as np

    from workbook_lib.records import settle

    settled = settle(record)
    timed = np.flatnonzero(settled.length > 0)
    if not len(timed):
        found = f"{len(record)} readings, none with a length"
        raise CalculationFault("the record has no reading with an average", value=found, limit="1 or more", where=record.file)
    if len(timed) == len(settled):
        return settled
    return settled.keeping(timed)


def shown_unit(record: Record) -> str:
    """Unit in which the rate of a record is shown: kW, kVA or A."""
    return UNITS[record.unit][0]


def shown_rate(record: Record):
    """Average over each reading [kW, kVA or A]. Returns: array."""
    return record.rate / UNITS[record.unit][1]


def hourly(record: Record) -> bool:
    """Whether every reading is shorter than a day, so that hours and days can be told apart."""
    return int(record.length.max()) < DAY_S


def date_of(wall: int) -> datetime.date:
    """Date of a wall-clock second."""
    return datetime.date.fromordinal(_EPOCH + int(wall) // DAY_S)


def hour_of(wall: int) -> str:
    """Time of day of a wall-clock second, seconds only where there are any."""
    hours, rest = divmod(int(wall) % DAY_S, HOUR_S)
    minutes, seconds = divmod(rest, 60)
    return f"{hours:02d}:{minutes:02d}" + (f":{seconds:02d}" if seconds else "")


def length_words(seconds: float) -> str:
    """A length of time [s] in days, hours, minutes and seconds, those that are none left out: 900 s is 15 min."""
    parts, rest = [], int(seconds)
    for size, name in ((DAY_S, "d"), (HOUR_S, "h"), (60, "min"), (1, "s")):
        count, rest = divmod(rest, size)
        parts += [f"{count:,} {name}"] if count else []
    return " ".join(parts) or "0 s"


def moment(record: Record, wall_day: int) -> int:
    """The first moment [s, UTC] of a local day, counted from 1970-01-01; the next quarter hour where the clock skips midnight."""
    wall = wall_day * DAY_S
    for later in range(0, DAY_S, QUARTER_S):
        found = record.clock.utc(wall + later)
        if found:
            return found[0]
    raise CalculationFault("a local day has no moment", value=date_of(wall).isoformat(), where="record_figures.moment")


def _what(record: Record) -> str:
    """What a reading's number is called."""
    return "sample" if record.basis == "sampled" else "average"


# duration curve


def _duration(record: Record) -> Figure:
    unit = shown_unit(record)
    rows = duration_rows(record)
    at = dict(rows)
    description = (
        f"The record reaches {_text(at[0.0])} {unit}; for 1 % of the recorded time it is at or above {_text(at[1.0])} {unit}, "
        f"for half of it at or above {_text(at[50.0])} {unit}, and never below {_text(at[100.0])} {unit}. "
        "Between two rows of the table the line holds the higher value, so that it never lies below the record."
    )
    listed = tuple((f"{share:g}", value) for share, value in rows)
    table = Table(("Share of the recorded time (%)", f"At or above ({unit})"), listed, "Demand duration curve", DECIMALS)
    return Figure("duration", "duration", "Demand duration curve", description, table, unit=unit)


def duration_rows(record: Record) -> tuple[tuple[float, float], ...]:
    """Demand at or above which the record is for each share of its time, readings weighed by their length.

    Parameters: record in order. Returns: pairs [%], [kW, kVA or A], the highest first.
    """
    import numpy as np

    rate = shown_rate(record)
    order = np.argsort(-rate, kind="stable")
    held = np.cumsum(record.length[order])
    rows = []
    for share in SHARES:
        needed = -(-int(held[-1]) * int(round(share * 10)) // 1000)
        place = int(np.searchsorted(held, needed, side="left")) if needed > 0 else 0
        rows.append((share, float(rate[order[place]])))
    return tuple(rows)


def _text(value: float) -> str:
    shown = f"{value:,.{DECIMALS}f}".rstrip("0").rstrip(".") if round(value, DECIMALS) else "0"
    return shown.replace("-", "\N{MINUS SIGN}")


# day by hour


def day_by_hour(record: Record) -> tuple[int, object]:
    """Highest reading in each hour of each local day.

    Parameters: record in order. Returns: the first day, counted from 1970-01-01, and an array of shape
    (days, 24) [kW, kVA or A] with NaN where no reading is; the last 366 days of a longer record.
    """
    import numpy as np

    rate, wall = shown_rate(record), record.clock.local(record.start)
    last = int(record.clock.local(int(record.end.max()) - 1)) // DAY_S
    first = max(int(wall.min()) // DAY_S, last - MAP_DAYS + 1)
    cells = np.full((last - first + 1) * 24, -np.inf)
    edge = record.start - wall % HOUR_S
    point, inside = record.start, np.ones(len(record), dtype=bool)
    step = 0
    while inside.any():
        cell = record.clock.local(point[inside]) // HOUR_S - first * 24
        kept = (cell >= 0) & (cell < len(cells))
        np.maximum.at(cells, cell[kept], rate[inside][kept])
        step += 1
        point = edge + step * HOUR_S
        inside = point < record.end
    cells[np.isneginf(cells)] = np.nan
    return first, cells.reshape(-1, 24)


def _daymap(record: Record) -> Figure:
    """The map; a row of its grid is a day: its number in the calendar (date.toordinal), then hours 0 to 23."""
    import numpy as np

    unit = shown_unit(record)
    first, cells = day_by_hour(record)
    days = [date_of((first + place) * DAY_S) for place in range(len(cells))]
    grid = tuple(
        (float(day.toordinal()), *(None if np.isnan(value) else float(value) for value in row))
        for day, row in zip(days, cells, strict=True)
    )
    whole = int(record.clock.local(record.start).min()) // DAY_S >= first
    place = int(np.nanargmax(cells))
    empty = int(np.isnan(cells).sum())
    span = f"{len(days):,} days from {days[0]} to {days[-1]}" if len(days) > 1 else f"One day, {days[0]},"
    description = (
        f"{span} by the local clock, hour by hour, the darker the higher. "
        f"The highest hour holds {_text(float(cells.flat[place]))} {unit}, on {days[place // 24]} from {place % 24:02d}:00."
    )
    description += "" if whole else f" Only the last {len(days)} days of the record are drawn."
    if empty:
        words = f"{empty:,} hours are" if empty > 1 else "One hour is"
        description += f" {words} white: no reading{_skipped(record, first, len(days))}."
    table = _day_rows(unit, days, cells) if len(days) <= SHORT_DAYS else _month_rows(unit, days, cells)
    return Figure("daymap", "daymap", f"Highest {_what(record)} in each hour of each day", description, table, unit=unit, grid=grid)


def _skipped(record: Record, first: int, days: int) -> str:
    """Words for the hours that the clock skips, which no record can fill."""
    start, end = moment(record, first), moment(record, first + days)
    found = [at for at in record.clock.changes_between(start, end - 1) if record.clock.offset(at) > record.clock.offset(at - 1)]
    if not found:
        return ""
    dates = ", ".join(date_of(int(record.clock.local(at))).isoformat() for at in found)
    return f", the hour that the clock skips on {dates} among them"


def _day_rows(unit: str, days: list[datetime.date], cells) -> Table:
    import numpy as np

    rows: list[tuple[object, ...]] = []
    for day, row in zip(days, cells, strict=True):
        read = int((~np.isnan(row)).sum())
        top = int(np.nanargmax(row)) if read else 0
        rows.append((f"{day} {day:%a}", float(row[top]), f"{top:02d}:00", read) if read else (f"{day} {day:%a}", "no reading", "", 0))
    return Table(("Day", f"Highest ({unit})", "In the hour from", "Hours with readings"), tuple(rows), "Highest hour of each day", DECIMALS)


def _month_rows(unit: str, days: list[datetime.date], cells) -> Table:
    import numpy as np

    months = list(dict.fromkeys((day.year, day.month) for day in days))
    names = [calendar.month_abbr[month] for _, month in months]
    heads = [name if names.count(name) == 1 else f"{name} {year % 100:02d}" for name, (year, _) in zip(names, months, strict=True)]
    member = {month: [place for place, day in enumerate(days) if (day.year, day.month) == month] for month in months}
    rows = []
    for hour in range(24):
        columns = [cells[member[month], hour] for month in months]
        rows.append((f"{hour:02d}:00", *("none" if np.isnan(column).all() else float(np.nanmax(column)) for column in columns)))
    span = f"{calendar.month_name[months[0][1]]} {months[0][0]} to {calendar.month_name[months[-1][1]]} {months[-1][0]}"
    caption = f"Highest of each month by hour ({unit}), {span}; the drawing shows every day"
    return Table(("From", *heads), tuple(rows), caption, 1)


# peak day


def _peak_day(record: Record) -> Figure:
    """The day of the highest reading; a row of its grid is a reading: from and to [h since local midnight], average."""
    import numpy as np

    unit, rate = shown_unit(record), shown_rate(record)
    top = int(np.argmax(rate))
    day = int(record.clock.local(int(record.start[top]))) // DAY_S
    begin, end = moment(record, day), moment(record, day + 1)
    inside = np.flatnonzero((record.start < end) & (record.end > begin))
    grid = tuple(
        (
            (max(int(record.start[place]), begin) - begin) / HOUR_S,
            (min(int(record.end[place]), end) - begin) / HOUR_S,
            float(rate[place]),
        )
        for place in inside
    )
    fine = int(record.length[inside].min()) < DRAWN_S
    date, wall = date_of(day * DAY_S), int(record.clock.local(int(record.start[top])))
    words = f"{date:%A} {date}"
    description = (
        f"{words} holds the highest {_what(record)} of the record, {_text(float(rate[top]))} {unit} over "
        f"{length_words(int(record.length[top]))} from {hour_of(wall)}. "
        f"{len(inside):,} readings touch the day; its mean is {_text(_mean(grid))} {unit} over {_text(_covered_h(grid))} h with readings."
    )
    if end - begin != DAY_S:
        description += f" The clock is changed on this day: it has {_text((end - begin) / HOUR_S)} hours."
    if fine:
        description += f" Readings are shorter than {length_words(DRAWN_S)}: the line is the highest of each {length_words(DRAWN_S)}."
        grid = _highest_of_each(grid)
    table = _peak_table(record, inside, unit, rate)
    title = f"The day with the highest {_what(record)}: {words}"
    return Figure("peakday", "peakday", title, description, table, unit=unit, grid=grid)


def _highest_of_each(grid) -> tuple[tuple[float, float, float], ...]:
    """The highest reading that touches each piece of the day [h], pieces without one left out."""
    pieces: dict[int, float] = {}
    width = DRAWN_S / HOUR_S
    for start, end, value in grid:
        for piece in range(int(start / width + 1e-6), max(int(start / width + 1e-6) + 1, math.ceil(end / width - 1e-6))):
            pieces[piece] = max(value, pieces.get(piece, value))
    return tuple((piece * width, (piece + 1) * width, pieces[piece]) for piece in sorted(pieces))


def _covered_h(grid) -> float:
    """Hours that the pieces of a day cover together, an overlap once."""
    covered, reached = 0.0, 0.0
    for start, end, _ in grid:
        covered += max(0.0, end - max(start, reached))
        reached = max(reached, end)
    return covered


def _mean(grid) -> float:
    weights = sum(end - start for start, end, _ in grid)
    return sum((end - start) * value for start, end, value in grid) / weights


def _peak_table(record: Record, inside, unit: str, rate) -> Table:
    """Each reading of the day, or the highest of each hour where readings are shorter than a quarter hour."""
    if int(record.length[inside].min()) >= QUARTER_S:
        rows = tuple((_stamp(record, int(place)), length_words(int(record.length[place])), float(rate[place])) for place in inside)
        return Table(("From", "Length", f"{_what(record).capitalize()} ({unit})"), rows, "Each reading of the day", DECIMALS)
    hours: dict[int, list[int]] = {}
    for place in inside:
        hours.setdefault(_utc_hour(record, int(place)), []).append(int(place))
    rows = []
    for places in hours.values():
        top = max(places, key=lambda place: (float(rate[place]), -place))
        rows.append((_stamp(record, places[0], whole_hour=True), len(places), _stamp(record, top), float(rate[top])))
    return Table(("Hour from", "Readings", "Highest at", f"Highest ({unit})"), tuple(rows), "The highest of each hour of the day", DECIMALS)


def _utc_hour(record: Record, place: int) -> int:
    """The moment [s, UTC] at which the wall-clock hour of a reading begins: the repeated hour twice."""
    start = int(record.start[place])
    return start - int(record.clock.local(start)) % HOUR_S


def _stamp(record: Record, place: int, *, whole_hour: bool = False) -> str:
    """Time of day of a reading by the wall clock, with its offset on a day that has two."""
    start = _utc_hour(record, place) if whole_hour else int(record.start[place])
    wall = int(record.clock.local(start))
    day = wall // DAY_S
    if moment(record, day + 1) - moment(record, day) == DAY_S:
        return hour_of(wall)
    offset = record.clock.text(start)[-6:]
    return f"{hour_of(wall)} {offset}"
