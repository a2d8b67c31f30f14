"""Several answers in one line in the form of a site visit: all of it entered, with how it is known, or nothing, and what is wrong told."""

from __future__ import annotations

import re

import pytest

from tests.conftest import ROOT
from tests.test_visit import content
from tests.test_visit_form import add, adding, form, row, session, to, with_panel
from workbook_lib.live import beginning, in_line, visit, visit_data
from workbook_lib.live.draft import Draft

__all__ = ["form", "session"]
SIZE = "service.conductor.size"
RISER = "4/0 AWG Al XHHW-2, neutral 2/0, terminals 75 degC, RMC, air 38 degC, 22 ft"


def texts(form, of: str) -> dict[str, str]:
    """What is entered of a thing, but its id."""
    return {field.name: field.text for field in form.draft.group(of).fields if field.given and field.name != "id"}


def told(form) -> str:
    """What the line of the visit says."""
    return form._line.box.value


def names(form, kind: str) -> list[str]:
    """Key paths of the things of a kind."""
    return [one.path for group in form.draft.groups() for one in group.groups() if one.kind == kind and one.row]


def typed_line(form, name: str, text: str) -> None:
    """A line at the name of a new thing."""
    adding(form, name)._entries["id"].value = text
    adding(form, name).add()


def at_breakers(form) -> None:
    """A main panel, at the step of its breakers."""
    to(form, "panel")
    add(form, "main", kind="panelboard", connected_to="service")
    to(form, "breakers")


# a run


def test_a_run_in_one_line_is_entered_whole_with_its_raceway_and_how_it_is_known(form):
    to(form, "service-conductors")
    form.known.origin.value, form.known.note.value = "photo", "photo 2"
    row(form, SIZE).entry.value = RISER
    assert texts(form, "service.conductor") == {
        "size": "4/0",
        "material": "Al",
        "insulation": "XHHW-2",
        "neutral": "2/0",
        "terminals": "75 degC",
        "length": "22 ft",
        "raceway": "riser",
    }
    assert texts(form, "raceway.riser") == {"kind": "RMC", "ambient": "38 degC"}
    said = [form.draft.field(f"service.conductor.{name}") for name in ("size", "material", "insulation", "neutral", "terminals", "length")]
    assert {(one.origin, one.note) for one in (*said, form.draft.field("raceway.riser.ambient"))} == {("photo", "photo 2")}
    assert row(form, SIZE).entry.value == "4/0", "the entry shows what the field holds"
    assert "insulation XHHW-2" in told(form)
    assert form.draft.undo()
    assert not form.draft.field(SIZE).given, "one step back"
    assert names(form, "raceway") == []


def test_a_run_that_is_not_read_stays_as_typed_and_nothing_of_it_is_entered(form):
    to(form, "service-conductors")
    before = form.draft.text
    for wrong, words in (
        (f"{RISER}, foo", "foo"),
        (f"{RISER}, ground 4", "grounding is not asked"),
        ("4/0 Al, 9000 ft", "9000 ft"),
        ("4/0 Al, air 38 degC", "which raceway"),
        ("4/0 Al, terminals 80 degC", "80 degC"),
        ("as battery-inverter, 12 ft", "no run of that name"),
    ):
        row(form, SIZE).entry.value = wrong
        assert form.draft.text == before, wrong
        assert row(form, SIZE).entry.value == wrong
        assert words in row(form, SIZE).hint.value
    row(form, SIZE).entry.value = "4/0 AWG"
    assert texts(form, "service.conductor") == {"size": "4/0"}
    assert form.draft.wrong == {}


def test_a_line_without_a_size_takes_the_place_of_one_that_was_not_read(form):
    to(form, "service-conductors")
    row(form, SIZE).entry.value = "4/0 Al, foo"
    row(form, SIZE).entry.value = "Al XHHW-2, 22 ft"
    assert form.draft.wrong == {}
    assert row(form, SIZE).entry.value == ""
    assert texts(form, "service.conductor") == {"material": "Al", "insulation": "XHHW-2", "length": "22 ft"}


def test_a_size_is_told_once_it_is_left_so_that_no_half_of_a_line_is_taken(form):
    to(form, "service-conductors")
    assert not row(form, SIZE).entry.continuous_update
    assert row(form, "service.conductor.length").entry.continuous_update


def with_charger(form) -> None:
    """A charger with its breaker, at its step."""
    to(form, "charger")
    add(form, "charger-breaker", rating="60 A", poles="2")
    add(form, "charger", connected_to=next(one.rpartition(".")[2] for one in reversed(names(form, "breakers"))))


def test_a_run_as_another_takes_all_but_its_length_and_has_a_raceway_of_its_own(form):
    to(form, "service-conductors")
    row(form, SIZE).entry.value = RISER
    at_breakers(form)
    with_charger(form)
    row(form, "evse.charger.conductor.size").entry.value = "as service, ground 4, 30 ft, air 40 degC"
    whole = texts(form, "evse.charger.conductor")
    assert whole.pop("raceway") != "riser"
    found = {name: text for name, text in texts(form, "service.conductor").items() if name not in ("length", "raceway")}
    assert whole == {**found, "grounding": "4", "length": "30 ft"}
    assert texts(form, "raceway.riser")["ambient"] == "38 degC", "what is said of one run is not said of another"
    own = form.draft.field("evse.charger.conductor.raceway").text
    assert texts(form, f"raceway.{own}") == {"kind": "RMC", "ambient": "40 degC"}


def test_what_is_typed_once_more_goes_into_the_raceway_of_the_run_unless_another_shares_it(form):
    to(form, "service-conductors")
    row(form, SIZE).entry.value = RISER
    row(form, SIZE).entry.value = "4/0 Al, RMC, air 45 degC"
    assert names(form, "raceway") == ["raceway.riser"]
    assert texts(form, "raceway.riser")["ambient"] == "45 degC"
    at_breakers(form)
    with_charger(form)
    row(form, "evse.charger.conductor.raceway").entry.value = "riser"
    row(form, "evse.charger.conductor.size").entry.value = "6 Cu, EMT, air 50 degC"
    assert texts(form, "raceway.riser")["ambient"] == "45 degC"
    assert len(names(form, "raceway")) == 2


# breakers and loads


def test_a_directory_in_one_line_adds_each_breaker_or_none(form):
    at_breakers(form)
    form.known.origin.value, form.known.note.value = "directory", "photo 4"
    typed_line(form, "breaker", "range 50 A 2 pole; kitchen-1 20 1; kitchen-2 20 1")
    assert names(form, "breakers") == [f"panel.main.breakers.{name}" for name in ("range", "kitchen-1", "kitchen-2")]
    field = form.draft.field("panel.main.breakers.kitchen-2.rating")
    assert (field.text, field.origin, field.note) == ("20 A", "directory", "photo 4")
    assert adding(form, "breaker")._entries["id"].value == "", "the next line begins empty"
    before = form.draft.text
    for wrong, words in (
        ("dryer 30 2; range 40 2", "range is the id of another thing"),
        ("dryer 30 2; dryer 30 2", "dryer is the id of another thing"),
        ("dryer 30 2; oven 40 3", "oven"),
        ("dryer 30 2; oven 40", "oven 40"),
    ):
        typed_line(form, "breaker", wrong)
        assert form.draft.text == before, wrong
        assert words in told(form)
        assert adding(form, "breaker")._entries["id"].value == wrong, "what was typed stays"
    assert form.draft.undo()
    assert names(form, "breakers") == [], "one step back"


def test_loads_in_one_line_are_named_and_take_the_voltage_of_their_breakers(form):
    with_panel(form)
    typed_line(form, "breaker", "heat 30 2; lights 15 1; office 20 1")
    to(form, "loads")
    typed_line(form, "load", "range on range-breaker 12 kW; heat-pump on heat 16 A, 1 A; plug on lights; plug on office")
    assert names(form, "load") == ["load.range", "load.heat-pump", "load.lights-load", "load.office-load"]
    assert [texts(form, one)["voltage"] for one in names(form, "load")] == ["240 V", "240 V", "120 V", "120 V"]
    assert texts(form, "load.heat-pump")["current"] == "16 A, 1 A"
    before = form.draft.text
    typed_line(form, "load", "dryer on dryer-breaker 5 kW; range on nothing 12 kW")
    assert form.draft.text == before
    assert "nothing" in told(form)


def test_where_what_was_added_in_one_line_lacks_an_answer_the_keys_go_on_there(form):
    with_panel(form)
    to(form, "loads")
    typed_line(form, "load", "range on range-breaker; dryer on dryer-breaker 5 kW")
    assert form.aim.at is row(form, "load.range.rating").box


def test_the_examples_that_are_shown_are_read():
    shown = [question.where for step in visit_data.steps() for question in step.questions if question.line]
    assert len(shown) > 4
    assert all(in_line.RUN_EXAMPLE in where for where in shown)
    said = (ROOT / "README.md").read_text(encoding="utf-8")
    rows = [line for line in said.splitlines() if line.startswith(("| the size of the conductors", "| the name of a new"))]
    runs, breakers, loads = ([one for one in re.findall("`(.*?)`", line) if in_line.is_line(one)] for line in rows)
    assert [in_line.read_run(one).conductor for one in runs[:2]] == [in_line.read_run(in_line.RUN_EXAMPLE).conductor] * 2
    assert in_line.read_run(runs[2]).alike == "battery-inverter"
    assert [row["id"] for row in in_line.read_breakers(breakers[0])] == [row["id"] for row in in_line.read_breakers(breakers[1])]
    assert [row["kind"] for row in in_line.read_loads(loads[0])] == ["range", "heat-pump", "well-pump", "plug"]


# beside the lines


def test_a_comma_behind_which_the_next_is_about_to_be_typed_is_kept(form):
    to(form, "meter")
    entry = row(form, "service.electrodes").entry
    for letter in "rod, water pipe":  # as a person types
        entry.value += letter
    assert form.draft.field("service.electrodes").text == "rod, water-pipe"


def test_a_store_behind_an_inverter_that_is_added_is_taken_as_added(form):
    at_breakers(form)
    to(form, "storage")
    add(form, "storage-breaker", rating="50 A", poles="2")
    add(form, "battery-inverter", kind="multimode-inverter", connected_to="storage-breaker")
    row(form, "source.battery-inverter.status").entry.value = "added"
    add(form, "battery", inverter="battery-inverter")
    assert form.draft.field("storage.battery.status").text == "added"
    assert "status of battery-inverter: added" in form.draft.field("storage.battery.status").note


def test_at_the_end_what_is_needed_and_open_is_led_back_to_once(form):
    last = visit_data.steps()[-1].key
    to(form, last)
    opened = [step.key for step in visit.open_steps(form._content())]
    assert opened[:2] == ["job", "house"]
    led = []
    while not form._next.disabled:
        form.go(1)
        led.append(form._step)
    assert led == [*opened, last], "each once, then to the end"
    to(form, "job")
    form.go(1)
    assert form._step == last


def test_a_visit_that_lacks_nothing_needed_ends_at_its_last_step():
    last = visit_data.steps()[-1].key
    assert visit.following(content("bungalow-100a"), last, ()) == ""
    assert visit.following(content("unfinished-survey-200a"), last, ()) == "service-conductors"
    assert visit.following(content("unfinished-survey-200a"), last, ("service-conductors", "charger")) == ""


def test_all_that_is_one_step_is_told_once():
    draft, heard = Draft(beginning.beginning("elder-7")), []
    draft.listeners.append(heard.append)
    with draft.one_step():
        draft.set("site.edition", "2023")
        draft.add(("raceway",), {"id": "riser", "kind": "RMC"})
        assert heard == []
        with draft.one_step("inner"):
            draft.set("dwelling.floor_area", "1500 ft^2")
        assert heard == [], "an inner step is part of the outer one"
    assert heard == [True]


def test_what_was_changed_is_told_whatever_ends_the_step():
    draft, heard = Draft(beginning.beginning("elder-7")), []
    draft.listeners.append(heard.append)

    def ends_early() -> None:
        with draft.one_step():
            draft.set("site.edition", "2020")
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        ends_early()
    assert heard == [False]
    with draft.one_step():
        pass
    assert heard == [False], "where nothing was changed nothing is told"


def test_after_a_line_of_loads_the_keys_are_at_the_name_of_the_next_again(form):
    with_panel(form)
    to(form, "loads")
    typed_line(form, "load", "range on range-breaker 12 kW; dryer on dryer-breaker 5 kW")
    assert form.aim.at is adding(form, "load")._entries["id"]
    to(form, "breakers")
    typed_line(form, "breaker", "heat 30 2; office 20 1")
    assert form.aim.at is adding(form, "breaker")._entries["id"]
    to(form, "loads")
    add(form, "load", kind="plug", connected_to="office")
    row(form, "load.office-load.rating").entry.value = "500 W"
    add(form, "load", kind="heat-pump", connected_to="heat")
    assert form.aim.at is row(form, "load.heat-pump.rating").box
