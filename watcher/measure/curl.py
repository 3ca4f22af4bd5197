"""Curl of an edge: the curve of constant curvature through measured rises.

Material that shrinks above material that does not bends like a strip of two metals: with one
curvature along its length (Timoshenko 1925, "Analysis of bi-metal thermostats", J. Opt. Soc. Am.
11, 233-255). From the place where it lies still to its tip the rise is that of a circle, which for
small slopes is the parabola of the sagitta, h = L^2 / (2 R), or L^2 / (8 R) over both halves of a
strip that bends up at both ends.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from watcher.records import Array

CAUCHY = 2.4
"""Tuning constant of the Cauchy weight for 95 % efficiency (Holland and Welsch 1977)."""
SHORTEST_MM, LONGEST_MM = 4.0, 120.0
USUAL_MM, USUAL_SPREAD = 25.0, 0.7
"""Reach before any point is seen, and the standard deviation of its logarithm: so weak that a few
points overrule it, but it keeps the reach of a flat edge from running away."""
LEAST_POINTS = 4


@dataclass(frozen=True)
class Curl:
    """How an edge curls, each value with its standard deviation."""

    tip_mm: float
    """Rise of the tip; negative where it hangs."""
    tip_sigma_mm: float
    curvature_per_mm: float
    """1 / R of the curled stretch."""
    curvature_sigma_per_mm: float
    reach_mm: float
    """Length of the curled stretch, from the tip to where the edge lies still."""
    reach_sigma_mm: float
    misfit: float
    """Root mean square of the weighted, normalised residuals: about 1 where the sigmas are right
    and the edge bends as supposed."""


def rise_mm(distance_mm: Array, tip_mm: float, reach_mm: float) -> Array:
    """Rise at distances from the tip: parabola that leaves the rest of the edge with no slope."""
    return np.asarray(tip_mm * _share(distance_mm, reach_mm), dtype=np.float64)


def fit_curl(distance_mm: Array, measured_mm: Array, sigma_mm: Array) -> Curl | None:
    """The curl that explains measured rises along an edge best.

    Args:
        distance_mm: shape (n,), along the edge from its tip, 0 or more.
        measured_mm: shape (n,), rise above where the toolpath puts the edge.
        sigma_mm: shape (n,); places where it is not finite and positive do not count.

    Returns:
        None where fewer than four places count, or all of them at one distance. Outliers are
        weighted down (Cauchy); sigmas are scaled up where the points scatter more than theirs say.

    """
    good = np.isfinite(distance_mm) & np.isfinite(measured_mm)
    good &= np.isfinite(sigma_mm) & (sigma_mm > 0)
    if int(good.sum()) < LEAST_POINTS or np.ptp(distance_mm[good]) <= 0:
        return None
    away, scale = distance_mm[good], 1 / sigma_mm[good]
    target = measured_mm[good] * scale
    weight = np.ones(len(away))
    tip, reach = 0.0, USUAL_MM
    for _ in range(12):
        before = (tip, reach)
        tip, reach = _best(away, scale, target, weight)
        residual = target - scale * rise_mm(away, tip, reach)
        weight = 1 / (1 + (residual / CAUCHY) ** 2)
        if abs(tip - before[0]) < 1e-6 and abs(reach - before[1]) < 1e-4:
            break
    residual = target - scale * rise_mm(away, tip, reach)
    misfit = float(np.sqrt(np.sum(weight * residual**2) / np.sum(weight)))
    # Unknowns of the linear step: tip and logarithm of the reach.
    pull = np.clip(1 - away / reach, 0, None)
    slope = np.column_stack([pull**2, 2 * tip * pull * away / reach]) * scale[:, None]
    normal = (slope * weight[:, None]).T @ slope / max(1.0, misfit**2)
    normal[1, 1] += 1 / USUAL_SPREAD**2
    normal[0, 0] += 1e-12
    covariance = np.linalg.inv(normal)
    curvature = 2 * tip / reach**2
    by = np.array([2 / reach**2, -2 * curvature])
    return Curl(
        tip_mm=tip,
        tip_sigma_mm=float(np.sqrt(covariance[0, 0])),
        curvature_per_mm=curvature,
        curvature_sigma_per_mm=float(np.sqrt(by @ covariance @ by)),
        reach_mm=reach,
        reach_sigma_mm=float(reach * np.sqrt(covariance[1, 1])),
        misfit=misfit,
    )


def _share(distance_mm: Array, reach_mm: Array | float) -> Array:
    return np.asarray(np.clip(1 - distance_mm / reach_mm, 0, None) ** 2, dtype=np.float64)


def _best(away: Array, scale: Array, target: Array, weight: Array) -> tuple[float, float]:
    """Tip and reach of the least weighted squares: every reach is tried, the tip is linear."""
    low, high = np.log(SHORTEST_MM), np.log(LONGEST_MM)
    tip = 0.0
    for _ in range(5):
        trials = np.linspace(low, high, 25)
        share = scale * _share(away[None], np.exp(trials)[:, None])
        energy = np.maximum((weight * share**2).sum(axis=1), 1e-12)
        tips = (weight * share * target).sum(axis=1) / energy
        cost = (weight * (target - tips[:, None] * share) ** 2).sum(axis=1)
        cost += ((trials - np.log(USUAL_MM)) / USUAL_SPREAD) ** 2
        at = int(np.argmin(cost))
        tip = float(tips[at])
        low, high = trials[max(at - 1, 0)], trials[min(at + 1, len(trials) - 1)]
    return tip, float(np.exp(trials[at]))
