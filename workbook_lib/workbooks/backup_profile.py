"""What an outage must carry, tier by tier, at every step of a year: from the meter record, from declared loads, or from both.

The last-kept tier comes first. A whole home with a record takes the record; what stands in a higher tier is taken out of it by its
declared energy, never below nothing, so that all tiers together are the record. What this work adds is put on top. Without a
record every load is declared: its energy a day, spread evenly over the hours in which it runs.
"""

from __future__ import annotations

import functools
from collections.abc import Iterable
from dataclasses import dataclass

from workbook_lib.errors import CalculationFault, Fault, InputFault, MissingInput
from workbook_lib.sheet import Assumption, Check, Verdict
from workbook_lib.workbooks import backup_record, metered
from workbook_lib.workbooks.backup_work import Work
from workbook_lib.workbooks.prepare import text

SEASONAL = ("air-conditioner", "room-air-conditioner", "heat-pump", "supplemental-heat", "electric-heat")
"""Kinds of load that do not run the whole year."""
FIRST_TIER = 1
QUARTER_S, DAY_S = 900, 86400
LEAST_DAYS = 364
"""Whole days that a record must cover to stand for a year: one day may be cut at its ends."""
YEAR_DAYS = 365


@dataclass(frozen=True, eq=False)
class Profile:
    """Loads on the island over a year.

    `steps` (simulate.steps.Steps); `loads_kw` shape (n, tiers), the last-kept first [kW]; `tiers` their numbers; `names` what is in
    each; `home_kw` load of the whole home with the grid, None where it is not known [kW]; `repaired` steps that no reading says;
    `words` where it comes from.
    """

    steps: object
    loads_kw: object
    tiers: tuple[int, ...]
    names: tuple[str, ...]
    home_kw: object | None
    repaired: int
    words: str


def profile(work: Work) -> Profile:
    """The year's load on the island. Errors: MissingInput with every field that lacks; InputFault of a record that cannot be used."""
    import numpy as np

    records = work.site.records
    name = _record_name(work)
    growth = 1.0
    if work.site.backup.load_growth_fraction is not None:
        growth += work.site.backup.load_growth_fraction.value
    standing = things(work)
    if name is None:
        declared = _declared(work, standing)
        steps, base, repaired = _steps_without(work), None, 0
        words = "loads as declared one by one, the energy of a day spread evenly over the hours in which each runs"
    else:
        base, steps, repaired = _record_kw(work, name)
        declared = _declared(work, [one for one in standing if one.status == "added" or _tier(one) > FIRST_TIER], seasons=True)
        words = f"the meter record {getattr(records, name).file}"
    tiers = sorted({_tier(one) for one, _ in declared} | ({FIRST_TIER} if base is not None else set()))
    if not tiers:
        raise MissingInput(
            [f"load.{one.id}.outage_energy_per_day" for one in standing] or ["backup.islanding"], "nothing that runs is known"
        )
    loads = np.zeros((len(steps), len(tiers)))
    names: dict[int, list[str]] = {tier: [] for tier in tiers}
    if base is not None:
        loads[:, 0] = base
        names[FIRST_TIER].append("what the record holds beside the tiers" if len(tiers) > 1 else "what the record holds")
    taken_out = 0.0
    for one, curve in ((one, _curve(one, energy, steps)) for one, energy in declared):
        place = tiers.index(_tier(one))
        names[_tier(one)].append(one.id)
        if base is not None and one.status != "added":
            part = np.minimum(curve, loads[:, 0])
            taken_out += float((curve - part).sum()) * steps.step_h
            loads[:, 0] -= part
            curve = part
        loads[:, place] += curve
    _tell(work, name, growth, taken_out, standing, declared, steps)
    home = _home(work, name, steps, loads, declared)
    loads *= growth
    shown = tuple(", ".join(names[tier]) for tier in tiers)
    return Profile(steps, loads, tuple(tiers), shown, None if home is None else home * growth, repaired, words)


def _record_name(work: Work) -> str | None:
    """The record that holds what is backed up: that of the backed-up circuits, else the home's where all of it is backed up."""
    records = work.site.records
    if records is None:
        return None
    if records.backup_load is not None:
        return "backup_load"
    return "load" if work.whole and records.load is not None else None


def things(work: Work) -> list:
    """Loads and chargers on the island."""
    return [*work.loads(), *(one for one in work.standing("evse") if one.id in work.below)]


def _tier(thing) -> int:
    return thing.backup_tier.value if thing.backup_tier is not None else FIRST_TIER


def _declared(work: Work, wanted: Iterable, *, seasons: bool = False) -> list[tuple[object, float]]:
    """Things with their energy a day, all like units [kWh]; `seasons` asks heating and cooling for the months in which they run.

    What is taken out of a record by a day's energy the whole year through would take other loads with it in the months in which the
    thing is off. Errors: MissingInput with every field that lacks.
    """
    kinds = {one.id: "evse" for one in work.standing("evse")}
    lacking = [f"{kinds.get(one.id, 'load')}.{one.id}.outage_energy_per_day" for one in wanted if one.outage_energy_per_day is None]
    lacking += [
        f"{kinds.get(one.id, 'load')}.{one.id}.{'outage_until' if one.outage_until is None else 'outage_from'}"
        for one in wanted
        if (one.outage_from is None) != (one.outage_until is None)
    ]
    lacking += [
        f"load.{one.id}.outage_months" for one in wanted if seasons and one.outage_months is None and getattr(one, "kind", "") in SEASONAL
    ]
    if lacking:
        raise MissingInput(lacking, "what runs in an outage is stated load by load where no record says it: nothing is invented")
    return [(one, one.outage_energy_per_day.value * (one.count.value if hasattr(one, "count") else 1)) for one in wanted]


def _curve(thing, energy_kwh: float, steps):
    """Power of a declared load at each step [kW]: its energy a day spread evenly over its hours."""
    import numpy as np

    from workbook_lib.simulate.steps import window

    season = np.ones(len(steps)) if thing.outage_months is None else np.isin(steps.month, thing.outage_months.value).astype(float)
    if thing.outage_from is None:
        return energy_kwh / 24.0 * season
    inside = window(steps, thing.outage_from.value, thing.outage_until.value)
    hours = ((thing.outage_until.value - thing.outage_from.value) % DAY_S or DAY_S) / 3600.0
    return energy_kwh / hours * inside * season


def _steps_without(work: Work):
    """Steps of the year where no record of what is backed up gives them: those of the home's record, else of an ordinary year."""
    from workbook_lib.simulate import steps

    records = work.site.records
    if records is not None and records.load is not None and _needs_home(work):
        return _record_kw(work, "load")[1]
    return steps.undated(QUARTER_S)


def _needs_home(work: Work) -> bool:
    """Whether the charge as an outage begins turns on what the whole home takes with the grid on."""
    return work.site.backup.start_charge_fraction is None and any(text(one.operation) not in ("", "hold-full") for one in work.stores())


def _home(work: Work, name: str | None, steps, loads, declared):
    """What the whole home takes with the grid on [kW]: its record, with what this work adds; None where that is not needed or known."""
    import numpy as np

    records = work.site.records
    if not _needs_home(work) or records is None or records.load is None:
        return None
    if name == "load":
        return loads.sum(axis=1)
    values, own, _ = _record_kw(work, "load")
    if (
        len(own) != len(steps)
        or own.step_s != steps.step_s
        or (own.begin is not None and steps.begin is not None and own.begin[0] != steps.begin[0])
    ):
        words = "the records of the home and of what is backed up are not of the same steps and the same year"
        raise MissingInput(["records.load.file", "records.backup_load.file"], words)
    new = [(one, energy) for one, energy in declared if one.status == "added"]
    return np.asarray(values) + sum((_curve(one, energy, steps) for one, energy in new), np.zeros(len(steps)))


def _record_kw(work: Work, name: str):
    """A year of a record [kW], its steps, and how many of them no reading says."""
    record = _gross(work, name)
    given = getattr(work.site.records, name)
    factor = given.power_factor.value if given.power_factor is not None else 1.0
    if record.unit != "Wh" and given.power_factor is None:
        words = "its power factor is not given: every volt-ampere is taken for a watt, on the safe side"
        work.assumptions.append(Assumption(f"records.{name}.power_factor", words))
    try:
        values, steps, repaired = _year(record)
    except CalculationFault as fault:
        file = (work.home.folder / given.file).as_posix()
        todo = fault.todo or "get a whole record"
        raise InputFault([Fault(file, f"records.{name}.file", fault.what, str(fault.value), fault.limit or "a year", todo)]) from None
    if steps is None:
        field = f"records.{name}.file"
        raise MissingInput([field], f"the record covers {values:.0f} days; every start of a year is followed, so it needs {YEAR_DAYS}")
    scale = factor / 1000.0 if record.unit == "VAh" else 0.001 if record.unit == "Wh" else 0.24 * factor
    if values.min() < 0.0:
        count = int((values < 0.0).sum())
        words = f"{count:,} steps of the record are below zero: what is generated hides in it"
        raise MissingInput([f"records.{name}.register", "records.rebuild_gross", "records.production"], words)
    if not values.any():
        raise MissingInput([f"records.{name}.file"], "the record holds nothing but zeros: nothing that runs is known")
    backup_record.checks(work, record, name, repaired, len(steps))
    _lived_in(work)
    return values * scale, steps, repaired


@functools.lru_cache(maxsize=6)
def _year(record):
    """The last year of a record in equal steps: average power [unit of the record without h], Steps, steps repaired.

    Of a record that is too short the days it covers, and None. Errors: CalculationFault of the series.
    """
    import numpy as np

    from workbook_lib.records import settle
    from workbook_lib.records.series import regular
    from workbook_lib.simulate import steps

    settled = settle(record)
    days = (int(settled.end.max()) - int(settled.start.min())) / DAY_S
    usual = float(np.median(settled.length))
    if days < LEAST_DAYS:
        return days, None, 0
    step = next(size for size in (QUARTER_S, 1800, 3600) if usual <= size or size == 3600)
    series = regular(record, step, repair=True)
    cut = np.flatnonzero((series.missing_s == 0) | series.repaired)  # steps that the ends cover in part say nothing
    series = series.part(int(cut[0]), int(cut[-1]) + 1)
    count = min(len(series), YEAR_DAYS * DAY_S // step)
    if count < LEAST_DAYS * DAY_S // step:
        return count * step / DAY_S, None, 0
    last = series.part(len(series) - count, len(series))
    found = steps.dated(last.start, series.standard_s, step, count)
    return last.amount * 3600.0 / step, found, last.repaired_count


def _gross(work: Work, name: str):
    """The record of what is used, whatever is generated. Errors: MissingInput where own use is not in it."""
    records = work.site.records
    record = metered.read(work.home, name)
    if name == "load" and records.rebuild_gross:
        if records.production is None:
            raise MissingInput(["records.production"], "own use is to be rebuilt, and no production record is given")
        from workbook_lib.records import rebuild

        shown = (work.home.folder / records.production.file).as_posix()
        return rebuild(record, metered.read(work.home, "production"), shown, "records.production.file")
    _array_beside(work, name)
    hidden = name == "load" and (records.generation is None or text(records.generation) != "none")
    if hidden and record.register != "gross":
        words = "generation while the record ran hides what the home used: own use rebuilt from a production record, or a gross register"
        fields = ["records.generation"] if records.generation is None else ["records.rebuild_gross", "records.production"]
        raise MissingInput(fields, words)
    if record.register in ("received", "total") or (record.register == "net" and (hidden or _standing_arrays(work, name))):
        raise MissingInput([f"records.{name}.register"], f"a {record.register} register does not say what the home used")
    return record


def _standing_arrays(work: Work, name: str) -> list[str]:
    """Arrays that stand already where a record may have seen them: in the home, or on the island for its own record."""
    return [
        one.id
        for one in work.standing("source")
        if one.status == "existing" and (one.array or one.kind == "pv-inverter") and (name == "load" or one.id in work.below)
    ]


def _array_beside(work: Work, name: str) -> None:
    """Check `record-generation`: an array that stands already, and a record that does not say that it saw none of it."""
    standing, given = _standing_arrays(work, name), work.site.records.generation
    key = "record-generation"
    stated_none = name == "load" and text(given) != "none"
    if not standing or stated_none or any(check.key == key for check in work.checks):
        return
    note = f"{', '.join(standing)} stands already: if it ran while the record did, its sun hides load there and counts once more here"
    closes = "when it was switched on, beside the dates of the record"
    asked = "did no array run while the record ran?"
    work.checks.append(Check(key, asked, Verdict.JUDGEMENT, note=note, closes=closes, decides="the engineer"))


def _lived_in(work: Work) -> None:
    """Check `record-occupied`: a house that is lived in, with all that runs, while the record ran."""
    records, key = work.site.records, "record-occupied"
    if any(check.key == key for check in work.checks):
        return
    missing = [text(one) for one in records.seasonal_missing or ()]
    found = []
    if records.occupied is None or not records.occupied.value:
        found.append("it is not stated that the house was lived in" if records.occupied is None else "the house was not lived in")
    if records.seasonal_missing is None or missing:
        found.append("what did not run is not stated" if not missing else f"{', '.join(missing)} did not run, and is in no duration")
    asked = "was the house lived in while the record ran, with all that runs?"
    vacant = any(mark.is_ == "vacant" for one in (records.load, records.backup_load) if one is not None for mark in one.mark)
    but = ", but for ranges marked vacant, which are filled as gaps are" if vacant else ""
    if not found:
        work.checks.append(Check(key, asked, Verdict.PASS, note=f"lived in{but}, nothing missing, as stated"))
        return
    closes = "records.occupied and records.seasonal_missing, or a record of a year in which it was"
    work.checks.append(Check(key, asked, Verdict.JUDGEMENT, note="; ".join(found), closes=closes, decides="the engineer"))


def _tell(work: Work, name: str | None, growth: float, taken_out: float, standing, declared, steps) -> None:
    """What of the load was taken how, in words."""
    if growth != 1.0:
        work.notes.append(f"every load is multiplied by {growth:g} for the growth that the site file states")
    if taken_out > 0.5:
        work.notes.append(
            f"the higher tiers declare {taken_out:,.0f} kWh a year more than the record leaves for them: taken as far as it reaches"
        )
    if any(one.outage_from is None for one, _ in declared):
        words = "where no hours are given, the energy of a day is spread evenly over it; a duty cycle of minutes is not seen"
        work.assumptions.append(Assumption("load.outage_from", words))
    if name is not None and steps.step_s > QUARTER_S:
        words = f"steps of {steps.step_s // 60} min: peaks within one are not seen, and may be above what the inverter gives"
        work.notes.append(words)
    if name is None:
        work.notes.append("only the loads that are declared run: lighting and receptacles beside them shorten every duration")
        return
    gone = [one.id for table in ("load", "evse") for one in getattr(work.site, table) if one.status == "removed"]
    if gone:
        work.notes.append(f"{', '.join(gone)} is in the record and is removed: nothing is taken out for it, on the safe side")
    charging = [one.id for one in standing if one.id in {evse.id for evse in work.standing("evse")} and one.outage_energy_per_day is None]
    if charging:
        work.notes.append(f"{', '.join(charging)} charges as it did in the record unless a tier and its energy say otherwise")
