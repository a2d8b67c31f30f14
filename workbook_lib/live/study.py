"""A study that is worked at: the form with its answers in place of a title, and every part of the sheet kept up with what is entered."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from html import escape
from importlib.resources import files
from pathlib import Path

from workbook_lib.live import keeping
from workbook_lib.live.board import Board, figure
from workbook_lib.live.echo import ECHO
from workbook_lib.live.fold import Fold, spaced
from workbook_lib.live.form import Form
from workbook_lib.live.panels import all_of
from workbook_lib.live.records import Meter
from workbook_lib.live.rows import Kit
from workbook_lib.live.session import Session, told_of
from workbook_lib.live.things import workbook_words
from workbook_lib.live.turns import hear_in_turn
from workbook_lib.render import html
from workbook_lib.sheet import BASE_CASE

SHOWN_CHANGES = 4
OLDER = '<p class="wb wb-older" role="note"><strong>OLDER than what is entered.</strong></p>'
WAITING = '<p class="wb">Being calculated ...</p>'
LEFT = (
    '<p class="wb wb-older" role="status"><strong>This form is closed</strong>: the home was opened anew, here or in another window. '
    "What was entered here is kept, and the newer form offers to take it up. To work on in this window, run all cells here.</p>"
)
LEFT_PART = '<p class="wb wb-older" role="note"><strong>OLDER: of a form that is closed.</strong> Run all cells here to have it anew.</p>'
FAULTY = '<p class="wb"><strong>No sheet</strong>: what is entered has faults; the form above lists them.</p>'


class Part:
    """A part of the sheet that follows what is entered, and says so where it is older. Shown as a widget."""

    def __init__(self, session: Session, name: str):
        import ipywidgets as widgets

        self._session, self._name, self._held = session, name, ""
        self._widget = widgets.HTML()
        session.told.append(self._show)
        self._show()

    def __repr__(self) -> str:
        return f"part {self._name} of a live study"

    def _repr_mimebundle_(self, include: object = None, exclude: object = None) -> dict[str, object]:
        return self._widget._repr_mimebundle_()

    def _show(self) -> None:
        session, sheet = self._session, self._session.state.sheet
        if session.left:
            markup = LEFT_PART + (self._made(sheet) if sheet is not None else "")
        elif session.state.faults is not None:
            markup = FAULTY
        elif sheet is None and session.state.unmade is None:
            markup = WAITING
        else:
            older = "" if session.sheet_current else OLDER
            markup = _unmade(session) + (older + self._made(sheet) if sheet is not None else "")
        if markup != self._held:
            self._held = markup
            self._widget.value = markup

    def _made(self, sheet) -> str:
        if self._name != "figures":
            return sheet.parts[self._name]
        return "".join(figure(*one) for one in sheet.figures)


def _unmade(session: Session) -> str:
    """Why the whole sheet of what is entered could not be made, empty where it was or will be."""
    found = session.state.unmade
    return "" if found is None else f'<p class="wb"><strong>This part could not be made</strong>: {escape(told_of(found))}</p>'


_OPEN: dict[tuple[str, str, str], LiveStudy] = {}
"""The live studies of this kernel, by site file, workbook and case: one that is opened again takes the place of the older."""


def opened(
    site_file: Path, workbook: str, *, edition: str | None = None, overrides: Mapping[str, object] | None = None, case: str = BASE_CASE
) -> LiveStudy:
    """A home opened to be worked at, in place of an older live study of it in this kernel, whose entries are kept and whose form says so.

    Other homes that are open in the workbook have no processes until they are worked at again.

    Parameters: site file, workbook, edition (None: the file's own), overrides by key path, case. Returns: LiveStudy. Errors: InputFault.
    """
    key = (str(site_file.resolve()), workbook, case)
    older = _OPEN.pop(key, None)
    if older is not None:
        older.leave()
    for (_, book, _), other in _OPEN.items():
        if book == workbook:
            other.session.sleep()
    _OPEN[key] = LiveStudy(site_file, workbook, edition=edition, overrides=overrides, case=case)
    return _OPEN[key]


class LiveStudy:
    """One home in one workbook, open to be worked at. Each method gives the part of the sheet that the study of a notebook gives."""

    def __init__(
        self,
        site_file: Path,
        workbook: str,
        *,
        edition: str | None = None,
        overrides: Mapping[str, object] | None = None,
        case: str = BASE_CASE,
    ):
        hear_in_turn()
        self.session = Session(site_file, workbook, edition=edition, overrides=overrides, case=case)
        self._widget = None
        self.session.study()

    def __repr__(self) -> str:
        return f"live study of {self.session.file.name} in {self.session.workbook}"

    def _repr_mimebundle_(self, include: object = None, exclude: object = None) -> dict[str, object]:
        return {**self.widget()._repr_mimebundle_(), "text/plain": f"{self!r}: run all cells to work on it"}

    def widget(self):
        """The form with its answers, as one widget."""
        if self._widget is None:
            self._widget = _assembled(self.session)
        return self._widget

    def leave(self) -> None:
        """Close it: where its form is still shown, it takes nothing more and says so."""
        import ipywidgets as widgets

        if self._widget is not None:
            self._widget.children = (self._widget.children[0], widgets.HTML(LEFT))
        self.session.leave()

    def title_block(self) -> Part:
        """Who, where, under which code, from which inputs."""
        return Part(self.session, "title_block")

    def verdict(self) -> Part:
        """The verdict and the check that decides it."""
        return Part(self.session, "verdict")

    def inputs(self) -> Part:
        """Every value used, with how it is known."""
        return Part(self.session, "inputs")

    def assumptions(self) -> Part:
        """What was taken without being given."""
        return Part(self.session, "assumptions")

    def steps(self) -> Part:
        """The calculation, step by step."""
        return Part(self.session, "steps")

    def checks(self) -> Part:
        """Every test with its margin."""
        return Part(self.session, "checks")

    def figures(self) -> Part:
        """Drawings, each with its table."""
        return Part(self.session, "figures")

    def other_editions(self) -> Part:
        """The same home under every edition."""
        return Part(self.session, "other_editions")

    def published(self) -> Part:
        """The published cases behind the rules of this sheet."""
        return Part(self.session, "published")

    def cautions(self) -> Part:
        """What a reader must know before relying on the sheet."""
        return Part(self.session, "cautions")

    def open_items(self) -> Part:
        """What is missing or left to judgement."""
        return Part(self.session, "open_items")

    def not_checked(self) -> Part:
        """What belongs to the workbook and was not checked."""
        return Part(self.session, "not_checked")

    def results(self) -> Part:
        """The results, as they stand now; nothing of a live study is filed."""
        return Part(self.session, "results")


def _assembled(session: Session):
    import ipywidgets as widgets

    form, board = Form(session), Board(session)
    panels = [panel.box for panel in all_of(session, form.kit)]
    panels.append(Fold("Meter record", lambda: [Meter(session, form.kit).box], form.kit).box)
    left, right = widgets.VBox([form.box]), widgets.VBox([board.box, *panels])
    title = f"{session.file.stem}: {workbook_words(session.workbook)}"
    return columns(title, _begun(session, form), left, right, form.kit, _put_in_place(session))


def columns(title: str, above: list[object], left, right, kit: Kit, words: str = ""):
    """The frame of a form: title and cautions, what stands above, entries on the left and answers on the right. Returns: widget."""
    import ipywidgets as widgets

    left.add_class("wb-left")
    right.add_class("wb-right")
    caution = "A working copy: nothing here is filed. The adopted code, the utility and licensed practice hold, not this program."
    head = widgets.HTML(
        f'<style>{html.style()}{style()}</style><h2 class="wb-title-live">{escape(title)}</h2><p class="wb">{caution}{escape(words)}</p>'
    )
    whole = widgets.VBox([head, ECHO.box(kit), *above, spaced(left, right, kit=kit, kind="wb-columns")])
    whole.add_class("wb-live")
    return whole


def style() -> str:
    """The style sheet of the form."""
    return files("workbook_lib.live").joinpath("form.css").read_text(encoding="utf-8")


def prepare_browser() -> None:
    """Have the browser run once what makes forms whole for the keyboard and for screen readers."""
    from IPython.display import Javascript, display

    display(Javascript(files("workbook_lib.live").joinpath("form.js").read_text(encoding="utf-8")))


def _put_in_place(session: Session) -> str:
    """What the parameters cell puts in place of the form, in words."""
    given = session.put_in_place
    return f" Put in place by the parameters cell, whatever the form says: {given}." if given else ""


def _which(session: Session) -> str:
    """The fields that an earlier session changed, the first of them by name."""
    found = [path for path, _, _ in keeping.differs(tomllib.loads(session.read_text), tomllib.loads(session.begun.text))]
    more = f" and {len(found) - SHOWN_CHANGES} more" if len(found) > SHOWN_CHANGES else ""
    return f"{', '.join(found[:SHOWN_CHANGES])}{more}" if found else "comments or layout alone"


def _begun(session: Session, form: Form) -> list[object]:
    """Where changes were kept that are not saved: whether to take them up."""
    if session.begun is None or session.read_text is None:
        return []
    import ipywidgets as widgets

    on_older = session.begun.of not in ("", keeping.hash_of(session.read_text))
    older = (
        " <strong>The file has changed since they were entered:</strong> look at the difference before you save, it takes that back."
        if on_older
        else ""
    )
    words = widgets.HTML(
        f'<p class="wb" role="status"><strong>Changes of an earlier session are kept and not saved</strong> ({escape(_which(session))}). '
        f"Take them up, or go on from the file: with your first change they become a variant.{older}</p>"
    )
    button = widgets.Button(description="Take up what was entered", layout=form.kit.button)
    box = widgets.VBox([words, button])

    def take(_) -> None:
        session.take_up_begun()
        box.layout.display = "none"

    button.on_click(take)
    session.draft.listeners.append(lambda structure: setattr(box.layout, "display", "none"))
    return [box]
