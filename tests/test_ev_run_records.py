"""Charging runs on records of every kind and on declared loads; inverses by trying every value; the night table; the open home 17.

The open home is that of tests/data/records (MIT): a year of hours without dates, read on a declared calendar.
"""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.charging_records import (
    NIGHT_MIN,
    TWO,
    answers,
    constant,
    fast,
    home,
    kwh,
    minute,
    number,
    setting,
    slow,
    stamps,
    stepped,
    study,
    table,
    verdict,
    write,
)
from workbook_lib.workbooks.charging_runs import minutes, replaced

OPEN_HOME = Path(__file__).resolve().parent / "data" / "records" / "home_17_hourly_load_and_pv.csv"


@pytest.mark.parametrize("fraction,wanted,leg", [("", "judgement", 1.0), ("heavier_leg_fraction = 0.6\n", "pass", 1.2)])
def test_minutes_of_one_total_leave_the_heavier_leg_open(tmp_path, fraction, wanted, leg):
    """A total of 4.8 kW is 20 A on each of two legs alike, 24 A on one that has 60 % of it."""
    record = slow(tmp_path, constant(3, 20.0), 60, name="fast_load")
    sheet = study(home(tmp_path, records=record + fraction))
    assert verdict(sheet, "control-holds:limiter") == wanted
    assert ("heavier leg" in sheet.check("control-holds:limiter").note) == (wanted == "judgement")
    assert number(sheet, "peak_service_a") == pytest.approx(48.0 + 20.0 * leg)
    assert verdict(study(home(tmp_path, records=fast(tmp_path, constant(3, 20.0)))), "control-holds:limiter") == "pass"


@pytest.mark.parametrize("most,allowed,wanted,over", [(70, 60, "judgement", 9.25), (75, 10, "judgement", 4.25), (70, 10, "fail", 9.25)])
def test_quarter_hours_are_a_judgement_with_a_band_and_fail_where_even_the_flat_shape_does(tmp_path, most, allowed, wanted, over):
    """5 A, in one quarter of an hour 24 A: 72 A beside 48 A if flat, 79.25 A in blocks of the calculated 31.25 A; 21 s of reaction."""
    amperes = np.full(3 * 96, 5.0)
    amperes[96 + 80] = 24.0
    control = {"response": '"20 s"', "allowed_time_above": f'"{allowed} s"'}
    one = home(tmp_path, records=slow(tmp_path, amperes, 900), control=control, limits=setting(most))
    sheet, (_, found) = study(one, whole=True), answers(one)
    check = sheet.check("control-holds:limiter")
    assert (str(check.verdict), check.provided.value) == (wanted, 21.0)
    assert ("not measured" in check.note) == (wanted == "judgement")
    assert number(sheet, "peak_service_a") == pytest.approx(79.25)
    assert number(sheet, "overshoot_as") == pytest.approx(21 * over)
    assert found.least_s == (21.0 if most == 70 else 0.0)
    house = found.year.house
    assert [shape.sum() for shape in house.shapes_a] == pytest.approx([amperes.sum() * 15] * 4)
    told = table(sheet, "The house load of the runs")
    assert [row[told.columns.index("Highest minute (A)")] for row in told.rows] == pytest.approx([24.0, 31.25, 31.25, 31.25])


def test_gaps_are_filled_counted_and_a_judgement(tmp_path):
    sheet = study(home(tmp_path, records=fast(tmp_path, constant(3, 60.0), without=(2000, 2005))))
    assert verdict(sheet, "record-coverage:fast_load") == "judgement"
    assert "5 of 4,320 steps" in sheet.check("record-coverage:fast_load").note
    assert number(sheet, "energy_delivered_kwh:evse-1") == pytest.approx(2 * kwh(20.0, NIGHT_MIN))
    assert verdict(study(home(tmp_path, records=fast(tmp_path, constant(3, 60.0)))), "record-coverage:fast_load") == "pass"


def lacking(sheet) -> set[str]:
    """Fields that both checks of the runs ask for; neither of their results stands."""
    checks = [sheet.check("control-holds:limiter"), sheet.check("vehicle-need:evse-1")]
    assert {str(check.verdict) for check in checks} == {"needs input"}
    assert not {"peak_service_a", "energy_delivered_kwh:evse-1"} & set(sheet.results)
    assert any(line.startswith("currents, starts, energy and nights:") for line in sheet.not_checked)
    return set(checks[0].fields) & set(checks[1].fields)


def test_what_a_record_lacks_is_asked_for_by_its_field(tmp_path):
    record = slow(tmp_path, np.full(3 * 96, 20.0), 900, factor="")
    assert lacking(study(home(tmp_path, records=record))) == {"records.load.power_factor"}
    absent = fast(tmp_path, constant(3, 20.0)).replace("minutes.csv", "absent.csv")
    assert lacking(study(home(tmp_path, records=absent))) == {"records.fast_load.file"}
    silent = '{ id = "spa", kind = "spa", connected_to = "house", rating = "5 kW", voltage = "240 V" }'
    wanted = {"records.load.file", "dwelling.always_on_power", "load.spa.daily_energy"}
    assert lacking(study(home(tmp_path, loads=silent))) == wanted
    short = slow(tmp_path, np.full(96, 20.0), 900)
    assert lacking(study(home(tmp_path, records=short))) == {"records.load.file"}


def test_a_fast_record_shorter_than_a_night_is_named(tmp_path):
    assert lacking(study(home(tmp_path, records=fast(tmp_path, constant(1, 20.0))))) == {"records.fast_load.file"}


def test_a_short_fast_record_leaves_the_nights_of_the_long_one(tmp_path):
    records = slow(tmp_path, np.full(10 * 96, 20.0), 900) + fast(tmp_path, constant(1, 20.0))
    assert number(study(home(tmp_path, records=records)), "energy_delivered_kwh:evse-1") == pytest.approx(9 * kwh(48.0, NIGHT_MIN))


def test_less_than_a_day_is_no_record(tmp_path):
    assert lacking(study(home(tmp_path, records=fast(tmp_path, constant(1, 20.0)[:600])))) == {"records.fast_load.file"}


def test_a_record_that_begins_within_a_day_counts_whole_days_and_their_weekdays(tmp_path):
    """From Monday 10:00 to Thursday 10:00: whole are Tuesday and Wednesday, and only the night of Tuesday."""
    record = fast(tmp_path, constant(3, 60.0), first="2026-01-12T10:00")
    sheet = study(home(tmp_path, records=record, vehicles={"evse-1": {"plugged_in_on": '["Tue"]'}}))
    assert number(sheet, "energy_delivered_kwh:evse-1") == pytest.approx(kwh(20.0, NIGHT_MIN))
    assert "0 of 1 nights" in sheet.check("vehicle-need:evse-1").note
    assert lacking(study(home(tmp_path, records=record, vehicles={"evse-1": {"plugged_in_on": '["Mon", "Wed"]'}})))


def test_of_two_records_the_fast_one_gives_the_seconds_and_the_long_one_the_nights(tmp_path):
    """20 days of 24 A by quarter hours, three days of minutes with a step; the note tells both."""
    records = slow(tmp_path, np.full(20 * 96, 24.0), 900) + fast(tmp_path, stepped(70.0))
    sheet = study(home(tmp_path, records=records))
    assert number(sheet, "energy_delivered_kwh:evse-1") == pytest.approx(19 * kwh(48.0, NIGHT_MIN))
    assert (number(sheet, "longest_above_setting_s"), number(sheet, "overshoot_as")) == (1.0, pytest.approx(38.0))
    check = sheet.check("control-holds:limiter")
    assert str(check.verdict) == "pass"
    assert "on 3 days of the fast record; modelled over the longer one 0 s" in check.note
    assert {"record-coverage", "record-coverage:fast_load"} <= {one.key for one in sheet.checks}


def test_a_long_record_above_the_setting_is_the_peak(tmp_path):
    amperes = np.full(10 * 96, 20.0)
    amperes[80] = 95.0
    records = slow(tmp_path, amperes, 900) + fast(tmp_path, constant(3, 20.0))
    assert number(study(home(tmp_path, records=records)), "peak_service_a") >= 95.0


def test_a_long_record_that_fails_even_flat_fails(tmp_path):
    """A quarter of an hour of 95 A on average is above 80 A for some minutes at least, whatever the fast record of three days shows."""
    amperes = np.full(10 * 96, 20.0)
    amperes[80] = 95.0
    records = slow(tmp_path, amperes, 900) + fast(tmp_path, constant(3, 20.0))
    assert verdict(study(home(tmp_path, records=records)), "control-holds:limiter") == "fail"


@pytest.mark.parametrize(
    "key,given_", [("largest_evse_a", {}), ("lowest_setting_a", {"vehicles": {}}), ("lowest_setting_a", {"limits": ""})]
)
def test_an_inverse_that_is_absent_has_its_reason(tmp_path, key, given_):
    """Without any record, without a vehicle, without a control."""
    records = fast(tmp_path, constant(3, 20.0)) if given_ else ""
    sheet = study(home(tmp_path, records=records, **given_), whole=True)
    assert key in sheet.results or any(key in line for line in sheet.not_checked)


def test_declared_loads_run_in_their_hours_and_are_a_judgement(tmp_path):
    """2.4 kW always; 2.4 kWh between 20:00 and 22:00 at 2.4 kW: 15 A in both hours, or 20 A in one of them."""
    load = '{ id = "heat", kind = "fastened", connected_to = "house", rating = "2.4 kW", voltage = "240 V", '
    load += 'daily_energy = "2.4 kWh", daily_from = "20:00", daily_until = "22:00" }'
    one = home(tmp_path, loads=load, dwelling='always_on_power = "2.4 kW"', limits=setting(26))
    sheet, (_, found) = study(one), answers(one)
    days = [shape.reshape(365, 1440) for shape in found.year.house.shapes_a]
    assert all((day[:, :1200] == 10.0).all() and (day[:, 1320:] == 10.0).all() for day in days)
    assert (days[0][:, 1200:1320] == 15.0).all()
    assert all(sorted(set(np.round(day[7], 9))) == [10.0, 20.0] and (day[7] == 20.0).sum() == 60 for day in days[1:])
    assert verdict(sheet, "control-holds:limiter") == "judgement"
    assert "only declared loads run" in sheet.check("control-holds:limiter").note
    assert number(sheet, "energy_delivered_kwh:evse-1") == pytest.approx(364 * (kwh(16.0, 659) + kwh(11.0, 120)), rel=2e-3)


def test_a_record_of_ten_seconds_keeps_its_steps(tmp_path):
    """30 A more for 20 s: 98 A beside 48 A for 16 s, not the 78 A of the minute's average."""
    house = np.full(3 * 8640, 20.0)
    house[8640 + 20 * 360 : 8640 + 20 * 360 + 2] = 50.0
    write(tmp_path / "ten.csv", stamps(len(house), 10), {"A": house, "B": house / 2})
    record = fast(tmp_path, constant(1, 20.0)).replace("minutes.csv", "ten.csv").replace("1 min", "10 s")
    control = {"response": '"15 s"', "allowed_time_above": '"5 s"'}
    assert verdict(study(home(tmp_path, records=record, control=control)), "control-holds:limiter") == "fail"


def test_the_peak_is_that_of_every_shape(tmp_path):
    """An hour of 85 A on average: flat it is above 80 A longest, in blocks it is far higher."""
    amperes = np.full(4 * 96, 8.0)
    amperes[96 + 80 : 96 + 84] = 85.0
    load = '{ id = "total", kind = "calculated", connected_to = "house", rating = "28 kW", voltage = "240 V" }'
    one = home(tmp_path, records=slow(tmp_path, amperes, 900), loads=load)
    _, found = answers(one)
    assert number(study(one), "peak_service_a") >= max(shape.max() for shape in found.fine.house.shapes_a)


@pytest.mark.parametrize("name", ["ramp_time", "taper_energy"])
def test_what_is_taken_as_none_is_said(tmp_path, name):
    sheet = study(home(tmp_path, records=fast(tmp_path, stepped()), vehicles={"evse-1": {name: None}}))
    assert any(name in one.field or name.split("_")[0] in one.text for one in sheet.assumptions)


# inverses, tables


def shaped(days: int = 3) -> np.ndarray:
    """A house with an evening."""
    clock = np.arange(days * 1440) % 1440 / 60
    return np.round(22.0 + 18.0 * np.exp(-((clock - 20.0) ** 2) / 3) + 6.0 * np.sin(clock), 1)


def test_the_lowest_setting_is_that_of_trying_every_ampere(tmp_path):
    record, car = fast(tmp_path, shaped()), {"evse-1": {"need_per_night": '"45 kWh"'}}
    control = {"step": '"1 A"', "raise_delay": '"5 min"', "minimum_off": '"10 min"'}
    told = number(study(home(tmp_path, records=record, vehicles=car, control=control), whole=True), "lowest_setting_a")
    tried = []
    for amperes in range(1, 101):
        one = home(tmp_path, records=record, vehicles=car, control=control, limits=setting(amperes))
        tried.append(verdict(study(one), "vehicle-need:evse-1"))
    assert told == 1 + tried.index("pass")
    assert 30 < told < 60


def test_the_growth_of_the_house_is_that_of_trying_every_step(tmp_path):
    car = {"evse-1": {"need_per_night": '"45 kWh"'}}
    limits = '{ at = "service", way = "import", setting = "60 A" }'
    told = number(
        study(home(tmp_path, records=fast(tmp_path, shaped()), vehicles=car, limits=limits), whole=True), "house_growth_left_frac"
    )
    tried = {}
    for step in range(21):
        record = fast(tmp_path, shaped() * (1 + step / 20))
        tried[step / 20] = verdict(study(home(tmp_path, records=record, vehicles=car, limits=limits)), "vehicle-need:evse-1")
    assert told == pytest.approx(max(growth for growth, found in tried.items() if found == "pass"))
    assert 0.05 < told < 0.9


EACH = 11.0 * 240.0 * 775 / 60 / 1000
"""What a vehicle needs that gets it from 11 A alone, and not from a half of 12 A [kWh]."""
UNEVEN = {"evse-1": {"need_per_night": f'"{EACH:.3f} kWh"'}, "evse-2": {"need_per_night": '"50 kWh"', "need_share": "0.3"}}


def uneven(house_a: float) -> np.ndarray:
    """A constant house, and a first night without any: the second vehicle needs that one only."""
    house = constant(4, house_a)
    house[minute(0, "12:00") : minute(1, "12:00")] = 0.0
    return house


def test_the_lowest_setting_is_found_where_a_higher_one_does_not_do(tmp_path):
    """Beside 40 A: at 51 A one pauses and the other has its 11 A; from 52 A on each has half."""
    given_ = {"records": fast(tmp_path, uneven(40.0)), "chargers": TWO, "vehicles": UNEVEN}
    needs = [study(home(tmp_path, **given_, limits=setting(51))).check(f"vehicle-need:{name}") for name in TWO]
    assert {str(check.verdict) for check in needs} == {"pass"}
    assert number(study(home(tmp_path, **given_, limits=setting(70)), whole=True), "lowest_setting_a") == 51.0


def test_no_growth_is_left_where_the_need_is_not_met_as_the_house_is(tmp_path):
    one = home(tmp_path, records=fast(tmp_path, uneven(20.0)), chargers=TWO, vehicles=UNEVEN, limits=setting(32))
    sheet = study(one, whole=True)
    assert verdict(sheet, "vehicle-need:evse-1") == "fail"
    assert "house_growth_left_frac" not in sheet.results


@pytest.fixture(scope="module")
def ideal(tmp_path_factory):
    """A case of two days under a control without delays."""
    folder = tmp_path_factory.mktemp("ideal")
    return answers(home(folder, records=fast(folder, constant(2, 20.0))))[1].year


@settings(max_examples=15, deadline=None)
@given(seed=st.integers(0, 10_000), low=st.floats(20, 100), more=st.floats(0, 40), need=st.floats(1, 100))
def test_a_higher_setting_never_delivers_less_with_an_ideal_control(ideal, seed, low, more, need):
    house = np.random.default_rng(seed).uniform(5.0, 80.0, 2 * 96).repeat(15)
    plans = tuple(replace(plan, need_kwh=np.full(len(plan.need_kwh), need)) for plan in ideal.plans)
    delivered = []
    for amperes in (low, low + more):
        group = ideal.fleet.service
        made = replaced(ideal.fleet, group, replace(group, control=replace(group.control, setting_a=amperes)))
        one = replace(ideal, digest=f"{seed} {amperes} {need}", house=replace(ideal.house, shapes_a=(house,)), fleet=made, plans=plans)
        delivered.append(minutes(one, 0).energy_kwh[0].sum())
    assert delivered[1] >= delivered[0] - 1e-9


def test_the_least_night_adds_up_and_the_calendar_is_that_of_the_nights(tmp_path):
    """Six nights of Monday to Saturday, each with its own room, of which Thursday has least; not plugged in on Friday."""
    rooms = (30, 12, 20, 7, 2, 16)
    house = constant(7, 20.0)
    for night, room in enumerate(rooms):
        house[minute(night, "12:00") : minute(night + 1, "12:00")] = 80.0 - room
    house[minute(4, "01:00") : minute(4, "01:40")] = 78.0
    car = {"need_per_night": '"40 kWh"', "plugged_in_on": '["Mon", "Tue", "Wed", "Thu", "Sat"]'}
    sheet = study(home(tmp_path, records=fast(tmp_path, house), vehicles={"evse-1": car}), whole=True)
    energy = {day: min(40.0, kwh(room, NIGHT_MIN)) for day, room in zip(range(12, 18), rooms, strict=True) if day != 16}
    energy[15] = kwh(7, NIGHT_MIN - 40)
    assert number(sheet, "energy_delivered_kwh:evse-1") == pytest.approx(sum(energy.values()))
    assert number(sheet, "least_night_kwh:evse-1") == pytest.approx(min(energy.values()))
    rows = table(sheet, "One night at evse-1").rows
    assert 240.0 * sum(row[4] for row in rows) / 1000.0 == pytest.approx(energy[15])
    assert rows[0][:4] == ("18:00", 0.5, 73.0, pytest.approx(7.0 * 29 / 30))
    grid = next(figure for figure in sheet.figures if figure.key == "charging_nights_evse-1").grid
    told = {day + 1: share for day, share in enumerate(grid[0]) if share is not None}
    assert told == pytest.approx({day: 100.0 * value / 40.0 for day, value in energy.items()})
    assert {share for row in grid[1:] for share in row} == {None}
    (month,) = table(sheet, "Nights at evse-1").rows
    assert month[:4] == ("January", 5, 3, 2)
    assert month[4] == pytest.approx(number(sheet, "energy_missed_kwh:evse-1"))


# the open home


def test_a_year_of_the_open_home_keeps_its_energy_and_gives_no_more_than_its_room(tmp_path):
    """Of 8,760 hours from 23:00 on 364 days are whole: their energy in every shape, and nights between need and room, here by numpy.

    The vehicle comes by the clock on the wall, which was an hour ahead of the record until 6 November and from 12 March on.
    """
    shutil.copyfile(OPEN_HOME, tmp_path / "open.csv")
    said = 'file = "open.csv", interval = "60 min", first_start = "2016-07-31T23:00", clock = "Etc/GMT+7", power_factor = 1.0'
    record = f'load = {{ {said}, value_column = "load_kwh", unit = "kWh", register = "delivered" }}\n'
    need, most = 60.0, 30.0
    cars = {"evse-1": {"need_per_night": f'"{need} kWh"'}}
    one = home(tmp_path, records=record, vehicles=cars, limits=setting(most))
    _, found = answers(one)
    hours = np.genfromtxt(OPEN_HOME, delimiter=",", names=True)["load_kwh"][1 : 1 + 364 * 24]
    dates = np.datetime64("2016-08-01") + np.arange(363)
    summer = (dates < np.datetime64("2016-11-06")) | (dates >= np.datetime64("2017-03-12"))
    begins = np.arange(363) * 1440 + 1080 - 60 * summer
    assert len(found.year.house.shapes_a) == 4
    for place, shape in enumerate(found.year.house.shapes_a):
        assert shape.reshape(-1, 60).sum(axis=1) * 0.24 / 60 == pytest.approx(hours, rel=1e-9)
        room = np.where(most - shape >= 6.0, np.minimum(most - shape, 48.0), 0.0)
        least = np.minimum(need, np.array([room[begin : begin + 780].sum() for begin in begins]) * 0.24 / 60)
        given_ = minutes(found.year, place).energy_kwh[0]
        assert (given_ <= least + 1e-9).all()
        assert given_.sum() >= least.sum() - 363 * kwh(most, 1)
        assert given_.min() < 0.9 * need < need == pytest.approx(given_.max())
    told = number(study(one), "energy_delivered_kwh:evse-1")
    assert told == pytest.approx(min(minutes(found.year, place).energy_kwh[0].sum() for place in range(4)))
