"""Every public name says what it is; every provision says what it takes and gives, in which unit, and where it stands."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
LIBRARY = ROOT / "workbook_lib"
PROVISION = re.compile(r"\b(Step|Check|Quantity)\b")
"""A function of the rules whose answer is annotated as one of these is a provision."""

UNITS = {
    "mi",
    "VA",
    "kVA",
    "W",
    "kW",
    "kWh",
    "Wh",
    "VAh",
    "Ah",
    "A",
    "V",
    "hp",
    "ft",
    "ft^2",
    "in",
    "in^2",
    "cmil",
    "kcmil",
    "AWG",
    "degC",
    "ohm",
    "s",
    "h",
    "d",
    "count",
}
NO_UNIT = {"-", "any", "frac"}
"""What stands in brackets for a number without a unit, or for one whose unit is that of another."""


def public(tree: ast.Module) -> Iterator[tuple[str, ast.FunctionDef | ast.ClassDef]]:
    """Public functions and classes of a module, and public methods of its public classes."""
    kinds = (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)
    for node in tree.body:
        if isinstance(node, kinds) and not node.name.startswith("_"):
            yield node.name, node
            if isinstance(node, ast.ClassDef):
                for part in node.body:
                    if isinstance(part, kinds) and not part.name.startswith("_"):
                        yield f"{node.name}.{part.name}", part


def inherited(tree: ast.Module, library: dict[str, ast.ClassDef]) -> set[str]:
    """`Class.method` of each method that says what it is in a class that its own class is built on."""
    found = set()
    for name, _ in public(tree):
        owner, _, method = name.rpartition(".")
        if owner and any(method in documented(base) for base in ancestors(library.get(owner), library)):
            found.add(name)
    return found


def documented(node: ast.ClassDef) -> set[str]:
    """Names of a class that have a docstring."""
    return {part.name for part in node.body if isinstance(part, ast.FunctionDef) and ast.get_docstring(part)}


def ancestors(node: ast.ClassDef | None, library: dict[str, ast.ClassDef]) -> Iterator[ast.ClassDef]:
    """Classes of the library that a class is built on, near ones first."""
    for base in node.bases if node is not None else ():
        known = library.get(ast.unparse(base).split("[")[0].split(".")[-1])
        if known is not None and known is not node:
            yield known
            yield from ancestors(known, library)


def classes(*trees: ast.Module) -> dict[str, ast.ClassDef]:
    """Every class of some modules by its name."""
    return {node.name: node for tree in trees for node in ast.walk(tree) if isinstance(node, ast.ClassDef)}


def missing(text: str, library: dict[str, ast.ClassDef] | None = None) -> list[str]:
    """Public names of a module, and the module itself, without a docstring or with a first line that is no sentence."""
    tree = ast.parse(text)
    found = [] if ast.get_docstring(tree) else ["the module has no docstring"]
    explained = inherited(tree, {**(library or {}), **classes(tree)})
    for name, node in public(tree):
        said = (ast.get_docstring(node) or "").split("\n")[0].strip()
        if not said and name not in explained:
            found.append(f"{name} has no docstring")
        elif said and said[-1] not in ".:;?":
            found.append(f"{name}: the first line does not end as a sentence does")
    return found


def part_of(text: str, heading: str) -> str | None:
    """What a docstring says under one heading, up to the next; None where the heading is missing."""
    found = re.search(rf"\b{heading}\s*:?(.*?)(?=\b(?:Parameters|Returns|Errors|Source|Valid for|Notes?)\b\s*:|\Z)", text, re.DOTALL)
    return found.group(1).strip() if found else None


def units_in(text: str) -> list[str]:
    """What stands in square brackets."""
    return [unit.strip() for unit in re.findall(r"\[([^\]]+)\]", text)]


def unknown_units(text: str) -> list[str]:
    """Brackets that hold no known unit; words such as `same unit as first` are let through where they say `unit`."""
    return [
        unit
        for unit in units_in(text)
        if "unit" not in unit and not all(part.strip() in UNITS | NO_UNIT for part in re.split(r",|\bor\b|/", unit))
    ]


def takes_quantities(node: ast.FunctionDef) -> bool:
    """Whether a function takes something else than an edition, a key or a label."""
    arguments = [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]
    return any(re.search(r"\b(Input|Step|Quantity|LoadItem|float)\b", ast.unparse(one.annotation)) for one in arguments if one.annotation)


def contract(text: str) -> list[str]:
    """Public provisions of a rules module whose docstring leaves out units or the source."""
    problems = []
    for name, node in public(ast.parse(text)):
        if isinstance(node, ast.ClassDef) or node.returns is None or not PROVISION.search(ast.unparse(node.returns)):
            continue
        said = ast.get_docstring(node) or ""
        if takes_quantities(node) and not units_in(part_of(said, "Parameters") or ""):
            problems.append(f"{name}: Parameters names no [unit]")
        gives_number = re.search(r"\b(Step|Quantity)\b", ast.unparse(node.returns))
        given = part_of(said, "Returns")
        if gives_number and not units_in(given or ""):
            problems.append(f"{name}: Returns names no [unit]")
        if not gives_number and not given:
            problems.append(f"{name}: no Returns line")
        if not re.search(r"\w", part_of(said, "Source") or ""):
            problems.append(f"{name}: no Source line")
        problems += [f"{name}: [{unit}] is no known unit" for unit in unknown_units(said)]
    return problems


def named(folder: Path) -> list:
    """The modules of a folder as test parameters."""
    return [pytest.param(path, id=str(path.relative_to(ROOT))) for path in sorted(folder.rglob("*.py"))]


WHOLE = classes(*(ast.parse(path.read_text(encoding="utf-8")) for path in sorted(LIBRARY.rglob("*.py"))))


@pytest.mark.parametrize("path", named(LIBRARY))
def test_public_names_say_what_they_are(path):
    problems = missing(path.read_text(encoding="utf-8"), WHOLE)
    assert not problems, "\n".join(problems)


@pytest.mark.parametrize("path", named(LIBRARY / "rules"))
def test_provisions_name_units_and_source(path):
    problems = contract(path.read_text(encoding="utf-8"))
    assert not problems, "\n".join(problems)


GOOD = '''"""Rules."""


def tier(connected: Quantity, edition: Edition) -> Step:
    """First part whole, the rest at 40 %.

    Parameters: connected [VA]. Returns: [VA]. Source: 220.82(B).
    """
'''


@pytest.mark.parametrize(
    "change,words",
    [
        (("connected [VA]", "connected"), "Parameters names no [unit]"),
        (("Returns: [VA]", "Returns: a step"), "Returns names no [unit]"),
        ((" Source: 220.82(B).", ""), "no Source line"),
        (("[VA]", "[volts]"), "[volts] is no known unit"),
        (("-> Step", "-> dict[str, Step]"), None),
        (("-> Step", "-> bool"), None),
    ],
)
def test_the_contract_is_read_from_the_docstring(change, words):
    assert contract(GOOD) == []
    problems = contract(GOOD.replace(*change))
    assert (words is None and not problems) or any(words in problem for problem in problems)


def test_missing_docstrings_are_found():
    bad = "class A:\n    def run(self):\n        pass\n\n    def _own(self):\n        pass\n\n\ndef f():\n    '''no end'''\n"
    assert missing(bad) == [
        "the module has no docstring",
        "A has no docstring",
        "A.run has no docstring",
        "f: the first line does not end as a sentence does",
    ]


BASE = """'m.'
class A:
    'A.'
    def run(self):
        'Run.'
class B(A):
    'B.'
    def run(self):
        pass
"""


def test_a_method_may_inherit_its_docstring():
    assert missing(BASE) == []
    assert missing(BASE.replace("(A)", "")) == ["B.run has no docstring"]
