"""Ranges of a record that are marked as vacant or as an outage: which readings they touch, and what is left without them.

A marked reading is no gap in the file: it was read and stays in the record. It says nothing of how the home is used, so
coverage, days and series are made without it; the highest demand is taken with it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from workbook_lib.records.clock import Clock
from workbook_lib.records.record import Mark, Record

VACANT, OUTAGE = "vacant", "outage"


def touched(marks: Sequence[Mark], start: np.ndarray, end: np.ndarray) -> np.ndarray:
    """Whether each reading overlaps a marked range. Parameters: marks; starts and ends [s, UTC]. Returns: array of booleans."""
    found = np.zeros(len(start), dtype=bool)
    for mark in marks:
        found |= (start < mark.ends) & (end > mark.begins)
    return found


def unmarked(record: Record) -> Record:
    """The readings of a record that no marked range touches; the same record where it has no marks."""
    if not record.marks:
        return record
    return replace(record.keeping(~touched(record.marks, record.start, record.end)), marks=())


def marked_wall_s(record: Record, first: int, last: int, kind: str = "") -> int:
    """Time by the clock on the wall that the marks take out, readings that they touch as a whole, none of it twice.

    Parameters: record; first and last moment [s, UTC]; kind of mark, empty for all. Returns: [s].
    """
    marks = [mark for mark in record.marks if kind in ("", mark.kind)]
    if not marks:
        return 0
    hit = touched(marks, record.start, record.end)
    begins = np.concatenate((record.start[hit], [mark.begins for mark in marks]))
    ends = np.concatenate((record.end[hit], [mark.ends for mark in marks]))
    return _joined(record.clock, np.clip(begins, first, last), np.clip(ends, first, last))


def _joined(clock: Clock, begins: np.ndarray, ends: np.ndarray) -> int:
    """Length by the clock on the wall of the union of ranges [s]."""
    order = np.argsort(begins, kind="stable")
    begins, ends = begins[order], ends[order]
    low = np.maximum(begins, np.concatenate((begins[:1], np.maximum.accumulate(ends)[:-1])))
    new = ends > low
    return int((clock.local(ends[new]) - clock.local(low[new])).sum())


def kinds_between(marks: Sequence[Mark], start: int, end: int) -> str:
    """Kinds of the marks that touch a range [s, UTC], in words; empty for none."""
    return ", ".join(sorted({mark.kind for mark in marks if mark.begins < end and mark.ends > start}))
