"""One field of edge displacements, and what each fault would do to it.

Every place on a visible edge has been displaced by some pixels along its normal. A camera that is
slightly off shifts all of them alike; a clock that is early raises the edges that still grow; a
corner that lifts raises the edges near it; a part that came loose turns and shifts as one. Each is
a column of a design matrix in px per unit, and the fits in this room are its least squares.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from watcher.records import Array

CAUCHY = 2.4
"""Tuning constant of the Cauchy weight for 95 % efficiency (Holland and Welsch 1977)."""


@dataclass(frozen=True)
class Field:
    """Edge displacements of one frame, n places."""

    point_mm: Array
    """Shape (n, 3)."""
    pixel: Array
    """Shape (n, 2), where the toolpath puts them."""
    normal: Array
    """Shape (n, 2), unit vectors across the edge, upwards in the picture."""
    per_mm: Array
    """Shape (n, 3): px along the normal for a mm of motion in x, y and z."""
    growing: npt.NDArray[np.bool_]
    foot: npt.NDArray[np.bool_]
    shift_px: Array
    sigma_px: Array
    """Infinite where nothing was found."""
    edge: npt.NDArray[np.int64] | None = None
    """Shape (n,): places of one straight growing edge share a number, -1 for none."""

    @property
    def found(self) -> npt.NDArray[np.bool_]:
        """Places that were measured."""
        return np.isfinite(self.sigma_px)


Votes = npt.NDArray[np.float32]


def vote(correlation: npt.NDArray[np.floating]) -> Votes:
    """How much an edge with this correlation speaks for a common motion, 0 to 1.

    What is hidden correlates a little with anything; it must not outvote the few edges that are
    seen and agree well.
    """
    above = (np.asarray(correlation, dtype=np.float32) - np.float32(0.6)) / np.float32(0.4)
    np.clip(above, 0.0, 1.0, out=above)
    above *= above
    return above


def votes_at(score: Array, step_px: float, shift_px: npt.NDArray[np.floating]) -> Votes:
    """How much each edge speaks for each displacement.

    Args:
        score: shape (n, lags), correlation at displacements ``step_px`` apart about the middle.
        step_px: distance between displacements.
        shift_px: shape (n, h).

    Returns:
        Shape (n, h); 0 where a displacement is out of reach.

    """
    lags = score.shape[1]
    if shift_px.size == 0:
        return np.zeros(shift_px.shape, dtype=np.float32)
    at = np.asarray(shift_px, dtype=np.float32) * np.float32(1 / step_px)
    at += np.float32((lags - 1) / 2)
    row = np.broadcast_to(np.arange(len(score), dtype=np.float32)[:, None], at.shape)
    table = score.astype(np.float32)
    # Read between the lags as a picture is read between its pixels, to a 32nd of a lag.
    found = cv2.remap(table, at, np.ascontiguousarray(row), cv2.INTER_LINEAR)
    found[(at < 0) | (at > lags - 1)] = 0.0
    return vote(np.asarray(found, dtype=np.float32))


@dataclass(frozen=True)
class Fit:
    """Robust least-squares fit of a displacement field."""

    value: Array
    """Shape (p,)."""
    covariance: Array
    """Shape (p, p)."""
    weight: Array
    """Shape (n,): what each place counted, 0 to 1."""
    misfit: float
    """Root mean square of the weighted, normalised residuals."""
    cost: float
    """Robust sum of squares, to compare fits of the same places."""

    def sigma(self) -> Array:
        """Standard deviation of each unknown, shape (p,)."""
        return np.sqrt(np.diag(self.covariance))


def fit(
    design: Array, shift_px: Array, sigma_px: Array, prior_sigma: Array, prior: Array | None = None
) -> Fit:
    """Robust linear fit of shifts by unknowns that have priors.

    Args:
        design: shape (n, p), px per unit of each unknown.
        shift_px: shape (n,).
        sigma_px: shape (n,), finite and positive.
        prior_sigma: shape (p,), standard deviation of each unknown before the picture.
        prior: shape (p,), zero where left out.

    Returns:
        Cauchy-weighted least squares, six rounds.

    """
    unknowns = design.shape[1]
    centre = np.zeros(unknowns) if prior is None else prior
    inverse = 1 / prior_sigma**2
    weight = np.ones(len(shift_px))
    value = centre.copy()
    normal = np.diag(inverse)
    scaled = design / sigma_px[:, None]
    target = shift_px / sigma_px
    residual = target - scaled @ value
    for _ in range(6):
        normal = (scaled * weight[:, None]).T @ scaled + np.diag(inverse)
        value = np.asarray(
            np.linalg.solve(normal, (scaled * weight[:, None]).T @ target + inverse * centre),
            dtype=np.float64,
        )
        residual = target - scaled @ value
        weight = 1 / (1 + (residual / CAUCHY) ** 2)
    total = float(weight.sum())
    misfit = float(np.sqrt(np.sum(weight * residual**2) / total)) if total > 0 else 0.0
    cost = float(np.sum(CAUCHY**2 * np.log1p((residual / CAUCHY) ** 2)))
    covariance = np.asarray(np.linalg.inv(normal) * max(1.0, misfit**2), dtype=np.float64)
    return Fit(value, covariance, weight, misfit, cost)


def scatter_along(
    pixel: Array,
    group: npt.NDArray[np.int64],
    along: Array,
    value: Array,
    found: npt.NDArray[np.bool_],
    reach_px: float = 16.0,
    most: int = 15,
) -> Array:
    """How much the readings of one straight edge scatter about a line, place by place.

    A rough wall, a rim's second line or a shadow displace an edge's readings by far more than the
    camera's noise. What neighbours on the same edge disagree by is the error that they really have.

    Args:
        pixel: shape (n, 2).
        group: shape (n,), places of one edge share it.
        along: shape (n, 2), unit vector along the edge.
        value: shape (n,), the readings, px.
        found: shape (n,), places that were read.
        reach_px: how far along the edge to look.
        most: how many places at most.

    Returns:
        Shape (n,): median absolute residual of the line through the neighbours, scaled to a
        standard deviation; ``nan`` where fewer than five were read.

    """
    near = neighbours(pixel, group, along, reach_px, most)
    safe = np.maximum(near, 0)
    use = (near >= 0) & found[safe]
    weight = use.astype(np.float64)
    count = weight.sum(axis=1)
    where = np.einsum("nkj,nj->nk", pixel[safe] - pixel[:, None], along) if len(pixel) else weight
    read = value[safe]
    for _ in range(3):
        total = np.maximum(weight.sum(axis=1), 1e-9)
        x = where - (weight * where).sum(axis=1)[:, None] / total[:, None]
        y = read - (weight * read).sum(axis=1)[:, None] / total[:, None]
        slope = (weight * x * y).sum(axis=1) / np.maximum((weight * x * x).sum(axis=1), 1e-9)
        residual = np.abs(y - slope[:, None] * x)
        # A place without any reading gets one here, or the median would warn; it is nan below.
        shown = np.where(use | ~use.any(axis=1, keepdims=True), residual, np.nan)
        middle = np.nanmedian(shown, axis=1) if len(pixel) else total
        scale = 1.4826 * middle
        weight = use / (1 + (residual / (CAUCHY * np.maximum(scale, 1e-3))[:, None]) ** 2)
    # Two of the readings' freedoms went into the line.
    freedom = np.sqrt(np.maximum(count, 3.0) / np.maximum(count - 2.0, 1.0))
    return np.asarray(np.where(count >= 5, scale * freedom, np.nan), dtype=np.float64)


def neighbours(
    pixel: Array, group: npt.NDArray[np.int64], along: Array, reach_px: float = 6.0, most: int = 5
) -> npt.NDArray[np.int64]:
    """Places along the same straight edge near each place.

    Args:
        pixel: shape (n, 2).
        group: shape (n,), places of one edge share it.
        along: shape (n, 2), unit vector along the edge.
        reach_px: how far to look.
        most: how many places, the place itself among them.

    Returns:
        Shape (n, most), -1 for none.

    """
    n = len(pixel)
    out = np.full((n, most), -1, dtype=np.int64)
    if n == 0:
        return out
    k = min(n, most + 4)
    _, index = cKDTree(pixel).query(pixel, k=k, distance_upper_bound=reach_px)
    index = np.asarray(index).reshape(n, k)
    near = index < n
    safe = np.where(near, index, 0)
    same = near & (group[safe] == group[:, None])
    same &= np.abs(np.einsum("nki,ni->nk", along[safe], along)) > 0.97
    rank = np.cumsum(same, axis=1) - 1
    keep = same & (rank < most)
    rows, columns = np.nonzero(keep)
    out[rows, rank[rows, columns]] = index[rows, columns]
    return out
