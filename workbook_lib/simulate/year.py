"""A year with the grid on: the charge of a store at every moment, by the way it is operated."""

from __future__ import annotations

import numba
import numpy as np

from workbook_lib.errors import CalculationFault
from workbook_lib.simulate.outage import SNAP_KWH, Store

OPERATIONS = ("hold-full", "self-consumption", "time-of-use")


@numba.njit(cache=True, nogil=True)
def _year(x, load, sun, hours, capacity, eta_c, eta_d, charge_kw, discharge_kw, least, may_discharge, from_grid, charge):
    """Charge at the beginning of each interval [kWh]; returns that after the last."""
    for at in range(load.shape[0]):
        charge[at] = x
        place = min(int(x / capacity * 100.0 + 1e-9), 100) if capacity > 0.0 else 0
        net = load[at] - sun[at]
        if net < 0.0:
            x += min(min(-net, charge_kw[place]) * eta_c * hours, capacity - x)
            if x >= capacity - SNAP_KWH:
                x = capacity
        elif from_grid and not may_discharge[at]:
            x += min(charge_kw[place] * eta_c * hours, capacity - x)
            if x >= capacity - SNAP_KWH:
                x = capacity
        elif may_discharge[at] and x > least:
            x -= min(min(net, discharge_kw[place]) / eta_d * hours, x - least)
    return x


def baseline(
    load_kw: np.ndarray,
    sun_kw: np.ndarray,
    step_h: float,
    store: Store,
    operation: str,
    reserve_frac: float,
    window: np.ndarray | None = None,
    from_grid: bool = False,
) -> np.ndarray:
    """Charge of a store at the beginning of every interval of a year with the grid on.

    `hold-full` keeps it full; `self-consumption` charges from surplus sun and covers load down to the reserve; `time-of-use` does so
    in the window alone, and with `from_grid` charges at its power outside it, whatever the sun does. The year begins with the charge
    with which it ends. The grid carries standby and leakage.
    Parameters: load_kw, sun_kw shape (n,) [kW], step_h [h], reserve_frac of the capacity [-], window shape (n,) true where it may
    discharge. Returns: shape (n,) [kWh]. Errors: CalculationFault for an unknown operation. Source: energy balance.
    """
    if operation not in OPERATIONS:
        raise CalculationFault("unknown operation of a store", value=operation, limit=", ".join(OPERATIONS), where="baseline")
    charge = np.full(len(load_kw), store.capacity_kwh)
    if operation == "hold-full":
        return charge
    allowed = np.ones(len(load_kw), dtype=np.bool_) if window is None else np.ascontiguousarray(window, dtype=np.bool_)
    load, sun = (np.ascontiguousarray(one, dtype=np.float64) for one in (load_kw, sun_kw))
    x = store.capacity_kwh
    for _ in range(4):
        before = x
        x = _year(
            before, load, sun, step_h, store.capacity_kwh, store.charge_efficiency, store.discharge_efficiency, store.charge_kw,
            store.discharge_kw, reserve_frac * store.capacity_kwh, allowed, from_grid, charge,
        )  # fmt: skip
        if abs(x - before) < SNAP_KWH:
            break
    return charge
