"""Evidence per kind and place: readings in, suspicions out."""

from __future__ import annotations

import numpy as np

from watcher.evidence.bars import USUAL_BARS, Bars
from watcher.evidence.cusum import Cusum
from watcher.evidence.track import Track, Usual
from watcher.records import FaultKind, Reading, Suspicion

LIFT_ALLOWED_MM = 0.25
OVERHANG_START_MM = 0.6
SHIFT_ALLOWED_MM = 0.8
STEP_ALLOWED_MM = 0.5
SHORTFALL_ALLOWED_MM = 0.4
OUTGROWN_MM = 0.5
MOVED_LOSS = 2.0
STRANDS_ALLOWED_MM, STRANDS_SIGMA_MM = 20.0, 5.0
STRANDS_CLIP = 8.0
"""Strands already stood in two frames or more before they are told: two such readings suffice."""


def stopping_lift_mm(sigma_mm: float, pictures: int, bars: Bars = USUAL_BARS) -> float | None:
    """The lift that leads to a stop within so many pictures, seen at once and staying.

    Each picture adds ``(lift - LIFT_ALLOWED_MM) / error - allowance`` to the sum, and no more than
    ``clip - allowance``; so the lift is ``LIFT_ALLOWED_MM + error (threshold / pictures +
    allowance)`` with the error of one reading as :class:`Faults` takes it. Where a bar is so high
    that clipped pictures can't pass it in time, there is none: ``None``.

    Args:
        sigma_mm: standard deviation of one picture's reading.
        pictures: how many may go by.
        bars: whose threshold must be passed.

    """
    usual = Cusum()
    needed = bars.threshold["corner-lift"] / pictures + usual.allowance
    if needed > usual.clip:
        return None
    return LIFT_ALLOWED_MM + float(np.hypot(sigma_mm, Track.floor_mm)) * needed


class Faults:
    """Evidence for one run. ``update`` is called once a frame."""

    def __init__(self, bars: Bars = USUAL_BARS) -> None:
        self.bars = bars
        """How much evidence is enough; may be set anew as the night's pace becomes known."""
        self._sums: dict[tuple[str, str], Cusum] = {}
        self._spared: dict[tuple[str, str], float] = {}
        self._tracks: dict[str, Track] = {}
        self._usual = Usual()
        self._stopped_mm: float | None = None
        self._stood_mm = 0.0
        self._near = False

    def _sum(self, kind: str, place: str) -> Cusum:
        return self._sums.setdefault((kind, place), Cusum())

    def spare(self, kind: FaultKind, place: str, amount: float) -> None:
        """A person has called this amount fine here: count only what comes on top of it."""
        self._spared[kind, place] = max(0.0, amount)
        self._sums.pop((kind, place), None)

    def _over(self, kind: FaultKind, place: str) -> float:
        return self._spared.get((kind, place), 0.0)

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
        track = self._tracks.get(reading.place)
        if track is None:
            # An overhang is first seen in the air, and may have curled by then.
            first = OVERHANG_START_MM if reading.kind == "overhang-curl" else Track.start_mm
            track = self._tracks[reading.place] = Track(start_mm=first)
        sigma = reading.sigma * loss
        above = track.update(reading.value, sigma)
        error = float(np.hypot(max(sigma, track.scatter), track.floor_mm))
        total = self._sum(reading.kind, reading.place)
        over = LIFT_ALLOWED_MM + self._over(reading.kind, reading.place)
        strength = total.update((above - over) / error, index)
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
                self.bars.threshold[reading.kind],
                total.began,
                amount,
                track.sigma,
                reading.unit,
                chance=self.bars.chance(reading.kind, strength),
            ),
            smooth,
        )

    def _grown(self, reading: Reading, sigma: float) -> bool:
        """Whether a height of the top can be true, by what has stood before.

        A part does not shrink: a top far below one that two pictures have shown is another line.
        And where nothing is laid any more the top stays: a line that climbs with the toolpath is no
        stopped top, so evidence of a stop that has been outgrown is dropped.
        """
        assert reading.value is not None
        if reading.place_mm is None:
            return True
        top = reading.place_mm[2] + reading.value
        slack = OUTGROWN_MM + 2 * sigma
        if top < self._stood_mm - slack:
            return False
        near = abs(reading.value) < SHORTFALL_ALLOWED_MM
        if near and self._near:
            self._stood_mm = max(self._stood_mm, top)
        self._near = near
        total = self._sum(reading.kind, reading.place)
        if total.value <= 0 or self._stopped_mm is None:
            self._stopped_mm = top
        elif top > self._stopped_mm + slack:
            self._stopped_mm = top
            total.clear()
        return True

    def _other(self, reading: Reading, index: int, loss: float) -> Suspicion | None:
        assert reading.value is not None
        assert reading.sigma is not None
        # Where the part went was found by its own agreement, whatever is hidden at its old place.
        amount = reading.value
        sigma = reading.sigma * (min(loss, MOVED_LOSS) if reading.kind == "detached" else loss)
        over = self._over(reading.kind, reading.place)
        if reading.kind == "spaghetti":
            usual = self._usual.update(amount)
            if usual is None:
                return None
            middle, spread = usual
            # Of a part that moved or fell, edges lie where none belong: where the part is not found
            # as it should be, strands need more.
            sigma = float(np.sqrt(loss) * np.hypot(STRANDS_SIGMA_MM, 1.5 * spread))
            amount = amount - middle
            z = (amount - over - STRANDS_ALLOWED_MM - spread) / sigma
        elif reading.kind == "detached":
            z = (amount - over - SHIFT_ALLOWED_MM) / sigma
        elif reading.kind == "layer-step":
            z = (amount - over - STEP_ALLOWED_MM) / sigma
        elif reading.kind == "no-growth":
            amount = -amount
            z = (amount - over - SHORTFALL_ALLOWED_MM) / sigma
            if not self._grown(reading, sigma):
                return None
        else:
            return None
        total = self._sum(reading.kind, reading.place)
        if reading.kind == "spaghetti":
            total.clip = STRANDS_CLIP
        strength = total.update(z, index)
        return Suspicion(
            reading.kind,
            reading.place,
            reading.place_mm,
            strength,
            self.bars.threshold[reading.kind],
            total.began,
            max(0.0, amount),
            sigma,
            reading.unit,
            chance=self.bars.chance(reading.kind, strength),
        )
