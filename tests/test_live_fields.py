"""Every field of a site file stands in the form, and what is typed there reads as the same text in a file does."""

from __future__ import annotations

import collections.abc
import datetime
import tomllib
from typing import get_args, get_origin

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import BaseModel

from tests.conftest import ROOT
from workbook_lib.errors import InputFault
from workbook_lib.home import read_home
from workbook_lib.home.leaf import Leaf, LeafFault
from workbook_lib.home.model import Site
from workbook_lib.home.patch import put
from workbook_lib.live.fields import EMPTY_LIST, YES_NO, Field, groups, shown, typed

SITES = ROOT / "example_inputs" / "sites"
EXAMPLES = sorted(SITES.glob("*.toml"))
SOUND = [*EXAMPLES, ROOT / "tests" / "data" / "home" / "tansy-12.toml"]
FAULTY = ROOT / "tests" / "data" / "home" / "ten-faults.toml"
CONTROL = SITES / "bungalow-control-100a.toml"


def every(text: str) -> dict[str, Field]:
    """The fields of a text by key path."""
    return {field.path: field for group in groups(text) for field in group.every()}


def at(content: object, loc) -> object:
    """What a file that was parsed holds at a place."""
    for step in loc:
        content = content[step]
    return content


def leaves_of(content: object) -> int:
    """How many values a file gives, counted on what `tomllib` read: one for each that is no table and for each with provenance."""
    if isinstance(content, dict):
        if {"value", "from", "note"} & set(content):
            return 1
        return sum(map(leaves_of, content.values()))
    if isinstance(content, list) and any(isinstance(one, dict) for one in content):
        return sum(map(leaves_of, content))
    return 1


@pytest.mark.parametrize("path", SOUND, ids=lambda path: path.stem)
def test_every_value_of_a_file_is_typed_as_it_stands(path):
    text = path.read_text(encoding="utf-8")
    content = tomllib.loads(text)
    found = [field for field in every(text).values() if field.given]
    for field in found:
        held = at(content, field.loc)
        if field.wrapped:
            assert (field.origin, field.note) == (held.get("from", "stated"), held.get("note", ""))
            held = held["value"]
        value = typed(field, field.text)
        assert (value, type(value)) == (held, type(held)), field.path
    content.pop("format", None)  # the form of the file itself
    blank = sum(content["site"].get(name) == "" for name in ("revision", "originator", "checker"))
    assert len(found) == leaves_of(content) - blank


@pytest.mark.parametrize("path", SOUND, ids=lambda path: path.stem)
def test_every_field_has_a_label_and_says_what_is_accepted(path):
    for field in every(path.read_text(encoding="utf-8")).values():
        assert field.leaf.label.strip()
        assert field.hint.strip()
        assert "quotes" not in field.hint
        assert "quotes" not in field.example
        limit = getattr(field.leaf, "limit", None)
        bounds = [bound for bound in (getattr(limit, name, None) for name in ("above", "at_least", "at_most")) if bound is not None]
        if bounds and not getattr(field.leaf, "allowed", ()):
            assert any(f"{bound:.10g}" in field.hint or f"{bound / 3600:.10g}" in field.hint for bound in bounds), field.path


# every leaf of the model


def _models(annotation: object) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [found for part in get_args(annotation) for found in _models(part)]


def walked(model: type[BaseModel], prefix: str = "") -> set[str]:
    """Key paths of every leaf of the model, a row of each list and one of each named table among them, found without the shapes."""
    found = set()
    for name, info in model.model_fields.items():
        key = f"{prefix}{info.alias or name}"
        inner = _models(info.annotation)
        if any(isinstance(part, Leaf) for part in info.metadata):
            found.add(key)
        elif inner:
            many = get_origin(info.annotation) in (tuple, collections.abc.Mapping)
            found |= walked(inner[0], f"{key}.0." if many else f"{key}.")
        else:
            raise AssertionError(f"{key} is neither a leaf nor a table")
    return found


def one_of_each(model: type[BaseModel]) -> dict[str, object]:
    """A file with one empty row of every list and one of every named table."""
    found: dict[str, object] = {}
    for name, info in model.model_fields.items():
        if any(isinstance(part, Leaf) for part in info.metadata):
            continue
        inner = one_of_each(_models(info.annotation)[0])
        origin = get_origin(info.annotation)
        found[info.alias or name] = [inner] if origin is tuple else {"0": inner} if origin is collections.abc.Mapping else inner
    return found


def test_every_leaf_of_the_model_is_a_field():
    lines = "".join(f"{key} = {_inline(value)}\n" for key, value in one_of_each(Site).items())
    fields = every(lines)
    assert set(fields) == walked(Site) - {"format"}
    assert len(fields) > 300
    assert not any(field.given for field in fields.values())


def _inline(value: object) -> str:
    if isinstance(value, list):
        return f"[{', '.join(map(_inline, value))}]"
    return "{ " + ", ".join(f'"{key}" = {_inline(one)}' for key, one in value.items()) + " }" if value else "{}"


# what is typed reads as in a file


TYPED = [
    ("evse.evse-1.rating", "25 A"),
    ("load.range.rating", "6 kW"),
    ("load.range.rating", "6000 W"),
    ("vehicle.0.need_share", "88 %"),
    ("vehicle.0.need_share", "0.88"),
    ("load.air-conditioner.current", "12 A, 1.5 A"),
    ("load.air-conditioner.current", "12 A"),
    ("vehicle.0.plugged_in_on", "Mon, Tue"),
    ("site.permit_date", "2026-05-01"),
    ("panel.main.feed_through", "true"),
    ("vehicle.0.arrive", "18:05"),
    ("raceway.riser.above_roof", "none"),
    ("raceway.riser.above_roof", "1 ft"),
    ("panel.main.spaces", "30"),
    ("dwelling.floor_area", "120 m^2"),
    ("site.latitude", "-35.5 deg"),
    ("service.transformer.primary_fault", "infinite"),
    ("service.conductor.terminals", "60 degC"),
    ("site.address", "5 Sedge Street, rear"),
]


def overridden(field: Field, text: str) -> object:
    """What an override says in place of the text: lists as lists, all else as text."""
    lists = field.several or "," in text and field.name == "current"
    return [part.strip() for part in text.split(",")] if lists else text


@pytest.mark.parametrize("path, text", TYPED, ids=[f"{path} {text}" for path, text in TYPED])
def test_a_typed_text_gives_the_home_that_an_override_gives(path, text):
    file = CONTROL.read_text(encoding="utf-8")
    field = every(file)[path]
    before = read_home(CONTROL, text=file)
    entered = read_home(CONTROL, text=put(file, field.loc, typed(field, text)))
    wanted = read_home(CONTROL, {path: overridden(field, text)})
    found, other = entered.givens[path], wanted.givens[path]
    assert (found.value, found.unit, found.meaning) == (other.value, other.unit, other.meaning)
    assert {key for key in entered.givens if entered.givens[key].value != getattr(before.givens.get(key), "value", None)} <= {path}
    assert set(entered.givens) == set(before.givens) | {path}


@pytest.mark.parametrize(
    "path, text, value",
    [
        ("panel.main.feed_through", "Yes", True),
        ("panel.main.feed_through", "no", False),
        ("vehicle.0.arrive", "7:05", "07:05"),
        ("site.permit_date", "2026-05-01", datetime.date(2026, 5, 1)),
        ("control.limiter.controls", EMPTY_LIST, []),
        ("records.seasonal_missing", EMPTY_LIST, []),
        ("vehicle.0.need_share", "0.5", 0.5),
        ("vehicle.0.need_share", "1", 1),
    ],
)
def test_words_of_people_are_read(path, text, value):
    found = typed(every(CONTROL.read_text(encoding="utf-8"))[path], f"  {text} ")
    assert (found, type(found)) == (value, type(value))


WRONG = [
    ("evse.evse-1.rating", "25"),
    ("evse.evse-1.rating", "25 kW"),
    ("evse.evse-1.rating", "2500 A"),
    ("evse.evse-1.rating", "25 a"),
    ("load.range.rating", "11,000 W"),
    ("vehicle.0.need_share", "88"),
    ("vehicle.0.arrive", "25:00"),
    ("site.permit_date", "20 April 2026"),
    ("panel.main.feed_through", "perhaps"),
    ("panel.main.spaces", "2.5"),
    ("service.conductor.material", "gold"),
    ("service.conductor.terminals", "61 degC"),
    ("vehicle.0.plugged_in_on", "Mon, Mon"),
    ("vehicle.0.plugged_in_on", "Mon, Someday"),
    ("load.air-conditioner.current", "12 A, 1.5"),
    ("site.time_zone", "America/Nowhere"),
    ("records.load.file", "../readings.csv"),
    ("load.range.id", "The Range"),
]


@pytest.mark.parametrize("path, text", WRONG, ids=[f"{path} {text}" for path, text in WRONG])
def test_a_wrong_entry_says_what_the_reader_says(path, text):
    """The reader is asked by a file that holds the same: a bare number or date in place of a text, where a person would type one."""
    file = CONTROL.read_text(encoding="utf-8")
    field = every(file)[path]
    with pytest.raises(LeafFault) as caught:
        typed(field, text)
    held: object = overridden(field, text)
    held = float(text) if path == "panel.main.spaces" else int(text) if path == "vehicle.0.need_share" else held
    with pytest.raises(InputFault) as told:
        read_home(CONTROL, text=put(file, field.loc, held))
    said = [(one.what, one.value, one.limit, one.todo) for one in told.value.faults if one.field.rpartition(".")[2] == field.name]
    for trouble in caught.value.troubles:
        assert trouble.parts() in said


def test_a_reference_to_nothing_is_refused_and_what_there_is_named():
    fields = every(CONTROL.read_text(encoding="utf-8"))
    for path in ("evse.evse-1.connected_to", "vehicle.0.evse", "load.range.shed_by", "evse.evse-1.conductor.raceway"):
        with pytest.raises(LeafFault) as caught:
            typed(fields[path], "no-such-thing")
        assert caught.value.troubles[0].what == "names something unknown"
        assert all(name in caught.value.troubles[0].limit for name in fields[path].options)
    with pytest.raises(LeafFault):
        typed(fields["control.limiter.controls"], "evse-1, no-such-thing")


OF_A_WRONG_KIND = ("names something unknown", "names a ", "names an ", "names the ")


def test_what_may_be_chosen_is_what_the_reader_accepts():
    """Every option of a reference of every kind is put in the file: the reader never calls it unknown, or of the wrong kind."""
    file = CONTROL.read_text(encoding="utf-8")
    for path in (
        "evse.evse-1.connected_to",
        "vehicle.0.evse",
        "load.hot-tub.shed_by",
        "control.limiter.limit.0.at",
        "panel.main.connected_to",
    ):
        field = every(file)[path]
        assert field.options
        for option in field.options:
            faults = ()
            try:
                read_home(CONTROL, text=put(file, field.loc, option))
            except InputFault as error:
                faults = error.faults
            assert not [one for one in faults if one.field == path and one.what.startswith(OF_A_WRONG_KIND)], (path, option)


def test_choices_of_words_and_numbers_are_options():
    fields = every(CONTROL.read_text(encoding="utf-8"))
    assert fields["service.conductor.terminals"].options == ("60 degC", "75 degC", "90 degC")
    assert fields["panel.main.feed_through"].options == YES_NO
    assert set(fields["service.conductor.material"].options) == {"Cu", "Al"}


def test_key_paths_are_those_of_the_reader_where_ids_are_doubtful():
    text = '[[load]]\nid = "A b"\nkind = "nothing"\n[[load]]\nid = "x"\nkind = "nothing"\n[[evse]]\nid = "x"\nrating = "1"\n'
    with pytest.raises(InputFault) as caught:
        read_home(SITES / "none.toml", text=text)
    faulty = {one.field for one in caught.value.faults if one.field.endswith((".kind", ".rating"))}
    assert faulty == {"load.0.kind", "load.x.kind", "evse.0.rating"}
    assert faulty <= set(every(text))


def test_a_faulty_file_is_shown_whole():
    text = FAULTY.read_text(encoding="utf-8")
    fields = every(text)
    with pytest.raises(InputFault) as caught:
        read_home(FAULTY)
    named = {one.field for one in caught.value.faults if one.file.endswith(FAULTY.name)}
    assert fields["service.rating"].text == "200"
    assert named - set(fields) == {"service.utility_limt"}, "a misspelt field has no row"


@settings(max_examples=60)
@given(st.one_of(st.booleans(), st.integers(10, 40), st.dates(), st.lists(st.sampled_from(["Mon", "Tue", "Sun"]), unique=True, min_size=1)))
def test_what_is_shown_of_a_value_gives_it_back(value):
    path = {bool: "panel.main.feed_through", int: "panel.main.spaces", datetime.date: "site.permit_date", list: "vehicle.0.plugged_in_on"}
    field = every(CONTROL.read_text(encoding="utf-8"))[path[type(value)]]
    found = typed(field, shown(value))
    assert (found, type(found)) == (value, type(value))
