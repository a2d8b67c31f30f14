"""The roll-up: one line a study with its headline results and checks, as Parquet and as CSV, and the screening by connection.

Written line by line, so that memory does not grow with the portfolio. `SCHEMA` is raised when a column changes its name or meaning.
"""

from __future__ import annotations

import csv
import importlib
import json
import os
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass
from pathlib import Path

from workbook_lib.batch import folder as folders
from workbook_lib.batch.connections import is_capacity
from workbook_lib.batch.ranks import room
from workbook_lib.batch.rows import ORDER, Row, family
from workbook_lib.run import RESULTS
from workbook_lib.workbooks import REGISTRY
from workbook_lib.workbooks.portfolio_words import CAPACITY

SCHEMA = 2
PARQUET, TABLE, COLUMNS, SCREENING = "homes.parquet", "homes.csv", "homes.columns.json", "screening.csv"
FILES = (PARQUET, TABLE, COLUMNS, SCREENING)
GROUP_COUNT = 500
"""Lines that are written together."""
FORMULA = ("=", "+", "-", "@", "\t", "\r")
"""How a text begins that a spreadsheet takes for a formula."""
SIDES = ("provided", "required", "margin")
SCREENED = ("site_id", "case", "edition", "connection", "verdict", "check", "spare_a", "spare_check", "spare_basis")
AMPERE_DIGITS = 2
"""Decimals of the amperes of the screening [count]."""
WITHOUT_ROOM = (ORDER[0], ORDER[1])
"""Verdicts beside which no positive room is told: fail, needs input."""


@dataclass(frozen=True, slots=True)
class Column:
    """A column of the roll-up. `kind`: text, number, count; `unit`: of a number, empty without one."""

    name: str
    kind: str
    unit: str
    meaning: str


def columns() -> tuple[Column, ...]:
    """Every column of the roll-up, in order."""
    found = [
        Column("schema", "count", "", "version of these columns"),
        Column("site_id", "text", "", "the home"),
        Column("case", "text", "", "which study of the home"),
        Column("line", "count", "", "line of the portfolio, none in a TOML file"),
        Column("edition", "text", "", "edition of the code it was calculated under"),
        Column("edition_basis", "text", "", "adopted, stated or what-if"),
        Column("state", "text", "", "what the study came to"),
        Column("folder", "text", "", "folder of its sheets"),
        Column("why", "text", "", "why there is no verdict"),
        Column("accepted", "text", "", "reasons to make it again that were accepted without a rerun"),
        Column("missing", "text", "", "fields that counted checks ask for"),
        Column("before", "text", "", "state that it is compared with"),
    ]
    found += _decider("", "of the workbook that decides the study")
    for name in REGISTRY:
        form = importlib.import_module(REGISTRY[name]).FORM
        found.append(Column(f"{name}.verdict", "text", "", f"verdict of {name}"))
        found += _decider(f"{name}.", f"that decides {name}")
        found += [Column(f"{name}.{key}", *_kind(key), f"result {key}") for key in form.first]
        for check in form.order:
            found.append(Column(f"{name}.{check}", "text", "", f"worst verdict of the checks {check} that count"))
            if check in CAPACITY:
                words = f"least margin in proportion to the limit of the checks {check} that count; empty beside fail and needs input "
                words += "where it is positive"
                found.append(Column(f"{name}.{check}.room_frac", "number", "fraction of the limit", words))
    return tuple(found)


def _decider(prefix: str, words: str) -> list[Column]:
    found = [Column(f"{prefix}controlling_check", "text", "", f"the check {words}")]
    found += [Column(f"{prefix}controlling_{side}", "number", "see controlling_unit", f"{side} of that check") for side in SIDES]
    return [*found, Column(f"{prefix}controlling_unit", "text", "", "unit of that check")]


UNITS = {
    "va": "VA", "a": "A", "v": "V", "w": "W", "kw": "kW", "wh": "Wh", "kwh": "kWh", "s": "s", "h": "h", "as": "A s", "frac": "fraction",
    "count": "", "max": "", "miles": "miles",
}  # fmt: skip


def _kind(key: str) -> tuple[str, str]:
    """Kind and unit of a result by the end of its name."""
    end = key.rpartition("_")[2]
    return ("number", UNITS[end]) if end in UNITS else ("text", "")


def line_of(row: Row, document: Mapping[str, object] | None, known: Iterable[Column]) -> dict[str, object]:
    """The line of a study. Parameters: its row, its results.json (None without a verdict), the columns. Returns: value by column."""
    found: dict[str, object] = {
        "schema": SCHEMA,
        **{name: row[name] for name in ("site_id", "case", "line", "edition", "edition_basis", "state", "folder", "why")},
        "accepted": "; ".join(row["accepted"]),
        "missing": "; ".join(row["missing"]),
        "before": row["before"]["state"] if row["before"] else None,
        **_sides("", row["controlling"]),
    }
    for name, entry in (document["workbooks"] if document else {}).items():
        found[f"{name}.verdict"] = entry["verdict"]
        found |= _sides(f"{name}.", row["workbooks"][name])
        found |= {f"{name}.{key}": result["value"] for key, result in entry["results"].items()}
        found |= _families(name, [check for check in entry["checks"] if check["counts"]])
    return {column.name: _typed(found.get(column.name), column) for column in known}


def _sides(prefix: str, decider: Mapping[str, object] | None) -> dict[str, object]:
    if not decider or decider["check"] is None:
        return {}
    found = {f"{prefix}controlling_{side}": decider[side] for side in (*SIDES, "unit")}
    return found | {f"{prefix}controlling_check": decider["check"]}


def _families(workbook: str, checks: Iterable[Mapping[str, object]]) -> dict[str, object]:
    """Of each family of checks the worst verdict and, of a capacity, the least room that it leaves."""
    held: dict[str, list[Mapping[str, object]]] = {}
    for check in checks:
        held.setdefault(f"{workbook}.{family(check['key'])}", []).append(check)
    found: dict[str, object] = {}
    for name, of_it in held.items():
        found[name] = min((check["verdict"] for check in of_it), key=ORDER.index)
        rooms = [left for check in of_it if is_capacity(check) and (left := room(check)) is not None]
        if rooms and not (found[name] in WITHOUT_ROOM and min(rooms) > 0.0):
            found[f"{name}.room_frac"] = min(rooms)
    return found


def _typed(value: object, column: Column) -> object:
    if value is None or value == "":
        return None
    if column.kind == "text":
        return str(value)
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        return None  # a side that is a text: it stands on the sheet
    return int(value) if column.kind == "count" else float(value)


def neutral(text: str) -> str:
    """A text that a spreadsheet takes for a text: one that begins like a formula gets an apostrophe before it."""
    return f"'{text}" if text.startswith(FORMULA) else text


def lines(top: Path, found: Iterable[Row], known: tuple[Column, ...]) -> Iterator[dict[str, object]]:
    """The lines of some rows, each with its results read when its turn comes."""
    for row in found:
        document = json.loads((top / row["folder"] / RESULTS).read_bytes()) if row["workbooks"] else None
        yield line_of(row, document, known)


def write(top: Path, found: Iterable[Row]) -> None:
    """Write the roll-up into an output folder; each file takes the place of the old one when it is whole.

    Parameters: the folder, the rows in the order of the portfolio. Errors: FolderFault.
    """
    known = columns()
    with folders.writing(f"the roll-up in {top}"), tempfile.TemporaryDirectory(prefix=".rollup-", suffix=folders.PART, dir=top) as name:
        folder = Path(name)
        with (
            (folder / TABLE).open("w", encoding="utf-8", newline="") as sheet,
            (folder / SCREENING).open("w", encoding="utf-8", newline="") as screened,
            _Parquet(folder / PARQUET, known) as parquet,
        ):
            screening = csv.writer(screened)
            screening.writerow(SCREENED)
            _write_lines(lines(top, _screened(found, screening), known), known, csv.writer(sheet), parquet)
        meaning = {"schema": SCHEMA, "columns": [asdict(column) for column in known]}
        (folder / COLUMNS).write_text(json.dumps(meaning, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")
        for name in FILES:
            os.replace(folder / name, top / name)


def _write_lines(found: Iterable[Mapping[str, object]], known: tuple[Column, ...], table, parquet: _Parquet) -> None:
    table.writerow([column.name for column in known])
    group: list[Mapping[str, object]] = []
    for line in found:
        table.writerow([_cell(line[column.name], column) for column in known])
        group.append(line)
        if len(group) == GROUP_COUNT:
            parquet(group)
            group = []
    parquet(group)


def _screened(found: Iterable[Row], screening) -> Iterator[Row]:
    """The rows as they come, each connection of each put into the screening on the way."""
    for row in found:
        for kind, one in row["connections"].items():
            head = [neutral(str(row[name] or "")) for name in SCREENED[:3]]
            screening.writerow([*head, kind, *(_shown(one[name]) for name in SCREENED[4:])])
        yield row


def _shown(value: object) -> object:
    return "" if value is None else round(value, AMPERE_DIGITS) if isinstance(value, float) else value


def _cell(value: object, column: Column) -> object:
    if value is None:
        return ""
    return neutral(value) if column.kind == "text" else value


class _Parquet:
    """Writes groups of lines to a Parquet file."""

    def __init__(self, file: Path, known: tuple[Column, ...]):
        import pyarrow
        from pyarrow import parquet

        types = {"text": pyarrow.string(), "number": pyarrow.float64(), "count": pyarrow.int64()}
        fields = [pyarrow.field(column.name, types[column.kind], metadata={"unit": column.unit}) for column in known]
        self._schema = pyarrow.schema(fields, metadata={"schema": str(SCHEMA)})
        self._table = pyarrow.Table
        self._writer = parquet.ParquetWriter(file, self._schema)

    def __call__(self, group: list[Mapping[str, object]]) -> None:
        if group:
            self._writer.write_table(self._table.from_pylist(group, schema=self._schema))

    def close(self) -> None:
        """Finish the file."""
        self._writer.close()

    def __enter__(self) -> _Parquet:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()
