"""A new home by questions in the order of a site visit: which are asked of what is known so far, and where their answers stand.

The questions are data (`visit.toml`); nothing here knows a field by name. A home half entered is a site file that lacks things, so what is
known so far is the content of that file as `tomllib` gives it, and each question has the key path and the place in the file of its answer.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field

from workbook_lib.home.lines import Loc
from workbook_lib.home.raw import Raw, Rows, Table, prepare
from workbook_lib.live.visit_data import EVERY, FIRST, Condition, Question, RowsAt, Step, Wanted, steps


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
    """What is known so far, seen from one step. `bound`: the row that each list of a path stands for; `hangs`: id to what it hangs on."""

    tree: Table
    step: Step
    hangs: Mapping[str, str]
    bound: Mapping[str, int] = field(default_factory=dict)

    def at(self, bound: Mapping[str, int]) -> _Known:
        """The same, seen from rows. Parameters: the row that each list of a path stands for."""
        return _Known(self.tree, self.step, self.hangs, bound)

    def anywhere(self) -> _Known:
        """The same of all rows of the home."""
        return _Known(self.tree, _NOWHERE, self.hangs)

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
            if prefix in bound or self.at(inner)._stands(prefix, index):
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

    def above(self, name: str, short_of: str = "") -> tuple[str, ...]:
        """What is passed from a thing on to the service, itself first; `short_of`: up to the first row of a list, which is not passed."""
        ends = next(iter(self.tree[short_of]), {}) if isinstance(self.tree.get(short_of), Rows) else {}
        last, passed = _plain(ends.get("id")) if isinstance(ends, Table) else None, []
        while name and name not in passed and name != last:
            passed.append(name)
            name = self.hangs.get(name, "")
        return tuple(passed)

    def all_hold(self, conditions: Collection[Condition]) -> bool:
        """Whether every condition holds."""
        return all(self.holds(one) for one in conditions)

    def holds(self, condition: Condition) -> bool:
        """Whether a condition holds, for one at least of the rows that its path leads to."""
        found = (self.anywhere() if condition.anywhere or condition.first else self).values(condition.path)
        found = found[:1] if condition.first else found
        if condition.row:
            named = (row for _, _, row, _ in self.places(condition.row) if isinstance(row, Table) and _plain(row.get("id")) in found)
            found = [_plain(row.get(condition.has)) for row in named if _given(row.get(condition.has))]
        if condition.below:
            home = self.anywhere()
            over = {value for path in condition.below for value in home.values(path)}
            held = any(not over.isdisjoint(self.above(str(value), condition.short_of)) for value in found)
        elif condition.values:
            held = any(value in condition.values for value in found)
        elif condition.among:
            others = [value for path in condition.among for value in self.values(path)]
            held = any(value in others for value in found)
        else:
            held = bool(found)
        return held != condition.absent


_NOWHERE = Step("", "", "", "", (), ())
"""No step: what is asked of all rows of a home."""


def _into(one: tuple, part: str) -> tuple[str, Loc, object, Mapping[str, int]]:
    key, loc, node, bound = one
    inner = node.get(part) if isinstance(node, Table) else None
    return (f"{key}.{part}" if key else part), (*loc, part), inner, bound


def _hangs(tree: Table) -> dict[str, str]:
    """What each thing of a home hangs on, by id: its panel where it stands in one; lugs are those of their panel."""
    found = {}
    for rows in (node for node in tree.values() if isinstance(node, Rows)):
        for row in (row for row in rows if isinstance(row, Table)):
            name, on = (str(_plain(row.get(key, ""))).partition(":")[0] for key in ("id", "connected_to"))
            found[name] = on
            inner = row.get("breakers")
            found |= {str(_plain(one.get("id", ""))): name for one in (inner if isinstance(inner, Rows) else ()) if isinstance(one, Table)}
    found.pop("", None)
    return found


def _plain(node: object) -> object:
    return node.value if isinstance(node, Raw) else node


def _given(node: object) -> bool:
    """Whether something stands at a place; an empty text is nothing, an empty list is an answer."""
    return node is not None and not (isinstance(node, Raw) and node.value in (None, ""))


# what is asked


class Survey:
    """A home as far as it is known, with what is asked of it worked out once: for many questions of one content that does not change."""

    def __init__(self, content: Mapping[str, object]):
        self.tree = prepare(content)[0]
        self._hangs = _hangs(self.tree)
        self._asked: dict[str, tuple[Asked, ...]] = {}
        self._standing: dict[str, tuple[Standing, ...]] = {}

    def _known(self, step: Step) -> _Known:
        return _Known(self.tree, step, self._hangs)

    def asked(self, step: Step) -> tuple[Asked, ...]:
        """As `asked`. Parameters: step. Returns: questions."""
        if step.key not in self._asked:
            self._asked[step.key] = () if step.skip and not self.standing_new(step) else tuple(_questions(self._known(step), step))
        return self._asked[step.key]

    def standing(self, step: Step) -> tuple[Standing, ...]:
        """As `standing`. Parameters: step. Returns: rows."""
        if step.key not in self._standing:
            self._standing[step.key] = tuple(_rows_of(self._known(step), step))
        return self._standing[step.key]

    def standing_new(self, step: Step) -> bool:
        """Whether anything stands there that the step would add. Parameters: step."""
        return any(row.rows.first for row in self.standing(step))

    def may_apply(self, step: Step) -> bool:
        """As `may_apply`. Parameters: step."""
        return not step.after or self.standing_new(step) or any(self.standing_new(one) for one in steps() if one.key in step.after)

    def wanted(self, step: Step) -> tuple[Wanted, ...]:
        """As `wanted`. Parameters: step. Returns: rows that it wants and lacks."""
        if not step.wants or (step.skip and not self.standing_new(step)):
            return ()
        known = self._known(step)
        return tuple(one for one in step.wants if known.all_hold(one.only_if) and not known.all_hold(one.unless))

    def lacking(self, step: Step) -> int:
        """How many rows are missing of those that there must be. Parameters: step."""
        there = [row.rows.path for row in self.standing(step)]
        return sum(max(0, rows.least - there.count(rows.path)) for rows in step.rows) + len(self.wanted(step))


Home = Mapping[str, object] | Survey
"""What is known of a home: the content of its site file as `tomllib` gives it, or that with what was worked out of it."""


def surveyed(content: Home) -> Survey:
    """What is asked of a home, to be worked out once. Parameters: content of the site file, or what this gave. Returns: survey."""
    return content if isinstance(content, Survey) else Survey(content)


def asked(content: Home, step: Step) -> tuple[Asked, ...]:
    """The questions of a step that apply to a home as far as it is known, one for each row that there is.

    Parameters: what is known of the home; the step. Returns: questions in their order, row by row within a question's list; none for a step
    that may be skipped and of which nothing stands there.
    """
    return surveyed(content).asked(step)


def standing(content: Home, step: Step) -> tuple[Standing, ...]:
    """The rows of a step that a home has, in the order of its lists. Parameters: what is known of the home, step. Returns: rows."""
    return surveyed(content).standing(step)


def wanted(content: Home, step: Step) -> tuple[Wanted, ...]:
    """The rows that a sheet cannot do without and that a home lacks. Parameters: what is known of the home, step. Returns: them.

    None of a step that may be skipped and of which nothing stands there.
    """
    return surveyed(content).wanted(step)


def may_apply(content: Home, step: Step) -> bool:
    """Whether something can stand at a step, or does. Parameters: what is known of the home, step."""
    return surveyed(content).may_apply(step)


def answered(content: Home) -> frozenset[str]:
    """Key paths of the questions that a home answers. Parameters: what is known of the home. Returns: key paths."""
    survey = surveyed(content)
    return frozenset(one.key for step in steps() for one in survey.asked(step) if one.answered)


def progress(content: Home, only: Step | None = None) -> Progress:
    """How far a visit has come. Parameters: what is known of the home; one step alone, or None for all. Returns: the counts."""
    survey = surveyed(content)
    chosen = steps() if only is None else (only,)
    every = {one.key: one for step in chosen for one in survey.asked(step)}
    needed = [one for one in every.values() if one.needed]
    done = sum(one.answered for one in needed)
    lacking = sum(survey.lacking(step) for step in chosen)
    return Progress(sum(one.answered for one in every.values()), len(every) + lacking, done, len(needed) + lacking)


def first_open(content: Home, passed: Collection[str] = ()) -> Step | None:
    """The step at which to take a visit up again: the first with something needed that is open.

    Where nothing needed is open, the first that may be skipped, of which nothing stands there, and that was not passed over.
    Parameters: what is known of the home; keys of the steps that were passed over. Returns: the step, None where the visit is at its end.
    """
    survey = surveyed(content)
    for step in open_steps(survey):
        return step
    for step in steps():
        if step.skip and step.key not in passed and not survey.standing_new(step) and survey.may_apply(step):
            return step
    return None


def open_steps(content: Home) -> tuple[Step, ...]:
    """The steps at which something is needed and open. Parameters: what is known of the home. Returns: steps in their order."""
    survey = surveyed(content)
    return tuple(step for step in steps() if survey.lacking(step) or any(one.needed and not one.answered for one in survey.asked(step)))


def at_end(key: str, led: Collection[str]) -> bool:
    """Whether a visit has come to its end: at its last step, or at one that was led back to from there. Parameters: step, those steps."""
    return key in (*led, steps()[-1].key)


def following(content: Home, key: str, led: Collection[str], by: int = 1) -> str:
    """The step before or after one, past those at which nothing can stand; at the end the next at which something needed is open.

    Parameters: what is known of the home, key of the step, keys of the steps that were led back to from the end, -1 or 1.
    Returns: its key; empty where there is none.
    """
    keys = [step.key for step in steps()]
    if by > 0 and at_end(key, led):
        left = [step.key for step in open_steps(content) if step.key not in (*led, key)]
        return next(iter(left), "" if key == keys[-1] else keys[-1])
    way = steps()[keys.index(key) + 1 :] if by > 0 else steps()[: keys.index(key)][::-1]
    return next((step.key for step in way if step.key in (keys[0], keys[-1]) or may_apply(content, step)), "")


def _questions(known: _Known, step: Step) -> Iterator[Asked]:
    for question in step.questions:
        for key, loc, node, bound in known.places(question.path):
            here = known.at(bound)
            if not here.all_hold(question.only_if):
                continue
            value = node.value if isinstance(node, Raw) else node
            done = _given(node) or any(here.values(path) for path in question.instead)
            needed = question.needed or bool(question.needed_if and here.all_hold(question.needed_if))
            yield Asked(step.key, question, key, loc, value, done, needed)


def _rows_of(known: _Known, step: Step) -> Iterator[Standing]:
    for rows in step.rows:
        for key, loc, node, _ in known.places(rows.path if rows.one else f"{rows.path}.{EVERY}"):
            name = node.get("id") if isinstance(node, Table) else None
            yield Standing(rows, key, loc, str(name.value) if isinstance(name, Raw) else "")
