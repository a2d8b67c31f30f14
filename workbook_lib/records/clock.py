"""Local clocks: a named time zone, the rules of a Green Button feed, or a fixed offset.

A clock is a list of changes: from which second of UTC on which offset holds. The bit fields of the
daylight-saving rules are those of NAESB ESPI (usage schema, DstRuleType).
"""

from __future__ import annotations

import calendar
import datetime
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

FIRST_YEAR, LAST_YEAR = 1990, 2100
"""Years for which a clock knows its changes."""
DISABLED = 0xFFFFFFFF
"""Rule value of ESPI: no daylight saving."""


@dataclass(frozen=True, eq=False)
class Clock:
    """A local clock. `changes` [s, UTC] ascending and `offsets` [s east of UTC] from each on; `standard_s` without daylight saving."""

    name: str
    standard_s: int
    changes: np.ndarray
    offsets: np.ndarray

    def offset(self, utc) -> np.ndarray:
        """Offset [s east of UTC] at times [s, UTC]."""
        return self.offsets[np.searchsorted(self.changes, np.asarray(utc, dtype=np.int64), side="right") - 1]

    def local(self, utc) -> np.ndarray:
        """Wall-clock seconds of times [s, UTC]: what the clock on the wall shows, counted as if it were UTC."""
        return np.asarray(utc, dtype=np.int64) + self.offset(utc)

    def changes_between(self, first: int, last: int) -> tuple[int, ...]:
        """Moments [s, UTC] at which the clock is put forward or back, from `first` up to `last`."""
        return tuple(int(at) for at in self.changes[1:] if first <= at <= last)

    def utc(self, wall: int) -> tuple[int, ...]:
        """Moments [s, UTC] at which the wall shows `wall`: none in the missing hour, two in the repeated one.

        Parameters: wall-clock seconds. Returns: moments ascending.
        """
        found = {wall - int(offset) for offset in set(self.offsets.tolist()) if int(self.offset(wall - int(offset))) == int(offset)}
        return tuple(sorted(found))

    def text(self, utc: int) -> str:
        """A moment [s, UTC] in ISO 8601 by the wall clock with its offset."""
        zone = datetime.timezone(datetime.timedelta(seconds=int(self.offset(utc))))
        return datetime.datetime.fromtimestamp(int(utc), zone).isoformat(timespec="seconds")


def fixed(offset_s: int, name: str = "") -> Clock:
    """A clock without daylight saving. Parameters: offset [s east of UTC]."""
    sign, rest = ("-" if offset_s < 0 else "+"), abs(offset_s)
    label = name or ("UTC" if offset_s == 0 else f"UTC{sign}{rest // 3600:02d}:{rest % 3600 // 60:02d}")
    return Clock(label, offset_s, np.array([np.iinfo(np.int64).min]), np.array([offset_s]))


def zone(name: str) -> Clock:
    """The clock of a named time zone. Errors: ZoneInfoNotFoundError or ValueError for a name that there is not."""
    from zoneinfo import ZoneInfo

    if name.lower() in ("utc", "z"):
        return fixed(0)
    place = ZoneInfo(name)
    start = int(datetime.datetime(FIRST_YEAR, 1, 1, tzinfo=datetime.UTC).timestamp())
    stop = int(datetime.datetime(LAST_YEAR, 1, 1, tzinfo=datetime.UTC).timestamp())

    def at(moment: int) -> int:
        return int(datetime.datetime.fromtimestamp(moment, place).utcoffset().total_seconds())

    changes, offsets = [np.iinfo(np.int64).min], [at(start)]
    step = 14 * 86400
    for low in range(start, stop, step):
        if at(low + step) == offsets[-1]:
            continue
        left, right = low, low + step
        while right - left > 1:
            middle = (left + right) // 2
            left, right = (middle, right) if at(middle) == offsets[-1] else (left, middle)
        changes.append(right)
        offsets.append(at(right))
    winter = (
        datetime.datetime(2026, 1, 15, tzinfo=datetime.UTC).timestamp(),
        datetime.datetime(2026, 7, 15, tzinfo=datetime.UTC).timestamp(),
    )
    standard = min(at(int(moment)) for moment in winter)
    return Clock(name, standard, np.array(changes, dtype=np.int64), np.array(offsets, dtype=np.int64))


@dataclass(frozen=True, slots=True)
class DstRule:
    """One rule of ESPI: when daylight saving starts or ends in a year, by the wall clock then in force."""

    month: int
    operator: int
    day: int
    weekday: int
    hour: int
    second: int

    def wall(self, year: int) -> int:
        """Wall-clock seconds of the change in a year. Errors: ValueError where the rule names no day of it."""
        days = calendar.monthrange(year, self.month)[1]
        if self.operator == 0:
            day = self.day
        elif self.operator == 1:
            day = self.day + (self.weekday - 1 - calendar.weekday(year, self.month, self.day)) % 7
        else:
            first = 1 + (self.weekday - 1 - calendar.weekday(year, self.month, 1)) % 7
            day = first + 7 * (self.operator - 2)
            if self.operator == 7:
                day = first + 7 * ((days - first) // 7)
        if not 1 <= day <= days:
            raise ValueError(f"the rule names day {day} of month {self.month} in {year}")
        midnight = int(datetime.datetime(year, self.month, day, tzinfo=datetime.UTC).timestamp())
        return midnight + self.hour * 3600 + self.second


def decode_rule(text: str) -> DstRule | None:
    """A daylight-saving rule from its hexadecimal bit field; None where it says that there is none.

    Bits 0-11 second of the hour, 12-16 hour, 17-19 day of week (Monday 1), 20-24 day of month, 25-27
    operator (0 day of month, 1 weekday on or after it, 2-6 first to fifth weekday, 7 last), 28-31 month.
    Errors: ValueError for a text or a field that no rule can have. Source: NAESB ESPI usage schema, DstRuleType.
    """
    bits = int(text.strip(), 16)
    if bits == DISABLED:
        return None
    if not 0 <= bits < DISABLED:
        raise ValueError(f"{text!r} has more than 32 bits")
    rule = DstRule(
        month=bits >> 28 & 0xF,
        operator=bits >> 25 & 0x7,
        day=bits >> 20 & 0x1F,
        weekday=bits >> 17 & 0x7,
        hour=bits >> 12 & 0x1F,
        second=bits & 0xFFF,
    )
    if not 1 <= rule.month <= 12:
        raise ValueError(f"{text!r} names month {rule.month}")
    if rule.hour > 23 or rule.second > 3599:
        raise ValueError(f"{text!r} names hour {rule.hour} and second {rule.second}")
    if rule.operator <= 1 and rule.day == 0:
        raise ValueError(f"{text!r} names no day of the month")
    if rule.operator >= 1 and rule.weekday == 0:
        raise ValueError(f"{text!r} names no day of the week")
    return rule


def by_rules(standard_s: int, saving_s: int, start: DstRule | None, end: DstRule | None) -> Clock:
    """The clock of a feed's local time parameters. Parameters: offset without and addition with daylight saving [s].

    The start is read on the clock without, the end on the clock with daylight saving. Source: NAESB ESPI.
    """
    if start is None or end is None or saving_s == 0:
        return fixed(standard_s)
    moves: list[tuple[int, int]] = []
    for year in range(FIRST_YEAR, LAST_YEAR):
        moves.append((start.wall(year) - standard_s, standard_s + saving_s))
        moves.append((end.wall(year) - standard_s - saving_s, standard_s))
    moves.sort()
    first = standard_s if moves[0][1] != standard_s else standard_s + saving_s
    changes: Sequence[int] = [np.iinfo(np.int64).min, *(at for at, _ in moves)]
    name = f"{fixed(standard_s).name} with the feed's daylight-saving rules"
    return Clock(name, standard_s, np.array(changes, dtype=np.int64), np.array([first, *(offset for _, offset in moves)], dtype=np.int64))
