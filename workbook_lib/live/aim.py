"""Where the keys go on once a button of the person was pressed: told to the browser by a mark on what is next.

The browser (`form.js`) follows a new mark only after a press of a button of the class `GOES`. What is typed until the mark is there is held
back and goes there, so each press of such a button must lead to a mark; where it was refused, to one that says so, and nothing is typed.
"""

from __future__ import annotations

from itertools import count

GOES = "wb-goes"
"""Class of a button whose press is followed to what is marked after it."""
SLOW = "wb-slow"
"""Class of such a button beside `GOES` whose answer takes long: nothing is held back, and any other key or press lets it go."""
MARK = "wb-aim"
REFUSED = "wb-refused"
_NUMBERS = count(1)
"""Of all marks of the kernel: a form may stand in another."""


class Aim:
    """The mark of one form: on one widget at a time, with a number that goes up, so that an old one is never followed again."""

    def __init__(self):
        self._number, self._at = 0, None

    @property
    def at(self):
        """What is marked, None for nothing."""
        return self._at

    def clear(self) -> None:
        """Take the mark away."""
        if self._at is not None:
            self._at.remove_class(MARK)
            self._at.remove_class(f"{MARK}-{self._number}")
            self._at.remove_class(REFUSED)
            self._at = None

    def take(self, widget, *, refused: bool = False) -> None:
        """Mark what is next. Parameters: an entry, a button, or a box whose first entry is meant; whether what was asked was refused."""
        self.clear()
        self._number, self._at = next(_NUMBERS), widget
        if refused:
            widget.add_class(REFUSED)
        widget.add_class(MARK)
        widget.add_class(f"{MARK}-{self._number}")
