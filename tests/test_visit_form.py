"""The form of a site visit as objects, without a browser: what is typed into keeps its place, provenance is said once, steps are kept."""

from __future__ import annotations

import pytest

from workbook_lib.live import keeping, visit, visit_form
from workbook_lib.live.rows import Row
from workbook_lib.live.session import Session


@pytest.fixture
def session(tmp_path):
    """A visit that was just begun."""
    made = Session(tmp_path / "elder-7.toml", "service_load", beginning=visit.beginning("elder-7"))
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
    return next(one for one in form._kept.values() if isinstance(one, visit_form.Adding) and one._rows.name == name)


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
