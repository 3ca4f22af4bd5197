"""Parts for greenhouse vents and the toolpaths that print them.

A part is a list of layer regions (shapely polygons in bed mm, first layer first). ``slice_part``
turns them into plain G-code: closed walls, solid fill at +-45 degrees, no comments by layer.
A bead is taken as a rectangle, width times layer height, so a move of length L mm takes
``L * width * height / (pi / 4 * 1.75**2)`` mm of filament (conservation of volume).
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import pairwise

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import LineString, Point, Polygon, box
from shapely.geometry.base import BaseGeometry

FILAMENT_MM = 1.75
FILAMENT_AREA_MM2 = math.pi / 4 * FILAMENT_MM**2
MITRE = 2
FIRST_SPEED, SPEED, TRAVEL, CLIMB = 1350, 2700, 9000, 600

Regions = list[BaseGeometry]


def filament_per_mm(width_mm: float, height_mm: float) -> float:
    """Millimetres of filament for one millimetre of bead."""
    return width_mm * height_mm / FILAMENT_AREA_MM2


def polygons(region: BaseGeometry) -> list[Polygon]:
    """The polygons of a region, largest first, specks below 0.05 mm2 left out."""
    parts = region.geoms if hasattr(region, "geoms") else [region]
    found = [p for p in parts if isinstance(p, Polygon) and p.area > 0.05]
    return sorted(found, key=lambda p: -p.area)


# ---- shapes, each centred on (0, 0) --------------------------------------------------------


def bracket(length: float, depth: float, base_layers: int, layers: int, wall: float) -> Regions:
    """Base plate, a wall along its back edge and a rib across the middle."""
    base = box(-length / 2, -depth / 2, length / 2, depth / 2)
    back = box(-length / 2, depth / 2 - wall, length / 2, depth / 2)
    rib = box(-wall, -depth / 4, wall, depth / 2)
    return [base] * base_layers + [shapely.union(back, rib)] * (layers - base_layers)


def gusset(length: float, depth: float, base_layers: int, layers: int, wall: float) -> Regions:
    """Base plate, back wall and two gussets that get shorter with height; a hole in the base."""
    base = box(-length / 2, -depth / 2, length / 2, depth / 2)
    base = base.difference(Point(0, -depth / 6).buffer(depth / 8, quad_segs=24))
    out: Regions = [base] * base_layers
    rise = layers - base_layers
    for k in range(rise):
        reach = (depth - wall) * (1 - k / rise)
        y0 = depth / 2 - wall - reach
        pieces = [box(-length / 2, depth / 2 - wall, length / 2, depth / 2)]
        pieces += [box(x, y0, x + wall, depth / 2) for x in (-length / 2, length / 2 - wall)]
        out.append(shapely.union_all(pieces))
    return out


def tray(length: float, depth: float, base_layers: int, layers: int, wall: float) -> Regions:
    """Flat floor and four straight walls."""
    base = box(-length / 2, -depth / 2, length / 2, depth / 2)
    ring = base.difference(base.buffer(-wall, join_style=MITRE))
    return [base] * base_layers + [ring] * (layers - base_layers)


def rounded_plate(length: float, depth: float, radius: float, hole: float, layers: int) -> Regions:
    """Thick plate with round corners and a round hole off its middle."""
    core = box(-length / 2 + radius, -depth / 2 + radius, length / 2 - radius, depth / 2 - radius)
    plate = core.buffer(radius, quad_segs=12)
    return [plate.difference(Point(length / 8, 0).buffer(hole, quad_segs=24))] * layers


def vase(radii: list[float], base_layers: int, layers: int, wall: float) -> Regions:
    """Round vessel; its outer radius runs smoothly through ``radii`` from foot to rim."""
    heights = np.linspace(0, 1, len(radii))
    curve = np.polynomial.Polynomial.fit(heights, radii, len(radii) - 1)
    out: Regions = []
    for k in range(layers):
        outer = Point(0, 0).buffer(float(curve(k / layers)), quad_segs=28)
        out.append(outer if k < base_layers else outer.difference(outer.buffer(-wall)))
    return out


def flange_post(
    width: float, depth: float, post_layers: int, layers: int, *, reach: float, flare: int
) -> Regions:
    """Upright block with a flange that grows out over the air to its right.

    The flange comes out by ``reach`` mm within ``flare`` layers and keeps that width.
    """
    out: Regions = []
    for k in range(layers):
        over = reach * min(1.0, max(0, k - post_layers + 1) / flare)
        out.append(box(-width / 2, -depth / 2, width / 2 + over, depth / 2))
    return out


def posts(length: float, depth: float, base_layers: int, layers: int, side: float) -> Regions:
    """Base plate with four square posts, one near each corner."""
    base = box(-length / 2, -depth / 2, length / 2, depth / 2)
    x, y = length / 2 - side, depth / 2 - side
    feet = [
        box(cx - side / 2, cy - side / 2, cx + side / 2, cy + side / 2)
        for cx in (-x, x)
        for cy in (-y, y)
    ]
    return [base] * base_layers + [shapely.union_all(feet)] * (layers - base_layers)


def clip(length: float, depth: float, layers: int, wall: float) -> Regions:
    """Pipe clip: an open ring on a short straight foot, the same in every layer."""
    radius = depth / 2
    ring = Point(0, 0).buffer(radius, quad_segs=24)
    ring = ring.difference(Point(0, 0).buffer(radius - wall, quad_segs=24))
    ring = ring.difference(box(-radius / 2, 0, radius / 2, 2 * radius))
    foot = box(-length / 2, -radius, length / 2, -radius + wall)
    return [shapely.union(ring, foot)] * layers


# ---- what goes round a part ----------------------------------------------------------------


def placed(regions: Regions, x: float, y: float, turn_deg: float) -> Regions:
    """The part turned about its origin and moved to (x, y) on the bed; equal layers stay equal."""
    seen: dict[int, BaseGeometry] = {}
    for r in regions:
        if id(r) not in seen:
            seen[id(r)] = affinity.translate(affinity.rotate(r, turn_deg, origin=(0, 0)), x, y)
    return [seen[id(r)] for r in regions]


def with_brim(regions: Regions, width: float) -> Regions:
    """First layer widened by a brim."""
    return [shapely.union(regions[0], regions[0].buffer(width)), *regions[1:]]


def with_skirt(regions: Regions, gap: float, line: float) -> Regions:
    """First layer with a two-line skirt round it."""
    far = regions[0].convex_hull
    ring = far.buffer(gap + 2 * line).difference(far.buffer(gap))
    return [shapely.union(regions[0], ring), *regions[1:]]


def with_purge(regions: Regions, x: float, y0: float, y1: float, line: float) -> Regions:
    """First layer with a purge line beside the part."""
    return [shapely.union(regions[0], box(x, y0, x + 2 * line, y1)), *regions[1:]]


def with_supports(
    regions: Regions, x_mm: tuple[float, float], depth: float, upto: int, line: float
) -> Regions:
    """Thin support walls from the bed up to layer ``upto`` below an overhang over ``x_mm``."""
    at = np.arange(x_mm[0] + 1.5, x_mm[1] - 0.5, 3.0)
    ribs = [box(x, -depth / 2, x + line, depth / 2) for x in at]
    comb = shapely.union_all(ribs)
    return [shapely.union(r, comb) if k < upto else r for k, r in enumerate(regions)]


# ---- toolpath ------------------------------------------------------------------------------


def _walls(region: BaseGeometry, line: float, count: int) -> Iterator[np.ndarray]:
    for i in range(count):
        inset = region.buffer(-(i + 0.5) * line, join_style=MITRE, mitre_limit=3.0)
        for p in polygons(inset):
            yield np.asarray(p.exterior.coords)
            for hole in p.interiors:
                yield np.asarray(hole.coords)


def _fill(region: BaseGeometry, line: float, turn_deg: float) -> Iterator[np.ndarray]:
    """Parallel lines over a region, taken to and fro."""
    if region.is_empty:
        return
    flat = affinity.rotate(region, -turn_deg, origin=(0, 0))
    x0, y0, x1, y1 = flat.bounds
    for i, y in enumerate(np.arange(y0 + line / 2, y1, line)):
        cut = flat.intersection(LineString([(x0 - 1, y), (x1 + 1, y)]))
        lines = [g for g in getattr(cut, "geoms", [cut]) if g.geom_type == "LineString"]
        lines = [g for g in lines if g.length > line / 2]
        ends = sorted(sorted(g.coords) for g in lines)
        for a, b in ends if i % 2 == 0 else [(b, a) for a, b in reversed(ends)]:
            back = affinity.rotate(LineString([a, b]), turn_deg, origin=(0, 0))
            yield np.asarray(back.coords)


def layer_paths(region: BaseGeometry, line: float, walls: int, turn_deg: float) -> list[np.ndarray]:
    """Polylines, each (n, 2) in mm, that fill one layer: walls from outside in, then fill."""
    out = list(_walls(region, line, walls))
    inner = region.buffer(-(walls + 0.1) * line, join_style=MITRE)
    return out + list(_fill(inner, line, turn_deg))


def slice_part(regions: Regions, layer_mm: float, line: float = 0.45, walls: int = 2) -> str:
    """G-code for a part: absolute coordinates and extrusion, millimetres, no layer comments."""
    rate = filament_per_mm(line, layer_mm)
    out = ["; plain toolpath, millimetres", "G21", "G90", "M82", "M140 S90", "M104 S255", "G28"]
    out += ["M190 S90", "M109 S255", "G92 E0"]
    e = 0.0
    cache: dict[tuple[int, int], list[np.ndarray]] = {}
    for n, region in enumerate(regions):
        speed = FIRST_SPEED if n == 0 else SPEED
        out.append(f"G0 Z{(n + 1) * layer_mm:.3f} F{CLIMB}")
        key = (id(region), n % 2)
        if key not in cache:
            cache[key] = layer_paths(region, line, walls, 45.0 if n % 2 == 0 else -45.0)
        for path in cache[key]:
            out.append(f"G0 X{path[0][0]:.3f} Y{path[0][1]:.3f} F{TRAVEL}")
            for a, b in pairwise(path):
                e += math.dist(a, b) * rate
                out.append(f"G1 X{b[0]:.3f} Y{b[1]:.3f} E{e:.5f} F{speed}")
    top = len(regions) * layer_mm
    out += [f"G0 Z{top + 20:.1f} F{CLIMB}", f"G0 X0 Y210 F{TRAVEL}", "M104 S0", "M140 S0", "M84"]
    return "\n".join(out) + "\n"
