"""Editions of the electrical code as data: values, switches, section numbers and tables.

One folder per edition holds `edition.toml` (title, status, every table as an own file or the same as
another edition's, values that were not seen in a source), `values.csv`, `cites.csv` and its tables.
Nothing here decides by the year: where editions differ in form, a named switch says so.
"""

from workbook_lib.editions.changes import Change, Moved, difference, differing_tables, moved
from workbook_lib.editions.edition import YEARS, Edition, load

__all__ = ["YEARS", "Change", "Edition", "Moved", "difference", "differing_tables", "load", "moved"]
