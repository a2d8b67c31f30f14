"""The sweep of outages: closed forms, a plain loop, a linear program, energy balance, and what more storage or sun may do."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.plain_outage import outage
from workbook_lib.errors import CalculationFault
from workbook_lib.simulate.outage import HORIZON_H, Store, sweep, trace
from workbook_lib.simulate.year import baseline

quick = settings(max_examples=40, deadline=None)


def store(kwh: float, **changes) -> Store:
    given = {"charge_efficiency": 1.0, "discharge_efficiency": 1.0, "charge_kw": 100.0, "discharge_kw": 100.0}
    return Store(kwh, **given | changes)


def lasts(one: Store, load_kw: float, *, step_h: float = 0.25, sun_kw: float = 0.0, charge: float | None = None) -> float:
    """Duration [h] of a constant load on a charge, full where none is given."""
    n = round(24 / step_h)
    start = np.full(n, one.capacity_kwh if charge is None else charge)
    found = sweep(start, np.full((n, 1), load_kw), np.full(n, sun_kw), step_h, one, np.zeros(1), np.zeros(1))
    assert np.ptp(found.duration_h) == 0
    assert np.abs(found.error_kwh).max() < 1e-9
    return float(found.duration_h[0])


# closed forms


@pytest.mark.parametrize("step_h", [1.0, 0.25, 1 / 60])
def test_a_constant_load_with_each_loss_alone_and_together(step_h):
    assert lasts(store(13.5), 1.2, step_h=step_h) == pytest.approx(13.5 / 1.2, abs=1e-9)
    assert lasts(store(13.5, discharge_efficiency=0.94), 1.2, step_h=step_h) == pytest.approx(13.5 * 0.94 / 1.2, abs=1e-9)
    assert lasts(store(13.5, standby_kw=0.05), 1.2, step_h=step_h) == pytest.approx(13.5 / 1.25, abs=1e-9)
    assert lasts(store(13.5, cutoff_frac=0.1), 1.2, step_h=step_h) == pytest.approx(13.5 * 0.9 / 1.2, abs=1e-9)
    assert lasts(store(13.5), 1.2, step_h=step_h, sun_kw=0.5) == pytest.approx(13.5 / 0.7, abs=1e-9)
    every = store(13.5, discharge_efficiency=0.94, standby_kw=0.05, cutoff_frac=0.1)
    assert lasts(every, 1.2, step_h=step_h, sun_kw=0.5) == pytest.approx(13.5 * 0.9 / (0.7 / 0.94 + 0.05), abs=1e-9)


def test_the_worked_chain_of_usable_energy():
    """27 kWh, 90 % usable, 85 % left, one-way efficiency the root of 85 %: 19.0 kWh at the load, 15.9 h at 1.2 kW (handbook arithmetic)."""
    one = store(27 * 0.9 * 0.85, discharge_efficiency=math.sqrt(0.85))
    assert one.capacity_kwh * one.discharge_efficiency == pytest.approx(19.0, abs=0.05)
    assert lasts(one, 1.2) == pytest.approx(15.9, abs=0.05)


def test_published_run_times():
    """13.5 kWh at 500 W through 96 %: 25.92 h; 10 kWh at 90 % depth, 750 W through 90 %: 10.8 h (checked arithmetic)."""
    assert lasts(store(13.5, discharge_efficiency=0.96), 0.5) == pytest.approx(25.92, abs=1e-9)
    assert lasts(store(10 * 0.9, discharge_efficiency=0.9), 0.75) == pytest.approx(10.8, abs=1e-9)


def test_self_discharge_follows_its_closed_form():
    """x' = -k x - p, in steps: the charge after m hours by the geometric sum; the stop lies within the step."""
    leak, load, kwh = 0.01, 0.5, 10.0
    x, hours = kwh, 0
    while x * (1 - leak) - load >= 0:
        x, hours = x * (1 - leak) - load, hours + 1
    assert lasts(store(kwh, leak_per_h=leak), load, step_h=1.0) == pytest.approx(hours + x * (1 - leak) / load, abs=1e-9)


def test_a_load_above_the_discharge_power_ends_it_at_once_and_sun_may_carry_it():
    assert lasts(store(13.5, discharge_kw=1.0), 1.2) == 0.0
    assert lasts(store(13.5, discharge_kw=1.0), 1.2, sun_kw=0.2) == pytest.approx(13.5)
    assert lasts(store(13.5), 1.2, charge=0.0) == 0.0
    assert lasts(store(13.5), 1.2, sun_kw=1.2) == HORIZON_H


def test_a_dead_store_comes_back_with_the_sun_above_its_restart_level():
    n = 48
    sun = np.zeros(n)
    sun[10:14] = 2.0
    found = trace(0, 1.0, np.full((n, 1), 0.5), sun, 1.0, store(10.0, restart_frac=0.35), np.zeros(1), np.zeros(1), n)
    assert found.stands[:2].tolist() == [1.0, 1.0]
    assert found.stands[2:12].max() == 0.0, "dead; two hours of sun bring 4 kWh, above 3.5 after the second"
    assert found.stands[12] == 1.0
    assert found.charge_kwh[11] == pytest.approx(4.0)


def test_arrays_that_trip_lose_all_their_sun_and_a_store_that_cannot_wake_stays_dead():
    n = 24
    sun = np.full(n, 3.0)
    full = store(10.0, trips=True)
    found = trace(0, 10.0, np.full((n, 1), 1.0), sun, 1.0, full, np.zeros(1), np.zeros(1), n)
    assert found.curtailed_kw[0] == 3.0, "2 kW more than the full store takes: all 3 are lost"
    assert found.charge_kwh[:3] == pytest.approx([9.0, 8.0, 10.0]), "1 kWh of room takes less than 2 kW, 2 kWh of room take them"
    dark = store(10.0, restart_frac=0.1, wakes=False)
    sun[:12] = 0.0
    found = trace(0, 2.0, np.full((n, 1), 1.0), sun, 1.0, dark, np.zeros(1), np.zeros(1), n)
    assert found.stands[2:].max() == 0.0
    assert found.curtailed_kw[12:].min() == 3.0


# the plain loop


def random_year(seed: int, n: int = 400, tiers: int = 3):
    rng = np.random.default_rng(seed)
    hour = np.arange(n) * 0.5
    sun = np.clip(5 * np.sin(2 * np.pi * (hour % 24 - 6) / 24), 0, None) * rng.random(n)
    loads = rng.random((n, tiers)) * np.array([0.6, 1.5, 3.0])[:tiers]
    one = store(
        float(rng.uniform(4, 20)),
        charge_efficiency=float(rng.uniform(0.85, 1)),
        discharge_efficiency=float(rng.uniform(0.85, 1)),
        charge_kw=np.linspace(4, 1, 101) * rng.uniform(0.5, 1),
        discharge_kw=np.linspace(2, 5, 101) * rng.uniform(0.5, 1),
        standby_kw=float(rng.uniform(0, 0.05)),
        leak_per_h=float(rng.choice([0.0, 1e-4])),
        cutoff_frac=float(rng.uniform(0, 0.1)),
        restart_frac=float(rng.uniform(0.1, 0.3)),
        trips=seed % 3 == 1,
        wakes=seed % 4 != 3,
        most_kw=2.5 if seed % 5 == 2 else np.inf,
    )
    shed = np.array([0.0, 0.5, 0.3])[:tiers]
    return one, loads, sun, rng.random(n) * one.capacity_kwh, shed, np.minimum(shed + 0.2, 1.0)


@pytest.mark.parametrize("seed", range(12))
def test_every_start_agrees_with_a_plain_loop_and_its_energy_closes(seed):
    one, loads, sun, charge, shed, restore = random_year(seed, n=120)
    found = sweep(charge, loads, sun, 0.5, one, shed, restore, horizon_h=60)
    short = sweep(charge, loads, sun, 0.5, one, shed, restore, horizon_h=60, whole=False)
    assert np.abs(found.error_kwh).max() < 1e-6
    assert np.abs(found.duration_h - short.duration_h).max() == 0
    plain = [outage(start, charge[start], loads.tolist(), sun.tolist(), 0.5, one, shed, restore, 120) for start in range(len(charge))]
    assert found.duration_h == pytest.approx([row[0] for row in plain], abs=1e-9)
    assert found.unserved_kwh == pytest.approx(np.array([row[1] for row in plain]), abs=1e-9)
    assert found.curtailed_kwh == pytest.approx([row[2] for row in plain], abs=1e-9)
    assert found.served_kwh == pytest.approx([row[3] for row in plain], abs=1e-9)


@pytest.mark.parametrize("seed", range(8))
def test_durations_alone_are_those_of_the_whole_also_from_full_stores_and_for_some_starts(seed):
    one, loads, sun, charge, shed, restore = random_year(seed, n=240)
    charge = np.where(np.random.default_rng(seed).random(240) < 0.6, one.capacity_kwh, charge)
    whole = sweep(charge, loads, sun * 3, 0.5, one, shed, restore, horizon_h=100).duration_h
    alone = sweep(charge, loads, sun * 3, 0.5, one, shed, restore, horizon_h=100, whole=False).duration_h
    assert alone == pytest.approx(whole, abs=1e-9)
    for light in (sun * 3, sun * 0.0, sun * 0.2):
        found = sweep(charge, loads, light, 0.5, one, shed, restore, horizon_h=20)
        assert np.abs(found.error_kwh).max() < 1e-9
    some = np.array([3, 77, 200, 5])
    assert sweep(charge, loads, sun * 3, 0.5, one, shed, restore, horizon_h=100, whole=False, starts=some).duration_h == pytest.approx(
        whole[some], abs=1e-9
    )
    assert sweep(charge, loads, sun * 3, 0.5, one, shed, restore, horizon_h=100, starts=some).unserved_kwh.shape == (4, 3)


# a linear program


@pytest.mark.parametrize("n", [30, 72])
@pytest.mark.parametrize("seed", range(6))
def test_no_schedule_of_one_store_leaves_less_unserved(seed, n):
    """scipy's HiGHS as lower bound. Equal through one day and the night after it; later a dead store waits for the sun to restart it."""
    from scipy.optimize import linprog

    rng = np.random.default_rng(seed)
    hours, kwh, eta = 1.0, 8.0, 0.93
    load = rng.random(n) * 1.5
    sun = np.clip(3 * np.sin(2 * np.pi * (np.arange(n) % 24) / 24), 0, None) * rng.random(n)
    sun[24:30] = 0.0
    one = store(kwh, charge_efficiency=eta, discharge_efficiency=eta, charge_kw=2.0, discharge_kw=4.0)
    found = sweep(np.full(n, kwh), load[:, None], sun, hours, one, np.zeros(1), np.zeros(1), horizon_h=n)
    # variables by hour: discharge d, charge c, unserved u, held back w; x = kwh + sum(eta c - d / eta)
    zero, eye, lower = np.zeros((n, n)), np.eye(n), np.tril(np.ones((n, n)))
    balance = np.hstack([eye, -eye, eye, -eye])
    charge = np.hstack([-lower / eta, lower * eta, zero, zero])
    answer = linprog(
        np.concatenate([np.zeros(2 * n), np.ones(n), np.zeros(n)]),
        A_ub=np.vstack([charge, -charge]),
        b_ub=np.concatenate([np.zeros(n), np.full(n, kwh)]),
        A_eq=balance,
        b_eq=load - sun,
        bounds=[(0, 4.0)] * n + [(0, 2.0)] * n + [(0, value) for value in load] + [(0, value) for value in sun],
        method="highs",
    )
    assert answer.status == 0
    assert found.unserved_kwh[0, 0] >= answer.fun - 1e-7, "the bound is never beaten"
    if n == 30:
        assert answer.fun > 0.5
        assert found.unserved_kwh[0, 0] == pytest.approx(answer.fun, abs=1e-6)


# what more storage or sun may do


@quick
@given(seed=st.integers(0, 10_000), more=st.floats(0.1, 10), sunnier=st.floats(1, 2))
def test_without_tiers_more_storage_or_sun_never_shortens(seed, more, sunnier):
    one, loads, sun, charge, shed, restore = random_year(seed, n=96, tiers=1)
    one = store(one.capacity_kwh, discharge_efficiency=0.95, standby_kw=one.standby_kw)
    larger = store(one.capacity_kwh + more, discharge_efficiency=0.95, standby_kw=one.standby_kw)
    charge = np.minimum(charge, one.capacity_kwh)
    short = sweep(charge, loads, sun, 0.5, one, shed, restore, horizon_h=48, whole=False).duration_h
    longer = sweep(charge + more, loads, sun, 0.5, larger, shed, restore, horizon_h=48, whole=False).duration_h
    bright = sweep(charge, loads, sun * sunnier, 0.5, one, shed, restore, horizon_h=48, whole=False).duration_h
    assert (longer >= short - 1e-9).all()
    assert (bright >= short - 1e-9).all()


@quick
@given(seed=st.integers(0, 10_000))
def test_what_is_never_switched_on_never_shortens(seed):
    """The kept loads alone last at least as long as with others that are shed and restored."""
    one, loads, sun, charge, shed, restore = random_year(seed, n=96)
    one = store(one.capacity_kwh, discharge_efficiency=0.95, standby_kw=one.standby_kw)
    charge = np.minimum(charge, one.capacity_kwh)
    every = sweep(charge, loads, sun, 0.5, one, shed, restore, horizon_h=48, whole=False).duration_h
    alone = sweep(charge, loads[:, :1], sun, 0.5, one, shed[:1], restore[:1], horizon_h=48, whole=False).duration_h
    assert (alone >= every - 1e-9).all()


@pytest.mark.parametrize("sun_kw,expected", [(1.40, 22.8), (1.45, 19.942)])
def test_with_tiers_more_sun_may_shorten(sun_kw, expected):
    """10 kWh, 0.5 kW kept, 1.5 kW shed at 50 % and restored at 70 %, from 06:00 at 30 %, sun 9 to 15 h.

    1.40 kW: 3 - 1.5 + 6 x 0.9 = 6.9 kWh at 15:00, never restored, 13.8 h more. 1.45 kW: 7 kWh after 5.789 h, 6.884 kWh at 15:00,
    0.942 h at 2 kW down to 5 kWh, 10 h more.
    """
    n = 24 * 100
    hour = (np.arange(n) * 0.01 + 6) % 24
    sun = np.where((hour >= 9 - 1e-9) & (hour < 15 - 1e-9), sun_kw, 0.0)
    found = sweep(np.full(n, 3.0), np.tile([0.5, 1.5], (n, 1)), sun, 0.01, store(10.0), np.array([0, 0.5]), np.array([0, 0.7]))
    assert found.duration_h[0] == pytest.approx(expected, abs=0.03)


@quick
@given(seed=st.integers(0, 10_000))
def test_a_later_start_of_one_night_never_needs_more(seed):
    """Held full, no sun until morning: what an outage to the morning takes out falls with every later start."""
    rng = np.random.default_rng(seed)
    n = 48
    loads = rng.random((n, 1))
    taken = [loads[start:24, 0].sum() * 0.5 for start in range(24)]
    assert (np.diff(taken) <= 0).all()
    found = sweep(np.full(n, 50.0), loads, np.zeros(n), 0.5, store(50.0), np.zeros(1), np.zeros(1), horizon_h=12)
    left = [
        trace(start, 50.0, loads, np.zeros(n), 0.5, store(50.0), np.zeros(1), np.zeros(1), 24 - start).charge_kwh[-1] for start in range(24)
    ]
    assert left == pytest.approx(50.0 - np.array(taken))
    assert (found.duration_h == 12).all()


# the year with the grid


def test_the_year_of_each_operation():
    n = 48
    load, sun = np.full(n, 1.0), np.zeros(n)
    sun[8:16] = 3.0
    sun[32:40] = 3.0
    one = store(10.0, charge_efficiency=0.9, discharge_efficiency=0.9)
    assert (baseline(load, sun, 1.0, one, "hold-full", 0.2) == 10.0).all()
    own = baseline(load, sun, 1.0, one, "self-consumption", 0.2)
    assert own.min() == pytest.approx(2.0)
    assert own[16] == pytest.approx(10.0)
    assert own[18] == pytest.approx(10.0 - 2 / 0.9)
    assert own[0] == pytest.approx(2.0), "the year begins as it ends"
    window = np.isin(np.arange(n) % 24, (18, 19))
    timed = baseline(load, sun, 1.0, one, "time-of-use", 0.2, window)
    assert timed[18] == pytest.approx(10.0)
    assert timed[20] == pytest.approx(10.0 - 2 / 0.9)
    bought = baseline(load, np.zeros(n), 1.0, store(10.0, charge_kw=1.0, discharge_kw=2.0), "time-of-use", 0.2, window, from_grid=True)
    assert (bought[18], bought[20], bought[21]) == pytest.approx((10.0, 8.0, 9.0)), "charged at 1 kW outside the window"
    with pytest.raises(CalculationFault, match="unknown operation"):
        baseline(load, sun, 1.0, one, "by-hand", 0.2)


def test_nothing_that_is_no_number_gets_in():
    with pytest.raises(CalculationFault):
        sweep(np.full(4, np.nan), np.ones((4, 1)), np.zeros(4), 1.0, store(1.0), np.zeros(1), np.zeros(1))
    with pytest.raises(CalculationFault):
        sweep(np.ones(4), np.ones((3, 1)), np.zeros(4), 1.0, store(1.0), np.zeros(1), np.zeros(1))
    with pytest.raises(CalculationFault):
        store(1.0, charge_efficiency=1.2)
