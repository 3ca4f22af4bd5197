"""When it began: hinges of known place and slope."""

import numpy as np
import pytest

from watcher.evidence.onset import hinge


def series(began, per_hour, count=80, spacing_s=90.0, noise=0.08, seed=1, level=0.3):
    rng = np.random.default_rng(seed)
    times = spacing_s * np.arange(count)
    climb = per_hour * np.maximum(times - times[began], 0) / 3600
    return times, level + climb + rng.normal(scale=noise, size=count), np.full(count, noise)


@pytest.mark.parametrize("per_hour", [0.8, 2.0, 6.0])
@pytest.mark.parametrize("began", [20, 40])
def test_beginning_and_growth_of_a_climb(began, per_hour):
    """Mean over twenty nights: the beginning within a few frames, the growth within its error."""
    found = [hinge(*series(began, per_hour, seed=s)) for s in range(20)]
    assert all(found)
    indices = np.array([f.index for f in found])
    slopes = np.array([f.per_hour for f in found])
    assert abs(np.mean(indices) - began) < 3
    assert np.std(indices) < 8
    assert np.mean(slopes) == pytest.approx(per_hour, rel=0.1)
    errors = (slopes - per_hour) / np.array([f.sigma_per_hour for f in found])
    assert np.std(errors) < 3  # the beginning is estimated too, which the formal error leaves out


def test_without_noise_it_is_exact():
    times, values, _ = series(30, 1.5, noise=0.0)
    found = hinge(times, values, np.full(len(values), 0.01))
    assert found.index == 30
    assert found.per_hour == pytest.approx(1.5, rel=1e-6)


def test_wild_readings_do_not_bend_it():
    times, values, sigmas = series(40, 2.0)
    values[[10, 55, 70]] += [4.0, -3.0, 3.0]
    found = hinge(times, values, sigmas)
    assert abs(found.index - 40) <= 6
    assert found.per_hour == pytest.approx(2.0, rel=0.2)


def test_what_falls_has_no_beginning():
    times = 60.0 * np.arange(30)
    assert hinge(times, -0.01 * np.arange(30.0), np.full(30, 0.1)) is None
    assert hinge(times, np.zeros(30), np.full(30, 0.1)) is None


def test_a_few_readings_tell_nothing():
    assert hinge(60.0 * np.arange(4), np.arange(4.0), np.ones(4)) is None
