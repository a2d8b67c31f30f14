"""What was entered, put onto a file that another changed meanwhile: against what each side alone says."""

from __future__ import annotations

import re
import tomllib
from dataclasses import replace

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from tests.conftest import ROOT
from workbook_lib.home.difference import differences, leaves
from workbook_lib.home.leaf import LeafFault
from workbook_lib.home.patch import Unpatchable
from workbook_lib.live.draft import Draft
from workbook_lib.live.merging import merged

SITES = ROOT / "example_inputs" / "sites"
STORED = (SITES / "sun-store-car-200a.toml").read_text(encoding="utf-8")
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


# nothing of either side is lost without being told


def drafted(*acts, text: str = STORED) -> str:
    """A text after changes. Parameters: functions of a draft, each of which must not be refused."""
    draft = Draft(text)
    for act in acts:
        assert not act(draft)
    return draft.text


def setting(path: str, typed: str):
    """A change of one field."""
    return lambda draft: draft.set(path, typed)


def adding(loc: tuple, row: dict):
    """A row added."""
    return lambda draft: draft.add(loc, row) and None


def removing(path: str):
    """A row taken out."""
    return lambda draft: draft.remove(path)


BREAKERS = "panel.main.breakers"
SAUNA = {"id": "sauna", "kind": "fastened", "connected_to": "dishwasher-breaker", "rating": "6 kW", "voltage": "240 V"}
ARRAY = {"dc_power": "1 kW", "tilt": "10 deg", "azimuth": "90 deg"}
ARRAYS = ("source", 0, "array")


def lines_but(text: str, *words: str) -> list[str]:
    """Lines of a text that say none of these words."""
    return [line for line in text.splitlines() if not any(word in line for word in words)]


def test_a_row_that_got_another_id_takes_what_they_changed_in_it():
    mine = drafted(setting(f"{BREAKERS}.battery-breaker.id", "bb"))
    theirs = drafted(setting(f"{BREAKERS}.battery-breaker.rating", "50 A")) + "# by another\n"
    found = merged(STORED, mine, theirs)
    assert (found.both, found.left) == ((), ())
    after = Draft(found.text)
    assert after.field(f"{BREAKERS}.bb.rating").text == "50 A"
    assert after.group(f"{BREAKERS}.battery-breaker") is None
    assert after.field("source.battery-inverter.connected_to").text == "bb"
    assert found.text == theirs.replace('"battery-breaker"', '"bb"')


def test_a_row_that_they_gave_another_id_takes_what_was_entered():
    mine = drafted(setting(f"{BREAKERS}.battery-breaker.rating", "50 A"), adding(("load",), {**SAUNA, "connected_to": "battery-breaker"}))
    theirs = drafted(setting(f"{BREAKERS}.battery-breaker.id", "bb"))
    found = merged(STORED, mine, theirs)
    assert (found.both, found.left) == ((), ())
    after = Draft(found.text)
    assert after.field(f"{BREAKERS}.bb.rating").text == "50 A"
    assert after.field("load.sauna.connected_to").text == "bb"
    assert "battery-breaker" not in found.text


def test_another_id_on_both_sides_is_mine_and_named():
    mine, theirs = (drafted(setting(f"{BREAKERS}.battery-breaker.id", name)) for name in ("bb", "store"))
    found = merged(STORED, mine, theirs)
    assert (found.both, found.left) == ((f"{BREAKERS}.bb.id",), ())
    assert said(found.text) == said(mine)
    same = merged(STORED, mine, mine)
    assert (same.text, same.both, same.left) == (mine, (), ())


def test_rows_of_one_id_with_other_content_are_both_there():
    mine = drafted(adding(("load",), SAUNA), adding(("evidence",), {"for": "sauna", "shows": "condition"}))
    theirs = drafted(adding(("load",), {**SAUNA, "rating": "9 kW"}))
    found = merged(STORED, mine, theirs)
    assert (found.both, found.left) == (("load.sauna (yours is sauna-2)",), ())
    after = Draft(found.text)
    assert after.field("load.sauna.rating").text == "9 kW"
    assert after.field("load.sauna-2.rating").text == "6 kW"
    assert tomllib.loads(found.text)["evidence"][-1]["for"] == "sauna-2"
    same = merged(STORED, mine, mine)
    assert (same.text, same.both) == (mine, ())


def test_an_id_that_another_list_has_now_is_not_given_twice():
    mine = drafted(adding(("load",), SAUNA))
    theirs = drafted(adding(("panel", 0, "breakers"), {"id": "sauna", "rating": "30 A", "poles": "2"}))
    found = merged(STORED, mine, theirs)
    assert (found.both, found.left) == (("load.sauna (yours is sauna-2)",), ())
    assert Draft(found.text).field(f"{BREAKERS}.sauna.rating").text == "30 A"
    assert Draft(found.text).field("load.sauna-2.rating").text == "6 kW"


def test_an_id_that_they_gave_to_a_new_row_is_not_given_to_another():
    mine = drafted(setting(f"{BREAKERS}.battery-breaker.id", "bb"))
    theirs = drafted(adding(("panel", 0, "breakers"), {"id": "bb", "rating": "30 A", "poles": "2"}))
    found = merged(STORED, mine, theirs)
    assert (found.both, found.left) == ((f"{BREAKERS}.bb (yours is bb-2)",), ())
    after = Draft(found.text)
    assert (after.field(f"{BREAKERS}.bb.rating").text, after.field(f"{BREAKERS}.bb-2.rating").text) == ("30 A", "40 A")
    assert after.field("source.battery-inverter.connected_to").text == "bb-2"


def test_a_list_without_ids_that_grew_on_both_sides_is_mine_and_named():
    mine = drafted(adding(ARRAYS, ARRAY))
    theirs = drafted(adding(ARRAYS, {**ARRAY, "tilt": "40 deg"}), setting("site.address", "5 Sedge Street"))
    found = merged(STORED, mine, theirs)
    assert (found.both, found.left) == (("source.pv.array (the whole list is yours)",), ())
    rows = [tomllib.loads(text)["source"][0]["array"] for text in (found.text, mine)]
    assert rows[0] == rows[1]
    assert ways(theirs, found.text) == {("source", "pv", "array", "2", "tilt")}


def test_a_list_without_ids_that_one_side_changed_is_that_side_s():
    longer = drafted(adding(ARRAYS, ARRAY))
    other = drafted(setting("site.address", "5 Sedge Street"))
    for mine, theirs in ((longer, other), (other, longer)):
        found = merged(STORED, mine, theirs)
        assert (found.both, found.left) == ((), ())
        assert tomllib.loads(found.text)["source"][0]["array"] == tomllib.loads(longer)["source"][0]["array"]
        assert lines_but(found.text, "address") == lines_but(longer, "address")
    shorter = drafted(removing("source.pv.array.0"))
    assert merged(STORED, shorter, STORED).text == shorter


def test_an_array_taken_out_where_they_changed_the_next_is_named():
    mine = drafted(removing("source.pv.array.0"))
    theirs = drafted(setting("source.pv.array.1.tilt", "30 deg"))
    found = merged(STORED, mine, theirs)
    assert (found.both, found.left) == (("source.pv.array (the whole list is yours)",), ())
    assert said(found.text) == said(mine)
    other_way = merged(STORED, theirs, mine)
    assert other_way.both == found.both
    assert said(other_way.text) == said(theirs)


def test_fields_of_one_row_without_an_id_stand_side_by_side():
    mine = drafted(setting("source.pv.array.1.azimuth", "265 deg"))
    theirs = drafted(setting("source.pv.array.1.tilt", "30 deg"))
    found = merged(STORED, mine, theirs)
    assert (found.both, found.left) == ((), ())
    assert said(found.text) == said(drafted(setting("source.pv.array.1.azimuth", "265 deg"), setting("source.pv.array.1.tilt", "30 deg")))


def test_rows_without_ids_that_changed_places_are_not_taken_for_one_another():
    twins = STORED.replace('dc_power = "2.4 kW"', 'dc_power = "4 kW"')
    mine = drafted(removing("source.pv.array.0"), adding(ARRAYS, {**ARRAY, "tilt": "22 deg"}), text=twins)
    theirs = drafted(setting("source.pv.array.1.tilt", "30 deg"), text=twins)
    found = merged(twins, mine, theirs)
    assert found.both == ("source.pv.array (the whole list is yours)",)
    assert said(found.text) == said(mine)


def test_a_panel_with_another_id_stays_as_they_wrote_it():
    mine = drafted(setting("panel.main.id", "house"), setting(f"{BREAKERS.replace('main', 'house')}.evse-breaker.id", "car"))
    theirs = drafted(
        setting("panel.main.bus", "225 A"),
        setting(f"{BREAKERS}.evse-breaker.rating", "50 A"),
        adding(("panel", 0, "breakers"), {"id": "spare", "rating": "20 A", "poles": "2"}),
    ).replace("breakers = [", "breakers = [   # seen by another", 1)
    found = merged(STORED, mine, theirs)
    assert (found.both, found.left) == ((), ())
    after = Draft(found.text)
    assert after.field("panel.house.bus").text == "225 A"
    assert after.field("panel.house.breakers.car.rating").text == "50 A"
    assert after.field("panel.house.breakers.spare.rating").text == "20 A"
    assert after.field("evse.evse-1.connected_to").text == "car"
    wanted = theirs.replace('"main"', '"house"').replace('"main:lugs"', '"house:lugs"').replace('"evse-breaker"', '"car"')
    assert found.text == wanted


def test_a_row_taken_out_that_they_changed_is_out_and_named():
    mine = drafted(removing("load.refrigerator"))
    theirs = drafted(setting("load.refrigerator.voltage", "240 V"))
    found = merged(STORED, mine, theirs)
    assert (found.both, found.left) == (("load.refrigerator (you took it out)",), ())
    assert said(found.text) == said(mine)
    renamed = merged(STORED, mine, drafted(setting("load.refrigerator.id", "fridge")))
    assert renamed.both == ("load.fridge (you took it out)",)
    assert said(renamed.text) == said(mine)


def test_a_row_taken_out_stays_where_they_hung_something_on_it():
    mine = drafted(removing("load.refrigerator"), removing(f"{BREAKERS}.kitchen-breaker"))
    theirs = drafted(adding(("load",), {**SAUNA, "connected_to": "kitchen-breaker"}))
    found = merged(STORED, mine, theirs)
    assert found.left == (f"{BREAKERS}.kitchen-breaker (stays: load.sauna.connected_to names it)",)
    assert Draft(found.text).group(f"{BREAKERS}.kitchen-breaker") is not None
    assert Draft(found.text).group("load.refrigerator") is None
    alone = merged(STORED, mine, STORED)
    assert (alone.text, alone.both, alone.left) == (mine, (), ())


def test_what_hangs_on_something_that_they_took_out_is_named():
    theirs = drafted(removing("load.refrigerator"), removing(f"{BREAKERS}.kitchen-breaker"))
    added = merged(STORED, drafted(adding(("load",), {**SAUNA, "connected_to": "kitchen-breaker"})), theirs)
    gone = "load.{}.connected_to (names kitchen-breaker, which is no longer there)"
    assert added.left == (gone.format("sauna"),)
    assert Draft(added.text).field("load.sauna.rating").text == "6 kW"
    moved = merged(STORED, drafted(setting("load.disposer.connected_to", "kitchen-breaker")), theirs)
    assert moved.left == (gone.format("disposer"),)
    assert moved.text == theirs


def test_what_was_hung_on_something_new_hangs_on_it():
    mine = drafted(
        adding(("panel", 0, "breakers"), {"id": "spare", "rating": "20 A", "poles": "1"}),
        setting("load.refrigerator.connected_to", "spare"),
        removing(f"{BREAKERS}.kitchen-breaker"),
    )
    theirs = drafted(setting("site.address", "5 Sedge Street"))
    found = merged(STORED, mine, theirs)
    assert (found.both, found.left) == ((), ())
    assert ways(theirs, found.text) == ways(STORED, mine)


def test_another_id_of_what_they_took_out_is_named():
    mine = drafted(setting("load.refrigerator.id", "fridge"))
    found = merged(STORED, mine, drafted(removing("load.refrigerator")))
    assert found.left == ("load.fridge.id",)


def test_keys_that_are_no_fields_go_with_it():
    mine = STORED.replace('id = "pv"\n', 'id = "pv"\ncolour = "black"\n')
    theirs = drafted(setting("source.pv.conversion_efficiency", "0.97"))
    found = merged(STORED, mine, theirs)
    assert (found.both, found.left) == ((), ())
    assert ways(theirs, found.text) == {("source", "pv", "colour")}


def test_a_table_that_they_took_out_and_i_changed_is_whole_again_and_named():
    mine = drafted(setting("evse.evse-1.conductor.size", "4"))
    theirs = re.sub(r', conductor = \{ size = "6"[^}]*\}', "", STORED)
    assert theirs != STORED
    found = merged(STORED, mine, theirs)
    assert (found.both, found.left) == (("evse.evse-1.conductor",), ())
    assert said(found.text) == said(mine)


# any changes of both sides

IDS = ("load.dishwasher", "load.refrigerator", f"{BREAKERS}.pv-breaker", f"{BREAKERS}.kitchen-breaker", "panel.main", "source.pv")
VALUES = {
    "load.dishwasher.current": ("11 A", "12 A", ""),
    "load.refrigerator.voltage": ("240 V", "208 V"),
    "load.refrigerator.connected_to": ("spare", "pv-breaker"),
    f"{BREAKERS}.pv-breaker.rating": ("35 A", "40 A"),
    f"{BREAKERS}.kitchen-breaker.rating": ("15 A", "30 A"),
    f"{BREAKERS}.kitchen-breaker.position": ("top", "bottom", ""),
    "load.disposer.connected_to": ("kitchen-breaker", "dishwasher-breaker"),
    "panel.main.bus": ("225 A", "125 A"),
    "source.pv.array.0.tilt": ("5 deg", "6 deg"),
    "source.pv.array.1.tilt": ("7 deg", "8 deg"),
    "source.pv.array.1.azimuth": ("200 deg", "210 deg"),
    "source.pv.conductor.length": ("31 ft", "32 ft"),
    "storage.battery.discharge_limit.1.power": ("4 kW", "3 kW"),
    "site.address": ("6 Sedge Street", ""),
}
ADDED = {
    ("load",): {**SAUNA, "connected_to": "kitchen-breaker"},
    ("panel", 0, "breakers"): {"id": "spare", "rating": "20 A", "poles": "2"},
    ARRAYS: ARRAY,
}
OUT = ("load.dishwasher", "load.refrigerator", f"{BREAKERS}.kitchen-breaker", "source.pv.array.0", "source.pv.array.1")
CHANGES = st.lists(
    st.one_of(
        st.sampled_from([("set", path, one) for path, several in VALUES.items() for one in several]),
        st.sampled_from([("id", path, one) for path in IDS for one in ("new-a", "new-b", "sauna")]),
        st.sampled_from([("add", loc, one) for loc in ADDED for one in ("", "35 A")]),
        st.sampled_from([("out", path, "") for path in OUT]),
    ),
    max_size=5,
)


def after(changes) -> tuple[str, dict]:
    """A text after changes, each made where it can be, and the ids that were given, old to new."""
    draft, given_ids = Draft(STORED), {}
    for kind, what, one in changes:
        path = ".".join(given_ids.get(step, step) for step in what.split(".")) if isinstance(what, str) else ""
        try:
            if kind == "set":
                draft.set(path, given_ids.get(one, one))
            elif kind == "id" and draft.set(f"{path}.id", one) is None:
                given_ids[what.rpartition(".")[2]] = one
            elif kind == "out":
                draft.remove(path)
            elif kind == "add":
                row = {**ADDED[what], **({"rating": one} if one and what != ("load",) and what != ARRAYS else {})}
                row |= {"rating": "7 kW"} if one and what == ("load",) else {"tilt": "11 deg"} if one and what == ARRAYS else {}
                row |= {"connected_to": given_ids.get(row["connected_to"], row["connected_to"])} if "connected_to" in row else {}
                draft.add(what, row)
        except (KeyError, LeafFault, Unpatchable):
            continue
    return draft.text, given_ids


def under(ids: dict, way: tuple) -> tuple:
    """A way with ids in place of those that it goes by."""
    return tuple(ids.get(step, step) if number % 2 else step for number, step in enumerate(way))


def naming(ids: dict, way: tuple, value):
    """A value with ids in place of those that it names, where it names something."""
    if way[-1] not in ("id", "connected_to", "at", "controls", "start_together", "for"):
        return value
    if isinstance(value, list):
        return [naming(ids, way, one) for one in value]
    name, colon, lugs = value.partition(":")
    return ids.get(name, name) + colon + lugs


def ids_of(text: str) -> list[str]:
    """Every id of a text."""
    return [held.value for way, held in leaves(tomllib.loads(text)).items() if way[-1] == "id"]


def told(found, path: str) -> bool:
    """Whether a place or the row that it stands in is named as changed on both sides or as left."""
    named = [one.partition(" ")[0] for one in (*found.both, *found.left)]
    return any(path == one or path.startswith(f"{one}.") for one in named)


@settings(max_examples=25)
@given(CHANGES)
def test_what_one_side_alone_changed_is_all_there_and_nothing_is_told(changes):
    text, _ = after(changes)
    other = f"# by another\n{STORED}"
    found = merged(STORED, text, other)
    assert (said(found.text), found.both, found.left) == (said(text), (), ())
    assert found.text.startswith("# by another\n")
    assert merged(STORED, STORED, text) == merged(STORED, text, text) == replace(found, text=text)


@settings(max_examples=40)
@given(CHANGES, CHANGES)
def test_whatever_either_side_changed_is_there_or_told(ours, others):
    (mine, my_ids), (theirs, their_ids) = after(ours), after(others)
    # an id given twice on one side is a fault of that side's file: which of the two is meant cannot be told
    assume(all(len(names) == len(set(names)) for names in map(ids_of, (mine, theirs))))
    found = merged(STORED, mine, theirs)
    here, base = said(found.text), said(STORED)
    fresh = {one.partition(" ")[0].rpartition(".")[2]: one.partition("(yours is ")[2][:-1] for one in found.both if "(yours is " in one}
    given_now = {old: fresh.get(new, new) for old, new in my_ids.items()}
    # ids that the other side gave hold too, mine before theirs
    agreed = {
        "mine": {**their_ids, **fresh},
        "theirs": {**given_now, **{new: given_now[old] for old, new in their_ids.items() if old in given_now}},
    }
    for side, text, own in (("mine", mine, my_ids), ("theirs", theirs, their_ids)):
        now, back = said(text), {new: old for old, new in own.items()}
        old = {under(own, way): naming(own, way, held.value) for way, held in base.items()}
        for way in {*now, *old}:
            if way in now and way in old and way[-1] != "id" and now[way].value == old[way]:
                continue
            if way in now and way[-1] == "id" and way[-2] not in back and way in old:
                continue
            wanted = naming(agreed[side], way, now[way].value) if way in now else None
            place = under(agreed[side], way)
            there = here[place].value if place in here else None
            assert there == wanted or any(told(found, ".".join(one)) for one in (way, place)), (
                side,
                way,
                there,
                wanted,
                found.both,
                found.left,
            )
