"""Permission to back up, legs, motor starts and the islanding device, on the example home with storage and on cases of the trade.

T14 and T15 (recurring mistakes): 47.5 A against a 48 A charger and a calculated 150 A; 77 A locked rotor, 27 A with a soft starter
beside 15 A, surge 30 A. Locked-rotor current: Tables 430.7(B) and 430.251(A). The usable energy: handbook arithmetic.
"""

from __future__ import annotations

import math
from pathlib import Path
from types import SimpleNamespace

import pytest

from tests.test_ties_connections import ARRAY, written
from workbook_lib import editions
from workbook_lib.errors import MissingInput
from workbook_lib.home import read_home
from workbook_lib.rules import energy, motor_start, standby
from workbook_lib.sheet import Input, Step, Verdict
from workbook_lib.workbooks import backup_motors, backup_power
from workbook_lib.workbooks.backup_work import Work, find_scope

YEARS = editions.YEARS


def a(name: str, value, unit: str | None = "A") -> Input:
    return Input(name, name, value, unit)


def amperes(name: str, value: float) -> Step:
    return Step(name, "I", name, "given", {"given": a(name, value)}, value, "A")


# the rule of each edition, T14

T14 = [  # capacity 47.5 A; largest load, calculated load, setting (None: no control), verdict of the test that the edition relies on
    ("2017", 48.0, 150.0, None, "backup-largest-load", "fail"),
    ("2020", 48.0, 150.0, None, "backup-largest-load", "fail"),
    ("2020", 40.0, 150.0, None, "backup-largest-load", "pass"),
    ("2023", 40.0, 150.0, None, "backup-full-load", "fail"),
    ("2023", 48.0, 150.0, 47.5, "backup-managed", "pass"),
    ("2023", 48.0, 150.0, 50.0, "backup-full-load", "fail"),
    ("2023", 40.0, 45.0, None, "backup-full-load", "pass"),
    ("2026", 48.0, 150.0, 47.5, "backup-managed", "pass"),
]


@pytest.mark.parametrize("year,largest,load,setting,key,expected", T14)
def test_which_rule_permits_a_whole_home_by_edition(year, largest, load, setting, key, expected):
    edition = editions.load(year)
    capacity = amperes("capacity", 47.5)
    managed = standby.managed_load(
        capacity, a("setting", setting) if setting else None, amperes("rest", 30.0 if setting else load), "why", edition
    )
    checks = {
        "backup-largest-load": standby.largest_load(capacity, amperes("largest", largest), edition),
        "backup-full-load": standby.full_load(capacity, amperes("load", load), edition),
        "backup-managed": managed,
    }
    found, words, verdict = standby.chosen(edition, None, checks, listed=False)
    assert (found, str(checks[found].verdict), verdict) == (key, expected, None), words


def test_what_a_control_does_not_shed_counts_in_full():
    check = standby.managed_load(amperes("capacity", 47.5), a("setting", 40.0), amperes("rest", 60.0), "", editions.load("2023"))
    assert (check.required.value, str(check.verdict)) == (60.0, "fail")


def test_arrays_count_by_the_letter_of_2017_alone():
    """RS8, derived: storage 30 A and an array of 20 A, largest load 48 A: 50 A by the letter of 2017, 30 A by the note of 2020."""
    largest, storage, both = amperes("largest", 48.0), amperes("capacity", 30.0), amperes("both", 50.0)
    found = {year: standby.largest_load(storage, largest, editions.load(year), literal=both) for year in ("2017", "2020")}
    assert [str(check.verdict) for check in found.values()] == ["judgement", "fail"]
    assert all("50.0 A" in check.note for check in found.values())
    assert str(standby.largest_load(storage, largest, editions.load("2017")).verdict) == "fail"


def test_710_alone_never_permits_from_2023_on_and_702_may_be_asked_before():
    for year, local, key, verdict in (
        ("2023", "710", "backup-largest-load", Verdict.JUDGEMENT),
        ("2023", "705.80", "backup-full-load", Verdict.JUDGEMENT),
        ("2020", "702", "backup-full-load", None),
    ):
        edition = editions.load(year)
        checks = {
            "backup-largest-load": standby.largest_load(amperes("capacity", 50.0), amperes("largest", 40.0), edition),
            "backup-full-load": standby.full_load(amperes("capacity", 50.0), amperes("load", 90.0), edition),
        }
        found, _, given = standby.chosen(edition, a("rule.backup_capacity", local, None), checks, listed=False)
        assert (found, given) == (key, verdict)


@pytest.mark.parametrize(
    "year,mode,expected", [("2023", "automatic", "not applicable"), ("2026", "automatic", "fail"), ("2026", "manual", "pass")]
)
def test_a_control_that_stands_for_the_load_restarts_by_hand_in_2026(year, mode, expected):
    source = SimpleNamespace(id="one", island=SimpleNamespace(restart=a("restart", mode, None)))
    assert str(standby.restart([source], editions.load(year), relied=True).verdict) == expected


# motor start, T15


def motor(**given) -> SimpleNamespace:
    names = ("soft_start_current", "locked_rotor_current", "locked_rotor_code", "motor_power", "starting_power")
    return SimpleNamespace(id="unit", **{name: given.get(name) for name in names})


LINE = a("voltage", 240.0, "V")


@pytest.mark.parametrize("start,other,expected", [(77.0, 15.0, "fail"), (27.0, 0.0, "pass"), (27.0, 15.0, "fail"), (27.0, 3.0, "pass")])
def test_a_start_counts_beside_what_else_runs(start, other, expected):
    check, both = motor_start.start_check("unit", amperes("start", start), amperes("other", other), amperes("peak", 30.0), "")
    assert (str(check.verdict), both.value) == (expected, start + other)


def test_starting_current_by_soft_starter_plate_letter_and_table():
    edition = editions.load("2023")
    locked = a("locked", 77.0)
    assert motor_start.starting_current(motor(locked_rotor_current=locked), LINE, edition) is locked
    assert motor_start.starting_current(motor(locked_rotor_current=locked, soft_start_current=a("soft", 27.0)), LINE, edition).value == 27
    # 5 hp, letter G, upper end 6.29 kVA a horsepower at 240 V: 131.0 A
    five = a("power", 5.0, "hp")
    by_letter = motor_start.starting_current(motor(locked_rotor_code=a("letter", "G", None), motor_power=five), LINE, edition)
    assert by_letter.value == pytest.approx(131.0, abs=0.05)
    # Table 430.251(A): 1/2 hp 29.4 A at 230 V, 58.8 A at 115 V
    half = motor(motor_power=a("power", 0.5, "hp"))
    assert motor_start.starting_current(half, LINE, edition).value == pytest.approx(29.4)
    assert motor_start.starting_current(half, a("voltage", 120.0, "V"), edition).value == pytest.approx(58.8)
    lettered = motor(motor_power=a("hp", 7.5, "hp"), locked_rotor_code=a("code", "J", None))
    printed = motor_start.starting_current(lettered, a("voltage", 220.0, "V"), edition).value / math.sqrt(3)
    assert printed == pytest.approx(157.26, abs=0.01), "Kosow, example 12.17 (p. 442), upper end on three phases"
    with pytest.raises(MissingInput, match="no factor stands for it"):
        motor_start.starting_current(motor(), LINE, edition)


# energy


def test_usable_energy_follows_the_worked_chain():
    """27 kWh x 0.9 x 0.85, one way the root of 0.85: 19.0 kWh, 15.9 h at 1.2 kW."""
    item = SimpleNamespace(
        id="store", energy=a("energy", 27.0, "kWh"), count=a("count", 1.0, "count"), usable_fraction=a("usable", 0.9, "frac"),
        health_fraction=a("health", 0.85, "frac"), temperature_fraction=None, discharge_efficiency=None,
        roundtrip_efficiency=a("roundtrip", 0.85, "frac"), cutoff_fraction=None,
    )  # fmt: skip
    stored, down = energy.stored_energy(item), energy.one_way(item)
    found = energy.usable_energy(item, stored, down)
    assert found.value == pytest.approx(27 * 0.9 * 0.85 * math.sqrt(0.85))
    assert found.value == pytest.approx(19.0, abs=0.05)
    assert energy.hours_at(found, a("load", 1.2, "kW")).value == pytest.approx(15.9, abs=0.05)
    assert energy.charging_efficiency(item) == pytest.approx(math.sqrt(0.85))
    item.cutoff_fraction = a("cutoff", 0.1, "frac")
    assert energy.usable_energy(item, stored, down).value == pytest.approx(found.value * 0.9)


# a whole home


def worked(tmp_path: Path, *changes: tuple[str, str], year: str = "2023") -> Work:
    """The parts of the sheet that are built, on the example home with storage, texts of its site file changed."""
    work = Work(read_home(written(tmp_path, ARRAY, *changes)), editions.load(year))
    find_scope(work)
    backup_power.permission(work)
    backup_power.legs_and_neutral(work)
    backup_motors.motors(work)
    backup_power.devices(work)
    return work


def verdicts(work: Work) -> dict[str, str]:
    return {check.key: str(check.verdict) for check in work.checks}


def test_the_backup_panel_of_the_example_home(tmp_path):
    """24 A of island: by the calculated load of the panel in 2023, by its largest load, the well pump, in 2020."""
    now, before = (worked(tmp_path, year=year) for year in ("2023", "2020"))
    for work in (now, before):
        assert work.device == "battery-inverter"
        assert not work.whole
        assert "well" in work.below
        assert work.capacity.value == pytest.approx(24.0)
        assert work.total.value > 0
    assert verdicts(before)["backup-capacity"] == verdicts(before)["backup-largest-load"]
    assert verdicts(now)["backup-capacity"] == verdicts(now)["backup-full-load"]
    keys = verdicts(now)
    for key in ("island-120v", "backup-leg:A", "backup-leg:B", "backup-neutral", "motor-start:well", "islanding-device:battery-inverter"):
        assert key in keys
    assert "island may be too low" in " ".join(now.notes)


LIMIT = """[[control]]
id = "shedder"
listed_to = ["LISTED"]
controls = ["well"]
access = "restricted"
limit = [{ at = "battery-inverter", way = "island", setting = "SETTING" }]

[backup]
"""


def limited(setting: str, listed: str = "UL 916", current: str = "10 A") -> tuple[tuple[str, str], ...]:
    """An island of 10 A, below the calculated 17.5 A, and a control that sheds the well pump."""
    island = 'island = { form = "120/240", current = "24 A"'
    return (("[backup]\n", LIMIT.replace("LISTED", listed).replace("SETTING", setting)), (island, island.replace("24 A", current)))


def test_a_listed_control_stands_for_what_it_sheds_and_for_nothing_else(tmp_path):
    """Without the 5 A of the well pump and their 25 % the panel's 17.5 A are 11.25 A: above 10 A it fails, on 13 A it passes."""
    short, enough = (worked(tmp_path, *limited("8 A", current=current)) for current in ("10 A", "13 A"))
    assert (short.relied, verdicts(short)["backup-capacity"]) == ("backup-full-load", "fail")
    assert (enough.relied, verdicts(enough)["backup-capacity"]) == ("backup-managed", "pass")
    assert next(check for check in enough.checks if check.key == "backup-managed").required.value == pytest.approx(17.5 - 1.25 * 5)
    assert short.shed == {"well"}
    none = worked(tmp_path, *limited("8 A", current="13 A"), ('access = "restricted"\nlimit', 'access = "user"\nlimit'))
    assert verdicts(none)["backup-capacity"] == "fail"


@pytest.mark.parametrize("listed,expected", [("UL 3141", "pass"), ("UL 1741", "fail")])
def test_in_2026_a_listed_power_control_system_stands_for_the_load(tmp_path, listed, expected):
    """702.4(A)(3): 8 A of setting and 5 A of the well pump within 9 A, restarted by hand; the rest calculates to more than 9 A.

    UL 1741 alone says nothing of power control.
    """
    work = worked(tmp_path, *limited("8 A", listed=listed, current="9 A"), year="2026")
    assert verdicts(work)["backup-capacity"] == expected
    assert verdicts(work)["backup-restart"] == ("pass" if expected == "pass" else "not applicable")


def test_a_backup_panel_with_small_breakers_says_what_it_serves_and_two_panels_serve_together(tmp_path):
    """400 ft2 at 3 VA and one circuit of 1,500 VA, twice: 5,400 VA, of which 3,000 whole and the rest at 35 %; the well with 25 %."""
    serves = 'serves = { floor_area = "400 ft^2", small_appliance_circuits = 1, laundry_circuits = 0 }\n'
    silent = worked(tmp_path, (serves, ""))
    check = next(check for check in silent.checks if check.key == "backup-capacity")
    assert (str(check.verdict), check.fields) == ("needs input", ("panel.backup.serves",))
    second = '[[panel]]\nid = "attic"\nkind = "panelboard"\nconnected_to = "attic-breaker"\nbus = "100 A"\nmain = "none"\n' + serves
    row = '{ id = "attic-breaker", rating = "30 A", poles = 2, position = "middle" },\n  { id = "well-breaker"'
    both = worked(tmp_path, ('{ id = "well-breaker"', row), ('[[source]]\nid = "pv"', second + 'breakers = []\n[[source]]\nid = "pv"'))
    assert both.amperes.value == pytest.approx((3000 + 0.35 * (5400 - 3000)) / 240 + 1.25 * 5)
