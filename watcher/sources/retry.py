"""How long to wait before a camera that went away is tried again."""

from __future__ import annotations

import random
from collections.abc import Callable, Iterator

FIRST_PAUSE_S = 1.0
LONGEST_PAUSE_S = 30.0
JITTER = 0.25
"""Share of a pause that is left to chance, so that several watches that lost one network do not
all come back at the same moment."""


def pauses_s(chance: Callable[[], float] = random.random) -> Iterator[float]:
    """Give about 1, 2, 4 ... seconds and then 30 for ever, so that a camera that starts again is
    found soon and one that stays away is left in peace. ``chance`` gives numbers from 0 to 1."""
    pause_s = FIRST_PAUSE_S
    while True:
        yield pause_s * (1 + JITTER * (2 * chance() - 1))
        pause_s = min(LONGEST_PAUSE_S, 2 * pause_s)
