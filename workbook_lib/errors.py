"""Errors that reach a person: each carries what, value, limit, where and what to do.

Two kinds matter to the command line. An `InputFault` is a list of `Fault`: something a file
says cannot be used, and the home is not run (exit status 2). A `CalculationFault` is a value that
cannot be computed from inputs that were accepted (exit status 3). Neither is ever turned into
0, None or NaN.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is wrong in one file.

    `field` is the key path (`panel.main.bus`), empty for the file as a whole; `what` says what is
    wrong; `value` what was found; `limit` what would be accepted; `todo` what to do about it.
    """

    file: str
    field: str
    what: str
    value: str = ""
    limit: str = ""
    todo: str = ""
    line: int | None = None

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}" if self.line else self.file
        head = f"{place}: {self.field}: {self.what}" if self.field else f"{place}: {self.what}"
        parts = [head]
        if self.value:
            parts.append(f"found {self.value}")
        if self.limit:
            parts.append(f"accepted: {self.limit}")
        if self.todo:
            parts.append(f"do: {self.todo}")
        return "; ".join(parts)


class WorkbookError(Exception):
    """Root of every error raised on purpose by this package."""


class InputFault(WorkbookError):
    """All faults of the files of one home, reported together."""

    def __init__(self, faults: Iterable[Fault]):
        self.faults: tuple[Fault, ...] = tuple(faults)
        super().__init__("\n".join(str(fault) for fault in self.faults))


class CalculationFault(WorkbookError):
    """A value that cannot be computed: what, its value, the limit, where, what to do."""

    def __init__(self, what: str, *, value: object = "", limit: str = "", where: str = "", todo: str = ""):
        self.what, self.value, self.limit, self.where, self.todo = what, value, limit, where, todo
        parts = [f"{where}: {what}" if where else what]
        if value != "":
            parts.append(f"found {value}")
        if limit:
            parts.append(f"accepted: {limit}")
        if todo:
            parts.append(f"do: {todo}")
        super().__init__("; ".join(parts))


class MachineryFault(WorkbookError):
    """A kernel, browser, disk or renderer failed; the inputs and the numbers are not at fault."""


class MissingInput(WorkbookError):
    """The site file lacks fields that a rule needs; the verdict is then `needs input`, naming them.

    `fields` are key paths (`load.range.rating`); `reason` says why they are needed, where that is
    not plain from the names, or why the value cannot be had at all (a table that was not seen); `options` what
    the one field may be, where that is known.
    """

    def __init__(self, fields: Iterable[str], reason: str = "", options: Iterable[str] = ()):
        self.fields: tuple[str, ...] = tuple(dict.fromkeys(fields))
        self.reason = reason
        self.options: tuple[str, ...] = tuple(options)
        super().__init__(reason or "missing: " + ", ".join(self.fields))
