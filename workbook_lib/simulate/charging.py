"""Controlled chargers step by step: what the sensor sees, what is commanded, what the vehicles draw.

Within a step everything is constant. The rules of one step, in this order:

1. A vehicle follows the pilot that was commanded `command_delay_s + response_s` and one step ago, at most its on-board limit,
   changing by at most its ramp; from a pilot of less than the floor, unplugged or with its need met it draws nothing, at once.
   Near the end of its need it tapers: with less left than `taper_kwh` its limit falls in proportion.
2. The service carries the house and the vehicles.
3. At every sampling instant the control knows the house (the service less its own vehicles, all measured) as it was `sensor_delay_s`
   ago, through a first-order filter. What the setting leaves beside it is shared by the vehicles that are plugged in with a need
   left: `equal`, by `priority` in their order, or `first-come`; each share rounded down to the step of the pilot. Where one would
   get less than the floor the last of the order pauses, and the others share. A charger without a need is commanded nothing.
4. A lower value is commanded at once, if it differs by more than the band on falls (none in a good control) or would be paused. A
   higher one only if it differs by more than the dead band, after it has been possible for the raise delay without a break, and
   only as far as the other commands leave room. A pause lasts at least
   `minimum_off_s`; out of it, and at the start of a session, a charger waits a further time of its own, drawn once from the seed
   up to `restart_spread_s`, so that several do not come back at once. A charger that has not yet run for `minimum_on_s` is held at
   the floor instead of paused: that time is part of its excursion.
5. Where the sensor is lost, the last value holds for `lost_after_s`, then each charger is commanded its fallback until it is back.
   Where the command is lost on its way, each charger keeps the last one that arrived and takes its fallback by itself `lost_after_s`
   later, which the vehicle follows after its own response.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numba
import numpy as np

from workbook_lib.errors import CalculationFault
from workbook_lib.rules.sharing import LEAST_A, WAYS

TINY_A = 1e-9
KINDS = ("none", "fixed", "sensing")


@dataclass(frozen=True)
class Control:
    """A control of one charger or of several that share its setting.

    `kind` none, fixed (commands each `setting_a`), sensing (holds the service to `setting_a`); currents [A], times [s]; `step_a` of the
    pilot, 0 for none; `dead_band_a` below which nothing rises, `fall_band_a` below which nothing falls either; `total_a` that all its
    chargers together may have (a circuit that they share); `floor_a` and `fallback_a` on a lost sensor or command of each charger that
    has none of its own; `phase_s` of the first sample; `seed` of the spread; `way` of sharing.
    """

    kind: str
    setting_a: float = np.inf
    sample_s: float = 0.0
    filter_s: float = 0.0
    sensor_delay_s: float = 0.0
    command_delay_s: float = 0.0
    floor_a: float = LEAST_A
    step_a: float = 0.0
    dead_band_a: float = 0.0
    raise_delay_s: float = 0.0
    minimum_off_s: float = 0.0
    minimum_on_s: float = 0.0
    fallback_a: float = 0.0
    lost_after_s: float = 0.0
    restart_spread_s: float = 0.0
    seed: int = 0
    way: str = "equal"
    total_a: float = np.inf
    fall_band_a: float = 0.0
    phase_s: float = 0.0

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise CalculationFault("unknown kind of control", value=self.kind, limit=", ".join(KINDS), where="Control")
        if self.way not in WAYS:
            raise CalculationFault("unknown way of sharing", value=self.way, limit=", ".join(WAYS), where="Control")
        plain = {name: value for name, value in vars(self).items() if name not in ("kind", "setting_a", "way", "seed", "total_a")}
        wrong = [name for name, value in plain.items() if not np.isfinite(value) or value < 0]
        if wrong or not self.setting_a >= 0 or not self.total_a >= 0:
            raise CalculationFault("a control with a negative value or none", value=", ".join(wrong) or "setting_a", where="Control")

    def spread(self, count: int) -> np.ndarray:
        """Further wait of each charger before it comes back, shape (count,) [s]; the same for the same seed."""
        return np.random.default_rng(self.seed).uniform(0.0, self.restart_spread_s, count)


@dataclass(frozen=True)
class Vehicle:
    """A charger with its vehicle: what the vehicle does with its pilot, and what the control takes it for.

    On-board limit [A], delay [s] and ramp [A/s] of its answer, energy of its taper [kWh]; where they are its own: `floor_a` and
    `fallback_a` of the charger [A], `volts` [V], and `asks_a` that the control keeps for it, else its on-board limit, at least the floor
    [A]. A relay that sheds a charger whole has both `floor_a` and `asks_a` at its rating.
    """

    onboard_a: float
    response_s: float = 0.0
    ramp_a_per_s: float = np.inf
    taper_kwh: float = 0.0
    floor_a: float | None = None
    fallback_a: float | None = None
    volts: float | None = None
    asks_a: float | None = None

    def __post_init__(self) -> None:
        own = [one for one in (self.floor_a, self.fallback_a, self.volts, self.asks_a) if one is not None]
        wrong = not self.onboard_a > 0 or self.response_s < 0 or not self.ramp_a_per_s > 0 or self.taper_kwh < 0
        if wrong or not all(one >= 0 and np.isfinite(one) for one in own):
            raise CalculationFault("a vehicle with a value below zero", value=repr(self), where="Vehicle")

    def volts_of(self, otherwise: float) -> float:
        """Its own voltage, or that of the others [V]."""
        return otherwise if self.volts is None else self.volts

    def row(self, control: Control, step_s: float, volts: float) -> list[float]:
        """Limit, ramp a step, taper, floor, fallback, volts, what the control keeps for it: as the engine takes them."""
        floor = control.floor_a if self.floor_a is None else self.floor_a
        fallback = control.fallback_a if self.fallback_a is None else self.fallback_a
        asks = max(self.onboard_a, floor) if self.asks_a is None else self.asks_a
        own = self.volts_of(volts)
        return [self.onboard_a, self.ramp_a_per_s * step_s, self.taper_kwh, floor, fallback, own, asks]


@dataclass(frozen=True)
class Charged:
    """What happened at each step: current of each vehicle and its pilot as commanded, shape (m, n) [A]; energy by session, (m, k) [kWh]."""

    vehicle_a: np.ndarray
    pilot_a: np.ndarray
    energy_kwh: np.ndarray


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _level(left, wishes, active, given):
    """The same for each active one; what a smaller wish leaves goes to the others."""
    count = 0
    for one in range(len(wishes)):
        given[one] = -1.0 if active[one] else 0.0
        count += active[one]
    changed = True
    while changed and count > 0:
        changed, share = False, left / count
        for one in range(len(wishes)):
            if given[one] < 0.0 and wishes[one] <= share:
                given[one], changed = wishes[one], True
                left -= wishes[one]
                count -= 1
                share = left / count if count > 0 else 0.0
    for one in range(len(wishes)):
        if given[one] < 0.0:
            given[one] = left / count


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _share(room, cars, active, order, way, step, given):
    """What each charger may have of a room, in `given`; `active` loses those that pause."""
    floors, wishes = cars[:, 3], cars[:, 6]
    while True:
        left = max(room, 0.0)
        if way == 0:
            _level(left, wishes, active, given)
        else:
            for place in range(len(order)):
                one = order[place]
                given[one] = min(wishes[one], left) if active[one] else 0.0
                if given[one] >= floors[one] - TINY_A:
                    left -= given[one]
        short = -1
        for place in range(len(order)):
            one = order[place]
            if step > 0.0:
                given[one] = np.floor(given[one] / step + 1e-9) * step
            if active[one] and given[one] < floors[one] - TINY_A:
                short = one
        if short < 0:
            return
        active[short] = False


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _draw(at, session, need, energy, lost, cars, ways, answers, lost_s, hours, state, arrived, vehicle_a, pilot_a):
    """What each vehicle draws in a step.

    `cars`: onboard, ramp a step, taper, floor, fallback, volts, asks; `state`: drawn; `arrived`: the last pilot that came through.
    """
    for one in range(len(cars)):
        here, sent = session[one, at], at - 1 - ways[one]
        if lost == 0:
            arrived[one] = pilot_a[one, sent] if sent >= 0 else 0.0
        pilot = arrived[one]
        onboard, ramp, taper, floor = cars[one, 0], cars[one, 1], cars[one, 2], cars[one, 3]
        kwh = cars[one, 5] * hours / 1000.0
        if lost > lost_s + answers[one]:
            pilot = min(cars[one, 4], onboard)
        left = need[one, here] - energy[one, here] if here >= 0 else 0.0
        if left <= 1e-12 or pilot < floor - TINY_A:
            state[one] = 0.0
            continue
        target, drawn = min(pilot, onboard), state[one]
        if taper > 0.0 and left < taper:
            target = min(target, max(onboard * left / taper, min(floor, LEAST_A)))
        state[one] = max(drawn - ramp, target) if target < drawn else min(drawn + ramp, target)
        now = min(state[one], left / kwh)
        vehicle_a[one, at] = now
        energy[one, here] += now * kwh


@numba.njit(cache=True, nogil=True, error_model="numpy", inline="always")
def _idle(at, session, need, energy, lost, command, ways, arrived, pilot_a, state):
    """Whether no vehicle wants anything and nothing is commanded: such a step draws nothing, and needs no more than its time to pass."""
    for one in range(len(command)):
        here = session[one, at]
        if command[one] != 0.0 or (here >= 0 and need[one, here] - energy[one, here] > 1e-12):
            return False
    for one in range(len(command)):
        state[one] = 0.0
        if lost == 0:
            sent = at - 1 - ways[one]
            arrived[one] = pilot_a[one, sent] if sent >= 0 else 0.0
    return True


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _command(room, may, wanted, command, rising, off, on, cars, numbers, times, spread):
    """New commands of a sampling instant: first all that fall, then what may rise beside the others."""
    floors, step, dead, fall = cars[:, 3], numbers[1], numbers[2], numbers[5]
    sample, raise_s, off_s, on_s = times[0], times[2], times[3], times[4]
    for one in range(len(may)):
        value = may[one]
        if value == 0.0 and wanted[one] and 0 < on[one] < on_s:
            value = min(command[one], floors[one])
        if value < command[one] - fall - TINY_A or (value < command[one] and value == 0.0):
            if value == 0.0 and wanted[one]:
                off[one] = 0
            command[one], rising[one] = value, 0
    for one in range(len(may)):
        if may[one] <= command[one] + TINY_A:
            rising[one] = 0
            continue
        rising[one] += sample
        value = may[one]
        if len(may) > 1:
            value = min(value, room - command.sum() + command[one])
            value = np.floor(value / step + 1e-9) * step if step > 0.0 else value
        ready = rising[one] > raise_s if command[one] > 0.0 else rising[one] > raise_s + spread[one] and off[one] >= off_s
        if ready and value > command[one] + dead + TINY_A and value >= floors[one] - TINY_A:
            command[one], rising[one] = value, 0


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _run(house, session, need, sensing, lost_sensor, lost_command, hours, numbers, fixed, cars, times, ways, answers, spread, way, out):
    """Every step. `numbers`: setting, step, dead, weight, total, band on falls; `times`: sample, sensor, raise, off, on, lost, phase."""
    vehicle_a, pilot_a, energy = out
    count = len(cars)
    setting, step, weight, total = numbers[0], numbers[1], numbers[3], numbers[4]
    sample, seen_s, lost_s = times[0], times[1], times[5]
    state, command, may, arrived = np.zeros(count), np.zeros(count), np.zeros(count), np.zeros(count)
    rising, off, on = np.zeros(count, np.int64), np.full(count, times[3]), np.zeros(count, np.int64)
    came, active, wanted = np.zeros(count, np.int64), np.zeros(count, np.bool_), np.zeros(count, np.bool_)
    order = np.arange(count)
    seen, blind, cut, due = house[0], 0, 0, times[6]
    for at in range(house.shape[0]):
        cut = cut + 1 if lost_command[at] else 0
        if sensing and _idle(at, session, need, energy, cut, command, ways, arrived, pilot_a, state):
            seen += (house[max(at - seen_s, 0)] - seen) * weight
            blind = blind + 1 if lost_sensor[at] else 0
            for one in range(count):
                off[one], on[one] = off[one] + 1, 0
                if at == 0 or session[one, at] != session[one, at - 1]:
                    came[one] = at
            due -= 1
            if due < 0:
                due = sample - 1
                rising[:] = 0
            continue
        _draw(at, session, need, energy, cut, cars, ways, answers, lost_s, hours, state, arrived, vehicle_a, pilot_a)
        if not sensing:
            for one in range(count):
                pilot_a[one, at] = fixed[one]
            continue
        seen += (house[max(at - seen_s, 0)] - seen) * weight
        blind = blind + 1 if lost_sensor[at] else 0
        for one in range(count):
            off[one] += 1
            on[one] = on[one] + 1 if command[one] > 0.0 else 0
            if at == 0 or session[one, at] != session[one, at - 1]:
                came[one] = at
        due -= 1
        if due < 0:
            due, idle = sample - 1, True
            for one in range(count):
                here = session[one, at]
                wanted[one] = here >= 0 and need[one, here] - energy[one, here] > 1e-12
                active[one] = wanted[one]
                idle = idle and not wanted[one] and command[one] == 0.0
            if idle:
                rising[:] = 0
            elif blind > lost_s:
                for one in range(count):
                    fallback = cars[one, 4] if wanted[one] and cars[one, 4] >= cars[one, 3] else 0.0
                    command[one], rising[one] = fallback, 0
            elif blind == 0:
                if way == 2:
                    order = np.argsort(came, kind="mergesort")
                room = min(setting - seen, total)
                _share(room, cars, active, order, way, step, may)
                _command(room, may, wanted, command, rising, off, on, cars, numbers, times, spread)
        for one in range(count):
            pilot_a[one, at] = command[one]


def charge(
    house_a: np.ndarray,
    session: np.ndarray,
    need_kwh: np.ndarray,
    step_s: float,
    volts: float,
    control: Control,
    vehicles: Sequence[Vehicle],
    *,
    sensor_lost: np.ndarray | None = None,
    command_lost: np.ndarray | None = None,
) -> Charged:
    """Chargers under one control over a time.

    Parameters: house_a current of the heavier leg without the chargers, shape (n,) [A]; session of each charger its number at each
    step, shape (m, n), -1 where nothing is plugged in; need_kwh of each session, shape (m, k) [kWh]; step_s [s]; volts [V]; vehicles,
    m in the order of priority; sensor_lost, command_lost shape (n,). Returns: Charged. Errors: CalculationFault where shapes differ
    or a value is no number. Source: the rules of this module.
    """
    house = np.ascontiguousarray(house_a, dtype=np.float64)
    order, need = np.ascontiguousarray(session, dtype=np.int64), np.ascontiguousarray(need_kwh, dtype=np.float64)
    m, n = len(vehicles), len(house)
    lost = [
        np.zeros(n, dtype=np.bool_) if one is None else np.ascontiguousarray(one, dtype=np.bool_) for one in (sensor_lost, command_lost)
    ]
    shapes = m > 0 and order.shape == (m, n) and need.ndim == 2 and len(need) == m and all(one.shape == (n,) for one in lost)
    if not shapes or not np.isfinite(house).all() or not np.isfinite(need).all():
        raise CalculationFault("arrays of a charging run differ in shape or hold what is no number", value=f"{order.shape}", where="charge")
    if order.size and (order.max() >= need.shape[1] or order.min() < -1):
        raise CalculationFault("a session without its need", value=int(order.max()), limit=f"below {need.shape[1]}", where="charge")

    def steps(*seconds: float) -> list[int]:
        return [int(np.ceil(one / step_s - 1e-9)) for one in seconds]

    weight = 1.0 if control.filter_s <= 0 else 1.0 - np.exp(-step_s / control.filter_s)
    numbers = np.array([control.setting_a, control.step_a, control.dead_band_a, weight, control.total_a, control.fall_band_a])
    cars = np.array([one.row(control, step_s, volts) for one in vehicles])
    fixed = cars[:, 6].copy() if control.kind == "none" else np.full(m, control.setting_a)
    ways = np.array(steps(*(control.command_delay_s + one.response_s for one in vehicles)))
    answers = np.array(steps(*(one.response_s for one in vehicles)))
    own = (control.sensor_delay_s, control.raise_delay_s, control.minimum_off_s, control.minimum_on_s)
    own = (*own, control.lost_after_s, control.phase_s)
    times = np.array([max(1, steps(control.sample_s)[0]), *steps(*own)])
    found = Charged(np.zeros((m, n)), np.zeros((m, n)), np.zeros(need.shape))
    _run(
        house, order, need, control.kind == "sensing", lost[0], lost[1], step_s / 3600.0, numbers, fixed, cars, times, ways, answers,
        np.array(steps(*control.spread(m))), WAYS.index(control.way), (found.vehicle_a, found.pilot_a, found.energy_kwh),
    )  # fmt: skip
    return found
