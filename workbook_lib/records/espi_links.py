"""What belongs to what in a Green Button feed: links, channels, units, the local clock, the totals that it states.

Links are resolved within their own feed. Blocks that no link resolves go to the only reading type of their
feed; where there are several it is not guessed. Source: NAESB ESPI usage schema (codes), RFC 4287 (links).
"""

from __future__ import annotations

import array
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from workbook_lib.errors import Fault, InputFault, MissingInput
from workbook_lib.records import record as kinds
from workbook_lib.records.clock import Clock, by_rules, decode_rule, fixed
from workbook_lib.records.record import Decision, Declared, Record, Summary

UNITS: Mapping[int, tuple[str, str]] = {
    72: ("Wh", "energy"),
    71: ("VAh", "energy"),
    106: ("Ah", "energy"),
    38: ("Wh", "rate"),
    61: ("VAh", "rate"),
    5: ("Ah", "rate"),
}
"""Unit of measure of ESPI -> unit of a record, and whether a value is an amount of the interval or a rate over it."""
OTHER_UNITS: Mapping[int, str] = {
    **{29: "volts", 33: "hertz", 42: "cubic metres", 63: "var", 65: "power factor", 73: "var hours", 80: "money", 119: "cubic feet"},
    **{128: "gallons", 132: "Btu", 169: "therms"},
}
REGISTERS: Mapping[int, str] = {1: kinds.DELIVERED, 0: kinds.DELIVERED, 19: kinds.RECEIVED, 4: kinds.NET, 20: kinds.TOTAL}
"""Flow direction of ESPI -> register."""
COMMODITIES: Mapping[int, str] = {7: "gas", 9: "water", 0: "electricity", 1: "electricity", 2: "electricity"}
SERVICES: Mapping[int, str] = {0: "electricity", 1: "gas", 2: "water", 3: "time", 4: "heat", 5: "refuse", 6: "sewerage", 7: "rates"}
CUMULATIVE = (1, 3, 9)
"""Accumulation of ESPI: bulk quantity, cumulative, summation: the register's own count."""
INSTANTANEOUS, INDICATING = 12, 6
LEG_PHASES: Mapping[int, str] = {512: "A", 528: "A", 256: "B", 272: "B"}
"""Phase codes of one leg of a split-phase service: S1, S1N, S2, S2N."""
EXTREMES: Mapping[int, str] = {8: "maximum", 9: "minimum"}


@dataclass
class Block:
    """Readings of one interval block as they stand: value [-], start [s UTC], length [s; -1 not said], quality [-1 not said]."""

    value: array.array = field(default_factory=lambda: array.array("q"))
    start: array.array = field(default_factory=lambda: array.array("q"))
    length: array.array = field(default_factory=lambda: array.array("q"))
    quality: array.array = field(default_factory=lambda: array.array("h"))

    def cut(self) -> None:
        """Bring the four to one length, after a column that could not be read whole."""
        least = min(map(len, (self.value, self.start, self.length, self.quality)))
        for column in (self.value, self.start, self.length, self.quality):
            del column[least:]


@dataclass
class Entry:
    """One entry of a feed: its links, the resource in it with its fields, its interval blocks."""

    line: int
    kind: str = ""
    values: dict = field(default_factory=dict)
    links: list[tuple[str, str]] = field(default_factory=list)
    blocks: list[Block] = field(default_factory=list)

    def href(self, rel: str) -> str:
        """The one link of a relation, without a closing slash; empty where there is none."""
        return next((_plain(href) for kind, href in self.links if kind == rel), "")

    @property
    def related(self) -> set[str]:
        """Every related link."""
        return {_plain(href) for kind, href in self.links if kind == "related"}


@dataclass
class Feed:
    """One feed of a file with its entries."""

    number: int
    entries: list[Entry] = field(default_factory=list)

    def of(self, *names: str) -> list[Entry]:
        """Entries that hold one of these resources."""
        return [entry for entry in self.entries if entry.kind in names]


@dataclass
class Channel:
    """Readings of one meter reading: how it is called, its reading type, usage point and blocks."""

    label: str
    feed: Feed
    reading_type: Entry
    point: Entry | None
    meter: Entry | None
    blocks: list[Block]

    def code(self, name: str, default: int | None = None) -> int | None:
        """A code of the reading type. Errors: ValueError where it is no whole number."""
        text = self.reading_type.values.get(name, "")
        return default if not text else int(str(text))

    @property
    def count(self) -> int:
        """How many readings there are."""
        return sum(len(block.start) for block in self.blocks)

    @property
    def register(self) -> str:
        """Register by the flow direction; empty for a direction that is none."""
        return REGISTERS.get(self.code("flowDirection", 1), "")


def _plain(href: str) -> str:
    return href.strip().rstrip("/")


def _under(href: str, owner: str) -> bool:
    return bool(owner) and (href == owner or href.startswith(f"{owner}/"))


def channels(feeds: Sequence[Feed], shown: str, where: str) -> list[Channel]:
    """Every channel of a file that has readings. Errors: InputFault for blocks that belong to none or to several."""
    found: list[Channel] = []
    faults: list[Fault] = []
    for feed in feeds:
        groups: dict[tuple[int, int], Channel] = {}
        types, meters = feed.of("ReadingType"), feed.of("MeterReading")
        for entry in feed.of("IntervalBlock"):
            owner, typed = _owner(entry, types, meters)
            if typed is None:
                there = len(types)
                what = "readings whose reading type is not said" if there else "readings without any reading type in the feed"
                todo = "ask the utility for the feed with its links"
                faults.append(
                    Fault(shown, where, what, f"{there} reading types in the feed", "one that is linked", todo, entry.line or None)
                )
                continue
            key = (id(owner), id(typed))
            if key not in groups:
                groups[key] = Channel(_label(feeds, feed, owner, typed), feed, typed, _point(feed, owner, entry), owner, [])
            groups[key].blocks += entry.blocks
        found += groups.values()
    if faults:
        raise InputFault(faults[:10])
    return [channel for channel in found if channel.count]


def _owner(entry: Entry, types: list[Entry], meters: list[Entry]) -> tuple[Entry | None, Entry | None]:
    """Meter reading and reading type of an entry with blocks; None where no link and no count settles it."""
    up, self_ = entry.href("up"), entry.href("self")
    owners = [
        meter
        for meter in meters
        if (up and up in meter.related) or (meter.href("self") and (_under(up, meter.href("self")) or _under(self_, meter.href("self"))))
    ]
    owner = owners[0] if len(owners) == 1 else meters[0] if not owners and len(meters) == 1 and not (up or self_) else None
    linked = [one for one in types if one.href("self") and one.href("self") in (entry.related | (owner.related if owner else set()))]
    if len(linked) == 1:
        return owner, linked[0]
    return owner, types[0] if not linked and len(types) == 1 else None


def _label(feeds: Sequence[Feed], feed: Feed, owner: Entry | None, typed: Entry) -> str:
    name = owner.href("self") if owner is not None and owner.href("self") else ""
    if not name:
        name = f"reading type {typed.href('self') or feed.of('ReadingType').index(typed) + 1}"
    return f"feed {feed.number}: {name}" if len(feeds) > 1 else name


def _point(feed: Feed, owner: Entry | None, entry: Entry) -> Entry | None:
    points = feed.of("UsagePoint")
    near = owner or entry
    linked = [
        point
        for point in points
        if _under(near.href("self"), point.href("self")) or _under(near.href("up"), point.href("self")) or near.href("up") in point.related
    ]
    return linked[0] if len(linked) == 1 else points[0] if len(points) == 1 and not linked else None


def _service(channel: Channel) -> str:
    kind = channel.point.values.get("ServiceCategory") if channel.point is not None else None
    if isinstance(kind, dict) and kind.get("kind", "").isdigit():
        return SERVICES.get(int(kind["kind"]), f"service kind {kind['kind']}")
    code = channel.code("commodity")
    return "electricity" if code is None else COMMODITIES.get(code, f"commodity {code}")


def refusal(channel: Channel) -> str:
    """Why a channel cannot be a record of load; empty where it can."""
    if _service(channel) != "electricity":
        return f"it is of {_service(channel)}"
    unit = channel.code("uom")
    if unit is None:
        return "its unit of measure is not said"
    if unit not in UNITS:
        return f"it is in {OTHER_UNITS.get(unit, f'unit of measure {unit}')}"
    if not -12 <= channel.code("powerOfTenMultiplier", 0) <= 12:
        return f"its multiplier 10^{channel.code('powerOfTenMultiplier')} is outside -12 to 12"
    extreme = EXTREMES.get(channel.code("dataQualifier", 0))
    if extreme:
        return f"its values are the {extreme} within each interval: a maximum belongs in records.maximum_demand"
    if not channel.register:
        return f"its flow direction {channel.code('flowDirection')} is neither delivered, received, net nor total"
    if UNITS[unit][0] == "Ah" and channel.code("phase", 0) not in LEG_PHASES:
        return "it is in amperes, and which leg is meant is not said"
    return ""


def _words(channel: Channel) -> str:
    """One line of a list of channels."""
    first = min(min(block.start, default=0) for block in channel.blocks if block.start)
    last = max(max(block.start, default=0) for block in channel.blocks if block.start)
    unit = UNITS.get(channel.code("uom", -1), (OTHER_UNITS.get(channel.code("uom", -1), "no unit"), ""))[0]
    seconds = channel.code("intervalLength")
    step = f", interval {seconds} s" if seconds else ""
    return f"{channel.label} ({channel.register or 'no register'}, {unit}{step}, {channel.count:,} readings, {_day(first)} to {_day(last)})"


def _day(moment: int) -> str:
    try:
        return fixed(0).text(moment)[:10]
    except (ValueError, OverflowError, OSError):
        return str(moment)


def _bad_codes(found: Iterable[Channel], shown: str, where: str) -> list[Fault]:
    names = (
        "uom",
        "powerOfTenMultiplier",
        "flowDirection",
        "accumulationBehaviour",
        "commodity",
        "phase",
        "dataQualifier",
        "intervalLength",
    )
    faults = []
    for typed in {id(channel.reading_type): channel.reading_type for channel in found}.values():
        for name in names:
            text = str(typed.values.get(name, "") or "0")
            if not text.lstrip("-").isdigit():
                faults.append(
                    Fault(shown, where, f"{name} of a reading type is no whole number", text[:40], "a code", "ask anew", typed.line)
                )
    return faults


def choose(found: list[Channel], shown: str, declared: Declared) -> tuple[Channel, list[Decision]]:
    """The channel that is meant. Errors: InputFault where none can be, MissingInput where several could."""
    where = f"{declared.field}.file"
    if not found:
        raise InputFault([Fault(shown, where, "no readings in the feed", "0", "interval blocks with readings", "ask for interval data")])
    faults = _bad_codes(found, shown, where)
    if faults:
        raise InputFault(faults)
    usable = [channel for channel in found if not refusal(channel)]
    if not usable:
        said = "; ".join(f"{_words(channel)}: {refusal(channel)}" for channel in found)
        todo = "ask the utility for the interval data of the electricity meter"
        raise InputFault([Fault(shown, where, "no channel of electric load in the feed", said, "Wh, W, VAh, VA, or A by leg", todo)])
    decisions = [Decision(f"{channel.label} left alone", refusal(channel)) for channel in found if refusal(channel)]
    if declared.channel is not None:
        usable = _named(usable, found, shown, declared)
    wanted = declared.register
    if wanted is not None and wanted != kinds.GROSS:
        fit = [channel for channel in usable if channel.register == wanted]
        if not fit:
            there = "; ".join(map(_words, usable))
            todo = "name a register that is there"
            raise InputFault([Fault(shown, f"{declared.field}.register", "no such register in the feed", wanted, there, todo)])
        usable = fit
    legs = _legs_of(usable)
    if len(usable) > 1 and not legs:
        _ask(usable, declared)
    chosen = usable[0]
    why = "the only channel of electric load" if len(found) - len(decisions) == 1 else "declared in the site file"
    decisions.append(Decision(f"channel {chosen.label}", why))
    return chosen, decisions


def _named(usable: list[Channel], found: list[Channel], shown: str, declared: Declared) -> list[Channel]:
    exact = [channel for channel in usable if channel.label == declared.channel]
    fit = exact or [channel for channel in usable if channel.label.endswith(declared.channel)]
    if len(fit) == 1 or (fit and declared.register):
        return fit
    said = "; ".join(f"{_words(one)}{': ' + refusal(one) if refusal(one) else ''}" for one in found)
    what = "several channels of the feed end so" if fit else "no such channel of electric load in the feed"
    raise InputFault([Fault(shown, f"{declared.field}.channel", what, declared.channel, said, "write the label of one of them")])


def _ask(usable: list[Channel], declared: Declared) -> None:
    registers = {channel.register for channel in usable}
    fields = []
    if len(registers) > 1 and declared.register is None:
        fields.append(f"{declared.field}.register")
    if len(registers) < len(usable) or not fields:
        fields.append(f"{declared.field}.channel")
    listed = "; ".join(map(_words, usable))
    raise MissingInput(fields, f"the feed holds {len(usable)} channels that could be meant: {listed}")


def _legs_of(usable: list[Channel]) -> dict[str, Channel]:
    """Two channels of amperes, one of each leg of one usage point; empty where it is not that."""
    by_leg = {LEG_PHASES.get(channel.code("phase", 0), ""): channel for channel in usable}
    fit = len(usable) == 2 and set(by_leg) == {"A", "B"} and len({id(channel.point) for channel in usable}) == 1
    return by_leg if fit and all(UNITS[channel.code("uom")][0] == "Ah" for channel in usable) else {}


def channel_record(feeds: Sequence[Feed], shown: str, declared: Declared, site_clock: Clock | None) -> Record:
    """The record that is meant, out of all feeds of a file. Errors: InputFault, MissingInput."""
    from workbook_lib.records.espi_values import made

    found = channels(feeds, shown, f"{declared.field}.file")
    chosen, decisions = choose(found, shown, declared)
    return made(found, chosen, decisions, shown, declared, site_clock)


def clock_of(channel: Channel, shown: str, where: str, site_clock: Clock | None) -> tuple[Clock, Decision]:
    """Local clock of a channel: its feed's own parameters, else the home's, else UTC. Errors: InputFault for a bad rule."""
    entries = channel.feed.of("LocalTimeParameters")
    linked = [one for one in entries if channel.point is not None and one.href("self") and one.href("self") in channel.point.related]
    own = linked[0] if linked else entries[0] if len(entries) == 1 else None
    if own is None:
        if site_clock is not None:
            return site_clock, Decision(f"clock {site_clock.name}", "the home's time zone; the feed has no local time of its own")
        return fixed(0), Decision("clock UTC", "neither the feed nor the home states a local time")
    try:
        standard, saving = (int(str(own.values.get(name, "0") or "0")) for name in ("tzOffset", "dstOffset"))
        start, end = (decode_rule(str(own.values.get(name) or "FFFFFFFF")) for name in ("dstStartRule", "dstEndRule"))
        if abs(standard) > 50400 or abs(saving) > 7200:
            raise ValueError(f"offset {standard} s with {saving} s of daylight saving")
        return by_rules(standard, saving, start, end), Decision(f"clock of the feed: {fixed(standard).name}", "its local time parameters")
    except ValueError as error:
        todo = "ask the utility for the feed anew"
        raise InputFault(
            [Fault(shown, where, "local time parameters that cannot be", str(error), "rules of ESPI", todo, own.line)]
        ) from None


def summaries_of(channel: Channel) -> tuple[Summary, ...]:
    """Totals that the feed states for a channel's usage point, in the channel's unit. Periods that it does not state are left open."""
    stated: list[Summary] = []
    unit = UNITS[channel.code("uom")][0]
    for entry in channel.feed.of("UsageSummary", "ElectricPowerUsageSummary"):
        if channel.point is not None and len(channel.feed.of("UsagePoint")) > 1 and not _of_point(entry, channel.point):
            continue
        period = entry.values.get("billingPeriod")
        start = end = None
        if isinstance(period, dict) and period.get("start", "").isdigit() and period.get("duration", "").isdigit():
            start, end = int(period["start"]), int(period["start"]) + int(period["duration"])
        last = _amount(entry.values.get("overallConsumptionLastPeriod"), unit)
        if last is not None:
            stated.append(Summary(last, unit, start, end, "consumption of the last period"))
        current = entry.values.get("currentBillingPeriodOverAllConsumption")
        amount = _amount(current, unit)
        until = str(entry.values.get("statusTimeStamp") or (current or {}).get("timeStamp", "")) if isinstance(current, dict) else ""
        if amount is not None and end is not None and until.isdigit() and int(until) > end:
            stated.append(Summary(amount, unit, end, int(until), "consumption of the current period"))
    return tuple(stated)


def _of_point(entry: Entry, point: Entry) -> bool:
    return (
        _under(entry.href("self"), point.href("self")) or _under(entry.href("up"), point.href("self")) or entry.href("up") in point.related
    )


def _amount(values: object, unit: str) -> float | None:
    if not isinstance(values, dict):
        return None
    try:
        code, power, value = int(values["uom"]), int(values.get("powerOfTenMultiplier") or 0), int(values["value"])
    except (KeyError, ValueError):
        return None
    return value * 10.0**power if UNITS.get(code) == (unit, "energy") else None


def columns(channel: Channel) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Value, start, length and quality of every reading of a channel, in the order of the file; taken out of its blocks."""
    joined = []
    for name, kind in (("value", np.int64), ("length", np.int64), ("quality", np.int16), ("start", np.int64)):
        joined.append(np.concatenate([np.frombuffer(getattr(block, name), dtype=kind) for block in channel.blocks]))
        for block in channel.blocks:
            setattr(block, name, getattr(block, name)[:0])
    value, length, quality, start = joined
    return value, start, length, quality
