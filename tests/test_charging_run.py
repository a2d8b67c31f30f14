"""Checks beside a charging run, and its inverses: by hand, and by trying every value beside a linear program's bound."""

from __future__ import annotations

import pytest

from workbook_lib.editions import load
from workbook_lib.editions.trip_bounds import bounds_of, trip_bounds
from workbook_lib.errors import CalculationFault, MissingInput
from workbook_lib.formula import evaluate
from workbook_lib.rules import charging_run
from workbook_lib.sheet import Input, Verdict

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


def test_time_above_a_setting_on_a_modelled_load_is_a_judgement_unless_the_least_shape_fails():
    cases = (
        (20, 20, "", Verdict.PASS),
        (20, 20, "modelled", Verdict.JUDGEMENT),
        (40, 40, "", Verdict.FAIL),
        (40, 20, "modelled", Verdict.JUDGEMENT),
        (40, 31, "modelled", Verdict.FAIL),
    )
    for longest, least, unsure, verdict in cases:
        check = charging_run.holds_check("limiter", given(longest, "s"), given(30, "s"), least_s=least, unsure=unsure)
        assert check.verdict is verdict
        assert check.margin == 30 - longest
        assert "135 %" in check.note
        assert verdict is not Verdict.JUDGEMENT or unsure in check.note


def test_the_reaction_is_the_sum_of_its_delays():
    parts = {name: given(value, "s") for name, value in (("sampling", 1), ("control", 10), ("vehicle", 30))}
    step = charging_run.reaction_time("limiter", parts)
    assert step.value == 41.0 == evaluate(step.formula, {name: one.value for name, one in parts.items()})
    with pytest.raises(CalculationFault):
        charging_run.reaction_time("limiter", {})


def test_a_lost_signal_is_held_to_the_service():
    assert charging_run.lost_check("limiter", given(0, "s"), given(30, "s"), "").verdict is Verdict.PASS
    assert charging_run.lost_check("limiter", given(31, "s"), given(30, "s"), "").verdict is Verdict.FAIL


def test_trip_bounds_of_a_main_are_those_of_its_class_and_from_memory():
    """Typed from the notes on overloads (from memory there too): 100 A at 200 % within 6 min, 150 A within 8 min, 50 A within 4 min."""
    assert [(one.multiple, one.seconds) for one in bounds_of(100.0)] == [(1.35, 7200.0), (2.0, 360.0), (3.0, 140.0)]
    assert [one.seconds for one in bounds_of(50.0)] == [3600.0, 240.0, 80.0]
    assert [one.seconds for one in bounds_of(150.0)] == [7200.0, 480.0, 200.0]
    assert [one.seconds for one in bounds_of(200.0)] == [7200.0, 600.0, 230.0]
    assert all(one.source.status == "from memory" for one in trip_bounds())


def test_nights_starts_and_the_window():
    assert charging_run.need_check("e", given(0.9, "frac"), given(0.95, "frac")).verdict is Verdict.FAIL
    assert charging_run.starts_check("e", given(3, "count"), given(4, "count")).verdict is Verdict.PASS
    most = charging_run.window_energy("e", given(13, "h"), given(16, "A"), given(240, "V"))
    assert most.value == pytest.approx(49.92)
    assert charging_run.window_check("e", given(60, "kWh"), most).margin == pytest.approx(-10.08)
