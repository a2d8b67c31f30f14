"""A new home by the questions of a site visit: each with why it is asked and where it is read, the verdict beside."""

from __future__ import annotations

import tomllib
from html import escape

from workbook_lib.home.leaf import LeafFault
from workbook_lib.home.patch import Unpatchable
from workbook_lib.live import visit
from workbook_lib.live.board import Board
from workbook_lib.live.fields import ABSENT, Field
from workbook_lib.live.fold import Fold, Line, settled, spaced
from workbook_lib.live.panels import Saving, Steps
from workbook_lib.live.rows import NOT_GIVEN, Kit, Known, Row
from workbook_lib.live.session import Session
from workbook_lib.live.things import ADDED, STEMS
from workbook_lib.render.content import sentence


class Adding:
    """Adds one thing of a step: its id and what it cannot do without, then a button. `box`: the widget."""

    def __init__(self, of: Visit, rows: visit.RowsAt, loc, title: str, done):
        import ipywidgets as widgets

        self._of, self._loc, self._rows, self._done = of, loc, rows, done
        self._draft, self._kit, self._told = of.draft, of.kit, of.say
        draft, kit = of.draft, of.kit
        self._entries: dict[str, object] = {}
        blank = draft.blank(loc)
        names = (["id"] if "id" in blank else []) + list(rows.first)
        for name in names:
            self._entries[name] = self._entry(blank[name])
        if "id" in self._entries:
            stem = STEMS.get(rows.name, rows.name).replace(" ", "-")
            self._first_id = visit.free_id(tomllib.loads(draft.text), stem)
            self._entries["id"].value = self._first_id
        self._button = widgets.Button(description=f"Add {title}", layout=kit.button)
        self._button.on_click(settled(self.add))
        self.box = spaced(*self._entries.values(), self._button, kit=kit, kind="wb-adding")

    def _entry(self, field: Field):
        import ipywidgets as widgets

        label = "Name (id)" if field.name == "id" else sentence(field.leaf.label)
        if field.options and not field.several:
            options = [(NOT_GIVEN, ABSENT), *((one, one) for one in field.options)]
            return widgets.Dropdown(options=options, description=label, layout=self._kit.entry, style=self._kit.wide)
        entry = widgets.Text(description=label, layout=self._kit.entry, style=self._kit.wide)
        entry.placeholder = f"as {field.example}" if field.example else ""
        return entry

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

    def add(self) -> None:
        """Add it with what is entered."""
        row = {name: entry.value for name, entry in self._entries.items() if entry.value.strip()}
        lacking = [self._entries[name].description for name in self._entries if name not in row]
        if lacking:
            self._told(f"Enter {', '.join(lacking)} first.", trouble=True)
            return
        if row.get("id") == getattr(self, "_first_id", None) and row.get("kind") and self._rows.name not in row["kind"]:
            row["id"] = visit.free_id(tomllib.loads(self._draft.text), row["kind"] if self._rows.path == "load" else row["id"])
        try:
            path = self._draft.add(self._loc, row)
        except LeafFault as fault:
            self._told("; ".join(f"{one.what}: {one.value}. Do: {one.todo}" for one in fault.troubles), trouble=True)
        except Unpatchable as error:
            self._told(str(error), trouble=True)
        else:
            self._done()
            self._of.added(path)


class Visit:
    """A site visit of one home. `box`: the widget."""

    def __init__(self, session: Session):
        import ipywidgets as widgets

        self.session, self.draft = session, session.draft
        self.known = Known()
        self.kit = Kit(lambda path: None, entry="100%", label="55%", known=self.known)
        self._kept: dict[object, object] = {}
        self._kept_of = ""
        self._things: dict[str, tuple[Fold, tuple[str, ...]]] = {}
        self._rows: dict[str, Row] = {}
        self._shape: tuple | None = None
        self._line = Line(self.kit)
        self._head = widgets.HTML(layout=self.kit.line)
        self._choice = widgets.Dropdown(description="Step", layout=widgets.Layout(width="100%"), style={"description_width": "3rem"})
        self._inside = widgets.VBox(layout=self.kit.line)
        self._back, self._next = (widgets.Button(description=words, layout=self.kit.button) for words in ("Back", "Next step"))
        self._back.on_click(lambda _: self.go(-1))
        self._next.on_click(lambda _: self.go(1))
        self._quiet = False
        content = self._content()
        self._step = (visit.first_open(content, session.passed) or visit.steps()[-1]).key
        self._choice.observe(self._chosen, "value")
        for button in (self._back, self._next):
            button.add_class("wb-go")
        moves = spaced(self._back, self._next, kit=self.kit)
        left = [self._head, self._choice, self.known.box, self._line.box, self._inside, moves]
        self.box = widgets.VBox(left, layout=self.kit.line)
        self.draft.listeners.append(self._changed)
        session.told.append(self._told)
        self.show()

    def _content(self) -> dict[str, object]:
        return tomllib.loads(self.draft.text)

    # steps

    def go(self, by: int) -> None:
        """To the step before or after. Parameters: -1 or 1."""
        keys = [step.key for step in visit.steps()]
        self.session.pass_over(self._step)
        self._step = keys[min(max(keys.index(self._step) + by, 0), len(keys) - 1)]
        self._line.say()
        self.show()

    def _chosen(self, change) -> None:
        if not self._quiet and change["new"]:
            self._step = change["new"]
            self.show()

    def show(self) -> None:
        """Show the step with its questions as they stand."""
        content = self._content()
        self._title(content)
        step = visit.step_of(self._step)
        if self._kept_of != self._step:
            self._kept, self._kept_of = {}, self._step
        self._rows, self._things = {}, {}
        self._shape = self._shape_of(content, step)
        keys = [one.key for one in visit.steps()]
        self._back.disabled, self._next.disabled = self._step == keys[0], self._step == keys[-1]
        parts = tuple(self._parts(content, step))
        if parts != self._inside.children:
            self._inside.children = parts

    def _title(self, content) -> None:
        whole = visit.progress(content)
        options = []
        for number, step in enumerate(visit.steps(), 1):
            here = visit.progress(content, step)
            lacking = here.needed - here.needed_answered
            state = f"{lacking} needed open" if lacking else "nothing stands here" if step.skip and not here.of else "answered"
            options.append((f"{number}. {step.title}: {state}", step.key))
        self._quiet = True
        try:
            if [value for _, value in self._choice.options] != [value for _, value in options] or list(self._choice.options) != options:
                self._choice.options = options
            self._choice.value = self._step
        finally:
            self._quiet = False
        lacking = whole.needed - whole.needed_answered
        saved = "saved" if self.session.read_text is not None and not self.draft.changed else "look at the verdict, then save"
        open_ones = "1 needed answer is open" if lacking == 1 else f"{lacking} needed answers are open"
        words = open_ones if lacking else f"Nothing that is needed is open: {saved}"
        step = visit.step_of(self._step)
        head = f'<h3 class="wb-head">{escape(step.title)}</h3><p class="wb">{escape(step.words)}</p>'
        self._head.value = (
            f'<p class="wb">{words} ({whole.answered} of {whole.of} questions answered). What you enter is kept at once.</p>{head}'
        )

    @staticmethod
    def _shape_of(content, step) -> tuple:
        return tuple(one.key for one in visit.asked(content, step)), tuple(row.key for row in visit.standing(content, step))

    def _parts(self, content, step: visit.Step) -> list[object]:
        import ipywidgets as widgets

        rows = visit.standing(content, step)
        parts: list[object] = []
        if step.skip and not any(row.rows.first for row in rows):
            told = f'<p class="wb"><strong>{escape(step.skip)}</strong> If not, go to the next step.</p>'
            parts.append(self._same("skip", lambda: widgets.HTML(told)))
        asked = list(visit.asked(content, step))
        own = {row.key for row in rows}
        loose = [one for one in asked if not any(one.key.startswith(f"{key}.") for key in own)]
        parts += self._adders(step, rows)
        for row in rows:
            inner = [other for other in own if other != row.key and other.startswith(f"{row.key}.")]
            here = [one for one in asked if one.key.startswith(f"{row.key}.") and not any(one.key.startswith(f"{key}.") for key in inner)]
            if not here and not row.rows.first:
                continue
            parts.append(self._thing(row, here))
        return parts + self._questions(loose)

    def _thing(self, row: visit.Standing, asked: list[visit.Asked]):
        lacking = sum(one.needed and not one.answered for one in asked)
        title = self.draft.group(row.key).title

        def make() -> list[object]:

            found = self._questions(asked)
            if row.rows.first and not row.rows.one:
                found.append(self._same(f"out {row.key}", lambda: self._out(row.key, title)))
            return found

        fold = self._fold(row.key, title, make, opened=bool(lacking))
        fold.say(note=f"{lacking} needed open" if lacking else self._summary(asked))
        self._things[row.key] = (fold, tuple(one.key for one in asked))
        return fold.box

    def _out(self, key: str, title: str):
        import ipywidgets as widgets

        button = widgets.Button(description=f"Take out {title}", layout=self.kit.button)
        button.on_click(lambda _: self._remove(key))
        return button

    def _same(self, key: object, make):
        """What was made before for a place of this step, or what is made now: what is typed into keeps its place on the screen."""
        if key not in self._kept:
            self._kept[key] = make()
        return self._kept[key]

    @staticmethod
    def _summary(asked: list[visit.Asked]) -> str:
        told = [str(one.value) for one in asked if one.answered and not isinstance(one.value, (list, dict)) and one.value is not None]
        return " \N{MIDDLE DOT} ".join(told)[:60]

    def _questions(self, asked: list[visit.Asked]) -> list[object]:
        boxes = []
        for one in asked:
            field = self.draft.field(one.key)
            if field is None:
                continue
            row = self._row(one, field)
            row.refresh(field, self.draft.wrong.get(one.key), self.session.faults().get(one.key, ""))
            self._rows[one.key] = row
            boxes.append(row.box)
        return boxes

    def _row(self, one: visit.Asked, field: Field) -> Row:
        words = one.question.ask + ("" if one.needed else " (if known)")
        hint = one.question.where + (f" Often: {one.question.suggest}." if one.question.suggest else "")
        return self._same((one.key, words), lambda: Row(self.draft, field, self.kit, ask=words, why=one.question.why, where=hint))

    def _adders(self, step: visit.Step, standing) -> list[object]:
        """What may be added at a step: what there must be stands open, else the first where nothing stands yet."""
        found = []
        for rows in (rows for rows in step.rows if rows.first):
            has = any(row.rows is rows for row in standing)
            if rows.one:
                found += [] if has else [self._one(rows)]
                continue
            for loc, of in self._lists(rows, standing):
                words = f"{_words(rows)} to {of}" if of else _words(rows)
                opened = not has and (rows.least > 0 or not found)
                found.append(
                    self._fold(f"add {self._step} {rows.name} {loc}", f"Add {words}", self._maker(rows, loc, words), opened=opened).box
                )
        return found

    def _fold(self, key: str, title: str, make, *, opened: bool) -> Fold:
        """A fold that stays open where it was, with what is in it."""
        if key in self._kept:
            self._kept[key].renew(title, make)
        return self._same(key, lambda: Fold(title, make, self.kit, opened=opened))

    def _maker(self, rows: visit.RowsAt, loc, words: str):
        return lambda: [self._adding(rows, loc, words).box]

    def _adding(self, rows: visit.RowsAt, loc, title: str) -> Adding:
        key = ("adding", rows.name, loc)
        if key in self._kept:
            self._kept[key].renew()
        return self._same(key, lambda: Adding(self, rows, loc, title, lambda: self._kept.pop(key, None)))

    def say(self, words: str, *, trouble: bool = False) -> None:
        """Tell what came of it. Parameters: words, whether it is trouble."""
        self._line.say(words, trouble=trouble)

    def added(self, path: str) -> None:
        """A thing was added: what is entered of it is known as the rest is; a run that is asked for here takes a raceway that is new."""
        group = self.draft.group(path)
        for field in group.fields:
            if field.given and field.has_provenance:
                self.known.tell(self.draft, field.path)
        if group.kind == "raceway":
            step = visit.step_of(self._step)
            asked = [one for one in visit.asked(self._content(), step) if one.key.endswith(".conductor.raceway") and not one.answered]
            if len(asked) == 1:
                self.draft.set(asked[0].key, path.partition(".")[2])
        self.show()
        self._line.say(f"Added {path}.")

    def _one(self, rows: visit.RowsAt):
        """The first field of a table of which there is one: with it the table is there."""
        field = next(self.draft.field(f"{rows.path}.{name}") for name in rows.first)
        ask = sentence(f"{rows.name or rows.path}: {field.leaf.label}")
        return self._same(("one", field.path), lambda: Row(self.draft, field, self.kit, ask=ask)).box

    def _lists(self, rows: visit.RowsAt, standing) -> list[tuple[tuple, str]]:
        """Places in the file of the lists that rows are added to, each with the id of what it belongs to."""
        parent, star, name = rows.path.rpartition(f".{visit.EVERY}.")
        if not star:
            return [(tuple(rows.path.split(".")), "")]
        found = [((*row.loc, *name.split(".")), row.id) for row in standing if row.rows.path == parent]
        return found

    def _remove(self, path: str) -> None:
        naming = self.draft.remove(path)
        if naming:
            self._line.say(f"{path} stays: it is named by {', '.join(naming)}. Let these name something else first.", trouble=True)
        else:
            self._line.say(f"Took out {path}. Undo brings it back.")

    # changes

    def _changed(self, structure: bool) -> None:
        content = self._content()
        step = visit.step_of(self._step)
        if structure or self._shape_of(content, step) != self._shape:
            self.show()
        else:
            self._title(content)
            self._refresh()
            asked = {one.key: one for one in visit.asked(content, step)}
            for fold, keys in self._things.values():
                here = [asked[key] for key in keys if key in asked]
                lacking = sum(one.needed and not one.answered for one in here)
                fold.say(note=f"{lacking} needed open" if lacking else self._summary(here))

    def _refresh(self) -> None:
        faults = self.session.faults()
        for path, row in self._rows.items():
            field = self.draft.field(path)
            if field is not None:
                row.refresh(field, self.draft.wrong.get(path), faults.get(path, ""))

    def _told(self) -> None:
        self._refresh()


def _words(rows: visit.RowsAt) -> str:
    """A new row in trade words, with the stem of its id where that says more."""
    words = ADDED.get(rows.path.rpartition(".")[2], rows.name)
    return words if rows.name in words else f"{words} ({rows.name})"


def assembled(session: Session):
    """A visit with its verdict and saving beside it, as one widget. Parameters: session of a home that is to be."""
    import ipywidgets as widgets

    from workbook_lib.live.study import columns

    whole = Visit(session)
    board = Board(session)
    saving = Fold("Save and render", lambda: [Saving(session, whole.kit).box], whole.kit, opened=True)
    title = f"New home {session.file.stem}"
    return columns(title, [], widgets.VBox([whole.box]), widgets.VBox([board.box, Steps(session, whole.kit).box, saving.box]), whole.kit)
