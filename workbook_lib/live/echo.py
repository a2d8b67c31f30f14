"""A press of a button is taken once what was typed before it has come.

The lab sends a press at once, but what is typed into an entry only after the kernel is done with what was typed into it before: over a slow
way, or from a slow browser, a press overtakes the last letters. So a press is answered first: a hidden entry of the form is given a number,
the page (`form.js`) puts it back, and by the order of messages all that was typed before the press is there when the number is. That holds
where all messages go one way, which `turns.py` sees to.
"""

from __future__ import annotations

import asyncio
from collections.abc import Callable

from workbook_lib.live.fold import Line

BOX = "wb-echo"
"""Class of the hidden entry."""
WAIT_S = 5.0
"""How long a press waits for the page at most. It is refused then, with words; from a page that has put no number back it is taken."""
MUTE_S = 0.1
"""The same where the page has put no number back for so long: one that does not run `form.js`."""
UNHEARD = (
    f"within {WAIT_S:.0f} s the page did not say that all you typed has come. Look at what stands in the form, then press the button again."
)


class Echo:
    """Presses that wait for the page. One for all forms of a kernel; each form shows a box of it."""

    def __init__(self):
        self._count = 0
        self._boxes: list[object] = []
        self._lines: list[Line] = []
        self._waiting: dict[int, Callable[[], None]] = {}
        self._heard, self._mute = False, False

    def box(self, kit):
        """A hidden entry for a form, through which its page answers, and the line that tells of a press that was not taken."""
        import ipywidgets as widgets

        made, line = widgets.Text(continuous_update=False, layout=widgets.Layout(display="none"), _dom_classes=(BOX,)), Line(kit)
        made.observe(self._answered, "value")
        self._boxes.append(made)
        self._lines.append(line)
        return widgets.VBox([made, line.box], layout=kit.line)

    def after(self, done: Callable[[], None], loop: asyncio.AbstractEventLoop) -> None:
        """Do something once the page has answered, in the order of the presses. Parameters: what to do, running event loop."""
        self._count += 1
        self._waiting[self._count] = done
        self._boxes = [one for one in self._boxes if one.comm is not None]  # those of forms that are not closed
        self._say("")
        for box in self._boxes:
            box.placeholder = str(self._count)
        number = self._count
        # the kernel may have been at work meanwhile: what has come by then is taken before the press is given up
        loop.call_later(MUTE_S if self._mute else WAIT_S, lambda: loop.call_later(MUTE_S, self._unanswered, number))

    def _answered(self, change) -> None:
        if str(change["new"]).isdecimal():
            self._heard, self._mute = True, False
            self._take(int(change["new"]))

    def _unanswered(self, number: int) -> None:
        if number not in self._waiting:
            return
        if self._heard:
            self._heard = False
            self._waiting.clear()  # those that were pressed since, too: nothing was said yet
            self._say(UNHEARD)
            return
        self._mute = True
        self._take(number)

    def _say(self, words: str) -> None:
        self._lines = [one for one in self._lines if one.box.comm is not None]
        for line in self._lines:
            line.say(words, trouble=bool(words))

    def _take(self, number: int) -> None:
        for waiting in sorted(one for one in self._waiting if one <= number):
            self._waiting.pop(waiting)()


ECHO = Echo()
"""Of the kernel."""


def settled(done: Callable[[], None], echo: Echo = ECHO) -> Callable[[object], None]:
    """What a press runs: at once without an event loop, else once what was typed before it has come. Parameters: what to do, echo."""

    def pressed(_: object) -> None:
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:  # a script or a test
            done()
            return
        echo.after(done, loop)

    return pressed
