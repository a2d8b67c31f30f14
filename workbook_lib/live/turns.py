"""What is done in a form is taken on the notebook's own thread, one after another, whichever thread of the kernel hears of it.

JupyterLab may send what is typed through a second thread of the kernel, so that it is heard while a cell runs. A study of a home is held
by one thread: what comes by another is handed over. The kernel may besides take the messages of each widget by the thread that the widget
last spoke on: those of two widgets would overtake each other, a press what was typed before it. All go the way that the page sent them.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable

from workbook_lib.live.pace import Pace, paced

PACE = Pace()
"""Of all that is told to the browser: the way there is one for the whole kernel."""
WAY = "_reply_subshell_for"
"""What a comm of a newer kernel is asked which thread takes a message: the message's data, and the thread that the page named."""


def in_turn(take: Callable[[object], None], home: threading.Thread, loop: asyncio.AbstractEventLoop) -> Callable[[object], None]:
    """What takes a message on one thread, whichever thread brings it. Parameters: what takes it, thread, its event loop."""

    def taken(message: object) -> None:
        if threading.current_thread() is home:
            take(message)
        else:
            loop.call_soon_threadsafe(take, message)

    return taken


def as_sent(_: object, named: str | None) -> str | None:
    """Which thread of the kernel takes a message: the one that the page named. Parameters: data of the message; thread, None: the first."""
    return named


def hear_in_turn() -> None:
    """Have every widget made from now on in this kernel take its messages on this thread, and send its own at a pace that none is lost.

    Nothing where no event loop runs.
    """
    from ipywidgets import Widget

    try:
        loop = asyncio.get_running_loop()
    except RuntimeError:  # a script or a test: there is one thread
        return
    home, pace = threading.current_thread(), PACE

    def heard(change) -> None:
        if change["new"] is not None:
            pace.step()  # that it was made was told just now
            change["new"].on_msg(in_turn(change["owner"]._handle_msg, home, loop))
            change["new"].publish_msg = paced(change["new"].publish_msg, pace)
            if hasattr(change["new"], WAY):
                setattr(change["new"], WAY, as_sent)

    Widget.on_widget_constructed(lambda made: made.observe(heard, "comm"))
