"""The robust fit against ordinary least squares on paper, and neighbours along an edge."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import least_squares

from watcher.measure.field import CAUCHY, Field, fit, neighbours, vote


def line(rng, count=200, noise=0.1):
    x = np.linspace(-1, 1, count)
    design = np.column_stack([np.ones(count), x])
    return design, design @ [0.7, -1.3] + rng.normal(scale=noise, size=count)


def test_a_line_without_priors_is_scipys_cauchy_fit():
    design, shift = line(np.random.default_rng(1))
    sigma = np.full(len(shift), 0.1)
    ours = fit(design, shift, sigma, np.full(2, 1e3))
    # Same loss: scipy's cauchy is rho = ln(1 + z) of z = (r / scale)^2.
    theirs = least_squares(
        lambda v: (shift - design @ v) / 0.1, [0, 0], loss="cauchy", f_scale=CAUCHY
    )
    np.testing.assert_allclose(ours.value, theirs.x, atol=2e-3)
    assert ours.cost == pytest.approx(2 * theirs.cost, rel=1e-3)


def test_the_error_of_a_mean_is_sigma_over_root_n():
    rng = np.random.default_rng(2)
    values = []
    for _ in range(300):
        one = fit(np.ones((25, 1)), rng.normal(2.0, 0.5, 25), np.full(25, 0.5), np.array([1e3]))
        values.append(one.value[0])
    assert np.mean(values) == pytest.approx(2.0, abs=0.03)
    # 95 % efficiency of the Cauchy weight: a little more than 0.1.
    assert np.std(values) == pytest.approx(0.1, rel=0.15)
    assert one.sigma()[0] == pytest.approx(0.1, rel=0.25)


def test_a_prior_pulls_as_one_more_observation():
    # Two observations at 1 with sigma 1 and a prior of 0 with sigma 1: the mean is near 2/3.
    found = fit(np.ones((2, 1)), np.ones(2), np.ones(2), np.ones(1))
    assert found.value[0] == pytest.approx(2 / 3, abs=0.02)
    pulled = fit(np.ones((2, 1)), np.ones(2), np.ones(2), np.ones(1), np.array([4.0]))
    assert pulled.value[0] > 1.5


def test_a_third_of_wild_values_is_held_down():
    rng = np.random.default_rng(3)
    design, shift = line(rng)
    shift[::3] += rng.uniform(2, 6, len(shift[::3]))
    found = fit(design, shift, np.full(len(shift), 0.1), np.full(2, 10.0))
    np.testing.assert_allclose(found.value, [0.7, -1.3], atol=0.08)
    assert found.weight[::3].max() < 0.1
    assert np.median(found.weight) > 0.7


def test_without_places_the_prior_stays():
    none, sigma, prior = np.zeros(0), np.array([0.5, 2.0]), np.array([1.0, 2.0])
    found = fit(np.zeros((0, 2)), none, none, sigma, prior)
    np.testing.assert_allclose(found.value, [1, 2])
    np.testing.assert_allclose(found.sigma(), [0.5, 2.0])


def test_errors_larger_than_stated_widen_the_result():
    rng = np.random.default_rng(4)
    design, shift = line(rng, noise=0.4)
    honest = fit(design, shift, np.full(len(shift), 0.4), np.full(2, 10.0))
    boastful = fit(design, shift, np.full(len(shift), 0.1), np.full(2, 10.0))
    assert boastful.sigma()[0] > 0.4 * honest.sigma()[0]
    assert boastful.misfit > 1.5 > honest.misfit


@settings(derandomize=True)
@given(st.lists(st.floats(-1, 1), min_size=1, max_size=20))
def test_votes_lie_between_none_and_one_and_grow(correlations):
    votes = vote(np.sort(correlations))
    assert (votes >= 0).all()
    assert (votes <= 1).all()
    assert (np.diff(votes) >= 0).all()


def test_little_correlation_has_no_vote():
    np.testing.assert_allclose(
        vote(np.array([-1, 0.5, 0.6, 0.8, 1.0])), [0, 0, 0, 0.25, 1], atol=1e-6
    )


def test_neighbours_are_near_of_the_same_edge_and_direction():
    along_x = np.column_stack([np.arange(0, 20, 2.0), np.zeros(10)])
    down = np.array([0.0, 3.0])
    pixel = np.vstack([along_x, along_x + down, along_x + 2 * down])
    group = np.repeat([0, 1, 0], 10)
    along = np.vstack([np.tile([1.0, 0], (20, 1)), np.tile([0, 1.0], (10, 1))])
    near = neighbours(pixel, group, along, reach_px=4.5)
    # In the middle: itself and two on either side; nothing of the other edges.
    assert sorted(near[5].tolist()) == [3, 4, 5, 6, 7]
    assert near[5, 0] == 5
    # At the end: itself and the two on one side.
    assert sorted(near[0].tolist()) == [-1, -1, 0, 1, 2]
    assert set(near[15].tolist()) <= {-1, 13, 14, 15, 16, 17}
    assert (near[20:][near[20:] >= 0] >= 20).all()
    assert neighbours(np.zeros((0, 2)), np.zeros(0, np.int64), np.zeros((0, 2))).shape == (0, 5)


def test_found_places_are_those_with_an_error():
    nothing = np.zeros((3, 3))
    flags = np.zeros(3, bool)
    sigma = np.array([0.1, np.inf, 0.2])
    flat = nothing[:, :2]
    field = Field(nothing, flat, flat, nothing, flags, flags, np.zeros(3), sigma)
    assert field.found.tolist() == [True, False, True]
