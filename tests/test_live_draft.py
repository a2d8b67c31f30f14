"""The draft of a site file: every change leaves a file, touches nothing else, and can be taken back to the first byte."""

from __future__ import annotations

import difflib
import random
import tomllib
from collections import Counter

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule

from tests.conftest import ROOT
from workbook_lib.home import read_home
from workbook_lib.home.leaf import LeafFault
from workbook_lib.live.draft import MOST_STEPS, Draft
from workbook_lib.live.things import ADDED, fresh_id, rows_of

SITES = ROOT / "example_inputs" / "sites"
EXAMPLES = sorted(SITES.glob("*.toml"))
BUNGALOW, CONTROL = SITES / "bungalow-100a.toml", SITES / "bungalow-control-100a.toml"
STORE = SITES / "array-and-storage-200a.toml"
TEXT = """# by hand
format = 1   # the form

[site]
id = "a"            # never changes
permit_date = 2026-04-20        # the 2023 edition is adopted
utility = "tansy-light"

# panel, photo 3
[[panel]]
id = "main"
connected_to = "service"
bus = { value = "200 A", from = "nameplate", note = "photo 5" } # read twice
main = "200 A"
breakers = [
  # top row
  { id = "range", rating = "50 A" }, # behind the shelf
  { id = "dryer", rating = "30 A" },
]

[[load]]
kind = "range"
id = "cooker"
connected_to = "range"

[[load]]
id = "tumbler"
connected_to = { value = "dryer", from = "photo" }
shed_by = "limiter"

[[control]]
id = "limiter"
controls = ["tumbler", "cooker"]
limit = [{ at = "main:lugs", way = "import", setting = "80 A" }]

[backup]
start_together = ["cooker", "tumbler"]
"""


def drafted(path=CONTROL) -> Draft:
    return Draft(path.read_text(encoding="utf-8"))


def rows(old: str, new: str) -> tuple[list[str], list[str]]:
    """Lines that went and lines that came, the longest common order of all others kept."""
    found = list(difflib.ndiff(old.splitlines(keepends=True), new.splitlines(keepends=True)))
    return [row[2:] for row in found if row[0] == "-"], [row[2:] for row in found if row[0] == "+"]


# one field


def test_a_value_changes_its_line_alone_and_undo_goes_back_to_the_first_byte():
    draft = Draft(TEXT)
    assert draft.set("site.permit_date", "2026-05-01") is None
    assert rows(TEXT, draft.text) == (
        ["permit_date = 2026-04-20        # the 2023 edition is adopted\n"],
        ["permit_date = 2026-05-01        # the 2023 edition is adopted\n"],
    )
    assert draft.undo()
    assert draft.text == TEXT
    assert not draft.changed
    assert not draft.undo()
    assert draft.redo()
    assert "2026-05-01" in draft.text
    assert not draft.redo()


def test_a_field_that_is_emptied_and_typed_anew_keeps_its_line_and_its_comment():
    """As the keys of a keyboard give it: one letter less each time, then one more."""
    draft = Draft(TEXT)
    for text in ("2026-04-2", "2026", "", "2", "2026-05", "2026-05-01"):
        draft.set("site.permit_date", text)
    assert rows(TEXT, draft.text)[1] == ["permit_date = 2026-05-01        # the 2023 edition is adopted\n"]
    for text in ("", "2026-04-20"):
        draft.set("site.permit_date", text)
    assert draft.text == TEXT
    for text in ("50", "", "5", "50 A"):
        draft.set("panel.main.breakers.range.rating", text)
    assert draft.text == TEXT
    assert not draft.wrong


def test_keys_in_one_field_are_one_step_back():
    draft = Draft(TEXT)
    for text in ("2", "20", "20 A", "201 A"):
        draft.set("panel.main.main", text)
    draft.set("panel.main.breakers.dryer.rating", "25 A")
    assert draft.undo()
    assert '"201 A"' in draft.text
    assert draft.undo()
    assert draft.text == TEXT


def test_a_wrong_entry_is_kept_beside_the_text_with_what_is_wrong():
    draft = Draft(TEXT)
    number = draft.number
    wrong = draft.set("panel.main.main", "200")
    assert wrong is draft.wrong["panel.main.main"]
    assert wrong.text == "200"
    assert "without a unit" in wrong.words()
    assert '"200 A"' in wrong.words()
    assert draft.text == TEXT
    assert draft.number > number
    assert not draft.can_undo
    assert draft.set("panel.main.main", "225 A") is None
    assert not draft.wrong
    assert '"225 A"' in draft.text


def test_the_value_that_stands_typed_again_after_a_slip_changes_nothing():
    draft = Draft(TEXT)
    draft.known_from("panel.main.main", "photo", "photo 9")
    before = draft.text
    draft.set("panel.main.main", "200")
    assert draft.set("panel.main.main", "200 A") is None
    assert draft.text == before
    assert not draft.wrong
    assert draft.field("panel.main.main").origin == "photo"


def test_a_required_field_cannot_be_emptied():
    draft = Draft(TEXT)
    for path in ("load.cooker.connected_to", "load.cooker.id", "site.id"):
        assert "cannot be left out" in draft.set(path, "").words()
    assert draft.text == TEXT


def test_an_unknown_field_is_named():
    draft = Draft(TEXT)
    with pytest.raises(KeyError, match="no field panel.other.main"):
        draft.set("panel.other.main", "1 A")
    with pytest.raises(ValueError, match="unknown origin"):
        draft.known_from("panel.main.main", "hearsay")
    with pytest.raises(KeyError, match="nothing at"):
        draft.remove("panel.other")


# provenance


def test_another_value_loses_what_a_nameplate_said_and_the_files_own_gets_it_back():
    draft = Draft(TEXT)
    draft.set("panel.main.bus", "225 A")
    field = draft.field("panel.main.bus")
    assert (field.text, field.origin, field.note, field.wrapped) == ("225 A", "stated", "", False)
    assert "the file says 200 A (nameplate, photo 5)" in draft.told_before(field)
    draft.known_from("panel.main.bus", "data-sheet")
    assert draft.field("panel.main.bus").origin == "data-sheet"
    draft.set("panel.main.bus", "200 A")
    assert draft.text == TEXT
    assert draft.told_before(draft.field("panel.main.bus")) == ""


def test_no_value_keeps_a_provenance_that_is_not_its_own():
    """Over every value of an example that was read from somewhere."""
    draft = drafted()
    found = [
        field
        for group in draft.groups()
        for field in group.every()
        if field.wrapped and field.text.endswith(" A") and "," not in field.text
    ]
    assert len(found) > 10
    for field in found:
        other = "7 A" if field.text != "7 A" else "8 A"
        if draft.set(field.path, other) is None:
            assert draft.field(field.path).origin == "stated"
            assert draft.field(field.path).note == ""
            draft.set(field.path, field.text)
    assert draft.text == draft.base


def test_how_a_value_is_known_can_be_said_and_unsaid():
    draft = Draft(TEXT)
    draft.known_from("panel.main.main", "photo", " photo 6 ")
    assert 'main = { value = "200 A", from = "photo", note = "photo 6" }' in draft.text
    draft.known_from("panel.main.main", "stated", "")
    assert draft.text == TEXT
    draft.known_from("panel.main.spaces", "photo")
    assert draft.text == TEXT, "nothing is known of a field that is not given"


# ids and what names them


def test_another_id_is_told_to_everything_that_names_it():
    draft = Draft(TEXT)
    assert draft.set("panel.main.id", "big") is None
    assert draft.set("load.tumbler.id", "clothes") is None
    assert draft.set("panel.big.breakers.dryer.id", "spare") is None
    assert draft.set("control.limiter.id", "manager") is None
    content = tomllib.loads(draft.text)
    assert content["control"][0]["limit"][0]["at"] == "big:lugs"
    assert content["control"][0]["controls"] == ["clothes", "cooker"]
    assert content["backup"]["start_together"] == ["cooker", "clothes"]
    assert content["load"][1]["connected_to"] == {"value": "spare", "from": "photo"}
    assert content["load"][1]["shed_by"] == "manager"
    assert content["load"][0]["connected_to"] == "range"
    for path, name in (
        ("control.manager.id", "limiter"),
        ("panel.big.breakers.spare.id", "dryer"),
        ("load.clothes.id", "tumbler"),
        ("panel.big.id", "main"),
    ):
        assert draft.set(path, name) is None
    assert draft.text == TEXT


@pytest.mark.parametrize("name", ["range", "main", "tumbler", "service", "supply-side"])
def test_an_id_that_is_taken_is_refused_so_that_no_two_things_become_one(name):
    draft = Draft(TEXT)
    assert draft.set("load.cooker.id", name) is not None
    assert draft.text == TEXT


def test_of_two_things_with_one_id_one_gets_another_and_nothing_else_is_renamed():
    text = TEXT.replace('id = "tumbler"', 'id = "cooker"')
    draft = Draft(text)
    assert draft.set("load.1.id", "tumbler") is None
    assert draft.text == TEXT


def test_a_thing_without_an_id_gets_one_and_can_be_taken_out():
    text = TEXT + '\n[[source]]\nkind = "pv"\n'
    draft = Draft(text)
    assert draft.set("source.0.id", "roof") is None
    assert tomllib.loads(draft.text)["source"] == [{"kind": "pv", "id": "roof"}]
    draft.undo()
    assert draft.remove("source.0") == []
    assert tomllib.loads(draft.text) == tomllib.loads(TEXT)


def test_wrong_entries_follow_their_thing_and_leave_with_it():
    draft = Draft(TEXT)
    draft.set("panel.main.main", "200")
    draft.set("panel.main.breakers.range.rating", "x")
    draft.set("panel.main.id", "big")
    assert set(draft.wrong) == {"panel.big.main", "panel.big.breakers.range.rating"}
    assert all(draft.field(path) is not None for path in draft.wrong)
    draft = drafted()
    draft.set("vehicle.0.arrive", "25:00")
    draft.remove("vehicle.0")
    assert not draft.wrong


# things


def test_a_thing_that_is_named_stays_and_what_names_it_is_told():
    draft = Draft(TEXT)
    assert draft.remove("panel.main") == ["control.limiter.limit.0.at"] or "load.cooker.connected_to" in draft.remove("panel.main")
    assert set(draft.remove("control.limiter")) == {"load.tumbler.shed_by"}
    assert set(draft.remove("load.cooker")) == {"control.limiter.controls", "backup.start_together"}
    assert draft.text == TEXT
    draft.set("load.tumbler.shed_by", "")
    assert draft.remove("control.limiter") == []
    assert "limiter" not in draft.text


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_every_thing_is_added_taken_out_and_brought_back(path):
    draft = drafted(path)
    first = draft.text
    tops = [
        ((name,), name)
        for name in ADDED
        if name in ("load", "evse", "source", "storage", "panel", "feeder", "vehicle", "evidence", "control")
    ]
    inner = [((*group.loc, name), name) for group in draft.groups() for one in [group] if one.there for name in rows_of(one)][:6]
    for loc, name in (*tops, *inner):
        before = draft.text
        path_of = draft.add(loc, fresh_id(draft, name))
        assert draft.group(path_of).there
        assert draft.group(path_of).row
        gone, came = rows(before, draft.text)
        assert len(gone) <= 1
        assert all(_same_but_more(row, "".join(came)) for row in gone)
        assert draft.remove(path_of) == []
        assert tomllib.loads(draft.text) == tomllib.loads(before) or name not in tomllib.loads(before)
        while draft.text != first:
            assert draft.undo()


def _same_but_more(old: str, new: str) -> bool:
    """Whether a line became one with more in it."""
    return not Counter(old.strip().rstrip("]}, ")) - Counter(new)


def test_a_row_with_a_wrong_field_is_not_added():
    draft = Draft(TEXT)
    with pytest.raises(LeafFault):
        draft.add(("panel", 0, "breakers"), {"id": "new", "rating": "50"})
    assert draft.text == TEXT
    assert draft.add(("panel", 0, "breakers"), {"id": "new", "rating": "50 A"}) == "panel.main.breakers.new"


def test_a_text_that_is_no_toml_is_not_taken_up():
    draft = Draft(TEXT)
    with pytest.raises(ValueError, match="line"):
        draft.take_up("[site\n")
    assert draft.text == TEXT
    assert not draft.can_undo


def test_the_past_is_bounded_and_a_listener_hears_every_change():
    draft = Draft(TEXT)
    heard: list[bool] = []
    draft.listeners.append(heard.append)
    for number in range(MOST_STEPS + 20):
        draft.set("panel.main.main", f"{100 + number % 2} A")
        draft.set("site.utility", f"u{number}")
    assert len(heard) == 2 * (MOST_STEPS + 20)
    steps = 0
    while draft.undo():
        steps += 1
    assert steps == MOST_STEPS


def test_windows_line_ends_stay():
    draft = Draft(TEXT.replace("\n", "\r\n"))
    draft.set("panel.main.main", "225 A")
    draft.set("panel.main.spaces", "30")
    draft.add(("load",), {"id": "new", "kind": "range", "connected_to": "range"})
    draft.set("site.utility", "")
    assert draft.text.count("\n") == draft.text.count("\r\n")


# any sequence


class AnySequence(RuleBasedStateMachine):
    """Changes in any order, each against the lines and the values before it."""

    def __init__(self):
        super().__init__()
        self.draft = Draft(TEXT)
        self.texts = [TEXT]
        self.random = random.Random(0)

    def fields(self, **wanted: bool):
        found = [field for group in self.draft.groups() for field in group.every()]
        return [field for field in found if all(getattr(field, name) == value for name, value in wanted.items())]

    @rule(
        place=st.integers(0, 10**6),
        text=st.sampled_from(["25 A", "6 kW", "200", "", "none", "true", "0.5", "60 degC", "x y", "2026-05-01"]),
    )
    def set(self, place, text):
        fields = self.fields()
        field = fields[place % len(fields)]
        before, wrong = self.draft.text, self.draft.set(field.path, text)
        if wrong is not None:
            assert self.draft.text == before
            assert wrong.words()
        else:
            now = self.draft.field(field.path if field.name != "id" else field.path)
            assert now is None or now.text == text or field.name == "id"
            kept = Counter(before.splitlines()) - Counter(self.draft.text.splitlines())
            assert sum(kept.values()) <= 1 or field.name == "id", "one line at most goes"

    @rule(place=st.integers(0, 10**6), origin=st.sampled_from(["photo", "nameplate", "stated"]))
    def known(self, place, origin):
        fields = self.fields(given=True)
        field = fields[place % len(fields)]
        self.draft.known_from(field.path, origin)
        now = self.draft.field(field.path)
        assert (now.text, now.origin) == (field.text, origin) or field.path in self.draft.wrong

    @rule(name=st.sampled_from(["load", "evse", "vehicle", "source"]))
    def add(self, name):
        before = self.draft.text
        path = self.draft.add((name,), fresh_id(self.draft, name))
        assert self.draft.group(path).there
        assert not Counter(before.splitlines()) - Counter(self.draft.text.splitlines()) or name not in before

    @rule(place=st.integers(0, 10**6))
    def remove(self, place):
        found = [one for group in self.draft.groups() for one in group.groups() if one.row]
        if found:
            before, path = self.draft.text, found[place % len(found)].path
            if self.draft.remove(path):
                assert self.draft.text == before
            else:
                assert self.draft.text != before

    @precondition(lambda self: self.draft.can_undo)
    @rule()
    def undo(self):
        before = self.draft.text
        assert self.draft.undo()
        after = self.draft.text
        assert self.draft.redo()
        assert self.draft.text == before
        assert self.draft.undo()
        assert self.draft.text == after

    @invariant()
    def it_parses_and_keeps_its_comments(self):
        tomllib.loads(self.draft.text)
        comments = [line for line in TEXT.splitlines() if line.startswith("#")]
        assert [line for line in self.draft.text.splitlines() if line.startswith("#")] == comments

    def teardown(self):
        while self.draft.undo():
            tomllib.loads(self.draft.text)
        assert self.draft.text == TEXT


AnySequence.TestCase.settings = settings(max_examples=25, stateful_step_count=12, deadline=None)
test_any_sequence = AnySequence.TestCase


@pytest.mark.parametrize("path", [BUNGALOW, CONTROL, STORE], ids=lambda path: path.stem)
def test_a_draft_reads_as_the_home_it_says(path):
    """Each value is changed in the draft and, apart from it, by an override: both homes have the same value, and only it differs."""
    draft = drafted(path)
    before = read_home(path).givens
    found = [field for group in draft.groups() for field in group.every() if field.given and field.unit == "A" and "," not in field.text]
    for field in random.Random(1).sample(found, 8):
        now = f"{before[field.path].value * 0.99 + 0.01:g} A"
        draft.set(field.path, now)
        text, other = draft.text, read_home_or_faults(path, {field.path: now})
        if isinstance(other, dict):
            read = read_home(path, text=text).givens
            assert read[field.path].value == other[field.path].value
            assert {key for key in read if read[key].value != before[key].value} == {field.path}
        draft.undo()
    assert draft.text == draft.base


def read_home_or_faults(path, overrides):
    from workbook_lib.errors import InputFault

    try:
        return dict(read_home(path, overrides).givens)
    except InputFault as error:
        return error.faults


def test_a_table_that_came_with_its_first_field_goes_with_its_last_and_one_of_the_file_stays():
    draft = Draft(TEXT)
    draft.set("service.meter_socket.form", "self-contained")
    draft.set("service.meter_socket.jaws", "4")
    draft.set("service.meter_socket.form", "")
    assert "meter_socket" in draft.text
    draft.set("service.meter_socket.jaws", "")
    assert draft.text.rstrip() == TEXT.rstrip(), "an empty table would say that there is a socket"
    draft.undo()
    assert draft.field("service.meter_socket.jaws").text == "4"
    held = Draft(TEXT + "\n[service.meter_socket]\njaws = 4\n")
    held.set("service.meter_socket.jaws", "")
    assert held.text == TEXT + "\n[service.meter_socket]\n"
