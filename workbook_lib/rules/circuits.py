"""Circuits of sources, chargers and feeders: overcurrent device, conductor, neutral, grounding, raceway."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from workbook_lib.editions import Edition
from workbook_lib.errors import CalculationFault
from workbook_lib.formula import next_standard
from workbook_lib.rules.conductor import conductor_area, size_words
from workbook_lib.sheet import Check, Input, Quantity, Step, Verdict, compare, holds

SIZES_UP = ("standard", "small")


def overcurrent_required(name: str, needed: Quantity, edition: Edition, cite) -> Step:
    """Standard overcurrent device of a circuit: the next size of its continuous current at 125 %.

    Parameters: needed, the continuous current at 125 % [A]. Returns: [A]. Errors: FormulaError above the largest size.
    Source: 240.6(A), 705.30, 625.41, 215.3.
    """
    sizes = edition.series("standard_ratings", "rating_a")
    return Step(
        f"circuit.{name}.device",
        "I_dev",
        f"overcurrent device of {name}",
        "next_standard(needed, sizes)",
        {"needed": needed, "sizes": sizes},
        next_standard(needed.value, sizes.value),
        "A",
        cite,
    )


def overcurrent_check(name: str, device: Quantity, needed: Quantity, most: Input | None, cite, instructions) -> Check:
    """Check `overcurrent:CIRCUIT`: the device carries 125 % and is within what the data sheet allows.

    Parameters: device, needed (125 %), most [A], sources of both limits. Returns: Check [A].
    Source: 705.30, 625.41; 110.3(B) for the maker's data sheet.
    """
    key = f"overcurrent:{name}"
    check = compare(key, f"does the overcurrent device of {name} carry 125 % of its current?", device, ">=", needed, cite)
    if check.verdict is Verdict.FAIL or most is None:
        return check
    asked = f"is the overcurrent device of {name} within what its maker allows?"
    note = f"it carries 125 %: {device.value:g} >= {needed.value:,.1f} A ({cite})"
    return compare(key, asked, device, "<=", most, instructions, note=note)


def required_before(name: str, current: Quantity, frac: Input, cite, *, before: bool) -> Step:
    """Ampacity that a circuit's conductor must have: 125 % without the factors of its place, the current itself with them.

    Parameters: current [A], frac [-]. Returns: [A]. Source: 705.28(B), 215.2(A), 210.19(A).
    """
    if not before:
        return Step(
            f"circuit.{name}.required_in_place",
            "I_req",
            f"ampacity that {name} needs in its place",
            "current",
            {"current": current},
            current.value,
            "A",
            cite,
            decimals=2,
        )
    return Step(
        f"circuit.{name}.required",
        "I_req",
        f"ampacity that {name} needs before the factors of its place",
        "frac * current",
        {"frac": frac, "current": current},
        frac.value * current.value,
        "A",
        cite,
        decimals=2,
    )


def protection_limit(name: str, size: Input, material: Input, ampacity: Step, edition: Edition) -> Step:
    """Largest overcurrent device that protects a conductor: the next standard size above its ampacity, small sizes limited.

    Parameters: size and material (text), ampacity in place [A]. Returns: [A]. Source: 240.4(B) and (D), 240.6(A).
    """
    sizes, top = edition.series("standard_ratings", "rating_a"), edition.value("next_size_up_limit_a")
    up = next_standard(ampacity.value, sizes.value) if ampacity.value <= top.value else ampacity.value
    small = small_limit(size, material, edition)
    uses: dict[str, Quantity] = {"ampacity": ampacity}
    formula, value = "ampacity", ampacity.value
    if ampacity.value <= top.value:
        uses["sizes"], formula, value = sizes, "next_standard(ampacity, sizes)", up
    if small is not None:
        uses["small"], formula, value = small, f"min({formula}, small)", min(value, small.value)
    return Step(
        f"circuit.{name}.largest_device",
        "I_max",
        f"largest overcurrent device that protects the conductors of {name}",
        formula,
        uses,
        value,
        "A",
        edition.cite("small_conductor" if small is not None and small.value == value else "next_size_up"),
        by=(size, material),
    )


def small_limit(size: Input, material: Input, edition: Edition) -> Input | None:
    """Largest device of a small conductor [A]; None where the rule does not name the size. Parameters: texts. Source: 240.4(D)."""
    if size.value not in edition.row_names("small_conductor"):
        return None
    return edition.lookup("small_conductor", size.value, f"{material.value.lower()}_a")


# grounding


def grounding_size(name: str, device: Quantity, material: Input, edition: Edition) -> Input:
    """Equipment grounding conductor by the circuit's device. Parameters: device [A], material. Returns: size (text). Source: 250.122."""
    return edition.bracket("equipment_ground", device.value, material.value.lower())


def grounding_area(name: str, base: Input, in_place: Step, least: Step, edition: Edition) -> Step:
    """Area of the grounding conductor, enlarged as the circuit's conductors are.

    Parameters: base size (text), areas [cmil]. Returns: [cmil].

    The ratio is not rounded. Source: 250.122(B).
    """
    area = edition.lookup("conductor_properties", base.value, "cmil")
    return Step(
        f"circuit.{name}.grounding_area",
        "A_g",
        f"area of the grounding conductor of {name}, enlarged in proportion",
        "base * max(1, in_place / least)",
        {"base": area, "in_place": in_place, "least": least},
        area.value * max(1.0, in_place.value / least.value),
        "cmil",
        edition.cite("equipment_ground_upsize"),
        by=(base,),
    )


def smallest_of_area(area_cmil: float, edition: Edition, *, within_cmil: float = 0.0) -> str:
    """Smallest size of at least an area.

    Parameters: area [cmil], tolerance [cmil]. Returns: size (text). Errors: CalculationFault. Source: Chapter 9 Table 8.
    """
    for row in edition.rows("conductor_properties"):
        if row["cmil"] * (1 + 1e-9) >= area_cmil - within_cmil:
            return row["size"]
    raise CalculationFault("no conductor size has this area", value=f"{area_cmil:,.0f} cmil", where="conductor_properties")


def grounding_check(name: str, given: Input, needed: Step, edition: Edition) -> Check:
    """Check `grounding:CIRCUIT`. Parameters: size in place (text), area needed [cmil]. Returns: Check [cmil]. Source: 250.122."""
    area = conductor_area(f"circuit.{name}.grounding_in_place", given, edition)
    size = smallest_of_area(needed.value, edition)
    note = f"{size_words(size)} is the smallest size that is enough"
    return compare(
        f"grounding:{name}",
        f"is the equipment grounding conductor of {name} large enough?",
        area,
        ">=",
        needed,
        edition.cite("equipment_ground"),
        note=note,
    )


# neutral


def neutral_check(
    name: str,
    use: str,
    given: Input | None,
    given_area: Step | None,
    needed: Step | None,
    ampacity: Step | None,
    current: Quantity | None,
    edition: Edition,
) -> Check:
    """Check `neutral:CIRCUIT` by the use of the neutral: none, only sensing, or loaded.

    Parameters: use, size given (text), areas [cmil] for sensing, ampacity and current [A] for a load. Returns: Check.
    Source: 705.95 (2017), 705.28(C) (2020 on), 220.61.
    """
    key, cite = f"neutral:{name}", edition.cite("inverter_neutral")
    asked = f"is the neutral of {name} large enough for its use?"
    if use == "none":
        return Check(key, asked, Verdict.NOT_APPLICABLE, source=cite, note="the source uses no neutral")
    if given is None or given.value == "none":
        field = f"{name}: conductor.neutral"
        verdict = Verdict.FAIL if given is not None else Verdict.NEEDS_INPUT
        return Check(
            key,
            asked,
            verdict,
            source=cite,
            note=f"the neutral is {use}, and none is drawn" if given is not None else f"missing: {field}",
            fields=() if given is not None else (field,),
            closes="" if given is not None else f"enter {field}",
            decides="the engineer",
        )
    if use == "instrumentation":
        return compare(key, asked, given_area, ">=", needed, cite, note="only sensing: at least the equipment grounding conductor")
    return compare(key, asked, ampacity, ">=", current, cite, note="loaded: it carries the unbalance that its device lets through")


# raceways

COLUMNS = {
    **dict.fromkeys(("THHN", "THWN", "THWN-2"), "thhn"),
    **dict.fromkeys(("XHHW", "XHHW-2", "XHH"), "xhhw"),
    **dict.fromkeys(("THW", "THW-2", "THHW"), "thw"),
}
"""Column of the conductor areas for an insulation. Source: Chapter 9 Table 5."""
RACEWAYS = {"EMT": "emt", "PVC-40": "pvc_40", "PVC-80": "pvc_80", "RMC": "rmc", "FMC": "fmc"}


def wire_area(size: str, insulation: str, edition: Edition) -> Input:
    """Area of one insulated conductor.

    Parameters: texts. Returns: [in^2]. Errors: CalculationFault for an insulation without a table. Source: Chapter 9 Table 5.
    """
    column = COLUMNS.get(insulation)
    if column is None:
        raise CalculationFault(
            "the area of this insulation is not in the table",
            value=insulation,
            limit=", ".join(COLUMNS),
            where="conductor_area",
            todo="name another insulation, or check the fill by the maker's dimensions",
        )
    return edition.lookup("conductor_area", size, column)


def fill_limit(count: int, nipple: bool, edition: Edition) -> Input:
    """Part of a raceway that its conductors may fill.

    Parameters: conductors [-], nipple to 24 in. Returns: [-]. Source: Chapter 9 Table 1, note 4.
    """
    if nipple:
        return edition.value("raceway_fill_nipple_frac")
    return edition.value("raceway_fill_one_frac" if count == 1 else "raceway_fill_two_frac" if count == 2 else "raceway_fill_more_frac")


def circuit_area(raceway: str, name: str, parts: Mapping[str, Input], edition: Edition) -> Step:
    """Area of the conductors of one circuit in a raceway: two legs, neutral and grounding conductor where there are any.

    Parameters: leg, neutral, ground by name [in^2]. Returns: [in^2]. Source: Chapter 9 Table 5.
    """
    others = [part for part in parts if part != "leg"]
    return Step(
        f"raceway.{raceway}.{name}",
        "A_c",
        f"conductors of {name}",
        " + ".join(["2 * leg", *others]),
        dict(parts),
        2 * parts["leg"].value + sum(parts[part].value for part in others),
        "in^2",
        edition.cite("raceway_fill"),
        decimals=4,
    )


def fill_sum(name: str, areas: Sequence[Quantity], edition: Edition) -> Step:
    """Area of all conductors in a raceway. Parameters: areas [in^2]. Returns: [in^2]. Source: Chapter 9 Table 5."""
    return Step(
        f"raceway.{name}.conductors",
        "A_w",
        f"conductors in raceway {name}",
        "sum(areas)",
        {"areas": tuple(areas)},
        sum(a.value for a in areas),
        "in^2",
        edition.cite("raceway_fill"),
        decimals=4,
    )


def raceway_room(name: str, size: str, kind: str, limit: Input, edition: Edition) -> Step:
    """Area that conductors may take in a raceway of a size.

    Parameters: texts, limit [-]. Returns: [in^2]. Errors: CalculationFault. Source: Chapter 9 Tables 1 and 4.
    """
    area = edition.lookup("raceway_area", size, RACEWAYS[kind])
    return Step(
        f"raceway.{name}.room",
        "A_r",
        f"room in {size} in {kind}",
        "limit * area",
        {"limit": limit, "area": area},
        limit.value * area.value,
        "in^2",
        edition.cite("raceway_fill"),
        decimals=4,
    )


def smallest_raceway(used: float, kind: str, limit: Input, edition: Edition) -> str | None:
    """Smallest trade size that takes an area; None where no listed size does.

    Parameters: used [in^2], limit [-]. Returns: size (text). Source: Chapter 9 Table 4.
    """
    for row in edition.rows("raceway_area"):
        inside = row[RACEWAYS[kind]]
        if inside is not None and holds(used, "<=", limit.value * inside):
            return row["size"]
    return None


def raceway_check(name: str, used: Step, room: Step, smallest: str, edition: Edition) -> Check:
    """Check `raceway:RACEWAY`. Parameters: areas [in^2], the smallest size. Returns: Check [in^2]. Source: Chapter 9 Table 1."""
    check = compare(f"raceway:{name}", f"do the conductors fit raceway {name}?", used, "<=", room, edition.cite("raceway_fill"))
    return replace(check, note=f"{smallest} is the smallest trade size that takes them")
