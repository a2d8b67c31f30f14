"""Sections of a sheet about its meter record: the report, the ten highest intervals, the highest of month and season."""

from __future__ import annotations

import calendar
import datetime
from dataclasses import replace
from typing import TYPE_CHECKING

from workbook_lib.errors import CalculationFault
from workbook_lib.records.findings import MARKED
from workbook_lib.records.marks import kinds_between, unmarked
from workbook_lib.sheet import Input, Section, Table
from workbook_lib.workbooks.record_figures import (
    DAY_S,
    DECIMALS,
    UNITS,
    date_of,
    hour_of,
    hourly,
    length_words,
    moment,
    ordered,
    shown_rate,
    shown_unit,
)

if TYPE_CHECKING:
    from workbook_lib.records import Record, Report

NOMINAL_V = 240.0
"""Voltage between the legs of the dwellings that this program is for [V]."""
HIGHEST = 10
GAPS_LISTED = 40
"""Gaps that are listed one by one [count]; the rest are counted."""
SEASONS = (
    ("December to February", (12, 1, 2)),
    ("March to May", (3, 4, 5)),
    ("June to August", (6, 7, 8)),
    ("September to November", (9, 10, 11)),
)
WITHHELD = (
    "The site file withholds the home's daily pattern: the day-by-hour map and the peak day are not drawn, "
    "because a year of hours shows when a home is empty."
)
UNDATED = "Runs of zero and of one unchanging value are counted below, without their dates."
BY_MONTH = "Of single readings and of gaps the month alone is told."
TOO_LONG = "Some readings last a day or longer: no day-by-hour map and no peak day can be drawn from them."
REGISTERS = {
    "delivered": "delivered to the home",
    "received": "received from the home",
    "net": "net: delivered less received",
    "total": "total: delivered and received added",
    "gross": "gross: the home's own use",
}
BASES = {"average": "the average over its length", "sampled": "one sample, held for its length"}


def report_section(record: Record, report: Report, *, withheld: bool) -> tuple[Section, ...]:
    """What the record holds and lacks, what its reader decided and left out, and its gaps.

    Parameters: record as it was read, its report, whether the daily pattern is withheld. Returns: sections.
    """
    told = report
    if withheld:
        plain = tuple(gap for gap in report.gaps if not gap.marked)
        told = replace(report, zero_runs=(), stuck_runs=(), gaps=plain, undated=True)
    prose = [*told.findings()]
    if withheld:
        prose += [WITHHELD, BY_MONTH]
        prose += [UNDATED] if report.zero_runs or report.stuck_runs else []
    elif len(record) and not hourly(record):
        prose.append(TOO_LONG)
    facts = Table(("Of the record", ""), tuple(_facts(record, report)), "The record in figures")
    found = [Section("The meter record", prose=" ".join(prose), table=facts), _taken(record), _gaps(told)]
    if report.period is not None or report.marks:
        found.append(_ranges(report, withheld=withheld))
    return tuple(found)


def _facts(record: Record, report: Report) -> list[tuple[str, str]]:
    lengths = ", ".join(f"{length_words(length)} ({count:,})" for length, count in report.lengths)
    given = ", nothing given back meanwhile" if record.received is not None else ""
    used, marks = report.period, report.marks
    rows = [
        ("File", record.file or "not named"),
        ("Channel", record.channel or "the only one"),
        ("Register", REGISTERS[record.register]),
        ("Unit", f"kept in {record.unit}, shown in {shown_unit(record)}"),
        ("What a reading is", BASES[record.basis]),
        ("Local clock", record.clock.name),
        ("Readings in the file" if used is None else "Readings in the part of the file that is used", f"{report.readings_count:,}"),
        ("Lengths of the readings", lengths),
        ("First reading begins", record.clock.text(report.first)),
        ("Last reading ends", record.clock.text(report.last)),
        (f"Whole days from first to last{', what is marked taken off' if marks else ''}", f"{report.days_count:,}"),
        ("Covered of the time between", _percent(report.coverage_frac)),
        ("Covered of a year", _percent(report.year_coverage_frac)),
        (f"Gaps{', marked ranges among them' if marks else ''}", _counted(len(report.gaps))),
        *([] if used is None else [("Readings outside the period, left out", _counted(used.left_count))]),
        *([("Readings in marked ranges", _counted(report.marked_count))] if marks else []),
        ("Readings that overlap", _counted(report.overlaps_count)),
        ("Equal duplicates, counted once", _counted(report.equal_duplicates_count)),
        ("Contradicting duplicates, the largest taken", _counted(len(report.contradicting))),
        ("Out of order in the file", _counted(report.out_of_order_count)),
        ("Readings of zero length, not used", _counted(len(report.zero_lengths))),
        ("Negative readings", _counted(report.negative_count)),
        ("Estimated or doubtful readings", _counted(report.estimated_count)),
        (f"Runs of exact zero{given}", _runs(report.zero_runs)),
        ("Runs of one unchanging value", _runs(report.stuck_runs)),
    ]
    rows += [(f"Quality: {words}", f"{count:,} readings") for _, words, count in report.qualities]
    rows += [("Clock change " + record.clock.text(change.at), change.words) for change in report.clock_changes]
    rows.append(("Sum of the readings", _energy(report.energy, record.unit)))
    if report.received_energy is not None:
        rows.append(("Sum received from the home", _energy(report.received_energy, record.unit)))
    rows += [(f"Total in the file: {one.summary.name}", _reconciled(record, one)) for one in report.reconciliations]
    rows += [
        (f"Total in the file: {summary.name}", f"{_energy(summary.amount, summary.unit)}; not compared: {reason}")
        for summary, reason in report.unreconciled
    ]
    return rows


def _reconciled(record: Record, one) -> str:
    """What the file states against what its readings add up to, and over which time."""
    unit, summary = record.unit, one.summary
    over = f" from {record.clock.text(summary.start)} to {record.clock.text(summary.end)}" if summary.start and summary.end else ""
    stated = f"the file states {_energy(summary.amount, unit)}{over}, its readings add up to {_energy(one.counted, unit)}"
    return f"{stated}: {'they agree' if one.agrees else 'readings less total ' + _energy(one.difference, unit)}"


def _energy(amount: float, unit: str) -> str:
    """An amount in words, Wh and VAh by the thousand."""
    name, size = UNITS.get(unit, (unit.removesuffix("h"), 1.0))
    return f"{amount / size:,.3f} {name}h".replace("-", "\N{MINUS SIGN}")


def _percent(share: float) -> str:
    """A share in percent with one decimal; what is not the whole never reads 100 %, what is not nothing never 0 %."""
    if 0 < share < 0.0005:
        return "under 0.1 %"
    shown = round(share * 100, 1)
    return f"{min(shown, 99.9) if share < 1 else shown:g} %"


def _counted(count: int) -> str:
    return f"{count:,}" if count else "none"


def _runs(runs) -> str:
    if not runs:
        return "none"
    longest = max(runs, key=lambda run: run.end - run.start)
    return f"{len(runs):,}, the longest {longest.count:,} readings over {length_words(longest.end - longest.start)}"


def _taken(record: Record) -> Section:
    """What the reader decided, and what it left out."""
    rows = [(one.what, one.why) for one in record.decisions]
    rows += [(f"{count:,} {'row' if count == 1 else 'rows'} left out", reason) for reason, count in record.dropped]
    words = "What the reader of the file took where the file or the site file had to say so, and why."
    left = sum(count for _, count in record.dropped)
    if left:
        words += (
            " One row of the file is not a reading and was left out."
            if left == 1
            else f" {left:,} rows of the file are not readings and were left out."
        )
    else:
        words += " No row of the file was left out."
    return Section("How the file was read", prose=words, table=Table(("Taken", "Why"), tuple(rows), "Decisions of the reader"))


def _gaps(report: Report) -> Section:
    gaps = report.gaps
    if not gaps:
        beside = " beside its marked ranges" if report.marks else ""
        return Section("Gaps in the record", prose=f"The record has no gap between its first and its last reading{beside}.")
    missing = length_words(sum(gap.end - gap.start for gap in gaps))
    words = f"{len(gaps):,} {'gap' if len(gaps) == 1 else 'gaps'}, {missing} in all. No gap is filled for the measured method."
    rest = len(gaps) - GAPS_LISTED
    if rest > 0:
        left = length_words(sum(gap.end - gap.start for gap in gaps[GAPS_LISTED:]))
        words += f" The first {GAPS_LISTED} are listed; {rest:,} more with {left} are not."
    rows = tuple(
        (
            report.local(gap.start),
            report.local(gap.end),
            length_words(gap.end - gap.start),
            f"marked {gap.marked}" if gap.marked else "at a change of the clock" if gap.at_clock_change else "",
        )
        for gap in gaps[:GAPS_LISTED]
    )
    return Section("Gaps in the record", prose=words, table=Table(("From", "To", "Length", "Remark"), rows, "Gaps by the local clock"))


def _ranges(report: Report, *, withheld: bool) -> Section:
    """The period that is used and each marked range, with how many readings each leaves out; lengths alone where dates are withheld."""
    used = report.period
    rows: list[tuple[object, ...]] = []
    if used is not None:
        begins, ends = ("" if one is None else report.local(one) for one in (used.begins, used.ends))
        left = f"{used.left_count:,} outside it, left out"
        rows.append(("Used", "", left) if withheld else ("Used", begins or "the first reading", ends or "the last reading", left, ""))
    for one in report.marks:
        begins, ends, kind, count = one.mark.begins, one.mark.ends, f"Marked {one.mark.kind}", f"{one.readings_count:,}"
        dated = (kind, report.local(begins), report.local(ends), count, one.mark.reason)
        rows.append((kind, length_words(ends - begins), count) if withheld else dated)
    columns = ("Range", "Length", "Readings") if withheld else ("Range", "From", "To", "Readings", "Reason")
    words = "As the site file says, by the local clock of the record."
    words += f" {MARKED}" if report.marks else ""
    words += " Dates and reasons are withheld." if withheld else ""
    return Section("Period and marked ranges", prose=words, table=Table(columns, tuple(rows), "Ranges of the site file"))


# the ten highest


def ten_highest(record: Record, power_factor: Input | float | None, *, withheld: bool = False) -> Section:
    """The ten highest readings with date and hour by the local clock, and their current where it can be had.

    Parameters: record [Wh, VAh or Ah], power factor [-] for a record in Wh, None where it is not known; whether the
    daily pattern is withheld: then the month stands in place of date and hour.
    Returns: section [kW, kVA or A]. Errors: CalculationFault for no usable reading or a power factor that is none.
    """
    import numpy as np

    settled = ordered(record)
    unit, rate = shown_unit(settled), shown_rate(settled)
    per_unit, words = _amperes(settled, power_factor)
    marks = () if withheld else settled.marks
    order = np.argsort(-rate, kind="stable")[:HIGHEST]
    rows = []
    for place in order:
        wall = int(settled.clock.local(int(settled.start[place])))
        when = (_month(wall),) if withheld else (f"{date_of(wall)}", f"{date_of(wall):%A}", hour_of(wall))
        row = (*when, length_words(int(settled.length[place])), float(rate[place]))
        row = (*row, float(rate[place]) * per_unit) if per_unit is not None and unit != "A" else row
        start, end = int(settled.start[place]), int(settled.end[place])
        rows.append((*row, kinds_between(marks, start, end) or "no") if marks else row)
    what = "Sample" if settled.basis == "sampled" else "Average"
    begins = ("Month",) if withheld else ("Date", "Weekday", "From")
    columns = (*begins, "Interval", f"{what} ({unit})", f"Current at {NOMINAL_V:g} V (A)")
    shown = columns if per_unit is not None and unit != "A" else columns[:-1]
    shown = (*shown, "Marked") if marks else shown
    count = len(rows)
    many = "ten" if count == HIGHEST else f"{count}"
    when = (
        "the month in which each begins, its day being withheld"
        if withheld
        else "date and hour by the local clock, at which the reading begins"
    )
    prose = f"The {many} highest readings; {when}. {words}"
    return Section("Highest readings of the record", prose=prose, table=Table(shown, tuple(rows), "Highest readings", DECIMALS))


def _month(wall: int) -> str:
    """Month and year of a wall-clock second."""
    return f"{calendar.month_name[date_of(wall).month]} {date_of(wall).year}"


def _amperes(record: Record, power_factor: Input | float | None) -> tuple[float | None, str]:
    """Amperes of one unit shown, None where they cannot be had, and the words for it."""
    if record.unit == "Ah":
        if len(record.legs) > 1:
            return 1.0, f"Amperes are those of the larger of the legs {' and '.join(record.legs)}."
        return 1.0, "Amperes are those of the record."
    if record.unit == "VAh":
        factor, by = 1.0, ""
    elif power_factor is None:
        return None, "The record is in kilowatts and no power factor is stated: the current is not computed."
    else:
        factor = float(power_factor.value if isinstance(power_factor, Input) else power_factor)
        by = f" with the power factor {factor:g}"
        if not 0 < factor <= 1:
            raise CalculationFault("a power factor is not possible", value=factor, limit="above 0, at most 1", where="ten_highest")
    legs = "the two legs may carry more and less than that" if not record.legs else "the legs of the record carry more and less than that"
    return 1000.0 / NOMINAL_V / factor, f"The current is that of a load balanced over {NOMINAL_V:g} V{by}; {legs}."


# months and seasons


def seasonal(record: Record, *, withheld: bool = False) -> Section:
    """The highest reading of each month and season by the local clock, and how much of each was recorded.

    Parameters: record [Wh, VAh or Ah]; whether the daily pattern is withheld: then date and hour are left out.
    Returns: section [kW, kVA or A]; a month is taken by when a reading begins; a record of more than two years
    has one row for all Januaries. Errors: CalculationFault for no usable reading.
    """
    settled = ordered(record)
    counted = settled if withheld else unmarked(settled)
    months = _months(settled, counted)
    span = sorted(months)
    groups: list[tuple[str, list[tuple[int, int]]]] = [(f"{calendar.month_name[month]} {year}", [(year, month)]) for year, month in span]
    if len(span) > 24:
        groups = [(f"{calendar.month_name[month]}, all years", [one for one in span if one[1] == month]) for month in range(1, 13)]
    rows = [_period_row(settled, name, members, months) for name, members in groups]
    rows += [_season_row(settled, name, numbered, months) for name, numbered in SEASONS]
    read = {month for (_, month), one in months.items() if one.covered_s}
    lacking = [calendar.month_name[month] for month in range(1, 13) if month not in read]
    words = "Months and seasons by the local clock; a reading belongs to the month in which it begins. "
    words += (
        f"The record has no reading{'' if counted is settled else ' that counts'} in {_listed(lacking)}: "
        "what the home draws then is not known from it."
        if lacking
        else ("Every month of the calendar has readings.")
    )
    partly = [
        name for name, members in groups if 0 < sum(months[one].covered_s for one in members) < sum(months[one].length_s for one in members)
    ]
    words += f" Recorded in part only: {_listed(partly)}." if partly else ""
    columns = ("Period", f"Highest ({shown_unit(settled)})", "Date", "From", "Recorded")
    if withheld:
        columns, rows = (*columns[:2], columns[4]), [(*row[:2], row[4]) for row in rows]
    return Section("Highest of each month and season", prose=words, table=Table(columns, tuple(rows), "Seasonal maxima", DECIMALS))


class _Month:
    """One month of the record: its length and what of it was recorded [s], and the place of its highest reading or None."""

    def __init__(self, length_s: int, covered_s: int, top: int | None):
        self.length_s, self.covered_s, self.top = length_s, covered_s, top


def _months(record: Record, counted: Record) -> dict[tuple[int, int], _Month]:
    """Every month from the first to the last reading; `counted` are those of its readings that cover it."""
    import numpy as np

    rate = shown_rate(record)
    reached = np.maximum.accumulate(counted.end)
    begin = np.maximum(counted.start, np.concatenate((counted.start[:1], reached[:-1])))
    first = date_of(int(record.clock.local(int(record.start[0]))))
    last = date_of(int(record.clock.local(int(record.end.max()) - 1)))
    found = {}
    for number in range(first.year * 12 + first.month - 1, last.year * 12 + last.month):
        year, month = number // 12, number % 12 + 1
        low, high = _month_start(record, number), _month_start(record, number + 1)
        touching = slice(int(np.searchsorted(reached, low, side="right")), int(np.searchsorted(begin, high, side="left")))
        pieces = np.minimum(reached[touching], high) - np.maximum(begin[touching], low)
        inside = slice(int(np.searchsorted(record.start, low, side="left")), int(np.searchsorted(record.start, high, side="left")))
        top = inside.start + int(np.argmax(rate[inside])) if inside.stop > inside.start else None
        found[year, month] = _Month(high - low, int(np.maximum(pieces, 0).sum()), top)
    return found


def _month_start(record: Record, number: int) -> int:
    first = datetime.date(number // 12, number % 12 + 1, 1)
    return moment(record, first.toordinal() - datetime.date(1970, 1, 1).toordinal())


def _period_row(record: Record, name: str, members, months) -> tuple[object, ...]:
    """One row: the highest of some months, and the share of them that was recorded."""
    share = sum(months[one].covered_s for one in members) / sum(months[one].length_s for one in members)
    return _row(record, name, [months[one] for one in members], _percent(share))


def _season_row(record: Record, name: str, numbered: tuple[int, ...], months) -> tuple[object, ...]:
    """One row of a season. A month that the record has in two years counts once."""
    covered = length = 0.0
    absent = []
    for month in numbered:
        held = [one for (_, number), one in months.items() if number == month]
        whole = max([one.length_s for one in held], default=calendar.monthrange(min(months)[0], month)[1] * DAY_S)
        read = min(sum(one.covered_s for one in held), whole)
        covered, length = covered + read, length + whole
        absent += [] if read else [calendar.month_name[month]]
    words = _percent(covered / length) + (f"; no reading in {_listed(absent)}" if 0 < len(absent) < len(numbered) else "")
    return _row(record, name, [one for (_, month), one in months.items() if month in numbered], words)


def _row(record: Record, name: str, held: list[_Month], recorded: str) -> tuple[object, ...]:
    tops = [one.top for one in held if one.top is not None]
    if not tops:
        return (name, "no reading begins", "", "", recorded)
    rate = shown_rate(record)
    top = max(tops, key=lambda place: (float(rate[place]), -place))
    wall = int(record.clock.local(int(record.start[top])))
    return (name, float(rate[top]), f"{date_of(wall)}", hour_of(wall), recorded)


def _listed(names: list[str]) -> str:
    return " and ".join([", ".join(names[:-1]), names[-1]]) if len(names) > 1 else "".join(names)
