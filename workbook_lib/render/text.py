"""Parts of a sheet as plain text, for a terminal and as the text form of every notebook output."""

from __future__ import annotations

import textwrap

from workbook_lib.errors import InputFault
from workbook_lib.render.blocks import Band, Block, Bullets, Grid, Heading, Pairs, Part, Prose, StepBlock
from workbook_lib.render.trace import Flag, Key, Link, Ref, Rich

WIDTH = 110


def plain(part: Part) -> str:
    """A part as text: its title, then its blocks."""
    lines = [part.title.upper()]
    for block in part.blocks:
        lines += _block(block)
    return "\n".join(line.rstrip() for line in lines)


def rich(text: Rich) -> str:
    """Text with its references as numbers in brackets."""
    return "".join(_piece(piece) for piece in text)


def _piece(piece: str | Ref | Flag | Key | Link) -> str:
    if isinstance(piece, str):
        return piece
    if isinstance(piece, Link):
        return piece.label
    if isinstance(piece, (Flag, Key)):
        return piece.text
    if not piece.target:
        return piece.label
    return f"{piece.label} [{piece.number}, {piece.mark}]" if piece.mark else f"{piece.label} [{piece.number}]"


def _block(block: Block) -> list[str]:
    match block:
        case Prose(text=text):
            return _wrap(rich(text))
        case Heading(text=text):
            return ["", text, "-" * len(text)]
        case Band(word=word, text=text):
            return _wrap(f"*** {word.upper()} *** {rich(text)}")
        case Pairs(rows=rows):
            width = max((len(label) for label, _ in rows), default=0)
            return [f"{label:<{width}}  {value}" for label, value in rows]
        case Grid():
            return _grid(block)
        case StepBlock():
            return _step(block)
        case Bullets(items=items, empty=empty):
            if not items:
                return [empty]
            return [line for item in items for line in _wrap("- " + rich(item), "  ")]
    raise TypeError(f"no text for {type(block).__name__}")


def _wrap(text: str, indent: str = "") -> list[str]:
    return textwrap.wrap(text, WIDTH, subsequent_indent=indent, break_on_hyphens=False) or [""]


def _grid(block: Grid) -> list[str]:
    """Columns where they fit the width, else one entry a row with its labels."""
    cells = [[rich(cell) for cell in row] for row in block.rows]
    head = [block.caption] if block.caption else []
    if not cells:
        return [*head, "none"]
    widths = [max(len(text) for text in column) for column in zip(block.columns, *cells, strict=True)]
    if sum(widths) + 2 * len(widths) <= WIDTH:
        rule = "  ".join("-" * width for width in widths)
        return [*head, _aligned(list(block.columns), widths, block), rule, *(_aligned(row, widths, block) for row in cells)]
    lines = head
    for row in cells:
        said = [f"{name}: {text}" if name else text for name, text in zip(block.columns[1:], row[1:], strict=True) if text]
        lines += _wrap(f"{row[0]} | " + " | ".join(said), "    ")
    return lines


def _aligned(row: list[str], widths: list[int], block: Grid) -> str:
    texts = [
        f"{text:>{width}}" if column in block.numeric else f"{text:<{width}}"
        for column, (text, width) in enumerate(zip(row, widths, strict=True))
    ]
    return "  ".join(texts)


def _step(block: StepBlock) -> list[str]:
    lines = _wrap(f"[{block.number}] {block.meaning}" + (f"   {block.source}" if block.source else ""), "    ")
    lines += _wrap(f"    {block.symbol} = {rich(block.formula)}", "        ")
    if block.substituted:
        lines += _wrap(f"    = {block.substituted}", "        ")
    lines.append(f"    = {block.result}")
    if block.entered:
        lines += _wrap(f"    {rich(block.entered)}", "    ")
    if block.note:
        lines += _wrap(f"    note: {block.note}", "    ")
    return lines


def faults(error: Exception) -> str:
    """The faults of the files one a line, or one calculation fault."""
    if isinstance(error, InputFault):
        return "\n".join(["INPUT FAULT", *(str(fault) for fault in error.faults)])
    return f"CALCULATION FAULT\n{error}"
