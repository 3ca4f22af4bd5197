"""What the view from bed asks of a browser, its colours, and what a home screen needs of it."""

from __future__ import annotations

import io
import json
import re
from importlib.resources import files

import esprima
import numpy as np
import pytest
from PIL import Image
from test_page_contrast import COLOURS as DAY
from test_page_contrast import contrast, luminance

from watcher.page import Door, create_app

STATIC = files("watcher.web") / "static"
SCRIPTS = (
    *("life", "siren", "night", "nights", "held", "awake", "words", "keep", "lost"),
    *("mishap", "times"),
    "night-worker",
)
CSS = (STATIC / "night.css").read_text(encoding="utf-8")
COLOURS = dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", CSS))

# Old tablets: esprima 4 reads ECMAScript 2017 and knows nothing that came after.


@pytest.mark.parametrize("name", SCRIPTS)
def test_scripts_are_read_by_a_parser_of_2017(name):
    esprima.parseModule((STATIC / f"{name}.js").read_text(encoding="utf-8"))


@pytest.mark.parametrize("text", ["a?.b", "a ?? b", "a ??= b", "try { a() } catch { b() }"])
def test_that_parser_refuses_what_is_newer(text):
    with pytest.raises(esprima.Error):
        esprima.parseModule(text)


def test_scripts_call_nothing_newer_either():
    newer = re.compile(
        r"AbortSignal\.timeout|structuredClone|replaceAll|\.at\(|\.flat|fromEntries|allSettled"
        r"|\.finally\(|toggleAttribute|queueMicrotask|ResizeObserver|import\("
    )
    for name in SCRIPTS:
        assert newer.findall((STATIC / f"{name}.js").read_text(encoding="utf-8")) == [], name


def test_every_script_of_the_view_is_among_them():
    imported = {
        found
        for name in SCRIPTS
        for found in re.findall(r'from "\./(\w+)\.js"', (STATIC / f"{name}.js").read_text("utf-8"))
    }
    assert imported <= set(SCRIPTS)


def test_the_sheet_uses_no_newer_layout():
    """Flex gaps and inset came in 2020 and 2021, aspect-ratio and the rest later."""
    newer = r"(?<![\w-])gap:|inset:|aspect-ratio:|:is\(|:where\(|:has\(|dvh|svh|color-mix|@layer"
    assert re.findall(newer, CSS) == []


# Colours: WCAG 2.2, as in test_page_contrast; most letters reach 7 to 1 (1.4.6)


@pytest.mark.parametrize("text", ["text", "lamp", "look"])
def test_letters_reach_the_enhanced_contrast(text):
    assert contrast(COLOURS[text], COLOURS["ground"]) >= 7


@pytest.mark.parametrize(
    ("text", "ground"),
    [
        (text, ground)
        for ground in ("ground", "raised", "stop-ground", "look-ground", "fine-ground")
        for text in ("text", "stop", "look", "fine", "lamp", "soft")
    ],
)
def test_text_is_readable(text, ground):
    assert contrast(COLOURS[text], COLOURS[ground]) >= 4.5


def test_buttons_are_readable():
    pairs = re.findall(r"color: (#[0-9a-f]{6}); background: (#[0-9a-f]{6})", CSS)
    assert len(pairs) >= 1
    assert min(contrast(text, ground) for text, ground in pairs) >= 4.5
    assert contrast("#ffe3d6", "#8f2410") >= 4.5, "the words on the filling button"
    assert "#ffe3d6" in CSS
    assert "#8f2410" in CSS


def test_it_is_darker_than_the_rest_and_nearly_without_blue():
    for name, colour in COLOURS.items():
        red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
        assert red >= green >= blue, name
        assert blue <= 0x78, name
        assert luminance(colour) <= luminance(DAY[name]) + 0.001, name


# On a home screen: W3C, Web Application Manifest


@pytest.fixture
def manifest(tmp_path):
    client = create_app(tmp_path).test_client()
    answer = client.get("/static/watcher.webmanifest")
    assert answer.mimetype == "application/manifest+json"
    return client, json.loads(answer.get_data(as_text=True))


def test_the_manifest_leads_to_the_night(manifest):
    client, told = manifest
    assert told["display"] == "standalone"
    assert told["start_url"] == "../night"
    assert client.get("/night").status_code == 200
    assert told["background_color"] == told["theme_color"] == COLOURS["ground"]
    page = client.get("/night")
    assert '<link rel="manifest" href="/static/watcher.webmanifest">' in page.get_data(as_text=True)
    assert "manifest-src 'self'" in page.headers["Content-Security-Policy"]


def test_its_icons_are_there_in_the_sizes_it_says(manifest):
    client, told = manifest
    drawn = {}
    for icon in told["icons"]:
        answer = client.get(f"/static/{icon['src']}")
        assert answer.status_code == 200
        assert answer.mimetype == icon["type"]
        if icon["type"] == "image/png":
            image = Image.open(io.BytesIO(answer.data))
            assert icon["sizes"] == f"{image.width}x{image.height}"
            drawn[icon["sizes"], icon["purpose"]] = image
    assert {("192x192", "any"), ("512x512", "any"), ("512x512", "maskable")} <= set(drawn)


def test_a_mask_cuts_nothing_but_ground(manifest):
    """What counts lies within a circle of two fifths of the icon's width: the safe zone."""
    client, _ = manifest
    data = client.get("/static/icon-maskable-512.png").data
    pixels = np.asarray(Image.open(io.BytesIO(data)).convert("RGB")).astype(int)
    differs = np.abs(pixels - pixels[0, 0]).sum(axis=2) > 24
    y, x = np.nonzero(differs)
    assert len(x) > 2000
    assert np.hypot(x - 255.5, y - 255.5).max() <= 0.4 * 512


def test_before_signing_in_the_manifest_can_be_had_but_not_the_night(tmp_path):
    door = Door(passphrase="a hash that nothing matches")
    client = create_app(tmp_path, door=door).test_client()
    assert client.get("/static/watcher.webmanifest").status_code == 200
    assert client.get("/night").status_code == 302
    assert client.get("/api/night").status_code == 401
