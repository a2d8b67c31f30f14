"""The questions of a site visit as data: what a step, its lists and its questions are, read from `visit.toml` and proven by the model."""

from __future__ import annotations

import tomllib
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from importlib.resources import files

from workbook_lib.live.in_line import READERS

EVERY = "*"
"""Stands in a path for each row of a list."""
FIRST, OTHERS = "first", "others"


@dataclass(frozen=True, slots=True)
class Condition:
    """Something that holds of what is known: at a path stands one of `values`, or something that stands at one of `among` too.

    Without either it is enough that something stands there. `row`, `has`: what stands there is the id of a row of a list (`*` at its end),
    and it is the field `has` of that row which is meant. `below`: what stands there, or what that hangs on, up to the service, stands at
    one of these paths; `short_of`: that way ends at the first row of this list. `absent`: turned round. `anywhere`: of all rows of the
    home, not of this one; `first`: of the first row alone.
    """

    path: str
    values: tuple[object, ...] = ()
    among: tuple[str, ...] = ()
    absent: bool = False
    row: str = ""
    has: str = ""
    below: tuple[str, ...] = ()
    short_of: str = ""
    anywhere: bool = False
    first: bool = False


@dataclass(frozen=True, slots=True)
class Takes:
    """What tells an answer as soon as it is chosen: the field `beside` names a row of the list `row`, whose field `has` is one of `gives`.

    `gives`: pairs of what stands there and the answer; `unless`: a field of that row with which it tells nothing; `words`: as it is told,
    with {of} for what stands there and {row} for the id.
    """

    beside: str
    row: str
    has: str
    gives: tuple[tuple[str, str], ...]
    words: str
    unless: str = ""


@dataclass(frozen=True, slots=True)
class Question:
    """One question: path of its answer (`*` for each row), words, why it is asked, where it is read, when it is needed.

    `instead`: paths that answer it as well; `only_if`, `needed_if`: conditions that must all hold; `suggest`: shown, never taken; `like`:
    what an answer looks like; `offer`: Enter leads there, needed or not; `line`: what else is known of the run may be typed with it;
    `takes`: what is entered once the thing that tells it is chosen.
    """

    path: str
    ask: str
    why: str
    where: str
    needed: bool = False
    instead: tuple[str, ...] = ()
    only_if: tuple[Condition, ...] = ()
    needed_if: tuple[Condition, ...] = ()
    suggest: str = ""
    like: str = ""
    offer: bool = False
    line: bool = False
    takes: Takes | None = None


@dataclass(frozen=True, slots=True)
class RowsAt:
    """A list of things at a step: its path, a thing's name (the stem of its id), what a new one cannot do without besides its id.

    `first` is empty where the step asks of rows that stand elsewhere; `one`: a single table; `least`: rows that there must be; `which`: the
    first row of the file or the others; `only`: conditions on a row; `into`: path of the field that takes a new one; `many`: of which a
    home has many; `then`: the field that a new one is asked for first, needed or not; `words`: told where one is added; `named`: its id
    is given by a person, not only offered; `same`: a field, and what a new one takes of it from the row that it stands in; `line`: what
    reads several that are typed in one line, by its name in `in_line`.
    """

    path: str
    name: str = ""
    first: tuple[str, ...] = ()
    one: bool = False
    least: int = 0
    which: str = ""
    only: tuple[Condition, ...] = ()
    into: str = ""
    many: bool = False
    then: str = ""
    words: str = ""
    named: bool = False
    same: tuple[str, ...] = ()
    line: str = ""


@dataclass(frozen=True, slots=True)
class Wanted:
    """A row that a sheet cannot do without: in the list `rows` of the step, in `words`, where `only_if` holds and `unless` does not."""

    rows: str
    words: str
    unless: tuple[Condition, ...]
    only_if: tuple[Condition, ...] = ()


@dataclass(frozen=True, slots=True)
class Step:
    """One stop of the visit; `skip` is the question by which it is left out, empty where it is not; `wants`: rows that it lacks.

    `after`: keys of steps; where nothing stands at any of them, nothing can stand at this one.
    """

    key: str
    title: str
    words: str
    skip: str
    rows: tuple[RowsAt, ...]
    questions: tuple[Question, ...]
    wants: tuple[Wanted, ...] = ()
    after: tuple[str, ...] = ()


@lru_cache(maxsize=1)
def steps() -> tuple[Step, ...]:
    """The stops of a visit in order, once the data is proven against the model of a site file.

    Returns: steps. Errors: ValueError with everything that is wrong with the data.
    """
    content = tomllib.loads(files("workbook_lib.live").joinpath("visit.toml").read_text(encoding="utf-8"))
    found = read_steps(content)
    problems = faults(found)
    if problems:
        raise ValueError("; ".join(problems))
    return found


def step_of(key: str) -> Step:
    """The step of a key. Errors: KeyError."""
    return {step.key: step for step in steps()}[key]


def read_steps(content: Mapping[str, object]) -> tuple[Step, ...]:
    """Steps from the content of the data file, its sets put in. Errors: TypeError or KeyError for a key that is none."""
    sets = {one["name"]: one["ask"] for one in content["set"]}
    return tuple(_step(one, sets) for one in content["step"])


def _step(content: Mapping[str, object], sets: Mapping[str, list]) -> Step:
    rows = tuple(_read(RowsAt, one) for one in content.get("rows", ()))
    questions = tuple(question for one in content["ask"] for question in _questions(one, sets))
    wants = tuple(_read(Wanted, one) for one in content.get("wants", ()))
    given = {key: value for key, value in content.items() if key not in ("rows", "ask", "wants", "after")}
    return Step(**{"skip": "", **given}, rows=rows, questions=questions, wants=wants, after=tuple(content.get("after", ())))


def _questions(content: Mapping[str, object], sets: Mapping[str, list]) -> Iterator[Question]:
    if "set" not in content:
        yield _read(Question, content)
        return
    unknown = content.keys() - {"set", "at", "of", "without", "only_if", "needed"}
    if unknown:
        raise KeyError(f"{sorted(unknown)} beside set = {content['set']!r}")
    for one in sets[content["set"]]:
        if one["path"] in content.get("without", ()):
            continue
        made = _read(Question, {**one, "path": f"{content['at']}.{one['path']}", "ask": one["ask"].format(of=content.get("of", ""))})
        made = replace(made, only_if=(*_conditions(content.get("only_if", ())), *made.only_if))
        yield made if content.get("needed", True) else replace(made, needed=False, needed_if=())


def _read(kind: type, content: Mapping[str, object]):
    given = {key: tuple(value) if isinstance(value, list) else value for key, value in content.items()}
    for name in ("only", "only_if", "needed_if", "unless"):
        if name in given:
            given[name] = _conditions(given[name])
    if "takes" in given:
        given["takes"] = Takes(**{**given["takes"], "gives": tuple(map(tuple, given["takes"]["gives"]))})
    return kind(**given)


def _conditions(given: Collection[Mapping[str, object]]) -> tuple[Condition, ...]:
    return tuple(_read(Condition, one) for one in given)


def faults(found: Collection[Step]) -> list[str]:
    """What is wrong with steps: paths that the model lacks, rows without their lists, words that are missing.

    Parameters: steps. Returns: each fault in words; empty where there is none.
    """
    problems = [f"two steps {key}" for key in {one.key for one in found if [step.key for step in found].count(one.key) > 1}]
    for step in found:
        paths = [question.path for question in step.questions]
        problems += [f"{step.key}: {path} is asked twice" for path in sorted(set(paths)) if paths.count(path) > 1]
        for rows in step.rows:
            problems += _rows_faults(step.key, rows)
        for question in step.questions:
            problems += _question_faults(step, question)
        problems += [f"{step.key}: after {key}, which is no step" for key in step.after if key not in [one.key for one in found]]
        for one in step.wants:
            where = f"{step.key}: wanted {one.rows}"
            problems += [] if one.words.strip() else [f"{where}: no words"]
            problems += [] if any(rows.path == one.rows and rows.first for rows in step.rows) else [f"{where}: no rows to add to"]
            problems += [problem for condition in (*one.unless, *one.only_if) for problem in _condition_faults(where, condition)]
    return problems


def _rows_faults(key: str, rows: RowsAt) -> list[str]:
    kind = "table" if rows.one else "rows"
    problems = [] if _kind_at(rows.path) == kind else [f"{key}: {rows.path} are no {kind}"]
    problems += [] if rows.which in ("", FIRST, OTHERS) else [f"{key}: {rows.path}: which = {rows.which!r}"]
    problems += [] if bool(rows.first) == bool(rows.name) else [f"{key}: {rows.path} has a name or what comes first, not both"]
    inner = rows.path if rows.one else f"{rows.path}.{EVERY}"
    own = (*rows.first, *([rows.then] if rows.then else []))
    problems += [f"{key}: {inner}.{name} is no field" for name in own if _kind_at(f"{inner}.{name}") != "leaf"]
    problems += [f"{key}: {rows.path}: nothing reads a line of {rows.line}" for name in [rows.line] if name and name not in READERS]
    problems += [f"{key}: {rows.into} is no field" for path in [rows.into] if path and _kind_at(path) != "leaf"]
    return problems + [problem for one in rows.only for problem in _condition_faults(key, one)]


def _question_faults(step: Step, question: Question) -> list[str]:
    where = f"{step.key}: {question.path}"
    problems = [f"{where} is no field" for path in (question.path, *question.instead) if _kind_at(path) != "leaf"]
    problems += [f"{where}: no {name}" for name in ("ask", "why", "where") if not getattr(question, name).strip()]
    listed = {rows.path for rows in step.rows}
    starred = [".".join(question.path.split(".")[:end]) for end, part in enumerate(question.path.split(".")) if part == EVERY]
    problems += [f"{where}: {prefix} are no rows of this step" for prefix in starred if prefix not in listed]
    if question.takes is not None:
        paths = (f"{question.path.rpartition('.')[0]}.{question.takes.beside}", f"{question.takes.row}.{question.takes.has}")
        problems += [f"{where}: takes {path}, which is no field" for path in paths if _kind_at(path) != "leaf"]
    for condition in (*question.only_if, *question.needed_if):
        problems += _condition_faults(where, condition)
    return problems


def _condition_faults(where: str, condition: Condition) -> list[str]:
    problems = [
        f"{where}: a condition on {path}, which the model lacks"
        for path in (condition.path, *condition.among, *condition.below)
        if not _kind_at(path)
    ]
    if condition.short_of and _kind_at(condition.short_of) != "rows":
        problems.append(f"{where}: {condition.short_of} are no rows")
    if condition.row and _kind_at(f"{condition.row}.{condition.has}") != "leaf":
        problems.append(f"{where}: {condition.row}.{condition.has} is no field")
    if _kind_at(condition.path) != "leaf" and (condition.values or condition.among or condition.below):
        problems.append(f"{where}: {condition.path} has no value to compare")
    return problems


def _kind_at(path: str) -> str:
    """What the model of a site file has at a path: leaf, table, rows; empty for nothing."""
    from workbook_lib.home.model import Site
    from workbook_lib.home.shapes import shapes

    model, kind = Site, "table"
    for part in path.split("."):
        if part == EVERY:
            if kind != "rows":
                return ""
            kind = "table"
            continue
        shape = shapes(model).get(part) if model is not None and kind == "table" else None
        if shape is None:
            return ""
        model, kind = shape.model, shape.kind
    return kind
