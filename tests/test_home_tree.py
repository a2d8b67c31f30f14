"""The distribution as a tree."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.test_home_support import DATA, EXAMPLE, SMALL, edited, written
from workbook_lib.errors import CalculationFault
from workbook_lib.home import read_home


@pytest.fixture(scope="module")
def tree():
    return read_home(EXAMPLE).tree


def test_the_way_from_the_array_leads_through_the_backup_panel_and_the_inverter(tree):
    way = ("pv", "pv-breaker", "backup", "battery-inverter", "battery-feeder", "battery-breaker", "main", "service")
    assert tree.path_to_service("pv") == way
    assert [tree.node(name).kind for name in way] == ["source", "breaker", "panel", "source", "feeder", "breaker", "panel", "service"]
    assert tree.parent("pv").id == "pv-breaker"
    assert tree.parent("service") is None


def test_what_hangs_below(tree):
    assert tree.children("battery-inverter") == ("backup",)
    assert set(tree.below("backup")) == {"backup:lugs", "pv-breaker", "well-breaker", "kitchen-breaker", "pv", "well", "refrigerator"}
    assert "pv" in tree.below("battery-feeder")
    assert "range" not in tree.below("battery-feeder")
    assert set(tree.below("service")) == set(tree.nodes) - {"service"}


def test_panel_and_breaker_of_a_thing(tree):
    assert tree.panel_of("well").id == "backup"
    assert tree.panel_of("backup").id == "main"
    assert tree.panel_of("range-breaker").id == "main"
    assert tree.panel_of("main") is None
    assert tree.breaker_of("well").rating.value == 20.0
    assert tree.breaker_of("backup").id == "battery-breaker"
    assert tree.breaker_of("old-ac") is None
    assert tree.breaker_of("range-breaker") is None
    assert [panel.id for panel in tree.root_panels()] == ["main"]


def test_two_panels_on_one_service_are_both_roots():
    path = DATA.parent.parent.parent / "example_inputs" / "sites" / "two-panels-320a.toml"
    assert [panel.id for panel in read_home(path).tree.root_panels()] == ["north", "south"]


def test_lugs_and_supply_side_are_places(tmp_path):
    pairs = [("feed_through = false", "feed_through = true"), ('connected_to = "battery-breaker"', 'connected_to = "main:lugs"')]
    tree = read_home(edited(tmp_path, *pairs)).tree
    assert tree.path_to_service("battery-feeder") == ("battery-feeder", "main:lugs", "main", "service")
    assert tree.parent("supply-side").id == "service"
    assert tree.breaker_of("battery-feeder") is None


OTHER_TABLES = """[adapter]
model = "AD-C"
overcurrent = "60 A"
[[disconnect]]
id = "main-off"
role = "service"
connected_to = "service"
[[transfer]]
id = "island-switch"
connected_to = "main-off"
[[panel]]
id = "kept"
kind = "panelboard"
connected_to = "island-switch"
breakers = [ { id = "kept-breaker", rating = "20 A", poles = 1 } ]
[[disconnect]]
id = "pv-off"
role = "source"
connected_to = "supply-side"
[[panel]]
id = "gather"
kind = "combiner"
connected_to = "pv-off"
breakers = [ { id = "gather-breaker", rating = "40 A", poles = 2 } ]
[[source]]
id = "roof"
kind = "pv-inverter"
connected_to = "gather-breaker"
[[source]]
id = "garage-roof"
kind = "pv-inverter"
connected_to = "adapter"
[[feeder]]
id = "barn-feeder"
connected_to = "kept:lugs"
[[panel]]
id = "barn"
kind = "panelboard"
connected_to = "barn-feeder"
[[load]]
id = "pump"
kind = "well-pump"
connected_to = "kept-breaker"
[[load]]
id = "barn-light"
kind = "fastened"
connected_to = "barn"
"""


def test_adapter_supply_side_transfer_disconnect_and_lugs(tmp_path):
    tree = read_home(written(tmp_path, SMALL + OTHER_TABLES)).tree
    ways = {
        "pump": ("pump", "kept-breaker", "kept", "island-switch", "main-off", "service"),
        "roof": ("roof", "gather-breaker", "gather", "pv-off", "supply-side", "service"),
        "garage-roof": ("garage-roof", "adapter", "service"),
        "barn-light": ("barn-light", "barn", "barn-feeder", "kept:lugs", "kept", "island-switch", "main-off", "service"),
    }
    assert {name: tree.path_to_service(name) for name in ways} == ways
    assert [panel.id for panel in tree.root_panels()] == ["main", "kept", "gather"]
    assert {name: getattr(tree.panel_of(name), "id", None) for name in ("pump", "roof", "garage-roof", "barn-light", "barn")} == {
        **{"pump": "kept", "roof": "gather", "garage-roof": None, "barn-light": "barn", "barn": "kept"}
    }
    assert tree.breaker_of("roof").id == "gather-breaker"
    assert tree.breaker_of("garage-roof") is None
    assert tree.breaker_of("barn") is None
    assert set(tree.below("island-switch")) == {
        "kept",
        "kept-breaker",
        "kept:lugs",
        "pump",
        "barn-feeder",
        "barn",
        "barn:lugs",
        "barn-light",
    }
    assert "garage-roof" not in tree.below("supply-side")
    assert tree.node("adapter").item.model == "AD-C"
    assert tree.node("kept:lugs").item.id == "kept"


def test_there_is_no_adapter_in_the_tree_where_the_file_has_none(tree):
    assert "adapter" not in tree
    assert "supply-side" in tree


def test_an_id_that_is_not_there_is_an_error_naming_those_that_are(tree):
    for ask in (tree.node, tree.children, tree.below, tree.path_to_service, tree.panel_of, tree.breaker_of):
        with pytest.raises(CalculationFault, match="range-breaker"):
            ask("nothing")
    assert "nothing" not in tree
    assert "main" in tree


@given(st.data())
def test_below_and_path_agree(data):
    tree = read_home(EXAMPLE).tree
    upper, lower = (data.draw(st.sampled_from(sorted(tree.nodes))) for _ in range(2))
    assert (lower in tree.below(upper)) == (lower != upper and upper in tree.path_to_service(lower))
