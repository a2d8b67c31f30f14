"""What a site visit says of itself: its keys, how far it has come, and things and answers in words."""

from __future__ import annotations

from collections.abc import Collection
from html import escape

from workbook_lib.live import visit, visit_data
from workbook_lib.live.things import ADDED

KEYS = (
    "Keys: <strong>Enter</strong> goes on to the next answer that is needed, and passes one that is left empty; in a new thing to its next "
    "entry, and from the last it adds it. A run, breakers and loads may be typed in one line, as it is shown where they are entered. "
    "<strong>Tab</strong> goes to every field, also those asked if known. <strong>Alt+N</strong> Next step, <strong>Alt+K</strong> what it "
    "is known from (a number is that of the photo, Enter goes back), <strong>Alt+P</strong> Next photo, <strong>Alt+S</strong> Save and "
    "render."
)
KEPT = "What you enter is kept at once in the working copy beside the site file; the site file itself, {file}, is written with Save it so."
UNTAKEN = '{ask} "{text}" is not taken. Mend it or empty it, then go on; the list of steps leaves it as it is.'
UNSAVED = "What you enter is kept in the working copy; the site file, {file}, is written with Save it so."


def steps_told(content: visit.Home, passed: Collection[str]) -> list[tuple[str, str]]:
    """The steps with what is open at each. Parameters: what is known of the home, keys of steps passed over. Returns: words and key."""
    found = []
    for number, step in enumerate(visit_data.steps(), 1):
        here = visit.progress(content, step)
        lacking = here.needed - here.needed_answered
        over = (step.skip and step.key in passed and not here.of) or not visit.may_apply(content, step)
        nothing = "nothing stands here" if over else "" if here.answered else "nothing entered yet"
        state = f"{lacking} needed open" if lacking else nothing or "answered"
        found.append((f"{number}. {step.title}: {state}", step.key))
    return found


def head(content: visit.Home, step: visit_data.Step, file: str, passed: Collection[str], *, saved: bool) -> str:
    """What stands above a step: how far the visit has come, where it is kept, the step's title.

    Parameters: what is known of the home, step, name of the file, keys of steps passed over, whether all
    is saved. Returns: HTML.
    """
    whole = visit.progress(content)
    lacking = whole.needed - whole.needed_answered
    open_ones = "1 needed answer is open" if lacking == 1 else f"{lacking} needed answers are open"
    places = [f"{number}. {one.title}" for number, one in enumerate(visit_data.steps(), 1) if not visit.progress(content, one).whole]
    left = f"{open_ones}, at {'; '.join(places)}"
    words = left if lacking else f"Nothing that is needed is open: {'saved' if saved else 'look at the verdict, then save'}"
    rest = [(number, one) for number, one in enumerate(visit_data.steps(), 1) if one.skip and one.key not in (*passed, step.key)]
    new = [f"{number}. {one.title}" for number, one in rest if visit.may_apply(content, one) and not visit.progress(content, one).of]
    if new and not lacking:
        words = f"Nothing that is needed is open so far; not come to yet: {'; '.join(new)}"
    title = f'<h3 class="wb-head">{escape(step.title)}</h3><p class="wb">{escape(step.words)}</p>'
    return f'<p class="wb">{words} ({whole.answered} of {whole.of} questions answered). {escape(KEPT.format(file=file))}</p>{title}'


def summary(asked: Collection[visit.Asked]) -> str:
    """What is known of a thing, in one line. Parameters: its questions. Returns: text."""
    values = [one.value for one in asked if one.answered and not isinstance(one.value, (dict, bool)) and one.value is not None]
    told = [", ".join(map(str, value)) if isinstance(value, list) else str(value) for value in values]
    return " \N{MIDDLE DOT} ".join(told)[:60]


def is_open(one: visit.Asked) -> bool:
    """Whether an answer is needed and not given. Parameters: question as it is asked."""
    return one.needed and not one.answered


def in_place(one: visit.Asked) -> tuple[str, ...]:
    """The answers beside a question that answer it as well. Parameters: question as it is asked. Returns: key paths."""
    of, own = one.key.rpartition(".")[0], one.question.path.rpartition(".")[0]
    return tuple(f"{of}.{path.rpartition('.')[2]}" for path in one.question.instead if path.rpartition(".")[0] == own)


def thing_words(rows: visit_data.RowsAt) -> str:
    """A new row in trade words, with the stem of its id where that says more. Parameters: list. Returns: text."""
    words = ADDED.get(rows.path.rpartition(".")[2], rows.name)
    return words if rows.name in words else f"{words} ({rows.name})"
