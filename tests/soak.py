"""A batch killed again and again: `python -m tests.soak [--kills N] [--homes N] [--rendered] [--seed S]`.

Each round starts the batch as its own command and kills it, one of its workers or a kernel (signal 9) at a random moment. After each
kill every study that can be seen must be whole and be what its record says; at the end the batch runs through, and all that it leaves
must be what a batch leaves that nobody killed.
"""

from __future__ import annotations

import argparse
import contextlib
import csv
import hashlib
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import psutil

ROOT = Path(__file__).resolve().parent.parent
KEPT_FILES = ("results.json", ".ipynb", ".html", "screening.csv")
"""What must be the same bytes whether or not a run was killed; records and portfolio.json also tell the reasons and attempts."""


@dataclass
class Told:
    """What a soak saw: kills by what was killed, studies looked at after them, runs."""

    kills: dict[str, int]
    looked_at: int = 0
    runs: int = 0


def command(portfolio: Path, out: Path, rendered: bool) -> list[str]:
    """The batch as a command."""
    given = [sys.executable, "-m", "workbook_lib", "batch", str(portfolio), "--out", str(out), "--workers", "2"]
    return given if rendered else [*given, "--results-only"]


def environment() -> dict[str, str]:
    """Environment in which the project is found."""
    return {**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, [str(ROOT), os.environ.get("PYTHONPATH", "")]))}


def half_results(out: Path) -> tuple[int, list[str]]:
    """Studies that can be seen, and what is wrong with any of them."""
    seen, wrong = 0, []
    for study in sorted(out.glob("[a-z0-9]*/[a-z0-9]*")):
        if not study.is_dir():
            continue
        seen += 1
        try:
            record = json.loads((study / "record.json").read_bytes())
            there = {path.relative_to(study).as_posix() for path in study.rglob("*") if path.is_file()} - {"record.json"}
            if there != set(record["outputs"]):
                wrong.append(f"{study.name}: files {sorted(there ^ set(record['outputs']))}")
            for name, (digest, _) in record["outputs"].items():
                if hashlib.sha256((study / name).read_bytes()).hexdigest() != digest:
                    wrong.append(f"{study}: {name} is not what the record says")
            if json.loads((study / "results.json").read_bytes()).get("site_id", record["site_id"]) != record["site_id"]:
                wrong.append(f"{study}: another home's results")
        except (OSError, ValueError, KeyError) as error:
            wrong.append(f"{study}: {error!r}")
    for name in ("portfolio.json", "homes.columns.json"):
        if (out / name).exists():
            json.loads((out / name).read_bytes())
    return seen, wrong


def made(out: Path) -> list[Path]:
    """Folders of the studies that can be seen."""
    return sorted(out.glob("[a-z0-9]*/base"))


def kept(out: Path) -> dict[str, str]:
    """Hash of each file that must not depend on kills."""
    files = (path for path in sorted(out.rglob("*")) if path.is_file() and ".batch" not in path.parts and path.name.endswith(KEPT_FILES))
    found = {
        path.relative_to(out).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest() for path in files if "portfolio_" not in path.name
    }
    with (out / "homes.csv").open(encoding="utf-8", newline="") as table:
        rows = [{name: text for name, text in row.items() if name != "before"} for row in csv.DictReader(table)]
    return found | {"homes.csv": hashlib.sha256(json.dumps(rows).encode()).hexdigest()}


def victim(parent: psutil.Process, chance: random.Random) -> tuple[str, psutil.Process]:
    """The batch itself in half of the cases, else one of its workers or their kernels."""
    children = [one for one in parent.children(recursive=True) if "resource_tracker" not in " ".join(one.cmdline())]
    if not children or chance.random() < 0.5:
        return "batch", parent
    chosen = chance.choice(children)
    return ("kernel" if "kernel_main" in " ".join(chosen.cmdline()) else "worker"), chosen


def soak(portfolio: Path, folder: Path, kills: int, *, rendered: bool, seed: int) -> Told:
    """Kill a batch so many times, then let it end. Errors: AssertionError with what is wrong."""
    chance = random.Random(seed)
    reference, out = folder / "reference", folder / "out"
    begun = time.monotonic()
    subprocess.run(command(portfolio, reference, rendered), env=environment(), capture_output=True, check=False)
    whole_s, homes = time.monotonic() - begun, len(made(reference))
    told = Told({})
    while sum(told.kills.values()) < kills:
        process = subprocess.Popen(
            command(portfolio, out, rendered), env=environment(), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        told.runs += 1
        parent = psutil.Process(process.pid)
        wanted = len(made(out)) + chance.randint(0, homes // 2)  # so that kills meet each stage of a run, however quick the machine is
        for number in range(3):
            name = ""
            while number == 0 and len(made(out)) < wanted and process.poll() is None:
                time.sleep(0.02)
            time.sleep(chance.uniform(0.0, 0.2) * whole_s)
            if process.poll() is not None:
                break
            with contextlib.suppress(psutil.Error):
                name, chosen = victim(parent, chance)
                chosen.send_signal(signal.SIGKILL)
                told.kills[name] = told.kills.get(name, 0) + 1
            seen, wrong = half_results(out)
            told.looked_at += seen
            assert not wrong, wrong
            if name == "batch":
                break
        if process.poll() is None:
            process.kill()
        process.wait()
        seen, wrong = half_results(out)
        assert not wrong, wrong
        there = made(out)
        if len(there) > homes // 3:  # so that there is always something left to make
            for study in chance.sample(there, len(there) - homes // 3):
                shutil.rmtree(study)
    done = subprocess.run(command(portfolio, out, rendered), env=environment(), capture_output=True, text=True, check=False)
    assert done.returncode in (0, 1, 2), done.stderr
    assert half_results(out)[1] == []
    assert not list(out.rglob("*.part*")), "something half is left"
    ours, theirs = kept(out), kept(reference)
    assert ours == theirs, f"not the same as without kills: {[name for name in {**ours, **theirs} if ours.get(name) != theirs.get(name)]}"
    return told


def main(arguments: Sequence[str] | None = None) -> int:
    """The command."""
    from tests import batch_tools

    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--kills", type=int, default=50)
    parser.add_argument("--homes", type=int, default=12)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--rendered", action="store_true")
    given = parser.parse_args(arguments)
    with tempfile.TemporaryDirectory() as name:
        file = batch_tools.copies(Path(name), given.homes)
        told = soak(file, Path(name), given.kills, rendered=given.rendered, seed=given.seed)
    print(f"{told.kills} in {told.runs} runs; {told.looked_at} studies looked at; the same bytes at the end")
    return 0


if __name__ == "__main__":
    sys.exit(main())
