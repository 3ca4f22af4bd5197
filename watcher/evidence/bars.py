"""How much evidence is enough: thresholds of the cumulative sums from a budget of false stops.

Far out, the chance that a cumulative sum without cause passes a limit h in any one frame falls
exponentially, size * exp(-rate * h) (Siegmund, Sequential Analysis, 1985, chapter II; for normal
samples with mean -d and long-run variance factor v the rate is 2 d / v). Rate and size of each kind
are measured on clean nights, whole blocks of frames drawn again so that what neighbouring frames
have in common stays (see tests/bench/false_stops.py). The budget is shared out evenly among the
sums that are watched, and spread over the frames of a night.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from watcher.records import FaultKind


@dataclass(frozen=True)
class Tail:
    """How a sum without cause behaves far out."""

    rate: float
    """Per unit of the sum."""
    size: float
    """Chance a frame, continued back to a limit of zero."""
    memory_s: float
    """Seconds after which readings have next to nothing in common."""


TAILS: Mapping[FaultKind, Tail] = {
    "corner-lift": Tail(1.3, 0.1, 120.0),
    "overhang-curl": Tail(1.3, 0.1, 120.0),
    "spaghetti": Tail(1.3, 0.1, 120.0),
    "detached": Tail(1.3, 0.1, 120.0),
    "layer-step": Tail(1.3, 0.1, 120.0),
    "no-growth": Tail(1.3, 0.1, 120.0),
}
"""Measured on clean nights; see DEVELOPERS.md."""

LEAST_BAR = 5.0
"""Two clipped frames can't pass it: no budget is so large that one glance would stop a print."""


@dataclass(frozen=True)
class Bars:
    """Thresholds of one night."""

    threshold: Mapping[FaultKind, float]
    night_chance: float
    """Chance a night, shared by all sums, with which any passes its threshold without cause."""
    sums: int
    """How many sums share it."""
    failing: float
    """Share of nights that fail."""
    stretch: float = 1.0

    def chance(self, kind: FaultKind, strength: float) -> float:
        """Chance that evidence of this strength comes from a fault (Bayes's rule).

        Against the share of nights that fail stands the share of good nights that show as much
        evidence somewhere.
        """
        rate = TAILS[kind].rate / self.stretch
        exponent = -rate * (strength - self.threshold[kind])
        innocent = min(1.0, self.night_chance * math.exp(min(exponent, 50.0)))
        guilty = self.failing
        return guilty / (guilty + (1.0 - self.failing) * innocent)


def bars_for(
    false_stops_per_100_nights: float,
    failing_nights_per_100: float,
    places: Mapping[FaultKind, int],
    frames: float,
    spacing_s: float,
) -> Bars:
    """Thresholds that hold the budget.

    Args:
        false_stops_per_100_nights: above zero.
        failing_nights_per_100: above zero and below 100.
        places: how many places of each kind are watched.
        frames: expected in the whole night.
        spacing_s: seconds from frame to frame. Frames closer together than a kind's memory say
            the same thing again: their evidence is worth less and the bar rises with it.

    """
    night = min(false_stops_per_100_nights / 100.0, 0.5)
    sums = max(1, sum(places.values()))
    each = night / sums
    threshold: dict[FaultKind, float] = {}
    for kind, tail in TAILS.items():
        bar = math.log(max(1.0, tail.size * max(frames, 1.0) / each)) / tail.rate
        threshold[kind] = max(LEAST_BAR, bar)
    return Bars(threshold, night, sums, failing_nights_per_100 / 100.0)


USUAL_BARS = bars_for(1.0, 10.0, {"corner-lift": 4, "detached": 1, "layer-step": 1}, 200.0, 120.0)
"""Of a small part with four corners, a hundred layers and the default budget."""
