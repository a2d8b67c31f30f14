"""Busbars that carry source current: each rule of the edition, and what each would still take.

Every rule reads *bus provides, sources and device require*. A rule function takes the bus, the device that
protects it and the source current at 125 %, and says which part of the rule fails besides the sum.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from workbook_lib.editions import Edition
from workbook_lib.formula import next_standard, previous_standard
from workbook_lib.sheet import Check, Input, Quantity, Step, Verdict, compare, holds, needs_input

RULES = ("sum", "120", "centre", "breakers", "feed-through")
"""Rules in the order in which they are tried where the site file relies on none."""
CITES = {"sum": "bus_sum", "120": "bus_120", "centre": "bus_centre", "breakers": "bus_breakers", "feed-through": "bus_feed_through"}
TITLES = {
    "sum": "device and source within the bus",
    "120": "device and source within 120 % of the bus, from opposite ends",
    "centre": "centre-fed dwelling panel, a source at one end",
    "breakers": "all breakers without the one that protects the bus",
    "feed-through": "feed-through conductors with a device of their own",
    "engineered": "a study under engineering supervision",
}
OPPOSITE = {"top": "bottom", "bottom": "top"}
ENDS = ("top", "bottom")
DEMANDS = {
    "sum": "none besides the sum: any position",
    "120": "the source breaker at the end opposite to the main, with the label not to relocate it; the bus sized for its loads",
    "centre": "sources at one end only, with the label not to relocate; a dwelling's panel",
    "breakers": "a label on the panel: fed by several sources, all devices without the main are not above the bus; no breaker beyond that",
    "feed-through": "the conductors from the lugs sized as a feeder, or a device at their supply end; the wording is disputed",
    "engineered": "fault current and bus load calculated, signed by a licensed engineer, accepted by the authority",
}
"""What each rule asks besides its sum. Source: rules-by-edition matrix read in public sources; labels by 110.21(B)."""


@dataclass(frozen=True, slots=True)
class Bus:
    """One bus on a source's path: its rating and the rating of what protects it [A], source current at 125 % [A].

    `ends` are positions of the breakers by which sources come in, by id (None where not known); `behind` names sources
    that come in through the feed, from buses that no device parts from this one. `breakers` are the ratings of
    the load and source breakers by id [A], None where the list is not complete; `lugs` those on feed-through lugs. `unlisted` hangs
    on the bus without a breaker, though all are said to be listed.
    """

    id: str
    rating: Input
    device: Input
    current: Step
    feed: str
    kind: str
    ends: Mapping[str, str | None]
    behind: tuple[str, ...] = ()
    breakers: Mapping[str, Input] | None = None
    unrated: tuple[str, ...] = ()
    lugs: Mapping[str, Quantity] | None = None
    has_lugs: bool = False
    unlisted: tuple[str, ...] = ()
    connections_count: int | None = None


def question(rule: str, panel: str) -> str:
    """Question of a rule's check. Parameters: texts. Returns: text [-]. Source: wording of this program."""
    return f"bus of {panel}: {TITLES[rule]}?"


def required_sum(bus: Bus) -> Step:
    """Device that protects the bus and the source current at 125 %. Parameters: bus [A]. Returns: [A]. Source: 705.12(B)."""
    return Step(
        f"bus.{bus.id}.required",
        "I_req",
        f"device and source current on the bus of {bus.id}",
        "device + source",
        {"device": bus.device, "source": bus.current},
        bus.device.value + bus.current.value,
        "A",
        decimals=2,
    )


def enlarged(bus: Bus, edition: Edition) -> Step:
    """Rating of the bus with the allowance. Parameters: bus [A]. Returns: [A]. Source: 705.12(B): 120 %."""
    frac = edition.value("bus_120_frac")
    return Step(
        f"bus.{bus.id}.allowed",
        "I_bus",
        f"120 % of the bus of {bus.id}",
        "frac * bus",
        {"frac": frac, "bus": bus.rating},
        frac.value * bus.rating.value,
        "A",
        frac.source,
        decimals=1,
    )


def breaker_sum(bus: Bus) -> Step:
    """All devices on the bus, loads and sources, without the one that protects it. Parameters: bus [A]. Returns: [A]. Source: 705.12(B)."""
    ratings = (*bus.breakers.values(), *(bus.lugs or {}).values())
    return Step(
        f"bus.{bus.id}.breakers",
        "I_brk",
        f"breakers on the bus of {bus.id} without the main",
        "sum(breakers)",
        {"breakers": ratings},
        sum(one.value for one in ratings),
        "A",
        note=", ".join([*bus.breakers, *(f"through lugs: {name}" for name in bus.lugs or {})]),
        decimals=0,
    )


def bus_checks(bus: Bus, edition: Edition) -> dict[str, Check]:
    """Every rule at one bus, none of them deciding by itself. Parameters: bus [A]. Returns: checks [A] by rule. Source: 705.12(B)."""
    needed = required_sum(bus)
    return {
        "sum": compare(
            f"bus-sum:{bus.id}",
            question("sum", bus.id),
            bus.rating,
            ">=",
            needed,
            edition.cite("bus_sum"),
            note="any position",
            counts=False,
        ),
        "120": _opposite_ends(bus, needed, edition),
        "centre": _centre(bus, needed, edition),
        "breakers": _breakers(bus, edition),
        "feed-through": _feed_through(bus, edition),
    }


def _shown(key: str, rule: str, bus: Bus, verdict: Verdict, note: str, edition: Edition) -> Check:
    return Check(f"{key}:{bus.id}", question(rule, bus.id), verdict, source=edition.cite(CITES[rule]), note=note, counts=False)


def _opposite_ends(bus: Bus, needed: Step, edition: Edition) -> Check:
    """The 120 % rule: the sum, and every source at the end opposite to the feed."""
    cite = edition.cite("bus_120")
    if bus.feed == "centre":
        return _shown("bus-120", "120", bus, Verdict.NOT_APPLICABLE, "the bus is fed at its centre: it has no opposite end", edition)
    check = compare(f"bus-120:{bus.id}", question("120", bus.id), enlarged(bus, edition), ">=", needed, cite, counts=False)
    if check.verdict is Verdict.FAIL:
        return check
    if bus.behind:
        note = f"{', '.join(bus.behind)} come in where the bus is fed, not at its opposite end"
        return replace(check, verdict=Verdict.FAIL, note=note)
    if not bus.feed:
        return needs_input(check.key, check.question, [f"panel.{bus.id}.feed"], cite, counts=False)
    unknown = [name for name, place in bus.ends.items() if place is None]
    if unknown:
        fields = [f"panel.{bus.id}.breakers.{name}.position" for name in unknown]
        return needs_input(check.key, check.question, fields, cite, counts=False)
    wrong = [f"{name} at the {place}" for name, place in bus.ends.items() if place != OPPOSITE[bus.feed]]
    if wrong:
        note = f"the bus is fed at the {bus.feed}; not at the opposite end: {', '.join(wrong)}"
        return replace(check, verdict=Verdict.FAIL, note=note)
    return replace(check, note=f"fed at the {bus.feed}, sources at the {OPPOSITE[bus.feed]}: {', '.join(bus.ends)}")


def _centre(bus: Bus, needed: Step, edition: Edition) -> Check:
    """Centre-fed panel: 120 %, sources at one end, never at both."""
    cite = edition.cite("bus_centre")
    if bus.feed and bus.feed != "centre":
        return _shown("bus-centre", "centre", bus, Verdict.NOT_APPLICABLE, f"the bus is fed at the {bus.feed}", edition)
    if not bus.feed:
        return needs_input(f"bus-centre:{bus.id}", question("centre", bus.id), [f"panel.{bus.id}.feed"], cite, counts=False)
    if edition.value("bus_centre_fed").value != "one-end":
        return _shown("bus-centre", "centre", bus, Verdict.FAIL, "this text does not address a centre-fed bus", edition)
    check = compare(f"bus-centre:{bus.id}", question("centre", bus.id), enlarged(bus, edition), ">=", needed, cite, counts=False)
    unknown = [name for name, place in bus.ends.items() if place is None]
    if unknown:
        fields = [f"panel.{bus.id}.breakers.{name}.position" for name in unknown]
        return needs_input(check.key, check.question, fields, cite, counts=False)
    used = sorted(set(bus.ends.values()))
    if bus.behind:
        return replace(check, verdict=Verdict.FAIL, note=f"{', '.join(bus.behind)} come in where the bus is fed")
    if len(used) > 1:
        return replace(check, verdict=Verdict.FAIL, note=f"sources at both ends or amid the bus ({', '.join(used)}): one end, never both")
    if used and used[0] not in ENDS:
        return replace(check, verdict=Verdict.FAIL, note="the source stands amid the bus, not at one end")
    return replace(check, note=f"fed at the centre, sources at the {used[0]} only" if used else "fed at the centre")


def _breakers(bus: Bus, edition: Edition) -> Check:
    """Sum of all breakers; an incomplete list never passes."""
    key, asked, cite = f"bus-breakers:{bus.id}", question("breakers", bus.id), edition.cite("bus_breakers")
    if bus.unlisted:
        note = f"all breakers are said to be listed; on the bus without one: {', '.join(bus.unlisted)}"
        return needs_input(key, asked, [f"panel.{bus.id}.breakers"], cite, note=note, counts=False)
    if bus.breakers is None:
        return needs_input(key, asked, [f"panel.{bus.id}.breakers_listed"], cite, note="not all of its breakers are listed", counts=False)
    if bus.unrated:
        return needs_input(key, asked, list(bus.unrated), cite, counts=False)
    check = compare(key, asked, bus.rating, ">=", breaker_sum(bus), cite, counts=False)
    if not holds(bus.device.value, "<=", bus.rating.value):
        note = f"the device that protects the bus, {bus.device.value:g} A, is above its {bus.rating.value:g} A"
        return replace(check, verdict=Verdict.FAIL, note=note)
    if bus.lugs and check.verdict is Verdict.PASS:
        return replace(check, note="what hangs on the feed-through lugs is counted by its device; whether it counts is argued")
    if bus.lugs:
        alone = sum(one.value for one in bus.breakers.values())
        words = f"with what hangs on the lugs; without it {alone:g} A: whether it counts is argued"
        return replace(check, note=words)
    return check


def _feed_through(bus: Bus, edition: Edition) -> Check:
    """Feed-through lugs: a disputed wording that never passes a bus by itself."""
    if edition.value("bus_feed_through").value == "none":
        return _shown("bus-feed-through", "feed-through", bus, Verdict.NOT_APPLICABLE, "no such rule in this edition", edition)
    if not bus.has_lugs:
        return _shown("bus-feed-through", "feed-through", bus, Verdict.NOT_APPLICABLE, "nothing hangs on feed-through lugs", edition)
    note = (
        "its wording is disputed: read literally it lets any bus pass. The conductors from the lugs are tested as a feeder; "
        "the bus itself still needs one of the other rules, or a device at the supply end of those conductors"
    )
    check = _shown("bus-feed-through", "feed-through", bus, Verdict.JUDGEMENT, note, edition)
    return replace(check, closes="another bus rule, or the authority's reading in writing", decides="the authority having jurisdiction")


def relied_check(bus: Bus, checks: Mapping[str, Check], relied: str, edition: Edition) -> tuple[str, Check]:
    """Check `bus:PANEL`: the rule that the site file relies on, or the first that passes.

    Parameters: bus [A], checks by rule, relied the rule named or empty. Returns: rule and Check [A]. Source: 705.12(B).
    """
    asked = f"does the bus of {bus.id} carry what its device and its sources can feed it?"
    if relied == "engineered":
        return relied, _engineered(bus, checks, asked, edition)
    rule = relied or next((name for name in RULES if checks[name].verdict is Verdict.PASS), "")
    if not rule:
        order = (Verdict.NEEDS_INPUT, Verdict.JUDGEMENT, Verdict.FAIL)
        open_ = [name for verdict in order[:2] for name in RULES if checks[name].verdict is verdict]
        tried = [name for name in RULES if checks[name].verdict is not Verdict.NOT_APPLICABLE]
        rule = open_[0] if open_ else min(tried, key=lambda name: -(checks[name].margin if checks[name].margin is not None else -1e9))
    chosen = checks[rule]
    none = not relied and chosen.verdict in (Verdict.FAIL, Verdict.NOT_APPLICABLE)
    note = f"{'no rule holds; the nearest' if none else 'rule relied on'}: {TITLES[rule]}" + (f"; {chosen.note}" if chosen.note else "")
    verdict, closes, decides = chosen.verdict, chosen.closes, chosen.decides
    if verdict is Verdict.NOT_APPLICABLE:
        verdict, note = Verdict.FAIL, f"{note}: this rule does not apply to this bus"
    if verdict is Verdict.FAIL and bus.connections_count == 3 and edition.value("three_connection_box").value == "outside":
        verdict = Verdict.JUDGEMENT
        note += f"; with three connections only it is argued to be outside the bus rules ({edition.cite('bus_scope')})"
        closes, decides = "the authority's reading of the scope of 705.12 in writing", "the authority having jurisdiction"
    return rule, Check(
        f"bus:{bus.id}",
        asked,
        verdict,
        chosen.provided,
        chosen.relation,
        chosen.required,
        edition.cite(CITES[rule]),
        note,
        closes=closes,
        decides=decides,
        fields=chosen.fields,
    )


def _engineered(bus: Bus, checks: Mapping[str, Check], asked: str, edition: Edition) -> Check:
    cite = edition.cite("bus_engineered")
    only = edition.value("bus_engineered").value == "multiple-ampacity"
    note = "relied on: a study under engineering supervision; it must be signed by a licensed engineer and accepted by the authority"
    note += "; this edition gives it to buses of several ampacities only" if only else ""
    chosen = checks["120" if bus.feed != "centre" else "centre"]
    return Check(
        f"bus:{bus.id}",
        asked,
        Verdict.JUDGEMENT,
        chosen.provided,
        chosen.relation,
        chosen.required,
        cite,
        note,
        closes="the signed study of fault current and bus load",
        decides="a licensed engineer, then the authority having jurisdiction",
    )


def allowance(bus: Bus, rule: str, edition: Edition) -> Step | None:
    """Source current at 125 % that the bus takes in all by a rule; None where the rule gives no number.

    Parameters: bus [A], rule. Returns: [A]. Source: 705.12(B).
    """
    placed = ", its positions kept" if rule in ("120", "centre") else ""
    name = f"source current at 125 % that the bus of {bus.id} takes by the rule: {TITLES[rule]}{placed}" if rule in TITLES else ""
    if rule == "sum":
        uses, formula = {"bus": bus.rating, "device": bus.device}, "max(0, bus - device)"
        value = max(0.0, bus.rating.value - bus.device.value)
    elif rule in ("120", "centre"):
        frac = edition.value("bus_120_frac")
        uses, formula = {"frac": frac, "bus": bus.rating, "device": bus.device}, "max(0, frac * bus - device)"
        value = max(0.0, frac.value * bus.rating.value - bus.device.value)
    elif rule == "breakers" and bus.breakers is not None and not bus.unrated:
        loads = [one for name, one in bus.breakers.items() if name not in bus.ends] + list((bus.lugs or {}).values())
        if not loads:
            uses, formula, value = {"bus": bus.rating}, "bus", bus.rating.value
        else:
            uses, formula = {"bus": bus.rating, "loads": tuple(loads)}, "max(0, bus - sum(loads))"
            value = max(0.0, bus.rating.value - sum(one.value for one in loads))
        name = f"breaker rating that the bus of {bus.id} takes for sources by the rule: {TITLES[rule]}"
    else:
        return None
    return Step(f"bus.{bus.id}.allowance.{rule}", "I_left", name, formula, uses, value, "A", edition.cite(CITES[rule]), decimals=1)


def largest_inverter(bus: Bus, room: Step, rule: str, edition: Edition) -> Step:
    """Largest rated output that a bus takes in all. Parameters: bus, room [A], rule. Returns: [A]. Source: 705.12(B), 240.6(A).

    By the sum of breakers it is the output whose breaker, the next standard size, still fits.
    """
    frac, sizes = edition.value("source_frac"), edition.series("standard_ratings", "rating_a")
    key, what = f"bus.{bus.id}.largest_inverter.{rule}", f"largest rated output of all sources on the bus of {bus.id}"
    if rule == "breakers" and room.value >= sizes.value[0]:
        return Step(
            key,
            "I_inv",
            what,
            "previous_standard(room, sizes) / frac",
            {"room": room, "sizes": sizes, "frac": frac},
            previous_standard(room.value, sizes.value) / frac.value,
            "A",
            note="one source on one breaker",
            decimals=2,
        )
    return Step(key, "I_inv", what, "room / frac", {"room": room, "frac": frac}, room.value / frac.value, "A", decimals=2)


def largest_breaker(bus: Bus, room: Step, rule: str, edition: Edition) -> Step | None:
    """Breaker of the largest inverter: the next standard size of what the bus takes; None where it takes nothing.

    Parameters: room [A]. Returns: [A]. Source: 240.6(A), 705.30.
    """
    sizes = edition.series("standard_ratings", "rating_a")
    choose, word = (previous_standard, "previous_standard") if rule == "breakers" else (next_standard, "next_standard")
    if room.value <= 0 or (rule == "breakers" and room.value < sizes.value[0]):
        return None
    return Step(
        f"bus.{bus.id}.largest_breaker.{rule}",
        "I_brk",
        "breaker of the largest source",
        f"{word}(room, sizes)",
        {"room": room, "sizes": sizes},
        choose(room.value, sizes.value),
        "A",
        edition.cite("standard_ratings"),
    )


def largest_main(bus: Bus, edition: Edition) -> Step | None:
    """Largest standard main with which the 120 % rule would hold the sources there are; None where none would.

    Parameters: bus [A]. Returns: [A]. Source: 705.12(B) 120 %, 240.6(A).
    """
    frac, sizes = edition.value("bus_120_frac"), edition.series("standard_ratings", "rating_a")
    room = frac.value * bus.rating.value - bus.current.value
    if room < sizes.value[0]:
        return None
    return Step(
        f"bus.{bus.id}.largest_main",
        "I_main",
        f"largest main of {bus.id} with which its sources fit by 120 %",
        "previous_standard(frac * bus - source, sizes)",
        {"frac": frac, "bus": bus.rating, "source": bus.current, "sizes": sizes},
        previous_standard(room, sizes.value),
        "A",
        edition.cite("bus_120"),
        note="a smaller main must still carry the load calculation, and be listed for the panel",
    )


def remedy(bus: Bus, checks: Mapping[str, Check], edition: Edition) -> str:
    """What would let a failing bus pass, in words: positions, a smaller main. Parameters: bus [A]. Returns: text. Source: 705.12(B)."""
    sizes, found = edition.series("standard_ratings", "rating_a").value, []
    positional = "centre" if bus.feed == "centre" else "120"
    check = checks[positional]
    amounts = check.margin is not None and holds(check.provided.value, check.relation, check.required.value)
    if check.verdict is Verdict.FAIL and amounts and not bus.behind:
        where = "at one end only" if positional == "centre" else f"at the {OPPOSITE.get(bus.feed, 'opposite')} end"
        found.append(f"every source breaker {where} ({edition.cite(CITES[positional]).locator})")
    main = largest_main(bus, edition)
    if main is not None and main.value < bus.device.value and not bus.behind and positional == "120":
        found.append(f"a device of at most {main.value:g} A ahead of it, sources at the opposite end")
    room = bus.rating.value - bus.current.value
    if room >= sizes[0]:
        found.append(
            f"a device of at most {previous_standard(room, sizes):g} A ahead of it, sources anywhere ({edition.cite('bus_sum').locator})"
        )
    return "it would pass with " + ", or ".join(found) + ", if the load allows" if found else ""


def by_breaker_size(bus: Bus, breakers: Sequence[Input]) -> Step:
    """The sum with the ratings of the source breakers in place of the current: a common misreading, printed beside the rule.

    Parameters: bus, ratings of the source breakers [A]. Returns: [A]. Source: editions up to 2011 tested by breaker ratings.
    """
    return Step(
        f"bus.{bus.id}.by_breaker",
        "I_brk",
        "the same with breaker ratings in place of the current: not the rule",
        "device + sum(breakers)",
        {"device": bus.device, "breakers": tuple(breakers)},
        bus.device.value + sum(one.value for one in breakers),
        "A",
        note="editions up to 2011 read so",
    )
