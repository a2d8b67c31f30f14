"""What the tests of batches share: a small folder of homes, a crew in this process, and what a run has left."""

from __future__ import annotations

import shutil
from collections.abc import Sequence
from pathlib import Path

from workbook_lib.batch import drive
from workbook_lib.batch.folder import Output
from workbook_lib.batch.plan import Asked
from workbook_lib.batch.work import Done, Task, do
from workbook_lib.home.portfolio import read_portfolio
from workbook_lib.workbooks import REGISTRY

EXAMPLES = Path(__file__).resolve().parent.parent / "example_inputs" / "sites"
QUICK = ("cascade-200a", "centre-fed-100a", "small-heat-pump-125a", "supply-tap-100a")
"""Example homes without simulation."""
RESULTS_ONLY = Asked(tuple(REGISTRY), rendered=False)
RENDERED = Asked(tuple(REGISTRY), rendered=True)


def homes(folder: Path, names: Sequence[str] = QUICK) -> Path:
    """A folder of example homes with what they name, and a portfolio of them. Returns: the portfolio."""
    sites = folder / "sites"
    sites.mkdir(parents=True)
    shutil.copytree(EXAMPLES / "jurisdictions", sites / "jurisdictions")
    for name in names:
        shutil.copyfile(EXAMPLES / f"{name}.toml", sites / f"{name}.toml")
    file = folder / "portfolio.toml"
    file.write_text('format = 1\nsites = ["sites/*.toml"]\n', encoding="utf-8")
    return file


class CrewHere:
    """One worker that is this process. `given`: tasks that it was given, in order."""

    def __init__(self) -> None:
        self.given: list[Task] = []
        self._done: list[Done] = []

    @property
    def free_count(self) -> int:
        return 1 - len(self._done)

    def give(self, task: Task) -> None:
        self.given.append(task)
        self._done.append(self.make(task))

    def make(self, task: Task) -> Done:
        return do(task)

    def wait(self, seconds: float) -> list[Done]:
        done, self._done = self._done, []
        return done

    def end(self, *, now: bool) -> None:
        pass


def run_here(file: Path, out: Path, asked: Asked = RESULTS_ONLY, crew: CrewHere | None = None) -> tuple[drive.Outcome, list[str]]:
    """A batch in this process. Returns: its outcome, and the names of the studies that it made."""
    worker = crew or CrewHere()
    made = drive.batch(read_portfolio(file), out, asked, crews=lambda count, output: worker)
    return made, [task.entry.name for task in worker.given]


def left(out: Path) -> dict[str, bytes]:
    """Every file of the studies and of the portfolio, without what the runs keep for themselves."""
    files = (path for path in out.rglob("*") if path.is_file() and ".batch" not in path.parts)
    return {path.relative_to(out).as_posix(): path.read_bytes() for path in sorted(files)}


def marks(out: Path) -> list[str]:
    """Markers of studies that are being made."""
    return sorted(path.name for path in (Output(out).own / "running").iterdir())


def copies(folder: Path, count: int, names: Sequence[str] = QUICK) -> Path:
    """A table of so many homes, the example homes in turn under names of their own. Returns: the portfolio."""
    homes(folder, names)
    lines = ["site_id,base,dwelling.floor_area [ft^2]"]
    lines += [f"home-{number},sites/{names[number % len(names)]}.toml,{1000 + 10 * number}" for number in range(count)]
    file = folder / "portfolio.csv"
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return file
