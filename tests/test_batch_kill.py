"""A batch that is killed (signal 9) at random moments: nothing half can be seen, and it ends with the bytes of one that was not.

Five kills here; `python -m tests.soak` makes fifty, with pages as well.
"""

from __future__ import annotations

import os
import signal
import subprocess
import time
from pathlib import Path

import psutil
import pytest

from tests.batch_tools import copies, marks
from tests.soak import command, environment, half_results, soak
from tests.thousand import life


def test_a_batch_that_is_killed_again_and_again_ends_the_same(tmp_path):
    told = soak(copies(tmp_path, 24), tmp_path, 5, rendered=False, seed=8)
    assert sum(told.kills.values()) >= 5
    assert told.looked_at > 0


def interrupted(portfolio: Path, out: Path, times: int) -> tuple[int, str]:
    """A batch as a command, interrupted so often once it has made some studies. Returns: exit status, what it said."""
    process = subprocess.Popen(
        command(portfolio, out, rendered=False), env=environment(), stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    )
    end = time.monotonic() + 60
    while len(list(out.glob("home-*/base"))) < 2 and time.monotonic() < end:
        time.sleep(0.02)
    for _ in range(times):
        process.send_signal(signal.SIGINT)
        time.sleep(0.3)
    said, _ = process.communicate(timeout=60)
    return process.returncode, said


@pytest.mark.parametrize("wait_s", [0.05, 0.2])
def test_two_interrupts_at_the_terminal_while_workers_start_are_told_once_each(tmp_path, wait_s):
    """Ctrl-C goes to every process of the terminal's group, to workers that are still importing too."""
    file, out = copies(tmp_path, 12), tmp_path / "out"
    given = {"env": environment(), "stdout": subprocess.PIPE, "stderr": subprocess.STDOUT, "text": True, "start_new_session": True}
    process = subprocess.Popen(command(file, out, rendered=False), **given)
    end = time.monotonic() + 60
    while not worker_count(process.pid) and time.monotonic() < end:
        time.sleep(0.005)
    time.sleep(wait_s)
    for _ in range(2):
        os.killpg(process.pid, signal.SIGINT)
        time.sleep(0.3)
    said, _ = process.communicate(timeout=60)
    assert process.returncode == 3
    assert "stopping now" in said
    assert "the same command goes on with the rest" in said
    for words in ("Traceback", "KeyboardInterrupt", "tried again", "ended in the middle"):
        assert words not in said, said
    assert half_results(out)[1] == []
    assert not list(out.rglob("*.part*"))


def worker_count(pid: int) -> int:
    """Workers that a batch has started."""
    try:
        children = psutil.Process(pid).children()
        return sum("spawn_main" in " ".join(one.cmdline()) for one in children)
    except psutil.Error:
        return 0


@pytest.mark.parametrize("times, words", [(1, "finishing what runs"), (2, "stopping now")])
def test_interrupted_as_a_command_it_stops_and_goes_on_with_the_rest(tmp_path, times, words):
    file, out = copies(tmp_path, 60), tmp_path / "out"
    status, said = interrupted(file, out, times)
    assert status == 3
    assert words in said
    assert "the same command goes on with the rest" in said
    assert "Traceback" not in said
    seen, wrong = half_results(out)
    assert wrong == []
    assert 2 <= seen < 60
    assert not list(out.rglob("*.part*"))
    done = subprocess.run(command(file, out, rendered=False), env=environment(), capture_output=True, text=True)
    assert f"{60 - seen} made; " in done.stdout
    assert half_results(out) == (60, [])
    assert marks(out) == []


def test_a_town_lives_through_interruption_the_next_edition_and_comparison(tmp_path):
    """Thirty homes of a generated town; `python -m tests.thousand` takes a thousand."""
    told = life(tmp_path, 30)
    assert len(told) == 5
    assert "moved" in told[-1]
