"""Printed markers as extra points for registration, for those who want more than the bed shows.

The markers are squares of OpenCV's dictionary ``DICT_4X4_50`` (ArUco; Garrido-Jurado et al. 2014).
Marker 0 to 3 lie on the bed with a corner at a known place each; markers from 10 on are fixed
anywhere in the still room, and only have to stay there.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares

from watcher.records import Array, BedMarker
from watcher.scene.camera import Camera, pack, unpack

ROOM_FROM = 10
"""Markers with this number or a higher one are fixed in the room."""
CORNER_PX = 0.3
"""Standard deviation of one marker corner; a published rule of thumb trusts them no further."""
CELLS = 6
"""A marker of 4 x 4 cells with its black rim."""


@dataclass(frozen=True)
class Marker:
    """One marker in a picture."""

    number: int
    corners_px: Array
    """Shape (4, 2): clockwise from the marker's own top left corner."""


def find_markers(grey: npt.NDArray[np.uint8]) -> list[Marker]:
    """Markers in a picture, by number; a number that is seen twice is left out.

    Args:
        grey: shape (H, W), uint8.

    """
    if min(grey.shape[:2]) < 3 * CELLS:
        return []
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    corners, numbers, _ = cv2.aruco.ArucoDetector(dictionary, settings).detectMarkers(grey)
    if numbers is None:
        return []
    flat = [int(n) for n in np.ravel(numbers)]
    found = [
        Marker(number, np.asarray(corner, dtype=np.float64).reshape(4, 2))
        for number, corner in zip(flat, corners, strict=True)
        if flat.count(number) == 1
    ]
    return sorted(found, key=lambda marker: marker.number)


def room_pairs(before: list[Marker], now: list[Marker]) -> tuple[Array, Array]:
    """Corners of the room's markers in two pictures: shape (n, 2) twice, pixels."""
    old = {m.number: m for m in before if m.number >= ROOM_FROM}
    both = [(old[m.number], m) for m in now if m.number in old]
    if not both:
        return np.zeros((0, 2)), np.zeros((0, 2))
    return (
        np.concatenate([a.corners_px for a, _ in both]),
        np.concatenate([b.corners_px for _, b in both]),
    )


def marker_corners_mm(marker: BedMarker) -> Array:
    """Where a bed marker's corners lie, shape (4, 3), in the order of :class:`Marker`.

    The marker lies with its own top edge away from the bed's front.
    """
    x, y = marker.bed_mm
    s = marker.side_mm
    return np.array([[x, y + s, 0], [x + s, y + s, 0], [x + s, y, 0], [x, y, 0]], dtype=np.float64)


def camera_with_markers(
    camera: Camera, seen: list[Marker], placed: tuple[BedMarker, ...], offset_mm: Array
) -> Camera:
    """The camera that also agrees with the bed's markers.

    Args:
        camera: as known so far; it counts as one more observation.
        seen: markers in the first picture.
        placed: where markers lie on the bed.
        offset_mm: shape (3,), the bed in the machine.

    Returns:
        The same camera where none of the markers is seen.

    """
    where = {m.number: m for m in placed}
    pairs = [(where[m.number], m) for m in seen if m.number in where]
    if not pairs:
        return camera
    points = np.concatenate([marker_corners_mm(a) for a, _ in pairs]) + offset_mm
    pixels = np.concatenate([b.corners_px for _, b in pairs])
    start = pack(camera)
    # Few markers can't turn a camera round: log of the focal length, rad and tenths of a metre.
    loose = np.array([0.03, *[0.03] * 3, *[0.15] * 3])

    def misfit(values: Array) -> Array:
        off = (unpack(values, camera).project(points) - pixels).ravel() / CORNER_PX
        return np.append(off, (values - start) / loose)

    fitted = least_squares(misfit, start, loss="soft_l1")
    return replace(unpack(fitted.x, camera), k1=camera.k1)


def marker_cells(number: int) -> npt.NDArray[np.bool_]:
    """Which of a marker's cells are black, rim included: shape (6, 6), from its top left."""
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    return np.asarray(cv2.aruco.generateImageMarker(dictionary, number, CELLS) < 128)


def sheet(side_mm: float) -> str:
    """A page of A4 as SVG with markers 0 to 3 for the bed and 10 to 13 for the room.

    Args:
        side_mm: length of a marker's black square, at most 60.

    """
    cell = side_mm / CELLS
    parts = [
        '<svg xmlns="http://www.w3.org/2000/svg" width="210mm" height="297mm" '
        'viewBox="0 0 210 297"><rect width="210" height="297" fill="#fff"/>'
    ]
    for i, number in enumerate([0, 1, 2, 3, *range(ROOM_FROM, ROOM_FROM + 4)]):
        left, top = 30.0 + 90.0 * (i % 2), 8.0 + 71.0 * (i // 2)
        for row, column in np.argwhere(marker_cells(number)):
            # A hair wider than a cell, or seams would show in print.
            parts.append(
                f'<rect x="{left + column * cell:.3f}" y="{top + row * cell:.3f}" '
                f'width="{cell + 0.02:.3f}" height="{cell + 0.02:.3f}"/>'
            )
        where = "bed" if number < ROOM_FROM else "room"
        parts.append(
            f'<text x="{left:.1f}" y="{top + side_mm + 5:.1f}" font-size="4" '
            f'font-family="sans-serif">{number}: {where}, {side_mm:g} mm</text>'
        )
    return "".join([*parts, "</svg>\n"])
