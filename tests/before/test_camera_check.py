"""Sharpness against known blur; corners against the sample's camera."""

from pathlib import Path

import cv2
import numpy as np
import pytest

from watcher.before import look_at, spread_px
from watcher.before.eye import least_lift_mm
from watcher.settings import read_setup
from watcher.toolpath import read_toolpath

SAMPLE = Path(__file__).resolve().parents[2] / "sample_frames" / "lift"
FINE = 4


def boxes(blur_px, noise, seed=3):
    """Boxes with edges blurred by a known sigma: drawn fine, blurred, then averaged to pixels."""
    rng = np.random.default_rng(seed)
    fine = np.full((240 * FINE, 320 * FINE), 60, np.float32)
    for _ in range(12):
        box = cv2.boxPoints(
            (
                (rng.uniform(200, 1080), rng.uniform(200, 760)),
                rng.uniform(100, 300, 2),
                rng.uniform(0, 90),
            )
        )
        cv2.fillPoly(fine, [box.astype(np.int32)], float(rng.uniform(100, 220)))
    soft = cv2.GaussianBlur(fine, (0, 0), blur_px * FINE)
    grey = soft.reshape(240, FINE, 320, FINE).mean(axis=(1, 3))
    return (grey + rng.normal(0, noise, grey.shape)).astype(np.float32)


@pytest.mark.parametrize("noise", [0.0, 1.0])
@pytest.mark.parametrize("blur", [1.0, 1.5, 2.0])
def test_blur_is_found_within_a_quarter(blur, noise):
    assert spread_px(boxes(blur, noise)) == pytest.approx(blur, rel=0.25)


def test_a_softer_picture_is_told_from_a_sharper_one():
    found = [spread_px(boxes(blur, 1.0)) for blur in (0.7, 1.2, 2.0, 3.5)]
    assert found == sorted(found)


def test_no_edges_no_answer():
    rng = np.random.default_rng(1)
    assert spread_px(rng.normal(90, 2, (200, 200)).astype(np.float32)) is None
    assert spread_px(np.zeros((4, 4), np.float32)) is None


def test_least_lift_is_the_bound_of_a_blurred_edge():
    """With noise 3, step 30 and blur 1 px over 30 rows the bound is 0.0344 px (the closed form:
    3 / 30 * sqrt(2 sqrt(pi)) / sqrt(30)); with our floor of 0.1 px in squares and 4 px a mm."""
    bound = 0.1 * 1.88279 / 5.47723
    assert least_lift_mm(4.0, 3.0, 1.0) == pytest.approx(3 * np.hypot(bound, 0.1) / 4, rel=1e-4)


def test_a_corner_outside_the_picture_is_not_visible():
    first = cv2.imread(str(min((SAMPLE / "frames").glob("*.jpg"))), cv2.IMREAD_GRAYSCALE)
    setup = read_setup(SAMPLE / "setup.json")
    toolpath = read_toolpath([(SAMPLE / "part.gcode").read_bytes()])
    whole = look_at(first.astype(np.float32), setup, toolpath)
    assert whole.blind == ""
    assert len(whole.corners) == 4
    assert all(c.visible for c in whole.corners)
    assert all(0.02 < c.least_mm < 0.5 for c in whole.corners)
    # The same camera with its picture pushed 250 px to the left: the left corners are lost.
    moved = type(setup)(
        **{
            **setup.__dict__,
            "bed_points": tuple(
                type(p)((p.pixel[0] - 300, p.pixel[1]), p.bed_mm) for p in setup.bed_points
            ),
        }
    )
    cut = look_at(first.astype(np.float32), moved, toolpath)
    for before, after in zip(whole.corners, cut.corners, strict=True):
        assert after.visible == (before.pixel[0] - 300 > 0)


def test_a_black_picture_is_blind():
    setup = read_setup(SAMPLE / "setup.json")
    toolpath = read_toolpath([(SAMPLE / "part.gcode").read_bytes()])
    width, height = setup.frame_size
    found = look_at(np.zeros((height, width), np.float32), setup, toolpath)
    assert found.blind == "the picture is black"
    assert found.blur_px is None
