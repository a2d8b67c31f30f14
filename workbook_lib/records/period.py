"""The part of a record that a site file asks for, and the ranges that it marks, put onto the record's own clock."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from workbook_lib.errors import CalculationFault
from workbook_lib.records.clock import Clock
from workbook_lib.records.record import Mark, Period, Record
from workbook_lib.records.report import demand, settle

QUARTER_S = 900


def ranged(record: Record, begins: int | None, ends: int | None, marks: Sequence[tuple[int, int, str, str]]) -> Record:
    """A record cut to a period, with marks. Readings that do not lie wholly within the period are left out.

    Parameters: record as it was read; begin and end of the period by the wall clock of the record [s], None where not said;
    of each mark begin, end, kind and reason. In an hour that the clock repeats a range is taken the wider way; in one that it
    skips the change stands for it. Returns: Record; without readings where the period holds none.
    Errors: CalculationFault where an amount is no finite number.
    """
    clock = record.clock
    placed = tuple(
        Mark(_moment(clock, low, last=False), _moment(clock, high, last=True), kind, reason) for low, high, kind, reason in marks
    )
    if begins is None and ends is None:
        return replace(record, marks=placed)
    low = None if begins is None else _moment(clock, begins, last=False)
    high = None if ends is None else _moment(clock, ends, last=True)
    kept = np.ones(len(record), dtype=bool) if low is None else record.start >= low
    if high is not None:
        kept &= record.end <= high
    settled = settle(record)
    timed = settled.length > 0
    highest = float((settled.amount[timed] * 3600.0 / settled.length[timed]).max(initial=-np.inf))
    period = Period(low, high, int((~kept).sum()), highest, quarter_rate(record))
    whole = record if kept.all() else _cut(record, kept)
    return replace(whole, period=period, marks=placed)


def _cut(record: Record, kept: np.ndarray) -> Record:
    """Some readings of a record; a sum that the file states of all of it is one of the time of all its readings."""
    first, last = int(record.start.min()), int(record.end.max())
    sums = tuple(replace(one, start=first, end=last) if one.start is None and one.end is None else one for one in record.summaries)
    return replace(record.keeping(kept), summaries=sums)


def quarter_rate(record: Record) -> float | None:
    """Highest average over a quarter hour, of the heavier leg where legs are apart [W, VA or A]; None where no readings fill one."""
    try:
        return max(demand(record, QUARTER_S, leg=leg)[0] for leg in record.legs or (None,))
    except CalculationFault:
        return None


def _moment(clock: Clock, wall: int, *, last: bool) -> int:
    """The moment [s, UTC] at which the wall shows `wall` [s]."""
    found = clock.utc(wall)
    if found:
        return found[-1] if last else found[0]
    return next(int(at) for at in clock.changes[1:].tolist() if int(clock.local(at - 1)) < wall < int(clock.local(at)))
