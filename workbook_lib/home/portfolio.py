"""A portfolio: which homes are to be studied, under which cases, with what put in place of their files.

Two forms. A table (CSV) has one study a row: `site_id`, `base` (a site file), optional `case` and `edition`, and any number of
columns headed by a key path with ids and, in brackets, the unit of its bare numbers: `source.pv.output_current [A]`. A TOML file names
site files by pattern and the cases to study each under. Whatever is wrong with a row is kept with that row, so that the others can run.
"""

from __future__ import annotations

import csv
import io
import re
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path

from workbook_lib.editions import YEARS
from workbook_lib.errors import Fault, InputFault
from workbook_lib.home import EDITION_FIELD
from workbook_lib.home.home import Home
from workbook_lib.home.model import Site
from workbook_lib.home.overrides import fixed, leaf_at
from workbook_lib.home.portfolio_cases import entries_of
from workbook_lib.home.portfolio_entry import Entry
from workbook_lib.home.raw import ID, ID_RULE, parse_toml, read_bytes, show, suggest
from workbook_lib.home.reader import read_home
from workbook_lib.sheet import BASE_CASE

MAX_BYTES = 50_000_000
TABLES = (".csv", ".tsv")
RESERVED = frozenset(("con", "prn", "aux", "nul", *(f"{name}{digit}" for name in ("com", "lpt") for digit in range(10))))
"""Names that some systems keep for devices: no folder can have them."""
ID_FIELD = "site.id"
OWN_COLUMNS = ("site_id", "base", "case", "edition", "remark")
HEADER = re.compile(r"(?P<path>[^\[\]]+?)\s*(?:\[(?P<unit>[^\[\]]+)\])?")
BARE = re.compile(r"[+-]?[0-9]+(\.[0-9]+)?")


@dataclass(frozen=True, slots=True)
class Portfolio:
    """The studies of a portfolio file in its order, each once."""

    file: Path
    entries: tuple[Entry, ...]


def is_portfolio(path: Path) -> bool:
    """Whether a file is meant as a portfolio: a table, or a TOML file that names site files."""
    if path.suffix.lower() in TABLES:
        return True
    data, fault = read_bytes(path.as_posix(), path)
    tables = None if fault is not None else parse_toml(path.as_posix(), data)[0]
    return tables is not None and "sites" in tables


def read_portfolio(path: str | Path, edition: str | None = None) -> Portfolio:
    """The studies that a portfolio asks for.

    Parameters: CSV or TOML file; an edition that takes the place of every row's and every file's; a case that is there for another edition
    is left out, since its name would lie. Returns: Portfolio; an entry that cannot be used carries its faults. Errors: InputFault where
    the file itself cannot be read as a portfolio.
    """
    file = Path(path)
    if edition is not None and edition not in YEARS:
        raise InputFault([Fault(str(file), "edition", "unknown edition", edition, ", ".join(YEARS), "name one of these")])
    data, fault = read_bytes(file.as_posix(), file, MAX_BYTES)
    if fault is not None:
        raise InputFault([fault])
    entries = _of_table(file, data) if file.suffix.lower() in TABLES else entries_of(file, data)
    if edition is not None:
        entries = [_under(one, edition) for one in entries]
    return Portfolio(file, tuple(_told_apart(file, entries)))


def _under(one: Entry, edition: str) -> Entry:
    """A study under another edition; a case of a TOML file that is there for its own edition is left out."""
    if one.edition not in (None, edition) and one.line is None and not one.left_out:
        return replace(one, left_out=f"the case {one.case} has an edition of its own, {one.edition}")
    return replace(one, edition=edition)


def _told_apart(file: Path, entries: Iterable[Entry]) -> list[Entry]:
    """Entries whose names are sound and used once; the others with a fault."""
    entries = list(entries)
    used = Counter((one.site_id, one.case) for one in entries if one.site_id)
    found = []
    for one in entries:
        fault = _name_fault(file, one)
        if fault is None and used[one.site_id, one.case] > 1:
            what, todo = "two studies of one name", "give each row its own site_id, or its own case"
            fault = Fault(file.as_posix(), "site_id", what, show(one.name), "each name once", todo, one.line)
        found.append(one if fault is None else replace(one, faults=(*one.faults, fault)))
    return found


def _name_fault(file: Path, one: Entry) -> Fault | None:
    """What is wrong with the names that become folders."""
    for column, name in (("site_id", one.site_id), ("case", one.case)):
        if any(fault.field == column for fault in one.faults) or (not name and one.faults):
            continue
        if not ID.match(name):
            return Fault(file.as_posix(), column, "not an id", show(name), ID_RULE, "choose another id", one.line)
        if name in RESERVED:
            return Fault(
                file.as_posix(), column, "a name that some systems keep for a device", show(name), ID_RULE, "choose another", one.line
            )
    return None


# a table


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a table: the key path that it fills, and the unit of its bare numbers (empty: none)."""

    path: str
    unit: str


def _of_table(file: Path, data: bytes) -> list[Entry]:
    rows = _rows(file, data)
    columns = _columns(file, *rows[0])
    return [_row(file, line, cells, columns) for line, cells in rows[1:]]


def _rows(file: Path, data: bytes) -> list[tuple[int, list[str]]]:
    """Line number and cells of each row, the header first; empty rows and those that begin with # are left out."""
    name, todo = file.as_posix(), "save the table as CSV in UTF-8, with a line of headers"
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        raise InputFault([Fault(name, "", "is not text in UTF-8", f"byte {error.start}", "CSV in UTF-8", todo, line)]) from None
    first = next((line for line in text.split("\n") if line.strip() and not line.startswith("#")), "")
    delimiter = max(",;\t", key=first.count)
    csv.field_size_limit(MAX_BYTES)
    reader, written = (
        csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True),
        io.StringIO(text, newline=None).readlines(),
    )
    found, line = [], 1
    try:
        for cells in reader:
            if any(cell.strip() for cell in cells) and not written[line - 1].startswith("#"):
                found.append((line, [cell.strip() for cell in cells]))
            line = reader.line_num + 1
    except csv.Error as error:
        raise InputFault([Fault(name, "", f"is not CSV: {error}", "", "CSV in UTF-8", todo, line)]) from None
    if len(found) < 2:
        what = "has no row below its headers" if found else "is empty"
        raise InputFault([Fault(name, "", what, "", "one line of headers, then one study a row", todo)])
    return found


def _columns(file: Path, line: int, header: list[str]) -> list[Column]:
    """The columns of a table. Errors: InputFault with everything that is wrong with the headers."""
    faults, columns = [], []
    while header and not header[-1]:
        header = header[:-1]
    for number, cell in enumerate(header, 1):
        match = HEADER.fullmatch(cell)
        if match is None:
            limit = "a key path with ids, then its unit in brackets: source.pv.output_current [A]"
            faults.append(Fault(file.as_posix(), f"column {number}", "not a header", show(cell), limit, "correct it", line))
            continue
        columns.append(Column(match["path"], match["unit"] or ""))
    names = [column.path for column in columns]
    for column in columns:
        if column.path not in OWN_COLUMNS and "." not in column.path:
            todo = suggest(column.path, OWN_COLUMNS, "name a field of the site file by its path")
            limit = f"{', '.join(OWN_COLUMNS)}, or a key path with ids"
            faults.append(Fault(file.as_posix(), column.path, "unknown column", show(column.path), limit, todo, line))
        elif column.path in OWN_COLUMNS and column.unit:
            faults.append(Fault(file.as_posix(), column.path, "has no unit", show(column.unit), column.path, "take the unit away", line))
        elif column.path == ID_FIELD:
            todo = "name the home in the column site_id"
            faults.append(Fault(file.as_posix(), column.path, "names the home", "", "a field of the home", todo, line))
        elif column.path not in OWN_COLUMNS and leaf_at(Site, column.path) is None:
            close = fixed(Site, column.path)
            todo = f'did you mean "{close}"?' if close else "name a field of the site file by its path"
            limit = "a key path with ids, as source.pv.output_current"
            faults.append(Fault(file.as_posix(), column.path, "no field of a site file", show(column.path), limit, todo, line))
    for name in OWN_COLUMNS[:2]:
        if name not in names:
            faults.append(Fault(file.as_posix(), name, "no such column", "", ", ".join(OWN_COLUMNS[:2]), "add it", line))
    for name, count in Counter(names).items():
        if count > 1:
            faults.append(Fault(file.as_posix(), name, "a column that stands twice", f"{count} times", "once", "leave one", line))
    if faults:
        raise InputFault(faults)
    return columns


def _is_file(path: Path) -> bool:
    """Whether there is such a file; a name that no file can have is none."""
    try:
        return path.is_file()
    except (OSError, ValueError):
        return False


def _row(file: Path, line: int, cells: list[str], columns: list[Column]) -> Entry:
    """One row; an empty cell leaves what the base says."""
    faults = []
    if len(cells) > len(columns) and any(cells[len(columns) :]):
        what, todo = "more cells than headers", "quote a text that holds the delimiter"
        faults.append(Fault(file.as_posix(), "", what, f"{len(cells)} cells", f"{len(columns)}", todo, line))
    given = {column.path: (cell, column.unit) for column, cell in zip(columns, cells, strict=False) if cell}
    own = {name: given.pop(name)[0] for name in OWN_COLUMNS if name in given}
    for name in OWN_COLUMNS[:2]:
        if name not in own:
            faults.append(Fault(file.as_posix(), name, "empty", "", "a value in each row", "fill it in", line))
    edition = own.get("edition")
    if edition is not None and edition not in YEARS:
        faults.append(Fault(file.as_posix(), "edition", "unknown edition", show(edition), ", ".join(YEARS), "name one of these", line))
    base = file.parent / own.get("base", "")
    if "base" in own and not _is_file(base):
        faults.append(Fault(file.as_posix(), "base", "no such file", show(own["base"]), "a site file, named from here", "correct it", line))
    overrides = [(path, f"{cell} {unit}" if unit and BARE.fullmatch(cell) else cell) for path, (cell, unit) in given.items()]
    name = own.get("site_id", "")
    return Entry(name, own.get("case", BASE_CASE), base, edition, (("site.id", name), *overrides), line, tuple(faults))


# from an entry to its home


def given(entry: Entry) -> dict[str, object]:
    """What is put in place of the site file for one study, its edition included, by key path."""
    return dict(entry.overrides) | ({} if entry.edition is None else {EDITION_FIELD: entry.edition})


def home_of(portfolio: Portfolio, entry: Entry) -> Home:
    """The home that an entry describes.

    Errors: InputFault with every fault; one of a value that the portfolio gave names the portfolio and its row. ValueError for an entry
    that nothing asks for.
    """
    if entry.left_out:
        raise ValueError(entry.left_out)
    if entry.faults:
        raise InputFault(entry.faults)
    try:
        return read_home(entry.site_file, given(entry), entry.case)
    except InputFault as error:
        ours = dict(entry.overrides)
        file = portfolio.file.as_posix()
        raise InputFault(replace(one, file=file, line=entry.line) if one.field in ours else one for one in error.faults) from None
