"""Draws the page's icons as PNG from its SVG, for home screens that take no SVG.

``python tests/bench/icons.py`` writes them into web/static/; run it after icon.svg has changed. A
maskable icon fills its square and keeps what counts within the middle four fifths (W3C, Web
Application Manifest, "icon masks and safe zone").
"""

from __future__ import annotations

from pathlib import Path

from playwright.sync_api import sync_playwright

STATIC = Path(__file__).resolve().parents[2] / "web" / "static"
CHROMIUM = "/usr/bin/chromium"
GROUND = "#171412"
"""Of the icon itself, so that the mask cuts nothing but its ground."""


def main() -> None:
    svg = (STATIC / "icon.svg").read_text(encoding="utf-8")
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        for name, size, share in (
            ("icon-192.png", 192, 1.0),
            ("icon-512.png", 512, 1.0),
            ("icon-maskable-512.png", 512, 0.8),
        ):
            page = browser.new_page(viewport={"width": size, "height": size})
            ground = GROUND if share < 1 else "transparent"
            page.set_content(
                f"<style>html, body {{ margin: 0; background: {ground} }}"
                f"body {{ display: grid; place-items: center; height: {size}px }}"
                f"svg {{ width: {share * size}px; height: {share * size}px }}</style>{svg}"
            )
            page.screenshot(path=STATIC / name, omit_background=True)
            page.close()
        browser.close()


if __name__ == "__main__":
    main()
