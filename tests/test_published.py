"""Every published case, under every edition it names: ours is the print, a printed alternative, or proven to differ."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from importlib import resources

import pytest
import tomlkit

from workbook_lib.editions import YEARS, load
from workbook_lib.home import read_home
from workbook_lib.published import MARKS, cases, compare_case, digits, same_print
from workbook_lib.published.house import tables
from workbook_lib.published.runner import ADAPTERS
from workbook_lib.workbooks.service_load import study

LEAST_VALUES, LEAST_SOURCES = 120, 15
ANNEX_D = ("d1a", "d1b", "d2a", "d2b", "d2c", "d6a", "d6b", "d15-")
FAMILIES = "annex-d charging conductor cooking general-load local-forms mistakes motors optional-method tables"
RUNS = [pytest.param(case, year, id=f"{case.family}-{case.id}-{year}") for case in cases() for year in case.editions]


@pytest.mark.parametrize("case, year", RUNS)
def test_published_case(case, year):
    wrong = [
        f"{case.family}/{case.id} ({case.source.title}, {case.source.where}), {year}: {row.answer.key} printed {row.answer.printed}"
        f"{' or ' + ' or '.join(row.answer.also) if row.answer.also else ''}, ours {row.ours}"
        for row in compare_case(case, year)
        if not row.agrees
    ]
    assert not wrong, "\n".join(wrong)


def test_there_are_enough_values_from_enough_sources():
    read = [case for case in cases() if case.mark in ("published", "low")]
    assert sum(len(case.answers) for case in read) >= LEAST_VALUES
    assert len({case.source.title for case in read}) >= LEAST_SOURCES


def test_worked_examples_are_more_than_table_cells():
    worked = [case for case in cases() if case.rule not in ("lookup", "bracket", "value", "cite") and case.mark in ("published", "low")]
    assert len(worked) >= 60


def test_each_case_is_well_formed():
    ids = [(case.family, case.id) for case in cases()]
    assert len(ids) == len(set(ids))
    for case in cases():
        assert case.mark in MARKS, case.id
        assert case.rule in ADAPTERS, case.id
        assert min(len(case.answers), len(case.editions)) > 0, case.id
        assert set(case.editions) <= set(YEARS), case.id
        assert all((case.tests, case.source.title, case.source.where)), case.id
        for answer in case.answers:
            assert not answer.trap or answer.why, f"{case.id}: a trap says why"


def test_every_annex_d_example_and_mistake_is_there():
    ids = {case.id for case in cases()}
    for wanted in ANNEX_D:
        assert any(name.startswith(wanted) for name in ids), wanted
    for wanted in ("t1-", "t10-", "t12-", "t13-"):
        assert any(name.startswith(wanted) for name in ids), wanted


def test_a_trap_differs_from_the_print():
    traps = [(case, answer) for case in cases() for answer in case.answers if answer.trap]
    assert traps
    for _, answer in traps:
        assert answer.ours != answer.printed


def tampered(printed: str) -> str:
    """A print that is off by two in its last place; a text with a mark behind it."""
    plain = printed.replace(",", "")
    try:
        return f"{float(plain) + 2 * 10.0 ** -digits(plain):.{digits(plain)}f}"
    except ValueError:
        return f"{printed}*"


def tampered_answers(case):
    """Answers of a case with each print changed, alternatives left out; for a trap it is ours that is changed."""
    return tuple(
        replace(answer, ours=tampered(answer.ours)) if answer.trap else replace(answer, printed=tampered(answer.printed), also=())
        for answer in case.answers
    )


def test_a_changed_print_is_noticed():
    missed = [
        f"{case.family}/{case.id}: {row.answer.key} = {row.ours} agrees with {row.answer.printed}"
        for case in cases()
        for row in compare_case(replace(case, answers=tampered_answers(case)), case.editions[0])
        if row.agrees
    ]
    assert not missed, "\n".join(missed)


def test_a_changed_table_is_noticed():
    from workbook_lib.editions import Change

    assert load("2023").lookup("cooking_demand", 1, "c_va").value == 8000
    changed = load("2023").changed([Change("cell", to=8100.0, citation="a test", table="cooking_demand", row=1, column="c_va")])
    assert ADAPTERS["cooking"]({"ratings_va": [12000]}, changed)["demand_va"] == 8100


def test_printed_digits_decide():
    assert same_print(77.5, "78")
    assert same_print(77.5, "77.5")
    assert not same_print(77.4, "77.5")
    assert same_print("2/0", "2/0")
    assert not same_print("1/0", "2/0")


def test_families_are_there_and_each_source_is_used():
    assert set(FAMILIES.split()) <= {case.family for case in cases()}
    for entry in resources.files("workbook_lib.published").iterdir():
        if entry.name.endswith(".toml"):
            given = tomllib.loads(entry.read_text(encoding="utf-8"))
            listed = [row["id"] for row in given["source"]]
            assert sorted(listed) == sorted({row["source"] for row in given["case"]}), f"{entry.name}: a source is listed twice or not used"


def test_what_was_not_read_says_so():
    for case in cases():
        unread = case.source.where == "none"
        assert not unread or case.mark in ("derived", "from memory"), f"{case.family}/{case.id}: published, and no place is named"


T10_SOURCE = {"id": "pv", "kind": "pv-inverter", "connected_to": "backup:lugs", "output_current": "24 A", "status": "added"}


@pytest.mark.parametrize("sources, verdict", [((), "pass"), ((T10_SOURCE,), "fail")])
def test_mistake_t10_a_feeder_that_carries_a_source_may_not_claim_the_83_percent(sources, verdict, tmp_path):
    case = next(case for case in cases() if case.id == "t10-service")
    site = tables(case.inputs, "2023")
    wire = {"size": "2/0", "material": "Cu", "insulation": "THWN-2", "neutral": "2/0", "terminals": "75 degC", "raceway": "riser"}
    site["panel"][0]["breakers"] = [{"id": "backup-breaker", "rating": "200 A", "poles": 2}]
    site["panel"].append({"id": "backup", "kind": "panelboard", "connected_to": "backup-feeder", "bus": "200 A", "main": "none"})
    site["feeder"] = [{"id": "backup-feeder", "connected_to": "backup-breaker", "entire_dwelling_load": True, "conductor": wire}]
    site["load"][0]["connected_to"] = "backup"
    if sources:
        site["source"] = list(sources)
    path = tmp_path / "t10.toml"
    path.write_text(tomlkit.dumps(site), encoding="utf-8")
    assert study(read_home(path), load("2023")).check("dwelling-83:backup-feeder").verdict == verdict
