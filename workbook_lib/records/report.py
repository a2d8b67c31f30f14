"""What a record holds and what is wrong with it; its readings in order; its highest readings.

Nothing is repaired here: `settle` sorts, drops what is said twice and keeps the larger of what is
contradicted, and `examine` counts each of these.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from workbook_lib.errors import CalculationFault
from workbook_lib.records.clock import Clock
from workbook_lib.records.findings import RUN_S, STUCK_COUNT, facts, problems, span
from workbook_lib.records.finds import ClockChange, Contradiction, Gap, Marked, Reconciliation, Run
from workbook_lib.records.marks import VACANT, kinds_between, marked_wall_s, touched, unmarked
from workbook_lib.records.record import ESTIMATED, QUALITY_WORDS, Mark, Period, Record, Summary

YEAR_S = 365 * 86400


@dataclass(frozen=True)
class Report:
    """What a record holds and lacks.

    Counted on the readings as the file has them: `readings_count`, `out_of_order_count` (readings that stand
    after a later one), duplicates, `negative_count`, `qualities` (code, words, count), `estimated_count`.
    Counted on the settled record: all else. Times [s, UTC], lengths [s], amounts [unit h]; `interval_s` the most
    common length; `days_count` whole days by the wall clock from first to last; `covered_s` the union of the
    readings. `undated`: moments are told by year and month alone, for a home whose daily pattern is withheld.
    `overlaps` are starts of readings that begin before an earlier one ends and are no duplicates.
    `unreconciled`: stated sums that cannot be compared, and why. `dead_legs` are zero throughout.
    Marked ranges are gaps, and `days_count`, `covered_s`, coverage and runs leave them out; sums and the highest reading do not.
    `marked_count`: readings that they touch; `marked_s`, `vacant_s`: time by the wall clock that they take, and those marked vacant.
    """

    readings_count: int
    settled_count: int
    out_of_order_count: int
    interval_s: int
    lengths: tuple[tuple[int, int], ...]
    first: int
    last: int
    days_count: int
    span_s: int
    covered_s: int
    coverage_frac: float
    year_coverage_frac: float
    gaps: tuple[Gap, ...]
    overlaps: tuple[int, ...]
    equal_duplicates_count: int
    contradicting: tuple[Contradiction, ...]
    zero_lengths: tuple[int, ...]
    clock_changes: tuple[ClockChange, ...]
    negative_count: int
    zero_runs: tuple[Run, ...]
    stuck_runs: tuple[Run, ...]
    dead_legs: tuple[str, ...]
    qualities: tuple[tuple[int, str, int], ...]
    estimated_count: int
    energy: float
    received_energy: float | None
    peak_start: int
    peak_amount: float
    peak_length: int
    reconciliations: tuple[Reconciliation, ...]
    unreconciled: tuple[tuple[Summary, str], ...]
    dropped: tuple[tuple[str, int], ...]
    register: str
    basis: str
    unit: str
    clock: Clock = field(repr=False, compare=False)
    undated: bool = False
    period: Period | None = None
    marks: tuple[Marked, ...] = ()
    marked_count: int = 0
    marked_s: int = 0
    vacant_s: int = 0

    @property
    def overlaps_count(self) -> int:
        """Readings that begin before an earlier one ends and are no duplicates [count]."""
        return len(self.overlaps)

    @property
    def peak_rate(self) -> float:
        """Average of the highest reading [W, VA or A]."""
        return self.peak_amount * 3600.0 / self.peak_length

    def local(self, moment: int) -> str:
        """A moment [s, UTC] by the record's own clock, in ISO 8601; year and month alone where the record is undated."""
        return self.clock.text(moment)[: len("2025-07")] if self.undated else self.clock.text(moment)

    def problems(self) -> tuple[str, ...]:
        """Sentences on what is wrong with the record or may be, the worst first; none for a clean one."""
        return tuple(problems(self))

    def findings(self) -> tuple[str, ...]:
        """Sentences for a reader: what is wrong with the record, the worst first, then what it holds."""
        return (*problems(self), *facts(self))


def settle(record: Record) -> Record:
    """A record in time order, what is said twice once.

    Of readings of one start and length that contradict each other the largest amount is kept, and of each leg and
    of the reverse direction its own largest. Overlaps stay as they are. Errors: CalculationFault where an
    amount is no finite number.
    """
    return _settled(record)[0]


def _settled(record: Record) -> tuple[Record, int, tuple[Contradiction, ...]]:
    """The settled record, how many equal duplicates went, and what was contradicted."""
    columns = [record.amount, *record.legs.values(), *([] if record.received is None else [record.received])]
    if not all(np.isfinite(column).all() for column in columns):
        raise CalculationFault("an amount of the record is no finite number", where=record.file)
    if bool((np.diff(record.start) > 0).all()):
        return record, 0, ()
    order = np.argsort(record.start, kind="stable")
    if bool((np.diff(record.start[order]) > 0).all()):
        return record.keeping(order), 0, ()
    estimated = np.isin(record.quality, ESTIMATED)
    order = np.lexsort((record.quality, ~estimated, *(-column for column in reversed(columns)), record.length, record.start))
    start, length = record.start[order], record.length[order]
    new = np.ones(len(order), dtype=bool)
    new[1:] = (start[1:] != start[:-1]) | (length[1:] != length[:-1])
    same = np.zeros(len(order), dtype=bool)
    same[1:] = ~new[1:]
    for column in columns:
        same[1:] &= column[order][1:] == column[order][:-1]
    heads = np.flatnonzero(new)
    kept = record.keeping(order[heads])
    if bool((new | same).all()):
        return kept, int(same.sum()), ()
    legs = {leg: np.maximum.reduceat(values[order], heads) for leg, values in record.legs.items()}
    received = None if record.received is None else np.maximum.reduceat(record.received[order], heads)
    differs = np.add.reduceat(~new & ~same, heads) > 0
    ends = np.append(heads[1:], len(order))
    amounts = record.amount[order]
    contradicting = tuple(
        Contradiction(int(start[low]), int(length[low]), tuple(sorted(set(amounts[low:high].tolist()))))
        for low, high in zip(heads[differs].tolist(), ends[differs].tolist(), strict=True)
    )
    return replace(kept, legs=legs, received=received), int(same.sum()), contradicting


def examine(record: Record) -> Report:
    """What a record holds and what is wrong with it. Errors: CalculationFault where no reading has a length."""
    settled, equal_count, contradicting = _settled(record)
    timed = settled if bool((settled.length > 0).all()) else settled.keeping(np.flatnonzero(settled.length > 0))
    if not len(timed):
        raise CalculationFault("the record holds no reading with a length", value=f"{len(record)} readings", where=record.file)
    first, last, counted = int(timed.start[0]), int(timed.end.max()), unmarked(timed)
    covered, gaps, read_gaps, overlaps, moves = _spanned(record, timed, counted)
    kinds, counts = np.unique(settled.length, return_counts=True)
    lengths = tuple(sorted(zip(kinds.tolist(), counts.tolist(), strict=True), key=lambda one: (-one[1], one[0])))
    interval = next(length for length, _ in lengths if length > 0)
    marked_s = marked_wall_s(timed, first, last)
    zero_lengths = tuple(settled.start[settled.length <= 0].tolist())
    twice = sorted({one.start for one in contradicting} | set(overlaps))
    runs = _runs(counted)
    peak = int(np.argmax(timed.rate))
    reconciled, unreconciled = _reconciled(record.summaries, settled, first, last)
    return Report(
        readings_count=len(record),
        settled_count=len(settled),
        out_of_order_count=int((record.start < np.maximum.accumulate(record.start)).sum()),
        interval_s=interval,
        lengths=lengths,
        first=first,
        last=last,
        days_count=(int(record.clock.local(last) - record.clock.local(first)) - marked_s) // 86400,
        span_s=last - first,
        covered_s=covered,
        coverage_frac=covered / (last - first),
        year_coverage_frac=min(1.0, covered / YEAR_S),
        gaps=gaps,
        overlaps=overlaps,
        equal_duplicates_count=equal_count,
        contradicting=contradicting,
        zero_lengths=zero_lengths,
        clock_changes=tuple(_at_change(at, shift, timed, interval, read_gaps, zero_lengths, twice) for at, shift in moves),
        negative_count=int(np.any([column < 0 for column in (record.amount, *record.legs.values())], axis=0).sum()),
        zero_runs=tuple(run for run in runs if run.amount == 0),
        stuck_runs=tuple(run for run in runs if run.amount != 0 and run.count >= STUCK_COUNT),
        dead_legs=tuple(leg for leg, values in settled.legs.items() if not values.any()),
        qualities=_qualities(record.quality),
        estimated_count=int(np.isin(record.quality, ESTIMATED).sum()),
        energy=math.fsum(settled.amount.tolist()),
        received_energy=None if settled.received is None else math.fsum(settled.received.tolist()),
        peak_start=int(timed.start[peak]),
        peak_amount=float(timed.amount[peak]),
        peak_length=int(timed.length[peak]),
        reconciliations=reconciled,
        unreconciled=unreconciled,
        dropped=record.dropped,
        register=record.register,
        basis=record.basis,
        unit=record.unit,
        clock=record.clock,
        period=record.period,
        marks=tuple(_marked(mark, timed, peak) for mark in record.marks),
        marked_count=int(touched(record.marks, timed.start, timed.end).sum()),
        marked_s=marked_s,
        vacant_s=marked_wall_s(timed, first, last, VACANT),
    )


def _spanned(record: Record, timed: Record, counted: Record) -> tuple[int, tuple[Gap, ...], tuple[Gap, ...], tuple[int, ...], list]:
    """Time covered [s], gaps of what counts, gaps of what was read, starts of readings that overlap, clock changes.

    Errors: CalculationFault where every reading is marked.
    """
    if not len(counted):
        raise CalculationFault("every reading of the record lies in a marked range", value=f"{len(timed)} readings", todo="mark less")
    first, last = int(timed.start[0]), int(timed.end.max())
    moves = _moves(record.clock, first, last)
    after, before, covered = _edges(counted, first, last)
    gaps = _gaps(before, after, moves, record.marks)
    if record.marks:
        after, before, _ = _edges(timed, first, last)
    read_gaps = _gaps(before, after, moves) if record.marks else gaps
    return covered, gaps, read_gaps, tuple(after[after < before].tolist()), moves


def _edges(timed: Record, first: int, last: int) -> tuple[np.ndarray, np.ndarray, int]:
    """Starts of the readings and then the last moment; the first moment and then how far readings reach; time that they cover [s]."""
    reach = np.maximum.accumulate(timed.end)
    after, before = np.append(timed.start, last), np.concatenate(([first], reach))
    covered = int(np.maximum(timed.end - np.maximum(after, before)[:-1], 0).sum())
    return after, before, covered


def _marked(mark: Mark, timed: Record, peak: int) -> Marked:
    hit = touched((mark,), timed.start, timed.end)
    return Marked(mark, int(hit.sum()), bool(hit[peak]))


def _moves(clock: Clock, first: int, last: int) -> list[tuple[int, int]]:
    """Clock changes inside a record: moment and shift [s], forward positive."""
    found = [(at, int(clock.offset(at) - clock.offset(at - 1))) for at in clock.changes_between(first + 1, last - 1)]
    return [(at, shift) for at, shift in found if shift]


def _gaps(before: np.ndarray, after: np.ndarray, moves: list[tuple[int, int]], marks: tuple[Mark, ...] = ()) -> tuple[Gap, ...]:
    """Time between the end of all readings so far and the start of the next."""
    hours = {hour for at, shift in moves for hour in ((at - abs(shift), at), (at, at + abs(shift)))}
    holes = np.flatnonzero(after > before)
    found = []
    for low, high in zip(before[holes].tolist(), after[holes].tolist(), strict=True):
        kinds = kinds_between(marks, low, high)
        found.append(Gap(low, high, not kinds and (low, high) in hours, kinds))
    return tuple(found)


def _qualities(quality: np.ndarray) -> tuple[tuple[int, str, int], ...]:
    """Code, words and count of each quality."""
    codes, counts = np.unique(quality, return_counts=True)
    return tuple(
        (code, QUALITY_WORDS.get(code, f"code {code}"), count) for code, count in zip(codes.tolist(), counts.tolist(), strict=True)
    )


def _any_from(moments: Sequence[int], low: int, high: int) -> bool:
    """Whether one of some moments in order lies from low up to, not with, high."""
    return bisect_left(moments, low) < bisect_left(moments, high)


def _at_change(
    at: int, shift: int, timed: Record, interval: int, gaps: tuple[Gap, ...], zero_lengths: tuple[int, ...], twice: list[int]
) -> ClockChange:
    """What the record does at one change of the clock."""
    kind, near = ("forward" if shift > 0 else "back"), abs(shift)

    def odd(words: str) -> ClockChange:
        return ClockChange(at, kind, words, False)

    place = bisect_right(gaps, at, key=lambda gap: gap.start)
    for gap in gaps[max(place - 1, 0) : place]:
        if gap.at_clock_change and at in (gap.start, gap.end):
            return odd(
                f"{'an hour is' if near == 3600 else span(near) + ' are'} missing, just {'after' if gap.start == at else 'before'} it"
            )
        if gap.start <= at <= gap.end:
            return odd(f"a gap of {span(gap.end - gap.start)} lies there")
    if _any_from(zero_lengths, at - near, at + near + 1):
        return odd("a reading of zero length")
    if _any_from(twice, at - near, at + near):
        return odd("more than one reading for the same time: both passes of the hour may stand on one")
    low, high = np.searchsorted(timed.start, [at - near, at + near])
    lengths = timed.length[max(int(low) - 1, 0) : int(high)]
    ends = timed.end[max(int(low) - 1, 0) : int(high)]
    for length in lengths[(ends > at - near) & (lengths != interval)].tolist():
        if interval >= 86400:
            if (length + shift) % 86400 == 0:
                return ClockChange(at, kind, f"regular: a block of {span(length)}, as the day by the clock on the wall has")
        elif length == 2 * interval:
            return odd(f"a reading of double length ({span(length)})")
        else:
            return odd(f"a reading of {span(length)} among those of {span(interval)}")
    return ClockChange(at, kind, f"regular: readings of {span(interval)} follow each other in UTC")


def _runs(timed: Record) -> list[Run]:
    """Readings of one amount in a row without a gap, for at least `RUN_S`."""
    amount, start, end = timed.amount, timed.start, timed.end
    breaks = (amount[1:] != amount[:-1]) | (start[1:] != end[:-1])
    if timed.received is not None:
        breaks |= timed.received[1:] != timed.received[:-1]
    heads = np.concatenate(([0], np.flatnonzero(breaks) + 1))
    tails = np.append(heads[1:], len(amount)) - 1
    found = end[tails] - start[heads] >= RUN_S
    if timed.received is not None:
        found &= (amount[heads] != 0) | (timed.received[heads] == 0)
    return [
        Run(int(start[low]), int(end[high]), int(high - low + 1), float(amount[low]))
        for low, high in zip(heads[found].tolist(), tails[found].tolist(), strict=True)
    ]


def _reconciled(
    summaries: tuple[Summary, ...], settled: Record, first: int, last: int
) -> tuple[tuple[Reconciliation, ...], tuple[tuple[Summary, str], ...]]:
    """Stated sums against counted ones, and those that cannot be compared."""
    matched, left = [], []
    for one in summaries:
        if one.unit != settled.unit:
            left.append((one, f"it is in {one.unit}, the record in {settled.unit}"))
            continue
        if one.start is None and one.end is None:
            part = settled.amount
        elif one.start is None or one.end is None:
            left.append((one, "its period has no start or no end"))
            continue
        elif one.start < first or one.end > last or one.end <= one.start:
            left.append((one, "its period is not within the record"))
            continue
        else:
            low, high = np.searchsorted(settled.start, [one.start, one.end])
            part = settled.amount[int(low) : int(high)]
        counted = math.fsum(part.tolist())
        matched.append(Reconciliation(one, counted, counted - one.amount))
    return tuple(matched), tuple(left)


def peaks(record: Record, count: int, leg: str | None = None) -> tuple[tuple[int, int, float], ...]:
    """The highest readings of the settled record, by average, the highest first and the earlier of equals first.

    Parameters: how many; leg for one leg's own. Returns: start [s, UTC], length [s], rate [W, VA or A] of each.
    """
    start, length, amount = _timed(record, leg)
    rate = amount * 3600.0 / length
    if count < len(rate):
        least = np.partition(rate, len(rate) - count)[len(rate) - count] if count > 0 else np.inf
        index = np.flatnonzero(rate >= least)
    else:
        index = np.arange(len(rate))
    index = index[np.lexsort((start[index], -rate[index]))][: max(count, 0)]
    return tuple((int(start[i]), int(length[i]), float(rate[i])) for i in index)


def demand(record: Record, window_s: int, leg: str | None = None) -> tuple[float, int]:
    """The highest average over readings in a row, without a gap, that span exactly a window, in steps of a reading.

    Parameters: window [s]; leg for one leg's own. Returns: rate [W, VA or A] and start [s, UTC], the earliest of equals.
    Errors: CalculationFault where no readings span the window, where they overlap and must be added, or where a
    longer reading has a higher average than any window, so that the highest cannot be known.
    """
    start, length, amount = _timed(record, leg)
    end = start + length
    if bool((start[1:] < np.maximum.accumulate(end)[:-1]).any()) and bool((length < window_s).any()):
        raise CalculationFault(
            f"the highest average over {span(window_s)} is not known: readings overlap",
            value=f"the first at {record.clock.text(int(start[1:][start[1:] < np.maximum.accumulate(end)[:-1]][0]))}",
            where=record.file,
            todo="get a record whose readings do not overlap",
        )
    whole = np.flatnonzero(length == window_s)
    best, found = -np.inf, None
    if len(whole):
        at = int(whole[np.argmax(amount[whole])])
        best, found = float(amount[at]) * 3600.0 / window_s, int(start[at])
    if bool((length < window_s).any()):
        run = np.concatenate(([0], np.cumsum(start[1:] != end[:-1])))
        to = np.minimum(np.searchsorted(end, start + window_s), len(end) - 1)
        spans = np.flatnonzero((end[to] == start + window_s) & (run[to] == run) & (length < window_s))
        if len(spans):
            sums = np.concatenate(([0.0], np.cumsum(amount)))
            at = int(spans[np.argmax(sums[to[spans] + 1] - sums[spans])])
            rate = math.fsum(amount[at : int(to[at]) + 1].tolist()) * 3600.0 / window_s
            if rate > best or (rate == best and found is not None and int(start[at]) < found):
                best, found = rate, int(start[at])
    if found is None:
        raise CalculationFault(f"no readings in a row without a gap span exactly {span(window_s)}", where=record.file)
    longer = np.flatnonzero(length > window_s)
    if len(longer) and float((amount[longer] * 3600.0 / length[longer]).max()) > best * (1 + 1e-12):
        at = int(longer[np.argmax(amount[longer] / length[longer])])
        raise CalculationFault(
            f"the highest average over {span(window_s)} is not known: it lies within a longer reading",
            value=f"{span(int(length[at]))} at {record.clock.text(int(start[at]))}",
            where=record.file,
        )
    return best, found


def adjacent(record: Record, leg: str | None = None) -> tuple[float, int]:
    """The highest sum of two readings of the most common length, the second beginning where the first ends.

    Parameters: leg for one leg's own. Returns: amount [unit h], start of the first [s, UTC], the earliest of equals.
    Errors: CalculationFault where no two such readings meet.
    """
    start, length, amount = _timed(record, leg)
    kinds, counts = np.unique(length, return_counts=True)
    interval = int(kinds[np.argmax(counts)])
    start, amount = start[length == interval], amount[length == interval]
    second = np.minimum(np.searchsorted(start, start + interval), len(start) - 1)
    pairs = np.flatnonzero(start[second] == start + interval)
    if not len(pairs):
        raise CalculationFault(f"no two readings of {span(interval)} meet", where=record.file)
    sums = amount[pairs] + amount[second[pairs]]
    at = int(np.argmax(sums))
    return float(sums[at]), int(start[pairs[at]])


def _timed(record: Record, leg: str | None) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Start, length and amount of the settled readings that have a length. Errors: CalculationFault where there are none."""
    if leg is not None and leg not in record.legs:
        raise CalculationFault(f"the record has no leg {leg}", limit=", ".join(record.legs) or "no legs apart", where=record.file)
    settled = settle(record)
    amount = settled.amount if leg is None else settled.legs[leg]
    kept = settled.length > 0
    if not kept.any():
        raise CalculationFault("the record holds no reading with a length", value=f"{len(record)} readings", where=record.file)
    return (settled.start, settled.length, amount) if kept.all() else (settled.start[kept], settled.length[kept], amount[kept])
