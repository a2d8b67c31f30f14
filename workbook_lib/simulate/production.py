"""What arrays bring: AC power of each interval of a weather file, by pvlib, and powers brought onto other steps."""

from __future__ import annotations

import functools
import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from workbook_lib.errors import CalculationFault
from workbook_lib.records.weather import QUANTITIES, Weather

WHERE = "production of an array"
"""Where a fault of this module stands."""
TRANSPOSITIONS = ("isotropic", "haydavies", "perez")
"""Models of the sky above a slope, from the plainest on; `haydavies` unless another is asked for."""
MOUNTINGS = {
    "close-mount": (-2.98, -0.0471, 1.0),
    "open-rack": (-3.47, -0.0594, 3.0),
    "insulated-back": (-2.81, -0.0455, 0.0),
}
"""a [-], b [s/m] and kelvins between cell and back of the module at 1000 W/m^2, by mounting.

Source: King, Boyson and Kratochvil 2004 (SAND2004-3535). Close to a roof and on an open rack glass on glass (on an open rack
the hotter of the two kinds given), on an insulated back glass on polymer.
"""
DEFAULT_LOSS_FRAC = 0.140756607
"""Losses of direct current where none are stated: soiling 2, shading 3, mismatch 2, wiring 2, connections 0.5, first light 1.5,
nameplate 1, availability 3 %, multiplied and not added. Source: PVWatts v5, NREL/TP-6A20-62641, 2014."""
SHADING_LOSS_FRAC = 0.03
"""Shading in the losses above. Source: as there."""
DEFAULT_PER_DEGC_FRAC = 0.0047
"""Power lost a kelvin by a standard module. Source: PVWatts v5, NREL/TP-6A20-62641, 2014, from memory."""
DEFAULT_EFFICIENCY = 0.96
"""Nominal efficiency of an inverter. Source: PVWatts v5, NREL/TP-6A20-62641, 2014."""
ALBEDO_FRAC = 0.2
"""Part of the sun that the ground reflects, no snow. Source: PVWatts v5, NREL/TP-6A20-62641, 2014, from memory; pvlib alone
would take 0.25."""
PLAIN_YEAR, LEAP_YEAR = 2001, 2004
"""Calendar years that a typical year is placed on, the second where it has 29 February. At the same date and time of another
year the sun stands at most a third of a degree from there."""
METHOD: tuple[tuple[str, str], ...] = (
    ("position of the sun at the middle of each interval", "NREL solar position algorithm (Reda and Andreas 2004), in pvlib"),
    ("irradiance on the slope", f"Hay and Davies 1980, in pvlib; reflection of the ground {ALBEDO_FRAC:g}, from memory of PVWatts v5"),
    ("reflection off the glass at slanting sun", "none taken off: it belongs to the stated losses"),
    ("temperature of the cells", "Sandia model (King, Boyson and Kratochvil 2004, SAND2004-3535) by mounting, in pvlib"),
    ("power of the modules", "PVWatts v5 (NREL/TP-6A20-62641, 2014), in pvlib; no correction for weak light"),
    ("losses of direct current, then shading and snow by month", "parts left, multiplied (PVWatts v5)"),
    ("inverter, all its planes added before it", "efficiency curve of PVWatts v5, held at its rating, in pvlib"),
)
"""Steps of the chain and their sources, for the sheet."""


@dataclass(frozen=True)
class Plane:
    """Modules of one tilt and azimuth.

    `dc_kw` rated power [kW]; `tilt_deg` from the horizontal; `azimuth_deg` clockwise from true north; `loss_frac` of direct
    current; `per_degc_frac` of the rated power lost a kelvin above 25 degC, positive; `mounting` of `MOUNTINGS`;
    `monthly_frac` part left by shading and snow, January first.
    """

    dc_kw: float
    tilt_deg: float
    azimuth_deg: float
    loss_frac: float
    per_degc_frac: float
    mounting: str
    monthly_frac: tuple[float, ...] = (1.0,) * 12


@dataclass(frozen=True)
class Inverter:
    """Like units together: `ac_kw` rated output of all [kW], `efficiency` nominal [-]."""

    ac_kw: float
    efficiency: float


@dataclass(frozen=True, eq=False)
class _Sun:
    """Where the sun stands for each interval, arrays of shape (n,): angles [deg], irradiance above the air [W/m^2], air mass [-]."""

    zenith_deg: np.ndarray
    azimuth_deg: np.ndarray
    extra_w_m2: np.ndarray
    airmass: np.ndarray


def array_kw(
    weather: Weather,
    latitude_deg: float | None,
    longitude_deg: float | None,
    planes: Sequence[Plane],
    inverter: Inverter,
    *,
    transposition: str = "haydavies",
) -> np.ndarray:
    """AC power of the planes of one inverter, average of each interval of the weather.

    The sun stands where it is at the middle of the interval; a typical year is placed on a calendar year for that. Nothing is
    taken off for reflection at slanting sun (no incidence-angle modifier: 1 to 2 % of a year on a southern slope); temperature
    and wind are taken as the file has them.
    Parameters: weather, place [deg north, deg east], planes, inverter, model of the sky. Returns: shape (n,) [kW], 0 at night,
    never above the rating. Errors: CalculationFault where the place or a plane is missing, a value is out of range, the weather
    has a value that is no number or irradiance below zero. Source: `METHOD`.
    """
    from pvlib import inverter as curve

    _place(latitude_deg, longitude_deg, transposition)
    _array(planes, inverter)
    _whole(weather)
    sun = _sun(weather, float(latitude_deg), float(longitude_deg))
    direct = np.zeros(len(weather))
    for plane in planes:
        direct += _direct_kw(weather, sun, plane, transposition)
    made = curve.pvwatts(direct, inverter.ac_kw / inverter.efficiency, inverter.efficiency)
    if not np.isfinite(made).all():
        count = int((~np.isfinite(made)).sum())
        raise CalculationFault("no power can be computed from the weather", value=f"{count} intervals", where=weather.file)
    return np.minimum(made, inverter.ac_kw)


def slope_w_m2(
    weather: Weather,
    latitude_deg: float | None,
    longitude_deg: float | None,
    tilt_deg: float,
    azimuth_deg: float,
    *,
    transposition: str = "haydavies",
) -> np.ndarray:
    """Irradiance on a slope, average of each interval of the weather.

    Parameters: weather, place [deg north, deg east], tilt from the horizontal and azimuth clockwise from north [deg], model of
    the sky. Returns: shape (n,) [W/m^2]. Errors: CalculationFault as `array_kw`. Source: `METHOD`.
    """
    _place(latitude_deg, longitude_deg, transposition)
    _facing(tilt_deg, azimuth_deg)
    _whole(weather)
    return _slope(weather, _sun(weather, float(latitude_deg), float(longitude_deg)), tilt_deg, azimuth_deg, transposition)


def cell_degc(slope_w_m2: np.ndarray, air_degc: np.ndarray, wind_m_s: np.ndarray, mounting: str) -> np.ndarray:
    """Temperature of the cells.

    Parameters: irradiance on the slope [W/m^2], air [degC], wind 10 m above the ground [m/s], mounting of `MOUNTINGS`.
    Returns: [degC]. Errors: CalculationFault for an unknown mounting. Source: King, Boyson and Kratochvil 2004 (SAND2004-3535), in pvlib.
    """
    from pvlib import temperature

    if mounting not in MOUNTINGS:
        raise CalculationFault("unknown mounting", value=mounting, limit=", ".join(MOUNTINGS), where=WHERE)
    a, b, apart = MOUNTINGS[mounting]
    return temperature.sapm_cell(slope_w_m2, air_degc, wind_m_s, a, b, apart)


def onto(values: np.ndarray, length_s: int, step_s: int) -> np.ndarray:
    """Averages of intervals brought onto steps of another length; the energy stays.

    Coarser intervals that hold a whole number of steps are repeated, finer ones of which a step holds a whole number are
    averaged, others are cut where the steps end. Parameters: values shape (n,), length_s of their intervals [s], step_s [s].
    Returns: shape (n * length_s / step_s,), same unit as values. Errors: CalculationFault where the intervals do not make a
    whole number of steps. Source: arithmetic.
    """
    values = np.asarray(values, dtype=np.float64)
    whole = len(values) * length_s
    if length_s <= 0 or step_s <= 0 or whole % step_s:
        what = f"{len(values)} intervals of {length_s} s do not make a whole number of steps"
        raise CalculationFault(what, value=f"{step_s} s", todo="take steps that divide the time covered")
    if length_s % step_s == 0:
        return np.repeat(values, length_s // step_s)
    if step_s % length_s == 0:
        return values.reshape(-1, step_s // length_s).mean(axis=1)
    sums = np.concatenate(([0.0], np.cumsum(values * length_s)))
    ends = np.arange(0, whole + 1, step_s)
    return np.diff(np.interp(ends, np.arange(len(sums)) * length_s, sums)) / step_s


# the chain


@functools.lru_cache(maxsize=8)
def _sun(weather: Weather, latitude_deg: float, longitude_deg: float) -> _Sun:
    """The sun at the middle of every interval, computed once for all planes."""
    import pandas as pd
    from pvlib import atmosphere, irradiance, solarposition

    if weather.typical:
        leap = bool(((weather.month == 2) & (weather.day == 29)).any())
        middle = weather.middle_on_year(LEAP_YEAR if leap else PLAIN_YEAR)
    else:
        middle = weather.middle
    times = pd.DatetimeIndex(pd.to_datetime(middle, unit="s", utc=True))
    height_m = 0.0 if weather.elevation_m is None else weather.elevation_m
    found = solarposition.get_solarposition(times, latitude_deg, longitude_deg, altitude=height_m)
    zenith = found["apparent_zenith"].to_numpy()
    extra = np.asarray(irradiance.get_extra_radiation(times.day_of_year.to_numpy()), dtype=np.float64)
    sun = _Sun(zenith, found["azimuth"].to_numpy(), extra, np.asarray(atmosphere.get_relative_airmass(zenith)))
    for array in vars(sun).values():
        array.setflags(write=False)
    return sun


def _slope(weather: Weather, sun: _Sun, tilt_deg: float, azimuth_deg: float, transposition: str) -> np.ndarray:
    """Irradiance on a slope [W/m^2]: direct, from the sky, from the ground."""
    from pvlib import irradiance

    with np.errstate(divide="ignore", invalid="ignore"):
        sky = irradiance.get_sky_diffuse(
            tilt_deg, azimuth_deg, sun.zenith_deg, sun.azimuth_deg, weather.dni_w_m2, weather.ghi_w_m2, weather.dhi_w_m2,
            dni_extra=sun.extra_w_m2, airmass=sun.airmass, model=transposition,
        )  # fmt: skip
    sky = np.where(np.isnan(sky) & ((sun.zenith_deg >= 90.0) | (weather.dhi_w_m2 == 0.0)), 0.0, sky)
    ground = irradiance.get_ground_diffuse(tilt_deg, weather.ghi_w_m2, ALBEDO_FRAC)
    incidence = irradiance.aoi(tilt_deg, azimuth_deg, sun.zenith_deg, sun.azimuth_deg)
    return irradiance.poa_components(incidence, weather.dni_w_m2, sky, ground)["poa_global"]


def _direct_kw(weather: Weather, sun: _Sun, plane: Plane, transposition: str) -> np.ndarray:
    """Direct current of one plane after its losses [kW]."""
    from pvlib import pvsystem

    slope = _slope(weather, sun, plane.tilt_deg, plane.azimuth_deg, transposition)
    cells = cell_degc(slope, weather.temperature_degc, weather.wind_m_s, plane.mounting)
    power = pvsystem.pvwatts_dc(slope, cells, plane.dc_kw, -plane.per_degc_frac)
    left = np.asarray(plane.monthly_frac, dtype=np.float64)[weather.month - 1]
    return np.maximum(power, 0.0) * (1.0 - plane.loss_frac) * left


# what is refused


def _place(latitude_deg: float | None, longitude_deg: float | None, transposition: str) -> None:
    """Errors: CalculationFault where the place is missing or none on Earth, or the model of the sky is unknown."""
    if latitude_deg is None or longitude_deg is None:
        raise CalculationFault("the place of the array is missing", where=WHERE, todo="give latitude and longitude")
    _within("latitude", latitude_deg, -90.0, 90.0)
    _within("longitude", longitude_deg, -180.0, 180.0)
    if transposition not in TRANSPOSITIONS:
        raise CalculationFault("unknown model of the sky", value=transposition, limit=", ".join(TRANSPOSITIONS), where=WHERE)


def _facing(tilt_deg: float, azimuth_deg: float) -> None:
    _within("tilt [deg]", tilt_deg, 0.0, 90.0)
    _within("azimuth [deg]", azimuth_deg, 0.0, 360.0)


def _array(planes: Sequence[Plane], inverter: Inverter) -> None:
    """Errors: CalculationFault for the first value of an array that is missing or out of range."""
    if not planes:
        raise CalculationFault("an array without planes", where=WHERE, todo="give its modules, their tilt and azimuth")
    _within("AC rating [kW]", inverter.ac_kw, 0.0, math.inf, above=True)
    _within("efficiency of the inverter", inverter.efficiency, 0.0, 1.0, above=True)
    for plane in planes:
        _facing(plane.tilt_deg, plane.azimuth_deg)
        _within("power of the modules [kW]", plane.dc_kw, 0.0, math.inf, above=True)
        _within("losses of the array", plane.loss_frac, 0.0, 1.0)
        _within("power lost a kelvin", plane.per_degc_frac, 0.0, 0.02)
        if len(plane.monthly_frac) != 12:
            raise CalculationFault("monthly parts of a plane", value=len(plane.monthly_frac), limit="12", where=WHERE)
        for part in plane.monthly_frac:
            _within("part left in a month", part, 0.0, 1.0)


def _within(what: str, value: float, least: float, most: float, *, above: bool = False) -> None:
    if not (math.isfinite(value) and least <= value <= most) or (above and value == least):
        limit = f"{'above' if above else 'from'} {least:g}" + (f" to {most:g}" if math.isfinite(most) else "")
        raise CalculationFault(f"{what} out of range", value=value, limit=limit, where=WHERE)


def _whole(weather: Weather) -> None:
    """Errors: CalculationFault for a value that is no number, or irradiance or wind below zero."""
    for name in QUANTITIES:
        values = getattr(weather, name)
        bad = ~np.isfinite(values) if name == "temperature_degc" else ~(np.isfinite(values) & (values >= 0.0))
        if bad.any():
            found = f"{int(bad.sum())} intervals, first {int(np.argmax(bad))}"
            raise CalculationFault(f"{name} of the weather is no usable number", value=found, where=weather.file)
