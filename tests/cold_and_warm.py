"""Homes by a kernel of their own against homes by a kernel that is kept: `python -m tests.cold_and_warm [--homes N]`.

The example homes, then homes of a generated town.

results.json must be the same bytes, and so must every normalised notebook and every page.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Sequence
from itertools import zip_longest
from pathlib import Path

from tests import town
from tests.batch_tools import EXAMPLES, left
from workbook_lib import notebook, run
from workbook_lib.batch import kernels
from workbook_lib.workbooks import REGISTRY


def compared(folder: Path, chosen: Sequence[tuple[Path, Sequence[str]]]) -> list[str]:
    """Files of some homes (site file, its workbooks) that differ between a cold and a kept kernel."""
    wrong = []
    with kernels.kept_kernel(folder) as kept:
        for number, (site, books) in enumerate(chosen):
            home = notebook.read(site)
            sheets = tuple(notebook.sheet_of(home, book) for book in books)
            given = {"edition": None, "overrides": {}, "interactive": False, "case": "base"}
            found = []
            for how, runner in (("cold", run.run_cold), ("warm", kept.run)):
                made = folder / f"{number}-{how}"
                made.mkdir()
                run.fill(made, made, site, home, sheets, given, notebooks=runner)
                found.append(left(made))
            cold, warm = found
            wrong += [
                f"{site.stem}: {file}: {difference(cold.get(file, b''), warm.get(file, b''))}"
                for file in sorted({*cold, *warm})
                if cold.get(file) != warm.get(file)
            ]
    return wrong


def difference(cold: bytes, warm: bytes) -> str:
    """The first lines that differ, cut to where they do."""
    pairs = zip_longest(*(one.decode("utf-8", "replace").splitlines() for one in (cold, warm)), fillvalue="")
    first, second = next(pair for pair in pairs if pair[0] != pair[1])
    place = next((at for at, (one, other) in enumerate(zip(first, second, strict=False)) if one != other), min(len(first), len(second)))
    return " | ".join(one[max(0, place - 80) : place + 160] for one in (first, second))


def main(arguments: Sequence[str] | None = None) -> int:
    """The command. Returns: 1 where something differs."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--homes", type=int, default=100)
    given = parser.parse_args(arguments)
    begun = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        town.build(Path(folder) / "town", given.homes, 1, form="files")
        sites = [*sorted(EXAMPLES.glob("*.toml")), *sorted((Path(folder) / "town" / "sites").glob("*.toml"))][: given.homes]
        chosen = [(site, tuple(REGISTRY)) for site in sites]
        wrong = compared(Path(folder), chosen)
    print(
        *wrong,
        f"{given.homes} homes, {len(REGISTRY)} workbooks each, {len(wrong)} files differ, {time.monotonic() - begun:.0f} s",
        sep="\n",
    )
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
