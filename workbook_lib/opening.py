"""Opening a home to work on it: its notebooks copied beside it, JupyterLab started on them, and ended with it.

What an engineer changed in a copy is never overwritten. The kernel is the interpreter that runs this, whatever is registered under the
name of its kind; the server listens on this machine alone and asks for its token.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import signal
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import quote

from workbook_lib import notebook, notebook_tools
from workbook_lib.errors import Fault, InputFault, MachineryFault
from workbook_lib.home import read_home
from workbook_lib.home.raw import parse_toml, read_bytes
from workbook_lib.live import homes, keeping
from workbook_lib.workbooks import REGISTRY

COPIED = "copied.json"
"""Beside the copies: the SHA-256 of what each said when it was copied."""
HOST = "127.0.0.1"
COPIES = (*REGISTRY, notebook.START)
"""Notebooks that are copied for a home."""
KERNEL_CODE = "from workbook_lib.notebook_tools import kernel_main; kernel_main()"
BEGIN = "python3 -m workbook_lib open FOLDER, then New home"
ENDED = (0, -signal.SIGINT, -signal.SIGTERM, 128 + signal.SIGINT, 128 + signal.SIGTERM)
"""What a server that was ended on purpose returns."""

Say = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Opening:
    """What is to be opened: `root`, the folder that the lab shows; `live`, the folder of the copies in it; the notebook to show first."""

    root: Path
    live: Path
    first: str
    site: Path | None = None

    @property
    def address(self) -> str:
        """Path of the first notebook in the lab."""
        return f"/lab/tree/{quote(f'{self.live.name}/{self.first}.ipynb')}"


def target(given: str | Path, workbook: str, say: Say) -> Opening:
    """What a site file or a folder opens. Faults of a site file that can be mended in its form are counted, and it opens.

    Parameters: site file or folder, workbook to show first, what takes each line for the user. Returns: Opening. Errors: InputFault where
    there is nothing to open: no such file (with how a new home is begun), no TOML, no site file.
    """
    path = Path(given)
    if path.is_dir():
        return Opening(path, path / f"{notebook.START}{keeping.FOLDER}", notebook.START)
    if not path.exists():
        raise InputFault([_not_there(path)])
    data, fault = read_bytes(path.as_posix(), path)
    if fault is None:
        _, fault, _ = parse_toml(path.as_posix(), data)
    if fault is not None:
        raise InputFault([fault])
    if not homes.is_site_file(path):
        raise InputFault(
            [Fault(path.as_posix(), "", "is no site file", "", "a file that describes one home", "name a site file or a folder")]
        )
    try:
        read_home(path)
    except InputFault as error:
        count = len(error.faults)
        say(f"{path.name} has {count} fault{'' if count == 1 else 's'}: it opens nevertheless, to be mended in its form")
    return Opening(path.parent, keeping.folder_of(path), workbook, path)


def _not_there(path: Path) -> Fault:
    if (keeping.folder_of(path) / keeping.WORKING).is_file():
        folder = path.parent.as_posix()
        todo = f"a visit of it is half done: python3 -m workbook_lib open {folder}, then take it up"
    else:
        todo = f"check the name; to begin a new home: {BEGIN}"
    return Fault(path.as_posix(), "", "is not there", "", "a site file, or a folder with site files", todo)


# copies


def copy_notebooks(opening: Opening, say: Say) -> None:
    """Copy the notebooks to work in, with their parameters set and without outputs; one that was changed stays as it is, and is named.

    Parameters: what is opened, what takes each line for the user. Errors: MachineryFault, OSError.
    """
    opening.live.mkdir(parents=True, exist_ok=True)
    known = _known(opening.live / COPIED)
    kept = []
    for name in COPIES if opening.site is not None else (notebook.START,):
        made = copy_of(name, parameters(name, opening.site))
        place, digest = opening.live / f"{name}.ipynb", said_sha256(made)
        if place.exists():
            there = _said_there(place)
            if there != digest and there != known.get(name):
                kept.append(place.name)
                continue
        if not place.exists() or there != digest:
            keeping.write(place, notebook_tools.text_of(made))
        known[name] = digest
    keeping.write(opening.live / COPIED, json.dumps(known, indent=1, sort_keys=True) + "\n")
    if kept:
        verb, them = ("was", "it") if len(kept) == 1 else ("were", "them")
        say(f"{', '.join(kept)} in {opening.live.name} {verb} changed and kept; remove {them} to have a fresh copy")


def parameters(name: str, site: Path | None) -> dict[str, object]:
    """Parameters of a copy. Parameters: notebook; site file, None for a folder. Returns: values by name."""
    if name == notebook.START:
        return {"folder": "..", "interactive": True}
    return {"site_file": f"../{site.name}", "interactive": True}


def copy_of(name: str, given: Mapping[str, object]):
    """A notebook without outputs, with parameters set in its own cell. Parameters: name, values. Returns: the notebook.

    Errors: MachineryFault for a parameter that it does not have.
    """
    made = notebook_tools.read(notebook.notebook_path(name))
    values = {**notebook_tools.declared(made), **notebook_tools.checked(made, given)}
    for cell in made.cells:
        if cell.cell_type == "code":
            cell.outputs, cell.execution_count = [], None
            if "parameters" in cell.metadata.get("tags", []):
                cell.source = "\n".join(f"{key} = {_literal(value)}" for key, value in values.items())
    return notebook_tools.normalise(made)


def _literal(value: object) -> str:
    return json.dumps(value, ensure_ascii=False) if isinstance(value, str) else repr(value)


def said_sha256(made) -> str:
    """SHA-256 of what the cells of a notebook say, whatever they have shown. Parameters: notebook."""
    said = [[cell.cell_type, cell.source] for cell in made.cells]
    return hashlib.sha256(json.dumps(said).encode()).hexdigest()


def _said_there(place: Path) -> str:
    """SHA-256 of what a copy says; empty where it is no notebook any more."""
    try:
        return said_sha256(notebook_tools.read(place))
    except MachineryFault:
        return ""


def _known(place: Path) -> dict[str, str]:
    """What the copies said as they were made; nothing where that is lost, so that every copy is taken as changed."""
    try:
        found = json.loads(place.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return {key: value for key, value in found.items() if isinstance(value, str)} if isinstance(found, dict) else {}


# the lab


def command(opening: Opening, *, browser: bool = True, port: int | None = None) -> list[str]:
    """The line that starts JupyterLab. Parameters: what is opened, whether a browser is opened, port (None: the usual). Returns: words."""
    line = [sys.executable, "-m", "jupyterlab", f"--ServerApp.root_dir={opening.root.resolve()}", f"--ServerApp.ip={HOST}"]
    line += [f"--LabApp.default_url={opening.address}", "--ServerApp.answer_yes=True"]
    line += [] if browser else ["--no-browser"]
    line += [] if port is None else [f"--ServerApp.port={port}"]
    return line + (["--allow-root"] if hasattr(os, "geteuid") and os.geteuid() == 0 else [])


@contextlib.contextmanager
def environment() -> Iterator[dict[str, str]]:
    """The environment of the lab: in it the kernel of the notebooks is this interpreter with this package. Ends with the block."""
    with tempfile.TemporaryDirectory(prefix="workbook-lab-") as name:
        package = str(Path(__file__).resolve().parent.parent)
        path = os.pathsep.join(part for part in (package, os.environ.get("PYTHONPATH", "")) if part)
        spec = {
            "argv": [sys.executable, "-P", "-c", KERNEL_CODE, "-f", "{connection_file}"],
            "display_name": notebook_tools.METADATA["kernelspec"]["display_name"],
            "language": "python",
            "env": {"PYTHONPATH": path, "PYDEVD_DISABLE_FILE_VALIDATION": "1"},
        }
        place = Path(name) / "kernels" / notebook_tools.KERNEL
        place.mkdir(parents=True)
        (place / "kernel.json").write_text(json.dumps(spec), encoding="utf-8")
        searched = os.pathsep.join(part for part in (name, os.environ.get("JUPYTER_PATH", "")) if part)
        yield {**os.environ, "JUPYTER_PATH": searched}


def run(line: Sequence[str], given: Mapping[str, str], folder: Path) -> None:
    """Run a server until it ends; a signal that ends this process ends the server, and is waited for.

    Parameters: line, environment, working folder. Errors: MachineryFault where it did not end on purpose.
    """
    started: list[subprocess.Popen] = []
    asked: list[int] = []

    def end(number: int, _: object) -> None:
        asked.append(number)
        for process in started:
            process.terminate()

    names = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
    before = {name: signal.signal(name, end) for name in names}
    try:
        started.append(subprocess.Popen(list(line), env=dict(given), cwd=folder))
        if asked:
            started[0].terminate()
        status = started[0].wait()
    finally:
        for name, handler in before.items():
            signal.signal(name, handler)
    if status not in ENDED and not asked:
        raise MachineryFault(f"JupyterLab ended with status {status}; what it said stands above")


def copies_of(given: str | Path, workbook: str, say: Say) -> Path:
    """Copy the notebooks of a home, or the start of a folder, and start nothing.

    Parameters: site file or folder, workbook to show first, what takes each line for the user. Returns: the first notebook. Errors:
    InputFault, MachineryFault, OSError.
    """
    opening = target(given, workbook, say)
    copy_notebooks(opening, say)
    return opening.live / f"{opening.first}.ipynb"


def open_site(given: str | Path, workbook: str, say: Say, *, browser: bool = True, port: int | None = None) -> None:
    """Open a site file, or the start of a folder, in JupyterLab and wait until that ends.

    Parameters: site file or folder, workbook to show first, what takes each line for the user, whether a browser is opened, port.
    Errors: InputFault, MachineryFault, OSError.
    """
    opening = target(given, workbook, say)
    copy_notebooks(opening, say)
    with environment() as own:
        run(command(opening, browser=browser, port=port), own, opening.root)
