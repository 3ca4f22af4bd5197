"""How much a print wants to curl: a number to compare prints by.

T.-M. Wang, J.-T. Xi, Y. Jin, "A model research for prototype warp deformation in the FDM
process", Int. J. Adv. Manuf. Technol. 33 (2007) 1087-1096: a new layer that shrinks bends the
layers under it. The formula here was derived again from Timoshenko's strip of two metals (1925)
with equal stiffness, since the paper's body was not at hand; its abstract names the same drivers.
The strip is free: the bed's hold and the creep of warm plastic are left out. So the millimetres
are far more than a print that sticks will show, and only their ratio between prints counts.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import cv2
import numpy as np

from watcher.before.materials import Material
from watcher.records import Array, Toolpath
from watcher.scene.solid import footprint_index, ring_area_mm2

AT_LAYER = 10
"""The layer at which prints are compared: early, when the brim must hold."""
ROOM_C = 25.0
"""Surroundings of an open machine, where no chamber temperature is known."""
SHARP_DEG = 60.0
REACH_MM = 3.0
"""A corner is sharp where the outline turns by ``SHARP_DEG`` within ``REACH_MM`` to both sides: a
radius below about 3 mm."""


BRIM_STEP_MM = 0.25
WIDEST_BRIM_MM = 25.0


@dataclass(frozen=True)
class Footprint:
    """What the bed has to hold."""

    span_mm: float
    """Longest distance across one piece of the part, brim left out."""
    sharp_corners: int
    layers: int
    layer_mm: float
    """Usual height of a layer."""
    brim_mm: float
    """How far the first layer reaches beyond the part; 0 without a brim."""


def curl_mm(
    span_mm: float, layers: int, layer_mm: float, expansion_per_k: float, cooling_k: float
) -> float:
    """Lift of a free strip's ends when its newest layer has cooled, mm.

    ``R = n³ Δh / (6 α ΔT (n - 1))`` and ``δ = R (1 - cos(L / 2R))``; the strip closes to a ring
    at most, so that ``L / 2R`` is cut at pi. Zero for one layer, for no shrinkage or no cooling.
    Raises ``ValueError`` for a span or a layer that is not above zero.
    """
    if not (span_mm >= 0 and layer_mm > 0 and layers >= 1):
        raise ValueError("span, layer height and number of layers must be above zero")
    shrink = expansion_per_k * cooling_k
    if layers == 1 or shrink <= 0:
        return 0.0
    radius = layers**3 * layer_mm / (6 * shrink * (layers - 1))
    return radius * (1 - math.cos(min(span_mm / (2 * radius), math.pi)))


def index_mm(foot: Footprint, material: Material, surroundings_c: float) -> float | None:
    """``curl_mm`` at the layer at which prints are compared; ``None`` where the glass transition
    lies below the surroundings, for which the model says nothing."""
    cooling = material.glass_c.middle - surroundings_c
    if cooling <= 0:
        return None
    layers = min(foot.layers, AT_LAYER)
    return curl_mm(foot.span_mm, layers, foot.layer_mm, material.expansion_per_k.middle, cooling)


def footprint(toolpath: Toolpath) -> Footprint:
    """Measure the part's bottom."""
    at = footprint_index(toolpath)
    foot = toolpath.layers[at]
    outer = [ring for ring in foot.rings_mm if len(ring) > 2 and ring_area_mm2((ring,)) > 0]
    spans = [_span(ring) for ring in outer]
    brim = 0.0
    if at and outer:
        brim = _brim_mm(
            max(outer, key=lambda ring: ring_area_mm2((ring,))), toolpath.layers[0].rings_mm
        )
    heights = sorted(layer.height_mm for layer in toolpath.layers)
    return Footprint(
        span_mm=max(spans, default=0.0),
        sharp_corners=sum(sharp_corners(ring) for ring in outer),
        layers=len(toolpath.layers),
        layer_mm=heights[len(heights) // 2],
        brim_mm=brim,
    )


def sharp_corners(ring: Array) -> int:
    """Number of outward corners of a closed ring, shape (n, 2), that are not rounded."""
    hull = cv2.convexHull(np.asarray(ring, np.float32))[:, 0, :].astype(float)
    closed = np.vstack([hull, hull[:1]])
    edges = np.hypot(*np.diff(closed, axis=0).T)
    around = np.concatenate([[0.0], np.cumsum(edges)])
    if around[-1] < 6 * REACH_MM:
        return 0

    def at(along: Array) -> Array:
        place = along % around[-1]
        return np.column_stack([np.interp(place, around, closed[:, axis]) for axis in (0, 1)])

    along = np.arange(0.0, around[-1], 0.25)
    here = at(along)
    back, on = here - at(along - REACH_MM), at(along + REACH_MM) - here
    turn = np.abs(
        np.degrees(
            np.arctan2(back[:, 0] * on[:, 1] - back[:, 1] * on[:, 0], (back * on).sum(axis=1))
        )
    )
    sharp = turn >= SHARP_DEG * 0.98
    if sharp.all():
        return 0
    turned = np.roll(sharp, -int(np.argmin(sharp)))
    return sum(1 for a, b in pairwise(turned.tolist()) if b and not a)


@dataclass(frozen=True)
class Standing:
    """Where a print's index stands among earlier prints of the same machine."""

    runs: int
    as_high: int
    """Runs whose index was at least as high."""
    lifted: int
    """Of those, how many lifted."""


def standing(index: float, past: Sequence[tuple[float, bool]]) -> Standing:
    """``past`` holds the index of each earlier run and whether a corner of it lifted."""
    high = [lifted for other, lifted in past if other >= index]
    return Standing(len(past), len(high), sum(high))


@dataclass(frozen=True)
class Try:
    """One thing to try, and why it would help."""

    what: str
    why: str


def to_try(
    foot: Footprint, material: Material, chamber_c: float | None, bed_c: float | None
) -> tuple[Try, ...]:
    """What would lower the risk of warp, the likeliest help first."""
    found: list[Try] = []
    if foot.brim_mm < 3 and foot.span_mm > 0:
        found.append(
            Try(
                "a brim of 5 to 10 mm",
                "it moves the peeling edge outwards and holds the corner by area (common practice, "
                "no source)",
            )
        )
    goal = material.glass_c.middle
    if goal > ROOM_C and (chamber_c is None or chamber_c < goal - 20):
        found.append(
            Try(
                "more heat in the chamber, as far as the maker allows",
                f"curl goes with the cooling from the glass transition ({goal:.0f} °C) to the "
                "chamber, and is nil where they meet (Wang, Xi and Jin 2007)",
            )
        )
    if foot.sharp_corners:
        corners = "corner" if foot.sharp_corners == 1 else "corners"
        found.append(
            Try(
                f"{foot.sharp_corners} sharp {corners} rounded, or a disc of one layer under each",
                "a sharp corner gathers the pull of both its edges on a small area (common "
                "practice, no source)",
            )
        )
    if foot.span_mm > 80:
        found.append(
            Try(
                "the part in two pieces, or turned so that its long side stands up",
                f"curl grows with the square of the span, here {foot.span_mm:.0f} mm (Wang, Xi and "
                "Jin 2007)",
            )
        )
    if bed_c is not None and bed_c < goal - 15 and goal > ROOM_C:
        found.append(
            Try(
                f"a warmer bed than {bed_c:.0f} °C",
                "a bottom near its glass transition gives way instead of peeling (common practice, "
                "no source)",
            )
        )
    found.append(
        Try(
            "slower overhangs with less fan",
            "an edge that cools all at once curls up into the nozzle's way (common practice, no "
            "source)",
        )
    )
    return tuple(found)


def _brim_mm(part: Array, bottom: tuple[Array, ...]) -> float:
    """How far the first layer goes on without a gap from the part's outline outwards; a skirt,
    which stands apart, is none. The median over the outline, up to ``WIDEST_BRIM_MM``."""
    way = np.roll(part, -1, axis=0) - part
    length = np.maximum(np.hypot(*way.T), 1e-9)
    middle = part + way / 2
    outward = np.column_stack([way[:, 1], -way[:, 0]]) / length[:, None]
    reached = []
    for place, normal in zip(middle, outward, strict=True):
        far = BRIM_STEP_MM
        while far <= WIDEST_BRIM_MM and _covered(place + far * normal, bottom):
            far += BRIM_STEP_MM
        reached.append(far - BRIM_STEP_MM)
    order = np.argsort(reached)
    sums = np.cumsum(length[order])
    return float(np.asarray(reached)[order][np.searchsorted(sums, sums[-1] / 2)])


def _covered(point: Array, rings: tuple[Array, ...]) -> bool:
    """Whether the rings, holes taken off, have material at a point."""
    at = (float(point[0]), float(point[1]))
    inside = sum(
        cv2.pointPolygonTest(np.asarray(ring, np.float32).reshape(-1, 1, 2), at, False) > 0
        for ring in rings
        if len(ring) > 2
    )
    return inside % 2 == 1


def _span(ring: Array) -> float:
    hull = cv2.convexHull(np.asarray(ring, np.float32))[:, 0, :].astype(float)
    return float(np.max(np.hypot(*(hull[:, None] - hull[None]).transpose(2, 0, 1))))
