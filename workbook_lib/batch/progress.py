"""What a person sees while a batch runs: how many are done, the rate, the time left, the counts by state."""

from __future__ import annotations

import sys
import time
from collections import Counter
from typing import TextIO

LIVE_S, PLAIN_S = 0.5, 30.0


class Progress:
    """Progress on a terminal as one line that is written over, elsewhere as a line now and then. Parameters: how many there are."""

    def __init__(self, count: int, out: TextIO | None = None):
        self._count = count
        self._out = out
        self._live = out is not None and out.isatty()
        self._begun = self._told = time.monotonic()
        self._states: Counter[str] = Counter()

    def done(self, name: str, state: str, words: str = "") -> None:
        """One more is done."""
        self._states[state] += 1
        if words:
            self.note(f"{name}: {state}: {words}")

    def note(self, words: str) -> None:
        """A line that stays."""
        if self._out is not None:
            self._clear()
            print(words, file=self._out, flush=True)

    def tick(self) -> None:
        """Show how it stands, if it is time to."""
        if self._out is None or time.monotonic() - self._told < (LIVE_S if self._live else PLAIN_S):
            return
        self._told = time.monotonic()
        self._clear()
        print(self.line(time.monotonic() - self._begun), file=self._out, end="" if self._live else "\n", flush=True)

    def line(self, seconds: float) -> str:
        """How it stands. Parameters: since the begin [s]."""
        from tqdm import tqdm

        counts = ", ".join(f"{state} {count}" for state, count in sorted(self._states.items()))
        return tqdm.format_meter(sum(self._states.values()), self._count, seconds, unit=" homes", ncols=0, postfix=counts or None)

    def close(self) -> None:
        """Show how it ended."""
        if self._out is not None:
            self._clear()
            print(self.line(time.monotonic() - self._begun), file=self._out, flush=True)

    def _clear(self) -> None:
        if self._live:
            print("\r\033[K", file=self._out, end="")


def on_terminal(count: int) -> Progress:
    """Progress on the error stream of this process."""
    return Progress(count, sys.stderr)
