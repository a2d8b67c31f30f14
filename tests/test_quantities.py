"""Quantities: the number grammar, the table of units against pint, and what is refused."""

from __future__ import annotations

import math
import subprocess
import sys
from pathlib import Path

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from workbook_lib.quantities import (
    COMMON_UNITS,
    DIMENSIONS,
    FAMILY_UNIT,
    QuantityError,
    in_unit,
    read_quantity,
    written_in_watts,
)

ROOT = Path(__file__).resolve().parent.parent
PINT = pint.UnitRegistry()
SPELLED_FOR_PINT = {
    "ft²": "ft**2",
    "m²": "m**2",
    "ft2": "ft**2",
    "m2": "m**2",
    "sq ft": "ft**2",
    "square feet": "ft**2",
    "frac": "dimensionless",
    "amps": "ampere",
}
DIMENSION_OF_FAMILY = {
    "real power": "real power",
    "apparent power": "apparent power",
    "shaft power": "motor power",
} | {family: family for family in FAMILY_UNIT if "power" not in family}
numbers = st.floats(min_value=1e-6, max_value=1e9).map(lambda number: float(f"{number:.9g}"))


@pytest.mark.parametrize("spelling", COMMON_UNITS)
def test_every_common_unit_is_what_pint_says(spelling):
    unit = COMMON_UNITS[spelling]
    dimension = DIMENSIONS[DIMENSION_OF_FAMILY[unit.family]]
    target = "dimensionless" if dimension.unit == "frac" else dimension.unit.replace("^", "**")
    for number in (-40.0, 0.0, 1.0, 7.25):
        expected = PINT.Quantity(number, PINT.parse_units(SPELLED_FOR_PINT.get(spelling, spelling))).to(target).magnitude
        value, house = read_quantity(f"{number} {spelling}", dimension.name)
        assert house == dimension.unit
        assert value == pytest.approx(expected, rel=1e-12, abs=1e-9 if unit.family == "temperature" else 1e-300)


@pytest.mark.parametrize(
    "text,dimension,value,unit",
    [
        ("200 A", "current", 200.0, "A"),
        ("48A", "current", 48.0, "A"),
        ("+1.5e2 A", "current", 150.0, "A"),
        ("10 kA", "fault current", 10000.0, "A"),
        ("12 kW", "load power", 12000.0, "VA"),
        ("8.2 kW", "load power", 8200.0, "VA"),
        ("9.6 kVA", "load power", 9600.0, "VA"),
        ("25 kVA", "apparent power", 25000.0, "VA"),
        ("12 kW", "demand", 12.0, "kW"),
        ("0.5 hp", "motor power", 0.5, "hp"),
        ("1500 ft^2", "area", 1500.0, "ft^2"),
        ("95 degF", "temperature", 35.0, "degC"),
        ("-40 degF", "temperature", -40.0, "degC"),
        ("1.5 %", "fraction", 0.015, "frac"),
        ("15 min", "time", 900.0, "s"),
        ("24 h", "time", 86400.0, "s"),
        ("13.5 kWh", "energy", 13.5, "kWh"),
        ("-106.0 deg", "angle", -106.0, "deg"),
        ("120 in", "length", 10.0, "ft"),
    ],
)
def test_the_usual_texts(text, dimension, value, unit):
    assert read_quantity(text, dimension) == (value, unit)


@pytest.mark.parametrize(
    "text,dimension,value",
    [("1 kilovolt_ampere", "load power", 1000.0), ("7 kV A", "load power", 7000.0), ("1 mile", "length", 5280.0)]
    + [("300 K", "temperature", 26.85), ("0.5 turn", "angle", 180.0), ("2 week", "time", 1209600.0), ("3.6 MJ", "energy", 1.0)],
)
def test_pint_reads_every_other_spelling(text, dimension, value):
    assert read_quantity(text, dimension)[0] == pytest.approx(value)


@given(numbers)
def test_feet_and_the_same_length_in_metres_are_equal(number):
    metres = PINT.Quantity(number, "ft").to("m").magnitude
    assert read_quantity(f"{metres!r} m", "length")[0] == pytest.approx(read_quantity(f"{number!r} ft", "length")[0], rel=1e-12)


@given(numbers)
def test_a_prefix_is_only_another_way_to_write_a_number(number):
    for unit, dimension in (("A", "current"), ("VA", "load power"), ("W", "real power"), ("V", "voltage")):
        assert read_quantity(f"{number!r} k{unit}", dimension)[0] == pytest.approx(
            read_quantity(f"{number * 1000!r} {unit}", dimension)[0], rel=1e-14
        )


def test_one_kiloampere_is_a_thousand_amperes_exactly():
    assert read_quantity("1 kA", "current") == read_quantity("1000 A", "current")


@given(st.floats(min_value=-200, max_value=200))
def test_display_units_lead_there_and_back(value):
    for unit, wanted in (("degC", "degF"), ("ft", "m"), ("kWh", "Wh"), ("hp", "W"), ("deg", "rad"), ("frac", "%")):
        there = in_unit(value, unit, wanted)
        assert in_unit(there, wanted, unit) == pytest.approx(value, rel=1e-9, abs=1e-9)
    assert in_unit(value, "degC", "degF") == pytest.approx(value * 9 / 5 + 32)


@pytest.mark.parametrize(
    "text,dimension,words",
    [
        ("200", "current", "number without a unit"),
        ("1,500 ft^2", "area", '"1500 ft^2"'),
        ("1 500 ft^2", "area", '"1500 ft^2"'),
        ("1_500 ft^2", "area", '"1500 ft^2"'),
        ("1,5 A", "current", '"1.5 A"'),
        ("abc", "current", "does not begin with a number"),
        ("", "current", "does not begin with a number"),
        ("--3 A", "current", "does not begin with a number"),
        ("1.2.3 A", "current", "does not begin with a number"),
        ("nan A", "current", "does not begin with a number"),
        ("inf A", "current", "does not begin with a number"),
        ("٣ A", "current", "does not begin with a number"),
        ("0x10 A", "current", "is not a unit"),
        ("4 xyzzy", "current", "is not a unit"),
        ("12 KW", "load power", 'write "kW"'),
        ("12 ft 6 in", "length", "is not a unit"),
        ("5 m^(9^9^9^9)", "area", "is not a unit"),
        ("5 m^99999999", "area", "is not a unit"),
        ("3 delta_degC", "temperature", "is not a unit"),
        ("75 C", "temperature", "is not a unit"),
        ("1e999 A", "current", "beyond all measure"),
        ("1e-400 A", "current", "beyond all measure"),
        ("12 V", "current", "voltage where current is wanted"),
        ("5 deg", "fraction", "angle where fraction is wanted"),
        ("5 %", "angle", "fraction where angle is wanted"),
        ("25 kW", "apparent power", "real power where apparent power is wanted"),
        ("2 kVA", "real power", "apparent power where real power is wanted"),
        ("1 hp", "load power", "shaft power where load power is wanted"),
        ("30000 BTU/h", "load power", "is not a unit"),
        ("3 Ah", "energy", "is not a unit"),
    ],
)
def test_what_is_refused_says_why_and_what_to_do(text, dimension, words):
    with pytest.raises(QuantityError) as caught:
        read_quantity(text, dimension)
    assert words in str(caught.value)
    assert DIMENSIONS[dimension].example in caught.value.limit
    assert caught.value.todo


@given(st.text(max_size=60), st.sampled_from(sorted(DIMENSIONS)))
def test_any_text_is_read_or_refused_and_never_something_else(text, dimension):
    try:
        value, unit = read_quantity(text, dimension)
    except QuantityError:
        return
    assert math.isfinite(value)
    assert unit == DIMENSIONS[dimension].unit


def test_watts_and_volt_amperes_are_kept_apart():
    assert written_in_watts("12 kW")
    assert written_in_watts("12 kilowatt")
    assert not written_in_watts("12 kVA")
    assert not written_in_watts("12 kilovolt_ampere")
    for unit, wanted in (("W", "VA"), ("VA", "W")):
        with pytest.raises(QuantityError):
            in_unit(1.0, unit, wanted)
    with pytest.raises(QuantityError, match="unknown unit"):
        in_unit(1.0, "A", "xyzzy")


def test_pint_is_not_loaded_for_the_usual_spellings():
    code = """
import sys
from workbook_lib.quantities import read_quantity
for text, dimension in (("12 kW", "load power"), ("95 degF", "temperature"), ("1.5 %", "fraction")):
    read_quantity(text, dimension)
print("pint" in sys.modules)
read_quantity("1 mile", "length")
print("pint" in sys.modules)
"""
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "True"]
