"""What came of a charging run: excursions, starts and nights by hand, by brute force and by properties."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from workbook_lib.errors import CalculationFault
from workbook_lib.simulate.charging import Control, Vehicle, charge
from workbook_lib.simulate.charging_outcome import excursions, most_starts, nights, sessions, starts, worst_loss

HOUR = 3600
quick = settings(max_examples=60, deadline=None)


def test_a_night_goes_over_midnight_and_is_cut_at_the_ends():
    """Three days at hours, 18 to 7: two whole nights of 13 h, the end of the one before and the beginning of the third."""
    begins = np.arange(-1, 3) * 24 + 18
    order = sessions(72, begins, begins + 13)
    found = [np.flatnonzero(order == one).tolist() for one in range(4)]
    assert found == [list(range(7)), list(range(18, 31)), list(range(42, 55)), list(range(66, 72))]


def test_nights_away_are_left_out():
    begins = np.arange(3) * 24 + 18
    order = sessions(96, begins, begins + 13, np.array([True, False, True]))
    assert set(order.tolist()) == {-1, 0, 2}


@pytest.mark.parametrize("begins, ends, plugged", [([5], [5], None), ([0, 10], [12, 20], None), ([0, 10], [5, 20], [True])])
def test_nights_that_are_none_are_faults(begins, ends, plugged):
    with pytest.raises(CalculationFault, match="nights"):
        sessions(24, np.array(begins), np.array(ends), plugged)


def test_excursions_by_hand():
    """Above 100 A: 5 A for two steps of 10 s, then 30 A for one: 30 s in all, 20 s longest, 400 A s, the worst 300."""
    found = excursions(np.array([90, 105, 105, 100, 130, 90.0]), 100.0, 10.0)
    assert (found.time_s, found.longest_s, found.overshoot_as, found.worst_as) == pytest.approx((30, 20, 400, 300))
    assert (found.peak_a, found.worst_at) == (130.0, 4)
    assert excursions(np.array([90.0, 100.0]), 100.0, 1.0).worst_at is None
    with pytest.raises(CalculationFault):
        excursions(np.array([]), 100.0, 1.0)
    with pytest.raises(CalculationFault):
        excursions(np.array([np.nan]), 100.0, 1.0)


@quick
@given(service=st.lists(st.integers(80, 120), min_size=1, max_size=60))
def test_excursions_agree_with_a_plain_count(service):
    groups, run = [], []
    for value in [*service, 0]:
        if value > 100:
            run.append(value - 100)
        elif run:
            groups.append(run)
            run = []
    found = excursions(np.array(service, dtype=float), 100.0, 2.0)
    assert found.time_s == 2 * sum(map(len, groups))
    assert found.longest_s == 2 * max(map(len, groups), default=0)
    assert found.overshoot_as == pytest.approx(2 * sum(map(sum, groups)))
    assert found.worst_as == pytest.approx(2 * max(map(sum, groups), default=0))


def test_starts_by_hand():
    """Runs begin at steps 1, 4 and 9 of 600 s: two within an hour, three within two."""
    vehicle = np.array([0, 30, 30, 0, 6, 0, 0, 0, 0, 12.0])
    assert starts(vehicle).tolist() == [1, 4, 9]
    assert most_starts(vehicle, 600.0, HOUR) == 2
    assert most_starts(vehicle, 600.0, 2 * HOUR) == 3
    assert most_starts(np.zeros(5), 600.0, HOUR) == 0


def test_nights_by_hand():
    """Needs of 10 kWh: 10, 9, 8, 10 and, with the vehicle away, 0: half met, two missed in a row, 3 kWh missed."""
    found = nights(np.array([10, 9, 8, 10, 0.0]), np.full(5, 10.0), np.array([True, True, True, True, False]))
    assert (found.count, found.met, found.longest_missed, found.missed_kwh) == (4, 2, 2, pytest.approx(3.0))
    assert found.share == 0.5
    with pytest.raises(CalculationFault, match="no night"):
        nights(np.array([1.0]), np.array([1.0]), np.array([False]))


@pytest.mark.parametrize("seed", range(6))
def test_the_worst_moment_to_lose_the_sensor_is_found_by_trying_every_one(seed):
    rng = np.random.default_rng(seed)
    house, setting, blind = 30 + 60 * rng.random(240).repeat(10)[:240], 100.0, 20.0
    control = Control("sensing", setting, fallback_a=6.0, lost_after_s=blind)
    given_ = np.zeros((1, 240)), np.array([[99.0]]), 1.0, 240.0, control, [Vehicle(48.0)]
    plain = charge(house, *given_).vehicle_a[0]
    at, highest = worst_loss(house, plain, blind, 1.0)
    reached = []
    for begin in range(1, 240 - 20):
        lost = np.zeros(240, dtype=bool)
        lost[begin:] = True
        found = charge(house, *given_, sensor_lost=lost)
        reached.append((house + found.vehicle_a[0])[begin : begin + 21].max())
    assert highest == pytest.approx(max(reached))
    assert reached[at - 1] == pytest.approx(highest)
