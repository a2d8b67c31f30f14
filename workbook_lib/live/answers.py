"""Processes that study what is entered while more is entered: the newest change is studied at once, an older study is left.

Two quick processes make the verdict of the open workbook, in turn, so that what they remember of records and runs stays warm; a long one
makes the rest (other workbooks, whole sheet, inverse questions, records looked at). What an older task still does is left at its next
stage, or ended after a grace, and the process replaced. Every answer carries the number of the draft that it is of, and one of an older
number than the newest asked is dropped.
"""

from __future__ import annotations

import asyncio
import contextlib
import multiprocessing
import multiprocessing.connection
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, replace

from workbook_lib.live import worker
from workbook_lib.live.worker import Done, Task

QUICK, LONG = "quick", "long"
ROLES = (QUICK, QUICK, LONG)
PROCESSES = len(ROLES)
GRACE_S = {QUICK: 2.0, LONG: 0.25}
"""How long an older study may take to its next stage before its process is ended."""
NICE = {QUICK: 0, LONG: 5}
"""How far each steps back further than all of them do (`loaded.py`): the rest behind the verdict."""
PRELOAD = ("workbook_lib.live.loaded",)


@dataclass
class _Hand:
    """One process with its role, its channel, the task that it is at, since when a newer one stands, whether it told a fault."""

    role: str
    process: object
    channel: object
    task: Task | None = None
    left_since: float | None = None
    faulted: bool = False


class Answers:
    """Studies of one home as it is entered. `told(answer)` is called with each answer that is of the newest task."""

    def __init__(self, told: Callable[[object], None]):
        self._told = told
        self._context = multiprocessing.get_context("forkserver")
        self._context.set_forkserver_preload(list(PRELOAD))
        self._hands: list[_Hand] = []
        self._ready: list[tuple[Callable[[object], None], object]] = []
        self._newest: Task | None = None
        self._loop: asyncio.AbstractEventLoop | None = None
        self._waiting: dict[str, Task] = {}
        self.ended_count = 0
        self._closed = self._asleep = False
        self._first = threading.Thread(target=self._begin, daemon=True)
        self._first.start()

    @property
    def busy(self) -> bool:
        """Whether the newest task is still being studied."""
        return bool(self._waiting) or any(map(self._of_newest, self._hands))

    def _of_newest(self, hand: _Hand) -> bool:
        """Whether a process is at the newest task."""
        return hand.task is not None and hand.left_since is None and self._newest is not None and hand.task.number == self._newest.number

    def ask(self, task: Task) -> None:
        """Study a task in place of any older one. Parameters: task."""
        self._listen()
        if self._asleep:
            self._asleep = False
            self._first = threading.Thread(target=self._begin, daemon=True)
            self._first.start()
        aside = task.question is not None or bool(task.look)
        self._newest, self._waiting = task, {LONG if aside else QUICK: task}
        now = time.monotonic()
        for hand in self._hands:
            if hand.task is not None and hand.left_since is None:
                hand.left_since = now
                with contextlib.suppress(OSError):  # a process that has ended is found so when it is read
                    hand.channel.send(None)
        self._give()

    def stop(self) -> None:
        """Leave what is being studied; the next task is studied as usual."""
        self._newest, self._waiting = None, {}
        for hand in list(self._hands):
            if hand.task is not None:
                self._replace(hand)

    def close(self) -> None:
        """End every process."""
        self._closed = True
        self._end_all()

    def sleep(self) -> None:
        """End every process; the next task begins them anew."""
        self._asleep = True
        self._end_all()

    def _end_all(self) -> None:
        self._newest, self._waiting = None, {}
        self._first.join(30)
        while self._ready:
            _, hand = self._ready.pop()
            if isinstance(hand, _Hand):
                hand.process.kill()
        for hand in list(self._hands):
            self._end(hand)

    def pump(self, seconds: float = 0.0) -> None:
        """Take what has come within a time, for a caller without an event loop. Parameters: seconds to wait at most [s]."""
        if len(self._hands) < PROCESSES:
            self._first.join(seconds)
        while self._ready:
            take, what = self._ready.pop()
            take(what)
        found = multiprocessing.connection.wait([hand.channel for hand in self._hands], seconds)
        for hand in list(self._hands):
            if hand.channel in found:
                self._read(hand)
        self._overdue()

    # processes

    def _begin(self) -> None:
        """The first processes, made on the side: what they need is loaded once, and that takes its time."""
        try:
            for role in ROLES:
                self._deliver(self._join, self._made(role))
        except (OSError, RuntimeError, EOFError) as error:
            self._deliver(self._cannot_start, str(error).strip().split("\n")[0])

    def _deliver(self, take: Callable[[object], None], what: object) -> None:
        """Hand something over from the side: through the event loop where there is one, else to the next `pump`."""
        if self._loop is not None and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(take, what)
        else:
            self._ready.append((take, what))

    def _cannot_start(self, reason: str) -> None:
        if self._newest is not None:
            number, self._waiting = self._newest.number, {}
            self._told(worker.Faults(number, (), f"no process could be started to study this: {reason}"))
            self._told(Done(number))

    def _made(self, role: str) -> _Hand:
        ours, theirs = self._context.Pipe()
        process = self._context.Process(target=worker.serve, args=(theirs, NICE[role]), daemon=True)
        process.start()
        theirs.close()
        return _Hand(role, process, ours)

    def _join(self, hand: _Hand) -> None:
        """Take a process in that was made on the side."""
        if self._closed or self._asleep or len(self._hands) >= PROCESSES:  # made before the others were ended
            hand.process.kill()
            return
        self._take_in(hand)
        self._give()

    def _take_in(self, hand: _Hand) -> _Hand:
        ours = hand.channel
        self._hands.append(hand)
        if self._loop is not None:
            self._loop.add_reader(ours.fileno(), self._read, hand)
        return hand

    def _end(self, hand: _Hand) -> None:
        if self._loop is not None and not self._loop.is_closed():
            self._loop.remove_reader(hand.channel.fileno())
        hand.process.kill()
        hand.channel.close()
        hand.process.join(5)
        self._hands.remove(hand)

    def _replace(self, hand: _Hand) -> None:
        self.ended_count += 1
        self._end(hand)
        self._take_in(self._made(hand.role))

    def _listen(self) -> None:
        """Hear the processes through the running event loop, where there is one."""
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:
            return
        if self._loop is None or self._loop.is_closed():
            self._loop = loop
            while self._ready:
                loop.call_soon(*self._ready.pop())
            for hand in self._hands:
                loop.add_reader(hand.channel.fileno(), self._read, hand)

    # tasks

    def _give(self) -> None:
        """What waits to an idle process of its role; where all are at older tasks, wait for the first, for no longer than the grace."""
        for role, task in list(self._waiting.items()):
            idle = next((hand for hand in self._hands if hand.role == role and hand.task is None), None)
            if idle is None:
                continue
            idle.task, idle.left_since, idle.faulted = task, None, False
            del self._waiting[role]
            try:
                idle.channel.send(task)
            except (BrokenPipeError, ConnectionError):
                self._waiting[role] = task
                self._replace(idle)
                self._give()
        if self._loop is not None:
            for role in {hand.role for hand in self._hands if hand.left_since is not None}:
                self._loop.call_later(GRACE_S[role] + 0.01, self._overdue)

    def _overdue(self) -> None:
        now = time.monotonic()
        late = [hand for hand in self._hands if hand.left_since is not None and now - hand.left_since >= GRACE_S[hand.role]]
        for hand in late:
            self._replace(hand)
        if late:
            self._give()

    def _read(self, hand: _Hand) -> None:
        """Every message of a process that is there."""
        try:
            while hand in self._hands and hand.channel.poll():
                self._take(hand, hand.channel.recv())
        except (EOFError, OSError):
            task, newest = hand.task, self._of_newest(hand)
            self._replace(hand)
            if newest:
                self._told(
                    worker.Faults(task.number, (), "the process that studied this ended before it was done; change a field or ask again")
                )
                self._told(Done(task.number, left=True))
        self._give()

    def _take(self, hand: _Hand, message: object) -> None:
        """A message of a process; once the verdict is there, the rest is asked of the long one."""
        task, newest = hand.task, self._of_newest(hand)
        if isinstance(message, Done):
            hand.task, hand.left_since = None, None
            if newest and task.stage == worker.VERDICT and hand.role == QUICK and not hand.faulted and not message.left:
                self._waiting[LONG] = replace(task, stage=worker.REST)
                return
        hand.faulted = hand.faulted or isinstance(message, worker.Faults)
        if newest:
            self._told(message)
