"""How fast a Green Button feed is read: `python -m tests.benchmarks.records_espi [--short]`.

A year of quarter hours beside a whole-tree parse of the same bytes in the same run, then ten years; memory above
start in a process of its own.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from tests import espi_feed
from tests.benchmarks.run import Row, best

ROOT = Path(__file__).resolve().parent.parent.parent
YEAR = 35040
AIM_MS, AIM_MB = 250, 100
ARRAYS_BYTES = 8 + 8 + 8 + 2
"""Start, length, amount and quality of one reading in a record [bytes]."""
GROWTH = r"""
import re, sys
from pathlib import Path
from workbook_lib.records.espi import read_espi
from workbook_lib.records.record import Declared
from lxml import etree
def kilobytes(name):
    return int(re.search(name + r":[^0-9]+([0-9]+) kB", Path("/proc/self/status").read_text())[1])
before = kilobytes("VmRSS")
if sys.argv[2] == "tree":
    etree.parse(sys.argv[1])
else:
    read_espi(Path(sys.argv[1]), "feed.xml", Declared(), None)
print((kilobytes("VmHWM") - before) / 1024)
"""


def write(path: Path, years: int, *, quality: int | None = None, blocks: int | None = None) -> None:
    """A feed of so many years of quarter hours, a block a day where nothing else is said; each reading with its quality, or none."""
    rows = [(1_262_304_000 + 900 * place, 100 + place % 997) for place in range(YEAR * years)]
    path.write_bytes(espi_feed.simple(espi_feed.Channel(rows, duration=900, quality=quality, blocks=blocks or 365 * years)))


def growth_mb(path: Path, way: str = "read") -> float:
    """Memory above start [MB] of a process that reads the feed, or parses it as a whole tree."""
    done = subprocess.run([sys.executable, "-c", GROWTH, str(path), way], cwd=ROOT, capture_output=True, text=True, check=True)
    return float(done.stdout)


def main() -> None:
    """Print the figures."""
    whole = argparse.ArgumentParser(description=__doc__)
    whole.add_argument("--short", action="store_true", help="one year and two, fewer repetitions")
    given = whole.parse_args()
    from lxml import etree

    from workbook_lib.records.espi import read_espi
    from workbook_lib.records.record import Declared

    times, many = (2, 2) if given.short else (5, 10)
    with tempfile.TemporaryDirectory() as folder:
        one, more = Path(folder) / "year.xml", Path(folder) / "years.xml"
        write(one, 1)
        write(more, many)
        tree = best(lambda: etree.parse(str(one)), times)
        year = best(lambda: read_espi(one, "feed.xml", Declared(), None), times)
        print(Row("read a year of quarter hours, 35,040 readings", year, "a whole-tree parse", tree, f"{AIM_MS} ms"))
        other = Path(folder) / "other.xml"
        for words, given_so in (("with a quality each", {"quality": 17}), ("in one block", {"blocks": 1})):
            write(other, 1, **given_so)
            reading = best(lambda: read_espi(other, "feed.xml", Declared(), None), times)
            print(Row(f"the same {words}", reading, "the year above", year, f"{AIM_MS} ms"))
        start = time.perf_counter()
        read_espi(more, "feed.xml", Declared(), None)
        print(Row(f"read {many} years", time.perf_counter() - start, f"{many} times one year", many * year))
        if not Path("/proc/self/status").is_file():
            print("memory is measured on Linux only")
            return
        write(other, many, blocks=1)
        print(f"memory above start: {growth_mb(one):.1f} MB for one year (aim {AIM_MB}), {growth_mb(more):.1f} MB for {many},")
        print(f"  {growth_mb(other):.1f} MB for {many} in one block; a whole tree of {many}: {growth_mb(more, 'tree'):.1f} MB")
        print(f"  the readings alone: {ARRAYS_BYTES * YEAR * many / 2**20:.1f} MB for {many} years")


if __name__ == "__main__":
    main()
