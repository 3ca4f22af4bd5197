"""Faults with known truth: where each point of the part moves to, and the strands that lie about.

Everything here is a pure function of the layer, so that a night can be resumed at any frame.
The shapes are plausible ones made up for the purpose, not measured ones.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Lift:
    """A corner, or an overhang's corner, that rises while the part grows.

    The rise begins at layer ``begins`` and goes on by ``rate_mm`` a layer up to ``most_mm``.
    """

    corner_mm: tuple[float, float]
    begins: int
    rate_mm: float
    most_mm: float
    reach_mm: float
    z_mm: float = 0.0
    """Underside height of the overhang; 0 for a corner on the bed."""
    from_layer: int = 1
    """No layer below this one rises."""
    levelled: bool = False
    """True: each layer is laid at its nominal height, so it only rises by what came after it."""
    edge_to_mm: tuple[float, float] | None = None
    """Where given, the whole edge from the corner to this point rises alike."""

    def at(self, layer: float) -> float:
        """Lift of the tip in mm when ``layer`` is being printed."""
        return float(min(self.most_mm, max(0.0, self.rate_mm * (layer - self.begins))))


def segment_distance(xy: np.ndarray, a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Distance of points (n, 2) from the segment a-b, same unit."""
    d = b - a
    length2 = float(d @ d)
    s = np.clip((xy - a) @ d / length2, 0, 1) if length2 > 0 else np.zeros(len(xy))
    return np.linalg.norm(xy - (a + s[:, None] * d), axis=1)


def lift_field(points: np.ndarray, layers: np.ndarray, lift: Lift, now: float) -> np.ndarray:
    """Vertical displacement (mm) of points (n, 3) in bed mm that belong to ``layers`` (n,).

    A parabola from the tip (full lift) to zero, with zero slope, at ``reach_mm``: the shape of a
    strip bent with constant curvature and tangent to the bed where it lets go.
    """
    a = np.array(lift.corner_mm)
    b = np.array(lift.edge_to_mm if lift.edge_to_mm else lift.corner_mm)
    away = segment_distance(points[:, :2], a, b)
    shape = np.clip(1 - away / lift.reach_mm, 0, None) ** 2
    amount = np.full(len(points), lift.at(now))
    if lift.levelled:
        begun = np.clip(lift.rate_mm * (layers - lift.begins), 0, lift.most_mm)
        amount = np.clip(amount - begun, 0, None)
    return np.where(layers >= lift.from_layer, amount * shape, 0.0)


@dataclass(frozen=True)
class Step:
    """Layers from ``layer`` on lie shifted by (dx, dy) mm."""

    layer: int
    dx_mm: float
    dy_mm: float


@dataclass(frozen=True)
class Slide:
    """The part comes loose at layer ``begins`` and moves for ``lasts`` layers.

    It turns about its centre, then moves; with ``tip_deg`` it tips over its ``tip_toward`` side.
    """

    begins: int
    lasts: int
    dx_mm: float
    dy_mm: float
    turn_deg: float
    tip_deg: float = 0.0
    tip_toward_deg: float = 0.0
    still_grows: int = 2
    """Layers that still land on the part after it came loose."""

    def share(self, layer: float) -> float:
        return float(min(1.0, max(0.0, (layer - self.begins) / self.lasts)))


@dataclass(frozen=True)
class Fault:
    """All that goes wrong in a night. Layers count from 1; None means never."""

    lifts: tuple[Lift, ...] = ()
    steps: tuple[Step, ...] = ()
    slide: Slide | None = None
    no_growth_from: int | None = None
    strands_from: int | None = None
    strands_a_layer: int = 2
    strand_spread_mm: float = 65.0
    blob_from: int | None = None

    def built(self, layer: int) -> int:
        """Layers that really stand when ``layer`` has been printed."""
        ends = [layer]
        if self.no_growth_from is not None:
            ends.append(self.no_growth_from - 1)
        if self.strands_from is not None:
            ends.append(self.strands_from)
        if self.slide is not None:
            ends.append(self.slide.begins + self.slide.still_grows)
        return min(ends)

    def strands(self, layer: int) -> int:
        """Number of loose strands that lie about at ``layer``."""
        begin = self.strands_from
        if begin is None and self.slide is not None:
            begin = self.slide.begins + self.slide.still_grows
        return 0 if begin is None else max(0, self.strands_a_layer * (layer - begin))

    def onset(self) -> int | None:
        """First layer at which something other than a lift has gone wrong."""
        at = [self.no_growth_from, self.strands_from, self.blob_from]
        at += [s.layer for s in self.steps]
        at.append(self.slide.begins if self.slide else None)
        known = [a for a in at if a is not None]
        return min(known) if known else None

    def truth(self, layer: int, z_mm: float, name: str) -> dict[str, object]:
        """One frame's row of truth.json."""
        share = self.slide.share(layer) if self.slide else 0.0
        s = self.slide
        moved = [s.dx_mm, s.dy_mm, s.turn_deg] if s else [0.0] * 3
        onset = self.onset()
        lifts = [
            {
                "corner_bed_mm": [round(c, 2) for c in corner],
                "z_mm": x.z_mm,
                "lift_mm": round(x.at(layer), 3),
            }
            for x in self.lifts
            for corner in ([x.corner_mm, x.edge_to_mm] if x.edge_to_mm else [x.corner_mm])
        ]
        return {
            "file": name,
            "layer": layer,
            "z_mm": round(z_mm, 3),
            "built_layers": self.built(layer),
            "lifts": lifts,
            "moved_mm_deg": [round(m * share, 3) for m in moved],
            "strands": self.strands(layer),
            "failed": (onset is not None and layer >= onset)
            or any(x.at(layer) >= 0.5 for x in self.lifts),
        }


def displaced(
    points: np.ndarray, layers: np.ndarray, fault: Fault, now: float, centre: tuple[float, float]
) -> np.ndarray:
    """Points (n, 3) of the part, bed mm, where the fault has taken them at layer ``now``."""
    out = points.copy()
    for step in fault.steps:
        out[layers >= step.layer, :2] += (step.dx_mm, step.dy_mm)
    for lift in fault.lifts:
        out[:, 2] += lift_field(points, layers, lift, now)
    if fault.slide is not None:
        out = slid(out, fault.slide, fault.slide.share(now), centre)
    return out


def slid(points: np.ndarray, slide: Slide, share: float, centre: tuple[float, float]) -> np.ndarray:
    """Points after ``share`` (0 to 1) of a slide: tip about the foot's far side, turn, move."""
    rel = points - np.array([*centre, 0.0])
    if slide.tip_deg and share > 0:
        way = math.radians(slide.tip_toward_deg)
        axis = np.array([math.cos(way), math.sin(way)])
        along = rel[:, :2] @ axis
        pivot = along[rel[:, 2] < 0.3].max()
        angle = math.radians(slide.tip_deg * share)
        u, z = along - pivot, rel[:, 2]
        new_u = u * math.cos(angle) + z * math.sin(angle)
        new_z = z * math.cos(angle) - u * math.sin(angle)
        rel = rel.copy()
        rel[:, :2] += np.outer(new_u - u, axis)
        rel[:, 2] = new_z
    turn = math.radians(slide.turn_deg * share)
    c, s = math.cos(turn), math.sin(turn)
    xy = rel[:, :2] @ np.array([[c, s], [-s, c]])
    xy += np.array(centre) + share * np.array([slide.dx_mm, slide.dy_mm])
    return np.column_stack([xy, rel[:, 2]])


def strand(
    seed: int, number: int, start: tuple[float, float, float], spread_mm: float
) -> np.ndarray:
    """A loose strand as points (n, 3): a random walk that curls outward and sinks to the bed.

    The same seed and number give the same strand, so that a heap only ever grows.
    """
    rng = np.random.default_rng((seed, number))
    steps = int(rng.integers(16, 40))
    heading = rng.uniform(0, 2 * math.pi)
    bend = rng.normal(0, 0.12)
    pace = spread_mm * rng.uniform(0.4, 1.3) / steps
    xy = np.array(start[:2]) + rng.normal(0, 6, 2)
    z = max(0.4, start[2] * rng.uniform(0.2, 1.1))
    fall = z / steps * rng.uniform(0.6, 1.8)
    pts = []
    for _ in range(steps):
        pts.append((*xy, z))
        bend = 0.8 * bend + rng.normal(0, 0.2)
        heading += bend
        xy = xy + pace * np.array([math.cos(heading), math.sin(heading)])
        z = max(0.35, z - fall + rng.normal(0, 0.9))
    return np.array(pts)
