"""Outlines of a layer: closed rings round what was laid.

The centre lines are drawn on a raster, gaps narrower than a line and voids of the infill are
filled, and the boundary of that region is traced along the outermost centre lines. Its corners are
put onto the toolpath's own points, so that they are exact, and the ring is then moved out by half
a line width with mitred corners.
"""

from __future__ import annotations

import math

import cv2
import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from watcher.records import Array

Mask = cv2.typing.MatLike
"""Shape (rows, columns), uint8; rows run with y, so y points up."""

PIXEL_MM = 0.1
SMALLEST_RING_MM2 = 1.0
SMALLEST_HOLE_RADIUS_MM = 2.0
"""A void is a hole when a circle of this radius fits into it."""
_MOST_PIXELS = 16_000_000
_SHIFT = 4
_LOOP_GAP_MM = 1.0
"""Ends of a loop at most so far apart: programs leave a gap at the seam."""
_SUPPORT_GAP_MM = 1.5
"""Half the distance between lines of support that count as one body."""
_MITRE_LIMIT = 3.0


def rings(segments_mm: Array, width_mm: float) -> tuple[Array, ...]:
    """Rings round the material of one layer.

    ``segments_mm`` has shape (n, 4): x0, y0, x1, y1 of each line laid, in order. Returns rings of
    shape (m, 2), outer ones counter-clockwise, holes clockwise. A void is a hole only if it is
    bounded by closed loops of its own and wide enough; the voids of sparse infill are filled.
    """
    low = segments_mm.reshape(-1, 2).min(axis=0)
    high = segments_mm.reshape(-1, 2).max(axis=0)
    span = high - low
    pixel = max(PIXEL_MM, math.sqrt(float(span[0] * span[1]) / _MOST_PIXELS))
    reach = math.ceil(0.65 * width_mm / pixel)
    support = math.ceil(_SUPPORT_GAP_MM / pixel)
    margin = max(reach, support) + 3
    shape = (int(span[1] / pixel) + 2 * margin + 1, int(span[0] / pixel) + 2 * margin + 1)
    origin = low - margin * pixel

    chains, closed = _chains(segments_mm, max(_LOOP_GAP_MM, 2 * width_mm))
    scale = (1 << _SHIFT) / pixel
    drawn = [((chain - origin) * scale).round().astype(np.int32) for chain in chains]
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    lines = _draw(shape, drawn)
    thick = cv2.dilate(lines, disc)
    loops = _draw(shape, [line for line, whole in zip(drawn, closed, strict=True) if whole])
    holes = _holes(thick, cv2.dilate(loops, disc), pixel)
    outside = _outside(thick)
    body = cv2.erode(np.where(outside | holes, 0, 255).astype(np.uint8), disc)
    ends = cKDTree(segments_mm[:, :4].reshape(-1, 2))
    found, _ = cv2.findContours(body, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    out = []
    for contour in found:
        # OpenCV's outer contours run clockwise where y points up.
        simple = cv2.approxPolyDP(contour, 0.9, True)[::-1, 0, :].astype(float) * pixel + origin
        ring = _grow(_snap(simple, ends, 1.6 * pixel), width_mm / 2)
        if len(ring) >= 3 and abs(_area(ring)) >= SMALLEST_RING_MM2:
            out.append(ring)
    return tuple(out)


def _chains(segments: Array, gap_mm: float) -> tuple[list[Array], list[bool]]:
    """Segments that follow on each other, as polylines of shape (n, 2); which are closed loops."""
    broken = np.any(np.abs(segments[1:, 0:2] - segments[:-1, 2:4]) > 2e-3, axis=1)
    chains, closed = [], []
    for part in np.split(segments, np.nonzero(broken)[0] + 1):
        chain = np.vstack([part[:1, 0:2], part[:, 2:4]])
        chains.append(chain)
        length = float(np.hypot(*(part[:, 2:4] - part[:, 0:2]).T).sum())
        apart = float(np.hypot(*(chain[-1] - chain[0])))
        closed.append(len(part) >= 3 and apart <= gap_mm and length > 4 * gap_mm)
    return chains, closed


def _draw(shape: tuple[int, int], lines: list[npt.NDArray[np.int32]]) -> Mask:
    mask = np.zeros(shape, np.uint8)
    cv2.polylines(mask, lines, False, 255, 1, cv2.LINE_8, _SHIFT)
    return mask


def _outside(thick: Mask) -> npt.NDArray[np.bool_]:
    """What can be reached from the border without crossing a line."""
    flood = thick.copy()
    cv2.floodFill(flood, None, (0, 0), 128)
    return np.asarray(flood == 128)


def _holes(thick: Mask, loops: Mask, pixel: float) -> npt.NDArray[np.bool_]:
    """Voids that are wide enough and lie along closed loops nearly all round."""
    holes = np.zeros(thick.shape, bool)
    count, labels, stats, _ = cv2.connectedComponentsWithStats(255 - thick, connectivity=4)
    outer = labels[0, 0]
    smallest = math.pi * (SMALLEST_HOLE_RADIUS_MM / pixel) ** 2 / 2
    for label in range(1, count):
        x, y, w, h, area = (int(value) for value in stats[label])
        if label == outer or area < smallest:
            continue
        window = np.s_[max(y - 1, 0) : y + h + 1, max(x - 1, 0) : x + w + 1]
        void = (labels[window] == label).astype(np.uint8)
        # Lines were drawn thicker than they are by the reach beyond half a width: allow for it.
        inner = cv2.distanceTransform(cv2.copyMakeBorder(void, 1, 1, 1, 1, 0), cv2.DIST_L2, 5)
        if float(inner.max()) * pixel < SMALLEST_HOLE_RADIUS_MM - 0.2:
            continue
        rim = (cv2.dilate(void, np.ones((3, 3), np.uint8)) > 0) & (void == 0)
        if float((loops[window] > 0)[rim].mean()) >= 0.97:
            holes[window] |= void > 0
    return holes


def _snap(ring: Array, ends: cKDTree, reach_mm: float) -> Array:
    """Put the corners of a ring onto points of the toolpath where one is near."""
    distance, index = ends.query(ring, distance_upper_bound=reach_mm)
    near = np.isfinite(distance)
    ring = ring.copy()
    ring[near] = ends.data[index[near]]
    keep = np.any(np.abs(ring - np.roll(ring, 1, axis=0)) > 1e-6, axis=1)
    ring = ring[keep]
    if len(ring) < 3:
        return ring
    # Points of a straight edge go.
    before, after = ring - np.roll(ring, 1, axis=0), np.roll(ring, -1, axis=0) - ring
    chord = np.linalg.norm(before + after, axis=1)
    cross = np.abs(before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0])
    off = np.divide(cross, chord, out=np.full(len(ring), np.inf), where=chord > 0)
    return np.asarray(ring[off > 0.02])


def _grow(ring: Array, by_mm: float) -> Array:
    """Move a ring that has its material on the left to the right by ``by_mm``, corners mitred."""
    if len(ring) < 3:
        return ring
    way = np.roll(ring, -1, axis=0) - ring
    way /= np.linalg.norm(way, axis=1)[:, None]
    normal = np.column_stack([way[:, 1], -way[:, 0]])
    before = np.roll(normal, 1, axis=0)
    middle = before + normal
    square = (middle**2).sum(axis=1)
    mitre = np.divide(2 * middle, square[:, None], out=normal.copy(), where=square[:, None] > 1e-9)
    long = np.linalg.norm(mitre, axis=1)
    mitre *= np.minimum(1.0, _MITRE_LIMIT / np.maximum(long, 1e-9))[:, None]
    return np.asarray(ring + by_mm * mitre)


def _area(ring: Array) -> float:
    x, y = ring[:, 0], ring[:, 1]
    return float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2
