"""The life of a portfolio: `python -m tests.thousand [--homes N] [--rendered] [--keep DIR]`.

A generated town runs, is interrupted, goes on, is run again with nothing to do, is run under the next edition and compared. After each
step every study must be accounted for, and what the summary and the changes count must be what the rows of both runs say.
"""

from __future__ import annotations

import argparse
import json
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path

from tests import town
from tests.soak import environment, half_results

NEXT = "2026"
NO_VERDICT = ("machinery fault", "calculation fault", "input fault", "not run")


def command(*given: str) -> list[str]:
    """A command of the project."""
    return [sys.executable, "-m", "workbook_lib", *given]


def finished(*given: str) -> tuple[int, str, float]:
    """Exit status of a command, what it said, and how long it took [s]."""
    begun = time.perf_counter()
    done = subprocess.run(command(*given), env=environment(), capture_output=True, text=True)
    assert "Traceback" not in done.stderr, done.stderr
    return done.returncode, done.stdout, time.perf_counter() - begun


def portfolio(out: Path) -> Mapping[str, object]:
    """portfolio.json, its rows accounted for."""
    held = json.loads((out / "portfolio.json").read_bytes())
    states = Counter(row["state"] for row in held["studies"])
    summary = held["workbooks"]["portfolio_summary"]
    results = {key: result["value"] for key, result in summary["results"].items()}
    assert dict(states) == held["counts"]
    assert {
        key.partition(":")[2]: value for key, value in results.items() if key.startswith("homes_count:") and key[12:] in states
    } == states
    assert results["homes_count"] == len(held["studies"])
    assert results["exceptions_count"] == sum(states[name] for name in NO_VERDICT)
    checks = {check["key"]: check["verdict"] for check in summary["checks"]}
    assert checks["every-home-accounted"] == "pass"
    assert checks["no-exceptions"] == ("fail" if results["exceptions_count"] else "pass")
    return held


def life(folder: Path, homes: int, *, rendered: bool = False) -> list[str]:
    """Everything once. Returns: what was seen, a line a step. Errors: AssertionError with what is wrong."""
    file, out, other = town.build(folder / "town", homes, 1), folder / "as-filed", folder / "next"
    pages = () if rendered else ("--results-only",)
    told = []
    begun = time.perf_counter()
    first = command("batch", str(file), "--out", str(out), *pages)
    process = subprocess.Popen(first, env=environment(), stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    while process.poll() is None and len(list(out.glob("[0-9a-z]*/base"))) < homes // 3:
        time.sleep(0.05)
    process.send_signal(signal.SIGINT)
    said, _ = process.communicate(timeout=120)
    taken = time.perf_counter() - begun
    assert process.returncode == 3, said
    seen, wrong = half_results(out)
    assert wrong == []
    held = portfolio(out)
    assert held["counts"]["not run"] == homes - seen > 0
    told.append(f"interrupted after {seen} of {homes}, {taken:.1f} s")
    status, said, taken = finished("batch", str(file), "--out", str(out), *pages)
    assert f"{homes - seen} made; " in said
    held = portfolio(out)
    assert "not run" not in held["counts"]
    told.append(f"the rest: {homes - seen}, {taken:.1f} s; {said.splitlines()[0].partition('; ')[2]}")
    again, said, taken = finished("batch", str(file), "--out", str(out), *pages)
    assert again == status
    assert "nothing to do" in said
    told.append(f"again with nothing to do: {taken:.1f} s")
    given = ("batch", str(file), "--out", str(other), *pages, "--edition", NEXT, "--compare", str(out))
    status, said, taken = finished(*given)
    told.append(f"under {NEXT}: {taken:.1f} s; {said.splitlines()[0].partition('; ')[2]}")
    told.append(_compared(held, portfolio(other), json.loads((other / "changes.json").read_bytes())))
    return told


def _compared(before: Mapping[str, object], now: Mapping[str, object], changes: Mapping[str, object]) -> str:
    """The moves as the rows of both runs say, as the summary counts them and as the changes list them: all the same."""
    old = {(row["site_id"], row["case"]): row["state"] for row in before["studies"]}
    moves = Counter((old[row["site_id"], row["case"]], row["state"]) for row in now["studies"])
    results = now["workbooks"]["portfolio_summary"]["results"]
    counted = {tuple(key.split(":")[1:]): result["value"] for key, result in results.items() if key.startswith("changed_count:")}
    assert counted == {pair: count for pair, count in moves.items() if pair[0] != pair[1]}
    listed = {(one["before"], one["now"]): one["studies"] for one in changes["states"]}
    assert listed == moves
    moved = sum(count for pair, count in moves.items() if pair[0] != pair[1])
    return f"{moved} of {len(old)} moved: " + ", ".join(f"{count} {a} -> {b}" for (a, b), count in moves.most_common() if a != b)


def main(arguments: Sequence[str] | None = None) -> int:
    """The command."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--homes", type=int, default=1000)
    parser.add_argument("--rendered", action="store_true")
    parser.add_argument("--keep", type=Path, help="a new folder for what is made (default: nothing is kept)")
    given = parser.parse_args(arguments)
    if given.keep:
        given.keep.mkdir(parents=True)
        print(*life(given.keep, given.homes, rendered=given.rendered), sep="\n")
        return 0
    with tempfile.TemporaryDirectory() as name:
        print(*life(Path(name), given.homes, rendered=given.rendered), sep="\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
