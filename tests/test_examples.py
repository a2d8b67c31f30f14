"""Each example home tells the story that was worked out for it by hand (tests/data/stories.toml)."""

from __future__ import annotations

import ast
import importlib
import json
import math
import operator
import re
import tomllib
from pathlib import Path

import pytest

from workbook_lib import editions, home, run
from workbook_lib.workbooks import REGISTRY

ROOT = Path(__file__).resolve().parent.parent
SITES = ROOT / "example_inputs" / "sites"
STORIES = [
    {"workbook": "service_load", **story}
    for name in ("stories.toml", "tie_stories.toml", "backup_stories.toml", "charging_stories.toml")
    for story in tomllib.loads((ROOT / "tests" / "data" / name).read_text(encoding="utf-8"))["story"]
]
TOLERANCE = {"VA": 0.5, "A": 0.005, "kW": 0.0005, "kWh": 0.0005, "h": 0.005, "s": 0, "count": 0, "frac": 1e-9}
"""How far the library may be from the hand's answer, by unit."""

STANDARD_RATINGS_A = (15, 20, 25, 30, 35, 40, 45, 50, 60, 70, 80, 90, 100, 110, 125, 150, 175, 200, 225, 250, 300, 350, 400)
STANDARD_CHARGERS_A = tuple(0.8 * rating for rating in STANDARD_RATINGS_A if rating <= 100)
OPERATORS = {ast.Add: operator.add, ast.Sub: operator.sub, ast.Mult: operator.mul, ast.Div: operator.truediv}


def name_of(story: dict) -> str:
    own = f"{story['workbook']}: " if story["workbook"] != "service_load" else ""
    return own + story["site"].removesuffix(".toml") + (f", {story['case']}" if "case" in story else "")


def arithmetic(line: str) -> float:
    """Value of a line of plain arithmetic: numbers, + - * /, brackets, max and min. It knows nothing of the library."""

    def value(node: ast.expr) -> float:
        if isinstance(node, ast.Constant) and type(node.value) in (int, float):
            return float(node.value)
        if isinstance(node, ast.BinOp) and type(node.op) in OPERATORS:
            return OPERATORS[type(node.op)](value(node.left), value(node.right))
        if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub):
            return -value(node.operand)
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in ("max", "min"):
            return (max if node.func.id == "max" else min)(value(argument) for argument in node.args)
        raise ValueError(f"not plain arithmetic: {line}")

    return value(ast.parse(line, mode="eval").body)


def hand_results(kind: str) -> list:
    """Rows of the results that carry this kind of line, as test parameters."""
    return [pytest.param(row, id=f"{name_of(story)}: {key}") for story in STORIES for key, row in story["results"].items() if kind in row]


def study_of(story: dict):
    """The function that makes a story's sheet."""
    return importlib.import_module(REGISTRY[story["workbook"]]).study


@pytest.fixture(scope="module")
def sheets() -> dict[str, tuple[object, object]]:
    """Home and sheet of every story, computed once."""
    found = {}
    for story in STORIES:
        one = home.read_home(SITES / story["site"], overrides=story.get("overrides", {}))
        found[name_of(story)] = (one, study_of(story)(one, editions.load(one.edition_year)))
    return found


# The hand's own arithmetic -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("row", hand_results("line"))
def test_the_hand_did_not_slip(row):
    assert arithmetic(row["line"]) == pytest.approx(row["value"], abs=1e-5)


@pytest.mark.parametrize("row", hand_results("fits"))
def test_largest_charger_by_hand(row):
    limit = arithmetic(row["limit"])
    size = min(STANDARD_CHARGERS_A, key=lambda charger: abs(charger - row["value"]))
    assert size == pytest.approx(row["value"])
    assert arithmetic(row["fits"]) <= limit
    if "too_much" in row:
        assert arithmetic(row["too_much"]) > limit
    else:
        assert size == max(STANDARD_CHARGERS_A)


@pytest.mark.parametrize("row", hand_results("load"))
def test_standard_rating_by_hand(row):
    load = arithmetic(row["load"])
    below = [rating for rating in STANDARD_RATINGS_A if rating < row["value"]]
    assert row["value"] in STANDARD_RATINGS_A
    assert load <= row["value"]
    if "too_small" in row:
        assert float(row["too_small"]) == max(below)
        assert load > max(below)
    else:
        assert row["value"] == 100, "only the least service of a one-family dwelling needs no size below it"


@pytest.mark.parametrize("row", hand_results("whole"))
def test_whole_amperes_by_hand(row):
    assert math.floor(arithmetic(row["whole"]) + 0.5) == row["value"]


# What the library answers --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("story", STORIES, ids=name_of)
def test_verdict_is_the_story_s(story, sheets):
    one, sheet = sheets[name_of(story)]
    said = {
        check.key: f"{check.verdict} {check.note}"
        for check in sheet.checks
        if check.counts and check.verdict not in ("pass", "not applicable")
    }
    assert (one.edition_year, one.edition_basis) == (story["edition"], story["edition_basis"])
    assert str(sheet.verdict) == story["verdict"], said
    if "controlling" in story:
        assert sheet.controlling.key == story["controlling"], said


@pytest.mark.parametrize("story", STORIES, ids=name_of)
def test_results_are_the_hand_s(story, sheets):
    _, sheet = sheets[name_of(story)]
    off = {}
    for key, row in story["results"].items():
        if key not in sheet.results:
            off[key] = f"absent; not checked: {[line for line in sheet.not_checked if key.split(':')[0] in line]}"
            continue
        result = sheet.results[key]
        if "text" in row:
            if (result.value, result.unit) != (row["text"], None):
                off[key] = f"{result.value!r}, by hand {row['text']!r}"
        elif result.unit != row["unit"] or abs(result.value - row["value"]) > TOLERANCE[row["unit"]]:
            off[key] = f"{result.value} {result.unit}, by hand {row['value']} {row['unit']}"
    assert not off


@pytest.mark.parametrize("story", STORIES, ids=name_of)
def test_checks_are_the_hand_s(story, sheets):
    _, sheet = sheets[name_of(story)]
    given = {check.key: check for check in sheet.checks}
    off = {
        key: str(given[key].verdict) if key in given else "absent"
        for key, verdict in story["checks"].items()
        if key not in given or str(given[key].verdict) != verdict
    }
    assert not off, {key: given[key].note for key in off if key in given}
    for key, row in story.get("sides", {}).items():
        for side in ("provided", "required"):
            assert arithmetic(row[f"{side}_line"]) == pytest.approx(row[side], abs=1e-5)
            value = getattr(given[key], side)
            assert value.unit == row["unit"]
            assert value.value == pytest.approx(row[side], abs=TOLERANCE[row["unit"]])


@pytest.mark.parametrize("story", STORIES, ids=name_of)
def test_only_what_the_story_tells_is_open(story, sheets):
    """No check but those that the story names stands open or fails, so that the story is the reason."""
    _, sheet = sheets[name_of(story)]
    told = {key for key, verdict in story["checks"].items() if verdict != "pass"} | {story.get("controlling"), *story.get("also", ())}
    open_checks = {
        check.key: f"{check.verdict}: {check.note}"
        for check in sheet.checks
        if check.counts and str(check.verdict) not in ("pass", "not applicable")
    }
    assert not {key: words for key, words in open_checks.items() if key not in told}


@pytest.mark.parametrize("story", STORIES, ids=name_of)
def test_each_check_stands_once(story, sheets):
    found = [check.key for check in sheets[name_of(story)][1].checks]
    assert len(found) == len(set(found))


@pytest.mark.parametrize("story", [story for story in STORIES if "overrides" not in story], ids=name_of)
def test_results_json_says_the_same(story, tmp_path):
    """The way a person goes: `study --results-only` leaves the story's verdict and numbers, and its exit status."""
    done = run.study(SITES / story["site"], only=[story["workbook"]], out=tmp_path / "out", results_only=True)
    assert done.status == (0 if story["verdict"] == "pass" else 1)
    filed = json.loads((tmp_path / "out" / "results.json").read_text(encoding="utf-8"))
    assert (filed["edition"], filed["edition_basis"]) == (story["edition"], story["edition_basis"])
    sheet = filed["workbooks"][story["workbook"]]
    assert sheet["verdict"] == story["verdict"]
    for key, row in story["results"].items():
        if "text" in row:
            assert sheet["results"][key] == {"value": row["text"], "unit": None}
        else:
            assert sheet["results"][key]["unit"] == row["unit"]
            assert sheet["results"][key]["value"] == pytest.approx(row["value"], abs=TOLERANCE[row["unit"]])
    checks = {check["key"]: check["verdict"] for check in sheet["checks"]}
    assert {key: checks.get(key) for key in story["checks"]} == story["checks"]


# The files as demo data ----------------------------------------------------------------------------------------------


def site_files() -> list[Path]:
    return sorted(SITES.glob("*.toml"))


def test_every_home_has_a_story_and_every_story_a_home():
    assert {path.name for path in site_files()} == {story["site"] for story in STORIES}


def test_at_least_two_homes_fail_and_every_verdict_is_told():
    verdicts = [story["verdict"] for story in STORIES]
    assert verdicts.count("fail") >= 2
    assert set(verdicts) == {"pass", "fail", "judgement", "needs input"}


@pytest.mark.parametrize("path", site_files(), ids=lambda path: path.stem)
def test_site_file_says_that_it_is_invented(path):
    text = path.read_text(encoding="utf-8")
    table = tomllib.loads(text)
    assert text.startswith("# Invented home in an invented ")
    assert table["site"]["id"] == path.stem
    assert re.fullmatch(r"[0-9]+ [A-Z][a-z]+( [A-Z][a-z]+)+", table["site"]["address"])
    assert table["site"]["originator"] != table["site"]["checker"]


def test_addresses_are_each_used_once():
    addresses = [tomllib.loads(path.read_text(encoding="utf-8"))["site"]["address"] for path in site_files()]
    assert len(set(addresses)) == len(addresses)


@pytest.mark.parametrize("path", sorted((SITES / "jurisdictions").glob("*.toml")), ids=lambda path: path.stem)
def test_jurisdiction_file_says_that_it_is_invented(path):
    assert path.read_text(encoding="utf-8").startswith("# Invented ")


def test_readme_names_every_home():
    text = (SITES.parent / "README.md").read_text(encoding="utf-8")
    assert not [path.name for path in (*site_files(), *(SITES / "jurisdictions").glob("*.toml")) if path.name not in text]
