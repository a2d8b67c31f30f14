"""The portfolio summary: every study counted once, against counts by pandas, Counter and statistics; what must make it fail; its page."""

from __future__ import annotations

import copy
import json
import re
import statistics
from collections import Counter
from html import escape
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.test_hygiene import MACHINE_PATH
from workbook_lib import formula, notebook, notebook_tools
from workbook_lib.batch import closing
from workbook_lib.batch import rows as batch_rows
from workbook_lib.errors import InputFault, MachineryFault
from workbook_lib.render import content, figures, html, portfolio_page, results, text
from workbook_lib.render.trace import Trace
from workbook_lib.sheet import Verdict
from workbook_lib.workbooks import portfolio_connections, portfolio_drawings, portfolio_rows, portfolio_summary, portfolio_tables
from workbook_lib.workbooks import portfolio_tests as tests_of
from workbook_lib.workbooks import portfolio_words as words_module

ROOT = Path(__file__).resolve().parent.parent
EXAMPLE = ROOT / "example_inputs" / "portfolio" / "run" / "portfolio.json"
NOTEBOOK = ROOT / "notebooks" / "portfolio_summary.ipynb"
VERDICTS = ["fail", "needs input", "judgement", "pass"]
CHECKS = ["bus:main", "bus:garage", "service-capacity", "conductor:evse-1", "edition-adopted"]


def decider(verdict="pass", check="bus:main", required=100.0, margin=10.0, workbook="backfeed_and_tap"):
    """What decides a study: a check that compares numbers, or one that has none."""
    if margin is None:
        sides = dict.fromkeys(("provided", "relation", "required", "margin", "unit", "room"))
    else:
        sides = {"provided": required - margin, "relation": "<=", "required": required, "margin": margin, "unit": "A"}
        sides |= {"room": margin / required}
    return {"workbook": workbook, "verdict": verdict, "check": check, **sides, "fails": int(verdict == "fail")}


def row(site="fern-1", case="base", state="pass", **more):
    """The row of a study as the batch writes it."""
    made = batch_rows.blank(site, case, state)
    if state in VERDICTS:
        decides = decider(state)
        made |= {"edition": "2023", "edition_basis": "adopted", "folder": f"{site}/{case}"}
        made |= {"controlling": decides, "workbooks": {decides["workbook"]: decides}, "state_otherwise": state}
    made |= more
    if "tightest" not in more:
        loads = [one for one in made["workbooks"].values() if one["room"] is not None and portfolio_rows.is_capacity(one)]
        made["tightest"] = min(loads, key=lambda one: one["room"], default=None)
    if "asked" not in more and made["missing"]:
        made["asked"] = [{"check": "bus:main", "fields": made["missing"], "note": ""}]
    return made


def one_test(check="bus:main", margin=10.0):
    """A study with one workbook, decided by this check."""
    decides = decider("fail" if margin is not None and margin < 0 else "pass", check, margin=margin)
    return {"controlling": decides, "workbooks": {decides["workbook"]: decides}}


def asked(*wanted):
    """What checks of a study ask for: of each the fields, or a note where it names none."""
    checks = [{"check": f"bus:{place}", "fields": [] if isinstance(one, str) else list(one)} for place, one in enumerate(wanted)]
    return {
        "asked": [check | {"note": one if isinstance(one, str) else ""} for check, one in zip(checks, wanted, strict=True)],
        "missing": list(dict.fromkeys(field for check in checks for field in check["fields"])),
    }


def portfolio(*studies, **more):
    """A portfolio.json with these rows."""
    head = {"format": 1, "portfolio": "street.csv", "library_version": "1.2.3", "edition": None, "what_if": None, "compared_with": ""}
    counts = dict(Counter(one["state"] for one in studies))
    return {**head, "results_only": False, "counts": counts, "studies": list(studies), **more}


def study(*studies, **more):
    return portfolio_summary.study(portfolio(*studies, **more))


def section(sheet, heading):
    return next(one for one in sheet.sections if one.heading == heading)


def table(sheet, heading):
    """A section's table as rows by column heading."""
    data = section(sheet, heading).table
    return [dict(zip(data.columns, line, strict=True)) for line in data.rows]


def example():
    return json.loads(EXAMPLE.read_text(encoding="utf-8"))


# against counts made another way


def test_the_example_is_counted_as_pandas_counts_it():
    import pandas as pd

    given_file, sheet = example(), portfolio_summary.study(example())
    frame = pd.DataFrame(given_file["studies"])
    found = {key: result.value for key, result in sheet.results.items()}
    assert found["homes_count"] == len(frame)
    assert found["sites_count"] == frame["site_id"].nunique()
    wanted = {f"homes_count:{state}": int(count) for state, count in frame["state"].value_counts().items()}
    families = frame["controlling"].dropna().map(lambda one: one["check"]).dropna().str.split(":").str[0]
    wanted = {f"homes_count:{state}": 0 for state in VERDICTS} | wanted
    wanted |= {f"homes_count:{name}": int(count) for name, count in families.value_counts().items()}
    assert {key: value for key, value in found.items() if key.startswith("homes_count:")} == wanted
    assert sum(found[f"homes_count:{state}"] for state in frame["state"].unique()) == len(frame)
    by_case = pd.crosstab(frame["case"], frame["state"])
    for line in table(sheet, portfolio_tables.BY_CASE)[:-1]:
        assert {name.lower(): value for name, value in line.items() if name not in ("Case", "All")} == by_case.loc[line["Case"]].to_dict()


def test_the_screening_of_the_example_is_that_of_pandas():
    import pandas as pd

    given_file, sheet = example(), portfolio_summary.study(example())
    flat = pd.DataFrame([{"kind": kind, **one} for study in given_file["studies"] for kind, one in study["connections"].items()])
    lines = {line["Connection"]: line for line in table(sheet, portfolio_connections.SCREENING)}
    assert set(lines) == set(flat["kind"])
    for kind, part in flat.groupby("kind"):
        line = lines[kind]
        assert line["All"] == len(part)
        assert {name: line[name.capitalize()] for name in VERDICTS} == {name: int((part["verdict"] == name).sum()) for name in VERDICTS}
    known = flat.dropna(subset="spare_a")
    known = known[(known["verdict"] == "pass") | (known["verdict"] == "fail")]
    known = known.assign(what=known["verdict"].map({"pass": "spare", "fail": "short"}), test=known["spare_check"].str.split(":").str[0])
    spread = {
        (line["Connection"], line["What"], line["Of which test"], line["Basis of the amperes"]): list(line.values())[4:]
        for line in table(sheet, portfolio_connections.SPARE)
    }
    wanted = known.groupby(["kind", "what", "test", "spare_basis"])["spare_a"].agg(
        [len, lambda one: one.abs().min(), lambda one: one.abs().median(), lambda one: one.abs().max()]
    )
    assert len(spread) == len(wanted) > 0
    for (kind, what, test, basis), amounts in wanted.iterrows():
        assert spread[kind, what, words_module.named(test), basis] == pytest.approx(amounts.tolist())


def test_classes_of_room_are_those_of_pandas():
    import pandas as pd

    rooms = [one["tightest"]["room"] for one in example()["studies"] if one["tightest"]]
    ends = [-float("inf"), *(edge / 100 for edge in portfolio_drawings.EDGES), float("inf")]
    wanted = pd.cut(rooms, ends, right=False).value_counts()
    figure = next(one for one in portfolio_summary.study(example()).figures if one.key == "margins")
    assert [sum(line[1:]) for line in figure.table.rows] == wanted.tolist()


@st.composite
def portfolios(draw):
    """Portfolios in which every name stands once and every state is known."""
    names = draw(st.lists(st.tuples(st.sampled_from("abcdefgh"), st.sampled_from(["base", "wide", "late"])), min_size=1, unique=True))
    studies = []
    for site, case in names:
        state = draw(st.sampled_from(portfolio_rows.STATES))
        more = {}
        if state in VERDICTS:
            margin = draw(st.none() | st.floats(-200, 200))
            decides = decider(state, draw(st.sampled_from(CHECKS)), draw(st.floats(1, 400)), margin)
            spare = draw(st.none() | st.floats(0.5, 100))
            kinds = draw(st.lists(st.sampled_from(["service", "backup", "charger"]), unique=True))
            told = {"check": "bus:main", "spare_a": spare, "spare_check": spare and "bus:main", "spare_basis": spare and "breaker ratings"}
            found = {kind: told | {"verdict": draw(st.sampled_from(VERDICTS))} for kind in kinds}
            missing = draw(st.lists(st.sampled_from(["load.range.rating", "load.oven.rating", "service.rating"]), unique=True))
            more = {"controlling": decides, "workbooks": {decides["workbook"]: decides}, "connections": found, "missing": missing}
        if state == "not run":
            more = {"left_out": draw(st.booleans())}
        if draw(st.booleans()):
            before = draw(st.sampled_from(portfolio_rows.STATES))
            more |= {"before": {"state": before, "workbook": None, "check": None}}
        more |= {"accepted": draw(st.sampled_from([[], ["one reason"]]))}
        studies.append(row(site, case, state, **more))
    compared = "the run before" if any(one["before"] for one in studies) else ""
    return portfolio(*studies, compared_with=compared)


@settings(max_examples=80, deadline=None)
@given(portfolios())
def test_every_study_is_counted_once(given_file):
    sheet, studies = portfolio_summary.study(given_file), given_file["studies"]
    found = {key: result.value for key, result in sheet.results.items()}
    states = Counter(one["state"] for one in studies)
    assert {state: found.get(f"homes_count:{state}", 0) for state in portfolio_rows.STATES} == {s: states[s] for s in portfolio_rows.STATES}
    assert all(f"homes_count:{state}" in found for state in VERDICTS)
    assert sum(states.values()) == found["homes_count"] == len(studies)
    assert sheet.check("every-home-accounted").verdict is sheet.check("counts-agree").verdict is Verdict.PASS
    out = sum(1 for one in studies if one["state"] == "not run" and one["left_out"])
    exceptions = sum(states[state] for state in ("input fault", "calculation fault", "machinery fault", "not run")) - out
    assert found["exceptions_count"] == exceptions
    assert sheet.verdict is (Verdict.FAIL if exceptions else Verdict.PASS)
    moves = Counter((one["before"]["state"], one["state"]) for one in studies if one["before"] and one["before"]["state"] != one["state"])
    assert {key: value for key, value in found.items() if key.startswith("changed_count:")} == {
        f"changed_count:{before}:{now}": count for (before, now), count in moves.items()
    }
    families = Counter(one["controlling"]["check"].split(":")[0] for one in studies if one["controlling"])
    assert {name: found[f"homes_count:{name}"] for name in families} == families
    assert found["accepted_count"] == sum(bool(one["accepted"]) for one in studies)
    for heading in (portfolio_tables.BY_EDITION, portfolio_tables.BY_CASE):
        if any(one.heading == heading for one in sheet.sections):
            lines = table(sheet, heading)
            assert sum(line["All"] for line in lines[:-1]) == lines[-1]["All"] == len(studies)


@settings(max_examples=40, deadline=None)
@given(portfolios())
def test_formulas_say_what_was_counted_and_every_part_can_be_shown(given_file):
    sheet = portfolio_summary.study(given_file)
    for step in sheet.steps():
        values = {n: tuple(one.value for one in used) if isinstance(used, tuple) else used.value for n, used in step.uses.items()}
        assert formula.evaluate(step.formula, values) == step.value
        assert formula.names(step.formula) == set(step.uses)
    trace = Trace(sheet)
    shown = [heading for headings in portfolio_summary.PARTS.values() for heading in headings]
    assert {one.heading for one in sheet.sections} <= set(shown)
    for name, headings in portfolio_summary.PARTS.items():
        part = portfolio_page.part(trace, name, name, headings)
        assert text.plain(part)
        assert html.fragment(part)
    results.to_bytes(results.document((sheet,), (), sheet.header.inputs_sha256))


@settings(max_examples=40, deadline=None)
@given(portfolios())
def test_medians_matrix_and_fields_agree_with_another_count(given_file):
    sheet, studies = portfolio_summary.study(given_file), given_file["studies"]
    if section(sheet, portfolio_connections.SPARE).table:
        for line in table(sheet, portfolio_connections.SPARE):
            verdict = {"spare": "pass", "short": "fail"}[line["What"]]
            found = [one["connections"][line["Connection"]] for one in studies if line["Connection"] in one["connections"]]
            known = [one["spare_a"] for one in found if one["verdict"] == verdict and one["spare_a"] is not None]
            assert line["Studies"] == len(known)
            assert line["Median A"] == statistics.median(known)
    drawn = [one for one in sheet.figures if one.key == "changes"]
    compared = [one for one in studies if one["before"]]
    assert bool(drawn) is bool(compared)
    for figure in drawn:
        assert sum(map(sum, figure.grid)) == len(compared) == figure.table.rows[-1][-1]
        stayed = sum(line[place] for place, line in enumerate(figure.grid))
        assert stayed == sum(one["before"]["state"] == one["state"] for one in compared)
    held = {}
    for one in studies:
        for field in one["missing"] if one["state"] == "needs input" else ():
            held.setdefault(re.sub(r"^load\.[^.]+", "load.*", field), set()).add(one["site_id"])
    if held:
        assert len(held[sheet.results["most_missing_field"].value]) == max(map(len, held.values()))
    else:
        assert "most_missing_field" not in sheet.results


@settings(max_examples=30, deadline=None)
@given(portfolios())
def test_the_order_of_keys_in_the_file_changes_nothing(given_file):
    read_back = json.loads(json.dumps(given_file, sort_keys=True))
    assert portfolio_summary.study(given_file) == portfolio_summary.study(read_back)


# what must make it fail


def test_a_state_that_is_none_is_not_accounted_for():
    sheet = study(row("a"), row("b", state="passed"), row("c", state="fail"))
    check = sheet.check("every-home-accounted")
    assert (check.verdict, check.provided.value, check.required.value) == (Verdict.FAIL, 2, 3)
    assert "b/base (passed)" in check.note
    assert sheet.verdict is Verdict.FAIL
    assert sheet.results["homes_count:passed"].value == 1
    assert [line["Study"] for line in table(sheet, portfolio_tables.EXCEPTIONS)] == ["b/base"]


@pytest.mark.parametrize("second", ["pass", "fail", "input fault"])
def test_two_rows_of_one_name_are_not_accounted_for(second):
    check = study(row("a"), row("a", state=second), row("b")).check("every-home-accounted")
    assert (check.verdict, check.provided.value, check.required.value) == (Verdict.FAIL, 2, 3)
    assert "more than once: a/base" in check.note


def test_rows_of_one_name_that_were_all_stopped_count_as_they_stand():
    twice = [row("a", state="input fault", faults=["p.csv:2: site_id: two studies of one name"], faults_count=1) for _ in range(2)]
    sheet = study(*twice, row("", state="input fault"), row("", state="input fault"), row("b"))
    assert sheet.check("every-home-accounted").verdict is Verdict.PASS
    assert sheet.check("no-exceptions").provided.value == 4
    assert sheet.results["sites_count"].value == 2


@pytest.mark.parametrize(
    "counts,apart", [({"pass": 2, "fail": 1}, 0), ({"pass": 3}, 2), ({"pass": 2}, 1), ({"pass": 2, "fail": 1, "lost": 1}, 1), ({}, 3)]
)
def test_counts_of_the_file_must_be_those_of_its_rows(counts, apart):
    check = study(row("a"), row("b"), row("c", state="fail"), counts=counts).check("counts-agree")
    assert check.provided.value == apart
    assert check.verdict is (Verdict.FAIL if apart else Verdict.PASS)


@pytest.mark.parametrize("state", ["input fault", "calculation fault", "machinery fault", "not run"])
def test_a_study_without_a_verdict_is_an_exception(state):
    sheet = study(row("a"), row("b", state=state, why="stopped"))
    assert sheet.check("no-exceptions").verdict is sheet.verdict is Verdict.FAIL
    assert any(state in line for line in sheet.not_checked)
    assert sheet.results["exceptions_count"].value == 1


def test_a_home_that_no_case_takes_is_none():
    sheet = study(row("a"), row("b", state="not run", why="no case of the portfolio takes this home", left_out=True))
    assert sheet.verdict is Verdict.PASS
    assert sheet.results["exceptions_count"].value == 0
    assert "no exceptions: 1 home that" in section(sheet, portfolio_tables.EXCEPTIONS).prose


def test_failing_homes_do_not_fail_the_summary_and_its_words_say_so():
    sheet = study(row("a", state="fail"), row("b", state="needs input"))
    said = text.plain(portfolio_page.verdict(Trace(sheet)))
    assert sheet.verdict is Verdict.PASS
    assert "not the verdict of the homes" in " ".join(said.split())


# words and orders


@pytest.mark.parametrize(
    "state,told,parts",
    [
        (
            "input fault",
            "my sites/a.toml:14: panel.main.bus: no unit; found 200; accepted: text; do: write it",
            ("my sites/a.toml:14: panel.main.bus", "no unit; found 200; accepted: text", "write it"),
        ),
        (
            "input fault",
            "a.csv: is not text in UTF-8; found byte 3",
            ("a.csv", "is not text in UTF-8; found byte 3", "correct the file, run again"),
        ),
        ("calculation fault", "conductor.size: not in the table; do: choose", ("conductor.size", "not in the table", "choose")),
        ("machinery fault", "no kernel starts: killed", ("", "no kernel starts: killed", portfolio_tables.TODO["machinery fault"])),
    ],
)
def test_a_fault_is_told_in_its_parts(state, told, parts):
    line = table(study(row("a", state=state, faults=[told], faults_count=3)), portfolio_tables.EXCEPTIONS)
    assert tuple(line[0].values()) == ("a/base", state, *parts)
    assert "and 2 more" in line[1]["What is wrong"]


def test_exceptions_stand_by_gravity_then_in_the_order_of_the_portfolio():
    states = ["input fault", "not run", "machinery fault", "pass", "input fault", "calculation fault"]
    lines = table(study(*(row(f"h{n}", state=state) for n, state in enumerate(states))), portfolio_tables.EXCEPTIONS)
    assert [line["Study"][:2] for line in lines] == ["h2", "h5", "h0", "h4", "h1"]


@pytest.mark.parametrize(
    "path,general",
    [
        ("load.range.rating", "load.*.rating"),
        ("panel.main.breakers.evse-breaker.rating", "panel.*.breakers.*.rating"),
        ("service.conductor.size", "service.conductor.size"),
        ("source.pv.array.0.tilt", "source.*.array.*.tilt"),
        ("evse.evse-1.conductor", "evse.*.conductor"),
        ("option.M1a.main", "option.*.main"),
        ("disconnect", "disconnect"),
        ("tansy-hollow-2025.toml", "tansy-hollow-2025.toml"),
        ("load.range.no_such", "load.range.no_such"),
    ],
)
def test_ids_are_taken_out_of_key_paths(path, general):
    assert portfolio_rows.generalised(path) == general


def test_the_field_that_holds_back_the_most_homes_stands_first():
    lacking = [
        row("a", "x", "needs input", **asked(["load.range.rating", "load.oven.rating"])),
        row("b", "x", "needs input", **asked(["load.spa.rating", "service.rating"])),
        row("c", "x", "needs input", **asked(["service.rating"])),
        row("c", "y", "needs input", **asked(["service.rating"], ["service.rating"])),
        row("d", "x", "needs input", **asked(["load.dryer.rating"])),
        row("e", "x", "needs input", **asked("not on file: listing")),
        row("f", "x", "fail", **asked(["load.spa.rating", "panel.main.bus"])),
    ]
    sheet = study(*lacking)
    lines = table(sheet, tests_of.MISSING)
    assert [list(line.values())[:5] for line in lines] == [
        ["load.*.rating", 3, 3, 2, 1],
        ["service.rating", 2, 3, 2, 0],
        ["panel.*.bus", 0, 0, 0, 1],
    ]
    assert sheet.results["most_missing_field"].value == "load.*.rating"
    said = section(sheet, tests_of.MISSING).prose
    assert "load.*.rating holds back the most homes (3); given alone, wherever it is asked for, it would free at most 2 studies." in said
    assert "the tables of the edition may still ask" in said
    assert said.startswith("6 studies need input. 1 of them waits for what names no field, below.")


def test_nearest_on_either_side_of_the_limit():
    margins = [30.0, 2.0, 15.0, 0.0, -1.0, -20.0, -5.0]
    rows = [row(f"h{n}", state=("pass" if m >= 0 else "fail"), **one_test(margin=m)) for n, m in enumerate(margins)]
    rows += [row("by-condition", state="fail", **one_test(margin=4.0)), row("bare", **one_test(margin=None))]
    sheet = study(*rows)
    assert [line["Room"] for line in table(sheet, tests_of.NEAR_PASS)] == [0.0, 2.0, 15.0, 30.0]
    assert [line["More tests that fail in the same workbook"] for line in table(sheet, tests_of.NEAR_FAIL)] == [0, 0, 0]
    assert [line["Room"] for line in table(sheet, tests_of.NEAR_FAIL)] == [-1.0, -5.0, -20.0]
    assert "Not in this list: 1 fails by a condition." in section(sheet, tests_of.NEAR_FAIL).prose
    assert table(sheet, tests_of.NEAR_FAIL)[0]["Required"] == "at most 100 A"
    worst = table(sheet, tests_of.TESTS)[0]
    assert (worst["Studies"], worst["Least room, % of limit"], worst["Where"]) == (9, pytest.approx(-20.0), "h5/base")


def test_a_size_that_is_just_what_is_required_is_no_want_of_room():
    rows = [row("tie-1", **one_test("service-conductor", margin=0.0)), row("tie-2", **one_test("conductor:evse-1", margin=0.0))]
    rows += [row("tie-3", **one_test("conductor:evse-2", margin=0.0)), row("full", **one_test("service-capacity", margin=0.0))]
    rows += [row("room", **one_test("conductor:evse-1", margin=4.0)), row("short", state="fail", **one_test("raceway:a", margin=-1.0))]
    both = {one["workbook"]: one for one in (decider(check="overcurrent", margin=0.0), decider(margin=7.0, workbook="service_load"))}
    rows += [row("both", controlling=both["backfeed_and_tap"], workbooks=both)]
    rows += [row("method", **one_test("method-allowed:standard", margin=0.0))]
    sheet = study(*rows)
    exact = {line["Test"]: line["Studies"] for line in table(sheet, tests_of.EXACT)}
    assert exact == {
        "circuit conductor (conductor)": 2,
        "overcurrent device of the circuit (overcurrent)": 1,
        "service conductor (service-conductor)": 1,
    }
    said = section(sheet, tests_of.EXACT).prose
    assert said.startswith("4 studies pass with a size that is exactly what is required.")
    assert "a test that is no choice of a size: the method may be used (method-allowed) 1." in said
    near = [(line["Study"], line["Room"]) for line in table(sheet, tests_of.NEAR_PASS)]
    assert near == [("full/base", 0.0), ("both/base", 7.0)]
    assert "Of 7 passing studies, 2 set" in section(sheet, tests_of.NEAR_PASS).prose


def test_every_passing_study_is_ranked_by_its_tightest_capacity():
    hidden = decider(check="panel-load:north", required=200.0, margin=5.5, workbook="service_load")
    rows = [row("a", **one_test("conductor:pv", margin=0.0), tightest=hidden), row("b", **one_test("bus:main", margin=4.0))]
    rows += [row("c", **one_test("conductor:pv", margin=0.0))]
    lines = table(study(*rows), tests_of.NEAR_PASS)
    assert [(line["Study"], line["Test"]) for line in lines] == [
        ("a/base", "load of the panel (panel-load:north)"),
        ("b/base", "bus with its sources (bus:main)"),
    ]
    assert "The other 1 has no such test" in section(study(*rows), tests_of.NEAR_PASS).prose


def test_judgements_beyond_their_limit_have_their_list():
    over = decider("judgement", "continuous-load", margin=-7.7, workbook="service_load")
    fails = one_test("bus:main", margin=-1.0)
    rows = [row("a", state="judgement", tightest=over, **one_test(margin=None)), row("b", state="judgement", **one_test(margin=3.0))]
    rows += [row("c", state="needs input", tightest=over | {"margin": -79.5, "room": -0.795, "provided": 179.5}), row("d", state="pass")]
    rows += [row("e", state="fail", tightest=over, **fails)]
    lines = table(study(*rows), tests_of.BEYOND)
    assert [(line["Study"], line["State"], line["Room"]) for line in lines] == [
        ("c/base", "needs input", -79.5),
        ("a/base", "judgement", -7.7),
    ]
    assert section(study(row("d")), tests_of.BEYOND).table is None


def test_the_example_passes_with_least_room_as_counted_again():
    rows = [one for one in example()["studies"] if one["state"] == "pass"]
    ties = [one for one in rows if one["controlling"]["room"] is not None and abs(one["controlling"]["room"]) < 1e-9]
    ties = [one for one in ties if one["controlling"]["check"].split(":")[0] in words_module.SIZES]
    sheet = portfolio_summary.study(example())
    assert sum(line["Studies"] for line in table(sheet, tests_of.EXACT)) == len(ties) > 0
    rooms = [one["tightest"]["room"] for one in rows if one["tightest"]]
    shown = [line["Room, % of limit"] / 100 for line in table(sheet, tests_of.NEAR_PASS)]
    assert shown == pytest.approx(sorted(rooms)[: tests_of.NEAREST])


def test_a_study_that_fails_in_another_workbook_is_shown_so():
    first, second = decider("fail", margin=-1.0), decider("fail", "service-capacity", margin=-30.0, workbook="service_load")
    rows = [row("a", state="fail", controlling=first, workbooks={one["workbook"]: one for one in (first, second)})]
    rows += [row("b", state="fail", **one_test(margin=-2.0))]
    again = decider("fail", margin=-3.0) | {"fails": 3}
    rows += [row("c", state="fail", controlling=again, workbooks={"one": again, "two": again | {"workbook": "service_load"}})]
    lines = table(study(*rows), tests_of.NEAR_FAIL)
    assert [line["Other workbooks"] for line in lines] == [
        "also failing: service load: service with its load (service-capacity)",
        "no other workbook",
        "also failing: service load: the same test and 2 more",
    ]
    assert [line["More tests that fail in the same workbook"] for line in lines] == [0, 0, 2]


def test_a_fail_by_days_seconds_or_areas_is_one_by_an_amount():
    held = decider("fail", "control-holds:a") | {"provided": 9.0, "required": 4.0, "margin": -5.0, "unit": "s", "room": None}
    rows = [row("s", state="fail", controlling=held), row("cmil", state="fail", controlling=held | {"unit": "cmil"})]
    rows += [row("none", state="fail", **one_test("measured-allowed", margin=None))]
    prose = section(study(*rows), tests_of.NEAR_FAIL).prose
    assert "2 fail by an amount whose room is not ranked (days, seconds, areas); 1 fails by a condition" in prose


def test_a_need_that_names_no_field_is_told_by_its_note_and_frees_nothing():
    rows = [row("note", "x", "needs input", **asked("choose another method"))]
    rows += [row("both", "x", "needs input", **asked(["service.rating"], "choose another method", "choose another method"))]
    rows += [row("own", "x", "needs input", **asked(["service.rating"]))]
    rows += [row("two", "x", "needs input", **asked(["service.rating"], ["service.rating", "panel.main.bus"]))]
    rows += [row("fails", "x", "fail", **asked("choose another method"))]
    sheet = study(*rows)
    line = table(sheet, tests_of.MISSING)[0]
    assert tuple(line.values())[:4] == ("service.rating", 3, 3, 1)
    listed = [tuple(one.values()) for one in table(sheet, tests_of.SILENT)]
    assert listed == [("bus with its sources (bus)", "choose another method", 2, "note/x, both/x")]
    assert "2 studies wait for a choice, a document or an amount that no single field closes" in section(sheet, tests_of.SILENT).prose


def test_a_field_that_every_test_asks_for_alone_frees_the_study():
    """Four tests ask, all of them for this field: it is given, and nothing else is lacking."""
    rows = [row("a", state="needs input", **asked(*[["dwelling.floor_area"]] * 4))]
    assert portfolio_rows.freed(rows) == {"dwelling.floor_area": 1}
    assert "None" in section(study(*rows), tests_of.SILENT).prose


def test_spare_amperes_are_ranked_by_test_and_basis():
    def of(site, verdict, spare, check="bus:main", basis="breaker ratings"):
        told = {
            "verdict": verdict,
            "check": "conductor:pv",
            "spare_a": spare,
            "spare_check": spare and check,
            "spare_basis": spare and basis,
        }
        return row(site, state="fail", connections={"backfed breaker": told})

    at_125 = words_module.AT_125
    rows = [of("a", "pass", 4.0), of("b", "pass", 10.0), of("c", "pass", None), of("d", "fail", -20.0), of("e", "fail", None)]
    rows += [of("f", "pass", 13.75, basis=at_125), of("g", "fail", -50.0, "feeder-capacity:house", at_125)]
    sheet = study(*rows, of("h", "judgement", -50.0), of("i", "needs input", None))
    bus, feeder = "bus with its sources (bus)", "feeder with its sources (feeder-capacity)"
    assert [tuple(line.values()) for line in table(sheet, portfolio_connections.SPARE)] == [
        ("backfed breaker", "spare", bus, "breaker ratings", 2, 4.0, 7.0, 10.0),
        ("backfed breaker", "spare", bus, at_125, 1, 13.75, 13.75, 13.75),
        ("backfed breaker", "short", bus, "breaker ratings", 1, 20.0, 20.0, 20.0),
        ("backfed breaker", "short", feeder, at_125, 1, 50.0, 50.0, 50.0),
    ]
    assert "the study may be in any state" in section(sheet, portfolio_connections.SPARE).prose


def test_sides_that_differ_never_read_alike():
    close = decider("fail", required=100.0, margin=-0.0004)
    line = table(study(row("a", state="fail", controlling=close, workbooks={})), tests_of.NEAR_FAIL)[0]
    assert (line["Provided"], line["Required"]) == ("100.0004 A", "at most 100 A")


def test_groups_are_those_of_what_passes():
    def with_kinds(site, **kinds):
        told = {"check": "bus:main", "spare_a": None, "spare_check": None, "spare_basis": None}
        found = {kind: told | {"verdict": verdict} for kind, verdict in kinds.items()}
        return row(site, connections=found, state="fail" if "fail" in kinds.values() else "pass")

    rows = [with_kinds("a", service="pass", backup="pass"), with_kinds("b", backup="pass", service="pass", charger="fail")]
    rows += [with_kinds("c", service="judgement"), row("d", state="input fault")]
    lines = table(study(*rows), portfolio_connections.GROUPS)
    assert [(line["What passes"], line["Studies"]) for line in lines] == [("backup, service", 2), ("none passes", 1)]
    assert (lines[0]["State pass"], lines[0]["State fail"]) == (1, 1)
    assert lines[0]["Studies of the group"] == "a/base (pass), b/base (fail)"


def test_changes_name_each_study_and_both_tests():
    before = {"state": "fail", "workbook": "service_load", "check": "service-capacity"}
    rows = [row("a", before=before, reasons=["site file changed"]), row("b"), row("c", state="fail", before=before)]
    sheet = study(*rows, compared_with="the run before")
    assert [tuple(line.values()) for line in table(sheet, portfolio_drawings.CHANGED)] == [
        ("a/base", "fail", "pass", "service with its load (service-capacity)", "bus with its sources (bus:main)", 10.0, "site file changed")
    ]
    said = section(sheet, portfolio_drawings.CHANGES).prose
    assert "2 studies are in both, 1 of them in another state; 1 is in this run alone" in said
    assert sheet.results["changed_count"].value == sheet.results["changed_count:fail:pass"].value == 1
    assert not any(one.heading == portfolio_drawings.CAUSES for one in sheet.sections)


def test_against_another_folder_every_cause_stands_in_the_files_beside():
    before = {"state": "pass", "workbook": "service_load", "check": "service-capacity"}
    sheet = study(row("a", state="fail", before=before, reasons=["new: no results yet"]), compared_with="as-filed")
    assert "no results yet" not in str(sheet.sections)
    assert "changes.json counts as moved also" in section(sheet, portfolio_drawings.CHANGES).prose
    shown = html.fragment(portfolio_page.part(Trace(sheet), "changes", "Changes", portfolio_summary.PARTS["changes"]))
    assert re.findall('href="(changes[^"]+)"', shown) == ["changes.html", "changes.csv"]
    page = portfolio_page.summary_page(sheet, notebook_tools.read(NOTEBOOK))
    assert 'href="changes.html"' in page
    assert 'href="homes.columns.json"' in page


def test_changed_studies_stand_by_gravity_then_by_room():
    was = {"before": {"state": "judgement", "workbook": None, "check": None}}
    rows = [
        row("p", **one_test(margin=1.0), **was),
        row("f1", state="fail", **one_test(margin=-1.0), **was),
        row("x", state="not run", **was),
    ]
    rows += [row("f2", state="fail", **one_test(margin=-9.0), **was), row("n", state="needs input", **one_test(margin=None), **was)]
    lines = table(study(*rows, compared_with="another"), portfolio_drawings.CHANGED)
    assert [line["Study"][:-5] for line in lines] == ["f2", "f1", "n", "p", "x"]


def test_a_move_by_the_edition_alone_is_shown_as_that():
    def moved(site, was, now, otherwise):
        before = {"state": was, "workbook": "service_load", "check": "service-capacity"}
        return row(site, state=now, edition="2026", edition_basis="what-if", state_otherwise=otherwise, before=before)

    rows = [
        moved("a", "pass", "judgement", "pass"),
        moved("b", "pass", "judgement", "judgement"),
        moved("c", "fail", "needs input", "needs input"),
    ]
    rows += [moved("d", "needs input", "judgement", "pass"), moved("e", "fail", "judgement", "pass"), moved("f", "pass", "pass", "pass")]
    sheet = study(*rows, edition="2026", compared_with="as-filed")
    moves = {(line["Before"], line["Now"]): tuple(line.values())[2:] for line in table(sheet, portfolio_drawings.CHANGES)}
    assert moves == {
        ("pass", "judgement"): (2, "worse", 1),
        ("fail", "needs input"): (1, "no longer known", 0),
        ("needs input", "judgement"): (1, "now known", 0),
        ("fail", "judgement"): (1, "better", 0),
    }
    figure = next(one for one in sheet.figures if one.key == "changes")
    said = "1 went to a better state, 2 to a worse one (1 by edition-adopted alone), 1 now known, 1 no longer known; 1 stayed"
    assert said in figure.description
    states = {
        line["State"]: (line["Studies"], line["Studies without edition-adopted"]) for line in table(sheet, portfolio_drawings.STATES_OF_ALL)
    }
    assert states == {"pass": (1, 4), "judgement": (4, 1), "needs input": (1, 1), "fail": (0, 0)}
    assert {line["Study"]: line["Now without edition-adopted"] for line in table(sheet, portfolio_drawings.CHANGED)}["a/base"] == "pass"
    assert sheet.results["changed_count:pass:judgement"].value == 2


@pytest.mark.parametrize("before", portfolio_rows.STATES)
@pytest.mark.parametrize("now", portfolio_rows.STATES)
def test_needing_input_is_neither_better_nor_worse(before, now):
    found = portfolio_rows.way(before, now)
    known = [state for state in VERDICTS if state != "needs input"]
    assert (found in ("better", "worse")) is (before != now and before in known and now in known)
    assert (found == "stayed") is (before == now)


def test_every_verdict_has_its_line_and_figure_and_substituted_studies_stand_apart():
    rows = [row("a", substituted=True), row("b", state="fail", substituted=True), row("c", state="fail")]
    sheet = study(*rows, what_if={"where": {}, "set": {"service.rating": "150 A"}})
    lines = {line["State"]: line for line in table(sheet, portfolio_drawings.STATES_OF_ALL)}
    counts = {state: (line["Studies"], line["Substituted"], line["Not substituted"]) for state, line in lines.items()}
    assert counts == {"pass": (1, 1, 0), "judgement": (0, 0, 0), "needs input": (0, 0, 0), "fail": (2, 1, 1)}
    assert "made for 2 studies of 2 homes: a/base, b/base" in section(sheet, portfolio_drawings.STATES_OF_ALL).prose
    assert sheet.results["substituted_count"].value == 2
    assert [sheet.results[f"homes_count:{state}"].value for state in VERDICTS] == [2, 0, 0, 1]
    assert [line["Substituted"] for line in table(sheet, portfolio_tables.STUDIES)] == ["yes", "yes", ""]
    said = text.plain(portfolio_page.states(Trace(sheet), portfolio_summary.PARTS["states"]))
    assert re.search(r"judgement \W*Studies: 0\b", " ".join(said.split()))
    assert said.count("needs input") == 1, "each count stands once"


def test_workbooks_that_were_left_out_are_said_before_anything_else():
    left = ["backfeed_and_tap", "backup_duration"]
    made = portfolio(row("a", workbooks_left_out=left), row("b", workbooks_left_out=left), row("c"))
    sheet = portfolio_summary.study(made)
    words = "2 studies were made with the workbooks service load, EV load management alone: what the others test is not in their states."
    assert sheet.cautions[0] == words
    part = portfolio_page.title_block(sheet, portfolio_summary.head(made))
    said = " ".join(text.plain(part).split())
    assert words in said
    assert said.index(words) < said.index("street.csv")
    lines = {line["State"]: line["What it means"] for line in table(sheet, portfolio_drawings.STATES_OF_ALL)}
    assert lines["pass"] == "every counted check of the workbooks that were asked for passes"
    assert not any("alone" in one for one in study(row("c")).cautions)


def test_an_edition_asked_for_is_a_what_if_where_it_is_not_the_adopted_one():
    apart = portfolio(row("a", edition="2026", edition_basis="what-if"), row("b"), edition="2026")
    part = portfolio_page.title_block(portfolio_summary.study(apart), portfolio_summary.head(apart))
    said = " ".join(text.plain(part).split())
    assert "*** WHAT-IF: NOT THE HOMES AS THEY ARE *** edition 2026 in place of every file's: 1 study of 2" in said
    own = portfolio(row("a"), edition="2023")
    assert "WHAT-IF" not in text.plain(portfolio_page.title_block(portfolio_summary.study(own), portfolio_summary.head(own)))


def test_the_page_begins_with_exceptions_and_states_and_ends_with_the_accounting():
    headings = [portfolio_tables.EXCEPTIONS, portfolio_drawings.STATES_OF_ALL, portfolio_drawings.CHANGES, tests_of.MISSING]
    headings += [tests_of.NEAR_FAIL, portfolio_connections.SCREENING, portfolio_tables.STUDIES, portfolio_tables.BY_WORKBOOK]
    headings += [portfolio_tables.ACCEPTED, portfolio_summary.ACCOUNTING, portfolio_summary.MADE_FROM]
    found = [one.heading for one in portfolio_summary.study(example()).sections]
    assert [one for one in found if one in headings] == headings
    page = portfolio_page.summary_page(portfolio_summary.study(example()), notebook_tools.read(NOTEBOOK))
    places = [page.index(f">{escape(heading)}<") for heading in headings]
    assert places == sorted(places)
    assert places[6] < page.index(portfolio_page.COMPLETE) < places[7]
    every = re.findall(r"<h[1-6][^>]*>(.*?)</h[1-6]>", page)
    assert len(every) == len(set(every))


@pytest.mark.parametrize("count,words", [(0, "0 studies"), (1, "1 study"), (2, "2 studies"), (1200, "1,200 studies")])
def test_nouns_stand_in_the_right_form(count, words):
    assert words_module.many(count, "study", "studies") == words


def test_tests_are_named_with_words_and_the_key():
    assert words_module.named("bus:main") == "bus with its sources (bus:main)"
    assert words_module.named("no-such-test:a") == "no-such-test:a"
    assert words_module.named("overcurrent:charger") == "overcurrent device of the circuit (overcurrent:charger)"
    found = {one["check"].split(":")[0] for study in example()["studies"] for one in study["workbooks"].values() if one["check"]}
    assert not found - set(words_module.TEST_WORDS)


def test_long_tables_are_cut_by_the_stated_rule():
    rows = [
        row(f"h{n}", state="needs input", accepted=["x"], before={"state": "pass", "workbook": None, "check": None}) for n in range(250)
    ]
    sheet = study(*rows, compared_with="the run before")
    for heading in (portfolio_tables.STUDIES, portfolio_drawings.CHANGED, portfolio_tables.ACCEPTED):
        data = section(sheet, heading).table
        assert len(data.rows) == portfolio_tables.SHOWN
        assert "the first 200 of 250; homes.csv holds all" in data.caption
    assert [line["Study"] for line in table(sheet, portfolio_tables.STUDIES)] == [f"h{n}/base" for n in range(200)]


def test_of_many_exceptions_each_shows_its_first_fault():
    rows = [row(f"h{n}", state="input fault", faults=["a.toml: one", "a.toml: two"], faults_count=2) for n in range(150)]
    lines = table(study(*rows), portfolio_tables.EXCEPTIONS)
    assert len(lines) == 150
    assert lines[0]["What is wrong"] == "one (and 1 more)"


# what is read


def test_the_states_are_those_of_the_batch():
    assert portfolio_rows.STATES == batch_rows.STATES
    assert portfolio_rows.FAULTED == batch_rows.FAULTED
    assert portfolio_rows.VERDICTS == batch_rows.VERDICTS
    assert portfolio_rows.NOT_RUN == batch_rows.NOT_RUN
    assert portfolio_rows.RUN_BEFORE == closing.FOLDER_WORDS
    assert words_module.ADOPTED == batch_rows.ADOPTED
    assert set(portfolio_rows.ROW) == set(batch_rows.blank("a", "base", "pass"))


def test_what_the_summary_puts_into_the_file_is_not_read():
    first = example() | {"workbooks": {}}
    assert portfolio_summary.study(first) == portfolio_summary.study(first | {"workbooks": {"portfolio_summary": {"verdict": "fail"}}})


def test_each_value_that_is_read_moves_the_hash():
    base = portfolio(row("a"))
    changed = [base | {"compared_with": "another"}, portfolio(row("a", why="x")), base | {"edition": "2026"}]
    hashes = {portfolio_summary.study(one).header.inputs_sha256 for one in [base, *changed]}
    assert len(hashes) == 4


def spoilt(change):
    made = copy.deepcopy(portfolio(row("a"), row("b")))
    change(made)
    return made


@pytest.mark.parametrize(
    "change,field",
    [
        (lambda p: p.pop("studies"), "studies"),
        (lambda p: p.update(studies=[]), "studies"),
        (lambda p: p.update(format=2), "format"),
        (lambda p: p.update(counts={"pass": "2"}), "counts.pass"),
        (lambda p: p.update(results_only="no"), "results_only"),
        (lambda p: p["studies"].append("c"), "studies.2"),
        (lambda p: p["studies"][1].pop("state"), "studies.1.state"),
        (lambda p: p["studies"][0].update(faults="none"), "studies.0.faults"),
        (lambda p: p["studies"][0]["controlling"].pop("room"), "studies.0.controlling.room"),
        (lambda p: p["studies"][0].update(before={"state": "pass"}), "studies.0.before.workbook"),
        (
            lambda p: p["studies"][0].update(connections={"service": {"verdict": "pass", "check": "a"}}),
            "studies.0.connections.service.spare_a",
        ),
        (lambda p: p["studies"][0].pop("asked"), "studies.0.asked"),
        (lambda p: p["studies"][1].pop("tightest"), "studies.1.tightest"),
        (lambda p: p["studies"][0].update(asked=[{"check": "bus:main", "fields": []}]), "studies.0.asked.0.note"),
        (lambda p: p["studies"][0]["controlling"].pop("fails"), "studies.0.controlling.fails"),
        (lambda p: p["studies"][0].update(folder="/elsewhere"), "studies.0.folder"),
        (lambda p: p["studies"][0].update(folder="../elsewhere"), "studies.0.folder"),
    ],
)
def test_a_file_that_no_batch_writes_is_refused_with_its_field(change, field):
    with pytest.raises(InputFault) as caught:
        portfolio_summary.study(spoilt(change))
    assert field in [fault.field for fault in caught.value.faults]


@pytest.mark.parametrize(
    "content_of,words", [(None, "cannot be read"), ("{", "not JSON"), ("[]", "is not a table"), ('{"format": 1}', "is missing")]
)
def test_open_portfolio_tells_what_is_wrong(tmp_path, content_of, words):
    path = tmp_path / "portfolio.json"
    if content_of is not None:
        path.write_text(content_of, encoding="utf-8")
    with pytest.raises(InputFault) as caught:
        notebook.open_portfolio(path)
    assert words in str(caught.value)
    assert any(words in line for line in caught.value._render_traceback_())


def test_a_number_that_is_not_finite_is_refused():
    made = portfolio(row("a", controlling=decider() | {"room": float("nan")}))
    with pytest.raises(InputFault, match="no finite number"):
        portfolio_summary.study(made)


# notebook, figures, page


def test_the_kept_notebook_files_the_results_of_the_example():
    executed = notebook_tools.read(NOTEBOOK)
    filed = [
        out.data[notebook.RESULTS_MIME] for cell in executed.cells for out in cell.get("outputs", []) if notebook.RESULTS_MIME in out.data
    ]
    sheet = portfolio_summary.study(example())
    wanted = results.document((sheet,), (), sheet.header.inputs_sha256)
    assert filed == [json.loads(results.to_bytes(wanted))]
    assert notebook_tools.declared(executed) == {"portfolio_file": "../example_inputs/portfolio/run/portfolio.json"}


def test_the_notebook_is_found_and_is_none_of_a_home():
    from workbook_lib.workbooks import REGISTRY

    assert notebook.notebook_path("portfolio_summary").samefile(NOTEBOOK)
    assert notebook.SUMMARY == portfolio_summary.NAME
    assert portfolio_summary.NAME not in REGISTRY


def test_links_lead_from_where_the_notebook_stands_to_the_folders_beside_the_file(tmp_path, monkeypatch):
    target = tmp_path / "run of may" / "portfolio.json"
    target.parent.mkdir()
    target.write_text(json.dumps(portfolio(row("a"), row("b", state="input fault", folder="b/base"), row("c", state="not run"))))
    monkeypatch.chdir(tmp_path)
    shown = notebook.open_portfolio("run of may/portfolio.json").part("studies")._repr_mimebundle_()["text/html"]
    assert re.findall(r'href="([^"]+)"', shown) == ["run%20of%20may/a/base/index.html", "run%20of%20may/b/base/results.json"]
    monkeypatch.chdir(target.parent)
    assert 'href="a/base/index.html"' in notebook.open_portfolio("portfolio.json").part("studies")._repr_mimebundle_()["text/html"]
    assert "href" not in notebook.open_portfolio(target).part("studies")._repr_mimebundle_()["text/html"]


def test_of_results_only_the_links_lead_to_results():
    trace = Trace(study(row("a"), results_only=True))
    shown = html.fragment(portfolio_page.part(trace, "studies", "Studies", portfolio_summary.PARTS["studies"]))
    assert 'href="a/base/results.json"' in shown


def test_a_what_if_stands_before_everything_else():
    made = portfolio(row("a"), what_if={"where": {"service.rating": "100 A|125 A"}, "set": {"service.rating": "150 A"}})
    sheet = portfolio_summary.study(made)
    part = portfolio_page.title_block(sheet, portfolio_summary.head(made))
    said = " ".join(text.plain(part).split())
    words = "service.rating = 150 A, where service.rating is 100 A or 125 A; made for 0 of 1 study"
    assert said.startswith(f"PORTFOLIO SUMMARY *** WHAT-IF: NOT THE HOMES AS THEY ARE *** {words} Portfolio street.csv")
    assert any("what-if" in one for one in sheet.cautions)


def test_every_figure_has_its_drawing_and_its_table():
    moved = [row(f"h{n}", state=state, before={"state": was, "workbook": None, "check": None}) for n, (state, was) in enumerate(
        (now, was) for now in portfolio_rows.STATES for was in portfolio_rows.STATES
    )]  # fmt: skip
    sheet = study(*moved, compared_with="the run before")
    assert [figure.key for figure in sheet.figures] == ["margins", "changes"]
    for figure in sheet.figures:
        drawn = figures.svg(figure)
        assert "<script" not in drawn
        assert escape(figure.description) in drawn
        assert content.figure_table(figure).blocks[0].rows
    words = figures.svg(sheet.figures[1])
    assert all(state in words for state in VERDICTS)


def test_a_figure_that_does_not_fit_its_data_is_refused():
    from dataclasses import replace

    sheet = study(row("a", before={"state": "fail", "workbook": None, "check": None}), compared_with="the run before")
    with pytest.raises(MachineryFault):
        figures.svg(replace(sheet.figures[0], limits=()))
    with pytest.raises(MachineryFault):
        figures.svg(replace(sheet.figures[1], grid=()))


def test_the_page_stands_by_itself():
    from lxml import etree

    page = portfolio_page.summary_page(portfolio_summary.study(example()), notebook_tools.read(NOTEBOOK))
    tree = etree.fromstring(page.encode(), etree.HTMLParser())
    assert not tree.findall(".//script")
    assert not re.search(r"https?://(?!www\.w3\.org)", page)
    assert not MACHINE_PATH.search(page)
    targets = [link.get("href") for link in tree.iter("a")]
    assert {
        "portfolio.json",
        "homes.csv",
        "homes.parquet",
        "homes.columns.json",
        "changes.html",
        "screening.csv",
        "portfolio_summary.ipynb",
    } <= set(targets)
    assert not [target for target in targets if target.startswith("/")]
    ids = {one.get("id") for one in tree.iter() if one.get("id")}
    assert not [target for target in targets if target.startswith("#") and target[1:] not in ids]
    assert "open_portfolio(" not in page
    sheets = "results.json" if example()["results_only"] else "index.html"
    folders = [one["folder"] for one in example()["studies"] if one["folder"]]
    assert all(f'href="../example_inputs/portfolio/run/{folder}/{sheets}"' in page for folder in folders)
