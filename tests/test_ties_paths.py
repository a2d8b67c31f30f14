"""Feeders, taps, breakers, raceways and buses of homes written here, by hand-worked figures from the published rules.

Tap fractions: 240.21(B) with 705.12 by edition as in the matrix of public sources; ampacities: Table 310.16 (copper, 75 degC).
"""

from __future__ import annotations

import pytest

from tests.test_ties import HEAD, device, made_source, panel, studied, verdict

WIRE = 'terminals = "75 degC", raceway = "RUN", insulation = "THWN-2", material = "Cu", neutral = "SIZE", grounding = "8"'


def wire(size: str, length: str, raceway: str) -> str:
    return f'conductor = {{ size = "{size}", length = "{length}", {WIRE.replace("SIZE", size).replace("RUN", raceway)} }}'


ROW = '{ id = "riser", kind = "RMC", ambient = "30 degC", above_roof = "none", other_current_carrying = 0 }'
RUNS = HEAD.replace(ROW, ", ".join([ROW, ROW.replace("riser", "feeder-run"), ROW.replace("riser", "tap-run")]))
"""Each run in a raceway of its own: no bundling."""


def tapped(size: str = "8", length: str = "20 ft", fuse: str = "40 A", amperes: float = 24.0, along: str = "1") -> str:
    """A 100 A feeder with a sub-panel at its end and, along its way, a tap to the fused disconnect of a source."""
    return (
        RUNS
        + panel("main", "service", "200 A", "200 A", device("f-breaker", 100, "bottom"), bonded="true")
        + f'[[feeder]]\nid = "f"\nconnected_to = "f-breaker"\n{wire(along, "60 ft", "feeder-run")}\n'
        + panel("sub", "f", "125 A", "100 A", device("load", 30, "middle"))
        + f'[[disconnect]]\nid = "off"\nrole = "source"\nconnected_to = "f"\nrating = "60 A"\nfuse = "{fuse}"\n'
        + f"neutral_bonded = false\n{wire(size, length, 'tap-run')}\n"
        + made_source("pv", "off", amperes)
    )


TAPS = [  # one third of the device and of the source: 125 % of its current until 2020, its device from 2023
    ("2017", "20 ft", (100 + 1.25 * 24) / 3),
    ("2020", "20 ft", (100 + 1.25 * 24) / 3),
    ("2023", "20 ft", (100 + 40) / 3),
    ("2026", "20 ft", (100 + 40) / 3),
    # 10 ft: at least its own device; one tenth is less
    ("2017", "9 ft", 40.0),
    ("2023", "9 ft", 40.0),
]


@pytest.mark.parametrize("year,length,expected", TAPS)
def test_what_a_tap_must_carry(tmp_path, year, length, expected):
    sheet = studied(tmp_path, tapped(length=length), year)
    assert sheet.results["tap_required_a:off"].value == pytest.approx(expected)
    assert verdict(sheet, "tap-size:off") == "pass", "8 AWG copper carries 50 A"
    assert verdict(sheet, "tap-length:off") == "pass"


def test_a_tap_too_small_too_long_or_without_an_end_fails(tmp_path):
    assert verdict(studied(tmp_path, tapped(size="10", fuse="30 A")), "tap-size:off") == "fail", "35 A of 43.3 A"
    assert verdict(studied(tmp_path, tapped(length="25 ft")), "tap-length:off") == "pass"
    assert verdict(studied(tmp_path, tapped(length="25.1 ft")), "tap-length:off") == "fail"
    assert verdict(studied(tmp_path, tapped(fuse="none")), "tap-size:off") == "fail"
    lacking = tapped().replace('length = "20 ft", ', "")
    assert verdict(studied(tmp_path, lacking), "tap-size:off") == "needs input"


def test_a_feeder_carries_its_device_and_what_comes_in_along_its_way_or_has_a_device_beyond(tmp_path):
    """100 A and 1.25 x 24 A: 1 AWG copper carries 130 A, 3 AWG 100 A."""
    assert verdict(studied(tmp_path, tapped()), "feeder-capacity:f") == "pass"
    small = tapped(along="3")
    sheet = studied(tmp_path, small)
    assert verdict(sheet, "feeder-capacity:f") == "fail"
    assert sheet.check("feeder-capacity:f").required.value == pytest.approx(130)
    beyond = small.replace('connected_to = "f-breaker"', 'connected_to = "f-breaker"\nload_side_device = "100 A"')
    assert verdict(studied(tmp_path, beyond), "feeder-capacity:f") == "pass"


def one(breakers: str, *, listed: str = "all", more: str = "", amperes: float = 24.0, feed: str = "top") -> str:
    text = HEAD + panel("main", "service", "200 A", "200 A", breakers, listed=listed, bonded="true", feed=feed)
    return text.replace('\nfeed = "', f'\n{more}feed = "') + made_source("pv", "b", amperes)


SUITED = [("suitable", "pass"), ("line-load-marked", "fail"), ("unknown", "needs input")]


@pytest.mark.parametrize("mark,expected", SUITED)
def test_a_breaker_marked_for_line_and_load_takes_no_backfeed(tmp_path, mark, expected):
    text = one(device("b", 30).replace('"suitable"', f'"{mark}"'))
    assert verdict(studied(tmp_path, text), "breaker-suitability:b") == expected


def test_a_source_on_one_pole_fails(tmp_path):
    text = one(device("b", 30).replace("poles = 2", 'poles = 1, leg = "A"'))
    assert verdict(studied(tmp_path, text), "breaker-suitability:b") == "fail"


def test_a_rating_that_is_no_standard_one_is_said(tmp_path):
    said = "b: 37 A is no standard rating"
    assert any(said in line for line in studied(tmp_path, one(device("b", 37))).cautions)
    assert not any("no standard rating" in line for line in studied(tmp_path, one(device("b", 35))).cautions)


def test_an_engineered_bus_is_a_judgement_that_names_who_signs(tmp_path):
    check = studied(tmp_path, one(device("b", 60, "top"), more='bus_rule = "engineered"\n', amperes=48.0)).check("bus:main")
    assert str(check.verdict) == "judgement"
    assert "engineer" in check.decides


def test_a_split_bus_is_a_judgement(tmp_path):
    text = one(device("b", 30)).replace('kind = "panelboard"', 'kind = "split-bus"')
    assert verdict(studied(tmp_path, text), "bus:main") == "judgement"


def test_a_list_that_is_not_whole_never_passes_by_the_sum_of_breakers(tmp_path):
    text = one(device("b", 60, "top"), listed="some", more='bus_rule = "breakers"\n', amperes=48.0)
    assert verdict(studied(tmp_path, text), "bus:main") == "needs input"
    assert verdict(studied(tmp_path, text.replace('"some"', '"all"')), "bus:main") == "pass", "60 A of 200 A"


CENTRES = [("2017", "pass"), ("2020", "pass"), ("2023", "pass")]


@pytest.mark.parametrize("year,expected", CENTRES)
def test_a_centre_fed_panel_takes_sources_at_one_end(tmp_path, year, expected):
    assert verdict(studied(tmp_path, one(device("b", 40, "bottom"), feed="centre", amperes=32.0), year), "bus:main") == expected
    amid = studied(tmp_path, one(device("b", 40, "middle"), feed="centre", listed="some", amperes=32.0), year)
    assert verdict(amid, "bus-centre:main") == "fail"


@pytest.mark.parametrize("year,expected", [("2017", "judgement"), ("2020", "judgement"), ("2023", "fail"), ("2026", "fail")])
def test_a_panel_with_three_connections_only_is_argued_to_be_outside_the_bus_rules_until_2020(tmp_path, year, expected):
    text = one(", ".join(device(name, rating, "top") for name, rating in (("b", 60), ("c", 200))), amperes=48.0)
    assert verdict(studied(tmp_path, text, year), "bus:main") == expected


def filled(size: str, length: str) -> str:
    """Three 4/0 THWN-2 of the service and nothing else in a raceway of a size: 3 x 0.3237 = 0.9711 in2."""
    text = HEAD.replace('kind = "RMC",', f'kind = "RMC", size = "{size}",').replace('length = "30 ft"', f'length = "{length}"')
    return text + panel("main", "service", "200 A", "200 A", device("b", 30), bonded="true") + made_source("pv", "b", 24.0)


FILLS = [  # rigid metal conduit, Chapter 9 Table 4: 2 in 3.408 in2, 1-1/2 in 2.071; 40 % of 2.071 is 0.8284, 60 % of a nipple 1.2426
    ("2", "30 ft", "pass"),
    ("1-1/2", "30 ft", "fail"),
    ("1-1/2", "2.1 ft", "fail"),
    ("1-1/2", "2 ft", "pass"),
]


@pytest.mark.parametrize("size,length,expected", FILLS)
def test_a_raceway_by_its_fill_and_the_nipple_rule(tmp_path, size, length, expected):
    assert verdict(studied(tmp_path, filled(size, length)), "raceway:riser") == expected


def test_parallel_sets_carry_together(tmp_path):
    """Two sets of 4/0 copper, each in a raceway of its own: 2 x 230 A."""
    text = HEAD.replace('neutral = "4/0"', 'neutral = "4/0"\nsets = 2')
    text += panel("main", "service", "400 A", "200 A", device("b", 30), bonded="true")
    sheet = studied(tmp_path, text + made_source("pv", "b", 24.0))
    assert sheet.results["conductor_ampacity_a:service"].value == pytest.approx(460)
