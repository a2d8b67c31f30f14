"""Permission, power on each leg, 120 V islands and the islanding device, as parts of the backup sheet."""

from __future__ import annotations

from dataclasses import replace

from workbook_lib.errors import MissingInput
from workbook_lib.home import distribution
from workbook_lib.rules import service, standby
from workbook_lib.rules.source import all_units, summed
from workbook_lib.rules.store import added, store_power
from workbook_lib.sheet import Assumption, Check, Input, Quantity, Section, Step, Verdict, compare, needs_input
from workbook_lib.workbooks import legs, panels
from workbook_lib.workbooks.backup_work import Work
from workbook_lib.workbooks.methods import general_steps, standard
from workbook_lib.workbooks.prepare import dwelling_scope, listing, may_hold, nominal_voltage, panel_scope, standing_controls, text

CAPACITY = "may this source back up what hangs on it, by the rule of the edition?"
ONE_LEG_V = 150.0
CONTROL_LISTINGS = frozenset({"UL 916", "UL 3141", "UL 60730", "UL 60730-1"})
"""Standards to which a control of loads is listed. Source: their scopes (energy management, power control, automatic controls)."""
BESIDE = "the rule relied on tests the largest load alone: shown beside it"


def permission(work: Work) -> None:
    """Checks of the rule that lets the source back up its scope: `backup-largest-load`, `-full-load`, `-managed`, `backup-capacity`."""
    steps: list[Step] = []
    try:
        _calculated(work, steps)
        _capacity(work, steps)
        checks = _tests(work, steps)
    except MissingInput as lack:
        work.checks.append(needs_input("backup-capacity", CAPACITY, lack.fields, note=str(lack)))
        if steps:
            work.sections.append(Section("Permission", tuple(steps)))
        return
    local = work.home.rule("backup_capacity")
    named = set(listing(work.control)) if work.control is not None else set()
    listed = all(one.kind == "multimode-inverter" and standby.CONTROLLED in {*one.listed_to, *named} for one in work.forming())
    key, words, verdict = standby.chosen(work.edition, local, checks, listed)
    relied, work.relied = checks[key], key
    note = "; ".join(part for part in (f"by {words}", relied.note) if part)
    decided = verdict or relied.verdict
    closes, decides = ("the authority's reading in writing", "the authority having jurisdiction") if verdict is not None else ("", "")
    if decided is Verdict.NEEDS_INPUT:
        closes, decides = relied.closes, relied.decides
    work.checks += [one for name, one in checks.items() if name != "backup-controlled"]
    work.checks.append(
        Check(
            "backup-capacity", CAPACITY, decided, relied.provided, relied.relation, relied.required, relied.source, note,
            closes=closes, decides=decides, fields=relied.fields,
        )
    )  # fmt: skip
    work.checks.append(standby.restart(work.forming(), work.edition, relied=key == "backup-controlled"))
    prose = (
        "Which rule permits the backup turns on the edition: the largest single load until 2020, the full or a managed load from 2023 on, "
        "in 2026 also an inverter listed as power control system. The others are shown beside it. What no listed control sheds counts in "
        "full, whatever its tier."
    )
    work.sections.append(Section("Permission", tuple(steps), prose))


def _calculated(work: Work, steps: list[Step]) -> None:
    """Calculated load of what is backed up [VA], [A], by the rules of the service load."""
    from workbook_lib.workbooks import service_load

    work.load = service_load.start(work.home, work.edition, local=False)
    lacking = [
        field
        for field in work.load.prepared.missing
        if field.startswith(("load.", "evse.")) and any(f".{name}." in field for name in work.below)
    ]
    if lacking:
        raise MissingInput(lacking)
    if work.load.general_lack is not None:  # what a source lacks for its charging is no load of its own island
        dwelling = [field for field in work.load.general_lack.fields if field not in work.load.prepared.missing]
        work.load.general_lack = MissingInput(dwelling) if dwelling else None
    work.items = tuple(item for item in work.load.scope.items if item.id in work.below and item.group != "storage")
    total = load_of(work, work.items)
    work.total = replace(total, key="backup.load", meaning="calculated load of what is backed up")
    work.amperes = service.load_current("backup.load_a", work.total, work.volts)
    steps += [work.total, work.amperes]


def _scope(work: Work, items):
    if work.whole:
        return dwelling_scope(work.home, items)
    inside = [one for one in work.standing("panel") if one.id in work.below]
    for panel in inside:
        panels.serves_known(panel)
    serving = [one for one in inside if one.serves is not None]
    scope = work.load.scope.__class__("backup", tuple(items), whole=False)
    if not serving:
        words = "no panel of the island says what it serves: taken to serve no lighting or receptacle circuits"
        if inside and all(one.text != words for one in work.assumptions):
            work.assumptions.append(Assumption(f"panel.{inside[0].id}.serves", words))
        return scope
    if len(serving) == 1:
        return replace(panel_scope(work.home, serving[0], items), items=tuple(items))
    fields = {"floor_area": "floor_area", "small_appliance": "small_appliance_circuits", "laundry": "laundry_circuits"}
    return replace(scope, **{name: _together(serving, field) for name, field in fields.items()})


def _together(serving, field: str) -> Input:
    """What all panels of an island serve together. Errors: MissingInput."""
    given = [getattr(one.serves, field) for one in serving]
    lacking = [f"panel.{one.id}.serves.{field}" for one, value in zip(serving, given, strict=True) if value is None]
    if lacking:
        raise MissingInput(lacking)
    total = sum(one.value for one in given)
    return replace(given[0], key=f"backup.{field}", meaning=f"{given[0].meaning}, all panels of the island", value=total, text=f"{total:g}")


def load_of(work: Work, items) -> Step:
    """Calculated load of some of the backed-up loads [VA]: the chosen method for the whole home, else the standard one."""
    scope = _scope(work, items)
    if work.whole and work.load.method != "measured":
        from workbook_lib.workbooks import service_load

        answers, lacks = service_load.method_totals(work.load, scope.items)
        if work.load.method in answers:
            return answers[work.load.method].total
        lack = lacks.get(work.load.method)
        raise MissingInput(lack.fields if lack else ["study.service_load_method"], lack.reason if lack else "")
    return standard(scope, work.edition, general_steps(scope, work.edition)).total


def _capacity(work: Work, steps: list[Step]) -> None:
    forming = work.forming()
    if not any(one.kind == "multimode-inverter" for one in forming):
        raise MissingInput(["backup.islanding"], "no multimode inverter forms an island here: none is it or hangs below it")
    backing = work.backing()
    if not backing:
        raise MissingInput(["storage"], "no storage stands behind an inverter of the island")
    idle = [one.id for one in forming if one not in backing]
    if idle:
        work.notes.append(f"{', '.join(idle)} has no storage behind it: it gives the island nothing while the sun is away")
    for one in backing:
        if one.island is None or one.island.derate_fraction is None:
            words = "not given, so the temperature of the place takes nothing off its currents"
            work.assumptions.append(Assumption(f"source.{one.id}.island.derate_fraction", words))
    plain = {one.id: standby.inverter_current(one, work.edition) for one in backing}
    own = [standby.backed_current(plain[one.id], _store_power(work, one), work.volts, one.id) for one in backing]
    steps += [plain[one.id] for one in backing if plain[one.id] not in own]
    beside = [standby.inverter_current(one, work.edition) for one in work.arrays()]
    work.capacity = standby.capacity(own, bool(beside), work.edition)
    steps += [*own, work.capacity]
    if beside:
        work.literal = standby.literal_sum([*own, *beside], work.edition)
        steps += [*beside, work.literal]


def _store_power(work: Work, source) -> Quantity | None:
    """Discharge power of all stores behind an inverter [W]; None where one of them states none."""
    parts = [store_power(one, "discharge_power", "discharge power") for one in work.stores() if one.inverter == source.id]
    if any(one is None for one in parts):
        return None
    return added(f"source.{source.id}.stores", f"discharge power behind {source.id}", parts)


def _tests(work: Work, steps: list[Step]) -> dict[str, Check]:
    edition, volts = work.edition, work.volts
    checks: dict[str, Check] = {}
    largest = None
    plugs = [one for one in work.loads() if one.kind == "plug" and one.running_power is not None]
    singles = [(one.unit_va, one.label) for one in work.items] + [(one.running_power, one.id) for one in plugs]
    if singles:
        most, label = max(singles, key=lambda pair: pair[0].value)
        largest = Step(
            "backup.largest",
            "I_max",
            f"largest single load that is backed up: {label}",
            "load / voltage",
            {"load": most, "voltage": volts},
            most.value / volts.value,
            "A",
            note="lighting is no single load",
            decimals=2,
        )
        steps.append(largest)
        checks["backup-largest-load"] = standby.largest_load(work.capacity, largest, edition, literal=work.literal)
    else:
        note = "nothing but lighting and receptacles is backed up"
        key = "backup-largest-load"
        checks[key] = Check(key, standby.QUESTIONS[key], Verdict.PASS, source=edition.cite("stand_alone_capacity"), note=note, counts=False)
    checks["backup-full-load"] = standby.full_load(work.capacity, work.amperes, edition)
    _control(work)
    setting = work.setting
    rest_items = tuple(item for item in work.items if item.id not in work.shed)
    rest = work.amperes
    if setting is not None:
        left = replace(load_of(work, rest_items), key="backup.rest", meaning="calculated load of what the control does not shed")
        rest = service.load_current("backup.rest_a", left, volts)
        steps += [left, rest]
    checks["backup-managed"] = standby.managed_load(work.capacity, setting, rest, work.why, edition)
    if setting is not None and largest is not None:
        checks["backup-controlled"] = _controlled(work, setting, largest)
    return checks


def _controlled(work: Work, setting: Input, largest: Step) -> Check:
    """The test of an inverter listed as power control system: its setting and the largest load within the capacity."""
    most = Step(
        "backup.controlled",
        "I_ctl",
        "setting of the control, and the largest load",
        "max(setting, largest)",
        {"setting": setting, "largest": largest},
        max(setting.value, largest.value),
        "A",
        work.edition.cite("standby_inverter"),
        decimals=2,
    )
    cite = work.edition.cite("standby_inverter")
    return compare("backup-controlled", CAPACITY, work.capacity, ">=", most, cite, counts=False)


def _control(work: Work) -> None:
    """Finds the setting of a listed control of the island [A], what it sheds, and why it may or may not stand for the load."""
    found = [
        (control, limit.setting)
        for control in standing_controls(work.home)
        for limit in control.limit
        if text(limit.way) == "island" and limit.setting is not None and _whole_island(work, limit.at)
    ]
    if not found:
        work.why = "no control is stated that limits the current of the whole island"
        return
    control, setting = min(found, key=lambda pair: pair[1].value)
    if not may_hold(control):
        work.why = f"{control.id} is not listed, or its setting is not restricted: it stands for nothing"
        return
    if not CONTROL_LISTINGS & set(listing(control)):
        known = ", ".join(sorted(CONTROL_LISTINGS))
        work.why = f"{control.id} is listed to {', '.join(listing(control))}, not as a control of loads ({known}): it stands for nothing"
        return
    shed = {one.id for table in ("load", "evse") for one in work.standing(table) if text(one.shed_by) == control.id}
    work.control, work.setting, work.shed = control, setting, frozenset(shed | {text(name) for name in control.controls})
    work.why = f"{control.id} holds the island to {setting.value:g} A and sheds {', '.join(sorted(work.shed)) or 'nothing'}"


def _whole_island(work: Work, at: str) -> bool:
    """Whether a limit stands where the current of the whole island passes: at its device, its one inverter, or ahead of every load."""
    if at == work.device or [one.id for one in work.backing()] == [at]:
        return True
    if at not in work.tree:
        return False
    loads = {one.id for table in ("load", "evse") for one in work.standing(table) if one.id in work.below}
    serving = {panel.id for panel in work.standing("panel") if panel.id in work.below and panel.serves is not None}
    return bool(loads) and loads | serving <= {at, *work.tree.below(at)}


# legs


def legs_and_neutral(work: Work) -> None:
    """Results `backup_load_a:LEG`, `backup_neutral_a`; checks `backup-leg:LEG`, `backup-neutral`, `island-120v`."""
    work.guarded("island-120v", "does the island form the voltages that its loads use?", lambda: _voltages(work))
    if work.load is None or work.amperes is None:
        return
    if work.one_leg():
        _one_conductor(work)
        return
    by_largest = work.relied == "backup-largest-load"
    items = work.items if by_largest else tuple(item for item in work.items if item.id not in work.shed)
    scope = _scope(work, items)
    try:
        result = standard(scope, work.edition, general_steps(scope, work.edition))
    except MissingInput as lack:
        work.checks.append(needs_input("backup-leg:A", _leg_question("A"), lack.fields, note=str(lack)))
        return
    work.general = result.demand.get("lighting")
    answer = legs.leg_answer(scope.items, result, work.edition)
    work.sections.append(Section("Legs and neutral of the island, on the standard method", tuple(answer.steps)))
    for leg, step in answer.currents.items():
        work.result(f"backup_load_a:{leg}", step)
        work.guarded(
            f"backup-leg:{leg}", _leg_question(leg), lambda leg=leg, step=step: _leg(work, leg, step, answer, scope, counts=not by_largest)
        )
    work.result("backup_neutral_a", answer.neutral_a)
    neutral = "does the island's neutral carry the unbalance?"
    work.guarded("backup-neutral", neutral, lambda: _neutral(work, answer.neutral_a, counts=not by_largest, answer=answer))


def _one_conductor(work: Work) -> None:
    """Legs and neutral of an island of 120 V: both legs hang on one conductor, and the neutral carries all of it."""
    note = "120 V alone: both legs hang on one conductor, its current is that of the whole load at 120 V"
    scope = _scope(work, work.items)
    work.general = standard(scope, work.edition, general_steps(scope, work.edition)).demand.get("lighting")
    for leg in ("A", "B"):
        work.checks.append(Check(f"backup-leg:{leg}", _leg_question(leg), Verdict.NOT_APPLICABLE, note=note))
    work.result("backup_load_a:A", work.amperes)
    work.result("backup_neutral_a", work.amperes)
    counts = work.relied != "backup-largest-load"
    asked = "does the island's neutral carry the unbalance?"
    work.guarded("backup-neutral", asked, lambda: _neutral(work, work.amperes, counts=counts))


def _leg_question(leg: str) -> str:
    return f"does the island carry leg {leg}?"


def limit_of(work: Work, name: str, meaning: str) -> Quantity:
    """A current limit of all inverters of the island at the place's temperature [A]. Errors: MissingInput."""
    forming = [one for one in work.backing() if one.kind == "multimode-inverter"]
    if not forming:
        raise MissingInput(["backup.islanding"], "no multimode inverter with storage behind it forms an island here")
    lacking = [f"source.{one.id}.island.{name}" for one in forming if one.island is None or getattr(one.island, name) is None]
    if lacking:
        raise MissingInput(lacking)
    parts = [standby.island_limit(one, name, meaning) for one in forming]
    return summed(f"island.{name}", f"{meaning} of all inverters", parts)


def _leg(work: Work, leg: str, step: Step, answer, scope, *, counts: bool) -> Check:
    limit = limit_of(work, "leg_current", "current of one leg")
    note = "calculated load on the leg" if counts else BESIDE
    if work.relied in ("backup-managed", "backup-controlled") and work.setting is not None and work.setting.value > step.value:
        note, step = f"the control lets the leg be loaded with its setting; calculated {step.value:.1f} A", _at_setting(work, leg, step)
    check = compare(f"backup-leg:{leg}", _leg_question(leg), limit, ">=", step, note=note, counts=counts)
    if not answer.unplaced:
        return _odd_circuit(work, check, scope, limit)
    robust = limit.value >= answer.worst.value
    words = f"the leg of {', '.join(answer.unplaced)} is not known; {answer.worst.value:.1f} A on one leg at worst"
    if robust or check.verdict is Verdict.FAIL:
        return replace(check, note=f"{note}; {words}")
    closes = "the leg of each 120 V load, read at the panel"
    return replace(check, verdict=Verdict.JUDGEMENT, note=f"{note}; {words}", closes=closes, decides="the engineer on site")


def _at_setting(work: Work, leg: str, step: Step) -> Step:
    uses: dict[str, Quantity] = {"setting": work.setting, "rest": step}
    words = f"the most that the control lets leg {leg} be loaded with"
    return Step(
        f"backup.leg_{leg}.managed", "I_man", words, "max(setting, rest)", uses, max(work.setting.value, step.value), "A", decimals=1
    )


def _odd_circuit(work: Work, check: Check, scope, limit: Quantity) -> Check:
    """A judgement where the odd circuit of a panel, spread over both legs in the calculation, would not fit on this one."""
    circuits = sum(one.value for one in (scope.small_appliance, scope.laundry) if one is not None)
    if scope.whole or circuits % 2 == 0:
        return check
    circuit = work.edition.value("small_appliance_circuit_va")
    more = 0.5 * circuit.value / (nominal_voltage(work.edition).value / 2.0)
    most = check.required.value + more
    words = f"{check.note}; with the odd one of its small-appliance and laundry circuits on this leg {most:.1f} A"
    if check.verdict is not Verdict.PASS or limit.value >= most:
        return replace(check, note=words)
    closes = "the leg of the small-appliance and laundry circuits, read at the panel"
    return replace(check, verdict=Verdict.JUDGEMENT, note=words, closes=closes, decides="the engineer on site")


def _neutral(work: Work, current: Quantity, *, counts: bool, answer=None) -> Check:
    limit = limit_of(work, "neutral_current", "neutral current")
    note = "" if counts else BESIDE
    check = compare("backup-neutral", "does the island's neutral carry the unbalance?", limit, ">=", current, note=note, counts=counts)
    if check.verdict is not Verdict.PASS or answer is None or not answer.unplaced or limit.value >= answer.worst.value:
        return check
    words = f"the leg of {', '.join(answer.unplaced)} is not known; up to {answer.worst.value:.1f} A of unbalance at worst"
    closes = "the leg of each 120 V load, read at the panel"
    note = "; ".join(part for part in (note, words) if part)
    return replace(check, verdict=Verdict.JUDGEMENT, note=note, closes=closes, decides="the engineer on site")


def _voltages(work: Work) -> Check:
    """Check `island-120v`: what is formed against what the loads use."""
    key, asked, cite = "island-120v", "does the island form the voltages that its loads use?", work.edition.cite("island_120v")
    forming = [one for one in work.forming() if one.kind == "multimode-inverter"]
    lacking = [f"source.{one.id}.island.form" for one in forming if one.island is None or one.island.form is None]
    if lacking:
        raise MissingInput(lacking)
    forms = {text(one.island.form) for one in forming}
    across = [one.id for one in work.loads() if one.voltage is None or one.voltage.value > ONE_LEG_V]
    across += [one.id for one in work.standing("evse") if one.id in work.below and (one.voltage is None or one.voltage.value > ONE_LEG_V)]
    shared = [
        breaker.id
        for panel in work.standing("panel")
        if panel.id in work.below
        for breaker in distribution.breakers_standing(panel)
        if breaker.multiwire
    ]
    if forms == {"120"}:
        wrong = [*(f"{name} at 240 V" for name in across), *(f"multiwire circuit {name}" for name in shared)]
        if wrong:
            return Check(key, asked, Verdict.FAIL, source=cite, note=f"a 120 V island: {', '.join(wrong)}")
        unknown = [
            f"panel.{panel.id}.breakers.{breaker.id}.multiwire"
            for panel in work.standing("panel")
            if panel.id in work.below
            for breaker in distribution.breakers_standing(panel)
            if breaker.multiwire is None
        ]
        if unknown:
            return needs_input(key, asked, unknown, cite)
        return Check(key, asked, Verdict.PASS, source=cite, note="120 V alone, no multiwire circuit, with the label of the section")
    if forms == {"240"}:
        single = [one.id for one in work.loads() if one.voltage is not None and one.voltage.value <= ONE_LEG_V]
        general = any(panel.serves is not None for panel in work.standing("panel") if panel.id in work.below) or work.whole
        if single or general:
            note = (
                f"240 V alone is formed: {', '.join(single) or 'lighting and receptacles'} need a listed neutral former (autotransformer)"
            )
            closes = "the data sheet of the neutral former, and its inverter's instructions"
            return Check(key, asked, Verdict.JUDGEMENT, source=cite, note=note, closes=closes, decides="the engineer")
        return Check(key, asked, Verdict.PASS, source=cite, note="240 V loads alone")
    return Check(key, asked, Verdict.PASS, source=cite, note="both legs and the neutral are formed")


# devices


def devices(work: Work) -> None:
    """Check `islanding-device:ID`, and that arrays on the island are within what its inverter takes."""
    asked = f"does {work.device} carry the load and the sources of the island?"
    work.guarded(f"islanding-device:{work.device}", asked, lambda: _islanding(work, asked))
    if work.arrays():
        question = "does the inverter of the island take the arrays on it?"
        work.guarded("generation-curtailment", question, lambda: _arrays(work, question))
    work.notes.append(
        "Fault current in an island may be too low to open a breaker: arcs and shocks may last. Coordination on the inverter's own "
        "current is not shown here."
    )


def _islanding(work: Work, asked: str) -> Check:
    cite = work.edition.cite("interconnect_device")
    key = f"islanding-device:{work.device}"
    if work.device == "adapter":
        switch = work.site.adapter.islanding_switch if work.site.adapter is not None else None
        if switch is None:
            raise MissingInput(["adapter.islanding_switch"], "what parts the island from the utility is not stated")
        if not switch.value:
            return Check(key, asked, Verdict.FAIL, source=cite, note="the adapter has no islanding switch")
        rating, field = (work.site.adapter.continuous if work.site.adapter is not None else None), "adapter.continuous"
    else:
        node = work.tree.node(work.device)
        name = "rating" if node.kind == "transfer" else "pass_through_current"
        rating, field = getattr(node.item, name), f"{node.kind}.{work.device}.{name}"
    if rating is None:
        raise MissingInput([field])
    if work.amperes is None:
        raise MissingInput(["study.service_load_method"], "the load behind it is not known")
    sources = work.literal or work.capacity
    sides: list[Quantity] = [work.amperes, *([sources] if sources is not None else [])]
    most = max(sides, key=lambda one: one.value)
    note = "the calculated load behind it decides" if most is work.amperes else "its sources decide"
    return compare(key, asked, rating, ">=", most, cite, note=f"{note}; its short-circuit rating stands on the backfeed and tap sheet")


def _arrays(work: Work, asked: str) -> Check:
    lacking = [f"source.{one.id}.output_power" for one in work.arrays() if one.output_power is None]
    forming = [one for one in work.forming() if one.kind == "multimode-inverter"]
    lacking += [f"source.{one.id}.island.pv_power" for one in forming if one.island is None or one.island.pv_power is None]
    if lacking:
        raise MissingInput(lacking)
    powers = [all_units(one, one.output_power, f"island.{one.id}.array", "P", f"array behind {one.id}") for one in work.arrays()]
    limits = [all_units(one, one.island.pv_power, f"island.{one.id}.pv_limit", "P", f"arrays that {one.id} takes") for one in forming]
    total = summed("island.arrays", "arrays on the island", powers, "W")
    limit = summed("island.pv_limit", "arrays that the island takes", limits, "W")
    note = "AC-coupled sun is held back by frequency when storage is full or the surplus is above its charge power"
    return compare("generation-curtailment", asked, total, "<=", limit, note=note)
