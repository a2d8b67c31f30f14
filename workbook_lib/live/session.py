"""One home open in one workbook: the draft, the processes that study it, and everybody who is to be told what came of it."""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from workbook_lib.errors import Fault, MachineryFault
from workbook_lib.home.raw import parse_toml, read_bytes
from workbook_lib.home.reader import LOCAL_FOLDER, LOCAL_ONLY
from workbook_lib.live import keeping
from workbook_lib.live.answers import Answers
from workbook_lib.live.asking import Question
from workbook_lib.live.draft import Draft
from workbook_lib.live.merging import Merged, merged
from workbook_lib.live.worker import Answer, CheckLine, Faults, Inverse, Looked, Progress, SheetParts, Task
from workbook_lib.sheet import BASE_CASE

TICK_S = 1.0
"""How often what is still at work says since when."""
OF_ANOTHER = "entered in another notebook"
"""Name of the variant that holds what another session had entered."""
KEEP_AFTER_S = 0.4
"""How long after a change the working copy is written: a change that follows at once is written with it."""


@dataclass
class State:
    """What is known of the newest text: `number` it is of, answers by workbook, whole sheet, faults, what is being done.

    `unmade`: what keeps the whole sheet of a verdict that stands from being made.
    `before`: the answers that stood as the last change was made, `moved` is told against them.
    """

    number: int = -1
    answers: dict[str, Answer] = field(default_factory=dict)
    before: dict[str, Answer] = field(default_factory=dict)
    sheet: SheetParts | None = None
    sheet_text: str | None = None
    faults: Faults | None = None
    unmade: Faults | None = None
    progress: Progress | None = None
    inverse: Inverse | None = None
    looked: Looked | None = None
    look_fault: Faults | None = None
    running: bool = False


class Session:
    """A live study. `told`: called whenever anything that is shown may have changed; `left`: another took its place."""

    def __init__(
        self,
        file: Path,
        workbook: str,
        *,
        edition: str | None = None,
        overrides: Mapping[str, object] | None = None,
        case: str = BASE_CASE,
        beginning: str = "",
    ):
        self.file, self.workbook, self.edition, self.case = file, workbook, edition, case
        self.overrides = tuple((overrides or {}).items())
        self.read_text: str | None = keeping.read(file) if file.is_file() else None
        begun = keeping.working(file)
        self.begun = begun if begun is not None and begun.text != self.read_text else None
        self.draft = Draft(
            self.read_text if self.read_text is not None else begun.text if begun is not None else beginning, None, local_files(file.parent)
        )
        self.state = State()
        self.told: list[Callable[[], None]] = []
        self.trouble = self.notice = ""
        self.passed: set[str] = set(begun.passed) if begun is not None else set()
        self.base_verdicts: dict[str, tuple[str, str]] = {}
        self._kept: str | None = None
        self._asked_text: str | None = None
        self._asked = 0
        self._questioned = self._looking = self._whole = False
        self._question: Question | None = None
        self._keeper: asyncio.TimerHandle | None = None
        self._ticker: asyncio.TimerHandle | None = None
        self._since = 0.0
        self.wants_sheet = True
        self.left = False
        self.answers = Answers(self._hear)
        self.draft.listeners.append(self._changed)

    # what is shown

    @property
    def current(self) -> bool:
        """Whether the verdict of the open workbook is of what is entered."""
        own = self.state.answers.get(self.workbook)
        return self._asked_text == self.draft.text and own is not None and own.number == self._asked and self.state.faults is None

    @property
    def answered(self) -> dict[str, Answer]:
        """The answers to what is asked last, by workbook."""
        return {name: one for name, one in self.state.answers.items() if one.number == self._asked}

    @property
    def asked(self) -> int:
        """Number of what is asked last; answers of it are of what is entered."""
        return self._asked

    @property
    def sheet_current(self) -> bool:
        """Whether the whole sheet is of what is entered."""
        return self.state.sheet is not None and self.state.sheet_text == self.draft.text

    def moved(self) -> list[tuple[str, str, CheckLine | None, CheckLine | None]]:
        """Checks that moved with the last change: workbook, `verdict` or `room`, before and now; verdicts first."""
        found = []
        for name, now in self.state.answers.items():
            before = self.state.before.get(name)
            if before is None or now.number != self._asked:
                continue
            old, new = ({line.key: line for line in one.checks if line.counts} for one in (before, now))
            for key in dict.fromkeys((*old, *new)):
                one, other = old.get(key), new.get(key)
                if (one and one.verdict) != (other and other.verdict):
                    found.append((name, "verdict", one, other))
                elif one and other and one.room != other.room:
                    found.append((name, "room", one, other))
        return sorted(found, key=lambda row: row[1] != "verdict")

    def faults(self) -> dict[str, str]:
        """Faults of what is entered, in words, by the key path of the field that each is of."""
        found = self.state.faults
        return {fault.field: words_of(fault) for fault in found.faults} if found is not None else {}

    # asking

    def study(self) -> None:
        """Study what is entered, unless that is being done."""
        if self._asked_text == self.draft.text:
            return
        settled = self.answered
        if self.workbook in settled:
            self.state.before = settled
        self._asked, self._asked_text = self._asked + 1, self.draft.text
        self.state.running, self.state.progress, self.state.inverse, self.state.unmade = True, None, None, None
        self._questioned = self._looking = self._whole = False
        self._question = None
        self._give(self._task())

    def ask(self, question: Question) -> None:
        """Ask an inverse question of what is entered; a change of a field leaves it. Parameters: question."""
        self._renumbered()
        self._question = question
        self._give(self._task(question))
        self._tell()

    def look(self, text: str, name: str) -> None:
        """Look at a record of a text before it is used; a change of a field leaves it.

        Parameters: text of a site file, name of the record.
        """
        self._renumbered()
        self.state.looked, self.state.look_fault = None, None
        self._looking = True
        self._give(replace(self._task(), text=text, look=name))
        self._tell()

    def _renumbered(self) -> None:
        """A new task that is no study: the verdicts that stand are still of what is entered."""
        self._asked += 1
        self._questioned, self._looking, self._question = True, False, None
        for name, one in list(self.state.answers.items()):
            if one.number == self._asked - 1:
                self.state.answers[name] = replace(one, number=self._asked)
        self.state.running, self.state.inverse = True, None

    def _task(self, question: Question | None = None) -> Task:
        return Task(
            self._asked,
            self.file,
            self.draft.text,
            self.workbook,
            self.edition,
            self.overrides,
            self.case,
            self.wants_sheet,
            question=question,
        )

    def _changed(self, structure: bool) -> None:
        self.study()
        self._keep_soon()
        self._tell()

    def _tick(self) -> None:
        """Say since when the newest task runs, as long as it does."""
        self._ticker = None
        if self.state.running:
            self._tell()
            self._tick_soon()

    def _tick_soon(self) -> None:
        if self._ticker is None:
            with contextlib.suppress(RuntimeError):  # no event loop: a script or a test
                self._ticker = asyncio.get_running_loop().call_later(TICK_S, self._tick)

    @property
    def at_work_s(self) -> int:
        """Since when the newest task runs, in whole seconds; 0 where none runs."""
        return int(time.monotonic() - self._since) if self.state.running else 0

    def _give(self, task: Task) -> None:
        self.state.running, self.state.progress, self._since = True, None, time.monotonic()  # what an older one did is told no more
        self.answers.ask(task)
        self._tick_soon()

    def _hear(self, message: object) -> None:
        state = self.state
        if isinstance(message, Answer):
            if self._asked_text == self.read_text:
                self.base_verdicts[message.workbook] = (message.verdict, message.told)
            state.answers[message.workbook] = message
            state.number, state.faults = message.number, None
        elif isinstance(message, SheetParts):
            state.sheet, state.sheet_text, state.unmade = message, self._asked_text, None
        elif isinstance(message, Looked):
            state.looked = message
        elif isinstance(message, Faults) and self._looking:
            state.look_fault = message
        elif isinstance(message, Faults) and self._question is not None:
            said = told_of(message)
            state.inverse = Inverse(message.number, self._question, None, (), f"No answer: {said}", ())
        elif isinstance(message, Faults) and self.current:
            state.unmade = message
        elif isinstance(message, Faults):
            state.faults, state.number = message, message.number
        elif isinstance(message, Progress):
            state.progress = message
        elif isinstance(message, Inverse):
            state.inverse = message
        else:
            state.running, state.progress, self._looking = False, None, False
            if self._questioned and not self._whole:
                self._study_again()
            elif not self._questioned:
                self._whole = True
        self._tell()

    def _study_again(self) -> None:
        """The study that a question took the place of."""
        self._questioned, self._question = False, None
        self.state.running = True
        self._give(self._task())

    def _tell(self) -> None:
        for one in tuple(self.told):
            one()

    # keeping

    def _keep_soon(self) -> None:
        if self._keeper is not None:
            self._keeper.cancel()
        try:
            self._keeper = asyncio.get_running_loop().call_later(KEEP_AFTER_S, self.keep)
        except RuntimeError:  # no event loop: a script or a test
            self.keep()

    def keep(self) -> None:
        """Write the working copy, or forget it where the file says the same. Trouble is told in `trouble`."""
        self._keeper = None
        try:
            if self.draft.text == self.read_text:
                self._drop_own(self.draft.text)
            else:
                self._keep_of_others()
                keeping.keep_working(self.file, self.draft.text, self.read_text, self.passed)
            self._kept = self.draft.text
            self.trouble = ""
        except (MachineryFault, OSError) as error:
            self.trouble = f"The working copy is not kept: {error}"
            self._tell()

    def _drop_own(self, *texts: str | None) -> None:
        """Forget the working copy where it is of this session or says one of some texts; what another notebook keeps stays."""
        kept = keeping.working(self.file)
        if kept is not None and kept.text in (self._kept, *texts):
            keeping.drop_working(self.file)

    def _keep_of_others(self) -> None:
        """Hold as a variant what was kept before or by another session and would be written over.

        What was kept before this session began gets a name of its own; of another session that goes on the newest is held.
        """
        other = keeping.working(self.file)
        if other is None or other.text in (self._kept, self.draft.text, self.read_text):
            return
        if self.begun is None or other.text != self.begun.text:
            keeping.hold(self.file, keeping.Variant(OF_ANOTHER, other.text), replace=True)
            self.notice = f'What another notebook had entered is held as the variant "{OF_ANOTHER}".'
        elif all(one.text != other.text for one in keeping.variants(self.file)):
            number = next(count for count in range(1, 10000) if not keeping.is_held(self.file, f"entered earlier {count}"))
            keeping.hold(self.file, keeping.Variant(f"entered earlier {number}", other.text))

    def take_up_begun(self) -> None:
        """Enter what an earlier session kept."""
        if self.begun is not None:
            self._kept = self.begun.text
            self.draft.take_up(self.begun.text)

    def hold(self, name: str) -> None:
        """Hold what is entered as a variant, with its verdicts where they are of it and of nothing that the notebook puts in place.

        Parameters: name. Errors: ValueError, MachineryFault.
        """
        of_it = self.answered.values() if self.current and not self.put_in_place else ()
        verdicts = tuple((one.workbook, one.verdict, one.told or "no check applies") for one in of_it)
        keeping.hold(self.file, keeping.Variant(name, self.draft.text, verdicts))
        self._tell()

    def save(self) -> str:
        """Save what is entered into the site file. Returns: SHA-256. Errors: InputFault, MachineryFault; the file is then as it was."""
        text, before = self.draft.text, self.read_text
        digest = keeping.save(self.file, before, text)
        self.read_text = text
        self.base_verdicts = {name: (one.verdict, one.told) for name, one in self.answered.items()} if self.current else {}
        with contextlib.suppress(OSError):  # what is kept then says what the file says, and is not offered again
            self._drop_own(text, before)
        self.draft.based_on(text)
        return digest

    def pass_over(self, step: str) -> None:
        """A step of the visit was passed: it is not gone back to where the visit is taken up. Parameters: key of the step."""
        self.passed.add(step)
        self._keep_soon()

    @property
    def file_moved(self) -> bool:
        """Whether the file on disk is no longer what was read."""
        if self.read_text is None:
            return False
        return not self.file.is_file() or self.file.read_bytes().decode("utf-8", "replace").removeprefix(keeping.BOM) != self.read_text

    def read_and_put(self) -> Merged:
        """Take the file as it is on disk now as the base, and what was entered put onto it as what is entered. Errors: InputFault."""
        theirs = keeping.read(self.file)
        found = merged(self.read_text or "", self.draft.text, theirs)
        self.read_text = theirs
        self.base_verdicts = {}
        self.draft.based_on(theirs)
        self.draft.take_up(found.text)
        return found

    @property
    def put_in_place(self) -> str:
        """What the parameters cell puts in place of what is entered, in words; empty for nothing."""
        given = [f"{key} = {value}" for key, value in self.overrides] + ([f"edition {self.edition}"] if self.edition else [])
        return "; ".join(given)

    def sleep(self) -> None:
        """End the processes until something is asked again: another home is worked at. What was being studied is studied anew then."""
        if self.state.running:
            self._asked_text, self.state.running, self.state.progress = None, False, None
        self.answers.sleep()

    def leave(self) -> None:
        """Close it because another takes its place, and tell those who still show it."""
        self.close()
        self.left = True
        self._tell()

    def close(self) -> None:
        """Write what is not written yet and end the processes."""
        if self._keeper is not None:
            self._keeper.cancel()
            self.keep()
        if self._ticker is not None:
            self._ticker.cancel()
        self.answers.close()


def local_files(folder: Path) -> tuple[str, ...]:
    """Names of the jurisdiction and utility files of a folder, and of its folder of them. Parameters: folder. Returns: names."""
    found = []
    for path in (*sorted((folder / LOCAL_FOLDER).glob("*.toml")), *sorted(folder.glob("*.toml"))):
        data, _ = read_bytes(path.name, path)
        tables = parse_toml(path.name, data)[0] if data is not None else None
        if tables is not None and "site" not in tables and any(name in tables for name in LOCAL_ONLY):
            found.append(path.stem)
    return tuple(dict.fromkeys(found))


def told_of(found: Faults) -> str:
    """All that keeps something from being studied, in one line. Parameters: faults."""
    return found.words or "; ".join(f"{one.field or one.file}: {words_of(one)}" for one in found.faults)


def words_of(fault: Fault) -> str:
    """A fault in words for the field that it is of. Parameters: fault."""
    parts = [fault.what, f"found {fault.value}" if fault.value else "", f"accepted: {fault.limit}" if fault.limit else ""]
    return "; ".join(part for part in (*parts, f"do: {fault.todo}" if fault.todo else "") if part)
