"""What was entered, put onto a site file that somebody else has changed meanwhile: nothing of either side is lost without being told.

Three texts are compared by what they say: the file as it was read, as entered, as it is now. Things that got another id on one side get
it in all three first, so that one thing is one thing. What was entered is then put into the text of the file as it is now, which stays
as it is elsewhere.
"""

from __future__ import annotations

import tomllib
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import NamedTuple

from workbook_lib.home.difference import leaves
from workbook_lib.home.lines import Loc
from workbook_lib.home.patch import Unpatchable, add_row, put, take_out
from workbook_lib.home.raw import ID, WRAPPER_KEYS
from workbook_lib.live.beginning import free_id
from workbook_lib.live.draft import STATED, Draft, is_id, value_at_loc
from workbook_lib.live.fields import EMPTY_LIST, Field, groups


@dataclass(frozen=True, slots=True)
class Merged:
    """A text with what was entered on it.

    `both`: key paths of what both sides changed, ours entered; `left`: those of what could not be put there. Words in brackets may stand
    behind a path.
    """

    text: str
    both: tuple[str, ...]
    left: tuple[str, ...]


def merged(base: str, mine: str, theirs: str) -> Merged:
    """What was changed between two texts, put onto a third.

    Parameters: text that was read, text as entered, text of the file now. Returns: Merged. Errors: ValueError where one is no TOML.
    """
    three, both, left = _named_alike(_Three(base, mine, theirs))
    work = _Putting(three)
    work.both += both
    work.left += left
    work.table(*map(tomllib.loads, three), (), "")
    work.take_out()
    return Merged(work.text, tuple(dict.fromkeys(work.both)), tuple(dict.fromkeys((*work.left, *_broken(work.text, three)))))


class _Three(NamedTuple):
    base: str
    mine: str
    theirs: str


class _Putting:
    """The text of the file as it is now, while what was entered is put into it."""

    def __init__(self, three: _Three):
        self.text = three.theirs
        self.both: list[str] = []
        self.left: list[str] = []
        self._out: list[_Out] = []
        base, mine, there = (set(_count(text)) for text in three)
        self._gone = (base & mine) - there
        self._refers = {field.path for field in _fields(three.mine) if field.refers}

    def table(self, base: Mapping, mine: Mapping, theirs: Mapping, loc: Loc, path: str) -> None:
        """What was changed within a table that is there on both sides."""
        for key in dict.fromkeys((*mine, *base)):
            self._value(base.get(key), mine.get(key), theirs.get(key), (*loc, key), f"{path}.{key}" if path else key)

    def _value(self, base: object, mine: object, theirs: object, loc: Loc, path: str) -> None:
        """What was changed at a place; None for nothing there."""
        if _same(mine, base) or _same(mine, theirs):
            return
        there = [one for one in (base, mine, theirs) if one is not None]
        if mine is not None and theirs is not None and all(map(_is_table, there)):
            self.table(base or {}, mine, theirs, loc, path)
        elif any(map(_is_rows, there)) and all(isinstance(one, list) for one in there):
            self._rows(base or [], mine or [], theirs or [], loc, path)
        elif gone := self._no_longer_there(mine, path):
            self.left.append(f"{path} (names {', '.join(gone)}, which is no longer there)")
        else:
            try:
                self.text = _with_value(self.text, loc, mine, theirs)
            except Unpatchable:
                self.left.append(path)
                return
            if not _same(theirs, base):
                self.both.append(path)

    def _no_longer_there(self, value: object, path: str) -> list[str]:
        """What a value names that they took out."""
        return [one for one in _names(_bare(value)) if one in self._gone] if path in self._refers else []

    def _rows(self, base: list, mine: list, theirs: list, loc: Loc, path: str) -> None:
        """What was changed in a list of rows, by their ids where each has one."""
        old, ours, other = _numbers(base), _numbers(mine), _numbers(theirs)
        if old is None or ours is None or other is None:
            self._nameless(base, mine, theirs, loc, path)
            return
        for name, number in ours.items():
            before, way = base[old[name]] if name in old else {}, f"{path}.{name}"
            if name in other:
                self.table(before, mine[number], theirs[other[name]], (*loc, other[name]), way)
            elif name in old:
                self.left += _changed(before, mine[number], way)
            else:
                try:
                    self.text = add_row(self.text, loc, mine[number])
                except Unpatchable:
                    self.left.append(way)
        for name in [name for name in old if name not in ours and name in other]:
            changed = not _same(base[old[name]], theirs[other[name]])
            self._out.append(_Out((*loc, other[name]), f"{path}.{name}", changed))

    def _nameless(self, base: list, mine: list, theirs: list, loc: Loc, path: str) -> None:
        """What was changed in a list whose rows have no ids: row by row where each is still the same thing, else the list is one value."""
        whole = not _same(theirs, base) and not (_in_place(base, mine) and _in_place(base, theirs))
        base = theirs if whole else base
        if _in_place(base, mine):
            for number, row in enumerate(mine):
                self.table(base[number], row, theirs[number], (*loc, number), f"{path}.{number}")
        else:
            try:
                self.text = _with_rows(self.text, loc, theirs, mine)
            except Unpatchable:
                self.left.append(path)
                return
        if whole:
            self.both.append(f"{path} (the whole list is yours)")

    def take_out(self) -> None:
        """Take out the rows that were taken out, but for what something names that stays."""
        fields, twice = _fields(self.text), {name for name, count in _count(self.text).items() if count > 1}
        while True:
            kept = [one for one in self._out if self._naming(one, fields, twice)]
            if not kept:
                break
            for one in kept:
                self.left.append(f"{one.path} (stays: {', '.join(self._naming(one, fields, twice))} names it)")
            self._out = [one for one in self._out if one not in kept]
        for one in sorted(self._out, key=lambda one: one.loc, reverse=True):
            try:
                self.text = take_out(self.text, one.loc)
            except Unpatchable:
                self.left.append(one.path)
                continue
            if one.changed:
                self.both.append(f"{one.path} (you took it out)")

    def _naming(self, out: _Out, fields: tuple[Field, ...], twice: set[str]) -> list[str]:
        """Fields that stay and name a row, or something in it."""
        names = {one.text for one in fields if is_id(one) and _within(one.loc, out.loc)} - twice
        staying = [one for one in fields if one.refers and not any(_within(one.loc, other.loc) for other in self._out)]
        return [one.path for one in staying if names & set(_names(one.text))]


@dataclass(frozen=True, slots=True)
class _Out:
    """A row that is to be taken out, and whether the other side changed it."""

    loc: Loc
    path: str
    changed: bool


# ids


def _named_alike(three: _Three) -> tuple[_Three, list[str], list[str]]:
    """The three texts with one id for one thing and one thing for one id. Returns: texts, what is told as of both sides, as left."""
    both: list[str] = []
    left: list[str] = []
    ours, other = _renames(three.base, three.mine), _renames(three.base, three.theirs)
    was_ours, was_other = ({new: old for old, new in found.items()} for found in (ours, other))
    for name in [name for name in (was_ours | was_other) if was_ours.get(name) != was_other.get(name)]:
        if name in _new_on_both(three):
            three, fresh = _freshly(three, name, both)
            if name in was_ours and fresh:
                ours[was_ours[name]] = fresh
    for old, new in (other | ours).items():
        now = (old, ours.get(old, old), other.get(old, old))
        there = [next((field.path for field in _id_fields(text) if field.text == name), "") for text, name in zip(three, now, strict=True)]
        if old in ours and not there[2]:
            left.append(there[1])
        if old in other and not there[1]:
            both.append(f"{there[2].removesuffix('.id')} (you took it out)")
        if old in ours and old in other and now[1] != now[2]:
            both.append(there[1])
        found = [_with_id(text, name, new) for text, name in zip(three, now, strict=True)]
        if None not in found:
            three = _Three(*found)
    tried: set[str] = set()
    while clash := _first_clash(three, tried):
        tried.add(clash)
        three, _ = _freshly(three, clash, both)
    return three, both, left


def _new_on_both(three: _Three) -> list[str]:
    """Ids that both sides have and the base has not, outer things first."""
    base, mine, theirs = (_count(text) for text in three)
    return [name for name in mine if name in theirs and name not in base]


def _first_clash(three: _Three, tried: set[str]) -> str:
    """An id that both sides gave to something new which is not the same, empty for none."""
    content = [tomllib.loads(text) for text in three[1:]]
    places = [{field.text: field for field in _id_fields(text)} for text in three[1:]]
    for name in _new_on_both(three):
        one, another = (found[name] for found in places)
        said = [value_at_loc(tables, field.loc[:-1]) for tables, field in zip(content, (one, another), strict=True)]
        if name not in tried and (one.path != another.path or not _same(*said)):
            return name
    return ""


def _freshly(three: _Three, name: str, both: list[str]) -> tuple[_Three, str]:
    """The texts with what was entered under an id that nothing has in place of one that the other side gave to something else."""
    fresh = free_id({str(number): tomllib.loads(text) for number, text in enumerate(three)}, name)
    path = next(field.path for field in _id_fields(three.mine) if field.text == name).removesuffix(".id")
    found = _with_id(three.mine, name, fresh)
    if found is None:
        return three, ""
    both.append(f"{path} (yours is {fresh})")
    return three._replace(mine=found), fresh


def _with_id(text: str, old: str, new: str) -> str | None:
    """A text with a thing under another id, and what names it with it; as it is without the thing, None where it cannot be."""
    found = [field for field in _id_fields(text) if field.text == old]
    if old == new or not found:
        return text
    draft = Draft(text)
    return draft.text if len(found) == 1 and draft.set(found[0].path, new) is None else None


def _renames(base: str, side: str) -> dict[str, str]:
    """Things that have another id in a text than in the base, old id to new id."""
    texts = (base, side)
    naming = tuple({field.path: _names(field.text) for field in _fields(text) if field.refers and field.given} for text in texts)
    return dict(_renamed(tomllib.loads(base), tomllib.loads(side), naming, tuple(map(_count, texts))))


def _renamed(base: object, side: object, naming: tuple, counts: tuple) -> Iterator[tuple[str, str]]:
    if _is_table(base) and _is_table(side):
        for key in base:
            yield from _renamed(base[key], side.get(key), naming, counts)
        return
    old, new = (_numbers(one) if isinstance(one, list) else None for one in (base, side))
    if old is None or new is None:
        return
    pairs = [(old[name], new[name]) for name in old if name in new]
    for gap in _gaps(old, new):
        gone = [name for name in gap[0] if counts[0][name] == 1 and name not in counts[1]]
        fresh = [name for name in gap[1] if counts[1][name] == 1 and name not in counts[0]]
        found = _paired(
            gone, fresh, {(one, another): _likeness(base[old[one]], side[new[another]]) for one in gone for another in fresh}, naming
        )
        yield from found
        pairs += [(old[one], new[another]) for one, another in found]
    for one, another in pairs:
        yield from _renamed(base[one], side[another], naming, counts)


def _gaps(old: dict[str, int], new: dict[str, int]) -> Iterator[tuple[list[str], list[str]]]:
    """Ids of only one of two lists, those of both lists between the same neighbours."""
    found: list[dict[tuple, list[str]]] = []
    for ids, others in ((old, new), (new, old)):
        gaps: dict[tuple, list[str]] = {}
        order = list(ids)
        for number, name in enumerate(order):
            if name not in others:
                before = next((one for one in reversed(order[:number]) if one in others), None)
                after = next((one for one in order[number:] if one in others), None)
                gaps.setdefault((before, after), []).append(name)
        found.append(gaps)
    for key in found[0]:
        if key in found[1]:
            yield found[0][key], found[1][key]


def _paired(gone: list[str], fresh: list[str], alike: Mapping, naming: tuple) -> list[tuple[str, str]]:
    """Which ids that are gone are which new ones: rows that say mostly the same, and are named by the same fields."""
    scores = {pair: (_named_by_same(*pair, naming), alike[pair]) for pair in alike}
    fits = {pair: score for pair, score in scores.items() if score[0] >= 0 and score[1] >= 0.5}
    if len(gone) == len(fresh):
        return [pair for pair in zip(gone, fresh, strict=True) if pair in fits]
    found: list[tuple[str, str]] = []
    for another in fresh:
        open_ = {pair: score for pair, score in fits.items() if pair[1] == another and pair[0] not in [one for one, _ in found]}
        best = [pair for pair, score in open_.items() if score == max(open_.values())]
        if len(best) == 1 and all(score <= fits[best[0]] for pair, score in fits.items() if pair[0] == best[0][0]):
            found += best
    return found


def _named_by_same(old: str, new: str, naming: tuple) -> int:
    """Fields that named one thing and name the other now, less those that speak against its being the same."""
    before, now = naming
    told = {path for path, names in before.items() if old in names and path in now}
    told |= {path for path, names in now.items() if new in names and path in before}
    return sum(1 if old in before[path] and new in now[path] else -1 for path in told)


# what two sides say


def _bare(value: object) -> object:
    """A value without how it is known."""
    return value.get("value") if isinstance(value, Mapping) and not _is_table(value) else value


def _is_table(value: object) -> bool:
    return isinstance(value, Mapping) and not any(key in value for key in WRAPPER_KEYS)


def _is_rows(value: object) -> bool:
    return isinstance(value, list) and any(isinstance(row, Mapping) for row in value)


def _same(one: object, other: object) -> bool:
    return _said(one) == _said(other)


def _said(value: object) -> tuple:
    """What is said, however it is written: a value that is stated is the value alone; 1, 1.0 and true are not the same."""
    if isinstance(value, Mapping):
        said = {key: item for key, item in value.items() if (key, item) not in (("from", STATED), ("note", ""))}
        if not _is_table(value) and set(said) == {"value"}:
            return _said(said["value"])
        return "table", *sorted((key, _said(item)) for key, item in (value if _is_table(value) else said).items())
    return ("list", *map(_said, value)) if isinstance(value, list) else (type(value).__name__, repr(value))


def _numbers(rows: list) -> dict[str, int] | None:
    """Numbers of rows by their ids, None where one has none or two have the same."""
    names = [_bare(row.get("id")) if isinstance(row, Mapping) else None for row in rows]
    sound = all(isinstance(name, str) and ID.match(name) for name in names) and len(set(names)) == len(names)
    return {name: number for number, name in enumerate(names)} if sound else None


def _likeness(one: object, other: object) -> float:
    """How much of what either of two rows says beside its id both say."""
    found = [{way: held for way, held in leaves(row).items() if way != ("id",)} for row in (one, other)]
    ways = {*found[0], *found[1]}
    alike = [way for way in ways if way in found[0] and way in found[1] and _same(found[0][way].value, found[1][way].value)]
    return len(alike) / len(ways) if ways else 1.0


def _in_place(before: list, now: list) -> bool:
    """Whether the rows of a list without ids are the same things in the same order still."""
    if len(before) != len(now) or not all(isinstance(row, Mapping) for row in (*before, *now)):
        return False
    pairs = [(one, other) for one, other in zip(before, now, strict=True) if not _same(one, other)]
    return all(_likeness(one, other) >= 0.5 and not any(_same(other, row) for row in before) for one, other in pairs)


def _changed(base: Mapping, mine: Mapping, path: str) -> list[str]:
    """Key paths of what was changed in a table."""
    found = []
    for key in dict.fromkeys((*mine, *base)):
        before, now, way = base.get(key), mine.get(key), f"{path}.{key}"
        if _is_table(before) and _is_table(now):
            found += _changed(before, now, way)
        elif isinstance(before, list) and isinstance(now, list) and _is_rows([*before, *now]):
            found += [] if _same(before, now) else _changed_rows(before, now, way)
        elif not _same(before, now):
            found.append(way)
    return found


def _changed_rows(base: list, mine: list, path: str) -> list[str]:
    old, ours = _numbers(base), _numbers(mine)
    if old is None or ours is None:
        return [path]
    found = []
    for name in dict.fromkeys((*ours, *old)):
        whole = name not in ours or name not in old
        found += [f"{path}.{name}"] if whole else _changed(base[old[name]], mine[ours[name]], f"{path}.{name}")
    return found


# texts


def _with_value(text: str, loc: Loc, value: object, there: object) -> str:
    """A text with something in place of what is there; None for nothing."""
    if value is None:
        return _without(text, loc, there)
    if not _is_table(value) and not _is_rows(value):
        try:
            return put(text, loc, value)
        except Unpatchable:  # provenance in dotted keys or under a header of its own
            if there is None:
                raise
    return _with(text if there is None else _without(text, loc, there), loc, value)


def _with(text: str, loc: Loc, value: object) -> str:
    if _is_table(value) and value:
        for key, item in value.items():
            text = _with(text, (*loc, key), item)
        return text
    if _is_rows(value) and all(isinstance(row, Mapping) for row in value):
        for row in value:
            text = add_row(text, loc, row)
        return text
    return put(text, loc, value)


def _without(text: str, loc: Loc, there: object) -> str:
    try:
        return take_out(text, loc)
    except Unpatchable:  # a table or list without a place of its own: what is in it, one after the other
        inside = there.items() if isinstance(there, Mapping) else enumerate(there) if isinstance(there, list) else ()
        if not inside:
            raise
        for key, item in reversed([*inside]):
            text = _without(text, (*loc, key), item)
        return text


def _with_rows(text: str, loc: Loc, there: list, wanted: list) -> str:
    """A text with other rows in a list: those that are wanted stay as they are written."""
    if not all(isinstance(row, Mapping) for row in (*there, *wanted)):
        return put(text, loc, wanted)
    kept: list[int] = []
    for row in wanted:
        after = kept[-1] + 1 if kept else 0
        number = next((number for number in range(after, len(there)) if _same(there[number], row)), None)
        if number is None:
            break
        kept.append(number)
    for row in wanted[len(kept) :]:
        text = add_row(text, loc, row)
    for number in reversed([number for number in range(len(there)) if number not in kept]):
        text = take_out(text, (*loc, number))
    return text


# things and what names them


@lru_cache(maxsize=8)
def _fields(text: str) -> tuple[Field, ...]:
    return tuple(field for group in groups(text) for field in group.every())


def _id_fields(text: str) -> list[Field]:
    """The fields that hold an id, outer things first."""
    return sorted((field for field in _fields(text) if is_id(field) and field.given), key=lambda field: len(field.loc))


def _count(text: str) -> Counter[str]:
    """Every id with how often it stands."""
    return Counter(field.text for field in _id_fields(text))


def _names(value: object) -> list[str]:
    """What a value names."""
    parts = value if isinstance(value, list) else str(value).split(", ") if value not in (None, "", EMPTY_LIST) else []
    return [str(one).removesuffix(":lugs") for one in parts]


def _within(loc: Loc, outer: Loc) -> bool:
    return loc[: len(outer)] == outer


def _broken(text: str, three: _Three) -> list[str]:
    """What the two sides together do to what each says rightly: a thing named that is gone, an id that stands twice."""
    told: list[list[str]] = []
    for one in (text, three.mine, three.theirs):
        ids = _count(one)
        refers = [(field.path, name) for field in _fields(one) if field.refers for name in _names(field.text)]
        known = {name for each in three for name in _count(each)}
        gone = [f"{path} (names {name}, which is no longer there)" for path, name in refers if name in known and name not in ids]
        told.append([*gone, *(f"{name} (the id stands twice now)" for name, count in ids.items() if count > 1)])
    return [one for one in told[0] if one not in told[1] and one not in told[2]]
