"""Answers of a sweep of outages: what share of the starts reach, and how much storage a promise needs."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from workbook_lib.errors import CalculationFault

GUARD_H = 1e-9
GRAIN = 0.1
"""Step of the storage that is asked for [kWh]."""
BELOW = 2
"""So many steps below the answer of the halves are tried too, where more storage may shorten."""
MORE = (1.05, 1.2, 1.5)
"""Sizes above the answer at which it is tried whether more keeps the promise too."""


def reached(durations_h: np.ndarray, share: float) -> float:
    """The longest duration that a share of the starts reach.

    Parameters: durations_h shape (n,) [h], share [-]; of n starts the one that ceil(share n) reach, at least one. Returns: [h].
    """
    count = max(1, math.ceil(share * len(durations_h) - 1e-9))
    return float(np.partition(durations_h, len(durations_h) - count)[len(durations_h) - count])


def share_reaching(durations_h: np.ndarray, hours: float) -> float:
    """Share of the starts that last at least so long. Parameters: durations_h shape (n,) [h], hours [h]. Returns: [-]."""
    return float(np.count_nonzero(durations_h >= hours - GUARD_H)) / len(durations_h)


def needed(
    passing: Callable[[float, np.ndarray], np.ndarray], count: int, share: float, most_kwh: float, *, steady: bool
) -> tuple[float, bool] | None:
    """The least storage that keeps a promise, in steps of 0.1 kWh, and whether more of it always does.

    `passing` says of a size [kWh] and of starts, shape (m,), which of them last. It is asked in halves, and only for the starts that
    are not yet decided: where more storage never shortens (`steady`), one that lasts does so with more. Where it may (tiers, arrays
    that trip), the answer is tried on every start, with the sizes just below it, upward until it holds, and with larger ones.
    Parameters: count of starts, share [-], most_kwh [kWh]. Returns: [kWh] and whether every larger size that was tried holds; None
    where the largest does not.
    """
    if most_kwh < GRAIN:
        raise CalculationFault("a largest size below one step", value=f"{most_kwh} kWh", where="needed")
    ceiling, everyone = math.floor(most_kwh / GRAIN + 1e-9), np.arange(count)
    wanted = max(1, math.ceil(share * count - 1e-9))
    open_, sure, low, high = everyone, 0, 0, 0
    at = min(10, ceiling)
    while not high or high - low > 1:
        lasts = passing(at * GRAIN, open_)
        if sure + int(np.count_nonzero(lasts)) >= wanted:
            high, open_ = at, open_[lasts]
        elif at == ceiling:
            return None
        else:
            low, sure, open_ = at, sure + int(np.count_nonzero(lasts)), open_[~lasts]
        at = (low + high) // 2 if high else min(2 * at, ceiling)
    if steady:
        return round(high * GRAIN, 1), True

    def holds(grains: int) -> bool:
        return int(np.count_nonzero(passing(grains * GRAIN, everyone))) >= wanted

    first = next((grains for grains in range(max(1, high - BELOW), ceiling + 1) if holds(grains)), None)
    if first is None:
        return None
    return round(first * GRAIN, 1), all(holds(min(ceiling, math.ceil(first * factor))) for factor in MORE)
