"""Camera: from four clicked bed points to where any point of the machine falls in the picture.

The lens is a pinhole with one radial term (Brown 1966, OpenCV's ``k1``), square pixels and its
axis through the middle of the picture; so four points of a plane settle pose and focal length
(Zhang 2000, section 2.3).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from scipy.optimize import least_squares

from watcher.records import Array, Setup
from watcher.trouble import BadSetup


@dataclass(frozen=True)
class Camera:
    """Where the camera stands (machine coordinates, mm) and how long its lens is (px)."""

    focal_px: float
    k1: float
    rotation_vector: Array
    """Shape (3,), Rodrigues, machine to camera."""
    translation_mm: Array
    """Shape (3,)."""
    centre_px: tuple[float, float]
    size_px: tuple[int, int]

    @property
    def matrix(self) -> Array:
        """Intrinsic matrix, shape (3, 3)."""
        cx, cy = self.centre_px
        return np.array([[self.focal_px, 0, cx], [0, self.focal_px, cy], [0, 0, 1.0]])

    @property
    def position_mm(self) -> Array:
        """The camera's own place in machine coordinates, shape (3,)."""
        rotation, _ = cv2.Rodrigues(self.rotation_vector)
        return np.asarray(-rotation.T @ self.translation_mm, dtype=np.float64)

    def project(self, points_mm: Array) -> Array:
        """Pixels of points, shape (n, 3) in mm to (n, 2) in px."""
        points = np.asarray(points_mm, dtype=np.float64).reshape(-1, 3)
        rotation, _ = cv2.Rodrigues(self.rotation_vector)
        inside = points @ rotation.T + self.translation_mm
        return self.seen_along(inside)

    def jacobian(self, points_mm: Array, step_mm: float = 0.05) -> Array:
        """How pixels move with points: shape (n, 2, 3), px per mm, by central differences."""
        points = np.asarray(points_mm, dtype=np.float64).reshape(-1, 3)
        columns = []
        for axis in range(3):
            shift = np.zeros(3)
            shift[axis] = step_mm
            moved = (self.project(points + shift) - self.project(points - shift)) / (2 * step_mm)
            columns.append(moved)
        return np.stack(columns, axis=2)

    def rays(self, pixels: Array) -> Array:
        """Directions in which pixels look, along the camera's own axes: shape (n, 2) to (n, 3)."""
        pixels = np.asarray(pixels, dtype=np.float64).reshape(-1, 1, 2)
        flat = cv2.undistortPoints(pixels, self.matrix, np.array([self.k1, 0.0, 0.0, 0.0]))
        return np.column_stack([flat.reshape(-1, 2), np.ones(len(flat))])

    def seen_along(self, rays: Array) -> Array:
        """Pixels in which directions are seen: shape (n, 3) to (n, 2) px; undoes :meth:`rays`."""
        flat = rays[:, :2] / np.maximum(rays[:, 2:3], 1e-6)
        flat *= 1 + self.k1 * np.sum(flat**2, axis=1, keepdims=True)
        return np.asarray(flat * self.focal_px + np.asarray(self.centre_px), dtype=np.float64)

    def ground(self, pixels: Array, z_mm: float) -> Array:
        """Points of the plane at ``z_mm`` seen in pixels: shape (n, 2) px to (n, 2) mm."""
        rotation, _ = cv2.Rodrigues(self.rotation_vector)
        rays = self.rays(pixels) @ rotation
        eye = self.position_mm
        reach = (z_mm - eye[2]) / rays[:, 2]
        return np.asarray(eye[:2] + rays[:, :2] * reach[:, None], dtype=np.float64)


def unpack(values: Array, like: Camera) -> Camera:
    """The camera that a vector from :func:`pack` describes; the rest is as in ``like``."""
    return replace(
        like,
        focal_px=float(np.exp(values[0])),
        rotation_vector=values[1:4],
        translation_mm=values[4:7] * 100.0,
        k1=float(values[7]) if len(values) > 7 else like.k1,
    )


def pack(camera: Camera, with_k1: bool = False) -> Array:
    """The camera's free numbers in a vector for least squares."""
    tail = [camera.k1] if with_k1 else []
    return np.array(
        [
            np.log(camera.focal_px),
            *camera.rotation_vector,
            *(camera.translation_mm / 100.0),
            *tail,
        ]
    )


def camera_from_points(setup: Setup) -> Camera:
    """The camera that sees the clicked bed points where they were clicked.

    Args:
        setup: at least four points of the bed, in px and mm.

    Raises:
        BadSetup: where no camera above the bed explains the points.

    """
    width, height = setup.frame_size
    pixels = np.array([p.pixel for p in setup.bed_points], dtype=np.float64)
    points = np.array(
        [
            [*p.bed_mm, -setup.bed_points_z_mm if setup.bed_motion == "bed-z" else 0.0]
            for p in setup.bed_points
        ],
        dtype=np.float64,
    )
    flat = points - [0, 0, points[0, 2]]
    best: tuple[float, Camera] | None = None
    for ratio in np.geomspace(0.5, 3.0, 25):
        guess = Camera(
            focal_px=float(ratio * width),
            k1=0.0,
            rotation_vector=np.zeros(3),
            translation_mm=np.zeros(3),
            centre_px=((width - 1) / 2, (height - 1) / 2),
            size_px=(width, height),
        )
        found, rotations, translations, _ = cv2.solvePnPGeneric(
            flat, pixels, guess.matrix, None, flags=cv2.SOLVEPNP_IPPE
        )
        for rotation, translation in zip(rotations, translations, strict=True) if found else ():
            turn, _ = cv2.Rodrigues(rotation)
            shifted = translation.ravel() - turn @ np.array([0, 0, points[0, 2]])
            candidate = replace(
                guess, rotation_vector=rotation.ravel().astype(np.float64), translation_mm=shifted
            )
            if candidate.position_mm[2] <= 0:
                continue
            error = float(np.sum((candidate.project(points) - pixels) ** 2))
            # Of some views the closed form has no solution and says so with nan.
            if np.isfinite(error) and (best is None or error < best[0]):
                best = (error, candidate)
    if best is None:
        raise BadSetup(
            "No camera above the bed can see the four bed points where they were clicked.",
            "Click them again in the first frame, each beside its own place on the bed.",
        )
    like = best[1]
    prior = np.log(1.2 * width)

    def misfit(values: Array) -> Array:
        camera = unpack(values, like)
        # A click is good to about 1 px; webcams' focal lengths lie within a factor of two.
        return np.append((camera.project(points) - pixels).ravel(), (values[0] - prior) / 0.5)

    fitted = least_squares(misfit, pack(like))
    return unpack(fitted.x, like)
