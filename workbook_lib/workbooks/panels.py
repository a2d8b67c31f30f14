"""Panels, service conductors and what was verified, as parts of the service load sheet."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from workbook_lib.errors import CalculationFault, MissingInput
from workbook_lib.rules import conductor, measured, service
from workbook_lib.rules.loads import LoadItem
from workbook_lib.sheet import Assumption, Check, Input, Quantity, Result, Section, Step, Table, Verdict, compare, holds, needs_input
from workbook_lib.workbooks import common, record_checks
from workbook_lib.workbooks.in_place import CONDUCTOR_QUESTION, DEVICE_QUESTION, ampacity_of, assumed, service_protection
from workbook_lib.workbooks.methods import general_steps, standard
from workbook_lib.workbooks.prepare import panel_scope, root_panels, text

NEUTRAL_QUESTION = "does the service neutral carry its load, and is it large enough to clear a fault?"
SINGLE_POLE_GENERAL = (15.0, 20.0)
"""Ratings [A] of single-pole breakers that usually feed lighting and receptacles."""


def main_of(home, panel) -> Input | None:
    """Rating of a panel's own main [A]; None for main-lug-only or absent."""
    main = panel.main
    return main if isinstance(main, Input) and isinstance(main.value, (int, float)) else None


def method_allowed(work, name: str, *, counts: bool) -> Check:
    """Check `method-allowed:METHOD`: which condition of the method holds or fails for this home."""
    home, edition = work.home, work.edition
    key = f"method-allowed:{name}"
    if name == "standard":
        question = "may the standard method be used?"
        return Check(key, question, Verdict.PASS, source=edition.cite("standard"), note="it applies to every dwelling", counts=counts)
    if name == "existing_dwelling":
        return _existing_allowed(home, edition, key, counts)
    if name == "measured":
        return _measured_allowed(work, key, counts)
    return _optional_allowed(work, key, counts)


def _existing_allowed(home, edition, key: str, counts: bool) -> Check:
    question = "may the method for an existing dwelling be used?"
    source = edition.cite("existing")
    status = text(home.site.dwelling.status)
    if status and status != "existing":
        return Check(
            key,
            question,
            Verdict.FAIL,
            source=source,
            note="condition that fails: the dwelling exists (dwelling.status is new)",
            counts=counts,
        )
    if edition.value("existing_form").value != "split":
        note = f"the heating and cooling factors of this edition ({source.locator}) were not seen in a source"
        return Check(
            key,
            question,
            Verdict.NEEDS_INPUT,
            source=source,
            note=note,
            counts=counts,
            closes="the table of the adopted text, as an amendment in the jurisdiction file, or another method",
            decides="the engineer",
        )
    if not status:
        return needs_input(key, question, ["dwelling.status"], source, counts=counts)
    return Check(key, question, Verdict.PASS, source=source, note="the dwelling exists", counts=counts)


def _measured_allowed(work, key: str, counts: bool) -> Check:
    question, source = "may the measured method be used: is there a building, and a record of its demand?", work.edition.cite("measured")
    if text(work.home.site.dwelling.status) == "new":
        note = "condition that fails: the dwelling exists (dwelling.status is new)"
        return Check(key, question, Verdict.FAIL, source=source, note=note, counts=counts)
    if work.metered is None:
        fields = ["records.load", "records.maximum_demand"]
        note = "no meter record and no utility letter is given: one of them is needed"
        return needs_input(key, question, fields, source, note=note, counts=counts)
    why = record_checks.barred(work.home, work.metered, work.edition)
    if why:
        return Check(key, question, Verdict.FAIL, source=source, note=f"condition that fails: {why}; see measured-allowed", counts=False)
    note = "its conditions stand in measured-allowed and in the checks of the record"
    return Check(key, question, Verdict.PASS, source=source, note=note, counts=counts)


def _optional_allowed(work, key: str, counts: bool) -> Check:
    edition = work.edition
    question = "may the optional method be used: is the whole load on one set of conductors of at least 100 A?"
    least, source = edition.value("optional_minimum_ampacity_a"), edition.cite("optional_scope")
    try:
        ampacity = service_ampacity(work)
    except MissingInput as lack:
        return needs_input(key, question, lack.fields, source, note=str(lack), counts=counts)
    check = compare(key, question, ampacity, ">=", least, source, note="one 120/240 V 3-wire service for the whole load", counts=counts)
    rating = work.home.site.service.rating
    if check.verdict is Verdict.FAIL and rating is not None and rating.value >= least.value:
        note = (
            f"the conductors have {ampacity.value:.1f} A, although the service is rated {rating.value:g} A by the 83 % rule; "
            "read literally the method is shut, practice differs"
        )
        return Check(
            key,
            question,
            Verdict.JUDGEMENT,
            ampacity,
            ">=",
            least,
            source,
            note=note,
            counts=counts,
            closes="the authority's reading of the 100 A condition, or another method",
            decides="the authority having jurisdiction",
        )
    return check


def service_ampacity(work) -> Step:
    """Ampacity of the service conductors [A], computed once. Errors: MissingInput naming every field that lacks."""
    if work.ampacity is None:
        given = work.home.site.service
        work.ampacity = ampacity_of(work.home, given.conductor, "service.conductor", work.edition, rating=given.rating)
    return work.ampacity


def _service_main(work, above: Input) -> Check:
    """Check `service-main`, which stands only where a device of the service is rated above the service [A].

    Then a rating is wrong in the file, or the equipment is not protected: never a pass. Source: 230.90(A).
    """
    question = "is no overcurrent device of the service rated above what the service equipment is marked for?"
    note, cite = "either rating is wrong, or the equipment is not protected", work.edition.cite("service_overload")
    check = compare("service-main", question, above, "<=", work.home.site.service.rating, cite, note=note)
    closes = "the marking of the service equipment and of the device, read again on site"
    return replace(check, verdict=Verdict.JUDGEMENT, closes=closes, decides="the engineer")


def conductors(work) -> None:
    """Checks `service-main` and `service-conductor` with its steps."""
    site, edition = work.home.site, work.edition
    if site.service.rating is None:
        work.checks.append(needs_input("service-conductor", CONDUCTOR_QUESTION, ["service.rating"]))
        return
    protection, words = service_protection(work.home)
    if words:
        work.checks.append(_service_main(work, protection))
    try:
        ampacity = service_ampacity(work)
    except MissingInput as lack:
        work.checks.append(needs_input("service-conductor", CONDUCTOR_QUESTION, lack.fields, edition.cite("dwelling_83"), note=str(lack)))
        return
    required = conductor.required_ampacity(protection, edition, entire_load=True, carries_source=False)
    asked, cite = DEVICE_QUESTION if words else CONDUCTOR_QUESTION, edition.cite("dwelling_83")
    work.checks.append(conductor.conductor_check("service-conductor", asked, ampacity, required, cite, note=words))
    work.result("service_conductor_ampacity_a", ampacity)
    table = _sizes(work, required)
    work.assumptions += assumed(work.home, site.service.conductor)
    prose = (
        "Ampacity in place is the table's value in the column of the insulation, by the ambient factor and the adjustment, "
        "and never more than the column of the terminals."
    )
    work.sections.append(Section("Service conductors", (ampacity, required), prose, table))


def _sizes(work, required: Step) -> Table:
    """Sizes of the same material and insulation in place, and result `smallest_service_conductor`. Returns: table [A]."""
    edition, wire = work.edition, work.home.site.service.conductor
    rows: list[tuple[object, ...]] = []
    smallest = ""
    for size in edition.row_names("ampacity"):
        other = replace(wire.size, value=size, key="trial.size")
        try:
            ampacity = ampacity_of(work.home, wire, "service.conductor", edition, rating=work.home.site.service.rating, size=other).value
        except CalculationFault:
            continue
        passes = holds(ampacity, ">=", required.value)
        smallest = smallest or (size if passes else "")
        rows.append(
            (conductor.size_words(size), ampacity, "enough" if passes else "too small", "in place" if size == wire.size.value else "")
        )
    if smallest:
        work.results["smallest_service_conductor"] = Result(smallest, None)
    near = [index for index, row in enumerate(rows) if row[0] in (conductor.size_words(smallest), conductor.size_words(wire.size.value))]
    shown = rows[max(0, min(near, default=0) - 1) : max(near, default=0) + 2]
    caption = f"Sizes of {wire.material.value} {wire.insulation.value} in this place, {required.value:.1f} A wanted"
    return Table(("Size", "Ampacity (A)", "Verdict", "Where"), tuple(shown), caption, 1)


def service_neutral(work, current: Step) -> None:
    """Check `service-neutral`. Parameters: current [A] on the neutral."""
    edition, wire = work.edition, work.home.site.service.conductor
    if wire is not None and text(wire.neutral) == "none":
        note = "the service conductors are given without a neutral; a 120/240 V 3-wire service has one"
        work.checks.append(Check("service-neutral", NEUTRAL_QUESTION, Verdict.FAIL, source=edition.cite("neutral"), note=note))
        return
    try:
        ampacity = ampacity_of(work.home, wire, "service.conductor", edition, rating=work.home.site.service.rating, neutral=True)
        if wire.size is None:
            raise MissingInput(["service.conductor.size"])
        least_area = conductor.least_neutral_area(wire.size, wire.material, wire.material, wire.sets, edition)
    except MissingInput as lack:
        work.checks.append(needs_input("service-neutral", NEUTRAL_QUESTION, lack.fields, edition.cite("neutral"), note=str(lack)))
        return
    area = conductor.conductor_area("service.conductor.neutral.area", wire.neutral, edition)
    work.checks.append(conductor.neutral_check(ampacity, current, area, least_area, edition))
    steps = tuple(step for step in (ampacity, area, least_area) if isinstance(step, Step))
    work.sections.append(Section("Service neutral", steps, "It carries the neutral load, and it is large enough to clear a fault."))


def panel_loads(work) -> None:
    """Results `panel_load_va:PANEL` and checks `panel-load:PANEL`, sub-panels by the standard method."""
    roots = {panel.id for panel in root_panels(work.home)}
    steps: list[Step] = []
    for panel in work.home.site.panel:
        if panel.status == "removed":
            continue
        whole = len(roots) == 1 and panel.id in roots
        steps += _panel(work, panel, whole)
    if steps:
        work.sections.append(
            Section("Panels", tuple(steps), "A sub-panel gets its own load, by the standard method, with its continuous part at 125 %.")
        )


def _panel(work, panel, whole: bool) -> list[Step]:
    key, question = f"panel-load:{panel.id}", f"does panel {panel.id} carry what hangs below it?"
    edition = work.edition
    if panel.kind == "split-bus":
        note = "a split-bus panel: which loads each part of its bus carries is not computed"
        closes = "a calculation of each bus section, or a panel with one bus"
        work.checks.append(Check(key, question, Verdict.JUDGEMENT, note=note, closes=closes, decides="the engineer"))
        return []
    try:
        load, continuous = _panel_load(work, panel, whole)
    except MissingInput as lack:
        work.checks.append(needs_input(key, question, lack.fields, note=str(lack)))
        return []
    work.result(f"panel_load_va:{panel.id}", load)
    amperes = service.load_current(f"panel.{panel.id}.current", load, work.voltage)
    if continuous:
        name = f"panel.{panel.id}.continuous"
        amperes = service.continuous_current(amperes, continuous, work.voltage, edition, key=name)
    lacking, limit = panel_limit(work, panel)
    if limit is None:
        work.checks.append(needs_input(key, question, lacking))
        return [load, amperes]
    if not whole:
        note, counts = "by the standard method" + (", continuous load at 125 %" if continuous else ""), True
    elif work.limit is not None and holds(work.limit.value, "<=", limit.value):
        note, counts = "by the method of the verdict; no tighter than service-capacity, which decides", False
    else:
        note, counts = "by the method of the verdict", True
    check = compare(key, question, amperes, "<=", limit, note=note, counts=counts)
    if whole and work.low_a is not None:
        check = measured.open_between(check, work.low_a)
    work.checks.append(check)
    return [load, amperes, limit]


def panel_limit(work, panel) -> tuple[list[str], Step | None]:
    """What a panel may carry [A], or the fields that lack: the least of its bus, its main and what protects its feeder."""
    lacking, limits = _panel_limits(work, panel)
    if lacking:
        return lacking, None
    least = min(limits, key=lambda name: limits[name].value)
    return [], Step(
        f"panel.{panel.id}.limit",
        "I_lim",
        f"limit of panel {panel.id}",
        "min(" + ", ".join(limits) + ")" if len(limits) > 1 else least,
        dict(limits),
        limits[least].value,
        "A",
        note=f"set by its {least.replace('_', ' ')}",
    )


def sub_panels_carry(work, items: Iterable[LoadItem], circuit: str) -> bool:
    """Whether every panel with a load of its own between a circuit and the service carries other items, within its limit.

    Parameters: items [VA], circuit the id that the charger is connected to. Returns: decision. Errors:
    MissingInput where the limit or the load of a panel on the way is not known.
    """
    roots = root_panels(work.home)
    whole = {roots[0].id} if len(roots) == 1 else set()
    for name in work.home.tree.path_to_service(circuit):
        node = work.home.tree.node(name)
        if node.kind != "panel" or name in whole:
            continue
        lacking, limit = panel_limit(work, node.item)
        if limit is None:
            raise MissingInput(lacking)
        scope = panel_scope(work.home, node.item, items)
        result = standard(scope, work.edition, general_steps(scope, work.edition))
        amperes = service.load_current("trial.current", result.total, work.voltage)
        if result.continuous:
            amperes = service.continuous_current(amperes, result.continuous, work.voltage, work.edition, key="trial.continuous")
        if not holds(amperes.value, "<=", limit.value):
            return False
    return True


def _panel_load(work, panel, whole: bool) -> tuple[Step, tuple[Quantity, ...]]:
    if whole:
        if work.load is None:
            lack = work.lacks.get(work.method)
            raise MissingInput(lack.fields if lack else ["study.service_load_method"], lack.reason if lack else "")
        return work.load, ()
    scope = panel_scope(work.home, panel, work.scope.items)
    serves_known(panel)
    if work.prepared.missing:
        raise MissingInput(work.prepared.missing)
    if panel.serves is None:
        work.assumptions.append(
            Assumption(f"panel.{panel.id}.serves", f"panel {panel.id} is taken to serve no lighting or receptacle circuits")
        )
    result = standard(scope, work.edition, general_steps(scope, work.edition))
    kept = [item.va for item in work.prepared.items]
    total = common.rekeyed(result.total, f"panel.{panel.id}", kept)
    return total, result.continuous


def serves_known(panel) -> None:
    """A panel with small single-pole breakers that feed no load given must say what area it serves. Errors: MissingInput."""
    if panel.serves is not None:
        return
    general = [
        breaker.id
        for breaker in panel.breakers
        if breaker.poles is not None
        and breaker.poles.value == 1
        and breaker.rating is not None
        and breaker.rating.value in SINGLE_POLE_GENERAL
    ]
    if general:
        raise MissingInput(
            [f"panel.{panel.id}.serves"], f"breakers {', '.join(general)} may feed lighting and receptacles: say what area and circuits"
        )


def _panel_limits(work, panel) -> tuple[list[str], dict[str, Quantity]]:
    """Ratings [A] that a panel's load must stay within, and the fields that lack."""
    lacking: list[str] = []
    limits: dict[str, Quantity] = {}
    if panel.bus is None:
        lacking.append(f"panel.{panel.id}.bus")
    else:
        limits["bus"] = panel.bus
    main = main_of(work.home, panel)
    if panel.main is None:
        lacking.append(f"panel.{panel.id}.main")
    elif main is not None:
        limits["main"] = main
    return lacking, limits | upstream_limits(work.home, panel)


def upstream_limits(home, panel) -> dict[str, Input]:
    """Ratings [A] of what a panel's load comes through: what an inverter passes, and the device that protects all that is behind it.

    Parameters: home, panel. Returns: `pass_through` and `upstream_device`, each where there is one; neither at the service.
    """
    limits: dict[str, Input] = {}
    for node in home.tree.path_to_service(panel.id)[1:]:
        found = home.tree.node(node)
        if found.kind in ("panel", "service", "adapter"):
            break
        if found.kind in ("breaker", "disconnect", "transfer"):
            if found.item.rating is not None:
                limits["upstream_device"] = found.item.rating
            break
        passed = found.item.pass_through_current if found.kind == "source" else None
        if passed is not None and ("pass_through" not in limits or passed.value < limits["pass_through"].value):
            limits["pass_through"] = passed
    return limits


def verified(work) -> Check:
    """Check `field-verified` for what the service load rests on: mains, buses, service conductor."""
    site = work.home.site
    fields: list[tuple[str, Input | None]] = []
    for panel in site.panel:
        if panel.status == "removed":
            continue
        fields.append((f"panel.{panel.id}.bus", panel.bus))
        fields.append((f"panel.{panel.id}.main", panel.main if isinstance(panel.main, Input) else None))
    wire = site.service.conductor
    if wire is not None:
        fields.append(("service.conductor.size", wire.size))
    check = common.field_verified(fields)
    told = [name for name in ("material", "insulation", "neutral", "terminals") if wire is not None and _only_told(getattr(wire, name))]
    if not told:
        return check
    words = ", ".join(f"service.conductor.{name}" for name in told)
    return replace(check, note=f"{check.note}; of the service conductor only told: {words}")


def _only_told(given: Input | None) -> bool:
    return given is not None and given.origin in ("stated", "assumed")


def entire_load_claims(work) -> Iterable[Check]:
    """Check `dwelling-83:FEEDER` for each feeder that claims the entire dwelling load."""
    for feeder in work.home.site.feeder:
        if not feeder.entire_dwelling_load:
            continue
        below = set(work.home.tree.below(feeder.id))
        outside = [item.label for item in work.scope.items if item.id not in below]
        sources = [source.id for source in work.home.site.source if source.id in below]
        key, question = f"dwelling-83:{feeder.id}", f"does feeder {feeder.id} carry the entire load of the dwelling and no source current?"
        wrong = ([f"not below it: {', '.join(outside)}"] if outside else []) + (
            [f"sources below it: {', '.join(sources)}"] if sources else []
        )
        verdict = Verdict.FAIL if wrong else Verdict.PASS
        yield Check(key, question, verdict, source=work.edition.cite("dwelling_83"), note="; ".join(wrong) or "the tree agrees")


def charger_breaker_notes(work) -> list[str]:
    """A caution for each charger whose breaker is below 125 % of its rating [A]. Source: 625.41; the circuit itself is another sheet."""
    frac, notes = work.edition.value("evse_device_frac"), []
    for evse in work.home.site.evse:
        breaker = work.home.tree.breaker_of(evse.id)
        charger = work.prepared.chargers.get(evse.id)
        if evse.status == "removed" or breaker is None or breaker.rating is None or charger is None:
            continue
        by_setting = charger.setting is not None and (charger.managed or charger.setting_access == "restricted")
        wanted = frac.value * (charger.setting if by_setting else charger.rating).value
        if not holds(breaker.rating.value, ">=", wanted):
            least = f"125 % of its current is {wanted:g} A, more than its {breaker.rating.value:g} A breaker"
            notes.append(f"{evse.id}: {least} ({frac.source}): do not install so")
    return notes
