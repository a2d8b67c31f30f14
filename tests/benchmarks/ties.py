"""How fast the backfeed and tap workbook is: `python -m tests.benchmarks.ties [--short]`.

A home of four panels and three sources, chains of panels up to 200, and the workbook rendered warm; each beside a reference
of the same run. A slow machine prints its figures; it does not fail.
"""

from __future__ import annotations

import argparse
import tempfile
import tomllib
from collections.abc import Sequence
from pathlib import Path

from tests.benchmarks.run import ROOT, Row, best
from tests.test_ties import HEAD, device, made_source, panel

SITE = ROOT / "example_inputs" / "sites" / "array-and-storage-200a.toml"
CHAINS = (25, 50, 100, 200)


def chain(count: int, sources: int = 3) -> str:
    """A site file with a chain of panels, each fed by a feeder of its own, sources in the first ones."""
    fault = 'rating = "50 kVA", impedance = "1.5 %", primary_fault = "infinite"'
    wire = 'size = "4", material = "Cu", insulation = "THWN-2", neutral = "4", grounding = "8", length = "30 ft", terminals = "75 degC"'
    drop = 'conductor = { size = "4/0", material = "Al", neutral = "4/0", length = "50 ft" }'
    rows = [panel("main", "service", "200 A", "200 A", device("b-0", 100), bonded="true")]
    runs = ""
    for number in range(1, count):
        breakers = [device(f"b-{number}", 100)] if number < count - 1 else []
        breakers += [device(f"s-{number}", 40)] if number <= sources else []
        rows.append(panel(f"p{number}", f"f{number}", "125 A", "100 A" if number % 2 else "none", ", ".join(breakers)))
        rows.append(f'[[feeder]]\nid = "f{number}"\nconnected_to = "b-{number - 1}"\nconductor = {{ {wire}, raceway = "r{number}" }}\n')
        rows += [made_source(f"source-{number}", f"s-{number}", 8.0)] if number <= sources else []
        runs += f', {{ id = "r{number}", kind = "EMT", ambient = "38 degC", above_roof = "none", other_current_carrying = 0 }}'
    text = HEAD.replace("other_current_carrying = 0 }]", f"other_current_carrying = 0 }}{runs}]")
    return text.replace("[service]\n", f"[service]\ntransformer = {{ {fault}, {drop} }}\n") + "".join(rows)


def rows(times: int) -> list[Row]:
    """Every figure [s]."""
    from workbook_lib import editions, home, notebook
    from workbook_lib.workbooks import backfeed_and_tap

    found: list[Row] = []
    edition = editions.load("2023")
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "home.toml"
        known = {}
        for count in (4, *CHAINS):
            path.write_text(chain(count), encoding="utf-8")
            known[count] = home.read_home(path)
        text = chain(4)
        parsing = best(lambda: tomllib.loads(text), times)
        four = best(lambda: backfeed_and_tap.study(known[4], edition), times)
        found.append(Row("all tests, four panels and three sources", four, "parsing its TOML", parsing, "<= 5 ms"))
        spans = {count: best(lambda count=count: backfeed_and_tap.study(known[count], edition), times) for count in CHAINS}
        first = CHAINS[0]
        for count in CHAINS[1:]:
            what, aim = f"a chain of {count} panels, for each {first}", "1.00 x"
            found.append(Row(what, spans[count] * first / count, f"a chain of {first}", spans[first], aim))

    def shown() -> None:
        study = notebook.open(str(SITE), workbook="backfeed_and_tap")
        parts = (study.title_block, study.verdict, study.inputs, study.assumptions, study.steps, study.checks, study.other_editions)
        for part in (*parts, study.cautions, study.open_items, study.not_checked, study.results):
            part()._repr_mimebundle_()

    shown()
    one = home.read_home(SITE)
    plain = best(lambda: backfeed_and_tap.study(one, edition), times)
    found.append(
        Row("the workbook rendered warm, four editions compared", best(shown, max(2, times // 3)), "its study alone", plain, "<= 600 ms")
    )
    return found


def main(arguments: Sequence[str] | None = None) -> None:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--short", action="store_true", help="fewer repetitions")
    given = parser.parse_args(arguments)
    for row in rows(3 if given.short else 12):
        print(row)


if __name__ == "__main__":
    main()
