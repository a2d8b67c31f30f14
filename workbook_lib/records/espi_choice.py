"""Which channel of a Green Button feed is meant: units, registers, what cannot be a record of load, what to ask.

Source: NAESB ESPI usage schema (unit of measure, direction of flow, accumulation, qualifier, phase, commodity, service).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from workbook_lib.errors import Fault, InputFault, MissingInput
from workbook_lib.records import record as kinds
from workbook_lib.records.clock import fixed
from workbook_lib.records.espi_links import Channel, whole
from workbook_lib.records.record import Decision, Declared

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
COMMODITIES: Mapping[int, str] = {0: "electricity", 1: "electricity", 2: "electricity", 7: "gas", 8: "propane", 9: "water", 10: "steam"}
SERVICES: Mapping[int, str] = {0: "electricity", 1: "gas", 2: "water", 3: "time", 4: "heat", 5: "refuse", 6: "sewerage", 7: "rates"}
DELTA, CUMULATIVE = (0, 4), (1, 3, 9)
"""Accumulation of ESPI: amounts of the interval; the register's own count (bulk quantity, cumulative, summation)."""
INSTANTANEOUS, INDICATING = 12, 6
LEG_PHASES: Mapping[int, str] = {512: "A", 528: "A", 256: "B", 272: "B"}
"""Phase codes of one leg: S1, S1N, S2, S2N of a split-phase service, or A, AN, B, BN."""
EXTREMES: Mapping[int, str] = {8: "maximum", 9: "minimum"}
CODES = ("uom", "powerOfTenMultiplier", "flowDirection", "accumulationBehaviour", "commodity", "phase", "dataQualifier", "intervalLength")


@dataclass(frozen=True)
class Candidate:
    """What can be a record of load: one channel, or the two of both legs in amperes."""

    channels: tuple[Channel, ...]

    @property
    def label(self) -> str:
        """How it is called."""
        return " and ".join(channel.label for channel in self.channels)

    @property
    def first(self) -> Channel:
        """Its first channel: of two legs, leg A."""
        return self.channels[0]

    @property
    def legs(self) -> dict[str, Channel]:
        """Its channels by leg; empty for one that is not by leg."""
        return {LEG_PHASES[one.code("phase", 0)]: one for one in self.channels} if len(self.channels) > 1 else {}


def register(channel: Channel) -> str:
    """Register by the flow direction; empty for a direction that is none."""
    return REGISTERS.get(channel.code("flowDirection", 1), "")


def unit(channel: Channel) -> str:
    """Unit of the record that a channel would make; in words where it makes none."""
    code = channel.code("uom", -1)
    return UNITS[code][0] if code in UNITS else OTHER_UNITS.get(code, "no unit" if code == -1 else f"unit of measure {code}")


def _service(channel: Channel) -> str:
    kind = channel.point.values.get("ServiceCategory") if channel.point is not None else None
    if isinstance(kind, dict) and kind.get("kind", "") not in ("", "0"):
        return SERVICES.get(whole(kind["kind"]), f"service kind {kind['kind']}")
    code = channel.code("commodity", 1)
    return COMMODITIES.get(code, f"commodity {code}")


def refusal(channel: Channel, found: Sequence[Channel]) -> str:
    """Why a channel among those found cannot be a record of load; empty where it can."""
    code, how = channel.code("uom"), channel.code("accumulationBehaviour", 0)
    if _service(channel) != "electricity":
        return f"it is of {_service(channel)}"
    if code is None:
        return "its unit of measure is not said"
    if code not in UNITS:
        return f"it is in {unit(channel)}"
    if not -12 <= channel.code("powerOfTenMultiplier", 0) <= 12:
        return f"its multiplier 10^{channel.code('powerOfTenMultiplier')} is outside -12 to 12"
    extreme = EXTREMES.get(channel.code("dataQualifier", 0))
    if extreme:
        return f"its values are the {extreme} within each interval: a maximum belongs in records.maximum_demand"
    if not register(channel):
        return f"its flow direction {channel.code('flowDirection')} is neither delivered, received, net nor total"
    fit = (*DELTA, *CUMULATIVE) if UNITS[code][1] == "energy" else (*DELTA, INSTANTANEOUS, INDICATING)
    if how not in fit:
        return f"its accumulation {how} says neither amounts of an interval nor counts of a register, for values in {unit(channel)}"
    return _leg_refusal(channel, found) if UNITS[code][0] == "Ah" else ""


def _leg_refusal(channel: Channel, found: Sequence[Channel]) -> str:
    leg = LEG_PHASES.get(channel.code("phase", 0))
    if leg is None:
        return "it is in amperes, and which leg is meant is not said"
    there = [LEG_PHASES[one.code("phase")] for one in _amperes(channel, found)]
    if there.count(leg) > 1:
        return f"it is in amperes, and there are {there.count(leg)} channels of leg {leg}"
    other = "B" if leg == "A" else "A"
    if there.count(other) != 1:
        return f"it is leg {leg} alone in amperes, with {there.count(other)} channels of leg {other} beside it"
    return ""


def _amperes(channel: Channel, found: Sequence[Channel]) -> list[Channel]:
    """Channels by leg in amperes of the same usage point and direction."""
    return [
        one
        for one in found
        if UNITS.get(one.code("uom", -1), ("",))[0] == "Ah"
        and one.code("phase", 0) in LEG_PHASES
        and one.beside(channel)
        and register(one) == register(channel)
    ]


def candidates(found: Sequence[Channel]) -> list[Candidate]:
    """What can be a record of load, the two legs in amperes of one usage point as one."""
    usable = [channel for channel in found if not refusal(channel, found)]
    made: dict[tuple[int, ...], Candidate] = {}
    for channel in usable:
        legs = sorted(_amperes(channel, usable), key=lambda one: LEG_PHASES[one.code("phase")]) if unit(channel) == "Ah" else [channel]
        made.setdefault(tuple(map(id, legs)), Candidate(tuple(legs)))
    return list(made.values())


def words(channel: Channel) -> str:
    """One line of a list of channels: label, register, unit, interval, count, first and last day (UTC)."""
    first = min(min(block.start) for block in channel.blocks if block.start)
    last = max(max(block.start) for block in channel.blocks if block.start)
    lengths = next(block.length for block in channel.blocks if block.start)
    seconds = channel.code("intervalLength") or max(lengths[len(lengths) // 2], 0)
    step = f", interval {seconds} s" if seconds else ""
    kind = register(channel) or "no register"
    return f"{channel.label} ({kind}, {unit(channel)}{step}, {channel.count:,} readings, {_day(first)} to {_day(last)})"


def _listed(some: Iterable[Candidate]) -> str:
    return "; ".join(" and ".join(map(words, one.channels)) for one in some)


def _day(moment: int) -> str:
    try:
        return fixed(0).text(moment)[:10]
    except (ValueError, OverflowError, OSError):
        return str(moment)


def _bad_codes(found: Iterable[Channel], shown: str, where: str) -> list[Fault]:
    faults = []
    channels = list(found)
    types = {id(channel.reading_type): channel.reading_type for channel in channels}
    points = {id(channel.point): channel.point for channel in channels if channel.point is not None}
    texts = [(typed, name, typed.values.get(name, "")) for typed in types.values() for name in (*CODES, "defaultQuality")]
    services = [(point, point.values.get("ServiceCategory")) for point in points.values()]
    texts += [(point, "kind", service.get("kind", "")) for point, service in services if isinstance(service, dict)]
    for entry, name, text in texts:
        try:
            number = 0 if text in ("", {}) else whole(text)
            if name in ("intervalLength", "defaultQuality") and not 0 <= number <= (2**32 if name == "intervalLength" else 255):
                raise ValueError
        except ValueError:
            what = f"{name} of a {'usage point' if name == 'kind' else 'reading type'} is no whole number, or none that it can be"
            faults.append(
                Fault(shown, where, what, str(text)[:40], "a code of ESPI", "ask the utility for the feed anew", entry.line or None)
            )
    return faults


def choose(found: list[Channel], shown: str, declared: Declared) -> tuple[Candidate, list[Decision]]:
    """The channel that is meant, or both legs. Errors: InputFault where none can be, MissingInput where several could."""
    where = f"{declared.field}.file"
    if not found:
        raise InputFault([Fault(shown, where, "no readings in the feed", "0", "interval blocks with readings", "ask for interval data")])
    faults = _bad_codes(found, shown, where)
    if faults:
        raise InputFault(faults)
    usable = candidates(found)
    reasons = {channel.label: refusal(channel, found) for channel in found}
    if not usable:
        said = "; ".join(f"{words(channel)}: {reasons[channel.label]}" for channel in found)
        todo = "ask the utility for the interval data of the electricity meter"
        raise InputFault([Fault(shown, where, "no channel of electric load in the feed", said, "Wh, W, VAh, VA, or A by leg", todo)])
    decisions = [Decision(f"{label} left alone", reason) for label, reason in reasons.items() if reason]
    why = "the only channel of electric load" if len(usable) == 1 else "declared in the site file"
    if declared.channel is not None:
        usable = _named(usable, found, shown, declared)
    if declared.register is not None and declared.register != kinds.GROSS:
        fit = [one for one in usable if register(one.first) == declared.register]
        if not fit:
            what, todo = "no such register in the feed", "name a register that is there"
            raise InputFault([Fault(shown, f"{declared.field}.register", what, declared.register, _listed(usable), todo)])
        usable = fit
    if len(usable) > 1:
        _ask(usable, declared)
    decisions.append(Decision(f"channel {usable[0].label}", why))
    return usable[0], decisions


def _named(usable: list[Candidate], found: list[Channel], shown: str, declared: Declared) -> list[Candidate]:
    wanted = declared.channel
    exact = [one for one in usable if wanted in (one.label, *(channel.label for channel in one.channels))]
    fit = exact or [one for one in usable if any(channel.label.endswith(wanted) for channel in one.channels)]
    if wanted and (len(fit) == 1 or (fit and declared.register)):
        return fit
    reasons = [(channel, refusal(channel, found)) for channel in found]
    said = "; ".join(f"{words(one)}{': ' if why else ''}{why}" for one, why in reasons)
    what = "several channels of the feed end so" if fit else "no such channel of electric load in the feed"
    raise InputFault([Fault(shown, f"{declared.field}.channel", what, wanted or "nothing", said, "write the label of one of them")])


def _ask(usable: list[Candidate], declared: Declared) -> None:
    registers = {register(one.first) for one in usable}
    name = "register" if len(registers) == len(usable) and declared.register is None else "channel"
    reason = f"the feed holds {len(usable)} channels that could be meant: {_listed(usable)}"
    options = [register(one.first) if name == "register" else one.label for one in usable]
    raise MissingInput([f"{declared.field}.{name}"], reason, options)
