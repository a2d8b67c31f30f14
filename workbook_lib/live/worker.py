"""What a process of the live study does: one home studied from a text, in stages, each answer sent as soon as it is there.

A process takes one task at a time and looks between stages whether a newer one has come. It holds nothing but what the library itself
remembers, so it may be ended at any moment.
"""

from __future__ import annotations

import importlib
import os
import re
import signal
import traceback
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from workbook_lib import editions
from workbook_lib.errors import CalculationFault, Fault, InputFault, WorkbookError
from workbook_lib.home import EDITION_FIELD, read_home
from workbook_lib.live.asking import Question, answer_of
from workbook_lib.render import content, html, numbers
from workbook_lib.render.blocks import Pairs
from workbook_lib.render.parts import Parts
from workbook_lib.render.trace import Trace
from workbook_lib.sheet import BASE_CASE, Check, Input, Sheet, walk
from workbook_lib.workbooks import REGISTRY

WHOLE_PARTS = (
    "inputs",
    "assumptions",
    "steps",
    "checks",
    "other_editions",
    "published",
    "cautions",
    "open_items",
    "not_checked",
    "results",
)
"""Parts of a sheet that are made from the whole study, in the order of a notebook."""


VERDICT, REST = "verdict", "rest"


@dataclass(frozen=True, slots=True)
class Task:
    """One study to make: `number` of the draft, the site file and the text in its place, workbook, edition and values put in place.

    `stage`: the verdict of the workbook, or the rest; `sheet`: whether the whole sheet is wanted with the rest; `question`: an inverse
    that is asked in place of a study; `look`: name of a record of the home to look at in place of a study.
    """

    number: int
    file: Path
    text: str
    workbook: str
    edition: str | None = None
    overrides: tuple[tuple[str, object], ...] = ()
    case: str = BASE_CASE
    sheet: bool = True
    stage: str = VERDICT
    question: Question | None = None
    look: str = ""


@dataclass(frozen=True, slots=True)
class CheckLine:
    """A check in words: key, question, verdict, room or shortage with its unit, whether it counts, the sentence of its two sides."""

    key: str
    question: str
    verdict: str
    room: str
    counts: bool
    sentence: str


@dataclass(frozen=True, slots=True)
class Answer:
    """A verdict for one number of the draft.

    `markup`: the verdict as a notebook shows it, `short`: its first results; `uses`: key paths of the home that the sheet rests on;
    `rests`: those of the controlling check; `missing`: fields that are asked for; `tightest`: the sentence of the numbers with the least
    room, where the controlling check has none.
    """

    number: int
    workbook: str
    verdict: str
    decider: CheckLine | None
    checks: tuple[CheckLine, ...]
    markup: str
    short: str
    uses: tuple[str, ...]
    rests: tuple[str, ...]
    missing: tuple[str, ...]
    tightest: str = ""

    @property
    def told(self) -> str:
        """What decides in a sentence, and the tightest numbers where it has none; empty where no check applies."""
        return " ".join(part for part in (self.decider.sentence if self.decider is not None else "", self.tightest) if part)


@dataclass(frozen=True, slots=True)
class SheetParts:
    """The whole sheet for one number of the draft: parts as HTML, drawings as (title, description, SVG, table as HTML)."""

    number: int
    parts: dict[str, str]
    figures: tuple[tuple[str, str, str, str], ...]


@dataclass(frozen=True, slots=True)
class Faults:
    """What keeps a number of the draft from being studied: faults of the files, or words where a value cannot be computed."""

    number: int
    faults: tuple[Fault, ...]
    words: str = ""


@dataclass(frozen=True, slots=True)
class Progress:
    """What is being done for a number of the draft, in words, and how far it is."""

    number: int
    words: str
    done: int = 0
    of: int = 0


@dataclass(frozen=True, slots=True)
class Inverse:
    """The answer to a question that was asked: value as it is typed (None where nothing holds), what to enter where, words."""

    number: int
    question: Question
    value: str | None
    entries: tuple[tuple[str, str], ...]
    words: str
    limits: tuple[CheckLine, ...]


@dataclass(frozen=True, slots=True)
class Looked:
    """A record that was looked at before it is used: its report as HTML, drawings, what is asked (field -> words), what may be chosen."""

    number: int
    markup: str
    figures: tuple[tuple[str, str, str, str], ...]
    asked: tuple[tuple[str, ...], str]
    options: dict[str, tuple[str, ...]]


@dataclass(frozen=True, slots=True)
class Done:
    """A task is at its end, or was left for a newer one."""

    number: int
    left: bool = False


def serve(channel, steps_back: int = 0) -> None:
    """Take tasks from a channel until it is closed; None says that a task is to be left.

    Parameters: connection of `multiprocessing`, by how much this process steps back behind others.
    """
    os.nice(steps_back)
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # a cell of the notebook that is interrupted is no affair of this process
    while True:
        try:
            task = channel.recv()
        except (EOFError, OSError):
            return
        if task is None:
            continue
        try:
            left = False
            for answer in stages(task, channel.poll):
                channel.send(answer)
                left = channel.poll()
                if left:
                    break
            channel.send(Done(task.number, left))
        except (BrokenPipeError, ConnectionError):
            return
        except Exception as error:  # a mistake of ours is told, and the next task taken
            place = traceback.extract_tb(error.__traceback__)[-1]
            where = f"{Path(place.filename).name}:{place.lineno}"
            channel.send(Faults(task.number, (), f"unexpected error: {type(error).__name__}: {error} (at {where})"))
            channel.send(Done(task.number))


def stages(task: Task, newer: Callable[[], bool]) -> Iterator[object]:
    """The answers to a task, one by one: its verdict; or verdicts of the other workbooks, then the whole sheet; or faults; or an inverse.

    Parameters: task, whether a newer one waits. Returns: Answer, SheetParts, Faults, Progress, Inverse.
    """
    try:
        if task.question is not None:
            yield from _asked(task, newer)
            return
        if task.look:
            yield Progress(task.number, f"reading {task.look}")
            yield _looked(task)
            return
        home = home_of(task)
        edition = editions.load(home.edition_year)
        if task.stage == VERDICT:
            yield _answer(task, home, edition, task.workbook)
            return
        others = [name for name in REGISTRY if name != task.workbook]
        for place, name in enumerate(others):
            yield Progress(task.number, f"{name.replace('_', ' ')} beside it", place, len(others) + 2)
            yield _beside(task, home, edition, name)
        if task.sheet:
            yield Progress(task.number, "the whole sheet: inverses, tables, other editions", len(others), len(others) + 2)
            yield from _whole(task, home, edition, len(others))
    except InputFault as error:
        yield Faults(task.number, error.faults)
    except WorkbookError as error:
        kind = "a value cannot be computed: " if isinstance(error, CalculationFault) else ""
        yield Faults(task.number, (), f"{kind}{error}")


def home_of(task: Task, changed: tuple[tuple[str, str], ...] = ()):
    """The home of a task, some fields put in place. Errors: InputFault with every fault."""
    given = dict(task.overrides) | dict(changed)
    if task.edition:
        given[EDITION_FIELD] = task.edition
    return read_home(task.file, given, task.case, text=task.text)


def quick_sheet(home, edition, workbook: str) -> Sheet:
    """The sheet of a workbook for its verdict alone. Errors: CalculationFault, InputFault."""
    module = importlib.import_module(REGISTRY[workbook])
    return getattr(module, "verdict_study", module.study)(home, edition)


def _beside(task: Task, home, edition, name: str) -> object:
    """The verdict of another workbook; where it cannot be computed, in words, since the open one stands without it."""
    try:
        return _answer(task, home, edition, name)
    except WorkbookError as error:
        return Answer(
            task.number, name, "not computed", CheckLine("", str(error), "not computed", "", True, str(error)), (), "", (), (), ()
        )


def _answer(task: Task, home, edition, workbook: str) -> Answer:
    sheet = quick_sheet(home, edition, workbook)
    trace = Trace(sheet)
    lines = {check.key: check_line(trace, check) for check in sheet.checks}
    decider, told = sheet.controlling, content.verdict(trace)
    tightest = content.tightest(sheet) if decider is not None and decider.margin is None else None
    missing = tuple(dict.fromkeys(path for check in sheet.checks if check.counts for path in check.fields))
    return Answer(
        task.number,
        workbook,
        str(sheet.verdict),
        None if decider is None else lines[decider.key],
        tuple(lines.values()),
        html.fragment(replace(told, blocks=tuple(block for block in told.blocks if not isinstance(block, Pairs)))),
        html.fragment(replace(told, title="First results", blocks=tuple(block for block in told.blocks if isinstance(block, Pairs)))),
        _fields(sheet.inputs()),
        _rests(decider, tightest),
        missing,
        "" if tightest is None else content.traced_sentence(trace, tightest),
    )


def check_line(trace: Trace, check: Check) -> CheckLine:
    """A check in words. Parameters: trace of its sheet, check. Returns: CheckLine."""
    room = numbers.with_unit(numbers.sides(check)[2], check.unit) if check.margin is not None else ""
    return CheckLine(check.key, check.question, str(check.verdict), room, check.counts, content.traced_sentence(trace, check))


DECIDED_BY = {
    "edition-adopted": ("site.edition", "site.jurisdiction", "site.permit_date"),
    "independent-check": ("site.originator", "site.checker"),
}
"""Fields behind checks that have no quantities."""


def _rests(decider: Check | None, tightest: Check | None) -> tuple[str, ...]:
    """Fields that the controlling check rests on; where it has no quantities, those of the tightest numbers after its own."""
    sides = [side for check in (decider, tightest) if check is not None for side in (check.provided, check.required) if side is not None]
    own = DECIDED_BY.get(decider.key, ()) if decider is not None else ()
    return tuple(dict.fromkeys((*own, *_fields(walk(sides)))))


def _fields(quantities) -> tuple[str, ...]:
    return tuple(dict.fromkeys(one.key for one in quantities if isinstance(one, Input) and not one.is_code))


def _whole(task: Task, home, edition, before: int) -> Iterator[object]:
    module = importlib.import_module(REGISTRY[task.workbook])
    sheet = module.study(home, edition)
    parts = Parts(home, edition, module, sheet, Trace(sheet), live=True)
    made = {"title_block": html.fragment(parts.title_block()), "verdict": html.fragment(parts.verdict())}
    for name in WHOLE_PARTS:
        part = getattr(parts, name)()
        made[name] = "" if part is None else html.fragment(part)
    yield Progress(task.number, "the figures", before + 1, before + 2)
    yield SheetParts(task.number, made, _drawn(sheet.figures))


def _looked(task: Task) -> Looked:
    """A record of the home with its report and its picture. Errors: InputFault where it cannot be read."""
    from workbook_lib.errors import MissingInput
    from workbook_lib.records import examine
    from workbook_lib.records.choices import choices
    from workbook_lib.workbooks import metered, record_figures, record_parts

    home = home_of(task)
    given = getattr(home.site.records, task.look)
    path = home.folder / given.file
    options = dict(choices(path, path.as_posix())) if path.is_file() else {}
    try:
        record = metered.read(home, task.look)
        report = examine(record)
    except MissingInput as asked:
        return Looked(task.number, "", (), (asked.fields, asked.reason), options)
    told = content.sections("record", "The record", record_parts.report_section(record, report, withheld=False))
    return Looked(task.number, html.fragment(told), _drawn(record_figures.figures(record, withheld=False)), ((), ""), options)


def _drawn(found) -> tuple[tuple[str, str, str, str], ...]:
    """Drawings with their titles, descriptions and tables."""
    from workbook_lib.render import figures

    return tuple((one.title, one.description, _plain(figures.svg(one)), html.fragment(content.figure_table(one))) for one in found)


def _plain(svg: str) -> str:
    """A drawing without words of its own for a reader: what shows it says them, and it may stand twice on one screen."""
    bare = re.sub(r"<title id=.*?</title>|<desc id=.*?</desc>", "", svg, flags=re.DOTALL)
    return re.sub(r'role="img" aria-labelledby="[^"]*"', 'aria-hidden="true"', bare, count=1)


def _asked(task: Task, newer: Callable[[], bool]) -> Iterator[object]:
    """Trials of a question until its answer is found; each is told."""

    def trial(entries: tuple[tuple[str, str], ...], text: str | None = None) -> dict[str, CheckLine]:
        one = task if text is None else Task(task.number, task.file, text, task.workbook, task.edition, task.overrides, task.case)
        home = home_of(one, entries)
        sheet = quick_sheet(home, editions.load(home.edition_year), task.question.workbook)
        counted = {check.key: check for check in sheet.checks if check.counts}
        trace = Trace(sheet)
        return {key: check_line(trace, check) for key, check in counted.items()}

    for told in answer_of(task.question, task.text, trial):
        if isinstance(told, tuple):
            yield Progress(task.number, f"trying {told[0]}", told[1], told[2])
            if newer():
                return
        else:
            yield Inverse(task.number, task.question, told.value, told.entries, told.words, told.limits)
