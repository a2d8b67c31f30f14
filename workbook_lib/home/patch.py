"""Changes of a site file's text that touch nothing else: a value set, added or taken out, a row added or taken out.

A change replaces, inserts or removes the characters of the one value, row or table that it means, so that comments, order and layout stay.
Every change is proven: what the new text parses to must be what the old one did with the change made, else it is refused.

Places are those of the file, rows by number from 0: `("panel", 0, "breakers", 2, "rating")`. Values are what `tomllib` gives: texts,
numbers, yes or no, dates, lists and dictionaries of them.
"""

from __future__ import annotations

import copy
import re
import tomllib
from collections.abc import Mapping

from workbook_lib.errors import WorkbookError
from workbook_lib.home.lines import BARE, Loc, Lost, Places, Span, places

_ESCAPES = {'"': '\\"', "\\": "\\\\", "\n": "\\n", "\t": "\\t", "\r": "\\r"}
_GONE = object()
_TO_COMMA = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*,")


class Unpatchable(WorkbookError):
    """A change that cannot be made in a text without touching something else; the text stays as it is."""


def put(text: str, loc: Loc, value: object) -> str:
    """A text with a value at a place, whether there was one or not; tables on the way are added.

    Parameters: text of a TOML file, place, value. Returns: the new text. Errors: Unpatchable.
    """
    where = _places(text)
    if loc in where.values:
        span = where.values[loc]
        new = text[: span.start] + literal(value) + text[span.end :]
    elif loc in where.starts:
        raise Unpatchable(f"a table stands at {_words(loc)}")
    else:
        new = _add(text, where, loc, value)
    return _proven(text, new, loc, value)


def take_out(text: str, loc: Loc) -> str:
    """A text without the value, row or table at a place; comments above it stay.

    Parameters: text of a TOML file, place. Returns: the new text. Errors: Unpatchable.
    """
    where = _places(text)
    if loc in where.headers:
        start = text.rfind("\n", 0, where.headers[loc].start) + 1
        end = _line_end(text, max(end for one, end in where.bodies.items() if one[: len(loc)] == loc))
        new = text[:start] + re.sub(r"\A\r?\n(?:[ \t]*\r?\n)?", "", text[end:])
    else:
        span = where.pairs.get(loc) or where.values.get(loc)
        if span is None:
            raise Unpatchable(f"nothing that can be taken out stands at {_words(loc)}")
        new = _out_of_list(text, span) if _inside(where, loc) else _out_of_lines(text, span)
    return _proven(text, new, loc, _GONE)


def add_row(text: str, loc: Loc, row: Mapping[str, object]) -> str:
    """A text with one more row at the end of a list of tables, which is added where it is not there.

    Parameters: text of a TOML file, place of the list, the row. Returns: the new text. Errors: Unpatchable.
    """
    where = _places(text)
    rows = {one[len(loc)] for one in (*where.headers, *where.values) if one[: len(loc)] == loc and len(one) > len(loc)}
    if loc in where.lists:
        new = _append(text, where, loc, row)
    elif rows:
        last = (*loc, len(rows) - 1)
        end = max(end for one, end in where.bodies.items() if one[: len(last)] == last)
        new = _after_line(text, end, f"\n{_block(loc, row)}")
    elif len(loc) == 1:
        new = _at_end(text, _block(loc, row))
    else:
        new = _add(text, where, loc, [row])
    return _proven(text, new, (*loc, len(rows)), dict(row))


def literal(value: object) -> str:
    """A value as TOML writes it on one line. Parameters: value. Returns: text."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return '"' + "".join(_ESCAPES.get(one, one if one.isprintable() else f"\\U{ord(one):08x}") for one in value) + '"'
    if isinstance(value, Mapping):
        return "{ " + ", ".join(_pair(key, item) for key, item in value.items()) + " }" if value else "{}"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(map(literal, value)) + "]"
    return value.isoformat() if hasattr(value, "isoformat") else repr(value)


def _name(key: object) -> str:
    return str(key) if BARE.fullmatch(str(key)) else literal(str(key))


def _pair(key: object, value: object) -> str:
    return f"{_name(key)} = {literal(value)}"


def _words(loc: Loc) -> str:
    return ".".join(map(str, loc)) or "the top"


def _places(text: str) -> Places:
    try:
        return places(text)
    except Lost:
        raise Unpatchable("the layout of the file is not understood") from None


# the proof


def _proven(old: str, new: str, loc: Loc, value: object) -> str:
    """The new text, once it parses to the old one's content with the change made."""
    try:
        wanted, found = tomllib.loads(old), tomllib.loads(new)
    except tomllib.TOMLDecodeError as error:
        raise Unpatchable(f"the change would not leave a TOML file: {error}") from None
    here: object = wanted
    for step, following in zip(loc[:-1], loc[1:], strict=True):
        if isinstance(here, dict):
            here.setdefault(step, [] if isinstance(following, int) else {})
        here = here[step]
    if value is _GONE:
        del here[loc[-1]]
    elif isinstance(here, list) and loc[-1] == len(here):
        here.append(copy.deepcopy(value))
    else:
        here[loc[-1]] = copy.deepcopy(value)
    if _without_empty(found) != _without_empty(wanted):
        raise Unpatchable(f"the change at {_words(loc)} would touch something else")
    return new


def _without_empty(content: object) -> object:
    """Content without lists and tables that hold nothing: where the last `[[row]]` is taken out there is no list any more."""
    if isinstance(content, dict):
        kept = {key: _without_empty(item) for key, item in content.items()}
        return {key: item for key, item in kept.items() if item not in ([], {})}
    return [_without_empty(item) for item in content] if isinstance(content, list) else content


# lines


def _newline(text: str) -> str:
    return "\r\n" if "\r\n" in text else "\n"


def _line_end(text: str, at: int) -> int:
    """Where the line of a character ends, before its break."""
    end = text.find("\n", at)
    if end < 0:
        return len(text)
    return end - 1 if text[end - 1 : end] == "\r" else end


def _after_line(text: str, at: int, said: str) -> str:
    end = _line_end(text, at)
    return text[:end] + (f"\n{said}").replace("\n", _newline(text)) + text[end:]


def _at_end(text: str, said: str) -> str:
    new, body = _newline(text), text.rstrip("\r\n")
    return (body + new * 2 if body.strip() else body) + said.replace("\n", new) + new


def _block(loc: Loc, row: Mapping[str, object]) -> str:
    """A row as a table of its own."""
    name = ".".join(_name(step) for step in loc if isinstance(step, str))
    return "\n".join([f"[[{name}]]", *(_pair(key, value) for key, value in row.items())])


# adding


def _add(text: str, where: Places, loc: Loc, value: object) -> str:
    """The text with a key that its table does not have yet: in its braces, below its last line, or with the table."""
    parent, key = loc[:-1], loc[-1]
    if not isinstance(key, str):
        raise Unpatchable(f"there is no row {_words(loc)}")
    if parent in where.inline:
        return _into_braces(text, where.values[parent], _pair(key, value))
    if parent in where.headers:
        return _after_line(text, where.bodies[parent], _pair(key, value))
    if not parent:
        return _at_top(text, where, _pair(key, value))
    dotted = [
        (span.end, one)
        for one, span in where.pairs.items()
        if one[: len(parent)] == parent and len(_header_of(where, one)) < len(parent) and not _inside(where, one)
    ]
    if dotted:
        end, one = max(dotted)
        way = ".".join(_name(step) for step in (*parent[len(_header_of(where, one)) :], key))
        return _after_line(text, end, f"{way} = {literal(value)}")
    if len(parent) == 1:
        return _at_end(text, f"[{_name(parent[0])}]\n{_pair(key, value)}")
    return _add(text, where, parent, {key: value})


def _header_of(where: Places, loc: Loc) -> Loc:
    """The table, by its header, that a key stands in."""
    return next((loc[:end] for end in range(len(loc) - 1, 0, -1) if loc[:end] in where.headers), ())


def _inside(where: Places, loc: Loc) -> bool:
    """Whether a place stands in braces or brackets."""
    return any(loc[:end] in where.inline or loc[:end] in where.lists for end in range(1, len(loc)))


def _at_top(text: str, where: Places, said: str) -> str:
    """The text with a key before its first header."""
    if where.bodies[()]:
        return _after_line(text, where.bodies[()], said)
    if where.first_header == len(text):
        return _at_end(text, said)
    return text[: where.first_header] + said + _newline(text) * 2 + text[where.first_header :]


def _into_braces(text: str, span: Span, said: str) -> str:
    inside = text[span.start + 1 : span.end - 1]
    if not inside.strip():
        return text[: span.start] + f"{{ {said} }}" + text[span.end :]
    end = span.start + 1 + len(inside.rstrip())
    return text[:end] + f", {said}" + text[end:]


def _append(text: str, where: Places, loc: Loc, row: Mapping[str, object]) -> str:
    """The text with one more member in brackets, on a line of its own where the others have one; rows that share a line part."""
    span, members = where.values[loc], [one for one in where.values if one[:-1] == loc]
    if not members:
        return text[: span.start] + f"[ {literal(row)} ]" + text[span.end :]
    if "\n" not in text[span.start : span.end] and all(one in where.inline for one in members) and not _inside(where, loc):
        return _spread(text, span, [where.values[one] for one in sorted(members)], row)
    last = where.values[max(members)]
    rest = text[last.end : span.end - 1]
    if "\n" not in rest:
        return text[: last.end] + f", {literal(row)}" + text[last.end :]
    comma = _TO_COMMA.match(rest)
    start = text.rfind("\n", 0, last.start) + 1
    indent = text[start : last.start] if not text[start : last.start].strip() else "  "
    end = _line_end(text, last.end + (comma.end() if comma else 0))
    head = text[: last.end] + ("" if comma else ",") + text[last.end : end]
    return head + _newline(text) + indent + literal(row) + "," + text[end:]


def _spread(text: str, span: Span, members: list[Span], row: Mapping[str, object]) -> str:
    """The text with the rows of a list that stood on one line, and one more, on lines of their own, as they were written."""
    line = text[text.rfind("\n", 0, span.start) + 1 : span.start]
    indent, new = line[: len(line) - len(line.lstrip(" \t"))], _newline(text)
    said = [*(text[one.start : one.end] for one in members), literal(row)]
    return text[: span.start] + "[" + new + "".join(f"{indent}  {one},{new}" for one in said) + indent + "]" + text[span.end :]


# taking out


def _out_of_lines(text: str, span: Span) -> str:
    """Without a key and its line, the comment behind it with them."""
    start, end = text.rfind("\n", 0, span.start) + 1, text.find("\n", span.end)
    return text[:start] + ("" if end < 0 else text[end + 1 :])


def _out_of_list(text: str, span: Span) -> str:
    """Without a member of braces or brackets and its comma; with its line where it has one of its own."""
    after = re.compile(r"[ \t]*,").match(text, span.end)
    end = after.end() if after else span.end
    line, stop = text.rfind("\n", 0, span.start) + 1, text.find("\n", end)
    if stop >= 0 and not text[line : span.start].strip() and not re.sub(r"#.*", "", text[end:stop]).strip():
        return text[:line] + text[stop + 1 :]
    if after:
        return text[: span.start] + text[end:].lstrip(" \t")
    before = re.search(r",[ \t\r\n]*\Z", text[: span.start])
    return text[: before.start() if before else span.start] + text[end:]
