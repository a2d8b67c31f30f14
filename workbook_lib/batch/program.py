"""What the program that makes a study consists of, and how two such programs differ, in words.

Counted: the code of every module that shapes a result, without comments, docstrings and layout; the code cells of the notebooks; every
value, section number and table cell of the editions as each edition takes it, without where it was read and remarks; data files; the
versions of the libraries that compute and render. Prose and style sheets are not counted: they change no result.
"""

from __future__ import annotations

import ast
import contextlib
import csv
import hashlib
import json
import platform
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from importlib import metadata
from pathlib import Path

from workbook_lib.editions import YEARS

PACKAGE = Path(__file__).resolve().parent.parent
LEFT_OUT = (
    "__main__",
    "batch.",
    "live.",
    "opening",
    "home.difference",
    "home.patch",
    "home.portfolio",
    "workbooks.portfolio",
    "render.portfolio",
)
"""Modules that choose what is run, file it and sum it up, and shape no study."""
LIBRARIES = (
    *("ipykernel", "ipython", "lxml", "matplotlib", "nbclient", "nbconvert", "nbformat", "numba", "numpy"),
    *("pandas", "papermill", "pint", "pvlib", "pydantic", "scipy"),
)
PROSE = ("source", "note", "status_note", "meaning")
"""Columns that hold where a value was read and remarks."""
PARTS = ("library", "notebooks", "editions", "environment")
Editions = Mapping[str, Mapping[str, str]]


@dataclass(frozen=True)
class Program:
    """The state of the program. `library` and `notebooks`: name -> SHA-256; `editions`: year -> place -> text; `environment`: versions."""

    library: Mapping[str, str]
    notebooks: Mapping[str, str]
    editions: Editions
    environment: Mapping[str, str]

    @property
    def sha256(self) -> str:
        """Hash of all of it."""
        return hashlib.sha256(self.to_bytes()).hexdigest()

    def to_bytes(self) -> bytes:
        """As JSON."""
        return (json.dumps({part: getattr(self, part) for part in PARTS}, sort_keys=True, indent=1) + "\n").encode()


@dataclass(frozen=True, slots=True)
class Difference:
    """One thing that differs between two programs. `kind`: code, notebook, edition, environment; `year`: of an edition, else empty."""

    kind: str
    words: str
    year: str = ""


def from_bytes(content: bytes) -> Program:
    """A program from its JSON. Errors: ValueError, KeyError, TypeError where it is none."""
    held = json.loads(content)
    return Program(*(held[part] for part in PARTS))


def this_program(memory: Path | None = None) -> Program:
    """The program as it stands. Parameters: a file that remembers the hash of code by the hash of its file, so that it is quick again."""
    known = _remembered(memory)
    before = dict(known)
    library = {name: _code_sha256(path.read_bytes(), known) for name, path in _modules()}
    library |= {name: _data_sha256(path) for name, path in _data_files()}
    notebooks = {path.stem: _notebook_sha256(path) for path in _notebooks()}
    if memory is not None and known != before:
        with contextlib.suppress(OSError):  # it is only slower without
            memory.write_text(json.dumps(known, sort_keys=True, indent=0), encoding="utf-8")
    return Program(library, notebooks, {year: _edition(year) for year in YEARS}, _environment())


def stamp() -> str:
    """What tells quickly whether a file of the program was touched: sizes and times of change."""
    found = [(path.as_posix(), one.st_mtime_ns, one.st_size) for path in _files() for one in (path.stat(),)]
    return hashlib.sha256(json.dumps(found).encode()).hexdigest()


def _files() -> list[Path]:
    tables = sorted(path for kind in ("*.csv", "*.toml") for path in PACKAGE.rglob(kind))
    return [*(path for _, path in _modules()), *tables, *_notebooks()]


def _remembered(memory: Path | None) -> dict[str, str]:
    if memory is None or not memory.is_file():
        return {}
    try:
        held = json.loads(memory.read_text(encoding="utf-8"))
    except ValueError:
        return {}
    sound = isinstance(held, dict) and all(isinstance(one, str) for one in held.values())
    return held if sound else {}


# what there is


def _modules() -> Iterable[tuple[str, Path]]:
    for path in sorted(PACKAGE.rglob("*.py")):
        name = ".".join(path.relative_to(PACKAGE).with_suffix("").parts)
        if not name.startswith(LEFT_OUT):
            yield f"workbook_lib.{name}", path


def _data_files() -> Iterable[tuple[str, Path]]:
    for path in sorted((*PACKAGE.rglob("*.csv"), *PACKAGE.rglob("*.toml"))):
        relative = path.relative_to(PACKAGE)
        if not (relative.parts[0] == "editions" and len(relative.parts) == 3):
            yield relative.as_posix(), path


def _notebooks() -> Iterable[Path]:
    folder = next(folder for folder in (PACKAGE / "notebooks", PACKAGE.parent / "notebooks") if folder.is_dir())
    return sorted(path for path in folder.glob("*.ipynb") if not path.stem.startswith(("portfolio", "start")))


def _code_sha256(content: bytes, known: dict[str, str]) -> str:
    """Hash of what code does, by its syntax tree."""
    raw = hashlib.sha256(content).hexdigest()
    if raw not in known:
        known[raw] = hashlib.sha256(code_text(content.decode("utf-8")).encode()).hexdigest()
    return known[raw]


def code_text(source: str) -> str:
    """The syntax tree of code without docstrings, as text: the same for two sources that differ in comments and layout alone."""
    tree = ast.parse(source)
    for node in ast.walk(tree):
        body = getattr(node, "body", None)
        if isinstance(body, list):
            kept = [line for line in body if not (isinstance(line, ast.Expr) and isinstance(line.value, ast.Constant))]
            node.body = kept or ([ast.Pass()] if not isinstance(node, ast.Module) else [])
    return ast.dump(tree)


def _notebook_sha256(path: Path) -> str:
    """Hash of the code of a notebook; its prose and kept outputs are not counted."""
    cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    sources = ["".join(cell["source"]) for cell in cells if cell["cell_type"] == "code"]
    tags = [cell.get("metadata", {}).get("tags", []) for cell in cells if cell["cell_type"] == "code"]
    return hashlib.sha256(json.dumps([[code_text(text) for text in sources], tags]).encode()).hexdigest()


def _data_sha256(path: Path) -> str:
    """Hash of a data file's values, whatever its layout."""
    if path.suffix == ".toml":
        held: object = tomllib.loads(path.read_text(encoding="utf-8"))
    else:
        lines = [line for line in path.read_text(encoding="utf-8").splitlines() if line.strip() and not line.startswith("#")]
        held = list(csv.reader(lines))
    return hashlib.sha256(json.dumps(held, sort_keys=True, default=str).encode()).hexdigest()


def _rows(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return [{key: text for key, text in row.items() if key not in PROSE} for row in csv.DictReader(file)]


def _edition(year: str) -> dict[str, str]:
    """What an edition says, place by place, tables taken over from another edition included."""
    folder = PACKAGE / "editions" / year
    head = tomllib.loads((folder / "edition.toml").read_text(encoding="utf-8"))
    found = {"status": head["status"]}
    for key in head.get("unseen", {}):
        found[f"values: {key}"] = "not seen in a source"
    for row in _rows(folder / "values.csv"):
        found[f"values: {row['key']}"] = " ".join(filter(None, (row["value"], row["unit"], row["locator"], row["status"])))
    for row in _rows(folder / "cites.csv"):
        found[f"section numbers: {row['key']}"] = " ".join(filter(None, (row["locator"], row["status"])))
    for name, entry in head["table"].items():
        found[name] = " ".join(filter(None, (entry.get("locator", ""), entry.get("status", ""))))
        owner = entry.get("same_as", year)
        for number, row in enumerate(_rows(PACKAGE / "editions" / owner / f"{name}.csv"), 1):
            columns = [(key, text) for key, text in row.items() if key != "edition"]
            label = columns[0][1] or str(number)
            for column, text in columns[1:]:
                place = f"{name}[{label}].{column}"
                found[place if place not in found else f"{name}[{label}, row {number}].{column}"] = text
    return found


def _environment() -> dict[str, str]:
    found = {"python": platform.python_version()}
    for name in LIBRARIES:
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            continue
    return found


# how two differ


def differences(old: Program, new: Program) -> tuple[Difference, ...]:
    """What differs from one program to another, each in words with before and now."""
    found = [Difference("code", _words("module" if "/" not in name else "data file", name, *sides)) for name, sides in _moved(old, new, 0)]
    found += [Difference("notebook", _words("code of the notebook", name, *sides)) for name, sides in _moved(old, new, 1)]
    for year in sorted({*old.editions, *new.editions}):
        before, now = old.editions.get(year, {}), new.editions.get(year, {})
        for place, sides in _pairs(before, now):
            found.append(Difference("edition", f"edition {year}, {place}: {_side(sides[0])} -> {_side(sides[1])}", year))
    for name, sides in _moved(old, new, 3):
        found.append(Difference("environment", f"{name}: {_side(sides[0])} -> {_side(sides[1])}"))
    return tuple(found)


def _moved(old: Program, new: Program, part: int) -> list[tuple[str, tuple[str | None, str | None]]]:
    return _pairs(getattr(old, PARTS[part]), getattr(new, PARTS[part]))


def _pairs(before: Mapping[str, str], now: Mapping[str, str]) -> list[tuple[str, tuple[str | None, str | None]]]:
    names = dict.fromkeys((*before, *now))
    return [(name, (before.get(name), now.get(name))) for name in names if before.get(name) != now.get(name)]


def _words(kind: str, name: str, before: str | None, now: str | None) -> str:
    what = "is new" if before is None else "is gone" if now is None else "changed"
    return f"{kind} {name} {what}"


def _side(text: str | None) -> str:
    return "nothing" if text is None else text or "empty"
