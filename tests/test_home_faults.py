"""What a site file is refused for: every fault at once, each with its field, line and what to do."""

from __future__ import annotations

import pytest

from tests.test_home_support import DATA, EXAMPLE, SMALL, edited, faults_of, only_fault, written
from workbook_lib.home import read_home, validate


def test_a_file_with_ten_different_faults_gets_ten_clear_lines():
    faults = faults_of(DATA / "ten-faults.toml")
    assert [(fault.line, fault.field, fault.what) for fault in faults] == [
        (4, "load.range.kind", "unknown value"),
        (5, "load.dryer.connected_to", "names something unknown"),
        (6, "load.disposer.connected_to", "a 120 V load on a two-pole breaker"),
        (9, "evse.evse-1.setting", "set above its rating"),
        (13, "site.id", "not an id"),
        (17, "dwelling.floor_area", "digits are separated"),
        (22, "service.rating", "number without a unit"),
        (23, "service.utility_limt", "unknown field"),
        (26, "service.transformer.rating", "real power where apparent power is wanted"),
        (32, "panel.main.bus", "outside its limits"),
    ]
    todo = [fault.todo for fault in faults]
    assert todo[0] == 'did you mean "range"?'
    assert todo[1] == 'did you mean "dryer-breaker"?'
    assert todo[4] == 'write it as "ten-faults"'
    assert '"1500 ft^2"' in todo[5]
    assert '"200 A"' in todo[6]
    assert todo[7] == 'did you mean "utility_limit"?'
    assert str(faults[6]).startswith(f"{DATA.as_posix()}/ten-faults.toml:22: service.rating: number without a unit; found 200; accepted: ")


SINGLE = {
    "unknown table": (("[dwelling]", "[dweling]\n"), "dweling", "unknown table", '"dwelling"'),
    "unknown field": (("spaces = 40", "space = 40"), "panel.main.space", "unknown field", '"spaces"'),
    "misspelt rows": (("[[control]]", "[[controls]]"), "controls", "unknown table", '"control"'),
    "unknown key beside a value": (
        ('from = "nameplate", note = "photo 4"', 'from = "nameplate", notes = "photo 4"'),
        "panel.main.bus",
        'unknown key "notes" beside a value',
        '"note"',
    ),
    "unknown origin": (('from = "nameplate", note', 'from = "name-plate", note'), "panel.main.bus", "unknown origin", '"nameplate"'),
    "no value": (('bus = { value = "200 A", ', "bus = { "), "panel.main.bus", "has no value", "add the value"),
    "unknown choice": (('entry = "overhead"', 'entry = "overhed"'), "service.entry", "unknown value", '"overhead"'),
    "wrong spelling of a choice": (('feed = { value = "top"', 'feed = { value = "Top"'), "panel.main.feed", "unknown value", '"top"'),
    "missing": (('id = "pv"\nkind = "pv-inverter"', 'id = "pv"'), "source.pv.kind", "missing: kind of source", "add kind"),
    "wrong dimension": (('length = "60 ft"', 'length = "60 A"'), "service.conductor.length", "current where length is wanted", '"60 ft"'),
    "above a limit": (('tilt = "25 deg"', 'tilt = "95 deg"'), "source.pv.array.0.tilt", "outside its limits", "correct it"),
    "fraction above one": (
        ("loss_fraction = 0.14", "loss_fraction = 14"),
        "source.pv.array.0.loss_fraction",
        "outside its limits",
        "correct",
    ),
    "negative": (('dead_band = "2 A"', 'dead_band = "-2 A"'), "control.limiter.dead_band", "outside its limits", "correct it"),
    "not a number": (('latitude = "35.0 deg"', "latitude = nan"), "site.latitude", "number without a unit", "write it"),
    "terminals": (
        ('grounding = "10", length = "30 ft", terminals = "75 degC"', 'length = "30 ft", terminals = "70 degC"'),
        "source.pv.conductor.terminals",
        "outside its limits",
        "correct it",
    ),
    "size as a number": (('size = "10", material', "size = 10, material"), "source.pv.conductor.size", "not a text", '"10"'),
    "size that is none": (('size = "10", material', 'size = "5", material'), "source.pv.conductor.size", "unknown value", "write"),
    "count with a unit": (("spaces = 40", 'spaces = "40"'), "panel.main.spaces", "not a whole number", "without quotes"),
    "count that is no whole number": (("jaws = 4,", "jaws = 4.5,"), "service.meter_socket.jaws", "not a whole number", "without quotes"),
    "yes and no": (("occupied = true", 'occupied = "yes"'), "records.occupied", "neither true nor false", "true or false"),
    "date as text": (("need_by = 2026-09-01", 'need_by = "2026-09-01"'), "study.need_by", "not a date", "without quotes"),
    "clock time": (('arrive = "18:00"', 'arrive = "6 pm"'), "vehicle.0.arrive", "not a clock time", '"18:00"'),
    "clock time not as text": (('arrive = "18:00"', "arrive = 18:00:00"), "vehicle.0.arrive", "not a clock time", '"18:00"'),
    "time zone": (('"America/Denver"', '"America/Denvr"'), "site.time_zone", "unknown time zone", '"America/Denver"'),
    "path upwards": (('file = "minutes.csv"', 'file = "../minutes.csv"'), "records.fast_load.file", "path leaves the input folder", "copy"),
    "absolute path": (
        ('document = "evidence/cover.jpg"', 'document = "/evidence/cover.jpg"'),
        "evidence.0.document",
        "not a relative path",
        "put",
    ),
    "path of another system": (
        ('data_sheet = "sheets/pv-a.pdf"', "data_sheet = 'c:\\sheets\\a.pdf'"),
        "source.pv.data_sheet",
        "not a relative path",
        "put",
    ),
    "other service": (
        ('system = "120/240 V 1-phase 3-wire"', 'system = "120/208 V 1-phase 3-wire"'),
        "service.system",
        "only 120/240 V",
        "limits of use",
    ),
    "current transformer": (
        ('form = "self-contained"', 'form = "current-transformer"'),
        "service.meter_socket.form",
        "not covered",
        "limits of use",
    ),
    "generator": (('kind = "pv-inverter"', 'kind = "generator"'), "source.pv.kind", "generators are not covered", "limits of use"),
    "vehicle export": (
        ('id = "evse-1",', 'id = "evse-1", export = true,'),
        "evse.evse-1.export",
        "vehicle export is not covered",
        "limits of use",
    ),
    "table for a value": (('revision = "A"', "revision = { a = 1 }"), "site.revision", "table where one value is wanted", "write"),
    "value for a table": (
        ("island = { form", 'island = "yes" # { form'),
        "source.battery-inverter.island",
        "a value where a table is wanted",
        "table",
    ),
    "one bad current of two": (('["21 A", "3 A"]', '["21 A", "3"]'), "load.heat-pump.current", "number without a unit", '"3 A"'),
    "names a thing twice": (
        ('controls = ["battery-inverter", "evse-1", "well"]', 'controls = ["well", "well"]'),
        "control.limiter.controls",
        "twice",
        "once",
    ),
    "id with a dot": (('evse = [\n  { id = "evse-1",', 'evse = [\n  { id = "evse.1",'), None, None, None),
    "reserved id": (('{ id = "old-ac"', '{ id = "service"'), "load.service.id", "the name of a place", "choose another id"),
    "unknown option": (("[option.M1a]", "[option.M1b]"), "option.M1b", "unknown option", '"M1"'),
    "adapter that is not there": (
        ('connected_to = "pv-breaker"', 'connected_to = "adapter"'),
        "source.pv.connected_to",
        "names the adapter",
        "add [adapter]",
    ),
    "source on a panel": (
        ('connected_to = "pv-breaker"', 'connected_to = "backup"'),
        "source.pv.connected_to",
        "names a panel",
        "backup:lugs",
    ),
    "connected to a load": (
        ('connected_to = "pv-breaker"', 'connected_to = "range"'),
        "source.pv.connected_to",
        "names a load",
        "name something",
    ),
    "unknown charger": (('{ evse = "evse-1",', '{ evse = "evse-2",'), "vehicle.0.evse", "names something unknown", '"evse-1"'),
    "unknown inverter": (
        ('inverter = "battery-inverter"', 'inverter = "batery-inverter"'),
        "storage.battery.inverter",
        "unknown",
        '"battery-inverter"',
    ),
    "storage behind an array": (
        ('inverter = "battery-inverter"', 'inverter = "pv"'),
        "storage.battery.inverter",
        "storage behind a pv-inverter",
        "name",
    ),
    "unknown raceway": (('raceway = "riser" }', 'raceway = "risr" }'), "service.conductor.raceway", "names something unknown", '"riser"'),
    "unknown controlled thing": (
        ('"battery-inverter", "evse-1", "well"]', '"battery-inverter", "evse-1", "wel"]'),
        "control.limiter.controls",
        "unknown",
        '"well"',
    ),
    "limit at an unknown place": (
        ('{ at = "battery-breaker"', '{ at = "batery-breaker"'),
        "control.limiter.limit.0.at",
        "unknown",
        '"battery-breaker"',
    ),
    "evidence of nothing": (('{ for = "limiter"', '{ for = "limitr"'), "evidence.0.for", "names something unknown", '"limiter"'),
    "shed by nothing": (('shed_by = "limiter"', 'shed_by = "limit"'), "load.well.shed_by", "names something unknown", '"limiter"'),
    "missing load in the record": (
        ("seasonal_missing = []", 'seasonal_missing = ["spa"]'),
        "records.seasonal_missing",
        "unknown",
        "name a load",
    ),
    "islanding by an array": (
        ('islanding = "battery-inverter"', 'islanding = "pv"'),
        "backup.islanding",
        "cannot island",
        "name the islanding",
    ),
    "240 V on one pole": (
        ('rating = "50 A", poles = 2', 'rating = "50 A", poles = 1'),
        "load.range.connected_to",
        "single-pole breaker",
        "correct",
    ),
    "leg of two poles": (
        ('rating = "50 A", poles = 2', 'rating = "50 A", poles = 2, leg = "A"'),
        "panel.main.breakers.range-breaker.leg",
        "both legs",
        "remove",
    ),
    "leg of a 240 V load": (('id = "range", kind', 'id = "range", leg = "A", kind'), "load.range.leg", "both legs", "remove leg"),
    "too few spaces": (("spaces = 40", "spaces = 8"), "panel.main.spaces", "more spaces than there are", "tandem"),
    "charger set above its rating": (
        ('fallback_current = "6 A"', 'setting = "60 A"'),
        "evse.evse-1.setting",
        "set above its rating",
        "correct setting",
    ),
    "lugs that are not there": (
        ('connected_to = "battery-breaker"', 'connected_to = "main:lugs"'),
        "feeder.battery-feeder.connected_to",
        "lugs",
        "feed_through",
    ),
    "below something removed": (
        (
            'rating = "60 A", poles = 2, position = "middle", status = "added" },\n  { id = "evse',
            'rating = "60 A", poles = 2, status = "removed" },\n  { id = "evse',
        ),
        None,
        None,
        None,
    ),
}


@pytest.mark.parametrize("name", [name for name, case in SINGLE.items() if case[1]])
def test_one_wrong_thing_is_one_fault(tmp_path, name):
    pair, field, what, todo = SINGLE[name]
    fault = only_fault(edited(tmp_path, pair))
    assert fault.field == field
    assert what in fault.what
    assert todo in fault.todo
    assert fault.line


def test_a_bad_id_is_one_fault_and_not_one_more_for_each_thing_that_names_it(tmp_path):
    fault = only_fault(edited(tmp_path, ('id = "main"\nkind', 'id = "Main"\nkind'), ('connected_to = "main"', 'connected_to = "Main"')))
    assert (fault.field, fault.todo) == ("panel.0.id", 'write it as "main"')
    fault = only_fault(edited(tmp_path / "dot", ('id = "pv"\n', 'id = "pv.1"\n')))
    assert (fault.field, fault.todo) == ("source.0.id", 'write it as "pv-1"')


def test_what_stays_below_something_removed_is_named(tmp_path):
    pair, *_ = SINGLE["below something removed"]
    faults = faults_of(edited(tmp_path, pair))
    assert [fault.field for fault in faults] == ["load.heat-pump.connected_to", "load.strip-heat.connected_to"]
    assert all("removed" in fault.what for fault in faults)


def test_one_id_twice_names_both_places(tmp_path):
    fault = only_fault(edited(tmp_path, ('{ id = "old-ac"', '{ id = "disposer"')))
    assert fault.field == "load.2.id"
    assert fault.what == 'the id "disposer" is used twice: load.disposer in line 4 and load.2 in line 5'
    across = only_fault(
        edited(tmp_path / "other", ('id = "riser", kind', 'id = "storage-off", kind'), ('raceway = "riser"', 'raceway = "storage-off"'))
    )
    assert across.what == 'the id "storage-off" is used twice: raceway.storage-off in line 23 and disconnect.0 in line 29'


def test_one_id_twice_hides_no_fault_of_the_second(tmp_path):
    faults = faults_of(edited(tmp_path, ('{ id = "old-ac"', '{ id = "disposer"'), ('current = "18 A"', 'current = "18"')))
    assert [fault.field for fault in faults] == ["load.2.current", "load.2.id"]


def test_a_cycle_is_printed_as_a_chain(tmp_path):
    fault = only_fault(edited(tmp_path, ('connected_to = "battery-breaker"', 'connected_to = "kitchen-breaker"')))
    assert fault.what == "backup hangs below itself"
    assert fault.value == "backup -> battery-inverter -> battery-feeder -> kitchen-breaker -> backup"
    assert fault.field == "panel.backup.connected_to"
    fault = only_fault(
        edited(
            tmp_path / "self",
            ('connected_to = "service"\nbus', 'connected_to = "main:lugs"\nbus'),
            ("feed_through = false", "feed_through = true"),
        )
    )
    assert fault.value == "main -> main:lugs -> main"


def test_two_cycles_are_two_faults(tmp_path):
    text = SMALL
    for first, second in (("a", "b"), ("c", "d")):
        for one, other in ((first, second), (second, first)):
            text += f'[[feeder]]\nid = "{one}"\nconnected_to = "{other}"\n'
    assert [fault.value for fault in faults_of(written(tmp_path, text))] == ["a -> b -> a", "c -> d -> c"]


def test_references_are_checked_although_other_parts_are_faulty(tmp_path):
    faults = faults_of(
        edited(tmp_path, ('rating = "200 A"', "rating = 200"), ('connected_to = "evse-breaker"', 'connected_to = "evse-braker"'))
    )
    assert [fault.field for fault in faults] == ["evse.evse-1.connected_to", "service.rating"]


def test_faults_of_the_local_files_come_with_those_of_the_site(tmp_path):
    path = edited(tmp_path, ('rating = "200 A"', "rating = 200"))
    local = path.parent / "jurisdictions" / "tansy-hollow.toml"
    local.write_text(local.read_text().replace("service_load_fraction", "service_load_fracton"))
    faults = faults_of(path)
    assert [(fault.file.rpartition("/")[2], fault.field) for fault in faults] == [
        ("tansy-12.toml", "service.rating"),
        ("tansy-hollow.toml", "rule.service_load_fracton"),
    ]


@pytest.mark.parametrize(
    "pair",
    [
        ('main = "200 A"', 'main = "400 A"'),
        ('rating = "200 A"                #', 'rating = "125 A" #'),
        ('checker = ""', 'checker = "initials"'),
        ('main = "200 A"                  # "none"', 'main = "none" #'),
        (
            'poles = 1, leg = "A", position = "middle", multiwire = false },\n  { id = "heat',
            'poles = 2, multiwire = true },\n  { id = "heat',
        ),
        ("spaces = 40", "spaces = 10"),
        ('data_sheet = "sheets/pv-a.pdf"', 'data_sheet = "sheets/not-there.pdf"'),
        ('kind = "panelboard" ', 'kind = "split-bus" '),
        ('rating = "12 kW"', 'rating = { value = "12 kW", from = "assumed" }'),
        ('{ for = "limiter", shows = "access-restricted"', '{ for = "method-allowed:measured", shows = "authority-decision"'),
        ('connected_to = "service"\nbus', 'connected_to = "supply-side"\nbus'),
    ],
)
def test_what_is_a_matter_of_rules_or_judgement_is_no_fault(tmp_path, pair):
    read_home(edited(tmp_path, pair))


def test_tandem_breakers_take_half_a_space(tmp_path):
    text = SMALL + 'spaces = 1\nbreakers = [\n  { id = "a", rating = "15 A", poles = 1 },\n  { id = "b", rating = "15 A", poles = 1 },\n]\n'
    assert only_fault(written(tmp_path, text)).field == "panel.main.spaces"
    read_home(written(tmp_path, text.replace("poles = 1", "poles = 1, tandem = true")))


def test_backup_tiers_are_shed_below_where_they_are_restored(tmp_path):
    rows = "tier = [ { tier = 1, shed = 0.5, restore = 0.3 }, { tier = 1, shed = 0.1, restore = 0.2 } ]\n"
    faults = faults_of(edited(tmp_path, ("target_share", rows + "target_share")))
    assert [fault.field for fault in faults] == ["load.well.backup_tier", "backup.tier.0.restore", "backup.tier.1.tier"]
    assert "no levels" in faults[0].what
    read_home(edited(tmp_path / "sound", ("target_share", "tier = [ { tier = 2, shed = 0.5, restore = 0.7 } ]\ntarget_share")))


def test_the_tables_that_the_example_does_not_use_are_read(tmp_path):
    text = EXAMPLE.read_text(encoding="utf-8").split("[records]")[0]
    disconnect = text[text.index("disconnect = [") : text.index("evidence = [")]
    text = text.replace(disconnect, "") + OTHER_TABLES
    path = edited(tmp_path)
    path.write_text(text, encoding="utf-8")
    site = read_home(path).site
    assert site.adapter.overcurrent.value == 60.0
    assert site.transfer[0].neutral.value == "solid"
    assert site.disconnect[0].conductor.place.value == "outside"
    assert (site.records.maximum_demand.value, site.records.maximum_demand.unit) == (12.0, "kW")
    assert site.records.demand_interval.value == 900.0


OTHER_TABLES = """
[adapter]
model = "AD-C"
continuous = "200 A"
short_circuit_rating = "10 kA"
overcurrent = "60 A"
meter_side = "load"
service_disconnect = "after"
islanding_switch = true
clear_of_sealed_part = true

[[disconnect]]
id = "pv-off"
role = "source"
connected_to = "supply-side"
tap_in = "junction-box"
service_rated = true
rating = "60 A"
fuse = "40 A"
interrupting_rating = "100 kA"
place = "outside"
neutral_bonded = true
conductor = { size = "6", material = "Cu", insulation = "THWN-2", neutral = "6", length = "9 ft", place = "outside" }

[[transfer]]
id = "island-switch"
connected_to = "adapter"
rating = "200 A"
short_circuit_rating = "22 kA"
neutral = "solid"
neutral_bonded = false

[records]
maximum_demand = { value = "12 kW", from = "utility" }
demand_interval = "15 min"
demand_days = 365
"""


def test_validate_tells_files_apart_by_what_is_in_them(tmp_path):
    assert validate([DATA / "ten-faults.toml", EXAMPLE, DATA / "jurisdictions" / "tansy-light.toml"]) == list(
        faults_of(DATA / "ten-faults.toml")
    )
    odd = validate([written(tmp_path, 'sites = ["a.toml"]\n', "portfolio.toml")])
    assert len(odd) == 1
    assert "neither a site file" in odd[0].what
    assert [fault.what for fault in validate([tmp_path / "not-there.toml"])] == ["cannot be read"]


def test_a_fault_that_two_files_share_is_reported_once(tmp_path):
    path = edited(tmp_path)
    second = path.with_name("second.toml")
    second.write_text(path.read_text())
    (path.parent / "jurisdictions" / "tansy-light.toml").write_text('format = 1\nid = "tansy-light"\n[rul]\n')
    assert [fault.field for fault in validate([path, second])] == ["rul"]
