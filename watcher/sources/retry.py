"""How long to wait before a camera that went away is tried again."""

from __future__ import annotations

from collections.abc import Iterator

FIRST_PAUSE_S = 1.0
LONGEST_PAUSE_S = 30.0


def pauses_s() -> Iterator[float]:
    """Give 1, 2, 4 ... seconds and then 30 for ever, so that a camera that starts again is found
    soon and one that stays away is left in peace."""
    pause_s = FIRST_PAUSE_S
    while True:
        yield pause_s
        pause_s = min(LONGEST_PAUSE_S, 2 * pause_s)
