"""Studies spread over the workers of a Dask scheduler.

Where nothing is shared, a task takes the files of its home with it and the finished study comes back, with the checksum of every file;
one process writes. Where workers see the same folders, they write there themselves. Only as many tasks are out as the workers can
take, so that memory does not grow with the portfolio. What a worker was making when it was lost is made by another.
"""

from __future__ import annotations

import hashlib
import json
import os
import queue
import tempfile
import threading
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from workbook_lib import run
from workbook_lib.batch import folder as folders
from workbook_lib.batch import record as records
from workbook_lib.batch import rows, work
from workbook_lib.batch.folder import Output
from workbook_lib.batch.work import Done, Task
from workbook_lib.errors import InputFault, MachineryFault
from workbook_lib.home.portfolio import Portfolio, home_of

CONNECT_S = 15
WORKERS_S = 60
AHEAD_COUNT = 1
"""Tasks that wait at each worker beside the one that it makes."""


@dataclass(frozen=True, slots=True)
class Sent:
    """A study that comes back: what came of it, and its files by relative path; `here` where it is to be made by who asks."""

    done: Done
    files: Mapping[str, bytes]
    here: bool = False


class ClusterCrew:
    """The workers of a scheduler.

    Parameters: its address; the output folder; whether the workers see the same folders under the same names. Errors: MachineryFault
    where no scheduler answers or it has no worker.
    """

    def __init__(self, address: str, output: Output, *, shared: bool = False):
        from distributed import Client

        self._output, self._shared = output, shared
        try:
            self._client = Client(address, timeout=CONNECT_S, set_as_default=False)
        except (OSError, ValueError, TimeoutError) as error:
            raise MachineryFault(f"no scheduler answers at {address}: {error}; start one with `dask scheduler`") from None
        try:
            self._client.wait_for_workers(1, timeout=WORKERS_S)
        except TimeoutError:
            self._client.close()
            raise MachineryFault(
                f"the scheduler at {address} has no worker; start some with `dask worker {address} --nthreads 1`"
            ) from None
        self._seen = time.monotonic()
        self._out: dict[str, tuple[Task, object]] = {}
        self._ready: queue.SimpleQueue[tuple[str, Done | None]] = queue.SimpleQueue()

    @property
    def free_count(self) -> int:
        """How many more tasks the workers take now."""
        try:
            threads = sum(self._client.nthreads().values())
        except (OSError, TimeoutError) as error:
            raise MachineryFault(f"the scheduler is lost: {error}") from None
        if threads:
            self._seen = time.monotonic()
        elif time.monotonic() - self._seen > WORKERS_S:
            raise MachineryFault(f"the scheduler has had no worker for {WORKERS_S} s")
        return max(0, threads * (1 + AHEAD_COUNT) - len(self._out))

    def give(self, task: Task) -> None:
        """Hand a task to the scheduler."""
        name = f"{task.entry.name}#{task.run}.{task.attempt}"
        if self._shared:
            future = self._client.submit(do_shared, _absolute(task), os.getcwd(), key=name, pure=False)
        else:
            try:
                home = home_of(Portfolio(task.portfolio_file, ()), task.entry)
                files = {path: run.proven(task.entry.site_file.parent, path, digest) for path, digest in home.inputs}
            except (InputFault, MachineryFault, OSError):
                self._out[name] = (task, None)
                self._ready.put((name, work.do(task)))
                return
            future = self._client.submit(do_sent, task, files, key=name, pure=False)
        self._out[name] = (task, future)
        future.add_done_callback(lambda _: self._ready.put((name, None)))

    def wait(self, seconds: float) -> Sequence[Done]:
        """What has come back within some seconds [s]."""
        found = []
        while True:
            try:
                name, done = self._ready.get_nowait() if found else self._ready.get(timeout=seconds)
            except queue.Empty:
                return found
            if name in self._out:
                task, future = self._out.pop(name)
                found.append(done or self._taken(task, future))

    def _taken(self, task: Task, future) -> Done:
        """What came of a task that is back; a study that came with it is written."""
        try:
            sent = future.result(timeout=WORKERS_S)  # a worker that is lost takes with it what it had not sent yet
        except Exception as error:  # whatever a lost worker or a broken line raises
            return Done(task, run.MACHINERY_FAULT, f"lost on the way: {type(error).__name__}: {error}", retry=True)
        finally:
            future.release()
        if sent.here:
            return work.do(task)
        done = replace(sent.done, task=task)
        if not sent.files:
            return done
        try:
            _write(task, self._output.study(task.entry.site_id, task.entry.case), sent.files)
        except folders.FolderFault as error:
            return replace(done, state=run.MACHINERY_FAULT, words=str(error), stop=True)
        except (MachineryFault, OSError) as error:
            return replace(done, state=run.MACHINERY_FAULT, words=str(error), retry=True)
        return done

    def end(self, *, now: bool) -> None:
        """Leave the scheduler; its workers stay."""
        futures = [future for _, future in self._out.values() if future is not None]
        if futures:
            self._client.cancel(futures, force=True)
        self._client.close()


def _absolute(task: Task) -> Task:
    return replace(task, top=task.top.resolve())


def _write(task: Task, target: Path, files: Mapping[str, bytes]) -> None:
    """Put the study of a task that came back into its place, each file proven by the checksum of its record. Errors: MachineryFault."""
    try:
        record = records.from_bytes(files[records.RECORD])
    except (KeyError, records.Unusable) as error:
        raise MachineryFault(f"a study came back without a record: {error}") from None
    asked = (task.entry.site_id, task.entry.case, task.run, task.program, task.asked.of(task.entry))
    row = rows.of_document(json.loads(files[run.RESULTS])) if record.state in rows.VERDICTS and run.RESULTS in files else record.row
    if (record.site_id, record.case, record.run, record.program, dict(record.asked)) != asked or row["state"] != record.state:
        raise MachineryFault("a study came back that is not the one that was asked for")
    came = {name: (hashlib.sha256(content).hexdigest(), len(content)) for name, content in files.items() if name != records.RECORD}
    if came != {name: tuple(one) for name, one in record.outputs.items()}:
        raise MachineryFault("a study came back with files that are not those of its record")
    work.refuse_foreign(target)
    with folders.writing(f"the study {target.parent.name}/{target.name}"), run.beside(target) as made:
        for name, content in files.items():
            place = made / name
            if not place.resolve().is_relative_to(made.resolve()):
                raise MachineryFault(f"a study came back with a file outside its folder: {name}")
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_bytes(content)


# on the worker

_THREADS = threading.Lock()
"""A worker makes one study at a time, however many threads it has."""


def do_shared(task: Task, folder: str) -> Sent:
    """A study in folders that everyone sees. Parameters: task, working folder of who asks."""
    with _THREADS:
        os.chdir(folder)
        try:
            work.same_program(task)
        except MachineryFault as error:
            return Sent(Done(task, run.MACHINERY_FAULT, str(error)), {})
        with folders.hold_workers_lock(Output(task.top)):
            return Sent(work.do(task), {})


def do_sent(task: Task, files: Mapping[str, bytes]) -> Sent:
    """A study from the files that came with its task. Returns: the study, file by file; one with faults is left to who asks."""
    with _THREADS, tempfile.TemporaryDirectory(prefix="workbook-worker-") as name:
        try:
            work.same_program(task)
        except MachineryFault as error:
            return Sent(Done(task, run.MACHINERY_FAULT, str(error)), {})
        top, given = Path(name) / "out", Path(name) / "in"
        for path, content in files.items():
            (given / path).parent.mkdir(parents=True, exist_ok=True)
            (given / path).write_bytes(content)
        entry = replace(task.entry, site_file=given / task.entry.site_file.name)
        done = work.do(replace(task, entry=entry, top=top))
        if done.state in (run.INPUT_FAULT, run.CALCULATION_FAULT):
            return Sent(done, {}, here=True)
        study = Output(top).study(task.entry.site_id, task.entry.case)
        found = {path.relative_to(study).as_posix(): path.read_bytes() for path in sorted(study.rglob("*")) if path.is_file()}
        return Sent(done, found)
