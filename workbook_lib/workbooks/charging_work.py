"""What the parts of the charging workbook share: the work in hand, its chargers, their vehicles, what holds them."""

from __future__ import annotations

from dataclasses import dataclass

from workbook_lib.sheet import Figure, Input, Quantity, Step
from workbook_lib.workbooks import controls
from workbook_lib.workbooks.prepare import may_hold, standing_controls, text
from workbook_lib.workbooks.work import SheetWork

CIRCUIT_WAYS = ("import", "output", "bus")
"""Ways of a limit that hold the sum of what hangs on a breaker."""
SIMULATED = "simulated"


@dataclass
class Work(SheetWork):
    """What is known while the sheet is put together.

    `calculation` is the service load under way (workbook service_load); `load_a` of the service with its control, `limit` [A]; `always_a`
    what stays on whatever the control does [A].
    """

    calculation: object = None
    load_a: Step | None = None
    limit: Step | None = None
    figures: tuple[Figure, ...] = ()

    @property
    def chargers(self) -> list:
        """Chargers that stand after this work."""
        return self.standing("evse")

    def vehicle(self, name: str) -> tuple[str, object] | None:
        """Path and row of the vehicle at a charger; None where the site file has none."""
        found = [(f"vehicle.{place}", one) for place, one in enumerate(self.site.vehicle) if one.evse == name]
        return found[0] if found else None

    def circuit(self, one) -> str:
        """Id of the breaker that a charger or load hangs on, else of what it is connected to."""
        breaker = self.tree.breaker_of(one.id)
        return breaker.id if breaker is not None else one.connected_to

    def on_breaker(self, breaker: str) -> list:
        """Chargers of one circuit, in the order of the site file."""
        return [one for one in self.chargers if self.circuit(one) == breaker]

    def service_controls(self) -> list[tuple[object, object]]:
        """Controls that limit import at the service and hold at least one charger, each with its limit."""
        names = {one.id for one in self.chargers}
        return [(row, bound) for row, bound in controls.service_limits(self.home) if names & held_by(row)]


def held_by(row) -> set[str]:
    """Ids of what a control holds."""
    return {text(name) for name in row.controls}


def circuit_limit(home, breaker: str, names: set[str]) -> tuple[object, object] | None:
    """The control and its limit at a breaker that hold all of these chargers together; None where there is none.

    Of several a listed one with restricted access comes first, then the lowest setting.
    """
    found = [
        (row, bound)
        for row in standing_controls(home)
        for bound in row.limit
        if bound.at == breaker and text(bound.way) in CIRCUIT_WAYS and names <= held_by(row)
    ]
    return min(found, key=lambda pair: (not may_hold(pair[0]), pair[1].setting.value if pair[1].setting else 0.0), default=None)


def simulated(key: str, meaning: str, value: float, unit: str | None, decimals: int, note: str = "") -> Input:
    """A figure of a run: not a formula that a hand can work, so it stands as what it is."""
    return Input(f"run.{key}", meaning, value, unit, SIMULATED, note, decimals=decimals)


def hours(key: str, meaning: str, start: Input, end: Input) -> Step:
    """Hours from one clock time to another, over midnight where the second is earlier [h]."""
    overnight = end.value <= start.value
    formula = "(end - start + 86400) / 3600" if overnight else "(end - start) / 3600"
    value = (end.value - start.value + (86400.0 if overnight else 0.0)) / 3600.0
    uses: dict[str, Quantity] = {"start": start, "end": end}
    return Step(key, "t", meaning, formula, uses, value, "h", decimals=2)
