"""Lens distortion from lines that are straight: the user never calibrates.

A straight edge of the world is a straight line in the picture of a pinhole; what bends it is the
lens. The plumb-line method (Brown 1971; Devernay and Faugeras 2001) looks for the distortion that
makes the edges straight again. Of a webcam's distortion the first radial term is nearly all. Here
the edges are the bed's own four, between the points that the user clicked.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares

from watcher.records import Array, Setup
from watcher.scene.camera import Camera, pack, unpack

Grey = npt.NDArray[np.float32]

USUAL_K1 = 0.08
"""common practice, no source: webcams have k1 between about -0.15 and 0.05."""
MOST_SIGMA = 0.045
"""An estimate that is no better than this is left out, and k1 stays 0."""
SPACING_PX = 2.0
REACH_PX = 9.0
BEND_PX = 8.0
STEP_PX = 0.5
LEAST_SLOPE = 1.5
"""Grey levels per px on average along an edge."""
LEAST_PLACES = 40
BESIDE_PX = 4.0
EDGE_PX = 0.4
"""How well a traced edge stands for the bed's own: a rim has two lines and a shadow."""
CAUCHY = 2.4
CLICK_PX = 2.2


@dataclass(frozen=True)
class Bend:
    """An estimate of k1."""

    k1: float
    sigma: float


def trace_edge(picture: Grey, begin: Array, end: Array) -> Array | None:
    """Places of a nearly straight edge near the line from one point to another.

    Among all parabolas near the line the one is taken across which brightness changes most, always
    in the same direction; then each place moves to its own steepest slope.

    Args:
        picture: shape (H, W).
        begin: shape (2,), px.
        end: shape (2,), px.

    Returns:
        Shape (n, 2), or None where there is no such edge.

    """
    length = float(np.hypot(*(end - begin)))
    if length < 2 * LEAST_PLACES:
        return None
    along = (end - begin) / length
    across = np.array([-along[1], along[0]])
    # Corners themselves are left out: two edges meet there.
    t = np.arange(0.06 * length, 0.94 * length, SPACING_PX)
    offsets = np.arange(-REACH_PX - BEND_PX, REACH_PX + BEND_PX + 1e-9, STEP_PX)
    base = begin + t[:, None] * along
    height, width = picture.shape
    inside = (base > 6).all(axis=1) & (base < [width - 7, height - 7]).all(axis=1)
    if inside.sum() < LEAST_PLACES:
        return None
    base, t = base[inside], t[inside]
    where = (base[:, None] + offsets[None, :, None] * across).astype(np.float32)
    soft = cv2.GaussianBlur(picture, (0, 0), 1.2)
    profile = cv2.remap(
        soft,
        where[..., 0],
        where[..., 1],
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    ).astype(np.float64)
    slope = np.gradient(profile, STEP_PX, axis=1)
    # A clip or a shadow that crosses the edge must not outvote the rest of it.
    held = np.clip(slope, -12.0, 12.0)
    x = 2 * (t - t[0]) / max(float(t[-1] - t[0]), 1e-9) - 1
    best = (0.0, np.zeros(3), 1.0)
    ends = np.arange(-REACH_PX, REACH_PX + 1e-9, 1.0)
    bends = np.arange(-BEND_PX, BEND_PX + 1e-9, 1.0)
    bows = bends[:, None] * (1 - x**2)
    row = np.arange(len(t))
    for left in ends:
        for right in ends:
            at = (left + right) / 2 + x * (right - left) / 2 + bows
            index = np.round((at - offsets[0]) / STEP_PX).astype(int)
            means = held[row, np.clip(index, 0, len(offsets) - 1)].mean(axis=1)
            k = int(np.argmax(np.abs(means)))
            if abs(means[k]) > best[0]:
                best = (abs(float(means[k])), np.array([left, right, bends[k]]), np.sign(means[k]))
    if best[0] < LEAST_SLOPE:
        return None
    left, right, bend = best[1]
    curve = (left + right) / 2 + x * (right - left) / 2 + bend * (1 - x**2)
    strength = best[2] * slope
    near = np.abs(offsets[None] - curve[:, None]) <= 2.0
    peak = np.argmax(np.where(near, strength, -np.inf), axis=1)
    good = (peak > 0) & (peak < len(offsets) - 1) & (strength[row, peak] > 0.5 * best[0])
    p = np.clip(peak, 1, len(offsets) - 2)
    a, b, c = strength[row, p - 1], strength[row, p], strength[row, p + 1]
    bow = a - 2 * b + c
    part = np.where(np.abs(bow) > 1e-9, 0.5 * (a - c) / np.where(bow == 0, 1, bow), 0.0)
    good &= (b >= a) & (b >= c)
    if good.sum() < LEAST_PLACES:
        return None
    exact = offsets[p] + np.clip(part, -0.5, 0.5) * STEP_PX
    return np.asarray((base + exact[:, None] * across)[good], dtype=np.float64)


def straightened(
    pixels: Array, k1: float, focal_px: float, centre_px: tuple[float, float]
) -> Array:
    """Where a pinhole without distortion would see what the lens shows: shape (n, 2), px.

    Inverts ``r (1 + k1 r^2)`` by Newton's method, in units of the focal length.
    """
    flat = (pixels - np.asarray(centre_px)) / focal_px
    radius = np.hypot(*flat.T)
    undone = radius.copy()
    for _ in range(12):
        value = undone * (1 + k1 * undone**2) - radius
        slope = np.maximum(1 + 3 * k1 * undone**2, 0.2)
        undone = undone - value / slope
    scale = np.where(radius > 1e-12, undone / np.maximum(radius, 1e-12), 1.0)
    return np.asarray(flat * scale[:, None] * focal_px + np.asarray(centre_px), dtype=np.float64)


def _bends(chains: list[Array], k1: float, focal_px: float, centre: tuple[float, float]) -> Array:
    """Distances of all places from the straight line through their own edge, px."""
    parts = []
    for chain in chains:
        flat = straightened(chain, k1, focal_px, centre)
        weight = np.ones(len(flat))
        distance = np.zeros(len(flat))
        for _ in range(4):
            middle = (weight[:, None] * flat).sum(axis=0) / weight.sum()
            spread = (flat - middle).T @ ((flat - middle) * weight[:, None])
            normal = np.linalg.eigh(spread)[1][:, 0]
            distance = (flat - middle) @ (
                normal if normal[np.argmax(np.abs(normal))] > 0 else -normal
            )
            weight = 1 / (1 + (distance / 1.0) ** 2)
        parts.append(distance)
    return np.concatenate(parts)


def plumb_line(chains: list[Array], focal_px: float, centre_px: tuple[float, float]) -> Bend:
    """k1 that makes the edges straight, in units of the focal length.

    Gauss-Newton with Geman-McClure weights and the prior of :data:`USUAL_K1`. Places along one edge
    share what the edge itself is bent by, so an edge counts as eight independent places.

    Args:
        chains: places of straight edges, each of shape (n, 2), px.
        focal_px: focal length.
        centre_px: where the lens's axis meets the picture.

    """
    prior = 1 / USUAL_K1**2
    if not chains:
        return Bend(0.0, USUAL_K1)
    share = np.concatenate([np.full(len(c), 8.0 / len(c)) for c in chains])
    k1, information, scale = 0.0, 0.0, 0.5
    for _ in range(12):
        here = _bends(chains, k1, focal_px, centre_px)
        step = 1e-3
        fore = _bends(chains, k1 + step, focal_px, centre_px)
        slope = (fore - here) / step
        scale = max(0.15, 1.4826 * float(np.median(np.abs(here))))
        weight = share / (1 + (here / (2 * scale)) ** 2) ** 2
        information = float(np.sum(weight * slope**2)) / scale**2
        pull = -float(np.sum(weight * slope * here)) / scale**2 - prior * k1
        change = pull / (information + prior)
        k1 = float(np.clip(k1 + change, -0.4, 0.4))
        if abs(change) < 1e-6:
            break
    return Bend(k1, float(1 / np.sqrt(information + prior)))


@dataclass(frozen=True)
class SeenEdge:
    """An edge of the bed as the picture shows it."""

    ends_mm: Array
    """Shape (2, 3): where it begins and ends, machine coordinates."""
    pixel: Array
    """Shape (n, 2): places along it."""


def bed_edges(picture: Grey, setup: Setup) -> list[SeenEdge]:
    """The bed's edges between neighbouring clicked corners, those that the picture shows.

    Args:
        picture: the first frame, shape (H, W).
        setup: with the bed points as clicked in it.

    """
    z = -setup.bed_points_z_mm if setup.bed_motion == "bed-z" else 0.0
    pixel = np.array([p.pixel for p in setup.bed_points], dtype=np.float64)
    place = np.array([[*p.bed_mm, z] for p in setup.bed_points], dtype=np.float64)
    width, depth = setup.bed_mm
    rim = [0, 1, 2, 3]
    corners = np.array([[0.0, 0.0], [width, 0.0], [width, depth], [0.0, depth]])
    for i, corner in enumerate(corners):
        away = np.hypot(*(place[:, :2] - corner).T)
        rim[i] = int(np.argmin(away))
        if away[rim[i]] > 1.0:
            # The points are no corners, so no edge need run between them.
            return []
    edges = []
    for i in range(4):
        a, b = rim[i], rim[(i + 1) % 4]
        found = trace_edge(picture, pixel[a], pixel[b])
        if found is not None:
            edges.append(SeenEdge(np.array([place[a], place[b]]), found))
    return edges


def _off_edges(camera: Camera, edges: list[SeenEdge]) -> Array:
    """Distances of the edges' places from where the camera puts the edges, px."""
    straight = replace(camera, k1=0.0)
    parts = []
    for edge in edges:
        begin, end = straight.project(edge.ends_mm)
        along = (end - begin) / max(float(np.hypot(*(end - begin))), 1e-9)
        flat = straightened(edge.pixel, camera.k1, camera.focal_px, camera.centre_px)
        parts.append((flat - begin) @ np.array([-along[1], along[0]]))
    return np.concatenate(parts)


def better_camera(camera: Camera, setup: Setup, edges: list[SeenEdge]) -> Camera:
    """The camera that agrees with the clicked points and with the bed's edges.

    A click is good to a pixel, an edge to a fraction of one along its whole length. k1 is fitted
    only where the edges settle it; otherwise it stays 0.

    Args:
        camera: from :func:`watcher.scene.camera.camera_from_points`.
        setup: with the bed points.
        edges: from :func:`bed_edges`.

    """
    # An edge that lies well beside the clicks is another one: the plate's lower rim, a frame.
    near = [e for e in edges if float(np.median(np.abs(_off_edges(camera, [e])))) < BESIDE_PX]
    if not near:
        return camera
    bend = plumb_line([e.pixel for e in near], camera.focal_px, camera.centre_px)
    bent = bend.sigma < MOST_SIGMA
    z = -setup.bed_points_z_mm if setup.bed_motion == "bed-z" else 0.0
    pixel = np.array([p.pixel for p in setup.bed_points], dtype=np.float64)
    place = np.array([[*p.bed_mm, z] for p in setup.bed_points], dtype=np.float64)
    share = np.concatenate([np.full(len(e.pixel), np.sqrt(8.0 / len(e.pixel))) for e in near])
    prior = float(np.log(camera.focal_px))

    def misfit(values: Array) -> Array:
        trial = unpack(values, camera)
        off = _off_edges(trial, near) * share / EDGE_PX
        # Cauchy: what stands before an edge must not pull it.
        off = np.sign(off) * CAUCHY * np.sqrt(np.log1p((off / CAUCHY) ** 2))
        clicks = (trial.project(place) - pixel).ravel()
        known = [(values[0] - prior) / 0.05]
        if bent:
            known.append((values[7] - bend.k1) / bend.sigma)
        return np.concatenate([clicks, off, known])

    start = replace(camera, k1=bend.k1 if bent else 0.0)
    fitted = unpack(least_squares(misfit, pack(start, with_k1=bent)).x, start)
    clicks = np.hypot(*(fitted.project(place) - pixel).T)
    # Edges that pull the corners away from where they were clicked are not the bed's.
    return fitted if float(np.sqrt(np.mean(clicks**2))) < CLICK_PX else camera
