"""Inverses of a charging run: the lowest setting, the largest charger, the most growth, each by trying values in their order."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from workbook_lib.errors import CalculationFault


def first_passing(passing: Callable[[float], bool], values: Sequence[float]) -> tuple[float, bool] | None:
    """The first value that passes, and whether all that follow pass too.

    A setting may go up from the least, a charger or a growth down from the largest. A real control with floor, steps and delays is not
    monotone, so that halves would not do: every value is tried.

    Parameters: passing says of a value whether all holds; values in the order of preference. Returns: the value and whether the rest
    passes, None where none does. Errors: CalculationFault for no values. Source: search.
    """
    if not len(values):
        raise CalculationFault("no values to try", where="first_passing")
    held = [passing(value) for value in values]
    if not any(held):
        return None
    place = held.index(True)
    return float(values[place]), all(held[place:])


def around(step_a: float, low_a: float, high_a: float) -> list[float]:
    """Settings from low to high in steps, whole multiples of the step. Parameters: [A]. Returns: [A]. Errors: CalculationFault."""
    if not (step_a > 0 and 0 <= low_a <= high_a):
        raise CalculationFault("settings to try", value=f"{low_a:g} to {high_a:g} by {step_a:g} A", limit="0 <= low <= high, step above 0")
    first = int(-(-low_a // step_a))
    return [step_a * place for place in range(first, int(high_a // step_a) + 1)]
