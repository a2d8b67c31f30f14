"""What every drawing must be, whatever its figure: described, small, self-contained, in greys, no word outside or on another."""

from __future__ import annotations

import itertools
import re
import xml.etree.ElementTree as ElementTree

from workbook_lib.render import figures as drawings
from workbook_lib.sheet import Figure

SPACE = "{http://www.w3.org/2000/svg}"
WIDTH_PX = 360
LETTER = 8.6 * 0.56
"""Width of a wide letter."""


def words_of(text: str) -> str:
    """All words of a drawing in the order of the file."""
    return " ".join(element.text or "" for element in ElementTree.fromstring(text).iter(f"{SPACE}text"))


def boxes(text: str) -> list[tuple[str, float, float, float]]:
    """Each word's text, left end, right end by a wide letter, and height of its line."""
    found = []
    for element in ElementTree.fromstring(text).iter(f"{SPACE}text"):
        place = re.search(r"translate\(([-\d.]+)[ ,]+([-\d.]+)\)", element.get("transform") or "")
        x, y = (float(place[1]), float(place[2])) if place else (float(element.get("x")), float(element.get("y")))
        size = LETTER * max(map(len, (element.text or "").split("\n")))
        anchor = re.search(r"text-anchor: (\w+)", element.get("style") or "")
        left = x - {"middle": size / 2, "end": size}.get(anchor[1] if anchor else "start", 0)
        found.append((element.text, left, left + size, y))
    return found


def check_well_formed(figure: Figure, text: str, most_bytes: int) -> None:
    """Described by title and text, small, asking for nothing, without a number that is none."""
    root = ElementTree.fromstring(text)
    described = {element.get("id"): element.text for element in root if element.tag in (f"{SPACE}title", f"{SPACE}desc")}
    assert [described[name] for name in root.get("aria-labelledby").split()] == [figure.title, figure.description]
    assert not re.search(r"<script|<style|<metadata|<image|<a ", text)
    assert set(re.findall(r'(?:href|src)="([^"#])', text)) == set()
    assert root.get("role") == "img"
    assert "viewBox" in root.attrib
    assert "width" not in root.attrib
    assert len(text.encode()) < most_bytes
    assert not re.search(r"\b(?:nan|inf)\b", text.lower())


def check_same_bytes_in_greys(figure: Figure, text: str) -> None:
    """Drawn again it is the same, and no colour says anything."""
    assert drawings.svg(figure) == text
    for colour in {match.lower() for match in re.findall(r"#[0-9a-fA-F]{6}\b", text)}:
        channels = [int(colour[place : place + 2], 16) for place in (1, 3, 5)]
        assert max(channels) - min(channels) <= 16, f"{colour} is not a grey"


def check_words_inside(text: str) -> None:
    """No word stands outside the picture."""
    _, _, width, height = map(float, ElementTree.fromstring(text).get("viewBox").split())
    assert abs(width - WIDTH_PX) < 1e-3
    for words, left, right, y in boxes(text):
        assert left >= -2, words
        assert right <= width + 4, words
        assert 8 <= y <= height - 1, words


def check_words_apart(text: str) -> None:
    """No word stands on another."""
    for (words, left, right, y), (other, its_left, its_right, its_y) in itertools.combinations(boxes(text), 2):
        apart = abs(y - its_y) >= 8.5 or right <= its_left + 3 or its_right <= left + 3
        assert apart, f"{words!r} on {other!r}"
