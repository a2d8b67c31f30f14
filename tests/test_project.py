"""The project's own papers agree: dependencies, environment, version, licence, and the commands of the README."""

from __future__ import annotations

import ast
import re
import sys
import tomllib
from importlib import metadata
from pathlib import Path

import pytest
import yaml

import workbook_lib
from workbook_lib import notebook, notebook_tools, run
from workbook_lib.home.model import Backup, Records
from workbook_lib.home.model_equipment import Island, Load, Source, Storage
from workbook_lib.home.shapes import shapes
from workbook_lib.sheet import Sheet, Verdict

ROOT = Path(__file__).resolve().parent.parent
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
README = (ROOT / "README.md").read_text(encoding="utf-8")

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
    listed = environment["dependencies"]
    by_pip = [row for part in listed if isinstance(part, dict) for row in part["pip"] if not row.startswith("-e")]
    return dict(split(row) for row in [*listed, *by_pip] if isinstance(row, str) and row != "pip")


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
        ("  - pip\n", "  - pip\n  - attrs>=25\n"),
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
    asked = [sheet for sheet in stated.sheets if str(sheet.verdict) != "not applicable"]
    assert [sheet.workbook for sheet in stated.sheets if sheet not in asked] == ["backup_duration"], "nothing is backed up"
    assert [open_checks(sheet) for sheet in asked] == [{"edition-adopted": "judgement"}] * len(asked)
    town.write_text(example("jurisdiction file"), encoding="utf-8")
    swapped, count = re.subn(r"(?m)^edition = .*$", 'jurisdiction = "my-town"\npermit_date = 2026-03-02', site.read_text(encoding="utf-8"))
    assert count == 1
    site.write_text(swapped, encoding="utf-8")
    assert [faults for _, faults, _ in run.validate([site, town])] == [(), ()]
    adopted = run.study(site, out=tmp_path / "adopted", results_only=True)
    assert [open_checks(sheet) for sheet in adopted.sheets] == [{}] * len(adopted.sheets)
    assert (adopted.state, adopted.status) == ("pass", 0)


def test_the_source_of_the_readme_ties_into_its_home(tmp_path):
    """The rows and fields that the README names, added where it says: nothing but the edition stays open."""
    part = README[README.index("### With solar or storage") :]
    rows = dict(re.findall(r"one row in `(\w+)`(?: of the panel)?, `(\{.+?\})`", part))
    panel = re.findall(r"`((?:feed|breakers_listed|interrupting_rating|neutral_bonded) = [^`]+)`", part)
    service = re.findall(r"`((?:available_fault_current|fault_current_at) = [^`]+)`", part)
    assert (sorted(rows), len(panel), len(service)) == (["breakers", "raceway"], 4, 2)
    text = example("site file")
    for name, row in rows.items():
        assert text.count(f"{name} = [{{") == 1
        text = text.replace(f"{name} = [{{", f"{name} = [{row}, {{")
    text = text.replace("bus = {", "\n".join(panel) + "\nbus = {").replace(
        'rating = { value = "200 A"', "\n".join(service) + '\nrating = { value = "200 A"', 1
    )
    text = text.replace('terminals = "75 degC"\nraceway', 'terminals = "75 degC"\nlength = "40 ft"\nraceway', 1)
    (tmp_path / "my-home.toml").write_text(text + "\n" + example("source"), encoding="utf-8")
    sheet = run.study(tmp_path / "my-home.toml", out=tmp_path / "out", only=["backfeed_and_tap"], results_only=True).sheets[0]
    left = open_checks(sheet)
    assert set(left) <= {"edition-adopted", "field-verified", "interrupting:meter"}, left
    assert str(sheet.check("bus:main").verdict) == "pass"
    assert sheet.check("bus-120:main").required.value == 230


def test_the_control_of_the_readme_holds_its_charger(tmp_path):
    """Its rows and what the README says of the charger, added to its home: the control counts, and only the load of the seconds lacks."""
    charger = 'minimum_current = "0 A", fallback_current = "0 A", connection = "hard-wired", conductor = {'
    text = example("site file").replace('status = "added", conductor = {', f'status = "added", {charger}', 1)
    (tmp_path / "my-home.toml").write_text(f"{text}\n{example('control')}", encoding="utf-8")
    sheet = run.study(tmp_path / "my-home.toml", out=tmp_path / "out", only=["ev_load_management"], results_only=True).sheets[0]
    left = open_checks(sheet)
    assert left == {"edition-adopted": "judgement", "control-holds:limiter": "needs input", "vehicle-need:charger": "needs input"}
    assert "records.load.file" in sheet.check("control-holds:limiter").fields
    assert str(sheet.check("control-setting:limiter").verdict) == "pass"
    assert sheet.results["controlled_service_a"].value == 100.0 < sheet.results["uncontrolled_service_a"].value


def test_the_backup_of_the_readme_is_of_fields_that_there_are():
    known = {name: set(shapes(model)) for name, model in (("storage", Storage), ("backup", Backup), ("records", Records))}
    part = tomllib.loads(example("backup"))
    assert set(part) == set(known)
    assert [name for name, table in part.items() for key in (table[0] if name == "storage" else table) if key not in known[name]] == []
    inverter = tomllib.loads(example("island"))["source"][0]
    assert [key for key in inverter if key not in shapes(Source)] == []
    assert [key for key in inverter["island"] if key not in shapes(Island)] == []
    said = README[README.index("### With backup") : README.index("What is needed and left out")]
    fields = set(re.findall(r"`(outage_\w+|backup_tier|locked_rotor_current|soft_start_current|running_power)`", said))
    assert fields <= set(shapes(Load))
    assert len(fields) == 8


def test_the_notebook_of_the_readme_runs_beside_the_home(tmp_path):
    (tmp_path / "my-home.toml").write_text(example("site file"), encoding="utf-8")
    overrides = ast.literal_eval(re.search(r"`overrides = (\{.+?\})`", README).group(1))
    opened = notebook.open(tmp_path / "my-home.toml", overrides=overrides)
    assert opened.sheet.results["code_load_va:charger"].value == 32 * 240
    declared = notebook_tools.declared(notebook_tools.read(ROOT / "notebooks" / "service_load.ipynb"))
    assert {"site_file", "overrides"} <= set(declared)


def test_every_file_that_the_readme_points_to_exists():
    pointed = re.findall(r"!?\[[^\]]*\]\(([^)#:]+)\)", README)
    assert pointed
    assert [name for name in pointed if not (ROOT / name).exists()] == []
