"""Metered intervals, weather, and what is wrong with them.

`read_record` reads a Green Button feed or a table; `examine` says what a record holds and lacks;
`settle` puts it in order; `regular` makes a series for simulation; `read_weather` reads weather files.
Nothing is repaired silently.
"""

from workbook_lib.records.clock import Clock, zone
from workbook_lib.records.gross import rebuild
from workbook_lib.records.marks import unmarked
from workbook_lib.records.period import quarter_rate, ranged
from workbook_lib.records.reading import clock_named, read_record
from workbook_lib.records.record import Decision, Declared, Record
from workbook_lib.records.report import Report, adjacent, demand, examine, peaks, settle

__all__ = [
    "Clock",
    "Decision",
    "Declared",
    "Record",
    "Report",
    "adjacent",
    "clock_named",
    "demand",
    "examine",
    "peaks",
    "quarter_rate",
    "ranged",
    "read_record",
    "rebuild",
    "settle",
    "unmarked",
    "zone",
]
