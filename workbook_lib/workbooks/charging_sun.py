"""Charging beside an array: what the sun adds to the room, what is fed back, and what the export limit holds back.

Nothing of it stands in a check: currents and nights are judged without the sun, which a cloud takes away within seconds.
"""

from __future__ import annotations

from dataclasses import replace

from workbook_lib.errors import InputFault, MissingInput
from workbook_lib.sheet import Section, Table
from workbook_lib.workbooks import backup_sun
from workbook_lib.workbooks.charging_results import Answers
from workbook_lib.workbooks.charging_runs import MINUTE_S, minutes
from workbook_lib.workbooks.charging_work import Work, simulated
from workbook_lib.workbooks.prepare import root_panels, standing_controls, text

MINUTES = 60
VOLTS = 240.0


def beside(work: Work, found: Answers) -> None:
    """The year once more with the sun: energy of the vehicles, import, export under its limit, what is held back."""
    house = found.year.house
    arrays = _arrays(work, house)
    if not arrays or not house.known:
        return
    before = len(work.checks)
    try:
        sun_a = _amperes(work, house, arrays)
    except MissingInput as lack:
        work.not_checked.append(f"charging with the sun: {lack}")
        return
    except InputFault as fault:  # no check rests on the sun: a broken weather file is told and stops nothing here
        work.not_checked.append(f"charging with the sun: {fault.faults[0].field}: {fault.faults[0].what}")
        return
    work.checks[before:] = [replace(check, counts=False) for check in work.checks[before:]]  # no check rests on the sun
    _told(work, found, sun_a)


def _arrays(work: Work, house) -> list:
    """Sources whose sun is not in the house load: with a record that holds what the home took, those that this work adds."""
    every = [one for one in work.standing("source") if one.array or one.kind == "pv-inverter"]
    if house.begin_s is None:
        return every
    return [one for one in every if one.status == "added"]


def _amperes(work: Work, house, arrays):
    """Current of the arrays by minute on both legs [A]."""
    import numpy as np

    return np.repeat(backup_sun.of_home(work, house.hours(), arrays) * (1000.0 / VOLTS), MINUTES)


def export_limit(work: Work) -> tuple[str, float] | None:
    """The lowest setting of a control that limits what goes back through the service [A]; None where there is none."""
    places = {"service", *(panel.id for panel in root_panels(work.home))} if len(root_panels(work.home)) == 1 else {"service"}
    limits = [
        (row.id, float(bound.setting.value))
        for row in standing_controls(work.home)
        for bound in row.limit
        if text(bound.way) == "export" and bound.at in places and bound.setting is not None
    ]
    return min(limits, key=lambda pair: pair[1], default=None)


def _told(work: Work, found: Answers, sun_a) -> None:
    import numpy as np

    one, limit = found.year, export_limit(work)
    most = limit[1] if limit is not None else np.inf
    rows, scale = [], VOLTS * MINUTE_S / 3.6e6
    for name, sun in (("without the sun", np.zeros_like(sun_a)), ("with the sun", sun_a)):
        ran = minutes(one, found.lead, less_a=sun)
        net = ran.service_a
        back = np.maximum(-net, 0.0)
        held = np.maximum(back - most, 0.0)
        energy = sum(float(each.sum()) for each, plan in zip(ran.energy_kwh, one.plans, strict=True) if plan.known)
        stores = sum(float(each.sum()) for each, plan in zip(ran.energy_kwh, one.plans, strict=True) if plan.store)
        taken, fed = float(np.maximum(net, 0.0).sum()) * scale, float((back - held).sum()) * scale
        rows.append((name, energy, stores, taken, fed, float((back - held).max()), float(held.sum()) * scale))
    for key, words, place, unit in (
        ("exported_energy_kwh", "energy fed back with the sun", 4, "kWh"),
        ("largest_export_a", "highest current fed back, on both legs", 5, "A"),
        ("curtailed_energy_kwh", "sun held back by the export limit", 6, "kWh"),
        ("energy_with_sun_kwh", "energy of the vehicles with the sun", 1, "kWh"),
    ):
        work.result(key, simulated(key, words, rows[1][place], unit, 1))
    columns = ("Run", "Vehicles (kWh)", "Stores (kWh)", "Taken (kWh)", "Fed back (kWh)", "Highest fed back (A)", "Held back (kWh)")
    held_by = f"{limit[0]} holds what goes back to {limit[1]:g} A" if limit is not None else "nothing limits what goes back"
    prose = f"House, vehicles and stores over {one.house.days} days at one minute, the sun on both legs; {held_by}. "
    prose += "What charges takes its place in the order of its control; no check rests on the sun. Stores give nothing back here."
    work.sections.append(Section("Import and export with the sun", (), prose, Table(columns, tuple(rows), "A year with the sun", 1)))
