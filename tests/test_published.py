"""Every published case, under every edition it names: ours is the print, a printed alternative, or proven to differ."""

from __future__ import annotations

from dataclasses import replace

import pytest

from workbook_lib.editions import YEARS, load
from workbook_lib.published import MARKS, cases, compare_case, same_print
from workbook_lib.published.runner import ADAPTERS

LEAST_VALUES, LEAST_SOURCES = 120, 15
ANNEX_D = ("d1a", "d1b", "d2a", "d6")
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


def test_a_changed_print_is_noticed():
    case = next(case for case in cases() if case.id.startswith("d1a"))
    answer = case.answers[0]
    off = replace(answer, printed=str(float(answer.printed.replace(",", "")) + 1))
    assert not all(row.agrees for row in compare_case(replace(case, answers=(off,)), case.editions[0]))


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
