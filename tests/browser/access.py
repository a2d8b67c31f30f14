"""What axe finds in a live form, and what of it is wider than its place."""

from __future__ import annotations

import json
from importlib.resources import files

import axe_core_python

from tests.browser.lab import SEEN, Hands

AXE = files(axe_core_python).joinpath("axe.min.js").read_text(encoding="utf-8")
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
AXE_S = 240
"""How long axe may look at ten thousand parts: half a minute on a machine of its own."""
GRAVE = ("serious", "critical")
RUN_AXE = f"""(off => axe.run(
  {{include: [...document.querySelectorAll('.wb-live, .jp-OutputArea-output .wb')].filter({SEEN})}},
  {{runOnly: {{type: 'tag', values: {json.dumps(TAGS)}}}, rules: off, resultTypes: ['violations'],
    elementRef: false, selectors: false, iframes: false}})
  .then(found => ({{ran: [...new Set(['passes', 'violations', 'incomplete'].flatMap(kind => found[kind].map(one => one.id)))],
    faults: found.violations.map(one => [one.id, one.impact, one.nodes.slice(0, 3).map(node => node.html.slice(0, 160))])}})))"""
"""Which rules found something to look at, and what they found wrong. Called with the rules that are left out."""
CONTRAST = "color-contrast"
TOO_WIDE = """[...document.querySelectorAll('.wb-live, .wb-live *')].filter(one => one.checkVisibility() && one.closest('svg') === null)
  .filter(one => one.scrollWidth > one.clientWidth + 1 && ['auto', 'scroll'].includes(getComputedStyle(one).overflowX)
    || one.classList.contains('wb-live') && one.scrollWidth > one.clientWidth + 1)
  .map(one => [one.className, one.scrollWidth, one.clientWidth])"""
OUTSIDE = """(form => { const right = form.getBoundingClientRect().right
  return [...form.querySelectorAll('button, input, select, p, label, td, th')].filter(one => one.checkVisibility())
    .filter(one => one.getBoundingClientRect().right > right + 1).map(one => one.outerHTML.slice(0, 120)) })(
  [...document.querySelectorAll('.wb-live')].find(one => one.checkVisibility()))"""


def accessible(hands: Hands, least: int = 15, *, contrast: bool = True) -> None:
    """Look at everything of ours on the screen with axe: nothing serious, and not because nothing was looked at.

    Parameters: how many rules must have found something to look at; whether contrast is looked at, which takes two thirds of the time and
    does not change with the size of the window.
    """
    hands.chrome.ask(f"typeof axe === 'undefined' ? void ({json.dumps(AXE)}, (0, eval)({json.dumps(AXE)})) : null")
    off = {} if contrast else {CONTRAST: {"enabled": False}}
    found = hands.chrome.ask(f"{RUN_AXE}({json.dumps(off)})", AXE_S)
    assert [one for one in found["faults"] if one[1] in GRAVE] == []
    assert len(found["ran"]) > least, found["ran"]
    assert (CONTRAST in found["ran"]) == contrast
