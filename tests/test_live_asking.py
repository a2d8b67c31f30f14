"""The answer to an inverse question is the right one: against every value put in place, each studied by the workbook itself."""

from __future__ import annotations

import importlib
from dataclasses import dataclass

import pytest

from tests.conftest import ROOT
from workbook_lib import editions
from workbook_lib.errors import CalculationFault, InputFault
from workbook_lib.home import read_home
from workbook_lib.live.asking import CHARGERS_A, SIZES, Found, Question, answer_of, questions
from workbook_lib.live.draft import Draft
from workbook_lib.live.fields import groups
from workbook_lib.live.worker import Inverse, Progress, Task, stages
from workbook_lib.workbooks import REGISTRY

SITES = ROOT / "example_inputs" / "sites"


def text_of(name: str) -> str:
    return (SITES / f"{name}.toml").read_text(encoding="utf-8")


def asked(name: str, kind: str, path: str, workbook: str, text: str | None = None) -> tuple[Inverse, list[Progress]]:
    """What the process answers, and the trials that it told."""
    text = text or text_of(name)
    question = Question(kind, path, "", workbook)
    told = list(stages(Task(7, SITES / f"{name}.toml", text, workbook, question=question), lambda: False))
    assert isinstance(told[-1], Inverse), told[-1]
    assert all(isinstance(one, Progress) and one.number == 7 for one in told[:-1])
    assert len(told) > 1
    return told[-1], told[:-1]


def failing(name: str, workbook: str, overrides: dict[str, object], text: str | None = None) -> dict[str, str] | None:
    """Checks that count and fail or lack an input, by the workbook itself; None where the home is refused or cannot be calculated."""
    try:
        known = read_home(SITES / f"{name}.toml", overrides, text=text)
        module = importlib.import_module(REGISTRY[workbook])
        sheet = getattr(module, "verdict_study", module.study)(known, editions.load(known.edition_year))
    except (InputFault, CalculationFault):
        return None
    return {one.key: str(one.verdict) for one in sheet.checks if one.counts and str(one.verdict) in ("fail", "needs input")}


@pytest.mark.parametrize(
    "name, workbook, largest",
    [
        ("bungalow-100a", "service_load", 32),
        ("bungalow-100a", "ev_load_management", 32),
        ("garage-subpanel-150a", "service_load", 32),
        ("cottage-what-if-2026", "service_load", 48),
        ("metered-letter-100a", "service_load", 48),
        ("all-electric-200a", "ev_load_management", 40),
    ],
)
def test_the_largest_charger_is_the_last_of_all_that_pass(name, workbook, largest):
    path = "evse.evse-1"
    scanned = {amperes: failing(name, workbook, {f"{path}.rating": f"{amperes} A"}) for amperes in CHARGERS_A}
    passing = [amperes for amperes in CHARGERS_A if scanned[amperes] == {}]
    found, trials = asked(name, "charger", path, workbook)
    assert (found.value, max(passing)) == (f"{largest} A", largest)
    assert found.entries == ((f"{path}.rating", f"{largest} A"),)
    beyond = CHARGERS_A[CHARGERS_A.index(largest) + 1]
    assert {line.key for line in found.limits} == set(scanned[beyond]) != set()
    assert all(line.verdict in ("fail", "needs input") and line.sentence for line in found.limits)
    assert len(trials) == len(CHARGERS_A)


@pytest.mark.parametrize(
    "name, path",
    [("array-and-storage-200a", "source.pv"), ("array-and-storage-200a", "source.battery-inverter"), ("supply-tap-100a", "source.pv")],
)
def test_the_largest_inverter_passes_and_half_an_ampere_more_does_not(name, path):
    found, _ = asked(name, "inverter", path, "backfeed_and_tap")
    amperes = float(found.value.removesuffix(" A"))
    entries = dict(found.entries)
    given = read_home(SITES / f"{name}.toml").givens
    ratio = given[f"{path}.output_power"].value / given[f"{path}.output_current"].value

    def at(current: float) -> dict[str, str] | None:
        power = {f"{path}.output_power": f"{ratio * current:.6g} W"} if f"{path}.output_power" in entries else {}
        return failing(name, "backfeed_and_tap", {f"{path}.output_current": f"{current:g} A", **power})

    assert failing(name, "backfeed_and_tap", entries) == {} == at(amperes)
    beyond = at(amperes + 0.5)
    assert {line.key for line in found.limits} == set(beyond) != set()
    for current in (1.0, amperes / 2, amperes - 0.5):
        assert at(current) == {}, "it holds below"
    for current in (amperes + 1, amperes * 1.5, amperes * 3):
        assert at(current) != {}, "and nowhere above, so that halving finds the one place"


@pytest.mark.parametrize(
    "name, path, workbook",
    [
        ("all-electric-200a", "evse.evse-1.conductor", "ev_load_management"),
        ("cottage-what-if-2026", "evse.evse-1.conductor", "ev_load_management"),
        ("supply-tap-100a", "disconnect.pv-off.conductor", "backfeed_and_tap"),
    ],
)
def test_the_smallest_conductor_is_the_smallest_of_all_that_pass(name, path, workbook):
    found, _ = asked(name, "conductor", path, workbook)
    scanned = {size: failing(name, workbook, {f"{path}.size": size}) for size in SIZES}
    passing = [size for size in SIZES if scanned[size] == {}]
    assert found.value == passing[0], "sizes stand from the smallest"
    beyond = SIZES[SIZES.index(passing[0]) - 1]
    assert {line.key for line in found.limits} == set(scanned[beyond]) != set()


def test_a_size_that_no_table_has_is_passed_over_and_stops_nothing():
    """Of the source's sizes the largest are in no table of areas: they cannot be calculated."""
    scanned = [failing("cascade-200a", "backfeed_and_tap", {"source.pv.conductor.size": size}) for size in SIZES]
    assert None in scanned
    found, _ = asked("cascade-200a", "conductor", "source.pv.conductor", "backfeed_and_tap")
    assert found.value == "10"


def spare_margin(name: str, amperes: float) -> dict[str, str] | None:
    """The open checks with a load more, put into the text by hand."""
    row = '\n[[load]]\nid = "one-more"\nkind = "calculated"\nconnected_to = "main"\nneutral = false\nstatus = "added"\n'
    row += f'rating = "{240 * amperes:g} VA"\n'
    text = text_of(name)
    if "\nload = [" in text:
        head, _, rest = text.partition("\nload = [")
        one = ", ".join(line for line in row.strip().split("\n")[1:])
        text = f"{head}\nload = [\n  {{ {one} }},{rest}"
    else:
        text += row
    return failing(name, "service_load", {}, text)


@pytest.mark.parametrize("name", ["all-electric-200a", "cottage-what-if-2026", "metered-letter-100a", "bungalow-control-100a"])
def test_spare_amperes_hold_and_half_an_ampere_more_does_not(name):
    found, _ = asked(name, "spare", "service", "service_load")
    amperes = float(found.value.removesuffix(" A"))
    assert spare_margin(name, amperes) == {}
    assert {line.key for line in found.limits} == set(spare_margin(name, amperes + 0.5)) != set()
    assert found.entries == (), "there is no field to enter it in"
    assert "counted in full" in found.words


@pytest.mark.parametrize("name", ["metered-letter-100a", "all-electric-200a", "cottage-what-if-2026"])
def test_spare_amperes_are_no_more_than_the_margin_of_the_service(name):
    """A load counted in full takes of the margin what it draws at 240 V; another test may limit it before; whole amperes are judged."""
    known = read_home(SITES / f"{name}.toml")
    module = importlib.import_module(REGISTRY["service_load"])
    margin = module.study(known, editions.load(known.edition_year)).results["service_margin_a"].value
    found, _ = asked(name, "spare", "service", "service_load")
    spare = float(found.value.removesuffix(" A"))
    assert spare <= margin + 1e-6 or (spare < margin + 0.5 and "A person has to decide, with it: does the service carry" in found.words)
    if {line.key for line in found.limits} == {"service-capacity"}:
        assert margin - spare < 0.5


def test_a_service_that_fails_already_has_no_spare_amperes():
    for name in ("bungalow-100a", "saltgrass-100a"):
        assert spare_margin(name, 0.5)
        found, _ = asked(name, "spare", "service", "service_load")
        assert found.value is None
        assert found.entries == ()
        assert "No value that was tried passes" in found.words
        assert "does the service carry the calculated load (fail)" in found.words


def test_what_cannot_be_tested_is_not_said_to_hold():
    found, _ = asked("metered-array-100a", "spare", "service", "service_load")
    assert found.value is None
    assert found.words.startswith("Not known")
    assert "needs input" in found.words
    found, _ = asked("metered-array-100a", "charger", "evse.evse-1", "service_load")
    assert found.value is None
    assert found.entries == ()


def test_a_source_whose_bus_fails_with_the_least_has_no_largest_inverter():
    found, _ = asked("cascade-200a", "inverter", "source.pv", "backfeed_and_tap")
    assert failing("cascade-200a", "backfeed_and_tap", {"source.pv.output_current": "1 A", "source.pv.output_power": "0.24 kW"})
    assert found.value is None
    assert "bus of main" in found.words


def test_the_lowest_setting_passes_and_one_ampere_less_does_not():
    """The house of constant load: whole amperes around the answer, each by the workbook."""
    name, path = "control-limited-100a", "control.limiter.limit.0"
    found, _ = asked(name, "setting", path, "ev_load_management")
    amperes = int(found.value.removesuffix(" A"))
    assert failing(name, "ev_load_management", {f"{path}.setting": f"{amperes} A"}) == {}
    beyond = failing(name, "ev_load_management", {f"{path}.setting": f"{amperes - 1} A"})
    assert {line.key for line in found.limits} == set(beyond) != set()
    assert "control-setting:limiter" in beyond


def test_the_store_for_a_target_meets_it_and_a_tenth_less_does_not():
    name, path = "backup-panel-200a", "storage.battery.energy"
    found, _ = asked(name, "storage", "storage.battery", "backup_duration")
    energy = float(found.value.removesuffix(" kWh"))
    assert failing(name, "backup_duration", {path: f"{energy:g} kWh"}) == {}
    assert (
        failing(name, "backup_duration", {path: f"{energy - 0.1:.1f} kWh"}).keys() == {"backup-target"} == {one.key for one in found.limits}
    )


# how it searches, against tests made by hand


@dataclass(frozen=True)
class Line:
    key: str
    verdict: str
    room: str = ""
    question: str = "is it enough?"


TEXT = """[site]
id = "a"
[[panel]]
id = "main"
connected_to = "service"
[[evse]]
id = "car"
rating = "48 A"
connected_to = "main"
[evse.conductor]
size = "6"
[[source]]
id = "pv"
output_current = "20 A"
output_power = "4800 W"
connected_to = "main"
[source.conductor]
size = "10"
[[storage]]
id = "box"
inverter = "pv"
energy = "10 kWh"
[[control]]
id = "ems"
limit = [ { at = "service", setting = "60 A" }, { at = "service" } ]
[service.transformer.conductor]
size = "2"
"""


def searched(kind: str, path: str, checks) -> Found:
    """The answer where a value gives these checks: `checks(value)` -> lines, or an error raised."""

    def trial(entries, text=None):
        amperes = None
        if text is not None:
            amperes = next(
                field for group in groups(text) for field in group.every() if field.path.startswith("load.spare") and field.name == "rating"
            ).text
            amperes = f"{float(amperes.split()[0]) / 240:g} A"
        elif entries:
            amperes = entries[0][1]
        value = None if amperes is None else amperes.split()[0]
        return {line.key: line for line in (checks(value) if value is not None else ())}

    told = list(answer_of(Question(kind, path, "", "service_load"), TEXT, trial))
    assert all(isinstance(one, tuple) and one[1] <= one[2] + 1 for one in told[:-1])
    return told[-1]


def within(limit: float, key: str = "bus"):
    return lambda value: (Line(key, "pass" if float(value) <= limit else "fail", f"{limit - float(value):.1f}"),)


@pytest.mark.parametrize("limit", [1.0, 1.4, 2.0, 20.0, 20.7, 199.5, 199.9])
def test_halving_ends_at_the_last_value_that_holds(limit):
    found = searched("inverter", "source.pv", within(limit))
    expected = int(limit * 2) / 2
    assert found.value == f"{expected:g} A"
    assert dict(found.entries) == {"source.pv.output_current": f"{expected:g} A", "source.pv.output_power": f"{expected * 0.24:.6g} kW"}
    assert [line.key for line in found.limits] == ["bus"]


@pytest.mark.parametrize("kind, path", [("inverter", "source.pv"), ("charger", "evse.car"), ("spare", "service")])
def test_where_even_the_least_fails_nothing_is_answered(kind, path):
    found = searched(kind, path, within(0.1))
    assert found.value is None
    assert found.entries == ()
    assert "No value that was tried passes" in found.words


@pytest.mark.parametrize(
    "kind, path", [("inverter", "source.pv"), ("charger", "evse.car"), ("conductor", "evse.car.conductor"), ("spare", "service")]
)
def test_where_every_value_is_refused_it_is_said(kind, path):
    def refused(value):
        raise InputFault([])

    assert searched(kind, path, refused) == Found(None, (), "No value that was tried is accepted in this home as drawn.", ())


def test_what_fails_whatever_the_value_is_not_laid_to_it_and_is_named():
    found = searched("inverter", "source.pv", lambda value: (*within(20)(value), Line("jaws", "fail", "", "are the jaws sound?")))
    assert found.value == "20 A"
    assert [line.key for line in found.limits] == ["bus"]
    assert "Whatever it is, these stay open: are the jaws sound (fail)" in found.words


def test_what_nothing_turns_on_has_no_answer():
    found = searched("charger", "evse.car", lambda value: (Line("bus", "pass", "3"),))
    assert found.value is None
    assert "turns on it" in found.words


def test_a_charger_too_small_for_the_night_and_too_large_for_the_service_is_none():
    def checks(value):
        amperes = float(value)
        return Line("night", "pass" if amperes >= 40 else "fail", f"{amperes - 40:g}"), *within(32)(value)

    assert searched("charger", "evse.car", checks).value is None
    assert searched("charger", "evse.car", lambda value: (checks(value)[0], *within(48)(value))).value == "48 A"


def test_a_store_over_what_its_place_allows_is_none():
    """The largest meet the target and are too large for the place: halving from there must not forget the place."""

    def checks(value, most):
        energy = float(value)
        return Line("target", "pass" if energy >= 30 else "fail", f"{energy - 30:.1f}"), Line(
            "place", "pass" if energy <= most else "fail", f"{most - energy:.1f}"
        )

    assert searched("storage", "storage.box", lambda value: checks(value, 40)).value == "30 kWh"
    found = searched("storage", "storage.box", lambda value: checks(value, 20))
    assert found.value is None
    assert "30 kWh" in found.words


def test_halving_takes_one_edge_of_a_test_that_is_open_in_islands():
    """What is known of halving: where a test holds again beyond a value that fails, the answer is an edge, and it holds there."""

    def islands(value):
        amperes = float(value)
        return (Line("bus", "fail" if 30 < amperes < 60 or amperes > 90 else "pass", f"{amperes:g}"),)

    found = searched("inverter", "source.pv", islands)
    assert found.value in ("30 A", "90 A")


def test_each_thing_of_a_home_has_its_questions():
    wanted = [
        ("spare", "service", "service_load"),
        ("charger", "evse.car", "service_load"),
        ("charger", "evse.car", "ev_load_management"),
        ("conductor", "evse.car.conductor", "ev_load_management"),
        ("inverter", "source.pv", "backfeed_and_tap"),
        ("conductor", "source.pv.conductor", "backfeed_and_tap"),
        ("storage", "storage.box", "backup_duration"),
        ("setting", "control.ems.limit.0", "ev_load_management"),
    ]
    found = [(one.kind, one.path, one.workbook) for one in questions(groups(TEXT))]
    assert sorted(found) == sorted(wanted), "none for the utility's conductor, none for a limit without a setting"


def test_what_was_found_is_taken_into_a_form():
    """The entries of an answer are read by the draft as typed, and the workbook then passes."""
    found, _ = asked("bungalow-100a", "charger", "evse.evse-1", "service_load")
    draft = Draft(text_of("bungalow-100a"))
    assert [draft.set(path, text) for path, text in found.entries] == [None]
    assert failing("bungalow-100a", "service_load", {}, draft.text) == {}


def test_a_faulty_home_is_told_as_such():
    text = text_of("bungalow-100a").replace('"48 A"', '"48"')
    told = list(
        stages(
            Task(1, SITES / "bungalow-100a.toml", text, "service_load", question=Question("spare", "service", "", "service_load")),
            lambda: False,
        )
    )
    assert [fault.field for fault in told[-1].faults] == ["evse.evse-1.rating"]
