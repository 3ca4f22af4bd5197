"""Printed markers against OpenCV's own generator, laid into pictures by known homographies."""

import re
from dataclasses import replace

import cv2
import numpy as np
import pytest
from benchtop import BED, SIZE, scattered, setup_for, usual_camera

from watcher.records import BedMarker
from watcher.scene.camera import camera_from_points
from watcher.scene.fiducials import (
    ROOM_FROM,
    camera_with_markers,
    find_markers,
    marker_cells,
    marker_corners_mm,
    room_pairs,
    sheet,
)
from watcher.scene.place import Placer
from watcher.scene.travel import turn_pixels

CAMERA = usual_camera()
STILL = np.zeros(3)
DICTIONARY = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
MARKERS = (BedMarker(0, (12.0, 12.0), 30.0), BedMarker(3, (150.0, 130.0), 30.0))


def laid_in(picture, number, corners_px):
    """OpenCV's marker with a white border, so that its square's corners lie at known pixels.

    The generated picture covers cells -1 to 7; pixels count from their centres, hence the halves.
    """
    cell = 20
    marker = cv2.copyMakeBorder(
        cv2.aruco.generateImageMarker(DICTIONARY, number, 6 * cell),
        cell,
        cell,
        cell,
        cell,
        cv2.BORDER_CONSTANT,
        value=255,
    )
    low, high = cell - 0.5, 7 * cell - 0.5
    square = np.array([[low, low], [high, low], [high, high], [low, high]], np.float32)
    fine = 4
    where = ((np.asarray(corners_px) + 0.5) * fine - 0.5).astype(np.float32)
    plane = cv2.getPerspectiveTransform(square, where)
    size = (picture.shape[1] * fine, picture.shape[0] * fine)
    drawn = cv2.warpPerspective(marker.astype(np.float32), plane, size, borderValue=-1e4)
    mask = cv2.warpPerspective(np.ones_like(marker, np.float32), plane, size)
    wide = cv2.resize(picture, size, interpolation=cv2.INTER_NEAREST)
    wide = np.where(mask > 0.99, drawn, wide).astype(np.float32)
    return cv2.resize(wide, picture.shape[::-1], interpolation=cv2.INTER_AREA)


def photographed(picture, seed=1):
    noise = np.random.default_rng(seed).normal(scale=1.5, size=picture.shape)
    soft = cv2.GaussianBlur(picture, (0, 0), 0.7) + noise
    return np.clip(np.round(soft), 0, 255).astype(np.uint8)


def bed_picture(camera=CAMERA, markers=MARKERS):
    picture = np.full((SIZE[1], SIZE[0]), 110.0, np.float32)
    for marker in markers:
        picture = laid_in(picture, marker.number, camera.project(marker_corners_mm(marker)))
    return photographed(picture)


def test_markers_are_found_where_they_were_laid():
    found = find_markers(bed_picture())
    assert [m.number for m in found] == [0, 3]
    for marker, seen in zip(MARKERS, found, strict=True):
        true = CAMERA.project(marker_corners_mm(marker))
        off = np.hypot(*(seen.corners_px - true).T)
        assert np.sqrt(np.mean(off**2)) < 0.4


def test_a_marker_lies_on_the_bed_as_geometry_says():
    corners = marker_corners_mm(BedMarker(1, (10.0, 20.0), 30.0))
    np.testing.assert_allclose(corners, [[10, 50, 0], [40, 50, 0], [40, 20, 0], [10, 20, 0]])


def test_markers_mend_what_clicks_get_wrong():
    rng = np.random.default_rng(2)
    exact = np.array([p.pixel for p in setup_for(CAMERA).bed_points])
    points = rng.uniform([20, 20, 0], [180, 160, 20], (80, 3))
    true, _ = cv2.projectPoints(
        points, CAMERA.rotation_vector, CAMERA.translation_mm, CAMERA.matrix, None
    )
    seen = find_markers(bed_picture())
    before, after = [], []
    for _ in range(5):
        setup = setup_for(CAMERA, points_px=exact + rng.normal(scale=1.5, size=(4, 2)))
        first = camera_from_points(setup)
        for camera, errors in (
            (first, before),
            (camera_with_markers(first, seen, MARKERS, STILL), after),
        ):
            errors.append(np.hypot(*(camera.project(points) - true.reshape(-1, 2)).T).mean())
    assert np.mean(after) < 0.5 * np.mean(before)


def test_without_a_known_marker_the_camera_stays():
    seen = find_markers(bed_picture())
    assert camera_with_markers(CAMERA, seen, (BedMarker(7, (1.0, 1.0), 20.0),), STILL) is CAMERA
    assert camera_with_markers(CAMERA, [], MARKERS, STILL) is CAMERA


def square_at(x, y, side=60.0):
    return np.array([[x, y], [x + side, y], [x + side, y + side], [x, y + side]])


ROOM = {ROOM_FROM: square_at(60, 60), ROOM_FROM + 1: square_at(540, 30), 0: square_at(300, 350)}


def room_picture(turn, ground=120.0):
    picture = np.full((SIZE[1], SIZE[0]), ground, np.float32)
    for number, corners in ROOM.items():
        picture = laid_in(picture, number, turn_pixels(CAMERA, corners, np.asarray(turn)))
    return photographed(picture)


def test_only_the_rooms_markers_are_paired():
    before, now = (find_markers(room_picture(t)) for t in ([0, 0, 0.0], [0.004, -0.01, 0.0]))
    a, b = room_pairs(before, now)
    assert a.shape == b.shape == (8, 2)
    expected = turn_pixels(CAMERA, a, np.array([0.004, -0.01, 0.0]))
    assert np.hypot(*(b - expected).T).max() < 0.4
    assert room_pairs(before, [])[0].shape == (0, 2)


def test_a_bare_room_is_registered_by_its_markers():
    setup = replace(setup_for(CAMERA, "fixed"), room_markers=True)
    turn = np.array([0.0006, 0.0009, 0.0])
    placer = Placer(setup, None, None)
    first = placer.place(room_picture([0, 0, 0.0]).astype(np.float32), 0.0)
    placer.learn(first, None)
    second = placer.place(room_picture(turn).astype(np.float32), 60.0)
    middle = np.array([[BED[0] / 2, BED[1] / 2, 0.0]])
    moved = second.camera.project(middle) - first.camera.project(middle)
    # 0.0009 rad at 700 px: 0.63 px to the right.
    np.testing.assert_allclose(moved, [[0.63, -0.42]], atol=0.12)


@pytest.mark.parametrize("shape", [(1, 1), (5, 9), (40, 40)])
def test_pictures_without_markers_give_none(shape):
    assert find_markers(np.full(shape, 90, np.uint8)) == []
    rng = np.random.default_rng(3)
    assert find_markers(scattered((240, 320), 60, rng).astype(np.uint8)) == []


def test_a_number_that_is_seen_twice_is_left_out():
    picture = np.full((SIZE[1], SIZE[0]), 120.0, np.float32)
    for corners in (square_at(50, 50), square_at(400, 200)):
        picture = laid_in(picture, 5, corners)
    assert find_markers(photographed(picture)) == []


def test_the_sheet_that_is_printed_is_read_by_opencv():
    # Rasterised by hand at 4 dots a mm: rectangles and nothing else.
    page = sheet(25.0)
    assert 'width="210mm"' in page
    dots = 4
    raster = np.full((297 * dots, 210 * dots), 255, np.uint8)
    number = r'([\d.]+)"'
    for x, y, w, h in re.findall(
        rf'<rect x="{number} y="{number} width="{number} height="{number}/>', page
    ):
        left, top, right, bottom = (
            round(dots * v) for v in (float(x), float(y), float(x) + float(w), float(y) + float(h))
        )
        raster[top:bottom, left:right] = 0
    found = find_markers(raster)
    assert [m.number for m in found] == [0, 1, 2, 3, 10, 11, 12, 13]
    for marker in found:
        sides = np.hypot(*(marker.corners_px - np.roll(marker.corners_px, 1, axis=0)).T)
        np.testing.assert_allclose(sides / dots, 25.0, atol=0.4)


def test_a_markers_cells_have_a_black_rim():
    cells = marker_cells(4)
    assert cells.shape == (6, 6)
    assert cells[0].all()
    assert cells[-1].all()
    assert cells[:, 0].all()
    assert cells[:, -1].all()
    assert 0 < cells[1:5, 1:5].sum() < 16
