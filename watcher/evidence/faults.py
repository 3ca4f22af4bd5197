"""Evidence per kind and place: readings in, suspicions out."""

from __future__ import annotations

import numpy as np

from watcher.evidence.cusum import Cusum
from watcher.evidence.track import Track, Usual
from watcher.records import Reading, Suspicion

LIFT_ALLOWED_MM = 0.25
SHIFT_ALLOWED_MM = 0.8
STEP_ALLOWED_MM = 0.5
SHORTFALL_ALLOWED_MM = 0.4
STRANDS_ALLOWED_MM = 40.0
THRESHOLD = 9.0
"""Cumulative sum, in sigma, at which evidence is enough. With an allowance of half a sigma and
independent normal samples it would give one false alarm in about 50,000 (Siegmund 1985)."""


class Faults:
    """Evidence for one run. ``update`` is called once a frame."""

    def __init__(self) -> None:
        self._sums: dict[tuple[str, str], Cusum] = {}
        self._tracks: dict[str, Track] = {}
        self._usual = Usual()

    def _sum(self, kind: str, place: str) -> Cusum:
        return self._sums.setdefault((kind, place), Cusum())

    def update(
        self, readings: tuple[Reading, ...], index: int, trust: float
    ) -> tuple[tuple[Suspicion, ...], tuple[Reading, ...]]:
        """Take in one frame's readings.

        Args:
            readings: what was measured or not seen.
            index: number of the frame.
            trust: share of the part's known edges that were found, 0 to 1; where the head
                hides most of them the rest is easily mistaken.

        Returns:
            Suspicions of any strength, and the readings with lifts taken from their zero and
            smoothed over frames.

        """
        suspicions: list[Suspicion] = []
        suspicion: Suspicion | None
        better: list[Reading] = []
        loss = 1.0 + (max(0.0, 0.55 - trust) / 0.12) ** 2
        for reading in readings:
            if reading.value is None or reading.sigma is None:
                better.append(reading)
                continue
            if reading.kind in ("corner-lift", "overhang-curl"):
                suspicion, smooth = self._lift(reading, index, loss)
                better.append(smooth)
            else:
                suspicion = self._other(reading, index, loss)
                better.append(reading)
            if suspicion is not None:
                suspicions.append(suspicion)
        return tuple(suspicions), tuple(better)

    def _lift(self, reading: Reading, index: int, loss: float) -> tuple[Suspicion, Reading]:
        assert reading.value is not None
        assert reading.sigma is not None
        track = self._tracks.setdefault(reading.place, Track())
        sigma = reading.sigma * loss
        above = track.update(reading.value, sigma)
        error = float(np.hypot(sigma, track.floor_mm))
        total = self._sum(reading.kind, reading.place)
        strength = total.update((above - LIFT_ALLOWED_MM) / error, index)
        amount = track.amount
        smooth = Reading(
            reading.kind, reading.place, reading.place_mm, amount, track.sigma, reading.unit
        )
        return (
            Suspicion(
                reading.kind,
                reading.place,
                reading.place_mm,
                strength,
                THRESHOLD,
                total.began,
                amount,
                track.sigma,
                reading.unit,
            ),
            smooth,
        )

    def _other(self, reading: Reading, index: int, loss: float) -> Suspicion | None:
        assert reading.value is not None
        assert reading.sigma is not None
        amount, sigma = reading.value, reading.sigma * loss
        if reading.kind == "spaghetti":
            usual = self._usual.update(amount)
            if usual is None:
                return None
            middle, spread = usual
            sigma = max(40.0, 1.5 * spread)
            amount = amount - middle
            z = (amount - STRANDS_ALLOWED_MM - spread) / sigma
        elif reading.kind == "detached":
            z = (amount - SHIFT_ALLOWED_MM) / sigma
        elif reading.kind == "layer-step":
            z = (amount - STEP_ALLOWED_MM) / sigma
        elif reading.kind == "no-growth":
            amount = -amount
            z = (amount - SHORTFALL_ALLOWED_MM) / sigma
        else:
            return None
        total = self._sum(reading.kind, reading.place)
        strength = total.update(z, index)
        return Suspicion(
            reading.kind,
            reading.place,
            reading.place_mm,
            strength,
            THRESHOLD,
            total.began,
            max(0.0, amount),
            sigma,
            reading.unit,
        )
