"""What every part of a sheet adds to while it is put together."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from workbook_lib.editions import Edition
from workbook_lib.errors import MissingInput
from workbook_lib.sheet import Assumption, Check, Quantity, Result, Section, needs_input


@dataclass
class SheetWork:
    """A home under an edition with local changes, and the sheet's parts so far."""

    home: object
    edition: Edition
    results: dict[str, Result] = field(default_factory=dict)
    checks: list[Check] = field(default_factory=list)
    sections: list[Section] = field(default_factory=list)
    assumptions: list[Assumption] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    not_checked: list[str] = field(default_factory=list)

    @property
    def tree(self):
        """The distribution of the home."""
        return self.home.tree

    @property
    def site(self):
        """The site file's content."""
        return self.home.site

    def result(self, key: str, item: Quantity) -> None:
        """Enter one result from the Step or Input behind it."""
        self.results[key] = Result(item.value, item.unit, item)

    def standing(self, table: str) -> list:
        """Rows of a table that this work does not remove."""
        return [item for item in getattr(self.site, table) if item.status != "removed"]

    def guarded(self, key: str, question: str, make: Callable[[], Check | None], *, counts: bool = True) -> Check | None:
        """A check, or the `needs input` that stands for it where the home lacks a field."""
        try:
            check = make()
        except MissingInput as lack:
            check = needs_input(key, question, lack.fields, note=str(lack), counts=counts)
        if check is not None:
            self.checks.append(check)
        return check
