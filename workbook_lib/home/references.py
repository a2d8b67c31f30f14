"""References between the things of a site file: ids, what they name, and what hangs below what.

Works on the prepared tables, so that a fault in one part hides no fault in another.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from workbook_lib.home.defaults import conductors, rows, table, text
from workbook_lib.home.model import Site
from workbook_lib.home.model_equipment import Panel
from workbook_lib.home.raw import Raw, Table, nearest, show, suggest
from workbook_lib.home.shapes import FaultBook, shapes

TABLES = ("load", "evse", "raceway", "disconnect", "panel", "feeder", "source", "storage", "control", "transfer")
"""Tables whose rows have ids."""

RESERVED = ("service", "adapter", "supply-side", "transformer", "service-point", "meter")
"""Names of places that no thing may take as its id."""

UPSTREAM = ("breaker", "lugs", "feeder", "disconnect", "transfer", "source", "adapter", "supply-side", "service")
"""What a thing may be connected to; panels besides, for all but sources."""

CONNECTED: dict[str, tuple[str, ...]] = {
    "load": (*UPSTREAM, "panel"),
    "evse": (*UPSTREAM, "panel"),
    "panel": (*UPSTREAM, "panel"),
    "feeder": (*UPSTREAM, "panel"),
    "disconnect": (*UPSTREAM, "panel"),
    "transfer": (*UPSTREAM, "panel"),
    "source": ("breaker", "lugs", "feeder", "disconnect", "transfer", "adapter", "supply-side", "source"),
}
"""Tables with `connected_to`, and what it may name."""

ANYTHING = ("load", "evse", "raceway", "disconnect", "panel", "breaker", "feeder", "source", "storage", "control", "transfer")
PLACES = ("service", "adapter", "supply-side")

LIMITED = (*PLACES, "panel", "breaker", "lugs", "feeder", "disconnect", "source", "evse", "load", "transfer")
"""What a limit of a control may stand at."""

REFERS: dict[tuple[str, str], tuple[tuple[str, ...], str]] = {
    **{(name, "connected_to"): (kinds, "something on the utility's side") for name, kinds in CONNECTED.items()},
    ("vehicle", "evse"): (("evse",), "a charger"),
    ("storage", "inverter"): (("source",), "an inverter"),
    ("load", "shed_by"): (("control",), "a control"),
    ("evse", "shed_by"): (("control",), "a control"),
    ("disconnect", "in_sight_of"): (ANYTHING, "a thing of this home"),
    ("limit", "at"): (LIMITED, "a place"),
    ("conductor", "raceway"): (("raceway",), "a raceway"),
    ("backup", "islanding"): (("source", "transfer", "adapter"), "an islanding device"),
    ("option", "panel"): (("panel",), "a panel"),
    ("evidence", "for"): (ANYTHING, "a thing of this home"),
    ("control", "controls"): (("load", "evse", "source", "storage"), "what it controls"),
    ("records", "seasonal_missing"): (("load", "evse"), "a load"),
    ("backup", "start_together"): (("load",), "a load"),
}
"""Fields that name a thing, by table and field: the kinds that they may name, and words for these."""


@dataclass(frozen=True, slots=True)
class Thing:
    """One thing of the file: id, kind (its table, `breaker`, `lugs`), its table, the id of what it hangs on."""

    id: str
    kind: str
    table: Table
    parent: str


def _rows_meant(tree: Table, known: Iterable[str]) -> Mapping[str, list[Table]]:
    """Rows of each table, a single table and a misspelt name let pass, so that one slip is one fault."""
    found: dict[str, list[Table]] = defaultdict(list)
    for key in tree:
        single = table(tree, key)
        found[key if key in known else nearest(key, known)] += rows(tree, key) if single is None else [single]
    return found


class Index:
    """Every thing of a prepared site file by id; the first where an id stands twice."""

    def __init__(self, tree: Table):
        fields = tuple(shapes(Panel))
        self.tree = tree
        self.things: dict[str, Thing] = {}
        self.twice: list[tuple[Table, Table]] = []
        self.misnamed: list[Table] = []
        meant = _rows_meant(tree, tuple(shapes(Site)))
        for name in TABLES:
            for row in meant[name]:
                self._add(row, name, text(row, "connected_to"))
                for breaker in _rows_meant(row, fields)["breakers"] if name == "panel" else ():
                    self._add(breaker, "breaker", text(row, "id"))
        self.has_adapter = table(tree, "adapter") is not None

    def _add(self, row: Table, kind: str, parent: str) -> None:
        name = text(row, "id")
        if not name:
            return
        if name in RESERVED:
            self.misnamed.append(row)
        elif name in self.things:
            self.twice.append((self.things[name].table, row))
        else:
            self.things[name] = Thing(name, kind, row, parent)

    def kind(self, name: str) -> str | None:
        """Kind of what a name names: a table, `breaker`, `lugs` or a place; None where nothing has it."""
        if name in PLACES:
            return name if name != "adapter" or self.has_adapter else None
        if name.endswith(":lugs"):
            panel = self.things.get(name[:-5])
            return "lugs" if panel is not None and panel.kind == "panel" else None
        thing = self.things.get(name)
        return thing.kind if thing else None

    def names(self, kinds: Iterable[str]) -> list[str]:
        """Every name of these kinds."""
        wanted = set(kinds)
        found = [thing.id for thing in self.things.values() if thing.kind in wanted]
        if "lugs" in wanted:
            found += [f"{thing.id}:lugs" for thing in self.things.values() if thing.kind == "panel"]
        return found + [place for place in PLACES if place in wanted and self.kind(place)]

    def parent(self, name: str) -> str:
        """Id of what a thing hangs on, empty where it is not known or there is nothing more."""
        if name.endswith(":lugs"):
            return name[:-5]
        thing = self.things.get(name)
        return thing.parent if thing else ""


def check(index: Index, book: FaultBook) -> None:
    """Note every fault of ids and references in the book."""
    _ids(index, book)
    for leaf, kinds, what in _references(index):
        _refer(index, book, leaf, kinds, what)
    _lists(index, book)
    _evidence(index, book)
    _cycles(index, book)


def _ids(index: Index, book: FaultBook) -> None:
    for first, second in index.twice:
        name = text(second, "id")
        lines = [str(book.line(place.loc)) for place in (first, second)]
        where = f"{first.path} in line {lines[0]} and {second.path} in line {lines[1]}"
        book.at(
            second["id"], f'the id "{name}" is used twice: {where}', f'"{name}"', "each id once in the file", "give one of them another id"
        )
    for row in index.misnamed:
        limit = f"an id other than {', '.join(RESERVED)}"
        book.at(row["id"], "the id is the name of a place", f'"{text(row, "id")}"', limit, "choose another id")


def _references(index: Index) -> Iterator[tuple[object, tuple[str, ...], str]]:
    """Leaves that name one thing, the kinds they may name, and words for these."""
    tree = index.tree
    for (name, key), words in REFERS.items():
        if name not in ("limit", "conductor", "backup", "option", "evidence", "records", "control"):
            for row in rows(tree, name):
                yield row.get(key), *words
    for row in rows(tree, "control"):
        for limit in rows(row, "limit"):
            yield limit.get("at"), *REFERS["limit", "at"]
    for wire, _ in conductors(tree):
        yield wire.get("raceway"), *REFERS["conductor", "raceway"]
    backup = table(tree, "backup")
    if backup is not None:
        yield backup.get("islanding"), *REFERS["backup", "islanding"]
    options = table(tree, "option")
    for option in options.values() if options is not None else ():
        if isinstance(option, Table):
            yield option.get("panel"), *REFERS["option", "panel"]


def _refer(index: Index, book: FaultBook, leaf: object, kinds: tuple[str, ...], what: str) -> None:
    if not isinstance(leaf, Raw) or not isinstance(leaf.value, str) or not leaf.value.strip():
        return
    name, limit = leaf.value, f"{what}: {', '.join(kinds)}"
    kind = index.kind(name)
    if kind in kinds:
        return
    known = index.names(kinds)
    if name == "adapter" and "adapter" in kinds:
        book.at(leaf, "names the adapter, but there is no [adapter]", '"adapter"', limit, "add [adapter], or name something else")
    elif kind is None:
        listed = ", ".join(known[:12]) + (", ..." if len(known) > 12 else "") if known else f"{what}, of which there is none"
        book.at(leaf, "names something unknown", show(name), listed, suggest(name, known, f"name {what}, or add it to the file"))
    elif kind == "panel":
        todo = f'name the breaker, or "{name}:lugs"'
        book.at(leaf, "names a panel, not the device on it", show(name), limit, todo)
    elif name == "service":
        todo = 'name the breaker that it feeds, or "supply-side" where it is connected ahead of the service disconnect'
        book.at(leaf, "names the service, not the device on it", show(name), limit, todo)
    else:
        book.at(leaf, f"names {'an' if kind[0] in 'aeiou' else 'a'} {kind}", show(name), limit, f"name {what}")


def _lists(index: Index, book: FaultBook) -> None:
    lists = [(row.get("controls"), *REFERS["control", "controls"]) for row in rows(index.tree, "control")]
    for name, key in (("records", "seasonal_missing"), ("backup", "start_together")):
        found = table(index.tree, name)
        if found is not None:
            lists.append((found.get(key), *REFERS[name, key]))
    for leaf, kinds, what in lists:
        if not isinstance(leaf, Raw) or not isinstance(leaf.value, list):
            continue
        for name in leaf.value:
            if isinstance(name, str) and index.kind(name) not in kinds:
                known = index.names(kinds)
                todo = suggest(name, known, f"name {what}, or add it to the file")
                kind = index.kind(name)
                said = "names something unknown" if kind is None else f"names a {kind}"
                book.at(leaf, said, show(name), f"{what}: {', '.join(kinds)}", todo)


def _evidence(index: Index, book: FaultBook) -> None:
    for row in rows(index.tree, "evidence"):
        leaf = row.get("for")
        if not isinstance(leaf, Raw) or not isinstance(leaf.value, str) or text(row, "shows") == "authority-decision":
            continue
        name = leaf.value
        if index.kind(name) is None and name not in RESERVED:
            known = [*index.names(ANYTHING), *RESERVED]
            todo = suggest(name, known, "name a thing of this home; only an authority-decision may name a check")
            book.at(leaf, "names something unknown", show(name), "the id of a thing in this file", todo)


def _cycles(index: Index, book: FaultBook) -> None:
    done: set[str] = set()
    for start in index.things:
        chain: list[str] = []
        name = start
        while name and name not in done and name not in chain:
            chain.append(name)
            name = index.parent(name)
        if name in chain:
            ring = chain[chain.index(name) :]
            named = next(
                (index.things[member] for member in ring if "connected_to" in getattr(index.things.get(member), "table", ())), None
            )
            if named is not None:
                first = ring.index(named.id)
                ring = [*ring[first:], *ring[:first]]
                shown = " -> ".join([*ring, named.id])
                limit = "a way from everything to service, adapter or supply-side"
                book.at(
                    named.table["connected_to"], f"{named.id} hangs below itself", shown, limit, "correct one connected_to of this chain"
                )
        done.update(chain)
