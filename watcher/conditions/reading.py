"""Makes readings of texts: JSON objects, CSV rows and bare numbers."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from datetime import datetime
from typing import Any, get_args

from watcher.store import Condition, What

BOUNDS: dict[What, tuple[float, float]] = {
    "chamber_c": (-40.0, 400.0),
    "humidity_percent": (0.0, 100.0),
}
"""What lies outside is damage or another unit, not weather."""
AHEAD_S = 300.0
"""A sender's clock may be so far ahead of ours."""
LONGEST = 4096


class BadReading(Exception):
    """A text that holds no reading; its message says why in a few words."""


def read_json(text: str, place: str, source: str, came_utc_s: float) -> list[Condition]:
    """Readings of an object such as ``{"chamber_c": 61.5, "humidity_percent": 22, "time": ...}``.

    ``time`` is ISO 8601 with its offset, or UTC seconds since 1970; without it the time of arrival
    counts. ``place`` in the object goes before the argument. Raises ``BadReading`` where it can't
    be used; one bad value makes all of it bad, so that the text is kept as a whole.
    """
    if len(text) > LONGEST:
        raise BadReading("longer than any reading")
    try:
        content = json.loads(text)
    except (ValueError, RecursionError):
        raise BadReading("not JSON") from None
    if not isinstance(content, dict):
        raise BadReading("not a JSON object")
    named = content.get("place", place)
    if not isinstance(named, str) or len(named) > 60:
        raise BadReading("place is no short text")
    return _readings(content, named, source, came_utc_s)


def read_number(
    text: str, what: What, place: str, source: str, came_utc_s: float
) -> list[Condition]:
    """A reading that is nothing but its number, as many sensors publish it."""
    return [Condition(place, what, came_utc_s, _value(what, text.strip()), source)]


def read_row(row: Mapping[str, str], place: str, source: str, came_utc_s: float) -> list[Condition]:
    """Readings of a CSV row by the names in its header; empty cells are left out."""
    filled = {name.strip(): cell for name, cell in row.items() if name and (cell or "").strip()}
    return _readings(filled, filled.get("place", place), source, came_utc_s)


def _readings(
    content: Mapping[str, Any], place: str, source: str, came_utc_s: float
) -> list[Condition]:
    utc_s = _time(content.get("time"), came_utc_s)
    found = [
        Condition(place, what, utc_s, _value(what, content[what]), source)
        for what in get_args(What)
        if content.get(what) is not None
    ]
    if not found:
        raise BadReading("neither chamber_c nor humidity_percent in it")
    return found


def _value(what: What, given: object) -> float:
    if isinstance(given, bool) or not isinstance(given, int | float | str):
        raise BadReading(f"{what} is no number")
    try:
        value = float(given)
    except (ValueError, OverflowError):
        raise BadReading(f"{what} is no number") from None
    low, high = BOUNDS[what]
    if not low <= value <= high:
        raise BadReading(f"{what} is {value:g}, outside {low:g} to {high:g}")
    return value


def _time(given: object, came_utc_s: float) -> float:
    if given is None:
        return came_utc_s
    if isinstance(given, bool) or not isinstance(given, int | float | str):
        raise BadReading("time is neither a text nor a number")
    try:
        utc_s = float(given)
    except ValueError:
        utc_s = _written(str(given))
    except OverflowError:
        raise BadReading("time is beyond any clock") from None
    if not math.isfinite(utc_s) or utc_s < 0:
        raise BadReading("time is no time since 1970")
    if utc_s > came_utc_s + AHEAD_S:
        raise BadReading("time lies ahead of our clock")
    return utc_s


def _written(text: str) -> float:
    try:
        when = datetime.fromisoformat(text.strip())
    except ValueError:
        raise BadReading("time is neither ISO 8601 nor seconds since 1970") from None
    if when.tzinfo is None:
        raise BadReading("time lacks its offset from UTC")
    return when.timestamp()
