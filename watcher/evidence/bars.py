"""How much evidence is enough: thresholds of the cumulative sums from a budget of false stops.

Far out, the chance that a cumulative sum without cause passes a limit h in any one frame falls
exponentially, size * exp(-rate * h) (Siegmund, Sequential Analysis, 1985, chapter II; for normal
samples with mean -d and long-run variance v the rate is 2 d / v). Size and rate of each kind are
measured on made-up nights that are put together from blocks of clean ones, so that what
neighbouring frames have in common stays (tests/bench/false_stops.py), and counted only where the
amount, too, would be worth a stop.

Frames that follow each other more closely than those say the same thing again. For an error that
is forgotten with the time constant T (AR(1) with coefficient exp(-spacing / T)) the long-run
variance is (1 + c) / (1 - c) times that of one frame; the rate falls and the bar rises with it.
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
    """Time constant with which errors are forgotten."""


MEASURED_AT_S = 78.0
"""Median spacing of the frames on which the tails were measured."""

_LIFT = Tail(0.47, 2.3e-4, 118.0)

TAILS: Mapping[FaultKind, Tail] = {
    "corner-lift": _LIFT,
    "overhang-curl": _LIFT,
    "spaghetti": Tail(0.50, 4.6e-5, 450.0),
    "detached": Tail(0.50, 1.5e-5, 253.0),
    "layer-step": Tail(0.79, 1.0e-3, 355.0),
    "no-growth": Tail(0.50, 1.6e-5, 278.0),
}
"""Measured with ``tests/bench/false_stops.py --fit``. Overhangs are too few for a tail of their
own: they are measured as corners are. The tails come from nights of 240 frames, for in nights of 60
that of lifts looks thinner. A rate of 0.50 stands where no sum passed in 10,000 nights; the size is
then the upper limit of that."""

LEAST_BAR = 7.6
"""Three clipped frames can't pass it: a stop takes four pictures at least, whatever the budget. The
tails come from a few dozen nights, and the next camera may be worse than all of them."""


def long_run(spacing_s: float, memory_s: float) -> float:
    """Long-run variance over that of one frame, for errors that are forgotten exponentially."""
    common = math.exp(-spacing_s / memory_s)
    return (1.0 + common) / (1.0 - common)


@dataclass(frozen=True)
class Bars:
    """Thresholds of one night."""

    threshold: Mapping[FaultKind, float]
    rate: Mapping[FaultKind, float]
    """How fast the chance of a false stop falls above the threshold, per unit of the sum."""
    night_chance: float
    """Chance a night that any sum passes its threshold without cause: the budget."""
    failing: float
    """Share of nights that fail."""

    def chance(self, kind: FaultKind, strength: float) -> float:
        """Chance that evidence of this strength comes from a fault (Bayes's rule).

        Against the share of nights that fail stands the share of good nights that show as much
        evidence somewhere.
        """
        exponent = -self.rate[kind] * (strength - self.threshold[kind])
        innocent = min(1.0, self.night_chance * math.exp(min(exponent, 50.0)))
        return self.failing / (self.failing + (1.0 - self.failing) * innocent)


def bars_for(
    false_stops_per_100_nights: float,
    failing_nights_per_100: float,
    places: Mapping[FaultKind, int],
    frames: float,
    spacing_s: float,
) -> Bars:
    """Thresholds that hold the budget with the least sum of thresholds.

    The budget is shared among the sums in proportion to one over their rates: that is where
    the derivatives of all thresholds by their shares are alike (Lagrange). What a kind that stands
    at the lowest bar leaves of its share goes to the others.

    Args:
        false_stops_per_100_nights: above zero.
        failing_nights_per_100: above zero and below 100.
        places: how many places of each kind are watched.
        frames: expected in the whole night.
        spacing_s: seconds from frame to frame, above zero.

    """
    night = min(false_stops_per_100_nights / 100.0, 0.5)
    rate, passes, lowest = {}, {}, {}
    for kind, tail in TAILS.items():
        usual = long_run(MEASURED_AT_S, tail.memory_s)
        stretch = max(1.0, long_run(spacing_s, tail.memory_s) / usual)
        rate[kind] = tail.rate / stretch
        passes[kind] = tail.size * max(frames, 1.0) / stretch
        lowest[kind] = LEAST_BAR * stretch
    threshold = dict(lowest)
    active = {kind: count for kind, count in places.items() if count > 0}
    left = night
    while active:
        parts = sum(count / rate[kind] for kind, count in active.items())
        for kind in active:
            share = left / rate[kind] / parts
            threshold[kind] = math.log(max(1.0, passes[kind] / share)) / rate[kind]
        low = [kind for kind in active if threshold[kind] < lowest[kind]]
        if not low:
            break
        for kind in low:
            threshold[kind] = lowest[kind]
            left -= active.pop(kind) * passes[kind] * math.exp(-rate[kind] * lowest[kind])
    return Bars(threshold, rate, night, failing_nights_per_100 / 100.0)


USUAL_BARS = bars_for(
    1.0,
    10.0,
    {"corner-lift": 4, "spaghetti": 1, "detached": 1, "layer-step": 1, "no-growth": 1},
    100.0,
    MEASURED_AT_S,
)
"""Of a part with four corners, a hundred frames and the default budget."""
