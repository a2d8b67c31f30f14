"""Answers of a sweep of outages: what share of the starts reach, and how much storage a promise needs."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from workbook_lib.errors import CalculationFault

GUARD_H = 1e-9
GRAIN = 0.1
"""Step of the storage that is asked for [kWh]."""
MORE = (1.02, 1.05, 1.1, 1.2, 1.5, 2.0)
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


def needed(holds: Callable[[float], bool], most_kwh: float) -> tuple[float, bool] | None:
    """The least storage that keeps a promise, in steps of 0.1 kWh, and whether more of it always does.

    `holds` is asked for sizes [kWh]. With tiers more storage may keep it less long: sought by halves, then upward from 2 kWh below,
    so that the answer is the first of a run that is tried one by one. Parameters: most_kwh [kWh]. Returns: [kWh] and whether every
    larger size that was tried holds; None where the largest does not.
    """
    known: dict[int, bool] = {}

    def at(grains: int) -> bool:
        if grains not in known:
            known[grains] = bool(holds(grains * GRAIN))
        return known[grains]

    if most_kwh < GRAIN:
        raise CalculationFault("a largest size below one step", value=f"{most_kwh} kWh", where="needed")
    high = 10
    ceiling = math.floor(most_kwh / GRAIN + 1e-9)
    while not at(min(high, ceiling)):
        if high >= ceiling:
            return None
        high *= 2
    low, high = 0, min(high, ceiling)
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if at(middle) else (middle, high)
    first = next(grains for grains in range(max(1, high - 20), high + 1) if at(grains))
    larger = all(at(min(ceiling, math.ceil(first * factor))) for factor in MORE)
    return first * GRAIN, larger
