"""What a night hands out of its newest frame to be drawn."""

import cv2
import numpy as np
import pytest
from small_night import BOX, LAYER_MM, LAYERS_A_FRAME, SmallNight

from watcher.night import Night
from watcher.overlay.drawn import draw

FRAMES = 24
LIFTS = 0.09 * np.clip(np.arange(FRAMES) - 9, 0, None)
CORNER = "front right corner"


@pytest.fixture(scope="module")
def watched():
    small = SmallNight(LIFTS)
    night = Night(small.setup, small.toolpath)
    assert night.measured() is None
    frames = list(small.frames())
    seen = [night.see(frame) for frame in frames]
    return small, frames, seen, night.measured()


def test_places_stand_where_the_toolpath_puts_them(watched):
    small, _, _, measured = watched
    height = LAYER_MM * LAYERS_A_FRAME * FRAMES
    ring = np.concatenate(
        [
            a + np.linspace(0, 1, 200)[:, None] * (b - a)
            for a, b in zip(BOX, np.roll(BOX, -1, axis=0), strict=True)
        ]
    )
    edges = [np.column_stack([ring, np.full(len(ring), z)]) for z in (0.0, height)]
    edges.append(np.array([[*c, z] for c in BOX for z in np.linspace(0, height, 60)]))
    pixels = small.camera.project(np.concatenate(edges))
    away = np.hypot(*(measured.expected_px[:, None] - pixels).transpose(2, 0, 1)).min(axis=1)
    assert len(away) > 100
    assert np.median(away) < 1.5
    outline = np.concatenate(measured.rings_px)
    assert np.hypot(*(outline[:, None] - pixels).transpose(2, 0, 1)).min(axis=1).max() < 4


def test_the_lift_is_in_the_displacements_and_in_the_fit(watched):
    small, _, _, measured = watched
    seen = measured.seen
    tip = next(t for t in measured.tips if t.place == CORNER)
    assert tip.value_mm == pytest.approx(LIFTS[-1], abs=0.25)
    np.testing.assert_allclose(tip.pixel, small.camera.project([[*BOX[1], 0.0]])[0], atol=2.0)
    near = seen & (np.hypot(*(measured.expected_px - tip.pixel).T) < 25)
    far = seen & (np.hypot(*(measured.expected_px - tip.pixel).T) > 120)
    net = measured.shift_px - measured.aside_px
    assert net[near].max() > 1.0
    assert np.median(np.abs(net[far])) < 0.4
    # Where the fit sees a lift, it explains most of the displacement.
    raised = seen & (measured.lifted_px > 0.5)
    assert raised.sum() >= 5
    assert np.median(np.abs((net - measured.lifted_px)[raised])) < 0.4 * np.median(net[raised])
    assert (measured.hidden & seen).sum() == 0


def test_asking_changes_nothing(watched):
    _, frames, seen, measured = watched
    small = SmallNight(LIFTS)
    night = Night(small.setup, small.toolpath)
    for frame, before in zip(frames, seen, strict=True):
        assert night.see(frame).readings == before.readings
        one, two = night.measured(), night.measured()
        np.testing.assert_array_equal(one.shift_px, two.shift_px)
    np.testing.assert_array_equal(one.shift_px, measured.shift_px)


def test_a_frame_that_was_not_placed_has_nothing_to_draw(watched):
    _, frames, _, _ = watched
    small = SmallNight(LIFTS)
    night = Night(small.setup, small.toolpath)
    for frame in frames[:4]:
        night.see(frame)
    black = frames[4].__class__(4, "00004.jpg", frames[4].elapsed_s, np.zeros_like(frames[4].bgr))
    seen = night.see(black)
    assert night.measured() is None
    assert draw(black.bgr, None, seen, "a", close=True).shape[1] >= 1200


def test_a_night_without_lift_and_one_with_look_different(watched):
    _, frames, seen, measured = watched
    drawn = draw(frames[-1].bgr, measured, seen[-1], "a", close=True)
    # Orange is the displaced edge's colour, blue-green-red.
    orange = np.abs(drawn.astype(int) - [0, 159, 230]).max(axis=2) < 40
    assert cv2.countNonZero(orange.astype(np.uint8)) > 300
