"""What came of the runs: results and checks by their agreed names."""

from __future__ import annotations

from dataclasses import dataclass, replace

from workbook_lib.errors import MissingInput
from workbook_lib.rules import charging_run
from workbook_lib.sheet import Check, Input, Quantity, Step, Verdict, compare, needs_input
from workbook_lib.workbooks.charging_faults import Tried, lost_lacks, shared_excursion, tried
from workbook_lib.workbooks.charging_fleet import NEED_SHARE, Fleet
from workbook_lib.workbooks.charging_house import YEAR_DAYS, House
from workbook_lib.workbooks.charging_runs import Case, Seconds, case, seconds, year
from workbook_lib.workbooks.charging_work import Work, hours, simulated

HOLDS = "is the longest time above the setting within what is allowed?"
STARTS_PER_HOUR = 6.0
"""Starts in an hour that are allowed where it is not stated [count]: one in ten minutes. A choice."""


@dataclass(frozen=True)
class Answers:
    """Everything that the runs gave: case of the year and of the seconds, the shape that decides for each, nights by charger, faults.

    `least_s` longest time above the setting by the shape that is least hard [s], over the longer record too; `most` the worst of every
    shape; `beside` that of the record of the year where the seconds are taken from another one, `beside_lost_s` its longest time above
    the service with a signal lost [s]; `unused` why the fast record is not; `all_night_s` longest time above the setting where every
    vehicle charges as long as it is there [s].
    """

    year: Case
    fine: Case
    lead: int
    hard: int
    least_s: float
    most: Seconds
    tried: tuple[Tried, ...]
    nights: dict
    beside: Seconds | None = None
    unused: str = ""
    beside_lost_s: float = 0.0
    all_night_s: float = 0.0


def answers(work: Work, long: House, fine: House, made: Fleet) -> Answers:
    """Run the year and the seconds. Errors: MissingInput where no night fits."""
    whole, unused = case(long, made), ""
    close = whole
    if fine is not long:
        try:
            close = case(fine, made)
        except MissingInput as lack:
            unused = f"the fast record is not used: {lack}"
    totals = [sum(float(energy.sum()) for energy in year(whole, shape).energy_kwh) for shape in range(len(long.shapes_a))]
    shares = [min((one.share for one in _nights(whole, shape).values()), default=1.0) for shape in range(len(long.shapes_a))]
    lead = min(range(len(totals)), key=lambda shape: (shares[shape], totals[shape]))
    ran = [seconds(close, shape) for shape in range(len(close.house.shapes_a))]
    hard = max(range(len(ran)), key=lambda shape: (ran[shape].over_as, ran[shape].longest_s, ran[shape].peak_a))
    least, beside, lost = min(one.longest_s for one in ran), None, 0.0
    if close is not whole and made.service is not None:
        others = [seconds(whole, shape) for shape in range(len(long.shapes_a))]
        least, beside = max(least, min(one.longest_s for one in others)), _worst(others)
        worst = max(range(len(others)), key=lambda shape: (others[shape].over_as, others[shape].peak_a))
        told = tried(work, whole, worst, others[worst].worst)
        lost = max((one.above_s for one in told if not one.ordinary and one.name.endswith("lost")), default=0.0)
    runs = tuple(tried(work, close, hard, ran[hard].worst))
    all_night = seconds(close.wanting(), hard).longest_s if made.service is not None else 0.0
    return Answers(whole, close, lead, hard, least, _worst(ran), runs, _nights(whole, lead), beside, unused, lost, all_night)


def _worst(ran: list[Seconds]) -> Seconds:
    """The worst of each figure over the shapes; nights and the worst night are those of the shape with most ampere-seconds."""
    most = max(ran, key=lambda one: (one.over_as, one.longest_s, one.peak_a))
    tops = {name: max(getattr(one, name) for one in ran) for name in ("over_s", "longest_s", "over_as", "peak_a")}
    starts = [tuple(max(each) for each in zip(*(getattr(one, name) for one in ran), strict=True)) for name in ("hour_starts", "day_starts")]
    return replace(most, **tops, hour_starts=starts[0], day_starts=starts[1])


def _nights(one: Case, shape: int) -> dict:
    """Nights of each charger whose vehicle is known."""
    from workbook_lib.simulate.charging_outcome import nights

    ran, found = year(one, shape), {}
    for name, plan, energy in zip(one.fleet.order, one.plans, ran.energy_kwh, strict=True):
        if plan.known:
            found[name] = nights(energy, plan.need_kwh, plan.plugged)
    return found


def results(work: Work, found: Answers) -> None:
    """Currents, starts, energy and nights by their agreed names."""
    ran, group = year(found.year, found.lead), found.fine.fleet.service
    over = f"over {_span(found.year.house)}"
    whole = ran.peak_a
    top = max(found.most.peak_a, whole if group is None else min(whole, group.setting.value), float(found.year.house.shapes_a[0].max()))
    if found.year.house.known:
        note = f"over {_span(found.fine.house)}"
        note += f"; modelled over the longer record {found.beside.peak_a:.1f} A" if found.beside is not None else ""
        work.result("peak_service_a", simulated("peak", "highest current of the heavier leg", top, "A", 1, note))
    if group is None:
        why = "nothing that is followed holds the service to a setting"
        work.not_checked += [f"{key}: {why}" for key in ("time_above_setting_s", "longest_above_setting_s", "overshoot_as")]
    if group is not None:
        note = _nights_run(found.most, found.fine.house)
        for key, words, value, unit in (
            ("time_above_setting_s", "time above the setting", found.most.over_s, "s"),
            ("longest_above_setting_s", "longest time above the setting", found.most.longest_s, "s"),
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
    free = year(found.year.free(), found.lead)
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
        missed = simulated(f"short.{name}", words, nights.missed_kwh, "kWh", 1, over)
        work.result(f"energy_missed_kwh:{name}", missed)
        words = f"distance that the nights at {name} fell short by"
        work.result(f"miles_missed:{name}", charging_run.distance(name, missed, _night_of(found, name).miles, words))


def _span(house: House) -> str:
    return "a year" if house.days >= YEAR_DAYS - 1 else f"{house.days} days"


def _nights_run(found: Seconds, house: House) -> str:
    some = "all days" if found.nights == found.count else f"{found.nights} of {found.count} days, parted where nothing is plugged in,"
    why = "" if found.nights == found.count else ", the others cannot pass it" if house.fine else ", those in which most comes together"
    return f"{some} at one second{why}"


def longest(found: Answers) -> tuple[float, str]:
    """Longest time above the setting of every run of ordinary use [s], and which run that is."""
    runs = [(found.most.longest_s, "as stated"), *((one.over.longest_s, one.name) for one in found.tried if one.ordinary)]
    runs.append((found.all_night_s, "a vehicle that charges all night"))
    if found.least_s > found.most.longest_s:
        runs.append((found.least_s, "over the longer record, flat within its intervals"))
    return max(runs, key=lambda pair: pair[0])


def _starts(found: Answers) -> tuple[list[int], list[int]]:
    """Most starts of each charger in an hour and in a day, over both scales; of a store none are counted."""
    ran = year(found.year, found.lead)
    cars = [0 if plan.store else 1 for plan in found.year.plans]
    hour = [max(long, fine) for long, fine in zip(ran.hour_starts, found.most.hour_starts, strict=True)]
    day = [max(long, fine) for long, fine in zip(ran.day_starts, found.most.day_starts, strict=True)]
    return [most * car for most, car in zip(hour, cars, strict=True)], [most * car for most, car in zip(day, cars, strict=True)]


# checks


def checks(work: Work, found: Answers) -> None:
    """Checks of the runs: control, lost signals, starts, needs."""
    group = found.fine.fleet.service
    if group is not None:
        work.guarded(f"control-holds:{group.row.id}", HOLDS, lambda: _holds(work, found))
        _lost(work, found)
    if group is None and found.year.house.known and work.limit is not None:
        work.checks.append(_unheld(work, found))
    _shared(work, found)
    hour, _ = _starts(found)
    names = {one.id for one in work.chargers}
    for name, most in zip(found.year.fleet.order, hour, strict=True):
        if name in names:
            _starts_check(work, name, most)
            _need(work, found, name)


def _holds(work: Work, found: Answers) -> Check:
    group = found.fine.fleet.service
    row = group.row
    reaction = charging_run.reaction_time(row.id, _parts(work, group))
    work.result(f"reaction_time_s:{row.id}", reaction)
    if row.allowed_time_above is None:
        raise MissingInput([f"control.{row.id}.allowed_time_above"], "how long the service may be above the setting")
    spent, which = longest(found)
    value = simulated(f"longest.{row.id}", f"longest time above the setting of {row.id}, {which}", spent, "s", 0)
    open_ = [*found.fine.house.open, *found.fine.fleet.open]
    if found.beside is not None and found.beside.longest_s > row.allowed_time_above.value:
        open_.append(f"over the longer record, modelled within its intervals, it would be {found.beside.longest_s:,.0f} s")
    words = _excursion_words(work, found, reaction, row.allowed_time_above)
    unsure = "; ".join(dict.fromkeys(open_))
    own = [*found.fine.house.open, *found.fine.fleet.open]
    least = found.least_s if own else max(found.least_s, spent)  # what is measured and stated fails as it is
    return charging_run.holds_check(row.id, value, row.allowed_time_above, least_s=least, unsure=unsure, words=words)


def _parts(work: Work, group) -> dict[str, Quantity]:
    """Delays in a row from the house to the vehicle [s]: of the slowest vehicle."""
    row, slow = group.row, max(group.vehicles, key=lambda one: one.response_s + one.onboard_a / one.ramp_a_per_s)
    given = {"sample": row.sample, "sensor": row.sensor_delay, "response": row.response}
    parts: dict[str, Quantity] = {name: one for name, one in given.items() if one is not None}
    known = work.vehicle(group.ids[group.vehicles.index(slow)])
    car = known[1] if known is not None else None
    stated = car.response if car is not None else None
    parts["vehicle"] = stated or Input("run.vehicle", "response of the slowest vehicle, not stated", slow.response_s, "s", "choice")
    if car is not None and car.ramp_time is not None and car.ramp_time.value > 0:
        parts["ramp"] = car.ramp_time
    return parts


def _excursion_words(work: Work, found: Answers, reaction: Step, allowed: Input) -> str:
    """What the longest excursion is made of, and by how much and how it would have to be shorter."""
    group, (spent, which) = found.fine.fleet.service, longest(found)
    setting, most = group.setting.value, found.most
    words = [f"{most.over_s:,.0f} s in all, {most.over_as:,.0f} A s, at most {most.peak_a:.1f} A at a setting of {setting:g} A"]
    if found.beside is not None:
        days = found.fine.house.days
        beside = found.beside
        modelled = f"modelled over the longer one {beside.longest_s:,.0f} s, at most {beside.peak_a:.1f} A"
        words.append(f"on {days} days of the fast record; {modelled}")
    alone = max(float((house.shapes_a[0] > setting).sum()) for house in (found.fine.house, found.year.house))
    if alone:
        words.append(f"the house alone is above the setting for {alone:,.0f} min in all, which no control of the chargers holds")
    if spent > allowed.value:
        over, parts = spent - allowed.value, ", ".join(f"{name} {one.value:g} s" for name, one in reaction.uses.items())
        words.append(f"{over:,.0f} s too long ({which})")
        if not alone and most.longest_s <= reaction.value + 1.0:
            words.append(f"{parts} would have to be {over:,.0f} s shorter together; a lower setting does not shorten it")
        if group.control.fall_band_a:
            words.append(f"its dead band of {group.control.fall_band_a:g} A holds back reductions, so that what is less stays above")
    return "; ".join(words)


def _lost(work: Work, found: Answers) -> None:
    """Check `control-lost:CONTROL` where the reaction to a loss is stated."""
    group = found.fine.fleet.service
    row, runs = group.row, [one for one in found.tried if not one.ordinary and one.name.endswith("lost")]
    lacking = lost_lacks(work, group)
    lacking += [f"control.{row.id}.allowed_time_above"] if row.allowed_time_above is None else []
    lacking += ["service.rating"] if work.limit is None else []
    if lacking or not runs:
        why = f"not stated: {', '.join(lacking)}" if lacking else "nothing charges in the nights that were tried"
        work.not_checked.append(f"a lost signal, second by second: {why}")
        if lacking:
            asked = "is the service above its limit no longer than is allowed while a signal is lost?"
            work.checks.append(needs_input(f"control-lost:{row.id}", asked, lacking, note=f"not followed: {why}", counts=False))
        return
    spent = max(one.above_s for one in runs)
    words = "; ".join(f"{one.name}: up to {one.over.peak_a:.1f} A, {one.over.longest_s:,.0f} s above the setting" for one in runs)
    words += f"; modelled over the longer record {found.beside_lost_s:,.0f} s above the service" if found.beside is not None else ""
    value = simulated(f"lost.{row.id}", "longest time above the limit of the service", spent, "s", 0)
    check = charging_run.lost_check(row.id, value, row.allowed_time_above, words)
    open_ = [*found.fine.house.open, *found.fine.fleet.open]
    if found.beside_lost_s > row.allowed_time_above.value:
        open_.append(f"over the longer record, modelled within its intervals, it would be {found.beside_lost_s:,.0f} s")
    if open_ and check.verdict is Verdict.PASS:
        note = f"{'; '.join(dict.fromkeys(open_))}; {check.note}"
        closes = "a record of one minute or faster by leg, or a test of the installed control"
        sides = (value, "<=", row.allowed_time_above)
        check = Check(check.key, check.question, Verdict.JUDGEMENT, *sides, note=note, closes=closes, decides="the engineer")
    work.checks.append(check)


def _unheld(work: Work, found: Answers) -> Check:
    """Check `service-peak`: what house and chargers reach together where nothing holds the service, beside the calculation."""
    top = year(found.year, 0).peak_a
    value = simulated("unheld", "highest current of house and chargers together", top, "A", 1)
    check = compare("service-peak", "does the service carry what house and chargers reach together?", value, "<=", work.limit)
    if check.verdict is Verdict.PASS:
        return replace(check, note=f"{found.year.house.words}, {found.year.house.names[0]}")
    note = f"{found.year.house.words}: the calculation is the test of the code, and what was metered says more than it"
    closes, decides = "a smaller charger, a listed control, or the engineer's reasons", "the engineer"
    return replace(check, verdict=Verdict.JUDGEMENT, note=note, closes=closes, decides=decides)


def _shared(work: Work, found: Answers) -> None:
    """Check `control-holds:CONTROL` of a control that shares a circuit: the chargers together, each of them coming last."""
    for group in found.year.fleet.groups:
        if group.sees or group.control.kind != "sensing":
            continue
        key, asked = f"control-holds:{group.row.id}", "are the chargers of the circuit above its setting no longer than is allowed?"
        over, last = shared_excursion(group)
        note = f"each of the chargers comes while the others charge; worst where {last} does, {over.peak_a:.1f} A together"
        value = simulated(f"shared.{group.row.id}", "longest time of the chargers together above their setting", over.longest_s, "s", 0)
        allowed = group.row.allowed_time_above
        if allowed is None and over.longest_s > 0.0:
            lacking = [f"control.{group.row.id}.allowed_time_above"]
            work.checks.append(needs_input(key, asked, lacking, note=f"{note}; above the setting for {over.longest_s:,.0f} s"))
        elif allowed is None:
            work.checks.append(Check(key, asked, Verdict.PASS, note=f"{note}: never above it"))
        else:
            check = compare(key, asked, value, "<=", allowed, note=note)
            if check.verdict is Verdict.PASS and found.year.fleet.open:
                closes, words = "the makers' figures, or a test of the installed control", "; ".join(found.year.fleet.open)
                check = replace(check, verdict=Verdict.JUDGEMENT, note=f"{words}; {note}", closes=closes, decides="the engineer")
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
    if work.vehicle(name) is None and group.row is None:
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
    miles = nights.missed_kwh * night.miles.value
    note = f"{nights.met} of {nights.count} nights, at most {nights.longest_missed} missed in a row"
    if found.year.house.days < YEAR_DAYS - 1:
        work.notes.append(f"nights are those of {found.year.house.days} days only: other seasons are not in them")
    note += f"; {nights.missed_kwh:,.1f} kWh missed, {miles:,.0f} miles at {night.miles.value:.2f} miles a kWh" if nights.missed_kwh else ""
    work.checks.append(charging_run.need_check(name, share, asked, note))
    window = hours(f"evse.{name}.window_h", f"hours from arrival to departure at {name}", night.arrive, night.depart)
    current = Input(f"run.{name}.current", f"most that charger and vehicle take at {name}", vehicle.onboard_a, "A", "choice")
    one = next(each for each in work.chargers if each.id == name)
    most = charging_run.window_energy(name, window, current, one.voltage or nominal_voltage(work.edition))
    work.checks.append(charging_run.window_check(name, night.need, most))


def _night_of(found: Answers, name: str):
    """Night of a vehicle as it is stated."""
    group = next(one for one in found.year.fleet.groups if name in one.ids)
    return group.nights[group.ids.index(name)]


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
