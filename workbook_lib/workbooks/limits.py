"""Limits of the service beside its rating: the continuous load, the local fraction, the open reading of a slow record."""

from __future__ import annotations

from dataclasses import replace

from workbook_lib.rules import measured, service
from workbook_lib.sheet import Check, Input, Quantity, Section, Step, Verdict, compare

TIERED = ("optional_dwelling", "existing_dwelling")
"""Methods in which a load may stand inside a demand tier."""


def lowered(work, check: Check) -> Check:
    """A check of the service load [A] by what the demand cannot exceed, left open where its lowest reading passes."""
    if work.low_a is None or check.provided is not work.load_a:
        return check
    from workbook_lib.workbooks.service_record import by_factor

    return by_factor(work, measured.open_between(check, work.low_a))


def continuous_load(work) -> Check:
    """Check `continuous-load`, with the section of its readings. Source: 230.42(A)."""
    key, question = "continuous-load", "does the service carry 125 % of the continuous load as well?"
    if work.home.site.service.hundred_percent_rated:
        return Check(key, question, Verdict.NOT_APPLICABLE, note="the assembly and its device are listed for 100 %")
    continuous = work.chosen.continuous
    if not continuous or work.load is not work.chosen.total:
        note = "no continuous load is given" if not continuous else "the credited control setting is the load; see control-continuous"
        return Check(key, question, Verdict.NOT_APPLICABLE, note=note)
    full = service.continuous_current(work.load_a, continuous, work.voltage, work.edition, key="service.continuous_full")
    outside = {id(load) for step in work.chosen.demand.values() for load in step.uses.get("load", ())}
    tiered = work.method in TIERED and any(id(part) not in outside for part in continuous)
    demand = full
    if tiered:
        rest = work.edition.value("optional_rest_frac" if work.method == "optional_dwelling" else "existing_rest_frac")
        reduced = [part if id(part) in outside else _after_tier(f"continuous.{index}", part, rest) for index, part in enumerate(continuous)]
        demand = service.continuous_current(work.load_a, reduced, work.voltage, work.edition, key="service.continuous_demand")
    prose = "Two readings: the continuous load at its whole amount, and as it stands after its demand factor."
    work.sections.append(Section("Continuous load at 125 %", (demand, full) if tiered else (full,), prose))
    check = service.continuous_check(demand, full, work.limit, work.edition)
    if work.low_a is None or check.verdict is Verdict.PASS:
        return check
    low = service.continuous_current(work.low_a, continuous, work.voltage, work.edition, key="service.continuous_low")
    note = f"{check.note}; by the reading that it cannot be below {low.value:.1f} A"
    closes = "first a record of shorter intervals: the load itself is open"
    return replace(check, note=note, closes=closes, provided=None, relation="", required=None)


def _after_tier(key: str, part: Quantity, rest: Input) -> Step:
    """A load of the tier at the tier's fraction on the rest. Parameters: part [VA], rest [-]. Returns: [VA]."""
    uses = {"frac": rest, "load": part}
    return Step(key, "S", "continuous load after the tier", "frac * load", uses, rest.value * part.value, "VA")


def local_limit(work, fraction: Input) -> Check:
    """Check `local-service-limit` of a jurisdiction's fraction [-]. Source: the jurisdiction."""
    key, question = "local-service-limit", "does the load stay within the local limit?"
    if work.home.site.service.hundred_percent_rated:
        return Check(key, question, Verdict.NOT_APPLICABLE, note="the assembly and its device are listed for 100 %", source=fraction.source)
    limit = service.local_limit(work.limit, fraction)
    return lowered(work, compare(key, question, work.load_a, "<=", limit, fraction.source, note="local rule"))
