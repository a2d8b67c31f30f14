"""One record of metered intervals: what every reader gives and every study takes.

Times are seconds since 1970-01-01 in UTC; the local clock stands beside them. A record is immutable
and holds the readings as they were read: nothing is repaired, joined or left out here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np

from workbook_lib.records.clock import Clock

NOT_STATED = -1
"""Quality of a reading of which the file says nothing."""
VALID, MANUAL, ESTIMATED_REFERENCE_DAY, ESTIMATED_LINEAR, QUESTIONABLE, DERIVED, PROJECTED, MIXED, RAW = 0, 7, 8, 9, 10, 11, 12, 13, 14
"""Quality codes of NAESB ESPI (usage schema, QualityOfReading); a table's marks are put into the same codes."""
QUALITY_WORDS: Mapping[int, str] = MappingProxyType(
    {
        NOT_STATED: "not stated in the file",
        VALID: "valid",
        MANUAL: "edited by hand",
        ESTIMATED_REFERENCE_DAY: "estimated from a reference day",
        ESTIMATED_LINEAR: "estimated by interpolation",
        QUESTIONABLE: "questionable",
        DERIVED: "derived",
        PROJECTED: "projected",
        MIXED: "mixed",
        RAW: "raw",
        15: "normalised for weather",
        16: "other",
        17: "validated",
        18: "verified",
        19: "revenue quality",
    }
)
ESTIMATED = (ESTIMATED_REFERENCE_DAY, ESTIMATED_LINEAR, QUESTIONABLE, DERIVED, PROJECTED, MIXED)
"""Codes of readings that the meter did not measure, or not surely."""

AVERAGE, SAMPLED = "average", "sampled"
"""What a reading's amount over its length is: an average, or one sample at an instant held for it."""

DELIVERED, RECEIVED, NET, TOTAL, GROSS = "delivered", "received", "net", "total", "gross"
"""Registers: delivered to the home, received from it, their difference, their sum, and the home's own use."""

Progress = Callable[[float], None]
"""Called with the part of a file [-] that has been read."""


@dataclass(frozen=True, slots=True)
class Decision:
    """One thing that a reader took: what, and why (declared in the site file, or what in the file says so)."""

    what: str
    why: str


@dataclass(frozen=True, slots=True)
class Declared:
    """What the site file says of a record file. `field` is its key path, for faults; None where it says nothing.

    `interval_s` [s]; `power_factor` is not a reader's matter. `first_start` is the local time of the
    first interval of a file without dates (`2016-07-31T23:00`), read in order on that calendar.
    `channel` names one of several channels of a feed.
    """

    field: str = "records.load"
    register: str | None = None
    channel: str | None = None
    time_column: str | None = None
    value_column: str | None = None
    received_column: str | None = None
    leg_columns: tuple[str, ...] = ()
    unit: str | None = None
    interval_s: float | None = None
    stamp: str | None = None
    clock: str | None = None
    multiplier: float | None = None
    date_order: str | None = None
    decimal: str | None = None
    encoding: str | None = None
    first_start: str | None = None

    def table_only(self) -> tuple[str, ...]:
        """Names of given fields that only a table file can take."""
        names = ("time_column", "value_column", "received_column", "leg_columns", "unit", "interval_s", "stamp", "clock", "multiplier")
        names += ("date_order", "decimal", "encoding", "first_start")
        return tuple(name.removesuffix("_s") for name in names if getattr(self, name) not in (None, ()))


@dataclass(frozen=True, slots=True)
class Summary:
    """A total that the file itself states: amount [unit h], from, to [s, UTC; None where not said], what it is called."""

    amount: float
    unit: str
    start: int | None
    end: int | None
    name: str


@dataclass(frozen=True, slots=True)
class Period:
    """The part of a file that is used, from `begins` up to `ends` [s, UTC; None where not said].

    `left_count` readings were left out [count]. Of the whole file, as it was read: `highest_rate`, its highest reading, and
    `quarter_rate`, its highest average over a quarter hour, None where no readings fill one [W, VA or A].
    """

    begins: int | None
    ends: int | None
    left_count: int
    highest_rate: float
    quarter_rate: float | None


@dataclass(frozen=True, slots=True)
class Mark:
    """A range that the site file marks, from `begins` up to `ends` [s, UTC]: `kind` vacant or outage, and the reason it gives."""

    begins: int
    ends: int
    kind: str
    reason: str


@dataclass(frozen=True, eq=False)
class Record:
    """Metered intervals of one channel, in the order of the file.

    `start` [s, UTC], `length` [s] and `amount` [unit times hours], each of shape (n,); `quality` the ESPI
    code of each reading; `unit` Wh, VAh or Ah. `legs`: amounts by leg where the file has them apart
    (then `amount` is their sum for Wh and VAh, and the larger leg for Ah). `basis`: average or sampled.
    `register`: delivered, received, net, total, gross. `received`: amounts of the reverse direction on the
    same intervals where the file has them, None where it says nothing; `received_apart`: what it says of energy
    given back that fits no interval of the load, in words. `decisions`: what the reader took
    and why. `dropped`: rows that were left out, with the reason and how many. `summaries`: totals that the
    file states. `period`: what part of the file it is, None for the whole; `marks`: ranges in it that are marked. Their
    readings stand in the record; coverage, days and series leave them out.
    Errors: ValueError if shapes differ or an array is not one-dimensional.
    """

    start: np.ndarray
    length: np.ndarray
    amount: np.ndarray
    quality: np.ndarray
    unit: str
    clock: Clock
    register: str = DELIVERED
    basis: str = AVERAGE
    legs: Mapping[str, np.ndarray] = field(default_factory=dict)
    received: np.ndarray | None = None
    received_apart: tuple[str, ...] = ()
    file: str = ""
    channel: str = ""
    decisions: tuple[Decision, ...] = ()
    dropped: tuple[tuple[str, int], ...] = ()
    summaries: tuple[Summary, ...] = ()
    period: Period | None = None
    marks: tuple[Mark, ...] = ()

    def __post_init__(self) -> None:
        if self.unit not in ("Wh", "VAh", "Ah"):
            raise ValueError(f"unit {self.unit!r} of a record is not Wh, VAh or Ah")
        kinds = {"start": np.int64, "length": np.int64, "amount": np.float64, "quality": np.int16}
        for name, kind in kinds.items():
            object.__setattr__(self, name, _frozen(getattr(self, name), kind))
        if self.received is not None:
            object.__setattr__(self, "received", _frozen(self.received, np.float64))
        object.__setattr__(self, "legs", MappingProxyType({leg: _frozen(values, np.float64) for leg, values in self.legs.items()}))
        arrays = [self.start, self.length, self.amount, self.quality, *self.legs.values()]
        arrays += [] if self.received is None else [self.received]
        if any(array.shape != self.start.shape for array in arrays):
            raise ValueError("the arrays of a record differ in shape")

    def __len__(self) -> int:
        return len(self.start)

    def keeping(self, kept: np.ndarray) -> Record:
        """Some readings of the record, all else as it stands. Parameters: booleans of shape (n,), or indices in order. Returns: Record."""
        return replace(
            self,
            start=self.start[kept],
            length=self.length[kept],
            amount=self.amount[kept],
            quality=self.quality[kept],
            legs={leg: values[kept] for leg, values in self.legs.items()},
            received=None if self.received is None else self.received[kept],
        )

    @property
    def end(self) -> np.ndarray:
        """End of each reading [s, UTC]."""
        return self.start + self.length

    @property
    def rate(self) -> np.ndarray:
        """Average over each reading [W, VA or A]."""
        return self.amount * 3600.0 / self.length

    @property
    def rate_unit(self) -> str:
        """Unit of `rate`: W, VA or A."""
        return self.unit.removesuffix("h")


def _frozen(values: Iterable, kind: type) -> np.ndarray:
    array = np.array(values, dtype=kind)
    if array.ndim != 1:
        raise ValueError("an array of a record is not one-dimensional")
    array.setflags(write=False)
    return array
