"""A small writer of Green Button feeds with known truth, for tests."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

ATOM, ESPI = "http://www.w3.org/2005/Atom", "http://naesb.org/espi"
HOUR = [(1_735_689_600 + 3600 * place, 500 + place) for place in range(48)]
"""Two days of hours in January 2025: start [s UTC] and value."""


def entry(kind: str, inner: str, links: Sequence[tuple[str, str]] = ()) -> str:
    """One entry of a feed."""
    joined = "".join(f'<link rel="{rel}" href="{href}"/>' for rel, href in links)
    return f'<entry>{joined}<content><{kind} xmlns="{ESPI}">{inner}</{kind}></content></entry>'


def reading(start: int, value: object, duration: int | None = 3600, quality: int | None = None, extra: str = "") -> str:
    """One interval reading."""
    code = "" if quality is None else f"<ReadingQuality><quality>{quality}</quality></ReadingQuality>"
    lasts = "" if duration is None else f"<duration>{duration}</duration>"
    return f"<IntervalReading>{extra}{code}<timePeriod>{lasts}<start>{start}</start></timePeriod><value>{value}</value></IntervalReading>"


@dataclass
class Channel:
    """One meter reading of a usage point: codes of its reading type, and its readings as pairs of start and value."""

    readings: Iterable[tuple[int, object]]
    point: str = "01"
    meter: str = "01"
    codes: dict[str, int] = field(default_factory=dict)
    duration: int | None = 3600
    service: int | None = 0
    quality: int | None = None
    blocks: int = 1

    def entries(self) -> list[str]:
        """Entries of the meter reading, its reading type and its blocks."""
        base, typed = f"UsagePoint/{self.point}/MeterReading/{self.meter}", f"ReadingType/{self.point}{self.meter}"
        codes = {"accumulationBehaviour": 4, "commodity": 1, "flowDirection": 1, "intervalLength": self.duration, "uom": 72, **self.codes}
        inner = "".join(f"<{name}>{code}</{name}>" for name, code in codes.items() if code is not None)
        found = [
            entry(
                "MeterReading",
                "",
                [("self", base), ("up", base.rpartition("/")[0]), ("related", f"{base}/IntervalBlock"), ("related", typed)],
            ),
            entry("ReadingType", inner, [("self", typed), ("up", "ReadingType")]),
        ]
        rows = list(self.readings)
        size = max(1, -(-len(rows) // self.blocks))
        for number in range(0, len(rows), size):
            body = "".join(reading(start, value, self.duration, self.quality) for start, value in rows[number : number + size])
            links = [("self", f"{base}/IntervalBlock/{number}"), ("up", f"{base}/IntervalBlock")]
            found.append(entry("IntervalBlock", body, links))
        return found


def point(name: str = "01", service: int | None = 0, clock: bool = True) -> str:
    """Entry of a usage point."""
    kind = "" if service is None else f"<ServiceCategory><kind>{service}</kind></ServiceCategory>"
    links = [("self", f"UsagePoint/{name}"), ("related", f"UsagePoint/{name}/MeterReading")]
    return entry("UsagePoint", kind, [*links, ("related", "LocalTimeParameters/1")] if clock else links)


def clock(standard: int = -25200, start: str = "360E2000", end: str = "B40E2000") -> str:
    """Entry of local time parameters."""
    inner = f"<dstEndRule>{end}</dstEndRule><dstOffset>3600</dstOffset><dstStartRule>{start}</dstStartRule><tzOffset>{standard}</tzOffset>"
    return entry("LocalTimeParameters", inner, [("self", "LocalTimeParameters/1")])


def feed(entries: Iterable[str]) -> str:
    """A feed without the declaration of XML."""
    return f'<feed xmlns="{ATOM}"><title>invented</title>' + "\n".join(entries) + "</feed>"


def document(*feeds: str) -> bytes:
    """A file of one feed, or of several in one element."""
    body = feeds[0] if len(feeds) == 1 else "<batch>" + "\n".join(feeds) + "</batch>"
    return f'<?xml version="1.0" encoding="UTF-8"?>\n{body}\n'.encode()


def simple(*channels: Channel, extra: Iterable[str] = ()) -> bytes:
    """A file with the usage points of some channels and their readings."""
    points = [
        point(name, next(one.service for one in channels if one.point == name)) for name in dict.fromkeys(one.point for one in channels)
    ]
    return document(feed([*points, clock(), *(part for one in channels for part in one.entries()), *extra]))
