"""Production of arrays: an open typical year, one hour by hand, closed forms, faults.

The open file is the typical year for Greensboro that pvlib carries (TMY3, public domain); the yearly energies of a 7.6 kW array
there were measured elsewhere with a plain chain, whose settings are not stated.
"""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path

import numpy as np
import pvlib
import pytest

from workbook_lib.errors import CalculationFault
from workbook_lib.records.weather import Weather, read_weather
from workbook_lib.simulate import production
from workbook_lib.simulate.production import METHOD, MOUNTINGS, TRANSPOSITIONS, Inverter, Plane, array_kw, onto, slope_w_m2

LATITUDE, LONGITUDE = 35.0, -105.0
ROOF = Plane(6.0, 30.0, 180.0, 0.14, 0.004, "close-mount")
UNIT = Inverter(5.0, 0.96)
DAYS = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])


def zenith(month, day, hour) -> tuple[np.ndarray, np.ndarray]:
    """Zenith of the sun at the middle of hours of the invented place, as pvlib has it [deg], and the extraterrestrial sun [W/m^2]."""
    calm = weather_of(np.zeros(len(month)), np.zeros(len(month)), np.zeros(len(month)), month, day, hour)
    sun = production._sun(calm, LATITUDE, LONGITUDE)
    return sun.zenith_deg, sun.extra_w_m2


def weather_of(ghi, dni, dhi, month, day, hour, *, warm=20.0, wind=2.0) -> Weather:
    full = np.ones(len(ghi))
    return Weather(ghi, dni, dhi, warm * full, wind * full, month, day, hour, 3600, -7 * 3600, True, (2001,), elevation_m=0.0)


@pytest.fixture(scope="module")
def clear() -> Weather:
    """An invented clear year whose global sun is the direct on the flat and the diffuse, at each middle of an hour."""
    month = np.repeat(np.arange(1, 13), DAYS * 24)
    day = np.concatenate([np.repeat(np.arange(1, count + 1), 24) for count in DAYS])
    hour = np.tile(np.arange(24.0), 365)
    cosine = np.cos(np.radians(zenith(month, day, hour)[0]))
    up = cosine > 0.05
    dni = np.where(up, 850 * np.maximum(cosine, 0.0) ** 0.3, 0.0)
    dhi = np.where(up, 90 * np.maximum(cosine, 0.0) ** 0.5, 0.0)
    return weather_of(dni * np.maximum(cosine, 0.0) + dhi, dni, dhi, month, day, hour, warm=15.0)


def made(weather: Weather, *planes: Plane, unit: Inverter = UNIT, transposition: str = "haydavies") -> np.ndarray:
    return array_kw(weather, LATITUDE, LONGITUDE, planes or (ROOF,), unit, transposition=transposition)


# an open typical year


@pytest.fixture(scope="module")
def greensboro() -> Weather:
    return read_weather(Path(pvlib.__file__).parent / "data" / "723170TYA.CSV", "723170TYA.CSV", "tmy3")


ELSEWHERE = {"isotropic": 10388.0, "haydavies": 10580.0, "perez": 10739.0}
"""Energy of a year of a 7.6 kW array at Greensboro [kWh], measured elsewhere."""


def yearly(weather: Weather, plane: Plane, unit: Inverter) -> dict[str, float]:
    place = weather.latitude_deg, weather.longitude_deg
    return {name: float(array_kw(weather, *place, (plane,), unit, transposition=name).sum()) for name in TRANSPOSITIONS}


def test_the_array_at_greensboro(greensboro):
    """Tilt 25 deg to the south, open rack, 14 % losses, 0.3 % a kelvin, 0.97: found here, one set of several that fit.

    The level can be fitted by any loss; the two ratios between the models of the sky cannot.
    """
    energy = yearly(greensboro, Plane(7.6, 25.0, 180.0, 0.14, 0.003, "open-rack"), Inverter(7.6, 0.97))
    for name, kwh in ELSEWHERE.items():
        assert energy[name] == pytest.approx(kwh, rel=0.001)
    for name in ("haydavies", "perez"):
        assert energy[name] / energy["isotropic"] == pytest.approx(ELSEWHERE[name] / ELSEWHERE["isotropic"], rel=0.0005)


@pytest.mark.parametrize("mounting", MOUNTINGS)
def test_the_ratios_of_the_models_depend_on_the_tilt_and_on_little_else(greensboro, mounting):
    """With our defaults, which are not those of the array: 25 deg meets both ratios, 15 and 36 deg miss them on their sides."""
    unit = Inverter(7.6, production.DEFAULT_EFFICIENCY)
    for name in ("haydavies", "perez"):
        found, wanted = [], ELSEWHERE[name] / ELSEWHERE["isotropic"]
        for tilt in (15.0, 25.0, 36.0):
            plane = Plane(7.6, tilt, 180.0, production.DEFAULT_LOSS_FRAC, production.DEFAULT_PER_DEGC_FRAC, mounting)
            energy = yearly(greensboro, plane, unit)
            found.append(energy[name] / energy["isotropic"])
        assert found[0] < wanted < found[2]
        assert found[1] == pytest.approx(wanted, rel=0.005)


def test_another_open_year_has_power_by_day_alone():
    """Sand Point, Alaska: more than one hour in four thousand with sun below the horizon would say that the clock is wrong."""
    weather = read_weather(Path(pvlib.__file__).parent / "data" / "703165TY.csv", "703165TY.csv", "tmy3")
    power = array_kw(weather, weather.latitude_deg, weather.longitude_deg, (ROOF,), UNIT)
    down = production._sun(weather, weather.latitude_deg, weather.longitude_deg).zenith_deg > 93
    assert power.shape == (8760,)
    assert power[down].sum() < power.sum() / 4000
    assert power.min() == 0


# one hour by hand: Spencer 1971, Hay and Davies 1980, King et al. 2004, PVWatts v5 (NREL/TP-6A20-62641)


@pytest.mark.parametrize("at", [24 * 182 + 11, 24 * 80 + 9, 24 * 300 + 15, 24 * 15 + 12])
def test_an_hour_by_hand(greensboro, at):
    """What is written out here uses pvlib for the position of the sun and nothing else."""
    place = greensboro.latitude_deg, greensboro.longitude_deg
    sun = production._sun(greensboro, *place)
    ghi, dni, dhi = (float(getattr(greensboro, name)[at]) for name in ("ghi_w_m2", "dni_w_m2", "dhi_w_m2"))
    z, a = math.radians(sun.zenith_deg[at]), math.radians(sun.azimuth_deg[at])
    day = int(DAYS[: greensboro.month[at] - 1].sum() + greensboro.day[at])
    b = 2 * math.pi * (day - 1) / 365
    above = 1.00011 + 0.034221 * math.cos(b) + 0.00128 * math.sin(b) + 0.000719 * math.cos(2 * b) + 0.000077 * math.sin(2 * b)
    direct_kw = 0.0
    for rated, tilt, azimuth in ((4.0, 25.0, 135.0), (3.0, 40.0, 225.0)):
        t = math.radians(tilt)
        incidence = math.cos(t) * math.cos(z) + math.sin(t) * math.sin(z) * math.cos(a - math.radians(azimuth))
        clear_part = dni / (1366.1 * above)
        ratio = max(incidence, 0.0) / math.cos(z)
        sky = dhi * (clear_part * ratio + (1 - clear_part) * (1 + math.cos(t)) / 2)
        slope = dni * max(incidence, 0.0) + sky + 0.2 * ghi * (1 - math.cos(t)) / 2
        cell = slope * (math.exp(-2.98 - 0.0471 * greensboro.wind_m_s[at]) + 1 / 1000) + greensboro.temperature_degc[at]
        direct_kw += rated * slope / 1000 * (1 - 0.004 * (cell - 25)) * (1 - 0.12) * 0.9
    part = direct_kw / (6.0 / 0.96)
    expected = min(direct_kw * 0.96 / 0.9637 * (-0.0162 * part - 0.0059 / part + 0.9858), 6.0)
    planes = [Plane(kw, tilt, az, 0.12, 0.004, "close-mount", (0.9,) * 12) for kw, tilt, az in ((4.0, 25.0, 135.0), (3.0, 40.0, 225.0))]
    assert ghi > 100
    assert expected > 0.1
    assert array_kw(greensboro, *place, planes, Inverter(6.0, 0.96))[at] == pytest.approx(expected, rel=2e-5)


# closed forms


def test_no_sun_no_power(clear):
    dark = dataclasses.replace(clear, ghi_w_m2=np.zeros(8760), dni_w_m2=np.zeros(8760), dhi_w_m2=np.zeros(8760))
    for name in TRANSPOSITIONS:
        assert (made(dark, transposition=name) == 0).all()
        power = made(clear, transposition=name)
        assert np.isfinite(power).all()
        assert (power[clear.ghi_w_m2 == 0] == 0).all()
        assert power.min() == 0


def test_a_flat_plane_under_an_even_sky_has_the_global_sun(clear):
    assert slope_w_m2(clear, LATITUDE, LONGITUDE, 0.0, 180.0, transposition="isotropic") == pytest.approx(clear.ghi_w_m2, abs=1e-9)
    assert slope_w_m2(clear, LATITUDE, LONGITUDE, 0.0, 77.0) == pytest.approx(clear.ghi_w_m2, abs=1e-9)


def test_a_wall_under_diffuse_sun_has_half_of_the_sky_and_of_the_ground(clear):
    dull = dataclasses.replace(clear, dni_w_m2=np.zeros(8760), ghi_w_m2=clear.dhi_w_m2)
    expected = clear.dhi_w_m2 * (0.5 + production.ALBEDO_FRAC / 2)
    for name in ("isotropic", "haydavies"):
        assert slope_w_m2(dull, LATITUDE, LONGITUDE, 90.0, 10.0, transposition=name) == pytest.approx(expected)


def test_halves_of_an_array_are_the_array(clear):
    half = dataclasses.replace(ROOF, dc_kw=3.0)
    assert made(clear, half, half) == pytest.approx(made(clear, ROOF), abs=1e-12)


def test_planes_are_added_before_the_inverter(clear):
    """East and west on one unit are held at its rating together; on two half units each for itself."""
    east, west = (dataclasses.replace(ROOF, azimuth_deg=azimuth) for azimuth in (90.0, 270.0))
    small = Inverter(3.0, 0.96)
    assert made(clear, east, west, unit=small).max() == 3.0
    apart = made(clear, east, unit=Inverter(1.5, 0.96)) + made(clear, west, unit=Inverter(1.5, 0.96))
    assert apart.sum() < made(clear, east, west, unit=small).sum()


def test_power_stays_at_the_rating_and_grows_with_the_modules_up_to_it(clear):
    energy = []
    for dc_kw in (1.0, 3.0, 6.0, 12.0, 60.0):
        power = made(clear, dataclasses.replace(ROOF, dc_kw=dc_kw))
        assert power.max() <= UNIT.ac_kw
        energy.append(power.sum())
    assert np.all(np.diff(energy) > 0)
    assert energy[2] / energy[1] > 1.9
    assert energy[4] / energy[3] < 1.5
    assert made(clear, dataclasses.replace(ROOF, dc_kw=60.0)).max() == UNIT.ac_kw


def test_the_part_left_of_a_month_touches_that_month_alone(clear):
    whole = made(clear)
    power = made(clear, dataclasses.replace(ROOF, monthly_frac=(0.0,) + (1.0,) * 11))
    assert (power[clear.month == 1] == 0).all()
    assert np.array_equal(power[clear.month > 1], whole[clear.month > 1])
    half = made(clear, dataclasses.replace(ROOF, monthly_frac=(1.0,) * 6 + (0.5,) + (1.0,) * 5))
    july = clear.month == 7
    assert 0.4 < half[july].sum() / whole[july].sum() < 0.55


def test_losses_and_heat_take_off_what_they_say(clear):
    """Losses on direct current, where the curve of the inverter does not bend them."""
    sun = production._sun(clear, LATITUDE, LONGITUDE)
    whole, less = (production._direct_kw(clear, sun, dataclasses.replace(ROOF, loss_frac=loss), "haydavies") for loss in (0.0, 0.25))
    assert less == pytest.approx(0.75 * whole)
    hot = dataclasses.replace(clear, temperature_degc=clear.temperature_degc + 20)
    lit = clear.ghi_w_m2 > 50
    assert (made(hot)[lit] < made(clear)[lit] + 1e-12).all()
    rise = made(hot, dataclasses.replace(ROOF, per_degc_frac=0.0))
    assert rise == pytest.approx(made(clear, dataclasses.replace(ROOF, per_degc_frac=0.0)))


def test_hotter_mountings_bring_less(clear):
    energy = {name: made(clear, dataclasses.replace(ROOF, mounting=name)).sum() for name in MOUNTINGS}
    assert energy["open-rack"] > energy["close-mount"] > energy["insulated-back"]


def test_south_is_best_in_the_north_and_north_in_the_south(clear):
    def energy(azimuth: float) -> float:
        return made(clear, dataclasses.replace(ROOF, azimuth_deg=azimuth)).sum()

    assert energy(180.0) > energy(90.0) > energy(0.0)
    assert energy(0.0) == pytest.approx(energy(360.0))
    south = [array_kw(clear, -35.0, LONGITUDE, (dataclasses.replace(ROOF, azimuth_deg=az),), UNIT).sum() for az in (0.0, 180.0)]
    assert south[0] > south[1]


def test_morning_is_in_the_east(clear):
    east, west = (made(clear, dataclasses.replace(ROOF, azimuth_deg=azimuth, tilt_deg=60.0)) for azimuth in (90.0, 270.0))
    assert east[clear.hour < 10].sum() > 2 * west[clear.hour < 10].sum()
    assert west[clear.hour > 14].sum() > 2 * east[clear.hour > 14].sum()


def test_measured_weather_has_the_sun_of_its_own_dates(clear):
    first = int(np.datetime64("2001-01-01T07:00:00", "s").astype(np.int64))
    measured = dataclasses.replace(clear, typical=False, begin=first + 3600 * np.arange(8760))
    assert np.array_equal(made(measured), made(clear))
    leap = dataclasses.replace(measured, begin=measured.begin + 365 * 3 * 86400, years=(2004,))
    assert made(leap).sum() == pytest.approx(made(clear).sum(), rel=0.02)
    assert not np.array_equal(made(leap), made(clear))


def test_a_typical_year_with_a_leap_day_is_placed():
    day = np.full(24, 2), np.full(24, 29), np.arange(24.0)
    bright = weather_of(np.full(24, 300.0), np.full(24, 300.0), np.full(24, 100.0), *day)
    assert 0 < made(bright).max() < UNIT.ac_kw


def test_the_same_weather_and_place_ask_for_the_sun_once(clear):
    production._sun.cache_clear()
    made(clear, ROOF, dataclasses.replace(ROOF, azimuth_deg=90.0))
    made(clear)
    assert production._sun.cache_info().misses == 1
    with pytest.raises(ValueError, match="read-only"):
        production._sun(clear, LATITUDE, LONGITUDE).zenith_deg[0] = 0


def test_the_method_names_a_source_for_every_step():
    assert len(METHOD) == 7
    assert all(step and source for step, source in METHOD)
    assert production.DEFAULT_PER_DEGC_FRAC == 0.0047
    assert production.DEFAULT_EFFICIENCY == 0.96


# onto other steps


@pytest.mark.parametrize(
    "length_s,step_s,count", [(3600, 900, 24), (900, 3600, 96), (1800, 1200, 48), (3600, 1500, 25), (3600, 3600, 24), (600, 900, 12)]
)
def test_energy_stays_on_other_steps(length_s, step_s, count):
    values = np.random.default_rng(3).uniform(0, 9, count)
    on = onto(values, length_s, step_s)
    assert len(on) * step_s == count * length_s
    assert on.sum() * step_s == pytest.approx(values.sum() * length_s, rel=1e-12)
    assert on.min() >= values.min() - 1e-12
    assert on.max() <= values.max() + 1e-12


def test_values_on_other_steps():
    assert onto(np.array([1.0, 3.0]), 1800, 900).tolist() == [1, 1, 3, 3]
    assert onto(np.array([1.0, 3.0, 5.0, 5.0]), 900, 1800).tolist() == [2, 5]
    assert onto(np.array([1.0, 4.0]), 1800, 1200) == pytest.approx([1, 2.5, 4])
    assert onto(np.array([0.0, 0.0, 6.0]), 600, 900) == pytest.approx([0, 4])


@pytest.mark.parametrize("count,length_s,step_s", [(3, 900, 3600), (5, 3600, 7000), (3, 900, 0), (3, 0, 900)])
def test_intervals_that_make_no_whole_number_of_steps(count, length_s, step_s):
    with pytest.raises(CalculationFault, match="whole number of steps"):
        onto(np.ones(count), length_s, step_s)


# faults


@pytest.mark.parametrize(
    "change,words",
    [
        ({"dc_kw": 0.0}, "power of the modules"),
        ({"dc_kw": math.nan}, "power of the modules"),
        ({"tilt_deg": 91.0}, "tilt"),
        ({"azimuth_deg": -1.0}, "azimuth"),
        ({"azimuth_deg": 361.0}, "azimuth"),
        ({"loss_frac": 1.1}, "losses"),
        ({"per_degc_frac": -0.004}, "a kelvin"),
        ({"per_degc_frac": 0.4}, "a kelvin"),
        ({"mounting": "pole"}, "unknown mounting"),
        ({"monthly_frac": (1.0,) * 11}, "monthly parts"),
        ({"monthly_frac": (1.0,) * 11 + (1.2,)}, "left in a month"),
    ],
)
def test_a_plane_out_of_range(clear, change, words):
    with pytest.raises(CalculationFault, match=words):
        made(clear, dataclasses.replace(ROOF, **change))


@pytest.mark.parametrize("unit,words", [((0.0, 0.96), "AC rating"), ((5.0, 0.0), "efficiency"), ((5.0, 1.01), "efficiency")])
def test_an_inverter_out_of_range(clear, unit, words):
    with pytest.raises(CalculationFault, match=words):
        made(clear, unit=Inverter(*unit))


@pytest.mark.parametrize(
    "place,words", [((None, -105.0), "place"), ((35.0, None), "place"), ((95.0, 0.0), "latitude"), ((35.0, 200.0), "longitude")]
)
def test_a_place_that_is_none(clear, place, words):
    with pytest.raises(CalculationFault, match=words):
        array_kw(clear, *place, (ROOF,), UNIT)
    with pytest.raises(CalculationFault, match=words):
        slope_w_m2(clear, *place, 30.0, 180.0)


def test_no_planes_and_an_unknown_sky(clear):
    with pytest.raises(CalculationFault, match="without planes"):
        array_kw(clear, LATITUDE, LONGITUDE, (), UNIT)
    with pytest.raises(CalculationFault, match="model of the sky"):
        made(clear, transposition="blue")


@pytest.mark.parametrize(
    "name,value", [("ghi_w_m2", math.nan), ("dni_w_m2", -5.0), ("dhi_w_m2", math.inf), ("temperature_degc", math.nan), ("wind_m_s", -1.0)]
)
def test_weather_that_cannot_be_used(clear, name, value):
    values = getattr(clear, name).copy()
    values[4000] = value
    with pytest.raises(CalculationFault, match=f"{name}.*first 4000"):
        made(dataclasses.replace(clear, **{name: values}))


@pytest.mark.filterwarnings("error")
@pytest.mark.parametrize("transposition", TRANSPOSITIONS)
def test_no_diffuse_sun_while_the_sun_is_up_is_no_fault(clear, transposition):
    values = clear.dhi_w_m2.copy()
    noon = (clear.hour == 12) & (clear.month == 6)
    values[noon] = 0
    power = made(dataclasses.replace(clear, dhi_w_m2=values), transposition=transposition)
    assert (power[noon] > 0.5).all()
