"""The loader: one edition as an object that answers for values, section numbers and table cells."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import TYPE_CHECKING

from workbook_lib.editions.files import ROOT, checked_status, key_forms, nearest, number, records, table_forms
from workbook_lib.editions.table import Cell, Table, build, unknown_table
from workbook_lib.errors import CalculationFault
from workbook_lib.sheet import Input, Source

if TYPE_CHECKING:
    from workbook_lib.editions.changes import Change

YEARS = tuple(sorted(folder.name for folder in ROOT.iterdir() if (folder / "edition.toml").is_file()))
"""Editions that there are, oldest first."""


@dataclass(frozen=True, slots=True)
class TableEntry:
    """How one edition lists a table: the edition whose file holds it, its own locator and status, where it was read."""

    owner_year: str
    source: Source
    read_in: str


@dataclass(frozen=True, slots=True, eq=False)
class Edition:
    """One edition of the code, or that edition with local changes. Nothing in it can be set.

    `year` and `name` say which; `status` is complete or provisional; `changes` are the local
    amendments that were applied; `unseen` gives, by key, why a value is not there.
    """

    year: str
    name: str
    status: str
    unseen: Mapping[str, str]
    changes: tuple[Change, ...]
    _values: Mapping[str, Input]
    _cites: Mapping[str, Source]
    _entries: Mapping[str, TableEntry]
    _read_in: Mapping[str, str]
    _tables: dict[str, Table] = field(default_factory=dict)

    def __repr__(self) -> str:
        return f"Edition({self.year}, {len(self.changes)} changes)"

    @property
    def keys(self) -> tuple[str, ...]:
        """Keys of the values and switches that this edition has."""
        return tuple(self._values)

    @property
    def cite_keys(self) -> tuple[str, ...]:
        """Keys of the provisions that this edition gives a section number for."""
        return tuple(self._cites)

    @property
    def tables(self) -> tuple[str, ...]:
        """Names of the tables that this edition lists."""
        return tuple(self._entries)

    def value(self, key: str) -> Input:
        """A number or named switch of the edition. Errors: `CalculationFault` for a key that is unknown or was not seen in a source."""
        try:
            return self._values[key]
        except KeyError:
            raise self._no_value(key) from None

    def has(self, key: str) -> bool:
        """Whether `value(key)` has an answer."""
        return key in self._values

    def cite(self, key: str) -> Source:
        """Section number of a provision in this edition. Errors: `CalculationFault` naming the nearest keys."""
        try:
            return self._cites[key]
        except KeyError:
            raise CalculationFault(
                f"no section number under {key!r}", value=key, limit=nearest(key, self._cites), where=f"NEC {self.year}"
            ) from None

    def source_of(self, table: str) -> Source:
        """Locator, status and note of a whole table in this edition. Errors: `CalculationFault`."""
        return self._entry(table).source

    def read_in(self, key: str) -> str:
        """Public sources in which a value, a section number or a table was read; `cite:` before a cite key, `table:` before a table."""
        return self._entry(key[6:]).read_in if key.startswith("table:") else self._read_in[key]

    def lookup(self, table: str, row: str | float, column: str) -> Input:
        """Cell of a row that is named exactly. Errors: `CalculationFault` naming table, key, edition and the valid keys."""
        return self._table(table).lookup(row, column)

    def bracket(self, table: str, value: float, column: str) -> Input:
        """Cell of the row whose range holds the value; an upper end belongs to its row. Errors: `CalculationFault`."""
        return self._table(table).bracket(value, column)

    def series(self, table: str, column: str) -> Input:
        """A column of numbers as one Input with a tuple, for choosing a standard size. Errors: `CalculationFault`."""
        return self._table(table).series(column)

    def rows(self, table: str) -> tuple[Mapping[str, Cell], ...]:
        """Rows of a table by column of its file, in order; an empty cell is None. For display and search."""
        return self._table(table).rows()

    def row_names(self, table: str) -> tuple[str, ...]:
        """Names of a table's rows, in order."""
        return self._table(table).names()

    def changed(self, changes: Iterable[Change]) -> Edition:
        """The edition with local amendments. Errors: `CalculationFault` for an unknown key, a wrong kind of value, no citation."""
        from workbook_lib.editions.changes import apply

        return apply(self, tuple(changes))

    def with_values_of(self, other: Edition, keys: Iterable[str]) -> Edition:
        """This edition with the named values (or `table:NAME`) of another, to see what each of them moves.

        A key that the other edition has not is taken out here as well. Errors: `CalculationFault` for a key that neither has.
        """
        values, unseen, entries, tables = dict(self._values), dict(self.unseen), dict(self._entries), dict(self._tables)
        for key in keys:
            if key.startswith("table:"):
                name = key[6:]
                tables[name] = other._table(name)
                entries[name] = other._entries[name]
            elif key in other._values:
                values[key] = other._values[key]
                unseen.pop(key, None)
            elif key in values:
                del values[key]
                unseen[key] = other.unseen.get(key, f"not in the {other.year} edition")
            elif key not in unseen:
                raise self._no_value(key)
        return replace(self, unseen=unseen, _values=values, _entries=entries, _tables=tables)

    def _no_value(self, key: str) -> CalculationFault:
        where = f"NEC {self.year}"
        if key in self.unseen:
            return CalculationFault(
                f"{key} was not seen in a source: {self.unseen[key]}",
                where=where,
                todo="use another method, or give the value in a jurisdiction file with its citation",
            )
        return CalculationFault(f"no value under {key!r}", value=key, limit=nearest(key, key_forms()), where=where)

    def _entry(self, table: str) -> TableEntry:
        entry = self._entries.get(table)
        if entry is None:
            raise unknown_table(table, self._entries, f"NEC {self.year}")
        return entry

    def _table(self, name: str) -> Table:
        table = self._tables.get(name)
        if table is None:
            entry, base = self._entry(name), load(self.year)
            if base is not self and base._entries.get(name) is entry:
                return base._table(name)
            path = ROOT / entry.owner_year / f"{name}.csv"
            table = build(table_forms()[name], entry.source, self.year, entry.owner_year, records(path), f"{entry.owner_year}/{path.name}")
            self._tables[name] = table
        return table


@lru_cache(maxsize=8)
def load(year: str) -> Edition:
    """An edition by its year, read once. Errors: `CalculationFault` for a year that there is no edition of."""
    if year not in YEARS:
        raise CalculationFault("no such edition of the code", value=repr(year), limit=", ".join(YEARS), where="editions")
    folder = ROOT / year
    with (folder / "edition.toml").open("rb") as file:
        head = tomllib.load(file)
    if head["year"] != year:
        raise CalculationFault("an edition in the wrong folder", value=head["year"], limit=year, where=f"{year}/edition.toml")
    read_in: dict[str, str] = {}
    values = {row["key"]: _value(row, year, read_in) for row in records(folder / "values.csv")}
    cites: dict[str, Source] = {}
    for row in records(folder / "cites.csv"):
        where = f"{year}/cites.csv: {row['key']}"
        cites[row["key"]] = Source(row["locator"], year, checked_status(row["status"], where), row["note"])
        read_in[f"cite:{row['key']}"] = row["source"]
    entries = {name: _entry(name, table, year) for name, table in head["table"].items()}
    return Edition(year, head["title"], head["status"], head.get("unseen", {}), (), values, cites, entries, read_in)


def _value(row: Mapping[str, str], year: str, read_in: dict[str, str]) -> Input:
    key, where = row["key"], f"{year}/values.csv: {row['key']}"
    form = key_forms().get(key)
    if form is None:
        raise CalculationFault("a key without a meaning", value=key, limit=nearest(key, key_forms()), where=where)
    value: float | str = row["value"]
    if form.is_switch:
        if value not in form.choices:
            raise CalculationFault("not a position of this switch", value=value, limit=", ".join(form.choices), where=where)
    else:
        value = number(row["value"], where)
    read_in[key] = row["source"]
    source = Source(row["locator"], year, checked_status(row["status"], where), row["note"])
    return Input(key, form.meaning, value, row["unit"] or None, "code", source=source)


def _entry(name: str, table: Mapping[str, str], year: str) -> TableEntry:
    where = f"{year}/edition.toml: table.{name}"
    owner = table.get("same_as", "")
    if bool(owner) == ("file" in table) or table.get("file", f"{name}.csv") != f"{name}.csv":
        raise CalculationFault(
            "a table is its own file or the same as another edition's",
            value=str(table),
            limit=f'file = "{name}.csv" or same_as = "YEAR"',
            where=where,
        )
    source = Source(table["locator"], year, checked_status(table["status"], where), table.get("note", ""))
    return TableEntry(owner or year, source, table["source"])
