"""Properties that hold for every home: more load is never less, order does not matter, steps of the code are named."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from tests.loads import HIGHEST, KINDS, calculate, homes, item, total
from workbook_lib.editions import YEARS
from workbook_lib.workbooks.methods import METHODS

STEPPED = ("fastened", "water-heater", "dishwasher", "disposer", "microwave", "spa", "electric-heat", "range", "cooktop", "oven")
"""Kinds with a step of the code in their number or size: each step has a test of its own below."""
PLAIN = tuple(kind for kind in KINDS if kind not in STEPPED)


@settings(max_examples=120, deadline=None)
@given(homes(), st.sampled_from(METHODS), st.sampled_from(YEARS), st.randoms())
def test_order_of_loads_never_matters(items, method, year, random):
    shuffled = list(items)
    random.shuffle(shuffled)
    before, after = total(method, items, year), total(method, shuffled, year)
    assert before == after or abs(before - after) <= 1e-9 * before


@settings(max_examples=200, deadline=None)
@given(homes(), st.sampled_from(PLAIN), st.integers(100, 9000), st.sampled_from(METHODS), st.sampled_from(YEARS))
def test_one_more_load_never_lowers_the_result(items, kind, va, method, year):
    assume(
        not (method == "existing_dwelling" and kind in ("air-conditioner", "heat-pump", "supplemental-heat", "thermal-storage", "hvac-fan"))
    )
    more = item(kind, va, name="one-more")
    assert total(method, [*items, more], year) >= total(method, items, year) - 1e-6


@settings(max_examples=200, deadline=None)
@given(homes(least=1), st.integers(0, 7), st.integers(1, 4000), st.sampled_from(METHODS), st.sampled_from(YEARS))
def test_a_larger_load_never_lowers_the_result(items, which, extra, method, year):
    chosen = items[which % len(items)]
    assume(chosen.kind not in ("cooktop", "oven", "range") or chosen.va.value + extra <= HIGHEST[chosen.kind])
    assume(chosen.kind not in STEPPED or chosen.kind == "electric-heat")
    grown = item(chosen.kind, chosen.va.value + extra, name=chosen.id, status=chosen.status)
    larger = [grown if one is chosen else one for one in items]
    assert total(method, larger, year) >= total(method, items, year) - 1e-6


@settings(max_examples=60, deadline=None)
@given(homes(), st.integers(500, 6000), st.integers(1, 4000), st.sampled_from(METHODS), st.sampled_from(YEARS))
def test_more_floor_area_never_lowers_the_result(items, area, extra, method, year):
    assert total(method, items, year, floor_area=area + extra) >= total(method, items, year, floor_area=area) - 1e-6


# ---- steps of the code: each exception has its own test ------------------------------------------


def test_fourth_fastened_appliance_lowers_the_load_in_2017():
    # 220.53 (2017), no size floor: 3 x 5,000 = 15,000 VA; one more of 100 VA: 15,100 x 75 % = 11,325 [arithmetic from the rule]
    three = [item("fastened", 5000, name=f"a{index}") for index in range(3)]
    four = [*three, item("fastened", 100, name="small")]
    assert calculate("standard", three, "2017").demand["fastened"].value == 15000
    assert calculate("standard", four, "2017").demand["fastened"].value == pytest.approx(11325)


def test_fourth_small_appliance_does_not_count_from_2020():
    # 220.53 (2020, 2023): only appliances of at least 500 W or 1/4 hp count and are reduced
    four = [*(item("fastened", 5000, name=f"a{index}") for index in range(3)), item("fastened", 100, name="small")]
    for year in ("2020", "2023"):
        assert calculate("standard", four, year).demand["fastened"].value == 15100
    exempt = [*four[:3], replace(four[3], floor_exempt=True)]
    assert calculate("standard", exempt, "2020").demand["fastened"].value == pytest.approx(11325)


def test_fourth_heating_unit_lowers_the_optional_load():
    # 220.82(C): three 5 kW heaters 65 % = 9.75 kVA, four 40 % = 8.0 kVA [arithmetic from the rule]
    heaters = [item("electric-heat", 5000, name=f"h{index}") for index in range(4)]
    assert calculate("optional_dwelling", heaters[:3], "2023").hvac.value == pytest.approx(9750)
    assert calculate("optional_dwelling", heaters, "2023").hvac.value == pytest.approx(8000)


def test_cooking_columns_step_down():
    # Table 220.55: one oven of 3,499 VA at 80 % of column A, one of 8,751 VA by column C 8 kW; 8,750 VA by column B 80 % = 7,000
    assert calculate("standard", [item("oven", 8750)], "2023").demand["cooking"].value == pytest.approx(7000)
    assert calculate("standard", [item("oven", 8751)], "2023").demand["cooking"].value == pytest.approx(8000)
    # column A drops with the number: one 3 kW 2,400; a second one of 100 W above the threshold brings column A for two, 75 %
    one, two = [item("oven", 3000)], [item("oven", 3000), item("oven", 1800)]
    assert calculate("standard", one, "2023").demand["cooking"].value == pytest.approx(2400)
    assert calculate("standard", two, "2023").demand["cooking"].value == pytest.approx(3600)


def test_a_fourth_heater_moves_into_the_tier_of_an_existing_dwelling():
    # 220.83(B) by omission, from memory: four or more separately controlled units are not on the 100 % list
    heaters = [item("electric-heat", 5000, name=f"h{index}", status="added") for index in range(4)]
    assert "hvac" in calculate("existing_dwelling", heaters[:3], "2023").demand
    assert "hvac" not in calculate("existing_dwelling", heaters, "2023").demand


def test_existing_heating_becomes_branch_b_when_some_is_added():
    existing = [item("air-conditioner", 6000)]
    assert calculate("existing_dwelling", existing, "2023").branch == "A"
    assert calculate("existing_dwelling", [*existing, item("heat-pump", 1000, status="added")], "2023").branch == "B"
