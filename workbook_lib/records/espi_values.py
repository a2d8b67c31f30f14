"""From the integers of a Green Button channel to amounts of energy: multipliers, registers, samples, lengths, legs."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from workbook_lib.errors import Fault, InputFault
from workbook_lib.records import record as kinds
from workbook_lib.records.clock import Clock
from workbook_lib.records.espi_links import (
    CUMULATIVE,
    INDICATING,
    INSTANTANEOUS,
    UNITS,
    Channel,
    _legs_of,
    clock_of,
    columns,
    refusal,
    summaries_of,
)
from workbook_lib.records.record import Decision, Declared, Record

LONGEST_S = 400 * 86400
"""A reading is not longer than this [s]: a year and a month."""


def made(
    found: Sequence[Channel], chosen: Channel, decisions: list[Decision], shown: str, declared: Declared, site_clock: Clock | None
) -> Record:
    """The record of a channel. Errors: InputFault where its values cannot be amounts."""
    where = f"{declared.field}.file"
    clock, said = clock_of(chosen, shown, where, site_clock)
    decisions = [*decisions, said]
    usable = [channel for channel in found if not refusal(channel) and channel.register == chosen.register]
    legs = _legs_of(usable)
    dropped: list[tuple[str, int]] = []
    if legs:
        start, length, quality, by_leg = _both_legs(legs, shown, where, decisions, dropped)
        amount = np.maximum(*by_leg.values())
    else:
        start, length, amount, quality = _amounts(chosen, shown, where, decisions, dropped)
        by_leg = {}
    register = chosen.register
    if declared.register == kinds.GROSS:
        register = kinds.GROSS
        decisions.append(Decision("register gross: the home's own use", "the site file says so; a feed has no such direction"))
    elif chosen.code("flowDirection") in (None, 0):
        decisions.append(Decision("register delivered", "the feed states no direction of flow"))
    received = None if register != kinds.DELIVERED or legs else _received(found, chosen, start, length, shown, where, decisions, dropped)
    return Record(
        start=start,
        length=length,
        amount=amount,
        quality=quality,
        unit=UNITS[chosen.code("uom")][0],
        clock=clock,
        register=register,
        basis=kinds.SAMPLED if chosen.code("accumulationBehaviour") in (INSTANTANEOUS, INDICATING) else kinds.AVERAGE,
        legs=by_leg,
        received=received,
        file=shown.rpartition("/")[2],
        channel=" and ".join(channel.label for channel in legs.values()) if legs else chosen.label,
        decisions=tuple(decisions),
        dropped=tuple(dropped),
        summaries=summaries_of(chosen),
    )


def _amounts(channel: Channel, shown: str, where: str, decisions: list[Decision], dropped: list) -> tuple[np.ndarray, ...]:
    """Start, length, amount and quality of a channel's readings."""
    value, start, length, quality = columns(channel)
    length = _lengths(channel, start, length, shown, where, decisions)
    scaled = value * 10.0 ** channel.code("powerOfTenMultiplier", 0)
    kept_quality = np.where(quality >= 0, quality, channel.code("defaultQuality", kinds.VALID) or kinds.VALID)
    unit, form = UNITS[channel.code("uom")]
    if channel.code("accumulationBehaviour") in CUMULATIVE and form == "energy":
        return _differences(scaled, start, length, kept_quality, channel, decisions, dropped)
    if form == "rate":
        how = (
            "samples, each held for its interval"
            if channel.code("accumulationBehaviour") == INSTANTANEOUS
            else "averages over the interval"
        )
        decisions.append(Decision(f"values in {unit.removesuffix('h')} are {how}", "unit and accumulation of the reading type"))
        return start, length, scaled * length / 3600.0, kept_quality
    return start, length, scaled, kept_quality


def _lengths(channel: Channel, start: np.ndarray, length: np.ndarray, shown: str, where: str, decisions: list[Decision]) -> np.ndarray:
    """Length of each reading: its own, else the reading type's, else up to the next reading. Errors: InputFault."""
    missing = length < 0
    if missing.any():
        usual = channel.code("intervalLength")
        if usual:
            decisions.append(Decision(f"{int(missing.sum()):,} readings of {usual} s", "interval length of the reading type"))
            length = np.where(missing, usual, length)
        elif len(start) > 1 and (np.diff(start) > 0).all():
            following = np.append(np.diff(start), np.diff(start)[-1])
            decisions.append(Decision(f"{int(missing.sum()):,} readings last up to the next", "no length is stated"))
            length = np.where(missing, following, length)
        else:
            todo = "ask for a feed with durations"
            what = f"{int(missing.sum()):,} readings without a length, and no interval length in their reading type"
            raise InputFault([Fault(shown, where, what, "nothing", "a duration in seconds", todo)])
    if (length > LONGEST_S).any():
        worst = int(length.max())
        raise InputFault([Fault(shown, where, "a reading longer than a year", f"{worst} s", f"{LONGEST_S} s", "ask for the feed anew")])
    return length


def _differences(
    value: np.ndarray,
    start: np.ndarray,
    length: np.ndarray,
    quality: np.ndarray,
    channel: Channel,
    decisions: list[Decision],
    dropped: list,
) -> tuple[np.ndarray, ...]:
    """Energy between consecutive counts of a register; a count that falls is an exchange or an overflow and gives none."""
    order = np.argsort(start + np.maximum(length, 0), kind="stable")
    at, count, codes = (start + np.maximum(length, 0))[order], value[order], quality[order]
    usual = channel.code("intervalLength") or 0
    if length.max() <= 0 or (usual and (length == usual).all() and (np.diff(at) != usual).any() and (start == np.sort(start)).all()):
        pass
    step, risen = np.diff(at), np.diff(count)
    fit = (step > 0) & (risen >= 0)
    fallen = int(((step > 0) & (risen < 0)).sum())
    words = "the difference of two counts of the register is the energy between them, a count standing at the end of its period"
    decisions.append(Decision(words, "accumulation of the reading type"))
    if fallen:
        dropped.append(
            ("counts of the register lower than the one before: an exchange or an overflow, no energy is taken from them", fallen)
        )
    return at[:-1][fit], step[fit], risen[fit], codes[1:][fit]


def _both_legs(
    legs: dict[str, Channel], shown: str, where: str, decisions: list[Decision], dropped: list
) -> tuple[np.ndarray, np.ndarray, np.ndarray, dict[str, np.ndarray]]:
    """Two channels of amperes on the same intervals. Errors: InputFault where they are not."""
    a, b = (_amounts(legs[name], shown, where, decisions, dropped) for name in ("A", "B"))
    if len(a[0]) != len(b[0]) or (a[0] != b[0]).any() or (a[1] != b[1]).any():
        todo = "ask for both legs on the same intervals"
        raise InputFault([Fault(shown, where, "the two legs have other intervals", f"{len(a[0])} and {len(b[0])}", "the same", todo)])
    decisions.append(Decision("legs A and B from two channels of amperes", "their phase codes"))
    return a[0], a[1], np.maximum(a[3], b[3]), {"A": a[2], "B": b[2]}


def _received(
    found: Sequence[Channel],
    chosen: Channel,
    start: np.ndarray,
    length: np.ndarray,
    shown: str,
    where: str,
    decisions: list[Decision],
    dropped: list,
) -> np.ndarray | None:
    """What the home gave back on the same intervals, from the feed's own channel; None where it has none."""
    unit = UNITS[chosen.code("uom")][0]
    fit = [
        channel
        for channel in found
        if channel.register == kinds.RECEIVED
        and not refusal(channel)
        and channel.point is chosen.point
        and UNITS[channel.code("uom")][0] == unit
    ]
    if not fit:
        return None
    back = np.zeros(len(start))
    order = np.argsort(start, kind="stable")
    for channel in fit:
        at, lasts, amount, _ = _amounts(channel, shown, where, [], dropped)
        place = np.searchsorted(start[order], at, side="right") - 1
        inside = (place >= 0) & (at + lasts <= (start + length)[order][np.maximum(place, 0)])
        np.add.at(back, order[place[inside]], amount[inside])
        decisions.append(Decision(f"received energy from {channel.label}", "the other direction of the same usage point"))
        if not inside.all():
            lost = f"received readings outside every interval of the load ({float(amount[~inside].sum()):,.0f} {unit}), not used"
            dropped.append((lost, int((~inside).sum())))
    return back
