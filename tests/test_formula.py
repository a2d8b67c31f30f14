"""The printed formula language: evaluation, layout, safety, and the guard on standard sizes."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from workbook_lib.formula import FormulaError, evaluate, layout, names, next_standard, previous_standard, round_half_up

# 240.6(A), as listed in a Q&A column of EC&M (M. Holt, 2019, 2017 code)
RATINGS = (15, 20, 25, 30, 35, 40, 45, 50, 60, 70, 80, 90, 100, 110, 125, 150, 175, 200, 225, 250, 300, 350, 400)


def test_evaluates_the_language():
    values = {"a": 10.0, "b": 4.0, "loads": (1.0, 2.0, 3.5)}
    assert evaluate("a + b * 2 - sum(loads)", values) == 11.5
    assert evaluate("max(0, b - a)", values) == 0
    assert evaluate("a / b if a > b else b / a", values) == 2.5
    assert evaluate("count(loads)", values) == 3
    assert evaluate("-a + abs(-b)", values) == -6


@pytest.mark.parametrize(
    "text", ["().__class__", "open('x')", "a.b", "[1, 2]", "lambda: 1", "a and b", "loads[0]", "f'{a}'", "__import__('os')", "a := 1"]
)
def test_refuses_all_else(text):
    with pytest.raises(FormulaError):
        evaluate(text, {"a": 1.0, "b": 2.0, "loads": (1.0,)})


def test_names_what_was_not_given():
    with pytest.raises(FormulaError, match="'c'"):
        evaluate("a + c", {"a": 1.0})
    with pytest.raises(FormulaError, match="zero"):
        evaluate("a / (a - a)", {"a": 1.0})


def test_names():
    assert names("max(first, rest_frac * total)") == {"first", "rest_frac", "total"}


def test_layout_keeps_the_order_of_operations():
    shown = {"a": "A", "b": "B", "c": "C"}
    assert layout("a - (b - c)", shown) == "A − (B − C)"
    assert layout("a - b - c", shown) == "A − B − C"
    assert layout("a / (b * c)", shown) == "A / (B × C)"
    assert layout("(a + b) * c", shown) == "(A + B) × C"
    assert layout("sum(a) * c", {"a": "1 + 2", "c": "3"}) == "(1 + 2) × 3"


@given(st.lists(st.floats(1, 1e5), min_size=4, max_size=4))
def test_substitution_line_is_the_formula(numbers):
    """What a reader sees, put back as arithmetic, gives the value of the formula."""
    text = "min(a, b) + c * max(0, d - b) - (a - (b + c)) / 2"
    values = dict(zip("abcd", numbers, strict=True))
    line = layout(text, {name: repr(value) for name, value in values.items()})
    again = line.replace("×", "*").replace("−", "-")
    assert math.isclose(evaluate(again, {}), evaluate(text, values), rel_tol=1e-12)


def test_standard_size_is_guarded_against_the_last_bit():
    assert 0.1 * 3 * 100 > 30  # the trap: one bit above
    assert next_standard(0.1 * 3 * 100, RATINGS) == 30
    assert next_standard(30.01, RATINGS) == 35
    assert previous_standard(29.999999999999996, RATINGS) == 30
    with pytest.raises(FormulaError, match="largest is 400"):
        next_standard(401, RATINGS)


def test_rounding_drops_below_one_half():
    # Annex D: 18,600 / 240 = 77.5 -> 78; 100.4 -> 100
    assert round_half_up(77.5) == 78
    assert round_half_up(100.4) == 100
    assert round_half_up(100.49999) == 100
