"""Circuits of sources, chargers and feeders, grounding and raceways, as parts of the backfeed and tap sheet."""

from __future__ import annotations

from dataclasses import replace

from workbook_lib.errors import CalculationFault, Fault, InputFault, MissingInput
from workbook_lib.home import distribution
from workbook_lib.rules import charging, circuits, conductor
from workbook_lib.rules.source import at_125, pv_rounded
from workbook_lib.sheet import Check, Input, Quantity, Result, Section, Step, Table, Verdict, compare, needs_input
from workbook_lib.workbooks import tie_grounding, tie_raceways
from workbook_lib.workbooks.in_place import insulation_place
from workbook_lib.workbooks.prepare import text
from workbook_lib.workbooks.tie_grounding import Circuit
from workbook_lib.workbooks.tie_work import Work, ampacity, current_of, flow, raceway_of, wired


def all_circuits(work: Work) -> None:
    """Conductor, device, neutral and grounding of every circuit; electrode conductor; raceways."""
    _fit(work)
    steps: list[Step] = []
    rows: list[tuple[object, ...]] = []
    for name, path, item, wire in wired(work):
        if name == "service":
            continue
        try:
            circuit = _circuit(work, name, path, item, wire)
        except MissingInput as lack:
            work.checks.append(needs_input(f"conductor:{name}", _asked(name), lack.fields, note=str(lack)))
            continue
        _conductor(work, circuit, steps, rows)
        _overcurrent(work, circuit, steps)
        tie_grounding.neutral(work, circuit, steps)
        tie_grounding.grounding(work, circuit, steps)
    _without_conductors(work)
    tie_grounding.service(work, steps)
    if rows:
        columns = ("Circuit", "Source or charging current (A)", "Device (A)", "Conductor", "Ampacity (A)", "Set by", "Grounding")
        table = Table(columns, tuple(rows), "Circuits", 1)
        prose = (
            "A conductor carries 125 % of the continuous current before the factors of its place, the current itself with them, and is "
            "protected "
            "by its device. Its terminals cap it."
        )
        work.sections.append(Section("Circuits", tuple(steps), prose, table))
    tie_raceways.raceways(work)


def _without_conductors(work: Work) -> None:
    """Check `conductor:SOURCE` of each source that has no conductors in the file, neither its own nor any up to its breaker."""
    for source in work.standing("source"):
        names = [source.id]
        for name in work.tree.path_to_service(source.id)[1:]:
            if work.tree.node(name).kind not in ("disconnect", "transfer", "feeder"):
                break
            names.append(name)
        if all(getattr(work.tree.node(name).item, "conductor", None) is None for name in names):
            cite = work.edition.cite("source_circuit")
            work.checks.append(needs_input(f"conductor:{source.id}", _asked(source.id), [f"source.{source.id}.conductor"], cite))


def one_circuit(work: Work, name: str) -> None:
    """Conductor and device of one circuit alone, as checks of the work. Parameters: id of what has conductors of its own."""
    steps: list[Step] = []
    found = next((item, path, wire) for one, path, item, wire in wired(work) if one == name)
    file = (work.home.folder / work.home.file).as_posix() if getattr(work.home, "file", None) else ""
    if faults := list(_misfits(work, found[1], found[2], file)):
        raise InputFault(faults)
    try:
        circuit = _circuit(work, name, found[1], found[0], found[2])
    except MissingInput as lack:
        work.checks.append(needs_input(f"conductor:{name}", _asked(name), lack.fields, note=str(lack)))
        return
    _conductor(work, circuit, steps, [])
    _overcurrent(work, circuit, steps)


def _asked(name: str) -> str:
    return f"are the conductors of {name} large enough?"


def _fit(work: Work) -> None:
    """Every size, insulation and temperature that the tables lack, at once. Errors: InputFault."""
    faults = []
    file = (work.home.folder / work.home.file).as_posix() if getattr(work.home, "file", None) else ""
    for _, path, _, wire in wired(work):
        faults += list(_misfits(work, path, wire, file))
    if faults:
        raise InputFault(faults)


def _misfits(work: Work, path: str, wire, file: str):
    edition = work.edition
    for name in ("size", "neutral"):
        size = getattr(wire, name)
        if size is None or wire.material is None or size.value == "none":
            continue
        try:
            edition.lookup("ampacity", size.value, f"{wire.material.value.lower()}_75")
        except CalculationFault:
            sizes = ", ".join(row["size"] for row in edition.rows("ampacity") if row[f"{wire.material.value.lower()}_75"] is not None)
            what = f"no such size of {'copper' if wire.material.value == 'Cu' else 'aluminum'} in the ampacity table"
            yield Fault(file, f"{path}.{name}", what, str(size.value), sizes, "correct the size or the material")
    raceway = raceway_of(work, wire)
    if raceway is not None and raceway.ambient is not None and wire.insulation is not None and wire.material is not None:
        try:
            insulation_place(work.home, wire, path, edition)
        except CalculationFault as fault:
            yield Fault(
                file,
                f"raceway.{raceway.id}.ambient",
                "the ambient is beyond the table for this insulation",
                raceway.ambient.text or f"{raceway.ambient.value:g} degC",
                str(fault.limit or "the ambient table"),
                "correct the ambient, or name an insulation for it",
            )


def _circuit(work: Work, name: str, path: str, item, wire) -> Circuit:
    tree, node = work.tree, work.tree.node(name)
    guard = distribution.protection(tree, name, own=False)
    device = guard.device
    if node.kind == "disconnect" and device is None:
        device = distribution.device_of(node)
    if node.kind == "evse":
        if item.rating is None:
            raise MissingInput([f"evse.{name}.rating"])
        plugged = text(item.connection) == "receptacle"
        charger = charging.Charger(name, item.rating, item.voltage, item.setting, text(item.setting_access), portable=plugged)
        held = item.setting if charging.setting_counts(charger, work.edition)[0] else item.rating
        return Circuit(name, path, item, wire, "charging", held, device, None, "evse_device", "evse_device_frac")
    current = flow(work, name)
    most = item.maximum_overcurrent_device if node.kind == "source" else None
    kind = "source" if current is not None and _only_sources(work, name) else "feeder"
    cite = "source_circuit" if current is not None else "feeder"
    frac = "source_frac" if current is not None else "continuous_frac"
    return Circuit(name, path, item, wire, kind, current, device, most, cite, frac, _bound(work, node, device))


def _bound(work: Work, node, device: Input | None) -> Quantity | None:
    """What the utility and an inverter together can bring into conductors that the inverter feeds [A]; None for other conductors."""
    inverter = distribution.carrier(work.tree, node.id)
    if inverter is None or device is None:
        return None
    ends = distribution.first_panels(work.tree, [node.id])
    mains = [distribution.main_device(panel) for panel in ends]
    own = at_125(f"circuit.{node.id}.carrier_125", current_of(work, inverter), work.edition, f"output of {inverter.id} at 125 %")
    both = Step(
        f"circuit.{node.id}.both",
        "I_both",
        f"device ahead and output of {inverter.id}, that feed {node.id} together",
        "device + source",
        {"device": device, "source": own},
        device.value + own.value,
        "A",
        decimals=2,
    )
    if len(mains) == 1 and mains[0] is not None and mains[0].value <= both.value:
        return mains[0]
    return both


def _only_sources(work: Work, name: str) -> bool:
    """Whether nothing that takes power hangs below a circuit."""
    return not work.tree.kept[name][1] & {"load", "evse", "panel"}


def _conductor(work: Work, circuit: Circuit, steps: list[Step], rows: list) -> None:
    """Check `conductor:CIRCUIT`: the tightest of its lines."""
    _edition, name = work.edition, circuit.id
    try:
        carried = ampacity(work, circuit.path, circuit.wire, circuit.device)
        tests = _tests(work, circuit, carried, steps)
    except MissingInput as lack:
        work.checks.append(needs_input(f"conductor:{name}", _asked(name), lack.fields, note=str(lack)))
        return
    limit = _limited_by(work, circuit, carried)
    work.result(f"conductor_ampacity_a:{name}", carried)
    work.results[f"conductor_limit:{name}"] = Result(limit, None)
    steps.append(carried)
    if not tests:
        note = "no device and no source current: nothing to test it with"
        work.checks.append(Check(f"conductor:{name}", _asked(name), Verdict.NOT_APPLICABLE, note=note))
    else:
        failing = [one for one in tests if one.verdict is Verdict.FAIL] or tests
        worst = min(failing, key=lambda one: one.room)
        lines = [f"{one.note} {one.provided.value:,.1f} {one.relation} {one.required.value:,.1f} A" for one in tests if one is not worst]
        note = "; ".join([*([worst.note] if worst.note else []), *lines, f"ampacity set by {limit}"])
        work.checks.append(replace(worst, note=note))
    wire = circuit.wire
    carries = circuit.current.value if circuit.current is not None else "-"
    words = f"{conductor.size_words(wire.size.value)} {wire.material.value} {wire.insulation.value}"
    rows.append(
        (
            name,
            carries,
            circuit.device.value if circuit.device is not None else "none ahead",
            words,
            carried.value,
            limit,
            _grounding_words(wire),
        )
    )


def _grounding_words(wire) -> str:
    return text(wire.grounding) or "not given"


def _tests(work: Work, circuit: Circuit, carried: Step, steps: list[Step]) -> list[Check]:
    edition, name, _wire = work.edition, circuit.id, circuit.wire
    cite = edition.cite(circuit.cite)
    tests: list[Check] = []
    if circuit.current is not None:
        frac = edition.value(circuit.frac)
        needed = _rounded(work, circuit, circuits.required_before(name, circuit.current, frac, cite, before=True))
        whole = circuits.required_before(name, circuit.current, frac, cite, before=False)
        bare = _table_ampacity(work, circuit, carried)
        work.result(f"conductor_required_a:{name}", needed)
        steps += [needed, bare]
        tests.append(compare(f"conductor:{name}", _asked(name), bare, ">=", needed, cite, note="125 % before the factors of its place"))
        tests.append(
            compare(f"conductor:{name}", _asked(name), carried, ">=", whole, cite, note="its current with the factors of its place")
        )
    ahead_of_device = work.tree.node(name).kind == "disconnect" and distribution.protection(work.tree, name, own=False).device is None
    if circuit.device is not None and not ahead_of_device:
        tests.append(_protected(work, circuit, carried, steps))
    return tests


def _rounded(work: Work, circuit: Circuit, needed: Step) -> Step:
    """125 % of a PV current with its fraction below one half dropped, where the edition permits it; else as it is [A]."""
    below = distribution.sources_below(work.tree, circuit.id)
    if circuit.kind != "source" or any(one.kind != "pv-inverter" for one in below):
        return needed
    return pv_rounded(f"circuit.{circuit.id}.rounded", needed, work.edition)


def _table_ampacity(work: Work, circuit: Circuit, carried: Step) -> Step:
    """Ampacity in the column of the terminals without the factors of the place [A]."""
    cap, count = carried.uses["terminal_column"], carried.uses["sets"]
    return Step(
        f"circuit.{circuit.id}.table_ampacity",
        "I_t",
        f"ampacity of the conductors of {circuit.id} by their terminals",
        "terminal_column * sets",
        {"terminal_column": cap, "sets": count},
        cap.value * count.value,
        "A",
        work.edition.cite("terminals"),
        decimals=1,
    )


def _protected(work: Work, circuit: Circuit, carried: Step, steps: list[Step]) -> Check:
    """Whether its device protects a conductor; a feeder for the entire dwelling has the 83 %."""
    edition, name, item = work.edition, circuit.id, circuit.item
    if getattr(item, "entire_dwelling_load", None):
        needed = conductor.required_ampacity(
            circuit.device, edition, entire_load=True, carries_source=circuit.current is not None, name=f"circuit.{name}"
        )
        work.result(f"conductor_required_a:{name}", needed)
        steps.append(needed)
        return compare(f"conductor:{name}", _asked(name), carried, ">=", needed, edition.cite("dwelling_83"), note=needed.note)
    most = circuits.protection_limit(name, circuit.wire.size, circuit.wire.material, carried, edition)
    work.result(f"overcurrent_max_a:{name}", most)
    steps.append(most)
    if f"conductor_required_a:{name}" not in work.results:
        work.result(f"conductor_required_a:{name}", circuit.device)
    return compare(
        f"conductor:{name}",
        f"does its device protect the conductors of {name}?",
        circuit.limit,
        "<=",
        most,
        most.source,
        note="protection by its device" if circuit.bound is None else "the utility and the inverter feed it together: what bounds both",
    )


def _limited_by(work: Work, circuit: Circuit, carried: Step) -> str:
    """What sets the ampacity in place: terminals, or the factors of the place."""
    uses = carried.uses
    in_place = uses["table"].value * uses["ambient_factor"].value * uses["adjustment"].value
    if uses["terminal_column"].value <= in_place:
        return "terminals"
    names = [word for name, word in (("ambient_factor", "ambient"), ("adjustment", "bundling")) if uses[name].value < 1]
    return " and ".join(names) or "insulation"


def _overcurrent(work: Work, circuit: Circuit, steps: list[Step]) -> None:
    """Check `overcurrent:CIRCUIT` for a source or a charger: at least 125 %, and within the data sheet."""
    if circuit.current is None or circuit.kind == "feeder":
        return
    edition, name = work.edition, circuit.id
    key, asked = f"overcurrent:{name}", f"does the overcurrent device of {name} carry 125 % of its current?"
    cite = edition.cite("source_overcurrent" if circuit.kind == "source" else "evse_device")
    frac = edition.value(circuit.frac)
    needed = _rounded(work, circuit, circuits.required_before(name, circuit.current, frac, cite, before=True))
    size = circuits.overcurrent_required(name, needed, edition, cite)
    work.result(f"overcurrent_a:{name}", size)
    if circuit.most is not None:
        work.result(f"overcurrent_max_a:{name}", circuit.most)
    steps.append(size)
    if circuit.device is None:
        note = "no overcurrent device of this circuit is given"
        work.checks.append(needs_input(key, asked, [f"{circuit.path.rsplit('.', 1)[0]}.connected_to"], cite, note=note))
        return
    work.checks.append(circuits.overcurrent_check(name, circuit.device, needed, circuit.most, cite, edition.cite("instructions")))
