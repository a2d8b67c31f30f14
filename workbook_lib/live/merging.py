"""What was entered, put onto a site file that somebody else has changed meanwhile: only what was entered differs from it then."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass

from workbook_lib.home.leaf import LeafFault
from workbook_lib.home.patch import Unpatchable, add_row, take_out
from workbook_lib.live.draft import Draft, value_at_loc
from workbook_lib.live.fields import Field, Group, groups


@dataclass(frozen=True, slots=True)
class Merged:
    """A text with what was entered on it. `both`: fields that both sides changed, ours entered; `left`: what could not be put there."""

    text: str
    both: tuple[str, ...]
    left: tuple[str, ...]


def merged(base: str, mine: str, theirs: str) -> Merged:
    """What was changed between two texts, put onto a third.

    Parameters: text that was read, text as entered, text of the file now. Returns: Merged. Errors: ValueError where one is no TOML.
    """
    before, now, there = (_things(text) for text in (base, mine, theirs))
    text, both, left = theirs, [], []
    for path, group in now.items():
        if path not in before and group.row and path not in there and not _inside_new(path, now, before):
            text = _with_row(text, group, mine, left)
    for path in [path for path, group in before.items() if path not in now and group.row and path in there]:
        found = _things(text).get(path)
        text = text if found is None else take_out(text, found.loc)
    draft = Draft(text)
    for field in (field for path, group in now.items() if path in before for field in group.fields):
        old = _field(before, field)
        if old is None or (old.text, old.origin, old.note) == (field.text, field.origin, field.note):
            continue
        here = draft.field(field.path)
        if here is None:
            left.append(field.path)
            continue
        if (here.text, here.origin, here.note) not in ((old.text, old.origin, old.note), (field.text, field.origin, field.note)):
            both.append(field.path)
        if draft.set(field.path, field.text) is not None:
            left.append(field.path)
        elif field.given and field.origin:
            draft.known_from(field.path, field.origin, field.note)
    return Merged(draft.text, tuple(both), tuple(left))


def _things(text: str) -> dict[str, Group]:
    """Everything that stands in a text, by key path; tables that may stand there among it."""
    return {one.path: one for group in groups(text) for one in group.groups() if one.there or not one.row}


def _field(found: dict[str, Group], field: Field) -> Field | None:
    group = found.get(field.path.rpartition(".")[0])
    return None if group is None else next((one for one in group.fields if one.name == field.name), None)


def _inside_new(path: str, now: dict[str, Group], before: dict[str, Group]) -> bool:
    """Whether a row stands in a row that is new itself and is added with it."""
    return any(path.startswith(f"{other}.") and other not in before and now[other].row for other in now)


def _with_row(text: str, group: Group, mine: str, left: list[str]) -> str:
    """A text with a row of another text at the end of the same list."""
    parent = group.path.rpartition(".")[0]
    content = value_at_loc(tomllib.loads(mine), group.loc)
    loc = group.loc[:-1]
    holder = parent.rpartition(".")[0]
    if holder:
        found = _things(text).get(holder)
        if found is None:
            left.append(group.path)
            return text
        loc = (*found.loc, group.loc[-2])
    try:
        return add_row(text, loc, content)
    except (Unpatchable, LeafFault):
        left.append(group.path)
        return text
