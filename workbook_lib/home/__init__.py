"""What is known of one home: its site file, its distribution, its jurisdiction and utility.

`read_home` gives a `Home` or raises `InputFault` with every fault of its files; `validate` checks
any number of files. The models behind them are loaded when first used.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from workbook_lib.errors import Fault
from workbook_lib.sheet import BASE_CASE

if TYPE_CHECKING:
    from workbook_lib.home.home import Home

__all__ = ["EDITION_FIELD", "read_home", "validate"]

EDITION_FIELD = "site.edition"
"""Where the edition that is asked for takes the place of a site file's own."""


def read_home(path: str | Path, overrides: Mapping[str, object] | None = None, case: str = BASE_CASE, text: str | None = None) -> Home:
    """The home that a site file describes, with its jurisdiction, utility and edition in force.

    Parameters: path of the site file; overrides, values by key path with ids (`panel.main.main`) that
    take the place of the file's; case, which of several studies of the home this is; text, what is read in place of what
    the file says, the files that it names still beside it.
    Returns: Home. Errors: `InputFault` with every fault of its files.
    """
    from workbook_lib.home.reader import read_home as read

    return read(path, overrides, case, text)


def validate(paths: Iterable[str | Path]) -> list[Fault]:
    """Faults of any number of site, jurisdiction, utility and amendments files; empty where all are sound.

    Parameters: paths of files. Returns: faults, file by file, each once.
    """
    from workbook_lib.home.reader import faults_of

    found: dict[Fault, None] = {}
    for path in paths:
        found |= dict.fromkeys(faults_of(Path(path)))
    return list(found)
