"""How fast the sweep of outages is: `python -m tests.benchmarks.outages [--short]`.

35,040 starts of up to seven days at 15 minutes with three tiers and sun, beside the same written as a plain loop, which runs on a
part of the starts and is scaled up. A slow machine prints its figures; it does not fail.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence

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


if __name__ == "__main__":
    main()
