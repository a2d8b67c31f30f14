"""Checks of the measured method: may it be used, and is the record long, whole and telling enough?"""

from __future__ import annotations

import datetime
from dataclasses import replace

from workbook_lib.records.record import NOT_STATED
from workbook_lib.sheet import Check, Input, Source, Verdict, compare, needs_input
from workbook_lib.workbooks.prepare import text

AUTHORITY, ENGINEER, UTILITY = "the authority having jurisdiction", "the engineer", "the utility"
BETTER_RECORD = "a whole record from the utility"


def branch_of(metered, edition) -> str:
    """Branch of the method that the record's days open: year, short, or empty where they are too few or not known."""
    days = metered.days.value if metered is not None and metered.days is not None else 0
    if days >= edition.value("measured_year_days_count").value:
        return "year"
    return "short" if days >= edition.value("measured_short_days_count").value else ""


def barred(home, metered, edition) -> str:
    """Why generation, storage or peak shaving bars the method for this record; empty where it does not. Source: 220.87."""
    stands = edition.value("measured_generation").value
    if stands == "allowed" or (stands == "bars-short-record" and branch_of(metered, edition) != "short"):
        return ""
    if _own_use(home, metered):
        return ""
    return "; ".join(_signs(home, metered))


def _own_use(home, metered) -> bool:
    """Whether the record is of the home's own use: rebuilt, or metered so."""
    return metered is not None and metered.facts is not None and metered.facts.record.register == "gross"


def _signs(home, metered) -> list[str]:
    """What says that generation, storage or peak shaving ran while the record did."""
    found = []
    stated = text(home.site.records.generation) if home.site.records is not None else ""
    if stated in ("unrecorded", "recorded"):
        found.append(f"generation, storage or peak shaving ran, {'and was recorded' if stated == 'recorded' else 'not recorded'}")
    if metered is not None and metered.facts is not None:
        record, report = metered.facts.record, metered.facts.report
        if record.register == "net":
            found.append("the register is net: it hides what was generated and used at home")
        if record.register == "total":
            found.append("the register adds what the home gave back to what it took")
        if record.register == "received":
            found.append("the register is of what the home gave back, not of what it took")
        if report.received_energy:
            found.append(f"the feed itself holds {report.received_energy / 1000:,.1f} kWh that the home gave back")
        found += record.received_apart
        if report.negative_count and record.register != "net":
            found.append(f"{report.negative_count} readings are negative")
    return found


def allowed(home, metered, edition, *, counts: bool) -> Check:
    """Check `measured-allowed`: does generation, storage or peak shaving in the record bar the method? Source: 220.87."""
    key, question = "measured-allowed", "is the record free of generation, storage and peak shaving?"
    source, switch = edition.cite("measured"), edition.value("measured_generation")
    records = home.site.records
    if metered is None:
        return needs_input(key, question, ["records.load"], source, counts=counts)
    why = barred(home, metered, edition)
    if why:
        return Check(
            key,
            question,
            Verdict.FAIL,
            source=source,
            note=f"the method is barred: {why}",
            counts=counts,
            closes="a calculated method, a record from before the generation, or a local rule that allows the method",
            decides=AUTHORITY,
        )
    signs = _signs(home, metered)
    if _own_use(home, metered) and (signs or records.rebuild_gross):
        return _own_use_check(key, question, source, rebuilt=bool(records.rebuild_gross), counts=counts)
    if records.generation is None:
        return needs_input(key, question, ["records.generation"], source, counts=counts)
    if signs:
        local = switch.source or source
        note = f"{'; '.join(signs)}; {local} does not bar it: the demand behind it may be higher than the meter saw"
        return Check(key, question, Verdict.PASS, source=local, note=note, counts=counts)
    stands = [one.id for one in home.site.source if one.status == "existing"]
    if stands:
        note = f"none is stated for the record, but {', '.join(stands)} stands in the home: the text asks whether the home has any"
        closes = "the date from which it ran, after the record, and the authority's word"
        return Check(key, question, Verdict.JUDGEMENT, source=source, note=note, counts=counts, closes=closes, decides=AUTHORITY)
    seen = "and the record shows no sign of it" if metered.facts is not None else "and a letter of one figure can show no sign of it"
    return Check(key, question, Verdict.PASS, source=source, note=f"none is stated, {seen}", counts=counts)


def _own_use_check(key: str, question: str, source: Source, *, rebuilt: bool, counts: bool) -> Check:
    how = "rebuilt from the meter and the production record" if rebuilt else "metered apart from generation"
    return Check(
        key,
        question,
        Verdict.JUDGEMENT,
        source=source,
        note=f"generation ran; the home's own use is {how}, which the text does not name",
        counts=counts,
        closes="evidence authority-decision for measured-allowed, with document and date",
        decides=AUTHORITY,
    )


def record_checks(home, metered, edition, *, counts: bool) -> list[Check]:
    """Every check of the record itself. Parameters: home, what was metered (None: nothing), edition. Source: 220.87."""
    made = [allowed(home, metered, edition, counts=counts), _days(metered, edition, counts)]
    if metered is None:
        return made
    short = branch_of(metered, edition) != "year"
    made.append(_coverage(metered, edition, short, counts))
    if metered.facts is not None:
        made.append(quality(home, metered, counts=counts))
        made.append(_plausible(home, metered, edition, counts))
    if short:
        made += [_interval(metered, edition, counts), _occupied(home, metered, edition, counts), _seasonal(home, metered, edition, counts)]
        made.append(_legs(home, metered, edition, counts))
    if metered.assumed_factor:
        made.append(_factor(metered, counts))
    return made


def _days(metered, edition, counts: bool) -> Check:
    key, question, source = "record-days", "is the record long enough?", edition.cite("measured")
    if metered is None:
        return needs_input(key, question, ["records.load"], source, counts=counts)
    if metered.days is None:
        lack = metered.demand.lack
        fields = lack.fields if lack is not None else ("records.demand_days",)
        return needs_input(key, question, fields, source, note=str(lack) if lack is not None else "", counts=counts)
    year, least = edition.value("measured_year_days_count"), edition.value("measured_short_days_count")
    if branch_of(metered, edition) == "year":
        note = "the branch of one year, whose text names no interval"
        return compare(key, question, metered.days, ">=", year, source, note=note, counts=counts)
    note = f"less than a year: the branch of at least {least.value:g} days, of 15-minute averages"
    return compare(key, question, metered.days, ">=", least, source, note=note, counts=counts)


def _coverage(metered, edition, short: bool, counts: bool) -> Check:
    key, question, source = "record-coverage", "is the record without gaps?", edition.cite("measured")
    if metered.facts is None:
        if metered.days is None or metered.demand.lack is not None and not metered.demand.readings:
            fields = metered.demand.lack.fields if metered.demand.lack else ("records.demand_days",)
            return needs_input(key, question, fields, source, counts=counts)
        return Check(key, question, Verdict.NOT_APPLICABLE, note="a utility's letter states one demand, no readings", counts=counts)
    report = metered.facts.report
    covered = Input(
        "record.coverage", "part of the record's time that readings cover", report.coverage_frac, "frac", "measured", decimals=5
    )
    whole = Input("record.whole", "the whole of it", 1.0, "frac", "choice")
    check = compare(key, question, covered, ">=", whole, source, counts=counts)
    if check.verdict is Verdict.PASS:
        counted = any("without dates" in one.why for one in metered.facts.record.decisions)
        return replace(check, note="its rows are counted from one stated start: a gap could not show") if counted else check
    hours = sum(gap.end - gap.start for gap in report.gaps) / 3600
    what = ("gap or marked range", "gaps or marked ranges") if report.marks else ("gap", "gaps")
    words = f"{_many(len(report.gaps), *what)}, {hours:,.2f} h in all; a gap may hide the highest demand"
    if report.gaps and all(gap.at_clock_change for gap in report.gaps):
        words = f"{hours:,.2f} h are missing where the clock changes: whether they are lost or summed into the hour before is not known"
        closes = "the utility's word on how its file tells the hour that the clock repeats"
        return Check(key, question, Verdict.JUDGEMENT, covered, ">=", whole, source, words, counts, closes, UTILITY)
    if short and _marked_year(metered, edition):
        words += "; from first to last it is a year, and marked ranges make it less"
    elif short and report.marks and not all(one.regular for one in report.clock_changes):
        words += "; where the clock changes the record is not regular"
    elif short:
        longest = _longest_stretch(report) / 86400
        least = edition.value("measured_short_days_count")
        words += f"; the longest stretch without a gap is {longest:.1f} days"
        if longest < least.value:
            stretch = Input("record.stretch", "longest stretch without a gap", longest, "d", "measured", decimals=1)
            wanted = Input(least.key, least.meaning, least.value, "d", "code", source=least.source)
            return Check(
                key,
                question,
                Verdict.FAIL,
                stretch,
                ">=",
                wanted,
                source,
                words + f", less than {least.value:g}",
                counts,
                BETTER_RECORD,
                UTILITY,
            )
        return Check(key, question, Verdict.PASS, source=source, note=words, counts=counts)
    return Check(key, question, Verdict.JUDGEMENT, covered, ">=", whole, source, words, counts, BETTER_RECORD, AUTHORITY)


def _marked_year(metered, edition) -> bool:
    """Whether a record would be one of a year but for what is marked in it: then a mark must not open what a gap leaves open."""
    report = metered.facts.report
    days = int(report.clock.local(report.last) - report.clock.local(report.first)) // 86400
    return report.marked_s > 0 and days >= edition.value("measured_year_days_count").value


def _longest_stretch(report) -> float:
    """Longest time [s] between gaps."""
    gaps = [gap for gap in report.gaps if not gap.at_clock_change]
    edges = [report.first, *(edge for gap in gaps for edge in (gap.start, gap.end)), report.last]
    return float(max(end - start for start, end in zip(edges[::2], edges[1::2], strict=True)))


IDLE_FRAC, IDLE_S = 0.05, 7 * 86400.0
"""Part of the record, and length of one run [s], from which readings of zero or of one value are a person's matter. Common practice."""


def _idle(report) -> str:
    """Long runs of zero or of one value, in words; empty where there are none to speak of."""
    runs = (*report.zero_runs, *report.stuck_runs)
    total = sum(run.end - run.start for run in runs)
    longest = max((run.end - run.start for run in runs), default=0)
    if total < IDLE_FRAC * report.covered_s and longest < IDLE_S:
        return ""
    days = f"{total / 86400:,.1f} days at zero or at one value in runs of hours"
    return f"{days}: an outage, a vacancy or a dead meter, and no proof of a low load"


def _many(count: int, one: str, many: str) -> str:
    return f"{count:,} {one if count == 1 else many}"


def quality(home, metered, *, counts: bool) -> Check:
    """Check `record-quality`: are the readings sound? Parameters: home, what was metered, whether it counts. Returns: Check."""
    key, question = "record-quality", "are the readings sound: none contradicting, estimated, negative or sampled, and the total as stated?"
    report, record = metered.facts.report, metered.facts.record
    found = []
    if report.contradicting:
        words = "interval is given twice with different values", "intervals are given twice with different values"
        found.append(f"{_many(len(report.contradicting), *words)}, the largest taken")
    if report.overlaps_count:
        found.append(_many(report.overlaps_count, "reading overlaps another", "readings overlap others"))
    if report.estimated_count:
        found.append(f"{report.estimated_count} of {report.readings_count} readings are estimated or questionable")
    if report.negative_count:
        found.append(_many(report.negative_count, "reading is negative", "readings are negative"))
    if _idle(report):
        found.append(_idle(report))
    if _higher_outside(record, report):
        found.append(
            "the part of the file that is not used holds a higher demand than the part that is: why it does not count is to be shown"
        )
    day = home.site.site.calculation_date
    if day is not None and record.clock.text(report.last)[:10] > (day + datetime.timedelta(days=1)).isoformat():
        found.append(f"readings after the date of this calculation ({day})")
    if record.basis == "sampled":
        found.append("the values are samples at an instant, not averages")
    off = [item for item in report.reconciliations if not item.agrees]
    if off:
        found.append(
            _many(
                len(off),
                "total of the file differs from the sum of its readings",
                "totals of the file differ from the sum of their readings",
            )
        )
    if not found:
        unsaid = all(code == NOT_STATED for code, _, _ in report.qualities)
        note = "nothing of the kind was found" + ("; the file says nothing of the quality of its readings" if unsaid else "")
        return Check(key, question, Verdict.PASS, note=note, counts=counts)
    return Check(key, question, Verdict.JUDGEMENT, note="; ".join(found), counts=counts, closes=BETTER_RECORD, decides=UTILITY)


def _higher_outside(record, report) -> bool:
    """Whether the file as a whole has a higher reading, or a higher quarter hour, than the period of it that is used."""
    from workbook_lib.records import quarter_rate

    used = record.period
    if used is None or not used.left_count:
        return False
    if used.highest_rate > report.peak_rate:
        return True
    own = quarter_rate(record)
    return used.quarter_rate is not None and (own is None or used.quarter_rate > own * (1 + 1e-12))


LEAST_FRAC, MOST_FACTOR, GENERAL_CIRCUITS = 0.1, 1.5, 10
"""Bounds of our own, wide on purpose: highest demand as part of the largest single load, and as a multiple of all that is connected
with ten general circuits, outside which a unit may be wrong."""


def _plausible(home, metered, edition, counts: bool) -> Check:
    """Check `record-plausible`: could this home have drawn what the record says?"""
    key, question = "record-plausible", "is the highest demand one that this home can have?"
    field = "records.load.unit"
    items = metered.existing
    if not items or not metered.demand.readings:
        return Check(key, question, Verdict.NOT_APPLICABLE, note="nothing to compare it with", counts=counts)
    lowest = min(step.value for step in metered.demand.readings.values())
    largest, total = (
        max(item.va.value for item in items),
        sum(item.va.value for item in items) + edition.value("small_appliance_circuit_va").value * GENERAL_CIRCUITS,
    )
    closes = f"look at {field} and the multiplier of the meter against a bill"
    if lowest < LEAST_FRAC * largest:
        note = f"{lowest:,.0f} VA at most, where one load alone is rated {largest:,.0f} VA: the unit or the multiplier may be wrong"
        return Check(key, question, Verdict.JUDGEMENT, note=note, counts=counts, closes=closes, decides=ENGINEER, fields=(field,))
    if lowest > MOST_FACTOR * total:
        note = f"{lowest:,.0f} VA, where about {total:,.0f} VA are connected: the unit or the multiplier may be wrong"
        return Check(key, question, Verdict.JUDGEMENT, note=note, counts=counts, closes=closes, decides=ENGINEER, fields=(field,))
    return Check(key, question, Verdict.PASS, note="it lies between what one load and what all of them can draw", counts=counts)


def _interval(metered, edition, counts: bool) -> Check:
    key, question = "record-interval", "are they 15-minute averages, as the branch of the short record asks?"
    wanted, source = edition.value("measured_interval_s"), edition.cite("measured")
    if metered.interval is None:
        return needs_input(key, question, ["records.demand_interval"], source, counts=counts)
    check = compare(key, question, metered.interval, "<=", wanted, source, counts=counts)
    if check.verdict is Verdict.PASS:
        return check
    note = (
        "slower than 15 minutes: the bound with all energy in one quarter is not below the average of any quarter hour of the clock; "
        "a window across two intervals is bounded by both"
    )
    closes = "a record of 15-minute intervals, or a record of one year"
    return Check(key, question, Verdict.JUDGEMENT, metered.interval, "<=", wanted, source, note, counts, closes, AUTHORITY)


def _occupied(home, metered, edition, counts: bool) -> Check:
    key, question = "record-occupied", "was the dwelling occupied while the record ran?"
    source, given = edition.cite("measured"), home.site.records.occupied
    if given is None:
        return needs_input(key, question, ["records.occupied"], source, counts=counts)
    if not given:
        closes = "a record of at least 30 occupied days, or of one year"
        return Check(key, question, Verdict.FAIL, source=source, note="it was not", counts=counts, closes=closes, decides=ENGINEER)
    if metered.facts is not None and metered.facts.report.vacant_s:
        return _partly(metered, edition, Check(key, question, Verdict.PASS, source=source, counts=counts))
    return Check(key, question, Verdict.PASS, source=source, note="it was, as stated", counts=counts)


def _partly(metered, edition, check: Check) -> Check:
    """The check of a dwelling that was occupied but for ranges marked vacant: the days that are left decide."""
    report, least = metered.facts.report, edition.value("measured_short_days_count")
    words = f"it was, as stated, but for {report.vacant_s / 86400:,.1f} days marked vacant, which are not counted"
    note = f"{words}; {_many(report.days_count, 'day is', 'days are')} left of the {least.value:g} that are asked for"
    if report.days_count >= least.value:
        return replace(check, note=note)
    return replace(check, verdict=Verdict.FAIL, note=note, closes="a record of at least 30 occupied days, or of one year", decides=ENGINEER)


def _seasonal(home, metered, edition, counts: bool) -> Check:
    key, question = (
        "record-seasonal",
        "is what did not run in the short record added: the larger of heating and cooling, other periodic loads?",
    )
    source, given = edition.cite("measured"), home.site.records.seasonal_missing
    if given is None:
        return needs_input(key, question, ["records.seasonal_missing"], source, counts=counts)
    names = [text(name) for name in given]
    step = metered.demand.seasonal
    note = f"added: {', '.join(names)}, {step.value:,.0f} VA" if step is not None else "stated that every load ran in the record"
    if names and step is None:
        note = f"{', '.join(names)}: added as new load by this work, not a second time"
    return Check(key, question, Verdict.PASS, source=source, note=note, counts=counts)


def _legs(home, metered, edition, counts: bool) -> Check:
    key, question, source = "record-legs", "is it the demand of the heavier leg?", edition.cite("measured")
    if metered.facts is not None and metered.facts.record.legs:
        return Check(key, question, Verdict.PASS, source=source, note="the record has each leg; the heavier one counts", counts=counts)
    fraction = home.site.records.heavier_leg_fraction
    if fraction is not None:
        when = f" ({fraction.note})" if fraction.note else ""
        note = f"a metered total; {fraction.value * 100:g} % on the heavier leg, as {fraction.origin}{when}; taken as the share at the peak"
        return Check(key, question, Verdict.PASS, source=source, note=note, counts=counts)
    return Check(
        key,
        question,
        Verdict.JUDGEMENT,
        source=source,
        note="a meter's total does not say how it is shared by the legs; both are taken alike",
        counts=counts,
        closes="a recording of each leg, or records.heavier_leg_fraction",
        decides=AUTHORITY,
        fields=("records.heavier_leg_fraction",),
    )


def _factor(metered, counts: bool) -> Check:
    key, question = "record-power-factor", "is the power factor of the demand known?"
    note = "the letter states kilowatts and no power factor: 1.0 is taken, a lower one gives more amperes"
    closes = "records.power_factor, or the demand in kVA, from the utility"
    fields = ("records.power_factor",)
    return Check(key, question, Verdict.JUDGEMENT, note=note, counts=counts, closes=closes, decides=UTILITY, fields=fields)
