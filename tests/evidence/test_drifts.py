"""What rises everywhere is the view's own drift, what rises somewhere is a lift."""

import numpy as np
import pytest

from watcher.evidence.bars import USUAL_BARS
from watcher.evidence.drift import Drift
from watcher.evidence.faults import Faults
from watcher.records import Reading

NAMES = ("front left corner", "front right corner", "back right corner", "back left corner")


def lifts(values, names=NAMES):
    return tuple(
        Reading("corner-lift", n, (0.0, 0.0, 0.0), v, 0.1, "mm")
        for n, v in zip(names, values, strict=False)
    )


def strongest(drift_mm, own_mm=0.0, frames=300, names=NAMES, ramp=None):
    """Greatest evidence at each corner in a night; the second corner also lifts by ``own_mm``."""
    rng = np.random.default_rng(1)
    drift, faults = Drift(), Faults()
    ramp = np.linspace(0, 1, frames) if ramp is None else ramp
    most = dict.fromkeys(names, 0.0)
    for i in range(frames):
        values = drift_mm * ramp[i] + rng.normal(scale=0.1, size=len(names))
        values[1] += own_mm * max(0.0, 2 * i / frames - 1)
        suspicions, _ = faults.update(drift.take_off(lifts(values, names), i), i, 1.0)
        for one in suspicions:
            most[one.place] = max(most[one.place], one.strength)
    return most


@pytest.mark.parametrize(
    "ramp",
    [
        np.linspace(0, 1, 300),  # the room grows warm
        1 / (1 + np.exp(-(np.arange(300) - 150) / 12)),  # dawn
        np.sin(np.linspace(0, 3 * np.pi, 300)) ** 2,  # a heater that goes on and off
    ],
    ids=["warmth", "dawn", "focus"],
)
def test_a_slow_drift_of_the_view_does_not_add_up(ramp):
    most = strongest(0.8, ramp=ramp)
    assert max(most.values()) < USUAL_BARS.threshold["corner-lift"] * 0.6


def test_without_the_correction_the_same_drift_would_be_an_alarm():
    """So that the test above can fail."""
    most = strongest(0.8, names=NAMES[:2])
    assert max(most.values()) > USUAL_BARS.threshold["corner-lift"]


def test_a_lift_on_top_of_a_drift_is_found_at_its_own_corner():
    most = strongest(0.5, own_mm=1.5)
    assert most[NAMES[1]] > USUAL_BARS.threshold["corner-lift"]
    assert max(v for n, v in most.items() if n != NAMES[1]) < USUAL_BARS.threshold["corner-lift"]


def test_other_kinds_and_hidden_corners_pass_unchanged():
    drift = Drift()
    hidden = Reading("corner-lift", NAMES[3], None, None, None, "mm", "hidden")
    step = Reading("layer-step", "part", None, 2.0, 0.1, "mm")
    for i in range(40):
        given = (*lifts([0.5 * (i > 20)] * 3), hidden, step)
        got = drift.take_off(given, i)
    assert got[3:] == given[3:]
    assert [r.value for r in got[:3]] == [0.0, 0.0, 0.0]


def test_a_corner_that_was_last_seen_long_ago_says_nothing_about_the_view():
    drift = Drift()
    for i in range(20):
        drift.take_off(lifts([0.0] * 3), i)
    for i in range(20, 30):
        drift.take_off(lifts([0.6] * 3), i)
    # Only two corners are left: too few to tell a drift from a lift.
    for i in range(30, 80):
        got = drift.take_off(lifts([0.6] * 2), i)
    assert [r.value for r in got] == [0.6, 0.6]
