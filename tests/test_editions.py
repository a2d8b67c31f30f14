"""Editions of the code: completeness, honesty, faults, local changes and what moved between them.

The expected values are typed here from the matrix of provisions, not read from our files.
"""

from __future__ import annotations

import ast
import csv
import io
from itertools import pairwise
from pathlib import Path

import pytest

from workbook_lib import editions
from workbook_lib.editions import YEARS, Change, difference, differing_tables, load, moved
from workbook_lib.editions.files import key_forms, number, table_forms
from workbook_lib.errors import CalculationFault
from workbook_lib.sheet import CONFIRMED, FROM_MEMORY, UNCONFIRMED, Source

ROOM = Path(editions.__file__).parent
every_edition = pytest.mark.parametrize("year", YEARS)

VALUES = """\
key,2017,2020,2023,2026,unit
nominal_voltage_v,240,240,240,240,V
unit_load_va_per_ft2,3,3,3,2,VA/ft^2
branch_circuit_va_per_ft2,3,3,3,3,VA/ft^2
small_appliance_circuit_va,1500,1500,1500,1500,VA
laundry_circuit_va,1500,1500,1500,1500,VA
small_appliance_minimum_count,2,2,2,2,count
laundry_minimum_count,1,1,1,1,count
fastened_frac,0.75,0.75,0.75,0.75,frac
fastened_minimum_count,4,4,4,4,count
fastened_floor_va,0,500,500,500,VA
fastened_floor_hp,0,0.25,0.25,0.25,hp
dryer_minimum_va,5000,5000,5000,5000,VA
cooking_threshold_va,1750,1750,1750,1750,VA
cooking_small_limit_va,3500,3500,3500,3500,VA
cooking_large_limit_va,8750,8750,8750,8750,VA
cooking_column_c_limit_va,12000,12000,12000,12000,VA
cooking_note_1_limit_va,27000,27000,27000,27000,VA
cooking_excess_frac,0.05,0.05,0.05,0.05,frac
cooking_excess_step_va,1000,1000,1000,1000,VA
motor_largest_frac,0.25,0.25,0.25,0.25,frac
neutral_cooking_dryer_frac,0.7,0.7,0.7,0.7,frac
neutral_above_a,200,200,200,200,A
neutral_above_frac,0.7,0.7,0.7,0.7,frac
evse_floor_va,0,0,7200,7200,VA
evse_device_frac,1.25,1.25,1.25,1.25,frac
circuit_frac,0.8,0.8,0.8,0.8,frac
evse_own_circuit_above_a,16,16,16,16,A
evse_own_circuit_above_v,120,120,120,120,V
evse_disconnect_above_a,60,60,60,0,A
evse_disconnect_above_v,150,150,150,0,V
evse_receptacle_most_a,50,50,50,60,A
optional_first_va,10000,10000,10000,8000,VA
optional_rest_frac,0.4,0.4,0.4,0.4,frac
optional_minimum_ampacity_a,100,100,100,100,A
optional_cooling_frac,1,1,1,1,frac
optional_heat_pump_frac,1,1,1,1,frac
optional_supplement_frac,0.65,0.65,0.65,0.65,frac
optional_heat_few_frac,0.65,0.65,0.65,0.65,frac
optional_heat_many_frac,0.4,0.4,0.4,0.4,frac
optional_heat_many_count,4,4,4,4,count
optional_thermal_storage_frac,1,1,1,1,frac
existing_first_va,8000,8000,8000,,VA
existing_rest_frac,0.4,0.4,0.4,,frac
existing_hvac_frac,1,1,1,,frac
existing_heat_many_count,4,4,4,,count
measured_frac,1.25,1.25,1.25,1.25,frac
measured_year_days_count,365,365,365,365,count
measured_short_days_count,30,30,30,30,count
measured_interval_s,900,900,900,900,s
control_continuous_frac,1.25,1.25,1.25,1.25,frac
minimum_service_rating_a,100,100,100,100,A
source_disconnect_minimum_a,60,60,60,60,A
continuous_frac,1.25,1.25,1.25,1.25,frac
service_load_frac,1,1,1,1,frac
service_disconnect_maximum_count,6,6,6,6,count
dwelling_83_frac,0.83,0.83,0.83,0.83,frac
dwelling_83_lower_a,100,100,100,100,A
dwelling_83_upper_a,400,400,400,400,A
terminal_60_limit_a,100,100,100,100,A
next_size_up_limit_a,800,800,800,800,A
parallel_minimum_cmil,105600,105600,105600,105600,cmil
bonding_jumper_area_frac,0.125,0.125,0.125,0.125,frac
roof_clearance_in,0.875,0.875,0.875,0.875,in
roof_adder_degc,33,33,33,33,degC
raceway_fill_one_frac,0.53,0.53,0.53,0.53,frac
raceway_fill_two_frac,0.31,0.31,0.31,0.31,frac
raceway_fill_more_frac,0.4,0.4,0.4,0.4,frac
raceway_fill_nipple_frac,0.6,0.6,0.6,0.6,frac
tap_short_length_ft,10,10,10,10,ft
tap_short_frac,0.1,0.1,0.1,0.1,frac
tap_long_length_ft,25,25,25,25,ft
tap_long_frac,1/3,1/3,1/3,1/3,frac
working_space_depth_ft,3,3,3,3,ft
working_space_width_in,30,30,30,30,in
working_space_height_ft,6.5,6.5,6.5,6.5,ft
source_frac,1.25,1.25,1.25,1.25,frac
bus_120_frac,1.2,1.2,1.2,1.2,frac
supply_length_ft,10,10,0,10,ft
nipple_length_in,24,24,24,24,in
storage_disconnect_ft,10,10,10,10,ft
"""

SWITCHES = """\
key,2017,2020,2023,2026
rounding,permitted,permitted,permitted,loads-only
garage_counts,none,none,all,attached
fastened_excludes_evse,no,no,yes,yes
noncoincident_motor,largest-only,smaller-counts,smaller-counts,smaller-counts
evse_floor,none,none,floor,unknown-only
evse_floor_reaches_optional,no,no,yes,yes
evse_demand,in-tier,in-tier,in-tier,outside-tier
evse_load,nameplate,nameplate,nameplate,nameplate
evse_setting,none,fixed,any,any
evse_disconnect,above-limits,above-limits,above-limits,every-fixed-unit
existing_form,split,split,split,unseen
existing_hvac_without_added,carried,carried,carried,
existing_reaches_feeders,no,no,yes,yes
measured_generation,bars-method,bars-method,bars-method,bars-method
measured_new_load_continuous,no,no,no,no
control_setting,none,none,energy-management,power-control
control_reaches_optional,no,no,disputed,yes
control_listing,none,none,any,UL 3141
control_malfunction,not-said,not-said,stop,not-said
continuous_in_load_calculation,not-addressed,not-addressed,not-addressed,excluded
service_disconnect_enclosures,shared,separate,separate,separate
emergency_disconnect,none,outdoors,outdoors,service-disconnect
emergency_disconnect_replacement,none,silent,service-equipment,service-equipment
surge_protection,no,yes,yes,yes
dwelling_83_table_form,annex,body,body,body
equipment_ground_upsize,any-increase,not-for-correction,not-for-correction,not-for-correction
bus_centre_fed,one-end,one-end,one-end,one-end
bus_feed_through,none,disputed,disputed,disputed
bus_engineered,multiple-ampacity,any,any,any
three_connection_box,outside,outside,inside,inside
feeder_tap_source,output,output,device-rating,device-rating
feeder_tap_short_source,yes,yes,no,no
supply_capacity_quantity,device-ratings,continuous-output,continuous-output,continuous-output
supply_capacity_limit,service-rating,conductor-ampacity,conductor-ampacity,conductor-ampacity
supply_minimum_cu,none,6,6,6
supply_minimum_al,none,4,4,4
supply_length,limiters,dwelling,none,dwelling
supply_disconnect,argued,argued,service-disconnect,not-said
supply_grounding,by-analogy,as-service,as-service,as-service
source_control,none,power-control,energy-management,multisource
pv_rounding,none,none,none,drop-below-half
backup_rule,largest-load,largest-load,full-or-managed,full-managed-or-controlled
backup_sources,all,firm,all-outputs,all-outputs
backup_dispute,argued,in-text,out,out
backup_restart,none,none,none,manual
storage_shutdown,none,outside-disconnect,outside-function,outside-function
"""

LOCATORS = """\
key,2017,2020,2023,2026,status
rounding,220.5(B),220.5(B),220.5(B),120.5(B),C/C/C/C
floor_area,220.12,220.11,220.5(C),120.5(C),1/1/M/C
unit_load,220.12 and 220.14(J),220.14(J),220.41,120.41,C/C/C/1
lighting_demand,220.42,220.42,220.45,120.45,C/C/C/U
small_appliance_laundry,220.52,220.52,220.52,120.52,C/C/C/1
motors,220.50,220.50,220.50(A),120.50,C/M/1/U
space_heat,220.51,220.51,220.51,120.51,1/M/M/U
fastened_75,220.53,220.53,220.53,120.53,C/C/C/U
dryer,220.54,220.54,220.54,120.54,C/C/C/U
cooking,220.55,220.55,220.55,120.55,C/C/C/U
evse_load,625.42,625.42,220.57,120.57,1/1/C/U
noncoincident,220.60,220.60,220.60,120.60,C/1/C/U
neutral,220.61,220.61,220.61,120.61,C/C/C/C
optional,220.82,220.82,220.82,120.82,C/C/C/C
optional_scope,220.82(A),220.82(A),220.82(A),120.82(A),C/C/C/1
optional_general,220.82(B),220.82(B),220.82(B),120.82(B),C/C/C/C
optional_hvac,220.82(C),220.82(C),220.82(C),120.82(C),C/C/1/U
optional_evse,220.82(B),220.82(B),220.82(B),120.82(D),U/U/U/U
existing,220.83,220.83,220.83,120.83,C/C/C/1
existing_a,220.83(A),220.83(A),220.83(A),120.83,C/C/C/1
existing_b,220.83(B),220.83(B),220.83(B),120.83,C/C/C/1
measured,220.87,220.87,220.87,120.87,1/C/1/U
service_conductor,230.42,230.42,230.42,230.42,M/M/1/U
minimum_rating,230.79(C),230.79(C),230.79(C),230.79(C),C/C/C/U
disconnect_count,230.71(A),230.71(B),230.71(B),230.71(B),C/C/1/U
supply_side_list,230.82,230.82,230.82,230.82,1/C/M/U
service_overload,230.90(A),230.90(A),230.90(A),230.90(A),C/C/C/U
dwelling_83,310.15(B)(7),310.12,310.12,310.12,C/C/C/1
ampacity,Table 310.15(B)(16),Table 310.16,Table 310.16,Table 310.16,C/C/C/U
adjustment,Table 310.15(B)(3)(a),Table 310.15(C)(1),Table 310.15(C)(1),Table 310.15(C)(1),C/C/C/U
terminals,110.14(C),110.14(C),110.14(C),110.14(C),C/C/C/U
small_conductor,240.4(D),240.4(D),240.4(D),240.4(D),C/C/1/U
next_size_up,240.4(B),240.4(B),240.4(B),240.4(B),C/C/C/U
standard_ratings,240.6(A),240.6(A),Table 240.6(A),Table 240.6(A),C/C/C/1
electrode_conductor,250.66,250.66,250.66,250.66,C/C/C/U
bonding_jumper,250.102(C)(1),250.102(C)(1),250.102(C)(1),250.102(C)(1),C/C/C/U
equipment_ground,250.122,250.122,250.122,250.122,C/C/C/1
evse_device,625.41,625.41,625.41,625.41,C/C/C/U
evse_managed,625.42,625.42,625.42(A),625.42(A),1/1/C/1
evse_setting,625.42,625.42,625.42(B),625.42(B),1/1/C/U
evse_disconnect,625.43,625.43,625.43,625.43(A),C/C/C/C
bus_scope,705.12(B),705.12,705.12,705.12,C/C/1/U
bus_sum,705.12(B)(2)(3)(a),705.12(B)(3)(1),705.12(B)(1),705.12(B)(1),C/C/C/U
bus_120,705.12(B)(2)(3)(b),705.12(B)(3)(2),705.12(B)(2),705.12(B)(2),C/C/C/U
bus_breakers,705.12(B)(2)(3)(c),705.12(B)(3)(3),705.12(B)(3),705.12(B)(3),C/C/C/U
bus_centre,705.12(B)(2)(3)(d),705.12(B)(3)(4),705.12(B)(4),705.12(B)(4),C/C/1/U
bus_feed_through,705.12(B)(2)(3),705.12(B)(3)(6),705.12(B)(5),705.12(B)(5),U/C/M/U
bus_engineered,705.12(B)(2)(3)(e),705.12(B)(3)(5),705.12(B)(6),705.12(B)(6),M/C/1/U
feeder_source,705.12(B)(2)(1),705.12(B)(1),705.12(A)(1) and (2),705.12(A),C/C/C/U
feeder_tap,705.12(B)(2)(2),705.12(B)(2),705.12(A)(3),705.12(A)(3),M/1/C/U
supply_side,705.12(A),705.11,705.11,705.11,C/C/C/1
supply_capacity,705.12(A),705.11(A),705.11(A),705.11(A),M/C/1/U
supply_minimum,705.60,705.11(B),705.11(B),705.11,1/C/1/1
supply_length,705.31,705.11(C),705.11,705.11(C)(1),C/C/C/C
supply_place,230.46 and 110.14,705.11,705.11,705.11,M/M/M/U
supply_disconnect,705.12(A),705.11,705.11(D),705.11,M/C/1/1
directory,705.10,705.10,705.10,705.10,M/C/C/U
meter_socket,230.66,230.66(B),230.66(B),230.66(B),1/1/M/U
backfeed_suitable,705.12(B)(4),705.12(D),705.30,705.30,C/1/M/U
fastener,408.36(D),408.36(D),408.36(D),408.36(D),C/C/1/U
fastener_exempt,705.12(B)(5),705.12(E),705.30,705.30,C/C/M/U
source_disconnect,705.20,705.20,705.20,705.20,M/M/M/1
source_circuit,705.60,705.28,705.28,705.28,M/C/C/U
inverter_neutral,705.95,705.28(C),705.28(C),705.28(C),M/M/M/U
source_overcurrent,705.30 and 705.65,705.30,705.30,705.30,M/1/1/U
interrupting,110.9 and 705.16,110.9 and 705.16,110.9 and 705.16,110.9 and 705.16,M/M/M/U
interconnect_device,705.170,705.70,705.70,705.70,M/M/M/U
disconnect_grouping,230.72,230.72,230.72,230.72,M/M/M/U
single_bond,250.24 and 250.142,250.24 and 250.142,250.24 and 250.142,250.24 and 250.142,M/M/M/U
parallel,310.10(H),310.10(G),310.10(G),310.10(G),M/M/M/U
voltage_change,210.19 and 215.2,210.19 and 215.2,210.19 and 215.2,210.19 and 215.2,M/M/M/U
disconnect_rating,230.79(D),230.79(D),230.79(D),230.79(D),M/M/M/U
instructions,110.3(B),110.3(B),110.3(B),110.3(B),M/M/M/U
standby_manual,702.4(B)(1),702.4(B)(1),702.4(A)(1),702.4(A)(1),C/C/C/C
standby_automatic,702.4(B)(2),702.4(B)(2),702.4(A)(2),702.4(A)(2),C/C/C/C
standby_inverter,702.4,702.4,702.4,702.4(A)(3),C/C/C/C
stand_alone_capacity,710.15(A),710.15(A),710.15(A),710.15(A),C/C/M/U
island_capacity,710.15(A),710.15(A),705.80,705.80,C/C/M/U
island_120v,710.15(C),710.15(C),705.82,705.82,C/C/M/U
storage_disconnect,706.7,706.15(A),706.15(B),706.15(B),C/C/C/1
storage_shutdown,706.7,706.15(A),706.15,706.15,C/C/C/U
"""

FURTHER_CITES = [
    "control_setting",
    "standard",
    "ambient",
    "grounded_conductor",
    "settings_access",
    "energy_management",
    "motor_current",
    "locked_rotor_current",
    "locked_rotor_code",
    "emergency_disconnect",
    "surge_protection",
    "existing_scope",
    "source_grounding",
    "equipment_ground_upsize",
    "raceway_fill",
    "resistance",
    "working_space",
    "panelboard",
    "insulation",
    "power_control",
]

TABLES = [
    "lighting_demand",
    "dryer_demand",
    "cooking_demand",
    "motor_current",
    "locked_rotor_current",
    "locked_rotor_code",
    "ampacity",
    "insulation",
    "ambient",
    "adjustment",
    "standard_ratings",
    "fuse_ratings",
    "small_conductor",
    "dwelling_service_conductor",
    "electrode_conductor",
    "electrode_limit",
    "supply_side_bonding_jumper",
    "equipment_ground",
    "conductor_properties",
    "conductor_sizes",
    "conductor_area",
    "raceway_area",
    "impedance",
]

STATUS = {"C": CONFIRMED, "1": UNCONFIRMED, "M": FROM_MEMORY, "U": UNCONFIRMED}


def lines(text: str) -> list[dict[str, str]]:
    """Rows of a typed table by column."""
    return list(csv.DictReader(io.StringIO(text)))


# Completeness and honesty


def test_editions_there_are():
    assert YEARS == ("2017", "2020", "2023", "2026")
    assert [load(year).status for year in YEARS] == ["complete", "complete", "complete", "provisional"]
    assert all(load(year).year == year and year in load(year).name for year in YEARS)


@every_edition
def test_values(year):
    for row in lines(VALUES):
        if row[year]:
            found = load(year).value(row["key"])
            assert (found.value, found.unit) == (number(row[year], row["key"]), row["unit"]), row["key"]
        else:
            assert row["key"] in load(year).unseen


@every_edition
def test_switches(year):
    for row in lines(SWITCHES):
        if row[year]:
            found = load(year).value(row["key"])
            assert (found.value, found.unit) == (row[year], None), row["key"]
            assert found.value in key_forms()[row["key"]].choices
        else:
            assert row["key"] in load(year).unseen


def test_every_key_is_typed_here():
    typed = {row["key"] for row in lines(VALUES)} | {row["key"] for row in lines(SWITCHES)}
    assert typed == set(key_forms())


@every_edition
def test_every_edition_answers_for_every_key(year):
    edition = load(year)
    assert set(edition.keys) | set(edition.unseen) == set(key_forms())
    assert not set(edition.keys) & set(edition.unseen)
    assert set(edition.tables) == set(TABLES) == set(table_forms())
    assert edition.cite_keys == load(YEARS[0]).cite_keys
    assert {row["key"] for row in lines(LOCATORS)} | set(FURTHER_CITES) <= set(edition.cite_keys)


@every_edition
def test_section_numbers(year):
    for row in lines(LOCATORS):
        letter = row["status"].split("/")[YEARS.index(year)]
        source = load(year).cite(row["key"])
        assert (source.locator, source.edition, source.status) == (row[year], year, STATUS[letter]), row["key"]


@every_edition
def test_nothing_without_locator_status_source(year):
    edition = load(year)
    sources = [(f"cite:{key}", edition.cite(key)) for key in edition.cite_keys]
    sources += [(f"table:{name}", edition.source_of(name)) for name in edition.tables]
    sources += [(key, edition.value(key).source) for key in edition.keys]
    assert len(sources) > 180
    for key, source in sources:
        assert source.locator.strip(), key
        assert source.edition == year, key
        assert source.status in (CONFIRMED, FROM_MEMORY, UNCONFIRMED), key
        assert source.status == CONFIRMED or source.note.strip(), f"{key} is {source.status} without a note"
        assert edition.read_in(key).strip(), key
        assert (edition.read_in(key) == "none") <= (source.status != CONFIRMED), f"{key} is confirmed by no source"


@every_edition
def test_every_cell_has_a_locator_status_and_note(year):
    edition, seen = load(year), 0
    for name, form in table_forms().items():
        for row in edition.row_names(name):
            for column in form.columns:
                try:
                    cell = edition.lookup(name, row, column)
                except CalculationFault:
                    continue
                seen += 1
                assert cell.origin == "code"
                assert cell.key == f"{name}:{row}:{column}"
                assert cell.meaning
                assert "{" not in cell.meaning
                assert cell.source.locator.startswith(edition.source_of(name).locator)
                assert cell.source.status == CONFIRMED or cell.source.note, cell.key
                assert (cell.unit is None) == isinstance(cell.value, str), cell.key
    assert seen > 900


def test_provisional_edition_confirms_no_table_of_its_own():
    assert {load("2026").source_of(name).status for name in TABLES} == {UNCONFIRMED}


def test_inputs_say_what_where_and_how_well_known():
    value = load("2023").value("optional_first_va")
    assert (value.key, value.origin, value.unit) == ("optional_first_va", "code", "VA")
    assert str(value.source) == "NEC 2023 220.82(B)"
    assert str(load("2026").value("optional_first_va").source) == "NEC 2026 120.82(B) [unconfirmed]"
    assert load("2017").value("evse_demand").source.status == UNCONFIRMED
    assert load("2023").value("nominal_voltage_v").source.status == FROM_MEMORY
    assert "Annex D" in load("2023").read_in("optional_first_va")


def test_shared_tables_are_written_down_and_point_at_a_file():
    for year in YEARS:
        edition = load(year)
        for name in edition.tables:
            owner = edition._entries[name].owner_year
            assert (ROOM / owner / f"{name}.csv").is_file()
            assert owner == year or not (ROOM / year / f"{name}.csv").exists()
            assert load(owner)._entries[name].owner_year == owner


def test_no_code_here_names_a_year():
    for path in ROOM.glob("*.py"):
        named = [node.value for node in ast.walk(ast.parse(path.read_text())) if isinstance(node, ast.Constant) and node.value in YEARS]
        assert not named, path.name


# Faults


def fault(call) -> str:
    """Text of the calculation fault that the call raises."""
    with pytest.raises(CalculationFault) as caught:
        call()
    return str(caught.value)


def test_values_not_seen_in_a_source_say_so():
    edition = load("2026")
    for key in ("existing_first_va", "existing_rest_frac", "existing_hvac_frac", "existing_heat_many_count", "existing_hvac_without_added"):
        text = fault(lambda key=key: edition.value(key))
        assert "was not seen in a source" in text
        assert "120.83" in text
        assert "2026" in text
        assert not edition.has(key)


def test_misses_name_the_nearest_and_the_valid():
    edition = load("2023")
    text = fault(lambda: edition.value("optional_frst_va"))
    assert "optional_first_va" in text
    assert "2023" in text
    assert "unit_load" in fault(lambda: edition.cite("unit_laod"))
    text = fault(lambda: edition.lookup("ampacity", "5", "cu_75"))
    assert all(part in text for part in ("conductor ampacity", "'5'", "NEC 2023 Table 310.16", "1/0", "750"))
    assert "cu_75" in fault(lambda: edition.lookup("ampacity", "4", "cu75"))
    assert "no such size in this material" in fault(lambda: edition.lookup("ampacity", "14", "al_75"))
    assert "ampacity" in fault(lambda: edition.lookup("ampcity", "4", "cu_75"))
    assert "exact rows" in fault(lambda: edition.bracket("ampacity", 4, "cu_75"))
    assert "not a number" in fault(lambda: edition.lookup("motor_current", "half", "v230"))
    assert "2017, 2020, 2023, 2026" in fault(lambda: load("2014"))
    assert "holds no numbers" in fault(lambda: edition.series("dwelling_service_conductor", "cu_size"))


def test_numbers_as_written():
    assert [number(text, "here") for text in ("0.35", "1/6", "1-1/2", "-2")] == [0.35, pytest.approx(1 / 6), 1.5, -2.0]
    for text in ("", "x", "1/0", "inf", "nan", "1-"):
        with pytest.raises(CalculationFault, match="here"):
            number(text, "here")


# One object each


def test_the_same_object_comes_back():
    edition = load("2023")
    assert load("2023") is edition
    assert edition.value("optional_first_va") is edition.value("optional_first_va")
    assert edition.cite("optional") is edition.cite("optional")
    assert edition.lookup("cooking_demand", 2, "c_va") is edition.lookup("cooking_demand", 2.0, "c_va")
    assert edition.bracket("ambient", 38, "f90") is edition.bracket("ambient", 40, "f90")
    assert edition.series("standard_ratings", "rating_a") is edition.series("standard_ratings", "rating_a")
    with pytest.raises(AttributeError):
        edition.year = "2020"


# Local changes


def test_changed_values_and_switches():
    edition = load("2023")
    local = edition.changed(
        [
            Change("switch", "outside-tier", "local form", key="evse_demand"),
            Change("value", 12000, "ordinance 7, section 3", key="optional_first_va"),
        ]
    )
    value = local.value("optional_first_va")
    assert (value.value, value.unit, value.origin) == (12000.0, "VA", "jurisdiction")
    assert value.source == Source("ordinance 7, section 3", None, CONFIRMED, "the code's own: 10,000 VA (NEC 2023 220.82(B))")
    switch = local.value("evse_demand")
    assert (switch.value, switch.origin) == ("outside-tier", "jurisdiction")
    assert "in-tier (NEC 2023 220.82(B) [unconfirmed])" in switch.source.note
    assert edition.value("optional_first_va").value == 10000
    assert local.value("optional_rest_frac") is edition.value("optional_rest_frac")
    assert local.lookup("ampacity", "4", "cu_75") is edition.lookup("ampacity", "4", "cu_75")
    assert [change.name for change in local.changes] == ["evse_demand", "optional_first_va"]
    again = local.changed([Change("value", 9000, "later text", key="optional_first_va")])
    assert again.value("optional_first_va").source.note == "the code's own: 10,000 VA (NEC 2023 220.82(B))"


def test_changed_cells():
    edition = load("2020")
    local = edition.changed([Change("cell", 0.4, "local text", table="lighting_demand", row="second", column="frac")])
    cell = local.bracket("lighting_demand", 5000, "frac")
    assert (cell.value, cell.origin, cell.source.locator) == (0.4, "jurisdiction", "local text")
    assert "0.35 (NEC 2020 Table 220.42)" in cell.source.note
    assert local.rows("lighting_demand")[1]["frac"] == 0.4
    assert edition.bracket("lighting_demand", 5000, "frac").value == 0.35
    assert local.lookup("lighting_demand", "third", "frac").origin == "code"


def test_changed_break_point_moves_the_bracket():
    local = load("2020").changed([Change("cell", 6000, "local text", table="lighting_demand", row="first", column="upto_va")])
    assert local.bracket("lighting_demand", 5000, "frac").value == 1.0
    assert load("2020").bracket("lighting_demand", 5000, "frac").value == 0.35


def test_changed_size_shows_under_every_name_of_the_cell():
    change = Change("cell", "2", "utility book", table="electrode_conductor", row="to 2", column="cu")
    local = load("2023").changed([change])
    for column in ("cu_to_cu", "al_to_cu"):
        cell = local.bracket("electrode_conductor", 50000, column)
        assert (cell.value, cell.origin) == ("2", "jurisdiction")
    assert local.bracket("electrode_conductor", 50000, "cu_to_al").origin == "code"
    empty = Change("cell", 15, "local text", table="small_conductor", row="14", column="al_a")
    assert local.changed([empty]).lookup("small_conductor", "14", "al_a").value == 15


def test_a_jurisdiction_may_give_what_was_not_seen():
    local = load("2026").changed(
        [Change("switch", "split", "local text", key="existing_form"), Change("value", 8000, "local text", key="existing_first_va")]
    )
    given = local.value("existing_first_va")
    assert (given.value, given.unit, given.origin) == (8000.0, "VA", "jurisdiction")
    assert "was not seen" in given.source.note
    assert "existing_first_va" not in local.unseen
    assert "existing_rest_frac" in local.unseen


@pytest.mark.parametrize(
    "change, words",
    [
        (Change("value", 1, "text", key="optional_frst_va"), "optional_first_va"),
        (Change("value", 1, " ", key="optional_first_va"), "citation"),
        (Change("value", "1", "text", key="optional_first_va"), "finite number"),
        (Change("value", float("nan"), "text", key="optional_first_va"), "finite number"),
        (Change("value", True, "text", key="optional_first_va"), "finite number"),
        (Change("value", -1, "text", key="optional_first_va"), "finite number"),
        (Change("value", "in-tier", "text", key="evse_demand"), "is a switch"),
        (Change("switch", "outside", "text", key="evse_demand"), "in-tier, outside-tier"),
        (Change("switch", "x", "text", key="optional_first_va"), "is a number"),
        (Change("rule", 1, "text", key="optional_first_va"), "value, switch, cell"),
        (Change("cell", 1, "text", table="ampacty", row="4", column="cu_75"), "ampacity"),
        (Change("cell", 1, "text", table="ampacity", row="5", column="cu_75"), "1/0"),
        (Change("cell", 1, "text", table="ampacity", row="4", column="cu75"), "cu_75"),
        (Change("cell", "4", "text", table="ampacity", row="4", column="size"), "key of a row"),
        (Change("cell", 4, "text", table="electrode_conductor", row="to 2", column="cu"), "holds a text"),
    ],
)
def test_changes_that_do_not_fit(change, words):
    assert words in fault(lambda: load("2023").changed([change]))


# Between editions


def test_difference():
    found = {key: (one and one.value, other and other.value) for key, one, other in difference(load("2023"), load("2026"))}
    assert found == {
        "rounding": ("permitted", "loads-only"),
        "unit_load_va_per_ft2": (3.0, 2.0),
        "garage_counts": ("all", "attached"),
        "evse_floor": ("floor", "unknown-only"),
        "evse_demand": ("in-tier", "outside-tier"),
        "evse_disconnect": ("above-limits", "every-fixed-unit"),
        "evse_disconnect_above_a": (60.0, 0.0),
        "evse_disconnect_above_v": (150.0, 0.0),
        "optional_first_va": (10000.0, 8000.0),
        "existing_form": ("split", "unseen"),
        "existing_first_va": (8000.0, None),
        "existing_rest_frac": (0.4, None),
        "existing_hvac_frac": (1.0, None),
        "existing_heat_many_count": (4.0, None),
        "existing_hvac_without_added": ("carried", None),
        "control_setting": ("energy-management", "power-control"),
        "control_listing": ("any", "UL 3141"),
        "control_reaches_optional": ("disputed", "yes"),
        "continuous_in_load_calculation": ("not-addressed", "excluded"),
        "emergency_disconnect": ("outdoors", "service-disconnect"),
        "supply_length": ("none", "dwelling"),
        "supply_length_ft": (0.0, 10.0),
        "supply_disconnect": ("service-disconnect", "not-said"),
        "source_control": ("energy-management", "multisource"),
        "pv_rounding": ("none", "drop-below-half"),
        "backup_rule": ("full-or-managed", "full-managed-or-controlled"),
        "backup_restart": ("none", "manual"),
        "control_malfunction": ("stop", "not-said"),
        "evse_receptacle_most_a": (50.0, 60.0),
    }
    assert difference(load("2023"), load("2023")) == []


def test_differing_tables():
    assert differing_tables(load("2017"), load("2020")) == []
    assert differing_tables(load("2020"), load("2023")) == ["standard_ratings", "fuse_ratings"]
    assert differing_tables(load("2023"), load("2026")) == []


@pytest.mark.parametrize("first, second", [*pairwise(YEARS), ("2026", "2017")])
def test_one_edition_turned_into_another_key_by_key(first, second):
    edition, goal = load(first), load(second)
    keys = [key for key, _, _ in difference(edition, goal)]
    for left, key in zip(range(len(keys) - 1, -1, -1), keys, strict=True):
        edition = edition.with_values_of(goal, [key])
        assert len(difference(edition, goal)) == left
        assert edition.year == first
        if goal.has(key):
            assert edition.value(key) is goal.value(key)
        else:
            assert "not seen" in fault(lambda edition=edition, key=key: edition.value(key))


def test_with_values_of_takes_tables_too():
    edition = load("2020").with_values_of(load("2023"), ["table:standard_ratings"])
    assert edition.series("standard_ratings", "rating_a").value[0] == 10
    assert edition.source_of("standard_ratings").locator == "Table 240.6(A)"
    assert edition.lookup("ampacity", "4", "cu_75") is load("2020").lookup("ampacity", "4", "cu_75")
    assert "optional_first_va" in fault(lambda: load("2020").with_values_of(load("2023"), ["optional_frst_va"]))
    assert "ampacity" in fault(lambda: load("2020").with_values_of(load("2023"), ["table:ampacty"]))


def test_every_difference_has_its_sentence():
    for first, second in pairwise(YEARS):
        told = {key for row in moved(first, second) for key in row.keys}
        before, after = load(first), load(second)
        assert {key for key, _, _ in difference(before, after)} <= told, (first, second)
        assert {f"table:{name}" for name in differing_tables(before, after)} <= told


def test_sentences_name_what_there_is():
    rows = moved("2017", "2026")
    assert len(rows) > 40
    for row in rows:
        assert row.area in ("loads", "services", "conductors", "charging", "control", "backup", "storage")
        assert row.status in (CONFIRMED, FROM_MEMORY, UNCONFIRMED)
        assert row.text.endswith(".")
        assert row.keys
        for key in row.keys:
            kind, _, name = key.rpartition(":")
            assert name in {"cite": load(row.after).cite_keys, "table": TABLES, "": list(key_forms())}[kind], key


def test_moved_between_editions_further_apart():
    assert moved("2023", "2017") == moved("2017", "2023") == moved("2017", "2020") + moved("2020", "2023")
    assert moved("2020", "2020") == ()
    assert [row.after for row in moved("2017", "2026", ["unit_load_va_per_ft2"])] == ["2026"]
    assert "2017, 2020, 2023, 2026" in fault(lambda: moved("2017", "2014"))
