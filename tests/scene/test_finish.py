"""Time to the end, against prints whose end is known."""

from __future__ import annotations

import numpy as np
import pytest

from watcher.records import Layer, Toolpath
from watcher.scene.clock import USUAL_PACE, USUAL_SPREAD
from watcher.scene.finish import DRIFT, time_to_end


def toolpath(durations):
    starts = np.concatenate([[0.0], np.cumsum(durations)[:-1]])
    layers = tuple(
        Layer(n + 1, 0.2 * (n + 1), 0.2, (), float(start), float(lasts), 100.0)
        for n, (start, lasts) in enumerate(zip(starts, durations, strict=True))
    )
    return Toolpath(layers, 100.0 * len(layers), float(sum(durations)), 0.45)


def parked(path, pace, upto, late_s=0.0):
    """Frames at the ends of the first layers of a print that runs at ``pace``."""
    return [
        (late_s + pace * (layer.start_s + layer.duration_s), layer.number)
        for layer in path.layers[:upto]
    ]


@pytest.mark.parametrize("pace", [0.95, 1.0, 1.05, 1.15, 1.4])
@pytest.mark.parametrize("upto", [5, 20, 40, 58])
def test_a_steady_print_ends_within_the_error(pace, upto):
    path = toolpath(np.linspace(240, 60, 60))
    frames = parked(path, pace, upto)
    told = time_to_end(path, frames, layer_seen=True, parked=True)
    left_s = pace * path.duration_s - frames[-1][0]
    assert abs(told.seconds - left_s) <= 2 * told.sigma_s
    assert told.sigma_s < 0.2 * left_s + 15


def test_a_print_that_began_late_is_no_slow_one():
    """Heating counts as elapsed time, but the pace is that between two frames."""
    path = toolpath(np.full(60, 120.0))
    on_time = time_to_end(path, parked(path, 1.1, 30), layer_seen=True, parked=True)
    late = time_to_end(path, parked(path, 1.1, 30, 600.0), layer_seen=True, parked=True)
    assert late == on_time


def test_at_first_experience_alone_tells():
    path = toolpath(np.full(60, 120.0))
    told = time_to_end(path, parked(path, 1.4, 3), layer_seen=True, parked=True)
    left_s = path.duration_s - 360.0
    assert told.seconds == pytest.approx(USUAL_PACE * left_s)
    assert told.sigma_s == pytest.approx(USUAL_SPREAD * left_s, rel=0.01)


def test_frames_that_show_no_layer_teach_no_pace():
    path = toolpath(np.full(60, 120.0))
    slow = [(1.4 * 120.0 * n, n) for n in range(1, 31)]
    told = time_to_end(path, slow, layer_seen=False, parked=False)
    assert told.seconds == pytest.approx(USUAL_PACE * path.duration_s - slow[-1][0])
    assert told.sigma_s == pytest.approx(USUAL_SPREAD * path.duration_s)


def test_the_error_shrinks_but_never_below_what_the_pace_may_change():
    path = toolpath(np.full(60, 120.0))
    sigmas = [
        time_to_end(path, parked(path, 1.05, n), layer_seen=True, parked=True) for n in (2, 10, 50)
    ]
    shares = [told.sigma_s / told.seconds for told in sigmas]
    assert shares[0] > shares[1]
    assert min(shares) > 0.9 * DRIFT


def test_past_the_end_nothing_is_left():
    path = toolpath(np.full(60, 120.0))
    assert time_to_end(path, parked(path, 1.0, 60), layer_seen=True, parked=True).seconds == 0
    over = time_to_end(path, [(3 * path.duration_s, 60)], layer_seen=False, parked=False)
    assert over.seconds == 0


def test_without_layers_or_frames_nothing_is_known():
    path = toolpath(np.full(60, 120.0))
    assert time_to_end(path, [], layer_seen=True, parked=True) is None
    empty = Toolpath((), 0.0, 0.0, 0.45)
    assert time_to_end(empty, [(10.0, 1)], layer_seen=True, parked=True) is None
