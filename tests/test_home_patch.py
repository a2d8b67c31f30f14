"""A change of a site file's text touches nothing else: against `tomllib`, which is of the standard library, and the lines as they were."""

from __future__ import annotations

import datetime
import difflib
import random
import tomllib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.conftest import ROOT
from workbook_lib.home import lines, patch

FILES = sorted((ROOT / "example_inputs" / "sites").rglob("*.toml"))
TEXT = """# a home, by hand
format = 1   # the form

[site]
id = "a"     # never changes
notes.first = "one"

# the panel, photo 3
[[panel]]
id = "main"
bus = { value = "200 A", from = "photo" } # read twice
breakers = [
  # top row
  { id = "range", rating = "50 A" }, # behind the shelf
  { id = "dryer", rating = "30 A" }
]

[[panel]]
id = "sub"
breakers = []

[service.conductor]
size = "4/0"
"""


def moved(old: str, new: str) -> tuple[list[str], list[str]]:
    """Lines that are not there any more, and lines that are new."""
    rows = list(difflib.ndiff(old.split("\n"), new.split("\n")))
    return [row[2:] for row in rows if row[0] == "-"], [row[2:] for row in rows if row[0] == "+"]


@pytest.mark.parametrize(
    "loc, value, gone, came",
    [
        (("format",), 2, ["format = 1   # the form"], ["format = 2   # the form"]),
        (("title",), "x", [], ['title = "x"']),
        (("site", "address"), '1 "A" Way', [], ['address = "1 \\"A\\" Way"']),
        (("site", "notes", "second"), True, [], ["notes.second = true"]),
        (
            ("panel", 0, "bus", "value"),
            "225 A",
            ['bus = { value = "200 A", from = "photo" } # read twice'],
            ['bus = { value = "225 A", from = "photo" } # read twice'],
        ),
        (
            ("panel", 0, "bus", "note"),
            "photo 3",
            ['bus = { value = "200 A", from = "photo" } # read twice'],
            ['bus = { value = "200 A", from = "photo", note = "photo 3" } # read twice'],
        ),
        (("panel", 1, "main"), "none", [], ['main = "none"']),
        (("panel", 1, "serves"), {"floor_area": "10 ft^2"}, [], ['serves = { floor_area = "10 ft^2" }']),
        (("panel", 1, "serves", "floor_area"), "10 ft^2", [], ['serves = { floor_area = "10 ft^2" }']),
        (("service", "conductor", "material"), "Al", [], ['material = "Al"']),
        (("service", "rating"), "200 A", [], ["", "[service]", 'rating = "200 A"']),
        (("study", "need_by"), datetime.date(2026, 5, 1), [], ["", "[study]", "need_by = 2026-05-01"]),
    ],
)
def test_a_value_is_put_and_the_rest_stays(loc, value, gone, came):
    found = moved(TEXT, patch.put(TEXT, loc, value))
    assert (found[0], sorted(found[1])) == (gone, sorted(came))


@pytest.mark.parametrize(
    "loc, gone, came",
    [
        (("format",), ["format = 1   # the form"], []),
        (("site", "notes", "first"), ['notes.first = "one"'], []),
        (
            ("panel", 0, "bus", "from"),
            ['bus = { value = "200 A", from = "photo" } # read twice'],
            ['bus = { value = "200 A" } # read twice'],
        ),
        (
            ("panel", 0, "bus", "value"),
            ['bus = { value = "200 A", from = "photo" } # read twice'],
            ['bus = { from = "photo" } # read twice'],
        ),
        (("panel", 0, "breakers", 0), ['  { id = "range", rating = "50 A" }, # behind the shelf'], []),
        (("panel", 0, "breakers", 1), ['  { id = "dryer", rating = "30 A" }'], []),
        (("panel", 1), ["[[panel]]", 'id = "sub"', "breakers = []", ""], []),
        (("service", "conductor"), ["[service.conductor]", 'size = "4/0"'], []),
    ],
)
def test_a_value_a_row_or_a_table_is_taken_out_and_the_rest_stays(loc, gone, came):
    found = moved(TEXT, patch.take_out(TEXT, loc))
    assert (sorted(found[0]), found[1]) == (sorted(gone), came)


@pytest.mark.parametrize(
    "loc, came",
    [
        (("panel", 0, "breakers"), ['  { id = "new", rating = "20 A" },']),
        (("panel", 1, "breakers"), ['breakers = [ { id = "new", rating = "20 A" } ]']),
        (("panel",), ["", "[[panel]]", 'id = "new"', 'rating = "20 A"']),
        (("load",), ["", "[[load]]", 'id = "new"', 'rating = "20 A"']),
        (("site", "rows"), ['rows = [{ id = "new", rating = "20 A" }]']),
    ],
)
def test_a_row_comes_last_in_its_list(loc, came):
    found = moved(TEXT, patch.add_row(TEXT, loc, {"id": "new", "rating": "20 A"}))
    assert sorted(row for row in found[1] if row != '  { id = "dryer", rating = "30 A" },') == sorted(came)


def test_rows_added_to_a_list_stand_on_lines_of_their_own():
    """The lines that are wanted, typed by hand; twenty rows make twenty lines, and nothing else moves."""
    loc = ("panel", 1, "breakers")
    one = patch.add_row(TEXT, loc, {"id": "a", "rating": "20 A"})
    two = patch.add_row(one, loc, {"id": "b"})
    assert moved(TEXT, one) == (["breakers = []"], ['breakers = [ { id = "a", rating = "20 A" } ]'])
    assert two == TEXT.replace("breakers = []", 'breakers = [\n  { id = "a", rating = "20 A" },\n  { id = "b" },\n]')
    many = two
    for number in range(18):
        many = patch.add_row(many, loc, {"id": f"n{number}"})
    assert moved(two, many) == ([], [f'  {{ id = "n{number}" }},' for number in range(18)])
    assert [row["id"] for row in tomllib.loads(many)["panel"][1]["breakers"]] == ["a", "b", *(f"n{number}" for number in range(18))]
    assert patch.take_out(many, (*loc, 1)) == many.replace('  { id = "b" },\n', "")


def test_a_list_that_was_written_by_hand_on_one_line_keeps_its_words_and_what_follows():
    text = '[backup]\n  tier = [{ tier=1 , shed = 0.5 }, {tier = 2}]   # by hand\nislanding = "x"\n'
    new = patch.add_row(text, ("backup", "tier"), {"tier": 3})
    wanted = ["  tier = [", "    { tier=1 , shed = 0.5 },", "    {tier = 2},", "    { tier = 3 },", "  ]   # by hand"]
    assert new.split("\n") == ["[backup]", *wanted, 'islanding = "x"', ""]
    there = text.replace("\n", "\r\n")
    assert patch.add_row(there, ("backup", "tier"), {"tier": 3}) == new.replace("\n", "\r\n")


def test_a_list_that_has_no_line_of_its_own_stays_on_its_line():
    """Texts, rows in braces, and rows that share lines with a break between them."""
    text = 'limits = { one = [{ a = 1 }] }\nnames = ["x"]\nmixed = [{ a = 1 },\n  { a = 2 }, { a = 3 }]\n'
    assert moved(text, patch.add_row(text, ("limits", "one"), {"a": 2}))[1] == ["limits = { one = [{ a = 1 }, { a = 2 }] }"]
    assert moved(text, patch.add_row(text, ("mixed",), {"a": 4}))[1] == ["  { a = 2 }, { a = 3 }, { a = 4 }]"]


@pytest.mark.parametrize(
    "change",
    [
        lambda: patch.put(TEXT, ("site",), "x"),
        lambda: patch.put(TEXT, ("panel", 2, "id"), "x"),
        lambda: patch.put(TEXT, ("panel", 0, "breakers", 5, "id"), "x"),
        lambda: patch.take_out(TEXT, ("site", "nothing")),
        lambda: patch.take_out(TEXT, ("panel",)),
        lambda: patch.put(TEXT, ("format", "inner"), 1),
    ],
)
def test_what_would_touch_something_else_is_refused(change):
    with pytest.raises(patch.Unpatchable):
        change()


def test_breaks_of_lines_stay_as_they_are():
    there = TEXT.replace("\n", "\r\n")
    for new in (
        patch.put(there, ("site", "address"), "x"),
        patch.put(there, ("study", "growth"), "10 A"),
        patch.add_row(there, ("panel", 0, "breakers"), {"id": "new"}),
        patch.add_row(there, ("panel",), {"id": "new"}),
        patch.take_out(there, ("panel", 1)),
    ):
        assert "\r\n" in new
        assert "\n" not in new.replace("\r\n", "")


@given(
    st.recursive(
        st.text() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | st.dates(),
        lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
        max_leaves=8,
    )
)
def test_a_value_that_is_written_is_read_as_itself(value):
    """TOML 1.0.0, as `tomllib` reads it."""
    assert tomllib.loads(f"it = {patch.literal(value)}")["it"] == value


@pytest.mark.parametrize("path", FILES, ids=[path.stem for path in FILES])
def test_any_place_of_the_examples_can_be_changed_and_nothing_else_moves(path):
    text = path.read_text(encoding="utf-8")
    there = lines.places(text)
    for loc in random.Random(7).sample(sorted(there.values, key=str), min(25, len(there.values))):
        span = there.values[loc]
        put = patch.put(text, loc, "something else")
        assert (put[: span.start], put[-len(text) + span.end :] if span.end < len(text) else "") == (text[: span.start], text[span.end :])
        gone, came = moved(text, patch.take_out(text, loc))
        assert len(came) <= 1
        assert len(gone) <= 1 + text.count("\n", span.start, span.end)
    for loc in there.headers:
        assert moved(text, patch.take_out(text, loc))[1] == []
