"""The form as objects of widgets, without a browser: what it shows, what it takes, what it leaves alone."""

from __future__ import annotations

import re
import shutil
import tomllib
from html import unescape

import pytest

from tests.conftest import ROOT
from workbook_lib import home
from workbook_lib.errors import Fault, InputFault
from workbook_lib.home.raw import ORIGINS, prepare
from workbook_lib.home.references import REFERS, Index
from workbook_lib.live import keeping, panels, session, study
from workbook_lib.live.board import Board
from workbook_lib.live.draft import Draft
from workbook_lib.live.fields import EMPTY_LIST, groups
from workbook_lib.live.form import FIRST_OPEN, Form
from workbook_lib.live.rows import AS_WRITTEN, IMPERIAL, METRIC, NOT_GIVEN, UNITS, Kit, Row, in_units
from workbook_lib.live.worker import Answer, CheckLine, Done, Faults, Inverse, Progress, SheetParts

SITES = ROOT / "example_inputs" / "sites"
CONTROL = SITES / "bungalow-control-100a.toml"
RATING = "evse.evse-1.rating"


class Asked:
    """Stands in for the processes: notes what is asked."""

    def __init__(self, told):
        self.tasks = []

    def ask(self, task) -> None:
        self.tasks.append(task)

    def close(self) -> None:
        pass


@pytest.fixture
def opened(tmp_path, monkeypatch):
    monkeypatch.setattr(session, "Answers", Asked)
    shutil.copytree(SITES / "jurisdictions", tmp_path / "jurisdictions")
    shutil.copy(CONTROL, tmp_path / "home.toml")
    one = session.Session(tmp_path / "home.toml", "service_load")
    one.study()
    return one


def answer(
    opened, verdict="fail", uses=(RATING, "service.rating"), rests=(RATING,), missing=("panel.main.spaces",), markup="THE VERDICT"
) -> Answer:
    line = CheckLine("bus", "does it carry?", verdict, "-6 A", True, "106 A is more than 100 A")
    return Answer(opened.asked, "service_load", verdict, line, (line,), f"<p>{markup}</p>", "<p>FIRST RESULTS</p>", uses, rests, missing)


def settle(opened, one: Answer | None = None) -> None:
    opened._hear(one or answer(opened))
    opened._hear(SheetParts(opened.asked, {name: f"<p>{name}</p>" for name in ("checks", "verdict")}, ()))
    opened._hear(Done(opened.asked))


@pytest.fixture
def form(opened):
    one = Form(opened)
    settle(opened)
    return one


def every(widget):
    """A widget and all that stand in it."""
    yield widget
    for child in getattr(widget, "children", ()):
        yield from every(child)


def unfolded(form: Form) -> Form:
    """The form with every fold open."""
    for _ in range(6):
        for fold in list(form._folds.values()):
            fold.turn(True)
    return form


def words(widget) -> str:
    return unescape(re.sub(r"<[^>]+>", "", widget.value))


def row(form: Form, path: str) -> Row:
    return unfolded(form)._rows[path][-1]


# what it shows


def test_what_decides_stands_first_with_the_thing_that_it_is_of(form):
    first = [one.path for rows in form._rows.values() for one in rows if one.box in form._first.children]
    assert set(first) == {RATING, "panel.main.spaces"}
    assert form._first.children[0].children[0].description.startswith(("Panel main: ", "Charger evse-1: "))
    assert len(form._first.children) <= FIRST_OPEN
    assert form._renew.layout.display == "none"


def test_a_field_can_be_typed_into_before_the_first_answer_and_stays_under_the_hand(opened):
    """What is added to the home stands first until it is known what decides; the program never takes a field that is typed into."""
    form = Form(opened)
    first = {path for path, rows in form._rows.items() for one in rows if one.box in form._first.children}
    added = [group for group in opened.draft.groups() for group in group.groups() if group.there]
    added = [group for group in added if any(field.name == "status" and field.text == "added" for field in group.fields)]
    assert added
    assert RATING in first
    assert all(any(path.startswith(f"{group.path}.") for group in added) for path in first)
    assert not form._things.children
    typed = form._rows[RATING][0]
    typed.entry.value = "32 A"
    assert opened.draft.field(RATING).text == "32 A"
    settle(opened, answer(opened, rests=("service.rating",)))
    assert typed.box in form._first.children
    assert typed in form._rows[RATING]
    assert form._things.children
    assert form._renew.layout.display is None
    opened.draft.set(RATING, "24 A")
    assert typed.entry.value == "24 A", "it is still told what the draft holds"
    form._renew.click()
    assert {path for path, rows in form._rows.items() for one in rows if one.box in form._first.children} == {
        "service.rating",
        "panel.main.spaces",
    }


def test_without_anything_added_the_service_stands_first(opened):
    opened.draft.take_up(opened.draft.text.replace('"added"', '"existing"'))
    form = Form(opened)
    first = {path for path, rows in form._rows.items() for one in rows if one.box in form._first.children}
    assert "service.rating" in first
    assert all(path.startswith("service.") for path in first)
    opened._hear(answer(opened))
    assert RATING in {path for path, rows in form._rows.items() for one in rows if one.box in form._first.children}


def test_a_button_offers_other_fields_once_others_decide_and_takes_nothing_away_by_itself(form, opened):
    opened.draft.set(RATING, "32 A")
    before = form._first.children
    settle(opened, answer(opened, rests=("service.rating",), missing=()))
    assert form._first.children == before
    assert form._renew.layout.display is None
    form._renew.click()
    assert [one.children[0].description for one in form._first.children] == ["Service: " + opened.draft.field("service.rating").leaf.label]
    assert form._renew.layout.display == "none"


def test_sections_that_the_workbook_asks_come_before_the_rest(form, opened):
    titles = [box.children[0].description for box in form._things.children]
    assert [title.split("  ")[0] for title in titles[-3:]][0].startswith("Things that this workbook does not ask")
    assert titles[-2].startswith("Add a thing")
    assert titles[-1].startswith("Not in the file yet")
    assert {title.split("  ")[0] for title in titles[:-3]} >= {"Site", "Study", "Charger evse-1", "Service"}


def test_every_field_of_the_home_is_in_the_form_once_all_is_open(form, opened):
    wanted = {field.path for group in opened.draft.groups() for field in group.every()}
    assert set(unfolded(form)._rows) == wanted


def test_every_entry_has_a_label_and_says_more(form):
    import ipywidgets as widgets

    found = [one for one in every(unfolded(form).box) if isinstance(one, (widgets.Text, widgets.Dropdown, widgets.Checkbox))]
    assert len(found) > 300
    assert all(one.description.strip() for one in found)
    inside = [one for rows in form._rows.values() for made in rows for one in every(made.box)]
    entries = [one for one in inside if isinstance(one, (widgets.Text, widgets.Dropdown, widgets.Checkbox))]
    assert entries
    assert all(one.tooltip for one in entries)
    buttons = [one for one in every(form.box) if isinstance(one, widgets.Button)]
    assert buttons
    assert all(one.description.strip() for one in buttons)


def test_references_are_chosen_from_exactly_what_may_be_named(form, opened):
    import ipywidgets as widgets

    index = Index(prepare(tomllib.loads(opened.draft.text))[0])
    seen = 0
    for group in groups(opened.draft.text):
        for field in group.every():
            if (field.table, field.name) not in REFERS:
                continue
            allowed = index.names(REFERS[field.table, field.name][0])
            if field.name == "connected_to":  # nothing hangs on itself
                own = next(
                    one.text for thing in group.groups() for one in thing.fields if one.path == field.path.replace("connected_to", "id")
                )
                allowed = [one for one in allowed if one.removesuffix(":lugs") != own]
            entry = row(form, field.path).entry
            if field.several and allowed:
                boxes = [one for one in every(entry) if isinstance(one, widgets.Checkbox)]
                assert [one.description for one in boxes] == [*allowed, EMPTY_LIST]
                assert {one.description for one in boxes if one.value} == set(filter(None, field.text.split(", ")))
            elif not field.several:
                assert isinstance(entry, widgets.Dropdown)
                assert [value for _, value in entry.options] == ["", *([] if field.text in ("", *allowed) else [field.text]), *allowed]
                assert entry.value == field.text
            seen += 1
    assert seen > 20


def test_how_a_value_is_known_stands_beside_it(form, opened):
    one = row(form, "panel.main.bus")
    assert (one.entry.value, one.origin.value, one.note.value) == ("125 A", "nameplate", "photo 5")
    assert one.origin.options == ORIGINS
    assert row(form, "site.permit_date").origin is None
    assert row(form, "panel.main.neutral_bonded").entry.options[0] == (NOT_GIVEN, "")


# what it takes


def test_what_is_typed_is_entered_and_told_against_the_file(form, opened):
    one = row(form, RATING)
    one.entry.value = "32 A"
    assert 'rating = "32 A"' in opened.draft.text
    assert "the file says 48 A (data-sheet)" in words(one.hint)
    assert one.origin.value == "stated"
    assert all(other.entry.value == "32 A" for other in form._rows[RATING]), "the same field in two places says the same"
    one.origin.value = "photo"
    one.note.value = "photo 9"
    assert 'rating = { value = "32 A", from = "photo", note = "photo 9" }' in opened.draft.text
    one.entry.value = "48 A"
    assert opened.draft.text == opened.read_text
    assert one.origin.value == "data-sheet"


def test_a_wrong_entry_is_told_beside_the_field_and_beside_the_verdict(form, opened):
    board = Board(opened)
    one = row(form, RATING)
    before = opened.draft.text
    for text in ("", "3", "32", "32 kW"):
        one.entry.value = text
    assert "Not taken:" in words(one.hint)
    assert "current is wanted" in words(one.hint)
    assert "wb-wrong" in one.box._dom_classes
    assert one.entry.value == "32 kW"
    assert "32 kW" not in opened.draft.text
    assert "32" not in opened.draft.text.partition("evse-1")[2][:120]
    assert "1 entry is not taken" in words(board.status)
    assert RATING in words(board.status)
    assert any("1 to mend" in fold.button.description for path, fold in form._folds.items() if path == "evse.evse-1")
    one.entry.value = "48 A"
    assert opened.draft.text == before
    assert "Not taken" not in words(one.hint)
    assert "wb-wrong" not in one.box._dom_classes
    assert "not taken" not in words(board.status)


def test_a_fault_of_the_file_stands_beside_its_field(form, opened):
    opened.draft.set(RATING, "32 A")
    opened._hear(Faults(opened.asked, (Fault("home.toml", RATING, "is odd", "32 A", "another <b>", "think"),)))
    opened._hear(Done(opened.asked))
    one = row(form, RATING)
    assert "Fault: is odd; found 32 A; accepted: another <b>; do: think" in words(one.hint)
    assert "<b>" not in one.hint.value
    board = Board(opened)
    assert "No verdict" in words(board.status)
    assert "is odd" in words(board.verdict)
    opened.draft.set(RATING, "30 A")
    settle(opened)
    assert "Fault" not in words(one.hint)


def test_what_is_typed_is_never_markup(form, opened):
    one = row(form, "panel.main.spaces")
    one.entry.value = "<script>x</script>"
    assert "<script" not in one.hint.value
    assert "<script" in words(one.hint)
    opened.draft.set("site.address", "<img src=x>")
    assert "<img" not in row(form, "site.address").hint.value


def test_boxes_of_a_list_keep_its_order_and_its_required_last(form, opened):
    one = row(form, "control.limiter.controls")
    box = {each.description: each for each in one._boxes}
    box["range"].value = True
    assert opened.draft.field("control.limiter.controls").text == "evse-1, hot-tub, range"
    box["evse-1"].value = False
    assert opened.draft.field("control.limiter.controls").text == "hot-tub, range"
    box["evse-1"].value = True
    assert opened.draft.field("control.limiter.controls").text == "hot-tub, range, evse-1"


def test_a_list_of_nothing_is_another_thing_than_no_list(form, opened):
    one = row(form, "records.seasonal_missing")
    box = {each.description: each for each in one._boxes}
    assert opened.draft.field(one.path).text == EMPTY_LIST
    assert box[EMPTY_LIST].value
    before = opened.draft.text
    box["hot-tub"].value = True
    assert opened.draft.field(one.path).text == "hot-tub"
    assert not box[EMPTY_LIST].value
    box[EMPTY_LIST].value = True
    assert opened.draft.text == before
    assert not box["hot-tub"].value
    box[EMPTY_LIST].value = False
    assert not opened.draft.field(one.path).given


def test_units_change_what_stands_beside_and_nothing_else(form, opened):
    before, asked = opened.draft.text, len(opened.answers.tasks)
    area, ambient = row(form, "dwelling.floor_area"), row(form, "raceway.riser.ambient")
    form.units.value = METRIC
    assert f"= {1600 * 0.09290304:.6g} m^2" in words(area.hint)
    form.units.value = IMPERIAL
    assert "= 100.4 degF" in words(ambient.hint)
    assert (area.entry.value, ambient.entry.value) == ("1600 ft^2", "38 degC")
    form.units.value = AS_WRITTEN
    assert "=" not in words(area.hint)
    assert opened.draft.text == before
    assert len(opened.answers.tasks) == asked
    assert not opened.draft.can_undo
    assert form.units.options == UNITS


@pytest.mark.parametrize(
    "text, units, said",
    [
        ("1600 ft^2", METRIC, "148.645 m^2"),
        ("120 m^2", IMPERIAL, "1291.67 ft^2"),
        ("30 ft", METRIC, "9.144 m"),
        ("-40 degC", IMPERIAL, "-40 degF"),
    ],
)
def test_a_value_in_other_units(text, units, said):
    draft = Draft('[dwelling]\n[[raceway]]\nid = "r"\n[[evse]]\nid = "e"\n[evse.conductor]\n')
    path = {"^2": "dwelling.floor_area", "ft": "evse.e.conductor.length", "gC": "raceway.r.ambient"}["^2" if "^2" in text else text[-2:]]
    assert draft.set(path, text) is None
    assert in_units(draft.field(path), units) == said


# things


def test_a_thing_is_added_shown_and_taken_out(form, opened):
    import ipywidgets as widgets

    form._folds["add"].turn(True)
    kind, button = form._folds["add"].inside.children[0].children
    assert isinstance(kind, widgets.Dropdown)
    kind.value = "evse"
    button.click()
    assert tomllib.loads(opened.draft.text)["evse"][-1] == {"id": "charger-1"}
    assert "evse.charger-1" in form._folds
    assert form._folds["evse.charger-1"].opened
    assert "charger-1" in [one.text for one in opened.draft.groups() for one in one.fields if one.name == "id"]
    assert ("charger-1", "charger-1") in row(form, "vehicle.0.evse").entry.options
    form._remove("evse.charger-1")
    assert opened.draft.text.count("charger-1") == 0
    assert ("charger-1", "charger-1") not in row(form, "vehicle.0.evse").entry.options
    form._remove("evse.evse-1")
    assert "Not done:" in words(form._line.box)
    assert "vehicle.0.evse" in words(form._line.box)
    assert "evse-1" in opened.draft.text


def test_a_breaker_is_added_where_it_stands_and_can_feed_at_once(form, opened):
    unfolded(form)
    button = next(one for one in every(form.box) if getattr(one, "description", "") == "Add a breaker to panel main")
    button.click()
    assert tomllib.loads(opened.draft.text)["panel"][0]["breakers"][-1] == {"id": "breaker-1"}
    entry = row(form, "load.range.connected_to").entry
    entry.value = "breaker-1"
    assert tomllib.loads(opened.draft.text)["load"][0]["connected_to"] == "breaker-1"
    box = row(form, "panel.main.breakers.breaker-1.id").entry
    box.value = "new-range"
    assert tomllib.loads(opened.draft.text)["load"][0]["connected_to"] == "new-range"
    assert row(form, "load.range.connected_to").entry.value == "new-range"


def test_a_layout_that_cannot_be_changed_here_is_told(form, opened, monkeypatch):
    from workbook_lib.home.patch import Unpatchable

    def never(*_):
        raise Unpatchable("the layout of the file is not understood")

    monkeypatch.setattr("workbook_lib.live.draft.take_out", never)
    monkeypatch.setattr("workbook_lib.live.draft.put", never)
    monkeypatch.setattr("workbook_lib.live.draft.add_row", never)
    before = opened.draft.text
    form._remove("vehicle.0")
    assert "not understood" in words(form._line.box)
    form._add(("load",), {}, "load")
    assert "not understood" in words(form._line.box)
    one = row(form, "panel.main.bus")
    one.origin.value = "photo"
    one.entry.value = "225 A"
    assert "does not let it be changed here" in words(one.hint)
    assert opened.draft.text == before


# what is older


def test_what_is_older_says_so_everywhere(opened):
    board, part = Board(opened), study.Part(opened, "checks")
    board.checks.turn(True)
    assert "Being calculated" in part._widget.value
    assert "Calculating" in words(board.status)
    settle(opened)
    assert "The verdict is of what is entered." in words(board.status)
    assert all("OLDER" not in one.value for one in (board.verdict, board.short, board._checks, part._widget))
    opened.draft.set(RATING, "32 A")
    assert "older than what is entered" in words(board.status)
    assert "Changes are not saved." in words(board.status)
    assert all("OLDER" in one.value for one in (board.verdict, board.short, board._checks, part._widget))
    opened._hear(answer(opened, "pass", markup="NEW"))
    assert "OLDER" not in board.verdict.value
    assert "NEW" in board.verdict.value
    assert "OLDER" in part._widget.value, "the whole sheet is not there yet"
    assert "of what is entered. Still at work." in words(board.status), "before it is told with what"
    opened._hear(Progress(opened.asked, "the whole sheet", 3, 5))
    assert "of what is entered. Still at work: the whole sheet" in words(board.status)
    opened.draft.set(RATING, "40 A")
    assert "Calculating; what is shown is older" in words(board.status), "what an older study did is not told of the newer one"
    settle(opened, answer(opened, "pass"))
    assert "at work" not in words(board.status)
    assert "OLDER" not in part._widget.value


def test_a_whole_sheet_that_cannot_be_made_leaves_the_verdict_and_says_why(opened):
    board, part = Board(opened), study.Part(opened, "checks")
    opened._hear(answer(opened))
    opened._hear(Faults(opened.asked, (), "a value cannot be computed: no row for <this>"))
    opened._hear(Done(opened.asked))
    assert "THE VERDICT" in board.verdict.value
    assert "OLDER" not in board.verdict.value
    assert "The verdict is of what is entered." in words(board.status)
    assert "The whole sheet could not be made: a value cannot be computed: no row for <this>." in words(board.status)
    assert "<this>" not in board.status.value
    assert words(part._widget) == "This part could not be made: a value cannot be computed: no row for <this>"
    settle(opened)
    assert "could not be made" not in words(board.status)
    assert "could not be made" not in words(part._widget)


def test_what_moved_is_named_with_before_and_now(opened):
    board = Board(opened)
    settle(opened)
    opened.draft.set(RATING, "32 A")
    settle(opened, answer(opened, "pass"))
    assert "does it carry: fail before, pass now" in words(board.moved)


def test_with_faults_no_sheet_is_shown(opened):
    board, part = Board(opened), study.Part(opened, "checks")
    settle(opened)
    opened.draft.set(RATING, "32 A")
    opened._hear(Faults(opened.asked, (), "a value cannot be computed: no row"))
    opened._hear(Done(opened.asked))
    assert "no row" in words(board.verdict)
    assert board._checks.value == ""
    assert board.short.value == ""
    assert "No sheet" in part._widget.value


# panels


def test_a_misspelt_key_is_renamed_or_taken_out_beside_its_fault(opened):
    right = opened.draft.text
    wrong = right.replace("\nfloor_area =", "\nflor_area =").replace("\n[dwelling]", '\nodd_thing = "x"\n[dwelling]')
    assert wrong.count("flor_area") == 1
    board = Board(opened)
    opened.draft.take_up(wrong)
    with pytest.raises(InputFault) as found:
        home.read_home(opened.file, text=wrong)
    opened._hear(Faults(opened.asked, tuple(found.value.faults)))
    opened._hear(Done(opened.asked))
    buttons = {one.description: one for one in every(board.mending.box) if hasattr(one, "click")}
    odd = next(one for one in buttons if one.endswith("odd_thing"))
    assert set(buttons) == {"Rename it to floor_area", "Take out dwelling.flor_area", odd}
    buttons["Rename it to floor_area"].click()
    assert tomllib.loads(opened.draft.text)["dwelling"] == tomllib.loads(right)["dwelling"]
    buttons[odd].click()
    assert tomllib.loads(opened.draft.text) == tomllib.loads(right)
    assert "odd_thing" not in opened.draft.text
    settle(opened)
    assert board.mending._bars.children == ()
    opened.draft.undo()
    opened.draft.undo()
    assert opened.draft.text == wrong


def test_undo_and_redo_are_live_only_where_there_is_something(opened):
    steps = panels.Steps(opened, Kit(lambda path: None))
    assert steps._undo.disabled
    assert steps._redo.disabled
    opened.draft.set(RATING, "32 A")
    assert not steps._undo.disabled
    steps._undo.click()
    assert opened.draft.text == opened.read_text
    assert not steps._redo.disabled


def test_undo_and_redo_tell_what_they_changed_until_the_next_change(opened):
    steps = panels.Steps(opened, Kit(lambda path: None))
    opened.draft.set(RATING, "32 A")
    assert words(steps._line.box) == ""
    steps._undo.click()
    assert words(steps._line.box) == "Undone. Charger evse-1: charger rating: 32 A before, 48 A (data-sheet) now."
    steps._redo.click()
    assert words(steps._line.box) == "Done again. Charger evse-1: charger rating: 48 A (data-sheet) before, 32 A now."
    opened.draft.set(RATING, "24 A")
    assert words(steps._line.box) == ""
    held = "\n".join(line for line in opened.draft.text.split("\n") if 'id = "dishwasher", kind' not in line)
    opened.draft.take_up(held)
    steps._undo.click()
    assert words(steps._line.box).startswith("Undone. Load dishwasher: ")
    assert "nothing before, 10 A (nameplate) now" in words(steps._line.box)


def test_an_answer_is_asked_and_taken_into_the_form(opened):
    settle(opened)
    asking = panels.Asking(opened, Kit(lambda path: None))
    question = next(one for _, one in asking._menu.options if one.kind == "charger")
    asking._menu.value = question
    asking._ask.click()
    assert opened.answers.tasks[-1].question == question
    assert asking._take.layout.display == "none"
    line = CheckLine("bus", "q?", "fail", "-1 A", True, "101 A is more than <100 A>")
    opened._hear(Inverse(opened.asked, question, "40 A", ((RATING, "40 A"),), "Largest charger: 40 A", (line,)))
    opened._hear(Done(opened.asked))
    assert "Largest charger: 40 A" in words(asking._shown)
    assert "more than <100 A>" in words(asking._shown)
    assert asking._take.layout.display is None
    asking._take.click()
    assert opened.draft.field(RATING).text == "40 A"
    assert asking._take.layout.display == "none", "it was the answer to another text"
    assert asking._shown.value == ""


def test_variants_are_held_compared_taken_up_and_let_go(opened):
    settle(opened)
    holding = panels.Holding(opened, Kit(lambda path: None))
    opened.draft.set(RATING, "32 A")
    settle(opened, answer(opened, "pass"))
    holding._name.value = "32 A charger"
    holding.hold()
    assert "Held as 32 A charger" in words(holding._line.box)
    assert "48 A (data-sheet)" in words(holding._table)
    assert "evse.evse-1.rating" in words(holding._table)
    holding._name.value = "32 a CHARGER"
    holding.hold()
    assert "Not done:" in words(holding._line.box)
    assert "held already" in words(holding._line.box)
    entered = opened.draft.text
    holding._one.value = panels.BASE
    holding.take_up()
    assert opened.draft.text == opened.read_text
    holding._one.value = "32 A charger"
    holding.take_up()
    assert opened.draft.text == entered
    holding.let_go()
    assert keeping.variants(opened.file) == ()
    assert list(holding._one.options) == [panels.BASE]


def test_the_difference_is_shown_before_it_is_saved(opened):
    settle(opened)
    saving = panels.Saving(opened, Kit(lambda path: None))
    assert saving._save.layout.display == "none"
    saving.show()
    assert "Nothing to save" in words(saving._line.box)
    opened.draft.set(RATING, "32 A")
    saving.show()
    assert saving._save.layout.display is None
    assert '"32 A"' in unescape(saving._shown.value)
    opened.draft.set(RATING, "30 A")
    assert saving._save.layout.display == "none"
    assert saving._shown.value == ""
    saving.save()
    assert opened.file.read_text() == opened.read_text, "what was not looked at is shown, not saved"
    saving.save()
    assert opened.file.read_text() == opened.draft.text
    assert "Saved: home.toml" in words(saving._line.box)


def test_a_file_changed_on_disk_is_not_written_over_from_the_form(opened):
    saving = panels.Saving(opened, Kit(lambda path: None))
    opened.draft.set(RATING, "32 A")
    entered, other = opened.draft.text, opened.read_text + "# by another\n"
    saving.show()
    opened.file.write_text(other)
    saving.save()
    assert "changed on disk" in words(saving._line.box)
    assert opened.file.read_text() == other
    assert opened.draft.text == entered
    assert saving._anew.layout.display is None
    saving.read_anew()
    assert (opened.read_text, opened.draft.base) == (other, other)
    assert opened.draft.text == f"{entered}# by another\n", "what was entered is put on it, and nothing else"
    assert opened.draft.field(RATING).text == "32 A"
    assert "# by another" in opened.draft.text
    assert opened.draft.can_undo
    saving.show()
    saving.save()
    assert opened.file.read_text() == opened.draft.text


def test_sheets_are_rendered_from_the_saved_file_alone(opened):
    saving = panels.Saving(opened, Kit(lambda path: None))
    opened.draft.set(RATING, "32 A")
    saving.render()
    assert "Save first" in words(saving._line.box)
    assert saving._process is None


def test_the_whole_study_says_what_an_earlier_session_kept(opened, monkeypatch):
    opened.draft.set(RATING, "32 A")
    entered = opened.draft.text
    live = study.LiveStudy(opened.file, "service_load")
    widget = live.widget()
    told = " ".join(words(one) for one in every(widget) if hasattr(one, "value") and isinstance(one.value, str))
    assert "Changes of an earlier session are kept and not saved" in told
    assert "The file has changed" not in told
    button = next(one for one in every(widget) if getattr(one, "description", "") == "Take up what was entered")
    button.click()
    assert live.session.draft.text == entered
    assert live.widget() is widget
    opened.file.write_text(opened.read_text + "# by another\n")
    again = study.LiveStudy(opened.file, "service_load")
    told = " ".join(words(one) for one in every(again.widget()) if hasattr(one, "value") and isinstance(one.value, str))
    assert "The file has changed since they were entered" in told


def test_a_home_that_is_opened_anew_closes_its_older_form_which_says_so(opened):
    first = study.opened(opened.file, "service_load")
    part, widget = first.checks(), first.widget()
    settle(first.session)
    first.session.draft.set(RATING, "32 A")
    entered = first.session.draft.text
    other = study.opened(opened.file, "backup_duration")
    assert not first.session.left, "another workbook has a form of its own"
    second = study.opened(opened.file, "service_load")
    assert first.session.left
    assert "This form is closed" in " ".join(words(one) for one in every(widget) if hasattr(one, "value") and isinstance(one.value, str))
    assert not any(hasattr(one, "continuous_update") or hasattr(one, "click") for one in every(widget)), "nothing to type into or press"
    assert "of a form that is closed" in words(part._widget)
    assert not second.session.left
    assert second.session.begun.text == entered
    for one in (other, second):
        one.leave()


def test_a_thing_with_another_id_stays_open_and_where_it_was(form, opened):
    form._add(("load",), {}, "load")
    assert form._folds["load.load-1"].opened
    row(form, "load.load-1.id")
    opened.draft.set("load.load-1.id", "kiln")
    assert form._folds["load.kiln"].opened
    assert "load.load-1" not in form._folds
    opened.draft.set("evse.evse-1.id", "car")
    assert form._folds["evse.car"].opened
    assert form._folds["evse.car more"].opened
    opened.draft.set("panel.main.id", "big")
    assert form._folds["panel.big"].opened
    assert form._folds["panel.big.breakers.range-breaker"].opened
    titles = [box.children[0].description for box in form._things.children]
    place = next(number for number, title in enumerate(titles) if title.startswith("Things that"))
    assert any(title.startswith("Charger car") for title in titles[:place])
    assert any(title.startswith("Load kiln") for title in titles[:place])


def test_widgets_that_are_shown_no_more_are_let_go(form, opened):
    from ipywidgets.widgets import widget

    for name in ("evse.evse-1", "others", "load.range", "panel.main"):
        form._folds[name].turn(True)
    counts = []
    for number in range(4):
        opened.draft.set(RATING, f"{20 + number} A")
        form._add(("load",), {}, "load")
        form._remove("load.load-1")
        opened.draft.undo()
        opened.draft.undo()
        opened.draft.undo()
        form.decide()
        counts.append(len(widget._instances))
    assert counts[1] == counts[2] == counts[3]
    assert opened.draft.text == opened.read_text


def test_a_breaker_with_another_id_can_be_worked_at_further(form, opened):
    row(form, "panel.main.breakers.range-breaker.id").entry.value = "oven-breaker"
    one = row(form, "panel.main.breakers.oven-breaker.rating")
    one.entry.value = "40 A"
    assert opened.draft.field("panel.main.breakers.oven-breaker.rating").text == "40 A"
    assert "panel.main.breakers.range-breaker.rating" not in form._rows


def test_undoing_a_value_makes_nothing_anew(form, opened):
    one = row(form, RATING)
    one.entry.value = "32 A"
    opened.draft.undo()
    assert row(form, RATING) is one
    assert one.entry.value == "48 A"
