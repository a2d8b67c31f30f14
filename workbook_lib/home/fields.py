"""Kinds of leaf that a file may hold: how each is read, checked and explained.

A leaf stands in a model as `Annotated[Given, Number("busbar rating", "current", Limit(...))]`. Its
label, dimension, choices and limits are data, from which reading, faults and the sheet's words all
follow. Values that were given become `Input`s with key path and provenance; names become text.
"""

from __future__ import annotations

import contextlib
import datetime
import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import PurePosixPath, PureWindowsPath
from typing import Any

from workbook_lib.home.leaf import Flag, Leaf, LeafFault, Limit
from workbook_lib.home.raw import ID, ID_RULE, Raw, Trouble, show, suggest
from workbook_lib.quantities import DIMENSIONS, QuantityError, bare_number, read_quantity
from workbook_lib.sheet import Input

DAY_S = 86400.0
BEYOND = "correct it; if it is true, the home is outside the limits of use"


@dataclass(frozen=True)
class Text(Leaf):
    """A text that is only printed, or a name; the model holds it as plain text."""

    blank: bool = False
    words: str = "text in quotes"
    pattern: str = ""

    def accepted(self) -> str:
        return self.words

    def parse(self, raw: Raw) -> tuple[str, None]:
        value = raw.value
        if not isinstance(value, str):
            raise self.refuse(raw, "not a text", f'put it in quotes: "{show(value)}"')
        if not value.strip() and not self.blank:
            raise self.refuse(raw, "empty text", "write it, or leave the field out")
        if len(value) > 500 or any(ord(character) < 32 for character in value):
            raise self.refuse(raw, "text too long or with control characters", "write one line of at most 500 characters")
        if self.pattern and not re.fullmatch(self.pattern, value):
            raise self.refuse(raw, "not of the form wanted")
        return value, None

    def finish(self, given: Input) -> str:
        return given.value


@dataclass(frozen=True)
class Id(Text):
    """The id of a thing, or a reference to one."""

    label: str = "id"

    def accepted(self) -> str:
        return ID_RULE

    def parse(self, raw: Raw) -> tuple[str, None]:
        if not isinstance(raw.value, str) or not ID.match(raw.value):
            plain = re.sub(r"[^a-z0-9_-]+", "-", str(raw.value).strip().lower()).strip("-_")[:64]
            raise self.refuse(raw, "not an id", f'write it as "{plain}"' if ID.match(plain) else "choose another id")
        return raw.value, None


@dataclass(frozen=True)
class Reference(Text):
    """The id of another thing; whether it exists is checked apart, with the whole file in view."""

    def accepted(self) -> str:
        return "the id of a thing in this file"

    def example(self) -> str:
        return "an id in quotes"


@dataclass(frozen=True)
class FilePath(Text):
    """A file beside the site file or below its folder; the model holds the relative path."""

    def accepted(self) -> str:
        return "a path relative to the site file, inside its folder"

    def example(self) -> str:
        return '"folder/file"'

    def parse(self, raw: Raw) -> tuple[str, None]:
        value, _ = super().parse(raw)
        path = PurePosixPath(value)
        if path.is_absolute() or PureWindowsPath(value).drive or "\\" in value or value.startswith("~"):
            raise self.refuse(raw, "not a relative path", "put the file in the site file's folder and name it from there, with /")
        if ".." in path.parts:
            raise self.refuse(raw, "path leaves the input folder", "copy the file into the site file's folder")
        return path.as_posix(), None


@dataclass(frozen=True)
class Choice(Leaf):
    """One of some words; the model holds an Input. `refused` are words that are known and not covered."""

    choices: tuple[str, ...] = ()
    refused: Mapping[str, str] = field(default_factory=dict)

    def accepted(self) -> str:
        return ", ".join(self.choices)

    def example(self) -> str:
        return f'"{self.choices[0]}"'

    def parse(self, raw: Raw) -> tuple[str, None]:
        value = raw.value
        if isinstance(value, str) and value in self.choices:
            return value, None
        if isinstance(value, str) and value in self.refused:
            raise self.refuse(raw, self.refused[value], "this home is outside the limits of use")
        if not isinstance(value, str):
            quoted = f'"{value}"'
            todo = f"put it in quotes: {quoted}" if str(value) in self.choices else f"write {self.example()} or another of these, in quotes"
            raise self.refuse(raw, "not a text", todo)
        raise self.refuse(raw, "unknown value", suggest(value, self.choices, "write one of these"))


@dataclass(frozen=True)
class Word(Choice):
    """As `Choice`, for kinds, statuses and roles: the model holds plain text."""

    def finish(self, given: Input) -> str:
        return given.value


@dataclass(frozen=True)
class YesNo(Leaf):
    """true or false; the model holds a `Flag`."""

    refused_true: str = ""

    def accepted(self) -> str:
        return "true or false"

    def example(self) -> str:
        return "true or false, without quotes"

    def parse(self, raw: Raw) -> tuple[bool, None]:
        value = raw.value
        if raw.override and isinstance(value, str) and value in ("true", "false"):
            value = value == "true"
        if not isinstance(value, bool):
            raise self.refuse(raw, "neither true nor false")
        if value and self.refused_true:
            raise self.refuse(raw, self.refused_true, "this home is outside the limits of use")
        return value, None

    def make(self, raw: Raw, value: Any, unit: str | None) -> Flag:
        plain = super().make(raw, value, unit)
        return Flag(plain.key, plain.meaning, plain.value, None, plain.origin, plain.note, plain.text)


@dataclass(frozen=True)
class Number(Leaf):
    """A quantity with its unit; the model holds an Input in house units.

    `words` are texts accepted in place of a quantity (`none`); `allowed` the only values, if any.
    """

    dimension: str = ""
    limit: Limit = Limit()
    words: tuple[str, ...] = ()
    allowed: tuple[float, ...] = ()

    def accepted(self) -> str:
        wanted = DIMENSIONS[self.dimension]
        parts = [wanted.accepted]
        limits = self.limit.words(wanted.unit)
        if self._in_hours():
            parts = [f"a time in h, as {self.example()}"]
            limits = replace(self.limit, at_most=self.limit.at_most / 3600.0).words("h")
        if limits:
            parts[0] += f", {limits}"
        if self.allowed:
            parts = [" or ".join(f'"{value:g} {wanted.unit}"' for value in self.allowed)]
        return " or ".join([*parts, *(f'"{word}"' for word in self.words)])

    def example(self) -> str:
        example = DIMENSIONS[self.dimension].example
        return '"12 h"' if self._in_hours() else f'"{example}"'

    def _in_hours(self) -> bool:
        """Whether its limits are told in hours."""
        return DIMENSIONS[self.dimension].unit == "s" and (self.limit.at_most or 0.0) > DAY_S

    def parse(self, raw: Raw) -> tuple[float | str, str | None]:
        if isinstance(raw.value, str) and raw.value in self.words:
            return raw.value, None
        return self.one(raw, raw.value)

    def one(self, raw: Raw, value: object) -> tuple[float, str]:
        """Value and unit of one quantity of this leaf."""
        number, unit = self.quantity(raw, value)
        if self.limit.broken_by(number) or (self.allowed and number not in self.allowed):
            raise LeafFault(Trouble("outside its limits", show(value), self.accepted(), self.beyond(value)))
        return number + 0.0, unit  # negative zero becomes zero

    def beyond(self, value: object) -> str:
        """What to do about a value outside the limits."""
        return BEYOND

    def quantity(self, raw: Raw, value: object) -> tuple[float, str]:
        """Value and unit, limits not yet looked at."""
        wanted = DIMENSIONS[self.dimension]
        if isinstance(value, (int, float)) and not isinstance(value, bool):
            bare = bare_number(show(value), self.dimension)
            raise LeafFault(Trouble(bare.what, bare.value, self.accepted(), bare.todo))
        if not isinstance(value, str):
            raise LeafFault(Trouble(f"not a {wanted.name}", show(value), self.accepted(), f"write {self.example()}"))
        try:
            return read_quantity(value, self.dimension)
        except QuantityError as error:
            todo = suggest(value, self.words, error.todo)
            raise LeafFault(Trouble(error.what, error.value, self.accepted(), todo)) from None


@dataclass(frozen=True)
class Numbers(Number):
    """One quantity, or a list of them of which each is kept: the Input holds a number or a tuple."""

    def accepted(self) -> str:
        return f"{super().accepted()}, or a list of these"

    def parse(self, raw: Raw) -> tuple[float | tuple[float, ...], str | None]:
        if not isinstance(raw.value, list):
            return self.one(raw, raw.value)
        if not raw.value:
            raise self.refuse(raw, "empty list")
        values, troubles = [], []
        for item in raw.value:
            try:
                values.append(self.one(raw, item)[0])
            except LeafFault as fault:
                troubles += fault.troubles
        if troubles:
            raise LeafFault(*troubles)
        return tuple(values), DIMENSIONS[self.dimension].unit


@dataclass(frozen=True)
class Fraction(Number):
    """A fraction: a bare number (0.88) or a percentage ("88 %"); the Input's unit is `frac`."""

    dimension: str = "fraction"
    limit: Limit = Limit(at_least=0, at_most=1)

    def accepted(self) -> str:
        return f'a fraction, as 0.88 or "88 %", {self.limit.words("")}'

    def example(self) -> str:
        return '0.88 or "88 %"'

    def beyond(self, value: object) -> str:
        if isinstance(value, (int, float)) and 2 <= value <= 100 and not self.limit.broken_by(value / 100):
            return f'correct it; if it is meant as a percentage, write "{value:g} %"'
        return super().beyond(value)

    def quantity(self, raw: Raw, value: object) -> tuple[float, str]:
        if raw.override and isinstance(value, str):
            value = _plain_number(value)
        if isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value):
            return float(value), "frac"
        return super().quantity(raw, value)


@dataclass(frozen=True)
class Fractions(Fraction):
    """A list of `count` fractions; the Input holds a tuple."""

    count: int = 12

    def accepted(self) -> str:
        return f"a list of {self.count}, each {super().accepted()}"

    def example(self) -> str:
        return f"[{', '.join(['1.0'] * self.count)}]"

    def parse(self, raw: Raw) -> tuple[tuple[float, ...], str]:
        if not isinstance(raw.value, list) or len(raw.value) != self.count:
            raise self.refuse(raw, f"not a list of {self.count} fractions")
        values, troubles = [], []
        for item in raw.value:
            try:
                values.append(self.one(raw, item)[0])
            except LeafFault as fault:
                troubles += fault.troubles
        if troubles:
            raise LeafFault(*troubles)
        return tuple(values), "frac"


@dataclass(frozen=True)
class Factor(Fraction):
    """A bare number that multiplies."""

    def accepted(self) -> str:
        return f"a bare number, {self.limit.words('')}"

    def example(self) -> str:
        return "1.0"


def _plain_number(text: str) -> object:
    return float(text) if re.fullmatch(r"[+-]?[0-9]{1,15}(\.[0-9]{0,15})?", text.strip()) else text


@dataclass(frozen=True)
class Count(Leaf):
    """A whole number, written bare; the Input holds an int."""

    limit: Limit = Limit(at_least=0, at_most=1000)

    def accepted(self) -> str:
        return f"the whole number {words}" if (words := self.limit.words(""))[:1].isdigit() else f"a whole number, {words}"

    def example(self) -> str:
        return f"{max(1, int(self.limit.at_least or 0))}, without quotes"

    def parse(self, raw: Raw) -> tuple[int, str]:
        value = raw.value
        if raw.override and isinstance(value, str) and re.fullmatch(r"[0-9]{1,6}", value.strip()):
            value = int(value)
        if not isinstance(value, int) or isinstance(value, bool):
            raise self.refuse(raw, "not a whole number", self.written(value))
        if self.limit.broken_by(value):
            only = self.limit.at_least if self.limit.at_least == self.limit.at_most else None
            raise self.refuse(raw, "outside its limits", BEYOND if only is None else f"write {only:g}")
        return value, "count"

    def written(self, value: object) -> str:
        """How a count that is given otherwise is to be written."""
        whole = isinstance(value, float) and value.is_integer() and abs(value) < 1e6
        if whole or (isinstance(value, str) and re.fullmatch(r"[0-9]{1,6}", value.strip())):
            return f"write {int(value)}, without {'a point' if whole else 'quotes'}"
        return ""


@dataclass(frozen=True)
class Months(Leaf):
    """A list of months by their numbers; the Input holds a tuple."""

    def accepted(self) -> str:
        return "a list of months, each a whole number from 1 to 12, once"

    def example(self) -> str:
        return "[6, 7, 8, 9]"

    def parse(self, raw: Raw) -> tuple[tuple[float, ...], str]:
        given = raw.value
        sound = isinstance(given, list) and all(isinstance(one, int) and not isinstance(one, bool) and 1 <= one <= 12 for one in given)
        if not sound or not given or len(set(given)) < len(given):
            raise self.refuse(raw, "not a list of months")
        return tuple(float(one) for one in given), "count"


@dataclass(frozen=True)
class Day(Leaf):
    """A date; the model holds it as a date."""

    def accepted(self) -> str:
        return "a date without quotes, as 2026-03-02"

    def example(self) -> str:
        return "2026-03-02, without quotes"

    def parse(self, raw: Raw) -> tuple[str, None]:
        value = raw.value
        if raw.override and isinstance(value, str):
            with contextlib.suppress(ValueError):
                value = datetime.date.fromisoformat(value.strip())
        if not isinstance(value, datetime.date) or isinstance(value, datetime.datetime):
            quoted = isinstance(value, str) and re.fullmatch(r"[0-9]{4}-[01][0-9]-[0-3][0-9]", value.strip())
            raise self.refuse(raw, "not a date", f"write {value.strip()}, without quotes" if quoted else "")
        return value.isoformat(), None

    def finish(self, given: Input) -> datetime.date:
        return datetime.date.fromisoformat(given.value)


@dataclass(frozen=True)
class Clock(Leaf):
    """A clock time as text; the Input holds seconds after midnight."""

    def accepted(self) -> str:
        return 'a clock time as text, "00:00" to "23:59"'

    def example(self) -> str:
        return '"18:00"'

    def parse(self, raw: Raw) -> tuple[float, str]:
        match = re.fullmatch(r"([01][0-9]|2[0-3]):([0-5][0-9])", raw.value) if isinstance(raw.value, str) else None
        if not match:
            raise self.refuse(raw, "not a clock time")
        return int(match.group(1)) * 3600.0 + int(match.group(2)) * 60.0, "s"


@dataclass(frozen=True)
class Zone(Text):
    """A time zone by its name in the common database, or utc."""

    def accepted(self) -> str:
        return 'a time zone, as "America/Denver" or "utc"'

    def parse(self, raw: Raw) -> tuple[str, None]:
        value, _ = super().parse(raw)
        if value == "utc":
            return value, None
        import zoneinfo

        try:
            zoneinfo.ZoneInfo(value)
        except (ValueError, OSError, zoneinfo.ZoneInfoNotFoundError):
            todo = suggest(value, zoneinfo.available_timezones(), "write the name of the zone")
            raise self.refuse(raw, "unknown time zone", todo) from None
        return value, None


@dataclass(frozen=True)
class Texts(Leaf):
    """A list of texts, all free or each one of `choices`; the model holds a tuple of texts."""

    choices: tuple[str, ...] = ()

    def accepted(self) -> str:
        return "a list of " + (", ".join(self.choices) if self.choices else "texts in quotes")

    def example(self) -> str:
        return f'["{self.choices[0] if self.choices else "..."}"]'

    def parse(self, raw: Raw) -> tuple[tuple[str, ...], None]:
        value = raw.value
        if not isinstance(value, list) or not all(isinstance(item, str) and item.strip() for item in value):
            shown = isinstance(value, str) and (value in self.choices or (not self.choices and value.strip()))
            raise self.refuse(raw, "not a list of texts", f'put square brackets around it: ["{value}"]' if shown else "")
        if len(set(value)) != len(value):
            raise self.refuse(raw, "names one thing twice", "name each once")
        wrong = [item for item in value if self.choices and item not in self.choices]
        if wrong:
            troubles = (
                Trouble("unknown value", show(item), self.accepted(), suggest(item, self.choices, "write one of these")) for item in wrong
            )
            raise LeafFault(*troubles)
        return tuple(value), None

    def finish(self, given: Input) -> tuple[str, ...]:
        return given.value
