"""A batch: the plan carried out by a crew, interrupted and resumed, and what it comes to."""

from __future__ import annotations

import contextlib
import signal
import sys
from collections import deque
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from workbook_lib import run as single
from workbook_lib.batch import closing, crew, plan, rows
from workbook_lib.batch import folder as folders
from workbook_lib.batch import record as records
from workbook_lib.batch.folder import FolderFault, Output, Run
from workbook_lib.batch.plan import Asked, Item, Plan
from workbook_lib.batch.progress import Progress
from workbook_lib.batch.work import Done, Task
from workbook_lib.errors import MachineryFault
from workbook_lib.home.portfolio import Portfolio

TICK_S = 0.25
Crews = Callable[[int, Output], crew.Crew]
"""Makes a crew of at most so many workers for an output folder."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a batch came to.

    `counts`: studies of each state; `status`: the highest exit status; `made_count`: studies made with a verdict; `unmade_count`: studies
    tried that a fault left without one; `stopped`: whether the person stopped it; `said`: further lines.
    """

    top: Path
    counts: Mapping[str, int]
    status: int
    made_count: int
    unmade_count: int
    stopped: bool
    said: tuple[str, ...] = ()


@dataclass
class Interrupts:
    """How often the person has asked to stop: once, finish what runs; twice, stop now."""

    count: int = 0

    def __call__(self, *_: object) -> None:
        """The handler of the signal."""
        self.count += 1
        words = "finishing what runs; again to stop now" if self.count == 1 else "stopping now"
        print(f"\ninterrupted: {words}", file=sys.stderr, flush=True)


@contextlib.contextmanager
def interrupts() -> Iterator[Interrupts]:
    """Counts interrupts while it lasts, in the main thread; elsewhere there are none."""
    asked = Interrupts()
    try:
        before = signal.signal(signal.SIGINT, asked)
    except ValueError:  # not the main thread
        yield asked
        return
    try:
        yield asked
    finally:
        signal.signal(signal.SIGINT, before)


def local_crew(count: int, output: Output) -> crew.Crew:
    """Workers of this machine."""
    return crew.LocalCrew(count, output.top)


def batch(
    portfolio: Portfolio,
    out: Path,
    asked: Asked,
    *,
    head: closing.Head | None = None,
    workers: int | None = None,
    crews: Crews = local_crew,
    progress: Callable[[int], Progress] = Progress,
) -> Outcome:
    """Make every study of a portfolio that must be made, and say what all come to.

    Parameters: portfolio; output folder; what is asked; what is told of the run (None: nothing but the portfolio); most workers at once
    (None: by cores and memory); what makes the crew; what makes the progress for so many. Returns: Outcome. Errors: FolderFault where the
    folder is another's, is in use or cannot be written (what was there is then as it was); InputFault where the folder holds more than is
    asked for (`plan.refuse_loss`); MachineryFault where the crew is lost.
    """
    output = Output(out)
    with folders.locked(output):
        run = folders.this_run(output)
        folders.recover(output)
        found = plan.make(portfolio, output, asked)
        plan.refuse_loss(found, output)
        with contextlib.ExitStack() as kept:
            stop = kept.enter_context(interrupts())
            made = Making(portfolio, output, asked, run, found, progress(len(found.to_run())))
            if found.to_run():
                folders.note_run(output, run, done=False, again=asked.again or run.again)
                folders.keep_program(output, found.program)
                folders.unmark_all(output)
                count = min(workers or crew.workers_count(), len(found.to_run()))
                made.make(crews(count, output), stop)
            return _close(portfolio, output, run, found, made, head or closing.Head())


def _close(portfolio: Portfolio, output: Output, run: Run, found: Plan, made: Making, head: closing.Head) -> Outcome:
    """Write what all studies come to, and end the run."""
    stopped = made.stopped
    closes = closing.Closing(portfolio, output, run, found, frozenset(made.made), made.failed, head, made.asked, made.note)
    counts, status, said = closes.write()
    if made.folder_fault:
        raise FolderFault(made.folder_fault)
    if made.lost:
        raise MachineryFault(f"{made.lost}; what was made is kept, and the same command goes on with the rest")
    if not stopped:
        folders.unmark_all(output)
        if found.to_run():
            folders.note_run(output, run, done=True, again=False)
    verdicts = sum(state in rows.VERDICTS for state in made.made.values())
    unmade = len(made.made) - verdicts + len(made.failed)
    return Outcome(output.top, counts, status, verdicts, unmade, stopped, (*said, *plan.gone_words(found, output)))


class Making:
    """The making of the studies of a plan: what waits, what runs, what failed."""

    def __init__(self, portfolio: Portfolio, output: Output, asked: Asked, run: Run, found: Plan, progress: Progress):
        self.asked = asked
        self._portfolio, self._output, self._run, self._program = portfolio, output, run, found.program.sha256
        self._waiting: deque[Item] = deque(found.to_run())
        self._backlog = crew.Backlog()
        self._running: dict[str, Task] = {}
        self._progress = progress
        self.failed: dict[str, str] = {}
        self.made: dict[str, str] = {}
        self.lost = ""
        self.stopped = self._stopping = False
        self.folder_fault = ""

    def make(self, workers: crew.Crew, stop: Interrupts) -> None:
        """Give every task out, take every result in, until nothing is left or the person stops it."""
        now = False
        try:
            while True:
                stopping = self._stopping = stop.count > 0 or bool(self.folder_fault)
                if stop.count > 1:
                    now = True
                    break
                while not stopping and not stop.count and workers.free_count and (task := self._next()) is not None:
                    self._mark(task)
                    workers.give(task)
                if not self._running and (stopping or not (self._waiting or len(self._backlog))):
                    break
                for done in workers.wait(TICK_S):
                    self._stopping = self._stopping or stop.count > 0
                    self._take(done)
                self._progress.tick()
        except FolderFault as error:
            self.folder_fault = str(error)
        except MachineryFault as error:
            self.lost = str(error)
        finally:
            self.stopped = now or bool(self._running or self._waiting or len(self._backlog))
            workers.end(now=now or bool(self._running))
            self._progress.close()
            if self.stopped:
                folders.recover(self._output)

    def note(self, words: str) -> None:
        """Say what is being done."""
        self._progress.note(words)

    def _next(self) -> Task | None:
        task = self._backlog.due()
        if task is not None or not self._waiting:
            return task
        item = self._waiting.popleft()
        reasons = tuple(str(reason) for reason in item.reasons)
        return Task(
            item.entry, self._portfolio.file, self._output.top, self.asked, self._program, self._run.number, reasons, self._before(item)
        )

    def _before(self, item: Item) -> Mapping[str, object] | None:
        """What the study came to before this run."""
        try:
            old = records.read(self._output.study(item.entry.site_id, item.entry.case))
        except (OSError, records.Unusable):
            return None
        if old.run == self._run.number:
            return old.row["before"]
        return rows.outcome(old.row)

    def _mark(self, task: Task) -> None:
        self._running[task.entry.name] = task
        marker = self._output.marker(task.entry.site_id, task.entry.case)
        with folders.writing(f"the folder {self._output.top}"):
            marker.write_text(f"run {task.run}\n", encoding="utf-8")

    def _take(self, done: Done) -> None:
        entry = done.task.entry
        self._running.pop(entry.name, None)
        if done.stop:
            self.folder_fault = done.words
        elif done.state == single.MACHINERY_FAULT and self._backlog.retry(done):
            if not self._stopping:
                self._progress.note(f"{entry.name}: {done.words}; tried again")
            return
        if done.state == single.MACHINERY_FAULT:
            self.failed[entry.name] = f"{done.words} (attempt {done.task.attempt})"
        else:
            self.made[entry.name] = done.state
        self._output.marker(entry.site_id, entry.case).unlink(missing_ok=True)
        self._progress.done(entry.name, done.state, done.words)
