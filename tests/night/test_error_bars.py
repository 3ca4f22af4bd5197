"""Whether the error bars of a rendered night are honest."""

import json
import statistics
from pathlib import Path

import pytest
from bench.scored import normalised, pairs, robust_deviation, scored

from watcher.account import Account
from watcher.night import Night
from watcher.records import Frame
from watcher.settings import read_setup
from watcher.sources.night import NightFolder
from watcher.toolpath import read_toolpath

LIFT = Path(__file__).parents[2] / "sample_frames" / "lift"


@pytest.fixture(scope="module")
def told():
    """Truth of the sample night on which a corner lifts, and what the watcher said of it."""
    setup = read_setup(LIFT / "setup.json")
    night = Night(setup, read_toolpath(iter([(LIFT / "part.gcode").read_bytes()])))
    account = Account(every_frame=True)
    for i, taken in enumerate(NightFolder(LIFT, setup.frame_size).pictures()):
        frame = Frame(i, taken.name, taken.elapsed_s, taken.bgr)
        account.heard_frame(frame, night.see(frame))
    return json.loads((LIFT / "truth.json").read_text()), account.record()


def test_errors_are_about_as_large_as_their_sigmas(told):
    values = normalised(pairs(*told))
    assert len(values) > 40
    # Honest bars would give 1.
    assert 0.7 < statistics.stdev(values) < 1.4
    assert 0.7 < robust_deviation(values) < 1.4
    assert abs(statistics.fmean(values)) < 1.0


def test_the_sample_night_is_scored_as_found(told):
    one = scored("lift", *told)
    assert (one.verdict, one.right) == ("found", True)
    assert one.delay_layers <= 6
    assert one.rmse_mm < 0.2
    assert one.coverage > 0.8
    assert one.phantom_mm < 0.15
