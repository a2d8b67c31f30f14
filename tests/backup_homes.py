"""Small invented homes for tests of the backup workbook: one backup panel, declared loads, one store, arrays and records on demand."""

from __future__ import annotations

from pathlib import Path

from workbook_lib import editions
from workbook_lib.home import read_home
from workbook_lib.sheet import Sheet
from workbook_lib.workbooks import backup_duration

PLUG = (
    '{ id = "constant", kind = "plug", connected_to = "outlet", voltage = "120 V", leg = "A", running_power = "1.2 kW", '
    'outage_energy_per_day = "28.8 kWh" }'
)
STORE = """energy = "13.5 kWh"
usable_fraction = 1.0
health_fraction = 1.0
temperature_fraction = 1.0
discharge_efficiency = 1.0
standby_loss = "0 W"
discharge_power = "50 kW"
charge_power = "50 kW"
cutoff_fraction = 0.0
restart_fraction = 0.1
operation = "hold-full"
"""
HOME = """format = 1
load = [LOADS]
[site]
id = "small"
edition = "2023"
residential_code = "2021"
latitude = "35 deg"
longitude = "-106 deg"
time_zone = "America/Denver"
[study]
service_load_method = "optional-dwelling"
[dwelling]
floor_area = "1000 ft^2"
status = "existing"
small_appliance_circuits = 2
laundry_circuits = 1
[service]
system = "120/240 V 1-phase 3-wire"
rating = "200 A"
[[panel]]
id = "main"
kind = "panelboard"
connected_to = "service"
bus = "200 A"
main = "200 A"
breakers = [{ id = "inverter-breaker", rating = "60 A", poles = 2 }, { id = "house", rating = "50 A", poles = 2 }]
[[source]]
id = "inverter"
kind = "multimode-inverter"
connected_to = "inverter-breaker"
listed_to = ["UL 1741", "UL 9540"]
output_current = "200 A"
output_power = "48 kW"
pass_through_current = "60 A"
SOURCE
[source.island]
form = "120/240"
current = "200 A"
leg_current = "200 A"
neutral_current = "200 A"
peak_current = "300 A"
peak_duration = "10 s"
pv_power = "20 kW"
surplus = "ramp"
dead_start = "sun"
restart = "manual"
ISLAND
[[panel]]
id = "backup"
kind = "panelboard"
connected_to = "inverter"
bus = "125 A"
main = "60 A"
serves = { floor_area = "0 ft^2", small_appliance_circuits = 0, laundry_circuits = 0 }
breakers = [
  { id = "outlet", rating = "20 A", poles = 1, leg = "A" },
  { id = "array-breaker", rating = "30 A", poles = 2 },
  { id = "pump-breaker", rating = "20 A", poles = 2 },
]
ARRAY
[[storage]]
id = "store"
inverter = "inverter"
STORE
[backup]
islanding = "inverter"
target = "TARGET"
target_share = SHARE
BACKUP
RECORDS
"""
ARRAY = """[[source]]
id = "array"
kind = "pv-inverter"
connected_to = "array-breaker"
listed_to = ["UL 1741"]
output_current = "24 A"
output_power = "5.76 kW"
conversion_efficiency = 0.96
[[source.array]]
dc_power = "5 kW"
tilt = "25 deg"
azimuth = "180 deg"
loss_fraction = 0.14
power_loss_per_degc = 0.004
mounting = "open-rack"
monthly_fraction = [1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1]
"""


def home(
    folder: Path, *, loads: str = PLUG, store: str = "", array: bool = False, target: str = "8 h", share: float = 0.9, backup: str = "",
    records: str = "", source: str = "", island: str = "", whole: bool = False, edition: str = "2023", without: tuple[str, ...] = (),
):  # fmt: skip
    """A home as read. Parameters: rows of loads, lines of the store in place of those with the same field, whether an array stands on
    the island, lines of [backup], [records]; `whole` hangs everything below the inverter; fields of the store left out.
    """
    fields = dict(line.split(" = ", 1) for line in STORE.strip().splitlines())
    fields |= dict(line.split(" = ", 1) for line in store.strip().splitlines() if line)
    kept = "\n".join(f"{name} = {value}" for name, value in fields.items() if name not in without)
    text = HOME.replace("LOADS", loads).replace("STORE", kept).replace("ARRAY", ARRAY if array else "").replace("SOURCE", source)
    text = text.replace("TARGET", target).replace("SHARE", str(share)).replace("BACKUP", backup).replace("RECORDS", records)
    text = text.replace("ISLAND", island).replace('edition = "2023"', f'edition = "{edition}"')
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "small.toml"
    path.write_text(text, encoding="utf-8")
    return read_home(path)


def study(folder: Path, **given) -> Sheet:
    """The sheet of such a home."""
    one = home(folder, **given)
    return backup_duration.study(one, editions.load(one.edition_year))


def quarter_hours(folder: Path, name: str, watts, *, year: int = 2025, step_s: int = 900) -> None:
    """A record of a year by standard time: `watts(month, day, hour)` at each step."""
    import datetime

    rows, now = ["Interval start,Usage (Wh)"], datetime.datetime(year, 1, 1)
    while now.year == year:
        value = watts(now.month, now.day, now.hour + now.minute / 60) * step_s / 3600
        rows.append(f"{now.isoformat(timespec='minutes')}-07:00,{value:.6f}")
        now += datetime.timedelta(seconds=step_s)
    folder.mkdir(parents=True, exist_ok=True)
    (folder / name).write_text("\n".join(rows) + "\n", encoding="utf-8")
