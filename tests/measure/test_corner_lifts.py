"""Lift against beam theory and on displacement fields made from known lifts.

Timoshenko 1925, "Analysis of bi-metal thermostats", J. Opt. Soc. Am. & R.S.I. 11, 233-255: a
strip under an even mismatch bends to one curvature 1/R, so its tip stands
reach^2 / (2 R) above the line where it still sticks, and a free strip of length L has the sagitta
L^2 / (8 R).
"""

from dataclasses import replace

import numpy as np
import pytest

from watcher.measure.field import Field
from watcher.measure.lift import (
    LIFTS_FROM,
    REACHES_MM,
    USUAL_REACH,
    distance_mm,
    fit_lifts,
    lift_columns,
    lift_profile,
    reach_costs,
    smooth_columns,
)


def curvature_per_mm(mismatch, first_mm, second_mm, stiffness_ratio=1.0):
    """Timoshenko 1925, equation 4: kappa of two bonded strips."""
    m, h = first_mm / second_mm, first_mm + second_mm
    n = stiffness_ratio
    below = 3 * (1 + m) ** 2 + (1 + m * n) * (m**2 + 1 / (m * n))
    return 6 * mismatch * (1 + m) ** 2 / (h * below)


def test_the_formula_of_the_strip_itself():
    # Equal thickness t and equal stiffness: 0.75 mismatch / t (the paper's own special case,
    # 3/2 mismatch / h). Equal stiffness: 6 mismatch a b / h^3.
    assert curvature_per_mm(0.004, 1.0, 1.0) == pytest.approx(0.75 * 0.004)
    assert curvature_per_mm(0.0072, 0.2, 1.8) == pytest.approx(6 * 0.0072 * 0.2 * 1.8 / 2.0**3)


@pytest.mark.parametrize(
    ("length_mm", "layers", "sagitta_mm"),
    # ABS, 90e-6 / K, 80 K, layers of 0.2 mm, with L^2 / (8 R); reckoned from the formula above.
    [(50, 5, 2.160), (50, 10, 0.6075), (50, 20, 0.1603), (100, 10, 2.430), (100, 20, 0.6413)],
)
def test_the_profile_is_the_parabola_of_a_strip_bent_by_one_layer(length_mm, layers, sagitta_mm):
    kappa = curvature_per_mm(90e-6 * 80, 0.2, 0.2 * (layers - 1))
    # A free strip sticks in the middle at last: each half is the reach of one tip.
    reach = length_mm / 2
    tip = kappa * reach**2 / 2
    assert tip == pytest.approx(sagitta_mm, rel=2e-3)
    assert tip == pytest.approx(length_mm**2 * kappa / 8)
    from_tip = np.linspace(0, 1.5 * reach, 40)
    from_line = np.clip(reach - from_tip, 0, None)
    np.testing.assert_allclose(
        tip * lift_profile(from_tip, reach), kappa * from_line**2 / 2, atol=1e-12
    )


def test_the_parabola_is_the_circle_as_long_as_the_lift_is_small():
    # R (1 - cos(L / (2 R))): 2.155 mm for L = 50, 5 layers; the parabola says 2.160.
    radius = 1 / curvature_per_mm(90e-6 * 80, 0.2, 0.8)
    circle = radius * (1 - np.cos(25 / radius))
    assert circle == pytest.approx(2.155, abs=0.001)
    assert lift_profile(np.array([0.0]), 25.0)[0] * 25**2 / (2 * radius) == pytest.approx(
        circle, rel=0.004
    )


def test_distances_are_counted_in_plan():
    points = np.array([[3.0, 4.0, 20.0], [0, 0, 5]])
    np.testing.assert_allclose(distance_mm(points, (0.0, 0.0, 0.0)), [5, 0])


CORNERS = [(40.0, 50.0, 0.0), (120.0, 50.0, 0.0), (120.0, 110.0, 0.0), (40.0, 110.0, 0.0)]
SCALE = 2.2
"""px per mm across the line of sight."""


def box_field(height_mm=12.0, spacing_mm=1.2):
    """Rim, foot and uprights of a box of 80 x 60 mm before a camera that looks down at 40 deg."""
    parts = []
    for a, b in zip(CORNERS, CORNERS[1:] + CORNERS[:1], strict=True):
        length = np.hypot(b[0] - a[0], b[1] - a[1])
        t = (np.arange(int(length / spacing_mm)) + 0.5) / int(length / spacing_mm)
        xy = np.array(a[:2]) + t[:, None] * (np.array(b[:2]) - a[:2])
        direction = (np.array(b[:2]) - a[:2]) / length
        parts.append((xy, height_mm, direction, False))
        if a[1] == b[1] == 50.0:
            parts.append((xy, 0.0, direction, True))
    sink, rise = np.sin(np.radians(40)), np.cos(np.radians(40))
    points, normals, per_mm, foot = [], [], [], []
    to_px = SCALE * np.array([[1.0, 0, 0], [0, -sink, -rise]])
    for xy, z, direction, is_foot in parts:
        along = to_px[:, :2] @ direction
        along /= np.hypot(*along)
        normal = np.array([along[1], -along[0]])
        normal *= -1 if normal[1] > 0 else 1
        points.append(np.column_stack([xy, np.full(len(xy), z)]))
        normals.append(np.tile(normal, (len(xy), 1)))
        per_mm.append(np.tile(normal @ to_px, (len(xy), 1)))
        foot.append(np.full(len(xy), is_foot))
    point, normal, per, feet = map(np.concatenate, (points, normals, per_mm, foot))
    count = len(point)
    return Field(
        point_mm=point,
        pixel=point @ to_px.T + [320, 300],
        normal=normal,
        per_mm=per,
        growing=~feet,
        foot=feet,
        shift_px=np.zeros(count),
        sigma_px=np.full(count, 0.1),
    )


BOX = box_field()
REACH = np.full(4, REACHES_MM[USUAL_REACH])
COLUMNS = lift_columns(BOX, CORNERS, REACH)


def displaced(lifts, rng=None, *, noise=0.1, shift=(0, 0), growth=0.0, affine=None):
    """The box's edges after known lifts, camera shift, growth and pose error."""
    px = COLUMNS @ np.asarray(lifts, float) + BOX.normal @ np.asarray(shift, float)
    px = px + BOX.per_mm[:, 2] * BOX.growing * growth
    if affine is not None:
        px = px + smooth_columns(BOX) @ affine
    if rng is not None:
        px = px + rng.normal(scale=noise, size=len(px))
    return replace(BOX, shift_px=px, sigma_px=np.full(len(px), noise))


def fitted(field, columns=COLUMNS, growth=(0.0, 0.2)):
    found = fit_lifts(field, columns, 0.2, growth, 0.3)
    return found.value[LIFTS_FROM:], found.sigma()[LIFTS_FROM:], found


def test_columns_follow_the_parabola_on_the_rim_and_leave_the_foot_out():
    reach = REACH[0]
    for k, corner in enumerate(CORNERS):
        away = np.hypot(*(BOX.point_mm[:, :2] - corner[:2]).T)
        expected = np.where(BOX.foot, 0.0, np.clip(1 - away / reach, 0, None) ** 2)
        np.testing.assert_allclose(COLUMNS[:, k], expected * BOX.per_mm[:, 2], atol=1e-12)
    assert BOX.foot.any()


def test_what_lies_below_an_overhang_does_not_curl_with_it():
    columns = lift_columns(BOX, [(40.0, 50.0, 20.0)], REACH[:1])
    assert not columns.any()


def test_pose_errors_are_six_smooth_motions_of_the_growing_edges():
    columns = smooth_columns(BOX)
    assert columns.shape == (len(BOX.point_mm), 6)
    assert not columns[BOX.foot].any()
    np.testing.assert_allclose(columns[BOX.growing, :2], BOX.normal[BOX.growing])
    # A change of scale about the middle: normal . (p - middle) / spread.
    middle = BOX.pixel.mean(axis=0)
    spread = np.ptp(BOX.pixel, axis=0).max() / 2
    scaled = np.einsum("ni,ni->n", BOX.normal, BOX.pixel - middle) / spread
    np.testing.assert_allclose((columns[:, 2] + columns[:, 5])[~BOX.foot], scaled[~BOX.foot])


def test_two_lifted_corners_are_told_with_their_error():
    rng = np.random.default_rng(1)
    true = np.array([1.6, 0.0, 0.0, 0.7])
    values, sigmas = zip(*(fitted(displaced(true, rng))[:2] for _ in range(40)), strict=True)
    error = np.array(values) - true
    stated = np.array(sigmas).mean(axis=0)
    assert np.abs(error.mean(axis=0)).max() < 0.1
    assert (np.sqrt((error**2).mean(axis=0)) < 1.5 * stated).all()
    assert (stated < 0.35).all()


def test_without_lift_nothing_is_told_whatever_camera_and_clock_do():
    rng = np.random.default_rng(2)
    worst = []
    for _ in range(40):
        field = displaced(
            np.zeros(4),
            rng,
            shift=rng.normal(scale=0.2, size=2),
            growth=float(rng.normal(scale=0.15)),
            affine=rng.normal(scale=0.2, size=6),
        )
        values, sigma, _ = fitted(field)
        worst.append(np.abs(values / sigma))
    # 160 values: about 95 % within two sigma if sigma is honest, none far out.
    assert np.mean(np.array(worst) < 2.0) > 0.93
    assert np.max(worst) < 4.0


def test_growth_is_told_from_lift():
    _, _, found = fitted(displaced([0, 0, 0, 0], growth=0.3), growth=(0.3, 0.2))
    assert found.value[2] == pytest.approx(0.3, abs=0.05)
    assert np.abs(found.value[LIFTS_FROM:]).max() < 0.05


def test_a_hidden_corner_has_a_large_error():
    field = displaced([0, 1.5, 0, 0], np.random.default_rng(3))
    hidden = np.hypot(*(BOX.point_mm[:, :2] - CORNERS[1][:2]).T) < REACH[1]
    field = replace(field, sigma_px=np.where(hidden, np.inf, field.sigma_px))
    values, sigma, _ = fitted(field)
    assert sigma[1] > 2.5
    assert (sigma[[0, 2, 3]] < 0.4).all()
    assert np.abs(values[[0, 2, 3]]).max() < 0.6


def test_a_few_wrong_edges_do_not_lift_a_corner():
    rng = np.random.default_rng(4)
    field = displaced([0, 0, 1.2, 0], rng)
    wrong = rng.random(len(field.shift_px)) < 0.15
    field = replace(field, shift_px=field.shift_px + wrong * rng.uniform(-4, 4, len(wrong)))
    values, _, found = fitted(field)
    np.testing.assert_allclose(values, [0, 0, 1.2, 0], atol=0.3)
    assert found.weight[wrong].mean() < 0.3


@pytest.mark.parametrize("true", [0, 3, 5])
def test_the_reach_of_a_lift_is_found(true):
    reaches = REACH.copy()
    reaches[1] = REACHES_MM[true]
    wide = lift_columns(BOX, CORNERS, reaches)
    rng = np.random.default_rng(5)
    px = wide @ [0, 3.0, 0, 0] + rng.normal(scale=0.1, size=len(wide))
    field = replace(BOX, shift_px=px)
    costs = reach_costs(field, COLUMNS, CORNERS, 1, 0.2, (0.0, 0.1), 0.1)
    assert costs.shape == (len(REACHES_MM),)
    assert costs.min() == 0
    assert abs(int(np.argmin(costs)) - true) <= 1
