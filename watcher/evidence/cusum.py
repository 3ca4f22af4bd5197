"""Page's cumulative sum for one fault at one place, with its beginning kept.

Page 1954; recursion and allowance as in the NIST/SEMATECH e-Handbook of Statistical Methods,
6.3.2.3, in units of the measurement's own standard deviation. The reference is given, not learnt
from the first samples, and an alarm is not reset: a fault does not go away by being named.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass
class Cusum:
    """One-sided upper sum of standardised samples."""

    allowance: float = 0.5
    """Half the shift, in sigma, that should be found quickest (k)."""
    clip: float = 3.0
    """No single sample counts more than this many sigma: one frame proves nothing."""
    value: float = 0.0
    began: int = -1
    """Index of the sample with which the present run of evidence began."""

    def update(self, z: float, index: int) -> float:
        """Take in one standardised sample and return the sum.

        Args:
            z: deviation from the reference in sigma.
            index: number of the frame, kept as the beginning when the sum leaves zero.

        """
        if self.value <= 0.0:
            self.began = index
        self.value = max(0.0, self.value + min(max(z, -self.clip), self.clip) - self.allowance)
        return self.value

    def clear(self) -> None:
        """Forget the evidence so far: something has shown that it was none."""
        self.value = 0.0
