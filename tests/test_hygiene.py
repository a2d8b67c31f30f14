"""What is kept in the repository: whole notebooks that only show, files that parse, no trace of a machine."""

from __future__ import annotations

import ast
import csv
import json
import re
import shutil
import subprocess
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.test_architecture import own_modules_in_notebook

ROOT = Path(__file__).resolve().parent.parent

TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "LICENSE",
    "environment.yml",
    "pyproject.toml",
    "notebooks",
    "workbook_lib",
    "tests",
    "example_inputs",
}
NOT_KEPT = {".git", ".venv", "build", "dist", "__pycache__", ".pytest_cache", ".ruff_cache", ".hypothesis", ".ipynb_checkpoints", "studies"}
CELLS = 16

MACHINE_PATH = re.compile(r"(?<![\w.~-])/(?:" + "|".join(("work", "root", "home", "Users", "tmp", "private", "opt", "var")) + r")/[\w.]")
REGISTRY = re.compile(
    "|".join(
        re.escape(".".join(host))
        for host in (("pypi", "org"), ("pythonhosted", "org"), ("npmjs", "org"), ("debian", "org"), ("anaconda", "org"))
    )
)
CLOCK = re.compile(r"\b20\d\d-\d\d-\d\d[T ]\d\d:\d\d")


def kept_files() -> list[str]:
    """Files of the repository by relative path: what git tracks or would track; where there is no git, what is no leftover."""
    if shutil.which("git"):
        command = ["git", "ls-files", "--cached", "--others", "--exclude-standard"]
        listed = subprocess.run(command, cwd=ROOT, capture_output=True, text=True)
        if listed.returncode == 0 and listed.stdout.strip():
            return sorted(name for name in listed.stdout.split("\n") if name and (ROOT / name).is_file())
    return sorted(path.relative_to(ROOT).as_posix() for path in walk(ROOT) if path.is_file())


def walk(folder: Path) -> Iterator[Path]:
    """Everything under a folder but what tools leave behind."""
    for path in folder.iterdir():
        if path.name in NOT_KEPT or path.name.endswith((".egg-info", ".pyc")) or (folder == ROOT and path.name.startswith("study")):
            continue
        yield path
        if path.is_dir():
            yield from walk(path)


def misplaced(names: list[str]) -> list[str]:
    """Files at the top that belong to none of the fixed folders; dot-files may stand there."""
    return [name for name in names if name.split("/")[0] not in TOP_LEVEL and not name.startswith(".")]


def traces(text: str) -> list[str]:
    """Paths of one machine and hosts of package registries in a text."""
    return [found.group(0) for pattern in (MACHINE_PATH, REGISTRY) for found in pattern.finditer(text)]


def parse_fault(name: str, text: str) -> str | None:
    """Why a data file does not parse; None where it does or is of another kind."""
    try:
        if name.endswith(".toml"):
            tomllib.loads(text)
        elif name.endswith((".json", ".ipynb")):
            json.loads(text)
        elif name.endswith(".csv") and "/records/" not in name:  # a utility's tables are as ragged as they come
            return ragged(text)
    except (tomllib.TOMLDecodeError, json.JSONDecodeError) as fault:
        return f"{name}: {fault}"
    return None


def ragged(text: str) -> str | None:
    """Why a table is not one: rows of different length, a heading twice, nothing in it. Lines that start with # are remarks."""
    rows = [row for row in csv.reader(line for line in text.splitlines() if not line.startswith("#")) if row]
    if not rows:
        return "a table without a heading"
    if len(set(rows[0])) != len(rows[0]):
        return f"a heading stands twice in {rows[0]}"
    short = [number for number, row in enumerate(rows, 1) if len(row) != len(rows[0])]
    return f"rows {short} have not {len(rows[0])} fields" if short else None


# notebooks


def arithmetic(code: str) -> list[str]:
    """Computation in a cell: operators on values, loops, and names that are given a computed value."""
    found = []
    for node in ast.walk(ast.parse(code)):
        negative = isinstance(node, ast.UnaryOp) and not isinstance(node.operand, ast.Constant)
        if negative or isinstance(node, ast.BinOp | ast.AugAssign | ast.Compare | ast.BoolOp | ast.For | ast.While | ast.comprehension):
            found.append(f"line {getattr(node, 'lineno', '?')}: {type(node).__name__}")
    return found


def parameters_faults(cells: list[dict]) -> list[str]:
    """Why the parameters cell is not one: it is missing, doubled, or sets something else than literals."""
    tagged = [cell for cell in cells if "parameters" in cell["metadata"].get("tags", [])]
    if len(tagged) != 1 or tagged[0]["cell_type"] != "code":
        return [f"{len(tagged)} cells are tagged parameters, there must be one code cell"]
    problems = []
    for node in ast.parse("".join(tagged[0]["source"])).body:
        if not isinstance(node, ast.Assign | ast.AnnAssign) or node.value is None:
            problems.append(f"parameters: {ast.unparse(node)} sets nothing")
            continue
        try:
            ast.literal_eval(node.value)
        except ValueError:
            problems.append(f"parameters: {ast.unparse(node)} is no literal")
    return problems


def output_faults(cell: dict) -> list[str]:
    """What must not stand in a committed output."""
    text = json.dumps(cell["outputs"], ensure_ascii=False)
    problems = [f"machine path or host {found}" for found in traces(text)]
    problems += [f"clock time {found}" for found in CLOCK.findall(text)]
    problems += ["a script"] if "<script" in text else []
    problems += ["a live widget"] if "jupyter.widget-view" in text else []
    for output in cell["outputs"]:
        if output["output_type"] == "error" or output.get("name") == "stderr":
            problems.append(f"an output of kind {output.get('name', 'error')}")
        problems += no_words(output)
    return problems


def no_words(output: dict) -> list[str]:
    """A picture or HTML without a text beside it."""
    data = output.get("data", {})
    shown = [kind for kind in data if kind != "text/plain"]
    return [f"{shown[0]} without a text beside it"] if shown and not "".join(data.get("text/plain", "")).strip() else []


def notebook_faults(notebook: dict) -> list[str]:
    """Every way in which a committed notebook is not the thin, executed one that it must be."""
    cells = notebook["cells"]
    code = [cell for cell in cells if cell["cell_type"] == "code"]
    problems = [f"{len(cells)} cells, at most {CELLS}"] if len(cells) > CELLS else []
    if [cell["execution_count"] for cell in code] != list(range(1, len(code) + 1)):
        problems.append(f"execution counts are {[cell['execution_count'] for cell in code]}, not 1 to {len(code)}")
    if not any(cell["outputs"] for cell in code):
        problems.append("no cell has an output")
    if not cells or cells[0]["cell_type"] != "markdown" or not "".join(cells[0]["source"]).startswith("# "):
        problems.append("the first cell is no title")
    problems += parameters_faults(cells)
    if "papermill" in notebook["metadata"]:
        problems.append("the metadata keep a run's times")
    for number, cell in enumerate(code, 1):
        source = "".join(cell["source"])
        found = arithmetic(source) + own_modules_in_notebook(source) + output_faults(cell)
        problems += [f"code cell {number}: {problem}" for problem in found]
    return problems


NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))


def test_there_are_notebooks():
    assert NOTEBOOKS


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_notebook_is_thin_and_executed(path):
    problems = notebook_faults(json.loads(path.read_text(encoding="utf-8")))
    assert not problems, "\n".join(problems)


def test_top_level_is_fixed():
    assert misplaced(kept_files()) == []
    assert misplaced(["setup.py", "docs/a.md", ".ci/run", "tests/a.py"]) == ["setup.py", "docs/a.md"]


def texts() -> Iterator[tuple[str, str]]:
    """Name and text of every kept file that is a text."""
    for name in kept_files():
        try:
            yield name, (ROOT / name).read_text(encoding="utf-8")
        except UnicodeDecodeError:
            continue


def test_no_file_names_a_machine_path_or_a_registry():
    problems = [f"{name}: {found}" for name, text in texts() for found in traces(text)]
    assert not problems, "\n".join(problems)


def test_every_data_file_parses():
    problems = [f"{name}: {fault}" for name, text in texts() if (fault := parse_fault(name, text))]
    assert not problems, "\n".join(problems)


def test_every_file_ends_with_one_newline_and_has_no_tabs_or_trailing_blanks():
    problems = []
    for name, text in texts():
        if name.endswith((".py", ".toml", ".csv", ".md", ".yml", ".css", "run")) and text:
            problems += [] if text.endswith("\n") and not text.endswith("\n\n") else [f"{name}: end of file"]
            problems += [f"{name}:{n}: blank at the end" for n, line in enumerate(text.split("\n"), 1) if line != line.rstrip()]
    assert not problems, "\n".join(problems)


@pytest.mark.parametrize(
    "text", ["see /" + "work/main/a", "in '/" + "root/.cache'", "file:///" + "tmp/x", "https://" + "pypi" + ".org/simple", '"/' + 'home/a"']
)
def test_traces_of_a_machine_are_found(text):
    assert traces(text)


@pytest.mark.parametrize("text", ["network/var/x is relative", "W/ft^2 and A/V", "home/model.py", "notebooks/home/x", "~/.cache", "and/or"])
def test_ordinary_slashes_are_no_traces(text):
    assert traces(text) == []


@pytest.mark.parametrize(
    "name,text",
    [("a.toml", "x = "), ("a.json", "{"), ("a.csv", "a,b\n1\n"), ("a.csv", "a,a\n1,2\n"), ("a.csv", "# remark\n"), ("a.ipynb", "[")],
)
def test_a_broken_data_file_is_found(name, text):
    assert parse_fault(name, text)


def test_a_whole_data_file_is_not_reported():
    assert parse_fault("a.toml", "x = 1") is parse_fault("a.json", "{}") is parse_fault("a.csv", '# remark\na,b\n1,"2,3"\n') is None


def sample() -> dict:
    """A notebook that has nothing wrong."""
    show = {"output_type": "display_data", "metadata": {}, "data": {"text/html": ["<p>pass</p>"], "text/plain": ["pass"]}}
    code = [
        {"source": ["site_file = 'a.toml'\n", "edition = None"], "metadata": {"tags": ["parameters"]}, "outputs": []},
        {"source": ["from workbook_lib import notebook\n", "notebook.verdict()"], "metadata": {}, "outputs": [show]},
    ]
    cells = [{"cell_type": "code", "execution_count": number, **cell} for number, cell in enumerate(code, 1)]
    return {"cells": [{"cell_type": "markdown", "source": ["# Title"], "metadata": {}}, *cells], "metadata": {}}


def test_a_good_notebook_is_not_reported():
    assert notebook_faults(sample()) == []


@pytest.mark.parametrize(
    "spoil,words",
    [
        (lambda nb: nb["cells"][2].update(execution_count=None), "execution counts"),
        (lambda nb: nb["cells"][2].update(outputs=[]), "no cell has an output"),
        (lambda nb: nb["cells"][0].update(source=["Title"]), "no title"),
        (lambda nb: nb["cells"][1]["metadata"].update(tags=[]), "tagged parameters"),
        (lambda nb: nb["cells"][1].update(source=["a = str(1)"]), "no literal"),
        (lambda nb: nb["cells"][1].update(source=["print(1)"]), "sets nothing"),
        (lambda nb: nb["cells"][2].update(source=["a = 2 * b"]), "BinOp"),
        (lambda nb: nb["cells"][2].update(source=["a += 1"]), "AugAssign"),
        (lambda nb: nb["cells"][2].update(source=["[x for x in y]"]), "comprehension"),
        (lambda nb: nb["cells"][2].update(source=["import pandas"]), "imports pandas"),
        (lambda nb: nb["cells"][2]["outputs"][0]["data"].update({"text/plain": ["/" + "root/a"]}), "machine path"),
        (lambda nb: nb["cells"][2]["outputs"][0]["data"].update({"text/plain": ["2026-01-02 10:11"]}), "clock time"),
        (lambda nb: nb["cells"][2]["outputs"][0]["data"].update({"text/html": ["<script>"]}), "a script"),
        (lambda nb: nb["cells"][2]["outputs"][0]["data"].pop("text/plain"), "without a text"),
        (lambda nb: nb["cells"][2]["outputs"].append({"output_type": "stream", "name": "stderr", "text": ["x"]}), "kind stderr"),
        (lambda nb: nb["cells"].extend([nb["cells"][0]] * 14), "17 cells"),
        (lambda nb: nb["metadata"].update(papermill={}), "run's times"),
    ],
)
def test_a_spoilt_notebook_is_found(spoil, words):
    notebook = sample()
    spoil(notebook)
    assert any(words in problem for problem in notebook_faults(notebook))
