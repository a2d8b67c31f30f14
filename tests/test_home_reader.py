"""Reading a site file: values in house units, provenance, defaults, overrides, inputs."""

from __future__ import annotations

import datetime
import hashlib
import subprocess
import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.test_home_support import DATA, EXAMPLE, SMALL, edited, faults_of, only_fault, written
from workbook_lib.home import read_home, validate
from workbook_lib.home.leaf import Flag
from workbook_lib.sheet import Input

ROOT = DATA.parent.parent.parent


@pytest.fixture(scope="module")
def home():
    return read_home(EXAMPLE)


def test_the_example_home_reads_clean(home):
    assert validate([EXAMPLE, *sorted((DATA / "jurisdictions").glob("*.toml"))]) == []
    assert (home.edition_year, home.edition_basis) == ("2023", "adopted")
    assert home.jurisdiction.id == "tansy-hollow"
    assert home.utility.id == "tansy-light"


def test_every_table_of_the_example_is_in_the_site(home):
    counts = {name: len(getattr(home.site, name)) for name in ("load", "evse", "vehicle", "raceway", "disconnect", "evidence")}
    assert counts == {"load": 7, "evse": 1, "vehicle": 1, "raceway": 4, "disconnect": 1, "evidence": 1}
    counts = {name: len(getattr(home.site, name)) for name in ("panel", "feeder", "source", "storage", "control", "transfer", "option")}
    assert counts == {"panel": 2, "feeder": 1, "source": 2, "storage": 1, "control": 1, "transfer": 0, "option": 1}
    assert home.site.adapter is None
    assert home.site.records.load.register_.value == "delivered"
    assert home.site.evidence[0].for_ == "limiter"
    assert home.site.option["M1a"].main.value == 175.0


@pytest.mark.parametrize(
    "path,value,unit,text",
    [
        ("panel.main.bus", 200.0, "A", "200 A"),
        ("load.range.rating", 12000.0, "VA", "12 kW"),
        ("load.heat-pump.current", (21.0, 3.0), "A", "21 A, 3 A"),
        ("load.well.motor_power", 0.5, "hp", "0.5 hp"),
        ("service.conductor.size", "4/0", None, "4/0"),
        ("service.transformer.impedance", 0.015, "frac", "1.5 %"),
        ("service.transformer.primary_fault", "infinite", None, "infinite"),
        ("service.available_fault_current", 6900.0, "A", "6.9 kA"),
        ("site.edition", "2023", None, "2023"),
        ("site.latitude", 35.0, "deg", "35.0 deg"),
        ("dwelling.floor_area", 1500.0, "ft^2", "1500 ft^2"),
        ("dwelling.small_appliance_circuits", 2, "count", "2"),
        ("vehicle.0.arrive", 64800.0, "s", "18:00"),
        ("control.limiter.limit.1.setting", 120.0, "A", "120 A"),
        ("source.pv.array.0.azimuth", 180.0, "deg", "180 deg"),
        ("panel.main.breakers.evse-breaker.rating", 60.0, "A", "60 A"),
        ("storage.battery.health_fraction", 0.88, "frac", "0.88"),
        ("records.load.power_factor", 1.0, "frac", "1.0"),
        ("backup.target", 86400.0, "s", "24 h"),
        ("panel.main.connected_to", "service", None, "service"),
    ],
)
def test_a_leaf_is_an_input_in_house_units_under_its_key_path(home, path, value, unit, text):
    found = home.givens[path]
    assert (found.key, found.value, found.unit, found.text) == (path, value, unit, text)
    assert found.meaning


def test_provenance_is_kept(home):
    bus, feed = home.site.panel[0].bus, home.site.panel[0].feed
    assert (bus.origin, bus.note) == ("nameplate", "photo 4")
    assert (feed.value, feed.origin, feed.note) == ("top", "photo", "photo 5")
    assert home.site.panel[0].main.origin == "stated"
    assert home.site.service.available_fault_current.origin == "utility"
    assert home.givens["load.range.status"].origin == "assumed"


def test_names_and_dates_are_plain_and_flags_are_safe_in_a_condition(home):
    assert home.site.site.id == "tansy-12"
    assert home.site.load[0].kind == "range"
    assert home.site.site.permit_date == datetime.date(2026, 3, 2)
    assert home.site.source[0].listed_to == ("UL 1741",)
    flags = [given for given in home.givens.values() if isinstance(given, Flag)]
    assert {bool(flag) for flag in flags} == {True, False}
    assert all(isinstance(flag, Input) and bool(flag) is flag.value for flag in flags)
    assert not home.site.service.hundred_percent_rated


def test_the_site_is_frozen(home):
    with pytest.raises(ValueError, match="frozen"):
        home.site.service.rating = None
    with pytest.raises(TypeError):
        home.site.option["M4"] = None
    with pytest.raises(TypeError):
        home.givens["x"] = None


def test_currents_of_a_load_are_one_input_each(home):
    loads = {load.id: load for load in home.site.load}
    assert [(given.key, given.value, given.unit) for given in loads["heat-pump"].currents] == [
        ("load.heat-pump.current.0", 21.0, "A"),
        ("load.heat-pump.current.1", 3.0, "A"),
    ]
    assert loads["disposer"].currents == (loads["disposer"].current,)
    assert loads["range"].currents == ()


def test_every_default_is_applied_and_printed(home):
    words = {assumption.field: [] for assumption in home.defaults}
    for assumption in home.defaults:
        words[assumption.field].append(assumption.text)
    assert set(words) == {"status", "hold_down", "count", "sets", "neutral", "continuous", "rating"}
    assert words["status"][0].startswith("taken as existing for 13 entries that do not say: range, disposer")
    assert words["rating"] == ["watts of a load are taken as VA, as the code's annex does: range (12 kW), strip-heat (5 kW)"]
    loads = {load.id: load for load in home.site.load}
    assert [bool(loads[name].neutral) for name in ("range", "disposer", "strip-heat", "refrigerator")] == [True, True, False, True]
    assert not loads["range"].continuous
    assert home.site.evse[0].continuous
    assert home.site.storage[0].continuous
    assert all(load.count.value == 1 and load.count.origin == "assumed" for load in loads.values())


def test_what_is_said_is_no_assumption(tmp_path):
    text = SMALL + "load = []\n"
    assert (
        read_home(written(tmp_path, text.replace("[[panel]]\nid", "[[panel]]\nserves = {}\nid").replace("load = []\n", ""))).defaults == ()
    )


def test_a_value_given_as_assumed_is_listed(tmp_path):
    path = edited(
        tmp_path, ('rating = "200 A"                # as', 'rating = { value = "200 A", from = "assumed", note = "unread" } # as')
    )
    listed = [assumption for assumption in read_home(path).defaults if assumption.field == "service.rating"]
    assert [assumption.text for assumption in listed] == ["service rating: 200 A is assumed in the site file (unread)"]
    assert listed[0].given.value == 200.0


def test_the_neutral_follows_the_breaker_where_no_voltage_is_given(tmp_path):
    path = edited(
        tmp_path,
        ('connected_to = "disposer-breaker", current = "8 A", voltage = "120 V"', 'connected_to = "disposer-breaker", current = "8 A"'),
    )
    assert {load.id: load for load in read_home(path).site.load}["disposer"].neutral


@pytest.mark.parametrize(
    "text,written_as",
    [("rating = 12", '"12 VA"'), ('rating = "12"', '"12 VA"')],
)
def test_a_bare_number_is_refused_with_its_unit(tmp_path, text, written_as):
    fault = only_fault(edited(tmp_path, ('rating = "12 kW"', text)))
    assert fault.field == "load.range.rating"
    assert fault.what == "number without a unit"
    assert "VA or W" in fault.limit
    assert written_as in fault.todo


def test_inputs_are_hashed_with_relative_paths(home):
    names = [name for name, _ in home.inputs]
    assert names == [
        *("jurisdictions/tansy-hollow-2025.toml", "jurisdictions/tansy-hollow.toml", "jurisdictions/tansy-light.toml"),
        *("meter.xml", "minutes.csv", "tansy-12.toml", "weather.csv"),
    ]
    for name, digest in home.inputs:
        assert hashlib.sha256((DATA / name).read_bytes()).hexdigest() == digest
    whole = "".join(f"{name} {digest}\n" for name, digest in home.inputs)
    assert home.inputs_sha256 == hashlib.sha256(whole.encode()).hexdigest()


def test_the_hash_moves_with_every_input_and_with_an_override(tmp_path, home):
    path = edited(tmp_path)
    assert read_home(path).inputs_sha256 == home.inputs_sha256
    assert read_home(path, {"study.growth": "20 A"}).inputs_sha256 != home.inputs_sha256
    for name, _ in home.inputs:
        other = path.parent / name
        before = other.read_bytes()
        other.write_bytes(before + b"\n")
        assert read_home(path).inputs_sha256 != home.inputs_sha256, name
        other.write_bytes(before)


def test_an_override_takes_the_place_of_the_files_value():
    changed = {
        "source.pv.output_current": "16 A",
        "panel.main.bus": "225 A",
        "panel.main.breakers.evse-breaker.rating": "50 A",
        "storage.battery.health_fraction": "0.8",
        "dwelling.small_appliance_circuits": "3",
        "service.hundred_percent_rated": "true",
        "site.permit_date": "2026-05-01",
        "dwelling.attached_garage_area": "400 ft^2",
        "backup.tier": None,
        "vehicle.0.response": "10 s",
        "option.M4.rating": "200 A",
        "load.heat-pump.current": ["20 A", "2 A"],
        "panel.backup.bus": {"value": "125 A", "from": "nameplate"},
    }
    del changed["backup.tier"]
    home = read_home(EXAMPLE, changed)
    assert home.site.source[0].output_current.value == 16.0
    bus = home.site.panel[0].bus
    assert (bus.value, bus.origin, bus.note) == (225.0, "stated", 'override; the file says "200 A"')
    assert home.site.panel[0].breakers[3].rating.value == 50.0
    assert home.site.storage[0].health_fraction.value == 0.8
    assert home.site.dwelling.small_appliance_circuits.value == 3
    assert home.site.service.hundred_percent_rated
    assert home.site.site.permit_date == datetime.date(2026, 5, 1)
    assert home.site.dwelling.attached_garage_area.note == "override; the file says nothing"
    assert home.site.option["M4"].rating.value == 200.0
    assert home.site.load[3].current.value == (20.0, 2.0)
    assert home.site.panel[1].bus.origin == "nameplate"
    assert ("source.pv.output_current", "16 A") in home.overrides


@pytest.mark.parametrize(
    "path,near",
    [
        ("source.pv.output_curent", "source.pv.output_current"),
        ("source.pw.output_current", ""),
        ("panel.mian.bus", "panel.main.bus"),
        ("panel.main.buss", "panel.main.bus"),
        ("panel.main", ""),
        ("panel", ""),
        ("nothing.at.all", ""),
        ("", ""),
        ("panel.0.bus", ""),
        ("panel.main.bus.value", ""),
    ],
)
def test_an_override_that_leads_nowhere_is_a_fault(path, near):
    fault = only_fault(EXAMPLE, {path: "1 A"})
    ids = {"source.pw.output_current": 'this home has no source with id "pw"', "panel.0.bus": 'this home has no panel with id "0"'}
    ids["panel.mian.bus"] = 'this home has no panel with id "mian"'
    assert fault.what == ids.get(path, "unknown field in an override")
    assert fault.field == path
    if near:
        assert fault.todo.startswith(f'did you mean "{near}"?')


def test_a_bad_value_in_an_override_is_a_fault_of_its_field_without_a_line():
    fault = only_fault(EXAMPLE, {"source.pv.output_current": "16"})
    assert (fault.field, fault.line) == ("source.pv.output_current", None)
    fault = only_fault(EXAMPLE, {"panel.main.connected_to": "servce"})
    assert fault.todo == 'did you mean "service"?'


def test_only_an_override_may_write_numbers_and_truths_as_text(tmp_path):
    pairs = [("health_fraction = 0.88", 'health_fraction = "0.88"'), ("small_appliance_circuits = 2", 'small_appliance_circuits = "2"')]
    pairs += [("feed_through = false", 'feed_through = "false"'), ("permit_date = 2026-03-02", 'permit_date = "2026-03-02"')]
    assert [fault.field for fault in faults_of(edited(tmp_path, *pairs))] == [
        *("site.permit_date", "dwelling.small_appliance_circuits", "panel.main.feed_through", "storage.battery.health_fraction"),
    ]


@given(st.floats(min_value=100, max_value=10000))
def test_a_floor_area_in_square_metres_is_the_same_area(area_ft2):
    in_feet = read_home(EXAMPLE, {"dwelling.floor_area": f"{area_ft2!r} ft^2"})
    in_metres = read_home(EXAMPLE, {"dwelling.floor_area": f"{area_ft2 * 0.3048**2!r} m^2"})
    assert in_metres.site.dwelling.floor_area.value == pytest.approx(in_feet.site.dwelling.floor_area.value, rel=1e-12)


def test_order_of_tables_does_not_matter(tmp_path, home):
    text = EXAMPLE.read_text(encoding="utf-8")
    load, rest = text.split("evse = [\n", 1)
    load = load.removeprefix("format = 1\n")
    marker = "vehicle = [\n"
    evse, rest = rest.split(marker, 1)
    other = edited(tmp_path)
    other.write_text("format = 1\nevse = [\n" + evse + load + marker + rest, encoding="utf-8")
    assert read_home(other).site == home.site


def test_the_line_voltage_is_asked_for_where_the_system_is_not_given(tmp_path, home):
    from workbook_lib.errors import MissingInput

    assert home.site.service.line_voltage.value == 240.0
    with pytest.raises(MissingInput, match="service.system"):
        _ = read_home(written(tmp_path, SMALL)).site.service.line_voltage


def test_importing_the_room_is_light():
    code = "import sys, workbook_lib.home\nprint(any(name in sys.modules for name in ('pydantic', 'pint', 'tomllib')))"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


def test_reading_the_example_does_not_load_pint():
    code = f"import sys\nfrom workbook_lib.home import read_home\nread_home({str(EXAMPLE)!r})\nprint('pint' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


def copied(folder):
    """The example with its jurisdiction and utility, without amendments and records."""
    for name in ("tansy-12.toml", "jurisdictions/tansy-hollow.toml", "jurisdictions/tansy-light.toml"):
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_bytes((DATA / name).read_bytes())
    return folder / "tansy-12.toml"


def test_named_files_that_are_not_there_are_said_and_do_not_stop_the_home(tmp_path):
    lacking = dict(read_home(copied(tmp_path)).lacking)
    assert lacking["tansy-hollow: adoption.amendments"] == "tansy-hollow-2025.toml"
    assert lacking["records.load.file"] == "meter.xml"


def test_an_amendments_file_without_changes_is_read(tmp_path):
    site = copied(tmp_path)
    text = 'format = 1\nid = "tansy-hollow-2025"\nedition = "2023"\nchange = []\n'
    (tmp_path / "jurisdictions" / "tansy-hollow-2025.toml").write_text(text, encoding="utf-8")
    home = read_home(site)
    assert home.amendments == ()
    assert not [field for field, _ in home.lacking if "amendments" in field]


def test_another_edition_than_the_files_own_is_a_what_if(tmp_path):
    path = written(tmp_path, SMALL)
    assert read_home(path, {"site.edition": "2020"}).edition_basis == "what-if"
    assert read_home(path, {"site.edition": "2023"}).edition_basis == "stated"
