"""One-line diagram and bus strips as plain SVG with real text: no script, no colour that carries meaning.

Things stand one below the other, each a row under what feeds it, so that words never overlap and stay legible on a
telephone and in black and white. Symbols follow the usual graphic symbols of electrical diagrams (IEEE 315).
"""

from __future__ import annotations

import re
from html import escape
from textwrap import wrap

from workbook_lib.errors import MachineryFault
from workbook_lib.sheet import Figure, Mark

WIDTH = 360.0
INDENT, LINE, GAP, SYMBOL = 15.0, 12.5, 7.0, 10.0
DEEPEST = 12
"""Levels that are set in further and further; deeper ones stand under one another, so that words keep their room."""
FONT_PX = 10
SCALE = 1.4
"""How large a drawing stands where its surroundings set no width, as in a notebook."""
CHAR = 5.5
"""Mean width of a character of 10 px; a line is broken before it could leave the drawing."""
FONTS = "Helvetica Neue, Helvetica, Arial, Liberation Sans, DejaVu Sans, sans-serif"
INK, PAPER = "#16181b", "#ffffff"
STROKE = f'stroke="{INK}" stroke-width="1.1" fill="none"'
SOLID = f'stroke="{INK}" stroke-width="1.1" fill="{INK}"'


def svg(figure: Figure) -> str:
    """The drawing of a diagram. Errors: MachineryFault for a diagram without marks or a symbol that has no drawing."""
    if not figure.marks:
        raise MachineryFault(f"figure {figure.key}: it has no marks")
    body, height = (_tree if figure.kind == "oneline" else _strip)(figure)
    key = re.sub(r"[^a-z0-9]+", "-", figure.key.lower())
    head = f'<title id="{key}-title">{escape(figure.title)}</title><desc id="{key}-desc">{escape(figure.description)}</desc>'
    return (
        f'<svg role="img" aria-labelledby="{key}-title {key}-desc" xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH:g} {height:g}" '
        f'width="{WIDTH * SCALE:g}" height="{height * SCALE:g}" '
        f'font-family="{FONTS}" font-size="{FONT_PX}" fill="{INK}">{head}'
        f'<rect width="{WIDTH:g}" height="{height:g}" fill="{PAPER}"/>{"".join(body)}</svg>'
    )


def _text(x: float, y: float, words: str, *, weight: str = "", anchor: str = "") -> str:
    extra = (f' font-weight="{weight}"' if weight else "") + (f' text-anchor="{anchor}"' if anchor else "")
    return f'<text x="{x:g}" y="{y:g}"{extra}>{escape(words)}</text>'


def _line(x1: float, y1: float, x2: float, y2: float, width: float = 1.1) -> str:
    return f'<path d="M{x1:g} {y1:g}L{x2:g} {y2:g}" stroke="{INK}" stroke-width="{width:g}" fill="none"/>'


def _broken(words: tuple[str, ...], room: float) -> list[str]:
    """Words broken into lines that fit the room."""
    return [line for one in words for line in wrap(one, max(12, int(room / CHAR))) or [""]]


# one-line


def _tree(figure: Figure) -> tuple[list[str], float]:
    depth: dict[str, int] = {}
    rows: list[tuple[Mark, int, float, list[str]]] = []
    y = 12.0
    for mark in figure.marks:
        level = depth[mark.id] = min(depth.get(mark.parent, -1) + 1, DEEPEST)
        x = 14.0 + level * INDENT
        lines = _broken(mark.words, WIDTH - x - SYMBOL - 14.0)
        rows.append((mark, level, y, lines))
        y += len(lines) * LINE + GAP
    drawn = _wires(rows)
    for mark, level, top, lines in rows:
        x = 14.0 + level * INDENT
        drawn.append(_symbol(mark.symbol, x, top + 2.0))
        drawn += [
            _text(x + SYMBOL + 4.0, top + 5.5 + number * LINE, line, weight="bold" if number == 0 else "")
            for number, line in enumerate(lines)
        ]
    return drawn, y + 4.0


def _wires(rows: list[tuple[Mark, int, float, list[str]]]) -> list[str]:
    """Lines from each thing to what feeds it."""
    at = {mark.id: (14.0 + level * INDENT, top + 2.0) for mark, level, top, _ in rows}
    drawn = []
    for mark, _, _, _ in rows:
        if mark.parent in at:
            (x, y), (px, py) = at[mark.id], at[mark.parent]
            drawn.append(_line(px, py, px, y))
            drawn.append(_line(px, y, x, y))
    return drawn


def _symbol(name: str, x: float, y: float) -> str:
    """The graphic symbol of a thing, centred on a point."""
    draw = SYMBOLS.get(name)
    if draw is None:
        raise MachineryFault(f"no graphic symbol {name!r}; there are {', '.join(SYMBOLS)}")
    return f'<g transform="translate({x:g} {y:g})">{draw}</g>'


_BOX = f'<rect x="-5" y="-5" width="10" height="10" fill="{PAPER}" stroke="{INK}" stroke-width="1.1"/>'
SYMBOLS = {
    "transformer": f'<circle cx="0" cy="-3" r="4" fill="{PAPER}" stroke="{INK}"/><circle cx="0" cy="3" r="4" fill="none" stroke="{INK}"/>',
    "meter": f'<circle r="6" fill="{PAPER}" stroke="{INK}" stroke-width="1.1"/><text y="3.2" font-size="8" text-anchor="middle">M</text>',
    "adapter": f'{_BOX}<circle r="3" {STROKE}/>',
    "service": f'<path d="M-6 0H6" stroke="{INK}" stroke-width="3"/>',
    "tap": f'<circle r="2.6" {SOLID}/>',
    "panel": f'<rect x="-6" y="-3" width="12" height="6" {SOLID}/>',
    "breaker": f'<rect x="-4.5" y="-4.5" width="9" height="9" fill="{PAPER}" stroke="{INK}"/>'
    f'<path d="M-3 2.5A4.2 4.2 0 0 1 3 2.5" {STROKE}/>',
    "lugs": f'<circle cx="-2.5" r="2" {STROKE}/><circle cx="3" r="2" {STROKE}/>',
    "disconnect": f'<path d="M-6 0H-3L3 -5" {STROKE}/><circle cx="4" r="1.4" {SOLID}/>',
    "transfer": f'<path d="M-6 0H-2L3 -4" {STROKE}/><circle cx="4" cy="-4" r="1.3" {SOLID}/><circle cx="4" cy="4" r="1.3" {STROKE}/>',
    "feeder": f'<path d="M-6 0H6M-2 -3L2 3" {STROKE}/>',
    "inverter": f'{_BOX}<path d="M-5 5L5 -5" {STROKE}/><path d="M-4 -2.5H-1" {STROKE}/><path d="M0.5 3q1 -2 2 0t2 0" {STROKE}/>',
    "array": f'{_BOX}<path d="M-5 -5L0 1L5 -5" {STROKE}/>',
    "battery": f'<path d="M-5 -2H5M-2.5 2H2.5" stroke="{INK}" stroke-width="1.6"/>',
    "charger": f'{_BOX}<text y="3" font-size="6.5" text-anchor="middle">EV</text>',
    "loads": f'<path d="M-4 -3H4L0 4Z" fill="{PAPER}" stroke="{INK}"/>',
}
"""Symbols in SVG, drawn about the origin."""


# bus strip

PLACES = ("top", "middle", "bottom", "lugs", "not given")


def _strip(figure: Figure) -> tuple[list[str], float]:
    bus = figure.marks[0]
    things = [mark for mark in figure.marks if mark.symbol in ("source", "load")]
    rules = [mark for mark in figure.marks if mark.symbol == "rule"]
    drawn: list[str] = []
    spine, y = 96.0, 16.0
    start = y
    for place in PLACES:
        held = [mark for mark in things if mark.place == place]
        if not held and place in ("lugs", "not given"):
            continue
        drawn.append(_text(4.0, y + 4.0, place, weight="bold"))
        if bus.place == place or (place == "middle" and bus.place == "centre"):
            drawn.append(_feed(spine, y))
        for mark in held:
            y, more = _device(mark, spine, y)
            drawn += more
        y += 6.0 if held else LINE
    drawn.insert(0, _line(spine, start - 8.0, spine, y - 4.0, 4.0))
    y += 6.0
    for line in _broken(bus.words, WIDTH - 12):
        drawn.append(_text(4.0, y, line))
        y += LINE
    for mark in rules:
        for line in _broken(mark.words, WIDTH - 12):
            drawn.append(_text(4.0, y, line, weight="bold" if "relied on" in mark.words[0] else ""))
            y += LINE
    return drawn, y + 2.0


def _feed(spine: float, y: float) -> str:
    """The arrow of the feed into the bus, with its word."""
    return (
        _line(spine - 44.0, y, spine - 6.0, y, 1.6)
        + f'<path d="M{spine - 3:g} {y:g}l-8 -3.5v7z" {SOLID}/>'
        + _text(spine - 46.0, y + 14.0, "feed")
    )


def _device(mark: Mark, spine: float, y: float) -> tuple[float, list[str]]:
    """One breaker to the right of the bus; one that carries source current is hatched and has its arrow into the bus."""
    lines = _broken(mark.words, WIDTH - spine - 44.0)
    drawn = [_line(spine, y, spine + 16.0, y)]
    box = f'<rect x="{spine + 16:g}" y="{y - 5:g}" width="14" height="10" fill="{PAPER}" stroke="{INK}" stroke-width="1.1"/>'
    drawn.append(box)
    if mark.symbol == "source":
        drawn += [_line(spine + 16.0 + step, y + 5.0, spine + 20.0 + step, y - 5.0) for step in (0.0, 4.0, 8.0)]
        drawn.append(f'<path d="M{spine + 4:g} {y:g}l8 -3.5v7z" {SOLID}/>')
    drawn += [
        _text(spine + 36.0, y + 3.5 + number * LINE, line, weight="bold" if mark.symbol == "source" else "")
        for number, line in enumerate(lines)
    ]
    return y + max(1, len(lines)) * LINE + 2.0, drawn


KINDS = ("oneline", "busstrip")
"""Kinds of figures that are drawn here."""
