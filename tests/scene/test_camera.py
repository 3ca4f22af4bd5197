"""Camera against OpenCV, against derivatives on paper and against points reckoned by hand."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from benchtop import BED, SIZE, looking, setup_for, usual_camera
from hypothesis import given, settings
from hypothesis import strategies as st

from watcher.records import BedPoint, Setup
from watcher.scene.camera import Camera, camera_from_points, pack, unpack
from watcher.trouble import BadSetup

ABOVE = Camera(1000.0, 0.0, np.array([np.pi, 0, 0]), np.array([0, 0, 100.0]), (320.0, 240.0), SIZE)
"""Stands 100 mm above the origin and looks straight down, x to the right, y up in the picture."""


def points_of_machine(seed=1, count=60):
    rng = np.random.default_rng(seed)
    return rng.uniform([0, 0, 0], [*BED, 60.0], (count, 3))


def test_points_reckoned_by_hand():
    # 10 mm to the right at 100 mm is a tenth of the focal length: 100 px; 20 mm up: 200 px.
    np.testing.assert_allclose(ABOVE.project([[10.0, 20.0, 0.0]]), [[420.0, 40.0]], atol=1e-9)
    # Half way to the camera everything is twice as large.
    np.testing.assert_allclose(ABOVE.project([[10.0, 20.0, 50.0]]), [[520.0, -160.0]], atol=1e-9)
    # k1 -0.1 at r^2 = 0.01 + 0.04 draws the point in by half a per cent.
    bent = replace(ABOVE, k1=-0.1)
    np.testing.assert_allclose(bent.project([[10.0, 20.0, 0.0]]), [[419.5, 41.0]], atol=1e-9)
    np.testing.assert_allclose(ABOVE.position_mm, [0, 0, 100], atol=1e-9)


@pytest.mark.parametrize("k1", [-0.12, 0.0, 0.08])
def test_projection_is_opencvs(k1):
    camera = usual_camera(k1=k1)
    points = points_of_machine()
    theirs, _ = cv2.projectPoints(
        points,
        camera.rotation_vector,
        camera.translation_mm,
        camera.matrix,
        np.array([k1, 0.0, 0.0, 0.0]),
    )
    np.testing.assert_allclose(camera.project(points), theirs.reshape(-1, 2), atol=1e-9)


@settings(derandomize=True)
@given(
    st.floats(0, BED[0]),
    st.floats(0, BED[1]),
    st.floats(-40, 60),
    st.floats(-0.12, 0.12),
)
def test_ground_undoes_projection(x, y, z, k1):
    camera = usual_camera(k1=k1)
    back = camera.ground(camera.project([[x, y, z]]), z)
    np.testing.assert_allclose(back, [[x, y]], atol=2e-3)


def test_jacobian_is_the_pinholes_derivative():
    # u = f X / Z + cx with (X, Y, Z) = R p + t gives du/dp = f / Z (R_1 - X / Z R_3), likewise v.
    camera = usual_camera()
    points = points_of_machine(2)
    rotation, _ = cv2.Rodrigues(camera.rotation_vector)
    inside = points @ rotation.T + camera.translation_mm
    depth = inside[:, 2]
    on_paper = np.stack(
        [
            camera.focal_px
            / depth[:, None]
            * (rotation[row] - (inside[:, row] / depth)[:, None] * rotation[2])
            for row in (0, 1)
        ],
        axis=1,
    )
    np.testing.assert_allclose(camera.jacobian(points), on_paper, atol=1e-5)


def test_the_bed_plane_is_opencvs_homography():
    camera = usual_camera()
    rng = np.random.default_rng(3)
    flat = rng.uniform([0, 0], BED, (40, 2))
    pixels = camera.project(np.column_stack([flat, np.zeros(40)]))
    corners = np.array([[0, 0], [BED[0], 0], BED, [0, BED[1]]], np.float32)
    clicked = camera.project(np.column_stack([corners, np.zeros(4)])).astype(np.float32)
    for plane in (
        cv2.findHomography(flat[:20], pixels[:20])[0],
        cv2.getPerspectiveTransform(corners, clicked),
    ):
        theirs = cv2.perspectiveTransform(flat.reshape(-1, 1, 2), plane).reshape(-1, 2)
        np.testing.assert_allclose(theirs, pixels, atol=1e-3)
    # The plane's homography is K (r1 r2 t), Zhang 2000, equation 2.
    rotation, _ = cv2.Rodrigues(camera.rotation_vector)
    zhang = camera.matrix @ np.column_stack([rotation[:, :2], camera.translation_mm])
    theirs = cv2.findHomography(flat, pixels)[0]
    np.testing.assert_allclose(theirs, zhang / zhang[2, 2], rtol=1e-5, atol=1e-7)


def test_the_bed_plane_of_a_camera_straight_above_is_reckoned_by_hand():
    # 10 px a mm, the origin in the middle, y upwards.
    flat = np.array([[0, 0], [5, 0], [0, 7], [-12.5, 3.1]])
    expected = np.array([[320, 240], [370, 240], [320, 170], [195, 209]])
    np.testing.assert_allclose(
        ABOVE.project(np.column_stack([flat, np.zeros(4)])), expected, atol=1e-9
    )
    np.testing.assert_allclose(ABOVE.ground(expected, 0.0), flat, atol=1e-9)


EYES = [(150.0, -180.0, 220.0), (20.0, -150.0, 160.0), (260.0, -120.0, 300.0)]


@pytest.mark.parametrize("eye", EYES)
@pytest.mark.parametrize("focal_px", [520.0, 760.0, 1100.0])
def test_a_known_camera_is_recovered_from_four_exact_points(eye, focal_px):
    true = looking(eye, (100.0, 90.0, 0.0), focal_px)
    found = camera_from_points(setup_for(true))
    # The weak prior on the focal length is one observation of spread 0.5 against eight of 1 px.
    assert found.focal_px == pytest.approx(focal_px, rel=0.003)
    np.testing.assert_allclose(found.position_mm, true.position_mm, atol=0.6)
    points = points_of_machine(4)
    assert np.abs(found.project(points) - true.project(points)).max() < 0.1


def test_a_sunk_bed_is_taken_into_account():
    true = usual_camera()
    found = camera_from_points(setup_for(true, "bed-z", sunk_mm=12.0))
    np.testing.assert_allclose(found.position_mm, true.position_mm, atol=0.6)


def test_a_pixel_of_clicking_error_leaves_the_bed_within_two():
    true = usual_camera()
    exact = np.array([p.pixel for p in setup_for(true).bed_points])
    rng = np.random.default_rng(5)
    bed = points_of_machine(6)
    bed[:, 2] = 0.0
    higher = bed + np.array([0, 0, 5.0])
    off, scale = [], []
    for _ in range(20):
        noisy = exact + rng.normal(scale=1.0, size=(4, 2))
        found = camera_from_points(setup_for(true, points_px=noisy))
        off.append(np.hypot(*(found.project(bed) - true.project(bed)).T).max())
        # What counts for a lift: pixels that a millimetre of height makes.
        rise = (found.project(higher) - found.project(bed))[:, 1]
        scale.append(np.median(rise / (true.project(higher) - true.project(bed))[:, 1]))
    assert np.median(off) < 2.0
    assert max(off) < 4.0
    assert np.abs(np.array(scale) - 1).max() < 0.03


def test_numbers_of_a_camera_go_into_a_vector_and_back():
    camera = usual_camera(k1=-0.07)
    back = unpack(pack(camera, with_k1=True), replace(camera, k1=0.0))
    points = points_of_machine(7)
    np.testing.assert_allclose(back.project(points), camera.project(points), atol=1e-9)
    assert len(pack(camera)) == 7
    assert unpack(pack(camera), camera).k1 == camera.k1


def test_points_that_no_camera_above_the_bed_sees_are_told():
    # Clicked the wrong way round, the bed is seen from below.
    true = usual_camera()
    pixels = np.array([p.pixel for p in setup_for(true).bed_points])
    corners = [(0.0, 0.0), (0.0, BED[1]), BED, (BED[0], 0.0)]
    points = tuple(BedPoint(tuple(map(float, p)), c) for p, c in zip(pixels, corners, strict=True))
    setup = Setup(SIZE, BED, "bed-y", False, points)
    with pytest.raises(BadSetup, match="Click them again"):
        camera_from_points(setup)
