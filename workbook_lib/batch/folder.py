"""The output folder of a batch: where things lie, who works on it, and what a run that was cut off has left.

`DIR/SITE_ID/CASE/` holds a study, `DIR/portfolio.json` and the roll-up what they come to. `DIR/.batch/` holds what the runs need: the
lock, the number of the run, a marker for each study that is being made, and the programs that made the studies.
"""

from __future__ import annotations

import contextlib
import json
import os
import re
import shutil
import socket
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from workbook_lib.batch import program as programs
from workbook_lib.errors import MachineryFault
from workbook_lib.notebook_tools import UNWRITABLE

OWN = ".batch"
PORTFOLIO = "portfolio.json"
LOCK, WORKERS_LOCK, RUN, RUNNING, PROGRAMS, CODE = "lock", "workers", "run.json", "running", "programs", "code.json"
OWNER = "portfolio"
PART, ASIDE = ".part", ".part.old"
PREVIOUS = ".previous"
"""End of the name of the folder in which a study that came to stand at fault keeps what it was before."""
WORKERS_WAIT_S = 20


class FolderFault(MachineryFault):
    """The output folder cannot be written; to go on with further homes is of no use."""


@dataclass(frozen=True, slots=True)
class Output:
    """An output folder."""

    top: Path

    @property
    def own(self) -> Path:
        """Where the batch keeps what is its own."""
        return self.top / OWN

    def study(self, site_id: str, case: str) -> Path:
        """Folder of a study. Parameters: names that were checked to be ids."""
        return self.top / site_id / case

    def marker(self, site_id: str, case: str) -> Path:
        """The file that stands while a study is being made."""
        return self.own / RUNNING / f"{site_id}~{case}"


def refuse_foreign(output: Output) -> None:
    """Errors: FolderFault if the folder is a file, or holds something and was not made by a batch."""
    if output.top.exists() and not output.top.is_dir():
        raise FolderFault(f"{output.top} is a file; name a folder for the batch")
    if output.top.is_dir() and not output.own.is_dir():
        there = sorted(path.name for path in output.top.iterdir())
        if there:
            raise FolderFault(f"{output.top} holds {', '.join(there[:3])}, and no batch wrote it; name an empty or a new folder")


def claim(output: Output, portfolio: Path) -> None:
    """Note whose runs a folder holds. Errors: FolderFault where it holds those of another portfolio."""
    own = os.path.relpath(portfolio.resolve(), output.top.resolve())
    try:
        held = (output.own / OWNER).read_text(encoding="utf-8").strip()
    except OSError:
        held = ""
    if held and held != own:
        raise FolderFault(f"{output.top} holds the runs of another portfolio, {Path(held).name}; name another folder with --out")
    if not held and not output.top.exists():
        with writing(f"the folder {output.top}"):
            output.own.mkdir(parents=True)
            (output.own / OWNER).write_text(f"{own}\n", encoding="utf-8")


@contextlib.contextmanager
def writing(what: str) -> Iterator[None]:
    """What is done within; an OSError that says that nothing can be written becomes a FolderFault that says so in words."""
    try:
        yield
    except OSError as error:
        if error.errno in UNWRITABLE:
            raise FolderFault(f"{what} cannot be written: {error.strerror}; earlier results are as they were") from None
        raise


@contextlib.contextmanager
def locked(output: Output) -> Iterator[None]:
    """The folder for this process alone. Errors: FolderFault that names who works on it, or why it cannot be written."""
    import fcntl

    refuse_foreign(output)
    with writing(f"the folder {output.top}"):
        output.own.mkdir(parents=True, exist_ok=True)
        (output.own / RUNNING).mkdir(exist_ok=True)
        (output.own / PROGRAMS).mkdir(exist_ok=True)
        file = (output.own / LOCK).open("a+", encoding="utf-8")
    with file:
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            file.seek(0)
            raise FolderFault(f"another batch works on {output.top}: {file.read().strip() or 'it has not said which'}") from None
        file.truncate(0)
        file.write(f"process {os.getpid()} on {socket.gethostname()} since {time.strftime('%Y-%m-%d %H:%M:%S')}\n")
        file.flush()
        _wait_for_workers(output)
        yield


def hold_workers_lock(output: Output):
    """In a worker: what keeps the next batch waiting until this process has ended. Returns: the open file."""
    import fcntl

    file = (output.own / WORKERS_LOCK).open("a", encoding="utf-8")
    fcntl.flock(file, fcntl.LOCK_SH)
    return file


def _wait_for_workers(output: Output) -> None:
    """Until the workers of a batch that was killed have ended. Errors: FolderFault if they do not."""
    import fcntl

    end = time.monotonic() + WORKERS_WAIT_S
    with (output.own / WORKERS_LOCK).open("a", encoding="utf-8") as file:
        while True:
            try:
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError:
                if time.monotonic() > end:
                    raise FolderFault(f"workers of an earlier batch still work on {output.top}; end them first") from None
                time.sleep(0.1)
            else:
                return


# runs


@dataclass(frozen=True, slots=True)
class Run:
    """The number of a run, whether it goes on with one that did not come to its end, and whether that was to make everything again."""

    number: int
    resumed: bool
    again: bool = False


def this_run(output: Output) -> Run:
    """The run that would be made now: the one that is open, else the next."""
    try:
        held = json.loads((output.own / RUN).read_text(encoding="utf-8"))
        number, done, again = int(held["run"]), bool(held["done"]), bool(held["again"])
    except (OSError, ValueError, KeyError, TypeError):
        return Run(1, resumed=False)
    return Run(number + done, resumed=not done, again=again and not done)


def note_run(output: Output, run: Run, *, done: bool, again: bool) -> None:
    """Write down that a run is open, or done, and whether it makes everything again."""
    put(output.own / RUN, (json.dumps({"run": run.number, "done": done, "again": again}) + "\n").encode())


def put(target: Path, content: bytes) -> None:
    """Write a file in one step: a reader sees the old one or the new one, whole. Errors: FolderFault, OSError."""
    with writing(f"{target.parent.name}/{target.name}"):
        handle, name = tempfile.mkstemp(prefix=f".{target.name}-", suffix=PART, dir=target.parent)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(content)
            mask = os.umask(0)
            os.umask(mask)
            os.chmod(name, 0o666 & ~mask)
            os.replace(name, target)
        except BaseException:
            with contextlib.suppress(OSError):
                os.unlink(name)
            raise


def interrupted(output: Output) -> set[str]:
    """Names of the markers that a run which was cut off has left."""
    folder = output.own / RUNNING
    return {path.name for path in folder.iterdir()} if folder.is_dir() else set()


def recover(output: Output) -> None:
    """After a run that was cut off: a study that stood aside goes back where nothing took its place, what was half done goes away.

    The markers stay, for the plan to name them; `unmark_all` takes them away. Errors: FolderFault.
    """
    with writing(f"the folder {output.top}"):
        for name in sorted(interrupted(output)):
            site_id, _, case = name.partition("~")
            _recover_study(output.study(site_id, case))
        for place in (output.top, output.own, output.own / PROGRAMS):
            for path in place.glob(f".*{PART}"):
                _away(path)


def _recover_study(target: Path) -> None:
    if not target.parent.is_dir():
        return
    mine = re.compile(rf"\.{re.escape(target.name)}-[a-z0-9_]{{8}}\.part(\.old)?")
    left = sorted(path for path in target.parent.iterdir() if mine.fullmatch(path.name))
    previous = target.with_name(f"{target.name}{PREVIOUS}")
    for path in left:
        if path.name.endswith(ASIDE) and not target.exists():
            path.rename(target)
        else:
            _away(path)
    if left and not target.exists() and previous.is_dir():
        previous.rename(target)
    if target.is_dir() and not target.is_symlink():
        for path in target.glob(f".*{PART}"):
            _away(path)


def _away(path: Path) -> None:
    """Take away a file, a link or a folder."""
    if path.is_dir() and not path.is_symlink():
        shutil.rmtree(path)
    else:
        path.unlink(missing_ok=True)


def unmark_all(output: Output) -> None:
    """Take every marker away."""
    for name in interrupted(output):
        (output.own / RUNNING / name).unlink(missing_ok=True)


# programs


def keep_program(output: Output, program: programs.Program) -> str:
    """Keep what the program consists of under its hash. Returns: the hash."""
    name = program.sha256
    target = output.own / PROGRAMS / f"{name}.json"
    if not target.is_file():
        put(target, program.to_bytes())
    return name


def kept_program(output: Output, name: str) -> programs.Program | None:
    """A program by its hash; None where it is not there or not whole."""
    try:
        held = programs.from_bytes((output.own / PROGRAMS / f"{name}.json").read_bytes())
    except (OSError, ValueError, KeyError, TypeError):
        return None
    return held if held.sha256 == name else None
