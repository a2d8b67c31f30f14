"""Standard method, class by class: fastened appliances, dryers, motors, heating and cooling."""

from __future__ import annotations

from collections.abc import Sequence

from workbook_lib.editions import Edition
from workbook_lib.formula import GUARD
from workbook_lib.rules.loads import MOTOR_KINDS, LoadItem, of_kind, total_va
from workbook_lib.sheet import Quantity, Step

COOLING_KINDS = ("air-conditioner", "room-air-conditioner", "heat-pump")
HEATING_KINDS = ("heat-pump", "supplemental-heat", "electric-heat", "thermal-storage")


def fastened_demand(items: Sequence[LoadItem], edition: Edition) -> Step:
    """Demand of appliances fastened in place: 75 % where enough of them share the feeder or service.

    Parameters: items [VA]. Returns: [VA]. Valid for: no ranges, dryers, heating, cooling; no charging
    equipment. Source: 220.53 (2026: 120.53). From 2020 only appliances of at least 500 W or 1/4 hp
    count and are reduced.
    """
    floor, minimum, frac = (edition.value(key) for key in ("fastened_floor_va", "fastened_minimum_count", "fastened_frac"))
    reduced = [item for item in items if item.floor_exempt or item.unit_va.value >= floor.value * (1 - GUARD)]
    below = [item for item in items if item not in reduced]
    number = sum(item.count for item in reduced)
    applies = number >= minimum.value
    uses: dict[str, Quantity | tuple[Quantity, ...]] = {}
    terms: list[str] = []
    if reduced:
        uses["appliance"] = tuple(item.va for item in reduced)
        terms.append("sum(appliance) * frac" if applies else "sum(appliance)")
        if applies:
            uses["frac"] = frac
    if below:
        uses["below_floor"] = tuple(item.va for item in below)
        terms.append("sum(below_floor)")
    value = sum(item.va.value for item in reduced) * (frac.value if applies else 1.0) + sum(item.va.value for item in below)
    condition = f"{number} of at least {minimum.value:g} that the {frac.value * 100:g} % needs"
    note = f"{condition}: {'it applies' if applies else 'all at 100 %'}"
    if below:
        note += f"; below the floor and not reduced: {', '.join(item.label for item in below)}"
    return Step(
        "standard.fastened",
        "D_fast",
        "appliances fastened in place after demand",
        " + ".join(terms),
        uses,
        value,
        "VA",
        edition.cite("fastened_75"),
        note,
    )


def dryer_demand(items: Sequence[LoadItem], edition: Edition) -> Step:
    """Demand of electric clothes dryers.

    Parameters: items [VA]. Returns: [VA]. Source: 220.54 and its table (2026: 120.54): the larger of
    5,000 W and the nameplate each, times the factor for their number.
    """
    least = edition.value("dryer_minimum_va")
    dryers = [item.unit_va for item in items for _ in range(item.count)]
    factor = edition.bracket("dryer_demand", len(dryers), "frac")
    names = [f"dryer_{index + 1}" for index in range(len(dryers))]
    value = sum(max(dryer.value, least.value) for dryer in dryers) * factor.value
    return Step(
        "standard.dryer",
        "D_dry",
        "clothes dryers after demand",
        "(" + " + ".join(f"max({name}, least)" for name in names) + ") * factor",
        {**dict(zip(names, dryers, strict=True)), "least": least, "factor": factor},
        value,
        "VA",
        edition.cite("dryer"),
    )


def heating_load(items: Sequence[LoadItem], edition: Edition) -> Step | None:
    """Heating side of the noncoincident pair, at 100 %; None if there is none.

    A compressor interlocked with its supplement (one `one_at_a_time` group) is left out where the
    supplement is larger. Parameters: items [VA]. Returns: [VA]. Source: 220.51, 220.60 (2026: 120.51, .60).
    """
    return _season("heating", _uninterlocked(items, HEATING_KINDS), items, edition)


def cooling_load(items: Sequence[LoadItem], edition: Edition) -> Step | None:
    """Cooling side of the noncoincident pair, at 100 %; None if there is none.

    Parameters: items [VA]. Returns: [VA]. Source: 220.50, 220.60 (2026: 120.50, .60).
    """
    return _season("cooling", list(of_kind(items, *COOLING_KINDS)), items, edition)


def fans(items: Sequence[LoadItem], season: str) -> list[LoadItem]:
    """Air-handler fans that run in a season. Parameters: items [VA]. Returns: items [VA]. Source: site file `runs_in`."""
    return [item for item in of_kind(items, "hvac-fan") if item.season in (season, "both", "")]


def _uninterlocked(items: Sequence[LoadItem], kinds: tuple[str, ...]) -> list[LoadItem]:
    members = list(of_kind(items, *kinds))
    groups: dict[str, list[LoadItem]] = {}
    for item in members:
        if item.exclusive:
            groups.setdefault(item.exclusive, []).append(item)
    dropped = {id(item) for group in groups.values() for item in group if item is not max(group, key=lambda member: member.va.value)}
    return [item for item in members if id(item) not in dropped]


def _season(season: str, members: list[LoadItem], items: Sequence[LoadItem], edition: Edition) -> Step | None:
    if not members and not fans(items, season):
        return None
    cite = "space_heat" if season == "heating" and members else "motors"
    members = members + fans(items, season)
    return total_va(
        f"hvac.{season}",
        f"S_{season}",
        f"{season} load: {', '.join(item.label for item in members)}",
        members,
        source=edition.cite(cite),
    )


def season_taken(heating: Step | None, cooling: Step | None) -> str:
    """Season whose load is the larger, empty where there is neither. Parameters: [VA]. Returns: heating or cooling. Source: 220.60."""
    if heating is None and cooling is None:
        return ""
    return "heating" if cooling is None or (heating is not None and heating.value >= cooling.value) else "cooling"


def larger_hvac(heating: Step | None, cooling: Step | None, edition: Edition) -> Step | None:
    """The larger of heating and cooling, since they do not run together; None if there is neither.

    Parameters: [VA]. Returns: [VA]. Source: 220.60 (2026: 120.60).
    """
    season = season_taken(heating, cooling)
    if not season:
        return None
    sides = {name: step for name, step in (("heating", heating), ("cooling", cooling)) if step is not None}
    return Step(
        "standard.hvac",
        "D_hvac",
        "larger of heating and cooling",
        "max(" + ", ".join(sides) + ")" if len(sides) > 1 else season,
        sides,
        sides[season].value,
        "VA",
        edition.cite("noncoincident"),
        note=f"{season} is taken",
    )


def counted_motors(items: Sequence[LoadItem], season: str, edition: Edition) -> list[tuple[LoadItem, Quantity]]:
    """Motors among which the largest is sought, with the load of each.

    From 2020 the smaller motor of a noncoincident pair stays in the search; before, only motors of the
    season that counts. Parameters: items [VA], season taken. Returns: pairs of item and motor [VA].
    Source: 220.50, 220.60, 430.24 by the edition's switch `noncoincident_motor`.
    """
    if edition.value("noncoincident_motor").value != "largest-only":
        season = ""
    found: list[tuple[LoadItem, Quantity]] = []
    for item in items:
        if season == "heating" and item.kind in COOLING_KINDS and item.kind != "heat-pump":
            continue
        if season and item.kind == "hvac-fan" and item.season not in (season, "both", ""):
            continue
        if item.motors:
            found += [(item, motor) for motor in item.motors]
        elif item.kind in MOTOR_KINDS:
            found.append((item, item.unit_va))
    return found


def largest_motor_part(motors: Sequence[tuple[LoadItem, Quantity]], edition: Edition) -> Step | None:
    """25 % of the largest motor; None if there is no motor.

    Parameters: motors with [VA] each. Returns: [VA]. Source: 220.50 and 430.24 (2026: 120.50).
    """
    if not motors:
        return None
    frac = edition.value("motor_largest_frac")
    item, largest = max(motors, key=lambda pair: pair[1].value)
    unique = list({id(motor): motor for _, motor in motors}.values())
    return Step(
        "standard.largest_motor",
        "D_mot25",
        "25 % of the largest motor",
        "frac * max(" + ", ".join(f"motor_{index + 1}" for index in range(len(unique))) + ")" if len(unique) > 1 else "frac * motor_1",
        {"frac": frac, **{f"motor_{index + 1}": motor for index, motor in enumerate(unique)}},
        frac.value * largest.value,
        "VA",
        edition.cite("motors"),
        note=f"the largest is {item.label}",
    )


def motor_demand(items: Sequence[LoadItem], largest_part: Step | None, edition: Edition) -> Step | None:
    """Motors at 100 % and the extra 25 % of the largest; None if there is neither.

    Parameters: items of class motor [VA], largest_part [VA]. Returns: [VA]. Source: 220.50, 430.24.
    """
    uses: dict[str, Quantity | tuple[Quantity, ...]] = {}
    terms: list[str] = []
    if items:
        uses["motor"] = tuple(item.va for item in items)
        terms.append("sum(motor)")
    if largest_part is not None:
        uses["largest_part"] = largest_part
        terms.append("largest_part")
    if not terms:
        return None
    value = sum(item.va.value for item in items) + (largest_part.value if largest_part else 0.0)
    return Step("standard.motor", "D_mot", "motors, with 25 % of the largest", " + ".join(terms), uses, value, "VA", edition.cite("motors"))


def whole_load(key: str, meaning: str, parts: dict[str, Quantity], source) -> Step:
    """Sum of the class demands of a method. Parameters: parts [VA]. Returns: [VA]. Source: the method's section."""
    return Step(key, "S", meaning, " + ".join(parts), parts, sum(part.value for part in parts.values()), "VA", source)
