"""What belongs to what in a Green Button feed: entries, their links, and the channels that these make.

Links are resolved within their own feed. Blocks that no link resolves go to the only reading type of their
feed; where there are several, or where that type is another meter reading's, it is not guessed. Source: NAESB
ESPI usage schema; RFC 4287 for links.
"""

from __future__ import annotations

import array
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from workbook_lib.errors import Fault, InputFault

NAMED = 10
"""Faults of one kind that are named; the rest is counted."""
ONCE = ("UsagePoint", "MeterReading", "ReadingType", "LocalTimeParameters")
"""Resources that a feed may say again under the same link, if it says the same."""
WHOLE = re.compile(r"\s*[+-]?[0-9]{1,18}\s*", re.ASCII)


@dataclass(eq=False)
class Block:
    """Readings of one interval block as they stand: value [-], start [s UTC], length [s; -1 not said], quality [-1 not said]."""

    value: array.array = field(default_factory=lambda: array.array("q"))
    start: array.array = field(default_factory=lambda: array.array("q"))
    length: array.array = field(default_factory=lambda: array.array("q"))
    quality: array.array = field(default_factory=lambda: array.array("h"))


@dataclass(eq=False)
class Entry:
    """One entry of a feed: its links, the resource in it with its fields, its interval blocks.

    `ties` are the links in one form, whether the feed writes them relative or absolute.
    """

    line: int
    kind: str = ""
    values: dict = field(default_factory=dict)
    links: list[tuple[str, str]] = field(default_factory=list)
    blocks: list[Block] = field(default_factory=list)
    ties: dict[str, set[str]] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """The self link as the feed writes it; empty where there is none."""
        return next((href.rstrip("/") for kind, href in self.links if kind == "self"), "")

    def href(self, rel: str) -> str:
        """The link of a relation; empty where there is none."""
        return min(self.ties.get(rel, ()), default="")

    @property
    def related(self) -> set[str]:
        """Every related link."""
        return self.ties.get("related", set())


@dataclass(eq=False)
class Feed:
    """One feed of a file with its entries."""

    number: int
    entries: list[Entry] = field(default_factory=list)

    def of(self, *names: str) -> list[Entry]:
        """Entries that hold one of these resources."""
        return [entry for entry in self.entries if entry.kind in names]


@dataclass(eq=False)
class Channel:
    """Readings of one meter reading: how it is called, its reading type, usage point and blocks."""

    label: str
    feed: Feed
    reading_type: Entry
    point: Entry | None
    meter: Entry | None
    blocks: list[Block]

    def code(self, name: str, default: int | None = None) -> int | None:
        """A code of the reading type. Errors: ValueError where it is no whole number."""
        text = self.reading_type.values.get(name, "")
        return default if text in ("", {}) else whole(text)

    @property
    def count(self) -> int:
        """How many readings there are."""
        return sum(len(block.start) for block in self.blocks)

    def beside(self, other: Channel) -> bool:
        """Whether the other channel is of the same usage point."""
        if self.feed is not other.feed or self.point is not other.point:
            return False
        return self.point is not None or not self.feed.of("UsagePoint")


def whole(text: object) -> int:
    """The whole number that a text is. Errors: ValueError for all else."""
    if not isinstance(text, str) or not WHOLE.fullmatch(text):
        raise ValueError(f"{str(text)[:40]!r} is no whole number")
    return int(text)


def _path(href: str) -> str:
    return href.strip().partition("://")[2].rstrip("/") if "://" in href else href.strip().strip("/")


def _upwards(path: str) -> Iterator[str]:
    """A path and every folder above it."""
    while path:
        yield path
        path = path.rpartition("/")[0]


def _base(feed: Feed) -> str:
    """What absolute links of a feed have before its relative ones; empty where that is not one thing."""
    paths = {(_path(href), "://" in href) for entry in feed.entries for _, href in entry.links}
    relative = {path for path, absolute in paths if not absolute and "/" in path}
    if not relative:
        return ""
    bases = set()
    for path, absolute in paths:
        parts = path.split("/")
        if absolute:
            fit = (place for place in range(1, len(parts) - 1) if "/".join(parts[place:]) in relative)
            place = next(fit, None)
            if place is not None:
                bases.add("/".join(parts[:place]) + "/")
    return bases.pop() if len(bases) == 1 else ""


def _tidy(feed: Feed, shown: str, where: str) -> list[Fault]:
    """Put links into one form, and what is said twice together. Returns: faults of what is said in two ways."""
    base, known, kept, faults = _base(feed), {}, [], []
    for entry in feed.entries:
        for rel, href in entry.links:
            path = _path(href)
            if path:
                entry.ties.setdefault(rel, set()).add(path.removeprefix(base))
    for entry in feed.entries:
        key = (entry.kind, entry.href("self"))
        first = known.setdefault(key, entry) if entry.kind in ONCE and key[1] else entry
        if first is entry:
            kept.append(entry)
        elif first.values != entry.values:
            what = f"two entries {entry.kind} of one self link that differ"
            faults.append(
                Fault(shown, where, what, entry.name, "one, or the same", "ask the utility for the feed anew", entry.line or None)
            )
        else:
            for rel, paths in entry.ties.items():
                first.ties.setdefault(rel, set()).update(paths)
    feed.entries = kept
    return faults


def channels(feeds: Sequence[Feed], shown: str, where: str) -> list[Channel]:
    """Every channel of a file that has readings, in the order of the file.

    Errors: InputFault for blocks that belong to no reading type or to several, and for resources that contradict each other.
    """
    found: list[Channel] = []
    faults: list[Fault] = []
    for feed in feeds:
        faults += _tidy(feed, shown, where)
        found += _of_feed(feed, len(feeds) > 1, shown, where, faults)
    if len(faults) > NAMED:
        faults[NAMED:] = [Fault(shown, where, f"{len(faults) - NAMED:,} more faults of this kind")]
    if faults:
        raise InputFault(faults)
    found = [channel for channel in found if channel.count]
    labels = Counter(channel.label for channel in found)
    for channel in found:
        if labels[channel.label] > 1:
            types = channel.feed.of("ReadingType")
            channel.label += f", reading type {channel.reading_type.name or types.index(channel.reading_type) + 1}"
    return found


def _of_feed(feed: Feed, several: bool, shown: str, where: str, faults: list[Fault]) -> list[Channel]:
    """Channels of one feed; what belongs to none is added to the faults."""
    types, owners = feed.of("ReadingType"), _Owners(feed)
    resolved = [(entry, *owners.of(entry)) for entry in feed.of("IntervalBlock")]
    claimed: dict[int, set[int]] = {}
    for _, owner, linked in resolved:
        for typed in linked:
            claimed.setdefault(id(typed), set()).add(id(owner))
    groups: dict[tuple[int, int], Channel] = {}
    for entry, owner, linked in resolved:
        if not linked and len(types) == 1 and (owner is None or claimed.get(id(types[0]), {id(owner)}) == {id(owner)}):
            linked = types
        if len(linked) != 1:
            faults.append(_unresolved(entry, owner, linked, types, shown, where))
            continue
        key = (id(owner), id(linked[0]))
        if key not in groups:
            groups[key] = Channel(_label(feed, several, owner, linked[0]), feed, linked[0], owners.point(owner or entry), owner, [])
        groups[key].blocks += entry.blocks
    return list(groups.values())


class _Under:
    """Entries of one kind by their links: which of them another entry belongs to."""

    def __init__(self, entries: list[Entry]):
        self.entries = entries
        self.by_self: dict[str, list[Entry]] = {}
        self.by_related: dict[str, list[Entry]] = {}
        for one in entries:
            if one.href("self"):
                self.by_self.setdefault(one.href("self"), []).append(one)
            for path in one.related:
                self.by_related.setdefault(path, []).append(one)

    def of(self, entry: Entry) -> list[Entry]:
        """Those that stand above an entry in its links, or are related to where it stands."""
        up, own = entry.href("up"), entry.href("self")
        near = [one for path in (*_upwards(up), *_upwards(own)) for one in self.by_self.get(path, ())]
        near += [one for path in (up, own) if path for one in self.by_related.get(path, ())]
        return list({id(one): one for one in near}.values())


class _Owners:
    """Which meter reading, reading types and usage point an entry with blocks belongs to."""

    def __init__(self, feed: Feed):
        self.meters, self.points = _Under(feed.of("MeterReading")), _Under(feed.of("UsagePoint"))
        self.types = {one.href("self"): one for one in feed.of("ReadingType") if one.href("self")}

    def of(self, entry: Entry) -> tuple[Entry | None, list[Entry]]:
        """Meter reading (None where no link or several name one) and the reading types that are linked."""
        fit, meters = self.meters.of(entry), self.meters.entries
        owner = fit[0] if len(fit) == 1 else None
        if not fit and len(meters) == 1 and not (entry.href("up") or entry.href("self")):
            owner = meters[0]
        for paths in (entry.related, owner.related if owner is not None else set()):
            linked = [self.types[path] for path in sorted(paths) if path in self.types]
            if linked:
                return owner, linked
        return owner, []

    def point(self, near: Entry) -> Entry | None:
        """Usage point of a meter reading or of an entry with blocks; the only one where no link names one."""
        linked, points = self.points.of(near), self.points.entries
        return linked[0] if len(linked) == 1 else points[0] if len(points) == 1 and not linked else None


def _unresolved(entry: Entry, owner: Entry | None, linked: list[Entry], types: list[Entry], shown: str, where: str) -> Fault:
    todo = "ask the utility for the feed with its links"
    if linked:
        said = ", ".join(f"{one.name} (unit of measure {one.values.get('uom', 'not said')})" for one in linked)
        what = f"one meter reading with {len(linked)} reading types: its readings could be in either unit"
        return Fault(shown, where, what, said, "one reading type for each meter reading", todo, entry.line or None)
    there = len(types)
    what = "readings whose reading type is not said" if there else "readings without any reading type in the feed"
    said = f"{there} reading types in the feed" if there != 1 else "a link to a reading type that is not there"
    return Fault(shown, where, what, said, "one that is linked", todo, entry.line or None)


def _label(feed: Feed, several: bool, owner: Entry | None, typed: Entry) -> str:
    name = owner.name if owner is not None else ""
    if not name:
        name = f"reading type {typed.name or feed.of('ReadingType').index(typed) + 1}"
    return f"feed {feed.number}: {name}" if several else name


def of_point(entry: Entry, point: Entry) -> bool:
    """Whether links put an entry under a usage point."""
    up, own, self_ = entry.href("up"), entry.href("self"), point.href("self")
    return (self_ != "" and self_ in (*_upwards(up), *_upwards(own))) or bool({up, own} & point.related)
