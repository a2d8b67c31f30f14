"""The charger in the load calculation: the code load, the control in its place, the loss of its sensor, what the reviewer is handed."""

from __future__ import annotations

from dataclasses import replace

from workbook_lib.errors import MissingInput
from workbook_lib.rules import charging_run, service
from workbook_lib.sheet import Check, Section, Step, Table, Verdict, compare, needs_input
from workbook_lib.workbooks import controls, limits, service_load, service_record
from workbook_lib.workbooks.charging_work import Work, held_by
from workbook_lib.workbooks.prepare import listing, nominal_voltage, standing_controls, text

CAPACITY = "does the service carry the calculated load, with the control in place of what it holds where that is allowed?"
FALLBACK = "does the service carry the load when the control has lost its sensor?"
MALFUNCTION = "does the current that the control holds stop when the control fails, where the edition asks for it?"
OPEN = "open"


def code_load(work: Work) -> None:
    """Check `service-capacity` with the controls, `control-setting:CONTROL`, `control-fallback:CONTROL` and the record to hand over."""
    known = service_load.start(work.home, work.edition, local=False)
    work.calculation = known
    known.answers, known.lacks = service_load.method_totals(known, known.scope.items)
    known.limit = work.limit = service_load.limit_of(known)
    lack = _lacking(work)
    if lack is not None:
        work.checks.append(needs_input("service-capacity", CAPACITY, lack.fields, note=str(lack)))
        work.not_checked.append(f"controlled_service_a: {lack}")
        for row in _holding(work):
            work.checks.append(needs_input(f"control-fallback:{row.id}", FALLBACK, lack.fields, note=str(lack)))
    else:
        _capacity(work)
    for row in _holding(work):
        _malfunction(work, row)
        _handed_over(work, row)


def _holding(work: Work) -> list:
    """Controls that hold a charger."""
    return [row for row in standing_controls(work.home) if held_by(row) & {one.id for one in work.chargers}]


def _lacking(work: Work) -> MissingInput | None:
    """Why there is no service load or no limit; None where there are both."""
    known = work.calculation
    if not known.method:
        return MissingInput(["study.service_load_method"])
    if known.chosen is None:
        return known.lacks[known.method]
    return MissingInput(["service.rating"]) if work.limit is None else None


def _capacity(work: Work) -> None:
    known, edition = work.calculation, work.edition
    voltage, whole = nominal_voltage(edition), known.chosen.total
    held = controls.hold_service(
        work.home, known.scope.items, lambda items: service_load.chosen_total(known, items, "uncontrolled"), whole, work.limit, edition
    )
    without = service.load_current("service.without_control", whole, voltage, edition.cite("rounding"))
    without = replace(without, meaning="calculated load with no control of the service")
    work.load_a = service.load_current("service.current", held.load, voltage, edition.cite("rounding"))
    work.load_a = replace(work.load_a, meaning="calculated load of the service with its controls")
    work.result("controlled_service_a", work.load_a)
    work.result("uncontrolled_service_a", without)
    known.load, known.load_a = held.load, work.load_a
    known.low_a = service_record.low_current(known)
    source = edition.cite("measured" if known.method == "measured" else "minimum_rating")
    note = _capacity_note(work, held, without)
    work.checks.append(limits.lowered(known, compare("service-capacity", CAPACITY, work.load_a, "<=", work.limit, source, note=note)))
    work.not_checked.append("conditions of the method, continuous load at 125 %, local limits: the sheet of the service load")
    work.checks += [*held.checks, *controls.charger_checks(work.home, edition)]
    work.notes += held.notes
    known.result("always_on_a", service.load_current("service.always_on", held.always_on, voltage))
    chargers = [item for item in known.scope.items if item.group == "evse"]
    for item in chargers:
        work.result(f"code_load_va:{item.id}", item.va)
    if held.credited:
        checks, notes = controls.brought_by_credit(work.home, held, known.method, work.limit, edition)
        work.checks += checks
        work.notes += notes
    prose = f"The service load is that of the sheet of the service load, by the method {known.method.replace('_', ' ')}."
    steps = [whole, *held.steps, work.load_a, *(item.va for item in chargers if isinstance(item.va, Step))]
    work.sections.append(Section("Charging in the load calculation", tuple({step.key: step for step in steps}.values()), prose))
    for row in _holding(work):
        work.guarded(f"control-fallback:{row.id}", FALLBACK, lambda row=row: _fallback(work, row))


def _capacity_note(work: Work, held: controls.Held, without: Step) -> str:
    """What the load of the verdict stands for, in words."""
    if not held.credited:
        return ""
    beside = f"without the control {without.value:.1f} A"
    if without.value <= work.limit.value:
        return f"{beside}: the service carries the load without it, too"
    reach = work.edition.value("control_reaches_optional")
    argued = "; whether the credit reaches this method is argued, see the cautions"
    return beside + (argued if work.calculation.method != "standard" and reach.value != "yes" else "")


def _fallback(work: Work, row) -> Check:
    """Check `control-fallback:CONTROL`: all that the control does not hold, by calculation, and what each charger falls back to."""
    known, names = work.calculation, held_by(row)
    held = [one for one in work.chargers if one.id in names]
    lacking = [f"evse.{one.id}.fallback_current" for one in held if one.fallback_current is None]
    if lacking:
        raise MissingInput(lacking, "what a charger draws when its control is lost is not known")
    free = [item for item in known.scope.items if item.id not in {one.id for one in held}]
    rest = service_load.chosen_total(known, free, f"fallback.{row.id}")
    amperes = service.load_current(f"control.{row.id}.rest", rest, nominal_voltage(work.edition))
    amperes = replace(amperes, meaning=f"calculated load without the chargers of {row.id}")
    load = charging_run.fallback_load(row.id, amperes, [one.fallback_current for one in held], work.edition)
    return charging_run.fallback_check(row.id, load, work.limit, work.edition)


def _malfunction(work: Work, row) -> None:
    """Check `control-malfunction:CONTROL`: an edition that wants the current to stop, and a fallback above nothing."""
    key, rule = f"control-malfunction:{row.id}", work.edition.value("control_malfunction")
    everything = [*(one for one in work.chargers if one.id in held_by(row)), *_others(work, row)]
    falling = [one for one in everything if one.fallback_current is not None and one.fallback_current.value > 0]
    silent = [one.id for one in _others(work, row) if one.fallback_current is None]
    if rule.value != "stop":
        note = "no such rule was read in this edition"
        work.checks.append(Check(key, MALFUNCTION, Verdict.NOT_APPLICABLE, source=rule.source, note=note))
        return
    unsaid = [one.id for one in work.chargers if one.id in held_by(row) and one.fallback_current is None]
    if unsaid:
        work.checks.append(needs_input(key, MALFUNCTION, [f"evse.{name}.fallback_current" for name in unsaid], rule.source))
        return
    if not falling and not silent:
        work.checks.append(Check(key, MALFUNCTION, Verdict.PASS, source=rule.source, note="what it holds stops"))
        return
    words = ", ".join(f"{one.id} goes on with {one.fallback_current.text or one.fallback_current.value}" for one in falling)
    unknown = f"what {', '.join(silent)} does is not stated (fallback_current)" if silent else ""
    words = "; ".join(part for part in (words, unknown) if part)
    note = f"{words}; read strictly the current stops, read by its purpose a current that the calculation carries may stay"
    closes = f"a fallback of 0 A, or an authority-decision for {key}"
    decides = "the authority having jurisdiction"
    work.checks.append(Check(key, MALFUNCTION, Verdict.JUDGEMENT, source=rule.source, note=note, closes=closes, decides=decides))


def _others(work: Work, row) -> list:
    """Loads and inverters of stores that a control holds beside the chargers."""
    names = held_by(row)
    stores = {one.inverter for one in work.standing("storage") if one.id in names}
    return [one for table in ("load", "source") for one in work.standing(table) if one.id in names | stores]


def _handed_over(work: Work, row) -> None:
    """The record that goes with a control: what a reviewer, an inspector and the next owner must be handed, filled or open."""
    evidence = {text(one.shows): one for one in work.site.evidence if one.for_ == row.id}

    def shown(kind: str) -> str:
        one = evidence.get(kind)
        if one is None:
            return OPEN
        parts = [text(one.by), text(one.date), text(one.document)]
        return ", ".join(part for part in parts if part) or "stated"

    held = [one for one in work.chargers if one.id in held_by(row)]
    every = [*held, *_others(work, row)]
    fallbacks = [f"{one.id} {one.fallback_current.text}" for one in every if one.fallback_current is not None]
    settings = [f"{bound.setting.text}, {text(bound.way)} at {bound.at}" for bound in row.limit if bound.setting is not None]
    minimums = [f"{one.id} {one.minimum_current.text}" for one in held if one.minimum_current is not None]
    rest = [f"{one.id} {_least_words(one)}" for one in _others(work, row)]
    rows = (
        ("Model", text(row.model) or OPEN),
        ("Data sheet", text(row.data_sheet) or OPEN),
        ("Listed to", ", ".join(listing(row)) or OPEN),
        (
            "Function",
            f"{text(row.action) or 'modulate or shed not stated'}, {', '.join(sorted({text(bound.way) for bound in row.limit})) or OPEN}",
        ),
        ("Setting", "; ".join(settings) or OPEN),
        ("What it holds", ", ".join(sorted(held_by(row))) or OPEN),
        ("Least current of each", "; ".join([*minimums, *rest]) if len(minimums) == len(held) else OPEN),
        ("Place of its sensors", row.sensor_at or OPEN),
        ("Ratio of its sensors", row.sensor_ratio or OPEN),
        ("On a lost sensor or signal", "; ".join(fallbacks) if len(fallbacks) == len(every) else OPEN),
        ("Time until a lost signal is acted on", row.lost_after.text if row.lost_after is not None else OPEN),
        ("Access to its settings", text(row.access) or OPEN),
        ("Who holds the access", row.settings_held_by or OPEN),
        ("Access shown restricted", shown("access-restricted")),
        ("Test at commissioning", shown("commissioned")),
    )
    count = sum(value == OPEN for _, value in rows)
    words = "Every line is filled." if not count else f"{count} of {len(rows)} lines are open: fill them before the permit set goes out."
    table = Table(("What", "As filed"), rows, f"Record of {row.id}")
    work.checks.append(_record_check(row, [what for what, value in rows if value == OPEN]))
    work.sections.append(Section(f"What is handed over with {row.id}", (), words, table))


def _least_words(one) -> str:
    """What a held load or store keeps at least, in words."""
    least = getattr(one, "minimum_current", None)
    return least.text if least is not None else "shed to nothing"


def _record_check(row, lines: list[str]) -> Check:
    """Check `control-record:CONTROL`: shown beside the verdict, since what is open belongs to the permit set and not to the numbers."""
    key, asked = f"control-record:{row.id}", f"is the record that goes with {row.id} filled?"
    if not lines:
        return Check(key, asked, Verdict.PASS, note="every line is filled", counts=False)
    closes, note = "the lines of the record, before the permit set goes out", f"open: {', '.join(line.lower() for line in lines)}"
    return Check(key, asked, Verdict.JUDGEMENT, note=note, counts=False, closes=closes, decides="the engineer")
