"""Drawings of a meter record: the same bytes, small, grey, described, and true to the readings."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests import drawing_checks
from workbook_lib.errors import CalculationFault, MachineryFault
from workbook_lib.records.clock import fixed, zone
from workbook_lib.records.record import Record
from workbook_lib.render import figures as drawings
from workbook_lib.render import record_figures as drawn_parts
from workbook_lib.sheet import Figure, Table
from workbook_lib.workbooks import record_figures

DATA = Path(__file__).parent / "data" / "records"
CLOCK = zone("America/New_York")
MAX_BYTES = 60_000


def make(first: str, kw, step_s: int = 3600, clock=CLOCK, unit: str = "Wh", keep=None, **more) -> Record:
    """A record that begins at a local time, one reading after the other [kW, kVA or A]."""
    kw = np.asarray(kw, dtype=float)
    start = clock.utc(int(np.datetime64(first, "s").astype(np.int64)))[0] + step_s * np.arange(len(kw))
    amount = kw * record_figures.UNITS[unit][1] * step_s / 3600
    keep = np.ones(len(kw), dtype=bool) if keep is None else keep
    return Record(start[keep], np.full(len(kw), step_s)[keep], amount[keep], np.zeros(len(kw))[keep], unit, clock, **more)


def open_home(name: str) -> Record:
    """An open home's year of hours."""
    rows = np.genfromtxt(DATA / name, delimiter=",", names=True)
    return make("2016-07-31T23:00", rows["load_kwh"], clock=zone("America/Denver"))


def some(days: int, step_s: int = 900, **more) -> Record:
    """Days of uneven load from the fifth of March 2011, with the clock put forward on the thirteenth."""
    chance = np.random.default_rng(4)
    return make("2011-03-05T00:00", 0.3 + 4 * chance.random(days * 86400 // step_s) ** 4, step_s, **more)


def by_key(record: Record) -> dict[str, Figure]:
    return {figure.key: figure for figure in record_figures.figures(record, withheld=False)}


RECORDS = {
    "year": open_home("home_17_hourly_load_and_pv.csv"),
    "other year": open_home("home_1_hourly_load_and_pv.csv"),
    "quarter hours": some(16),
    "minutes": some(3, 60),
    "one day": some(1),
    "net": make("2011-03-05T00:00", np.tile([1.0, -2.5, 3.0], 200), register="net"),
    "nothing used": make("2011-03-05T00:00", np.zeros(48)),
    "amperes": some(2, unit="Ah"),
    "ten years": make("2001-01-01T00:00", 1 + np.random.default_rng(1).random(3650 * 24) ** 8),
}


@pytest.fixture(scope="module", params=[(name, key) for name in RECORDS for key in ("duration", "daymap", "peakday")], ids=" ".join)
def drawn(request):
    name, key = request.param
    figure = by_key(RECORDS[name])[key]
    return figure, drawings.svg(figure)


def test_a_drawing_is_well_formed_described_small_and_asks_for_nothing(drawn):
    drawing_checks.check_well_formed(*drawn, MAX_BYTES)


def test_the_same_figure_gives_the_same_bytes_in_greys(drawn):
    drawing_checks.check_same_bytes_in_greys(*drawn)


def test_no_word_stands_outside_the_picture_or_on_another(drawn):
    drawing_checks.check_words_inside(drawn[1])
    drawing_checks.check_words_apart(drawn[1])


def test_style_is_that_of_the_other_drawings():
    assert (drawn_parts.WIDTH_IN, drawn_parts.INK) == (drawings.WIDTH_IN, drawings.INK)
    assert {"duration", "daymap", "peakday"} <= set(drawings.KINDS)
    shades = [int(shade[1:3], 16) for shade in drawn_parts.GREYS]
    assert shades == sorted(shades, reverse=True)
    assert min(a - b for a, b in zip([0xFF, *shades], shades, strict=False)) >= 16


def test_the_shades_of_the_map_are_those_of_the_readings():
    """Reads the map back out of the drawing: dashes of each line give the runs of days of a shade."""
    record = some(60, 3600, keep=np.arange(60 * 24) % 97 != 5)
    figure = by_key(record)["daymap"]
    edges = drawn_parts.scale(*(end(v for row in figure.grid for v in row[1:] if v is not None) for end in (min, max)))
    pitch = int(drawn_parts.MAP_PT / len(figure.grid) * 10) / 10
    shown = np.full((len(figure.grid), 24), -1)
    lines = re.findall(r'<path d="M ([\d.]+) ([\d.]+) \nL ([\d.]+) [\d.]+ \n" style="([^"]*)"', drawings.svg(figure))
    for x, y, x_end, style in lines:
        if f"stroke-width: {drawn_parts.ROW_PT + drawn_parts.SEAM_PT:g}" not in style:
            continue
        shade = re.search(r"stroke: (#\w+)", style)[1]
        hour, level = int((float(y) - 0.1 * 72) / drawn_parts.ROW_PT), drawn_parts.GREYS.index(shade)
        day, last = round((float(x) - 36) / pitch), round((float(x_end) - 36) / pitch)
        dashes = re.search(r"stroke-dasharray: ([\d., ]+)", style)
        runs = [round(float(run) / pitch) for run in dashes[1].split(",")] if dashes else [last - day]
        for place, run in enumerate(runs):
            if place % 2 == 0:
                shown[day : min(day + run, last), hour] = level
            day += run
    expected = [[-1 if v is None else min(int(np.searchsorted(edges, v, side="right")) - 1, 5) for v in row[1:]] for row in figure.grid]
    assert len(lines) >= 100
    assert (shown == np.array(expected)).all()


@pytest.mark.parametrize(("low", "high"), [(0, 8.8), (0, 6.648), (-2.9, 7.99), (0, 0), (0.4, 0.4), (-3, -1), (0, 96), (0, 0.0007)])
def test_the_scale_holds_every_value_and_is_readable(low, high):
    ends = drawn_parts.scale(low, high)
    assert len(ends) == 7
    assert ends[0] <= min(low, 0)
    assert ends[-1] >= high * (1 - 1e-12)
    assert np.allclose(np.diff(ends), ends[1] - ends[0])
    assert all(len(f"{end:g}".lstrip("-").replace(".", "").strip("0")) <= 3 for end in ends)


def test_a_figure_without_what_it_draws_is_a_clear_fault():
    figures = by_key(some(2))
    with pytest.raises(MachineryFault, match="grid has no reading"):
        drawings.svg(replace(figures["peakday"], grid=()))
    with pytest.raises(MachineryFault, match="not days of 24 hours"):
        drawings.svg(replace(figures["daymap"], grid=()))
    with pytest.raises(MachineryFault, match="has no row"):
        drawings.svg(replace(figures["duration"], table=Table(("a", "b"), ())))


# what the figures hold


def test_duration_is_what_a_count_of_the_time_gives():
    record = some(10)
    kw = np.repeat(record.rate / 1000, 900)
    for share, value in record_figures.duration_rows(record):
        assert (kw >= value).mean() * 100 >= share - 1e-9
        above = kw[kw > value]
        assert share == 0 or above.size / kw.size * 100 < share
    assert dict(record_figures.duration_rows(record))[0.0] == kw.max()
    assert dict(record_figures.duration_rows(record))[100.0] == kw.min()


def test_duration_weighs_readings_by_their_length():
    record = Record([0, 900], [900, 8100], [500, 450], [0, 0], "Wh", fixed(0))
    rows = dict(record_figures.duration_rows(record))
    assert [rows[share] for share in (0.0, 5.0, 10.0, 20.0, 100.0)] == pytest.approx([2.0, 2.0, 2.0, 0.2, 0.2])


def test_the_map_holds_the_highest_of_each_hour_counted_by_hand():
    record = some(16, keep=np.arange(16 * 96) % 50 > 7)
    figure = by_key(record)["daymap"]
    best: dict[tuple[str, int], float] = {}
    for start, rate in zip(record.start, record.rate / 1000, strict=True):
        text = CLOCK.text(int(start))
        best[text[:10], int(text[11:13])] = max(rate, best.get((text[:10], int(text[11:13])), -1e9))
    held = {
        (str(np.datetime64(int(row[0]) - 719163, "D")), hour): value
        for row in figure.grid
        for hour, value in enumerate(row[1:])
        if value is not None
    }
    assert held == pytest.approx(best)
    assert ("2011-03-13", 2) not in held
    assert "the hour that the clock skips on 2011-03-13 among them" in figure.description


def test_an_hour_that_two_half_hours_touch_holds_the_larger_and_the_repeated_hour_both():
    record = make("2011-03-01T00:45", [1.0, 3.0, 2.0], 1800)
    figure = by_key(record)["daymap"]
    assert figure.grid[0][1:5] == (1.0, 3.0, 2.0, None)
    autumn = make("2011-11-06T00:00", [1, 5, 2, 3], 3600)
    assert by_key(autumn)["daymap"].grid[0][1:5] == (1.0, 5.0, 3.0, None)


def test_tables_stay_small():
    for name, record in RECORDS.items():
        for figure in record_figures.figures(record, withheld=False):
            assert len(figure.table.rows) <= 100, name
            assert len(figure.table.columns) <= 14, name
    whole = by_key(RECORDS["year"])["daymap"]
    assert len(whole.table.rows) == 24
    assert "the drawing shows every day" in whole.table.caption
    highest = max(value for row in whole.table.rows for value in row[1:] if isinstance(value, float))
    assert highest == pytest.approx(8.846, abs=0.0005)
    assert len(by_key(RECORDS["ten years"])["daymap"].grid) == record_figures.MAP_DAYS
    assert "Only the last 366 days of the record are drawn." in by_key(RECORDS["ten years"])["daymap"].description


def test_the_peak_day_is_the_local_day_of_the_highest_reading():
    kw = np.full(96, 1.0)
    kw[90] = 6.648
    figure = by_key(make("2011-01-10T00:00", kw, 900))["peakday"]
    assert "Monday 2011-01-10" in figure.title
    assert "6.648 kW over 15 min from 22:30" in figure.description
    assert len(figure.grid) == len(figure.table.rows) == 96
    assert figure.grid[90] == (22.5, 22.75, pytest.approx(6.648))
    assert "6.648 kW" in drawings.svg(figure)


@pytest.mark.parametrize(("first", "hours", "told"), [("2011-11-06T00:00", 25, "-05:00"), ("2011-03-13T00:00", 23, "-04:00")])
def test_a_day_of_a_clock_change_has_its_own_length_and_tells_its_hours_apart(first, hours, told):
    kw = np.full(30, 1.0)
    kw[5] = 4.0
    figure = by_key(make(first, kw))["peakday"]
    assert len(figure.table.rows) == hours
    assert figure.grid[-1][1] == hours
    assert f"it has {hours} hours" in figure.description
    names = [row[0] for row in figure.table.rows]
    assert len(set(names)) == hours
    assert any(name.endswith(told) for name in names)


def test_minutes_are_drawn_by_five_and_listed_by_the_hour():
    kw = np.full(1440, 1.0)
    kw[1003] = 9.0
    figure = by_key(make("2011-01-10T00:00", kw, 60))["peakday"]
    assert len(figure.grid) == 288
    assert len(figure.table.rows) == 24
    assert figure.grid[200] == pytest.approx((200 / 12, 201 / 12, 9.0))
    assert figure.table.rows[16] == ("16:00", 60, "16:43", pytest.approx(9.0))
    assert "the line is the highest of each 5 min" in figure.description


def test_a_withheld_pattern_and_daily_readings_give_the_curve_alone():
    assert [figure.key for figure in record_figures.figures(some(3), withheld=True)] == ["duration"]
    daily = make("2011-01-01T00:00", [1.0, 2.0, 3.0], 86400)
    assert [figure.key for figure in record_figures.figures(daily, withheld=False)] == ["duration"]


def test_order_and_equal_duplicates_change_no_figure():
    record = some(16)
    order = np.concatenate((np.random.default_rng(2).permutation(len(record)), np.arange(40)))
    mixed = replace(
        record, start=record.start[order], length=record.length[order], amount=record.amount[order], quality=record.quality[order]
    )
    assert record_figures.figures(mixed, withheld=False) == record_figures.figures(record, withheld=False)


def test_units_are_those_of_the_record():
    assert {figure.unit for figure in record_figures.figures(some(2, unit="Ah"), withheld=False)} == {"A"}
    assert {figure.unit for figure in record_figures.figures(some(2, unit="VAh"), withheld=False)} == {"kVA"}


def test_a_record_without_a_usable_reading_is_a_clear_fault():
    record = some(2)
    for none in (Record([], [], [], [], "Wh", CLOCK), replace(record, length=record.length * 0)):
        with pytest.raises(CalculationFault, match="no reading with an average"):
            record_figures.figures(none, withheld=False)
    with pytest.raises(CalculationFault, match="no finite number"):
        record_figures.figures(replace(record, amount=record.amount * np.nan), withheld=False)


def test_a_reading_of_no_length_changes_no_figure():
    record = some(2)
    again = np.append(np.arange(len(record)), 7)
    length = np.append(record.length, 0)
    more = replace(record, start=record.start[again], length=length, amount=record.amount[again], quality=record.quality[again])
    assert record_figures.figures(more, withheld=False) == record_figures.figures(record, withheld=False)


@pytest.mark.parametrize(
    ("seconds", "words"), [(900, "15 min"), (3600, "1 h"), (5400, "1 h 30 min"), (90061, "1 d 1 h 1 min 1 s"), (0, "0 s")]
)
def test_a_length_of_time_in_words(seconds, words):
    assert record_figures.length_words(seconds) == words
