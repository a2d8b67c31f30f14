"""A new home by questions in the order of a site visit: which are asked of what is known so far, and where their answers stand.

The questions are data (`visit.toml`); nothing here knows a field by name. A home half entered is a site file that lacks things, so what is
known so far is the content of that file as `tomllib` gives it, and each question has the key path and the place in the file of its answer.
"""

from __future__ import annotations

import tomllib
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from importlib.resources import files

from workbook_lib.home.lines import Loc
from workbook_lib.home.raw import Raw, Rows, Table, prepare
from workbook_lib.live.beginning import beginning as beginning
from workbook_lib.live.beginning import free_id as free_id

EVERY = "*"
"""Stands in a path for each row of a list."""
FIRST, OTHERS = "first", "others"


@dataclass(frozen=True, slots=True)
class Condition:
    """Something that holds of what is known: at a path stands one of `values`, or something that stands at one of `among` too.

    Without either it is enough that something stands there. `row`, `has`: what stands there is the id of a row of a list (`*` at its end),
    and it is the field `has` of that row which is meant. `absent`: turned round. `anywhere`: of all rows of the home, not of this one.
    """

    path: str
    values: tuple[object, ...] = ()
    among: tuple[str, ...] = ()
    absent: bool = False
    row: str = ""
    has: str = ""
    anywhere: bool = False


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

    `instead`: paths that answer it as well; `only_if`, `needed_if`: conditions that must all hold; `suggest`: shown, never taken; `takes`:
    what is entered once the thing that tells it is chosen.
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
    takes: Takes | None = None


@dataclass(frozen=True, slots=True)
class RowsAt:
    """A list of things at a step: its path, a thing's name (the stem of its id), what a new one cannot do without besides its id.

    `first` is empty where the step asks of rows that stand elsewhere; `one`: a single table; `least`: rows that there must be; `which`: the
    first row of the file or the others; `only`: conditions on a row; `into`: path of the field that takes a new one.
    """

    path: str
    name: str = ""
    first: tuple[str, ...] = ()
    one: bool = False
    least: int = 0
    which: str = ""
    only: tuple[Condition, ...] = ()
    into: str = ""


@dataclass(frozen=True, slots=True)
class Step:
    """One stop of the visit; `skip` is the question by which it is left out, empty where it is not."""

    key: str
    title: str
    words: str
    skip: str
    rows: tuple[RowsAt, ...]
    questions: tuple[Question, ...]


@dataclass(frozen=True, slots=True)
class Asked:
    """A question as it is asked of one home: key path and place of its answer, the answer's value (None for none), whether it is needed."""

    step: str
    question: Question
    key: str
    loc: Loc
    value: object
    answered: bool
    needed: bool


@dataclass(frozen=True, slots=True)
class Standing:
    """A row that stands at a step: its list's `RowsAt`, key path, place, id (empty where it has none)."""

    rows: RowsAt
    key: str
    loc: Loc
    id: str


@dataclass(frozen=True, slots=True)
class Progress:
    """How far a visit has come: questions answered and asked, and of those that are needed. A row that there must be is one needed."""

    answered: int
    of: int
    needed_answered: int
    needed: int

    @property
    def whole(self) -> bool:
        """Whether nothing that is needed is open."""
        return self.needed_answered == self.needed


@dataclass(frozen=True, slots=True)
class _Known:
    """What is known so far, seen from one step. `bound`: the row that each list of a path stands for."""

    tree: Table
    step: Step
    bound: Mapping[str, int] = field(default_factory=dict)

    def places(self, path: str) -> Iterator[tuple[str, Loc, object, Mapping[str, int]]]:
        """Each place that a path leads to from here: key path, place, what stands there (None for nothing), rows passed."""
        if any(rows.one and f"{path}.".startswith(f"{rows.path}.") and rows.path not in self.tree for rows in self.step.rows):
            return
        here: list[tuple[str, Loc, object, Mapping[str, int]]] = [("", (), self.tree, self.bound)]
        prefix = ""
        for part in path.split("."):
            if part == EVERY:
                here = [place for one in here for place in self._rows(prefix, one)]
            else:
                here = [_into(one, part) for one in here]
            prefix = f"{prefix}.{part}" if prefix else part
        yield from here

    def _rows(self, prefix: str, one: tuple) -> Iterator[tuple[str, Loc, object, Mapping[str, int]]]:
        _, _, node, bound = one
        for index, row in enumerate(node if isinstance(node, Rows) else ()):
            if not isinstance(row, Table) or bound.get(prefix, index) != index:
                continue
            inner = {**bound, prefix: index}
            if prefix in bound or replace(self, bound=inner)._stands(prefix, index):
                yield row.path, row.loc, row, inner

    def _stands(self, prefix: str, index: int) -> bool:
        """Whether a row belongs to this step."""
        return all(
            (not rows.which or (index == 0) == (rows.which == FIRST)) and self.all_hold(rows.only)
            for rows in self.step.rows
            if rows.path == prefix
        )

    def values(self, path: str) -> list[object]:
        """What stands at the places of a path: plain values, those of lists one by one, tables as they are."""
        found: list[object] = []
        for _, _, node, _ in self.places(path):
            value = node.value if isinstance(node, Raw) else node
            if isinstance(value, list) and not isinstance(node, Rows):
                found += value
            elif _given(node):
                found.append(value)
        return found

    def all_hold(self, conditions: Collection[Condition]) -> bool:
        """Whether every condition holds."""
        return all(self.holds(one) for one in conditions)

    def holds(self, condition: Condition) -> bool:
        """Whether a condition holds, for one at least of the rows that its path leads to."""
        home = replace(self, bound={}, step=replace(self.step, rows=())) if condition.anywhere else self
        found = home.values(condition.path)
        if condition.row:
            named = (row for _, _, row, _ in self.places(condition.row) if isinstance(row, Table) and _plain(row.get("id")) in found)
            found = [_plain(row.get(condition.has)) for row in named if _given(row.get(condition.has))]
        if condition.values:
            held = any(value in condition.values for value in found)
        elif condition.among:
            others = [value for path in condition.among for value in self.values(path)]
            held = any(value in others for value in found)
        else:
            held = bool(found)
        return held != condition.absent


def _into(one: tuple, part: str) -> tuple[str, Loc, object, Mapping[str, int]]:
    key, loc, node, bound = one
    inner = node.get(part) if isinstance(node, Table) else None
    return (f"{key}.{part}" if key else part), (*loc, part), inner, bound


def _plain(node: object) -> object:
    return node.value if isinstance(node, Raw) else node


def _given(node: object) -> bool:
    """Whether something stands at a place; an empty text is nothing, an empty list is an answer."""
    return node is not None and not (isinstance(node, Raw) and node.value in (None, ""))


# the data


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
    given = {key: value for key, value in content.items() if key not in ("rows", "ask")}
    return Step(**{"skip": "", **given}, rows=rows, questions=questions)


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
    for name in ("only", "only_if", "needed_if"):
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
    return problems


def _rows_faults(key: str, rows: RowsAt) -> list[str]:
    kind = "table" if rows.one else "rows"
    problems = [] if _kind_at(rows.path) == kind else [f"{key}: {rows.path} are no {kind}"]
    problems += [] if rows.which in ("", FIRST, OTHERS) else [f"{key}: {rows.path}: which = {rows.which!r}"]
    problems += [] if bool(rows.first) == bool(rows.name) else [f"{key}: {rows.path} has a name or what comes first, not both"]
    inner = rows.path if rows.one else f"{rows.path}.{EVERY}"
    problems += [f"{key}: {inner}.{name} is no field" for name in rows.first if _kind_at(f"{inner}.{name}") != "leaf"]
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
        f"{where}: a condition on {path}, which the model lacks" for path in (condition.path, *condition.among) if not _kind_at(path)
    ]
    if condition.row and _kind_at(f"{condition.row}.{condition.has}") != "leaf":
        problems.append(f"{where}: {condition.row}.{condition.has} is no field")
    if _kind_at(condition.path) != "leaf" and (condition.values or condition.among):
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


# what is asked


def asked(content: Mapping[str, object], step: Step) -> tuple[Asked, ...]:
    """The questions of a step that apply to a home as far as it is known, one for each row that there is.

    Parameters: content of the site file as `tomllib` gives it; the step. Returns: questions in their order, row by row within a question's
    list; none for a step that may be skipped and of which nothing stands there.
    """
    return _asked(_tree(content), step)


def standing(content: Mapping[str, object], step: Step) -> tuple[Standing, ...]:
    """The rows of a step that a home has, in the order of its lists. Parameters: content of the site file, step. Returns: rows."""
    return _standing(_tree(content), step)


def answered(content: Mapping[str, object]) -> frozenset[str]:
    """Key paths of the questions that a home answers. Parameters: content of the site file. Returns: key paths."""
    tree = _tree(content)
    return frozenset(one.key for step in steps() for one in _asked(tree, step) if one.answered)


def progress(content: Mapping[str, object], only: Step | None = None) -> Progress:
    """How far a visit has come. Parameters: content of the site file; one step alone, or None for all. Returns: the counts."""
    tree = _tree(content)
    chosen = steps() if only is None else (only,)
    every = {one.key: one for step in chosen for one in _asked(tree, step)}
    needed = [one for one in every.values() if one.needed]
    done = sum(one.answered for one in needed)
    lacking = sum(_lacking(tree, step) for step in chosen)
    return Progress(sum(one.answered for one in every.values()), len(every) + lacking, done, len(needed) + lacking)


def first_open(content: Mapping[str, object], passed: Collection[str] = ()) -> Step | None:
    """The step at which to take a visit up again: the first with something needed that is open.

    Where nothing needed is open, the first that may be skipped, of which nothing stands there, and that was not passed over.
    Parameters: content of the site file; keys of the steps that were passed over. Returns: the step, None where the visit is at its end.
    """
    tree = _tree(content)
    for step in steps():
        if _lacking(tree, step) or any(one.needed and not one.answered for one in _asked(tree, step)):
            return step
    for step in steps():
        if step.skip and step.key not in passed and not _standing_new(tree, step):
            return step
    return None


def _tree(content: Mapping[str, object]) -> Table:
    return prepare(content)[0]


def _asked(tree: Table, step: Step) -> tuple[Asked, ...]:
    if step.skip and not _standing_new(tree, step):
        return ()
    known = _Known(tree, step)
    found = []
    for question in step.questions:
        for key, loc, node, bound in known.places(question.path):
            here = replace(known, bound=bound)
            if not here.all_hold(question.only_if):
                continue
            value = node.value if isinstance(node, Raw) else node
            done = _given(node) or any(here.values(path) for path in question.instead)
            needed = question.needed or bool(question.needed_if and here.all_hold(question.needed_if))
            found.append(Asked(step.key, question, key, loc, value, done, needed))
    return tuple(found)


def _standing(tree: Table, step: Step) -> tuple[Standing, ...]:
    known, found = _Known(tree, step), []
    for rows in step.rows:
        for key, loc, node, _ in known.places(rows.path if rows.one else f"{rows.path}.{EVERY}"):
            name = node.get("id") if isinstance(node, Table) else None
            found.append(Standing(rows, key, loc, str(name.value) if isinstance(name, Raw) else ""))
    return tuple(found)


def _standing_new(tree: Table, step: Step) -> bool:
    """Whether anything stands there that the step would add."""
    return any(row.rows.first for row in _standing(tree, step))


def _lacking(tree: Table, step: Step) -> int:
    """How many rows are missing of those that there must be."""
    there = [row.rows.path for row in _standing(tree, step)]
    return sum(max(0, rows.least - there.count(rows.path)) for rows in step.rows)
