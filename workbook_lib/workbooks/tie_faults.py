"""Fault currents, interrupting ratings and voltage along the path, as parts of the backfeed and tap sheet."""

from __future__ import annotations

from dataclasses import replace

from workbook_lib.errors import MissingInput
from workbook_lib.home import distribution
from workbook_lib.home.tree import ADAPTER, SERVICE, SUPPLY_SIDE
from workbook_lib.rules import crossing, impedance, voltage
from workbook_lib.rules import source as sources
from workbook_lib.sheet import Assumption, Check, Input, Quantity, Section, Step, Table, Verdict, compare, holds, needs_input
from workbook_lib.workbooks.tie_work import Work, flow, local_limit, raceway_of, wired

TRANSFORMER, POINT, METER = "transformer", "service-point", "meter"
PLACES_ABOVE = (TRANSFORMER, POINT, METER)


def faults(work: Work) -> None:
    """Fault current at every place, and each interrupting rating against it."""
    rows: list[tuple[object, ...]] = []
    steps: list[Step] = []
    lacks: dict[str, MissingInput] = {}
    for place in (*PLACES_ABOVE, *_places(work)):
        try:
            _fault_at(work, place, rows, steps)
        except MissingInput as lack:
            lacks[place] = lack
            work.not_checked.append(f"fault_ll_a:{place}, fault_ln_a:{place}: {lack}")
    _crossing(work, steps)
    _interrupting(work, lacks)
    _untested(work)
    if rows:
        columns = ("Place", "Line to line (A)", "Line to neutral (A)", "Up to (A)", "Governs")
        prose = (
            "Symmetrical fault current of the utility, conductors at 75 degC. Inverters add what is stated. Where the transformer is known "
            "by its impedance alone, impedances are added plainly, which gives the least. Up to: conductors at 25 degC and, where it is "
            "known by its impedance alone, the transformer with the least resistance that published ones of its size have; a tolerance of "
            "its impedance is not in it. A rating between the two is a judgement. An island's fault current is another matter: it may be "
            "too low to open a breaker."
        )
        work.sections.append(Section("Fault current", tuple(steps), prose, Table(columns, tuple(rows), "Fault current at each place", 0)))
    unstated = [one.id for one in work.standing("source") if one.fault_current is None]
    if unstated:
        work.notes.append(
            f"the fault current that inverters add is not stated ({', '.join(unstated)}) and not added; 705.16 counts all sources"
        )
    if work.standing("source"):
        work.notes.append("fault current of an island may be too low to open a breaker: interrupting ratings stay on the utility's figure")


def _places(work: Work) -> tuple[str, ...]:
    found = [ADAPTER] if ADAPTER in work.tree and work.site.adapter.status != "removed" else []
    for table in ("panel", "disconnect", "transfer", "source"):
        found += [item.id for item in work.standing(table)]
    return tuple(found)


def _above(work: Work, place: str) -> tuple[str | None, tuple[str, object] | None]:
    """The place that feeds a place, and the conductors between them (None where there are none); None for the transformer."""
    transformer, service = work.site.service.transformer, work.site.service
    if place == TRANSFORMER:
        return None, None
    if place == POINT:
        return TRANSFORMER, (TRANSFORMER, transformer.conductor if transformer is not None else None)
    if place in (METER, ADAPTER):
        return (POINT, (SERVICE, service.conductor)) if place == METER else (METER, None)
    node = work.tree.node(place)
    own = (
        (place, node.item.conductor) if node.kind not in ("breaker", "lugs") and getattr(node.item, "conductor", None) is not None else None
    )
    above = node.parent
    return (METER if above in (SERVICE, SUPPLY_SIDE) else above), own


def _way(work: Work, place: str, top: str) -> impedance.Way | None:
    """Everything between a place above and a place [ohm], worked out once for each; None where both are one."""
    chain: list[str] = []
    at: str | None = place
    while at is not None and at != top and (at, top) not in work.ways:
        chain.append(at)
        at = _above(work, at)[0]
    for one in reversed(chain):
        above, wire = _above(work, one)
        before = None if above in (top, None) else work.ways[above, top]
        work.ways[one, top] = before if wire is None else impedance.way(one, before, _run(work, *wire))
    return None if place == top else work.ways[place, top]


def _run(work: Work, name: str, wire) -> impedance.Run:
    path = {SERVICE: "service.conductor", TRANSFORMER: "service.transformer.conductor"}.get(name)
    path = path or f"{work.tree.node(name).kind}.{name}.conductor"
    if wire is None:
        raise MissingInput([path])
    lacking = [f"{path}.{field}" for field in ("size", "material", "length") if getattr(wire, field) is None]
    if lacking:
        raise MissingInput(lacking)
    raceway = raceway_of(work, wire)
    if raceway is None:
        words = (
            f"conductors of {impedance.LABELS.get(name, name)}: no raceway is named; impedance as in plastic conduit, as for cable and air"
        )
        taken = Assumption(f"{path}.raceway", words)
        if taken not in work.assumptions:
            work.assumptions.append(taken)
    sets = wire.sets if wire.sets is not None else Input(f"{path}.sets", "sets in parallel", 1.0, "count", "assumed")
    return impedance.run(
        name, wire.size, wire.neutral, wire.material, raceway.kind if raceway is not None else None, wire.length, sets, work.edition
    )


def _computed_origin(work: Work) -> impedance.Origin:
    transformer = work.site.service.transformer
    if transformer is None or transformer.rating is None:
        fields = ["service.transformer.rating", "service.transformer.impedance"]
        raise MissingInput(fields, "the fault current needs the transformer, or the utility's own figure")
    return impedance.transformer_origin(
        transformer.rating, transformer.impedance, transformer.resistance, transformer.reactance, primary(work)
    )


def primary(work: Work) -> tuple[Input, Input] | None:
    """Fault current and voltage of the primary [A], [V]; None for an infinite one. Errors: MissingInput."""
    transformer = work.site.service.transformer
    given = transformer.primary_fault
    if given is None:
        raise MissingInput(["service.transformer.primary_fault"], 'the fault current of the primary, or "infinite", which gives the most')
    if isinstance(given.value, str):
        words = "fault current of the primary: infinite, as the file says, which gives the most on the secondary"
        if words not in work.notes:
            work.notes.append(words)
        return None
    if transformer.primary_voltage is None:
        raise MissingInput(["service.transformer.primary_voltage"], "the primary's fault current is referred to 240 V by its voltage")
    return given, transformer.primary_voltage


def _stated(work: Work) -> tuple[str, Input] | None:
    """The utility's figure with its place; None where it gave none, or where the figure is not the utility's."""
    given, place = work.site.service.available_fault_current, work.site.service.fault_current_at
    if given is None or given.origin != "utility":
        return None
    if place is None:
        raise MissingInput(
            ["service.fault_current_at"], "the utility's fault current holds at one place: transformer, service-point or meter"
        )
    return str(place.value), given


def _fault_at(work: Work, place: str, rows: list, steps: list[Step]) -> None:
    ll, ln, most = _both(work, place)
    _point_to_point(work, place, ll, ln, steps)
    work.bare[place] = (ll, ln)
    added = _inverters(work)
    if added is not None:
        ll, ln = (_with(place, one, added, kind) for one, kind in ((ll, "ll"), (ln, "ln")))
        most = _with(place, most, added, "upper") if most is not None else None
    work.faults[place] = (ll, ln)
    if most is not None:
        work.uppers[place] = most
    work.result(f"fault_ll_a:{place}", ll)
    work.result(f"fault_ln_a:{place}", ln)
    steps += [ll, ln, *([most] if most is not None else [])]
    governs = "line to neutral" if ln.value > ll.value else "line to line"
    rows.append((place, ll.value, ln.value, most.value if most is not None else "-", governs))


def _both(work: Work, place: str) -> tuple[Step, Step, Step | None]:
    """Fault currents line to line and line to neutral at a place [A], and the most they can be where that is more."""
    stated = _stated(work)
    if stated is not None:
        where, current = stated
        if PLACES_ABOVE.index(where) <= (PLACES_ABOVE.index(place) if place in PLACES_ABOVE else 2):
            if work.origin is None:
                rating = work.site.service.transformer.rating.value / 1000 if _known_rating(work) else None
                work.origin = impedance.stated_origin(current, _ratio(work, where), rating, rough=_rough(work))
                _compared(work, where, current)
            return _by(place, work.origin, _way(work, place, where))
    return _by(place, _computed_origin(work), _way(work, place, TRANSFORMER))


def _point_to_point(work: Work, place: str, ll: Step, ln: Step, steps: list[Step]) -> None:
    """Beside a current by phasors: the same from that at the place above, by the multiplier of the point-to-point method."""
    above, wire = _above(work, place)
    if wire is None or above not in work.bare or ll.source is not impedance.PHASOR:
        return
    one = _run(work, *wire)
    steps += [impedance.point_to_point(place, before, one, neutral=neutral) for neutral, before in enumerate(work.bare[above])]


def _rough(work: Work) -> bool:
    """Whether what parts line to neutral from line to line rests on the usual ratio alone."""
    transformer = work.site.service.transformer
    return transformer is None or transformer.resistance is None or transformer.reactance is None


def _known_rating(work: Work) -> bool:
    transformer = work.site.service.transformer
    return transformer is not None and transformer.rating is not None


def _ratio(work: Work, where: str) -> Quantity | None:
    """Line to neutral over line to line at the utility's place, by the transformer's own data; None where they are not known."""
    try:
        origin, along = _computed_origin(work), _way(work, where, TRANSFORMER)
    except MissingInput:
        if where == TRANSFORMER:
            return impedance.NEUTRAL_RATIO
        work.notes.append("the utility's figure is taken for line to neutral as well: what parts them at its place is not known")
        return None
    ll, ln = (impedance.fault(f"{where}.computed", origin, along, neutral=neutral) for neutral in (False, True))
    return Step(
        "utility.ratio",
        "k",
        f"line to neutral over line to line at {where}, computed",
        "ln / ll",
        {"ln": ln, "ll": ll},
        ln.value / ll.value,
        "frac",
        impedance.PHASOR,
        decimals=3,
    )


def _compared(work: Work, where: str, current: Input) -> None:
    """The utility's figure beside the computed one, as a line for the sheet."""
    try:
        origin, along = _computed_origin(work), _way(work, where, TRANSFORMER)
    except MissingInput:
        return
    own = impedance.fault(f"{where}.computed", origin, along, neutral=False)
    words = f"the utility states {current.value:,.0f} A at {where} and that wins; computed from the transformer: {own.value:,.0f} A"
    if words not in work.notes:
        work.notes.append(words)


def _by(place: str, origin: impedance.Origin, along: impedance.Way | None) -> tuple[Step, Step, Step | None]:
    pair = [impedance.fault(place, origin, along, neutral=neutral) for neutral in (False, True)]
    highest = [impedance.upper(place, origin, along, neutral=neutral) for neutral in (False, True)]
    most = max((one for one in highest if one is not None), key=lambda one: one.value, default=None)
    return pair[0], pair[1], most


def _inverters(work: Work) -> Quantity | None:
    """Fault current that inverters add [A], where it is stated for them."""
    given = [
        sources.all_units(one, one.fault_current, f"source.{one.id}.fault", "I_f", f"fault current of {one.id}")
        for one in work.standing("source")
        if one.fault_current is not None
    ]
    return sources.summed("fault.inverters", "fault current of the inverters", given) if given else None


def _with(place: str, own: Step, added: Quantity, kind: str) -> Step:
    return Step(
        f"fault.{place}.{kind}_all",
        own.symbol,
        f"{own.meaning}, inverters added",
        "own + inverters",
        {"own": own, "inverters": added},
        own.value + added.value,
        "A",
        own.source,
        note="added in phase, on the safe side",
    )


def _crossing(work: Work, steps: list[Step]) -> None:
    """The length of the first run up to which line to neutral governs."""
    try:
        if _stated(work) is not None:
            return
        origin = _computed_origin(work)
        first = (_above(work, place)[1] for place in (POINT, METER))
        name, wire = next(one for one in first if one is not None and one[1] is not None)
        step = crossing.crossing_ft(origin, _run(work, name, wire), wire.length)
    except (MissingInput, StopIteration):
        return
    if step is not None:
        steps.append(step)
        work.notes.append(
            f"line to neutral governs the fault current up to {step.value:.0f} ft of the conductors of {name}, line to line beyond"
        )


def _interrupting(work: Work, lacks: dict[str, MissingInput]) -> None:
    """Checks `interrupting:PLACE` of everything with a rating to withstand or interrupt."""
    needed = bool(work.standing("source")) or work.site.adapter is not None
    book = local_limit(work, "fault_current")
    for place, rating, field, where in _rated(work):
        key, asked = f"interrupting:{place}", f"do the ratings at {place} reach the fault current there?"
        if rating is None:
            work.checks.append(needs_input(key, asked, [field], work.edition.cite("interrupting"), counts=needed))
        elif where not in work.faults and book is not None:
            note = f"the fault current here is not known ({lacks.get(where)}); the local figure to design for is taken undiminished"
            work.checks.append(compare(key, asked, rating, ">=", book, book.source, note=note, counts=needed))
        elif where not in work.faults:
            lack = lacks.get(where)
            fields = lack.fields if lack is not None else ()
            work.checks.append(needs_input(key, asked, fields, work.edition.cite("interrupting"), note=str(lack or ""), counts=needed))
        else:
            work.checks.append(_rating_check(work, key, asked, rating, where))


def _untested(work: Work) -> None:
    """What stands on the path and has no rating in the file, as lines of what is not checked."""
    for item in work.standing("source"):
        if item.kind != "multimode-inverter" and item.short_circuit_rating is None and item.id in work.faults:
            most = max(work.faults[item.id], key=lambda one: one.value).value
            words = f"{most:,.0f} A at {item.id}: no short-circuit rating of it is given"
            work.not_checked.append(f"fault current against the inverter: {words}")


def _rated(work: Work):
    """Place, rating, its field, and the place whose fault current it meets."""
    socket = work.site.service.meter_socket
    if socket is not None:
        yield METER, socket.short_circuit_rating, "service.meter_socket.short_circuit_rating", METER
    adapter = work.site.adapter
    if adapter is not None and adapter.status != "removed":
        yield ADAPTER, adapter.short_circuit_rating, "adapter.short_circuit_rating", METER
    for panel in work.standing("panel"):
        yield panel.id, panel.interrupting_rating, f"panel.{panel.id}.interrupting_rating", panel.id
    for item in work.standing("disconnect"):
        fused = distribution.amperes(item.fuse) is not None
        given = item.interrupting_rating if fused else item.short_circuit_rating or item.interrupting_rating
        if fused or given is not None:
            yield item.id, given, f"disconnect.{item.id}.{'interrupting_rating' if fused else 'short_circuit_rating'}", item.id
    for item in work.standing("transfer"):
        yield item.id, item.short_circuit_rating, f"transfer.{item.id}.short_circuit_rating", item.id
    for item in work.standing("source"):
        if item.kind == "multimode-inverter" or item.short_circuit_rating is not None:
            yield item.id, item.short_circuit_rating, f"source.{item.id}.short_circuit_rating", item.id


def _rating_check(work: Work, key: str, asked: str, rating: Input, where: str) -> Check:
    ll, ln = work.faults[where]
    worst = ln if ln.value > ll.value else ll
    kind = "line to neutral" if worst is ln else "line to line"
    note = f"{kind} governs{_unstated(work)}"
    check = compare(key, asked, rating, ">=", worst, work.edition.cite("interrupting"), note=note)
    most = _reach(work, where)
    if check.verdict is not Verdict.PASS or most is None or most.value <= worst.value:
        return check
    what = "with cold conductors" if most.key.startswith("fault.") else ""
    if where in (METER, *_tapped(work)) and most is not work.uppers.get(where):
        what = "at the service point, since where along the service conductors it stands is not said"
    if holds(rating.value, ">=", most.value):
        return replace(check, note=f"{note}; it reaches the {most.value:,.0f} A {what} too")
    note = f"{what} the current reaches {most.value:,.0f} A; {note}"
    closes = "the transformer's resistance and reactance and the place along the service conductors, or the utility's own figure there"
    return Check(key, asked, Verdict.JUDGEMENT, rating, ">=", worst, check.source, note, closes=closes, decides="the utility")


def _tapped(work: Work) -> tuple[str, ...]:
    """Ids of disconnects connected ahead of the service disconnect, at a place along the service conductors that is not said."""
    return tuple(name for name in work.tree.children(SUPPLY_SIDE) if distribution.standing(work.tree.node(name)))


def _reach(work: Work, where: str) -> Step | None:
    """The most that the fault current at a place can be [A]: cold conductors; on the service conductors, that of the service point."""
    found = [work.uppers.get(where)]
    if where in (METER, *_tapped(work)):
        found += [work.uppers.get(POINT), *(work.faults.get(POINT) or ())]
    return max((one for one in found if one is not None), key=lambda one: one.value, default=None)


def _unstated(work: Work) -> str:
    """What of the inverters' own fault current is not in a figure, in words."""
    names = [one.id for one in work.standing("source") if one.fault_current is None]
    return f"; without the fault current of {', '.join(names)}, which is not stated: the room shown must take it" if names else ""


# voltage


def voltages(work: Work) -> None:
    """Results `voltage_change_frac:CIRCUIT` and checks `voltage:CIRCUIT`."""
    steps: list[Step] = []
    runs: dict[str, impedance.Run] = {}
    changes: dict[str, Step] = {}
    for name, _, _, wire in wired(work):
        try:
            run = runs[name] = _run(work, name, wire)
            current, rises = _carried(work, name)
        except MissingInput as lack:
            work.not_checked.append(f"voltage_change_frac:{name}: {lack}")
            continue
        if current is None:
            continue
        exact, near = (voltage.voltage_rise if rises else voltage.voltage_drop)(name, current, run)
        changes[name] = exact
        work.result(f"voltage_change_frac:{name}", exact)
        steps += [exact, near]
    for table in ("source", "evse"):
        for item in work.standing(table):
            if item.conductor is not None or (table == "source" and _own_run(work, item.id)):
                _voltage_check(work, item, table, runs, changes)
    if steps:
        prose = (
            "Voltage along each run by phasors, conductors at 75 degC, with the formula by resistance alone beside it. A rise is positive."
        )
        work.sections.append(Section("Voltage", tuple(steps), prose))


def _carried(work: Work, name: str) -> tuple[Quantity | None, bool]:
    """Current that changes the voltage of a run [A], and whether it makes it rise."""
    node = work.tree.node(name)
    if node.kind == "evse":
        if node.item.rating is None:
            raise MissingInput([f"evse.{name}.rating"])
        return node.item.rating, False
    return flow(work, name), True


def _own_run(work: Work, name: str) -> bool:
    """Whether something between a source and the service, other than the service itself, has conductors."""
    return any(_has_wire(work, one) for one in work.tree.path_to_service(name) if one not in (SERVICE, name))


def _voltage_check(work: Work, item, table: str, runs, changes) -> None:
    rises = table == "source"
    key, word = f"voltage:{item.id}", "rise" if rises else "drop"
    asked = f"does the voltage {word} from the service point to {item.id} stay within the limit?"
    limit = work.site.study.voltage_rise_limit if rises else work.site.study.voltage_drop_limit
    path = [name for name in work.tree.path_to_service(item.id) if name in runs or _has_wire(work, name)]
    missing = [name for name in path if name not in runs]
    cite = work.edition.cite("voltage_change")
    if missing or (item.id not in changes and item.conductor is not None):
        fields = [f"{work.tree.node(name).kind}.{name}.conductor.length" for name in missing] or [f"{table}.{item.id}.conductor.length"]
        fields = ["service.conductor.length" if field == "service.service.conductor.length" else field for field in fields]
        work.checks.append(needs_input(key, asked, fields, cite, counts=limit is not None))
        return
    parts = [changes[name] for name in path if name in changes] if rises else [changes[item.id]]
    total = voltage.path_change(item.id, parts, word)
    work.result(f"voltage_path_frac:{item.id}", total)
    if limit is None:
        note = f"no limit is stated: study.voltage_{word}_limit; the change is {total.value * 100:.2f} %"
        work.checks.append(Check(key, asked, Verdict.NOT_APPLICABLE, source=cite, note=note))
        return
    size = (
        total
        if rises
        else Step(
            f"voltage.{item.id}.size",
            "u",
            f"voltage drop along {item.id}",
            "abs(change)",
            {"change": total},
            abs(total.value),
            "frac",
            impedance.PHASOR,
            decimals=5,
        )
    )
    note = "the limit is the study's own, the section's figures are advice; "
    note += "of all sources on the way" if rises else "of its own current in its own run; the rest of the way carries other loads as well"
    work.checks.append(compare(key, asked, size, "<=", limit, cite, note=note))


def _has_wire(work: Work, name: str) -> bool:
    if name in (SERVICE,):
        return work.site.service.conductor is not None
    node = work.tree.node(name)
    return node.kind not in ("breaker", "lugs", "supply-side", "adapter") and getattr(node.item, "conductor", None) is not None
