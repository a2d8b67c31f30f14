"""One study of a portfolio, made in a worker: read, calculated, rendered, verified, and put in its place with its record in one step."""

from __future__ import annotations

import atexit
import contextlib
import datetime
import functools
import json
import os
import shutil
import tempfile
import threading
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from workbook_lib import notebook, notebook_tools, run
from workbook_lib.batch import folder as folders
from workbook_lib.batch import kernels, restore, rows
from workbook_lib.batch import program as programs
from workbook_lib.batch import record as records
from workbook_lib.batch.folder import FolderFault, Output
from workbook_lib.batch.plan import Asked
from workbook_lib.errors import CalculationFault, InputFault, MachineryFault
from workbook_lib.home.portfolio import Portfolio, home_of
from workbook_lib.home.portfolio_entry import Entry
from workbook_lib.render import results
from workbook_lib.sheet import Sheet

FAILED = "failed.ipynb"
"""End of the name of a notebook that shows how far a calculation came."""
MOST_MB = 600
"""A worker or a kernel that has come to hold more is replaced after its study."""


@dataclass(frozen=True, slots=True)
class Task:
    """One study to be made. `program`: SHA-256 of the program that asks; `before`: what the study came to before, None if nothing."""

    entry: Entry
    portfolio_file: Path
    top: Path
    asked: Asked
    program: str
    run: int
    reasons: tuple[str, ...] = ()
    before: Mapping[str, object] | None = None
    attempt: int = 1

    def again(self) -> Task:
        """The same once more."""
        return replace(self, attempt=self.attempt + 1)


@dataclass(frozen=True, slots=True)
class Done:
    """What came of a task.

    `retry`: another attempt may help; `stop`: nothing more can be written; `spent`: the worker should be replaced.
    """

    task: Task
    state: str
    words: str = ""
    retry: bool = False
    stop: bool = False
    spent: bool = False


def do(task: Task) -> Done:
    """Make one study. Returns: what came of it; every error becomes a state."""
    with _bench().alone:
        try:
            done = Done(task, _make(task))
        except FolderFault as error:
            done = Done(task, run.MACHINERY_FAULT, str(error), stop=True)
        except Refused as error:
            done = Done(task, run.MACHINERY_FAULT, str(error))
        except (MachineryFault, OSError, MemoryError) as error:
            _bench().end_kernel()
            done = Done(task, run.MACHINERY_FAULT, _words(error), retry=True)
        except Exception as error:  # a fault of the program: this study alone is lost, and says so
            _bench().end_kernel()
            done = Done(task, run.MACHINERY_FAULT, f"a fault of the program: {_words(error)}")
        restore.forget()
        spent = _bench().memory_mb() > MOST_MB
    return replace(done, spent=spent)


def _words(error: BaseException) -> str:
    return str(error) if isinstance(error, MachineryFault) and str(error) else f"{type(error).__name__}: {error}"


# the bench: what a worker keeps from one study to the next


class Bench:
    """A kernel that is kept, and that one study is made at a time."""

    def __init__(self) -> None:
        self.alone = threading.Lock()
        self._kept = contextlib.ExitStack()
        self._kernel: kernels.KeptKernel | None = None
        self._thread = 0
        self._program: tuple[str, str] | None = None
        atexit.register(self.end_kernel)

    def run(self, source: Path, written: Path, parameters: Mapping[str, object], folder: Path) -> object:
        """An executed notebook by the kept kernel. Errors: MachineryFault."""
        here = threading.get_ident()
        if self._kernel is not None and (self._kernel.memory_mb() > MOST_MB or self._thread != here):
            self.end_kernel()
        self._thread = here
        if self._kernel is None:
            home = Path(self._kept.enter_context(tempfile.TemporaryDirectory(prefix="workbook-batch-")))
            self._kernel = self._kept.enter_context(kernels.kept_kernel(home))
        return self._kernel.run(source, written, parameters, folder.resolve())

    def leave(self) -> None:
        """Take the kernel out of a folder that will be moved."""
        if self._kernel is not None:
            self._kernel.leave()

    def end_kernel(self) -> None:
        """End the kernel; the next notebook gets a new one."""
        self._kernel = None
        with contextlib.suppress(Exception):  # a kernel that is gone already
            self._kept.close()

    def program(self, top: Path) -> tuple[str, str]:
        """The program of this process, and the stamp of its files. Parameters: an output folder, whose memory makes it quick."""
        if self._program is None:
            memory, stamp = Output(top).own / folders.CODE, programs.stamp()
            self._program = programs.this_program(memory if memory.parent.is_dir() else None).sha256, stamp
        return self._program

    def memory_mb(self) -> float:
        """Memory that this process holds [MB]."""
        return kernels.memory_mb(os.getpid())


@functools.cache
def _bench() -> Bench:
    return Bench()


class Refused(MachineryFault):
    """A study that is not made, and that another attempt would not make."""


def same_program(task: Task) -> None:
    """Errors: Refused if the program here is not the one that asks."""
    if _bench().program(task.top)[0] != task.program:
        raise Refused("the worker has another version of the program or of its libraries; install the same and start it again")


# one study


def _make(task: Task) -> str:
    output = Output(task.top)
    entry = task.entry
    target = output.study(entry.site_id, entry.case)
    refuse_foreign(target)
    home = None
    try:
        home = home_of(Portfolio(task.portfolio_file, ()), entry)
        sheets = tuple(_sheet(home, name) for name in task.asked.workbooks)
        content = results.to_bytes(notebook.document(home, sheets))
    except InputFault as error:
        return _file_fault(task, target, run.INPUT_FAULT, error, home)
    except _Stopped as stopped:
        return _file_fault(task, target, run.CALCULATION_FAULT, stopped.error, stopped.home, stopped.workbook)
    with folders.writing(f"the study {entry.name}"), run.beside(target) as made:
        if task.asked.rendered:
            run.fill(made, target, entry.site_file, home, sheets, parameters_of(entry), notebooks=_bench().run)
            _bench().leave()
        else:
            (made / run.RESULTS).write_bytes(content)
        _verify(made, sheets, content, rendered=task.asked.rendered)
        row = rows.of_document(json.loads(content))
        return _finish(task, made, home, row)


class _Stopped(Exception):
    """A calculation that stopped, with the home and the workbook in which it did."""

    def __init__(self, error: CalculationFault, home, workbook: str):
        self.error, self.home, self.workbook = error, home, workbook
        super().__init__(str(error))


def _sheet(home, name: str) -> Sheet:
    try:
        return notebook.sheet_of(home, name)
    except CalculationFault as error:
        raise _Stopped(error, home, name) from None


def parameters_of(entry: Entry) -> dict[str, object]:
    """The parameters of a study's notebooks but for the site file: what a portfolio puts in place, dates as text."""
    overrides = {path: value.isoformat() if isinstance(value, datetime.date) else value for path, value in entry.overrides}
    return {"edition": entry.edition, "overrides": overrides, "interactive": False, "case": entry.case}


def _verify(made: Path, sheets: tuple[Sheet, ...], content: bytes, *, rendered: bool) -> None:
    """Errors: MachineryFault if a file of the finished folder is not there, not whole or not what it should be."""
    if (made / run.RESULTS).read_bytes() != content:
        raise MachineryFault("results.json was not written as it was computed")
    if not rendered:
        return
    for name in (run.INDEX, run.PUBLISHED, *(f"{sheet.workbook}.html" for sheet in sheets)):
        if not (made / name).read_bytes().rstrip().endswith(b"</html>"):
            raise MachineryFault(f"{name} is not whole")
    for sheet in sheets:
        kept = json.loads((made / f"{sheet.workbook}.ipynb").read_bytes())
        if any(output["output_type"] == "error" for cell in kept["cells"] for output in cell.get("outputs", [])):
            raise MachineryFault(f"{sheet.workbook}.ipynb holds an error")


def _finish(task: Task, made: Path, home, row: rows.Row) -> str:
    """Write the record into a finished folder. Returns: the state."""
    entry = task.entry
    where = f"{entry.site_id}/{entry.case}"
    row = row | {"folder": where, "reasons": list(task.reasons), "before": task.before, "workbooks_left_out": task.asked.left_out}
    inputs = {} if home is None else dict(home.inputs)
    texts = dict(_texts(entry.site_file.parent, inputs))
    if programs.stamp() != _bench().program(task.top)[1]:
        raise Refused("the program was changed while the batch ran; start it again")
    sought = () if home is None else home.sought
    made_from = (task.asked.of(entry), inputs, texts, sought, task.program)
    record = records.Record(entry.site_id, entry.case, row["state"], *made_from, row, task.run, task.attempt, records.outputs_of(made))
    (made / records.RECORD).write_bytes(record.to_bytes())
    return row["state"]


def _texts(folder: Path, inputs: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    """Texts of the TOML files among the inputs. Errors: MachineryFault if any input is not what was read any more."""
    for path, digest in inputs.items():
        content = run.proven(folder, path, digest)
        if path.endswith(".toml"):
            yield path, content.decode("utf-8")


def refuse_foreign(target: Path) -> None:
    """Errors: Refused if what stands in the place of a study is none, or holds what no batch wrote; nothing of the user's is replaced."""
    if not target.exists() and not target.is_symlink():
        return
    if target.is_symlink() or not target.is_dir():
        raise Refused(f"{target} is not a folder; move it away")
    try:
        own = {name.partition("/")[0] for name in records.read(target).outputs}
    except (OSError, records.Unusable):
        own = run.own_names()
    own |= {records.RECORD, records.ACCEPTED}
    foreign = sorted(path.name for path in target.iterdir() if path.name not in own and not path.name.endswith(f".{FAILED}"))
    if foreign:
        raise Refused(f"{target} holds {', '.join(foreign[:3])}, which no batch wrote; move it away")


def _file_fault(task: Task, target: Path, state: str, error: InputFault | CalculationFault, home=None, workbook: str = "") -> str:
    """File a study that has faults and no verdict; what stood there with a verdict is kept aside as `CASE.previous`."""
    told = [str(fault) for fault in error.faults] if isinstance(error, InputFault) else [str(error)]
    with folders.writing(f"the study {task.entry.name}"), run.beside(target, _previous(target)) as made:
        if workbook and task.asked.rendered:
            _keep_notebook(task, home, workbook, made)
        (made / run.RESULTS).write_bytes(results.to_bytes(results.faulted(error)))
        return _finish(task, made, home, rows.of_fault(task.entry.site_id, task.entry.case, state, told))


def _previous(target: Path) -> Path | None:
    """Where an earlier study with a verdict is kept."""
    try:
        if records.read(target).state not in rows.VERDICTS:
            return None
    except (OSError, records.Unusable):
        return None
    previous = target.with_name(f"{target.name}{folders.PREVIOUS}")
    if previous.exists():
        shutil.rmtree(previous)
    return previous


def _keep_notebook(task: Task, home, workbook: str, made: Path) -> None:
    """The notebook in which a calculation stopped, as far as it came."""
    entry = task.entry
    copied = run.copy_inputs(entry.site_file, home.inputs, made / run.INPUTS)
    parameters = {"site_file": copied.relative_to(made).as_posix(), **parameters_of(entry)}
    written = made / f"{workbook}.{FAILED}"
    with contextlib.suppress(notebook_tools.NotebookFailed):
        _bench().run(notebook.notebook_path(workbook), written, parameters, made)
    _bench().leave()
    for name in run.withheld_records(home):
        (made / run.INPUTS / name).unlink()
