"""What a camera's place will show: mm per pixel, the least lift, and how to place it better.

Judged on one picture of the bed and the bed's corners in it, while a person sets the printer up.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from watcher.before.eye import BRIGHT, DARK, SOFT_PX, STEP_LEVELS, corners_seen, lift_sigma_mm
from watcher.before.eye import spread_px as blur_of
from watcher.evidence.faults import stopping_lift_mm
from watcher.measure.picture import Grey, blinded, noise_of
from watcher.records import Array, Setup, Toolpath
from watcher.scene.camera import Camera, camera_from_points
from watcher.scene.expected import corner_names
from watcher.scene.lens import bed_edges, better_camera
from watcher.scene.region import proposed_polygon
from watcher.scene.solid import Corner, Solid, corners_of, solid_from_toolpath

PICTURES = 10
"""So many pictures a lift may take to become a stop: of a print with a picture a layer, ten
layers."""
STEP_SHARE = 0.25
"""Contrast of a part's edge over the picture's own range: our own estimate, no source."""
USUAL_BLUR_PX = 1.5
FLAT_DEG, STEEP_DEG = 15.0, 65.0
"""Angles of sight above the bed outside of which the camera stands badly: our own estimate."""
COARSE_MM = 0.5
"""A corner at which lifts only count from so much on is seen too coarsely: our own estimate; a
nozzle runs into a few layers' lift."""
MISFIT_PX = 6.0
"""A click is good to a pixel or two, and a lens bends less than this away."""
GLARE = 0.02
"""Share of the bed that may be white."""
NOISY = 6.0
BED_NAMES = ("front left", "front right", "back right", "back left")


@dataclass(frozen=True)
class Spot:
    """One corner, of the bed or of the part, as this view shows it."""

    name: str
    pixel: tuple[float, float]
    in_picture: bool
    hidden: bool
    """The part itself, or what stands before it, hides it."""
    mm_per_px: float
    """Millimetres of height in one pixel."""
    sigma_mm: float
    """Expected standard deviation of one picture's lift."""
    stops_from_mm: float | None
    """The least lift that leads to a stop within ``PICTURES`` pictures at the usual budget."""

    @property
    def words(self) -> str:
        """``front right: 0.21 mm a pixel, sees 0.4 mm``."""
        if not self.in_picture:
            return f"{self.name}: not in the picture"
        if self.hidden:
            return f"{self.name}: hidden"
        scale = f"{self.name}: {self.mm_per_px:.2f} mm a pixel"
        return scale if self.stops_from_mm is None else f"{scale}, sees {self.stops_from_mm:.1f} mm"


@dataclass(frozen=True)
class Prospect:
    """What a view promises."""

    blind: str
    bed: tuple[Spot, ...]
    """The bed's corners in the order of ``BED_NAMES``."""
    part: tuple[Spot, ...]
    """The part's corners, where its toolpath is known."""
    region_px: tuple[tuple[float, float], ...]
    """The footprint of the part in the picture; empty without a toolpath."""
    advice: tuple[str, ...]
    """Sentences on how to place camera and lamp; empty where all is well."""


@dataclass(frozen=True)
class Part:
    """A toolpath, prepared once."""

    name: str
    solid: Solid
    corners: list[Corner]

    @property
    def foot_mm(self) -> tuple[Array, ...]:
        """The rings it stands on."""
        return self.solid.rings_mm[self.solid.foot_index]


def part_of(name: str, toolpath: Toolpath) -> Part:
    """Prepare a toolpath. Raises ``BadToolpath`` where it has no outline."""
    solid = solid_from_toolpath(toolpath)
    return Part(name, solid, corners_of(solid, toolpath))


def bed_corners_px(camera: Camera, setup: Setup) -> Array:
    """Where a camera sees the bed's corners, in the order of ``BED_NAMES``: shape (4, 2)."""
    w, d = setup.bed_mm
    z = _sunk(setup)
    return camera.project(np.array([[0, 0, z], [w, 0, z], [w, d, z], [0, d, z]], dtype=np.float64))


def _sunk(setup: Setup) -> float:
    return -setup.bed_points_z_mm if setup.bed_motion == "bed-z" else 0.0


def prospect(grey: Grey, setup: Setup, part: Part | None = None) -> Prospect:
    """Judge a view by one picture, shape (H, W), of the size that the setup names.

    The expected error of a lift is the bound of :func:`watcher.before.eye.lift_sigma_mm`, with the
    noise and the blur of this picture, and with the contrast that its range of brightness lets
    expect of the part's edge; what of it leads to a stop is
    :func:`watcher.evidence.faults.stopping_lift_mm`.

    Raises ``BadSetup`` where no camera fits the bed points.
    """
    clicked = camera_from_points(setup)
    camera = better_camera(clicked, setup, bed_edges(grey, setup))
    noise, blur = noise_of(grey), blur_of(grey)
    step = _step(grey)
    width, height = setup.frame_size

    def spot(name: str, pixel: tuple[float, float], hidden: bool, px_per_mm: float) -> Spot:
        sigma = lift_sigma_mm(px_per_mm, noise, blur or USUAL_BLUR_PX, step)
        inside = -0.5 <= pixel[0] <= width - 0.5 and -0.5 <= pixel[1] <= height - 0.5
        return Spot(
            name,
            pixel,
            inside,
            hidden,
            1.0 / max(px_per_mm, 1e-6),
            sigma,
            stopping_lift_mm(sigma, PICTURES),
        )

    w, d = setup.bed_mm
    z = _sunk(setup)
    places = np.array([[0, 0, z], [w, 0, z], [w, d, z], [0, d, z]], dtype=np.float64)
    up = np.linalg.norm(camera.jacobian(places)[:, :, 2], axis=1)
    bed = tuple(
        spot(name, (float(x), float(y)), False, float(scale))
        for name, (x, y), scale in zip(BED_NAMES, camera.project(places), up, strict=True)
    )
    watched: list[Spot] = []
    region: tuple[tuple[float, float], ...] = ()
    if part is not None:
        names = corner_names(camera, part.corners)
        for name, (_, pixel, visible, scale) in zip(
            names,
            corners_seen(camera, setup.bed_motion, part.solid, part.corners),
            strict=True,
        ):
            one = spot(name.replace(" corner", ""), pixel, False, scale)
            hidden = one.in_picture and not visible
            watched.append(spot(one.name, pixel, hidden, scale))
        drawn = proposed_polygon(camera, part.foot_mm, np.array([0.0, 0.0, z]))
        if drawn is not None:
            region = tuple((float(x), float(y)) for x, y in drawn)
    blind = blinded(grey)
    advice = (
        [f"Nothing can be seen: {blind}. Take the lens cap off, and give it light."]
        if blind
        else [*_light(grey, camera, places, noise), *_sharp(blur)]
    )
    advice = [*_fits(clicked, setup), *advice, *_stand(camera, places, bed, watched)]
    return Prospect(blind, bed, tuple(watched), region, tuple(advice))


def _fits(camera: Camera, setup: Setup) -> list[str]:
    """Whether a camera can see a bed of that size at the points."""
    pixels = np.array([p.pixel for p in setup.bed_points])
    places = np.array([[*p.bed_mm, _sunk(setup)] for p in setup.bed_points])
    off = float(np.hypot(*(camera.project(places) - pixels).T).max())
    if off <= MISFIT_PX:
        return []
    w, d = setup.bed_mm
    return [
        f"No camera sees a bed of {w:g} by {d:g} mm just there: a point is off by {off:.0f} "
        "pixels or more. Check the points, their order and the bed's size."
    ]


def _step(grey: Grey) -> float:
    low, high = np.percentile(grey, [2, 98])
    return float(min(STEP_LEVELS, max(STEP_SHARE * float(high - low), 1.0)))


def _light(grey: Grey, camera: Camera, places: Array, noise: float) -> list[str]:
    mask = np.zeros(grey.shape, dtype=np.uint8)
    outline = np.clip(np.round(camera.project(places)), -30000, 30000).astype(np.int32)
    cv2.fillPoly(mask, [outline], 1)
    bed = grey[mask > 0]
    level = float(np.median(bed if len(bed) else grey))
    said = f"the bed's middle grey is {level:.0f} of 255"
    found = []
    white = float(np.mean(bed >= 254)) if len(bed) else 0.0
    if level < DARK:
        found.append(
            f"Too dark: {said}. Put a lamp beside the camera that stays on through the night."
        )
    elif level > BRIGHT:
        found.append(f"Too bright: {said}. Turn the lamp down or farther away.")
    elif white > GLARE:
        found.append(
            f"The lamp glares: {100 * white:.0f} % of the bed is white. Move the lamp to the side, "
            "or spread its light."
        )
    if noise > NOISY:
        found.append(
            f"Noisy: pixels scatter by {noise:.0f} grey levels. More light calms the picture."
        )
    return found


def _sharp(blur: float | None) -> list[str]:
    if blur is None or blur <= SOFT_PX:
        return []
    return [
        f"Blurred: edges are spread over {blur:.1f} pixels (sigma). Clean the lens, focus on the "
        "bed by hand and switch the focus to fixed."
    ]


def _stand(camera: Camera, places: Array, bed: Sequence[Spot], part: Sequence[Spot]) -> list[str]:
    eye = camera.position_mm
    middle = places.mean(axis=0)
    angle = float(np.degrees(np.arctan2(eye[2] - middle[2], np.hypot(*(eye - middle)[:2]))))
    found = []
    if angle < FLAT_DEG:
        found.append(
            f"The camera looks too flat over the bed ({angle:.0f} degrees): what stands in front "
            "hides what is behind. Raise it until it looks down at 25 to 50 degrees."
        )
    elif angle > STEEP_DEG:
        found.append(
            f"The camera looks down too steeply ({angle:.0f} degrees): a lift hardly moves the "
            "picture. Lower it until it looks down at 25 to 50 degrees."
        )
    outside = [one.name for one in bed if not one.in_picture]
    if outside:
        found.append(
            f"Outside the picture: {_and(outside)}. A corner of the part that stands there is not "
            "watched. Turn the camera, or take it farther away."
        )
    lost = [one.name for one in part if not one.in_picture]
    if lost:
        found.append(f"Corners of the part outside the picture: {_and(lost)}. Turn the camera.")
    hidden = [one.name for one in part if one.hidden]
    if hidden:
        found.append(
            f"Hidden corners of the part: {_and(hidden)}. Raise the camera or move it to that side."
        )
    coarse = [
        one.name
        for one in (part or bed)
        if one.in_picture and (one.stops_from_mm is None or one.stops_from_mm > COARSE_MM)
    ]
    if coarse:
        found.append(
            f"Too coarse: {_and(coarse)}. Bring the camera nearer, or let it send a larger picture."
        )
    return found


def _and(names: Sequence[str]) -> str:
    return ", ".join(names[:-1]) + f" and {names[-1]}" if len(names) > 1 else names[0]
