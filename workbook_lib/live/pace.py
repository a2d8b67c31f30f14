"""How fast a form is told to the browser: never so many messages at once that the way there drops some.

The server passes on no more than a thousand messages a second, over a window of three, and drops the rest without a word; a burst of some
thousands lost whole widgets besides (measured). A form that lost one of them has a part that never opens.
"""

from __future__ import annotations

import time
from collections.abc import Callable

AT_ONCE, PER_S = 600.0, 700.0
"""How many messages may go at once, and how many a second after that."""


class Pace:
    """Lets messages go at once as long as they are few, and holds them back where they are many."""

    def __init__(self, now: Callable[[], float] = time.monotonic, wait: Callable[[float], None] = time.sleep):
        self._now, self._wait = now, wait
        self._free, self._at = AT_ONCE, now()

    def step(self) -> None:
        """One more message: waits until it may go."""
        self._refill()
        if self._free < 1.0:
            self._wait((1.0 - self._free) / PER_S)
            self._refill()
        self._free -= 1.0

    def _refill(self) -> None:
        now = self._now()
        self._free, self._at = min(AT_ONCE, self._free + (now - self._at) * PER_S), now


def paced(publish: Callable[..., None], pace: Pace) -> Callable[..., None]:
    """What sends a message of a comm at a pace. Parameters: what sends it, pace."""

    def sent(msg_type: str, data: object = None, metadata: object = None, buffers: object = None) -> None:
        pace.step()
        publish(msg_type, data=data, metadata=metadata, buffers=buffers)

    return sent
