"""The only import of a notebook: opens a home and shows each part of its sheet.

Every method gives an object that a notebook displays as text and as HTML. Nothing is computed here
or in a cell: the sheet comes whole from the workbook's one function.
"""

from __future__ import annotations

import importlib
import json
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from types import ModuleType

from workbook_lib import editions
from workbook_lib.editions import Edition
from workbook_lib.errors import Fault, InputFault, WorkbookError
from workbook_lib.home import EDITION_FIELD
from workbook_lib.render import content, html, results, text
from workbook_lib.render.blocks import Part, Prose
from workbook_lib.render.parts import Parts
from workbook_lib.render.trace import Trace
from workbook_lib.sheet import BASE_CASE, Sheet
from workbook_lib.workbooks import REGISTRY

RESULTS_MIME = "application/vnd.dwelling-service.results+json"
"""Kind of the notebook output that carries results.json of its workbook."""
SUMMARY = "portfolio_summary"
"""The workbook over a whole portfolio: it has a notebook as the others and is none of a home."""
PORTFOLIO_BYTES = 1_000_000_000
START = "start"
"""The notebook that lists the homes of a folder and opens one."""
NOT_DRAWN = {"margins": "no study sets a load or a source against a capacity", "changes": "there is nothing to compare with"}
"""Why a figure of a portfolio may not be there."""


class Shown:
    """Something that a notebook displays: the same words as text and as HTML, and data where it has any."""

    def __init__(self, plain: str, markup: str, data: Mapping[str, object] | None = None):
        self._bundle = {"text/plain": plain, "text/html": markup, **(data or {})}

    def __repr__(self) -> str:
        return self._bundle["text/plain"]

    def _repr_mimebundle_(self, include: object = None, exclude: object = None) -> dict[str, object]:
        return dict(self._bundle)


class Drawings:
    """Figures: each a drawing by itself, then its table, so that drawings can be left out of comparisons."""

    def __init__(self, sheet: Sheet):
        self._figures = sheet.figures

    def __repr__(self) -> str:
        return "\n\n".join(f"{figure.title}\n{figure.description}" for figure in self._figures) or "no figure"

    def _ipython_display_(self) -> None:
        from IPython.display import display

        from workbook_lib.render import figures

        for figure in self._figures:
            caption = f"{figure.title}\n{figure.description}"
            display({"image/svg+xml": figures.svg(figure), "text/plain": caption}, raw=True)
            display(_shown(content.figure_table(figure)))
        if not self._figures:
            display(Shown("no figure", "<p>No figure: there is nothing to draw.</p>"))


class _Opened:
    """A sheet that was opened, with what every one shows the same way. `sheet`: the sheet; `_opened`: what was opened, in words."""

    def __init__(self, sheet: Sheet, opened: str):
        self.sheet = sheet
        self._trace = Trace(sheet)
        self._opened = opened

    def __repr__(self) -> str:
        return self._opened

    def _repr_mimebundle_(self, include: object = None, exclude: object = None) -> dict[str, object]:
        from workbook_lib.render import page

        part = Part("opened", "Opened", (Prose((self._opened,)),))
        return {"text/plain": self._opened, "text/html": page.live_style() + html.fragment(part)}

    def checks(self) -> Shown:
        """Every test with its margin."""
        return _shown(content.checks(self._trace))

    def cautions(self) -> Shown:
        """What a reader must know before relying on the sheet."""
        return _shown(content.cautions(self.sheet))

    def not_checked(self) -> Shown:
        """What belongs to the workbook and was not checked."""
        return _shown(content.not_checked(self.sheet))


class Study(_Opened):
    """One home in one workbook, ready to be shown part by part."""

    def __init__(self, home, edition: Edition, workbook: ModuleType, opened: str, *, interactive: bool):
        super().__init__(workbook.study(home, edition), opened)
        self.home = home
        self._parts = Parts(home, edition, workbook, self.sheet, self._trace, live=interactive)

    def title_block(self) -> Shown:
        """Who, where, under which code, from which inputs."""
        return _shown(self._parts.title_block())

    def verdict(self) -> Shown:
        """The verdict and the check that decides it."""
        return _shown(self._parts.verdict())

    def inputs(self) -> Shown:
        """Every value used, with how it is known."""
        return _shown(self._parts.inputs())

    def assumptions(self) -> Shown:
        """What was taken without being given, and where the verdict turns on it."""
        return _shown(self._parts.assumptions())

    def steps(self) -> Shown:
        """The calculation, step by step."""
        return _shown(self._parts.steps())

    def figures(self) -> Drawings:
        """Drawings, each with its table."""
        return Drawings(self.sheet)

    def other_editions(self) -> Shown:
        """The same home under every edition, and which rules move the result."""
        part = self._parts.other_editions()
        return Shown("", "") if part is None else _shown(part)

    def published(self) -> Shown:
        """The published cases that the rules of this sheet are proven against."""
        return _shown(self._parts.published())

    def open_items(self) -> Shown:
        """What is missing or left to judgement, what closes it, who decides."""
        return _shown(self._parts.open_items())

    def results(self) -> Shown:
        """The results as filed; the output also carries results.json of this workbook."""
        part = self._parts.results()
        return Shown(text.plain(part), html.fragment(part), {RESULTS_MIME: document(self.home, (self.sheet,))})


class Summary(_Opened):
    """A run of a portfolio in its summary, ready to be shown part by part."""

    def __init__(self, portfolio: Mapping[str, object], opened: str, beside: str | None):
        from workbook_lib.workbooks import portfolio_summary

        super().__init__(portfolio_summary.study(portfolio), opened)
        self._head = portfolio_summary.head(portfolio)
        self._beside = beside

    def title_block(self) -> Shown:
        """Which portfolio, under which code, what was put in place, compared with what."""
        from workbook_lib.render import portfolio_page

        return _shown(portfolio_page.title_block(self.sheet, self._head))

    def states(self) -> Shown:
        """How many studies came to which state."""
        from workbook_lib.render import portfolio_page
        from workbook_lib.workbooks.portfolio_summary import PARTS

        return _shown(portfolio_page.states(self._trace, PARTS["states"]))

    def verdict(self) -> Shown:
        """Whether the summary is complete; not the verdict of the homes."""
        from workbook_lib.render import portfolio_page

        return _shown(portfolio_page.verdict(self._trace))

    def part(self, name: str) -> Shown:
        """One part of the summary: those that `portfolio_summary.PARTS` names.

        Errors: KeyError for another name.
        """
        from workbook_lib.render import portfolio_page
        from workbook_lib.workbooks.portfolio_summary import PARTS

        return _shown(portfolio_page.part(self._trace, name, name.capitalize(), PARTS[name], self._beside))

    def counted(self) -> Shown:
        """Everything that was counted."""
        from workbook_lib.render import portfolio_page

        return _shown(portfolio_page.counted(self._trace))

    def figure(self, key: str) -> Drawings | Shown:
        """One drawing with its table: states, margins, changes; words where there is nothing to draw."""
        kept = tuple(figure for figure in self.sheet.figures if figure.key == key)
        if kept:
            return Drawings(replace(self.sheet, figures=kept))
        return _shown(Part("no-figure", "No figure", (Prose((f"No figure: {NOT_DRAWN[key]}.",)),)))

    def results(self) -> Shown:
        """The results as filed; the output also carries them in the form of results.json."""
        part = content.results(self._trace)
        data = results.document((self.sheet,), (), self.sheet.header.inputs_sha256)
        return Shown(text.plain(part), html.fragment(part), {RESULTS_MIME: data})


def _shown(part: Part) -> Shown:
    return Shown(text.plain(part), html.fragment(part))


def document(home, sheets: tuple[Sheet, ...]) -> dict[str, object]:
    """What results.json holds for these sheets of a home."""
    return results.document(sheets, home.inputs, home.inputs_sha256)


def read(site_file: str | Path, edition: str | None = None, overrides: Mapping[str, object] | str | None = None, case: str = BASE_CASE):
    """The validated home. Parameters: site file, edition (None: the file's own), overrides by key path, case.

    Errors: InputFault with every fault, among them an override or edition that cannot be used.
    """
    from workbook_lib.home import read_home

    given = dict(_overrides(overrides, str(site_file)))
    if edition:
        given[EDITION_FIELD] = str(edition)
    return read_home(Path(site_file), given, case)


def _overrides(overrides: Mapping[str, object] | str | None, file: str) -> Mapping[str, object]:
    if isinstance(overrides, str) and overrides.strip():
        try:
            overrides = json.loads(overrides)
        except json.JSONDecodeError as error:
            raise InputFault([Fault(file, "overrides", f"not JSON: {error}", overrides, '{"field": "value"}')]) from None
    if not overrides:
        return {}
    if not isinstance(overrides, Mapping):
        raise InputFault([Fault(file, "overrides", "not a set of fields with values", repr(overrides), '{"field": "value"}')])
    return overrides


def sheet_of(home, workbook: str) -> Sheet:
    """The sheet of one workbook for a home under its own edition. Errors: CalculationFault."""
    return _module(workbook).study(home, editions.load(home.edition_year))


def _module(workbook: str) -> ModuleType:
    return importlib.import_module(REGISTRY[workbook])


def open(
    site_file: str | Path,
    edition: str | None = None,
    overrides: Mapping[str, object] | str | None = None,
    interactive: bool = False,
    workbook: str = "service_load",
    case: str = BASE_CASE,
):
    """A home opened in a workbook.

    Parameters: site file; edition year, None for the file's own; overrides, values by key path in
    place of the file's; interactive, opens the home to be worked at, with the form of its fields; workbook; case, which of
    several studies of the home this is. Returns: Study, LiveStudy where interactive.
    Errors: InputFault or CalculationFault, shown in the notebook as a list instead of a traceback.
    """
    try:
        given = _overrides(overrides, str(site_file))
        if interactive:
            return _live(site_file, edition, given, workbook, case)
        home = read(site_file, edition, overrides, case)
        said = "; ".join(f"{key} = {value}" for key, value in given.items()) or "none"
        opened = f"Site file {Path(site_file).as_posix()}; edition {home.edition_year}; values overridden: {said}."
        return Study(home, editions.load(home.edition_year), _module(workbook), opened, interactive=interactive)
    except WorkbookError as error:
        lines = text.faults(error).split("\n")
        error._render_traceback_ = lambda: lines
        raise


def _live(site_file: str | Path, edition: str | None, overrides: Mapping[str, object], workbook: str, case: str):
    """The live study of a home, with what the browser needs once. Errors: InputFault where the file cannot be read or is no TOML."""
    from workbook_lib.live import study

    live = study.opened(Path(site_file), workbook, edition=edition, overrides=overrides, case=case)
    study.prepare_browser()
    return live


def open_portfolio(portfolio_file: str | Path) -> Summary:
    """A run of a portfolio opened in its summary.

    Parameters: portfolio.json that a batch wrote. Returns: Summary; its links lead to the folders beside the file. Errors: InputFault
    for a file that is not one, shown in the notebook as a list instead of a traceback.
    """
    path = Path(portfolio_file)
    try:
        portfolio = read_portfolio_file(path)
        beside = None if path.is_absolute() else path.parent.as_posix()
        return Summary(portfolio, f"Portfolio file {path.as_posix()}.", beside)
    except InputFault as error:
        lines = text.faults(error).split("\n")
        error._render_traceback_ = lambda: lines
        raise


def open_folder(folder: str | Path, interactive: bool = False):
    """The homes of a folder with their verdicts; interactive: with what opens one and begins a new one.

    Parameters: folder with site files; interactive. Returns: Shown, or the start of a live study. Errors: InputFault for what is no
    folder, shown in the notebook as a list instead of a traceback.
    """
    try:
        if interactive:
            from workbook_lib.live import start, study

            opened = start.Start(folder)
            study.prepare_browser()
            return opened
        from workbook_lib.live import homes

        return Shown(*homes.words_and_markup(homes.homes(folder), Path(folder).as_posix()))
    except InputFault as error:
        lines = text.faults(error).split("\n")
        error._render_traceback_ = lambda: lines
        raise


def read_portfolio_file(path: Path) -> dict[str, object]:
    """The content of a portfolio.json. Errors: InputFault where it cannot be read or is not JSON."""
    from workbook_lib.home.raw import read_bytes

    data, fault = read_bytes(path.as_posix(), path, PORTFOLIO_BYTES)
    if fault is not None:
        raise InputFault([fault])
    try:
        return json.loads(data)
    except ValueError as error:
        raise InputFault([Fault(path.as_posix(), "", f"not JSON: {error}", "", "portfolio.json of a batch")]) from None


def notebook_path(workbook: str) -> Path:
    """File of the notebook of a workbook, of the portfolio summary or of the start, in an installed package or beside it in a source tree.

    Errors: KeyError for an unknown workbook, FileNotFoundError if its notebook is not there.
    """
    known = (*REGISTRY, SUMMARY, START)
    if workbook not in known:
        raise KeyError(f"no workbook {workbook!r}; there are {', '.join(known)}")
    package = Path(__file__).resolve().parent
    for folder in (package / "notebooks", package.parent / "notebooks"):
        if (folder / f"{workbook}.ipynb").is_file():
            return folder / f"{workbook}.ipynb"
    raise FileNotFoundError(f"{workbook}.ipynb is neither in the package nor beside it")
