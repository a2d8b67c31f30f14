"""The distribution of a home as a tree: what hangs on what, from the service down to each load."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from functools import cached_property

from workbook_lib.errors import CalculationFault
from workbook_lib.home.model import Site
from workbook_lib.home.model_equipment import Breaker, Panel

SERVICE, ADAPTER, SUPPLY_SIDE = "service", "adapter", "supply-side"


@dataclass(frozen=True, slots=True)
class Node:
    """One place of the tree.

    `kind` is service, adapter, supply-side, panel, breaker, lugs, feeder, disconnect, transfer, source,
    load or evse; `item` the record of the site file behind it (for lugs their panel, for supply-side
    the service); `parent` the id of the next thing on the utility's side, None for the service.
    """

    id: str
    kind: str
    item: object
    parent: str | None


def standing(node: Node) -> bool:
    """Whether a thing stays or is added: places always do, lugs with their panel."""
    return getattr(node.item, "status", "existing") != "removed"


@dataclass(frozen=True)
class Tree:
    """The tree of a home. Every query takes ids and raises `CalculationFault` for one that is not in it.

    Things of every status are in it; who asks looks at `node.item.status`.
    """

    nodes: Mapping[str, Node]
    raceways: Mapping[str, object] = field(default_factory=dict)

    @cached_property
    def by_raceway(self) -> Mapping[str, Mapping[str, object]]:
        """Conductors that stand in each raceway, by what they lead to; the service's under its own name."""
        found: dict[str, dict[str, object]] = {name: {} for name in self.raceways}
        for node in self.nodes.values():
            wire = getattr(node.item, "conductor", None) if node.kind not in ("breaker", "lugs", "supply-side") else None
            if wire is not None and wire.raceway in found and self.stands(node.id):
                found[wire.raceway][node.id] = wire
        return found

    def stands(self, name: str) -> bool:
        """Whether a thing stays or is added; places always do, lugs with their panel."""
        return standing(self.node(name))

    @cached_property
    def kept(self) -> Mapping[str, tuple[tuple[str, ...], frozenset[str]]]:
        """Ids of the sources at or below each thing that stands, and every kind of thing there; what is removed left out."""
        found: dict[str, tuple[tuple[str, ...], frozenset[str]]] = {}
        for name in reversed((SERVICE, *self.below(SERVICE))):
            parts = [found[child] for child in self._children[name] if self.stands(child)]
            own = (name,) if self.nodes[name].kind == "source" else ()
            ids = (*own, *(one for part in parts for one in part[0]))
            found[name] = ids, frozenset({self.nodes[name].kind}.union(*(part[1] for part in parts)))
        return found

    @cached_property
    def _children(self) -> Mapping[str, tuple[str, ...]]:
        found: dict[str, list[str]] = {name: [] for name in self.nodes}
        for node in self.nodes.values():
            if node.parent is not None:
                found[node.parent].append(node.id)
        return {name: tuple(children) for name, children in found.items()}

    def __contains__(self, name: object) -> bool:
        return name in self.nodes

    def node(self, name: str) -> Node:
        """The node of an id."""
        try:
            return self.nodes[name]
        except KeyError:
            raise CalculationFault(
                "nothing in the distribution has this id", value=name, where="tree", limit=", ".join(self.nodes)
            ) from None

    def parent(self, name: str) -> Node | None:
        """What a thing hangs on; None for the service."""
        above = self.node(name).parent
        return None if above is None else self.nodes[above]

    def children(self, name: str) -> tuple[str, ...]:
        """Ids of what hangs directly on a thing, in the order of the file."""
        self.node(name)
        return self._children[name]

    def below(self, name: str) -> tuple[str, ...]:
        """Ids of all that hangs below a thing, at any depth, itself left out."""
        found: list[str] = []
        waiting = list(reversed(self.children(name)))
        while waiting:
            found.append(waiting.pop())
            waiting += reversed(self._children[found[-1]])
        return tuple(found)

    def path_to_service(self, name: str) -> tuple[str, ...]:
        """Ids from a thing to the service, both counted."""
        return tuple(node.id for node in self._upwards(name))

    def _upwards(self, name: str) -> Iterator[Node]:
        node: Node | None = self.node(name)
        while node is not None:
            yield node
            node = None if node.parent is None else self.nodes[node.parent]

    def panel_of(self, name: str) -> Panel | None:
        """The panel that a thing hangs in or below, itself left out; None where there is none."""
        return next((node.item for node in self._upwards(name) if node.kind == "panel" and node.id != name), None)

    def breaker_of(self, name: str) -> Breaker | None:
        """The breaker that a thing hangs on, at most one panel away, itself left out; None where there is none."""
        for node in self._upwards(name):
            if node.id == name:
                continue
            if node.kind == "breaker":
                return node.item
            if node.kind == "panel":
                return None
        return None

    def root_panels(self) -> tuple[Panel, ...]:
        """Panels with no panel above them, in the order of the file."""
        return tuple(node.item for node in self.nodes.values() if node.kind == "panel" and self.panel_of(node.id) is None)


def build(site: Site) -> Tree:
    """The tree of a validated site, whose references are known to be sound."""
    nodes = {SERVICE: Node(SERVICE, "service", site.service, None)}
    if site.adapter is not None:
        nodes[ADAPTER] = Node(ADAPTER, "adapter", site.adapter, SERVICE)
    nodes[SUPPLY_SIDE] = Node(SUPPLY_SIDE, "supply-side", site.service, SERVICE)
    for panel in site.panel:
        nodes[panel.id] = Node(panel.id, "panel", panel, panel.connected_to)
        for breaker in panel.breakers:
            nodes[breaker.id] = Node(breaker.id, "breaker", breaker, panel.id)
        lugs = f"{panel.id}:lugs"
        nodes[lugs] = Node(lugs, "lugs", panel, panel.id)
    for kind in ("feeder", "disconnect", "transfer", "source", "load", "evse"):
        for item in getattr(site, kind):
            nodes[item.id] = Node(item.id, kind, item, item.connected_to)
    return Tree(nodes, {raceway.id: raceway for raceway in site.raceway})
