"""Green Button feeds: NAESB ESPI in Atom, read as a stream.

The file is walked once. Readings go into plain arrays as they pass and their elements are freed, so memory
grows with the number of readings and not with the text. What belongs to what is settled at the end
(`espi_links`, `espi_choice`, `espi_values`), since entries may stand in any order. Document types are refused before anything in them is
expanded. Source: NAESB ESPI usage schema; RFC 4287 for Atom.
"""

from __future__ import annotations

import array
import contextlib
import os
from collections.abc import Callable, Iterator
from pathlib import Path

from workbook_lib.errors import Fault, InputFault
from workbook_lib.records.clock import Clock
from workbook_lib.records.espi_links import NAMED, WHOLE, Block, Entry, Feed, whole
from workbook_lib.records.espi_values import channel_record
from workbook_lib.records.record import ESTIMATED, Declared, Progress, Record

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
PART = 65536
"""How much is read at once in the search for the first element [bytes]."""
QUIET = 4 << 20
"""How much text without any element of a feed is given to the parser before it is refused [bytes]."""
MARKS, SPACES = (b"\xef\xbb\xbf", b"\xff\xfe", b"\xfe\xff"), b" \t\r\n"
PASSED = ((b"<!--", b"-->"), (b"<?", b"?>"))
"""What may stand before the first element: how it opens and how it closes."""


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
        self.foreign = self.outermost = ""
        spaces = {"e": ESPI}
        paths = {"value": "e:value/text()", "start": "e:timePeriod/e:start/text()", "duration": "e:timePeriod/e:duration/text()"}
        paths["quality"] = "e:ReadingQuality/e:quality/text()"
        self.columns = {
            name: etree.XPath(f"e:IntervalReading/{step}", namespaces=spaces, smart_strings=False) for name, step in paths.items()
        }
        ones = ("e:value/text()", "e:timePeriod/e:start/text()", "e:timePeriod/e:duration/text()")
        odd = " or ".join(f"not({step})" for step in ones)
        self.odd = etree.XPath(f"boolean(e:IntervalReading[{odd}])", namespaces=spaces)
        self.marked = etree.XPath("count(e:IntervalReading/e:ReadingQuality)", namespaces=spaces)
        self.unmarked = etree.XPath("boolean(e:IntervalReading[not(e:ReadingQuality/e:quality/text())])", namespaces=spaces)
        self.codes: dict[str, int | None] = {}

    def fault(self, what: str, value: str = "", limit: str = "", todo: str = "", line: int | None = None) -> InputFault:
        """An InputFault of this file."""
        return InputFault([Fault(self.shown, self.where, what, value, limit, todo, line)])

    def run(self) -> None:
        """Walk the file. Errors: InputFault."""
        size = self._size()
        tags = [READING, BLOCK, ENTRY, FEED, LINK, *(f"{{{ESPI}}}{name}" for name in RESOURCES)]
        told, step = 0, max(1, size // TELLS)
        with _Source(self.path, self._unread, self._quiet) as source:
            self._refuse_doctype(source)
            parsed = self.etree.iterparse(
                source, events=("end",), tag=tags, resolve_entities=False, no_network=True, load_dtd=False, huge_tree=False
            )
            for element in self._elements(parsed):
                self._take(element)
                source.heard = source.at
                if self.progress is not None and source.at - told >= step:
                    told = source.at
                    self.progress(min(1.0, told / size))
            root = parsed.root
        self._ended(root)
        if self.progress is not None and told < size:
            self.progress(1.0)

    def _size(self) -> int:
        if self.path.is_dir():
            raise self.fault("a folder, not a file", self.shown, "a feed", "name the file")
        try:
            size = os.path.getsize(self.path)
        except OSError as error:
            raise self._unread(error) from None
        if size == 0:
            raise self.fault("the file is empty", "0 bytes", "a feed", "download it again")
        return size

    def _unread(self, error: OSError) -> InputFault:
        return self.fault("the file cannot be read", error.strerror or str(error), "a file that can be read", "put it there")

    def _quiet(self) -> InputFault:
        """The fault of a file that goes on and on without anything of a feed in it."""
        what = f"{QUIET >> 20} MB of XML without any element of a Green Button feed, or of another namespace"
        accepted = f"Atom ({ATOM}) with resources of {ESPI}"
        return self.fault(what, f"root element {self.outermost}", accepted, "name a Green Button feed, or a table (CSV)")

    def _refuse_doctype(self, source: _Source) -> None:
        """Look for the first element. Errors: InputFault for a document type before it: entities are never expanded."""
        text = first = source.read(PART)
        text = next((text.removeprefix(mark) for mark in MARKS if text.startswith(mark)), text)
        more = text
        while more:
            text = _past(text.replace(b"\x00", b""))
            if len(text) >= PART // 2 or not text.startswith((b"<!--", b"<?")) and len(text) > len(b"<!DOCTYPE html "):
                break
            source.heard = source.at
            more = source.read(PART)
            text += more
        source.back()
        said = text[:200].upper()
        if said.startswith((b"<HTML", b"<!DOCTYPE HTML")):
            what = "a page of a web site, not a feed"
            raise self.fault(what, "HTML", "a Green Button feed (XML)", "download the data itself, signed in")
        if said.startswith(b"<!DOCTYPE"):
            raise self._doctype()
        self.outermost = _outermost(self.etree, first)

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
            parent = element.getparent()
            if parent is not None and parent.tag == ENTRY:
                self.entry.links.append(((element.get("rel") or "").strip(), (element.get("href") or "").strip()))
            elif parent is not None and parent.tag == FEED:
                self._drop(element)
        elif tag == BLOCK:
            self._rest_of_block(element)
            home = self._home_of(element, "IntervalBlock")
            home.blocks.append(self.block)
            home.line = home.line or element.sourceline or 0
            self.block, self.held = Block(), 0
            self._drop(element)
        elif tag == ENTRY:
            self._stray(element)
            if not self.entry.kind:
                self.foreign = self.foreign or next((one.tag for one in element.iterdescendants() if one.getparent().tag == CONTENT), "")
            self.pending.append(self.entry)
            self.entry = Entry(0)
            self._drop(element)
        elif tag == FEED:
            self._stray(element)
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

    def _stray(self, element) -> None:
        """Note readings that stand in no block."""
        if self.held:
            self._note(f"{self.held:,} readings outside an interval block", "IntervalReading", element, "readings in blocks")
            self.held = 0

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
                code = next((_text(one) for one in child if one.tag == CODE), "")
                codes = [code] if codes is None else [*codes, code]
        quality = -1 if codes is None else self._code(codes[0]) if len(codes) == 1 else _worst(codes)
        fit = WHOLE.fullmatch
        timed = duration is None or (fit(duration) and int(duration) >= 0)
        if value is None or start is None or quality is None or not (timed and fit(value) and fit(start)):
            texts = {"value": value, "start": start, "duration": duration}
            wrong = {name: text for name, text in texts.items() if not _fits(text, name)}
            self._note_reading(wrong, codes if quality is None else None, element)
            return
        block = self.block
        block.start.append(int(start))
        block.value.append(int(value))
        block.length.append(int(duration) if duration is not None else -1)
        block.quality.append(quality)
        self.last = block.start[-1]

    def _code(self, text: str) -> int | None:
        """The code that a text is, remembered; None where it is none."""
        if text not in self.codes and len(self.codes) < PART:
            self.codes[text] = _worst([text])
        return self.codes[text] if text in self.codes else _worst([text])

    def _part_of_block(self, element) -> None:
        """Readings of an open block up to the one that has just ended; what the parser has begun behind it is left alone."""
        parent = element.getparent()
        if parent is None or parent.tag != BLOCK:
            self._stray(element)
            element.clear()
            return
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
        qualities = self._qualities(block)
        same = len(values) == len(starts) == len(durations) == self.held
        kept = self.block
        if same and qualities is not None and not self.odd(block):
            try:
                columns = [array.array("q", map(int, texts)) for texts in (values, starts, durations)]
            except (ValueError, OverflowError):
                columns = []
            plain = "".join((*values, *starts, *durations))
            if columns and plain.isascii() and "_" not in plain and min(columns[2], default=0) >= 0:
                for column, more in zip((kept.value, kept.start, kept.length, kept.quality), (*columns, qualities), strict=True):
                    column.extend(more)
                self.count += len(values)
                self.last = kept.start[-1] if values else self.last
                return
        count = 0
        for reading in block.iterchildren(READING):
            count += 1
            self._reading(reading)
        self.count += count
        self.held -= count
        self._stray(block)

    def _qualities(self, block) -> list[int] | None:
        """Quality of each reading of a block where none has one or each has just one; None for all else."""
        count = self.marked(block)
        if not count:
            return [-1] * self.held
        if count != self.held or self.unmarked(block):
            return None
        codes = [self._code(text) for text in self.columns["quality"](block)]
        return None if len(codes) != self.held or None in codes else codes

    def _note_reading(self, texts: dict[str, str | None], codes: list[str] | None, element) -> None:
        for name, text in texts.items():
            if text is None or not text.strip():
                self._note(f"a reading without its {name}", "nothing", element)
            else:
                self._note(f"the {name} of a reading is not a whole number, or none that it can be", text.strip()[:40], element)
        if codes is not None:
            self._note("the quality of a reading is no code", ", ".join(codes)[:40], element)

    def _note(self, what: str, value: str, element, accepted: str = "a whole number") -> None:
        if len(self.faults) < NAMED:
            todo = "ask the utility for the feed anew"
            self.faults.append(Fault(self.shown, self.where, what, value, accepted, todo, element.sourceline))
        else:
            self.spared += 1

    def _ended(self, root) -> None:
        if root is not None:
            self._stray(root)
        if self.pending:
            self.feeds.append(Feed(len(self.feeds) + 1, self.pending))
        if self.spared:
            self.faults.append(Fault(self.shown, self.where, f"{self.spared:,} more faults of this kind", "", "", ""))
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


class _Source:
    """The file as the parser reads it: errors of reading become faults, and text in which nothing is heard is not read on."""

    def __init__(self, path: Path, unread: Callable[[OSError], InputFault], quiet: Callable[[], InputFault]):
        self.path, self.unread, self.quiet = path, unread, quiet
        self.at = self.heard = 0

    def __enter__(self) -> _Source:
        try:
            self.file = self.path.open("rb")
        except OSError as error:
            raise self.unread(error) from None
        return self

    def __exit__(self, *_) -> None:
        self.file.close()

    def read(self, size: int = -1) -> bytes:
        """The next bytes. Errors: InputFault."""
        if self.at - self.heard > QUIET:
            raise self.quiet()
        try:
            data = self.file.read(size)
        except OSError as error:
            raise self.unread(error) from None
        self.at += len(data)
        return data

    def back(self) -> None:
        """Begin anew."""
        self.file.seek(0)
        self.at = self.heard = 0


def _past(text: bytes) -> bytes:
    """Text without the comments and instructions at its beginning; one that is not closed is kept by its ends alone."""
    text = text.lstrip(SPACES)
    while (ends := next((pair for pair in PASSED if text.startswith(pair[0])), None)) is not None:
        opens, closes = ends
        place = text.find(closes, len(opens))
        if place < 0:
            return opens + text[len(opens) :][1 - len(closes) :]
        text = text[place + len(closes) :].lstrip(SPACES)
    return text


def _outermost(etree, head: bytes) -> str:
    """Name of the root element, as far as the beginning of a file tells it."""
    parser = etree.XMLPullParser(events=("start",), resolve_entities=False, no_network=True, load_dtd=False)
    with contextlib.suppress(etree.XMLSyntaxError):
        parser.feed(head)
    return next((str(element.tag) for _, element in parser.read_events()), "not found")


def _fits(text: str | None, name: str) -> bool:
    """Whether a text is a whole number that a value, a start or a duration (which may be absent) can be."""
    if text is None:
        return name == "duration"
    try:
        number = whole(text)
    except ValueError:
        return False
    return number >= 0 or name != "duration"


def _worst(texts: list[str]) -> int | None:
    """The quality code to keep of several: an estimated one wins over a valid one; None where one is no code."""
    try:
        codes = [whole(text) for text in texts]
    except ValueError:
        return None
    if not all(0 <= code <= 255 for code in codes):
        return None
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
