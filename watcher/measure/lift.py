"""Corner lift in millimetres from the displacements of the edges around each corner.

A part that comes off the bed bends like a strip under an even moment: the lift falls off with
the square of the distance from the line where it still sticks (Timoshenko 1925; sagitta
h = L^2 / (8 R)). Each corner's lift is the height of that curve at the tip.
"""

from __future__ import annotations

import numpy as np

from watcher.measure.curl import Curl, fit_curl
from watcher.measure.field import Field, Fit, fit
from watcher.records import Array

REACHES_MM = (14.0, 18.0, 23.0, 29.0, 35.0, 42.0, 52.0)
USUAL_REACH = 3
"""Index into ``REACHES_MM`` that is used until a corner has shown its own reach."""

CURL_SEEN_MM = 50.0
"""How far along its edges a curl is looked for."""
OVERHANG_REACH = 1
"""The same of an overhang's corner, which curls no farther than it hangs over."""


def lift_profile(distance_mm: Array, reach_mm: float) -> Array:
    """Share of the tip's lift at a distance from the tip: 1 at the tip, 0 from the reach on."""
    return np.asarray(np.clip(1 - distance_mm / reach_mm, 0, None) ** 2, dtype=np.float64)


def distance_mm(point_mm: Array, corner_mm: tuple[float, float, float]) -> Array:
    """Distance in plan from each point, shape (n, 3), to a corner: shape (n,)."""
    return np.hypot(point_mm[:, 0] - corner_mm[0], point_mm[:, 1] - corner_mm[1])


def lift_columns(
    field: Field, corners_mm: list[tuple[float, float, float]], reaches_mm: Array
) -> Array:
    """Design columns, px per mm of lift at each corner's tip: shape (n, c).

    The line where a wall meets the bed does not count: a lifted corner shades its own gap, and
    the line between lit bed and shadow stays where it was. Nor does an edge below an overhang.
    """
    columns = np.zeros((len(field.point_mm), len(corners_mm)))
    for k, corner in enumerate(corners_mm):
        share = lift_profile(distance_mm(field.point_mm, corner), float(reaches_mm[k]))
        share = np.where(field.foot | (field.point_mm[:, 2] < corner[2] - 0.01), 0.0, share)
        columns[:, k] = share * field.per_mm[:, 2]
    return columns


def smooth_columns(field: Field) -> Array:
    """Columns of an affine motion of the growing edges in the picture: shape (n, 6), px.

    A focal length or pose that is a little off moves the predicted edges, the more the higher
    they stand, but smoothly over the whole part. A lift is local to its corner.
    """
    spread = max(1.0, float(np.ptp(field.pixel, axis=0).max()) / 2) if len(field.pixel) else 1.0
    middle = field.pixel.mean(axis=0) if len(field.pixel) else np.zeros(2)
    x, y = ((field.pixel - middle) / spread).T
    nx, ny = field.normal.T
    on = field.growing.astype(np.float64)
    return np.column_stack([nx, ny, nx * x, nx * y, ny * x, ny * y]) * on[:, None]


def lift_design(field: Field, columns: Array) -> Array:
    """Design matrix of :func:`fit_lifts`: shape (n, 9 + c + e)."""
    return np.column_stack(
        [
            field.normal,
            field.per_mm[:, 2] * field.growing,
            smooth_columns(field),
            columns,
            edge_columns(field),
        ]
    )


def edge_columns(field: Field) -> Array:
    """A column for each straight growing edge that may stand aside as a whole: shape (n, e).

    Light from another side moves an edge by its two rims, all along; a lift falls off along it.
    """
    if field.edge is None:
        return np.zeros((len(field.pixel), 0))
    numbers, counts = np.unique(field.edge[field.edge >= 0], return_counts=True)
    return np.asarray(field.edge[:, None] == numbers[counts >= 10][None], dtype=np.float64)


def side_disagreement(field: Field, columns: Array, fitted: Fit, which: int) -> float:
    """How differently the two edges that meet at a corner see its lift, mm.

    A corner that lifts takes both its edges along; a shadow or a rim's second line shows on one.

    Args:
        field: the displacements.
        columns: shape (n, c) from :func:`lift_columns`.
        fitted: result of :func:`fit_lifts`.
        which: index of the corner.

    Returns:
        Half the difference, 0 where only one edge is seen.

    """
    column = columns[:, which]
    near = field.found & (np.abs(column) > 0.1 * np.abs(field.per_mm[:, 2]) + 1e-6)
    if int(near.sum()) < 8:
        return 0.0
    rest = fitted.value.copy()
    rest[LIFTS_FROM + which] = 0.0
    left = (field.shift_px - lift_design(field, columns) @ rest)[near]
    pull, weight = column[near], 1 / field.sigma_px[near] ** 2
    normal = field.normal[near]
    # Edges meet at an angle in the picture: split by the normal that differs most from the first.
    first = normal[int(np.argmax(weight * pull**2))]
    one = np.abs(normal @ first) > 0.94
    sides = []
    for side in (one, ~one):
        energy = float(np.sum((weight * pull**2)[side]))
        if int(side.sum()) < 4 or energy < 25.0:
            return 0.0
        sides.append(float(np.sum((weight * pull * left)[side])) / energy)
    return abs(sides[0] - sides[1]) / 2


def edge_curl(
    field: Field, columns: Array, fitted: Fit, which: int, corner_mm: tuple[float, float, float]
) -> Curl | None:
    """How an overhang's corner curls, by what the other unknowns of a fit leave of its edges.

    An overhang curls as far as it hangs over, which the fit of all corners does not know.

    Args:
        field: the displacements.
        columns: shape (n, c) from :func:`lift_columns`.
        fitted: result of :func:`fit_lifts`.
        which: index of the corner.
        corner_mm: where it is, its height that of the overhang's underside.

    Returns:
        None where too little of it is seen.

    """
    rest = fitted.value.copy()
    rest[LIFTS_FROM + which] = 0.0
    per_mm = field.per_mm[:, 2]
    away = distance_mm(field.point_mm, corner_mm)
    near = field.found & ~field.foot & (away < CURL_SEEN_MM)
    near &= field.point_mm[:, 2] > corner_mm[2] - 0.01
    near &= np.abs(per_mm) > 0.3 * np.abs(per_mm).max(initial=0.0)
    if not near.any():
        return None
    left = (field.shift_px - lift_design(field, columns) @ rest)[near] / per_mm[near]
    return fit_curl(away[near], left, field.sigma_px[near] / np.abs(per_mm[near]))


def fit_lifts(
    field: Field,
    columns: Array,
    registration_px: float,
    growth_mm: tuple[float, float],
    pose_px: float,
    lift_prior_mm: float = 3.0,
) -> Fit:
    """Lift of every corner, with the errors of camera and clock as nuisances.

    Args:
        field: the displacements.
        columns: shape (n, c) from :func:`lift_columns`.
        registration_px: standard deviation of the registration.
        growth_mm: expected height of the growing edges over the clock's, and its sigma.
        pose_px: how far the camera's pose may have moved the growing edges.
        lift_prior_mm: lifts that are thought possible.

    Returns:
        Fit whose unknowns are shift x, shift y (px), growth (mm), the six of
        :func:`smooth_columns` (px), the c lifts (mm), then the edges' own offsets (px).

    """
    use = field.found
    design = lift_design(field, columns)
    corners = columns.shape[1]
    shift = max(registration_px, 0.05)
    edges = design.shape[1] - LIFTS_FROM - corners
    sigma = np.concatenate(
        [
            [shift, shift, growth_mm[1]],
            np.full(6, pose_px),
            np.full(corners, lift_prior_mm),
            np.full(edges, EDGE_PX),
        ]
    )
    prior = np.concatenate([[0.0, 0.0, growth_mm[0]], np.zeros(6 + corners + edges)])
    return fit(design[use], field.shift_px[use], field.sigma_px[use], sigma, prior)


LIFTS_FROM = 9
"""Index of the first lift among the unknowns of :func:`fit_lifts`."""
EDGE_PX = 0.6
"""How far a straight edge that grows may stand aside as a whole: about half a rim's width."""


def reach_costs(
    field: Field,
    columns: Array,
    corners_mm: list[tuple[float, float, float]],
    which: int,
    registration_px: float,
    growth_mm: tuple[float, float],
    pose_px: float,
) -> Array:
    """How badly each reach of one corner's lift explains the displacements.

    Args:
        field: the displacements.
        columns: shape (n, c), design columns as they are believed now.
        corners_mm: the c corners.
        which: index of the corner.
        registration_px: standard deviation of the registration.
        growth_mm: as in :func:`fit_lifts`.
        pose_px: as in :func:`fit_lifts`.

    Returns:
        Robust sums of squares less the least of them, shape of ``REACHES_MM``.

    """
    costs = np.zeros(len(REACHES_MM))
    trial = columns.copy()
    for i, reach in enumerate(REACHES_MM):
        trial[:, which] = lift_columns(field, [corners_mm[which]], np.array([reach]))[:, 0]
        costs[i] = fit_lifts(field, trial, registration_px, growth_mm, pose_px).cost
    return np.asarray(costs - costs.min(), dtype=np.float64)
