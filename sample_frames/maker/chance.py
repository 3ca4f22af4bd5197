"""Nights drawn by chance: part, colours, machine, camera and what happens, from one number.

Named nights are what somebody thought of; these are what nobody did. Every second one is good.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import parts
from faults import Fault, Lift, Slide, Step
from nights import Night, Nuisance, corner_of
from photograph import Camera
from scene import Printer

SHAPES = ("bracket", "gusset", "tray", "plate", "flange", "chamfer", "posts", "clip")
FAULTS = ("warp", "warp", "overhang", "shift", "runout", "spaghetti", "detach")
STYLES = ("grain", "grid", "cloudy", "glass", "plain")


def _part(shape: str, layers: int, draw: np.random.Generator) -> parts.Regions:
    length, depth = draw.uniform(56, 96), draw.uniform(42, 66)
    base, wall = int(draw.integers(5, 13)), draw.uniform(4, 8)
    if shape == "bracket":
        return parts.bracket(length, depth, base, layers, wall)
    if shape == "gusset":
        return parts.gusset(length, depth, base, layers, wall)
    if shape == "tray":
        return parts.tray(length, depth, base, layers, min(wall, 5.0))
    if shape == "plate":
        return parts.rounded_plate(length, depth, draw.uniform(4, 14), depth / 6, layers)
    if shape == "posts":
        return parts.posts(length, depth, base, layers, draw.uniform(9, 14))
    if shape == "clip":
        return parts.clip(length, depth, layers, wall)
    begins, flare = int(draw.integers(16, 26)), 1 if shape == "flange" else 14
    reach = draw.uniform(14, 22)
    return parts.flange_post(0.6 * length, depth, begins, layers, reach=reach, flare=flare)


def _colour(draw: np.random.Generator, darkest: float, lightest: float) -> tuple[float, ...]:
    """Grey three times in five, else any hue; as light as cheap filament and beds are."""
    light = np.exp(draw.uniform(np.log(darkest), np.log(lightest)))
    hue = draw.uniform(0.95, 1.05, 3) if draw.random() < 0.6 else draw.uniform(0.1, 1.6, 3)
    return tuple(float(v) for v in np.clip(light * hue, 0.008, 0.85))


def _fault(kind: str, regions: parts.Regions, draw: np.random.Generator) -> Fault:
    layers = len(regions)
    begins = int(draw.integers(layers // 3, 2 * layers // 3))
    outline = regions[2].minimum_rotated_rectangle.exterior.coords[:4]
    top = regions[-1].minimum_rotated_rectangle.exterior.coords[:4]
    if kind == "warp":
        tip = corner_of(regions, 2, *outline[int(draw.integers(4))])
        rate, most = draw.uniform(0.04, 0.14), draw.uniform(1.2, 3.6)
        return Fault(lifts=(Lift(tip, begins, rate, most, draw.uniform(18, 45)),))
    if kind == "overhang":
        over = regions[-1].difference(regions[0].buffer(0.5))
        near = [t for t in top if over.distance(parts.Point(t)) < 2]
        tip = corner_of(regions, layers, *near[int(draw.integers(len(near)))])
        first = next(i for i, r in enumerate(regions) if r.area > regions[0].area * 1.02)
        start = first + int(draw.integers(2, 9))
        lift = Lift(tip, start, draw.uniform(0.1, 0.2), 2.6, draw.uniform(14, 20))
        return Fault(lifts=(replace(lift, z_mm=0.25 * first, from_layer=first + 1),))
    way = draw.uniform(0, 2 * np.pi)
    dx, dy = np.cos(way), np.sin(way)
    if kind == "shift":
        far = draw.uniform(1.5, 3.5)
        return Fault(steps=(Step(begins, far * dx, far * dy),))
    if kind == "runout":
        return Fault(no_growth_from=begins)
    if kind == "spaghetti":
        return Fault(strands_from=begins)
    far = draw.uniform(6, 25)
    turn = draw.uniform(-15, 15)
    return Fault(slide=Slide(begins, int(draw.integers(1, 6)), far * dx, far * dy, turn))


def chance_night(number: int) -> Night:
    """The night of this number, always the same one."""
    draw = np.random.default_rng(number)
    layers = int(draw.integers(44, 56))
    kind = "good" if number % 2 == 0 else str(draw.choice(FAULTS))
    choice = SHAPES[4:6] if kind == "overhang" else SHAPES
    shape = str(draw.choice(choice))
    turn, x, y = draw.uniform(-30, 30), draw.uniform(98, 122), draw.uniform(98, 120)
    regions = parts.placed(_part(shape, layers, draw), x, y, turn)
    fault = Fault() if kind == "good" else _fault(kind, regions, draw)
    if draw.random() < 0.25:
        regions = parts.with_brim(regions, draw.uniform(3, 6))
    if draw.random() < 0.25:
        regions = parts.with_skirt(regions, 5, 0.45)
    motion = str(draw.choice(("bed-y", "bed-y", "bed-z", "fixed")))
    side, away = draw.uniform(-190, 190), draw.uniform(320, 400)
    nuisances = []
    if draw.random() < 0.2:
        nuisances.append(Nuisance("dawn", int(draw.integers(20, 40))))
    if draw.random() < 0.15:
        nuisances.append(Nuisance("knock", int(draw.integers(15, 40))))
    return Night(
        f"chance-{number}",
        kind,
        f"{shape}, {motion}, drawn by chance",
        regions,
        Printer(
            bed_motion=motion,
            bed_colour=_colour(draw, 0.02, 0.4),
            bed_style=str(draw.choice(STYLES)),
            bed_rough=draw.uniform(0.3, 0.8),
            part_colour=_colour(draw, 0.015, 0.7),
            part_rough=draw.uniform(0.25, 0.6),
            head_colour=_colour(draw, 0.04, 0.3),
            head_mm=(draw.uniform(38, 60), draw.uniform(36, 54), draw.uniform(50, 80)),
            duct_left=bool(draw.random() < 0.5),
            clutter=int(draw.integers(2, 8)),
            lamp_at=(draw.uniform(-330, 330), draw.uniform(-350, -150), draw.uniform(500, 640)),
            seed=number,
        ),
        Camera(
            (side, -away, draw.uniform(180, 290)),
            (draw.uniform(-15, 15), draw.uniform(-40, 0), draw.uniform(-5, 10)),
            draw.uniform(42, 52),
            (800, 600),
            k1=draw.uniform(-0.09, -0.02),
        ),
        fault,
        nuisances=tuple(nuisances),
        parked=bool(draw.random() < 0.35),
        park_mm=(0, 165),
        seed=number,
        slow=draw.uniform(1.01, 1.09),
        noise=draw.uniform(2.5, 4.5),
        blur_px=draw.uniform(0.5, 1.1),
        exposure=draw.uniform(1.1, 1.4),
    )
