"""Green Button feeds: NAESB ESPI in Atom, read as a stream.

The file is walked once. Readings go into plain arrays as they pass and their elements are freed, so memory
grows with the number of readings and not with the text. What belongs to what is settled at the end
(`espi_links`), since entries may stand in any order. Document types are refused before anything in them is
expanded. Source: NAESB ESPI usage schema; RFC 4287 for Atom.
"""

from __future__ import annotations

import array
import contextlib
import os
from collections.abc import Iterator
from pathlib import Path

from workbook_lib.errors import Fault, InputFault
from workbook_lib.records.clock import Clock
from workbook_lib.records.espi_links import Block, Entry, Feed, channel_record
from workbook_lib.records.record import Declared, Progress, Record

ESPI, ATOM = "http://naesb.org/espi", "http://www.w3.org/2005/Atom"
READING, BLOCK, ENTRY, FEED, LINK = (
    f"{{{ESPI}}}IntervalReading",
    f"{{{ESPI}}}IntervalBlock",
    f"{{{ATOM}}}entry",
    f"{{{ATOM}}}feed",
    f"{{{ATOM}}}link",
)
CONTENT = f"{{{ATOM}}}content"
VALUE, PERIOD, START, DURATION = (f"{{{ESPI}}}{name}" for name in ("value", "timePeriod", "start", "duration"))
QUALITY, CODE = f"{{{ESPI}}}ReadingQuality", f"{{{ESPI}}}quality"
RESOURCES = ("UsagePoint", "MeterReading", "ReadingType", "LocalTimeParameters", "UsageSummary", "ElectricPowerUsageSummary")
BATCH = 2000
"""Readings that are kept as elements at most before they are put into arrays."""
TELLS = 200
"""How often progress is told at most."""
NAMED = 10
"""Faults of one kind that are named; the rest is counted."""
HEAD = 65536


def read_espi(path: Path, shown: str, declared: Declared, site_clock: Clock | None, progress: Progress | None = None) -> Record:
    """The chosen channel of a Green Button feed.

    Parameters: path; its name as faults show it; what the site file says of it; the home's clock, used where the
    feed has no local time parameters; progress [-]. Returns: Record in the order of the file. Errors:
    InputFault with every fault; MissingInput where more than one channel could be meant.
    """
    where = f"{declared.field}.file"
    unfit = [
        Fault(shown, f"{declared.field}.{name}", "only for a table file, and this is a feed", "given", "not given", "leave it out")
        for name in declared.table_only()
    ]
    if unfit:
        raise InputFault(unfit)
    walk = _Walk(path, shown, where, progress)
    walk.run()
    return channel_record(walk.feeds, shown, declared, site_clock)


class _Walk:
    """One pass through a feed: its entries with links, and the readings of each block."""

    def __init__(self, path: Path, shown: str, where: str, progress: Progress | None):
        from lxml import etree

        self.etree, self.path, self.shown, self.where, self.progress = etree, path, shown, where, progress
        self.feeds: list[Feed] = []
        self.pending: list[Entry] = []
        self.entry = Entry(0)
        self.block = Block()
        self.faults: list[Fault] = []
        self.spared = 0
        self.held = 0
        self.count, self.last = 0, 0
        self.foreign = ""
        spaces = {"e": ESPI}
        paths = {"value": "e:value/text()", "start": "e:timePeriod/e:start/text()", "duration": "e:timePeriod/e:duration/text()"}
        self.columns = {
            name: etree.XPath(f"e:IntervalReading/{step}", namespaces=spaces, smart_strings=False) for name, step in paths.items()
        }
        ones = ("e:value/text()", "e:timePeriod/e:start/text()", "e:timePeriod/e:duration/text()")
        odd = " or ".join(f"not({step})" for step in ones)
        self.odd = etree.XPath(f"boolean(e:IntervalReading[e:ReadingQuality or {odd}])", namespaces=spaces)

    def fault(self, what: str, value: str = "", limit: str = "", todo: str = "", line: int | None = None) -> InputFault:
        """An InputFault of this file."""
        return InputFault([Fault(self.shown, self.where, what, value, limit, todo, line)])

    def run(self) -> None:
        """Walk the file. Errors: InputFault."""
        size = self._size()
        tags = [READING, BLOCK, ENTRY, FEED, LINK, *(f"{{{ESPI}}}{name}" for name in RESOURCES)]
        told, step = 0, max(1, size // TELLS)
        with self._opened() as file:
            self._refuse_doctype(file)
            parsed = self.etree.iterparse(
                file, events=("end",), tag=tags, resolve_entities=False, no_network=True, load_dtd=False, huge_tree=False
            )
            for element in self._elements(parsed):
                self._take(element)
                if self.progress is not None and file.tell() - told >= step:
                    told = file.tell()
                    self.progress(min(1.0, told / size))
            root = parsed.root
        self._ended(root)

    def _size(self) -> int:
        if self.path.is_dir():
            raise self.fault("a folder, not a file", self.shown, "a feed", "name the file")
        try:
            size = os.path.getsize(self.path)
        except OSError as error:
            raise self.fault("the file cannot be opened", error.strerror or str(error), "a file that can be read", "put it there") from None
        if size == 0:
            raise self.fault("the file is empty", "0 bytes", "a feed", "download it again")
        return size

    @contextlib.contextmanager
    def _opened(self) -> Iterator:
        try:
            file = self.path.open("rb")
        except OSError as error:
            raise self.fault("the file cannot be opened", error.strerror or str(error), "a file that can be read", "put it there") from None
        with file:
            yield file

    def _refuse_doctype(self, file) -> None:
        """Errors: InputFault for a document type before the first element: entities are never expanded."""
        head = file.read(HEAD).replace(b"\x00", b"")
        file.seek(0)
        if b"<!DOCTYPE" in head[: head.find(b"<feed") if b"<feed" in head else len(head)].upper().replace(b"<!DOCTYPE HTML", b""):
            raise self._doctype()
        if b"<!DOCTYPE HTML" in head.upper() or b"<HTML" in head.upper()[:2000]:
            what = "a page of a web site, not a feed"
            raise self.fault(what, "HTML", "a Green Button feed (XML)", "download the data itself, signed in")

    def _doctype(self) -> InputFault:
        return self.fault("a document type is declared", "<!DOCTYPE", "a feed without one", "refused: entities are never expanded")

    def _elements(self, parsed) -> Iterator:
        """Elements as they end; what it cannot read becomes a fault that says how far it came."""
        try:
            first = True
            for _, element in parsed:
                if first:
                    first = False
                    if element.getroottree().docinfo.internalDTD is not None:
                        raise self._doctype()
                yield element
        except self.etree.XMLSyntaxError as error:
            raise self._broken(error) from None

    def _broken(self, error) -> InputFault:
        line = error.position[0] if error.position else None
        came = f"{self.count + self.held:,} readings were read up to there" + (
            f", one of the last of {_utc(self.last)}" if self.last else ""
        )
        message = str(error.msg).split(", line")[0]
        if "Extra content" in message or "XML declaration allowed only" in message:
            what, todo = "more than one document in one file", "split it into its feeds, or wrap them in one element"
        elif self.count or self.held or self.pending or self.feeds:
            what, todo = "the feed breaks off or is damaged", "download it again whole; none of it is used"
        else:
            what, todo = "not XML, or damaged at its beginning", "name a Green Button feed (XML) or a table (CSV)"
        return self.fault(what, f"{message}; {came}", "well-formed XML", todo, line)

    def _take(self, element) -> None:
        tag = element.tag
        if tag == READING:
            self.held += 1
            if self.held >= BATCH:
                self._part_of_block(element)
        elif tag == LINK:
            if element.getparent() is not None and element.getparent().tag == ENTRY:
                self.entry.links.append(((element.get("rel") or "").strip(), (element.get("href") or "").strip()))
        elif tag == BLOCK:
            self._rest_of_block(element)
            self._home_of(element, "IntervalBlock").blocks.append(self.block)
            self.block, self.held = Block(), 0
            self._drop(element)
        elif tag == ENTRY:
            if not self.entry.kind:
                self.foreign = self.foreign or next((one.tag for one in element.iterdescendants() if one.getparent().tag == CONTENT), "")
            self.pending.append(self.entry)
            self.entry = Entry(0)
            self._drop(element)
        elif tag == FEED:
            self.feeds.append(Feed(len(self.feeds) + 1, self.pending))
            self.pending = []
        else:
            self._resource(tag.rpartition("}")[2], element)

    def _home_of(self, element, kind: str) -> Entry:
        """The entry that a resource stands in; one of its own, with the same links, where that holds another or there is none."""
        inside = next(element.iterancestors(ENTRY), None) is not None
        if inside and self.entry.kind in ("", kind) and (kind == "IntervalBlock" or not self.entry.kind):
            self.entry.kind = kind
            return self.entry
        self.pending.append(Entry(0, kind, links=self.entry.links if inside else []))
        return self.pending[-1]

    def _drop(self, element) -> None:
        """Free an element and its elder brothers."""
        element.clear()
        parent = element.getparent()
        while parent is not None and element.getprevious() is not None:
            del parent[0]

    def _resource(self, kind: str, element) -> None:
        if element.getparent() is not None and element.getparent().tag == BLOCK:
            return
        values: dict[str, object] = {}
        for child in element:
            if isinstance(child.tag, str):
                inner = {one.tag.rpartition("}")[2]: (one.text or "").strip() for one in child if isinstance(one.tag, str)}
                values[child.tag.rpartition("}")[2]] = inner or (child.text or "").strip()
        entry = self._home_of(element, kind)
        entry.values, entry.line = values, element.sourceline or 0

    def _reading(self, element) -> None:
        """One reading into the arrays of its block, its element freed."""
        value = start = duration = None
        codes: list[str] | None = None
        for child in element:
            tag = child.tag
            if tag == VALUE:
                value = _text(child)
            elif tag == PERIOD:
                for one in child:
                    if one.tag == START:
                        start = _text(one)
                    elif one.tag == DURATION:
                        duration = _text(one)
            elif tag == QUALITY:
                codes = [*(codes or ()), child.findtext(CODE) or ""]
        block = self.block
        try:
            block.start.append(int(start))
            block.value.append(int(value))
            block.length.append(int(duration) if duration is not None else -1)
            block.quality.append(_worst(codes) if codes else -1)
            self.last = block.start[-1]
        except (TypeError, ValueError, OverflowError):
            block.cut()
            self._note_reading({"value": value, "start": start, "duration": duration}, element)

    def _part_of_block(self, element) -> None:
        """Readings of an open block up to the one that has just ended; what the parser has begun behind it is left alone."""
        parent = element.getparent()
        while (first := parent[0]) is not element:
            if first.tag == READING:
                self._reading(first)
            del parent[0]
        self._reading(element)
        self.count += self.held
        self.held = 0
        element.tag = f"{{{ESPI}}}done"
        element.clear()

    def _rest_of_block(self, block) -> None:
        """Readings of a block that has ended, by column where each has what it needs, else one by one."""
        values, starts, durations = (self.columns[name](block) for name in ("value", "start", "duration"))
        same = len(values) == len(starts) == len(durations) == self.held
        kept = self.block
        if same and not self.odd(block):
            try:
                columns = [array.array("q", map(int, texts)) for texts in (values, starts, durations)]
            except (ValueError, OverflowError):
                columns = []
            if columns:
                for column, more in zip((kept.value, kept.start, kept.length), columns, strict=True):
                    column.extend(more)
                kept.quality.extend([-1] * len(values))
                self.count += len(values)
                self.last = kept.start[-1] if values else self.last
                return
        for reading in block.iterchildren(READING):
            self._reading(reading)
        self.count += self.held

    def _note_reading(self, texts: dict[str, str | None], element) -> None:
        for name, text in texts.items():
            if text is None or not text.strip():
                if name != "duration":
                    self._note(f"a reading without its {name}", "nothing", element)
                continue
            try:
                array.array("q", [int(text)])
            except (ValueError, OverflowError):
                self._note(f"the {name} of a reading is not a whole number", text.strip()[:40], element)

    def _note(self, what: str, value: str, element) -> None:
        if len(self.faults) < NAMED:
            todo = "ask the utility for the feed anew"
            self.faults.append(Fault(self.shown, self.where, what, value, "a whole number", todo, element.sourceline))
        else:
            self.spared += 1

    def _ended(self, root) -> None:
        if self.pending:
            self.feeds.append(Feed(len(self.feeds) + 1, self.pending))
        if self.spared:
            self.faults.append(Fault(self.shown, self.where, f"{self.spared:,} more readings of this kind", "", "", ""))
        if self.faults:
            raise InputFault(self.faults)
        if any(entry.kind for feed in self.feeds for entry in feed.entries):
            return
        found = "nothing" if root is None else str(root.tag)
        accepted = f"Atom ({ATOM}) with resources of {ESPI}"
        if self.foreign:
            todo = "ask the utility for a feed of the standard namespace"
            raise self.fault("a feed with resources of another namespace", f"{self.foreign}", accepted, todo)
        if root is None or root.tag == FEED:
            raise self.fault("a feed without any resource of Green Button", found, accepted, "download the usage data, not the account's")
        what = "XML, but not a Green Button feed, or of another namespace"
        raise self.fault(what, f"root element {found}", accepted, "name a Green Button feed, or a table (CSV)")


def _worst(texts: list[str]) -> int:
    """The quality code to keep of several: an estimated one wins over a valid one; -1 where none is given."""
    from workbook_lib.records.record import ESTIMATED

    codes = [int(text) for text in texts if text.strip().lstrip("-").isdigit()]
    if not codes:
        return -1
    return next((code for code in codes if code in ESTIMATED), codes[-1])


def _text(element) -> str:
    """Text of an element, comments inside it left out."""
    return element.text or "" if not len(element) else "".join(element.itertext())


def _utc(moment: int) -> str:
    from workbook_lib.records.clock import fixed

    try:
        return fixed(0).text(moment)
    except (ValueError, OverflowError, OSError):
        return str(moment)
