"""Small invented homes for tests of the charging workbook: one panel, and the chargers, controls, vehicles and loads that are asked for.

A home is put together from blocks of TOML, `home(folder, charger(), control(), vehicle())`. A block has the lines below, and lines
that are given take the place of those with the same field.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from workbook_lib import editions
from workbook_lib.home import read_home
from workbook_lib.sheet import Sheet
from workbook_lib.workbooks import ev_load_management

CHARGER = """rating = "50 A"
voltage = "240 V"
minimum_current = "0 A"
fallback_current = "0 A"
connection = "hard-wired"
"""
CONTROL = """listed_to = ["UL 3141"]
access = "restricted"
sample = "1 s"
response = "10 s"
"""
VEHICLE = """need_per_night = "10 kWh"
arrive = "18:00"
depart = "07:00"
"""
LOAD = """kind = "fastened"
connected_to = "house"
voltage = "240 V"
rating = "1 kW"
"""
CONDUCTOR = (
    'conductor = { size = "SIZE", material = "METAL", insulation = "THWN-2", grounding = "10", length = "30 ft", terminals = "75 degC", '
    'raceway = "run" }'
)
HOME = """format = 1
[site]
id = "small"
edition = "EDITION"
latitude = "35 deg"
longitude = "-106 deg"
time_zone = "America/Denver"
[study]
service_load_method = "METHOD"
[dwelling]
floor_area = "1500 ft^2"
status = "existing"
small_appliance_circuits = 2
laundry_circuits = 1
[service]
system = "120/240 V 1-phase 3-wire"
rating = "100 A"
LINES
[[raceway]]
id = "run"
kind = "EMT"
ambient = "30 degC"
above_roof = "none"
other_current_carrying = 0
[[panel]]
id = "main"
kind = "panelboard"
connected_to = "service"
bus = "200 A"
main = "100 A"
breakers = [
  { id = "house", rating = "50 A", poles = 2 },
CIRCUITS]
"""


def block(table: str, base: str, lines: str = "", without: tuple[str, ...] = ()) -> str:
    """A row of a table: the lines of its base, some of them in place of others or left out."""
    fields = dict(line.split(" = ", 1) for line in base.strip().splitlines())
    fields |= dict(line.split(" = ", 1) for line in lines.strip().splitlines())
    return f"[[{table}]]\n" + "".join(f"{name} = {value}\n" for name, value in fields.items() if name not in without)


def charger(lines: str = "", *, name: str = "car", on: str = "circuit", without: tuple[str, ...] = ()) -> str:
    """A charger on a circuit."""
    return block("evse", f'id = "{name}"\nconnected_to = "{on}"\n{CHARGER}', lines, without)


def control(
    lines: str = "", *, setting: str = "80 A", at: str = "service", holds: Iterable[str] = ("car",), name: str = "limiter",
    without: tuple[str, ...] = (),
) -> str:  # fmt: skip
    """A control that limits import at a place to a setting."""
    held = ", ".join(f'"{one}"' for one in holds)
    limit = f'limit = [{{ at = "{at}", way = "import", setting = "{setting}" }}]'
    return block("control", f'id = "{name}"\ncontrols = [{held}]\n{limit}\n{CONTROL}', lines, without)


def vehicle(lines: str = "", *, at: str = "car", without: tuple[str, ...] = ()) -> str:
    """A vehicle at a charger."""
    return block("vehicle", f'evse = "{at}"\n{VEHICLE}', lines, without)


def load(lines: str = "", *, name: str = "heater", without: tuple[str, ...] = ()) -> str:
    """A load of the house."""
    return block("load", f'id = "{name}"\n{LOAD}', lines, without)


def disconnect(lines: str = "", *, of: str = "car") -> str:
    """A switch in sight of a charger, on its circuit."""
    return block("disconnect", f'id = "switch"\nrole = "utility"\nconnected_to = "circuit"\nin_sight_of = "{of}"', lines)


def evidence(what: str, shows: str, lines: str = "") -> str:
    """A document about a thing or a check."""
    return block("evidence", f'for = "{what}"\nshows = "{shows}"', lines)


def conductor(size: str, metal: str = "Cu") -> str:
    """The line of a charger's conductor, in a raceway of its own at 30 degC, so that no factor of its place counts."""
    return CONDUCTOR.replace("SIZE", size).replace("METAL", metal)


def site_file(
    folder: Path, *blocks: str, circuits: str = "circuit 70 A", edition: str = "2023", method: str = "standard", lines: str = ""
) -> Path:
    """The site file of a home of 1,500 ft^2 on 100 A.

    Parameters: blocks of rows; circuits as `name rating, name rating`, with ` 1-pole` behind the rating where it has one pole, and a
    dash for a rating that is not given; edition; method of the service load; lines of [service].
    """
    devices = ""
    for one in circuits.split(", "):
        name, rating = one.removesuffix(" 1-pole").split(" ", 1)
        poles = 1 if one.endswith(" 1-pole") else 2
        devices += f'  {{ id = "{name}", poles = {poles}' + (f', rating = "{rating}"' if rating != "-" else "") + " },\n"
    text = HOME.replace("EDITION", edition).replace("METHOD", method).replace("LINES", lines).replace("CIRCUITS", devices)
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "small.toml"
    path.write_text(text + "".join(blocks), encoding="utf-8")
    return path


def home(folder: Path, *blocks: str, **given):
    """Such a home as read."""
    return read_home(site_file(folder, *blocks, **given))


def study(folder: Path, *blocks: str, **given) -> Sheet:
    """The sheet of such a home, without inverses, tables of the runs and figures."""
    one = home(folder, *blocks, **given)
    return ev_load_management.verdict_study(one, editions.load(one.edition_year))
