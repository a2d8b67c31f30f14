"""Files that are no site files, wrong types at every place, and line numbers: faults, never a traceback."""

from __future__ import annotations

import os
import tomllib

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.test_home_support import DATA, EXAMPLE, SMALL, edited, faults_of, only_fault, written
from workbook_lib.errors import InputFault
from workbook_lib.home import read_home, validate
from workbook_lib.home.lines import line_of, locate
from workbook_lib.home.model import Site
from workbook_lib.home.reader import read
from workbook_lib.home.shapes import shapes

BYTES = {
    "binary": bytes(range(256)),
    "nulls": b"\0" * 100,
    "latin letters": "format = 1 # caf\xe9".encode("latin-1"),
    "no equals sign": b'format = 1\n[site]\nid "a"\n',
    "unclosed": b'format = 1\nload = [\n  { id = "a"\n',
    "one key twice": b"format = 1\nformat = 1\n",
    "a table twice": b"[site]\n[site]\n",
    "number beyond reading": b"format = " + b"9" * 6000,
    "deep arrays": b"a = " + b"[" * 5000 + b"]" * 5000,
    "deep inline tables": b"a = " + b"{a=" * 5000 + b"1" + b"}" * 5000,
    "deep dotted key": b"a" + b".a" * 3000 + b" = 1",
    "deep header": b"[a" + b".a" * 3000 + b"]\nb = 1",
    "a page of HTML": b"<!doctype html><html></html>",
    "too large": b"# " + b"x" * 2_000_001,
}


@pytest.mark.parametrize("name", BYTES)
def test_a_file_that_is_no_toml_gets_one_clear_line(tmp_path, name):
    path = written(tmp_path, BYTES[name])
    fault = faults_of_any(path)[0]
    assert len(faults_of_any(path)) == 1
    assert fault.file == path.as_posix()
    assert fault.what
    assert len(str(fault)) < 600
    assert validate([path])[0].what


def faults_of_any(path, overrides=None):
    """Faults of a file, with no more asked of them than that there are some."""
    with pytest.raises(InputFault) as caught:
        read_home(path, overrides)
    assert caught.value.faults
    return caught.value.faults


@pytest.mark.parametrize(
    "text,line", [('format = 1\n\nid "a"\n', 3), ("format = 1\n[site\n", 2), ("format = 1\na = [\n", 3), ("a = 1\r\nb c\r\n", 2)]
)
def test_the_line_of_a_text_that_is_no_toml(tmp_path, text, line):
    fault = faults_of_any(written(tmp_path, text))[0]
    assert fault.line == line
    assert fault.what.startswith("is not TOML: ")


def test_files_that_cannot_be_read(tmp_path):
    for path in (tmp_path, tmp_path / "not-there.toml", tmp_path / ("x" * 5000), tmp_path / "a\0b"):
        assert [fault.what for fault in faults_of_any(path)] == ["cannot be read"]
        assert [fault.what for fault in validate([path])] == ["cannot be read"]


def test_an_empty_file_lacks_what_every_site_file_has(tmp_path):
    assert {fault.field for fault in faults_of(written(tmp_path, ""))} == {"format", "site", "site.edition"}
    assert len(validate([written(tmp_path, "")])) == 1


def test_a_mark_of_byte_order_and_line_ends_of_another_system_do_not_matter(tmp_path):
    text = SMALL.replace("\n", "\r\n")
    assert read_home(written(tmp_path, b"\xef\xbb\xbf" + text.encode())).edition_year == "2023"
    fault = only_fault(written(tmp_path, text.replace('kind = "panelboard"', 'kind = "panel"')))
    assert fault.line == 9


WRONG = [
    "3",
    '"x"',
    "true",
    "1979-05-27",
    "12:00:00",
    "[]",
    "[1, [2]]",
    "{}",
    "{ a = 1 }",
    "[ { a = 1 } ]",
    "[ { a = 1 }, 3 ]",
    "{ value = [ { } ] }",
    "nan",
]


@pytest.mark.parametrize("wrong", WRONG)
@pytest.mark.parametrize("table", list(shapes(Site)))
def test_a_wrong_type_for_a_table_is_a_fault_or_an_empty_table(tmp_path, table, wrong):
    lines = {"format": "format = 1", "site": '[site]\nid = "a"\nedition = "2023"'}
    lines.pop(table, None)
    path = written(tmp_path, f"{table} = {wrong}\n" + "\n".join(lines.values()) + "\n")
    if wrong in ("[]", "{}") and table not in ("format", "site"):
        found = read(path, {})
        assert not isinstance(found, list) or all(fault.field == table for fault in found)
    else:
        faults_of(path)


@pytest.mark.parametrize("text,what", [("panel = 3", "a value where rows are wanted"), ('load = "x"', "a value where rows are wanted")])
def test_a_value_for_rows_says_how_rows_are_written(tmp_path, text, what):
    fault = only_fault(written(tmp_path, f"{text}\n" + SMALL.split("[[panel]]")[0]))
    assert (fault.what, fault.line) == (what, 1)
    assert f"[[{text.split()[0]}]]" in fault.limit


def leaves(content, way=()):
    """Ways to every value of a file, tables and rows included."""
    for key, value in content.items() if isinstance(content, dict) else enumerate(content) if isinstance(content, list) else ():
        yield (*way, key)
        yield from leaves(value, (*way, key))


EXAMPLE_TABLES = tomllib.loads(EXAMPLE.read_text(encoding="utf-8"))
WAYS = list(leaves(EXAMPLE_TABLES))
VALUES = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(),
    st.floats(),
    st.text(max_size=20),
    st.lists(st.integers(), max_size=3),
    st.dictionaries(st.text(max_size=5), st.integers()),
) | st.sampled_from(
    [[{}], [{"id": "main"}], {"value": {}}, {"value": [{}]}, {"from": 3}, "main", "service", "pv", "200 A", "2 ft", [["a"]], {"id": []}]
)


@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.sampled_from(WAYS), VALUES)
def test_any_value_at_any_place_is_read_or_refused(way, value):
    """The tables are changed in memory, as no TOML writer is among the libraries."""
    import copy
    from unittest import mock

    tables = copy.deepcopy(EXAMPLE_TABLES)
    here = tables
    for step in way[:-1]:
        here = here[step]
    if value is None:
        del here[way[-1]]
    else:
        here[way[-1]] = value
    with mock.patch("workbook_lib.home.reader.parse_toml", side_effect=_parser(tables)):
        try:
            read_home(EXAMPLE)
        except InputFault as error:
            for fault in error.faults:
                assert fault.what, fault
                assert fault.value, fault
                assert fault.limit, fault
                assert fault.todo, fault
                assert "\n" not in str(fault)


def _parser(tables):
    from workbook_lib.home import raw

    real = raw.parse_toml

    def parse(name, data):
        return (tables, None, "") if name.endswith(EXAMPLE.name) else real(name, data)

    return parse


def test_a_link_that_leaves_the_folder_is_not_followed(tmp_path):
    path = edited(tmp_path)
    secret = written(tmp_path, "secret", "secret.xml")
    (path.parent / "meter.xml").unlink()
    os.symlink(secret, path.parent / "meter.xml")
    fault = only_fault(path)
    assert (fault.field, fault.what) == ("records.load.file", "path leaves the input folder by a link")
    local = path.parent / "jurisdictions" / "tansy-light.toml"
    outside = written(tmp_path, local.read_text(), "tansy-light.toml")
    local.unlink()
    os.symlink(outside, local)
    assert [fault.field for fault in faults_of(path)] == ["site.utility", "records.load.file"]


def test_line_numbers_of_every_kind_of_place():
    text = DATA / "tansy-12.toml"
    lines = locate(text.read_text(encoding="utf-8"))
    rows = text.read_text(encoding="utf-8").splitlines()

    def at(*loc):
        return rows[lines[loc] - 1]

    assert at("load", 3).strip().startswith('{ id = "heat-pump"')
    assert at("load", 3, "current") == at("load", 3)
    assert at("site", "edition").startswith("edition = ")
    assert at("service", "conductor", "size").startswith("conductor = ")
    assert at("panel", 1, "id") == 'id = "backup"'
    assert at("panel", 1) == "[[panel]]"
    assert at("panel", 0, "breakers", 2).strip().startswith('{ id = "heat-pump-breaker"')
    assert at("control", 0, "limit", 1).strip().startswith('{ at = "service"')
    assert at("option", "M1a").startswith("[option.M1a]")
    assert line_of(lines, ("panel", 1, "no such", "thing")) == lines["panel", 1]
    assert line_of(lines, ("nothing",)) is None
    assert len(lines) >= len(WAYS)


@given(st.text(alphabet="[]{}=\"'#.,ab1 \n\\", max_size=60))
def test_the_locator_takes_any_text(text):
    locate(text)


def test_the_locator_knows_every_form_of_text():
    text = 'a = """x\n"y" ""\n"""\nb = \'\'\'\n#\n\'\'\'\n"c d" = "#\\"]"\n[e."f.g"]\nh = [ # ]\n  1,\n  "2", ] # [x]\n'
    text += "[[e.i]]\nj.k = { l = [ { m = 1 } ] }\n"
    lines = locate(text)
    assert tomllib.loads(text)
    expected = {
        ("a",): 1,
        ("b",): 4,
        ("c d",): 7,
        ("e", "f.g"): 8,
        ("e", "f.g", "h", 1): 11,
        ("e", "i", 0): 12,
        ("e", "i", 0, "j", "k", "l", 0, "m"): 13,
    }
    assert {loc: lines[loc] for loc in expected} == expected


def test_a_fault_is_one_printable_line_whatever_the_file_holds(tmp_path):
    text = (
        SMALL
        + 'bus = "1\\n2 A"\n"b\\nc" = 1\nmain = "'
        + "9" * 5000
        + ' A"\n[[feeder]]\nid = "f\\u0007"\nconnected_to = "'
        + "x" * 400
        + '"\n'
    )
    faults = faults_of(written(tmp_path, text))
    assert len(faults) == 5
    assert all(str(fault).isprintable() for fault in faults)
