"""A box that becomes wider half-way up: its overhanging corner curls from the first layer on."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from small_night import (
    BOX,
    FINER,
    LAYER_MM,
    LAYERS_A_FRAME,
    SHADOW,
    SIDES,
    SIZE,
    TOP,
    SmallNight,
)

from watcher.night import Night

UNDER_MM = 7.0
"""Height of the overhang's underside."""
SPREAD_MM = 10.0
REACH_MM = 16.0
ROOF = BOX + SPREAD_MM * np.array([[0, -1], [1, -1], [1, 0], [0, 0]])
CORNER = 1
FRAMES = 40
BEGINS = int(UNDER_MM / LAYER_MM / LAYERS_A_FRAME)
"""Frame in which the overhang's first layers are seen."""


class WideningNight(SmallNight):
    """The box below, a wider one on it; only the wider one's corner may rise."""

    def __init__(self, lifts):
        super().__init__(lifts, layers=LAYERS_A_FRAME * FRAMES + 10)
        layers = tuple(
            one if one.z_mm <= UNDER_MM else replace(one, rings_mm=(ROOF,))
            for one in self.toolpath.layers
        )
        self.toolpath = replace(self.toolpath, layers=layers)

    def draw(self, camera, height_mm, lift_mm, slide_mm):
        ground = super().draw(camera, min(height_mm, UNDER_MM), 0.0, slide_mm)
        if height_mm <= UNDER_MM:
            return ground
        canvas = cv2.resize(ground, (SIZE[0] * FINER, SIZE[1] * FINER))
        eye = camera.position_mm[:2]
        rim = []
        for i, colour in enumerate(SIDES):
            a, b = ROOF[i], ROOF[(i + 1) % 4]
            xy = a + np.linspace(0, 1, 60)[:, None] * (b - a)
            away = np.hypot(*(xy - ROOF[CORNER]).T)
            rise = lift_mm * np.clip(1 - away / REACH_MM, 0, None) ** 2
            low = np.column_stack([xy, UNDER_MM + rise])
            high = np.column_stack([xy, height_mm + rise])
            rim.append(high)
            if np.array([b[1] - a[1], a[0] - b[0]]) @ (eye - a) > 0:
                under = np.column_stack([BOX[[i, (i + 1) % 4]], np.full(2, UNDER_MM - 1.0)])
                self._fill(canvas, camera, np.vstack([under, low[::-1]]), SHADOW)
                self._fill(canvas, camera, np.vstack([low, high[::-1]]), colour)
        self._fill(canvas, camera, np.vstack(rim), TOP)
        return cv2.resize(canvas, SIZE, interpolation=cv2.INTER_AREA)


def watch(lifts):
    small = WideningNight(lifts)
    night = Night(small.setup, small.toolpath)
    return [night.see(frame) for frame in small.frames()]


def curls(seen):
    return [{r.place_mm[:2]: r for r in one.readings if r.kind == "overhang-curl"} for one in seen]


@pytest.fixture(scope="module")
def curled():
    lifts = np.clip(0.15 * (np.arange(FRAMES) - BEGINS), 0, 2.4)
    return lifts, watch(lifts)


@pytest.fixture(scope="module")
def flat():
    return watch(np.zeros(FRAMES))


def test_a_corner_that_never_was_flat_is_seen_to_curl(curled):
    lifts, seen = curled
    tip = tuple(ROOF[CORNER])
    told = [
        (lift, here)
        for lift, one in zip(lifts, curls(seen), strict=True)
        for place, here in one.items()
        if np.hypot(*np.subtract(place, tip)) < 3 and here.value is not None and lift > 1.0
    ]
    assert len(told) >= 8
    off = np.array([here.value - lift for lift, here in told])
    assert np.sqrt(np.mean(off**2)) < 0.6
    stops = [one.advice for one in seen if one.advice.level == "stop"]
    assert stops
    assert stops[0].kind == "overhang-curl"
    assert np.hypot(*np.subtract(stops[0].place_mm[:2], tip)) < 3


def test_an_overhang_that_stays_flat_is_quiet(flat):
    assert {one.advice.level for one in flat} == {"carry on"}
    values = [r.value for one in curls(flat) for r in one.values() if r.value is not None]
    assert len(values) >= 20
    assert np.percentile(np.abs(values), 95) < 0.3
