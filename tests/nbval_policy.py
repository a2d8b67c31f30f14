"""What nbval compares in this repository: every output but drawings, and never a notebook that was stripped.

A plugin: `pytest -p tests.nbval_policy --nbval notebooks`. Drawings are left out because their bytes
follow the drawing library's version; what they plot is compared in the table beside each.
"""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from nbval.plugin import IPyNbFile

DRAWINGS = ("image/svg+xml", "image/png")


ROOT = Path(__file__).resolve().parent.parent


def pytest_configure() -> None:
    """Let the kernels find this tree's package from whatever folder they run in."""
    os.environ["PYTHONPATH"] = os.pathsep.join(filter(None, [str(ROOT), os.environ.get("PYTHONPATH", "")]))


def stripped(notebook: dict) -> list[str]:
    """Why a comparison with this notebook would prove nothing: cells that were not run, or no output at all."""
    code = [cell for cell in notebook["cells"] if cell["cell_type"] == "code"]
    problems = [f"code cell {number} was not run" for number, cell in enumerate(code, 1) if cell.get("execution_count") is None]
    if not any(cell.get("outputs") for cell in code):
        problems.append("no cell has an output")
    return problems


@pytest.hookimpl(tryfirst=True)
def pytest_collectstart(collector: pytest.Collector) -> None:
    """Leave drawings out of the comparison, and refuse a notebook with nothing to compare."""
    if isinstance(collector, IPyNbFile):
        collector.skip_compare = (*collector.skip_compare, *DRAWINGS)
        problems = stripped(json.loads(collector.path.read_text(encoding="utf-8")))
        if problems:
            raise pytest.UsageError(f"{collector.path.name}: {'; '.join(problems)}")
