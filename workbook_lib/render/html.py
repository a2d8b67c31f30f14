"""Parts of a sheet as HTML fragments: no script, no address, everything escaped."""

from __future__ import annotations

import re
from html import escape
from importlib.resources import files
from urllib.parse import quote

from workbook_lib.errors import InputFault
from workbook_lib.render.blocks import Band, Block, Bullets, Grid, Heading, Pairs, Part, Prose, StepBlock
from workbook_lib.render.trace import Flag, Key, Link, Ref, Rich
from workbook_lib.sheet import Verdict

NOWRAP = 24
"""Letters of a number with its unit up to which its cell is never broken."""
_BREAKS, _MAY_BREAK = re.compile("([._:])"), r"\1<wbr>"
VERDICTS = frozenset(str(verdict) for verdict in Verdict)


def style() -> str:
    """The style sheet of the fragments, the same on a page and in a live notebook."""
    return files("workbook_lib.render").joinpath("sheet.css").read_text(encoding="utf-8")


def fragment(part: Part) -> str:
    """A part as one HTML section, without its main heading (the notebook's prose gives it)."""
    inner = "\n".join(_block(block) for block in part.blocks)
    return f'<section class="wb wb-{escape(part.name)}" aria-label="{escape(part.title)}">\n{inner}\n</section>'


def rich(text: Rich) -> str:
    """Text with its references as links and its flags marked."""
    return "".join(_piece(piece) for piece in text)


def _piece(piece: str | Ref | Flag | Key | Link) -> str:
    if isinstance(piece, str):
        return escape(piece)
    if isinstance(piece, Key):
        return f'<span class="wb-key">{_BREAKS.sub(_MAY_BREAK, escape(piece.text))}</span>'
    if isinstance(piece, Link):
        where = quote(piece.target) + (f"#{quote(piece.anchor)}" if piece.anchor else "")
        return f'<a href="{escape(where)}">{escape(piece.label)}</a>'
    if isinstance(piece, Flag):
        return f'<strong class="wb-flag">{escape(piece.text)}</strong>'
    label = symbol(piece.label) if piece.symbol else escape(piece.label)
    if not piece.target:
        return label
    shown = f"{piece.number}, {piece.mark}" if piece.mark else piece.number
    return f'<a href="#{escape(piece.target)}">{label}<span class="wb-no">[{escape(shown)}]</span></a>'


def symbol(text: str) -> str:
    """A symbol with what follows its first underscore as a subscript."""
    stem, _, low = text.partition("_")
    below = f"<sub>{escape(low.replace('_', ' '))}</sub>" if low else ""
    return f"<i>{escape(stem)}</i>{below}"


def _block(block: Block) -> str:
    match block:
        case Prose(text=text, kind=kind):
            return f'<p class="wb-{kind or "prose"}">{rich(text)}</p>'
        case Heading(text=text):
            return f"<h3>{escape(text)}</h3>"
        case Band():
            return _band(block)
        case Pairs(rows=rows):
            inner = "".join(f"<div><dt>{escape(label)}</dt><dd>{escape(value)}</dd></div>" for label, value in rows)
            return f'<dl class="wb-pairs">{inner}</dl>'
        case Grid():
            return grid(block)
        case StepBlock():
            return _step(block)
        case Bullets(items=items, empty=empty):
            if not items:
                return f"<p>{escape(empty)}</p>"
            return "<ul>" + "".join(f"<li>{rich(item)}</li>" for item in items) + "</ul>"
    raise TypeError(f"no HTML for {type(block).__name__}")


def _band(block: Band) -> str:
    kind = block.kind.replace(" ", "-")
    tail = f' <span class="wb-band-text">{rich(block.text)}</span>' if block.text else ""
    return f'<p class="wb-band wb-band-{escape(kind)}"><strong>{escape(block.word)}</strong>{tail}</p>'


def grid(block: Grid) -> str:
    """A table whose head repeats on every printed page and whose rows become blocks on a narrow screen."""
    if not block.rows:
        return f"<p>{escape(block.caption)}: none.</p>" if block.caption else "<p>None.</p>"
    caption = f"<caption>{escape(block.caption)}</caption>" if block.caption else ""
    head = "".join(f'<th scope="col"{_numeric(block, column)}>{escape(name)}</th>' for column, name in enumerate(block.columns))
    rows = "\n".join(_row(block, index) for index in range(len(block.rows)))
    kind = escape(block.kind or "plain")
    return f'<table class="wb-grid wb-grid-{kind}">{caption}<thead><tr>{head}</tr></thead>\n<tbody>\n{rows}\n</tbody></table>'


def _numeric(block: Grid, column: int) -> str:
    return ' class="wb-num"' if column in block.numeric else ""


def _row(block: Grid, index: int) -> str:
    anchor = f' id="{escape(block.anchors[index])}"' if index < len(block.anchors) and block.anchors[index] else ""
    cells = "".join(_grid_cell(block, column, cell) for column, cell in enumerate(block.rows[index]))
    return f"<tr{anchor}>{cells}</tr>"


def _grid_cell(block: Grid, column: int, cell: Rich) -> str:
    inner = rich(cell)
    words = cell[0] if cell and isinstance(cell[0], str) else ""
    head = words.split(" (")[0]
    if block.columns[column] == "Verdict" and head in VERDICTS:
        inner = f'<span class="wb-word wb-word-{head.replace(" ", "-")}">{escape(head)}</span>{escape(words[len(head) :])}'
    empty = "" if inner else " wb-empty"
    kind = ("wb-num" if column in block.numeric and len(words) <= NOWRAP else "") + empty
    attribute = f' class="{kind.strip()}"' if kind.strip() else ""
    return f'<td{attribute} data-label="{escape(block.columns[column])}">{inner}</td>'


def _step(block: StepBlock) -> str:
    source = f'<span class="wb-source">{_source(block.source)}</span>' if block.source else ""
    lines = [f'<span class="wb-lhs">{symbol(block.symbol)}</span><span class="wb-rhs">= {_math(rich(block.formula))}</span>']
    numbers = f"= {_math(escape(block.substituted))} " if block.substituted else ""
    lines.append(f'<span></span><span class="wb-rhs">{numbers}<b class="wb-result">= {escape(block.result)}</b></span>')
    note = f'<p class="wb-note">{rich(block.entered)}</p>' if block.entered else ""
    note += f'<p class="wb-note">{escape(block.note)}</p>' if block.note else ""
    return (
        f'<div class="wb-step" id="{escape(block.anchor)}"><div class="wb-step-head"><span class="wb-step-no">{escape(block.number)}</span>'
        f'<span class="wb-meaning">{escape(block.meaning)}</span>{source}</div><div class="wb-eq">{"".join(lines)}</div>{note}</div>'
    )


def _math(text: str) -> str:
    """Break lines before an operator, never between it and what follows."""
    return re.sub(r" (\+|−|×|/|≤|≥|&lt;|&gt;) ", r" \1&nbsp;", text)


def _source(text: str) -> str:
    plain, bracket, status = text.partition(" [")
    return escape(plain) + (f' <strong class="wb-flag">[{escape(status)}</strong>' if bracket else "")


def faults(error: Exception) -> str:
    """The faults of the files, or one calculation fault, as an HTML fragment."""
    if isinstance(error, InputFault):
        word, items = "input fault", [str(fault) for fault in error.faults]
    else:
        word, items = "calculation fault", [str(error)]
    listed = "".join(f"<li>{escape(item)}</li>" for item in items)
    band = f'<p class="wb-band wb-band-fail"><strong>{word}</strong></p>'
    return f'<section class="wb wb-faults" aria-label="Faults">{band}<ul>{listed}</ul></section>'
