"""Rows and roll-up: connections judged with their equipment, spare amperes on one basis, tightest capacities, what is asked."""

from __future__ import annotations

import csv
import importlib

import pytest

from workbook_lib.batch import connections as connecting
from workbook_lib.batch import rollup, rows
from workbook_lib.workbooks import REGISTRY
from workbook_lib.workbooks.portfolio_words import AT_125, BREAKERS, CAPACITY, DEMAND, SETTING

TIES, LOAD, EV, BACKUP = "backfeed_and_tap", "service_load", "ev_load_management", "backup_duration"


def check(key, verdict="pass", provided=None, required=None, unit="A", relation="<=", fields=(), note="", *, counts=True):
    margin = None if provided is None else (required - provided if relation == "<=" else provided - required)
    sides = {"provided": provided, "required": required, "relation": relation if provided is not None else None, "margin": margin}
    sides |= {"unit": unit if provided is not None else None}
    return {"key": key, "verdict": verdict, **sides, "counts": counts, "fields": list(fields), "note": note, "source": None}


def document(results=None, **books):
    """A results.json with these checks of each workbook; `results` are those of backfeed_and_tap."""
    made = {}
    for name, checks in books.items():
        counted = [one for one in checks if one["counts"]]
        worst = min(counted, key=rows.rank)
        held = {key: {"value": value, "unit": None} for key, value in (results or {}).items()} if name == TIES else {}
        made[name] = {"verdict": worst["verdict"], "controlling": worst["key"], "checks": checks, "results": held}
    return {"site_id": "fern-1", "case": "base", "edition": "2023", "edition_basis": "adopted", "workbooks": made}


def connections(results=None, **books):
    return rows.of_document(document(results, **books))["connections"]


BREAKER = check("breaker-suitability:pv-breaker")
BUS = check("bus:main", provided=240.0, required=230.0, relation=">=")
EVSE = [check("service-capacity", provided=80.0, required=100.0), check("evse-circuit:charger", provided=60.0, required=60.0)]
SERVICE = check("service-capacity", provided=62.5, required=100.0)
PV = {"source_current_a:pv": 24.0, "bus_rule:main": "120"}


def test_every_family_of_the_sheets_is_dealt_with():
    """A family of `backfeed_and_tap` is a connection's own, of the equipment, or stands in the list with its reason."""
    known = {name for kind in connecting.KINDS.values() for name in kind.families}
    known |= {*connecting.BY_SUBJECT, *connecting.ELSEWHERE, "local-evidence", *connecting.NOT_OF_CONNECTIONS}
    order = importlib.import_module(REGISTRY[TIES]).FORM.order
    assert set(order) - known == set()
    every = {name for book in REGISTRY.values() for name in importlib.import_module(book).FORM.order}
    assert {name for kind in connecting.KINDS.values() for name in (*kind.families, *kind.marks)} <= every
    assert {name for kind in connecting.KINDS.values() for turn in kind.spare for name in turn} - every <= {
        "backup-full-load",
        "backup-largest-load",
    }
    assert set(connecting.BASES) | {"bus", "bus-120", "bus-sum"} >= set(CAPACITY)


@pytest.mark.parametrize(
    "key",
    ["conductor:pv", "overcurrent:pv", "grounding:pv", "voltage:pv", "neutral:pv", "raceway:pv-run", "interrupting:main"]
    + [
        "conductor:garage-feeder",
        "service-conductor",
        "service-disconnects",
        "utility-export",
        "local-evidence:source:pv",
        "field-verified",
    ],
)
@pytest.mark.parametrize("verdict", ["fail", "needs input", "judgement"])
def test_a_backfed_breaker_is_no_better_than_its_circuit(key, verdict):
    found = connections(PV, **{TIES: [BREAKER, BUS, check("overcurrent:pv"), check(key, verdict)]})["backfed breaker"]
    assert (found["verdict"], found["check"]) == (verdict, key)
    assert found["spare_a"] == (10.0 if verdict == "judgement" else None)


def test_the_equipment_of_a_charger_is_the_chargers_and_none_of_the_sources():
    ties = [BREAKER, BUS, check("overcurrent:pv"), check("grounding:charger", "fail"), check("overcurrent:charger", "needs input")]
    found = connections(PV, **{TIES: ties, EV: EVSE, LOAD: [SERVICE]})
    assert (found["charger"]["verdict"], found["charger"]["check"], found["charger"]["spare_a"]) == ("fail", "grounding:charger", None)
    assert found["backfed breaker"]["verdict"] == found["service"]["verdict"] == "pass"


def test_the_service_takes_its_conductor_and_disconnects_wherever_they_stand():
    for key in ("service-conductor", "service-disconnects", "single-bond", "emergency-disconnect", "interrupting:meter"):
        found = connections(**{TIES: [check(key, "fail")], LOAD: [SERVICE]})["service"]
        assert (found["verdict"], found["check"], found["spare_a"]) == ("fail", key, None)


def test_a_check_of_one_disconnect_stands_against_its_own_connection():
    tap = [check("supply-side-size:pv-off"), check("supply-side-capacity", provided=24.0, required=100.0)]
    ties = [BREAKER, BUS, *tap, check("conductor:pv-off", "fail")]
    found = connections(PV, **{TIES: ties})
    assert found["supply-side tap"] == {"verdict": "fail", "check": "conductor:pv-off", "spare_a": None, "spare_check": None} | {
        "spare_basis": None
    }
    assert found["backfed breaker"]["verdict"] == "pass"
    both = connections(PV, **{TIES: [BREAKER, BUS, *tap, check("voltage:pv", "fail")]})
    assert both["supply-side tap"]["verdict"] == both["backfed breaker"]["verdict"] == "fail"


def test_what_nobody_has_counts_against_the_service_and_is_not_lost():
    found = connections(**{LOAD: [SERVICE], TIES: [check("raceway:riser", "fail")]})
    assert set(found) == {"service"}
    assert found["service"]["check"] == "raceway:riser"


def test_the_adopted_edition_says_nothing_of_a_connection():
    found = connections(**{LOAD: [SERVICE, check("edition-adopted", "judgement"), check("independent-check", "fail")]})
    assert found["service"]["verdict"] == "pass"


@pytest.mark.parametrize(
    "rule,required,basis", [("120", 230.0, AT_125), ("sum", 230.0, AT_125), ("breakers", 230.0, BREAKERS), ("120", 100.0, SETTING)]
)
def test_the_spare_of_a_bus_names_its_basis(rule, required, basis):
    tried = check(f"bus-{rule}:main", provided=240.0, required=230.0, relation=">=", counts=False)
    relied = check("bus:main", provided=240.0, required=required, relation=">=")
    passed = check("pass-through:battery", provided=60.0, required=60.0)
    found = connections(PV | {"bus_rule:main": rule}, **{TIES: [BREAKER, tried, relied, passed]})["backfed breaker"]
    assert (found["spare_a"], found["spare_check"], found["spare_basis"]) == (240.0 - required, "bus:main", basis)


def test_a_sub_panel_is_the_spare_of_the_service_only_where_it_stands_alone():
    shop = check("panel-load:shop", provided=22.5, required=60.0)
    wide = check("service-capacity", provided=50.0, required=100.0)
    found = connections(**{LOAD: [wide, shop]})["service"]
    assert (found["spare_a"], found["spare_check"], found["spare_basis"]) == (50.0, "service-capacity", DEMAND)
    assert connections(**{LOAD: [shop]})["service"]["spare_check"] == "panel-load:shop"


def test_a_fail_is_short_by_the_capacity_that_fails():
    over = check("service-capacity", "fail", provided=124.03, required=100.0)
    continuous = check("continuous-load", "judgement", provided=136.0, required=100.0)
    found = connections(**{LOAD: [over, continuous]})["service"]
    assert (found["spare_a"], found["spare_check"]) == (pytest.approx(-24.03), "service-capacity")
    positions = check("bus:main", "fail", provided=240.0, required=230.0, relation=">=")
    assert connections(PV, **{TIES: [BREAKER, positions]})["backfed breaker"]["spare_a"] is None


def test_a_controls_rating_is_no_capacity():
    checks = [check("control-setting:limiter", provided=69.6, required=80.0), check("control-continuous", provided=100.0, required=100.0)]
    found = connections(**{EV: checks})["controlled limit"]
    assert (found["spare_check"], found["spare_a"]) == ("control-setting:limiter", pytest.approx(10.4))


def test_the_tightest_capacity_is_that_of_all_checks():
    fits = check("conductor:pv", provided=30.0, required=30.0)
    north = check("panel-load:north", provided=194.5, required=200.0)
    made = rows.of_document(document(PV, **{TIES: [BREAKER, BUS, fits], LOAD: [SERVICE, north]}))
    assert (made["controlling"]["check"], made["tightest"]["check"]) == ("conductor:pv", "panel-load:north")
    assert made["tightest"]["room"] == pytest.approx(0.0275)
    shown = check("panel-load:main", provided=199.0, required=200.0, counts=False)
    assert rows.of_document(document(**{LOAD: [SERVICE, shown]}))["tightest"]["check"] == "service-capacity"
    assert rows.of_document(document(**{TIES: [fits]}))["tightest"] is None


def test_a_capacity_that_fails_is_tighter_than_a_judgement():
    over = check("service-capacity", "fail", provided=124.0, required=100.0)
    continuous = check("continuous-load", "judgement", provided=136.0, required=100.0)
    made = rows.of_document(document(**{LOAD: [continuous, over]}))
    assert (made["tightest"]["check"], made["tightest"]["verdict"]) == ("service-capacity", "fail")


def test_the_failing_checks_of_a_workbook_are_counted():
    fails = [check("leg-capacity:A", "fail", provided=110.0, required=100.0), check("service-neutral", "fail")]
    made = rows.of_document(document(**{LOAD: [*fails, SERVICE, check("x", "fail", counts=False)], TIES: [BUS]}))
    assert {name: one["fails"] for name, one in made["workbooks"].items()} == {LOAD: 2, TIES: 0}


def test_a_row_says_which_check_asks_for_which_field():
    note = "heating and cooling factors were not seen; choose another method. It may also be measured."
    asking = [check("service-capacity", "needs input", fields=["dwelling.floor_area"]), check("method-allowed", "needs input", note=note)]
    made = rows.of_document(document(**{LOAD: [*asking, check("y", "needs input", fields=["a.b"], counts=False)]}))
    assert made["asked"] == [
        {"check": "service-capacity", "fields": ["dwelling.floor_area"], "note": ""},
        {"check": "method-allowed", "fields": [], "note": "heating and cooling factors were not seen; choose another method"},
    ]
    assert made["missing"] == ["dwelling.floor_area"]
    long = rows.of_document(document(**{LOAD: [check("x", "needs input", note="words " * 100)]}))["asked"][0]["note"]
    assert len(long) <= rows.ASKED_NOTES
    assert long.endswith(" ...")


# the roll-up


def line(**books):
    made = document(**books)
    row = rows.of_document(made) | {"folder": "fern-1/base"}
    return rollup.line_of(row, made, rollup.columns())


@pytest.mark.parametrize("verdict,room", [("pass", 0.04), ("judgement", 0.04), ("fail", None), ("needs input", None)])
def test_no_positive_room_stands_beside_a_fail_or_a_need(verdict, room):
    bus = check("bus:main", verdict, provided=240.0, required=230.0, relation=">=")
    found = line(**{TIES: [bus]})[f"{TIES}.bus.room_frac"]
    assert found == (None if room is None else pytest.approx(10.0 / 230.0))


def test_room_is_told_of_capacities_in_amperes_alone():
    names = [column.name for column in rollup.columns() if column.name.endswith(".room_frac")]
    assert all(name.split(".")[1] in CAPACITY for name in names)
    assert f"{TIES}.grounding.room_frac" not in names
    assert f"{TIES}.bus.room_frac" in names
    over = check("bus:main", "fail", provided=200.0, required=230.0, relation=">=")
    assert line(**{TIES: [BUS, over]})[f"{TIES}.bus.room_frac"] == pytest.approx(-30.0 / 230.0)


def test_amperes_of_the_screening_are_rounded(tmp_path):
    capacity = check("service-capacity", provided=67.16666666666667, required=100.0)
    row = rows.of_document(document(**{LOAD: [capacity]}))
    written = tmp_path / "screening.csv"
    with written.open("w", encoding="utf-8", newline="") as file:
        assert list(rollup._screened([row], csv.writer(file))) == [row]
    found = written.read_text(encoding="utf-8").strip()
    assert found == f"fern-1,base,2023,service,pass,service-capacity,32.83,service-capacity,{DEMAND}"
