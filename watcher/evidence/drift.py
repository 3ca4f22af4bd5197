"""What rises at every watched corner alike is no lift: dawn, warmth, focus, a sagging camera.

A part that warps keeps some of its corners down, so the least rise among three corners or more is
taken for a drift of the view and taken off all of them.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from dataclasses import replace
from statistics import median

from watcher.records import Reading

LEAST_PLACES = 3
SETTLE = 8
"""So many first readings of a place say where it lay."""
RECENT = 7
"""The rise of a place is the median of so many newest readings."""
STALE = 3 * RECENT
"""A place that was not seen for so many frames says nothing about the view any more."""


class Drift:
    """The common rise of one run's lift readings."""

    def __init__(self) -> None:
        self._first: dict[str, list[float]] = {}
        self._lay: dict[str, float] = {}
        self._recent: dict[str, deque[tuple[int, float]]] = {}

    def take_off(self, readings: Iterable[Reading], index: int) -> tuple[Reading, ...]:
        """The readings of frame ``index`` with the common rise taken off the lifts, mm."""
        readings = tuple(readings)
        lifts = [r for r in readings if r.kind == "corner-lift" and r.value is not None]
        for reading in lifts:
            assert reading.value is not None
            first = self._first.setdefault(reading.place, [])
            if len(first) < SETTLE:
                first.append(reading.value)
                self._lay[reading.place] = median(first)
            recent = self._recent.setdefault(reading.place, deque(maxlen=RECENT))
            recent.append((index, reading.value))
        common = self._common(index)
        if common <= 0.0:
            return readings
        return tuple(
            replace(r, value=r.value - common)
            if r.kind == "corner-lift" and r.value is not None
            else r
            for r in readings
        )

    def _common(self, index: int) -> float:
        rises = [
            median(value for _, value in recent) - self._lay[place]
            for place, recent in self._recent.items()
            if len(recent) == RECENT and index - recent[-1][0] <= STALE
        ]
        return min(rises) if len(rises) >= LEAST_PLACES else 0.0
