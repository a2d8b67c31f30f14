"""One module per workbook: from a validated home and an edition to a Sheet.

`REGISTRY` names every workbook, in reading order, with the module whose `study(home, edition)` makes
its sheet and the notebook that shows it.
"""

REGISTRY: dict[str, str] = {
    "service_load": "workbook_lib.workbooks.service_load",
    "backfeed_and_tap": "workbook_lib.workbooks.backfeed_and_tap",
    "backup_duration": "workbook_lib.workbooks.backup_duration",
    "ev_load_management": "workbook_lib.workbooks.ev_load_management",
}
"""Workbook name (also the notebook's file name) -> module with `study(home, edition) -> Sheet`."""
