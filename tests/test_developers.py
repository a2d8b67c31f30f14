"""DEVELOPERS.md is followed in a copy of the project: its edition, its provision and its workbook work as it says."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
LIMIT = 300
"""Lines that the text may have."""

INSERTED = {
    "workbook_lib/workbooks/service_load.py": ("\n\ndef _prose(", ""),
    "workbook_lib/published/runner.py": ("\n\nADAPTERS", "\n\n"),
}
"""What the text says in words: in front of what each block marked `insert` belongs, and the blank lines before it."""

ENTERED = {
    "workbook_lib/rules/general_load.py": [
        ("annotations\n", "annotations\n\nimport math\n"),
        ("import Edition\n", "import Edition\nfrom workbook_lib.formula import GUARD\n"),
    ],
    "workbook_lib/workbooks/service_load.py": [(r"rules import (?!general_load)", "rules import general_load, ")],
    "workbook_lib/published/runner.py": [(r"ADAPTERS(.*)\{\n", r'ADAPTERS\1{\n    "lighting_circuits": _lighting_circuits,\n')],
    "tests/test_rules_properties.py": [
        (
            "import METHODS\n",
            "import METHODS\nfrom workbook_lib.editions import load\n"
            "from workbook_lib.rules import general_load\nfrom workbook_lib.sheet import Input\n",
        )
    ],
    "workbook_lib/workbooks/__init__.py": [
        (r"(?m)^REGISTRY(.*)\{", r'REGISTRY\1{"branch_circuits": "workbook_lib.workbooks.branch_circuits", ')
    ],
}
"""What the text says in words: imports and entries."""


def rewritten(path: Path, changes: list[tuple[str, str]]) -> None:
    """Change a file by patterns, each of which must be there; the first place is changed."""
    text = path.read_text(encoding="utf-8")
    for pattern, new in changes:
        text, count = re.subn(pattern, new, text, count=1)
        assert count, f"{path.name}: {pattern}"
    path.write_text(text, encoding="utf-8")


def placed(path: Path, way: str, block: str, anchor: str, gap: str) -> None:
    """Put a block where its mark says: a file of its own, the end of one, or in front of an anchor."""
    if way == "create":
        path.write_text(block, encoding="utf-8")
        return
    text = path.read_text(encoding="utf-8")
    at = text.index(anchor) if way == "insert" else len(text)
    path.write_text(text[:at] + gap + block + text[at:], encoding="utf-8")


@pytest.fixture(scope="module")
def followed(tmp_path_factory) -> Path:
    """A copy of the project with the edition, the provision and the workbook that DEVELOPERS.md describes."""
    copy = tmp_path_factory.mktemp("project")
    for name in ("workbook_lib", "tests", "notebooks", "example_inputs"):
        shutil.copytree(ROOT / name, copy / name, ignore=shutil.ignore_patterns("__pycache__", ".ipynb_checkpoints"))
    shutil.copyfile(ROOT / "pyproject.toml", copy / "pyproject.toml")
    blocks = re.findall(r"<!-- (append|insert|create): (\S+) -->\n\n```\w+\n(.*?)```", DEVELOPERS, re.DOTALL)
    assert [way for way, _, _ in blocks] == ["append", "insert", "append", "insert", "append", "create"]
    for way, name, block in blocks:
        placed(copy / name, way, block, *INSERTED.get(name, ("", "\n" if name.endswith(".toml") else "\n\n")))
    for name, changes in ENTERED.items():
        rewritten(copy / name, changes)
    year = copy / "workbook_lib" / "editions" / "2029"
    shutil.copytree(year.with_name("2026"), year)
    rewritten(year / "edition.toml", [("2026 edition", "2029 edition"), ('year = "2026"', 'year = "2029"')])
    rewritten(year / "values.csv", [("optional_first_va,8000,", "optional_first_va,9000,"), ("evse_floor_va,7200,", "evse_floor_va,6000,")])
    return copy


def in_copy(copy: Path, *arguments: str, statuses: tuple[int, ...] = (0,)) -> str:
    """Run this interpreter in the copy. Returns: what it printed."""
    environment = {**os.environ, "PYTHONPATH": str(copy)}
    done = subprocess.run([sys.executable, *arguments], cwd=copy, env=environment, capture_output=True, text=True)
    assert done.returncode in statuses, done.stdout + done.stderr
    return done.stdout


def test_the_provision_of_the_developers_text_holds(followed):
    steps = "(every_step_of_the_example and bungalow and service_load)"  # the sheets that the provision stands in
    picked = f"lighting_circuits or (lighting and fewer) or general_load or {steps} or workbooks"
    files = ("published", "rules_properties", "docstrings", "architecture", "proof")
    said = in_copy(followed, "-m", "pytest", "-q", "-p", "no:cacheprovider", "-k", picked, *(f"tests/test_{name}.py" for name in files))
    assert re.search(r"\d+ passed", said)
    again = in_copy(
        followed, "-m", "pytest", "--collect-only", "-q", "-k", "lighting", "tests/test_published.py", "tests/test_rules_properties.py"
    )
    assert again.count("d1a-lighting-circuits") == 3
    assert "test_more_area_never_needs_fewer_lighting_circuits" in again


def test_the_workbook_and_the_edition_of_the_developers_text_are_studied(followed):
    site = "example_inputs/sites/all-electric-200a.toml"
    filed = {}
    for year in ("2026", "2029"):
        in_copy(
            followed, "-m", "workbook_lib", "study", site, "--edition", year, "--results-only", "--out", f"study-{year}", statuses=(0, 1)
        )
        filed[year] = json.loads((followed / f"study-{year}" / "results.json").read_text(encoding="utf-8"))["workbooks"]
    circuits = filed["2029"]["branch_circuits"]
    assert circuits["results"]["lighting_circuits_count"] == {"unit": "count", "value": 4.0}
    assert {check["key"]: check["verdict"] for check in circuits["checks"]}["small-appliance-circuits"] == "pass"
    before, after = (filed[year]["service_load"]["results"]["service_load_va"]["value"] for year in ("2026", "2029"))
    assert after - before == pytest.approx(0.6 * 1000)


def test_the_text_is_short():
    assert DEVELOPERS.count("\n") <= LIMIT
