"""The rooms of the house: who may import whom, where heavy libraries may stand, and how large a part may grow."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PACKAGE = "workbook_lib"

ROOMS = (
    "version",
    "errors",
    "formula",
    "sheet",
    "quantities",
    "editions",
    "home",
    "records",
    "rules",
    "simulate",
    "workbooks",
    "published",
    "render",
    "live",
    "notebook",
    "notebook_tools",
    "run",
    "opening",
    "batch",
    "__main__",
)
"""A module imports from its own room and from rooms to its left."""

HEAVY = {
    "pint": {"quantities"},
    "pydantic": {"home"},
    "pandas": set(),
    "numpy": {"records", "simulate"},
    "numba": {"simulate"},
    "lxml": set(),
    "pvlib": set(),
    "matplotlib": set(),
    "IPython": set(),
    "ipywidgets": set(),
    "jupyter_client": set(),
    "nbclient": set(),
    "nbconvert": set(),
    "nbformat": set(),
    "papermill": set(),
}
"""Heavy libraries, and the rooms that may import each at module level; elsewhere only inside a function."""

FUNCTION_LINES, MODULE_LINES = 60, 500


def modules() -> list[tuple[str, Path]]:
    """Dotted name and file of every module of the package."""
    found = []
    for path in sorted((ROOT / PACKAGE).rglob("*.py")):
        parts = path.relative_to(ROOT).with_suffix("").parts
        found.append((".".join(parts[:-1] if parts[-1] == "__init__" else parts), path))
    return found


def imported(tree: ast.AST, module: str, *, is_package: bool) -> Iterator[tuple[str, int]]:
    """Every dotted name that a module imports, relative ones made absolute, with the line."""
    base = module.split(".") if is_package else module.split(".")[:-1]
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield alias.name, node.lineno
        elif isinstance(node, ast.ImportFrom):
            start = base[: len(base) - node.level + 1] if node.level else []
            source = ".".join([*start, *([node.module] if node.module else [])])
            for alias in node.names:
                yield f"{source}.{alias.name}", node.lineno


def at_start(tree: ast.Module) -> ast.Module:
    """A module without what runs only when called or only when types are checked."""

    class Strip(ast.NodeTransformer):
        def visit_FunctionDef(self, node: ast.FunctionDef) -> None:
            return None

        visit_AsyncFunctionDef = visit_FunctionDef  # noqa: N815

        def visit_If(self, node: ast.If) -> ast.AST | None:
            if "TYPE_CHECKING" in ast.dump(node.test):
                return None
            return self.generic_visit(node)

    return Strip().visit(ast.parse(ast.unparse(tree)))


def room_of(dotted: str) -> str | None:
    """Room of a dotted name inside the package; None outside it, empty for the package itself."""
    parts = dotted.split(".")
    if parts[0] != PACKAGE:
        return None
    return parts[1] if len(parts) > 1 else ""


def steps_back(module: str, text: str, *, is_package: bool = False) -> list[str]:
    """Imports of a module that lead to a room on its right, or to no known room."""
    here = room_of(module)
    problems = []
    for name, line in imported(ast.parse(text), module, is_package=is_package):
        room = room_of(name)
        if room is None or room == here or (room == "__version__" and here) or (room == "version" and not here):
            continue
        if room and room not in ROOMS:
            problems.append(f"{module}:{line}: {name} is in no room of the list")
        elif not here:
            problems.append(f"{module}:{line}: the package itself imports {name}")
        elif room and ROOMS.index(room) > ROOMS.index(here):
            problems.append(f"{module}:{line}: {here} imports {name}, a room to its right")
    return problems


def heavy_at_start(module: str, text: str, *, is_package: bool = False) -> list[str]:
    """Heavy libraries that a module imports as it is loaded, in a room that does not own them."""
    names = imported(at_start(ast.parse(text)), module, is_package=is_package)
    tops = sorted({name.split(".")[0] for name, _ in names})
    return [f"{module}: {top} at module level" for top in tops if top in HEAVY and room_of(module) not in HEAVY[top]]


def pint_elsewhere(module: str, text: str) -> list[str]:
    """Any import of pint, at any depth, outside the room of quantities."""
    if room_of(module) == "quantities":
        return []
    found = imported(ast.parse(text), module, is_package=False)
    return [f"{module}:{line}: imports pint" for name, line in found if name.split(".")[0] == "pint"]


def habits(module: str, text: str) -> list[str]:
    """Functions and modules that are too long, catch-all arguments, and state changed from inside a function."""
    tree = ast.parse(text)
    problems = []
    if text.count("\n") > MODULE_LINES:
        problems.append(f"{module}: {text.count(chr(10))} lines, at most {MODULE_LINES}")
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            length = node.end_lineno - node.lineno + 1
            if length > FUNCTION_LINES:
                problems.append(f"{module}:{node.lineno}: {node.name} has {length} lines, at most {FUNCTION_LINES}")
            if node.args.kwarg:
                problems.append(f"{module}:{node.lineno}: {node.name} takes **{node.args.kwarg.arg}")
        elif isinstance(node, ast.Global):
            problems.append(f"{module}:{node.lineno}: global {', '.join(node.names)}")
    return problems


def own_modules_in_notebook(text: str) -> list[str]:
    """Imports of one notebook cell other than from `workbook_lib.notebook`."""
    allowed = f"{PACKAGE}.notebook"
    problems = []
    for name, line in imported(ast.parse(text), "cell", is_package=False):
        if name != allowed and not name.startswith(f"{allowed}."):
            problems.append(f"cell:{line}: imports {name}")
    return problems


@pytest.mark.parametrize("module,path", modules(), ids=[name for name, _ in modules()])
def test_module_keeps_to_its_room(module, path):
    text, is_package = path.read_text(encoding="utf-8"), path.name == "__init__.py"
    problems = steps_back(module, text, is_package=is_package)
    problems += heavy_at_start(module, text, is_package=is_package)
    problems += pint_elsewhere(module, text)
    problems += habits(module, text)
    assert not problems, "\n".join(problems)


def test_every_room_exists_and_no_other():
    there = {path.stem for path in (ROOT / PACKAGE).glob("*.py")} | {path.parent.name for path in (ROOT / PACKAGE).glob("*/__init__.py")}
    assert there - {"__init__"} == set(ROOMS)


@pytest.mark.parametrize(
    "module,text,words",
    [
        ("workbook_lib.rules.service", "from workbook_lib.workbooks.service_load import study", "a room to its right"),
        ("workbook_lib.rules.service", "def f():\n    import workbook_lib.render.html", "a room to its right"),
        ("workbook_lib.rules.service", "from ..render import html", "a room to its right"),
        ("workbook_lib.sheet", "from workbook_lib import quantities", "a room to its right"),
        ("workbook_lib.sheet", "from workbook_lib.attic import x", "in no room"),
        ("workbook_lib", "from workbook_lib.run import study", "the package itself"),
    ],
)
def test_a_step_back_is_found(module, text, words):
    assert words in steps_back(module, text)[0]


def test_a_step_forward_is_not_reported():
    text = (
        "from __future__ import annotations\nfrom workbook_lib.sheet import Step\nfrom . import loads\nfrom workbook_lib import __version__"
    )
    assert steps_back("workbook_lib.rules.service", text) == []


def test_a_heavy_import_is_found_unless_inside_a_function_or_in_its_room():
    assert heavy_at_start("workbook_lib.render.html", "import pandas as pd")
    assert heavy_at_start("workbook_lib.render.html", "class A:\n    from matplotlib import figure")
    assert heavy_at_start("workbook_lib.run", "try:\n    import papermill\nexcept ImportError:\n    pass")
    assert not heavy_at_start("workbook_lib.render.html", "def table():\n    import pandas as pd\n    return pd")
    assert not heavy_at_start("workbook_lib.home.model", "import pydantic")
    assert heavy_at_start("workbook_lib.rules.service", "import pydantic")
    assert pint_elsewhere("workbook_lib.home.reader", "def f():\n    import pint")
    assert not pint_elsewhere("workbook_lib.quantities", "import pint")


def test_bad_habits_are_found():
    assert "takes **rest" in habits("m", "def f(**rest):\n    return rest")[0]
    assert "global now" in habits("m", "def f():\n    global now\n    now = 1")[0]
    assert "61 lines" in habits("m", "def f():\n" + "    x = 1\n" * 60)[0]
    assert "501 lines" in habits("m", "x = 1\n" * 501)[0]
    assert own_modules_in_notebook("import numpy as np")
    assert own_modules_in_notebook("from workbook_lib import run")
    assert not own_modules_in_notebook("from workbook_lib import notebook\nfrom workbook_lib.notebook import open_home")


@pytest.mark.parametrize("statement", ["import workbook_lib", "import workbook_lib.__main__", "import workbook_lib.run"])
def test_loading_the_package_loads_no_heavy_library(statement):
    heavy = sorted(set(HEAVY) - {"pint", "pydantic"} if statement.endswith("run") else HEAVY)
    code = f"{statement}, sys\nprint(*[name for name in {heavy!r} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.split() == []
