"""What may be chosen in a file of readings: the channels of a feed, the columns of a table."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from workbook_lib.errors import InputFault, MissingInput
from workbook_lib.records.reading import looks_like_xml
from workbook_lib.records.record import Declared

COLUMNS = ("time_column", "value_column", "received_column", "leg_columns")
"""Fields of a table file that name columns."""


def choices(path: Path, shown: str) -> Mapping[str, tuple[str, ...]]:
    """What the fields of a record file may be, by the name of the field.

    Parameters: path, its name as faults show it. Returns: labels of the channels (`channel`, or `register` where that tells them apart), or
    headers of the columns; nothing for a feed with one channel. Errors: InputFault where the file cannot be read as either.
    """
    if looks_like_xml(path):
        from workbook_lib.records.espi import read_espi

        try:
            read_espi(path, shown, Declared(field="records"), None)
        except MissingInput as asked:
            return {asked.fields[0].rpartition(".")[2]: asked.options}
        return {}
    from workbook_lib.records.table_shape import load_text, read_shape
    from workbook_lib.records.table_talk import Talk
    from workbook_lib.records.table_wide import as_rows

    talk = Talk(shown, Declared(field="records"))
    table = as_rows(read_shape(load_text(path, talk), talk), talk)
    if talk.faults:
        raise InputFault(talk.faults)
    return dict.fromkeys(COLUMNS, tuple(table.label(place) for place in range(len(table.headers))))
