"""Files as people write them: the words for each slip, and any mutation of a good file refused or read in time."""

from __future__ import annotations

import math
import re
import time

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.test_home_support import DATA, EXAMPLE, SMALL, edited, faults_of, only_fault, written
from workbook_lib import __main__
from workbook_lib.errors import InputFault
from workbook_lib.home import read_home
from workbook_lib.home.raw import ID, nearest, suggest

TOML_SLIPS = {
    "size without quotes": ("conductor = { size = 4/0 }", "", 'put text in quotes, as "4/0"'),
    "unit without quotes": ("rating = 200 A", "", 'put text in quotes, as "200 A"'),
    "word without quotes": ("entry = overhead", "", 'put text in quotes, as "overhead"'),
    "another language's truth": ("hundred_percent_rated = True", "", "write true"),
    "date with slashes": ("need_by = 03/02/2026", "", "write a date as 2026-03-02"),
    "colon": ("rating: 200 A", "", "with an equals sign"),
    "one field twice": ('rating = "1 A"\nrating = "2 A"', "a field is given twice", "the second is in line 3"),
    "a field twice in a row": ('conductor = { size = "6", size = "4" }', "a field is given twice", "keep one"),
    "rows and blocks": ("[service.x]\n[[service.x]]", "a table is given twice", "the second is in line 3"),
    "rows in both forms": ('load = [{ id = "a" }]\n[[service.load]]', "a table is given twice, as name = ... and as", "rows in one form"),
    "one table twice": ("[study]\n[study]", "a table is given twice", "keep one"),
}


@pytest.mark.parametrize("name", TOML_SLIPS)
def test_a_slip_that_breaks_toml_says_how_it_is_written(tmp_path, name):
    text, cause, todo = TOML_SLIPS[name]
    fault = only_fault(written(tmp_path, f"[service]\n{text}\n"))
    assert fault.what.startswith(f"is not TOML: {cause}")
    assert todo in fault.todo
    assert fault.line == 1 + len(text.splitlines())


SLIPS = {
    "words for copper": (('material = "Al"', 'material = "aluminum"'), 'did you mean "Al"?'),
    "status of the work": (('status = "added"', 'status = "new"'), 'did you mean "added"?'),
    "a kind by its short name": (('kind = "air-conditioner"', 'kind = "AC"'), 'did you mean "air-conditioner"?'),
    "a kind with more words": (('kind = "disposer"', 'kind = "waste disposer"'), 'did you mean "disposer"?'),
    "a leg by its old name": (('leg = "A"', 'leg = "L1"'), 'did you mean "A"?'),
    "where the value comes from": (('from = "nameplate"', 'source = "nameplate"'), 'did you mean "from"?'),
    "fed from": (('connected_to = "battery-inverter" ', 'fed_from = "battery-inverter" '), 'did you mean "connected_to"?'),
    "the meter": (('connected_to = "service"\nbus', 'connected_to = "meter"\nbus'), 'did you mean "service"?'),
    "not known": (('utility_limit = "200 A"', 'utility_limit = "unknown"'), "leave the field out where it is not known"),
    "not known, a choice": (('feed = "top"', 'feed = "TBD"'), "leave the field out where it is not known"),
    "a percentage without its sign": (('voltage_drop_limit = "3 %"', "voltage_drop_limit = 3"), 'write "3 %"'),
    "a count in quotes": (("spaces = 40", 'spaces = "40"'), "write 40, without quotes"),
    "a count with a point": (("spaces = 40", "spaces = 40.0"), "write 40, without a point"),
    "feet by a stroke": (('length = "60 ft"', 'length = "60\'"'), 'write "ft", as "60 ft"'),
    "square feet and a separator": (('"1500 ft^2"', '"1,500 sf"'), 'as "1500 ft^2"'),
    "degrees": (('terminals = "75 degC", raceway = "riser"', 'terminals = "75 C", raceway = "riser"'), 'write "degC", as "75 degC"'),
    "a point of the compass": (('latitude = "35.0 deg"', 'latitude = "35.0 N"'), "south and west negative"),
    "the other point of the compass": (('longitude = "-106.0 deg"', 'longitude = "106.0 W"'), "south and west negative"),
    "interrupting capacity": (('interrupting_rating = "10 kA"', 'interrupting_rating = "10 kAIC"'), 'write "kA", as "10 kA"'),
    "a charger by its power": (('rating = "48 A", voltage', 'rating = "11.5 kW", voltage'), "give the current of the nameplate"),
    "one array": (("array = [{ dc_power", "array = { dc_power"), "put square brackets around it"),
    "CT metering by its short name": (('form = "self-contained"', 'form = "CT"'), "outside the limits of use"),
    "three phases": (('"120/240 V 1-phase 3-wire"', '"208Y/120 3-phase"'), "outside the limits of use"),
    "a high leg": (('"120/240 V 1-phase 3-wire"', '"120/240 V 3-phase 4-wire"'), "outside the limits of use"),
    "a date in quotes": (("need_by = 2026-09-01", 'need_by = "2026-09-01"'), "write 2026-09-01, without quotes"),
    "one id for a list": (('controls = ["battery-inverter", "evse-1", "well"]', 'controls = "well"'), '["well"]'),
    "one standard for a list": (('listed_to = ["UL 3141"]', 'listed_to = "UL 3141"'), '["UL 3141"]'),
    "a file for a table": (('weather = { file = "weather.csv", format = "tmy3" }', 'weather = "weather.csv"'), "weather = { file = ... }"),
    "a source on the service": (('connected_to = "pv-breaker"', 'connected_to = "service"'), '"supply-side" where it is connected ahead'),
    "a length of time": (('target = "24 h"', 'target = "24"'), '"24 s" or "24 min" or "24 h"'),
    "another format": (("format = 1\n", "format = 2\n"), "write 1"),
    "the system in short": (('"120/240 V 1-phase 3-wire"', '"120/240"'), 'did you mean "120/240 V 1-phase 3-wire"?'),
}


@pytest.mark.parametrize("name", SLIPS)
def test_the_usual_slip_says_what_to_write(tmp_path, name):
    pair, todo = SLIPS[name]
    text = EXAMPLE.read_text(encoding="utf-8")
    assert pair[0] in text
    text = text.replace(*pair, 1)
    if name == "one array":
        text = text.replace("rapid_shutdown = true }]", "rapid_shutdown = true }")
    path = edited(tmp_path)
    path.write_text(text, encoding="utf-8")
    faults = [fault for fault in faults_of(path) if not fault.what.startswith("missing")]
    assert len(faults) == 1, faults
    assert todo in faults[0].todo


def test_one_table_for_rows_is_one_fault_and_its_breakers_are_known(tmp_path):
    text = SMALL.replace("[[panel]]", "[panel]") + 'breakers = [ { id = "b", rating = "50 A", poles = 2 } ]\n'
    text += '[[load]]\nid = "range"\nkind = "range"\nconnected_to = "b"\nrating = "12 kW"\nvoltage = "240 V"\n'
    fault = only_fault(written(tmp_path, text))
    assert (fault.field, fault.todo) == ("panel", "write [[panel]] in place of [panel]")


@pytest.mark.parametrize(
    "text,field",
    [
        ('jurisdiction = "Tansy Hollow"\npermit_date = 2026-03-02', "site.jurisdiction"),
        ('jurisdiction = "tansy-hollow"\npermit_date = "2026-03-02"', "site.permit_date"),
        ('jurisdiction = "tansy-holow"\npermit_date = 2026-03-02', "site.jurisdiction"),
        ("edition = 2023", "site.edition"),
    ],
)
def test_a_wrong_field_that_leaves_no_edition_is_one_fault(tmp_path, text, field):
    path = edited(tmp_path)
    path.write_text(SMALL.replace('edition = "2023"', text), encoding="utf-8")
    assert only_fault(path).field == field


def test_a_day_that_is_not_in_the_calendar_is_said(tmp_path):
    assert "there is no such day" in only_fault(written(tmp_path, "[site]\npermit_date = 2026-02-30\n")).todo


def test_faults_of_every_file_stand_in_the_order_of_its_lines(tmp_path):
    path = edited(tmp_path)
    local = path.parent / "jurisdictions" / "tansy-hollow.toml"
    text = local.read_text().replace("evse_load = ", "evse_laod = ").replace('"inspector', '"", note = "inspector').replace("0.8", "80")
    local.write_text(text)
    lines = [fault.line for fault in faults_of(path)]
    assert len(lines) == 3
    assert lines == sorted(lines)


def test_words_of_the_trade_lead_only_to_names_that_are_known():
    assert nearest("copper", ("Cu", "Al")) == "Cu"
    assert nearest("copper", ("top", "bottom")) == ""
    assert suggest("?", ("top",), "write one") == "leave the field out where it is not known"
    assert suggest("xyzzy", ("top",), "write one") == "write one"


@pytest.mark.parametrize("name", ["Straße", "é", "пв", "pv\u200b", "a b", "", "-pv", "_pv", "pv.1", "P", "x" * 65, "pv\n"])
def test_ids_are_small_latin_letters_digits_and_hyphens(tmp_path, name):
    shown = name.replace("\n", "\\n")
    fault = faults_of(edited(tmp_path, ('id = "pv"\n', f'id = "{shown}"\n')))[0]
    assert fault.field in ("source.0.id", "source.pv.id")
    assert fault.what in ("not an id", "empty text")
    quoted = re.search(r'"(.*)"', fault.todo)
    assert quoted is None or ID.match(quoted.group(1))


@pytest.mark.parametrize("value", ["nan", "inf", "-inf", "+nan", "1e999", "-0.0", "0", "-0", "1e400"])
@pytest.mark.parametrize("field", ["health_fraction", "energy", "count"])
def test_no_number_that_is_none_passes(tmp_path, value, field):
    was = {"health_fraction": "health_fraction = 0.88", "energy": 'energy = "13.5 kWh"', "count": "jaws = 4"}[field]
    assert only_fault(edited(tmp_path, (was, f"{was.split(' = ')[0]} = {value}"))).field.endswith(was.split(" = ")[0])


def test_negative_zero_is_zero_where_zero_is_allowed(tmp_path):
    for number, text in (("-0.0", "cutoff_fraction = -0.0"), ("-0", 'cutoff_fraction = "-0 %"')):
        cutoff = read_home(edited(tmp_path / number, ("cutoff_fraction = 0.0", text))).site.storage[0].cutoff_fraction.value
        assert cutoff == 0
        assert math.copysign(1, cutoff) == 1
    dead_band = read_home(edited(tmp_path / "band", ('dead_band = "2 A"', 'dead_band = "-0 A"'))).site.control[0].dead_band.value
    assert math.copysign(1, dead_band) == 1


@pytest.mark.parametrize("blank", ['""', '"  "', '"\\t"'])
@pytest.mark.parametrize("was", ['kind = "panelboard" ', 'address = "12 Tansy Lane"', 'bus = "125 A"', 'model = "ST-B"', 'feed = "top"'])
def test_an_empty_text_is_a_fault(tmp_path, was, blank):
    name = was.split(" = ")[0]
    assert only_fault(edited(tmp_path, (was, f"{name} = {blank} "))).field.endswith(f".{name}")


@pytest.mark.parametrize("was", ['kind = "panelboard" ', "spaces = 40", "feed_through = false", 'main = "200 A"', "need_by = 2026-09-01"])
def test_a_list_where_one_value_stands_is_a_fault(tmp_path, was):
    name, value = was.split(" = ")
    fault = faults_of(edited(tmp_path, (was, f"{name} = [ {value.strip()} ] ")))[0]
    assert fault.field.endswith(f".{name}")


LINES = EXAMPLE.read_text(encoding="utf-8").splitlines()
TOKENS = [token for line in LINES for token in re.findall(r'"[^"]*"|[\w.-]+|[\[\]{},=#]', line)]
WORDS = (
    st.sampled_from(sorted(set(TOKENS))) | st.text(max_size=8) | st.sampled_from(["1e999", "nan", "[[", "]]", '"', "'''", "\x00", "\ufeff"])
)


@st.composite
def mutated(draw):
    """The example's text with lines and tokens deleted, replaced, doubled and exchanged."""
    lines = list(LINES)
    for _ in range(draw(st.integers(1, 6))):
        at = draw(st.integers(0, len(lines) - 1))
        action = draw(st.sampled_from(["delete", "double", "exchange", "token", "token", "token"]))
        if action == "delete" and len(lines) > 1:
            del lines[at]
        elif action == "double":
            lines.insert(draw(st.integers(0, len(lines))), lines[at])
        elif action == "exchange":
            other = draw(st.integers(0, len(lines) - 1))
            lines[at], lines[other] = lines[other], lines[at]
        else:
            spans = [match.span() for match in re.finditer(r'"[^"]*"|[\w.-]+|[\[\]{},=#]', lines[at])]
            if spans:
                start, end = draw(st.sampled_from(spans))
                lines[at] = lines[at][:start] + draw(WORDS) + lines[at][end:]
    return "\n".join(lines)


@pytest.fixture(scope="module")
def mutable(tmp_path_factory):
    """A copy of the example whose site file may be written over."""
    return edited(tmp_path_factory.mktemp("mutated"))


@settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture])
@given(text=mutated())
def test_a_mutated_file_is_read_or_refused_within_a_second(mutable, text):
    mutable.write_bytes(text.encode("utf-8", "surrogatepass"))
    began = time.process_time()
    try:
        read_home(mutable)
    except InputFault as error:
        for fault in error.faults:
            assert all((fault.what, fault.value, fault.limit, fault.todo)), fault
            assert "\n" not in str(fault)
    assert time.process_time() - began < 1


def test_validate_lists_the_faults_of_several_files_one_a_line(capsys):
    faulty = DATA / "ten-faults.toml"
    assert __main__.main(["validate", str(EXAMPLE), str(faulty), str(DATA / "jurisdictions" / "tansy-light.toml"), "no-such.toml"]) == 2
    said = capsys.readouterr()
    sound = [line for line in said.out.splitlines() if not line.startswith("remark")]
    assert [line.rpartition(": ")[2] for line in sound] == ["no fault", "no fault"]
    assert "weather.csv" in said.out, "what it names and cannot be read is a remark where the method does not need it"
    lines = said.err.splitlines()
    assert len(lines) == 11
    assert all(line.startswith(f"{faulty}:") for line in lines[:10])
    assert lines[10].startswith("no-such.toml: cannot be read")
