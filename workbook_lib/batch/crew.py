"""Workers on this machine: processes that each make one study at a time. One that ends costs only the study that it was making."""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import threading
import time
from collections import deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from multiprocessing import connection, resource_tracker
from pathlib import Path
from typing import Protocol

from workbook_lib.batch import folder as folders
from workbook_lib.batch.work import Done, Refused, Task, do, same_program
from workbook_lib.run import MACHINERY_FAULT

TASK_LIMIT_S = 1_800
"""A worker that is longer at one study is ended [s]."""
WORKER_MB = 1_300
"""Memory that a worker with its kernel is planned with [MB]."""


class Crew(Protocol):
    """Who makes studies. `free_count`: how many more tasks it takes now, so that none waits in memory."""

    free_count: int

    def give(self, task: Task) -> None:
        """Take a task."""

    def wait(self, seconds: float) -> Sequence[Done]:
        """What was done within some seconds [s]."""

    def end(self, *, now: bool) -> None:
        """End every worker; `now` without waiting for what it makes."""


def workers_count(memory_mb: float | None = None) -> int:
    """Workers for this machine: one a core, as far as the memory goes [MB]."""
    if memory_mb is None:
        import psutil

        memory_mb = psutil.virtual_memory().available / 1e6
    return max(
        1, min(len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1, int(memory_mb // WORKER_MB))
    )


@dataclass(slots=True)
class _Worker:
    process: multiprocessing.process.BaseProcess
    line: connection.Connection
    task: Task | None = None
    since: float = 0.0


class LocalCrew:
    """Workers of this machine, each a process of its own that ends with this one."""

    def __init__(self, count: int, top: Path):
        self._top = top
        self._context = multiprocessing.get_context("spawn")
        resource_tracker.ensure_running()  # the first worker would start it, and it lets interrupts through again
        self._workers = [self._start() for _ in range(count)]

    def _start(self) -> _Worker:
        ours, theirs = self._context.Pipe()
        process = self._context.Process(target=serve, args=(theirs, str(self._top)), daemon=False)
        with _interrupts_held():
            process.start()
        theirs.close()
        return _Worker(process, ours)

    @property
    def free_count(self) -> int:
        """Workers without a task."""
        return sum(worker.task is None for worker in self._workers)

    @property
    def processes(self) -> list[int]:
        """Process numbers of the workers."""
        return [worker.process.pid for worker in self._workers]

    def give(self, task: Task) -> None:
        """Hand a task to a worker that has none. Errors: ValueError if all have."""
        for worker in self._workers:
            if worker.task is None:
                worker.task, worker.since = task, time.monotonic()
                with contextlib.suppress(OSError):  # it has ended; `wait` finds it so
                    worker.line.send(task)
                return
        raise ValueError("every worker has a task")

    def wait(self, seconds: float) -> list[Done]:
        """What the workers have done within some seconds; a worker that has ended is replaced and its task comes back to be tried again."""
        for worker in self._workers:
            if worker.task is not None and time.monotonic() - worker.since > TASK_LIMIT_S:
                worker.process.kill()  # its line closes, and it is found so below
        lines = {worker.line: worker for worker in self._workers}
        found = []
        for ready in connection.wait(list(lines), seconds):
            worker = lines[ready]
            try:
                done = worker.line.recv()
            except (EOFError, OSError):
                worker.process.join()
                if worker.task is not None:
                    words = f"the worker ended in the middle (exit {worker.process.exitcode})"
                    found.append(Done(worker.task, MACHINERY_FAULT, words, retry=True))
                self._replace(worker)
                continue
            worker.task = None
            found.append(done)
            if done.spent:
                self._replace(worker)
        return found

    def _replace(self, worker: _Worker) -> None:
        worker.line.close()
        worker.process.join(10)
        if worker.process.is_alive():
            worker.process.kill()
        self._workers[self._workers.index(worker)] = self._start()

    def end(self, *, now: bool) -> None:
        """End every worker."""
        for worker in self._workers:
            if now:
                worker.process.kill()
            worker.line.close()
        for worker in self._workers:
            worker.process.join(10)
            if worker.process.is_alive():
                worker.process.kill()
                worker.process.join()


@contextlib.contextmanager
def _interrupts_held() -> Iterator[None]:
    """Interrupts wait while it lasts. A process that is started within begins so: Ctrl-C at the terminal reaches it while it imports."""
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def serve(line: connection.Connection, top: str) -> None:
    """The life of a worker: task in, done out, until the line closes or the batch itself has ended."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
    threading.Thread(target=_end_with_parent, daemon=True).start()
    held = folders.hold_workers_lock(folders.Output(Path(top)))
    with held, line:
        while True:
            try:
                task = line.recv()
            except (EOFError, OSError):
                return
            try:
                same_program(task)
            except Refused as error:
                line.send(Done(task, MACHINERY_FAULT, str(error)))
                continue
            line.send(do(task))


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        connection.wait([parent.sentinel])
        os._exit(1)


class Backlog:
    """Tasks to be given out, and those that are tried again after a while, later each time."""

    ATTEMPTS = 3
    PAUSE_S = 0.5

    def __init__(self) -> None:
        self._again: deque[tuple[float, Task]] = deque()

    def retry(self, done: Done) -> bool:
        """Keep a task for another attempt; False if it has had them all, or another is of no use."""
        if not done.retry or done.task.attempt >= self.ATTEMPTS:
            return False
        self._again.append((time.monotonic() + self.PAUSE_S * 2**done.task.attempt, done.task.again()))
        return True

    def due(self) -> Task | None:
        """A task whose pause is over."""
        for place, (when, task) in enumerate(self._again):
            if when <= time.monotonic():
                del self._again[place]
                return task
        return None

    def __len__(self) -> int:
        return len(self._again)
