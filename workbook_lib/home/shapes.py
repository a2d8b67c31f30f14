"""What a model wants at each place of a file: a leaf, a table, rows or named tables; and faults from it."""

from __future__ import annotations

import collections.abc
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, get_args, get_origin

from pydantic import BaseModel, ValidationError

from workbook_lib.errors import Fault
from workbook_lib.home.leaf import Leaf, Reading, Record
from workbook_lib.home.lines import Loc, line_of, locate
from workbook_lib.home.raw import Raw, Rows, Table, Trouble, show, suggest


@dataclass(frozen=True, slots=True)
class Shape:
    """What a field holds: `leaf` with its Leaf, or `table`, `rows`, `tables` with their model."""

    kind: str
    leaf: Leaf | None = None
    model: type[Record] | None = None


def _model_in(annotation: Any) -> type[Record] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for part in get_args(annotation):
        found = _model_in(part)
        if found:
            return found
    return None


@lru_cache(maxsize=256)
def shapes(model: type[Record]) -> Mapping[str, Shape]:
    """Fields of a model by the name they have in the file, in order."""
    found = {}
    for name, info in model.model_fields.items():
        leaves = [part for part in info.metadata if isinstance(part, Leaf)]
        if leaves:
            shape = Shape("leaf", leaves[0])
        else:
            inner = _model_in(info.annotation)
            origin = get_origin(info.annotation)
            kind = "rows" if origin is tuple else "tables" if origin is collections.abc.Mapping else "table"
            shape = Shape(kind, None, inner)
        found[info.alias or name] = shape
    return found


def model_at(model: type[Record], loc: Loc) -> type[Record] | None:
    """Model of the table at a place; None where the place is no table of the model."""
    here: type[Record] | None = model
    kind = "table"
    for step in loc:
        if here is None:
            return None
        if kind in ("rows", "tables"):
            kind = "table"
            continue
        shape = shapes(here).get(str(step))
        if shape is None or shape.model is None:
            return None
        here, kind = shape.model, shape.kind
    return here


WIDTHS = (160, 300, 200, 800, 300)
"""Most characters of a fault's field, what, value, limit and todo, whatever a file holds."""


def one_line(text: str, length: int) -> str:
    """A text with nothing but printable characters, cut to a length."""
    text = "".join(character if character.isprintable() else "?" for character in text[: length + 1])
    return text if len(text) <= length else text[: length - 3] + "..."


@dataclass
class FaultBook:
    """The faults found in one file, with its name and, once a fault is noted, its line numbers."""

    file: str
    text: str = ""
    faults: list[Fault] = field(default_factory=list)
    lines: dict[Loc, int] | None = None

    def line(self, loc: Loc) -> int | None:
        """Line of a place, None where it cannot be found."""
        if self.lines is None:
            self.lines = locate(self.text) if self.text else {}
        return line_of(self.lines, loc)

    def add(self, path: str, loc: Loc, trouble: Trouble, *, line: bool = True) -> None:
        """Note a trouble as a fault of this file."""
        found = self.line(loc) if line else None
        parts = (one_line(part, length) for part, length in zip((path, *trouble.parts()), WIDTHS, strict=True))
        self.faults.append(Fault(self.file, *parts, found))

    def ordered(self) -> list[Fault]:
        """The faults in the order of the file's lines, those without a line first."""
        return sorted(self.faults, key=lambda fault: fault.line or 0)

    def at(self, place: Raw | Table | Rows, what: str, value: str, limit: str, todo: str) -> None:
        """Note a fault at a leaf, table or rows of the file."""
        overridden = isinstance(place, Raw) and place.override
        self.add(place.path, place.loc, Trouble(what, value, limit, todo), line=not overridden)


def validate(model: type[Record], tree: Table, book: FaultBook) -> tuple[Record | None, Reading]:
    """The model of a prepared file, None where it has faults (then noted in the book), and its leaves as Inputs."""
    reading = Reading()
    try:
        return model.model_validate(tree, context=reading), reading
    except ValidationError as error:
        for item in error.errors(include_url=False):
            for place, trouble in _troubles(model, item, tree):
                overridden = isinstance(item["input"], Raw) and item["input"].override
                book.add(place[0], place[1], trouble, line=not overridden)
        return None, reading


def _troubles(model: type[Record], item: Mapping[str, Any], tree: Table) -> Iterator[tuple[tuple[str, Loc], Trouble]]:
    given, loc = item["input"], item["loc"]
    if item["type"] == "leaf":
        path, place = given.path, given.loc
        for trouble in item["ctx"]["troubles"]:
            yield (path, place), trouble
    elif item["type"] == "missing":
        name = str(loc[-1])
        path = f"{given.path}.{name}" if given.path else name
        yield (path, given.loc), _missing(model, given.loc, name)
    elif item["type"] == "extra_forbidden":
        yield (given.path, given.loc), _unknown(model, given)
    else:
        place = given if isinstance(given, (Raw, Rows, Table)) else tree
        yield (place.path, place.loc), _misshapen(model, place)


def _missing(model: type[Record], table_loc: Loc, name: str) -> Trouble:
    here = model_at(model, table_loc)
    shape = shapes(here)[name] if here else None
    if shape is None or shape.leaf is None:
        return Trouble("missing table", "nothing", f"a table [{name}]", f"add [{name}]")
    leaf = shape.leaf
    return Trouble(f"missing: {leaf.label}", "nothing", leaf.accepted(), f"add {name} = {leaf.example()}")


def _unknown(model: type[Record], given: Raw | Table | Rows) -> Trouble:
    name = str(given.loc[-1])
    here = model_at(model, given.loc[:-1])
    known = list(shapes(here)) if here else []
    what = "unknown table" if len(given.loc) == 1 and not isinstance(given, Raw) else "unknown field"
    return Trouble(what, f'"{name}"' if len(name) <= 60 else show(name), ", ".join(known), suggest(name, known, "remove it"))


def _misshapen(model: type[Record], place: Raw | Table | Rows) -> Trouble:
    parent = model_at(model, place.loc[:-1])
    name = str(place.loc[-1]) if place.loc else ""
    shape = shapes(parent).get(name) if parent and not isinstance(place.loc[-1] if place.loc else None, int) else None
    found = "a list of tables" if isinstance(place, Rows) else "one table" if isinstance(place, Table) else "a value"
    top = len(place.loc) == 1
    if shape is not None and shape.kind == "rows":
        wanted = f"[[{name}]] blocks or {name} = [ {{ ... }}, ... ]" if top else f"{name} = [ {{ ... }}, ... ]"
        one = isinstance(place, Table)
        todo = (
            f"write [[{name}]] in place of [{name}]" if one and top else "put square brackets around it" if one else "write one row a thing"
        )
        return Trouble(f"{found} where rows are wanted", show(place), wanted, todo)
    if shape is None:
        return Trouble(f"{found} where a table is wanted", show(place), "a table { ... }", "write its fields in a table")
    needed = [info.alias or key for key, info in shape.model.model_fields.items() if info.is_required()]
    fields = ", ".join(f"{key} = ..." for key in needed) or "..."
    wanted = f"[{name}] or {name} = {{ ... }}" if top else f"{name} = {{ ... }}"
    return Trouble(f"{found} where a table is wanted", show(place), wanted, f"write its fields in a table: {name} = {{ {fields} }}")
