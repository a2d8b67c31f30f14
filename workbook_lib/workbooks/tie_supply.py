"""Connections ahead of the service disconnect and at the meter socket, as parts of the backfeed and tap sheet."""

from __future__ import annotations

from dataclasses import replace

from workbook_lib.errors import MissingInput
from workbook_lib.home import distribution
from workbook_lib.rules import conductor, supply_side
from workbook_lib.rules import source as sources
from workbook_lib.sheet import Check, Input, Quantity, Section, Step, Verdict, compare, needs_input
from workbook_lib.workbooks.prepare import text
from workbook_lib.workbooks.tie_work import Work, ahead, ampacity, current_of, flow

UTILITY = "the utility"
AUTHORITY = "the authority having jurisdiction"


def supply(work: Work) -> None:
    """Every check of the supply side: capacity, each disconnect, their number and grouping, the single bond."""
    steps: list[Step] = []
    try:
        things = distribution.supply_side_things(work.tree, adapter_ahead=ahead(work))
        lack = None
    except MissingInput as missing:
        things, lack = (), missing
    _capacity(work, things, lack, steps)
    for name in distribution.supply_side_things(work.tree, adapter_ahead=False):
        node = work.tree.node(name)
        if node.kind == "disconnect":
            _disconnect(work, node.item, steps)
        elif distribution.sources_below(work.tree, name):
            note = "a source ahead of the service disconnect needs a disconnect with an overcurrent device of its own"
            asked = f"has the supply-side connection of {name} a disconnect?"
            work.checks.append(
                Check(f"disconnect-rating:{name}", asked, Verdict.FAIL, source=work.edition.cite("supply_disconnect"), note=note)
            )
    before = len(work.checks)
    _number(work, things)
    _single_bond(work)
    if not work.standing("source") and work.site.adapter is None:
        work.checks[before:] = [replace(check, counts=False) for check in work.checks[before:]]
    if steps:
        prose = (
            "Sources ahead of the service disconnect: their outputs are added as they are, never at 125 %, and never by the breaker size."
        )
        work.sections.append(Section("Supply side", tuple(steps), prose))


def _capacity(work: Work, things, lack: MissingInput | None, steps: list[Step]) -> None:
    if lack is not None:
        work.checks.append(needs_input("supply-side-capacity", supply_side.CAPACITY, lack.fields, note=lack.reason))
        return
    if not any(distribution.sources_below(work.tree, name) for name in things):
        note = "no source is connected ahead of the service disconnect"
        work.checks.append(Check("supply-side-capacity", supply_side.CAPACITY, Verdict.NOT_APPLICABLE, note=note))
        return

    def make() -> Check:
        service = work.site.service
        if service.rating is None:
            raise MissingInput(["service.rating"])
        limit = supply_side.capacity_limit(
            service.rating, ampacity(work, "service.conductor", service.conductor, service.rating), work.edition
        )
        total = _total(work, steps)
        steps.append(limit)
        return supply_side.capacity_check(total, limit, work.edition)

    work.guarded("supply-side-capacity", supply_side.CAPACITY, make)


def _total(work: Work, steps: list[Step]) -> Step:
    """Sum that stands against the service: outputs, in the edition that says so device ratings; the larger decides [A]."""
    standing = work.standing("source")
    outputs = supply_side.output_sum([current_of(work, one) for one in standing], work.edition)
    steps.append(outputs)
    if work.edition.value("supply_capacity_quantity").value != "device-ratings":
        return outputs
    ratings: list[Quantity] = []
    for one in standing:
        device = distribution.protection(work.tree, one.id, own=False).device
        if device is None:
            raise MissingInput(
                [f"source.{one.id}.connected_to"], "this edition adds the overcurrent devices of the sources: one is not given"
            )
        ratings.append(device)
    devices = supply_side.device_sum(list(dict.fromkeys(ratings)), work.edition)
    steps.append(devices)
    return max(devices, outputs, key=lambda one: one.value)


def _disconnect(work: Work, item, steps: list[Step]) -> None:
    """Size, length, place and rating of one supply-side disconnect."""
    name, path, wire, edition = item.id, f"disconnect.{item.id}.conductor", item.conductor, work.edition
    if not distribution.sources_below(work.tree, name):
        return
    sized = f"are the conductors to {name} at least the least size?"
    work.guarded(f"supply-side-size:{name}", sized, lambda: _size(work, name, path, wire))
    inside = None if wire is None or wire.place is None else text(wire.place) == "inside"
    limiters = any(text(one.shows) == "limiters" and one.for_ == name and one.document is not None for one in work.site.evidence)
    length = wire.length if wire is not None else None
    work.checks.append(supply_side.length_check(name, length, inside, limiters, edition, field=path))
    work.checks.append(_place(work, item))

    def rating() -> Check:
        if item.rating is None:
            raise MissingInput([f"disconnect.{name}.rating"])
        current = sources.at_125(f"disconnect.{name}.source_125", flow(work, name), edition)
        return supply_side.rating_check(name, item.rating, item.service_rated, current, edition)

    work.guarded(f"disconnect-rating:{name}", f"is disconnect {name} large enough, and fit for its place?", rating)
    if item.fuse is not None and distribution.amperes(item.fuse) is None:
        note = "it has no overcurrent device: conductors beyond it stay unprotected to the next one"
        asked = f"has {name} an overcurrent device?"
        work.checks.append(Check(f"overcurrent:{name}", asked, Verdict.FAIL, source=edition.cite("supply_side"), note=note))


def _size(work: Work, name: str, path: str, wire) -> Check:
    lacking = [path] if wire is None else [f"{path}.{field}" for field in ("size", "material") if getattr(wire, field) is None]
    if lacking:
        raise MissingInput(lacking)
    area = conductor.conductor_area(f"{path}.area", wire.size, work.edition)
    form = work.edition.value(f"supply_minimum_{wire.material.value.lower()}")
    if form.value == "none":
        return supply_side.size_check(name, area, None, work.edition)
    least = Input(form.key, form.meaning, form.value, None, "code", source=form.source)
    cell = conductor.conductor_area(f"{path}.least_area", least, work.edition)
    words = f"least size {conductor.size_words(form.value)} {wire.material.value}"
    return supply_side.size_check(
        name,
        area,
        Step(cell.key, cell.symbol, words, cell.formula, cell.uses, cell.value, cell.unit, form.source, words, by=cell.by),
        work.edition,
    )


def _place(work: Work, item) -> Check:
    """Check `supply-side-place:DISCONNECT`: where the tap is made, and the utility's consent where it must be had."""
    name, cite = item.id, work.edition.cite("supply_place")
    key, asked = f"supply-side-place:{name}", f"may the connection of {name} be made where it is drawn?"
    if item.tap_in is None:
        return needs_input(key, asked, [f"disconnect.{name}.tap_in"], cite)
    place = text(item.tap_in)
    consent = any(
        text(one.shows) == "utility-consent"
        and one.for_ in (name, "meter", "service")
        and one.document is not None
        and one.date is not None
        for one in work.site.evidence
    )
    if place == "meter-enclosure":
        if consent:
            return Check(key, asked, Verdict.PASS, source=cite, note="in the meter enclosure, with the utility's written consent on file")
        note = "in a meter enclosure only with the utility's consent in writing; none is on file"
        return Check(
            key,
            asked,
            Verdict.NEEDS_INPUT,
            source=cite,
            note=note,
            closes="the utility's written consent as evidence for it",
            decides=UTILITY,
        )
    if place == "service-equipment":
        note = "inside listed service equipment only where its listing allows the added connectors"
        closes = "the maker's instructions for that equipment, or a junction box or gutter ahead of it"
        return Check(key, asked, Verdict.JUDGEMENT, source=cite, note=note, closes=closes, decides=AUTHORITY)
    return Check(key, asked, Verdict.PASS, source=cite, note=f"in a {place.replace('-', ' ')}, with connectors listed for the use")


def _number(work: Work, things) -> None:
    """Check `service-disconnects`: how many there are, in what enclosures, and whether they are grouped."""
    edition, key = work.edition, "service-disconnects"
    asked = "are the service disconnects few enough, apart and grouped?"
    cite, most = edition.cite("disconnect_count"), edition.value("service_disconnect_maximum_count")
    own = distribution.service_devices(work.tree)
    extra = [name for name in things if work.tree.node(name).kind == "disconnect" and distribution.sources_below(work.tree, name)]
    form = edition.value("supply_disconnect").value
    counted = [name for name, _ in own if name not in extra] + (extra if form == "service-disconnect" else [])
    total = Input("service.disconnects", "service disconnects", float(len(counted)), "count", "choice", ", ".join(counted))
    check = compare(key, asked, total, "<=", most, cite, note=", ".join(counted))
    if check.verdict is Verdict.FAIL or not extra:
        work.checks.append(check)
        return
    ungrouped = [name for name in extra if work.tree.node(name).item.grouped_with_service is False]
    unknown = [f"disconnect.{name}.grouped_with_service" for name in extra if work.tree.node(name).item.grouped_with_service is None]
    source = edition.cite("disconnect_grouping")
    if unknown:
        work.checks.append(needs_input(key, asked, unknown, source))
    elif ungrouped and form == "service-disconnect":
        note = f"{', '.join(ungrouped)} is a service disconnect by this edition and is not grouped with the others"
        work.checks.append(Check(key, asked, Verdict.FAIL, total, "<=", most, source, note))
    elif ungrouped:
        note = f"{', '.join(ungrouped)} is not grouped with the others; whether it is a service disconnect: {form.replace('-', ' ')}"
        closes = "the authority's reading in writing, or grouping"
        work.checks.append(Check(key, asked, Verdict.JUDGEMENT, total, "<=", most, source, note, closes=closes, decides=AUTHORITY))
    else:
        note = f"{check.note}; {', '.join(extra)} grouped with the service; each in an enclosure of its own from 2020 on"
        work.checks.append(Check(key, asked, Verdict.PASS, total, "<=", most, cite, note))


def _single_bond(work: Work) -> None:
    """Check `single-bond`: the neutral is bonded at the service, and at no place on its load side."""
    key, asked, cite = "single-bond", "is the neutral bonded at the service and nowhere beyond it?", work.edition.cite("single_bond")
    first = {name for name, _ in distribution.service_devices(work.tree)}
    ahead_of = set(distribution.supply_side_things(work.tree, adapter_ahead=False))
    at_service, beyond, unknown, extra = [], [], [], []
    for table in ("panel", "disconnect", "transfer"):
        for item in work.standing(table):
            service_end = item.id in first or _holds_first(work, item.id, first)
            if item.neutral_bonded is None:
                unknown += [f"{table}.{item.id}.neutral_bonded"] if table == "panel" or item.id in ahead_of else []
            elif item.id in ahead_of:
                extra.append((item.id, bool(item.neutral_bonded)))
            elif item.neutral_bonded:
                (at_service if service_end else beyond).append(item.id)
    if beyond:
        note = f"bonded on the load side of the service disconnect: {', '.join(beyond)}"
        work.checks.append(Check(key, asked, Verdict.FAIL, source=cite, note=note))
    elif unknown:
        work.checks.append(needs_input(key, asked, unknown, cite))
    elif not at_service:
        work.checks.append(Check(key, asked, Verdict.FAIL, source=cite, note="no service equipment has its neutral bonded"))
    else:
        work.checks.append(_bond_ahead(work, key, asked, at_service, extra))


def _holds_first(work: Work, name: str, first: set[str]) -> bool:
    """Whether a panel without a main holds the service disconnects as its breakers."""
    node = work.tree.node(name)
    return node.kind == "panel" and any(breaker.id in first for breaker in node.item.breakers)


def _bond_ahead(work: Work, key: str, asked: str, at_service: list[str], extra: list[tuple[str, bool]]) -> Check:
    """The bond of supply-side disconnects, by edition."""
    form = work.edition.value("supply_grounding")
    unbonded = [name for name, bonded in extra if not bonded]
    note = f"bonded at {', '.join(at_service)}"
    if not extra:
        return Check(key, asked, Verdict.PASS, source=work.edition.cite("single_bond"), note=note)
    if form.value == "as-service":
        if unbonded:
            note += f"; {', '.join(unbonded)} stands ahead of the service disconnect and is bonded like service equipment by this edition"
            return Check(key, asked, Verdict.FAIL, source=form.source, note=note)
        return Check(
            key,
            asked,
            Verdict.PASS,
            source=form.source,
            note=f"{note}; {', '.join(name for name, _ in extra)} bonded like service equipment",
        )
    words = ", ".join(f"{name} {'bonded' if bonded else 'not bonded'}" for name, bonded in extra)
    note += f"; {words}: how a supply-side disconnect is bonded was argued both ways before 2020"
    return Check(
        key, asked, Verdict.JUDGEMENT, source=form.source, note=note, closes="the authority's reading in writing", decides=AUTHORITY
    )


# adapter


def adapter(work: Work) -> None:
    """Checks of the device between meter and socket; nothing where there is none."""
    item = work.site.adapter
    if item is None or item.status == "removed":
        return
    work.notes.append(
        "a connection on the house side of the meter is normally still supply-side: the service disconnect decides, not the meter"
    )
    steps: list[Step] = []
    work.checks += [_approval(work, item)]
    work.checks.append(_socket(work, item))
    work.guarded("adapter-source", "does the adapter carry the sources connected through it?", lambda: _adapter_sources(work, item, steps))
    _adapter_loads(work, item, steps)
    if steps:
        prose = "Loads through the socket by every reading in use; where they disagree a reviewer decides."
        work.sections.append(Section("Meter-socket adapter", tuple(steps), prose))


def _approval(work: Work, item) -> Check:
    key, asked = "adapter-approval", "has the utility approved this model of adapter for this socket?"
    found = [one for one in work.site.evidence if one.for_ == "adapter" and text(one.shows) == "utility-approval"]
    whole = [one for one in found if one.document is not None and one.date is not None]
    if not item.listed_to:
        return needs_input(key, asked, ["adapter.listed_to"], work.edition.cite("supply_side_list"))
    if item.model is None:
        return needs_input(key, asked, ["adapter.model"], work.edition.cite("supply_side_list"))
    if not whole:
        note = "approval is per model and per utility: a dated document for this model is wanted, not a yes"
        closes = "the utility's approval of this model as evidence for the adapter, with document and date"
        return Check(
            key, asked, Verdict.NEEDS_INPUT, source=work.edition.cite("supply_side_list"), note=note, closes=closes, decides=UTILITY
        )
    listed = work.home.utility.approved_adapters if work.home.utility is not None else ()
    if listed and all(one.model != item.model for one in listed):
        note = f"{item.model} is not on the utility's list of accepted adapters ({', '.join(one.model for one in listed)})"
        closes = "the utility's word on this model, in writing"
        source = work.edition.cite("supply_side_list")
        return Check(key, asked, Verdict.JUDGEMENT, source=source, note=note, closes=closes, decides=UTILITY)
    note = f"{item.model}: {text(whole[0].by) or UTILITY}, {text(whole[0].document)}, {whole[0].date}"
    return Check(key, asked, Verdict.PASS, source=work.edition.cite("supply_side_list"), note=note)


def _socket(work: Work, item) -> Check:
    """Check `adapter-socket`: one self-contained position, sound and clear, as recorded."""
    key, asked, cite = "adapter-socket", "is the meter socket fit for an adapter?", work.edition.cite("meter_socket")
    socket = work.site.service.meter_socket
    if socket is None:
        return needs_input(key, asked, ["service.meter_socket"], cite)
    lacking = [f"service.meter_socket.{name}" for name in ("form", "continuous", "positions", "jaws") if getattr(socket, name) is None]
    lacking += ["adapter.clear_of_sealed_part"] if item.clear_of_sealed_part is None else []
    if lacking:
        return needs_input(key, asked, lacking, cite)
    wrong = []
    if socket.positions.value != 1:
        wrong.append(f"{socket.positions.value:g} meter positions: one is wanted")
    if socket.jaws.value not in (4, 5):
        wrong.append(f"{socket.jaws.value:g} jaws: a 120/240 V self-contained socket has four, or five with the neutral")
    if not item.clear_of_sealed_part:
        wrong.append("the adapter covers the sealed part of the socket")
    rating, most = work.site.service.rating, local_limit(work, "adapter_service_rating")
    if most is not None and rating is not None and rating.value > most.value:
        wrong.append(f"{rating.value:g} A service: an adapter is accepted up to {most.value:g} A ({most.source})")
    if wrong:
        return Check(key, asked, Verdict.FAIL, source=cite, note="; ".join(wrong))
    sound = [
        one
        for one in work.site.evidence
        if one.for_ in ("meter", "adapter") and text(one.shows) == "condition" and one.document is not None
    ]
    if not sound:
        note = "its condition (heat, corrosion, spread jaws) is not recorded"
        closes = "a dated record of the socket's condition as evidence for the meter"
        return Check(key, asked, Verdict.NEEDS_INPUT, source=cite, note=note, closes=closes, decides="the engineer on site")
    return Check(key, asked, Verdict.PASS, source=cite, note="one self-contained position, recorded as sound, sealed part clear")


def local_limit(work: Work, key: str) -> Input | None:
    """A limit of the utility, else of the jurisdiction; None where neither has one."""
    for local in (work.home.utility, work.home.jurisdiction):
        if local is not None and key in local.limits:
            return local.limits[key]
    return None


def _ratings(work: Work, item) -> Step:
    """The least continuous rating of adapter and socket [A]. Errors: MissingInput."""
    socket = work.site.service.meter_socket
    lacking = ["adapter.continuous"] if item.continuous is None else []
    lacking += ["service.meter_socket.continuous"] if socket is None or socket.continuous is None else []
    if lacking:
        raise MissingInput(lacking)
    return Step(
        "adapter.limit",
        "I_lim",
        "continuous rating of adapter and socket",
        "min(adapter, socket)",
        {"adapter": item.continuous, "socket": socket.continuous},
        min(item.continuous.value, socket.continuous.value),
        "A",
        work.edition.cite("meter_socket"),
    )


def _adapter_sources(work: Work, item, steps: list[Step]) -> Check:
    asked = "does the adapter carry the sources connected through it?"
    total = flow(work, "service")
    if total is None:
        return Check("adapter-source", asked, Verdict.NOT_APPLICABLE, note="no source")
    limit = _ratings(work, item)
    steps += [one for one in (limit, total) if isinstance(one, Step)]
    local = local_limit(work, "adapter_source_current")
    through = flow(work, "adapter")
    if local is not None and through is not None and through.value > local.value * (1 + 1e-9):
        note = "the utility's limit on source current through an adapter"
        return compare("adapter-source", asked, through, "<=", local, local.source, note=note)
    return compare(
        "adapter-source", asked, total, "<=", limit, work.edition.cite("meter_socket"), note="continuous outputs against continuous ratings"
    )


def _adapter_loads(work: Work, item, steps: list[Step]) -> None:
    """Checks `adapter-load:READING` and the one that counts."""
    asked = "do adapter and socket carry the load through them?"
    try:
        limit, readings = _ratings(work, item), _readings(work, item)
    except MissingInput as lack:
        work.checks.append(needs_input("adapter-load", asked, lack.fields, note=str(lack)))
        return
    shown = {}
    for reading, step in readings.items():
        work.result(f"adapter_load_a:{reading}", step)
        steps.append(step)
        shown[reading] = compare(
            f"adapter-load:{reading}",
            f"{asked[:-1]}, by the reading {reading}?",
            step,
            "<=",
            limit,
            work.edition.cite("meter_socket"),
            counts=False,
        )
    work.checks += shown.values()
    rule = work.home.rule("socket_overload")
    chosen = str(rule.value) if rule is not None else ""
    socket = work.site.service.meter_socket
    if chosen in shown:
        one = shown[chosen]
        note = f"by the local rule ({rule.source.locator if rule.source else rule.note}): the reading {chosen}"
        work.checks.append(Check("adapter-load", asked, one.verdict, one.provided, one.relation, one.required, one.source, note))
        return
    verdicts = {name: one.verdict for name, one in shown.items()}
    words = "; ".join(f"{name} {one.provided.value:.1f} A {one.verdict}" for name, one in shown.items())
    plain = shown["calculated"]
    if all(verdict is Verdict.PASS for verdict in verdicts.values()):
        verdict, note = Verdict.PASS, f"by every reading: {words}"
    elif plain.verdict is Verdict.FAIL:
        verdict, note = Verdict.FAIL, f"even by the calculated load: {words}"
    else:
        verdict, note = Verdict.JUDGEMENT, f"the readings disagree: {words}; no local rule chooses one"
    if socket.maximum_use is not None and socket.maximum_use.value > socket.continuous.value:
        note += f"; the socket's maximum use of {socket.maximum_use.value:g} A is no continuous rating"
    closes, decides = (
        ("the utility's or the authority's reading as rule socket_overload", UTILITY) if verdict is Verdict.JUDGEMENT else ("", "")
    )
    work.checks.append(
        Check("adapter-load", asked, verdict, plain.provided, "<=", limit, plain.source, note, closes=closes, decides=decides)
    )


def _readings(work: Work, item) -> dict[str, Step]:
    """Load through adapter and socket by each reading [A]: calculated, with continuous load at 125 %, by the devices."""
    from workbook_lib.rules import service
    from workbook_lib.workbooks import service_load

    load = service_load.start(work.home, work.edition, local=False)
    answers, lacks = service_load.method_totals(load, load.scope.items)
    chosen = answers.get(load.method)
    if chosen is None:
        lack = lacks.get(load.method)
        raise MissingInput(lack.fields if lack else ["study.service_load_method"], lack.reason if lack else "")
    calculated = service.load_current("adapter.load", chosen.total, load.voltage)
    parts = [one.va for one in load.scope.items if one.continuous]
    found = {"calculated": calculated}
    found["continuous"] = (
        service.continuous_current(calculated, parts, load.voltage, work.edition, key="adapter.load_continuous") if parts else calculated
    )
    devices = [rating for _, rating in distribution.service_devices(work.tree)]
    own = distribution.amperes(item.overcurrent)
    devices += [own] if own is not None else []
    if any(one is None for one in devices):
        raise MissingInput(["panel.main"], "the rating of a service disconnect is not given")
    found["breakers"] = Step(
        "adapter.devices",
        "I_dev",
        "devices of the service and of the adapter",
        "sum(devices)",
        {"devices": tuple(devices)},
        sum(one.value for one in devices),
        "A",
        note="not the test where an exception for the service's overload protection is accepted",
    )
    return found
