"""What moved as a table: a line for each check, value, workbook or study that moved."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Mapping

from workbook_lib.batch.causes import EDITION, WORKBOOKS, Cause
from workbook_lib.batch.compare_words import ASIDE, VALUES, Change, Move, Sides, printed, said_causes
from workbook_lib.batch.rollup import neutral
from workbook_lib.render import numbers

CAUSES_TOLD = 8
"""Causes of one study that are told in words [count]."""
SIDED = ("verdict", "counts", "provided", "relation", "required", "unit", "margin")
NUMBERS = ("provided", "required", "margin")
SIDES = ("before", "now")
COLUMNS = (
    *("kind", "site_id", "case", "case_before", "workbook", "check"),
    *(f"{name}_{side}" for name in SIDED for side in SIDES),
    *("turned", "fault", "causes", "accepted"),
    *(f"{name}_{side}" for name in ("state", "state_otherwise") for side in SIDES),
    *(f"{name}_{side}" for name in ("source", "note") for side in SIDES),
)
"""Columns of the table. `turned`: in words that a check asks the other way round; `note_before`, `note_now`: where the note says why."""


def rows_of(change: Change) -> Iterator[dict[str, object]]:
    """Lines of one study, keys as in `COLUMNS`, every number in full."""
    fault = change.fault_now or change.fault_before
    head = dict.fromkeys(COLUMNS) | {"site_id": change.site_id, "case": change.case, "case_before": change.case_before}
    head |= {"fault": fault or None, "causes": _causes(change.causes), "accepted": "; ".join(change.accepted) or None}
    head |= {"state_before": change.state_before, "state_now": change.state_now}
    head |= {"state_otherwise_before": change.otherwise_before, "state_otherwise_now": change.otherwise_now}
    if change.moved and (not change.on_both or fault):
        row = head | {"kind": _kind("study", change.state_before, change.state_now)}
        for move in change.values:
            row |= _sided(move, change)
        yield row | {"verdict_before": change.state_before, "verdict_now": change.state_now, "causes": head["causes"]}
    if change.kind in (VALUES, ASIDE):
        yield from (head | _sided(move, change) | {"kind": "value"} for move in change.values)
        yield from () if change.values or change.checks else [head | {"kind": "value"}]
    for move in (*(one for one in change.workbooks if None in (one.before, one.now)), *change.checks):
        yield head | _sided(move, change) | {"kind": _kind("check" if move.key else "workbook", move.before, move.now)}


def _sided(move: Move, change: Change) -> dict[str, object]:
    edition = change.edition_moved
    row: dict[str, object] = {"workbook": move.workbook, "check": move.key or None, "turned": move.turned() or None}
    for side, one in zip(SIDES, (move.before, move.now), strict=True):
        row |= {f"{name}_{side}": getattr(one, name, None) for name in (*SIDED, "source")}
    notes = dict(move.notes(edition=edition, whole=False))
    row |= {f"note_{side}": notes.get(side, notes.get("")) for side in SIDES}
    return row | {"causes": _causes(_of(move, change), move, edition=edition)}


def _of(move: Move, change: Change) -> list[Cause]:
    """Causes of one line: a workbook that came or went is laid to what was asked for, a check of one that both sides have never is."""
    everything = (*change.causes, *change.beside)
    asked = [cause for cause in everything if cause.kind == WORKBOOKS]
    if not move.key and asked:
        return asked
    return [cause for cause in everything if cause.kind != WORKBOOKS]


def _causes(found: Iterable[Cause], move: Move | None = None, *, edition: bool = False) -> str | None:
    """Causes in words; that of the edition with the rule of the check, and its notes where they differ."""
    told = list(found)
    said = said_causes(told, CAUSES_TOLD)
    for place, cause in enumerate(told[:CAUSES_TOLD]):
        if cause.kind == EDITION and move is not None:
            more = [move.rule(edition=edition), *(f"{side}: {note}" for side, note in move.notes(edition=True, whole=False) if side)]
            said[place] += "".join(f", {one}" for one in more if one)
    return "; ".join(said) or None


def _kind(what: str, before: object, now: object) -> str:
    return f"{what} added" if before is None else f"{what} gone" if now is None else what


def table(rows: Iterable[Mapping[str, object]]) -> str:
    """Lines as CSV, numbers as they are printed."""
    held = io.StringIO(newline="")
    writer = csv.writer(held, lineterminator="\n", quoting=csv.QUOTE_NONNUMERIC)
    writer.writerow(COLUMNS)
    writer.writerows([_cell(value) for value in _as_printed(row).values()] for row in rows)
    return held.getvalue()


def _as_printed(row: Mapping[str, object]) -> dict[str, object]:
    """A line with the numbers that are printed in place of those in full."""
    sides = [None if row[f"provided_{side}"] is row[f"required_{side}"] is None else _side(row, side) for side in SIDES]
    extra = Move("", "", *sides).extra
    shown = dict(row)
    for side, one in zip(SIDES, sides, strict=True):
        texts = ("", "", "") if one is None else printed(one.provided, one.relation, one.required, one.unit, extra)
        for name, text in zip(NUMBERS, texts, strict=True):
            whole = row[f"{name}_{side}"]
            shown[f"{name}_{side}"] = numbers.read_back(text) if text and _is_number(whole) and numbers.read_back(text) != whole else whole
    return shown


def _side(row: Mapping[str, object], side: str) -> Sides:
    return Sides(*(row[f"{name}_{side}"] for name in ("verdict", "provided", "relation", "required", "unit", "margin", "counts")))


def _is_number(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _cell(value: object) -> object:
    if value is None or _is_number(value):
        return value
    return neutral(numbers.value_text(value))
