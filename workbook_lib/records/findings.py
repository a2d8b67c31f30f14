"""The findings of a record's report in sentences: what is wrong with it, and what it holds."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import TYPE_CHECKING

from workbook_lib.records.record import DELIVERED, ESTIMATED, NET, RECEIVED, SAMPLED, Summary

if TYPE_CHECKING:
    from workbook_lib.records.finds import Contradiction, Gap
    from workbook_lib.records.report import Report

RUN_S = 4 * 3600
"""From this length on [s] equal readings in a row are reported. Common practice in checking interval data: no household with a
refrigerator stays at one value, or at none, for hours."""
STUCK_COUNT = 8
"""Readings that a run of one value other than zero has at least: fewer are a coincidence of coarse data."""
LISTED_COUNT = 10
"""Gaps and other finds that the findings list one by one; the rest is a count."""


def span(length_s: int) -> str:
    """A length of time [s] in words: `15 min`, `23 h`, `30 d`."""
    if length_s >= 2 * 86400 and length_s % 86400 == 0:
        return f"{length_s // 86400:,} d"
    hours, rest = divmod(length_s, 3600)
    if length_s < 60 or rest % 60:
        return f"{length_s:,} s"
    parts = [f"{hours:,} h" if hours else "", f"{rest // 60} min" if rest else ""]
    return " ".join(part for part in parts if part)


def _listed(intro: str, things: Sequence, words: Callable[..., str]) -> str:
    """One sentence that lists at most `LISTED_COUNT` things."""
    more = len(things) - LISTED_COUNT
    return f"{intro}: {'; '.join(words(one) for one in things[:LISTED_COUNT])}{f'; and {more:,} more' if more > 0 else ''}."


def _count(number: int, one: str, many: str = "") -> str:
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def problems(report: Report) -> Iterator[str]:
    """What is wrong, the worst first."""
    text, unit = report.local, report.unit
    if report.contradicting:
        intro = f"{_count(len(report.contradicting), 'interval')} read more than once and not alike, the largest taken"
        yield _listed(intro, report.contradicting, lambda one: f"{text(one.start)} ({span(one.length)}): {_amounts(one, unit)}")
    if report.overlaps:
        intro = f"{_count(report.overlaps_count, 'reading')} begin before an earlier one ends, so the sum of the readings is uncertain"
        yield _listed(intro if report.overlaps_count > 1 else intro.replace("begin ", "begins "), report.overlaps, text)
    for one in report.reconciliations:
        if not one.agrees:
            yield (
                f"The file states {one.summary.amount:,.10g} {unit} ({one.summary.name}{_period(report, one.summary)}); "
                f"the readings add up to {one.counted:,.10g} {unit}, {one.difference:+,.10g} {unit}."
            )
    if report.gaps:
        lost = span(sum(one.end - one.start for one in report.gaps))
        what = "without readings that count" if any(one.marked for one in report.gaps) else "without readings"
        intro = f"{_count(len(report.gaps), 'gap')} {what}, {lost} together"
        yield _listed(intro, report.gaps, lambda one: f"{text(one.start)} to {text(one.end)} ({_gap(one)})")
    yield from _doubtful_amounts(report)
    odd = [one for one in report.clock_changes if not one.regular]
    if odd:
        yield _listed("Irregular where the clock changes", odd, lambda one: f"{text(one.at)} (put {one.kind}): {one.words}")
    if report.zero_lengths:
        intro = f"{_count(len(report.zero_lengths), 'reading')} of zero length, not used for any average"
        yield _listed(intro, report.zero_lengths, text)
    if len([length for length, _ in report.lengths if length > 0]) > 1:
        yield _listed("Interval lengths vary", report.lengths, lambda one: f"{_count(one[1], 'reading')} of {span(one[0])}")
    if report.equal_duplicates_count:
        yield f"{_count(report.equal_duplicates_count, 'reading')} repeated alike, each interval counted once."
    if report.out_of_order_count:
        yield f"{_count(report.out_of_order_count, 'reading')} out of time order in the file, put in order."
    if report.dropped:
        yield _listed("Rows left out", report.dropped, lambda one: f"{_count(one[1], 'row')}: {one[0]}")
    for summary, reason in report.unreconciled:
        yield f"The sum that the file states ({summary.name}, {summary.amount:,.10g} {summary.unit}) is not compared: {reason}."


def _doubtful_amounts(report: Report) -> Iterator[str]:
    """Amounts that may not be what the home took."""
    text, unit = report.local, report.unit
    if report.negative_count:
        count = _count(report.negative_count, "reading")
        if report.register == NET:
            yield f"{count} below zero: the home gave back energy then."
        else:
            yield f"{count} below zero, which a {report.register} register should not have."
    night = "; at night nothing is given back as a rule" if report.register == RECEIVED else ""
    for runs, words in (
        (report.zero_runs, f"at exactly zero: an outage, a vacancy or a dead meter is possible, it is no proof of low load{night}"),
        (report.stuck_runs, "at one value: an outage, a vacancy or a dead meter is possible, it is no proof of low load"),
    ):
        if runs:
            yield _listed(
                f"{_count(len(runs), 'run')} of {span(RUN_S)} or more {words}",
                sorted(runs, key=lambda run: (run.start - run.end, run.start)),
                lambda one: f"{text(one.start)} to {text(one.end)} ({_count(one.count, 'reading')}{_of(one.amount, unit)})",
            )
    if report.dead_legs:
        yield f"Zero throughout: leg {', leg '.join(report.dead_legs)}."
    if report.estimated_count:
        share = f"{100 * report.estimated_count / report.readings_count:.3g} %"
        kinds = ", ".join(f"{count:,} {words}" for code, words, count in report.qualities if code in ESTIMATED)
        yield f"{_count(report.estimated_count, 'reading')} ({share}) not surely measured: {kinds}."
    if report.basis == SAMPLED:
        yield "The readings are samples at an instant, each held to the next: a peak between two of them is not seen."


def _gap(one: Gap) -> str:
    words = f", marked {one.marked}" if one.marked else ", at the clock change" if one.at_clock_change else ""
    return span(one.end - one.start) + words


def _of(amount: float, unit: str) -> str:
    return f" of {amount:,.10g} {unit}" if amount else ""


def _amounts(one: Contradiction, unit: str) -> str:
    if len(one.amounts) == 1:
        return f"{one.amounts[0]:,.10g} {unit}, but a leg or the reverse direction differs"
    return " and ".join(f"{amount:,.10g}" for amount in one.amounts) + f" {unit}"


def _period(report: Report, summary: Summary) -> str:
    if summary.start is None or summary.end is None:
        return ", whole record"
    return f", {report.local(summary.start)} to {report.local(summary.end)}"


def facts(report: Report) -> Iterator[str]:
    """What the record holds, whether or not anything is wrong with it."""
    text, unit = report.local, report.unit
    for one in report.reconciliations:
        if one.agrees:
            stated = f"{one.summary.amount:,.10g} {unit} ({one.summary.name}{_period(report, one.summary)})"
            yield f"The file states {stated}; the readings agree."
    regular = [one for one in report.clock_changes if one.regular]
    if regular:
        yield _listed("Where the clock changes", regular, lambda one: f"{text(one.at)} (put {one.kind}): {one.words}")
    yield (
        f"{_count(report.readings_count, 'reading')}, most of {span(report.interval_s)}, from {text(report.first)} to {text(report.last)}: "
        f"{_count(report.days_count, 'whole day')}; {100 * report.coverage_frac:.6g} % of that time "
        f"and {100 * report.year_coverage_frac:.4g} % of a year."
    )
    received = "" if report.received_energy is None else f", {report.received_energy:,.10g} {unit} the other way"
    register = "" if report.register == DELIVERED else f" ({report.register})"
    doubt = " (uncertain, for they overlap)" if report.overlaps else ""
    yield f"Sum of the readings{register} {report.energy:,.10g} {unit}{doubt}{received}."
    yield from ranges(report)
    yield f"Highest reading {report.peak_rate:,.10g} {unit.removesuffix('h')} over {span(report.peak_length)} at {text(report.peak_start)}."


def ranges(report: Report) -> Iterator[str]:
    """Which part of the file is used and what in it is marked; without dates and reasons where the report is undated."""
    text, used = report.local, report.period
    if used is not None:
        ends = ("its beginning" if used.begins is None else text(used.begins), "its end" if used.ends is None else text(used.ends))
        part = "a part of the file" if report.undated else f"the part of the file from {ends[0]} to {ends[1]}"
        yield f"As the site file asks, {part} is used alone: {_count(used.left_count, 'reading')} outside it left out."
    if not report.marks:
        return
    if report.undated:
        kinds = sorted({one.mark.kind for one in report.marks})
        yield f"{_count(len(report.marks), 'marked range')} ({', '.join(kinds)}) with {_count(report.marked_count, 'reading')}."
    else:
        told = (
            f"{one.mark.kind} from {text(one.mark.begins)} to {text(one.mark.ends)} "
            f"({_count(one.readings_count, 'reading')}; {one.mark.reason})"
            for one in report.marks
        )
        yield f"Marked in the site file: {'; '.join(told)}."
    yield MARKED
    high = next((one for one in report.marks if one.holds_highest), None)
    if high is not None:
        yield f"The highest reading lies in a range that is marked {high.mark.kind}: it counts as the others do."


MARKED = (
    "What is marked counts neither as covered nor as days of the record; "
    "the highest demand is taken over all readings, the marked ones too, so that a mark never lowers it."
)
