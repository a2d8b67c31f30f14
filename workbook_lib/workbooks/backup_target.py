"""How long and how likely: results and checks of the sweep, its tables, and what may be told to a client."""

from __future__ import annotations

import calendar
import math
from dataclasses import dataclass, replace

from workbook_lib.rules import energy
from workbook_lib.rules.store import added, all_stores
from workbook_lib.sheet import Check, Input, Section, Step, Table, Verdict, compare
from workbook_lib.workbooks.backup_answers import MEDIAN, NINE_IN_TEN, Answers, Setting
from workbook_lib.workbooks.backup_figures import percent
from workbook_lib.workbooks.backup_work import Work
from workbook_lib.workbooks.prepare import text

SIMULATED = "simulated"
QUANTILES = (0.5, 0.75, 0.9, 0.95, 0.99)
TARGET = "does the wished share of outage starts reach the target?"
RESTART = "does a store that has stopped come back above the charge at which it stops?"


@dataclass(frozen=True)
class Asked:
    """What is asked of the sweep: target [h] as a Step, share [-] as given; None where the site file does not say."""

    target: Step | None
    share: Input | None

    @property
    def target_h(self) -> float | None:
        """Target [h]."""
        return None if self.target is None else self.target.value

    @property
    def share_frac(self) -> float | None:
        """Share that must reach it [-]."""
        return None if self.share is None else self.share.value


def asked(work: Work) -> Asked:
    """Target in hours and its share."""
    given = work.site.backup.target
    step = None
    if given is not None:
        uses = {"target": given}
        step = Step("backup.target_h", "t_tar", "target", "target / 3600", uses, given.value / 3600.0, "h", decimals=2)
    return Asked(step, work.site.backup.target_share)


def simulated(key: str, meaning: str, value: float, unit: str | None, decimals: int, note: str = "") -> Input:
    """A figure of the sweep: not a formula that a hand can work, so it stands as what it is."""
    return Input(f"sweep.{key}", meaning, value, unit, SIMULATED, note, decimals=decimals)


# results and checks


def results(work: Work, one: Setting, found: Answers, wanted: Asked) -> None:
    """Results of the sweep by their agreed names."""
    from workbook_lib.simulate.answers import reached, share_reaching

    lasting, count = found.durations_h, len(found.durations_h)
    note = f"every start of a year, {count:,} of them, each followed for seven days"
    if wanted.target is not None:
        share = share_reaching(lasting, wanted.target_h)
        words = f"share of the starts that reach {wanted.target_h:g} h"
        work.result("share_reaching_target_frac", simulated("share_reaching_target", words, share, "frac", 4, note))
    if wanted.share is not None:
        value = reached(lasting, wanted.share_frac)
        words = _least(f"duration that {100 * wanted.share_frac:.4g} % of the starts reach", value)
        work.result("duration_at_target_share_h", simulated("duration_at_target_share", words, value, "h", 2, note))
    for key, share, words in (
        ("duration_p50_h", MEDIAN, "duration that half of the starts reach"),
        ("duration_p10_h", NINE_IN_TEN, "duration that nine starts of ten reach"),
    ):
        value = reached(lasting, share)
        work.result(key, simulated(key.removesuffix("_h"), _least(words, value), value, "h", 2, note))
    shortest = float(lasting.min())
    work.result("duration_min_h", simulated("duration_min", _least("the shortest duration", shortest), shortest, "h", 2, note))
    work.result("outage_starts_count", simulated("outage_starts", "outage starts that were followed", float(count), "count", 0))
    still = float((lasting >= horizon_h() - 1e-9).mean())
    words = "share of the starts that are still served after seven days"
    work.result("share_served_seven_days_frac", simulated("served_seven_days", words, still, "frac", 4))


def _least(words: str, hours: float) -> str:
    """Words of a duration, which is a least one where the start is still served when the study ends."""
    return f"{words}, at least" if hours >= horizon_h() - 1e-9 else words


def horizon_h() -> float:
    """How long a start is followed [h]."""
    from workbook_lib.simulate.outage import HORIZON_H

    return HORIZON_H


def further_results(work: Work, one: Setting, found: Answers, wanted: Asked) -> None:
    """Results that the quick study leaves out: energy not served, held back, storage needed, without sun, worst month."""
    from workbook_lib.simulate.answers import reached

    within = f"within {wanted.target_h:g} h" if wanted.target is not None else "within seven days"
    mean = found.unserved_kwh.mean(axis=0)
    words = f"energy not served {within}, all tiers, average of the starts"
    work.result("unserved_energy_kwh", simulated("unserved", words, float(mean.sum()), "kWh", 3))
    for place, tier in enumerate(one.profile.tiers if len(one.profile.tiers) > 1 else ()):
        words = f"energy of tier {tier} not served {within}, average of the starts"
        work.result(f"unserved_energy_kwh:{tier}", simulated(f"unserved.{tier}", words, float(mean[place]), "kWh", 3))
    words = f"energy not served {within}, all tiers, of the start with most"
    work.result("unserved_energy_worst_kwh", simulated("unserved_worst", words, float(found.unserved_kwh.sum(axis=1).max()), "kWh", 3))
    if one.sun.island_kw.any():
        words = f"sun held back {within}, average of the starts"
        work.result("held_back_energy_kwh", simulated("held_back", words, float(found.held_kwh.mean()), "kWh", 3))
        share = wanted.share_frac or NINE_IN_TEN
        words = f"duration that {100 * share:.4g} % of the starts reach without any sun"
        work.result("duration_without_sun_h", simulated("without_sun", words, reached(found.sunless_h, share), "h", 2))
    _needed(work, one, found, wanted)
    months = by_month(one)
    month, worst = min(((row[0], row[3]) for row in months), key=lambda pair: pair[1])
    words = f"sun less load of the worst month, {month}"
    work.result("worst_month_net_energy_kwh", simulated("worst_month", words, worst, "kWh", 1, "energy balance of the month"))


def _needed(work: Work, one: Setting, found: Answers, wanted: Asked) -> None:
    if wanted.target is None or wanted.share is None:
        return
    if found.needed is None:
        words = "storage_needed_kwh: no amount of it reaches the target with the power that there is"
        work.not_checked.append(words)
        return
    size, larger = found.needed
    note = "" if larger else "more of it does not always hold: with tiers a larger store may bring more loads back"
    words = f"nameplate for {wanted.target_h:g} h at {100 * wanted.share_frac:.4g} % of the starts, inverters as they are"
    work.result("storage_needed_kwh", simulated("storage_needed", words, size, "kWh", 1, note))
    stores = work.stores()
    if len(stores) == 1:
        units = math.ceil(size / stores[0].energy.value - 1e-9)
        words = f"units of {stores[0].id} for it, inverters as they are"
        work.result("storage_needed_units_count", simulated("storage_needed_units", words, float(units), "count", 0))


def by_month(one: Setting) -> tuple[tuple[str, float, float, float], ...]:
    """Month, sun on the island, load, sun less load [kWh]."""
    steps = one.profile.steps
    load, sun = one.profile.loads_kw.sum(axis=1) * steps.step_h, one.sun.island_kw * steps.step_h
    rows = []
    for month in range(1, 13):
        inside = steps.month == month
        made, used = float(sun[inside].sum()), float(load[inside].sum())
        rows.append((calendar.month_name[month], made, used, made - used))
    return tuple(rows)


def target_check(work: Work, wanted: Asked, one: Setting) -> Check:
    """Check `backup-target`. Errors: MissingInput is raised before: target and share are known here."""
    reached = work.results["duration_at_target_share_h"].step
    share = work.results["share_reaching_target_frac"].value
    shown = percent(share, (wanted.share_frac,))
    note = f"{shown} % of {work.results['outage_starts_count'].value:,.0f} starts reach it; {start_words(work, one)}"
    check = compare("backup-target", TARGET, reached, ">=", wanted.target, note=note)
    if check.verdict is Verdict.PASS and one.chain.hopeful:
        words = f"{note}; taken as losing nothing, on the hopeful side: {', '.join(one.chain.hopeful)}"
        closes = f"the data sheet's figures for {', '.join(one.chain.hopeful)}"
        return replace(check, verdict=Verdict.JUDGEMENT, note=words, closes=closes, decides="the engineer", fields=one.chain.hopeful)
    return check


def start_words(work: Work, one: Setting) -> str:
    """How full the store is as an outage begins, in words."""
    if one.start_frac is not None:
        return f"each begins at {100 * one.start_frac:g} % of the usable charge, as stated"
    if one.operation == "hold-full":
        return "each begins with a full store: it is held for outages"
    way = "covers the home's own use" if one.operation == "self-consumption" else "covers the home's own use in a window of the day"
    charged = ", and is charged from the grid outside it" if one.from_grid else ", and is charged by surplus sun alone"
    return f"each begins as full as the year with the grid left it: the store {way} down to {100 * one.reserve_frac:g} %{charged}"


def restart_check(work: Work) -> Check:
    """Check `restart-charge`: a store that has stopped restarts at a charge above the one at which it stops."""
    from workbook_lib.errors import MissingInput

    stores = work.stores()
    if not work.arrays() and not any(source.array for source in work.forming()):
        note = "no array is on the island: a store that has stopped stays so until the grid is back"
        return Check("restart-charge", RESTART, Verdict.NOT_APPLICABLE, note=note)
    lacking = [f"storage.{one.id}.restart_fraction" for one in stores if one.restart_fraction is None]
    if lacking:
        raise MissingInput(lacking)
    tight = min(stores, key=lambda one: one.restart_fraction.value - (one.cutoff_fraction.value if one.cutoff_fraction else 0.0))
    stop = tight.cutoff_fraction
    if stop is None:
        stop = Input(f"storage.{tight.id}.cutoff_fraction", "charge at which it stops, taken as none", 0.0, "frac", "assumed")
    if tight.restart_fraction.value <= stop.value:
        words = "it would stop again at once"
        return Check("restart-charge", RESTART, Verdict.FAIL, tight.restart_fraction, ">=", stop, note=words)
    check = compare("restart-charge", RESTART, tight.restart_fraction, ">=", stop)
    ways = {text(one.island.dead_start) for one in work.forming() if one.island is not None and one.island.dead_start is not None}
    if ways:
        return replace(check, note=f"brought back by: {', '.join(sorted(ways))}, as stated")
    note = "what brings it back is not stated: whether it wakes for arrays beside it is in its instructions, and here it does not"
    return replace(check, note=note if work.arrays() else "brought back by the sun of its own inverter")


# sections


def sections(work: Work, one: Setting, found: Answers, wanted: Asked) -> None:
    """Load, production, durations and tiers as tables."""
    work.sections += [_load(work, one), _months(one), _runs_on(work), _durations(one, found, wanted)]
    if found.gains:
        work.sections.append(_gains(one, found, wanted))


def _load(work: Work, one: Setting) -> Section:
    profile, days = one.profile, len(one.profile.steps) * one.profile.steps.step_h / 24.0
    rows = []
    for place, (tier, names) in enumerate(zip(profile.tiers, profile.names, strict=True)):
        curve = profile.loads_kw[:, place]
        levels = (f"{100 * one.shed[place]:g} %", f"{100 * one.restore[place]:g} %") if place else ("kept to the end", "")
        levels = levels if one.restore[place] or not place else ("never", "")
        energy_day = float(curve.sum()) * profile.steps.step_h / days
        rows.append((str(tier), names or "nothing", energy_day, float(curve.mean()), float(curve.max()), *levels))
    columns = ("Tier", "Loads", "Energy a day (kWh)", "Average (kW)", "Highest step (kW)", "Shed at", "Back at")
    total = profile.loads_kw.sum(axis=1)
    average = simulated("average_load", "average load on the island, all tiers", float(total.mean()), "kW", 4)
    steps = _by_hand(work, one, average)
    minutes = profile.steps.step_s // 60
    prose = f"What an outage must carry, in steps of {minutes} min over a year: {profile.words}."
    if profile.repaired:
        prose += f" {profile.repaired:,} steps that no reading says are the mean of the same hour of the week."
    return Section("Load in an outage", steps, prose, Table(columns, tuple(rows), "Load by tier", 3))


def _by_hand(work: Work, one: Setting, average: Input) -> tuple[Step, ...]:
    """Times that a hand can check beside the sweep: from full, and from the least charge that a start may have."""
    stores = work.stores()
    drawn = [all_stores(item, item.standby_loss) for item in stores if item.standby_loss is not None and item.standby_loss.value]
    standby = added("storage.standby", "what all stores draw for themselves", drawn) if drawn else None
    hours = energy.hours_at(work.results["usable_energy_kwh"].step, average, standby, one.chain.efficiency)
    work.result("average_load_kw", average)
    work.result("hours_at_average_h", hours)
    given = work.site.backup.start_charge_fraction
    if given is None and one.operation not in ("", "hold-full") and len(stores) == 1:
        given = stores[0].reserve_fraction
    stop = stores[0].cutoff_fraction
    if given is None or given.value >= 1.0 or len(stores) > 1 or (stop is not None and stop.value >= 1.0):
        return (hours,)
    least = energy.from_charge(hours, given, stop)
    work.result("hours_from_least_charge_h", least)
    return (hours, least)


def _months(one: Setting) -> Section:
    from workbook_lib.simulate import production

    rows = by_month(one)
    prose = f"Sun on the island against all tiers: {one.sun.words}."
    if one.sun.words.startswith("the weather"):
        prose += " " + "; ".join(f"{what}: {source}" for what, source in production.METHOD) + "."
        if not one.sun.concurrent:
            prose += " It is a year of its own: its cloudy days do not meet the load of the same days."
    columns = ("Month", "Sun (kWh)", "Load (kWh)", "Sun less load (kWh)")
    return Section("Sun and load by month", (), prose, Table(columns, rows, "Energy of each month", 1))


FIELDS_OF_SWEEP = (
    "usable_fraction",
    "health_fraction",
    "temperature_fraction",
    "cutoff_fraction",
    "standby_loss",
    "self_discharge_per_month",
    "power_fraction",
    "restart_fraction",
    "reserve_fraction",
    "operation",
)
FIELDS_OF_SWEEP += ("discharge_from", "discharge_until", "discharge_limit", "charge_limit")


def _runs_on(work: Work) -> Section:
    """What of the site file the sweep takes beside the steps above, each with how it is known."""
    stores = [f"storage.{one.id}.{name}" for one in work.stores() for name in FIELDS_OF_SWEEP]
    sources = [f"source.{one.id}.{name}" for one in (*work.forming(), *work.arrays()) for name in ("array", "conversion_efficiency")]
    islands = [f"source.{one.id}.island.{name}" for one in work.forming() for name in ("surplus", "dead_start")]
    loads = [
        f"{kind}.{one.id}.{name}" for kind in ("load", "evse") for one in work.standing(kind) if one.id in work.below for name in OF_LOAD
    ]
    wanted = (*stores, *sources, *islands, *loads, "backup.tier", "backup.start_charge_fraction", "backup.load_growth_fraction", "records.")
    rows = tuple(
        (key, item.text or str(item.value), item.origin)
        for key, item in work.home.givens.items()
        if any(key == path or key.startswith(path if path.endswith(".") else f"{path}.") for path in wanted)
    )
    prose = "What the site file says beside the steps above; what it leaves out stands under the assumptions."
    return Section("What the sweep runs on", (), prose, Table(("Field", "As written", "How known"), rows, "Fields of the sweep"))


OF_LOAD = ("outage_energy_per_day", "outage_from", "outage_until", "outage_months", "backup_tier", "shed_by")


def _durations(one: Setting, found: Answers, wanted: Asked) -> Section:
    from workbook_lib.simulate.answers import reached

    shares = sorted({*QUANTILES, *([wanted.share_frac] if wanted.share_frac is not None else [])})
    rows = [
        (f"{100 * share:g} % of the starts", _hours(reached(found.durations_h, share)), _hours(reached(found.sunless_h, share)))
        for share in shares
    ]
    rows.append(("every start", _hours(float(found.durations_h.min())), _hours(float(found.sunless_h.min()))))
    prose = (
        "An outage is begun at every step of the year and followed for seven days. It ends when the last-kept tier is first not fully "
        f"served. Energy in and out of the store closes to {found.error_kwh:.0e} kWh in every start."
    )
    if one.sun.island_kw.any():
        days = reached(found.sunless_h, wanted.share_frac or NINE_IN_TEN) / 24.0
        prose += f" Without any sun {100 * (wanted.share_frac or NINE_IN_TEN):.4g} % of the starts last {days:.1f} days."
    columns = ("Reached by", "Duration (h)", "Without sun (h)")
    return Section("How long", (), prose, Table(columns, tuple(rows), "Durations", 1))


def _hours(value: float) -> object:
    return f"at least {horizon_h():g}" if value >= horizon_h() - 1e-9 else value


def _gains(one: Setting, found: Answers, wanted: Asked) -> Section:
    from workbook_lib.simulate.answers import reached, share_reaching

    share = wanted.share_frac or NINE_IN_TEN
    cases = [
        (f"tiers {' and '.join(map(str, one.profile.tiers[:count]))} alone" if count > 1 else f"tier {one.profile.tiers[0]} alone", lasting)
        for count, lasting in found.gains
    ]
    cases.append(("all tiers, shed and restored at their levels", found.durations_h))
    rows = []
    for name, lasting in cases:
        reaching = (100 * share_reaching(lasting, wanted.target_h),) if wanted.target is not None else ()
        rows.append((name, _hours(reached(lasting, MEDIAN)), _hours(reached(lasting, share)), *reaching))
    columns = ("What runs", "Half of the starts (h)", f"{100 * share:g} % of the starts (h)")
    columns += ("Reach the target (%)",) if wanted.target is not None else ()
    prose = "What each tier costs: the same outages with the higher tiers off from their beginning, and with all of them by their levels."
    return Section("What each tier gains", (), prose, Table(columns, tuple(rows), "Durations by what runs", 1))
