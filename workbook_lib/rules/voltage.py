"""Voltage along a run: by phasors at unity power factor, with the formula by resistance alone beside it."""

from __future__ import annotations

import math
from collections.abc import Sequence

from workbook_lib.rules.impedance import LINE_V, PHASOR, Run
from workbook_lib.sheet import Quantity, Step


def voltage_rise(name: str, current: Quantity, one: Run) -> tuple[Step, Step]:
    """Voltage rise along a run by a source at unity power factor, by phasors, and the approximate formula beside it.

    Parameters: current [A], run [ohm]. Returns: rise as part of 240 V [-], approximation [-]. Source: circuit theory.
    """
    volts = LINE_V.value
    exact = math.hypot(volts + current.value * one.r_ll.value, current.value * one.x_ll.value) / volts - 1.0
    return (
        Step(
            f"voltage.{name}",
            "u",
            f"voltage rise along {name}",
            "sqrt((voltage + current * r) ** 2 + (current * x) ** 2) / voltage - 1",
            {"voltage": LINE_V, "current": current, "r": one.r_ll, "x": one.x_ll},
            exact,
            "frac",
            PHASOR,
            note="source at unity power factor, no load",
            decimals=5,
        ),
        _approximate(name, current, one, "rise", 1),
    )


def voltage_drop(name: str, current: Quantity, one: Run) -> tuple[Step, Step]:
    """Voltage drop along a run by a load at unity power factor, as a negative part of 240 V, and the approximate formula.

    Parameters: current [A], run [ohm]. Returns: [-], [-]. Source: circuit theory.
    """
    volts = LINE_V.value
    exact = (math.sqrt(volts**2 - (current.value * one.x_ll.value) ** 2) - current.value * one.r_ll.value) / volts - 1.0
    return (
        Step(
            f"voltage.{name}",
            "u",
            f"voltage drop along {name}",
            "(sqrt(voltage ** 2 - (current * x) ** 2) - current * r) / voltage - 1",
            {"voltage": LINE_V, "current": current, "r": one.r_ll, "x": one.x_ll},
            exact,
            "frac",
            PHASOR,
            note="load at unity power factor",
            decimals=5,
        ),
        _approximate(name, current, one, "drop", -1),
    )


def _approximate(name: str, current: Quantity, one: Run, word: str, sign: int) -> Step:
    return Step(
        f"voltage.{name}.approximate",
        "u_a",
        f"voltage {word} along {name}, by resistance alone",
        f"{'-' if sign < 0 else ''}current * r / voltage",
        {"current": current, "r": one.r_ll, "voltage": LINE_V},
        sign * current.value * one.r_ll.value / LINE_V.value,
        "frac",
        PHASOR,
        note="approximate",
        decimals=5,
    )


def path_change(name: str, parts: Sequence[Step], word: str) -> Quantity:
    """Voltage change along the whole way to the service point. Parameters: parts [-]. Returns: [-]. Source: addition of the parts."""
    if len(parts) == 1:
        return parts[0]
    return Step(
        f"voltage.{name}.path",
        "u_t",
        f"voltage {word} from the service point to {name}",
        "sum(parts)",
        {"parts": tuple(parts)},
        sum(one.value for one in parts),
        "frac",
        PHASOR,
        decimals=5,
    )
