"""Load of EV supply equipment in a load calculation, by edition and local rule."""

from __future__ import annotations

from dataclasses import dataclass

from workbook_lib.editions import Edition
from workbook_lib.errors import MissingInput
from workbook_lib.sheet import Input, Quantity, Step


@dataclass(frozen=True, slots=True)
class Charger:
    """One EV supply equipment: nameplate [A], voltage [V], adjusted setting [A] and who can change it.

    `breaker` is the rating [A] of its circuit, needed only where a local form counts the circuit.
    `managed` where a listed control with restricted access holds it to the setting; `portable` where it is plugged in.
    """

    id: str
    rating: Input
    voltage: Input
    setting: Quantity | None = None
    setting_access: str = ""
    breaker: Input | None = None
    managed: bool = False
    portable: bool = False


def setting_counts(charger: Charger, edition: Edition) -> tuple[bool, str]:
    """Whether the adjusted setting may stand for the nameplate, and why.

    Parameters: charger [A]. Returns: decision and reason. Source: none in 2017; 625.42 (2020, fixed
    equipment), 625.42(B) (2023, 2026) with access restricted by 750.30(C) / 130 Part II.
    """
    if charger.setting is None:
        return False, ""
    if charger.managed:
        return True, "held by a listed control with restricted access"
    if charger.setting_access != "restricted":
        return False, "the setting can be changed by the user, so the nameplate counts"
    form = edition.value("evse_setting").value
    if form == "none":
        return False, f"the {edition.year} code does not let a setting stand for the nameplate"
    if form == "fixed" and charger.portable:
        return False, "the edition takes the setting of fixed equipment only, and this one is plugged in"
    note = "restricted access: the setting stands for the nameplate and goes on the rating label"
    return True, note + ("; only for equipment that is fastened in place or fixed" if form == "fixed" else "")


def charging_rated_va(charger: Charger, edition: Edition, *, by_circuit: bool = False) -> Step:
    """Volt-amperes of a charger by nameplate, by its restricted setting, or by its circuit rating.

    Parameters: charger [A, V]; by_circuit where a local form counts the circuit. Returns: [VA].
    Errors: MissingInput if the circuit rating is wanted and unknown. Source: 625.42; local form.
    """
    counts, note = setting_counts(charger, edition)
    amperes, name = (charger.setting, "setting") if counts else (charger.rating, "nameplate")
    if by_circuit:
        if charger.breaker is None:
            raise MissingInput([f"evse.{charger.id}.connected_to"], "the local form counts the rating of the charger's own breaker")
        amperes, name, note = charger.breaker, "circuit", "local rule: the rating of the circuit counts, not the nameplate"
    return Step(
        f"evse.{charger.id}.rated",
        "S_rated",
        f"{charger.id} by {name}",
        f"{name} * voltage",
        {name: amperes, "voltage": charger.voltage},
        amperes.value * charger.voltage.value,
        "VA",
        edition.cite("evse_load" if by_circuit or not counts else "evse_managed" if charger.managed else "evse_setting"),
        note,
    )


def unknown_nameplate_va(charger_id: str, edition: Edition) -> Step:
    """Load of a charger whose nameplate is not known, where the edition has one for it.

    Parameters: charger id [-]. Returns: [VA]. Errors: MissingInput where the edition wants the nameplate.
    Source: 120.57 (2026, unconfirmed): 7,200 VA only where the nameplate is unknown.
    """
    if edition.value("evse_floor").value != "unknown-only":
        raise MissingInput([f"evse.{charger_id}.rating"])
    floor = edition.value("evse_floor_va")
    return Step(
        f"evse.{charger_id}.code",
        "S_evse",
        f"{charger_id}: charging load, nameplate unknown",
        "floor",
        {"floor": floor},
        floor.value,
        "VA",
        edition.cite("evse_load"),
        note="named switch evse_floor: only where the nameplate is unknown",
    )


def charging_code_va(rated: Step, charger_id: str, edition: Edition, *, floor_reaches: bool = True) -> Step:
    """Load of one charger in the calculation: its rated load or the edition's floor, the larger.

    Parameters: rated [VA]; floor_reaches False for a method that the floor is held not to reach.
    Returns: [VA]. Source: 220.57 (2023): the larger of 7,200 VA and nameplate; 2017, 2020: nameplate;
    2026: nameplate, the floor only where the nameplate is unknown (unconfirmed).
    """
    floor_form = edition.value("evse_floor")
    if floor_form.value != "floor" or not floor_reaches:
        note = "" if floor_reaches else "the floor is held not to reach this method"
        return Step(
            f"evse.{charger_id}.code",
            "S_evse",
            f"{charger_id}: charging load",
            "rated",
            {"rated": rated},
            rated.value,
            "VA",
            edition.cite("evse_load"),
            note,
        )
    floor = edition.value("evse_floor_va")
    return Step(
        f"evse.{charger_id}.code",
        "S_evse",
        f"{charger_id}: charging load",
        "max(rated, floor)",
        {"rated": rated, "floor": floor},
        max(rated.value, floor.value),
        "VA",
        edition.cite("evse_load"),
        note=f"the floor of {floor.value:,.0f} VA decides" if floor.value > rated.value else "",
    )


def current_va(key: str, meaning: str, current: Quantity, voltage: Quantity, source=None, note: str = "") -> Step:
    """Volt-amperes of a current at a voltage. Parameters: [A], [V]. Returns: [VA]. Source: apparent power."""
    return Step(
        key, "S", meaning, "current * voltage", {"current": current, "voltage": voltage}, current.value * voltage.value, "VA", source, note
    )
