"""A home that is half entered gets a verdict from every workbook, with the field that lacks by name: never an unexpected error.

The wanted verdicts and fields are typed by hand, from what is taken out.
"""

from __future__ import annotations

import copy
import importlib
import math
import random
import tomllib

import pytest

from tests.conftest import ROOT
from tests.test_missing_fields import leaves
from tests.town import designs, toml
from workbook_lib.editions import load
from workbook_lib.errors import InputFault
from workbook_lib.home import read_home
from workbook_lib.home.patch import add_row, put, take_out
from workbook_lib.sheet import Sheet, Verdict
from workbook_lib.workbooks import REGISTRY

SITES = ROOT / "example_inputs" / "sites"
TIES = "backfeed_and_tap"
COSTLY = ("ev_load_management", "backup_duration")
"""Workbooks of things that such a home does not have."""


def sheet_of(workbook: str, text: str, *, whole: bool = False) -> Sheet:
    """The sheet for its verdict, as the live study makes it, or whole. Errors: InputFault."""
    home = read_home(SITES / "half.toml", text=text)
    module = importlib.import_module(REGISTRY[workbook])
    return (module.study if whole else getattr(module, "verdict_study", module.study))(home, load(home.edition_year))


def example(name: str) -> str:
    return (SITES / f"{name}.toml").read_text(encoding="utf-8")


def place(text: str, path: str) -> tuple:
    """Place in a file of a path with ids in place of numbers of rows."""
    here, loc = tomllib.loads(text), ()
    for step in path.split("/"):
        at = step
        if isinstance(here, list):
            at = next(number for number, row in enumerate(here) if row.get("id", str(number)) == step)
        here, loc = here.get(at) if isinstance(here, dict) else here[at], (*loc, at)
    return loc


def without(text: str, *paths: str) -> str:
    for path in paths:
        text = take_out(text, place(text, path))
    return text


# what escaped, or passed unasked


@pytest.mark.parametrize(
    "home, gone, key, fields",
    [
        ("adapter-storage-200a", "source/storage-inverter/conductor/material", "neutral:storage-inverter", "source.{}.conductor.material"),
        ("adapter-storage-200a", "source/storage-inverter/conductor", "conductor:storage-inverter", "source.{}.conductor"),
        ("array-and-storage-200a", "panel/backup/main", "bus:backup", "panel.backup.main"),
        ("array-and-storage-200a", "panel/backup/bus", "bus:backup", "panel.backup.bus"),
        ("backup-panel-200a", "panel/backup/main", "bus:backup", "panel.backup.main"),
        ("backup-panel-200a", "panel/backup/bus", "bus:backup", "panel.backup.bus"),
        ("meter-main-200a", "feeder/house-feeder/conductor/material", "conductor:house-feeder", "feeder.house-feeder.conductor.material"),
        ("conductor-too-small-200a", "service/conductor", "service-conductor", "service.conductor"),
        ("conductor-too-small-200a", "service/conductor/material", "service-conductor", "service.conductor.material"),
        ("conductor-too-small-200a", "service/rating", "service-conductor", "service.rating"),
        ("garage-subpanel-150a", "panel/main/breakers/garage-breaker/rating", "conductor:garage-feeder", "panel.main.breakers.{}.rating"),
    ],
)
def test_what_lacks_is_asked_for_by_name(home, gone, key, fields):
    sheet = sheet_of(TIES, without(example(home), gone), whole=True)
    check = next(one for one in sheet.checks if one.key == key)
    thing = gone.split("/")[3 if "breakers" in gone else 1]
    assert (check.verdict, check.counts, fields.format(thing) in check.fields) == (Verdict.NEEDS_INPUT, True, True)
    assert sheet.verdict in (Verdict.NEEDS_INPUT, Verdict.FAIL)


def town(name: str) -> dict:
    return copy.deepcopy(next(design.site for design in designs() if design.name == name))


def test_a_grounding_conductor_that_is_too_small_does_not_pass_where_the_place_of_its_circuit_is_not_known():
    site = town("raceway-too-small")
    before = {one.key: one for one in sheet_of(TIES, toml(site)).checks}["grounding:pv"]
    del site["source"][0]["conductor"]["insulation"]
    after = {one.key: one for one in sheet_of(TIES, toml(site)).checks}["grounding:pv"]
    assert (before.verdict, after.verdict) == (Verdict.FAIL, Verdict.NEEDS_INPUT)
    assert after.fields == ("source.pv.conductor.insulation",)


@pytest.mark.parametrize(
    "name, gone, key", [("plugged-in-too-small", "connection", "evse-receptacle"), ("not-relabelled", "relabelled", "evse-setting")]
)
def test_a_charger_that_fails_does_not_pass_where_its_field_is_not_entered(name, gone, key):
    site = town(name)
    (evse,) = site["evse"]
    checks = {one.key: one.verdict for one in sheet_of("ev_load_management", toml(site)).checks}
    assert checks[f"{key}:{evse['id']}"] is Verdict.FAIL
    del evse[gone]
    sheet = sheet_of("ev_load_management", toml(site))
    assert sheet.verdict is Verdict.NEEDS_INPUT
    assert next(one.fields for one in sheet.checks if one.key == f"{key}:{evse['id']}") == (f"evse.{evse['id']}.{gone}",)


PANELS = """format = 1
[site]
id = "half"
edition = "2023"
[[panel]]
id = "main"
kind = "panelboard"
connected_to = "service"
bus = "200 A"
main = "200 A"
feed = "top"
breakers = [{ id = "pv-breaker", rating = "30 A", poles = 2, position = "bottom", backfeed = "suitable" }, { id = "spare" }]
[[panel]]
id = "sub"
kind = "panelboard"
connected_to = "PLACE"
bus = "250 A"
feed = "top"
[[source]]
id = "pv"
kind = "pv-inverter"
connected_to = "pv-breaker"
output_current = "24 A"
"""


@pytest.mark.parametrize(
    "connected_to, main, verdict",
    [
        ("main:lugs", None, Verdict.NEEDS_INPUT),
        ("main:lugs", "none", Verdict.PASS),
        ("main:lugs", "100 A", Verdict.NOT_APPLICABLE),
        ("spare", None, Verdict.NOT_APPLICABLE),
    ],
)
def test_a_bus_with_a_main_that_was_not_seen_may_be_reached_by_the_sources_of_the_bus_ahead(connected_to, main, verdict):
    """On lugs nothing but its own main parts a panel from the sources ahead; a breaker always does, whatever its rating.

    Without a main 200 A and 125 % of 24 A come to 230 A, which a bus of 250 A carries by the sum.
    """
    text = PANELS.replace("PLACE", connected_to)
    if main is not None:
        text = put(text, ("panel", 1, "main"), main)
    assert next(one.verdict for one in sheet_of(TIES, text).checks if one.key == "bus:sub") is verdict


@pytest.mark.parametrize("home", ["unfinished-survey-200a", "conductor-too-small-200a", "bungalow-100a", "array-and-storage-200a"])
@pytest.mark.parametrize("table", ["service", "service/conductor", "panel", "raceway"])
def test_a_table_that_is_not_entered_yet_earns_no_pass(home, table):
    content = tomllib.loads(example(home))
    here = content
    *way, last = table.split("/")
    for step in way:
        here = here[step]
    if table == "panel":
        content["panel"] = [{key: row[key] for key in ("id", "kind", "connected_to", "breakers")} for row in content["panel"]]
        for panel in content["panel"]:
            panel["breakers"] = [{"id": row["id"]} for row in panel["breakers"]]
    elif table == "raceway":
        content["raceway"] = [{"id": row["id"], "kind": row["kind"]} for row in content["raceway"]]
    else:
        del here[last]
    for workbook in ("service_load", TIES):
        assert sheet_of(workbook, toml(content)).verdict in (Verdict.NEEDS_INPUT, Verdict.FAIL), workbook


# any home at all


def sound(sheet: Sheet, label: object) -> None:
    """A verdict; what needs input says what; no result is empty."""
    assert sheet.verdict in set(Verdict), label
    for check in sheet.checks:
        assert check.verdict is not Verdict.NEEDS_INPUT or check.fields or check.closes, (label, check.key)
    for key, result in sheet.results.items():
        assert result.value is not None, (label, key)
        assert not (isinstance(result.value, float) and math.isnan(result.value)), (label, key)


def studied(content: dict, label: object, *, whole: bool = False) -> bool:
    """Every workbook gives a sound sheet, or the file its faults. Returns: whether it was read."""
    text = toml(content)
    try:
        read_home(SITES / "half.toml", text=text)
    except InputFault:
        return False
    for workbook in REGISTRY:
        try:
            sheet = sheet_of(workbook, text, whole=whole)
        except InputFault:
            continue
        sound(sheet, (label, workbook))
    return True


KEYS = ("id", "kind", "connected_to", "value", "for", "shows", "at", "way", "format", "inverter", "role")
"""What no row can be without, or that only moves faults about."""


FEW = 4
"""Where more is taken out, rows and whole tables stay, so that the file still holds together."""


def taken(content: dict, dice: random.Random, many: int) -> tuple[dict, list]:
    """A copy with several things taken out, and what they were."""
    ways = [way for way in leaves(content) if way[-1] not in KEYS and way not in (("site",), ("site", "edition"))]
    if many > FEW:
        ways = [way for way in ways if not isinstance(way[-1], int) and len(way) > 1]
    chosen = dice.sample(ways, min(many, len(ways)))
    made = copy.deepcopy(content)
    for way in sorted(chosen, key=lambda one: [str(step).zfill(4) for step in one], reverse=True):
        here = made
        for step in way[:-1]:
            here = here[step]
        del here[way[-1]]
    return made, chosen


def known() -> dict[str, dict]:
    """The examples and the homes of the town, without the records that a simulation runs on."""
    found = {path.stem: tomllib.loads(path.read_text(encoding="utf-8")) for path in sorted(SITES.glob("*.toml"))}
    found |= {design.name: design.site for design in designs()[::4]}
    return {name: {key: value for key, value in site.items() if key != "records"} for name, site in found.items()}


@pytest.mark.parametrize("many, seed", [(1, 1), (4, 2), (12, 3), (40, 4)])
def test_whatever_is_taken_out_every_workbook_gives_a_verdict(many, seed):
    dice, read, homes = random.Random(seed), 0, known()
    for name in dice.sample(sorted(homes), 14):
        made, gone = taken(homes[name], dice, many)
        read += studied(made, (name, gone), whole=dice.random() < 0.1)
    assert read >= 5


BARE = """format = 1
[site]
id = "half"
edition = "2023"
[[panel]]
id = "main"
kind = "panelboard"
connected_to = "service"
breakers = [{ id = "one" }, { id = "two" }]
"""
ROWS = [
    *({"load": {"kind": kind}} for kind in ("fastened", "motor", "range", "dryer", "heat-pump", "water-heater", "electric-heat")),
    {"evse": {}},
    {"evse": {}, "vehicle": {"evse": "new"}},
    {"evse": {"conductor": {}}, "control": {"controls": ["new"], "limit": [{"at": "service", "way": "import"}]}},
    *({"source": {"kind": kind}} for kind in ("pv-inverter", "storage-inverter", "multimode-inverter")),
    {"source": {"kind": "multimode-inverter", "island": {}, "array": [{}], "conductor": {}}, "storage": {"inverter": "new"}},
    {"source": {"kind": "pv-inverter"}, "control": {"controls": ["new"], "limit": [{"at": "main", "way": "bus"}]}},
    {"disconnect": {"role": "source"}},
    {"feeder": {"conductor": {}}},
    {"transfer": {}},
    {"panel": {"kind": "panelboard", "conductor": {}}},
    {"raceway": {"kind": "EMT"}},
    {"control": {}},
]


def with_rows(text: str, rows: dict, breaker: str) -> str:
    for table, row in rows.items():
        named = {} if table == "vehicle" else {"id": "new" if table != "storage" and table != "control" else f"new-{table}"}
        tied = {} if table in ("vehicle", "storage", "control", "raceway") else {"connected_to": breaker}
        text = add_row(text, (table,), named | tied | row)
    return text


@pytest.mark.parametrize("rows", ROWS, ids=lambda rows: " ".join(f"{table} {row.get('kind', '')}".strip() for table, row in rows.items()))
@pytest.mark.parametrize("base", ["bare", "bungalow-100a"])
def test_a_row_with_only_what_it_must_have_is_asked_for_the_rest(rows, base):
    text, breaker = (BARE, "two") if base == "bare" else (example(base), "range-breaker")
    assert studied(tomllib.loads(with_rows(text, rows, breaker)), (base, rows), whole=base == "bare") or base != "bare"


def test_a_source_alone_is_asked_for_its_current_and_its_conductors():
    text = with_rows(BARE, {"source": {"kind": "pv-inverter"}}, "two")
    sheet = sheet_of(TIES, text, whole=True)
    assert sheet.verdict is Verdict.NEEDS_INPUT
    asked = {field for check in sheet.checks if check.counts and check.verdict is Verdict.NEEDS_INPUT for field in check.fields}
    assert {"source.new.output_current", "source.new.conductor", "panel.main.main", "service.conductor", "service.rating"} <= asked


def test_a_home_of_which_nothing_is_entered_has_a_verdict():
    text = BARE.partition("[[panel]]")[0]
    verdicts = {workbook: sheet_of(workbook, text, whole=True).verdict for workbook in REGISTRY}
    wanted = {"service_load": Verdict.NEEDS_INPUT, TIES: Verdict.NEEDS_INPUT}
    assert verdicts == wanted | dict.fromkeys(COSTLY, Verdict.NOT_APPLICABLE)
