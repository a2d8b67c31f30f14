"""A kernel that is kept gives what a new one gives: every trace that a notebook can leave is undone, and homes come out the same.

Five homes are compared here; `python -m tests.cold_and_warm` compares a hundred.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.batch_tools import EXAMPLES
from tests.cold_and_warm import compared
from workbook_lib import notebook_tools
from workbook_lib.batch import kernels
from workbook_lib.errors import MachineryFault

LEAVES = """
import decimal, locale, os, random, sys, warnings
import matplotlib, numpy, matplotlib.pyplot
left_behind = 1
os.environ["LEFT"] = "1"
os.environ.pop("HOME", None)
sys.path.insert(0, "/nowhere")
warnings.simplefilter("error")
decimal.getcontext().prec = 3
random.seed(7)
numpy.random.seed(7)
numpy.seterr(all="raise")
numpy.set_printoptions(precision=2)
matplotlib.rcParams["svg.hashsalt"] = "other"
matplotlib.rcParams["font.size"] = 30
matplotlib.pyplot.figure()
os.chdir("/")
get_ipython().user_ns["print"] = None
"""
TELLS = """
import decimal, os, random, sys, warnings
import matplotlib, matplotlib.pyplot, numpy
told = [sorted(name for name in globals() if not name.startswith("_")), sorted(os.environ), sys.path,
        [str(one) for one in warnings.filters],
        decimal.getcontext().prec, random.random(), numpy.random.random(), numpy.geterr(), numpy.get_printoptions()["precision"],
        {name: str(value) for name, value in matplotlib.rcParams.items()}, matplotlib.pyplot.get_fignums(), os.path.basename(os.getcwd()),
        len(In), sorted(Out), "left_behind" in globals(), callable(print)]
import json
json.dumps(told)
"""


def notebook(folder: Path, name: str, code: str) -> Path:
    """A notebook of one cell."""
    notebook_tools.load_nbformat()
    from nbformat import v4, write

    parameters = v4.new_code_cell("given = 0", metadata={"tags": ["parameters"]})
    path = folder / f"{name}.ipynb"
    write(v4.new_notebook(cells=[parameters, v4.new_code_cell(code)], metadata=notebook_tools.METADATA), path)
    return path


def told(executed) -> list[object]:
    """What the last cell told."""
    return json.loads(executed.cells[-1].outputs[-1]["data"]["text/plain"].strip("'").encode().decode("unicode_escape"))


def test_whatever_a_notebook_leaves_behind_is_undone(tmp_path):
    work = tmp_path / "study"
    work.mkdir()
    source, leaving = notebook(tmp_path, "tells", TELLS), notebook(tmp_path, "leaves", LEAVES)
    with kernels.kept_kernel(tmp_path) as kept:
        first = kept.run(source, tmp_path / "first.ipynb", {"given": 1}, work)
        kept.run(leaving, tmp_path / "left.ipynb", {"given": 1}, work)
        after = kept.run(source, tmp_path / "after.ipynb", {"given": 1}, work)
        assert kept.runs_count == 3
    assert told(after) == told(first)
    assert told(first)[11] == "study"
    assert [cell.execution_count for cell in after.cells] == [cell.execution_count for cell in first.cells] == [1, 2, 3]
    assert (tmp_path / "first.ipynb").read_bytes() == (tmp_path / "after.ipynb").read_bytes()


def test_a_notebook_that_fails_leaves_a_kernel_that_goes_on(tmp_path):
    broken, sound = notebook(tmp_path, "broken", "raise ValueError('no')"), notebook(tmp_path, "sound", "1 + 1")
    with kernels.kept_kernel(tmp_path) as kept:
        with pytest.raises(notebook_tools.NotebookFailed, match="ValueError: no"):
            kept.run(broken, tmp_path / "b.ipynb", {}, tmp_path)
        assert kept.run(sound, tmp_path / "s.ipynb", {}, tmp_path).cells[-1].outputs[0]["data"]["text/plain"] == "2"


def test_a_kernel_that_has_died_is_a_machinery_fault(tmp_path):
    sound = notebook(tmp_path, "sound", "1 + 1")
    with kernels.kept_kernel(tmp_path) as kept:
        kept._started.manager.provisioner.process.kill()
        kept._started.manager.provisioner.process.wait()
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(kernels, "RESTORE_TIMEOUT_S", 2)
            with pytest.raises(MachineryFault):
                kept.run(sound, tmp_path / "s.ipynb", {}, tmp_path)


def test_five_homes_are_the_same_by_a_cold_and_by_a_kept_kernel(tmp_path):
    names = ("cascade-200a", "bungalow-100a", "backup-panel-200a", "two-chargers-125a", "metered-year-100a")
    books = ("backfeed_and_tap", "service_load", "backup_duration", "ev_load_management", "service_load")
    assert compared(tmp_path, [(EXAMPLES / f"{name}.toml", (book,)) for name, book in zip(names, books, strict=True)]) == []
