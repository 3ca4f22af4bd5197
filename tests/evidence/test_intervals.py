"""Wilson's interval against published worked values and against scipy."""

import pytest
from scipy.stats import binomtest

from watcher.evidence.intervals import wilson


@pytest.mark.parametrize(
    ("hits", "cases", "low", "high"),
    [
        # Newcombe, "Two-sided confidence intervals for the single proportion: comparison of seven
        # methods", Statistics in Medicine 17, 1998, table I, method 3 (values from memory).
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
    ],
)
def test_newcombes_worked_values(hits, cases, low, high):
    assert wilson(hits, cases) == (pytest.approx(low, abs=6e-5), pytest.approx(high, abs=6e-5))


@pytest.mark.parametrize("cases", [1, 7, 50, 10_000])
def test_the_same_as_scipy(cases):
    for hits in {0, 1, cases // 3, cases - 1, cases}:
        other = binomtest(hits, cases).proportion_ci(method="wilson")
        assert wilson(hits, cases) == pytest.approx((other.low, other.high), abs=1e-9)


def test_no_case_tells_nothing():
    assert wilson(0, 0) == (0.0, 1.0)


@pytest.mark.parametrize(("hits", "cases"), [(-1, 5), (6, 5), (1, 0)])
def test_impossible_counts_are_refused(hits, cases):
    with pytest.raises(ValueError, match="hits must lie between"):
        wilson(hits, cases)
