"""A TOML file as tables whose leaves know their key path, place in the file and provenance.

`prepare` turns what `tomllib` read into `Table`, `Rows` and `Raw` objects, whatever the file says,
so that the models can check it all and every fault can name its field. Key paths go by id where a
row has one (`panel.main.bus`), by number from 0 where it has none (`vehicle.0.response`).
"""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from workbook_lib.errors import Fault
from workbook_lib.home.slips import NOT_KNOWN, TRADE_WORDS, toml_cause, toml_todo

ORIGINS = ("nameplate", "photo", "directory", "measured", "drawing", "data-sheet", "utility", "assumed", "stated")
"""What `from` may say; text alone means stated."""

ID = re.compile(r"[a-z0-9][a-z0-9_-]{0,63}\Z")
ID_RULE = "a small letter or digit, then up to 63 small letters, digits, - or _ (no dots, no spaces)"
MAX_BYTES = 500_000
MANY_NAMES = 1000
MAX_DEPTH = 12
WRAPPER_KEYS = ("value", "from", "note")


@dataclass(frozen=True, slots=True)
class Trouble:
    """What is wrong with one leaf, as the parts of a Fault."""

    what: str
    value: str = ""
    limit: str = ""
    todo: str = ""

    def parts(self) -> tuple[str, str, str, str]:
        """What, value, limit and todo."""
        return self.what, self.value, self.limit, self.todo


@dataclass(frozen=True, slots=True)
class Override:
    """A value put in place of what the file says; `was` is that, or None where it says nothing."""

    value: object
    was: object = None


@dataclass(slots=True)
class Raw:
    """A leaf as written: key path, place (keys and row numbers), value, origin, note, owner's id."""

    path: str
    loc: tuple[str | int, ...]
    value: object
    origin: str = "stated"
    note: str = ""
    owner: str = ""
    override: bool = False
    troubles: tuple[Trouble, ...] = ()


class Table(dict):
    """A table of the file, its values prepared; `path` and `loc` as in `Raw`."""

    __slots__ = ("path", "loc", "owner")


class Rows(list):
    """An array of tables, its members prepared; `path` and `loc` as in `Raw`."""

    __slots__ = ("path", "loc")


def show(value: object) -> str:
    """A value as it stands in the file, short enough for one line."""
    if isinstance(value, Raw):
        value = value.value
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        text = f'"{value}"'
    elif isinstance(value, Mapping):
        text = "a table with " + ", ".join(map(str, value)) if value else "an empty table"
    elif isinstance(value, (list, tuple)):
        if any(isinstance(item, Mapping) for item in value):
            text = f"{len(value)} rows"
        else:
            text = "[" + ", ".join(show(item) for item in value[:5]) + (", ...]" if len(value) > 5 else "]")
    else:
        text = str(value)
    text = "".join(character if character.isprintable() else "?" for character in text)
    return text if len(text) <= 80 else text[:77] + "..."


def nearest(word: str, known: Iterable[str]) -> str:
    """The known name closest to a word, empty where none is close."""
    candidates = list(known)
    folded = {name.casefold().replace("_", "-"): name for name in candidates}
    plain = _plain(word)
    if plain in folded:
        return folded[plain]
    meant = [name for name in TRADE_WORDS.get(plain, ()) if name in candidates]
    if meant:
        return meant[0]
    close = difflib.get_close_matches(plain, folded, n=1, cutoff=0.6) if len(folded) <= MANY_NAMES else []
    if close:
        return folded[close[0]]
    starts = [name for key, name in folded.items() if len(plain) >= 3 and (key.startswith(plain) or plain.startswith(key))]
    if len(starts) == 1:
        return starts[0]
    inside = [name for key, name in folded.items() if len(key) >= 3 and key in re.split(r"[-/ ]", plain)]
    return inside[0] if len(inside) == 1 else ""


def _plain(word: str) -> str:
    return word.casefold().strip().replace("_", "-").replace(" ", "-")[:80]


def suggest(word: str, known: Iterable[str], otherwise: str) -> str:
    """Words for what to do about an unknown name: the nearest known one, else `otherwise`."""
    close = nearest(word, known)
    if close:
        return f'did you mean "{close}"?'
    return "leave the field out where it is not known" if _plain(word) in NOT_KNOWN else otherwise


def parse_toml(name: str, data: bytes) -> tuple[dict[str, object] | None, Fault | None, str]:
    """Tables of a TOML file, or the one fault that says why it is none, and its text."""
    todo = "give a text file in TOML, UTF-8; the README shows one"
    if len(data) > MAX_BYTES:
        return None, Fault(name, "", "is too large for a file of this kind", f"{len(data)} bytes", f"{MAX_BYTES} bytes", todo), ""
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        return None, Fault(name, "", "is not text in UTF-8", f"byte {error.start}", "TOML in UTF-8", todo, line), ""
    try:
        return tomllib.loads(text), None, text
    except RecursionError:
        return None, Fault(name, "", "is nested too deeply", "", f"at most {MAX_DEPTH} levels", todo), ""
    except ValueError as error:
        words = str(error)
        place = re.search(r"\(at line (\d+), column \d+\)", words)
        line = int(place.group(1)) if place else text.count("\n") + 1
        lines = text.split("\n")
        found = lines[line - 1].strip() if 0 < line <= len(lines) else "the end of the file"
        cause = toml_cause(re.sub(r" \(at [^)]*\)", "", words), found)
        todo = toml_todo(cause, found, line)
        return None, Fault(name, "", f"is not TOML: {cause}", show(found)[1:-1] or "an empty line", "TOML", todo, line), ""


def read_bytes(name: str, path: Path, most: int = MAX_BYTES) -> tuple[bytes | None, Fault | None]:
    """Bytes of a file of at most so many, or the fault that says why they cannot be had."""
    try:
        if path.stat().st_size > most and not path.is_dir():
            limit = f"{most} bytes"
            return None, Fault(
                name, "", "is too large for a file of this kind", f"{path.stat().st_size} bytes", limit, "check the file named"
            )
        return path.read_bytes(), None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "the name cannot be used"
        return None, Fault(name, "", "cannot be read", reason, "a file that exists and can be read", "check the path")


class _Preparer:
    """One walk over the tables of a file; ids already met are remembered, so that paths stay unique."""

    def __init__(self, wrappers: bool) -> None:
        self.wrappers = wrappers
        self.ids: set[str] = set()
        self.too_deep: list[str] = []

    def table(self, content: Mapping, path: str, loc: tuple, owner: str) -> Table:
        made = Table()
        made.path, made.loc, made.owner = path, loc, owner
        if len(loc) > MAX_DEPTH:
            self.too_deep.append(path)
            return made
        prefix = f"{path}." if path else ""
        for key, value in content.items():
            made[key] = self.value(value, prefix + key, (*loc, key), owner)
        return made

    def value(self, value: object, path: str, loc: tuple, owner: str) -> Table | Rows | Raw:
        if isinstance(value, Override):
            note = f"override; the file says {show(value.was)}" if value.was is not None else "override; the file says nothing"
            return Raw(path, loc, value.value, note=note, owner=owner, override=True)
        if isinstance(value, Mapping):
            if self.wrappers and any(key in value for key in WRAPPER_KEYS):
                return self.wrapped(value, path, loc, owner)
            return self.table(value, path, loc, owner)
        if isinstance(value, list) and any(isinstance(item, Mapping) for item in value):
            return self.rows(value, path, loc, owner)
        return Raw(path, loc, value, owner=owner)

    def rows(self, items: list, path: str, loc: tuple, owner: str) -> Rows:
        made = Rows()
        made.path, made.loc = path, loc
        for index, item in enumerate(items):
            name, row_owner = str(index), owner
            if isinstance(item, Mapping):
                given = item.get("id")
                given = given.value if isinstance(given, Override) else given
                given = given.get("value") if isinstance(given, Mapping) else given
                if isinstance(given, str) and ID.match(given):
                    row_owner = given
                    if given not in self.ids:
                        self.ids.add(given)
                        name = given
                made.append(self.table(item, f"{path}.{name}", (*loc, index), row_owner))
            else:
                made.append(Raw(f"{path}.{name}", (*loc, index), item, owner=owner))
        return made

    def wrapped(self, content: Mapping, path: str, loc: tuple, owner: str) -> Raw:
        troubles = []
        for key in content:
            if key not in WRAPPER_KEYS:
                todo = suggest(key, WRAPPER_KEYS, "remove it")
                troubles.append(Trouble(f'unknown key "{key}" beside a value', show(content[key]), ", ".join(WRAPPER_KEYS), todo))
        if "value" not in content:
            troubles.append(Trouble("has no value", show(content), "{ value = ..., from = ..., note = ... }", "add the value"))
        origin, note = content.get("from", "stated"), content.get("note", "")
        if origin not in ORIGINS:
            todo = suggest(str(origin), ORIGINS, "say how the value is known")
            troubles.append(Trouble("unknown origin", show(origin), ", ".join(ORIGINS), todo))
        if not isinstance(note, str):
            troubles.append(Trouble("note is not text", show(note), "text in quotes", "put it in quotes"))
        value, was_override = content.get("value"), False
        if isinstance(value, Override):
            value, was_override = value.value, True
        return Raw(path, loc, value, str(origin), str(note), owner, was_override, tuple(troubles))


def prepare(tables: Mapping[str, object], *, wrappers: bool = True) -> tuple[Table, list[str]]:
    """The tables of a file prepared for checking, and the paths that are nested too deeply.

    `wrappers`: whether `{ value = ..., from = ..., note = ... }` is a leaf with provenance (site
    files) or a table like any other (jurisdiction files).
    """
    walk = _Preparer(wrappers)
    return walk.table(tables, "", (), ""), walk.too_deep
