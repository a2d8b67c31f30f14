"""What is taken where a site file does not say: the contract's defaults, each printed as an assumption.

Defaults are put into the prepared tables before the models read them, with origin `assumed`, so
that a value which was assumed is told apart from one that was given everywhere.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

from workbook_lib.home.model_equipment import COOKING_KINDS
from workbook_lib.home.raw import Raw, Rows, Table
from workbook_lib.quantities import QuantityError, read_quantity, written_in_watts
from workbook_lib.sheet import Assumption, Input

STATUS_TABLES = ("load", "evse", "panel", "feeder", "source", "storage", "control", "disconnect", "transfer")
COUNT_TABLES = ("load", "source", "storage")
LEG_VOLTAGE_LIMIT_V = 150.0
"""A stated voltage up to this is one leg to neutral, above it leg to leg."""


@dataclass
class Taken:
    """Defaults that were taken: for each field and value the names of what it was taken for."""

    names: dict[tuple[str, object], list[str]] = field(default_factory=dict)

    def put(self, table: Table, name: str, value: object, title: str = "") -> None:
        """Take `value` for a field that a table lacks."""
        if name in table:
            return
        path = f"{table.path}.{name}" if table.path else name
        table[name] = Raw(path, (*table.loc, name), value, "assumed", "taken where the file does not say", table.owner)
        self.names.setdefault((name, value), []).append(title or table.owner or table.path)


def rows(tree: Mapping, name: str) -> list[Table]:
    """Rows of a table of the file that are tables, whatever else stands there."""
    found = tree.get(name)
    return [row for row in found if isinstance(row, Table)] if isinstance(found, Rows) else []


def table(tree: Mapping, *names: str) -> Table | None:
    """A table inside tables, None where it is not there or is none."""
    here: object = tree
    for name in names:
        here = here.get(name) if isinstance(here, Table) else None
    return here if isinstance(here, Table) else None


def text(tree: Mapping, name: str) -> str:
    """A text leaf of a table, empty where it is not there or is no text."""
    found = tree.get(name)
    return found.value if isinstance(found, Raw) and isinstance(found.value, str) else ""


def conductors(tree: Table) -> Iterator[tuple[Table, str]]:
    """Every conductor table of a file with the words that name it."""
    for names in (("service", "conductor"), ("service", "transformer", "conductor")):
        found = table(tree, *names)
        if found is not None:
            yield found, ".".join(names[:-1])
    for name in ("evse", "disconnect", "panel", "feeder", "source", "transfer"):
        for row in rows(tree, name):
            found = table(row, "conductor")
            if found is not None:
                yield found, row.owner or row.path


def fill(tree: Table) -> Taken:
    """Put the defaults into a prepared site file and say what was taken."""
    taken = Taken()
    for name in STATUS_TABLES:
        for row in rows(tree, name):
            taken.put(row, "status", "existing")
            for breaker in rows(row, "breakers") if name == "panel" else ():
                taken.put(breaker, "status", "existing")
                taken.put(breaker, "hold_down", False)
    adapter, dwelling, service = table(tree, "adapter"), table(tree, "dwelling"), table(tree, "service")
    if adapter is not None:
        taken.put(adapter, "status", "existing", "adapter")
    if dwelling is not None:
        taken.put(dwelling, "status", "existing", "dwelling")
    if service is not None:
        taken.put(service, "hundred_percent_rated", False, "service")
    for name in COUNT_TABLES:
        for row in rows(tree, name):
            taken.put(row, "count", 1)
    for wire, title in conductors(tree):
        taken.put(wire, "sets", 1, title)
    _by_kind(tree, taken)
    return taken


def voltages(tree: Table) -> dict[str, float]:
    """Voltage [V] of loads and chargers by key path, from `voltage` or else from the poles of their breaker."""
    poles: dict[str, int] = {}
    for panel in rows(tree, "panel"):
        for breaker in rows(panel, "breakers"):
            found = breaker.get("poles")
            if isinstance(found, Raw) and isinstance(found.value, int):
                poles[text(breaker, "id")] = found.value
    known: dict[str, float] = {}
    for row in (*rows(tree, "load"), *rows(tree, "evse")):
        try:
            known[row.path] = read_quantity(text(row, "voltage"), "voltage")[0]
        except QuantityError:
            by_poles = {1: 120.0, 2: 240.0}.get(poles.get(text(row, "connected_to")))
            if by_poles is not None and "voltage" not in row:
                known[row.path] = by_poles
    return known


def _by_kind(tree: Table, taken: Taken) -> None:
    known = voltages(tree)
    for row in rows(tree, "load"):
        kind = text(row, "kind")
        if kind in COOKING_KINDS or kind in ("dryer", "calculated"):
            taken.put(row, "neutral", True)
        elif row.path in known:
            taken.put(row, "neutral", known[row.path] <= LEG_VOLTAGE_LIMIT_V)
        taken.put(row, "continuous", False)
    for row in rows(tree, "evse"):
        taken.put(row, "continuous", True)
        if row.path in known:
            taken.put(row, "neutral", known[row.path] <= LEG_VOLTAGE_LIMIT_V)
    for row in rows(tree, "storage"):
        taken.put(row, "continuous", True)
        taken.put(row, "neutral", False)


WORDS = {
    ("status", "existing"): "taken as existing",
    ("hold_down", False): "taken as not held down",
    ("count", 1): "taken as one unit",
    ("sets", 1): "taken as one set of conductors",
    ("hundred_percent_rated", False): "taken as not listed for 100 % of its rating",
    ("neutral", True): "taken to use the neutral (cooking, dryer, a total from elsewhere, and what runs at 120 V)",
    ("neutral", False): "taken to leave the neutral unused (other 240 V loads)",
    ("continuous", True): "taken as continuous (charging of vehicles and storage)",
    ("continuous", False): "taken as not continuous",
}
"""Words for each default on the sheet."""


def assumptions(taken: Taken, givens: Mapping[str, Input]) -> tuple[Assumption, ...]:
    """Assumptions of a home: defaults grouped by field and value, watts taken as VA, values given as assumed."""
    found = []
    for key, names in sorted(taken.names.items(), key=lambda pair: list(WORDS).index(pair[0])):
        number = f"{len(names)} entries that do not say" if len(names) > 1 else "one entry that does not say"
        found.append(Assumption(key[0], f"{WORDS[key]} for {number}: {', '.join(names)}"))
    watts = [
        given
        for given in givens.values()
        if given.unit == "VA" and given.key.startswith("load.") and isinstance(given.value, float) and written_in_watts(given.text)
    ]
    if watts:
        listed = ", ".join(f"{given.key.split('.')[1]} ({given.text})" for given in watts)
        found.append(Assumption("rating", f"watts of a load are taken as VA, as the code's annex does: {listed}"))
    for given in givens.values():
        if given.origin == "assumed" and given.note != "taken where the file does not say":
            note = f" ({given.note})" if given.note else ""
            found.append(Assumption(given.key, f"{given.meaning}: {given.text} is assumed in the site file{note}", given))
    return tuple(found)
