"""Limits on the place of storage: editions of the residential code, and of the fire code and standard beside them, as data.

One row of `residential.csv` is one fact of one edition: code, year, key, value, unit, locator, status, where it was read, note.
`none` says that the edition has no such rule. The residential code decides; the fire codes stand beside it for the reader.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

from workbook_lib.editions.files import ROOT, checked_status, nearest, number, records
from workbook_lib.errors import CalculationFault
from workbook_lib.sheet import Input, Source

RESIDENTIAL = "IRC"
NONE = "none"

MEANINGS: Mapping[str, str] = {
    "section": "section on storage",
    "habitable": "storage in habitable rooms",
    "listing": "standard that storage is listed to",
    "scope_kwh": "energy above which the section begins",
    "unit_kwh": "largest energy of one unit",
    "indoor_kwh": "largest energy in closets, basements and storage or utility spaces",
    "garage_kwh": "largest energy in garages and detached accessory structures",
    "wall_kwh": "largest energy on exterior walls",
    "ground_kwh": "largest energy outdoors on the ground",
    "dwelling_kwh": "largest energy of the dwelling, by the contested reading",
    "reading": "whether the limits hold for each place or for the dwelling",
    "spacing_ft": "least distance between units",
    "openings_ft": "least distance to doors and windows",
    "vehicles": "protection from vehicles",
    "end_wall_in": "height on an end wall of a garage above which it is out of a vehicle's way",
    "detection": "smoke alarm or heat detector where storage stands",
}
"""What each key of the file means."""


@dataclass(frozen=True, slots=True, eq=False)
class StorageCode:
    """One edition of a code as far as it limits storage: `code` and `year` say which. Nothing in it can be set."""

    code: str
    year: str
    _values: Mapping[str, Input]
    _read_in: Mapping[str, str]

    @property
    def name(self) -> str:
        """Code and year, as printed."""
        return f"{self.code} {self.year}"

    @property
    def keys(self) -> tuple[str, ...]:
        """Keys that this edition has a row of, those without a rule counted."""
        return tuple(self._values)

    def value(self, key: str) -> Input:
        """A number or word of the edition; `none` where it has no such rule. Errors: `CalculationFault` for a key that is unknown."""
        try:
            return self._values[key]
        except KeyError:
            raise CalculationFault(f"no value under {key!r}", value=key, limit=nearest(key, self._values), where=self.name) from None

    def limit(self, key: str) -> Input | None:
        """A number of the edition; None where it has no such rule. Errors: `CalculationFault`."""
        given = self.value(key)
        return None if given.value == NONE else given

    def asks(self, key: str) -> bool:
        """Whether the edition has such a rule. Errors: `CalculationFault`."""
        return self.value(key).value != NONE

    def cite(self, key: str) -> Source:
        """Where a rule stands, with its status. Errors: `CalculationFault`."""
        return self.value(key).source

    def read_in(self, key: str) -> str:
        """Public sources in which a value was read, `none` where it is from memory alone."""
        return self._read_in[key]


@lru_cache(maxsize=1)
def storage_codes() -> tuple[StorageCode, ...]:
    """Every edition in the file, in its order. Errors: `CalculationFault` for a row that is unsound."""
    values: dict[tuple[str, str], dict[str, Input]] = {}
    read_in: dict[tuple[str, str], dict[str, str]] = {}
    for row in records(ROOT / "residential.csv"):
        which, key = (row["code"], row["year"]), row["key"]
        where = f"residential.csv: {' '.join(which)} {key}"
        if key not in MEANINGS:
            raise CalculationFault("a key without a meaning", value=key, limit=nearest(key, MEANINGS), where=where)
        if key in values.setdefault(which, {}):
            raise CalculationFault("a key twice in one edition", value=key, where=where)
        value = number(row["value"], where) if row["unit"] else row["value"]
        source = Source(row["locator"], status=checked_status(row["status"], where), note=row["note"])
        name = "-".join(which).lower().replace(" ", "-")
        values[which][key] = Input(f"{name}.{key}", MEANINGS[key], value, row["unit"] or None, "code", source=source)
        read_in.setdefault(which, {})[key] = row["source"]
    return tuple(StorageCode(*which, found, read_in[which]) for which, found in values.items())


def residential_codes() -> tuple[StorageCode, ...]:
    """Editions of the residential code that have a section on storage, oldest first. Errors: `CalculationFault`."""
    return tuple(sorted((one for one in storage_codes() if one.code == RESIDENTIAL), key=lambda one: one.year))


def residential(year: str) -> StorageCode:
    """The residential code of a year. Errors: `CalculationFault` for one that is not in the file."""
    for one in residential_codes():
        if one.year == year:
            return one
    known = ", ".join(one.year for one in residential_codes())
    raise CalculationFault("no limits of storage by this residential code", value=repr(year), limit=known, where="residential.csv")
