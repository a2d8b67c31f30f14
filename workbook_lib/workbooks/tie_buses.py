"""Buses and feeders on the path of source current, as parts of the backfeed and tap sheet."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

from workbook_lib.errors import MissingInput
from workbook_lib.home import distribution
from workbook_lib.rules import busbar, feeders
from workbook_lib.rules import source as sources
from workbook_lib.sheet import Check, Input, Quantity, Result, Section, Step, Table, Verdict, compare, holds, needs_input
from workbook_lib.workbooks.prepare import text
from workbook_lib.workbooks.tie_work import Work, ampacity, contributions, credited_limit, flow

MLO = (
    "panel {panel} has no main of its own: the device that protects its feed, {by}, is taken; some hold such a panel exempt, "
    "which is not followed here"
)


def buses(work: Work) -> None:
    """Each bus that source current can reach: results, checks of every rule and of the one relied on."""
    steps: list[Step] = []
    rows: list[tuple[object, ...]] = []
    for panel in work.standing("panel"):
        try:
            bus = bus_of(work, panel)
        except MissingInput as lack:
            _missing(work, panel, lack)
            continue
        if bus is None:
            _no_second_source(work, panel)
            _room_without_sources(work, panel, rows)
            continue
        work.buses[panel.id] = bus
        steps += _one_bus(work, panel, bus, rows)
    _worst(work)
    if rows:
        columns = (
            "Bus",
            "Rule",
            "Provides (A)",
            "Required (A)",
            "Verdict",
            "Room for sources (A)",
            "Largest output (A)",
            "Largest breaker (A)",
        )
        prose = (
            "Every bus that source current can reach, not only the one where the breaker lands. The source is 125 % of its rated output, "
            "never the size of its breaker. One rule is enough; the sheet says which is relied on and what it demands. Room for sources is "
            "125 % of their output, by the sum of breakers a breaker rating; it holds with the positions that the rule asks for."
        )
        table = Table(columns, tuple(rows), "Each rule at each bus", 2)
        work.sections.append(Section("Busbars", tuple(steps), prose, table))


def _no_second_source(work: Work, panel) -> None:
    """Check `bus:PANEL` of a bus that its own device alone feeds."""
    asked = f"does the bus of {panel.id} carry what its device and its sources can feed it?"
    try:
        inverter = distribution.carrier(work.tree, panel.id) if _carried(work.tree, panel.id) else None
    except MissingInput as lack:
        _missing(work, panel, lack)
        return
    if inverter is None:
        note = "no source current reaches this bus"
        work.checks.append(Check(f"bus:{panel.id}", asked, Verdict.NOT_APPLICABLE, note=note))
        return
    lacking = [f"panel.{panel.id}.{name}" for name in ("bus", "main") if getattr(panel, name) is None]
    if lacking:
        _missing(work, panel, MissingInput(lacking, f"the utility and {inverter.id} feed this bus together"))
        return
    device = distribution.main_device(panel)
    note = f"what the utility and {inverter.id} bring together comes in through its main, which bounds it; no other source feeds this bus"
    work.checks.append(compare(f"bus:{panel.id}", asked, panel.bus, ">=", device, work.edition.cite("panelboard"), note=note))


def bus_of(work: Work, panel) -> busbar.Bus | None:
    """A bus with its device and the sources that reach it; None where none does. Errors: MissingInput."""
    tree = work.tree
    try:
        guard = distribution.protection(tree, panel.id)
    except MissingInput:
        if not distribution.sources_below(tree, _highest(tree, panel)):
            return None
        raise
    reaching = distribution.sources_below(tree, guard.top)
    if not reaching:
        return None
    lacking = [f"panel.{panel.id}.bus"] if panel.bus is None else []
    if guard.device is None:
        raise MissingInput([*lacking, f"panel.{panel.id}.main"], "no overcurrent device stands between this bus and the utility")
    if lacking:
        raise MissingInput(lacking)
    parts = [part for child in _inside(tree, guard.top) for part in contributions(work, child)]
    if tree.node(guard.top).kind == "source":
        parts += [one for one in contributions(work, guard.top, capped=False) if one not in parts]
    total = sources.summed(f"bus.{panel.id}.sources", f"source current that reaches the bus of {panel.id}", parts)
    own = {one.id for one in distribution.direct_sources(tree, panel)}
    unlisted = distribution.without_breaker(tree, panel) if text(panel.breakers_listed) == "all" else ()
    listed = text(panel.breakers_listed) == "all" and not unlisted
    standing = distribution.breakers_standing(panel)
    hung = distribution.lugs_children(tree, panel)
    return busbar.Bus(
        id=panel.id,
        rating=panel.bus,
        device=guard.device,
        current=sources.at_125(f"bus.{panel.id}.source_125", total, work.edition, f"source current on the bus of {panel.id} at 125 %"),
        feed=text(panel.feed),
        kind=panel.kind,
        ends=dict(_ends(tree, panel)),
        behind=tuple(one.id for one in reaching if one.id not in own and one.id not in _carried(tree, panel.id)),
        breakers={one.id: one.rating for one in standing if one.rating is not None} if listed else None,
        unrated=tuple(f"panel.{panel.id}.breakers.{one.id}.rating" for one in standing if one.rating is None),
        lugs={node.id: _hung(work, node) for node in hung},
        has_lugs=bool(hung),
        unlisted=unlisted,
        connections_count=1 + len(standing) + len(hung) if listed else None,
    )


def _highest(tree, panel) -> str:
    """The top of what could feed a bus with no device between, where what the file does not say is taken to be no device. Returns: id."""
    came = panel.id
    if distribution.amperes(panel.main) is not None:
        return came
    place = tree.parent(came)
    while place is not None:
        item = place.item
        if place.kind == "feeder":
            device = item.load_side_device if came == distribution.feeder_end(tree, item) else None
        else:
            device = getattr(item, {"panel": "main", "disconnect": "fuse", "adapter": "overcurrent"}.get(place.kind, ""), None)
        if place.kind == "breaker" or distribution.amperes(device) is not None:
            return came if place.kind == "feeder" else place.id
        came, place = place.id, tree.parent(place.id)
    return came


def _inside(tree, top: str) -> Iterator[str]:
    """Children of what a device protects."""
    return (child for child in tree.children(top) if distribution.standing(tree.node(child)))


def _carried(tree, name: str) -> tuple[str, ...]:
    """A multimode inverter that feeds this bus from the utility's side is its primary source, not one behind it."""
    return tuple(found for found in tree.path_to_service(name) if tree.node(found).kind == "source")


def _ends(tree, panel) -> Iterator[tuple[str, str | None]]:
    for node in distribution.entries(tree, panel):
        if node.kind == "lugs":
            yield node.id, busbar.OPPOSITE.get(text(panel.feed), "bottom")
        else:
            yield node.id, text(node.item.position) or None


def _hung(work: Work, node) -> Quantity:
    """Rating by which what hangs on lugs enters the sum of breakers [A]: its device, else its bus."""
    for panel in distribution.first_panels(work.tree, [node.id]):
        found = distribution.main_device(panel) or panel.bus
        if found is None:
            raise MissingInput([f"panel.{panel.id}.main"])
        return found
    rating = getattr(node.item, "rating", None)
    if rating is None:
        raise MissingInput([f"{node.kind}.{node.id}.rating"])
    return rating


def _missing(work: Work, panel, lack: MissingInput) -> None:
    asked = f"does the bus of {panel.id} carry what its device and its sources can feed it?"
    work.checks.append(needs_input(f"bus:{panel.id}", asked, lack.fields, note=str(lack)))
    work.not_checked.append(f"bus_rule:{panel.id}: {lack}")


def _one_bus(work: Work, panel, bus: busbar.Bus, rows: list) -> list[Step]:
    edition = work.edition
    if panel.kind == "split-bus":
        asked = f"does the bus of {panel.id} carry what its device and its sources can feed it?"
        note = "a split bus: which section each source feeds is not computed"
        closes = "a calculation of each bus section, or a panel with one bus"
        work.checks.append(Check(f"bus:{panel.id}", asked, Verdict.JUDGEMENT, note=note, closes=closes, decides="the engineer"))
        return []
    checks = busbar.bus_checks(bus, edition)
    guard = distribution.protection(work.tree, panel.id)
    if guard.by != panel.id:
        work.notes.append(MLO.format(panel=panel.id, by=guard.by))
    rule, chosen = busbar.relied_check(bus, checks, text(panel.bus_rule), edition)
    chosen = _by_control(work, panel, bus, chosen)
    if chosen.verdict is Verdict.FAIL:
        cure = busbar.remedy(bus, checks, edition)
        chosen = replace(chosen, note=f"{chosen.note}; {cure}" if cure else chosen.note)
    work.checks += [*checks.values(), chosen]
    work.relied[panel.id] = rule
    work.result(f"bus_protection_a:{panel.id}", bus.device)
    work.results[f"bus_rule:{panel.id}"] = Result(rule, None)
    steps = _inverse(work, bus, rule, checks, rows, text(panel.bus_rule))
    breakers = [
        node.item.rating for node in distribution.entries(work.tree, panel) if node.kind == "breaker" and node.item.rating is not None
    ]
    if breakers:
        steps.append(busbar.by_breaker_size(bus, breakers))
    if chosen.verdict in (Verdict.PASS, Verdict.JUDGEMENT):
        work.notes.append(f"bus of {panel.id}, rule relied on ({busbar.TITLES[rule]}) demands: {busbar.DEMANDS[rule]}")
    return steps


def _by_control(work: Work, panel, bus: busbar.Bus, chosen: Check) -> Check:
    """A failing bus that a credited control of the sum into it holds within its rating: the rule relied on is the control's."""
    found = credited_limit(work, panel.id, "bus")
    if found is None or chosen.verdict is Verdict.PASS:
        return chosen
    control, setting = found
    single = [one for one in distribution.sources_below(work.tree, panel.id) if one.id not in {text(name) for name in control.controls}]
    if single:
        note = f"{chosen.note}; {control.id} does not hold {', '.join(one.id for one in single)}: no credit"
        return Check(chosen.key, chosen.question, chosen.verdict, chosen.provided, chosen.relation, chosen.required, chosen.source, note)
    note = f"rule relied on: {control.id} holds the current into the bus; if it fails, the overcurrent devices alone stand: see not checked"
    work.not_checked.append(
        f"bus of {panel.id}: what the bus carries if {control.id} fails is the sum shown, {chosen.required.value:,.1f} A"
    )
    verdict = Verdict.PASS if setting.value <= bus.rating.value * (1 + 1e-9) else Verdict.FAIL
    return Check(chosen.key, chosen.question, verdict, bus.rating, ">=", setting, work.edition.cite("power_control"), note)


def _inverse(work: Work, bus: busbar.Bus, rule: str, checks, rows: list, stated: str) -> list[Step]:
    """What the bus takes by each rule, and the results by the one relied on."""
    steps: list[Step] = [bus.current]
    passes = rule in checks and checks[rule].verdict is not Verdict.FAIL
    for name in busbar.RULES:
        check = checks[name]
        room = busbar.allowance(bus, name, work.edition) if check.verdict is not Verdict.NOT_APPLICABLE else None
        largest = busbar.largest_inverter(bus, room, name, work.edition) if room is not None else None
        breaker = busbar.largest_breaker(bus, room, name, work.edition) if room is not None else None
        steps += [one for one in (room, largest, breaker) if one is not None]
        if name == rule and room is not None:
            work.result(f"source_allowance_a:{bus.id}", room)
            work.result(f"largest_inverter_a:{bus.id}", largest)
            if breaker is not None:
                work.result(f"largest_source_breaker_a:{bus.id}", breaker)
        sides = [side.value if side is not None else "-" for side in (check.provided, check.required)]
        relied = "relied on" if passes or stated == name else "nearest"
        words = f"{check.verdict}{f' ({relied})' if name == rule else ''}"
        given = [one.value if one is not None else "-" for one in (room, largest, breaker)]
        rows.append((bus.id, busbar.TITLES[name], *sides, words, *given))
    main = busbar.largest_main(bus, work.edition)
    if main is not None and bus.feed != "centre":
        work.result(f"largest_main_a:{bus.id}", main)
        steps.append(main)
    return steps


def _room_without_sources(work: Work, panel, rows: list) -> None:
    """What an end-fed or centre-fed bus without sources would take, where its ratings are known [A]."""
    try:
        guard = distribution.protection(work.tree, panel.id)
    except MissingInput:
        return
    if guard.device is None or panel.bus is None or panel.kind == "split-bus":
        return
    nothing = Input(f"bus.{panel.id}.no_source", "source current there is", 0.0, "A", "choice")
    current = sources.at_125(f"bus.{panel.id}.source_125", nothing, work.edition)
    bus = busbar.Bus(panel.id, panel.bus, guard.device, current, text(panel.feed), panel.kind, {})
    rule = "centre" if bus.feed == "centre" else "120" if bus.feed else "sum"
    if rule == "centre" and work.edition.value("bus_centre_fed").value != "one-end":
        rule = "sum"
    room = busbar.allowance(bus, rule, work.edition)
    largest = busbar.largest_inverter(bus, room, rule, work.edition)
    work.result(f"bus_protection_a:{panel.id}", guard.device)
    work.result(f"source_allowance_a:{panel.id}", room)
    work.result(f"largest_inverter_a:{panel.id}", largest)
    rows.append((panel.id, busbar.TITLES[rule], "-", "-", "no source", room.value, largest.value, "-"))


def _worst(work: Work) -> None:
    """Result `worst_bus`: the bus with the least room by the rule relied on."""
    ranked = []
    for panel in work.buses:
        check = next((one for one in work.checks if one.key == f"bus:{panel}"), None)
        if check is not None and check.margin is not None:
            ranked.append((check.verdict is not Verdict.FAIL, check.room, panel))
    if ranked:
        work.results["worst_bus"] = Result(min(ranked)[2], None)


# feeders and taps


def all_feeders(work: Work) -> None:
    """Feeders with source current, and taps of feeders."""
    steps: list[Step] = []
    for feeder in work.standing("feeder"):
        if distribution.sources_below(work.tree, feeder.id):
            key, asked = f"feeder-capacity:{feeder.id}", f"does feeder {feeder.id} carry its source current?"
            work.guarded(key, asked, lambda feeder=feeder: _feeder(work, feeder, steps))
        elif _reached(work, feeder.id):
            key, asked = f"feeder-capacity:{feeder.id}", f"does feeder {feeder.id} carry its device and the sources ahead of it?"
            work.guarded(key, asked, lambda feeder=feeder: _from_lugs(work, feeder, steps))
        for name in distribution.taps(work.tree, feeder):
            _tap(work, feeder, name, steps)
    for panel in work.standing("panel"):
        if panel.conductor is not None and distribution.sources_below(work.tree, panel.id) and work.tree.node(panel.id).parent != "service":
            key, asked = f"feeder-capacity:{panel.id}", f"does the feed of {panel.id} carry its source current?"
            work.guarded(key, asked, lambda panel=panel: _feed(work, panel))
    if steps:
        work.sections.append(Section("Feeders and taps", tuple(steps), feeders.DISPUTE[0].upper() + feeders.DISPUTE[1:] + "."))


def _reached(work: Work, name: str) -> tuple[str, ...]:
    """Sources that can feed a feeder from its utility's side with no device between: those of a bus whose lugs it hangs on."""
    try:
        guard = distribution.protection(work.tree, name, own=False)
    except MissingInput:
        return ()
    if guard.device is None:
        return ()
    own = {one.id for one in distribution.sources_below(work.tree, name)}
    return tuple(one.id for one in distribution.sources_below(work.tree, guard.top) if one.id not in own)


def _from_lugs(work: Work, feeder, steps: list[Step]) -> Check:
    """A feeder on feed-through lugs: it can see the device and the sources of the bus that it hangs on."""
    guard = distribution.protection(work.tree, feeder.id, own=False)
    carried = ampacity(work, f"feeder.{feeder.id}.conductor", feeder.conductor, guard.device)
    ahead = set(_reached(work, feeder.id))
    parts = [part for one in ahead_sources(work, ahead) for part in contributions(work, one)]
    total = sources.summed(f"feeder.{feeder.id}.ahead", f"sources ahead of feeder {feeder.id}", parts)
    current = sources.at_125(f"feeder.{feeder.id}.ahead_125", total, work.edition, f"sources ahead of feeder {feeder.id} at 125 %")
    needed = feeders.beyond_sum(feeder.id, guard.device, current)
    steps += [current, needed]
    asked = f"does feeder {feeder.id} carry its device and the sources ahead of it?"
    note = (
        f"on feed-through lugs: {', '.join(sorted(ahead))} and the device ahead can both feed it; a device at its supply end would bound it"
    )
    source = work.edition.cite("feeder_source")
    return compare(f"feeder-capacity:{feeder.id}", asked, carried, ">=", needed, source, note=note)


def ahead_sources(work: Work, names: set[str]) -> list[str]:
    """Ids of sources, in the order of the site file."""
    return [one.id for one in work.standing("source") if one.id in names]


def _feed(work: Work, panel) -> Check:
    """The conductors written at a panel that its sources feed back through."""
    guard = distribution.protection(work.tree, panel.id, own=False)
    carried = ampacity(work, f"panel.{panel.id}.conductor", panel.conductor, guard.device or panel.bus)
    current = sources.at_125(f"feeder.{panel.id}.source_125", flow(work, panel.id), work.edition)
    return feeders.base_check(panel.id, carried, current, work.edition, "sources at its far end: its device protects it")


def _feeder(work: Work, feeder, steps: list[Step]) -> Check:
    tree, edition = work.tree, work.edition
    guard = distribution.protection(tree, feeder.id, own=False)
    carried = ampacity(work, f"feeder.{feeder.id}.conductor", feeder.conductor, guard.device)
    total = sources.at_125(
        f"feeder.{feeder.id}.source_125", flow(work, feeder.id), edition, f"source current on feeder {feeder.id} at 125 %"
    )
    steps += [total]
    base = feeders.base_check(feeder.id, carried, total, edition)
    end = distribution.feeder_end(tree, feeder)
    along = [name for name in tree.children(feeder.id) if name != end and distribution.sources_below(tree, name)]
    if not along:
        note = "its sources are at the far end, opposite to its device: nothing more is asked beyond"
        return feeders.base_check(feeder.id, carried, total, edition, note)
    if guard.device is None:
        raise MissingInput([f"feeder.{feeder.id}.connected_to"], "no overcurrent device protects this feeder")
    parts = [one for name in along for one in contributions(work, name)]
    joined = sources.summed(f"feeder.{feeder.id}.along", f"sources along feeder {feeder.id}", parts)
    current = sources.at_125(f"feeder.{feeder.id}.along_125", joined, edition, f"sources along feeder {feeder.id} at 125 %")
    return feeders.along_check(feeder.id, carried, guard.device, current, distribution.amperes(feeder.load_side_device), base, edition)


def _tap(work: Work, feeder, name: str, steps: list[Step]) -> None:
    node = work.tree.node(name)
    wire = getattr(node.item, "conductor", None)
    size_key, length_key = f"tap-size:{name}", f"tap-length:{name}"
    sized, short = f"is tap {name} of feeder {feeder.id} large enough?", f"is tap {name} short enough?"
    path = f"{node.kind}.{name}.conductor"

    def length() -> Check:
        if wire is None or wire.length is None:
            raise MissingInput([f"{path}.length"] if wire is not None else [path])
        return feeders.tap_length_check(name, wire.length, work.edition)

    def size() -> Check:
        if wire is None or wire.length is None:
            raise MissingInput([f"{path}.length"] if wire is not None else [path])
        return _tap_size(work, feeder, node, wire, path, steps)

    work.guarded(length_key, short, length)
    work.guarded(size_key, sized, size)


def _tap_size(work: Work, feeder, node, wire, path: str, steps: list[Step]) -> Check:
    edition, tree = work.edition, work.tree
    guard = distribution.protection(tree, feeder.id, own=False)
    if guard.device is None:
        raise MissingInput([f"feeder.{feeder.id}.connected_to"], "no overcurrent device protects this feeder")
    end = (
        distribution.device_of(node) if node.kind == "disconnect" else distribution.main_device(node.item) if node.kind == "panel" else None
    )
    is_short = holds(wire.length.value, "<=", edition.value("tap_short_length_ft").value)
    by_rating = edition.value("feeder_tap_source").value == "device-rating"
    added = not is_short or edition.value("feeder_tap_short_source").value == "yes"
    on_feeder = _tap_sources(work, feeder, by_rating)
    total = feeders.tap_total(node.id, guard.device, on_feeder, added, edition)
    frac = edition.value("tap_short_frac" if is_short else "tap_long_frac")
    needed = feeders.tap_required(node.id, total, end, frac, edition)
    carried = ampacity(work, path, wire, end or guard.device)
    work.result(f"tap_required_a:{node.id}", needed)
    steps += [needed]
    note = ("a short tap" if is_short else "a long tap, which must end in one device") + (
        "" if end is not None else "; no device at its end is given"
    )
    cite = edition.cite("feeder_tap" if added and on_feeder else "tap")
    check = compare(f"tap-size:{node.id}", f"is tap {node.id} of feeder {feeder.id} large enough?", carried, ">=", needed, cite, note=note)
    if end is None and check.verdict is Verdict.PASS:
        note = f"{note}: a tap ends in an overcurrent device"
        return Check(check.key, check.question, Verdict.FAIL, carried, ">=", needed, cite, note)
    return check


def _tap_sources(work: Work, feeder, by_rating: bool) -> list[Quantity]:
    """What the sources on a feeder add to the fraction of its taps [A]: their devices, or 125 % of their output."""
    if by_rating:
        found = []
        for source in distribution.sources_below(work.tree, feeder.id):
            device = distribution.protection(work.tree, source.id, own=False).device
            if device is None:
                raise MissingInput([f"source.{source.id}.connected_to"], "no overcurrent device of this source is given")
            found.append(device)
        return list(dict.fromkeys(found))
    total = flow(work, feeder.id)
    return [] if total is None else [sources.at_125(f"feeder.{feeder.id}.tap_source", total, work.edition)]
