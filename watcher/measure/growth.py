"""Growth of the part against the layer clock.

All edges of the layer being printed rise together. Instead of trusting each edge's own best match,
the correlations of all of them are added for every height that the layer could have; one wrong
match on the border of a shadow then has one vote among hundreds.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from watcher.measure.field import votes_at
from watcher.records import Array

LOWEST_MM, HIGHEST_MM, STEP_MM = -6.0, 2.0, 0.05


@dataclass(frozen=True)
class Growth:
    """Height of the growing edges over the clock's."""

    height_mm: float
    sigma_mm: float
    agreement: float
    """Share of the edges that agree with that height."""
    margin: float
    """How much larger that is than the share near the expected height."""


def growth_over_clock(
    score: Array,
    step_px: float,
    predicted_px: Array,
    per_mm_z: Array,
    weight: Array,
    expected_mm: float,
) -> Growth | None:
    """Height at which the growing edges agree best with their templates.

    Args:
        score: shape (n, lags), correlation of each growing edge at each displacement.
        step_px: distance between displacements, px; the middle one is ``predicted_px``.
        predicted_px: shape (n,), displacement that the middle stands for without any growth.
        per_mm_z: shape (n,), px along the normal per mm of height.
        weight: shape (n,), contrast of each edge's template.
        expected_mm: height that is likely; of two that agree alike the nearer one is meant.

    Returns:
        None where fewer than 20 edges can tell, or the best lies at the end of the search. The
        error is the jackknife over eight stretches of the edges (Quenouille 1949; Tukey 1958).

    """
    useful = (np.abs(per_mm_z) > 0.5) & (weight > 0)
    if int(useful.sum()) < 20:
        return None
    trials = np.arange(LOWEST_MM, HIGHEST_MM + 1e-9, STEP_MM)
    shift_px = trials[None, :] * per_mm_z[useful, None] - predicted_px[useful, None]
    votes = votes_at(score[useful], step_px, shift_px)
    share = np.minimum(weight[useful], np.median(weight[useful]) * 2)[:, None]
    unlikely = np.minimum(0.01 * ((trials - expected_mm) / 0.5) ** 2, 0.06)

    def best(keep: npt.NDArray[np.bool_]) -> tuple[float, float]:
        total = (votes[keep] * share[keep]).sum(axis=0) / share[keep].sum() - unlikely
        i = int(np.argmax(total))
        if 0 < i < len(trials) - 1:
            a, b, c = total[i - 1], total[i], total[i + 1]
            curve = a - 2 * b + c
            bend = 0.5 * (a - c) / curve if abs(curve) > 1e-12 else 0.0
            return float(trials[i] + np.clip(bend, -0.5, 0.5) * STEP_MM), float(total[i])
        return float(trials[i]), float(total[i])

    everyone = np.ones(len(votes), dtype=bool)
    height, agreement = best(everyone)
    if height < LOWEST_MM + STEP_MM:
        return None
    blocks = np.array_split(np.arange(len(votes)), 8)
    left_out = np.zeros(8)
    for i, block in enumerate(blocks):
        keep = everyone.copy()
        keep[block] = False
        left_out[i] = best(keep)[0]
    near = np.abs(trials - expected_mm) < 0.26
    there = float(((votes * share).sum(axis=0) / share.sum())[near].max())
    sigma = float(np.sqrt(7 / 8 * np.sum((left_out - left_out.mean()) ** 2)))
    return Growth(height, max(sigma, 0.02), agreement, agreement - there)
