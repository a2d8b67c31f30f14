"""Workbook service_load: does the service carry the calculated load, and how much is left?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from workbook_lib.editions import Edition
from workbook_lib.errors import MissingInput
from workbook_lib.rules import service
from workbook_lib.rules.loads import LoadItem, settle_exclusive
from workbook_lib.sheet import Assumption, Check, Input, Quantity, Result, Section, Sheet, Step, Table, Verdict, compare, needs_input
from workbook_lib.workbooks import common, controls, legs, limits, metered, panels, readings, service_figures, service_record
from workbook_lib.workbooks.methods import CALCULATE, METHODS, TITLES, MethodResult, Scope, general_steps
from workbook_lib.workbooks.prepare import BEFORE, Prepared, counts_circuit, dwelling_scope, nominal_voltage, prepare, root_panels, text
from workbook_lib.workbooks.work import SheetWork

FORM = common.Form(
    name="service_load",
    title="Service load",
    question="Does the service carry the calculated load of this dwelling, with what is added, and how much is left?",
    order=(
        *("service-capacity", "method-allowed", "control-setting", "control-continuous", "continuous-load", "local-service-limit"),
        "service-main",
        *("service-minimum", "service-conductor", "service-neutral", "leg-capacity", "panel-load", "dwelling-83", "storage-charging"),
        *("measured-allowed", "record-days", "record-coverage", "record-quality", "record-interval", "record-occupied"),
        *("record-seasonal", "record-legs", "record-power-factor", "record-plausible", "record-readable"),
        *("field-verified", "edition-adopted", "independent-check"),
    ),
    families=(
        *("annex-d", "general-load", "cooking", "optional-method", "charging", "local-forms", "motors", "conductor"),
        *("mistakes", "tables", "measured"),
    ),
    first=(
        *("service_load_va", "service_load_a", "service_limit_a", "service_limited_by", "service_margin_a", "largest_evse_a"),
        "largest_evse_with_125_a",
    ),
)
CHOICES = {
    "optional-dwelling": "optional_dwelling",
    "existing-dwelling": "existing_dwelling",
    "standard": "standard",
    "measured": "measured",
}
"""Choice in the site file -> method name in results.json."""


@dataclass(kw_only=True)
class Work(SheetWork):
    """What is known while the sheet is put together."""

    prepared: Prepared
    scope: Scope
    general: tuple[Step, ...] = ()
    general_lack: MissingInput | None = None
    answers: dict[str, MethodResult] = field(default_factory=dict)
    lacks: dict[str, MissingInput] = field(default_factory=dict)
    ampacity: Step | None = None
    method: str = ""
    load: Step | None = None
    load_a: Step | None = None
    low_a: Step | None = None
    limit: Step | None = None
    metered: metered.Metered | None = None

    @property
    def chosen(self) -> MethodResult | None:
        """Answer of the method that is the verdict; None where it could not be computed."""
        return self.answers.get(self.method)

    @property
    def voltage(self) -> Input:
        """Nominal voltage between the legs [V]."""
        return nominal_voltage(self.edition)


def study(home, edition: Edition) -> Sheet:
    """Service load of a home under an edition: every method, the chosen one's verdict, what is left.

    Parameters: home (validated), edition as published; the jurisdiction's amendments are applied here.
    Returns: Sheet. Errors: CalculationFault for a value outside the edition's tables.
    Source: Article 220 (2026: 120), 230.42, 230.79, 310.12.
    """
    work = start(home, edition)
    _connected(work)
    service_record.record(work)
    _methods(work)
    _limit(work)
    _legs_and_neutral(work)
    _chosen_load(work)
    _capacity(work)
    panels.conductors(work)
    panels.panel_loads(work)
    work.checks += panels.entire_load_claims(work)
    _storage(work)
    service_record.compared(work)
    readings.inverse(work)
    readings.named_switches(work)
    work.checks += [common.edition_adopted(home), panels.verified(work), common.independent_check(home)]
    if counts_circuit(work.edition):
        work.notes.append("local form: charging is counted by the rating of its circuit")
    return common.finished(work, FORM, figures=(*service_figures.figures(work), *service_record.figures(work)))


def start(home, edition: Edition, *, local: bool = True) -> Work:
    """A Work with the prepared loads, nothing computed yet; `local` False where the edition is amended already."""
    local = common.local_edition(home, edition) if local else edition
    prepared = prepare(home, local)
    scope = dwelling_scope(home, settle_exclusive(prepared.standing(), local))
    work = Work(home, local, prepared=prepared, scope=scope, metered=metered.gather(home, local, scope.items))
    work.method = CHOICES.get(text(home.site.study.service_load_method), "")
    work.scope = replace(scope, demand=service_record.demand_of(work))
    missing, reasons = list(prepared.missing), list(prepared.reasons)
    try:
        work.general = tuple(general_steps(scope, local))
    except MissingInput as lack:
        missing += lack.fields
    if missing:
        work.general_lack = MissingInput(missing, "; ".join(reasons))
    return work


def method_totals(work: Work, items: Sequence[LoadItem]) -> tuple[dict[str, MethodResult], dict[str, MissingInput]]:
    """Every method on these loads: answers [VA], and what was missing for those that could not be computed."""
    answers: dict[str, MethodResult] = {}
    lacks: dict[str, MissingInput] = {}
    for name in METHODS:
        try:
            if work.general_lack is not None and name != "measured":
                raise work.general_lack
            answers[name] = CALCULATE[name](work.scope.with_items(items), work.edition, work.general)
        except MissingInput as lack:
            lacks[name] = lack
    return answers, lacks


def _connected(work: Work) -> None:
    """Section with every load: what is connected, its class, panel, leg and status."""
    dwelling = work.home.site.dwelling
    if work.edition.value("garage_counts").value != "none" and dwelling.attached_garage_area is None:
        work.assumptions.append(
            Assumption("dwelling.attached_garage_area", "no attached garage is given: none is counted in the floor area")
        )
    unsaid = [item for item in work.prepared.items if item.voltage is None and item.group not in ("storage", "evse", "other")]
    if unsaid:
        words = f"voltage not stated, taken as between the legs: {', '.join(item.label for item in unsaid)}"
        on_neutral = [item.label for item in unsaid if item.neutral]
        words += f"; of these taken to use the neutral: {', '.join(on_neutral)}" if on_neutral else ""
        work.assumptions.append(Assumption("load.*.voltage", words))
    rows = tuple(
        (item.label, item.group, item.count, item.va.value, item.panel or "-", item.leg or "-", item.status) for item in work.prepared.items
    )
    if not rows:
        return
    steps = tuple(item.va for item in work.prepared.items if isinstance(item.va, Step))
    columns = ("Load", "Class", "Units", "Connected (VA)", "Panel", "Leg", "Status")
    prose = "Nameplate power as stated, or current times voltage. Removed loads stand only in the load before this work."
    work.sections.append(Section("What is connected", (*work.general, *steps), prose, Table(columns, rows, "Loads")))


def _methods(work: Work) -> None:
    work.answers, work.lacks = method_totals(work, work.scope.items)
    general = {step.key for step in work.general}
    for name, result in work.answers.items():
        amperes = service.load_current(f"{name}.current", result.total, work.voltage, work.edition.cite("rounding"))
        work.result(f"{name}_va", result.total)
        work.result(f"{name}_a", amperes)
        for group, step in result.demand.items():
            work.result(f"demand_va:{name}:{group}", step)
        own = tuple(step for step in result.steps if step.key not in general)
        work.sections.append(Section(TITLES[name], (*own, amperes), _prose(name, result, work)))
        if result.branch:
            work.results["existing_dwelling_branch"] = Result(result.branch, None)
    for name, lack in work.lacks.items():
        work.not_checked.append(f"{name}_va: {lack}")
    work.not_checked += [
        "conductors and devices of feeders and branch circuits, charging circuits among them: not part of this sheet",
        "source current on buses and taps, interrupting ratings, grounding, raceway fill, voltage drop: not part of this sheet",
        "current on each leg inside a panel: legs are computed for the whole service only",
        *(
            ["overcurrent and overload protection of service and feeder (240.4, 230.90), the third condition of the measured method"]
            if "measured" in work.answers
            else []
        ),
    ]
    work.not_checked += common.unread(work.home)  # before what the later parts could not compute


def _prose(name: str, result: MethodResult, work: Work) -> str:
    if name == "measured":
        return service_record.prose(work)
    role = "This is the method of the verdict." if name == work.method else "Shown beside the chosen method."
    if name != "existing_dwelling":
        return role
    added = "heating or cooling is added" if result.branch == "B" else "no heating or cooling is added"
    return f"Branch {result.branch}: {added}. {role}"


def limit_of(work: Work) -> Step | None:
    """What the service may carry [A]: the least of rating, utility limit and a single main; None without a rating."""
    site = work.home.site
    limits: dict[str, Quantity] = {}
    if site.service.rating is None:
        return None
    limits["rating"] = site.service.rating
    if site.service.utility_limit is not None:
        limits["utility_limit"] = site.service.utility_limit
    roots = root_panels(work.home)
    main = panels.main_of(work.home, roots[0]) if len(roots) == 1 else None
    if main is not None:
        limits["main"] = main
    return service.service_limit(limits)


def _limit(work: Work) -> None:
    work.limit = limit_of(work)
    if work.limit is None:
        work.not_checked.append("service_limit_a: service.rating is missing")
        return
    work.result("service_limit_a", work.limit)
    least = min(work.limit.uses, key=lambda name: work.limit.uses[name].value)
    work.results["service_limited_by"] = Result(least, None)


def chosen_total(work: Work, items: Sequence[LoadItem], prefix: str) -> Step:
    """Load of other items by the chosen method, with keys of its own. Parameters: items [VA]. Returns: [VA]."""
    result = CALCULATE[work.method](work.scope.with_items(items), work.edition, work.general)
    demand = work.scope.demand.readings.values() if work.scope.demand is not None else ()
    return common.rekeyed(result.total, prefix, [*work.general, *demand, *(item.va for item in work.prepared.items)])


def _chosen_load(work: Work) -> None:
    chosen = work.chosen
    if chosen is None:
        return
    work.load = chosen.total
    work.result("no_control_va", chosen.total)
    held = controls.hold_service(
        work.home,
        work.scope.items,
        lambda items: chosen_total(work, items, "uncontrolled"),
        chosen.total,
        work.limit,
        work.edition,
    )
    work.load = held.load
    work.checks += [*held.checks, *controls.charger_checks(work.home, work.edition)]
    work.notes += held.notes
    work.result("always_on_va", held.always_on)
    if held.steps:
        work.sections.append(Section("Control in place of load", held.steps, "A setting counts only where the control is credited."))
    if held.credited:
        checks, notes = controls.brought_by_credit(work.home, held, work.method, work.limit, work.edition)
        work.checks += checks
        work.notes += notes
    work.load_a = service.load_current("service.current", work.load, work.voltage, work.edition.cite("rounding"))
    work.low_a = service_record.low_current(work)
    work.result("service_load_va", work.load)
    work.result("service_load_a", work.load_a)
    work.result("service_load_rounded_a", service.rounded_current("service.current_rounded", work.load_a, work.edition))
    try:
        before = chosen_total(work, work.prepared.standing(BEFORE), "before")
        work.result("service_load_before_va", before)
    except MissingInput as lack:
        work.not_checked.append(f"service_load_before_va: {lack}")
    sizes = work.edition.series("standard_ratings", "rating_a")
    on_legs = [work.results[key].step for key in ("leg_load_a:A", "leg_load_a:B") if key in work.results and work.method == "standard"]
    work.result("minimum_service_rating_a", service.minimum_service_rating(work.load_a, sizes, work.edition, on_legs))
    work.notes += panels.charger_breaker_notes(work)
    for item in work.scope.items:
        if item.group == "evse":
            work.result(f"code_load_va:{item.id}", item.va)


def _capacity(work: Work) -> None:
    site = work.home.site
    question = "does the service carry the calculated load?"
    for name in METHODS:
        work.checks += _method_checks(work, name)
    if not work.method:
        work.checks.append(needs_input("service-capacity", question, ["study.service_load_method"]))
        return
    if work.load_a is None:
        lack = work.lacks[work.method]
        check = needs_input("service-capacity", question, lack.fields, note=lack.reason)
        if not lack.fields:
            check = replace(check, closes="another method in study.service_load_method, or what the conditions of this one name")
        work.checks.append(check)
        work.not_checked.append("service-minimum, continuous-load, local-service-limit: there is no load to test")
        return
    if work.limit is None:
        work.checks.append(needs_input("service-capacity", question, ["service.rating"]))
        return
    source = work.edition.cite("measured" if work.method == "measured" else "minimum_rating")
    work.checks.append(limits.lowered(work, service.capacity_check("service-capacity", work.load_a, work.limit, source)))
    held = next((check.provided for check in work.checks if check.key == "control-continuous"), None)
    if held is not None:
        work.notes.append(f"the control setting is a continuous load and takes {held.value:.1f} A of the {work.limit.value:g} A service")
    margin = Step(
        "service.margin",
        "I_left",
        "room between load and limit",
        "limit - load",
        {"limit": work.limit, "load": work.load_a},
        work.limit.value - work.load_a.value,
        "A",
        decimals=2,
    )
    work.result("service_margin_a", margin)
    work.checks.append(limits.continuous_load(work))
    if site.service.rating is not None:
        work.checks.append(service.minimum_rating_check(site.service.rating, site.dwelling.status or "", work.edition))
    fraction = work.home.rule("service_load_fraction")
    if fraction is not None:
        work.checks.append(limits.local_limit(work, fraction))
    elif work.home.jurisdiction is not None:
        note = "the jurisdiction sets no fraction of its own"
        work.checks.append(Check("local-service-limit", "does the load stay within the local limit?", Verdict.NOT_APPLICABLE, note=note))
    keys = ("service_load_before_va", "service_load_rounded_a", "minimum_service_rating_a")
    steps = [work.limit, work.load_a, *(work.results[key].step for key in keys if key in work.results), margin]
    work.sections.append(Section("The service", tuple(step for step in steps if isinstance(step, Step)), _limit_prose(site)))


def _limit_prose(site) -> str:
    return "The load stands against the least of the service's marked rating, its main device and the utility's limit."


def _method_checks(work: Work, name: str) -> list[Check]:
    chosen = name == work.method
    title = TITLES[name].lower()
    checks = [panels.method_allowed(work, name, counts=chosen)]
    if name in work.answers and work.limit is not None:
        current = work.results[f"{name}_a"].step
        cite = work.edition.cite("measured" if name == "measured" else "minimum_rating")
        check = service.capacity_check(f"service-capacity:{name}", current, work.limit, cite, counts=False)
        checks.append(check if name != "measured" else service_record.opened(work, check))
    elif name in work.lacks:
        checks.append(
            common.missing_check(
                f"service-capacity:{name}", f"does the service carry the load by the {title}?", work.lacks[name], counts=False
            )
        )
    return checks


def _legs_and_neutral(work: Work) -> None:
    result = work.answers.get("standard")
    if result is None:
        for key, what in (("leg-capacity:A", "leg A"), ("leg-capacity:B", "leg B")):
            work.checks.append(common.missing_check(key, f"does {what} stay within the service?", work.lacks["standard"], counts=False))
        work.checks.append(common.missing_check("service-neutral", panels.NEUTRAL_QUESTION, work.lacks["standard"]))
        return
    answer = legs.leg_answer(work.scope.items, result, work.edition)
    for leg, step in answer.currents.items():
        work.result(f"leg_load_a:{leg}", step)
        if work.limit is not None:
            work.checks.append(_leg_check(work, leg, step, answer))
    work.result("neutral_load_va", answer.neutral_va)
    work.result("neutral_load_a", answer.neutral_a)
    work.sections.append(Section("Legs and neutral, on the standard method", answer.steps))
    if answer.unplaced:
        text = f"leg not known, spread evenly over both: {', '.join(answer.unplaced)}"
        work.assumptions.append(Assumption("load.*.leg", text))
    panels.service_neutral(work, answer.neutral_a)


def _leg_check(work: Work, leg: str, step: Step, answer: legs.LegAnswer) -> Check:
    key, question = f"leg-capacity:{leg}", f"does leg {leg} stay within the service, on the standard method?"
    decides = work.method == "standard"
    check = compare(key, question, step, "<=", work.limit, work.edition.cite("standard"), counts=decides)
    if not decides:
        check = compare(
            key, question, step, "<=", work.limit, note="the chosen method gives no load by legs: shown beside it", counts=False
        )
    if not answer.unplaced:
        return check
    robust = compare(key, question, answer.worst, "<=", work.limit)
    closer = "whichever leg they are on, it stays within" if robust.verdict is Verdict.PASS else "placed badly, it could be exceeded"
    return Check(
        key,
        question,
        Verdict.JUDGEMENT,
        step,
        "<=",
        work.limit,
        note=f"the leg of {', '.join(answer.unplaced)} is not known; {closer} ({answer.worst.value:.1f} A at worst)",
        counts=decides and robust.verdict is not Verdict.PASS,
        closes="the leg of each 120 V load, read at the panel",
        decides="the engineer on site",
    )


def _storage(work: Work) -> None:
    key, question = "storage-charging", "does the service carry the storage while it charges from the utility?"
    charging = [item for item in work.prepared.standing() if item.group == "storage"]
    if not charging:
        work.checks.append(Check(key, question, Verdict.NOT_APPLICABLE, note="nothing charges from the service"))
        return
    total = Step(
        "storage.charging",
        "S_stor",
        "storage charging from the service",
        "sum(storage)",
        {"storage": tuple(item.va for item in charging)},
        sum(item.va.value for item in charging),
        "VA",
    )
    work.result("storage_charging_va", total)
    if work.load_a is None or work.limit is None:
        work.checks.append(needs_input(key, question, ["service.rating"] if work.limit is None else ["study.service_load_method"]))
        return
    held = work.load is not work.chosen.total
    note = "held by the credited control" if held else "counted in full in the load"
    work.checks.append(compare(key, question, work.load_a, "<=", work.limit, note=note))


def other_editions(home, edition: Edition) -> tuple[Section, ...]:
    """Hook of the notebook: load by the chosen method under each edition, and the rules that move it [VA], [A]."""
    from workbook_lib.workbooks.other_editions import other_editions as compared

    return compared(home, edition)


__all__ = ["CHOICES", "FORM", "Work", "chosen_total", "method_totals", "other_editions", "start", "study"]
