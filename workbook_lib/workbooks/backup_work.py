"""What the parts of the backup workbook share: the work in hand, what is backed up, and by what."""

from __future__ import annotations

from dataclasses import dataclass, field

from workbook_lib.errors import MissingInput
from workbook_lib.home import distribution
from workbook_lib.home.tree import ADAPTER, SERVICE
from workbook_lib.sheet import Figure, Input, Quantity, Step
from workbook_lib.workbooks.prepare import text
from workbook_lib.workbooks.work import SheetWork

FORMING = ("multimode-inverter", "storage-inverter")
"""Kinds of inverters that carry an island from storage; only a multimode one forms it by itself."""


@dataclass
class Work(SheetWork):
    """What is known while the sheet is put together. `below` are the ids of everything that is backed up.

    `relied` is the key of the test that permits the backup; `setting` [A] of the control that limits the island, with what it `shed`s
    and `why` it may stand for the load or not. `general` is lighting and receptacles after demand [VA].
    """

    below: frozenset[str] = frozenset()
    whole: bool = False
    device: str = ""
    load: object = None
    items: tuple = ()
    total: Step | None = None
    amperes: Step | None = None
    capacity: Step | None = None
    literal: Step | None = None
    relied: str = ""
    setting: Input | None = None
    shed: frozenset[str] = frozenset()
    why: str = ""
    general: Step | None = None
    control: object = None
    starts: list[tuple[str, Quantity, Quantity, Quantity]] = field(default_factory=list)
    figures: tuple[Figure, ...] = ()
    promised: tuple | None = None

    def forming(self) -> list:
        """Inverters with storage that carry the island."""
        return [one for one in self.standing("source") if one.kind in FORMING and (one.id in self.below or one.id == self.device)]

    def backing(self) -> list:
        """Those of them with storage behind: the others give nothing while the sun is away."""
        names = {one.inverter for one in self.standing("storage")}
        return [one for one in self.forming() if one.id in names]

    def arrays(self) -> list:
        """Inverters of arrays on the island."""
        return [one for one in self.standing("source") if one.kind == "pv-inverter" and one.id in self.below]

    def loads(self) -> list:
        """Loads of the site file that are backed up."""
        return [one for one in self.standing("load") if one.id in self.below]

    @property
    def volts(self) -> Input:
        """Voltage that the currents of the island are taken at: between the legs, or to the neutral where 120 V alone is formed [V]."""
        from workbook_lib.workbooks.prepare import nominal_voltage

        if self.one_leg():
            return Input("island.voltage", "voltage of an island of 120 V alone", 120.0, "V", "choice")
        return nominal_voltage(self.edition)

    def one_leg(self) -> bool:
        """Whether the island forms 120 V alone, so that both legs hang on one conductor."""
        forms = [one.island.form for one in self.forming() if one.island is not None and one.island.form is not None]
        return bool(forms) and all(text(one) == "120" for one in forms)

    def stores(self) -> list:
        """Stores behind the inverters of the island."""
        names = {one.id for one in self.forming()}
        return [one for one in self.standing("storage") if one.inverter in names]


def find_scope(work: Work) -> None:
    """What hangs below the islanding device. Errors: MissingInput where the site file does not say which it is."""
    given = work.site.backup.islanding if work.site.backup is not None else None
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
    work.whole = bool(things) and all(name in names for name in things) and not _left_above(work, names)


def _left_above(work: Work, names: set[str]) -> bool:
    """Whether a panel stays on the utility's side of the islanding device with circuits of its own."""
    for panel in work.standing("panel"):
        if panel.id in names:
            continue
        own = [one for one in distribution.breakers_standing(panel) if not names & {one.id, *work.tree.below(one.id)}]
        if panel.kind == "panelboard" or own:
            return True
    return False
