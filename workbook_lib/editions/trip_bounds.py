"""By when a moulded-case breaker must have opened: longest times by multiple of its rating, as data and from memory.

They are maximum times: none of them says that a breaker holds, or opens, any sooner. Breakers on the market were found that do not
open at 135 % (IEEE Open Journal of Industry Applications 4, 2023, 75 to 86), so that nothing is built on them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

from workbook_lib.editions.files import ROOT, checked_status, number, records
from workbook_lib.sheet import Source


@dataclass(frozen=True, slots=True)
class TripBound:
    """A breaker of a rating above `above_a` up to `to_a` [A] must have opened within `seconds` at `multiple` of its rating."""

    multiple: float
    above_a: float
    to_a: float
    seconds: float
    source: Source


@lru_cache(maxsize=1)
def trip_bounds() -> tuple[TripBound, ...]:
    """Every bound of the file. Errors: `CalculationFault` for a row that is unsound."""
    found = []
    for row in records(ROOT / "trip_bounds.csv"):
        where = f"trip_bounds.csv: {row['multiple']} {row['to_a']}"
        values = [number(row[name], where) for name in ("multiple", "from_a", "to_a", "seconds")]
        found.append(TripBound(*values, Source(row["locator"], status=checked_status(row["status"], where), note=row["note"])))
    return tuple(found)


def bounds_of(rating_a: float) -> tuple[TripBound, ...]:
    """Bounds of one rating, by rising multiple; none for a multiple that the file has no row of. Parameters: rating [A]."""
    return tuple(sorted((one for one in trip_bounds() if one.above_a < rating_a <= one.to_a), key=lambda one: one.multiple))
