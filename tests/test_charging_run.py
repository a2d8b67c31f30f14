"""Checks beside a charging run, and its inverses: by hand, and by trying every value beside a linear program's bound."""

from __future__ import annotations

import numpy as np
import pytest

from workbook_lib.editions import load
from workbook_lib.errors import CalculationFault, MissingInput
from workbook_lib.formula import evaluate
from workbook_lib.rules import charging_run
from workbook_lib.sheet import Input, Verdict
from workbook_lib.simulate.charging import Control, Vehicle, charge
from workbook_lib.simulate.charging_answers import around, first_passing
from workbook_lib.simulate.charging_outcome import nights, sessions

EDITION = load("2023")


def given(value: float, unit: str) -> Input:
    return Input("given", "given", float(value), unit)


@pytest.mark.parametrize("fallback, verdict", [([6.0], "pass"), ([6.0, 6.0], "pass"), ([16.0, 16.0], "fail")])
def test_a_lost_sensor_leaves_the_uncontrolled_load_and_the_fallbacks(fallback, verdict):
    """71 A uncontrolled (the published 2026 example of a 100 A service): 77, 83 and 103 A."""
    step = charging_run.fallback_load("limiter", given(71, "A"), [given(one, "A") for one in fallback], EDITION)
    values = {"uncontrolled": 71.0, "fallback": tuple(fallback)}
    assert step.value == evaluate(step.formula, values) == 71 + sum(fallback)
    assert str(charging_run.fallback_check("limiter", step, given(100, "A"), EDITION).verdict) == verdict


def test_a_fallback_that_is_not_known_is_asked_for():
    with pytest.raises(MissingInput) as caught:
        charging_run.fallback_load("limiter", given(71, "A"), [], EDITION)
    assert caught.value.fields == ("evse.fallback_current",)


def test_time_above_a_setting_on_a_modelled_load_is_a_judgement_and_a_fail_stays_one():
    cases = ((20, True, Verdict.PASS), (20, False, Verdict.JUDGEMENT), (40, True, Verdict.FAIL), (40, False, Verdict.FAIL))
    for longest, fine, verdict in cases:
        check = charging_run.holds_check("limiter", given(longest, "s"), given(30, "s"), fine=fine)
        assert check.verdict is verdict
        assert check.margin == 30 - longest
        assert "135 %" in check.note


def test_nights_starts_and_the_window():
    assert charging_run.need_check("e", given(0.9, "frac"), given(0.95, "frac")).verdict is Verdict.FAIL
    assert charging_run.starts_check("e", given(3, "count"), given(4, "count")).verdict is Verdict.PASS
    most = charging_run.window_energy("e", given(13, "h"), given(16, "A"), given(240, "V"))
    assert most.value == pytest.approx(49.92)
    assert charging_run.window_check("e", given(60, "kWh"), most).margin == pytest.approx(-10.08)


def test_the_first_value_that_passes_and_whether_the_rest_does():
    assert first_passing(lambda value: value >= 3, [1, 2, 3, 4]) == (3.0, True)
    assert first_passing(lambda value: value in (2, 4), [1, 2, 3, 4]) == (2.0, False)
    assert first_passing(lambda value: False, [1, 2]) is None
    with pytest.raises(CalculationFault):
        first_passing(lambda value: True, [])


def test_settings_to_try_are_whole_steps_within_their_ends():
    assert around(5.0, 42.0, 60.0) == [45.0, 50.0, 55.0, 60.0]
    assert around(1.0, 6.0, 8.0) == [6.0, 7.0, 8.0]
    with pytest.raises(CalculationFault):
        around(0.0, 6.0, 8.0)


def test_the_lowest_setting_of_an_ideal_control_meets_the_need_by_hand():
    """A house of 40 A, 13 h at 240 V, 31.2 kWh: 10 A beside the house do, in 780 steps less the one that the pilot is late."""
    order, count = sessions(4 * 1440, 60, 18 * 3600, 7 * 3600)
    house, need = np.full(4 * 1440, 40.0), np.full((1, count), 31.2 * 779 / 780)

    def passing(setting: float) -> bool:
        found = charge(house, order[None], need, 60.0, 240.0, Control("sensing", setting), [Vehicle(48.0)])
        return nights(found.energy_kwh[0], need[0]).share >= 1.0

    assert first_passing(passing, around(1.0, 40.0, 60.0)) == (50.0, True)
