"""Optional methods: a dwelling (220.82, 2026: 120.82) and an existing dwelling (220.83, 120.83)."""

from __future__ import annotations

from collections.abc import Sequence

from workbook_lib.editions import Edition
from workbook_lib.rules.loads import LoadItem, of_kind, total_va
from workbook_lib.rules.standard_method import fans
from workbook_lib.sheet import Input, Quantity, Source, Step


def connected_general(key: str, general: Quantity, items: Sequence[LoadItem], source: Source) -> Step:
    """Everything that shares the demand tier, at 100 % of its nameplate, before the tier.

    Parameters: general [VA] of lighting and circuits, items [VA]. Returns: [VA].
    Source: 220.82(B), 220.83 (2026: 120.82(B)).
    """
    uses: dict[str, Quantity | tuple[Quantity, ...]] = {"general": general}
    formula = "general"
    if items:
        uses["load"] = tuple(item.va for item in items)
        formula = "general + sum(load)"
    return Step(
        key,
        "S_conn",
        "connected load that shares the tier",
        formula,
        uses,
        general.value + sum(item.va.value for item in items),
        "VA",
        source,
    )


def tier(key: str, connected: Quantity, first: Input, rest_frac: Input, source: Source) -> Step:
    """First part at 100 %, the rest at the fraction.

    Parameters: connected [VA], first [VA], rest_frac [-]. Returns: [VA].
    Source: 220.82(B): 10 kVA and 40 % (2026: 8 kVA); 220.83: 8 kVA and 40 %.
    """
    return Step(
        key,
        "D_tier",
        f"first {first.value / 1000:g} kVA at 100 %, the rest at {rest_frac.value * 100:g} %",
        "min(connected, first) + rest_frac * max(0, connected - first)",
        {"connected": connected, "first": first, "rest_frac": rest_frac},
        min(connected.value, first.value) + rest_frac.value * max(0.0, connected.value - first.value),
        "VA",
        source,
    )


def _weighted(key: str, symbol: str, meaning: str, terms: list[tuple[str, Sequence[LoadItem], Input | None]], source: Source) -> Step:
    """Sum of groups of items, each at its fraction (None = 100 %)."""
    uses: dict[str, Quantity | tuple[Quantity, ...]] = {}
    written: list[str] = []
    value = 0.0
    for name, members, frac in terms:
        if not members:
            continue
        uses[name] = tuple(item.va for item in members)
        amount = sum(item.va.value for item in members)
        if frac is None:
            written.append(f"sum({name})")
            value += amount
        else:
            uses[f"{name}_frac"] = frac
            written.append(f"{name}_frac * sum({name})")
            value += frac.value * amount
    return Step(key, symbol, meaning, " + ".join(written), uses, value, "VA", source)


def optional_hvac_choices(items: Sequence[LoadItem], edition: Edition) -> dict[str, Step]:
    """Each heating or cooling choice of the optional method that this dwelling has.

    Parameters: HVAC items [VA]. Returns: choice name -> [VA]. Source: 220.82(C) (2026: 120.82(C)):
    cooling, heat pump alone, heat pump with supplement, space heat by number of separately controlled
    units, thermal storage. Fans stand at 100 % with each choice in whose season they run.
    """
    source = edition.cite("optional_hvac")
    cooling = of_kind(items, "air-conditioner", "room-air-conditioner")
    pumps, supplement = of_kind(items, "heat-pump"), of_kind(items, "supplemental-heat")
    space, thermal = of_kind(items, "electric-heat"), of_kind(items, "thermal-storage")
    heat_fans, cool_fans = fans(items, "heating"), fans(items, "cooling")
    choices: dict[str, Step] = {}
    if cooling or (cool_fans and not pumps):
        terms = [("cooling", cooling, edition.value("optional_cooling_frac")), ("fan", cool_fans, None)]
        choices["cooling"] = _weighted("optional.hvac.cooling", "D_cool", "cooling", terms, source)
    if pumps:
        both = list({id(fan): fan for fan in heat_fans + cool_fans}.values())
        terms = [("heat_pump", pumps, edition.value("optional_heat_pump_frac")), ("fan", both, None)]
        choices["heat_pump"] = _weighted("optional.hvac.heat_pump", "D_hp", "heat pump without its supplement", terms, source)
    if supplement:
        choices["heat_pump_and_supplement"] = _supplemented(pumps, supplement, heat_fans, edition, source)
    if space:
        choices["space_heat"] = _space_heat(space, heat_fans, edition, source)
    if thermal:
        terms = [("thermal", thermal, edition.value("optional_thermal_storage_frac")), ("fan", heat_fans, None)]
        choices["thermal_storage"] = _weighted("optional.hvac.thermal", "D_ts", "thermal storage heating", terms, source)
    if heat_fans and not (pumps or supplement or space or thermal):
        choices["heating_fan"] = _weighted("optional.hvac.fan", "D_fan", "fan of a fuel-fired heater", [("fan", heat_fans, None)], source)
    return choices


def _supplemented(pumps, supplement, heat_fans, edition: Edition, source: Source) -> Step:
    frac = edition.value("optional_supplement_frac")
    interlocks = {item.exclusive for item in supplement if item.exclusive}
    running = [item for item in pumps if not item.exclusive or item.exclusive not in interlocks]
    terms = [("compressor", running, edition.value("optional_heat_pump_frac")), ("supplement", supplement, frac), ("fan", heat_fans, None)]
    if not pumps:
        meaning = "central electric heating"
    elif running:
        meaning = "heat pump with its supplement"
    else:
        meaning = "supplement alone, the compressor is kept from running with it"
    return _weighted("optional.hvac.supplement", "D_hps", meaning, terms, source)


def _space_heat(space, heat_fans, edition: Edition, source: Source) -> Step:
    units = sum(item.count for item in space)
    many = units >= edition.value("optional_heat_many_count").value
    frac = edition.value("optional_heat_many_frac" if many else "optional_heat_few_frac")
    meaning = f"electric space heat, {units} separately controlled unit{'' if units == 1 else 's'}"
    return _weighted("optional.hvac.space_heat", "D_heat", meaning, [("heater", space, frac), ("fan", heat_fans, None)], source)


def largest_choice(key: str, meaning: str, choices: dict[str, Step], source: Source) -> Step | None:
    """The largest of the heating and cooling choices; None if there is none.

    Parameters: choices [VA]. Returns: [VA]. Source: 220.82(C), 220.83(B).
    """
    if not choices:
        return None
    name = max(choices, key=lambda choice: choices[choice].value)
    return Step(
        key,
        "D_hvac",
        meaning,
        "max(" + ", ".join(choices) + ")" if len(choices) > 1 else name,
        choices,
        choices[name].value,
        "VA",
        source,
        note=f"taken: {choices[name].meaning}",
    )


def existing_hvac_choices(items: Sequence[LoadItem], edition: Edition) -> dict[str, Step]:
    """Heating and cooling of an existing dwelling where some is added, at 100 %, the larger counts.

    Four or more separately controlled heaters are not on the 100 % list and stay in the tier (from
    memory). Parameters: HVAC items [VA]. Returns: choice name -> [VA]. Source: 220.83(B).
    """
    source = edition.cite("existing_b")
    frac = edition.value("existing_hvac_frac")
    cooling = of_kind(items, "air-conditioner", "room-air-conditioner", "heat-pump")
    interlocks = {item.exclusive for item in of_kind(items, "supplemental-heat") if item.exclusive}
    pumps = [item for item in of_kind(items, "heat-pump") if not item.exclusive or item.exclusive not in interlocks]
    heaters = () if heaters_in_tier(items, edition) else of_kind(items, "electric-heat")
    heating = [*pumps, *of_kind(items, "supplemental-heat", "thermal-storage"), *heaters]
    choices: dict[str, Step] = {}
    for season, members in (("cooling", cooling), ("heating", heating)):
        running = fans(items, season)
        if members or running:
            terms = [(season, members, frac), ("fan", running, None)]
            choices[season] = _weighted(f"existing.hvac.{season}", f"D_{season[:4]}", f"{season} at 100 %", terms, source)
    return choices


def heaters_in_tier(items: Sequence[LoadItem], edition: Edition) -> tuple[LoadItem, ...]:
    """Electric heaters that stay in the tier because there are four or more separately controlled.

    Parameters: HVAC items [VA]. Returns: items [VA]. Source: 220.83(B) by omission, from memory.
    """
    heaters = of_kind(items, "electric-heat")
    return heaters if sum(item.count for item in heaters) >= edition.value("existing_heat_many_count").value else ()


def outside_tier(key: str, symbol: str, meaning: str, items: Sequence[LoadItem], source: Source | None, note: str = "") -> Step | None:
    """Loads taken at 100 % outside the tier; None if there are none.

    Parameters: items [VA]. Returns: [VA]. Source: as given (charging 2026: 120.82(D), unconfirmed).
    """
    return total_va(key, symbol, meaning, items, source=source, note=note) if items else None
