"""How fast the sweep of outages is: `python -m tests.benchmarks.outages [--short]`.

35,040 starts of up to seven days at 15 minutes with three tiers and sun, beside the same written as a plain loop, which runs on a
part of the starts and is scaled up; then the workbook of an example home, the storage it needs, and a first study with nothing
compiled before beside one that finds it compiled. A slow machine prints its figures; it does not fail.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from tests.plain_outage import outage
from workbook_lib.simulate.outage import Store, sweep

COUNT, STEP_H, STEPS = 35_040, 0.25, 672


def year() -> tuple[np.ndarray, np.ndarray]:
    """Loads of three tiers and sun [kW] of a made-up year."""
    rng = np.random.default_rng(1)
    hour = np.arange(COUNT) * STEP_H
    loads = np.stack([0.6 + 0.3 * np.sin(2 * np.pi * (hour - 18) / 24), 0.4 * rng.random(COUNT), 0.8 * rng.random(COUNT)], axis=1)
    return loads, np.clip(6 * np.sin(2 * np.pi * (hour - 6) / 24), 0, None) * (0.3 + 0.7 * rng.random(COUNT))


def main(words: Sequence[str] | None = None) -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--short", action="store_true", help="fewer repeats, fewer starts of the plain loop")
    short = parser.parse_args(words).short
    loads, sun = year()
    store = Store(13.5, 0.94, 0.94, 5.0, 5.76, 0.025, 0.0, 0.0, 0.1)
    shed, restore, charge = np.array([0, 0.5, 0.3]), np.array([0, 0.6, 0.5]), np.full(COUNT, 10.0)
    times = []
    for whole in (True, False):
        sweep(charge, loads, sun, STEP_H, store, shed, restore, whole=whole)
        taken = []
        for _ in range(2 if short else 5):
            begun = time.perf_counter()
            found = sweep(charge, loads, sun, STEP_H, store, shed, restore, whole=whole)
            taken.append(time.perf_counter() - begun)
        times.append(min(taken))
    starts = range(0, COUNT, COUNT // (20 if short else 100))
    rows, light = loads.tolist(), sun.tolist()
    begun = time.perf_counter()
    plain = [outage(start, 10.0, rows, light, STEP_H, store, shed, restore, STEPS)[0] for start in starts]
    slow = (time.perf_counter() - begun) / len(starts) * COUNT
    apart = float(np.abs(found.duration_h[list(starts)] - np.array(plain)).max())
    print(f"every start of a year, seven days each, three tiers   {1000 * times[0]:8.1f} ms (aim 200 on one core, 50 on two)")
    print(f"durations alone                                       {1000 * times[1]:8.1f} ms")
    print(f"the plain loop, scaled from {len(starts)} starts              {slow:8.1f} s, {slow / times[0]:,.0f} x (aim 100)")
    print(f"largest difference of a duration                      {apart:.1e} h (aim 1e-9)")
    _workbook()
    _cold()
    most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"highest memory of this process                        {most:8.0f} MB (aim 300)")


SITE = Path(__file__).resolve().parents[2] / "example_inputs" / "sites" / "backup-panel-200a.toml"
STUDY = "import sys, time; begun = time.perf_counter(); from pathlib import Path; from workbook_lib import editions; "
STUDY += "from workbook_lib.home import read_home; from workbook_lib.workbooks import backup_duration; one = read_home(Path(sys.argv[1])); "
STUDY += "backup_duration.study(one, editions.load(one.edition_year)); print(time.perf_counter() - begun)"


def _workbook() -> None:
    """A study of an example home with 35,040 starts: whole, for its verdict, and the storage it needs."""
    from workbook_lib import editions
    from workbook_lib.home import read_home
    from workbook_lib.workbooks import backup_answers, backup_duration, backup_profile, backup_store, backup_sun
    from workbook_lib.workbooks.backup_work import Work, find_scope

    one = read_home(SITE)
    edition = editions.load(one.edition_year)
    backup_duration.study(one, edition)
    for name, study in (("a whole study, weather and production remembered", "study"), ("the same for its verdict alone", "verdict_study")):
        backup_answers.forget()
        begun = time.perf_counter()
        getattr(backup_duration, study)(one, edition)
        print(f"{name:<53} {1000 * (time.perf_counter() - begun):8.1f} ms")
    work = Work(one, edition)
    find_scope(work)
    chain, profile = backup_store.chain(work), backup_profile.profile(work)
    setting = backup_answers.setting(work, profile, backup_sun.sun(work, profile.steps), chain)
    begun = time.perf_counter()
    size, _ = backup_answers.storage_needed(setting, 72.0, 0.9)
    print(f"storage needed for 72 h, to 0.1 kWh ({size:g} kWh)          {1000 * (time.perf_counter() - begun):8.1f} ms (aim 1000)")


def _cold() -> None:
    """A first study in a new process: with an empty store of compiled code, and with a filled one."""
    with tempfile.TemporaryDirectory() as folder:
        own = {**os.environ, "NUMBA_CACHE_DIR": folder, "PYTHONPATH": str(SITE.parents[2])}
        taken = [
            float(subprocess.run([sys.executable, "-c", STUDY, str(SITE)], env=own, capture_output=True, text=True, check=True).stdout)
            for _ in range(2)
        ]
    print(
        f"a first study of a process, nothing compiled before   {taken[0]:8.1f} s, {taken[0] - taken[1]:.1f} s more than compiled (aim 3)"
    )


if __name__ == "__main__":
    main()
