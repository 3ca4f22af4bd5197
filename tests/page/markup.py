"""Whether a page's HTML keeps to the standard."""

from __future__ import annotations

import html5lib


def badly_formed(html: str) -> list[str]:
    """What the HTML standard's own parsing rules find wrong, as html5lib counts it, a line each."""
    parser = html5lib.HTMLParser(strict=False)
    parser.parse(html)
    return [f"{place}: {code} {detail}" for place, code, detail in parser.errors]
