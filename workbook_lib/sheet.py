"""What a workbook hands over: inputs, steps, checks and the sheet that holds them.

`Input` is a value that was given (by the site file, a code edition, a jurisdiction); `Step` is a
value that was computed, with the text of its formula and the inputs and steps it uses; `Check`
compares two of them. All are frozen. From any `Check` a reader can walk back through `uses` to each
nameplate. Rules build Steps; nothing in this module computes a result of the trade.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum

from workbook_lib.errors import CalculationFault
from workbook_lib.formula import GUARD

CONFIRMED, FROM_MEMORY, UNCONFIRMED = "confirmed", "from memory", "unconfirmed"


class Verdict(StrEnum):
    """Outcome of a check, worst first."""

    FAIL = "fail"
    NEEDS_INPUT = "needs input"
    JUDGEMENT = "judgement"
    PASS = "pass"
    NOT_APPLICABLE = "not applicable"


CONDITIONS = ("count", "frac", "s", "d", "cmil")
"""Units of checks that hold or do not: how far they are from their limit says nothing of the load (conductors come in sizes)."""

_ORDER = {verdict: rank for rank, verdict in enumerate(Verdict)}


def worst(verdicts: Iterable[Verdict]) -> Verdict:
    """The worst of some verdicts; `not applicable` if there are none."""
    return min(verdicts, key=_ORDER.__getitem__, default=Verdict.NOT_APPLICABLE)


@dataclass(frozen=True, slots=True)
class Source:
    """Where a rule or value stands: locator (`220.82(B)`), edition (`2023`), status and a note.

    `status` is confirmed, from memory or unconfirmed; a value that is not confirmed prints a caution.
    """

    locator: str
    edition: str | None = None
    status: str = CONFIRMED
    note: str = ""

    def __str__(self) -> str:
        text = f"NEC {self.edition} {self.locator}" if self.edition else self.locator
        return text if self.status == CONFIRMED else f"{text} [{self.status}]"


@dataclass(frozen=True, slots=True)
class Input:
    """A value that was given.

    `key` is its path in the site file (`panel.main.bus`) or its key in an edition; `value` a number
    in house units, a text, or a tuple of numbers for a list; `origin` how it is known (stated,
    nameplate, photo, directory, measured, drawing, data-sheet, utility, assumed; for other givens:
    code, jurisdiction, choice); `text` what was written; `source` the code locator of a code value.
    """

    key: str
    meaning: str
    value: float | str | tuple[float, ...]
    unit: str | None = None
    origin: str = "stated"
    note: str = ""
    text: str = ""
    source: Source | None = None
    decimals: int | None = None

    @property
    def is_code(self) -> bool:
        """True for a value of a code edition or a jurisdiction rather than of the home."""
        return self.origin in ("code", "jurisdiction")


Given = Input
Uses = Mapping[str, "Input | Step | tuple[Input | Step, ...]"]


@dataclass(frozen=True, slots=True)
class Step:
    """A value that was computed.

    `formula` is the printed text in the language of `formula.py`; `uses` names what it takes; the
    substitution line is derived from both and never typed. `by` are the quantities with which tables
    were entered for what it uses (a conductor's size, an ambient temperature). `decimals` is how many are
    printed; the value itself is never rounded. `note` says which reading was taken where sources differ.
    """

    key: str
    symbol: str
    meaning: str
    formula: str
    uses: Uses
    value: float
    unit: str
    source: Source | None = None
    note: str = ""
    decimals: int = 0
    by: tuple[Input | Step, ...] = ()


Quantity = Input | Step


@dataclass(frozen=True, slots=True)
class Check:
    """A test that reads *provided RELATION required*; a positive margin is room.

    `counts` is False for an alternative that was not chosen: it is shown and does not touch the
    verdict. `closes` says what evidence would close a judgement or a missing input, `decides` who.
    """

    key: str
    question: str
    verdict: Verdict
    provided: Quantity | None = None
    relation: str = ""
    required: Quantity | None = None
    source: Source | None = None
    note: str = ""
    counts: bool = True
    closes: str = ""
    decides: str = ""
    fields: tuple[str, ...] = ()

    @property
    def unit(self) -> str | None:
        """Unit of both sides, None for texts."""
        side = self.required or self.provided
        return side.unit if side is not None else None

    @property
    def margin(self) -> float | None:
        """Room left [unit of the sides], None where the sides are not numbers."""
        if self.provided is None or self.required is None:
            return None
        given, limit = self.provided.value, self.required.value
        if not isinstance(given, (int, float)) or not isinstance(limit, (int, float)):
            return None
        if self.relation == "<=":
            return limit - given
        if self.relation == ">=":
            return given - limit
        return None

    @property
    def room(self) -> float | None:
        """Margin in proportion to the limit [-], None where there is no margin."""
        margin = self.margin
        return None if margin is None else margin / max(abs(self.required.value), 1e-9)


def holds(provided: float, relation: str, required: float) -> bool:
    """Whether *provided relation required*, the last bit of arithmetic guarded; relation `<=` or `>=`."""
    slack = GUARD * max(abs(provided), abs(required), 1.0)
    if relation == "<=":
        return provided <= required + slack
    if relation == ">=":
        return provided >= required - slack
    raise CalculationFault("unknown relation", value=relation, limit="<= or >=", where="sheet.holds")


def compare(
    key: str,
    question: str,
    provided: Quantity,
    relation: str,
    required: Quantity,
    source: Source | None = None,
    *,
    note: str = "",
    counts: bool = True,
) -> Check:
    """A Check that passes or fails by its numbers. Units must agree."""
    if provided.unit != required.unit:
        raise CalculationFault("units of the two sides differ", value=f"{provided.unit} and {required.unit}", where=key)
    verdict = Verdict.PASS if holds(provided.value, relation, required.value) else Verdict.FAIL
    return Check(key, question, verdict, provided, relation, required, source, note, counts)


def needs_input(
    key: str, question: str, fields: Iterable[str], source: Source | None = None, *, note: str = "", counts: bool = True
) -> Check:
    """A Check that cannot be made because the site file lacks `fields` (key paths)."""
    named = tuple(fields)
    return Check(
        key,
        question,
        Verdict.NEEDS_INPUT,
        source=source,
        note=note or "missing: " + ", ".join(named),
        counts=counts,
        closes="enter " + ", ".join(named) if named else note,
        decides="the engineer",
        fields=named,
    )


def controlling(checks: Iterable[Check]) -> Check | None:
    """The check that decides: the worst that counts, among equals the least room relative to its limit, then the first.

    A check that fails although its numbers hold (a position, a count) stands among the fails as one with nothing to spare.
    """
    counted = [check for check in checks if check.counts]

    def rank(check: Check) -> tuple[int, float]:
        room = None if check.unit in CONDITIONS else check.room
        if room is None:
            return _ORDER[check.verdict], float("inf") if check.verdict in (Verdict.PASS, Verdict.NOT_APPLICABLE) else 0.0
        if check.verdict is Verdict.FAIL and holds(check.provided.value, check.relation, check.required.value):
            return _ORDER[check.verdict], 0.0
        return _ORDER[check.verdict], room

    return min(counted, key=rank, default=None)


@dataclass(frozen=True, slots=True)
class Result:
    """One entry of results.json: a value with its unit (None for a text) and the Step behind it."""

    value: float | str | int
    unit: str | None
    step: Quantity | None = None


@dataclass(frozen=True, slots=True)
class Section:
    """A heading with prose and the steps that stand under it, in reading order."""

    heading: str
    steps: tuple[Step, ...] = ()
    prose: str = ""
    table: Table | None = None


@dataclass(frozen=True, slots=True)
class Table:
    """A table for the reader: column headings, rows of texts or numbers, decimals for numbers."""

    columns: tuple[str, ...]
    rows: tuple[tuple[object, ...], ...]
    caption: str = ""
    decimals: int = 0


@dataclass(frozen=True, slots=True)
class Mark:
    """One thing of a diagram: its id, the graphic symbol, what it hangs on, its lines of words, its place in words."""

    id: str
    symbol: str
    parent: str
    words: tuple[str, ...]
    place: str = ""


@dataclass(frozen=True, slots=True)
class Figure:
    """What a figure plots, as data: kind (which drawing), title, text description, and its table.

    `grid` holds numbers that are drawn and too many for the table, row by row, None where there is none;
    the kind says what rows and columns are. `marks` are the things of a diagram, what stands above before what hangs on it.
    """

    key: str
    kind: str
    title: str
    description: str
    table: Table
    limits: tuple[tuple[str, float], ...] = ()
    unit: str = ""
    grid: tuple[tuple[float | None, ...], ...] = ()
    marks: tuple[Mark, ...] = ()


@dataclass(frozen=True, slots=True)
class Assumption:
    """Something taken without being given: the field, what was taken, and the words for the sheet."""

    field: str
    text: str
    given: Input | None = None


BASE_CASE = "base"
"""The case that changes nothing."""


@dataclass(frozen=True, slots=True)
class Header:
    """The title block of every sheet. Hash and versions make a print traceable to its inputs."""

    site_id: str
    address: str
    edition: str
    edition_name: str
    edition_basis: str
    jurisdiction: str
    utility: str
    amendments: str
    revision: str
    calculation_date: str
    originator: str
    checker: str
    library_version: str
    inputs_sha256: str
    case: str = BASE_CASE


@dataclass(frozen=True, slots=True)
class Sheet:
    """One workbook's whole answer for one home."""

    workbook: str
    title: str
    question: str
    header: Header
    results: Mapping[str, Result]
    checks: tuple[Check, ...]
    sections: tuple[Section, ...]
    assumptions: tuple[Assumption, ...] = ()
    cautions: tuple[str, ...] = ()
    not_checked: tuple[str, ...] = ()
    figures: tuple[Figure, ...] = ()
    cases: tuple[str, ...] = ()

    @property
    def verdict(self) -> Verdict:
        """The worst verdict of the checks that count."""
        return worst(check.verdict for check in self.checks if check.counts)

    @property
    def controlling(self) -> Check | None:
        """The check that decides: the worst that counts, and among equals the least relative margin."""
        return controlling(self.checks)

    def check(self, key: str) -> Check:
        """The check with this key. Errors: `KeyError` naming the keys that exist."""
        for check in self.checks:
            if check.key == key:
                return check
        raise KeyError(f"no check {key!r}; there are {', '.join(check.key for check in self.checks)}")

    def steps(self) -> tuple[Step, ...]:
        """Every step behind the sections, checks and results, each once, what it uses before it."""
        roots: list[Quantity] = [step for section in self.sections for step in section.steps]
        for check in self.checks:
            roots += [side for side in (check.provided, check.required) if side is not None]
        roots += [result.step for result in self.results.values() if result.step is not None]
        return tuple(item for item in walk(roots) if isinstance(item, Step))

    def inputs(self) -> tuple[Input, ...]:
        """Every input that some step, check or result rests on, each once, in order of first use."""
        roots: list[Quantity] = list(self.steps())
        for check in self.checks:
            roots += [side for side in (check.provided, check.required) if side is not None]
        roots += [result.step for result in self.results.values() if result.step is not None]
        return tuple(item for item in walk(roots) if isinstance(item, Input))


def parts(step: Step) -> Iterator[Quantity]:
    """What a step uses, lists opened up, and what its tables were entered with."""
    for used in step.uses.values():
        if isinstance(used, tuple):
            yield from used
        else:
            yield used
    yield from step.by


def walk(roots: Iterable[Quantity]) -> list[Quantity]:
    """Roots and all they rest on, each object once, what is used before what uses it."""
    seen: set[int] = set()
    ordered: list[Quantity] = []

    def visit(item: Quantity) -> None:
        if id(item) in seen:
            return
        seen.add(id(item))
        if isinstance(item, Step):
            for used in parts(item):
                visit(used)
        ordered.append(item)

    for root in roots:
        visit(root)
    return ordered
