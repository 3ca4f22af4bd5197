"""The part as upright lines: where its walls begin, how they climb and where they end.

A layer's outline is cut into places about a millimetre apart, and each place is followed from
layer to layer for as long as the next outline passes close by. Such a line of places is a *track*:
its foot is where the wall begins, its top is the edge (rim) that the camera can measure.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from watcher.records import Array, Toolpath
from watcher.trouble import BadToolpath

SPACING_MM = 1.2
THIN_MM = 1.2
"""Twice the area over the length of the outline: what is thinner is taken for support."""
SLOPE_MM = 8.0
FOLLOW_MM = 0.7
"""A wall that leans by more than this in one layer counts as ended."""


@dataclass(frozen=True)
class Solid:
    """The part's walls. T tracks, N layers."""

    xy_mm: Array
    """Shape (T, 2): where the track's rim stands, taken at its middle layer."""
    path_mm: Array
    """Shape (N, T, 2): the track's place on each layer, nan outside its life."""
    first: npt.NDArray[np.int64]
    """Shape (T,): index of the first layer of the track."""
    last: npt.NDArray[np.int64]
    """Shape (T,): index of the last layer of the track."""
    tangent: Array
    """Shape (T, 2): unit vector along the outline, the part to its left."""
    foot_index: int
    """Index of the layer whose outline is the part's footprint, brim left out."""
    z_mm: Array
    """Shape (N,): top of each layer."""
    rings_mm: tuple[tuple[Array, ...], ...]
    """The rings of each layer."""


def _resample(ring: Array) -> tuple[Array, Array]:
    """Places along a closed ring, none on its corners, and the unit tangents there."""
    following = np.roll(ring, -1, axis=0)
    places, tangents = [], []
    for a, b in zip(ring, following, strict=True):
        length = float(np.hypot(*(b - a)))
        if length < 1e-6:
            continue
        count = max(1, int(np.ceil(length / SPACING_MM)))
        along = (np.arange(count) + 0.5) / count
        places.append(a + along[:, None] * (b - a))
        tangents.append(np.repeat([(b - a) / length], count, axis=0))
    if not places:
        return np.zeros((0, 2)), np.zeros((0, 2))
    return np.concatenate(places), np.concatenate(tangents)


def _nearest(points: Array, rings: tuple[Array, ...]) -> tuple[Array, Array, Array]:
    """Nearest place of the rings to each point, its distance and the ring's direction there."""
    starts = np.concatenate(rings)
    ends = np.concatenate([np.roll(r, -1, axis=0) for r in rings])
    step = ends - starts
    square = np.maximum(np.sum(step**2, axis=1), 1e-12)
    best = np.full(len(points), np.inf)
    place, direction = points.copy(), np.zeros_like(points)
    block = max(1, 2_000_000 // max(1, len(points)))
    for at in range(0, len(starts), block):
        a, d, q = starts[at : at + block], step[at : at + block], square[at : at + block]
        t = np.clip(np.einsum("pij,ij->pi", points[:, None] - a, d) / q, 0, 1)
        near = a + t[..., None] * d
        distance = np.linalg.norm(points[:, None] - near, axis=2)
        choice = np.argmin(distance, axis=1)
        row = np.arange(len(points))
        better = distance[row, choice] < best
        best = np.where(better, distance[row, choice], best)
        place[better] = near[row, choice][better]
        direction[better] = (d / np.sqrt(q)[:, None])[choice][better]
    return place, best, direction


def ring_area_mm2(rings: tuple[Array, ...]) -> float:
    """Area inside the rings: outer rings count up, holes down."""
    total = 0.0
    for ring in rings:
        x, y = ring.T
        total += 0.5 * float(np.sum(x * np.roll(y, -1) - np.roll(x, -1) * y))
    return total


def footprint_index(toolpath: Toolpath) -> int:
    """Index of the first layer without brim, skirt or purge line.

    A brim is one to three layers that reach further than the layers above them; the layer that
    the part's own bottom has is then the first one that does not shrink any more.
    """
    areas = [ring_area_mm2(layer.rings_mm) for layer in toolpath.layers[:6]]
    index = 0
    for i in range(min(4, len(areas) - 1)):
        if areas[i] > 1.03 * areas[i + 1]:
            index = i + 1
    return index


def same_rings(a: tuple[Array, ...], b: tuple[Array, ...]) -> bool:
    """Whether two layers have the same outline, number for number."""
    return len(a) == len(b) and all(
        p.shape == q.shape and bool(np.allclose(p, q, atol=1e-6)) for p, q in zip(a, b, strict=True)
    )


def solid_from_toolpath(toolpath: Toolpath) -> Solid:
    """Follow the outlines up through the layers.

    Raises:
        BadToolpath: where no layer has an outline.

    """
    layers = toolpath.layers
    if not any(layer.rings_mm for layer in layers):
        raise BadToolpath("The toolpath prints nothing that has an outline.", "Check the file.")
    first: list[int] = []
    last: list[int] = []
    tangents: list[Array] = []
    alive = np.zeros(0, dtype=int)
    where = np.zeros((0, 2))
    history: list[tuple[int, np.ndarray, Array]] = []
    before: tuple[Array, ...] | None = None
    for index, layer in enumerate(layers):
        rings = layer.rings_mm
        if rings and before is not None and same_rings(rings, before):
            for track in alive:
                last[track] = index
            continue
        before = rings
        if not rings:
            alive, where = alive[:0], where[:0]
            continue
        if len(alive):
            place, distance, direction = _nearest(where, rings)
            keep = distance < FOLLOW_MM
            alive, where = alive[keep], place[keep]
            for track, along in zip(alive, direction[keep], strict=True):
                last[track] = index
                # Where a wall leans out, a place may come to lie on another side of the outline.
                tangents[track] = along
        fresh, fresh_tangent = [], []
        for ring in rings:
            places, tangent = _resample(ring)
            fresh.append(places)
            fresh_tangent.append(tangent)
        places, tangent = np.concatenate(fresh), np.concatenate(fresh_tangent)
        if len(alive) and len(places):
            gap, _ = cKDTree(where).query(places)
            lonely = gap > 0.9 * SPACING_MM
            places, tangent = places[lonely], tangent[lonely]
        if len(places):
            count = len(first)
            alive = np.concatenate([alive, np.arange(count, count + len(places))])
            where = np.concatenate([where, places])
            first += [index] * len(places)
            last += [index] * len(places)
            tangents += list(tangent)
        history.append((index, alive.copy(), where.copy()))
    tracks = len(first)
    path = np.full((len(layers), tracks, 2), np.nan, dtype=np.float64)
    for position, (index, who, at) in enumerate(history):
        end = history[position + 1][0] if position + 1 < len(history) else len(layers)
        path[index:end, who] = at[None]
    begin, finish = np.array(first), np.array(last)
    for track in range(tracks):
        path[: begin[track], track] = np.nan
        path[finish[track] + 1 :, track] = np.nan
    middle = (begin + finish) // 2
    return Solid(
        xy_mm=path[middle, np.arange(tracks)],
        path_mm=path,
        first=begin,
        last=finish,
        tangent=np.array(tangents),
        foot_index=footprint_index(toolpath),
        z_mm=np.array([layer.z_mm for layer in layers]),
        rings_mm=tuple(layer.rings_mm for layer in layers),
    )


@dataclass(frozen=True)
class Corner:
    """A corner of the part that may lift."""

    place_mm: tuple[float, float, float]
    """Where its lower edge stands on the bed, or above it for an overhang."""
    first: int
    """Index of the layer with which it begins."""
    overhang: bool
    sharpness_deg: float


def outline_corners(
    ring: Array, span_mm: float = 8.0, least_deg: float = 40.0
) -> list[tuple[int, float]]:
    """Convex corners of a closed ring: index into the ring and turn in degrees.

    The turn is taken between the directions ``span_mm`` before and after, so that a rounded
    corner counts as one corner.
    """
    following = np.roll(ring, -1, axis=0)
    lengths = np.hypot(*(following - ring).T)
    total = float(lengths.sum())
    if total < 4 * span_mm:
        span_mm = total / 8
    along = np.concatenate([[0], np.cumsum(lengths)])
    closed = np.vstack([ring, ring[:1]])

    def at(distance: Array) -> Array:
        d = np.mod(distance, total)
        return np.column_stack(
            [np.interp(d, along, closed[:, 0]), np.interp(d, along, closed[:, 1])]
        )

    # Stations at the ring's own points and at every millimetre between them.
    s = np.unique(np.concatenate([along[:-1], np.arange(0, total, 1.0)]))
    here, back, fore = at(s), at(s - span_mm), at(s + span_mm)
    inward, outward = here - back, fore - here
    turn = np.degrees(
        np.arctan2(
            inward[:, 0] * outward[:, 1] - inward[:, 1] * outward[:, 0],
            np.sum(inward * outward, axis=1),
        )
    )
    found: list[tuple[int, float]] = []
    taken: list[float] = []
    for i in np.argsort(-turn):
        if turn[i] < least_deg:
            break
        if all(min(abs(s[i] - t), total - abs(s[i] - t)) > 1.5 * span_mm for t in taken):
            taken.append(float(s[i]))
            nearest = int(np.argmin(np.hypot(*(ring - here[i]).T)))
            found.append((nearest, float(turn[i])))
    return found


def _inside(point: Array, rings: tuple[Array, ...], margin_mm: float) -> bool:
    """Whether a point lies inside the rings, or within the margin outside them."""
    value = -np.inf
    for ring in rings:
        signed = cv2.pointPolygonTest(
            ring.astype(np.float32).reshape(-1, 1, 2), tuple(map(float, point)), True
        )
        value = max(value, float(signed))
    return value > -margin_mm


def _thick(rings: tuple[Array, ...]) -> tuple[Array, ...]:
    """Rings of the part itself: support is lines and lattice, and is meant to be torn off."""
    kept = []
    for ring in rings:
        area = ring_area_mm2((ring,))
        round_mm = float(np.hypot(*(np.roll(ring, -1, axis=0) - ring).T).sum())
        if area >= 25.0 and 2 * area / round_mm > THIN_MM:
            kept.append(ring)
    return tuple(kept)


def _apart_mm(corner: Corner, place: Array) -> float:
    return float(np.hypot(corner.place_mm[0] - place[0], corner.place_mm[1] - place[1]))


def corners_of(solid: Solid, toolpath: Toolpath, most: int = 24) -> list[Corner]:
    """Corners of the footprint, and corners of overhangs higher up.

    An overhang is a part of an outline that lies more than 1.5 mm outside the outline 3 mm
    below it; its corner can curl although nothing has come off the bed.
    """
    corners: list[Corner] = []
    foot = solid.foot_index
    for ring in _thick(solid.rings_mm[foot]):
        for i, turn in outline_corners(ring):
            corners.append(Corner((float(ring[i, 0]), float(ring[i, 1]), 0.0), foot, False, turn))
    above: list[Corner] = []
    for index in range(foot + 1, len(solid.z_mm)):
        rings = _thick(solid.rings_mm[index])
        if same_rings(rings, _thick(solid.rings_mm[index - 1])):
            continue
        below = int(np.searchsorted(solid.z_mm, solid.z_mm[index] - 3.0))
        below = min(max(below, foot), index - 1)
        for ring in rings:
            for i, turn in outline_corners(ring):
                place = ring[i]
                if _inside(place, _thick(solid.rings_mm[below]), 1.5):
                    continue
                if any(_apart_mm(c, place) < 6.0 for c in corners):
                    continue
                z = float(solid.z_mm[index - 1])
                new = Corner((float(place[0]), float(place[1]), z), index, True, turn)
                # A slope that leans out has its corner where it ends.
                near = [k for k, c in enumerate(above) if _apart_mm(c, place) < SLOPE_MM]
                if near:
                    above[near[-1]] = new
                else:
                    above.append(new)
    corners += above
    corners.sort(key=lambda c: (c.overhang, -c.sharpness_deg))
    return corners[:most]
