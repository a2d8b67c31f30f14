"""Controlled chargers as a plain loop, written from the rules in words, to hold the engine to: slow and simple."""

from __future__ import annotations

import math
from types import SimpleNamespace

from workbook_lib.rules.sharing import split


def own(control, car):
    """What is the charger's own: floor, fallback, what the control keeps for it."""
    floor = control.floor_a if car.floor_a is None else car.floor_a
    fallback = control.fallback_a if car.fallback_a is None else car.fallback_a
    return SimpleNamespace(floor=floor, fallback=fallback, asks=max(car.onboard_a, floor) if car.asks_a is None else car.asks_a)


def _fallen(control, room: float, wanting: list[int], cars) -> dict[int, float]:
    """What each that wants may have: shares rounded down to the step; where one falls below the floor the last of them pauses."""
    ranks = list(wanting)
    while True:
        asked = [own(control, cars[name]).asks for name in ranks]
        shares = dict(zip(ranks, split(max(room, 0.0), asked, control.way, 0.0), strict=True))
        if control.way != "equal":
            left = max(room, 0.0)
            for name in ranks:
                shares[name] = min(own(control, cars[name]).asks, left)
                left -= shares[name] if shares[name] >= own(control, cars[name]).floor - 1e-9 else 0.0
        if control.step_a:
            shares = {name: math.floor(value / control.step_a + 1e-9) * control.step_a for name, value in shares.items()}
        short = [name for name in ranks if shares[name] < own(control, cars[name]).floor - 1e-9]
        if not short:
            return shares
        ranks.remove(short[-1])


def _decide(control, one, floor: float, may: float, room: float, others: float, sample: int, least) -> None:
    """A rise of one charger, after all that fall have fallen."""
    if may <= one.commanded + 1e-9:
        one.waited = 0
        return
    one.waited += sample
    value = may if others is None else min(may, room - others)
    if others is not None and control.step_a:
        value = math.floor(value / control.step_a + 1e-9) * control.step_a
    if one.commanded > 0:
        ready = one.waited > least.raising
    else:
        ready = one.waited > least.raising + one.further and one.paused >= least.off
    if ready and value > one.commanded + control.dead_band_a + 1e-9 and value >= floor - 1e-9:
        one.commanded, one.waited = value, 0


def _begun(needs, further, off):
    """Chargers before the first step."""
    return [
        SimpleNamespace(
            further=wait,
            commanded=0.0,
            waited=0,
            paused=off,
            ran=0,
            draws=0.0,
            came_through=0.0,
            came=0,
            car=[],
            pilots=[],
            energy=[0.0] * len(need),
        )
        for need, wait in zip(needs, further, strict=True)
    ]


def _draw(one, car, pilot, left, floor, step_s):
    """What a vehicle draws at a step."""
    if left <= 1e-12 or pilot < floor - 1e-9:
        one.draws = 0.0
    else:
        wish = min(pilot, car.onboard_a)
        if car.taper_kwh and left < car.taper_kwh:
            wish = min(wish, max(car.onboard_a * left / car.taper_kwh, min(floor, 6.0)))
        move = car.ramp_a_per_s * step_s
        one.draws = max(one.draws - move, wish) if wish < one.draws else min(one.draws + move, wish)


def charging(house, sessions, needs, step_s, volts, control, cars, sensor_lost, command_lost):
    """Current and pilot of each charger at each step [A], energy of each of its sessions [kWh]: three lists of lists."""

    def steps(seconds):
        return math.ceil(seconds / step_s - 1e-9)

    sample, late = max(1, steps(control.sample_s)), steps(control.sensor_delay_s)
    least = SimpleNamespace(raising=steps(control.raise_delay_s), off=steps(control.minimum_off_s), on=steps(control.minimum_on_s))
    patience, known, blind, cut, phase = steps(control.lost_after_s), house[0], 0, 0, steps(control.phase_s)
    part = 1.0 if control.filter_s <= 0 else 1 - math.exp(-step_s / control.filter_s)
    ones = _begun(needs, [steps(wait) for wait in control.spread(len(needs))], least.off)
    for now in range(len(house)):
        cut = cut + 1 if command_lost[now] else 0
        for name, one in enumerate(ones):
            car, at = cars[name], sessions[name][now]
            kwh, its = (volts if car.volts is None else car.volts) * step_s / 3.6e6, own(control, car)
            sent = now - 1 - steps(control.command_delay_s + car.response_s)
            if not cut:
                one.came_through = one.pilots[sent] if sent >= 0 else 0.0
            pilot = one.came_through
            if cut > patience + steps(car.response_s):
                pilot = min(its.fallback, car.onboard_a)
            left = needs[name][at] - one.energy[at] if at >= 0 else 0.0
            _draw(one, car, pilot, left, its.floor, step_s)
            one.car.append(min(one.draws, left / kwh) if at >= 0 else 0.0)
            if at >= 0:
                one.energy[at] += one.car[-1] * kwh
        if control.kind != "sensing":
            for name, one in enumerate(ones):
                one.pilots.append(own(control, cars[name]).asks if control.kind == "none" else control.setting_a)
            continue
        known += (house[max(now - late, 0)] - known) * part
        blind = blind + 1 if sensor_lost[now] else 0
        for name, one in enumerate(ones):
            one.paused += 1
            one.ran = 0 if one.commanded == 0 else one.ran + 1
            if now == 0 or sessions[name][now] != sessions[name][now - 1]:
                one.came = now
        if now >= phase and (now - phase) % sample == 0:
            _sample(
                control, ones, cars, sessions, needs, now, min(control.setting_a - known, control.total_a), sample, least, blind, patience
            )
        for one in ones:
            one.pilots.append(one.commanded)
    return [one.car for one in ones], [one.pilots for one in ones], [one.energy for one in ones]


def _sample(control, ones, cars, sessions, needs, now, room, sample, least, blind, patience):
    """One sampling instant."""
    ats = [row[now] for row in sessions]
    wanting = [name for name, at in enumerate(ats) if at >= 0 and needs[name][at] - ones[name].energy[at] > 1e-12]
    if blind > patience:
        for name, one in enumerate(ones):
            its = own(control, cars[name])
            one.commanded = its.fallback if name in wanting and its.fallback >= its.floor else 0.0
            one.waited = 0
        return
    if blind:
        return
    ranked = sorted(wanting, key=lambda name: ones[name].came) if control.way == "first-come" else wanting
    may = _fallen(control, room, ranked, cars)
    for name, one in enumerate(ones):
        value = may.get(name, 0.0)
        if value == 0.0 and name in wanting and one.commanded > 0 and one.ran < least.on:
            value = min(own(control, cars[name]).floor, one.commanded)
        if value < one.commanded - control.fall_band_a - 1e-9 or (value == 0.0 and one.commanded > 0.0):
            one.paused = 0 if value == 0.0 and name in wanting else one.paused
            one.commanded, one.waited = value, 0
    for name, one in enumerate(ones):
        others = sum(other.commanded for other in ones) - one.commanded if len(ones) > 1 else None
        _decide(control, one, own(control, cars[name]).floor, may.get(name, 0.0), room, others, sample, least)
