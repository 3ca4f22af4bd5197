"""The cumulative sum against the NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3."""

import numpy as np
import pytest

from watcher.evidence.cusum import Cusum

# The handbook's worked example: target 325, k = 0.3175, h = 4.1959, means of four.
# www.itl.nist.gov/div898/handbook/pmc/section3/pmc323.htm, doi:10.18434/M32189.
MEANS = [
    *(324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600),
    *(324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350),
]
HIGH = [0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04]
LOW = [0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31, 0, 0, 0, 0, 0, 0, 0, 0, 0]
TARGET, ALLOWANCE, LIMIT = 325.0, 0.3175, 4.1959


def sums(deviations):
    total = Cusum(allowance=ALLOWANCE, clip=100.0)
    return total, [total.update(d, i) for i, d in enumerate(deviations)]


def test_the_handbooks_high_side_number_by_number():
    total, high = sums([x - TARGET for x in MEANS])
    # It prints two decimals and rounds halves either way.
    np.testing.assert_allclose(high, HIGH, atol=0.006)
    assert high[-1] == pytest.approx(19.035, abs=1e-6)
    # "First alarm: group 14"; the run that led there began with group 13, index 12.
    assert next(i for i, s in enumerate(high) if s > LIMIT) == 13
    assert total.began == 12


def test_the_handbooks_low_side_number_by_number():
    _, low = sums([TARGET - x for x in MEANS])
    np.testing.assert_allclose(low, LOW, atol=0.006)
    assert max(low) < LIMIT


def test_the_same_example_in_units_of_sigma():
    # sigma of a mean of four is 1.27 / 2 = 0.635, so k is half a sigma: the usual allowance.
    total = Cusum(clip=100.0)
    values = [total.update((x - TARGET) / 0.635, i) for i, x in enumerate(MEANS)]
    np.testing.assert_allclose(np.array(values) * 0.635, HIGH, atol=0.006)


def mean_run_length(shift, limit, runs, seed):
    """Mean number of normal samples until the sum passes its limit."""
    rng = np.random.default_rng(seed)
    samples = iter(())
    total = 0
    for _ in range(runs):
        sum_ = Cusum(clip=np.inf)
        while True:
            z = next(samples, None)
            if z is None:
                samples = iter(rng.normal(shift, 1.0, 100_000).tolist())
                continue
            total += 1
            if sum_.update(z, total) > limit:
                break
    return total / runs


@pytest.mark.parametrize(
    ("shift", "limit", "mean"),
    # One-sided, 6.3.2.3.1 of the handbook: 336 and 930 without a shift, 8.38 and 10.4 for one
    # sigma; two and three sigma from Montgomery, Applied Statistics and Probability for
    # Engineers, table 16-9, where one and two sides agree.
    [
        (0.0, 4, 336),
        (0.0, 5, 930),
        (1.0, 4, 8.38),
        (1.0, 5, 10.4),
        (2.0, 4, 3.34),
        (2.0, 5, 4.01),
        (3.0, 4, 2.19),
        (3.0, 5, 2.57),
    ],
)
def test_mean_run_lengths_are_the_tables(shift, limit, mean):
    # Run lengths without a shift are nearly exponential: 2500 runs know the mean to 2 per cent.
    assert mean_run_length(shift, limit, 2500, seed=1) == pytest.approx(mean, rel=0.05)


def test_one_wild_sample_proves_nothing():
    total = Cusum()
    assert total.update(1000.0, 0) == pytest.approx(2.5)
    assert total.update(-1000.0, 1) == 0.0


def test_the_beginning_is_the_sample_that_left_zero_last():
    total = Cusum()
    for i, z in enumerate([2.0, -3.0, 0.0, 0.0, 1.5, 1.5, 1.5]):
        total.update(z, i)
    assert total.began == 4
    assert total.value == pytest.approx(3.0)
