"""Neutral blocks of a sheet: what is said, apart from how it is set as HTML or as text."""

from __future__ import annotations

from dataclasses import dataclass

from workbook_lib.render.trace import Rich


@dataclass(frozen=True, slots=True)
class Prose:
    """A paragraph."""

    text: Rich
    kind: str = ""


@dataclass(frozen=True, slots=True)
class Band:
    """A line that must not be overlooked; kind `what-if`, `live` or a verdict."""

    kind: str
    word: str
    text: Rich = ()


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading within a part."""

    text: str


@dataclass(frozen=True, slots=True)
class Pairs:
    """Labels with their values, as in a title block."""

    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Grid:
    """A table: columns, rows of rich cells, an anchor per row, the columns that hold numbers."""

    columns: tuple[str, ...]
    rows: tuple[tuple[Rich, ...], ...]
    anchors: tuple[str, ...] = ()
    numeric: frozenset[int] = frozenset()
    caption: str = ""
    kind: str = ""


@dataclass(frozen=True, slots=True)
class StepBlock:
    """One step as a checker reads it."""

    anchor: str
    number: str
    symbol: str
    meaning: str
    formula: Rich
    substituted: str
    result: str
    source: str = ""
    note: str = ""
    entered: Rich = ()


@dataclass(frozen=True, slots=True)
class Bullets:
    """A list of sentences; `empty` is said where there are none."""

    items: tuple[Rich, ...]
    empty: str = ""


Block = Prose | Band | Heading | Pairs | Grid | StepBlock | Bullets


@dataclass(frozen=True, slots=True)
class Part:
    """One part of a sheet: its name and its blocks in order."""

    name: str
    title: str
    blocks: tuple[Block, ...]
