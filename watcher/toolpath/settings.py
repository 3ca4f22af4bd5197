"""Settings that a program carries as comments, ``; key = value``, whoever wrote them."""

from __future__ import annotations

import re
from collections.abc import Iterable

MOST_KEYS = 5000
LONGEST_VALUE = 2000
# Blanks round the sign keep encoded pictures, which may hold and end in one, apart.
_LINE = re.compile(r"^[ \t]*;[ \t]*([^\W\d_][\w .,()/%\[\]-]{0,80}?)[ \t]+=[ \t](.*)$")
_OPEN_END = re.compile(r"^[ \t]*;[ \t]*([^\W\d_][\w .,()/%\[\]-]{0,80}?)[ \t]+=$")


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
