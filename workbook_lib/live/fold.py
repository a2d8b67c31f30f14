"""A part of the form that is shown or hidden by a button, made when it is first shown, and lines that tell what happened."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from html import escape


class Fold:
    """A button with what it shows. `box`: the widget; the content is made when it is first shown."""

    def __init__(self, title: str, make: Callable[[], Sequence[object]], kit, *, opened: bool = False, level: str = "wb-fold"):
        import ipywidgets as widgets

        self._title, self._make, self._made = title, make, False
        self._note = ""
        self.opened = False
        self.button = widgets.Button(description=self._words(), layout=kit.button, style=kit.pressed, _dom_classes=(level,))
        self.inside = widgets.VBox(layout=widgets.Layout(width="100%", display="none"), _dom_classes=("wb-inside",))
        self.box = widgets.VBox([self.button, self.inside], layout=kit.line)
        self.button.on_click(lambda _: self.turn(not self.opened))
        if opened:
            self.turn(True)

    def turn(self, opened: bool) -> None:
        """Show or hide. Parameters: whether it is to be shown."""
        if opened and not self._made:
            self._made = True
            self.inside.children = tuple(self._make())
        self.opened = opened
        self.inside.layout.display = None if opened else "none"
        (self.button.add_class if opened else self.button.remove_class)("wb-opened")
        self._word()

    def renew(self, title: str, make: Callable[[], Sequence[object]]) -> None:
        """Another title and content in the same place; what is the same stays as it is. Parameters: title, what makes the content."""
        self._make = make
        if self.opened:
            children = tuple(make())
            if children != self.inside.children:
                self.inside.children = children
        else:
            self._made = False
        self.say(title, self._note)

    def say(self, title: str | None = None, note: str = "") -> None:
        """Another title, or a note behind it. Parameters: title (None: as it is), note."""
        if title is not None:
            self._title = title
        self._note = note
        self._word()

    def _word(self) -> None:
        words = self._words()
        if self.button.description != words:
            self.button.description = words

    def _words(self) -> str:
        mark = "\N{MINUS SIGN} hide" if self.opened else "+ show"
        return f"{self._title}  ({mark})" + (f"  {self._note}" if self._note else "")


class Line:
    """A line that tells what came of what was done. `box`: the widget."""

    def __init__(self, kit):
        import ipywidgets as widgets

        self.box = widgets.HTML(layout=kit.line)
        self.box.add_class("wb-told")

    def say(self, words: str = "", *, trouble: bool = False) -> None:
        """Tell it; nothing where empty. Parameters: words, whether it is trouble."""
        flag = '<strong class="wb-flag">Not done:</strong> ' if trouble else ""
        lines = "<br>".join(escape(line) for line in words.split("\n"))
        self.box.value = f'<p class="wb-say">{flag}{lines}</p>' if words else ""


def spaced(*items: object, kit, kind: str = "wb-bar"):
    """Widgets in a row that wraps. Parameters: widgets. Returns: box."""
    import ipywidgets as widgets

    box = widgets.Box(list(items), layout=kit.row)
    box.add_class(kind)
    return box


def closed(items: Sequence[object], kit) -> None:
    """Let widgets go that are shown no more, with all that stands in them. Parameters: widgets, kit, whose layouts stay."""
    shared = {id(one) for one in vars(kit).values()}
    for one in items:
        closed(getattr(one, "children", ()), kit)
        for part in (one.layout, getattr(one, "style", None)):
            if part is not None and id(part) not in shared:
                part.close()
        one.close()
