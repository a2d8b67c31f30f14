"""The other way round: the lowest setting, the room for a house that grows, another raise delay, the largest charger."""

from __future__ import annotations

from dataclasses import replace

from workbook_lib.errors import MissingInput
from workbook_lib.rules import service
from workbook_lib.sheet import Section, Table
from workbook_lib.workbooks import readings
from workbook_lib.workbooks.charging_fleet import NEED_SHARE
from workbook_lib.workbooks.charging_results import Answers
from workbook_lib.workbooks.charging_runs import DAY_MIN, Case, minutes, replaced, seconds
from workbook_lib.workbooks.charging_work import Work, simulated
from workbook_lib.workbooks.prepare import nominal_voltage

EARLY_DAYS = 45
"""Days after which a setting that misses too much is given up."""
ABOVE = 6
"""Settings above the lowest that are tried as well [count]."""
GROWTHS = tuple(1.0 + place / 20.0 for place in range(21))
"""Growth of the house that is tried [-]."""
DELAYS_S = (0.0, 60.0, 300.0, 900.0, 1800.0)
"""Raise delays that are shown beside the one of the control [s]."""


def inverses(work: Work, found: Answers) -> None:
    """Results and tables of the inverses of the runs. What cannot be found is said."""
    why = (
        "nothing holds the service" if found.year.fleet.service is None else "no nights of a vehicle are stated" if not found.nights else ""
    )
    if why:
        work.not_checked += [f"{key}: {why}" for key in ("lowest_setting_a", "house_growth_left_frac")]
        return
    _lowest(work, found)
    _growth(work, found)
    _raise_delays(work, found)


def _meets(found: Answers, one: Case) -> bool:
    """Whether every vehicle whose nights are known gets its need in the asked share of them, by the shape that gives least."""
    return all(share >= asked - 1e-12 for share, asked in _shares(found, one))


def _shares(found: Answers, one: Case) -> list[tuple[float, float]]:
    from workbook_lib.simulate.charging_outcome import nights

    ran, pairs, asked = minutes(one, found.lead), [], _asked(one)
    for name, plan, energy in zip(one.fleet.order, one.plans, ran.energy_kwh, strict=True):
        if plan.known:
            pairs.append((nights(energy, plan.need_kwh, plan.plugged).share, asked[name]))
    return pairs


def _asked(one: Case) -> dict[str, float]:
    """Share of the nights that must meet the need of each vehicle [-]."""
    return {
        name: night.share.value if night.share is not None else NEED_SHARE
        for group in one.fleet.groups
        for name, night in zip(group.ids, group.nights, strict=True)
    }


def _at_setting(found: Answers, setting_a: float) -> Case:
    group = found.year.fleet.service
    return found.year.with_fleet(replaced(found.year.fleet, group, replace(group, control=replace(group.control, setting_a=setting_a))))


def _fails_early(found: Answers, one: Case) -> bool:
    """Whether the first days alone miss more nights than may be missed in all."""
    from workbook_lib.workbooks.charging_runs import MINUTE_S, follow

    low = EARLY_DAYS * DAY_MIN
    shape = one.house.shapes_a[found.lead]
    if len(shape) <= 2 * low:
        return False
    session = [plan.session[:low] for plan in one.plans]
    ran = follow(one.fleet, shape[:low], session, [plan.need_kwh for plan in one.plans], MINUTE_S)
    asked = _asked(one)
    for name, plan, energy in zip(one.fleet.order, one.plans, ran.energy_kwh, strict=True):
        if not plan.known:
            continue
        done = int(plan.session[:low].max()) if plan.session[low] == plan.session[:low].max() else int(plan.session[:low].max()) + 1
        missed = int((plan.plugged[:done] & (energy[:done] < plan.need_kwh[:done] - 1e-6)).sum())
        if missed > (1.0 - asked[name]) * int(plan.plugged.sum()) + 1e-9:
            return True
    return False


def _lowest(work: Work, found: Answers) -> None:
    """Result `lowest_setting_a`: every whole ampere from the least, since a real control is not monotone; some above it are tried too."""
    top = work.limit.value if work.limit is not None else found.year.fleet.service.setting.value
    lowest = None
    for setting in range(int(top) + 1):
        one = _at_setting(found, float(setting))
        if not _fails_early(found, one) and _meets(found, one):
            lowest = setting
            break
    if lowest is None:
        work.not_checked.append(f"lowest_setting_a: no setting up to {top:g} A meets the need in the asked share of nights")
        return
    above = [lowest + (top - lowest) * place / ABOVE for place in range(1, ABOVE + 1)] + [lowest + 1.0, lowest + 2.0]
    broken = sorted(setting for setting in above if setting <= top and not _meets(found, _at_setting(found, float(int(setting)))))
    words = "lowest setting at which every vehicle gets its need in the asked share of nights"
    most = max(float(shape.max()) for shape in (*found.year.house.shapes_a[:1], *found.fine.house.shapes_a[:1]))
    note = f"the house alone reaches {most:.1f} A" + (", above it" if most > lowest else "")
    floor = work.calculation.results.get("always_on_a")
    note += f"; by calculation it has to be {floor.value:.1f} A at least" if floor is not None and floor.value > lowest else ""
    note += f"; at {broken[0]:.0f} A it is not met: a real control is not monotone" if broken else ""
    work.result("lowest_setting_a", simulated("lowest_setting", words, float(lowest), "A", 0, note))


def _growth(work: Work, found: Answers) -> None:
    """Result `house_growth_left_frac`: the largest growth of the house's load up to which nights meet the need."""
    passing = None
    for growth in GROWTHS:
        if not _meets(found, found.year.with_house(growth)):
            break
        passing = growth
    if passing is None:
        work.not_checked.append("house_growth_left_frac: the need is not met as the house is")
        return
    words = "growth of the house at which every vehicle still gets its need" + (", at least" if passing == GROWTHS[-1] else "")
    note = "in steps of 5 %; the service itself is tested in service-capacity and control-holds"
    work.result("house_growth_left_frac", simulated("growth", words, passing - 1.0, "frac", 2, note))


def _raise_delays(work: Work, found: Answers) -> None:
    """What another raise delay brings and costs."""
    group = found.year.fleet.service
    own, rows = group.control.raise_delay_s, []
    for delay in sorted({*DELAYS_S, own}):
        other = replace(group, control=replace(group.control, raise_delay_s=delay))
        year = found.year.with_fleet(replaced(found.year.fleet, group, other))
        ran = minutes(year, found.lead)
        energy = sum(float(each.sum()) for each, plan in zip(ran.energy_kwh, year.plans, strict=True) if plan.known)
        share = min(share for share, _ in _shares(found, year))
        rows.append(
            (
                f"{delay / 60:g} min{', as stated' if delay == own else ''}",
                round(energy, 1),
                f"{100 * share:.1f} %",
                _most_starts(ran),
                _over(found, delay),
            )
        )
    columns = ("Raise delay", "Energy (kWh)", "Nights met", "Most starts in an hour", "Longest above the setting (s)")
    prose = "A shorter delay can give more energy and more starts; a rise that comes too soon is taken back and counts as time above the "
    prose += "setting. In the run at one minute every delay is rounded up to whole minutes."
    work.sections.append(Section("What another raise delay costs", (), prose, Table(columns, tuple(rows), "Raise delays", 1)))


def _most_starts(ran) -> int:
    from workbook_lib.simulate.charging_outcome import most_starts

    return max(most_starts(row, 60.0, 3600.0) for row in ran.vehicle_a)


def _over(found: Answers, delay: float) -> float:
    """Longest time above the setting under another delay [s]."""
    group = found.fine.fleet.service
    one = found.fine.with_fleet(replaced(found.fine.fleet, group, replace(group, control=replace(group.control, raise_delay_s=delay))))
    return seconds(one, found.hard).longest_s


def largest(work: Work) -> None:
    """Result `largest_evse_a`: the largest standard charger that the calculation carries without any control."""
    known = work.calculation
    if known.chosen is None or known.limit is None:
        work.not_checked.append("largest_evse_a: there is no service load or no limit")
        return
    for name, answer in known.answers.items():
        known.result(f"{name}_a", service.load_current(f"{name}.current", answer.total, nominal_voltage(work.edition)))
    known.sections, known.not_checked = [], []
    try:
        readings.inverse(known)
    except MissingInput as lack:
        work.not_checked.append(f"largest_evse_a: {lack}")
        return
    if "largest_evse_a" in known.results:
        work.results["largest_evse_a"] = known.results["largest_evse_a"]
        return
    work.not_checked += [line for line in known.not_checked if line.startswith("largest_evse_a:")][:1]
