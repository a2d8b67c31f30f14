"""A site visit in the notebook: the questions on the left, on the right the verdict, undo, saving and the sheets."""

from __future__ import annotations

from workbook_lib.live.board import Board
from workbook_lib.live.fold import Fold
from workbook_lib.live.panels import Saving, Steps
from workbook_lib.live.session import Session
from workbook_lib.live.study import columns
from workbook_lib.live.visit_form import Visit
from workbook_lib.live.visit_words import UNSAVED


def assembled(session: Session):
    """A visit with its verdict and saving beside it, as one widget. Parameters: session of a home that is to be."""
    import ipywidgets as widgets

    whole = Visit(session)
    board = Board(session, UNSAVED.format(file=session.file.name))
    saving = Fold("Save and render", lambda: [Saving(session, whole.kit, whole.aim).box], whole.kit, opened=True)
    saving.box.add_class("wb-saving")
    whole.aim_at_step()
    title = f"New home {session.file.stem}"
    return columns(title, [], widgets.VBox([whole.box]), widgets.VBox([board.box, Steps(session, whole.kit).box, saving.box]), whole.kit)
