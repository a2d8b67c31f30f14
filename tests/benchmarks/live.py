"""How soon an answer stands after a change, in the browser: `python -m tests.benchmarks.live [--short]`.

A real JupyterLab with a real kernel, driven by Chromium. The page itself takes the time from the input event of a field until its board
shows the verdict of that entry: by rules, and with a simulation. Then how long a home takes from `Run All Cells` in a fresh kernel to a
form that can be typed into, and to all of it with the first verdict, and what kernel and processes hold after few and after many changes,
each time once some changes were answered to the end: while changes come fast the process of the rest is ended and begun anew.
Seconds are printed beside what is aimed at and depend on the machine; only what one run compares with itself makes it fail.
"""

from __future__ import annotations

import argparse
import json
import statistics
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import psutil

from tests.browser.chrome import Chrome
from tests.browser.lab import Hands, Lab, open_beside, opened, parameters, running, set_parameters
from workbook_lib.render.pdf import find_browser

RULES_MS, SIMULATED_MS, OPEN_S = 150.0, 400.0, 3.0
MOST_GROWN, MOST_WORST, MOST_SIMULATED = 1.1, 25.0, 20.0
"""Memory after many changes by that after few; the worst change by the median; a simulation by the rules."""
SETTLED = 6
"""Changes whose whole answer is waited for before memory is measured: then every process has done all kinds of its work."""


@dataclass(frozen=True)
class Case:
    """A home in a notebook, the field that is changed, and the values that it gets in turn; each gives another verdict."""

    notebook: str
    site: str
    label: str
    values: tuple[str, ...]
    aim_ms: float


CASES = (
    Case("service_load", "bungalow-100a", "Charger evse-1: charger rating", ("32 A", "40 A", "48 A"), RULES_MS),
    Case("ev_load_management", "bungalow-control-100a", "Limit 1: control setting", ("78 A", "76 A", "80 A"), SIMULATED_MS),
    Case("backup_duration", "backup-panel-200a", "Load well: nameplate current", ("9 A", "8 A", "10 A"), SIMULATED_MS),
)

MEASURE = """(async (label, values, count) => {
  const seen = one => one.checkVisibility()
  const board = [...document.querySelectorAll('.wb-board')].find(seen)
  const named = [...document.querySelectorAll('.wb-live label')].find(one => seen(one) && one.textContent === label)
  const field = document.getElementById(named.htmlFor)
  const set = Object.getOwnPropertyDescriptor(HTMLInputElement.prototype, 'value').set
  const verdict = () => board.querySelector('.wb-verdict')?.textContent ?? ''
  const current = () => board.querySelector('.wb-status').textContent.includes('The verdict is of what is entered')
    && !board.querySelector('.wb-older')
  const taken = []
  for (let number = 0; number < count; number++) {
    const before = verdict()
    taken.push(await new Promise((done, failed) => {
      const give_up = () => failed(new Error(`no verdict after ${values[number % values.length]}: ${board.innerText.slice(0, 200)}`))
      const late = setTimeout(give_up, 50000)
      const watch = new MutationObserver(() => {
        if (verdict() === before || !current()) return
        watch.disconnect()
        clearTimeout(late)
        done(performance.now() - begun)
      })
      watch.observe(board, {childList: true, subtree: true, characterData: true})
      const begun = performance.now()
      field.focus()
      set.call(field, values[number % values.length])
      field.dispatchEvent(new Event('input', {bubbles: true}))
    }))
  }
  return taken
})"""
"""Milliseconds of each change, from its input event to the verdict of it in the page."""

USABLE = """new Promise(done => { const begun = performance.now()
  const seen = which => [...document.querySelectorAll('.wb-live ' + which)].some(one => one.checkVisibility() && !one.disabled)
  let typed = 0
  const look = () => {
    const now = (performance.now() - begun) / 1000
    if (!typed && seen('.wb-row input[type=text]')) typed = now
    if (typed && seen('.wb-form button.wb-fold')) done([typed, now])
    else requestAnimationFrame(look) }
  void window.jupyterapp.commands.execute('notebook:run-all-cells')
  look() })"""
"""Seconds from the command until a field can be typed into, and until the whole home is there with the first verdict."""


def begun(hands: Hands, lab: Lab, case: Case) -> tuple[float, float]:
    """Run a notebook on its home in a fresh kernel. Returns: seconds to a form that can be typed into, and to all of it."""
    site = lab.home(case.site, f"timed-{case.notebook.replace('_', '-')}")
    set_parameters(hands.chrome, parameters(site.name, interactive=True))
    seconds = hands.chrome.ask(USABLE)
    hands.until_form(site)
    hands.until(lambda: hands.has(case.label), f"the field {case.label}")
    return tuple(seconds)


def changed(hands: Hands, case: Case, count: int) -> list[float]:
    """Change the field of a case many times. Returns: milliseconds of each."""
    found: list[float] = []
    while len(found) < count:
        more = min(30, count - len(found))
        turned = (*case.values[len(found) % 3 :], *case.values[: len(found) % 3])
        found += hands.chrome.ask(f"{MEASURE}({json.dumps(case.label)}, {json.dumps(turned)}, {more})")
    return found


def settled_mib(hands: Hands, case: Case, top: Path, turn: int) -> float:
    """What kernel and processes hold [MiB] once some more changes are answered. Parameters: page, case, folder, changes so far."""
    for number in range(turn, turn + SETTLED):
        hands.enter(case.label, case.values[number % len(case.values)])
        hands.until_current()
    return held_mib(top)


def held_mib(top: Path) -> float:
    """Memory of the kernels of a lab and of all their processes [MiB]; what they share counts once."""
    runtime = str(top / "runtime")
    kernels = [
        one for one in psutil.process_iter(["cmdline"]) if any(runtime in word and "kernel-" in word for word in one.info["cmdline"] or ())
    ]
    every = {one.pid: one for kernel in kernels for one in (kernel, *kernel.children(recursive=True))}
    return sum(one.memory_full_info().pss for one in every.values()) / 2**20


def measured(*, short: bool) -> list[str]:
    """Measure and print. Returns: what of one run broke against itself, in words."""
    broken, medians = [], []
    steps = (24, 75) if short else (99, 201, 300, 399, 501)  # so that each run of values begins with another than the last
    held: list[float] = []
    with tempfile.TemporaryDirectory(prefix="workbook-live-", ignore_cleanup_errors=True) as folder:
        top = Path(folder)
        with running(top) as lab, Chrome(find_browser()) as chrome:
            hands = Hands(chrome)
            print(f"{'':34}{'median':>10}{'worst':>10}{'aim':>10}")
            for place, case in enumerate(CASES):
                if place:
                    open_beside(chrome, case.notebook)
                else:
                    opened(lab.notebook(case.notebook, "timed"), chrome)
                opening, whole = begun(hands, lab, case)
                print(f"{case.notebook + ': typed into':34}{opening:>8.2f} s{'':>10}{OPEN_S:>8.2f} s")
                print(f"{case.notebook + ': whole, first verdict':34}{whole:>8.2f} s")
                taken: list[float] = []
                for step in steps if not place else (9 if short else 45,):
                    taken += changed(hands, case, step - len(taken))
                    if not place:
                        held.append(settled_mib(hands, case, top, step))
                middle, worst = statistics.median(taken), max(taken)
                medians.append(middle)
                print(f"{f'{case.notebook}: {len(taken)} changes':34}{middle:>7.0f} ms{worst:>7.0f} ms{case.aim_ms:>7.0f} ms")
                if worst > MOST_WORST * middle:
                    broken.append(f"{case.notebook}: the worst change takes {worst / middle:.1f} times the median, aim {MOST_WORST:g}")
    grown = max(held[1:]) / held[0]
    told = ", ".join(f"{mib:.0f} MiB after {count}" for count, mib in zip(steps, held, strict=True))
    print(f"memory of kernel and processes, changes answered to the end: {told}; the most by the first: {grown:.3f}")
    if grown > MOST_GROWN:
        broken.append(f"memory grows to {grown:.3f} times, aim {MOST_GROWN:g}")
    if max(medians[1:]) > MOST_SIMULATED * medians[0]:
        broken.append(f"a simulation takes {max(medians[1:]) / medians[0]:.1f} times the rules, aim {MOST_SIMULATED:g}")
    return broken


def main(given: Sequence[str] | None = None) -> int:
    """Run the benchmark. Parameters: arguments of the command line. Returns: 1 where one run breaks against itself, else 0."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--short", action="store_true", help="fewer changes, for a machine that has other things to do")
    broken = measured(short=parser.parse_args(given).short)
    for line in broken:
        print(f"NOT WITHIN: {line}")
    return 1 if broken else 0


if __name__ == "__main__":
    raise SystemExit(main())
