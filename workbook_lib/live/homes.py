"""The homes of a folder: each site file with its verdicts, what was entered and not saved, and visits that are half done.

One home is studied at a time, from the file as it is saved; what its working copy holds is only named.
"""

from __future__ import annotations

import importlib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from workbook_lib import editions
from workbook_lib.errors import Fault, InputFault, WorkbookError
from workbook_lib.home.raw import parse_toml, read_bytes
from workbook_lib.home.reader import LOCAL_ONLY, SITE_ONLY, read_home
from workbook_lib.live import keeping, visit
from workbook_lib.live.things import workbook_words
from workbook_lib.render import content, html, page, text
from workbook_lib.render.blocks import Block, Bullets, Grid, Part, Prose
from workbook_lib.sheet import Verdict
from workbook_lib.workbooks import REGISTRY

INPUT_FAULT, NOT_COMPUTED, UNFINISHED = "input fault", "not computed", "unfinished visit"
"""States of a home or of a workbook that are no verdict."""
STATES = (INPUT_FAULT, NOT_COMPUTED, *map(str, Verdict))
"""States of one home from the worst."""
SETTLED = (str(Verdict.PASS), str(Verdict.NOT_APPLICABLE))
UNSAVED = "changes not saved"
NO_CHECK = "no check applies"
PORTFOLIO_ONLY = ("sites", "case")
"""Tables that make a file one of many homes."""
SHOWN_FAULTS = 3
"""How many faults of a file stand in the list; the others are counted."""


@dataclass(frozen=True, slots=True)
class WorkbookState:
    """What a workbook says of a home: its name, its verdict (or that it is not computed), the sentence of the check that decides."""

    workbook: str
    state: str
    sentence: str


@dataclass(frozen=True, slots=True)
class HomeRow:
    """One home of a folder: site file (of an unfinished visit where it is to be), id, address, state, and what stands behind it.

    `state` is the worst of the workbooks, or input fault, or unfinished visit; `faults`: one line each; `unsaved`: whether a working copy
    beside it differs from the file; `open_count`: needed answers that an unfinished visit lacks.
    """

    file: Path
    id: str
    address: str
    state: str
    workbooks: tuple[WorkbookState, ...] = ()
    faults: tuple[str, ...] = ()
    unsaved: bool = False
    open_count: int = 0


def site_files(folder: Path) -> tuple[Path, ...]:
    """The site files of a folder, by name; files that cannot be read as TOML are among them, so that their faults are seen.

    Parameters: folder. Returns: paths. Errors: InputFault for what is no folder.
    """
    if not folder.is_dir():
        todo = "name a folder with site files"
        raise InputFault([Fault(folder.as_posix(), "", "is no folder", "", "a folder with site files", todo)])
    return tuple(path for path in sorted(folder.glob("*.toml")) if path.is_file() and is_site_file(path))


def is_site_file(path: Path) -> bool:
    """Whether a TOML file describes a home, or cannot be read so that it may. Parameters: path."""
    tables, _ = _content(path)
    if tables is None:
        return True
    others = (*LOCAL_ONLY, *PORTFOLIO_ONLY)
    return "site" in tables or (any(name in tables for name in SITE_ONLY) and not any(name in tables for name in others))


def unfinished(folder: Path) -> tuple[Path, ...]:
    """Site files that are still to be: a working copy lies beside where each will stand. Parameters: folder. Returns: paths, by name."""
    copies = sorted(folder.glob(f"*{keeping.FOLDER}/{keeping.WORKING}"))
    sites = (copy.parent.with_name(copy.parent.name.removesuffix(keeping.FOLDER) + ".toml") for copy in copies)
    return tuple(site for site in sites if not site.exists())


def homes(folder: str | Path) -> Iterator[HomeRow]:
    """The homes of a folder, each as soon as it is studied, by the names of their files; unfinished visits last.

    Parameters: folder. Returns: rows. Errors: InputFault for what is no folder; what is wrong with a home stands in its row.
    """
    place = Path(folder)
    for path in site_files(place):
        yield home_row(path)
    for path in unfinished(place):
        yield visit_row(path)


def home_row(path: Path) -> HomeRow:
    """One home from its site file as it is saved. Parameters: path. Returns: row; what is wrong with it stands there."""
    tables, _ = _content(path)
    name, address = (_leaf(tables, key) for key in ("id", "address"))
    unsaved = _unsaved(path)
    try:
        home = read_home(path)
    except InputFault as error:
        return HomeRow(path, name, address, INPUT_FAULT, (), _lines(error), unsaved)
    states = tuple(_studied(home, workbook) for workbook in REGISTRY)
    return HomeRow(path, name, address, min((one.state for one in states), key=STATES.index), states, (), unsaved)


def visit_row(path: Path) -> HomeRow:
    """An unfinished visit from its working copy. Parameters: path of the site file to be. Returns: row."""
    tables, fault = _content(keeping.folder_of(path) / keeping.WORKING)
    if tables is None:
        return HomeRow(path, "", "", UNFINISHED, (), (str(fault),))
    gone = visit.progress(tables)
    return HomeRow(path, _leaf(tables, "id"), _leaf(tables, "address"), UNFINISHED, open_count=gone.needed - gone.needed_answered)


def _studied(home, workbook: str) -> WorkbookState:
    module = importlib.import_module(REGISTRY[workbook])
    try:
        sheet = getattr(module, "verdict_study", module.study)(home, editions.load(home.edition_year))
    except InputFault as error:
        return WorkbookState(workbook, INPUT_FAULT, "; ".join(_lines(error)))
    except WorkbookError as error:
        return WorkbookState(workbook, NOT_COMPUTED, str(error))
    decider = sheet.controlling
    return WorkbookState(workbook, str(sheet.verdict), content.bare_sentence(sheet, decider) if decider is not None else NO_CHECK)


def _content(path: Path) -> tuple[Mapping[str, object] | None, Fault | None]:
    data, fault = read_bytes(path.name, path)
    if data is None:
        return None, fault
    tables, fault, _ = parse_toml(path.name, data)
    return tables, fault


def _leaf(tables: Mapping[str, object] | None, key: str) -> str:
    """A text of the table [site], empty where there is none."""
    site = tables.get("site") if tables is not None else None
    found = site.get(key) if isinstance(site, Mapping) else None
    found = found.get("value") if isinstance(found, Mapping) else found
    return found if isinstance(found, str) else ""


def _unsaved(path: Path) -> bool:
    kept = keeping.working(path)
    saved, _ = read_bytes(path.name, path)
    return kept is not None and saved is not None and kept.text.encode() != saved


def _lines(error: InputFault) -> tuple[str, ...]:
    return tuple(str(fault) for fault in error.faults)


# shown


COLUMNS = ("Home", "File", "Address", "State", *map(workbook_words, REGISTRY), "What decides", "To do")
"""Columns of the list of homes."""


def cells(row: HomeRow) -> tuple[str, ...]:
    """A home as a row of the list, in the order of `COLUMNS`; every state is a word. Parameters: row. Returns: texts."""
    states = {one.workbook: one.state for one in row.workbooks}
    known = (row.id or "not stated", row.file.name, row.address or "not stated", row.state)
    return (*known, *(states.get(workbook, "not studied") for workbook in REGISTRY), _decides(row), _to_do(row))


def _decides(row: HomeRow) -> str:
    """The sentence of the first workbook in the worst state, and which others are in it; the faults where nothing was studied."""
    if row.faults:
        more = len(row.faults) - SHOWN_FAULTS
        return "; ".join(row.faults[:SHOWN_FAULTS]) + (f"; and {more} more" if more > 0 else "")
    worst = [one for one in row.workbooks if one.state == row.state]
    if not worst:
        return ""
    others = ", ".join(workbook_words(one.workbook) for one in worst[1:]) if row.state not in SETTLED else ""
    return f"{workbook_words(worst[0].workbook)}: {worst[0].sentence}" + (f" As well: {others}." if others else "")


def _to_do(row: HomeRow) -> str:
    said = []
    if row.state == UNFINISHED and row.faults:
        said.append("the working copy cannot be read: mend it")
    elif row.state == UNFINISHED:
        said.append(f"take the visit up: {row.open_count} needed {'answer is' if row.open_count == 1 else 'answers are'} open")
    if row.unsaved:
        said.append(UNSAVED)
    return "; ".join(said)


def part(rows: Iterable[HomeRow], folder: str) -> Part:
    """The list of homes as a part: how many stand how, then a table.

    Parameters: rows; the folder as the reader wrote it. Returns: part.
    """
    found = tuple(rows)
    counts = {state: sum(row.state == state for row in found) for state in (*STATES, UNFINISHED)}
    said = ", ".join(f"{count} {state}" for state, count in counts.items() if count)
    blocks: list[Block] = [Prose((f"Folder {folder}: {counted(len(found))}" + (f": {said}." if said else "."),))]
    lines = tuple(tuple((cell,) for cell in cells(row)) for row in found)
    caption = "Homes of the folder, from their files as they are saved"
    blocks.append(Grid(COLUMNS, lines, caption=caption) if lines else Bullets((), "no home"))
    return Part("homes", "Homes", tuple(blocks))


def counted(homes: int) -> str:
    """A number of homes in words. Parameters: number."""
    return f"{homes} home" if homes == 1 else f"{homes} homes"


def words_and_markup(rows: Iterable[HomeRow], folder: str) -> tuple[str, str]:
    """The list of homes as text and as HTML with its style. Parameters: rows, folder as it was written. Returns: both."""
    made = part(rows, folder)
    return text.plain(made), page.live_style() + html.fragment(made)
