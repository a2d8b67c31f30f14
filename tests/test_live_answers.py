"""Studies in processes: the newest wins, an older one is left and never told, and what is shown says whether it is of what is entered."""

from __future__ import annotations

import importlib
import os
import shutil
import signal
import subprocess
import sys
from dataclasses import replace

import pytest

from tests.conftest import ROOT
from workbook_lib import editions, home, notebook
from workbook_lib.errors import CalculationFault, Fault, InputFault
from workbook_lib.live import answers as module
from workbook_lib.live import keeping, session, worker
from workbook_lib.live.answers import Answers
from workbook_lib.live.asking import Question
from workbook_lib.live.worker import Answer, CheckLine, Done, Faults, Inverse, Progress, SheetParts, Task
from workbook_lib.workbooks import REGISTRY

SITES = ROOT / "example_inputs" / "sites"
BUNGALOW, CONTROL = SITES / "bungalow-100a.toml", SITES / "bungalow-control-100a.toml"
LONG = Question("setting", "control.limiter.limit.0", "lowest control setting", "ev_load_management")


class Heard:
    """Answers with what they told, one pair of processes for all tests here."""

    def __init__(self):
        self.told: list[object] = []
        self.answers = Answers(self.told.append)
        self.number = 0

    def task(self, file, text: str | None = None, **more) -> Task:
        self.number += 1
        one = Task(self.number, file, file.read_text(encoding="utf-8") if text is None else text, "service_load", sheet=False)
        return replace(one, **more)

    def ask(self, task: Task) -> Task:
        self.answers.ask(task)
        return task

    def until(self, seen) -> None:
        for _ in range(1200):
            if seen():
                return
            self.answers.pump(0.25)
        raise AssertionError(f"not heard; last: {self.told[-3:]}")

    def rest(self) -> None:
        """Until every process is idle: what an earlier test left there is at its end."""
        self.until(lambda: all(hand.task is None for hand in self.answers._hands))

    def done(self, task: Task) -> list[object]:
        """What was told of a task, once it is done."""
        self.until(lambda: any(isinstance(one, Done) and one.number == task.number for one in self.told))
        return [one for one in self.told if one.number == task.number]


@pytest.fixture(scope="module")
def heard():
    one = Heard()
    yield one
    hands = [hand.process for hand in one.answers._hands]
    one.answers.close()
    assert len(hands) == module.PROCESSES
    assert not any(process.is_alive() for process in hands)


@pytest.mark.parametrize("name", ["bungalow-100a", "all-electric-200a", "cascade-200a", "unfinished-survey-200a"])
def test_each_answer_has_the_verdict_of_the_workbook(heard, name):
    path = SITES / f"{name}.toml"
    told = heard.done(heard.ask(heard.task(path, path.read_text(encoding="utf-8") + "\n# more\n")))
    found = {one.workbook: one for one in told if isinstance(one, Answer)}
    assert list(found) == list(REGISTRY), "the open workbook first"
    known = home.read_home(path)
    for workbook, one in found.items():
        sheet = notebook.sheet_of(known, workbook)
        assert one.verdict == str(sheet.verdict)
        assert one.verdict in one.markup
        if sheet.controlling is not None:
            assert (one.decider.key, one.decider.verdict) == (sheet.controlling.key, str(sheet.controlling.verdict))
        own = importlib.import_module(REGISTRY[workbook])
        quick = getattr(own, "verdict_study", own.study)(known, editions.load(known.edition_year))
        assert [(line.key, line.verdict, line.counts) for line in one.checks] == [
            (check.key, str(check.verdict), check.counts) for check in quick.checks
        ]
        assert set(one.rests) <= set(one.uses)
    assert sum(isinstance(one, Progress) for one in told) == len(REGISTRY) - 1
    assert all(isinstance(one, (Answer, Progress, Done)) for one in told)
    assert isinstance(told[-1], Done)
    assert not told[-1].left


def test_the_whole_sheet_comes_with_every_part_and_figure(heard):
    told = heard.done(heard.ask(heard.task(BUNGALOW, sheet=True)))
    sheet = next(one for one in told if isinstance(one, SheetParts))
    assert set(sheet.parts) == {"title_block", "verdict", *worker.WHOLE_PARTS}
    study = notebook.open(BUNGALOW)
    for name in ("checks", "steps", "inputs", "not_checked", "open_items"):
        assert sheet.parts[name] == getattr(study, name)()._repr_mimebundle_()["text/html"]
    assert "LIVE SESSION" in sheet.parts["title_block"]
    assert [title for title, *_ in sheet.figures] == [figure.title for figure in study.sheet.figures]


def test_of_many_changes_only_the_newest_is_told(heard):
    text = BUNGALOW.read_text(encoding="utf-8")
    first = len(heard.told)
    tasks = [heard.ask(heard.task(BUNGALOW, text.replace('"48 A"', f'"{amperes} A"'))) for amperes in (16, 20, 24, 30, 40, 48, 32)]
    told = heard.done(tasks[-1])
    assert {one.number for one in heard.told[first:]} == {tasks[-1].number}
    assert next(one for one in told if isinstance(one, Answer)).verdict == "judgement", "32 A leaves a judgement, 48 A fails"
    assert not heard.answers.busy


def test_an_older_study_that_does_not_come_to_a_stage_is_ended(heard, monkeypatch):
    heard.rest()
    monkeypatch.setattr(module, "GRACE_S", dict.fromkeys(module.GRACE_S, 0.0))
    ended, old = heard.answers.ended_count, heard.ask(heard.task(CONTROL, question=LONG))
    heard.until(lambda: any(isinstance(one, Progress) and one.number == old.number for one in heard.told))
    process = next(hand.process for hand in heard.answers._hands if hand.task is old)
    os.kill(process.pid, signal.SIGSTOP)  # a stage that takes for ever
    new = heard.ask(heard.task(BUNGALOW))
    said = len(heard.told)
    assert heard.answers.busy
    heard.done(new)
    heard.until(lambda: heard.answers.ended_count == ended + 1)
    process.join(10)
    assert not process.is_alive()
    assert {one.number for one in heard.told[said:]} == {new.number}


def test_an_older_study_is_left_at_its_next_stage_and_its_process_kept(heard, monkeypatch):
    heard.rest()
    monkeypatch.setattr(module, "GRACE_S", dict.fromkeys(module.GRACE_S, 1e6))
    ended, old = heard.answers.ended_count, heard.ask(heard.task(CONTROL, question=LONG))
    heard.until(lambda: any(isinstance(one, Progress) and one.number == old.number for one in heard.told))
    said = len(heard.told)
    news = [heard.ask(heard.task(BUNGALOW)) for _ in range(3)]
    heard.done(news[-1])
    heard.rest()
    assert heard.answers.ended_count == ended
    assert {one.number for one in heard.told[said:]} == {news[-1].number}
    assert not any(isinstance(one, Inverse) and one.number == old.number for one in heard.told)
    assert isinstance(heard.done(heard.ask(heard.task(BUNGALOW)))[0], Answer), "what was left behind is no task"


def test_a_process_that_dies_is_told_and_the_next_task_is_studied(heard):
    task = heard.ask(heard.task(CONTROL, question=LONG))
    heard.until(lambda: any(isinstance(one, Progress) and one.number == task.number for one in heard.told))
    hand = next(hand for hand in heard.answers._hands if hand.task is task)
    os.kill(hand.process.pid, signal.SIGKILL)
    told = heard.done(task)
    assert "ended before it was done" in next(one for one in told if isinstance(one, Faults)).words
    assert isinstance(told[-1], Done)
    assert isinstance(heard.done(heard.ask(heard.task(BUNGALOW)))[0], Answer)
    assert len(heard.answers._hands) == module.PROCESSES


def test_an_idle_process_that_dies_is_replaced_without_a_word(heard):
    heard.done(heard.ask(heard.task(BUNGALOW)))
    said = len(heard.told)
    for hand in list(heard.answers._hands):
        os.kill(hand.process.pid, signal.SIGKILL)
        hand.process.join(10)
    task = heard.ask(heard.task(BUNGALOW))
    assert not [one for one in heard.done(task) if isinstance(one, Faults)]
    assert {one.number for one in heard.told[said:]} == {task.number}


def test_faults_are_listed_as_the_reader_lists_them(heard):
    text = BUNGALOW.read_text(encoding="utf-8").replace('"48 A"', '"48"').replace('material = "Cu"', 'material = "gold"')
    told = heard.done(heard.ask(heard.task(BUNGALOW, text)))
    assert len(told) == 2
    with pytest.raises(InputFault) as caught:
        home.read_home(BUNGALOW, text=text)
    assert told[0].faults == caught.value.faults
    assert len(told[0].faults) == 2
    assert isinstance(heard.done(heard.ask(heard.task(BUNGALOW)))[0], Answer)


def test_a_mistake_of_the_program_is_told_and_the_next_task_is_studied(heard):
    told = heard.done(heard.ask(heard.task(BUNGALOW, workbook="no_such_workbook")))
    assert "unexpected error" in told[0].words
    assert "no_such_workbook" in told[0].words
    assert isinstance(heard.done(heard.ask(heard.task(BUNGALOW)))[0], Answer)


def test_edition_and_overrides_of_the_notebook_are_put_in_place(heard):
    given = (("evse.evse-1.rating", "32 A"),)
    told = heard.done(heard.ask(heard.task(BUNGALOW, edition="2020", overrides=given)))
    sheet = notebook.sheet_of(notebook.read(BUNGALOW, "2020", dict(given)), "service_load")
    assert (told[0].verdict, told[0].decider.key) == (str(sheet.verdict), sheet.controlling.key)


def test_what_is_stopped_is_not_told(heard):
    task = heard.ask(heard.task(CONTROL, question=LONG))
    heard.until(lambda: any(one.number == task.number for one in heard.told))
    heard.answers.stop()
    assert not heard.answers.busy
    said = len(heard.told)
    new = heard.ask(heard.task(BUNGALOW))
    heard.done(new)
    assert {one.number for one in heard.told[said:]} == {new.number}


# the session, with messages as processes send them


class Asked:
    """Stands in for the processes: notes what is asked."""

    def __init__(self, told):
        self.told, self.tasks, self.closed = told, [], False

    def ask(self, task: Task) -> None:
        self.tasks.append(task)

    def close(self) -> None:
        self.closed = True


@pytest.fixture
def opened(tmp_path, monkeypatch):
    monkeypatch.setattr(session, "Answers", Asked)
    shutil.copytree(SITES / "jurisdictions", tmp_path / "jurisdictions")
    shutil.copy(BUNGALOW, tmp_path / "home.toml")
    one = session.Session(tmp_path / "home.toml", "service_load")
    one.study()
    return one


def line(key: str, verdict: str, room: str = "1", counts: bool = True) -> CheckLine:
    return CheckLine(key, f"is {key} enough?", verdict, room, counts, f"{key}: {verdict}")


def answer(opened, workbook: str = "service_load", verdict: str = "pass", *lines: CheckLine) -> Answer:
    lines = lines or (line("bus", verdict),)
    return Answer(opened.asked, workbook, verdict, lines[0], lines, "", "", (), (), ())


def settle(opened, *answers: Answer) -> None:
    for one in answers or (answer(opened),):
        opened._hear(one)
    opened._hear(SheetParts(opened.asked, {}, ()))
    opened._hear(Done(opened.asked))


def test_nothing_is_of_what_is_entered_until_it_is_told(opened):
    assert not opened.current
    assert not opened.sheet_current
    assert opened.state.running
    opened._hear(answer(opened))
    assert opened.current
    assert not opened.sheet_current
    opened._hear(SheetParts(opened.asked, {}, ()))
    assert opened.sheet_current
    opened._hear(Done(opened.asked))
    assert not opened.state.running
    assert opened.state.progress is None


def test_with_every_change_what_is_shown_is_older_at_once(opened):
    settle(opened)
    seen = []
    opened.told.append(lambda: seen.append((opened.current, opened.sheet_current)))
    opened.draft.set("evse.evse-1.rating", "32 A")
    assert seen
    assert not any(one for pair in seen for one in pair)
    assert opened.answers.tasks[-1].text == opened.draft.text
    assert opened.answers.tasks[-1].number == opened.asked
    opened._hear(answer(opened))
    assert opened.current
    assert not opened.sheet_current
    opened.draft.undo()
    assert not opened.current
    opened._hear(answer(opened, "backfeed_and_tap"))
    assert not opened.current, "another workbook says nothing of the open one"


def test_a_wrong_entry_asks_nothing_and_leaves_the_verdict_of_the_value_before(opened):
    settle(opened)
    asked = len(opened.answers.tasks)
    opened.draft.set("evse.evse-1.rating", "32")
    assert len(opened.answers.tasks) == asked
    assert opened.current
    assert "evse.evse-1.rating" in opened.draft.wrong


def test_what_moved_is_told_against_what_stood_before(opened):
    settle(
        opened,
        answer(opened, "service_load", "fail", line("bus", "fail", "-6"), line("leg", "pass", "3"), line("shown", "pass", "1", False)),
    )
    opened.draft.set("evse.evse-1.rating", "32 A")
    assert opened.moved() == []
    settle(
        opened,
        answer(opened, "service_load", "pass", line("bus", "pass", "2"), line("leg", "pass", "4"), line("shown", "pass", "9", False)),
    )
    found = opened.moved()
    assert [(kind, before.key, before.room, now.room) for _, kind, before, now in found] == [
        ("verdict", "bus", "-6", "2"),
        ("room", "leg", "3", "4"),
    ]
    opened.draft.set("evse.evse-1.rating", "30 A")
    opened.draft.set("evse.evse-1.rating", "28 A")
    settle(opened, answer(opened, "service_load", "pass", line("bus", "pass", "3")))
    assert [(before.room if before else None, now.room if now else None) for _, _, before, now in opened.moved()] == [
        ("4", None),
        ("2", "3"),
    ]


def test_faults_then_mended(opened):
    settle(opened)
    opened.draft.set("evse.evse-1.rating", "32 A")
    fault = Fault("home.toml", "evse.evse-1.rating", "is odd", "32 A", "another", "think")
    opened._hear(Faults(opened.asked, (fault,)))
    opened._hear(Done(opened.asked))
    assert not opened.current
    assert opened.faults() == {"evse.evse-1.rating": "is odd; found 32 A; accepted: another; do: think"}
    opened.draft.set("evse.evse-1.rating", "30 A")
    assert not opened.current
    settle(opened)
    assert opened.current
    assert opened.faults() == {}
    assert not opened.state.running


def test_a_fault_of_the_whole_sheet_leaves_the_verdict_that_stands(opened):
    opened._hear(answer(opened))
    opened._hear(Faults(opened.asked, (), "a value cannot be computed: no row"))
    opened._hear(Done(opened.asked))
    assert opened.current
    assert opened.faults() == {}
    assert opened.state.unmade.words == "a value cannot be computed: no row"
    assert not opened.sheet_current
    assert not opened.state.running
    opened.draft.set("evse.evse-1.rating", "32 A")
    assert opened.state.unmade is None, "of another text nothing is known yet"
    opened._hear(Faults(opened.asked, (), "broken"))
    assert opened.state.faults.words == "broken"
    assert opened.state.unmade is None, "without its own verdict it is a fault of what is entered"
    assert not opened.current
    opened.draft.set("evse.evse-1.rating", "30 A")
    settle(opened)
    assert opened.state.faults is None
    assert opened.sheet_current


def test_the_rest_of_a_study_that_cannot_be_computed_is_told_with_its_number(monkeypatch):
    def broken(task, home, edition, before):
        raise CalculationFault("no row for this")
        yield

    monkeypatch.setattr(worker, "_whole", broken)
    task = Task(7, BUNGALOW, BUNGALOW.read_text(encoding="utf-8"), "service_load", stage=worker.REST)
    told = list(worker.stages(task, lambda: False))
    assert told[-1] == Faults(7, (), "a value cannot be computed: no row for this")
    assert len([one for one in told if isinstance(one, Answer)]) == len(REGISTRY) - 1


def test_the_room_of_a_check_has_its_unit():
    task = Task(7, BUNGALOW, BUNGALOW.read_text(encoding="utf-8"), "service_load")
    (one,) = worker.stages(task, lambda: False)
    assert one.decider.room == "\N{MINUS SIGN}6.07 A"
    assert {line.room.partition(" ")[2] for line in one.checks if line.room} == {"A"}, "every margin of this home is a current"


def question_of(opened) -> Question:
    return Question("spare", "service", "spare amperes", "service_load")


def test_a_question_leaves_the_verdicts_that_stand(opened):
    settle(opened)
    opened.ask(question_of(opened))
    assert opened.current
    assert opened.sheet_current
    assert opened.state.running
    assert opened.answers.tasks[-1].question is not None
    opened._hear(Progress(opened.asked, "trying 3 A", 1, 9))
    opened._hear(Inverse(opened.asked, question_of(opened), "3 A", (), "3 A", ()))
    opened._hear(Done(opened.asked))
    assert opened.current
    assert opened.state.inverse.value == "3 A"
    assert not opened.state.running
    assert len(opened.answers.tasks) == 2
    opened.draft.set("evse.evse-1.rating", "32 A")
    assert opened.state.inverse is None
    assert not opened.current


@pytest.mark.parametrize("heard_before", [0, 1])
def test_a_question_in_the_middle_of_a_study_lets_it_be_made_after(opened, heard_before):
    """Also where the whole sheet of this very text came once before: the verdicts of it must come again."""
    settle(opened)
    opened.draft.set("evse.evse-1.rating", "32 A")
    opened.draft.set("evse.evse-1.rating", "48 A")
    assert opened.sheet_current
    assert not opened.current
    if heard_before:
        opened._hear(answer(opened, "service_load"))
    opened.ask(question_of(opened))
    assert opened.current is bool(heard_before)
    opened._hear(Inverse(opened.asked, question_of(opened), "3 A", (), "3 A", ()))
    opened._hear(Done(opened.asked))
    assert opened.answers.tasks[-1].question is None
    assert opened.answers.tasks[-1].number == opened.asked
    assert opened.state.running
    settle(opened)
    assert opened.current
    assert opened.sheet_current
    assert not opened.state.running
    assert opened.state.inverse is not None


def test_a_question_that_cannot_be_answered_leaves_the_verdict(opened):
    settle(opened)
    opened.ask(question_of(opened))
    opened._hear(Faults(opened.asked, (), "a value cannot be computed: no row"))
    opened._hear(Done(opened.asked))
    assert opened.current
    assert opened.state.faults is None
    assert not opened.state.running
    assert opened.state.inverse.value is None
    assert "no row" in opened.state.inverse.words


def test_a_question_asked_while_old_faults_stand_lets_the_mended_text_be_studied(opened):
    opened._hear(Faults(opened.asked, (), "broken"))
    opened._hear(Done(opened.asked))
    opened.draft.set("evse.evse-1.rating", "32 A")
    opened.ask(question_of(opened))
    opened._hear(Inverse(opened.asked, question_of(opened), "3 A", (), "3 A", ()))
    opened._hear(Done(opened.asked))
    assert opened.answers.tasks[-1].question is None
    settle(opened)
    assert opened.current


def test_a_study_that_broke_off_is_not_said_to_be_at_work(opened):
    opened._hear(Faults(opened.asked, (), "the process ended"))
    opened._hear(Done(opened.asked, left=True))
    assert not opened.current
    assert not opened.state.running


# what is kept of a session


def test_what_is_entered_is_kept_and_taken_up_by_the_next(opened):
    opened.draft.set("evse.evse-1.rating", "32 A")
    entered = opened.draft.text
    next_one = session.Session(opened.file, "service_load")
    assert next_one.begun.text == entered
    assert next_one.draft.text == opened.read_text
    assert next_one.begun.of == keeping.hash_of(opened.read_text)
    next_one.take_up_begun()
    assert next_one.draft.text == entered
    assert keeping.variants(opened.file) == ()
    next_one.draft.undo()
    assert keeping.working(opened.file) is None


def test_what_an_earlier_session_kept_becomes_a_variant_before_it_is_written_over(opened):
    opened.draft.set("evse.evse-1.rating", "32 A")
    entered = opened.draft.text
    next_one = session.Session(opened.file, "service_load")
    next_one.draft.set("evse.evse-1.rating", "16 A")
    assert [one.text for one in keeping.variants(opened.file)] == [entered]
    next_one.draft.set("evse.evse-1.rating", "20 A")
    assert len(keeping.variants(opened.file)) == 1
    assert keeping.working(opened.file).text == next_one.draft.text


def test_saving_is_refused_over_what_changed_and_what_is_entered_is_put_on_it(opened):
    opened.draft.set("evse.evse-1.rating", "32 A")
    other = opened.read_text + "# by another\n"
    opened.file.write_text(other)
    with pytest.raises(InputFault, match="changed on disk"):
        opened.save()
    assert opened.file.read_text() == other
    assert opened.draft.changed
    assert keeping.working(opened.file) is not None
    entered = opened.draft.text
    assert (opened.read_and_put().both, opened.read_text) == ((), other)
    assert opened.draft.text == entered + "# by another\n"
    assert opened.draft.changed
    assert opened.draft.undo()
    assert opened.draft.text == entered
    opened.draft.redo()
    opened.save()
    assert opened.file.read_text() == other.replace('value = "48 A", from = "data-sheet"', "X").replace("{ X }", '"32 A"')
    assert not opened.draft.changed
    assert keeping.working(opened.file) is None


def test_a_working_copy_that_cannot_be_kept_is_told_and_nothing_is_lost(opened):
    keeping.folder_of(opened.file).write_text("in the way")
    opened.draft.set("evse.evse-1.rating", "32 A")
    assert "not kept" in opened.trouble
    assert '"32 A"' in opened.draft.text
    keeping.folder_of(opened.file).unlink()
    opened.draft.set("evse.evse-1.rating", "30 A")
    assert opened.trouble == ""


def test_a_variant_has_the_verdicts_only_where_they_are_of_it(opened):
    settle(opened, answer(opened, "service_load", "fail"))
    opened.hold("as found")
    opened.draft.set("evse.evse-1.rating", "32 A")
    opened.hold("asked")
    held = {one.name: one.verdicts for one in keeping.variants(opened.file)}
    assert held == {"as found": (("service_load", "fail", "bus: fail"),), "asked": ()}


# without widgets


PLAIN = """
import sys
from workbook_lib import notebook
study = notebook.open(sys.argv[1], interactive=False)
for part in ("title_block", "verdict", "inputs", "checks", "steps", "results"):
    getattr(study, part)()._repr_mimebundle_()
loaded = [name for name in sys.modules if name.startswith(("ipywidgets", "workbook_lib.live"))]
assert not loaded, loaded
print(repr(study))
"""


def test_a_plain_study_loads_neither_widgets_nor_the_live_study():
    done = subprocess.run([sys.executable, "-c", PLAIN, str(BUNGALOW)], cwd=ROOT, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert "bungalow-100a.toml" in done.stdout


def test_a_plain_study_of_the_command_is_the_same_whether_the_line_is_written_or_left(tmp_path, monkeypatch):
    """The copy that is run has the line as `False`; a run in which it is not written at all gives the same bytes of every page."""
    from workbook_lib import notebook_tools, run

    given = []
    execute = notebook_tools.execute

    def without(source, target, parameters, folder, started):
        given.append(parameters["interactive"])
        return execute(source, target, {name: value for name, value in parameters.items() if name != "interactive"}, folder, started)

    first = run.study(BUNGALOW, only=["service_load"], out=tmp_path / "a" / "out").folder
    monkeypatch.setattr(notebook_tools, "execute", without)
    second = run.study(BUNGALOW, only=["service_load"], out=tmp_path / "b" / "out").folder
    assert given == [False]
    sources = [(folder / "service_load.ipynb").read_text(encoding="utf-8").count("interactive = False") for folder in (first, second)]
    assert sources == [2, 1], "the default of the notebook, and the line that was written beside it"
    pages = sorted(path.name for path in first.glob("*.html"))
    assert "service_load.html" in pages
    for name in (*pages, "results.json"):
        assert (first / name).read_bytes() == (second / name).read_bytes()
    page = (first / "service_load.html").read_text(encoding="utf-8")
    assert "LIVE SESSION" not in page
    assert "wb-live" not in page
