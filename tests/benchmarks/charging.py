"""How fast a controlled charger is run: `python -m tests.benchmarks.charging [--short]`.

A year at one minute and a day at one second with every parameter of the control in use, beside the same as a plain loop, which runs
on a part and is scaled up; then ten chargers, and a whole study with nothing remembered, as a multiple of the year. A slow machine
prints its figures; it does not fail.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from tests.plain_charging import charging
from workbook_lib.simulate.charging import Control, Vehicle, charge

SITES = Path(__file__).resolve().parent.parent.parent / "example_inputs" / "sites"
CONTROL = Control("sensing", 100.0, 5.0, 3.0, 1.0, 1.0, 6.0, 1.0, 1.0, 60.0, 60.0, 60.0, 6.0, 30.0, 90.0)
VEHICLE = Vehicle(48.0, 3.0, 5.0, 1.0)


def nights(count: int, step_s: float, chargers: int = 1) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A made-up house [A], a session of each charger from 18 to 7 o'clock, 12 kWh a night."""
    rng = np.random.default_rng(1)
    hours = np.arange(count) * step_s / 3600.0
    night = ((hours + 12) // 24).astype(int)
    session = np.where((hours % 24 >= 18) | (hours % 24 < 7), night, -1)
    return 30 + 60 * rng.random(count), np.tile(session, (chargers, 1)), np.full((chargers, night.max() + 1), 12.0)


def fastest(count: int, step_s: float, repeats: int, chargers: int = 1) -> float:
    """Least time of several runs [s]."""
    house, session, need = nights(count, step_s, chargers)
    given = house, session, need, step_s, 240.0, CONTROL, [VEHICLE] * chargers
    charge(*given)
    taken = []
    for _ in range(repeats):
        begun = time.perf_counter()
        charge(*given)
        taken.append(time.perf_counter() - begun)
    return min(taken)


def studied(site: str, repeats: int, *, whole: bool) -> float:
    """Least time of a study of an example home, runs forgotten before each [s]."""
    from workbook_lib import editions, home
    from workbook_lib.workbooks import charging_runs, ev_load_management

    one = home.read_home(SITES / site)
    edition = editions.load(one.edition_year)
    study = ev_load_management.study if whole else ev_load_management.verdict_study
    taken = []
    for _ in range(repeats + 1):
        charging_runs.forget()
        begun = time.perf_counter()
        study(one, edition)
        taken.append(time.perf_counter() - begun)
    return min(taken[1:])


def main(words: Sequence[str] | None = None) -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--short", action="store_true", help="fewer repeats, a shorter plain loop")
    short = parser.parse_args(words).short
    repeats = 3 if short else 9
    year, day = fastest(525_600, 60.0, repeats), fastest(86_400, 1.0, repeats)
    count = 20_000 if short else 100_000
    house, session, need = nights(count, 60.0)
    lost = [False] * count
    rows = house.tolist(), session.tolist(), need.tolist()
    begun = time.perf_counter()
    car, _, energy = charging(*rows, 60.0, 240.0, CONTROL, [VEHICLE], lost, lost)
    slow = (time.perf_counter() - begun) / count * 525_600
    found = charge(house, session, need, 60.0, 240.0, CONTROL, [VEHICLE])
    apart = max(np.abs(found.vehicle_a - np.array(car)).max(), np.abs(found.energy_kwh - np.array(energy)).max())
    print(f"a year at one minute, one charger         {1000 * year:8.1f} ms (aim 40)")
    print(f"a day at one second                       {1000 * day:8.1f} ms (aim 10)")
    print(f"the plain loop, scaled from {count:7,} steps {slow:8.2f} s, {slow / year:,.0f} x (aim 100)")
    print(f"largest difference                        {apart:8.1e} (aim 1e-9)")
    print(f"ten chargers together                     {fastest(525_600, 60.0, repeats, 10) / year:8.1f} x one (aim 10)")
    for site in ("bungalow-control-100a.toml", "control-limited-100a.toml", "two-chargers-125a.toml"):
        spent, quick = (studied(site, 1 if short else 4, whole=whole) for whole in (True, False))
        print(f"{site:<28} whole {1000 * spent:7.0f} ms (aim 1500), {spent / year:4.0f} x a year; its verdict {1000 * quick:6.0f} ms")


if __name__ == "__main__":
    main()
