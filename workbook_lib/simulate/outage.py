"""An outage that starts at every interval of a year: how long the last-kept loads run, what is not served, what sun is lost.

Stored energy stands in kWh between zero and the usable capacity; powers in kW at the AC side. Within an interval load and
sun are constant. The rules of one interval, in this order:

1. A tier above the last-kept one goes off below its shed level and comes back from its restore level on (hysteresis),
   by the charge at the beginning of the interval.
2. What runs and is not covered by the sun comes out of the store, at most its discharge power. Where that is not enough the
   tiers go off for this interval from the highest number down; of the last-kept tier the part that fits is served.
3. Surplus sun charges, at most the charge power and the room; the rest is held back. Where the arrays trip instead of easing
   off (`trips`), all of their sun is lost in an interval in which the surplus is more than is taken.
4. The standby loss is drawn while the island stands. When the charge falls to the level at which it stops, the island
   is dead: nothing is served from that moment, and the sun alone charges until the restart level brings it back; where nothing
   forms a grid for the arrays then (`wakes` False), their sun is lost and it stays dead.

The duration of a start ends when the last-kept tier is first not fully served, interpolated within the interval. The year
wraps: the interval after the last is the first.
"""

from __future__ import annotations

import os
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numba
import numpy as np

from workbook_lib.errors import CalculationFault

LEVELS = 101
"""Levels of charge at which the power limits stand: 0 to 100 % in steps of 1 %."""
HORIZON_H = 168.0
"""How long a start is followed [h]: seven days; one that is still served then counts as at least that."""
TINY_KWH = 1e-12
SNAP_KWH = 1e-9
"""A charge so near the capacity is full: the last bit of arithmetic."""
TOLERANCE_KW = 1e-9


@dataclass(frozen=True)
class Store:
    """A store behind its inverters as the engine takes it.

    `capacity_kwh` usable at the age and temperature studied [kWh]; `charge_efficiency`, `discharge_efficiency` one-way [-];
    `charge_kw`, `discharge_kw` AC power limits by charge, shape (101,), at 0, 1, ... 100 % [kW]; `standby_kw` drawn while an
    island stands [kW]; `leak_per_h` self-discharge [1/h]; `cutoff_frac`, `restart_frac` of the capacity [-]; `trips`, `wakes` as
    the rules of this module say; `most_kw` that sun and store together bring to the loads [kW].
    """

    capacity_kwh: float
    charge_efficiency: float
    discharge_efficiency: float
    charge_kw: np.ndarray
    discharge_kw: np.ndarray
    standby_kw: float = 0.0
    leak_per_h: float = 0.0
    cutoff_frac: float = 0.0
    restart_frac: float = 0.0
    trips: bool = False
    wakes: bool = True
    most_kw: float = np.inf

    def __post_init__(self) -> None:
        for name in ("charge_kw", "discharge_kw"):
            array = np.ascontiguousarray(np.broadcast_to(np.asarray(getattr(self, name), dtype=np.float64), (LEVELS,)))
            object.__setattr__(self, name, array)
        fractions = (self.charge_efficiency, self.discharge_efficiency)
        if not all(0 < one <= 1 for one in fractions) or self.capacity_kwh < 0 or self.standby_kw < 0 or self.leak_per_h < 0:
            raise CalculationFault("a store with an efficiency outside 0 to 1, or a negative size or loss", value=repr(fractions))

    def packed(self) -> np.ndarray:
        """The plain numbers, in the order in which the engine reads them."""
        order = (
            "capacity_kwh",
            "charge_efficiency",
            "discharge_efficiency",
            "standby_kw",
            "leak_per_h",
            "cutoff_frac",
            "restart_frac",
            "trips",
            "wakes",
            "most_kw",
        )
        return np.array([float(getattr(self, name)) for name in order])


@dataclass(frozen=True)
class Swept:
    """Every start of a year: arrays of shape (n,), `unserved_kwh` of shape (n, tiers).

    `duration_h` [h], at most the horizon; `unserved_kwh`, `curtailed_kwh` and `served_kwh` over the horizon [kWh];
    `error_kwh` is what the energy balance of the start leaves open [kWh].
    """

    duration_h: np.ndarray
    unserved_kwh: np.ndarray
    curtailed_kwh: np.ndarray
    served_kwh: np.ndarray
    error_kwh: np.ndarray
    horizon_h: float


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _advance(x, alive, on, loads, at, sun, hours, store, charge_kw, discharge_kw, shed, restore, served):
    """One interval. Returns charge after it [kWh], whether the island stands, the part of it before a stop, curtailed and lost [kWh]."""
    capacity, eta_c, eta_d, standby, leak, cutoff, restart = store[0], store[1], store[2], store[3], store[4], store[5], store[6]
    tiers = loads.shape[1]
    floor = cutoff * capacity
    level = x / capacity if capacity > 0.0 else 0.0
    place = min(int(level * 100.0 + 1e-9), 100)
    if not alive:
        for tier in range(tiers):
            served[tier] = 0.0
        if sun <= 0.0 or store[8] == 0.0:
            return x, False, 0.0, sun * hours, 0.0
        into = min(min(sun, charge_kw[place]) * eta_c * hours, capacity - x)
        x += into
        if x >= capacity - SNAP_KWH:
            x = capacity
        if x >= restart * capacity and x > floor + TINY_KWH:
            alive = True
            for tier in range(1, tiers):
                on[tier] = x >= restore[tier] * capacity
        return x, alive, 0.0, sun * hours - into / eta_c, into / eta_c - into
    demand = loads[at, 0]
    served[0] = demand
    for tier in range(1, tiers):
        on[tier] = level >= (shed[tier] if on[tier] else restore[tier])
        served[tier] = loads[at, tier] if on[tier] else 0.0
        demand += served[tier]
    leaked = x * (1.0 - (1.0 - leak) ** hours) if leak > 0.0 else 0.0
    takes = min(charge_kw[place], ((capacity - x + leaked) / hours + standby) / eta_c)
    tripped = 0.0
    if store[7] > 0.0 and sun - demand > takes + TINY_KWH:
        tripped, sun = sun * hours, 0.0
    most = min(sun + discharge_kw[place], store[9])
    tier = tiers - 1
    while demand > most + TINY_KWH and tier > 0:
        demand -= served[tier]
        served[tier] = 0.0
        tier -= 1
    if demand > most:
        served[0] = most
        demand = most
    into, out = 0.0, demand - sun
    if out < 0.0:
        into, out = min(-out, takes), 0.0
    surplus = sun + out - demand
    drain = out / eta_d + standby - into * eta_c
    have = max(0.0, x - leaked - floor)
    if drain * hours > have + TINY_KWH:
        part = have / (drain * hours)
        for tier in range(tiers):
            served[tier] *= part
            on[tier] = False
        lost = have - (out - into) * hours * part + min(leaked, x - floor)
        return floor, False, part, (surplus - into) * hours * part + sun * hours * (1.0 - part) + tripped, lost
    x -= leaked + drain * hours
    if x >= capacity - SNAP_KWH:
        x = capacity
    return x, True, 1.0, (surplus - into) * hours + tripped, drain * hours - (out - into) * hours + leaked


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _walk(at, x, alive, on, steps, stop, loads, sun, hours, store, charge_kw, discharge_kw, shed, restore, served, sums):
    """Intervals from one on, until `steps` are done or the store is full or dead and empty, a state that says all of the rest.

    `sums` takes duration (-1 where nothing failed), curtailed, served, lost, then unserved by tier. `stop` ends at the first failure.
    Returns: intervals done, charge [kWh], whether the island stands, 1 full, 2 dead and empty, 0 neither.
    """
    n, tiers = loads.shape
    floor = store[5] * store[0]
    for step in range(steps):
        x, alive, part, held, gone = _advance(
            x, alive, on, loads, at, sun[at], hours, store, charge_kw, discharge_kw, shed, restore, served
        )
        if sums[0] < 0.0 and (part < 1.0 or served[0] < loads[at, 0] - TOLERANCE_KW):
            whole = served[0] >= loads[at, 0] * part - TOLERANCE_KW
            sums[0] = (step + (part if whole else 0.0)) * hours
            if stop:
                return step + 1, x, alive, 0
        sums[1] += held
        sums[3] += gone
        for tier in range(tiers):
            sums[2] += served[tier] * hours
            sums[4 + tier] += (loads[at, tier] - served[tier]) * hours
        at += 1
        if at == n:
            at = 0
        if alive and x == store[0]:
            return step + 1, x, alive, 1
        if not alive and x == floor:
            return step + 1, x, alive, 2
    return steps, x, alive, 0


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _sweep(
    order, first, last, start_kwh, loads, sun, hours, store, charge_kw, discharge_kw, shed, restore, steps, stop, duration, unserved, other,
    on, served, sums, one, known, kinds, held,
):  # fmt: skip
    """Starts `first` up to `last` of `order`. What follows a full store, or a dead and empty one, is worked out once an interval."""
    n, tiers = loads.shape
    floor = store[5] * store[0]
    for index in range(first, last):
        start = order[index]
        x = start_kwh[start]
        alive = x > floor + TINY_KWH
        for tier in range(tiers):
            on[tier] = True
        for place in range(4 + tiers):
            sums[place] = 0.0
        sums[0] = -1.0 if alive else 0.0
        done, kind = 0, 1 if alive and x == store[0] else 0
        while done < steps and not (stop and sums[0] >= 0.0):
            at = (start + done) % n
            state = kind - 1
            fills = kind != 0 and known[state, at] == 0
            if kind != 0 and not fills and kinds[state, at] != 0 and done + known[state, at] <= steps:
                if sums[0] < 0.0 and held[state, at, 0] >= 0.0:
                    sums[0] = done * hours + held[state, at, 0]
                for place in range(1, 4 + tiers):
                    sums[place] += held[state, at, place]
                done += known[state, at]
                kind = kinds[state, at]
                x = store[0] if kind == 1 else floor
                continue
            if kind != 0:
                alive = kind == 1
                for tier in range(tiers):
                    on[tier] = alive
                x = store[0] if alive else floor
            for place in range(4 + tiers):
                one[place] = 0.0
            one[0] = -1.0
            limit = steps if fills else steps - done
            count, x, alive, then = _walk(
                at, x, alive, on, limit, stop and not fills, loads, sun, hours, store, charge_kw, discharge_kw, shed, restore, served, one
            )
            if fills:
                known[state, at], kinds[state, at] = count, then
                for place in range(4 + tiers):
                    held[state, at, place] = one[place]
                continue
            if sums[0] < 0.0 and one[0] >= 0.0:
                sums[0] = done * hours + one[0]
            for place in range(1, 4 + tiers):
                sums[place] += one[place]
            done += count
            kind = then
        duration[start] = sums[0] if sums[0] >= 0.0 else steps * hours
        for tier in range(tiers):
            unserved[start, tier] = sums[4 + tier]
        other[start, 0] = sums[1]
        other[start, 1] = sums[2]
        other[start, 2] = start_kwh[start] - x - sums[1] - sums[2] - sums[3]


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _first(
    order, first, last, charge, loads, sun, hours, store, charge_kw, discharge_kw, shed, restore, steps, length, fails, on, served, sums
):  # fmt: skip
    """From a charge [kWh] at each of some intervals: how many until the store is full, -1 where it is not; hours to a failure, else -1."""
    floor = store[5] * store[0]
    for index in range(first, last):
        at = order[index]
        length[at], fails[at] = -1, 0.0
        if charge[at] <= floor + TINY_KWH:
            continue
        for tier in range(loads.shape[1]):
            on[tier] = True
        sums[0] = -1.0
        count, _, _, then = _walk(
            at, charge[at], True, on, steps, True, loads, sun, hours, store, charge_kw, discharge_kw, shed, restore, served, sums
        )
        fails[at] = sums[0]
        length[at] = count if then == 1 else -1


def _from_full(length: np.ndarray, fails: np.ndarray, hours: float) -> np.ndarray:
    """Hours from a full store at each interval to the first failure, through every time that it is full again; inf where there is none.

    Over two years, so that what is answered of the first looks at least a year ahead; in jumps that double, from full to full.
    """
    n = len(length)
    place = np.arange(2 * n)
    span, failed = np.tile(length, 2), np.tile(fails, 2)
    goes = (failed < 0.0) & (span > 0) & (place + span < 2 * n)
    then = np.append(np.where(goes, place + span, 2 * n), 2 * n)
    found = np.append(np.where(failed >= 0.0, failed, np.where(goes, span * hours, np.inf)), 0.0)
    while (then < 2 * n).any():
        found, then = found + found[then], then[then]
    return found[:n]


def sweep(
    start_kwh: np.ndarray,
    loads_kw: np.ndarray,
    sun_kw: np.ndarray,
    step_h: float,
    store: Store,
    shed: np.ndarray,
    restore: np.ndarray,
    *,
    horizon_h: float = HORIZON_H,
    whole: bool = True,
    starts: np.ndarray | None = None,
) -> Swept:
    """Every start of the year, or those named. Tier 0 is kept longest.

    Parameters: start_kwh charge as each outage begins, shape (n,) [kWh]; loads_kw shape (n, tiers) [kW]; sun_kw shape (n,) [kW];
    step_h [h]; shed, restore levels by tier, the first of them unused [-]; whole False for durations alone; starts their places,
    shape (m,), None for all. Returns: Swept.
    Errors: CalculationFault where shapes differ or anything is not finite. Source: energy balance; the rules of this module.
    """
    loads = np.ascontiguousarray(loads_kw, dtype=np.float64)
    sun, charge = (np.ascontiguousarray(one, dtype=np.float64) for one in (sun_kw, start_kwh))
    shed, restore = (np.ascontiguousarray(one, dtype=np.float64) for one in (shed, restore))
    n, tiers = loads.shape
    if sun.shape != (n,) or charge.shape != (n,) or shed.shape != (tiers,) or restore.shape != (tiers,):
        raise CalculationFault("arrays of the sweep differ in shape", value=f"{loads.shape}, {sun.shape}, {charge.shape}, {shed.shape}")
    if not all(np.isfinite(one).all() for one in (loads, sun, charge)) or loads.min() < 0 or sun.min() < 0:
        raise CalculationFault("a load, sun or charge that is negative or no number", where="sweep")
    steps = round(horizon_h / step_h)
    order = np.arange(n) if starts is None else np.ascontiguousarray(starts, dtype=np.int64)
    duration, unserved, other = np.empty(n), np.empty((n, tiers)), np.empty((n, 3))
    packed = store.packed()
    workers = min(os.cpu_count() or 1, 4)
    edges = np.linspace(0, len(order), workers + 1).astype(int)
    if not whole:
        common = (loads, sun, step_h, packed, store.charge_kw, store.discharge_kw, shed, restore, steps)
        lasting = _durations(order, charge, common, workers)
        lasting = lasting if starts is None else lasting[order]
        none = np.zeros((len(lasting), tiers))
        return Swept(lasting, none, none[:, 0], none[:, 0], none[:, 0], horizon_h)

    def run(part: int) -> None:
        own = np.zeros(4 + tiers), np.zeros(4 + tiers), np.zeros((2, n), dtype=np.int64), np.zeros((2, n), dtype=np.int64)
        _sweep(
            order, edges[part], edges[part + 1], charge, loads, sun, step_h, packed, store.charge_kw, store.discharge_kw, shed, restore,
            steps, False, duration, unserved, other, np.ones(tiers, dtype=np.bool_), np.zeros(tiers), *own,
            np.zeros((2, n, 4 + tiers)),
        )  # fmt: skip

    with ThreadPoolExecutor(workers) as pool:
        list(pool.map(run, range(workers)))
    over = np.concatenate([[0.0], np.cumsum(np.resize(sun, n + steps))]) * step_h
    sunny = over[steps : n + steps] - over[:n]
    found = (duration, unserved, other[:, 0], other[:, 1], other[:, 2] + sunny)
    return Swept(*(found if starts is None else (one[order] for one in found)), horizon_h)


def _durations(order, charge, common, workers: int) -> np.ndarray:
    """Durations of the named starts [h], of the others nothing that means anything.

    A store is full as a start begins, or after an interval with sun: what follows is worked out for these alone.
    """
    loads, sun, step_h, packed, steps = *common[:4], common[-1]
    n, tiers = loads.shape
    begins = charge[order] == packed[0]
    wanted = np.roll(sun, 1) > 0.0
    wanted[order[begins]] = True
    with ThreadPoolExecutor(workers) as pool:

        def first(places: np.ndarray, from_kwh: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
            length, fails = np.full(n, -1, dtype=np.int64), np.full(n, -1.0)
            edges = np.linspace(0, len(places), workers + 1).astype(int)

            def run(part: int) -> None:
                own = np.ones(tiers, dtype=np.bool_), np.zeros(tiers), np.zeros(4 + tiers)
                _first(places, edges[part], edges[part + 1], from_kwh, *common, length, fails, *own)

            list(pool.map(run, range(workers)))
            return length, fails

        full = _from_full(*first(np.flatnonzero(wanted), np.full(n, packed[0])), step_h)
        length, fails = first(order[~begins], charge)
    horizon, duration = steps * step_h, np.full(n, steps * step_h)
    later = length > 0
    duration[later] = np.minimum(length[later] * step_h + full[(np.flatnonzero(later) + length[later]) % n], horizon)
    failed = fails >= 0.0
    duration[failed] = fails[failed]
    duration[order[begins]] = np.minimum(full[order[begins]], horizon)
    return duration


@dataclass(frozen=True)
class Trace:
    """One start, interval by interval: arrays of shape (steps,), `served_kw` of shape (steps, tiers).

    `charge_kwh` at the end of each interval [kWh], `sun_kw`, `load_kw` wanted, `curtailed_kw`, averages [kW]; `stands` the part of
    each interval in which the island stood [-].
    """

    charge_kwh: np.ndarray
    served_kw: np.ndarray
    load_kw: np.ndarray
    sun_kw: np.ndarray
    curtailed_kw: np.ndarray
    stands: np.ndarray


def trace(
    start: int, start_kwh: float, loads_kw: np.ndarray, sun_kw: np.ndarray, step_h: float, store: Store, shed, restore, steps: int
) -> Trace:
    """One start of the sweep with every flow. Parameters: as for `sweep`, steps [count]. Returns: Trace. Source: the same rules."""
    loads = np.ascontiguousarray(loads_kw, dtype=np.float64)
    n, tiers = loads.shape
    on, served = np.ones(tiers, dtype=np.bool_), np.zeros(tiers)
    packed, x = store.packed(), float(start_kwh)
    shed, restore = (np.ascontiguousarray(one, dtype=np.float64) for one in (shed, restore))
    alive = x > store.cutoff_frac * store.capacity_kwh + TINY_KWH
    found = Trace(*(np.zeros((steps, tiers) if name == 1 else steps) for name in range(6)))
    for step in range(steps):
        at = (start + step) % n
        x, alive, part, held, _ = _advance(
            x, alive, on, loads, at, sun_kw[at], step_h, packed, store.charge_kw, store.discharge_kw, shed, restore, served
        )
        found.charge_kwh[step], found.stands[step], found.curtailed_kw[step] = x, part, held / step_h
        found.served_kw[step] = served
        found.load_kw[step], found.sun_kw[step] = loads[at].sum(), sun_kw[at]
    return found
