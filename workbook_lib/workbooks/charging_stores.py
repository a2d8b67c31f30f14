"""Storage that charges from the service beside the vehicles: at what current, how much a day, and held by which control."""

from __future__ import annotations

import math

from workbook_lib.errors import MissingInput
from workbook_lib.sheet import Assumption
from workbook_lib.workbooks.charging_work import Work, held_by
from workbook_lib.workbooks.prepare import has_array, text

KINDS = ("storage-inverter", "multimode-inverter")
ANSWERS_S = 5.0
"""After this a store follows its control [s]: it is not stated anywhere, and taken as that of a vehicle."""


def charging(work: Work) -> list:
    """Inverters whose stores charge from the service on an ordinary day. Errors: MissingInput of what says whether they do."""
    found = []
    for one in work.standing("source"):
        if one.kind not in KINDS:
            continue
        if one.charges_from is None:
            raise MissingInput([f"source.{one.id}.charges_from"], "whether the store charges from the service beside the vehicles")
        alone = text(one.charges_from) == "solar-only" and has_array(work.home)
        if alone or not _stores(work, one):
            continue
        if all(text(each.operation) == "hold-full" for each in _stores(work, one)):
            words = f"{one.id} is kept full: what it loses by itself is not in the runs"
            work.assumptions.append(Assumption(f"source.{one.id}.charges_from", words))
            continue
        if one.input_current is None:
            raise MissingInput([f"source.{one.id}.input_current"], "the current at which the store charges from the service")
        if one.input_current.value > 0:
            found.append(one)
    return found


def held(work: Work, row) -> list:
    """Those that a control holds, by their inverter or by the store itself."""
    names = held_by(row)
    return [one for one in charging(work) if one.id in names or names & {each.id for each in _stores(work, one)}]


def free(work: Work, row) -> list:
    """Those that the control of the service does not hold."""
    mine = {one.id for one in held(work, row)} if row is not None else set()
    return [one for one in charging(work) if one.id not in mine]


def _stores(work: Work, source) -> list:
    return [one for one in work.standing("storage") if one.inverter == source.id]


def store(source):
    """A store as the engine takes it: any current up to its own, and all of it where a signal is lost and nothing else is stated."""
    from workbook_lib.simulate.charging import Vehicle

    most = source.input_current.value * source.count.value
    fallback = source.fallback_current.value * source.count.value if source.fallback_current is not None else most
    return Vehicle(most, ANSWERS_S, floor_a=0.0, fallback_a=min(fallback, most))


def day(work: Work, source) -> tuple[float, float]:
    """When a store begins to charge [s after midnight] and what it takes a day [kWh]: one full cycle. Errors: MissingInput."""
    stores = _stores(work, source)
    lacking = [f"storage.{one.id}.energy" for one in stores if one.energy is None]
    if lacking:
        raise MissingInput(lacking, "how much the store takes from the service beside the vehicles")
    total = 0.0
    for one in stores:
        usable = one.usable_fraction.value if one.usable_fraction is not None else 1.0
        both = one.roundtrip_efficiency.value if one.roundtrip_efficiency is not None else 1.0
        total += one.energy.value * one.count.value * usable / math.sqrt(both)
    ends = [one.discharge_until.value for one in stores if one.discharge_until is not None]
    begin = ends[0] if ends else 0.0
    clock = f"{int(begin) // 3600:02d}:{int(begin) % 3600 // 60:02d}"
    words = f"its store takes one full cycle a day, {total:.1f} kWh from {clock} on"
    words += "" if source.fallback_current is not None else ", and on a lost signal goes on at its whole current"
    if all(one.field != f"source.{source.id}.input_current" for one in work.assumptions):
        work.assumptions.append(Assumption(f"source.{source.id}.input_current", words))
    return begin, total
