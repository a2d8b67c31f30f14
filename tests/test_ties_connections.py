"""Supply-side connections, adapters, evidence, the utility's desk and circuits fed by an inverter, one field changed at a time.

The homes are the example homes; what each change must give follows from the published rules named beside it
(705.11, 705.12 and 230.85 by edition as in the matrix of public sources; common practice where so marked).
"""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from workbook_lib import editions
from workbook_lib.home import read_home
from workbook_lib.sheet import Sheet
from workbook_lib.workbooks import backfeed_and_tap

SITES = Path(__file__).parent.parent / "example_inputs" / "sites"
TAP, ADAPTER, ARRAY, CASCADE = "supply-tap-100a", "adapter-storage-200a", "array-and-storage-200a", "cascade-200a"


def written(tmp_path: Path, name: str, *changes: tuple[str, str], local: tuple[tuple[str, str], ...] = ()) -> Path:
    """Site file of an example home with texts of it, and of its utility's file, changed."""
    folder = tmp_path / "site"
    if not folder.exists():
        folder.mkdir(parents=True)
        for part in ("jurisdictions", "evidence"):
            shutil.copytree(SITES / part, folder / part)
    text = (SITES / f"{name}.toml").read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new)
    words = (SITES / "jurisdictions" / "tansy-light.toml").read_text(encoding="utf-8")
    for old, new in local:
        assert old in words, old
        words = words.replace(old, new)
    (folder / "jurisdictions" / "tansy-light.toml").write_text(words, encoding="utf-8")
    (folder / f"{name}.toml").write_text(text, encoding="utf-8")
    return folder / f"{name}.toml"


def altered(tmp_path: Path, name: str, *changes: tuple[str, str], year: str = "2023", local: tuple[tuple[str, str], ...] = ()) -> Sheet:
    """Sheet of an example home with texts of its site file, and of its utility's file, changed."""
    return backfeed_and_tap.study(read_home(written(tmp_path, name, *changes, local=local)), editions.load(year))


def verdict(sheet: Sheet, key: str) -> str:
    return str(sheet.check(key).verdict)


# ahead of the service disconnect

INSIDE = (('length = "8 ft", place = "outside"', 'length = "8 ft", place = "inside"'),)


def run(length: str, place: str) -> tuple[str, str]:
    return ('length = "8 ft", place = "outside"', f'length = "{length}", place = "{place}"')


LENGTHS = [  # 705.31 (2017): 10 ft, limiters beyond; 705.11(C) (2020): 10 ft inside a dwelling; 2023 none; 2026 by (C)(1)
    ("2017", "8 ft", "inside", "pass"),
    ("2017", "10 ft", "inside", "judgement"),
    ("2017", "11 ft", "outside", "fail"),
    ("2020", "8 ft", "inside", "pass"),
    ("2020", "11 ft", "inside", "fail"),
    ("2020", "11 ft", "outside", "pass"),
    ("2023", "30 ft", "inside", "not applicable"),
]


@pytest.mark.parametrize("year,length,place,expected", LENGTHS)
def test_the_length_to_the_first_device_binds_by_edition_and_place(tmp_path, year, length, place, expected):
    assert verdict(altered(tmp_path, TAP, run(length, place), year=year), "supply-side-length:pv-off") == expected


def test_recorded_limiters_turn_a_longer_run_of_2017_into_a_judgement(tmp_path):
    row = '{ for = "pv-off", shows = "limiters", by = "installer", document = "evidence/tap-consent.txt", date = 2026-05-14 },\n]\nraceway'
    sheet = altered(tmp_path, TAP, run("11 ft", "outside"), ("]\nraceway", row), year="2017")
    assert verdict(sheet, "supply-side-length:pv-off") == "judgement"


SMALL = ('conductor = { size = "6", material = "Cu"', 'conductor = { size = "8", material = "Cu"')


@pytest.mark.parametrize("year,expected", [("2017", "not applicable"), ("2020", "fail"), ("2023", "fail"), ("2026", "fail")])
def test_the_least_size_binds_from_2020_on(tmp_path, year, expected):
    """6 AWG copper: 705.11(B)."""
    assert verdict(altered(tmp_path, TAP, SMALL, year=year), "supply-side-size:pv-off") == expected


def test_aluminum_of_6_awg_is_below_the_least_4_awg(tmp_path):
    sheet = altered(tmp_path, TAP, ('conductor = { size = "6", material = "Cu"', 'conductor = { size = "6", material = "Al"'))
    assert verdict(sheet, "supply-side-size:pv-off") == "fail"


def test_capacity_is_of_outputs_from_2020_and_of_devices_in_2017(tmp_path):
    """Amended reading: 705.12(A) of 2017 adds devices against the rating, later texts outputs against the conductors."""
    by_year = {year: altered(tmp_path, TAP, year=year).check("supply-side-capacity") for year in editions.YEARS}
    assert by_year["2017"].provided.value == 30
    assert {check.provided.value for year, check in by_year.items() if year != "2017"} == {24}
    assert {check.required.value for check in by_year.values()} == {100}


PLACES = [
    ("junction-box", False, "pass"),
    ("gutter", False, "pass"),
    ("meter-enclosure", True, "pass"),
    ("meter-enclosure", False, "needs input"),
    ("service-equipment", True, "judgement"),
]


@pytest.mark.parametrize("place,consent,expected", PLACES)
def test_the_place_of_a_tap(tmp_path, place, consent, expected):
    changes = [('tap_in = { value = "junction-box"', f'tap_in = {{ value = "{place}"')]
    if not consent:
        changes.append(('shows = "utility-consent"', 'shows = "condition"'))
    sheet = altered(tmp_path, TAP, *changes)
    assert verdict(sheet, "supply-side-place:pv-off") == expected
    assert verdict(sheet, "local-evidence:supply_side:pv-off") == ("pass" if consent else "needs input")


@pytest.mark.parametrize(
    "old,new,key,expected",
    [
        (
            'rating = { value = "60 A", from = "data-sheet" }',
            'rating = { value = "30 A", from = "data-sheet" }',
            "disconnect-rating",
            "fail",
        ),
        ("service_rated = true", "service_rated = false", "disconnect-rating", "fail"),
        ("service_rated = true\n", "", "disconnect-rating", "needs input"),
        ('fuse = { value = "30 A", from = "data-sheet" }', 'fuse = "none"', "overcurrent", "fail"),
    ],
)
def test_the_disconnect_of_a_tap(tmp_path, old, new, key, expected):
    """60 A at least by 230.79(D) (from memory), fit as service equipment, with an overcurrent device."""
    assert verdict(altered(tmp_path, TAP, (old, new)), f"{key}:pv-off") == expected


@pytest.mark.parametrize("year,expected", [("2017", "judgement"), ("2020", "judgement"), ("2023", "fail")])
def test_an_ungrouped_disconnect_fails_only_where_it_is_a_service_disconnect(tmp_path, year, expected):
    sheet = altered(tmp_path, TAP, ("grouped_with_service = true", "grouped_with_service = false"), year=year)
    assert verdict(sheet, "service-disconnects") == expected


@pytest.mark.parametrize("year,expected", [("2017", "judgement"), ("2020", "fail"), ("2023", "fail")])
def test_a_supply_side_disconnect_is_bonded_as_service_equipment_from_2020_on(tmp_path, year, expected):
    changes = (("grouped_with_service = true\nneutral_bonded = true", "grouped_with_service = true\nneutral_bonded = false"),)
    assert verdict(altered(tmp_path, TAP, *changes, year=year), "single-bond") == expected


def test_a_second_bond_on_the_load_side_fails(tmp_path):
    assert verdict(altered(tmp_path, ARRAY, ("neutral_bonded = false", "neutral_bonded = true")), "single-bond") == "fail"


def test_a_switch_of_a_source_circuit_that_no_check_tests_is_said_to_be_untested(tmp_path):
    """On the supply side its rating is a check; in a circuit behind a breaker it is none, and the sheet says so by name."""
    tap, array = altered(tmp_path / "tap", TAP), altered(tmp_path / "array", ARRAY)
    assert any(check.key == "disconnect-rating:pv-off" for check in tap.checks)
    assert not any("rating of disconnect" in line for line in tap.not_checked)
    assert not any(check.key.startswith("disconnect-rating") for check in array.checks)
    assert [line for line in array.not_checked if line.startswith("rating of disconnect storage-off")]


def test_consent_that_nobody_asks_for_is_said_to_be_missing(tmp_path):
    alone = (('utility = "tansy-light"\n', ""), ('shows = "utility-consent"', 'shows = "condition"'))
    assert any("consent to the connection of pv-off" in line for line in altered(tmp_path, TAP, *alone).not_checked)
    assert not any("consent" in line for line in altered(tmp_path, TAP, alone[0]).not_checked)


def rated(amperes: int) -> tuple[tuple[str, str], ...]:
    old = 'short_circuit_rating = { value = "10 kA", from = "nameplate" }'
    return ((old, old.replace("10 kA", f"{amperes} A")),)


@pytest.mark.parametrize("rating,expected", [(5000, "fail"), (5200, "judgement"), (6800, "judgement"), (7000, "pass")])
def test_a_rating_below_what_the_current_can_reach_is_a_judgement(tmp_path, rating, expected):
    """5,039 A at the end of the service conductors, 6,900 A at the service point: where the meter stands between is not said."""
    sheet = altered(tmp_path, TAP, *rated(rating))
    assert verdict(sheet, "interrupting:meter") == expected


def test_cold_conductors_and_the_least_resistance_bound_what_a_panel_can_see(tmp_path):
    """240 V over 0.03478 ohm behind 6,900 A, a third of it resistance, and 25 ft of 3 AWG in steel at 25 degC."""
    sheet = altered(tmp_path, TAP, ('interrupting_rating = { value = "10 kA"', 'interrupting_rating = { value = "5500 A"'))
    check = sheet.check("interrupting:main")
    most = 240 / abs(complex(0.397 * 240 / 6900 + 0.835 * 0.05 * 0.25, (1 - 0.397**2) ** 0.5 * 240 / 6900 + 0.05 * 0.059))
    assert (str(check.verdict), f"{most:,.0f} A" in check.note) == ("judgement", True), check.note


# adapter


def test_a_larger_source_meets_the_utility_s_limit_before_the_ratings(tmp_path):
    sheet = altered(tmp_path, ADAPTER, ('output_current = { value = "40 A"', 'output_current = { value = "60 A"'), ("9.6 kW", "14.4 kW"))
    check = sheet.check("adapter-source")
    assert (str(check.verdict), check.provided.value, check.required.value) == ("fail", 60, 48)


READINGS = [  # T9: the rule of the utility chooses; without one the readings must agree
    ("calculated", "pass"),
    ("continuous", "pass"),
    ("breakers", "fail"),
    (None, "judgement"),
]


@pytest.mark.parametrize("rule,expected", READINGS)
def test_the_load_of_the_socket_by_each_reading(tmp_path, rule, expected):
    old = 'socket_overload = { value = "calculated", source = "Tansy Light requirement book, 6.4" }'
    new = "" if rule is None else old.replace("calculated", rule)
    sheet = altered(tmp_path, ADAPTER, local=((old, new),))
    assert verdict(sheet, "adapter-load") == expected
    assert {verdict(sheet, f"adapter-load:{name}") for name in ("calculated", "continuous")} == {"pass"}
    assert verdict(sheet, "adapter-load:breakers") == "fail"


OVERCURRENT = 'overcurrent = { value = "60 A", from = "data-sheet" }'
CONTINUOUS = 'continuous = { value = "200 A", from = "data-sheet" }'
WITHSTAND = 'short_circuit_rating = { value = "10 kA", from = "data-sheet" }'
FACTS = [
    ('shows = "utility-approval"', 'shows = "condition"', "adapter-approval", "needs input"),
    ('model = "AD-C" ', 'model = "AD-D" ', "adapter-approval", "judgement"),
    ('listed_to = ["UL 414"]', "listed_to = []", "adapter-approval", "needs input"),
    ("jaws = { value = 4,", "jaws = { value = 7,", "adapter-socket", "fail"),
    ("positions = { value = 1,", "positions = { value = 2,", "adapter-socket", "fail"),
    ("clear_of_sealed_part = { value = true,", "clear_of_sealed_part = { value = false,", "adapter-socket", "fail"),
    ('shows = "condition", by = "q.v."', 'shows = "limiters", by = "q.v."', "adapter-socket", "needs input"),
    ('meter_side = "load"', 'meter_side = "line"', "adapter-connection", "judgement"),
    ('meter_side = "load"\n', "", "adapter-connection", "needs input"),
    ('service_disconnect = "after"\n', "", "supply-side-capacity", "needs input"),
    (CONTINUOUS, CONTINUOUS.replace("200", "80"), "adapter-load", "fail"),
    (WITHSTAND, WITHSTAND.replace("10", "5"), "interrupting:adapter", "fail"),
    (OVERCURRENT, OVERCURRENT.replace("60", "50"), "disconnect-rating:adapter", "judgement"),
    (OVERCURRENT, OVERCURRENT.replace("60", "40"), "disconnect-rating:adapter", "fail"),
    (OVERCURRENT, 'overcurrent = "none"', "disconnect-rating:storage-inverter", "fail"),
]


@pytest.mark.parametrize("old,new,key,expected", FACTS)
def test_one_fact_of_an_adapter_turns_its_check(tmp_path, old, new, key, expected):
    assert verdict(altered(tmp_path, ADAPTER, (old, new)), key) == expected


def test_local_limits_of_an_adapter(tmp_path):
    old = "adapter_socket_positions = { value = 1,"
    two = ("positions = { value = 1,", "positions = { value = 2,")
    assert verdict(altered(tmp_path, ADAPTER, two, local=((old, old.replace("1", "2")),)), "adapter-socket") == "pass"
    more = 'adapter_load_current = { value = "85 A", source = "book" }\nexport_power'
    sheet = altered(tmp_path, ADAPTER, local=(("export_power", more),))
    assert (verdict(sheet, "adapter-load"), sheet.check("adapter-load").required.value) == ("fail", 85)


NO_FAULT = (
    ('available_fault_current = { value = "6.9 kA", from = "utility", note = "letter of 2026-05-11" }\n', ""),
    ('impedance = { value = "1.9 %", from = "utility" }\n', ""),
)


@pytest.mark.parametrize("figure,expected", [("10 kA", "pass"), ("14 kA", "fail")])
def test_the_utility_s_figure_to_design_for_stands_in_where_nothing_else_is_known(tmp_path, figure, expected):
    old = 'fault_current = { value = "10 kA"'
    sheet = altered(tmp_path, ADAPTER, *NO_FAULT, local=((old, old.replace("10 kA", figure)),))
    assert verdict(sheet, "interrupting:main") == expected
    assert "fault_ll_a:main" not in sheet.results


def test_an_adapter_with_the_service_disconnect_within_is_load_side(tmp_path):
    sheet = altered(tmp_path, ADAPTER, ('service_disconnect = "after"', 'service_disconnect = "within"'))
    assert verdict(sheet, "supply-side-capacity") == "not applicable"
    assert "705.12" in sheet.check("adapter-connection").note


def test_an_islanding_switch_carries_load_and_sources(tmp_path):
    plain = altered(tmp_path, ADAPTER)
    assert "adapter-switch" not in [check.key for check in plain.checks]
    switch = ("islanding_switch = false", "islanding_switch = true")
    check = altered(tmp_path, ADAPTER, switch).check("adapter-switch")
    assert (str(check.verdict), check.provided.value) == ("pass", 200)
    assert check.required.value == pytest.approx((10000 + 0.4 * 4500 + 18 * 240 + 21 * 240) / 240)
    small = ('continuous = { value = "200 A", from = "data-sheet" }', 'continuous = { value = "80 A", from = "data-sheet" }')
    assert verdict(altered(tmp_path, ADAPTER, switch, small), "adapter-switch") == "fail"


def test_charging_from_the_sun_alone_counts_where_there_is_no_array(tmp_path):
    sheet = altered(tmp_path, ADAPTER, ('charges_from = "utility"', 'charges_from = "solar-only"'))
    assert sheet.results["adapter_load_a:calculated"].value == pytest.approx(88.1667, abs=1e-3)


def test_a_changed_service_asks_for_the_evidence_that_its_utility_wants(tmp_path):
    wanted = (("[evidence]\n", '[evidence]\nservice_change = { value = ["utility-consent"], source = "book" }\n'),)
    added = ("neutral_bonded = true\nbreakers", 'neutral_bonded = true\nstatus = "added"\nbreakers')
    key = "local-evidence:service_change:service"
    assert key not in [check.key for check in altered(tmp_path, ADAPTER, local=wanted).checks]
    assert verdict(altered(tmp_path, ADAPTER, added, local=wanted), key) == "needs input"


# fed by an inverter


def test_what_bounds_the_utility_and_an_inverter_together_protects_what_they_feed(tmp_path):
    """A 100 A main at the load end: 60 A ahead and 1.25 x 24 A of the inverter are less, 90 A, and 6 AWG copper (70 A) is too small."""
    near = altered(tmp_path, ARRAY)
    assert (near.check("conductor:backup").provided.value, verdict(near, "conductor:backup")) == (60, "pass")
    far = altered(tmp_path, ARRAY, ('main = { value = "60 A"', 'main = { value = "100 A"'))
    assert far.check("conductor:backup").provided.value == pytest.approx(60 + 1.25 * 24)
    assert verdict(far, "conductor:backup") == "fail"
    assert verdict(far, "neutral:backup") == "fail"


# what a failing bus would pass with


def test_each_remedy_that_is_named_lets_the_bus_pass(tmp_path):
    note = altered(tmp_path, CASCADE).check("bus:main").note
    assert "bottom end" in note
    assert "at most 150 A" in note
    moved = altered(
        tmp_path, CASCADE, ('position = { value = "top", from = "photo", note = "photo 4" }, backfeed', 'position = "bottom", backfeed')
    )
    assert verdict(moved, "bus:main") == "pass"
    smaller = altered(tmp_path, CASCADE, ('main = { value = "200 A"', 'main = { value = "150 A"'))
    assert (verdict(smaller, "bus:main"), smaller.results["bus_rule:main"].value) == ("pass", "sum")
    larger = altered(tmp_path, CASCADE, ('main = { value = "200 A"', 'main = { value = "175 A"'))
    assert verdict(larger, "bus:main") == "fail"


# the utility's desk


@pytest.mark.parametrize("limit,expected", [("9.6 kW", "pass"), ("9.5 kW", "judgement")])
def test_export_above_the_utility_s_limit_opens_a_study(tmp_path, limit, expected):
    sheet = altered(tmp_path, ADAPTER, local=(('export_power = { value = "10 kW"', f'export_power = {{ value = "{limit}"'),))
    assert sheet.results["largest_export_w"].value == pytest.approx(9600)
    assert verdict(sheet, "utility-export") == expected


def test_source_power_and_dip_are_tested_where_the_utility_has_limits(tmp_path):
    more = 'source_power = { value = "9 kW", source = "book" }\nvoltage_change_fraction = { value = "3 %", source = "book" }\nexport_power'
    motor = (
        'current = { value = "18 A", from = "nameplate" }',
        'current = { value = "18 A", from = "nameplate" }, locked_rotor_current = "116 A"',
    )
    sheet = altered(tmp_path, ADAPTER, motor, local=(("export_power", more),))
    assert verdict(sheet, "utility-source-power") == "judgement"
    assert verdict(sheet, "utility-motor-start") == "judgement", "116 A of 115 A"
    dip = sheet.check("utility-voltage-dip")
    assert dip.provided.value == pytest.approx(116 / sheet.results["fault_ll_a:meter"].value)
    assert str(dip.verdict) == "pass"


@pytest.mark.parametrize("year,expected", [("2017", "not applicable"), ("2020", "judgement"), ("2023", "fail"), ("2026", "fail")])
def test_new_service_equipment_asks_for_an_emergency_disconnect_outdoors(tmp_path, year, expected):
    """230.85 from 2020 on; replaced equipment of an existing dwelling is named from 2023 on, 230.85(C)."""
    added = ("neutral_bonded = true\nbreakers", 'neutral_bonded = true\nstatus = "added"\nbreakers')
    sheet = altered(tmp_path, ADAPTER, added, year=year)
    assert verdict(sheet, "emergency-disconnect") == expected
    assert verdict(altered(tmp_path, ADAPTER, year=year), "emergency-disconnect") == "not applicable"
