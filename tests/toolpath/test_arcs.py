"""Arcs against NISTIR 6556, 3.5.3: points reckoned by hand."""

import math

import numpy as np
import pytest

from watcher.toolpath import arc_points, read_moves

START = (10.0, 0.0, 0.0)


def radius_about(points, centre):
    return np.hypot(points[:, 0] - centre[0], points[:, 1] - centre[1])


def length(start, points):
    return float(np.linalg.norm(np.diff(np.vstack([start, points]), axis=0), axis=1).sum())


def test_quarter_turns_either_way():
    # From (10, 0) about (0, 0) to (0, 10): a quarter counter-clockwise, three clockwise.
    left = arc_points(START, (0, 10, 0), clockwise=False, centre=(-10, 0))
    right = arc_points(START, (0, 10, 0), clockwise=True, centre=(-10, 0))
    assert length(START, left) == pytest.approx(10 * math.pi / 2, rel=1e-3)
    assert length(START, right) == pytest.approx(10 * 3 * math.pi / 2, rel=1e-3)
    for points in (left, right):
        np.testing.assert_allclose(radius_about(points, (0, 0)), 10, atol=1e-9)
        np.testing.assert_allclose(points[-1], [0, 10, 0])
    assert np.abs(left - [math.sqrt(50), math.sqrt(50), 0]).sum(axis=1).min() < 0.5
    assert right[:, 1].min() == pytest.approx(-10, abs=0.02)


def test_positive_radius_is_the_short_way_and_negative_the_long():
    # "A positive radius indicates that the arc turns through 180 degrees or less, while a
    # negative radius indicates a turn of 180 degrees to 359.999 degrees."
    for clockwise in (True, False):
        short = arc_points(START, (0, 10, 0), clockwise=clockwise, radius=10)
        long = arc_points(START, (0, 10, 0), clockwise=clockwise, radius=-10)
        assert length(START, short) == pytest.approx(5 * math.pi, rel=1e-3)
        assert length(START, long) == pytest.approx(15 * math.pi, rel=1e-3)
    # Counter-clockwise from (10, 0) to (0, 10): the short arc is about (0, 0), the long about
    # (10, 10).
    short = arc_points(START, (0, 10, 0), clockwise=False, radius=10)
    long = arc_points(START, (0, 10, 0), clockwise=False, radius=-10)
    np.testing.assert_allclose(radius_about(short, (0, 0)), 10, atol=1e-9)
    np.testing.assert_allclose(radius_about(long, (10, 10)), 10, atol=1e-9)


def test_half_turn_by_radius():
    points = arc_points(START, (-10, 0, 0), clockwise=True, radius=10)
    np.testing.assert_allclose(radius_about(points, (0, 0)), 10, atol=1e-6)
    assert points[:, 1].min() == pytest.approx(-10, abs=0.02)


def test_full_circle_by_centre_alone():
    (batch,) = read_moves(["G1 X10 Y0", "G2 I-10 J0 E5"])
    points = batch.end_mm[1:]
    np.testing.assert_allclose(radius_about(points, (0, 0)), 10, atol=1e-9)
    assert length(batch.end_mm[0], points) == pytest.approx(20 * math.pi, rel=1e-3)
    assert batch.filament_mm.sum() == pytest.approx(5)
    # Clockwise: the first points lie below.
    assert points[0, 1] < 0


def test_helix_climbs_evenly():
    points = arc_points(START, (10, 0, 2), clockwise=False, centre=(-10, 0))
    turned = np.unwrap(np.arctan2(points[:, 1], points[:, 0]))
    turned = np.where(turned < 0, turned + math.tau, turned)
    np.testing.assert_allclose(points[:-1, 2], turned[:-1] / math.tau * 2, atol=1e-9)
    assert points[-1, 2] == 2


def test_planes():
    # 3.5.3.1: G18 has its circle in XZ with I and K. From +X about the origin towards +Z.
    (batch,) = read_moves(["G1 X10 Z0", "G18 G3 X0 Z-10 I-10 K0"])
    assert length(batch.end_mm[0], batch.end_mm[1:]) == pytest.approx(5 * math.pi, rel=1e-3)
    (batch,) = read_moves(["G1 Y10", "G19 G2 Y-10 Z0 J-10 K0"])
    np.testing.assert_allclose(np.hypot(batch.end_mm[1:, 1], batch.end_mm[1:, 2]), 10, atol=1e-9)


def test_chords_stay_within_a_hundredth_of_a_millimetre():
    points = np.vstack([START, arc_points(START, START, clockwise=True, centre=(-10, 0))])
    middles = (points[1:] + points[:-1]) / 2
    assert (10 - radius_about(middles, (0, 0))).max() <= 0.0101


def test_inches_and_increments_hold_for_arcs():
    (batch,) = read_moves(["G20", "G1 X1 Y0", "G91", "G3 X-1 Y1 I-1 J0"])
    np.testing.assert_allclose(batch.end_mm[-1], [0, 25.4, 0], atol=1e-9)
    np.testing.assert_allclose(radius_about(batch.end_mm, (0, 0)), 25.4, atol=1e-9)


@pytest.mark.parametrize(
    ("end", "form"),
    [((0, 10, 0), {"radius": 3.0}), (START, {"radius": 5.0}), ((0, 10, 0), {}),
     ((0, 10, 0), {"centre": (0.0, 0.0)})],
)  # fmt: skip
def test_arcs_that_do_not_exist(end, form):
    with pytest.raises(ValueError, match="arc"):
        arc_points(START, end, clockwise=True, **form)


def test_a_program_with_an_impossible_arc_goes_on():
    (batch,) = read_moves(["G1 X10", "G2 X0 Y10 R1 E3", "G1 X5"])
    assert batch.end_mm.tolist() == [[10, 0, 0], [0, 10, 0], [5, 10, 0]]
    assert batch.filament_mm.sum() == 3
