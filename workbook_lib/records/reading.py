"""One door to every record file: which reader, which readings, and a small memory of what was read last."""

from __future__ import annotations

import functools
import time
from dataclasses import replace
from pathlib import Path

from workbook_lib.errors import Fault, InputFault
from workbook_lib.records.clock import Clock, fixed, zone
from workbook_lib.records.record import Declared, Progress, Record

KEPT = 6
"""Records kept in memory, so that variants of one home read its file once."""
FUTURE_SLACK_S = 86400
"""A reading may begin this much after now [s]: clocks of meters and machines differ."""


def read_record(
    path: Path, shown: str, declared: Declared, time_zone: str | None, *, digest: str = "", progress: Progress | None = None
) -> Record:
    """The record in a file, whichever its form.

    Parameters: path; its name as faults show it; what the site file says of it; the home's time zone;
    hash of the file, by which it is remembered; progress [-]. Returns: Record, in the order of the file.
    Errors: InputFault with every fault; MissingInput where the file can be read in more than one way.
    """
    if digest:
        return _remembered(path, shown, declared, time_zone, digest, _Quiet(progress))
    return _read(path, shown, declared, time_zone, progress)


class _Quiet:
    """A progress that does not count in the comparison of calls."""

    def __init__(self, report: Progress | None):
        self.report = report

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Quiet)

    def __hash__(self) -> int:
        return 0


@functools.lru_cache(maxsize=KEPT)
def _remembered(path: Path, shown: str, declared: Declared, time_zone: str | None, digest: str, progress: _Quiet) -> Record:
    return _read(path, shown, declared, time_zone, progress.report)


def _read(path: Path, shown: str, declared: Declared, time_zone: str | None, progress: Progress | None) -> Record:
    site_clock = clock_named(time_zone)
    if looks_like_xml(path):
        from workbook_lib.records.espi import read_espi as read
    else:
        from workbook_lib.records.table import read_table as read
    record = read(path, shown, declared, site_clock, progress)
    _refuse_future(record, shown, declared)
    return replace(record, file=record.file or Path(shown).name)


def clock_named(name: str | None) -> Clock | None:
    """The clock of a zone's name; None for None. Errors: ZoneInfoNotFoundError for an unknown one."""
    if name is None:
        return None
    return fixed(0) if name == "utc" else _zone(name)


@functools.lru_cache(maxsize=16)
def _zone(name: str) -> Clock:
    return zone(name)


def looks_like_xml(path: Path) -> bool:
    """Whether the first sign of a file, byte-order marks and blanks apart, is `<`. False where it cannot be read."""
    try:
        with path.open("rb") as file:
            head = file.read(4096)
    except OSError:
        return path.suffix.lower() == ".xml"
    for mark in (b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff"):
        head = head.removeprefix(mark)
    return head.replace(b"\x00", b"").lstrip()[:1] == b"<" or (not head and path.suffix.lower() == ".xml")


def _refuse_future(record: Record, shown: str, declared: Declared) -> None:
    """Errors: InputFault where readings begin after now."""
    if not len(record) or int(record.start.max()) <= time.time() + FUTURE_SLACK_S:
        return
    late = int((record.start > time.time() + FUTURE_SLACK_S).sum())
    last = record.clock.text(int(record.start.max()))
    raise InputFault(
        [
            Fault(
                shown,
                f"{declared.field}.file",
                "readings in the future",
                f"{late} of {len(record)}, the last at {last}",
                "readings up to today",
                "look at the order of day and month, the clock and the years of the file",
            )
        ]
    )
