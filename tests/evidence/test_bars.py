"""Thresholds from a budget: tails of cumulative sums against theory, tables and simulation."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import lfilter

from watcher.evidence.bars import (
    LEAST_BAR,
    MEASURED_AT_S,
    TAILS,
    USUAL_BARS,
    bars_for,
    long_run,
)
from watcher.evidence.cusum import Cusum

PLACES = {"corner-lift": 4, "spaghetti": 1, "detached": 1, "layer-step": 1, "no-growth": 1}


def siegmund(drift, limit, variance=1.0):
    """Mean run length of a sum with mean step -drift (Siegmund 1985, (2.57))."""
    b = (limit + 1.166 * math.sqrt(variance)) / variance
    return (math.exp(2 * drift * b) - 2 * drift * b - 1) / (2 * drift**2) * variance


@pytest.mark.parametrize(("limit", "table"), [(4, 336), (5, 930)])
def test_siegmunds_run_length_is_the_handbooks(limit, table):
    # NIST/SEMATECH e-Handbook, 6.3.2.3.1, one-sided, allowance half a sigma.
    assert siegmund(0.5, limit) == pytest.approx(table, rel=0.02)


def test_the_tails_rate_is_that_of_the_handbooks_table():
    """Twice the drift over the variance: e-fold a unit at an allowance of half a sigma."""
    assert math.log(930 / 336) == pytest.approx(2 * 0.5, rel=0.03)


def sums(z, allowance=0.5):
    """Cumulative sums of many nights at once: z of shape (nights, frames)."""
    total = np.zeros(len(z))
    most = np.zeros(z.shape)
    for i in range(z.shape[1]):
        total = np.maximum(0.0, total + np.clip(z[:, i], -3, 3) - allowance)
        most[:, i] = total
    return most


def test_sums_of_many_nights_are_the_watchers_own():
    z = np.random.default_rng(1).normal(0.3, 1.5, size=(5, 60))
    for night, expected in zip(z, sums(z), strict=True):
        one = Cusum()
        assert [one.update(float(v), i) for i, v in enumerate(night)] == pytest.approx(expected)


def autoregressive(nights, frames, common, rng):
    """AR(1) with unit variance."""
    start = rng.normal(size=(nights, 1))
    steps = rng.normal(size=(nights, frames)) * math.sqrt(1 - common**2)
    steps[:, :1] = start
    return lfilter([1.0], [1.0, -common], steps, axis=1)


@pytest.mark.parametrize("common", [0.0, 0.3, 0.6])
def test_what_neighbours_have_in_common_stretches_the_tail_as_stated(common):
    """The log of the share of frames at which a sum first passes falls with 2 d / v."""
    rng = np.random.default_rng(2)
    most = np.maximum.accumulate(sums(autoregressive(20_000, 200, common, rng)), axis=1)[:, -1]
    variance = (1 + common) / (1 - common)
    low, high = 5 * variance, 8 * variance
    rates = -np.log(1 - np.array([(most < h).mean() for h in (low, high)]) + 0)
    rate = (rates[1] - rates[0]) / (high - low)
    assert rate == pytest.approx(2 * 0.5 / variance, rel=0.2)


def test_closer_frames_raise_the_bar_so_that_false_stops_stay():
    """One error, forgotten in 80 s, looked at every 75 s and every 15 s over the same nights."""
    rng = np.random.default_rng(3)
    hours = 60 * 75.0
    memory = TAILS["corner-lift"].memory_s
    shares, plain = [], []
    for spacing in (75.0, 15.0):
        common = math.exp(-spacing / memory)
        z = autoregressive(8000, int(hours / spacing), common, rng)
        most = sums(z).max(axis=1)
        stretch = long_run(spacing, memory) / long_run(MEASURED_AT_S, memory)
        shares.append((most > 9 * stretch).mean())
        plain.append((most > 9).mean())
    assert shares[0] > 0.005
    assert shares[1] < 1.5 * shares[0]
    # Without it closer frames would alarm many times as often.
    assert plain[1] > 5 * plain[0]


def test_long_run_variance_is_that_of_the_mean():
    common = math.exp(-30 / 80)
    x = autoregressive(4000, 400, common, np.random.default_rng(4))
    assert x.mean(axis=1).var() * 400 == pytest.approx(long_run(30, 80), rel=0.08)


@given(
    st.floats(0.01, 50),
    st.integers(0, 12),
    st.floats(1, 20_000),
    st.floats(0.5, 600),
)
def test_all_sums_together_never_spend_more_than_the_budget(budget, corners, frames, spacing):
    bars = bars_for(budget, 10.0, {**PLACES, "corner-lift": corners}, frames, spacing)
    spent = 0.0
    for kind, count in {**PLACES, "corner-lift": corners}.items():
        tail = TAILS[kind]
        stretch = tail.rate / bars.rate[kind]
        chance = (
            tail.size * max(frames, 1) / stretch * math.exp(-bars.rate[kind] * bars.threshold[kind])
        )
        spent += count * chance
        assert bars.threshold[kind] >= LEAST_BAR
    assert spent <= budget / 100 * (1 + 1e-9)


def test_a_stricter_budget_more_places_and_more_frames_raise_the_bar():
    usual = bars_for(1.0, 10.0, PLACES, 2000, 75.0).threshold["corner-lift"]
    assert bars_for(0.1, 10.0, PLACES, 2000, 75.0).threshold["corner-lift"] > usual
    more = {**PLACES, "corner-lift": 12}
    assert bars_for(1.0, 10.0, more, 2000, 75.0).threshold["corner-lift"] > usual
    assert bars_for(1.0, 10.0, PLACES, 9000, 75.0).threshold["corner-lift"] > usual
    assert bars_for(30.0, 10.0, PLACES, 2000, 75.0).threshold["corner-lift"] < usual


def test_the_chance_of_a_fault_is_bayes_rule():
    """By hand: ten nights of a hundred fail; of the ninety others one in a hundred shows as much
    evidence as the threshold: 0.1 / (0.1 + 0.9 * 0.01) = 0.917."""
    bars = USUAL_BARS
    for kind, threshold in bars.threshold.items():
        assert bars.chance(kind, threshold) == pytest.approx(0.1 / (0.1 + 0.9 * 0.01))
        assert bars.chance(kind, 0.0) <= bars.chance(kind, threshold / 2)
        assert 0.999 < bars.chance(kind, threshold + 30 / bars.rate[kind]) <= 1.0
        assert bars.chance(kind, -1e6) == pytest.approx(0.1)


@pytest.mark.parametrize("limit", [1.0, 2.0, 3.0])
def test_walds_bound_holds_for_each_excursion_of_the_sum(limit):
    """With an allowance of half a sigma a step is the log of the likelihood ratio of a shift by
    one sigma, so each excursion from zero is a sequential probability ratio test with A = e^limit:
    without a shift it ends at the top with a chance of at most 1 / A (Wald, "Sequential tests of
    statistical hypotheses", Annals of Mathematical Statistics 16, 1945)."""
    rng = np.random.default_rng(5)
    total = Cusum(clip=math.inf)
    begun = ended = 0
    for i, z in enumerate(rng.normal(size=150_000).tolist()):
        before = total.value
        after = total.update(z, i)
        begun += before == 0.0
        if after >= limit:
            ended += 1
            total.value = 0.0
    share = ended / begun
    error = 3 * math.sqrt(share / begun)
    assert share - error <= math.exp(-limit)
    assert share > 0.1 * math.exp(-limit)


def test_three_clipped_frames_never_pass_the_lowest_bar():
    total = Cusum()
    for i in range(3):
        total.update(100.0, i)
    assert total.value < LEAST_BAR
