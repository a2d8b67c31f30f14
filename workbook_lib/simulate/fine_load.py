"""House load at finer steps than its record: two plain shapes that hold the same energy in every interval. A model, not a record.

`flat` spreads each interval evenly: the least that a control can meet. `blocks` draws all that the energy of an interval allows at
once, at the highest power that the running loads can take together, and the base for the rest: the most. What really happened
lies between them; seconds above a setting are known only from a record as fine as they are.
"""

from __future__ import annotations

import numpy as np

from workbook_lib.errors import CalculationFault

LABEL = "modelled within the intervals of the record, not measured"
"""What is printed beside each value that rests on these shapes."""


def _checked(energy_kwh: np.ndarray, interval_s: int, step_s: int) -> tuple[np.ndarray, int]:
    """Energy as an array and the steps of an interval. Errors: CalculationFault."""
    energy = np.ascontiguousarray(energy_kwh, dtype=np.float64)
    if step_s <= 0 or interval_s % step_s:
        what = "a step that does not divide the interval of the record"
        raise CalculationFault(what, value=f"{step_s} s in {interval_s} s", where="fine_load", todo="take a step that divides it")
    bad = np.flatnonzero(~(np.isfinite(energy) & (energy >= 0)))
    if len(bad):
        what = "an interval without energy, or with less than none, cannot be drawn finer"
        where = f"interval {bad[0]}, {len(bad)} in all"
        raise CalculationFault(what, value=f"{energy[bad[0]]}", limit="0 kWh or more", where=where, todo="leave the gap out of the study")
    return energy, interval_s // step_s


def flat(energy_kwh: np.ndarray, interval_s: int, step_s: int) -> np.ndarray:
    """The average of each interval at every step in it.

    Parameters: energy_kwh shape (n,) [kWh], interval_s, step_s [s]. Returns: shape (n * interval_s / step_s,) [kW].
    Errors: CalculationFault for a gap or a step that does not divide the interval. Source: conservation of energy.
    """
    energy, steps = _checked(energy_kwh, interval_s, step_s)
    return np.repeat(energy * (3600.0 / interval_s), steps)


def blocks(energy_kwh: np.ndarray, interval_s: int, step_s: int, base_kw: float, most_kw: float, seed: int) -> np.ndarray:
    """All that the energy of each interval allows in one block of the highest power, the base beside it.

    The block stands at a seeded place inside its interval; its last step takes the rest. An interval with an average above
    `most_kw` stays flat, one below `base_kw` too: the record governs.

    Parameters: energy_kwh shape (n,) [kWh], interval_s, step_s [s], base_kw and most_kw [kW], seed. Returns: shape
    (n * interval_s / step_s,) [kW]. Errors: CalculationFault as `flat`, and where 0 <= base_kw < most_kw does not hold.
    Source: conservation of energy.
    """
    energy, steps = _checked(energy_kwh, interval_s, step_s)
    if not 0 <= base_kw < most_kw < np.inf:
        raise CalculationFault("base and highest power of a block", value=f"{base_kw:g}, {most_kw:g} kW", limit="0 <= base < highest")
    average = energy * (3600.0 / interval_s)
    low = np.minimum(base_kw, average)
    high = np.maximum(most_kw, average)
    share = np.divide(average - low, high - low, out=np.zeros_like(average), where=high > low)
    long = share * steps
    room = steps - np.ceil(long - 1e-9).astype(np.int64)
    first = np.random.default_rng(seed).integers(0, room + 1)
    filled = np.clip(long[:, None] - (np.arange(steps)[None, :] - first[:, None]), 0.0, 1.0)
    filled[np.arange(steps)[None, :] < first[:, None]] = 0.0
    return (low[:, None] + (high - low)[:, None] * filled).ravel()
