"""Where the part stands on the bed, for a print without a toolpath: drawn by the user, or found.

Found means: laid flat on the bed and taken over the first pictures, what differs in colour from the
bed round it, whole and away from the bed's rim. The head parked over the bed's rim and the clips
are not taken for it; a part in the bed's own colour is not found and must be drawn.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from watcher.records import Array
from watcher.scene.camera import Camera
from watcher.scene.solid import Corner, outline_corners, ring_area_mm2

Bools = npt.NDArray[np.bool_]

RIM_MM = 10.0
"""So near to the bed's edge lie clips, and the head may be parked."""
LEAST_MM2 = 150.0
MOST_VERTICES = 16
"""A polygon with more corners can't be moved by hand."""
STANDS_OUT = 5.0
"""Multiples of the bed's own scatter by which the part's colour must differ."""
LEAST_GREY = 1.5
GRAIN_MM = 1.2
SPACING_MM = 1.2
ROWS = 5
ROW_PX = 3.0
"""Distance up the wall from one row of watched places to the next."""


@dataclass(frozen=True)
class Region:
    """Where the part stands."""

    ring_mm: Array
    """Shape (n, 2), bed coordinates, counter-clockwise: its outline on the bed."""

    @property
    def middle_mm(self) -> Array:
        """Middle of the region's box, shape (2,)."""
        return np.asarray((self.ring_mm.min(axis=0) + self.ring_mm.max(axis=0)) / 2)


@dataclass(frozen=True)
class WallPlaces:
    """Places on the lower part of the walls that face the camera, m in all."""

    point_mm: Array
    """Shape (m, 3), bed coordinates."""
    tangent: Array
    """Shape (m, 2): unit vector along the outline, the part to its left."""
    row: npt.NDArray[np.int64]
    """Shape (m,): 0 at the bed, counted upwards."""
    key: npt.NDArray[np.int64]
    """Shape (m,): the same number for the same place in every frame."""


def _counter_clockwise(ring: Array) -> Array:
    return ring if ring_area_mm2((ring,)) > 0 else ring[::-1]


def drawn_region(camera: Camera, polygon_px: Array, offset_mm: Array) -> Region:
    """The region that a polygon in the picture marks on the bed.

    Args:
        camera: of the frame in which it was drawn.
        polygon_px: shape (n, 2), n at least 3.
        offset_mm: shape (3,), how the bed stood in the machine then.

    """
    ground = camera.ground(polygon_px, float(offset_mm[2])) - offset_mm[:2]
    return Region(_counter_clockwise(ground))


def proposed_polygon(camera: Camera, rings_mm: tuple[Array, ...], offset_mm: Array) -> Array | None:
    """Where the footprint of a toolpath stands in the picture: the polygon to draw.

    Args:
        camera: of the picture.
        rings_mm: the footprint's rings, each of shape (n, 2), bed coordinates; of several parts the
            hull of all is taken, for one polygon is all that a setup holds.
        offset_mm: shape (3,), how the bed stands in the machine.

    Returns:
        Shape (n, 2) px, n from 3 to ``MOST_VERTICES``; ``None`` where there is no outline.

    """
    outer = [ring for ring in rings_mm if ring_area_mm2((ring,)) > 0]
    if not outer:
        return None
    largest = max(outer, key=lambda ring: ring_area_mm2((ring,)))
    if sum(ring_area_mm2((ring,)) > LEAST_MM2 for ring in outer) > 1:
        hull = cv2.convexHull(np.concatenate(outer).astype(np.float32))
        largest = hull[:, 0, :].astype(np.float64)
    ring = _counter_clockwise(largest)
    fine = 0.5
    while True:
        kept = cv2.approxPolyDP(ring.astype(np.float32), fine, True)[:, 0, :].astype(np.float64)
        if len(kept) <= MOST_VERTICES:
            break
        fine *= 1.4
    if len(kept) < 3:
        return None
    return camera.project(np.column_stack([kept, np.zeros(len(kept))]) + offset_mm)


def found_region(
    flats: list[npt.NDArray[np.float32]], size_mm: tuple[float, float], margin_mm: float
) -> Region | str:
    """The region in which something stands on the bed.

    Args:
        flats: pictures laid flat on a grid of 1 mm, each of shape (rows, columns, 3), nan where the
            bed was not in the picture.
        size_mm: width and depth of the bed.
        margin_mm: how far the grid reaches beyond the bed.

    Returns:
        The region, or a sentence on why there is none.

    """
    why = "the part's region was not found; draw it in the setup as part_region"
    stack = np.stack(flats)
    known: Bools = np.asarray(np.isfinite(stack).all(axis=(0, 3)), dtype=np.bool_)
    rows, columns = known.shape
    y, x = np.mgrid[0:rows, 0:columns] - margin_mm
    inside = (x > RIM_MM) & (y > RIM_MM) & (x < size_mm[0] - RIM_MM) & (y < size_mm[1] - RIM_MM)
    inside &= known
    if inside.sum() < 0.2 * size_mm[0] * size_mm[1]:
        return why
    # The camera's own changes of exposure and white balance are taken out picture by picture.
    level = np.median(stack[:, inside], axis=1)
    usual = np.asarray(np.median(level, axis=0), dtype=np.float64)
    colour = np.median(stack * (usual / np.maximum(level, 1.0))[:, None, None], axis=0)
    colour = np.where(known[..., None], colour, usual).astype(np.float32)
    soft = np.asarray(cv2.GaussianBlur(colour, (0, 0), GRAIN_MM), dtype=np.float32)
    apart = _apart_from_bed(soft, inside, x / size_mm[0], y / size_mm[1])
    mask = ((apart > STANDS_OUT) & known).astype(np.uint8)
    opened = cv2.morphologyEx(mask, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))
    whole = cv2.morphologyEx(opened, cv2.MORPH_CLOSE, np.ones((5, 5), np.uint8))
    count, label, stats, _ = cv2.connectedComponentsWithStats(
        whole.astype(np.uint8), connectivity=8
    )
    best = 0
    for i in range(1, count):
        here = label == i
        if (here & ~inside).any():
            continue
        if best == 0 or stats[i, cv2.CC_STAT_AREA] > stats[best, cv2.CC_STAT_AREA]:
            best = i
    if best == 0 or stats[best, cv2.CC_STAT_AREA] < LEAST_MM2:
        return why
    pieces, _ = cv2.findContours(
        (label == best).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_NONE
    )
    outline = cv2.approxPolyDP(max(pieces, key=cv2.contourArea), 1.2, True)[:, 0, :]
    if len(outline) < 3:
        return why
    return Region(_counter_clockwise(outline.astype(np.float64) - margin_mm))


def _apart_from_bed(
    colour: npt.NDArray[np.float32], inside: Bools, x: Array, y: Array
) -> npt.NDArray[np.float64]:
    """How far each place's colour lies from the bed's, in the bed's own scatter (Mahalanobis 1936).

    The bed's colour is a smooth surface, for light and shade; surface and scatter are those of the
    better half of the places, for the part and the head are among the others.
    """
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=-1)
    sample, value = terms[inside][::7], colour[inside][::7].astype(np.float64)
    keep = np.ones(len(value), dtype=bool)
    inverse: Array = np.eye(3)
    fitted: Array = np.zeros((6, 3))
    for _ in range(10):
        fitted = np.asarray(np.linalg.lstsq(sample[keep], value[keep], rcond=None)[0], np.float64)
        left = value - sample @ fitted
        # The inner half of a normal distribution of three has 0.4 of the whole's covariance.
        spread = np.cov(left[keep].T) / (1.0 if keep.all() else 0.4) + LEAST_GREY**2 * np.eye(3)
        inverse = np.asarray(np.linalg.inv(spread), dtype=np.float64)
        far = np.einsum("ni,ij,nj->n", left, inverse, left)
        keep = far <= np.median(far)
    rest = colour.astype(np.float64) - terms @ fitted
    return np.asarray(np.sqrt(np.einsum("rci,ij,rcj->rc", rest, inverse, rest)))


def wall_places(camera: Camera, region: Region, offset_mm: Array) -> WallPlaces:
    """Places along the region's lower outline and in rows up the walls above it.

    Only sides that face the camera count: what stands on their lower edge is the wall, and it
    comes up with a corner that lifts.
    """
    ring = region.ring_mm
    following = np.roll(ring, -1, axis=0)
    places, tangents = [], []
    for a, b in zip(ring, following, strict=True):
        length = float(np.hypot(*(b - a)))
        count = max(1, round(length / SPACING_MM))
        along = (np.arange(count) + 0.5) / count
        places.append(a + along[:, None] * (b - a))
        tangents.append(np.repeat([(b - a) / max(length, 1e-9)], count, axis=0))
    place, tangent = np.concatenate(places), np.concatenate(tangents)
    eye = camera.position_mm - offset_mm
    outward = np.column_stack([tangent[:, 1], -tangent[:, 0]])
    facing = np.einsum("ni,ni->n", outward, eye[:2] - place) > 0
    number = np.flatnonzero(facing)
    foot = np.column_stack([place[facing], np.zeros(len(number))])
    per_mm = np.hypot(*camera.jacobian(foot + offset_mm)[:, :, 2].T) if len(foot) else np.ones(0)
    points, rows = [], []
    for row in range(ROWS):
        up = foot.copy()
        up[:, 2] = row * ROW_PX / np.maximum(per_mm, 1e-6)
        points.append(up)
        rows.append(np.full(len(foot), row))
    row_of = np.concatenate(rows)
    return WallPlaces(
        np.concatenate(points),
        np.tile(tangent[facing], (ROWS, 1)),
        row_of,
        np.tile(number, ROWS) * ROWS + row_of,
    )


def region_corners(camera: Camera, region: Region, offset_mm: Array) -> list[Corner]:
    """Sharp corners of the region's lower outline, those that the camera sees."""
    seen = wall_places(camera, region, offset_mm).point_mm[:, :2]
    corners = []
    for index, turn in outline_corners(region.ring_mm):
        x, y = region.ring_mm[index]
        if len(seen) and float(np.hypot(*(seen - [x, y]).T).min()) < 4.0:
            corners.append(Corner((float(x), float(y), 0.0), 0, False, turn))
    return corners
