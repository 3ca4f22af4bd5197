"""When it began and how fast it grows: the hinge that fits a place's readings best.

A level that turns into a straight climb at an unknown time: for every candidate time the level
and the climb are a weighted linear least squares problem, and the best time is the one of least
cost (Hinkley, "Inference about the intersection in two-phase regression", Biometrika 56, 1969).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from watcher.records import Array

LEAST_SAMPLES = 5
FLOOR = 0.05
"""Share of the readings' range that each error is at least, so that a few lucky ones don't rule."""


@dataclass(frozen=True)
class Onset:
    """A climb and its beginning."""

    index: int
    """Of the sample at which the climb begins."""
    per_hour: float
    """Units of the values an hour."""
    sigma_per_hour: float


def hinge(times_s: Array, values: Array, sigmas: Array) -> Onset | None:
    """Fit a level and then a climb; ``None`` with too few samples or where nothing climbs.

    Args:
        times_s: shape (n,), rising, seconds.
        values: shape (n,).
        sigmas: shape (n,), standard deviations in the values' unit, above zero.

    """
    count = len(times_s)
    if count < LEAST_SAMPLES:
        return None
    spread = FLOOR * float(np.ptp(values))
    weights = 1.0 / np.maximum(sigmas**2 + spread**2, 1e-12)
    # One outlier must not bend the hinge: weights fall off from the running median (Huber 1964).
    padded = np.pad(values, 2, mode="edge")
    middle = np.median(np.lib.stride_tricks.sliding_window_view(padded, 5), axis=1)
    away = np.abs(values - middle) * np.sqrt(weights)
    weights = weights / np.maximum(away / 2.0, 1.0)
    hours = times_s / 3600.0
    # Row j: the climb that begins at sample j; shape (n - 2, n).
    climbs = np.maximum(hours[None, :] - hours[: count - 2, None], 0.0)
    total = weights.sum()
    mean_climb = climbs @ weights / total
    mean_value = float(values @ weights / total)
    centred = climbs - mean_climb[:, None]
    information = (centred**2) @ weights
    slopes = (centred @ (weights * (values - mean_value))) / np.maximum(information, 1e-12)
    gains = slopes**2 * information
    gains = np.where(slopes > 0, gains, -1.0)
    best = int(np.argmax(gains))
    if gains[best] <= 0:
        return None
    return Onset(best, float(slopes[best]), float(1.0 / np.sqrt(information[best])))
