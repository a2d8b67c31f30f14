"""What came of a charging run: time above a setting, starts, nights; when vehicles are plugged in; where a lost signal hurts most."""

from __future__ import annotations

from dataclasses import dataclass

import numba
import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from workbook_lib.errors import CalculationFault

TINY_A = 1e-6
TINY_KWH = 1e-6


def sessions(count: int, begins: np.ndarray, ends: np.ndarray, plugged: np.ndarray | None = None) -> np.ndarray:
    """Number of the night at each step.

    Parameters: count of steps; begins, ends of each night in steps from the first, which may lie before it or after the last: such a
    night is cut; plugged by night, None for every one. Returns: shape (count,), -1 where nothing is plugged in. Errors: CalculationFault
    where a night ends before it begins, begins before the one ahead ends, or has no word whether the vehicle is there. Source: definition.
    """
    if not len(begins) == len(ends) == (len(begins) if plugged is None else len(plugged)):
        raise CalculationFault("nights without word whether the vehicle is plugged in", value=f"{len(begins)} nights", where="sessions")
    if (np.asarray(ends) <= begins).any() or (np.asarray(begins)[1:] < ends[:-1]).any():
        raise CalculationFault("nights that end before they begin or lie over each other", value=f"{len(begins)} nights", where="sessions")
    found = np.full(count, -1)
    for number, (begin, end) in enumerate(zip(begins, ends, strict=True)):
        if plugged is None or plugged[number]:
            found[max(begin, 0) : max(end, 0)] = number
    return found


@dataclass(frozen=True)
class Excursions:
    """Time of a service above a setting: in all and the longest [s], ampere-seconds of all and of the worst, highest current [A].

    `worst_at` is the first step of the excursion of most ampere-seconds, None where there is none.
    """

    time_s: float
    longest_s: float
    overshoot_as: float
    worst_as: float
    peak_a: float
    worst_at: int | None


def excursions(service_a: np.ndarray, setting_a: float, step_s: float, least_a: float = TINY_A) -> Excursions:
    """Excursions of a service above a setting.

    Parameters: service_a shape (n,) [A], setting_a [A], step_s [s], least_a above the setting that counts [A]. Returns: Excursions.
    Errors: CalculationFault for an empty or broken current. Source: sums over steps, within which the current is constant.
    """
    service = np.asarray(service_a, dtype=np.float64)
    if not len(service) or not np.isfinite(service).all():
        raise CalculationFault("a service current that is empty or no number", value=len(service), where="excursions")
    steps, longest, over_as, worst_as, peak, worst_at = _passed(service, setting_a, least_a, step_s)
    return Excursions(steps * step_s, longest * step_s, over_as, worst_as, peak, worst_at if steps else None)


@numba.njit(cache=True, nogil=True, error_model="numpy")
def _passed(service, setting, least, step):
    """Steps above a setting, the longest run of them, ampere-seconds of all and of the worst run, highest current, where the worst begins.

    Ampere-seconds of a run are told as a difference of those from the first step on.
    """
    count, longest, begun, worst_at = 0, 0, -1, -1
    held, at_begin, worst, peak = 0.0, 0.0, 0.0, service[0]
    for at in range(len(service) + 1):
        over = service[at] - setting if at < len(service) else -np.inf
        if at < len(service):
            peak = max(peak, service[at])
        if over > least:
            if begun < 0:
                begun, at_begin = at, held
            held += over
            count += 1
        elif begun >= 0:
            longest = max(longest, at - begun)
            spent = held * step - at_begin * step
            if worst_at < 0 or spent > worst:
                worst, worst_at = spent, begun
            begun = -1
    return count, longest, held * step, worst, peak, worst_at


def starts(vehicle_a: np.ndarray) -> np.ndarray:
    """Steps at which a charger begins to charge. Parameters: shape (n,) [A]. Returns: indices. Source: definition."""
    runs = np.asarray(vehicle_a) > TINY_A
    return np.flatnonzero(runs & ~np.concatenate([[False], runs[:-1]]))


def most_starts(vehicle_a: np.ndarray, step_s: float, window_s: float) -> int:
    """Most starts within any window that long. Parameters: shape (n,) [A], step_s, window_s [s]. Returns: count. Source: definition."""
    at = starts(vehicle_a) * step_s
    return int((np.searchsorted(at, at + window_s - 1e-9) - np.arange(len(at))).max(initial=0))


@dataclass(frozen=True)
class Nights:
    """Nights of one vehicle: how many, how many met, longest run of missed ones, energy missed in all [kWh]; share is met over all."""

    count: int
    met: int
    longest_missed: int
    missed_kwh: float

    @property
    def share(self) -> float:
        """Share of nights that met the need [-]."""
        return self.met / self.count


def nights(energy_kwh: np.ndarray, need_kwh: np.ndarray, plugged: np.ndarray | None = None) -> Nights:
    """Which nights met their need.

    Parameters: energy_kwh, need_kwh shape (k,) [kWh]; plugged by night, None for every one: a night without the vehicle is not
    counted. Returns: Nights. Errors: CalculationFault where there is no night. Source: definition.
    """
    keep = np.ones(len(need_kwh), dtype=bool) if plugged is None else np.asarray(plugged, dtype=bool)[: len(need_kwh)]
    got, need = np.asarray(energy_kwh)[keep], np.asarray(need_kwh)[keep]
    if not len(need):
        raise CalculationFault("no night to judge", where="nights")
    missed = got < need - TINY_KWH
    edges = np.flatnonzero(np.diff(np.concatenate([[False], missed, [False]]).astype(np.int8)))
    longest = int((edges[1::2] - edges[::2]).max(initial=0))
    return Nights(len(need), int((~missed).sum()), longest, float(np.maximum(need - got, 0.0)[missed].sum()))


def worst_loss(house_a: np.ndarray, vehicle_a: np.ndarray, blind_s: float, step_s: float) -> tuple[int, float]:
    """When a lost sensor brings the service highest: the vehicles go on as they are while the house does what it did.

    Parameters: house_a, vehicle_a (all vehicles) shape (n,) [A]; blind_s until the fallback is drawn [s]; step_s [s]. Returns: step at
    which the loss begins and the highest current until the fallback [A]. Errors: CalculationFault where no vehicle charges or the
    time is shorter than that. Source: search of every step.
    """
    house, vehicle = np.asarray(house_a, dtype=np.float64), np.asarray(vehicle_a, dtype=np.float64)
    window = int(np.ceil(blind_s / step_s - 1e-9)) + 1
    if window > len(house) or not (vehicle > TINY_A).any():
        raise CalculationFault("no moment to lose the sensor at", value=f"{len(house)} steps", limit=f"{window} with charging")
    reach = sliding_window_view(house, window).max(axis=1) + vehicle[: len(house) - window + 1]
    reach[vehicle[: len(reach)] <= TINY_A] = -np.inf
    at = int(np.argmax(reach))
    return at, float(reach[at])
