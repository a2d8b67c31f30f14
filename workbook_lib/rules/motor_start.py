"""Starting current of a motor, and what it asks of an inverter beside the other running load."""

from __future__ import annotations

from workbook_lib.editions import Edition
from workbook_lib.errors import CalculationFault, MissingInput
from workbook_lib.sheet import Check, Input, Quantity, Step, compare

VOLTAGE_LIMIT = 150.0


def starting_current(load, voltage: Input, edition: Edition) -> Quantity:
    """Starting current of one motor: with its soft starter, locked rotor as given, by its code letter, or by the table for its power.

    Parameters: load of the site file, voltage [V]. Returns: [A]. Errors: MissingInput where none of them is known.
    Source: the nameplate; 430.7(B) by its upper end; Table 430.251(A).
    """
    if load.soft_start_current is not None:
        return load.soft_start_current
    if load.locked_rotor_current is not None:
        return load.locked_rotor_current
    if load.locked_rotor_code is not None and load.motor_power is not None:
        return _by_letter(load, voltage, edition)
    if load.motor_power is not None:
        return _by_table(load, voltage, edition)
    if load.starting_power is not None:
        return Step(
            f"load.{load.id}.start",
            "I_st",
            f"starting current of {load.id} by its stated power",
            "power / voltage",
            {"power": load.starting_power, "voltage": voltage},
            load.starting_power.value / voltage.value,
            "A",
            note="at unity power factor: the current of a motor is more",
            decimals=1,
        )
    fields = [f"load.{load.id}.{name}" for name in ("locked_rotor_current", "locked_rotor_code", "motor_power")]
    raise MissingInput(fields, f"the starting current of {load.id} is not known: one of them is needed, no factor stands for it")


def _by_letter(load, voltage: Input, edition: Edition) -> Step:
    try:
        most = edition.lookup("locked_rotor_code", load.locked_rotor_code.value, "kva_per_hp_max")
    except CalculationFault:
        raise MissingInput([f"load.{load.id}.locked_rotor_current"], "the last code letter has no upper end") from None
    return Step(
        f"load.{load.id}.start",
        "I_st",
        f"locked-rotor current of {load.id} by its code letter, upper end",
        "letter * 1000 * power / voltage",
        {"letter": most, "power": load.motor_power, "voltage": voltage},
        most.value * 1000.0 * load.motor_power.value / voltage.value,
        "A",
        edition.cite("locked_rotor_code"),
        decimals=1,
        by=(load.locked_rotor_code,),
    )


def _by_table(load, voltage: Input, edition: Edition) -> Input:
    column = "v115" if voltage.value < VOLTAGE_LIMIT else "v230"
    try:
        return edition.lookup("locked_rotor_current", load.motor_power.value, column)
    except CalculationFault:
        words = f"the table has no row for {load.motor_power.value:g} hp"
        raise MissingInput([f"load.{load.id}.locked_rotor_current"], words) from None


def start_check(name: str, start: Quantity, other: Quantity, peak_a: Quantity, note: str) -> tuple[Check, Step]:
    """Check `motor-start:LOAD`: the start beside what else runs, within the peak. Parameters: [A]. Returns: Check and its sum [A].

    Source: common practice: starting current and other running load against the surge rating on each leg.
    """
    both = Step(
        f"load.{name}.start_beside",
        "I_sum",
        f"start of {name} beside the other running load",
        "start + other",
        {"start": start, "other": other},
        start.value + other.value,
        "A",
        decimals=1,
    )
    asked = f"does the island start {name} beside what else runs?"
    return compare(f"motor-start:{name}", asked, peak_a, ">=", both, note=note), both
