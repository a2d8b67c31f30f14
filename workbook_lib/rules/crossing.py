"""Length of a run up to which the fault current line to neutral exceeds that line to line."""

from __future__ import annotations

import math

from workbook_lib.rules.impedance import PHASOR, POINT_TO_POINT, Origin, Run, magnitude
from workbook_lib.sheet import Input, Quantity, Step


def crossing_ft(origin: Origin, one: Run, length: Input) -> Step | None:
    """Length of a run beyond which line to line governs the fault current; None where it governs from the start.

    Parameters: origin, run [ohm], its length [ft]. Returns: [ft]. Source: equal currents, 120 / Z_ln = 240 / Z_ll (Gonen example 3.3).
    """
    if 2 * origin.z_ln.value >= origin.z_ll.value:
        return None
    if origin.r_ll is None:
        return _plain_crossing(origin, one, length)
    return _equal_step(origin, one, length)


def _plain_crossing(origin: Origin, one: Run, length: Input) -> Step:
    ll, ln = magnitude("crossing.z_ll", one.r_ll, one.x_ll), magnitude("crossing.z_ln", one.r_ln, one.x_ln)
    value = (origin.z_ll.value - 2 * origin.z_ln.value) / ((2 * ln.value - ll.value) / length.value)
    return Step(
        "fault.crossing",
        "L_x",
        f"length of {one.id} up to which line to neutral governs",
        "(z_ll - 2 * z_ln) / ((2 * run_ln - run_ll) / length)",
        {"z_ll": origin.z_ll, "z_ln": origin.z_ln, "run_ln": ln, "run_ll": ll, "length": length},
        value,
        "ft",
        POINT_TO_POINT,
        decimals=1,
    )


def _equal_step(origin: Origin, one: Run, length: Input) -> Step:
    """The crossing by phasors as the positive root of the quadratic |Z_ll|^2 = 4 |Z_ln|^2 in the length.

    A run's loop line to neutral is above half of that line to line, so `a` is positive, and `c` is negative: there is one.
    """
    a = (4 * (one.r_ln.value**2 + one.x_ln.value**2) - one.r_ll.value**2 - one.x_ll.value**2) / length.value**2
    b = (
        8 * (origin.r_ln.value * one.r_ln.value + origin.x_ln.value * one.x_ln.value)
        - 2 * (origin.r_ll.value * one.r_ll.value + origin.x_ll.value * one.x_ll.value)
    ) / length.value
    c = 4 * (origin.r_ln.value**2 + origin.x_ln.value**2) - origin.r_ll.value**2 - origin.x_ll.value**2
    root = (-b + math.sqrt(b * b - 4 * a * c)) / (2 * a)
    steps = {
        "a": _coefficient(
            "a",
            "(4 * (r_ln ** 2 + x_ln ** 2) - r_ll ** 2 - x_ll ** 2) / length ** 2",
            {"r_ln": one.r_ln, "x_ln": one.x_ln, "r_ll": one.r_ll, "x_ll": one.x_ll, "length": length},
            a,
        ),
        "b": _coefficient(
            "b",
            "(8 * (t_rn * r_ln + t_xn * x_ln) - 2 * (t_r * r_ll + t_x * x_ll)) / length",
            {
                "t_rn": origin.r_ln,
                "r_ln": one.r_ln,
                "t_xn": origin.x_ln,
                "x_ln": one.x_ln,
                "t_r": origin.r_ll,
                "r_ll": one.r_ll,
                "t_x": origin.x_ll,
                "x_ll": one.x_ll,
                "length": length,
            },
            b,
        ),
        "c": _coefficient(
            "c",
            "4 * (t_rn ** 2 + t_xn ** 2) - t_r ** 2 - t_x ** 2",
            {"t_rn": origin.r_ln, "t_xn": origin.x_ln, "t_r": origin.r_ll, "t_x": origin.x_ll},
            c,
        ),
    }
    return Step(
        "fault.crossing",
        "L_x",
        f"length of {one.id} up to which line to neutral governs",
        "(sqrt(b ** 2 - 4 * a * c) - b) / (2 * a)",
        steps,
        root,
        "ft",
        PHASOR,
        note="where both fault currents are equal",
        decimals=1,
    )


def _coefficient(letter: str, formula: str, uses: dict[str, Quantity], value: float) -> Step:
    units = {"a": "ohm^2/ft^2", "b": "ohm^2/ft", "c": "ohm^2"}
    return Step(
        f"fault.crossing.{letter}",
        letter,
        "coefficient of the length at which both fault currents are equal",
        formula,
        uses,
        value,
        units[letter],
        PHASOR,
        decimals=9,
    )
