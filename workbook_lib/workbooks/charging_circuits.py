"""Circuits of the chargers: device, conductor, who shares, whose adjusted rating counts, receptacle and disconnect."""

from __future__ import annotations

from dataclasses import replace

from workbook_lib.errors import CalculationFault, MissingInput
from workbook_lib.home import distribution
from workbook_lib.rules import charging, circuits, sharing
from workbook_lib.sheet import Assumption, Check, Quantity, Result, Section, Step, Table, Verdict, compare, needs_input, worst
from workbook_lib.workbooks import tie_circuits, tie_work
from workbook_lib.workbooks.charging_work import Work, circuit_limit
from workbook_lib.workbooks.prepare import charger_limit, may_hold, text

SETTING = "may the adjusted setting of the charger stand for its nameplate?"
LEG_V = 150.0
RECEPTACLES_A = (30.0, 50.0, 60.0)
"""Ratings of receptacles that charging equipment plugs into at 240 V [A], up to the edition's largest. Source: 625.44."""


def all_circuits(work: Work) -> None:
    """Every charger's circuit, every circuit that several share."""
    steps: list[Step] = []
    rows: list[tuple[object, ...]] = []
    for one in work.chargers:
        _setting(work, one)
        try:
            _circuit(work, one, steps, rows)
        except MissingInput as lack:
            work.checks.append(needs_input(f"evse-circuit:{one.id}", _asked(one.id), lack.fields, note=str(lack)))
            work.not_checked.append(f"circuit_overcurrent_a:{one.id}: {lack}")
        _alone(work, one)
        _receptacle(work, one)
        _disconnect(work, one)
    for breaker in dict.fromkeys(work.circuit(one) for one in work.chargers):
        _shared(work, breaker, steps)
    if rows:
        columns = ("Charger", "Current that counts (A)", "Device ahead (A)", "Least device (A)", "Connection")
        prose = "Charging is a continuous load: the device and the conductor carry 125 % of it. The inverse is the device over 1.25."
        work.sections.append(Section("Circuits", tuple(steps), prose, Table(columns, tuple(rows), "Charging circuits", 1)))


def _asked(name: str) -> str:
    return f"do the device and the conductor of {name} carry 125 % of its current?"


def counted_current(work: Work, one) -> Quantity:
    """Current of a charger that counts for its circuit: nameplate, or its adjusted setting where that may stand for it [A]."""
    charger = _charger(work, one)
    return charger.setting if charging.setting_counts(charger, work.edition)[0] else charger.rating


def _charger(work: Work, one) -> charging.Charger:
    if one.rating is None:
        raise MissingInput([f"evse.{one.id}.rating"])
    portable = text(one.connection) == "receptacle"
    return charging.Charger(one.id, one.rating, one.voltage, one.setting, text(one.setting_access), portable=portable)


def _circuit(work: Work, one, steps: list[Step], rows: list) -> None:
    """Results `circuit_overcurrent_a:EVSE` and check `evse-circuit:EVSE` of its device and its conductor."""
    edition, cite = work.edition, work.edition.cite("evse_device")
    current = counted_current(work, one)
    needed = circuits.required_before(one.id, current, edition.value("evse_device_frac"), cite, before=True)
    size = circuits.overcurrent_required(one.id, needed, edition, cite)
    work.result(f"circuit_overcurrent_a:{one.id}", size)
    steps.append(size)
    breaker = work.tree.breaker_of(one.id)
    device = _least_device(work, one) if breaker is not None or work.tree.node(one.connected_to).kind == "disconnect" else None
    known = device.value if device is not None else "not given"
    rows.append((one.id, current.value, known, size.value, text(one.connection) or "not stated"))
    if device is None:
        field = f"evse.{one.id}.connected_to" if breaker is None else f"panel.{_panel(work, one)}.breakers.{breaker.id}.rating"
        raise MissingInput([field], "the device of its circuit is not given")
    check = compare(f"evse-circuit:{one.id}", _asked(one.id), device, ">=", needed, cite, note=f"its device; {current.meaning}")
    work.checks.append(_with_conductor(work, one, check))


def _least_device(work: Work, one):
    """The smallest overcurrent device between a charger and the service [A]; the nearest where they are alike. Errors: MissingInput."""
    devices, name = [], one.id
    while True:
        found = distribution.protection(work.tree, name, own=False)
        if found.device is not None:
            devices.append(found.device)
        if found.device is None or work.tree.parent(found.by) is None:
            return min(devices, key=lambda device: device.value, default=None)
        name = found.by


def _panel(work: Work, one) -> str:
    panel = work.tree.panel_of(one.id)
    return panel.id if panel is not None else "main"


def _with_conductor(work: Work, one, device: Check) -> Check:
    """The check of the device, or that of the conductor where that is worse or has less room."""
    if one.conductor is None:
        if device.verdict is Verdict.FAIL:
            work.not_checked.append(f"conductor of {one.id}: not given")
            return device
        if one.status != "added":
            work.not_checked.append(f"conductor of {one.id}, which stands already: not given")
            return device
        return needs_input(
            device.key, device.question, [f"evse.{one.id}.conductor"], note="its device carries it; its conductor is not given"
        )
    part = tie_work.Work(work.home, work.edition)
    tie_circuits.one_circuit(part, one.id)
    found = next(check for check in part.checks if check.key == f"conductor:{one.id}")
    words = f"{device.note}: {device.provided.value:g} A of {device.required.value:g} A"
    if worst((device.verdict, found.verdict)) is device.verdict and device.verdict is not found.verdict:
        return device
    if found.verdict is device.verdict and found.room is not None and found.room >= device.room:
        return replace(device, note=f"{device.note}; conductor: {found.note}")
    return replace(found, key=device.key, question=device.question, note=f"{found.note}; {words}")


def _setting(work: Work, one) -> None:
    """Check `evse-setting:EVSE`. Source: 625.42."""
    key, cite = f"evse-setting:{one.id}", work.edition.cite("evse_setting")
    if one.setting is None:
        work.checks.append(Check(key, SETTING, Verdict.NOT_APPLICABLE, source=cite, note=_no_setting(work, one)))
        return
    try:
        counts, why = charging.setting_counts(_charger(work, one), work.edition)
    except MissingInput as lack:
        work.checks.append(needs_input(key, SETTING, lack.fields, cite))
        return
    if not counts:
        sides = (one.setting, "<=", one.rating)
        note = f"{one.setting.text} does not count: {why}"
        work.checks.append(Check(key, SETTING, Verdict.FAIL, *sides, cite, note, counts=False))
        return
    if one.relabelled is not None and not one.relabelled.value:
        closes = "the adjusted rating on the rating label of the charger"
        note = "access is restricted, and its label still shows another rating"
        work.checks.append(Check(key, SETTING, Verdict.FAIL, source=cite, note=note, closes=closes, decides="the installer"))
        return
    if one.relabelled is None:
        words = f"{why}; whether its label shows it is not stated (evse.relabelled)"
        work.checks.append(needs_input(key, SETTING, [f"evse.{one.id}.relabelled"], cite, note=words))
        return
    work.checks.append(compare(key, SETTING, one.setting, "<=", one.rating, cite, note=why))


def _no_setting(work: Work, one) -> str:
    """Why no adjusted setting is tested, in words."""
    own = charger_limit(work.home, one)
    if own is not None and may_hold(own[0]):
        return f"no adjusted setting is given; {own[0].id} holds it, see control-setting:{own[0].id}"
    return "no adjusted setting is given: the nameplate counts"


def _alone(work: Work, one) -> None:
    """Check `evse-own-circuit:EVSE`: above the limits of the edition a charger has a circuit of its own. Source: 625.40."""
    edition = work.edition
    key, asked = f"evse-own-circuit:{one.id}", f"has {one.id} a circuit of its own?"
    cite, most_a, most_v = (
        edition.cite("evse_circuit"),
        edition.value("evse_own_circuit_above_a"),
        edition.value("evse_own_circuit_above_v"),
    )
    if one.voltage is None or (one.rating is None and one.voltage.value <= most_v.value):
        work.not_checked.append(f"{key}: rating or voltage of {one.id} is not given")
        return
    if one.voltage.value <= most_v.value and one.rating.value <= most_a.value:
        note = f"up to {most_a.value:g} A and {most_v.value:g} V it may share"
        work.checks.append(Check(key, asked, Verdict.NOT_APPLICABLE, source=cite, note=note))
        return
    circuit = work.circuit(one)
    below = set(work.tree.below(circuit)) if circuit in work.tree and work.tree.node(circuit).kind == "breaker" else set()
    beside = [load.id for load in work.standing("load") if load.id in below]
    if beside:
        note = f"{', '.join(beside)} hangs on {circuit} too"
        work.checks.append(Check(key, asked, Verdict.FAIL, source=cite, note=note, closes="a circuit of its own", decides="the engineer"))
        return
    others = [other for other in work.on_breaker(circuit) if other is not one]
    names = ", ".join(other.id for other in others)
    held = circuit_limit(work.home, circuit, {one.id, *(other.id for other in others)})
    alone = all(
        (own := charger_limit(work.home, each)) is not None and own[1].at == each.id and may_hold(own[0]) for each in (one, *others)
    )
    if others and not alone and (held is None or not may_hold(held[0])):
        note = f"shared with {names}, and no listed control with restricted access holds them"
        closes = "a circuit for each, or a control of the circuit"
        work.checks.append(Check(key, asked, Verdict.FAIL, source=cite, note=note, closes=closes, decides="the engineer"))
        return
    note = f"shared with {names} under a control: see shared-circuit:{circuit}" if others else "nothing else hangs on it"
    work.checks.append(Check(key, asked, Verdict.PASS, source=cite, note=note))


def _receptacle(work: Work, one) -> None:
    """Check `evse-receptacle:EVSE` of a charger that is plugged in. Source: 625.44, 210.21(B)."""
    key, asked = f"evse-receptacle:{one.id}", f"does the receptacle carry {one.id}, and is it of a rating that charging equipment takes?"
    cite, frac = work.edition.cite("evse_receptacle"), work.edition.value("evse_device_frac")
    if one.connection is None and one.receptacle is not None:
        why = f"a receptacle of {one.receptacle.value:g} A is given: whether the charger is plugged into it is not stated"
        work.checks.append(needs_input(key, asked, [f"evse.{one.id}.connection"], cite, note=why))
        return
    if text(one.connection) != "receptacle":
        note = "hard-wired" if one.connection is not None else "the connection is not stated; hard-wired is taken"
        if one.connection is None:
            work.assumptions.append(Assumption("evse.connection", f"{one.id}: not stated, taken as hard-wired"))
        work.checks.append(Check(key, asked, Verdict.NOT_APPLICABLE, source=cite, note=note))
        return
    lacking = [f"evse.{one.id}.{name}" for name in ("receptacle", "rating") if getattr(one, name) is None]
    if lacking:
        work.checks.append(needs_input(key, asked, lacking, cite))
        return
    needed = circuits.required_before(f"{one.id}.receptacle", counted_current(work, one), frac, cite, before=True)
    check = compare(
        key, asked, one.receptacle, ">=", needed, cite, note="a receptacle for charging has ground-fault protection (common practice)"
    )
    most = work.edition.value("evse_receptacle_most_a")
    breaker = work.tree.breaker_of(one.id)
    if check.verdict is Verdict.PASS and one.receptacle.value > most.value:
        check = compare(key, asked, one.receptacle, "<=", most, cite, note="the largest that the edition takes")
    elif check.verdict is Verdict.PASS and breaker is not None and breaker.rating is not None:
        beside = compare(
            key, asked, one.receptacle, ">=", breaker.rating, cite, note="a single receptacle has at least the rating of its circuit"
        )
        check = beside if beside.verdict is Verdict.FAIL else check
    listed = one.voltage is None or one.voltage.value > LEG_V
    if check.verdict is Verdict.PASS and listed and one.receptacle.value not in RECEPTACLES_A:
        sizes = ", ".join(f"{size:g}" for size in RECEPTACLES_A if size <= most.value)
        check = replace(check, verdict=Verdict.FAIL, note=f"receptacles for charging are of {sizes} A")
    work.checks.append(check)


def _disconnect(work: Work, one) -> None:
    """Check `evse-disconnect:EVSE`. Source: 625.43."""
    edition = work.edition
    key, asked = f"evse-disconnect:{one.id}", f"has {one.id} a disconnecting means that can be locked open?"
    cite = edition.cite("evse_disconnect")
    if text(one.connection) == "receptacle":
        note = "its plug parts it from the supply (common practice)"
        work.checks.append(Check(key, asked, Verdict.NOT_APPLICABLE, source=cite, note=note))
        return
    if one.rating is None:
        work.checks.append(needs_input(key, asked, [f"evse.{one.id}.rating"], cite))
        return
    if edition.value("evse_disconnect").value == "above-limits":
        most = edition.value("evse_disconnect_above_a")
        if one.rating.value <= most.value:
            note = f"asked above {most.value:g} A or {edition.value('evse_disconnect_above_v').value:g} V to ground"
            work.checks.append(Check(key, asked, Verdict.NOT_APPLICABLE, source=cite, note=note))
            return
    ahead = _ahead(work, one)
    found = [
        off for off in work.standing("disconnect") if off.id in ahead and (off.in_sight_of in (None, one.id) or off.id == one.connected_to)
    ]
    found += [off for off in work.standing("disconnect") if off.in_sight_of == one.id and off.connected_to in ahead and off not in found]
    if any(off.lockable is not None and off.lockable.value for off in found):
        work.checks.append(Check(key, asked, Verdict.PASS, source=cite, note=f"{', '.join(off.id for off in found)}, lockable open"))
        return
    unsaid = [f"disconnect.{off.id}.lockable" for off in found if off.lockable is None]
    if unsaid:
        work.checks.append(needs_input(key, asked, unsaid, cite))
        return
    if found and all(off.lockable is not None for off in found):
        note = f"{', '.join(off.id for off in found)} cannot be locked open"
        work.checks.append(
            Check(key, asked, Verdict.FAIL, source=cite, note=note, closes="a switch that can be locked", decides="the engineer")
        )
        return
    stated = one.connection is not None or one.rating.value > work.edition.value("evse_receptacle_most_a").value
    note = "the edition asks for one, and none is drawn for it: a switch in sight, or a breaker that can be locked open"
    closes = f"a [[disconnect]] with in_sight_of {one.id} and lockable, or evse.{one.id}.connection where it is plugged in"
    fields = ("disconnect", f"evse.{one.id}.connection")
    verdict = Verdict.NEEDS_INPUT if stated else Verdict.JUDGEMENT
    check = Check(key, asked, verdict, source=cite, note=note, closes=closes, decides="the engineer", fields=fields, counts=stated)
    work.checks.append(check)


# circuits that several share


def _shared(work: Work, breaker: str, steps: list[Step]) -> None:
    """Results `largest_evse_a:BREAKER`, `share_a:BREAKER:ACTIVE` and check `shared-circuit:BREAKER`."""
    key, asked = f"shared-circuit:{breaker}", f"is all charging on {breaker} within what the circuit carries for hours?"
    ones = work.on_breaker(breaker)
    device = _device(work, breaker)
    if device is None:
        work.not_checked.append(f"largest_evse_a:{breaker}: the device is not given")
        if len(ones) > 1:
            field = f"panel.{_panel(work, ones[0])}.breakers.{breaker}.rating"
            work.checks.append(needs_input(key, asked, [field], note="the device of the circuit is not given"))
        return
    limit = sharing.continuous_limit(breaker, device, work.edition)
    work.result(f"largest_evse_a:{breaker}", limit)
    steps.append(limit)
    if len(ones) < 2:
        return
    lacking = [f"evse.{one.id}.rating" for one in ones if one.rating is None]
    if lacking:
        work.checks.append(needs_input(key, asked, lacking))
        return
    found = circuit_limit(work.home, breaker, {one.id for one in ones})
    if found is None or not may_hold(found[0]):
        keys = ", ".join(f"share_a:{breaker}:{count}" for count in range(1, len(ones) + 1))
        work.not_checked.append(f"{keys}: no listed control with restricted access shares the circuit")
    ratings = [_under_control(work, one) for one in ones]
    together = Step(
        f"circuit.{breaker}.together", "I_sum", f"ratings of the chargers on {breaker}", "sum(ratings)", {"ratings": tuple(ratings)},
        sum(one.value for one in ratings), "A", decimals=1,
    )  # fmt: skip
    steps.append(together)
    if found is None or not may_hold(found[0]):
        note = "" if found is None else f"; {found[0].id} is not listed, or its setting is the user's: no credit"
        check = sharing.shared_check(breaker, together, limit, work.edition, managed=False)
        work.checks.append(replace(check, note=check.note + note))
        return
    row, bound = found
    if bound.setting is None:
        work.checks.append(needs_input(key, asked, [f"control.{row.id}.limit.setting"]))
        return
    held = Step(
        f"circuit.{breaker}.held", "I_held", f"what {row.id} lets the chargers on {breaker} have together", "min(setting, together)",
        {"setting": bound.setting, "together": together}, min(bound.setting.value, together.value), "A", decimals=1,
    )  # fmt: skip
    work.checks.append(sharing.shared_check(breaker, held, limit, work.edition, managed=True))
    room = limit if bound.setting.value >= limit.value else _least(breaker, limit, bound.setting)
    _shares(work, breaker, row, room, [one.id for one in ones], steps)
    steps.append(held)
    _fallbacks(work, breaker, ones, limit)


def _under_control(work: Work, one) -> Quantity:
    """Current of a charger on a shared circuit [A]: what counts for it, or the setting of a control at the charger itself."""
    own = charger_limit(work.home, one)
    counted = counted_current(work, one)
    if own is None or own[1].at != one.id or not may_hold(own[0]) or own[1].setting is None:
        return counted
    return own[1].setting if own[1].setting.value < counted.value else counted


def _fallbacks(work: Work, breaker: str, ones, limit: Step) -> None:
    """Check `shared-fallback:BREAKER`: what the chargers of a circuit fall back to is within what it carries for hours."""
    key, asked = f"shared-fallback:{breaker}", f"does {breaker} carry what its chargers fall back to when their control is lost?"
    lacking = [f"evse.{one.id}.fallback_current" for one in ones if one.fallback_current is None]
    cite = work.edition.cite("evse_managed")
    if lacking:
        work.checks.append(needs_input(key, asked, lacking, cite))
        return
    parts = tuple(one.fallback_current for one in ones)
    meaning = f"fallbacks of the chargers on {breaker}"
    total = Step(
        f"circuit.{breaker}.fallback",
        "I_fb",
        meaning,
        "sum(fallback)",
        {"fallback": parts},
        sum(one.value for one in parts),
        "A",
        decimals=1,
    )
    work.checks.append(compare(key, asked, total, "<=", limit, cite))


def _ahead(work: Work, one) -> set[str]:
    """Ids of all that stands between a charger and the service."""
    names, place = set(), work.tree.parent(one.id)
    while place is not None:
        names.add(place.id)
        place = work.tree.parent(place.id)
    return names - {"service"}


def _least(breaker: str, limit: Step, setting) -> Step:
    uses = {"limit": limit, "setting": setting}
    value = min(limit.value, setting.value)
    meaning = f"what the chargers on {breaker} share"
    return Step(f"circuit.{breaker}.room", "I_room", meaning, "min(limit, setting)", uses, value, "A", decimals=2)


def _device(work: Work, breaker: str):
    node = work.tree.node(breaker) if breaker in work.tree else None
    return getattr(node.item, "rating", None) if node is not None and node.kind == "breaker" else None


def _shares(work: Work, breaker: str, row, room: Step, names: list[str], steps: list[Step]) -> None:
    """What each of 1, 2, 3 ... active chargers gets, by the way in which they share, in the order in which the control names them."""
    way = text(row.sharing) or "equal"
    named = [text(name) for name in row.controls if text(name) in names]
    names = [*named, *(name for name in names if name not in named)]
    ratings = [_under_control(work, next(one for one in work.chargers if one.id == name)) for name in names]
    table: list[tuple[object, ...]] = []
    for count in range(1, len(ratings) + 1):
        given = sharing.split(room.value, [one.value for one in ratings[:count]], way)
        table.append((count, *(round(value, 2) for value in given), *("-" for _ in range(len(ratings) - count))))
        try:
            share = sharing.equal_share(breaker, room, ratings[:count], work.edition)
        except CalculationFault as fault:
            work.not_checked.append(f"share_a:{breaker}:{count}: {fault}")
            continue
        if way == "equal":
            work.result(f"share_a:{breaker}:{count}", share)
            steps.append(share)
        else:
            meaning = f"least current of {count} active on {breaker}, {way}"
            work.results[f"share_a:{breaker}:{count}"] = Result(min(given), "A", None)
            work.notes.append(f"share_a:{breaker}:{count} is the {meaning}; 0 A is a pause")
    words = {
        "equal": "Each active charger gets the same; what a smaller one cannot take goes to the others.",
        "priority": "Chargers are filled in the order in which the control names them; one that would get less than 6 A pauses.",
        "first-come": "Chargers are filled in the order of arrival, shown in the order of the control; less than 6 A is a pause.",
    }
    columns = ("Active", *(f"{name} (A)" for name in names))
    work.sections.append(Section(f"Sharing on {breaker}", (), words[way], Table(columns, tuple(table), f"Shares on {breaker}", 1)))
