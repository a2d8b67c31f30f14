"""May a source back up what hangs on it: capacity of the island against the largest load, the whole load, or a managed load."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from workbook_lib.editions import Edition
from workbook_lib.errors import MissingInput
from workbook_lib.sheet import Check, Input, Quantity, Step, Verdict, compare, holds, needs_input

QUESTIONS = {
    "backup-largest-load": "does the source carry the largest single load that it backs up?",
    "backup-full-load": "does the source carry the whole calculated load that it backs up?",
    "backup-managed": "does the source carry the most that a listed control lets it be loaded with?",
    "backup-restart": "is it restarted by hand after an overload?",
}
CONTROLLED = "UL 3141"
"""Standard to which an inverter, or the control that limits its island, is listed as a power control system. Source: outline UL 3141.

Every inverter is listed to UL 1741: that alone says nothing of power control.
"""


def inverter_current(source, edition: Edition) -> Step:
    """Continuous current that one kind of inverter gives an island at the place's temperature.

    Parameters: source with island.current or output_current [A], count [-], island.derate_fraction [-]. Returns: [A].
    Errors: MissingInput. Source: the maker's data sheet; 710.15(A), 705.80.
    """
    island = source.island
    given = island.current if island is not None and island.current is not None else source.output_current
    if given is None:
        raise MissingInput([f"source.{source.id}.island.current"])
    return _of_all(
        source, given, f"island.{source.id}.current", f"continuous current of {source.id} in an island", edition.cite("island_capacity")
    )


def backed_current(inverter: Step, store_w: Quantity | None, voltage: Quantity, name: str) -> Step:
    """What an inverter gives from the store behind it: the lesser of its own current and the store's power.

    Parameters: inverter [A], store_w [W] of all stores behind it (None: not stated), voltage [V]. Returns: [A].
    Source: the maker's data sheets; the lesser governs.
    """
    if store_w is None:
        return inverter
    current = store_w.value / voltage.value
    return Step(
        f"island.{name}.backed",
        "I_bat",
        f"current of {name} in an island, with the store behind it",
        "min(inverter, store / voltage)",
        {"inverter": inverter, "store": store_w, "voltage": voltage},
        min(inverter.value, current),
        "A",
        inverter.source,
        decimals=2,
    )


def island_limit(source, name: str, meaning: str) -> Step:
    """A current limit of an inverter in an island, of all like units at the place's temperature.

    Parameters: source with `island.NAME` [A], count and derate_fraction [-]. Returns: [A]. Source: the maker's data sheet.
    """
    return _of_all(source, getattr(source.island, name), f"island.{source.id}.{name}", f"{meaning} of {source.id} in an island", None)


def _of_all(source, given: Input, key: str, meaning: str, cite) -> Step:
    """A current of all like units, with the derating of the place where there is one [A]."""
    uses: dict[str, Quantity] = {"each": given}
    formula, value = "each", given.value
    if source.count.value != 1:
        uses["count"], formula, value = source.count, "count * each", source.count.value * value
    derate = source.island.derate_fraction if source.island is not None else None
    if derate is not None and derate.value != 1:
        uses["derate"], formula, value = derate, f"{formula} * derate", value * derate.value
    return Step(key, "I_isl", meaning, formula, uses, value, "A", cite, decimals=2)


def capacity(forming: Sequence[Step], beside: bool, edition: Edition) -> Step:
    """Capacity of the island with the sun away: inverters with storage alone.

    Parameters: their currents [A], beside whether arrays stand on the island. Returns: [A].
    Source: 710.15(A) (2017 all sources; 2020 firm ones for general loads), 705.80 (2023 on: the sum of outputs).
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


def literal_sum(parts: Sequence[Step], edition: Edition) -> Step:
    """The literal sum of all sources of the island, shown beside the capacity. Parameters: [A]. Returns: [A]. Source: 710.15(A), 705.80."""
    return Step(
        "island.all",
        "I_all",
        "all sources of the island together, by the letter of the section",
        "sum(sources)",
        {"sources": tuple(parts)},
        sum(one.value for one in parts),
        "A",
        edition.cite("island_capacity"),
        decimals=2,
    )


def largest_load(capacity_a: Step, largest: Quantity, edition: Edition, *, literal: Step | None = None) -> Check:
    """Check `backup-largest-load`.

    Parameters: capacity of storage, largest load, literal sum with arrays where there are any [A]. Returns: Check [A].
    Source: 710.15(A): all sources (2017), firm ones for general loads by its note (2020).
    """
    key = "backup-largest-load"
    check = compare(key, QUESTIONS[key], capacity_a, ">=", largest, edition.cite("stand_alone_capacity"), counts=False)
    if check.verdict is not Verdict.FAIL or literal is None or not holds(literal.value, ">=", largest.value):
        return check
    words = f"with its arrays {literal.value:.1f} A"
    if edition.value("backup_sources").value != "all":
        return replace(check, note=f"{words}, which this edition does not count for general loads")
    note = f"{words} by the letter of the section; with the sun away the storage alone does not carry it"
    return replace(check, verdict=Verdict.JUDGEMENT, note=note, closes="the authority's reading in writing", decides=AUTHORITY)


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


AUTHORITY = "the authority having jurisdiction"


def chosen(edition: Edition, local: Input | None, checks: dict[str, Check], listed: bool) -> tuple[str, str, Verdict | None]:
    """Which test permits the backup, why, and a verdict that stands instead of the test's where the texts are in dispute.

    Parameters: edition, local rule `backup_capacity` (702, 705.80 or 710), checks by key, whether it is all listed as power control.
    Returns: key, words, Verdict or None. Source: 710.1 and 710.15(A), 702.4; the dispute by edition.
    """
    rule, reach = edition.value("backup_rule").value, edition.value("backup_dispute").value
    passes = {key for key, check in checks.items() if check.verdict is Verdict.PASS}
    wide = next((key for key in ("backup-full-load", "backup-managed") if key in passes), "backup-full-load")
    if local is not None and local.value == "702":
        return wide, f"702.4 by the local rule ({local.source})", None
    if local is not None and local.value == "705.80":
        words = f"705.80 by the local rule ({local.source}): it adds the outputs of the sources and compares them with no load"
        return wide, words, Verdict.JUDGEMENT
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
