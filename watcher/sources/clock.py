"""The night's clock, handed to live sources so that a test can hand them its own."""

from __future__ import annotations

import time
from typing import Protocol


class Clock(Protocol):
    """Time as a live source needs it."""

    def elapsed_s(self) -> float:
        """Seconds since the watch began; never runs backwards."""

    def utc_s(self) -> float:
        """Seconds since 1970 in UTC."""

    def wait(self, seconds: float) -> None:
        """Sleep."""


class NightClock:
    """The machine's own clock. Elapsed time is monotonic, so a clock that is set back or a change
    to winter time in the middle of the night does no harm."""

    def __init__(self) -> None:
        self._began = time.monotonic()

    def elapsed_s(self) -> float:
        return time.monotonic() - self._began

    def utc_s(self) -> float:
        return time.time()

    def wait(self, seconds: float) -> None:
        time.sleep(max(0.0, seconds))


class Pace:
    """Keeps a loop to one turn every ``interval_s``, without ever hurrying to catch up."""

    def __init__(self, clock: Clock, interval_s: float) -> None:
        self._clock = clock
        self._interval_s = interval_s
        self._due_s = clock.elapsed_s()

    def wait(self) -> None:
        """Sleep until the next turn is due."""
        self._due_s += self._interval_s
        now_s = self._clock.elapsed_s()
        self._clock.wait(max(0.0, self._due_s - now_s))
        self._due_s = max(self._due_s, now_s)
