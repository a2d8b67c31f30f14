"""Moments by the local clock, as a site file writes them: a date, or a date and time."""

from __future__ import annotations

import contextlib
import datetime
import re
from dataclasses import dataclass

from workbook_lib.home.fields import Text
from workbook_lib.home.raw import Raw

DAY_S = 86400
FORM = re.compile(r"[0-9]{4}-[0-9]{2}-[0-9]{2}(T[0-9]{2}:[0-9]{2})?")
LEAST_YEAR, MOST_YEAR = 1990, 2099


@dataclass(frozen=True)
class Moment(Text):
    """A local date, or date and time. A date alone is the whole day: it begins at its first moment and ends at its last."""

    words: str = 'a local date, as "2026-01-31", or date and time, as "2026-01-31T18:00"; a date alone is the whole day, also as an end'

    def example(self) -> str:
        return '"2026-01-31"'

    def parse(self, raw: Raw) -> tuple[str, None]:
        value = raw.value
        if isinstance(value, datetime.date):
            sound = not isinstance(value, datetime.datetime) or (value.tzinfo is None and not value.second and not value.microsecond)
            shown = value.isoformat(timespec="minutes") if isinstance(value, datetime.datetime) else value.isoformat()
            raise self.refuse(raw, "not a text", f'put it in quotes: "{shown}"' if sound else "")
        if not isinstance(value, str) or not FORM.fullmatch(value):
            raise self.refuse(raw, "not a text" if not isinstance(value, str) else "not of the form wanted")
        with contextlib.suppress(ValueError):
            year = datetime.datetime.fromisoformat(value).year
            if not LEAST_YEAR <= year <= MOST_YEAR:
                raise self.refuse(raw, f"a year before {LEAST_YEAR} or after {MOST_YEAR}", "correct the year")
            return value, None
        raise self.refuse(raw, "no such day or time", "correct it")


def wall_s(text: str, *, end: bool = False) -> int:
    """Wall-clock seconds of a moment, counted as if the clock on the wall were UTC.

    Parameters: text as `Moment` reads it; whether it is an end: then a date alone is the first moment after that day. Returns: [s].
    """
    moment = datetime.datetime.fromisoformat(text).replace(tzinfo=datetime.UTC)
    return int(moment.timestamp()) + (DAY_S if end and "T" not in text else 0)
