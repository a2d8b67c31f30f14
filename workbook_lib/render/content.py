"""The parts of a sheet as neutral blocks: what is said, apart from how it is set.

Each function takes a Sheet (or its Trace) and returns a `Part`; `html.py` and `text.py` set the same
parts, so a terminal, a notebook and a page never say different things.
"""

from __future__ import annotations

from dataclasses import dataclass

from workbook_lib.render import numbers
from workbook_lib.render.trace import Flag, Key, Ref, Rich, Trace
from workbook_lib.sheet import CONFIRMED, Assumption, Check, Figure, Header, Input, Quantity, Sheet, Source, Step, Table, Verdict

PENDING = (Verdict.NEEDS_INPUT, Verdict.JUDGEMENT)
NOT_DECIDING = "shown, does not decide"


@dataclass(frozen=True, slots=True)
class Prose:
    """A paragraph."""

    text: Rich
    kind: str = ""


@dataclass(frozen=True, slots=True)
class Band:
    """A line that must not be overlooked; kind `what-if`, `live` or a verdict."""

    kind: str
    word: str
    text: Rich = ()


@dataclass(frozen=True, slots=True)
class Heading:
    """A heading within a part."""

    text: str


@dataclass(frozen=True, slots=True)
class Pairs:
    """Labels with their values, as in a title block."""

    rows: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True)
class Grid:
    """A table: columns, rows of rich cells, an anchor per row, the columns that hold numbers."""

    columns: tuple[str, ...]
    rows: tuple[tuple[Rich, ...], ...]
    anchors: tuple[str, ...] = ()
    numeric: frozenset[int] = frozenset()
    caption: str = ""
    kind: str = ""


@dataclass(frozen=True, slots=True)
class StepBlock:
    """One step as a checker reads it."""

    anchor: str
    number: str
    symbol: str
    meaning: str
    formula: Rich
    substituted: str
    result: str
    source: str = ""
    confirmed: bool = True
    note: str = ""


@dataclass(frozen=True, slots=True)
class Bullets:
    """A list of sentences; `empty` is said where there are none."""

    items: tuple[Rich, ...]
    empty: str = ""


Block = Prose | Band | Heading | Pairs | Grid | StepBlock | Bullets


@dataclass(frozen=True, slots=True)
class Part:
    """One part of a sheet: its name and its blocks in order."""

    name: str
    title: str
    blocks: tuple[Block, ...]


def title_block(sheet: Sheet, *, live: bool = False, index: bool = False) -> Part:
    """Who, where, under which code, from which inputs; a what-if says so before anything else."""
    head = sheet.header
    blocks: list[Block] = []
    if head.edition_basis == "what-if":
        blocks.append(Band("what-if", "WHAT-IF: not the adopted edition", (f"calculated under {_edition(head)}",)))
    if live:
        blocks.append(Band("live", "LIVE SESSION", ("a working copy, not a study on file",)))
    rows = [
        ("Site", head.site_id),
        ("Address", head.address),
        ("Sheet", "index of the study" if index else sheet.title),
        ("Code edition", _edition(head)),
        ("Jurisdiction", head.jurisdiction),
        ("Local amendments", head.amendments or "none entered"),
        ("Utility", head.utility),
        ("Revision", head.revision),
        ("Calculation date", head.calculation_date),
        ("Originator", head.originator),
        ("Independent checker", head.checker or "none named"),
        ("Program version", head.library_version),
        *([("Case", head.case)] if head.case != "base" else []),
        ("Hash of inputs (SHA-256)", head.inputs_sha256),
    ]
    blocks.append(Pairs(tuple((label, value or "not stated") for label, value in rows)))
    return Part("title", sheet.title, tuple(blocks))


def _edition(head: Header) -> str:
    basis = {"adopted": "adopted", "stated": "stated in the site file", "what-if": "what-if, not adopted"}.get(
        head.edition_basis, head.edition_basis
    )
    name = f"{head.edition_name}; " if head.edition_name and head.edition_name != head.edition else ""
    return f"{head.edition} ({name}{basis})"


def verdict(trace: Trace) -> Part:
    """The verdict, the check that decides it as a sentence, and its margin."""
    sheet = trace.sheet
    blocks: list[Block] = [Prose((sentence(sheet.question),), "question")]
    decider = sheet.controlling
    if decider is None:
        return Part("verdict", "Verdict", (*blocks, Band("not applicable", "not applicable", ("no check applies to this home",))))
    blocks.append(Band(str(sheet.verdict), str(sheet.verdict), (sentence(decider.question),)))
    blocks.append(Prose(("Controlling check: ", *check_sentence(trace, decider)), "controlling"))
    if decider.note:
        blocks.append(Prose((decider.note,), "note"))
    tightest = _tightest(sheet) if decider.margin is None else None
    if tightest is not None:
        blocks.append(Prose(("Tightest of the numbers that count: ", *check_sentence(trace, tightest))))
    others = [check for check in sheet.checks if check.counts and check is not decider and check.verdict in (Verdict.FAIL, *PENDING)]
    if others:
        blocks.append(
            Prose(("Also open or failing: " + "; ".join(f"{check.question.rstrip(' ?')} ({check.verdict})" for check in others) + ".",))
        )
    return Part("verdict", "Verdict", tuple(blocks))


def sentence(text: str) -> str:
    """A text with its first letter large, as a sentence or a heading begins."""
    return text[:1].upper() + text[1:]


def _tightest(sheet: Sheet) -> Check | None:
    """The numeric check that counts and has the least relative room."""
    numeric = [check for check in sheet.checks if check.counts and check.margin is not None]
    return min(numeric, key=lambda check: check.margin / max(abs(check.required.value), 1e-9), default=None)


def check_sentence(trace: Trace, check: Check) -> Rich:
    """A check as a sentence: what is provided, the relation, what is required, and the room or shortage."""
    source = f" ({check.source})" if check.source else ""
    if check.provided is None or check.required is None:
        words = {Verdict.NEEDS_INPUT: "cannot be decided", Verdict.JUDGEMENT: "left to judgement"}.get(check.verdict, str(check.verdict))
        return (f"{check.question.rstrip(' ?')}: {words}{source}.",)
    left, right, room = numbers.sides(check)
    sign = numbers.SIGNS.get(check.relation, check.relation)
    provided = (f"{check.provided.meaning} ", _value_ref(trace, check.provided, left))
    required = (f" {sign} ", f"{check.required.meaning} ", _value_ref(trace, check.required, right))
    return (*provided, *required, _outcome(check, room) + source + ".")


def bare_sentence(sheet: Sheet, check: Check) -> str:
    """A check as a sentence without references, for a page that does not show its steps."""
    return "".join(piece if isinstance(piece, str) else piece.label for piece in check_sentence(Trace(sheet), check))


def _outcome(check: Check, room: str) -> str:
    if check.margin is None:
        return f": {check.verdict}"
    amount = numbers.with_unit(room.removeprefix("−"), check.unit)
    if check.verdict is Verdict.FAIL:
        return f": does not hold, short by {amount}"
    if check.verdict is Verdict.PASS:
        return f": holds, {amount} to spare"
    return f": {check.verdict}, {'short by' if check.margin < 0 else 'room'} {amount}"


def _value_ref(trace: Trace, quantity: Quantity, text: str) -> Ref:
    return trace.ref(quantity, numbers.with_unit(text, quantity.unit))


def inputs(trace: Trace) -> Part:
    """Every value that the results rest on: of the home with its provenance, of the code with its section."""
    home = Grid(
        ("No.", "Field", "Meaning", "Value", "As written", "How known", "Note"),
        tuple(_home_row(trace, item) for item in trace.home_inputs),
        tuple(trace.anchor(item) for item in trace.home_inputs),
        frozenset({3}),
        "Values of this home",
        "inputs",
    )
    code = Grid(
        ("No.", "Value", "Meaning", "Section", "Status"),
        tuple(_code_row(trace, item) for item in trace.code_inputs),
        tuple(trace.anchor(item) for item in trace.code_inputs),
        frozenset({1}),
        "Values of the code and of local rules",
        "code",
    )
    return Part("inputs", "Inputs", (home, code))


def _home_row(trace: Trace, item: Input) -> tuple[Rich, ...]:
    known = Flag("ASSUMED") if item.origin == "assumed" else item.origin
    return (
        (trace.number(item),),
        (Key(item.key),),
        (item.meaning,),
        (numbers.quantity_text(item),),
        (item.text,),
        (known,),
        (item.note,),
    )


def _code_row(trace: Trace, item: Input) -> tuple[Rich, ...]:
    source = item.source
    status = source.status if source else "not stated"
    shown: list[str | Flag] = [status if status == CONFIRMED else Flag(f"NOT CONFIRMED: {status}")]
    if item.origin == "jurisdiction":
        shown.append("; local rule")
    extra = "; ".join(text for text in (item.note, source.note if source else "") if text)
    return (
        (trace.number(item),),
        (numbers.quantity_text(item),),
        (item.meaning + (f" ({extra})" if extra else ""),),
        (locator(source),),
        tuple(shown),
    )


def locator(source: Source | None) -> str:
    """Edition and section of a source without its status."""
    if source is None:
        return ""
    return f"NEC {source.edition} {source.locator}" if source.edition else source.locator


def assumptions(sheet: Sheet) -> Part:
    """What was taken without being given."""
    items = tuple((_assumption_text(item),) for item in sheet.assumptions)
    return Part("assumptions", "Assumptions", (Heading("Assumptions"), Bullets(items, "Nothing was assumed.")))


def _assumption_text(item: Assumption) -> str:
    return f"{item.field}: {item.text}" if item.field and not item.text.startswith(item.field) else item.text


def steps(trace: Trace) -> Part:
    """Every step under its section: symbol, formula, numbers, result, section of the code."""
    blocks: list[Block] = []
    for group in trace.groups:
        blocks.append(Heading(group.section.heading))
        if group.section.prose:
            blocks.append(Prose((group.section.prose,)))
        if group.earlier:
            blocks.append(Prose(_earlier(trace, group.earlier), "earlier"))
        blocks += [step_block(trace, step) for step in group.steps]
        if group.section.table is not None:
            blocks.append(table(group.section.table))
    return Part("steps", "Calculation", tuple(blocks))


def _earlier(trace: Trace, earlier: tuple[Step, ...]) -> Rich:
    pieces: list = ["From above: "]
    for index, step in enumerate(earlier):
        pieces += [", " if index else "", trace.ref(step, f"{step.meaning} {numbers.quantity_text(step)}")]
    return (*pieces, ".")


def step_block(trace: Trace, step: Step) -> StepBlock:
    """One step with its formula, the same with numbers, its result and its section."""
    formula_line = trace.formula_line(step)
    plain = "".join(piece if isinstance(piece, str) else "\ue000" for piece in formula_line)
    substituted = trace.numbers_line(step)
    result = numbers.quantity_text(step)
    alone = plain == "\ue000" and substituted == numbers.bare(step)
    note = "; ".join(text for text in (step.note, step.source.note if step.source else "") if text)
    return StepBlock(
        trace.anchor(step),
        trace.number(step),
        step.symbol,
        step.meaning,
        formula_line,
        "" if alone else substituted,
        result,
        str(step.source) if step.source else "",
        step.source is None or step.source.status == CONFIRMED,
        note,
    )


def checks(trace: Trace) -> Part:
    """Every test: provided, relation, required, margin, verdict; alternatives are marked."""
    listed = [check for check in trace.sheet.checks if check.counts] + [check for check in trace.sheet.checks if not check.counts]
    grid = Grid(
        ("Test", "Provided", "", "Required", "Margin", "Verdict", "Section", "Note"),
        tuple(_check_row(trace, check) for check in listed),
        tuple(f"check-{check.key.replace(':', '-')}" for check in listed),
        frozenset({1, 3, 4}),
        "Tests, those that decide first",
        "checks",
    )
    return Part("checks", "Checks", (grid,))


def _check_row(trace: Trace, check: Check) -> tuple[Rich, ...]:
    left, right, room = numbers.sides(check)
    relation = numbers.SIGNS.get(check.relation, check.relation) if check.provided is not None else ""
    return (
        (sentence(check.question), " ", Key(check.key)),
        (_value_ref(trace, check.provided, left),) if check.provided else (),
        (relation,),
        (_value_ref(trace, check.required, right),) if check.required else (),
        (numbers.with_unit(room, check.unit),) if room else (),
        (str(check.verdict) + ("" if check.counts else f" ({NOT_DECIDING})"),),
        (str(check.source) if check.source else "",),
        (check.note,),
    )


def open_items(sheet: Sheet) -> Part:
    """Each missing input and each judgement: what evidence closes it and who decides."""
    pending = [check for check in sheet.checks if check.verdict in PENDING]
    pending.sort(key=lambda check: (not check.counts, PENDING.index(check.verdict)))
    if not pending:
        return Part("open-items", "Open items", (Heading("Open items"), Prose(("No missing input and no judgement is open.",))))
    grid = Grid(OPEN_COLUMNS, tuple(open_row(check) for check in pending), kind="open")
    return Part("open-items", "Open items", (Heading("Open items"), grid))


OPEN_COLUMNS = ("Open item", "Kind", "What closes it", "Who decides")


def open_row(check: Check) -> tuple[Rich, ...]:
    """Row of an open item for a table with `OPEN_COLUMNS`."""
    kind = str(check.verdict) + ("" if check.counts else f" ({NOT_DECIDING})")
    what = sentence(check.question) + (f" — {check.note}" if check.note else "")
    closes = check.closes or ("enter " + ", ".join(check.fields) if check.fields else "")
    return ((what,), (kind,), (closes or "not stated",), (check.decides or "not stated",))


def cautions(sheet: Sheet) -> Part:
    """Cautions and what was not checked."""
    return Part(
        "cautions",
        "Cautions and what was not checked",
        (
            Heading("Cautions"),
            Bullets(tuple((text,) for text in sheet.cautions), "No caution is on file for this sheet."),
            Heading("Not checked"),
            Bullets(tuple((text,) for text in sheet.not_checked), "Nothing that belongs to this workbook was left out."),
        ),
    )


def results(trace: Trace) -> Part:
    """The entries of results.json with their values as stored, each leading to its step."""
    rows = []
    for key, result in trace.sheet.results.items():
        value = result.value if isinstance(result.value, str) else repr(result.value)
        where = (trace.ref(result.step, result.step.meaning),) if result.step is not None else ()
        rows.append(((Key(key),), (value,), (result.unit or "",), where))
    grid = Grid(("Key", "Value", "Unit", "From"), tuple(rows), numeric=frozenset({1}), kind="results")
    return Part("results", "Results as filed", (grid,))


def figure_table(figure: Figure) -> Part:
    """The table of what a figure plots."""
    return Part("figure-table", figure.title, (table(figure.table, tuple(limit for _, limit in figure.limits)),))


def table(data: Table, limits: tuple[float, ...] = ()) -> Grid:
    """A reader's table with its numbers laid out, none of them reading like a limit that it is not."""
    width = len(data.columns)
    rows = tuple(tuple((_cell(value, data.decimals, limits),) for value in row) for row in data.rows)
    numeric = frozenset(
        column for column in range(width) if any(isinstance(row[column], (int, float)) for row in data.rows if len(row) > column)
    )
    return Grid(data.columns, rows, numeric=numeric, caption=data.caption, kind="plain")


def _cell(value: object, decimals: int, limits: tuple[float, ...]) -> str:
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        return numbers.apart(float(value), decimals, limits)
    return numbers.value_text(value, decimals)


def published(sheet: Sheet) -> Part:
    """Families of published cases that the rules of this sheet are proven against."""
    items = tuple((name,) for name in sheet.cases)
    return Part(
        "published", "Published comparison", (Heading("Published cases"), Bullets(items, "No published case is named for this sheet."))
    )
