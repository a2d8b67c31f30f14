"""Lines of several answers as they are noted on a site, read into the fields that they are of.

The wording of a run (size and unit, metal, insulation, then neutral, ground, raceway, length and temperatures) and of a panel directory is
common practice; sizes, insulations and raceways are those that the model of a site file knows.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from workbook_lib.home.model_equipment import INSULATIONS, LOAD_KINDS, Conductor, Raceway
from workbook_lib.home.shapes import shapes
from workbook_lib.live import in_line
from workbook_lib.live.in_line import Run, Unread, read_breakers, read_loads, read_run

SIZES = shapes(Conductor)["size"].leaf.choices
KINDS = shapes(Raceway)["kind"].leaf.choices
WHOLE = Run(
    {
        "size": "6",
        "material": "Cu",
        "insulation": "THWN-2",
        "neutral": "6",
        "grounding": "10",
        "terminals": "75 degC",
        "length": "16 ft",
    },
    {"kind": "EMT", "ambient": "38 degC"},
)


@pytest.mark.parametrize(
    "text",
    [
        in_line.RUN_EXAMPLE,
        "6 AWG copper THWN-2, neutral 6, equipment ground 10, in EMT, 16 ft, air up to 38 degC, terminals 75 degC",
        "6 Cu thwn-2 n 6 g 10 emt 16ft air 38degC terminals 75degC",
        "EMT; 16 ft; 38 degC air; 75 degC terminals; Cu; THWN-2; 6; ground 10; neutral 6",
    ],
)
def test_a_run_is_read_in_any_order_and_in_the_words_of_a_photo(text):
    assert read_run(text) == WHOLE


def test_a_run_as_it_is_noted_at_a_meter():
    text = "4/0 AWG AL, XHHW-2, neutral 2/0; lugs marked 75 degC; in PVC schedule 40, air up to 35 degC, about 25 ft"
    conductor = {"size": "4/0", "material": "Al", "insulation": "XHHW-2", "neutral": "2/0", "terminals": "75 degC", "length": "25 ft"}
    assert read_run(text) == Run(conductor, {"kind": "PVC-40", "ambient": "35 degC"})
    assert read_run("250 kcmil Al") == Run({"size": "250", "material": "Al"})
    assert read_run("10 Cu, neutral none, ground 10") == Run({"size": "10", "material": "Cu", "neutral": "none", "grounding": "10"})
    assert read_run("as battery-inverter, 12 ft") == Run({"length": "12 ft"}, alike="battery-inverter")


@pytest.mark.parametrize(
    ("text", "unread"),
    [
        ("6 Cu THWN-2 75 degC", ["75 degC"]),  # of the terminals or of the air
        ("6 Cu foo, 16 ft, bar", ["foo", "bar"]),
        ("6 Cu, 8", ["8"]),  # two sizes
        ("6 Cu, 16 ft, 18 ft", ["18 ft"]),
        ("6 Cu, ground", ["grounding"]),
        ("6 Cu, neutral, 16 ft", ["neutral"]),
        ("6 AWG Cu THWN-2, 10 ground", ["10", "grounding"]),  # the word stands ahead of its size
        ("6 Cu, 38 degC air, 40 degC air", ["40 degC"]),
        ("7 Cu", ["7"]),  # no standard size
        ("6 Cu THWN-9", ["THWN-9"]),
        ("and with in", ["and with in"]),
        ("Al XHHW-2, RMC 2 in, air 38 degC", ["2 in"]),  # a trade size, neither length nor conductor
        ("RMC 2 in air 38 degC, Al", ["2 in"]),
        ('6 Cu, 1-1/4" EMT', ['1-1/4"']),
        ("3 conductors Cu", ["conductors"]),
        ("6 Cu, neutral, ground 10", ["neutral"]),
        ("6 Cu, terminals, air 38 degC, EMT", ["terminals"]),
        ("6 Cu, ground 75 degC 10", ["75 degC"]),
    ],
)
def test_what_has_no_sign_of_what_it_is_is_refused_and_all_of_it_is_told(text, unread):
    with pytest.raises(Unread) as caught:
        read_run(text)
    assert all(one in caught.value.trouble.value for one in unread), caught.value.trouble.value
    assert "THWN-2" in caught.value.trouble.todo


@st.composite
def runs(draw):
    """A run in pieces, each as it is typed, and what it says."""
    conductor = {
        "size": draw(st.sampled_from(SIZES)),
        "material": draw(st.sampled_from(("Cu", "Al"))),
        "insulation": draw(st.sampled_from(INSULATIONS)),
        "neutral": draw(st.sampled_from((*SIZES, "none"))),
        "grounding": draw(st.sampled_from((*SIZES, "none"))),
        "terminals": draw(st.sampled_from(("60 degC", "75 degC", "90 degC"))),
        "length": f"{draw(st.integers(1, 5000))} ft",
    }
    raceway = {"kind": draw(st.sampled_from(KINDS)), "ambient": f"{draw(st.integers(0, 80))} degC"}
    words = {"neutral": ("neutral", "n"), "grounding": ("ground", "g", "EGC"), "terminals": ("terminals", "lugs"), "ambient": ("air",)}
    pieces = [
        f"{draw(st.sampled_from(words[name]))} {one}" if name in words else one
        for name, one in draw(st.permutations([*conductor.items(), *raceway.items()]))
    ]
    return draw(st.sampled_from((", ", "; ", " "))).join(pieces), Run(conductor, raceway)


@given(runs())
def test_a_run_says_the_same_in_every_order_of_its_parts(run):
    text, said = run
    assert read_run(text) == said


def test_a_directory_is_read_breaker_by_breaker():
    text = "range 50 A 2 pole; heat pump 30 2; kitchen-1 20A 1P; dryer 2-pole 30 A; lights, 15 A, 1 pole;"
    assert [tuple(row.values()) for row in read_breakers(text)] == [
        ("range", "50 A", "2"),
        ("heat-pump", "30 A", "2"),
        ("kitchen-1", "20 A", "1"),
        ("dryer", "30 A", "2"),
        ("lights", "15 A", "1"),
    ]
    for wrong in ("range 50", "range fifty 2", "50 A 2 pole", "range 50 kA 2", "range; dryer 30 2"):
        with pytest.raises(Unread) as caught:
            read_breakers(f"stove 40 2; {wrong}")
        assert wrong.partition(";")[0] in caught.value.trouble.value
        assert "stove" not in caught.value.trouble.value


def test_loads_are_read_by_the_units_of_their_nameplates():
    text = "range on range-breaker 12 kW; Heat pump on heat 16 A, 1 A; motor on pump 3 hp, 240 V; plug on lights; dryer on d 5500VA"
    motors = "well-pump on w 5 A, locked rotor 30 A; motor on sump 9A, LRA 32A"
    assert read_loads(motors) == [
        {"kind": "well-pump", "connected_to": "w", "current": "5 A", "locked_rotor_current": "30 A"},
        {"kind": "motor", "connected_to": "sump", "current": "9A", "locked_rotor_current": "32A"},
    ]
    assert read_loads(text) == [
        {"kind": "range", "connected_to": "range-breaker", "rating": "12 kW"},
        {"kind": "heat-pump", "connected_to": "heat", "current": "16 A, 1 A"},
        {"kind": "motor", "connected_to": "pump", "motor_power": "3 hp", "voltage": "240 V"},
        {"kind": "plug", "connected_to": "lights"},
        {"kind": "dryer", "connected_to": "d", "rating": "5500VA"},
    ]
    assert [read_loads(f"{kind} on b")[0]["kind"] for kind in LOAD_KINDS] == list(LOAD_KINDS)
    for wrong in (
        "range 12 kW",
        "stove on b 3 kW",
        "range on b 12 kW, 3 kW",
        "range on b 3 Hz",
        "motor on b 3 A, locked rotor 3 kW",
        "range on b 12 kW 50 A",
    ):
        with pytest.raises(Unread) as caught:
            read_loads(f"dryer on d 5 kW; {wrong}")
        assert wrong in caught.value.trouble.value
        assert "dryer" not in caught.value.trouble.value


def test_one_answer_is_no_line():
    assert not any(map(in_line.is_line, ("6", " 4/0 ", "range-breaker", "", "kitchen-1 ")))
    assert all(map(in_line.is_line, ("4/0 AWG", "6,Cu", "range 40 2", "a;b")))
