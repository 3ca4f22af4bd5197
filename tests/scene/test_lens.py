"""Lens distortion recovered from pictures that OpenCV's own distortion model has bent."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from benchtop import BED, SIZE, looking, setup_for
from hypothesis import given, settings
from hypothesis import strategies as st

from watcher.scene.camera import camera_from_points
from watcher.scene.lens import (
    USUAL_K1,
    SeenEdge,
    bed_edges,
    better_camera,
    plumb_line,
    straightened,
    trace_edge,
)

CENTRE = ((SIZE[0] - 1) / 2, (SIZE[1] - 1) / 2)
FOCAL = 520.0
CORNERS = np.array([[0, 0, 0], [BED[0], 0, 0], [*BED, 0], [0, BED[1], 0.0]])


def camera_with(k1):
    """Close by, so that the bed fills the picture."""
    return looking((110.0, -120.0, 190.0), (100.0, 85.0, 0.0), FOCAL, k1=k1)


def bent_picture(camera, seed, bed_grey=150.0, room_grey=80.0):
    """A plain bed on a plain ground: drawn straight, then bent by OpenCV's model, then noise."""
    margin = 60
    plain = replace(camera, k1=0.0)
    corners = (plain.project(CORNERS) + margin + 0.5) * 4 - 0.5
    wide = np.full(((SIZE[1] + 2 * margin) * 4, (SIZE[0] + 2 * margin) * 4), room_grey, np.float32)
    cv2.fillConvexPoly(wide, np.round(corners * 16).astype(np.int32), bed_grey, cv2.LINE_8, 4)
    wide = cv2.resize(wide, None, fx=0.25, fy=0.25, interpolation=cv2.INTER_AREA)
    y, x = np.mgrid[0 : SIZE[1], 0 : SIZE[0]].astype(np.float64)
    pixels = np.column_stack([x.ravel(), y.ravel()]).reshape(-1, 1, 2)
    distortion = np.array([camera.k1, 0.0, 0.0, 0.0])
    straight = cv2.undistortPoints(pixels, camera.matrix, distortion, P=camera.matrix)
    maps = (straight.reshape(SIZE[1], SIZE[0], 2) + margin).astype(np.float32)
    bent = cv2.remap(wide, maps[..., 0], maps[..., 1], cv2.INTER_LINEAR)
    noise = np.random.default_rng(seed).normal(scale=2.0, size=bent.shape)
    return (cv2.GaussianBlur(bent, (0, 0), 0.7) + noise).astype(np.float32)


def clicked(camera, seed, error_px=0.8):
    exact = camera.project(CORNERS)
    return setup_for(
        camera, points_px=exact + np.random.default_rng(seed).normal(scale=error_px, size=(4, 2))
    )


@settings(derandomize=True)
@given(st.floats(0, SIZE[0]), st.floats(0, SIZE[1]), st.floats(-0.15, 0.1))
def test_straightening_is_opencvs(x, y, k1):
    matrix = np.array([[FOCAL, 0, CENTRE[0]], [0, FOCAL, CENTRE[1]], [0, 0, 1.0]])
    distortion = np.array([k1, 0.0, 0, 0])
    theirs = cv2.undistortPoints(np.array([[[x, y]]]), matrix, distortion, P=matrix)
    ours = straightened(np.array([[x, y]]), k1, FOCAL, CENTRE)
    # OpenCV stops after five rounds of a fixed-point iteration.
    np.testing.assert_allclose(ours, theirs.reshape(1, 2), atol=0.2)
    # And OpenCV's projection bends it back.
    ray = np.append((ours[0] - CENTRE) / FOCAL, 1.0)
    back, _ = cv2.projectPoints(
        ray[None], np.zeros(3), np.zeros(3), matrix, np.array([k1, 0.0, 0, 0])
    )
    np.testing.assert_allclose(back.reshape(2), [x, y], atol=1e-6)


@pytest.mark.parametrize("k1", [-0.12, -0.06, 0.0, 0.05])
def test_a_known_distortion_is_recovered_within_its_error(k1):
    camera = camera_with(k1)
    off = []
    for seed in range(4):
        edges = bed_edges(bent_picture(camera, seed), clicked(camera, seed))
        assert len(edges) == 4
        bend = plumb_line([e.pixel for e in edges], FOCAL, CENTRE)
        assert bend.sigma < 0.03
        off.append((bend.k1 - k1) / bend.sigma)
    assert np.abs(off).max() < 2.5
    assert np.sqrt(np.mean(np.square(off))) < 1.4


@pytest.mark.parametrize("k1", [-0.1, 0.0])
def test_points_of_the_part_are_predicted_better_than_from_clicks(k1):
    camera = camera_with(k1)
    rng = np.random.default_rng(5)
    points = rng.uniform([40, 40, 0], [160, 140, 25], (100, 3))
    true, _ = cv2.projectPoints(
        points,
        camera.rotation_vector,
        camera.translation_mm,
        camera.matrix,
        np.array([k1, 0.0, 0, 0]),
    )
    before, after = [], []
    for seed in range(5):
        setup = clicked(camera, seed)
        first = camera_from_points(setup)
        better = better_camera(first, setup, bed_edges(bent_picture(camera, seed), setup))
        for found, errors in ((first, before), (better, after)):
            off = found.project(points) - true.reshape(-1, 2)
            errors.append(float(np.sqrt(np.mean(off**2))))
    assert np.mean(after) < 0.6 * np.mean(before)
    assert max(after) < 0.8


def test_where_no_edge_is_seen_the_camera_stays_as_it_was():
    camera = camera_with(-0.1)
    setup = clicked(camera, 1)
    first = camera_from_points(setup)
    plain = bent_picture(camera, 2, bed_grey=100.0, room_grey=100.0)
    assert bed_edges(plain, setup) == []
    assert better_camera(first, setup, []) is first
    bend = plumb_line([], FOCAL, CENTRE)
    assert (bend.k1, bend.sigma) == (0.0, USUAL_K1)


def test_edges_that_are_not_the_beds_are_not_believed():
    camera = camera_with(0.0)
    setup = clicked(camera, 3)
    first = camera_from_points(setup)
    edges = bed_edges(bent_picture(camera, 3), setup)
    beside = [SeenEdge(e.ends_mm, e.pixel + np.array([0.0, 7.0])) for e in edges]
    assert better_camera(first, setup, beside) is first


def test_an_edge_is_traced_to_a_tenth_of_a_pixel_across_a_clip():
    camera = camera_with(-0.08)
    picture = bent_picture(camera, 4)
    begin, end = camera.project(CORNERS[:2])
    middle = ((begin + end) / 2).astype(int)
    picture[middle[1] - 12 : middle[1] + 12, middle[0] - 15 : middle[0] + 15] = 30.0
    traced = trace_edge(picture, begin + np.array([0.5, -1.5]), end + np.array([-1, 1.0]))
    along = np.linspace(CORNERS[0], CORNERS[1], 4000)
    true = camera.project(along)
    away = np.hypot(*(traced[:, None] - true[None]).transpose(2, 0, 1)).min(axis=1)
    assert np.median(away) < 0.15
    assert (away < 0.5).mean() > 0.85


def test_a_line_with_nothing_on_it_gives_no_edge():
    noise = np.random.default_rng(6).normal(100, 2.0, (SIZE[1], SIZE[0])).astype(np.float32)
    assert trace_edge(noise, np.array([100.0, 200.0]), np.array([500.0, 210.0])) is None
    assert trace_edge(noise, np.array([100.0, 200.0]), np.array([130.0, 210.0])) is None


def test_points_that_are_no_corners_have_no_edges_between_them():
    camera = camera_with(0.0)
    inner = np.array([[20, 20, 0], [180, 20, 0], [180, 160, 0], [20, 160, 0.0]])
    setup = setup_for(camera)
    points = tuple(
        replace(p, pixel=tuple(map(float, q)), bed_mm=(float(c[0]), float(c[1])))
        for p, q, c in zip(setup.bed_points, camera.project(inner), inner, strict=True)
    )
    assert bed_edges(bent_picture(camera, 7), replace(setup, bed_points=points)) == []
