"""The night in which most comes together, once more at one second with something going wrong."""

from __future__ import annotations

from dataclasses import dataclass, replace

from workbook_lib.workbooks.charging_fleet import STOPS_S
from workbook_lib.workbooks.charging_runs import ALWAYS_KWH, SECONDS, Case, Ran, above, follow, needs_from, replaced, seconds, top_nights
from workbook_lib.workbooks.charging_work import Work

LOST_S = 3600
"""How long a signal stays lost [s]."""
RUNS_S = 600
"""How long a motor runs that starts beside the charging [s]."""
START_S = 1.0
"""How long a start takes where it is not stated [s]: the shortest step of the run."""
COOLING = ("air-conditioner", "heat-pump", "room-air-conditioner")
NORMAL = "as stated"


NIGHTS = 6
"""Nights in which something goes wrong: the worst as stated, and those in which most could come together."""
RISE_A = 0.5
"""A rise of the house that a control would have to answer [A]."""
SHARED_S = 7200
"""How long chargers of one circuit are followed together [s]: the last comes at half of it."""
RISES = 200
"""Rises of a night that are looked at as the moment of a loss, the highest first."""


@dataclass(frozen=True)
class Tried:
    """One run of a night: what went wrong, its beginning [min] and the run; excursions above the setting and above the service.

    `at_s` when it went wrong [s of the night], None where it did all the time; `ordinary` where it belongs to ordinary use and counts
    in `control-holds`.
    """

    name: str
    words: str
    low: int
    ran: Ran
    over: object
    above_s: float
    ordinary: bool
    at_s: int | None = None


@dataclass(frozen=True)
class Night:
    """A night at one second: where it begins [min]; house [A], session of each charger, need of each [kWh]."""

    low: int
    house_a: object
    session: list
    need_kwh: list


def night(one: Case, shape: int, low: int, high: int) -> Night:
    """The night between two minutes of the year."""
    import numpy as np

    session = [np.repeat(plan.every[low:high], SECONDS) for plan in one.plans]
    return Night(low, one.house.at_seconds(shape, low, high), session, needs_from(one, shape, low))


def tried(work: Work, one: Case, shape: int, worst: tuple[int, int]) -> list[Tried]:
    """The worst night as stated, and each fault that can be told from what is given on the night on which it is worst.

    Parameters: case, shape of the house, minutes of the night that is worst as stated. Returns: runs, the one without a fault first.
    """
    given = night(one, shape, *worst)
    first = _told(work, one, NORMAL, "nothing goes wrong", given.low, _run(one, given), True)
    if one.fleet.service is None:
        return [first]
    found: dict[str, Tried] = {}
    for low, high in dict.fromkeys([worst, *top_nights(one, shape, NIGHTS)]):
        given = night(one, shape, low, high)
        base = _run(one, given)
        if not (base.vehicle_a > 0).any():
            continue
        for run in (*_lost(work, one, given, base), *_at_once(work, one, given), *_motor(work, one, given, base)):
            found[run.name] = max(found.get(run.name, run), run, key=_rank)
    found |= {run.name: run for run in _ignoring(work, one, shape)}
    return [first, *found.values()]


def _rank(run: Tried) -> tuple[float, ...]:
    """How bad a run is: time above what it is held to, then its ampere-seconds and its highest current."""
    return (run.over.longest_s if run.ordinary else run.above_s, run.over.overshoot_as, run.over.peak_a)


def _told(work: Work, one: Case, name: str, words: str, low: int, ran: Ran, ordinary: bool, at_s: int | None = None) -> Tried:
    group = one.fleet.service
    over = above(ran.service_a, group.setting.value if group is not None else float("inf"))
    limit = above(ran.service_a, work.limit.value).longest_s if work.limit is not None else 0.0
    return Tried(name, words, low, ran, over, limit, ordinary, at_s)


def _run(one: Case, given: Night, *, fleet=None, sensor_lost=None, command_lost=None) -> Ran:
    made = fleet or one.fleet
    return follow(made, given.house_a, given.session, given.need_kwh, 1.0, sensor_lost=sensor_lost, command_lost=command_lost)


def _lost(work: Work, one: Case, given: Night, base: Ran) -> list[Tried]:
    """The sensor and the command lost for an hour at the moment that hurts most; not tried where the reaction to it is not stated."""
    import numpy as np

    group = one.fleet.service
    if lost_lacks(work, group):
        return []
    control, slow = group.control, max(vehicle.response_s for vehicle in group.vehicles)
    blind = int(np.ceil(control.lost_after_s + control.sample_s + control.command_delay_s + slow)) + 1
    limit = work.limit.value if work.limit is not None else group.setting.value
    at = _moment(given.house_a, base.vehicle_a.sum(axis=0), blind, limit)
    gone = np.zeros(len(given.house_a), dtype=bool)
    gone[at : at + LOST_S] = True
    until = f"for {LOST_S // 60} min, one second before the house rises to where it hurts most within {blind - 1} s"
    sensor, command = _run(one, given, sensor_lost=gone), _run(one, given, command_lost=gone)
    return [
        _told(work, one, "sensor lost", f"the sensor is lost {until}", given.low, sensor, False, at),
        _told(work, one, "command lost", f"no command arrives {until}", given.low, command, False, at),
    ]


def lost_lacks(work: Work, group) -> list[str]:
    """Fields without which a lost signal is not followed."""
    chargers = {one.id: one for one in work.chargers}
    lacking = [f"control.{group.row.id}.lost_after"] if group.row.lost_after is None else []
    names = [name for name in group.ids if name in chargers]
    return lacking + [f"evse.{name}.fallback_current" for name in names if chargers[name].fallback_current is None]


def _moment(house, vehicles, blind: int, limit: float) -> int:
    """The second before the rise that a control would have to answer and that leaves most above a limit while it is blind."""
    import numpy as np

    rises = np.flatnonzero((np.diff(house) > RISE_A) & (vehicles[:-1] > 0)) + 1
    if not len(rises):
        return int(np.argmax(np.where(vehicles > 0, house + vehicles, -np.inf)))
    rises = rises[np.argsort(-(house[rises] + vehicles[rises - 1]))][:RISES]

    def left(at: int) -> tuple[float, float]:
        reach = house[at : at + blind] + vehicles[at - 1]
        return float(np.maximum(reach - limit, 0.0).sum()), float(reach.max())

    return int(max(rises, key=left)) - 1


def _ignoring(work: Work, one: Case, shape: int) -> list[Tried]:
    """Vehicles that ignore every reduction until their charger stops them, where that takes longer than their stated response.

    Where the charger's time is not stated the least of the standard's implementation is shown and does not count.
    """
    group = one.fleet.service
    chargers = {each.id: each for each in work.chargers}
    given = {name: chargers[name].stops_after for name in group.ids if name in chargers}
    stops = {name: time.value if time is not None else STOPS_S for name, time in given.items()}
    pairs = list(zip(group.ids, group.vehicles, strict=True))
    if all(stops.get(name, 0.0) <= vehicle.response_s for name, vehicle in pairs):
        return []
    slow = tuple(replace(vehicle, response_s=max(vehicle.response_s, stops.get(name, 0.0))) for name, vehicle in pairs)
    other = one.with_fleet(replaced(one.fleet, group, replace(group, vehicles=slow)))
    low, high = seconds(other, shape).worst
    words = f"each vehicle ignores a reduction until its charger would stop it, {max(stops.values()):g} s"
    stated = None not in given.values()
    ran = _run(other, night(other, shape, low, high))
    return [_told(work, one, "vehicle ignores", words if stated else f"{words}, not stated", low, ran, stated)]


def _at_once(work: Work, one: Case, given: Night) -> list[Tried]:
    """All vehicles are plugged in at the same moment, that of the highest house."""
    import numpy as np

    if len(given.session) < 2:
        return []
    most = np.where(np.min(np.array(given.session), axis=0) >= 0, given.house_a, -np.inf)
    if not np.isfinite(most).any():
        return []
    at = int(np.argmax(most))
    sessions = [np.where(np.arange(len(row)) < at, -1, row) for row in given.session]
    words = "all vehicles are plugged in at the same moment, that of the highest house"
    return [_told(work, one, "all at once", words, given.low, _run(one, replace(given, session=sessions)), True, at)]


def shared_excursion(group):
    """Chargers of one circuit in an hour at one second, each of them coming last while the others charge: the worst, and which comes last.

    Parameters: a group whose control holds their sum. Returns: Excursions above that sum, id.
    """
    import numpy as np

    from workbook_lib.simulate.charging import charge

    count, found = len(group.chargers), []
    for last in range(count):
        session = np.zeros((count, SHARED_S), dtype=np.int64)
        session[last, : SHARED_S // 2] = -1
        ran = charge(np.zeros(SHARED_S), session, np.full((count, 1), ALWAYS_KWH), 1.0, 240.0, group.control, group.vehicles)
        found.append((above(ran.vehicle_a.sum(axis=0), group.control.total_a), group.ids[last]))
    return max(found, key=lambda pair: (pair[0].longest_s, pair[0].overshoot_as, pair[0].peak_a))


def _motor(work: Work, one: Case, given: Night, base: Ran) -> list[Tried]:
    """The largest motor of the home starts on top of the house where the service is highest while something charges."""
    import numpy as np

    found = _largest_start(work)
    if found is None:
        return []
    name, start_a, run_a, spent = found
    together = base.vehicle_a.sum(axis=0)
    at = int(np.argmax(np.where(together > 0, given.house_a + together, -np.inf)))
    begin = int(max(1, np.ceil(spent)))
    house = given.house_a.copy()
    house[at : at + begin] += start_a
    house[at + begin : at + begin + RUNS_S] += run_a
    words = f"{name} starts on top of the house: {start_a:g} A for {begin} s, then {run_a:g} A"
    return [_told(work, one, f"{name} starts", words, given.low, _run(one, replace(given, house_a=house)), True, at)]


def _largest_start(work: Work) -> tuple[str, float, float, float] | None:
    """The largest motor start of the home on a leg: name, starting and running current [A], seconds; None where none is stated."""
    found = []
    for one in work.standing("load"):
        start = one.soft_start_current or one.locked_rotor_current
        running = sum(each.value for each in one.currents) if one.currents else None
        if start is not None and running is not None:
            found.append((one.id, float(start.value), float(running), one.start_time.value if one.start_time is not None else START_S))
            continue
        lack = "its locked-rotor current" if start is None else "its running current"
        if start is not None or one.kind in COOLING:
            words = f"start of {one.id} beside charging: {lack} is not stated"
            work.not_checked += [words] if words not in work.not_checked else []
    return max(found, key=lambda each: each[1], default=None)
