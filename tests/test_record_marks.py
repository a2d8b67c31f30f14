"""The period of a record that is used, and ranges marked as vacant or as an outage: against plain loops over single readings."""

from __future__ import annotations

import datetime
import json
import re
from pathlib import Path

import numpy as np
import pytest

from tests import backup_homes
from tests.backup_homes import quarter_hours
from tests.test_backup_duration import profile_of
from tests.test_record_drawings import CLOCK, make
from tests.test_record_studies import home_with
from workbook_lib import editions, run
from workbook_lib.errors import CalculationFault, InputFault
from workbook_lib.home import read_home
from workbook_lib.home.moment import wall_s
from workbook_lib.records import examine, ranged
from workbook_lib.records.gross import rebuild
from workbook_lib.records.record import Record, Summary
from workbook_lib.records.series import regular
from workbook_lib.workbooks import backup_sun, charging_house, metered, record_figures, record_parts, service_load

VACANT, OUTAGE = "vacant", "outage"
AWAY = '{ begins = "2026-01-20", ends = "2026-01-24", is = "vacant", reason = "on a boat with 3 friends" }'


def wall(text: str, *, end: bool = False) -> int:
    return wall_s(text, end=end)


def marked(record: Record, *marks: tuple[str, str, str], begins: str | None = None, ends: str | None = None) -> Record:
    """A record with marks of the site file's form: begins, ends, kind."""
    rows = [(wall(low), wall(high, end=True), kind, "stated") for low, high, kind in marks]
    return ranged(record, None if begins is None else wall(begins), None if ends is None else wall(ends, end=True), rows)


def uneven(first: str, days: int, step_s: int = 900, seed: int = 7, **more) -> Record:
    chance = np.random.default_rng(seed)
    return make(first, 0.2 + 5 * chance.random(days * 86400 // step_s) ** 5, step_s, **more)


def wall_text(record: Record, utc: int) -> str:
    """The wall clock at a moment, by the standard library."""
    return record.clock.text(int(utc))[:19]


# the site file


def site(folder: Path, said: str) -> Path:
    return home_with(folder, "meter.csv", said)


def faults_of(folder: Path, said: str) -> dict[str, str]:
    with pytest.raises(InputFault) as caught:
        read_home(site(folder, said))
    return {fault.field: f"{fault.what}: {fault.value}; {fault.limit}; {fault.todo}" for fault in caught.value.faults}


def test_a_date_alone_is_the_whole_day_and_a_time_is_the_moment():
    assert wall("2026-01-31", end=True) == wall("2026-02-01T00:00", end=True) == wall("2026-02-01")
    assert wall("2026-01-31T18:00") == wall("2026-01-31T18:00", end=True) == wall("2026-01-31") + 18 * 3600


def test_the_model_holds_what_the_file_says(tmp_path):
    given = read_home(site(tmp_path, f'begins = "2026-01-01", ends = "2026-03-01T06:00", mark = [{AWAY}]')).site.records.load
    assert (given.begins, given.ends) == ("2026-01-01", "2026-03-01T06:00")
    (one,) = given.mark
    assert (one.begins, one.ends, one.is_, one.reason) == ("2026-01-20", "2026-01-24", VACANT, "on a boat with 3 friends")
    assert read_home(site(tmp_path, "mark = []")).site.records.load.mark == ()


def test_leaves_that_are_not_sound_are_each_a_fault(tmp_path):
    rows = (
        '{ begins = 2026-01-05, ends = 2026-01-06T08:30:00, is = "empty", reason = "x" }',
        '{ begins = "2026-02-30", ends = "2026-03-01T25:00", is = "outage" }',
        '{ begins = "5 March", is = "outage", reason = "", why = "storm" }',
    )
    found = faults_of(tmp_path, f"begins = 2026, mark = [{', '.join(rows)}]")
    path = "records.load.mark"
    assert set(found) == {
        "records.load.begins",
        *(f"{path}.0.{name}" for name in ("begins", "ends", "is")),
        *(f"{path}.1.{name}" for name in ("begins", "ends", "reason")),
        *(f"{path}.2.{name}" for name in ("begins", "ends", "reason", "why")),
    }
    assert 'put it in quotes: "2026-01-05"' in found[f"{path}.0.begins"]
    assert 'put it in quotes: "2026-01-06T08:30"' in found[f"{path}.0.ends"]
    assert "no such day" in found[f"{path}.1.begins"]
    assert "no such day or time" in found[f"{path}.1.ends"]
    assert "the whole day, also as an end" in found[f"{path}.2.begins"]


def test_ranges_that_contradict_each_other_are_each_a_fault(tmp_path):
    def row(begins, ends):
        return f'{{ begins = "{begins}", ends = "{ends}", is = "outage", reason = "storm" }}'

    rows = [row("2026-01-10", "2026-01-12"), row("2026-01-12T12:00", "2026-01-13"), row("2026-01-05", "2026-01-05")]
    rows += [row("2026-01-20T08:00", "2026-01-20T08:00"), row("2025-12-30", "2026-02-02"), row("2026-01-11", "2026-01-11")]
    found = faults_of(tmp_path, f'begins = "2026-01-01", ends = "2026-01-31", mark = [{", ".join(rows)}]')
    path = "records.load.mark"
    assert set(found) == {
        f"{path}.3.ends",
        f"{path}.4.begins",
        f"{path}.4.ends",
        *(f"{path}.{number}.begins" for number in (0, 1, 2, 5)),
    }
    assert "two marks overlap" in found[f"{path}.1.begins"]
    assert "outside the period" in found[f"{path}.4.ends"]
    assert set(faults_of(tmp_path, 'begins = "2026-02-01", ends = "2026-01-31"')) == {"records.load.ends"}
    touching = f"mark = [{row('2026-01-10', '2026-01-12')}, {row('2026-01-13', '2026-01-13T04:00')}]"
    assert len(read_home(site(tmp_path, touching)).site.records.load.mark) == 2, "one that ends as the next begins overlaps nothing"


# the period


@pytest.mark.parametrize("step_s", [300, 900, 3600])
@pytest.mark.parametrize(
    "begins,ends",
    [
        ("2011-03-12", "2011-03-14"),
        ("2011-03-13T02:30", None),
        (None, "2011-03-20T10:07"),
        ("2011-11-06T01:30", "2011-11-06T01:30"),
        ("2011-03-06T00:10", "2011-11-06"),
    ],
)
def test_a_period_is_cut_as_a_plain_loop_cuts_it(step_s, begins, ends):
    """By the texts of the wall clock; in the hour that it repeats the wider way, across the one that it skips the change."""
    record = uneven("2011-03-05T00:00", 250, step_s)
    cut = marked(record, begins=begins, ends=ends)
    low = "" if begins is None else begins + (":00" if "T" in begins else "T00:00:00")
    high = "9"
    if ends is not None:
        after = datetime.date.fromisoformat(ends[:10]) + datetime.timedelta(days=1)
        high = f"{ends}:00" if "T" in ends else f"{after.isoformat()}T00:00:00"
    starts = [wall_text(record, at) for at in record.start]
    stops = [(wall_text(record, at - 1), wall_text(record, at)) for at in record.end]
    first = next(place for place, text in enumerate(starts) if text >= low)
    last = max(place for place, (before, at) in enumerate(stops) if before < high and at <= high)
    kept = range(first, last + 1)
    assert cut.start.tolist() == [int(record.start[place]) for place in kept]
    assert cut.amount.tolist() == [float(record.amount[place]) for place in kept]
    assert cut.period.left_count == len(record) - len(kept)
    assert cut.period.highest_rate == max(float(record.amount[place]) * 3600 / step_s for place in range(len(record)))


def test_a_total_of_the_whole_file_is_not_held_against_a_part_of_it():
    record = make("2011-01-01T00:00", np.ones(240), summaries=(Summary(240_000.0, "Wh", None, None, "total"),))
    assert [one.agrees for one in examine(record).reconciliations] == [True]
    report = examine(marked(record, begins="2011-01-03"))
    assert report.reconciliations == ()
    assert report.unreconciled[0][1] == "its period is not within the record"
    assert report.days_count == 8


# marks


def plain(record: Record, ranges: list[tuple[int, int]]) -> tuple[int, int, int]:
    """Days, seconds covered, readings marked, reading by reading."""
    covered = marked_s = count = 0
    for start, length in zip(record.start.tolist(), record.length.tolist(), strict=True):
        if any(start < high and start + length > low for low, high in ranges):
            marked_s += length
            count += 1
        else:
            covered += length
    first, last = int(record.start[0]), int(record.end[-1])
    clock = [datetime.datetime.fromisoformat(wall_text(record, at)) for at in (first, last)]
    return int((clock[1] - clock[0]).total_seconds() - marked_s) // 86400, covered, count


@pytest.mark.parametrize("step_s", [900, 3600])
def test_days_coverage_and_demand_are_those_of_a_plain_count(step_s):
    record = uneven("2026-01-05T00:00", 50, step_s)
    one = marked(
        record, ("2026-01-09T07:10", "2026-01-11T07:10", OUTAGE), ("2026-02-01", "2026-02-03", VACANT), ("2026-02-22", "2026-03-30", VACANT)
    )
    report, whole = examine(one), examine(record)
    ranges = [(CLOCK.utc(wall(low))[0], CLOCK.utc(wall(high, end=True))[0]) for low, high in (
        ("2026-01-09T07:10", "2026-01-11T07:10"), ("2026-02-01", "2026-02-03"), ("2026-02-22", "2026-03-30"))]  # fmt: skip
    days, covered, count = plain(record, ranges)
    assert (report.days_count, report.covered_s, report.marked_count) == (days, covered, count)
    assert days == 50 - 3 - 3 - 2, "two days that cut readings, three days, the last two of the record"
    assert report.coverage_frac == covered / (50 * 86400) < 1.0 == whole.coverage_frac
    assert sum(gap.end - gap.start for gap in report.gaps) == 50 * 86400 - covered
    assert [gap.marked for gap in report.gaps] == [OUTAGE, VACANT, VACANT]
    assert report.vacant_s == 5 * 86400
    assert [row.readings_count for row in report.marks] == [count - 5 * 86400 // step_s, 3 * 86400 // step_s, 2 * 86400 // step_s]
    assert (report.energy, report.peak_start, report.first, report.last) == (whole.energy, whole.peak_start, whole.first, whole.last)
    assert metered.facts(one).energies == metered.facts(record).energies, "a mark never changes the demand"


@pytest.mark.parametrize("kind", [VACANT, OUTAGE])
def test_the_highest_reading_counts_though_it_is_marked_and_is_said(kind):
    kw = np.ones(60 * 96)
    kw[20 * 96 + 40] = 9.0
    record = marked(make("2026-01-05T00:00", kw, 900), ("2026-01-25T09:00", "2026-01-25T12:00", kind))
    known = metered.facts(record)
    assert known.energies["quarter-hour"][0] == 9000 / 4
    assert known.report.peak_rate == 9000.0
    assert [one.holds_highest for one in known.report.marks] == [True]
    assert any(f"The highest reading lies in a range that is marked {kind}" in line for line in known.report.findings())
    rows = record_parts.ten_highest(record, 1.0).table
    assert rows.columns[-1] == "Marked"
    assert (rows.rows[0][-1], rows.rows[1][-1]) == (kind, "no")


def test_zeros_in_a_marked_range_are_no_run_and_beside_it_they_are():
    kw = np.ones(40 * 96)
    kw[5 * 96 : 7 * 96] = 0.0
    kw[15 * 96 : 16 * 96] = 0.0
    record = make("2026-01-05T00:00", kw, 900)
    assert [run.count for run in examine(record).zero_runs] == [192, 96]
    assert [run.count for run in examine(marked(record, ("2026-01-10", "2026-01-11", OUTAGE))).zero_runs] == [96]


def test_a_natural_gap_at_the_clock_change_stays_what_it_is_beside_marks():
    keep = np.ones(30 * 24, dtype=bool)
    keep[8 * 24 + 2] = False
    record = make("2011-03-05T00:00", np.ones(30 * 24), keep=keep)
    report = examine(marked(record, ("2011-03-20", "2011-03-20", VACANT)))
    assert [one.words for one in report.clock_changes] == [one.words for one in examine(record).clock_changes]


def test_every_reading_marked_or_none_in_the_period_is_a_fault(tmp_path):
    stamped(tmp_path, 40)
    for said, field in (
        ('begins = "2026-05-01"', "records.load.begins"),
        ('ends = "2025-05-01"', "records.load.ends"),
        ('mark = [{ begins = "2026-01-01", ends = "2026-12-31", is = "vacant", reason = "x" }]', "records.load.mark"),
    ):
        with pytest.raises(InputFault) as caught:
            metered.read(read_home(house(tmp_path, said)), "load")
        assert [fault.field for fault in caught.value.faults] == [field]
        assert caught.value.faults[0].todo
    with pytest.raises(CalculationFault, match="marked"):
        examine(marked(make("2026-01-05T00:00", np.ones(48)), ("2026-01-01", "2026-02-01", OUTAGE)))


# series


def plain_fill(record: Record, step_s: int, low: int, high: int) -> list[float]:
    """Amounts of a record of whole steps, those between low and high [s, UTC] the mean of their hour of the week, at least as read."""
    sums: dict[int, list[float]] = {}
    for start, amount in zip(record.start.tolist(), record.amount.tolist(), strict=True):
        if not low <= start < high:
            sums.setdefault((start + record.clock.standard_s) // 3600 % 168, []).append(amount)
    return [
        max(amount, sum(same) / len(same))
        if low <= start < high and (same := sums[(start + record.clock.standard_s) // 3600 % 168])
        else amount
        for start, amount in zip(record.start.tolist(), record.amount.tolist(), strict=True)
    ]


@pytest.mark.parametrize("place", ["first", "middle", "last"])
def test_a_series_fills_a_marked_outage_as_a_gap_and_never_below_what_was_read(place):
    record = uneven("2026-01-05T00:00", 28)
    first = {"first": 0, "middle": 11, "last": 25}[place]
    amount = record.amount.copy()
    amount[first * 96 : (first + 3) * 96] = 0.0
    amount[first * 96 + 5] = 7000.0
    record = Record(record.start, record.length, amount, record.quality, "Wh", CLOCK)
    day = datetime.date(2026, 1, 5) + datetime.timedelta(days=first)
    one = marked(record, (day.isoformat(), (day + datetime.timedelta(days=2)).isoformat(), OUTAGE))
    series = regular(one, 900, repair=True)
    low = int(record.start[first * 96])
    assert series.amount.tolist() == pytest.approx(plain_fill(record, 900, low, low + 3 * 86400))
    assert series.repaired_count == 3 * 96 == int(series.repaired[first * 96 : (first + 3) * 96].sum())
    assert series.amount[first * 96 + 5] == 7000.0
    assert not regular(record, 900, repair=True).repaired_count
    with pytest.raises(CalculationFault, match="1 gap without readings"):
        regular(one, 900, repair=False)


def test_the_backup_study_does_not_take_an_outage_for_low_use(tmp_path):
    out = range(10, 14)
    quarter_hours(tmp_path, "panel.csv", lambda month, day, hour: 0.0 if month == 2 and day in out else 800.0)
    said = (
        '[records]\nbackup_load = { file = "panel.csv", power_factor = 1.0, stamp = "start"MORE }\noccupied = true\nseasonal_missing = []\n'
    )
    mark = ', mark = [{ begins = "YEAR-02-10", ends = "YEAR-02-13", is = "outage", reason = "storm" }]'
    year = re.search(r"\d{4}", (tmp_path / "panel.csv").read_text(encoding="utf-8").splitlines()[1]).group()
    _, plainly = profile_of(backup_homes.home(tmp_path, records=said.replace("MORE", "")))
    assert plainly.loads_kw.min() == 0.0
    work, found = profile_of(backup_homes.home(tmp_path, records=said.replace("MORE", mark.replace("YEAR", year))))
    assert found.repaired == 4 * 96
    assert found.loads_kw.sum() * 0.25 == pytest.approx(0.8 * 8760)
    check = next(check for check in work.checks if check.key == "record-coverage")
    assert str(check.verdict) == "judgement"
    assert "384 of 35,040 steps" in check.note
    assert "marked ranges among them" in check.note


def test_a_marked_production_record_is_filled_as_any_gap_without_more_sun_than_that(tmp_path):
    """One hour of ten times the sun in a marked day is not kept: more sun is not on the safe side."""
    quarter_hours(tmp_path, "panel.csv", lambda month, day, hour: 800.0)
    odd = 20000.0
    quarter_hours(tmp_path, "sun.csv", lambda month, day, hour: 0.0 if hour != 12 else odd if (month, day) == (2, 10) else 2000.0)
    mark = 'mark = [{ begins = "2025-02-10", ends = "2025-02-10", is = "outage", reason = "meter changed" }]'
    more = '[records]\nbackup_load = { file = "panel.csv", power_factor = 1.0, stamp = "start" }\n'
    more += f'production = {{ file = "sun.csv", power_factor = 1.0, stamp = "start", {mark} }}\n'
    work, found = profile_of(backup_homes.home(tmp_path, array=True, records=more))
    island = backup_sun.sun(work, found.steps).island_kw
    assert island.max() == pytest.approx(2.0)
    check = next(check for check in work.checks if check.key == "record-coverage:production")
    assert "96 of 35,040 steps" in check.note


def test_the_charging_study_fills_a_marked_range_of_a_record_of_seconds():
    watts = np.full(15 * 86400 // 10, 1200.0)
    day = 86400 // 10
    watts[9 * day : 10 * day] = 0.0
    watts[9 * day + 700] = 9000.0
    record = marked(make("2026-01-05T00:00", watts / 1000, 10), ("2026-01-14", "2026-01-14", VACANT))
    step, _, legs, repaired, count, (own, fast) = charging_house._laid_out(record)
    assert (step, repaired, count, own) == (60, 1440, 15 * 1440, 10)
    minute = 9 * 1440 + 700 // 6
    assert set(np.round(np.delete(legs[""], minute), 6)) == {1200.0}
    assert fast[""][9 * day + 700] == 9000.0
    assert fast[""].min() == pytest.approx(1200.0)


def test_own_use_is_not_known_where_the_production_record_is_marked():
    load = make("2026-01-05T00:00", np.full(240, -1.0), register="net")
    made = np.full(240, 2.0)
    made[48:72] = 0.0
    production = make("2026-01-05T00:00", made)
    with pytest.raises(InputFault):
        rebuild(load, production, "made.csv", "records.production.file")
    own = rebuild(load, marked(production, ("2026-01-07", "2026-01-07", OUTAGE)), "made.csv", "records.production.file")
    assert examine(own).covered_s == 216 * 3600
    assert regular(own, 3600, repair=True).repaired_count == 24


# whole studies


def stamped(folder: Path, days: int, peak: tuple[int, int] = (12, 70), first: str = "2026-01-05", kwh: float = 0.2) -> None:
    """A table of quarter hours by standard time, one of which stands out."""
    begin = datetime.datetime.fromisoformat(first)
    rows = ["Interval start,Usage (kWh)"]
    for place in range(days * 96):
        at = begin + datetime.timedelta(minutes=15 * place)
        value = 1.5 if divmod(place, 96) == peak else kwh + 0.01 * (place % 7)
        rows.append(f"{at.isoformat(timespec='seconds')}-07:00,{value:.3f}")
    (folder / "meter.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")


def house(folder: Path, said: str = "", more: str = "") -> Path:
    head = 'register = "delivered", power_factor = 1.0, unit = "kWh", stamp = "start"'
    return home_with(folder, "meter.csv", f"{head}, {said}" if said else head, more=f"heavier_leg_fraction = 0.5\n{more}")


def sheet_of(folder: Path, said: str = "", more: str = ""):
    one = read_home(house(folder, said, more))
    return service_load.study(one, editions.load(one.edition_year))


def verdict(sheet, key: str) -> tuple[str, str]:
    check = next(check for check in sheet.checks if check.key == key)
    return str(check.verdict), check.note


def test_days_that_are_marked_vacant_are_not_occupied_days(tmp_path):
    stamped(tmp_path, 60)
    assert verdict(sheet_of(tmp_path), "record-occupied") == ("pass", "it was, as stated")
    sheet = sheet_of(tmp_path, f"mark = [{AWAY}]")
    found, note = verdict(sheet, "record-occupied")
    assert found == "pass"
    assert "5.0 days marked vacant" in note
    assert "55 days are left of the 30" in note
    assert sheet.results["record_days_count"].value == 55
    assert sheet.results["record_marked_count"].value == 5 * 96
    most = '{ begins = "2026-01-20T00:00", ends = "2026-02-20T00:00", is = "vacant", reason = "moved out" }'
    sheet = sheet_of(tmp_path, f"mark = [{most}]")
    assert sheet.results["record_days_count"].value == 29
    assert verdict(sheet, "record-occupied")[0] == verdict(sheet, "record-days")[0] == verdict(sheet, "record-coverage")[0] == "fail"
    whole = sheet_of(tmp_path)
    for key in ("record_peak_kw", "record_peak_start", "service_load_a"):
        assert sheet_of(tmp_path, f"mark = [{AWAY}]").results[key].value == whole.results[key].value


def test_days_that_are_left_without_30_in_a_row_do_not_pass(tmp_path):
    stamped(tmp_path, 50)
    half = '{ begins = "2026-01-29", ends = "2026-01-30", is = "vacant", reason = "away" }'
    sheet = sheet_of(tmp_path, f"mark = [{half}]")
    assert sheet.results["record_days_count"].value == 48
    assert verdict(sheet, "record-coverage")[0] == "fail"


def test_a_mark_in_a_year_opens_what_a_gap_leaves_open(tmp_path):
    """An hour marked in a year of exactly 365 days: neither the year branch passes nor the short one in its place."""
    stamped(tmp_path, 365, first="2025-01-01")
    assert verdict(sheet_of(tmp_path), "record-coverage")[0] == "pass"
    hour = '{ begins = "2025-01-20T10:00", ends = "2025-01-20T11:00", is = "outage", reason = "storm" }'
    sheet = sheet_of(tmp_path, f"mark = [{hour}]")
    assert sheet.results["record_days_count"].value == 364
    found, note = verdict(sheet, "record-coverage")
    assert found == "judgement"
    assert "marked ranges make it less" in note


def test_a_period_that_leaves_the_highest_reading_out_is_a_judgement(tmp_path):
    stamped(tmp_path, 60)
    assert verdict(sheet_of(tmp_path, 'begins = "2026-01-10"'), "record-quality")[0] == "pass"
    sheet = sheet_of(tmp_path, 'begins = "2026-01-25"')
    found, note = verdict(sheet, "record-quality")
    assert found == "judgement"
    assert "not used holds a higher demand" in note
    assert sheet.results["record_days_count"].value == 40
    assert sheet.results["record_reading_count"].value == 40 * 96


def test_the_sheet_lists_period_and_marks_with_reasons(tmp_path):
    stamped(tmp_path, 60)
    sheet = sheet_of(tmp_path, f'begins = "2026-01-10", ends = "2026-02-28", mark = [{AWAY}]')
    (section,) = [one for one in sheet.sections if one.heading == "Period and marked ranges"]
    used, mark = section.table.rows
    assert used == ("Used", "2026-01-10T00:00:00-07:00", "2026-03-01T00:00:00-07:00", f"{10 * 96:,} outside it, left out", "")
    assert mark == ("Marked vacant", "2026-01-20T00:00:00-07:00", "2026-01-25T00:00:00-07:00", "480", "on a boat with 3 friends")
    assert "never lowers it" in section.prose
    (gaps,) = [one for one in sheet.sections if one.heading == "Gaps in the record"]
    assert [row[3] for row in gaps.table.rows] == ["marked vacant"]
    words = {figure.key: figure.description for figure in sheet.figures}
    assert "vacant 2026-01-20 00:00 to 2026-01-25 00:00" in words["daymap"]
    (months,) = [one for one in sheet.sections if one.heading == "Highest of each month and season"]
    shares = {row[0]: row[4] for row in months.table.rows}
    assert shares["January 2026"] == f"{round(100 * 17 / 31, 1):g} %"


def test_a_withheld_record_tells_no_date_of_a_mark_and_no_reason(tmp_path):
    stamped(tmp_path, 60)
    storm = '{ begins = "2026-02-08T08:00", ends = "2026-02-08T11:00", is = "outage", reason = "storm" }'
    said = f'begins = "2026-01-10", mark = [{AWAY}, {storm}]'
    run.study(house(tmp_path, said, "withhold = true\n"), out=tmp_path / "study")
    page = re.sub(r"<[^>]+>", " ", (tmp_path / "study" / "service_load.html").read_text(encoding="utf-8"))
    assert "Period and marked ranges" in page
    assert "the site file that the package carries says when the house stood empty" in " ".join(page.split())
    assert "has no gap between its first and its last reading beside its marked ranges" in " ".join(page.split()), "no month of a mark"
    assert re.search(r"Marked vacant\s+5 d\s+480", page)
    results = (tmp_path / "study" / "results.json").read_text(encoding="utf-8")
    for text in (page, results, (tmp_path / "study" / "service_load.ipynb").read_text(encoding="utf-8")):
        for told in ("boat", "storm", "2026-01-20", "2026-01-24", "2026-01-25", "2026-02-08", "February 8"):
            assert told not in text, told
    assert json.loads(results)["workbooks"]["service_load"]["results"]["record_marked_count"]["value"] == 480 + 12


def test_a_home_without_these_fields_has_the_record_as_it_was_read(tmp_path):
    stamped(tmp_path, 40)
    one = read_home(house(tmp_path))
    record = metered.read(one, "load")
    assert (record.period, record.marks) == (None, ())
    assert metered.read(one, "load") is record
    sheet = service_load.study(one, editions.load(one.edition_year))
    assert "record_marked_count" not in sheet.results
    assert not any("marked range" in text.lower() for section in sheet.sections for text in (section.heading, section.prose))
    cut = read_home(house(tmp_path, 'begins = "2026-01-10"'))
    assert metered.read(cut, "load") is metered.read(cut, "load"), "cut once"


def test_figures_of_a_record_without_marks_say_nothing_of_them():
    record = uneven("2026-01-05T00:00", 12)
    assert record_figures.figures(record, withheld=False) == record_figures.figures(ranged(record, None, None, ()), withheld=False)
