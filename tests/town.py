"""A seeded town: a portfolio of any number of invented homes, for tests and benchmarks: `python -m tests.town FOLDER [--homes N]`.

Everything is invented. First come designed homes, one for each thing that a check can say, put together from the example homes and
what differs (`DESIGNS`); then the same homes with other ratings, areas, conductors, positions, lengths, places and dates (`DIALS`).
Everything that a home names is written beside it.
"""

from __future__ import annotations

import argparse
import copy
import csv
import datetime
import functools
import io
import json
import random
import re
import tomllib
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from tests.demo_records import household_w, local, moments

EXAMPLES = Path(__file__).resolve().parent.parent / "example_inputs" / "sites"
FORMS = ("table", "files")
MADE = ("sites", "portfolio.csv", "portfolio.toml")
GONE = "-"
"""Takes a field, a row or a table away."""
ROWS = frozenset(
    ("load", "evse", "vehicle", "raceway", "disconnect", "evidence", "panel", "feeder", "source", "storage", "control", "transfer")
    + ("breakers", "tier", "array", "limit", "adoption")
)
HEADING = "# Invented; no real place, home, person, company or product.\n"
Table = dict[str, object]

# the homes: each from an example home or an earlier design, with what differs, a line a change; an indented line goes on

DESIGNS = """
# one of each kind first, so that a small town has them
[backfed-200a < supply-tap-100a]
service = { rating = "200 A", utility_limit = "200 A" }
service.conductor = { size = "2/0", neutral = "1" }
evidence = "-"
disconnect = "-"
raceway.tap-run = "-"
panel.main = { bus = "200 A", main = "200 A", breakers_listed = "all" }
panel.main.breakers.pv-breaker = { rating = "30 A", poles = 2, position = "bottom", backfeed = "suitable", status = "added" }
source.pv.connected_to = "pv-breaker"
[bungalow-32a < bungalow-100a]
evse.evse-1 = { rating = "32 A", conductor = { size = "8" } }
panel.main.breakers.evse-breaker.rating = "40 A"
[supply-tap < supply-tap-100a]
[adapter < adapter-storage-200a]
[sub-panel < garage-subpanel-150a]
[letter < metered-letter-100a]
[unfinished < unfinished-survey-200a]
[two-panels < two-panels-320a]
[backup-unrated < backup-panel-200a]
storage.battery.roundtrip_efficiency = "-"
[held-100a < control-limited-100a]
vehicle = "-"
dwelling.always_on_power = "-"
load.dryer = { daily_energy = "-", daily_from = "-", daily_until = "-" }
load.dishwasher = { daily_energy = "-", daily_from = "-", daily_until = "-" }
load.air-conditioner = { daily_energy = "-", daily_from = "-", daily_until = "-" }
[bungalow < bungalow-100a]
[all-electric < all-electric-200a]
[heat-pump < small-heat-pump-125a]
[meter-main < meter-main-200a]
[cascade < cascade-200a]
[centre-fed < centre-fed-100a]
[conductor-too-small < conductor-too-small-200a]
[saltgrass < saltgrass-100a]
[cottage < cottage-what-if-2026]

# the service
[standard-bungalow < bungalow-100a]
study.service_load_method = "standard"
[standard-all-electric < all-electric-200a]
study.service_load_method = "standard"
[leg-not-known < all-electric-200a]
study.service_load_method = "standard"
panel.main.breakers.dishwasher-breaker.leg = "-"
service = { rating = "150 A", utility_limit = "150 A" }
[leg-not-known-nor-area < all-electric-200a]
study.service_load_method = "standard"
dwelling.floor_area = "-"
[no-neutral < bungalow-32a]
service.conductor.neutral = "none"
[whole-feeder < all-electric-200a]
raceway.house-run = { kind = "EMT", size = "2-1/2", ambient = "38 degC", above_roof = "none", other_current_carrying = 0 }
disconnect.main-off = { role = "service", connected_to = "service", rating = "200 A", fuse = "200 A", interrupting_rating = "10 kA",
  place = "outside", service_rated = true, neutral_bonded = true }
feeder.house = { connected_to = "main-off", entire_dwelling_load = true, conductor = { size = "4/0", material = "Al",
  insulation = "XHHW-2", neutral = "2/0", grounding = "4", length = "20 ft", terminals = "75 degC", raceway = "house-run" } }
panel.main = { connected_to = "house", neutral_bonded = false }
[part-feeder < meter-main-200a]
feeder.house-feeder.entire_dwelling_load = true
[saltgrass-200a < saltgrass-100a]
service = { rating = "200 A", utility_limit = "200 A" }
service.conductor = { size = "2/0", neutral = "1" }
panel.main = { bus = "200 A", main = "200 A" }
raceway.riser.size = "2"
[cabin-60a < saltgrass-100a]
site = { jurisdiction = "tansy-hollow" }
evse = "-"
panel.main.breakers.evse-breaker = "-"
service = { rating = "60 A", utility_limit = "60 A" }
panel.main = { main = "60 A" }
[cabin-new-60a < cabin-60a]
dwelling.status = "new"
[sub-panel-48a < garage-subpanel-150a]
evse.evse-1 = { rating = "48 A", conductor = { size = "6" } }
panel.garage.breakers.evse-breaker.rating = "60 A"
load.shop-heater = { kind = "electric-heat", connected_to = "heater-breaker", rating = "5 kW", voltage = "240 V" }
panel.garage.breakers.heater-breaker = { rating = "30 A", poles = 2, position = "middle" }
[split-bus < bungalow-32a]
panel.main.kind = "split-bus"
[main-not-seen < backfed-200a]
panel.main.main = "-"
[charging-too-much < adapter-storage-200a]
service = { rating = "100 A", utility_limit = "100 A" }
source.storage-inverter.input_current = "80 A"
[charging-not-known < adapter-storage-200a]
service.rating = "-"
[user-set < held-100a]
control.limiter.access = "user"
[set-too-high < held-100a]
control.limiter.limit.0.setting = "90 A"
[least-not-known < held-100a]
evse.evse-1.minimum_current = "-"
[new-by-the-old-method < bungalow-32a]
dwelling.status = "new"
[hundred-amperes-by-83 < bungalow-32a]
study.service_load_method = "optional-dwelling"
[checked-by-oneself < backfed-200a]
site.checker = "q.v."
[checked-by-none < backfed-200a]
site.checker = "-"

# letters and records
[letter-of-20-days < metered-letter-100a]
records = { demand_days = 20, generation = "recorded" }
[letter-of-60-days < metered-letter-100a]
records = { maximum_demand = { value = "10.4 kW", from = "utility" }, demand_days = 60, occupied = false,
  seasonal_missing = ["air-conditioner"] }
[letter-by-the-hour < metered-letter-100a]
records = { demand_days = 60, demand_interval = "60 min", occupied = true, power_factor = 0.98, heavier_leg_fraction = { value = 0.55,
  from = "measured" } }
[letter-of-kilowatts < metered-letter-100a]
records = { generation = "-", power_factor = "-" }
[letter-without-days < metered-letter-100a]
records = { demand_days = "-", demand_interval = "-" }
[array-before-the-letter < backfed-200a]
study.service_load_method = "measured"
source.pv.status = "existing"
records = { maximum_demand = { value = "8 kW", from = "utility" }, power_factor = 1.0, demand_interval = "15 min", demand_days = 90,
  generation = "none", occupied = true, seasonal_missing = [] }
[record-of-3-weeks < metered-year-100a]
evse = "-"
panel.main.breakers.evse-breaker = "-"
records = { load = { file = "records/plantain-lane-3.csv" }, seasonal_missing = [] }
[record-of-6-weeks < record-of-3-weeks]
records = { load = { file = "records/plantain-lane-9.csv" } }
[record-of-little < record-of-6-weeks]
records.load.multiplier = 0.05
[record-with-gaps < record-of-3-weeks]
records = { load = { file = "records/plantain-lane-5.csv" } }
[record-of-zeros < record-of-3-weeks]
records = { load = { file = "records/plantain-lane-7.csv" } }
[record-in-pieces < record-of-3-weeks]
study.service_load_method = "optional-dwelling"
records = { load = { file = "records/plantain-lane-11.csv" } }
[feed-of-hours < metered-hours-100a]
[fed-back < metered-array-100a]

# arrays, taps and adapters
[middle-40a < backfed-200a]
source.pv = { output_current = "40 A", output_power = "9.6 kW", maximum_overcurrent_device = "50 A", conductor = { size = "8" } }
panel.main.breakers.pv-breaker = { rating = "50 A", position = "middle" }
[smaller-main < backfed-200a]
panel.main = { bus = "225 A", main = "175 A" }
[many-breakers < backfed-200a]
panel.main.bus_rule = "breakers"
panel.main.breakers.shop-breaker = { rating = "100 A", poles = 2, position = "middle" }
panel.main.breakers.spa-breaker = { rating = "60 A", poles = 2, position = "middle" }
[not-all-listed < backfed-200a]
panel.main = { breakers_listed = "some", feed = "-" }
source.pv.output_current = "-"
[engineered < middle-40a]
panel.main.bus_rule = "engineered"
[one-end < centre-fed-100a]
panel.main.breakers.west-breaker.position = "top"
[breaker-not-fit < backfed-200a]
panel.main.breakers.pv-breaker.backfeed = "line-load-marked"
source.pv.conductor = { size = "14", neutral = "none", grounding = "14" }
[breaker-not-known < backfed-200a]
panel.main.breakers.pv-breaker.backfeed = "unknown"
source.pv = { neutral = "-", conductor = { grounding = "none" } }
[breaker-too-small < backfed-200a]
panel.main.breakers.pv-breaker.rating = "20 A"
source.pv.conductor.length = "180 ft"
[raceway-too-small < backfed-200a]
raceway.pv-run.size = "1/2"
source.pv.conductor = { size = "6", length = "-" }
[cable < backfed-200a]
raceway.pv-run.kind = "cable"
study.voltage_rise_limit = "-"
source.pv.conductor.terminals = "-"
[bonded-twice < garage-subpanel-150a]
panel.garage.neutral_bonded = true
[near-the-transformer < backfed-200a]
service.available_fault_current = "-"
service.fault_current_at = "-"
service.transformer = { rating = "100 kVA", impedance = "1.5 %", conductor = { length = "10 ft" } }
source.pv.fault_current = "90 A"
[barely-enough < near-the-transformer]
service.transformer = { rating = "50 kVA", impedance = "1.9 %", conductor = { length = "14 ft" } }
[transformer-not-known < backfed-200a]
site.utility = "reedwater-light"
service.available_fault_current = "-"
service.fault_current_at = "-"
service.transformer = "-"
[small-utility < backfed-200a]
site.utility = "reedwater-light"
source.pv = { output_current = "40 A", output_power = "9.6 kW", maximum_overcurrent_device = "50 A", conductor = { size = "8" } }
panel.main.breakers.pv-breaker.rating = "50 A"
load.air-conditioner = { locked_rotor_current = "80 A", start_time = "0.5 s" }
[small-utility-small-array < backfed-200a]
site.utility = "reedwater-light"
source.pv = { output_current = "16 A", output_power = "3.84 kW" }
load.air-conditioner = { soft_start_current = "20 A", start_time = "0.5 s" }
[large-motor < backfed-200a]
load.air-conditioner = { locked_rotor_current = "130 A", start_time = "0.5 s" }
source.pv = { output_current = "48 A", output_power = "11.52 kW", maximum_overcurrent_device = "60 A", conductor = { size = "6" } }
panel.main.breakers.pv-breaker.rating = "60 A"
[tap-of-a-feeder < garage-subpanel-150a]
raceway.tap-run = { kind = "EMT", ambient = "30 degC", above_roof = "none", other_current_carrying = 0 }
feeder.garage-feeder.conductor = { size = "1", neutral = "1", length = "60 ft" }
disconnect.pv-off = { role = "source", connected_to = "garage-feeder", rating = "60 A", fuse = "40 A", neutral_bonded = false,
  status = "added" }
disconnect.pv-off.conductor = { size = "8", material = "Cu", insulation = "THWN-2", neutral = "8", grounding = "8", length = "20 ft",
  terminals = "75 degC", raceway = "tap-run" }
source.pv = { kind = "pv-inverter", connected_to = "pv-off", listed_to = ["UL 1741"], output_current = "24 A", output_power = "5.76 kW" }
source.pv = { maximum_overcurrent_device = "40 A", neutral = "none", status = "added" }
[tap-too-small < tap-of-a-feeder]
feeder.garage-feeder.conductor.size = "3"
disconnect.pv-off = { fuse = "30 A", conductor = { size = "10", length = "30 ft" } }
[tap-not-measured < tap-of-a-feeder]
disconnect.pv-off.conductor.length = "-"
feeder.garage-feeder.conductor.insulation = "-"
[feeder-with-array < cascade-200a]
feeder.shop-feeder.conductor = { size = "12", neutral = "12" }
panel.shop.breakers.pv-breaker.position = "top"
[supply-tap-not-grouped < supply-tap-100a]
disconnect.pv-off = { grouped_with_service = false, tap_in = "service-equipment", rating = "30 A", neutral_bonded = false }
disconnect.pv-off.conductor = { size = "8", neutral = "10" }
[supply-tap-2017 < supply-tap-100a]
site.jurisdiction = "yarrow-borough"
disconnect.pv-off = { grouped_with_service = false, conductor = { length = "25 ft" } }
[supply-tap-2017-near < supply-tap-2017]
disconnect.pv-off = { conductor = { length = "8 ft", neutral = "10" }, grouped_with_service = true }
[supply-tap-2026 < supply-tap-100a]
site = { jurisdiction = "reedwater", permit_date = 2026-09-21 }
disconnect.pv-off.conductor = { length = "10 ft", place = "inside" }
[supply-tap-in-the-meter < supply-tap-100a]
evidence = "-"
disconnect.pv-off = { tap_in = "meter-enclosure", service_rated = "-", grouped_with_service = "-", neutral_bonded = "-" }
disconnect.pv-off.conductor.size = "-"
[supply-tap-too-much < supply-tap-100a]
source.pv = { count = 5, connected_to = "pv-off" }
disconnect.pv-off = { rating = "200 A", fuse = "150 A", conductor = { size = "1/0", neutral = "1/0" } }
[adapter-line-side < adapter-storage-200a]
adapter = { meter_side = "line", model = "AD-F", islanding_switch = true }
service.meter_socket.positions = 2
[adapter-too-much < adapter-storage-200a]
source.storage-inverter = { output_current = "80 A", output_power = "19.2 kW", input_current = "21 A" }
source.storage-inverter = { maximum_overcurrent_device = "100 A", conductor = { size = "3" } }
adapter.overcurrent = "100 A"
[adapter-without-rule < adapter-storage-200a]
site.utility = "reedwater-light"
adapter = { overcurrent = "50 A", islanding_switch = true }
[adapter-overloaded < adapter-storage-200a]
adapter = { continuous = "60 A", islanding_switch = true }
[adapter-without-papers < adapter-storage-200a]
evidence = "-"
adapter = { continuous = "-", service_disconnect = "-", islanding_switch = true }
[export-held < backfed-200a]
source.pv = { output_current = "40 A", output_power = "9.6 kW", maximum_overcurrent_device = "50 A", conductor = { size = "8" } }
panel.main.breakers.pv-breaker.rating = "50 A"
control.limiter = { listed_to = ["UL 3141"], controls = ["pv"], access = "restricted", status = "added" }
control.limiter.limit.0 = { at = "service", way = "export", setting = "32 A" }
[export-held-too-high < export-held]
control.limiter.limit.0.setting = "190 A"
control.limiter.limit.1 = { at = "cooling-breaker", way = "export", setting = "20 A" }
[export-setting-not-known < export-held]
control.limiter.limit.0.setting = "-"
[new-panel < backfed-200a]
panel.main.status = "added"
[new-panel-with-switch < new-panel]
disconnect.emergency = { role = "emergency", connected_to = "service", rating = "200 A", fuse = "none", place = "outside",
  status = "added" }
[new-panel-2020 < new-panel]
site = { permit_date = 2024-05-13, calculation_date = 2024-05-06 }

# backup and storage, most of them with a data sheet that leaves the losses open, so that no outage is followed
[backup-large < backup-unrated]
panel.backup.serves = { floor_area = "1600 ft^2", small_appliance_circuits = 2, laundry_circuits = 1 }
load.well.soft_start_current = "-"
load.furnace-fan.leg = "A"
load.kitchen-outlets.running_power = "5 kW"
source.battery-inverter.island = { impedance = "1.5 ohm", voltage_dip_limit = 0.1, neutral_current = "12 A", pv_power = "3 kW" }
source.battery-inverter.pass_through_current = "30 A"
storage.battery.restart_fraction = 0.02
[backup-dip < backup-unrated]
source.battery-inverter.island = { impedance = "0.4 ohm", voltage_dip_limit = 0.1 }
load.well.start_time = "-"
load.furnace-fan.starting_power = "-"
[backup-managed < backup-large]
control.shedder = { controls = ["kitchen-outlets", "well", "furnace-fan"] }
control.shedder.limit = [{ at = "battery-inverter", way = "island", setting = "22 A" }]
panel.backup.serves = { floor_area = "200 ft^2", small_appliance_circuits = 1, laundry_circuits = 0 }
[backup-not-read < backup-unrated]
source.battery-inverter.island = { form = "-", leg_current = "-", neutral_current = "-", pv_power = "-" }
source.battery-inverter.pass_through_current = "-"
storage.battery.restart_fraction = "-"
[backup-leg-not-known < backup-unrated]
source.battery-inverter.island = { leg_current = "20 A", neutral_current = "13 A" }
panel.backup.breakers.bedroom-breaker.leg = "-"
load.furnace-fan.leg = "-"
[backup-of-120-v < backup-unrated]
source.battery-inverter.island.form = "120"
source.battery-inverter.output_power = "2.88 kW"
[backup-of-240-v < backup-unrated]
source.battery-inverter.island.form = "240"
[backup-without-store < backup-unrated]
storage = "-"
[backup-2026 < backup-large]
site = { jurisdiction = "reedwater", permit_date = 2026-09-21, calculation_date = 2026-09-14 }
control.shedder = { listed_to = ["UL 3141"], controls = ["kitchen-outlets"] }
control.shedder.limit = [{ at = "battery-inverter", way = "island", setting = "22 A" }]
[backup-2026-by-itself < backup-2026]
source.battery-inverter.island.restart = "automatic"
[backup-2020 < backup-unrated]
site = { permit_date = 2024-05-13, calculation_date = 2024-05-06 }
load.water-heater = { kind = "water-heater", connected_to = "heater-breaker", rating = "7.2 kW", voltage = "240 V", backup_tier = 2 }
panel.backup.breakers.heater-breaker = { rating = "40 A", poles = 2, position = "middle" }
[backup-2017 < backup-2020]
site = { jurisdiction = "yarrow-borough" }
storage.battery.integral_disconnect = false
disconnect.storage-off = { lockable = false, in_sight_of = "pv" }
[backup-by-705-80 < backup-unrated]
site.jurisdiction = "sorrel-township"
source.pv = { status = "existing", output_current = { value = "16 A" }, output_power = { value = "3.84 kW" } }
storage.battery = { count = 5, distance_between = "3 ft" }
storage.second = { inverter = "battery-inverter", energy = "18 kWh", location = "attached-garage", vehicle_path = false,
  status = "added" }
storage.second = { detection = true, integral_disconnect = true }
[stores-in-two-places < backup-by-705-80]
site.jurisdiction = "tansy-hollow"
storage.second = { detection = false, vehicle_path = true }
[store-of-25-kwh < adapter-storage-200a]
storage.battery = { energy = "25 kWh", distance_to_openings = "1 ft", vehicle_path = true, vehicle_barrier = false }
disconnect.storage-off.place = "inside"
[store-near-a-window < adapter-storage-200a]
storage.battery = { distance_to_openings = "1 ft", vehicle_path = "-" }
source.storage-inverter.listed_to = ["UL 1741"]
evidence.2 = { for = "battery", shows = "spacing-test", by = "maker", document = "evidence/socket-condition.txt", date = 2026-05-20 }
[store-in-the-house < adapter-storage-200a]
storage.battery = { location = "living-space", detection = false }
[store-in-the-garage < adapter-storage-200a]
storage.battery = { location = "attached-garage", vehicle_path = "-" }
disconnect.storage-off.place = "-"
[store-without-a-place < adapter-storage-200a]
storage.battery = { location = "-", energy = "-", integral_disconnect = "-" }
disconnect = "-"
[store-of-little < adapter-storage-200a]
storage.battery = { energy = "0.9 kWh", location = "utility-closet", detection = true }
[store-not-in-sight < adapter-storage-200a]
storage.battery.integral_disconnect = false
disconnect.storage-off = { lockable = false, in_sight_of = "main" }
[store-of-2020 < adapter-storage-200a]
site = { permit_date = 2024-05-13, calculation_date = 2024-05-06 }
[island-not-charged-by-sun < array-and-storage-200a]
storage.battery.roundtrip_efficiency = "-"
site = { edition = "2020", checker = "q.v." }
evse.evse-1.rating = { value = "24 A" }
[whole-home-unrated < whole-home-backup-200a]
storage.battery.roundtrip_efficiency = "-"
[whole-home-empty < whole-home-unrated]
source.pv = { status = "existing" }
records = { occupied = false, load.file = "records/bergamot-way-6-gaps.csv" }
site.longitude = "-75 deg"
transfer.island-switch.rating = "40 A"

# charging
[set-on-the-unit < bungalow-100a]
evse.evse-1 = { setting = "32 A", setting_access = "restricted", relabelled = true, connection = "hard-wired" }
[not-relabelled < set-on-the-unit]
evse.evse-1.relabelled = false
[set-by-the-user < set-on-the-unit]
evse.evse-1.setting_access = "user"
[plugged-in < bungalow-32a]
evse.evse-1 = { connection = "receptacle", receptacle = "50 A", conductor = { size = "6" } }
panel.main.breakers.evse-breaker.rating = "50 A"
[plugged-in-too-small < plugged-in]
evse.evse-1.receptacle = "30 A"
[plugged-in-where < plugged-in]
evse.evse-1.receptacle = "-"
[small-breaker < bungalow-100a]
panel.main.breakers.evse-breaker.rating = "40 A"
load.heater = { kind = "fastened", connected_to = "evse-breaker", rating = "1 kW", voltage = "240 V" }
[of-120-v < bungalow-32a]
evse.evse-1 = { rating = "12 A", voltage = "120 V", conductor = "-", leg = "A" }
panel.main.breakers.evse-breaker = { rating = "15 A", poles = 1, leg = "A" }
[lockable-2026 < held-100a]
disconnect.evse-off = { role = "utility", connected_to = "evse-breaker", in_sight_of = "evse-1", lockable = true }
evse.evse-1.connection = "hard-wired"
[not-lockable-2026 < lockable-2026]
disconnect.evse-off.lockable = false
[lockable-or-not-2026 < lockable-2026]
disconnect.evse-off.lockable = "-"
[held-2023 < bungalow-control-100a]
vehicle = "-"
records = "-"
evidence = { 0 = { for = "limiter", shows = "access-restricted", by = "installer", date = 2026-04-13 } }
evidence = { 1 = { for = "limiter", shows = "commissioned", by = "installer", date = 2026-04-13 } }
control.limiter.data_sheet = "evidence/tap-consent.txt"
[held-2023-goes-on < held-2023]
evse.evse-1.fallback_current = "48 A"
[held-2023-not-said < held-2023]
evse.evse-1.fallback_current = "-"

# homes whose study runs simulations or reads a long record: what checks need first
[whole-home < whole-home-backup-200a, costly]
[minutes-calm < bungalow-control-100a, costly]
records = { load = "-", fast_load = { file = "records/clover-street-2-minutes.csv", clock = "-" } }
[sharing < two-chargers-125a, costly]
[minutes-late < minutes-calm, costly]
records.fast_load.file = "records/clover-street-4-minutes.csv"
vehicle.0 = { response = "40 s", need_per_night = "58 kWh" }
control.limiter.lost_after = "10 min"
[minutes-restless < minutes-calm, costly]
records.fast_load.file = "records/clover-street-6-minutes.csv"
evse.evse-1.most_starts_per_hour = 2
control.limiter = { raise_delay = "0 s", minimum_off = "0 s" }
vehicle.0.need_per_night = "50 kWh"
[minutes-not-answered < minutes-calm, costly]
vehicle.0 = { response = "-", need_per_night = "58 kWh", arrive = "23:30", depart = "04:30" }
[minutes-not-held < minutes-calm, costly]
control = "-"
evidence = "-"
records.fast_load.file = "records/clover-street-4-minutes.csv"
vehicle.0 = { arrive = "19:30", need_per_night = "20 kWh" }
[two-on-one-breaker < two-chargers-125a, costly]
control = "-"
vehicle = "-"
evidence = "-"
[sharing-falls-back < two-chargers-125a, costly]
evse.evse-left.fallback_current = "24 A"
evse.evse-right.fallback_current = "24 A"
[whole-home-three-days < whole-home-backup-200a, costly]
backup.target = "72 h"
[whole-home-hopeful < whole-home-backup-200a, costly]
storage.battery.usable_fraction = "-"
[sun-store-car < sun-store-car-200a, costly]
records.load.file = "records/plantain-lane-7.csv"
[sun-in-the-dark < sun-store-car, costly]
site.longitude = "-75 deg"
records.load.file = "records/plantain-lane-5.csv"

# then more of what a portfolio holds
[metered-year < metered-year-100a, costly]
[backup-panel < backup-panel-200a, costly]
[array-and-storage < array-and-storage-200a, costly]
[bungalow-year < bungalow-control-100a, costly]
[bungalow-app < bungalow-app-100a, costly]
[declared < control-limited-100a, costly]
"""


@dataclass(frozen=True)
class Design:
    """A home that the town has: its site file as tables, and whether its study runs a simulation or reads a long record."""

    name: str
    site: Table
    costly: bool


@functools.cache
def designs() -> tuple[Design, ...]:
    """Every designed home, in the order in which a town takes them."""
    made: dict[str, Design] = {}
    written = re.sub(r"\n  +", " ", re.sub(r"(?m)^#.*\n", "", DESIGNS)).strip()
    for block in re.split(r"\n(?=\[)", written):
        head, *lines = block.splitlines()
        name, base, costly = re.fullmatch(r"\[(\S+) < ([^\s,]+)(, costly)?\]", head).groups()
        if base in made:
            site = copy.deepcopy(made[base].site)
        else:
            site = tomllib.loads((EXAMPLES / f"{base}.toml").read_text(encoding="utf-8"))
        for line in lines:
            put(site, tomllib.loads(line))
        site["site"]["id"] = name
        made[name] = Design(name, site, costly is not None)
    return tuple(made.values())


def put(here: Table, changes: Mapping[str, object]) -> Table:
    """Tables of a site file with changes by field, rows by their id or place; a value keeps how it is known."""
    for name, value in changes.items():
        was = here.get(name)
        if value == GONE:
            del here[name]
        elif isinstance(was, list) and isinstance(value, dict):
            _put_rows(was, value)
        elif was is None and name in ROWS and isinstance(value, dict) and all(isinstance(row, dict) for row in value.values()):
            here[name] = []
            _put_rows(here[name], value)
        elif isinstance(value, dict) and "value" not in value:
            here[name] = put(was if isinstance(was, dict) else {}, value)
        elif isinstance(was, dict) and "value" in was and not isinstance(value, dict):
            here[name] = {**was, "value": value}
        else:
            here[name] = copy.deepcopy(value)
    return here


def _put_rows(rows: list, changes: Mapping[str, object]) -> None:
    for name, value in changes.items():
        place = next((place for place, row in enumerate(rows) if row.get("id", str(place)) == name), None)
        if value == GONE:
            del rows[place]
        elif place is not None:
            put(rows[place], value)
        else:
            rows.append(put({} if name.isdigit() else {"id": name}, value))


def toml(site: Table) -> str:
    """The text of a site file."""
    lines = [HEADING + "\n".join(f"{name} = {_inline(value)}" for name, value in site.items() if not isinstance(value, (dict, list)))]
    for name, value in site.items():
        for row in value if isinstance(value, list) else (value,) if isinstance(value, dict) else ():
            lines.append(f"[[{name}]]" if isinstance(value, list) else f"[{name}]")
            lines += [f"{key} = {_inline(inner, spread=key == 'breakers')}" for key, inner in row.items()]
            lines.append("")
    return "\n".join(lines)


def _inline(value: object, *, spread: bool = False) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{name} = {_inline(inner)}" for name, inner in value.items()) + " }"
    if isinstance(value, list):
        cells = [_inline(inner) for inner in value]
        return "[\n  " + ",\n  ".join(cells) + ",\n]" if spread and cells else f"[{', '.join(cells)}]"
    if isinstance(value, bool):
        return "true" if value else "false"
    return value.isoformat() if isinstance(value, datetime.date) else json.dumps(value) if isinstance(value, str) else repr(value)


# what the homes name beside themselves

TOWNS = """
[yarrow-borough]            # adopted 2017 and nothing since; asks 710 of a backup source
name = "Yarrow Borough"
adoption = [{ effective = 2018-01-01, edition = "2017", name = "Yarrow building code, 2018", residential_code = "2015" }]
rule.backup_capacity = { value = "710", source = "Yarrow inspector's letter of 2022-03-01" }

[sorrel-township]
name = "Sorrel Township"
adoption = [{ effective = 2025-01-01, edition = "2023", name = "Sorrel building code, 2025", residential_code = "2021" }]
rule.backup_capacity = { value = "705.80", source = "Sorrel checklist, line 7" }
rule.storage_limit_reading = { value = "per-dwelling", source = "Sorrel checklist, line 9" }

[reedwater-light]           # a utility with small limits and no list of adapters
name = "Reedwater Light"
limit.source_power = { value = "7.6 kW", source = "Reedwater Light handbook, 4" }
limit.export_power = { value = "5 kW", source = "Reedwater Light handbook, 4" }
limit.motor_locked_rotor_current = { value = "25 A", source = "Reedwater Light handbook, 6" }
limit.voltage_change_fraction = { value = 0.01, source = "Reedwater Light handbook, 6" }
"""
"""Jurisdictions and a utility beside those of the examples."""

LANE = "Interval start,Usage (kWh)"
HOUR_S, QUARTER_S = 3600, 900


def _lane(days: int, seed: int, without: tuple[int, int] = (0, 0), still: tuple[int, int] = (0, 0)) -> str:
    """Quarter hours of an invented house from 1 November 2025 on; hours left out and hours at nothing, counted from the first."""
    dice, rows, first = random.Random(seed), [LANE], local("2025-11-01T00:00")
    last = (datetime.date(2025, 11, 1) + datetime.timedelta(days=days)).isoformat()
    for when in moments("2025-11-01T00:00", f"{last}T00:00", QUARTER_S):
        kwh, hour = min(household_w(dice, when, False), 5200.0) / 4000.0, (when - first).total_seconds() / HOUR_S
        if not without[0] <= hour < without[1]:
            rows.append(f"{when.isoformat(timespec='minutes')},{0.0 if still[0] <= hour < still[1] else kwh:.3f}")
    return "\n".join(rows) + "\n"


def _street(days: int, amperes: Callable[[int], float]) -> str:
    """Minutes of both legs from Monday 12 January 2026 on, leg B at half of leg A: `amperes(minute of the day)`."""
    begin = datetime.datetime(2026, 1, 12)
    rows = ["time,A,B"]
    for place in range(days * 1440):
        now = amperes(place % 1440)
        rows.append(f"{(begin + datetime.timedelta(minutes=place)).isoformat(timespec='minutes')}-07:00,{now:.1f},{now / 2:.1f}")
    return "\n".join(rows) + "\n"


def _year_with_gaps() -> str:
    """The year of hours of the example with a day and a half of March left out, and ten days of May at nothing."""
    lines = (EXAMPLES / "records" / "bergamot-way-6-2025.csv").read_text(encoding="utf-8").splitlines()
    kept = [line for line in lines if not line.startswith(("2025-03-04", "2025-03-05T0"))]
    return "\n".join(f"{line.partition(',')[0]},0.000" if line.startswith("2025-05-1") else line for line in kept) + "\n"


def _late(minute: int) -> float:
    return 62.0 if 1207 <= minute < 1227 else 20.0


RECORDS: Mapping[str, Callable[[], str]] = {
    "plantain-lane-3.csv": lambda: _lane(21, 3),
    "plantain-lane-5.csv": lambda: _lane(45, 5, without=(500, 506)),
    "plantain-lane-7.csv": lambda: _lane(45, 7, still=(300, 520)),
    "plantain-lane-9.csv": lambda: _lane(45, 9),
    "plantain-lane-11.csv": lambda: "nothing of a record\n",
    "bergamot-way-6-gaps.csv": _year_with_gaps,
    "clover-street-2-minutes.csv": lambda: _street(4, lambda minute: 18.0),
    "clover-street-4-minutes.csv": lambda: _street(4, _late),
    "clover-street-6-minutes.csv": lambda: _street(4, lambda minute: 75.0 if minute >= 1100 and minute % 8 < 2 else 16.0),
}
"""Records beside those of the examples, by file name, each made anew."""


def named_files(site: object) -> Iterator[str]:
    """Records, weather and documents that a site file names."""
    for name, value in site.items() if isinstance(site, dict) else enumerate(site):
        if isinstance(value, (dict, list)):
            yield from named_files(value)
        elif name in ("file", "document", "data_sheet"):
            yield value


@functools.cache
def _content(name: str) -> bytes:
    """One file that a home names."""
    made = RECORDS.get(name.removeprefix("records/"))
    return made().encode() if made is not None else (EXAMPLES / name).read_bytes()


# what varies from home to home


@dataclass(frozen=True)
class Cell:
    """A value of a row: a number with the unit of its column, or a plain number or text."""

    value: object
    unit: str = ""

    @property
    def text(self) -> str:
        """As it stands in a table."""
        return f"{self.value:g}" if isinstance(self.value, float) else str(self.value)

    @property
    def field(self) -> object:
        """As it stands in a site file."""
        return f"{self.text} {self.unit}" if self.unit else self.value


Cells = dict[str, Cell]
STREETS = ("Alder", "Bracken", "Campion", "Dogwood", "Elder", "Fern", "Gorse", "Hazel", "Iris", "Juniper", "Larkspur", "Mallow", "Nettle")
WAYS = ("Close", "Court", "Lane", "Row", "Street", "Way")
BREAKERS = (15, 20, 25, 30, 35, 40, 45, 50, 60, 70, 80, 90, 100)
WIRES = {15: "12", 20: "12", 25: "10", 30: "10", 35: "8", 40: "8", 45: "8", 50: "8", 60: "6", 70: "4", 80: "4", 90: "3", 100: "3"}
"""Copper of a circuit by its breaker [A]."""
SERVICE_WIRES = {"Al": {100: "2", 125: "1/0", 150: "2/0", 200: "4/0"}, "Cu": {100: "4", 125: "2", 150: "1", 200: "2/0"}}


def _at(site: Table, path: str) -> object:
    """What a site file has at a key path with ids; None where it has nothing."""
    here: object = site
    for step in path.split("."):
        if isinstance(here, list):
            here = next((row for place, row in enumerate(here) if row.get("id", str(place)) == step), None)
        else:
            here = here.get(step) if isinstance(here, dict) else None
    return here.get("value") if isinstance(here, dict) and "value" in here else here


def _number(site: Table, path: str) -> float | None:
    """The number of a quantity, in the unit in which it is written; None where there is none."""
    found = re.match(r"[0-9.]+", str(_at(site, path) or ""))
    return float(found[0]) if found else None


def _breaker_of(site: Table, thing: Table) -> str | None:
    """Key path of the breaker that a thing hangs on alone; None where it hangs on something else, or others hang there too."""
    name = thing["connected_to"]
    beside = sum(row.get("connected_to") == name for key in ("load", "evse", "source", "feeder", "panel") for row in site.get(key, ()))
    places = [panel["id"] for panel in site["panel"] for breaker in panel.get("breakers", ()) if breaker["id"] == name]
    return f"panel.{places[0]}.breakers.{name}" if places and beside == 1 else None


def _device(amperes: float) -> int:
    """The breaker for a continuous current [A]."""
    return next(size for size in BREAKERS if size >= 1.25 * amperes)


def _area(dice: random.Random, site: Table) -> Cells:
    now = _number(site, "dwelling.floor_area")
    return {} if now is None else {"dwelling.floor_area": Cell(10 * round(now * dice.uniform(0.7, 1.5) / 10), "ft^2")}


def _charger(dice: random.Random, site: Table) -> Cells:
    """Another rating of a charger, mostly with the breaker and the conductor that go with it."""
    found: Cells = {}
    for one in site.get("evse", ())[:1]:
        breaker, path = _breaker_of(site, one), f"evse.{one['id']}"
        if breaker is None or "setting" in one or one.get("connection") == "receptacle" or _at(site, f"{path}.voltage") == "120 V":
            continue
        least = max(_number(site, f"{path}.{name}") or 0.0 for name in ("minimum_current", "fallback_current"))
        rating = dice.choice([size for size in (16, 24, 32, 40, 48) if size >= least])
        device = _device(rating) if dice.random() < 0.9 else 40
        found[f"{path}.rating"], found[f"{breaker}.rating"] = Cell(rating, "A"), Cell(device, "A")
        if "conductor" in one:
            found[f"{path}.conductor.size"] = Cell(WIRES[device])
    return found


def _array(dice: random.Random, site: Table) -> Cells:
    """Another inverter of the array, mostly with the breaker and the conductor that go with it."""
    found: Cells = {}
    for one in site.get("source", ()):
        breaker, path = _breaker_of(site, one), f"source.{one['id']}"
        if one["id"] != "pv" or breaker is None or _number(site, f"{path}.output_current") is None:
            continue
        amperes = dice.choice((12, 16, 20, 24, 28, 32, 40))
        device = _device(amperes)
        found = {
            f"{path}.output_current": Cell(amperes, "A"),
            f"{path}.output_power": Cell(round(0.24 * amperes, 2), "kW"),
            f"{path}.maximum_overcurrent_device": Cell(device, "A"),
            f"{breaker}.rating": Cell(device if dice.random() < 0.9 else 20, "A"),
        }
        if "conductor" in one:
            found[f"{path}.conductor.size"] = Cell(WIRES[device])
        if dice.random() < 0.2:
            found[f"{breaker}.position"] = Cell(dice.choice(("top", "middle")))
    return found


def _loads(dice: random.Random, site: Table) -> Cells:
    sizes = {"range": (8, 10, 11, 12, 14, 16), "dryer": (5, 5.5, 6), "water-heater": (3.8, 4.5, 5.5)}
    found = {
        f"load.{name}.rating": Cell(dice.choice(choices), "kW")
        for name, choices in sizes.items()
        if _number(site, f"load.{name}.rating") is not None and dice.random() < 0.6
    }
    if _at(site, "load.air-conditioner.current") is not None and _at(site, "load.air-conditioner.running_power") is None:
        found["load.air-conditioner.current"] = Cell(dice.choice((12, 16, 18, 21, 24, 28)), "A")
    return found


def _lengths(dice: random.Random, site: Table) -> Cells:
    paths = ["service.conductor", *(f"{key}.{one['id']}.conductor" for key in ("evse", "source") for one in site.get(key, ()))]
    return {
        f"{path}.length": Cell(dice.randrange(10, 130, 5), "ft")
        for path in paths
        if _number(site, f"{path}.length") and dice.random() < 0.7
    }


def _service(dice: random.Random, site: Table) -> Cells:
    """Another service with the main and the conductors that go with it, now and then conductors one size too small."""
    roots = [panel for panel in site["panel"] if panel["connected_to"] == "service"]
    metal = _at(site, "service.conductor.material")
    plain = len(roots) == 1 and roots[0]["id"] == "main" and _number(site, "panel.main.main") and "control" not in site
    if not plain or metal is None or _at(site, "service.conductor.size") is None or not _number(site, "service.rating"):
        return {}
    rating = dice.choice((100, 125, 150, 200))
    sizes = SERVICE_WIRES[metal]
    size = sizes[rating] if dice.random() < 0.8 else sizes[max(100, rating - 50)]
    return {
        "service.rating": Cell(rating, "A"),
        "service.utility_limit": Cell(rating, "A"),
        "panel.main.main": Cell(rating, "A"),
        "panel.main.bus": Cell(dice.choice((rating, max(rating, 125), max(rating, 200))), "A"),
        "service.conductor.size": Cell(size),
    }


WHERE = (
    ("tansy-hollow", "2019-09-16"), ("tansy-hollow", "2023-05-15"), ("tansy-hollow", "2026-05-11"), ("tansy-hollow", "2026-09-21"),
    ("reedwater", "2024-04-15"), ("reedwater", "2026-09-21"), ("marsh-end", "2026-03-09"), ("saltgrass-county", "2026-10-12"),
    ("yarrow-borough", "2026-02-02"), ("sorrel-township", "2026-06-08"),
)  # fmt: skip
"""Jurisdictions with dates of permits: 2017, 2020, 2023 and 2026 are adopted in one or the other."""


def _where(dice: random.Random, site: Table) -> Cells:
    """Another jurisdiction and date, and with them another edition; not of homes whose record would lie after it."""
    if "records" in site:
        return {}
    name, day = dice.choice(WHERE)
    before = datetime.date.fromisoformat(day) - datetime.timedelta(days=7)
    return {
        "site.jurisdiction": Cell(name),
        "site.permit_date": Cell(datetime.date.fromisoformat(day)),
        "site.calculation_date": Cell(before),
    }


def _method(dice: random.Random, site: Table) -> Cells:
    if "records" in site:
        return {}
    return {"study.service_load_method": Cell(dice.choice(("optional-dwelling", "existing-dwelling", "standard")))}


def _fault(dice: random.Random, site: Table) -> Cells:
    found = {}
    if _number(site, "panel.main.interrupting_rating"):
        found["panel.main.interrupting_rating"] = Cell(dice.choice((10, 22)), "kA")
    if _number(site, "service.transformer.impedance"):
        found["service.transformer.impedance"] = Cell(dice.choice((1.5, 1.8, 2.2, 2.6)), "%")
    return found


def _letter(dice: random.Random, site: Table) -> Cells:
    if _at(site, "records.maximum_demand") is None:
        return {}
    return {
        "records.maximum_demand": Cell(round(dice.uniform(4, 14), 1), "kW"),
        "records.demand_days": Cell(dice.choice((40, 180, 365, 400))),
    }


def _store(dice: random.Random, site: Table) -> Cells:
    """Another store and another wish of it."""
    found: Cells = {}
    if _number(site, "storage.battery.energy"):
        found["storage.battery.energy"] = Cell(dice.choice((5, 9.6, 10, 13.5, 15, 19)), "kWh")
    if _number(site, "storage.battery.distance_to_openings"):
        found["storage.battery.distance_to_openings"] = Cell(dice.choice((1, 2, 3, 4, 6)), "ft")
    if _number(site, "backup.target"):
        found["backup.target"] = Cell(dice.choice((6, 8, 12, 24, 36)), "h")
    return found


def _car(dice: random.Random, site: Table) -> Cells:
    found: Cells = {}
    for place, _ in enumerate(site.get("vehicle", ())):
        found[f"vehicle.{place}.need_per_night"] = Cell(dice.choice((6, 8, 10, 12, 16, 24)), "kWh")
        found[f"vehicle.{place}.arrive"] = Cell(dice.choice(("16:30", "17:30", "18:00", "19:00", "21:30")))
    return found


DIALS = (_area, _charger, _array, _loads, _lengths, _service, _where, _method, _fault, _letter, _store, _car)
"""What a random home is varied by."""
TURNED = (2, 5)
"""How many dials are turned at a home, at least and at most."""
ORDINARY_COUNT, ORDINARY_SHARE = 19, 0.6
"""The first designs are of the ordinary kinds; part of the varied homes that are of these."""


# the town


@dataclass(frozen=True)
class Home:
    """One home of a town: its id, its design, what is put in place of the design's values, an edition that is stated."""

    site_id: str
    design: Design
    cells: Cells = field(default_factory=dict)
    edition: str = ""

    @property
    def site(self) -> Table:
        """Its site file as tables."""
        stated = {"site.edition": Cell(self.edition)} if self.edition else {}
        return _with(self.design.site, {"site.id": Cell(self.site_id), **self.cells, **stated})


def _with(site: Table, cells: Cells) -> Table:
    """Tables of a site file with values put in place, as a table puts them: without how they were known."""
    made = copy.deepcopy(site)
    for path, cell in cells.items():
        *way, last = path.split(".")
        here: object = made
        for step in way:
            here = (
                here[step] if isinstance(here, dict) else next(row for place, row in enumerate(here) if row.get("id", str(place)) == step)
            )
        here[last] = cell.field
    return made


def homes_of(homes: int, seed: int, simulations: float = 0.1) -> list[Home]:
    """The homes of a town: the designed ones first, then varied ones; `simulations` is the share of those whose study takes longer."""
    dice, all_ = random.Random(seed), designs()
    costly = round(homes * simulations)
    lines = {
        True: _line(dice, [one for one in all_ if one.costly], costly),
        False: _line(dice, [one for one in all_ if not one.costly], homes - costly),
    }
    found = []
    for place in range(homes):
        due = (place + 1) * costly // homes > place * costly // homes
        design, varied = next(lines[due])
        cells, edition = _varied(dice, design) if varied else ({}, "")
        address = f"{dice.randrange(1, 90)} {dice.choice(STREETS)} {dice.choice(WAYS)}"
        found.append(Home(f"{place + 1:05d}-{design.name}", design, {"site.address": Cell(address), **cells}, edition))
    return found


def _line(dice: random.Random, known: list[Design], count: int) -> Iterator[tuple[Design, bool]]:
    """Designs in the order in which homes take them, and whether one is varied: each once as it is, then any, ordinary ones more often."""
    for place in range(count):
        few = known[:ORDINARY_COUNT] if dice.random() < ORDINARY_SHARE else known
        yield (known[place], False) if place < len(known) else (dice.choice(few), True)


def _varied(dice: random.Random, design: Design) -> tuple[Cells, str]:
    cells: Cells = {}
    for dial in dice.sample(DIALS, dice.randint(*TURNED)):
        cells |= dial(dice, design.site)
    if design.costly:
        cells |= _store(dice, design.site) | _car(dice, design.site)
    return cells, dice.choice(("2017", "2020", "2023", "2026")) if dice.random() < 0.04 else ""


def build(folder: Path, homes: int, seed: int, simulations: float = 0.1, form: str = "table", faults: int = 0) -> Path:
    """Write a town. The same arguments give the same bytes.

    Parameters: folder, without a town in it; number of homes; seed; share of homes with a simulation or a long record [-]; form of the
    portfolio, a table with one home a row or one site file a home; number of rows at fault besides. Returns: the portfolio file.
    Errors: ValueError for another form or share, FileExistsError for a folder with a town in it.
    """
    if form not in FORMS or not 0 <= simulations <= 1:
        raise ValueError(f"no form {form!r} or no share {simulations!r}; forms are {', '.join(FORMS)}, a share lies between 0 and 1")
    if there := [name for name in MADE if (folder / name).exists()]:
        raise FileExistsError(f"{folder} holds {', '.join(there)} already; name a new folder")
    found = homes_of(homes, seed, simulations)
    used = list({one.design.name: one.design for one in found}.values())
    for name, content in beside(used):
        _write(folder / "sites" / name, content)
    if form == "files":
        for one in found:
            _write(folder / "sites" / f"{one.site_id}.toml", toml(one.site).encode())
        for place in range(faults):
            _write(folder / "sites" / f"fault-{place + 1:04d}.toml", _faulty_file(place, found[0]).encode())
        return _write(folder / "portfolio.toml", b'# Invented town.\nformat = 1\nsites = ["sites/*.toml"]\n')
    for design in used:
        _write(folder / "sites" / f"{design.name}.toml", toml(design.site).encode())
    if faults:
        _write(folder / "sites" / NOT_TOML, b"format = \n")
    return _write(folder / "portfolio.csv", _as_table(found, faults).encode())


def beside(used: Iterable[Design]) -> Iterator[tuple[str, bytes]]:
    """What designs name beside themselves, by path in the folder of sites: local files, records, documents."""
    found = {path.name: path.read_text(encoding="utf-8") for path in sorted((EXAMPLES / "jurisdictions").glob("*.toml"))}
    found |= {f"{name}.toml": toml({"format": 1, "id": name, **content}) for name, content in tomllib.loads(TOWNS).items()}
    for name, text in found.items():
        yield f"jurisdictions/{name}", text.encode()
    for name in sorted({name for design in used for name in named_files(design.site)}):
        yield name, _content(name)


def _write(path: Path, content: bytes) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)
    return path


def _as_table(found: list[Home], faults: int) -> str:
    """The table of a town: a row a home, then the rows at fault."""
    bad = [_faulty_row(place, found[0]) for place in range(faults)]
    units = {path: cell.unit for one in found for path, cell in one.cells.items()}
    units |= {path: "" for row in bad for path in row if "." in path and path not in units}
    heads = {path: f"{path} [{unit}]" if unit else path for path, unit in sorted(units.items())}
    out = io.StringIO(newline="")
    out.write("# Invented homes of an invented town. One home a row, an empty cell leaves what the base says.\n")
    table = csv.writer(out, lineterminator="\n")
    table.writerow(["site_id", "base", "edition", *heads.values()])
    for one in found:
        cells = (one.cells[path].text if path in one.cells else "" for path in heads)
        table.writerow([one.site_id, f"sites/{one.design.name}.toml", one.edition, *cells])
    for row in bad:
        table.writerow([row[name] for name in ("site_id", "base", "edition")] + [row.get(path, "") for path in heads])
    return out.getvalue()


# homes at fault, where they are asked for

NOT_TOML = "not-toml.toml"
BAD_VALUES = (
    ("study.service_load_method", "by-eye"),
    ("dwelling.floor_area", "1500 kg"),
    ("service.rating", "5000 A"),
    ("edition", "2029"),
)
"""An unknown value, an impossible unit, a value beyond its limits, an unknown edition."""


def _faulty_row(place: int, like: Home) -> dict[str, str]:
    """A row at fault: a bad value, a base that is not there, a base that is no TOML, in turn."""
    row = {"site_id": f"fault-{place + 1:04d}", "base": f"sites/{like.design.name}.toml", "edition": ""}
    kinds = [*BAD_VALUES, ("base", "sites/no-such-home.toml"), ("base", f"sites/{NOT_TOML}")]
    return row | dict([kinds[place % len(kinds)]])


def _faulty_file(place: int, like: Home) -> str:
    """The text of a site file at fault: a bad value, a time zone that there is not, no TOML, in turn."""
    kinds = [*BAD_VALUES[:3], ("site.edition", BAD_VALUES[3][1]), ("site.time_zone", "Tansy/Hollow"), None]
    kind = kinds[place % len(kinds)]
    if kind is None:
        return "format = \n"
    return toml(_with(like.design.site, {"site.id": Cell(f"fault-{place + 1:04d}"), kind[0]: Cell(kind[1])}))


def main() -> None:
    """Write a town as the command line says."""
    parser = argparse.ArgumentParser(prog="python -m tests.town", description="Write a portfolio of invented homes.")
    parser.add_argument("folder", type=Path, metavar="FOLDER", help="folder without a town in it")
    parser.add_argument("--homes", type=int, default=1000, metavar="N", help="number of homes (default: 1000)")
    parser.add_argument("--seed", type=int, default=1, metavar="S", help="seed (default: 1)")
    parser.add_argument(
        "--with-simulations", type=float, default=0.1, metavar="SHARE", help="share of homes with simulations (default: 0.1)"
    )
    parser.add_argument("--form", choices=FORMS, default="table", help="a table, or one site file a home")
    parser.add_argument("--faults", type=int, default=0, metavar="K", help="homes at fault besides (default: 0)")
    given = parser.parse_args()
    print(build(given.folder, given.homes, given.seed, given.with_simulations, given.form, given.faults))


if __name__ == "__main__":
    main()
