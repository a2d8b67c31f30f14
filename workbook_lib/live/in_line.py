"""Several answers in one line, as they are noted on a site: a run with its conductors and raceway, the directory of a panel, its loads.

What a line holds is told apart by what it is: a size, a material, an insulation, a quantity by its unit, and by the word beside it where
two things look alike. Nothing is guessed: what has no such sign is refused, and all that is not read is told at once.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from workbook_lib.home.model_equipment import INSULATIONS, LOAD_KINDS, Conductor, Raceway
from workbook_lib.home.raw import Trouble
from workbook_lib.home.shapes import shapes

RUN_EXAMPLE = "6 AWG Cu THWN-2, neutral 6, ground 10, terminals 75 degC, 16 ft, EMT, air 38 degC"
RUN_ALIKE = "as riser-2, 12 ft"
BREAKER_EXAMPLE = "range 50 A 2 pole; kitchen-1 20 A 1 pole"
LOAD_EXAMPLE = "range on range-breaker 12 kW; heat-pump on heat 16 A, 1 A; well-pump on pump 5 A, locked rotor 30 A"
MATERIALS = {"cu": "Cu", "copper": "Cu", "al": "Al", "aluminium": "Al", "aluminum": "Al"}
WORDS = {
    "neutral": "neutral",
    "n": "neutral",
    "ground": "grounding",
    "grounding": "grounding",
    "g": "grounding",
    "egc": "grounding",
    "terminals": "terminals",
    "terminal": "terminals",
    "lugs": "terminals",
    "air": "ambient",
    "ambient": "ambient",
}
"""The word beside a size or a temperature that says of what it is."""
SAY_NOTHING = frozenset(("in", "and", "with", "of", "at", "up", "to", "awg", "kcmil", "equipment", "marked", "about"))
_NOTHING_SAID = "{} (of which nothing is said)"
_SIZES = frozenset(shapes(Conductor)["size"].leaf.choices)
_KINDS = {kind.lower(): kind for kind in shapes(Raceway)["kind"].leaf.choices}
_INSULATIONS = {one.lower(): one for one in INSULATIONS}
_TEMPERATURES, _LENGTHS = ("degc", "degf", "c", "f", "°c", "°f", "k"), ("ft", "feet", "foot", "m", "'")
_INCHES = re.compile(r"""[0-9][0-9./-]*\s*(?:in|")""", re.IGNORECASE)
"""A number with "in" behind it: a size that lies in something, or the trade size of a raceway."""
_QUANTITY = re.compile(r"([0-9]+(?:\.[0-9]+)?)\s*(°?[A-Za-z]+|')")
_PIECE = re.compile(
    r"""[0-9][0-9./-]*\s*(?:in\b|")|[0-9]+(?:\.[0-9]+)?\s*(?:deg[CF]|°[CF]|ft|feet|foot|[CFKm]|')(?![A-Za-z0-9])|[^\s,;]+""", re.IGNORECASE
)
_PVC = re.compile(r"\bPVC[\s-]*(?:schedule|sch\.?)?[\s-]*(40|80)\b", re.IGNORECASE)
_BREAKER = re.compile(
    r"(?P<name>[A-Za-z][^,;]*?)[\s,:]+(?:(?P<amperes>[0-9]+(?:\.[0-9]+)?)\s*A?[\s,/]+(?P<poles>[0-9]+)\s*-?(?:p|pole|poles)?"
    r"|(?P<first>[0-9]+)\s*-?(?:p|pole|poles)[\s,/]+(?P<then>[0-9]+(?:\.[0-9]+)?)\s*A?)",
    re.IGNORECASE,
)
_KIND = re.compile(r"(?P<kind>[A-Za-z][A-Za-z -]*?) on (?P<breaker>[^\s,;]+)(?P<values>.*)", re.IGNORECASE)
_VALUE = re.compile(r"(?P<start>(?:locked[ -]rotor|LRA)\s+)?(?P<value>[0-9]+(?:\.[0-9]+)?\s*(?P<unit>[A-Za-z]+))", re.IGNORECASE)
_OF_UNIT = {"a": "current", "w": "rating", "kw": "rating", "va": "rating", "kva": "rating", "hp": "motor_power", "v": "voltage"}
"""The field of a load that a nameplate value is of, by its unit in small letters."""


@dataclass(slots=True)
class Run:
    """What a line says of a run: fields of its conductors and raceway as typed, the id of a thing whose run is alike (empty: none)."""

    conductor: dict[str, str] = field(default_factory=dict)
    raceway: dict[str, str] = field(default_factory=dict)
    alike: str = ""


class Unread(ValueError):
    """A line that is not read. `trouble`: what is wrong with it, in the parts of a fault."""

    def __init__(self, trouble: Trouble):
        super().__init__(trouble.what)
        self.trouble = trouble


def is_line(text: str) -> bool:
    """Whether a text holds more than one answer: there is a space, a comma or a semicolon in it. Parameters: text."""
    return bool(re.search(r"\S[\s,;]+\S", text))


def read_run(text: str) -> Run:
    """A run in one line, as "6 AWG Cu THWN-2, neutral 6, ground 10, terminals 75 degC, 16 ft, EMT, air 38 degC".

    The first size without a word is that of the conductors; "as" and an id mean the run of another thing, of which what else stands there
    is not taken. A word stands ahead of its size or temperature; of a temperature it may stand behind it where none stands ahead.
    Parameters: text. Returns: run. Errors: Unread, with every piece that is not read.
    """
    pieces = _PIECE.findall(_PVC.sub(r"PVC-\1", text))
    found, unread, word, place = Run(), [], "", 0
    of_temperature = {"terminals": found.conductor, "ambient": found.raceway}
    while place < len(pieces):
        piece, small = pieces[place], pieces[place].lower()
        after = WORDS.get(pieces[place + 1].lower(), "") if place + 1 < len(pieces) else ""
        place += 1
        if small in ("as", "like") and place < len(pieces):
            found.alike, place = pieces[place], place + 1
        elif small in WORDS:
            unread += [_NOTHING_SAID.format(word)] if word not in ("", WORDS[small]) else []
            word = WORDS[small]
        elif _INCHES.fullmatch(piece):
            unread.append(f"{piece} (a size without in? a trade size: it is entered with the raceway)")
        elif word and (piece in _SIZES or small == "none") and word in ("neutral", "grounding"):
            unread += _put(found.conductor, word, piece)
            word = ""
        elif piece in _SIZES:
            unread += _put(found.conductor, "size", piece)
        elif small in MATERIALS:
            unread += _put(found.conductor, "material", MATERIALS[small])
        elif small in _INSULATIONS:
            unread += _put(found.conductor, "insulation", _INSULATIONS[small])
        elif small in _KINDS:
            unread += _put(found.raceway, "kind", _KINDS[small])
        elif (quantity := _QUANTITY.fullmatch(piece)) and quantity[2].lower() in _LENGTHS:
            unread += _put(found.conductor, "length", f"{quantity[1]} {quantity[2]}")
        elif quantity and quantity[2].lower() in _TEMPERATURES:
            if word in of_temperature:
                where, word = word, ""
            elif after in of_temperature:
                where, place = after, place + 1
            else:
                unread.append(f"{piece} (of the terminals or of the air?)")
                continue
            unread += _put(of_temperature[where], where, f"{quantity[1]} {quantity[2]}")
        elif small not in SAY_NOTHING:
            unread.append(piece)
    unread += [_NOTHING_SAID.format(word)] if word else []
    if unread or not (found.conductor or found.raceway or found.alike):
        limit = "conductors and raceway of a run, each told by what it is or by a word beside it"
        raise Unread(Trouble("not read as a run", "; ".join(unread) or text, limit, f'write it as "{RUN_EXAMPLE}", or the size alone'))
    return found


def _put(where: dict[str, str], name: str, text: str) -> list[str]:
    """Put a piece where it belongs. Returns: nothing, or the piece where something else stands there already."""
    if where.setdefault(name, text) == text:
        return []
    return [f"{text} ({name} is {where[name]} already)"]


def read_breakers(text: str) -> list[dict[str, str]]:
    """Breakers in one line, as "range 50 A 2 pole; kitchen-1 20 A 1 pole". Parameters: text. Returns: id, rating and poles of each.

    Errors: Unread, with every breaker that is not read.
    """
    parts = [part.strip() for part in text.split(";") if part.strip()]
    found = [(part, _BREAKER.fullmatch(part)) for part in parts]
    unread = [part for part, match in found if match is None]
    if unread or not found:
        limit = "name, amperes and poles of each, a semicolon between two"
        raise Unread(Trouble("not read as a breaker", "; ".join(unread) or text, limit, f'write it as "{BREAKER_EXAMPLE}"'))
    return [
        {
            "id": re.sub(r"\s+", "-", match["name"].strip().lower()),
            "rating": f"{match['amperes'] or match['then']} A",
            "poles": match["poles"] or match["first"],
        }
        for _, match in found
    ]


def read_loads(text: str) -> list[dict[str, str]]:
    """Loads in one line, as "range on range-breaker 12 kW; well-pump on pump 5 A, locked rotor 30 A".

    Parameters: text. Returns: kind, what it is connected to, and the nameplate values by their units. Errors: Unread, with every load that
    is not read and why.
    """
    found, unread = [], []
    for part in (part.strip() for part in text.split(";") if part.strip()):
        row, why = _load(part)
        found.append(row)
        unread += [f"{part} ({why})"] if why else []
    if unread or not found:
        limit = "kind, on, its breaker, nameplate values with their units, a semicolon between two"
        raise Unread(Trouble("not read as a load", "; ".join(unread) or text, limit, f'write it as "{LOAD_EXAMPLE}"'))
    return found


def _load(text: str) -> tuple[dict[str, str], str]:
    """A load, and why it is not read; empty where it is."""
    match = _KIND.fullmatch(text)
    if match is None:
        return {}, 'there is no "on" with a breaker'
    kind = re.sub(r"\s+", "-", match["kind"].lower())
    row = {"kind": kind, "connected_to": match["breaker"]}
    if kind not in LOAD_KINDS:
        return row, f"{kind} is no kind of load"
    for one in (part.strip() for part in match["values"].split(",") if part.strip()):
        value = _VALUE.fullmatch(one)
        name = _OF_UNIT.get(value["unit"].lower()) if value else None
        if value and value["start"]:
            name = "locked_rotor_current" if name == "current" else None
        if name is None:
            return row, f"{one} is no value with one of the units {', '.join(('A', 'W', 'kW', 'VA', 'kVA', 'hp', 'V'))}"
        if name in row and name != "current":
            return row, f"{one} beside {row[name]}"
        row[name] = f"{row[name]}, {value['value']}" if name in row else value["value"]
    return row, ""


READERS = {"breakers": (read_breakers, BREAKER_EXAMPLE), "loads": (read_loads, LOAD_EXAMPLE)}
"""What reads a line of things to be added, with an example, by the name that the data of a visit has for it."""
