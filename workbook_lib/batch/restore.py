"""In the kernel: remembers how it was at its start, and puts it back."""

from __future__ import annotations

import contextlib
import decimal
import gc
import locale
import os
import random
import sys
import warnings

SETTLED_AFTER = 8
"""Notebooks after which nearly all that they load is loaded."""
_BEGUN: dict[str, object] = {}
"""What the kernel was like at the first call, by what it is of."""


def restore(shell, folder: str) -> None:
    """Put the kernel back to how it was when this was first called. Parameters: IPython's shell, the next working folder."""
    if not _BEGUN:
        _BEGUN.update(_state(shell), times=0)
    shell.reset(new_session=True)
    for name in set(shell.user_ns) - set(_BEGUN["names"]):
        del shell.user_ns[name]
    for name in set(_BEGUN["names"]) - set(shell.user_ns):
        shell.user_ns[name] = _BEGUN["names"][name]
    os.environ.clear()
    os.environ.update(_BEGUN["environment"])
    sys.path[:] = _BEGUN["path"]
    sys.argv[:] = _BEGUN["arguments"]
    warnings.filters[:] = _BEGUN["warnings"]
    warnings._filters_mutated()
    decimal.setcontext(_BEGUN["decimal"].copy())
    random.setstate(_BEGUN["random"])
    with contextlib.suppress(locale.Error):
        locale.setlocale(locale.LC_ALL, _BEGUN["locale"])
    _libraries(*_BEGUN["libraries"])
    forget()
    _settle()
    os.chdir(folder)
    shell.user_ns["_dh"][:] = [folder]


def _settle() -> None:
    """While notebooks still load what they use, put it out of the way of the search for garbage, which every reset makes."""
    _BEGUN["times"] += 1
    if _BEGUN["times"] <= SETTLED_AFTER:
        gc.collect()
        gc.freeze()


def _state(shell) -> dict[str, object]:
    import matplotlib
    import numpy as np

    numbers = (np.geterr(), np.get_printoptions(), np.random.get_state())  # noqa: NPY002
    return {
        "names": dict(shell.user_ns),
        "environment": dict(os.environ),
        "path": list(sys.path),
        "arguments": list(sys.argv),
        "warnings": list(warnings.filters),
        "decimal": decimal.getcontext().copy(),
        "random": random.getstate(),
        "locale": locale.setlocale(locale.LC_ALL),
        "libraries": (dict(matplotlib.rcParams), *numbers),
    }


def _libraries(drawing: dict[str, object], errors: dict[str, str], printed: dict[str, object], state: object) -> None:
    """Settings of the libraries that draw and compute."""
    import matplotlib
    import numpy as np

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        dict.update(matplotlib.rcParams, drawing)
    if "matplotlib.pyplot" in sys.modules:
        sys.modules["matplotlib.pyplot"].close("all")
    np.seterr(**errors)
    np.set_printoptions(**printed)
    np.random.set_state(state)  # noqa: NPY002


def forget() -> None:
    """Let go of what was kept of the home before: the runs of its chargers, which take most of the memory."""
    runs = sys.modules.get("workbook_lib.workbooks.charging_runs")
    if runs is not None:
        runs.forget()
