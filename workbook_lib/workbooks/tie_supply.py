"""Connections ahead of the service disconnect and at the meter socket, as parts of the backfeed and tap sheet."""

from __future__ import annotations

from dataclasses import replace

from workbook_lib.errors import MissingInput
from workbook_lib.home import distribution
from workbook_lib.home.tree import ADAPTER
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
    for name in _bare(work):
        node = work.tree.node(name)
        if node.kind == "disconnect":
            _disconnect(work, node.item, steps)
        elif distribution.sources_below(work.tree, name):
            note = "a source ahead of the service disconnect needs a disconnect with an overcurrent device of its own"
            asked = f"has the supply-side connection of {name} a disconnect?"
            work.checks.append(
                Check(f"disconnect-rating:{name}", asked, Verdict.FAIL, source=work.edition.cite("supply_disconnect"), note=note)
            )
    _adapter_rating(work)
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


def _bare(work: Work) -> tuple[str, ...]:
    """Ids whose conductors meet no overcurrent device from the service on: on a tap, or on an adapter without one of its own."""
    adapter = work.site.adapter
    without = adapter is not None and adapter.overcurrent is not None and distribution.amperes(adapter.overcurrent) is None
    try:
        return distribution.supply_side_things(work.tree, adapter_ahead=without and ahead(work))
    except MissingInput:
        return distribution.supply_side_things(work.tree, adapter_ahead=False)


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
    adapter = _adapter_device(work)
    if adapter is not None and form == "service-disconnect":
        counted.append("the device of the adapter")
    total = Input("service.disconnects", "service disconnects", float(len(counted)), "count", "choice", ", ".join(counted))
    check = compare(key, asked, total, "<=", most, cite, note=", ".join(counted))
    if check.verdict is Verdict.FAIL or not extra:
        work.checks.append(check)
        return
    grouped = {name: work.tree.node(name).item.grouped_with_service for name in extra}
    ungrouped = [name for name, one in grouped.items() if one is not None and not one]
    unknown = [f"disconnect.{name}.grouped_with_service" for name, one in grouped.items() if one is None]
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
        overload = edition.cite("service_overload")
        note += f"; the sum of their devices may exceed the service conductors' ampacity: their load decides ({overload})"
        work.checks.append(Check(key, asked, Verdict.PASS, total, "<=", most, cite, note))


def _adapter_device(work: Work) -> Input | None:
    """The adapter's own device where it is the disconnect of a source ahead of the service disconnect [A]."""
    adapter = work.site.adapter
    if adapter is None or adapter.overcurrent is None or not distribution.sources_below(work.tree, ADAPTER):
        return None
    try:
        return distribution.amperes(adapter.overcurrent) if ahead(work) else None
    except MissingInput:
        return None


def _adapter_rating(work: Work) -> None:
    """Check `disconnect-rating:adapter`: an adapter's own device as the disconnect of its sources."""
    device, edition = _adapter_device(work), work.edition
    if device is None:
        return
    key, asked = "disconnect-rating:adapter", "is the adapter's own device large enough as disconnect of its sources?"

    def make() -> Check:
        current = sources.at_125("disconnect.adapter.source_125", flow(work, ADAPTER), edition)
        check = supply_side.rating_check(ADAPTER, device, True, current, edition)
        if check.verdict is Verdict.FAIL and device.value >= current.value * (1 - 1e-9):
            note = "enough for its sources; whether the least rating of a service disconnect holds for a device inside a listed adapter"
            closes = "the authority's reading in writing"
            return replace(check, question=asked, verdict=Verdict.JUDGEMENT, note=note, closes=closes, decides=AUTHORITY)
        return replace(check, question=asked, note="taken as the disconnect of a source ahead of the service disconnect")

    work.guarded(key, asked, make)
    work.not_checked.append(
        "bonding and grouping of the adapter's device: by its listing and the utility's drawings; the site file has no field for them"
    )


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
