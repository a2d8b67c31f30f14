"""What is done with a draft beside typing: go back, hold and compare variants, ask inverse questions, save and render."""

from __future__ import annotations

import os
import subprocess
import sys
import tomllib
from collections.abc import Callable
from html import escape
from pathlib import Path
from urllib.parse import quote

from workbook_lib.errors import InputFault, WorkbookError
from workbook_lib.live import keeping
from workbook_lib.live.aim import GOES, SLOW, Aim
from workbook_lib.live.asking import questions
from workbook_lib.live.echo import settled
from workbook_lib.live.fields import Group
from workbook_lib.live.fold import Fold, Line, spaced
from workbook_lib.live.keeping import BASE, NOW
from workbook_lib.live.rows import Kit
from workbook_lib.live.session import Session
from workbook_lib.live.things import workbook_words
from workbook_lib.workbooks import REGISTRY

MOST_TOLD = 4
"""How many values an undo tells."""


def _button(words: str, done: Callable[[], None], kit: Kit):
    import ipywidgets as widgets

    button = widgets.Button(description=words, layout=kit.button)
    button.on_click(settled(done))
    return button


class Steps:
    """Undo and redo, with what either changed in words. `box`: the widget."""

    def __init__(self, session: Session, kit: Kit):
        import ipywidgets as widgets

        self._draft, self._line, self._told_of = session.draft, Line(kit), 0
        self._undo = _button("Undo", self._back, kit)
        self._redo = _button("Redo", lambda: self._step("Done again", self._draft.redo), kit)
        self.box = widgets.VBox([spaced(self._undo, self._redo, kit=kit), self._line.box], layout=kit.line)
        self._draft.listeners.append(lambda structure: self._show())
        self._show()

    def _back(self) -> None:
        """Undo; what was typed and not taken goes first."""
        if not self._draft.wrong:
            self._step("Undone", self._draft.undo)
            return
        left = ", ".join(self._draft.wrong)
        self._draft.forget_wrong()
        self._told_of = self._draft.number
        self._line.say(f"Undone. What was not taken is gone: {left}.")

    def _step(self, words: str, way: Callable[[], bool]) -> None:
        text, names = self._draft.text, _named(self._draft.groups())
        if not way():
            return
        names |= _named(self._draft.groups())
        rows = keeping.differs(tomllib.loads(text), tomllib.loads(self._draft.text))
        told = [f"{names.get(path, path)}: {was} before, {now} now" for path, was, now in rows[:MOST_TOLD]]
        if len(rows) > MOST_TOLD:
            told.append(f"and {len(rows) - MOST_TOLD} more values")
        self._told_of = self._draft.number
        self._line.say(f"{words}. {'; '.join(told)}." if told else f"{words}. No value is another.")

    def _show(self) -> None:
        self._undo.disabled = not (self._draft.can_undo or self._draft.wrong)
        self._redo.disabled = not self._draft.can_redo
        if self._told_of != self._draft.number:
            self._line.say()


def _named(groups: tuple[Group, ...]) -> dict[str, str]:
    """Words for each field by its key path, as its row in the form has them."""
    every = [one for group in groups for one in group.groups()]
    return {field.path: f"{group.title}: {field.leaf.label}" for group in every for field in group.fields}


class Asking:
    """Inverse questions: asked with one button, the answer taken into the form with another. `box`: the widget."""

    def __init__(self, session: Session, kit: Kit):
        import ipywidgets as widgets

        self.session = session
        self._menu = widgets.Dropdown(description="What is the", layout=kit.entry, style={"description_width": "6rem"})
        self._ask = _button("Ask", self.ask, kit)
        self._take = _button("Take it into the form", self.take, kit)
        self._take.layout = widgets.Layout(width="auto")
        self._shown = widgets.HTML(layout=kit.line)
        self.box = widgets.VBox([spaced(self._menu, self._ask, kit=kit), self._shown, self._take], layout=kit.line)
        session.told.append(self._show)
        session.draft.listeners.append(lambda structure: self._choices())
        self._choices()
        self._show()

    def _choices(self) -> None:
        found = questions(self.session.draft.groups())
        if [one for _, one in self._menu.options] != list(found):
            chosen = self._menu.value
            self._menu.options = [(one.words, one) for one in found]
            self._menu.value = chosen if chosen in found else found[0] if found else None

    def ask(self) -> None:
        """Ask what is chosen."""
        if self._menu.value is not None:
            self.session.ask(self._menu.value)
        else:
            self._shown.value = '<p class="wb" role="status">Nothing of this home can be asked for yet.</p>'

    def take(self) -> None:
        """Enter what was found, as one step; what stands there already keeps how it is known."""
        found, draft = self.session.state.inverse, self.session.draft
        with draft.one_step():
            for path, text in found.entries if found is not None else ():
                if not draft.says(path, text):
                    draft.set(path, text)

    def _show(self) -> None:
        state = self.session.state
        found = state.inverse
        self._take.layout.display = None if found is not None and found.entries else "none"
        if found is not None:
            limits = "".join(f"<li>{escape(line.sentence)}</li>" for line in found.limits)
            beyond = f"<p>The next value beyond does not pass by:</p><ul>{limits}</ul>" if limits else ""
            markup = f'<div class="wb" role="status"><p><strong>{escape(found.words)}</strong></p>{beyond}</div>'
        elif state.running and state.progress is not None and state.progress.words.startswith("trying"):
            markup = f'<p class="wb">{escape(state.progress.words)} ({state.progress.done} of about {state.progress.of})</p>'
        else:
            markup = ""
        if self._shown.value != markup:
            self._shown.value = markup


class Holding:
    """Variants: held by name, set side by side, taken up again. `box`: the widget."""

    def __init__(self, session: Session, kit: Kit):
        import ipywidgets as widgets

        self.session, self._kit = session, kit
        self._name = widgets.Text(description="Name", layout=kit.entry, style={"description_width": "4rem"})
        self._one = widgets.Dropdown(description="Variant", layout=kit.entry, style={"description_width": "4rem"})
        self._table = widgets.HTML(layout=kit.line)
        self._line = Line(kit)
        session.told.append(self._again)
        hold = _button("Hold what is entered", self.hold, kit)
        bars = [
            spaced(self._name, hold, kit=kit),
            spaced(self._one, _button("Take it up", self.take_up, kit), _button("Let it go", self.let_go, kit), kit=kit),
            _button("Set all side by side", self.compare, kit),
        ]
        self.box = widgets.VBox([*bars, self._line.box, self._table], layout=kit.line)
        self.list()

    def list(self) -> None:
        """Read again which variants are held."""
        names = [one.name for one in keeping.variants(self.session.file)]
        options = [BASE, *names] if self.session.read_text is not None else names
        if list(self._one.options) != options:
            chosen = self._one.value
            self._one.options = options
            self._one.value = chosen if chosen in options else options[0] if options else None

    def hold(self) -> None:
        """Hold what is entered under the name typed."""
        name = self._name.value.strip()
        try:
            self.session.hold(name)
        except (ValueError, WorkbookError) as error:
            self._line.say(str(error), trouble=True)
            return
        self.list()
        self._line.say(f"Held as {name}, beside the site file.")
        self._name.value = ""
        self.compare()

    def take_up(self) -> None:
        """Enter a held variant, or the file as it is, in place of what is entered; undo brings that back."""
        name = self._one.value
        text = self.session.read_text if name == BASE else self._held().get(name)
        if text is None:
            self._line.say("There is no such variant.", trouble=True)
            return
        self.session.draft.take_up(text)
        self._line.say(f"Taken up: {name}. Undo brings back what was entered.")

    def let_go(self) -> None:
        """Remove a held variant."""
        try:
            keeping.let_go(self.session.file, self._one.value or "")
        except KeyError:
            self._line.say("Only a held variant can be let go.", trouble=True)
            return
        self._line.say(f"Let go: {self._one.value}.")
        self.list()
        self.compare()

    def _held(self) -> dict[str, str]:
        return {one.name: one.text for one in keeping.variants(self.session.file)}

    def _again(self) -> None:
        """A table that is shown follows what is entered, once that is studied."""
        if self._table.value and self.session.current and not self.session.state.running:
            self.compare()

    def compare(self) -> None:
        """Show the file, what is entered and every variant side by side."""
        self.list()
        made = side_by_side(self.session)
        if self._table.value != made:
            self._table.value = made


def side_by_side(session: Session) -> str:
    """What differs between the file, what is entered and the variants, in input and in verdict, as HTML. Parameters: session."""
    base = session.read_text if session.read_text is not None else session.draft.text
    columns = [
        (one.name, one.text, {book: (verdict, told) for book, verdict, told in one.verdicts}) for one in keeping.variants(session.file)
    ]
    now = {name: (one.verdict, one.told) for name, one in session.answered.items()} if session.current else {}
    if session.draft.changed:
        columns.append((NOW, session.draft.text, now))
    before = tomllib.loads(base)
    rows: dict[str, dict[str, str]] = {}
    for name, text, _ in columns:
        for path, was, is_now in keeping.differs(before, tomllib.loads(text)):
            rows.setdefault(path, {BASE: was})[name] = is_now
    names = [BASE, *(name for name, _, _ in columns)]
    head = "".join(f'<th scope="col">{escape(name)}</th>' for name in ("Field", *names))
    lines = [
        f'<tr><th scope="row" class="wb-key">{escape(path)}</th>'
        + "".join(f'<td data-label="{escape(name)}">{escape(said.get(name, said[BASE]))}</td>' for name in names)
        + "</tr>"
        for path, said in rows.items()
    ]
    known = {BASE: session.base_verdicts, **{name: verdicts for name, _, verdicts in columns}}
    for book in dict.fromkeys(book for verdicts in known.values() for book in verdicts):
        cells = "".join(f'<td data-label="{escape(name)}">{_verdict(known[name].get(book))}</td>' for name in names)
        lines.append(f'<tr><th scope="row">{escape(book.replace("_", " "))}</th>{cells}</tr>')
    placed = f": {BASE} and {NOW} with what the parameters cell puts in place ({session.put_in_place})" if session.put_in_place else ""
    return (
        f'<div class="wb"><table class="wb-grid wb-sides"><caption>Side by side{escape(placed)}</caption><thead><tr>{head}</tr></thead>'
        f"<tbody>{''.join(lines)}</tbody></table></div>"
    )


def _verdict(known: tuple[str, str] | None) -> str:
    if known is None:
        return "not known"
    verdict, told = known
    return f'<span class="wb-word wb-word-{escape(verdict.replace(" ", "-"))}">{escape(verdict)}</span> {escape(told)}'


class Saving:
    """Saving into the site file, the difference shown first, then the sheets from the saved file. `box`: the widget.

    `aim`: where the form marks what is next; with it a press of each button leads to the next that matters.
    """

    def __init__(self, session: Session, kit: Kit, aim: Aim | None = None):
        import ipywidgets as widgets

        self.session, self._aim = session, aim
        self._shown = widgets.HTML(layout=kit.line)
        self._line = Line(kit)
        self._save = _button("Save it so", self.save, kit)
        self._anew = _button("Read the file anew and put what I entered on it", self.read_anew, kit)
        self._render = _button("Render the sheets from the saved file", self.render, kit)
        self._save.layout, self._anew.layout = (widgets.Layout(width="auto", display="none") for _ in range(2))
        self._show = _button("Show what would be saved", self.show, kit)
        self._show.add_class("wb-saves")
        for button in (self._show, self._save, self._anew, self._render) if aim is not None else ():
            button.add_class(GOES)
        if aim is not None:
            self._render.add_class(SLOW)
        self._link = widgets.Output()
        first = spaced(self._show, self._save, self._anew, kit=kit)
        self.box = widgets.VBox([first, self._line.box, self._shown, self._render, self._link], layout=kit.line)
        self._seen = ""
        self._process: subprocess.Popen | None = None
        session.draft.listeners.append(lambda structure: self._forget())

    def _next(self, widget, *, refused: bool = False) -> None:
        """The keys go on here after the button that was just pressed."""
        if self._aim is not None:
            self._aim.take(widget, refused=refused)

    def _forget(self) -> None:
        """A difference that was shown is of an older text: it must be looked at again before it is saved."""
        if self._save.layout.display != "none":
            self._save.layout.display = "none"
            self._shown.value = ""

    def show(self) -> None:
        """Show line by line what would be saved."""
        session = self.session
        if session.file_moved:
            self._moved()
            return
        told = keeping.difference(session.read_text or "", session.draft.text, session.file.name)
        self._seen = session.draft.text
        self._save.layout.display = None if told else "none"
        self._shown.value = f'<pre class="wb-difference" tabindex="0" aria-label="what would be saved">{escape(told)}</pre>' if told else ""
        words = "" if told else "Nothing to save: the file says what is entered."
        if session.draft.wrong:
            words += f" Not taken, so not saved: {', '.join(session.draft.wrong)}."
        if session.state.faults is not None and session.state.faults.faults:
            words += " What is entered still has faults; it may be saved, and sheets wait until they are mended."
        self._line.say(words.strip())
        self._next(self._save if told else self._render)

    def save(self) -> None:
        """Save what was shown."""
        if self._seen != self.session.draft.text:
            self.show()
            return
        if self.session.file_moved:
            self._moved()
            return
        new = self.session.read_text is None
        try:
            digest = self.session.save()
        except WorkbookError as error:
            self._line.say(str(error), trouble=True)
            self._next(self._show, refused=True)
            return
        self._save.layout.display = self._anew.layout.display = "none"
        self._shown.value = ""
        rest = "" if new else " Everything that was not changed stands as it was."
        self._line.say(f"Saved: {self.session.file.name} (SHA-256 {digest[:12]}...).{rest}")
        self._next(self._render)

    def read_anew(self) -> None:
        """Take the file as it is on disk, and put what was entered on it."""
        refused = ", ".join(self.session.draft.wrong)
        try:
            found = self.session.read_and_put()
        except InputFault as error:
            self._line.say(str(error), trouble=True)
            self._next(self._show, refused=True)
            return
        self._anew.layout.display = "none"
        words = "Read anew, with what you entered put on it: show again what would be saved."
        if found.both:
            words += f" Changed on both sides, yours is entered: {', '.join(found.both)}."
        if found.left:
            words += f" Could not be put there: {', '.join(found.left)}; what you had is an undo away."
        if refused:
            words += f" What was not taken before is gone: {refused}."
        self._line.say(words)
        self._next(self._show)

    def _moved(self) -> None:
        """The file is no longer what was read: nothing is saved over it."""
        self._save.layout.display, self._shown.value = "none", ""
        self._anew.layout.display = None if self.session.file.is_file() else "none"
        there = "changed on disk since it was opened" if self.session.file.is_file() else "is no longer there"
        self._line.say(f"{self.session.file.name} {there}. Nothing was overwritten.", trouble=True)
        self._next(self._anew if self.session.file.is_file() else self._show, refused=True)

    def render(self) -> None:
        """Render the sheets from the saved file, in a process of its own."""
        import asyncio

        session = self.session
        if self._process is not None:
            return
        if session.draft.changed:
            self._line.say("Save first: sheets are rendered from the saved file, never from what is entered.", trouble=True)
            self._next(self._show, refused=True)
            return
        if session.file_moved:
            self._moved()
            return
        out = session.file.with_suffix("")
        line = [sys.executable, "-m", "workbook_lib", "study", session.file.name, "--out", out.name]
        if session.edition:
            line += ["--edition", session.edition]
        self._process = subprocess.Popen(
            line, cwd=session.file.parent, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment()
        )
        self._link.outputs = ()
        self._line.say("Rendering the sheets from the saved file ...")
        asyncio.get_running_loop().call_later(0.3, self._rendered, out)

    def _rendered(self, out: Path) -> None:
        import asyncio

        if self._process.poll() is None:
            asyncio.get_running_loop().call_later(0.3, self._rendered, out)
            return
        said, faults = self._process.communicate()
        status, self._process = self._process.returncode, None
        if status in (0, 1):
            placed = "\nWhat the parameters cell puts in place of values is not in the sheets." if self.session.overrides else ""
            self._line.say(f"Rendered: open {out.name}/index.html beside the site file.\n{said.strip()}{placed}")
            self._link_to(out)
            self._next(self._link)
        else:
            self._line.say(f"The sheets were not rendered.\n{faults.strip()}", trouble=True)

    def _link_to(self, folder: Path) -> None:
        """A link to each page, from the folder of the notebook: as an output, since the lab follows links of outputs alone from there.

        The server refuses what a page that it shows links to (measured: 403), so that each page is opened from here.
        """
        from IPython.display import HTML

        def link(page: str, words: str) -> str:
            return f'<a href="{escape(quote(Path(os.path.relpath(folder / page)).as_posix()))}">{escape(words)}</a>'

        first = link("index.html", f"Open the sheets of {folder.name}: index.html")
        pages = [(f"{name}.html", workbook_words(name)) for name in REGISTRY] + [("published.html", "published cases")]
        rest = ", ".join(link(page, words) for page, words in pages if (folder / page).is_file())
        told = "Links within a page lead nowhere in the lab; they do where its file is opened in a browser of its own."
        self._link.append_display_data(HTML(f"<p>{first}</p><p>Or one of them: {rest}. {told}</p>"))


def environment() -> dict[str, str]:
    """The surroundings of the command: the same library, whether it is installed or not."""
    package = str(Path(__file__).resolve().parent.parent.parent)
    path = os.environ.get("PYTHONPATH", "")
    return {**os.environ, "PYTHONPATH": os.pathsep.join(part for part in (package, path) if part)}


def all_of(session: Session, kit: Kit) -> list[Fold | Steps]:
    """The panels of a session, in their order. Parameters: session, kit."""
    return [
        Steps(session, kit),
        Fold("Ask: the largest, the smallest, the lowest", lambda: [Asking(session, kit).box], kit),
        Fold("Variants", lambda: [Holding(session, kit).box], kit),
        Fold("Save and render", lambda: [Saving(session, kit).box], kit),
    ]
