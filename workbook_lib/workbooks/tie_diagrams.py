"""The one-line diagram and the strip of each bus, as data from the distribution that was calculated.

Every number is one that the study used; what the file does not say is written as not given.
"""

from __future__ import annotations

from collections.abc import Iterator

from workbook_lib.home import distribution
from workbook_lib.home.tree import ADAPTER, SERVICE, SUPPLY_SIDE
from workbook_lib.rules.conductor import size_words
from workbook_lib.sheet import Figure, Mark, Table, Verdict
from workbook_lib.workbooks.prepare import text
from workbook_lib.workbooks.tie_work import Work, raceway_of

NOT_GIVEN = "not given"
SOURCES = {"pv-inverter": "inverter", "storage-inverter": "inverter", "multimode-inverter": "inverter"}


def figures(work: Work) -> tuple[Figure, ...]:
    """The one-line diagram, then a strip for the bus of every panel."""
    strips = tuple(_strip(work, panel) for panel in work.standing("panel"))
    return (_one_line(work), *strips)


def _fed(panel) -> str:
    """Where a bus is fed, in words."""
    feed = text(panel.feed)
    return f"fed at the {feed}" if feed else f"feed end {NOT_GIVEN}"


def _given(value: object, unit: str = "A", scale: float = 1.0) -> str:
    """A value of the file with its unit, or that it is not given."""
    if value is None:
        return NOT_GIVEN
    number = getattr(value, "value", value)
    if isinstance(number, str):
        return number
    shown = f"{number / scale:,.2f}".rstrip("0").rstrip(".")
    return f"{shown} {unit}"


def _kilo(value: object) -> str:
    """A fault rating in kiloamperes."""
    return _given(value, "kA", 1000.0)


def _wire(work: Work, wire) -> str:
    """A set of conductors in words, with the raceway it runs in."""
    if wire is None:
        return ""
    size = size_words(wire.size.value) if wire.size is not None else f"size {NOT_GIVEN}"
    sets = f"{wire.sets.value:g} sets of " if wire.sets is not None and wire.sets.value != 1 else ""
    words = f"{sets}{size} {text(wire.material)} {text(wire.insulation)}".rstrip()
    if wire.neutral is not None:
        words += f", neutral {text(wire.neutral)}"
    if wire.grounding is not None:
        words += f", ground {text(wire.grounding)}"
    if wire.length is not None:
        words += f", {wire.length.value:g} ft"
    raceway = raceway_of(work, wire)
    if raceway is not None:
        chosen = work.results.get(f"raceway:{raceway.id}")
        size = text(raceway.size) or (str(chosen.value) if chosen is not None else "")
        words += f", in {text(raceway.kind)}{' trade size ' + size if size else ''} ({raceway.id})"
    return words


def _one_line(work: Work) -> Figure:
    marks = tuple(_marks(work))
    rows = tuple((mark.id, mark.symbol, mark.parent or "-", "; ".join(mark.words)) for mark in marks)
    table = Table(("Id", "What it is", "Fed from", "Ratings used"), rows, "Everything on the one-line diagram")
    description = (
        f"From the utility down: {len(marks)} things, each under what it is connected to. Ratings are those of the site file; "
        "source current is before 125 %."
    )
    return Figure("one-line", "oneline", "One-line diagram", description, table, marks=marks)


def _marks(work: Work) -> Iterator[Mark]:
    service, tree = work.site.service, work.tree
    transformer = service.transformer
    top = ""
    if transformer is not None:
        words = [f"utility transformer {_given(transformer.rating, 'kVA', 1000.0)}"]
        if transformer.resistance is not None and transformer.reactance is not None:
            parts = (transformer.resistance.value * 100, transformer.reactance.value * 100)
            words.append("resistance {:g} %, reactance {:g} %".format(*parts))
        elif transformer.impedance is not None:
            words.append(f"impedance {transformer.impedance.value * 100:g} %")
        yield Mark("transformer", "transformer", "", (*words, *_optional(_wire(work, transformer.conductor))))
        top = "transformer"
    meter = service.meter_socket
    words = [f"meter socket {_given(meter.continuous) if meter is not None else NOT_GIVEN}"]
    if meter is not None and meter.short_circuit_rating is not None:
        words.append(f"withstands {_kilo(meter.short_circuit_rating)}")
    yield Mark("meter", "meter", top, (*words, *_optional(_wire(work, service.conductor))))
    adapter = work.site.adapter
    below = "meter"
    if adapter is not None and adapter.status != "removed":
        yield Mark(
            ADAPTER,
            "adapter",
            "meter",
            (
                f"meter-socket adapter{_added(adapter)} {_given(adapter.continuous)}, withstands {_kilo(adapter.short_circuit_rating)}",
                f"its device {_given(adapter.overcurrent)}",
            ),
        )
        yield from _children(work, ADAPTER, ADAPTER)
        below = ADAPTER
    if any(distribution.standing(tree.node(name)) for name in tree.children(SUPPLY_SIDE)):
        yield Mark(SUPPLY_SIDE, "tap", below, ("supply-side connection",))
        yield from _children(work, SUPPLY_SIDE, SUPPLY_SIDE)
    yield Mark(SERVICE, "service", below, (f"service {_given(service.rating)}",))
    yield from _children(work, SERVICE, SERVICE)


def _optional(words: str) -> tuple[str, ...]:
    return (words,) if words else ()


def _children(work: Work, name: str, parent: str) -> Iterator[Mark]:
    """Marks of what hangs on a thing, plain load breakers of a panel gathered in one."""
    waiting: list[tuple[str, str] | Mark] = [(name, parent)]
    while waiting:
        one = waiting.pop()
        if isinstance(one, Mark):
            yield one
        else:
            waiting += reversed(list(_level(work, *one)))


def _level(work: Work, name: str, parent: str) -> Iterator[tuple[str, str] | Mark]:
    """Marks of what hangs directly on a thing, each followed by what is to be opened below it."""
    tree = work.tree
    plain: list[str] = []
    for child in tree.children(name):
        node = tree.node(child)
        if not distribution.standing(node) or child in (SUPPLY_SIDE, ADAPTER):
            continue
        if node.kind == "lugs" and tree.kept[child][1] == {"lugs"}:
            continue
        if node.kind == "breaker" and not tree.kept[child][1] - {"breaker", "load"}:
            plain.append(f"{node.item.rating.value:g}" if node.item.rating is not None else NOT_GIVEN)
            continue
        yield _mark(work, node, parent)
        yield from _storage(work, node)
        yield child, child
    if plain:
        yield Mark(f"{name}-loads", "loads", parent, (f"{len(plain)} load breaker{'s' if len(plain) > 1 else ''}: {', '.join(plain)} A",))


def _added(item) -> str:
    return " (added)" if getattr(item, "status", "") == "added" else ""


def _storage(work: Work, node) -> Iterator[Mark]:
    if node.kind != "source":
        return
    for item in work.standing("storage"):
        if item.inverter == node.id:
            yield Mark(item.id, "battery", node.id, (f"{item.id}{_added(item)}: storage {_given(item.energy, 'kWh')}",))
    if node.item.array:
        power = sum(one.dc_power.value for one in node.item.array if one.dc_power is not None)
        yield Mark(f"{node.id}-array", "array", node.id, (f"array {power / 1000:g} kW dc" if power else "array",))


def _mark(work: Work, node, parent: str) -> Mark:
    item, kind = node.item, node.kind
    added = _added(item)
    if kind == "panel":
        bonded = ", neutral bonded" if item.neutral_bonded else ""
        lines = (
            f"{node.id}{added}: bus {_given(item.bus)}, main {_given(item.main)}",
            f"{_fed(item)}, interrupts {_kilo(item.interrupting_rating)}{bonded}",
        )
        return Mark(node.id, "panel", parent, (*lines, *_optional(_wire(work, item.conductor))))
    if kind == "breaker":
        held = ", held down" if item.hold_down else ""
        held = (f", {item.poles.value:g} pole{'s' if item.poles.value != 1 else ''}" if item.poles is not None else "") + held
        return Mark(
            node.id,
            "breaker",
            parent,
            (f"{node.id}{added}: {_given(item.rating)}, {text(item.position) or 'position ' + NOT_GIVEN}{held}",),
        )
    if kind == "lugs":
        return Mark(node.id, "lugs", parent, ("feed-through lugs",))
    if kind == "disconnect":
        words = f"{node.id}{added}: {text(item.role)} disconnect {_given(item.rating)}, fuse {_given(item.fuse)}"
        bonded = ("neutral bonded",) if item.neutral_bonded else ()
        if distribution.amperes(item.fuse) is not None:
            bonded = (f"interrupts {_kilo(item.interrupting_rating)}", *bonded)
        elif item.short_circuit_rating is not None:
            bonded = (f"withstands {_kilo(item.short_circuit_rating)}", *bonded)
        return Mark(node.id, "disconnect", parent, (words, *_optional(_wire(work, item.conductor)), *bonded))
    if kind == "transfer":
        return Mark(
            node.id,
            "transfer",
            parent,
            (
                f"{node.id}{added}: transfer {_given(item.rating)}, neutral {text(item.neutral) or NOT_GIVEN}",
                *_optional(_wire(work, item.conductor)),
            ),
        )
    if kind == "feeder":
        return Mark(node.id, "feeder", parent, (f"{node.id}{added}: feeder conductors", *_optional(_wire(work, item.conductor))))
    if kind == "source":
        return _source_mark(work, node, parent, added)
    rating = _given(getattr(item, "rating", None)) if kind == "evse" else ""
    return Mark(
        node.id,
        "charger" if kind == "evse" else "loads",
        parent,
        (f"{node.id}{added}{': charger ' + rating if rating else ''}", *_optional(_wire(work, getattr(item, "conductor", None)))),
    )


def _source_mark(work: Work, node, parent: str, added: str) -> Mark:
    item = node.item
    count = f"{item.count.value:g} x " if item.count is not None and item.count.value != 1 else ""
    words = [f"{node.id}{added}: {item.kind} {count}{_given(item.output_current)}"]
    if item.maximum_overcurrent_device is not None:
        words.append(f"device at most {_given(item.maximum_overcurrent_device)}")
    if item.pass_through_current is not None:
        words.append(f"passes {_given(item.pass_through_current)}")
    if item.short_circuit_rating is not None:
        words.append(f"withstands {_kilo(item.short_circuit_rating)}")
    return Mark(node.id, SOURCES[item.kind], parent, (*words, *_optional(_wire(work, item.conductor))))


# bus strips


def _strip(work: Work, panel) -> Figure:
    """The bus of one panel: where it is fed, its breakers by position, what each rule sums."""
    bus, tree = work.buses.get(panel.id), work.tree
    device = work.results.get(f"bus_protection_a:{panel.id}")
    guard = f"protected by {device.value:g} A" if device is not None else f"its device {NOT_GIVEN}"
    feeding = {node.id for node in distribution.entries(tree, panel)}
    marks = [Mark(panel.id, "bus", "", (f"bus {_given(panel.bus)}", guard), text(panel.feed) or NOT_GIVEN)]
    rows: list[tuple[object, ...]] = []
    for breaker in distribution.breakers_standing(panel):
        place, rating = text(breaker.position) or NOT_GIVEN, _given(breaker.rating)
        carries = breaker.id in feeding
        marks.append(Mark(breaker.id, "source" if carries else "load", panel.id, (f"{breaker.id} {rating}",), place))
        rows.append((breaker.id, rating, place, "source current" if carries else "load"))
    for node in distribution.lugs_children(tree, panel):
        marks.append(
            Mark(f"{panel.id}:lugs", "source" if f"{panel.id}:lugs" in feeding else "load", panel.id, (f"lugs: {node.id}",), "lugs")
        )
        rows.append((f"{panel.id}:lugs", node.id, "lugs", "source current" if f"{panel.id}:lugs" in feeding else "load"))
    for check in work.checks:
        if (
            check.key in (f"bus-sum:{panel.id}", f"bus-120:{panel.id}", f"bus-centre:{panel.id}", f"bus-breakers:{panel.id}")
            and check.required is not None
        ):
            name = check.key.partition(":")[0].removeprefix("bus-")
            sign = "is at least" if check.margin is not None and check.margin >= -1e-9 else "is below"
            held = check.verdict is not Verdict.FAIL or text(panel.bus_rule) == name
            relied = (", relied on" if held else ", the nearest") if work.relied.get(panel.id) == name else ""
            if check.verdict is Verdict.FAIL and check.margin is not None and check.margin >= -1e-9:
                relied += f" ({check.note})"
            marks.append(
                Mark(
                    check.key,
                    "rule",
                    panel.id,
                    (f"{name}: {check.provided.value:,.1f} A {sign} {check.required.value:,.1f} A: {check.verdict}{relied}",),
                )
            )
    table = Table(("Breaker", "Rating", "Position", "Carries"), tuple(rows), f"Breakers on the bus of {panel.id}")
    chosen = next((check for check in work.checks if check.key == f"bus:{panel.id}"), None)
    verdict = str(chosen.verdict) if chosen is not None else "not tested"
    brought = f"sources bring {bus.current.value:,.1f} A at 125 %" if bus is not None else "no source beside its feed reaches it"
    if bus is None:
        marks.append(Mark(f"{panel.id}:none", "rule", panel.id, (brought,)))
    description = f"Bus of {panel.id}: {_given(panel.bus)}, {guard}, {_fed(panel)}; {brought}. Verdict: {verdict}."
    return Figure(f"bus-{panel.id}", "busstrip", f"Bus of {panel.id}", description, table, marks=tuple(marks))
