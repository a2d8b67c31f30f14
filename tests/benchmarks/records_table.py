"""How fast a table of readings is read: `python -m tests.benchmarks.records_table [--years N]`.

A year of 15 minutes, written here, in several ways of writing it; beside it the time in which pandas alone
splits the same text into columns, in the same run. The aim is 0.15 s after pandas is loaded.
"""

from __future__ import annotations

import argparse
import datetime
import io
import tempfile
import tracemalloc
from collections.abc import Sequence
from pathlib import Path
from zoneinfo import ZoneInfo

from tests.benchmarks.run import Row, best

AIM = "<= 150 ms"
QUARTERS = 35_040
STEP_S = 900


def year(shape: str, sep: str = ",", decimal: str = ".", years: int = 1) -> str:
    """A table of 15 minutes stamped by the clock on the wall. Parameters: form of the stamps, signs, years."""
    home = ZoneInfo("America/Denver")
    first = int(datetime.datetime(2015, 1, 1, tzinfo=home).timestamp())
    rows = [f"Interval start{sep}Usage (kWh){sep}Read type"]
    for k in range(QUARTERS * years):
        stamp = datetime.datetime.fromtimestamp(first + STEP_S * k, home).strftime(shape)
        rows.append(f"{stamp}{sep}0{decimal}{100 + k * 7919 % 900}{sep}Actual")
    return "\n".join(rows) + "\n"


def rows(folder: Path, times: int, years: int) -> list[Row]:
    """Figures of several ways of writing, and of several years in one file."""
    import pandas

    from workbook_lib.records.clock import zone
    from workbook_lib.records.record import Declared
    from workbook_lib.records.table import read_table

    clock = zone("America/Denver")
    found = []
    kinds = [
        ("month/day/year", "%m/%d/%Y %H:%M", ",", ".", 1),
        ("ISO", "%Y-%m-%dT%H:%M:%S", ",", ".", 1),
        ("12-hour clock", "%m/%d/%Y %I:%M %p", ",", ".", 1),
        ("semicolons, decimal comma", "%d.%m.%Y %H:%M", ";", ",", 1),
        (f"{years} years", "%m/%d/%Y %H:%M", ",", ".", years),
    ]
    for what, shape, sep, decimal, count in kinds:
        text = year(shape, sep, decimal, count)
        path = folder / "record.csv"
        path.write_text(text, encoding="utf-8")
        alone = best(lambda text=text, sep=sep: pandas.read_csv(io.StringIO(text), sep=sep, dtype=str, na_filter=False), times)
        own = best(lambda path=path: read_table(path, "record.csv", Declared(), clock), times)
        found.append(Row(f"read {QUARTERS * count} readings, {what}", own, "pandas.read_csv as text", alone, AIM if count == 1 else ""))
    return found


def memory_mb(folder: Path) -> float:
    """Most memory that one year's table takes above the start [MB]."""
    from workbook_lib.records.clock import zone
    from workbook_lib.records.record import Declared
    from workbook_lib.records.table import read_table

    path = folder / "memory.csv"
    path.write_text(year("%m/%d/%Y %H:%M"), encoding="utf-8")
    clock = zone("America/Denver")
    tracemalloc.start()
    read_table(path, "memory.csv", Declared(), clock)
    most = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    return most / 1e6


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the figures. Returns: exit status."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--years", type=int, default=4, help="years in the long file")
    parser.add_argument("--times", type=int, default=5, help="runs of which the best counts")
    given = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as folder:
        for row in rows(Path(folder), given.times, given.years):
            print(row)
        print(f"{'memory above start for a year':<52} {memory_mb(Path(folder)):>9.1f} MB")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
