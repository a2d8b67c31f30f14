"""What may be added to a home, in trade words, and the id that a new thing gets."""

from __future__ import annotations

from workbook_lib.home.model import Site
from workbook_lib.home.shapes import model_at, shapes
from workbook_lib.live.draft import Draft
from workbook_lib.live.fields import Group

ADDED = {
    "load": "a load",
    "breakers": "a breaker",
    "evse": "a charger",
    "source": "a source (inverter)",
    "storage": "a store (battery)",
    "panel": "a panel",
    "feeder": "a feeder",
    "raceway": "a raceway or cable",
    "disconnect": "a disconnect",
    "control": "a control",
    "vehicle": "a vehicle",
    "transfer": "a transfer switch",
    "evidence": "a piece of evidence",
    "array": "an array",
    "limit": "a limit",
    "tier": "a tier of loads",
    "discharge_limit": "a point of its discharge limit",
    "charge_limit": "a point of its charge limit",
    "mark": "a marked range",
}
"""Rows that may be added, by the name of their table."""
STEMS = {"breakers": "breaker", "evse": "charger", "storage": "battery", "source": "inverter", "raceway": "run", "disconnect": "switch"}


def rows_of(group: Group) -> list[str]:
    """Tables of rows that a thing may hold. Parameters: thing. Returns: their names."""
    model = model_at(Site, group.loc)
    return [name for name, shape in shapes(model).items() if shape.kind == "rows" and name in ADDED] if model is not None else []


def fresh_id(draft: Draft, name: str) -> dict[str, str]:
    """The id of a new thing of a table, empty where its rows have none. Parameters: draft, name of the table."""
    taken = {field.text for group in draft.groups() for one in group.groups() for field in one.fields if field.name == "id"}
    if name in ("vehicle", "evidence", "array", "limit", "tier", "discharge_limit", "charge_limit", "mark"):
        return {}
    stem = STEMS.get(name, name)
    number = next(count for count in range(1, 10000) if f"{stem}-{count}" not in taken)
    return {"id": f"{stem}-{number}"}


def workbook_words(workbook: str) -> str:
    """A workbook's name in words. Parameters: name. Returns: text."""
    words = workbook.replace("_", " ").replace("ev ", "EV ")
    return words[:1].upper() + words[1:]


def called(path: str, title: str) -> str:
    """A thing in words: its key path, its title where that ends in a number of the file. Parameters: key path, title."""
    return title if path.rpartition(".")[2].isdecimal() else path
