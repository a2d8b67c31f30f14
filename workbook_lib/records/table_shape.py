"""The shape of a table file: bytes to text, the sign between fields, the header row, and the columns of text."""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from workbook_lib.records import table_stamps as stamps
from workbook_lib.records.table_talk import Talk

MOST_BYTES = 200_000_000
"""Largest table file that is read [byte]; it bounds memory."""
HEAD_LINES = 400
"""Lines at the start in which the shape of the table is looked for."""
WIDEST_ROW = 1000
"""Most columns of a table."""
DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}
_SIGNATURES = (
    (b"PK\x03\x04", "a zip archive or a spreadsheet workbook"),
    (b"\xd0\xcf\x11\xe0", "an old spreadsheet workbook"),
    (b"%PDF", "a PDF document"),
    (b"\x1f\x8b", "a gzip archive"),
    (b"\x89PNG", "a picture"),
    (b"\xff\xd8\xff", "a picture"),
    (b"SQLite format 3", "a database"),
)
NUMBER = re.compile(r"\(?[-+−]?[$]?(?:\d[\d.,  \u202f']*|[.,]\d+)(?:[eE][-+]?\d+)?-?\)?")
"""What may be a number in some way of writing."""
BLANK_WORDS = frozenset({"", "n/a", "na", "-", "--", "null", "none", "nan", "missing", "#n/a", "no data", "nodata", "*", "."})
"""Cells that hold no value."""
_UNIT_CELL = re.compile(
    r"[(\[]?\s*(?:k?wh|mwh|k?w|mw|k?vah?|k?varh?|ah?|amps?|v|volts?|hz|°?[fc]|deg[fc]|\$|usd|[-]|yyyy.*|[md]{1,2}/.*|"
    r"local( time)?|utc|hh:mm.*|h|min|s)?\s*[)\]]?",
    re.IGNORECASE,
)


@dataclass(frozen=True)
class Table:
    """The columns of text of a table: `headers`, `units` of the row under them (or empty texts), `columns`, `lines` of the rows."""

    headers: tuple[str, ...]
    units: tuple[str, ...]
    columns: tuple[list[str], ...]
    lines: np.ndarray
    header_line: int
    preamble: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.lines)

    def label(self, index: int) -> str:
        """Name of a column for people: its header, with its place where that is not the only one of its name."""
        name = self.headers[index]
        return name if name and self.headers.count(name) == 1 else f"{name or 'no name'} [column {index + 1}]"

    def labels(self) -> str:
        """All headers, for a fault."""
        return ", ".join(repr(self.label(k)) for k in range(len(self.headers)))

    def rows(self, keep: np.ndarray) -> Table:
        """The table with some rows only. Parameters: mask."""
        if keep.all():
            return self
        index = np.flatnonzero(keep).tolist()
        return replace(self, columns=tuple([column[k] for k in index] for column in self.columns), lines=self.lines[keep])


def load_text(path: Path, talk: Talk) -> str:
    """The text of a file. Errors: InputFault for what is no readable text file."""
    try:
        if path.is_dir():
            talk.stop("file", "the record is a folder", str(talk.shown), "a file", "name the file in it")
        if path.is_symlink() and not path.exists():
            talk.stop("file", "the record is a link that leads nowhere", str(talk.shown), "a file", "put the file where the link points")
        size = path.stat().st_size
        if size > MOST_BYTES:
            todo = "split it by year, or give longer intervals"
            talk.stop("file", "the table is too large", f"{size / 1e6:.0f} MB", f"up to {MOST_BYTES / 1e6:.0f} MB", todo)
        data = path.read_bytes()
    except OSError as problem:
        talk.stop(
            "file", "the record cannot be read", problem.strerror or type(problem).__name__, "a readable file", "look at name and rights"
        )
    except ValueError as problem:
        talk.stop("file", "the name is no file name", str(problem), "a file", "correct the name")
    if not data.strip(b"\x00\r\n\t ;,\xef\xbb\xbf"):
        talk.stop("file", "the file is empty", f"{len(data)} bytes", "a table with a header row", "get the file from the utility again")
    for mark, words in _SIGNATURES:
        if data.startswith(mark):
            talk.stop("file", "not a text table", words, "CSV text, UTF-8", "save the table as CSV")
    return _decoded(data, talk)


def _decoded(data: bytes, talk: Talk) -> str:
    encoding, declared = "utf-8", talk.declared.encoding
    for mark, name in ((codecs.BOM_UTF8, "utf-8-sig"), (codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16")):
        if data.startswith(mark):
            encoding, declared = name, None
            if name == "utf-16":
                talk.decide("text in UTF-16", "byte-order mark at the start of the file")
    if declared is not None:
        try:
            known = codecs.lookup(declared)
        except (LookupError, ValueError):
            known = None
        if known is None or not getattr(known, "_is_text_encoding", True):
            talk.stop("encoding", "an encoding that is not known", declared, "a name such as utf-8, cp1252, latin-1", "correct the name")
        encoding = declared
        talk.decide(f"text in {declared}", talk.given("encoding"))
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError as problem:
        at = problem.start
        line = data.count(b"\n", 0, at) + 1
        value = f"byte 0x{data[at]:02x} at position {at}" if at < len(data) else f"the end at position {at}"
        todo = 'save it as UTF-8, or say encoding = "cp1252" (or what it is)'
        talk.stop("file", f"the text is not {encoding.replace('-sig', '')}", value, "UTF-8, or the declared encoding", todo, line)
    except (UnicodeError, ValueError) as problem:
        talk.stop("file", f"the text is not {encoding}", str(problem), "UTF-8, or the declared encoding", "save it as UTF-8")
    nul = text.find("\0")
    if nul >= 0:
        line = text.count("\n", 0, nul) + 1
        talk.stop("file", "not a text table", f"a zero byte at sign {nul}", "CSV text, UTF-8", "save the table as CSV in UTF-8", line)
    return text.removeprefix("\ufeff").replace("\r\n", "\n").replace("\r", "\n")


def read_shape(text: str, talk: Talk) -> Table:
    """The table in a text: delimiter, header, units row, columns; blank rows and headers said again are left out.

    Returns: Table. Errors: InputFault where there is no header or no row below it, or rows have too many fields.
    """
    head = text[: 1 << 18].split("\n")[:HEAD_LINES]
    delimiter = _delimiter(head, talk)
    rows = _split(head, delimiter)
    header, units, first = _header(rows, talk)
    width = max(k + 1 for k, cell in enumerate(rows[header]) if cell)
    if width > WIDEST_ROW:
        talk.stop("file", "too many columns", str(width), f"up to {WIDEST_ROW}", "keep the columns of the record", header + 1)
    names = tuple(rows[header][:width])
    unit_cells = tuple((rows[units] + [""] * width)[:width]) if units is not None else ("",) * width
    body_at = _nth_line(text, first)
    if delimiter:
        talk.decide(f"fields apart by {DELIMITERS[delimiter]}", "the sign by which the rows with times fall into equal fields")
    talk.decide(f"header in line {header + 1}", "the last row of names above the readings")
    columns, lines = _columns(text[body_at:], delimiter, width, first + 1, talk)
    table = Table(names, unit_cells, columns, lines, header + 1, tuple(line for line in head[:header] if line.strip()))
    return _without_repeats(table, talk)


def _nth_line(text: str, count: int) -> int:
    at = 0
    for _ in range(count):
        at = text.find("\n", at) + 1
        if at == 0:
            return len(text)
    return at


def _split(lines: list[str], delimiter: str) -> list[list[str]]:
    """Fields of single lines; a quote that is not closed is taken as it stands."""
    rows = []
    for line in lines:
        try:
            fields = next(csv.reader([line], delimiter=delimiter or "\x1f", skipinitialspace=True), [])
        except csv.Error:
            fields = line.split(delimiter) if delimiter else [line]
        rows.append([field.strip() for field in fields])
    return rows


def _delimiter(head: list[str], talk: Talk) -> str:
    """The sign between fields. Empty for a file of one column."""
    scores = {}
    for delimiter in DELIMITERS:
        rows = [row for row in _split(head, delimiter) if len(row) > 1]
        widths = Counter(len(row) for row in rows if _is_data(row))
        if widths:
            scores[delimiter] = max(widths.values()), sum(len(row) for row in rows)
    if scores:
        return max(scores, key=scores.get)
    if talk.declared.first_start is not None:
        for sign in DELIMITERS:
            rows = _split(head, sign)
            widths = {len(row) for row in rows if len(row) > 1 and all(row) and not any(NUMBER.fullmatch(cell) for cell in row)}
            fitting = sum(len(row) in widths for row in rows if _is_numbers(row))
            if fitting:
                scores[sign] = fitting
        if scores:
            return max(scores, key=scores.get)
        if any(NUMBER.fullmatch(line.strip()) for line in head):
            return ""
    talk.stop(
        "file",
        "no header row above readings was found",
        f"{len(head)} lines without a row of a time and a number",
        "a table with a header row and rows of a time and a value, fields apart by comma, semicolon, tab or bar",
        "give the utility's interval file, or a table of that form",
    )


def _is_data(row: list[str]) -> bool:
    """Whether a row has a time and a value that is no time."""
    kinds = [stamps.kind_of(cell) if cell[:1].isalnum() else stamps.UNREADABLE for cell in row]
    timed = any(kind in (stamps.STAMP, stamps.DATE, stamps.INSTANT) for kind in kinds)
    return timed and any(
        not kind and (NUMBER.fullmatch(cell) or (cell.lower() in BLANK_WORDS)) for kind, cell in zip(kinds, row, strict=True)
    )


def _is_numbers(row: list[str]) -> bool:
    filled = [cell for cell in row if cell]
    return bool(filled) and sum(bool(NUMBER.fullmatch(cell)) for cell in filled) * 2 >= len(filled)


def _header(rows: list[list[str]], talk: Talk) -> tuple[int, int | None, int]:
    """Indexes of the header row, of a units row (None without), and of the first row below them."""
    without_times = talk.declared.first_start is not None
    fits = _is_numbers if without_times else _is_data
    widths = Counter(len(row) for row in rows if fits(row))
    usual = widths.most_common(1)[0][0] if widths else 0
    data = next((k for k, row in enumerate(rows) if len(row) == usual and fits(row)), len(rows))
    least = min(2, usual)
    above = [k for k in range(data) if sum(bool(cell) for cell in rows[k]) >= least and not fits(rows[k])]
    wanted = {name for name in (talk.declared.time_column, talk.declared.value_column, *talk.declared.leg_columns) if name}
    named = [k for k in above if wanted and wanted <= set(rows[k])]
    if data == len(rows) or not above:
        value = "readings from the first row on" if data < len(rows) else "no row of a time and a value"
        limit = "a row of column names above the readings"
        talk.stop("file", "no header row was found", value, limit, "put a row of names at the top", 1 if data < len(rows) else None)
    header = named[-1] if named else above[-1]
    units = None
    if not named and len(above) > 1 and _is_units(rows[header]) and above[-2] == header - 1:
        header, units = above[-2], header
    elif header + 1 < data and _is_units(rows[header + 1]):
        units = header + 1
    if not any(re.search(r"[^\W\d_]", cell) for cell in rows[header]):
        talk.stop("file", "no header row was found", ", ".join(rows[header][:5]), "a row of column names", "put it at the top", header + 1)
    return header, units, (header if units is None else units) + 1


def _is_units(row: list[str]) -> bool:
    return any(row) and all(_UNIT_CELL.fullmatch(cell) for cell in row)


def _columns(body: str, delimiter: str, width: int, first_line: int, talk: Talk) -> tuple[tuple[list[str], ...], np.ndarray]:
    """Columns of text and the line of each row."""
    import pandas

    lines = body.split("\n")
    if lines and not lines[-1]:
        lines.pop()
    most = width - 1
    plain = '"' not in body
    long = [k for k, line in enumerate(lines) if line.count(delimiter) > most] if delimiter else []
    if long or (not plain and any(line.count('"') % 2 for line in lines)):
        return _slowly(body, delimiter, width, first_line, talk)
    if not delimiter or not lines:
        return (([line.strip().strip('"') for line in lines]),), np.arange(first_line, first_line + len(lines))
    frame = pandas.read_csv(
        io.StringIO(body),
        sep=delimiter,
        header=None,
        names=range(width),
        dtype=str,
        na_filter=False,
        skip_blank_lines=False,
        skipinitialspace=delimiter != "\t",
        index_col=False,
    )
    columns = []
    for name in frame.columns:
        cells = frame[name].tolist()
        columns.append([cell.strip() if isinstance(cell, str) else "" for cell in cells])
    return tuple(columns), np.arange(first_line, first_line + len(frame))


def _slowly(body: str, delimiter: str, width: int, first_line: int, talk: Talk) -> tuple[tuple[list[str], ...], np.ndarray]:
    """The same row by row, for files with line ends within fields or with rows of too many fields."""
    rows, lines, wide, before = [], [], [], 0
    reader = csv.reader(io.StringIO(body), delimiter=delimiter or "\x1f", skipinitialspace=delimiter != "\t")
    try:
        for fields in reader:
            cells = [" ".join(cell.split()) for cell in fields]
            line, before = first_line + before, reader.line_num
            if any(cells[width:]):
                if _is_data(cells) or NUMBER.fullmatch(cells[0]):
                    wide.append((line, f"{len(cells)} fields: {delimiter.join(cells)[:80]}"))
                cells = [delimiter.join(cells), *[""] * (width - 1)]
            rows.append((cells + [""] * width)[:width])
            lines.append(line)
    except csv.Error as problem:
        talk.stop("file", "a row that cannot be split into fields", str(problem), "", "look at its quotes", first_line + reader.line_num)
    todo = "put quotes around numbers with a decimal comma or thousands comma, or use semicolons"
    talk.many("file", f"a row of more fields than the header's {width}", wide, f"{width} fields", todo)
    return tuple(list(column) for column in zip(*rows, strict=True)) if rows else ((),) * width, np.array(lines, dtype=np.int64)


def _without_repeats(table: Table, talk: Talk) -> Table:
    """Leave out blank rows, and headers and units rows that are said again."""
    keep = np.ones(len(table), bool)
    blank = repeats = 0
    first = table.columns[0]
    for k in range(len(table)):
        cell = first[k]
        if cell == table.headers[0] or not cell or cell == table.units[0]:
            row = tuple(column[k] for column in table.columns)
            if not any(row):
                keep[k], blank = False, blank + 1
            elif row == table.headers or row == table.units:
                keep[k], repeats = False, repeats + 1
    talk.drop("blank row", blank)
    talk.drop("header said again", repeats)
    return table.rows(keep)
