"""Every field that a site file may hold, as a form shows it: label, value as written, provenance, limits, what may be chosen.

Fields are found by walking the shapes of the model over the text of a file, whether the file is sound or not, so that a form shows a
new field of the model without being told of it.
"""

from __future__ import annotations

import datetime
import re
import tomllib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from workbook_lib.home.fields import (
    Choice,
    Clock,
    Count,
    Day,
    Factor,
    Fraction,
    Fractions,
    Months,
    Number,
    Numbers,
    Reference,
    Text,
    Texts,
    Word,
    YesNo,
)
from workbook_lib.home.leaf import Leaf, LeafFault, Record
from workbook_lib.home.lines import Loc
from workbook_lib.home.model import Site
from workbook_lib.home.model_equipment import AWG_SIZES, KCMIL_SIZES, Size
from workbook_lib.home.raw import WRAPPER_KEYS, Raw, Rows, Table, Trouble, prepare
from workbook_lib.home.references import REFERS, Index
from workbook_lib.home.shapes import shapes
from workbook_lib.quantities import DIMENSIONS

ABSENT = ""
"""What a form shows for a field that the file does not give."""
EMPTY_LIST = "none"
"""What a form shows for a list without members, which says more than no list."""
YES_NO = ("true", "false")
NAMES = {"evse": "charger", "breakers": "breaker", "load": "load"}
"""Trade words for tables whose names in the file are none."""
_UNQUOTED = re.compile(r",? (?:in|without) quotes")
_PLAIN = re.compile(r"[+-]?[0-9]+(\.[0-9]*)?")


@dataclass(frozen=True, slots=True)
class Field:
    """One field: place and key path, what it may hold, what the file says.

    `text`: the value as a person types it, empty where the file gives none; `origin`, `note`: how it is known; `table`: name of the table
    it stands in; `options`: what may be chosen, empty for a free text; `required`: a row cannot be without it.
    """

    loc: Loc
    path: str
    name: str
    leaf: Leaf
    table: str
    text: str = ABSENT
    origin: str = ""
    note: str = ""
    options: tuple[str, ...] = ()
    required: bool = False
    wrapped: bool = False

    @property
    def given(self) -> bool:
        """Whether the file says anything here."""
        return self.text != ABSENT

    @property
    def several(self) -> bool:
        """Whether it holds a list."""
        return isinstance(self.leaf, (Texts, Months, Fractions))

    @property
    def refers(self) -> bool:
        """Whether it names another thing of the home."""
        return (self.table, self.name) in REFERS

    @property
    def unit(self) -> str:
        """House unit of the field, empty where it has none."""
        return DIMENSIONS[self.leaf.dimension].unit if isinstance(self.leaf, Number) and not isinstance(self.leaf, Fraction) else ""

    @property
    def has_provenance(self) -> bool:
        """Whether it matters how its value is known: facts of the home, not names, dates and choices of the engineer."""
        named = isinstance(self.leaf, Texts) and not self.leaf.choices  # names and things, not what was seen of a few
        plain = named or isinstance(self.leaf, (Text, Word, Day))
        return not plain and self.table not in ("site", "study") and self.loc[0] not in ("records", "backup")

    @property
    def example(self) -> str:
        """A value as a person types it."""
        return _UNQUOTED.sub("", self.leaf.example()).strip('"[]').replace('"', "").replace("...", "")

    @property
    def hint(self) -> str:
        """What is accepted, in words; how a list is typed."""
        if isinstance(self.leaf, Reference):
            return "what is there already: choose it, or add it first"
        words = _UNQUOTED.sub("", self.leaf.accepted())
        return f"{words}; commas between several" if self.several or isinstance(self.leaf, Numbers) else words


@dataclass(frozen=True, slots=True)
class Group:
    """A thing of the home with its fields and the tables in it.

    `kind`: name of its table (`breakers` for a breaker); `loc`, `path`: its place; `there`: whether the file has it; `row`: whether it is
    one of several and may be taken out.
    """

    kind: str
    loc: Loc
    path: str
    title: str
    fields: tuple[Field, ...]
    inner: tuple[Group, ...] = ()
    there: bool = True
    row: bool = False

    def every(self) -> Iterator[Field]:
        """Its fields and those of what stands in it."""
        yield from self.fields
        for group in self.inner:
            yield from group.every()

    def groups(self) -> Iterator[Group]:
        """It and all that stands in it."""
        yield self
        for group in self.inner:
            yield from group.groups()


def groups(text: str, locals_: tuple[str, ...] = ()) -> tuple[Group, ...]:
    """The things of a home in the order of the model, tables that the file lacks among them.

    Parameters: text of a site file, names of the jurisdiction and utility files that may be chosen. Returns: groups. Errors: ValueError
    where the text is no TOML.
    """
    content = tomllib.loads(text)
    tree, _ = prepare(content)
    index = Things(tree, locals_)
    _paths(tree, index.paths)
    found: list[Group] = []
    for name, shape in shapes(Site).items():
        if shape.kind != "leaf":
            found += _groups(content.get(name), name, shape, (name,), name, index)
    return tuple(found)


class Things(Index):
    """What may be named in a home: its things by id, and local files by name."""

    def __init__(self, tree, locals_: tuple[str, ...]):
        super().__init__(tree)
        self.locals = locals_
        self.paths: dict[Loc, str] = {}


def _paths(node: object, found: dict[Loc, str]) -> None:
    """Key path of every row by its place, as the reader names it in a fault."""
    if isinstance(node, Table):
        found[node.loc] = node.path
    for inner in node.values() if isinstance(node, Table) else node if isinstance(node, Rows) else ():
        _paths(inner, found)


def _groups(content: object, name: str, shape, loc: Loc, path: str, index: Things) -> Iterator[Group]:
    """Groups of one table, of its rows, or of its named tables."""
    if shape.kind == "table":
        yield _group(content, name, shape.model, loc, path, index)
    elif shape.kind == "rows":
        for number, row in enumerate(content if isinstance(content, list) else ()):
            place = (*loc, number)
            yield replace(_group(row, name, shape.model, place, index.paths.get(place, f"{path}.{number}"), index), row=True)
    else:
        for step, row in content.items() if isinstance(content, Mapping) else ():
            yield replace(_group(row, name, shape.model, (*loc, step), f"{path}.{step}", index), row=True)


def _group(content: object, name: str, model: type[Record], loc: Loc, path: str, index: Things) -> Group:
    there = isinstance(content, Mapping)
    content = content if there else {}
    needed = {info.alias or key for key, info in model.model_fields.items() if info.is_required()}
    fields, inner = [], []
    own = content.get("id")
    own = own.get("value") if isinstance(own, Mapping) else own
    for key, shape in shapes(model).items():
        place, way = (*loc, key), f"{path}.{key}"
        if shape.kind == "leaf":
            field = _field(content.get(key), shape.leaf, (place, way, key), name, index, key in needed)
            mine = {own, f"{own}:lugs"} if key == "connected_to" else ()
            fields.append(replace(field, options=tuple(one for one in field.options if one not in mine)))
        else:
            inner += _groups(content.get(key), key, shape, place, way, index)
    return Group(name, loc, path, _title(name, path), tuple(fields), tuple(inner), there)


def _title(name: str, path: str) -> str:
    word = NAMES.get(name, name).replace("_", " ")
    last = path.rpartition(".")[2]
    number = f"{int(last) + 1}" if last.isdecimal() else last  # a row without an id is told by its number from 1
    return word.capitalize() if last == name else f"{word.capitalize()} {number}"


def _field(content: object, leaf: Leaf, place: tuple[Loc, str, str], table: str, index: Things, required: bool) -> Field:
    loc, path, name = place
    wrapped = isinstance(content, Mapping) and any(key in content for key in WRAPPER_KEYS)
    origin = str(content.get("from", "stated")) if wrapped else "stated" if content is not None else ""
    note = str(content.get("note", "")) if wrapped else ""
    value = content.get("value") if wrapped else content
    return Field(loc, path, name, leaf, table, shown(value), origin, note, _options(leaf, table, name, index), required, wrapped)


def _options(leaf: Leaf, table: str, name: str, index: Things) -> tuple[str, ...]:
    if (table, name) in REFERS:
        return tuple(index.names(REFERS[table, name][0]))
    if table == "site" and name in ("jurisdiction", "utility"):
        return index.locals
    if isinstance(leaf, Choice):
        return leaf.choices
    if isinstance(leaf, YesNo):
        return YES_NO
    if isinstance(leaf, Number) and leaf.allowed:
        return tuple(f"{one:g} {DIMENSIONS[leaf.dimension].unit}" for one in leaf.allowed)
    return ()


# between what is typed and what the file holds


def shown(value: object) -> str:
    """A value of a file as a person types it. Parameters: value as tomllib gives it. Returns: text, empty for nothing."""
    if value is None:
        return ABSENT
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (list, tuple)):
        return ", ".join(map(shown, value)) or EMPTY_LIST
    return value.isoformat() if isinstance(value, (datetime.date, datetime.time)) else str(value)


def typed(field: Field, text: str) -> object:
    """The value that a typed text gives to a field, as the file holds it.

    Parameters: field, text. Returns: text, number, yes or no, date or list. Errors: LeafFault with what is wrong with it.
    """
    value = _value(field.leaf, text.strip())
    raw = Raw(field.path, field.loc, value)
    field.leaf.parse(raw)
    kinds, words = REFERS.get((field.table, field.name), ((), ""))
    if kinds and isinstance(field.leaf, (Reference, Texts)) and field.table != "evidence":
        unknown = [one for one in (value if isinstance(value, list) else [value]) if one not in field.options]
        if unknown:
            listed = ", ".join(field.options) or f"{words}, of which there is none yet"
            raise LeafFault(Trouble("names something unknown", f'"{unknown[0]}"', listed, f"choose {words}, or add it first"))
    return value


def _value(leaf: Leaf, text: str) -> object:
    """What the text says by the kind of its field; the text itself where it does not read so, for the field to refuse."""
    if isinstance(leaf, YesNo):
        return {"true": True, "false": False, "yes": True, "no": False}.get(text.lower(), text)
    if isinstance(leaf, Size):
        size, _, unit = text.partition(" ")
        return size if size in {"awg": AWG_SIZES, "kcmil": KCMIL_SIZES}.get(unit.strip().lower(), ()) else text
    if isinstance(leaf, Day):
        try:
            return datetime.date.fromisoformat(text)
        except ValueError:
            return text
    if isinstance(leaf, Months):
        return [int(part) if part.isdecimal() else part for part in _parts(text)]
    if isinstance(leaf, Fractions):
        return [_number(part) for part in _parts(text)]
    if isinstance(leaf, Texts):
        hyphens = {choice.replace("-", " "): choice for choice in leaf.choices}
        return [] if text == EMPTY_LIST else [hyphens.get(part.lower(), part) for part in _parts(text)]
    if isinstance(leaf, (Count, Fraction, Factor)):
        return _number(text)
    if isinstance(leaf, Numbers) and "," in text:
        return _parts(text)
    if isinstance(leaf, Clock) and re.fullmatch(r"[0-9]:[0-5][0-9]", text):
        return f"0{text}"
    return text


def _parts(text: str) -> list[str]:
    return [part for part in (one.strip() for one in text.split(",")) if part]


def _number(text: str) -> object:
    if re.fullmatch(r"[+-]?[0-9]{1,9}", text):
        return int(text)
    return float(text) if _PLAIN.fullmatch(text) and len(text) <= 20 else text
