"""What the report of a record lists: gaps, marked ranges, contradictions, clock changes, runs, sums."""

from __future__ import annotations

from dataclasses import dataclass

from workbook_lib.records.record import Mark, Summary

AGREES, AGREES_FRAC = 0.5, 1e-6
"""A stated sum agrees with the counted one within half a unit (it is printed in whole units), or this part of it."""


@dataclass(frozen=True, slots=True)
class Gap:
    """Time without a reading that counts, from start to end [s, UTC]; whether it is just the hour before or after a clock change.

    `marked`: kinds of the marked ranges in it, in words; empty where no reading was made at all.
    """

    start: int
    end: int
    at_clock_change: bool
    marked: str = ""


@dataclass(frozen=True, slots=True)
class Marked:
    """A marked range, how many readings it touches [count], and whether the highest reading is one of them."""

    mark: Mark
    readings_count: int
    holds_highest: bool


@dataclass(frozen=True, slots=True)
class Contradiction:
    """Several readings of one start [s, UTC] and length [s] that differ: their amounts [unit h], ascending."""

    start: int
    length: int
    amounts: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class ClockChange:
    """What a record does where the clock is put forward or back, at [s, UTC]."""

    at: int
    kind: str
    words: str
    regular: bool = True


@dataclass(frozen=True, slots=True)
class Run:
    """Readings in a row of one amount [unit h], from start to end [s, UTC]."""

    start: int
    end: int
    count: int
    amount: float


@dataclass(frozen=True, slots=True)
class Reconciliation:
    """A sum that the file states against the one counted [unit h]; difference is counted less stated."""

    summary: Summary
    counted: float
    difference: float

    @property
    def agrees(self) -> bool:
        """Whether the two are equal within what printing in whole units hides."""
        return abs(self.difference) <= max(AGREES, AGREES_FRAC * abs(self.summary.amount))
