"""The home's own use, rebuilt from what the meter saw and what the array produced."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from workbook_lib.errors import Fault, InputFault
from workbook_lib.records.marks import touched
from workbook_lib.records.record import DELIVERED, GROSS, NET, Decision, Record
from workbook_lib.records.report import settle

SLACK_WH = 1.0
"""Rounding of meters that is let pass below zero [Wh]: registers count in steps (common practice)."""


def rebuild(load: Record, production: Record, shown: str, field: str) -> Record:
    """Own use = delivered - received + produced, interval by interval.

    Parameters: load record (net, or delivered with what was received), production record, file and field
    for faults. Returns: Record of register gross [Wh] on the load record's intervals; production of
    shorter intervals is added up where it fills one exactly. Errors: InputFault where the intervals are
    not the same ones, units differ, or the home's own use would be negative outside of marked ranges, those of both records.
    """
    load, production = settle(load), settle(production)
    faults = _unfit(load, production, shown, field)
    if faults:
        raise InputFault(faults)
    made, filled = _summed(load, production)
    missing = np.flatnonzero(~filled)
    if missing.size:
        first = load.clock.text(int(load.start[missing[0]]))
        what = f"{missing.size} of {len(load)} intervals of the load record have no production that fills them, the first at {first}"
        todo = "give a production record on the same intervals and clock"
        raise InputFault([Fault(shown, field, "intervals of load and production are not the same", what, "every interval filled", todo)])
    given_back = load.received if load.register == DELIVERED else None
    own = load.amount + made - (0.0 if given_back is None else given_back)
    marks = (*load.marks, *production.marks)
    negative = np.flatnonzero((own < -SLACK_WH) & ~touched(marks, load.start, load.end))
    if negative.size:
        at = int(negative[np.argmin(own[negative])])
        what = f"{negative.size} intervals below zero, the lowest {own[at]:.0f} Wh at {load.clock.text(int(load.start[at]))}"
        todo = "look at clocks, directions and units of both records"
        raise InputFault([Fault(shown, field, "the home's own use would be negative", what, "zero or more", todo)])
    words = "net and production" if load.register == NET else "delivered, received and production"
    decision = Decision(f"own use rebuilt from {words}, {len(load)} intervals", "rebuild_gross in the site file")
    return replace(
        load,
        amount=np.maximum(own, 0.0),
        quality=load.quality,
        register=GROSS,
        received=None,
        legs={},
        summaries=(),
        marks=marks,
        decisions=(*load.decisions, *production.decisions, decision),
    )


def _unfit(load: Record, production: Record, shown: str, field: str) -> list[Fault]:
    faults = []
    if load.unit != "Wh" or production.unit != "Wh":
        what = f"load in {load.unit}, production in {production.unit}"
        faults.append(Fault(shown, field, "units that cannot be added", what, "Wh, kWh, W or kW in both", "give both as energy or power"))
    if load.register == DELIVERED and load.received is None:
        todo = "choose the net register, or name the received column or channel"
        faults.append(
            Fault(shown, field, "what the home gave back is not known", "delivered alone", "net, or delivered and received", todo)
        )
    elif load.register not in (DELIVERED, NET):
        faults.append(
            Fault(shown, field, "a register from which own use cannot be rebuilt", load.register, "net, or delivered", "choose it")
        )
    if (production.amount < 0).any():
        faults.append(Fault(shown, field, "negative production", f"{production.amount.min():.0f} Wh", "zero or more", "turn its sign"))
    return faults


def _summed(load: Record, production: Record) -> tuple[np.ndarray, np.ndarray]:
    """Production on the load record's intervals [Wh], and whether it fills each exactly."""
    place = np.searchsorted(load.start, production.start, side="right") - 1
    inside = (place >= 0) & (production.end <= load.end[np.maximum(place, 0)])
    made, covered = np.zeros(len(load)), np.zeros(len(load), dtype=np.int64)
    np.add.at(made, place[inside], production.amount[inside])
    np.add.at(covered, place[inside], production.length[inside])
    return made, covered == load.length
