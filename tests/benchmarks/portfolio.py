"""What a portfolio costs: `python -m tests.benchmarks.portfolio [--short]`.

Whole commands on a generated town, beside a plain loop of `papermill` and `jupyter nbconvert` commands over some of the same homes; then
results alone, growth with the number of homes in time and memory, one Dask worker and two, a run with nothing to do, and the plan. A slow
machine prints its figures; it does not fail.
"""

from __future__ import annotations

import argparse
import contextlib
import csv
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import psutil

from tests import town
from tests.soak import environment
from tests.test_cluster import Cluster
from workbook_lib.workbooks import REGISTRY

ROOT = Path(__file__).resolve().parent.parent.parent
SAMPLE_S = 0.2


@dataclass
class Ran:
    """A command that ran: how long [s], and the most memory of the command itself and of any process below it [MB]."""

    seconds: float
    parent_mb: float = 0.0
    below_mb: float = 0.0
    kernel_mb: float = field(default=0.0)


def command(*given: str, watch: bool = True) -> Ran:
    """Run a command of the project to its end. Errors: RuntimeError with what it said."""
    begun = time.perf_counter()
    with tempfile.TemporaryFile("w+") as said:
        process = subprocess.Popen([sys.executable, "-m", "workbook_lib", *given], env=environment(), stdout=said, stderr=said, cwd=ROOT)
        ran, parent = Ran(0.0), psutil.Process(process.pid)
        while process.poll() is None:
            if watch:
                _sample(ran, parent)
            time.sleep(SAMPLE_S if watch else 0.02)
        ran.seconds = time.perf_counter() - begun
        if process.returncode not in (0, 1, 2):
            said.seek(0)
            raise RuntimeError(f"{' '.join(given)} ended with {process.returncode}: {said.read()[-2000:]}")
    return ran


def _sample(ran: Ran, parent: psutil.Process) -> None:
    with contextlib.suppress(psutil.Error):
        ran.parent_mb = max(ran.parent_mb, parent.memory_info().rss / 1e6)
        for child in parent.children(recursive=True):
            with contextlib.suppress(psutil.Error):
                held, words = child.memory_info().rss / 1e6, " ".join(child.cmdline())
                if "kernel_main" in words:
                    ran.kernel_mb = max(ran.kernel_mb, held)
                else:
                    ran.below_mb = max(ran.below_mb, held)


def batch(file: Path, out: Path, *more: str) -> Ran:
    """A batch."""
    return command("batch", str(file), "--out", str(out), *more)


def plain_loop(folder: Path, file: Path, homes: int) -> float:
    """The same notebooks of some homes by a loop of two commands each. Returns: a home [s]."""
    with file.open(encoding="utf-8") as text:
        rows = list(csv.DictReader(line for line in text if not line.startswith("#")))
    chosen = rows[:: max(1, len(rows) // homes)][:homes]
    begun = time.perf_counter()
    for row in chosen:
        site = (file.parent / row["base"]).resolve()
        for name in REGISTRY:
            source, made = ROOT / "notebooks" / f"{name}.ipynb", folder / f"{row['site_id']}-{name}.ipynb"
            run = [sys.executable, "-m", "papermill", "--no-progress-bar", "-p", "site_file", str(site), str(source), str(made)]
            for given in (run, [sys.executable, "-m", "nbconvert", "--to", "html", str(made)]):
                subprocess.run(given, env=environment(), check=True, capture_output=True, cwd=folder)
    return (time.perf_counter() - begun) / len(chosen)


def told(what: str, figure: str, aim: str = "") -> None:
    """A line of the report."""
    print(f"{what:<66} {figure:>34}  {aim}", flush=True)


def rendered(folder: Path, homes: int, looped: int) -> None:
    """All workbooks of each home with pages, against the loop."""
    file = town.build(folder / "rendered", homes, 1)
    ours = batch(file, folder / "rendered-out")
    loop = plain_loop(folder, file, looped)
    told(f"{homes} homes with pages, a home", f"{ours.seconds / homes * 1e3:.0f} ms")
    told(
        f"the loop of commands, a home (of {looped})",
        f"{loop * 1e3:.0f} ms",
        f"{loop * homes / ours.seconds:.1f} times ours; aim >= 12, 20 wished",
    )
    told("memory of the batch, a worker, a kernel", f"{ours.parent_mb:.0f}, {ours.below_mb:.0f}, {ours.kernel_mb:.0f} MB", "<= 700 MB each")


def quick(folder: Path, homes: int, simulated: int) -> None:
    """Results alone, of homes without long simulations and of homes that have nothing else."""
    kinds = ((0.0, homes, "rules alone", "<= 60 ms"), (1.0, simulated, "simulations and inverses", "<= 1,500 ms"))
    for share, count, words, aim in kinds:
        taken = []
        for times in (1, 3):  # the start of the command and of its worker is in both
            file = town.build(folder / f"quick-{share}-{times}", count * times, 2, simulations=share)
            taken.append(batch(file, folder / f"quick-{share}-{times}-out", "--results-only", "--workers", "1").seconds)
        told(f"results alone, {words}, one worker, a home more", f"{(taken[1] - taken[0]) / count / 2 * 1e3:.0f} ms", aim)


def growth(folder: Path, *sizes: int) -> None:
    """Time and memory from few homes to many, the same kinds of home in all."""
    taken = []
    for homes in sizes:
        file, out = town.build(folder / f"grow-{homes}", homes, 3, simulations=0.0), folder / f"grow-{homes}-out"
        ran = batch(file, out, "--results-only")
        taken.append(ran.seconds)
        told(f"{homes} homes, results alone", f"{ran.seconds:.1f} s", f"{ran.seconds / homes * 1e3:.1f} ms a home")
        told("  memory of the batch, of a worker", f"{ran.parent_mb:.0f}, {ran.below_mb:.0f} MB", "<= 700 MB each")
        told("  again with nothing to do", f"{batch(file, out, '--results-only').seconds:.2f} s", "<= 3 s for 1,000")
        for words, where in (("new", folder / "none"), ("made", out)):
            planned = command("plan", str(file), "--out", str(where), "--results-only")
            told(f"  plan, everything {words}", f"{planned.seconds:.2f} s", "<= 10 s for 10,000")
        shutil.rmtree(out)
    few, some, many = (taken[place] for place in (0, 1, -1))
    rates = (some - few) / (sizes[1] - sizes[0]), (many - some) / (sizes[-1] - sizes[1])
    told(f"a home more beyond {sizes[1]} beside one below", f"{rates[1] / rates[0]:.3f}", "linear: within 10 % of 1")


def cluster(folder: Path, homes: int, paged: int) -> None:
    """One Dask worker, then two: results alone, and with pages."""
    for count, words, more in ((homes, "results alone", ("--results-only",)), (paged, "with pages", ())):
        _cluster(folder / words.replace(" ", "-"), count, words, more)


def _cluster(folder: Path, homes: int, words: str, more: Sequence[str]) -> None:
    folder.mkdir()
    file = town.build(folder / "cluster", homes, 4)
    taken = []
    for count in (1, 2):
        made = Cluster(folder)
        try:
            for _ in range(count):
                made.add_worker()
            warm = town.build(folder / f"warm-{count}", 8, 5, simulations=0.0)
            batch(warm, folder / f"warm-{count}-out", *more, "--scheduler", made.address)
            taken.append(batch(file, folder / f"cluster-{count}-out", *more, "--scheduler", made.address))
            told(f"{homes} homes {words} over {count} Dask worker{'s' * (count > 1)}", f"{taken[-1].seconds:.1f} s")
        finally:
            made.end()
    told("two workers beside one", f"{taken[0].seconds / taken[1].seconds:.2f} times as fast", ">= 1.5 on two cores")


def main(arguments: Sequence[str] | None = None) -> int:
    """The command."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--short", action="store_true", help="fewer homes")
    parser.add_argument("--part", choices=("rendered", "quick", "growth", "cluster"), help="one part alone")
    given = parser.parse_args(arguments)
    sizes = (
        {"rendered": (4, 1), "quick": (12, 4), "growth": (10, 20, 40)}
        if given.short
        else {
            "rendered": (100, 4),
            "quick": (200, 20),
            "growth": (100, 1_000, 10_000),
            "cluster": (300, 40),
        }
    )
    parts = {"rendered": rendered, "quick": quick, "growth": growth, "cluster": cluster}
    with tempfile.TemporaryDirectory() as name:
        for part, counts in sizes.items():
            if given.part in (None, part):
                parts[part](Path(name), *counts)
    return 0


if __name__ == "__main__":
    sys.exit(main())
