"""How long a film shows each picture: slower where a moment was flagged."""

from __future__ import annotations

from collections.abc import Collection

NEAR = 8
"""So many pictures before and after a flagged one are shown slowly."""
NEAR_S = 0.2
"""Seconds that each of them stays at least."""
FLAGGED_S = 1.5
"""Seconds that the flagged picture itself stays at least."""


def showings(count: int, flagged: Collection[int], per_second: int) -> list[int]:
    """How many of the film's frames show each of ``count`` pictures.

    Args:
        count: of pictures.
        flagged: places in the row of pictures, from 0, at which a moment was flagged.
        per_second: frames of the film in a second.

    Returns:
        One number a picture, 1 or more.

    """
    times = [1] * count
    for place in flagged:
        for near in range(max(0, place - NEAR), min(count, place + NEAR + 1)):
            seconds = FLAGGED_S if near == place else NEAR_S
            times[near] = max(times[near], round(seconds * per_second))
    return times
