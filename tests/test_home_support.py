"""What the tests of the home share: the example home copied and edited, and its faults."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from workbook_lib.errors import Fault, InputFault
from workbook_lib.home import read_home

DATA = Path(__file__).resolve().parent / "data" / "home"
EXAMPLE = DATA / "tansy-12.toml"

SMALL = """format = 1
[site]
id = "small"
edition = "2023"
[dwelling]
status = "existing"
[[panel]]
id = "main"
kind = "panelboard"
connected_to = "service"
status = "existing"
"""
"""The least that is a sound site file."""


def edited(folder: Path, *pairs: tuple[str, str]) -> Path:
    """The example home copied into a folder, with texts replaced in its site file; each must stand there."""
    copy = folder / "home"
    shutil.copytree(DATA, copy)
    path = copy / EXAMPLE.name
    text = path.read_text(encoding="utf-8")
    for old, new in pairs:
        assert old in text, old
        text = text.replace(old, new, 1)
    path.write_text(text, encoding="utf-8")
    return path


def written(folder: Path, text: str | bytes, name: str = "site.toml") -> Path:
    """A file with this text."""
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def faults_of(path: Path, overrides: dict[str, object] | None = None) -> tuple[Fault, ...]:
    """Faults of a site file, each of which must be a whole one: it says what, value, limit and what to do."""
    with pytest.raises(InputFault) as caught:
        read_home(path, overrides)
    for fault in caught.value.faults:
        assert fault.what, fault
        assert fault.value, fault
        assert fault.limit, fault
        assert fault.todo, fault
        assert "\n" not in str(fault)
        assert len(str(fault)) < 1500
    return caught.value.faults


def only_fault(path: Path, overrides: dict[str, object] | None = None) -> Fault:
    """The one fault of a site file."""
    faults = faults_of(path, overrides)
    assert len(faults) == 1, "\n".join(map(str, faults))
    return faults[0]


def test_the_helpers_refuse_a_text_that_is_not_there(tmp_path):
    with pytest.raises(AssertionError):
        edited(tmp_path, ("no such text", ""))


def test_the_least_site_file_is_sound(tmp_path):
    assert read_home(written(tmp_path, SMALL)).edition_basis == "stated"
