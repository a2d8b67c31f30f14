"""The project's own papers agree: dependencies, environment, version, licence, and the commands of the README."""

from __future__ import annotations

import ast
import json
import os
import re
import shutil
import subprocess
import sys
import tomllib
from importlib import metadata
from pathlib import Path

import pytest
import yaml

import workbook_lib
from workbook_lib import notebook, notebook_tools, run
from workbook_lib.sheet import Sheet, Verdict

ROOT = Path(__file__).resolve().parent.parent
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")

CARD = {"jupyterlab", "ipywidgets", "pandas", "pint", "matplotlib", "nbval", "papermill"}
"""Libraries that the project offers to an engineer at work in a notebook, whether or not its own code imports them."""

PART_OF = {"pydantic_core": "pydantic"}
"""Modules of a distribution that another one pins to a single version of its own."""


def split(requirement: str) -> tuple[str, frozenset[str]]:
    """Name and bounds of a requirement: `pandas>=2.2,<4`."""
    name, bounds = re.fullmatch(r"([A-Za-z0-9._-]+)\s*(.*)", requirement.strip()).groups()
    return name.lower().replace("_", "-"), frozenset(part.strip().replace(" ", "") for part in bounds.split(",") if part.strip())


def wanted(project: dict) -> dict[str, frozenset[str]]:
    """What pyproject.toml asks for: the interpreter, the libraries and those of the tests."""
    table = project["project"]
    listed = [*table["dependencies"], *table["optional-dependencies"]["test"]]
    return dict([("python", split("python" + table["requires-python"])[1]), *map(split, listed)])


def offered(environment: dict) -> dict[str, frozenset[str]]:
    """What environment.yml installs, but for pip and the project itself."""
    return dict(split(row) for row in environment["dependencies"] if isinstance(row, str) and row != "pip")


def differences(project: dict, environment: dict) -> list[str]:
    """Libraries or bounds that only one of the two files has."""
    left, right = wanted(project), offered(environment)
    return [
        f"{name}: {sorted(left.get(name, ()))} and {sorted(right.get(name, ()))}"
        for name in sorted(left | right)
        if left.get(name) != right.get(name)
    ]


def command(name: str, readme: str = README) -> list[str]:
    """Lines of the code block that stands under a remark `<!-- command: NAME -->` in the README."""
    found = re.findall(rf"<!-- command: {name} -->\n+```sh\n(.*?)```", readme, re.DOTALL)
    return found[0].strip("\n").split("\n") if len(found) == 1 else []


def example(name: str, readme: str = README) -> str:
    """Text of the one TOML block that stands under a remark `<!-- NAME -->` in the README."""
    found = re.findall(rf"<!-- {name} -->\n+```toml\n(.*?)```", readme, re.DOTALL)
    assert len(found) == 1, name
    return found[0]


def open_checks(sheet: Sheet) -> dict[str, str]:
    """Checks that count and neither pass nor stand aside, with their verdict."""
    settled = (Verdict.PASS, Verdict.NOT_APPLICABLE)
    return {check.key: str(check.verdict) for check in sheet.checks if check.counts and check.verdict not in settled}


def third_party(folder: Path) -> set[str]:
    """Distributions that the Python files of a folder import, at any depth."""
    tops = set()
    for path in folder.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                tops |= {alias.name.split(".")[0] for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and not node.level:
                tops.add(node.module.split(".")[0])
    owners = metadata.packages_distributions()
    ours = {"workbook_lib", "tests", "conftest"}
    return {PART_OF.get(top) or split(owners.get(top, [top])[0])[0] for top in tops - set(sys.stdlib_module_names) - ours}


def test_environment_and_project_agree():
    environment = yaml.safe_load((ROOT / "environment.yml").read_text(encoding="utf-8"))
    assert differences(PROJECT, environment) == []
    assert environment["channels"] == ["conda-forge"]


@pytest.mark.parametrize(
    "change",
    [
        ("pandas>=2.2", "pandas>=2.1"),
        ("  - pint>=0.24,<1\n", ""),
        ("  - pip\n", "  - pip\n  - lxml>=5\n"),
        ("python>=3.11", "python>=3.12"),
    ],
)
def test_a_difference_is_found(change):
    text = (ROOT / "environment.yml").read_text(encoding="utf-8")
    assert change[0] in text
    assert len(differences(PROJECT, yaml.safe_load(text.replace(*change)))) == 1


def test_every_library_in_use_is_declared_and_none_is_declared_in_vain():
    declared = {split(row)[0] for row in PROJECT["project"]["dependencies"]}
    for_tests = {split(row)[0] for row in PROJECT["project"]["optional-dependencies"]["test"]}
    used = third_party(ROOT / "workbook_lib")
    assert used <= declared
    assert third_party(ROOT / "tests") <= declared | for_tests
    assert declared <= used | CARD


def test_every_package_is_listed():
    folders = {path.parent for path in (ROOT / "workbook_lib").rglob("__init__.py")}
    listed = set(PROJECT["tool"]["setuptools"]["packages"])
    assert listed == {".".join(path.relative_to(ROOT).parts) for path in folders} | {"workbook_lib.notebooks"}
    assert PROJECT["tool"]["setuptools"]["package-dir"]["workbook_lib.notebooks"] == "notebooks"


def test_version_licence_and_command():
    assert re.fullmatch(r"\d+\.\d+\.\d+", workbook_lib.__version__)
    assert PROJECT["tool"]["setuptools"]["dynamic"]["version"] == {"attr": "workbook_lib.version.VERSION"}
    assert PROJECT["project"]["name"] == "dwelling-service-workbooks"
    assert PROJECT["project"]["license"] == "BSD-3-Clause"
    assert (ROOT / "LICENSE").read_text(encoding="utf-8").startswith("BSD 3-Clause License")
    assert PROJECT["project"]["scripts"] == {"dwelling-service": "workbook_lib.__main__:main"}


@pytest.mark.parametrize("name", ["study", "test"])
def test_each_command_of_the_readme_is_one_line(name):
    lines = command(name)
    assert len(lines) == 1
    assert "python3 -m venv .venv" in lines[0]
    assert not lines[0].endswith("\\")


def test_readme_commands_do_what_the_readme_says():
    assert '-m "not browser"' in command("test")[0]
    site = re.search(r"study (\S+\.toml)", command("study")[0])
    assert site
    assert (ROOT / site.group(1)).is_file()


def test_readme_commands_do_not_hang_on_two_lines_or_two_blocks():
    block = "<!-- command: x -->\n\n```sh\n{}```\n"
    assert command("x", block.format("a\nb\n")) == ["a", "b"]
    assert command("x", block.format("a\n") * 2) == []


def test_the_home_of_the_readme_gives_the_verdict_that_it_says(tmp_path):
    site, town = tmp_path / "my-home.toml", tmp_path / "my-town.toml"
    site.write_text(example("site file"), encoding="utf-8")
    stated = run.study(site, out=tmp_path / "stated", results_only=True)
    assert [open_checks(sheet) for sheet in stated.sheets] == [{"edition-adopted": "judgement"}] * len(stated.sheets)
    town.write_text(example("jurisdiction file"), encoding="utf-8")
    swapped, count = re.subn(r"(?m)^edition = .*$", 'jurisdiction = "my-town"\npermit_date = 2026-03-02', site.read_text(encoding="utf-8"))
    assert count == 1
    site.write_text(swapped, encoding="utf-8")
    assert [faults for _, faults in run.validate([site, town])] == [(), ()]
    adopted = run.study(site, out=tmp_path / "adopted", results_only=True)
    assert [open_checks(sheet) for sheet in adopted.sheets] == [{}] * len(adopted.sheets)
    assert (adopted.state, adopted.status) == ("pass", 0)


def test_the_notebook_of_the_readme_runs_beside_the_home(tmp_path):
    (tmp_path / "my-home.toml").write_text(example("site file"), encoding="utf-8")
    named = re.search(r'`site_file = "(.+?)"`', README).group(1)
    overrides = ast.literal_eval(re.search(r"`overrides = (\{.+?\})`", README).group(1))
    opened = notebook.open(tmp_path / named, overrides=overrides)
    assert opened.sheet.results["code_load_va:charger"].value == 32 * 240
    declared = notebook_tools.declared(notebook_tools.read(ROOT / "notebooks" / "service_load.ipynb"))
    assert {"site_file", "overrides"} <= set(declared)


def test_every_file_that_the_readme_points_to_exists():
    pointed = re.findall(r"!?\[[^\]]*\]\(([^)#:]+)\)", README)
    assert pointed
    assert [name for name in pointed if not (ROOT / name).exists()] == []


# DEVELOPERS.md, followed in a copy

INSERTED_BEFORE = {"workbook_lib/workbooks/service_load.py": "\n\ndef _prose(", "workbook_lib/published/runner.py": "\n\nADAPTERS"}
"""What the text says in words: in front of what the blocks marked `insert` belong."""

ENTERED = {
    "workbook_lib/rules/general_load.py": [
        ("annotations\n", "annotations\n\nimport math\n"),
        ("import Edition\n", "import Edition\nfrom workbook_lib.formula import GUARD\n"),
    ],
    "workbook_lib/workbooks/service_load.py": [(r"rules import (?!general_load)", "rules import general_load, ")],
    "workbook_lib/published/runner.py": [(r"ADAPTERS(.*)\{\n", r'ADAPTERS\1{\n    "lighting_circuits": _lighting_circuits,\n')],
    "tests/test_rules_properties.py": [
        ("import METHODS\n", "import METHODS\nfrom workbook_lib.rules import general_load\nfrom workbook_lib.sheet import Input\n")
    ],
    "workbook_lib/workbooks/__init__.py": [
        (r"(?m)^REGISTRY(.*)\{", r'REGISTRY\1{"branch_circuits": "workbook_lib.workbooks.branch_circuits", ')
    ],
    "workbook_lib/home/model.py": [(r"EDITIONS = \((.*)\)", r'EDITIONS = (\1, "2029")')],
}
"""What the text says in words: imports and entries."""


def rewritten(path: Path, changes: list[tuple[str, str]]) -> None:
    """Change a file by patterns, each of which must be there; the first place is changed."""
    text = path.read_text(encoding="utf-8")
    for pattern, new in changes:
        text, count = re.subn(pattern, new, text, count=1)
        assert count, f"{path.name}: {pattern}"
    path.write_text(text, encoding="utf-8")


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
        text = "" if way == "create" else (copy / name).read_text(encoding="utf-8")
        at = text.index(INSERTED_BEFORE[name]) if way == "insert" else len(text)
        gap = "" if way == "create" else "\n" if name.endswith(("service_load.py", ".toml")) else "\n\n"
        (copy / name).write_text(text[:at] + gap * (name != "workbook_lib/workbooks/service_load.py") + block + text[at:], encoding="utf-8")
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
    picked = "lighting_circuits or (lighting and fewer) or general_load or (every_step_of_the_example and bungalow) or workbooks"
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
