"""What is kept of a study beside its results: what it was made from and by, so that a later run can say why it must be made again.

The record lies in the folder of the study (`record.json`) and enters with it in one step, so that it never speaks of other results
than those beside it. Keys of the file: see `Record`.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from pathlib import Path

from workbook_lib.batch.rows import STATES, Row

RECORD = "record.json"
VERSION = 2
ACCEPTED = "accepted.json"
"""Beside a record: reasons to make the study again that were accepted without doing so."""


@dataclass(frozen=True)
class Record:
    """One study as it was made.

    `asked`: what the portfolio asked for (`site_file` by name, `edition`, `overrides` by key path as text, `workbooks`, `rendered`);
    `inputs`: relative path -> SHA-256 of every file read; `texts`: relative path -> text of those that are TOML; `sought`: relative paths
    that were looked for and were not there; `program`: SHA-256 of the program (`program.Program`); `outputs`: name -> [SHA-256, bytes] of
    every file of the study; `row`: its row (`rows`); `run`: number of the run that made it; `attempts`: how many it took.
    """

    site_id: str
    case: str
    state: str
    asked: Mapping[str, object]
    inputs: Mapping[str, str]
    texts: Mapping[str, str]
    sought: tuple[str, ...]
    program: str
    row: Row
    run: int
    attempts: int = 1
    outputs: Mapping[str, tuple[str, int]] = field(default_factory=dict)
    record: int = VERSION

    def to_bytes(self) -> bytes:
        """As JSON: UTF-8, sorted keys."""
        return (json.dumps(asdict(self), sort_keys=True, ensure_ascii=False) + "\n").encode()


class Unusable(ValueError):
    """A record that cannot be relied on; its text says why."""


def read(folder: Path) -> Record:
    """The record of the study in a folder. Errors: FileNotFoundError where there is none; Unusable with the reason."""
    return from_bytes((folder / RECORD).read_bytes())


def from_bytes(content: bytes) -> Record:
    """A record from its bytes. Errors: Unusable with the reason."""
    try:
        held = json.loads(content)
        version = held["record"]
    except (ValueError, KeyError, TypeError):
        raise Unusable("its record is corrupt") from None
    if version != VERSION:
        raise Unusable(f"its record is of version {version}, this program reads {VERSION}")
    try:
        made = Record(**held | {"sought": tuple(held["sought"])})
        sound = made.state in STATES and isinstance(made.run, int) and isinstance(made.row, dict) and made.row["state"] == made.state
        sound = sound and all(isinstance(part, dict) for part in (made.asked, made.inputs, made.texts, made.outputs))
    except (TypeError, KeyError):
        sound = False
    if not sound:
        raise Unusable("its record is corrupt")
    return made


def outputs_of(folder: Path) -> dict[str, tuple[str, int]]:
    """Hash and size of every file of a study but its record, by relative path."""
    found = {}
    for path in sorted(folder.rglob("*")):
        name = path.relative_to(folder).as_posix()
        if path.is_file() and name not in (RECORD, ACCEPTED):
            content = path.read_bytes()
            found[name] = (hashlib.sha256(content).hexdigest(), len(content))
    return found
