"""Figures of the service load, as data: what makes up the load, and the service against each method."""

from __future__ import annotations

from workbook_lib.rules.loads import GROUPS
from workbook_lib.sheet import Figure, Quantity, Table
from workbook_lib.workbooks.methods import TITLES

GROUP_WORDS = {
    "lighting": "lighting, small-appliance and laundry circuits",
    "cooking": "cooking",
    "dryer": "clothes dryer",
    "fastened": "fastened appliances",
    "motor": "motors",
    "hvac": "heating and cooling",
    "evse": "EV charging",
    "storage": "storage charging",
    "other": "calculated before",
    "general": "all that shares the tier",
}
MISSING = "in the tier"


def figures(work) -> tuple[Figure, ...]:
    """Both figures where they can be drawn. Returns: figures with tables [VA], [A]."""
    drawn = []
    if work.chosen is not None:
        drawn.append(_composition(work) if work.method != "measured" else _measured(work))
    if work.limit is not None and work.answers:
        drawn.append(_capacity(work))
    return tuple(drawn)


def connected_by_class(work) -> dict[str, float]:
    """Connected load [VA] of each class before any factor, classes that are absent left out."""
    amounts = {"lighting": work.general[-1].value} if work.general else {}
    for item in work.scope.items:
        amounts[item.group] = amounts.get(item.group, 0.0) + item.va.value
    return {group: amounts[group] for group in GROUPS if group in amounts}


def _composition(work) -> Figure:
    connected = connected_by_class(work)
    demand = work.chosen.demand
    rows: list[tuple[object, ...]] = []
    for group, amount in connected.items():
        own: Quantity | None = demand.get(group)
        rows.append((GROUP_WORDS[group], amount, own.value if own is not None else MISSING))
    if "general" in demand:
        tier = demand["general"]
        rows.append((GROUP_WORDS["general"], tier.uses["connected"].value, tier.value))
    if "motor" in demand and "motor" not in connected:
        rows.append(("25 % of the largest motor", 0.0, demand["motor"].value))
    rows.append(("whole load", sum(connected.values()), work.chosen.total.value))
    largest = max(connected, key=connected.get)
    description = (
        f"{sum(connected.values()):,.0f} VA are connected; "
        f"the {TITLES[work.method].lower()} takes {work.chosen.total.value:,.0f} VA of it. "
        f"The largest class is {GROUP_WORDS[largest]} with {connected[largest]:,.0f} VA connected."
    )
    table = Table(("Class", "Connected (VA)", "After demand (VA)"), tuple(rows), "What makes up the load")
    return Figure("composition", "composition", "What makes up the load", description, table, unit="VA")


def _measured(work) -> Figure:
    """What makes up the measured load: the demand of the record at 125 %, what did not run in it, what is added."""
    demand, total = work.scope.demand, work.chosen.total
    frac = total.uses["frac"].value
    highest = demand.readings[demand.high]
    rows: list[tuple[object, ...]] = [(f"maximum demand of the record, {demand.high}", highest.value, frac * highest.value)]
    if demand.seasonal is not None:
        rows.append(("loads that did not run in it", demand.seasonal.value, frac * demand.seasonal.value))
    if "new" in total.uses:
        rows.append(("added by this work", total.uses["new"].value, total.uses["new"].value))
    rows.append(("whole load", sum(row[1] for row in rows), total.value))
    idle = ", of what did not run in it," if demand.seasonal is not None else ""
    description = f"125 % of the record's maximum demand{idle} and what is added at its calculated size: {total.value:,.0f} VA."
    table = Table(("Part", "As it stands (VA)", "In the load (VA)"), tuple(rows), "What makes up the measured load")
    return Figure("composition", "composition", "What makes up the measured load", description, table, unit="VA")


def _capacity(work) -> Figure:
    limit = work.limit.value
    rows: list[tuple[object, ...]] = []
    held = work.load_a is not None and work.load is not work.chosen.total
    role = " (chosen, without the control)" if held else " (the verdict)"
    for name in work.answers:
        amperes = work.results[f"{name}_a"].value
        rows.append((TITLES[name] + (role if name == work.method else ""), amperes, limit - amperes))
    if held:
        rows.append(("with the control setting (the verdict)", work.load_a.value, limit - work.load_a.value))
    words = ", ".join(f"{name} {amperes:.1f} A" for name, amperes, _ in rows)
    description = f"The service may carry {limit:g} A. Load by method: {words}."
    table = Table(("Method", "Load (A)", "Room left (A)"), tuple(rows), "The service against each method", 1)
    return Figure("capacity", "capacity", "The service against each method", description, table, (("limit of the service", limit),), "A")
