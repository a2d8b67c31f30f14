"""Is the record sound enough to follow outages on it: gaps that were filled, readings that are doubtful."""

from __future__ import annotations

from dataclasses import replace

from workbook_lib.sheet import Check, Verdict
from workbook_lib.workbooks import metered, record_checks
from workbook_lib.workbooks.backup_work import Work
from workbook_lib.workbooks.methods import Demand

GAPS = "is the record without gaps?"


def checks(work: Work, record, name: str, repaired: int, count: int) -> None:
    """Checks `record-coverage`, `record-quality` of a record that the sweep runs on; of a second one under `:NAME`.

    Parameters: record, its name under `records`, steps of the year that no reading says, steps of the year [count].
    """
    tail = "" if name in ("load", "backup_load") else f":{name}"
    if any(check.key == f"record-coverage{tail}" for check in work.checks):
        return
    if repaired:
        share = 100.0 * repaired / count
        note = f"{repaired:,} of {count:,} steps are filled with the mean of the same hour of the week, {share:.2g} %"
        note += ", those of marked ranges among them" if record.marks else ""
        note += ": a season that is missing is not made up by it"
        closes, decides = "a record without gaps from the utility", "the engineer"
        work.checks.append(Check(f"record-coverage{tail}", GAPS, Verdict.JUDGEMENT, note=note, closes=closes, decides=decides))
    else:
        work.checks.append(Check(f"record-coverage{tail}", GAPS, Verdict.PASS, note="no step is without a reading"))
    known = metered.facts(record)
    if record.period is not None and name == "production":
        known = replace(known, record=replace(record, period=None))  # more sun outside the period is nothing to be careful of
    facts = metered.Metered(Demand({}), facts=known)
    check = record_checks.quality(work.home, facts, counts=True)
    work.checks.append(replace(check, key=f"record-quality{tail}"))
