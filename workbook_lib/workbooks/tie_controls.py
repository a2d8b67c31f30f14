"""Controls that stand for source current, breaker fitness and pass-through, as parts of the backfeed and tap sheet."""

from __future__ import annotations

from workbook_lib.errors import MissingInput
from workbook_lib.home import distribution
from workbook_lib.rules import source as sources
from workbook_lib.sheet import Check, Input, Quantity, Section, Step, Verdict, compare, needs_input
from workbook_lib.workbooks.prepare import text
from workbook_lib.workbooks.tie_work import Work, credit, current_of, flow

FUNCTIONS = {
    "output": "single source: limits the output of one unit",
    "bus": "busbar: limits the sum of currents into one bus",
    "export": "export: limits what comes up through a place towards the utility",
    "import": "import: limits what is taken from the utility through a place",
    "island": "island: limits the load while islanded",
}
"""What each way of limiting serves. They are kept apart: one function never stands for another."""


def controls(work: Work) -> None:
    """Checks `control-limit:CONTROL:AT:WAY` and `control-sees:CONTROL`."""
    steps: list[Step] = []
    for control in work.standing("control"):
        for limit in control.limit:
            key = f"control-limit:{control.id}:{limit.at}:{limit.way}"
            asked = f"does the limit of {control.id} at {limit.at} ({FUNCTIONS[text(limit.way)].partition(':')[0]}) hold in its place?"
            work.guarded(
                key, asked, lambda control=control, limit=limit, key=key, asked=asked: _limit(work, control, limit, key, asked, steps)
            )
        _sees(work, control)
    if steps:
        prose = (
            "A credited setting stands for the current of what the control holds, in the tests of the places that its function serves, in "
            "no "
            "others; with and without 125 % both are printed, and 125 % counts. Sources that it does not hold count in full."
        )
        work.sections.append(Section("Control in place of copper", tuple(steps), prose))


def _limit(work: Work, control, limit, key: str, asked: str, steps: list[Step]) -> Check:
    way, cite = text(limit.way), work.edition.cite("power_control")
    if way == "island":
        return Check(key, asked, Verdict.NOT_APPLICABLE, source=cite, note="while islanded: the backup study's matter", counts=False)
    if limit.setting is None:
        raise MissingInput([f"control.{control.id}.limit.setting"])
    granted, why = credit(control, work.edition)
    if not granted:
        note = f"no credit: {why}; every test uses the full current"
        return Check(key, asked, Verdict.NOT_APPLICABLE, source=cite, note=note, counts=False)
    bound, words = _bound(work, limit, way)
    steps.append(
        sources.at_125(
            f"control.{control.id}.{limit.at}.{way}_125", limit.setting, work.edition, f"setting of {control.id} at {limit.at} at 125 %"
        )
    )
    if bound is None:
        return Check(key, asked, Verdict.NOT_APPLICABLE, source=cite, note=words, counts=False)
    return compare(key, asked, limit.setting, "<=", bound, cite, note=f"{words}; {why}")


def _bound(work: Work, limit, way: str) -> tuple[Quantity | None, str]:
    """What a setting must stay within at its place [A], None where it serves no test of this sheet."""
    node = work.tree.node(limit.at)
    if way == "output":
        return current_of(work, node.item) if node.kind == "source" else None, "within the output that it limits"
    if way == "bus":
        if node.kind != "panel":
            return None, "a bus limit stands at a panel"
        if node.item.bus is None:
            raise MissingInput([f"panel.{node.id}.bus"])
        return node.item.bus, "within the rating of the bus"
    if node.kind in ("service", "panel"):
        return _main_share(work, node, way)
    device = distribution.device_of(node) if node.kind in ("breaker", "disconnect") else distribution.protection(work.tree, limit.at).device
    return device, "within the device that it feeds through"


def _main_share(work: Work, node, way: str) -> tuple[Quantity | None, str]:
    """Export and import at the service or a panel: 80 % of the main while exporting, unless it is rated for 100 %."""
    if way == "import":
        return None, "its place in the load calculation stands on the service load sheet"
    main = work.site.service.rating if node.kind == "service" else distribution.main_device(node.item)
    if main is None:
        return None, "no main here"
    if work.site.service.hundred_percent_rated:
        return main, "within the main, which is rated for 100 %"
    share = work.edition.value("circuit_frac")
    name = work.tree.node(node.id).id
    step = Step(
        f"control.{name}.main_share",
        "I_80",
        f"80 % of the main at {name}",
        "share * main",
        {"share": share, "main": main},
        share.value * main.value,
        "A",
        share.source,
        decimals=1,
    )
    return step, "measured current at a main that is not rated for 100 % stays under 80 % of it"


def _sees(work: Work, control) -> None:
    """Check `control-sees:CONTROL`: everything it is to hold stands behind the place where it measures."""
    key, asked, cite = f"control-sees:{control.id}", f"does {control.id} see what it is to limit?", work.edition.cite("power_control")
    held = [text(name) for name in control.controls]
    missed, free = [], []
    for limit in control.limit:
        if text(limit.way) == "island":
            continue
        behind = {limit.at, *distribution.kept_below(work.tree, limit.at)}
        missed += [f"{name} is not behind {limit.at}" for name in held if name in work.tree and name not in behind]
        if limit.at != "service" and text(limit.way) in ("import", "export") and work.tree.node(limit.at).kind == "panel":
            outside = [one.id for one in work.standing("source") if one.id not in behind]
            free += [f"{name} is connected ahead of {limit.at} and is not seen" for name in outside]
        free += [
            f"{one.id} is behind {limit.at} and not held: it counts in full"
            for one in distribution.sources_below(work.tree, limit.at)
            if one.id not in held
        ]
    words = list(dict.fromkeys([*missed, *free]))
    credited = credit(control, work.edition)[0]
    if missed:
        single = all(text(limit.way) == "output" for limit in control.limit)
        verdict = Verdict.FAIL if not single else Verdict.PASS
        work.checks.append(Check(key, asked, verdict, source=cite, note="; ".join(words), counts=credited))
    else:
        work.checks.append(
            Check(
                key, asked, Verdict.PASS, source=cite, note="; ".join(words) or "all that it holds is behind its sensors", counts=credited
            )
        )
    if credited:
        work.notes.append(
            f"if {control.id} fails, the overcurrent devices alone protect buses and conductors: its fallback is part of the design"
        )


def breakers(work: Work) -> None:
    """Checks `breaker-suitability:BREAKER`: marks for backfeed, hold-down for what can stand alone."""
    for panel in work.standing("panel"):
        for node in distribution.entries(work.tree, panel):
            if node.kind == "breaker":
                work.checks.append(_suitable(work, panel, node))


def _suitable(work: Work, panel, node) -> Check:
    key, asked = f"breaker-suitability:{node.id}", f"is {node.id} fit to be backfed?"
    edition, item = work.edition, node.item
    field = f"panel.{panel.id}.breakers.{node.id}"
    marks = text(item.backfeed)
    if marks == "line-load-marked":
        note = "marked line and load: it must not be backfed"
        return Check(key, asked, Verdict.FAIL, source=edition.cite("backfeed_suitable"), note=note)
    if item.poles is not None and item.poles.value == 1:
        note = "one pole: a source at 240 V comes in through two poles with a common trip"
        return Check(key, asked, Verdict.FAIL, source=edition.cite("backfeed_suitable"), note=note)
    _odd(work, node.id, item.rating)
    if marks != "suitable":
        return needs_input(key, asked, [f"{field}.backfeed"], edition.cite("backfeed_suitable"))
    alone = [one.id for one in distribution.sources_below(work.tree, node.id) if one.kind == "multimode-inverter"]
    if not alone:
        note = "its sources are interactive only: the fastener may be left out"
        return Check(key, asked, Verdict.PASS, source=edition.cite("fastener_exempt"), note=note)
    if item.hold_down:
        return Check(key, asked, Verdict.PASS, source=edition.cite("fastener"), note=f"held down; {', '.join(alone)} can stand alone")
    note = f"{', '.join(alone)} can stand alone: a plug-in breaker needs a fastener besides its spring"
    return Check(key, asked, Verdict.FAIL, source=edition.cite("fastener"), note=note)


def _odd(work: Work, name: str, rating: Input | None) -> None:
    """A caution for a rating that is no standard one."""
    sizes = work.edition.series("standard_ratings", "rating_a").value
    if rating is not None and rating.value not in sizes:
        cite = work.edition.cite("standard_ratings")
        work.notes.append(f"{name}: {rating.value:g} A is no standard rating ({cite}): check the entry")


def pass_through(work: Work) -> None:
    """Checks `pass-through:SOURCE` of inverters that carry what hangs behind them."""
    for source in work.standing("source"):
        behind = distribution.kept_below(work.tree, source.id)
        if behind:
            key, asked = f"pass-through:{source.id}", f"does {source.id} carry what passes through it?"
            work.guarded(key, asked, lambda source=source, key=key, asked=asked: _through(work, source, key, asked))


def _through(work: Work, source, key: str, asked: str) -> Check:
    cite = work.edition.cite("interconnect_device")
    if source.pass_through_current is None:
        raise MissingInput([f"source.{source.id}.pass_through_current"])
    limits: list[Quantity] = []
    ahead = distribution.protection(work.tree, source.id, own=False).device
    if ahead is not None:
        limits.append(ahead)
    mains = [distribution.main_device(panel) for panel in distribution.first_panels(work.tree, _children(work, source.id))]
    if mains and all(one is not None for one in mains):
        limits.append(sources.summed(f"source.{source.id}.mains", f"mains behind {source.id}", mains) if len(mains) > 1 else mains[0])
    if not limits:
        raise MissingInput([f"source.{source.id}.connected_to"], "no device ahead of it or behind it bounds what passes")
    bound = min(limits, key=lambda one: one.value)
    back = [one for child in _children(work, source.id) for one in ([flow(work, child)] if flow(work, child) is not None else [])]
    note = "the lesser of the devices ahead and behind bounds what passes"
    if back:
        total = sources.summed(f"source.{source.id}.back", f"sources behind {source.id}", back)
        note += f"; {total.value:.1f} A of sources behind it flow back through its utility port beside its own output"
        if total.value > bound.value:
            bound = total
    return compare(key, asked, source.pass_through_current, ">=", bound, cite, note=note)


def _children(work: Work, name: str) -> list[str]:
    return [child for child in work.tree.children(name) if distribution.standing(work.tree.node(child))]
