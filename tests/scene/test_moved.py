"""A camera that was knocked, turned and shifted: its pose anew on pictures of a known bed."""

import cv2
import numpy as np
import pytest
from benchtop import BED, SIZE, picture_of_bed, scattered, usual_camera

from watcher.scene.moved import bed_look, coarse_poses, nudged, pose_anew
from watcher.scene.travel import local_contrast

CAMERA = usual_camera()
STEP = 0.5
STILL = np.zeros(3)
MIDDLE = np.array([BED[0] / 2, BED[1] / 2, 0.0])
CORNERS = np.array([[0, 0, 0], [BED[0], 0, 0], [*BED, 0], [0, BED[1], 0.0]])
KNOCKS = [(0.0, 0.0, 0.0, 4.0, -3.0, 5.0), (0.02, -0.03, 0.01, -5.0, 4.0, 3.0)]


def grid():
    x, y = np.meshgrid(np.arange(-5, BED[0] + 5), np.arange(-5, BED[1] + 5))
    return np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)])


@pytest.fixture(scope="module")
def texture():
    shape = tuple(int((size + 60) / STEP) for size in BED[::-1])
    return scattered(shape, 250, np.random.default_rng(20))


def look(camera, texture, seed, offset=STILL):
    picture = picture_of_bed(camera, texture, STEP, offset)
    noise = np.random.default_rng(seed).normal(scale=1.5, size=picture.shape)
    flat = local_contrast((picture + noise).astype(np.float32))
    return cv2.GaussianBlur(flat.astype(np.float32), (0, 0), 0.7)


def remembered(texture, offset=STILL):
    points = grid()
    seen = look(CAMERA, texture, 1, offset)
    open_places = np.ones(len(points), bool)
    return bed_look(seen, CAMERA.project(points + offset), points, open_places, offset)


def found_best(before, picture, offset=STILL):
    guesses = [CAMERA, *coarse_poses(CAMERA, before, picture, offset)]
    poses = [pose_anew(guess, before, picture, offset, MIDDLE) for guess in guesses]
    return max((p for p in poses if p is not None), key=lambda p: p.score)


@pytest.mark.parametrize("knock", KNOCKS)
def test_turn_and_shift_are_both_found(texture, knock):
    true = nudged(CAMERA, np.array(knock))
    assert np.hypot(*(true.project(CORNERS) - CAMERA.project(CORNERS)).T).mean() > 8
    pose = found_best(remembered(texture), look(true, texture, 2))
    off = np.hypot(*(pose.camera.project(CORNERS) - true.project(CORNERS)).T)
    assert off.max() < 0.15
    np.testing.assert_allclose(pose.camera.position_mm, true.position_mm, atol=0.5)
    assert pose.score > 0.9
    middle = pose.camera.project(MIDDLE[None]) - true.project(MIDDLE[None])
    assert np.hypot(*middle[0]) < 4 * pose.sigma_px
    # OpenCV's pose of the same bed from the corners as they are seen now.
    _, vector, shift = cv2.solvePnP(
        CORNERS, true.project(CORNERS), true.matrix, None, flags=cv2.SOLVEPNP_IPPE
    )
    np.testing.assert_allclose(pose.camera.rotation_vector, vector.ravel(), atol=2e-3)
    np.testing.assert_allclose(pose.camera.translation_mm, shift.ravel(), atol=0.5)


def test_a_bed_that_has_slid_meanwhile_is_allowed_for(texture):
    before, slid = np.array([0, 6.0, 0]), np.array([0, -11.0, 0])
    true = nudged(CAMERA, np.array(KNOCKS[1]))
    pose = found_best(remembered(texture, before), look(true, texture, 3, slid), slid)
    off = np.hypot(*(pose.camera.project(CORNERS) - true.project(CORNERS)).T)
    assert off.max() < 0.2


def test_another_bed_is_not_taken_for_this_one(texture):
    other = scattered(texture.shape, 250, np.random.default_rng(99))
    assert found_best(remembered(texture), look(CAMERA, other, 4)).score < 0.5


def test_where_the_bed_is_out_of_sight_there_is_no_pose(texture):
    away = nudged(CAMERA, np.array([0, 0.9, 0, 0, 0, 0]))
    assert pose_anew(away, remembered(texture), look(CAMERA, texture, 5), STILL, MIDDLE) is None


def test_a_nudge_turns_and_shifts_along_the_cameras_axes():
    # 3 mm to the right of a camera move what it sees 3 f / Z px to the left of where it was.
    moved = nudged(CAMERA, np.array([0, 0, 0, -3.0, 0, 0]))
    depth = (cv2.Rodrigues(CAMERA.rotation_vector)[0] @ MIDDLE + CAMERA.translation_mm)[2]
    shift = moved.project(MIDDLE[None]) - CAMERA.project(MIDDLE[None])
    np.testing.assert_allclose(shift, [[-3.0 * CAMERA.focal_px / depth, 0]], atol=1e-9)
    assert CAMERA.size_px == SIZE
