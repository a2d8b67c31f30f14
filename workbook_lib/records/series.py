"""A record as a regular series for simulation, in local standard time.

Energy is conserved: a reading is spread evenly over its length, and readings within a step are added up. Gaps stop it,
unless repair is asked for; then each repaired step is marked. The measured method never uses a series.
"""

from __future__ import annotations

import functools
from dataclasses import dataclass, replace

import numpy as np

from workbook_lib.errors import CalculationFault
from workbook_lib.records.findings import LISTED_COUNT, span
from workbook_lib.records.marks import touched
from workbook_lib.records.record import Record
from workbook_lib.records.report import settle

LEAST_S, MOST_S = 60, 3600
"""Steps of a series [s]: from one minute to one hour, and a part of the hour."""
STEPS_COUNT = 20_000_000
"""Most steps of a series: 38 years of minutes; more would be a wrong date in the record rather than a record."""
WEEK_H = 168
DAYS = ("Thursday", "Friday", "Saturday", "Sunday", "Monday", "Tuesday", "Wednesday")
"""Days of the week from that of 1970-01-01 on."""


@dataclass(frozen=True, eq=False)
class Series:
    """Energy in regular steps of local standard time, without daylight saving.

    `start` [s, UTC] of the first step; `step_s` [s]; `amount` [unit h] of each step, shape (n,); `repaired` whether a step
    holds anything that no reading says; `missing_s` [s] of each step without a reading: in a series without repair only
    the first and the last step can have any, where the record begins or ends within a step, and their amounts are
    what was measured. `standard_s` [s east of UTC]. Arrays are read-only.
    """

    start: int
    step_s: int
    amount: np.ndarray
    repaired: np.ndarray
    missing_s: np.ndarray
    unit: str
    standard_s: int

    def __len__(self) -> int:
        return len(self.amount)

    @property
    def end(self) -> int:
        """End of the last step [s, UTC]."""
        return self.start + self.step_s * len(self)

    @property
    def starts(self) -> np.ndarray:
        """Start of each step [s, UTC]."""
        return self.start + self.step_s * np.arange(len(self), dtype=np.int64)

    @functools.cached_property
    def rate(self) -> np.ndarray:
        """Average of each step [W, VA or A]; with steps of one hour the same array as `amount`."""
        return self.amount if self.step_s == 3600 else _kept(self.amount * (3600.0 / self.step_s))

    @property
    def repaired_count(self) -> int:
        """Steps that hold anything that no reading says [count]."""
        return int(np.count_nonzero(self.repaired))

    @property
    def partial_count(self) -> int:
        """Steps at the ends that the record covers only in part, not repaired [count]."""
        return int(np.count_nonzero((self.missing_s > 0) & ~self.repaired))

    def part(self, first: int, last: int) -> Series:
        """Steps from `first` up to, not with, `last`, as views. Errors: ValueError where they are not in the series."""
        if not 0 <= first < last <= len(self):
            raise ValueError(f"steps {first} to {last} of a series of {len(self)}")
        arrays = {name: getattr(self, name)[first:last] for name in ("amount", "repaired", "missing_s")}
        return replace(self, start=self.start + first * self.step_s, **arrays)

    def whole_days(self) -> Series:
        """The days of standard time that the record covers whole or that are repaired, as views.

        Errors: CalculationFault where there is none.
        """
        per_day = 86400 // self.step_s
        bare = (self.missing_s > 0) & ~self.repaired
        low, high = int(bare[0]), len(self) - int(bare[-1])
        first = low + -((self.start + self.standard_s) // self.step_s + low) % per_day
        last = first + (high - first) // per_day * per_day
        if last <= first:
            raise CalculationFault("the series holds no whole day from midnight to midnight", value=span(self.step_s * len(self)))
        return self if (first, last) == (0, len(self)) else self.part(first, last)

    def days(self) -> np.ndarray:
        """Amounts [unit h] by day and step of the day, a view of shape (days, steps per day).

        Errors: CalculationFault where the series does not begin and end at midnight; `whole_days` gives the part that does.
        """
        per_day = 86400 // self.step_s
        if (self.start + self.standard_s) % 86400 or len(self) % per_day:
            raise CalculationFault(
                "the series does not run from midnight to midnight by standard time",
                value=f"{len(self)} steps of {span(self.step_s)}",
                todo="take its whole days",
            )
        return self.amount.reshape(-1, per_day)


def regular(record: Record, step_s: int, *, repair: bool) -> Series:
    """A record in regular steps of local standard time, over the whole of it.

    Parameters: record; step [s], 60 to 3600 and a part of the hour; whether steps without a reading take the mean of the
    measured steps of the same hour of the week. Estimated readings count as readings; those in marked ranges do not, and what
    is put in their place is never below what they read. Returns: Series.
    Errors: CalculationFault for another step, for overlaps, for gaps without repair, for an hour of the week that
    was never measured, and for energy in a reading of zero length, which has no place in time.
    """
    if not LEAST_S <= step_s <= MOST_S or 3600 % step_s:
        raise CalculationFault("the step of a series", value=f"{step_s} s", limit="60 to 3600 s, a part of the hour")
    start, length, amount = _readings(record)
    standard_s, end = record.clock.standard_s, start + length
    read = start, end, amount
    if record.marks:
        kept = ~touched(record.marks, start, end)
        if not kept.any():
            raise CalculationFault("every reading of the record lies in a marked range", value=f"{len(start)} readings", where=record.file)
        start, length, amount, end = start[kept], length[kept], amount[kept], end[kept]
    if not repair:
        _refuse_gaps(record, np.append(start, read[1][-1]), np.concatenate((read[0][:1], end)))
    first = int(read[0][0]) - (int(read[0][0]) + standard_s) % step_s
    last = int(read[1][-1]) + -(int(read[1][-1]) + standard_s) % step_s
    count = (last - first) // step_s
    if count > STEPS_COUNT:
        raise CalculationFault("the record is too long for a series", value=f"{count:,} steps", limit=f"{STEPS_COUNT:,}", where=record.file)
    if count == len(start) and first == start[0] and bool((length == step_s).all()):
        none = np.broadcast_to(np.int64(0), (count,))
        return Series(first, step_s, amount, np.broadcast_to(np.False_, (count,)), none, record.unit, standard_s)
    edges = first + step_s * np.arange(count + 1, dtype=np.int64)
    measured = _within(edges, start, end, amount)
    missing = step_s - np.rint(_within(edges, start, end, length.astype(np.float64))).astype(np.int64)
    repaired = np.zeros(count, dtype=bool)
    if repair and bool((missing > 0).any()):
        repaired = missing > 0
        measured[repaired] += _means(record, edges[:-1], measured, repaired) * missing[repaired] / step_s
        if record.marks:
            measured[repaired] = np.maximum(measured[repaired], _within(edges, *read)[repaired])
    return Series(first, step_s, _kept(measured), _kept(repaired), _kept(missing), record.unit, standard_s)


def _kept(array: np.ndarray) -> np.ndarray:
    array.setflags(write=False)
    return array


def _readings(record: Record) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Start, length and amount of the settled readings, none of which overlap."""
    settled = settle(record)
    start, length, amount = settled.start, settled.length, settled.amount
    timed = length > 0
    if not timed.all():
        lost = settled.start[~timed & (amount != 0)]
        if len(lost):
            moment = record.clock.text(int(lost[0]))
            raise CalculationFault("energy in a reading of zero length has no place in time", value=moment, where=record.file)
        start, length, amount = start[timed], length[timed], amount[timed]
    if not len(start):
        raise CalculationFault("the record holds no reading with a length", value=f"{len(record)} readings", where=record.file)
    over = np.flatnonzero(start[1:] < (start + length)[:-1])
    if len(over):
        raise CalculationFault(
            "readings overlap, so their energy has no one place in time",
            value=_listed([record.clock.text(int(start[at + 1])) for at in over[:LISTED_COUNT]], len(over)),
            where=record.file,
            todo="get a record whose readings do not overlap",
        )
    return start, length, amount


def _refuse_gaps(record: Record, after: np.ndarray, before: np.ndarray) -> None:
    """Parameters: starts and the last moment; the first moment and ends [s, UTC]. Errors: CalculationFault that names the gaps."""
    holes = np.flatnonzero(after > before)
    if not len(holes):
        return
    text = record.clock.text
    shown = [f"{text(int(before[at]))} to {text(int(after[at]))}" for at in holes[:LISTED_COUNT]]
    raise CalculationFault(
        f"the record has {len(holes):,} gap{'s' if len(holes) > 1 else ''} without readings",
        value=_listed(shown, len(holes)),
        where=record.file,
        todo="get a whole record, or ask for repair, which marks what it fills",
    )


def _listed(parts: list[str], count: int) -> str:
    return ", ".join(parts) + (f" and {count - len(parts):,} more" if count > len(parts) else "")


def _within(edges: np.ndarray, start: np.ndarray, end: np.ndarray, amount: np.ndarray) -> np.ndarray:
    """What lies between edges of amounts that are spread evenly from start to end.

    Interpolates the running sum; over a gap it does not rise. The running sum of all steps is that of all readings.
    """
    total = np.cumsum(amount)
    moments, sums = np.empty(2 * len(start), dtype=np.int64), np.empty(2 * len(start))
    moments[0::2], moments[1::2] = start, end
    sums[0], sums[2::2], sums[1::2] = 0.0, total[:-1], total
    kept = np.concatenate(([True], moments[1:] > moments[:-1]))
    return np.diff(np.interp(edges, moments[kept], sums[kept]))


def _means(record: Record, starts: np.ndarray, measured: np.ndarray, missing: np.ndarray) -> np.ndarray:
    """Mean of the whole measured steps of the same hour of the week, by standard time, for each missing step."""
    hour = (starts + record.clock.standard_s) // 3600 % WEEK_H
    counts = np.bincount(hour[~missing], minlength=WEEK_H)
    sums = np.bincount(hour[~missing], weights=measured[~missing], minlength=WEEK_H)
    never = np.unique(hour[missing][counts[hour[missing]] == 0])
    if len(never):
        shown = [f"{DAYS[one // 24]} {one % 24:02d}:00" for one in never[:LISTED_COUNT].tolist()]
        raise CalculationFault(
            "a gap cannot be repaired: that hour of the week was never measured",
            value=_listed(shown, len(never)),
            where=record.file,
            todo="get a longer record",
        )
    return (sums / np.maximum(counts, 1))[hour[missing]]
