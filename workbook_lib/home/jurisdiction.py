"""Jurisdiction files and utility files: adoptions by date, local rules, limits, required evidence.

Both have the same form. Id N of a site file is read from `N.toml` beside the site file, else from
`jurisdictions/N.toml` there:

    format = 1
    id = "tansy-hollow"
    name = "Town of Tansy Hollow"                     # optional, printed
    adoption = [                                      # the latest row in force on the permit date holds
      { effective = 2025-07-01, edition = "2023", name = "...", amendments = "tansy-hollow-2025.toml" },
    ]
    approved_adapter = [                              # of a utility: adapters it accepts, by model
      { model = "AD-C", approved = 2026-01-10, source = "..." },
    ]
    [rule]                                            # keys of RULES, each { value, source, note }
    service_load_fraction = { value = 0.8, source = "local checklist" }
    [limit]                                           # keys of LIMITS, in the same way
    export_power = { value = "10 kW", source = "requirement book, chapter 3" }
    [evidence]                                        # keys of REQUIRED, each a list of what evidence may show
    adapter = { value = ["utility-approval"], source = "requirement book, chapter 7" }

An amendments file changes an edition. It stands beside the file that names it, beside the site file
or in `jurisdictions/`, and each change carries its own citation. A change names a value of the
edition, a switch, or a cell of a table, in the edition's own units:

    format = 1
    id = "tansy-hollow-2025"
    edition = "2023"                                  # the edition that it changes
    change = [
      { value = "optional_first_va", to = 8000, source = "Ordinance 2025-14, section 3" },
      { switch = "evse_demand", to = "outside-tier", source = "Ordinance 2025-14, section 4" },
      { table = "dryer_demand", row = "5", column = "frac", to = 0.8, source = "Ordinance 2025-14, section 5" },
    ]

A new rule, limit or kind of evidence is one more row in RULES, LIMITS or REQUIRED.
"""

from __future__ import annotations

import datetime
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Any

from pydantic import create_model

from workbook_lib.editions import Change, load
from workbook_lib.editions.files import key_forms
from workbook_lib.errors import CalculationFault
from workbook_lib.home.defaults import rows
from workbook_lib.home.fields import Choice, Count, Day, Factor, FilePath, Fraction, Id, Number, Text, Texts, Word, YesNo
from workbook_lib.home.leaf import AllRows, Flag, Leaf, Limit, Reading, Record
from workbook_lib.home.model import EDITIONS
from workbook_lib.home.model_equipment import DEVICE_A, EVIDENCE, FAULT_A, POWER_W, SHARE, START_A
from workbook_lib.home.raw import Raw, Table
from workbook_lib.home.shapes import FaultBook, validate
from workbook_lib.sheet import Input, Source


def _switch(key: str, label: str) -> Choice:
    """A rule that turns the edition's switch of the same name takes that switch's own positions."""
    return Choice(label, key_forms()[key].choices)


QUARTER_OF_HOUR = Limit(at_least=1, at_most=4, why="one hour's energy in one quarter")

RULES: dict[str, Leaf] = {
    "service_load_fraction": Fraction("part of the service rating that the load may reach", limit=SHARE),
    "measured_new_load_continuous": YesNo("125 % on new continuous load in the measured method"),
    "measured_generation": _switch("measured_generation", "what generation in the record bars in the measured method"),
    "existing_hvac_without_added": _switch("existing_hvac_without_added", "existing heating and cooling where none is added"),
    "evse_demand": _switch("evse_demand", "charging inside the demand tier or outside"),
    "evse_load": _switch("evse_load", "what the load of a charger is taken from"),
    "backup_capacity": Choice("rule for the capacity of a backup source", ("702", "710", "705.80")),
    "socket_overload": Choice("reading of the load on a meter socket", ("calculated", "continuous", "breakers")),
    "storage_limit_reading": Choice("reading of the energy limits of storage", ("per-place", "per-dwelling")),
    "interval_factor": Factor(
        "factor from hourly to quarter-hour demand", limit=Limit(at_least=1, at_most=4, why="one hour's energy in one quarter")
    ),
}
"""Local rules: what each is and takes. Where one is absent the edition's own text holds; interval_factor has no default."""

LIMITS: dict[str, Leaf] = {
    "service_rating": Number("largest service without a design review", "current", DEVICE_A),
    "adapter_service_rating": Number("largest service with a meter-socket adapter", "current", DEVICE_A),
    "adapter_socket_positions": Count("most meter positions with an adapter", Limit(at_least=1, at_most=12)),
    "adapter_source_current": Number("largest source current through an adapter", "current", DEVICE_A),
    "adapter_load_current": Number("largest load current through an adapter", "current", DEVICE_A),
    "fault_current": Number("fault current to design for", "fault current", FAULT_A),
    "export_power": Number("largest export", "real power", Limit(at_least=0, at_most=200000)),
    "source_power": Number("largest inverter rating without a study", "real power", POWER_W),
    "motor_locked_rotor_current": Number("largest locked-rotor current of a motor", "current", START_A),
    "voltage_change_fraction": Fraction("largest voltage change at the service", limit=Limit(above=0, at_most=0.2)),
}
"""Limits, mostly a utility's: what each is."""

REQUIRED: dict[str, str] = {
    "adapter": "evidence for a meter-socket adapter",
    "supply_side": "evidence for a supply-side connection",
    "source": "evidence for a source",
    "storage": "evidence for storage",
    "control": "evidence for a control",
    "service_change": "evidence for a changed service",
    "fault_current": "evidence for the available fault current",
}
"""What evidence may be required for."""


class Sourced(Record):
    """One local figure with the text that says so."""

    source: Annotated[str, Text("source")]
    note: Annotated[str | None, Text("note")] = None


class Adoption(Record):
    """A code edition that is in force from a date."""

    effective: Annotated[datetime.date, Day("effective from")]
    edition: Annotated[str, Word("edition adopted", EDITIONS)]
    name: Annotated[str | None, Text("name of the local code")] = None
    amendments: Annotated[str | None, FilePath("amendments file")] = None
    residential_code: Annotated[str | None, Text("residential code edition")] = None
    source: Annotated[str | None, Text("source")] = None


class ApprovedAdapter(Sourced):
    """An adapter that a utility accepts."""

    model: Annotated[str, Text("model")]
    approved: Annotated[object, Day("approved on")] = None


def _section(name: str, leaves: Mapping[str, Leaf], extra: Mapping[str, dict[str, Any]]) -> type[Record]:
    fields: dict[str, Any] = {}
    for key, leaf in leaves.items():
        row = create_model(f"{name}_{key}", __base__=Sourced, value=(Annotated[Input, leaf], ...), **extra.get(key, {}))
        fields[key] = (row | None, None)
    return create_model(name, __base__=Record, **fields)


_INTERVAL = {"interval": (Annotated[Input, Number("interval that the factor is for", "time", Limit(above=0, at_most=86400))], ...)}
Rules = _section("Rules", RULES, {"interval_factor": _INTERVAL})
Limits = _section("Limits", LIMITS, {})
Evidence = _section("RequiredEvidence", {key: Texts(label, EVIDENCE) for key, label in REQUIRED.items()}, {})


class LocalFile(Record):
    """A jurisdiction file or a utility file, as written."""

    format: Annotated[Input, Count("format of the file", Limit(at_least=1, at_most=1, why="the only format there is"))]
    id: Annotated[str, Id()]
    name: Annotated[str | None, Text("name")] = None
    adoption: Annotated[tuple[Adoption, ...], AllRows] = ()
    approved_adapter: Annotated[tuple[ApprovedAdapter, ...], AllRows] = ()
    rule: Rules | None = None
    limit: Limits | None = None
    evidence: Evidence | None = None


class _Anything(Leaf):
    """A number or a text, as the edition's own data hold it."""

    def accepted(self) -> str:
        return "a bare number in the edition's unit, or a text for a switch"

    def example(self) -> str:
        return "8000"

    def parse(self, raw: Raw) -> tuple[float | str, None]:
        value = raw.value
        if isinstance(value, str) and value.strip():
            return value, None
        if isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value):
            return float(value), None
        raise self.refuse(raw, "neither a number nor a text")


class ChangeRow(Record):
    """One change of an edition: a value, a switch, or a cell of a table."""

    value: Annotated[str | None, Text("value of the edition")] = None
    switch: Annotated[str | None, Text("switch of the edition")] = None
    table: Annotated[str | None, Text("table of the edition")] = None
    row: Annotated[Input | None, _Anything("row of the table")] = None
    column: Annotated[str | None, Text("column of the table")] = None
    to: Annotated[Input, _Anything("what it is changed to")]
    source: Annotated[str, Text("citation")]
    note: Annotated[str | None, Text("note")] = None

    def change(self) -> Change | None:
        """The change as the editions take it; None where the row names not exactly one thing."""
        named = [name for name in ("value", "switch", "table") if getattr(self, name) is not None]
        cell = self.row is not None and self.column is not None
        if len(named) != 1 or (named == ["table"]) != cell or (named != ["table"] and (self.row is not None or self.column is not None)):
            return None
        if cell:
            return Change("cell", self.to.value, self.source, table=self.table, row=self.row.value, column=self.column)
        return Change(named[0], self.to.value, self.source, key=getattr(self, named[0]))


class AmendmentsFile(Record):
    """Local changes of one edition, as written."""

    format: Annotated[Input, Count("format of the file", Limit(at_least=1, at_most=1, why="the only format there is"))]
    id: Annotated[str, Id()]
    name: Annotated[str | None, Text("name")] = None
    edition: Annotated[str, Word("edition that is changed", EDITIONS)]
    change: Annotated[tuple[ChangeRow, ...], AllRows] = ()


@dataclass(frozen=True)
class Local:
    """A jurisdiction or a utility: what its file says, every figure an Input with its source.

    `rules`, `limits` and `evidence` are by the keys of RULES, LIMITS and REQUIRED; the interval of
    `interval_factor` stands under `interval_factor.interval` [s]; the value of evidence is a tuple of
    what must be shown.
    """

    id: str
    name: str
    role: str
    adoptions: tuple[Adoption, ...]
    rules: Mapping[str, Input] = field(default_factory=dict)
    limits: Mapping[str, Input] = field(default_factory=dict)
    evidence: Mapping[str, Input] = field(default_factory=dict)
    approved_adapters: tuple[ApprovedAdapter, ...] = ()

    def adoption_on(self, day: datetime.date | None) -> Adoption | None:
        """The adoption in force on a day; None where there is none, or no day."""
        in_force = [row for row in self.adoptions if day is not None and row.effective <= day]
        return max(in_force, key=lambda row: row.effective) if in_force else None

    def rule(self, key: str) -> Input | None:
        """A local rule; None where the file is silent and the edition's own text holds."""
        if key not in RULES and key != "interval_factor.interval":
            raise KeyError(f"no local rule {key!r}; there are {', '.join(RULES)}")
        return self.rules.get(key)


def local_of(role: str, tree: Table, book: FaultBook, expected_id: str | None) -> Local | None:
    """A jurisdiction or utility (`role`) from its prepared file; None where it has faults, noted in the book."""
    made, reading = validate(LocalFile, tree, book)
    if made is None:
        return None
    if expected_id is not None and made.id != expected_id:
        book.at(tree["id"], "the id is not the name of the file", f'"{made.id}"', f'"{expected_id}"', "correct the id, or rename the file")
        return None
    _same_day(made, tree, book)
    sections = {name: _givens(role, made.id, name, getattr(made, name), reading) for name in ("rule", "limit", "evidence")}
    return Local(
        made.id,
        made.name or made.id,
        role,
        made.adoption,
        sections["rule"],
        sections["limit"],
        sections["evidence"],
        made.approved_adapter,
    )


def _same_day(made: LocalFile, tree: Table, book: FaultBook) -> None:
    days: set[datetime.date] = set()
    for row, place in zip(made.adoption, rows(tree, "adoption"), strict=True):
        if row.effective in days:
            limit = "one adoption a day"
            book.at(
                place["effective"], "two adoptions take effect on one day", str(row.effective), limit, "correct a date, or join the rows"
            )
        days.add(row.effective)


def _givens(role: str, owner: str, section: str, table: Record | None, reading: Reading) -> dict[str, Input]:
    found: dict[str, Input] = {}
    for key in type(table).model_fields if table is not None else ():
        row = getattr(table, key)
        if row is None:
            continue
        source = Source(row.source, note=f"{role} {owner}")
        for name in ("value", "interval"):
            given = reading.givens.get(f"{section}.{key}.{name}")
            if given is not None:
                full = key if name == "value" else f"{key}.interval"
                kind = Flag if isinstance(given, Flag) else Input
                path = f"{role}.{section}.{full}"
                found[full] = kind(path, given.meaning, given.value, given.unit, "jurisdiction", row.note or "", given.text, source)
    return found


def changes_of(tree: Table, book: FaultBook, edition: str | None) -> tuple[Change, ...]:
    """Changes of an amendments file, each tried on its edition; faults are noted in the book.

    `edition` is the one whose adoption names the file, None where that is not known.
    """
    made, _ = validate(AmendmentsFile, tree, book)
    if made is None:
        return ()
    if edition is not None and made.edition != edition:
        todo = "correct the edition of one of them"
        book.at(tree["edition"], "these amendments change another edition than the one adopted with them", made.edition, edition, todo)
        return ()
    found = []
    for row, place in zip(made.change, rows(tree, "change"), strict=True):
        change = row.change()
        if change is None:
            given = ", ".join(name for name in place if name not in ("to", "source", "note")) or "none of them"
            limit = "value, or switch, or table with row and column"
            book.at(place, "a change names not exactly one thing", given, limit, "split the change, or complete it")
            continue
        try:
            load(made.edition).changed([change])
        except CalculationFault as fault:
            what = f"edition {made.edition} cannot be changed so: {fault.what}"
            named = f"{change.name} to {change.to}"
            book.at(place, what, named, fault.limit or "what the edition holds under that name", fault.todo or "correct the change")
            continue
        found.append(change)
    return tuple(found)
