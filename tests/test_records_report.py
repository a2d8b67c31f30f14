"""The report of a record: each defect counted and said, the highest readings, and what no cut or shuffle may hide."""

from __future__ import annotations

import re
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from workbook_lib.errors import CalculationFault
from workbook_lib.records.clock import zone
from workbook_lib.records.record import ESTIMATED_LINEAR, NET, RECEIVED, SAMPLED, Record, Summary
from workbook_lib.records.report import Contradiction, Gap, Run, adjacent, demand, examine, peaks, settle

DATA = Path(__file__).parent / "data" / "records"
DENVER = zone("America/Denver")
START = 1737356400
"""2025-01-20T00:00 in Denver."""
FORWARD, BACK = 1741510800, 1762070400
"""2025-03-09T03:00-06:00 and 2025-11-02T01:00-07:00 in Denver."""


def record(start, length, amount, quality=None, unit="Wh"):
    size = len(start)
    lengths = np.full(size, length) if isinstance(length, int) else length
    return Record(start, lengths, amount, np.zeros(size) if quality is None else quality, unit, DENVER, file="meter.csv")


def row(count=96, step_s=900, first=START, amount=None):
    return record(first + step_s * np.arange(count), step_s, np.arange(1.0, count + 1) if amount is None else amount)


def pick(one, index):
    index = np.asarray(index, dtype=int)
    parts = {name: getattr(one, name)[index] for name in ("start", "length", "amount", "quality")}
    legs = {leg: values[index] for leg, values in one.legs.items()}
    return replace(one, **parts, legs=legs, received=None if one.received is None else one.received[index])


def changed(one, at, amount):
    values = one.amount.copy()
    values[at] = amount
    return replace(one, amount=values)


def same(one, other):
    names = ("start", "length", "amount", "quality")
    return all(np.array_equal(getattr(one, name), getattr(other, name)) for name in names)


def feed(name):
    """Readings of an open feed by a plain pattern, no reader of this package."""
    text = (DATA / name).read_text(encoding="utf-8")
    found = re.findall(r"<timePeriod>\s*<duration>(\d+)</duration>\s*<start>(\d+)</start>.*?<value>(\d+)</value>", text, re.DOTALL)
    length, start, amount = np.array(found, dtype=np.int64).T
    return Record(start, length, amount, np.zeros(len(start)), "Wh", zone("America/New_York"))


def test_the_open_feed_of_fifteen_minutes():
    one = feed("espi_15min_15days.xml")
    report = examine(one)
    assert (report.readings_count, report.interval_s, report.days_count) == (1340, 900, 14)
    assert (report.energy, report.peak_amount, report.peak_start) == (1397734, 1662, 1330956000)
    assert (report.peak_rate, report.first, report.last) == (6648.0, 1330578000, 1331784000)
    assert (report.coverage_frac, report.gaps, report.lengths) == (1.0, (), ((900, 1340),))
    assert report.year_coverage_frac == 1206000 / 31536000
    assert [(change.at, change.kind, change.regular) for change in report.clock_changes] == [(1331449200, "forward", True)]
    assert report.problems() == ()
    assert demand(one, 900) == (6648.0, 1330956000)
    assert peaks(one, 1) == ((1330956000, 900, 6648.0),)
    sums = one.amount[:-1] + one.amount[1:]
    assert adjacent(one) == (sums.max(), int(one.start[sums.argmax()]))
    hours = [one.amount[at : at + 4].sum() for at in range(1337)]
    assert demand(one, 3600) == (max(hours), int(one.start[int(np.argmax(hours))]))


def test_the_open_feed_of_hours():
    report = examine(feed("espi_1hour_32days.xml"))
    assert (report.readings_count, report.energy, report.peak_amount, report.peak_start) == (768, 2354843, 4931, 1334527200)


def test_a_clean_record_has_no_problems_and_tells_what_it_holds():
    report = examine(row())
    assert report.problems() == ()
    assert report.findings() == (
        "96 readings, most of 15 min, from 2025-01-20T00:00:00-07:00 to 2025-01-21T00:00:00-07:00: "
        "1 whole day; 100 % of that time and 0.274 % of a year.",
        "Sum of the readings 4,656 Wh.",
        "Highest reading 384 W over 15 min at 2025-01-20T23:45:00-07:00.",
    )


def test_gaps_are_all_listed_and_the_findings_name_ten():
    report = examine(pick(row(), [at for at in range(96) if at < 41 or at % 4]))
    assert report.gaps[0] == Gap(START + 44 * 900, START + 45 * 900, False)
    assert len(report.gaps) == 13
    assert report.covered_s == 96 * 900 - 13 * 900
    assert report.coverage_frac == 83 / 96
    said = next(line for line in report.findings() if "gaps" in line)
    assert said.startswith(
        "13 gaps without readings, 3 h 15 min together: 2025-01-20T11:00:00-07:00 to 2025-01-20T11:15:00-07:00 (15 min);"
    )
    assert said.endswith("; and 3 more.")
    assert said.count(" to ") == 10


def test_one_missing_reading_in_ten_years_is_not_rounded_away():
    report = examine(pick(row(350_400), [*range(7), *range(8, 350_400)]))
    assert any("99.9997 % of that time" in line for line in report.findings())


def test_duplicates_equal_and_contradicting():
    one = row()
    twice = pick(one, [*range(96), 10, 20, 20, 30])
    twice = changed(changed(twice, 97, 999.0), 98, 7.0)
    report = examine(twice)
    assert (report.readings_count, report.settled_count, report.equal_duplicates_count) == (100, 96, 2)
    assert report.contradicting == (Contradiction(START + 20 * 900, 900, (7.0, 21.0, 999.0)),)
    assert settle(twice).amount[20] == 999.0
    assert report.peak_amount == 999.0
    assert report.findings()[0] == (
        "1 interval read more than once and not alike, the largest taken: 2025-01-20T05:00:00-07:00 (15 min): 7 and 21 and 999 Wh."
    )
    assert "2 readings repeated alike, each interval counted once." in report.findings()


def test_of_contradicting_duplicates_each_leg_keeps_its_own_largest():
    one = replace(record([START, START, START + 900], 900, [5.0, 6.0, 1.0]), legs={"A": [4.0, 1.0, 1.0], "B": [1.0, 5.0, 0.0]})
    kept = settle(one)
    assert kept.amount.tolist() == [6.0, 1.0]
    assert {leg: values.tolist() for leg, values in kept.legs.items()} == {"A": [4.0, 1.0], "B": [5.0, 0.0]}
    other = replace(record([START, START], 900, [5.0, 5.0]), received=[0.0, 2.0])
    assert settle(other).received.tolist() == [2.0]
    assert "5 Wh, but a leg or the reverse direction differs" in examine(other).findings()[0]


def test_of_equal_duplicates_the_doubtful_mark_is_kept():
    for order in ([0, 1], [1, 0]):
        one = record([START, START], 900, [5.0, 5.0], np.array([0, ESTIMATED_LINEAR])[order])
        assert settle(one).quality.tolist() == [ESTIMATED_LINEAR]


def test_settle_keeps_what_else_the_record_says():
    one = replace(pick(row(), [3, 2, 1]), register=NET, channel="main", dropped=(("totals row", 1),))
    kept = settle(one)
    assert (kept.register, kept.channel, kept.dropped, kept.file) == (NET, "main", (("totals row", 1),), "meter.csv")
    assert settle(kept) is kept


def test_overlaps_are_counted_and_make_the_sum_uncertain():
    one = record([START, START + 900, START + 1200, START + 2100, START + 2400], [900, 900, 300, 600, 300], [1.0, 2.0, 3.0, 4.0, 5.0])
    report = examine(one)
    assert report.overlaps == (START + 1200, START + 2400)
    assert (report.overlaps_count, report.energy, report.covered_s, report.coverage_frac) == (2, 15.0, 2400, 2400 / 2700)
    assert report.findings()[0].startswith("2 readings begin before an earlier one ends, so the sum of the readings is uncertain:")
    assert "Sum of the readings 15 Wh (uncertain, for they overlap)." in report.findings()
    assert len(settle(one)) == 5


def test_order_and_varying_lengths():
    one = record([START + 1800, START, START + 900, START + 2700], [900, 900, 900, 1800], [1.0, 2.0, 3.0, 4.0])
    report = examine(one)
    assert (report.out_of_order_count, report.interval_s, report.lengths) == (2, 900, ((900, 3), (1800, 1)))
    assert "Interval lengths vary: 3 readings of 15 min; 1 reading of 30 min." in report.findings()
    assert "2 readings out of time order in the file, put in order." in report.findings()


def change(one):
    report = examine(one)
    (found,) = report.clock_changes
    return found.kind, found.regular, found.words, report


@pytest.mark.parametrize("at,kind", [(FORWARD, "forward"), (BACK, "back")])
@pytest.mark.parametrize("step_s", [300, 900, 1800, 3600])
def test_what_a_record_does_where_the_clock_changes(at, kind, step_s):
    one = row(48 * 3600 // step_s, step_s, at - 24 * 3600)
    middle, hour = len(one) // 2, 3600 // step_s
    assert change(one)[:2] == (kind, True)
    for gone in (range(middle, middle + hour), range(middle - hour, middle)):
        found = change(pick(one, [place for place in range(len(one)) if place not in gone]))
        assert found[:2] == (kind, False)
        assert found[2].startswith("an hour is missing, just")
        assert found[3].gaps[0].at_clock_change
        assert any(line.startswith("Irregular where the clock changes: 2025-") for line in found[3].findings())
    wide = change(pick(one, [place for place in range(len(one)) if not middle - 2 * hour <= place < middle + hour]))
    assert (wide[1], wide[2]) == (False, "a gap of 3 h lies there")
    assert not wide[3].gaps[0].at_clock_change
    lengths = one.length.copy()
    lengths[middle] = 0
    nothing = change(pick(replace(one, length=lengths), range(len(one))))
    assert nothing[1] is False
    lengths[middle] = 2 * step_s
    double = change(pick(replace(one, length=lengths), [place for place in range(len(one)) if place != middle + 1]))
    assert double[1:3] == (False, f"a reading of double length ({ {300: '10 min', 900: '30 min', 1800: '1 h', 3600: '2 h'}[step_s] })")
    assert double[3].gaps == ()


def test_a_reading_of_zero_length_at_the_change_and_elsewhere():
    one = row(48, 3600, FORWARD - 24 * 3600)
    extra = record([*one.start, FORWARD, FORWARD + 36000], [*one.length, 0, 0], [*one.amount, 0.0, 900.0])
    kind, regular, words, report = change(extra)
    assert (kind, regular, words) == ("forward", False, "a reading of zero length")
    assert report.zero_lengths == (FORWARD, FORWARD + 36000)
    assert (report.gaps, report.overlaps, report.peak_amount, report.interval_s) == ((), (), 48.0, 3600)
    assert any(line.startswith("2 readings of zero length, not used for any average: 2025-03-09T03:00") for line in report.findings())
    assert peaks(extra, 1) == demand_as_peak(extra)


def demand_as_peak(one):
    rate, start = demand(one, 3600)
    return ((start, 3600, rate),)


def test_both_passes_of_the_repeated_hour_on_one():
    one = row(48, 3600, BACK - 24 * 3600)
    assert change(changed(pick(one, [*range(48), 23]), 48, 5.0))[1] is False
    assert "more than one reading" in change(changed(pick(one, [*range(48), 23]), 48, 5.0))[2]


@pytest.mark.parametrize("first,hours,words", [(1741417200, 23, "a block of 23 h"), (1761976800, 25, "a block of 25 h")])
def test_days_of_23_and_25_hours_are_regular(first, hours, words):
    one = record([first, first + 86400, first + 86400 + hours * 3600], [86400, hours * 3600, 86400], [1.0, 2.0, 3.0])
    found = change(one)
    assert found[1]
    assert words in found[2]
    wrong = record([first, first + 86400, first + 172800], [86400, 86400, 86400], [1.0, 2.0, 3.0])
    assert "follow each other in UTC" in change(wrong)[2]


def test_whole_days_by_the_clock_on_the_wall():
    assert examine(row(23, 3600, FORWARD - 2 * 3600)).days_count == 1
    assert examine(row(24, 3600, BACK - 3600)).days_count == 0
    assert examine(row(25, 3600, BACK - 2 * 3600)).days_count == 1
    assert examine(row(95)).days_count == 0


def test_zero_and_stuck_runs():
    amount = np.arange(1.0, 97)
    amount[10:26] = 0.0
    amount[30:45] = 0.0
    amount[50:66] = 7.5
    report = examine(row(amount=amount))
    assert report.zero_runs == (Run(START + 10 * 900, START + 26 * 900, 16, 0.0),)
    assert report.stuck_runs == (Run(START + 50 * 900, START + 66 * 900, 16, 7.5),)
    said = [line for line in report.findings() if "no proof of low load" in line]
    assert said[0] == (
        "1 run of 4 h or more at exactly zero: an outage, a vacancy or a dead meter is possible, it is no proof of low load: "
        "2025-01-20T02:30:00-07:00 to 2025-01-20T06:30:00-07:00 (16 readings)."
    )
    assert "(16 readings of 7.5 Wh)" in said[1]
    assert examine(pick(row(amount=amount), [at for at in range(96) if at != 18])).zero_runs == ()


def test_a_few_long_readings_alike_are_not_stuck_but_zero_ones_are_out():
    hours = np.array([3.0, 5, 5, 5, 5, 5, 5, 5, 1, 0, 0, 0, 0, 2])
    report = examine(row(14, 3600, amount=hours))
    assert report.stuck_runs == ()
    assert report.zero_runs == (Run(START + 9 * 3600, START + 13 * 3600, 4, 0.0),)


def test_hours_of_giving_back_are_no_zero_run():
    amount = np.concatenate((np.zeros(20), np.ones(5)))
    back = np.concatenate((np.full(20, 4.0), np.zeros(5)))
    assert examine(replace(row(25, amount=amount), received=back)).zero_runs == ()
    report = examine(replace(row(25, amount=amount), received=np.zeros(25)))
    assert report.zero_runs[0].count == 20
    assert (report.received_energy, examine(row()).received_energy) == (0.0, None)
    assert "at night nothing is given back" in " ".join(examine(replace(row(25, amount=amount), register=RECEIVED)).findings())


def test_negative_and_estimated_readings_and_samples():
    quality = np.zeros(96)
    quality[:12] = ESTIMATED_LINEAR
    report = examine(replace(changed(row(), 4, -3.0), quality=quality, basis=SAMPLED))
    assert (report.negative_count, report.estimated_count) == (1, 12)
    assert report.qualities == ((0, "valid", 84), (9, "estimated by interpolation", 12))
    text = " ".join(report.findings())
    assert "1 reading below zero, which a delivered register should not have." in text
    assert "12 readings (12.5 %) not surely measured: 12 estimated by interpolation." in text
    assert "a peak between two of them is not seen" in text
    assert "96 readings (100 %) not surely measured" in " ".join(examine(replace(row(), quality=np.full(96, 9))).findings())
    assert "the home gave back energy then" in " ".join(examine(replace(changed(row(), 4, -3.0), register=NET)).findings())


def test_a_dead_leg_and_rows_left_out_are_said():
    one = row()
    report = examine(replace(one, legs={"A": one.amount, "B": np.zeros(96)}, dropped=(("no value", 3),)))
    assert report.dead_legs == ("B",)
    assert "Zero throughout: leg B." in report.findings()
    assert "Rows left out: 3 rows: no value." in report.findings()


@pytest.mark.parametrize(
    "stated,start,end,difference,agrees",
    [
        (4656.0, None, None, 0.0, True),
        (4655.6, None, None, 0.4, True),
        (4650.0, None, None, 6.0, False),
        (10.0, START, START + 3600, 0.0, True),
        (18.0, START + 3600, START + 6300, 0.0, True),
        (17.0, START + 3600, START + 6300, 1.0, False),
    ],
)
def test_the_sum_that_the_file_states(stated, start, end, difference, agrees):
    report = examine(replace(row(), summaries=(Summary(stated, "Wh", start, end, "bill"),)))
    (one,) = report.reconciliations
    assert one.difference == pytest.approx(difference)
    assert one.agrees is agrees
    said = " ".join(report.problems())
    assert ("add up to" in said) is not agrees
    assert ("the readings agree" in " ".join(report.findings())) is agrees


@pytest.mark.parametrize(
    "unit,start,end,reason",
    [
        ("VAh", None, None, "it is in VAh"),
        ("Wh", START - 1, START + 900, "not within the record"),
        ("Wh", START, START + 97 * 900, "not within the record"),
        ("Wh", START, None, "no start or no end"),
        ("Wh", None, START, "no start or no end"),
        ("Wh", START + 900, START + 900, "not within the record"),
    ],
)
def test_a_stated_sum_that_cannot_be_compared_is_said(unit, start, end, reason):
    report = examine(replace(row(), summaries=(Summary(5.0, unit, start, end, "bill"),)))
    assert report.reconciliations == ()
    assert reason in report.unreconciled[0][1]
    assert any("is not compared" in line and reason in line for line in report.problems())


def test_a_stated_sum_agrees_to_a_millionth():
    big = row(amount=np.full(96, 1e7))
    assert examine(replace(big, summaries=(Summary(9.6e8 - 900, "Wh", None, None, "bill"),))).reconciliations[0].agrees
    assert not examine(replace(big, summaries=(Summary(9.6e8 - 1000, "Wh", None, None, "bill"),))).reconciliations[0].agrees


def test_what_cannot_be_examined_raises():
    for bad in (record([], 900, []), record([START], 0, [4.0])):
        for question in (examine, adjacent, lambda one: peaks(one, 1), lambda one: demand(one, 900)):
            with pytest.raises(CalculationFault, match="no reading with a length"):
                question(bad)
    for value in (np.nan, np.inf):
        with pytest.raises(CalculationFault, match="no finite number"):
            settle(changed(row(), 5, value))


def test_peaks_are_by_rate_and_the_earlier_of_equals_first():
    one = record(START + np.array([0, 900, 2700, 3600]), [900, 1800, 900, 900], [50.0, 90.0, 70.0, 50.0])
    assert peaks(one, 3) == ((START + 2700, 900, 280.0), (START, 900, 200.0), (START + 3600, 900, 200.0))
    assert len(peaks(one, 99)) == 4
    assert peaks(one, 0) == ()
    assert examine(one).peak_start == START + 2700


def test_demand_slides_by_readings_and_stops_at_gaps():
    amount = np.ones(24)
    amount[[5, 6, 7, 12, 13]] = [40.0, 10.0, 40.0, 60.0, 60.0]
    one = row(24, 300, amount=amount)
    assert demand(one, 900) == ((60 + 60 + 1) * 4.0, START + 11 * 300)
    assert demand(one, 300) == (720.0, START + 12 * 300)
    assert demand(pick(one, [at for at in range(24) if at not in (11, 14)]), 900) == (90 * 4.0, START + 5 * 300)
    alone = pick(changed(one, 12, 200.0), [at for at in range(24) if at not in (11, 13)])
    assert demand(alone, 900) == (90 * 4.0, START + 5 * 300)
    assert adjacent(one) == (120.0, START + 12 * 300)
    assert adjacent(pick(one, [at for at in range(24) if at != 13])) == (61.0, START + 11 * 300)
    with pytest.raises(CalculationFault, match="span exactly 7 min"):
        demand(one, 420)
    with pytest.raises(CalculationFault, match="span exactly 15 min"):
        demand(row(4, 3600), 900)
    with pytest.raises(CalculationFault, match="no two readings of 15 min meet"):
        adjacent(pick(row(), range(0, 96, 2)))


def test_demand_by_leg():
    amount = np.ones((2, 24))
    amount[0, 3:6], amount[1, 8:11] = 9.0, 7.0
    one = replace(row(24, 300, amount=amount.sum(axis=0)), legs={"A": amount[0], "B": amount[1]})
    assert demand(one, 900, leg="A") == (108.0, START + 900)
    assert demand(one, 900, leg="B") == (84.0, START + 2400)
    assert demand(one, 900)[0] == 120.0
    assert adjacent(one, leg="B")[0] == 14.0
    assert peaks(one, 1, leg="B")[0][2] == 84.0
    with pytest.raises(CalculationFault, match="no leg C.*accepted: A, B"):
        demand(one, 900, leg="C")


def test_demand_is_not_given_where_it_cannot_be_known():
    over = record(START + np.array([0, 300, 450, 600]), 300, [1.0, 9.0, 1.0, 1.0])
    with pytest.raises(CalculationFault, match=r"readings overlap; found the first at 2025-01-20T00:07:30-07:00"):
        demand(over, 900)
    assert demand(over, 300) == (108.0, START + 300)
    longer = record(START + np.array([0, 900, 1800]), [900, 900, 1800], [10.0, 10.0, 50.0])
    with pytest.raises(CalculationFault, match="within a longer reading; found 30 min at 2025-01-20T00:30"):
        demand(longer, 900)
    assert demand(changed(longer, 2, 20.0), 900) == (40.0, START)


AMOUNTS = st.lists(st.integers(0, 5000).map(float), min_size=12, max_size=60)


@settings(max_examples=80, deadline=None)
@given(AMOUNTS, st.randoms(use_true_random=False))
def test_a_shuffle_changes_the_report_and_nothing_else(amounts, dice):
    one = row(len(amounts), amount=np.array(amounts))
    order = list(range(len(one)))
    dice.shuffle(order)
    assume(order != sorted(order))
    mixed = pick(one, order)
    before, after = examine(one), examine(mixed)
    assert after.out_of_order_count > 0
    assert after != before
    assert after.findings() != before.findings()
    assert same(settle(mixed), one)
    assert (after.energy, after.peak_amount, after.peak_start) == (before.energy, before.peak_amount, before.peak_start)
    assert (demand(mixed, 1800), adjacent(mixed), peaks(mixed, 5)) == (demand(one, 1800), adjacent(one), peaks(one, 5))


@settings(max_examples=80, deadline=None)
@given(AMOUNTS, st.data())
def test_a_duplication_changes_the_report_and_never_lowers_the_peak(amounts, data):
    one = row(len(amounts), amount=np.array(amounts))
    again = data.draw(st.lists(st.integers(0, len(one) - 1), min_size=1, max_size=8))
    order = data.draw(st.permutations([*range(len(one)), *again]))
    before, equal = examine(one), examine(pick(one, order))
    assert equal.equal_duplicates_count == len(again)
    assert (equal.contradicting, equal.energy, equal.peak_amount) == ((), before.energy, before.peak_amount)
    assert same(settle(pick(one, order)), one)
    assert equal.findings() != before.findings()
    at = data.draw(st.integers(0, len(one) - 1))
    other = data.draw(st.integers(0, 6000).map(float))
    assume(other != one.amount[at])
    twice = changed(pick(one, [*range(len(one)), at]), len(one), other)
    twice = pick(twice, data.draw(st.permutations(range(len(twice)))))
    after = examine(twice)
    assert after.contradicting == (Contradiction(int(one.start[at]), 900, tuple(sorted((other, float(one.amount[at]))))),)
    assert after.peak_amount == max(before.peak_amount, other)
    assert after.findings()[0] != before.findings()[0]
    assert settle(twice).amount[at] == max(other, one.amount[at])


@settings(max_examples=80, deadline=None)
@given(AMOUNTS, st.data())
def test_a_cut_changes_the_report(amounts, data):
    one = row(len(amounts), amount=np.array(amounts))
    low = data.draw(st.integers(0, len(one) - 1))
    high = data.draw(st.integers(low + 1, len(one)))
    assume((low, high) != (0, len(one)))
    kept = [at for at in range(len(one)) if not low <= at < high]
    assume(kept)
    before, after = examine(one), examine(pick(one, kept))
    assert after.readings_count < before.readings_count
    assert after != before
    assert after.findings() != before.findings()
    inside = low > 0 and high < len(one)
    assert [(gap.start, gap.end) for gap in after.gaps] == ([(START + low * 900, START + high * 900)] if inside else [])
    assert inside or (after.first, after.last) != (before.first, before.last)
    assert after.covered_s == before.covered_s - (high - low) * 900


@settings(max_examples=60, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 40), st.integers(0, 6)), min_size=1, max_size=25))
def test_coverage_is_the_union_of_the_readings(parts):
    assume(any(length for _, length in parts))
    one = record(START + 60 * np.array([part[0] for part in parts]), 60 * np.array([part[1] for part in parts]), np.ones(len(parts)))
    minutes = {start + at for start, length in parts for at in range(length)}
    report = examine(one)
    assert report.covered_s == 60 * len(minutes)
    assert report.span_s == 60 * (max(minutes) + 1 - min(minutes))
    assert report.span_s - report.covered_s == sum(gap.end - gap.start for gap in report.gaps)
    in_order = sorted({(start, length) for start, length in parts if length})
    over = sum(any(start < before + far for before, far in in_order[:at]) for at, (start, _) in enumerate(in_order))
    assert report.overlaps_count == over


@pytest.mark.parametrize("count,limit_s", [(35_040, 0.02), (350_400, 0.2)])
def test_a_year_and_ten_are_examined_fast(count, limit_s):
    one = row(count, amount=np.random.default_rng(7).integers(1, 2000, count))
    taken = []
    for _ in range(7):
        begin = time.perf_counter()
        examine(one)
        taken.append(time.perf_counter() - begin)
    assert min(taken) < limit_s
