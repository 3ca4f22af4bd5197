"""Following one corner's lift, and what is usual in a night."""

import numpy as np
import pytest

from watcher.evidence.track import Track, Usual


def follow(values, sigma=0.1):
    track = Track()
    levels, aboves = [], []
    for value in values:
        aboves.append(track.update(float(value), sigma))
        levels.append(track.level)
    return track, np.array(levels), np.array(aboves)


def test_the_zero_is_what_the_first_readings_say():
    rng = np.random.default_rng(1)
    track, levels, aboves = follow(0.25 + rng.normal(scale=0.05, size=30))
    assert track.zero == pytest.approx(0.25, abs=0.06)
    assert np.abs(levels[8:]).max() < 0.1
    assert np.abs(aboves[8:]).mean() < 0.08


def test_a_lift_that_was_there_from_the_start_does_not_all_become_the_zero():
    track, levels, _ = follow(np.full(30, 1.2))
    assert track.zero < 0.6
    assert levels[-1] > 0.6


def test_poor_first_readings_do_not_set_the_zero_of_good_ones():
    track = Track()
    for _ in range(6):
        track.update(-0.3, 0.25)
    for _ in range(30):
        track.update(0.0, 0.04)
    assert track.amount < 0.1


def test_one_wild_reading_among_the_first_does_not_set_the_zero():
    values = np.zeros(30)
    values[3] = 2.5
    track, levels, _ = follow(values)
    assert abs(track.zero) < 0.05
    assert levels[12:].max() < 0.15


@pytest.mark.parametrize("per_frame", [0.02, 0.05, 0.1])
def test_a_ramp_is_followed(per_frame):
    rng = np.random.default_rng(2)
    ramp = np.concatenate([np.zeros(20), per_frame * np.arange(1, 61)])
    _, levels, _ = follow(ramp + rng.normal(scale=0.1, size=80))
    # The rate is followed too, so a steady climb is not lagged behind by more than its noise.
    lag = ramp[40:] - levels[40:]
    assert np.abs(lag - lag.mean()).max() < 0.25
    assert abs(lag.mean()) < 0.1


def test_the_level_is_steadier_than_the_readings():
    rng = np.random.default_rng(3)
    noise = rng.normal(scale=0.2, size=400)
    track, levels, _ = follow(np.concatenate([np.zeros(20), np.full(400, 1.5) + noise]), 0.2)
    assert levels[100:].std() < 0.5 * noise.std()
    assert levels[100:].mean() == pytest.approx(1.5, abs=0.05)
    assert levels[100:].std() < track.sigma < 0.2


def test_an_outlier_moves_the_level_little():
    track, _, _ = follow(np.concatenate([np.zeros(20), np.full(30, 1.0)]))
    before = track.level
    track.update(6.0, 0.1)
    assert 0 <= track.level - before < 0.2
    assert before == pytest.approx(1.0, abs=0.05)


def test_a_poor_reading_counts_less_than_a_good_one():
    moved = []
    for sigma in (0.05, 0.4):
        track, _, _ = follow(np.zeros(30))
        track.update(0.3, sigma)
        moved.append(track.level)
    assert 0 < moved[1] < 0.4 * moved[0]


def test_a_lift_that_stays_does_not_become_the_zero():
    track, levels, _ = follow(np.concatenate([np.zeros(20), np.full(300, 0.5)]))
    assert levels[-1] == pytest.approx(0.5, abs=0.05)
    assert abs(track.zero) < 0.03


def test_a_corner_cannot_lie_below_the_bed():
    track, levels, _ = follow(np.concatenate([np.zeros(20), np.full(40, -0.4)]))
    assert levels[-1] > -0.05
    assert track.zero == pytest.approx(-0.4, abs=0.08)


def test_the_stated_error_never_falls_below_what_readings_share():
    track, _, _ = follow(np.zeros(500), 0.01)
    assert track.sigma >= track.floor_mm


def test_what_is_usual_is_the_median_of_what_is_not_new():
    usual = Usual()
    rng = np.random.default_rng(4)
    values = rng.normal(100, 10, 40)
    answers = [usual.update(float(v)) for v in values]
    # Six are kept apart and four must be known.
    assert answers[:9] == [None] * 9
    assert answers[9] is not None
    middle, spread = answers[-1]
    assert middle == pytest.approx(np.median(values[:34]))
    # 1.4826 times the median deviation is the normal distribution's sigma (Hampel 1974).
    assert spread == pytest.approx(10, rel=0.4)
    # A fault is not usual at once.
    for _ in range(6):
        middle, _ = usual.update(900.0)
    assert middle == pytest.approx(100, abs=5)


def test_readings_that_swing_more_than_they_state_are_believed_less():
    # Downward swings state a large error, upward ones a small one: another line taken at times.
    track = Track()
    amounts = []
    for i in range(40):
        track.update(*((0.35, 0.11) if i % 3 == 0 else (-0.4, 0.35)))
        amounts.append(track.amount)
    assert track.scatter > 0.3
    assert max(amounts) < 0.15


def test_scatter_is_that_of_white_noise_and_knows_no_trend():
    rng = np.random.default_rng(3)
    found = []
    for _ in range(300):
        track, _, _ = follow(0.2 * np.arange(11) + rng.normal(scale=0.3, size=11))
        found.append(track.scatter)
    # Ten differences tell it to a third; the median of them all lies near the truth.
    assert np.median(found) == pytest.approx(0.3, abs=0.06)
    assert follow(0.2 * np.arange(11))[0].scatter == pytest.approx(0.0, abs=1e-9)
