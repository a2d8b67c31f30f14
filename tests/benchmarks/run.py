"""How fast the parts are, as ratios taken in one run: `python -m tests.benchmarks.run [--short] [SITE]`.

Each figure is the best of several, beside a reference measured on the same machine in the same run and
beside the aim where there is one. A slow machine prints its figures; it does not fail.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent.parent
SITE = ROOT / "example_inputs" / "sites" / "all-electric-200a.toml"
WORKBOOK = "service_load"
OWN_CLOCK = """
import sys, time
from workbook_lib import run
import workbook_lib.home.reader, workbook_lib.workbooks.{workbook}
start = time.perf_counter()
run.study(sys.argv[1], out=sys.argv[2], results_only=True)
print(time.perf_counter() - start)
"""
"""A process that times its first study itself, after the modules are loaded."""


@dataclass(frozen=True)
class Row:
    """One figure [s] with its aim [s, None where there is none] and the reference [s] that it is divided by."""

    what: str
    seconds: float
    reference: str
    reference_seconds: float
    aim: str = ""

    def __str__(self) -> str:
        ratio = f"{self.seconds / self.reference_seconds:.2f} x {self.reference}"
        return f"{self.what:<52} {self.seconds * 1e3:>9.2f} ms {self.aim:>9}  {ratio} ({self.reference_seconds * 1e3:.2f} ms)"


def best(act: Callable[[], object], times: int) -> float:
    """Shortest of several runs [s]."""
    spans = []
    for _ in range(times):
        start = time.perf_counter()
        act()
        spans.append(time.perf_counter() - start)
    return min(spans)


def process(arguments: Sequence[str], folder: Path = ROOT, *, statuses: Sequence[int] = (0,)) -> str:
    """Run a command of this interpreter to its end. Returns: its output. Errors: RuntimeError with what it said."""
    paths = os.pathsep.join(filter(None, [str(ROOT), os.environ.get("PYTHONPATH", "")]))
    environment = {**os.environ, "PYTHONPATH": paths}
    done = subprocess.run([sys.executable, *arguments], cwd=folder, env=environment, capture_output=True, text=True)
    if done.returncode not in statuses:
        raise RuntimeError(f"{' '.join(arguments)} ended with {done.returncode}: {done.stderr or done.stdout}")
    return done.stdout


def inside(site: Path, times: int) -> list[Row]:
    """Figures within one process: reading, preparing, all load methods, the whole sheet, a results-only study."""
    from workbook_lib import editions, home, run
    from workbook_lib.workbooks import service_load

    text = site.read_text(encoding="utf-8")
    parsing = best(lambda: tomllib.loads(text), times)
    known = home.read_home(site)
    edition = editions.load(known.edition_year)
    work = service_load.start(known, edition)
    rows = [
        Row("read and validate the site file", best(lambda: home.read_home(site), times), "parsing its TOML", parsing),
        Row(
            "all load methods",
            best(lambda: service_load.method_totals(work, work.scope.items), times),
            "parsing its TOML",
            parsing,
            "<= 2 ms",
        ),
        Row("the whole sheet", best(lambda: service_load.study(known, edition), times), "parsing its TOML", parsing),
    ]
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "study"
        again = best(lambda: run.study(site, out=out, results_only=True), times)
        first = min(float(process(["-c", OWN_CLOCK.format(workbook=WORKBOOK), str(site), f"{folder}/{n}"])) for n in range(3))
    rows.append(Row("results-only study, first after start", first, "parsing its TOML", parsing, "<= 30 ms"))
    rows.append(Row("results-only study, again in one process", again, "parsing its TOML", parsing))
    return rows


def starts(site: Path, times: int) -> list[Row]:
    """Figures of a whole process, beside an interpreter that does nothing."""
    bare = best(lambda: process(["-c", "pass"]), times)
    loaded = best(lambda: process(["-c", "import workbook_lib"]), times)
    helped = best(lambda: process(["-m", "workbook_lib", "--help"]), times)
    with tempfile.TemporaryDirectory() as folder:
        command = ["-m", "workbook_lib", "study", str(site), "--results-only", "--out", f"{folder}/study"]
        studied = best(lambda: process(command, statuses=(0, 1)), times)
    return [
        Row("import workbook_lib, beyond a bare start", max(loaded - bare, 0.0), "python -c pass", bare, "<= 150 ms"),
        Row("python -m workbook_lib --help, whole process", helped, "python -c pass", bare, "<= 300 ms"),
        Row("study --results-only, whole process", studied, "python -c pass", bare),
    ]


def two_commands(site: Path, folder: Path) -> None:
    """The same notebook run by papermill and turned into HTML by nbconvert, each a command of its own."""
    notebook = ROOT / "notebooks" / f"{WORKBOOK}.ipynb"
    executed = folder / f"{WORKBOOK}.ipynb"
    process(["-m", "papermill", "--no-progress-bar", "-p", "site_file", str(site), str(notebook), str(executed)], folder)
    process(["-m", "nbconvert", "--to", "html", str(executed)], folder)


def full(site: Path, times: int) -> list[Row]:
    """A full study from a cold start beside papermill and nbconvert as two commands."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        command = ["-m", "workbook_lib", "study", str(site), "--only", WORKBOOK, "--out", f"{name}/study"]
        ours = best(lambda: process(command, statuses=(0, 1)), times)
        theirs = best(lambda: two_commands(site, folder), times)
    return [Row("full study, cold: notebook, page, index, results", ours, "papermill, then nbconvert", theirs, "<= 1/1.5")]


def main(arguments: Sequence[str] | None = None) -> int:
    """Measure and print. Returns: 0, whatever the figures are."""
    parser = argparse.ArgumentParser(prog="python -m tests.benchmarks.run", description=__doc__.split("\n")[0])
    parser.add_argument("site", nargs="?", type=Path, default=SITE, metavar="SITE", help="site file to measure with")
    parser.add_argument("--short", action="store_true", help="fewer repetitions")
    given = parser.parse_args(arguments)
    site = given.site.resolve()
    print(f"{site.name}: best of several; ratio to a reference of the same run")
    many, some, few = (20, 3, 1) if given.short else (200, 10, 3)
    rows = [*inside(site, many), *starts(site, some), *full(site, few)]
    print(*rows, sep="\n")
    last = rows[-1]
    print(f"papermill and nbconvert take {last.reference_seconds / last.seconds:.2f} times as long as the full study (aim: at least 1.5)")
    return 0


if __name__ == "__main__":
    sys.exit(main())
