"""One table of one edition: exact rows, half-open brackets, and cells as traceable inputs."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from workbook_lib.editions.files import STATUSES, ColumnForm, TableForm, checked_status, nearest, number, weaker
from workbook_lib.errors import CalculationFault
from workbook_lib.formula import GUARD
from workbook_lib.sheet import CONFIRMED, FROM_MEMORY, UNCONFIRMED, Input, Source

Cell = float | str | None
DEFAULT_NOTES = {FROM_MEMORY: "from memory, not read in a source", UNCONFIRMED: "read in one source"}


@dataclass(frozen=True, slots=True)
class Row:
    """A row: its name, its cells by column, the status of each column that differs, its note."""

    name: str
    cells: Mapping[str, Cell]
    status: Mapping[str, str]
    note: str


class Table:
    """A table of one edition under that edition's own locator and status.

    A cell comes out as one and the same `Input` every time. An empty cell or a row that is not there
    raises `CalculationFault`.
    """

    __slots__ = ("_bounds", "_built", "_by_name", "_by_number", "_found", "_given", "_rows", "edition_year", "form", "source")

    def __init__(self, form: TableForm, source: Source, edition_year: str, rows: tuple[Row, ...], given: Mapping[tuple[int, str], Input]):
        self.form, self.source, self.edition_year, self._rows = form, source, edition_year, rows
        self._given = given
        self._built: dict[tuple[int, str], Input] = {}
        self._found: dict[tuple[object, str], Input] = {}
        self._bounds: dict[str, list[float]] = {}
        self._by_name = {row.name: index for index, row in enumerate(rows)}
        self._by_number = {row.cells[form.key]: index for index, row in enumerate(rows)} if form.numeric else {}

    @property
    def where(self) -> str:
        """Name of the table for an error."""
        return f"table {self.form.table}, {self.source}"

    def rows(self) -> tuple[Mapping[str, Cell], ...]:
        """Rows in order by column of the file; an empty cell is None."""
        return tuple(row.cells for row in self._rows)

    def names(self) -> tuple[str, ...]:
        """Names of the rows in order."""
        return tuple(self._by_name)

    def lookup(self, row: str | float, column: str) -> Input:
        """The cell of a row that is named exactly. Errors: `CalculationFault` for a row, column or value that is not there."""
        found = self._found.get((row, column))
        if found is None:
            found = self._found[row, column] = self._cell(self._position(row), self._column(column))
        return found

    def bracket(self, value: float, column: str) -> Input:
        """The cell of the first row whose upper end is not below the value, the last bit guarded.

        Errors: `CalculationFault` beyond the last row, for a negative value where none can be, and for an empty cell.
        """
        form = self._column(column)
        by = form.by or self._only_breakpoint(column)
        unit = self.form.columns[by].unit
        if not math.isfinite(value) or (value < 0 and unit != "degC"):
            raise CalculationFault("not a value that the table takes", value=f"{value:g} {unit}", where=self.where)
        bounds = self._bounds.get(by)
        if bounds is None:
            bounds = self._bounds[by] = self._read_bounds(by)
        position = bisect_left(bounds, value - GUARD * max(1.0, abs(value)))
        if position == len(bounds):
            raise CalculationFault(
                f"beyond the last row of {self.form.title}",
                value=f"{value:g} {unit}",
                limit=f"up to {bounds[-1]:g} {unit}",
                where=self.where,
            )
        return self._cell(position, form)

    def series(self, column: str) -> Input:
        """A whole column of numbers as one input with a tuple of values, empty cells left out."""
        found = self._found.get((None, column))
        if found is None:
            form = self._column(column)
            values = tuple(cell for row in self._rows if isinstance(cell := row.cells[form.held_in], float))
            if not values:
                raise CalculationFault(f"column {column} holds no numbers", where=self.where)
            cells = [self._cell(position, form) for position, row in enumerate(self._rows) if row.cells[form.held_in] is not None]
            worst = max(cells, key=lambda cell: (cell.origin == "jurisdiction", STATUSES.index(cell.source.status)))
            key, text = f"{self.form.table}:{column}", f"{self.form.title}, all of {form.label or form.column}"
            found = self._found[None, column] = Input(key, text, values, form.unit, worst.origin, source=worst.source)
        return found

    def replaced(self, row: str | float, column: str, change) -> Table:
        """The table with one cell changed by `change(the code's own cell)`, which gives the new Input."""
        form, position = self._column(column), self._position(row)
        if form.role == "key" or form.held_in == self.form.key:
            raise CalculationFault("the key of a row cannot be changed", value=f"{self.form.table}:{row}:{column}", where=self.where)
        new = change(self._cell(position, form, empty_is_fault=False))
        cells = {**self._rows[position].cells, form.held_in: new.value}
        rows = list(self._rows)
        rows[position] = Row(rows[position].name, cells, rows[position].status, rows[position].note)
        return Table(self.form, self.source, self.edition_year, tuple(rows), {**self._given, (position, form.held_in): new})

    def _position(self, row: str | float) -> int:
        position = self._by_name.get(row) if isinstance(row, str) else None
        if position is None and self.form.numeric:
            position = self._nearest_number(number(row, self.where) if isinstance(row, str) else float(row))
        if position is None:
            raise CalculationFault(
                f"no row {row!r} in {self.form.title}",
                value=repr(row),
                limit=", ".join(self._by_name),
                where=self.where,
                todo="use a row of the table",
            )
        return position

    def _nearest_number(self, value: float) -> int | None:
        position = self._by_number.get(value)
        if position is not None:
            return position
        slack = max(self.form.tolerance_frac, GUARD)
        for key, position in self._by_number.items():
            if key is not None and abs(key - value) <= slack * abs(key):
                return position
        return None

    def _column(self, column: str) -> ColumnForm:
        form = self.form.columns.get(column)
        if form is None:
            raise CalculationFault(
                f"no column {column!r} in {self.form.title}", value=column, limit=", ".join(self.form.columns), where=self.where
            )
        return form

    def _only_breakpoint(self, column: str) -> str:
        breakpoints = self.form.breakpoints()
        if len(breakpoints) != 1:
            raise CalculationFault(
                f"column {column} of {self.form.title} is not read by a range",
                value=column,
                limit=", ".join(breakpoints) or "exact rows",
                where=self.where,
            )
        return breakpoints[0]

    def _read_bounds(self, by: str) -> list[float]:
        bounds = [math.inf if row.cells[by] is None else row.cells[by] for row in self._rows]
        if any(low >= high for low, high in zip(bounds, bounds[1:], strict=False)):
            raise CalculationFault("upper ends of the rows do not rise", value=bounds, where=self.where)
        return bounds

    def _cell(self, position: int, form: ColumnForm, *, empty_is_fault: bool = True) -> Input:
        built = self._built.get((position, form.column))
        if built is not None:
            return built
        row = self._rows[position]
        value = row.cells[form.held_in]
        key = f"{self.form.table}:{row.name}:{form.column}"
        if value is None and empty_is_fault:
            raise CalculationFault(f"{self.form.title} has no value there: {self.form.empty}", value=key, where=self.where)
        meaning, given = form.meaning.replace("{row}", row.name), self._given.get((position, form.held_in))
        if given is not None:
            found = Input(key, meaning, value, form.unit, given.origin, source=given.source)
        else:
            found = Input(key, meaning, value, form.unit, "code", source=self._source_of(row, form))
        if value is not None:
            self._built[position, form.column] = found
        return found

    def _source_of(self, row: Row, form: ColumnForm) -> Source:
        cell_status = row.status.get(form.held_in, CONFIRMED)
        notes = [row.note or DEFAULT_NOTES[cell_status]] if cell_status != CONFIRMED else []
        notes += [self.source.note] if self.source.note else []
        locator = f"{self.source.locator} {form.label}".strip()
        return Source(locator, self.edition_year, weaker(self.source.status, cell_status), "; ".join(notes))


def build(form: TableForm, source: Source, edition_year: str, owner_year: str, lines: Iterable[Mapping[str, str]], where: str) -> Table:
    """A table from the lines of its file. Errors: `CalculationFault` for a cell that cannot be read."""
    held = {column.held_in: column for column in form.columns.values() if column.held_in == column.column}
    rows: list[Row] = []
    for line in lines:
        if line["edition"] != owner_year:
            raise CalculationFault("a row of another edition", value=line["edition"], limit=owner_year, where=where)
        cells = {name: _read(line[name], column, form, where) for name, column in held.items()}
        status = {
            name: checked_status(text, where)
            for name in held
            if (text := line.get(f"{name}_status") or line.get("status", "")) and text != CONFIRMED
        }
        rows.append(Row(_row_name(line[form.key], rows), cells, status, line.get("note", "")))
    if len({row.name for row in rows}) != len(rows):
        raise CalculationFault("two rows of one name", value=", ".join(row.name for row in rows), where=where)
    return Table(form, source, edition_year, tuple(rows), {})


def _row_name(text: str, before: list[Row]) -> str:
    return text or f"over {before[-1].name}"


def _read(text: str, column: ColumnForm, form: TableForm, where: str) -> Cell:
    if text == "":
        return None
    if column.unit is None and not (column.column == form.key and form.numeric):
        return text
    return number(text, f"{where}: {column.column}")


def unknown_table(name: str, known: Iterable[str], where: str) -> CalculationFault:
    """The fault for a table that does not exist, with the nearest names."""
    return CalculationFault(f"no table {name!r}", value=name, limit=nearest(name, known), where=where)
