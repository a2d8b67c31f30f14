"""Where storage may stand: energy of a unit and of a place, distances, vehicles, detection, listing, its disconnects."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from re import match

from workbook_lib.editions import Edition
from workbook_lib.editions.residential import StorageCode
from workbook_lib.errors import MissingInput
from workbook_lib.rules.standby import AUTHORITY
from workbook_lib.sheet import FROM_MEMORY, Check, Input, Quantity, Verdict, compare, controlling, holds, needs_input

LIVING = "living-space"
LINES = {
    "utility-closet": "indoor_kwh",
    "attached-garage": "garage_kwh",
    "detached": "garage_kwh",
    "exterior-wall": "wall_kwh",
    "outdoors": "ground_kwh",
}
"""Line of the code's list that each place of the site file stands on. Closets stand for basements and storage or utility spaces too."""

OUTSIDE = ("exterior-wall", "outdoors")
PER_PLACE, PER_DWELLING = "per-place", "per-dwelling"
"""Readings of the limits of energy: each place for itself, or one limit for the dwelling beside those of its places."""

QUESTIONS = {
    "storage-unit": "is one unit within the largest energy of a unit?",
    "storage-listing": "is it listed as a storage system?",
    "storage-location": "may storage stand there, and is its energy within the limit of the place?",
    "storage-spacing": "is it far enough from other units, and from doors and windows?",
    "storage-vehicles": "is it out of a vehicle's way, or protected?",
    "storage-detection": "is there a smoke alarm or heat detector where it stands?",
    "storage-disconnect": "is there a disconnecting means in the storage, in sight and near it, or lockable?",
    "emergency-shutdown": "can storage be shut down from outside in an emergency?",
}
READ_TEST = "the authority's reading of the test report in writing"
READING_OF_AUTHORITY = "the authority's reading in writing, or rule storage_limit_reading of the jurisdiction"


def too_small(key: str, asked: str, energy: Quantity | None, code: StorageCode) -> Check | None:
    """A check that does not apply since the storage is below the section's scope; None where the section reaches it.

    Parameters: energy of all like units [kWh], None where not known. Returns: Check or None. Source: IRC R328, R330.
    """
    scope = code.limit("scope_kwh")
    if scope is None or energy is None or not holds(energy.value, "<=", scope.value):
        return None
    note = f"{energy.value:g} kWh: the section begins above {scope.value:g} kWh"
    return Check(key, asked, Verdict.NOT_APPLICABLE, source=code.cite("scope_kwh"), note=note)


def unit_energy(name: str, energy: Input, code: StorageCode) -> Check:
    """Check `storage-unit:STORAGE`: nameplate energy of one unit.

    Parameters: energy of one [kWh]. Returns: Check [kWh]. Source: IRC 2021 R328, 2024 R330: 20 kWh; 2018 R327 names none.
    """
    key, asked, limit = f"storage-unit:{name}", QUESTIONS["storage-unit"], code.limit("unit_kwh")
    if limit is None:
        return Check(key, asked, Verdict.NOT_APPLICABLE, source=code.cite("unit_kwh"), note=code.cite("unit_kwh").note)
    check = compare(key, asked, energy, "<=", limit, limit.source)
    if check.verdict is Verdict.FAIL:
        return replace(check, note="a larger unit follows the rest of the fire code on storage, as in other buildings")
    return check


def listing(name: str, listed: Sequence[str], code: StorageCode) -> Check:
    """Check `storage-listing:STORAGE`: the storage, or the inverter that it is one system with, bears the listing.

    Parameters: standards that both are listed to. Returns: Check. Source: IRC R327, R328, R330; a test by the method with the letter A
    is none.
    """
    key, asked, wanted = f"storage-listing:{name}", QUESTIONS["storage-listing"], code.value("listing")
    number = str(wanted.value).split()[-1]
    if any(match(rf"\s*UL[\s-]*{number}(?![0-9A-Za-z])", one) for one in listed):
        return Check(key, asked, Verdict.PASS, source=wanted.source, note=f"{wanted.value}, as stated")
    note = f"no listing to {wanted.value} is stated for it or its inverter"
    if any(match(rf"\s*UL[\s-]*{number}[Aa]", one) for one in listed):
        note += f"; {wanted.value}A is a method of test and no listing"
    closes = f"the listing mark, entered as listed_to of storage.{name} or of its inverter"
    return Check(key, asked, Verdict.JUDGEMENT, source=wanted.source, note=note, closes=closes, decides=AUTHORITY)


@dataclass(frozen=True, slots=True)
class Reading:
    """One way to read the limit of a place: of what (place, line, dwelling), in words, the energy that counts and the limit [kWh]."""

    of: str
    words: str
    energy: Quantity
    limit: Input

    @property
    def fits(self) -> bool:
        """Whether the energy is within the limit."""
        return holds(self.energy.value, "<=", self.limit.value)

    def __str__(self) -> str:
        return f"{self.words} {self.energy.value:.1f} of {self.limit.value:g} kWh"


def readings(place: str, here: Quantity, line: Quantity | None, total: Quantity | None, code: StorageCode) -> tuple[Reading, ...]:
    """Every reading of the limit of a place, the plain one first; none where the code has no limit for it.

    Parameters: here at this place, line at all places on one line of the list where there are others, total of the dwelling
    (None: not known) [kWh]. Returns: readings. Source: IRC R328.5; NFPA 855 15.5.2 (2023: each place), ch. 15 (2020: a word missing).
    """
    limit = code.limit(LINES[place]) if place in LINES else None
    if limit is None:
        return ()
    found = [Reading("place", "at this place", here, limit)]
    if line is not None:
        found.append(Reading("line", "garages attached and detached on one line", line, limit))
    most = code.limit("dwelling_kwh")
    if total is not None and most is not None:
        found.append(Reading("dwelling", "in all of the dwelling", total, most))
    return tuple(found)


def one_dwelling(code: StorageCode, local: Input | None) -> bool | None:
    """Whether the energy of the whole dwelling is held to one limit; None where that is argued.

    Parameters: local rule `storage_limit_reading`. Returns: yes, no or None. Source: NFPA 855 ch. 15 (2020) and 15.5.2 (2023).
    """
    given = local if local is not None else code.value("reading")
    return {PER_PLACE: False, PER_DWELLING: True}.get(str(given.value))


def location(place: str, found: Sequence[Reading], code: StorageCode, local: Input | None) -> Check:
    """Check `storage-location:PLACE`: no storage in habitable rooms, and energy within the limit in each reading.

    Parameters: readings [kWh], local rule `storage_limit_reading`. Returns: Check [kWh]. Source: IRC R327 (rooms alone), R328.4,
    R328.5, R330; RS12 of the rule matrix.
    """
    key, asked = f"storage-location:{place}", QUESTIONS["storage-location"]
    if place == LIVING:
        note = "not in habitable rooms, nor in what opens into a room to sleep in"
        return Check(key, asked, Verdict.FAIL, source=code.cite("habitable"), note=note)
    if not found:
        return Check(key, asked, Verdict.PASS, source=code.cite("habitable"), note=f"no habitable room; {code.cite('unit_kwh').note}")
    plain, words = found[0], "; ".join(str(one) for one in found)
    check = compare(key, asked, plain.energy, "<=", plain.limit, plain.limit.source, note=words)
    if check.verdict is Verdict.FAIL:
        return replace(check, note=f"{words}; beyond the limit the rest of the fire code on storage holds")
    whole = one_dwelling(code, local)
    by = f", by the local rule ({local.source.locator if local.source else local.note}) {local.value}" if local is not None else ""
    short = [one for one in found if not one.fits]
    most = next((one for one in short if one.of == "dwelling"), None)
    if whole and most is not None:
        return compare(key, asked, most.energy, "<=", most.limit, most.limit.source, note=f"{words}{by}")
    if whole is not None:
        short = [one for one in short if one.of != "dwelling"]
    if not short:
        return replace(check, note=f"{words}{by}")
    argued = "the readings differ: the list may hold for each place, for a line of it, or for the dwelling"
    return replace(check, verdict=Verdict.JUDGEMENT, note=f"{words}{by}; {argued}", closes=READING_OF_AUTHORITY, decides=AUTHORITY)


def spacing(name: str, place: str, several: bool, item, tested: str, code: StorageCode) -> Check:
    """Check `storage-spacing:STORAGE`: distance to other units at the same place and, outside, to doors and windows.

    Parameters: item with distance_between and distance_to_openings [ft], several whether other units stand there, tested the
    document of a fire test. Returns: Check [ft]. Errors: MissingInput. Source: IRC R328.3.1 and R328.4, R330: 3 ft; NFPA 855 15.3.
    """
    key, asked = f"storage-spacing:{name}", QUESTIONS["storage-spacing"]
    apart, openings = code.limit("spacing_ft"), code.limit("openings_ft")
    if apart is None or openings is None:
        note = "this edition names no distance: the maker's instructions hold"
        return Check(key, asked, Verdict.NOT_APPLICABLE, source=code.cite("spacing_ft"), note=note)
    checks, lacking = [], []
    if several and tested:
        note = f"between units a fire test allows less ({tested}): the distance of its report holds"
        checks.append(Check(key, asked, Verdict.PASS, source=apart.source, note=note))
    elif several and item.distance_between is None:
        lacking.append(f"storage.{name}.distance_between")
    elif several:
        checks.append(compare(key, asked, item.distance_between, ">=", apart, apart.source, note="between units"))
    if not place:
        lacking.append(f"storage.{name}.location")
    elif place in OUTSIDE and item.distance_to_openings is None:
        lacking.append(f"storage.{name}.distance_to_openings")
    elif place in OUTSIDE:
        note = "to doors and windows that lead straight into the dwelling; one into a garage that is parted by fire is the authority's call"
        outside = compare(key, asked, item.distance_to_openings, ">=", openings, openings.source, note=note)
        if outside.verdict is Verdict.FAIL and tested:
            note = f"{note}; whether the fire test ({tested}) reaches doors and windows is read both ways"
            outside = replace(outside, verdict=Verdict.JUDGEMENT, note=note, closes=READ_TEST, decides=AUTHORITY)
        checks.append(outside)
    worst = controlling(checks)
    if lacking and (worst is None or worst.verdict is not Verdict.FAIL):
        raise MissingInput(lacking)
    if worst is None:
        note = "one unit inside: no other to keep apart from"
        return Check(key, asked, Verdict.NOT_APPLICABLE, source=apart.source, note=note)
    return replace(worst, note="; ".join(one.note for one in checks))


def vehicles(name: str, place: str, path: Input | None, barrier: Input | None, code: StorageCode) -> Check:
    """Check `storage-vehicles:STORAGE`: out of a vehicle's way, or protected.

    Parameters: place, path and barrier as stated (None: not stated) [-]. Returns: Check. Errors: MissingInput.
    Source: IRC R327, R328.8, R330; the height on an end wall by one national guideline.
    """
    key, asked, cite = f"storage-vehicles:{name}", QUESTIONS["storage-vehicles"], code.cite("vehicles")
    height = code.value("end_wall_in")
    end = f"{height.source.locator} asks for none at side walls, nor on an end wall from {height.value:g} in up"
    if not code.asks("vehicles"):
        return Check(key, asked, Verdict.NOT_APPLICABLE, source=cite, note="this edition has no such rule")
    if path is not None and not path.value:
        return Check(key, asked, Verdict.PASS, source=cite, note="not in the path of a vehicle, as stated")
    if barrier is not None and barrier.value:
        return Check(key, asked, Verdict.PASS, source=cite, note="protected, as stated")
    if path is not None:
        if barrier is None:
            raise MissingInput([f"storage.{name}.vehicle_barrier"])
        return Check(key, asked, Verdict.FAIL, source=cite, note=f"in the path of a vehicle without a barrier; {end}")
    if not place:
        raise MissingInput([f"storage.{name}.location", f"storage.{name}.vehicle_path"])
    if place == "attached-garage":
        raise MissingInput([f"storage.{name}.vehicle_path"], f"in a garage it is to be said whether a vehicle reaches it; {end}")
    if place in (LIVING, "utility-closet"):
        return Check(key, asked, Verdict.NOT_APPLICABLE, source=cite, note="no vehicle comes into a room of the dwelling")
    note = "whether a vehicle can reach it is not stated: by a drive or in a detached garage it may, in a shed or behind a fence not"
    closes = f"storage.{name}.vehicle_path, seen on site"
    return Check(key, asked, Verdict.JUDGEMENT, source=cite, note=note, closes=closes, decides="the engineer on site")


def detection(name: str, place: str, given: Input | None, code: StorageCode) -> Check:
    """Check `storage-detection:STORAGE`: smoke alarm, or heat detector where alarms are unsuited, in the room where it stands.

    Parameters: place, given as stated (None: not stated) [-]. Returns: Check. Errors: MissingInput. Source: IRC R328.7, R330; that a
    detached structure is not named is from memory.
    """
    key, asked, cite = f"storage-detection:{name}", QUESTIONS["storage-detection"], code.cite("detection")
    if not code.asks("detection"):
        return Check(key, asked, Verdict.NOT_APPLICABLE, source=cite, note="this edition has no such rule")
    if place in OUTSIDE:
        return Check(key, asked, Verdict.NOT_APPLICABLE, source=cite, note="outside: the rule is of the room where storage stands")
    if given is not None and given.value:
        return Check(key, asked, Verdict.PASS, source=cite, note="there is one, as stated; that it is interconnected is not seen here")
    if given is not None and not place:
        raise MissingInput([f"storage.{name}.location"], "whether the rule reaches it turns on the place")
    if given is not None and place != "detached":
        return Check(key, asked, Verdict.FAIL, source=cite, note="none, as stated")
    note = "not stated" if given is None else "none, as stated; whether the rule reaches a detached structure is argued"
    closes = f"a smoke alarm, or a heat detector where alarms are unsuited, entered as storage.{name}.detection"
    return Check(key, asked, Verdict.JUDGEMENT, source=cite, note=note, closes=closes, decides=AUTHORITY)


@dataclass(frozen=True, slots=True)
class Switch:
    """A disconnect drawn for storage: its id, whether it stands in sight of it (None: not stated), distance [ft], lockable, place."""

    id: str
    in_sight: bool | None
    distance: Input | None
    lockable: Input | None
    place: Input | None = None


def disconnect(name: str, integral: Input | None, switches: Sequence[Switch], edition: Edition) -> Check:
    """The part of check `storage-disconnect` for one storage: in the system, in sight and near, or lockable.

    Parameters: integral as stated, switches drawn for it with their distance [ft]. Returns: Check [ft]. Source: 706.7(A) (2017, from
    memory), 706.15(A) (2020), 706.15(B) (2023 on); RS10 of the rule matrix.
    """
    key, asked, cite = "storage-disconnect", QUESTIONS["storage-disconnect"], edition.cite("storage_disconnect")
    if integral is not None and integral.value:
        return Check(key, asked, Verdict.PASS, source=cite, note=f"{name}: part of the storage, as stated")
    if not switches:
        fields = [f"storage.{name}.integral_disconnect"] if integral is None else []
        note = f'{name}: neither a disconnect of role "storage" is drawn for it, nor is it said to have one of its own'
        return needs_input(key, asked, [*fields, "disconnect"], cite, note=note)
    tried = [_switch(key, asked, name, one, edition) for one in switches]
    return min(tried, key=lambda check: _BEST.index(check.verdict))


_BEST = (Verdict.PASS, Verdict.JUDGEMENT, Verdict.NEEDS_INPUT, Verdict.FAIL)


def _switch(key: str, asked: str, name: str, one: Switch, edition: Edition) -> Check:
    """One disconnect of one storage."""
    cite, most = edition.cite("storage_disconnect"), edition.value("storage_disconnect_ft")
    words = f"{name}: {one.id}"
    locks = one.lockable is not None and bool(one.lockable.value)
    near = one.in_sight is True and one.distance is not None and holds(one.distance.value, "<=", most.value)
    if near:
        check = compare(key, asked, one.distance, "<=", most, cite, note=f"{words} in sight")
    elif locks:
        away = f"{one.distance.value:g} ft away, " if one.distance is not None else ""
        check = Check(key, asked, Verdict.PASS, source=cite, note=f"{words} {away}lockable")
    else:
        lacking = _open_fields(one)
        if lacking:
            return needs_input(key, asked, lacking, cite, note=f"{words}: missing: {', '.join(lacking)}")
        if one.in_sight:
            check = compare(key, asked, one.distance, "<=", most, cite, note=f"{words} in sight, too far and not lockable")
        else:
            check = Check(key, asked, Verdict.FAIL, source=cite, note=f"{words} neither in sight nor lockable")
    if most.source.status != FROM_MEMORY:
        return check
    note = f"{check.note}; where it may stand is from memory in this edition: by that {check.verdict}"
    closes = "the section of the adopted code, read for this place"
    return replace(check, verdict=Verdict.JUDGEMENT, note=note, closes=closes, decides=AUTHORITY)


def _open_fields(one: Switch) -> list[str]:
    """Fields that may yet let a disconnect pass."""
    open_ = ["in_sight_of"] if one.in_sight is None else []
    if one.in_sight is not False and one.distance is None:
        open_.append("distance")
    if one.lockable is None:
        open_.append("lockable")
    return [f"disconnect.{one.id}.{field}" for field in open_]


def shutdown(switches: Sequence[Switch], hint: str, edition: Edition) -> Check:
    """Check `emergency-shutdown`: what shuts storage down stands outside, where the edition asks for it.

    Parameters: switches of that role with their place, hint what else stands outside. Returns: Check. Source: 706.15(A) (2020, a
    disconnect or its control), 706.15 (2023 on, a function and its starter); none in 2017.
    """
    key, asked, cite = "emergency-shutdown", QUESTIONS["emergency-shutdown"], edition.cite("storage_shutdown")
    form = str(edition.value("storage_shutdown").value)
    if form == "none":
        return Check(key, asked, Verdict.NOT_APPLICABLE, source=cite, note="this edition does not ask for it")
    what = FORMS[form]
    if not switches:
        note = f'no disconnect of role "storage-shutdown" is drawn: {what}{hint}'
        return needs_input(key, asked, ["disconnect"], cite, note=note)
    outside = [one.id for one in switches if one.place is not None and one.place.value == "outside"]
    if outside:
        return Check(key, asked, Verdict.PASS, source=cite, note=f"{', '.join(outside)} outside, as stated: {what}")
    unknown = [f"disconnect.{one.id}.place" for one in switches if one.place is None]
    if unknown:
        return needs_input(key, asked, unknown, cite)
    return Check(key, asked, Verdict.FAIL, source=cite, note=f"{', '.join(one.id for one in switches)} inside: {what}")


FORMS = {
    "outside-disconnect": "a disconnect or its control, readily accessible; some inspectors ask for a load-break switch",
    "outside-function": "a function that stops what storage gives to the premises; its starter, readily accessible, shows off and on",
}
"""What each position of the switch `storage_shutdown` asks for."""
