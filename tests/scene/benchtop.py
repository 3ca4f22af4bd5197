"""Artificial machines for the tests of the scene: cameras, beds and toolpaths made by hand."""

import cv2
import numpy as np

from watcher.records import BedPoint, Layer, Setup, Toolpath
from watcher.scene.camera import Camera

SIZE = (640, 480)
BED = (200.0, 180.0)


def looking(eye_mm, target_mm, focal_px=700.0, size=SIZE, k1=0.0):
    """A camera at one place that looks at another, the right way up."""
    eye, target = np.asarray(eye_mm, float), np.asarray(target_mm, float)
    forward = (target - eye) / np.linalg.norm(target - eye)
    right = np.cross(forward, [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    rotation = np.stack([right, np.cross(forward, right), forward])
    return Camera(
        focal_px,
        k1,
        cv2.Rodrigues(rotation)[0].ravel(),
        -rotation @ eye,
        ((size[0] - 1) / 2, (size[1] - 1) / 2),
        size,
    )


def usual_camera(**kwargs):
    """In front of the bed, somewhat to the right, looking down at its middle."""
    return looking((150.0, -180.0, 220.0), (100.0, 90.0, 0.0), **kwargs)


def setup_for(camera, motion="bed-y", points_px=None, sunk_mm=0.0):
    """A setup whose bed corners are clicked where the camera sees them."""
    corners = np.array([[0, 0], [BED[0], 0], [BED[0], BED[1]], [0, BED[1]]], float)
    if points_px is None:
        z = -sunk_mm if motion == "bed-z" else 0.0
        points_px = camera.project(np.column_stack([corners, np.full(4, z)]))
    points = tuple(
        BedPoint((float(p[0]), float(p[1])), (float(c[0]), float(c[1])))
        for p, c in zip(points_px, corners, strict=True)
    )
    return Setup(camera.size_px, BED, motion, False, points, sunk_mm)


def rectangle(x0, y0, x1, y1):
    """A ring that runs counter-clockwise."""
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], float)


def toolpath(rings_of_layers, height_mm=0.2, seconds=30.0):
    """A toolpath with the rings of each layer given."""
    layers = tuple(
        Layer(
            number=i + 1,
            z_mm=round(height_mm * (i + 1), 6),
            height_mm=height_mm,
            rings_mm=tuple(rings),
            start_s=i * seconds,
            duration_s=seconds,
            filament_mm=100.0,
        )
        for i, rings in enumerate(rings_of_layers)
    )
    return Toolpath(layers, 100.0 * len(layers), seconds * len(layers), 0.45)


def scattered(shape, count, rng, size=(6, 30)):
    """A plain surface with boxes and discs on it, a little blurred, grey levels about 128."""
    picture = np.full(shape, 128.0, np.float32)
    for _ in range(count):
        x, y = rng.uniform([0, 0], shape[::-1])
        w, h = rng.uniform(*size, 2)
        grey = float(rng.uniform(40, 220))
        if rng.random() < 0.5:
            corners = cv2.boxPoints(((x, y), (w, h), float(rng.uniform(0, 90))))
            cv2.fillConvexPoly(picture, np.round(corners).astype(np.int32), grey)
        else:
            cv2.circle(picture, (int(x), int(y)), int(w / 2), grey, -1)
    return cv2.GaussianBlur(picture, (0, 0), 1.0)


def picture_of_bed(camera, texture, step_mm, offset_mm):
    """What a camera without distortion sees of a bed that has moved by ``offset_mm``: (H, W).

    The texture covers the bed and a margin of 30 mm; beyond it all is grey. The plane's
    homography is K (r1 r2 R o + t), Zhang 2000; each pixel is the mean of 2 x 2 looks.
    """
    rotation, _ = cv2.Rodrigues(camera.rotation_vector)
    from_bed = camera.matrix @ np.column_stack(
        [rotation[:, :2], rotation @ np.asarray(offset_mm) + camera.translation_mm]
    )
    from_cells = np.array([[step_mm, 0, -30.0], [0, step_mm, -30.0], [0, 0, 1]])
    twice = np.array([[2, 0, 0.5], [0, 2, 0.5], [0, 0, 1.0]])
    width, height = camera.size_px
    fine = cv2.warpPerspective(
        texture, twice @ from_bed @ from_cells, (2 * width, 2 * height), borderValue=110.0
    )
    return cv2.resize(fine, (width, height), interpolation=cv2.INTER_AREA)
