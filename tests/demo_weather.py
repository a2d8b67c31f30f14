"""Maker of the invented typical year of the invented town: the file in example_inputs is proven to be these bytes.

Sun by the plain formulas of declination and hour angle, days of invented cloudiness, temperature by month and hour. Nothing is measured.
"""

from __future__ import annotations

import datetime
import math
import random
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
FILE = ROOT / "example_inputs" / "sites" / "records" / "tansy-hollow-weather.csv"
LATITUDE = math.radians(35.0)
MEAN_C = (2, 5, 9, 13, 18, 24, 26, 25, 21, 14, 7, 2)
"""Invented mean temperature of each month [degC]."""
CLEAR = (0.62, 0.64, 0.68, 0.72, 0.74, 0.78, 0.66, 0.68, 0.76, 0.78, 0.70, 0.60)
"""Invented chance that a day of the month is clear."""


def cosine(day: int, hour: float) -> float:
    """Cosine of the sun's zenith in the middle of an hour, by solar time."""
    tilt = math.radians(23.45) * math.sin(2 * math.pi * (284 + day) / 365)
    angle = math.radians(15 * (hour + 0.5 - 12))
    return math.sin(LATITUDE) * math.sin(tilt) + math.cos(LATITUDE) * math.cos(tilt) * math.cos(angle)


def year() -> str:
    """8,760 hours, stamped at their beginning, seven hours behind Greenwich all year."""
    dice = random.Random(31)
    rows = ["time,ghi (W/m2),dni (W/m2),dhi (W/m2),temperature (C),wind (m/s)"]
    left, cloud = 0, 0.0
    for day in range(365):
        date = datetime.date(2023, 1, 1) + datetime.timedelta(days=day)
        month = date.month - 1
        if left == 0:
            clear = dice.random() < CLEAR[month]
            cloud = 0.05 + 0.15 * dice.random() if clear else 0.45 + 0.5 * dice.random()
            left = 1 + int(3 * dice.random())
        left -= 1
        swing = 4 * (dice.random() - 0.5)
        for hour in range(24):
            up = cosine(day + 1, hour)
            beam = scattered = 0
            if up > 0.02:
                beam = round(1080 * math.exp(-0.14 / up) * max(0.0, 1 - 1.25 * cloud) * (0.95 + 0.1 * dice.random()))
                scattered = round((60 + 260 * cloud * (1 - 0.35 * cloud)) * up**0.7)
            total = round(beam * max(up, 0.0) + scattered)
            warm = MEAN_C[month] + swing + 7 * math.cos(2 * math.pi * (hour - 15) / 24) * (1 - 0.6 * cloud)
            rows.append(f"{date}T{hour:02d}:00-07:00,{total},{beam},{scattered},{warm:.1f},{1 + 3 * dice.random():.1f}")
    return "\n".join(rows) + "\n"


if __name__ == "__main__":
    FILE.write_text(year(), encoding="utf-8", newline="\n")
