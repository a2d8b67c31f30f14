"""The service load workbook on whole homes: choices, evidence, missing input, controls, panels, units."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from workbook_lib import notebook
from workbook_lib.editions import load
from workbook_lib.home import read_home
from workbook_lib.published.house import tables
from workbook_lib.sheet import Sheet, Verdict
from workbook_lib.workbooks import turning
from workbook_lib.workbooks.other_editions import other_editions
from workbook_lib.workbooks.service_load import study

SITES = Path(__file__).parent.parent / "example_inputs" / "sites"
T1 = {
    # trade case T1: 2,000 ft2, water heater 4,500, range 12,000, dishwasher 1,200, dryer 5,500, heat pump 5,760 VA, charger 9,600 VA
    "method": "optional-dwelling",
    "floor_area": "2000 ft^2",
    "small_appliance_circuits": 2,
    "laundry_circuits": 1,
    "service": "200 A",
    "load": [
        {"id": "heater", "kind": "water-heater", "rating": "4.5 kVA", "voltage": "240 V"},
        {"id": "range", "kind": "range", "rating": "12 kVA", "voltage": "240 V"},
        {"id": "dishwasher", "kind": "dishwasher", "rating": "1.2 kVA", "voltage": "120 V"},
        {"id": "dryer", "kind": "dryer", "rating": "5.5 kVA", "voltage": "240 V"},
        {"id": "heat-pump", "kind": "heat-pump", "current": "24 A", "voltage": "240 V"},
    ],
    "evse": [{"id": "evse-1", "rating": "40 A", "circuit": "50 A", "minimum_current": "6 A", "status": "added"}],
}


def home_of(tmp_path, inputs, year="2023", change=None):
    """A home from published-house inputs, its tables changed by `change(tables)` before writing."""
    import tomlkit

    made = tables(inputs, year)
    if change is not None:
        change(made)
    path = tmp_path / "home.toml"
    path.write_text(tomlkit.dumps(made), encoding="utf-8")
    return read_home(path)


def sheet_of(tmp_path, inputs, year="2023", change=None) -> Sheet:
    """The sheet of such a home under an edition."""
    return study(home_of(tmp_path, inputs, year, change), load(year))


def amperes(sheet: Sheet) -> float:
    return sheet.results["service_load_a"].value


@pytest.mark.parametrize(
    ("year", "expected"), [("2017", 121.17), ("2020", 121.17), ("2023", 121.17), ("2026", 136.83)], ids=["2017", "2020", "2023", "2026"]
)
def test_t1_wrong_edition(tmp_path, year, expected):
    # trade case T1 and RL2, RL3 (derived from 220.82 / 120.82)
    assert amperes(sheet_of(tmp_path, T1, year)) == pytest.approx(expected, abs=0.01)


def test_2026_prints_both_ways_of_the_charging_switch(tmp_path):
    # amendments: for T1 with charging in 2026 print 112.8 A (inside the tier) and 136.8 A (outside)
    sheet = sheet_of(tmp_path, T1, "2026")
    assert sheet.results["reading_a:evse_demand:in-tier:optional_dwelling"].value == pytest.approx(112.83, abs=0.01)
    assert any("120.82" in caution and "unconfirmed" in caution for caution in sheet.cautions)


def test_every_printed_section_follows_the_edition(tmp_path):
    for year, prefix, other in (("2023", "220.", "120."), ("2026", "120.", "220.")):
        locators = [step.source.locator for step in sheet_of(tmp_path, T1, year).steps() if step.source is not None and step.source.edition]
        assert any(locator.startswith(prefix) for locator in locators)
        assert not [locator for locator in locators if locator.startswith(other)]


def test_the_method_is_asked_for(tmp_path):
    sheet = sheet_of(tmp_path, T1, change=lambda made: made["study"].pop("service_load_method"))
    assert sheet.verdict is Verdict.NEEDS_INPUT
    assert sheet.check("service-capacity").fields == ("study.service_load_method",)
    assert sheet.results["optional_dwelling_va"].value == pytest.approx(29080)


def test_missing_nameplates_are_named_all_at_once(tmp_path):
    def lose(made):
        made["load"][0].pop("rating")
        made["load"][3].pop("rating")
        made["dwelling"].pop("floor_area")

    sheet = sheet_of(tmp_path, T1, change=lose)
    assert sheet.verdict is Verdict.NEEDS_INPUT
    assert set(sheet.check("service-capacity").fields) == {"load.heater.rating", "load.dryer.rating", "dwelling.floor_area"}
    assert "service_load_va" not in sheet.results


def test_new_dwelling_may_not_use_the_existing_method(tmp_path):
    sheet = sheet_of(tmp_path, {**T1, "method": "existing-dwelling", "status": "new"})
    assert sheet.check("method-allowed:existing_dwelling").verdict is Verdict.FAIL
    assert sheet.check("method-allowed:standard").counts is False


def test_2026_existing_dwelling_needs_input(tmp_path):
    sheet = sheet_of(tmp_path, {**T1, "method": "existing-dwelling"}, "2026")
    assert sheet.verdict is Verdict.NEEDS_INPUT
    assert "existing_dwelling_va" not in sheet.results
    assert any("120.83" in line for line in sheet.not_checked)


def test_removed_loads_stand_only_before(tmp_path):
    def swap(made):
        made["load"][0]["status"] = "removed"

    sheet = sheet_of(tmp_path, T1, change=swap)
    before, now = sheet.results["service_load_before_va"].value, sheet.results["service_load_va"].value
    assert before == pytest.approx(25240)  # T1 without the charger
    assert now == pytest.approx(29080 - 0.4 * 4500)


CONTROL = {"id": "limiter", "listed_to": ["UL 3141"], "controls": ["evse-1"], "access": "restricted"}


def with_control(**more):
    """T1 on a 100 A service under a control of 80 A at the service."""
    device = {**CONTROL, "limit": [{"at": "service", "way": "import", "setting": "80 A"}], **more}
    return {**T1, "service": "100 A", "load": T1["load"][:4], "control": [device]}


def test_a_listed_restricted_control_stands_for_the_load(tmp_path):
    sheet = sheet_of(tmp_path, {**with_control(), "load": T1["load"][:3]}, "2026")
    assert sheet.check("control-setting:limiter").verdict is Verdict.PASS
    assert sheet.check("control-continuous").verdict is Verdict.PASS  # 1.25 x 80 = 100 A
    assert amperes(sheet) == pytest.approx(80.0)
    assert sheet.results["no_control_va"].value / 240 > 80
    assert sheet.results["always_on_va"].value < 80 * 240


def test_a_limit_at_the_main_panel_is_a_limit_of_the_service(tmp_path):
    device = {**CONTROL, "limit": [{"at": "main", "way": "import", "setting": "80 A"}]}
    sheet = sheet_of(tmp_path, {**with_control(), "load": T1["load"][:3], "control": [device]}, "2026")
    assert amperes(sheet) == pytest.approx(80.0)


def test_a_limit_without_a_setting_needs_input_and_a_removed_control_is_left_out(tmp_path):
    empty = {**CONTROL, "limit": [{"at": "service", "way": "import"}]}
    sheet = sheet_of(tmp_path, {**with_control(), "control": [empty]}, "2026")
    assert sheet.check("control-setting:limiter").verdict is Verdict.NEEDS_INPUT
    gone = with_control(status="removed")
    assert "control-setting:limiter" not in {check.key for check in sheet_of(tmp_path, gone, "2026").checks}


@pytest.mark.parametrize(
    "breaker, passed, limit, named",
    [
        (30, "60 A", 30, "upstream device"),
        (60, "60 A", 60, "pass through"),
        (60, "40 A", 40, "pass through"),
        (50, None, 50, "upstream device"),
    ],
)
def test_a_panel_behind_an_inverter_stays_within_its_pass_through_and_the_breaker_ahead_of_it(tmp_path, breaker, passed, limit, named):
    """All that the panel takes from the service comes through both (common practice: the least rating in series limits)."""

    def behind(made):
        made["panel"][0]["breakers"].append({"id": "inverter-breaker", "rating": f"{breaker} A", "poles": 2})
        made["source"] = [{"id": "inverter", "kind": "multimode-inverter", "connected_to": "inverter-breaker", "output_current": "24 A"}]
        made["source"][0] |= {"charges_from": "utility", "input_current": "20 A"}
        made["source"][0] |= {"pass_through_current": passed} if passed else {}
        row = {"id": "backup", "kind": "panelboard", "connected_to": "inverter", "bus": "125 A", "main": "none"}
        serves = {"floor_area": "0 ft^2", "small_appliance_circuits": 0, "laundry_circuits": 0}
        made["panel"].append({**row, "serves": serves, "breakers": [{"id": "heater-breaker", "rating": "30 A", "poles": 2}]})
        made["load"][0]["connected_to"] = "heater-breaker"

    check = sheet_of(tmp_path, T1, change=behind).check("panel-load:backup")
    assert check.required.value == limit
    assert check.required.note == f"set by its {named}"
    assert check.provided.value == pytest.approx(4500 / 240)


def test_a_removed_panel_is_left_out(tmp_path):
    def replace_panel(made):
        old = {"id": "old", "kind": "panelboard", "connected_to": "service", "bus": "100 A", "main": "100 A", "status": "removed"}
        made["panel"].append(old)

    sheet = sheet_of(tmp_path, T1, change=replace_panel)
    assert "panel-load:old" not in {check.key for check in sheet.checks}
    assert sheet.results["service_limited_by"].value == "rating"


@pytest.mark.parametrize(
    ("more", "year"),
    [({"listed_to": []}, "2026"), ({"access": "user"}, "2026"), ({}, "2017"), ({"listed_to": ["UL 916"]}, "2026")],
    ids=["not listed", "app slider", "no rule in 2017", "not a power control system"],
)
def test_t13_no_credit(tmp_path, more, year):
    sheet = sheet_of(tmp_path, {**with_control(**more), "service": "80 A"}, year)
    assert sheet.check("control-setting:limiter").verdict in (Verdict.FAIL, Verdict.JUDGEMENT)
    assert amperes(sheet) == pytest.approx(sheet.results["no_control_va"].value / 240)


def test_a_control_that_cannot_shed_enough_fails(tmp_path):
    device = {**CONTROL, "limit": [{"at": "service", "way": "import", "setting": "40 A"}]}
    sheet = sheet_of(tmp_path, {**with_control(), "control": [device], "service": "60 A"}, "2026")
    assert sheet.check("control-setting:limiter").verdict is Verdict.FAIL
    assert sheet.verdict is Verdict.FAIL


def test_app_slider_setting_is_refused_and_a_restricted_one_counts(tmp_path):
    def setting(access):
        return {**T1, "evse": [{**T1["evse"][0], "setting": "32 A", "setting_access": access}]}

    assert sheet_of(tmp_path, setting("user")).results["code_load_va:evse-1"].value == 9600
    assert sheet_of(tmp_path, setting("restricted")).results["code_load_va:evse-1"].value == 7680
    assert sheet_of(tmp_path, setting("restricted"), "2017").results["code_load_va:evse-1"].value == 9600


def test_unknown_nameplate_is_7200_va_only_in_2026(tmp_path):
    def lose(made):
        made["evse"][0].pop("rating")

    assert sheet_of(tmp_path, T1, "2026", lose).results["code_load_va:evse-1"].value == 7200
    for year in ("2017", "2020", "2023"):
        sheet = sheet_of(tmp_path, T1, year, lose)
        assert sheet.verdict is Verdict.NEEDS_INPUT
        assert sheet.check("service-capacity").fields == ("evse.evse-1.rating",)


def test_watts_and_metres_give_the_same_home(tmp_path):
    def metric(made):
        made["dwelling"]["floor_area"] = "185.806080 m^2"
        made["load"][0]["rating"] = "4500 VA"
        made["load"][1]["rating"] = "0.012 MVA"
        made["raceway"][0]["ambient"] = "86 degF"

    plain, converted = sheet_of(tmp_path, T1), sheet_of(tmp_path, T1, change=metric)
    for key, result in plain.results.items():
        if isinstance(result.value, float):
            assert converted.results[key].value == pytest.approx(result.value, rel=1e-9), key


def test_loads_in_any_order_give_the_same_home(tmp_path):
    plain = sheet_of(tmp_path, T1)
    turned = sheet_of(tmp_path, {**T1, "load": T1["load"][::-1]})
    assert {key: result.value for key, result in plain.results.items()} == pytest.approx(
        {key: result.value for key, result in turned.results.items()}
    )


def test_authority_decision_turns_the_judgement_it_names(tmp_path):
    def decide(made):
        made["evidence"] = [
            {"for": "field-verified", "shows": "authority-decision", "by": "the town's reviewer", "document": "letter.pdf", "date": "@"}
        ]
        import datetime

        made["evidence"][0]["date"] = datetime.date(2026, 3, 1)

    assert sheet_of(tmp_path, T1).check("field-verified").verdict is Verdict.JUDGEMENT
    decided = sheet_of(tmp_path, T1, change=decide).check("field-verified")
    assert decided.verdict is Verdict.PASS
    assert "reviewer" in decided.note
    assert "letter.pdf" in decided.note
    assert "2026-03-01" in decided.note


def test_independent_check(tmp_path):
    def same(made):
        made["site"]["checker"] = " Printed"

    def nobody(made):
        made["site"]["checker"] = ""

    assert sheet_of(tmp_path, T1, change=same).check("independent-check").verdict is Verdict.FAIL
    unchecked = sheet_of(tmp_path, T1, change=nobody).check("independent-check")
    assert unchecked.verdict is Verdict.JUDGEMENT
    assert not unchecked.counts
    assert sheet_of(tmp_path, T1).check("independent-check").verdict is Verdict.PASS


def test_the_83_percent_rule_fails_one_size_below(tmp_path):
    # 310.12: 200 A wants 166 A; 2/0 Cu has 175 A, 1/0 Cu 150 A at 75 degC
    good = sheet_of(tmp_path, {**T1, "conductor": {"size": "2/0"}})
    small = sheet_of(tmp_path, {**T1, "conductor": {"size": "1/0"}})
    assert good.check("service-conductor").verdict is Verdict.PASS
    assert small.check("service-conductor").verdict is Verdict.FAIL
    assert small.results["smallest_service_conductor"].value == "2/0"


def test_the_neutral_is_not_below_the_least_grounded_conductor(tmp_path):
    # 250.102(C)(1): 4/0 Cu ungrounded, at least 2 AWG Cu; in parallel sets at least 1/0 each (from memory)
    def neutral(size, sets=1):
        return sheet_of(tmp_path, {**T1, "conductor": {"size": "4/0", "neutral": size, "sets": sets}}).check("service-neutral")

    assert neutral("2").verdict is Verdict.PASS
    assert neutral("4").verdict is Verdict.FAIL
    assert neutral("4").unit == "cmil"
    assert neutral("1/0", 2).verdict is Verdict.PASS
    assert neutral("2", 2).verdict is Verdict.FAIL


def test_a_voltage_that_is_not_stated_is_an_assumption_on_the_safe_side(tmp_path):
    def lose(made):
        for row in made["load"]:
            if "rating" in row:
                row.pop("voltage")

    plain, without = sheet_of(tmp_path, T1), sheet_of(tmp_path, T1, change=lose)
    assert without.results["neutral_load_va"].value >= plain.results["neutral_load_va"].value - 1e-6
    assumption = next(item.text for item in without.assumptions if item.field == "load.*.voltage")
    assert "heater" in assumption
    assert assumption.endswith("taken to use the neutral: range, dishwasher, dryer")


def test_a_service_without_a_neutral_fails(tmp_path):
    check = sheet_of(tmp_path, {**T1, "conductor": {"neutral": "none"}}).check("service-neutral")
    assert check.verdict is Verdict.FAIL


def test_optional_method_on_a_100_a_service_by_the_83_percent_rule_is_a_judgement(tmp_path):
    sheet = sheet_of(tmp_path, {**T1, "service": "100 A", "conductor": {"size": "4", "neutral": "4"}})
    check = sheet.check("method-allowed:optional_dwelling")
    assert check.verdict is Verdict.JUDGEMENT
    assert check.counts
    assert check.closes
    assert check.decides


def test_largest_charger_is_the_last_that_passes(tmp_path):
    sheet = sheet_of(tmp_path, {**T1, "service": "125 A"})
    largest = sheet.results["largest_evse_a"].value
    fits = sheet_of(tmp_path, {**T1, "service": "125 A", "evse": [{**T1["evse"][0], "rating": f"{largest:g} A", "circuit": "100 A"}]})
    assert fits.check("service-capacity").verdict is Verdict.PASS
    larger = {40: 48, 48: 56, 56: 64}[int(largest)]
    over = sheet_of(tmp_path, {**T1, "service": "125 A", "evse": [{**T1["evse"][0], "rating": f"{larger} A", "circuit": "100 A"}]})
    assert over.check("service-capacity").verdict is not Verdict.PASS


def test_a_charger_too_large_for_its_breaker_is_cautioned(tmp_path):
    # 625.41: 125 % of 64 A is 80 A, more than a 60 A breaker
    large = {**T1, "evse": [{**T1["evse"][0], "rating": "64 A", "circuit": "60 A"}]}
    assert any("80 A, more than its 60 A breaker" in caution for caution in sheet_of(tmp_path, large).cautions)
    assert not any("breaker" in caution and "evse-1" in caution for caution in sheet_of(tmp_path, T1).cautions)


def test_a_panel_of_unknown_limit_leaves_the_largest_charger_open(tmp_path):
    def behind(made):
        made["panel"].append({"id": "garage", "kind": "panelboard", "connected_to": "garage-breaker", "bus": "100 A"})
        made["panel"][0]["breakers"].append({"id": "garage-breaker", "rating": "60 A", "poles": 2})
        made["evse"][0]["connected_to"] = "garage"

    sheet = sheet_of(tmp_path, T1, change=behind)
    assert "largest_evse_a" not in sheet.results
    assert any("panel.garage.main" in line for line in sheet.not_checked)


def test_no_charger_fits_is_said_and_not_zero(tmp_path):
    sheet = sheet_of(tmp_path, {**T1, "service": "60 A"})
    assert "largest_evse_a" not in sheet.results
    assert any(line.startswith("largest_evse_a:") for line in sheet.not_checked)


def test_other_editions_name_the_rules_and_add_up(tmp_path):
    home = home_of(tmp_path, T1)
    loads, moves = other_editions(home, load("2023"))
    by_year = {row[0]: row[2] for row in loads.table.rows}
    total = sum(row[5] for row in moves.table.rows if (row[0], row[1]) == ("2023", "2026"))
    assert by_year["2026"] - by_year["2023"] == pytest.approx(total, abs=1e-6)
    assert any("unit load" in row[2] for row in moves.table.rows)


def test_assumed_input_shows_where_the_verdict_turns(tmp_path):
    def assume(made):
        made["dwelling"]["floor_area"] = {"value": "2000 ft^2", "from": "assumed"}
        for name in ("bus", "main"):
            made["panel"][0][name] = {"value": "125 A", "from": "photo"}
        for name in ("size", "material", "insulation"):
            made["service"]["conductor"][name] = {"value": made["service"]["conductor"][name], "from": "photo"}
        made["site"]["edition"] = "2023"

    home = home_of(tmp_path, {**T1, "service": "125 A"}, change=assume)
    sheet = study(home, load("2023"))
    section = turning.turning_values(home, load("2023"), study, sheet)
    row = next(row for row in section.table.rows if row[0] == "dwelling.floor_area")
    # it fails above 125.5 A, which whole amperes no longer save: 30,120 VA; (30,120 - 29,080) / 0.4 / 3 = 866.7 ft2 more than 2,000
    assert row[3] == "2,867 ft^2"


@settings(max_examples=25, deadline=None)
@given(st.integers(60, 400), st.integers(500, 5000))
def test_every_number_traces_to_inputs(tmp_path_factory, rating, area):
    sheet = sheet_of(tmp_path_factory.mktemp("home"), {**T1, "service": f"{rating} A", "floor_area": f"{area} ft^2"})
    keys = [step.key for step in sheet.steps()]
    assert len(keys) == len(set(keys)), sorted(key for key in keys if keys.count(key) > 1)
    traced = {item.key for item in sheet.inputs()}
    assert {"dwelling.floor_area", "load.range.rating", "evse.evse-1.rating", "service.rating", "panel.main.bus"} <= traced
    assert {f"service.conductor.{name}" for name in ("size", "material", "insulation", "terminals", "neutral")} <= traced
    assert "raceway.riser.ambient" in traced


def test_a_raceway_close_above_a_roof_is_hotter(tmp_path):
    def roof(height, insulation="THWN-2"):
        def change(made):
            made["raceway"][0]["above_roof"] = height

        inputs = {**T1, "conductor": {"size": "4/0", "insulation": insulation}}
        return sheet_of(tmp_path, inputs, change=change).results["service_conductor_ampacity_a"].value

    # 30 + 33 = 63 degC: 4/0 Cu 90 degC column 260 A x 0.65 = 169 A (table values of checks D1 and D2; the adder from memory)
    assert roof("0.5 in") == pytest.approx(169.0)
    assert roof("2 in") == roof("none") == pytest.approx(230.0)
    assert roof("0.5 in", "XHHW-2") == pytest.approx(230.0)


# protection of the service


def example_sheet(workbook: str, **given: str) -> Sheet:
    """A workbook's sheet of an example home with some fields set, by key path with `__` for a dot."""
    home = read_home(SITES / "array-and-storage-200a.toml", {key.replace("__", "."): text for key, text in given.items()})
    return notebook.sheet_of(home, workbook)


@pytest.mark.parametrize("workbook", ["service_load", "backfeed_and_tap"])
def test_service_conductors_answer_for_the_main_where_it_is_above_the_service(workbook):
    # 230.90(A): the conductors are protected at their ampacity. 2 AWG Cu has 115 A at 75 degC (Table 310.16), enough for a 100 A
    # service at 83 % (310.12), not for the 200 A main that protects it: 166 A
    assert (
        example_sheet(workbook, service__rating="100 A", service__conductor__size="2", panel__main__main="100 A")
        .check("service-conductor")
        .verdict
        is Verdict.PASS
    )
    check = example_sheet(workbook, service__rating="100 A", service__conductor__size="2").check("service-conductor")
    assert (check.verdict, check.required.value) == (Verdict.FAIL, 166.0)
    assert check.note == "protected by main (200 A), above the 100 A of the service"
    assert check.question == "are the service conductors large enough for the device that protects them?"


def test_a_main_above_the_service_is_looked_at_again():
    check = example_sheet("service_load", service__rating="100 A").check("service-main")
    assert (check.verdict, check.provided.value, check.required.value) == (Verdict.JUDGEMENT, 200.0, 100.0)
    assert "service-main" not in [check.key for check in example_sheet("service_load").checks]


def test_all_breakers_are_not_listed_where_a_load_hangs_on_the_bus_without_one():
    # 705.12(B), sum of all breakers: a breaker that is not named would be missing in the sum
    listed = example_sheet("backfeed_and_tap", panel__main__breakers_listed="all", load__range__connected_to="main")
    check = listed.check("bus-breakers:main")
    assert (check.verdict, check.fields) == (Verdict.NEEDS_INPUT, ("panel.main.breakers",))
    assert check.note == "all breakers are said to be listed; on the bus without one: range"
    whole = example_sheet("backfeed_and_tap", panel__main__breakers_listed="all")
    assert whole.check("bus-breakers:main").verdict is not Verdict.NEEDS_INPUT


def test_what_a_bus_rule_rests_on_is_to_be_seen_on_the_equipment():
    # common practice: the sum of breakers rests on a whole list, the 120 % rule on where the bus is fed; the sum rule on neither
    stated = {"panel__main__breakers_listed": "all", "panel__main__feed": "top"}
    rest = {"panel__main__bus": "400 A", "panel__main__bus_rule": "breakers"}
    by_sum = example_sheet("backfeed_and_tap", **stated, **rest).check("field-verified")
    assert "panel.main.breakers_listed" in by_sum.fields
    assert "panel.main.feed" not in by_sum.fields
    by_place = example_sheet("backfeed_and_tap", **stated).check("field-verified")
    assert "panel.main.feed" in by_place.fields
    assert "panel.main.breakers_listed" not in by_place.fields
