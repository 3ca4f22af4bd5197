"""Layer clock: which layer is being printed, from elapsed time corrected by what the picture shows.

A machine is slower than its toolpath says, by a few per cent that hardly change over a night.
That ratio, the pace, starts from experience and is learnt, as in a scalar Kalman filter, from
frames taken at layer changes and from the height that a sinking bed shows.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from watcher.records import Toolpath

USUAL_PACE = 1.05
"""common practice, no source: acceleration and waiting add about 5 % to nominal times."""
USUAL_SPREAD = 0.04


@dataclass(frozen=True)
class LayerTime:
    """What the clock says about one frame."""

    layer: int
    """Layer being printed, counting from 1."""
    z_mm: float
    """Height of that layer."""
    sigma_mm: float
    """How well the clock knows the height."""
    done: bool
    """Whether the whole layer is there (a frame taken at a layer change)."""


class LayerClock:
    """Turns elapsed seconds into layers."""

    def __init__(self, toolpath: Toolpath, parked: bool) -> None:
        self._ends = np.array([layer.start_s + layer.duration_s for layer in toolpath.layers])
        self._z = np.array([layer.z_mm for layer in toolpath.layers])
        self._starts = np.array([layer.start_s for layer in toolpath.layers])
        self._parked = parked
        self.pace = USUAL_PACE
        self._variance = USUAL_SPREAD**2
        self._last = 0

    @property
    def layers(self) -> int:
        """Number of layers."""
        return len(self._ends)

    def read(self, elapsed_s: float) -> LayerTime:
        """The layer at an elapsed time; a parked frame also teaches the pace."""
        if self._parked:
            return self._at_layer_change(elapsed_s)
        nominal = elapsed_s / self.pace
        index = int(np.clip(np.searchsorted(self._ends, nominal), 0, self.layers - 1))
        spread = np.sqrt(self._variance) / self.pace * nominal
        low, high = np.clip(
            np.searchsorted(self._ends, [nominal - spread, nominal + spread]), 0, self.layers - 1
        )
        sigma = max(0.25 * self._step(index), 0.5 * float(self._z[high] - self._z[low]))
        return LayerTime(index + 1, float(self._z[index]), sigma, False)

    def perhaps_over(self, elapsed_s: float) -> bool:
        """Whether the toolpath may be at its end, for all that is known of the pace."""
        return elapsed_s > float(self._ends[-1]) * (self.pace - 2 * math.sqrt(self._variance))

    def surely_over(self, elapsed_s: float) -> bool:
        """Whether the toolpath must be at its end, even on the slowest machine thought of."""
        last_s = float(self._ends[-1] - self._starts[-1])
        slowest = self.pace + 3 * math.sqrt(self._variance)
        return elapsed_s > float(self._ends[-1]) * slowest + 0.6 * last_s

    def _step(self, index: int) -> float:
        return float(self._z[index] - (self._z[index - 1] if index else 0.0))

    def _at_layer_change(self, elapsed_s: float) -> LayerTime:
        nominal = elapsed_s / self.pace
        index = int(np.argmin(np.abs(self._ends - nominal)))
        index = max(index, min(self._last, self.layers - 1))
        near = self._ends[index]
        if near > 0:
            # A parked frame belongs to the end of a layer, so the ratio is the pace itself.
            seen = elapsed_s / near
            gap = self._ends[min(index + 1, self.layers - 1)] - self._ends[max(index - 1, 0)]
            noise = max(0.002, 0.1 * gap / max(near, 1.0))
            self._update(seen, noise**2)
        self._last = index
        return LayerTime(index + 1, float(self._z[index]), 0.02, True)

    def _update(self, seen: float, noise: float) -> None:
        variance = self._variance + 0.0004**2
        gain = variance / (variance + noise)
        self.pace = float(np.clip(self.pace + gain * (seen - self.pace), 0.9, 1.3))
        self._variance = (1 - gain) * variance

    def learn_height(self, elapsed_s: float, z_mm: float, sigma_mm: float) -> None:
        """Correct the pace by a height that the picture gave.

        Args:
            elapsed_s: when.
            z_mm: height of the layer being printed then.
            sigma_mm: its error.

        """
        if self._parked or elapsed_s <= 0 or not np.isfinite(z_mm):
            return
        middles = (self._starts + self._ends) / 2
        nominal = float(np.interp(z_mm, self._z, middles))
        index = int(np.clip(np.searchsorted(self._z, z_mm), 0, self.layers - 1))
        speed = self._step(index) / max(self._ends[index] - self._starts[index], 1e-3)
        spread_s = np.hypot(
            sigma_mm / max(speed, 1e-6), 0.3 * (self._ends[index] - self._starts[index])
        )
        if nominal < 60 or nominal <= 3 * spread_s:
            return
        self._update(elapsed_s / nominal, float((elapsed_s / nominal * spread_s / nominal) ** 2))
