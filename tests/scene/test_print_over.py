"""When printing has ended: by the clock alone, or by the clock and where the bed stands."""

import numpy as np
import pytest
from benchtop import BED, picture_of_bed, rectangle, scattered, setup_for, toolpath, usual_camera

from watcher.scene.clock import LayerClock
from watcher.scene.place import Placer
from watcher.scene.solid import solid_from_toolpath

CAMERA = usual_camera()
PROGRAM = toolpath([[rectangle(80, 80, 120, 100)]] * 60, seconds=60.0)
"""20 mm deep: while it is printed the bed moves within 20 mm."""
END_S = 60 * 60.0
STEP = 0.5


@pytest.fixture(scope="module")
def texture():
    shape = tuple(int((size + 60) / STEP) for size in BED[::-1])
    return scattered(shape, 300, np.random.default_rng(30))


def run(texture, shots):
    """Over or not, for (elapsed s, bed travel mm) one after the other."""
    clock = LayerClock(PROGRAM, parked=False)
    placer = Placer(setup_for(CAMERA), solid_from_toolpath(PROGRAM), clock)
    rng = np.random.default_rng(31)
    told = []
    for elapsed_s, travel_mm in shots:
        picture = picture_of_bed(CAMERA, texture, STEP, np.array([0, travel_mm, 0]))
        noisy = (picture + rng.normal(scale=1.0, size=picture.shape)).astype(np.float32)
        placed = placer.place(noisy, elapsed_s)
        assert not isinstance(placed, str)
        assert placed.offset_mm[1] == pytest.approx(travel_mm, abs=0.4)
        placer.learn(placed, None)
        told.append(placed.over)
    return told


PRINTING = [(240.0 * i, t) for i, t in enumerate([0.0, 6.0, -5.0, 9.0, -8.0, 4.0, -2.0, 7.0])]


def test_a_bed_that_drives_out_near_the_end_means_that_the_print_is_over(texture):
    told = run(texture, [*PRINTING, (END_S * 1.01, 5.0), (END_S * 1.03, -58.0)])
    assert told == [False] * 9 + [True]


def test_the_same_in_the_middle_of_the_print_does_not(texture):
    told = run(texture, [*PRINTING, (END_S * 0.6, -58.0), (END_S * 0.62, 3.0)])
    assert not any(told)


def test_far_past_the_end_the_clock_is_enough(texture):
    told = run(texture, [*PRINTING, (END_S * 1.3, 3.0)])
    assert told[-1]
    assert not any(told[:-1])
