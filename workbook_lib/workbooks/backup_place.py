"""Place of storage: which residential code holds, energy by unit and place, distances, vehicles, detection, disconnects."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field, replace

from workbook_lib.editions.residential import NONE, StorageCode, residential_codes, storage_codes
from workbook_lib.errors import MissingInput
from workbook_lib.rules import siting
from workbook_lib.rules.source import all_units
from workbook_lib.rules.standby import AUTHORITY
from workbook_lib.rules.store import added
from workbook_lib.sheet import CONFIRMED, Check, Input, Quantity, Section, Step, Table, Verdict, controlling
from workbook_lib.workbooks.prepare import text
from workbook_lib.workbooks.work import SheetWork

GARAGES = ("attached-garage", "detached")
NOT_GIVEN = "not-given"
"""Stands for the place in the check of storage whose place the site file does not give."""

NOT_CHECKED = (
    "separation of a garage with storage in it from the dwelling (IRC R302.6)",
    "finish of walls and ceiling around storage inside, 5/8 in type X board on bare wood framing (from memory)",
    "ventilation of the space where storage stands, by the maker's instructions",
    "interconnection of smoke alarms and heat detectors",
    "the fire code in force, and local texts on storage: the site file does not name them",
)
"""What the place of storage needs besides and no field says."""

ONE, WITHOUT, UNREAD, UNKNOWN = "one", "without", "unread", "unknown"
YEAR = re.compile(r"(?<!\d)(?:19|20)\d\d(?!\d)")
FIELD = "site.residential_code"


@dataclass(frozen=True, slots=True)
class Held:
    """Residential code of the home as written, whether it is one that is known here, the editions to test by, the checks by each."""

    written: str
    state: str
    codes: tuple[StorageCode, ...]
    made: list[Check] = field(default_factory=list)

    @property
    def years(self) -> str:
        """Years of the editions to test by."""
        return ", ".join(one.year for one in self.codes)


@dataclass(frozen=True, slots=True)
class Stores:
    """Storage that stands: rows of the site file, energy of all like units [kWh] of each whose energy is given."""

    items: tuple
    energy: dict[str, Quantity]

    def at(self, *places: str) -> list:
        """Rows at some places."""
        return [one for one in self.items if text(one.location) in places]

    def total(self, items: list, key: str, words: str) -> Quantity:
        """Energy of some rows together [kWh]. Errors: MissingInput."""
        lacking = [f"storage.{one.id}.energy" for one in items if one.id not in self.energy]
        if lacking:
            raise MissingInput(lacking)
        return added(key, words, [self.energy[one.id] for one in items])


def place(work: SheetWork) -> None:
    """Checks of the place of storage and of its disconnects, their section, cautions and what is not checked."""
    stores = _stores(work)
    _disconnect(work, stores)
    _shutdown(work, stores)
    if not stores.items:
        return
    held, sums = residential_code(work), _Sums(stores)
    for one in stores.items:
        _alone(work, stores, one, held)
    steps = _places(work, sums, held)
    _cautions(work, held.made)
    work.not_checked += NOT_CHECKED
    work.sections.append(Section("Place of storage", tuple(steps), _prose(held), _table(work, sums, held)))
    work.sections.append(Section("Limits of storage by edition", (), FIRE_PROSE, _editions()))


def _stores(work: SheetWork) -> Stores:
    items = tuple(work.standing("storage"))
    energy = {
        one.id: all_units(one, one.energy, f"storage.{one.id}.nameplate", "E_np", f"nameplate energy of all units of {one.id}")
        for one in items
        if one.energy is not None
    }
    return Stores(items, energy)


def residential_code(work: SheetWork) -> Held:
    """The residential code that holds: the site file's, else the jurisdiction's on the permit date, else every one known here."""
    adopted = work.home.adoption.residential_code if work.home.adoption is not None else None
    written = text(work.site.site.residential_code) or text(adopted)
    known = residential_codes()
    if not written:
        return Held("", UNKNOWN, known)
    years = set(YEAR.findall(written))
    year = years.pop() if len(years) == 1 else ""
    if year and year < known[0].year:
        return Held(written, WITHOUT, ())
    found = tuple(one for one in known if one.year == year)
    return Held(written, ONE, found) if found else Held(written, UNREAD, known)


# by edition


def settled(held: Held, key: str, asked: str, make: Callable[[StorageCode], Check]) -> Check:
    """A check by the residential code in force; by every edition known here where that is not known. Errors: MissingInput."""
    if held.state == WITHOUT:
        note = f"the residential code in force ({held.written}) has no section on storage; the fire code may ask for it all the same"
        return Check(key, asked, Verdict.NOT_APPLICABLE, note=note)
    found = [make(code) for code in held.codes]
    held.made.extend(found)
    if held.state == ONE:
        return found[0]
    asking = [check for check in found if check.verdict is not Verdict.NOT_APPLICABLE] or found
    verdicts = {check.verdict for check in asking}
    if Verdict.NEEDS_INPUT in verdicts:
        return next(check for check in asking if check.verdict is Verdict.NEEDS_INPUT)
    everywhere = len(asking) == len(found) or Verdict.FAIL not in verdicts
    if held.state == UNKNOWN and len(verdicts) == 1 and everywhere:
        words = "so" if len(asking) == len(found) else "so, or not asked for,"
        return replace(
            asking[-1], note=_joined(asking[-1].note, f"{words} under every edition known here ({held.years}); which holds is not given")
        )
    return _divided(held, found, asking)


def _divided(held: Held, found: list[Check], asking: list[Check]) -> Check:
    """The judgement where editions disagree, or where the edition in force is not among those known here."""
    worst = controlling([replace(check, counts=True) for check in reversed(asking)])
    by_year = ", ".join(f"{code.year} {check.verdict}" for code, check in zip(held.codes, found, strict=True))
    if held.state == UNREAD:
        lead = f'limits by the residential code in force ("{held.written}") are not in the data here; by those known: {by_year}'
        closes = "the storage section of the code in force, read for this place"
    else:
        lead = f"the residential code in force is not given; by those known here: {by_year}"
        closes = f"{FIELD}, or residential_code of the jurisdiction's adoption"
    note, closes = _joined(lead, worst.note), _joined(closes, worst.closes)
    return replace(worst, verdict=Verdict.JUDGEMENT, note=note, closes=closes, decides=AUTHORITY, fields=(FIELD,))


def _joined(*parts: str) -> str:
    return "; ".join(part for part in parts if part)


# each storage by itself


def _alone(work: SheetWork, stores: Stores, one, held: Held) -> None:
    """Checks of one row: unit, listing, spacing, vehicles, detection."""
    spot = text(one.location)
    known = [row for row in stores.items if row.id in stores.energy]
    energy = stores.total(known, "storage.all_nameplate", "nameplate energy of all storage") if one in known else None
    inverter = next((source for source in work.standing("source") if source.id == one.inverter), None)
    listed = (*one.listed_to, *(inverter.listed_to if inverter is not None else ()))
    several = one.count.value > 1 or any(other.id != one.id for other in stores.at(spot) if spot)
    tested = _tested(work, one.id)

    def unit(code: StorageCode) -> Check:
        if one.energy is None and code.limit("unit_kwh") is not None:
            raise MissingInput([f"storage.{one.id}.energy"])
        return siting.unit_energy(one.id, one.energy, code)

    rules: dict[str, Callable[[StorageCode], Check]] = {
        "storage-unit": unit,
        "storage-listing": lambda code: siting.listing(one.id, listed, code),
        "storage-spacing": lambda code: siting.spacing(one.id, spot, several, one, tested, code),
        "storage-vehicles": lambda code: siting.vehicles(one.id, spot, one.vehicle_path, one.vehicle_barrier, code),
        "storage-detection": lambda code: siting.detection(one.id, spot, one.detection, code),
    }
    for name, rule in rules.items():
        key, asked = f"{name}:{one.id}", siting.QUESTIONS[name]

        def by(code: StorageCode, key=key, asked=asked, rule=rule) -> Check:
            return siting.too_small(key, asked, energy, code) or rule(code)

        work.guarded(key, asked, lambda key=key, asked=asked, by=by: settled(held, key, asked, by))


def _tested(work: SheetWork, name: str) -> str:
    """Document and date of a fire test that is on file for a storage; empty where there is none."""
    for one in work.site.evidence:
        if one.for_ == name and text(one.shows) == "spacing-test" and one.document is not None and one.date is not None:
            return f"{text(one.document)}, {one.date}"
    return ""


# each place


def _places(work: SheetWork, sums: _Sums, held: Held) -> list[Step]:
    """Check `storage-location:PLACE` of each place. Returns: the sums behind them."""
    stores = sums.stores
    asked, local = siting.QUESTIONS["storage-location"], work.home.rule("storage_limit_reading")
    steps: list[Step] = [one for one in stores.energy.values() if isinstance(one, Step)]
    lacking = [f"storage.{one.id}.location" for one in stores.items if one.location is None]
    if lacking:

        def ask(code: StorageCode) -> Check:
            raise MissingInput(lacking, "where storage stands says how much may stand there")

        key = f"storage-location:{NOT_GIVEN}"
        work.guarded(key, asked, lambda: settled(held, key, asked, ask))
    for spot in dict.fromkeys(text(one.location) for one in stores.items if one.location is not None):
        key = f"storage-location:{spot}"

        def rule(code: StorageCode, spot=spot) -> Check:
            return _location(sums, spot, code, local)

        work.guarded(key, asked, lambda key=key, rule=rule: settled(held, key, asked, rule))
    return steps + [one for one in sums.made.values() if isinstance(one, Step) and one not in steps]


class _Sums:
    """Energy by place, each sum made once."""

    def __init__(self, stores: Stores):
        self.stores = stores
        self.made: dict[str, Quantity] = {}

    def of(self, name: str, items: list, words: str) -> Quantity:
        """Energy of some rows [kWh]. Errors: MissingInput."""
        if name not in self.made:
            self.made[name] = self.stores.total(items, f"place.{name}.energy", f"nameplate energy {words}")
        return self.made[name]

    def readings(self, spot: str, code: StorageCode) -> tuple[siting.Reading, ...]:
        """Readings of the limit of a place, without that of the dwelling where some energy is not given. Errors: MissingInput."""
        stores = self.stores
        here = self.of(spot, stores.at(spot), f"at the place {spot}")
        garages = stores.at(*GARAGES)
        shared = spot in GARAGES and len(garages) > len(stores.at(spot))
        line = self.of("garages", garages, "in garages attached and detached") if shared else None
        known = all(one.id in stores.energy for one in stores.items)
        total = self.of("dwelling", list(stores.items), "in all of the dwelling") if known else None
        return siting.readings(spot, here, line, total, code)


def _location(sums: _Sums, spot: str, code: StorageCode, local: Input | None) -> Check:
    stores = sums.stores
    key, asked = f"storage-location:{spot}", siting.QUESTIONS["storage-location"]
    known = [one for one in stores.items if one.id in stores.energy]
    every = len(known) == len(stores.items)
    small = (
        siting.too_small(key, asked, stores.total(known, "storage.all_nameplate", "nameplate energy of all storage"), code)
        if every
        else None
    )
    if small is not None:
        return small
    if spot == siting.LIVING or code.limit("unit_kwh") is None:
        return siting.location(spot, (), code, local)
    found = sums.readings(spot, code)
    lacking = [f"storage.{one.id}.energy" for one in stores.items if one.id not in stores.energy]
    if lacking and found[0].fits and siting.one_dwelling(code, local) is not False:
        raise MissingInput(lacking, "one reading of the limits takes all storage of the dwelling together")
    return siting.location(spot, found, code, local)


# disconnects


def _switches(work: SheetWork, role: str) -> list:
    return [one for one in work.standing("disconnect") if one.role == role]


def _disconnect(work: SheetWork, stores: Stores) -> None:
    """Check `storage-disconnect`: the worst of all storage."""
    key, asked = "storage-disconnect", siting.QUESTIONS["storage-disconnect"]
    cite = work.edition.cite("storage_disconnect")
    if not stores.items:
        work.checks.append(Check(key, asked, Verdict.NOT_APPLICABLE, source=cite, note="no storage stands here"))
        return
    found = [siting.disconnect(one.id, one.integral_disconnect, _own(work, one, stores), work.edition) for one in stores.items]
    worst = controlling(found)
    others = [check.note for check in found if check is not worst]
    fields = tuple(dict.fromkeys(name for check in found if check.verdict is worst.verdict for name in check.fields))
    work.checks.append(replace(worst, note=_joined(worst.note, *others), fields=fields))


def _own(work: SheetWork, one, stores: Stores) -> list[siting.Switch]:
    """Disconnects that belong to a storage: in sight of it or its inverter, or on the way between that and the service."""
    names = {one.id, one.inverter}
    way = set(work.tree.path_to_service(one.inverter)) if one.inverter in work.tree else set()
    others = {name for other in stores.items if other.id != one.id for name in (other.id, other.inverter)} - names
    found = []
    starters = [one for one in _switches(work, "storage-shutdown") if one.rating is not None]  # a switch in the circuit serves as both
    for item in (*_switches(work, "storage"), *starters):
        seen = None if item.in_sight_of is None else item.in_sight_of in names
        near = item.id in way or item.connected_to in way | names
        if seen or (near and item.in_sight_of not in others):
            found.append(siting.Switch(item.id, seen, item.distance, item.lockable, item.place))
    return found


def _shutdown(work: SheetWork, stores: Stores) -> None:
    """Check `emergency-shutdown`."""
    key, asked = "emergency-shutdown", siting.QUESTIONS["emergency-shutdown"]
    if not stores.items:
        cite = work.edition.cite("storage_shutdown")
        work.checks.append(Check(key, asked, Verdict.NOT_APPLICABLE, source=cite, note="no storage stands here"))
        return
    drawn = [siting.Switch(one.id, None, None, None, one.place) for one in _switches(work, "storage-shutdown")]
    outside = [one.id for role in ("storage", "emergency") for one in _switches(work, role) if text(one.place) == "outside"]
    hint = f"; {', '.join(outside)} outside may be it, if drawn with this role" if outside else ""
    work.checks.append(siting.shutdown(drawn, hint, work.edition))
    if len(stores.items) > 1 and drawn:
        work.not_checked.append("that the emergency shutdown reaches every storage of the home")


# the sheet


def _cautions(work: SheetWork, checks: list[Check]) -> None:
    """Notes on limits of the residential code in use that were not read in two sources, each with the checks behind it."""
    found: dict[tuple[str, str, str], dict[str, None]] = {}
    for check in checks:
        if check.verdict is Verdict.NOT_APPLICABLE:
            continue
        sources = [check.source, check.required.source if isinstance(check.required, Input) else None]
        for source in sources:
            if source is not None and source.edition is None and source.status != CONFIRMED:
                found.setdefault((source.status, source.locator, source.note), {}).setdefault(f"check {check.key}")
    for (status, where, why), keys in found.items():
        work.notes.append(f"{status}: {where}{f' ({why})' if why else ''}, behind {'; '.join(keys)}")


def _prose(held: Held) -> str:
    words = {
        ONE: f"Residential code in force: {held.written}.",
        WITHOUT: f"Residential code in force: {held.written}, which has no section on storage.",
        UNREAD: f"Residential code in force: {held.written}, which is not in the data here; tested by {held.years}.",
        UNKNOWN: f"The residential code in force is not given; tested by every edition known here ({held.years}).",
    }[held.state]
    return (
        f"{words} Energy is nameplate energy. The limits hold for each place of a list or, as some read the first text of the fire "
        "standard, for the dwelling in all; both readings are printed, and local rule storage_limit_reading settles it."
    )


FIRE_PROSE = (
    "The residential code decides here. The fire code and the fire standard stand beside it with the same figures; beyond them, or where "
    "the authority enforces them on dwellings, their other sections hold."
)


def _table(work: SheetWork, sums: _Sums, held: Held) -> Table:
    stores, rows = sums.stores, []
    local = work.home.rule("storage_limit_reading")
    for one in stores.items:
        spot = text(one.location)
        energy = stores.energy[one.id].value if one.id in stores.energy else "not given"
        rows.append((one.id, spot or "not given", f"{one.count.value:g}", energy, *_limits(sums, spot, held)))
    caption = "Storage by place [kWh]" + (f"; local rule: {local.value}" if local is not None else "")
    return Table(("storage", "place", "units", "energy [kWh]", "limit of the place", "readings"), tuple(rows), caption, 1)


def _limits(sums: _Sums, spot: str, held: Held) -> tuple[str, str]:
    """Limit of a place and the readings of it, in words; of the newest edition where several are tested by."""
    if spot == siting.LIVING:
        return "none may stand there" if held.codes else "no section", ""
    if spot not in siting.LINES or not held.codes:
        return ("place not given", "") if held.codes else ("no section", "")
    code = held.codes[-1]
    limit = code.limit(siting.LINES[spot])
    words = f"none ({code.name})" if limit is None else f"{limit.value:g} kWh ({limit.source})"
    try:
        return words, "; ".join(str(one) for one in sums.readings(spot, code))
    except MissingInput as lack:
        return words, str(lack)


def _editions() -> Table:
    """Every edition of the residential and fire codes with its limits."""
    keys = ("unit_kwh", "indoor_kwh", "garage_kwh", "wall_kwh", "ground_kwh")
    rows = []
    for code in storage_codes():
        cells = [f"{code.value(key).value:g}" if code.asks(key) else NONE for key in keys]
        states = sorted({code.cite(key).status for key in keys})
        rows.append((code.name, str(code.value("section").value), *cells, str(code.value("reading").value), ", ".join(states)))
    columns = ("code", "section", "unit", "closets, basements", "garages", "exterior walls", "outdoors", "reading", "status")
    return Table(columns, tuple(rows), "Largest energy of storage [kWh]")
