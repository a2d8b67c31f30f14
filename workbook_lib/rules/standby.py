"""May a source back up what hangs on it: capacity of the island against the largest load, the whole load, or a managed load."""

from __future__ import annotations

from collections.abc import Sequence

from workbook_lib.editions import Edition
from workbook_lib.errors import MissingInput
from workbook_lib.sheet import Check, Input, Quantity, Step, Verdict, compare, needs_input

QUESTIONS = {
    "backup-largest-load": "does the source carry the largest single load that it backs up?",
    "backup-full-load": "does the source carry the whole calculated load that it backs up?",
    "backup-managed": "does the source carry the most that a listed control lets it be loaded with?",
    "backup-restart": "is it restarted by hand after an overload?",
}
CONTROLLED = ("UL 1741", "UL 3141")
"""Standards to which a multimode inverter is listed as a power control system. Source: UL 1741, outline UL 3141."""


def inverter_current(source, edition: Edition) -> Step:
    """Continuous current that one kind of inverter gives an island at the place's temperature.

    Parameters: source with island.current or output_current [A], count [-], island.derate_fraction [-]. Returns: [A].
    Errors: MissingInput. Source: the maker's data sheet; 710.15(A), 705.80.
    """
    island = source.island
    given = island.current if island is not None and island.current is not None else source.output_current
    if given is None:
        raise MissingInput([f"source.{source.id}.island.current"])
    uses: dict[str, Quantity] = {"each": given}
    formula, value = "each", given.value
    if source.count is not None and source.count.value != 1:
        uses["count"], formula, value = source.count, "count * each", source.count.value * value
    derate = island.derate_fraction if island is not None else None
    if derate is not None and derate.value != 1:
        uses["derate"], formula, value = derate, f"{formula} * derate", value * derate.value
    return Step(
        f"island.{source.id}.current",
        "I_isl",
        f"continuous current of {source.id} in an island",
        formula,
        uses,
        value,
        "A",
        edition.cite("island_capacity"),
        decimals=2,
    )


def capacity(forming: Sequence[Step], beside: Sequence[Step], edition: Edition) -> Step:
    """Capacity of the island: what forms it, and where the edition counts them, arrays beside it.

    Parameters: currents of inverters with storage, and of those without [A]. Returns: [A].
    Source: 710.15(A) (2017 all sources; 2020 firm ones for general loads), 705.80 (2023 on: the sum of outputs).

    Arrays are never counted for the test: the sun may be away. The sum with them is printed beside it.
    """
    form = edition.value("backup_sources")
    note = "arrays beside it are not counted: the sun may be away" if beside else ""
    return Step(
        "island.capacity",
        "I_cap",
        "capacity of the island, storage alone",
        "sum(inverters)",
        {"inverters": tuple(forming)},
        sum(one.value for one in forming),
        "A",
        form.source,
        note=note,
        decimals=2,
    )


def literal_sum(forming: Sequence[Step], beside: Sequence[Step], edition: Edition) -> Step:
    """The literal sum of all sources of the island, shown beside the capacity. Parameters: [A]. Returns: [A]. Source: 710.15(A), 705.80."""
    parts = (*forming, *beside)
    return Step(
        "island.all",
        "I_all",
        "all sources of the island together, by the letter of the section",
        "sum(sources)",
        {"sources": parts},
        sum(one.value for one in parts),
        "A",
        edition.cite("island_capacity"),
        decimals=2,
    )


def largest_load(capacity_a: Step, largest: Quantity, edition: Edition) -> Check:
    """Check `backup-largest-load`. Parameters: [A]. Returns: Check [A]. Source: 710.15(A); 702.4(A)(3)."""
    key = "backup-largest-load"
    return compare(key, QUESTIONS[key], capacity_a, ">=", largest, edition.cite("stand_alone_capacity"), counts=False)


def full_load(capacity_a: Step, load: Quantity, edition: Edition) -> Check:
    """Check `backup-full-load`. Parameters: [A]. Returns: Check [A]. Source: 702.4(B)(2)(a), from 2023 702.4(A)(2)(a)."""
    key = "backup-full-load"
    note = "calculated by the rules of the service load; nothing is left out for its tier"
    return compare(key, QUESTIONS[key], capacity_a, ">=", load, edition.cite("standby_automatic"), counts=False, note=note)


def managed_load(capacity_a: Step, setting: Quantity | None, rest: Quantity, why: str, edition: Edition) -> Check:
    """Check `backup-managed`: the most that the control lets the source carry, never less than what it does not shed.

    Parameters: capacity, setting (None: no credited control), calculated load of what it does not control [A]. Returns: Check [A].
    Source: 702.4(B)(2)(b), from 2023 702.4(A)(2)(b) with 750, 2026 130.
    """
    key, cite = "backup-managed", edition.cite("standby_automatic")
    if setting is None:
        return Check(key, QUESTIONS[key], Verdict.FAIL, source=cite, note=why, counts=False)
    most = Step(
        "backup.managed",
        "I_man",
        "the most that the control lets the source be loaded with",
        "max(setting, rest)",
        {"setting": setting, "rest": rest},
        max(setting.value, rest.value),
        "A",
        cite,
        note="what the control does not shed counts in full, whatever its tier",
        decimals=2,
    )
    return compare(key, QUESTIONS[key], capacity_a, ">=", most, cite, counts=False, note=why)


def restart(sources: Sequence, edition: Edition, *, relied: bool) -> Check:
    """Check `backup-restart`: by hand after an overload, where a control stands for the load.

    Parameters: inverters of the site file, relied whether that rule is the one relied on. Returns: Check [-]. Source: 702.4(A)(3) (2026).
    """
    key, asked = "backup-restart", QUESTIONS["backup-restart"]
    form = edition.value("backup_restart")
    if form.value == "none" or not relied:
        note = "this edition does not ask for it" if form.value == "none" else "the rule that asks for it is not relied on"
        return Check(key, asked, Verdict.NOT_APPLICABLE, source=form.source, note=note, counts=False)
    unknown = [f"source.{one.id}.island.restart" for one in sources if one.island is None or one.island.restart is None]
    if unknown:
        return needs_input(key, asked, unknown, form.source)
    wrong = [one.id for one in sources if one.island.restart.value != "manual"]
    if wrong:
        return Check(key, asked, Verdict.FAIL, source=form.source, note=f"{', '.join(wrong)} restarts by itself")
    return Check(key, asked, Verdict.PASS, source=form.source, note="by hand, by its data sheet")


def chosen(edition: Edition, local: Input | None, checks: dict[str, Check], listed: bool) -> tuple[str, str, Verdict | None]:
    """Which test permits the backup, why, and a verdict that stands instead of the test's where the texts are in dispute.

    Parameters: edition, local rule `backup_capacity` (702 or 710), checks by key, whether the inverters are listed as power control.
    Returns: key, words, Verdict or None. Source: 710.1 and 710.15(A), 702.4; the dispute by edition.
    """
    rule, reach = edition.value("backup_rule").value, edition.value("backup_dispute").value
    passes = {key for key, check in checks.items() if check.verdict is Verdict.PASS}
    wide = next((key for key in ("backup-full-load", "backup-managed") if key in passes), "backup-full-load")
    if local is not None and local.value == "702":
        return wide, f"702.4 by the local rule ({local.source})", None
    if rule == "largest-load" or (local is not None and local.value == "710"):
        words = "710.15(A): the largest single load"
        if local is not None:
            words += f", by the local rule ({local.source})"
        if local is not None and reach == "out":
            words += "; the article does not reach a connected dwelling in this edition, so it never permits by itself"
            return "backup-largest-load", words, Verdict.JUDGEMENT if "backup-largest-load" in passes else None
        if local is None:
            words += "; some authorities ask 702.4, the full or a managed load, already under this edition"
        return "backup-largest-load", words, None
    if rule == "full-managed-or-controlled" and wide not in passes and listed and "backup-controlled" in checks:
        return "backup-controlled", "702.4(A)(3): an inverter listed as power control system, its setting and the largest load", None
    return wide, "702.4(A)(2): the full load, or a managed one; 710 does not reach a dwelling that stays connected", None
