"""Growth and common motions from tables of correlation made with known answers."""

import numpy as np
import pytest

from watcher.measure.displacement import (
    LEAST_AGREEMENT,
    Motion,
    agreement_at,
    common_motion,
    lost_part,
    rigid_columns,
)
from watcher.measure.growth import growth_over_clock

STEP_PX, LAGS = 0.5, 25
LAG_PX = (np.arange(LAGS) - (LAGS - 1) / 2) * STEP_PX


def table(shift_px, rng, hidden=0.0, width_px=1.2):
    """Correlation peaks at known shifts; a share of the rows is chance, as of hidden places."""
    score = np.exp(-0.5 * ((LAG_PX - np.asarray(shift_px)[:, None]) / width_px) ** 2)
    lost = rng.random(len(score)) < hidden
    smooth = np.apply_along_axis(
        lambda row: np.convolve(row, np.ones(4) / 4, "same"), 1, rng.normal(size=score.shape)
    )
    score[lost] = np.clip(smooth[lost], -1, 1)
    return score, lost


PER_MM_Z = np.random.default_rng(0).uniform(1.5, 2.5, 120)
"""Near edges are larger in the picture than far ones."""
EVEN = np.ones(120)


@pytest.mark.parametrize("height_mm", [-2.4, -0.6, 0.0, 0.35, 1.1])
@pytest.mark.parametrize("hidden", [0.0, 0.5])
def test_a_common_height_is_found_though_half_is_hidden(height_mm, hidden):
    rng = np.random.default_rng(1)
    score, _ = table(height_mm * PER_MM_Z + rng.normal(scale=0.15, size=120), rng, hidden)
    growth = growth_over_clock(score, STEP_PX, np.zeros(120), PER_MM_Z, EVEN, 0.0)
    assert growth.height_mm == pytest.approx(height_mm, abs=0.08)
    assert abs(growth.height_mm - height_mm) < max(0.05, 4 * growth.sigma_mm)
    assert growth.sigma_mm < 0.15
    assert growth.agreement > 0.8 * (1 - hidden)
    if abs(height_mm) > 1:
        assert growth.margin > 0.6 * growth.agreement
    else:
        assert growth.margin < growth.agreement


def test_edges_that_were_read_elsewhere_are_counted_from_there():
    # Read where 0.6 mm would put them, and found 0.4 mm higher than that.
    score, _ = table(0.4 * PER_MM_Z, np.random.default_rng(2))
    growth = growth_over_clock(score, STEP_PX, 0.6 * PER_MM_Z, PER_MM_Z, EVEN, 0.6)
    assert growth.height_mm == pytest.approx(1.0, abs=0.05)


def test_of_two_heights_that_agree_alike_the_likely_one_is_meant():
    one, _ = table(0.5 * PER_MM_Z, np.random.default_rng(3), width_px=0.8)
    two, _ = table(-1.5 * PER_MM_Z, np.random.default_rng(3), width_px=0.8)
    both = np.maximum(one, two)
    for expected, height in ((0.4, 0.5), (-1.4, -1.5)):
        growth = growth_over_clock(both, STEP_PX, np.zeros(120), PER_MM_Z, EVEN, expected)
        assert growth.height_mm == pytest.approx(height, abs=0.1)


def test_nineteen_edges_or_edges_without_contrast_say_nothing():
    score, _ = table(np.zeros(120), np.random.default_rng(4))
    zero = np.zeros(120)
    assert growth_over_clock(score, STEP_PX, zero, PER_MM_Z, zero, 0.0) is None
    assert growth_over_clock(score, STEP_PX, zero, 0.1 * PER_MM_Z, EVEN, 0.0) is None
    few = [a[:19] for a in (score, zero, PER_MM_Z, EVEN)]
    assert growth_over_clock(few[0], STEP_PX, *few[1:], 0.0) is None
    assert growth_over_clock(score[:20], STEP_PX, zero[:20], PER_MM_Z[:20], EVEN[:20], 0.0)


def test_chance_alone_agrees_with_no_height():
    score, _ = table(np.zeros(120), np.random.default_rng(5), hidden=1.0)
    growth = growth_over_clock(score, STEP_PX, np.zeros(120), PER_MM_Z, EVEN, 0.0)
    assert growth.agreement < 0.2


MIDDLE = np.array([100.0, 80.0])
SINK = np.sin(np.radians(40))


def outline(count=160):
    """Places round a box of 60 x 40 mm, and px per mm along their normals, seen from the front."""
    t = np.arange(count) / count * 4
    side = t.astype(int)
    part = t - side
    corner = np.array([[70, 60], [130, 60], [130, 100], [70, 100], [70, 60.0]])
    point = corner[side] + part[:, None] * (corner[side + 1] - corner[side])
    normal = np.array([[0, -1.0], [1.0, 0], [0, -1.0], [1.0, 0]])[side]
    to_px = 2.0 * np.array([[1.0, 0, 0], [0, -SINK, -np.cos(np.radians(40))]])
    return np.column_stack([point, np.full(count, 10.0)]), normal @ to_px


POINT, PER_MM = outline()
COLUMNS = rigid_columns(POINT, PER_MM, MIDDLE)
ALIKE = np.ones(len(POINT))


def test_columns_are_the_derivative_of_a_rigid_motion():
    # p' = M + R (p - M) + s, turned by a hundredth of a degree.
    turn = np.radians(0.01)
    rotation = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    arm = POINT[:, :2] - MIDDLE
    moved = arm @ rotation.T - arm
    np.testing.assert_allclose(
        COLUMNS[:, 2] * 0.01, np.einsum("ni,ni->n", PER_MM[:, :2], moved), atol=1e-4
    )
    np.testing.assert_allclose(COLUMNS[:, :2], PER_MM[:, :2])


@pytest.mark.parametrize("motion", [(1.5, -0.8, 0.0), (-2.0, 0.4, 3.0), (0.0, 2.2, -2.0)])
@pytest.mark.parametrize("hidden", [0.0, 0.5])
def test_a_common_motion_is_found_though_half_is_hidden(motion, hidden):
    rng = np.random.default_rng(6)
    true = np.array(motion)
    score, _ = table(COLUMNS @ true + rng.normal(scale=0.15, size=len(POINT)), rng, hidden)
    found = common_motion(score, STEP_PX, COLUMNS, np.zeros(3), ALIKE, turns=True)
    np.testing.assert_allclose(found.shift_mm, true[:2], atol=0.2)
    assert found.turn_deg == pytest.approx(true[2], abs=0.6)
    assert found.size_mm == pytest.approx(np.hypot(*found.shift_mm))
    assert found.clear(0.8)
    assert 0.05 <= found.sigma_mm < 0.4
    assert found.agreement > 0.6 * (1 - hidden)


def test_a_motion_is_counted_on_from_the_expected_one():
    score, _ = table(COLUMNS @ [0.6, 0.0, 0.0], np.random.default_rng(7))
    found = common_motion(score, STEP_PX, COLUMNS, np.array([2.0, 1.0, 4.0]), ALIKE, turns=True)
    np.testing.assert_allclose(found.shift_mm, [2.6, 1.0], atol=0.15)
    assert found.turn_deg == pytest.approx(4.0, abs=0.6)


@pytest.mark.parametrize("hidden", [0.0, 0.5, 0.9])
def test_what_has_not_moved_is_not_said_to_have_moved(hidden):
    rng = np.random.default_rng(8)
    for _ in range(5):
        score, _ = table(rng.normal(scale=0.2, size=len(POINT)), rng, hidden)
        found = common_motion(score, STEP_PX, COLUMNS, np.zeros(3), ALIKE, turns=True)
        assert found is None or not found.clear(0.5)


def test_edges_of_one_direction_or_too_few_say_nothing_of_a_motion():
    rng = np.random.default_rng(9)
    score, _ = table(COLUMNS @ [1.0, 1.0, 0.0], rng)
    front = np.abs(PER_MM[:, 0]) < 1e-9
    assert front.sum() > 60
    one = (score[front], STEP_PX, COLUMNS[front], np.zeros(3), ALIKE[front])
    assert common_motion(*one, turns=False) is None
    few = np.arange(0, len(POINT), 9)
    some = (score[few], STEP_PX, COLUMNS[few], np.zeros(3), ALIKE[few])
    assert common_motion(*some, turns=False) is None
    assert common_motion(score, STEP_PX, COLUMNS, np.zeros(3), 0 * ALIKE, turns=False) is None


def test_agreement_is_that_of_the_motion_asked_for():
    true = np.array([1.0, -0.5, 0.0])
    score, _ = table(COLUMNS @ true, np.random.default_rng(10), width_px=0.8)
    assert agreement_at(score, STEP_PX, COLUMNS, true) > 0.9
    assert agreement_at(score, STEP_PX, COLUMNS, np.zeros(3)) < 0.4
    assert agreement_at(score[:0], STEP_PX, COLUMNS[:0], true) == 0.0


@pytest.mark.parametrize(
    ("shift", "sigma", "agreement", "margin", "clear"),
    [
        ((3.0, 4.0), 0.2, 0.5, 0.4, True),
        ((0.3, 0.4), 0.1, 0.5, 0.4, False),  # half a millimetre is less than asked for
        ((0.6, 0.8), 0.6, 0.5, 0.4, False),  # less than two sigma
        ((3.0, 4.0), 0.2, 0.5, 0.2, False),  # the expected motion explains as much
        ((3.0, 4.0), 0.2, 0.9 * LEAST_AGREEMENT, 0.17, False),
    ],
)
def test_a_motion_is_clear_when_it_is_large_and_explains_more(
    shift, sigma, agreement, margin, clear
):
    motion = Motion(np.array(shift), 0.0, sigma, agreement, margin)
    assert motion.clear(0.8) is clear


def test_a_lost_part_is_found_where_it_stands_out():
    trials = np.array([[0, 0, 0], [5.0, 0, 0], [12.0, -3, 10], [20, 4, 0.0]])
    where, agreement, margin = lost_part(np.array([0.02, 0.05, 0.4, 0.1]), trials)
    assert where.tolist() == [12, -3, 10]
    assert agreement == 0.4
    assert margin == pytest.approx(0.38)
    assert lost_part(np.array([0.3, 0.05, 0.4, 0.1]), trials) is None
    assert lost_part(np.array([0.0, 0.05, 0.1, 0.1]), trials) is None
    assert lost_part(np.array([0.4, 0.05, 0.1, 0.1]), trials) is None
