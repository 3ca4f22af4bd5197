"""What the camera should see of the part when a given layer is done.

The part is drawn as a stack of slabs from the bed up; for a camera above the part a higher slab
can hide a lower one but never the other way round, so the last drawn is what is seen.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from watcher.records import Array
from watcher.scene.camera import Camera
from watcher.scene.solid import Corner, Solid, same_rings

RIM, FOOT, UPRIGHT, LEDGE = 0, 1, 2, 3
LEDGE_MM = 1.0
"""A wall that begins above the bed must be so tall before its lower edge is watched."""


@dataclass(frozen=True)
class Stations:
    """Places on the part's visible edges, where the picture is compared with the toolpath."""

    kind: npt.NDArray[np.int64]
    """Shape (n,): RIM, FOOT, UPRIGHT or LEDGE, the lower edge of what overhangs."""
    key: npt.NDArray[np.int64]
    """Shape (n,): the same number for the same edge of the part in every frame."""
    track: npt.NDArray[np.int64]
    """Shape (n,): the track of the solid it stands on."""
    point_mm: Array
    """Shape (n, 3), bed coordinates."""
    along: Array
    """Shape (n, 3): unit vector along the edge."""
    growing: npt.NDArray[np.bool_]
    """Shape (n,): whether the edge belongs to the layer being printed."""


def corner_names(camera: Camera, corners: list[Corner]) -> list[str]:
    """Names as a person before the printer would say them: ``front right corner``.

    Front is where the camera stands; corners that share a name are numbered.
    """
    if not corners:
        return []
    pixels = camera.project(np.array([c.place_mm for c in corners]))
    flat = np.array([c.place_mm[:2] for c in corners])
    middle = camera.project(np.array([[*((flat.min(axis=0) + flat.max(axis=0)) / 2), 0.0]]))[0]
    names: list[str] = []
    for corner, (x, y) in zip(corners, pixels, strict=True):
        name = (
            f"{'front' if y > middle[1] else 'back'} {'right' if x > middle[0] else 'left'} corner"
        )
        if corner.overhang:
            name = f"{name} at {corner.place_mm[2]:.0f} mm"
        same = sum(n == name or n.startswith(f"{name} (") for n in names)
        names.append(name if same == 0 else f"{name} ({same + 1})")
    return names


def machine(points_mm: Array, offset_mm: Array) -> Array:
    """Bed coordinates to machine coordinates: the bed moved by ``offset_mm``, shape (3,)."""
    return np.asarray(points_mm + offset_mm, dtype=np.float64)


def slab_map(camera: Camera, solid: Solid, layer: int, offset_mm: Array) -> npt.NDArray[np.float32]:
    """Height of the part's surface that each pixel shows, -1 where it shows none.

    Args:
        camera: where the camera stands.
        solid: the part.
        layer: index of the last layer that is there.
        offset_mm: how the bed stands in the machine, shape (3,).

    Returns:
        Array of shape (H, W), mm above the bed.

    """
    width, height = camera.size_px
    seen = np.full((height, width), -1.0, dtype=np.float32)
    start = 0
    while start <= layer:
        rings = solid.rings_mm[start]
        end = start
        while end < layer and same_rings(solid.rings_mm[end + 1], rings):
            end += 1
        bottom = float(solid.z_mm[start - 1]) if start > 0 else 0.0
        top = float(solid.z_mm[end])
        steps = max(1, int(np.ceil((top - bottom) / 2.0)))
        for step in range(steps):
            low = bottom + (top - bottom) * step / steps
            high = bottom + (top - bottom) * (step + 1) / steps
            for ring in rings:
                _draw_walls(camera, seen, ring, low, high, offset_mm)
        _draw_top(camera, seen, rings, top, offset_mm)
        start = end + 1
    return seen


def _pixels(camera: Camera, ring: Array, z: float, offset_mm: Array) -> Array:
    return camera.project(machine(np.column_stack([ring, np.full(len(ring), z)]), offset_mm))


def _draw_walls(
    camera: Camera,
    seen: npt.NDArray[np.float32],
    ring: Array,
    low: float,
    high: float,
    offset: Array,
) -> None:
    eye = camera.position_mm - offset
    following = np.roll(ring, -1, axis=0)
    step = following - ring
    # The part lies to the left of the ring, so this normal points out of it.
    normal = np.column_stack([step[:, 1], -step[:, 0]])
    facing = np.sum(normal * (eye[:2] - ring), axis=1) > 0
    a, b = _pixels(camera, ring, low, offset), _pixels(camera, ring, high, offset)
    quads = np.stack([a, np.roll(a, -1, axis=0), np.roll(b, -1, axis=0), b], axis=1)
    for quad in quads[facing]:
        cv2.fillConvexPoly(
            seen, np.round(quad * 16).astype(np.int32), (low + high) / 2, cv2.LINE_8, 4
        )


def _draw_top(
    camera: Camera,
    seen: npt.NDArray[np.float32],
    rings: tuple[Array, ...],
    z: float,
    offset: Array,
) -> None:
    outlines = [np.round(_pixels(camera, r, z, offset) * 16).astype(np.int32) for r in rings]
    if outlines:
        cv2.fillPoly(seen, outlines, z, cv2.LINE_8, 4)


def stations_at(
    camera: Camera, solid: Solid, layer: int, offset_mm: Array, seen: npt.NDArray[np.float32]
) -> Stations:
    """Places on the visible edges of the part when ``layer`` (an index) is done."""
    tracks = np.flatnonzero(solid.first <= layer)
    top = np.minimum(solid.last[tracks], layer)
    count = len(solid.first)
    eye = camera.position_mm - offset_mm
    # Rims: the top of every track.
    xy = solid.path_mm[top, tracks]
    tangent = np.column_stack([solid.tangent[tracks], np.zeros(len(tracks))])
    rim = np.column_stack([xy, solid.z_mm[top]])
    growing = top == layer
    parts = [(np.full(len(tracks), RIM), tracks, tracks, rim, tangent, growing)]
    # Feet: where a wall that faces the camera meets the bed.
    foot = np.flatnonzero(solid.first <= solid.foot_index)
    foot = foot[(solid.last[foot] >= solid.foot_index)]
    at = solid.path_mm[solid.foot_index, foot]
    good = np.isfinite(at[:, 0])
    foot, at = foot[good], at[good]
    outward = np.column_stack([solid.tangent[foot][:, 1], -solid.tangent[foot][:, 0]])
    facing = np.sum(outward * (eye[:2] - at), axis=1) > 0
    if layer > solid.foot_index:
        f = foot[facing]
        parts.append(
            (
                np.full(len(f), FOOT),
                count + f,
                f,
                np.column_stack([at[facing], np.zeros(len(f))]),
                np.column_stack([solid.tangent[f], np.zeros(len(f))]),
                np.zeros(len(f), dtype=bool),
            )
        )
    ledge = tracks[solid.first[tracks] > solid.foot_index]
    begin = solid.first[ledge]
    bottom = solid.z_mm[begin - 1]
    at = solid.path_mm[begin, ledge]
    outward = np.column_stack([solid.tangent[ledge][:, 1], -solid.tangent[ledge][:, 0]])
    tall = solid.z_mm[np.minimum(solid.last[ledge], layer)] - bottom
    shows = (np.sum(outward * (eye[:2] - at), axis=1) > 0) & (tall >= LEDGE_MM)
    f = ledge[shows]
    parts.append(
        (
            np.full(len(f), LEDGE),
            3 * count + f,
            f,
            np.column_stack([at[shows], bottom[shows]]),
            np.column_stack([solid.tangent[f], np.zeros(len(f))]),
            np.zeros(len(f), dtype=bool),
        )
    )
    upright = _uprights(solid, layer, eye)
    if len(upright[0]):
        u, level = upright
        z = solid.z_mm[level]
        parts.append(
            (
                np.full(len(u), UPRIGHT),
                # All heights of an upright edge look alike: what is new is compared with below.
                2 * count + u,
                u,
                np.column_stack([solid.path_mm[level, u], z]),
                np.tile([0.0, 0.0, 1.0], (len(u), 1)),
                np.zeros(len(u), dtype=bool),
            )
        )
    kind, key, track, point, along, grow = (
        np.concatenate(column) for column in zip(*parts, strict=True)
    )
    visible = _visible(camera, point, offset_mm, seen)
    return Stations(
        kind[visible], key[visible], track[visible], point[visible], along[visible], grow[visible]
    )


def _uprights(
    solid: Solid, layer: int, eye: Array
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Tracks where the outline turns out of sight, a place each millimetre up."""
    who: list[int] = []
    level: list[int] = []
    starts = np.unique(solid.first[solid.first <= layer])
    for start in starts:
        group = np.flatnonzero(solid.first == start)
        if len(group) < 3:
            continue
        outward = np.column_stack([solid.tangent[group][:, 1], -solid.tangent[group][:, 0]])
        facing = np.sum(outward * (eye[:2] - solid.xy_mm[group]), axis=1) > 0
        near = np.hypot(*(np.roll(solid.xy_mm[group], -1, axis=0) - solid.xy_mm[group]).T)
        turns = facing != np.roll(facing, -1)
        for i in np.flatnonzero(turns & (near < 4.0)):
            track = group[i] if facing[i] else group[(i + 1) % len(group)]
            end = min(int(solid.last[track]), layer)
            last_z = -np.inf
            for k in range(int(solid.first[track]), end):
                if solid.z_mm[k] - last_z >= 1.0:
                    who.append(int(track))
                    level.append(k)
                    last_z = float(solid.z_mm[k])
    return np.array(who, dtype=np.int64), np.array(level, dtype=np.int64)


def _visible(
    camera: Camera, point: Array, offset_mm: Array, seen: npt.NDArray[np.float32]
) -> npt.NDArray[np.bool_]:
    """Whether the surface near each point's pixel is at its own height, so nothing hides it."""
    height, width = seen.shape
    pixel = np.round(camera.project(machine(point, offset_mm))).astype(int)
    margin = 6
    inside = (
        (pixel[:, 0] >= margin)
        & (pixel[:, 1] >= margin)
        & (pixel[:, 0] < width - margin)
        & (pixel[:, 1] < height - margin)
    )
    ok = np.zeros(len(point), dtype=bool)
    for dx in (-1, 0, 1):
        for dy in (-1, 0, 1):
            x = np.clip(pixel[:, 0] + dx, 0, width - 1)
            y = np.clip(pixel[:, 1] + dy, 0, height - 1)
            here = seen[y, x]
            ok |= (here >= 0) & (np.abs(here - point[:, 2]) < 1.6)
    return np.asarray(inside & ok)
