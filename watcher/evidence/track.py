"""Follows one slowly changing amount through noisy, sometimes wrong readings."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np


@dataclass
class Track:
    """Level of one amount: a random walk with outliers held down (Kalman 1960; Huber 1964).

    The first readings set the zero: at the start of a print the part lies where it was put, and
    what the camera's pose gets wrong there is taken off. Afterwards the zero follows only slowly
    and only while nothing has risen, and it follows down at once, for a lift can't be negative.
    """

    walk_mm: float = 0.04
    """Standard deviation of the change from one frame to the next."""
    floor_mm: float = 0.08
    """What a reading's own error leaves out: light, a rough wall, the shape of the bend."""
    settle: int = 8
    zero: float = 0.0
    level: float = 0.0
    variance: float = 0.09
    count: int = 0
    _first: list[float] = field(default_factory=list)

    def update(self, value: float, sigma: float) -> float:
        """Take in a reading and return how far it stands above the zero.

        Args:
            value: the reading, mm.
            sigma: its standard deviation, mm.

        """
        self.count += 1
        if self.count <= self.settle:
            self._first.append(value)
            self.zero = float(np.median(self._first))
        above = value - self.zero
        noise = sigma**2 + self.floor_mm**2
        self.variance += self.walk_mm**2
        surprise = abs(above - self.level) / np.sqrt(self.variance + noise)
        if surprise > 2.0:
            noise *= (surprise / 2.0) ** 2
        gain = self.variance / (self.variance + noise)
        self.level += gain * (above - self.level)
        self.variance *= 1 - gain
        if self.level < -0.03:
            self._lower(0.3 * self.level)
        elif self.level < 0.15:
            self._lower(0.03 * self.level)
        return above

    def _lower(self, by: float) -> None:
        self.zero += by
        self.level -= by

    @property
    def sigma(self) -> float:
        """Standard deviation of the level, what readings have in common included."""
        return float(np.sqrt(self.variance + self.floor_mm**2))


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
