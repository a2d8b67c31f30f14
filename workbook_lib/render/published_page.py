"""The page of published cases: what each source printed, beside what this library gives."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape

from workbook_lib.published import Case, Comparison, Publication
from workbook_lib.render import content, html, numbers, page
from workbook_lib.render.blocks import Grid, Part, Prose
from workbook_lib.render.trace import Flag
from workbook_lib.version import VERSION

COLUMNS = ("Case", "What it tests", "Editions", "Value", "Printed", "Ours", "Standing", "Mark and note")


def published_page(comparisons: Iterable[Comparison], edition: str) -> str:
    """The whole page, families in order. Parameters: comparisons as the published room gives them, edition of the study."""
    by_family: dict[str, list[Comparison]] = {}
    for comparison in comparisons:
        by_family.setdefault(comparison.case.family, []).append(comparison)
    values = sum(len(rows) for rows in by_family.values())
    intro = (
        f"{values} printed values, each beside what this library gives under the same inputs. A value agrees when ours, rounded to the "
        "printed digits, is the print or a printed alternative. Where a print is held to be wrong, ours differs and the note says why. "
        f"A case that is for edition {edition} is run under it, any other under the newest edition that it is for."
    )
    parts = [
        page.strip("published cases", [("index.html", "all sheets")]),
        "<h1>Published cases</h1>",
        f"<p>{escape(intro)}</p>",
        *(_family(name, rows) for name, rows in by_family.items()),
    ]
    return page.whole("Published cases", "\n".join(parts), f"published cases, program version {VERSION}", f"Program version {VERSION}.")


def _family(name: str, rows: Sequence[Comparison]) -> str:
    sources = {row.case.source.id: row.case.source for row in rows}
    listed = html.fragment(Part("sources", "Sources", tuple(Prose((_source(source),)) for source in sources.values())))
    grid = html.grid(Grid(COLUMNS, tuple(_row(row, years) for row, years in _by_answer(rows)), numeric=frozenset({4, 5}), kind="published"))
    heading = f'<h2 id="{escape(content.cases_anchor(name))}">{escape(name.replace("-", " ").capitalize())}</h2>'
    return f'{heading}\n{listed}\n<section class="wb" aria-label="{escape(name)}">{grid}</section>'


def _by_answer(rows: Sequence[Comparison]) -> list[tuple[Comparison, list[str]]]:
    """Comparisons with the editions that give the same, in order."""
    found: dict[tuple, tuple[Comparison, list[str]]] = {}
    for row in rows:
        key = (row.case.id, row.answer.key, repr(row.ours), row.agrees)
        found.setdefault(key, (row, []))[1].append(row.edition)
    return list(found.values())


def _source(source: Publication) -> str:
    return f"{source.id}: {source.title}. {source.where}. Edition as printed: {source.edition}."


def _row(row: Comparison, years: Sequence[str]) -> tuple:
    case, answer = row.case, row.answer
    printed = " or ".join((answer.printed, *answer.also))
    ours = row.ours if isinstance(row.ours, str) else numbers.number(float(row.ours), None)
    return (
        (case.id,),
        (case.tests,),
        (", ".join(years),),
        (answer.key,),
        (numbers.with_unit(printed, answer.unit),),
        (numbers.with_unit(ours, answer.unit),),
        (standing(row),),
        (_note(case, answer.why),),
    )


def standing(row: Comparison) -> str | Flag:
    """How ours stands to the print, in words."""
    if not row.agrees:
        return Flag("DIFFERS")
    return "print held wrong, ours differs" if row.answer.trap else "agrees"


def _note(case: Case, why: str) -> str:
    return "; ".join(text for text in (case.mark, case.note, why) if text)
