"""Quantities as text ("200 A", "1500 ft^2") turned into floats in house units, and back for display.

House units: A, V, VA (loads), W (real power), kW (a record's demand), hp (motors), kWh, ft, ft^2,
degC, deg, s, ohm, and fractions ("1.5 %" is 0.015). The usual spellings are read from a table of exact
factors, which a test proves equal to pint; pint is imported for any other spelling and only then.

pint takes VA and W for the same thing. Here they are different families: a load may be written in
either (`written_in_watts` tells which), anything else only in its own.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache

from workbook_lib.errors import WorkbookError


class QuantityError(WorkbookError):
    """A text that is not the quantity wanted: what is wrong, what was found, what is accepted, what to do."""

    def __init__(self, what: str, *, value: str, limit: str, todo: str):
        self.what, self.value, self.limit, self.todo = what, value, limit, todo
        super().__init__(f"{what}; found {value}; accepted: {limit}; do: {todo}")


@dataclass(frozen=True, slots=True)
class Dimension:
    """A kind of quantity: its house unit, the families of units it may be written in, and an example."""

    name: str
    unit: str
    families: tuple[str, ...]
    example: str
    article: str = "a"

    @property
    def accepted(self) -> str:
        """Words for what is accepted: `a current in A, as "200 A"`."""
        units = " or ".join(dict.fromkeys(FAMILY_UNIT[family] for family in self.families))
        return f'{self.article} {self.name} in {units}, as "{self.example}"'


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit: its family, and value in the family's unit = (number + before) * factor."""

    family: str
    factor: Decimal
    before: Decimal = Decimal(0)


FAMILY_UNIT = {
    "current": "A",
    "voltage": "V",
    "real power": "W",
    "apparent power": "VA",
    "shaft power": "hp",
    "energy": "kWh",
    "length": "ft",
    "area": "ft^2",
    "temperature": "degC",
    "angle": "deg",
    "time": "s",
    "impedance": "ohm",
    "fraction": "frac",
}
"""Families of units and the unit in which each is kept."""

DIMENSIONS = {
    dimension.name: dimension
    for dimension in (
        Dimension("current", "A", ("current",), "200 A"),
        Dimension("fault current", "A", ("current",), "10 kA"),
        Dimension("voltage", "V", ("voltage",), "240 V"),
        Dimension("load power", "VA", ("apparent power", "real power"), "9.6 kVA"),
        Dimension("apparent power", "VA", ("apparent power",), "25 kVA", "an"),
        Dimension("real power", "W", ("real power",), "750 W"),
        Dimension("demand", "kW", ("real power",), "12 kW"),
        Dimension("motor power", "hp", ("shaft power", "real power"), "0.5 hp"),
        Dimension("energy", "kWh", ("energy",), "13.5 kWh", "an"),
        Dimension("length", "ft", ("length",), "60 ft"),
        Dimension("area", "ft^2", ("area",), "1500 ft^2", "an"),
        Dimension("temperature", "degC", ("temperature",), "75 degC"),
        Dimension("angle", "deg", ("angle",), "25 deg", "an"),
        Dimension("time", "s", ("time",), "30 s"),
        Dimension("impedance", "ohm", ("impedance",), "0.05 ohm", "an"),
        Dimension("fraction", "frac", ("fraction",), "1.5 %"),
    )
}
"""Every kind of quantity that a file may hold, by name."""

_D = Decimal
_FOOT_M = _D("0.3048")
_POUND_FORCE_N = _D("0.45359237") * _D("9.80665")
_HORSEPOWER_W = _D(550) * _FOOT_M * _POUND_FORCE_N


def _table() -> dict[str, Unit]:
    rows: dict[str, tuple[str, Decimal]] = {}
    metric = (("current", "A"), ("voltage", "V"), ("real power", "W"), ("apparent power", "VA"))
    for family, unit in metric:
        for prefix, factor in (("m", _D("0.001")), ("", _D(1)), ("k", _D(1000)), ("M", _D(1000000))):
            rows[prefix + unit] = (family, factor)
    rows |= {name: ("current", _D(1)) for name in ("amp", "amps", "ampere", "amperes")}
    rows |= {"volt": ("voltage", _D(1)), "volts": ("voltage", _D(1)), "watt": ("real power", _D(1)), "watts": ("real power", _D(1))}
    rows |= {"hp": ("shaft power", _D(1)), "horsepower": ("shaft power", _D(1))}
    rows |= {"Wh": ("energy", _D("0.001")), "kWh": ("energy", _D(1)), "MWh": ("energy", _D(1000)), "MJ": ("energy", _D(1) / _D("3.6"))}
    lengths = {"ft": _D(1), "foot": _D(1), "feet": _D(1), "in": _D(1) / _D(12), "inch": _D(1) / _D(12), "inches": _D(1) / _D(12)}
    lengths |= {"yd": _D(3), "mm": _D("0.001") / _FOOT_M, "cm": _D("0.01") / _FOOT_M, "m": _D(1) / _FOOT_M}
    rows |= {name: ("length", factor) for name, factor in lengths.items()}
    rows |= {name: ("area", _D(1)) for name in ("ft^2", "ft2", "ft²", "ft**2", "sq ft", "square feet")}
    rows |= {name: ("area", _D(1) / _FOOT_M**2) for name in ("m^2", "m2", "m²", "m**2")}
    rows |= {name: ("angle", _D(1)) for name in ("deg", "degree", "degrees", "°")}
    times = {"ms": _D("0.001"), "s": _D(1), "second": _D(1), "seconds": _D(1), "min": _D(60), "minute": _D(60), "minutes": _D(60)}
    times |= {"h": _D(3600), "hr": _D(3600), "hour": _D(3600), "hours": _D(3600), "d": _D(86400), "day": _D(86400), "days": _D(86400)}
    rows |= {name: ("time", factor) for name, factor in times.items()}
    rows |= {"ohm": ("impedance", _D(1)), "ohms": ("impedance", _D(1)), "mohm": ("impedance", _D("0.001"))}
    rows |= {"%": ("fraction", _D("0.01")), "percent": ("fraction", _D("0.01")), "frac": ("fraction", _D(1))}
    units = {name: Unit(family, factor) for name, (family, factor) in rows.items()}
    units |= {name: Unit("temperature", _D(1)) for name in ("degC", "°C")}
    units |= {name: Unit("temperature", _D(5) / _D(9), _D(-32)) for name in ("degF", "°F")}
    return units


COMMON_UNITS = _table()
"""Usual spellings, read without pint. Every factor but `hp` to W is exact or as exact as 28 digits."""

SLIPS = {"'": "ft", '"': "in", "sf": "ft^2", "sqft": "ft^2", "sq. ft.": "ft^2", "sq.ft.": "ft^2", "c": "degC", "f": "degF"}
SLIPS |= {"aic": "A", "kaic": "kA"}
"""Spellings of the trade (small letters) that are no unit here, and the unit to write."""

_NUMBER = re.compile(r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3}(?![0-9]))?")
_SEPARATED = re.compile(r"[+-]?[0-9]+(?:[,_'’\u00a0\u202f ][0-9]+)+(?:\.[0-9]*)?")
_PART = r"[A-Za-z°%µ][A-Za-z_°%µ]*(?:(?:\^|\*\*)?-?[1-4]|[²³])?"
_UNIT = re.compile(rf"(?=.{{1,40}}\Z){_PART}(?: ?[*/ ] ?{_PART})*\Z")
_REAL_POWER = re.compile(r"[a-z]*watt\Z")
_APPARENT_POWER = re.compile(r"[a-z]*volt_ampere\Z")
_ENERGY = re.compile(r"[a-z]*(?:watt_hour|joule)\Z")
_ANGLES = frozenset({"degree", "radian", "milliradian", "turn", "arcminute", "arcsecond"})
_FRACTIONS = frozenset({"percent", "permille", "ppm"})


@lru_cache(maxsize=1)
def _registry():
    import pint

    return pint.UnitRegistry()


def _family_by_pint(unit) -> str | None:
    registry = _registry()
    names = set(unit._units)
    if not unit.dimensionality:
        return "angle" if names and names <= _ANGLES else "fraction" if names and names <= _FRACTIONS else None
    if any(name.startswith("delta_") for name in names):
        return None
    if unit.dimensionality == registry.watt.dimensionality:
        product = sorted(re.sub(r"^(?:milli|kilo|mega)", "", name) for name in names) == ["ampere", "volt"]
        if product or (len(names) == 1 and _APPARENT_POWER.match(*names)):
            return "apparent power"
        if len(names) != 1:
            return None
        return "shaft power" if names == {"horsepower"} else "real power" if _REAL_POWER.match(*names) else None
    if unit.dimensionality == registry.joule.dimensionality:
        electrical = all(_ENERGY.match(name) or _REAL_POWER.match(name) or name in ("hour", "second", "minute") for name in names)
        return "energy" if electrical else None
    for family in ("current", "voltage", "length", "area", "temperature", "time", "impedance"):
        if unit.dimensionality == registry.parse_units(FAMILY_UNIT[family]).dimensionality:
            return family
    return None


@lru_cache(maxsize=1024)
def _unit(text: str) -> Unit | None:
    """The unit of a spelling; None where there is no such unit or no family of ours takes it."""
    common = COMMON_UNITS.get(text)
    if common is not None:
        return common
    if not _UNIT.match(text):
        return None
    registry = _registry()
    try:
        unit = registry.parse_units(text)
        family = _family_by_pint(unit)
        if family is None:
            return None
        target = "dimensionless" if family == "fraction" else FAMILY_UNIT[family].replace("^", "**")
        zero, one = (registry.Quantity(number, unit).to(target).magnitude for number in (0.0, 1.0))
    except Exception:  # pint has no common root for what a text that is no unit can raise
        return None
    factor = _D(one) - _D(zero)
    return Unit(family, factor, _D(zero) / factor)


def _split(text: str, dimension: Dimension) -> tuple[Decimal, str]:
    """Number and unit text. Errors: `QuantityError` for a number outside the grammar."""
    stripped = text.strip(" ")
    separated = _SEPARATED.match(stripped)
    if separated:
        decimal_comma = re.fullmatch(r"[+-]?[0-9]+,(?![0-9]{3}\Z)[0-9]+", separated.group())
        plain = separated.group().replace(",", ".") if decimal_comma else re.sub(r"[^0-9.+-]", "", separated.group())
        written = f"{plain} {_meant_unit(stripped[separated.end() :].strip(), dimension) or _house_unit(dimension)}"
        todo = f'write the number in plain digits with a point for decimals, as "{written}"'
        raise QuantityError("digits are separated", value=_shown(text), limit=dimension.accepted, todo=todo)
    number = _NUMBER.match(stripped)
    rest = stripped[number.end() :] if number else ""
    if not number or rest[:1] in (".", "+", "-") or rest[:1].isdigit():
        todo = f'begin with a number in plain digits, as "{dimension.example}"'
        raise QuantityError("does not begin with a number", value=_shown(text), limit=dimension.accepted, todo=todo)
    return Decimal(number.group()), rest.lstrip(" ")


def _clip(text: str) -> str:
    text = "".join(character if character.isprintable() else "?" for character in text[:61])
    return text if len(text) <= 60 else text[:57] + "..."


def _shown(text: str) -> str:
    return f'"{_clip(text)}"'


def _resolve(text: str, dimension: Dimension) -> tuple[Decimal, str, Unit]:
    number, unit_text = _split(text, dimension)
    if not unit_text:
        raise bare_number(_clip(text.strip()), dimension.name)
    unit = _unit(unit_text)
    if unit is None:
        todo = _todo_for_unknown(number, unit_text, dimension)
        raise QuantityError(
            f"{_shown(unit_text)} is not a unit of {dimension.name}", value=_shown(text), limit=dimension.accepted, todo=todo
        )
    if unit.family not in dimension.families:
        todo = _todo_for_family(unit.family, dimension)
        raise QuantityError(f"{unit.family} where {dimension.name} is wanted", value=_shown(text), limit=dimension.accepted, todo=todo)
    return number, unit_text, unit


def _house_unit(dimension: Dimension) -> str:
    return "%" if dimension.unit == "frac" else dimension.unit


def _meant_unit(unit_text: str, dimension: Dimension) -> str:
    """The spelling that a text means as a unit of this dimension, empty where none is near."""
    folded = unit_text.casefold()
    near = (unit_text, *(spelling for spelling in COMMON_UNITS if spelling.casefold() == folded), SLIPS.get(folded, ""))
    return next((spelling for spelling in near if spelling in COMMON_UNITS and COMMON_UNITS[spelling].family in dimension.families), "")


def _todo_for_unknown(number: Decimal, unit_text: str, dimension: Dimension) -> str:
    if dimension.name == "angle" and unit_text.upper() in ("N", "S", "E"):
        return 'write degrees, south and west negative, as "-106.0 deg"'
    meant = _meant_unit(unit_text, dimension)
    if meant:
        case = "mind the case of letters: " if meant.casefold() == unit_text.casefold() else ""
        return f'{case}write "{meant}", as "{number} {meant}"'
    return f'write the unit as in "{dimension.example}"'


def _todo_for_family(family: str, dimension: Dimension) -> str:
    if {family, *dimension.families} == {"real power", "apparent power"}:
        return f'W and VA differ by the power factor: give the figure that the marking has in {dimension.unit}, as "{dimension.example}"'
    if family == "shaft power":
        return "horsepower is what a motor delivers: give what it takes, or motor_power and voltage for the table of motor currents"
    if family == "real power" and dimension.name == "angle":
        return 'write degrees, south and west negative, as "-106.0 deg"'
    if dimension.name == "current" and family in ("real power", "apparent power"):
        other = "VA by V gives it, W by V only for heat and for the output of an inverter"
        return f'give the current of the nameplate, as "{dimension.example}"; {other}'
    return f'write it as in "{dimension.example}"'


def bare_number(text: str, dimension: str) -> QuantityError:
    """The error for a number without its unit, with the number and unit put together as an example."""
    wanted = DIMENSIONS[dimension]
    units = ("s", "min", "h") if wanted.unit == "s" else (_house_unit(wanted),)
    todo = "write it with its unit, as " + " or ".join(f'"{text} {unit}"' for unit in units)
    return QuantityError("number without a unit", value=text, limit=wanted.accepted, todo=todo)


def read_quantity(text: str, dimension: str) -> tuple[float, str]:
    """Value and house unit of a quantity written as text.

    Parameters: text [as written], dimension: a name in `DIMENSIONS`. Returns: value [house unit] and
    the house unit. Errors: `QuantityError` for a bad number, an unknown unit, a unit of another
    dimension or no unit at all.
    """
    wanted = DIMENSIONS[dimension]
    number, _, unit = _resolve(text, wanted)
    exact = (number + unit.before) * unit.factor
    if unit.family == "real power" and wanted.unit == "hp":
        exact = exact / _HORSEPOWER_W
    elif wanted.unit == "kW":
        exact = exact / 1000
    value = float(exact)
    if value in (float("inf"), float("-inf")) or (value == 0 and exact):
        raise QuantityError("number beyond all measure", value=_shown(text), limit=wanted.accepted, todo="write the figure that is meant")
    return value, wanted.unit


def written_in_watts(text: str) -> bool:
    """Whether a load was written in the W family and so was taken as VA. Errors: `QuantityError` as `read_quantity`."""
    return _resolve(text, DIMENSIONS["load power"])[2].family == "real power"


def in_unit(value: float, unit: str, wanted: str) -> float:
    """A value in another unit, for display.

    Parameters: value [unit], unit and wanted: spellings of units of one family. Returns: [wanted].
    Errors: `QuantityError` if a unit is unknown or the families differ (W and VA do).
    """
    if unit == wanted:
        return value
    source, target = _unit(unit), _unit(wanted)
    for text, found in ((unit, source), (wanted, target)):
        if found is None:
            raise QuantityError("unknown unit", value=text, limit=", ".join(FAMILY_UNIT.values()), todo="use one of these or a multiple")
    families = (source.family, target.family)
    exact = (Decimal(value) + source.before) * source.factor
    if families == ("shaft power", "real power"):
        exact *= _HORSEPOWER_W
    elif families == ("real power", "shaft power"):
        exact /= _HORSEPOWER_W
    elif families[0] != families[1]:
        what = f"{families[0]} is not {families[1]}"
        raise QuantityError(what, value=f"{unit} to {wanted}", limit=f"units of {families[0]}", todo="convert within one kind of quantity")
    return float(exact / target.factor - target.before)
