"""A layer step among edges whose looks are made up: correlations with a peak where the edge is."""

import numpy as np
import pytest

from watcher.measure.displacement import Drift, Motion, layer_step

STEP_PX = 0.5
LAGS = (np.arange(25) - 12) * STEP_PX
SCALE = 1.5
"""px per mm, seen from straight above."""
EACH = 30
OUTWARD = np.repeat(np.array([[0.0, -1], [1, 0], [0, 1], [-1, 0]]), EACH, axis=0)
COLUMNS = np.column_stack([SCALE * OUTWARD, np.zeros(len(OUTWARD))])
CONTRAST = np.full(len(OUTWARD), 20.0)


def peaks(where_px):
    """Correlation with one peak a place: shape (n, lags)."""
    return np.exp(-(((LAGS - np.asarray(where_px)[:, None]) / 0.7) ** 2))


def stepped(step):
    """The side ahead stands out; on the others the layers below still show where they were."""
    ahead = OUTWARD @ step > 0.5 * np.hypot(*step)
    return np.where(ahead, COLUMNS[:, :2] @ step, 0.0)


@pytest.mark.parametrize("step", [(2.4, 0.3), (-1.6, -1.2), (0.2, 2.0)])
def test_a_step_is_found_by_the_side_ahead_of_it(step):
    found = layer_step(peaks(stepped(np.array(step))), STEP_PX, COLUMNS, OUTWARD, CONTRAST)
    assert found.margin > 0.4
    # Of the way along an edge nothing is seen: the sides ahead tell of their own way out.
    told = OUTWARD @ np.array(step) > 0.5 * np.hypot(*step)
    np.testing.assert_allclose(
        OUTWARD[told] @ found.shift_mm, OUTWARD[told] @ np.array(step), atol=0.25
    )


def test_edges_where_they_belong_are_no_step():
    found = layer_step(peaks(np.zeros(len(OUTWARD))), STEP_PX, COLUMNS, OUTWARD, CONTRAST)
    assert found.margin <= 0.0


def test_a_line_beyond_the_search_is_no_step():
    # Head and shadow lie anywhere: their agreement grows towards the rim of what is looked at.
    far = np.where(OUTWARD[:, 0] > 0, SCALE * 4.3, 0.0)
    found = layer_step(peaks(far), STEP_PX, COLUMNS, OUTWARD, CONTRAST)
    assert found.margin == 0.0


def test_few_edges_ahead_weigh_less_than_a_whole_side():
    whole = peaks(stepped(np.array([2.0, 0.0])))
    few = whole.copy()
    right = np.flatnonzero(OUTWARD[:, 0] > 0)
    few[right[6:]] = 0.0
    weak = CONTRAST.copy()
    weak[right[6:]] = 0.0
    of_all = layer_step(whole, STEP_PX, COLUMNS, OUTWARD, CONTRAST)
    of_few = layer_step(few, STEP_PX, COLUMNS, OUTWARD, weak)
    assert of_few.margin < 0.75 * of_all.margin


def test_clear_pictures_without_a_step_take_it_back():
    drift = Drift(least_margin=0.2, sure_margin=0.3, still_mm=0.2)
    away = Motion(np.array([-3.5, -1.0]), 0.0, 0.19, 0.9, 0.9)
    for _ in range(2):
        drift.update(away, False)
    assert drift.size_mm > 1.0
    for _ in range(4):
        drift.update(Motion(np.array([0.5, 0.2]), 0.0, 0.05, 0.7, -0.1), False)
    assert drift.size_mm < 0.5
