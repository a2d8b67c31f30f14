"""What came of the runs: results and checks by their agreed names."""

from __future__ import annotations

from dataclasses import dataclass

from workbook_lib.rules import charging_run
from workbook_lib.sheet import Check, Input, Quantity, Step, Verdict, needs_input
from workbook_lib.workbooks.charging_faults import Tried, tried
from workbook_lib.workbooks.charging_fleet import NEED_SHARE, Fleet
from workbook_lib.workbooks.charging_house import YEAR_DAYS, House
from workbook_lib.workbooks.charging_runs import Case, Seconds, case, minutes, seconds
from workbook_lib.workbooks.charging_work import Work, hours, simulated

HOLDS = "is the longest time above the setting within what is allowed?"
STARTS_PER_HOUR = 6.0
"""Starts in an hour that are allowed where it is not stated [count]: one in ten minutes. A choice."""


@dataclass(frozen=True)
class Answers:
    """Everything that the runs gave: case of the year and of the seconds, the shape that decides for each, nights by charger, faults.

    `least` and `most` the seconds of the shape that is least and most hard; `beside` those of the record of the year where the seconds
    are taken from another one.
    """

    year: Case
    fine: Case
    lead: int
    hard: int
    least: Seconds
    most: Seconds
    tried: tuple[Tried, ...]
    nights: dict
    beside: Seconds | None = None


def answers(work: Work, year: House, fine: House, made: Fleet) -> Answers:
    """Run the year and the seconds. Errors: MissingInput where no night fits."""
    whole = case(year, made)
    close = whole if fine is year else case(fine, made)
    totals = [sum(float(energy.sum()) for energy in minutes(whole, shape).energy_kwh) for shape in range(len(year.shapes_a))]
    lead = min(range(len(totals)), key=totals.__getitem__)
    ran = [seconds(close, shape) for shape in range(len(fine.shapes_a))]
    hard = max(range(len(ran)), key=lambda shape: (ran[shape].longest_s, ran[shape].over_as, ran[shape].peak_a))
    easy = min(range(len(ran)), key=lambda shape: ran[shape].longest_s)
    beside = None
    if close is not whole and made.service is not None:
        beside = max((seconds(whole, shape) for shape in range(len(year.shapes_a))), key=lambda one: one.longest_s)
    runs = tuple(tried(work, close, hard, *ran[hard].worst))
    return Answers(whole, close, lead, hard, ran[easy], ran[hard], runs, _nights(whole, lead), beside)


def _nights(one: Case, shape: int) -> dict:
    """Nights of each charger whose vehicle is known."""
    from workbook_lib.simulate.charging_outcome import nights

    ran, found = minutes(one, shape), {}
    for name, plan, energy in zip(one.fleet.order, one.plans, ran.energy_kwh, strict=True):
        if plan.known:
            found[name] = nights(energy, plan.need_kwh, plan.plugged)
    return found


def results(work: Work, found: Answers) -> None:
    """Currents, starts, energy and nights by their agreed names."""
    ran, group = minutes(found.year, found.lead), found.fine.fleet.service
    over = f"over {_span(found.year.house)}"
    whole = float(ran.service_a.max())
    top = max(found.most.peak_a, whole if group is None else min(whole, group.setting.value))
    if found.year.house.known:
        work.result("peak_service_a", simulated("peak", "highest current of the heavier leg", top, "A", 1, over))
    if group is not None:
        note = _nights_run(found.most, found.fine.house)
        for key, words, value, unit in (
            ("time_above_setting_s", "time above the setting", found.most.over_s, "s"),
            ("longest_above_setting_s", "longest time above the setting", longest(found), "s"),
            ("overshoot_as", "current above the setting times its time", found.most.over_as, "A s"),
        ):
            work.result(key, simulated(key.removesuffix(f"_{unit.replace(' ', '')}"), words, value, unit, 0, note))
    hour, day = _starts(found)
    work.result(
        "charger_starts_per_hour_max", simulated("starts_hour", "most starts of a charger in an hour", float(max(hour)), "count", 0, over)
    )
    work.result(
        "charger_starts_per_day_max", simulated("starts_day", "most starts of a charger in 24 hours", float(max(day)), "count", 0, over)
    )
    free = minutes(found.year, found.lead, free=True)
    for place, name in enumerate(found.year.fleet.order):
        if name not in found.nights:
            continue
        nights, energy = found.nights[name], float(ran.energy_kwh[place].sum())
        work.result(f"energy_delivered_kwh:{name}", simulated(f"energy.{name}", f"energy delivered at {name}", energy, "kWh", 1, over))
        without = float(free.energy_kwh[place].sum())
        work.result(
            f"energy_without_control_kwh:{name}",
            simulated(f"free.{name}", f"the same without a control at {name}", without, "kWh", 1, over),
        )
        words = f"share of {nights.count} nights that meet the need at {name}"
        work.result(f"nights_meeting_need_frac:{name}", simulated(f"share.{name}", words, nights.share, "frac", 4, over))
        words = f"longest run of nights that miss the need at {name}"
        work.result(
            f"longest_missed_nights_count:{name}", simulated(f"missed.{name}", words, float(nights.longest_missed), "count", 0, over)
        )
        words = f"energy that the nights at {name} fell short by"
        work.result(f"energy_missed_kwh:{name}", simulated(f"short.{name}", words, nights.missed_kwh, "kWh", 1, over))


def _span(house: House) -> str:
    return "a year" if house.days >= YEAR_DAYS - 1 else f"{house.days} days"


def _nights_run(found: Seconds, house: House) -> str:
    some = "all nights" if found.nights == found.count else f"{found.nights} of {found.count} nights"
    why = "" if found.nights == found.count else ", the others cannot pass it" if house.fine else ", those in which most comes together"
    return f"{some} at one second{why}"


def longest(found: Answers) -> float:
    """Longest time above the setting of every run of ordinary use [s]."""
    from workbook_lib.simulate.charging_outcome import excursions

    setting = found.fine.fleet.service.setting.value
    return max([found.most.longest_s, *(excursions(one.ran.service_a, setting, 1.0).longest_s for one in found.tried if one.ordinary)])


def _starts(found: Answers) -> tuple[list[int], list[int]]:
    """Most starts of each charger in an hour and in a day, over both scales; of a store none are counted."""
    from workbook_lib.simulate.charging_outcome import most_starts

    ran = minutes(found.year, found.lead)
    cars = [0 if plan.store else 1 for plan in found.year.plans]
    hour = [max(most_starts(row, 60.0, 3600.0), fine) for row, fine in zip(ran.vehicle_a, found.most.hour_starts, strict=True)]
    day = [max(most_starts(row, 60.0, 86400.0), fine) for row, fine in zip(ran.vehicle_a, found.most.day_starts, strict=True)]
    return [most * car for most, car in zip(hour, cars, strict=True)], [most * car for most, car in zip(day, cars, strict=True)]


# checks


def checks(work: Work, found: Answers) -> None:
    """Checks of the runs: control, lost signals, starts, needs."""
    group = found.fine.fleet.service
    if group is not None:
        work.guarded(f"control-holds:{group.row.id}", HOLDS, lambda: _holds(work, found))
        _lost(work, found)
    hour, _ = _starts(found)
    names = {one.id for one in work.chargers}
    for name, most in zip(found.year.fleet.order, hour, strict=True):
        if name in names:
            _starts_check(work, name, most)
            _need(work, found, name)


def _holds(work: Work, found: Answers) -> Check:
    from workbook_lib.errors import MissingInput

    group = found.fine.fleet.service
    row = group.row
    reaction = charging_run.reaction_time(row.id, _parts(group))
    work.result(f"reaction_time_s:{row.id}", reaction)
    if row.allowed_time_above is None:
        raise MissingInput([f"control.{row.id}.allowed_time_above"], "how long the service may be above the setting")
    value = simulated(f"longest.{row.id}", f"longest time above the setting of {row.id}", longest(found), "s", 0)
    open_ = [*found.fine.house.open, *found.fine.fleet.open]
    if found.beside is not None and found.beside.longest_s > row.allowed_time_above.value:
        open_.append(f"over the longer record, modelled within its intervals, it would be {found.beside.longest_s:,.0f} s")
    unsure = "; ".join(dict.fromkeys(open_))
    words = _excursion_words(work, found, reaction, row.allowed_time_above)
    return charging_run.holds_check(row.id, value, row.allowed_time_above, least_s=found.least.longest_s, unsure=unsure, words=words)


def _parts(group) -> dict[str, Quantity]:
    """Delays in a row from the house to the vehicle [s]: of the slowest vehicle."""
    row, slow = group.row, max(group.vehicles, key=lambda one: one.response_s + one.onboard_a / one.ramp_a_per_s)
    given = {"sample": row.sample, "sensor": row.sensor_delay, "response": row.response}
    parts: dict[str, Quantity] = {name: one for name, one in given.items() if one is not None}
    parts["vehicle"] = Input("run.vehicle", "response of the slowest vehicle", slow.response_s, "s", "choice")
    if slow.ramp_a_per_s < float("inf"):
        ramp = slow.onboard_a / slow.ramp_a_per_s
        parts["ramp"] = Input("run.ramp", "time of the slowest vehicle from its full current to none", ramp, "s", "choice")
    return parts


def _excursion_words(work: Work, found: Answers, reaction: Step, allowed: Input) -> str:
    """What the longest excursion is made of, and by how much and how it would have to be shorter."""
    group, most = found.fine.fleet.service, longest(found)
    setting = group.setting.value
    alone = float((found.fine.house.shapes_a[found.hard] > setting).sum()) * 60.0
    words = [
        f"{found.most.over_s:,.0f} s in all, {found.most.over_as:,.0f} A s, at most {found.most.peak_a:.1f} A at a setting of {setting:g} A"
    ]
    if found.beside is not None:
        days, longer = found.fine.house.days, found.beside.longest_s
        words.append(f"on {days} days of the fast record; modelled over the longer one {longer:,.0f} s")
    if alone:
        words.append(f"the house alone is above the setting for {alone / 60:,.0f} min, which no control of the chargers holds")
    if most > allowed.value:
        over = most - allowed.value
        parts = ", ".join(f"{name} {one.value:g} s" for name, one in reaction.uses.items())
        words.append(
            f"{over:,.0f} s too long: {parts} would have to be {over:,.0f} s shorter together, a lower setting does not shorten it"
        )
        if group.control.fall_band_a:
            words.append(f"its dead band of {group.control.fall_band_a:g} A holds back reductions, so that what is less stays above")
    return "; ".join(words)


def _lost(work: Work, found: Answers) -> None:
    """Check `control-lost:CONTROL` where the time of the reaction is stated."""
    from workbook_lib.simulate.charging_outcome import excursions

    row = found.fine.fleet.service.row
    runs = [one for one in found.tried if not one.ordinary]
    if not runs or work.limit is None or row.allowed_time_above is None:
        return
    over = {one.name: excursions(one.ran.service_a, work.limit.value, 1.0) for one in runs}
    value = max(one.longest_s for one in over.values())
    words = "; ".join(f"{name}: up to {one.peak_a:.1f} A" for name, one in over.items())
    longest_ = simulated(f"lost.{row.id}", "longest time above the limit of the service", value, "s", 0)
    check = charging_run.lost_check(row.id, longest_, row.allowed_time_above, words)
    if found.fine.house.open and check.verdict is Verdict.PASS:
        note = f"{'; '.join(found.fine.house.open)}; {check.note}"
        closes = "a record of one minute or faster by leg, or a test of the installed control"
        check = Check(
            check.key,
            check.question,
            Verdict.JUDGEMENT,
            longest_,
            "<=",
            row.allowed_time_above,
            note=note,
            closes=closes,
            decides="the engineer",
        )
    work.checks.append(check)


def _starts_check(work: Work, name: str, most: int) -> None:
    one = next(each for each in work.chargers if each.id == name)
    allowed = one.most_starts_per_hour
    if allowed is None:
        allowed = Input(
            f"evse.{name}.most_starts_per_hour",
            "starts in an hour that are allowed",
            STARTS_PER_HOUR,
            "count",
            "choice",
            "not stated: a choice",
        )
    else:
        allowed = Input(allowed.key, allowed.meaning, float(allowed.value), "count", allowed.origin, allowed.note, allowed.text)
    value = simulated(f"starts.{name}", f"most starts of {name} in an hour", float(most), "count", 0)
    work.checks.append(charging_run.starts_check(name, value, allowed))


def _need(work: Work, found: Answers, name: str) -> None:
    """Checks `vehicle-need:EVSE` and `vehicle-window:EVSE`."""
    from workbook_lib.workbooks.prepare import nominal_voltage

    group = next(one for one in found.year.fleet.groups if name in one.ids)
    place = group.ids.index(name)
    night, vehicle = group.nights[place], group.vehicles[place]
    question = f"does the vehicle at {name} get its need in the asked share of nights?"
    if work.vehicle(name) is None and not group.sees:
        work.checks.append(no_vehicle(name))
        return
    if name not in found.nights:
        work.checks.append(needs_input(f"vehicle-need:{name}", question, need_fields(work, name)))
        return
    nights = found.nights[name]
    asked = night.share or Input(
        f"vehicle.{name}.need_share", "share of the nights that must meet the need", NEED_SHARE, "frac", "choice", "not stated: a choice"
    )
    share = simulated(f"share.{name}", f"share of {nights.count} nights that meet the need", nights.share, "frac", 4)
    miles = nights.missed_kwh * night.miles
    note = f"{nights.met} of {nights.count} nights, at most {nights.longest_missed} missed in a row"
    note += f"; {nights.missed_kwh:,.1f} kWh missed, {miles:,.0f} miles at {night.miles:.2f} miles a kWh" if nights.missed_kwh else ""
    work.checks.append(charging_run.need_check(name, share, asked, note))
    window = hours(f"evse.{name}.window_h", f"hours from arrival to departure at {name}", night.arrive, night.depart)
    current = Input(f"run.{name}.current", f"most that charger and vehicle take at {name}", vehicle.onboard_a, "A", "choice")
    one = next(each for each in work.chargers if each.id == name)
    most = charging_run.window_energy(name, window, current, one.voltage or nominal_voltage(work.edition))
    work.checks.append(charging_run.window_check(name, night.need, most))


def no_vehicle(name: str) -> Check:
    """Check `vehicle-need:EVSE` of a charger of which no need is stated and that no control of the service holds back."""
    question = f"does the vehicle at {name} get its need in the asked share of nights?"
    return Check(f"vehicle-need:{name}", question, Verdict.NOT_APPLICABLE, note="no vehicle is stated, and nothing holds its charger back")


def need_fields(work: Work, name: str) -> list[str]:
    """Fields of the vehicle at a charger that its nights need and that lack."""
    known = work.vehicle(name)
    if known is None:
        return [f"vehicle (a row with evse = {name}, need_per_night, arrive, depart)"]
    path, car = known
    return [f"{path}.{field}" for field in ("need_per_night", "arrive", "depart") if getattr(car, field) is None]
