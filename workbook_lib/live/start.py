"""Where work begins: the homes of a folder with their verdicts, one of them opened, a new one begun, a half-done visit taken up."""

from __future__ import annotations

import asyncio
import os
import subprocess
import sys
from collections.abc import Iterator
from html import escape
from pathlib import Path

from workbook_lib.errors import InputFault, WorkbookError
from workbook_lib.live import beginning, homes, keeping, study, visit_page
from workbook_lib.live.aim import GOES, Aim
from workbook_lib.live.echo import ECHO, settled
from workbook_lib.live.fold import Line, spaced
from workbook_lib.live.panels import environment
from workbook_lib.live.rows import Kit
from workbook_lib.live.session import Session
from workbook_lib.live.things import workbook_words
from workbook_lib.live.turns import hear_in_turn
from workbook_lib.render import html
from workbook_lib.workbooks import REGISTRY


class Start:
    """The start of a folder. Shown as a widget."""

    def __init__(self, folder: str | Path):
        import ipywidgets as widgets

        hear_in_turn()
        self.folder = Path(folder)
        self._shown = folder
        self.files = homes.site_files(self.folder)
        self._rows: list[homes.HomeRow] = []
        self.aim = Aim()
        self.kit = kit = Kit(lambda path: None)
        self._table, self._links = widgets.HTML(layout=kit.line), widgets.Output()
        self._table.add_class("wb-list")
        self._line, self._below = Line(kit), widgets.VBox(layout=kit.line)
        self._homes = widgets.Dropdown(description="Home", layout=kit.entry, style={"description_width": "5rem"})
        self._books = widgets.Dropdown(
            options=[(workbook_words(name), name) for name in REGISTRY],
            description="Workbook",
            layout=kit.entry,
            style={"description_width": "5rem"},
        )
        self._name = widgets.Text(
            description="Id of the home", layout=kit.entry, style={"description_width": "7rem"}, placeholder="as elder-7"
        )
        self._visits = widgets.Dropdown(description="Half done", layout=kit.entry, style={"description_width": "7rem"})
        self._widget = self._assembled()
        self.session: Session | None = None
        self._list()
        self._fill_soon()

    def __repr__(self) -> str:
        return f"start of {Path(self._shown).as_posix()}"

    def _repr_mimebundle_(self, include: object = None, exclude: object = None) -> dict[str, object]:
        return self._widget._repr_mimebundle_()

    def widget(self):
        """The start as one widget."""
        return self._widget

    def _button(self, words: str, done, kind: str = ""):
        import ipywidgets as widgets

        button = widgets.Button(description=words, layout=self.kit.button, _dom_classes=(kind,) if kind else ())
        button.on_click(settled(done))
        return button

    def _assembled(self):
        import ipywidgets as widgets

        def head(words: str):
            return widgets.HTML(f'<h3 class="wb-head">{words}</h3>')

        style = widgets.HTML(f"<style>{html.style()}{study.style()}</style>")
        opening = spaced(
            self._homes,
            self._books,
            self._button("Work on it here", self.work),
            self._button("Copy its notebooks", self.copy),
            kit=self.kit,
        )
        begin = spaced(self._name, self._button("Begin the visit", self.begin, GOES), kit=self.kit, kind="wb-begins")
        again = spaced(self._visits, self._button("Take the visit up", self.take_up, GOES), kit=self.kit, kind="wb-begins")
        typed = widgets.HTML('<p class="wb-typed" role="status"></p>', layout=self.kit.line)
        new = [head("New home"), begin, again, typed, self._line.box, self._below]
        top = [style, head("Open a home"), opening, self._links, *new]
        whole = widgets.VBox([ECHO.box(self.kit), *top, head("Homes of this folder"), self._table])
        whole.add_class("wb-live")
        return whole

    # the list

    def _list(self) -> None:
        """Read again which homes and which half-done visits there are."""
        self.files = homes.site_files(self.folder)
        self._homes.options = [path.stem for path in self.files]
        self._visits.options = [path.stem for path in homes.unfinished(self.folder)]
        for menu in (self._homes, self._visits):
            if menu.index is None and menu.options:
                menu.index = 0

    def rows(self) -> Iterator[homes.HomeRow]:
        """Every home with its verdicts, one by one."""
        yield from homes.homes(self.folder)

    def _fill_soon(self) -> None:
        try:
            loop = asyncio.get_running_loop()
        except RuntimeError:  # no event loop: a script or a test
            self._rows = list(self.rows())
            self._tell(len(self._rows))
            return
        self._filling = loop.create_task(self._fill(loop))

    async def _fill(self, loop) -> None:
        """The list, home by home, on the side."""
        self._rows = []
        places = [(path, homes.home_row) for path in self.files] + [(path, homes.visit_row) for path in homes.unfinished(self.folder)]
        self._tell(len(places))
        for path, made in places:
            self._rows.append(await loop.run_in_executor(None, made, path))
            self._tell(len(places))

    def _tell(self, of: int) -> None:
        done = len(self._rows)
        if done < of and not done:
            self._table.value = f'<p class="wb" role="status">Being studied: {homes.counted(of)}.</p>'
            return
        at_work = f'<p class="wb" role="status">Being studied: {done} of {homes.counted(of)}.</p>' if done < of else ""
        self._table.value = at_work + html.fragment(homes.part(self._rows, Path(self._shown).as_posix()))

    # opening one

    def _site(self) -> Path | None:
        if not self._homes.value:
            self._line.say("This folder has no home yet: begin a new one.", trouble=True)
            return None
        return self.folder / f"{self._homes.value}.toml"

    def work(self) -> None:
        """Show the live study of the chosen home below."""
        site = self._site()
        if site is None:
            return
        try:
            opened = study.opened(site, self._books.value)
        except InputFault as error:
            self._line.say(str(error), trouble=True)
            return
        self._show(opened.session, opened.widget())
        self._line.say(f"{site.name} is open below.")

    def copy(self) -> None:
        """Copy the notebooks of the chosen home beside it and show where they are."""
        from IPython.display import HTML

        site = self._site()
        if site is None:
            return
        line = [sys.executable, "-m", "workbook_lib", "open", site.name, "--copies-only"]
        done = subprocess.run(line, cwd=site.parent, env=environment(), capture_output=True, text=True)
        self._links.outputs = ()
        if done.returncode:
            self._line.say(done.stderr.strip() or "the notebooks could not be copied", trouble=True)
            return
        live = os.path.relpath(keeping.folder_of(site))
        links = "".join(f'<li><a href="{escape(live)}/{name}.ipynb">{escape(workbook_words(name))}</a></li>' for name in REGISTRY)
        self._links.append_display_data(HTML(f"<p>Notebooks of {escape(site.stem)}, in {escape(live)}:</p><ul>{links}</ul>"))
        self._line.say(f"The notebooks of {site.stem} are ready: open one by its link, then run all cells.")

    # a new one

    def begin(self) -> None:
        """Begin the visit of a new home under the id typed."""
        name = self._name.value.strip()
        try:
            text = beginning.beginning(name)
        except ValueError as error:
            self._refused(str(error), self._name)
            return
        site = self.folder / f"{name}.toml"
        if site.exists() or keeping.working(site) is not None:
            self._refused(f"{name} is there already: open it, or take its visit up.", self._name)
            return
        self._visit(site, text, self._name)
        self._list()

    def _refused(self, words: str, entry) -> None:
        """No visit was opened: why, and the keys go on at the entry that it is for."""
        self._line.say(words, trouble=True)
        self.aim.take(entry, refused=True)

    def take_up(self) -> None:
        """Take the chosen visit up where it was left."""
        name = self._visits.value
        if not name:
            self._refused("No visit is half done.", self._visits)
            return
        self._visit(self.folder / f"{name}.toml", "", self._visits)

    def _visit(self, site: Path, text: str, entry) -> None:
        try:
            session = Session(site, "service_load", beginning=text)
            session.keep()
        except WorkbookError as error:
            self._refused(str(error), entry)
            return
        session.study()
        self.aim.clear()
        self._show(session, visit_page.assembled(session))
        self._line.say(f"The visit of {site.stem}: answer what you know. It may be left at any time and taken up again here.")

    def _show(self, session: Session, widget) -> None:
        """Show a study or a visit below in place of the one before, whose entries are kept."""
        if self.session is not None and self.session is not session:
            self.session.close()
        self.session = session
        self._below.children = (widget,)
        session.draft.listeners.append(lambda structure: self._saved(session))

    def _saved(self, session: Session) -> None:
        """A home that was saved for the first time joins the list."""
        if session.file.is_file() and session.file not in self.files:
            self._list()
            self._fill_soon()
