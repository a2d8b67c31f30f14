"""The same home under the other editions: which verdicts move, and the sentence of each rule that moved."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from workbook_lib.editions import YEARS, Edition, load, moved
from workbook_lib.errors import WorkbookError
from workbook_lib.sheet import Check, Section, Sheet, Table, controlling, worst


def compared(home, edition: Edition, study: Callable[[object, Edition], Sheet], provisions: tuple[str, ...]) -> tuple[Section, ...]:
    """Verdict and controlling check under each edition, the checks whose verdict moves, and what moved in words.

    Parameters: home, edition in use, study of a workbook, its provisions as the sentences on what moved name them.
    Returns: sections. The jurisdiction's local rules apply under every edition.
    """
    sheets: dict[str, Sheet | WorkbookError] = {}
    for year in YEARS:
        try:
            sheets[year] = study(home, load(year))
        except WorkbookError as error:
            sheets[year] = error
    rows = [_row(year, sheets[year], load(year), year == edition.year) for year in YEARS]
    first = Section(
        "The same home under the other editions",
        (),
        "Everything else as filed. A what-if is not the adopted edition; adoption and independent check are left out of this comparison.",
        Table(("Edition", "Verdict of the checks", "Controlling check", "Status"), tuple(rows), "Verdict by edition"),
    )
    changed = tuple(_changed(sheets))
    words = (
        "Checks whose verdict, rule or limit is not the same under every edition."
        if changed
        else "No check gives another verdict under another edition."
    )
    second = Section("Which checks move", (), words, Table(("Check", *YEARS), changed, "Verdicts that move") if changed else None)
    told = tuple(
        (row.before, row.after, row.text, row.status)
        for one, two in zip(YEARS, YEARS[1:], strict=False)
        for row in moved(one, two, provisions)
    )
    third = Section(
        "Which rules moved",
        (),
        "What moved in the text, in words.",
        Table(("From", "To", "What moved", "Status"), told, "Rules that moved"),
    )
    return first, second, third


def _row(year: str, found: Sheet | WorkbookError, edition: Edition, in_use: bool) -> tuple[object, ...]:
    status = f"{edition.status}{', shown here' if in_use else ''}"
    if isinstance(found, WorkbookError):
        return (year, "not computed", str(found), status)
    own = [check for check in found.checks if check.counts and check.key not in ("edition-adopted", "independent-check")]
    decider = controlling(own)
    verdict = worst(check.verdict for check in own)
    return (year, str(verdict), decider.question if decider is not None else "-", status)


def _changed(sheets) -> Iterator[tuple[object, ...]]:
    """Rows of checks that are not alike under all editions."""
    known = {year: {check.key: check for check in sheet.checks} for year, sheet in sheets.items() if isinstance(sheet, Sheet)}
    keys = dict.fromkeys(key for checks in known.values() for key in checks)
    for key in keys:
        if key in ("edition-adopted", "independent-check"):
            continue
        cells = [_cell(known[year].get(key)) if year in known else "-" for year in sheets]
        if len({cell.partition(" (")[0] for cell in cells}) > 1:
            yield (key, *cells)


def _cell(check: Check | None) -> str:
    if check is None:
        return "-"
    source = f" ({check.source.locator})" if check.source is not None else ""
    return f"{check.verdict}{source}"
