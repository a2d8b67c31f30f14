"""The night in which most comes together, once more at one second with something going wrong."""

from __future__ import annotations

from dataclasses import dataclass, replace

from workbook_lib.workbooks.charging_fleet import STOPS_S
from workbook_lib.workbooks.charging_runs import SECONDS, Case, Ran, follow, needs_from, replaced
from workbook_lib.workbooks.charging_work import Work

LOST_S = 3600
"""How long a signal stays lost [s]."""
RUNS_S = 600
"""How long a motor runs that starts beside the charging [s]."""
START_S = 1.0
"""How long a start takes where it is not stated [s]: the shortest step of the run."""
COOLING = ("air-conditioner", "heat-pump", "room-air-conditioner")
NORMAL = "as stated"


@dataclass(frozen=True)
class Tried:
    """One run of the night: what went wrong and when [s of the night], the run, whether it belongs to ordinary use."""

    name: str
    words: str
    at_s: int | None
    ran: Ran
    ordinary: bool


@dataclass(frozen=True)
class Night:
    """A night at one second: house [A], session of each charger, need of each [kWh]."""

    house_a: object
    session: list
    need_kwh: list


def night(one: Case, shape: int, low: int, high: int) -> Night:
    """The night between two minutes of the year."""
    import numpy as np

    house = np.repeat(one.house.shapes_a[shape][low:high], SECONDS)
    session = [np.repeat(plan.session[low:high], SECONDS) for plan in one.plans]
    return Night(house, session, needs_from(one, shape, low))


def tried(work: Work, one: Case, shape: int, low: int, high: int) -> list[Tried]:
    """Every run of the worst night: as stated, and with each fault that can be told from what is given.

    Parameters: case, shape of the house, minutes of the night. Returns: runs, the one without a fault first.
    """
    import numpy as np

    group, given = one.fleet.service, night(one, shape, low, high)
    base = _run(one, given)
    found = [Tried(NORMAL, "nothing goes wrong", None, base, True)]
    together = base.vehicle_a.sum(axis=0)
    if group is None or not (together > 0).any():
        return found
    found += _lost(work, one, given, base)
    found += _ignoring(work, one, given)
    found += _at_once(one, given)
    motor = _motor(work)
    if motor is not None:
        name, start_a, run_a, seconds = motor
        at = int(np.argmax(np.where(together > 0, given.house_a + together, -np.inf)))
        begin = int(max(1, np.ceil(seconds)))
        house = given.house_a.copy()
        house[at : at + begin] += start_a
        house[at + begin : at + begin + RUNS_S] += run_a
        words = f"{name} starts on top of the house: {start_a:g} A for {begin} s, then {run_a:g} A"
        found.append(Tried(f"{name} starts", words, at, _run(one, replace(given, house_a=house)), True))
    return found


def _run(one: Case, given: Night, *, fleet=None, sensor_lost=None, command_lost=None) -> Ran:
    made = fleet or one.fleet
    return follow(made, given.house_a, given.session, given.need_kwh, 1.0, sensor_lost=sensor_lost, command_lost=command_lost)


def _lost(work: Work, one: Case, given: Night, base: Ran) -> list[Tried]:
    """The sensor and the command lost for an hour at the moment that hurts most; not tried where the time of the reaction is not stated."""
    import numpy as np

    from workbook_lib.errors import CalculationFault
    from workbook_lib.simulate.charging_outcome import worst_loss

    group = one.fleet.service
    if group.row.lost_after is None:
        work.not_checked.append(f"a lost signal, second by second: control.{group.row.id}.lost_after is not stated")
        return []
    control, slow = group.control, max(vehicle.response_s for vehicle in group.vehicles)
    blind = control.lost_after_s + control.sample_s + control.command_delay_s + slow
    try:
        first, _ = worst_loss(given.house_a, base.vehicle_a.sum(axis=0), blind, 1.0)
    except CalculationFault:
        work.not_checked.append("a lost signal, second by second: the night is shorter than the time in which it is acted on")
        return []
    rise = first + int(np.argmax(given.house_a[first : first + int(np.ceil(blind)) + 1]))
    at = max(first, rise - 1)  # just before the rise, so that the control never sees it
    gone = np.zeros(len(given.house_a), dtype=bool)
    gone[at : at + LOST_S] = True
    sensor = _run(one, given, sensor_lost=gone)
    command = _run(one, given, command_lost=gone)
    until = f"for {LOST_S // 60} min, one second before the house rises to where it hurts most within {blind:g} s"
    return [
        Tried("sensor lost", f"the sensor is lost {until}", at, sensor, False),
        Tried("command lost", f"no command arrives {until}", at, command, False),
    ]


def _ignoring(work: Work, one: Case, night_: Night) -> list[Tried]:
    """A vehicle that ignores every reduction until its charger stops it, where that takes longer than its stated response."""
    group = one.fleet.service
    chargers = {each.id: each for each in work.chargers}
    given = {name: each.stops_after for name, each in chargers.items()}
    stops = {name: time.value if time is not None else STOPS_S for name, time in given.items() if name in group.ids}
    pairs = list(zip(group.ids, group.vehicles, strict=True))
    if all(stops.get(name, 0.0) <= vehicle.response_s for name, vehicle in pairs):
        return []
    slow = tuple(replace(vehicle, response_s=max(vehicle.response_s, stops.get(name, 0.0))) for name, vehicle in pairs)
    made = replaced(one.fleet, group, replace(group, vehicles=slow))
    words = f"each vehicle ignores a reduction until its charger would stop it, {max(stops.values()):g} s"
    return [Tried("vehicle ignores", words, None, _run(one, night_, fleet=made), True)]


def _at_once(one: Case, given: Night) -> list[Tried]:
    """All vehicles are plugged in at the same moment, that of the highest house."""
    import numpy as np

    if len(given.session) < 2:
        return []
    most = np.where(np.min(np.array(given.session), axis=0) >= 0, given.house_a, -np.inf)
    if not np.isfinite(most).any():
        return []
    at = int(np.argmax(most))
    sessions = [np.where(np.arange(len(row)) < at, -1, row) for row in given.session]
    ran = _run(one, replace(given, session=sessions))
    return [Tried("all at once", "all vehicles are plugged in at the same moment, that of the highest house", at, ran, True)]


def _motor(work: Work) -> tuple[str, float, float, float] | None:
    """The largest motor start of the home on a leg: name, starting and running current [A], seconds; None where none is stated."""
    found = []
    for one in work.standing("load"):
        start = one.soft_start_current or one.locked_rotor_current
        if start is None:
            if one.kind in COOLING:
                work.not_checked.append(f"start of {one.id} beside charging: its locked-rotor current is not stated")
            continue
        running = sum(each.value for each in one.currents) if one.currents else None
        if running is None:
            work.not_checked.append(f"start of {one.id} beside charging: its running current is not stated")
            continue
        found.append((one.id, float(start.value), float(running), one.start_time.value if one.start_time is not None else START_S))
    return max(found, key=lambda each: each[1], default=None)
