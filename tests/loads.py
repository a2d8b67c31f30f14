"""Loads for tests of the rules: items by kind and size, and random homes."""

from __future__ import annotations

from hypothesis import strategies as st

from workbook_lib.editions import load
from workbook_lib.errors import MissingInput
from workbook_lib.rules.loads import LoadItem
from workbook_lib.sheet import Input
from workbook_lib.workbooks.methods import CALCULATE, MethodResult, Scope, general_steps

KINDS = (
    *("range", "cooktop", "oven", "dryer", "water-heater", "dishwasher", "disposer", "microwave", "spa", "fastened"),
    *("well-pump", "motor", "air-conditioner", "heat-pump", "supplemental-heat", "electric-heat", "thermal-storage", "hvac-fan"),
    *("evse", "storage", "calculated"),
)
HIGHEST = {"range": 16000, "cooktop": 9000, "oven": 9000}


def item(kind: str, va: float, *, name: str = "", status: str = "existing", **more) -> LoadItem:
    """One load of a kind and size [VA]."""
    name = name or f"{kind}-{va:g}"
    amount = Input(f"load.{name}.rating", name, float(va), "VA")
    return LoadItem(name, kind, name, amount, amount, status=status, continuous=kind == "evse", **more)


def scope(items, *, floor_area: float = 1500.0) -> Scope:
    """A dwelling with these loads, two small-appliance circuits and one laundry circuit."""
    return Scope(
        "service",
        tuple(items),
        Input("dwelling.floor_area", "floor area", float(floor_area), "ft^2"),
        small_appliance=Input("dwelling.small_appliance_circuits", "small-appliance circuits", 2.0, "count"),
        laundry=Input("dwelling.laundry_circuits", "laundry circuits", 1.0, "count"),
    )


def calculate(method: str, items, year: str, *, floor_area: float = 1500.0) -> MethodResult:
    """One method on these loads under an edition."""
    edition, place = load(year), scope(items, floor_area=floor_area)
    return CALCULATE[method](place, edition, general_steps(place, edition))


def total(method: str, items, year: str, *, floor_area: float = 1500.0) -> float:
    """Load [VA] of one method, infinite where the edition does not compute it."""
    try:
        return calculate(method, items, year, floor_area=floor_area).total.value
    except MissingInput:
        return float("inf")


@st.composite
def homes(draw, kinds=KINDS, least: int = 0, most: int = 8):
    """Lists of loads with distinct names."""
    number = draw(st.integers(least, most))
    found = []
    for index in range(number):
        kind = draw(st.sampled_from(kinds))
        va = draw(st.integers(200, HIGHEST.get(kind, 12000)))
        status = draw(st.sampled_from(("existing", "added")))
        found.append(item(kind, va, name=f"{kind}-{index}", status=status))
    return found
