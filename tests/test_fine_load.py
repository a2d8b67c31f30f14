"""House load finer than its record: energy of every interval kept, never above what was said, on two open homes and by properties.

Open data: hourly load of two metered homes, tests/data/records (licence beside them).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from workbook_lib.errors import CalculationFault
from workbook_lib.simulate.charging import Control, Vehicle, charge
from workbook_lib.simulate.fine_load import blocks, flat

RECORDS = Path(__file__).parent / "data" / "records"
HOMES = ("home_1", "home_17")
quick = settings(max_examples=60, deadline=None)


def hours(home: str) -> np.ndarray:
    return pd.read_csv(RECORDS / f"{home}_hourly_load_and_pv.csv")["load_kwh"].to_numpy()


@pytest.mark.parametrize("home", HOMES)
@pytest.mark.parametrize("step_s", [60, 300])
def test_every_hour_of_an_open_home_keeps_its_energy(home, step_s):
    energy = hours(home)
    for fine in (flat(energy, 3600, step_s), *(blocks(energy, 3600, step_s, 0.3, 9.6, seed) for seed in (1, 2))):
        assert len(fine) == 8760 * 3600 // step_s
        kept = fine.reshape(8760, -1).sum(axis=1) * step_s / 3600
        assert np.abs(kept - energy).max() < 1e-10
        assert fine.max() <= max(9.6, energy.max()) + 1e-9
        assert fine.min() >= min(0.3, energy.min()) - 1e-9


@pytest.mark.parametrize("home", HOMES)
def test_the_two_shapes_are_a_band_for_the_excursion_of_a_slow_control(home):
    """14 days of each home beside a charger: blocks exceed the setting for longer than the flat shape does."""
    energy, setting = hours(home)[: 14 * 24], 60.0
    control, vehicle = Control("sensing", setting, sample_s=60.0, raise_delay_s=300.0), Vehicle(48.0, response_s=60.0)
    above = []
    for fine in (flat(energy, 3600, 60), blocks(energy, 3600, 60, 0.3, 9.6, 1)):
        house = fine * 1000.0 / 240.0
        found = charge(house, np.zeros((1, len(house)), dtype=int), np.array([[1e6]]), 60.0, 240.0, control, [vehicle])
        above.append(np.maximum(house + found.vehicle_a - setting, 0).sum())
    assert above[1] > above[0]


def test_a_block_by_hand():
    """0.5 kWh in a quarter of an hour, 1 kW base, 5 kW most: 0.25 kWh above the base, 225 s at 4 kW: 3 minutes and three quarters."""
    fine = blocks(np.array([0.5]), 900, 60, 1.0, 5.0, 7)
    assert sorted(fine) == pytest.approx([1.0] * 11 + [4.0] + [5.0] * 3)
    begin = int(np.flatnonzero(fine > 4.5)[0])
    assert fine[begin + 3] == pytest.approx(4.0), "the last step of the block takes the rest"


def test_a_record_above_what_was_said_governs():
    assert blocks(np.array([3.0, 0.01]), 900, 60, 1.0, 5.0, 7) == pytest.approx(np.repeat([12.0, 0.04], 15))


def test_seeds_move_the_blocks_and_nothing_else():
    energy = hours("home_1")[:200]
    one, same, other = (blocks(energy, 3600, 60, 0.3, 9.6, seed) for seed in (1, 1, 2))
    assert (one == same).all()
    assert (one != other).any()
    rows = [np.sort(fine.reshape(200, -1), axis=1) for fine in (one, other)]
    assert rows[0] == pytest.approx(rows[1])


@quick
@given(
    energy=st.lists(st.floats(0, 30), min_size=1, max_size=20),
    base=st.floats(0, 3),
    more=st.floats(0.1, 20),
    step_s=st.sampled_from([1, 5, 60, 900]),
    seed=st.integers(0, 99),
)
def test_energy_is_kept_whatever_is_asked(energy, base, more, step_s, seed):
    fine = blocks(np.array(energy), 900, step_s, base, base + more, seed)
    assert fine.reshape(len(energy), -1).sum(axis=1) * step_s / 3600 == pytest.approx(np.array(energy), abs=1e-9)
    assert fine.max() <= max(base + more, max(energy) * 4) + 1e-9
    assert fine.min() >= -1e-12


@pytest.mark.parametrize("wrong", [np.nan, -0.1, np.inf])
def test_a_gap_is_not_drawn(wrong):
    for make in (flat, lambda *given: blocks(*given, 0.3, 5.0, 1)):
        with pytest.raises(CalculationFault, match=r"interval 1, 1 in all"):
            make(np.array([1.0, wrong]), 900, 60)


def test_steps_and_powers_that_do_not_fit_are_faults():
    with pytest.raises(CalculationFault, match="does not divide"):
        flat(np.array([1.0]), 900, 7)
    with pytest.raises(CalculationFault, match="base and highest"):
        blocks(np.array([1.0]), 900, 60, 5.0, 5.0, 1)
