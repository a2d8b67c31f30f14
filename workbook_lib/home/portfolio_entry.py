"""One study that a portfolio asks for."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from workbook_lib.errors import Fault


@dataclass(frozen=True, slots=True)
class Entry:
    """One study that a portfolio asks for.

    `site_id` and `case` name it and its folder; `site_file` is what it starts from; `edition` takes the place of the file's own (None:
    the file's); `overrides` are values by key path; `line` is its row, None in a TOML file; `faults` say why it cannot run;
    `left_out` says why nothing asks for it.
    """

    site_id: str
    case: str
    site_file: Path
    edition: str | None = None
    overrides: tuple[tuple[str, object], ...] = ()
    line: int | None = None
    faults: tuple[Fault, ...] = ()
    left_out: str = ""

    @property
    def name(self) -> str:
        """The study in words."""
        return f"{self.site_id or self.site_file.name}/{self.case}"
