"""The site file as entered so far: a text that is changed place by place, with what was typed wrongly kept beside it.

A change is made in the text itself (`home.patch`), so that comments, order and layout stay and what is studied, held and saved is one
and the same. What cannot be read never reaches the text. Every state can be gone back to.
"""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass

from workbook_lib.home.fields import Id, Number
from workbook_lib.home.leaf import LeafFault
from workbook_lib.home.lines import Loc
from workbook_lib.home.patch import Unpatchable, add_row, put, take_out
from workbook_lib.home.raw import ORIGINS, Raw, Trouble
from workbook_lib.home.references import REFERS, RESERVED
from workbook_lib.live.fields import ABSENT, Field, Group, groups, typed

STATED = "stated"
MOST_STEPS = 500
"""How many states can be gone back to."""


@dataclass(frozen=True, slots=True)
class Wrong:
    """What was typed into a field and cannot be read, with what is wrong."""

    text: str
    troubles: tuple[Trouble, ...]

    def words(self) -> str:
        """What is wrong, what is accepted, what to do."""
        said = []
        for trouble in self.troubles:
            found = f" ({trouble.value})" if trouble.value else ""
            limit = f"; accepted: {trouble.limit}" if trouble.limit else ""
            said.append(f"{trouble.what}{found}{limit}{f'; do: {trouble.todo}' if trouble.todo else ''}")
        return " ".join(said)


class Draft:
    """One site file on the desk.

    `text`: as entered so far, TOML that can be parsed, sound or not; `base`: what changes are told against (the file as it was read);
    `number`: goes up with every change; `wrong`: entries that cannot be read, by key path; `locals`: names of the jurisdiction and utility
    files that may be chosen.
    """

    def __init__(self, text: str, base: str | None = None, locals_: tuple[str, ...] = ()):
        self.text = text
        self.locals = locals_
        self.base = text if base is None else base
        self.number = 0
        self.wrong: dict[str, Wrong] = {}
        self._joined = ""
        self._held: bool | None = None
        self._past: list[tuple[str, str]] = []
        self._future: list[tuple[str, str]] = []
        self._found: tuple[str, tuple[Group, ...]] | None = None
        self._by_path: tuple[tuple[Group, ...], dict[str, Field]] | None = None
        self.listeners: list[Callable[[bool], None]] = []
        self._content_of_base: tuple[str, Mapping[str, object]] | None = None
        self._fields_of_base: tuple[str, dict[str, Field]] | None = None

    # what it holds

    def groups(self) -> tuple[Group, ...]:
        """The things of the home with their fields, as entered so far."""
        if self._found is None or self._found[0] != self.text:
            self._found = (self.text, groups(self.text, self.locals))
        return self._found[1]

    def field(self, path: str) -> Field | None:
        """A field by its key path, None where the home has no such thing."""
        found = self.groups()
        if self._by_path is None or self._by_path[0] is not found:
            self._by_path = (found, {field.path: field for group in reversed(found) for field in reversed(tuple(group.every()))})
        return self._by_path[1].get(path)

    def group(self, path: str) -> Group | None:
        """A thing by its key path, None where there is none."""
        return next((one for group in self.groups() for one in group.groups() if one.path == path), None)

    @property
    def changed(self) -> bool:
        """Whether it says anything that its base does not."""
        return self.text != self.base

    # changes of fields

    def set(self, path: str, text: str) -> Wrong | None:
        """Put what was typed into a field; an empty text takes the field out.

        Parameters: key path, text. Returns: what is wrong with it, None where it was taken. A value that differs from the base's loses the
        base's provenance, since a nameplate does not say what was typed; the base's own value gets it back.
        """
        field = self._known(path)
        text = text.strip()
        if text == field.text:
            if self.wrong.pop(path, None) is not None:
                self._tell(structure=False)
            return None
        try:
            new = self._without(field) if text == ABSENT else self._with(*self._cleared(field), text)
        except (LeafFault, Unpatchable) as fault:
            return self.refuse(path, text, fault)
        self.wrong.pop(path, None)
        if is_id(field) and text != ABSENT:
            self._rekey(path.rpartition(".")[0], f"{path.rpartition('.')[0].rpartition('.')[0]}.{text}")
        self._take(new, path)
        return None

    def known_from(self, path: str, origin: str, note: str | None = None) -> None:
        """Say how the value of a field is known.

        Parameters: key path, origin, note (None: as it is). Errors: ValueError for an unknown origin.
        """
        field = self._known(path)
        if origin not in ORIGINS:
            raise ValueError(f"unknown origin {origin!r}; there are {', '.join(ORIGINS)}")
        if not field.given:
            return
        value = value_at_loc(tomllib.loads(self.text), field.loc)
        value = value["value"] if field.wrapped else value
        note = field.note if note is None else note.strip()
        row = {"value": value} | ({"from": origin} if origin != STATED else {}) | ({"note": note} if note else {})
        try:
            new = put(self._bare(field, self.text), field.loc, value if len(row) == 1 else row)
        except Unpatchable as fault:
            self.refuse(path, field.text, fault)
            return
        self._take(new, f"{path} from")

    def says(self, path: str, text: str) -> bool:
        """Whether a field holds already what a text says, in whatever unit. Parameters: key path, text. Returns: whether it does."""
        field = self._known(path)
        if not isinstance(field.leaf, Number) or not field.given:
            return field.text == text
        try:
            there, said = (field.leaf.parse(Raw(path, field.loc, typed(field, one)))[0] for one in (field.text, text))
        except LeafFault:
            return False
        numbers = isinstance(there, float) and isinstance(said, float)
        return math.isclose(there, said, rel_tol=1e-9) if numbers else there == said

    def forget_wrong(self) -> None:
        """Let go what was typed and not taken; the fields show what they hold."""
        self.wrong.clear()
        self._tell(structure=False)

    def refuse(self, path: str, text: str, fault: LeafFault | Unpatchable) -> Wrong:
        """Keep what was typed and not taken. Parameters: key path of the field, text, what is wrong with it. Returns: both."""
        by_hand = Trouble("the layout of the file does not let it be changed here", str(fault), "", "change it in the site file itself")
        self.wrong[path] = Wrong(text, fault.troubles if isinstance(fault, LeafFault) else (by_hand,))
        self._tell(structure=False)
        return self.wrong[path]

    def _cleared(self, field: Field) -> tuple[Field, str]:
        """A field and the text that it stands in: where it was emptied just now, as it was before, so that it keeps its line."""
        if not field.given and self._past and self._past[-1][1] == field.path:
            before = self._past[-1][0]
            found = next((one for group in groups(before, self.locals) for one in group.every() if one.path == field.path), None)
            if found is not None and found.given:
                return found, before
        return field, self.text

    def _with(self, field: Field, within: str, text: str) -> str:
        value = typed(field, text)
        if is_id(field):
            return self._renamed(field, str(value))
        before = self._in_base(field.path)
        if before is not None and before.text == text and before.wrapped:
            return put(self._bare(field, within), field.loc, value_at_loc(self._base_content(), before.loc))
        return put(self._bare(field, within), field.loc, value)

    def _without(self, field: Field) -> str:
        if field.required:
            raise LeafFault(Trouble("cannot be left out", "nothing", field.leaf.accepted(), f"write {field.leaf.example()}"))
        if not field.given:
            return self.text
        text, table = take_out(self._bare(field, self.text), field.loc), field.loc[:-1]
        # a table that came with the field goes with it: an empty one says that the thing is there
        while table and isinstance(table[-1], str) and value_at_loc(tomllib.loads(text), table) == {}:
            if value_at_loc(self._base_content(), table) is not None:
                break
            text, table = take_out(text, table), table[:-1]
        return text

    @staticmethod
    def _bare(field: Field, within: str) -> str:
        """A text with the plain value where the field has provenance, so that one value is put in its place."""
        if not field.wrapped:
            return within
        value = value_at_loc(tomllib.loads(within), field.loc).get("value", "")
        try:
            return put(within, field.loc, value)
        except Unpatchable:  # provenance in dotted keys or under a header of its own
            return put(take_out(within, field.loc), field.loc, value)

    def _renamed(self, field: Field, name: str) -> str:
        """The text with a thing under another id, and every field that names it with it."""
        old, text, taken = field.text, self.text, self._ids()
        if name in taken or name in RESERVED:
            what = "the id is used already" if name in taken else "the id is the name of a place"
            raise LeafFault(Trouble(what, f'"{name}"', "each id once in the file", "choose another id"))
        for one in self._naming(old) if taken.count(old) == 1 else ():
            content = value_at_loc(tomllib.loads(text), one.loc)
            value = content.get("value") if one.wrapped else content
            new = [_swapped(item, old, name) for item in value] if isinstance(value, list) else _swapped(value, old, name)
            text = put(text, (*one.loc, "value") if one.wrapped else one.loc, new)
        return put(text, (*field.loc, "value") if field.wrapped else field.loc, name)

    def _ids(self) -> list[str]:
        """The ids of the home, each as often as it stands."""
        return [one.text for group in self.groups() for one in group.every() if is_id(one) and one.given]

    def _rekey(self, old: str, new: str) -> None:
        """Entries that were not taken, under the key paths of a thing with another id."""
        self.wrong = {f"{new}{key.removeprefix(old)}" if key.startswith(f"{old}.") else key: value for key, value in self.wrong.items()}

    def _naming(self, name: str) -> list[Field]:
        """Fields that name a thing."""
        found = []
        for group in self.groups():
            for field in group.every():
                if (field.table, field.name) in REFERS and name in [part.removesuffix(":lugs") for part in field.text.split(", ")]:
                    found.append(field)
        return found

    # changes of things

    def add(self, loc: Loc, row: Mapping[str, str]) -> str:
        """Add a thing: one more row of a table. Parameters: place of the table, fields as typed. Returns: its key path.

        Errors: LeafFault where a field cannot be read, Unpatchable.
        """
        count = self._count(loc)
        known = self.blank(loc)
        values = {name: typed(known[name], text) for name, text in row.items() if text.strip()}
        self._take(add_row(self.text, loc, values), "", structure=True)
        return next(group.path for group in _all(self.groups()) if group.loc == (*loc, count))

    def blank(self, loc: Loc) -> dict[str, Field]:
        """The fields that a new row of a table may have, by name. Parameters: place of the table. Errors: Unpatchable."""
        count = self._count(loc)
        for row in ({}, {"id": "new-thing"}):
            found = {
                field.name: field
                for group in _all(groups(add_row(self.text, loc, row)))
                if group.loc == (*loc, count)
                for field in group.fields
            }
            if found:
                return found
        raise Unpatchable(f"no row can be added at {'.'.join(map(str, loc))}")

    def _count(self, loc: Loc) -> int:
        rows = value_at_loc(tomllib.loads(self.text), loc)
        return len(rows) if isinstance(rows, list) else 0

    def remove(self, path: str) -> list[str]:
        """Take a thing out. Parameters: its key path. Returns: what names it, in which case it stays; nothing where it was taken out.

        Errors: KeyError where there is no such thing.
        """
        group = self.group(path)
        if group is None or not group.there:
            raise KeyError(f"there is nothing at {path}")
        ids = self._ids()
        names = {field.text for field in group.every() if is_id(field) and ids.count(field.text) == 1}
        inside = {field.path for field in group.every()}
        naming = [field.path for name in names for field in self._naming(name) if field.path not in inside]
        if not naming:
            numbered = path.rpartition(".")[2].isdigit()
            gone = path.rpartition(".")[0] if numbered else path  # rows without an id are counted anew
            self.wrong = {key: value for key, value in self.wrong.items() if not key.startswith(f"{gone}.")}
            self._take(take_out(self.text, group.loc), "", structure=True)
        return naming

    def put_right(self, loc: Loc, name: str) -> None:
        """Give a key that is no field another name, its value kept, or take it out. Parameters: its place, name (empty: take it out).

        Errors: Unpatchable.
        """
        value = value_at_loc(tomllib.loads(self.text), loc)
        without = take_out(self.text, loc)
        self._take(put(without, (*loc[:-1], name), value) if name else without, "", structure=True)

    # going back, taking up

    @property
    def can_undo(self) -> bool:
        """Whether there is a change to go back."""
        return bool(self._past)

    @property
    def can_redo(self) -> bool:
        """Whether there is a change to bring back."""
        return bool(self._future)

    @contextmanager
    def one_step(self, what: str = "") -> Iterator[None]:
        """All that is changed within is one step back, told once at its end.

        Parameters: field whose changes in a row are one step too, empty for none.
        """
        outer, self._joined, number = self._joined, self._joined or what or f"all of change {self.number}", self.number
        self._held = False if not outer else self._held
        try:
            yield
        finally:
            self._joined = outer
            if not outer:
                structure, self._held = bool(self._held), None
                if self.number != number:
                    self._hand_on(structure)

    def undo(self) -> bool:
        """Go back one change. Returns: whether there was one."""
        return self._step(self._past, self._future)

    def redo(self) -> bool:
        """Take back the last `undo`. Returns: whether there was one."""
        return self._step(self._future, self._past)

    def take_up(self, text: str) -> None:
        """Another text in place of this one, as of a variant; can be undone. Parameters: text. Errors: ValueError where it is no TOML."""
        groups(text)
        self.wrong.clear()
        self._take(text, "", structure=True)

    def based_on(self, text: str) -> None:
        """Say what the file holds now, once it was saved. Parameters: text of the file."""
        self.base = text
        self._tell(structure=False)

    def _step(self, source: list[tuple[str, str]], target: list[tuple[str, str]]) -> bool:
        if not source:
            return False
        target.append((self.text, ""))
        before, self.text = _things(self.groups()), source.pop()[0]
        self.wrong.clear()
        self._tell(structure=before != _things(self.groups()))
        return True

    def _take(self, text: str, what: str, *, structure: bool = False) -> None:
        """A new text; changes of one field in a row are one step back."""
        what = self._joined or what
        if text != self.text:
            if not (what and self._past and self._past[-1][1] == what):
                self._past.append((self.text, what))
                del self._past[:-MOST_STEPS]
            self._future.clear()
            self.text = text
        self._tell(structure=structure)

    def _tell(self, *, structure: bool) -> None:
        self.number += 1
        if self._held is None:
            self._hand_on(structure)
        else:
            self._held |= structure

    def _hand_on(self, structure: bool) -> None:
        for listener in tuple(self.listeners):
            listener(structure)

    # the base

    def _in_base(self, path: str) -> Field | None:
        if self._fields_of_base is None or self._fields_of_base[0] != self.base:
            fields = {field.path: field for group in groups(self.base) for field in group.every()}
            self._fields_of_base = (self.base, fields)
        return self._fields_of_base[1].get(path)

    def told_before(self, field: Field) -> str:
        """What the base says of a field where it says something else, in words; empty where it says the same. Parameters: field."""
        before = self._in_base(field.path)
        if before is None:
            return "new" if field.given else ""
        if (before.text, before.origin, before.note) == (field.text, field.origin, field.note):
            return ""
        known = ", ".join(part for part in (before.origin if before.origin != STATED else "", before.note) if part)
        return f"the file says {before.text}{f' ({known})' if known else ''}" if before.given else "the file says nothing"

    def _base_content(self) -> Mapping[str, object]:
        if self._content_of_base is None or self._content_of_base[0] != self.base:
            self._content_of_base = (self.base, tomllib.loads(self.base))
        return self._content_of_base[1]

    def _known(self, path: str) -> Field:
        field = self.field(path)
        if field is None:
            raise KeyError(f"the home has no field {path}")
        return field


def is_id(field: Field) -> bool:
    """Whether a field holds the id of a thing. Parameters: field."""
    return isinstance(field.leaf, Id) and field.name == "id" and field.loc[0] != "site"


def _things(found: tuple[Group, ...]) -> list[tuple[str, bool]]:
    return [(one.path, one.there) for one in _all(found)]


def _all(found: tuple[Group, ...]) -> list[Group]:
    return [one for group in found for one in group.groups()]


def _swapped(value: object, old: str, new: str) -> object:
    return new if value == old else f"{new}:lugs" if value == f"{old}:lugs" else value


def value_at_loc(content: object, loc: Loc) -> object:
    """What stands at a place, None for nothing."""
    for step in loc:
        if isinstance(content, Mapping):
            content = content.get(step)
        elif isinstance(content, list) and isinstance(step, int) and step < len(content):
            content = content[step]
        else:
            return None
    return content
