"""A controlled charger step by step: what the sensor sees, what is commanded, what the vehicle draws.

Within a step everything is constant. The rules of one step, in this order:

1. The vehicle follows the pilot that was commanded `command_delay_s + response_s` and one step ago, at most its on-board limit,
   changing by at most its ramp; from a plain pilot of less than the floor, unplugged or with its need met it draws nothing, at once.
   Near the end of its need it tapers: with less left than `taper_kwh` its limit falls in proportion.
2. The service carries the house and the vehicle.
3. At every sampling instant the control knows the house (the service less its own vehicle, both measured) as it was `sensor_delay_s`
   ago, through a first-order filter. What the setting leaves beside it, rounded down to the step of the pilot, is what it may command.
4. A lower value is commanded at once, if it differs by more than the dead band or would be paused. A higher one only after it has
   been possible for the raise delay without a break. Below the floor the pilot pauses; a pause lasts at least `minimum_off_s`.
   A charger that has not yet run for `minimum_on_s` is held at the floor instead of paused: that time is part of its excursion.
5. Where the sensor is lost, the last value holds for `lost_after_s`, then the fallback is commanded until it is back.
   Where the command is lost on its way, the charger takes its fallback by itself `lost_after_s` later.
"""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np

from workbook_lib.errors import CalculationFault

TINY_A = 1e-9
FLOOR_A = 6.0
"""Least current that a pilot can ask for [A]. Source: IEC 61851-1 and SAE J1772, 10 % duty cycle."""
KINDS = ("none", "fixed", "sensing")


@dataclass(frozen=True)
class Control:
    """A control of one charger.

    `kind` none, fixed (commands `setting_a`), sensing (holds the service to `setting_a`); currents [A], times [s]; `step_a` of the
    pilot, 0 for none; `fallback_a` on a lost sensor or command.
    """

    kind: str
    setting_a: float = np.inf
    sample_s: float = 0.0
    filter_s: float = 0.0
    sensor_delay_s: float = 0.0
    command_delay_s: float = 0.0
    floor_a: float = FLOOR_A
    step_a: float = 0.0
    dead_band_a: float = 0.0
    raise_delay_s: float = 0.0
    minimum_off_s: float = 0.0
    minimum_on_s: float = 0.0
    fallback_a: float = 0.0
    lost_after_s: float = 0.0

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise CalculationFault("unknown kind of control", value=self.kind, limit=", ".join(KINDS), where="Control")
        plain = {name: value for name, value in vars(self).items() if name not in ("kind", "setting_a")}
        wrong = [name for name, value in plain.items() if not np.isfinite(value) or value < 0]
        if wrong or self.setting_a < 0 or np.isnan(self.setting_a):
            raise CalculationFault("a control with a negative value or none", value=", ".join(wrong) or "setting_a", where="Control")


def relay(threshold_a: float, rating_a: float, return_delay_s: float) -> Control:
    """A control that sheds a charger whole and takes it back whole.

    Parameters: threshold_a that the service is held to, rating_a of the charger [A]; return_delay_s for which all of it must fit
    without a break before it returns [s]. Returns: Control that commands nothing or rating_a. Errors:
    CalculationFault of Control. Source: the rules of this module.
    """
    return Control("sensing", threshold_a, floor_a=rating_a, step_a=rating_a, raise_delay_s=return_delay_s)


@dataclass(frozen=True)
class Vehicle:
    """What a vehicle does with its pilot: on-board limit [A], delay [s] and ramp [A/s] of its answer, energy of its taper [kWh]."""

    onboard_a: float
    response_s: float = 0.0
    ramp_a_per_s: float = np.inf
    taper_kwh: float = 0.0

    def __post_init__(self) -> None:
        if not self.onboard_a > 0 or self.response_s < 0 or not self.ramp_a_per_s > 0 or self.taper_kwh < 0:
            raise CalculationFault("a vehicle with a value below zero", value=repr(self), where="Vehicle")


@dataclass(frozen=True)
class Charged:
    """What happened at each step, arrays of shape (n,): current of the vehicle and the pilot as commanded [A]; energy by session [kWh]."""

    vehicle_a: np.ndarray
    pilot_a: np.ndarray
    energy_kwh: np.ndarray


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _down(value, step):
    """A current rounded down to the step of a pilot, the last bit of arithmetic guarded."""
    return np.floor(value / step + 1e-9) * step if step > 0.0 else value


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _run(house, session, need, sensing, lost_sensor, lost_command, hours, volts, plain, times, vehicle_a, pilot_a, energy):
    """Every step. `plain`: setting, floor, step, dead band, fallback, onboard, ramp a step, taper, filter weight; `times` in steps."""
    setting, floor, step, dead, fallback = plain[0], plain[1], plain[2], plain[3], plain[4]
    onboard, ramp, taper, weight = plain[5], plain[6], plain[7], plain[8]
    sample, seen_s, way_s, raise_s, off_s, on_s, lost_s = times[0], times[1], times[2], times[3], times[4], times[5], times[6]
    command, seen, rising, off, on, blind, cut, drawn = 0.0, house[0], 0, off_s, 0, 0, 0, 0.0
    kwh, due = volts * hours / 1000.0, 0
    for at in range(house.shape[0]):
        here = session[at]
        sent = at - 1 - way_s
        pilot = pilot_a[sent] if sent >= 0 else 0.0
        cut = cut + 1 if lost_command[at] else 0
        if cut > lost_s:
            pilot = min(fallback, onboard)
        left = need[here] - energy[here] if here >= 0 else 0.0
        target = 0.0
        if here >= 0 and left > 1e-12 and pilot >= floor - TINY_A:
            target = min(pilot, onboard)
            if taper > 0.0 and left < taper:
                target = min(target, max(onboard * left / taper, floor))
            drawn = max(drawn - ramp, target) if target < drawn else min(drawn + ramp, target)
        else:
            drawn = 0.0
        if drawn > 0.0:
            now = min(drawn, left / kwh)
            vehicle_a[at] = now
            energy[here] += now * kwh
        if not sensing:
            pilot_a[at] = setting
            continue
        then = max(at - seen_s, 0)
        seen += (house[then] - seen) * weight
        off += 1
        on = on + 1 if command > 0.0 else 0
        blind = blind + 1 if lost_sensor[at] else 0
        due -= 1
        if due < 0:
            due = sample - 1
            if blind > lost_s:
                command, rising = (fallback if fallback >= floor else 0.0), 0
            elif blind == 0:
                room = _down(setting - seen, step)
                may = room if room >= floor - TINY_A else 0.0
                if may == 0.0 and 0 < on < on_s:
                    may = min(command, floor)
                if may < command - dead - TINY_A or (may < command and may == 0.0):
                    if may == 0.0:
                        off = 0
                    command, rising = may, 0
                elif may > command + TINY_A:
                    rising += sample
                    if rising > raise_s and (command > 0.0 or off >= off_s) and may > command + dead + TINY_A:
                        command, rising = may, 0
                else:
                    rising = 0
        pilot_a[at] = command


def charge(
    house_a: np.ndarray,
    session: np.ndarray,
    need_kwh: np.ndarray,
    step_s: float,
    volts: float,
    control: Control,
    vehicle: Vehicle,
    *,
    sensor_lost: np.ndarray | None = None,
    command_lost: np.ndarray | None = None,
) -> Charged:
    """One charger over a time.

    Parameters: house_a current of the heavier leg without the charger, shape (n,) [A]; session its number at each step, -1 where
    nothing is plugged in; need_kwh of each session [kWh]; step_s [s]; volts [V]; sensor_lost, command_lost shape (n,). Returns:
    Charged. Errors: CalculationFault where shapes differ or a value is no number. Source: the rules of this module.
    """
    house = np.ascontiguousarray(house_a, dtype=np.float64)
    order, need = np.ascontiguousarray(session, dtype=np.int64), np.ascontiguousarray(need_kwh, dtype=np.float64)
    n = len(house)
    lost = [
        np.zeros(n, dtype=np.bool_) if one is None else np.ascontiguousarray(one, dtype=np.bool_) for one in (sensor_lost, command_lost)
    ]
    if order.shape != (n,) or any(one.shape != (n,) for one in lost) or not np.isfinite(house).all() or not np.isfinite(need).all():
        raise CalculationFault("arrays of a charging run differ in shape or hold what is no number", value=f"{house.shape}", where="charge")
    if len(order) and (order.max() >= len(need) or order.min() < -1):
        raise CalculationFault("a session without its need", value=int(order.max()), limit=f"below {len(need)}", where="charge")

    def steps(seconds: float) -> int:
        return int(np.ceil(seconds / step_s - 1e-9))

    weight = 1.0 if control.filter_s <= 0 else 1.0 - np.exp(-step_s / control.filter_s)
    setting = vehicle.onboard_a if control.kind == "none" else control.setting_a
    plain = np.array(
        [setting, control.floor_a, control.step_a, control.dead_band_a, control.fallback_a, vehicle.onboard_a]
        + [vehicle.ramp_a_per_s * step_s, vehicle.taper_kwh, weight]
    )
    way = steps(control.command_delay_s + vehicle.response_s)
    times = np.array(
        [max(1, steps(control.sample_s)), steps(control.sensor_delay_s), way, steps(control.raise_delay_s)]
        + [steps(control.minimum_off_s), steps(control.minimum_on_s), steps(control.lost_after_s)]
    )
    found = Charged(np.zeros(n), np.zeros(n), np.zeros(len(need)))
    _run(
        house, order, need, control.kind == "sensing", lost[0], lost[1], step_s / 3600.0, volts, plain, times, found.vehicle_a,
        found.pilot_a, found.energy_kwh,
    )  # fmt: skip
    return found
