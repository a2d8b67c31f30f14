"""A new home by the questions of a site visit: each with why it is asked and where it is read, the verdict beside."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from html import escape

from workbook_lib.live import visit, visit_data
from workbook_lib.live.adding import Adding, kind_of
from workbook_lib.live.aim import GOES, Aim
from workbook_lib.live.echo import settled
from workbook_lib.live.fields import Field
from workbook_lib.live.fold import Fold, Line, spaced
from workbook_lib.live.rows import Kit, Known, Row
from workbook_lib.live.run_line import enter_run
from workbook_lib.live.session import Session
from workbook_lib.live.taking import take, take_over
from workbook_lib.live.things import ADDED, called
from workbook_lib.live.visit_words import KEYS, UNTAKEN, head, in_place, is_open, steps_told, summary, thing_words
from workbook_lib.render.content import sentence


class Visit:
    """A site visit of one home. `box`: the widget."""

    def __init__(self, session: Session):
        import ipywidgets as widgets

        self.session, self.draft = session, session.draft
        self.known = Known()
        self._survey: tuple[str, visit.Survey] | None = None
        self.kit = Kit(lambda path: None, entry="100%", label="55%", known=self.known)
        self.kit.entered = self._entered
        self.kit.heard = self._hear
        self.known.heard = lambda text: self._say_heard("wb-origin", text)
        self._heard, self._heard_count = widgets.HTML(layout=widgets.Layout(display="none"), _dom_classes=("wb-heard",)), 0
        self._kept: dict[object, object] = {}
        self._kept_of = ""
        self._things: dict[str, tuple[Fold, tuple[str, ...]]] = {}
        self._lacked: dict[str, int] = {}
        self.aim = Aim()
        self._adders_here: dict[str, Fold] = {}
        self._ones: list[object] = []
        self._rows: dict[str, Row] = {}
        self._shape: tuple | None = None
        self._shown_text = ""
        self._led: set[str] = set()
        self._heard_shape: tuple | None = None
        self._line = Line(self.kit)
        self._head = widgets.HTML(layout=self.kit.line)
        self._choice = widgets.Dropdown(description="Step", layout=widgets.Layout(width="100%"), style={"description_width": "3rem"})
        self._inside = widgets.VBox(layout=self.kit.line)
        self._back, self._next = (widgets.Button(description=words, layout=self.kit.button) for words in ("Back", "Next step"))
        self._back.on_click(settled(lambda: self.go(-1)))
        self._next.on_click(settled(lambda: self.go(1)))
        self._quiet = False
        content = self._content()
        self._step = (visit.first_open(content, session.passed) or visit_data.steps()[-1]).key
        self._to_chosen = settled(self._go_to_chosen)
        self._choice.observe(self._chosen, "value")
        for button in (self._back, self._next):
            button.add_class(GOES)
        self._next.add_class("wb-next")
        moves = spaced(self._back, self._next, kit=self.kit)
        told = widgets.HTML(f'<p class="wb-keys">{KEYS}</p><p class="wb-typed" role="status"></p>', layout=self.kit.line)
        left = [self._head, self._choice, told, self.known.box, self._line.box, self._inside, moves, self._heard]
        self.box = widgets.VBox(left, layout=self.kit.line)
        self.box.add_class("wb-visit")
        self.draft.listeners.append(self._changed)
        session.told.append(self._told)
        self.show()

    def _hear(self, row: Row, text: str) -> None:
        """Tell the browser that what was typed was taken or refused, and whether other questions are asked now: Enter waits for that."""
        more = "" if self._heard_shape == self._shape else " more"
        self._heard_shape = self._shape
        self._say_heard(row.at, text, more)

    def _say_heard(self, name: str, text: str, more: str = "") -> None:
        self._heard_count += 1
        self._heard.value = f'<i class="{name}" title="{self._heard_count}{more}">{escape(text)}</i>'

    def _asked(self) -> tuple[visit.Asked, ...]:
        """The questions of the step as they are asked now."""
        return visit.asked(self._content(), visit_data.step_of(self._step))

    def _content(self) -> visit.Survey:
        """What is known of the home, worked out once for each text."""
        if self._survey is None or self._survey[0] != self.draft.text:
            self._survey = (self.draft.text, visit.Survey(tomllib.loads(self.draft.text)))
        return self._survey[1]

    # steps

    def go(self, by: int) -> None:
        """To the step before or after, past those at which nothing can stand; from the last one back to what is needed and open elsewhere.

        Parameters: -1 or 1.
        """
        untaken = next((one for one in self._asked() if one.key in self.draft.wrong), None) if by > 0 else None
        if untaken is not None:
            self._stay(untaken)
            return
        if by > 0:
            self.session.pass_over(self._step)
        there = visit.following(self._content(), self._step, self._led, by)
        self._led |= {there} if by > 0 and visit.at_end(self._step, self._led) else set()
        self._step = there or self._step
        self._line.say()
        self.aim.clear()
        self.show()
        self.aim_at_step(back=by < 0)

    def _stay(self, untaken: visit.Asked) -> None:
        """Not on to the next step: the keys go to an answer that is not taken."""
        for key, (fold, keys) in self._things.items():
            if untaken.key in keys or untaken.key.startswith(f"{key}."):
                fold.turn(True)
        wrong = self.draft.wrong[untaken.key]
        self._line.say(UNTAKEN.format(ask=untaken.question.ask, text=wrong.text), trouble=True)
        self.aim.take(self._rows[untaken.key].box, refused=True)

    def aim_at_step(self, *, back: bool = False) -> None:
        """The keys go on at the first answer of the step that is needed and open, else at a new thing, else at the way on.

        Where nothing is added, what is offered comes in its turn. Parameters: whether the step is come back to: then at its first answer.
        """
        adding = [*(self._adding_in(fold).first for fold in self._adders_here.values() if fold.opened), *self._ones]
        here = self._open_rows(tuple(self._rows), offered=not adding) or (list(self._rows.values()) if back else [])
        last = self._choice if self._next.disabled else self._next
        self.aim.take(next(iter((*(row.box for row in here), *adding, last))))

    def _open_rows(self, keys: tuple[str, ...], *, offered: bool = False) -> list[Row]:
        """Questions on the screen that are needed and open, in their order. Parameters: key paths, whether those offered too."""
        asked = {one.key: one for one in self._asked() if is_open(one) or (offered and one.question.offer and not one.answered)}
        return [self._rows[key] for key in keys if key in asked and key in self._rows]

    def _chosen(self, change) -> None:
        if not self._quiet and change["new"]:
            self._to_chosen(None)

    def _go_to_chosen(self) -> None:
        if self._choice.value != self._step:
            self._step = self._choice.value
            self.show()

    def show(self) -> None:
        """Show the step with its questions as they stand."""
        self._shown_text = self.draft.text
        content = self._content()
        self._title(content)
        step = visit_data.step_of(self._step)
        if self._kept_of != self._step:
            self._kept, self._kept_of = {}, self._step
        self._rows, self._things, self._adders_here, self._ones = {}, {}, {}, []
        self._shape = self._shape_of(content, step)
        if self._step == visit_data.steps()[-1].key and self._step not in self.session.passed:
            self.session.pass_over(self._step)  # there is no way on from it: who is there has come to it
        parts = tuple(self._parts(content, step))
        if parts != self._inside.children:
            self._inside.children = parts

    def _title(self, content) -> None:
        options = steps_told(content, self.session.passed)
        self._quiet = True
        try:
            if list(self._choice.options) != options:
                self._choice.options = options
            self._choice.value = self._step
        finally:
            self._quiet = False
        before, there = (visit.following(content, self._step, self._led, by) for by in (-1, 1))
        self._back.disabled, self._next.disabled = not before, not there
        led = there and visit.at_end(self._step, self._led)
        self._next.description = f"Next step: {visit_data.step_of(there).title}" if led else "Next step"
        saved = self.session.read_text is not None and not self.draft.changed
        self._head.value = head(content, visit_data.step_of(self._step), self.session.file.name, self.session.passed, saved=saved)

    @staticmethod
    def _shape_of(content, step) -> tuple:
        """What is asked, what of it is needed, and what stands there."""
        return tuple((one.key, one.needed) for one in visit.asked(content, step)), tuple(row.key for row in visit.standing(content, step))

    def _parts(self, content, step: visit_data.Step) -> list[object]:
        import ipywidgets as widgets

        rows = visit.standing(content, step)
        parts: list[object] = []
        if step.skip and not any(row.rows.first for row in rows):
            way = "go to the next step" if step is not visit_data.steps()[-1] else "look at the verdict, then save (Alt+S)"
            parts.append(self._same("skip", lambda: widgets.HTML(f'<p class="wb"><strong>{escape(step.skip)}</strong> If not, {way}.</p>')))
        asked = list(visit.asked(content, step))
        own = {row.key for row in rows}
        loose = [one for one in asked if not any(one.key.startswith(f"{key}.") for key in own)]
        parts += self._adders(content, step, rows)
        for row in rows:
            inner = [other for other in own if other != row.key and other.startswith(f"{row.key}.")]
            here = [one for one in asked if one.key.startswith(f"{row.key}.") and not any(one.key.startswith(f"{key}.") for key in inner)]
            if not here and not row.rows.first:
                continue
            parts.append(self._thing(row, here))
        return parts + self._questions(loose)

    def _thing(self, row: visit.Standing, asked: list[visit.Asked]):
        lacking = sum(map(is_open, asked))
        title = self.draft.group(row.key).title

        def make() -> list[object]:
            found = self._questions(asked)
            if row.rows.first and not row.rows.one:
                found.append(self._same(f"out {row.key}", lambda: self._out(row.key, title)))
            return found

        offered = not row.rows.first and any(one.question.offer and not one.answered for one in asked)
        fold = self._fold(row.key, title, make, opened=bool(lacking) or offered)
        fold.say(note=f"{lacking} needed open" if lacking else summary(asked))
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

    def _questions(self, asked: list[visit.Asked]) -> list[object]:
        boxes = []
        others = {path for one in asked if one.needed for path in one.question.instead}
        matter = {one.key for one in asked if one.needed or one.question.path in others}
        makes = {condition.path for one in asked for condition in one.question.needed_if}
        # what becomes needed, and what makes it so, stay where they stand
        first = matter | {one.key for one in asked if one.question.needed_if or one.question.offer or one.question.path in makes}
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
        opened = {one.key for one in asked if is_open(one)}
        opened |= {key for one in asked if one.key in opened for key in in_place(one)}
        for one in asked:
            if one.key in self._rows:
                box = self._rows[one.key].box
                (box.add_class if one.question.offer and not one.answered else box.remove_class)("wb-offer")
                (box.add_class if one.key in opened and not one.answered else box.remove_class)("wb-open")
            alike = [key for key in (one.key, *in_place(one)) if key in self._rows] if one.needed else []
            for key in alike if len(alike) > 1 else ():
                self._rows[key].box.add_class("wb-either-" + one.key.replace(".", "-"))

    def _row(self, one: visit.Asked, field: Field, known: str) -> Row:
        words = one.question.ask + known
        hint = one.question.where + (f" Often: {one.question.suggest}." if one.question.suggest else "")
        like = one.question.like or one.question.suggest
        line = self._run_line if one.question.line else None
        made = {"ask": words, "why": one.question.why, "where": hint, "like": like, "line": line}
        row = self._same((one.key, words), lambda: Row(self.draft, field, self.kit, **made))
        if field.name == "raceway" and field.refers:
            row.box.add_class("wb-wants-raceway")
        return row

    def _run_line(self, path: str, text: str) -> None:
        """A whole run was typed at its size. Parameters: key path of the size, text."""
        stem = next(rows.name for rows in visit_data.step_of(self._step).rows if rows.path == "raceway" and rows.first)
        told = enter_run(self.draft, path, text, [one.key for one in self._asked()], stem, self.known.tell)
        self._line.say(told)

    def _adders(self, content, step: visit_data.Step, standing) -> list[object]:
        """What may be added at a step: what there must be stands open, also the first, where nothing stands yet or there are many of it."""
        found, wanted = [], {one.rows: one.words for one in visit.wanted(content, step)}
        for rows in (rows for rows in step.rows if rows.first):
            has = any(row.rows is rows for row in standing)
            if rows.one:
                found += [] if has else [self._one(rows)]
                continue
            if rows.which == visit_data.FIRST and has:
                continue
            for loc, of in self._lists(rows, standing):
                words = f"{ADDED[rows.path.rpartition('.')[2]]} for this circuit" if rows.into else thing_words(rows)
                words += f" to {of}" if of else ""
                opened = rows.path in wanted or (not has and (rows.least > 0 or not found)) or (rows.many and not found)
                key = f"add {self._step} {rows.name} {loc}"
                fresh = key not in self._kept
                fold = self._fold(key, f"Add {words}", self._maker(rows, loc, words), opened=opened)
                self._want(fold, wanted.get(rows.path, ""), fresh=fresh)
                fold.box.add_class(f"wb-adds-{kind_of(rows)}")
                if rows.many:
                    fold.box.add_class("wb-many")
                if rows.into:
                    fold.box.add_class(f"wb-for-{rows.into.partition('.')[0]}")
                self._adders_here[f"{kind_of(rows)} {loc}"] = fold
                found.append(fold.box)
        return found

    def _want(self, fold: Fold, words: str, *, fresh: bool) -> None:
        """Say of what is added with a fold that it is needed.

        Parameters: fold, what is needed (empty: nothing), whether the fold is just made.
        """
        fold.say(note=f"needed: {words}" if words else "")
        was = "wb-wanted" in fold.box._dom_classes
        (fold.box.add_class if words else fold.box.remove_class)("wb-wanted")
        if words and not was and not fresh:
            fold.turn(True)

    def _fold(self, key: str, title: str, make, *, opened: bool) -> Fold:
        """A fold that stays open where it was, with what is in it."""
        if key in self._kept:
            self._kept[key].renew(title, make)
        return self._same(key, lambda: Fold(title, make, self.kit, opened=opened))

    def _maker(self, rows: visit_data.RowsAt, loc, words: str):
        return lambda: [self._adding(rows, loc, words).box]

    def _adding(self, rows: visit_data.RowsAt, loc, title: str) -> Adding:
        key = ("adding", rows.name, loc)
        if key in self._kept:
            self._kept[key].renew()

        def done(paths: list[str]) -> None:
            self._kept.pop(key, None)
            self.added(paths, rows, f"{kind_of(rows)} {loc}")

        return self._same(key, lambda: Adding(self.draft, self.kit, rows, loc, title, done, self._refused))

    def _refused(self, words: str, entry) -> None:
        """A thing was not added: why, and the keys go on at the entry that it is for."""
        self._line.say(words, trouble=True)
        self.aim.take(entry, refused=True)

    def added(self, paths: list[str], rows: visit_data.RowsAt, adder: str) -> None:
        """Things were added: what is entered of them is known as the rest is; a run that is asked for here takes a raceway that is new.

        It is opened where it lacks an answer, and the keys go on there, else at the next thing of its kind; what lacks nothing is folded.
        Parameters: key paths, the last is gone on from; their list; name of what they were added with.
        """
        told = []
        for path in paths:
            group = self.draft.group(path)
            for field in group.fields:
                if field.given and field.has_provenance:
                    self.known.tell(self.draft, field.path)
            told += take_over(self.draft, path, rows.same)
            told += [words for field in group.fields if field.given for words in take(self.draft, self._asked(), field.path)]
        if group.kind == "raceway":
            asked = [one for one in self._asked() if one.key.endswith(".conductor.raceway") and not one.answered]
            if len(asked) == 1:
                self.draft.set(asked[0].key, path.partition(".")[2])
        self.aim.clear()
        self.show()
        path = next((one for one in paths if one in self._things and self._lacking(self._things[one][1])), path)
        then = rows.then if len(paths) == 1 else ""
        own = {row.key for row in visit.standing(self._content(), visit_data.step_of(self._step)) if row.rows.first}
        for key, (fold, keys) in self._things.items():
            if key == path:
                fold.turn(bool(self._lacking(keys) or (then and not self.draft.field(f"{path}.{then}").given)))
            elif fold.opened and not self._lacking(keys) and key in own:
                fold.turn(False)
        words = [f"Added {', '.join(called(one, group.title) for one in paths)}", *(f"Taken from it: {words}" for words in told)]
        if group.kind == "disconnect":
            words += self._put_between(path)
        self._line.say(". ".join([*words, ""]).strip())
        if not (rows.into and self._taken_into(rows, path.rpartition(".")[2])):
            self._aim_at(path, adder, then)

    def _put_between(self, path: str) -> list[str]:
        """A new disconnect stands between what it hangs on and what is being added there. Parameters: its key path.

        Returns: what to look at, where a thing that is there already still hangs on the same.
        """
        name, upstream = path.rpartition(".")[2], self.draft.field(f"{path}.connected_to").text
        for fold in (fold for fold in self._adders_here.values() if fold.opened):
            self._adding_in(fold).put_between(upstream, name)
        hanging = [key for key in self._things if key != path and (of := self.draft.field(f"{key}.connected_to")) and of.text == upstream]
        return [f"{key} still hangs on {upstream}: where {name} stands between, choose it there" for key in hanging]

    def _taken_into(self, rows: visit_data.RowsAt, name: str) -> bool:
        """A new thing that is meant for a field: chosen in the row that is being entered, else the one that is there is next."""
        path, _, field = rows.into.rpartition(f".{visit_data.EVERY}.")
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
        return sum(is_open(one) for one in self._asked() if one.key in keys)

    def _aim_at(self, path: str, adder: str, then: str = "") -> None:
        """The keys go on at the first open answer of a thing, else at what is needed and not there yet, else at the next of its kind where
        a home has many, else at the way on.

        Parameters: its key path, name of what it was added with, field that it is asked for first.
        """
        rows = self._open_rows(self._things[path][1], offered=True) if path in self._things else []
        fold = next((one for one in self._adders_here.values() if "wb-wanted" in one.box._dom_classes), self._adders_here.get(adder))
        fold = fold if fold is not None and {"wb-wanted", "wb-many"} & set(fold.box._dom_classes) else None
        if rows:
            self.aim.take(min(rows, key=list(self._rows.values()).index).box)
        elif f"{path}.{then}" in self._rows and not self.draft.field(f"{path}.{then}").given:
            self.aim.take(self._rows[f"{path}.{then}"].box)
        elif fold is not None:
            fold.turn(True)
            self.aim.take(self._adding_in(fold).again(then))
        else:
            self.aim.take(self._choice if self._next.disabled else self._next)

    def _one(self, rows: visit_data.RowsAt):
        """The first field of a table of which there is one: with it the table is there."""
        field = next(self.draft.field(f"{rows.path}.{name}") for name in rows.first)
        ask = sentence(f"{rows.name or rows.path}: {field.leaf.label}")
        row = self._same(("one", field.path), lambda: Row(self.draft, field, self.kit, ask=ask))
        row.refresh(field, self.draft.wrong.get(field.path))  # a thing that was added since may be chosen
        box = row.box
        box.add_class("wb-first")
        self._ones.append(box)
        return box

    def _lists(self, rows: visit_data.RowsAt, standing) -> list[tuple[tuple, str]]:
        """Places in the file of the lists that rows are added to, each with the id of what it belongs to."""
        parent, star, name = rows.path.rpartition(f".{visit_data.EVERY}.")
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
        step = visit_data.step_of(self._step)
        if (structure and self._shown_text != self.draft.text) or self._shape_of(content, step) != self._shape:
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
                self._lacked[thing] = lacking = sum(map(is_open, here))
                fold.say(note=f"{lacking} needed open" if lacking else summary(here))

    def _entered(self, path: str) -> None:
        """A field was taken: what it tells of another one is entered too."""
        if any(one.takes is not None and path.endswith(f".{one.takes.beside}") for one in visit_data.step_of(self._step).questions):
            take(self.draft, self._asked(), path)

    def _refresh(self) -> None:
        faults = self.session.faults()
        for path, row in self._rows.items():
            field = self.draft.field(path)
            if field is not None:
                row.refresh(field, self.draft.wrong.get(path), faults.get(path, ""))

    def _told(self) -> None:
        self._refresh()
