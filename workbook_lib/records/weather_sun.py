"""Whether the sun of a weather file shines where the sun can stand: a check of its clock, its stamps and its place."""

from __future__ import annotations

import numpy as np

from workbook_lib.records.weather_values import slots

LIT_W_M2 = 20.0
"""Irradiance [W/m^2] that no twilight gives with the sun as low as `DARK_DEG`."""
DARK_DEG = -2.0
"""Height of the sun [deg] below which an interval is dark: refraction, the sun's disc and the formulas' error are less."""


def lit_in_the_dark(weather) -> int | None:
    """Intervals with sun though it stays below the horizon from their beginning to their end.

    Parameters: Weather. Returns: [count]; None where the file states no place. Source: Spencer 1971 for declination and
    equation of time, as in pvlib.
    """
    if weather.latitude_deg is None or weather.longitude_deg is None:
        return None
    from pvlib import solarposition

    day = slots(weather.month, weather.day, weather.hour, leap=False) // 86400 + 1
    tilt = solarposition.declination_spencer71(day)
    early_min = solarposition.equation_of_time_spencer71(day)
    latitude = np.radians(weather.latitude_deg)
    highest = np.full(len(weather), -90.0)
    for part in (0.0, 0.5, 1.0):
        clock_h = weather.hour + part * weather.length_s / 3600
        angle = np.radians(15 * (clock_h - 12 - weather.standard_s / 3600) + weather.longitude_deg + early_min / 4)
        sine = np.sin(latitude) * np.sin(tilt) + np.cos(latitude) * np.cos(tilt) * np.cos(angle)
        highest = np.maximum(highest, np.degrees(np.arcsin(np.clip(sine, -1, 1))))
    return int(((weather.ghi_w_m2 > LIT_W_M2) & (highest < DARK_DEG)).sum())
