"""Local amendments of an edition, and what differs between editions."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import lru_cache

from workbook_lib.editions.edition import YEARS, Edition
from workbook_lib.editions.files import ROOT, KeyForm, key_forms, nearest, table_forms
from workbook_lib.editions.table import unknown_table
from workbook_lib.errors import CalculationFault
from workbook_lib.sheet import CONFIRMED, Input, Source

KINDS = ("value", "switch", "cell")


@dataclass(frozen=True, slots=True)
class Change:
    """One local amendment: a value or switch by `key`, or a cell by `table`, `row` and `column`.

    `kind` is value, switch or cell; `to` the new number or text in the key's own unit; `citation`
    the local text that says so.
    """

    kind: str
    to: float | str
    citation: str
    key: str = ""
    table: str = ""
    row: str | float = ""
    column: str = ""

    @property
    def name(self) -> str:
        """The key, or `table:row:column`."""
        return f"{self.table}:{self.row}:{self.column}" if self.kind == "cell" else self.key


@dataclass(frozen=True, slots=True)
class Moved:
    """One thing that moved from one edition to the next, in plain words.

    `area` is loads, services, conductors, charging or control; `keys` the values, `cite:` keys and
    `table:` names that it shows in; `status` how far the sentence itself is known.
    """

    before: str
    after: str
    area: str
    keys: tuple[str, ...]
    text: str
    status: str


def apply(edition: Edition, changes: tuple[Change, ...]) -> Edition:
    """The edition with the changes, each checked against the form of what it changes.

    Errors: `CalculationFault` for an unknown kind or key, a value that does not fit, a missing citation.
    """
    values, unseen, tables = dict(edition._values), dict(edition.unseen), dict(edition._tables)
    for change in changes:
        if change.kind not in KINDS:
            raise CalculationFault("unknown kind of change", value=change.kind, limit=", ".join(KINDS), where=change.name)
        if not change.citation.strip():
            raise CalculationFault(
                "a local change has no citation", value=change.name, where="jurisdiction", todo="name the local text that says so"
            )
        if change.kind == "cell":
            if change.table not in edition.tables:
                raise unknown_table(change.table, edition.tables, change.name)
            table = tables.get(change.table) or edition._table(change.table)
            tables[change.table] = table.replaced(change.row, change.column, lambda own, change=change: _amended_cell(own, change))
        else:
            values[change.key] = _amended_value(edition, values.get(change.key), change)
            unseen.pop(change.key, None)
    return replace(edition, unseen=unseen, changes=edition.changes + changes, _values=values, _tables=tables)


def _amended_value(edition: Edition, own: Input | None, change: Change) -> Input:
    form = key_forms().get(change.key)
    if form is None:
        raise CalculationFault(
            "no such value in the code's editions", value=change.key, limit=nearest(change.key, key_forms()), where="jurisdiction"
        )
    if form.is_switch != (change.kind == "switch"):
        raise CalculationFault(
            f"{change.key} is a {'switch' if form.is_switch else 'number'}", value=f"kind {change.kind}", where="jurisdiction"
        )
    to = _fitting_switch(form, change) if form.is_switch else _fitting_number(change)
    unit = None if form.is_switch else own.unit if own is not None else _unit_elsewhere(change.key)
    note = f"the code's own value was not seen: {edition.unseen.get(change.key, '')}" if own is None else _own_words(own)
    return Input(change.key, form.meaning, to, unit, "jurisdiction", source=Source(change.citation, None, CONFIRMED, note))


def _amended_cell(own: Input, change: Change) -> Input:
    if own.unit is None:
        if not isinstance(change.to, str) or not change.to.strip():
            raise CalculationFault("this cell holds a text", value=repr(change.to), where=change.name)
        to: float | str = change.to
    else:
        to = _fitting_number(change)
    note = "the code has no value there" if own.value is None else _own_words(own)
    return replace(own, value=to, origin="jurisdiction", source=Source(change.citation, None, CONFIRMED, note))


def _own_words(own: Input) -> str:
    if own.origin == "jurisdiction":
        return own.source.note
    shown = own.value if isinstance(own.value, str) else f"{own.value:,.10g}"
    unit = "" if own.unit in (None, "frac", "count") else f" {own.unit}"
    return f"the code's own: {shown}{unit} ({own.source})"


def _fitting_number(change: Change) -> float:
    to = change.to
    if isinstance(to, bool) or not isinstance(to, (int, float)) or not math.isfinite(to) or to < 0:
        raise CalculationFault("not a number that fits", value=repr(to), limit="a finite number, not negative", where=change.name)
    return float(to)


def _fitting_switch(form: KeyForm, change: Change) -> str:
    if change.to not in form.choices:
        raise CalculationFault("not a position of this switch", value=repr(change.to), limit=", ".join(form.choices), where=change.name)
    return change.to


def _unit_elsewhere(key: str) -> str | None:
    """Unit of a key from an edition that has it."""
    from workbook_lib.editions.edition import load

    for year in YEARS:
        if load(year).has(key):
            return load(year).value(key).unit
    raise CalculationFault("no edition gives this value a unit", value=key, where="jurisdiction")


def difference(first: Edition, second: Edition) -> list[tuple[str, Input | None, Input | None]]:
    """Values and switches that differ between two editions: key, the first's, the second's; None where one has none.

    Section numbers that moved without their value are no difference.
    """
    found: list[tuple[str, Input | None, Input | None]] = []
    for key in key_forms():
        one, other = first._values.get(key), second._values.get(key)
        if one is None and other is None:
            continue
        if one is None or other is None or one.value != other.value or one.unit != other.unit:
            found.append((key, one, other))
    return found


def differing_tables(first: Edition, second: Edition) -> list[str]:
    """Names of the tables whose rows differ between two editions."""
    names = [name for name in table_forms() if name in first.tables and name in second.tables]
    return [name for name in names if first.rows(name) != second.rows(name)]


@lru_cache(maxsize=1)
def _all_moved() -> tuple[Moved, ...]:
    with (ROOT / "changes.toml").open("rb") as file:
        rows = tomllib.load(file)["moved"]
    return tuple(Moved(row["before"], row["after"], row["area"], tuple(row["keys"]), row["text"], row["status"]) for row in rows)


def moved(first: str, second: str, keys: Iterable[str] | None = None) -> tuple[Moved, ...]:
    """What moved between two editions, edition by edition, in order of years whichever is named first.

    Parameters: years; `keys` keeps only what shows in one of them. Errors: `CalculationFault` for an unknown year.
    """
    for year in (first, second):
        if year not in YEARS:
            raise CalculationFault("no such edition of the code", value=repr(year), limit=", ".join(YEARS), where="editions")
    low, high = sorted((YEARS.index(first), YEARS.index(second)))
    steps = set(zip(YEARS[low:high], YEARS[low + 1 : high + 1], strict=True))
    wanted = None if keys is None else set(keys)
    return tuple(row for row in _all_moved() if (row.before, row.after) in steps and (wanted is None or wanted & set(row.keys)))
