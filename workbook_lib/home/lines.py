"""Where keys, values, rows and tables stand in a TOML text: for line numbers of faults, and for changes that touch nothing else.

The text has already been accepted by `tomllib`; this scanner walks the same grammar without converting values. Where it loses its way,
faults have no line and a change is refused.
"""

from __future__ import annotations

import bisect
import contextlib
import re
from collections.abc import Sequence
from dataclasses import dataclass, field

_SPACE = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_BLANK = re.compile(r"[ \t]*")
BARE = re.compile(r"[A-Za-z0-9_-]+")
"""A key that needs no quotes."""
_STRING = re.compile(r'"""(?:[^\\]|\\.)*?"{3,5}|\'\'\'.*?\'{3,5}|"(?:[^"\\\n]|\\.)*"|\'[^\'\n]*\'', re.DOTALL)
_SCALAR = re.compile(r"[^,\]}\n#]+")

Loc = tuple[str | int, ...]
"""A place in a file: keys, and rows by number from 0."""


class Lost(Exception):
    """The scanner met something that it does not know."""


@dataclass(frozen=True, slots=True)
class Span:
    """Characters of a text, from `start` to before `end`."""

    start: int
    end: int


@dataclass
class Places:
    """Where everything of a text stands, by place.

    `starts`: first character of every key, table and row, tables that a dotted key or header implies among them; `pairs`: from the key
    to the end of the value; `values`: values, and the members of lists; `headers`: headers of tables; `bodies`: end of the last pair of
    the table that a header opens, of the header itself where it has none, and for `()` of the pairs before the first header (0 for none);
    `inline`: tables in braces; `lists`: lists in brackets; `first_header`: where the first header stands, the end of the text for none.
    """

    starts: dict[Loc, int] = field(default_factory=dict)
    pairs: dict[Loc, Span] = field(default_factory=dict)
    values: dict[Loc, Span] = field(default_factory=dict)
    headers: dict[Loc, Span] = field(default_factory=dict)
    bodies: dict[Loc, int] = field(default_factory=lambda: {(): 0})
    inline: set[Loc] = field(default_factory=set)
    lists: set[Loc] = field(default_factory=set)
    first_header: int = 0


class _Scanner:
    def __init__(self, text: str):
        self.text, self.at = text, 0
        self.places = Places(first_header=len(text))
        self.counts: dict[Loc, int] = {}

    def skip(self, pattern: re.Pattern) -> str:
        match = pattern.match(self.text, self.at)
        if not match:
            raise Lost
        self.at = match.end()
        return match.group()

    def peek(self, length: int = 1) -> str:
        return self.text[self.at : self.at + length]

    def take(self, text: str) -> None:
        if self.peek(len(text)) != text:
            raise Lost
        self.at += len(text)

    def key(self) -> list[str]:
        parts = []
        while True:
            self.skip(_BLANK)
            parts.append(self.skip(_STRING)[1:-1] if self.peek() in "\"'" else self.skip(BARE))
            self.skip(_BLANK)
            if self.peek() != ".":
                return parts
            self.at += 1

    def note(self, loc: Loc, start: int) -> None:
        self.places.starts.setdefault(loc, start)

    def within(self, parts: Sequence[str]) -> Loc:
        """Place that a header's names lead to, arrays of tables entered at their latest row."""
        loc: Loc = ()
        for part in parts:
            loc = (*loc, part)
            if loc in self.counts:
                loc = (*loc, self.counts[loc] - 1)
        return loc

    def document(self) -> None:
        table: Loc = ()
        while True:
            self.skip(_SPACE)
            if self.at >= len(self.text):
                return
            if self.peek() == "[":
                self.places.first_header = min(self.places.first_header, self.at)
                table = self.header()
            else:
                self.pair(table)
            self.places.bodies[table] = self.at

    def header(self) -> Loc:
        start, many = self.at, self.peek(2) == "[["
        self.take("[[" if many else "[")
        parts = self.key()
        self.take("]]" if many else "]")
        for end in range(1, len(parts)):
            self.note(self.within(parts[:end]), start)
        if not many:
            loc = self.within(parts)
        else:
            array = (*self.within(parts[:-1]), parts[-1])
            self.note(array, start)
            self.counts[array] = self.counts.get(array, 0) + 1
            loc = (*array, self.counts[array] - 1)
        self.note(loc, start)
        self.places.headers[loc] = Span(start, self.at)
        return loc

    def pair(self, table: Loc) -> None:
        start = self.at
        parts = self.key()
        self.take("=")
        self.skip(_BLANK)
        for end in range(1, len(parts) + 1):
            self.note((*table, *parts[:end]), start)
        self.value((*table, *parts))
        self.places.pairs[*table, *parts] = Span(start, self.at)

    def value(self, loc: Loc) -> None:
        start, first = self.at, self.peek()
        if first == "[":
            self.array(loc)
        elif first == "{":
            self.braces(loc)
        elif first in ('"', "'"):
            self.skip(_STRING)
        else:
            said = self.skip(_SCALAR)
            self.at -= len(said) - len(said.rstrip())
        self.places.values[loc] = Span(start, self.at)

    def array(self, loc: Loc) -> None:
        self.places.lists.add(loc)
        self.take("[")
        index = 0
        while True:
            self.skip(_SPACE)
            if self.peek() == "]":
                break
            self.note((*loc, index), self.at)
            self.value((*loc, index))
            index += 1
            self.skip(_SPACE)
            if self.peek() == ",":
                self.at += 1
        self.take("]")

    def braces(self, loc: Loc) -> None:
        self.places.inline.add(loc)
        self.take("{")
        while True:
            self.skip(_SPACE)
            if self.peek() == "}":
                break
            self.pair(loc)
            self.skip(_SPACE)
            if self.peek() == ",":
                self.at += 1
        self.take("}")


def places(text: str) -> Places:
    """Where everything of a TOML text stands. Errors: Lost where the text is not understood."""
    scanner = _Scanner(text)
    try:
        scanner.document()
    except RecursionError:
        raise Lost from None
    return scanner.places


def locate(text: str) -> dict[Loc, int]:
    """Line [1...] of every key, table and row of a TOML text, by place; what was found up to where the text is not understood."""
    scanner = _Scanner(text)
    with contextlib.suppress(Lost, RecursionError):
        scanner.document()
    ends = [found.start() for found in re.finditer("\n", text)]
    return {loc: bisect.bisect_left(ends, start) + 1 for loc, start in scanner.places.starts.items()}


def line_of(lines: dict[Loc, int], loc: Loc) -> int | None:
    """Line of a place, or of the nearest table around it; None where nothing is known."""
    while loc:
        if loc in lines:
            return lines[loc]
        loc = loc[:-1]
    return None
