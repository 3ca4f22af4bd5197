"""The bed's corners found in pictures of known truth, and the honest answer where they are not."""

import json
from pathlib import Path

import cv2
import numpy as np
import pytest
from benchtop import BED, SIZE, looking, setup_for, usual_camera

from watcher.records import BedMarker
from watcher.scene.corners import NOT_FOUND, find_corners, in_order, mended
from watcher.scene.fiducials import marker_cells, marker_corners_mm

SHARED = Path(__file__).resolve().parents[3] / "shared" / "nights"
BOX = np.array([[0, 0, 0], [BED[0], 0, 0], [BED[0], BED[1], 0], [0, BED[1], 0]], float)


def photographed(camera, colour=(70, 120, 60), room=(55, 50, 48), noise=2.0, seed=1, bar=True):
    """A bed of one colour in a plain room, drawn four times as fine; a bar stands behind it."""
    rng = np.random.default_rng(seed)
    fine = 4
    width, height = camera.size_px
    picture = np.full((height * fine, width * fine, 3), room, np.uint8)
    cv2.rectangle(picture, (0, 0), (width * fine, 60 * fine), (150, 140, 130), -1)
    corners = (camera.project(BOX) + 0.5) * fine - 0.5
    cv2.fillConvexPoly(picture, np.round(corners * 16).astype(np.int32), colour, cv2.LINE_AA, 4)
    if bar:
        # A gantry over the back of the bed.
        at = camera.project(
            np.array([[-60.0, 150, 40], [260, 150, 40], [260, 150, 60], [-60, 150, 60]])
        )
        cv2.fillConvexPoly(picture, np.round(at * fine).astype(np.int32), (140, 140, 145))
    small = cv2.resize(picture, (width, height), interpolation=cv2.INTER_AREA).astype(np.float32)
    small = cv2.GaussianBlur(small, (0, 0), 0.8) + rng.normal(0, noise, small.shape)
    return np.clip(small, 0, 255).astype(np.uint8)


CAMERAS = {
    "usual": usual_camera(),
    "from the left": looking((20.0, -170.0, 200.0), (100.0, 85.0, 0.0)),
    "flat": looking((120.0, -260.0, 170.0), (100.0, 90.0, 0.0), focal_px=800.0),
}


@pytest.mark.parametrize("name", CAMERAS)
def test_the_corners_are_found_to_two_pixels(name):
    camera = CAMERAS[name]
    found = find_corners(photographed(camera), BED)
    assert not isinstance(found, str)
    assert found.how == "edges"
    assert np.hypot(*(found.pixel - camera.project(BOX)).T).max() < 2.0
    assert 0.5 < found.shown <= 1.0


@pytest.mark.parametrize(
    "picture",
    [
        np.zeros((SIZE[1], SIZE[0], 3), np.uint8),
        np.random.default_rng(2).integers(0, 255, (SIZE[1], SIZE[0], 3)).astype(np.uint8),
        photographed(usual_camera(), colour=(56, 51, 49), bar=False),
        np.zeros((8, 8, 3), np.uint8),
    ],
    ids=["black", "noise", "a bed in the room's colour", "tiny"],
)
def test_where_no_bed_shows_it_says_so(picture):
    assert find_corners(picture, BED) == NOT_FOUND


def test_a_thing_that_no_upright_camera_sees_as_a_bed_is_not_taken_for_one():
    picture = np.full((SIZE[1], SIZE[0], 3), 60, np.uint8)
    # Upside down: its far side is the lower and longer.
    cv2.fillConvexPoly(
        picture, np.array([[100, 300], [300, 60], [500, 300], [320, 440]]), (60, 160, 60)
    )
    found = find_corners(picture, (300.0, 60.0))
    assert found == NOT_FOUND


def test_markers_with_known_places_say_where_the_corners_are():
    camera = usual_camera()
    picture = photographed(camera, colour=(120, 120, 120), bar=False)
    markers = (
        BedMarker(0, (12.0, 12.0), 30.0),
        BedMarker(1, (155.0, 15.0), 30.0),
        BedMarker(3, (150.0, 130.0), 30.0),
    )
    for marker in markers:
        x, y = marker.bed_mm
        paper = np.array([[x - 5, y - 5], [x + 35, y - 5], [x + 35, y + 35], [x - 5, y + 35]])
        at = camera.project(np.column_stack([paper, np.zeros(4)]))
        cv2.fillConvexPoly(picture, np.round(at * 16).astype(np.int32), (250,) * 3, cv2.LINE_AA, 4)
        for row, column in np.argwhere(marker_cells(marker.number)):
            corner = np.array([x + column * 5, y + 30 - row * 5])
            cell = corner + np.array([[0, 0], [5, 0], [5, -5], [0, -5]])
            at = camera.project(np.column_stack([cell, np.zeros(4)]))
            cv2.fillConvexPoly(picture, np.round(at * 16).astype(np.int32), (0,) * 3, cv2.LINE_8, 4)
    assert marker_corners_mm(markers[0])[3].tolist() == [12.0, 12.0, 0.0]
    found = find_corners(picture, BED, markers)
    assert not isinstance(found, str)
    assert found.how == "markers"
    assert np.hypot(*(found.pixel - camera.project(BOX)).T).max() < 4.0


def test_clicks_beside_the_edges_are_moved_onto_them():
    camera = usual_camera()
    truth = camera.project(BOX)
    off = np.array([[2.5, -2.0], [-2.0, 2.5], [2.0, 1.5], [-1.5, -2.0]])
    grey = cv2.cvtColor(photographed(camera, bar=False), cv2.COLOR_BGR2GRAY).astype(np.float32)
    better = mended(grey, setup_for(camera, points_px=truth + off))
    assert better is not None
    before, after = np.hypot(*off.T), np.hypot(*(better - truth).T)
    assert after.max() < 1.2
    assert after.mean() < 0.4 * before.mean()


def test_without_edges_nothing_is_moved():
    camera = usual_camera()
    plain = np.full((SIZE[1], SIZE[0]), 90, np.float32)
    assert mended(plain, setup_for(camera)) is None


def test_the_front_is_the_lowest_side_and_the_corners_run_round_the_bed():
    truth = usual_camera().project(BOX)
    for turn in range(4):
        rolled = np.roll(truth, turn, axis=0)
        assert in_order(rolled) == pytest.approx(truth)
        assert in_order(rolled[::-1]) == pytest.approx(truth)


@pytest.mark.skipif(not SHARED.is_dir(), reason="the shared nights are not beside this copy")
def test_of_the_shared_nights_none_is_found_wrongly():
    for night in sorted(path for path in SHARED.iterdir() if path.is_dir()):
        setup = json.loads((night / "setup.json").read_text())
        truth = np.array([point["pixel"] for point in setup["bed_points"]])
        first = cv2.imread(str(min((night / "frames").glob("*.jpg"))))
        found = find_corners(first, tuple(setup["bed_mm"]))
        if not isinstance(found, str):
            assert np.hypot(*(found.pixel - truth).T).max() < 20, night.name
