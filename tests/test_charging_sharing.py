"""Chargers that share a circuit, the pilot's two lines, the circuit's inverse. Published cases: `published/charging.toml`.

Level sharing is held to a linear program of scipy (most for the worst off, one after another); the pilot to its own inverse.
"""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from workbook_lib.editions import YEARS, load
from workbook_lib.errors import CalculationFault
from workbook_lib.formula import evaluate
from workbook_lib.rules import sharing
from workbook_lib.sheet import Input, Verdict

EDITION = load("2023")
quick = settings(max_examples=80, deadline=None)
wishes = st.lists(st.floats(6, 80), min_size=1, max_size=5)


def amperes(value: float) -> Input:
    return Input("given", "given", float(value), "A")


def duty(value: float) -> Input:
    return Input("duty", "duty cycle", value, "frac")


def same_as_printed(step) -> bool:
    values = {name: tuple(one.value for one in use) if isinstance(use, tuple) else use.value for name, use in step.uses.items()}
    return evaluate(step.formula, values) == pytest.approx(step.value, abs=1e-9)


@pytest.mark.parametrize("year", YEARS)
def test_the_circuit_and_its_inverse_agree(year):
    """48 A needs 60 A, and 60 A takes 48 A (125 %, 625.41)."""
    edition = load(year)
    limit = sharing.continuous_limit("b", amperes(60), edition)
    assert limit.value == pytest.approx(48.0)
    assert same_as_printed(limit)
    assert edition.value("evse_device_frac").value * limit.value == pytest.approx(60.0)


def test_a_smaller_charger_leaves_its_rest_to_the_others():
    """80 A for 16, 48 and 48 A: 16, 32, 32."""
    assert sharing.split(80.0, [48.0, 16.0, 48.0], "equal") == pytest.approx([32.0, 16.0, 32.0])
    limit = sharing.continuous_limit("b", amperes(100), EDITION)
    step = sharing.equal_share("b", limit, [amperes(48), amperes(16), amperes(48)], EDITION)
    assert step.value == pytest.approx(32.0)
    assert same_as_printed(step)


def test_priority_and_first_come_fill_in_order():
    assert sharing.split(80.0, [48.0, 40.0, 30.0], "priority") == pytest.approx([48.0, 32.0, 0.0])
    assert sharing.split(52.0, [48.0, 40.0, 4.0], "first-come") == pytest.approx([48.0, 0.0, 0.0]), "4 A are no pilot"


def test_below_the_floor_the_last_pauses():
    """20 A for four: 5 A each is no pilot, three get 6.67 A."""
    assert sharing.split(20.0, [32.0] * 4, "equal") == pytest.approx([20 / 3] * 3 + [0.0])
    assert sharing.split(5.0, [32.0, 32.0], "equal") == [0.0, 0.0]
    with pytest.raises(CalculationFault, match="no equal share"):
        sharing.equal_share("b", sharing.continuous_limit("b", amperes(20), EDITION), [amperes(32)] * 4, EDITION)


@quick
@given(limit=st.floats(0, 200), asks=wishes, way=st.sampled_from(sharing.WAYS))
def test_shares_stay_within_limit_and_wish_and_are_never_below_a_pilot(limit, asks, way):
    got = sharing.split(limit, asks, way)
    assert sum(got) <= limit + 1e-9
    assert all(one == 0 or 6 - 1e-9 <= one <= wish for one, wish in zip(got, asks, strict=True))
    if min(got) > 0:
        assert sum(got) == pytest.approx(min(limit, sum(asks))), "nothing is left while someone wants it"


@pytest.mark.parametrize("asks", list(itertools.combinations([16.0, 24.0, 32.0, 40.0, 48.0], 3)))
def test_equal_sharing_is_the_fairest_that_a_linear_program_finds(asks):
    from scipy.optimize import linprog

    limit, fixed = 80.0, {}
    while len(fixed) < 3:
        free = [place for place in range(3) if place not in fixed]
        bounds = [(fixed.get(place, 0.0), fixed.get(place, asks[place])) for place in range(3)] + [(0, None)]
        rows = [[-float(place == one) for place in range(3)] + [1.0] for one in free] + [[1.0, 1.0, 1.0, 0.0]]
        worst = linprog([0, 0, 0, -1.0], A_ub=rows, b_ub=[0.0] * len(free) + [limit], bounds=bounds).x[-1]
        met = [place for place in free if asks[place] <= worst + 1e-9]
        fixed |= {place: min(asks[place], worst) for place in met or free}
    assert sharing.split(limit, asks, "equal") == pytest.approx([fixed[place] for place in range(3)], abs=1e-7)


def test_the_shared_circuit_passes_under_a_control_and_fails_without():
    limit = sharing.continuous_limit("b", amperes(100), EDITION)
    held = sharing.shared_check("b", amperes(80), limit, EDITION, managed=True)
    free = sharing.shared_check("b", amperes(90), limit, EDITION, managed=False)
    assert (held.verdict, free.verdict) == (Verdict.PASS, Verdict.FAIL)
    assert free.margin == pytest.approx(-10.0)


@quick
@given(value=st.floats(6, 51) | st.floats(52.6, 80))
def test_the_pilot_and_its_inverse_agree(value):
    step = sharing.pilot_duty(amperes(value))
    assert same_as_printed(step)
    if step.value >= 0.1:
        back = sharing.pilot_current(duty(step.value))
        assert back.value == pytest.approx(value)
        assert same_as_printed(back)


@pytest.mark.parametrize("share", [-0.1, 0.0, 0.02, 0.05, 0.075, 0.0799, 0.971, 1.0, float("nan")])
def test_a_pilot_without_a_current_is_a_fault(share):
    with pytest.raises(CalculationFault, match="offers no current"):
        sharing.pilot_current(duty(share))


@pytest.mark.parametrize("value", [0.0, 5.9, 51.1, 52.5, 80.1, float("nan")])
def test_a_current_without_a_pilot_is_a_fault(value):
    with pytest.raises(CalculationFault, match="no pilot offers"):
        sharing.pilot_duty(amperes(value))


def test_what_cannot_be_shared_is_a_fault():
    with pytest.raises(CalculationFault, match="unknown way"):
        sharing.split(80.0, [32.0], "fair")
    with pytest.raises(CalculationFault, match="no number or below zero"):
        sharing.split(80.0, [float("nan")], "equal")
