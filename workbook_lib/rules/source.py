"""Current of power sources: rated output, the 125 % that buses and conductors are tested with, and what flows up the tree."""

from __future__ import annotations

from collections.abc import Sequence

from workbook_lib.editions import Edition
from workbook_lib.errors import MissingInput
from workbook_lib.sheet import Input, Quantity, Step


def all_units(source, given: Input, key: str, symbol: str, meaning: str) -> Quantity:
    """A figure of one unit for all like units of a source; as it is for one.

    Parameters: given, of one unit [A, W], count [-]. Returns: [A, W]. Source: the number of like units.
    """
    if source.count.value == 1:
        return given
    uses = {"count": source.count, "each": given}
    return Step(key, symbol, meaning, "count * each", uses, source.count.value * given.value, given.unit, decimals=1)


def source_current(source, edition: Edition) -> Step:
    """Rated continuous output of one source and its like units, before 125 %; never the rating of its breaker.

    Parameters: source of the site file, output_current [A], count [-]. Returns: [A]. Errors: MissingInput.
    Source: 705.60 (2017), 705.28(A) (2020 on).
    """
    if source.output_current is None:
        raise MissingInput(
            [f"source.{source.id}.output_current"], "the rated continuous output is what buses and conductors are tested with"
        )
    uses: dict[str, Quantity] = {"output": source.output_current}
    formula, value = "output", source.output_current.value
    if source.count is not None and source.count.value != 1:
        uses, formula = {"count": source.count, **uses}, "count * output"
        value *= source.count.value
    return Step(
        f"source.{source.id}.current",
        "I_src",
        f"rated output current of {source.id}",
        formula,
        uses,
        value,
        "A",
        edition.cite("source_circuit"),
        decimals=2,
    )


def summed(key: str, meaning: str, parts: Sequence[Quantity], unit: str = "A") -> Quantity:
    """Sum of what sources bring; a single one as it is. Parameters: parts [A, W]. Returns: [A, W]. Source: addition in phase."""
    if len(parts) == 1:
        return parts[0]
    letter = "P_sum" if unit == "W" else "I_sum"
    return Step(key, letter, meaning, "sum(sources)", {"sources": tuple(parts)}, sum(one.value for one in parts), unit, decimals=2)


def held(key: str, meaning: str, current: Quantity, setting: Input, free: Quantity | None, source) -> Step:
    """Source current at a place where a credited control holds it: its setting, but never less than what it does not control.

    Parameters: current, setting, free (sum of the sources that it does not control, None for none) [A]. Returns: [A].
    Source: 705.13 (2020), 705.13 with 750.30 (2023), with 130 Part II (2026).
    """
    if free is None:
        return Step(
            key,
            "I_set",
            meaning,
            "min(current, setting)",
            {"current": current, "setting": setting},
            min(current.value, setting.value),
            "A",
            source,
            decimals=2,
        )
    return Step(
        key,
        "I_set",
        meaning,
        "min(current, max(setting, free))",
        {"current": current, "setting": setting, "free": free},
        min(current.value, max(setting.value, free.value)),
        "A",
        source,
        note="sources that the control does not hold count in full",
        decimals=2,
    )


def at_125(key: str, current: Quantity, edition: Edition, meaning: str = "source current at 125 %") -> Step:
    """Source current with the factor that buses, feeders and circuits are tested with.

    Parameters: current [A]. Returns: [A]. Source: 705.12(B)(2) (2017), 705.28(A) (2020 on).
    """
    frac = edition.value("source_frac")
    return Step(
        key,
        "I_125",
        meaning,
        "frac * current",
        {"frac": frac, "current": current},
        frac.value * current.value,
        "A",
        frac.source,
        decimals=2,
    )


def pv_rounded(key: str, current: Quantity, edition: Edition) -> Quantity:
    """A calculated PV current with a fraction below one half dropped, where the edition permits it; else as it is.

    Parameters: current [A]. Returns: [A]. Source: 690.4(G) (2026); no such rule before.
    """
    form = edition.value("pv_rounding")
    dropped = current.value % 1.0
    if form.value != "drop-below-half" or not 0.0 < dropped < 0.5:
        return current
    return Step(
        key,
        "I_pv",
        "PV current, its fraction below one half dropped",
        "floor(current)",
        {"current": current},
        float(int(current.value)),
        "A",
        form.source,
        decimals=0,
    )
