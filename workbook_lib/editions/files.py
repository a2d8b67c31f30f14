"""Reading the files of the editions room: CSV rows, the meaning of keys, the form of tables."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from workbook_lib.errors import CalculationFault
from workbook_lib.sheet import CONFIRMED, FROM_MEMORY, UNCONFIRMED

ROOT = Path(__file__).parent
STATUSES = (CONFIRMED, FROM_MEMORY, UNCONFIRMED)
"""Status of a value or section number, best first."""


@dataclass(frozen=True, slots=True)
class KeyForm:
    """What a key of `values.csv` means, and the texts it may take if it is a switch."""

    key: str
    choices: tuple[str, ...]
    meaning: str

    @property
    def is_switch(self) -> bool:
        """True for a named switch, whose value is a text."""
        return bool(self.choices)


@dataclass(frozen=True, slots=True)
class ColumnForm:
    """A column of a table: its role, unit and words.

    `held_in` is the column of the file that it reads, `by` the breakpoint column that picks its row.
    """

    column: str
    role: str
    held_in: str
    by: str
    unit: str | None
    label: str
    meaning: str


@dataclass(frozen=True, slots=True)
class TableForm:
    """Form of a table in every edition: its key column, what an empty cell means, its columns."""

    table: str
    title: str
    key: str
    numeric: bool
    tolerance_frac: float
    empty: str
    columns: Mapping[str, ColumnForm]

    def breakpoints(self) -> tuple[str, ...]:
        """Columns that hold the upper end of each row."""
        return tuple(name for name, column in self.columns.items() if column.role == "bracket")


def records(path: Path) -> list[dict[str, str]]:
    """Rows of a CSV file by column. Errors: `CalculationFault` for a row that does not fit its header."""
    with path.open(encoding="utf-8", newline="") as file:
        reader = csv.reader(file)
        header = next(reader)
        rows = []
        for number, row in enumerate(reader, start=2):
            if len(row) != len(header):
                raise CalculationFault(
                    "a row does not fit the header", value=f"{len(row)} cells", limit=f"{len(header)}", where=f"{path.name}:{number}"
                )
            rows.append(dict(zip(header, row, strict=True)))
    return rows


def number(text: str, where: str) -> float:
    """A number written as `0.35`, `1/6` or `1-1/2`. Errors: `CalculationFault` if it is none or not finite."""
    try:
        value = float(text)
    except ValueError:
        value = _fraction(text, where)
    if not math.isfinite(value):
        raise CalculationFault("not a finite number", value=text, where=where)
    return value


def _fraction(text: str, where: str) -> float:
    whole, _, part = text.strip().rpartition("-")
    over, _, under = part.partition("/")
    if not (over.isdecimal() and under.isdecimal() and int(under)) or (whole and not whole.isdecimal()):
        raise CalculationFault("not a number", value=repr(text), limit="such as 0.35, 1/6 or 1-1/2", where=where)
    return (int(whole) if whole else 0) + int(over) / int(under)


def checked_status(text: str, where: str) -> str:
    """The status, if it is one. Errors: `CalculationFault`."""
    if text not in STATUSES:
        raise CalculationFault("unknown status", value=repr(text), limit=", ".join(STATUSES), where=where)
    return text


def weaker(first: str, second: str) -> str:
    """The weaker of two statuses."""
    return max(first, second, key=STATUSES.index)


def nearest(name: str, known: Iterable[str]) -> str:
    """The known names closest to `name`, or all of them where none is close."""
    from difflib import get_close_matches

    names = list(known)
    close = get_close_matches(name, names, n=4, cutoff=0.5)
    return ", ".join(close or sorted(names)[:40])


@lru_cache(maxsize=1)
def key_forms() -> Mapping[str, KeyForm]:
    """Every key of `values.csv` with its meaning."""
    forms = {}
    for row in records(ROOT / "keys.csv"):
        choices = tuple(row["choices"].split("|")) if row["choices"] else ()
        forms[row["key"]] = KeyForm(row["key"], choices, row["meaning"])
    return forms


@lru_cache(maxsize=1)
def table_forms() -> Mapping[str, TableForm]:
    """Every table with its form."""
    columns: dict[str, dict[str, ColumnForm]] = {}
    for row in records(ROOT / "columns.csv"):
        columns.setdefault(row["table"], {})[row["column"]] = ColumnForm(
            row["column"], row["role"], row["held_in"] or row["column"], row["by"], row["unit"] or None, row["label"], row["meaning"]
        )
    forms = {}
    for row in records(ROOT / "tables.csv"):
        name = row["table"]
        forms[name] = TableForm(
            name, row["title"], row["key"], row["numeric"] == "yes", float(row["tolerance_frac"]), row["empty"], columns[name]
        )
    return forms
