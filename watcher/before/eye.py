"""Can the camera see what it is to watch? Measured on one picture, before the print."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from watcher.measure.picture import Grey, blinded, noise_of
from watcher.records import BedMotion, Setup, Toolpath
from watcher.scene.camera import Camera, camera_from_points
from watcher.scene.expected import slab_map, stations_at
from watcher.scene.solid import Corner, Solid, corners_of, solid_from_toolpath

AGAIN_PX = 1.0
"""Blur that is added to measure the one that is there."""
SOFT_PX = 2.5
"""Blur beyond which edges are read badly: common practice, no source."""
DARK, BRIGHT = 40.0, 215.0
"""Middle grey levels outside of which the exposure wants mending: common practice."""
STEP_LEVELS = 30.0
"""Contrast taken for an edge of the part, which is not there yet; grey levels."""
FLOOR_PX = 0.1
"""Registration and light leave so much however sharp the picture is: our own estimate."""
EDGE_ROWS = 30
NEAR_MM = 8.0
AFTER_MM = 3.0
"""Corners are looked for on the part as it stands at this height."""


@dataclass(frozen=True)
class Watched:
    """One corner of the part that is to come."""

    place_mm: tuple[float, float, float]
    pixel: tuple[float, float]
    visible: bool
    least_mm: float
    """Lift of three sigma there."""


@dataclass(frozen=True)
class Eye:
    """What a picture of the empty bed says of the camera."""

    blind: str
    """Why nothing can be seen; empty where something can."""
    level: float
    """Median grey level, 0 to 255."""
    clipped: float
    """Share of pixels that are white all over."""
    noise: float
    blur_px: float | None
    """Sigma of the blur across edges; ``None`` where there are no edges."""
    corners: tuple[Watched, ...]


def spread_px(grey: Grey) -> float | None:
    """Sigma of the picture's blur in px, ``None`` where it has no clear edges.

    Blurring an edge of sigma s again by t lowers its slope by ``R = sqrt(s² + t²) / s``, so that
    ``s = t / sqrt(R² - 1)`` (Zhuo and Sim, "Defocus map estimation from a single image", Pattern
    Recognition 44, 2011). The sharper quarter of the steep places counts: printers stand at many
    depths, and round things have soft edges.
    """
    if min(grey.shape) < 16:
        return None
    noise = max(noise_of(grey), 0.5)
    # Slopes are taken after a small blur of their own, which tames noise and is taken off again.
    own = 0.7
    first = cv2.GaussianBlur(grey, (0, 0), own)
    second = cv2.GaussianBlur(grey, (0, 0), math.hypot(own, AGAIN_PX))
    steep, soft = _slope(first), _slope(second)
    line = steep >= cv2.dilate(steep, np.ones((3, 3), np.uint8)) * 0.999
    clear = line & (steep > max(6 * noise / 2, float(np.percentile(steep, 98)) * 0.5))
    if clear.sum() < 50:
        return None
    ratio = steep[clear] / np.maximum(soft[clear], 1e-6)
    ratio = ratio[ratio > 1.001]
    if len(ratio) < 50:
        return None
    square = AGAIN_PX**2 / (ratio**2 - 1) - own**2
    return float(np.sqrt(max(np.percentile(square, 25), 0.01)))


def lift_sigma_mm(
    px_per_mm: float, noise: float, blur_px: float, step: float = STEP_LEVELS
) -> float:
    """Standard deviation of one picture's lift at a corner whose image moves ``px_per_mm`` when it
    lifts.

    The bound for the place of a blurred edge in white noise (Gatherer 1993, in the form ``(noise /
    step) sqrt(2 sqrt(pi) blur) / sqrt(rows)``), with ``FLOOR_PX`` for what the bound leaves out.

    Args:
        px_per_mm: how far the image of a place moves when it rises by a millimetre.
        noise: standard deviation of a pixel, grey levels.
        blur_px: sigma of the blur across an edge.
        step: contrast of the edge, grey levels.

    """
    bound = noise / step * math.sqrt(2 * math.sqrt(math.pi) * blur_px / EDGE_ROWS)
    return math.hypot(bound, FLOOR_PX) / max(px_per_mm, 1e-6)


def least_lift_mm(px_per_mm: float, noise: float, blur_px: float) -> float:
    """Lift of three sigma at a corner whose image moves ``px_per_mm`` when it lifts."""
    return 3 * lift_sigma_mm(px_per_mm, noise, blur_px)


def look_at(grey: Grey, setup: Setup, toolpath: Toolpath) -> Eye:
    """Judge one picture, shape (H, W), of the size that the setup names.

    Raises ``BadSetup`` where no camera fits the bed points.
    """
    noise, blur = noise_of(grey), spread_px(grey)
    return Eye(
        blind=blinded(grey),
        level=float(np.median(grey)),
        clipped=float(np.mean(grey >= 254)),
        noise=noise,
        blur_px=blur,
        corners=_corners(setup, toolpath, noise, 1.5 if blur is None else blur),
    )


def _corners(setup: Setup, toolpath: Toolpath, noise: float, blur: float) -> tuple[Watched, ...]:
    solid = solid_from_toolpath(toolpath)
    camera = camera_from_points(setup)
    return tuple(
        Watched(corner.place_mm, pixel, visible, least_lift_mm(up, noise, blur))
        for corner, pixel, visible, up in corners_seen(
            camera, setup.bed_motion, solid, corners_of(solid, toolpath)
        )
    )


def corners_seen(
    camera: Camera, motion: BedMotion, solid: Solid, corners: list[Corner]
) -> list[tuple[Corner, tuple[float, float], bool, float]]:
    """Of each corner: its pixel, whether the camera sees it, and px per mm of lift there, when the
    part stands ``AFTER_MM`` high."""
    layer = int(np.searchsorted(solid.z_mm, AFTER_MM))
    layer = min(max(layer, solid.foot_index + 1), len(solid.z_mm) - 1)
    sunk = float(solid.z_mm[layer]) if motion == "bed-z" else 0.0
    offset = np.array([0.0, 0.0, -sunk])
    seen = slab_map(camera, solid, layer, offset)
    places = stations_at(camera, solid, layer, offset, seen).point_mm
    found = []
    for corner in corners:
        at = np.array([corner.place_mm]) + offset
        pixel = camera.project(at)[0]
        near = _apart(places, corner.place_mm) < NEAR_MM
        up = float(np.linalg.norm(camera.jacobian(at)[0][:, 2]))
        # Of an overhang nothing stands yet: what counts is whether it will be in the picture.
        inside = bool(np.all(pixel >= 0) and np.all(pixel < camera.size_px))
        visible = inside and (corner.overhang or int(near.sum()) >= 3)
        found.append((corner, (float(pixel[0]), float(pixel[1])), visible, up))
    return found


def _apart(places: npt.NDArray[np.float64], place: tuple[float, ...]) -> npt.NDArray[np.float64]:
    return np.asarray(np.hypot(places[:, 0] - place[0], places[:, 1] - place[1]))


def _slope(grey: npt.NDArray[Any]) -> npt.NDArray[np.float32]:
    x, y = cv2.Sobel(grey, cv2.CV_32F, 1, 0), cv2.Sobel(grey, cv2.CV_32F, 0, 1)
    return np.asarray(np.hypot(x, y) / 8, dtype=np.float32)
