"""From a validated home to the loads of a calculation: items, scopes, chargers, controls.

Everything that a load method needs and the site file lacks is collected here and reported together
as `MissingInput`, so that the sheet can name every field at once.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from workbook_lib.editions import Edition
from workbook_lib.errors import MissingInput
from workbook_lib.rules import charging
from workbook_lib.rules.loads import LoadItem, load_current_va, motor_current
from workbook_lib.sheet import Input, Quantity, Step
from workbook_lib.workbooks.methods import Scope

LEG_VOLTAGE_LIMIT = 150.0
"""Stated voltages [V] up to this are taken as one leg to neutral, above as leg to leg."""

NEUTRAL_IF_UNKNOWN = ("dishwasher", "disposer", "microwave", "fastened", "motor", "hvac-fan", "room-air-conditioner")
"""Kinds taken to use the neutral where neither voltage nor breaker says: they often run at 120 V (common practice)."""

AFTER, BEFORE = ("existing", "added"), ("existing", "removed")
"""Statuses that stand in the load with this work and before it."""


@dataclass(frozen=True, slots=True)
class Prepared:
    """Loads of a home under one edition: items of every status, and the fields that were missing.

    `unready`: id, status and missing fields of each thing that gave no item.
    """

    items: tuple[LoadItem, ...]
    missing: tuple[str, ...]
    reasons: tuple[str, ...]
    chargers: Mapping[str, charging.Charger]
    unready: tuple[tuple[str, str, tuple[str, ...]], ...] = ()

    def standing(self, statuses: Iterable[str] = AFTER) -> tuple[LoadItem, ...]:
        """Items whose status is one of these. Returns: items [VA]."""
        return tuple(item for item in self.items if item.status in statuses)


def root_panels(home) -> tuple:
    """Panels that stand at the service after this work. Returns: panels, removed ones left out."""
    return tuple(panel for panel in home.tree.root_panels() if panel.status != "removed")


def nominal_voltage(edition: Edition) -> Input:
    """Nominal voltage between the legs [V]. Source: 220.5(A) (2026: 120.5(A))."""
    return edition.value("nominal_voltage_v")


def prepare(home, edition: Edition) -> Prepared:
    """Every load, charger and charging storage of the home as a `LoadItem`.

    Parameters: home (validated), edition with local changes. Returns: Prepared [VA]. Source: contract
    of the site file for what each field means.
    """
    items: list[LoadItem] = []
    missing: list[str] = []
    reasons: list[str] = []
    chargers: dict[str, charging.Charger] = {}
    unready: list[tuple[str, str, tuple[str, ...]]] = []

    def note(thing, lack: MissingInput) -> None:
        missing.extend(lack.fields)
        reasons.extend([lack.reason] if lack.reason else [])
        unready.append((thing.id, thing.status, lack.fields))

    for load in home.site.load:
        if load.kind == "plug":
            continue
        try:
            items.append(_load_item(home, load, edition))
        except MissingInput as lack:
            note(load, lack)
    for evse in home.site.evse:
        try:
            if evse.rating is None:
                items.append(_unknown_charger(home, evse, edition))
                continue
            charger = _charger(home, evse)
            chargers[evse.id] = charger
            items.append(charger_item(home, evse, charger, edition))
        except MissingInput as lack:
            note(evse, lack)
    for source in home.site.source:
        try:
            item = _storage_item(home, source, edition)
        except MissingInput as lack:
            note(source, lack)
            continue
        if item is not None:
            items.append(item)
    return Prepared(tuple(items), tuple(missing), tuple(reasons), chargers, tuple(unready))


def _times(key: str, label: str, one: Quantity, count: Input) -> Quantity:
    if count.value == 1:
        return one
    return Step(key, "S", f"{label}: {count.value:g} alike", "one * count", {"one": one, "count": count}, one.value * count.value, "VA")


def _load_item(home, load, edition: Edition) -> LoadItem:
    label = load.id.replace("-", " ")
    one, motors = _one_unit(load, label, edition)
    panel = home.tree.panel_of(load.id)
    leg = leg_of(home, load)
    season = load.runs_in.value if load.runs_in is not None else ""
    return LoadItem(
        id=load.id,
        kind=load.kind,
        label=label,
        va=_times(f"load.{load.id}.all", label, one, load.count),
        unit_va=one,
        count=int(load.count.value),
        status=load.status,
        panel=panel.id if panel else "",
        circuit=load.connected_to,
        voltage_v=load.voltage.value if load.voltage is not None else nominal_voltage(edition).value,
        voltage=load.voltage,
        leg=leg,
        neutral=bool(load.neutral) if load.neutral is not None else load.kind in NEUTRAL_IF_UNKNOWN,
        continuous=bool(load.continuous),
        season=season,
        exclusive=load.one_at_a_time or "",
        motors=motors,
        floor_exempt=load.motor_power is not None and load.motor_power.value >= edition.value("fastened_floor_hp").value,
    )


def _one_unit(load, label: str, edition: Edition) -> tuple[Quantity, tuple[Quantity, ...]]:
    """Connected load [VA] of one unit, and of each of its motors where they are listed."""
    path = f"load.{load.id}"
    if load.currents and load.voltage is None:
        raise MissingInput([f"{path}.voltage"])
    if load.currents:
        by_current = load_current_va(f"{path}.va", label, load.currents, load.voltage)
        motors: tuple[Quantity, ...] = ()
        if len(load.currents) > 1:
            motors = tuple(
                load_current_va(f"{path}.motor_{index + 1}", f"{label}, motor {index + 1}", [current], load.voltage)
                for index, current in enumerate(load.currents)
            )
        return by_current, motors
    if load.rating is not None:
        return load.rating, ()
    if load.motor_power is not None:
        if load.voltage is None:
            raise MissingInput([f"{path}.voltage"])
        current = motor_current(load.motor_power, load.voltage, edition)
        step = load_current_va(f"{path}.va", label, [current], load.voltage, (load.motor_power,))
        return step, (step,)
    raise MissingInput([f"{path}.rating"])


def leg_of(home, load) -> str:
    """Leg of a load as it is given, else that of its breaker; empty where neither says."""
    if load.leg is not None:
        return load.leg.value
    breaker = home.tree.breaker_of(load.id)
    return breaker.leg.value if breaker is not None and breaker.leg is not None else ""


def text(value: object) -> str:
    """The text of a site-file scalar that may carry provenance; empty where absent."""
    if value is None:
        return ""
    return str(value.value if isinstance(value, Input) else value)


UNLISTED = ("none", "no", "unlisted", "not listed", "-", "n/a")
"""Words that name no standard."""


def listing(device) -> tuple[str, ...]:
    """Standards that a control is listed to. Returns: texts."""
    return tuple(name for item in device.listed_to or () if (name := text(item)).casefold() not in UNLISTED)


def may_hold(device) -> bool:
    """Whether a control is listed and its settings are behind restricted access."""
    return bool(listing(device)) and text(device.access) == "restricted"


def standing_controls(home) -> tuple:
    """Controls that stand after this work. Returns: controls, removed ones left out."""
    return tuple(device for device in home.site.control if device.status != "removed")


def held_at(home, thing, ways: tuple[str, ...] = ("import",)) -> tuple[object, object] | None:
    """The control and limit that hold one thing, at itself or at what it is connected to; None if there is none."""
    for device in standing_controls(home):
        if thing.id not in {text(name) for name in device.controls}:
            continue
        for limit in device.limit:
            own = limit.at == thing.id or (limit.at == thing.connected_to and home.tree.node(limit.at).kind == "breaker")
            if text(limit.way) in ways and own:
                return device, limit
    return None


def charger_limit(home, evse) -> tuple[object, object] | None:
    """The control and limit that hold one charger, at itself or at its own breaker; None if there is none."""
    return held_at(home, evse, ("import", "output"))


def _lesser(key: str, source, setting: Input) -> Step:
    own = source.input_current
    return Step(
        key,
        "I",
        f"{source.id}: charging current under control",
        "min(own, setting)",
        {"own": own, "setting": setting},
        min(own.value, setting.value),
        "A",
    )


def _held_setting(home, evse) -> Input | Step | None:
    """Setting [A] that a listed, restricted control holds this charger to; its share where several are behind one limit."""
    found = charger_limit(home, evse)
    if found is None or not may_hold(found[0]) or found[1].setting is None:
        return None
    setting = found[1].setting
    sharing = [
        other
        for other in home.site.evse
        if other.status != "removed" and other.connected_to == evse.connected_to and charger_limit(home, other) == found
    ]
    if evse.rating is not None and evse.rating.value <= setting.value and (found[1].at == evse.id or len(sharing) < 2):
        return None
    if found[1].at == evse.id or len(sharing) < 2:
        return setting
    return _share(evse, setting, sharing)


def _share(evse, setting: Input, sharing: list) -> Step | None:
    """What one of several chargers counts behind one limit [A]: an equal part, what smaller ones leave shared by the rest.

    None where that is its whole nameplate.
    """
    if any(other.rating is None for other in sharing):
        raise MissingInput([f"evse.{other.id}.rating" for other in sharing if other.rating is None])
    left, rest = setting.value, sorted(sharing, key=lambda other: other.rating.value)
    smaller: list = []
    while rest and rest[0].rating.value <= left / len(rest):
        smaller.append(rest.pop(0))
        left -= smaller[-1].rating.value
    if evse in smaller:
        return None
    number = Input(f"evse.{evse.id}.sharing", "chargers that share what is left of the limit", float(len(rest)), "count", "choice")
    uses: dict[str, Quantity | tuple[Quantity, ...]] = {"setting": setting, "number": number}
    formula = "setting / number"
    if smaller:
        uses["smaller"], formula = tuple(other.rating for other in smaller), "(setting - sum(smaller)) / number"
    return Step(f"evse.{evse.id}.share", "I", "share of the limit", formula, uses, left / len(rest), "A")


def _charger(home, evse) -> charging.Charger:
    if evse.voltage is None:
        raise MissingInput([f"evse.{evse.id}.voltage"])
    breaker = home.tree.breaker_of(evse.id)
    held = _held_setting(home, evse)
    return charging.Charger(
        evse.id,
        evse.rating,
        evse.voltage,
        held if held is not None else evse.setting,
        text(evse.setting_access),
        breaker.rating if breaker is not None else None,
        managed=held is not None,
        portable=text(evse.connection) == "receptacle",
    )


def _unknown_charger(home, evse, edition: Edition) -> LoadItem:
    """A charger without a nameplate, where the edition has a load for it; else its rating and voltage are asked for."""
    try:
        code = charging.unknown_nameplate_va(evse.id, edition)
    except MissingInput as lack:
        raise MissingInput([*lack.fields, *([f"evse.{evse.id}.voltage"] if evse.voltage is None else [])]) from None
    panel = home.tree.panel_of(evse.id)
    where = panel.id if panel else ""
    return LoadItem(evse.id, "evse", evse.id, code, code, status=evse.status, panel=where, circuit=evse.connected_to, continuous=True)


def charger_item(home, evse, charger: charging.Charger, edition: Edition) -> LoadItem:
    """A charger as a load: `va` with the edition's floor, `unit_va` without it.

    Parameters: charger [A, V]. Returns: LoadItem [VA]. Errors: MissingInput where a local form needs the circuit.
    """
    rated = charging.charging_rated_va(charger, edition, by_circuit=counts_circuit(edition))
    code = charging.charging_code_va(rated, charger.id, edition)
    panel = home.tree.panel_of(evse.id)
    return LoadItem(
        id=evse.id,
        kind="evse",
        label=evse.id,
        va=code,
        unit_va=rated,
        status=evse.status,
        panel=panel.id if panel else "",
        circuit=evse.connected_to,
        voltage_v=charger.voltage.value,
        voltage=charger.voltage,
        leg=leg_of(home, evse),
        neutral=bool(evse.neutral),
        continuous=True,
    )


def counts_circuit(edition: Edition) -> bool:
    """Whether the rating of the charging circuit counts. Source: switch `evse_load`, turned by a jurisdiction's form."""
    return edition.value("evse_load").value == "circuit-rating"


def has_array(home) -> bool:
    """Whether the sun can charge anything in the home: a PV inverter, or an array on another inverter."""
    return any(one.status != "removed" and (one.kind == "pv-inverter" or one.array) for one in home.site.source)


def _storage_item(home, source, edition: Edition) -> LoadItem | None:
    """Charging of a storage source from the service; None where it has none or charges from the sun alone."""
    if source.kind not in ("storage-inverter", "multimode-inverter"):
        return None
    path = f"source.{source.id}"
    alone = source.charges_from is not None and source.charges_from.value == "solar-only"
    if alone and has_array(home):
        return None
    lacking = [f"{path}.{name}" for name in ("charges_from", "input_current") if getattr(source, name) is None]
    if lacking:
        raise MissingInput(lacking)
    current, note = source.input_current, "stated to charge from the sun alone, and no array is in the home: counted" if alone else ""
    found = held_at(home, source)
    if found is not None and may_hold(found[0]) and found[1].setting is not None and edition.value("control_setting").value != "none":
        current, note = _lesser(f"{path}.held", source, found[1].setting), f"held by {found[0].id}"
    one = charging.current_va(
        f"{path}.charging",
        f"{source.id}: charging from the service",
        current,
        nominal_voltage(edition),
        edition.cite("control_setting") if note.startswith("held") else None,
        note,
    )
    panel = home.tree.panel_of(source.id)
    return LoadItem(
        id=source.id,
        kind="storage",
        label=source.id,
        va=_times(f"{path}.charging_all", source.id, one, source.count),
        unit_va=one,
        count=int(source.count.value),
        status=source.status,
        panel=panel.id if panel else "",
        circuit=source.connected_to,
        continuous=True,
    )


def dwelling_scope(home, items: Iterable[LoadItem]) -> Scope:
    """The whole service as a scope: every load given, and the general load of the dwelling."""
    dwelling = home.site.dwelling
    return Scope(
        name="service",
        items=tuple(items),
        floor_area=dwelling.floor_area,
        attached_garage=dwelling.attached_garage_area,
        detached_garage=dwelling.detached_garage_area,
        small_appliance=dwelling.small_appliance_circuits,
        laundry=dwelling.laundry_circuits,
    )


def panel_scope(home, panel, items: Iterable[LoadItem]) -> Scope:
    """What hangs below one panel, sub-panels included, as a scope of its own."""
    below = set(home.tree.below(panel.id))
    inside = tuple(item for item in items if item.id in below)
    serves = panel.serves
    if serves is None:
        return Scope(panel.id, inside, whole=False)
    return Scope(
        panel.id,
        inside,
        floor_area=serves.floor_area,
        small_appliance=serves.small_appliance_circuits,
        laundry=serves.laundry_circuits,
        whole=False,
    )


def without(items: Iterable[LoadItem], ids: Iterable[str]) -> tuple[LoadItem, ...]:
    """Items less those named. Returns: items [VA]."""
    left_out = set(ids)
    return tuple(item for item in items if item.id not in left_out)
