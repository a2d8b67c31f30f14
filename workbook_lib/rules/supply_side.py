"""Sources connected ahead of the service disconnect: capacity, size, length, disconnect."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from workbook_lib.editions import Edition
from workbook_lib.sheet import Check, Input, Quantity, Step, Verdict, compare

CAPACITY = "do the sources on the service stay within it and its conductors?"


def capacity_limit(rating: Input, ampacity: Step, edition: Edition) -> Step:
    """What the sum of the sources may reach: the lower of the service rating and its conductors' ampacity.

    Parameters: [A]. Returns: [A]. Source: 705.12(A) (2017, rating), 705.11(A) (2020 on, conductor ampacity); one magazine reads
    the later text as the rating, so the lower counts.
    """
    by = edition.value("supply_capacity_limit").value
    least = "its conductors" if ampacity.value < rating.value else "its rating"
    return Step(
        "supply.limit",
        "I_lim",
        "what the sum of the sources may reach",
        "min(rating, ampacity)",
        {"rating": rating, "ampacity": ampacity},
        min(rating.value, ampacity.value),
        "A",
        edition.cite("supply_capacity"),
        note=f"the text of this edition names the {by.replace('-', ' ')}; read as the lower of both: {least}",
        decimals=1,
    )


def device_sum(ratings: Sequence[Quantity], edition: Edition) -> Step:
    """Ratings of the overcurrent devices of all sources. Parameters: ratings [A]. Returns: [A]. Source: 705.12(A) (2017, from memory)."""
    return Step(
        "supply.devices",
        "I_dev",
        "overcurrent devices of the sources",
        "sum(devices)",
        {"devices": tuple(ratings)},
        sum(one.value for one in ratings),
        "A",
        edition.cite("supply_capacity"),
    )


def output_sum(currents: Sequence[Quantity], edition: Edition) -> Step:
    """Continuous outputs of all sources on the service, not at 125 %. Parameters: currents [A]. Returns: [A]. Source: 705.11(A)."""
    return Step(
        "supply.outputs",
        "I_out",
        "continuous outputs of the sources on the service",
        "sum(outputs)",
        {"outputs": tuple(currents)},
        sum(one.value for one in currents),
        "A",
        edition.cite("supply_capacity"),
        decimals=1,
    )


def capacity_check(total: Step, limit: Step, edition: Edition) -> Check:
    """Check `supply-side-capacity`. Parameters: [A]. Returns: Check [A]. Source: 705.11(A)."""
    return compare("supply-side-capacity", CAPACITY, total, "<=", limit, edition.cite("supply_capacity"), note=limit.note)


def size_check(name: str, area: Step, least: Step | None, edition: Edition) -> Check:
    """Check `supply-side-size:DISCONNECT`.

    Parameters: areas [cmil]; least None where the text has none. Returns: Check [cmil]. Source: 705.11(B).
    """
    key, asked, cite = f"supply-side-size:{name}", f"are the conductors to {name} at least the least size?", edition.cite("supply_minimum")
    if least is None:
        note = "the text of this edition has no least size; practice asks for 6 AWG copper by 230.42 and 230.79"
        return Check(key, asked, Verdict.NOT_APPLICABLE, source=cite, note=note)
    return compare(key, asked, area, ">=", least, cite, note=least.note)


def length_check(name: str, length: Input | None, inside: bool | None, limiters: bool, edition: Edition, *, field: str) -> Check:
    """Check `supply-side-length:DISCONNECT`: how far the conductors run before their first overcurrent device.

    Parameters: length [ft] or None, inside (None where not stated), limiters recorded as evidence. Returns: Check [ft].
    Source: 705.31 (2017), 705.11(C) (2020), none in 2023, 705.11(C)(1) (2026).
    """
    key, asked = f"supply-side-length:{name}", f"is the first overcurrent device close enough to the connection of {name}?"
    cite, form = edition.cite("supply_length"), edition.value("supply_length").value
    if form == "none":
        note = "this edition names no distance; the disconnect stands outside or nearest the entry of the conductors"
        return Check(key, asked, Verdict.NOT_APPLICABLE, source=cite, note=note)
    if form == "dwelling" and inside is False:
        note = "the conductors run outside: the distance binds inside a dwelling"
        return Check(key, asked, Verdict.PASS, source=cite, note=note)
    lacking = ([field + ".length"] if length is None else []) + ([field + ".place"] if form == "dwelling" and inside is None else [])
    if lacking:
        note = "missing: " + ", ".join(lacking)
        return Check(
            key,
            asked,
            Verdict.NEEDS_INPUT,
            source=cite,
            note=note,
            closes="enter " + ", ".join(lacking),
            decides="the engineer",
            fields=tuple(lacking),
        )
    limit = edition.value("supply_length_ft")
    check = compare(key, asked, length, "<=", limit, cite)
    if abs(length.value - limit.value) <= 1e-9 * limit.value:
        note = f"exactly {limit.value:g} ft: sources say both within and under; measure along the conductor"
        return replace(
            check,
            verdict=Verdict.JUDGEMENT,
            note=note,
            closes="a shorter run, or the authority's reading",
            decides="the authority having jurisdiction",
        )
    if check.verdict is Verdict.FAIL and form == "limiters" and limiters:
        note = "longer, with limiters or current-limiting breakers recorded at the connection"
        return replace(
            check, verdict=Verdict.JUDGEMENT, note=note, closes="the record of the limiters", decides="the authority having jurisdiction"
        )
    return check


def rating_check(name: str, rating: Input, service_rated: bool | None, current: Step, edition: Edition) -> Check:
    """Check `disconnect-rating:DISCONNECT`: at least 60 A, at least 125 % of its source current, fit as service equipment.

    Parameters: rating, current [A]. Returns: Check [A]. Source: 230.79(D) (from memory), 705.28.
    """
    key, asked, cite = (
        f"disconnect-rating:{name}",
        f"is disconnect {name} large enough, and fit for its place?",
        edition.cite("disconnect_rating"),
    )
    least = edition.value("source_disconnect_minimum_a")
    needed = Step(
        f"disconnect.{name}.required",
        "I_sw",
        f"rating that disconnect {name} must have",
        "max(least, source)",
        {"least": least, "source": current},
        max(least.value, current.value),
        "A",
        cite,
        decimals=1,
    )
    check = compare(key, asked, rating, ">=", needed, cite)
    if service_rated is not None and not service_rated and check.verdict is Verdict.PASS:
        return replace(check, verdict=Verdict.FAIL, note="it is not suitable as service equipment")
    if service_rated is None and check.verdict is Verdict.PASS:
        field = f"disconnect.{name}.service_rated"
        return Check(
            key,
            asked,
            Verdict.NEEDS_INPUT,
            source=cite,
            note=f"missing: {field}",
            closes=f"enter {field}",
            decides="the engineer",
            fields=(field,),
        )
    return check
