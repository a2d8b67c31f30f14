"""Any one field left out of a sound site file gives a fault, a needs-input or an answer: never an unexpected error."""

from __future__ import annotations

import copy
import shutil
import tomllib
from pathlib import Path

import pytest

from workbook_lib.editions import load
from workbook_lib.errors import InputFault
from workbook_lib.home import read_home
from workbook_lib.workbooks.service_load import study

ROOT = Path(__file__).parent.parent
HOMES = [ROOT / "tests/data/home/tansy-12.toml", ROOT / "example_inputs/sites/control-limited-100a.toml"]
"""The homes with most in them; leaving any field out of the others was tried once and gave nothing else."""


def leaves(content: object, way: tuple = ()) -> list[tuple]:
    """Ways to everything in nested tables and rows."""
    found = []
    pairs = content.items() if isinstance(content, dict) else enumerate(content) if isinstance(content, list) else ()
    for key, value in pairs:
        found += [(*way, key), *leaves(value, (*way, key))]
    return found


def without(content: dict, way: tuple) -> dict:
    """A copy with one thing taken out."""
    made = copy.deepcopy(content)
    here = made
    for key in way[:-1]:
        here = here[key]
    del here[way[-1]]
    return made


@pytest.mark.parametrize("path", HOMES, ids=lambda path: path.stem)
def test_any_field_may_be_left_out(path, tmp_path):
    import tomlkit

    for place in path.parent.iterdir():
        if place.is_dir():
            shutil.copytree(place, tmp_path / place.name)
    content = tomllib.loads(path.read_text(encoding="utf-8"))
    sound, refused = 0, 0
    for way in leaves(content):
        site = tmp_path / path.name
        site.write_text(tomlkit.dumps(without(content, way)), encoding="utf-8")
        try:
            home = read_home(site)
        except InputFault:
            refused += 1
            continue
        sheet = study(home, load(home.edition_year))
        assert sheet.verdict, way
        for key, result in sheet.results.items():
            assert result.value is not None, (way, key)
            assert result.value == result.value, (way, key)
        sound += 1
    assert sound > 20
    assert refused > 10
