"""What the utility's desk asks of a home, and what new service equipment brings with it, as parts of the sheet."""

from __future__ import annotations

from workbook_lib.errors import MissingInput
from workbook_lib.home import distribution
from workbook_lib.rules.source import all_units
from workbook_lib.sheet import Check, Input, Quantity, Result, Section, Step, Table, Verdict, compare, needs_input
from workbook_lib.workbooks.prepare import BEFORE, text
from workbook_lib.workbooks.tie_work import Work, credited_limit, current_of, local_limit

UTILITY = "the utility"


def utility(work: Work) -> None:
    """The section for the utility, its limits as checks, and the emergency disconnect."""
    work.checks.append(emergency(work))
    if not work.standing("source") and work.site.adapter is None:
        return
    rows: list[tuple[object, ...]] = []
    steps: list[Step] = []
    _nameplates(work, rows, steps)
    _export(work, rows, steps)
    _demand(work, rows)
    _motor(work, rows, steps)
    _service(work, rows)
    table = Table(("Asked", "Of this home", "The utility's limit", "From"), tuple(rows), "For the utility's desk")
    prose = (
        "What an interconnection desk asks for, from the same figures. A limit that is passed opens a study, it forbids nothing by itself."
    )
    work.sections.append(Section("For the utility", tuple(steps), prose, table))


def _limit_words(limit: Input | None) -> tuple[str, str]:
    """A limit of the utility and where it is written."""
    return (
        (limit.text or f"{limit.value:g} {limit.unit or ''}".strip(), str(limit.source or limit.note))
        if limit is not None
        else ("none on file", "")
    )


def _nameplates(work: Work, rows: list, steps: list[Step]) -> None:
    powers: list[Quantity] = []
    for source in work.standing("source"):
        if source.output_power is None:
            work.not_checked.append(f"utility-source-power: source.{source.id}.output_power is missing")
            return
        powers.append(all_units(source, source.output_power, f"source.{source.id}.power", "P", f"rated output of {source.id}"))
    if not powers:
        return
    total = Step(
        "utility.source_power",
        "P_src",
        "rated output of all sources",
        "sum(sources)",
        {"sources": tuple(powers)},
        sum(one.value for one in powers),
        "W",
    )
    steps.append(total)
    limit = local_limit(work, "source_power")
    rows.append(("rated output of all sources", f"{total.value / 1000:,.2f} kW", *_limit_words(limit)))
    _within(work, "utility-source-power", "is the rated output within what the utility takes without a study?", total, limit)


def _within(work: Work, key: str, asked: str, provided: Quantity, limit: Input | None) -> None:
    """A check against a limit of the utility: above it a study opens, so it is a judgement; nothing without a limit."""
    if limit is None:
        return
    check = compare(key, asked, provided, "<=", limit, limit.source)
    if check.verdict is Verdict.FAIL:
        note = "above it the utility studies the connection first"
        check = Check(
            key, asked, Verdict.JUDGEMENT, provided, "<=", limit, limit.source, note, closes="the utility's study", decides=UTILITY
        )
    work.checks.append(check)


def _export(work: Work, rows: list, steps: list[Step]) -> None:
    """The most that can be exported: every source at its rated output with no load, held where a credited control holds it."""
    try:
        parts = [current_of(work, one) for one in work.standing("source")]
    except MissingInput as lack:
        work.not_checked.append(f"largest_export_w: {lack}")
        return
    if not parts:
        return
    held = credited_limit(work, "service", "export")
    volts = work.edition.value("nominal_voltage_v")
    uses: dict[str, Quantity] = {"sources": tuple(parts), "voltage": volts}
    formula, amperes = "sum(sources) * voltage", sum(one.value for one in parts)
    if held is not None:
        uses["setting"] = held[1]
        formula, amperes = "min(sum(sources), setting) * voltage", min(amperes, held[1].value)
    step = Step(
        "utility.export",
        "P_exp",
        "largest export, no load in the home",
        formula,
        uses,
        amperes * volts.value,
        "W",
        note="at unity power factor",
    )
    steps.append(step)
    work.result("largest_export_w", step)
    limit = local_limit(work, "export_power")
    rows.append(("largest export", f"{step.value / 1000:,.2f} kW", *_limit_words(limit)))
    _within(work, "utility-export", "is the largest export within what the utility takes without a study?", step, limit)


def _demand(work: Work, rows: list) -> None:
    """Demand before and with this work by the method of the service load sheet."""
    from workbook_lib.workbooks import service_load

    load = service_load.start(work.home, work.edition, local=False)
    found = []
    for items in (load.prepared.standing(BEFORE), load.scope.items):
        answers, lacks = service_load.method_totals(load, items)
        if load.method not in answers:
            lack = lacks.get(load.method)
            rows.append(("demand", f"not computed: {lack or 'no method is chosen'}", "", "service load sheet"))
            return
        found.append(answers[load.method].total.value)
    words = f"{found[0] / 1000:,.1f} kVA before, {found[1] / 1000:,.1f} kVA with this work"
    rows.append(("demand by the chosen method", words, "", "service load sheet"))
    transformer = work.site.service.transformer
    if transformer is not None and transformer.rating is not None:
        share = f"{found[1] / transformer.rating.value:.0%} of its {transformer.rating.value / 1000:g} kVA, by this home alone"
        rows.append(("loading of the transformer", share, "", "other homes on it are not known here"))


def _motor(work: Work, rows: list, steps: list[Step]) -> None:
    """The largest motor start and its dip at the meter."""
    motors = [one for one in work.standing("load") if one.locked_rotor_current is not None or one.soft_start_current is not None]
    if not motors:
        rows.append(
            ("largest motor start", "no locked-rotor current is given", *_limit_words(local_limit(work, "motor_locked_rotor_current")))
        )
        return
    largest = max(motors, key=lambda one: (one.soft_start_current or one.locked_rotor_current).value)
    start = largest.soft_start_current or largest.locked_rotor_current
    limit = local_limit(work, "motor_locked_rotor_current")
    rows.append(("largest motor start", f"{largest.id}, {start.value:g} A", *_limit_words(limit)))
    _within(work, "utility-motor-start", "is the largest motor start within the utility's limit?", start, limit)
    if "meter" not in work.faults:
        return
    fault = work.faults["meter"][0]
    dip = Step(
        "utility.dip",
        "u",
        f"voltage dip at the meter as {largest.id} starts, at most",
        "start / fault",
        {"start": start, "fault": fault},
        start.value / fault.value,
        "frac",
        note="impedance and starting current taken in phase, on the safe side",
        decimals=4,
    )
    steps.append(dip)
    allowed = local_limit(work, "voltage_change_fraction")
    rows.append(("voltage dip at the meter", f"{dip.value:.2%}", *_limit_words(allowed)))
    _within(work, "utility-voltage-dip", "is the dip of the largest motor start within the utility's limit?", dip, allowed)


def _service(work: Work, rows: list) -> None:
    site = work.site.service
    stated = site.available_fault_current
    if stated is not None and stated.origin == "utility":
        words = f"{stated.value / 1000:g} kA at {text(site.fault_current_at) or 'a place not named'}"
    else:
        words = (
            "to be asked in writing"
            if "meter" not in work.faults
            else f"computed {max(one.value for one in work.faults['meter']) / 1000:.2f} kA at the meter"
        )
    limit = local_limit(work, "fault_current")
    rows.append(("fault current", words, *_limit_words(limit)))
    rating = f"{site.rating.value:g} A" if site.rating is not None else "not given"
    rows.append(("service rating", rating, *_limit_words(local_limit(work, "service_rating"))))


# new service equipment


def replaced(work: Work) -> list[str]:
    """Ids of service equipment that this work adds."""
    first = {name for name, _ in distribution.service_devices(work.tree)}
    found = [item.id for item in work.standing("panel") if item.id in first and item.status == "added"]
    return found + [item.id for item in work.standing("disconnect") if item.role in ("service", "emergency") and item.status == "added"]


def emergency(work: Work) -> Check:
    """Check `emergency-disconnect`: one outdoors where the edition asks for it, as service equipment is new."""
    key, asked = "emergency-disconnect", "has the dwelling its emergency disconnect outdoors?"
    form, cite = work.edition.value("emergency_disconnect"), work.edition.cite("emergency_disconnect")
    fresh = replaced(work)
    if form.value == "none":
        return Check(key, asked, Verdict.NOT_APPLICABLE, source=cite, note="this edition has no such rule")
    if not fresh:
        return Check(key, asked, Verdict.NOT_APPLICABLE, source=cite, note="the service equipment stays as it is")
    work.results["service_work_triggers"] = Result(_triggers(work), None)
    roles = ("service", "emergency") if form.value == "outdoors" else ("service",)
    outside = [one.id for one in work.standing("disconnect") if one.role in roles and text(one.place) == "outside"]
    outside += [
        one.id
        for one in work.standing("panel")
        if one.kind == "meter-main" and one.id in {name for name, _ in distribution.service_devices(work.tree)}
    ]
    if outside:
        return Check(key, asked, Verdict.PASS, source=cite, note=f"outdoors: {', '.join(outside)}")
    unknown = [f"disconnect.{one.id}.place" for one in work.standing("disconnect") if one.role in roles and one.place is None]
    if unknown:
        return needs_input(key, asked, unknown, cite)
    note = f"{', '.join(fresh)} is new service equipment, and no disconnect stands outdoors"
    dwelling = work.site.dwelling
    exists = dwelling is not None and text(dwelling.status) == "existing"
    if exists and work.edition.value("emergency_disconnect_replacement").value == "silent":
        note += "; this edition does not say whether replaced equipment of an existing dwelling needs one"
        closes = "the authority's reading in writing, or a disconnect outdoors"
        decides = "the authority having jurisdiction"
        return Check(key, asked, Verdict.JUDGEMENT, source=cite, note=note, closes=closes, decides=decides)
    return Check(key, asked, Verdict.FAIL, source=cite, note=note)


def _triggers(work: Work) -> str:
    """What new service equipment brings with it under the edition, in words."""
    found = []
    if work.edition.value("emergency_disconnect").value != "none":
        found.append(f"emergency disconnect outdoors ({work.edition.cite('emergency_disconnect').locator})")
    if work.edition.value("surge_protection").value == "yes":
        found.append(f"surge protection ({work.edition.cite('surge_protection').locator})")
    if work.edition.value("service_disconnect_enclosures").value == "separate":
        found.append(f"service disconnects in enclosures of their own ({work.edition.cite('disconnect_count').locator})")
    return "; ".join(found) or "nothing by this edition"


__all__ = ["emergency", "replaced", "utility"]
