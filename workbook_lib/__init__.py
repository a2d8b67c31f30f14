"""Workbooks for the meter-side connection of solar, storage and EV charging to a dwelling service."""

from workbook_lib import version

__version__ = version.VERSION
