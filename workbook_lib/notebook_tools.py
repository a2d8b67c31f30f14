"""Running notebooks and keeping them stable: parameters, kernel, papermill, normalised outputs.

Also a command: `python3 -m workbook_lib.notebook_tools normalise|check|execute FILE...` keeps the
notebooks of this repository executed, with outputs that change only when a result does.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import errno
import functools
import importlib
import os
import sys
import tempfile
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from workbook_lib.errors import MachineryFault

KERNEL = "python3"
METADATA = {
    "kernelspec": {"display_name": "Python 3 (ipykernel)", "language": "python", "name": KERNEL},
    "language_info": {"name": "python"},
}
"""All the metadata that a kept notebook has."""
GRAMMAR = "rfc3987_syntax"
INJECTED = "injected-parameters"
UNWRITABLE = (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EROFS, errno.EACCES, errno.EPERM)
"""Errors that say that nothing more can be written."""
ENGINE = "started-kernel"
"""Name under which papermill knows our engine."""
SOCKET_NAME_MOST = 100
"""Bytes that the name of a socket's file may have: 104 to 108 on the systems that there are. From memory."""
START_ATTEMPTS = 3
START_TIMEOUT_S = 60
CELL_TIMEOUT_S = 300
OUTPUT_TIMEOUT_S = 60
"""How long what a cell has shown may be on its way once the cell is done: a busy machine takes its time, and none of it may be lost."""
PRELOADED = (
    "workbook_lib.home",
    "workbook_lib.workbooks.service_load",
    "workbook_lib.notebook",
    "workbook_lib.render.figures",
    "matplotlib.backends.backend_svg",
    "matplotlib.figure",
    "IPython.display",
)
"""What a kernel imports on the side while it starts, because every notebook uses it."""


class NotebookFailed(MachineryFault):
    """A notebook stopped with an error; `kind` and `reason` are the error's name and words."""

    def __init__(self, notebook: str, kind: str, reason: str):
        self.kind, self.reason = kind, reason
        super().__init__(f"notebook {notebook} stopped with {kind}: {reason}")


def load_nbformat() -> None:
    """Load nbformat without the grammar of a kind of text (`iri`) that no notebook has.

    The grammar is an optional part of jsonschema, is built anew by every process, and takes as long as
    all the rest together. Where jsonschema is loaded already there is nothing to leave out.
    """
    left_out = not {GRAMMAR, "jsonschema"} & sys.modules.keys()
    if left_out:
        sys.modules[GRAMMAR] = None
    try:
        importlib.import_module("nbformat")
    finally:
        if left_out:
            sys.modules.pop(GRAMMAR, None)


def read(path: Path):
    """A notebook from its file, as nbformat gives it. Errors: MachineryFault if it is not a notebook."""
    load_nbformat()
    import nbformat

    try:
        return nbformat.read(path, as_version=4)
    except (OSError, ValueError, nbformat.reader.NotJSONError) as error:
        raise MachineryFault(f"{path.name} is not a notebook: {error}") from None


def declared(notebook) -> dict[str, object]:
    """Parameters that a notebook declares, with their defaults. Errors: MachineryFault if its cell is not one of literals."""
    cells = [cell for cell in notebook.cells if "parameters" in cell.metadata.get("tags", [])]
    if len(cells) != 1:
        raise MachineryFault(f"{len(cells)} cells are tagged parameters, there must be one")
    found: dict[str, object] = {}
    for line in ast.parse(cells[0].source).body:
        if not isinstance(line, ast.Assign) or len(line.targets) != 1 or not isinstance(line.targets[0], ast.Name):
            raise MachineryFault(f"the parameters cell holds {ast.unparse(line)!r}; one name and one literal a line")
        try:
            found[line.targets[0].id] = ast.literal_eval(line.value)
        except ValueError:
            raise MachineryFault(f"the parameter {line.targets[0].id} is no literal") from None
    return found


def checked(notebook, parameters: Mapping[str, object]) -> dict[str, object]:
    """The parameters, once each is one that the notebook declares and a value that a notebook takes as it is.

    Errors: MachineryFault naming the parameter and the names that there are.
    """
    names = declared(notebook)
    for name, value in parameters.items():
        if name not in names:
            raise MachineryFault(f"the notebook has no parameter {name!r}; there are {', '.join(names)}")
        if not _plain(value):
            raise MachineryFault(
                f"the parameter {name} is {type(value).__name__}; text, number, yes or no, none, lists and mappings of them are taken"
            )
    return dict(parameters)


def _plain(value: object) -> bool:
    if isinstance(value, dict):
        return all(isinstance(key, str) and _plain(item) for key, item in value.items())
    if isinstance(value, list):
        return all(_plain(item) for item in value)
    return value is None or type(value) in (str, int, float, bool)


def kernel_main() -> None:
    """Process of a kernel: imports what every notebook uses on the side while the kernel starts."""
    from threading import Thread

    Thread(target=_preload, daemon=True).start()
    from ipykernel.kernelapp import IPKernelApp

    IPKernelApp.launch_instance()


def _preload() -> None:
    for name in PRELOADED:
        with contextlib.suppress(ImportError):  # the cell that needs it reports it
            importlib.import_module(name)


def _specs():
    from jupyter_client.kernelspec import KernelSpec, KernelSpecManager

    class ThisInterpreter(KernelSpecManager):
        """Every kernel is the interpreter that runs this, whatever is registered under its name."""

        def get_kernel_spec(self, kernel_name: str) -> KernelSpec:
            code = "from workbook_lib.notebook_tools import kernel_main; kernel_main()"
            argv = [sys.executable, "-P", "-c", code, "-f", "{connection_file}"]
            return KernelSpec(argv=argv, display_name="Python 3", language="python")

    return ThisInterpreter()


def _environment(scratch: Path) -> dict[str, str]:
    """Environment of a kernel: this package on its path, no start-up files or hooks of the user's own."""
    package = str(Path(__file__).resolve().parent.parent)
    path = os.pathsep.join(part for part in (package, os.environ.get("PYTHONPATH", "")) if part)
    own = {"PYTHONPATH": path, "IPYTHONDIR": str(scratch), "PYDEVD_DISABLE_FILE_VALIDATION": "1", "MPLBACKEND": "agg"}
    return {**os.environ, **own}


@dataclass(frozen=True)
class Kernel:
    """A started kernel that answers: its manager, and the client through which it is spoken to."""

    manager: object
    client: object


@contextlib.contextmanager
def kernel(folder: Path) -> Iterator[Kernel]:
    """A started kernel of this interpreter with `folder` as its working folder, ended on leaving.

    What the kernel prints as it starts is kept from the terminal. Errors: MachineryFault with the last
    of it, after `START_ATTEMPTS` attempts, or if it does not answer.
    """
    from jupyter_client.manager import AsyncKernelManager, KernelManager  # noqa: F401  (the first loads the second's loop)

    with tempfile.TemporaryDirectory(prefix="workbook-kernel-") as name:
        scratch = Path(name)
        with open(scratch / "said.txt", "w+", encoding="utf-8") as said:
            manager = _started(KernelManager, folder, scratch, said)
            with contextlib.ExitStack() as ending:
                ending.callback(manager.shutdown_kernel, now=True)
                client = manager.client()
                ending.callback(client.stop_channels)
                client.start_channels()
                try:
                    client.wait_for_ready(timeout=START_TIMEOUT_S)
                except RuntimeError as error:
                    raise MachineryFault(f"a kernel does not answer: {error}") from None
                client.allow_stdin = False
                yield Kernel(manager, client)


def _started(manager_class, folder: Path, scratch: Path, said):
    reason: Exception | None = None
    for attempt in range(START_ATTEMPTS):
        own = _connection(scratch / f"kernel-{attempt}")
        manager = manager_class(kernel_name=KERNEL, kernel_spec_manager=_specs(), shutdown_wait_time=0.5, **own)
        try:
            manager.start_kernel(cwd=str(folder), env=_environment(scratch), stdout=said, stderr=said)
        except Exception as error:  # whatever the start of a process raises: tried again, then reported
            reason = error
            time.sleep(0.5 * (attempt + 1))
        else:
            return manager
    said.seek(0)
    raise MachineryFault(f"no kernel starts ({sys.executable}): {reason} {said.read()[-500:]}".strip())


def _connection(place: Path) -> dict[str, str]:
    """How a kernel is spoken to: through files of its own folder where the system and the length of their names allow.

    Ports of this machine are given out again: a client of another kernel that has just ended may knock at one of this kernel's, and
    what the kernel says of it stands in the notebook.
    """
    file = place.with_suffix(".json")
    short = len(os.fsencode(place)) + len("-ipc-99") <= SOCKET_NAME_MOST
    return {"connection_file": str(file), "transport": "ipc" if os.name == "posix" and short else "tcp"}


@functools.cache
def _engine() -> str:
    """Name of our engine, once papermill knows it."""
    load_nbformat()
    from papermill.clientwrap import PapermillNotebookClient
    from papermill.engines import NBClientEngine, papermill_engines
    from papermill.log import logger

    class StartedKernelEngine(NBClientEngine):
        """Runs a notebook on a kernel and through a client that are there already, and leaves both there."""

        @classmethod
        def execute_managed_notebook(
            cls,
            nb_man,
            kernel_name,
            log_output=False,
            stdout_file=None,
            stderr_file=None,
            start_timeout=60,
            execution_timeout=None,
            input_path=None,
            autosave_cell_every=0,
            started=None,
        ):
            limits = {"timeout": execution_timeout, "iopub_timeout": OUTPUT_TIMEOUT_S}
            client = PapermillNotebookClient(nb_man, km=started.manager, kernel_name=kernel_name, log=logger, **limits)
            client.kc = started.client
            return client.execute()

    papermill_engines.register(ENGINE, StartedKernelEngine)
    return ENGINE


def execute(source: Path, target: Path, parameters: Mapping[str, object], folder: Path, started: Kernel) -> object:
    """Run a notebook through papermill on a started kernel and write it once, normalised.

    Parameters: source and target files, parameters by name, working folder, kernel. Returns: the notebook. Errors: NotebookFailed if
    a cell fails (the target then holds the notebook as far as it came), MachineryFault if the kernel dies or papermill refuses.
    """
    load_nbformat()
    import nbformat
    import papermill
    from nbclient.exceptions import CellTimeoutError, DeadKernelError
    from papermill.exceptions import PapermillException, PapermillExecutionError

    given = checked(read(source), parameters)
    try:
        notebook = papermill.execute_notebook(
            str(source),
            str(target),
            parameters=given,
            kernel_name=KERNEL,
            language="python",
            progress_bar=False,
            request_save_on_cell_execute=False,
            autosave_cell_every=0,
            execution_timeout=CELL_TIMEOUT_S,
            engine_name=_engine(),
            started=started,
        )
    except PapermillExecutionError as error:
        raise NotebookFailed(source.name, error.ename, error.evalue) from None
    except (PapermillException, DeadKernelError, CellTimeoutError, RuntimeError, OSError) as error:
        if isinstance(error, OSError) and error.errno in UNWRITABLE:
            raise
        raise MachineryFault(f"notebook {source.name} did not run: {error}") from None
    kept = normalise(notebook)
    nbformat.write(kept, target)
    return kept


def normalise(notebook):
    """The notebook without times, run metadata and random ids; outputs and counts stay. Returns: the same object."""
    import nbformat

    notebook.metadata = nbformat.from_dict(METADATA)
    notebook.nbformat_minor = 5
    for cell in notebook.cells:
        tags = cell.metadata.get("tags", [])
        cell.metadata = nbformat.from_dict({"tags": list(tags)} if tags else {})
        if INJECTED in tags:
            cell.id = INJECTED
        if cell.cell_type == "code":
            for output in cell.outputs:
                if "metadata" in output:
                    output.metadata = nbformat.from_dict({})
    return notebook


def text_of(notebook) -> str:
    """The bytes of a kept notebook as text."""
    import nbformat

    return nbformat.writes(notebook).rstrip("\n") + "\n"


def faults(path: Path) -> list[str]:
    """Why a kept notebook is not normalised and executed; empty if it is."""
    stored = path.read_text(encoding="utf-8")
    notebook = read(path)
    problems = [] if text_of(normalise(notebook)) == stored else ["not normalised"]
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    counts = [cell.execution_count for cell in code]
    if counts != list(range(1, len(code) + 1)):
        problems.append(f"execution counts {counts}, not 1 to {len(code)}: run it whole")
    shows = [cell for cell in code if cell.source.strip() and not {"parameters", INJECTED} & set(cell.metadata.get("tags", []))]
    problems += [f"cell {cell.id} has no output" for cell in shows if not cell.outputs]
    problems += [f"cell {cell.id} holds an error" for cell in code if any(output.output_type == "error" for output in cell.outputs)]
    return problems


def execute_in_place(path: Path) -> None:
    """Run a kept notebook with its own parameters in its own folder and write it normalised.

    Errors: MachineryFault if it fails; the file is then as it was.
    """
    import nbformat
    from nbclient import NotebookClient
    from nbclient.exceptions import CellExecutionError, CellTimeoutError, DeadKernelError

    notebook = read(path)
    with kernel(path.resolve().parent) as started:
        try:
            limits = {"timeout": CELL_TIMEOUT_S, "iopub_timeout": OUTPUT_TIMEOUT_S, "raise_on_iopub_timeout": True}
            client = NotebookClient(notebook, km=started.manager, kernel_name=KERNEL, **limits)
            client.kc = started.client
            client.execute()
        except CellExecutionError as error:
            raise NotebookFailed(path.name, error.ename, error.evalue) from None
        except (CellTimeoutError, DeadKernelError, RuntimeError) as error:
            raise MachineryFault(f"notebook {path.name} did not run: {error}") from None
    nbformat.validate(notebook)
    path.write_text(text_of(normalise(notebook)), encoding="utf-8")


def main(arguments: Sequence[str] | None = None) -> int:
    """The command. Returns: exit status, 1 if a checked notebook is not as it should be, 3 if one does not run."""
    parser = argparse.ArgumentParser(prog="python3 -m workbook_lib.notebook_tools", description=__doc__.split("\n\n")[0])
    parser.add_argument("action", choices=("normalise", "check", "execute"))
    parser.add_argument("files", nargs="+", type=Path, metavar="FILE")
    given = parser.parse_args(arguments)
    status = 0
    for path in given.files:
        try:
            if given.action == "execute":
                execute_in_place(path)
            elif given.action == "normalise":
                path.write_text(text_of(normalise(read(path))), encoding="utf-8")
            found = faults(path) if given.action == "check" else []
        except MachineryFault as error:
            print(f"{path}: {error}", file=sys.stderr)
            return 3
        for fault in found:
            print(f"{path}: {fault}", file=sys.stderr)
            status = 1
    return status


if __name__ == "__main__":
    sys.exit(main())
