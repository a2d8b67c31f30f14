"""Workbook backup_duration: what runs in an outage, by which rule it may, how long and how likely."""

from __future__ import annotations

from workbook_lib.editions import Edition
from workbook_lib.errors import InputFault, MissingInput
from workbook_lib.sheet import Check, Sheet, Verdict, needs_input
from workbook_lib.workbooks import (
    backup_answers,
    backup_drawings,
    backup_motors,
    backup_place,
    backup_power,
    backup_profile,
    backup_promise,
    backup_store,
    backup_sun,
    backup_target,
    common,
    outages,
)
from workbook_lib.workbooks.backup_work import Work, find_scope

FORM = common.Form(
    name="backup_duration",
    title="Backup duration",
    question="May the store back up what hangs on it, does it start and carry it, and does the promised duration hold often enough?",
    order=(
        *("backup-capacity", "backup-target", "record-generation", "motor-start", "motor-start-dip", "backup-running", "backup-leg"),
        *("backup-neutral", "island-120v"),
        *("islanding-device", "generation-curtailment", "restart-charge", "backup-restart", "storage-unit", "storage-location"),
        *("storage-spacing", "storage-vehicles", "storage-detection", "storage-listing", "storage-disconnect", "emergency-shutdown"),
        *("field-verified", "edition-adopted", "independent-check"),
        *("record-coverage", "record-quality", "record-occupied", "weather-clock"),
    ),
    families=("backup", "tables", "mistakes"),
    first=(
        *("share_reaching_target_frac", "duration_at_target_share_h", "duration_p50_h", "duration_min_h", "usable_energy_kwh"),
        *("storage_needed_kwh", "storage_needed_units_count"),
    ),
    headings=(backup_promise.HEADING, "How long", "What each tier gains"),
)
CAUTIONS = (
    "Durations are those of one year of load and weather. Another year, another occupant or a cold week in place of a mild one differ.",
    "Whoever depends on electric power for life or health needs a plan of their own: no share of outage starts is a promise to them.",
    "Batteries hold energy after every switch is open. Fire service and occupants need to find the shutdown.",
)
NOT_CHECKED = (
    "the gap while the island forms, and whether devices ride through it; the delay and the load as the grid comes back",
    "harmonics, voltage and frequency of the island under load: the inverter's listing",
    "power factor of the loads: the sweep counts real power, and kilovolt-amperes may be more",
)
"""What no part of this sheet looks at, where there is an island."""
NOTHING = "nothing is backed up: the site file has no [backup]"
KEYS = (
    *("backup_rule", "backup_sources", "backup_dispute", "backup_restart", "storage_disconnect_ft", "storage_shutdown"),
    *("cite:standby_automatic", "cite:standby_inverter", "cite:stand_alone_capacity", "cite:island_capacity", "cite:island_120v"),
    *("cite:storage_disconnect", "cite:storage_shutdown"),
)
"""Provisions of this workbook, as the sentences on what moved name them."""


def study(home, edition: Edition) -> Sheet:
    """Permission, power, motor starts, energy, durations and storage siting of a home, under an edition.

    Parameters: home (validated), edition as published; the jurisdiction's amendments are applied here. Returns: Sheet.
    Errors: InputFault for a record or weather file that cannot be used. Source: 702.4, 705, 706, 710 and what stands beside each check.
    """
    return _study(home, edition, whole=True)


def verdict_study(home, edition: Edition) -> Sheet:
    """As `study`, for its verdict alone: without the storage needed, figures and tables. Parameters, Returns, Errors: as there."""
    return _study(home, edition, whole=False)


def _study(home, edition: Edition, *, whole: bool) -> Sheet:
    work = Work(home, common.local_edition(home, edition))
    if home.site.backup is None:
        work.checks.append(Check("backup-target", backup_target.TARGET, Verdict.NOT_APPLICABLE, note=NOTHING))
    else:
        _island(work, whole)
    backup_place.place(work)
    if work.promised is not None:
        backup_promise.promise(work, *work.promised)
    applies = home.site.backup is not None or work.standing("storage")
    if applies:
        work.checks += [_verified(work), common.edition_adopted(home), common.independent_check(home)]
    if home.site.backup is not None:
        work.not_checked += NOT_CHECKED
    return common.finished(work, FORM, cautions=CAUTIONS if applies else (), figures=work.figures)


def _island(work: Work, whole: bool) -> None:
    """Everything about the island."""
    try:
        find_scope(work)
    except MissingInput as lack:
        work.checks.append(needs_input("backup-capacity", backup_power.CAPACITY, lack.fields, note=str(lack)))
        work.checks.append(needs_input("backup-target", backup_target.TARGET, lack.fields, note=str(lack)))
        return
    backup_power.permission(work)
    backup_power.legs_and_neutral(work)
    backup_motors.running(work)
    backup_motors.motors(work)
    backup_power.devices(work)
    _duration(work, whole)
    if work.stores():
        work.guarded("restart-charge", backup_target.RESTART, lambda: backup_target.restart_check(work))


def _duration(work: Work, whole: bool) -> None:
    """Energy, profile, sweep; what lacks of all of them is told at once."""
    wanted, lacks, parts = backup_target.asked(work), [], {}
    makers = {
        "chain": lambda: backup_store.chain(work),
        "profile": lambda: backup_profile.profile(work),
    }
    faults = []
    for name, make in makers.items():
        try:
            parts[name] = make()
        except MissingInput as lack:
            lacks.append(lack)
        except InputFault as fault:
            faults += fault.faults
    try:
        if "profile" in parts:
            parts["sun"] = backup_sun.sun(work, parts["profile"].steps)
        else:
            backup_sun.look(work)
    except MissingInput as lack:
        lacks.append(lack)
    except InputFault as fault:
        faults += fault.faults
    if faults:
        raise InputFault(faults)
    lacks += [
        MissingInput([f"backup.{name}"]) for name, given in (("target", wanted.target), ("target_share", wanted.share)) if given is None
    ]
    one = None
    if len(parts) == 3:
        try:
            one = backup_answers.setting(work, parts["profile"], parts["sun"], parts["chain"])
        except MissingInput as lack:
            lacks.append(lack)
    if one is not None:
        _answered(work, one, wanted, whole)
    if lacks:
        fields = list(dict.fromkeys(field for lack in lacks for field in lack.fields))
        reasons = "; ".join(dict.fromkeys(_reason(lack) for lack in lacks))
        work.checks.append(needs_input("backup-target", backup_target.TARGET, fields, note=reasons))
        work.not_checked.append(f"duration of the backup: {reasons}")
    elif one is not None:
        work.checks.append(backup_target.target_check(work, wanted, one))


def _reason(lack: MissingInput) -> str:
    """What lacks, with its fields."""
    words, fields = str(lack), ", ".join(lack.fields)
    return words if all(field in words for field in lack.fields) else f"{fields}: {words}"


def _answered(work: Work, one, wanted, whole: bool) -> None:
    found = backup_answers.answers(one, wanted.target_h, wanted.share_frac, whole=whole)
    backup_target.results(work, one, found, wanted)
    if not whole:
        return
    backup_target.further_results(work, one, found, wanted)
    backup_target.sections(work, one, found, wanted)
    work.promised = (one, found, wanted)
    work.figures = backup_drawings.figures(work, one, found, wanted)
    state = work.site.site.state
    work.sections.append(outages.section(state))
    by_hand = [
        thing.id
        for thing in backup_profile.things(work)
        if thing.backup_tier is not None and thing.backup_tier.value > one.profile.tiers[0] and thing.shed_by is None
    ]
    if by_hand:
        work.notes.append(f"{', '.join(by_hand)}: a tier and nothing that sheds it, so somebody must switch it off at that charge")


def _verified(work: Work) -> Check:
    """Check `field-verified` for what the sheet rests on: ratings of inverters and stores that stand already."""
    fields = []
    for source in work.standing("source"):
        if source.status != "added":
            fields += [(f"source.{source.id}.{name}", getattr(source, name)) for name in ("output_current", "output_power")]
    for item in work.standing("storage"):
        if item.status != "added":
            fields.append((f"storage.{item.id}.energy", item.energy))
    if not fields:
        key, asked = "field-verified", "were the ratings that this verdict rests on read from the equipment?"
        return Check(key, asked, Verdict.NOT_APPLICABLE, note="inverters and stores are new: their ratings are those of data sheets")
    return common.field_verified(fields, "inverters and stores that stand already")


def other_editions(home, edition: Edition):
    """Hook of the notebook: the verdicts under each edition, and in words which rules moved. Returns: sections."""
    from workbook_lib.workbooks.by_edition import compared

    return compared(home, edition, verdict_study, KEYS)


__all__ = ["FORM", "other_editions", "study", "verdict_study"]
