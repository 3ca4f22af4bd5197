"""The layer clock on machines whose pace is known."""

import numpy as np
import pytest
from benchtop import rectangle, toolpath

from watcher.scene.clock import USUAL_PACE, USUAL_SPREAD, LayerClock

PROGRAM = toolpath([[rectangle(40, 50, 100, 90)]] * 200, seconds=60.0)
"""200 layers of 0.2 mm, a minute each."""


def test_at_first_the_usual_pace_is_believed():
    clock = LayerClock(PROGRAM, parked=False)
    assert clock.layers == 200
    # 100.5 minutes of program at the usual pace: in the middle of layer 101.
    read = clock.read(100.5 * 60 * USUAL_PACE)
    assert read.layer == 101
    assert read.z_mm == pytest.approx(20.2)
    assert not read.done
    # The pace is known to 4 per cent: 20 mm to 0.8 mm.
    assert read.sigma_mm == pytest.approx(USUAL_SPREAD / USUAL_PACE * 20.1, rel=0.3)


def test_the_clock_stays_within_the_program():
    clock = LayerClock(PROGRAM, parked=False)
    assert clock.read(0.0).layer == 1
    assert clock.read(1e6).layer == 200


@pytest.mark.parametrize("pace", [0.98, 1.04, 1.12])
def test_frames_at_layer_changes_teach_the_pace(pace):
    clock = LayerClock(PROGRAM, parked=True)
    rng = np.random.default_rng(1)
    wrong = 0
    for layer in range(1, 201):
        read = clock.read(layer * 60 * pace + rng.normal(scale=2.0))
        wrong += read.layer != layer
        assert read.done
    assert clock.pace == pytest.approx(pace, abs=0.005)
    assert wrong == 0


@pytest.mark.parametrize("pace", [0.98, 1.04, 1.12])
def test_measured_heights_teach_the_pace(pace):
    clock = LayerClock(PROGRAM, parked=False)
    rng = np.random.default_rng(2)
    for minute in range(10, 150, 2):
        layer = int(minute / pace)
        height = 0.2 * (layer + 1) + rng.normal(scale=0.1)
        clock.learn_height(minute * 60.0, height, 0.1)
    assert clock.pace == pytest.approx(pace, abs=0.01)
    read = clock.read(170 * 60.0)
    assert abs(read.layer - (int(170 / pace) + 1)) <= 2
    assert read.sigma_mm < 0.3


def test_a_height_that_says_nothing_changes_nothing():
    clock = LayerClock(PROGRAM, parked=False)
    clock.learn_height(0.0, 5.0, 0.1)
    clock.learn_height(600.0, float("nan"), 0.1)
    clock.learn_height(600.0, 0.2, 0.1)
    assert clock.pace == USUAL_PACE


def test_one_wild_height_late_in_the_night_moves_the_pace_little():
    clock = LayerClock(PROGRAM, parked=False)
    for minute in range(10, 150, 2):
        clock.learn_height(minute * 60.0, 0.2 * (int(minute / 1.05) + 1), 0.1)
    before = clock.pace
    clock.learn_height(150 * 60.0, 10.0, 2.0)
    assert clock.pace == pytest.approx(before, abs=0.02)


@pytest.mark.parametrize("parked", [False, True])
def test_the_end_is_possible_before_it_is_certain(parked):
    clock = LayerClock(PROGRAM, parked)
    end = 200 * 60.0
    assert not clock.perhaps_over(0.9 * end)
    assert clock.perhaps_over(USUAL_PACE * end)
    assert not clock.surely_over(USUAL_PACE * end)
    # Three standard deviations of the pace that nothing has yet corrected.
    late = (USUAL_PACE + 3 * USUAL_SPREAD) * end
    assert not clock.surely_over(late)
    assert clock.surely_over(late + 60.0)


def test_a_learnt_pace_knows_the_end_sooner():
    clock = LayerClock(PROGRAM, parked=True)
    for layer in range(1, 201):
        clock.read(layer * 60 * 1.08)
        assert not clock.surely_over(layer * 60 * 1.08)
    assert clock.surely_over(202 * 60 * 1.08)
