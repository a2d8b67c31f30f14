"""What an engineer could lose or misread in an afternoon at the form: entries of two notebooks, of a record, of what is put in place."""

from __future__ import annotations

import shutil

import pytest

from tests.test_live_form import CONTROL, RATING, SITES, Asked, answer, settle, words
from workbook_lib.live import keeping, panels, records, session, study
from workbook_lib.live.answers import PROCESSES, Answers
from workbook_lib.live.board import Board
from workbook_lib.live.draft import Draft
from workbook_lib.live.rows import Kit, Row
from workbook_lib.live.worker import Answer, CheckLine, Done, Inverse, Looked, Task


class Sleeping(Asked):
    """Stands in for processes that may be ended for a while."""

    asleep = 0

    def sleep(self) -> None:
        self.asleep += 1


@pytest.fixture
def at(tmp_path, monkeypatch):
    """Opens the home, in another notebook each time; with `given` what the parameters cell puts in place."""
    monkeypatch.setattr(session, "Answers", Sleeping)
    shutil.copytree(SITES / "jurisdictions", tmp_path / "jurisdictions")
    shutil.copy(CONTROL, tmp_path / "home.toml")

    def begun(**given) -> session.Session:
        one = session.Session(tmp_path / "home.toml", "service_load", **given)
        one.study()
        return one

    return begun


def kit() -> Kit:
    return Kit(lambda path: None)


# two notebooks


def test_saving_in_one_notebook_leaves_what_another_keeps(at):
    one, other = at(), at()
    one.draft.set(RATING, "32 A")
    other.draft.set("dwelling.floor_area", "1500 ft^2")
    entered = other.draft.text
    assert keeping.working(one.file).text == entered
    one.save()
    assert keeping.working(one.file).text == entered
    assert at().begun.text == entered, "it is offered where the home is opened next"
    one.draft.set(RATING, "24 A")
    assert entered in [held.text for held in keeping.variants(one.file)]


def test_what_was_kept_goes_with_the_saving_of_it(at):
    one = at()
    one.draft.set(RATING, "32 A")
    assert keeping.working(one.file) is not None
    one.save()
    assert keeping.working(one.file) is None


def test_where_the_entries_of_another_notebook_are_set_aside_it_is_said(at):
    one, other = at(), at()
    board = Board(one)
    settle(one)
    other.draft.set(RATING, "16 A")
    one.draft.set(RATING, "32 A")
    settle(one)
    assert f'"{session.OF_ANOTHER}"' in words(board.status)
    assert [held.text for held in keeping.variants(one.file)] == [other.draft.text]


# variants


@pytest.mark.parametrize("name", [keeping.BASE, keeping.NOW, "The file as it is"])
def test_no_variant_is_called_what_stands_beside_the_variants(at, name):
    one = at()
    with pytest.raises(ValueError, match="choose another name"):
        one.hold(name)
    assert keeping.variants(one.file) == ()


@pytest.mark.parametrize("given", [{"overrides": {"service.rating": "200 A"}}, {"edition": "2017"}])
def test_verdicts_under_what_the_notebook_puts_in_place_are_not_those_of_a_variant(at, given):
    one = at(**given)
    settle(one)
    one.hold("six")
    assert keeping.variants(one.file)[0].verdicts == ()
    assert "with what the parameters cell puts in place" in panels.side_by_side(one)
    assert "parameters cell" in words(Board(one).status)
    plain = at()
    settle(plain)
    plain.hold("seven")
    assert keeping.variants(one.file)[0].verdicts
    assert "parameters cell" not in panels.side_by_side(plain)
    assert "parameters cell" not in words(Board(plain).status)


def test_after_saving_the_verdicts_of_the_file_are_those_of_what_was_saved(at):
    one = at()
    one.draft.set(RATING, "32 A")
    settle(one, answer(one, "pass"))
    one.save()
    assert one.base_verdicts["service_load"][0] == "pass"


def test_the_first_of_a_list_is_chosen_and_the_list_follows_the_folder(at):
    one = at()
    settle(one)
    holding = panels.Holding(one, kit())
    assert holding._one.value == keeping.BASE
    asking = panels.Asking(one, kit())
    assert asking._menu.value == asking._menu.options[0][1]
    one.hold("as found")
    holding.compare()
    assert list(holding._one.options) == [keeping.BASE, "as found"]
    keeping.let_go(one.file, "as found")
    holding.compare()
    assert list(holding._one.options) == [keeping.BASE]


# saving and rendering


def test_a_file_with_a_mark_before_it_is_saved_and_keeps_it(at):
    one = at()
    one.file.write_bytes(keeping.BOM.encode() + one.file.read_bytes())
    one = at()
    assert not one.file_moved
    one.draft.set(RATING, "32 A")
    one.save()
    assert one.file.read_text(encoding="utf-8") == keeping.BOM + one.draft.text
    assert not one.file_moved


def test_nothing_is_rendered_from_another_file_than_the_one_that_is_shown(at):
    one = at()
    settle(one)
    saving = panels.Saving(one, kit())
    one.file.write_text(one.file.read_text(encoding="utf-8") + "# by another\n", encoding="utf-8")
    saving.render()
    assert saving._process is None
    assert "changed on disk" in words(saving._line.box)


# an answer that is taken


def test_an_answer_is_taken_in_one_step_and_leaves_what_is_so_already(at):
    one = at()
    settle(one)
    asking = panels.Asking(one, kit())
    area, before = one.draft.field("dwelling.floor_area"), one.draft.text
    same = f"{float(area.text.split()[0]) / 10.7639104167097:.12g} m^2"
    line = CheckLine("bus", "q?", "fail", "-1 A", True, "101 A is more than 100 A")
    question = asking._menu.value
    one._hear(
        Inverse(
            one.asked, question, "40 A", ((RATING, "40 A"), ("dwelling.floor_area", same), ("service.rating", "125 A")), "40 A", (line,)
        )
    )
    one._hear(Done(one.asked))
    asking.take()
    assert one.draft.field("dwelling.floor_area") == area, "with how it is known"
    assert (one.draft.field(RATING).text, one.draft.field("service.rating").text) == ("40 A", "125 A")
    one.draft.undo()
    assert one.draft.text == before


# entries that are not taken


def test_undo_takes_back_first_what_was_not_taken(at):
    one = at()
    steps = panels.Steps(one, kit())
    one.draft.set(RATING, "40 A")
    one.draft.set(RATING, "32 B")
    steps._undo.click()
    assert one.draft.wrong == {}
    assert one.draft.field(RATING).text == "40 A"
    assert words(steps._line.box) == f"Undone. What was not taken is gone: {RATING}."
    steps._undo.click()
    assert one.draft.field(RATING).text == "48 A"
    assert steps._undo.disabled
    one.draft.set(RATING, "32 B")
    assert not steps._undo.disabled
    steps._undo.click()
    assert steps._undo.disabled


def test_an_entry_that_is_not_taken_says_what_the_file_says(at):
    one = at()
    row = Row(one.draft, one.draft.field(RATING), kit())
    one.draft.set(RATING, "")
    one.draft.set(RATING, "40")
    row.refresh(one.draft.field(RATING), one.draft.wrong[RATING])
    assert "Not taken" in row.hint.value
    assert "the file says 48 A (data-sheet)" in row.hint.value


# a record


@pytest.fixture
def meter(at):
    """A session with a record that was looked at and may be used."""
    one = at()
    settle(one)
    (one.file.parent / "year.csv").write_text("Interval start,Usage (kWh)\n", encoding="utf-8")
    one.draft.set("study.service_load_method", "optional-dwelling")
    one.draft.remove("records.load")
    settle(one)
    made = records.Meter(one, kit())
    made._file.value = "year.csv"
    seen(made)
    return made


def seen(meter) -> None:
    """Look at the record, and hear that it can be used."""
    meter.look()
    one = meter.session
    assert isinstance(one.answers.tasks[-1], Task)
    one._hear(Looked(one.asked, "<p>A YEAR</p>", (), ((), ""), {}))
    one._hear(Done(one.asked))


def test_what_was_entered_after_a_record_was_looked_at_is_neither_lost_nor_used_unseen(meter):
    one = meter.session
    one.draft.set(RATING, "40 A")
    settle(one)
    meter.take()
    assert "look at the record again" in words(meter._line.box)
    assert one.draft.field("records.load.file").text == ""
    seen(meter)
    meter.take()
    assert "Used as the load of the home" in words(meter._line.box)
    assert (one.draft.field(RATING).text, one.draft.field("records.load.file").text) == ("40 A", "year.csv")


def test_what_was_chosen_of_a_record_after_it_was_looked_at_is_looked_at_before_it_is_used(meter):
    one = meter.session
    assert meter._take.layout.display is None
    meter._trial.set("records.load.begins", "2025-03-01")
    assert meter._take.layout.display == "none"
    meter.take()
    assert one.draft.field("records.load.file").text == ""
    seen(meter)
    assert meter._take.layout.display is None
    one.draft.set(RATING, "24 A")
    settle(one)
    seen(meter)
    assert meter._trial.field("records.load.begins").text == "2025-03-01", "what was chosen is kept"
    meter._use.value = "fast_load"
    meter.take()
    assert "Used as the load of the home" in words(meter._line.box), "as it was looked at"
    assert (one.draft.field(RATING).text, one.draft.field("records.load.begins").text) == ("24 A", "2025-03-01")


# other homes in the same kernel


def test_a_home_that_another_is_opened_beside_has_no_processes_until_it_is_worked_at(at, monkeypatch, tmp_path):
    monkeypatch.setattr(study, "hear_in_turn", lambda: None)
    monkeypatch.setattr(study, "_OPEN", {})
    one = at()
    shutil.copy(one.file, tmp_path / "second.toml")
    first = study.opened(one.file, "service_load").session
    other = study.opened(one.file, "backup_duration").session
    assert first.state.running
    study.opened(tmp_path / "second.toml", "service_load")
    assert (first.answers.asleep, other.answers.asleep) == (1, 0)
    assert not first.state.running
    assert "Not calculated" in words(Board(first).status)
    asked = len(first.answers.tasks)
    first.draft.set(RATING, "32 A")
    assert len(first.answers.tasks) == asked + 1


def test_processes_that_sleep_are_ended_and_answer_again_when_asked():
    told: list[object] = []
    answers = Answers(told.append)
    text = CONTROL.read_text(encoding="utf-8")

    def asked(number: int) -> None:
        answers.ask(Task(number, CONTROL, text, "service_load", sheet=False))
        for _ in range(400):
            if any(isinstance(one, Answer) and one.number == number for one in told):
                return
            answers.pump(0.25)
        raise AssertionError(f"no answer to {number}")

    try:
        asked(1)
        first = [hand.process for hand in answers._hands]
        assert first
        answers.sleep()
        assert answers._hands == []
        assert not any(process.is_alive() for process in first)
        asked(2)
        assert 1 <= len(answers._hands) <= PROCESSES
        answers.sleep()
        answers.sleep()
    finally:
        answers.close()
    assert answers._hands == []


def test_what_a_field_says_is_the_same_in_whatever_unit():
    draft = Draft(CONTROL.read_text(encoding="utf-8"))
    assert draft.says("service.rating", "100 A")
    assert draft.says("service.rating", "0.1 kA")
    assert not draft.says("service.rating", "100.1 A")
    assert not draft.says("service.rating", "many")
