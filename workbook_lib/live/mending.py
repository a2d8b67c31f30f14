"""Keys of a site file that are no fields, which no row of the form can show: renamed or taken out with a button beside their faults."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from html import escape
from pathlib import Path

from workbook_lib.errors import Fault
from workbook_lib.home.lines import Loc
from workbook_lib.home.patch import Unpatchable
from workbook_lib.home.raw import Raw, Rows, Table, prepare
from workbook_lib.live.echo import settled
from workbook_lib.live.fold import Line, closed, spaced
from workbook_lib.live.rows import Kit
from workbook_lib.live.session import Session

UNKNOWN = "unknown field"
_MEANT = re.compile(r'did you mean "([a-z0-9_]+)"')


@dataclass(frozen=True, slots=True)
class Slip:
    """A key that is no field: its key path, place in the file, the name that was meant (empty where none is near or it stands already)."""

    path: str
    loc: Loc
    meant: str


def slips(text: str, file: Path, faults: Sequence[Fault]) -> tuple[Slip, ...]:
    """The keys of a site file that are no fields. Parameters: its text, its path, faults of it. Returns: one for each, in their order."""
    wanted = {fault.field: fault for fault in faults if fault.what == UNKNOWN and Path(fault.file).name == file.name}
    if not wanted:
        return ()
    found = []
    for path, loc, plain, beside in _places(prepare(tomllib.loads(text))[0]):
        if path in wanted:
            near = _MEANT.search(wanted[path].todo)
            meant = near[1] if near and plain and near[1] not in beside else ""
            found.append(Slip(path, loc, meant))
    return tuple(found)


def _places(table: Table) -> Iterator[tuple[str, Loc, bool, Table]]:
    """Everything that stands in a table: key path, place, whether it is a plain value, the table that it stands in."""
    for name, node in table.items():
        path = f"{table.path}.{name}" if table.path else str(name)
        yield path, (*table.loc, name), isinstance(node, Raw), table
        for inner in [node] if isinstance(node, Table) else node if isinstance(node, Rows) else ():
            if isinstance(inner, Table):
                yield from _places(inner)


class Mending:
    """Buttons that mend the slips of a session. `box`: the widget, empty where there are none."""

    def __init__(self, session: Session, kit: Kit):
        import ipywidgets as widgets

        self._session, self._kit = session, kit
        self._shown: tuple[Slip, ...] = ()
        self._line = Line(kit)
        self._bars = widgets.VBox(layout=kit.line)
        self.box = widgets.VBox([self._bars, self._line.box], layout=kit.line)

    def show(self) -> None:
        """Offer what can be mended now."""
        session = self._session
        found = () if session.state.faults is None else slips(session.draft.text, session.file, session.state.faults.faults)
        if found != self._shown:
            self._shown = found
            self._line.say()
            before, self._bars.children = self._bars.children, tuple(map(self._bar, found))
            closed(before, self._kit)

    def _bar(self, slip: Slip):
        import ipywidgets as widgets

        words = widgets.HTML(f'<p class="wb">{escape(slip.path)} is no field:</p>', style=self._kit.told)
        offers = [(f"Rename it to {slip.meant}", slip.meant)] if slip.meant else []
        buttons = []
        for text, meant in (*offers, (f"Take out {slip.path}", "")):
            button = widgets.Button(description=text, layout=self._kit.button, style=self._kit.pressed)
            button.on_click(settled(lambda meant=meant: self.mend(slip, meant)))
            buttons.append(button)
        return spaced(words, *buttons, kit=self._kit)

    def mend(self, slip: Slip, meant: str) -> None:
        """Rename a key, or take it out with what it says. Parameters: slip, its new name (empty: take it out)."""
        if slip not in self._shown:
            return
        try:
            self._session.draft.put_right(slip.loc, meant)
        except Unpatchable as error:
            self._line.say(f"{slip.path} stays: {error}. Change it in the site file itself.", trouble=True)
