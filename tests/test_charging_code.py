"""Chargers under the code, through site file and workbook: circuits, shared circuits, settings, the control in the load calculation.

Published: the table of 125 % (checks of charging, each line 1.25 times the current and the next standard size), lesson question 1534
on 625.42 (three chargers on one circuit), an examination question on a 32 A charger, the 2026 example D.15 (29,040 VA, 121 A, 71 A
without the charger). What is not named is arithmetic on the rules, written beside the number.
"""

from __future__ import annotations

import pytest

from tests.charging_homes import charger, conductor, control, disconnect, evidence, home, load, site_file, study, vehicle
from workbook_lib import editions
from workbook_lib.errors import InputFault
from workbook_lib.home import read_home
from workbook_lib.workbooks import ev_load_management, service_load

YEARS = ("2017", "2020", "2023", "2026")
NO, FREE, ASKED = "fail, not counted", "not applicable", "needs input"
GENERAL_VA = {"2017": 5100, "2020": 5100, "2023": 5100, "2026": 4575}
"""1,500 ft^2 at 3 VA/ft^2, in 2026 at 2, and three circuits of 1,500 VA, by the standard method: 3,000 VA whole, the rest at 35 %.

3,000 + 0.35 (4,500 + 4,500 - 3,000) = 5,100; 3,000 + 0.35 (3,000 + 4,500 - 3,000) = 4,575.
"""


def rest(year: str, total_va: float) -> str:
    """A load that was calculated before, so that everything but the chargers is a total."""
    return load(f'kind = "calculated"\nrating = "{total_va - GENERAL_VA[year]:g} VA"')


def number(sheet, key: str) -> float:
    return sheet.results[key].value


def verdict(sheet, key: str) -> str:
    check = sheet.check(key)
    return str(check.verdict) if check.counts else f"{check.verdict}, not counted"


def answer(sheet, key: str) -> tuple[float, float, str]:
    """What is provided, what is required, and the verdict."""
    check = sheet.check(key)
    return pytest.approx(check.provided.value), pytest.approx(check.required.value), verdict(sheet, key)


def keys(sheet) -> set[str]:
    return {check.key for check in sheet.checks}


# the circuit

TABLE = [  # current, published breaker, the next smaller standard size
    *((12, 15, 10), (16, 20, 15), (20, 25, 20), (24, 30, 25), (28, 35, 30), (30, 40, 35), (32, 40, 35), (33, 45, 40), (36, 45, 40)),
    *((40, 50, 45), (44, 60, 50), (48, 60, 50), (50, 70, 60), (64, 80, 70), (72, 90, 80), (80, 100, 90)),
]


@pytest.mark.parametrize("amperes,breaker,smaller", TABLE)
def test_the_published_table_of_125_percent_and_one_size_too_small(tmp_path, amperes, breaker, smaller):
    """33 A: 41.25, so 45; 44 A: 55, so 60; 50 A: 62.5, so 70. The other way round a breaker carries 80 % of itself."""
    for size, expected in ((breaker, "pass"), (smaller, "fail")):
        sheet = study(tmp_path, charger(f'rating = "{amperes} A"'), circuits=f"circuit {size} A")
        assert number(sheet, "circuit_overcurrent_a:car") == breaker
        assert number(sheet, "largest_evse_a:circuit") == pytest.approx(0.8 * size)
        assert answer(sheet, "evse-circuit:car") == (size, 1.25 * amperes, expected)
        assert expected == "fail" or "conductor of car, which stands already: not given" in sheet.not_checked


@pytest.mark.parametrize("year", YEARS)
def test_the_circuit_of_the_examination_question(tmp_path, year):
    """32 A: 7.68 kW, a 40 A breaker, 8 AWG copper or 6 AWG aluminium at 75 degC (50 A each, of 40 A)."""
    for wire in (conductor("8"), conductor("6", "Al")):
        sheet = study(tmp_path, charger(f'rating = "32 A"\nstatus = "added"\n{wire}'), circuits="circuit 40 A", edition=year)
        assert answer(sheet, "evse-circuit:car") == (40, 40, "pass")
        assert "50.0 >= 40.0 A" in sheet.check("evse-circuit:car").note
        assert (number(sheet, "code_load_va:car"), verdict(sheet, "evse-setting:car")) == (7680, FREE)


@pytest.mark.parametrize(
    "size,amperes,breaker,expected",
    [
        ("6", 48, 60, "pass"),  # 65 A of 1.25 x 48 = 60
        ("8", 48, 60, "fail"),  # 50 A of 60
        ("8", 40, 50, "pass"),  # 50 A of 1.25 x 40 = 50
        ("8", 32, 60, "fail"),  # 50 A of 40, but no 60 A device protects it
        ("10", 24, 30, "pass"),  # 35 A of 1.25 x 24 = 30, a device of at most 30 A
        ("10", 28, 35, "fail"),  # 35 A of 1.25 x 28 = 35, and again a device of at most 30 A
    ],
)
def test_the_conductor_carries_125_percent_and_is_protected(tmp_path, size, amperes, breaker, expected):
    """Copper at 75 degC by Table 310.16: 10 AWG 35 A, 8 AWG 50 A, 6 AWG 65 A; 10 AWG is protected at 30 A (240.4(D))."""
    sheet = study(tmp_path, charger(f'rating = "{amperes} A"\nstatus = "added"\n{conductor(size)}'), circuits=f"circuit {breaker} A")
    assert verdict(sheet, "evse-circuit:car") == expected


def test_what_the_circuit_needs_is_asked_for_by_its_field(tmp_path):
    sheet = study(tmp_path, charger('status = "added"'))
    assert (verdict(sheet, "evse-circuit:car"), sheet.check("evse-circuit:car").fields) == (ASKED, ("evse.car.conductor",))
    assert verdict(study(tmp_path, charger('status = "added"'), circuits="circuit 60 A"), "evse-circuit:car") == "fail", "60 of 62.5 A"
    part = study(tmp_path, charger('conductor = { size = "4", material = "Cu" }'))
    assert part.check("evse-circuit:car").fields == ("evse.car.conductor.insulation", "evse.car.conductor.raceway")
    sheet = study(tmp_path, charger(), circuits="circuit -")
    assert sheet.check("evse-circuit:car").fields == ("panel.main.breakers.circuit.rating",)
    assert number(sheet, "circuit_overcurrent_a:car") == 70, "1.25 x 50 = 62.5"
    assert "largest_evse_a:circuit" not in sheet.results
    assert study(tmp_path, charger(without=("rating",))).check("evse-circuit:car").fields == ("evse.car.rating",)
    assert verdict(study(tmp_path, charger(without=("voltage",)), circuits="circuit 70 A"), "evse-circuit:car") == "pass"


# chargers that share a circuit

NAMES = ("left", "middle", "right")
THREE = [charger('rating = "30 A"', name=name) for name in NAMES]


def sharer(lines: str = "", setting: str = "80 A", holds: tuple[str, ...] = NAMES) -> str:
    return control(lines, name="sharer", at="circuit", setting=setting, holds=holds)


def table_of(sheet) -> list[tuple]:
    return [row for section in sheet.sections if section.heading == "Sharing on circuit" for row in section.table.rows]


@pytest.mark.parametrize("year", YEARS)
def test_three_chargers_on_100_a_by_lesson_question_1534(tmp_path, year):
    """100 / 1.25 = 80 A: one active 30, two 30 and 30, three 26.7 each."""
    sheet = study(tmp_path, *THREE, sharer(), circuits="circuit 100 A", edition=year)
    assert number(sheet, "largest_evse_a:circuit") == pytest.approx(80)
    assert [round(number(sheet, f"share_a:circuit:{count}"), 1) for count in (1, 2, 3)] == [30, 30, 26.7]
    assert answer(sheet, "shared-circuit:circuit") == (80, 80, "pass")
    assert table_of(sheet) == [(1, 30, "-", "-"), (2, 30, 30, "-"), (3, 26.67, 26.67, 26.67)]
    assert {verdict(sheet, f"evse-own-circuit:{name}") for name in NAMES} == {"pass"}


def test_without_a_listed_restricted_control_of_all_the_ratings_add_up(tmp_path):
    """3 x 30 = 90 A of 80. The last control looks at the service, not at the circuit."""
    none = ("", sharer("listed_to = []"), sharer('access = "user"'), sharer(holds=NAMES[:2]), sharer('status = "removed"'))
    for held_by in (*none, control(holds=NAMES)):
        sheet = study(tmp_path, *THREE, held_by, circuits="circuit 100 A")
        assert answer(sheet, "shared-circuit:circuit") == (90, 80, "fail")
        assert "share_a:circuit:3" not in sheet.results


def test_a_setting_below_and_above_what_the_circuit_carries(tmp_path):
    low = study(tmp_path, *THREE, sharer(setting="60 A"), circuits="circuit 100 A")
    assert [number(low, f"share_a:circuit:{count}") for count in (1, 2, 3)] == [30, 30, pytest.approx(60 / 3)]
    assert answer(low, "shared-circuit:circuit") == (60, 80, "pass")
    high = study(tmp_path, *THREE, sharer(setting="85 A"), circuits="circuit 100 A")
    assert answer(high, "shared-circuit:circuit") == (85, 80, "fail")
    none = study(tmp_path, *THREE, sharer('limit = [{ at = "circuit", way = "import" }]'), circuits="circuit 100 A")
    assert none.check("shared-circuit:circuit").fields == ("control.sharer.limit.setting",)


@pytest.mark.parametrize("way", ["priority", "first-come"])
def test_filling_in_order_and_the_pause_of_the_last(tmp_path, way):
    """80 A for three of 30: 30, 30, 20. 48 A (a 60 A breaker) for 44 and 30: 44, and 4 A are no pilot. Equal: 24 and 24."""
    sheet = study(tmp_path, *THREE, sharer(f'sharing = "{way}"'), circuits="circuit 100 A")
    assert table_of(sheet) == [(1, 30, "-", "-"), (2, 30, 30, "-"), (3, 30, 30, 20)]
    assert number(sheet, "share_a:circuit:3") == pytest.approx(20)
    two = [charger('rating = "44 A"', name="left"), charger('rating = "30 A"', name="right")]
    for rule, both in ((way, (2, 44, 0)), ("equal", (2, 24, 24))):
        one = sharer(f'sharing = "{rule}"', "48 A", ("left", "right"))
        assert table_of(study(tmp_path, *two, one, circuits="circuit 60 A")) == [(1, 44, "-"), both]


def test_an_unknown_rating_or_device_is_asked_for(tmp_path):
    sheet = study(tmp_path, *THREE[:2], charger(name="right", without=("rating",)), sharer(), circuits="circuit 100 A")
    assert sheet.check("shared-circuit:circuit").fields == ("evse.right.rating",)
    assert verdict(sheet, "evse-circuit:left") == "pass"
    assert verdict(study(tmp_path, *THREE, sharer(), circuits="circuit -"), "shared-circuit:circuit") == ASKED


# adjusted settings and the load of a charger

SET = 'rating = "48 A"\nsetting = "24 A"\nsetting_access = "restricted"\nrelabelled = true'


@pytest.mark.parametrize(
    "year,verdicts",
    [
        ("2017", [NO] * 4),
        ("2020", ["pass", NO, "fail", NO]),
        ("2023", ["pass", NO, "fail", "pass"]),
        ("2026", ["pass", NO, "fail", "pass"]),
    ],
)
def test_whose_setting_stands_for_the_nameplate(tmp_path, year, verdicts):
    """Restricted, by the user, not on the label, plugged in: 2017 has no such rule, 2020 takes fixed equipment, from 2023 on any.

    The circuit is 1.25 x 24 = 30 or 1.25 x 48 = 60 A.
    """
    lines = [SET, SET.replace("restricted", "user"), SET.replace("true", "false"), f'{SET}\nconnection = "receptacle"\nreceptacle = "50 A"']
    sheets = [study(tmp_path, charger(one), circuits="circuit 60 A", edition=year) for one in lines]
    assert [verdict(sheet, "evse-setting:car") for sheet in sheets] == verdicts
    assert number(sheets[0], "circuit_overcurrent_a:car") == (60 if year == "2017" else 30)
    assert number(sheets[1], "circuit_overcurrent_a:car") == 60
    small = [study(tmp_path, charger(one), circuits="circuit 30 A", edition=year) for one in lines[:2]]
    assert [verdict(sheet, "evse-circuit:car") for sheet in small] == ["fail" if year == "2017" else "pass", "fail"]


@pytest.mark.parametrize(
    "lines,loads_va",
    [
        *(('rating = "16 A"', (3840, 3840, 7200, 3840)), (SET, (11520, 5760, 7200, 5760))),
        *(('rating = "48 A"', (11520,) * 4), (SET.replace("restricted", "user"), (11520,) * 4)),
        ('rating = "48 A"\nsetting = "24 A"', (11520,) * 4),  # who can change it is not said
    ],
)
def test_the_load_of_a_charger_by_edition_with_both_verdicts(tmp_path, lines, loads_va):
    """16 A 3,840 VA, 24 A 5,760, 48 A 11,520; 2023 has a floor of 7,200. On 100 A beside 15,600 VA all but 11,520 (113 A) fit."""
    for year, load_va in zip(YEARS, loads_va, strict=True):
        sheet = study(tmp_path, charger(lines), rest(year, 15600), edition=year)
        assert number(sheet, "code_load_va:car") == load_va
        expected = "fail" if load_va == 11520 else "pass"
        assert answer(sheet, "service-capacity") == ((15600 + load_va) / 240, 100, expected)


@pytest.mark.parametrize("amperes,total_a,expected", [(48, 110.5, "fail"), (30, 92.5, "pass"), (24, 86.5, "pass")])
def test_beside_a_measured_demand(tmp_path, amperes, total_a, expected):
    """12.0 kW in a quarter hour: 1.25 x 12,000 / 240 = 62.5 A, and the charger."""
    letter = '[records]\nmaximum_demand = "12 kW"\npower_factor = 1.0\ndemand_interval = "15 min"\ndemand_days = 365\n'
    letter += 'generation = "none"\noccupied = true\nseasonal_missing = []\n'
    sheet = study(tmp_path, charger(f'rating = "{amperes} A"\nstatus = "added"'), letter, method="measured", edition="2020")
    assert answer(sheet, "service-capacity") == (total_a, 100, expected)


# the control in the load calculation: 17,040 VA (71 A) and a 50 A charger of 12,000 VA are 29,040 VA, 121 A, on 100 A


def held(folder, lines: str = "", *, car: str = "", year: str = "2026", setting: str = "80 A", more: str = "", service: str = ""):
    blocks = (charger(car), rest(year, 17040), control(lines, setting=setting), more)
    return study(folder, *blocks, edition=year, lines=service)


@pytest.mark.parametrize("action", ["modulate", "shed"])
@pytest.mark.parametrize(
    "year,lines,counts",
    [
        *(("2017", "", False), ("2020", "", False), ("2023", "", True), ("2026", "", True)),
        *(("2023", 'listed_to = ["UL 916"]', True), ("2026", 'listed_to = ["UL 916"]', False)),
        *(("2023", "listed_to = []", False), ("2026", "listed_to = []", False), ("2026", 'listed_to = ["UL 916", "UL 3141"]', True)),
        *(("2023", 'access = "user"', False), ("2026", 'access = "user"', False)),
    ],
)
def test_what_a_control_of_100_a_counts_for(tmp_path, year, lines, counts, action):
    """No rule in 2017 and 2020, any listing for the function in 2023, a power control system in 2026; an app never counts."""
    sheet = held(tmp_path, f'{lines}\naction = "{action}"', year=year)
    assert number(sheet, "uncontrolled_service_a") == pytest.approx(29040 / 240) == 121
    assert number(sheet, "controlled_service_a") == pytest.approx(80 if counts else 121)
    expected = "pass" if counts else "fail"
    assert answer(sheet, "control-setting:limiter") == (17040 / 240, 80, expected)
    assert verdict(sheet, "service-capacity") == expected
    assert ("control-continuous" in keys(sheet)) is counts


def test_the_annex_example_by_the_optional_method(tmp_path):
    """2 x 1,500 + 4,500 = 7,500 VA within the first 8,000, 9,540 VA calculated, 12,000 VA outside the tier: 29,040 VA."""
    blocks = (charger(), load('kind = "calculated"\nrating = "9540 VA"'), control())
    sheet = study(tmp_path, *blocks, edition="2026", method="optional-dwelling")
    assert number(sheet, "uncontrolled_service_a") == pytest.approx((7500 + 9540 + 12000) / 240) == 121
    assert number(sheet, "controlled_service_a") == pytest.approx(80)
    assert answer(sheet, "control-setting:limiter") == ((7500 + 9540) / 240, 80, "pass")


@pytest.mark.parametrize(
    "least,setting,stays_a,expected",
    [("0 A", "71 A", 71, "pass"), ("0 A", "70 A", 71, "fail"), ("6 A", "77 A", 77, "pass"), ("10 A", "80 A", 81, "fail")],
)
def test_a_setting_is_not_below_what_stays_on(tmp_path, least, setting, stays_a, expected):
    sheet = held(tmp_path, car=f'minimum_current = "{least}"', setting=setting)
    assert answer(sheet, "control-setting:limiter") == (stays_a, float(setting[:2]), expected)
    assert verdict(sheet, "service-capacity") == expected


def test_a_control_that_is_not_needed_or_not_known(tmp_path):
    """10,000 + 12,000 VA are 91.7 A: the load passes without the control, whatever it is listed to."""
    sheet = study(tmp_path, charger(), rest("2026", 10000), control("listed_to = []"), edition="2026")
    assert verdict(sheet, "control-setting:limiter") == "judgement, not counted"
    assert number(sheet, "controlled_service_a") == pytest.approx(22000 / 240)
    check = held(tmp_path, 'limit = [{ at = "service", way = "import" }]').check("control-setting:limiter")
    assert (str(check.verdict), check.fields) == ("needs input", ("control.limiter.limit.setting",))
    sheet = study(tmp_path, charger(without=("minimum_current",)), rest("2026", 17040), control(), edition="2026")
    assert sheet.check("control-setting:limiter").fields == ("evse.car.minimum_current",)


@pytest.mark.parametrize("workbook", [service_load.study, ev_load_management.verdict_study])
def test_of_two_controls_of_the_service_the_lower_setting_is_the_continuous_load(tmp_path, workbook):
    second = control(setting="78 A", name="second")
    one = home(tmp_path, charger(), rest("2026", 17040), control(setting="80 A"), second, edition="2026")
    sheet = workbook(one, editions.load("2026"))
    found = [check.key for check in sheet.checks]
    assert len(found) == len(set(found))
    assert {"control-setting:limiter", "control-setting:second"} <= set(found)
    assert answer(sheet, "control-continuous") == (pytest.approx(1.25 * 78), 100, "pass")


@pytest.mark.parametrize("setting,needed_a,expected", [("80 A", 100, "pass"), ("81 A", 101.25, "fail")])
def test_a_credited_setting_is_a_continuous_load(tmp_path, setting, needed_a, expected):
    sheet = held(tmp_path, setting=setting)
    assert answer(sheet, "control-continuous") == (needed_a, 100, expected)
    assert number(sheet, "controlled_service_a") == pytest.approx(float(setting[:2]))
    assert "control-continuous" in keys(held(tmp_path, setting=setting, service="hundred_percent_rated = false"))
    sheet = held(tmp_path, setting="100 A", service="hundred_percent_rated = true")
    assert "control-continuous" not in keys(sheet)
    assert verdict(sheet, "service-capacity") == "pass"


@pytest.mark.parametrize("fallback,expected", [(0, "pass"), (6, "pass"), (29, "pass"), (30, "fail")])
def test_a_lost_sensor_leaves_71_a_and_the_fallback(tmp_path, fallback, expected):
    sheet = held(tmp_path, car=f'fallback_current = "{fallback} A"')
    assert answer(sheet, "control-fallback:limiter") == (71 + fallback, 100, expected)


def test_fallbacks_of_two_chargers_add_up_and_one_that_is_not_known_is_asked_for(tmp_path):
    """71 + 15 + 15 = 101 A."""
    two = [charger('fallback_current = "15 A"', name=name, on=f"to-{name}") for name in ("a", "b")]
    given = {"edition": "2026", "circuits": "to-a 70 A, to-b 70 A"}
    sheet = study(tmp_path, *two, rest("2026", 17040), control(holds=("a", "b")), **given)
    assert answer(sheet, "control-fallback:limiter") == (101, 100, "fail")
    unknown = charger(name="b", on="to-b", without=("fallback_current",))
    sheet = study(tmp_path, two[0], unknown, rest("2026", 17040), control(holds=("a", "b")), **given)
    assert sheet.check("control-fallback:limiter").fields == ("evse.b.fallback_current",)


def test_a_malfunction_by_edition(tmp_path):
    """750.30(C)(2) of 2023 wants the current to stop; no such rule was read in the others."""
    for fallback, in_2023 in (("0 A", "pass"), ("6 A", "judgement")):
        sheets = [held(tmp_path, car=f'fallback_current = "{fallback}"', year=year) for year in YEARS]
        assert [verdict(sheet, "control-malfunction:limiter") for sheet in sheets] == [FREE, FREE, in_2023, FREE]


def test_a_written_decision_of_the_authority_closes_what_it_names(tmp_path):
    decided = 'document = "decision.pdf"\ndate = 2026-01-02\nby = "the department"'
    for lines, expected in ((decided, "pass"), ("", "judgement")):
        more = evidence("control-malfunction:limiter", "authority-decision", lines)
        sheet = held(tmp_path, car='fallback_current = "6 A"', year="2023", more=more)
        assert verdict(sheet, "control-malfunction:limiter") == expected
    more = evidence("control-setting:limiter", "authority-decision", decided)
    for lines, expected in (("", "pass"), ("listed_to = []", "fail")):  # a decision on the rule lists no control
        assert verdict(held(tmp_path, lines, year="2020", more=more), "service-capacity") == expected
    sheet = study(tmp_path, charger(without=("fallback_current",)), control())
    assert sheet.check("control-malfunction:limiter").fields == ("evse.car.fallback_current",)


# receptacle, own circuit, disconnect


@pytest.mark.parametrize(
    "receptacle,amperes,circuit,verdicts",
    [
        *(("30 A", 24, 30, ("pass",) * 4), ("50 A", 40, 50, ("pass",) * 4), ("50 A", 32, 40, ("pass",) * 4)),
        ("60 A", 48, 60, ("fail", "fail", "fail", "pass")),  # 2026 takes 60 A
        ("30 A", 32, 40, ("fail",) * 4),  # 1.25 x 32 = 40
        ("50 A", 40, 60, ("fail",) * 4),  # a single receptacle has at least the rating of its circuit
        ("40 A", 32, 40, ("fail",) * 4),  # there is none of 40 A
    ],
)
def test_the_receptacle_by_edition(tmp_path, receptacle, amperes, circuit, verdicts):
    car = f'rating = "{amperes} A"\nconnection = "receptacle"\nreceptacle = "{receptacle}"'
    sheets = [study(tmp_path, charger(car), circuits=f"circuit {circuit} A", edition=year) for year in YEARS]
    assert tuple(verdict(sheet, "evse-receptacle:car") for sheet in sheets) == verdicts
    assert {verdict(sheet, "evse-disconnect:car") for sheet in sheets} == {FREE}, "its plug"


def test_a_receptacle_that_is_not_given_and_none(tmp_path):
    assert study(tmp_path, charger('connection = "receptacle"')).check("evse-receptacle:car").fields == ("evse.car.receptacle",)
    assert {verdict(study(tmp_path, charger(without=one)), "evse-receptacle:car") for one in ((), ("connection",))} == {FREE}


@pytest.mark.parametrize("amperes,breaker", [("50 A", "70 A"), ("16 A", "20 A")])
def test_a_charger_above_16_a_or_120_v_has_a_circuit_of_its_own(tmp_path, amperes, breaker):
    car = charger(f'rating = "{amperes}"')
    beside = 'connected_to = "circuit"'
    for other, expected in (("", "pass"), (load(), "pass"), (load(beside), "fail"), (load(f'{beside}\nstatus = "removed"'), "pass")):
        assert verdict(study(tmp_path, car, other, circuits=f"circuit {breaker}"), "evse-own-circuit:car") == expected


def test_a_small_charger_of_120_v_may_share_its_circuit(tmp_path):
    car = charger('rating = "12 A"\nvoltage = "120 V"')
    sheet = study(tmp_path, car, load('connected_to = "circuit"\nvoltage = "120 V"'), circuits="circuit 15 A 1-pole")
    assert verdict(sheet, "evse-own-circuit:car") == FREE
    assert answer(sheet, "evse-circuit:car") == (15, 15, "pass")


@pytest.mark.parametrize(
    "amperes,switch,verdicts",
    [
        *(("48 A", "", [FREE] * 3 + [ASKED]), ("80 A", "", [ASKED] * 4)),
        *(("48 A", disconnect("lockable = true"), [FREE] * 3 + ["pass"]), ("80 A", disconnect("lockable = true"), ["pass"] * 4)),
        *(("60 A", disconnect("lockable = false"), [FREE] * 3 + ["fail"]), ("80 A", disconnect("lockable = false"), ["fail"] * 4)),
        ("80 A", disconnect("lockable = true", of="heater"), [ASKED] * 4),
        ("80 A", disconnect('lockable = true\nstatus = "removed"'), [ASKED] * 4),
    ],
)
def test_the_disconnect_by_edition(tmp_path, amperes, switch, verdicts):
    """To 2023 above 60 A, in 2026 for every unit that is wired fast; lockable and in sight. A plug is one: see the receptacle."""
    car = charger(f'rating = "{amperes}"')
    sheets = [study(tmp_path, car, load(), switch, circuits="circuit 100 A", edition=year) for year in YEARS]
    assert [verdict(sheet, "evse-disconnect:car") for sheet in sheets] == verdicts


def test_a_connection_that_is_not_stated_leaves_the_disconnect_of_2026_to_the_engineer(tmp_path):
    car = charger('rating = "48 A"', without=("connection",))
    verdicts = [verdict(study(tmp_path, car, circuits="circuit 60 A", edition=year), "evse-disconnect:car") for year in YEARS]
    assert verdicts == [FREE] * 3 + ["judgement, not counted"]


# the record that is handed over with a control

FILED = 'model = "C-1"\ndata_sheet = "c-1.pdf"\nsensor_at = "ahead of the main"\nsensor_ratio = "200:1"\n'
FILED += 'settings_held_by = "installer"\nlost_after = "10 s"'


@pytest.mark.parametrize(
    "blocks,count",
    [
        ([charger(), control()], 8),  # model, data sheet, place and ratio of sensors, lost after, who holds, shown, test
        ([charger(without=("minimum_current", "fallback_current")), control()], 10),
        ([charger(), control("listed_to = []", without=("access",))], 10),
        *(([charger(), control(FILED)], 2), ([charger(), control(FILED), evidence("limiter", "access-restricted")], 1)),
        ([charger(), control(FILED), evidence("limiter", "access-restricted"), evidence("limiter", "commissioned")], 0),
        ([charger(), control(FILED), evidence("car", "access-restricted"), evidence("car", "commissioned")], 2),
    ],
)
def test_the_open_lines_of_the_record_are_counted(tmp_path, blocks, count):
    section = next(one for one in study(tmp_path, *blocks).sections if one.heading == "What is handed over with limiter")
    assert len(section.table.rows) == 15
    assert sum(value == "open" for _, value in section.table.rows) == count
    assert section.prose.startswith(f"{count} of 15 lines are open" if count else "Every line is filled")


# bad input

TWO_HOURS = 'running_power = "1 kW"\ndaily_from = "23:00"\ndaily_until = "01:00"'


@pytest.mark.parametrize(
    "blocks,field,what",
    [
        ([charger(), control(setting="101 A")], "control.limiter.limit.0.setting", "above the service"),
        ([charger('setting = "51 A"')], "evse.car.setting", "above its rating"),
        ([charger('minimum_current = "51 A"')], "evse.car.minimum_current", "above its rating"),
        ([charger('setting = "24 A"\nminimum_current = "25 A"')], "evse.car.minimum_current", "above its setting"),
        ([charger('fallback_current = "51 A"')], "evse.car.fallback_current", "above its rating"),
        ([charger(), vehicle('depart = "18:00"')], "vehicle.0.depart", "same moment"),
        ([charger(), vehicle('battery_energy = "9 kWh"')], "vehicle.0.need_per_night", "than its battery"),
        *(([charger(), vehicle(), vehicle()], "vehicle.1.evse", "two"), ([charger(), vehicle(at="nobody")], "vehicle.0.evse", "unknown")),
        *(
            ([load('daily_from = "10:00"')], "load.heater.daily_from", "half"),
            ([load('daily_until = "10:00"')], "load.heater.daily_until", "half"),
        ),
        ([charger(), load('running_power = "1 kW"\ndaily_energy = "25 kWh"')], "load.heater.daily_energy", "running power"),
        ([charger(), load(f'{TWO_HOURS}\ndaily_energy = "2.1 kWh"')], "load.heater.daily_energy", "running power"),
        ([charger(), control('action = "pause"')], "control.limiter.action", "unknown value"),
        ([charger(), control('sharing = "fair"')], "control.limiter.sharing", "unknown value"),
        ([charger('connection = "plug"')], "evse.car.connection", "unknown value"),
        ([charger(), vehicle('plugged_in_on = ["Mon", "Sonday"]')], "vehicle.0.plugged_in_on", "unknown value"),
    ],
)
def test_a_contradiction_is_one_fault_with_its_field(tmp_path, blocks, field, what):
    with pytest.raises(InputFault) as caught:
        home(tmp_path, *blocks)
    (fault,) = caught.value.faults
    assert (fault.field, what in fault.what, fault.line is None) == (field, True, False)


def test_what_is_just_within_is_no_fault(tmp_path):
    car = charger('setting = "24 A"\nminimum_current = "24 A"\nfallback_current = "50 A"')
    assert home(tmp_path, car, control(setting="100 A"), vehicle('battery_energy = "10 kWh"'), load(f'{TWO_HOURS}\ndaily_energy = "2 kWh"'))


def test_every_fault_is_told_at_once(tmp_path):
    car = charger('minimum_current = "51 A"\nfallback_current = "51 A"')
    with pytest.raises(InputFault) as caught:
        home(tmp_path, car, vehicle('depart = "18:00"\nbattery_energy = "9 kWh"'), control('action = "pause"', setting="101 A"))
    assert {fault.field for fault in caught.value.faults} == {
        *("evse.car.minimum_current", "evse.car.fallback_current", "vehicle.0.depart", "vehicle.0.need_per_night"),
        *("control.limiter.action", "control.limiter.limit.0.setting"),
    }


@pytest.mark.parametrize("changed", [{"control.limiter.limit.0.setting": "101 A"}, {"service.rating": "70 A"}])
def test_a_what_if_of_a_setting_above_the_service_is_left_to_the_checks(tmp_path, changed):
    """101 A of 100, 80 A of 70: the controlled load, 29,040 VA at most the setting, is above the service."""
    one = read_home(site_file(tmp_path, charger(), rest("2023", 17040), control()), changed)
    sheet = ev_load_management.verdict_study(one, editions.load("2023"))
    assert answer(sheet, "service-capacity") == ((80, 70, "fail") if "service.rating" in changed else (101, 100, "fail"))
    assert verdict(sheet, "control-continuous") == "fail"


def test_a_home_without_a_charger_is_not_asked(tmp_path):
    for one in ("", charger('status = "removed"'), load()):
        sheet = study(tmp_path, one)
        assert (keys(sheet), str(sheet.verdict), dict(sheet.results)) == ({"vehicle-need"}, FREE, {})


def test_a_need_that_is_not_stated_is_asked_for_only_where_something_holds_the_charger_back(tmp_path):
    assert verdict(study(tmp_path, charger()), "vehicle-need:car") == FREE
    house = load('daily_energy = "1 kWh"')
    fields = study(tmp_path, charger(), control(), house).check("vehicle-need:car").fields
    assert fields == ("vehicle (a row with evse = car, need_per_night, arrive, depart)",)
    half = vehicle(without=("need_per_night", "depart"))
    for blocks in ([charger(), half], [charger(), control(), house, half]):
        assert study(tmp_path, *blocks).check("vehicle-need:car").fields == ("vehicle.0.need_per_night", "vehicle.0.depart")
    sheet = study(tmp_path, charger(), control())
    assert {"records.load.file", "dwelling.always_on_power"} <= set(sheet.check("vehicle-need:car").fields)
    assert verdict(sheet, "control-holds:limiter") == ASKED
