"""Neutral, grounding and bonding of circuits and of the service, as parts of the backfeed and tap sheet."""

from __future__ import annotations

from dataclasses import dataclass, replace

from workbook_lib.errors import CalculationFault, MissingInput
from workbook_lib.formula import next_standard
from workbook_lib.home import distribution
from workbook_lib.rules import circuits, conductor
from workbook_lib.sheet import Check, Input, Quantity, Result, Step, Verdict, compare, needs_input
from workbook_lib.workbooks.in_place import CONDUCTOR_QUESTION, DEVICE_QUESTION, service_protection
from workbook_lib.workbooks.prepare import text
from workbook_lib.workbooks.tie_work import Work, ampacity


@dataclass(frozen=True, slots=True)
class Circuit:
    """One set of conductors with what it carries: its continuous current and the device that protects it [A]."""

    id: str
    path: str
    item: object
    wire: object
    kind: str
    current: Quantity | None
    device: Input | None
    most: Input | None
    cite: str
    frac: str
    bound: Quantity | None = None

    @property
    def limit(self) -> Quantity | None:
        """What its conductors must be protected at [A]: the device ahead, or what bounds the utility and an inverter together."""
        return self.bound if self.bound is not None else self.device


def neutral(work: Work, circuit: Circuit, steps: list[Step]) -> None:
    """Check `neutral:CIRCUIT` where sources use one."""
    edition, name, wire = work.edition, circuit.id, circuit.wire
    below = distribution.sources_below(work.tree, name)
    carried = distribution.carrier(work.tree, name)
    if carried is not None:
        below = (carried, *below)
    if not below or circuit.kind == "charging":
        return
    uses = {text(one.neutral) for one in below}
    key, asked = f"neutral:{name}", f"is the neutral of {name} large enough for its use?"
    if "" in uses:
        fields = [f"source.{one.id}.neutral" for one in below if one.neutral is None]
        work.checks.append(needs_input(key, asked, fields, edition.cite("inverter_neutral")))
        return
    feeds = circuit.kind == "feeder"
    use = "loaded" if "loaded" in uses or feeds else "instrumentation" if "instrumentation" in uses else "none"
    if use == "instrumentation" and wire.neutral is None and _own_source(work, name):
        field = f"{circuit.path}.neutral"
        work.checks.append(needs_input(key, asked, [field], edition.cite("inverter_neutral")))
        return
    try:
        check = _neutral_of(work, circuit, use, steps)
    except MissingInput as lack:
        check = needs_input(key, asked, lack.fields, edition.cite("inverter_neutral"), note=str(lack))
    work.checks.append(check)


def _own_source(work: Work, name: str) -> bool:
    return work.tree.node(name).kind == "source"


def _neutral_of(work: Work, circuit: Circuit, use: str, steps: list[Step]) -> Check:
    edition, name, wire = work.edition, circuit.id, circuit.wire
    if use == "none":
        work.results[f"neutral_required:{name}"] = Result("none", None)
        return circuits.neutral_check(name, use, wire.neutral, None, None, None, None, edition)
    if wire.material is None:
        raise MissingInput([f"{circuit.path}.material"])
    if use == "instrumentation":
        if circuit.device is None:
            raise MissingInput(
                [f"{circuit.path.rsplit('.', 1)[0]}.connected_to"], "its overcurrent device sets the least neutral for sensing"
            )
        size = circuits.grounding_size(name, circuit.device, wire.material, edition)
        work.results[f"neutral_required:{name}"] = Result(size.value, None, size)
        if wire.neutral is None or wire.neutral.value == "none":
            return circuits.neutral_check(name, use, wire.neutral, None, None, None, None, edition)
        needed = conductor.conductor_area(f"circuit.{name}.neutral_least", size, edition)
        given = conductor.conductor_area(f"circuit.{name}.neutral_area", wire.neutral, edition)
        return circuits.neutral_check(name, use, wire.neutral, given, needed, None, None, edition)
    if circuit.device is None:
        raise MissingInput([f"{circuit.path.rsplit('.', 1)[0]}.connected_to"], "its overcurrent device sets what the neutral may carry")
    column = f"{wire.material.value.lower()}_{int(wire.terminals.value) if wire.terminals is not None else 75}"
    bound = circuit.limit
    work.results[f"neutral_required:{name}"] = Result(conductor.smallest_size(bound.value, column, edition), None)
    if wire.neutral is None or wire.neutral.value == "none":
        return circuits.neutral_check(name, use, wire.neutral, None, None, None, None, edition)
    carried = ampacity(work, circuit.path, wire, circuit.device, neutral=True)
    most = circuits.protection_limit(f"{name}.neutral", wire.neutral, wire.material, carried, edition)
    steps.append(carried)
    if carried.value < bound.value:
        steps.append(most)
    return circuits.neutral_check(name, use, wire.neutral, None, None, most if carried.value < bound.value else carried, bound, edition)


def grounding(work: Work, circuit: Circuit, steps: list[Step]) -> None:
    """Check `grounding:CIRCUIT`: by the device, enlarged with the conductors; ahead of the first device the bonding jumper."""
    edition, name, wire = work.edition, circuit.id, circuit.wire
    key, asked = f"grounding:{name}", f"is the equipment grounding conductor of {name} large enough?"
    if work.tree.node(name).kind == "disconnect" and distribution.protection(work.tree, name, own=False).device is None:
        _bonding(work, circuit, steps)
        return
    lacking = [f"{circuit.path}.{field}" for field in ("size", "material") if getattr(wire, field) is None]
    if circuit.device is None or lacking:
        work.checks.append(
            needs_input(key, asked, lacking or [f"{circuit.path.rsplit('.', 1)[0]}.connected_to"], edition.cite("equipment_ground"))
        )
        return
    base = circuits.grounding_size(name, circuit.device, wire.material, edition)
    try:
        enlarged = _enlarged(work, circuit)
    except MissingInput as lack:
        why = f"what it is enlarged by is not known: {lack}"
        work.checks.append(needs_input(key, asked, lack.fields, edition.cite("equipment_ground"), note=why))
        return
    needed = circuits.grounding_area(name, base, *enlarged, edition)
    size = circuits.smallest_of_area(needed.value, edition)
    work.results[f"grounding_conductor:{name}"] = Result(size, None, needed)
    steps.append(needed)
    if wire.grounding is None:
        work.checks.append(needs_input(key, asked, [f"{circuit.path}.grounding"], edition.cite("equipment_ground")))
    elif wire.grounding.value == "none":
        note = f"none is drawn; {conductor.size_words(size)} is wanted, unless the raceway itself is the grounding conductor"
        work.checks.append(
            Check(
                key,
                asked,
                Verdict.JUDGEMENT,
                source=edition.cite("equipment_ground"),
                note=note,
                closes="a conductor, or the listed raceway as grounding path",
                decides="the engineer",
            )
        )
    else:
        work.checks.append(circuits.grounding_check(name, wire.grounding, needed, edition))


def _enlarged(work: Work, circuit: Circuit) -> tuple[Step, Step]:
    """Area of the conductor in place and of the least that the circuit needs [cmil]: what the grounding conductor is enlarged by."""
    edition, wire, name = work.edition, circuit.wire, circuit.id
    in_place = conductor.conductor_area(f"circuit.{name}.area", wire.size, edition)
    wanted = circuit.device.value
    if circuit.current is not None and circuit.kind != "feeder":
        wanted = min(wanted, edition.value(circuit.frac).value * circuit.current.value)
    degc = conductor.terminal_degc(wire.terminals, circuit.device, edition)
    try:
        least = _least_size(work, circuit, wanted, degc)
    except CalculationFault:
        return in_place, in_place
    size = replace(
        wire.size,
        value=least,
        text="",
        origin="choice",
        note="",
        key=f"circuit.{name}.least_size",
        meaning="least conductor of the circuit, from the ampacity table",
    )
    area = conductor.conductor_area(f"circuit.{name}.least_area", size, edition)
    words = f"area of the least conductor that {name} needs, {conductor.size_words(least)}: its table and place carry {wanted:g} A"
    return in_place, replace(area, meaning=f"{words} and its device of {circuit.device.value:g} A may protect it", symbol="A_least")


def _least_size(work: Work, circuit: Circuit, wanted: float, degc: int) -> str:
    """Smallest size that the circuit needs: by its device, with the factors of the place where the edition counts them as no increase.

    Errors: CalculationFault where no size is enough, MissingInput where the factors of the place are not known.
    """
    edition, wire = work.edition, circuit.wire
    corrected = edition.value("equipment_ground_upsize").value == "not-for-correction"
    for size in edition.row_names("ampacity"):
        other = replace(wire.size, value=size, key="trial.size")
        try:
            table = edition.lookup("ampacity", size, f"{wire.material.value.lower()}_{degc}").value
            place = ampacity(work, circuit.path, replace_wire(wire, other), circuit.device).value if corrected else table
            small = circuits.small_limit(other, wire.material, edition)
        except CalculationFault:
            continue
        carried = min(table, place)
        protected = small.value if small is not None else next_standard(carried, edition.series("standard_ratings", "rating_a").value)
        if table >= wanted * (1 - 1e-9) and carried >= 0.8 * wanted * (1 - 1e-9) and protected >= circuit.device.value:
            return size
    raise CalculationFault("no size of the table is enough", value=f"{wanted:g} A", where="ampacity")


def replace_wire(wire, size: Input):
    """A conductor with another size."""
    return wire.model_copy(update={"size": size})


def _bonding(work: Work, circuit: Circuit, steps: list[Step]) -> None:
    """Supply-side bonding jumper and least neutral of conductors ahead of their first device."""
    edition, name, wire = work.edition, circuit.id, circuit.wire
    key, asked = f"grounding:{name}", f"is the supply-side bonding jumper or neutral of {name} large enough?"
    lacking = [f"{circuit.path}.{field}" for field in ("size", "material") if getattr(wire, field) is None]
    if lacking:
        work.checks.append(needs_input(key, asked, lacking, edition.cite("bonding_jumper")))
        return
    area = conductor.conductor_area(f"circuit.{name}.area", wire.size, edition)
    column = f"{wire.material.value.lower()}_to_{wire.material.value.lower()}"
    size = edition.bracket("supply_side_bonding_jumper", area.value, column)
    work.results[f"supply_side_bonding_jumper:{name}"] = Result(size.value, None, size)
    needed = conductor.conductor_area(f"circuit.{name}.jumper", size, edition)
    steps += [area, needed]
    given = wire.neutral if wire.neutral is not None and wire.neutral.value != "none" else wire.grounding
    if given is None or given.value == "none":
        work.checks.append(needs_input(key, asked, [f"{circuit.path}.neutral"], edition.cite("bonding_jumper")))
        return
    mine = conductor.conductor_area(f"circuit.{name}.neutral_area", given, edition)
    note = f"by {conductor.size_words(size.value)} for its ungrounded conductors"
    work.checks.append(compare(key, asked, mine, ">=", needed, edition.cite("bonding_jumper"), note=note))


def service(work: Work, steps: list[Step]) -> None:
    """Electrode conductor and bonding jumper of the service, its ampacity, and the check `service-conductor`."""
    wire, edition = work.site.service.conductor, work.edition
    asked = CONDUCTOR_QUESTION
    if wire is None or wire.size is None or wire.material is None:
        fields = (
            ["service.conductor"]
            if wire is None
            else [f"service.conductor.{name}" for name in ("size", "material") if getattr(wire, name) is None]
        )
        fields += ["service.rating"] if work.site.service.rating is None else []
        work.checks.append(needs_input("service-conductor", asked, fields, edition.cite("dwelling_83")))
        return
    sets = wire.sets.value if wire.sets is not None else 1
    one = conductor.conductor_area("service.conductor.area", wire.size, edition)
    area = one
    if sets != 1:
        area = Step(
            "service.conductor.total_area",
            "A_s",
            "area of the service conductors of one leg",
            "area * sets",
            {"area": one, "sets": wire.sets},
            one.value * sets,
            "cmil",
            one.source,
        )
    column = f"{wire.material.value.lower()}_to_cu"
    jumper = edition.bracket("supply_side_bonding_jumper", area.value, column)
    work.results["supply_side_bonding_jumper:service"] = Result(jumper.value, None, jumper)
    electrode = _electrode(work, area, column)
    work.results["grounding_electrode_conductor"] = Result(electrode.value, None, electrode)
    steps.append(area)

    def make() -> Check:
        protection, words = service_protection(work.home)
        carried = ampacity(work, "service.conductor", wire, work.site.service.rating)
        needed = conductor.required_ampacity(protection, edition, entire_load=True, carries_source=False)
        work.result("conductor_ampacity_a:service", carried)
        work.result("conductor_required_a:service", needed)
        steps.extend([carried, needed])
        question = DEVICE_QUESTION if words else asked
        return conductor.conductor_check("service-conductor", question, carried, needed, edition.cite("dwelling_83"), note=words)

    work.guarded("service-conductor", asked, make)


def _electrode(work: Work, area: Step, column: str) -> Input:
    """Copper grounding electrode conductor by the service conductors, less where every electrode is of a kind with a limit."""
    edition = work.edition
    size = edition.bracket("electrode_conductor", area.value, column)
    kinds = work.site.service.electrodes
    rows = edition.row_names("electrode_limit")
    if kinds and all(kind in rows for kind in kinds):
        limits = [edition.lookup("electrode_limit", kind, "cu") for kind in kinds]
        largest = max(limits, key=lambda one: edition.lookup("conductor_properties", one.value, "cmil").value)
        if (
            edition.lookup("conductor_properties", largest.value, "cmil").value
            < edition.lookup("conductor_properties", size.value, "cmil").value
        ):
            return largest
    return size
