"""A new thing of a step of a visit: its id and what it cannot do without, then a button that adds it."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from html import escape

from workbook_lib.home.leaf import LeafFault
from workbook_lib.home.lines import Loc
from workbook_lib.home.patch import Unpatchable
from workbook_lib.home.raw import Trouble
from workbook_lib.live import beginning, visit_data
from workbook_lib.live.aim import GOES
from workbook_lib.live.draft import Draft
from workbook_lib.live.echo import settled
from workbook_lib.live.fields import ABSENT, Field, typed
from workbook_lib.live.fold import spaced
from workbook_lib.live.in_line import READERS, Unread, is_line
from workbook_lib.live.rows import NOT_GIVEN, Kit
from workbook_lib.live.things import STEMS
from workbook_lib.render.content import sentence

SAYS_LITTLE = ("plug", "fastened", "motor", "calculated")
"""Kinds of loads of which there are many: such a load is named by its breaker."""


class Adding:
    """Adds a thing of a step, or several that are typed in one line.

    `box`: the widget; `done` is called with the key paths of what was added, `refused` with words and entry.
    """

    def __init__(
        self, draft: Draft, kit: Kit, rows: visit_data.RowsAt, loc: Loc, title: str, done: Callable[[list[str]], None], refused: Callable
    ):
        import ipywidgets as widgets

        self._draft, self._kit, self._refused = draft, kit, refused
        self._loc, self.rows, self._done = loc, rows, done
        self._entries: dict[str, object] = {}
        blank = draft.blank(loc)
        for name in (["id"] if "id" in blank else []) + list(rows.first):
            self._entries[name] = self._entry(blank[name])
        if "id" in self._entries:
            stem = STEMS.get(rows.name, rows.name).replace(" ", "-")
            self._first_id = beginning.free_id(tomllib.loads(draft.text), stem)
            self._entries["id"].value = "" if rows.line else self._first_id
        self._button = widgets.Button(description=f"Add {title}", layout=kit.button)
        self._button.add_class(GOES)
        self._button.on_click(settled(self.add))
        told = [widgets.HTML(f'<p class="wb">{escape(rows.words)}</p>', layout=kit.line)] if rows.words else []
        self.box = spaced(*self._entries.values(), self._button, *told, kit=kit, kind="wb-adding")
        self.first.add_class("wb-start")
        self.box.add_class(f"wb-of-{kind_of(rows)}")
        self.box.add_class(f"wb-entries-{len(self._entries)}")
        if rows.line:
            self.box.add_class("wb-lines")
            self._entries["id"].placeholder = f"as {rows.name}, or in one line: {READERS[rows.line][1]}"

    def _entry(self, field: Field):
        import ipywidgets as widgets

        label = "Name (id)" if field.name == "id" else sentence(field.leaf.label)
        if field.options and not field.several:
            options = [(NOT_GIVEN, ABSENT), *((one, one) for one in field.options)]
            return widgets.Dropdown(options=options, description=label, layout=self._kit.entry, style=self._kit.wide)
        # told once it is left: the whole of it is on its way before the button is pressed
        entry = widgets.Text(description=label, layout=self._kit.entry, style=self._kit.wide, continuous_update=False)
        entry.placeholder = f"as {field.example}" if field.example else ""
        return entry

    @property
    def first(self):
        """The entry at which the keys begin: the id where a person gives it, else behind it, since one is offered."""
        names = [name for name in self._entries if name != "id" or self.rows.named]
        return self._entries[names[0]]

    def again(self, then: str):
        """Where the keys go on for the next thing: at the name, where the last were typed there in one line.

        Parameters: field that the last one was asked for first, empty after a line.
        """
        return self._entries["id"] if self.rows.line and self.rows.then and not then else self.first

    def renew(self) -> None:
        """What may be chosen by now; what is entered stays."""
        for name, field in self._draft.blank(self._loc).items():
            entry = self._entries.get(name)
            if entry is not None and hasattr(entry, "index"):
                options = ((NOT_GIVEN, ABSENT), *((one, one) for one in field.options))
                if tuple(entry.options) != options:
                    chosen = entry.value
                    entry.options = options
                    entry.value = chosen if chosen in field.options else ABSENT

    def choose(self, name: str, text: str):
        """Choose something that was added just now, where nothing is chosen yet.

        Parameters: field, what is chosen. Returns: where to go on, the first entry that is empty, else the button; None where it was not.
        """
        entry = self._entries.get(name)
        if entry is None or entry.value.strip() or (hasattr(entry, "index") and text not in [value for _, value in entry.options]):
            return None
        entry.value = text
        return next((one for one in self._entries.values() if not one.value.strip()), self._button)

    def put_between(self, upstream: str, name: str) -> None:
        """Have what is being added hang on a new thing in place of what that hangs on. Parameters: id of that, id of the new thing."""
        entry = self._entries.get("connected_to")
        if entry is not None and entry.value == upstream and name in [value for _, value in entry.options]:
            entry.value = name

    def _row(self) -> Mapping[str, str]:
        row = {name: entry.value for name, entry in self._entries.items() if entry.value.strip()}
        if "id" in self._entries and row.get("id", self._first_id) == self._first_id:
            return self._named({name: text for name, text in row.items() if name != "id"})
        return row

    def _named(self, row: Mapping[str, str]) -> Mapping[str, str]:
        """A row with an id of its own where none was given. Parameters: fields as typed. Returns: them with the id."""
        if "id" in row:
            return row
        by_kind = self.rows.path == "load" and "kind" in row
        return {"id": self._by_kind(row) if by_kind else beginning.free_id(tomllib.loads(self._draft.text), self._first_id), **row}

    def _by_kind(self, row: Mapping[str, str]) -> str:
        """The id of a load that is named by its kind, or by its breaker where the kind says little; told apart from a breaker by a word."""
        content = tomllib.loads(self._draft.text)
        kind = row["connected_to"].removesuffix("-breaker") if row["kind"] in SAYS_LITTLE and "connected_to" in row else row["kind"]
        loads = {load.get("id") for load in content.get("load", ())}
        free = beginning.free_id(content, kind)
        return free if free == kind or kind in loads else beginning.free_id(content, f"{kind}-load")

    def add(self) -> None:
        """Add it with what is entered."""
        if self.rows.line and is_line(self._entries["id"].value):
            self._add_line(self._entries["id"].value)
            return
        row = self._row()
        lacking = [entry for name, entry in self._entries.items() if name not in row]
        if lacking:
            self._refused(f"Enter {', '.join(entry.description for entry in lacking)} first.", lacking[0])
            return
        free = beginning.free_id(tomllib.loads(self._draft.text), row["id"]) if "id" in row else ""
        if "id" in row and free != row["id"]:
            self._refused(f"{row['id']} is the id of another thing. Do: give it another, as {free}.", self._entries["id"])
            return
        try:
            with self._draft.one_step():
                self._done([self._draft.add(self._loc, row)])
        except LeafFault as fault:
            self._refused("; ".join(map(_words, fault.troubles)), self._unread(row))
        except Unpatchable as error:
            self._refused(str(error), self._button)

    def _add_line(self, text: str) -> None:
        """Add all that a line holds, or nothing. Parameters: text."""
        try:
            rows = READERS[self.rows.line][0](text)
        except Unread as unread:
            self._refused(_words(unread.trouble), self._entries["id"])
            return
        troubles = self._troubles(rows)
        if troubles:
            self._refused("; ".join(troubles), self._entries["id"])
            return
        before = self._draft.text
        try:
            with self._draft.one_step():
                self._done([self._draft.add(self._loc, self._named(row)) for row in rows])
        except Unpatchable as error:
            self._draft.take_up(before)
            self._refused(str(error), self._entries["id"])

    def _troubles(self, rows: list[dict[str, str]]) -> list[str]:
        """What is wrong with rows before any is added: ids that are taken, values that are refused. Returns: each in words."""
        content, blank = tomllib.loads(self._draft.text), self._draft.blank(self._loc)
        names, found = [row.get("id", "") for row in rows], []
        for place, row in enumerate(rows):
            name = names[place]
            if name and (beginning.free_id(content, name) != name or name in names[:place]):
                found.append(f"{name} is the id of another thing. Do: give it another, as {name}-2")
            for key, text in row.items():
                try:
                    typed(blank[key], text)
                except LeafFault as fault:
                    found += [f"{name or row['kind']}: {_words(one)}" for one in fault.troubles]
        return found

    def _unread(self, row: Mapping[str, str]):
        """The first entry that cannot be read; the button where each can."""
        for name, field in self._draft.blank(self._loc).items():
            try:
                if name in row:
                    typed(field, row[name])
            except LeafFault:
                return self._entries[name]
        return self._button


def _words(trouble: Trouble) -> str:
    return f"{trouble.what}: {trouble.value}. Do: {trouble.todo}"


def kind_of(rows: visit_data.RowsAt) -> str:
    """The list that a thing stands in, as one word. Parameters: list. Returns: small letters, digits and hyphens."""
    return rows.path.replace(f".{visit_data.EVERY}.", "-").replace(".", "-")
