"""What a leaf of a file is: its label, how pydantic reads it, what it becomes and how it is refused."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from pydantic import BaseModel, BeforeValidator, ConfigDict
from pydantic_core import PydanticCustomError, core_schema

from workbook_lib.home.raw import Raw, Table, Trouble, show
from workbook_lib.sheet import Input

Given = Input | None
"""What an optional leaf holds: an Input, or None where the file does not say."""


class Flag(Input):
    """An Input that is yes or no. It is true only where its value is, so `if load.neutral:` is safe."""

    __slots__ = ()

    def __bool__(self) -> bool:
        return bool(self.value)


class Record(BaseModel):
    """A table of a file: frozen, unknown fields refused."""

    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True)


def _rows(value: object) -> object:
    return () if isinstance(value, Raw) and value.value == [] else value


AllRows = BeforeValidator(_rows)
"""Marks a field that holds rows, so that an empty list is no rows."""


@dataclass(frozen=True, slots=True)
class Limit:
    """Physical limits of a number in house units, and why they stand there."""

    above: float | None = None
    at_least: float | None = None
    at_most: float | None = None
    why: str = ""

    def broken_by(self, value: float) -> bool:
        """Whether a value lies outside."""
        if self.above is not None and value <= self.above:
            return True
        if self.at_least is not None and value < self.at_least:
            return True
        return self.at_most is not None and value > self.at_most

    def words(self, unit: str) -> str:
        """The limits in words, with the reason."""
        if self.at_least is not None and self.at_least == self.at_most:
            return f"{self.at_least:.10g}" + (f" ({self.why})" if self.why else "")
        parts = []
        tail = f" {unit}" if unit and unit != "frac" else ""
        if self.above is not None:
            parts.append(f"above {self.above:.10g}{tail}")
        if self.at_least is not None:
            parts.append(f"at least {self.at_least:.10g}{tail}")
        if self.at_most is not None:
            parts.append(f"at most {self.at_most:.10g}{tail}")
        return " and ".join(parts) + (f" ({self.why})" if self.why else "")


class LeafFault(Exception):
    """One or more troubles of one leaf."""

    def __init__(self, *troubles: Trouble):
        self.troubles = troubles
        super().__init__()


@dataclass(frozen=True, slots=True)
class Reading:
    """What one reading of a file collects beside the model: every leaf as an Input, by key path."""

    givens: dict[str, Input] = field(default_factory=dict)


@dataclass(frozen=True)
class Leaf:
    """A field with one value: `label` is its name in trade words."""

    label: str

    def accepted(self) -> str:
        """What is accepted, in words."""
        return "text in quotes"

    def example(self) -> str:
        """A value as it would be written."""
        return '"..."'

    def parse(self, raw: Raw) -> tuple[Any, str | None]:
        """Value and house unit. Errors: `LeafFault`."""
        raise NotImplementedError

    def finish(self, given: Input) -> Any:
        """What the model holds for an Input: the Input itself, or for names and dates its plain value."""
        return given

    def make(self, raw: Raw, value: Any, unit: str | None) -> Input:
        """The Input of a value that was read."""
        meaning = f"{raw.owner}: {self.label}" if raw.owner else self.label
        return Input(raw.path, meaning, value, unit, raw.origin, raw.note, _text(raw.value))

    def read(self, raw: object, info: Any) -> Any:
        """Called by pydantic for every leaf that a file gives. Errors: `PydanticCustomError` with the troubles."""
        if not isinstance(raw, Raw):
            kind = "table" if isinstance(raw, Table) else "list of tables"
            trouble = Trouble(f"{kind} where one value is wanted", show(raw), self.accepted(), f"write {self.example()}")
            raise PydanticCustomError("leaf", "trouble", {"troubles": (trouble,)})
        try:
            if raw.troubles:
                raise LeafFault(*raw.troubles)
            value, unit = self.parse(raw)
        except LeafFault as fault:
            raise PydanticCustomError("leaf", "trouble", {"troubles": fault.troubles}) from None
        given = self.make(raw, value, unit)
        info.context.givens[raw.path] = given
        return self.finish(given)

    def __get_pydantic_core_schema__(self, source: Any, handler: Callable) -> core_schema.CoreSchema:
        return core_schema.with_info_plain_validator_function(self.read)

    def refuse(self, raw: Raw, what: str, todo: str = "") -> LeafFault:
        """A LeafFault with this leaf's own words for what is accepted."""
        return LeafFault(Trouble(what, show(raw.value), self.accepted(), todo or f"write {self.example()}"))


def _text(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (list, tuple)):
        return ", ".join(_text(item) for item in value)
    return value if isinstance(value, str) else str(value)
