"""Line numbers of keys and tables in a TOML text, for faults only.

The text has already been accepted by `tomllib`; this scanner walks the same grammar without
converting values and notes where each key, table and row begins. Where it loses its way it gives
up and the faults have no line.
"""

from __future__ import annotations

import contextlib
import re

_SPACE = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_BLANK = re.compile(r"[ \t]*")
_BARE = re.compile(r"[A-Za-z0-9_-]+")
_STRING = re.compile(r'"""(?:[^\\]|\\.)*?"{3,5}|\'\'\'.*?\'{3,5}|"(?:[^"\\\n]|\\.)*"|\'[^\'\n]*\'', re.DOTALL)
_SCALAR = re.compile(r"[^,\]}\n#]+")

Loc = tuple[str | int, ...]


class _Lost(Exception):
    """The scanner met something it does not know."""


class _Scanner:
    def __init__(self, text: str):
        self.text, self.at = text, 0
        self.lines: dict[Loc, int] = {}
        self.counts: dict[Loc, int] = {}
        self.line_at, self.line = 0, 1

    def here(self) -> int:
        self.line += self.text.count("\n", self.line_at, self.at)
        self.line_at = self.at
        return self.line

    def skip(self, pattern: re.Pattern) -> str:
        match = pattern.match(self.text, self.at)
        if not match:
            raise _Lost
        self.at = match.end()
        return match.group()

    def peek(self, length: int = 1) -> str:
        return self.text[self.at : self.at + length]

    def take(self, text: str) -> None:
        if self.peek(len(text)) != text:
            raise _Lost
        self.at += len(text)

    def key(self) -> list[str]:
        parts = []
        while True:
            self.skip(_BLANK)
            parts.append(self.skip(_STRING)[1:-1] if self.peek() in "\"'" else self.skip(_BARE))
            self.skip(_BLANK)
            if self.peek() != ".":
                return parts
            self.at += 1

    def note(self, loc: Loc, line: int) -> None:
        self.lines.setdefault(loc, line)

    def within(self, parts: list[str]) -> Loc:
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
            line = self.here()
            if self.peek() == "[":
                table = self.header(line)
            else:
                self.pair(table, line)

    def header(self, line: int) -> Loc:
        many = self.peek(2) == "[["
        self.take("[[" if many else "[")
        parts = self.key()
        self.take("]]" if many else "]")
        for end in range(1, len(parts)):
            self.note(self.within(parts[:end]), line)
        if not many:
            loc = self.within(parts)
        else:
            array = (*self.within(parts[:-1]), parts[-1])
            self.note(array, line)
            self.counts[array] = self.counts.get(array, 0) + 1
            loc = (*array, self.counts[array] - 1)
        self.note(loc, line)
        return loc

    def pair(self, table: Loc, line: int) -> None:
        parts = self.key()
        self.take("=")
        self.skip(_BLANK)
        for end in range(1, len(parts) + 1):
            self.note((*table, *parts[:end]), line)
        self.value((*table, *parts))

    def value(self, loc: Loc) -> None:
        first = self.peek()
        if first == "[":
            self.array(loc)
        elif first == "{":
            self.inline(loc)
        elif first in ('"', "'"):
            self.skip(_STRING)
        else:
            self.skip(_SCALAR)

    def array(self, loc: Loc) -> None:
        self.take("[")
        index = 0
        while True:
            self.skip(_SPACE)
            if self.peek() == "]":
                break
            self.note((*loc, index), self.here())
            self.value((*loc, index))
            index += 1
            self.skip(_SPACE)
            if self.peek() == ",":
                self.at += 1
        self.take("]")

    def inline(self, loc: Loc) -> None:
        self.take("{")
        while True:
            self.skip(_SPACE)
            if self.peek() == "}":
                break
            self.pair(loc, self.here())
            self.skip(_SPACE)
            if self.peek() == ",":
                self.at += 1
        self.take("}")


def locate(text: str) -> dict[Loc, int]:
    """Line [1...] of every key, table and row of a TOML text, by place (keys and row numbers)."""
    scanner = _Scanner(text.replace("\r\n", "\n"))
    with contextlib.suppress(_Lost, RecursionError):
        scanner.document()
    return scanner.lines


def line_of(lines: dict[Loc, int], loc: Loc) -> int | None:
    """Line of a place, or of the nearest table around it; None where nothing is known."""
    while loc:
        if loc in lines:
            return lines[loc]
        loc = loc[:-1]
    return None
