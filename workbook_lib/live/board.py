"""The answers beside the form: the verdict, what moved, every check, the other workbooks, and whether that is of what is entered."""

from __future__ import annotations

from html import escape

from workbook_lib.live.fold import Fold
from workbook_lib.live.mending import Mending
from workbook_lib.live.rows import Kit
from workbook_lib.live.session import Session, told_of
from workbook_lib.live.things import workbook_words
from workbook_lib.live.worker import Answer, CheckLine
from workbook_lib.render.content import sentence
from workbook_lib.sheet import Verdict

MOST_MOVED = 8
MOST_FAULTS = 12
UNSAVED = "Changes are not saved."


class Board:
    """The answers of a session. `box`: the widget; `unsaved`: what is said while the site file does not say what is entered."""

    def __init__(self, session: Session, unsaved: str = UNSAVED):
        import ipywidgets as widgets

        self.session, self._unsaved = session, unsaved
        kit = Kit(lambda path: None)
        self.status, self.verdict, self.moved, self.short = (widgets.HTML(layout=kit.line) for _ in range(4))
        self.status.add_class("wb-status")
        self.others, self._checks = widgets.HTML(layout=kit.line), widgets.HTML(layout=kit.line)
        self._figures = widgets.HTML(layout=kit.line)
        self.checks = Fold("Every check of this workbook", lambda: [self._checks], kit)
        self.figures = Fold("Figures", lambda: [self._figures], kit)
        self._held: dict[int, str] = {}
        self.mending = Mending(session, kit)
        parts = [self.status, self.verdict, self.mending.box, self.moved, self.others, self.short, self.checks.box, self.figures.box]
        self.box = widgets.VBox(parts, layout=kit.line)
        self.box.add_class("wb-board")
        session.told.append(self.show)
        self.show()

    def show(self) -> None:
        """Show what is known now."""
        session, state = self.session, self.session.state
        own = state.answers.get(session.workbook)
        if state.faults is not None:
            self._put(self.verdict, _faults(state.faults))
            self._put(self.moved, "")
            self._put(self.short, "")
            self._put(self._checks, "")
        elif own is not None:
            older = not session.current
            mark = '<p class="wb wb-older"><strong>OLDER than what is entered.</strong></p>' if older else ""
            self._put(self.verdict, mark + own.markup)
            self._put(self.moved, "" if older else _moved(session))
            self._put(self.short, mark + own.short)
            self._put(self._checks, mark + _checks(own))
        self.mending.show()
        self._put(self.others, self._beside())
        if state.sheet is not None:
            self._put(self._figures, self._drawn())
        self._put(self.status, self._status())  # the last: each part goes to the page by itself, and this says of what they are

    def _put(self, widget, markup: str) -> None:
        if self._held.get(id(widget)) != markup:
            self._held[id(widget)] = markup
            widget.value = markup

    def _status(self) -> str:
        session, state = self.session, self.session.state
        words = []
        if session.draft.wrong:
            count = len(session.draft.wrong)
            entries = "1 entry is not taken" if count == 1 else f"{count} entries are not taken"
            words.append(f"<strong>{entries}</strong> ({escape(', '.join(session.draft.wrong))}): what is shown is of the value before.")
        if state.faults is not None and not state.running:
            words.append("<strong>No verdict</strong>: what is entered has faults.")
        elif session.current:
            at = f" Still at work{self._at()}." if state.running else ""
            placed = f" and of what the parameters cell puts in place ({escape(session.put_in_place)})" if session.put_in_place else ""
            words.append(f"{_own(session)} The verdict is of what is entered{placed}.{_worse(session)}{at}")
        elif state.running:
            words.append(f"<strong>Calculating{self._at()}</strong>; what is shown is older than what is entered.")
        else:  # left for another home, or broken off
            words.append("<strong>Not calculated</strong>: what is shown is older than what is entered. Change a field, or run all cells.")
        if state.unmade is not None:
            words.append(
                f'<strong class="wb-flag">The whole sheet could not be made</strong>: {escape(told_of(state.unmade).rstrip("."))}.'
            )
        if session.draft.changed:
            words.append(escape(self._unsaved))
        if session.notice:
            words.append(escape(session.notice))
        if session.trouble:
            words.append(f'<strong class="wb-flag">{escape(session.trouble)}</strong>')
        return f'<p class="wb wb-state" role="status" aria-live="polite">{" ".join(words)}</p>'

    def _at(self) -> str:
        """What is being done and for how long, behind a colon; empty where neither is known yet."""
        progress, seconds = self.session.state.progress, self.session.at_work_s
        count = f" ({progress.done + 1} of {progress.of})" if progress is not None and progress.of else ""
        told = [f"{progress.words}{count}"] if progress is not None else []
        if seconds:
            told.append(f"{seconds} s")
        return escape(f": {', '.join(told)}") if told else ""

    def _beside(self) -> str:
        session = self.session
        rows = []
        for name, one in session.state.answers.items():
            if name != session.workbook:
                older = "" if one.number == session.asked and session.current else ", older than what is entered"
                told = f" {escape(sentence(one.decider.sentence))}" if one.decider is not None and one.verdict != "not applicable" else ""
                rows.append(f"<li>{escape(workbook_words(name))}: {_word(one.verdict)}{older}.{told}</li>")
        return f'<div class="wb"><h4>The other workbooks</h4><ul>{"".join(rows)}</ul></div>' if rows else ""

    def _drawn(self) -> str:
        session = self.session
        older = "" if session.sheet_current else "<p><strong>OLDER than what is entered.</strong></p>"
        drawn = [figure(*one) for one in session.state.sheet.figures]
        return f'<div class="wb">{older}{"".join(drawn) or "<p>This sheet has no figure.</p>"}</div>'


def figure(title: str, told: str, svg: str, table: str = "") -> str:
    """A drawing with its words for those who do not see it, and its table. Parameters: title, description, SVG, table as HTML."""
    words = escape(f"{title}. {told}")
    drawn = f'<div role="img" aria-label="{words}">{svg}</div>'
    return f'<figure class="wb-figure">{drawn}<figcaption>{words}</figcaption></figure>{table}'


def _own(session: Session) -> str:
    """The verdict in a word, for the line that stays in sight."""
    return f"{_word(session.state.answers[session.workbook].verdict)}."


def _worse(session: Session) -> str:
    """The workbooks of the same entries that say something worse."""
    answers, ranks = session.state.answers, [str(one) for one in Verdict]
    own = ranks.index(answers[session.workbook].verdict)
    worse = [(name, one.verdict) for name, one in answers.items() if one.number == session.asked and ranks.index(one.verdict) < own]
    return f" Worse: {'; '.join(f'{escape(workbook_words(name))} {_word(verdict)}' for name, verdict in worse)}." if worse else ""


def _word(verdict: str) -> str:
    return f'<span class="wb-word wb-word-{escape(verdict.replace(" ", "-"))}">{escape(verdict)}</span>'


def _faults(faults) -> str:
    if faults.words:
        return f'<div class="wb"><p class="wb-band wb-band-fail"><strong>no verdict</strong> {escape(faults.words)}</p></div>'
    rows = []
    for fault in faults.faults[:MOST_FAULTS]:
        found = f" (found {fault.value})" if fault.value else ""
        todo = f" Do: {fault.todo}." if fault.todo else ""
        rows.append(f"<li><strong>{escape(fault.field or fault.file)}</strong>: {escape(fault.what + found)}.{escape(todo)}</li>")
    more = len(faults.faults) - MOST_FAULTS
    rest = f"<li>and {more} more</li>" if more > 0 else ""
    head = '<p class="wb-band wb-band-needs-input"><strong>no verdict</strong> What is entered has faults:</p>'
    return f'<div class="wb">{head}<ul>{"".join(rows)}{rest}</ul></div>'


def _moved(session: Session) -> str:
    rows = session.moved()
    if not rows:
        return ""
    lines = [f"<li>{_move(name, kind, before, now, session.workbook)}</li>" for name, kind, before, now in rows[:MOST_MOVED]]
    more = f"<li>and {len(rows) - MOST_MOVED} more margins</li>" if len(rows) > MOST_MOVED else ""
    return f'<div class="wb"><h4>Moved by the last change</h4><ul>{"".join(lines)}{more}</ul></div>'


def _move(name: str, kind: str, before: CheckLine | None, now: CheckLine | None, own: str) -> str:
    one = now or before
    book = "" if name == own else f"{workbook_words(name)}: "
    question = escape(book + one.question.rstrip(" ?"))
    if kind == "room":
        return f"{question}: margin {escape(before.room)} before, {escape(now.room)} now"
    told = [_word(side.verdict) if side is not None else "not asked" for side in (before, now)]
    return f"{question}: {told[0]} before, {told[1]} now"


def _checks(answer: Answer) -> str:
    rows = "".join(
        f'<tr><td data-label="Test">{escape(sentence(line.question))}<span class="wb-key"> {escape(line.key)}</span></td>'
        f'<td data-label="Verdict">{_word(line.verdict)}{"" if line.counts else " (shown, does not decide)"}</td>'
        f'<td data-label="Told">{escape(line.sentence)}</td></tr>'
        for line in answer.checks
    )
    head = '<tr><th scope="col">Test</th><th scope="col">Verdict</th><th scope="col">In numbers</th></tr>'
    return f'<div class="wb"><table class="wb-grid"><thead>{head}</thead><tbody>{rows}</tbody></table></div>'
