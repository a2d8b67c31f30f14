"""The meter record in hand: a file chosen, its report and picture seen, channel and period chosen, ranges marked, and only then used.

What is chosen is entered in a trial draft of its own; the draft of the home takes it over when it is said to be used.
"""

from __future__ import annotations

from dataclasses import replace
from html import escape
from pathlib import Path

from workbook_lib.home.leaf import LeafFault
from workbook_lib.home.patch import Unpatchable
from workbook_lib.live.board import figure
from workbook_lib.live.draft import Draft
from workbook_lib.live.echo import settled
from workbook_lib.live.fields import Field
from workbook_lib.live.fold import Fold, Line, spaced
from workbook_lib.live.merging import merged
from workbook_lib.live.rows import Kit, Row
from workbook_lib.live.session import Session

USES = {
    "load": "the load of the home (intervals of the utility)",
    "fast_load": "the load second by second or minute by minute",
    "backup_load": "the load of what is backed up",
    "production": "the production of the sources",
}
FIRST = ("register", "channel", "power_factor", "begins", "ends")
"""Fields of a record file that are chosen first; the others say how a table is to be read."""
SUFFIXES = (".xml", ".csv", ".tsv")
SKIPPED = (".live",)
MOST_FILES = 200


def files_of(folder: Path) -> tuple[str, ...]:
    """Files beside a site file, or a folder below, that may hold readings. Parameters: folder. Returns: relative paths."""
    inner = [path for path in sorted(folder.iterdir()) if path.is_dir() and path.suffix not in SKIPPED and not path.name.startswith(".")]
    found = [path for place in (folder, *inner) for path in sorted(place.iterdir()) if path.suffix.lower() in SUFFIXES and path.is_file()]
    return tuple(path.relative_to(folder).as_posix() for path in found)[:MOST_FILES]


class Meter:
    """The record panel of a session. `box`: the widget."""

    def __init__(self, session: Session, kit: Kit):
        import ipywidgets as widgets

        self.session, self.kit = session, kit
        self._trial: Draft | None = None
        self._of = self._on = self._looked_text = ""
        self._last: object = None
        self._rows: dict[str, Row] = {}
        self._line = Line(kit)
        self._file = widgets.Dropdown(description="File", layout=kit.entry, style=kit.short)
        self._use = widgets.Dropdown(
            options=[(words, name) for name, words in USES.items()], description="As", layout=kit.entry, style=kit.short
        )
        self._fields = widgets.VBox(layout=widgets.Layout(width="100%"))
        self._shown = widgets.HTML(layout=kit.line)
        self._take = widgets.Button(description="Use it so", layout=widgets.Layout(width="auto", display="none"))
        self._take.on_click(settled(self.take))
        look = widgets.Button(description="Look at it", layout=kit.button)
        look.on_click(settled(self.look))
        head = spaced(self._file, self._use, look, kit=kit)
        self.box = widgets.VBox([head, self._line.box, self._fields, self._shown, self._take], layout=kit.line)
        session.told.append(self._show)
        self._file.options = files_of(session.file.parent)

    @property
    def _path(self) -> str:
        """Place of the record that is chosen here."""
        return f"records.{self._of}"

    def look(self) -> None:
        """Read the chosen file as it is chosen here, and show what is in it; nothing of it is entered yet."""
        session = self.session
        self._file.options = tuple(dict.fromkeys((*self._file.options, *files_of(session.file.parent))))
        if not self._file.value:
            self._line.say("No file of readings lies beside the site file: put one there (XML or CSV).", trouble=True)
            return
        if self._trial is None or self._of != self._use.value:
            self._try_on(session.draft.text)
            self._of = self._use.value
        elif (self._on, self._trial.base) != (session.draft.text, session.draft.base):  # what is chosen here, on what is entered now
            self._try_on(merged(self._on, self._trial.text, session.draft.text).text)
        wrong = self._trial.set(f"{self._path}.file", self._file.value)
        if wrong is not None:
            self._line.say(wrong.words(), trouble=True)
            return
        self._build({})
        self._line.say("The file is being read ...")
        self._looked_text = self._trial.text
        session.look(self._trial.text, self._use.value)

    def _try_on(self, text: str) -> None:
        """A trial of its own on what is entered now. Parameters: text that it begins with."""
        draft = self.session.draft
        self._trial, self._on = Draft(text, draft.base), draft.text
        self._trial.listeners.append(lambda structure: self._unlooked())

    def _unlooked(self) -> None:
        """What is chosen otherwise than it was looked at is not used."""
        if self._trial is not None and self._trial.text != self._looked_text:
            self._take.layout.display = "none"

    def _build(self, options: dict[str, tuple[str, ...]]) -> None:
        """Rows for what may be chosen of the file, channels and columns by their names."""
        import ipywidgets as widgets

        group = self._trial.group(self._path)
        self._rows = {}
        fields = {
            field.name: replace(field, options=options.get(field.name, field.options)) for field in group.fields if field.name != "file"
        }
        first = [self._row(fields[name]) for name in FIRST]
        rest = [field for name, field in fields.items() if name not in FIRST]
        fold = Fold("How the file is to be read", lambda: [self._row(field) for field in rest], self.kit, level="wb-fold-small")
        fold.turn(any(field.given or field.name in options and options[field.name] for field in rest if field.name not in FIRST))
        again = widgets.Button(description="Look again with this", layout=self.kit.button)
        again.on_click(settled(self.look))
        marks = [self._mark(inner) for inner in group.inner]
        self._fields.children = (*first, fold.box, *marks, self._marking(), again)

    def _row(self, field: Field):
        row = Row(self._trial, field, self.kit)
        self._rows[field.path] = row
        self._trial.listeners.append(lambda structure: self._refresh(row, field))
        return row.box

    def _refresh(self, row: Row, field: Field) -> None:
        now = self._trial.field(field.path)
        if now is not None and row is self._rows.get(field.path):
            row.refresh(replace(now, options=field.options), self._trial.wrong.get(field.path))

    def _mark(self, group):
        """A range that is marked, with a button that takes the mark out."""
        import ipywidgets as widgets

        known = {field.name: field.text for field in group.fields}
        words = f"Marked {known['is']} from {known['begins']} until {known['ends']}: {known['reason']}"
        button = widgets.Button(description="Take this mark out", layout=self.kit.button)
        button.on_click(settled(lambda: self._unmark(group.path)))
        return spaced(widgets.HTML(f'<p class="wb">{escape(words)}</p>'), button, kit=self.kit)

    def _unmark(self, path: str) -> None:
        self._trial.remove(path)
        self.look()

    def _marking(self):
        """Entries for one more range that was vacant or an outage."""
        import ipywidgets as widgets

        kit = self.kit
        kind = widgets.Dropdown(options=("vacant", "outage"), description="Mark as", layout=kit.entry, style={"description_width": "6rem"})
        names = {"begins": "From", "ends": "Until", "reason": "Because"}
        entries = {
            name: widgets.Text(
                description=words,
                layout=kit.entry,
                style={"description_width": "6rem"},
                placeholder="" if name == "reason" else "as 2025-07-01",
            )
            for name, words in names.items()
        }
        button = widgets.Button(description="Mark this range", layout=kit.button)

        def mark() -> None:
            row = {name: entry.value.strip() for name, entry in entries.items()} | {"is": kind.value}
            lacking = [names[name] for name in names if not row[name]]
            if lacking:
                self._line.say(f"Enter {', '.join(lacking)} of the range first.", trouble=True)
                return
            try:
                self._trial.add(("records", self._of, "mark"), row)
            except (LeafFault, Unpatchable) as error:
                troubles = getattr(error, "troubles", ())
                self._line.say(
                    "; ".join(f"{one.what} ({one.value}); accepted: {one.limit}" for one in troubles) or str(error), trouble=True
                )
                return
            self.look()

        button.on_click(settled(mark))
        return spaced(kind, *entries.values(), button, kit=kit)

    def take(self) -> None:
        """Enter the record as it was looked at into the draft of the home."""
        draft = self.session.draft
        now = (draft.text, draft.base, self._looked_text)
        if self._trial is None or (self._on, self._trial.base, self._trial.text) != now:
            self._line.say("What is entered or chosen has changed since: look at the record again.", trouble=True)
            self._take.layout.display = "none"
            return
        self.session.draft.take_up(self._trial.text)
        self._take.layout.display = "none"
        self._line.say(
            f"Used as {USES[self._of]}. Undo takes it back. What else the method asks of a record stands under Records in the form."
        )
        self._trial = None

    def _show(self) -> None:
        """What the reading of the file gave."""
        state = self.session.state
        if self._trial is None or not (state.looked or state.look_fault):
            return
        shown = state.looked or state.look_fault
        if shown is self._last:
            return
        self._last = shown
        if state.look_fault is not None:
            faults = [f"{fault.field}: {fault.what} {fault.value}. {fault.todo}" for fault in state.look_fault.faults] or [
                state.look_fault.words
            ]
            self._line.say("The file cannot be used so.\n" + "\n".join(faults), trouble=True)
            self._shown.value, self._take.layout.display = "", "none"
            return
        looked = state.looked
        self._build(looked.options)
        fields, reason = looked.asked
        drawn = "".join(figure(title, told, svg) for title, told, svg, _ in looked.figures)
        self._shown.value = looked.markup + drawn
        self._take.layout.display = "none" if fields else None
        if fields:
            self._line.say(f"Choose {', '.join(field.rpartition('.')[2] for field in fields)}, then look again: {reason}")
        else:
            self._line.say("This is what the file holds. Choose the period and mark ranges where that is needed, then use it.")
