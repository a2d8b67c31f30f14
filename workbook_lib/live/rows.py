"""One field of the form: its label, a place to type or choose, how it is known, and beside it what is accepted or what is wrong."""

from __future__ import annotations

import re
from collections.abc import Callable
from html import escape

from workbook_lib.home.fields import Id, Number, Numbers
from workbook_lib.home.raw import ORIGINS
from workbook_lib.live.draft import Draft, Wrong
from workbook_lib.live.echo import settled
from workbook_lib.live.fields import ABSENT, EMPTY_LIST, Field
from workbook_lib.live.in_line import is_line
from workbook_lib.quantities import COMMON_UNITS, QuantityError, read_quantity
from workbook_lib.render.content import sentence

AS_WRITTEN, IMPERIAL, METRIC = "as written", "feet and degrees Fahrenheit", "metres and degrees Celsius"
UNITS = (AS_WRITTEN, IMPERIAL, METRIC)
"""In which units values are shown beside what is typed; what is typed and calculated stays as it is."""
_SHOWN = {IMPERIAL: {"ft": "ft", "ft^2": "ft^2", "degC": "degF"}, METRIC: {"ft": "m", "ft^2": "m^2", "degC": "degC"}}
NOT_GIVEN = "(not given)"
MOST_OPTIONS_AS_BOXES = 40


def in_units(field: Field, units: str) -> str:
    """A value in the units asked for, empty where they are those of the field or it is none. Parameters: field, units of `UNITS`."""
    wanted = _SHOWN.get(units, {}).get(field.unit)
    if wanted is None or not field.given or not isinstance(field.leaf, Number):
        return ""
    try:
        house = read_quantity(field.text, field.leaf.dimension)[0]
    except QuantityError:
        return ""
    unit = COMMON_UNITS[wanted]
    return f"{house / float(unit.factor) - float(unit.before):.6g} {wanted}"


class Row:
    """A field as widgets. `box`: what is shown; `refresh(field, wrong)` shows what the draft holds now.

    `line`: who takes a text of several answers, key path and text; it is told once it is left then.
    """

    def __init__(
        self,
        draft: Draft,
        field: Field,
        kit: Kit,
        *,
        owner: str = "",
        ask: str = "",
        why: str = "",
        where: str = "",
        like: str = "",
        line: Callable[[str, str], None] | None = None,
    ):
        import ipywidgets as widgets

        self.path, self._draft, self._kit, self._said = field.path, draft, kit, ""
        self._like, self._line = like or field.example, line
        self._why = (why, where)
        self._quiet = False
        self._label = ask or (f"{owner}: {field.leaf.label}" if owner else sentence(field.leaf.label))
        self.entry = self._entry(field)
        self.origin = self.note = None
        self._waits = False
        if field.has_provenance and kit.known is None:
            self._provenance(field)
        wrong = draft.wrong.get(field.path)
        self._said = self._hint_words(field, wrong, "")
        self.hint = widgets.HTML(value=_hint(self._said), layout=kit.hint, style=kit.told)
        known = [] if self.origin is None else [self.origin, self.note]
        self.at = "wb-at-" + re.sub(r"[^a-z0-9]+", "-", field.path.lower())
        classes = ("wb-row", self.at, *(["wb-wrong"] if wrong is not None else []))
        self.box = widgets.Box([self.entry, *known, self.hint], layout=kit.row, _dom_classes=classes)
        self.refresh(field, wrong)

    def _provenance(self, field: Field) -> None:
        """Where the value is known from, and a note."""
        import ipywidgets as widgets

        kit = self._kit
        self.origin = widgets.Dropdown(
            options=ORIGINS,
            value=field.origin or "stated",
            description="from",
            layout=kit.narrow,
            style=kit.short,
            tooltip=f"{self._label}: how it is known",
        )
        self.note = widgets.Text(
            value=field.note,
            description="note",
            layout=kit.note,
            style=kit.short,
            continuous_update=False,
            tooltip=f"{self._label}: note, as the number of a photo",
        )
        self.origin.observe(self._known, "value")
        self.note.observe(self._known, "value")

    def _entry(self, field: Field):
        import ipywidgets as widgets

        kit, label = self._kit, self._label
        if field.several and field.options and len(field.options) <= MOST_OPTIONS_AS_BOXES:
            return self._ticks(field)
        self._boxes = []
        self._typed_choice = _begin_alike(field.options) and not field.several
        example = f"as {self._like}" if self._like and not field.given else ""
        if self._typed_choice:
            entry = widgets.Combobox(
                value=field.text,
                options=field.options,
                description=label,
                layout=kit.entry,
                style=kit.wide,
                continuous_update=self._line is None,
                placeholder=example,
                tooltip=label,
            )
        elif (field.options or field.refers) and not field.several:
            choices = self._choices(field)
            value = field.text if field.text in [one for _, one in choices] else ABSENT
            entry = widgets.Dropdown(options=choices, value=value, description=label, layout=kit.entry, style=kit.wide, tooltip=label)
        else:
            entry = widgets.Text(
                value=field.text,
                description=label,
                layout=kit.entry,
                style=kit.wide,
                continuous_update=not isinstance(field.leaf, Id),
                placeholder=example,
                tooltip=label,
            )
        entry.observe(self._typed, "value")
        return entry

    def _ticks(self, field: Field):
        """A box to tick for each choice of a list."""
        import ipywidgets as widgets

        kit, label, members = self._kit, self._label, field.text.split(", ")
        self._boxes = [
            widgets.Checkbox(
                value=option in members, description=option, indent=False, layout=kit.tick, style=kit.ticked, tooltip=f"{label}: {option}"
            )
            for option in (*field.options, EMPTY_LIST)
        ]
        for box in self._boxes:
            box.observe(self._ticked, "value")
        title = widgets.HTML(f'<span class="wb-boxes">{escape(label)}</span>', layout=kit.boxes_title, style=kit.told)
        return widgets.Box([title, *self._boxes], layout=kit.boxes)

    def _choices(self, field: Field) -> list[tuple[str, str]]:
        rows = [(option, option) for option in field.options]
        if field.given and field.text not in field.options:
            rows.insert(0, (f"{field.text} (unknown)", field.text))
        return [(NOT_GIVEN, ABSENT), *rows]

    # from the person

    def _typed(self, change) -> None:
        if not self._quiet:
            self._kit.changing(self.path)
            self._enter(change["new"])
            self._kit.heard(self, change["new"])

    def _enter(self, text: str) -> None:
        """Put what was typed into the draft, and how it is known where that was said before it or for all that is entered."""
        with self._draft.one_step(self.path):
            if self._line is not None and is_line(text):
                self._line(self.path, text)
            elif self._draft.set(self.path, text) is None:
                self._say_known()
                self._kit.entered(self.path)

    def _say_known(self) -> None:
        field, known = self._draft.field(self.path), self._kit.known
        if field is None or not field.given or not field.has_provenance:
            return
        if known is not None:
            known.tell(self._draft, self.path)
        elif self._waits:
            self._waits = False
            self._draft.known_from(self.path, self._waiting[0], self._waiting[1])

    def _ticked(self, change) -> None:
        if not self._quiet:
            before = [part for part in (self._draft.field(self.path).text or "").split(", ") if part]
            ticked = [box.description for box in self._boxes if box.value]
            if EMPTY_LIST in ticked:
                new = change["owner"].description == EMPTY_LIST
                ticked = [EMPTY_LIST] if new else [one for one in ticked if one != EMPTY_LIST]
            kept = [one for one in before if one in ticked]
            self._kit.changing(self.path)
            self._enter(", ".join([*kept, *(one for one in ticked if one not in kept)]))

    def _known(self, change) -> None:
        if self._quiet:
            return
        self._kit.changing(self.path)
        if self._draft.field(self.path).given:
            self._draft.known_from(self.path, self.origin.value, self.note.value)
        else:
            self._waits, self._waiting = True, (self.origin.value, self.note.value)

    # from the draft

    def refresh(self, field: Field, wrong: Wrong | None, told: str = "") -> None:
        """Show what the draft holds.

        Parameters: field, what is wrong with what was typed (None: nothing), a fault of the file that names it.
        """
        self._quiet = True
        try:
            text = wrong.text if wrong is not None else field.text
            if self._boxes:
                members = field.text.split(", ")
                for box in self._boxes:
                    box.value = box.description in members
            elif hasattr(self.entry, "index"):
                choices = self._choices(field)
                if tuple(choices) != tuple(self.entry.options):
                    self.entry.options = choices
                if self.entry.value != text and text in [value for _, value in choices]:
                    self.entry.value = text
            elif not _same(field, self.entry.value, text):
                self.entry.value = text
            if self.origin is not None and (field.given or not self._waits):
                self.origin.value, self.note.value = field.origin or "stated", field.note
            self._hint(field, wrong, told)
        finally:
            self._quiet = False

    def _hint(self, field: Field, wrong: Wrong | None, told: str) -> None:
        words = self._hint_words(field, wrong, told)
        if words != self._said:
            self._said = words
            self.hint.value = _hint(words)
            (self.box.add_class if wrong is not None or told else self.box.remove_class)("wb-wrong")

    def _hint_words(self, field: Field, wrong: Wrong | None, told: str) -> str:
        """What stands below the entry, as HTML."""
        said = wrong.words() if wrong is not None else told
        if said:
            before = self._draft.told_before(field) if wrong is not None and self._kit.known is None else ""
            beside = f"; {before}" if before and before != "new" else ""
            return f'<strong class="wb-flag">{"Not taken" if wrong is not None else "Fault"}:</strong> {escape(said + beside)}'
        why, where = self._why
        lead = "".join(f"<span>{title} {escape(text)} </span>" for title, text in (("Why:", why), ("Where:", where)) if text)
        beside = in_units(field, self._kit.units)
        changed = self._draft.told_before(field)
        if self._kit.known is not None:
            changed = ", ".join(part for part in (field.origin if field.origin != "stated" else "", field.note) if part)
            if field.given and not field.has_provenance and self._kit.known.said:
                changed = "its source is not kept: this field has none"
        return lead + escape("; ".join(part for part in (f"= {beside}" if beside else "", changed, field.hint) if part))


def _same(field: Field, typed: str, text: str) -> bool:
    """Whether what was typed says the same as a text: the comma behind which the next of several is about to be typed says nothing yet."""
    several = field.several or isinstance(field.leaf, Numbers)
    parts = ([part.strip() for part in one.split(",") if part.strip()] if several else [one.strip()] for one in (typed, text))
    return next(parts) == next(parts)


def _hint(words: str) -> str:
    return f'<div class="wb-hint">{words}</div>'


def _begin_alike(options: tuple[str, ...]) -> bool:
    """Whether one choice begins as another does: then a letter typed in a menu would choose the wrong one, and it is typed out."""
    return any(one != other and other.startswith(one) for one in options for other in options if one[:1].isdecimal())


def following(note: str) -> str:
    """The note of the next photo. Parameters: note. Returns: it with the number at its end raised by one, number 1 where it has none."""
    words, number = re.fullmatch(r"(.*?)([0-9]{0,9})", note, re.DOTALL).groups()
    return f"{words}{int(number) + 1:0{len(number)}}" if number else f"{words or 'photo'} 1"


class Known:
    """How all that is entered is known, until it is said otherwise: chosen once for a nameplate or a photo. `box`: the widget.

    `heard`: who is told of another source once its note is emptied.
    """

    def __init__(self):
        import ipywidgets as widgets

        wide = {"description_width": "initial"}
        self.origin = widgets.Dropdown(options=ORIGINS, value="stated", description="What I enter now is known from", style=wide)
        self.note = widgets.Text(description="note", placeholder="as photo 3", style=wide)
        self.origin.layout.width, self.note.layout.width = "22rem", "13rem"
        self._photo = widgets.Button(description="Next photo", tooltip="raise the number of the note by one (Alt+P)")
        self._photo.layout.width = "auto"
        self._photo.add_class("wb-photo")
        self._photo.on_click(settled(self.next_photo))
        self._note_before, self._used, self._words = "", False, "photo "
        self.heard: Callable[[str], None] = lambda text: None
        parts = [self.origin, self.note, self._photo]
        self.box = widgets.Box(parts, layout=widgets.Layout(flex_flow="row wrap", width="100%", align_items="baseline"))
        self.box.add_class("wb-known")
        self.origin.observe(self._other_source, "value")
        self.note.observe(self._other_note, "value")

    def _other_source(self, change) -> None:
        """A note that something was entered with is of the source before; the number of the last photo is kept to go on from."""
        self._note_before = self.note.value or self._note_before
        if self._used:
            self.note.value = ""
        self.heard(self.origin.value)

    def _other_note(self, change) -> None:
        self._used = False
        words = re.fullmatch(r"(.*?)[0-9]+", change["old"] or self._note_before)
        self._words = words[1] if words and words[1] else self._words

    @property
    def said_note(self) -> str:
        """The note; where it is a number alone, that of a photo, or of what the notes before it were of."""
        note = self.note.value.strip()
        return f"{self._words}{note}" if note.isdecimal() else note

    def next_photo(self) -> None:
        """Raise the number at the end of the note by one; where the source was changed since, go on from the note before."""
        self.note.value = following(self.said_note or self._note_before.strip())

    @property
    def said(self) -> bool:
        """Whether it is said how what is entered now is known."""
        return self.origin.value != "stated" or bool(self.said_note)

    def tell(self, draft: Draft, path: str) -> None:
        """Say of a field that was just entered how it is known. Parameters: draft, key path."""
        if self.said:
            self._used = True
            draft.known_from(path, self.origin.value, self.said_note)


class Kit:
    """What all rows share: layouts, styles, the units shown, who is told that a field is being changed.

    Each of them is told to the browser once: a form of a large home has a thousand entries.

    `known`: how all that is entered is known, where that is said once for all rows; `entered`: who is told of a field that was taken;
    `heard`: who is told of what was typed once it was taken or refused, row and text.
    """

    def __init__(self, changing: Callable[[str], None], *, entry: str = "27rem", label: str = "13rem", known: Known | None = None):
        import ipywidgets as widgets
        from ipywidgets.widgets import widget_bool, widget_string

        self.known = known
        self.entered: Callable[[str], None] = lambda path: None
        self.heard: Callable[[Row, str], None] = lambda row, text: None
        layout = widgets.Layout
        self.changing, self.units = changing, AS_WRITTEN
        self.row = layout(flex_flow="row wrap", align_items="baseline", width="100%")
        self.entry = layout(width=entry, max_width="100%")
        self.narrow, self.note = layout(width="11rem"), layout(width="13rem")
        self.hint = layout(width="100%")
        self.boxes = layout(flex_flow="row wrap", width="27rem", max_width="100%")
        self.boxes_title, self.tick = layout(width="13rem"), layout(width="auto")
        self.button, self.line = layout(width="auto", max_width="100%"), layout(width="100%")
        self.wide, self.short = (widget_string.TextStyle(description_width=width) for width in (label, "2.6rem"))
        self.told, self.pressed, self.ticked = widget_string.HTMLStyle(), widgets.ButtonStyle(), widget_bool.CheckboxStyle()
