"""Which rows of a table are readings: totals, notes and rows without a time are told apart, and channels."""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np

from workbook_lib.records import table_stamps as stamps
from workbook_lib.records.table_columns import Roles, direction
from workbook_lib.records.table_shape import BLANK_WORDS, NUMBER, Table
from workbook_lib.records.table_stamps import Scan
from workbook_lib.records.table_talk import Talk

TOTAL = re.compile(
    r"(?:(?:grand|sub|daily|monthly|weekly|overall|period|column)[- ]?)?"
    r"(?:totals?|subtotals?|sum|average|avg|mean|max(?:imum)?|min(?:imum)?|peak)\b",
    re.IGNORECASE,
)
"""Words with which a row of totals begins."""
_WHOLE = re.compile(r"(?:(?:grand|overall|period|column)[- ]?)?(?:totals?|sum)\b", re.IGNORECASE)
FEW_FRAC = 0.1
"""Up to this part of all rows may lack a time [frac]; more of them are a fault of the file."""


@dataclass
class Sorted:
    """Rows of a table by kind: the readings, and the row index of a total of the whole file with its label, where there is one."""

    keep: np.ndarray
    whole: tuple[int, str] | None


def readable(roles: Roles, scans: dict[int, Scan], hours: np.ndarray | None, count: int) -> np.ndarray:
    """Which rows have a time in every column of times."""
    fine = np.ones(count, bool)
    lone = roles.clock is None and roles.hour is None
    for index, scan in scans.items():
        if index in (roles.clock, roles.end_clock):
            fine &= scan.kind == stamps.TIME
        elif lone:
            fine &= np.isin(scan.kind, (stamps.STAMP, stamps.DATE, stamps.INSTANT))
        else:
            fine &= (scan.kind == stamps.DATE) | ((scan.kind == stamps.STAMP) & (scan.tod_s == 0))
        if index not in (roles.clock, roles.end_clock):
            fine &= (scan.kind == stamps.INSTANT) | np.any([scan.days(order)[1] for order in ("mdy", "dmy", "ymd")], axis=0)
    if hours is not None:
        fine &= ~np.isnan(hours)
    return fine


def sort_rows(table: Table, roles: Roles, timed: np.ndarray, talk: Talk) -> Sorted:
    """Tell readings from totals, notes and rows without a time. Notes faults for times that cannot be read."""
    keep = timed.copy()
    totals = _labelled(table, roles, timed)
    odd = np.flatnonzero(~timed).tolist()
    last = int(np.flatnonzero(timed)[-1]) if timed.any() else -1
    bad, untimed, notes = [], 0, 0
    times = roles.times()
    for k in odd:
        cells = [column[k] for column in table.columns]
        label = next((cell for cell in cells if TOTAL.match(cell)), None)
        numbers = any(NUMBER.fullmatch(cells[index]) for index in roles.amounts())
        stated = [cells[index] for index in times if cells[index]]
        if label is not None:
            totals.append((k, label))
        elif times and not stated and numbers:
            untimed += 1
        elif not numbers and (not stated or k > last or sum(map(bool, cells)) == 1):
            notes += 1
        elif times:
            bad.append((table.lines[k], " ".join(stated)[:60]))
        else:
            bad.append((table.lines[k], " ".join(cells)[:60]))
    keep[[k for k, _ in totals]] = False
    talk.drop("total, subtotal or average", len(totals))
    talk.drop("note without a reading", notes)
    talk.drop("row of a value without a time", untimed)
    if untimed > max(5, FEW_FRAC * len(table)):
        talk.fault("file", "rows without a time", f"{untimed} of {len(table)}", "a time in every row", "fill the times in")
    what = "a time that cannot be read" if times else "a number that cannot be read"
    limit = (
        "ISO, or month, day and year by figures, with the time of day; 24:00 at most; years 1990 to 2099" if times else "a number or blank"
    )
    talk.many("time_column" if times else "value_column", what, bad, limit, "correct the rows, or name the right column")
    whole = [(k, label) for k, label in totals if _WHOLE.match(label)]
    return Sorted(keep, whole[0] if len(whole) == 1 else None)


def untimed_rows(table: Table, roles: Roles) -> np.ndarray:
    """Which rows of a file without dates hold a reading, or a blank in its place."""
    fine = np.ones(len(table), bool)
    for index in roles.amounts():
        column = table.columns[index]
        fine &= np.array([cell.lower() in BLANK_WORDS or NUMBER.fullmatch(cell) is not None for cell in column], dtype=bool)
    last = np.flatnonzero(fine & np.array([any(table.columns[i][k] for i in roles.amounts()) for k in range(len(table))], dtype=bool))
    if last.size:
        after = np.arange(len(table)) > last[-1]
        texts = np.zeros(len(table), bool)
        for k in np.flatnonzero(after):
            texts[k] = sum(bool(column[k]) for column in table.columns) == 1
        fine &= ~texts
    return fine


def _labelled(table: Table, roles: Roles, timed: np.ndarray) -> list[tuple[int, str]]:
    """Rows that have a time and yet say in words that they are totals."""
    apart = {*roles.times(), *roles.amounts(), *roles.channel, roles.quality, roles.unit}
    found: dict[int, str] = {}
    for index, column in enumerate(table.columns):
        if index in apart or roles.kinds[index] not in ("text", "blank"):
            continue
        memory = {cell: bool(TOTAL.match(cell)) for cell in set(column)}
        if any(memory.values()):
            rows = [k for k, cell in enumerate(column) if memory[cell] and timed[k]]
            if len(rows) * 5 <= int(timed.sum()):
                found |= {k: column[k] for k in rows}
    return sorted(found.items())


def one_channel(table: Table, roles: Roles, keep: np.ndarray, talk: Talk) -> tuple[np.ndarray, str]:
    """Rows of one channel. Returns: mask, the channel's name. Asks where stamps stand once for each of several channels."""
    name = talk.declared.channel
    rows = np.flatnonzero(keep).tolist()
    several = {}
    for index in roles.channel:
        distinct = sorted({table.columns[index][k] for k in rows if table.columns[index][k]})
        if name is not None and name in distinct:
            talk.decide(f"rows of {table.label(index)!r} {name!r}", talk.given("channel"))
            said = direction(name)
            if talk.declared.register is None and said:
                roles.register = said
            mask = np.array([cell == name for cell in table.columns[index]], dtype=bool)
            talk.drop("row of another channel", int((keep & ~mask).sum()))
            return keep & mask, name
        if len(distinct) > 1:
            several[index] = distinct
    if name is not None:
        known = "; ".join(f"{table.label(index)!r}: {', '.join(map(repr, found[:20]))}" for index, found in several.items())
        talk.fault(
            "channel", "no column has this channel", repr(name), known or "a file of one channel", "choose one, or leave channel out"
        )
    elif several and roles.times():
        stamped = list(zip(*(table.columns[index] for index in roles.times()), strict=True))
        for index, found in several.items():
            column = table.columns[index]
            seen = {(stamped[k], column[k]) for k in rows}
            if len(seen) > len({stamp for stamp, _ in seen}):
                talk.ask("channel", f"{table.label(index)!r} has {', '.join(map(repr, found[:20]))} for the same times")
                break
    return keep, ""
