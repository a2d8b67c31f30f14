"""The fields of a home as a form: what decides first, then thing by thing, all else folded; things are added and taken out."""

from __future__ import annotations

from collections.abc import Sequence

from workbook_lib.home.fields import Number
from workbook_lib.home.leaf import LeafFault
from workbook_lib.home.patch import Unpatchable
from workbook_lib.live.echo import settled
from workbook_lib.live.fields import Field, Group
from workbook_lib.live.fold import Fold, Line, closed, spaced
from workbook_lib.live.rows import UNITS, Kit, Row
from workbook_lib.live.session import Session
from workbook_lib.live.things import ADDED, called, fresh_id, rows_of

FIRST_OPEN = 12
"""How many fields that decide are shown at once."""


class Form:
    """The form of a session. `box`: the widget."""

    def __init__(self, session: Session):
        import ipywidgets as widgets

        self.session, self.draft = session, session.draft
        self.kit = Kit(self._typing)
        self._typed = False
        self._rows: dict[str, list[Row]] = {}
        self._folds: dict[str, Fold] = {}
        self._line = Line(self.kit)
        self._deciding: tuple[str, ...] = ()
        self._first = widgets.VBox(layout=self.kit.line)
        self._things = widgets.VBox(layout=self.kit.line)
        self._renew = widgets.Button(description="Show the fields behind what decides now", layout=widgets.Layout(width="auto"))
        self._renew.on_click(lambda _: self.decide())
        self._renew.layout.display = "none"
        self.units = widgets.Dropdown(
            options=UNITS, description="Units shown beside", style={"description_width": "9rem"}, layout=self.kit.entry
        )
        self.units.observe(self._in_units, "value")
        self._order: list[str] = []
        self._used: set[str] = set()
        self._added: set[str] = set()
        self._places: dict[tuple[str | int, ...], str] = {}
        head = widgets.HTML('<h3 class="wb-head">What decides</h3>')
        rest = widgets.HTML('<h3 class="wb-head">The home, thing by thing</h3>')
        self.box = widgets.VBox([self.units, head, self._renew, self._first, rest, self._line.box, self._things], layout=self.kit.line)
        self.box.add_class("wb-form")
        self.draft.listeners.append(self._changed)
        session.told.append(self._told)
        self._line.say(
            "The first study of this home is being made: with it come the fields behind what decides, and the home thing by thing."
        )
        self._deciding = self._expected()
        self.decide()

    # building

    def rebuild(self, *, decided: bool = True) -> None:
        """Build the sections anew from the draft, those that are open staying open.

        Parameters: whether the fields that stand first are made anew too, False where one of them is being typed into.
        """
        opened = self._followed({path for path, fold in self._folds.items() if fold.opened})
        first = {} if decided else {path: [row for row in rows if row.box in self._first.children] for path, rows in self._rows.items()}
        self._rows, self._folds = {path: rows for path, rows in first.items() if rows}, {}
        self._order = self._paths()
        matter = [group for group in self.draft.groups() if group.there and self._matters(group)]
        others = [group for group in self.draft.groups() if group.there and not self._matters(group)]
        children = [self._section(group, opened).box for group in matter]
        if others:
            children.append(
                self._fold(f"Things that this workbook does not ask ({len(others)})", "others", self._maker(others, opened), opened).box
            )
        absent = [group for group in self.draft.groups() if not group.there]
        children.append(self._fold("Add a thing", "add", self._adding, opened).box)
        if absent:
            titles = ", ".join(group.title.lower() for group in absent)
            children.append(self._fold(f"Not in the file yet: {titles}", "absent", self._maker(absent, opened), opened).box)
        before, self._things.children = self._things.children, tuple(children)
        closed(before, self.kit)
        if decided:
            self.decide()

    def _followed(self, opened: set[str]) -> set[str]:
        """Key paths of open sections, and of what matters, where things have other ids now."""
        before, now = self._places, {one.loc: one.path for group in self.draft.groups() for one in group.groups()}
        self._places = now
        known, there = set(before.values()), set(now.values())
        for loc, path in before.items():
            if path not in there and now.get(loc, path) not in known:
                sets = ({_under(one, path, now[loc]) for one in kept} if loc in now else kept for kept in (opened, self._used, self._added))
                opened, self._used, self._added = sets
        return opened

    def _maker(self, groups: Sequence[Group], opened: set[str]):
        return lambda: [self._section(group, opened).box for group in groups]

    def _matters(self, group: Group) -> bool:
        if not self._used or group.path in self._added:
            return True
        return any(field.path in self._used for field in group.every()) or group.path in ("site", "study")

    def _fold(self, title: str, path: str, make, opened: set[str], level: str = "wb-fold") -> Fold:
        fold = Fold(title, make, self.kit, opened=False, level=level)
        self._folds[path] = fold
        if path in opened:
            fold.turn(True)
        return fold

    def _section(self, group: Group, opened: set[str]) -> Fold:
        fold = self._fold(group.title, group.path, lambda: self._inside(group.path, opened), opened)
        fold.say(note=self._note(group))
        return fold

    def _inside(self, path: str, opened: set[str]) -> list[object]:
        """Rows of a thing: what is given or asked first, the rest folded, then what stands in it."""
        import ipywidgets as widgets

        group = self.draft.group(path)
        if group is None:
            return []
        first = [field for field in group.fields if field.given or field.required or field.path in self._used]
        rest = [field for field in group.fields if field not in first]
        children = [self._row(field).box for field in first]
        if rest:
            words = f"More fields of {group.title.lower()} ({len(rest)})"
            children.append(
                self._fold(words, f"{path} more", lambda: [self._row(field).box for field in rest], opened, "wb-fold-small").box
            )
        for inner in group.inner:
            children.append(self._section(inner, opened).box)
        rows = rows_of(group)
        for name in rows:
            button = widgets.Button(
                description=f"Add {ADDED[name]} to {group.title.lower()}", layout=self.kit.button, style=self.kit.pressed
            )
            button.on_click(settled(lambda name=name: self._add((*group.loc, name), {}, name)))
            children.append(button)
        if group.row:
            button = widgets.Button(description=f"Take out {group.title.lower()}", layout=self.kit.button, style=self.kit.pressed)
            button.on_click(settled(lambda: self._remove(path)))
            children.append(button)
        return children

    def _row(self, field: Field, *, owned: bool = False) -> Row:
        row = Row(self.draft, field, self.kit, owner=self._owner(field) if owned else "")
        self._rows.setdefault(field.path, []).append(row)
        row.refresh(field, self.draft.wrong.get(field.path), self.session.faults().get(field.path, ""))
        return row

    def _owner(self, field: Field) -> str:
        """The thing that a field is of, in words."""
        return next((one.title for group in self.draft.groups() for one in group.groups() if field in one.fields), "")

    def _note(self, group: Group) -> str:
        """What stands behind the title of a thing: what is to be mended in it, else what it says first."""
        wrong = sum(one == group.path or one.startswith(f"{group.path}.") for one in {*self.draft.wrong, *self.session.faults()})
        return f"{wrong} to mend" if wrong else self._summary(group)

    @staticmethod
    def _summary(group: Group) -> str:
        told = [field.text for field in group.fields if field.given and field.name not in ("id", "connected_to", "status")][:4]
        return " \N{MIDDLE DOT} ".join(told)[:70]

    # what decides

    def decide(self) -> None:
        """Show the fields behind what decides now: those of the controlling check, and those that are asked for."""
        self._deciding = self._now_deciding()
        for path, rows in list(self._rows.items()):
            self._rows[path] = [row for row in rows if row.box not in self._first.children]
        added = {group.path for group in self.draft.groups() if any(one.name == "status" and one.text == "added" for one in group.fields)}
        found = [field for field in map(self.draft.field, self._deciding) if field is not None]
        found.sort(key=lambda field: (field.given, not any(field.path.startswith(f"{path}.") for path in added)))
        before, self._first.children = self._first.children, tuple(self._row(field, owned=True).box for field in found[:FIRST_OPEN])
        closed(before, self.kit)
        self._renew.layout.display = "none"

    def _now_deciding(self) -> tuple[str, ...]:
        own = self.session.state.answers.get(self.session.workbook)
        if own is None:
            return self._deciding
        return tuple(dict.fromkeys((*own.missing, *own.rests)))

    def _expected(self) -> tuple[str, ...]:
        """What stands first until it is known what decides: the figures of what is added to the home, else of its service."""
        every = [one for group in self.draft.groups() for one in group.groups() if one.there]
        added = [one for one in every if any(field.name == "status" and field.text == "added" for field in one.fields)]
        of = added or [one for one in every if one.path == "service"]
        return tuple(field.path for one in of for field in one.fields if field.given and isinstance(field.leaf, Number))

    # changes

    def _typing(self, path: str) -> None:
        """A field is being typed into: what stands first is not made anew under the hand that types."""
        self._typed = True

    def _changed(self, structure: bool) -> None:
        if not self._order:  # what comes with the first answer is not there yet
            self._refresh()
        elif structure or self._paths() != self._order:
            self.rebuild()
        else:
            self._refresh()

    def _paths(self) -> list[str]:
        return [one.path for group in self.draft.groups() for one in group.groups()]

    def _refresh(self) -> None:
        faults = self.session.faults()
        fields = {field.path: field for group in self.draft.groups() for field in group.every()}
        for path, rows in self._rows.items():
            for row in rows:
                if path in fields:
                    row.refresh(fields[path], self.draft.wrong.get(path), faults.get(path, ""))
        for path, fold in self._folds.items():
            group = self.draft.group(path)
            if group is not None:
                fold.say(note=self._note(group))

    def _told(self) -> None:
        """An answer came: once, the sections that matter are known; later, a button where other fields decide."""
        own = self.session.state.answers.get(self.session.workbook)
        if own is not None and not self._used:
            self._used = {*own.uses, *own.missing}
            self._line.say()
            self.rebuild(decided=not self._typed)
        elif own is None and self.session.state.faults is not None and not self._order:
            self._line.say()
            self.rebuild(decided=not self._typed)
        elif own is not None and self.session.current:
            other = set(self._now_deciding()) != set(self._deciding)
            shown = None if other else "none"
            if self._renew.layout.display != shown:
                self._renew.layout.display = shown
        if self.session.state.faults is not getattr(self, "_last_faults", None):
            self._last_faults = self.session.state.faults
            self._refresh()

    def _in_units(self, change) -> None:
        self.kit.units = change["new"]
        self._refresh()

    # things

    def _adding(self) -> list[object]:
        """Choices for a new thing: its kind, then what it cannot be without."""
        import ipywidgets as widgets

        kind = widgets.Dropdown(
            options=[(words, name) for name, words in ADDED.items() if (name,) in self._addable()],
            description="What",
            style=self.kit.short,
            layout=self.kit.entry,
        )
        button = widgets.Button(description="Add it", layout=self.kit.button)
        button.on_click(settled(lambda: self._add((kind.value,), {}, kind.value)))
        return [spaced(kind, button, kit=self.kit)]

    def _addable(self) -> set[tuple[str, ...]]:
        from workbook_lib.home.model import Site
        from workbook_lib.home.shapes import shapes

        return {(name,) for name, shape in shapes(Site).items() if shape.kind == "rows"}

    def _add(self, loc, row: dict[str, str], name: str) -> None:
        try:
            path = self.draft.add(loc, fresh_id(self.draft, name) | row)
        except (LeafFault, Unpatchable) as error:
            words = "; ".join(trouble.what for trouble in error.troubles) if isinstance(error, LeafFault) else str(error)
            self._line.say(words, trouble=True)
            return
        self._line.say(f"Added {called(path, self.draft.group(path).title)}: fill in what is marked.")
        if len(loc) == 1 and path not in self._folds:
            self._added.add(path)
            self.rebuild()
        for fold in (path.rpartition(".")[0].rpartition(".")[0], path):
            if fold in self._folds:
                self._folds[fold].turn(True)

    def _remove(self, path: str) -> None:
        try:
            naming = self.draft.remove(path)
        except Unpatchable as error:
            self._line.say(f"{path} stays: {error}. Take it out in the site file itself.", trouble=True)
            return
        if naming:
            self._line.say(f"{path} stays: it is named by {', '.join(naming)}. Let these name something else first.", trouble=True)
        else:
            self._line.say(f"Took out {path}. Undo brings it back.")


def _under(path: str, old: str, new: str) -> str:
    """A key path in a thing that has another one now, what is said behind it kept."""
    return f"{new}{path[len(old) :]}" if path == old or path.startswith((f"{old}.", f"{old} ")) else path
