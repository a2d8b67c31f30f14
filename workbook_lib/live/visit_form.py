"""A new home by the questions of a site visit: each with why it is asked and where it is read, the verdict beside."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from html import escape

from workbook_lib.live import visit
from workbook_lib.live.adding import Adding, kind_of
from workbook_lib.live.aim import GOES, Aim
from workbook_lib.live.board import Board
from workbook_lib.live.echo import settled
from workbook_lib.live.fields import Field
from workbook_lib.live.fold import Fold, Line, spaced
from workbook_lib.live.panels import Saving, Steps
from workbook_lib.live.rows import Kit, Known, Row
from workbook_lib.live.session import Session
from workbook_lib.live.taking import take
from workbook_lib.live.things import ADDED, called
from workbook_lib.render.content import sentence

KEYS = (
    "Keys: <strong>Enter</strong> goes on to the next answer that is needed; in a new thing to its next entry, and from the last it adds "
    "it. <strong>Tab</strong> goes to every field, also those asked if known. <strong>Alt+N</strong> Next step, <strong>Alt+K</strong> "
    "what it is known from (Enter goes back), <strong>Alt+P</strong> Next photo, <strong>Alt+S</strong> Save and render."
)
KEPT = "What you enter is kept at once in the working copy beside the site file; the site file itself, {file}, is written with Save it so."
UNSAVED = "What you enter is kept in the working copy; the site file, {file}, is written with Save it so."


class Visit:
    """A site visit of one home. `box`: the widget."""

    def __init__(self, session: Session):
        import ipywidgets as widgets

        self.session, self.draft = session, session.draft
        self.known = Known()
        self.kit = Kit(lambda path: None, entry="100%", label="55%", known=self.known)
        self.kit.entered = self._entered
        self._kept: dict[object, object] = {}
        self._kept_of = ""
        self._things: dict[str, tuple[Fold, tuple[str, ...]]] = {}
        self._lacked: dict[str, int] = {}
        self.aim = Aim()
        self._adders_here: dict[str, Fold] = {}
        self._ones: list[object] = []
        self._rows: dict[str, Row] = {}
        self._shape: tuple | None = None
        self._line = Line(self.kit)
        self._head = widgets.HTML(layout=self.kit.line)
        self._choice = widgets.Dropdown(description="Step", layout=widgets.Layout(width="100%"), style={"description_width": "3rem"})
        self._inside = widgets.VBox(layout=self.kit.line)
        self._back, self._next = (widgets.Button(description=words, layout=self.kit.button) for words in ("Back", "Next step"))
        self._back.on_click(settled(lambda: self.go(-1)))
        self._next.on_click(settled(lambda: self.go(1)))
        self._quiet = False
        self._kept_where = KEPT.format(file=session.file.name)
        content = self._content()
        self._step = (visit.first_open(content, session.passed) or visit.steps()[-1]).key
        self._to_chosen = settled(self._go_to_chosen)
        self._choice.observe(self._chosen, "value")
        for button in (self._back, self._next):
            button.add_class(GOES)
        self._next.add_class("wb-next")
        moves = spaced(self._back, self._next, kit=self.kit)
        told = widgets.HTML(f'<p class="wb-keys">{KEYS}</p><p class="wb-typed" role="status"></p>', layout=self.kit.line)
        left = [self._head, self._choice, told, self.known.box, self._line.box, self._inside, moves]
        self.box = widgets.VBox(left, layout=self.kit.line)
        self.box.add_class("wb-visit")
        self.draft.listeners.append(self._changed)
        session.told.append(self._told)
        self.show()

    def _asked(self) -> tuple[visit.Asked, ...]:
        """The questions of the step as they are asked now."""
        return visit.asked(self._content(), visit.step_of(self._step))

    def _content(self) -> dict[str, object]:
        return tomllib.loads(self.draft.text)

    # steps

    def go(self, by: int) -> None:
        """To the step before or after. Parameters: -1 or 1."""
        keys = [step.key for step in visit.steps()]
        if by > 0:
            self.session.pass_over(self._step)
        self._step = keys[min(max(keys.index(self._step) + by, 0), len(keys) - 1)]
        self._line.say()
        self.aim.clear()
        self.show()
        self.aim_at_step()

    def aim_at_step(self) -> None:
        """The keys go on at the first answer of the step that is needed and open, else at a new thing, else at the way on."""
        here = self._open_rows(tuple(self._rows))
        adding = [*(self._adding_in(fold).first for fold in self._adders_here.values() if fold.opened), *self._ones]
        last = self._choice if self._next.disabled else self._next
        self.aim.take(next(iter((*(row.box for row in here), *adding, last))))

    def _open_rows(self, keys: tuple[str, ...]) -> list[Row]:
        """Questions on the screen that are needed and open, in their order. Parameters: key paths."""
        asked = {one.key: one for one in self._asked()}
        return [self._rows[key] for key in keys if key in asked and key in self._rows and _is_open(asked[key])]

    def _chosen(self, change) -> None:
        if not self._quiet and change["new"]:
            self._to_chosen(None)

    def _go_to_chosen(self) -> None:
        if self._choice.value != self._step:
            self._step = self._choice.value
            self.show()

    def show(self) -> None:
        """Show the step with its questions as they stand."""
        content = self._content()
        self._title(content)
        step = visit.step_of(self._step)
        if self._kept_of != self._step:
            self._kept, self._kept_of = {}, self._step
        self._rows, self._things, self._adders_here, self._ones = {}, {}, {}, []
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
            passed = bool(step.skip) and step.key in self.session.passed
            nothing = "nothing stands here" if passed and not here.of else "" if here.answered else "nothing entered yet"
            state = f"{lacking} needed open" if lacking else nothing or "answered"
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
            f'<p class="wb">{words} ({whole.answered} of {whole.of} questions answered). {escape(self._kept_where)}</p>{head}'
        )

    @staticmethod
    def _shape_of(content, step) -> tuple:
        """What is asked, what of it is needed, and what stands there."""
        return tuple((one.key, one.needed) for one in visit.asked(content, step)), tuple(row.key for row in visit.standing(content, step))

    def _parts(self, content, step: visit.Step) -> list[object]:
        import ipywidgets as widgets

        rows = visit.standing(content, step)
        parts: list[object] = []
        if step.skip and not any(row.rows.first for row in rows):
            way = "go to the next step" if step is not visit.steps()[-1] else "look at the verdict, then save (Alt+S)"
            told = f'<p class="wb"><strong>{escape(step.skip)}</strong> If not, {way}.</p>'
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
        lacking = sum(map(_is_open, asked))
        title = self.draft.group(row.key).title

        def make() -> list[object]:

            found = self._questions(asked)
            if row.rows.first and not row.rows.one:
                found.append(self._same(f"out {row.key}", lambda: self._out(row.key, title)))
            return found

        fold = self._fold(row.key, title, make, opened=bool(lacking))
        fold.say(note=f"{lacking} needed open" if lacking else self._summary(asked))
        fold.box.add_class(f"wb-kind-{kind_of(row.rows)}")
        self._things[row.key] = (fold, tuple(one.key for one in asked))
        self._lacked[row.key] = lacking
        return fold.box

    def _out(self, key: str, title: str):
        import ipywidgets as widgets

        button = widgets.Button(description=f"Take out {title}", layout=self.kit.button)
        button.add_class(GOES)
        button.on_click(settled(lambda: self._remove(key)))
        return button

    def _same(self, key: object, make):
        """What was made before for a place of this step, or what is made now: what is typed into keeps its place on the screen."""
        if key not in self._kept:
            self._kept[key] = make()
        return self._kept[key]

    @staticmethod
    def _summary(asked: list[visit.Asked]) -> str:
        told = [str(one.value) for one in asked if one.answered and not isinstance(one.value, (list, dict, bool)) and one.value is not None]
        return " \N{MIDDLE DOT} ".join(told)[:60]

    def _questions(self, asked: list[visit.Asked]) -> list[object]:
        boxes = []
        in_place = {path for one in asked if one.needed for path in one.question.instead}
        matter = {one.key for one in asked if one.needed or one.question.path in in_place}
        makes = {condition.path for one in asked for condition in one.question.needed_if}
        # what becomes needed, and what makes it so, stay where they stand
        first = matter | {one.key for one in asked if one.question.needed_if or one.question.path in makes}
        for one in sorted(asked, key=lambda one: one.key not in first):
            field = self.draft.field(one.key)
            if field is None:
                continue
            row = self._row(one, field, "" if one.key in matter else " (if known)")
            row.refresh(field, self.draft.wrong.get(one.key), self.session.faults().get(one.key, ""))
            self._rows[one.key] = row
            boxes.append(row.box)
        self._mark(asked)
        return boxes

    def _mark(self, asked: Iterable[visit.Asked]) -> None:
        """Tell the browser which questions are needed and open, and which of them answer each other: the Enter key goes by that."""
        asked = tuple(asked)
        opened = {one.key for one in asked if _is_open(one)}
        opened |= {key for one in asked if one.key in opened for key in _in_place(one)}
        for one in asked:
            if one.key in self._rows:
                box = self._rows[one.key].box
                (box.add_class if one.key in opened and not one.answered else box.remove_class)("wb-open")
            alike = [key for key in (one.key, *_in_place(one)) if key in self._rows] if one.needed else []
            for key in alike if len(alike) > 1 else ():
                self._rows[key].box.add_class("wb-either-" + one.key.replace(".", "-"))

    def _row(self, one: visit.Asked, field: Field, known: str) -> Row:
        words = one.question.ask + known
        hint = one.question.where + (f" Often: {one.question.suggest}." if one.question.suggest else "")
        row = self._same((one.key, words), lambda: Row(self.draft, field, self.kit, ask=words, why=one.question.why, where=hint))
        if field.name == "raceway" and field.refers:
            row.box.add_class("wb-wants-raceway")
        return row

    def _adders(self, step: visit.Step, standing) -> list[object]:
        """What may be added at a step: what there must be stands open, else the first where nothing stands yet."""
        found = []
        for rows in (rows for rows in step.rows if rows.first):
            has = any(row.rows is rows for row in standing)
            if rows.one:
                found += [] if has else [self._one(rows)]
                continue
            if rows.which == visit.FIRST and has:
                continue
            for loc, of in self._lists(rows, standing):
                words = f"{ADDED[rows.path.rpartition('.')[2]]} for this circuit" if rows.into else _words(rows)
                words += f" to {of}" if of else ""
                opened = not has and (rows.least > 0 or not found)
                key = f"add {self._step} {rows.name} {loc}"
                fold = self._fold(key, f"Add {words}", self._maker(rows, loc, words), opened=opened)
                fold.box.add_class(f"wb-adds-{kind_of(rows)}")
                self._adders_here[f"{kind_of(rows)} {loc}"] = fold
                found.append(fold.box)
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

        def done(path: str) -> None:
            self._kept.pop(key, None)
            self.added(path, rows, f"{kind_of(rows)} {loc}")

        return self._same(key, lambda: Adding(self.draft, self.kit, rows, loc, title, done, self._refused))

    def _refused(self, words: str, entry) -> None:
        """A thing was not added: why, and the keys go on at the entry that it is for."""
        self._line.say(words, trouble=True)
        self.aim.take(entry, refused=True)

    def added(self, path: str, rows: visit.RowsAt, adder: str) -> None:
        """A thing was added: what is entered of it is known as the rest is; a run that is asked for here takes a raceway that is new.

        It is opened where it lacks an answer, and the keys go on there, else at the next thing of its kind; what lacks nothing is folded.
        Parameters: its key path; its list; name of what it was added with.
        """
        group = self.draft.group(path)
        for field in group.fields:
            if field.given and field.has_provenance:
                self.known.tell(self.draft, field.path)
        if group.kind == "raceway":
            asked = [one for one in self._asked() if one.key.endswith(".conductor.raceway") and not one.answered]
            if len(asked) == 1:
                self.draft.set(asked[0].key, path.partition(".")[2])
        told = [words for field in group.fields if field.given for words in take(self.draft, self._asked(), field.path)]
        self.aim.clear()
        self.show()
        for key, (fold, keys) in self._things.items():
            if key == path:
                fold.turn(bool(self._lacking(keys)))
            elif fold.opened and not self._lacking(keys):
                fold.turn(False)
        words = [f"Added {called(path, group.title)}", *(f"Taken from it: {words}" for words in told)]
        if group.kind == "disconnect":
            words += self._put_between(path)
        self._line.say(". ".join([*words, ""]).strip())
        if not (rows.into and self._taken_into(rows, path.rpartition(".")[2])):
            self._aim_at(path, adder)

    def _put_between(self, path: str) -> list[str]:
        """A new disconnect stands between what it hangs on and what is being added there. Parameters: its key path.

        Returns: what to look at, where a thing that is there already still hangs on the same.
        """
        name, upstream = path.rpartition(".")[2], self.draft.field(f"{path}.connected_to").text
        for fold in (fold for fold in self._adders_here.values() if fold.opened):
            self._adding_in(fold).put_between(upstream, name)
        hanging = [key for key in self._things if key != path and (of := self.draft.field(f"{key}.connected_to")) and of.text == upstream]
        return [f"{key} still hangs on {upstream}: where {name} stands between, choose it there" for key in hanging]

    def _taken_into(self, rows: visit.RowsAt, name: str) -> bool:
        """A new thing that is meant for a field: chosen in the row that is being entered, else the one that is there is next."""
        path, _, field = rows.into.rpartition(f".{visit.EVERY}.")
        for fold in (fold for key, fold in self._adders_here.items() if fold.opened and key.startswith(f"{path} ")):
            place = self._adding_in(fold).choose(field, name)
            if place is not None:
                self.aim.take(place)
                return True
        standing = [key for key in self._things if key.rpartition(".")[0] == path]
        if len(standing) == 1:
            self._things[standing[0]][0].turn(True)
            self.aim.take(self._rows[f"{standing[0]}.{field}"].box)
        return len(standing) == 1

    def _adding_in(self, fold: Fold) -> Adding:
        """What stands in an open fold by which something is added."""
        return next(one for one in self._kept.values() if isinstance(one, Adding) and one.box is fold.inside.children[0])

    def _lacking(self, keys: tuple[str, ...]) -> int:
        """How many answers are needed and open. Parameters: key paths of questions."""
        return sum(_is_open(one) for one in self._asked() if one.key in keys)

    def _aim_at(self, path: str, adder: str) -> None:
        """The keys go on at the first open answer of a thing, else at the next of its kind, else at the way on."""
        rows = self._open_rows(self._things[path][1]) if path in self._things else []
        fold = self._adders_here.get(adder)
        if rows:
            self.aim.take(min(rows, key=list(self._rows.values()).index).box)
        elif fold is not None:
            fold.turn(True)
            self.aim.take(self._adding_in(fold).first)
        else:
            self.aim.take(self._choice if self._next.disabled else self._next)

    def _one(self, rows: visit.RowsAt):
        """The first field of a table of which there is one: with it the table is there."""
        field = next(self.draft.field(f"{rows.path}.{name}") for name in rows.first)
        ask = sentence(f"{rows.name or rows.path}: {field.leaf.label}")
        row = self._same(("one", field.path), lambda: Row(self.draft, field, self.kit, ask=ask))
        row.refresh(field, self.draft.wrong.get(field.path))  # a thing that was added since may be chosen
        box = row.box
        box.add_class("wb-first")
        self._ones.append(box)
        return box

    def _lists(self, rows: visit.RowsAt, standing) -> list[tuple[tuple, str]]:
        """Places in the file of the lists that rows are added to, each with the id of what it belongs to."""
        parent, star, name = rows.path.rpartition(f".{visit.EVERY}.")
        if not star:
            return [(tuple(rows.path.split(".")), "")]
        found = [((*row.loc, *name.split(".")), row.id) for row in standing if row.rows.path == parent]
        return found

    def _remove(self, path: str) -> None:
        words = called(path, self.draft.group(path).title)
        naming = self.draft.remove(path)
        if naming:
            self._line.say(f"{words} stays: it is named by {', '.join(naming)}. Let these name something else first.", trouble=True)
            self.aim.take(self._kept[f"out {path}"], refused=True)
        else:
            self._line.say(f"Took out {words}. Undo brings it back.")
            self.aim.clear()
            self.aim_at_step()

    # changes

    def _changed(self, structure: bool) -> None:
        content = self._content()
        step = visit.step_of(self._step)
        if structure or self._shape_of(content, step) != self._shape:
            lacked = {key: self._lacked.get(key) for key in self._things}
            self.show()
            for key, (fold, _) in self._things.items():
                if lacked.get(key) == 0 and self._lacked[key]:
                    fold.turn(True)  # an answer elsewhere has made something of it needed
        else:
            self._title(content)
            self._refresh()
            asked = {one.key: one for one in visit.asked(content, step)}
            self._mark(one for key, one in asked.items() if key in self._rows)
            for thing, (fold, keys) in self._things.items():
                here = [asked[key] for key in keys if key in asked]
                self._lacked[thing] = lacking = sum(map(_is_open, here))
                fold.say(note=f"{lacking} needed open" if lacking else self._summary(here))

    def _entered(self, path: str) -> None:
        """A field was taken: what it tells of another one is entered too."""
        if any(one.takes is not None and path.endswith(f".{one.takes.beside}") for one in visit.step_of(self._step).questions):
            take(self.draft, self._asked(), path)

    def _refresh(self) -> None:
        faults = self.session.faults()
        for path, row in self._rows.items():
            field = self.draft.field(path)
            if field is not None:
                row.refresh(field, self.draft.wrong.get(path), faults.get(path, ""))

    def _told(self) -> None:
        self._refresh()


def _is_open(one: visit.Asked) -> bool:
    return one.needed and not one.answered


def _in_place(one: visit.Asked) -> tuple[str, ...]:
    """Key paths of the answers beside a question that answer it as well."""
    of, own = one.key.rpartition(".")[0], one.question.path.rpartition(".")[0]
    return tuple(f"{of}.{path.rpartition('.')[2]}" for path in one.question.instead if path.rpartition(".")[0] == own)


def _words(rows: visit.RowsAt) -> str:
    """A new row in trade words, with the stem of its id where that says more."""
    words = ADDED.get(rows.path.rpartition(".")[2], rows.name)
    return words if rows.name in words else f"{words} ({rows.name})"


def assembled(session: Session):
    """A visit with its verdict and saving beside it, as one widget. Parameters: session of a home that is to be."""
    import ipywidgets as widgets

    from workbook_lib.live.study import columns

    whole = Visit(session)
    board = Board(session, UNSAVED.format(file=session.file.name))
    saving = Fold("Save and render", lambda: [Saving(session, whole.kit, whole.aim).box], whole.kit, opened=True)
    saving.box.add_class("wb-saving")
    whole.aim_at_step()
    title = f"New home {session.file.stem}"
    return columns(title, [], widgets.VBox([whole.box]), widgets.VBox([board.box, Steps(session, whole.kit).box, saving.box]), whole.kit)
