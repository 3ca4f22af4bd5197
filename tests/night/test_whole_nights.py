"""Small nights from first frame to advice, every lift and motion known."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from small_night import BOX, LAYER_MM, LAYERS_A_FRAME, SIZE, SmallNight, night_camera

from watcher.night import Night
from watcher.scene.expected import corner_names
from watcher.scene.solid import Corner
from watcher.trouble import BadSetup
from watcher.weigh import BLIND_FRAMES

FRAMES, ONSET = 40, 15
RAMP = 0.07 * np.clip(np.arange(FRAMES) - ONSET + 1, 0, None)
FLAT = np.zeros(FRAMES)
NAMES = ("front left corner", "front right corner", "back right corner", "back left corner")


def watch(small, change=lambda frame: frame):
    night = Night(small.setup, small.toolpath)
    return [night.see(change(frame)) for frame in small.frames()]


def lifts(seen, name):
    """Lift of one corner in each frame, nan where it was not seen."""
    found = []
    for one in seen:
        (reading,) = (r for r in one.readings if r.kind == "corner-lift" and r.place == name)
        found.append(np.nan if reading.value is None else reading.value)
    return np.array(found, float)


def moments(seen):
    return [m for one in seen for m in one.moments]


@pytest.fixture(scope="module", params=[1, 3], ids=lambda i: NAMES[i])
def lifted(request):
    return request.param, watch(SmallNight(RAMP, request.param))


@pytest.fixture(scope="module")
def quiet():
    return watch(SmallNight(FLAT))


def test_a_lift_is_measured_at_its_own_corner(lifted):
    corner, seen = lifted
    error = lifts(seen, NAMES[corner])[ONSET:] - RAMP[ONSET:]
    assert np.isfinite(error).all()
    assert np.sqrt(np.mean(error**2)) < 0.3
    for other in set(range(4)) - {corner}:
        assert np.nanmax(lifts(seen, NAMES[other])) < 0.25


def test_a_lift_ends_in_a_stop_with_its_reason(lifted):
    corner, seen = lifted
    advice = seen[-1].advice
    assert (advice.level, advice.kind, advice.place) == ("stop", "corner-lift", NAMES[corner])
    np.testing.assert_allclose(advice.place_mm, [*BOX[corner], 0.0])
    assert advice.sentence.startswith(f"Stop the print: the {NAMES[corner]} has lifted")
    assert "mm" in advice.sentence
    levels = [one.advice.level for one in seen]
    first = levels.index("stop")
    # No stop before there is a lift to speak of, and one before it is as thick as a finger.
    assert 0.4 < RAMP[first] < 1.2
    assert set(levels[first:]) == {"stop"}
    stop = [m for m in moments(seen) if m.level == "stop"]
    assert [(m.index, m.name) for m in stop] == [(first, f"{first:05d}.jpg")]


def test_the_beginning_of_a_lift_is_a_moment_to_look_back_to(lifted):
    _, seen = lifted
    began = [m for m in moments(seen) if m.sentence.startswith("Here it began")]
    assert len(began) == 1
    assert abs(began[0].index - ONSET) <= 8
    assert seen[-1].advice.since_s == pytest.approx(began[0].elapsed_s)


def test_the_same_night_without_lift_is_quiet(quiet):
    assert {one.advice.level for one in quiet} == {"carry on"}
    assert moments(quiet) == []
    for name in NAMES:
        values = lifts(quiet, name)
        assert np.nanmax(values) < 0.25
        assert np.isfinite(values[8:]).all()
    assert "4 of 4" in quiet[-1].advice.sentence


def test_frames_are_placed_and_layers_are_known(quiet):
    for i, one in enumerate(quiet):
        assert one.view.registered
        assert one.view.layer == LAYERS_A_FRAME * (i + 1)
        assert one.view.sigma_px < 0.3
        # 560 px at about 240 mm.
        assert 0.3 < one.view.mm_per_px < 0.7


def test_what_is_drawn_over_the_picture_lies_on_the_parts_edges(quiet):
    camera = night_camera()
    height = LAYER_MM * LAYERS_A_FRAME * FRAMES
    ring = np.concatenate(
        [
            a + np.linspace(0, 1, 200)[:, None] * (b - a)
            for a, b in zip(BOX, np.roll(BOX, -1, axis=0), strict=True)
        ]
    )
    rim = np.column_stack([ring, np.full(len(ring), height)])
    foot = np.column_stack([ring, np.zeros(len(ring))])
    upright = [[*corner, z] for corner in BOX for z in np.linspace(0, height, 100)]
    edges = camera.project(np.concatenate([rim, foot, upright]))
    lines = [o for o in quiet[-1].outlines if o.role == "measured"]
    assert {o.place for o in lines} >= set(NAMES)
    points = np.concatenate([o.points_px for o in lines])
    away = np.hypot(*(points[:, None] - edges).transpose(2, 0, 1)).min(axis=1)
    assert len(away) > 100
    # Corners clicked to whole pixels and a shaken camera leave about a pixel.
    assert np.median(away) < 1.0
    assert np.percentile(away, 95) < 2.0


def test_a_knocked_camera_is_no_fault():
    knocks = np.zeros((30, 6))
    knocks[20:] = [0.02, -0.03, 0.01, 4.0, -5.0, 3.0]
    seen = watch(SmallNight(FLAT[:30], knocks=knocks))
    assert {one.advice.level for one in seen} == {"carry on"}
    assert [i for i, one in enumerate(seen) if one.notes["knocked"]] == [20]
    assert all(one.view.registered for one in seen)
    (told,) = moments(seen)
    assert (told.index, told.level) == (20, "carry on")
    assert "camera was moved" in told.sentence
    for name in NAMES:
        assert np.nanmax(lifts(seen, name)) < 0.25


def test_a_lift_after_a_knock_is_still_measured():
    knocks = np.zeros((FRAMES, 6))
    knocks[12:] = [-0.015, 0.02, -0.01, -5.0, 3.0, -4.0]
    seen = watch(SmallNight(RAMP, knocks=knocks))
    error = lifts(seen, NAMES[1])[ONSET:] - RAMP[ONSET:]
    assert np.sqrt(np.nanmean(error**2)) < 0.3
    assert (seen[-1].advice.level, seen[-1].advice.place) == ("stop", NAMES[1])


def test_after_the_last_layer_nothing_is_judged():
    slides = np.zeros((30, 2))
    slides[18:] = [6.0, 3.0]
    small = SmallNight(FLAT[:30], slides=slides, layers=2 * 15)
    seen = watch(small)
    over = [m for m in moments(seen) if "print is over" in m.sentence]
    assert len(over) == 1
    # The fifteenth frame shows the last layer, and one more layer's time passes to be sure.
    assert over[0].index in (15, 16)
    assert {one.advice.level for one in seen} == {"carry on"}
    assert {r.unseen for r in seen[-1].readings} == {"the print is over"}
    assert "print is over" in seen[-1].advice.sentence


def test_a_part_that_slides_is_told_as_come_loose():
    slides = np.zeros((30, 2))
    slides[20:] = [2.0, 2.0]
    seen = watch(SmallNight(FLAT[:30], slides=slides))
    assert {one.advice.level for one in seen[:20]} == {"carry on"}
    advice = seen[-1].advice
    assert (advice.level, advice.kind) == ("stop", "detached")
    assert advice.amount == pytest.approx(np.hypot(2, 2), abs=0.5)


def test_what_the_head_hides_is_told_and_does_not_hide_a_lift_for_good():
    def hidden(frame):
        """The head stands before the front right corner in every third frame."""
        if frame.index % 3:
            return frame
        bgr = frame.bgr.copy()
        bgr[60:270, 270:390] = (50, 55, 60)
        return replace(frame, bgr=bgr)

    seen = watch(SmallNight(RAMP), hidden)
    values = lifts(seen, NAMES[1])
    covered = np.arange(9, FRAMES, 3)
    assert np.isnan(values[covered]).mean() > 0.8
    (reading,) = (r for r in seen[9].readings if r.place == NAMES[1] and r.kind == "corner-lift")
    assert "hidden" in reading.unseen
    free = np.setdiff1d(np.arange(ONSET, FRAMES), covered)
    # Where a third of the readings is missing, what is followed over frames lags further behind.
    assert np.sqrt(np.nanmean((values[free] - RAMP[free]) ** 2)) < 0.5
    assert (seen[-1].advice.level, seen[-1].advice.place) == ("stop", NAMES[1])


def test_a_covered_lens_is_told_and_the_night_goes_on_after_it():
    def covered(frame):
        if 12 <= frame.index < 12 + BLIND_FRAMES + 2:
            return replace(frame, bgr=np.full_like(frame.bgr, 3))
        return frame

    seen = watch(SmallNight(FLAT), covered)
    dark = seen[12]
    assert not dark.view.registered
    assert np.isinf(dark.view.sigma_px)
    assert "black" in dark.view.reason
    assert {r.unseen for r in dark.readings} == {dark.view.reason}
    assert dark.advice.level == "carry on"
    last = seen[12 + BLIND_FRAMES - 1].advice
    assert (last.level, last.kind) == ("have a look", "cannot-see")
    assert all(one.view.registered for one in seen[12 + BLIND_FRAMES + 2 :])
    assert seen[-1].advice.level == "carry on"


def test_another_scene_cannot_be_placed():
    small = SmallNight(FLAT[:12])
    night = Night(small.setup, small.toolpath)
    frames = list(small.frames())
    for frame in frames[:8]:
        night.see(frame)
    rng = np.random.default_rng(5)
    noise = cv2.GaussianBlur(rng.normal(size=(SIZE[1], SIZE[0], 3)), (0, 0), 3)
    other = np.clip(128 + 400 * noise, 0, 255).astype(np.uint8)
    seen = night.see(replace(frames[8], bgr=other))
    assert not seen.view.registered
    assert seen.view.reason
    assert all(r.value is None and r.unseen for r in seen.readings)
    assert night.see(frames[9]).view.registered


def test_the_same_frames_give_the_same_answers():
    one, two = (watch(SmallNight(RAMP[10:22])) for _ in range(2))
    for a, b in zip(one, two, strict=True):
        assert a.readings == b.readings
        assert a.advice == b.advice


def test_a_frame_of_another_size_is_refused_in_words():
    small = SmallNight(FLAT[:1])
    (frame,) = small.frames()
    smaller = replace(frame, bgr=cv2.resize(frame.bgr, (320, 240)))
    with pytest.raises(BadSetup, match=r"00000\.jpg is 320 x 240 pixels, the setup says 480 x 360"):
        Night(small.setup, small.toolpath).see(smaller)


def test_corners_are_named_as_they_look_and_told_apart():
    def corner(x, y, z=0.0):
        return Corner((x, y, z), 0, z > 0, 90.0)

    names = corner_names(
        night_camera(),
        [corner(40, 40), corner(120, 40), corner(110, 50), corner(40, 100), corner(120, 100, 12.0)],
    )
    assert names == [
        "front left corner",
        "front right corner",
        "front right corner (2)",
        "back left corner",
        "back right corner at 12 mm",
    ]
    assert corner_names(night_camera(), []) == []
