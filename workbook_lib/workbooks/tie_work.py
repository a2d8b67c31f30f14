"""What the parts of the backfeed and tap workbook share: the work in hand, source currents, controls, conductors in place."""

from __future__ import annotations

from dataclasses import dataclass, field

from workbook_lib.editions import Edition
from workbook_lib.errors import MissingInput
from workbook_lib.home import distribution
from workbook_lib.rules import source as sources
from workbook_lib.sheet import Input, Quantity, Step
from workbook_lib.workbooks.in_place import ampacity_of, assumed
from workbook_lib.workbooks.prepare import text
from workbook_lib.workbooks.work import SheetWork

LISTINGS = ("UL 1741", "UL 3141")
"""Standards to which a control of source current is listed. Source: UL 1741 power control tests; outline UL 3141."""
MULTISOURCE = ("UL 3141",)


@dataclass
class Work(SheetWork):
    """What is known while the sheet is put together."""

    currents: dict[str, Step] = field(default_factory=dict)
    flows: dict[tuple[str, bool], tuple[Quantity, ...]] = field(default_factory=dict)
    buses: dict[str, object] = field(default_factory=dict)
    relied: dict[str, str] = field(default_factory=dict)
    faults: dict[str, tuple[Step, Step]] = field(default_factory=dict)
    uppers: dict[str, Step] = field(default_factory=dict)
    ways: dict[tuple[str, str], object] = field(default_factory=dict)
    bare: dict[str, tuple[Step, Step]] = field(default_factory=dict)
    origin: object = None


def current_of(work: Work, source) -> Step:
    """Rated output current of a source [A], computed once. Errors: MissingInput."""
    if source.id not in work.currents:
        work.currents[source.id] = sources.source_current(source, work.edition)
    return work.currents[source.id]


# controls


def credit(control, edition: Edition) -> tuple[bool, str]:
    """Whether a control may stand for source current under the edition, and why or why not. Returns: decision and words."""
    form = edition.value("source_control").value
    if form == "none":
        return False, f"the {edition.year} code has no rule by which a control stands for source current"
    wanted = MULTISOURCE if form == "multisource" else LISTINGS
    listed = [name for name in control.listed_to if name in wanted]
    if not listed:
        kind = "a multisource power control system" if form == "multisource" else "power control"
        return False, f"not listed for {kind} ({' or '.join(wanted)})"
    if text(control.access) != "restricted":
        return (
            False,
            "its setting is not restricted to qualified people"
            if control.access is not None
            else "who can change its setting is not stated",
        )
    return True, f"listed to {', '.join(listed)}, access restricted"


def limits_at(work: Work, name: str, way: str) -> list[tuple[object, object]]:
    """Pairs of standing control and its limit of a kind at a place."""
    return [(control, limit) for control in work.standing("control") for limit in control.limit if limit.at == name and limit.way == way]


def credited_limit(work: Work, name: str, way: str) -> tuple[object, Input] | None:
    """The lowest setting [A] of a credited control at a place, with the control; None where there is none."""
    found = [
        (control, limit.setting)
        for control, limit in limits_at(work, name, way)
        if limit.setting is not None and credit(control, work.edition)[0]
    ]
    return min(found, key=lambda pair: pair[1].value, default=None)


def contributions(work: Work, name: str, *, capped: bool = True) -> tuple[Quantity, ...]:
    """Source currents [A] that can come up through a place towards the utility, held where a credited control holds them.

    Parameters: id; capped False to leave out a control at the place itself. Errors: MissingInput for an output current.
    """
    if (name, capped) not in work.flows:
        order = (name, *work.tree.below(name))
        for one in reversed(order):
            if (one, True) not in work.flows and distribution.standing(work.tree.node(one)):
                parts = _gather(work, one)
                work.flows[one, False] = tuple(parts)
                work.flows[one, True] = tuple(_held(work, one, parts))
    return work.flows[name, capped]


def _gather(work: Work, name: str) -> list[Quantity]:
    """What comes up through a place by itself and what hangs on it, whose own sums are known [A]."""
    node = work.tree.node(name)
    parts: list[Quantity] = [_own(work, node.item)] if node.kind == "source" else []
    for child in work.tree.children(name):
        if distribution.standing(work.tree.node(child)):
            parts += work.flows[child, True]
    return parts


def _held(work: Work, name: str, parts: list[Quantity]) -> list[Quantity]:
    """The same where a credited control stands at the place [A]."""
    held = credited_limit(work, name, "export") if parts else None
    if held is None:
        return parts
    control, setting = held
    total = sources.summed(f"flow.{name}", f"source current coming up through {name}", parts)
    named = {text(each) for each in control.controls}
    free = [current_of(work, one) for one in distribution.sources_below(work.tree, name) if one.id not in named]
    rest = sources.summed(f"flow.{name}.free", f"sources behind {name} that {control.id} does not hold", free) if free else None
    cite = work.edition.cite("power_control")
    return [sources.held(f"flow.{name}.held", f"source current coming up through {name}, held by {control.id}", total, setting, rest, cite)]


def _own(work: Work, source) -> Step:
    current = current_of(work, source)
    held = credited_limit(work, source.id, "output")
    if held is None:
        return current
    control, setting = held
    what = f"output of {source.id}, held by {control.id}"
    return sources.held(f"source.{source.id}.held", what, current, setting, None, work.edition.cite("power_control"))


def flow(work: Work, name: str, *, capped: bool = True) -> Quantity | None:
    """Sum of the source current that can come up through a place [A]; None where no source is behind it."""
    parts = contributions(work, name, capped=capped)
    return sources.summed(f"flow.{name}.sum", f"source current coming up through {name}", parts) if parts else None


# conductors


def wired(work: Work) -> list[tuple[str, str, object, object]]:
    """Everything that has conductors of its own: id, path in the site file, thing, its conductor; the service first."""
    found = []
    if work.site.service.conductor is not None:
        found.append(("service", "service.conductor", work.site.service, work.site.service.conductor))
    for table in ("feeder", "panel", "disconnect", "transfer", "source", "evse"):
        for item in work.standing(table):
            if item.conductor is not None:
                found.append((item.id, f"{table}.{item.id}.conductor", item, item.conductor))
    return found


def ampacity(work: Work, path: str, wire, rating: Quantity | None, *, neutral: bool = False) -> Step:
    """Ampacity of a conductor in place [A], what is taken of its raceway told. Errors: MissingInput naming every field that lacks."""
    found = ampacity_of(work.home, wire, path, work.edition, rating=rating, neutral=neutral)
    work.assumptions += [one for one in assumed(work.home, wire) if one not in work.assumptions]
    return found


def raceway_of(work: Work, wire) -> object | None:
    """The raceway that a conductor names; None where it names none."""
    return work.tree.raceways.get(text(wire.raceway))


def ahead(work: Work) -> bool:
    """Whether the adapter's connection stands ahead of the service disconnect. Errors: MissingInput where the file does not say."""
    adapter = work.site.adapter
    if adapter is None or adapter.status == "removed":
        return False
    if adapter.service_disconnect is None:
        raise MissingInput(
            ["adapter.service_disconnect"], "whether the service disconnect stands after or within the connection selects the rules"
        )
    return text(adapter.service_disconnect) == "after"


def local_limit(work: Work, key: str) -> Input | None:
    """A limit of the utility, else of the jurisdiction; None where neither has one."""
    for local in (work.home.utility, work.home.jurisdiction):
        if local is not None and key in local.limits:
            return local.limits[key]
    return None
