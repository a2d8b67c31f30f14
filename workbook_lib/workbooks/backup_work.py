"""What the parts of the backup workbook share: the work in hand, what is backed up, and by what."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from workbook_lib.editions import Edition
from workbook_lib.errors import MissingInput
from workbook_lib.home import distribution
from workbook_lib.home.tree import ADAPTER, SERVICE
from workbook_lib.sheet import Assumption, Check, Figure, Quantity, Result, Section, Step, needs_input
from workbook_lib.workbooks.prepare import text

FORMING = ("multimode-inverter", "storage-inverter")
"""Kinds of inverters that carry an island from storage; only a multimode one forms it by itself."""


@dataclass
class Work:
    """What is known while the sheet is put together. `below` are the ids of everything that is backed up."""

    home: object
    edition: Edition
    results: dict[str, Result] = field(default_factory=dict)
    checks: list[Check] = field(default_factory=list)
    sections: list[Section] = field(default_factory=list)
    assumptions: list[Assumption] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    not_checked: list[str] = field(default_factory=list)
    figures: list[Figure] = field(default_factory=list)
    below: frozenset[str] = frozenset()
    whole: bool = False
    device: str = ""
    load: object = None
    items: tuple = ()
    total: Step | None = None
    amperes: Step | None = None
    capacity: Step | None = None
    starts: list[tuple[str, Quantity, Quantity, Quantity]] = field(default_factory=list)

    @property
    def site(self):
        """The site file's content."""
        return self.home.site

    @property
    def tree(self):
        """The distribution of the home."""
        return self.home.tree

    def result(self, key: str, item: Quantity) -> None:
        """Enter one result from the Step or Input behind it."""
        self.results[key] = Result(item.value, item.unit, item)

    def plain(self, key: str, value: float, unit: str | None) -> None:
        """Enter one result of a simulation, which has no formula."""
        self.results[key] = Result(value, unit, None)

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

    def forming(self) -> list:
        """Inverters with storage that carry the island."""
        return [one for one in self.standing("source") if one.kind in FORMING and (one.id in self.below or one.id == self.device)]

    def arrays(self) -> list:
        """Inverters of arrays on the island."""
        return [one for one in self.standing("source") if one.kind == "pv-inverter" and one.id in self.below]

    def loads(self) -> list:
        """Loads of the site file that are backed up."""
        return [one for one in self.standing("load") if one.id in self.below]

    def stores(self) -> list:
        """Stores behind the inverters of the island."""
        names = {one.id for one in self.forming()}
        return [one for one in self.standing("storage") if one.inverter in names]


def find_scope(work: Work) -> None:
    """What hangs below the islanding device. Errors: MissingInput where the site file does not say which it is."""
    given = work.site.backup.islanding
    if given is None:
        raise MissingInput(["backup.islanding"], "what parts the island from the utility says what is backed up")
    device = text(given)
    tree = work.tree
    top = SERVICE if device == ADAPTER else device
    names = {name for name in (top, *tree.below(top)) if distribution.standing(tree.node(name))}
    if device == ADAPTER and ADAPTER in tree:
        names |= {name for name in (ADAPTER, *tree.below(ADAPTER)) if distribution.standing(tree.node(name))}
    work.device, work.below = device, frozenset(names)
    things = [one.id for table in ("load", "evse") for one in work.standing(table)]
    work.whole = bool(things) and all(name in names for name in things)
