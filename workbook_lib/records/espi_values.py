"""From the integers of a Green Button channel to a record: multipliers, registers, lengths, legs, the other direction, the clock.

Source: NAESB ESPI usage schema (accumulation, local time parameters, usage summary).
"""

from __future__ import annotations

import datetime
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from workbook_lib.errors import Fault, InputFault
from workbook_lib.records import record as kinds
from workbook_lib.records.clock import FIRST_YEAR, LAST_YEAR, Clock, by_rules, decode_rule, fixed
from workbook_lib.records.espi_choice import CUMULATIVE, INDICATING, INSTANTANEOUS, UNITS, Candidate, choose, refusal, register, unit
from workbook_lib.records.espi_links import Channel, Entry, Feed, channels, of_point, whole
from workbook_lib.records.record import Decision, Declared, Record, Summary

LONGEST_S = 400 * 86400
"""A reading is not longer than this [s]: a year and a month."""
INT48 = 2**47
"""A value of ESPI is no larger than this."""
FIRST, LAST = (int(datetime.datetime(year, 1, 1, tzinfo=datetime.UTC).timestamp()) for year in (FIRST_YEAR, LAST_YEAR))
"""Moments [s, UTC] between which a reading may start: those for which a clock knows its changes."""
TOLD = 3
"""Moments that are named of several."""
Columns = tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]
"""Start [s, UTC], length [s], amount [unit h] and quality of readings."""


@dataclass
class Notes:
    """What is taken and left out on the way to a record, and where faults are put."""

    shown: str
    where: str
    decisions: list[Decision] = field(default_factory=list)
    dropped: list[tuple[str, int]] = field(default_factory=list)
    apart: list[str] = field(default_factory=list)

    def take(self, what: str, why: str) -> None:
        """Note a decision, once."""
        if Decision(what, why) not in self.decisions:
            self.decisions.append(Decision(what, why))

    def drop(self, why: str, count: int) -> None:
        """Note readings that are left out, where there are any."""
        if count:
            self.dropped.append((why, int(count)))

    def fault(self, what: str, value: str, limit: str, todo: str = "ask the utility for the feed anew", line: int = 0) -> InputFault:
        """An InputFault of the file."""
        return InputFault([Fault(self.shown, self.where, what, value, limit, todo, line or None)])


def channel_record(feeds: Sequence[Feed], shown: str, declared: Declared, site_clock: Clock | None) -> Record:
    """The record that is meant, out of all feeds of a file. Errors: InputFault, MissingInput."""
    notes = Notes(shown, f"{declared.field}.file")
    found = channels(feeds, shown, notes.where)
    chosen, decisions = choose(found, shown, declared)
    notes.decisions += decisions
    first = chosen.first
    clock = _clock_of(first, notes, site_clock)
    if chosen.legs:
        start, length, quality, by_leg = _both_legs(chosen.legs, notes)
        amount = np.maximum(*by_leg.values())
    else:
        start, length, amount, quality = _amounts(first, notes)
        by_leg = {}
    kind = register(first)
    if declared.register == kinds.GROSS:
        kind = kinds.GROSS
        notes.take("register gross: the home's own use", "the site file says so; a feed has no such direction")
    elif first.code("flowDirection", 0) == 0:
        notes.take("register delivered", "the feed states no direction of flow")
    received = _received(found, chosen, start, length, notes) if kind == kinds.DELIVERED else None
    _tell_clocks(clock, site_clock, start, notes)
    return Record(
        start=start,
        length=length,
        amount=amount,
        quality=quality,
        unit=unit(first),
        clock=clock,
        register=kind,
        basis=kinds.SAMPLED if first.code("accumulationBehaviour") in (INSTANTANEOUS, INDICATING) else kinds.AVERAGE,
        legs=by_leg,
        received=received,
        received_apart=tuple(notes.apart),
        file=shown.rpartition("/")[2],
        channel=chosen.label,
        decisions=tuple(notes.decisions),
        dropped=tuple(notes.dropped),
        summaries=() if kind == kinds.RECEIVED else _summaries_of(first),
    )


def _columns(channel: Channel, notes: Notes) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Value, start, length and quality of every reading, in the order of the file; taken out of its blocks. Errors: InputFault."""
    joined = []
    for name, kind in (("value", np.int64), ("start", np.int64), ("length", np.int64), ("quality", np.int16)):
        joined.append(np.concatenate([np.frombuffer(getattr(block, name), dtype=kind) for block in channel.blocks]))
        for block in channel.blocks:
            setattr(block, name, getattr(block, name)[:0])
    value, start, length, quality = joined
    odd = (start < FIRST) | (start >= LAST)
    if odd.any():
        said = f"{int(odd.sum()):,} of {len(start):,}, one of them {int(start[odd][0])}"
        limit = f"seconds since 1970 in UTC, in the years {FIRST_YEAR} to {LAST_YEAR - 1}"
        raise notes.fault(f"readings of {channel.label} that start at an impossible moment", said, limit)
    if (np.abs(value) > INT48).any():
        raise notes.fault(f"a value of {channel.label} is too large", str(int(value[np.abs(value).argmax()])), "whole numbers of 48 bits")
    if (length > LONGEST_S).any():
        raise notes.fault(f"a reading of {channel.label} longer than a year", f"{int(length.max())} s", f"{LONGEST_S} s")
    default = channel.code("defaultQuality", kinds.NOT_STATED)
    return value, start, length, np.where(quality >= 0, quality, default).astype(np.int16)


def _scaled(value: np.ndarray, channel: Channel) -> np.ndarray:
    power = channel.code("powerOfTenMultiplier", 0)
    return value / 10.0**-power if power < 0 else value * 10.0**power


def _amounts(channel: Channel, notes: Notes) -> Columns:
    """The readings of a channel as amounts. Errors: InputFault where they cannot be."""
    value, start, length, quality = _columns(channel, notes)
    form = UNITS[channel.code("uom")][1]
    how = channel.code("accumulationBehaviour", 0)
    if how in CUMULATIVE:
        return _differences(value, start, length, quality, channel, notes)
    length = _lengths(channel, start, length, notes)
    if not (length > 0).any():
        raise notes.fault(f"no reading of {channel.label} has a length", "0 s", "a duration in seconds")
    scaled = _scaled(value, channel)
    if form == "energy":
        return start, length, scaled, quality
    sampled = how in (INSTANTANEOUS, INDICATING)
    words = "samples, each held for its interval" if sampled else "averages over the interval"
    notes.take(f"values in {unit(channel).removesuffix('h')} are {words}", "unit and accumulation of the reading type")
    return start, length, scaled * length / 3600.0, quality


def _lengths(channel: Channel, start: np.ndarray, length: np.ndarray, notes: Notes) -> np.ndarray:
    """Length of each reading: its own, else the reading type's, else up to the next reading. Errors: InputFault."""
    missing = length < 0
    if not missing.any():
        return length
    usual, count = channel.code("intervalLength"), int(missing.sum())
    if usual:
        if usual > LONGEST_S:
            raise notes.fault("an interval length longer than a year", f"{usual} s", f"{LONGEST_S} s", line=channel.reading_type.line)
        notes.take(f"{count:,} readings of {channel.label} last {usual} s", "interval length of the reading type")
        return np.where(missing, usual, length)
    moments = np.unique(start)
    if len(moments) < 2:
        what = f"{count:,} readings of {channel.label} without a length, and no interval length in their reading type"
        raise notes.fault(what, "nothing", "a duration in seconds", "ask for a feed with durations")
    steps, counts = np.unique(np.diff(moments), return_counts=True)
    common = int(steps[counts.argmax()])
    if common > LONGEST_S:
        raise notes.fault("readings without a length more than a year apart", f"{common} s", f"{LONGEST_S} s")
    following = np.append(np.minimum(np.diff(moments), common), common)[np.searchsorted(moments, start)]
    words = f"{count:,} readings of {channel.label} last up to the next, at most the most common step of {common} s"
    notes.take(words, "no length is stated")
    return np.where(missing, following, length)


def _differences(value, start, length, quality, channel: Channel, notes: Notes) -> Columns:
    """Energy between consecutive counts of a register.

    A count stands at the end of its period. One that falls is an exchange or an overflow: no energy is taken from
    it, nor from moments at which counts contradict each other. Errors: InputFault where no energy is left.
    """
    at = start + np.maximum(length, 0)
    order = np.lexsort((value, at))
    at, count, codes = at[order], value[order], quality[order]
    heads = np.flatnonzero(np.append(True, np.diff(at) > 0))
    lowest, highest = count[heads], np.maximum.reduceat(count, heads)
    estimated = np.maximum.reduceat(np.where(np.isin(codes, kinds.ESTIMATED), codes, -1), heads)
    code = np.where(estimated >= 0, estimated, codes[heads])
    moments, doubtful = at[heads], lowest != highest
    words = "the difference of two counts of the register is the energy between them, a count standing at the end of its period"
    notes.take(words, "accumulation of the reading type")
    notes.drop("counts of the register that say the same again", len(at) - len(heads) - int((highest != lowest).sum()))
    told = "counts of the register that contradict each other at one moment, no energy is taken beside them"
    notes.drop(f"{told}: {_moments(moments[doubtful])}", doubtful.sum())
    step, risen = np.diff(moments), np.diff(lowest)
    sure = ~(doubtful[1:] | doubtful[:-1])
    fallen = sure & (risen < 0)
    told = "counts of the register lower than the one before: an exchange or an overflow, no energy is taken from them"
    notes.drop(f"{told}: {_moments(moments[1:][fallen])}", fallen.sum())
    fit = sure & (risen >= 0)
    if not fit.any():
        raise notes.fault(f"no energy between the counts of {channel.label}", f"{len(at)} counts", "two counts, the later one higher")
    long = step[fit].max()
    if long > LONGEST_S:
        raise notes.fault(f"counts of {channel.label} more than a year apart", f"{long} s", f"{LONGEST_S} s")
    before, after = code[:-1], code[1:]
    worse = np.where(np.isin(before, kinds.ESTIMATED) & ~np.isin(after, kinds.ESTIMATED), before, after)
    return moments[:-1][fit], step[fit], _scaled(risen[fit], channel), worse[fit]


def _moments(some: np.ndarray) -> str:
    """The first of some moments [s, UTC] in words."""
    told = ", ".join(fixed(0).text(int(moment)) for moment in some[:TOLD])
    return told + (f" and {len(some) - TOLD} more" if len(some) > TOLD else "")


def _both_legs(legs: dict[str, Channel], notes: Notes) -> tuple[np.ndarray, np.ndarray, np.ndarray, dict[str, np.ndarray]]:
    """Two channels of amperes on the same intervals. Errors: InputFault where they are not."""
    a, b = (_amounts(legs[name], notes) for name in ("A", "B"))
    same = len(a[0]) == len(b[0])
    if same and ((a[0] != b[0]).any() or (a[1] != b[1]).any()):
        a, b = (tuple(column[np.lexsort((one[2], one[1], one[0]))] for column in one) for one in (a, b))
        same = bool((a[0] == b[0]).all() and (a[1] == b[1]).all())
    if not same:
        said = f"{len(a[0]):,} and {len(b[0]):,} readings"
        raise notes.fault("the two legs have other intervals", said, "the same", "ask for both legs on the same intervals")
    notes.take("legs A and B from two channels of amperes", "their phase codes")
    quality = np.where(np.isin(a[3], kinds.ESTIMATED), a[3], b[3])
    return a[0], a[1], quality, {"A": a[2], "B": b[2]}


def _received(found: Sequence[Channel], chosen: Candidate, start: np.ndarray, length: np.ndarray, notes: Notes) -> np.ndarray | None:
    """What the home gave back on the same intervals, from the feed's own channel; None where it has none. Errors: InputFault."""
    back = [one for one in found if register(one) == kinds.RECEIVED and not refusal(one, found) and one.beside(chosen.first)]
    fit = [one for one in back if unit(one) == unit(chosen.first) and not chosen.legs]
    for channel in back:
        if channel not in fit:
            total = float(_amounts(channel, Notes(notes.shown, notes.where))[2].sum())
            words = f"received {total:,.10g} {unit(channel)} in all by {channel.label}, not joined with the load"
            notes.apart += [words] if total > 0 else []
            notes.take(words, f"the load is {'by leg ' if chosen.legs else ''}in {unit(chosen.first)}")
    if not fit:
        return None
    rows, place = np.unique(_keys(start, length), return_inverse=True)
    tried = []
    for channel in fit:
        said = Notes(notes.shown, notes.where)
        amount, exact, lost = _joined(channel, rows, said)
        tried.append((lost == 0, exact, amount, channel, said))
    best = max(one[:2] for one in tried)
    tops = [one for one in tried if one[:2] == best]
    if any((one[2] != tops[0][2]).any() for one in tops):
        labels = " and ".join(one[3].label for one in tops)
        raise notes.fault("several channels say what the home gave back on these intervals, and differ", labels, "one for a usage point")
    for _, _, amount, channel, _ in tried:
        if channel is not tops[0][3]:
            notes.take(f"received {amount.sum():,.10g} {unit(channel)} by {channel.label} left alone", f"{tops[0][3].label} is taken")
    _, _, amount, channel, said = tops[0]
    notes.take(f"received energy from {channel.label}", "the other direction of the same usage point")
    for one in said.decisions:
        notes.take(one.what, one.why)
    notes.dropped += said.dropped
    notes.apart += said.apart
    return amount[place.reshape(-1)]


def _joined(channel: Channel, rows: np.ndarray, notes: Notes) -> tuple[np.ndarray, int, int]:
    """Amounts of a received channel on the intervals of the load, given by their keys; how many fit exactly, and not at all."""
    start, length, amount, _ = _amounts(channel, notes)
    keys = _keys(start, length)
    order = np.lexsort((-amount, keys))
    heads = np.flatnonzero(np.append(True, np.diff(keys[order]) > 0))
    kept = order[heads]
    notes.drop("received readings that are said twice, the largest of each is kept", len(keys) - len(kept))
    start, length, amount, keys = start[kept], length[kept], amount[kept], keys[kept]
    at = np.minimum(np.searchsorted(rows, keys), len(rows) - 1)
    exact = rows[at] == keys
    begin, end = rows >> SHIFT, (rows >> SHIFT) + (rows & MASK)
    near = np.searchsorted(begin, start, side="right") - 1
    inside = ~exact & (near >= 0) & (start + length <= end[np.maximum(near, 0)])
    place = np.where(exact, at, near)
    taken = exact | inside
    back = np.zeros(len(rows))
    np.add.at(back, place[taken], amount[taken])
    if inside.any():
        notes.take(f"{int(inside.sum()):,} received readings within longer intervals of the load are added up", "their start and length")
    lost = int((~taken).sum())
    if lost:
        told = f"{amount[~taken].sum():,.10g} {unit(channel)} received outside every interval of the load"
        notes.apart += [told] if amount[~taken].sum() > 0 else []
        notes.take(f"{told}, not joined with it", f"start and length of {lost:,} readings of {channel.label}")
        notes.drop(f"received readings outside every interval of the load ({told.partition(' received')[0]}), not used", lost)
    return back, int(exact.sum()), lost


SHIFT = 26
MASK = (1 << SHIFT) - 1
"""Start and length [s] of a reading in one number: the length in these bits, which `LONGEST_S` does not fill."""


def _keys(start: np.ndarray, length: np.ndarray) -> np.ndarray:
    return start << SHIFT | length


def _clock_of(channel: Channel, notes: Notes, site_clock: Clock | None) -> Clock:
    """Local clock of a channel: its feed's own parameters, else the home's, else UTC. Errors: InputFault for a bad rule."""
    entries = channel.feed.of("LocalTimeParameters")
    linked = [one for one in entries if channel.point is not None and one.href("self") and one.href("self") in channel.point.related]
    own = linked[0] if len(linked) == 1 else entries[0] if len(entries) == 1 else None
    if own is not None:
        try:
            clock = _own_clock(own)
        except ValueError as error:
            raise notes.fault("local time parameters that cannot be", str(error), "offsets and rules of ESPI", line=own.line) from None
        notes.take(f"clock of the feed: {clock.name}", "its local time parameters")
        return clock
    none = f"{len(entries)} local time parameters, none of them linked" if entries else "the feed has no local time of its own"
    if site_clock is not None:
        notes.take(f"clock {site_clock.name}", f"the home's time zone; {none}")
        return site_clock
    notes.take("clock UTC", f"neither the feed nor the home states a local time ({none})")
    return fixed(0)


def _own_clock(own: Entry) -> Clock:
    """The clock of local time parameters. Errors: ValueError where they cannot be."""
    if not own.values.get("tzOffset"):
        raise ValueError("no tzOffset")
    standard, saving = whole(own.values["tzOffset"]), whole(own.values.get("dstOffset") or "0")
    if abs(standard) > 50400 or not 0 <= saving <= 7200:
        raise ValueError(f"offset {standard} s with {saving} s of daylight saving")
    start, end = (decode_rule(str(own.values.get(name) or "FFFFFFFF")) for name in ("dstStartRule", "dstEndRule"))
    if saving and (start is None) != (end is None):
        raise ValueError("a rule for the start or the end of daylight saving alone")
    return by_rules(standard, saving, start, end)


def _tell_clocks(clock: Clock, site_clock: Clock | None, start: np.ndarray, notes: Notes) -> None:
    """Note where the feed's clock and the home's differ at the readings."""
    if site_clock is None or clock is site_clock:
        return
    differ = clock.offset(start) != site_clock.offset(start)
    if differ.any():
        at = int(start[differ].min())
        words = f"the feed's clock is used: at {int(differ.sum()):,} readings the home's ({site_clock.name}) shows another time"
        notes.take(words, f"the feed says {clock.text(at)}, the home {site_clock.text(at)}")


def _summaries_of(channel: Channel) -> tuple[Summary, ...]:
    """Totals that the feed states for a channel's usage point, in the channel's unit. Periods that it does not state are left open."""
    stated: list[Summary] = []
    for entry in channel.feed.of("UsageSummary", "ElectricPowerUsageSummary"):
        if len(channel.feed.of("UsagePoint")) > 1 and (channel.point is None or not of_point(entry, channel.point)):
            continue
        start = end = None
        period = entry.values.get("billingPeriod")
        if isinstance(period, dict):
            start, lasts = _moment(period.get("start")), _moment(period.get("duration"), 0, LONGEST_S)
            end = None if start is None or lasts is None else start + lasts
            start = None if end is None else start
        last = _stated(entry.values.get("overallConsumptionLastPeriod"), channel)
        if last is not None:
            stated.append(Summary(last, unit(channel), start, end, "consumption of the last period"))
        current = entry.values.get("currentBillingPeriodOverAllConsumption")
        amount = _stated(current, channel)
        until = _moment(entry.values.get("statusTimeStamp") or (current.get("timeStamp") if isinstance(current, dict) else None))
        if amount is not None and end is not None and until is not None and until > end:
            stated.append(Summary(amount, unit(channel), end, until, "consumption of the current period"))
    return tuple(dict.fromkeys(stated))


def _moment(text: object, low: int = FIRST, high: int = LAST) -> int | None:
    """A number of seconds within bounds; None for all else."""
    try:
        return number if low <= (number := whole(text)) < high else None
    except ValueError:
        return None


def _stated(values: object, channel: Channel) -> float | None:
    """A total of energy that the feed states, in the channel's unit; None for all else."""
    if not isinstance(values, dict):
        return None
    try:
        code, power, value = whole(values["uom"]), whole(values.get("powerOfTenMultiplier") or "0"), whole(values["value"])
    except (KeyError, ValueError):
        return None
    return value * 10.0**power if UNITS.get(code) == (unit(channel), "energy") and -12 <= power <= 12 else None
