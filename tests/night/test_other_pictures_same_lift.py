"""The same night in other pictures: darker, brighter, larger. The lift in mm stays what it is."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from small_night import SmallNight

from watcher.night import Night
from watcher.records import BedPoint

FRAMES = 26
LIFTS = 0.08 * np.clip(np.arange(FRAMES) - 11, 0, None)


def lifts(small, setup=None, change=lambda bgr: bgr):
    """Lift of the front right corner in each frame, nan where it was not seen, and the rest."""
    night = Night(setup or small.setup, small.toolpath)
    lifted, others = [], []
    for frame in small.frames():
        seen = night.see(replace(frame, bgr=change(frame.bgr)))
        for reading in seen.readings:
            if reading.kind != "corner-lift":
                continue
            value = np.nan if reading.value is None else reading.value
            (lifted if reading.place == "front right corner" else others).append(value)
    return np.array(lifted), np.array(others)


@pytest.fixture(scope="module")
def plain():
    return lifts(SmallNight(LIFTS))


def light(gain, offset):
    return lambda bgr: np.clip(np.round(gain * bgr.astype(float) + offset), 0, 255).astype(np.uint8)


@pytest.mark.parametrize(("gain", "offset"), [(0.7, 0.0), (1.25, 0.0), (0.8, 25.0)])
def test_other_light(plain, gain, offset):
    lifted, others = lifts(SmallNight(LIFTS), change=light(gain, offset))
    assert np.nanmax(np.abs(lifted - plain[0])) < 0.15
    assert np.isfinite(lifted).sum() >= np.isfinite(plain[0]).sum() - 2
    assert np.nanmax(others) < 0.25


@pytest.mark.parametrize("scale", [0.8, 1.5])
def test_other_resolution(plain, scale):
    small = SmallNight(LIFTS)
    width, height = (round(scale * n) for n in small.setup.frame_size)
    x, y = width / small.setup.frame_size[0], height / small.setup.frame_size[1]
    points = tuple(
        BedPoint(((p.pixel[0] + 0.5) * x - 0.5, (p.pixel[1] + 0.5) * y - 0.5), p.bed_mm)
        for p in small.setup.bed_points
    )
    setup = replace(small.setup, frame_size=(width, height), bed_points=points)
    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    lifted, others = lifts(
        small, setup, lambda b: cv2.resize(b, (width, height), interpolation=how)
    )
    assert np.sqrt(np.nanmean((lifted - plain[0]) ** 2)) < 0.15
    assert np.isfinite(lifted[12:]).all()
    assert np.nanmax(others) < 0.3
