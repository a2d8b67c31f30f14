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
GROWTH = r"""
import re, sys
from pathlib import Path
from workbook_lib.records.espi import read_espi
from workbook_lib.records.record import Declared
from lxml import etree
def kilobytes(name):
    return int(re.search(name + r":[^0-9]+([0-9]+) kB", Path("/proc/self/status").read_text())[1])
before = kilobytes("VmRSS")
read_espi(Path(sys.argv[1]), "feed.xml", Declared(), None)
print((kilobytes("VmHWM") - before) / 1024)
"""


def write(path: Path, years: int) -> None:
    """A feed of so many years of quarter hours, a block a day."""
    rows = [(1_262_304_000 + 900 * place, 100 + place % 997) for place in range(YEAR * years)]
    path.write_bytes(espi_feed.simple(espi_feed.Channel(rows, duration=900, blocks=365 * years)))


def growth_mb(path: Path) -> float:
    """Memory above start [MB] of a process that reads the feed."""
    done = subprocess.run([sys.executable, "-c", GROWTH, str(path)], cwd=ROOT, capture_output=True, text=True, check=True)
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
        start = time.perf_counter()
        read_espi(more, "feed.xml", Declared(), None)
        print(Row(f"read {many} years", time.perf_counter() - start, f"{many} times one year", many * year))
        if not Path("/proc/self/status").is_file():
            print("memory is measured on Linux only")
            return
        print(f"memory above start: {growth_mb(one):.1f} MB for one year (aim {AIM_MB}), {growth_mb(more):.1f} MB for {many}")


if __name__ == "__main__":
    main()
