"""Equal steps of a year in local standard time: where each stands in the calendar, and how files of other steps are laid on them."""

from __future__ import annotations

import datetime
from dataclasses import dataclass

import numpy as np

from workbook_lib.errors import CalculationFault

DAY_S = 86400
ORDINARY = 2023
"""A year without 29 February, where no dates are known."""


@dataclass(frozen=True)
class Steps:
    """Steps of a year, arrays of shape (n,).

    `month` 1 to 12, `day` of the month, `hour` at the beginning of each step by local standard time; `slot` the step of an ordinary
    year at the same place in the calendar, 29 February as the 28th; `step_s` [s]; `begin` [s UTC], None where there are no dates.
    """

    month: np.ndarray
    day: np.ndarray
    hour: np.ndarray
    slot: np.ndarray
    step_s: int
    begin: np.ndarray | None = None

    def __len__(self) -> int:
        return len(self.month)

    @property
    def step_h(self) -> float:
        """Length of a step [h]."""
        return self.step_s / 3600.0


def dated(first_s: int, standard_s: int, step_s: int, count: int) -> Steps:
    """Steps from a moment on. Parameters: first_s [s UTC], standard_s east of UTC [s], step_s [s], count. Returns: Steps."""
    begin = first_s + step_s * np.arange(count, dtype=np.int64)
    wall = (begin + standard_s).astype("datetime64[s]")
    return _placed(wall, step_s, begin)


def undated(step_s: int) -> Steps:
    """Steps of an ordinary year. Parameters: step_s [s]. Returns: Steps."""
    first = np.datetime64(f"{ORDINARY}-01-01T00:00:00", "s")
    return _placed(first + np.arange(365 * DAY_S // step_s) * np.timedelta64(step_s, "s"), step_s, None)


def _placed(wall: np.ndarray, step_s: int, begin: np.ndarray | None) -> Steps:
    months, days = wall.astype("datetime64[M]"), wall.astype("datetime64[D]")
    month = months.astype(np.int64) % 12 + 1
    day = (days - months.astype("datetime64[D]")).astype(np.int64) + 1
    second = (wall - days.astype("datetime64[s]")).astype(np.int64)
    return Steps(month, day, second / 3600.0, slot(month, day, second // step_s, step_s), step_s, begin)


def slot(month: np.ndarray, day: np.ndarray, of_day: np.ndarray, step_s: int) -> np.ndarray:
    """Step of an ordinary year, 29 February as the 28th. Parameters: month, day, step of the day, step_s [s]. Returns: places."""
    starts = np.array([datetime.date(ORDINARY, one, 1).timetuple().tm_yday - 1 for one in range(1, 13)])
    day = np.where((month == 2) & (day == 29), 28, day)
    return (starts[month - 1] + day - 1) * (DAY_S // step_s) + of_day


def window(steps: Steps, from_s: float, until_s: float) -> np.ndarray:
    """Part of each step that lies in a window of the day, across midnight where it ends before it begins.

    Parameters: steps, from_s, until_s after midnight [s]; the same for both is the whole day. Returns: shape (n,) [-].
    """
    low = steps.hour * 3600.0
    high = low + steps.step_s
    ends = until_s if until_s > from_s else until_s + DAY_S
    inside = np.zeros(len(steps))
    for shift in (-DAY_S, 0, DAY_S):
        inside += np.clip(np.minimum(high, ends + shift) - np.maximum(low, from_s + shift), 0.0, None)
    return np.minimum(inside / steps.step_s, 1.0)


def laid(values: np.ndarray, places: np.ndarray, length_s: int, steps: Steps, where: str) -> np.ndarray:
    """Values of a year at places of an ordinary one, laid on steps of the same length by month, day and hour.

    Parameters: values shape (m,), their places (`slot`), length_s [s], steps, where (file, for faults). Returns: shape (n,).
    Errors: CalculationFault where some step of the year has no value or lengths differ.
    """
    if length_s != steps.step_s:
        raise CalculationFault("steps of two lengths", value=f"{length_s} s and {steps.step_s} s", where=where)
    year = np.full(365 * DAY_S // length_s, np.nan)
    year[places] = values
    found = year[steps.slot]
    if np.isnan(found).any():
        count = int(np.isnan(found).sum())
        raise CalculationFault("hours of the year are missing", value=f"{count} steps", limit="every step of a year", where=where)
    return found
