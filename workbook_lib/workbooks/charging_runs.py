"""The runs: a year at one minute for energy, nights and starts; every night that could pass the setting at one second for currents."""

from __future__ import annotations

import functools
import hashlib
from dataclasses import dataclass, field, replace

from workbook_lib.errors import MissingInput
from workbook_lib.workbooks.charging_fleet import Fleet, Group
from workbook_lib.workbooks.charging_house import DAY_S, MINUTE_S, House

DAY_MIN = DAY_S // MINUTE_S
ALWAYS_KWH = 1e9
"""Need of a vehicle of which nothing is said: it never has enough [kWh]."""
MODEL_NIGHTS = 20
"""Nights at one second for each shape of a load that is modelled within its intervals: those in which most comes together."""
HOUR_S = 3600.0
WARM_MIN = 120
"""Minutes that a night is run before it begins: nights may be cut while a vehicle is plugged in."""
LEAST_A = 0.1
"""What is less above a setting is not counted: a sensor does not tell it [A]. A choice."""
SECONDS = 60
"""Steps of one second in a minute."""


@dataclass(frozen=True)
class Plan:
    """Nights of one charger by minute: number of the night at each minute, need of each night [kWh], whether it is plugged in, and known.

    `store` where it is no vehicle but a store, whose days follow each other without a break. `every` and `every_kwh` number all nights,
    those too that the record holds in part: for currents. `first` is the day on which night 0 begins.
    """

    session: object
    need_kwh: object
    plugged: object
    known: bool
    store: bool = False
    every: object = None
    every_kwh: object = None
    first: object = None


@dataclass(frozen=True)
class Ran:
    """One run: current of the house and of each vehicle in the order of the fleet, shapes (n,) and (m, n) [A]; energy of nights [kWh]."""

    house_a: object
    vehicle_a: object
    pilot_a: object
    energy_kwh: tuple

    @property
    def service_a(self):
        """Current of the heavier leg of the service, shape (n,) [A]."""
        return self.house_a + self.vehicle_a.sum(axis=0)


@dataclass(frozen=True)
class Seconds:
    """Runs at one second of one shape: excursions of all nights together, and where the worst is.

    `nights` run of `count`; `over_s`, `longest_s` [s], `over_as`, `peak_a`, `worst` beginning and end of its night [min]; most starts of
    each charger in an hour and a day.
    """

    nights: int
    count: int
    over_s: float
    longest_s: float
    over_as: float
    peak_a: float
    worst: tuple[int, int]
    hour_starts: tuple[int, ...]
    day_starts: tuple[int, ...]


@dataclass(frozen=True)
class Year:
    """What came of all days at one minute: energy of nights [kWh], highest current of the service [A], most starts in an hour and a day.

    By night at one second: `came`, to which the run brings the service, and `could_come`, the house and every vehicle at its limit [A];
    `given_kwh` to each charger before the minute at which the night is begun.
    """

    energy_kwh: tuple
    peak_a: float
    hour_starts: tuple[int, ...]
    day_starts: tuple[int, ...]
    came_a: tuple[float, ...]
    could_come_a: tuple[float, ...]
    given_kwh: dict[int, tuple[float, ...]]


@dataclass(frozen=True)
class Case:
    """A house, its fleet, the plan of its nights: what all runs of a study have in common. Equal where its digest is.

    `digest` is that of `nights`, the house and its plans, and of the fleet.
    """

    digest: str
    nights: str = field(compare=False)
    house: House = field(compare=False)
    fleet: Fleet = field(compare=False)
    plans: tuple[Plan, ...] = field(compare=False)

    def __hash__(self) -> int:
        return hash(self.digest)

    def with_fleet(self, made: Fleet) -> Case:
        """The same nights under other controls or vehicles."""
        return _under(self.nights, self.house, made, self.plans)

    def free(self) -> Case:
        """The same nights without any control."""
        from workbook_lib.simulate.charging import Control

        groups = [replace(group, control=Control("none")) for group in self.fleet.groups]
        return self.with_fleet(Fleet(groups, list(self.fleet.open)))

    def wanting(self) -> Case:
        """The same with vehicles that charge as long as they are there."""
        plans = tuple(one if one.store else replace(one, every_kwh=_never_met(one.every_kwh)) for one in self.plans)
        return Case(f"{self.digest} all night", f"{self.nights} all night", self.house, self.fleet, plans)

    def with_house(self, factor: float) -> Case:
        """The same with a house that takes more."""
        return _under(f"{self.nights} times {factor!r}", self.house.times(factor), self.fleet, self.plans)


def _never_met(values):
    """A need that no night meets for each of these [kWh]."""
    import numpy as np

    return np.full_like(values, ALWAYS_KWH)


def case(house: House, made: Fleet) -> Case:
    """What all runs have in common. Errors: MissingInput where no night fits into the record."""
    plans = {}
    for group in made.groups:
        for one, night in zip(group.chargers, group.nights, strict=True):
            plans[one.id] = _plan(house, night)
    ordered = tuple(plans[name] for name in made.order)
    told = hashlib.sha256(repr((house.fine, house.known, house.first, house.words, house.names, house.zone)).encode())
    for shape in house.shapes_a:
        told.update(shape.tobytes())
    if house.native_a is not None:
        told.update(house.native_a.tobytes())
    for plan in ordered:
        told.update(plan.session.tobytes() + plan.need_kwh.tobytes() + plan.plugged.tobytes())
    return _under(told.hexdigest(), house, made, ordered)


def _under(nights: str, house: House, made: Fleet, plans: tuple[Plan, ...]) -> Case:
    told = repr([(group.ids, group.control, group.vehicles, group.sees) for group in made.groups])
    return Case(f"{nights} under {told}", nights, house, made, plans)


def _plan(house: House, night) -> Plan:
    import numpy as np

    from workbook_lib.simulate.charging_outcome import sessions

    count = len(house.shapes_a[0])
    if night.daily_kwh is not None:
        number = (np.arange(count) * MINUTE_S - int(night.begin_s)) // DAY_S + 1
        need = np.full(int(number[-1]) + 1, night.daily_kwh)
        return Plan(number, need, np.zeros(len(need), dtype=bool), False, True, number, need)
    if not night.known:
        always, need = np.zeros(count, dtype=np.int64), np.array([ALWAYS_KWH])
        return Plan(always, need, np.ones(1, dtype=bool), False, False, always, need)
    begins, ends, days = _spans(house, night)
    whole = np.flatnonzero((begins >= 0) & (ends <= count))
    if not len(whole):
        raise MissingInput([house.field], f"no whole night lies in the record: it holds {count / DAY_MIN:g} days")
    plugged = np.isin(days[whole], night.days)
    if not plugged.any():
        path = night.arrive.key.rpartition(".")[0]
        words = "the record holds none of the nights on which the vehicle is plugged in"
        raise MissingInput([f"{path}.plugged_in_on", house.field], words)
    session = sessions(count, begins[whole], ends[whole], plugged)
    every = sessions(count, begins, ends, np.isin(days, night.days))
    need = np.full(len(whole), night.need.value)
    first = house.dates()[0] + (int(whole[0]) - 1)  # place 0 is the night that begins on the day before the record
    return Plan(session, need, plugged, True, False, every, np.full(len(begins), night.need.value), first)


def _spans(house: House, night):
    """First and last minute of each night from the one before the record on, by the clock on the wall, and the day of the week."""
    import numpy as np

    long = int((night.depart.value - night.arrive.value) % DAY_S) // MINUTE_S
    number = np.arange(-1, house.days)
    begins = number * DAY_MIN + int(night.arrive.value) // MINUTE_S - house.summer_minutes(number)
    ends = begins + long - (house.summer_minutes(number + long // DAY_MIN + _overnight(night)) - house.summer_minutes(number))
    ends[:-1] = np.minimum(ends[:-1], begins[1:])
    return begins, ends, (house.weekdays()[0] + number) % 7


def _overnight(night) -> int:
    """1 where a vehicle leaves on the day after it has come."""
    return int(night.depart.value <= night.arrive.value)


def minutes(one: Case, shape: int, *, less_a=None) -> Ran:
    """All days at one minute. Parameters: shape of the house, less_a what an array takes off it, shape (n,) [A]. Returns: Ran."""
    if less_a is None:
        return _remembered(one, shape)
    return _all_days(one, one.house.shapes_a[shape] - less_a)


@functools.lru_cache(maxsize=2)
def _remembered(one: Case, shape: int) -> Ran:
    return _all_days(one, one.house.shapes_a[shape])


def _all_days(one: Case, house_a) -> Ran:
    return follow(one.fleet, house_a, [plan.session for plan in one.plans], [plan.need_kwh for plan in one.plans], MINUTE_S)


@functools.lru_cache(maxsize=24)
def year(one: Case, shape: int) -> Year:
    """What came of all days at one minute, without their currents. Parameters: shape of the house. Returns: Year."""
    from workbook_lib.simulate.charging_outcome import most_starts

    ran, nights = minutes(one, shape), windows(one)
    service = ran.service_a
    starts = [tuple(most_starts(row, float(MINUTE_S), within) for row in ran.vehicle_a) for within in (HOUR_S, float(DAY_S))]
    came = tuple(float(service[low:high].max()) for low, high in nights)
    given = {low: _given(one, ran, low) for low in (warmed(begin) for begin, _ in nights)}
    return Year(ran.energy_kwh, float(service.max()), *starts, came, tuple(reach(one, shape)), given)


def _given(one: Case, ran: Ran, low: int) -> tuple[float, ...]:
    """What each charger has given before a minute in the night that it lies in [kWh]."""
    found = []
    vehicles = [vehicle for group in one.fleet.groups for vehicle in group.vehicles]
    for drawn, plan, vehicle in zip(ran.vehicle_a, one.plans, vehicles, strict=True):
        begin = _begun(plan.every, low)
        found.append(float(drawn[begin:low].sum()) * vehicle.volts_of(240.0) / MINUTE_S / 1000.0)
    return tuple(found)


def _begun(number, low: int) -> int:
    """The minute at which the night that a minute lies in has begun, that minute itself where it lies in none that began before."""
    import numpy as np

    if low <= 0 or number[low] < 0 or number[low - 1] != number[low]:
        return low
    for begin in (max(0, low - 2 * DAY_MIN), 0):
        others = np.flatnonzero(number[begin:low] != number[low])
        if len(others):
            return begin + int(others[-1]) + 1
    return 0


def follow(made: Fleet, house, session, need, step_s: float, *, sensor_lost=None, command_lost=None) -> Ran:
    """Every group over a time, the one that looks at the service last.

    Parameters: fleet; house shape (n,) [A]; session and need of each charger in the order of the fleet; step_s [s]; sensor_lost,
    command_lost shape (n,) of the group that looks at the service. Returns: Ran.
    """
    import numpy as np

    from workbook_lib.simulate.charging import charge

    drawn, pilots, energies, place = [], [], [], 0
    base = np.asarray(house, dtype=float)
    for group in made.groups:
        count = len(group.chargers)
        mine = slice(place, place + count)
        place += count
        nights = max(len(one) for one in need[mine])
        needs = np.zeros((count, nights))
        for row, one in enumerate(need[mine]):
            needs[row, : len(one)] = one
        seen = base if group.sees else np.zeros_like(base)
        lost = {"sensor_lost": sensor_lost, "command_lost": command_lost} if group.sees else {}
        found = charge(seen, np.array(session[mine]), needs, step_s, 240.0, group.control, group.vehicles, **lost)
        drawn.append(found.vehicle_a)
        pilots.append(found.pilot_a)
        energies += [row[: len(one)] for row, one in zip(found.energy_kwh, need[mine], strict=True)]
        if not group.sees:
            base = base + found.vehicle_a.sum(axis=0)
    return Ran(np.asarray(house, dtype=float), np.concatenate(drawn), np.concatenate(pilots), tuple(energies))


# nights at one second


def windows(one: Case) -> list[tuple[int, int]]:
    """Beginning and end of each night [min]: days are parted at a minute at which no vehicle is plugged in, else at noon."""
    import numpy as np

    count = len(one.house.shapes_a[0])
    away = np.ones(DAY_MIN, dtype=bool)
    for plan in (each for each in one.plans if not each.store):
        away &= (plan.every.reshape(-1, DAY_MIN) < 0).all(axis=0)
    noon = DAY_MIN // 2
    free = np.flatnonzero(away)
    cut = int(free[np.argmin(np.abs(free - noon))]) if len(free) else noon
    edges = sorted({0, *range(cut, count, DAY_MIN), count})
    return list(zip(edges[:-1], edges[1:], strict=True))


def reach(one: Case, shape: int) -> list[float]:
    """Highest current of each night that could come together: the house and every vehicle that is plugged in at its limit [A]."""
    import numpy as np

    limits = [vehicle.onboard_a for group in one.fleet.groups for vehicle in group.vehicles]
    most = np.array(one.house.highest(shape), dtype=float)
    for limit, plan in zip(limits, one.plans, strict=True):
        most += limit * (plan.every >= 0)
    return [float(most[low:high].max()) for low, high in windows(one)]


def at_seconds(one: Case, shape: int, low: int, high: int) -> Ran:
    """Some minutes at one second. Parameters: shape of the house, its minutes. Returns: Ran."""
    import numpy as np

    session = [np.repeat(plan.every[low:high], SECONDS) for plan in one.plans]
    return follow(one.fleet, one.house.at_seconds(shape, low, high), session, needs_from(one, shape, low), 1.0)


def needs_from(one: Case, shape: int, low: int) -> list:
    """Need of each night from a minute on: what the run of the year has given before is taken off the night that has begun [kWh]."""
    if all(_begun(plan.every, low) == low for plan in one.plans):
        return [plan.every_kwh for plan in one.plans]
    given, found = year(one, shape).given_kwh.get(low), []
    if given is None:
        given = _given(one, minutes(one, shape), low)
    for plan, spent in zip(one.plans, given, strict=True):
        number, need = int(plan.every[low]), plan.every_kwh
        if spent > 0.0:
            need = need.copy()
            need[number] = max(need[number] - spent, 0.0)
        found.append(need)
    return found


def warmed(low: int) -> int:
    """Where a run of a night begins, so that at its first minute everything is as it would be [min]."""
    return max(0, low - WARM_MIN)


def ranked(one: Case, shape: int) -> list[int]:
    """Places of the nights, those first in which the run at one minute brings the service highest, then by what could come together."""
    found = year(one, shape)
    return sorted(range(len(found.came_a)), key=lambda place: (-found.came_a[place], -found.could_come_a[place]))


def top_nights(one: Case, shape: int, count: int) -> list[tuple[int, int]]:
    """The nights in which most comes together, the most first, with the time in which they are warmed up [min]."""
    nights = windows(one)
    return [(warmed(nights[place][0]), nights[place][1]) for place in ranked(one, shape)[:count]]


@functools.lru_cache(maxsize=24)
def seconds(one: Case, shape: int) -> Seconds:
    """Every night at one second that could pass the setting; of a modelled load those in which most comes together."""
    import numpy as np

    from workbook_lib.simulate.charging_outcome import most_starts

    group = one.fleet.service
    setting = group.setting.value if group is not None else np.inf
    nights, tops = windows(one), year(one, shape).could_come_a
    order = ranked(one, shape)
    chosen = [place for place in order if tops[place] > setting] if np.isfinite(setting) else order[:1]
    if not one.house.fine:
        chosen = chosen[:MODEL_NIGHTS]
    chosen = chosen or order[:1]
    over_s = over_as = worst_as = 0.0
    longest = alone = _alone(one, shape, setting)
    peak, worst = -np.inf, nights[chosen[0]]
    hour, day = np.zeros(len(one.plans), dtype=int), np.zeros(len(one.plans), dtype=int)
    for place in chosen:
        low, high = nights[place]
        begin = warmed(low)
        ran = at_seconds(one, shape, begin, high)
        service = ran.service_a
        whole = above(service, setting)
        if whole.worst_at is not None and _samples_apart(group.control):
            ran = at_seconds(_just_missed(one, whole.worst_at), shape, begin, high)
            service = ran.service_a
            whole = above(service, setting)
        found = above(service[(low - begin) * SECONDS :], setting)
        over_s, over_as = over_s + found.time_s, over_as + found.overshoot_as
        longest, peak = max(longest, whole.longest_s), max(peak, found.peak_a)
        if found.worst_as > worst_as:
            worst_as, worst = found.worst_as, nights[place]
        hour = np.maximum(hour, [most_starts(row, 1.0, HOUR_S) for row in ran.vehicle_a])
        day = np.maximum(day, [most_starts(row, 1.0, DAY_S) for row in ran.vehicle_a])
    over_s = max(over_s, alone)
    worst = (warmed(worst[0]), worst[1])
    return Seconds(len(chosen), len(nights), over_s, longest, over_as, float(peak), worst, tuple(hour.tolist()), tuple(day.tolist()))


def _samples_apart(control) -> bool:
    """Whether the samples of a control do not come at the same seconds of every minute, so that a step must be sought to be missed."""
    return control.sample_s > 1.0 and SECONDS % control.sample_s != 0


def _just_missed(one: Case, at: int) -> Case:
    """The same with samples that just miss what begins at a second."""
    group = one.fleet.service
    phase = (at + group.control.sensor_delay_s - 1.0) % group.control.sample_s
    return one.with_fleet(replaced(one.fleet, group, replace(group, control=replace(group.control, phase_s=phase))))


def above(service_a, setting_a: float):
    """Excursions of a service by the second, what is less than a sensor tells left out. Parameters: [A]. Returns: Excursions."""
    from workbook_lib.simulate.charging_outcome import excursions

    return excursions(service_a, setting_a, 1.0, LEAST_A)


def _alone(one: Case, shape: int, setting: float) -> float:
    """Longest time that the house alone is above a setting [s]."""
    import numpy as np

    values, step = (one.house.shapes_a[shape], MINUTE_S) if one.house.native_a is None else (one.house.native_a, one.house.native_s)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], values > setting + LEAST_A, [False]]).astype(np.int8)))
    return float((edges[1::2] - edges[::2]).max(initial=0)) * step


def replaced(made: Fleet, group: Group, other: Group) -> Fleet:
    """A fleet with another group in the place of one."""
    return Fleet([other if one is group else one for one in made.groups], list(made.open))


def forget() -> None:
    """Leave every remembered run behind."""
    _remembered.cache_clear()
    year.cache_clear()
    seconds.cache_clear()
