"""Neutral load (220.61, 2026: 120.61) and the current on each leg."""

from __future__ import annotations

from collections.abc import Sequence

from workbook_lib.editions import Edition
from workbook_lib.sheet import Input, Quantity, Step


def neutral_cooking_dryer(key: str, meaning: str, demand: Quantity, edition: Edition) -> Step:
    """Neutral part of cooking appliances or dryers, after their own tables.

    Parameters: demand [VA]. Returns: [VA]. Source: 220.61(B)(1) (2026: 120.61(B)): 70 %.
    """
    frac = edition.value("neutral_cooking_dryer_frac")
    return Step(
        key, "N", meaning, "frac * demand", {"frac": frac, "demand": demand}, frac.value * demand.value, "VA", edition.cite("neutral")
    )


def neutral_load(parts: dict[str, Quantity | tuple[Quantity, ...]], edition: Edition) -> Step:
    """Neutral load as the sum of its parts, 240 V loads without a neutral left out.

    Parameters: parts [VA]. Returns: [VA]. Source: 220.61(A) (2026: 120.61(A)).
    """
    terms = [f"sum({name})" if isinstance(part, tuple) else name for name, part in parts.items()]
    value = sum(sum(item.value for item in part) if isinstance(part, tuple) else part.value for part in parts.values())
    return Step("neutral.load", "N", "neutral load, even over the legs", " + ".join(terms), parts, value, "VA", edition.cite("neutral"))


def pair_legs(loads_a: Sequence[Quantity], loads_b: Sequence[Quantity], edition: Edition) -> Step:
    """120 V loads whose legs are known, paired across the legs; of each pair the larger counts.

    Largest is paired with largest, what is left over counts in full. It is how Annex D example
    D1(b) sets out its rows, and is never below the larger leg sum.

    Parameters: loads_a, loads_b [A]. Returns: [A]. Source: 220.61(A), Annex D1(b).
    """
    first = sorted(loads_a, key=lambda load: -load.value)
    second = sorted(loads_b, key=lambda load: -load.value)
    uses: dict[str, Quantity] = {}
    terms: list[str] = []
    value = 0.0
    for index in range(max(len(first), len(second))):
        pair = {f"{leg}{index + 1}": side[index] for leg, side in (("A", first), ("B", second)) if index < len(side)}
        uses.update(pair)
        terms.append(f"max({', '.join(pair)})" if len(pair) == 2 else next(iter(pair)))
        value += max(load.value for load in pair.values())
    return Step(
        "neutral.paired",
        "I_pair",
        "120 V loads on known legs, paired",
        " + ".join(terms),
        uses,
        value,
        "A",
        edition.cite("neutral"),
        note="largest paired with largest across the legs, the larger of each pair counts",
        decimals=1,
    )


def neutral_current(even: Quantity, voltage: Quantity, paired: Quantity | None, motor_part: Quantity | None, edition: Edition) -> Step:
    """Neutral current from the evenly spread load and the loads on known legs.

    Parameters: even [VA], voltage [V], paired [A], motor_part (25 % of the largest motor on the
    neutral) [A]. Returns: [A]. Source: 220.61(A) (2026: 120.61(A)).
    """
    uses: dict[str, Quantity] = {"even": even, "voltage": voltage}
    formula, value = "even / voltage", even.value / voltage.value
    for name, part in (("paired", paired), ("motor_part", motor_part)):
        if part is not None:
            uses[name] = part
            formula += f" + {name}"
            value += part.value
    return Step("neutral.current", "I_N", "neutral current", formula, uses, value, "A", edition.cite("neutral"), decimals=1)


def neutral_above_200(current: Quantity, edition: Edition) -> Step:
    """Neutral current with the further cut on its part above 200 A.

    Parameters: current [A]. Returns: [A]. Valid for: linear loads on a 3-wire single-phase service.
    Source: 220.61(B)(2) (2026: 120.61(B)): 70 % of the part above 200 A.
    """
    limit, frac = edition.value("neutral_above_a"), edition.value("neutral_above_frac")
    return Step(
        "neutral.current_above_200",
        "I_N",
        "neutral current with the part above 200 A reduced",
        "min(current, limit) + frac * max(0, current - limit)",
        {"current": current, "limit": limit, "frac": frac},
        min(current.value, limit.value) + frac.value * max(0.0, current.value - limit.value),
        "A",
        edition.cite("neutral"),
        decimals=1,
    )


def leg_current(leg: str, even: Quantity, voltage: Input, on_leg: Sequence[Quantity], motor_part: Quantity | None, source) -> Step:
    """Current on one leg: what is spread over both legs, and what is connected to this one.

    Parameters: even [VA] between the legs or spread evenly, voltage [V] between the legs, on_leg [A] of
    120 V loads on this leg, motor_part [A] (25 % of the largest motor on this leg). Returns: [A].
    Source: Annex D1(b) layout; 430.24 for the motor part.
    """
    uses: dict[str, Quantity | tuple[Quantity, ...]] = {"even": even, "voltage": voltage}
    formula, value = "even / voltage", even.value / voltage.value
    if on_leg:
        uses["on_leg"] = tuple(on_leg)
        formula += " + sum(on_leg)"
        value += sum(load.value for load in on_leg)
    if motor_part is not None:
        uses["motor_part"] = motor_part
        formula += " + motor_part"
        value += motor_part.value
    return Step(f"leg.{leg}.current", f"I_{leg}", f"current on leg {leg}", formula, uses, value, "A", source, decimals=1)
