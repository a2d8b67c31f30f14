"""What moved between two runs or two studies: every verdict, against a plain comparison of both results.json, and every cause on record."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import re
import shutil
import tomllib
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from workbook_lib.batch import compare as compared
from workbook_lib.batch.causes import Cause, Held, differences, leaves
from workbook_lib.batch.compare import COLUMNS, compare
from workbook_lib.batch.compare_words import Move, Sides
from workbook_lib.batch.folder import Output, keep_program
from workbook_lib.batch.program import Program
from workbook_lib.batch.rows import blank, of_document, of_fault
from workbook_lib.errors import InputFault
from workbook_lib.run import study

SITES = Path(__file__).resolve().parent.parent / "example_inputs" / "sites"
SITE = (SITES / "bungalow-100a.toml").read_text(encoding="utf-8")
SMALLER = ('"48 A", from = "data-sheet"', '"32 A", from = "data-sheet"')
PROGRAM = Program(
    {"workbook_lib.rules.busbar": "1" * 64},
    {"service_load": "2" * 64},
    {"2020": {"values: a": "1"}, "2023": {"values: a": "1", "ampacity[6].cu_75": "65"}},
    {"numpy": "2.0"},
)


def sites(top: Path) -> Path:
    """A folder of inputs with the local files of the examples."""
    if not top.is_dir():
        shutil.copytree(SITES / "jurisdictions", top / "jurisdictions")
    return top


def site(top: Path, *changes: tuple[str, str], name: str = "home.toml") -> Path:
    """An edited copy of the bungalow."""
    text = SITE
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    (sites(top) / name).write_text(text, encoding="utf-8")
    return top / name


def made(file: Path, out: Path, *, edition: str | None = None, kept: bool = True, overrides: Mapping[str, str] | None = None) -> Path:
    """A study of a site file, with copies of its inputs as a full study has them."""
    study(file, out=out, results_only=True, edition=edition, overrides=overrides)
    for one in json.loads((out / "results.json").read_bytes())["inputs"] if kept else ():
        (out / "inputs" / one["path"]).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(file.parent / one["path"], out / "inputs" / one["path"])
    return out


@pytest.fixture(scope="module")
def homes(tmp_path_factory) -> dict[str, Path]:
    """Studies that several tests compare."""
    top = tmp_path_factory.mktemp("homes")
    plain = site(top / "plain")
    return {
        "48 A": made(plain, top / "large"),
        "32 A": made(site(top / "small", SMALLER), top / "smaller"),
        "2020": made(plain, top / "e2020", edition="2020"),
        "2026": made(plain, top / "e2026", edition="2026"),
        "service only": _only(top / "large", top / "service-only"),
    }


def _only(folder: Path, out: Path) -> Path:
    document = results(folder)
    del document["workbooks"]["ev_load_management"]
    out.mkdir()
    (out / "results.json").write_text(json.dumps(document), encoding="utf-8")
    return out


def results(folder: Path) -> dict[str, object]:
    return json.loads((folder / "results.json").read_bytes())


def plainly(old: Path, new: Path) -> set[tuple[object, ...]]:
    """Checks but `edition-adopted` whose verdict or counting differs, by an outer join of two tables."""
    import pandas

    tables = []
    for folder in (old, new):
        lines = [
            {"workbook": name, "check": check["key"], "verdict": check["verdict"], "counts": check["counts"], "margin": check["margin"]}
            for name, entry in results(folder)["workbooks"].items()
            for check in entry["checks"]
            if check["key"] != "edition-adopted"
        ]
        tables.append(pandas.DataFrame(lines))
    both = tables[0].merge(tables[1], on=["workbook", "check"], how="outer", suffixes=("_before", "_now"), indicator=True)
    both = both.astype(object).where(both.notna(), None)
    moved = both[(both["verdict_before"] != both["verdict_now"]) | (both["counts_before"] != both["counts_now"])]
    names = ["workbook", "check", "verdict_before", "verdict_now", "margin_before", "margin_now"]
    return {tuple(row) for row in moved[names].itertuples(index=False)}


def told(comparison) -> set[tuple[object, ...]]:
    """The same of a comparison."""
    names = ["workbook", "check", "verdict_before", "verdict_now", "margin_before", "margin_now"]
    return {tuple(row[name] for name in names) for row in comparison.rows() if row["kind"].startswith("check")}


def causes(comparison, place: int = 0) -> list[str]:
    return [str(cause) for cause in comparison.changes[place].causes]


def faults_of(call) -> list[tuple[str, str, str]]:
    with pytest.raises(InputFault) as raised:
        call()
    assert all(fault.todo and fault.file for fault in raised.value.faults)
    return [(Path(fault.file).name, fault.field, fault.what) for fault in raised.value.faults]


# two studies of one home


@pytest.mark.parametrize("pair", [("48 A", "32 A"), ("32 A", "48 A"), ("2020", "2026"), ("2026", "2020"), ("48 A", "2026")])
def test_every_check_that_moved_is_told_and_no_other(homes, pair):
    old, new = (homes[name] for name in pair)
    comparison = compare(old, new)
    assert told(comparison) == plainly(old, new)
    assert len(told(comparison)) > 3
    assert comparison.moved
    assert len(comparison.rows()) == len(told(comparison))
    (change,) = comparison.changes
    for name, folder in (("before", old), ("now", new)):
        outcomes = {one.workbook: getattr(one, name).verdict for one in change.workbooks}
        assert outcomes == {name: entry["verdict"] for name, entry in results(folder)["workbooks"].items()}


def test_both_sides_of_a_moved_check_are_given(homes):
    rows = compare(homes["48 A"], homes["32 A"]).rows()
    row = next(row for row in rows if (row["workbook"], row["check"]) == ("service_load", "service-capacity"))
    checks = [
        next(one for one in results(homes[name])["workbooks"]["service_load"]["checks"] if one["key"] == "service-capacity")
        for name in ("48 A", "32 A")
    ]
    assert tuple(row) == COLUMNS
    assert (row["verdict_before"], row["verdict_now"], row["counts_before"], row["counts_now"]) == ("fail", "pass", True, True)
    assert (row["relation_before"], row["relation_now"], row["turned"]) == ("<=", "<=", None)
    for name in ("provided", "required", "unit", "margin"):
        assert (row[f"{name}_before"], row[f"{name}_now"]) == (checks[0][name], checks[1][name])
    assert row["causes"] == "evse.evse-1.rating: 48 A -> 32 A"


def test_the_state_of_the_study_and_its_causes(homes):
    comparison = compare(homes["48 A"], homes["32 A"])
    assert comparison.states == {("fail", "judgement"): 1}
    assert causes(comparison) == ["evse.evse-1.rating: 48 A -> 32 A"]
    assert causes(compare(homes["2020"], homes["2026"])) == ["edition: 2020 (what-if) -> 2026 (what-if)"]
    assert causes(compare(homes["32 A"], homes["2026"])) == [
        "edition: 2023 (adopted) -> 2026 (what-if)",
        "evse.evse-1.rating: 32 A -> 48 A",
    ]


def test_a_study_against_itself_moves_nothing(homes):
    comparison = compare(homes["48 A"], homes["48 A"])
    assert (comparison.moved, comparison.changes, comparison.rows()) == (False, (), [])
    assert comparison.counts() == dict.fromkeys(comparison.counts(), 0) | {"compared": 1, "unchanged": 1}


def test_the_other_way_round_before_and_now_change_places(homes):
    there, back = compare(homes["48 A"], homes["2026"]), compare(homes["2026"], homes["48 A"])
    assert {(a, b, d, c, f, e) for a, b, c, d, e, f in told(there)} == told(back)
    assert {(cause.what, cause.now, cause.before) for cause in there.changes[0].causes} == {
        (cause.what, cause.before, cause.now) for cause in back.changes[0].causes
    }
    assert there.states == {(now, before): count for (before, now), count in back.states.items()}


def test_results_are_those_behind_a_moved_check_or_all(homes):
    old, new = (results(homes[name])["workbooks"] for name in ("48 A", "32 A"))
    moved = {(name, key) for name in old for key in {**old[name]["results"], **new[name]["results"]}
             if old[name]["results"].get(key) != new[name]["results"].get(key)}  # fmt: skip
    (whole,) = compare(homes["48 A"], homes["32 A"], everything=True).changes
    (behind,) = compare(homes["48 A"], homes["32 A"]).changes
    assert {(move.workbook, move.key) for move in whole.results} == moved
    assert behind.results_count == whole.results_count == len(moved)
    kept = {(move.workbook, move.key) for move in behind.results}
    assert ("service_load", "service_load_a") in kept
    assert kept < moved


def test_values_alone_move_no_verdict_and_are_counted(homes, tmp_path):
    new = made(site(tmp_path / "more", ('"1600 ft^2"', '"1601 ft^2"')), tmp_path / "new")
    comparison = compare(homes["48 A"], new)
    assert not comparison.moved
    assert comparison.counts()["other_values"] == 1
    assert causes(comparison) == ["dwelling.floor_area: 1600 ft^2 -> 1601 ft^2"]
    assert "values of results that moved" in comparison.text()


def test_a_workbook_that_one_side_did_not_run_is_said_once(homes):
    comparison = compare(homes["48 A"], homes["service only"])
    assert comparison.moved
    assert [(row["kind"], row["workbook"], row["verdict_before"], row["verdict_now"]) for row in comparison.rows()] == [
        ("workbook gone", "ev_load_management", "fail", None)
    ]
    assert "ev_load_management: fail (service-capacity) -> not there" in comparison.text()


def test_a_check_that_counts_where_it_did_not_has_moved(homes, tmp_path):
    document = results(homes["48 A"])
    check = next(one for one in document["workbooks"]["service_load"]["checks"] if one["key"] == "service-minimum")
    check["counts"] = not check["counts"]
    (tmp_path / "results.json").write_text(json.dumps(document), encoding="utf-8")
    comparison = compare(homes["48 A"], tmp_path)
    assert comparison.moved
    assert [(row["check"], row["verdict_before"], row["verdict_now"]) for row in comparison.rows()] == [("service-minimum", "pass", "pass")]
    assert "service-minimum (service_load): pass -> pass, does not count" in comparison.text()


def test_two_homes_are_matched_and_it_is_said(homes, tmp_path):
    other = made(site(tmp_path / "in", ('id = "bungalow-100a"', 'id = "oak-1"')), tmp_path / "oak")
    comparison = compare(homes["48 A"], other)
    assert comparison.remarks == ("two studies of other names: bungalow-100a/base and oak-1/base",)
    assert not comparison.moved
    assert compare(homes["48 A"], other / "results.json").states == comparison.states


def test_a_study_at_fault_is_told_with_its_first_fault(homes, tmp_path):
    broken = site(tmp_path / "in", ('"48 A", from = "data-sheet"', '"48 apples", from = "data-sheet"'))
    with pytest.raises(InputFault):
        study(broken, out=tmp_path / "out", results_only=True)
    comparison = compare(homes["48 A"], tmp_path / "out")
    assert comparison.states == {("fail", "input fault"): 1}
    (row,) = comparison.rows()
    assert (row["kind"], row["verdict_before"], row["verdict_now"]) == ("study", "fail", "input fault")
    assert "48 apples" in row["fault"]
    assert "evse.evse-1.rating" in row["fault"]
    assert "48 apples" in comparison.text()
    assert compare(tmp_path / "out", tmp_path / "out").states == {("input fault", "input fault"): 1}


# two runs


def batch(top: Path, *studies: tuple[str, str, object], records: Mapping[str, Mapping[str, object]] | None = None) -> Path:
    """The output folder of a batch: each study by home, case and a study folder to take the results of, or a state with its faults."""
    rows = []
    for site_id, case, found in studies:
        if isinstance(found, tuple):
            rows.append(of_fault(site_id, case, *found) if found[0] != "not run" else blank(site_id, case, *found))
            continue
        document = results(found) | {"site_id": site_id, "case": case}
        folder = top / site_id / case
        folder.mkdir(parents=True)
        (folder / "results.json").write_text(json.dumps(document), encoding="utf-8")
        if records is not None:
            (folder / "record.json").write_text(json.dumps(records[site_id]), encoding="utf-8")
        rows.append(of_document(document) | {"folder": f"{site_id}/{case}"})
    top.mkdir(exist_ok=True)
    (top / "portfolio.json").write_text(json.dumps({"format": 1, "studies": rows}), encoding="utf-8")
    return top


@pytest.fixture(scope="module")
def runs(homes, tmp_path_factory) -> tuple[Path, Path]:
    top = tmp_path_factory.mktemp("runs")
    large, small, newest = (homes[name] for name in ("48 A", "32 A", "2026"))
    fault = ("input fault", ["homes.csv:3: service.rating: not a quantity", "second"])
    old = batch(
        top / "old",
        *(("same-1", "base", large), ("same-2", "base", newest), ("better", "base", large), ("worse", "base", small)),
        *(("mended", "base", fault), ("broken", "base", small), ("waits", "base", fault), ("gone", "base", large)),
        *(("stopped", "base", large), ("two-cases", "a", large), ("two-cases", "b", large)),
        *(("", "base", ("input fault", ["no id"])), ("", "base", ("input fault", ["no id either"]))),
    )
    new = batch(
        top / "new",
        *(("same-1", "base", large), ("same-2", "base", newest), ("better", "base", small), ("worse", "base", large)),
        *(("mended", "base", small), ("broken", "base", ("calculation fault", ["no such size"])), ("waits", "base", fault)),
        *(("added", "base", large), ("stopped", "base", ("not run", "the batch was stopped before it"))),
        *(("two-cases", "a", small), ("two-cases", "c", large), ("", "base", ("input fault", ["no id"]))),
    )
    return old, new


def test_every_study_of_both_runs_is_accounted_for(runs):
    comparison = compare(*runs)
    assert comparison.counts() == {
        "compared": 10,
        "moved": 6,
        "moved_by_workbooks_alone": 0,
        "checks_that_do_not_count": 0,
        "edition_adopted_alone": 0,
        "other_values": 0,
        "another_fault": 0,
        "unchanged": 4,
        "another_state": 6,
        "another_state_by_edition_adopted_alone": 0,
        "added": 2,
        "without_verdict_before": 4,
        "gone": 3,
        "without_verdict_now": 4,
    }
    sides = [json.loads((run / "portfolio.json").read_bytes())["studies"] for run in runs]
    for side, rows in enumerate(sides):
        states = [row["state"] for row in rows]
        counted = {state: sum(count for pair, count in comparison.states.items() if pair[side] == state) for state in states}
        assert counted == {state: states.count(state) for state in states}


def test_what_moved_stands_before_what_did_not_and_the_worst_first(runs):
    changes = compare(*runs).changes
    names = [(change.site_id, change.case, change.state_before, change.state_now) for change in changes]
    assert names[:5] == [
        ("broken", "base", "judgement", "calculation fault"),
        ("stopped", "base", "fail", "not run"),
        ("worse", "base", "judgement", "fail"),
        ("added", "base", None, "fail"),
        ("two-cases", "c", None, "fail"),
    ]
    assert [change.moved for change in changes] == sorted((change.moved for change in changes), reverse=True)
    still = {(change.site_id, change.fault_now) for change in changes if not change.moved}
    assert still == {("waits", "homes.csv:3: service.rating: not a quantity"), ("", "no id")}


def test_of_the_same_state_now_what_was_best_before_stands_first(homes, tmp_path):
    old = batch(
        tmp_path / "old",
        *(("was-judgement", "base", homes["32 A"]), ("was-fault", "base", ("input fault", ["x"]))),
        *(("was-needing", "base", homes["2026"]), ("was-stopped", "base", ("not run", "y"))),
    )
    new = batch(
        tmp_path / "new", *((f"was-{name}", "base", homes["48 A"]) for name in ("stopped", "needing", "fault", "judgement", "away"))
    )
    names = [change.site_id for change in compare(old, new).changes]
    assert names == ["was-judgement", "was-needing", "was-stopped", "was-fault", "was-away"]


def test_checks_of_a_run_are_those_of_its_studies(runs, homes):
    rows = compare(*runs).rows()
    names = ["workbook", "check", "verdict_before", "verdict_now", "margin_before", "margin_now"]
    for site_id, case, old, new in (
        ("better", "base", "48 A", "32 A"),
        ("worse", "base", "32 A", "48 A"),
        ("two-cases", "a", "48 A", "32 A"),
    ):
        found = {tuple(row[name] for name in names) for row in rows if (row["site_id"], row["case"]) == (site_id, case)}
        assert found == plainly(homes[old], homes[new])
    alone = {(row["site_id"], row["case"], row["kind"], row["fault"]) for row in rows if row["kind"].startswith("study")}
    assert alone == {
        ("added", "base", "study added", None),
        ("two-cases", "c", "study added", None),
        ("gone", "base", "study gone", None),
        ("two-cases", "b", "study gone", None),
        ("", "base", "study gone", "no id either"),
        ("mended", "base", "study", "homes.csv:3: service.rating: not a quantity"),
        ("broken", "base", "study", "no such size"),
        ("stopped", "base", "study", "the batch was stopped before it"),
    }


def test_results_of_the_same_bytes_are_not_read(runs, monkeypatch):
    read = []

    def spy(file):
        read.append(file)
        return original(file)

    original = compared.results_of
    monkeypatch.setattr(compared, "results_of", spy)
    compare(*runs)
    moved = {"better", "worse", "two-cases", "mended", "broken", "stopped"}
    assert {file.parent.parent.name for file in read} == moved | {"added", "gone"}
    assert len(read) == len(set(read))


def test_homes_under_another_case_are_matched_where_each_side_has_them_once(homes, tmp_path):
    old = batch(tmp_path / "old", ("a", "base", homes["2020"]), ("b", "base", homes["2020"]), ("c", "base", homes["2020"]))
    new = batch(
        tmp_path / "new",
        *(("a", "edition-2026", homes["2026"]), ("b", "edition-2026", homes["2026"])),
        *(("c", "edition-2026", homes["2026"]), ("c", "other", homes["2026"])),
    )
    comparison = compare(old, new)
    assert comparison.remarks == ("matched by home alone, case base -> edition-2026: 2 studies",)
    assert comparison.states == {("fail", "needs input"): 2, ("fail", None): 1, (None, "needs input"): 2}
    assert "a/base -> edition-2026: fail -> needs input" in comparison.text()


def test_a_study_is_found_in_the_batch_that_it_is_compared_with(runs, homes, tmp_path):
    one = runs[1] / "better" / "base"
    assert compare(runs[0], one).states == {("fail", "judgement"): 1}
    assert compare(one, runs[0]).states == {("judgement", "fail"): 1}
    assert faults_of(lambda: compare(runs[0], homes["48 A"])) == [("old", "", "has no study of the home that it is compared with")]
    both = batch(tmp_path / "both", ("two-cases", "x", homes["48 A"]))
    what = "has several cases of the home that it is compared with"
    assert faults_of(lambda: compare(runs[0], both / "two-cases" / "x")) == [("old", "", what)]


# causes


def record(*files: Path, program: Program | None = None, edition: str | None = None, asked: Mapping[str, str] | None = None) -> dict:
    """A record as a batch keeps it, of some files of one folder and those of its jurisdictions."""
    top = files[0].parent
    read = [*files, top / "jurisdictions" / "tansy-hollow.toml", top / "jurisdictions" / "tansy-light.toml"]
    inputs = {path.relative_to(top).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest() for path in read}
    texts = {path.relative_to(top).as_posix(): path.read_text(encoding="utf-8") for path in read if path.suffix == ".toml"}
    given = {"edition": edition, "overrides": dict(asked or {})}
    return {"inputs": inputs, "texts": texts, "asked": given, "program": program.sha256 if program else ""}


def of_records(top: Path, homes: Mapping[str, Path], old: Mapping, new: Mapping, names: tuple[str, str] = ("48 A", "32 A")) -> list[str]:
    """Causes between two runs of one home, as `compare` tells them."""
    before = batch(top / "old", ("a", "base", bare(homes[names[0]], top / "one")), records={"a": old})
    now = batch(top / "new", ("a", "base", bare(homes[names[1]], top / "other")), records={"a": new})
    return causes(compare(before, now))


def bare(folder: Path, out: Path) -> Path:
    """The results of a study without its list of inputs, which its record then gives."""
    out.mkdir(parents=True)
    (out / "results.json").write_text(json.dumps(results(folder) | {"inputs": []}), encoding="utf-8")
    return out


def test_nothing_is_invented_where_nothing_is_recorded(homes, tmp_path):
    same = record(site(tmp_path / "in"), program=PROGRAM)
    assert of_records(tmp_path / "a", homes, same, same) == ["no recorded cause"]
    unknown = same | {"program": ""}
    assert of_records(tmp_path / "b", homes, same, unknown) == ["no recorded cause (the program is not on record on both sides)"]
    layout = record(site(tmp_path / "other", ("growth = \"0 A\"", "growth    = \"0 A\"   # nothing more")), program=PROGRAM)  # fmt: skip
    said = ["no recorded cause (home.toml: only comments, notes or order differ)"]
    assert of_records(tmp_path / "c", homes, same, layout) == said


def test_fields_that_a_portfolio_set_are_causes_as_those_of_the_file_are(homes, tmp_path):
    file = site(tmp_path / "in")
    before = record(file, asked={"site.id": "a", "evse.evse-1.rating": "48000 mA", "service.rating": "100 A"})
    now = record(file, asked={"site.id": "b", "evse.evse-1.rating": "32 A", "dwelling.laundry_circuits": "2", "nowhere.x": "1"})
    assert sorted(of_records(tmp_path / "a", homes, before, now)) == [
        "dwelling.laundry_circuits: 1 -> 2",
        "evse.evse-1.rating: 48000 mA -> 32 A",
        "nowhere.x: nothing -> 1",
        "service.rating: 100 A (stated) -> 100 A (nameplate)",
    ]
    plain, set_by_row = (
        record(file),
        record(file, asked={"study.growth": "0 A", "panel.main.spaces": "24", "panel.main.neutral_bonded": "True"}),
    )
    assert of_records(tmp_path / "b", homes, plain, set_by_row)[0].startswith("no recorded cause")


def test_values_of_local_files_and_files_that_came_and_went(homes, tmp_path):
    one, other = site(tmp_path / "one"), site(tmp_path / "other")
    law = tmp_path / "other" / "jurisdictions" / "tansy-light.toml"
    law.write_text(law.read_text(encoding="utf-8").replace('fault_current = { value = "10 kA"', 'fault_current = { value = "22 kA"'))
    (tmp_path / "one" / "load.csv").write_text("1", encoding="utf-8")
    (tmp_path / "other" / "load.csv").write_text("2", encoding="utf-8")
    (tmp_path / "other" / "weather.csv").write_text("3", encoding="utf-8")
    before = record(one, tmp_path / "one" / "load.csv")
    now = record(other, tmp_path / "other" / "load.csv", tmp_path / "other" / "weather.csv")
    assert of_records(tmp_path / "a", homes, before, now) == [
        "jurisdictions/tansy-light.toml: limit.fault_current.value: 10 kA -> 22 kA",
        "load.csv has other contents",
        "weather.csv is read now, it was not",
    ]


def test_a_site_file_under_another_name_is_still_the_site_file(homes, tmp_path):
    before, now = record(site(tmp_path / "in")), record(site(tmp_path / "in", SMALLER, name="revised.toml"))
    assert of_records(tmp_path / "a", homes, before, now) == ["evse.evse-1.rating: 48 A -> 32 A"]


def test_a_file_whose_text_is_not_kept_or_no_toml_is_named(homes, tmp_path):
    before, now = record(site(tmp_path / "one")), record(site(tmp_path / "other", SMALLER))
    del before["texts"]["home.toml"]
    assert of_records(tmp_path / "a", homes, before, now) == ["home.toml has other contents (its text is not kept before)"]
    before["texts"]["home.toml"] = "[site\n"
    assert of_records(tmp_path / "b", homes, before, now) == ["home.toml has other contents (it cannot be read before)"]


def test_a_copy_of_the_inputs_that_was_edited_since_is_not_relied_on(homes, tmp_path):
    edited = tmp_path / "edited"
    shutil.copytree(homes["48 A"], edited)
    (edited / "inputs" / "home.toml").write_text(SITE.replace('growth = "0 A"', 'growth = "5 A"'), encoding="utf-8")
    assert causes(compare(edited, homes["32 A"])) == ["home.toml has other contents (its text is not kept before)"]
    for name in ("one", "other"):
        shutil.copytree(homes["48 A" if name == "one" else "32 A"], tmp_path / name)
        shutil.rmtree(tmp_path / name / "inputs")
    assert causes(compare(tmp_path / "one", tmp_path / "other")) == ["home.toml has other contents (its text is not kept before and now)"]


def test_what_a_portfolio_set_is_told_where_the_files_cannot_be_read(homes, tmp_path):
    empty = {"inputs": {}, "texts": {}, "program": ""}
    before = empty | {"asked": {"edition": None, "overrides": {"site.id": "a", "service.rating": "100 A", "study.growth": "0 A"}}}
    now = empty | {"asked": {"edition": "2026", "overrides": {"site.id": "b", "service.rating": "125 A", "study.growth": "0 A"}}}
    assert of_records(tmp_path / "a", homes, before, now) == ["service.rating: 100 A -> 125 A"]
    broken = {"inputs": {"home.toml": "1"}, "texts": {"home.toml": "[site"}, "program": ""}
    sides = [broken | {"asked": one["asked"] | {"site_file": "home.toml"}} for one in (before, now)]
    assert of_records(tmp_path / "b", homes, *sides) == ["service.rating: 100 A -> 125 A"]


def test_of_studies_without_results_the_edition_that_was_asked_for_is_told(homes, tmp_path):
    given = record(site(tmp_path / "in")), record(site(tmp_path / "in"), edition="2026")
    before = bare(homes["48 A"], tmp_path / "bare")
    runs = [batch(tmp_path / "old", ("a", "base", before), records={"a": given[0]}), tmp_path / "new"]
    row = of_fault("a", "base", "input fault", ["x"]) | {"folder": "a/base"}
    (runs[1] / "a" / "base").mkdir(parents=True)
    (runs[1] / "a" / "base" / "record.json").write_text(json.dumps(given[1]), encoding="utf-8")
    (runs[1] / "portfolio.json").write_text(json.dumps({"format": 1, "studies": [row]}), encoding="utf-8")
    assert causes(compare(*runs)) == ["edition asked for: the file's own -> 2026"]


def test_what_differs_of_the_program_is_told_of_the_editions_in_use(homes, tmp_path):
    newer = replace(
        PROGRAM,
        library={"workbook_lib.rules.busbar": "9" * 64},
        editions={"2020": {"values: a": "2"}, "2023": {"values: a": "1", "ampacity[6].cu_75": "60"}},
        environment={"numpy": "2.1"},
    )
    file = site(tmp_path / "in")
    before, now = (record(file, program=program) for program in (PROGRAM, newer))
    wanted = [
        "edition 2023, ampacity[6].cu_75: 65 -> 60",
        "module workbook_lib.rules.busbar changed",
        "numpy: 2.0 -> 2.1",
    ]
    missing = of_records(tmp_path / "none", homes, before, now)
    assert len(missing) == 1
    assert missing[0].startswith("another program (what it consisted of before is not on record)")
    for run in ("old", "new"):
        Output(tmp_path / run).own.joinpath("programs").mkdir(parents=True)
    keep_program(Output(tmp_path / "old"), PROGRAM)
    keep_program(Output(tmp_path / "new"), newer)
    assert of_records(tmp_path, homes, before, now) == wanted


def test_only_what_all_have_in_common_is_told_once(homes, tmp_path):
    one = record(site(tmp_path / "in"), asked={"study.growth": "0 A"})
    studies = ("2020", "2026")
    runs = []
    for name in studies:
        given = {"a": one, "b": one | {"asked": {"overrides": {"study.growth": "0 A" if name == "2020" else "5 A"}}}}
        runs.append(batch(tmp_path / name, ("a", "base", homes[name]), ("b", "base", homes[name]), records=given))
    comparison = compare(*runs)
    edition = "edition: 2020 (what-if) -> 2026 (what-if)"
    assert [str(cause) for cause in comparison.common] == [edition]
    assert {change.site_id: causes(comparison, place) for place, change in enumerate(comparison.changes)} == {
        "a": [edition],
        "b": [edition, "study.growth: 0 A -> 5 A"],
    }
    assert comparison.text().count(edition) == 1
    studies = {one["site_id"]: [cause["text"] for cause in one["causes"]] for one in comparison.document()["studies"]}
    assert studies == {"a": [], "b": ["study.growth: 0 A -> 5 A"]}
    told = {
        (row["site_id"], re.sub(r"^(edition: \S+ \S+ -> \S+ \(what-if\)).*?(; study.*)?$", r"\1\2", row["causes"]))
        for row in comparison.rows()
    }
    assert told == {("a", edition), ("b", f"{edition}; study.growth: 0 A -> 5 A")}


def test_a_load_that_came_is_one_cause(homes, tmp_path):
    before = record(site(tmp_path / "one"))
    line = next(line for line in SITE.split("\n") if 'id = "disposer"' in line)
    now = record(site(tmp_path / "other", (line + "\n", "")))
    found = of_records(tmp_path / "a", homes, now, before)
    assert found == ["load.disposer: nothing -> a row with kind disposer, connected_to disposer-breaker, current 8 A, voltage 120 V"]
    assert of_records(tmp_path / "b", homes, before, now) == [
        "load.disposer: a row with kind disposer, connected_to disposer-breaker, current 8 A, voltage 120 V -> nothing"
    ]


# leaf by leaf

SCALARS = st.none() | st.booleans() | st.integers(-3, 3) | st.floats() | st.text(max_size=3)
KEYS = st.sampled_from(["a", "b", "c", "d.e", "id", "x"])
TREES = st.dictionaries(KEYS, st.recursive(SCALARS | st.lists(SCALARS, max_size=2), lambda inner: st.dictionaries(KEYS, inner, max_size=3)))


def walked(old: object, new: object, way: tuple[str, ...] = ()) -> dict[tuple[str, ...], tuple[object, object]]:
    """Places at which two trees of dictionaries differ, by plain recursion; what is missing is an Ellipsis."""
    if isinstance(old, dict) or isinstance(new, dict):
        plain = [... if isinstance(side, dict) else side for side in (old, new)]
        found = {} if plain == [..., ...] else {way: tuple(plain)}
        sides = [side if isinstance(side, dict) else {} for side in (old, new)]
        for key in {**sides[0], **sides[1]}:
            found |= walked(sides[0].get(key, ...), sides[1].get(key, ...), (*way, key))
        return found
    same = type(old) is type(new) and repr(old) == repr(new)
    return {} if same else {way: (old, new)}


def said_of(found) -> dict[tuple[str, ...], tuple[str, str]]:
    return {one.way: tuple("..." if side is None else repr(side.value) for side in (one.before, one.now)) for one in found}


@settings(max_examples=300, deadline=None)
@given(TREES, TREES)
def test_differences_are_those_of_a_plain_recursion(old, new):
    found = differences(leaves(old, wrappers=False), leaves(new, wrappers=False), read=False)
    wanted = {way: tuple("..." if side is ... else repr(side) for side in pair) for way, pair in walked(old, new).items()}
    assert said_of(found) == wanted


@settings(max_examples=200, deadline=None)
@given(TREES, TREES, st.booleans())
def test_the_other_way_round_is_the_same_with_sides_changed(old, new, read):
    there, back = (differences(leaves(one), leaves(other), read=read) for one, other in ((old, new), (new, old)))
    assert {one.way: (repr(one.before), repr(one.now)) for one in there} == {one.way: (repr(one.now), repr(one.before)) for one in back}
    assert differences(leaves(old), leaves(old), read=read) == ()


ROWS = st.dictionaries(st.sampled_from(["p", "q", "r", "s"]), st.integers(0, 2), max_size=4)


@settings(max_examples=100, deadline=None)
@given(ROWS, ROWS, st.randoms())
def test_rows_answer_to_each_other_by_id_whatever_their_order(old, new, random):
    tables = []
    for rows in (old, new):
        listed = [{"id": name, "value_a": value} for name, value in rows.items()]
        random.shuffle(listed)
        tables.append({"load": listed} if listed else {})
    found = {one.way[1] for one in differences(*map(leaves, tables)) if one.way[-1] == "value_a"}
    assert found == {name for name in {**old, **new} if old.get(name) != new.get(name)}


@pytest.mark.parametrize(
    "old, new, differ",
    [
        ('"24 A"', '"24000 mA"', False),
        ('"24 A"', '"24.0 A"', False),
        ('"24 A"', '{ value = "24 A", note = "photo 3" }', False),
        ('"24 A"', '{ value = "24 A", from = "stated" }', False),
        ('"24 A"', '{ value = "24 A", from = "nameplate" }', True),
        ('{ value = "24 A", from = "photo" }', '{ value = "24000 mA", from = "nameplate" }', True),
        ('"24 A"', '"24.1 A"', True),
        ('"24 A"', '"24 V"', True),
        ('"24 A"', '"some"', True),
        ('"some"', '"some"', False),
    ],
)
def test_a_leaf_is_its_value_as_the_field_reads_it_and_how_it_is_known(old, new, differ):
    sides = [leaves(tomllib.loads(f'[[evse]]\nid = "e"\nrating = {text}\n')) for text in (old, new)]
    assert bool(differences(*sides)) is differ
    assert bool(differences(*reversed(sides))) is differ


def test_rows_of_the_same_id_or_without_one_keep_apart():
    found = leaves({"v": [{"id": "1", "x": 1}, {"id": "1", "x": 2}, {"x": 3}, {"x": 4}]})
    assert {way: held.value for way, held in found.items() if way[-1] == "x"} == {
        ("v", "1", "x"): 1,
        ("v", "#1", "x"): 2,
        ("v", "2", "x"): 3,
        ("v", "3", "x"): 4,
    }
    assert leaves({"a": float("nan")}) != {}
    assert differences({("a",): Held(float("nan"))}, {("a",): Held(float("nan"))}) == ()


# values, the edition, what was done


def sides_of(folder: Path, workbook: str, key: str) -> tuple[object, ...]:
    check = next(one for one in results(folder)["workbooks"][workbook]["checks"] if one["key"] == key)
    return tuple(check[name] for name in ("verdict", "provided", "required", "unit", "margin"))


def test_a_study_of_the_same_verdicts_is_shown_with_its_controlling_checks(homes, tmp_path):
    more = made(site(tmp_path / "more", ('"1600 ft^2"', '"1601 ft^2"')), tmp_path / "made")
    old = batch(tmp_path / "old", ("a", "base", homes["48 A"]), ("b", "base", homes["48 A"]), ("c", "base", homes["48 A"]))
    new = batch(tmp_path / "new", ("a", "base", homes["48 A"]), ("b", "base", more), ("c", "base", homes["32 A"]))
    comparison = compare(old, new)
    assert [(change.site_id, change.moved) for change in comparison.changes] == [("c", True), ("b", False)]
    rows = [row for row in comparison.rows() if row["site_id"] == "b"]
    wanted = {}
    for name, entry in results(homes["48 A"])["workbooks"].items():
        key = entry["controlling"]
        assert key == results(more)["workbooks"][name]["controlling"]
        if key and sides_of(homes["48 A"], name, key) != sides_of(more, name, key):
            wanted[name, key] = (*sides_of(homes["48 A"], name, key), *sides_of(more, name, key))
    assert ("service_load", "service-capacity") in wanted
    names = [f"{name}_{side}" for side in ("before", "now") for name in ("verdict", "provided", "required", "unit", "margin")]
    assert {(row["workbook"], row["check"]): tuple(row[name] for name in names) for row in rows} == wanted
    said = "home.toml has other contents (its text is not kept before and now)"
    assert {(row["kind"], row["causes"]) for row in rows} == {("value", said)}
    study = next(one for one in comparison.document()["studies"] if one["site_id"] == "b")
    assert {(one["workbook"], one["key"]) for one in study["values"]} == set(wanted)
    text = comparison.text()
    assert text.index("c/base: fail -> judgement") < text.index("THE SAME VERDICTS, OTHER VALUES") < text.index("b/base: fail")
    assert "106.067 ≤ 100 A, margin −6.067 -> 106.072 ≤ 100 A" in " ".join(text.split()).partition("OTHER VALUES")[2]


def test_a_study_of_which_no_controlling_check_moved_has_a_line_all_the_same(homes, tmp_path):
    document = results(homes["48 A"])
    results_of_load = document["workbooks"]["service_load"]["results"]
    moved = next(iter(results_of_load))
    results_of_load[moved]["value"] = 1.25
    (tmp_path / "results.json").write_text(json.dumps(document), encoding="utf-8")
    comparison = compare(homes["48 A"], tmp_path)
    (row,) = comparison.rows()
    assert (row["kind"], row["site_id"], row["check"], comparison.moved) == ("value", "bungalow-100a", None, False)
    assert "values of results that moved: 1" in comparison.text()
    assert f"{moved} (service_load): " in comparison.text()
    assert " -> 1.25" in comparison.text()


WORST = ("fail", "needs input", "judgement", "pass", "not applicable")


def under(folder: Path, out: Path, adopted: str, *, passing: bool = False) -> Path:
    """The same study with another verdict of `edition-adopted`, each workbook made up anew; `passing`: every other check passes."""
    document = results(folder)
    for entry in document["workbooks"].values():
        for check in entry["checks"]:
            if check["key"] == "edition-adopted":
                check["verdict"] = adopted
            elif passing and check["verdict"] != "not applicable":
                check["verdict"] = "pass"
        counted = [check for check in entry["checks"] if check["counts"]]
        worst = min(counted, key=lambda check: WORST.index(check["verdict"]))
        entry["verdict"], entry["controlling"] = worst["verdict"], worst["key"]
    out.mkdir(parents=True)
    (out / "results.json").write_text(json.dumps(document), encoding="utf-8")
    return out


def plain_state(folder: Path) -> str:
    """The state without `edition-adopted`."""
    books = results(folder)["workbooks"].values()
    return min(
        (one["verdict"] for book in books for one in book["checks"] if one["counts"] and one["key"] != "edition-adopted"), key=WORST.index
    )


def test_the_edition_that_is_not_adopted_is_said_once_and_moves_no_study(homes, tmp_path):
    passing, judged = (under(homes["32 A"], tmp_path / name, name, passing=True) for name in ("pass", "judgement"))
    old = batch(tmp_path / "old", ("a", "base", passing), ("b", "base", passing), ("c", "base", homes["48 A"]))
    new = batch(tmp_path / "new", ("a", "base", judged), ("b", "base", judged), ("c", "base", homes["2026"]))
    comparison = compare(old, new)
    assert comparison.states == {("fail", "needs input"): 1, ("pass", "judgement"): 2}
    assert comparison.states_otherwise == {("fail", plain_state(homes["2026"])): 1, ("pass", "pass"): 2}
    assert [change.site_id for change in comparison.changes] == ["c"]
    assert (comparison.counts()["moved"], comparison.counts()["edition_adopted_alone"]) == (1, 2)
    assert comparison.text().count("edition-adopted: pass -> judgement in 3 studies") == 1
    assert re.search(r"^pass +judgement +pass +2$", comparison.text(), re.MULTILINE)
    assert not any(row["check"] == "edition-adopted" for row in comparison.rows())
    assert not any(one.key == "edition-adopted" for change in comparison.changes for one in change.checks)
    comparison.write(tmp_path / "out")
    page = (tmp_path / "out" / "changes.html").read_text(encoding="utf-8")
    assert page.count("edition-adopted:") == 1
    held = json.loads((tmp_path / "out" / "changes.json").read_bytes())
    assert held["edition_adopted"] == [{"before": "pass", "now": "judgement", "studies": 3}]


def test_of_two_studies_the_edition_alone_is_no_move_either(homes, tmp_path):
    passing, judged = (under(homes["32 A"], tmp_path / name, name, passing=True) for name in ("pass", "judgement"))
    comparison = compare(passing, judged)
    assert (comparison.moved, comparison.rows()) == (False, [])
    assert comparison.states == {("pass", "judgement"): 1}
    assert "bungalow-100a/base: pass -> judgement (pass without edition-adopted)" in comparison.text()


def test_the_state_without_the_edition_is_made_up_where_a_row_has_none(homes, tmp_path):
    judged = under(homes["32 A"], tmp_path / "judged", "judgement", passing=True)
    runs = [batch(tmp_path / name, ("a", "base", judged)) for name in ("old", "new")]
    assert compare(*runs).states_otherwise == {("pass", "pass"): 1}
    for run in runs:
        held = json.loads((run / "portfolio.json").read_bytes())
        del held["studies"][0]["state_otherwise"]
        (run / "portfolio.json").write_text(json.dumps(held), encoding="utf-8")
    assert compare(*runs).states_otherwise == {("pass", "pass"): 1}


def headed(run: Path, head: Mapping[str, object], **rows: Mapping[str, object]) -> Path:
    """A batch with more at the head of its portfolio.json and in the rows of some homes."""
    held = json.loads((run / "portfolio.json").read_bytes()) | head
    held["studies"] = [row | rows.get(row["site_id"], {}) for row in held["studies"]]
    (run / "portfolio.json").write_text(json.dumps(held), encoding="utf-8")
    return run


def test_what_changed_its_state_stands_before_what_moved_another_verdict(homes, tmp_path):
    document = results(homes["48 A"])
    check = next(one for one in document["workbooks"]["service_load"]["checks"] if one["key"] == "service-minimum")
    check["verdict"] = "judgement"
    (tmp_path / "aside").mkdir()
    (tmp_path / "aside" / "results.json").write_text(json.dumps(document), encoding="utf-8")
    old = batch(tmp_path / "old", ("a", "base", homes["48 A"]), ("b", "base", homes["48 A"]))
    new = batch(tmp_path / "new", ("a", "base", tmp_path / "aside"), ("b", "base", homes["32 A"]))
    changes = compare(old, new).changes
    assert [(change.site_id, change.state_now, change.moved) for change in changes] == [("b", "judgement", True), ("a", "fail", True)]


def test_the_head_says_what_was_done_and_from_what(homes, tmp_path):
    names = ("a", "b", "c")
    old = headed(batch(tmp_path / "old", *((name, "base", homes["48 A"]) for name in names)), {"library_version": "0.0.1"})
    new = batch(tmp_path / "new", *((name, "base", homes["2026"]) for name in names))
    what_if = {"where": {"evse.evse-1.rating": "48 A"}, "set": {"service.rating": "125 A"}}
    reasons = ["code: module workbook_lib.rules.busbar changed", "input: study.growth (portfolio): 0 A -> 5 A"]
    headed(
        new,
        {"library_version": "0.0.2", "edition": "2026", "what_if": what_if},
        a={"substituted": True},
        c={"edition": "2023", "accepted": reasons},
    )
    comparison = compare(old, new)
    text = " ".join(comparison.text().split())
    assert "edition 2026 in place of every file's own: 2 of 3 studies made under it" in text
    assert "what-if service.rating = 125 A where evse.evse-1.rating = 48 A: set for 1 of 3 studies" in text
    assert "accepted, not rerun: 1 study (c/base)" in text
    assert "c/base: fail -> needs input, accepted, not rerun" in text
    assert comparison.text().count("the what-if was not made for it") == 2
    assert {row["accepted"] for row in comparison.rows() if row["site_id"] == "c"} == {"; ".join(reasons)}
    assert {row["accepted"] for row in comparison.rows() if row["site_id"] != "c"} == {None}
    comparison.write(tmp_path / "out")
    page = (tmp_path / "out" / "changes.html").read_text(encoding="utf-8")
    for run, version in ((old, "0.0.1"), (new, "0.0.2")):
        assert hashlib.sha256((run / "portfolio.json").read_bytes()).hexdigest() in page
        assert f">{version}</td>" in page
    assert "<h1>What moved: old to new</h1>" in page
    assert not re.search(r"\d\d:\d\d", page)
    assert tmp_path.as_posix() not in page + (tmp_path / "out" / "changes.json").read_text(encoding="utf-8")
    shown = re.findall(r"<td[^>]*>((?:of these|in both|added|gone|without)[^<]*)</td><td[^>]*>([^<]*)</td>", page)
    assert shown == [("in both", "3"), ("of these a verdict moved", "3"), ("of these another state", "3")]


def test_what_was_accepted_is_not_laid_to_the_what_if(homes, tmp_path):
    file = site(tmp_path / "in")
    asked = {"dwelling.floor_area": "1900 ft^2", "evse.evse-1.rating": "48 A"}
    before = record(file, asked=asked)
    now = record(file, asked=asked | {"dwelling.floor_area": "1820 ft^2", "evse.evse-1.rating": "32 A"})
    old = batch(tmp_path / "old", ("a", "base", bare(homes["48 A"], tmp_path / "one")), records={"a": before})
    new = batch(tmp_path / "new", ("a", "base", bare(homes["32 A"], tmp_path / "other")), records={"a": now})
    reasons = ["input: dwelling.floor_area (portfolio): 1820 ft^2 -> 1900 ft^2", "input: home.toml: evse.evse-1.rating: 48 A -> 40 A"]
    what_if = {"where": {}, "set": {"evse.evse-1.rating": "32 A"}}
    headed(new, {"what_if": what_if}, a={"substituted": True, "accepted": reasons})
    wanted = {"dwelling.floor_area: 1900 ft^2 -> 1820 ft^2 (accepted, not rerun)", "evse.evse-1.rating: 48 A -> 32 A"}
    assert set(causes(compare(old, new))) == wanted
    assert {cause.accepted for cause in compare(new, old).changes[0].causes if "floor" in cause.what} == {True}


@pytest.mark.parametrize(
    "reason, cause, same_thing",
    [
        ("input: home.toml: service.rating: 100 A -> 125 A", Cause("field", "service.rating", "1", "2"), True),
        ("input: home.toml: service.rating: 100 A -> 125 A", Cause("field", "service.rating_kind", "1", "2"), False),
        ("input: home.toml: evse.e1.rating: nothing -> 40 A", Cause("field", "evse.e1", None, "a row"), True),
        ("input: home.toml: 3 fields more", Cause("field", "service.rating", "1", "2"), True),
        ("input: local/x.toml: 3 fields more", Cause("field", "service.rating", "1", "2"), False),
        ("input: local/x.toml: limit.v: 1 -> 2", Cause("local", "local/x.toml: limit.v", "1", "2"), True),
        ("input: local/x.toml: limit.v: 1 -> 2", Cause("local", "local/y.toml: limit.v", "1", "2"), False),
        ("input: load.csv changed", Cause("file", "load.csv has other contents"), True),
        ("input: load.csv is there now, it was not", Cause("file", "load.csv is not read any more"), True),
        ("input: load.csv changed", Cause("file", "load.csv.bak has other contents"), False),
        ("input: base: a.toml -> b.toml", Cause("field", "service.rating", "1", "2"), True),
        ("input: edition: 2023 -> 2026", Cause("edition", "edition", "2023", "2026"), True),
        ("edition: edition 2023, a: 1 -> 2", Cause("edition", "edition", "2023", "2026"), False),
        ("edition: edition 2023, a: 1 -> 2", Cause("table", "edition 2023, a: 1 -> 2"), True),
        ("code: module m changed", Cause("module", "module m changed"), True),
        ("code: module m changed", Cause("module", "module n changed"), False),
        ("code: module m changed", Cause("version", "version of the library", "1", "2"), True),
        ("input: load.csv changed", Cause("version", "version of the library", "1", "2"), False),
        ("input: load.csv changed", Cause("unknown", "no recorded cause"), False),
    ],
)
def test_a_reason_that_was_accepted_is_known_in_the_causes(reason, cause, same_thing):
    assert compared._names(reason, cause) is same_thing


@pytest.mark.parametrize("there", ["added", "gone"])
def test_a_study_on_one_side_only_is_shown_with_what_decides_it(homes, tmp_path, there):
    small = batch(tmp_path / "small", ("b", "base", homes["32 A"]))
    large = batch(tmp_path / "large", ("b", "base", homes["32 A"]), ("a", "base", homes["48 A"]))
    comparison = compare(*((small, large) if there == "added" else (large, small)))
    counted = [
        (check["margin"] / check["required"], check)
        for entry in results(homes["48 A"])["workbooks"].values()
        for check in entry["checks"]
        if check["counts"] and check["verdict"] == "fail"
    ]
    worst = min(counted, key=lambda one: one[0])[1]
    (row,) = comparison.rows()
    side, other = ("now", "before") if there == "added" else ("before", "now")
    assert (row["kind"], row[f"verdict_{side}"], row[f"verdict_{other}"]) == (f"study {there}", "fail", None)
    assert (row["check"], row[f"provided_{side}"], row[f"margin_{side}"]) == (worst["key"], worst["provided"], worst["margin"])
    text = " ".join(comparison.text().split())
    assert f"controlling: {worst['key']} (" in text
    assert "fail: 106.07 ≤ 100 A, margin −6.07" in text
    assert "nothing is recorded" not in text


def test_the_terminal_and_the_page_list_the_same_checks(homes, tmp_path):
    comparison = compare(homes["48 A"], homes["32 A"])
    comparison.write(tmp_path)
    page, text = (tmp_path / "changes.html").read_text(encoding="utf-8"), comparison.text()
    named = {f"{row['check']} ({row['workbook']})" for row in comparison.rows()}
    assert len(named) > 3
    assert {name for name in named if f"- {name}: " in text} == named == {name for name in named if f">{name}<" in page}


def test_two_studies_are_called_by_their_homes(homes, tmp_path):
    other = made(site(tmp_path / "in", ('id = "bungalow-100a"', 'id = "oak-1"')), tmp_path / "oak")
    assert compare(homes["48 A"], other).title() == "bungalow-100a/base to oak-1/base"
    assert compare(homes["48 A"], homes["32 A"]).title() == "bungalow-100a/base: large to smaller"
    runs = [batch(tmp_path / name, ("a", "base", homes[size])) for name, size in (("old", "48 A"), ("new", "32 A"))]
    assert compare(*(run / "a" / "base" for run in runs)).title() == "a/base: old/a/base to new/a/base"
    assert compare(*runs).title() == "old to new"


def test_of_a_study_without_a_record_no_field_is_a_cause(homes, tmp_path):
    old = batch(
        tmp_path / "old", ("a", "base", homes["48 A"]), records={"a": record(site(tmp_path / "in"), asked={"service.rating": "100 A"})}
    )
    new = batch(tmp_path / "new", ("a", "base", ("machinery fault", ["no kernel"])))
    (said,) = causes(compare(old, new))
    assert said.startswith("no recorded cause")


# what counts, why, and what was left out


def edited(folder: Path, out: Path, **checks: Mapping[str, object]) -> Path:
    """The same study with checks of the service load made other, and its verdicts made up anew."""
    document = results(folder)
    entry = document["workbooks"]["service_load"]
    for key, values in checks.items():
        next(one for one in entry["checks"] if one["key"] == key.replace("_", "-")).update(values)
    counted = [check for check in entry["checks"] if check["counts"]]
    worst = min(counted, key=lambda check: WORST.index(check["verdict"]))
    entry["verdict"], entry["controlling"] = worst["verdict"], worst["key"]
    out.mkdir(parents=True)
    (out / "results.json").write_text(json.dumps(document), encoding="utf-8")
    return out


def line_of(text: str, start: str) -> str:
    """The bullet of a terminal text that begins so, on one line."""
    return " ".join(next(part for part in re.split(r"\n(?=- |\n)", text) if part.startswith(f"- {start}")).split())


@pytest.mark.parametrize("verdict", ["fail", "needs input", "judgement"])
def test_checks_that_do_not_count_move_no_verdict(homes, tmp_path, verdict):
    passing = edited(homes["48 A"], tmp_path / "pass", service_minimum={"counts": False})
    other = edited(homes["48 A"], tmp_path / "other", service_minimum={"counts": False, "verdict": verdict})
    comparison = compare(passing, other)
    assert not comparison.moved
    assert comparison.lines()[:3] == [
        "verdict moved: 0 studies",
        "through the edition not being the adopted one alone: 0 studies",
        "only checks that do not count moved: 1 study",
    ]
    assert (comparison.counts()["moved"], comparison.counts()["checks_that_do_not_count"]) == (0, 1)
    assert [(row["check"], row["verdict_now"]) for row in comparison.rows()] == [("service-minimum", verdict)]
    assert "ONLY CHECKS THAT DO NOT COUNT MOVED" in comparison.text()
    counting = edited(homes["48 A"], tmp_path / "counting", service_minimum={"verdict": verdict})
    assert compare(homes["48 A"], counting).moved


def test_a_check_that_applies_to_nothing_may_come_go_or_count_no_more(homes, tmp_path):
    plain = edited(homes["48 A"], tmp_path / "plain", service_minimum={"verdict": "not applicable"})
    asked = edited(homes["48 A"], tmp_path / "asked", service_minimum={"verdict": "judgement", "counts": False})
    assert not compare(plain, asked).moved
    document = results(plain)
    checks = document["workbooks"]["service_load"]["checks"]
    checks[:] = [check for check in checks if check["key"] != "service-minimum"]
    (tmp_path / "gone").mkdir()
    (tmp_path / "gone" / "results.json").write_text(json.dumps(document), encoding="utf-8")
    assert not compare(plain, tmp_path / "gone").moved
    assert compare(homes["48 A"], tmp_path / "gone").moved


def test_the_lines_on_top_count_each_study_once_and_stand_in_all_three(homes, tmp_path):
    passing, judged = (under(homes["32 A"], tmp_path / name, name, passing=True) for name in ("pass", "judgement"))
    document = results(judged)
    next(iter(document["workbooks"]["service_load"]["results"].values()))["value"] = 1.5
    (tmp_path / "valued").mkdir()
    (tmp_path / "valued" / "results.json").write_text(json.dumps(document), encoding="utf-8")
    aside = edited(judged, tmp_path / "aside", service_minimum={"counts": False, "verdict": "not applicable"})
    off = edited(passing, tmp_path / "off", service_minimum={"counts": False})
    aside_now = edited(off, tmp_path / "aside-now", service_minimum={"verdict": "fail"})
    names = ("a", "b", "c", "d", "e")
    old = batch(tmp_path / "old", *zip(names, ("base",) * 5, (passing, passing, homes["48 A"], off, passing), strict=True))
    new = batch(tmp_path / "new", *zip(names, ("base",) * 5, (judged, tmp_path / "valued", homes["2026"], aside_now, aside), strict=True))
    comparison = compare(old, new)
    counts = comparison.counts()
    parts = ("moved", "checks_that_do_not_count", "edition_adopted_alone", "other_values", "another_fault", "unchanged")
    assert sum(counts[name] for name in parts) == counts["compared"] == 5
    assert [counts[name] for name in parts[:3]] == [2, 1, 2]
    assert (counts["another_state"], counts["another_state_by_edition_adopted_alone"]) == (4, 3)
    wanted = [
        "verdict moved: 2 studies",
        "through the edition not being the adopted one alone: 2 studies",
        "only checks that do not count moved: 1 study",
        "another state: 4 studies, 3 of them through edition-adopted alone",
    ]
    assert comparison.lines() == wanted == comparison.document()["lines"]
    assert comparison.text().split("\n")[1:5] == [f"- {line}" for line in wanted]
    comparison.write(tmp_path / "out")
    page = (tmp_path / "out" / "changes.html").read_text(encoding="utf-8")
    assert [page.count(f"<li>{line}</li>") for line in wanted] == [1, 1, 1, 1]


def test_another_fault_of_a_home_at_fault_is_no_moved_verdict(homes, tmp_path):
    old = batch(tmp_path / "old", ("a", "base", ("input fault", ["x"])))
    new = batch(tmp_path / "new", ("a", "base", ("input fault", ["y"])))
    comparison = compare(old, new)
    assert (comparison.moved, comparison.counts()["another_fault"]) == (False, 1)
    assert "before: x" in comparison.text()
    assert "now: y" in comparison.text()


LONG = "the heating factors were not seen in a source; " + "choose another method, or let the place state its own factors; " * 5


@pytest.mark.parametrize(
    "values",
    [
        {"verdict": "needs input", "provided": None, "required": None, "relation": None, "margin": None},
        {"verdict": "judgement"},
        {"verdict": "fail", "provided": 77.7, "required": 80.0, "relation": "<=", "margin": 2.3, "unit": "A"},
    ],
)
def test_the_note_is_told_where_it_says_why(homes, tmp_path, values):
    other = edited(homes["48 A"], tmp_path / "other", service_minimum=values | {"note": LONG})
    comparison = compare(homes["48 A"], other)
    said = line_of(comparison.text(), "service-minimum (service_load): pass -> ")
    assert "now: the heating factors were not seen in a source; choose another method" in said
    assert said.endswith("…")
    assert LONG.strip() not in said
    (row,) = [row for row in comparison.rows() if row["check"] == "service-minimum"]
    assert row["note_before"] is None
    assert row["note_now"].startswith("the heating factors were not seen in a source; choose")
    assert 60 < len(row["note_now"]) < 210
    comparison.write(tmp_path / "out")
    assert LONG.strip() in (tmp_path / "out" / "changes.html").read_text(encoding="utf-8")
    held = json.loads((tmp_path / "out" / "changes.json").read_bytes())
    assert {one["now"]["note"] for one in held["studies"][0]["checks"]} >= {LONG}


def test_a_note_is_not_told_where_the_numbers_say_why(homes, tmp_path):
    fails = {"verdict": "fail", "provided": 90.0, "required": 80.0, "relation": "<=", "margin": -10.0, "unit": "A", "note": LONG}
    comparison = compare(homes["48 A"], edited(homes["48 A"], tmp_path / "other", service_minimum=fails))
    assert "heating factors" not in comparison.text()
    assert {row["note_now"] for row in comparison.rows()} == {None}


def test_under_another_edition_the_rule_is_named_and_the_note_that_is_another(homes):
    comparison = compare(homes["48 A"], homes["2026"])
    row = next(row for row in comparison.rows() if (row["workbook"], row["check"]) == ("service_load", "method-allowed:existing_dwelling"))
    old, new = (
        next(one for one in results(homes[name])["workbooks"]["service_load"]["checks"] if one["key"] == row["check"])
        for name in ("48 A", "2026")
    )
    assert old["source"] != new["source"]
    assert (row["source_before"], row["source_now"]) == (old["source"], new["source"])
    assert row["causes"].startswith("edition: 2023 (adopted) -> 2026 (what-if), rule: ")
    assert f"rule: {old['source']} -> {new['source']}" in row["causes"]
    assert f"now: {new['note']}" in row["causes"]
    said = line_of(comparison.text(), "method-allowed:existing_dwelling (service_load): ")
    assert f"rule: {old['source']} -> {new['source']}; now: {new['note']}" in said


def test_the_same_rule_is_named_once_where_the_edition_moved_and_not_where_it_did_not(homes, tmp_path):
    before = edited(homes["48 A"], tmp_path / "a", service_minimum={"source": "NEC 2023 230.79(C)"})
    now = edited(homes["48 A"], tmp_path / "b", service_minimum={"source": "NEC 2026 230.79(C)", "verdict": "fail"})
    (now / "results.json").write_text(json.dumps(results(now) | {"edition": "2026"}), encoding="utf-8")
    assert "rule: 230.79(C) in both" in line_of(compare(before, now).text(), "service-minimum (service_load): pass -> fail")
    same = edited(homes["48 A"], tmp_path / "c", service_minimum={"source": "NEC 2023 230.79(C)", "verdict": "fail"})
    assert "rule:" not in line_of(compare(before, same).text(), "service-minimum (service_load): pass -> fail")


def test_a_check_that_asks_the_other_way_round_says_so(homes, tmp_path):
    before = {"provided": 60.0, "relation": ">=", "required": 60.0, "unit": "A", "margin": 0.0}
    now = {"provided": 60.0, "relation": "<=", "required": 70.0, "unit": "A", "margin": 10.0, "verdict": "judgement"}
    sides = [edited(homes["48 A"], tmp_path / name, service_minimum=one) for name, one in (("a", before), ("b", now))]
    words = "asked the other way round: before 60 at least 60 A, now 60 at most 70 A"
    comparison = compare(*sides)
    assert words in line_of(comparison.text(), "service-minimum (service_load): pass -> judgement")
    (row,) = [row for row in comparison.rows() if row["check"] == "service-minimum"]
    assert (row["relation_before"], row["relation_now"], row["turned"]) == (">=", "<=", words)
    comparison.write(tmp_path / "out")
    assert words in (tmp_path / "out" / "changes.html").read_text(encoding="utf-8")
    assert words not in compare(sides[0], edited(sides[0], tmp_path / "c", service_minimum={"verdict": "fail"})).text()


@pytest.mark.parametrize(
    "numbers, wanted",
    [
        ((79.9333333, 80.0), "79.93 ≤ 80 A, margin 0.07"),
        ((79.9999, 80.0), "79.9999 ≤ 80 A, margin 0.0001"),
        ((80.0, 80.0), "80 ≤ 80 A, margin 0"),
        ((106.0666667, 100.0), "106.07 ≤ 100 A, margin −6.07"),
    ],
)
def test_amperes_are_printed_as_sheets_print_them(numbers, wanted):
    assert Sides("pass", numbers[0], "<=", numbers[1], "A", numbers[1] - numbers[0], True).words() == wanted


@settings(max_examples=200, deadline=None)
@given(st.floats(1, 400), st.floats(1e-4, 1), st.floats(1, 400))
def test_two_sides_that_differ_never_read_alike(provided, more, required):
    sides = [Sides("pass", value, "<=", required, "A", required - value, True) for value in (provided, provided + more)]
    before, now = Move("w", "c", *sides).words()
    assert before != now


def test_the_table_holds_numbers_as_printed_and_the_json_in_full(homes, tmp_path):
    comparison = compare(homes["48 A"], homes["32 A"])
    comparison.write(tmp_path)
    lines = list(csv.DictReader(io.StringIO((tmp_path / "changes.csv").read_text(encoding="utf-8"))))
    line = next(one for one in lines if (one["workbook"], one["check"]) == ("service_load", "service-capacity"))
    check = next(one for one in results(homes["48 A"])["workbooks"]["service_load"]["checks"] if one["key"] == "service-capacity")
    assert check["provided"] == pytest.approx(106.0666667)
    assert (line["provided_before"], line["margin_before"], line["required_before"]) == ("106.07", "-6.07", "100.0")
    (study,) = comparison.document()["studies"]
    told = [one["before"] for one in study["checks"] if (one["workbook"], one["key"]) == ("service_load", "service-capacity")]
    assert told[0]["provided"] == check["provided"]


def test_a_field_that_made_a_fault_shows_what_the_base_file_says(homes, tmp_path):
    file = site(tmp_path / "in")
    given = record(file, asked={"site.id": "a"})
    fault = {"inputs": {}, "texts": {}, "program": ""}
    fault["asked"] = {"edition": None, "site_file": "home.toml", "overrides": {"site.id": "a", "dwelling.floor_area": "abc"}}
    old = batch(tmp_path / "old", ("a", "base", bare(homes["48 A"], tmp_path / "bare")), records={"a": given})
    new = tmp_path / "new"
    (new / "a" / "base").mkdir(parents=True)
    (new / "a" / "base" / "record.json").write_text(json.dumps(fault), encoding="utf-8")
    row = of_fault("a", "base", "input fault", ["dwelling.floor_area: not a quantity"]) | {"folder": "a/base"}
    (new / "portfolio.json").write_text(json.dumps({"format": 1, "studies": [row]}), encoding="utf-8")
    assert causes(compare(old, new)) == ["dwelling.floor_area: 1600 ft^2 -> abc"]
    assert causes(compare(new, old)) == ["dwelling.floor_area: abc -> 1600 ft^2"]
    given["asked"]["overrides"]["study.growth"] = "5 A"
    (old / "a" / "base" / "record.json").write_text(json.dumps(given), encoding="utf-8")
    assert "study.growth: 5 A -> the file's own" in causes(compare(old, new))


def test_a_field_that_the_base_file_does_not_have_was_nothing(homes, tmp_path):
    given = record(site(tmp_path / "in"))
    fault = {"inputs": {}, "texts": {}, "program": "", "asked": {"overrides": {"study.nowhere": "1"}}}
    assert of_records(tmp_path / "a", homes, given, fault) == ["study.nowhere: nothing -> 1"]


ALL = "made with all workbooks before; now with service_load alone"


def without(folder: Path, out: Path, *names: str) -> Path:
    """The same study made without some workbooks."""
    document = results(folder)
    for name in names:
        del document["workbooks"][name]
    out.mkdir(parents=True)
    (out / "results.json").write_text(json.dumps(document), encoding="utf-8")
    return out


OTHERS = ("backfeed_and_tap", "backup_duration", "ev_load_management")


def only_the_charger_fails(folder: Path, out: Path) -> Path:
    """The same study with a service load that passes."""
    document = results(folder)
    for check in document["workbooks"]["service_load"]["checks"]:
        check["verdict"] = check["verdict"] if check["verdict"] == "not applicable" or not check["counts"] else "pass"
    entry = document["workbooks"]["service_load"]
    entry["verdict"] = "pass"
    out.mkdir(parents=True)
    (out / "results.json").write_text(json.dumps(document), encoding="utf-8")
    return out


def test_a_verdict_that_moved_since_a_workbook_was_left_out_has_that_cause_alone(homes, tmp_path):
    whole = only_the_charger_fails(homes["48 A"], tmp_path / "whole")
    part = without(whole, tmp_path / "part", *OTHERS)
    records_of = [{"a": record(site(tmp_path / name, *more), program=PROGRAM)} for name, more in (("i", ()), ("j", (SMALLER,)))]
    old = batch(tmp_path / "old", ("a", "base", bare(whole, tmp_path / "b1")), records=records_of[0])
    new = headed(
        batch(tmp_path / "new", ("a", "base", bare(part, tmp_path / "b2")), records=records_of[1]),
        {},
        a={"workbooks_left_out": list(OTHERS)},
    )
    for sides, words in (((old, new), ALL), ((new, old), "made with service_load alone before; now with all workbooks")):
        comparison = compare(*sides)
        assert set(comparison.states) == {("fail", "pass") if sides[0] == old else ("pass", "fail")}
        assert causes(comparison) == [words]
        assert [one.what for one in comparison.changes[0].beside] == ["evse.evse-1.rating"]
        assert {row["causes"] for row in comparison.rows() if row["kind"].startswith("workbook")} == {words}
        assert comparison.counts()["moved_by_workbooks_alone"] == 1
        text = " ".join(comparison.text().split())
        assert "moved only since the sides were made with different workbooks; by the workbooks that both sides have: pass -> pass" in text
        assert f"differs: {words}" in text
        assert "differs as well, and moved no verdict: evse.evse-1.rating: " in text
        assert "no recorded cause" not in text
    text = " ".join(compare(old, new).text().split())
    assert "*** THE SIDES WERE MADE WITH DIFFERENT WORKBOOKS ***" in text
    assert "now: made with service_load alone: 1 of 1 study; left out: backfeed_and_tap, backup_duration, ev_load_management" in text
    compare(old, new).write(tmp_path / "out")
    page = (tmp_path / "out" / "changes.html").read_text(encoding="utf-8")
    assert "the sides were made with different workbooks" in page
    assert json.loads((tmp_path / "out" / "changes.json").read_bytes())["different_workbooks"] is True


def test_a_verdict_within_a_workbook_of_both_sides_keeps_its_own_causes(homes, tmp_path):
    part = without(homes["32 A"], tmp_path / "part", *OTHERS)
    records_of = [{"a": record(site(tmp_path / name, *more), program=PROGRAM)} for name, more in (("i", ()), ("j", (SMALLER,)))]
    old = batch(tmp_path / "old", ("a", "base", bare(homes["48 A"], tmp_path / "b1")), records=records_of[0])
    new = batch(tmp_path / "new", ("a", "base", bare(part, tmp_path / "b2")), records=records_of[1])
    comparison = compare(old, new)
    charger = "evse.evse-1.rating: 48 A -> 32 A"
    assert causes(comparison) == [ALL, charger]
    assert comparison.counts()["moved_by_workbooks_alone"] == 0
    assert {row["causes"] for row in comparison.rows() if row["kind"] == "check"} == {charger}
    assert {row["causes"] for row in comparison.rows() if row["kind"] == "workbook gone"} == {ALL}
    assert "by the workbooks that both sides have: fail -> " in comparison.text()


def test_sides_of_the_same_workbooks_name_none(homes, tmp_path):
    parts = [without(homes[name], tmp_path / name, *OTHERS) for name in ("48 A", "32 A")]
    comparison = compare(*parts)
    assert not comparison.different_workbooks
    assert "workbooks" not in " ".join(causes(comparison))
    assert not compare(homes["48 A"], homes["32 A"]).different_workbooks


def test_a_study_at_fault_that_was_asked_for_less_says_so_beside_its_other_causes(homes, tmp_path):
    old = batch(tmp_path / "old", ("a", "base", homes["48 A"]))
    new = headed(batch(tmp_path / "new", ("a", "base", ("input fault", ["x"]))), {}, a={"workbooks_left_out": list(OTHERS)})
    found = causes(compare(old, new))
    assert found[0] == ALL
    assert len(found) == 2
    assert compare(old, new).counts()["moved_by_workbooks_alone"] == 0


# what is written


def test_the_three_files_say_the_same(runs, tmp_path):
    comparison = compare(*runs)
    comparison.write(tmp_path / "out")
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == ["changes.csv", "changes.html", "changes.json"]
    held = json.loads((tmp_path / "out" / "changes.json").read_bytes())
    assert held == json.loads(json.dumps(comparison.document()))
    assert (held["moved"], held["counts"], len(held["studies"])) == (True, comparison.counts(), len(comparison.changes))
    lines = list(csv.DictReader(io.StringIO((tmp_path / "out" / "changes.csv").read_text(encoding="utf-8"))))
    assert [(line["kind"], line["site_id"], line["check"]) for line in lines] == [
        (row["kind"], row["site_id"], row["check"] or "") for row in comparison.rows()
    ]
    margins = [(line["margin_before"], row["margin_before"]) for line, row in zip(lines, comparison.rows(), strict=True)]
    assert all((float(text) == pytest.approx(value, abs=0.01)) if value is not None else text == "" for text, value in margins)
    assert all(len(text.partition(".")[2]) <= 2 for text, _ in margins)
    assert any(len(str(value).partition(".")[2]) > 2 for _, value in margins)
    assert any(value is not None and value < 0 for _, value in margins)
    again = tmp_path / "again"
    compare(*runs).write(again)
    assert all(
        (again / name).read_bytes() == (tmp_path / "out" / name).read_bytes() for name in ("changes.json", "changes.csv", "changes.html")
    )


def test_the_page_stands_by_itself(runs, tmp_path):
    compare(*runs).write(tmp_path)
    page = (tmp_path / "changes.html").read_text(encoding="utf-8")
    assert page.startswith("<!DOCTYPE html>")
    assert "<script" not in page
    assert not re.search(r"(?:src|href)=\"(?!#|changes\.)", page)
    assert "http" not in page
    assert re.findall(r"<h3>([^<]*/[^<]*)</h3>", page)[0] == "broken/base: judgement -&gt; calculation fault"
    assert page.count("service-capacity") >= 3


EVIL = ["=HYPERLINK(\"x\")", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", "<script>alert(1)</script>", "a,b\n\"c\""]  # fmt: skip


@pytest.mark.parametrize("text", EVIL)
def test_texts_that_begin_like_formulas_are_neutralised_and_escaped(homes, tmp_path, text):
    old = batch(tmp_path / "old", ("a", "base", homes["48 A"]))
    new = batch(tmp_path / "new", ("a", "base", ("input fault", [text])))
    compare(old, new).write(tmp_path / "out")
    with (tmp_path / "out" / "changes.csv").open(encoding="utf-8", newline="") as file:
        (line,) = csv.DictReader(file)
    assert line["fault"] == (f"'{text}" if text[0] in "=+-@\t\r" else text)
    assert "<script" not in (tmp_path / "out" / "changes.html").read_text(encoding="utf-8")


def test_the_terminal_is_told_the_first_and_how_many_there_are_more(homes, tmp_path):
    names = [f"home-{number}" for number in range(5)]
    old = batch(tmp_path / "old", *((name, "base", homes["48 A"]) for name in names))
    new = batch(tmp_path / "new", *((name, "base", homes["32 A"]) for name in names))
    text = compare(old, new).text(most=2)
    assert [name in text for name in names] == [True, True, False, False, False]
    assert "3 studies more" in text
    assert re.search(r"^fail +judgement +5$", text, re.MULTILINE)


# what cannot be compared


@pytest.mark.parametrize(
    "name, content, field, what",
    [
        ("results.json", b"{", "", "cannot be read as JSON"),
        ("results.json", b"\xff\xfe{}", "", "cannot be read as JSON"),
        ("results.json", b"[" * 100_000, "", "cannot be read as JSON"),
        ("results.json", b"[]", "", "is not the results of a study"),
        ("results.json", b'{"format": 99, "workbooks": {}}', "format", "unknown format"),
        ("results.json", b'{"format": true}', "format", "unknown format"),
        ("results.json", b'{"format": 1}', "workbooks", "is not the results of a study"),
        ("results.json", b'{"format": 1, "workbooks": {"a": 1}}', "workbooks", "is not the results of a study"),
        ("portfolio.json", b"{", "", "cannot be read as JSON"),
        ("portfolio.json", b'{"format": 99, "studies": []}', "format", "unknown format"),
        ("portfolio.json", b'{"format": 1, "studies": {}}', "studies", "is not the portfolio of a batch"),
        ("portfolio.json", b'{"format": 1, "studies": [1]}', "studies.0", "is not the portfolio of a batch"),
        (
            "portfolio.json",
            b'{"format": 1, "studies": [{"site_id": "a", "case": "b", "state": "odd"}]}',
            "studies.0",
            "is not the portfolio of a batch",
        ),
        (
            "portfolio.json",
            b'{"format": 1, "studies": [{"site_id": "a", "case": "b", "state": "pass", "folder": "../../x"}]}',
            "studies.0.folder",
            "is not the portfolio of a batch",
        ),
        ("notes.txt", b"x", "", "holds neither portfolio.json nor results.json"),
    ],
)
def test_a_side_that_cannot_be_used_is_named(homes, tmp_path, name, content, field, what):
    (tmp_path / "side").mkdir()
    (tmp_path / "side" / name).write_bytes(content)
    file = "side" if name == "notes.txt" else name
    assert faults_of(lambda: compare(tmp_path / "side", homes["48 A"])) == [(file, field, what)]
    assert faults_of(lambda: compare(homes["48 A"], tmp_path / "side")) == [(file, field, what)]


def test_a_path_that_leads_nowhere_and_a_batch_that_was_cut_off(homes, tmp_path):
    assert faults_of(lambda: compare(tmp_path / "nowhere", homes["48 A"])) == [("nowhere", "", "is not there")]
    (tmp_path / "cut" / ".batch").mkdir(parents=True)
    with pytest.raises(InputFault, match="let its batch come to its end"):
        compare(homes["48 A"], tmp_path / "cut")


def test_all_studies_that_cannot_be_read_are_told_at_once(homes, tmp_path):
    names = ["gone", "torn", "odd", "faulted", "good"]
    old = batch(tmp_path / "old", *((name, "base", homes["48 A"]) for name in names))
    new = batch(tmp_path / "new", *((name, "base", homes["32 A"]) for name in names))
    (new / "gone" / "base" / "results.json").unlink()
    (new / "torn" / "base" / "results.json").write_bytes((new / "torn" / "base" / "results.json").read_bytes()[:500])
    (new / "odd" / "base" / "record.json").write_text('{"inputs": [], "texts": {}, "asked": {}}', encoding="utf-8")
    (new / "faulted" / "base" / "results.json").write_text('{"format": 1, "state": "input fault", "faults": []}', encoding="utf-8")
    assert faults_of(lambda: compare(old, new)) == [
        ("results.json", "", "cannot be read as JSON"),
        ("results.json", "", "cannot be read as JSON"),
        ("record.json", "inputs", "is not the record of a study"),
        ("results.json", "", "holds a fault, its batch a verdict"),
    ]
