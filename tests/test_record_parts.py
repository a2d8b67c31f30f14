"""Sections about a meter record: its report, the ten highest readings, months and seasons."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from tests.test_record_drawings import CLOCK, DATA, RECORDS, make, some
from workbook_lib.errors import CalculationFault
from workbook_lib.records.espi import read_espi
from workbook_lib.records.record import Decision, Declared, Record, Summary
from workbook_lib.records.report import examine
from workbook_lib.render import content, html, text
from workbook_lib.sheet import Input, Section
from workbook_lib.workbooks import record_figures, record_parts

FEEDS = {
    "espi_15min_15days.xml": ("kW", 900),
    "espi_1hour_32days.xml": ("kW", 3600),
}


def report_of(record: Record, *, withheld: bool = False) -> tuple[Section, ...]:
    return record_parts.report_section(record, examine(record), withheld=withheld)


def facts(record: Record) -> dict[str, str]:
    return dict(report_of(record)[0].table.rows)


def shown(*sections: Section) -> str:
    """The sections as plain text on one line; their HTML is set as well."""
    part = content.sections("record", "Record", sections)
    assert html.fragment(part).startswith("<section")
    return " ".join(text.plain(part).split())


# the report


def test_the_report_names_what_the_record_is():
    record = some(16, file="year.xml", channel="usage point 1", decisions=(Decision("unit Wh", "the feed says so"),))
    found = facts(record)
    assert found["File"] == "year.xml"
    assert found["Channel"] == "usage point 1"
    assert found["Register"] == "delivered to the home"
    assert found["Readings in the file"] == "1,536"
    assert found["Lengths of the readings"] == "15 min (1,536)"
    assert found["First reading begins"] == "2011-03-05T00:00:00-05:00"
    assert found["Last reading ends"] == "2011-03-21T01:00:00-04:00"
    assert found["Whole days from first to last"] == "16"
    assert found["Covered of the time between"] == "100 %"
    assert found["Covered of a year"] == "4.4 %"
    assert found["Gaps"] == found["Estimated or doubtful readings"] == "none"
    assert found["Sum of the readings"] == f"{record.amount.sum() / 1000:,.3f} kWh"
    assert report_of(record)[1].table.rows == (("unit Wh", "the feed says so"),)
    assert "no gap between its first and its last reading" in report_of(record)[2].prose


def test_what_is_wrong_stands_in_prose_and_figures():
    kw = np.full(16 * 24, 1.0)
    kw[100:160] = 0.0
    record = make("2011-03-05T00:00", kw, dropped=(("a row of units", 1), ("a total", 2)), keep=np.arange(16 * 24) % 100 != 7)
    again = np.concatenate((np.arange(len(record)), [3, 4]))
    record = replace(
        record,
        start=record.start[again],
        length=record.length[again],
        amount=record.amount[again],
        quality=np.where(again == 50, 8, 0),
    )
    sections = report_of(record)
    found = facts(record)
    assert sections[0].prose == " ".join(examine(record).findings())
    assert found["Gaps"] == "4"
    assert found["Equal duplicates, counted once"] == "2"
    assert found["Estimated or doubtful readings"] == "1"
    assert found["Runs of exact zero"].startswith("2, the longest ")
    assert found["Covered of the time between"] != "100 %"
    assert ("2 rows left out", "a total") in sections[1].table.rows
    assert "3 rows of the file are not readings" in sections[1].prose
    assert sections[2].table.rows[0][:3] == ("2011-03-05T07:00:00-05:00", "2011-03-05T08:00:00-05:00", "1 h")
    assert "4 gaps, 4 h in all" in sections[2].prose


def test_a_total_of_the_file_stands_beside_the_sum_of_the_readings():
    record = make("2011-03-05T00:00", np.full(48, 1.0))
    first, last = int(record.start[0]), int(record.end[-1])
    totals = (
        Summary(48000.0, "Wh", first, last, "billing period"),
        Summary(50000.0, "Wh", first, last, "another"),
        Summary(9.0, "Wh", first - 86400 * 40, first - 86400 * 10, "month before"),
    )
    found = facts(replace(record, summaries=totals))
    assert found["Total in the file: billing period"].endswith("add up to 48.000 kWh: they agree")
    assert "the file states 50.000 kWh from 2011-03-05T00:00:00-05:00" in found["Total in the file: another"]
    assert found["Total in the file: another"].endswith("readings less total \N{MINUS SIGN}2.000 kWh")
    assert "not compared" in found["Total in the file: month before"]


def test_gaps_are_listed_up_to_forty_and_then_counted():
    record = some(16, keep=np.arange(16 * 96) % 20 != 3)
    gaps = report_of(record)[2]
    count = len(examine(record).gaps)
    assert count == 77
    assert len(gaps.table.rows) == 40
    assert "The first 40 are listed; 37 more with 9 h 15 min are not." in gaps.prose
    assert len(report_of(some(16, keep=np.arange(16 * 96) % 200 != 3))[2].table.rows) == 8


def test_a_withheld_pattern_and_long_readings_are_said():
    record = some(16)
    assert "withholds the home's daily pattern" in report_of(record, withheld=True)[0].prose
    assert "withholds" not in report_of(record)[0].prose
    kw = np.full(16 * 24, 1.0)
    kw[100:160] = 0.0
    away = make("2011-03-05T00:00", kw + 0.01 * (kw > 0) * (np.arange(16 * 24) % 3))
    assert "2011-03-09T04:00" in report_of(away)[0].prose
    kept = shown(
        *report_of(away, withheld=True), record_parts.ten_highest(away, None, withheld=True), record_parts.seasonal(away, withheld=True)
    )
    assert "March 2011" in kept
    assert not re.search(r"2011-03-(0[6-9]|1[0-24-9])", kept), "the change of the clock on the 13th is no secret"
    assert "2011-03-09T04:00" not in kept
    assert "without their dates" in kept
    assert "1, the longest 60 readings over 2 d 12 h" in kept
    assert "a day or longer" in report_of(make("2011-01-01T00:00", [1.0, 2.0], 86400))[0].prose


@pytest.mark.parametrize(
    ("share", "words"), [(1.0, "100 %"), (0.99999, "99.9 %"), (0.0, "0 %"), (0.04383, "4.4 %"), (0.29, "29 %"), (0.0001, "under 0.1 %")]
)
def test_a_share_is_never_rounded_to_the_whole_or_to_nothing(share, words):
    assert record_parts._percent(share) == words


# the ten highest


def test_the_quarter_hour_of_the_check_values():
    kw = np.full(15 * 96, 0.5)
    kw[[700, 800]] = 6.648, 6.0
    section = record_parts.ten_highest(make("2011-03-01T00:00", kw, 900), Input("records.load.power_factor", "power factor", 1.0, "frac"))
    date, weekday, hour, interval, average, amperes = section.table.rows[0]
    assert (date, weekday, hour, interval) == ("2011-03-08", "Tuesday", "07:00", "15 min")
    assert (average, amperes) == (pytest.approx(6.648), pytest.approx(27.70))
    assert section.table.rows[1][4] == pytest.approx(6.0)
    assert len(section.table.rows) == 10
    assert "27.700" in shown(section)


def test_kilowatts_need_a_power_factor_for_their_current():
    record = some(2)
    without = record_parts.ten_highest(record, None)
    assert len(without.table.columns) == len(without.table.rows[0]) == 5
    assert "no power factor is stated: the current is not computed" in without.prose
    with_factor = record_parts.ten_highest(record, 0.9)
    assert with_factor.table.rows[0][5] == pytest.approx(without.table.rows[0][4] * 1000 / 240 / 0.9)
    for wrong in (0.0, 1.2, -1.0, float("nan")):
        with pytest.raises(CalculationFault, match="power factor"):
            record_parts.ten_highest(record, wrong)


def test_apparent_power_and_amperes_need_none():
    apparent = record_parts.ten_highest(some(2, unit="VAh"), None)
    assert apparent.table.rows[0][5] == pytest.approx(apparent.table.rows[0][4] * 1000 / 240)
    record = some(2, unit="Ah")
    legs = replace(record, legs={"a": record.amount, "b": record.amount / 2})
    section = record_parts.ten_highest(legs, None)
    assert section.table.columns[-1] == "Average (A)"
    assert "the larger of the legs a and b" in section.prose


def test_the_highest_are_those_of_a_plain_sort_and_equal_ones_come_by_date():
    record = RECORDS["year"]
    rows = record_parts.ten_highest(record, None).table.rows
    assert [row[4] for row in rows] == pytest.approx(sorted(record.amount / 1000, reverse=True)[:10])
    level = make("2011-01-01T00:00", np.full(20, 1.0))
    assert [row[2] for row in record_parts.ten_highest(level, None).table.rows] == [f"{hour:02d}:00" for hour in range(10)]
    assert "The 3 highest" in record_parts.ten_highest(make("2011-01-01T00:00", [1, 2, 3]), None).prose


def test_a_duplicate_is_not_two_of_the_highest():
    record = make("2011-01-01T00:00", [1.0, 5.0, 2.0])
    again = [0, 1, 1, 2, 1]
    twice = replace(
        record, start=record.start[again], length=record.length[again], amount=record.amount[again], quality=record.quality[again]
    )
    assert record_parts.ten_highest(twice, None) == record_parts.ten_highest(record, None)


# months and seasons


def test_seasonal_maxima_of_an_open_home_are_those_of_a_plain_count():
    record = RECORDS["year"]
    best: dict[str, float] = {}
    for start, kw in zip(record.start, record.amount / 1000, strict=True):
        best[record.clock.text(int(start))[:7]] = max(kw, best.get(record.clock.text(int(start))[:7], 0.0))
    section = record_parts.seasonal(record)
    assert [row[1] for row in section.table.rows[: len(best)]] == pytest.approx(list(best.values()))
    rows = {row[0]: row for row in section.table.rows}
    assert rows["August 2016"][4] == "100 %"
    assert rows["July 2016"][4] == "0.1 %"
    assert rows["December to February"][1] == pytest.approx(max(best[month] for month in ("2016-12", "2017-01", "2017-02")))
    assert rows["June to August"][4] == "100 %"
    assert "Every month of the calendar has readings." in section.prose


def test_months_that_are_not_in_the_record_are_said():
    section = record_parts.seasonal(some(16))
    rows = {row[0]: row for row in section.table.rows}
    assert rows["June to August"] == ("June to August", "no reading begins", "", "", "0 %")
    assert rows["March to May"][4] == "17.4 %; no reading in April and May"
    assert "The record has no reading in January, February, April" in section.prose
    assert "Recorded in part only: March 2011." in section.prose
    assert "June to August" in shown(section)


def test_a_share_counts_an_overlap_once_and_a_gap_not_at_all():
    hours = 31 * 24
    record = make("2011-01-01T00:00", np.ones(hours), keep=np.arange(hours) >= hours // 2)
    assert record_parts.seasonal(record).table.rows[0][4] == "50 %"
    both = Record(
        np.concatenate((record.start, record.start + 1800)),
        np.concatenate((record.length, record.length)),
        np.concatenate((record.amount, record.amount)),
        np.zeros(2 * len(record)),
        "Wh",
        CLOCK,
    )
    assert record_parts.seasonal(both).table.rows[0][4] == "50 %"


def test_a_long_record_has_one_row_a_month_of_the_calendar():
    section = record_parts.seasonal(RECORDS["ten years"])
    assert len(section.table.rows) == 16
    assert section.table.rows[0][0] == "January, all years"
    assert max(row[1] for row in section.table.rows) == pytest.approx(RECORDS["ten years"].amount.max() / 1000)


# the sample feeds


@pytest.mark.parametrize("name", FEEDS)
def test_a_sample_feed_is_reported_whole(name):
    unit, length_s = FEEDS[name]
    record = read_espi(DATA / name, name, Declared(), None)
    report = examine(record)
    sections = (*report_of(record), record_parts.ten_highest(record, 1.0), record_parts.seasonal(record))
    said = shown(*sections)
    assert f"{report.readings_count:,}" in said
    assert record.clock.text(report.first) in said
    top = sections[3].table.rows[0]
    assert top[4] == pytest.approx(float(record.rate.max()) / 1000)
    assert top[3] == record_figures.length_words(length_s)
    assert {figure.unit for figure in record_figures.figures(record, withheld=False)} == {unit}
