"""Colours of the page against the contrast that WCAG 2.2 asks for.

Source: W3C, Web Content Accessibility Guidelines 2.2, success criteria 1.4.3 (text 4.5 to 1) and
1.4.11 (parts of controls and graphics 3 to 1), with its definitions of relative luminance and
contrast ratio.
"""

from __future__ import annotations

import re
from importlib.resources import files

import pytest

CSS = (files("watcher.web") / "static" / "page.css").read_text(encoding="utf-8")
STRIP = (files("watcher.web") / "static" / "strip.js").read_text(encoding="utf-8")
COLOURS = dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", CSS))


def luminance(colour: str) -> float:
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    light, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (light + 0.05) / (dark + 0.05)


def test_the_formula_gives_the_known_ratios():
    # The extremes follow from the definition; #767676 on white is the usual example of the
    # lightest grey that passes 4.5 (from memory).
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#ffffff", "#ffffff") == pytest.approx(1)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.01)


@pytest.mark.parametrize(
    ("text", "ground"),
    [
        (text, ground)
        for ground in ("ground", "raised")
        for text in ("text", "soft", "lamp", "stop", "look", "fine")
    ]
    + [
        (text, f"{level}-ground")
        for level in ("stop", "look", "fine")
        for text in (level, "text", "soft")
    ],
)
def test_text_is_readable(text, ground):
    assert contrast(COLOURS[text], COLOURS[ground]) >= 4.5


def test_curves_stand_out_from_the_strip():
    curves = re.findall(r'colour: "(#[0-9a-f]{6})"', STRIP)
    assert len(set(curves)) == 6
    assert min(contrast(c, COLOURS["raised"]) for c in curves) >= 3


def test_the_page_is_near_black():
    assert luminance(COLOURS["ground"]) < 0.005
    assert luminance(COLOURS["raised"]) < 0.01
