"""A record as a regular series: energy conserved, gaps refused or marked, no copies where none are needed."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from workbook_lib.errors import CalculationFault
from workbook_lib.records.clock import fixed, zone
from workbook_lib.records.record import Record
from workbook_lib.records.report import settle
from workbook_lib.records.series import regular

DENVER = zone("America/Denver")
MIDNIGHT = 1735714800
"""2025-01-01T00:00 in Denver, a Wednesday."""
STEPS = (60, 300, 900, 1800, 3600)


def record(start, length, amount, clock=DENVER):
    return Record(start, length, amount, np.zeros(len(start)), "Wh", clock, file="meter.csv")


def row(count, step_s, first=MIDNIGHT, amount=None, clock=DENVER):
    values = np.arange(1.0, count + 1) if amount is None else amount
    return record(first + step_s * np.arange(count), np.full(count, step_s), values, clock)


def without(one, gone):
    kept = ~np.isin(np.arange(len(one)), gone)
    return record(one.start[kept], one.length[kept], one.amount[kept], one.clock)


def by_hand(one, series):
    """Energy of each step, second by second of each reading, as plain loops."""
    found = [0.0] * len(series)
    for start, length, amount in zip(one.start.tolist(), one.length.tolist(), one.amount.tolist(), strict=True):
        for step in range((start - series.start) // series.step_s, (start + length - series.start - 1) // series.step_s + 1):
            low = max(start, series.start + step * series.step_s)
            high = min(start + length, series.start + (step + 1) * series.step_s)
            found[step] += amount * (high - low) / length
    return found


@settings(max_examples=60, deadline=None)
@given(
    st.lists(st.tuples(st.integers(1, 12000), st.floats(0, 5000)), min_size=1, max_size=30),
    st.integers(-5000, 5000),
    st.sampled_from(STEPS),
    st.sampled_from([DENVER, fixed(19800), fixed(20700)]),
)
def test_energy_is_conserved_step_by_step(parts, shift, step_s, clock):
    length = np.array([part[0] for part in parts])
    one = record(MIDNIGHT + shift + np.concatenate(([0], np.cumsum(length)[:-1])), length, [part[1] for part in parts], clock)
    series = regular(one, step_s, repair=False)
    total = one.amount.sum()
    assert series.amount.sum() == pytest.approx(total, rel=1e-9, abs=1e-9)
    assert series.amount.tolist() == pytest.approx(by_hand(one, series), rel=1e-9, abs=1e-9 * max(total, 1))
    assert (series.start + clock.standard_s) % step_s == 0
    assert series.start <= one.start[0] < series.start + step_s
    assert series.end - step_s < one.end[-1] <= series.end
    assert (series.step_s * len(series) - series.missing_s.sum()) == length.sum()
    assert series.repaired_count == 0
    assert series.partial_count <= 2


@settings(max_examples=60, deadline=None)
@given(st.data(), st.sampled_from(STEPS))
def test_repair_keeps_what_was_measured_and_marks_the_rest(data, step_s):
    whole = row(2 * 168, 3600, amount=np.array(data.draw(st.lists(st.floats(0, 9000), min_size=336, max_size=336))))
    gone = data.draw(st.lists(st.integers(0, 167), min_size=1, max_size=20, unique=True))
    cut = without(whole, gone)
    before = [getattr(cut, name).copy() for name in ("start", "length", "amount", "quality")]
    settled = settle(cut)
    series = regular(cut, step_s, repair=True)
    assert all((getattr(cut, name) == kept).all() for name, kept in zip(("start", "length", "amount", "quality"), before, strict=True))
    assert (settle(cut).amount == settled.amount).all()
    per_hour = 3600 // step_s
    first = int(cut.start[0] - MIDNIGHT) // 3600
    expected = [hour for hour in sorted(gone) if hour >= first]
    marked = np.flatnonzero(series.repaired.reshape(-1, per_hour).all(axis=1)) + first
    assert marked.tolist() == expected
    assert series.repaired_count == per_hour * len(expected)
    assert series.amount[~series.repaired].sum() == pytest.approx(cut.amount.sum(), rel=1e-9, abs=1e-9)
    hours = series.amount.reshape(-1, per_hour).sum(axis=1)
    for hour in expected:
        assert hours[hour - first] == pytest.approx(whole.amount[hour + 168], rel=1e-9, abs=1e-6)


def test_a_record_on_the_grid_is_the_same_array():
    one = row(96, 900)
    series = regular(one, 900, repair=True)
    assert series.amount is one.amount
    assert np.shares_memory(series.days(), one.amount)
    assert np.shares_memory(series.part(4, 8).amount, one.amount)
    assert series.days().shape == (1, 96)
    assert series.rate[0] == 4.0
    hours = regular(row(24, 3600), 3600, repair=False)
    assert np.shares_memory(hours.rate, hours.amount)
    for array in (series.amount, series.repaired, series.rate, series.missing_s, regular(one, 300, repair=False).amount):
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 1


def test_days_are_standard_days_all_year():
    year = row(8760, 3600)
    series = regular(year, 3600, repair=False)
    assert series.days().shape == (365, 24)
    assert series.starts[0] == MIDNIGHT
    assert (series.starts + DENVER.standard_s)[4800] % 86400 == 0
    assert series.days()[200, 0] == year.amount[4800]


def test_whole_days_are_views_between_midnights():
    series = regular(row(60, 3600, MIDNIGHT - 5 * 3600), 3600, repair=False)
    with pytest.raises(CalculationFault, match="midnight"):
        series.days()
    days = series.whole_days()
    assert days.start == MIDNIGHT
    assert np.shares_memory(days.amount, series.amount)
    assert days.days().tolist() == [list(range(6, 30)), list(range(30, 54))]
    assert days.whole_days() is days
    with pytest.raises(CalculationFault, match="no whole day"):
        regular(row(30, 3600, MIDNIGHT + 3600), 3600, repair=False).whole_days()
    with pytest.raises(ValueError, match="steps 3 to 99"):
        series.part(3, 99)


def test_a_step_that_the_record_covers_in_part_is_no_part_of_a_whole_day():
    one = row(60 * 24, 3600, MIDNIGHT + 600, np.full(60 * 24, 6.0))
    series = regular(one, 3600, repair=False)
    assert (series.amount[0], series.amount[1], series.amount[-1]) == (5.0, 6.0, 1.0)
    assert (series.missing_s[0], series.missing_s[1], series.missing_s[-1]) == (600, 0, 3000)
    assert series.partial_count == 2
    assert series.whole_days().start == MIDNIGHT + 86400
    assert series.whole_days().partial_count == 0
    filled = regular(one, 3600, repair=True)
    assert (filled.amount == 6.0).all()
    assert filled.repaired.nonzero()[0].tolist() == [0, len(filled) - 1]


def test_daylight_saving_moves_nothing():
    spring = 1741503600
    hours = row(48, 3600, spring)
    series = regular(hours, 3600, repair=False)
    assert (series.start, series.amount.tolist()) == (spring, hours.amount.tolist())


def test_gaps_are_named_and_not_filled():
    cut = without(row(48, 900), [10, 11, 30])
    with pytest.raises(CalculationFault) as fault:
        regular(cut, 900, repair=False)
    said = str(fault.value)
    assert "2 gaps" in said
    assert "2025-01-01T02:30:00-07:00 to 2025-01-01T03:00:00-07:00" in said
    assert "2025-01-01T07:30:00-07:00 to 2025-01-01T07:45:00-07:00" in said
    many = without(row(200, 900), range(1, 100, 2))
    with pytest.raises(CalculationFault, match="50 gaps.* and 40 more"):
        regular(many, 900, repair=False)


def test_repair_takes_the_mean_of_the_same_hour_of_the_week():
    amount = np.tile(np.arange(168.0), 3)
    amount[5], amount[5 + 168] = 100.0, 40.0
    series = regular(without(row(504, 3600, amount=amount), [5 + 336]), 3600, repair=True)
    assert series.amount[5 + 336] == 70.0
    assert series.repaired.nonzero()[0].tolist() == [341]


def test_repair_adds_only_what_is_missing_of_a_step():
    one = row(3 * 672, 900, amount=np.full(3 * 672, 10.0))
    series = regular(without(one, [40]), 3600, repair=True)
    assert series.amount[10] == pytest.approx(40.0)
    assert series.missing_s[10] == 900
    assert series.repaired.nonzero()[0].tolist() == [10]


def test_an_hour_of_the_week_that_was_never_measured_cannot_be_repaired():
    with pytest.raises(CalculationFault, match="never measured; found Wednesday 05:00"):
        regular(without(row(48, 3600), [5]), 3600, repair=True)


def test_a_shuffled_record_with_equal_duplicates_gives_the_same_series():
    one = row(96, 900)
    order = np.random.default_rng(4).permutation(np.concatenate((np.arange(96), [3, 50])))
    mixed = record(one.start[order], one.length[order], one.amount[order])
    assert (regular(mixed, 900, repair=False).amount == one.amount).all()


@pytest.mark.parametrize("step_s", [0, 30, 59, 7, 3601, 7200, 420, -900])
def test_other_steps_are_refused(step_s):
    with pytest.raises(CalculationFault, match="part of the hour"):
        regular(row(4, 900), step_s, repair=False)


def test_overlaps_and_energy_without_length_are_refused():
    over = record(MIDNIGHT + np.array([0, 900, 1200]), np.full(3, 900), np.ones(3))
    with pytest.raises(CalculationFault, match=r"overlap.*2025-01-01T00:20:00-07:00"):
        regular(over, 900, repair=True)
    point = record(MIDNIGHT + np.array([0, 900, 900]), [900, 0, 900], [1.0, 5.0, 1.0])
    with pytest.raises(CalculationFault, match="zero length.*2025-01-01T00:15:00-07:00"):
        regular(point, 900, repair=False)
    nothing = record(MIDNIGHT + np.array([0, 900, 900]), [900, 0, 900], [1.0, 0.0, 1.0])
    assert regular(nothing, 900, repair=False).amount.tolist() == [1.0, 1.0]
    with pytest.raises(CalculationFault, match="no reading with a length"):
        regular(record([MIDNIGHT], [0], [0.0]), 900, repair=False)


def test_a_record_with_a_wrong_date_does_not_fill_the_memory():
    far = record([0, 4_000_000_000], [900, 900], [1.0, 1.0])
    with pytest.raises(CalculationFault, match="too long"):
        regular(far, 60, repair=True)
