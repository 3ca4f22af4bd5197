"""When the print will be at its end, from the layers seen so far.

The pace, real over nominal time, starts from experience (see ``scene.clock``) and is taken anew
from the newest frames where they show their layer. Where the layer itself comes from elapsed time
they can teach nothing about the pace, and the error stays that of experience.
"""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass

from watcher.records import Toolpath
from watcher.scene.clock import USUAL_PACE, USUAL_SPREAD

LEAST_STRETCH_S = 600.0
"""Nominal seconds between the first and the newest frame before a pace is taken from them."""
DRIFT = 0.02
"""Part of the pace that may still change: layers that get smaller accelerate more often (common
practice, no source)."""

SUNK_LAYERS = 1.0
"""How well a sinking bed shows the layer, in layers: measured on rendered nights."""


@dataclass(frozen=True)
class ToEnd:
    """Time from the newest frame to the end of the print."""

    seconds: float
    """Not below 0."""
    sigma_s: float


def time_to_end(
    toolpath: Toolpath, placed: Sequence[tuple[float, int]], *, layer_seen: bool, parked: bool
) -> ToEnd | None:
    """Time to the end if the print goes on at its present pace.

    Args:
        toolpath: of the print; outlines are not needed.
        placed: elapsed seconds and layer (counting from 1) of frames in order, the newest last.
        layer_seen: whether the layer was told from the picture or from layer changes, and not
            from elapsed time alone.
        parked: whether each frame was taken at the end of its layer, not somewhere within.

    Returns:
        ``None`` where the toolpath has no layers or no frame is known.

    """
    if not toolpath.layers or not placed:
        return None
    numbers = [layer.number for layer in toolpath.layers]

    def at(number: int) -> tuple[float, float]:
        """Nominal seconds of a frame of this layer, and their error."""
        layer = toolpath.layers[min(bisect_left(numbers, number), len(numbers) - 1)]
        if parked:
            return layer.start_s + layer.duration_s, 0.1 * layer.duration_s
        return layer.start_s + 0.5 * layer.duration_s, SUNK_LAYERS * layer.duration_s

    last = toolpath.layers[-1]
    whole_s = max(toolpath.duration_s, last.start_s + last.duration_s)
    elapsed_s, newest = placed[-1]
    if not layer_seen:
        left_s = USUAL_PACE * whole_s - elapsed_s
        return ToEnd(max(0.0, left_s), USUAL_SPREAD * whole_s)
    done_s, error_s = at(newest)
    first_s, first_error_s = at(placed[0][1])
    pace, sigma = USUAL_PACE, USUAL_SPREAD
    if done_s - first_s >= LEAST_STRETCH_S:
        stretch_s = done_s - first_s
        seen = (elapsed_s - placed[0][0]) / stretch_s
        seen_sigma = math.hypot(DRIFT, seen * math.hypot(error_s, first_error_s) / stretch_s)
        # A machine far from experience is believed rather than averaged: the prior widens.
        prior = math.hypot(USUAL_SPREAD, 0.5 * (seen - USUAL_PACE))
        weight = prior**2 / (prior**2 + seen_sigma**2)
        pace += weight * (seen - pace)
        sigma = math.hypot(DRIFT, math.sqrt(weight) * seen_sigma)
    left_s = max(0.0, whole_s - done_s)
    return ToEnd(left_s * pace, math.hypot(left_s * sigma, pace * error_s))
