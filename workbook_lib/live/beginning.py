"""The text of a new site file with nothing in it yet, and ids that nothing in a home has."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from workbook_lib.home.raw import ID, ID_RULE

_BEGINNING = """\
# Site file of one home, in the order of a site visit. A quantity is written with its unit, as "200 A" or "12 kW".
# How a value is known stands beside it: { value = "200 A", from = "nameplate", note = "photo 3" }; from is nameplate, photo, directory,
# measured, drawing, data-sheet, utility or assumed. What is not known is left out: the sheets then ask for it by its name.
format = 1

# The job: who asks for what, where, and under which code.
[site]
id = "%s"

# Choices of the engineer, not facts.
[study]

# The house.
[dwelling]

# At the meter.
[service]

[service.meter_socket]

# Service conductors, from the service point to the service disconnect.
[service.conductor]

# Below, a block for each thing as it was entered: [[panel]] with its breakers, [[load]], [[evse]], [[raceway]], [[source]] and others.
# connected_to names the next thing on the utility's side.
"""


def beginning(name: str) -> str:
    """The text of a new site file with nothing in it but the id of the home and the tables that every home has.

    Parameters: id of the home. Returns: TOML. Errors: ValueError for a text that is no id.
    """
    if not ID.match(name):
        raise ValueError(f"{name!r} cannot be the id of a home: {ID_RULE}")
    return _BEGINNING % name


def free_id(content: Mapping[str, object], stem: str) -> str:
    """An id that nothing in a home has yet. Parameters: content of the site file, how it begins. Returns: the stem, else with a number."""
    taken = set(_ids(content))
    if stem not in taken:
        return stem
    return next(name for number in range(2, len(taken) + 3) if (name := f"{stem}-{number}") not in taken)


def _ids(content: object) -> Iterator[str]:
    if isinstance(content, Mapping):
        name = content.get("id")
        name = name.get("value") if isinstance(name, Mapping) else name
        if isinstance(name, str):
            yield name
        for inner in content.values():
            yield from _ids(inner)
    elif isinstance(content, list):
        for inner in content:
            yield from _ids(inner)
