"""The part as its G-code builds it: moves, layer regions and the mesh of what stands so far."""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import shapely
from mathutils import Vector
from mathutils.geometry import delaunay_2d_cdt
from parts import FILAMENT_AREA_MM2, MITRE, polygons
from shapely.geometry import LinearRing, LineString
from shapely.geometry.base import BaseGeometry

EDGE_MM = 2.5
"""Longest mesh edge along a wall, short enough for a smooth corner lift."""


@dataclass(frozen=True)
class Move:
    """One straight move; ``filament_mm`` is zero for a travel. Times are nominal seconds."""

    a: tuple[float, float, float]
    b: tuple[float, float, float]
    filament_mm: float
    start_s: float
    end_s: float


@dataclass
class Toolpath:
    """A program's moves, and for each layer its z and the first and last extruding move."""

    moves: list[Move]
    z_mm: list[float]
    spans: list[tuple[int, int]]

    def at(self, seconds: float) -> tuple[tuple[float, float, float], int]:
        """Nozzle position (mm) and index of the move under way at a nominal time."""
        i = min(bisect_left(self.moves, seconds, key=lambda m: m.end_s), len(self.moves) - 1)
        m = self.moves[i]
        f = (seconds - m.start_s) / max(1e-9, m.end_s - m.start_s)
        f = min(1.0, max(0.0, f))
        return tuple(p + f * (q - p) for p, q in zip(m.a, m.b, strict=True)), i


def read_path(gcode: str) -> Toolpath:
    """Moves and layers of a plain G-code; a layer is a height at which filament is laid."""
    pos, e, feed, t = [0.0, 0.0, 0.0], 0.0, 1000.0, 0.0
    moves: list[Move] = []
    z_mm: list[float] = []
    spans: list[tuple[int, int]] = []
    for line in gcode.splitlines():
        words = line.split(";")[0].split()
        if not words or words[0] not in ("G0", "G1"):
            continue
        w = {x[0]: float(x[1:]) for x in words[1:]}
        new = [w.get(c, pos[i]) for i, c in enumerate("XYZ")]
        feed = w.get("F", feed)
        laid = max(0.0, w.get("E", e) - e)
        e += laid
        took = math.dist(pos, new) / feed * 60
        if laid > 0:
            if not z_mm or new[2] > z_mm[-1] + 1e-6:
                z_mm.append(new[2])
                spans.append((len(moves), len(moves)))
            spans[-1] = (spans[-1][0], len(moves))
        moves.append(Move(tuple(pos), tuple(new), laid, t, t + took))
        t += took
        pos = new
    return Toolpath(moves, z_mm, spans)


def laid_region(moves: list[Move], height_mm: float) -> BaseGeometry:
    """Ground covered by the beads of some moves of one layer.

    A bead's width follows from its filament: area of the filament times its length, over bead
    length times layer height.
    """
    chains: list[list[tuple[float, float]]] = []
    width = 0.45
    for m in moves:
        length = math.dist(m.a, m.b)
        if m.filament_mm <= 0 or length < 1e-6:
            continue
        width = m.filament_mm * FILAMENT_AREA_MM2 / (length * height_mm)
        if chains and math.dist(chains[-1][-1], m.a[:2]) < 1e-6:
            chains[-1].append(m.b[:2])
        else:
            chains.append([m.a[:2], m.b[:2]])
    beads = []
    for c in chains:
        closed = len(c) > 3 and math.dist(c[0], c[-1]) < 1e-3
        core = LinearRing(c) if closed else LineString(c)
        beads.append(core.buffer(width / 2 + 0.01, cap_style=2, join_style=MITRE, mitre_limit=3))
    whole = shapely.union_all(beads)
    whole = whole.buffer(0.2, join_style=MITRE).buffer(-0.2, join_style=MITRE)
    kept = [
        shapely.Polygon(p.exterior, [h for h in p.interiors if shapely.Polygon(h).area > 1.5])
        for p in polygons(whole)
    ]
    return shapely.union_all(kept).simplify(0.015)


def same_ground(a: BaseGeometry, b: BaseGeometry) -> bool:
    """True where two layers differ by no more than the raggedness of their fill."""
    odd = a.symmetric_difference(b)
    return odd.buffer(-0.08).area < 0.02


def layer_regions(path: Toolpath, layer_mm: float) -> list[BaseGeometry]:
    """One region a layer; layers with the same ground share one object."""
    out: list[BaseGeometry] = []
    for first, last in path.spans:
        region = laid_region(path.moves[first : last + 1], layer_mm)
        if out and same_ground(out[-1], region):
            region = out[-1]
        out.append(region)
    return out


# ---- mesh ----------------------------------------------------------------------------------


@dataclass(frozen=True)
class Cap:
    """A region as triangles, and its rings as closed loops of points (n, 2)."""

    points: np.ndarray
    triangles: np.ndarray
    rings: list[np.ndarray]


def _ring(coords: np.ndarray) -> np.ndarray:
    pieces = []
    for a, b in pairwise(coords):
        n = max(1, math.ceil(math.dist(a, b) / EDGE_MM))
        pieces.append(a + (b - a) * np.arange(n)[:, None] / n)
    return np.vstack(pieces)


def cap_of(region: BaseGeometry) -> Cap:
    """Triangulate a region with inner points, so that it can bend."""
    rings = [
        _ring(np.asarray(r.coords))
        for p in polygons(region)
        for r in (
            shapely.geometry.polygon.orient(p).exterior,
            *shapely.geometry.polygon.orient(p).interiors,
        )
    ]
    if not rings:
        return Cap(np.zeros((0, 2)), np.zeros((0, 3), int), [])
    x0, y0, x1, y1 = region.bounds
    grid = np.stack(np.meshgrid(np.arange(x0, x1, 4.0), np.arange(y0, y1, 4.0)), -1).reshape(-1, 2)
    inner = grid[shapely.contains_xy(region.buffer(-1.0), grid[:, 0], grid[:, 1])]
    edges, start = [], 0
    for r in rings:
        idx = np.arange(len(r))
        edges += [(start + int(i), start + int((i + 1) % len(r))) for i in idx]
        start += len(r)
    pts = np.vstack([*rings, inner])
    verts, _, faces, *_ = delaunay_2d_cdt(
        [Vector(p) for p in pts.tolist()], edges, [], 0, 1e-5, False
    )
    v = np.array([tuple(p) for p in verts])
    tri = np.array([tuple(f) for f in faces], int)
    mid = v[tri].mean(axis=1)
    return Cap(v, tri[shapely.contains_xy(region, mid[:, 0], mid[:, 1])], rings)


@dataclass
class Mesh:
    """Points (n, 3) in bed mm, faces (quads and triangles), and each point's layer (from 1)."""

    points: np.ndarray
    layer: np.ndarray
    quads: np.ndarray
    triangles: np.ndarray


class Builder:
    """Makes the mesh of the first ``built`` layers plus part of the next; caps are kept."""

    def __init__(self, path: Toolpath, layer_mm: float) -> None:
        self.path, self.layer_mm = path, layer_mm
        self.regions = layer_regions(path, layer_mm)
        self._caps: dict[int, Cap] = {}

    def cap(self, region: BaseGeometry) -> Cap:
        if id(region) not in self._caps:
            self._caps[id(region)] = cap_of(region)
        return self._caps[id(region)]

    def mesh(self, built: int, begun: BaseGeometry | None = None) -> Mesh:
        """Mesh of ``built`` whole layers and, on top, the region ``begun`` of the next one."""
        stack = [self.cap(r) for r in self.regions[:built]]
        if begun is not None and not begun.is_empty:
            stack.append(cap_of(begun))
        pts, layers, quads, tris = [], [], [], []
        count = 0

        def add(xy: np.ndarray, z: float, layer: int) -> int:
            nonlocal count
            pts.append(np.column_stack([xy, np.full(len(xy), z)]))
            layers.append(np.full(len(xy), layer))
            count += len(xy)
            return count - len(xy)

        for k, cap in enumerate(stack):
            z0, z1 = k * self.layer_mm, (k + 1) * self.layer_mm
            for ring in cap.rings:
                # the bottom row belongs to the layer below where that has the same ground
                low = add(ring, z0, k if k and stack[k - 1] is cap else k + 1)
                high = add(ring, z1, k + 1)
                i = np.arange(len(ring))
                j = (i + 1) % len(ring)
                quads.append(np.column_stack([low + i, low + j, high + j, high + i]))
            if k == 0 or stack[k - 1] is not cap:
                at = add(cap.points, z0, k + 1)
                tris.append(cap.triangles[:, ::-1] + at)
            if k + 1 == len(stack) or stack[k + 1] is not cap:
                at = add(cap.points, z1, k + 1)
                tris.append(cap.triangles + at)
        return Mesh(np.vstack(pts), np.concatenate(layers), np.vstack(quads), np.vstack(tris))
