"""Loads what a study needs, once for all processes of the live study: they are forked from one that has imported this."""

import contextlib
import importlib
import os

from workbook_lib.live import worker
from workbook_lib.workbooks import REGISTRY

MODULES = (*REGISTRY.values(), "workbook_lib.simulate.charging", "workbook_lib.simulate.outage", "workbook_lib.render.figures")
HEAVY = ("matplotlib.backends.backend_svg", "matplotlib.figure", "numpy")
BEHIND = 10
"""How far all these processes step back behind the kernel and the browser, which show what is typed."""

os.nice(BEHIND)
for name in (*MODULES, *HEAVY):
    with contextlib.suppress(ImportError):  # the study that needs it reports it
        importlib.import_module(name)

__all__ = ["worker"]
