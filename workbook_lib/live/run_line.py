"""A whole run entered at the size of its conductors: what a line holds goes into the fields that it is of, all of it or nothing."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Collection, Mapping

from workbook_lib.home.leaf import LeafFault
from workbook_lib.home.patch import Unpatchable
from workbook_lib.home.raw import Trouble
from workbook_lib.live import beginning
from workbook_lib.live.draft import Draft
from workbook_lib.live.fields import Field, Group, typed
from workbook_lib.live.in_line import RUN_ALIKE, Run, Unread, read_run

RACEWAYS = ("raceway",)
OWN = ("id", "length", "raceway")
"""What a run does not have from one that is alike."""

Told = Callable[[Draft, str], None]


def enter_run(draft: Draft, path: str, text: str, asked: Collection[str], stem: str, tell: Told) -> str:
    """Enter what a line says of a run, with a raceway of its own where it tells of one and the run has none.

    Parameters: draft, key path of the size at which it was typed, text, key paths that are asked for now, stem of the id of a raceway that
    is new, who says of a field how it is known. Returns: what was entered, in words; empty where the line was refused: why stands at the
    size then, and nothing is entered.
    """
    of, before = path.rpartition(".")[0], draft.text
    names = {key.rpartition(".")[2] for key in asked if key.rpartition(".")[0] == of}
    try:
        run = read_run(text)
        alike = _alike(draft, run.alike, names) if run.alike else Run()
    except Unread as unread:
        draft.refuse(path, text, LeafFault(unread.trouble))
        return ""
    conductor, raceway = alike.conductor | run.conductor, alike.raceway | run.raceway
    own = _own_raceway(draft, of)
    troubles = [
        Trouble(f"{name} is not asked of this run", one, "", "leave it out") for name, one in conductor.items() if name not in names
    ]
    troubles += _unread({name: draft.field(f"{of}.{name}") for name in names}, conductor)
    troubles += _unread(draft.blank(RACEWAYS), raceway)
    if raceway and not own and "kind" not in raceway:
        troubles.append(
            Trouble("which raceway it is of is not said", ", ".join(raceway), "", "write its kind too, as EMT, PVC-40 or cable")
        )
    if troubles:
        draft.refuse(path, text, LeafFault(*troubles))
        return ""
    draft.wrong.pop(path, None)
    try:
        with draft.one_step():
            _put(draft, of, conductor, tell)
            if raceway and not own:
                name = beginning.free_id(tomllib.loads(draft.text), stem)
                own = draft.add(RACEWAYS, {"id": name, "kind": raceway["kind"]})
                _put(draft, of, {"raceway": name}, tell)
            _put(draft, own, raceway, tell)
    except (LeafFault, Unpatchable) as fault:
        draft.take_up(before)
        draft.refuse(path, text, fault)
        return ""
    return f"Entered: {', '.join(f'{name} {one}' for name, one in (*conductor.items(), *raceway.items()))}."


def _put(draft: Draft, of: str, values: Mapping[str, str], tell: Told) -> None:
    """Put values into the fields of a thing, with how they are known. Errors: Unpatchable."""
    for name, one in values.items():
        path = f"{of}.{name}"
        wrong = draft.set(path, one)
        if wrong is not None:
            raise Unpatchable(wrong.words())
        if draft.field(path).has_provenance:
            tell(draft, path)


def _unread(fields: Mapping[str, Field], values: Mapping[str, str]) -> list[Trouble]:
    """What is wrong with values before any is entered. Returns: troubles."""
    found = []
    for name, one in values.items():
        try:
            if name in fields:
                typed(fields[name], one)
        except LeafFault as fault:
            found += fault.troubles
    return found


def _own_raceway(draft: Draft, of: str) -> str:
    """Key path of the raceway of a run, empty where it has none or shares it: what is typed of one run is not said of another."""
    named = draft.field(f"{of}.raceway")
    if named is None or not named.given:
        return ""
    users = [one for group in _groups(draft) for one in group.fields if one.name == "raceway" and one.text == named.text]
    return f"raceway.{named.text}" if len(users) == 1 else ""


def _alike(draft: Draft, name: str, asked: Collection[str]) -> Run:
    """What the run of a thing says that one alike says too.

    Parameters: draft, id of the thing ("service" for the service conductors), fields asked of the new run. Errors: Unread.
    """
    found = (group for group in _groups(draft) if group.kind == "conductor" and any(one.given for one in group.fields))
    runs = {group.path.split(".")[-2]: group for group in found}
    if name not in runs:
        todo = f'write the id of one of these, as "{RUN_ALIKE}"'
        raise Unread(Trouble("no run of that name", f'"{name}"', ", ".join(sorted(runs)) or "there is none yet", todo))
    own = {one.name: one.text for one in runs[name].fields if one.given}
    around = draft.group(f"raceway.{own['raceway']}") if "raceway" in own else None
    conductor = {key: one for key, one in own.items() if key in asked and key not in OWN}
    return Run(conductor, {one.name: one.text for one in around.fields if one.given and one.name not in OWN} if around is not None else {})


def _groups(draft: Draft) -> list[Group]:
    return [one for group in draft.groups() for one in group.groups()]
