"""Sun, slope, cells and PVWatts as pvlib is called here, held to published cases.

The solar position algorithm's worked case (Reda and Andreas, NREL/TP-560-34302), irradiance on slopes, Sandia cell temperature,
the PVWatts v5 method (NREL/TP-6A20-62641), and examples of Duffie, Beckman and Blair, Solar Engineering of Thermal Processes,
Photovoltaics and Wind (2020). Numbers of the first four as asserted by pvlib's own tests.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest
from pvlib import atmosphere, inverter, irradiance, pvsystem, solarposition, spa

from workbook_lib.records.weather import Weather
from workbook_lib.simulate import production

LATITUDE, LONGITUDE, HEIGHT_M = 39.742476, -105.1786, 1830.14
WORKED = pd.DatetimeIndex(["2003-10-17 12:30:30"], tz="Etc/GMT+7")
"""Place and time of the worked case of the solar position algorithm."""


# position: Reda and Andreas, worked case; 820 mbar, 11 degC, 67 s, refraction 0.5667 deg


def steps_of_the_position() -> dict[str, float]:
    """Every step of the worked case as pvlib computes it."""
    jd = spa.julian_day(WORKED.as_unit("ns").asi8 / 1e9)[0]
    jc, jde = spa.julian_century(jd), spa.julian_ephemeris_day(jd, 67.0)
    jce = spa.julian_ephemeris_century(jde)
    jme = spa.julian_ephemeris_millennium(jce)
    found = {"julian day": jd, "ephemeris day": jde}
    found["century"] = spa.julian_century(2452930.312847)  # these three from the printed day
    found["ephemeris century"] = spa.julian_ephemeris_century(spa.julian_ephemeris_day(2452930.312847, 67.0))
    found["ephemeris millennium"] = spa.julian_ephemeris_millennium(found["ephemeris century"])
    found["L"] = spa.heliocentric_longitude(jme)
    found["B"] = spa.heliocentric_latitude(jme)
    found["R"] = spa.heliocentric_radius_vector(jme)
    found["theta"] = spa.geocentric_longitude(found["L"])
    parts = (
        spa.mean_elongation,
        spa.mean_anomaly_sun,
        spa.mean_anomaly_moon,
        spa.moon_argument_latitude,
        spa.moon_ascending_longitude,
    )
    arguments = [part(jce) for part in parts]
    found |= {f"X{index}": value for index, value in enumerate(arguments)}
    nutation = np.empty((2, 1))
    spa.longitude_obliquity_nutation(np.array([jce]), *(np.array([one]) for one in arguments), nutation)
    found["nutation in longitude"], found["nutation in obliquity"] = nutation[:, 0]
    found["mean obliquity"] = spa.mean_ecliptic_obliquity(jme)
    found["obliquity"] = spa.true_ecliptic_obliquity(found["mean obliquity"], found["nutation in obliquity"])
    found["aberration"] = spa.aberration_correction(found["R"])
    found["lambda"] = spa.apparent_sun_longitude(found["theta"], found["nutation in longitude"], found["aberration"])
    found["mean sidereal"] = spa.mean_sidereal_time(jd, jc)
    found["sidereal"] = spa.apparent_sidereal_time(found["mean sidereal"], found["nutation in longitude"], found["obliquity"])
    beta = spa.geocentric_latitude(found["B"])
    found["alpha"] = spa.geocentric_sun_right_ascension(found["lambda"], found["obliquity"], beta)
    found["delta"] = spa.geocentric_sun_declination(found["lambda"], found["obliquity"], beta)
    found["H"] = spa.local_hour_angle(found["sidereal"], LONGITUDE, found["alpha"])
    found["parallax"] = spa.equatorial_horizontal_parallax(found["R"])
    return found


PRINTED = {
    "julian day": (2452930.312847, 1e-6),
    "century": (0.0379277986858, 1e-12),
    "ephemeris day": (2452930.313623, 1e-6),
    "ephemeris century": (0.037927819916852, 1e-14),
    "ephemeris millennium": (0.003792781991685, 1e-14),
    "L": (24.0182616917, 1e-10),
    "B": (-0.0001011219, 1e-10),
    "R": (0.9965422974, 1e-10),
    "theta": (204.0182616917, 1e-10),
    "X0": (17185.861179, 1e-6),
    "X1": (1722.893218, 1e-6),
    "X2": (18234.075703, 1e-6),
    "X3": (18420.071012, 1e-6),
    "X4": (51.686951, 1e-6),
    "nutation in longitude": (-0.00399840, 1e-8),
    "nutation in obliquity": (0.00166657, 1e-8),
    "mean obliquity": (84379.672625, 1e-6),
    "obliquity": (23.440465, 1e-6),
    "aberration": (-0.005711, 1e-6),
    "lambda": (204.0085519281, 1e-10),
    "mean sidereal": (318.515579, 1e-6),
    "sidereal": (318.511910, 1e-6),
    "alpha": (202.227408, 1e-6),
    "delta": (-9.31434, 1e-5),
    "H": (11.10590, 2e-5),
    "parallax": (0.002451, 1e-6),
}


@pytest.mark.parametrize("step", PRINTED)
def test_each_step_of_the_worked_position(step):
    printed, last = PRINTED[step]
    assert steps_of_the_position()[step] == pytest.approx(printed, abs=last)


def test_the_worked_position_and_the_same_clock_a_day_later():
    times = WORKED.append(WORKED + pd.Timedelta(days=1))
    found = solarposition.spa_python(
        times, LATITUDE, LONGITUDE, altitude=HEIGHT_M, pressure=82000, temperature=11, delta_t=67.0, atmos_refract=0.5667
    )
    first, second = found.iloc[0], found.iloc[1]
    assert first["elevation"] == pytest.approx(39.872046, abs=1e-6)
    assert first["apparent_elevation"] == pytest.approx(39.888378, abs=1e-6)
    assert first["apparent_zenith"] == pytest.approx(50.11162, abs=5e-6)
    assert first["azimuth"] == pytest.approx(194.340241, abs=1e-6)
    assert first["equation_of_time"] == pytest.approx(14.64, abs=0.005)
    assert second["apparent_zenith"] == pytest.approx(50.478260, abs=1e-5)
    assert second["azimuth"] == pytest.approx(194.311132, abs=5e-5)
    slope = irradiance.aoi(30, 170, first["apparent_zenith"], first["azimuth"])
    assert slope == pytest.approx(25.187, abs=5e-5)  # print from memory


def interval(begin: str, *, length_s: int = 3600, typical: bool = False) -> Weather:
    """One bright interval at the place of the worked case, its beginning by the clock there."""
    at = pd.Timestamp(begin)
    hour = at.hour + at.minute / 60 + at.second / 3600
    return Weather(
        *(np.array([one]) for one in (700.0, 800.0, 100.0, 11.0, 2.0, at.month, at.day, hour)),
        length_s=length_s, standard_s=-7 * 3600, typical=typical, years=(at.year,),
        begin=None if typical else np.array([int(at.timestamp()) + 7 * 3600]), elevation_m=HEIGHT_M,
    )  # fmt: skip


def test_the_sun_of_weather_stands_where_the_worked_case_has_it_at_the_middle_of_the_interval():
    """The air pressure follows from the height here and is printed there: a thousandth of a degree is left for that."""
    sun = production._sun(interval("2003-10-17 12:00:30"), LATITUDE, LONGITUDE)
    assert sun.zenith_deg[0] == pytest.approx(50.11162, abs=1e-3)
    assert sun.azimuth_deg[0] == pytest.approx(194.340241, abs=1e-3)
    later = production._sun(interval("2003-10-17 12:30:30"), LATITUDE, LONGITUDE)
    assert abs(later.azimuth_deg[0] - 194.340241) > 5


def test_a_typical_year_has_the_sun_of_its_calendar_place():
    sun = production._sun(interval("2003-10-17 12:00:30", typical=True), LATITUDE, LONGITUDE)
    assert sun.zenith_deg[0] == pytest.approx(50.11162, abs=1 / 3)
    assert production._sun(interval("2004-02-29 12:00:00", typical=True), LATITUDE, LONGITUDE).zenith_deg[0] < 60


def test_rise_transit_and_set():
    """Golden, Colorado, as pvlib's tests have them from the NREL calculator."""
    days = pd.DatetimeIndex(["2015-01-02", "2015-08-02"]).tz_localize("Etc/GMT+7")
    found = solarposition.sun_rise_set_transit_spa(days, LATITUDE, LONGITUDE, delta_t=64.0)
    printed = {"sunrise": ("07:21:55", "05:00:27"), "transit": ("12:04:45", "12:06:58"), "sunset": ("16:47:43", "19:13:58")}
    for name, clocks in printed.items():
        assert tuple(at.round("s").strftime("%H:%M:%S") for at in found[name]) == clocks
    assert solarposition.nrel_earthsun_distance(days, delta_t=64.0).to_numpy() == pytest.approx([0.983289204601, 1.01486146446])
    moment = pd.DatetimeIndex(["2015-01-02 07:21:55.2132"]).tz_localize("Etc/GMT+7")
    assert solarposition.hour_angle(moment, LONGITUDE, -3.935172)[0] == pytest.approx(-70.682338, abs=1e-6)


# slopes: the four rows of 24 June 2014 at 32.2 N, 111 W

GHI = np.array([0.0, 79.73860, 1042.48031, 257.20751])
DNI = np.array([0.0, 316.19491, 939.95470, 646.22886])
DHI = np.array([0.0, 40.46150, 118.45832, 62.03376])
ZENITH = np.array([124.039, 82.85457, 10.56414, 72.41687])
AZIMUTH = np.array([352.696, 66.71410, 144.76568, 287.04104])
EXTRA = np.full(4, 1321.16558)
FOUR = Weather(
    GHI, DNI, DHI, *np.full((2, 4), 10.0), np.full(4, 6), np.full(4, 24), np.arange(4) * 6.0, length_s=6 * 3600, standard_s=-7 * 3600,
    typical=True, years=(2014,),
)  # fmt: skip


def sky_of(transposition: str, tilt_deg: float = 40.0) -> np.ndarray:
    """What the chain takes from the sky for the four rows: the whole less direct and ground [W/m^2]."""
    airmass = atmosphere.get_relative_airmass(ZENITH)
    assert airmass[2] == pytest.approx(1.01688, abs=5e-6)
    sun = production._Sun(ZENITH, AZIMUTH, EXTRA, airmass)
    whole = production._slope(FOUR, sun, tilt_deg, 180.0, transposition)
    t, z, a = math.radians(tilt_deg), np.radians(ZENITH), np.radians(AZIMUTH - 180.0)
    direct = DNI * np.maximum(math.cos(t) * np.cos(z) + math.sin(t) * np.sin(z) * np.cos(a), 0.0)
    return whole - direct - GHI * production.ALBEDO_FRAC * (1 - math.cos(t)) / 2


def test_sky_on_a_slope():
    assert sky_of("isotropic") == pytest.approx([0, 35.728402, 104.601328, 54.777191], abs=5e-6)
    assert sky_of("haydavies") == pytest.approx([0, 27.1775, 102.9949, 33.1909], abs=1e-4)
    perez = sky_of("perez")
    assert perez[0] == 0
    assert perez[2] == pytest.approx(109.084332, abs=1e-3)
    assert irradiance.isotropic(40, 100.0) == pytest.approx(88.302222, abs=1e-6)


def test_ground_in_front_of_a_slope():
    assert irradiance.get_ground_diffuse(40, 900.0, 0.25) == pytest.approx(26.32, abs=1e-5)
    assert irradiance.get_ground_diffuse(45, 1000.0, 0.2) == pytest.approx(29.289, abs=5e-4)  # arithmetic


def test_sun_above_the_air_and_split_of_the_sun():
    assert irradiance.get_extra_radiation(300) == pytest.approx(1383.636203, abs=1e-6)
    cases = [(50, 85, 1, 41.57036, 0.405724), (1000, 10, 1, 217.86012, 0.718133), (1000, 10, 171, 170.79032, 0.768214)]
    for ghi, zenith, day, diffuse, clearness in cases:
        found = irradiance.erbs(ghi, zenith, day)
        assert float(found["dhi"]) == pytest.approx(diffuse, abs=1e-4)
        assert float(found["kt"]) == pytest.approx(clearness, abs=1e-6)


@pytest.mark.parametrize(
    "slope,sun,printed", [((90, 0), (30, 60), 75.5224878), ((90, 0), (30, 170), 119.4987042), ((30, 180), (30, 180), 0)]
)
def test_incidence(slope, sun, printed):
    assert irradiance.aoi(*slope, *sun) == pytest.approx(printed, abs=2e-6)


# cells, modules, inverter


def test_cell_temperature_by_our_mountings():
    """Open rack: King et al. 2004 as in pvlib's tests; the parameters of each mounting as printed there."""
    assert production.cell_degc(np.array([900.0]), 20.0, 5.0, "open-rack") == pytest.approx(43.509, abs=5e-4)
    assert production.cell_degc(np.array([900.0]), 20.0, 5.0, "open-rack") - 0.9 * 3 == pytest.approx(40.809, abs=5e-4)
    for name, (a, b, apart) in {"close-mount": (-2.98, -0.0471, 1), "insulated-back": (-2.81, -0.0455, 0)}.items():
        expected = 900 * math.exp(a + b * 5) + 20 + 0.9 * apart
        assert production.cell_degc(np.array([900.0]), 20.0, 5.0, name) == pytest.approx(expected)


def test_modules_by_pvwatts():
    assert pvsystem.pvwatts_dc(900, 30, 100, -0.003) == pytest.approx(88.65)


def test_losses_are_multiplied_and_not_added():
    losses = (2, 3, 0, 2, 2, 0.5, 1.5, 1, 0, 3)
    assert pytest.approx(14.0756607, abs=1e-7) == 100 * production.DEFAULT_LOSS_FRAC
    assert pvsystem.pvwatts_losses() == pytest.approx(14.0756607, abs=1e-7)
    assert 1 - math.prod(1 - one / 100 for one in losses) == pytest.approx(production.DEFAULT_LOSS_FRAC, abs=1e-9)
    assert pvsystem.pvwatts_losses(age=1) == pytest.approx(14.934904, abs=1e-6)
    assert sum(losses) == 15


@pytest.mark.parametrize("direct,rated,efficiency,printed", [(90, 100, 0.95, 85.585566), (50, 100, 0.95, 47.608436), (100, 100, 0.95, 95)])
def test_inverter_by_pvwatts(direct, rated, efficiency, printed):
    assert inverter.pvwatts(direct, rated, efficiency) == pytest.approx(printed, abs=1e-6)
    assert inverter.pvwatts(0.001, 1.0, efficiency) == 0


# Duffie, Beckman and Blair (2020): solar time, declination after Cooper, 1367 W/m^2, pages beside each


def position(latitude_deg: float, day: int, hour: float) -> tuple[float, float]:
    """Zenith and azimuth from north at an hour of solar time, by closed form [deg]."""
    delta = math.radians(23.45 * math.sin(math.radians(360 * (284 + day) / 365)))
    omega, phi = math.radians(15 * (hour - 12)), math.radians(latitude_deg)
    zenith = math.acos(math.cos(phi) * math.cos(delta) * math.cos(omega) + math.sin(phi) * math.sin(delta))
    side = (math.cos(zenith) * math.sin(phi) - math.sin(delta)) / (math.sin(zenith) * math.cos(phi))
    return math.degrees(zenith), 180 + math.copysign(math.degrees(math.acos(side)), omega)


def ratio(tilt_deg: float, azimuth_deg: float, zenith_deg: float, sun_deg: float) -> float:
    """Direct sun on a slope by that on the flat, by pvlib [-]."""
    return irradiance.aoi_projection(tilt_deg, azimuth_deg, zenith_deg, sun_deg) / math.cos(math.radians(zenith_deg))


@pytest.mark.parametrize(
    "latitude,day,hour,zenith,from_south",
    [(43, 44, 9.5, 66.50, -40.11), (43, 182, 18.5, 79.63, 112.04), (43, 75, 16, 70.33, 66.76)],
    ids=["1.6.2 (p. 17)", "1.6.2, summer", "1.6.3 (p. 19)"],
)
def test_position_by_closed_form(latitude, day, hour, zenith, from_south):
    closed = position(latitude, day, hour)
    assert closed == pytest.approx((zenith, 180 + from_south), abs=0.006)
    declination = solarposition.declination_cooper69(day)
    angles = math.radians(latitude), math.radians(15 * (hour - 12)), declination
    found = solarposition.solar_zenith_analytical(*angles)
    assert math.degrees(found) == pytest.approx(closed[0])
    assert math.degrees(solarposition.solar_azimuth_analytical(*angles, found)) % 360 == pytest.approx(closed[1])


def test_incidence_on_a_slope_by_closed_form():
    """Examples 1.6.1 (p. 15) and 1.8.1 (p. 24): slope 45 deg, 15 deg west of south, 13 February, 10:30."""
    sun = position(43, 44, 10.5)
    assert irradiance.aoi(45, 195, *sun) == pytest.approx(35.16, abs=0.005)
    assert ratio(45, 195, *sun) == pytest.approx(1.664, abs=5e-4)


@pytest.mark.parametrize("tilt,printed", [(30, 1.612), (50, 1.786)])
def test_ratio_of_direct_sun(tilt, printed):
    """Examples 1.8.2 and 1.8.3 (pp. 28, 29): 40 deg, 16 February, 9 to 10, southern slopes."""
    assert ratio(tilt, 180, *position(40, 47, 9.5)) == pytest.approx(printed, abs=5e-4)


def test_sun_of_a_day_and_of_an_hour_above_the_air():
    """Examples 1.10.1 and 1.10.2 (pp. 38, 41): 43 deg, 15 April [MJ/m^2]."""
    extra = irradiance.get_extra_radiation(105, 1367, method="asce")
    hours = (np.arange(24 * 60) + 0.5) / 60
    flat = np.array([extra * max(math.cos(math.radians(position(43, 105, hour)[0])), 0.0) for hour in hours]) * 60 / 1e6
    assert flat.sum() == pytest.approx(33.775, abs=1e-3)
    assert flat[600:660].sum() == pytest.approx(3.790, abs=1e-3)


def test_total_on_a_slope_by_hay_davies_klucher_reindl():
    """Example 2.16.1 (p. 94): 40 deg, 20 February, 9 to 10, slope 60 deg south, 1.04 MJ/m^2, ground 0.6 (inputs from memory)."""
    zenith, azimuth = position(40, 51, 9.5)
    extra = irradiance.get_extra_radiation(51, 1367, method="asce")
    begin, end = (math.radians(15 * (hour - 12)) for hour in (9, 10))
    phi, delta = math.radians(40), solarposition.declination_cooper69(51)
    mean = math.cos(phi) * math.cos(delta) * (math.sin(end) - math.sin(begin)) / (end - begin) + math.sin(phi) * math.sin(delta)
    ghi = 1.04e6 / 3600
    clear = ghi / (extra * mean)
    dhi = ghi * (0.9511 - 0.1604 * clear + 4.388 * clear**2 - 16.638 * clear**3 + 12.336 * clear**4)
    dni = (ghi - dhi) / math.cos(math.radians(zenith))
    assert dni / extra == pytest.approx(0.104, abs=5e-4)
    assert math.sqrt((ghi - dhi) / ghi) == pytest.approx(0.484, abs=5e-4)
    sky = irradiance.reindl(60, 180, dhi, dni, ghi, extra, zenith, azimuth)
    whole = sky + irradiance.get_ground_diffuse(60, ghi, 0.6) + dni * irradiance.aoi_projection(60, 180, zenith, azimuth)
    assert whole * 3600 / 1e6 == pytest.approx(1.283, abs=5e-4)
