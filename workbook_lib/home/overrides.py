"""Values put in place of what a site file says, by key path, before anything is checked."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from workbook_lib.home.leaf import Leaf, Record
from workbook_lib.home.raw import Override, Trouble, show, suggest
from workbook_lib.home.shapes import FaultBook, shapes


class _Unknown(Exception):
    """The path leads nowhere."""


def apply(tables: dict[str, object], overrides: Mapping[str, object], model: type[Record], book: FaultBook) -> None:
    """Put every override into the tables of a file; paths that lead nowhere are noted in the book."""
    for path, value in overrides.items():
        try:
            _put(tables, str(path), value, model)
        except _Unknown:
            known = list(_paths(tables, model, ""))
            todo = suggest(str(path), known, "name a field of the site file, by ids")
            trouble = Trouble("unknown field in an override", show(str(path)), "a key path by ids, as source.pv.output_current", todo)
            book.add(str(path), (), trouble, line=False)


def leaf_at(model: type[Record], path: str) -> Leaf | None:
    """What a key path with ids may hold, whatever the ids; None where it leads to no field."""
    current: type[Record] | None = model
    kind = "table"
    *way, last = path.split(".")
    for step in way:
        if kind != "table":
            kind = "table"
            continue
        shape = shapes(current).get(step)
        if shape is None or shape.model is None:
            return None
        kind, current = shape.kind, shape.model
    shape = shapes(current).get(last) if kind == "table" else None
    return None if shape is None else shape.leaf


def value_at(tables: Mapping[str, object], path: str) -> object:
    """The value that the tables of a file hold at a key path with ids, without its provenance; None where they hold none."""
    here: object = tables
    for step in path.split("."):
        try:
            here = here.get(step) if isinstance(here, dict) else _row(here, step)
        except _Unknown:
            return None
    return here.get("value") if isinstance(here, dict) else here


def _put(tables: dict[str, object], path: str, value: object, model: type[Record]) -> None:
    *way, last = path.split(".")
    here: object = tables
    kind, current = "table", model
    for step in way:
        if kind == "rows":
            here, kind = _row(here, step), "table"
            continue
        if not isinstance(here, dict):
            raise _Unknown
        if kind == "table":
            shape = shapes(current).get(step)
            if shape is None or shape.model is None:
                raise _Unknown
            kind, current = shape.kind, shape.model
        else:
            kind = "table"
        here = here.setdefault(step, [] if kind == "rows" else {})
    shape = shapes(current).get(last)
    if kind != "table" or not isinstance(here, dict) or shape is None or shape.leaf is None:
        raise _Unknown
    was = here.get(last)
    was = was.get("value") if isinstance(was, dict) else was
    here[last] = value if isinstance(value, dict) else Override(value, was)


def _row(rows: object, step: str) -> dict[str, object]:
    if isinstance(rows, list):
        for index, row in enumerate(rows):
            if isinstance(row, dict) and (_name(row) or str(index)) == step:
                return row
    raise _Unknown


def _name(row: Mapping[str, object]) -> str:
    given = row.get("id")
    given = given.get("value") if isinstance(given, dict) else given
    return given if isinstance(given, str) else ""


def _paths(content: object, model: type[Record], prefix: str) -> Iterator[str]:
    """Every key path of a file that a value may be put at, whether it is given there or not."""
    for name, shape in shapes(model).items():
        path, found = f"{prefix}{name}", content.get(name) if isinstance(content, dict) else None
        if shape.leaf is not None:
            yield path
        elif shape.kind == "table":
            yield from _paths(found, shape.model, f"{path}.")
        elif shape.kind == "rows" and isinstance(found, list):
            for index, row in enumerate(found):
                if isinstance(row, dict):
                    yield from _paths(row, shape.model, f"{path}.{_name(row) or index}.")
        elif shape.kind == "tables" and isinstance(found, dict):
            for key, inner in found.items():
                yield from _paths(inner, shape.model, f"{path}.{key}.")
