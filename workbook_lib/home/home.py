"""One home as read and checked: its site, distribution, local rules, edition in force and inputs."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from workbook_lib.editions import Change
from workbook_lib.home.jurisdiction import Adoption, Local
from workbook_lib.home.model import Site
from workbook_lib.home.tree import Tree
from workbook_lib.sheet import BASE_CASE, Assumption, Input


@dataclass(frozen=True)
class Home:
    """One home.

    `site`: the validated site file; `tree`: its distribution; `jurisdiction` and `utility`: local
    files, None where the site names none; `adoption`: what the jurisdiction had in force on the permit
    date; `amendments`: local changes of the edition in use; `edition_basis`: adopted, stated or what-if;
    `inputs`: pairs of relative path and SHA-256 of every file read; `defaults`: what was assumed;
    `givens`: every leaf of the site file as an Input, by key path; `overrides`: values put in place of
    the file's; `lacking`: pairs of field and file that is named and not there; `sought`: relative paths that were looked for and are
    not there, so that a file put there later would change the home; `file`: the site file; `case`: which of several studies of the
    home this is; `text`: what was read in place of what the site file says, None where the file was read.
    """

    site: Site
    tree: Tree
    jurisdiction: Local | None
    utility: Local | None
    adoption: Adoption | None
    amendments: tuple[Change, ...]
    edition_year: str
    edition_basis: str
    inputs: tuple[tuple[str, str], ...]
    inputs_sha256: str
    defaults: tuple[Assumption, ...]
    givens: Mapping[str, Input]
    overrides: tuple[tuple[str, str], ...]
    lacking: tuple[tuple[str, str], ...]
    sought: tuple[str, ...]
    file: Path
    case: str = BASE_CASE
    text: str | None = None

    @property
    def folder(self) -> Path:
        """The input folder: every path in the site file is relative to it."""
        return self.file.parent

    def rule(self, key: str) -> Input | None:
        """A local rule: the jurisdiction's, else the utility's, else None."""
        for local in (self.jurisdiction, self.utility):
            if local is not None and local.rule(key) is not None:
                return local.rule(key)
        return None
