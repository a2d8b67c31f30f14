"""Tables and figures of the runs: faults of the worst night, one night to work by hand, nights of the year, currents, trip bounds."""

from __future__ import annotations

import calendar

from workbook_lib.editions.trip_bounds import bounds_of
from workbook_lib.sheet import Figure, Input, Section, Step, Table
from workbook_lib.workbooks.charging_results import Answers
from workbook_lib.workbooks.charging_runs import DAY_MIN, Plan, minutes, year
from workbook_lib.workbooks.charging_work import Work, simulated
from workbook_lib.workbooks.panels import main_of
from workbook_lib.workbooks.prepare import root_panels

HALF_HOUR = 30
MARGIN_S = 120
MOST_ROWS = 1500
NEAR_MEAN, NEAR_PEAK = 1.1, 0.95
"""A peak is told apart from the mean of an excursion from here on, and lasts while the current is this near to it [-]."""
LEAST_SHOWN_A = 2.0
"""A change that a table of seconds shows [A]."""
SHARES = (0.0, *(10 ** (place / 40.0 - 2.0) for place in range(161)))
"""Shares of the year at which the duration curve is drawn [%]: dense where currents are high."""


def sections(work: Work, found: Answers) -> None:
    """The tables of the runs."""
    _as_run(work, found)
    _load_words(work, found)
    _faults(work, found)
    for name in found.nights:
        _one_night(work, found, name)
        _by_month(work, found, name)


def _as_run(work: Work, found: Answers) -> None:
    """What each charger, its vehicle and what holds it are taken for in the runs."""
    rows = []
    for group in found.year.fleet.groups:
        control = group.control
        holder = group.row.id if group.row is not None else "nothing"
        if control.kind == "sensing":
            total = f", together at most {control.total_a:g} A" if control.total_a < float("inf") else ""
            setting = f"{control.setting_a:g} A at the service{total}" if group.sees else f"together at most {control.total_a:g} A"
            times = f"looks every {control.sample_s:g} s, acts after {control.sensor_delay_s + control.command_delay_s:g} s"
            times += f", raises after {control.raise_delay_s:g} s, stays off {control.minimum_off_s:g} s"
        else:
            setting, times = (f"{group.setting.value:g} A at the charger" if group.setting is not None else "-"), "-"
        for name, one in zip(group.ids, group.vehicles, strict=True):
            answer = f"after {one.response_s:g} s" + (
                f", {one.onboard_a / one.ramp_a_per_s:g} s to none" if one.ramp_a_per_s < float("inf") else ""
            )
            floor = one.floor_a if one.floor_a is not None else control.floor_a
            fallback = one.fallback_a if one.fallback_a is not None else control.fallback_a
            rows.append((name, holder, setting, times, one.onboard_a, floor, fallback, answer))
    columns = ("Charger", "Held by", "Setting", "The control", "Most (A)", "Least (A)", "Fallback (A)", "Vehicle answers")
    prose = "What is not stated in the site file stands under assumptions. Below its least current a charger pauses."
    work.sections.append(Section("As it is run", (), prose, Table(columns, tuple(rows), "Chargers, controls and vehicles of the runs", 1)))


def _load_words(work: Work, found: Answers) -> None:
    if not found.year.house.known:
        return
    rows = []
    parts = (("energy, nights and starts", found.year), ("seconds", found.fine))
    for what, one in parts if found.fine is not found.year else (("all runs", found.year),):
        house = one.house
        for name, shape in zip(house.names, house.shapes_a, strict=True):
            ran = minutes(one, house.names.index(name))
            energy = sum(float(each.sum()) for each, plan in zip(ran.energy_kwh, one.plans, strict=True) if plan.known)
            rows.append((what, house.words, name, house.days, float(shape.mean()), float(shape.max()), energy))
    columns = ("For", "From", "Shape", "Days", "Mean (A)", "Highest minute (A)", "Energy delivered (kWh)")
    prose = "The house beside its chargers, on its heavier leg. What is modelled gives a band, not one line."
    open_ = list(dict.fromkeys([*([found.unused] if found.unused else []), *found.fine.house.open, *found.fine.fleet.open]))
    prose += f" Open: {'; '.join(open_)}." if open_ else " For seconds it is measured minute by minute and leg by leg."
    work.sections.append(Section("The house load of the runs", (), prose, Table(columns, tuple(dict.fromkeys(rows)), "House load", 1)))


def _faults(work: Work, found: Answers) -> None:
    if found.fine.fleet.service is None:
        return
    rows = []
    for one in found.tried:
        over, above = one.over, one.above_s if work.limit is not None else "-"
        date = _date(found.fine.house, one.low)
        rows.append((one.name, one.words, date, over.longest_s, over.overshoot_as, over.peak_a, above))
    columns = (
        "Run",
        "What happens",
        "Night of",
        "Longest above the setting (s)",
        "A s above it",
        "Highest (A)",
        "Longest above the service (s)",
    )
    prose = "At one second: as stated on the night with most ampere-seconds, each fault on the night of several on which it is worst. "
    prose += "What belongs to ordinary use counts in the test of the setting, a lost signal in that of the service."
    work.sections.append(Section("What goes wrong", (), prose, Table(columns, tuple(rows), "Runs of single nights", 0)))


def _moment(house, minute: int) -> str:
    """A minute of a house as a date and a clock time by standard time."""
    return f"{_date(house, minute)}, {_clock(minute)}"


def _date(house, minute: int) -> str:
    """The day of a minute."""
    import numpy as np

    day = (np.datetime64(house.first, "D") + np.timedelta64(minute // DAY_MIN, "D")).astype(object)
    return f"{day.day} {calendar.month_name[day.month]} {day.year}"


def _clock(minute: int) -> str:
    """The clock time of a minute."""
    return f"{minute % DAY_MIN // 60:02d}:{minute % 60:02d}"


# one night to work by hand


def _one_night(work: Work, found: Answers, name: str) -> None:
    """The night of a charger that gives least, by half hours: what a reader adds up."""
    import numpy as np

    one, place = found.year, found.year.fleet.order.index(name)
    ran, plan = minutes(one, found.lead), found.year.plans[found.year.fleet.order.index(name)]
    energy = np.where(plan.plugged, ran.energy_kwh[place], np.inf)
    night = int(np.argmin(energy))
    at = np.flatnonzero(plan.session == night)
    vehicle = next(each for group in one.fleet.groups for each, known in zip(group.vehicles, group.ids, strict=True) if known == name)
    volts = Input(f"night.{name}.volts", f"voltage of {name}", vehicle.volts, "V", "choice")
    rows, charges = [], []
    for low in range(int(at[0]), int(at[-1]) + 1, HALF_HOUR):
        part = slice(low, min(low + HALF_HOUR, int(at[-1]) + 1))
        spent = (part.stop - part.start) / 60.0
        drawn = float(ran.vehicle_a[place, part].mean())
        if drawn <= 0.0 and rows and rows[-1][3] <= 0.0:
            continue
        key = f"night.{name}.{len(charges) + 1}"
        charges.append(simulated(key, f"charge from {_clock(low)}", drawn * spent, "A h", 4))
        house = float(ran.house_a[part].mean())
        rows.append((_clock(low), spent, house, drawn, charges[-1].value))
    meaning = f"energy of the night of {_date(one.house, int(at[0]))} at {name}"
    step = Step(
        f"night.{name}.energy", "E_night", meaning, "volts * sum(charge) / 1000",
        {"volts": volts, "charge": tuple(charges)}, volts.value * sum(each.value for each in charges) / 1000.0, "kWh", decimals=2,
    )  # fmt: skip
    work.result(f"least_night_kwh:{name}", step)
    columns = ("From", "Hours", "House (A)", "Vehicle (A)", "Charge (A h)")
    prose = "The night that gives least, by half hours; half hours without charging that follow each other are left out after the first. "
    prose += f"House: {one.house.words}, {one.house.names[found.lead]}."
    work.sections.append(Section(f"One night at {name}", (step,), prose, Table(columns, tuple(rows), f"Night at {name}", 2)))


def _by_month(work: Work, found: Answers, name: str) -> None:
    table = months(found, name)
    work.sections.append(Section(f"Nights at {name}", (), "A night counts to the month in which it begins.", table))


def months(found: Answers, name: str) -> Table:
    """Nights, met and missed, and energy missed by month."""
    rows = []
    by_day = _night_days(found, name)
    for month in range(1, 13):
        mine = [(share, missed) for (_, number, _), share, missed in by_day if number == month]
        if not mine:
            continue
        met = sum(share >= 100 - 1e-6 for share, _ in mine)
        rows.append((calendar.month_name[month], len(mine), met, len(mine) - met, sum(missed for _, missed in mine)))
    columns = ("Month", "Nights", "Met", "Missed", "Energy missed (kWh)")
    return Table(columns, tuple(rows), f"Nights at {name}", 1)


def _night_days(found: Answers, name: str) -> list[tuple[tuple[int, int, int], float, float]]:
    """Each night with the vehicle: year, month and day; share of the need [%]; energy missed [kWh]."""
    import numpy as np

    place = found.year.fleet.order.index(name)
    plan: Plan = found.year.plans[place]
    energy = year(found.year, found.lead).energy_kwh[place]
    first = plan.first
    nights = []
    for number in np.flatnonzero(plan.plugged):
        day = (first + np.timedelta64(int(number), "D")).astype(object)
        need = plan.need_kwh[number]
        share = 100.0 * min(1.0, float(energy[number]) / need) if need > 0 else 100.0
        missed = max(0.0, float(need - energy[number]))
        nights.append(((day.year, day.month, day.day), 100.0 if missed < 1e-6 else share, missed if missed >= 1e-6 else 0.0))
    return nights


# figures


def figures(work: Work, found: Answers) -> tuple[Figure, ...]:
    """Worst night, duration curve, nights of each vehicle, excursions against trip bounds."""
    durations = [_durations(work, found)] if found.year.house.known and found.year.fleet.service is not None else []
    drawn = [_day(work, found), *durations, *(_calendar(found, name) for name in found.nights), _trip(work, found)]
    return tuple(one for one in drawn if one is not None)


def _limits(work: Work, found: Answers) -> tuple[tuple[str, float], ...]:
    group = found.fine.fleet.service
    limits = [("setting", float(group.setting.value))] if group is not None else []
    return (*limits, *([("service", float(work.limit.value))] if work.limit is not None else []))


def _day(work: Work, found: Answers) -> Figure | None:
    """The longest excursion of the worst night with what is before and after it; the highest current where there is none."""
    import numpy as np

    group, ran = found.fine.fleet.service, found.tried[0].ran
    if group is None:
        return None
    over = found.tried[0].over
    at = over.worst_at if over.worst_at is not None else int(np.argmax(ran.service_a))
    after = int(over.longest_s) if over.worst_at is not None else 0
    low, high = max(0, at - MARGIN_S), min(len(ran.service_a), at + after + 3 * MARGIN_S)
    vehicles = ran.vehicle_a.sum(axis=0)
    rows = [(float(t - at), float(ran.house_a[t]), float(vehicles[t]), float(ran.service_a[t])) for t in range(low, high)]
    kept = [row for place, row in enumerate(rows) if place in (0, len(rows) - 1) or row[1:] != rows[place - 1][1:]][:MOST_ROWS]
    shown = _thinned(kept)
    table = Table(("Second", "House (A)", "Vehicles (A)", "Service (A)"), tuple(shown), "The worst night around its excursion", 1)
    if over.worst_at is None:
        words = f"No second is above the setting; drawn around the highest current, {over.peak_a:.1f} A."
    else:
        words = f"The excursion of most ampere-seconds: {over.worst_as:,.0f} A s; the longest of the night takes {over.longest_s:,.0f} s."
    description = f"Night from {_moment(found.fine.house, found.most.worst[0])}, second 0 at {_second(found, at)}. {words}"
    return Figure(
        "charging_day", "chargingday", "The worst night around its excursion", description, table, _limits(work, found), "A", tuple(kept)
    )


def _thinned(rows: list[tuple[float, ...]]) -> list[tuple[float, ...]]:
    """Rows of a table of seconds: those with a change of an ampere or more since the last shown, and both ends."""
    shown = [rows[0]]
    for row in rows[1:-1]:
        if max(abs(one - other) for one, other in zip(row[1:], shown[-1][1:], strict=True)) >= LEAST_SHOWN_A:
            shown.append(row)
    return [*shown, rows[-1]] if len(rows) > 1 else shown


def _second(found: Answers, at: int) -> str:
    minute = found.most.worst[0] + at // 60
    return f"{_moment(found.fine.house, minute)}:{at % 60:02d}"


def _durations(work: Work, found: Answers) -> Figure:
    import numpy as np

    shapes, setting = range(len(found.year.house.shapes_a)), found.year.fleet.service.setting.value
    shape = max(shapes, key=lambda one: year(found.year.free(), one).peak_a)
    own, free = minutes(found.year, shape), minutes(found.year.free(), shape)
    held = np.minimum(own.service_a, np.maximum(own.house_a, setting))  # what the run at one minute leaves above is gone within seconds
    curves = [np.sort(one)[::-1] for one in (free.service_a, held)]
    count = len(curves[0])
    places = [min(count - 1, max(0, int(np.ceil(share / 100.0 * count)) - 1)) for share in SHARES]
    grid = tuple((share, float(curves[0][place]), float(curves[1][place])) for share, place in zip(SHARES, places, strict=True))
    levels = sorted({*range(20, int(curves[0][0]) + 21, 20), *(value for _, value in _limits(work, found))})
    rows = tuple(
        (float(level), float((curves[0] > level + 1e-6).sum()) / 60.0, float((curves[1] > level + 1e-6).sum()) / 60.0) for level in levels
    )
    table = Table(("Above (A)", "Hours without a control", "Hours with it"), rows, "Hours above a current", 1)
    description = f"Current of the service over {found.year.house.days} days at one minute, house {found.year.house.names[shape]}. "
    description += (
        f"Without a control it reaches {curves[0][0]:.1f} A, with it {curves[1][0]:.1f} A; seconds above the setting are not in it."
    )
    return Figure(
        "charging_duration",
        "chargingduration",
        "Current of the service by duration",
        description,
        table,
        _limits(work, found),
        "A",
        grid,
    )


def _calendar(found: Answers, name: str) -> Figure:
    grid: list[list[float | None]] = [[None] * 31 for _ in range(12)]
    for (_, month, day), share, _ in _night_days(found, name):
        grid[month - 1][day - 1] = share
    nights = found.nights[name]
    description = f"{nights.met} of {nights.count} nights at {name} meet the need, at most {nights.longest_missed} in a row miss it. "
    description += "By the day on which a night begins."
    rows = tuple(tuple(row) for row in grid)
    return Figure(f"charging_nights_{name}", "chargingnights", f"Nights at {name}", description, months(found, name), (), "%", rows)


def _levels(one, setting: float, main: float) -> list[tuple[str, float, float, str]]:
    """Points of a run: its longest excursion at its mean current, and its peak for as long as it is near it, where that is apart."""
    import numpy as np

    service, over = one.ran.service_a, one.over
    if not over.longest_s:
        return [(one.name, over.peak_a / main, 0.0, "run")]
    edges = np.flatnonzero(np.diff(np.concatenate([[False], service > setting, [False]]).astype(np.int8)))
    begin, end = max(zip(edges[::2], edges[1::2], strict=True), key=lambda pair: pair[1] - pair[0])
    mean = float(service[begin:end].mean())
    points = [(one.name, mean / main, over.longest_s, "run")]
    if over.peak_a > NEAR_MEAN * mean:
        points.append((f"{one.name}, its peak", over.peak_a / main, float((service >= NEAR_PEAK * over.peak_a).sum()), "run"))
    return points


def _trip(work: Work, found: Answers) -> Figure | None:
    """How far and how long above, beside the times by which the main breaker must have opened."""
    group, roots = found.fine.fleet.service, root_panels(work.home)
    main = main_of(work.home, roots[0]) if len(roots) == 1 else None
    if group is None or main is None:
        work.not_checked.append(
            "excursions against the trip bounds of the main breaker: its rating is not known, or nothing holds the service"
        )
        return None
    rows = []
    for one in found.tried:
        rows += _levels(one, group.setting.value, main.value)
    rows += [
        (f"{bound.source.locator}, {bound.multiple:g} times", bound.multiple, bound.seconds, "bound, from memory")
        for bound in bounds_of(main.value)
    ]
    if not any(row[2] > 0 for row in rows):
        return None
    table = Table(
        ("What", "Times the rating", "Seconds", "Kind"),
        tuple(rows),
        f"Excursions above {group.setting.value:g} A and a main of {main.value:g} A",
        2,
    )
    description = (
        f"Each run: its longest time above the setting at its mean current over the rating of the main breaker, {main.value:g} A, and its "
        "peak for as long as it lasts, where that is apart. The bounds are the longest times that are allowed until a breaker opens, from "
        "memory; none of them says that it holds, or opens sooner."
    )
    grid = tuple((row[1], row[2], 0.0 if row[3] == "run" else 1.0) for row in rows)
    return Figure("charging_trip", "chargingtrip", "Time above the setting and trip bounds of the main", description, table, (), "s", grid)
