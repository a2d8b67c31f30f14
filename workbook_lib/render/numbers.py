"""How numbers, units and comparisons are printed."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from decimal import ROUND_HALF_UP, Decimal

from workbook_lib.errors import CalculationFault
from workbook_lib.formula import GUARD
from workbook_lib.sheet import Check, Input, Quantity, holds

UNITS = {
    "frac": "",
    "count": "",
    "-": "",
    "ft^2": "ft²",
    "in^2": "in²",
    "ohm": "Ω",
    "ohm^2": "Ω²",
    "ohm^2/ft": "Ω²/ft",
    "ohm^2/ft^2": "Ω²/ft²",
    "VA/ft^2": "VA/ft²",
    "degC": "°C",
    "deg": "°",
    "ohm/kft": "Ω/kft",
    "ohm_per_kft": "Ω/kft",
    "usd": "USD",
}
"""Printed form of a unit, where it differs from its name."""

SIGNS = {"<=": "≤", ">=": "≥"}
SIGNIFICANT = 3
"""Digits that a number which is not whole keeps at least."""
INPUT_DIGITS = 6
"""Significant digits of a given number that no short decimal writes exactly (a converted unit)."""
MAX_EXTRA = 9
LONG_LIST = 8
"""A given list with more numbers than this is named with its ends, not written out."""


def unit_text(unit: str | None) -> str:
    """Printed unit, empty for a text, a count or a fraction."""
    return "" if unit is None else UNITS.get(unit, unit)


def number(value: float, decimals: int | None = None, extra: int = 0) -> str:
    """A number with thousands separators.

    Parameters: value [any], decimals to print (None: as many as the number was given with), extra
    decimals on top. Returns: [text]. Errors: CalculationFault if the value is not finite.
    """
    if not math.isfinite(value):
        raise CalculationFault("a value that is not a finite number cannot be printed", value=value, where="render.numbers")
    shown = places(value, decimals)
    while extra > 0 and not _is_short(value, shown):
        shown, extra = shown + 1, extra - 1
    return fixed(value, shown)


def fixed(value: float, decimals: int) -> str:
    """A number with exactly so many decimals, a half rounded up. Parameters: value [any]. Returns: [text]."""
    text = f"{Decimal(repr(float(value))).quantize(Decimal(1).scaleb(-decimals), ROUND_HALF_UP):,f}"
    if text.startswith("-"):
        text = "−" + text[1:] if any(digit in text for digit in "123456789") else text[1:]
    return text


def places(value: float, decimals: int | None) -> int:
    """Decimals that a number is printed with. Parameters: value [any]. Returns: [count]."""
    if _is_short(value, 0):
        return decimals or 0
    magnitude = math.floor(math.log10(abs(value))) + 1
    if decimals is not None:
        return max(decimals, SIGNIFICANT - magnitude)
    for count in range(1, INPUT_DIGITS + 1):
        if _is_short(value, count):
            return count
    return max(1, INPUT_DIGITS - magnitude)


def _is_short(value: float, count: int) -> bool:
    return abs(value - round(value, count)) <= GUARD * max(1.0, abs(value)) * 10.0**-count


def apart(value: float, decimals: int | None, limits: Iterable[float]) -> str:
    """A number with enough digits that it never reads like a limit that it is not. Parameters: [any]. Returns: text."""
    near = [limit for limit in limits if not math.isclose(limit, value, rel_tol=GUARD)]
    for extra in range(MAX_EXTRA):
        shown = number(value, decimals, extra)
        if read_back(shown) not in near:
            break
    return shown


def value_text(value: object, decimals: int | None = None, extra: int = 0, joint: str = ", ") -> str:
    """A number, a text or a list of numbers as printed, without its unit."""
    if isinstance(value, bool) or value is None:
        return {True: "yes", False: "no", None: ""}[value]
    if isinstance(value, (int, float)):
        return number(float(value), decimals, extra)
    if isinstance(value, (tuple, list)):
        return joint.join(value_text(item, decimals, extra) for item in value)
    return str(value)


def bare(quantity: Quantity, extra: int = 0, joint: str = ", ") -> str:
    """The value of an Input or Step as printed, without its unit."""
    return value_text(quantity.value, quantity.decimals, extra, joint)


def words(text: str) -> str:
    """Words of a workbook with the units in them as they are printed."""
    return text.replace("degC", "°C").replace("ft^2", "ft²")


def with_unit(text: str, unit: str | None) -> str:
    """A printed value and its unit."""
    shown = unit_text(unit)
    return f"{text} {shown}" if shown else text


def quantity_text(quantity: Quantity) -> str:
    """The value of an Input or Step with its unit; of a long list how many it holds, its least and its largest."""
    if is_long(quantity.value):
        ends = f"{value_text(min(quantity.value), quantity.decimals)} to {value_text(max(quantity.value), quantity.decimals)}"
        return f"list of {len(quantity.value)}: {with_unit(ends, quantity.unit)}"
    return with_unit(bare(quantity), quantity.unit)


def is_long(value: object) -> bool:
    """Whether a value is a list too long to be written out."""
    return isinstance(value, (tuple, list)) and len(value) > LONG_LIST


def neighbours(value: float, listed: Sequence[float], decimals: int | None = None) -> str:
    """Part of a long list around one of its numbers, empty if the number is not in it. Parameters: [any]. Returns: text."""
    for place, item in enumerate(listed):
        if math.isclose(item, value, rel_tol=GUARD):
            near = listed[max(place - 1, 0) : place + 2]
            ahead, behind = "… " if place > 1 else "", " …" if place + 2 < len(listed) else ""
            return f"{ahead}{value_text(tuple(near), decimals)}{behind}"
    return ""


def read_back(text: str) -> float:
    """The number that a printed number says. Parameters: text. Returns: [any]."""
    return float(text.replace(",", "").replace("−", "-"))


def sides(check: Check) -> tuple[str, str, str]:
    """Provided, required and margin of a check as printed, without units.

    Digits are added until the printed numbers hold or fail as the real ones do and a margin that is
    not zero does not print as zero. A side that is absent, and the margin of texts, is empty.
    """
    provided, required = check.provided, check.required
    margin = check.margin
    if margin is None:
        return (bare(provided) if provided else "", bare(required) if required else "", "")
    real = holds(provided.value, check.relation, required.value)
    negligible = GUARD * max(abs(provided.value), abs(required.value), 1.0)
    left = right = room = ""
    for extra in range(MAX_EXTRA):
        left, right = bare(provided, extra), bare(required, extra)
        room = fixed(margin, max(_decimals(provided), _decimals(required)) + extra)
        agrees = holds(read_back(left), check.relation, read_back(right)) == real
        if agrees and (abs(margin) <= negligible or read_back(room) != 0):
            break
    return left, right, room


def _decimals(quantity: Quantity) -> int:
    if isinstance(quantity, Input) and quantity.decimals is None:
        return places(quantity.value, None)
    return places(quantity.value, quantity.decimals)
