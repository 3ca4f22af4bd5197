"""Outlines of a layer: closed rings round what was laid.

The centre lines are drawn on a raster, gaps narrower than a line and the voids of the infill are
filled, and the boundary of that region is traced along the outermost centre lines. The traced
points are then put exactly onto those lines, so that corners stay sharp and the raster leaves
no steps, and the ring is moved out by half a line width with mitred corners.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import cv2
import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from watcher.records import Array

Mask = cv2.typing.MatLike
"""Shape (rows, columns), uint8; rows run with y, so y points up."""
Flags = npt.NDArray[np.bool_]

PIXEL_MM = 0.1
SMALLEST_RING_MM2 = 1.0
SMALLEST_HOLE_RADIUS_MM = 2.0
"""A void is a hole when a circle of this radius fits into it."""
TOLERANCE_MM = 0.03
"""Rings are simplified to within this distance."""
LOOP_GAP_MM = 1.0
"""Ends of a closed loop are at most so far apart: programs leave a gap at the seam."""
SUPPORT_GAP_MM = 3.0
"""Open lines outside the part count as one body when they are no farther apart."""

_MOST_PIXELS = 16_000_000
_LONGEST_PX = 16_000
"""OpenCV keeps some coordinates in 16 bits."""
_SHIFT = 4
_MITRE_LIMIT = 3.0


def rings(segments_mm: Array, width_mm: float) -> tuple[Array, ...]:
    """Rings round the material of one layer.

    ``segments_mm`` has shape (n, 4): x0, y0, x1, y1 of each line laid, in order. Returns rings of
    shape (m, 2), outer ones counter-clockwise, holes clockwise. A void is a hole only if a closed
    loop bounds it and it is wide enough; the voids of sparse infill are filled.
    """
    points = segments_mm.reshape(-1, 2)
    low, high = points.min(axis=0), points.max(axis=0)
    span = high - low
    pixel = max(
        PIXEL_MM,
        math.sqrt(float(span[0] * span[1]) / _MOST_PIXELS),
        float(span.max()) / _LONGEST_PX,
    )
    reach = math.ceil(0.65 * width_mm / pixel)
    margin = max(reach, math.ceil(SUPPORT_GAP_MM / 2 / pixel)) + 3
    shape = (int(span[1] / pixel) + 2 * margin + 1, int(span[0] / pixel) + 2 * margin + 1)
    origin = low - margin * pixel

    chains, closed = _chains(segments_mm, max(LOOP_GAP_MM, 2 * width_mm))
    scale = (1 << _SHIFT) / pixel
    drawn = [((chain - origin) * scale).round().astype(np.int32) for chain in chains]
    loops, others = np.zeros(shape, np.uint8), np.zeros(shape, np.uint8)
    for mask, whole in ((loops, True), (others, False)):
        some = [line for line, ends_meet in zip(drawn, closed, strict=True) if ends_meet == whole]
        cv2.polylines(mask, some, whole, 255, 1, cv2.LINE_8, _SHIFT)
    disc = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (2 * reach + 1, 2 * reach + 1))
    thick = cv2.dilate(loops | others, disc)
    smallest_px = max((SMALLEST_HOLE_RADIUS_MM + width_mm / 2) / pixel - reach, 3.0)
    outside, holes = _empty(thick, loops, disc, smallest_px)
    filled = np.where(outside | holes, 0, 255).astype(np.uint8)
    body = cv2.erode(filled, disc)
    body[(_joined(others, loops, SUPPORT_GAP_MM / 2 / pixel) > 0) & ~holes] = 255

    found, _ = cv2.findContours(body, cv2.RETR_CCOMP, cv2.CHAIN_APPROX_NONE)
    if not found:
        return ()
    lines = _Lines(segments_mm, found, shape, origin, pixel)
    out = []
    for contour in found:
        # OpenCV's outer contours run clockwise where y points up.
        traced = contour[::-1, 0, :].astype(float) * pixel + origin
        ring = _without_straight(_grow(lines.fit(traced), width_mm / 2))
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


def _empty(thick: Mask, loops: Mask, disc: Mask, smallest_px: float) -> tuple[Flags, Flags]:
    """What is outside, and the holes.

    Outside can be reached from the border without crossing a line. Holes are voids into which
    a circle fits and whose outer rim lies along closed loops: a void of sparse infill is bounded
    in part by the infill's open lines. What stands inside a void (a support, another object)
    doesn't matter.
    """
    flood = thick.copy()
    cv2.floodFill(flood, None, (0, 0), 128)
    outside, holes = flood == 128, np.zeros(thick.shape, bool)
    # Every other pixel is enough to see how wide a void is.
    room = cv2.distanceTransform((flood[::2, ::2] == 0).astype(np.uint8), cv2.DIST_L2, 5)
    by = disc.shape[0]
    while True:
        _, widest, _, place = cv2.minMaxLoc(room)
        if 2 * widest < smallest_px:
            return outside, holes
        _, _, _, (x, y, w, h) = cv2.floodFill(flood, None, (2 * place[0], 2 * place[1]), 64)
        room[flood[::2, ::2] == 64] = 0
        window = np.s_[max(y - by, 0) : y + h + by, max(x - by, 0) : x + w + by]
        void = flood[window] == 64
        flood[window][void] = 255
        edge, _ = cv2.findContours(void.astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
        rim = cv2.drawContours(np.zeros(void.shape, np.uint8), edge, -1, 1, 3) > 0
        along = cv2.dilate(loops[window], disc) > 0
        if float(along[rim & (thick[window] > 0)].mean()) >= 0.97:
            holes[window] |= void


def _joined(others: Mask, loops: Mask, radius_px: float) -> Mask:
    """Open lines outside all loops (supports), with the gaps between them closed."""
    edge, _ = cv2.findContours(loops, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE)
    inside = cv2.drawContours(np.zeros_like(loops), edge, -1, 255, cv2.FILLED)
    apart = np.where(inside > 0, 0, others).astype(np.uint8)
    if not apart.any():
        return apart
    near = cv2.distanceTransform(255 - apart, cv2.DIST_L2, 5) <= radius_px
    shrunk = cv2.distanceTransform(near.astype(np.uint8), cv2.DIST_L2, 5) > radius_px
    return np.where(shrunk & (inside == 0), 255, apart).astype(np.uint8)


class _Lines:
    """The toolpath's lines near the traced boundaries, to put traced points exactly onto them."""

    def __init__(
        self,
        segments: Array,
        traced: Sequence[Mask],
        shape: tuple[int, int],
        origin: Array,
        pixel: float,
    ) -> None:
        self.pixel = pixel
        border = cv2.drawContours(np.zeros(shape, np.uint8), list(traced), -1, 255, 1)
        border = cv2.dilate(border, np.ones((5, 5), np.uint8))
        start, way = segments[:, 0:2], segments[:, 2:4] - segments[:, 0:2]
        length = np.hypot(way[:, 0], way[:, 1])
        steps = np.ceil(length / (2 * pixel)).astype(int) + 1
        owner = np.repeat(np.arange(len(segments)), steps)
        first = np.repeat(np.cumsum(steps) - steps, steps)
        part = (np.arange(len(owner)) - first) / np.maximum(steps - 1, 1)[owner]
        sample = start[owner] + part[:, None] * way[owner]
        at = ((sample - origin) / pixel).round().astype(int)
        near = border[at[:, 1], at[:, 0]] > 0
        self.owner = owner[near]
        self.start, self.way = start, way
        self.square = np.maximum(length**2, 1e-12)
        self.tree = cKDTree(sample[near]) if near.any() else None
        used = np.unique(self.owner)
        self.ends = np.vstack([start[used], (start + way)[used]])
        self.end_tree = cKDTree(self.ends) if len(used) else None

    def fit(self, traced: Array) -> Array:
        """A traced ring, shape (n, 2) in mm, put onto the lines and simplified."""
        if self.tree is None or self.end_tree is None:
            return traced
        _, index = self.tree.query(traced)
        owner = self.owner[index]
        start, way = self.start[owner], self.way[owner]
        along = ((traced - start) * way).sum(axis=1) / self.square[owner]
        put = start + np.clip(along, 0, 1)[:, None] * way
        off = np.linalg.norm(put - traced, axis=1) / self.pixel
        exact = np.where((off < 1.5)[:, None], put, traced)
        self._sharpen(exact, owner, off > 0.8)
        middle = exact.mean(axis=0)
        simple = cv2.approxPolyDP((exact - middle).astype(np.float32), TOLERANCE_MM, True)
        ring = np.asarray(simple[:, 0, :], dtype=np.float64) + middle
        # Corners onto the ends of the lines that meet there.
        distance, index = self.end_tree.query(ring, distance_upper_bound=1.6 * self.pixel)
        sharp = np.isfinite(distance)
        ring[sharp] = self.ends[index[sharp]]
        return _without_straight(ring)

    def _sharpen(self, ring: Array, owner: npt.NDArray[np.int_], off: Flags) -> None:
        """Replace, in place, the short runs that left the lines by the point where these meet.

        Inner corners come out of the raster rounded by its closing of gaps.
        """
        if off.all() or not off.any():
            return
        turn = int(np.argmin(off))
        places = np.roll(np.arange(len(off)), -turn)
        edges = np.nonzero(np.diff(np.concatenate([[0], off[places].astype(int), [0]])))[0]
        for begin, end in edges.reshape(-1, 2):
            run = places[begin:end]
            before, after = owner[run[0] - 1], owner[(run[-1] + 1) % len(off)]
            a, b = self.way[before], self.way[after]
            cross = a[0] * b[1] - a[1] * b[0]
            if abs(cross) < 0.2 * math.sqrt(self.square[before] * self.square[after]):
                continue
            to = self.start[after] - self.start[before]
            meet = self.start[before] + a * (to[0] * b[1] - to[1] * b[0]) / cross
            if np.linalg.norm(ring[run] - meet, axis=1).max() < 8 * self.pixel:
                ring[run] = meet


def _without_straight(ring: Array) -> Array:
    """Leave out repeated points and points on a straight edge."""
    ring = ring[np.linalg.norm(ring - np.roll(ring, 1, axis=0), axis=1) > 0.02]
    before, after = ring - np.roll(ring, 1, axis=0), np.roll(ring, -1, axis=0) - ring
    chord = np.linalg.norm(before + after, axis=1)
    cross = np.abs(before[:, 0] * after[:, 1] - before[:, 1] * after[:, 0])
    off = np.divide(cross, chord, out=np.full(len(ring), np.inf), where=chord > 0)
    # A turn back on itself is the end of a single line, not a straight edge.
    return np.asarray(ring[(off > 0.01) | ((before * after).sum(axis=1) < 0)])


def _grow(ring: Array, by_mm: float) -> Array:
    """Move a ring that has its material on the left to the right by ``by_mm``, corners mitred."""
    if len(ring) < 2:
        return ring
    way = np.roll(ring, -1, axis=0) - ring
    way /= np.maximum(np.linalg.norm(way, axis=1), 1e-9)[:, None]
    normal = np.column_stack([way[:, 1], -way[:, 0]])
    before = np.roll(normal, 1, axis=0)
    middle = before + normal
    square = (middle**2).sum(axis=1)
    mitre = np.divide(2 * middle, square[:, None], out=normal.copy(), where=square[:, None] > 1e-9)
    long = np.linalg.norm(mitre, axis=1)
    mitre *= np.minimum(1.0, _MITRE_LIMIT / np.maximum(long, 1e-9))[:, None]
    # Sharp points and the ends of single lines are cut off square: two points in place of one.
    back = np.roll(way, 1, axis=0)
    outward = back[:, 0] * way[:, 1] - back[:, 1] * way[:, 0] >= 0
    square_end = outward & ((square < 1e-9) | (long > _MITRE_LIMIT))
    first = np.where(square_end[:, None], before + back, mitre)
    second = np.where(square_end[:, None], normal - way, mitre)
    both = np.stack([ring + by_mm * first, ring + by_mm * second], axis=1)
    keep = np.stack([np.ones(len(ring), bool), square_end], axis=1)
    return np.asarray(both[keep])


def _area(ring: Array) -> float:
    x, y = ring[:, 0], ring[:, 1]
    return float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2
