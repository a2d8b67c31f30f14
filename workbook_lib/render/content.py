"""The parts of a sheet as neutral blocks: what is said, apart from how it is set.

Each function takes a Sheet (or its Trace) and returns a `Part`; `html.py` and `text.py` set the same
parts, so a terminal, a notebook and a page never say different things.
"""

from __future__ import annotations

from collections.abc import Sequence

from workbook_lib.render import numbers
from workbook_lib.render.blocks import Band, Block, Bullets, Grid, Heading, Pairs, Part, Prose, StepBlock
from workbook_lib.render.trace import Flag, Key, Link, Ref, Rich, Trace
from workbook_lib.sheet import (
    BASE_CASE,
    CONDITIONS,
    CONFIRMED,
    UNCONFIRMED,
    Assumption,
    Check,
    Figure,
    Header,
    Input,
    Quantity,
    Section,
    Sheet,
    Source,
    Step,
    Table,
    Verdict,
    holds,
)

PENDING = (Verdict.NEEDS_INPUT, Verdict.JUDGEMENT)
NOT_DECIDING = "shown, does not decide"


RESULT_WORDS = {
    "worst_bus": "bus with the least room",
    "bus_rule": "bus rule relied on, or the nearest where none holds",
    "largest_evse_a": "largest standard charger that fits by the load, before the 125 % of continuous load",
    "client_sentence": "what a client may be told",
    "sentence_not_to_say": "what may not be said",
    "largest_evse_with_125_a": "largest standard charger that fits with its load at 125 %",
}
"""Words for results that have no step of their own."""


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
        *([("Case", head.case)] if head.case != BASE_CASE else []),
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
    blocks.append(Band(str(sheet.verdict), str(sheet.verdict), (_answer(sheet, decider),)))
    blocks.append(Prose(("Controlling check: ", *check_sentence(trace, decider)), "controlling"))
    if decider.note and not _fails_by_condition(decider):
        blocks.append(Prose((decider.note,), "note"))
    if sheet.verdict is Verdict.PASS and decider.margin is not None:
        alike = [check.question.rstrip(" ?") for check in sheet.checks if check is not decider and _as_tight(check, decider)]
        words = "It has the least room in proportion to its limit" + (f"; as little have: {'; '.join(alike)}." if alike else ".")
        blocks.append(Prose((words,), "note"))
    nearest = tightest(sheet) if decider.margin is None else None
    if nearest is not None:
        blocks.append(Prose(("Tightest of the numbers that count: ", *check_sentence(trace, nearest))))
    others = [check for check in sheet.checks if check.counts and check is not decider and check.verdict in (Verdict.FAIL, *PENDING)]
    if others:
        blocks.append(
            Prose(("Also open or failing: " + "; ".join(f"{check.question.rstrip(' ?')} ({check.verdict})" for check in others) + ".",))
        )
    blocks.append(Pairs(_in_short(sheet)))
    return Part("verdict", "Verdict", tuple(blocks))


ANSWERS = {
    Verdict.FAIL: "No.",
    Verdict.NEEDS_INPUT: "Not known yet: the site file lacks a value.",
    Verdict.JUDGEMENT: "A person has to decide.",
    Verdict.NOT_APPLICABLE: "The question does not arise.",
}
"""What a verdict answers to the question of the check."""
IN_SHORT = 7
"""How many results stand with the verdict: the first of the sheet."""


def _answer(sheet: Sheet, decider: Check) -> str:
    if sheet.verdict is Verdict.PASS:
        return "Yes: every check that counts holds."
    return f"{sentence(decider.question)} {ANSWERS[decider.verdict]}"


def _in_short(sheet: Sheet) -> tuple[tuple[str, str], ...]:
    """The first results in words, with their units."""
    rows = []
    for key, result in list(sheet.results.items())[:IN_SHORT]:
        words = result.step.meaning if result.step is not None else _result_words(key)
        value = numbers.bare(result.step) if result.step is not None else numbers.value_text(result.value)
        rows.append((sentence(words), numbers.with_unit(value, result.unit)))
    return tuple(rows)


def _result_words(key: str) -> str:
    """Words for a result without a step, with the id after its colon."""
    name, _, of = key.partition(":")
    return RESULT_WORDS.get(name, name.replace("_", " ")) + (f", {of}" if of else "")


def sentence(text: str) -> str:
    """A text with its first letter large, as a sentence or a heading begins."""
    return text[:1].upper() + text[1:]


def tightest(sheet: Sheet) -> Check | None:
    """The numeric check that counts and has the least relative room."""
    numeric = [check for check in sheet.checks if check.counts and check.margin is not None]
    return min(numeric, key=lambda check: check.room, default=None)


def check_sentence(trace: Trace, check: Check) -> Rich:
    """A check as a sentence: what is provided, the relation, what is required, and the room or shortage."""
    source = f" ({check.source})" if check.source else ""
    if check.provided is None or check.required is None:
        words = {Verdict.NEEDS_INPUT: "cannot be decided", Verdict.JUDGEMENT: "left to judgement"}.get(check.verdict, str(check.verdict))
        lacking = f", {check.note}" if check.verdict is Verdict.NEEDS_INPUT and check.note else ""
        return (f"{check.question.rstrip(' ?')}: {words}{lacking}{source}.",)
    left, right, room = numbers.sides(check)
    if _fails_by_condition(check):
        amounts = (_value_ref(trace, check.provided, left), f" {numbers.SIGNS.get(check.relation, check.relation)} ")
        held = ("; its amounts hold (", *amounts, _value_ref(trace, check.required, right), ")")
        return (f"{check.question.rstrip(' ?')}: fail, {check.note or 'by a condition besides its amounts'}", *held, f"{source}.")
    provided = (f"{check.provided.meaning} ", _value_ref(trace, check.provided, left))
    required = (f" {_relation(check)} ", f"{check.required.meaning} ", _value_ref(trace, check.required, right))
    return (*provided, *required, _outcome(check, room) + source + ".")


def _fails_by_condition(check: Check) -> bool:
    """Whether a check fails although its amounts hold: by a position, a count or a missing device."""
    return check.verdict is Verdict.FAIL and check.margin is not None and holds(check.provided.value, check.relation, check.required.value)


def _as_tight(check: Check, decider: Check) -> bool:
    """Whether a check that counts has no more room than the one that decides."""
    if not check.counts or check.margin is None or check.unit in CONDITIONS:
        return False
    return check.room <= decider.room + 1e-9


def _relation(check: Check) -> str:
    """How the two sides stand to each other, in words where they are numbers."""
    if check.margin is None:
        return numbers.SIGNS.get(check.relation, check.relation)
    held = holds(check.provided.value, check.relation, check.required.value)
    return {"<=": ("is more than", "is within"), ">=": ("is less than", "is at least")}[check.relation][held]


def bare_sentence(sheet: Sheet, check: Check) -> str:
    """A check as a sentence without references, for a page that does not show its steps."""
    return traced_sentence(Trace(sheet), check)


def traced_sentence(trace: Trace, check: Check) -> str:
    """As `bare_sentence`, of a sheet that is traced already."""
    return "".join(piece if isinstance(piece, str) else piece.label for piece in check_sentence(trace, check))


def _outcome(check: Check, room: str) -> str:
    if check.margin is None:
        return f": {check.verdict}"
    amount = numbers.with_unit(room.removeprefix("−"), check.unit)
    if numbers.read_back(room) == 0:
        said = ", with nothing to spare"
    else:
        said = f", short by {amount}" if check.margin < 0 else f", {amount} to spare"
    return said if check.verdict in (Verdict.FAIL, Verdict.PASS) else f"{said}: {check.verdict}"


def _value_ref(trace: Trace, quantity: Quantity, text: str) -> Ref:
    return trace.ref(quantity, numbers.with_unit(text, quantity.unit))


def inputs(trace: Trace) -> Part:
    """Every value that the results rest on: of the home with its provenance, of the code with its section."""
    simulated = [item for item in trace.home_inputs if item.origin == "simulated"]
    given = [item for item in trace.home_inputs if item.origin != "simulated"]
    home = _home_grid(trace, given, "Values of this home", "inputs")
    code = Grid(
        ("No.", "Value", "Meaning", "Section", "Status"),
        tuple(_code_row(trace, item) for item in trace.code_inputs),
        tuple(trace.anchor(item) for item in trace.code_inputs),
        frozenset({1}),
        "Values of the code and of local rules",
        "code",
    )
    if not simulated:
        return Part("inputs", "Inputs", (home, code))
    followed = _home_grid(trace, simulated, "Figures found by a run over time, not by a formula", "inputs")
    return Part("inputs", "Inputs", (home, code, followed))


def _home_grid(trace: Trace, items: list[Input], caption: str, name: str) -> Grid:
    columns = ("No.", "Field", "Meaning", "Value", "As written", "How known", "Note")
    rows = tuple(_home_row(trace, item) for item in items)
    return Grid(columns, rows, tuple(trace.anchor(item) for item in items), frozenset({3}), caption, name)


def _home_row(trace: Trace, item: Input) -> tuple[Rich, ...]:
    known = Flag("ASSUMED") if item.origin == "assumed" else item.origin
    return (
        (trace.number(item),),
        (Key(item.key),),
        (numbers.words(item.meaning),),
        (numbers.quantity_text(item),),
        (item.text,),
        (known,),
        (item.note,),
    )


_UNSURE = {UNCONFIRMED: "NOT CONFIRMED"}


def _code_row(trace: Trace, item: Input) -> tuple[Rich, ...]:
    source = item.source
    status = source.status if source else "not stated"
    shown: list[str | Flag] = [status if status == CONFIRMED else Flag(_UNSURE.get(status, f"NOT CONFIRMED: {status}"))]
    if item.origin == "jurisdiction":
        shown.append("; local rule")
    extra = "; ".join(text for text in (item.note, source.note if source else "") if text)
    return (
        (trace.number(item),),
        (numbers.quantity_text(item),),
        (numbers.words(item.meaning + (f" ({extra})" if extra else "")),),
        (locator(source),),
        tuple(shown),
    )


def locator(source: Source | None) -> str:
    """Edition and section of a source without its status."""
    if source is None:
        return ""
    return numbers.words(f"NEC {source.edition} {source.locator}" if source.edition else source.locator)


def assumptions(sheet: Sheet, turning: Section | None = None) -> Part:
    """What was taken without being given, and where the verdict turns on it."""
    items = tuple((_assumption_text(item),) for item in sheet.assumptions)
    blocks: list[Block] = [Heading("Assumptions"), Bullets(items, "Nothing was assumed.")]
    if turning is not None:
        blocks += [Prose((turning.prose,))] if turning.prose else []
        blocks += [table(turning.table)] if turning.table is not None else []
    return Part("assumptions", "Assumptions", tuple(blocks))


def sections(name: str, title: str, shown: Sequence[Section]) -> Part:
    """Sections of prose and tables that stand beside the calculation. Errors: ValueError for one with steps, which belong in the sheet."""
    blocks: list[Block] = []
    for section in shown:
        if section.steps:
            raise ValueError(f"the section {section.heading!r} beside the calculation has steps; they belong in the sheet")
        blocks.append(Heading(section.heading))
        blocks += [Prose((section.prose,))] if section.prose else []
        blocks += [table(section.table)] if section.table is not None else []
    return Part(name, title, tuple(blocks))


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
        numbers.words(step.meaning),
        formula_line,
        "" if alone else substituted,
        result,
        str(step.source) if step.source else "",
        numbers.words(note),
        _entered(trace, step),
    )


def _entered(trace: Trace, step: Step) -> Rich:
    """With what the tables behind a step were entered."""
    pieces: list = ["Tables entered with "] if step.by else []
    for index, item in enumerate(step.by):
        pieces += [", " if index else "", f"{numbers.words(item.meaning)} ", trace.ref(item, numbers.quantity_text(item))]
    return tuple(pieces)


def checks(trace: Trace) -> Part:
    """Every test: provided, relation, required, margin, verdict; alternatives are marked."""
    listed = [check for check in trace.sheet.checks if check.counts] + [check for check in trace.sheet.checks if not check.counts]
    grid = Grid(
        ("Check", "Provided", "", "Required", "Margin", "Verdict", "Section", "Note"),
        tuple(_check_row(trace, check) for check in listed),
        tuple(f"check-{check.key.replace(':', '-')}" for check in listed),
        frozenset({1, 3, 4}),
        "Checks, those that decide first",
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
        (numbers.words(check.note),),
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
    """What a reader must know before relying on the sheet."""
    items = tuple((text,) for text in sheet.cautions)
    return Part("cautions", "Cautions", (Heading("Cautions"), Bullets(items, "No caution is on file for this sheet.")))


def not_checked(sheet: Sheet) -> Part:
    """What belongs to the workbook and was not checked, with the reason."""
    items = tuple((text,) for text in sheet.not_checked)
    return Part(
        "not-checked", "Not checked", (Heading("Not checked"), Bullets(items, "Nothing that belongs to this workbook was left out."))
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
    places = [_places(data, column) for column in range(width)]
    rows = tuple(tuple((_cell(value, places[column], limits),) for column, value in enumerate(row)) for row in data.rows)
    numeric = frozenset(
        column for column in range(width) if any(isinstance(row[column], (int, float)) for row in data.rows if len(row) > column)
    )
    return Grid(data.columns, rows, numeric=numeric, caption=numbers.words(data.caption), kind="plain")


def _places(data: Table, column: int) -> int:
    """Decimals of a column: those of the table, none where all its numbers are whole."""
    given = [row[column] for row in data.rows if len(row) > column and isinstance(row[column], (int, float))]
    return data.decimals if any(value != round(value) for value in given) else 0


def _cell(value: object, decimals: int, limits: tuple[float, ...]) -> str:
    if isinstance(value, (int, float)) and not isinstance(value, bool):
        return numbers.apart(float(value), decimals, limits)
    return numbers.words(numbers.value_text(value, decimals))


PUBLISHED_PAGE = "published.html"
"""Page of a study folder with the published cases."""


def cases_anchor(family: str) -> str:
    """Anchor of a family of cases on the page of published cases."""
    return f"cases-{family}"


def published(families: Sequence[tuple[str, int, int, int]]) -> Part:
    """Families of published cases that the rules of a sheet are proven against.

    Parameters: for each its name and how many sources, cases and printed values it has [count].
    """
    prose = "Printed examples run through the same rules; the page sets what each source printed beside what this program gives."
    rows = tuple(
        ((Link(PUBLISHED_PAGE, family.replace("-", " "), cases_anchor(family)),), *((f"{count:,}",) for count in counts))
        for family, *counts in families
    )
    grid = Grid(("Family of cases", "Sources", "Cases", "Printed values"), rows, numeric=frozenset({1, 2, 3}), kind="plain")
    return Part("published", "Published comparison", (Heading("Published cases of these rules"), Prose((prose,)), grid))
