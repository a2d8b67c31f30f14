"""Charging runs through the whole workbook: closed forms worked here for seconds, energy, nights, sharing and faults.

A step of the house at T0 is seen at the next sample after the delay of the sensor; what is commanded then is drawn one step and the
delays of control and vehicle later, along the ramp. By minutes every night begins one minute late.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from tests.charging_records import (
    CARS,
    NIGHT_MIN,
    T0,
    TWO,
    answers,
    constant,
    fast,
    home,
    kwh,
    minute,
    number,
    setting,
    stepped,
    study,
    table,
    verdict,
)
from workbook_lib.simulate.charging_outcome import excursions
from workbook_lib.workbooks.charging_runs import at_seconds, minutes, needs_from, seconds, windows, year

# seconds


def over_s(excess: float, hold: int, ramp: float) -> list[float]:
    """What is above the setting second by second: all of it while it is held, then less by the ramp [A]."""
    falling = [excess - ramp * place for place in range(1, 100)] if ramp else []
    return [excess] * hold + [value for value in falling if value > 0]


REACTIONS = [  # control, vehicle, seconds that the full current is held after T0
    ({}, {}, 1),
    ({"sensor_delay": '"3 s"'}, {}, 4),
    ({"response": '"4 s"'}, {"response": '"5 s"'}, 10),
    ({"sample": '"7 s"'}, {}, 7),
    ({"sample": '"20 s"'}, {}, 20),
    ({}, {"ramp_time": '"6 s"'}, 1),
    (
        {"sample": '"7 s"', "sensor_delay": '"3 s"', "response": '"4 s"'},
        {"response": '"5 s"', "ramp_time": '"6 s"'},
        7 + 3 + 4 + 5,
    ),
]


@pytest.mark.parametrize("control,vehicle,hold", REACTIONS)
def test_an_excursion_is_its_delays_in_a_row_and_passes_by_the_second(tmp_path, control, vehicle, hold):
    """48 A beside 20 A at a setting of 80 A; one night the house takes 60 A (28 A too much), another 42 A (10 A)."""
    house = stepped(days=4)
    house[minute(2, "20:07") : minute(2, "20:27")] = 42.0
    ramp = 8.0 if "ramp_time" in vehicle else 0.0
    one, other = over_s(28.0, hold, ramp), over_s(10.0, hold, ramp)
    record = fast(tmp_path, house)
    for allowed, wanted in ((len(one), "pass"), (len(one) - 1, "fail")):
        given_ = {**control, "allowed_time_above": f'"{allowed} s"'}
        sheet = study(home(tmp_path, records=record, control=given_, vehicles={"evse-1": vehicle}))
        assert number(sheet, "longest_above_setting_s") == len(one)
        assert number(sheet, "time_above_setting_s") == len(one) + len(other)
        assert number(sheet, "overshoot_as") == pytest.approx(sum(one) + sum(other))
        assert number(sheet, "peak_service_a") == pytest.approx(108.0)
        assert verdict(sheet, "control-holds:limiter") == wanted
        assert ("1 s too long" in sheet.check("control-holds:limiter").note) == (wanted == "fail")
    assert len(one) <= number(sheet, "reaction_time_s:limiter")


def test_a_filter_lets_the_excursion_fade(tmp_path):
    """After n seconds the control has seen all but 40 A times e^(-n/10): above until no more than a tenth of an ampere is left."""
    sheet = study(home(tmp_path, records=fast(tmp_path, stepped()), control={"filter_time": '"10 s"'}))
    over = [28.0, *(min(28.0, 40.0 * math.exp(-n / 10.0)) for n in range(1, 400))]
    assert number(sheet, "longest_above_setting_s") == sum(value > 0.1 for value in over)
    assert number(sheet, "overshoot_as") == pytest.approx(sum(value for value in over if value > 0.1))


def test_a_dead_band_on_reductions_keeps_what_is_less_above_the_setting(tmp_path):
    """36 A beside 48 A are 4 A above 80 A, within a band of 5 A: above as long as the house is."""
    record = fast(tmp_path, stepped(36.0))
    found = {}
    for way in ("raise", "both"):
        sheet = study(home(tmp_path, records=record, control={"dead_band": '"5 A"', "dead_band_on": f'"{way}"'}))
        found[way] = number(sheet, "longest_above_setting_s"), number(sheet, "overshoot_as"), verdict(sheet, "control-holds:limiter")
    assert found == {"raise": (1.0, pytest.approx(4.0), "pass"), "both": (1200.0, pytest.approx(4800.0), "fail")}
    assert "dead band of 5 A holds back reductions" in sheet.check("control-holds:limiter").note


def test_a_vehicle_that_ignores_its_pilot_is_stopped_by_its_charger(tmp_path):
    """Response 2 s, stopped after 7 s: 3 s as stated, 8 s where it ignores the reduction, which counts."""
    chargers, cars = {"evse-1": {"stops_after": '"7 s"'}}, {"evse-1": {"response": '"2 s"'}}
    one = home(tmp_path, records=fast(tmp_path, stepped()), chargers=chargers, vehicles=cars)
    sheet = study(one)
    assert (number(sheet, "time_above_setting_s"), number(sheet, "longest_above_setting_s")) == (3.0, 3.0)
    check = sheet.check("control-holds:limiter")
    assert (check.provided.value, check.provided.meaning.endswith("vehicle ignores")) == (8.0, True)


def test_a_charger_that_is_shed_takes_all_or_nothing(tmp_path):
    """48 A beside 20 A fit below 80 A, beside 60 A they do not: 20 minutes without, in place of 20 A."""
    record = fast(tmp_path, stepped())
    for action, lost in (("modulate", 28.0), ("shed", 48.0)):
        sheet = study(home(tmp_path, records=record, control={"action": f'"{action}"'}))
        assert number(sheet, "energy_delivered_kwh:evse-1") == pytest.approx(2 * kwh(48.0, NIGHT_MIN) - kwh(lost, 20))
        assert number(sheet, "overshoot_as") == pytest.approx(28.0)


def test_starts_in_an_hour_are_counted_and_allowed(tmp_path):
    """Six pauses of a minute, ten minutes apart: six starts in an hour, with that of the arrival seven in a day."""
    house = constant(3, 60.0)
    house[minute(1, "20:00") : minute(1, "21:00") : 10] = 78.0
    for allowed, wanted in ((6, "pass"), (5, "fail")):
        one = home(tmp_path, records=fast(tmp_path, house), chargers={"evse-1": {"most_starts_per_hour": str(allowed)}})
        sheet = study(one)
        assert verdict(sheet, "evse-starts:evse-1") == wanted
        assert [number(sheet, f"charger_starts_per_{span}_max") for span in ("hour", "day")] == [6.0, 7.0]


def test_an_excursion_over_noon_is_one(tmp_path):
    house = constant(3, 20.0)
    house[minute(1, "11:30") : minute(1, "12:30")] = 90.0
    assert number(study(home(tmp_path, records=fast(tmp_path, house))), "longest_above_setting_s") == 3600.0


def test_a_vehicle_that_is_there_at_noon_goes_on(tmp_path):
    """One by night, one by day: 32 A beside 70 A from noon on are 22 A above 80 A for the 20 s of the response and a second."""
    cars = {"evse-1": {}, "evse-2": {"arrive": '"06:00"', "depart": '"19:00"'}}
    house = constant(3, 20.0)
    house[minute(1, "12:00") : minute(1, "13:00")] = 70.0
    for clock in ("13:01", "12:00"):
        moved = np.roll(house, minute(0, clock) - 720)
        sheet = study(home(tmp_path, records=fast(tmp_path, moved), chargers=TWO, vehicles=cars, control={"response": '"20 s"'}))
        assert number(sheet, "longest_above_setting_s") == 21.0, clock


def test_the_longest_excursion_is_no_longer_than_all_together(tmp_path):
    chargers = {"evse-1": {"stops_after": '"7 s"'}}
    sheet = study(home(tmp_path, records=fast(tmp_path, stepped()), chargers=chargers))
    assert number(sheet, "longest_above_setting_s") <= number(sheet, "time_above_setting_s")


@pytest.mark.parametrize("key", ["control-holds:limiter", "control-lost:limiter"])
def test_what_goes_wrong_is_tried_on_the_night_that_it_makes_worst(tmp_path, key):
    """A vehicle is stopped, a lost sensor acted on, after 120 s: a minute of 60 A hides twenty minutes of 55 A in the next night."""
    house = stepped(55.0, days=4, day=2)
    house[minute(1, "20:07")] = 60.0
    control, chargers = {"lost_after": '"120 s"', "allowed_time_above": '"90 s"'}, {"evse-1": {"stops_after": '"120 s"'}}
    assert verdict(study(home(tmp_path, records=fast(tmp_path, house), control=control, chargers=chargers)), key) == "fail"


def test_every_night_by_hand_and_those_left_out_cannot_pass_the_setting(tmp_path):
    """Quarter hours up to 60 A on every other night, up to 31 A else: all nights at one second, against what the workbook tells."""
    rng = np.random.default_rng(5)
    quiet = np.arange(8 * 96) // 96 % 2 == 0
    house = np.roll(np.repeat(np.where(quiet, rng.choice([5.0, 20.0, 31.0], 768), rng.choice([20.0, 33.0, 60.0], 768)), 15), 720)
    control = {"response": '"6 s"', "raise_delay": '"2 min"', "sample": '"5 s"', "step": '"1 A"'}
    one = home(tmp_path, records=fast(tmp_path, house), control=control, vehicles={"evse-1": {"need_per_night": '"90 kWh"'}})
    _, found = answers(one)
    edges = windows(found.fine)
    assert [low for low, _ in edges[1:]] == [high for _, high in edges[:-1]], "every minute once"
    assert (edges[0][0], edges[-1][1]) == (0, len(house))
    told, by_hand = seconds(found.fine, 0), []
    clock = np.arange(len(house)) % 1440
    there = (clock < 420) | (clock >= 1080)  # the nights that the record holds in part too
    passing = [bool((house + 48.0 * there)[low:high].max() > 80.0) for low, high in edges]
    for (low, high), may in zip(edges, passing, strict=True):
        ran = at_seconds(found.fine, 0, low, high)
        by_hand.append(excursions(ran.service_a, 80.0, 1.0))
        assert may or by_hand[-1].time_s == 0.0
    assert (told.count, told.nights) == (9, sum(passing))
    assert 0 < told.nights < told.count
    assert told.over_s == sum(each.time_s for each in by_hand) > 0
    assert told.over_as == pytest.approx(sum(each.overshoot_as for each in by_hand))
    assert told.longest_s == max(each.longest_s for each in by_hand)
    assert told.peak_a == max(each.peak_a for each in by_hand)


@pytest.mark.parametrize("house_a", [20.0, 60.0])
def test_what_a_night_has_given_before_its_seconds_begin_is_taken_off_its_need(tmp_path, house_a):
    """By hand: the room beside the house for the minutes since 18:00, the first that of the command; in no night nothing is taken off."""
    records = fast(tmp_path, constant(4, house_a))
    _, found = answers(home(tmp_path, records=records, vehicles={"evse-1": {"need_per_night": '"60 kWh"'}}))
    drawn = min(48.0, 80.0 - house_a)
    for clock, spent_min in (("18:00", 0), ("18:01", 0), ("18:30", 29), ("20:00", 119), ("23:59", 358)):
        low = minute(1, clock)
        night = int(found.fine.plans[0].every[low])
        needs = needs_from(found.fine, 0, low)[0]
        assert needs[night] == pytest.approx(max(60.0 - kwh(drawn, spent_min), 0.0), abs=1e-9), clock
        others = np.delete(needs, night)
        assert (others == 60.0).all()
    assert (needs_from(found.fine, 0, minute(1, "12:00"))[0] == 60.0).all()


def test_the_year_in_figures_is_that_of_its_run(tmp_path):
    """Two chargers with a night each: energy, peak, starts and the highest of each night, from the currents of the run."""
    rng = np.random.default_rng(3)
    house = np.repeat(rng.choice([5.0, 30.0, 70.0], 6 * 96), 15)
    _, found = answers(home(tmp_path, records=fast(tmp_path, house), chargers=TWO, vehicles=CARS, control={"response": '"20 s"'}))
    for one in (found.fine, found.fine.free()):
        ran, told = minutes(one, 0), year(one, 0)
        service = ran.house_a + ran.vehicle_a.sum(axis=0)
        assert told.peak_a == service.max()
        assert told.came_a == tuple(service[low:high].max() for low, high in windows(one))
        for place, energy in enumerate(told.energy_kwh):
            assert energy.sum() == pytest.approx(kwh(float(ran.vehicle_a[place].sum()), 1.0))
            running = ran.vehicle_a[place] > 0
            began = np.flatnonzero(running & ~np.roll(running, 1))
            assert told.hour_starts[place] == max(int(((began >= at) & (began < at + 60)).sum()) for at in began)
            assert told.day_starts[place] == max(int(((began >= at) & (began < at + 1440)).sum()) for at in began)
    assert (minutes(found.fine.free(), 0).vehicle_a.max(axis=1) == 32.0).all()
    assert year(found.fine.free(), 0).peak_a == 134.0


# energy and nights


@pytest.mark.parametrize(
    "house_a,control,energy",
    [
        (60.0, {}, kwh(20.0, NIGHT_MIN)),
        (60.0, {"response": '"20 s"'}, kwh(20.0, NIGHT_MIN - 1)),
        (60.0, {"raise_delay": '"30 min"'}, kwh(20.0, NIGHT_MIN - 30)),
        (60.3, {"step": '"2 A"'}, kwh(18.0, NIGHT_MIN)),
        (74.0, {}, kwh(6.0, NIGHT_MIN)),
        (74.1, {}, 0.0),
        (10.0, {}, kwh(48.0, NIGHT_MIN)),
    ],
)
def test_the_energy_of_a_night_is_its_room_times_its_time(tmp_path, house_a, control, energy):
    """Three whole nights in four days; without a control the vehicle takes 48 A at once."""
    sheet = study(home(tmp_path, records=fast(tmp_path, constant(4, house_a)), control=control))
    assert number(sheet, "energy_delivered_kwh:evse-1") == pytest.approx(3 * energy)
    assert number(sheet, "energy_without_control_kwh:evse-1") == pytest.approx(3 * kwh(48.0, 780))
    assert number(sheet, "energy_missed_kwh:evse-1") == pytest.approx(3 * (300.0 - energy))
    assert verdict(sheet, "control-holds:limiter") == "pass"


def test_a_raise_delay_costs_each_time_that_the_house_breaks_in(tmp_path):
    """20 A of room; ten minutes with 2 A pause it: 10 minutes are lost, with a delay of 15 minutes 25, and 15 on each arrival."""
    house = constant(3, 60.0)
    for clock in ("20:00", "22:00", "01:00"):
        at = minute(2 if clock < "12" else 1, clock)
        house[at : at + 10] = 78.0
    for delay in (0, 15):
        one = home(tmp_path, records=fast(tmp_path, house), control={"raise_delay": f'"{delay} min"'})
        sheet = study(one, whole=True)
        energy = kwh(20.0, NIGHT_MIN - delay) + kwh(20.0, NIGHT_MIN - delay - 3 * (10 + delay))
        assert number(sheet, "energy_delivered_kwh:evse-1") == pytest.approx(energy)
        rows = {row[0].split(",")[0]: row for row in table(sheet, "What another raise delay costs").rows}
        assert rows[f"{delay} min"][1] == pytest.approx(energy, abs=0.05)
        assert rows["0 min"][1] > rows["5 min"][1] > rows["15 min"][1] > rows["30 min"][1]


def test_nights_are_those_of_the_week_on_which_it_is_plugged_in(tmp_path):
    """Monday 12 to Tuesday 20 January: plugged in on Mondays and Wednesdays, three nights; that of Monday 19 has no room."""
    house = constant(9, 60.0)
    house[minute(7, "17:00") : minute(8, "08:00")] = 78.0
    record = fast(tmp_path, house)
    for share, wanted in ((0.66, "pass"), (0.67, "fail")):
        car = {"need_per_night": '"60 kWh"', "plugged_in_on": '["Mon", "Wed"]', "need_share": str(share)}
        sheet = study(home(tmp_path, records=record, vehicles={"evse-1": car}))
        assert number(sheet, "nights_meeting_need_frac:evse-1") == pytest.approx(2 / 3)
        assert verdict(sheet, "vehicle-need:evse-1") == wanted
        assert "2 of 3 nights" in sheet.check("vehicle-need:evse-1").note
        assert number(sheet, "energy_delivered_kwh:evse-1") == pytest.approx(120.0)


def test_missed_nights_in_a_row_with_energy_and_miles(tmp_path):
    """Eight nights need 30 kWh: 20 A give it, 8 A give 24.9 kWh, 5 A nothing; 3, 1 and 1 nights in a row miss it."""
    house = constant(9, 20.0)
    for night, room in enumerate((20, 8, 5, 5, 20, 8, 20, 5)):
        house[minute(night, "12:00") : minute(night + 1, "12:00")] = 80.0 - room
    car = {"need_per_night": '"30 kWh"', "miles_per_kwh": "3.0"}
    sheet = study(home(tmp_path, records=fast(tmp_path, house), vehicles={"evse-1": car}))
    missed = 2 * (30.0 - kwh(8.0, NIGHT_MIN)) + 3 * 30.0
    assert number(sheet, "nights_meeting_need_frac:evse-1") == pytest.approx(3 / 8)
    assert number(sheet, "longest_missed_nights_count:evse-1") == 3
    assert number(sheet, "energy_missed_kwh:evse-1") == pytest.approx(missed)
    assert f"{missed:,.1f} kWh missed, {3 * missed:,.0f} miles at 3.00" in sheet.check("vehicle-need:evse-1").note


def test_departure_on_the_same_day_and_after_midnight(tmp_path):
    """01:00 to 05:00 on each of four days; 22:00 to 00:00 is of the day on which it begins: the last of them ends with the record."""
    record = fast(tmp_path, constant(4, 60.0))
    for arrive, depart, drawn, days in (("01:00", "05:00", 239, 4), ("22:00", "00:00", 119, 4), ("22:00", "00:01", 120, 3)):
        car = {"arrive": f'"{arrive}"', "depart": f'"{depart}"'}
        sheet = study(home(tmp_path, records=record, vehicles={"evse-1": car}))
        assert number(sheet, "energy_delivered_kwh:evse-1") == pytest.approx(days * kwh(20.0, drawn))
    assert "0 of 3 nights" in sheet.check("vehicle-need:evse-1").note


def test_a_need_above_what_its_window_gives_fails_with_the_number(tmp_path):
    """13 h at 40 A and 240 V: 124.8 kWh."""
    for need, wanted in (("124.8 kWh", "pass"), ("130 kWh", "fail")):
        car = {"need_per_night": f'"{need}"', "onboard_current": '"40 A"'}
        check = study(home(tmp_path, records=fast(tmp_path, constant(3, 5.0)), vehicles={"evse-1": car})).check("vehicle-window:evse-1")
        assert (str(check.verdict), check.required.value) == (wanted, pytest.approx(124.8))
        assert check.provided.value == float(need.split()[0])
        assert check.margin == pytest.approx(124.8 - check.provided.value)


def test_a_taper_takes_longer_by_a_plain_loop(tmp_path):
    """10 kWh, the last 2 kWh in proportion to what is left, at least 6 A: 52 min without a taper, some 74 min with it."""
    for taper in (0.0, 2.0):
        left, count = 10.0, 0
        while left > 1e-9:
            amperes = 48.0 if left >= taper else max(48.0 * left / taper, 6.0)
            left -= min(kwh(amperes, 1), left)
            count += 1
        hours = (8 + 2 * (math.log(8) + 1)) / 11.52 if taper else 10 / 11.52
        assert count == pytest.approx(60 * hours, abs=2)
        for late, met in ((0, 0.0), (1, 1.0)):
            hour, clock = divmod(18 * 60 + count + late, 60)
            car = {"need_per_night": '"10 kWh"', "taper_energy": f'"{taper} kWh"', "depart": f'"{hour}:{clock:02d}"'}
            sheet = study(home(tmp_path, records=fast(tmp_path, constant(2, 20.0)), vehicles={"evse-1": car}))
            assert number(sheet, "nights_meeting_need_frac:evse-1") == met


# two chargers under one control


@pytest.mark.parametrize("way,first,second", [("equal", 20.0, 20.0), ("priority", 32.0, 8.0), ("first-come", 8.0, 32.0)])
def test_two_chargers_share_the_room_by_their_way(tmp_path, way, first, second):
    """40 A of room; the second comes an hour before the first and has 32 A until then."""
    one = home(tmp_path, records=fast(tmp_path, constant(3, 40.0)), chargers=TWO, vehicles=CARS, control={"sharing": f'"{way}"'})
    sheet = study(one)
    assert number(sheet, "energy_delivered_kwh:evse-1") == pytest.approx(2 * kwh(first, NIGHT_MIN))
    assert number(sheet, "energy_delivered_kwh:evse-2") == pytest.approx(2 * (kwh(32.0, 60) + kwh(second, NIGHT_MIN)))


@pytest.mark.parametrize("way", ["equal", "priority", "first-come"])
def test_where_there_is_room_for_one_the_last_of_the_order_pauses(tmp_path, way):
    """10 A of room: one has it, the other waits; by arrival the second was there first."""
    one = home(tmp_path, records=fast(tmp_path, constant(3, 70.0)), chargers=TWO, vehicles=CARS, control={"sharing": f'"{way}"'})
    sheet, hour, night = study(one), kwh(10.0, 60), kwh(10.0, NIGHT_MIN)
    found = [number(sheet, f"energy_delivered_kwh:evse-{place}") / 2 for place in (1, 2)]
    assert found == pytest.approx([0.0, hour + night] if way == "first-come" else [night, hour])


def test_a_circuit_and_the_service_are_both_held_every_second(tmp_path):
    """Two of 32 A on 50 A worth of circuit held to 40 A, a service held to 80 A: 40 A beside 20 A, 20 A beside 60 A."""
    limits = f'{setting(80)}, {{ at = "evse-breaker", way = "output", setting = "40 A" }}'
    chargers = {name: {"rating": '"32 A"'} for name in TWO}
    house = stepped()
    one = home(tmp_path, records=fast(tmp_path, house), chargers=chargers, limits=limits)
    sheet, (_, found) = study(one), answers(one)
    assert verdict(sheet, "shared-circuit:evse-breaker") == "pass"
    for low, high in windows(found.fine):
        ran = at_seconds(found.fine, 0, low, high)
        assert ran.pilot_a.sum(axis=0).max() <= 40.0 + 1e-9
        assert (ran.pilot_a.sum(axis=0) <= 80.0 - ran.house_a + 1e-9).all()
        assert ran.vehicle_a.sum(axis=0).max() <= 40.0 + 1e-9
    assert (number(sheet, "time_above_setting_s"), number(sheet, "overshoot_as")) == (1.0, pytest.approx(20.0)), "60 and 40 A, one second"


@pytest.mark.parametrize("at,beside", [("evse-1", {}), ("evse-breaker", {"evse-2": TWO["evse-2"]})])
def test_a_limit_of_the_same_control_at_the_charger_holds_it(tmp_path, at, beside):
    limits = f'{setting(80)}, {{ at = "{at}", way = "output", setting = "16 A" }}'
    sheet = study(home(tmp_path, records=fast(tmp_path, constant(3, 20.0)), chargers={"evse-1": {}, **beside}, limits=limits))
    assert number(sheet, "energy_delivered_kwh:evse-1") <= 2 * kwh(16.0, 780)


def test_of_two_limits_of_the_service_the_lower_holds(tmp_path):
    limits = f'{setting(80)}, {{ at = "main", way = "import", setting = "60 A" }}'
    assert number(study(home(tmp_path, records=fast(tmp_path, constant(3, 20.0)), limits=limits)), "peak_service_a") == pytest.approx(60.0)


def test_another_control_of_the_circuit_holds_it_too(tmp_path):
    row = '[[control]]\nid = "sharer"\ncontrols = ["evse-1", "evse-2"]\nlisted_to = ["UL 916"]\naccess = "restricted"\n'
    row += 'limit = [{ at = "evse-breaker", way = "output", setting = "24 A" }]\n'
    chargers = {name: {"rating": '"32 A"'} for name in TWO}
    sheet = study(home(tmp_path, records=fast(tmp_path, constant(3, 10.0)), chargers=chargers, more=row))
    energy = sum(number(sheet, f"energy_delivered_kwh:{name}") for name in chargers)
    assert energy <= 2 * kwh(24.0, 780)


def test_a_vehicle_of_less_than_the_least_current_of_its_charger_still_charges(tmp_path):
    """A pilot of 16 A or more, of which the vehicle takes 12 A, with no control at all."""
    chargers, cars = {"evse-1": {"minimum_current": '"16 A"'}}, {"evse-1": {"onboard_current": '"12 A"'}}
    sheet = study(home(tmp_path, records=fast(tmp_path, constant(3, 20.0)), chargers=chargers, vehicles=cars, limits=""))
    assert number(sheet, "energy_delivered_kwh:evse-1") == pytest.approx(2 * kwh(12.0, 780))


# faults

LOST = {"lost_after": '"10 s"', "response": '"2 s"'}
LOST_HOME = {"chargers": {"evse-1": {"fallback_current": '"8 A"'}}, "vehicles": {"evse-1": {"response": '"3 s"'}}}


def run_of(found, name: str):
    return next(one for one in found.tried if one.name == name)


def test_a_lost_sensor_is_above_for_its_time_and_the_delays_and_falls_back(tmp_path):
    """Lost just before 20 A become 60 A: the fallback is commanded 10 s later and drawn a second, 2 s and 3 s after that."""
    record = fast(tmp_path, stepped())
    _, found = answers(home(tmp_path, records=record, control=LOST, **LOST_HOME))
    lost = run_of(found, "sensor lost")
    assert lost.at_s in (T0 - 1, T0)
    drawn = lost.at_s + 10 + 1 + 2 + 3
    assert lost.ran.vehicle_a[0, T0:drawn].tolist() == [48.0] * (drawn - T0)
    assert set(lost.ran.vehicle_a[0, drawn : lost.at_s + 3600]) == {8.0}
    assert lost.ran.vehicle_a[0, lost.at_s + 3600 + 6] == 48.0
    for allowed, wanted in ((drawn - T0, "pass"), (drawn - T0 - 1, "fail")):
        control = {**LOST, "allowed_time_above": f'"{allowed} s"'}
        check = study(home(tmp_path, records=record, control=control, **LOST_HOME)).check("control-lost:limiter")
        assert (check.provided.value, str(check.verdict)) == (drawn - T0, wanted)
        assert "108.0 A" in check.note


def test_a_lost_command_leaves_the_vehicle_as_it_is_until_it_falls_back(tmp_path):
    """Lost just before the house rises: no reduction arrives; after 10 s the charger takes its fallback by itself."""
    _, found = answers(home(tmp_path, records=fast(tmp_path, stepped()), control=LOST, **LOST_HOME))
    lost = run_of(found, "command lost")
    assert set(lost.ran.vehicle_a[0, T0 : lost.at_s + 10]) == {48.0}
    assert set(lost.ran.vehicle_a[0, lost.at_s + 10 + 3 : lost.at_s + 3600]) == {8.0}


def test_a_lost_command_ends_at_the_fallback(tmp_path):
    _, found = answers(home(tmp_path, records=fast(tmp_path, stepped()), control=LOST, **LOST_HOME))
    lost = run_of(found, "command lost")
    assert set(lost.ran.vehicle_a[0, lost.at_s + 10 + 2 + 3 + 1 : lost.at_s + 3600]) == {8.0}
    assert lost.ran.vehicle_a[0, lost.at_s + 3600 + 6] == 48.0


def test_without_a_time_of_reaction_a_lost_signal_is_not_tried_and_said(tmp_path):
    sheet = study(home(tmp_path, records=fast(tmp_path, stepped())))
    assert (verdict(sheet, "control-lost:limiter"), sheet.check("control-lost:limiter").counts) == ("needs input", False)
    assert any("not stated: control.limiter.lost_after" in line for line in sheet.not_checked)


def test_a_loss_without_a_stated_fallback_does_not_pass(tmp_path):
    one = home(tmp_path, records=fast(tmp_path, stepped()), control=LOST, chargers={"evse-1": {"fallback_current": None}})
    sheet = study(one)
    assert (verdict(sheet, "control-lost:limiter"), sheet.check("control-lost:limiter").counts) == ("needs input", False)
    assert any("evse.evse-1.fallback_current" in line for line in sheet.not_checked if "lost signal" in line)
    assert verdict(sheet, "control-fallback:limiter") == "needs input"


def test_all_vehicles_at_once_come_at_the_highest_house(tmp_path):
    """Two of 32 A beside 40 A: both begin at the moment of 55 A, and share 25 A."""
    house = constant(3, 40.0)
    house[minute(1, "20:07") : minute(1, "20:27")] = 55.0
    _, found = answers(home(tmp_path, records=fast(tmp_path, house), chargers=TWO, vehicles=CARS))
    both = run_of(found, "all at once")
    assert both.at_s == T0
    assert both.ran.vehicle_a[:, :T0].max() == 0.0
    assert both.ran.vehicle_a[:, T0 + 5].tolist() == [12.5, 12.5]
    assert both.ordinary


MOTOR = (
    '{ id = "cooling", kind = "air-conditioner", connected_to = "house", current = "10 A", voltage = "240 V", '
    'locked_rotor_current = "30 A", start_time = "2 s" }'
)


def test_a_motor_starts_on_top_of_the_charging(tmp_path):
    """60 A and 20 A are at the setting; 30 A more for 2 s, then 10 A, shed 4 s later: 30, 30, 10 and 10 A above."""
    control, car = {"response": '"1 s"'}, {"evse-1": {"response": '"2 s"'}}
    one = home(tmp_path, records=fast(tmp_path, constant(3, 60.0)), control=control, vehicles=car, loads=MOTOR)
    sheet = study(one, whole=True)
    row = next(row for row in table(sheet, "What goes wrong").rows if row[0] == "cooling starts")
    assert row[3:6] == (4.0, pytest.approx(80.0), pytest.approx(110.0))
    assert (number(sheet, "longest_above_setting_s"), number(sheet, "time_above_setting_s")) == (0.0, 0.0)
    assert sheet.check("control-holds:limiter").provided.value == 4.0
