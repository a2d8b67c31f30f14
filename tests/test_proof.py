"""The printed formula of every Step equals the code that made its value.

Nothing is listed: every Step that the example homes, the published cases and generated homes produce
is walked, its text is evaluated on what it names in `uses`, and the two must agree.
"""

from __future__ import annotations

import importlib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.loads import calculate, homes
from workbook_lib.editions import YEARS, load
from workbook_lib.errors import MissingInput
from workbook_lib.formula import evaluate, names
from workbook_lib.home import read_home
from workbook_lib.published import cases
from workbook_lib.sheet import Input, Step, walk
from workbook_lib.workbooks import REGISTRY, legs, service_load
from workbook_lib.workbooks.methods import METHODS

SITES = sorted((Path(__file__).parent.parent / "example_inputs" / "sites").glob("*.toml"))


def faults(step: Step) -> list[str]:
    """What is wrong with the printed text of one step; empty if text and code agree."""
    found = []
    if names(step.formula) != set(step.uses):
        found.append(f"{step.key}: the text names {sorted(names(step.formula))}, the step uses {sorted(step.uses)}")
        return found
    values = {name: tuple(part.value for part in used) if isinstance(used, tuple) else used.value for name, used in step.uses.items()}
    again = evaluate(step.formula, values)
    if abs(again - step.value) > 1e-9 * max(1.0, abs(step.value)):
        found.append(f"{step.key}: {step.formula} gives {again!r}, the code {step.value!r}")
    return found


def prove(roots) -> int:
    """Check every step behind the roots. Returns: how many there were."""
    steps = [item for item in walk(roots) if isinstance(item, Step)]
    wrong = [line for step in steps for line in faults(step)]
    assert not wrong, "\n".join(wrong)
    return len(steps)


@pytest.mark.parametrize("site", SITES, ids=lambda path: path.stem)
@pytest.mark.parametrize("year", YEARS)
@pytest.mark.parametrize("module", REGISTRY.values(), ids=lambda module: module.rpartition(".")[2])
def test_every_step_of_the_example_homes(module, site, year):
    sheet = importlib.import_module(module).study(read_home(site), load(year))
    prove(sheet.steps())


HOUSES = [case for case in cases() if case.rule == "house"]


@pytest.mark.parametrize("case", HOUSES, ids=lambda case: case.id)
def test_every_step_of_the_published_houses(case, monkeypatch):
    from workbook_lib.published import house

    for year in case.editions:
        sheets = []
        monkeypatch.setattr(
            service_load, "study", lambda home, edition, own=service_load.study, kept=sheets: kept.append(own(home, edition)) or kept[-1]
        )
        house.answers(case.inputs, load(year))
        monkeypatch.undo()
        assert prove(sheets[0].steps()) > 10


@settings(max_examples=150, deadline=None)
@given(homes(), st.sampled_from(METHODS), st.sampled_from(YEARS), st.lists(st.sampled_from(("A", "B", "")), min_size=8, max_size=8))
def test_every_step_of_generated_homes(items, method, year, sides):
    from dataclasses import replace

    def at(one, leg):
        volts = 120.0 if leg else 240.0
        return replace(one, leg=leg, voltage_v=volts, voltage=Input("load.voltage", "voltage", volts, "V"), neutral=bool(leg))

    placed = [at(one, leg) for one, leg in zip(items, sides, strict=False)]
    try:
        result = calculate(method, placed, year)
    except MissingInput:
        return
    prove(result.steps)
    if method == "standard":
        answer = legs.leg_answer(placed, result, load(year))
        prove([*answer.steps, answer.neutral_va, answer.neutral_a, answer.worst, *answer.currents.values()])


def test_the_proof_can_fail():
    sheet = calculate("standard", [], "2023")
    good = sheet.total
    wrong_value = Step(good.key, good.symbol, good.meaning, good.formula, good.uses, good.value + 1, good.unit)
    assert faults(wrong_value)
    unnamed = Step(good.key, good.symbol, good.meaning, "1 + 1", good.uses, 2.0, good.unit)
    assert faults(unnamed)
