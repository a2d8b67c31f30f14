"""Ampacity of a conductor in place, and the 83 % rule for a dwelling's service."""

from __future__ import annotations

from workbook_lib.editions import Edition
from workbook_lib.errors import MissingInput
from workbook_lib.formula import next_standard
from workbook_lib.sheet import Check, Input, Quantity, Source, Step, Verdict, compare


def size_words(size: str) -> str:
    """A conductor size with its unit in words: 4/0 AWG, 250 kcmil. Parameters: size (text) [-]. Returns: text [-]. Source: trade."""
    return f"{size} {'kcmil' if size.isdigit() and int(size) >= 250 else 'AWG'}"


def insulation_column(insulation: Input, material: Input, edition: Edition) -> str:
    """Ampacity column of an insulation (`cu_90`). Parameters: texts. Returns: column [degC]. Source: 310.4 (from memory)."""
    return f"{material.value.lower()}_{edition.lookup('insulation', insulation.value, 'column_degc').value:.0f}"


def conductor_ampacity(
    key: str,
    size: Input,
    material: Input,
    insulation: Input,
    terminals: Input | None,
    ambient: Quantity,
    current_carrying: Quantity,
    sets: Input,
    edition: Edition,
    *,
    rating: Quantity | None = None,
) -> Step:
    """Ampacity of a set of conductors in place, capped by its terminals.

    Parameters: size (text), material Cu or Al, insulation (type), terminals [degC], ambient [degC],
    current_carrying conductors in one raceway [-], sets in parallel [-], rating of the equipment [A]
    for the terminal rule. Returns: [A]. Valid for: not more than 2,000 V, raceway, cable or earth.
    Errors: CalculationFault for a size or temperature outside the tables.
    Source: 310.16 (2017: 310.15(B)(16)), ambient and adjustment tables, 110.14(C).
    """
    column = insulation_column(insulation, material, edition)
    table = edition.lookup("ampacity", size.value, column)
    heat = edition.bracket("ambient", ambient.value, f"f{column[3:]}")
    adjust = edition.bracket("adjustment", current_carrying.value, "frac")
    cap = edition.lookup("ampacity", size.value, f"{material.value.lower()}_{terminal_degc(terminals, rating, edition)}")
    value = min(table.value * heat.value * adjust.value, cap.value) * sets.value
    return Step(
        f"{key}.ampacity",
        "I_z",
        f"ampacity of {size_words(size.value)} {material.value} {insulation.value} in place",
        "min(table * ambient_factor * adjustment, terminal_column) * sets",
        {"table": table, "ambient_factor": heat, "adjustment": adjust, "terminal_column": cap, "sets": sets},
        value,
        "A",
        edition.cite("ampacity"),
        note=f"ambient {ambient.value:g} degC, {current_carrying.value:g} current-carrying conductors",
        decimals=1,
        by=(size, material, insulation, *((terminals,) if terminals is not None else ()), ambient, current_carrying),
    )


def terminal_degc(terminals: Input | None, rating: Quantity | None, edition: Edition) -> int:
    """Temperature column that the terminals allow [degC].

    Parameters: terminals as marked [degC] or None, rating of the equipment [A]. Returns: 60, 75 or 90.
    Errors: MissingInput if neither is known. Source: 110.14(C).
    """
    if terminals is not None:
        return int(round(terminals.value))
    if rating is None:
        raise MissingInput(["terminals"], "the terminal temperature decides the column")
    return 60 if rating.value <= edition.value("terminal_60_limit_a").value else 75


def required_ampacity(rating: Quantity, edition: Edition, *, entire_load: bool, carries_source: bool, name: str = "service") -> Step:
    """Ampacity that a service or feeder conductor of a dwelling must have.

    83 % of the rating where it carries the entire load of one dwelling, its rating is 100 to 400 A and
    it carries no source current; else the whole rating. Parameters: rating [A]. Returns: [A].
    Source: 310.15(B)(7) (2017), 310.12 (2020 on).
    """
    low, high = edition.value("dwelling_83_lower_a"), edition.value("dwelling_83_upper_a")
    refused = []
    if not entire_load:
        refused.append("it does not carry the entire load of the dwelling")
    if carries_source:
        refused.append("it also carries source current")
    if not low.value <= rating.value <= high.value:
        refused.append(f"its rating is outside {low.value:g} to {high.value:g} A")
    if refused:
        return Step(
            f"{name}.required_ampacity",
            "I_req",
            "ampacity wanted: the whole rating",
            "rating",
            {"rating": rating},
            rating.value,
            "A",
            edition.cite("dwelling_83"),
            note="83 % not allowed: " + "; ".join(refused),
            decimals=1,
        )
    frac = edition.value("dwelling_83_frac")
    return Step(
        f"{name}.required_ampacity",
        "I_req",
        "ampacity wanted: 83 % of the rating",
        "frac * rating",
        {"frac": frac, "rating": rating},
        frac.value * rating.value,
        "A",
        edition.cite("dwelling_83"),
        note=f"entire load of one dwelling, {low.value:g} to {high.value:g} A",
        decimals=1,
    )


def conductor_check(key: str, question: str, ampacity: Step, required: Step, source: Source, *, note: str = "") -> Check:
    """Whether the conductor has the ampacity wanted. Parameters: [A]. Returns: Check [A]. Source: as given."""
    return compare(key, question, ampacity, ">=", required, source, note=note or required.note)


def smallest_size(required_a: float, column: str, edition: Edition) -> str:
    """Smallest conductor size whose table ampacity is at least the wanted one, uncorrected.

    Parameters: required_a [A], column (`cu_75`). Returns: size (text). Errors: CalculationFault if no
    size of the table is enough. Source: 310.16 (2017: 310.15(B)(16)).
    """
    cells = {row["size"]: row[column] for row in edition.rows("ampacity") if row[column] is not None}
    chosen = next_standard(required_a, sorted(cells.values()))
    return next(size for size, ampacity in cells.items() if ampacity == chosen)


def conductor_area(key: str, size: Input, edition: Edition) -> Step:
    """Area of one conductor. Parameters: size (text) [-]. Returns: [cmil]. Source: Chapter 9 Table 8."""
    area = edition.lookup("conductor_properties", size.value, "cmil")
    return Step(key, "A_c", f"area of {size_words(size.value)}", "area", {"area": area}, area.value, "cmil", area.source, by=(size,))


def roof_ambient(key: str, ambient: Input, above_roof: Input, insulation: Input, edition: Edition) -> Quantity:
    """Ambient temperature of a raceway, with the adder where it lies close above a roof in the sun.

    Parameters: ambient [degC], above_roof [ft] or the text none, insulation (type). Returns: [degC].
    Source: 310.15(B)(2) (2017: 310.15(B)(3)(c)), from memory; XHHW-2 is excepted.
    """
    clearance, adder = edition.value("roof_clearance_in"), edition.value("roof_adder_degc")
    if isinstance(above_roof.value, str) or above_roof.value * 12.0 >= clearance.value or insulation.value == "XHHW-2":
        return ambient
    return Step(
        key,
        "T_a",
        "ambient temperature close above a roof",
        "ambient + adder",
        {"ambient": ambient, "adder": adder},
        ambient.value + adder.value,
        "degC",
        adder.source,
        note=f"less than {clearance.value:g} in above the roof",
        by=(above_roof,),
    )


def least_neutral_area(size: Input, material: Input, neutral_material: Input, sets: Input, edition: Edition) -> Quantity:
    """Least area of the service's grounded conductor, in each raceway where sets run in parallel.

    Parameters: size and material of one ungrounded conductor (text), sets [-], each set in a raceway of
    its own. Returns: [cmil]. Source: 250.24 with 250.102(C)(1); 1/0 for conductors in parallel (from memory).
    """
    area = conductor_area("service.conductor.area", size, edition)
    column = f"{material.value.lower()}_to_{neutral_material.value.lower()}"
    least = edition.bracket("supply_side_bonding_jumper", area.value, column)
    cell = edition.lookup("conductor_properties", least.value, "cmil")
    least_area = Step(
        "neutral.least_area_by_table",
        "A_min",
        f"least area of the grounded conductor: {size_words(least.value)} {neutral_material.value}",
        "area",
        {"area": cell},
        cell.value,
        "cmil",
        least.source,
        by=(area, material, neutral_material, least),
    )
    if sets.value == 1:
        return least_area
    parallel = edition.value("parallel_minimum_cmil")
    return Step(
        "neutral.least_area",
        "A_min",
        "least area of the grounded conductor in each raceway",
        "max(by_table, in_parallel)",
        {"by_table": least_area, "in_parallel": parallel},
        max(least_area.value, parallel.value),
        "cmil",
        edition.cite("bonding_jumper"),
        note=f"{sets.value:g} sets, each in its own raceway",
    )


def neutral_check(ampacity: Step, current: Step, neutral_area: Quantity, least_area: Quantity, edition: Edition) -> Check:
    """Whether the service neutral carries its load and is not below the least grounded conductor.

    Parameters: ampacity, current [A]; areas [cmil]. Returns: Check, on current unless the size fails.
    Source: 220.61 (2026: 120.61), 250.24 with 250.102(C)(1).
    """
    key, question = "service-neutral", "does the service neutral carry its load, and is it large enough to clear a fault?"
    size = compare(
        key, question, neutral_area, ">=", least_area, edition.cite("bonding_jumper"), note="least size of the grounded conductor"
    )
    if size.verdict is Verdict.FAIL:
        return size
    return compare(
        key,
        question,
        ampacity,
        ">=",
        current,
        edition.cite("neutral"),
        note=f"its area, {neutral_area.value:,.0f} cmil, is at least the {least_area.value:,.0f} cmil that clear a fault",
    )
