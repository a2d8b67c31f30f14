"""A batch over the workers of a real Dask scheduler: the same results, and nothing lost with a worker that is killed in the middle."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from tests.batch_tools import QUICK, RENDERED, RESULTS_ONLY, CrewHere, copies, homes, left, run_here
from workbook_lib.batch import cluster, drive, record
from workbook_lib.batch.folder import Output
from workbook_lib.batch.work import Task
from workbook_lib.errors import MachineryFault
from workbook_lib.home.portfolio import read_portfolio

ROOT = Path(__file__).resolve().parent.parent


def free_port() -> int:
    """A port that nobody listens at."""
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


class Cluster:
    """A scheduler and its workers as commands of their own."""

    def __init__(self, folder: Path):
        self._folder = folder
        self.address = f"tcp://127.0.0.1:{free_port()}"
        self._scheduler = self._start("scheduler", "--port", self.address.rpartition(":")[2])
        self.workers: list[subprocess.Popen] = []

    def _start(self, *given: str) -> subprocess.Popen:
        environment = {**os.environ, "PYTHONPATH": str(ROOT)}
        command = [sys.executable, "-m", "distributed.cli.dask_" + given[0], "--no-dashboard", *given[1:]]
        said = (self._folder / f"{given[0]}-{time.monotonic_ns()}.txt").open("w", encoding="utf-8")
        return subprocess.Popen(command, env=environment, stdout=said, stderr=said, cwd=self._folder, start_new_session=True)

    def add_worker(self) -> subprocess.Popen:
        """One more worker."""
        self.workers.append(self._start("worker", self.address, "--nthreads", "1", "--no-nanny"))
        return self.workers[-1]

    def end(self) -> None:
        """End all."""
        for process in (*self.workers, self._scheduler):
            if process.poll() is None:
                os.killpg(process.pid, signal.SIGKILL)
            process.wait()


@pytest.fixture
def two(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    """A scheduler with two workers, of the test alone."""
    made = Cluster(tmp_path_factory.mktemp("cluster"))
    try:
        made.add_worker()
        made.add_worker()
        yield made
    finally:
        made.end()


def over(made: Cluster, file: Path, out: Path, *, shared: bool = False, asked=RESULTS_ONLY) -> drive.Outcome:
    """A batch over a cluster."""
    crews = lambda count, output: cluster.ClusterCrew(made.address, output, shared=shared)  # noqa: E731
    return drive.batch(read_portfolio(file), out, asked, crews=crews)


def results(out: Path) -> dict[str, bytes]:
    """results.json of each study."""
    return {name: content for name, content in left(out).items() if name.endswith("results.json")}


def test_a_worker_that_is_killed_in_the_middle_loses_nothing(two, tmp_path):
    file = copies(tmp_path, 16)
    killed = []

    class Killing(cluster.ClusterCrew):
        def wait(self, seconds: float):
            done = super().wait(seconds)
            if done and not killed:
                os.kill(two.workers[0].pid, signal.SIGKILL)
                killed.append(two.workers[0].wait())
            return done

    outcome = drive.batch(read_portfolio(file), tmp_path / "out", RESULTS_ONLY, crews=lambda count, output: Killing(two.address, output))
    assert killed == [-signal.SIGKILL]
    assert sum(outcome.counts.values()) == outcome.made_count == 16
    assert "machinery fault" not in outcome.counts
    run_here(file, tmp_path / "here")
    assert results(tmp_path / "out") == results(tmp_path / "here")


def test_pages_come_back_or_are_written_where_all_see_them(two, tmp_path):
    file, asked = homes(tmp_path, QUICK[:1]), replace(RENDERED, workbooks=("backfeed_and_tap",))
    here, sent, seen = (tmp_path / name for name in ("here", "sent", "seen"))
    run_here(file, here, asked)
    over(two, file, sent, asked=asked)
    over(two, file, seen, shared=True, asked=asked)
    assert left(here) == left(sent) == left(seen)


def test_faults_of_files_and_calculations_are_those_of_this_machine(two, tmp_path):
    homes(tmp_path, ("bungalow-100a",))
    file = tmp_path / "portfolio.csv"
    file.write_text(
        "site_id,base,service.rating [A],load.range.count\n"
        "oak-1,sites/bungalow-100a.toml,many,\noak-2,sites/bungalow-100a.toml,,100\noak-3,sites/bungalow-100a.toml,,\n",
        encoding="utf-8",
    )
    outcome = over(two, file, tmp_path / "out")
    assert outcome.counts == {"calculation fault": 1, "input fault": 1, "fail": 1}
    run_here(file, tmp_path / "here")
    assert left(tmp_path / "out") == left(tmp_path / "here")


def test_no_more_tasks_are_out_than_the_workers_take(two, tmp_path):
    file = copies(tmp_path, 20)
    most = []

    class Counting(cluster.ClusterCrew):
        def give(self, task: Task) -> None:
            super().give(task)
            most.append(len(self._out))

    drive.batch(read_portfolio(file), tmp_path / "out", RESULTS_ONLY, crews=lambda count, output: Counting(two.address, output))
    assert len(most) == 20
    assert max(most) <= 2 * (1 + cluster.AHEAD_COUNT)


def test_no_scheduler_and_no_worker_are_said(tmp_path, monkeypatch):
    monkeypatch.setattr(cluster, "CONNECT_S", 1)
    monkeypatch.setattr(cluster, "WORKERS_S", 1)
    file = copies(tmp_path, 1)
    nobody = f"tcp://127.0.0.1:{free_port()}"
    with pytest.raises(MachineryFault, match=rf"no scheduler answers at {nobody}.*dask scheduler"):
        drive.batch(read_portfolio(file), tmp_path / "out", RESULTS_ONLY, crews=lambda count, output: cluster.ClusterCrew(nobody, output))
    monkeypatch.setattr(cluster, "CONNECT_S", 30)
    alone = Cluster(tmp_path)
    try:
        with pytest.raises(MachineryFault, match="has no worker; start some"):
            over(alone, file, tmp_path / "out")
    finally:
        alone.end()


def test_a_worker_of_another_version_is_refused(tmp_path):
    entry = read_portfolio(copies(tmp_path, 1)).entries[0]
    task = Task(entry, tmp_path / "portfolio.csv", tmp_path / "out", RESULTS_ONLY, "another", 1)
    sent = cluster.do_sent(task, {})
    assert (sent.done.state, sent.done.retry) == ("machinery fault", False)
    assert "another version of the program" in sent.done.words


def test_files_that_are_not_those_of_the_task_and_its_record_are_refused(tmp_path):
    out = tmp_path / "out"
    worker = CrewHere()
    run_here(copies(tmp_path, 2), out, crew=worker)
    task, other = worker.given
    study = Output(out).study("home-0", "base")
    files = {path.name: path.read_bytes() for path in study.iterdir()}
    target = tmp_path / "other" / "base"
    cluster._write(task, target, files)
    assert left(target) == left(study)
    for wrong in (other, replace(task, program="another"), replace(task, run=7), replace(task, asked=RENDERED)):
        with pytest.raises(MachineryFault, match="not the one that was asked for"):
            cluster._write(wrong, target, files)
    for name, content in (("results.json", files["results.json"] + b" "), ("more.txt", b"x")):
        with pytest.raises(MachineryFault, match="not those of its record"):
            cluster._write(task, target, files | {name: content})
    with pytest.raises(MachineryFault, match="without a record"):
        cluster._write(task, target, {"results.json": b"{}"})
    assert left(target) == left(study)
    assert record.read(target).site_id == "home-0"


def test_all_workers_lost_and_a_scheduler_lost_are_said_and_the_rest_is_kept(two, tmp_path, monkeypatch):
    monkeypatch.setattr(cluster, "WORKERS_S", 2)
    file = copies(tmp_path, 12)

    class Losing(cluster.ClusterCrew):
        def wait(self, seconds: float):
            done = super().wait(seconds)
            if done:
                for worker in two.workers:
                    if worker.poll() is None:
                        os.kill(worker.pid, signal.SIGKILL)
                        worker.wait()
            return done

    with pytest.raises(MachineryFault, match=r"has had no worker for 2 s; what was made is kept, and the same command goes on"):
        drive.batch(read_portfolio(file), tmp_path / "out", RESULTS_ONLY, crews=lambda count, output: Losing(two.address, output))
    outcome, made = run_here(file, tmp_path / "out")
    assert 0 < len(made) < 12
    assert sum(outcome.counts.values()) == 12
