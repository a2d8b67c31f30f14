"""A kernel that is kept from one notebook to the next and put back before each to what it was when it started.

Papermill drives it through an engine of ours. What a notebook could leave behind is undone: names, the count of cells, history,
working folder, environment variables, module search path, warning filters, the drawing library's settings and open figures, the states
of random numbers and the precision of decimals.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator, Mapping
from pathlib import Path

from workbook_lib import notebook_tools
from workbook_lib.errors import MachineryFault

RESTORE_TIMEOUT_S = 60


class KeptKernel:
    """A started kernel with its client, for one notebook after another. Errors of its methods: MachineryFault."""

    def __init__(self, started: notebook_tools.Kernel):
        self._started = started
        self.runs_count = 0

    def run(self, source: Path, target: Path, parameters: Mapping[str, object], folder: Path):
        """Run a notebook in a kernel as it was at its start. Parameters and returns: those of `notebook_tools.execute`."""
        self._restore(folder)
        self.runs_count += 1
        return notebook_tools.execute(source, target, parameters, folder, self._started)

    def memory_mb(self) -> float:
        """Memory that the kernel holds [MB]."""
        return memory_mb(self._started.manager.provisioner.pid)

    def leave(self) -> None:
        """Put the kernel out of the folder of its last notebook."""
        self._restore(Path(os.sep))

    def _restore(self, folder: Path) -> None:
        code = f"from workbook_lib.batch import restore as _; _.restore(get_ipython(), {str(folder)!r})"
        reply = self._ask(code)
        if reply.get("status") != "ok":
            raise MachineryFault(f"a kept kernel could not be put back: {reply.get('ename', '')} {reply.get('evalue', '')}".strip())

    def _ask(self, code: str) -> Mapping[str, object]:
        """Run code of ours that leaves no trace. Returns: the kernel's reply."""
        client = self._started.client
        try:
            sent = client.execute(code, silent=True, store_history=False, allow_stdin=False, stop_on_error=False)
            while True:
                reply = client.get_shell_msg(timeout=RESTORE_TIMEOUT_S)
                if reply["parent_header"].get("msg_id") == sent:
                    break
            while True:
                told = client.get_iopub_msg(timeout=RESTORE_TIMEOUT_S)
                if told["parent_header"].get("msg_id") == sent and told["content"].get("execution_state") == "idle":
                    return reply["content"]
        except Exception as error:  # an empty queue or whatever a broken channel raises
            raise MachineryFault(f"a kept kernel does not answer: {type(error).__name__} {error}".strip()) from None


def memory_mb(process: int) -> float:
    """Memory that a process holds [MB], 0 for one that has ended."""
    import psutil

    try:
        return psutil.Process(process).memory_info().rss / 1e6
    except psutil.NoSuchProcess:
        return 0.0


@contextlib.contextmanager
def kept_kernel(folder: Path) -> Iterator[KeptKernel]:
    """A kernel to be kept, ended on leaving. Parameters: folder that it starts in. Errors: MachineryFault if none starts."""
    with notebook_tools.kernel(folder) as started:
        yield KeptKernel(started)
