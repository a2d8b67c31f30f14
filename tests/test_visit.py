"""A new home by questions: the data against the model, what is asked of each example home, and that what is called needed is."""

from __future__ import annotations

import copy
import functools
import importlib
import string
import tomllib
from dataclasses import replace

import pytest
import tomlkit

from tests.conftest import ROOT
from workbook_lib import editions
from workbook_lib.errors import InputFault
from workbook_lib.home import read_home
from workbook_lib.home.model import Site
from workbook_lib.home.patch import add_row, put
from workbook_lib.home.raw import Raw
from workbook_lib.home.shapes import model_at, shapes
from workbook_lib.live import beginning, visit, visit_data
from workbook_lib.sheet import Verdict
from workbook_lib.workbooks import REGISTRY

SITES = sorted((ROOT / "example_inputs" / "sites").glob("*.toml"))
STUDIES = tuple(map(importlib.import_module, REGISTRY.values()))
ASKED_BY_THE_SHEET = ("records.load.", "records.weather.", "records.seasonal_missing", "records.demand_interval", "panel.north.serves")
"""What no example can do without, though it is not called needed: how a record file is read, what a record shorter than a year lacks, and
what the first of several panels that share a dwelling serves."""
CONTENT = {path.stem: tomllib.loads(path.read_text(encoding="utf-8")) for path in SITES}


def content(name: str) -> dict:
    """What an example home says, to be changed."""
    return copy.deepcopy(CONTENT[name])


def asked_of(known: dict) -> list[visit.Asked]:
    """Every question that applies to a home."""
    return [one for step in visit_data.steps() for one in visit.asked(known, step)]


def at(known: object, loc: tuple) -> object:
    """What stands at a place, None for nothing."""
    for part in loc:
        try:
            known = known[part]
        except (KeyError, IndexError, TypeError):
            return None
    return known


def plain(value: object) -> object:
    """A value without how it is known."""
    return value["value"] if isinstance(value, dict) and "value" in value else value


def kept(known: object, keep: set, loc: tuple = ()) -> object:
    """A home with nothing but ids and what stands at some places."""
    if loc in keep or loc == ("format",) or (loc and loc[-1] == "id"):
        return known
    if isinstance(known, dict):
        found = {key: kept(value, keep, (*loc, key)) for key, value in known.items()}
        return {key: value for key, value in found.items() if value is not None} or None
    if isinstance(known, list):
        return [row for index, value in enumerate(known) if (row := kept(value, keep, (*loc, index))) is not None] or None
    return None


@functools.cache
def lacking(name: str, text: str | None = None) -> set[tuple[str, str, tuple[str, ...]]]:
    """Checks of all workbooks that count and need input, with their fields."""
    path = ROOT / "example_inputs" / "sites" / f"{name}.toml"
    home = read_home(path, text=text)
    sheets = [getattr(module, "verdict_study", module.study)(home, editions.load(home.edition_year)) for module in STUDIES]
    return {
        (sheet.workbook, check.key, check.fields)
        for sheet in sheets
        for check in sheet.checks
        if check.counts and check.verdict is Verdict.NEEDS_INPUT
    }


# the data


def test_the_stops_stand_in_the_order_of_a_visit():
    assert [step.key for step in visit_data.steps()] == [
        *("job", "house", "meter", "adapter", "service-conductors", "panel", "breakers", "sub-panels", "storage", "backup-panel"),
        *("solar", "loads", "charger", "outage", "control", "record", "papers"),
    ]
    assert [step.key for step in visit_data.steps() if not step.skip] == [
        *("job", "house", "meter", "service-conductors", "panel", "breakers", "loads")
    ]
    assert visit_data.step_of("loads").title == "Appliances and loads"


def test_every_question_has_its_words_and_they_are_sentences():
    for step in visit_data.steps():
        for question in step.questions:
            assert question.ask.rstrip(".").endswith("?") or "?" in question.ask, question.path
            assert question.why.endswith("."), question.path
            assert question.where.endswith("."), question.path
            assert "{" not in question.ask


QUESTION = visit_data.Question("load.*.rating", "What?", "Why.", "Where.")
TAKES = visit_data.Takes("connected_to", "panel.*.breakers.*", "poles", (("2", "240 V"),), "poles")
LOADS = visit_data.RowsAt("load", "load", ("kind",))
STEP = visit_data.Step("loads", "Loads", "", "", (LOADS,), (QUESTION,))


@pytest.mark.parametrize(
    "spoilt,words",
    [
        (replace(STEP, questions=(replace(QUESTION, path="load.*.ratng"),)), "load.*.ratng is no field"),
        (replace(STEP, questions=(replace(QUESTION, path="load.rating"),)), "load.rating is no field"),
        (replace(STEP, questions=(replace(QUESTION, path="service.conductor"),)), "service.conductor is no field"),
        (replace(STEP, questions=(QUESTION, QUESTION)), "load.*.rating is asked twice"),
        (replace(STEP, questions=(replace(QUESTION, why=" "),)), "no why"),
        (replace(STEP, questions=(replace(QUESTION, instead=("load.*.amps",)),)), "load.*.rating is no field"),
        (replace(STEP, questions=(replace(QUESTION, only_if=(visit_data.Condition("sauce.*.id"),)),)), "a condition on sauce.*.id"),
        (replace(STEP, questions=(replace(QUESTION, needed_if=(visit_data.Condition("source", ("pv",)),)),)), "has no value to compare"),
        (replace(STEP, questions=(replace(QUESTION, path="evse.*.rating"),)), "evse are no rows of this step"),
        (replace(STEP, rows=(LOADS, visit_data.RowsAt("service", "a", ("rating",)))), "service are no rows"),
        (replace(STEP, rows=(LOADS, visit_data.RowsAt("load", "a", one=True, first=("kind",)))), "load are no table"),
        (replace(STEP, rows=(replace(LOADS, first=("sort",)),)), "load.*.sort is no field"),
        (replace(STEP, rows=(replace(LOADS, first=()),)), "not both"),
        (replace(STEP, rows=(replace(LOADS, which="last"),)), "which = 'last'"),
        (replace(STEP, rows=(replace(LOADS, into="evse.*.breaker"),)), "evse.*.breaker is no field"),
        (replace(STEP, questions=(replace(QUESTION, takes=replace(TAKES, beside="fed_by")),)), "takes load.*.fed_by"),
        (replace(STEP, questions=(replace(QUESTION, takes=replace(TAKES, has="legs")),)), "takes panel.*.breakers.*.legs"),
        (
            replace(STEP, questions=(replace(QUESTION, only_if=(visit_data.Condition("load.*.id", row="panel.*", has="leg"),)),)),
            "panel.*.leg is no field",
        ),
        (replace(STEP, rows=(replace(LOADS, only=(visit_data.Condition("load.*.id", among=("x.y",)),)),)), "a condition on x.y"),
        (replace(STEP, rows=(replace(LOADS, only=(visit_data.Condition("load.*.id", below=("x.y",)),)),)), "a condition on x.y"),
        (replace(STEP, rows=(replace(LOADS, only=(visit_data.Condition("load.*.id", below=("site.id",), short_of="site"),)),)), "no rows"),
        (replace(STEP, rows=(replace(LOADS, then="weight"),)), "load.*.weight is no field"),
        (replace(STEP, wants=(visit_data.Wanted("panel", "a panel", ()),)), "wanted panel: no rows to add to"),
        (replace(STEP, wants=(visit_data.Wanted("load", " ", ()),)), "wanted load: no words"),
        (replace(STEP, after=("garden",)), "after garden, which is no step"),
    ],
)
def test_spoilt_data_is_found(spoilt, words):
    assert not visit_data.faults([STEP])
    assert words in "; ".join(visit_data.faults([spoilt]))


def test_two_steps_of_one_key_and_unknown_words_in_the_data_are_found():
    assert visit_data.faults([STEP, STEP]) == ["two steps loads"]
    given = {"set": [], "step": [{"key": "a", "title": "A", "words": "", "ask": [{"path": "x", "aks": "?"}]}]}
    with pytest.raises(TypeError):
        visit_data.read_steps(given)
    with pytest.raises(KeyError, match="needd"):
        visit_data.read_steps({"set": [], "step": [{"key": "a", "title": "A", "words": "", "ask": [{"set": "x", "needd": True}]}]})


def test_what_a_new_row_cannot_do_without_is_asked_first():
    seen = set()
    for step in visit_data.steps():
        for rows in step.rows:
            model = model_at(
                Site, tuple(0 if part == visit_data.EVERY else part for part in rows.path.split(".")) + (() if rows.one else (0,))
            )
            required = {info.alias or name for name, info in model.model_fields.items() if info.is_required()} - {"id", "status"}
            if rows.first:
                assert required <= set(rows.first), (step.key, rows.path)
                seen |= required
    assert {"kind", "connected_to", "inverter", "evse", "for", "shows", "at", "way", "role"} <= seen


def test_a_suggestion_is_a_value_that_a_site_file_takes():
    found = 0
    for step in visit_data.steps():
        for question in step.questions:
            if question.suggest:
                model, leaf = Site, None
                for part in question.path.split("."):
                    if part != visit_data.EVERY:
                        shape = shapes(model)[part]
                        model, leaf = shape.model, shape.leaf
                try:
                    value = tomllib.loads(f"x = {question.suggest}")["x"]
                except tomllib.TOMLDecodeError:
                    value = question.suggest
                leaf.parse(Raw(question.path, (), value))
                found += 1
    assert found > 20


# what is asked


@pytest.mark.parametrize("name", CONTENT)
def test_each_answer_stands_where_the_question_says(name):
    home = read_home(ROOT / "example_inputs" / "sites" / f"{name}.toml")
    found = asked_of(CONTENT[name])
    for one in found:
        assert one.value == plain(at(CONTENT[name], one.loc)), one.key
        if one.value is not None:
            assert one.key in home.givens, one.key
            assert one.answered
    assert sum(one.answered for one in found) > 50
    assert visit.answered(CONTENT[name]) == {one.key for one in found if one.answered}


@pytest.mark.parametrize("name", CONTENT)
def test_every_row_of_an_example_stands_at_some_step(name):
    standing = {row.loc for step in visit_data.steps() for row in visit.standing(CONTENT[name], step)}
    lists = {"load", "evse", "vehicle", "raceway", "disconnect", "evidence", "panel", "feeder", "source", "storage", "control", "transfer"}
    rows = {(key, index) for key in lists & CONTENT[name].keys() for index in range(len(CONTENT[name][key]))}
    rows |= {("panel", i, "breakers", j) for i, panel in enumerate(CONTENT[name]["panel"]) for j in range(len(panel.get("breakers", ())))}
    assert rows <= standing


@pytest.mark.parametrize("name", CONTENT)
def test_what_is_not_called_needed_may_be_left_out(name):
    known = CONTENT[name]
    asked = asked_of(known)
    keep = {one.loc for one in asked if one.needed} | {("site", "jurisdiction"), ("site", "utility")}
    for one in asked:
        if one.needed and one.value is None:
            keep |= {other.loc for other in asked if other.question.path in one.question.instead and other.loc[:-1] == one.loc[:-1]}
            keep |= {tuple(path.split(".")) for path in one.question.instead if visit_data.EVERY not in path}
    keep |= {(*row.loc, first) for step in visit_data.steps() for row in visit.standing(known, step) for first in row.rows.first}
    text = tomlkit.dumps(kept(known, keep))
    assert len(text) < 0.8 * len(tomlkit.dumps(known))
    new = {one for one in lacking(name, text) if one[:2] not in {known[:2] for known in lacking(name)}}
    assert [one for one in new if not any(field.startswith(ASKED_BY_THE_SHEET) for field in one[2])] == []


IDLE_ALONE = {"load.*.voltage", "panel.*.breakers.*.rating", "evse.*.status", "panel.*.breakers.*.status"}
"""The poles of a breaker tell the voltage; breakers are summed up for sources only; without a status a thing is taken as existing, which is
what nobody should be left with by passing over the question."""


def test_what_is_called_needed_is_missed():
    """Each needed answer of a home without a source, left out alone: the reader or a sheet asks for it, or for what rests on it."""
    name, idle = "bungalow-100a", set()
    before = {one[:2] for one in lacking(name)}
    for one in asked_of(CONTENT[name]):
        if one.needed and one.value is not None:
            changed = content(name)
            del at(changed, one.loc[:-1])[one.loc[-1]]
            try:
                found = {known[:2] for known in lacking(name, tomlkit.dumps(changed))} - before
            except InputFault:
                continue
            idle |= set() if found else {one.question.path}
    assert idle == IDLE_ALONE


def needed_in(known: dict, step: str) -> set[str]:
    """Key paths of what a step of the visit needs of a home."""
    return {one.key for one in visit.asked(known, visit_data.step_of(step)) if one.needed}


def test_what_this_work_adds_is_asked_of_the_thing_and_of_the_breaker_made_for_it():
    """A charger, an inverter, a store: whether they are new; where they are, the breaker of their circuit, and what shuts a store down."""
    known = content("bungalow-100a")
    assert {"evse.evse-1.status", "panel.main.breakers.evse-breaker.status"} <= needed_in(known, "charger")
    known["evse"][0]["status"] = "existing"
    assert "evse.evse-1.status" in needed_in(known, "charger")
    assert "panel.main.breakers.evse-breaker.status" not in needed_in(known, "charger")
    assert not [key for key in needed_in(known, "breakers") if key.endswith(".status")]
    stored = content("array-and-storage-200a")
    of = {row["id"]: plain(row["connected_to"]) for row in stored["source"]}
    for name, step in (("pv", "solar"), ("battery-inverter", "storage")):
        statuses = {key for key in needed_in(stored, step) if key.endswith(".status") and not key.startswith("storage.")}
        own = {f"source.{name}.status"}
        row = next(row for row in stored["source"] if row["id"] == name)
        breakers = {f"panel.{panel['id']}.breakers.{one['id']}.status" for panel in stored["panel"] for one in panel.get("breakers", ())}
        mine = {key for key in breakers if f".{of[name]}." in key}
        off = {f"disconnect.{one['id']}.status" for one in stored["disconnect"] if one["role"].startswith("storage") and step == "storage"}
        assert statuses == (own | mine | off if plain(row.get("status")) == "added" else own)
        assert off or step == "solar"
    assert "storage.battery.status" in needed_in(stored, "storage")


def test_a_breaker_is_asked_for_backfeed_where_a_disconnect_stands_between_it_and_its_inverter():
    """The rule of the bus looks at the breaker, whatever hangs between: its place and whether it may be backfed are needed there too."""
    known = content("all-electric-200a")
    known["panel"][0]["breakers"].append({"id": "pv-breaker", "rating": "40 A", "poles": 2})
    known["disconnect"] = [{"id": "pv-off", "role": "source", "connected_to": "pv-breaker"}]
    known["source"] = [{"id": "pv", "kind": "pv-inverter", "connected_to": "pv-off", "status": "added"}]
    wanted = {f"panel.main.breakers.pv-breaker.{part}" for part in ("position", "backfeed", "status")}
    assert wanted <= needed_in(known, "solar")
    assert "panel.main.breakers.pv-breaker.backfeed" in needed_in(known, "breakers")
    known["source"][0]["connected_to"] = "pv-breaker"
    assert wanted <= needed_in(known, "solar")


def test_an_inverter_that_can_stand_alone_is_asked_for_its_fastener_and_for_solar_where_there_is_some():
    """408.36(D): the fastener of its breaker decides; how much solar its island takes is no question of a home without an array."""
    known = content("backup-panel-200a")
    forming = next(row["id"] for row in known["source"] if plain(row["kind"]) == "multimode-inverter")
    assert "panel.main.breakers.battery-breaker.hold_down" in needed_in(known, "breakers")
    assert f"source.{forming}.island.pv_power" in needed_in(known, "storage")
    for row in known["source"]:
        row.pop("array", None)
    assert f"source.{forming}.island.pv_power" not in {one.key for one in visit.asked(known, visit_data.step_of("storage"))}
    sun = content("centre-fed-100a")
    asked = {one.key: one.needed for one in visit.asked(sun, visit_data.step_of("breakers")) if one.key.endswith(".hold_down")}
    assert set(asked.values()) == {False}, "a source that cannot run alone may be left without"


def test_a_vehicle_and_its_charger_are_asked_for_what_the_sheets_ask_of_them():
    """Each needed answer left out alone is missed by a workbook, so that nothing is open there where nothing is open in the visit."""
    name, found = "two-chargers-125a", {}
    before = {one[:2] for one in lacking(name)}
    for path in ("vehicle.0.need_per_night", "vehicle.0.arrive", "vehicle.0.depart"):
        assert path in needed_in(CONTENT[name], "control")
        changed = content(name)
        del changed["vehicle"][0][path.rpartition(".")[2]]
        found[path] = {(book, path in fields) for book, key, fields in lacking(name, tomlkit.dumps(changed)) if (book, key) not in before}
    assert all(("ev_load_management", True) in one for one in found.values()), found
    runs = {f"evse.evse-1.conductor.{part}" for part in ("size", "material", "insulation", "grounding", "raceway")}
    assert runs <= needed_in(CONTENT["bungalow-100a"], "charger")
    assert "evse.evse-1.conductor.neutral" not in needed_in(CONTENT["bungalow-100a"], "charger")


def test_nothing_is_asked_of_what_is_not_there():
    known = tomllib.loads(beginning.beginning("new-home"))
    for key in ("adapter", "sub-panels", "charger", "solar", "storage", "control", "record", "papers", "loads", "breakers"):
        assert visit.asked(known, visit_data.step_of(key)) == ()
    keys = {one.key for one in asked_of(content("bungalow-100a"))}
    assert not [key for key in keys if key.startswith(("source.", "storage.", "backup.", "records.", "control."))]
    assert not [key for key in keys if key.endswith((".backfeed", ".hold_down", ".backup_tier"))]


def test_what_is_asked_follows_what_was_answered():
    known = content("centre-fed-100a")
    breakers = visit_data.step_of("breakers")
    asked = {one.key: one for one in visit.asked(known, breakers)}
    source_breakers = {plain(row["connected_to"]) for row in known["source"]}
    assert {key.split(".")[3] for key in asked if key.endswith(".backfeed")} == source_breakers
    assert all(asked[f"panel.main.breakers.{name}.position"].needed for name in source_breakers)
    del known["source"]
    asked = {one.key: one for one in visit.asked(known, breakers)}
    assert not [key for key, one in asked.items() if key.endswith(".backfeed") or (key.endswith(".position") and one.needed)]
    poles = {row["id"]: plain(row["poles"]) for row in known["panel"][0]["breakers"]}
    assert {key.split(".")[3] for key in asked if key.endswith(".leg")} == {name for name, count in poles.items() if count == 1}


def test_one_of_several_answers_is_enough():
    known = content("bungalow-100a")
    asked = {one.key: one for one in visit.asked(known, visit_data.step_of("loads"))}
    assert asked["load.disposer.rating"].value is None
    assert asked["load.disposer.rating"].answered
    assert "load.range.current" not in asked
    del known["load"][5 if known["load"][5]["id"] == "disposer" else 3]["current"]
    asked = {one.key: one for one in visit.asked(known, visit_data.step_of("loads"))}
    assert not asked["load.disposer.rating"].answered
    assert asked["load.disposer.rating"].needed
    known["site"]["edition"] = "2023"
    job = {one.key: one for one in visit.asked(known, visit_data.step_of("job"))}
    assert not job["site.edition"].needed
    del known["site"]["jurisdiction"]
    job = {one.key: one for one in visit.asked(known, visit_data.step_of("job"))}
    assert job["site.edition"].needed
    assert "site.permit_date" not in job


def test_the_leg_of_a_load_is_asked_where_its_breaker_does_not_say_it():
    known = content("bungalow-100a")
    loads = {row["id"]: row for row in known["load"]}
    assert plain(loads["dishwasher"]["voltage"]) == "120 V"
    breaker = next(row for row in known["panel"][0]["breakers"] if row["id"] == plain(loads["dishwasher"]["connected_to"]))
    assert plain(breaker["leg"]) == "A"

    def asked() -> set[str]:
        return {one.key for one in visit.asked(known, visit_data.step_of("loads")) if one.key.endswith(".leg")}

    assert asked() == set()
    del breaker["leg"]
    assert asked() == {"load.dishwasher.leg"}
    loads["microwave"]["connected_to"] = "main"
    assert asked() == {"load.dishwasher.leg", "load.microwave.leg"}


def test_what_is_told_by_what_is_chosen_is_a_value_that_a_site_file_takes():
    found = 0
    for question in (question for step in visit_data.steps() for question in step.questions if question.takes):
        model, leaf = Site, None
        for part in question.path.split("."):
            if part != visit_data.EVERY:
                shape = shapes(model)[part]
                model, leaf = shape.model, shape.leaf
        for _, answer in question.takes.gives:
            leaf.parse(Raw(question.path, (), answer))
            found += 1
        assert {"row", "of"} == {name for _, name, _, _ in string.Formatter().parse(question.takes.words) if name}
    assert found == 5


def test_only_the_breaker_of_the_circuit_stands_with_the_charger():
    known = content("bungalow-100a")
    own = plain(known["evse"][0]["connected_to"])
    standing = [row.id for row in visit.standing(known, visit_data.step_of("charger")) if row.rows.path == "panel.*.breakers"]
    assert standing == [own]
    del known["evse"]
    assert visit.asked(known, visit_data.step_of("charger")) == ()


def test_the_first_panel_is_the_main_one_and_its_rows_stand_apart():
    known = content("cascade-200a")
    main = {one.id for one in visit.standing(known, visit_data.step_of("panel")) if one.rows.path == "panel"}
    below = {one.id for one in visit.standing(known, visit_data.step_of("sub-panels")) if one.rows.path == "panel"}
    assert (main, below) == ({"main"}, {"barn", "shop"})
    assert {one.loc[1] for one in visit.standing(known, visit_data.step_of("breakers")) if one.rows.path == "panel.*.breakers"} == {0}


def test_a_raceway_that_nothing_names_yet_stands_with_the_service_conductors():
    known = content("bungalow-100a")
    known["raceway"].append({"id": "spare", "kind": "EMT"})
    places = {step.key for step in visit_data.steps() for row in visit.standing(known, step) if row.id == "spare"}
    assert places == {"service-conductors"}
    known["evse"][0]["conductor"]["raceway"] = {"value": "spare", "from": "photo"}
    assert {step.key for step in visit_data.steps() for row in visit.standing(known, step) if row.id == "spare"} == {"charger"}


def test_content_of_a_wrong_shape_is_passed_over():
    known = {"format": 1, "site": "x", "load": {"id": "a"}, "panel": [1, "two", {"breakers": "none"}], "raceway": [{"id": 5}]}
    assert all(not one.answered for step in visit_data.steps() for one in visit.asked(known, step) if one.key.startswith("site."))
    assert visit.progress(known).needed > 0


# how far, and where to go on


def test_progress_counts_what_is_needed_and_what_is_answered():
    known = tomllib.loads(beginning.beginning("new-home"))
    begun = visit.progress(known)
    assert (begun.answered, begun.needed_answered) == (1, 1)
    assert not begun.whole
    known["site"]["address"] = "1 Invented Road"
    assert visit.progress(known) == replace(begun, answered=2)
    known["dwelling"]["floor_area"] = {"value": "1600 ft^2", "from": "measured"}
    assert visit.progress(known) == replace(begun, answered=3, needed_answered=2)
    known["site"]["address"] = ""
    assert visit.progress(known).answered == 2
    assert visit.progress(content("bungalow-100a")).whole
    assert not visit.progress(content("unfinished-survey-200a")).whole
    loads = visit.progress(known, visit_data.step_of("loads"))
    assert loads == visit.Progress(0, 1, 0, 1)


def test_a_visit_is_taken_up_where_it_was_left():
    assert visit.first_open(content("unfinished-survey-200a")).key == "service-conductors"
    known, whole, seen = tomllib.loads(beginning.beginning("bungalow-100a")), content("bungalow-100a"), []
    parts = {
        "job": ("site", "study"),
        "house": ("dwelling",),
        "meter": (),
        "service-conductors": ("raceway",),
        "panel": ("panel",),
        "loads": ("load",),
    }
    while (step := visit.first_open(known)) is not None and step.key in parts:
        assert step.key not in seen
        seen.append(step.key)
        known |= {name: whole[name] for name in parts[step.key]}
        if step.key == "meter":
            known["service"] |= {name: value for name, value in whole["service"].items() if name != "conductor"}
        if step.key == "service-conductors":
            known["service"]["conductor"] = whole["service"]["conductor"]
    assert seen == list(parts)
    assert step.key == "adapter"
    skipped = [one.key for one in visit_data.steps() if one.skip]
    assert visit.first_open(known, skipped[:3]).key == "solar"
    assert visit.first_open(known, skipped) is None
    assert visit.first_open(whole, ["adapter", "sub-panels"]).key == "storage"


# a new file


def test_a_new_file_is_toml_that_takes_what_is_entered_in_its_place():
    text = beginning.beginning("new-home")
    assert tomllib.loads(text)["site"] == {"id": "new-home"}
    with pytest.raises(InputFault) as caught:
        read_home(ROOT / "example_inputs" / "sites" / "new-home.toml", text=text)
    assert [fault.field for fault in caught.value.faults] == ["site.edition"]
    text = put(text, ("site", "edition"), "2023")
    text = put(text, ("service", "conductor", "size"), "4/0")
    text = put(text, ("dwelling", "floor_area"), "1600 ft^2")
    text = add_row(text, ("panel",), {"id": "main", "kind": "panelboard", "connected_to": "service"})
    text = add_row(text, ("load",), {"id": "range", "kind": "range", "connected_to": "main"})
    text = put(text, ("panel", 0, "bus"), "200 A")
    headers = [line for line in text.splitlines() if line.startswith("[")]
    assert headers == [
        *("[site]", "[study]", "[dwelling]", "[service]", "[service.meter_socket]", "[service.conductor]", "[[panel]]", "[[load]]")
    ]
    assert text.index("# At the meter") < text.index("[service]\n") < text.index('size = "4/0"') < text.index("# Below, a block")
    assert read_home(ROOT / "example_inputs" / "sites" / "new-home.toml", text=text).site.panel[0].bus.value == 200


@pytest.mark.parametrize("name", ["", "A home", "a.b", "-a", "a" * 65, 'a"\nb'])
def test_a_name_that_is_no_id_is_refused(name):
    with pytest.raises(ValueError, match="cannot be the id"):
        beginning.beginning(name)


def test_a_free_id_is_one_that_nothing_has():
    known = {"load": [{"id": "range"}, {"id": {"value": "range-2"}}], "panel": [{"id": "main", "breakers": [{"id": "breaker"}]}]}
    assert [beginning.free_id(known, stem) for stem in ("range", "breaker", "main", "new")] == ["range-3", "breaker-2", "main-2", "new"]


# what hangs below what, what is wanted, what may be passed


def test_a_panel_behind_an_inverter_has_its_own_step_with_its_breakers_and_its_run():
    """Also one behind a feeder of that inverter, or behind a breaker of such a panel; the main panel and what it feeds stay before it."""
    known = content("backup-panel-200a")
    behind = {one.id for one in visit.standing(known, visit_data.step_of("backup-panel")) if one.rows.path == "panel"}
    fed = {row["id"] for row in known["panel"] if plain(row["connected_to"]) in {one["id"] for one in known["source"]}}
    assert behind == fed != set()
    known["feeder"] = [*known.get("feeder", ()), {"id": "far-feeder", "connected_to": next(iter(fed))}]
    known["panel"].append({"id": "far", "kind": "panelboard", "connected_to": "far-feeder"})
    known["panel"].append({"id": "barn", "kind": "panelboard", "connected_to": known["panel"][0]["breakers"][0]["id"]})
    there = {key: {one.id for one in visit.standing(known, visit_data.step_of(key))} for key in ("sub-panels", "backup-panel")}
    assert {"far", "far-feeder"} <= there["backup-panel"]
    assert "barn" in there["sub-panels"]
    assert not {"far", "far-feeder", "barn"} & (there["sub-panels"] & there["backup-panel"])
    whole = content("whole-home-backup-200a")
    for key in ("sub-panels", "backup-panel"):
        assert whole["panel"][0]["id"] not in {one.id for one in visit.standing(whole, visit_data.step_of(key))}


def test_only_what_is_backed_up_is_asked_for_an_outage():
    known = content("backup-panel-200a")
    below = {one.id for one in visit.standing(known, visit_data.step_of("outage")) if one.rows.path == "load"}
    panels = {row["id"]: {one["id"] for one in row.get("breakers", ())} | {row["id"]} for row in known["panel"]}
    fed = next(row["id"] for row in known["panel"] if plain(row["connected_to"]) == plain(known["backup"]["islanding"]))
    assert below == {row["id"] for row in known["load"] if plain(row["connected_to"]) in panels[fed]} != set()
    assert {f"load.{name}.outage_energy_per_day" for name in below} <= needed_in(known, "outage")
    known["backup"].pop("islanding")
    assert not [one for one in visit.standing(known, visit_data.step_of("outage")) if one.rows.path == "load"]
    whole = content("whole-home-backup-200a")
    asked = {one.key: one.needed for one in visit.asked(whole, visit_data.step_of("outage")) if one.key.endswith("outage_energy_per_day")}
    assert set(asked.values()) == {False}, "a year of the meter says it where the whole home is backed up"


def test_a_ring_of_things_that_hang_on_each_other_is_followed_to_its_end():
    known = content("backup-panel-200a")
    known["panel"].append({"id": "one", "kind": "panelboard", "connected_to": "two"})
    known["panel"].append({"id": "two", "kind": "panelboard", "connected_to": "one"})
    assert {"one", "two"} <= {one.id for one in visit.standing(known, visit_data.step_of("sub-panels"))}


def test_what_a_sheet_cannot_do_without_counts_as_needed_until_it_is_there():
    """706.15: from 2020 on something outside shuts the storage down; the sheet needs input without it, and the visit says so."""
    step = visit_data.step_of("storage")
    known = content("backup-panel-200a")
    known["disconnect"] = [row for row in known.get("disconnect", ()) if row["role"] != "storage-shutdown"]
    before = visit.progress(known, step)
    assert [one.rows for one in visit.wanted(known, step)] == ["disconnect"]
    assert ("backup_duration", "emergency-shutdown") in {one[:2] for one in lacking("backup-panel-200a", tomlkit.dumps(known))}
    known["site"]["edition"] = "2017"
    assert visit.wanted(known, step) == ()
    del known["site"]["edition"]
    known["disconnect"].append({"id": "outside", "role": "storage-shutdown", "connected_to": "main"})
    assert visit.wanted(known, step) == ()
    assert visit.progress(known, step).needed_answered >= before.needed_answered
    store = known.pop("storage")
    assert [one.rows for one in visit.wanted(known, step)] == ["storage"]
    assert not visit.progress(known, step).whole
    known["storage"] = store
    bare = content("bungalow-100a")
    assert [one for one in visit_data.steps() if visit.wanted(bare, one)] == []


def test_a_step_at_which_nothing_can_stand_is_passed():
    bare, stored = content("bungalow-100a"), content("backup-panel-200a")
    for key in ("backup-panel", "outage"):
        assert not visit.may_apply(bare, visit_data.step_of(key))
        assert visit.may_apply(stored, visit_data.step_of(key))
    assert all(visit.may_apply(bare, step) for step in visit_data.steps() if not step.after)


def test_a_store_that_has_no_disconnect_drawn_is_asked_whether_it_has_its_own():
    known = content("backup-panel-200a")
    known["disconnect"] = []
    assert "storage.battery.integral_disconnect" in needed_in(known, "storage")
    known["disconnect"] = [{"id": "off", "role": "storage", "connected_to": "battery-breaker"}]
    assert "storage.battery.integral_disconnect" not in needed_in(known, "storage")
