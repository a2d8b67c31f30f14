"""A batch: every study ends in one state, machinery faults alone are retried, and whatever fails leaves what stood there."""

from __future__ import annotations

import contextlib
import csv
import errno
import functools
import json
import os
import re
import shutil
import subprocess
import sys
import time
from collections import Counter
from dataclasses import replace
from io import StringIO
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.batch_tools import EXAMPLES, QUICK, RENDERED, RESULTS_ONLY, CrewHere, copies, homes, left, marks, run_here
from workbook_lib import notebook, run
from workbook_lib.batch import crew, drive, rollup, rows, work
from workbook_lib.batch import folder as folders
from workbook_lib.batch.folder import FolderFault, Output
from workbook_lib.batch.progress import Progress
from workbook_lib.batch.work import Done
from workbook_lib.errors import InputFault, MachineryFault
from workbook_lib.home.portfolio import read_portfolio
from workbook_lib.workbooks import REGISTRY


def table(folder: Path, lines: list[str]) -> Path:
    """A portfolio of some rows over the quick homes."""
    if not (folder / "sites").is_dir():
        homes(folder, (*QUICK, "bungalow-100a"))
    file = folder / "portfolio.csv"
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return file


def studies(out: Path) -> dict[str, dict[str, object]]:
    """Rows of portfolio.json by site id."""
    return {row["site_id"]: row for row in json.loads((out / "portfolio.json").read_bytes())["studies"]}


def test_the_results_are_those_of_the_study_of_each_home(tmp_path):
    file, out = homes(tmp_path), tmp_path / "out"
    outcome, _ = run_here(file, out)
    for name in QUICK:
        run.study(tmp_path / "sites" / f"{name}.toml", out=tmp_path / name, results_only=True)
        assert (out / name / "base" / "results.json").read_bytes() == (tmp_path / name / "results.json").read_bytes()
    assert outcome.counts == dict(Counter(row["state"] for row in studies(out).values()))
    assert sum(outcome.counts.values()) == len(QUICK)
    assert marks(out) == []


def test_every_row_ends_in_one_state_and_the_sound_ones_run(tmp_path):
    lines = [
        "site_id,base,service.rating [A],load.range.count",
        "sound,sites/bungalow-100a.toml,,",
        "text,sites/bungalow-100a.toml,many,",
        "unknown-base,sites/none.toml,,",
        "not-computed,sites/bungalow-100a.toml,,100",
        "twice,sites/bungalow-100a.toml,,",
        "twice,sites/bungalow-100a.toml,150,",
        ",sites/bungalow-100a.toml,,",
    ]
    file, out = table(tmp_path, lines), tmp_path / "out"
    outcome, made = run_here(file, out)
    assert outcome.counts == {"calculation fault": 1, "input fault": 5, "fail": 1}
    assert outcome.status == 3
    assert sorted(made) == ["not-computed/base", "sound/base", "text/base"]
    held = json.loads((out / "portfolio.json").read_bytes())
    assert [(row["line"], row["state"]) for row in held["studies"]] == [
        (2, "fail"),
        (3, "input fault"),
        (4, "input fault"),
        (5, "calculation fault"),
        (6, "input fault"),
        (7, "input fault"),
        (8, "input fault"),
    ]
    assert "portfolio.csv:3: service.rating" in held["studies"][1]["faults"][0]
    assert "100" in held["studies"][3]["why"]
    assert held["workbooks"]["portfolio_summary"]["results"]["homes_count"]["value"] == 7
    assert held["workbooks"]["portfolio_summary"]["results"]["exceptions_count"]["value"] == 6


def test_one_corrupt_home_changes_nothing_else(tmp_path):
    file, out = copies(tmp_path, 40), tmp_path / "out"
    run_here(file, out)
    sound = left(out)
    rows_of_file = file.read_text(encoding="utf-8").splitlines()
    (tmp_path / "sites" / "broken.toml").write_bytes(b"\xff\x00 [[")
    file.write_text("\n".join([*rows_of_file[:20], "broken,sites/broken.toml,", *rows_of_file[20:]]) + "\n", encoding="utf-8")
    outcome, made = run_here(file, out)
    assert made == ["broken/base"]
    assert outcome.counts["input fault"] == 1
    now = left(out)
    top = {"portfolio.json", "homes.csv", "homes.parquet"}
    assert {name for name in sound if now[name] != sound[name]} <= top
    assert {name for name in now if name not in sound} == {"broken/base/results.json", "broken/base/record.json"}


# machinery


class Failing(CrewHere):
    """A worker whose machinery fails: the first so many attempts of a home."""

    def __init__(self, name: str, times: int, error: BaseException):
        super().__init__()
        self._name, self._times, self._error = name, times, error

    def make(self, task: work.Task) -> Done:
        if task.entry.site_id != self._name or task.attempt > self._times:
            return work.do(task)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(work, "_make", self._fail)
            return work.do(task)

    def _fail(self, task: work.Task) -> str:
        raise self._error


@pytest.fixture(autouse=True)
def no_pause(monkeypatch: pytest.MonkeyPatch) -> None:
    """Retries at once."""
    monkeypatch.setattr(crew.Backlog, "PAUSE_S", 0.001)


def test_machinery_is_tried_again_and_the_study_is_the_same(tmp_path):
    file = homes(tmp_path)
    run_here(file, tmp_path / "smooth")
    worker = Failing(QUICK[0], 2, MachineryFault("the kernel died"))
    outcome, made = run_here(file, tmp_path / "out", crew=worker)
    assert Counter(made)[f"{QUICK[0]}/base"] == 3
    assert "machinery fault" not in outcome.counts
    ours, theirs = ((tmp_path / name / QUICK[0] / "base" / "results.json").read_bytes() for name in ("out", "smooth"))
    assert ours == theirs
    record = json.loads((tmp_path / "out" / QUICK[0] / "base" / "record.json").read_bytes())
    assert record["attempts"] == 3


@pytest.mark.parametrize(
    "error, attempts",
    [
        (MachineryFault("the kernel died"), 3),
        (OSError(errno.EIO, "input/output error"), 3),
        (MemoryError(), 3),
        (ZeroDivisionError("a fault of ours"), 1),
    ],
)
def test_machinery_that_goes_on_failing_is_said_and_costs_one_home(tmp_path, error, attempts):
    file, out = homes(tmp_path), tmp_path / "out"
    outcome, made = run_here(file, out, crew=Failing(QUICK[0], 9, error))
    assert Counter(made)[f"{QUICK[0]}/base"] == attempts
    assert outcome.counts["machinery fault"] == 1
    assert sum(outcome.counts.values()) == len(QUICK)
    assert outcome.status == 3
    assert not (out / QUICK[0] / "base").exists()
    assert f"(attempt {attempts})" in studies(out)[QUICK[0]]["why"]
    _, again = run_here(file, out)
    assert again == [f"{QUICK[0]}/base"]


def test_a_machinery_fault_leaves_the_study_that_stood_there(tmp_path):
    file, out = homes(tmp_path), tmp_path / "out"
    run_here(file, out)
    site = tmp_path / "sites" / f"{QUICK[0]}.toml"
    site.write_text(site.read_text(encoding="utf-8").replace('"1500 ft^2"', '"1400 ft^2"', 1), encoding="utf-8")
    before = (out / QUICK[0] / "base" / "results.json").read_bytes()
    outcome, _ = run_here(file, out, crew=Failing(QUICK[0], 9, MachineryFault("the kernel died")))
    assert outcome.counts["machinery fault"] == 1
    assert (out / QUICK[0] / "base" / "results.json").read_bytes() == before


@pytest.mark.parametrize(
    "number, words", [(errno.ENOSPC, "No space left"), (errno.EROFS, "Read-only"), (errno.EACCES, "Permission denied")]
)
def test_a_folder_that_cannot_be_written_stops_the_batch_and_leaves_what_is_there(tmp_path, monkeypatch, number, words):
    file, out = copies(tmp_path, 8), tmp_path / "out"
    run_here(copies(tmp_path / "first", 3), out)
    before = left(out)
    real = Path.write_bytes
    written = []

    def full(path: Path, content: bytes) -> int:
        if path.name == run.RESULTS:
            written.append(path)
            if len(written) > 2:
                raise OSError(number, os.strerror(number), str(path))
        return real(path, content)

    monkeypatch.setattr(Path, "write_bytes", full)
    with pytest.raises(FolderFault, match=rf"cannot be written: {words}.*earlier results are as they were"):
        run_here(file, out)
    monkeypatch.undo()
    now = left(out)
    assert all(now[name] == before[name] for name in before if name.endswith(("results.json", "record.json")))
    assert not list(out.rglob("*.part*"))
    outcome, _ = run_here(file, out)
    assert sum(outcome.counts.values()) == 8
    assert not outcome.counts.get("not run")


def test_an_output_folder_that_is_full_as_a_command_has_one_clear_line(tmp_path):
    """The kernel's own limit of a file's size: whatever is written beyond it fails, as on a full disk."""
    file = copies(tmp_path, 3)
    code = (
        "import resource, signal, sys; signal.signal(signal.SIGXFSZ, signal.SIG_IGN);"
        "resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000));"
        "from workbook_lib.__main__ import main; sys.exit(main(sys.argv[1:]))"
    )
    given = [sys.executable, "-c", code, "batch", str(file), "--out", str(tmp_path / "out"), "--results-only", "--workers", "1"]
    done = subprocess.run(given, capture_output=True, text=True, cwd=Path(__file__).resolve().parent.parent)
    assert done.returncode == 3
    assert "cannot be written: File too large; earlier results are as they were" in done.stderr
    assert "Traceback" not in done.stderr
    assert not list((tmp_path / "out").rglob("*.part*"))


def test_two_batches_on_one_folder(tmp_path):
    file, out = homes(tmp_path), tmp_path / "out"
    with (
        folders.locked(Output(out)),
        pytest.raises(FolderFault, match=rf"another batch works on .*out: process {os.getpid()} on .* since 20"),
    ):
        run_here(file, out)
    run_here(file, out)


def test_a_folder_of_someone_else_is_not_touched(tmp_path):
    file, out = homes(tmp_path), tmp_path / "out"
    out.mkdir()
    (out / "letter.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(FolderFault, match=r"holds letter\.txt, and no batch wrote it"):
        run_here(file, out)
    assert [path.name for path in out.iterdir()] == ["letter.txt"]


@pytest.mark.parametrize(
    "name", ["..", "../up", "a/b", "a\\b", "/etc", "con", "aux", "a" * 300, "оak-1", "Oak", "a.b", "~", "-a", "a~b", "a\tb"]
)
def test_a_name_never_leaves_the_output_folder(tmp_path, name):
    file = table(tmp_path, ["site_id,base,case", f'"{name}",sites/bungalow-100a.toml,', f'sound,sites/bungalow-100a.toml,"{name}"'])
    before = {path for path in tmp_path.rglob("*") if "out" not in path.parts}
    outcome, made = run_here(file, tmp_path / "out")
    assert made == []
    assert outcome.counts == {"input fault": 2}
    assert {path for path in tmp_path.rglob("*") if "out" not in path.parts} == before
    assert {path.name for path in (tmp_path / "out").iterdir()} == {".batch", "portfolio.json", *rollup.FILES}


# interrupted


def test_interrupted_once_it_finishes_what_runs_and_the_rest_is_made_later(tmp_path):
    file, out = copies(tmp_path, 6), tmp_path / "out"
    run_here(file, tmp_path / "whole")

    class Interrupted(CrewHere):
        def make(self, task: work.Task) -> Done:
            if len(self.given) == 3:
                os.kill(os.getpid(), 2)
            return super().make(task)

    outcome, made = run_here(file, out, crew=Interrupted())
    assert outcome.stopped
    assert len(made) == outcome.made_count == 3
    assert outcome.counts["not run"] == 3
    assert outcome.status == 3
    assert all(row["why"] == "the batch was stopped before it" for row in studies(out).values() if row["state"] == "not run")
    outcome, made = run_here(file, out)
    assert len(made) == 3
    assert not outcome.stopped
    assert {name: one for name, one in left(out).items() if "record" not in name} == {
        name: one for name, one in left(tmp_path / "whole").items() if "record" not in name
    }


def test_nothing_is_said_to_be_tried_again_once_a_stop_was_asked_for(tmp_path):
    file, out = copies(tmp_path, 3), tmp_path / "out"
    told = StringIO()

    class Lost(CrewHere):
        def make(self, task: work.Task) -> Done:
            os.kill(os.getpid(), 2)
            return Done(task, "machinery fault", "the worker ended in the middle (exit -2)", retry=True)

    given = {"crews": lambda count, output: Lost(), "progress": lambda count: Progress(count, told)}
    outcome = drive.batch(read_portfolio(file), out, RESULTS_ONLY, **given)
    assert outcome.counts == {"not run": 3}
    assert outcome.stopped
    assert "tried again" not in told.getvalue()
    assert "ended in the middle" not in told.getvalue()


def test_the_handler_of_interrupts_goes_back(tmp_path):
    import signal

    before = signal.getsignal(signal.SIGINT)
    run_here(homes(tmp_path), tmp_path / "out")
    assert signal.getsignal(signal.SIGINT) is before


def test_workers_are_processes_and_one_that_is_killed_costs_its_study_alone(tmp_path):
    file, out = copies(tmp_path, 8), tmp_path / "out"
    killed = []

    class Killing(crew.LocalCrew):
        def give(self, task: work.Task) -> None:
            super().give(task)
            if not killed and task.entry.site_id == "home-3":
                killed.append(task.entry.name)
                for worker in self._workers:
                    if worker.task is task:
                        worker.process.kill()

    outcome = drive.batch(read_portfolio(file), out, RESULTS_ONLY, crews=lambda count, output: Killing(2, output.top))
    assert killed == ["home-3/base"]
    assert sum(outcome.counts.values()) == 8
    assert "machinery fault" not in outcome.counts
    assert json.loads((out / "home-3" / "base" / "record.json").read_bytes())["attempts"] == 2
    run_here(file, tmp_path / "here")
    ours, theirs = left(out), left(tmp_path / "here")
    assert {name: ours[name] for name in ours if name.endswith("results.json")} == {
        name: theirs[name] for name in theirs if name.endswith("results.json")
    }


def test_workers_are_as_many_as_cores_and_memory_allow():
    cores = len(os.sched_getaffinity(0))
    assert crew.workers_count(1e9) == cores
    assert crew.workers_count(crew.WORKER_MB * 1.5) == 1
    assert crew.workers_count(1.0) == 1


def test_a_worker_that_has_come_to_hold_much_is_replaced(tmp_path, monkeypatch):
    workers = crew.LocalCrew(1, tmp_path)
    folders.Output(tmp_path).own.mkdir()
    first = workers.processes
    try:
        worker = workers._workers[0]
        workers._replace(worker)
        assert workers.processes != first
        assert not worker.process.is_alive()
    finally:
        workers.end(now=True)


# the rendered study, and what a calculation fault leaves


@pytest.fixture(scope="module")
def rendered(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A portfolio with pages: two sound homes and one whose calculation stops."""
    top = tmp_path_factory.mktemp("rendered")
    lines = [
        "site_id,base,load.range.count,case",
        "oak-1,sites/bungalow-100a.toml,,",
        "oak-2,sites/bungalow-100a.toml,100,",
        "oak-3,sites/cascade-200a.toml,,later",
    ]
    drive.batch(read_portfolio(table(top, lines)), top / "out", RENDERED, crews=lambda count, output: CrewHere())
    return top


def test_a_rendered_study_is_that_of_the_study_command(rendered, tmp_path):
    """The folder of a study by `run.study`, with cold kernels, and by the batch, with one that is kept: the same bytes."""
    given = {"site.id": "oak-1"}
    run.study(rendered / "sites" / "bungalow-100a.toml", out=tmp_path / "cold", overrides=given)
    ours = left(rendered / "out" / "oak-1" / "base")
    record = json.loads(ours.pop("record.json"))
    assert ours == left(tmp_path / "cold")
    assert set(record["outputs"]) == set(ours)


def test_a_calculation_fault_keeps_its_notebook(rendered):
    study = rendered / "out" / "oak-2" / "base"
    assert json.loads((study / "results.json").read_bytes())["state"] == "calculation fault"
    kept = json.loads((study / "service_load.failed.ipynb").read_bytes())
    outputs = [output for cell in kept["cells"] for output in cell.get("outputs", []) if output["output_type"] == "error"]
    assert outputs[0]["ename"] == "CalculationFault"
    assert (study / "inputs" / "bungalow-100a.toml").is_file()


def test_the_summary_is_rendered_the_same_way_and_links_to_the_sheets(rendered):
    out = rendered / "out"
    page = (out / "portfolio_summary.html").read_text(encoding="utf-8")
    assert 'href="oak-1/base/index.html"' in page
    assert 'href="oak-3/later/index.html"' in page
    assert "<script" not in page
    assert str(out) not in page
    held = json.loads((out / "portfolio.json").read_bytes())
    for cell in json.loads((out / "portfolio_summary.ipynb").read_bytes())["cells"]:
        for output in cell.get("outputs", []):
            filed = output.get("data", {}).get(notebook.RESULTS_MIME)
            if filed:
                assert filed["workbooks"] == held["workbooks"]


# the roll-up


def test_the_roll_up_says_what_the_results_say(tmp_path):
    """Read back with pandas, and compared with what results.json of each home says."""
    file, out = homes(tmp_path, (*QUICK, "bungalow-100a", "unfinished-survey-200a")), tmp_path / "out"
    run_here(file, out)
    parquet = pd.read_parquet(out / rollup.PARQUET).set_index("site_id")
    read = pd.read_csv(out / rollup.TABLE).set_index("site_id")
    known = json.loads((out / rollup.COLUMNS).read_text(encoding="utf-8"))
    assert known["schema"] == rollup.SCHEMA
    assert [column["name"] for column in known["columns"]] == ["schema", "site_id", *[name for name in parquet.columns if name != "schema"]]
    for name, row in studies(out).items():
        filed = json.loads((out / name / "base" / "results.json").read_bytes())
        assert parquet.loc[name, "state"] == read.loc[name, "state"] == row["state"]
        for workbook in REGISTRY:
            entry = filed["workbooks"][workbook]
            assert parquet.loc[name, f"{workbook}.verdict"] == entry["verdict"]
            for check in entry["checks"]:
                same = [one for one in entry["checks"] if one["counts"] and rows.family(one["key"]) == rows.family(check["key"])]
                if same:
                    worst = min((one["verdict"] for one in same), key=rows.ORDER.index)
                    assert parquet.loc[name, f"{workbook}.{rows.family(check['key'])}"] == worst
            for key in ("service_load_a", "service_margin_a"):
                if key in entry["results"] and f"{workbook}.{key}" in parquet.columns:
                    assert np.isclose(parquet.loc[name, f"{workbook}.{key}"], entry["results"][key]["value"])
                    assert np.isclose(read.loc[name, f"{workbook}.{key}"], entry["results"][key]["value"])
    assert parquet.loc["unfinished-survey-200a", "missing"]


def test_every_check_and_headline_has_its_column():
    names = {column.name for column in rollup.columns()}
    for name in sorted(EXAMPLES.glob("*.toml")):
        home = notebook.read(name)
        for workbook in ("service_load", "backfeed_and_tap"):
            for check in (one for one in notebook.sheet_of(home, workbook).checks if one.counts):
                assert f"{workbook}.{rows.family(check.key)}" in names, check.key


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@a", "\tx", "\rx"])
def test_a_cell_that_begins_like_a_formula_is_a_text(text):
    assert rollup.neutral(text) == "'" + text


def test_numbers_stay_numbers_and_texts_are_neutral_in_the_table(tmp_path):
    lines = ["site_id,base,service.rating [A]", 'oak-1,sites/bungalow-100a.toml,"=HYPERLINK(1)"', "oak-2,sites/bungalow-100a.toml,"]
    out = tmp_path / "out"
    run_here(table(tmp_path, lines), out)
    with (out / rollup.TABLE).open(encoding="utf-8", newline="") as file:
        found = list(csv.DictReader(file))
    for row in found:
        for name, cell in row.items():
            with contextlib.suppress(ValueError):
                float(cell)
                continue
            assert not cell.startswith(("=", "+", "-", "@")), (name, cell)
    margin = found[1]["service_load.controlling_margin"]
    assert float(margin) < 0, "a negative number is a number"


def test_the_screening_sorts_homes_by_connection(tmp_path):
    file, out = homes(tmp_path), tmp_path / "out"
    run_here(file, out)
    with (out / rollup.SCREENING).open(encoding="utf-8", newline="") as table_of:
        found = list(csv.DictReader(table_of))
    by_home = {(row["site_id"], row["connection"]): row for row in found}
    tap = by_home["supply-tap-100a", "supply-side tap"]
    filed = json.loads((out / "supply-tap-100a" / "base" / "results.json").read_bytes())["workbooks"]["backfeed_and_tap"]["checks"]
    own = [check for check in filed if rows.family(check["key"]).startswith(("supply-side", "disconnect-rating")) and check["counts"]]
    assert tap["verdict"] == min((check["verdict"] for check in own), key=rows.ORDER.index)
    (capacity,) = [check for check in own if check["key"] == "supply-side-capacity"]
    assert float(tap["spare_a"]) == pytest.approx(capacity["margin"])
    assert tap["spare_check"] == "supply-side-capacity"
    assert ("supply-tap-100a", "backfed breaker") not in by_home
    assert ("cascade-200a", "backfed breaker") in by_home
    assert ("small-heat-pump-125a", "supply-side tap") not in by_home


def test_a_batch_that_was_killed_is_taken_up(tmp_path):
    """What a kill between the two renames leaves: the study stands aside, nothing in its place."""
    file, out = homes(tmp_path), tmp_path / "out"
    run_here(file, out)
    before = left(out)
    study = out / QUICK[0] / "base"
    study.rename(out / QUICK[0] / ".base-abcdefgh.part.old")
    (out / QUICK[0] / ".base-abcdefgh.part").mkdir()
    (out / QUICK[0] / ".base-abcdefgh.part" / "results.json").write_text("{", encoding="utf-8")
    (out / ".batch" / "running" / f"{QUICK[0]}~base").write_text("run 1\n", encoding="utf-8")
    _, made = run_here(file, out)
    assert made == []
    assert left(out) == before
    assert marks(out) == []


def test_progress_says_rate_time_left_and_counts():
    out = StringIO()
    shown = Progress(10, out)
    for state in ("pass", "pass", "fail"):
        shown.done("oak-1/base", state)
    words = shown.line(6.0)
    assert "3/10" in words
    assert "fail 1, pass 2" in words
    assert "00:14" in words, "seven more at half a home a second"
    shown.done("oak-2/base", "machinery fault", "the kernel died")
    assert "oak-2/base: machinery fault: the kernel died" in out.getvalue()


def test_the_clock_of_the_lock_is_the_only_time_on_file(tmp_path):
    run_here(homes(tmp_path), tmp_path / "out")
    year = time.strftime("%Y-%m-%d")
    assert not [name for name, content in left(tmp_path / "out").items() if year.encode() in content and name.endswith((".json", ".csv"))]


def test_a_text_with_line_ends_stays_one_cell(tmp_path):
    out = tmp_path / "out"
    run_here(table(tmp_path, ["site_id,base,service.rating [A]", 'oak-1,sites/bungalow-100a.toml,"a\rb\nc"']), out)
    read = pd.read_csv(out / rollup.TABLE)
    assert len(read) == 1
    assert read.loc[0, "state"] == "input fault"


def test_the_portfolios_of_the_readme_run(tmp_path):
    """Site file, table and cases as the README prints them."""
    readme = (EXAMPLES.parent.parent / "README.md").read_text(encoding="utf-8")
    for name, file in (("site file", "my-home.toml"), ("portfolio table", "street.csv"), ("portfolio cases", "town.toml")):
        (text,) = re.findall(rf"<!-- {name} -->\n+```\w+\n(.*?)```", readme, re.DOTALL)
        (tmp_path / file).write_text(text, encoding="utf-8")
    outcome, made = run_here(tmp_path / "street.csv", tmp_path / "street")
    assert made == ["elder-1/base", "elder-3/base", "elder-5/base"]
    assert sum(outcome.counts.get(state, 0) for state in rows.VERDICTS) == 3
    _, made = run_here(tmp_path / "town.toml", tmp_path / "town")
    assert made == ["my-home/as-filed", "my-home/smaller-charger"]


# what an adversary found


def test_an_input_that_changes_while_it_is_studied_is_not_filed(tmp_path, monkeypatch):
    file, out = homes(tmp_path, QUICK[:1]), tmp_path / "out"
    site = tmp_path / "sites" / f"{QUICK[0]}.toml"
    real = notebook.document

    def edited(home, sheets):
        site.write_text(site.read_text(encoding="utf-8") + "\n# later\n", encoding="utf-8")
        return real(home, sheets)

    monkeypatch.setattr(notebook, "document", edited)
    outcome, _ = run_here(file, out)
    assert outcome.counts == {"machinery fault": 1}
    assert "changed while it was being studied" in studies(out)[QUICK[0]]["why"]
    assert not (out / QUICK[0] / "base").exists()


def test_a_program_that_changes_while_the_batch_runs_files_nothing(tmp_path, monkeypatch):
    stamps = iter(range(1000))
    monkeypatch.setattr(work.programs, "stamp", lambda: str(next(stamps)))
    monkeypatch.setattr(work, "_bench", functools.cache(work.Bench))
    outcome, made = run_here(homes(tmp_path, QUICK[:1]), tmp_path / "out")
    assert outcome.counts == {"machinery fault": 1}
    assert len(made) == 1, "another attempt would not help"


def test_a_home_at_fault_twice_and_sound_between_keeps_one_previous(tmp_path):
    file, out = homes(tmp_path, QUICK[:1]), tmp_path / "out"
    site = tmp_path / "sites" / f"{QUICK[0]}.toml"
    sound = site.read_text(encoding="utf-8")
    bad = sound.replace('"1500 ft^2"', '"many"', 1)
    for text, state in ((sound, None), (bad, "input fault"), (sound, None), (bad, "input fault")):
        site.write_text(text, encoding="utf-8")
        outcome, _ = run_here(file, out)
        assert (state in outcome.counts) == (state is not None), outcome.counts
        assert "machinery fault" not in outcome.counts
    assert sorted(path.name for path in (out / QUICK[0]).iterdir()) == ["base", "base.previous"]


@pytest.mark.parametrize("kind", ["file", "link", "folder", "stamped"])
def test_what_the_user_put_into_a_study_is_not_replaced(tmp_path, kind):
    file, out = homes(tmp_path, QUICK[:2]), tmp_path / "out"
    study = out / QUICK[0] / "base"
    run_here(file, out)
    if kind == "stamped":
        (study / "stamped-plans.pdf").write_text("mine", encoding="utf-8")
    else:
        shutil.rmtree(study)
        mine = tmp_path / "mine"
        mine.mkdir()
        {"file": lambda: study.write_text("mine"), "link": lambda: study.symlink_to(mine), "folder": study.mkdir}[kind]()
        if kind == "folder":
            (study / "letter.txt").write_text("mine", encoding="utf-8")
    outcome, made = run_here(file, out, replace(RESULTS_ONLY, again=True))
    assert outcome.counts["machinery fault"] == 1
    assert len(made) == 2, "it is not tried again"
    assert "move it away" in studies(out)[QUICK[0]]["why"]
    assert study.is_symlink() == (kind == "link")
    assert study.is_file() == (kind == "file")
    if kind in ("folder", "stamped"):
        assert any(path.read_text(encoding="utf-8") == "mine" for path in study.iterdir() if path.suffix in (".txt", ".pdf"))


def test_a_record_of_another_study_is_not_taken(tmp_path):
    file, out = homes(tmp_path, QUICK[:2]), tmp_path / "out"
    run_here(file, out)
    shutil.rmtree(out / QUICK[0] / "base")
    (out / QUICK[1] / "base").rename(out / QUICK[0] / "base")
    _, made = run_here(file, out)
    assert sorted(made) == sorted(f"{name}/base" for name in QUICK[:2])


def test_what_stands_aside_goes_back_to_its_own_study(tmp_path):
    file, out = homes(tmp_path, QUICK[:1]), tmp_path / "out"
    file.write_text(file.read_text(encoding="utf-8") + '[[case]]\nid = "base"\n[[case]]\nid = "base-2"\n', encoding="utf-8")
    run_here(file, out)
    before = left(out)
    home = out / QUICK[0]
    (home / "base-2").rename(home / ".base-2-abcdefgh.part.old")
    for case in ("base", "base-2"):
        (out / ".batch" / "running" / f"{QUICK[0]}~{case}").write_text("run 1\n", encoding="utf-8")
    (home / "base").rename(home / ".base-abcdefgh.part.old")
    _, made = run_here(file, out)
    assert made == []
    assert left(out) == before


def test_a_run_that_was_stopped_says_not_run_of_what_it_has_yet_to_make(tmp_path):
    file, out = homes(tmp_path, QUICK[:2]), tmp_path / "out"

    class Stopping(CrewHere):
        def make(self, task: work.Task) -> Done:
            os.kill(os.getpid(), 2)
            return super().make(task)

    run_here(file, out, crew=Stopping())
    first = next(name for name, row in studies(out).items() if row["state"] != "not run")
    site = tmp_path / "sites" / f"{first}.toml"
    site.write_text(re.sub(r'floor_area = \{ value = "\d+', 'floor_area = { value = "1111', site.read_text(encoding="utf-8"), count=1))
    other = next(name for name in QUICK[:2] if name != first)

    class StoppingAgain(CrewHere):
        def give(self, task: work.Task) -> None:
            super().give(task)
            os.kill(os.getpid(), 2)

    _, made = run_here(file, out, crew=StoppingAgain())
    assert len(made) == 1
    rest = first if made == [f"{other}/base"] else other
    assert studies(out)[rest]["state"] == "not run"


def test_a_site_id_is_the_first_column_and_nowhere_else(tmp_path):
    file = table(tmp_path, ["site_id,base,site.id", "a,sites/bungalow-100a.toml,zzz"])
    with pytest.raises(InputFault, match=r"site\.id: names the home"):
        read_portfolio(file)
    file = homes(tmp_path / "more")
    file.write_text(file.read_text(encoding="utf-8") + '[[case]]\nid = "x"\nset = { "site.id" = "same" }\n', encoding="utf-8")
    with pytest.raises(InputFault, match="names the home"):
        read_portfolio(file)


def test_a_quoted_cell_that_begins_like_a_remark_is_a_row_and_a_long_name_costs_its_row(tmp_path):
    lines = ["site.address,site_id,base", "#4 Oak Lane,x,y", '"#5 Oak, Lane",h3,sites/bungalow-100a.toml', f"a,h4,{'x' * 300}.toml"]
    found = read_portfolio(table(tmp_path, lines)).entries
    assert [(one.site_id, bool(one.faults)) for one in found] == [("h3", False), ("h4", True)]
