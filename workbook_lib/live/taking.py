"""What a thing that is chosen tells of the thing that names it, entered as it is chosen: with how it is known there, to be undone."""

from __future__ import annotations

import re
from collections.abc import Iterable

from workbook_lib.live import visit, visit_data
from workbook_lib.live.draft import Draft
from workbook_lib.live.fields import Group

YES = "true"


def take(draft: Draft, asked: Iterable[visit.Asked], entered: str) -> list[str]:
    """Enter the open answers that are told by what was just chosen.

    Parameters: draft, questions as they are asked now, key path of the field that was entered. Returns: each answer taken, in words.
    """
    told = []
    for one in asked:
        takes = one.question.takes
        if takes is None or one.answered or entered != f"{one.key.rpartition('.')[0]}.{takes.beside}":
            continue
        row = _named(draft, takes.row, draft.field(entered).text)
        found = {field.name: field for field in row.fields} if row is not None else {}
        answer = dict(takes.gives).get(found[takes.has].text) if found else None
        if answer is None or (takes.unless and found[takes.unless].text == YES):
            continue
        if draft.set(one.key, answer) is None:
            by = found[takes.has]
            words = takes.words.format(row=draft.field(entered).text, of=by.text)
            draft.known_from(one.key, by.origin or "stated", "; ".join(part for part in (by.note, words) if part))
            told.append(f"{draft.field(one.key).leaf.label} {answer} ({words})")
    return told


def take_over(draft: Draft, path: str, same: tuple[str, ...]) -> list[str]:
    """Enter of a new thing what it has from the row that it stands in, where that is the value meant and nothing was said of it.

    Parameters: draft, key path of the thing, field and value (nothing: none). Returns: what was taken, in words.
    """
    if not same:
        return []
    name, value = same
    around = path.rpartition(".")[0].rpartition(".")[0]
    own, outer = draft.field(f"{path}.{name}"), draft.field(f"{around}.{name}")
    if own is None or own.given or outer is None or outer.text != value or draft.set(own.path, value) is not None:
        return []
    return [f"{own.leaf.label} {value} ({around}: {value})"]


def _named(draft: Draft, pattern: str, name: str) -> Group | None:
    """The one row of a list whose id something is; None where none or several have it."""
    way = re.compile(r"[^.]+".join(map(re.escape, pattern.split(visit_data.EVERY))))
    found = [
        one
        for group in draft.groups()
        for one in group.groups()
        if way.fullmatch(one.path) and any(field.name == "id" and field.text == name for field in one.fields)
    ]
    return found[0] if len(found) == 1 else None
