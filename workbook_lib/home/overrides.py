"""Values put in place of what a site file says, by key path, before anything is checked."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from workbook_lib.home.leaf import Leaf, Record
from workbook_lib.home.raw import Override, Trouble, nearest, show, suggest
from workbook_lib.home.shapes import FaultBook, shapes

EMPTY = "leave it out; in a table leave the cell empty for this home"
IDS_SHOWN = 8


class _Unknown(Exception):
    """The path leads nowhere."""


class _NoSuchId(_Unknown):
    """The path leads to a row that is not there. `place`: path of the rows; `ids`: names of those that are there."""

    def __init__(self, place: str, step: str, ids: list[str]):
        self.place, self.step, self.ids = place, step, ids
        super().__init__(place)


def apply(tables: dict[str, object], overrides: Mapping[str, object], model: type[Record], book: FaultBook) -> None:
    """Put every override into the tables of a file; paths that lead nowhere are noted in the book."""
    for path, value in overrides.items():
        path = str(path)
        try:
            _put(tables, path, value, model)
        except _NoSuchId as lost:
            trouble = _not_here(path, lost) if leaf_at(model, path) is not None else _no_field(tables, path, model)
            book.add(path, (), trouble, line=False)
        except _Unknown:
            book.add(path, (), _no_field(tables, path, model), line=False)


def _not_here(path: str, lost: _NoSuchId) -> Trouble:
    """What is said of a field of a thing that this home does not have."""
    more = f" and {len(lost.ids) - IDS_SHOWN} more" if len(lost.ids) > IDS_SHOWN else ""
    found = f"{lost.place} {', '.join(lost.ids[:IDS_SHOWN])}{more}" if lost.ids else f"no {lost.place} at all"
    close = nearest(lost.step, lost.ids)
    todo = f'did you mean "{lost.place}.{close}{path.removeprefix(f"{lost.place}.{lost.step}")}"? Else {EMPTY}' if close else EMPTY
    return Trouble(f'this home has no {lost.place} with id "{lost.step}"', found, "an id that it has, or an empty cell", todo)


def _no_field(tables: dict[str, object], path: str, model: type[Record]) -> Trouble:
    """What is said of a path that no site file can hold."""
    close, last = fixed(model, path), path.rpartition(".")[2]
    known = [] if close or not last else list(_paths(tables, model, ""))
    name = nearest(last, {one.rpartition(".")[2] for one in known})
    known = [one for one in known if one.rpartition(".")[2] == name]
    todo = f'did you mean "{close}"?' if close else suggest(path, known, "name a field of the site file, by ids")
    return Trouble("unknown field in an override", show(path), "a key path by ids, as source.pv.output_current", todo)


def fixed(model: type[Record], path: str) -> str:
    """A key path with the names in it that are no fields replaced by the nearest that are, ids as they stand; empty where none is near."""
    current: type[Record] | None = model
    kind, found = "table", []
    for step in path.split("."):
        if current is None:
            return ""
        if kind != "table":
            kind = "table"
            found.append(step)
            continue
        names = shapes(current)
        name = step if step in names else nearest(step, names)
        if not name:
            return ""
        found.append(name)
        kind, current = names[name].kind, names[name].model
    close = ".".join(found)
    return close if leaf_at(model, close) is not None else ""


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
            here = here.get(step) if isinstance(here, dict) else _row(here, "", step)
        except _Unknown:
            return None
    return here.get("value") if isinstance(here, dict) else here


def _put(tables: dict[str, object], path: str, value: object, model: type[Record]) -> None:
    *way, last = path.split(".")
    here: object = tables
    kind, current = "table", model
    for number, step in enumerate(way):
        if kind == "rows":
            here, kind = _row(here, ".".join(way[:number]), step), "table"
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


def _row(rows: object, place: str, step: str) -> dict[str, object]:
    if not isinstance(rows, list):
        raise _Unknown
    ids = []
    for index, row in enumerate(rows):
        if isinstance(row, dict):
            ids.append(_name(row) or str(index))
            if ids[-1] == step:
                return row
    raise _NoSuchId(place, step, ids)


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
