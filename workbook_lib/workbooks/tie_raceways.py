"""Raceways of the circuits: fill, smallest trade size, nipples, as parts of the backfeed and tap sheet."""

from __future__ import annotations

from dataclasses import replace

from workbook_lib.errors import Fault, InputFault, MissingInput
from workbook_lib.rules import circuits
from workbook_lib.sheet import Check, Result, Section, Step, Verdict
from workbook_lib.workbooks.tie_work import Work, wired

INCHES = 12.0
"""Inches of a foot."""


def raceways(work: Work) -> None:
    """Checks `raceway:RACEWAY`: fill, the smallest trade size, the nipple rule."""
    steps: list[Step] = []
    for raceway in work.site.raceway:
        users = [(path, wire) for _, path, _, wire in wired(work) if wire.raceway == raceway.id]
        key, asked = f"raceway:{raceway.id}", f"do the conductors fit raceway {raceway.id}?"
        if raceway.kind == "cable":
            work.checks.append(Check(key, asked, Verdict.NOT_APPLICABLE, note="a cable has no fill of its own"))
        elif users:
            work.guarded(key, asked, lambda raceway=raceway, users=users: _raceway(work, raceway, users, steps))
    if steps:
        prose = (
            "The area of all conductors drawn in a raceway against the part of it that they may fill; one set where sets run in parallel."
        )
        work.sections.append(Section("Raceways", tuple(steps), prose))


def _raceway(work: Work, raceway, users, steps: list[Step]) -> Check:
    edition, areas, lacking = work.edition, [], []
    for path, wire in users:
        lacking += [f"{path}.{name}" for name in ("size", "insulation") if getattr(wire, name) is None]
    if lacking:
        raise MissingInput(lacking)
    count = 0
    for path, wire in users:
        parts = {"leg": circuits.wire_area(wire.size.value, wire.insulation.value, edition)}
        for name, extra in (("neutral", wire.neutral), ("ground", wire.grounding)):
            if extra is not None and extra.value != "none":
                parts[name] = circuits.wire_area(extra.value, wire.insulation.value, edition)
        areas.append(circuits.circuit_area(raceway.id, path.split(".")[-2], parts, edition))
        count += len(parts) + 1
    lengths = [wire.length.value if wire.length is not None else None for _, wire in users]
    nipple = all(one is not None and one * INCHES <= edition.value("nipple_length_in").value for one in lengths)
    limit = circuits.fill_limit(count, nipple, edition)
    used = circuits.fill_sum(raceway.id, areas, edition)
    smallest = circuits.smallest_raceway(used.value, raceway.kind, limit, edition)
    if smallest is None:
        what = "its conductors fit no listed size of this raceway"
        raise InputFault(
            [
                Fault(
                    "",
                    f"raceway.{raceway.id}",
                    what,
                    f"{used.value:.4f} in^2",
                    "the sizes of Chapter 9 Table 4",
                    "split the circuits over several raceways",
                )
            ]
        )
    size = raceway.size.value if raceway.size is not None else smallest
    room = circuits.raceway_room(raceway.id, size, raceway.kind, limit, edition)
    work.results[f"raceway:{raceway.id}"] = Result(smallest, None)
    fill = Step(
        f"raceway.{raceway.id}.fill",
        "p",
        f"part of raceway {raceway.id} that its conductors fill",
        "used * limit / room",
        {"used": used, "limit": limit, "room": room},
        used.value * limit.value / room.value,
        "frac",
        edition.cite("raceway_fill"),
        decimals=3,
    )
    work.result(f"raceway_fill_frac:{raceway.id}", fill)
    steps += [*areas, used, room, fill]
    check = circuits.raceway_check(raceway.id, used, room, smallest, edition)
    return check if raceway.size is not None else replace(check, note=f"no size is given: {smallest} is chosen")
