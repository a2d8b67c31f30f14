"""What was entered, put onto a file that another changed meanwhile: against what each side alone says."""

from __future__ import annotations

import tomllib

import pytest

from tests.conftest import ROOT
from workbook_lib.home.difference import differences, leaves
from workbook_lib.live.draft import Draft
from workbook_lib.live.merging import merged

SITES = ROOT / "example_inputs" / "sites"
BASE = (SITES / "bungalow-100a.toml").read_text(encoding="utf-8")


def said(text: str) -> dict:
    """Every value of a text with how it is known, by its way."""
    return leaves(tomllib.loads(text))


def ways(before: str, now: str) -> set:
    """Where two texts differ."""
    return {one.way for one in differences(said(before), said(now))}


def changed(*changes, text: str = BASE) -> str:
    """A text with fields set. Parameters: pairs of key path and what is typed."""
    draft = Draft(text)
    for path, typed in changes:
        assert draft.set(path, typed) is None
    return draft.text


def test_fields_of_both_sides_stand_side_by_side():
    mine = changed(("evse.evse-1.rating", "32 A"), ("study.growth", "10 A"))
    theirs = changed(("site.address", "5 Sedge Street")) + "# by another\n"
    found = merged(BASE, mine, theirs)
    assert (found.both, found.left) == ((), ())
    assert ways(theirs, found.text) == ways(BASE, mine)
    assert ways(mine, found.text) == ways(BASE, theirs)
    assert found.text.endswith("# by another\n")


def test_a_field_that_both_changed_takes_what_was_entered_and_is_named():
    found = merged(BASE, changed(("evse.evse-1.rating", "32 A")), changed(("evse.evse-1.rating", "40 A")))
    assert found.both == ("evse.evse-1.rating",)
    assert Draft(found.text).field("evse.evse-1.rating").text == "32 A"
    same = changed(("evse.evse-1.rating", "32 A"))
    assert merged(BASE, same, same).both == ()


def test_provenance_and_what_was_taken_out_go_with_it():
    draft = Draft(BASE)
    draft.known_from("service.rating", "photo", "photo 9")
    draft.set("study.growth", "")
    theirs = changed(("evse.evse-1.rating", "40 A"))
    found = merged(BASE, draft.text, theirs)
    after = Draft(found.text)
    assert (after.field("service.rating").origin, after.field("service.rating").note) == ("photo", "photo 9")
    assert not after.field("study.growth").given
    assert after.field("evse.evse-1.rating").text == "40 A"


def test_rows_added_on_both_sides_are_both_there_and_one_taken_out_goes():
    mine = Draft(BASE)
    mine.add(("load",), {"id": "sauna", "kind": "fastened", "connected_to": "main", "rating": "6 kW", "voltage": "240 V"})
    mine.add(("panel", 0, "breakers"), {"id": "spare", "rating": "20 A", "poles": "2"})
    assert mine.remove("load.microwave") == []
    theirs = Draft(BASE)
    theirs.add(("load",), {"id": "kiln", "kind": "fastened", "connected_to": "main", "rating": "5 kW", "voltage": "240 V"})
    found = merged(BASE, mine.text, theirs.text)
    loads = [one["id"] for one in tomllib.loads(found.text)["load"]]
    assert {"sauna", "kiln"} <= set(loads)
    assert "microwave" not in loads
    assert "spare" in [one["id"] for one in tomllib.loads(found.text)["panel"][0]["breakers"]]
    assert found.left == ()


def test_what_has_no_place_any_more_is_named():
    theirs = Draft(BASE)
    assert theirs.remove("load.hot-tub") == []
    found = merged(BASE, changed(("load.hot-tub.rating", "6 kW")), theirs.text)
    assert found.left == ("load.hot-tub.rating",)
    assert "hot-tub" not in [one["id"] for one in tomllib.loads(found.text)["load"]]


@pytest.mark.parametrize("name", [path.stem for path in sorted(SITES.glob("*.toml"))])
def test_nothing_entered_gives_the_file_as_it_is(name):
    text = (SITES / f"{name}.toml").read_text(encoding="utf-8")
    other = f"{text}\n# a remark\n"
    assert merged(text, text, other).text == other
    assert merged(text, changed(("site.revision", "Z"), text=text), text).text == changed(("site.revision", "Z"), text=text)
