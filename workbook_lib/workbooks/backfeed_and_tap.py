"""Workbook backfeed_and_tap: may the sources tie in where they are drawn, and is everything on their path large enough?"""

from __future__ import annotations

from workbook_lib.editions import Edition
from workbook_lib.home import distribution
from workbook_lib.rules import source as sources
from workbook_lib.sheet import Check, Input, Section, Sheet, Step
from workbook_lib.workbooks import (
    common,
    tie_adapter,
    tie_buses,
    tie_circuits,
    tie_controls,
    tie_diagrams,
    tie_evidence,
    tie_faults,
    tie_supply,
    tie_utility,
)
from workbook_lib.workbooks.prepare import text
from workbook_lib.workbooks.tie_work import Work, current_of

FORM = common.Form(
    name="backfeed_and_tap",
    title="Backfeed and tap",
    question=(
        "May the sources tie in where they are drawn, and is every bus, feeder, tap and conductor on their path to the meter large enough?"
    ),
    order=(
        *("bus", "feeder-capacity", "tap-size", "tap-length"),
        *("supply-side-capacity", "supply-side-size", "supply-side-length", "supply-side-place"),
        *("disconnect-rating", "service-disconnects", "adapter-connection", "adapter-approval", "adapter-socket", "adapter-source"),
        *("adapter-load", "adapter-switch", "local-evidence", "control-limit", "control-sees", "breaker-suitability", "pass-through"),
        *("conductor", "service-conductor", "overcurrent", "neutral", "grounding", "raceway", "single-bond", "emergency-disconnect"),
        *("interrupting", "voltage", "utility-source-power", "utility-export", "utility-motor-start", "utility-voltage-dip"),
        *("source-current", "field-verified", "edition-adopted", "independent-check"),
    ),
    families=("busbar", "source-circuits", "fault-current", "chapter-9", "conductor", "tables", "mistakes"),
    first=("worst_bus",),
)
PLACELESS = ("sum", "breakers")
"""Bus rules by which it does not matter where on the bus a breaker stands."""
CAUTIONS = (
    "Both sides of a disconnect of a source may be live when it is open; batteries and inverter capacitors hold energy after it opens.",
    "Each source breaker under the 120 % rule carries the label not to relocate it; the service equipment the directory of all sources.",
    "Fault and short-circuit ratings of every new device are checked on the utility's figure: ask for it in writing.",
)
OF_A_BUS = ("bus_protection_a", "source_allowance_a", "largest_inverter_a")
"""Results of each bus, by the part of their key before the colon."""


def study(home, edition: Edition) -> Sheet:
    """Every bus, feeder, tap, connection and conductor that carries source current, under an edition.

    Parameters: home (validated), edition as published; the jurisdiction's amendments are applied here. Returns: Sheet.
    Errors: InputFault for sizes that the tables lack. Source: 705.11, 705.12, 705.28, 705.30 and the sections beside each check.
    """
    work = Work(home, common.local_edition(home, edition))
    _sources(work)
    tie_buses.buses(work)
    tie_buses.all_feeders(work)
    tie_supply.supply(work)
    tie_adapter.adapter(work)
    tie_controls.controls(work)
    tie_controls.breakers(work)
    tie_controls.pass_through(work)
    tie_circuits.all_circuits(work)
    tie_faults.voltages(work)
    tie_faults.faults(work)
    tie_utility.utility(work)
    tie_evidence.required(work)
    work.checks += [common.edition_adopted(home), verified(work), common.independent_check(home)]
    work.not_checked += _not_here(work)
    return common.finished(work, FORM, cautions=CAUTIONS, last=_idle(work), figures=tie_diagrams.figures(work))


def _sources(work: Work) -> None:
    """Results `source_current_a:SOURCE`, and the section that shows them."""
    steps: list[Step] = []
    for source in work.standing("source"):
        key, asked = f"source-current:{source.id}", f"is the output current of {source.id} known?"

        def make(source=source) -> Check | None:
            current = current_of(work, source)
            work.result(f"source_current_a:{source.id}", current)
            steps.extend([current, sources.at_125(f"source.{source.id}.at_125", current, work.edition, f"{source.id} at 125 %")])
            return None

        work.guarded(key, asked, make)
    if steps:
        prose = "Rated continuous output of each source: what buses, feeders and conductors are tested with, at 125 %, never its breaker."
        work.sections.append(Section("Sources", tuple(steps), prose))


def verified(work: Work) -> Check:
    """Check `field-verified` for what the sheet rests on: bus, main, feed, breakers there are, service conductor, meter socket."""
    fields: list[tuple[str, Input | None]] = []
    for panel in work.standing("panel"):
        if panel.id in work.buses:
            rule = work.relied.get(panel.id)
            placed = rule not in PLACELESS
            fields += [(f"panel.{panel.id}.bus", panel.bus), (f"panel.{panel.id}.main", _given(panel.main))]
            if placed:
                fields.append((f"panel.{panel.id}.feed", _given(panel.feed)))
            if rule == "breakers" and text(panel.breakers_listed) == "all":
                fields.append((f"panel.{panel.id}.breakers_listed", _given(panel.breakers_listed)))
            for node in distribution.entries(work.tree, panel):
                if node.kind == "breaker" and node.item.status != "added":
                    path = f"panel.{panel.id}.breakers.{node.id}"
                    fields.append((f"{path}.rating", node.item.rating))
                    if placed:
                        fields.append((f"{path}.position", _given(node.item.position)))
    if any(check.key == "supply-side-capacity" and check.required is not None for check in work.checks):
        wire = work.site.service.conductor
        fields += [("service.conductor.size", wire.size if wire is not None else None)]
    socket = work.site.service.meter_socket
    if work.site.adapter is not None and work.site.adapter.status != "removed" and socket is not None:
        fields += [("service.meter_socket.continuous", socket.continuous)]
    words = "buses, mains, what their bus rule rests on, source breakers already there, and the service's parts where they decide"
    return common.field_verified(fields, words)


def _given(value: object) -> Input | None:
    return value if isinstance(value, Input) else None


OF_THE_SERVICE = ("service", "emergency")
"""Roles of a disconnect that is tested as part of the service."""


def _not_here(work: Work) -> list[str]:
    """Lines of `not_checked` on sources and feeders: what no part of this sheet looks at."""
    lines = [
        "labels and directory of sources: what each rule demands is named, the schedule itself is not part of this sheet",
        "load on each feeder: on the service load sheet; here its conductors are tested against its device and its sources",
    ]
    if work.standing("source"):
        lines += [
            "direct-current side of arrays and storage, rapid shutdown, and storage siting: not part of this sheet",
            "the switch that isolates each source, its place and whether the utility wants it in reach and lockable",
        ]
    tested = {check.key for check in work.checks}
    lines += [
        f"rating of disconnect {one.id}: compare it with the current of the sources that it carries, at 125 % (common practice)"
        for one in work.standing("disconnect")
        if one.role not in OF_THE_SERVICE and f"disconnect-rating:{one.id}" not in tested
    ]
    return lines


def _idle(work: Work) -> list[str]:
    """Keys of the results that say what buses without a source would take."""
    return [key for key in work.results if key.partition(":")[0] in OF_A_BUS and key.partition(":")[2] not in work.buses]


def other_editions(home, edition: Edition) -> tuple[Section, ...]:
    """Hook of the notebook: the verdicts under each edition, and in words which rules moved. Returns: sections."""
    from workbook_lib.workbooks.by_edition import compared
    from workbook_lib.workbooks.tie_editions import KEYS

    return compared(home, edition, study, KEYS)


__all__ = ["FORM", "other_editions", "study"]
