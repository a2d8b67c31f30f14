"""The portfolio summary as parts and as a page: its own title block, verdict and lists, each study with the way to its sheets.

The page carries its own style and nothing else, as the pages of a study do; what it links to stands beside it.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from pathlib import PurePosixPath

from workbook_lib.render import content, numbers, page
from workbook_lib.render.blocks import Band, Block, Bullets, Grid, Heading, Pairs, Part, Prose
from workbook_lib.render.trace import Key, Link, Rich, Trace
from workbook_lib.sheet import Check, Sheet, Table, Verdict
from workbook_lib.workbooks.portfolio_drawings import CAUSES, CHANGES_PAGE, CHANGES_TABLE, FILE
from workbook_lib.workbooks.portfolio_summary import PARTIAL
from workbook_lib.workbooks.portfolio_tables import LINKED

FILES = (
    ("portfolio.json", "portfolio.json"),
    ("homes.csv", "homes.csv"),
    ("homes.parquet", "homes.parquet"),
    ("homes.columns.json", "homes.columns.json"),
    ("screening.csv", "screening.csv"),
    ("portfolio_summary.ipynb", "notebook"),
)
"""Files of a batch beside the page, with the words of their links."""
LABELS = {"index.html": "sheets", "results.json": "results"}
"""Words of a link to a study, by the file that it leads to."""
IN_SHORT = ("accepted_count",)
"""Results that stand below the states where they are not zero."""
COMPLETE, INCOMPLETE = "summary complete", "summary not complete"


def title_block(sheet: Sheet, head: Sequence[tuple[str, str]]) -> Part:
    """Which portfolio, under which code, what was put in place, compared with what; a what-if of all says so before anything else."""
    said = dict(head)
    blocks: list[Block] = []
    if sheet.header.edition_basis == "what-if":
        blocks.append(Band("what-if", "WHAT-IF: not the homes as they are", (said.get("What-if", ""),)))
    told = tuple(words for label, words in head if label == PARTIAL)
    blocks += [Band("judgement", "NOT EVERY WORKBOOK: the states say nothing of the others", told)] if told else []
    apart = (PARTIAL, "What-if") if sheet.header.edition_basis == "what-if" else (PARTIAL,)
    blocks.append(Pairs(tuple(row for row in head if row[0] not in apart)))
    return Part("title", sheet.title, tuple(blocks))


def states(trace: Trace, headings: Collection[str]) -> Part:
    """How many studies came to which state, each count once, and below it how many were accepted.

    Parameters: trace of the sheet; headings of the sections.
    """
    results = trace.sheet.results
    others = [key for key in IN_SHORT if key in results and results[key].value]
    rows = tuple((content.sentence(results[key].step.meaning), numbers.number(results[key].value)) for key in others)
    blocks = part(trace, "states", "States", headings).blocks
    return Part("states", "States", (*blocks, Pairs(rows)) if rows else blocks)


def verdict(trace: Trace) -> Part:
    """Whether the summary is complete, and what is not; never to be read as the verdict of the homes."""
    sheet = trace.sheet
    whole = sheet.verdict is Verdict.PASS
    words = (f"Verdict of this sheet: {sheet.verdict}. This is not the verdict of the homes: theirs stand under their states.",)
    blocks: list[Block] = [
        Prose((content.sentence(sheet.question),), "question"),
        Band(str(sheet.verdict), COMPLETE if whole else INCOMPLETE, words),
    ]
    failing = tuple(_told(trace, check) for check in sheet.checks if check.verdict is not Verdict.PASS)
    return Part("verdict", "Verdict", (*blocks, Bullets(failing)) if failing else tuple(blocks))


def _told(trace: Trace, check: Check) -> Rich:
    """A check of the summary as question and answer."""
    left, right, _ = numbers.sides(check)
    answer = "Yes" if check.verdict is Verdict.PASS else "NO"
    note = f". {content.sentence(check.note)}." if check.note else "."
    counts = (
        f"{check.provided.meaning}: ",
        trace.ref(check.provided, left),
        f"; {check.required.meaning}: ",
        trace.ref(check.required, right),
    )
    return (f"{content.sentence(check.question)} {answer}: ", *counts, note)


def part(trace: Trace, name: str, title: str, headings: Collection[str], beside: str | None = "") -> Part:
    """Some sections of the sheet under their headings.

    Parameters: trace; name and title of the part; headings of its sections; folder of the files that the cells of `LINKED` name, as
    seen from where the part is shown (None: they are no links). Returns: Part.
    """
    blocks: list[Block] = []
    for group in trace.groups:
        section = group.section
        if section.heading not in headings:
            continue
        blocks.append(Heading(section.heading))
        blocks += [Prose((section.prose,))] if section.prose else []
        blocks += [content.step_block(trace, step) for step in group.steps]
        blocks += [_table(section.table, beside)] if section.table is not None else []
    return Part(name, title, tuple(blocks))


def _table(data: Table, beside: str | None) -> Grid:
    """A table of the summary, its files as links."""
    laid = content.table(data)
    places = [place for place, column in enumerate(laid.columns) if column in (LINKED, FILE)]
    if beside is None or not places:
        return laid
    rows = [tuple(_link(cell, beside) if place in places else cell for place, cell in enumerate(row)) for row in laid.rows]
    return replace(laid, rows=tuple(rows))


def _link(cell: Rich, beside: str) -> Rich:
    path = PurePosixPath("".join(str(piece) for piece in cell))
    return (Link((PurePosixPath(beside) / path).as_posix(), LABELS.get(path.name, path.name)),) if path.name else ()


def counted(trace: Trace) -> Part:
    """Everything that was counted, numbered as the steps and results name it."""
    rows = tuple(((trace.number(item),), (item.meaning,), (Key(item.key),), (numbers.quantity_text(item),)) for item in trace.home_inputs)
    anchors = tuple(trace.anchor(item) for item in trace.home_inputs)
    grid = Grid(
        ("No.", "What was counted", "Key", "Count"), rows, anchors, frozenset({3}), "Counts behind the checks and results", "inputs"
    )
    return Part("counted", "What was counted", (grid,))


def summary_page(sheet: Sheet, notebook) -> str:
    """The page of a portfolio. Parameters: its sheet, its executed notebook. Returns: HTML."""
    head = sheet.header
    elsewhere = any(section.heading == CAUSES for section in sheet.sections)
    files = (*FILES[:-1], *(((CHANGES_PAGE, CHANGES_PAGE), (CHANGES_TABLE, CHANGES_TABLE)) if elsewhere else ()), FILES[-1])
    top = page.strip(f"{head.site_id} · {sheet.title}", files)
    running = f"{head.site_id} · {sheet.title} · edition {head.edition} · rows {head.inputs_sha256[:12]}"
    foot = f"Program version {head.library_version}. Hash of the rows summarised {head.inputs_sha256}."
    return page.whole(f"{sheet.title}: {head.site_id}", top + page.body_of_notebook(notebook), running, foot)
