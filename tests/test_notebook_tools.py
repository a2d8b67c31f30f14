"""Notebooks are checked before they run, kept normalised, and compared for real."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import threading
import time
from pathlib import Path

import nbformat
import psutil
import pytest
import zmq
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook, new_output

from tests.conftest import ROOT
from tests.nbval_policy import stripped
from tests.test_hygiene import notebook_faults
from workbook_lib import notebook_tools
from workbook_lib.errors import MachineryFault

KEPT = ROOT / "notebooks" / "service_load.ipynb"


def made(*sources: str, parameters: str = 'site_file = "a.toml"\ncount = 2'):
    """A notebook with a parameters cell and code cells."""
    first = new_code_cell(parameters, metadata={"tags": ["parameters"]})
    return new_notebook(cells=[new_markdown_cell("# Title"), first, *map(new_code_cell, sources)], metadata=notebook_tools.METADATA)


# parameters


def test_parameters_are_those_that_the_notebook_declares():
    assert notebook_tools.declared(made()) == {"site_file": "a.toml", "count": 2}
    given = {"site_file": "b=c.toml", "count": {"a": [1, None, True, 0.5]}}
    assert notebook_tools.checked(made(), given) == given


@pytest.mark.parametrize(
    "given,words",
    [
        ({"site_fil": "a"}, "no parameter 'site_fil'; there are site_file, count"),
        ({"count": (1, 2)}, "count is tuple"),
        ({"site_file": ROOT}, "site_file is PosixPath"),
        ({"count": {1: 2}}, "count is dict"),
        ({"count": [object()]}, "count is list"),
    ],
)
def test_a_parameter_that_papermill_would_misread_is_refused(given, words, tmp_path, monkeypatch):
    with pytest.raises(MachineryFault, match=re.escape(words)):
        notebook_tools.checked(made(), given)
    source = tmp_path / "a.ipynb"
    nbformat.write(made(), source)
    monkeypatch.setattr("papermill.execute_notebook", lambda *_, **__: pytest.fail("papermill was asked"))
    with pytest.raises(MachineryFault, match=re.escape(words)):
        notebook_tools.execute(source, tmp_path / "b.ipynb", given, tmp_path, None)


@pytest.mark.parametrize("cell", ["a = str(1)", "a, b = 1, 2", "print(1)", "a = b"])
def test_a_parameters_cell_holds_literals_only(cell):
    with pytest.raises(MachineryFault):
        notebook_tools.declared(made(parameters=cell))
    with pytest.raises(MachineryFault, match="there must be one"):
        notebook_tools.declared(new_notebook(cells=[new_code_cell("a = 1")]))


# running


def test_a_notebook_runs_with_its_parameters_in_its_folder_and_is_kept_normalised(tmp_path):
    source, target = tmp_path / "a.ipynb", tmp_path / "b.ipynb"
    nbformat.write(made("import os, sys", "print(site_file, count, os.path.basename(os.getcwd()), sys.path[0] == os.getcwd())"), source)
    with notebook_tools.kernel(tmp_path) as started:
        run = notebook_tools.execute(source, target, {"count": 5}, tmp_path, started)
    assert run.cells[-1].outputs[0].text == f"a.toml 5 {tmp_path.name} False\n"
    assert notebook_tools.text_of(notebook_tools.read(target)) == target.read_text(encoding="utf-8")
    assert "papermill" not in target.read_text(encoding="utf-8").split('"cells"')[1].replace("# Parameters", "")
    assert run.cells[2].id == notebook_tools.INJECTED


def test_a_failing_cell_stops_the_run_and_names_the_error(tmp_path):
    source, target = tmp_path / "a.ipynb", tmp_path / "b.ipynb"
    nbformat.write(made("1 / 0", "print('never')"), source)
    with notebook_tools.kernel(tmp_path) as started, pytest.raises(notebook_tools.NotebookFailed, match="ZeroDivisionError"):
        notebook_tools.execute(source, target, {}, tmp_path, started)
    assert "never" not in str([cell.get("outputs") for cell in notebook_tools.read(target).cells])


def test_a_kernel_that_does_not_start_is_a_machinery_fault_with_a_reason(tmp_path, monkeypatch):
    tried = []
    monkeypatch.setattr(notebook_tools, "_environment", lambda scratch: tried.append(scratch) or 1 / 0)
    monkeypatch.setattr(notebook_tools.time, "sleep", lambda seconds: None)
    with pytest.raises(MachineryFault, match="no kernel starts"), notebook_tools.kernel(tmp_path):
        pass
    assert len(tried) == notebook_tools.START_ATTEMPTS


WAITS = """
import pathlib, time
pathlib.Path("runs").touch()
while not pathlib.Path("knocked").exists():
    time.sleep(0.05)
"""


def knock(process: psutil.Process, folder: Path) -> None:
    """A stranger's heartbeat at every port at which a process listens: what a client of a kernel that has ended does."""
    while not (folder / "runs").exists():
        time.sleep(0.05)
    context = zmq.Context()
    for one in process.net_connections("inet"):
        if one.status == psutil.CONN_LISTEN:
            socket = context.socket(zmq.REQ)
            socket.connect(f"tcp://127.0.0.1:{one.laddr.port}")
            socket.send(b"ping")
    time.sleep(1)
    (folder / "knocked").touch()
    context.destroy(linger=0)


def test_who_knocks_at_a_port_of_a_kernel_does_not_stand_in_its_notebook(tmp_path, monkeypatch):
    """Ports are given out again: the client of a kernel that had ended knocked at the next one, whose complaint stood on a page."""
    monkeypatch.delenv("PYTEST_CURRENT_TEST")  # a kernel that finds it lets pass what its own machinery prints
    source, target, before = tmp_path / "a.ipynb", tmp_path / "b.ipynb", threading.active_count()
    nbformat.write(made(WAITS.strip(), "1 + 1"), source)
    with notebook_tools.kernel(tmp_path) as started:
        knocker = threading.Thread(target=knock, args=[psutil.Process(started.manager.provisioner.pid), tmp_path])
        knocker.start()
        run = notebook_tools.execute(source, target, {}, tmp_path, started)
        knocker.join()
    assert [output.output_type for cell in run.cells if cell.cell_type == "code" for output in cell.outputs] == ["execute_result"]
    assert threading.active_count() == before, "a client of a kernel that has ended goes on"


def test_a_folder_whose_name_is_too_long_for_sockets_falls_back_to_ports(tmp_path):
    assert notebook_tools._connection(tmp_path / ("a" * 90))["transport"] == "tcp"


# keeping


def dirty():
    """An executed notebook as an editor leaves it."""
    shown = new_output("display_data", {"text/plain": "3"}, metadata={"isolated": True})
    code = new_code_cell("3", execution_count=1, outputs=[shown], metadata={"execution": {"iopub.execute_input": "2026-01-01T00:00:00Z"}})
    code.metadata["tags"] = ["live"]
    return new_notebook(cells=[code], metadata={"papermill": {"duration": 1.5}, "kernelspec": {"name": "my-own", "display_name": "Mine"}})


def test_normalising_drops_times_and_metadata_and_keeps_outputs_counts_and_tags():
    once = notebook_tools.text_of(notebook_tools.normalise(dirty()))
    assert json.loads(once)["metadata"] == notebook_tools.METADATA
    cell = json.loads(once)["cells"][0]
    assert cell["metadata"] == {"tags": ["live"]}
    assert cell["execution_count"] == 1
    assert cell["outputs"][0]["metadata"] == {}
    assert cell["outputs"][0]["data"] == {"text/plain": ["3"]}
    assert notebook_tools.text_of(notebook_tools.normalise(nbformat.reads(once, 4))) == once


def test_the_command_checks_and_normalises(tmp_path, capsys):
    path = tmp_path / "a.ipynb"
    nbformat.write(dirty(), path)
    assert notebook_tools.main(["check", str(path)]) == 1
    assert "not normalised" in capsys.readouterr().err
    assert notebook_tools.main(["normalise", str(path)]) == 0
    assert notebook_tools.main(["check", str(path)]) == 0
    path.write_text("no notebook", encoding="utf-8")
    assert notebook_tools.main(["check", str(path)]) == 3
    assert "is not a notebook" in capsys.readouterr().err


def test_a_stripped_notebook_is_refused_by_every_guard(tmp_path):
    bare = nbformat.from_dict(json.loads(KEPT.read_text(encoding="utf-8")))
    for cell in bare.cells:
        if cell.cell_type == "code":
            cell.outputs, cell.execution_count = [], None
    path = tmp_path / "bare.ipynb"
    path.write_text(notebook_tools.text_of(bare), encoding="utf-8")
    assert any("run it whole" in fault for fault in notebook_tools.faults(path))
    assert "no cell has an output" in notebook_faults(bare)
    assert "no cell has an output" in stripped(bare)


def test_executing_in_place_leaves_a_failing_notebook_as_it_was(tmp_path, capsys):
    path = tmp_path / "a.ipynb"
    nbformat.write(made("raise ValueError('on purpose')"), path)
    before = path.read_text(encoding="utf-8")
    assert notebook_tools.main(["execute", str(path)]) == 3
    assert "on purpose" in capsys.readouterr().err
    assert path.read_text(encoding="utf-8") == before


# comparing: nbval as it is called on the committed notebooks


def nbval(folder) -> subprocess.CompletedProcess:
    """The comparison as `.ci/run` calls it."""
    line = [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-c", str(ROOT / "pyproject.toml"), "--rootdir", str(folder)]
    line += ["-p", "tests.nbval_policy", "--nbval", str(folder / "notebooks")]
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    return subprocess.run(line, capture_output=True, text=True, cwd=folder, env=environment, timeout=300)


@pytest.fixture(scope="module")
def tree(tmp_path_factory):
    """Example inputs and the notebook, run just now, as they stand in the repository."""
    folder = tmp_path_factory.mktemp("tree")
    shutil.copytree(ROOT / "example_inputs", folder / "example_inputs")
    (folder / "notebooks").mkdir()
    path = folder / "notebooks" / "service_load.ipynb"
    shutil.copyfile(KEPT, path)
    notebook_tools.execute_in_place(path)
    return folder


def test_a_changed_number_fails_the_comparison_and_a_changed_drawing_does_not(tree):
    path = tree / "notebooks" / "service_load.ipynb"
    text = path.read_text(encoding="utf-8")
    assert "25,456" in text
    redrawn = re.sub(r"stroke-width: [\d.]+", "stroke-width: 9", text)
    assert redrawn != text
    (tree / "notebooks" / "changed.ipynb").write_text(text.replace("25,456", "25,457"), encoding="utf-8")
    (tree / "notebooks" / "redrawn.ipynb").write_text(redrawn, encoding="utf-8")
    ran = nbval(tree)
    failed = set(re.findall(r"^FAILED (?:\S*/)?(\w+)\.ipynb", ran.stdout, re.M))
    (tree / "notebooks" / "changed.ipynb").unlink()
    (tree / "notebooks" / "redrawn.ipynb").unlink()
    assert failed == {"changed"}, ran.stdout[-3000:]
    assert ran.returncode == 1
    assert "25,457" in ran.stdout


def test_a_changed_result_as_filed_fails_the_comparison(tree):
    path = tree / "notebooks" / "service_load.ipynb"
    text = path.read_text(encoding="utf-8")
    changed = re.sub(r'("service_load_va": \{\s*"unit": "VA",\s*"value": )25456\.0', r"\g<1>25457.0", text)
    assert changed != text
    path.write_text(changed, encoding="utf-8")
    ran = nbval(tree)
    path.write_text(text, encoding="utf-8")
    assert ran.returncode == 1, ran.stdout[-3000:]


def test_a_stripped_notebook_stops_the_comparison(tree):
    path = tree / "notebooks" / "bare.ipynb"
    nbformat.write(made("print(1)"), path)
    ran = nbval(tree)
    path.unlink()
    assert ran.returncode != 0
    assert "was not run" in ran.stdout + ran.stderr


def test_loading_nbformat_leaves_no_mark_and_builds_no_grammar():
    code = (
        "import sys\nfrom workbook_lib import notebook_tools as tools\ntools.load_nbformat()\n"
        "print('nbformat' in sys.modules, tools.GRAMMAR in sys.modules, 'lark' in sys.modules)"
    )
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, env=environment).stdout.split()
    assert said == ["True", "False", "False"]


def test_loading_nbformat_leaves_out_nothing_that_is_loaded(monkeypatch):
    import jsonschema  # noqa: F401

    monkeypatch.setitem(sys.modules, notebook_tools.GRAMMAR, sys)
    notebook_tools.load_nbformat()
    assert sys.modules[notebook_tools.GRAMMAR] is sys
