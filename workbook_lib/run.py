"""The study of one home: a folder with executed notebooks, pages, results.json and the inputs.

Everything is written to a folder of its own beside the target, which then takes the target's place
in one step; a reader never sees half a study, nor parts of two.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import os
import shutil
import tempfile
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from workbook_lib import notebook, notebook_tools
from workbook_lib.errors import CalculationFault, Fault, InputFault, MachineryFault
from workbook_lib.render import results
from workbook_lib.sheet import BASE_CASE, Sheet, Verdict, worst
from workbook_lib.workbooks import REGISTRY

INPUT_FAULT, CALCULATION_FAULT, MACHINERY_FAULT = "input fault", "calculation fault", "machinery fault"
STATUS = {
    str(Verdict.PASS): 0,
    str(Verdict.NOT_APPLICABLE): 0,
    str(Verdict.JUDGEMENT): 1,
    str(Verdict.NEEDS_INPUT): 1,
    str(Verdict.FAIL): 1,
    INPUT_FAULT: 2,
    CALCULATION_FAULT: 3,
    MACHINERY_FAULT: 3,
}
"""Exit status of each state of a study."""
STUDIES = "studies"
RESULTS, INDEX, INPUTS, PUBLISHED = "results.json", "index.html", "inputs", "published.html"
RECORD_FIELDS = ("records.", "study.service_load_method")
"""Where a site file says which records there are and whether the verdict rests on one."""
Progress = Callable[[str], None]
Notebooks = Callable[[Path, Path, Mapping[str, object], Path], object]
"""What runs a notebook: source, target, parameters and working folder in, the executed notebook out. Errors: MachineryFault."""


@dataclass(frozen=True, slots=True)
class Study:
    """What a study came to: its state, the folder it stands in (None if none was written), its sheets."""

    state: str
    folder: Path | None
    sheets: tuple[Sheet, ...] = ()

    @property
    def status(self) -> int:
        """Exit status: 0 pass, 1 fail, needs input or judgement, 2 input fault, 3 calculation or machinery fault."""
        return STATUS[self.state]


def quiet(_: str) -> None:
    """Progress that is not shown."""


def chosen_workbooks(only: Sequence[str] | None) -> tuple[str, ...]:
    """Workbooks to run, in reading order. Errors: ValueError naming those that there are."""
    unknown = [name for name in only or () if name not in REGISTRY]
    if unknown:
        raise ValueError(f"no workbook {', '.join(unknown)}; there are {', '.join(REGISTRY)}")
    return tuple(name for name in REGISTRY if not only or name in only)


def study(
    site_file: str | Path,
    only: Sequence[str] | None = None,
    edition: str | None = None,
    out: str | Path | None = None,
    results_only: bool = False,
    pdf: bool = False,
    progress: Progress = quiet,
    overrides: Mapping[str, object] | None = None,
    case: str = BASE_CASE,
) -> Study:
    """Study one home and leave a folder.

    Parameters: site file; workbooks (None: all); edition year in place of the file's; folder (None:
    `studies/SITE_ID` here); only results.json, without a kernel; PDFs as well; a function that takes
    each line of progress; values by key path in place of the file's; which of several studies of the home
    this is. Returns: Study. Errors: InputFault, CalculationFault, MachineryFault; a
    folder that was named then holds a results.json with the fault and no verdict, except after a
    machinery fault, which leaves everything as it was. ValueError for an unknown workbook.
    """
    names = chosen_workbooks(only)
    site = Path(site_file)
    named = None if out is None else Path(out)
    if named is not None:
        _refuse_foreign(named)
    progress(f"reading {site.name}")
    try:
        home = notebook.read(site, edition, overrides, case)
        target = named if named is not None else Path(STUDIES) / home.site.site.id
        _refuse_foreign(target)
        _read_records(home, progress)
        sheets = tuple(notebook.sheet_of(home, name) for name in names)
    except (InputFault, CalculationFault) as error:
        if named is not None:
            _write_fault(named, error)
        raise
    if results_only:
        _write_results(target, results.to_bytes(notebook.document(home, sheets)))
    else:
        parameters = {"edition": edition, "overrides": dict(overrides or {}), "interactive": False, "case": case}
        _write_study(target, site, home, sheets, parameters, pdf, progress)
    progress(f"written to {target}")
    return Study(str(worst(sheet.verdict for sheet in sheets)), target, sheets)


def _read_records(home, progress: Progress) -> None:
    """Read the record that the workbooks will ask for, with the part that is read told at each tenth; faults are theirs to raise."""
    from workbook_lib.errors import MissingInput
    from workbook_lib.workbooks import metered

    name = metered.record_name(home)
    if name is None:
        return
    file, told = getattr(home.site.records, name).file, [0]

    def tell(part: float) -> None:
        tenth = int(part * 10)
        if tenth > told[0]:
            told[0] = tenth
            progress(f"reading {file}: {tenth * 10} %")

    with contextlib.suppress(MissingInput, InputFault):
        metered.read(home, name, tell)


def withheld_records(home) -> tuple[str, ...]:
    """Record files that the home asks to keep out of the package, by relative path."""
    records = home.site.records
    if records is None or not records.withhold:
        return ()
    given = (records.load, records.fast_load, records.backup_load, records.production)
    return tuple(one.file for one in given if one is not None and one.file in dict(home.inputs))


# the folder


def own_names() -> set[str]:
    """Names that a study folder may hold."""
    made = {f"{name}.{kind}" for name in REGISTRY for kind in ("ipynb", "html", "pdf")}
    return made | {RESULTS, INDEX, INPUTS, PUBLISHED, "index.pdf", ".ipynb_checkpoints"}


def _refuse_foreign(target: Path) -> None:
    """Errors: MachineryFault if the target holds what no study wrote; nothing of the user's is ever replaced."""
    if not target.exists():
        return
    if not target.is_dir():
        raise MachineryFault(f"{target} is a file; name a folder for the study")
    foreign = sorted({path.name for path in target.iterdir()} - own_names())
    if foreign:
        raise MachineryFault(f"{target} holds {', '.join(foreign[:3])}, which no study wrote; name an empty or a new folder")


@contextlib.contextmanager
def beside(target: Path, kept: Path | None = None) -> Iterator[Path]:
    """A new folder beside the target that takes its place on leaving, or vanishes on an error.

    What stood there is removed, or kept under the name `kept`.
    """
    target.parent.mkdir(parents=True, exist_ok=True)
    made = Path(tempfile.mkdtemp(prefix=f".{target.name}-", suffix=".part", dir=target.parent))
    try:
        mask = os.umask(0)
        os.umask(mask)
        made.chmod(0o777 & ~mask)
        yield made
        swap(made, target, kept)
    except BaseException:
        shutil.rmtree(made, ignore_errors=True)
        raise


def swap(made: Path, target: Path, kept: Path | None = None) -> None:
    """Put a finished folder in the place of the target: the old one aside, the new one in, the old one away or kept."""
    aside = Path(f"{made}.old") if kept is None else kept
    had = target.exists()
    if had:
        target.rename(aside)
    try:
        made.rename(target)
    except BaseException:
        if had:
            aside.rename(target)
        raise
    if had and kept is None:
        shutil.rmtree(aside, ignore_errors=True)


def _write_results(target: Path, content: bytes) -> None:
    """results.json alone; an existing study stays if it says the same, else it stands aside as `NAME.previous`."""
    filed = target / RESULTS
    if filed.is_file() and filed.read_bytes() == content:
        return
    with beside(target, _previous(target)) as made:
        (made / RESULTS).write_bytes(content)


def _previous(target: Path) -> Path | None:
    """Where a study with more than results.json is kept, so that it is neither lost nor taken for the new one."""
    if not target.is_dir() or {path.name for path in target.iterdir()} <= {RESULTS}:
        return None
    previous = target.with_name(f"{target.name}.previous")
    if previous.exists():
        _refuse_foreign(previous)
        shutil.rmtree(previous)
    return previous


def _write_fault(target: Path, error: InputFault | CalculationFault) -> None:
    _write_results(target, results.to_bytes(results.faulted(error)))


# the full study


def _write_study(
    target: Path, site: Path, home, sheets: tuple[Sheet, ...], given: Mapping[str, object], pdf: bool, progress: Progress
) -> None:
    from workbook_lib.render import pdf as printer

    if pdf:
        printer.find_browser()
    with beside(target) as made:
        fill(made, target, site, home, sheets, given, pdf=pdf, progress=progress)
        for name in (*(sheet.workbook for sheet in sheets), "index") if pdf else ():
            progress(f"printing {name}")
            printer.to_pdf(made / f"{name}.html", made / f"{name}.pdf")


def run_cold(source: Path, written: Path, parameters: Mapping[str, object], folder: Path) -> object:
    """An executed notebook by a kernel of its own. Errors: MachineryFault."""
    with notebook_tools.kernel(folder) as started:
        return notebook_tools.execute(source, written, parameters, folder, started)


def fill(
    made: Path,
    target: Path,
    site: Path,
    home,
    sheets: tuple[Sheet, ...],
    given: Mapping[str, object],
    *,
    pdf: bool = False,
    progress: Progress = quiet,
    notebooks: Notebooks = run_cold,
) -> None:
    """Fill a folder with a study: inputs, executed notebooks, pages, index, results.json.

    Parameters: the folder, the one whose place it will take, site file, home, its sheets, the notebooks' parameters but for the site
    file, whether pages will be PDFs too, progress, what runs a notebook. Errors: MachineryFault, among others if the notebooks
    and the library differ.
    """
    copied = copy_inputs(site, home.inputs, made / INPUTS)
    parameters = {"site_file": copied.relative_to(made).as_posix(), **given}
    documents = []
    with ThreadPoolExecutor(1) as aside:
        ready = aside.submit(_load_page_maker)
        cases = aside.submit(_write_published, sheets, made)
        for number, sheet in enumerate(sheets, 1):
            progress(f"running {sheet.workbook} ({number} of {len(sheets)})")
            run = _run_notebook(sheet.workbook, parameters, made, target, notebooks)
            documents.append(filed_in(run))
            _write_page(ready, sheet, run, number, len(sheets), pdf, made)
        cases.result()
    withheld = withheld_records(home)
    for name in withheld:
        (made / INPUTS / name).unlink()
    content = results.to_bytes(results.merged(documents))
    if content != results.to_bytes(notebook.document(home, sheets)):
        raise MachineryFault("the notebooks and the library gave different results; nothing was written")
    (made / RESULTS).write_bytes(content)
    ready.result().index(made, sheets, home.inputs, pdf, withheld)


def proven(folder: Path, relative: str, digest: str) -> bytes:
    """The bytes of an input as they were read. Errors: MachineryFault if the file changed since."""
    content = (folder / relative).read_bytes()
    if hashlib.sha256(content).hexdigest() != digest:
        raise MachineryFault(f"{relative} changed while it was being studied; run the study again")
    return content


def copy_inputs(site: Path, inputs: Iterable[tuple[str, str]], folder: Path) -> Path:
    """Copy the files that the home was read from, each proven by its hash. Returns: the copied site file.

    Errors: MachineryFault if a file changed since it was read.
    """
    for relative, digest in inputs:
        copy = folder / relative
        if not copy.resolve().is_relative_to(folder.resolve()):
            raise MachineryFault(f"{relative} lies outside the folder of the site file; move it there")
        copy.parent.mkdir(parents=True, exist_ok=True)
        copy.write_bytes(proven(site.parent, relative, digest))
    return folder / site.name


def _run_notebook(workbook: str, parameters: Mapping[str, object], made: Path, target: Path, notebooks: Notebooks):
    """The executed notebook of a workbook; one that fails is kept beside the target."""
    source, written = notebook.notebook_path(workbook), made / f"{workbook}.ipynb"
    try:
        return notebooks(source, written, parameters, made)
    except MachineryFault as error:
        kept = target.with_name(f"{target.name}.{workbook}.failed.ipynb")
        if written.is_file():
            shutil.copyfile(written, kept)
            raise MachineryFault(f"{error}; the notebook as far as it came is {kept}") from None
        raise


def filed_in(executed) -> dict[str, object]:
    """results.json of one workbook as its executed notebook carries it. Errors: MachineryFault if it carries none."""
    for cell in executed.cells:
        for output in cell.get("outputs", []):
            found = output.get("data", {}).get(notebook.RESULTS_MIME)
            if found is not None:
                return found
    raise MachineryFault("the notebook ran and filed no results")


class _PageMaker:
    """Makes pages; loaded on the side while the kernel works."""

    def __init__(self, page):
        self._page = page

    def sheet(self, sheet: Sheet, executed, number: int, of: int, pdf: bool, folder: Path) -> None:
        text = self._page.sheet_page(sheet, executed, self._page.Place(number, of, pdf))
        (folder / f"{sheet.workbook}.html").write_text(text, encoding="utf-8")

    def index(self, folder: Path, sheets: Sequence[Sheet], inputs: Iterable[tuple[str, str]], pdf: bool, withheld: Sequence[str]) -> None:
        (folder / INDEX).write_text(self._page.index_page(sheets, inputs, pdf=pdf, withheld=withheld), encoding="utf-8")


def _load_page_maker() -> _PageMaker:
    """What makes pages, loaded and warm by the time the notebook is done."""
    notebook_tools.load_nbformat()
    from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook, new_output

    from workbook_lib.render import page

    shown = new_output("display_data", {"text/html": "", "text/plain": ""})
    page.body_of_notebook(new_notebook(cells=[new_markdown_cell("# ."), new_code_cell(outputs=[shown])]))
    return _PageMaker(page)


def _write_page(ready: Future, sheet: Sheet, executed, number: int, of: int, pdf: bool, made: Path) -> None:
    ready.result().sheet(sheet, executed, number, of, pdf, made)


def _write_published(sheets: Sequence[Sheet], made: Path) -> None:
    families = tuple(sorted({name for sheet in sheets for name in sheet.cases}))
    (made / PUBLISHED).write_text(_published(families, sheets[0].header.edition), encoding="utf-8")


@functools.lru_cache(maxsize=32)
def _published(families: tuple[str, ...], own: str) -> str:
    """The page of the published cases behind some sheets, each under their edition where the case is for it, else under its newest."""
    from workbook_lib import published
    from workbook_lib.render import published_page

    chosen = [case for case in published.cases() if case.family in families]
    compared = [row for case in chosen for row in published.compare_case(case, own if own in case.editions else case.editions[-1])]
    return published_page.published_page(compared, own)


# validation


def validate(files: Sequence[str | Path]) -> list[tuple[Path, tuple[Fault, ...], tuple[str, ...]]]:
    """Each site, jurisdiction, utility, amendments or portfolio file with its faults, none where it is sound, and with remarks.

    Of a site file that is sound the records and the weather that it names are read too. What is wrong with a
    record is a fault where the measured method is chosen, as a study would stop there, and else a remark. Of a
    portfolio every study is read so, and the faults of all are listed.
    """
    from workbook_lib import home
    from workbook_lib.home.portfolio import is_portfolio

    found = []
    for name in files:
        path = Path(name)
        if is_portfolio(path):
            found.append((path, *_faults_of_portfolio(path)))
            continue
        faults = tuple(home.validate([name]))
        found.append((path, *((faults, ()) if faults else _faults_of_site(path))))
    return found


def _faults_of_portfolio(path: Path) -> tuple[tuple[Fault, ...], tuple[str, ...]]:
    from workbook_lib.home import portfolio
    from workbook_lib.workbooks.portfolio_words import many, studies

    try:
        whole = portfolio.read_portfolio(path)
    except InputFault as error:
        return error.faults, ()
    faults: dict[Fault, None] = {}
    remarks = {f"{one.site_file.as_posix()}: {one.left_out}": None for one in whole.entries if one.left_out}
    read = set()
    for entry in whole.entries:
        if entry.left_out:
            continue
        try:
            one = portfolio.home_of(whole, entry)
        except InputFault as error:
            faults |= dict.fromkeys(error.faults)
            continue
        way = (entry.site_file, repr([row for row in entry.overrides if row[0].startswith(RECORD_FIELDS)]))
        if way not in read:
            read.add(way)
            more, said = _faults_of_records(one)
            faults |= dict.fromkeys(more)
            remarks |= dict.fromkeys(said)
    homes = {entry.site_id for entry in whole.entries if entry.site_id and not entry.left_out}
    remarks[f"{studies(len(whole.entries))} of {many(len(homes), 'home')}"] = None
    return tuple(faults), tuple(remarks)


def _faults_of_site(path: Path) -> tuple[tuple[Fault, ...], tuple[str, ...]]:
    """Faults of the records of one file that is sound, where it is a site file, and remarks."""
    from workbook_lib import home

    try:
        return _faults_of_records(home.read_home(path))
    except InputFault:
        return (), ()


def _faults_of_records(one) -> tuple[tuple[Fault, ...], tuple[str, ...]]:
    """Faults of the files that a home names under records where a study would stop at them, else remarks."""
    from workbook_lib.errors import MissingInput
    from workbook_lib.workbooks import metered

    found: list[Fault] = []
    for name in ("load", "fast_load", "backup_load", "production", "weather"):
        if one.site.records is None or getattr(one.site.records, name) is None:
            continue
        try:
            metered.read_weather(one) if name == "weather" else metered.read(one, name)
        except InputFault as fault:
            found += fault.faults
        except MissingInput:
            continue
    method = one.site.study.service_load_method
    if method is not None and method.value == "measured":
        return tuple(found), ()
    return (), tuple(f"stops no method that is chosen: {fault}" for fault in found)
