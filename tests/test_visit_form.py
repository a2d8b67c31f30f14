"""The form of a site visit as objects, without a browser: what is typed into keeps its place, provenance is said once, steps are kept."""

from __future__ import annotations

import re

import pytest

from tests.conftest import ROOT
from workbook_lib.home import read_home
from workbook_lib.live import beginning, keeping, panels, visit_form, visit_page
from workbook_lib.live.rows import Row
from workbook_lib.live.session import Session
from workbook_lib.live.start import Start


@pytest.fixture
def session(tmp_path):
    """A visit that was just begun."""
    made = Session(tmp_path / "elder-7.toml", "service_load", beginning=beginning.beginning("elder-7"))
    yield made
    made.close()


@pytest.fixture
def form(session):
    """Its form."""
    return visit_form.Visit(session)


def to(form, key: str) -> None:
    """Go to a step."""
    form._choice.value = key


def row(form, path: str) -> Row:
    """The question of a field on the screen."""
    return form._rows[path]


def adding(form, name: str) -> visit_form.Adding:
    """The entries of a new thing."""
    return next(one for one in form._kept.values() if isinstance(one, visit_form.Adding) and one.rows.name == name)


def add(form, name: str, **entries: str) -> None:
    """Add a thing with what is entered."""
    for fold in [one for key, one in form._kept.items() if isinstance(key, str) and key.startswith(f"add {form._step} {name} ")]:
        fold.turn(True)
    one = adding(form, name)
    for key, text in entries.items():
        one._entries[key].value = text
    one.add()


def with_panel(form) -> None:
    """A main panel with two breakers, at the step of breakers."""
    to(form, "panel")
    add(form, "main", kind="panelboard", connected_to="service")
    to(form, "breakers")
    for name in ("range-breaker", "dryer-breaker"):
        add(form, "breaker", id=name, rating="40 A", poles="2")


def test_what_is_typed_into_stays_where_another_question_comes_or_goes(form):
    with_panel(form)
    for fold, _ in form._things.values():
        fold.turn(True)
    path = "panel.main.breakers.dryer-breaker.poles"
    before, others = row(form, path), {key: one.box for key, one in form._rows.items()}
    asked = set(form._rows)
    before.entry.value = "1"
    assert form.draft.field(path).text == "1"
    assert set(form._rows) != asked, "a breaker of one pole is asked for its leg"
    assert row(form, path) is before, "the entry that is typed into is the same widget"
    assert all(form._rows[key].box is box for key, box in others.items() if key in form._rows)
    assert form.draft.field("panel.main.breakers.range-breaker.poles").text == "2"


def test_how_it_is_known_is_said_once_and_a_note_goes_with_its_source(form):
    to(form, "house")
    form.known.origin.value = "drawing"
    form.known.note.value = "plan 2"
    area = "dwelling.floor_area"
    row(form, area).entry.value = "1420 ft^2"
    known = form.draft.field(area)
    assert (known.origin, known.note) == ("drawing", "plan 2")
    assert "drawing, plan 2" in row(form, area).hint.value
    form.known.origin.value = "stated"
    assert form.known.note.value == "", "a note is of the source that it was written for"
    count = "dwelling.laundry_circuits"
    row(form, count).entry.value = "1"
    assert (form.draft.field(count).origin, form.draft.field(count).note) == ("stated", "")


def test_what_is_added_is_known_as_the_rest_is(form):
    to(form, "panel")
    add(form, "main", kind="panelboard", connected_to="service")
    to(form, "breakers")
    form.known.origin.value = "photo"
    form.known.note.value = "photo 3"
    add(form, "breaker", id="range-breaker", rating="40 A", poles="2")
    field = form.draft.field("panel.main.breakers.range-breaker.rating")
    assert (field.text, field.origin, field.note) == ("40 A", "photo", "photo 3")


def test_a_raceway_that_is_added_where_one_run_asks_for_it_is_taken(form):
    to(form, "service-conductors")
    add(form, "riser", kind="RMC")
    assert form.draft.field("service.conductor.raceway").text == "riser"


def test_a_load_takes_its_kind_as_its_name_where_none_is_given(form):
    with_panel(form)
    to(form, "loads")
    add(form, "load", kind="range", connected_to="range-breaker")
    assert form.draft.group("load.range") is not None
    add(form, "load", kind="dryer", connected_to="dryer-breaker")
    assert {group.path for group in form.draft.groups() if group.kind == "load"} == {"load.range", "load.dryer"}


def test_what_is_half_typed_of_a_new_thing_stays_while_something_is_answered(form):
    with_panel(form)
    for fold, _ in form._things.values():
        fold.turn(True)
    one = adding(form, "breaker")
    one._entries["rating"].value = "20 A"
    row(form, "panel.main.breakers.dryer-breaker.poles").entry.value = "1"
    assert adding(form, "breaker") is one
    assert one._entries["rating"].value == "20 A"


def test_a_needed_answer_that_is_given_is_no_longer_counted(form):
    to(form, "service-conductors")
    add(form, "riser", kind="RMC")
    fold, keys = form._things["raceway.riser"]
    assert "needed open" in fold.button.description
    for path, text in (("ambient", "38 degC"), ("above_roof", "none"), ("other_current_carrying", "0")):
        row(form, f"raceway.riser.{path}").entry.value = text
    assert "needed open" not in form._things["raceway.riser"][0].button.description
    assert set(keys) >= {"raceway.riser.ambient"}


def test_a_size_that_begins_as_another_does_is_typed_out(form):
    import ipywidgets as widgets

    to(form, "service-conductors")
    entry = row(form, "service.conductor.size").entry
    assert isinstance(entry, widgets.Combobox)
    entry.value = "1"
    assert form.draft.field("service.conductor.size").text == "1"
    entry.value = "1/0"
    assert form.draft.field("service.conductor.size").text == "1/0"
    assert isinstance(row(form, "service.conductor.material").entry, widgets.Dropdown)


def test_steps_that_were_passed_are_passed_where_the_visit_is_taken_up(form, session, tmp_path):
    form.go(1)
    form.go(1)
    session.keep()
    assert keeping.working(session.file).passed == ("house", "job")
    again = Session(session.file, "service_load")
    try:
        assert again.passed == {"house", "job"}
        assert again.draft.text == session.draft.text
    finally:
        again.close()


def test_a_thing_that_lacks_what_it_cannot_be_without_is_not_added(form):
    to(form, "panel")
    before = form.draft.text
    add(form, "main", kind="panelboard")
    assert form.draft.text == before
    assert "Enter Connected to first" in form._line.box.value
    assert aimed(form) is adding(form, "main")._entries["connected_to"]


def test_where_an_entry_cannot_be_read_the_keys_go_to_it(form):
    with_panel(form)
    before = form.draft.text
    add(form, "breaker", id="dryer-2", rating="40 kV", poles="2")
    assert form.draft.text == before
    assert "Not done" in form._line.box.value
    assert aimed(form) is adding(form, "breaker")._entries["rating"]


# keys: where the focus goes after a press, and how many stops there are


def stops(box) -> list[object]:
    """What the Tab key stops at within a widget, in order."""
    import ipywidgets as widgets

    if box.layout.display == "none":
        return []
    own = [box] if isinstance(box, (widgets.Button, widgets.Text, widgets.Dropdown, widgets.Checkbox)) and not box.disabled else []
    return own + [stop for part in getattr(box, "children", ()) for stop in stops(part)]


def aimed(form) -> object:
    """The entry or button that a press has led to."""
    return stops(form.aim.at)[0]


def marked(box) -> int:
    """Number of the mark that a widget bears."""
    (number,) = [one.removeprefix("wb-aim-") for one in box._dom_classes if re.fullmatch(r"wb-aim-\d+", one)]
    assert "wb-aim" in box._dom_classes
    return int(number)


def open_ones(form) -> list[str]:
    """Questions on the screen that the Enter key goes to, in the order of the screen."""
    boxes = {id(stops(one.box)[0]): path for path, one in form._rows.items() if "wb-open" in one.box._dom_classes and stops(one.box)}
    return [boxes[id(stop)] for stop in stops(form.box) if id(stop) in boxes]


def test_what_is_added_is_opened_and_the_keys_go_on_at_what_it_lacks_and_the_rest_is_folded(form):
    with_panel(form)
    before = marked(form.aim.at)
    to(form, "loads")
    add(form, "load", kind="range", connected_to="range-breaker")
    assert aimed(form) is row(form, "load.range.rating").entry
    assert marked(row(form, "load.range.rating").box) > before, "a number goes up: an old mark is never followed again"
    row(form, "load.range.rating").entry.value = "12 kW"
    row(form, "load.range.voltage").entry.value = "240 V"
    assert form._things["load.range"][0].opened, "it stays open while it is answered"
    add(form, "load", kind="dryer", connected_to="dryer-breaker")
    assert aimed(form) is row(form, "load.dryer.rating").entry
    assert not form._things["load.range"][0].opened
    assert not [one for one in row(form, "load.range.rating").box._dom_classes if one.startswith("wb-aim")], "one mark at a time"
    add(form, "load", kind="water-heater", connected_to="main")
    assert form._things["load.dryer"][0].opened, "what lacks something stays open"


def test_where_what_is_added_lacks_nothing_the_keys_go_on_at_the_next_of_its_kind(form):
    with_panel(form)
    assert aimed(form) is adding(form, "breaker")._entries["id"]
    assert {key for key, (fold, _) in form._things.items() if fold.opened} == {"panel.main"}, "what is asked of the panel itself stays open"
    assert {"wb-of-panel-breakers", "wb-entries-3"} <= set(adding(form, "breaker").box._dom_classes)
    assert form.aim.at is adding(form, "breaker").first, "an entry is marked, not its box, whose other entries may come before it"
    assert "wb-kind-panel-breakers" in form._things["panel.main.breakers.range-breaker"][0].box._dom_classes


def test_no_answer_of_the_program_and_no_entry_moves_the_keys(form, session):
    with_panel(form)
    to(form, "loads")
    add(form, "load", kind="range", connected_to="range-breaker")
    at, marks = form.aim.at, tuple(form.aim.at._dom_classes)
    for told in session.told:
        told()
    row(form, "load.range.voltage").entry.value = "240 V"
    form.draft.undo()
    assert form.aim.at is at
    assert [one for one in at._dom_classes if one.startswith("wb-aim")] == [one for one in marks if one.startswith("wb-aim")]


def test_only_buttons_that_a_person_presses_to_go_on_are_followed(form):
    import ipywidgets as widgets

    with_panel(form)
    followed = [stop.description for stop in stops(form.box) if isinstance(stop, widgets.Button) and "wb-goes" in stop._dom_classes]
    assert followed == ["Add a breaker to main", "Back", "Next step"]


def test_a_step_begins_at_what_it_needs_else_at_a_new_thing_else_at_the_way_on(form):
    form.go(1)
    assert aimed(form) is row(form, "dwelling.floor_area").entry
    to(form, "panel")
    form.go(1)
    assert form._step == "breakers"
    assert aimed(form).description == "Next step", "there is no panel to which a breaker could be added"
    with_panel(form)
    form.go(1)
    assert form._step == "sub-panels"
    assert aimed(form) is adding(form, "panel")._entries["kind"]
    to(form, "record")
    form.go(1)
    assert aimed(form) is adding(form, "paper")._entries["for"]


def test_what_is_needed_stands_before_what_helps_if_it_is_known_and_the_enter_key_meets_it_alone(form):
    to(form, "panel")
    add(form, "main", kind="panelboard", connected_to="service")
    asked = [stop.description for stop in stops(form._things["panel.main"][0].inside)]
    told = [words.endswith("(if known)") for words in asked if not words.startswith("Take out")]
    assert told == sorted(told)
    assert open_ones(form) == ["panel.main.bus", "panel.main.main"]
    row(form, "panel.main.bus").entry.value = "200 A"
    assert open_ones(form) == ["panel.main.main"]
    row(form, "panel.main.bus").entry.value = ""
    assert open_ones(form) == ["panel.main.bus", "panel.main.main"]


def test_a_second_main_panel_is_not_offered(form):
    to(form, "panel")
    assert [one for one in form._adders_here if one.startswith("panel ")]
    add(form, "main", kind="panelboard", connected_to="service")
    assert not [one for one in form._adders_here if one.startswith("panel ")]


def test_a_load_needs_no_stop_more_however_many_stand_before_it(form):
    """Tab stops from the entry that a press leads to, to the entry of the next needed answer."""
    with_panel(form)
    to(form, "loads")
    counts = []
    for kind in ("range", "dryer", "water-heater", "dishwasher"):
        add(form, "load", kind=kind, connected_to="main")
        entries = stops(form.box)
        where = {path: entries.index(row(form, f"load.{kind}.{path}").entry) for path in ("rating", "voltage")}
        counts.append((entries.index(aimed(form)) - where["rating"], where["voltage"] - where["rating"]))
        row(form, f"load.{kind}.rating").entry.value = "1.2 kW"
        row(form, f"load.{kind}.voltage").entry.value = "240 V"
    assert len(set(counts)) == 1
    assert counts[0][0] == 0


# the breaker of a circuit, and what it tells


def test_the_breaker_of_a_circuit_is_added_where_the_charger_is_and_taken_as_its_breaker(form):
    with_panel(form)
    to(form, "charger")
    form.known.origin.value = "photo"
    fold = next(one for key, one in form._kept.items() if isinstance(key, str) and "charger-breaker" in key)
    assert fold.button.description.startswith("Add a breaker for this circuit to main")
    add(form, "charger-breaker", rating="60 A", poles="2")
    new = adding(form, "charger")
    assert new._entries["connected_to"].value == "charger-breaker"
    assert aimed(form) is new._button, "nothing is open any more: it may be added"
    new.add()
    assert form.draft.field("evse.charger.connected_to").text == "charger-breaker"
    assert form.draft.field("panel.main.breakers.charger-breaker.rating").origin == "photo"
    assert [key for key in form._things if key.startswith("panel.")] == ["panel.main.breakers.charger-breaker"]
    assert aimed(form) is row(form, "evse.charger.rating").entry


def test_where_the_charger_is_added_its_breaker_is_asked_whether_it_is_too(form):
    with_panel(form)
    to(form, "charger")
    add(form, "charger-breaker", rating="60 A", poles="2")
    adding(form, "charger").add()
    status, breaker = "evse.charger.status", "panel.main.breakers.charger-breaker"
    assert status in open_ones(form)
    assert row(form, status).entry.description == "Is it there, does this work add it, or does it come out?"
    form._things[breaker][0].turn(False)
    row(form, status).entry.value = "existing"
    assert not form._things[breaker][0].opened
    row(form, status).entry.value = "added"
    assert form._things[breaker][0].opened, "what is needed now can be gone to"
    assert f"{breaker}.status" in open_ones(form)
    row(form, f"{breaker}.status").entry.value = "added"
    assert form.draft.field(f"{breaker}.status").text == "added"
    assert f"{breaker}.status" not in open_ones(form)


def test_a_breaker_that_is_added_where_one_is_chosen_takes_the_place_of_none(form):
    with_panel(form)
    to(form, "charger")
    add(form, "charger", connected_to="range-breaker")
    next(iter(form._adders_here.values())).turn(False)
    add(form, "charger-breaker", rating="60 A", poles="2")
    assert form.draft.field("evse.charger.connected_to").text == "range-breaker"
    assert aimed(form) is row(form, "evse.charger.connected_to").entry
    assert "charger-breaker" in [value for _, value in aimed(form).options]


@pytest.mark.parametrize("step,name,kind", [("solar", "pv", "pv-inverter"), ("storage", "battery-inverter", "storage-inverter")])
def test_the_breaker_of_an_inverter_is_added_in_its_step(form, step, name, kind):
    with_panel(form)
    to(form, step)
    breaker = {"solar": "pv-breaker", "storage": "storage-breaker"}[step]
    add(form, breaker, rating="40 A", poles="2")
    new = adding(form, name)
    assert new._entries["connected_to"].value == breaker
    assert aimed(form) is new._entries["kind"]
    new._entries["kind"].value = kind
    new.add()
    assert next(one for one in form.draft.groups() if one.kind == "source").fields
    assert f"panel.main.breakers.{breaker}" in form._things


def test_the_voltage_is_taken_from_the_poles_of_the_breaker_with_how_they_are_known_and_can_be_undone(form):
    to(form, "panel")
    add(form, "main", kind="panelboard", connected_to="service")
    to(form, "breakers")
    form.known.origin.value = "directory"
    form.known.note.value = "photo 4"
    add(form, "breaker", id="range-breaker", rating="40 A", poles="2")
    add(form, "breaker", id="disposer-breaker", rating="20 A", poles="1")
    to(form, "loads")
    form.known.origin.value = "nameplate"
    add(form, "load", kind="range", connected_to="range-breaker")
    field = form.draft.field("load.range.voltage")
    assert (field.text, field.origin, field.note) == ("240 V", "directory", "photo 4; poles of range-breaker: 2")
    assert "240 V (poles of range-breaker: 2)" in form._line.box.value
    assert row(form, "load.range.voltage").entry.value == "240 V"
    assert open_ones(form) == ["load.range.rating", "load.range.current"], "either is enough"
    add(form, "load", kind="disposer", connected_to="main")
    assert form.draft.field("load.disposer.voltage").text == "", "a panel tells no voltage"
    row(form, "load.disposer.connected_to").entry.value = "disposer-breaker"
    assert form.draft.field("load.disposer.voltage").text == "120 V"
    row(form, "load.disposer.connected_to").entry.value = "range-breaker"
    assert form.draft.field("load.disposer.voltage").text == "120 V", "what is there is never changed"
    form.draft.undo()
    assert form.draft.field("load.disposer.voltage").text == "", "what a choice tells goes with the choice"
    assert form.draft.field("load.disposer.connected_to").text == "main"
    form.draft.undo()
    assert form.draft.field("load.disposer.voltage") is None, "a thing with all that was said of it is one step"


@pytest.mark.parametrize("entries,text", [({"multiwire": "true"}, ""), ({"multiwire": "false"}, "240 V"), ({"poles": ""}, "")])
def test_no_voltage_is_taken_where_the_breaker_does_not_tell_it(form, entries, text):
    with_panel(form)
    for name, value in entries.items():
        form.draft.set(f"panel.main.breakers.range-breaker.{name}", value)
    to(form, "loads")
    add(form, "load", kind="range", connected_to="range-breaker")
    assert form.draft.field("load.range.voltage").text == text


def test_rating_or_current_is_enough_and_the_question_says_so(form):
    with_panel(form)
    to(form, "loads")
    add(form, "load", kind="air-conditioner", connected_to="range-breaker")
    rating, current = (row(form, f"load.air-conditioner.{name}") for name in ("rating", "current"))
    assert "enough in its place" in rating.entry.description
    assert current.entry.description.endswith("in place of the rating?")
    entries = stops(form.box)
    assert entries.index(current.entry) == entries.index(rating.entry) + 1
    assert open_ones(form) == ["load.air-conditioner.rating", "load.air-conditioner.current"]
    current.entry.value = "21 A"
    assert open_ones(form) == []
    assert row(form, "load.air-conditioner.current") is current, "what is typed into stays"
    assert "needed open" not in form._things["load.air-conditioner"][0].button.description


# the next photo


@pytest.mark.parametrize(
    "note,after",
    [("photo 3", "photo 4"), ("photo", "photo 1"), ("", "photo 1"), ("photo 09", "photo 10"), ("plan 2, photo 9", "plan 2, photo 10")],
)
def test_the_next_photo_raises_the_number_of_the_note(form, note, after):
    form.known.note.value = note
    form.known._photo.click()
    assert form.known.note.value == after


def test_the_next_photo_of_another_source_goes_on_from_the_last_one(form):
    form.known.origin.value = "nameplate"
    form.known.note.value = "photo 3"
    to(form, "house")
    row(form, "dwelling.laundry_circuits").entry.value = "1"
    form.known.origin.value = "directory"
    assert form.known.note.value == ""
    form.known._photo.click()
    assert form.known.note.value == "photo 4"
    row(form, "dwelling.floor_area").entry.value = "1420 ft^2"
    known = form.draft.field("dwelling.floor_area")
    assert (known.origin, known.note) == ("directory", "photo 4")
    assert [stop.description for stop in stops(form.known.box)] == ["What I enter now is known from", "note", "Next photo"]


def test_a_number_alone_is_that_of_the_photo_or_of_what_the_notes_before_it_were_of(form):
    to(form, "house")
    counts = ("dwelling.laundry_circuits", "dwelling.small_appliance_circuits", "dwelling.floor_area")
    texts = ("1", "2", "1420 ft^2")
    for path, text, note, kept in zip(counts, texts, ("11", "sheet 4", "7"), ("photo 11", "sheet 4", "sheet 7"), strict=True):
        form.known.note.value = note
        row(form, path).entry.value = text
        assert form.draft.field(path).note == kept
    form.known.next_photo()
    assert form.known.note.value == "sheet 8"


def test_a_note_that_is_written_before_its_source_is_kept(form):
    form.known.note.value = "photo 8"
    form.known.origin.value = "data-sheet"
    to(form, "house")
    row(form, "dwelling.laundry_circuits").entry.value = "1"
    known = form.draft.field("dwelling.laundry_circuits")
    assert (known.origin, known.note) == ("data-sheet", "photo 8")


def with_inverter(form) -> None:
    """An inverter that may form an island, at the step of storage."""
    to(form, "storage")
    add(form, "storage-breaker", rating="30 A", poles="2")
    add(form, "battery-inverter", kind="multimode-inverter", connected_to="storage-breaker")


def with_backup_panel(form) -> None:
    """A panel behind that inverter with a breaker, in the step after the storage."""
    with_inverter(form)
    to(form, "backup-panel")
    add(form, "backup-panel", kind="panelboard", connected_to="battery-inverter")
    add(form, "breaker", id="well-breaker", rating="20 A", poles="2")


def test_what_was_added_before_may_be_chosen_as_what_parts_the_home_from_the_utility(form):
    with_panel(form)
    to(form, "outage")
    islanding = next(one for one in form._kept.values() if isinstance(one, Row) and one.path == "backup.islanding")
    assert [text for _, text in islanding.entry.options] == [""]
    with_inverter(form)
    add(form, "transfer", connected_to="range-breaker")
    to(form, "outage")
    islanding = next(one for one in form._kept.values() if isinstance(one, Row) and one.path == "backup.islanding")
    assert [text for _, text in islanding.entry.options] == ["", "battery-inverter", "transfer"]
    islanding.entry.value = "battery-inverter"
    assert form.draft.field("backup.islanding").text == "battery-inverter"


def test_it_says_to_save_once_all_steps_were_come_to(tmp_path):
    site = tmp_path / "elder-8.toml"
    text = (ROOT / "example_inputs" / "sites" / "bungalow-100a.toml").read_text(encoding="utf-8")
    made = Session(site, "service_load", beginning=text.replace('id = "bungalow-100a"', 'id = "elder-8"'))
    form = visit_form.Visit(made)
    said = re.sub("<.*?>", "", form._head.value)
    assert said.startswith("Nothing that is needed is open so far; not come to yet: 8. Sub-panels and feeders; 9. Storage; 11. Solar"), said
    steps = [key for _, key in form._choice.options]
    for _ in steps:
        form.go(1)
    assert form._step == steps[-1]
    assert "Nothing that is needed is open: look at the verdict, then save" in form._head.value
    form._choice.value = "meter"
    assert "Nothing that is needed is open: look at the verdict, then save" in form._head.value, "also from another step"
    made.close()


def test_a_load_whose_kind_says_little_is_named_by_its_breaker(form):
    with_panel(form)
    add(form, "breaker", id="lights", rating="15 A", poles="1")
    to(form, "loads")
    for kind, breaker in (("plug", "lights"), ("plug", "lights"), ("fastened", "dryer-breaker"), ("plug", "main"), ("range", "main")):
        add(form, "load", kind=kind, connected_to=breaker)
    named = [group.path for group in form.draft.groups() if group.kind == "load"]
    assert named == ["load.lights-load", "load.lights-load-2", "load.dryer", "load.main-load", "load.range"]


def test_an_id_that_another_thing_has_is_refused(form):
    with_panel(form)
    to(form, "loads")
    before = form.draft.text
    add(form, "load", id="range-breaker", kind="range", connected_to="range-breaker")
    assert "range-breaker is the id of another thing. Do: give it another, as range-breaker-2." in form._line.box.value
    assert form.draft.text == before
    assert aimed(form) is adding(form, "load")._entries["id"]
    assert "wb-refused" in form.aim.at._dom_classes


def test_a_breaker_of_a_panel_that_is_added_is_added_with_it(form):
    with_panel(form)
    with_backup_panel(form)
    field = form.draft.field("panel.backup-panel.breakers.well-breaker.status")
    assert not field.given, "nothing is said of the panel"
    row(form, "panel.backup-panel.status").entry.value = "added"
    add(form, "breaker", id="lights-breaker", rating="15 A", poles="1")
    assert form.draft.field("panel.backup-panel.breakers.lights-breaker.status").text == "added"
    assert "status added (panel.backup-panel: added)" in form._line.box.value
    assert not form.draft.field("panel.backup-panel.breakers.well-breaker.status").given
    form.draft.undo()
    assert form.draft.group("panel.backup-panel.breakers.lights-breaker") is None, "it goes with the breaker"


def test_an_answer_that_makes_others_needed_moves_none_of_them(form):
    with_panel(form)
    with_backup_panel(form)
    to(form, "loads")
    add(form, "load", id="well", kind="well-pump", connected_to="well-breaker")
    add(form, "load", id="range", kind="range", connected_to="range-breaker")
    to(form, "outage")
    assert "load.well" not in form._things
    form.draft.set("backup.islanding", "battery-inverter")
    assert form._things["load.well"][0].opened, "what is backed up stands open with what is needed of it"
    assert "load.range" not in form._things, "what is not backed up is asked nothing"
    path = "load.well.outage_from"
    since = row(form, path)
    order = [key for key in form._rows if key.startswith("load.well.")]
    since.entry.value = "18:00"
    assert row(form, path) is since
    assert [key for key in form._rows if key.startswith("load.well.")] == order
    needed = {f"load.well.{name}" for name in ("outage_energy_per_day", "outage_until", "locked_rotor_current", "running_power")}
    assert needed <= set(open_ones(form))


def test_after_something_is_taken_out_the_keys_go_on_in_its_step(form):
    with_panel(form)
    with_inverter(form)
    path = "source.battery-inverter"
    form._things[path][0].turn(True)
    assert "wb-goes" in form._kept[f"out {path}"]._dom_classes
    form._kept[f"out {path}"].click()
    assert path not in form._things
    assert aimed(form) in stops(form._inside), "not at saving"
    to(form, "breakers")
    stays = "panel.main.breakers.range-breaker"
    to(form, "loads")
    add(form, "load", id="range", kind="range", connected_to="range-breaker")
    to(form, "breakers")
    form._things[stays][0].turn(True)
    form._kept[f"out {stays}"].click()
    assert stays in form._things
    assert aimed(form) is form._kept[f"out {stays}"]


def test_a_list_of_words_keeps_how_it_is_known(form, tmp_path):
    to(form, "meter")
    form.known.origin.value = "photo"
    form.known.note.value = "photo 4"
    row(form, "service.electrodes").entry.value = "rod"
    row(form, "service.electrodes").entry.value = "rod, water-pipe"
    field = form.draft.field("service.electrodes")
    assert (field.text, field.origin, field.note) == ("rod, water-pipe", "photo", "photo 4")
    assert "photo, photo 4" in row(form, "service.electrodes").hint.value
    to(form, "panel")
    add(form, "main", kind="panelboard", connected_to="service")
    form.draft.set("site.edition", "2023")
    assert 'electrodes = { value = ["rod", "water-pipe"], from = "photo", note = "photo 4" }' in form.draft.text
    assert read_home(tmp_path / "elder-7.toml", text=form.draft.text).site.service.electrodes == ("rod", "water-pipe")


def test_where_a_field_has_no_source_it_is_said_that_none_is_kept(form):
    words = "its source is not kept: this field has none"
    row(form, "site.originator").entry.value = "ab"
    assert words not in row(form, "site.originator").hint.value
    form.known.origin.value = "photo"
    row(form, "site.originator").entry.value = "abc"
    assert words in row(form, "site.originator").hint.value
    to(form, "house")
    row(form, "dwelling.floor_area").entry.value = "1420 ft^2"
    assert words not in row(form, "dwelling.floor_area").hint.value


def test_what_is_added_without_an_id_is_told_by_its_title(form):
    with_panel(form)
    to(form, "charger")
    add(form, "charger", connected_to="range-breaker")
    to(form, "control")
    add(form, "vehicle", evse="charger")
    assert "Added Vehicle 1." in form._line.box.value
    assert form._things["vehicle.0"][0].button.description.startswith("Vehicle 1 ")
    assert set(open_ones(form)) == {"vehicle.0.need_per_night", "vehicle.0.arrive", "vehicle.0.depart"}
    form._remove("vehicle.0")
    assert "Took out Vehicle 1." in form._line.box.value


# saving by keys


def test_saving_leads_from_each_of_its_buttons_to_the_next_that_matters(form, session, tmp_path):
    saving = panels.Saving(session, form.kit, form.aim)
    form.draft.set("site.edition", "2023")
    saving.show()
    assert aimed(form) is saving._save
    assert saving._save.layout.display is None
    saving.save()
    assert aimed(form) is saving._render
    assert (tmp_path / "elder-7.toml").read_text(encoding="utf-8") == form.draft.text
    saving.show()
    assert aimed(form) is saving._render, "there is nothing to save"
    form.draft.set("site.edition", "2020")
    saving.render()
    assert aimed(form) is saving._show, "it must be saved first"
    assert "wb-refused" in saving._show._dom_classes
    saving.show()
    assert "wb-refused" not in saving._show._dom_classes
    (tmp_path / "elder-7.toml").write_text("# another\n", encoding="utf-8")
    saving.save()
    assert aimed(form) is saving._anew
    pressed = [stop for stop in (saving._show, saving._save, saving._anew, saving._render) if "wb-goes" in stop._dom_classes]
    assert len(pressed) == 4
    assert "wb-saves" in saving._show._dom_classes


def test_what_was_rendered_is_a_link_from_the_folder_of_the_notebook(form, session, tmp_path, monkeypatch):
    (tmp_path / "notebooks").mkdir()
    monkeypatch.chdir(tmp_path / "notebooks")
    saving = panels.Saving(session, form.kit, form.aim)
    folder = tmp_path / "a home"
    folder.mkdir()
    (folder / "service_load.html").touch()
    saving._link_to(folder)
    (output,) = saving._link.outputs
    assert 'href="../a%20home/index.html"' in output["data"]["text/html"]


def test_a_visit_that_was_begun_is_marked_where_it_starts_and_what_is_refused_at_its_id(tmp_path):
    start = Start(tmp_path)
    start._name.value = "no id"
    start.begin()
    assert "wb-refused" in start._name._dom_classes
    start._name.value = "elder-8"
    start.begin()
    try:
        assert not [one for one in start._name._dom_classes if one.startswith("wb-")]
        (below,) = start._below.children
        marked = [one for one in every(below) if "wb-aim" in one._dom_classes]
        assert len(marked) == 1
        assert stops(marked[0])[0].description.startswith("What is the address?")
        goes = [one.description for one in every(start.widget()) if "wb-goes" in one._dom_classes]
        assert goes[:2] == ["Begin the visit", "Take the visit up"]
    finally:
        start.session.close()


def every(box) -> list[object]:
    """A widget with all that stands in it."""
    return [box, *(one for part in getattr(box, "children", ()) for one in every(part))]


# what is so


def state_of(form, key: str) -> str:
    """What is said of a step where it is chosen."""
    return next(words.rpartition(": ")[2] for words, one in form._choice.options if one == key)


def test_a_step_says_what_is_so_of_it(form):
    assert state_of(form, "breakers") == "nothing entered yet"
    assert state_of(form, "solar") == "nothing entered yet"
    assert state_of(form, "panel") == "1 needed open"
    with_panel(form)
    assert state_of(form, "breakers") == "answered"
    to(form, "solar")
    form.go(-1)
    assert state_of(form, "solar") == "nothing entered yet", "it was not passed by"
    to(form, "solar")
    form.go(1)
    assert state_of(form, "solar") == "nothing stands here"
    to(form, "solar")
    add(form, "pv", id="roof", kind="pv-inverter", connected_to="range-breaker")
    assert state_of(form, "solar").endswith("needed open")


def test_what_is_kept_and_what_is_saved_is_said_in_one_way(form, session):
    whole = visit_page.assembled(session)
    told = " ".join(box.value for box in texts(whole))
    assert "Changes are not saved" not in told
    assert "the site file itself, elder-7.toml, is written with Save it so" in told
    to(form, "house")
    row(form, "dwelling.floor_area").entry.value = "1420 ft^2"
    for show in session.told:
        show()
    told = " ".join(box.value for box in texts(whole))
    assert "What you enter is kept in the working copy; the site file, elder-7.toml, is written with Save it so." in told
    assert "Changes are not saved" not in told
    assert session.draft.changed


def texts(box) -> list[object]:
    """Every text that stands in a widget."""
    import ipywidgets as widgets

    return [box] * isinstance(box, widgets.HTML) + [one for part in getattr(box, "children", ()) for one in texts(part)]


def test_a_disconnect_stands_between_its_breaker_and_what_is_added_after_it(form):
    with_panel(form)
    to(form, "solar")
    add(form, "pv-breaker", id="pv-breaker", rating="40 A", poles="2")
    source = adding(form, "pv")
    assert source._entries["connected_to"].value == "pv-breaker"
    add(form, "pv-off", id="pv-off", role="source", connected_to="pv-breaker")
    assert source._entries["connected_to"].value == "pv-off"
    assert "still hangs" not in form._line.box.value
    source._entries["kind"].value = "pv-inverter"
    source.add()
    assert form.draft.field("source.pv.connected_to").text == "pv-off"


def test_a_disconnect_that_is_added_later_is_not_put_between_without_being_asked_for(form):
    with_panel(form)
    to(form, "solar")
    add(form, "pv-breaker", id="pv-breaker", rating="40 A", poles="2")
    add(form, "pv", kind="pv-inverter")
    add(form, "pv-off", id="pv-off", role="source", connected_to="pv-breaker")
    assert form.draft.field("source.pv.connected_to").text == "pv-breaker"
    assert "source.pv still hangs on pv-breaker: where pv-off stands between, choose it there" in form._line.box.value
