"""One thing changed in a home with chargers: what by rule, physics or data may not pass, does not; what two places tell agrees.

Found by two independent hunts for false passes and crashes. The figures are worked beside each case; the homes are the invented ones.
"""

from __future__ import annotations

import shutil
from pathlib import Path

import numpy as np
import pytest

from tests import charging_records as runs
from tests.charging_homes import block, charger, conductor, control, disconnect, evidence, home, load, study, vehicle
from tests.charging_records import constant, fast, number, setting, slow, stepped, verdict, write
from tests.test_charging_code import SET, answer, rest
from workbook_lib import editions
from workbook_lib.errors import InputFault
from workbook_lib.home import read_home
from workbook_lib.workbooks import charging_runs, service_load

SITES = Path(__file__).resolve().parent.parent / "example_inputs" / "sites"
BUNGALOW, PAIR, STORE = "bungalow-control-100a", "two-chargers-125a", "sun-store-car-200a"
FIRST = "2025-06-02"  # of the records here: a Monday, long enough ago


def case(name: str, blocks: list[str], expected: dict, **given):
    """A small home, and by its key what is expected: a number, a verdict, what is provided and required with it, or fields asked for."""
    return pytest.param(blocks, given, expected, id=name)


def said(sheet, key: str) -> str:
    return next((str(check.verdict) for check in sheet.checks if check.key == key), "no check")


def compare(sheet, expected: dict) -> None:
    for key, wanted in expected.items():
        if isinstance(wanted, str):
            assert said(sheet, key) == wanted, key
        elif isinstance(wanted, list):
            assert list(sheet.check(key).fields) == wanted, key
        else:
            assert (answer(sheet, key) if isinstance(wanted, tuple) else pytest.approx(number(sheet, key))) == wanted, key


def several(lines: str = "", names: str = "ab") -> list[str]:
    return [charger(lines, name=name) for name in names]


def rated(*amperes: int) -> list[str]:
    return [charger(f'rating = "{each} A"', name=name) for name, each in zip("abc", amperes, strict=False)]


def switch(name: str, lines: str = "", on: str = "circuit") -> str:
    return block("disconnect", f'id = "{name}"\nrole = "utility"\nconnected_to = "{on}"', lines)


def sub_panel(main: str = "none") -> str:
    rows = '[{ id = "c1", rating = "60 A", poles = 2 }, { id = "c2", rating = "60 A", poles = 2 }]'
    return block("panel", f'id = "sub"\nkind = "panelboard"\nconnected_to = "circuit"\nbus = "100 A"\nmain = "{main}"\nbreakers = {rows}')


def at_circuit(lines: str = "", amperes: int = 40, holds="ab", name: str = "limiter") -> str:
    return control(lines, at="circuit", setting=f"{amperes} A", holds=holds, name=name)


def limits(*rows: str) -> str:
    return f"limit = [{', '.join(f'{{ {row} }}' for row in rows)}]"


# circuits

PLUG = 'connection = "receptacle"\nreceptacle = "30 A"'
PORTABLE = charger(f"{SET}\n{PLUG}")
SMALL = charger(f'rating = "12 A"\nvoltage = "120 V"\n{PLUG.replace("30", "20")}')
BIG, BARE, BESIDE = charger('rating = "80 A"'), charger(without=("rating",)), load('connected_to = "circuit"')
SWITCHED = [switch(f"to-{one}", 'fuse = "none"') for one in "ab"] + [charger('rating = "32 A"', name=one, on=f"to-{one}") for one in "ab"]
ALONE = limits(*(f'at = "{one}", way = "output", setting = "16 A"' for one in "ab"))
CIRCUITS = [
    # portable in 2020: 11,520 VA and not 5,760, 60 A and not 30; (17,040 + 11,520) / 240 = 119 A
    case("portable-setting", [PORTABLE, rest("2020", 17040)], {
        "code_load_va:car": 11520, "circuit_overcurrent_a:car": 60, "service-capacity": (119, 100, "fail"),
        "evse-circuit:car": (30, 60, "fail"), "evse-receptacle:car": (30, 60, "fail"),
    }, edition="2020", circuits="circuit 30 A"),
    # behind switches 2 x 32 = 64 A of 50 / 1.25; 50 A carry 1.25 x 32 = 40
    case("two-behind-switches", SWITCHED, {
        "shared-circuit:circuit": (64, 40, "fail"), "evse-own-circuit:b": "fail", "evse-circuit:a": (50, 40, "pass"),
    }, circuits="circuit 50 A"),
    case("load-beside-a-switch", [switch("off"), charger(on="off"), BESIDE], {"evse-own-circuit:car": "fail"}),
    case("fuse-not-said", [switch("off"), charger(on="off")], {"evse-circuit:car": ["disconnect.off.fuse"]}),
    # every device on the way carries 1.25 x 48 = 60 A
    *(
        case(name, [first, charger('rating = "48 A"', on=on)], {"evse-circuit:car": (most, 60, "fail")}, circuits=f"circuit {own}")
        for name, first, on, most, own in (
            ("fuse-of-40", switch("off", 'fuse = "40 A"'), "off", 40, "60 A"),
            ("fuse-of-70-on-40", switch("off", 'fuse = "70 A"'), "off", 40, "40 A"),
            ("sub-panel-on-30", sub_panel(), "c1", 30, "30 A"),
            ("sub-panel-with-main-of-30", sub_panel("30 A"), "c1", 30, "60 A"),
        )
    ),
    case("bare-panel", [charger(on="main")], {"evse-circuit:car": "needs input"}),
    case("load-in-a-sub-panel", [sub_panel(), charger(), load('connected_to = "c1"')], {"evse-own-circuit:car": "fail"}),
    # 2 x 20 = 40 A of 50 / 1.25 fit; a circuit for each is another rule
    case("two-small", rated(20, 20), {"shared-circuit:circuit": (40, 40, "pass"), "evse-own-circuit:a": "fail"}, circuits="circuit 50 A"),
    case("20-a-receptacle", [SMALL], {"evse-receptacle:car": (20, 15, "pass")}, circuits="circuit 20 A 1-pole"),  # 1.25 x 12
    case("unknown-rating", [BARE, BESIDE], {"evse-own-circuit:car": "fail"}),
    case("lockable-not-said", [BIG, disconnect()], {"evse-disconnect:car": ["disconnect.switch.lockable"]}),
    case("connection-not-said", [charger('rating = "80 A"', without=("connection",))], {"evse-disconnect:car": "needs input"}),
    case("disconnect-unknown-rating", [BARE], {"evse-disconnect:car": "needs input"}, edition="2026"),
    case("switch-of-another-circuit", [BIG, disconnect('connected_to = "house"\nlockable = true')], {"evse-disconnect:car": "needs input"}),
    case("voltage-not-given", [charger(name="a", without=("voltage",)), charger(PLUG, name="b", without=("voltage",))],
         {"service-capacity": ["evse.a.voltage", "evse.b.voltage"], "evse-own-circuit:a": "no check"}),
    case("device-not-given", several(), {"shared-circuit:circuit": ["panel.main.breakers.circuit.rating"]}, circuits="circuit -"),
    # of a listed control and an app the listed one counts: 40 A of 50 / 1.25
    *(
        case(f"listed-{place}", [*several(), *rows], {"shared-circuit:circuit": (40, 40, "pass")}, circuits="circuit 50 A")
        for place, rows in (("last", [at_circuit('access = "user"', name="app"), at_circuit()]),
                            ("first", [at_circuit(), at_circuit("listed_to = []", name="app")]))
    ),
    # each held at itself: 16 + 16 = 32 A, 3,840 VA each
    case("each-held-alone", [*several(), control(ALONE, holds="ab")], {"shared-circuit:circuit": (32, 40, "pass"), "code_load_va:a": 3840},
         circuits="circuit 50 A", edition="2026"),
]  # fmt: skip

# loads and controls: 17,040 VA are 71 A, a charger of 50 A makes them 121

REST, OLD, LOW = rest("2026", 17040), rest("2023", 17040), 'fallback_current = "50 A"\nminimum_current = "6 A"'
GONE = charger('status = "removed"', name="old", without=("minimum_current",))
UNSAID = [charger('fallback_current = "6 A"', name="a"), charger(name="b", without=("fallback_current",))]
AHEAD = [switch("ahead", 'fuse = "70 A"', on="supply-side"), charger(on="ahead"), REST, control(at="main")]
LOADS = [
    # 40 A for one, 9,600 VA: (17,040 + 9,600) / 240 = 111 A
    case("removed-takes-no-share", [GONE, charger(), REST, at_circuit(holds=("old", "car"))], {
        "code_load_va:car": 9600, "service-capacity": (111, 100, "fail"), "control-setting:limiter": (0, 40, "pass"),
    }, edition="2026"),
    # 80 A for two of 30: 7,200 VA each, (4,575 + 14,400) / 240 = 79.1 A; 60 A for one of 24
    case("share-above-nameplate", [*rated(30, 30), at_circuit("", 80)], {"code_load_va:a": 7200, "controlled_service_a": 18975 / 240},
         edition="2026", circuits="circuit 100 A"),
    case("setting-above-nameplate", [charger('rating = "24 A"'), at_circuit("", 60, ("car",))], {"code_load_va:car": 5760}, edition="2026"),
    # beside 53 A; 48 and 16 A held to 60: 44 + 16 and not 30 + 16; 48, 8 and 8 held to 48: 32 + 8 + 8 and not 16 + 8 + 8
    *(
        case(f"unequal-{len(ratings)}", [*rated(*ratings), rest("2026", 53 * 240), at_circuit("", most, "abc"[: len(ratings)])],
             {"service-capacity": (53 + most, 100, "fail")}, edition="2026", circuits="circuit 80 A")
        for ratings, most in (((48, 16), 60), ((48, 8, 8), 48))
    ),
    *(
        case(name, [charger(), OLD, control(f'listed_to = ["{name}"]')], {"service-capacity": (121, 100, "fail")})
        for name in ("FCC Part 15", "UL 1741")
    ),
    # a control at the main sees 71 A and not the 50 A ahead of it
    case("ahead-of-the-panel", AHEAD, {"service-capacity": (121, 100, "fail")}, edition="2026"),
    case("no-document", [charger(), rest("2020", 17040), control(), evidence("control-setting:limiter", "authority-decision")],
         {"control-setting:limiter": "fail", "service-capacity": "fail"}, edition="2020"),
    # held at itself to 16 A, and back to 50 A when it is lost
    case("falls-back-to-50", [charger(LOW), REST, control(at="car", setting="16 A")], {
        "service-capacity": (87, 100, "pass"), "control-fallback:limiter": (121, 100, "fail"),
    }, edition="2026"),
    # 3 x 30 = 90 A of 100 / 1.25; beside 4,575 VA 109.1 A of 100
    case("three-fall-back", [*several(f'rating = "30 A"\n{LOW.replace("50 A", "30 A")}', "abc"), at_circuit("", 80, "abc")], {
        "shared-fallback:circuit": (90, 80, "fail"), "control-fallback:limiter": (4575 / 240 + 90, 100, "fail"),
    }, edition="2026", circuits="circuit 100 A"),
    *(
        case(f"at-the-charger-{listed}", [charger(LOW), REST, control(f'listed_to = ["{listed}"]', at="car", setting="16 A")],
             {"control-setting:limiter": (6, 16, expected)}, edition="2026")
        for listed, expected in (("UL 916", "judgement"), ("UL 3141", "pass"))
    ),
    case("access-not-said", [charger(), OLD, control(without=("access",))], {"control-setting:limiter": ["control.limiter.access"]}),
    case("one-fallback-not-said", [*UNSAID, control(holds="ab")], {"control-malfunction:limiter": ["evse.b.fallback_current"]}),
]  # fmt: skip

# what holds a vehicle back: 13 h at 10 A and 240 V are 31.2 kWh of 60

NIGHT, DAILY, MISSED = vehicle('need_per_night = "60 kWh"'), load('daily_energy = "2 kWh"'), {"vehicle-need:car": "fail"}
OPEN = limits('at = "service", way = "import", setting = "80 A"', 'at = "circuit", way = "import"')
UNFOLLOWED = {"vehicle-need:car": "needs input"}
HELD = [
    case("sub-panel", [sub_panel(), charger(on="c1"), control(at="sub", setting="10 A"), NIGHT, DAILY], UNFOLLOWED),
    case("bus-of-the-panel", [charger(), control(limits('at = "main", way = "bus", setting = "10 A"')), NIGHT, DAILY], UNFOLLOWED),
    case("setting-not-said", [charger(), control(OPEN), NIGHT, DAILY], {"vehicle-need:car": "needs input"}),
    case("4-a", [charger(), control(at="car", setting="4 A"), vehicle('need_per_night = "5 kWh"'), DAILY], MISSED),
    *(case(f"nothing-at-{at}", [charger(), control(at=at, setting="0 A"), NIGHT, DAILY], MISSED) for at in ("car", "circuit")),
    case("no-vehicles", [*rated(32, 32), at_circuit(), DAILY], {"vehicle-need:a": "needs input"}),
]  # fmt: skip


@pytest.mark.parametrize("blocks,given,expected", [*CIRCUITS, *LOADS, *HELD])
def test_what_is_changed_does_not_pass_and_what_is_right_does(tmp_path, blocks, given, expected):
    compare(study(tmp_path, *blocks, **given), expected)


SIZES = (conductor("14", "Al"), conductor("18"), conductor("2000"))


@pytest.mark.parametrize(
    "blocks,field",
    [
        *(([charger(f'rating = "12 A"\nstatus = "added"\n{size}')], "evse.car.conductor.size") for size in SIZES),
        ([charger(), control(setting="150 A", at="main")], "control.limiter.limit.0.setting"),
        ([charger(), control(), load('daily_energy = "25 kWh"')], "load.heater.daily_energy"),  # 24 kWh at 1 kW
    ],
)
def test_what_contradicts_itself_or_the_tables_is_a_fault_of_the_file(tmp_path, blocks, field):
    with pytest.raises(InputFault) as caught:
        study(tmp_path, *blocks)
    assert [fault.field for fault in caught.value.faults] == [field]


def test_what_is_not_given_or_stated_is_told(tmp_path):
    sheet = study(tmp_path, charger('status = "added"'), circuits="circuit 60 A")
    assert (answer(sheet, "evse-circuit:car"), "conductor of car: not given" in sheet.not_checked) == ((60, 62.5, "fail"), True)
    unlabelled = study(tmp_path, charger(SET.replace("\nrelabelled = true", "")), circuits="circuit 60 A")
    assert "evse.relabelled" in unlabelled.check("evse-setting:car").note
    filed = runs.table(study(tmp_path, charger(), control()), "What is handed over with limiter")
    assert ("Function", "modulate or shed not stated, import") in filed.rows


def test_several_under_one_control_and_under_two(tmp_path):
    """50 A by priority, the charger of 16 A named first: the other has 34 A. Two of 80 A at the service: once 125 % of 80 A."""
    row = at_circuit('sharing = "priority"', 50, holds=("b", "a"))
    table = runs.table(study(tmp_path, *rated(48, 16), row, edition="2026", circuits="circuit 100 A"), "Sharing on circuit")
    assert (table.columns, table.rows) == (("Active", "b (A)", "a (A)"), ((1, 16, "-"), (2, 16, 34)))
    rows = [control(holds="ab"), control(name="other", holds="ab")]
    sheet = study(tmp_path, *several(), REST, *rows, edition="2026", circuits="circuit 100 A")
    assert [answer(sheet, check.key) for check in sheet.checks if check.key == "control-continuous"] == [(100, 100, "pass")]


def test_an_hourly_letter_is_as_open_as_on_the_sheet_of_the_service_load(tmp_path):
    """12 kW of an hour: 1.25 x 12,000 / 240 = 62.5 A if even, four times that in one quarter; 24 A of the charger beside it."""
    letter = '[records]\nmaximum_demand = "12 kW"\npower_factor = 1.0\ndemand_interval = "1 h"\ndemand_days = 100\ngeneration = "none"\n'
    one = home(tmp_path, charger('status = "added"\nrating = "24 A"'), letter, method="measured", edition="2020")
    assert answer(runs.study(one), "service-capacity") == (4 * 62.5 + 24, 100, "judgement")
    assert said(service_load.study(one, editions.load("2020")), "service-capacity") == "judgement"


def changed(folder: Path, name: str, old: str, new: str):
    """An example home with a text of its site file changed."""
    shutil.copytree(SITES, folder / "sites", dirs_exist_ok=True)
    path = folder / "sites" / f"{name}.toml"
    text = path.read_text(encoding="utf-8")
    assert old in text, old
    path.write_text(text.replace(old, new), encoding="utf-8")
    return read_home(path)


LEGS, ANSWERS = 'leg_columns = ["A", "B"], unit = "A"', 'response = { value = "10 s", from = "measured" }'
SAID = [
    (LEGS, f"{LEGS}, multiplier = 0.01"),
    *(('register = "delivered"', f'register = "{one}"') for one in ("received", "total")),
    ('generation = "none"', 'generation = "unrecorded"'),
    *(("occupied = true\n", line) for line in ("occupied = false\n",)),
    ("seasonal_missing = []", 'seasonal_missing = ["air-conditioner"]'),
    (ANSWERS, ANSWERS.replace("measured", "assumed")),
]


@pytest.mark.parametrize("old,new", SAID)
def test_a_record_or_a_response_that_proves_nothing_does_not_pass(tmp_path, old, new):
    assert str(runs.study(changed(tmp_path, BUNGALOW, old, new)).verdict) != "pass"


def test_a_leg_that_was_not_recorded_is_not_a_leg_without_load(tmp_path):
    house = stepped() + 0.1 * (np.arange(3 * 1440) % 5)
    one = runs.home(tmp_path, records=fast(tmp_path, house, first=FIRST))
    write(one.folder / "minutes.csv", runs.stamps(len(house), 60, FIRST), {"A": 0 * house, "B": house})
    sheet = runs.study(read_home(one.file))
    assert {said(sheet, key) for key in ("record-quality:fast_load", "control-holds:limiter")} != {"pass"}


SLOW = [({"sample": '"30 s"', "allowed_time_above": '"10 s"'}, {}), ({}, {"stops_after": '"600 s"'})]


@pytest.mark.parametrize("control,box", SLOW)
def test_a_control_that_is_too_slow_for_a_step_does_not_hold(tmp_path, control, box):
    """20 A that become 60 at 20:07, beside 48 A at a setting of 80; 30 s are allowed."""
    one = runs.home(tmp_path, records=fast(tmp_path, stepped(), first=FIRST), control=control, chargers={"evse-1": box})
    assert verdict(runs.study(one), "control-holds:limiter") == "fail"


@pytest.mark.parametrize(
    "control,car,box", [({"sample": '"86400 s"'}, {}, {}), ({}, {}, {"stops_after": '"14 h"'}), ({}, {"need_per_night": '"0 kWh"'}, {})]
)
def test_what_is_no_control_and_no_need_is_refused(tmp_path, control, car, box):
    given = {"control": control, "vehicles": {"evse-1": car}, "chargers": {"evse-1": box}}
    with pytest.raises(InputFault, match="outside its limits"):
        runs.home(tmp_path, records=fast(tmp_path, stepped(), first=FIRST), **given)


def test_chargers_of_a_circuit_with_a_vehicle_that_is_not_known_are_a_judgement(tmp_path):
    """The one falls after the 5 s that are taken where nothing is stated, the other rises at once."""
    boxes, cars = dict.fromkeys(runs.TWO, {"rating": '"32 A"'}), {"evse-1": {"response": None}, "evse-2": {}}
    given = {"chargers": boxes, "vehicles": cars, "limits": '{ at = "evse-breaker", way = "output", setting = "40 A" }'}
    one = runs.home(tmp_path, records=fast(tmp_path, constant(3, 20.0), first=FIRST), **given)
    assert verdict(runs.study(one), "control-holds:limiter") == "judgement"


def test_a_measured_house_and_its_charger_above_the_service_do_not_pass(tmp_path):
    """By calculation 56.7 A, measured 90 A and 48 A beside it, 138 A on 100."""
    record = fast(tmp_path, stepped(90.0, long=180), first=FIRST)
    sheet = runs.study(runs.home(tmp_path, records=record, limits="", vehicles={"evse-1": {"need_per_night": '"60 kWh"'}}))
    assert {str(check.verdict) for check in sheet.checks if check.provided is not None and check.provided.value > 100} - {"pass"}


def test_the_need_is_met_by_every_shape_of_a_modelled_load(tmp_path):
    """24 nights of 28 A of room, in blocks some 24 A for the delay: 80 kWh flat, 75 in blocks; five of 5 A flat, and some in blocks."""
    amperes = np.full(30 * 96, 8.0)
    amperes[24 * 96 + 48 : 29 * 96 + 48], amperes[0] = 31.0, 0.0
    house = '{ id = "rest", kind = "calculated", connected_to = "house", rating = "6.9 kW", voltage = "240 V" }'
    given = {"loads": house, "limits": setting(36), "control": {"raise_delay": '"3 min"'}}
    car = {"evse-1": {"need_per_night": '"80 kWh"', "need_share": "0.8"}}
    one = runs.home(tmp_path, records=slow(tmp_path, amperes, 900, first=FIRST), vehicles=car, **given)
    assert verdict(runs.study(one), "vehicle-need:evse-1") == "fail"


def test_the_longest_excursion_is_no_longer_than_all_together(tmp_path):
    """49 nights with a quarter of an hour of 99 A, a day with eight hours of 85 A."""
    amperes = np.full(60 * 96, 10.0)
    amperes[96 + 80 : 50 * 96 : 96], amperes[55 * 96 + 40 : 55 * 96 + 72] = 99.0, 85.0
    sheet = runs.study(runs.home(tmp_path, records=slow(tmp_path, amperes, 900, first=FIRST)))
    assert number(sheet, "longest_above_setting_s") <= number(sheet, "time_above_setting_s")


def test_a_vehicle_that_is_away_for_half_an_hour_is_no_crash_when_the_clocks_change(tmp_path):
    record = slow(tmp_path, constant(8, 20.0)[::60], 3600, first="2025-03-05")
    assert runs.study(runs.home(tmp_path, records=record, vehicles={"evse-1": {"depart": '"17:30"'}})).results


def test_the_calendar_shows_the_day_of_the_night(tmp_path):
    """Tuesday 1 to Monday 14 July: 00:30 of Tuesday the 8th, the first one being half an hour before the record by standard time."""
    car = {"evse-1": {"arrive": '"00:30"', "depart": '"05:00"', "need_per_night": '"10 kWh"', "plugged_in_on": '["Tue"]'}}
    record = slow(tmp_path, constant(14, 20.0)[::60], 3600, first="2025-07-01")
    sheet = runs.study(runs.home(tmp_path, records=record, vehicles=car), whole=True)
    grid = next(figure for figure in sheet.figures if figure.key == "charging_nights_evse-1").grid
    assert [day + 1 for day, share in enumerate(grid[6]) if share is not None] == [8]


def test_a_sheet_does_not_depend_on_what_was_studied_before(tmp_path):
    """40 days of 90 A by quarter hours, alone and after the same by minutes."""

    def by(step_s: int, name: str) -> float:
        record = slow(tmp_path / name, np.full(40 * 86400 // step_s, 90.0), step_s, first=FIRST, name=name)
        return number(runs.study(runs.home(tmp_path / name, records=f"{record}heavier_leg_fraction = 0.5\n")), "time_above_setting_s")

    charging_runs.forget()
    alone = by(900, "load")
    charging_runs.forget()
    by(60, "fast_load")
    assert by(900, "load") == alone


def test_a_store_that_takes_nothing_from_the_service_is_no_crash(tmp_path):
    assert runs.study(changed(tmp_path, STORE, 'input_current = { value = "32 A"', 'input_current = { value = "0 A"')).results


OVER, SHARE = ("time_above_setting_s", "longest_above_setting_s", "overshoot_as"), ("share_a:evse-breaker:2",)


@pytest.mark.parametrize("access,names", [("restricted", OVER), ("user", SHARE)])
def test_an_agreed_result_that_is_absent_has_its_reason(tmp_path, access, names):
    sheet = runs.study(changed(tmp_path, PAIR, 'access = "restricted"', f'access = "{access}"'))
    assert [name for name in names if name not in sheet.results and not any(name in line for line in sheet.not_checked)] == []


def test_weather_does_not_part_the_verdicts(tmp_path):
    """Ten hours late, the sun shines at night: no check rests on it."""
    sun = block("source", 'id = "pv"\nkind = "pv-inverter"\nconnected_to = "hot-tub-breaker"\nstatus = "added"\noutput_power = "4 kW"')
    sun += 'array = [{ dc_power = "4 kW", tilt = "22 deg", azimuth = "180 deg" }]\n'
    line = 'weather = { file = "records/tansy-hollow-weather.csv", format = "csv", stamp = "start", typical = true }\n'
    file = changed(tmp_path, BUNGALOW, "[records]\n", f"{sun}[records]\n{line}").file
    weather = tmp_path / "sites" / "records" / "tansy-hollow-weather.csv"
    head, *rows = weather.read_text(encoding="utf-8").splitlines()
    late = (f"{row.split(',')[0]},{rows[place - 10].split(',', 1)[1]}" for place, row in enumerate(rows))
    weather.write_text("\n".join([head, *late]), encoding="utf-8")
    one = read_home(file)
    assert runs.study(one).verdict is runs.study(one, whole=True).verdict
