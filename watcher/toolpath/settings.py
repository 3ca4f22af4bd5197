"""Settings that a program carries as comments, ``; key = value``, whoever wrote them."""

from __future__ import annotations

import re
from collections.abc import Iterable

MOST_KEYS = 5000
LONGEST_VALUE = 2000
# Blanks round the sign keep encoded pictures, which may hold and end in one, apart.
_LINE = re.compile(r"^[ \t]*;[ \t]*([^\W\d_][\w .,()/%\[\]-]{0,80}?)[ \t]+=[ \t](.*)$")
_OPEN_END = re.compile(r"^[ \t]*;[ \t]*([^\W\d_][\w .,()/%\[\]-]{0,80}?)[ \t]+=$")
_BED = re.compile(r"^\s*M1[49]0\s+(?:[A-Z]\S*\s+)*?[SR](\d+(?:\.\d+)?)")


def read_settings(lines: Iterable[str | bytes]) -> dict[str, str]:
    """Keys and values in the order of the program.

    ``lines`` holds whole lines. A key that comes again keeps its last value; values are cut at
    ``LONGEST_VALUE`` characters, keys beyond ``MOST_KEYS`` are left out.
    """
    found: dict[str, str] = {}
    for raw in lines:
        if (b"=" if isinstance(raw, bytes) else "=") not in raw:  # type: ignore[operator]
            continue
        line = (raw.decode("utf-8", "replace") if isinstance(raw, bytes) else raw).rstrip()
        match = _LINE.match(line) or _OPEN_END.match(line)
        if not match:
            continue
        key = match[1]
        if key not in found and len(found) >= MOST_KEYS:
            continue
        value = match[2].strip() if match.re is _LINE else ""
        found[key] = value[:LONGEST_VALUE]
    return found


def bed_temperature_c(lines: Iterable[str | bytes]) -> float | None:
    """The highest temperature that the program sets the bed to (``M140``, ``M190``: common
    practice, no source); ``None`` where it sets none."""
    found: float | None = None
    for raw in lines:
        line = raw.decode("latin-1") if isinstance(raw, bytes) else raw
        match = _BED.match(line)
        if match and float(match[1]) > (found or 0.0):
            found = float(match[1])
    return found
