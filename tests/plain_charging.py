"""A controlled charger as a plain loop, written from the rules in words, to hold the engine to: slow and simple."""

from __future__ import annotations

import math


def charging(house, session, need, step_s, volts, control, vehicle, sensor_lost, command_lost):
    """Current of the vehicle and pilot at each step [A], energy of each session [kWh]."""

    def steps(seconds):
        return math.ceil(seconds / step_s - 1e-9)

    hours, sample = step_s / 3600, max(1, steps(control.sample_s))
    way, late = steps(control.command_delay_s + vehicle.response_s), steps(control.sensor_delay_s)
    raise_, off_least, patience = steps(control.raise_delay_s), steps(control.minimum_off_s), steps(control.lost_after_s)
    car, pilots, energy = [], [], [0.0] * len(need)
    commanded, known, waited, paused, blind, cut, draws = 0.0, house[0], 0, off_least, 0, 0, 0.0
    ran, on_least = 0, steps(control.minimum_on_s)
    for now in range(len(house)):
        at = session[now]
        pilot = pilots[now - 1 - way] if now - 1 - way >= 0 else 0.0
        cut = cut + 1 if command_lost[now] else 0
        if cut > patience:
            pilot = min(control.fallback_a, vehicle.onboard_a)
        left = need[at] - energy[at] if at >= 0 else 0.0
        if at < 0 or left <= 1e-12 or pilot < control.floor_a - 1e-9:
            draws = 0.0
        else:
            wish = min(pilot, vehicle.onboard_a)
            if vehicle.taper_kwh and left < vehicle.taper_kwh:
                wish = min(wish, max(vehicle.onboard_a * left / vehicle.taper_kwh, control.floor_a))
            move = vehicle.ramp_a_per_s * step_s
            draws = max(draws - move, wish) if wish < draws else min(draws + move, wish)
        now_a = min(draws, left / (volts * hours / 1000)) if at >= 0 else min(draws, 0.0)
        car.append(now_a)
        if at >= 0:
            energy[at] += now_a * volts * hours / 1000
        if control.kind != "sensing":
            pilots.append(vehicle.onboard_a if control.kind == "none" else control.setting_a)
            continue
        then = max(now - late, 0)
        part = 1.0 if control.filter_s <= 0 else 1 - math.exp(-step_s / control.filter_s)
        known += (house[then] - known) * part
        paused += 1
        ran = 0 if commanded == 0 else ran + 1
        blind = blind + 1 if sensor_lost[now] else 0
        if now % sample == 0:
            if blind > patience:
                commanded = control.fallback_a if control.fallback_a >= control.floor_a else 0.0
                waited = 0
            elif not blind:
                room = control.setting_a - known
                if control.step_a:
                    room = math.floor(room / control.step_a + 1e-9) * control.step_a
                may = room if room >= control.floor_a - 1e-9 else 0.0
                if may == 0.0 and commanded > 0 and ran < on_least:
                    may = min(control.floor_a, commanded)
                lower = may < commanded - control.dead_band_a - 1e-9 or (may == 0.0 and commanded > 0.0)
                if lower:
                    paused = 0 if may == 0.0 else paused
                    commanded, waited = may, 0
                elif may > commanded + 1e-9:
                    waited += sample
                    ready = commanded > 0 or paused >= off_least
                    if waited > raise_ and ready and may > commanded + control.dead_band_a + 1e-9:
                        commanded, waited = may, 0
                else:
                    waited = 0
        pilots.append(commanded)
    return car, pilots, energy
