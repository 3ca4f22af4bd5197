"""What must hold of registration whatever the picture."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from benchtop import rectangle, scattered, setup_for, toolpath, usual_camera
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from watcher.night import Night
from watcher.records import BedPoint, Frame
from watcher.scene.camera import camera_from_points
from watcher.scene.clock import LayerClock
from watcher.scene.place import Placement, Placer
from watcher.scene.solid import solid_from_toolpath
from watcher.scene.travel import Bed, Room, local_contrast
from watcher.trouble import BadSetup

SEEDS = st.integers(0, 2**32 - 1)
PICTURES = arrays(np.uint8, st.tuples(st.integers(1, 48), st.integers(1, 48)))
FEW = settings(derandomize=True, max_examples=40, deadline=None)
SMALL = (320, 240)


def room_picture(seed):
    return scattered((SMALL[1], SMALL[0]), 90, np.random.default_rng(seed)).astype(np.float32)


def small_camera():
    camera = usual_camera()
    return replace(camera, size_px=SMALL, focal_px=350.0, centre_px=(159.5, 119.5))


def nowhere():
    return np.zeros((SMALL[1], SMALL[0]), bool)


@settings(derandomize=True, max_examples=100, deadline=None)
@given(PICTURES)
def test_local_contrast_of_any_picture(picture):
    flat = local_contrast(picture.astype(np.float32))
    assert flat.shape == picture.shape
    assert flat.dtype == np.uint8


@FEW
@given(SEEDS, st.floats(-60, 60))
def test_local_contrast_does_not_see_an_offset_of_the_light(seed, offset):
    picture = room_picture(seed)
    one, two = local_contrast(picture), local_contrast(picture + np.float32(offset))
    assert np.abs(one.astype(int) - two).max() <= 1


@FEW
@given(SEEDS, st.floats(0.7, 1.5))
def test_local_contrast_hardly_sees_a_gain_of_the_light(seed, gain):
    picture = room_picture(seed)
    one, two = local_contrast(picture), local_contrast(np.float32(gain) * picture)
    assert np.abs(one.astype(int) - two).mean() < 4


@FEW
@given(SEEDS, st.integers(-9, 9), st.integers(-9, 9))
def test_local_contrast_goes_along_with_the_picture(seed, dx, dy):
    picture = room_picture(seed)
    moved = local_contrast(np.roll(picture, (dy, dx), axis=(0, 1)))
    still = np.roll(local_contrast(picture), (dy, dx), axis=(0, 1))
    inside = (slice(60, -60), slice(60, -60))  # well away from where the picture was joined
    assert np.abs(moved[inside].astype(int) - still[inside]).max() <= 1


@settings(derandomize=True, max_examples=12, deadline=None)
@given(SEEDS, st.floats(0.6, 1.5), st.floats(-25, 25))
def test_the_cameras_turn_does_not_depend_on_the_light(seed, gain, offset):
    camera, picture = small_camera(), room_picture(seed)
    shift = np.array([[1, 0, 1.6], [0, 1, -0.9]])
    later = cv2.warpAffine(picture, shift, SMALL, borderMode=cv2.BORDER_REFLECT)
    found = []
    for some in (later, np.float32(gain) * later + np.float32(offset)):
        room = Room(camera, picture, local_contrast(picture), nowhere())
        turn = room.find(local_contrast(some))
        assert turn is not None
        found.append(turn.vector[:2] * camera.focal_px)
    np.testing.assert_allclose(found[0], found[1], atol=0.15)
    # A pan about y moves the picture to the right, a tilt about x upwards.
    np.testing.assert_allclose(found[0], [0.9, 1.6], atol=0.3)


@FEW
@given(PICTURES, SEEDS)
def test_room_and_bed_of_any_picture(picture, seed):
    """Found or not, nothing fails."""
    rng = np.random.default_rng(seed)
    height, width = picture.shape
    camera = replace(
        usual_camera(),
        size_px=(width, height),
        focal_px=1.1 * width,
        centre_px=((width - 1) / 2, (height - 1) / 2),
    )
    grey = picture.astype(np.float32)
    flat = local_contrast(grey)
    room = Room(camera, grey, flat, rng.random(picture.shape) < 0.2)
    other = local_contrast(rng.integers(0, 255, picture.shape).astype(np.float32))
    for some in (flat, other):
        turn = room.find(some)
        assert turn is None or np.isfinite(turn.vector).all()
    bed = Bed(setup_for(camera), step_mm=8.0)
    laid = bed.flat(flat, bed.pixels(camera, np.zeros(3)))
    for _ in range(2):
        bed.learn(laid, np.ones(bed.shape, bool))
    travel = bed.locate(camera, other.astype(np.float32), None, (-20.0, 20.0))
    assert travel is None or np.isfinite(travel.offset_mm)


def tiny_setup(width, height, motion, parked):
    """Bed corners clicked well apart in a picture of any size."""
    points = [(0.1, 0.9), (0.9, 0.9), (0.75, 0.2), (0.25, 0.2)]
    corners = [(0, 0), (200, 0), (200, 180), (0, 180)]
    return replace(
        setup_for(usual_camera(), motion),
        frame_size=(width, height),
        head_parked_for_frames=parked,
        bed_points=tuple(
            BedPoint((x * width, y * height), c) for (x, y), c in zip(points, corners, strict=True)
        ),
    )


def can_be_seen(setup):
    """In a picture a pixel wide no camera above the bed explains the points; that is refused."""
    try:
        camera_from_points(setup)
    except BadSetup:
        return False
    return True


PART = toolpath([(rectangle(70, 60, 130, 120),)] * 30)


@settings(derandomize=True, max_examples=25, deadline=None)
@given(
    st.lists(SEEDS, min_size=1, max_size=3),
    st.integers(1, 60),
    st.integers(1, 60),
    st.sampled_from(["bed-y", "bed-z", "fixed"]),
    st.booleans(),
)
def test_any_frames_of_any_size_are_placed_or_not(seeds, width, height, motion, parked):
    setup = tiny_setup(width, height, motion, parked)
    assume(can_be_seen(setup))
    placer = Placer(setup, solid_from_toolpath(PART), LayerClock(PART, parked))
    for i, seed in enumerate(seeds):
        grey = np.random.default_rng(seed).integers(0, 256, (height, width)).astype(np.float32)
        placed = placer.place(grey, 30.0 * i)
        assert isinstance(placed, Placement) or placed
        if isinstance(placed, Placement):
            seen = placer.expected(placed, i)
            placer.learn(placed, seen)


@pytest.mark.parametrize("shade", [0, 127, 255])
def test_blank_frames_are_placed_or_not(shade):
    placer = Placer(tiny_setup(64, 48, "bed-y", False), None, None)
    for i in range(3):
        placed = placer.place(np.full((48, 64), shade, np.float32), float(i))
        assert isinstance(placed, Placement) or placed


@settings(derandomize=True, max_examples=30, deadline=None)
@given(
    st.lists(SEEDS, min_size=1, max_size=5),
    st.integers(1, 90),
    st.integers(1, 90),
    st.sampled_from(["bed-y", "bed-z", "fixed"]),
    st.booleans(),
    st.booleans(),
)
def test_a_night_of_any_frames_of_any_size(seeds, width, height, motion, parked, same):
    """From frame to advice: nothing fails, and noise is never a reason to stop."""
    setup = tiny_setup(width, height, motion, parked)
    assume(can_be_seen(setup))
    night = Night(setup, PART)
    for i, seed in enumerate(seeds):
        rng = np.random.default_rng(seeds[0] if same else seed)
        bgr = rng.integers(0, 256, (height, width, 3)).astype(np.uint8)
        seen = night.see(Frame(i, f"{i:05d}.jpg", 30.0 * i, bgr))
        assert seen.advice.level != "stop"
        night.measured()
