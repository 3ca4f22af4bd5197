"""A camera that was moved: its pose anew, from how the bed looked in the last frame before.

A knock turns a camera and shifts it by some millimetres too, which no turn can imitate: what is
near moves further than what is far. The bed is the one plane whose places are known, so all six
numbers of the pose are fitted to it by direct alignment (Lucas and Kanade 1981, inverse roles of
picture and template as in Baker and Matthews 2004), from coarse to fine.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt

from watcher.records import Array
from watcher.scene.camera import Camera

Grey = npt.NDArray[np.float32]

BLURS_PX = (6.0, 3.0, 1.5, 0.8)
SCORE_BLUR_PX = 2.5
ROUNDS = 8
MOST_PLACES = 2000
PARTS = 10
LEAST_PLACES = 60
COARSE_REACH_PX, COARSE_STEP_PX = 60.0, 5.0
KNOCK_RAD, KNOCK_MM = 0.06, 12.0
"""How far a knock is thought to turn and shift a camera; further is a new place for it."""


@dataclass(frozen=True)
class Pose:
    """A camera found anew."""

    camera: Camera
    sigma_px: float
    """Standard deviation of where it puts the bed's middle."""
    score: float
    """Correlation of the bed with how it looked before, 1 is perfect."""


@dataclass(frozen=True)
class BedLook:
    """How the bed looked in one frame."""

    picture: Grey
    """Local contrast of that frame, shape (H, W)."""
    pixel: Array
    """Shape (n, 2): the places that stand out there."""
    points_mm: Array
    """Shape (n, 3): the same places in machine coordinates."""
    sunk_mm: Array
    """Shape (3,): the bed's offset in the machine then."""


def bed_look(
    picture: Grey,
    pixel: Array,
    points_mm: Array,
    open_places: npt.NDArray[np.bool_],
    offset_mm: Array,
) -> BedLook:
    """Remember the places of the bed that stand out.

    Args:
        picture: local contrast, shape (H, W).
        pixel: shape (n, 2), where the bed's grid falls in it.
        points_mm: shape (n, 3), the grid in bed coordinates.
        open_places: shape (n,), false under the part.
        offset_mm: shape (3,), the bed in the machine.

    """
    height, width = picture.shape
    soft = cv2.GaussianBlur(picture, (0, 0), 1.5)
    slope = np.hypot(cv2.Sobel(soft, cv2.CV_32F, 1, 0), cv2.Sobel(soft, cv2.CV_32F, 0, 1))
    inside = (pixel > 8).all(axis=1) & (pixel < [width - 9, height - 9]).all(axis=1)
    usable = np.flatnonzero(inside & open_places)
    if len(usable) == 0:
        return BedLook(picture, pixel[usable], points_mm[usable], np.array(offset_mm))
    at = np.round(pixel[usable]).astype(int)
    order = np.argsort(-slope[at[:, 1], at[:, 0]])
    # The steepest of each part of the bed: its rim alone would say little of its middle.
    low, high = points_mm[usable, :2].min(axis=0), points_mm[usable, :2].max(axis=0)
    part = ((points_mm[usable, :2] - low) / np.maximum(high - low, 1.0) * (PARTS - 1e-6)).astype(
        int
    )
    cell = (part[:, 1] * PARTS + part[:, 0])[order]
    by_cell = np.argsort(cell, kind="stable")
    starts = np.searchsorted(cell[by_cell], np.arange(PARTS**2))
    rank = np.arange(len(cell)) - starts[cell[by_cell]]
    pick = usable[order[by_cell[rank < MOST_PLACES // PARTS**2]]]
    return BedLook(picture, pixel[pick], points_mm[pick] + offset_mm, np.array(offset_mm))


def _soft(picture: Grey, blur_px: float) -> Grey:
    return np.asarray(cv2.GaussianBlur(picture, (0, 0), blur_px), dtype=np.float32)


def _read(picture: Grey, pixel: Array) -> Array:
    """Values at pixels, shape (..., n, 2) to (..., n); nan outside the picture."""
    where = pixel.reshape(-1, *pixel.shape[-2:]).astype(np.float32)
    found = cv2.remap(
        picture,
        where[..., 0],
        where[..., 1],
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=float("nan"),
    )
    return np.asarray(found.reshape(pixel.shape[:-1]), dtype=np.float64)


def nudged(camera: Camera, change: Array) -> Camera:
    """The camera after a small turn (3 rad) about and shift (3 mm) along its own axes."""
    delta, _ = cv2.Rodrigues(change[:3])
    base, _ = cv2.Rodrigues(camera.rotation_vector)
    vector, _ = cv2.Rodrigues(delta @ base)
    return replace(
        camera,
        rotation_vector=vector.ravel().astype(np.float64),
        translation_mm=delta @ camera.translation_mm + change[3:],
    )


def _per_change(camera: Camera, points_mm: Array) -> Array:
    """How pixels move with the six numbers of a nudge: shape (n, 2, 6)."""
    columns = []
    for i in range(6):
        step = np.zeros(6)
        step[i] = 1e-4 if i < 3 else 1e-1
        fore, back = nudged(camera, step), nudged(camera, -step)
        columns.append((fore.project(points_mm) - back.project(points_mm)) / (2 * step[i]))
    return np.stack(columns, axis=2)


def coarse_poses(
    start: Camera, before: BedLook, picture: Grey, offset_mm: Array, most: int = 3
) -> list[Camera]:
    """First guesses for :func:`pose_anew`: the turns of a camera that agree best with the bed.

    Pan and tilt are tried over ``COARSE_REACH_PX`` on both sides and a little roll, the pictures
    blurred so far that no step misses the place.
    """
    points = before.points_mm + (offset_mm - before.sunk_mm)
    if len(points) < LEAST_PLACES:
        return []
    pick = np.arange(0, len(points), 3)
    old = _soft(before.picture, COARSE_STEP_PX)
    new = _soft(picture, COARSE_STEP_PX)
    then = _read(old, before.pixel[pick])
    line = np.arange(-COARSE_REACH_PX, COARSE_REACH_PX + 1, COARSE_STEP_PX)
    shifts = np.array([(x, y) for y in line for x in line])
    tried: list[tuple[float, Camera]] = []
    for roll in np.radians([-1.5, -0.5, 0.5, 1.5]):
        base = nudged(start, np.array([0.0, 0.0, roll, 0.0, 0.0, 0.0]))
        pixel = base.project(points[pick])
        now = _read(new, pixel[None] + shifts[:, None])
        good = np.isfinite(now) & np.isfinite(then)
        count = np.maximum(good.sum(axis=1), 1)[:, None]
        a = np.where(good, now, 0.0)
        b = np.where(good, then, 0.0)
        a -= good * (a.sum(axis=1, keepdims=True) / count)
        b -= good * (b.sum(axis=1, keepdims=True) / count)
        power = np.sqrt((a**2).sum(axis=1) * (b**2).sum(axis=1))
        score = (a * b).sum(axis=1) / np.maximum(power, 1e-9)
        score *= np.minimum(1.0, good.mean(axis=1) / 0.5)
        best = int(np.argmax(score))
        dx, dy = shifts[best] / start.focal_px
        turn = np.array([-dy, dx, 0.0, 0.0, 0.0, 0.0])
        tried.append((float(score[best]), nudged(base, turn)))
    tried.sort(key=lambda one: -one[0])
    return [camera for _, camera in tried[:most]]


def pose_anew(
    start: Camera, before: BedLook, picture: Grey, offset_mm: Array, middle_mm: Array
) -> Pose | None:
    """Pose of the camera that sees the bed where this picture has it.

    Args:
        start: a first guess, right to about 15 px on the bed.
        before: how the bed looked.
        picture: local contrast of this frame, shape (H, W).
        offset_mm: shape (3,), the bed in the machine now.
        middle_mm: shape (3,), place of the machine whose error counts.

    Returns:
        None where too little of the bed is seen.

    """
    points = before.points_mm + (offset_mm - before.sunk_mm)
    camera = start
    moved = np.zeros(6)
    inverse = np.diag(1 / np.array([KNOCK_RAD] * 3 + [KNOCK_MM] * 3) ** 2)
    normal = inverse
    variance = 1.0
    for blur in BLURS_PX:
        old = _soft(before.picture, blur)
        new = _soft(picture, blur)
        slope_x = cv2.Sobel(new, cv2.CV_32F, 1, 0, scale=1 / 8).astype(np.float32)
        slope_y = cv2.Sobel(new, cv2.CV_32F, 0, 1, scale=1 / 8).astype(np.float32)
        then = _read(old, before.pixel)
        for _ in range(ROUNDS):
            pixel = camera.project(points)
            now = _read(new, pixel)
            slope = np.column_stack([_read(slope_x, pixel), _read(slope_y, pixel)])
            good = np.isfinite(now) & np.isfinite(then) & np.isfinite(slope).all(axis=1)
            if good.sum() < max(0.25 * len(points), LEAST_PLACES):
                return None
            residual = np.where(good, then - now, 0.0)
            scale = max(4.0, 1.5 * float(np.median(np.abs(residual[good]))))
            weight = good / (1 + (residual / scale) ** 2) ** 2
            design = np.einsum("ni,nij->nj", np.nan_to_num(slope), _per_change(camera, points))
            variance = float(np.sum(weight * residual**2) / max(weight.sum(), 1e-9))
            # Places a millimetre apart share blur and noise: about a fifth are independent.
            normal = (design * weight[:, None]).T @ design / (5 * max(variance, 1.0)) + inverse
            pull = (design * weight[:, None]).T @ residual / (5 * max(variance, 1.0))
            change = np.linalg.solve(normal, pull - inverse @ moved)
            moved = moved + change
            camera = nudged(camera, change)
            if (
                np.abs(change[:3]).max() * camera.focal_px < 0.01
                and np.abs(change[3:]).max() < 0.01
            ):
                break
    # Noise is left out of the verdict, or a bed with little on it would never be known again.
    now = _read(_soft(picture, SCORE_BLUR_PX), camera.project(points))
    then = _read(_soft(before.picture, SCORE_BLUR_PX), before.pixel)
    good = np.isfinite(now) & np.isfinite(then)
    if good.sum() < LEAST_PLACES:
        return None
    score = float(np.corrcoef(now[good], then[good])[0, 1])
    at = _per_change(camera, middle_mm[None])[0]
    spread = at @ np.linalg.inv(normal) @ at.T
    return Pose(camera, float(np.sqrt(np.trace(spread) / 2)), score if np.isfinite(score) else 0.0)
