"""Rating of the service: its limit, the next standard rating, the continuous load, the local fraction."""

from __future__ import annotations

from collections.abc import Sequence

from workbook_lib.editions import Edition
from workbook_lib.formula import next_standard, round_half_up
from workbook_lib.sheet import Check, Input, Quantity, Source, Step, Verdict, compare, holds


def load_current(key: str, load: Quantity, voltage: Quantity, source: Source | None = None) -> Step:
    """Current of a load at the nominal voltage between the legs, not rounded.

    Parameters: load [VA], voltage [V]. Returns: [A]. Source: 220.5(A) (2026: 120.5(A)) nominal voltage.
    """
    return Step(
        key,
        "I",
        "load in amperes",
        "load / voltage",
        {"load": load, "voltage": voltage},
        load.value / voltage.value,
        "A",
        source,
        decimals=2,
    )


def rounded_current(key: str, current: Quantity, edition: Edition) -> Step:
    """Load current in whole amperes as the code permits: below one half is dropped.

    Parameters: current [A]. Returns: [A]. Source: 220.5(B) (2026: 120.5(B), load calculations only).
    """
    return Step(
        key,
        "I_r",
        "load in whole amperes",
        "round_half_up(current)",
        {"current": current},
        round_half_up(current.value),
        "A",
        edition.cite("rounding"),
    )


def minimum_service_rating(current: Quantity, sizes: Input, edition: Edition, legs: Sequence[Quantity] = ()) -> Step:
    """Smallest standard rating that carries the load, not below the minimum for a one-family dwelling.

    Parameters: current [A], sizes [A] ascending, legs [A] where the method gives them. Returns: [A]. Errors: FormulaError above the largest
    size. Source: 230.79(C) and 240.6(A).
    """
    least = edition.value("minimum_service_rating_a")
    named = {f"leg_{index + 1}": leg for index, leg in enumerate(legs)}
    return Step(
        "service.minimum_rating",
        "I_std",
        "smallest standard service rating",
        f"next_standard(max({', '.join(['current', *named, 'least'])}), sizes)",
        {"current": current, **named, "least": least, "sizes": sizes},
        next_standard(max(current.value, least.value, *(leg.value for leg in legs)), sizes.value),
        "A",
        edition.cite("minimum_rating"),
    )


def service_limit(limits: dict[str, Quantity]) -> Step:
    """What the service may carry: the least of its marked rating, its main and the utility's limit.

    Parameters: limits [A] by name. Returns: [A]; the note names which is least. Source: 230.42, 230.90, the utility.
    """
    least = min(limits, key=lambda name: limits[name].value)
    return Step(
        "service.limit",
        "I_lim",
        "limit of the service",
        "min(" + ", ".join(limits) + ")" if len(limits) > 1 else least,
        dict(limits),
        limits[least].value,
        "A",
        note=f"set by {least.replace('_', ' ')}",
        decimals=0,
    )


def capacity_check(key: str, current: Quantity, limit: Quantity, source: Source | None, *, counts: bool = True) -> Check:
    """Whether the load stays within the service; a case that only rounding saves is a judgement.

    Parameters: current, limit [A]. Returns: Check [A]. Source: 230.42, 230.79; 220.5(B) permits rounding.
    """
    question = "does the service carry the calculated load?"
    check = compare(key, question, current, "<=", limit, source, counts=counts)
    if check.verdict is Verdict.FAIL and holds(round_half_up(current.value), "<=", limit.value):
        return Check(
            key,
            question,
            Verdict.JUDGEMENT,
            current,
            "<=",
            limit,
            source,
            note="passes only in whole amperes, which the code permits and does not demand",
            counts=counts,
            closes="the authority's word on rounding, or a smaller load",
            decides="the authority having jurisdiction",
        )
    return check


def continuous_current(current: Quantity, continuous_va: Sequence[Quantity], voltage: Quantity, edition: Edition, *, key: str) -> Step:
    """Load current with the continuous part at 125 %.

    Parameters: current [A], continuous_va [VA] of each continuous load as it stands in the load,
    voltage [V]. Returns: [A]. Source: 230.42(A): noncontinuous load and 125 % of the continuous.
    """
    frac = edition.value("continuous_frac")
    total = sum(item.value for item in continuous_va)
    return Step(
        key,
        "I_cont",
        "load with its continuous part at 125 %",
        "current + (frac - 1) * sum(continuous) / voltage",
        {"current": current, "frac": frac, "continuous": tuple(continuous_va), "voltage": voltage},
        current.value + (frac.value - 1) * total / voltage.value,
        "A",
        edition.cite("service_conductor"),
        decimals=2,
    )


def continuous_check(demand: Step, full: Step, limit: Quantity, edition: Edition) -> Check:
    """Whether the service also carries 125 % of the continuous load, by two readings.

    `demand` counts the continuous load as it stands after its demand factor, `full` at its whole
    amount. Both within the limit pass; otherwise it is a judgement, since forms and forums differ on
    carrying the 125 % into a calculated load. Parameters: [A]. Returns: Check [A]. Source: 230.42(A).
    """
    key, question = "continuous-load", "does the service carry 125 % of the continuous load as well?"
    words = "tested against the service; its conductors, sized for the rating by the dwelling rule, have service-conductor"
    worse = compare(key, question, full, "<=", limit, edition.cite("service_conductor"), note=words)
    if worse.verdict is Verdict.PASS:
        return worse
    after_demand = compare(key, question, demand, "<=", limit, edition.cite("service_conductor"))
    reading = "within" if after_demand.verdict is Verdict.PASS else "above"
    return Check(
        key,
        question,
        Verdict.JUDGEMENT,
        full,
        "<=",
        limit,
        edition.cite("service_conductor"),
        note="with the continuous load at its whole amount; "
        + (f"after its demand factor {demand.value:.1f} A, {reading} the limit; " if demand is not full else "")
        + "whether the 125 % is carried into a calculated load is argued",
        closes="the authority's reading of 230.42, or equipment listed for 100 %",
        decides="the authority having jurisdiction",
    )


def local_limit(rating: Quantity, fraction: Input) -> Step:
    """Local limit as a fraction of the rating. Parameters: rating [A], fraction [-]. Returns: [A]. Source: the jurisdiction."""
    return Step(
        "service.local_limit",
        "I_loc",
        "local limit of the service",
        "fraction * rating",
        {"fraction": fraction, "rating": rating},
        fraction.value * rating.value,
        "A",
        fraction.source,
        note="local rule, not the code's own text",
        decimals=1,
    )


def minimum_rating_check(rating: Quantity, status: str, edition: Edition) -> Check:
    """Whether the service has the least rating of a one-family dwelling.

    An existing smaller service may stay where nothing asks for its replacement: a judgement. Parameters:
    rating [A], status new or existing. Returns: Check [A]. Source: 230.79(C).
    """
    key, question = "service-minimum", "has the service the least rating of a one-family dwelling?"
    least, source = edition.value("minimum_service_rating_a"), edition.cite("minimum_rating")
    check = compare(key, question, rating, ">=", least, source)
    if check.verdict is Verdict.PASS:
        return Check(key, question, Verdict.PASS, source=source, note=f"{rating.value:g} A, at least {least.value:g} A")
    if status == "new":
        return check
    return Check(
        key,
        question,
        Verdict.JUDGEMENT,
        rating,
        ">=",
        least,
        source,
        note="an existing service below the least rating of a new one",
        closes="the authority's word that the existing service may stay, or a service change",
        decides="the authority having jurisdiction",
    )
