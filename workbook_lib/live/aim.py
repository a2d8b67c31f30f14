"""Where the keys go on once a button of the person was pressed: told to the browser by a mark on what is next.

The browser (`form.js`) follows a new mark only after a press of a button of the class `GOES`, and only where nothing else was done since.
"""

from __future__ import annotations

GOES = "wb-goes"
"""Class of a button whose press is followed to what is marked after it."""
MARK = "wb-aim"


class Aim:
    """The mark of one form: on one widget at a time, with a number that goes up, so that an old one is never followed again."""

    def __init__(self):
        self._count, self._at = 0, None

    @property
    def at(self):
        """What is marked, None for nothing."""
        return self._at

    def clear(self) -> None:
        """Take the mark away."""
        if self._at is not None:
            self._at.remove_class(MARK)
            self._at.remove_class(f"{MARK}-{self._count}")
            self._at = None

    def take(self, widget) -> None:
        """Mark what is next. Parameters: a button, or a box whose first entry is meant."""
        self.clear()
        self._count, self._at = self._count + 1, widget
        widget.add_class(MARK)
        widget.add_class(f"{MARK}-{self._count}")
