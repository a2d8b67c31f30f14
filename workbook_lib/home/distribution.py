"""Which overcurrent device protects each part of the distribution, and which sources feed it.

Structure only: amounts are sums that the rules make over what these queries name. Things that this work
removes are left out everywhere.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from workbook_lib.errors import MissingInput
from workbook_lib.home.model_equipment import Breaker, Feeder, Panel, Source
from workbook_lib.home.tree import ADAPTER, SERVICE, SUPPLY_SIDE, Node, Tree, standing
from workbook_lib.sheet import Input


@dataclass(frozen=True, slots=True)
class Protection:
    """The overcurrent device on the utility's side of a part: its rating [A] and id, and the top of what it protects.

    `device` is None where nothing between the part and the utility is one. `top` is the id below which, itself
    counted, every source reaches the part without passing the device.
    """

    device: Input | None
    by: str
    top: str


def kept_below(tree: Tree, name: str) -> tuple[str, ...]:
    """Ids below a thing at any depth that this work does not remove."""
    return tuple(found for found in tree.below(name) if standing(tree.node(found)))


def sources_below(tree: Tree, name: str) -> tuple[Source, ...]:
    """Sources at or below a thing, in the order of the tree."""
    tree.node(name)
    return tuple(tree.nodes[found].item for found in tree.kept[name][0])


def amperes(given: object) -> Input | None:
    """A rating [A] that is a number; None for the text none."""
    return given if isinstance(given, Input) and isinstance(given.value, (int, float)) else None


def device_of(node: Node) -> Input | None:
    """Rating [A] of the overcurrent device that a breaker, disconnect or adapter is; None where it is none.

    Errors: MissingInput where the file does not say.
    """
    if node.kind == "breaker":
        return _asked(node.item.rating, f"panel.{node.parent}.breakers.{node.id}.rating")
    if node.kind == "disconnect":
        return _asked(node.item.fuse, f"disconnect.{node.id}.fuse")
    if node.kind == "adapter":
        return _asked(node.item.overcurrent, "adapter.overcurrent")
    return None


def _asked(given: Input | None, field: str) -> Input | None:
    if given is None:
        raise MissingInput([field], "whether an overcurrent device stands here, and which, decides what protects the rest")
    return amperes(given)


def main_device(panel: Panel) -> Input | None:
    """Rating [A] of a panel's main; None for main-lug-only. Errors: MissingInput where the file does not say."""
    return _asked(panel.main, f"panel.{panel.id}.main")


def protection(tree: Tree, name: str, *, own: bool = True) -> Protection:
    """What protects the bus of a panel, or the conductors that lead to another thing, from the utility's side.

    Parameters: id; own False to leave out the device that the thing itself is or has. Errors: MissingInput.
    """
    node = tree.node(name)
    if own and node.kind == "panel":
        main = main_device(node.item)
        if main is not None:
            return Protection(main, name, name)
    came, place = name, tree.parent(name)
    while place is not None:
        found = _passed(place, tree, came)
        if found is not None:
            return found
        came, place = place.id, tree.parent(place.id)
    return Protection(None, "", came)


def carrier(tree: Tree, name: str) -> Source | None:
    """The inverter that stands between a part and the overcurrent device ahead of it, and feeds it beside the utility; None for none.

    Errors: MissingInput where the file does not say what is a device.
    """
    came, place = name, tree.parent(name)
    while place is not None:
        if place.kind == "source":
            return place.item
        if _passed(place, tree, came) is not None:
            return None
        came, place = place.id, tree.parent(place.id)
    return None


def _passed(place: Node, tree: Tree, came: str) -> Protection | None:
    """The device that a place on the way to the utility is, None where it is none."""
    if place.kind == "panel":
        main = main_device(place.item)
        return Protection(main, place.id, place.id) if main is not None else None
    if place.kind == "feeder":
        beyond = amperes(place.item.load_side_device)
        if beyond is not None and came == feeder_end(tree, place.item):
            return Protection(beyond, place.id, came)
        return None
    device = device_of(place)
    return Protection(device, place.id, place.id) if device is not None else None


def feeder_end(tree: Tree, feeder: Feeder) -> str | None:
    """What stands at the far end of a feeder: its only child, else the panel or device that has no conductors of its own.

    Returns: id, None where several could be meant.
    """
    children = _branches(tree, feeder)
    if len(children) == 1:
        return children[0]
    plain = [name for name in children if getattr(tree.node(name).item, "conductor", None) is None]
    panels = [name for name in plain if tree.node(name).kind == "panel"]
    wanted = panels if len(panels) == 1 else plain
    return wanted[0] if len(wanted) == 1 else None


def taps(tree: Tree, feeder: Feeder) -> tuple[str, ...]:
    """Ids that hang on a feeder along its way: all but what stands at its end."""
    end = feeder_end(tree, feeder)
    return tuple(name for name in _branches(tree, feeder) if name != end)


def _branches(tree: Tree, feeder: Feeder) -> list[str]:
    """What hangs on a feeder; a shutdown of storage with nothing below it only starts a function and is no branch."""

    def starter(node: Node) -> bool:
        return node.kind == "disconnect" and node.item.role == "storage-shutdown" and not tree.children(node.id)

    nodes = [tree.node(name) for name in tree.children(feeder.id)]
    return [node.id for node in nodes if standing(node) and not starter(node)]


def entries(tree: Tree, panel: Panel) -> tuple[Node, ...]:
    """Breakers and lugs of a panel through which source current comes into its bus."""
    found = [tree.node(name) for name in tree.children(panel.id)]
    return tuple(node for node in found if standing(node) and node.kind in ("breaker", "lugs", "source") and sources_below(tree, node.id))


def direct_sources(tree: Tree, panel: Panel) -> tuple[Source, ...]:
    """Sources that feed a panel's bus through its own breakers or lugs."""
    return tuple(one for node in entries(tree, panel) for one in sources_below(tree, node.id))


def supply_side_things(tree: Tree, *, adapter_ahead: bool) -> tuple[str, ...]:
    """Ids connected ahead of the service disconnect: on the supply side, and on an adapter that stands ahead of it."""
    found = [name for name in tree.children(SUPPLY_SIDE) if standing(tree.node(name))]
    if adapter_ahead and ADAPTER in tree:
        found += [name for name in tree.children(ADAPTER) if standing(tree.node(name))]
    return tuple(found)


def service_devices(tree: Tree) -> tuple[tuple[str, Input | None], ...]:
    """Ids and ratings [A] of what disconnects the home from the service: each first device on every way down.

    A rating is None where the file does not say.
    """
    found: list[tuple[str, Input | None]] = []

    def walk(name: str) -> None:
        for child in tree.children(name):
            node = tree.node(child)
            if not standing(node) or node.id == SUPPLY_SIDE:
                continue
            if node.kind == "panel":
                if isinstance(node.item.main, Input) and not isinstance(node.item.main.value, str):
                    found.append((node.id, node.item.main))
                elif node.item.main is None:
                    found.append((node.id, None))
                else:
                    found.extend((breaker.id, breaker.rating) for breaker in node.item.breakers if breaker.status != "removed")
            elif node.kind == "disconnect" and node.item.role in ("service", "emergency"):
                found.append((node.id, amperes(node.item.fuse) or node.item.rating))
            else:
                walk(child)

    walk(SERVICE)
    return tuple(found)


def service_overcurrent(tree: Tree) -> tuple[tuple[str, Input], ...]:
    """Ids and ratings [A] of the overcurrent devices that protect the service conductors: each first one on every way down.

    A device whose rating the file does not say is left out: other checks ask for it.
    """
    found: list[tuple[str, Input]] = []

    def walk(name: str) -> None:
        for child in tree.children(name):
            node = tree.node(child)
            if not standing(node) or node.id == SUPPLY_SIDE:
                continue
            rating = _rating_of(node)
            if rating is not None:
                found.append((node.id, rating))
            elif node.kind != "breaker":
                walk(child)

    walk(SERVICE)
    return tuple(found)


def _rating_of(node: Node) -> Input | None:
    try:
        return main_device(node.item) if node.kind == "panel" else device_of(node)
    except MissingInput:
        return None


def without_breaker(tree: Tree, panel: Panel) -> tuple[str, ...]:
    """Ids of what hangs on a panel's bus without a breaker or lugs of its own, but for a switch that starts a shutdown alone."""
    hung = (tree.node(name) for name in tree.children(panel.id))
    return tuple(node.id for node in hung if standing(node) and node.kind not in ("breaker", "lugs") and not _signals(node))


def _signals(node: Node) -> bool:
    """Whether a thing is a switch that starts the shutdown of storage without being in its circuit: it has no rating."""
    return node.kind == "disconnect" and node.item.role == "storage-shutdown" and node.item.rating is None


def breakers_standing(panel: Panel) -> tuple[Breaker, ...]:
    """Breakers of a panel that this work does not remove."""
    return tuple(breaker for breaker in panel.breakers if breaker.status != "removed")


def lugs_children(tree: Tree, panel: Panel) -> tuple[Node, ...]:
    """What hangs on a panel's feed-through lugs."""
    return tuple(tree.node(name) for name in tree.children(f"{panel.id}:lugs") if standing(tree.node(name)))


def first_panels(tree: Tree, names: Iterable[str]) -> tuple[Panel, ...]:
    """The first panel on each way down from some things."""
    found: list[Panel] = []
    for name in names:
        node = tree.node(name)
        if node.kind == "panel":
            found.append(node.item)
        else:
            found += first_panels(tree, [child for child in tree.children(name) if standing(tree.node(child))])
    return tuple(found)
