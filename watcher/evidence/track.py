"""Follows one slowly changing amount through noisy, sometimes wrong readings."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import pairwise
from statistics import median

import numpy as np
import numpy.typing as npt


@dataclass
class Track:
    """Level of one amount, its rate of change and the zero it is counted from.

    A Kalman filter (Kalman 1960) of three unknowns, outliers held down (Huber 1964). At the start
    the part lies where it was put, so the level begins at nothing and what the first readings share
    is the zero: what the camera's pose gets wrong there. Afterwards the zero follows only slowly
    and only while nothing has risen, and it follows down at once, for a lift can't be negative.
    """

    walk_mm: float = 0.03
    """Standard deviation of the level's change from one frame to the next that has no trend."""
    rate_walk_mm: float = 0.012
    """How fast a lift may begin to grow faster, mm a frame from one frame to the next."""
    floor_mm: float = 0.08
    """What a reading's own error leaves out: light, a rough wall, the shape of the bend."""
    start_mm: float = 0.02
    """How far the amount may stand above nothing at its first reading."""
    zero_mm: float = 0.15
    """How far off the zero may be before the first reading."""
    state: npt.NDArray[np.float64] = field(default_factory=lambda: np.zeros(3))
    """Level (mm), rate (mm a frame) and zero (mm)."""
    covariance: npt.NDArray[np.float64] | None = None
    scatter: float = 0.0
    """Standard deviation of the newest readings by how neighbours differ, mm.

    Differences leave out what changes slowly (von Neumann et al. 1941), their median what changes
    at one rate, and the median deviation single outliers. What errs now one way and now the other
    is no better known than that, whatever each reading states.
    """
    _recent: list[float] = field(default_factory=list)
    _surprise: float = 0.0

    RECENT = 10
    FEWEST = 5

    RATE_KEPT = 0.9
    """Share of a rate that is left a frame later if nothing confirms it."""
    SLOW_MM = 0.15
    """Below this a level that stays is taken for a drift of the zero."""

    def update(self, value: float, sigma: float) -> float:
        """Take in a reading and return how far it stands above the zero.

        Args:
            value: the reading, mm.
            sigma: its standard deviation, mm.

        """
        if self.covariance is None:
            self.covariance = np.diag([self.start_mm**2, 0.01**2, self.zero_mm**2])
        step = np.array([[1.0, 1.0, 0.0], [0.0, self.RATE_KEPT, 0.0], [0.0, 0.0, 1.0]])
        seen = np.array([1.0, 0.0, 1.0])
        x = step @ self.state
        p = step @ self.covariance @ step.T
        p += np.diag([self.walk_mm**2, self.rate_walk_mm**2, 0.0])
        last = self._recent[-1] if self._recent else 0.0
        self._recent = [*self._recent[-self.RECENT :], value]
        self.scatter = self._scatter()
        noise = max(sigma, self.scatter) ** 2 + self.floor_mm**2
        off = value - float(seen @ x)
        surprise = off / float(np.sqrt(seen @ p @ seen + noise))
        same = surprise * self._surprise > 0 and min(abs(surprise), abs(self._surprise)) > 1.0
        same &= abs(value - last) < 0.5 * abs(off) + 2 * float(np.sqrt(noise))
        self._surprise = surprise
        if same:
            # Two in a row that agree are no outliers: the amount does move.
            p[0, 0] += (0.5 * min(abs(off), 0.6)) ** 2
        elif abs(surprise) > 2.0:
            noise *= (surprise / 2.0) ** 2
        gain = p @ seen / (seen @ p @ seen + noise)
        self.state = x + gain * off
        self.covariance = p - np.outer(gain, seen @ p)
        if self.level < -0.03:
            self._lower(0.3 * self.level)
        elif self.level < self.SLOW_MM:
            self._lower(0.03 * self.level)
        return value - self.zero

    def _scatter(self) -> float:
        steps = [after - before for before, after in pairwise(self._recent)]
        if len(steps) < self.FEWEST:
            return 0.0
        middle = median(steps)
        return 1.4826 * median(abs(step - middle) for step in steps) / math.sqrt(2)

    def _lower(self, by: float) -> None:
        self.state = self.state + np.array([-by, 0.0, by])

    @property
    def level(self) -> float:
        """Amount above the zero, mm."""
        return float(self.state[0])

    @property
    def zero(self) -> float:
        """What a reading of nothing is, mm."""
        return float(self.state[2])

    @property
    def amount(self) -> float:
        """The level as it is told, mm: most corners lie flat, so what is within its own error of
        nothing is mostly nothing (Wiener's weight, signal over signal and noise).
        """
        level = max(0.0, self.level)
        return level * level**2 / (level**2 + self.sigma**2)

    @property
    def sigma(self) -> float:
        """Standard deviation of the level, what readings have in common included."""
        variance = 0.0 if self.covariance is None else float(self.covariance[0, 0])
        return float(np.sqrt(variance + self.floor_mm**2))


@dataclass
class Usual:
    """What is usual for an amount in this night: median and spread of its older samples."""

    wait: int = 6
    """The newest samples are kept apart, so that a fault does not become usual at once."""
    _samples: list[float] = field(default_factory=list)

    def update(self, value: float) -> tuple[float, float] | None:
        """Take in a sample; median and standard deviation of the older ones, None while unknown."""
        self._samples.append(value)
        old = self._samples[: -self.wait][-60:]
        if len(old) < 4:
            return None
        middle = float(np.median(old))
        spread = float(1.4826 * np.median(np.abs(np.array(old) - middle)))
        return middle, spread
