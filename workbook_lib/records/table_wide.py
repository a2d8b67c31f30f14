"""Tables of a row a day, whose columns are named by the time of day or the hour, put into one reading a row."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np

from workbook_lib.records import table_stamps as stamps
from workbook_lib.records.table_shape import Table
from workbook_lib.records.table_talk import Talk

COUNTS = (24, 25, 48, 50, 96, 100, 288, 300)
"""How many columns of times such a table has; the longer ones hold the repeated hour of autumn."""
_HOUR = re.compile(r"(?:(?:HE|HOUR ENDING|HOUR|HR|H)[ _]?)?(\d{1,2})", re.IGNORECASE)


def as_rows(table: Table, talk: Talk) -> Table:
    """The table itself, or one of a reading a row where it is wide.

    Errors: InputFault where the columns cannot be one day of equal intervals.
    """
    times = [k for k, header in enumerate(table.headers) if header and stamps.kind_of(header) == stamps.TIME]
    hours = [k for k, header in enumerate(table.headers) if _HOUR.fullmatch(header)]
    named = times if len(times) >= 20 else hours
    if len(named) < 20:
        return table
    dates = [k for k in range(len(table.headers)) if k not in named and _is_dates(table.columns[k])]
    if len(dates) != 1 or len(named) not in COUNTS:
        _refuse(table, len(named), talk)
    if named is times:
        labels, header, seconds = [table.headers[k] for k in named], "time", _seconds(table, named)
    else:
        numbers = [int(_HOUR.fullmatch(table.headers[k]).group(1)) for k in named]
        seconds = [number * 3600 for number in numbers]
        word = "hour ending" if re.match(r"HE|HOUR ENDING", table.headers[named[0]], re.IGNORECASE) else "hour"
        labels, header = [str(number) for number in numbers], word
    steps = np.diff(seconds)
    if len(named) in (24, 48, 96, 288):
        step = 86400 // len(named)
        if not (((steps == step) | (steps == step - 86400)).all() and (steps == step).sum() >= len(named) - 2):
            _refuse(table, len(named), talk)
    else:
        _refuse(table, len(named), talk)
    talk.decide(
        f"a row is a day, {len(named)} columns are its intervals", f"headers {table.headers[named[0]]!r} to {table.headers[named[-1]]!r}"
    )
    return _molten(table, dates[0], named, labels, header)


def _molten(table: Table, date: int, named: list[int], labels: list[str], header: str) -> Table:
    count, width = len(table), len(named)
    others = [
        k
        for k in range(len(table.headers))
        if k != date and k not in named and not re.match(r"(sum|(daily )?total)\b", table.headers[k], re.I)
    ]
    day = [cell for cell in table.columns[date] for _ in range(width)]
    value = [cell for row in zip(*(table.columns[k] for k in named), strict=True) for cell in row]
    columns = [day, labels * count, value, *([cell for cell in table.columns[k] for _ in range(width)] for k in others)]
    units = (table.units[date], "", table.units[named[0]], *(table.units[k] for k in others))
    names = (table.headers[date], header, "value", *(table.headers[k] for k in others))
    return replace(table, headers=names, units=units, columns=tuple(columns), lines=np.repeat(table.lines, width))


def _is_dates(column: list[str]) -> bool:
    cells = [cell for cell in column[:60] if cell]
    return bool(cells) and sum(stamps.kind_of(cell) in (stamps.DATE, stamps.STAMP) for cell in cells) * 10 >= 7 * len(cells)


def _seconds(table: Table, named: list[int]) -> list[int]:
    return stamps.scan([table.headers[k] for k in named]).tod_s.tolist()


def _refuse(table: Table, count: int, talk: Talk) -> None:
    talk.stop(
        "file",
        "a row of many intervals that cannot be put into a day",
        f"{count} columns named by time or hour",
        "24, 48, 96 or 288 columns of equal steps and one column of dates; or one reading a row",
        "reshape the table to one reading a row",
        table.header_line,
    )
