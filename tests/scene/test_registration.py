"""Registration on artificial pictures with known turns and motions."""

import cv2
import numpy as np
import pytest
from benchtop import BED, SIZE, picture_of_bed, scattered, setup_for, usual_camera
from skimage.registration import phase_cross_correlation

from watcher.scene.travel import Bed, Room, fit_turn, local_contrast, turn_pixels, turned

CAMERA = usual_camera()
NOWHERE = np.zeros((SIZE[1], SIZE[0]), bool)


def a_room(seed):
    return scattered((SIZE[1], SIZE[0]), 150, np.random.default_rng(seed))


def degrees_between(one, two):
    difference = cv2.Rodrigues(np.asarray(one))[0].T @ cv2.Rodrigues(np.asarray(two))[0]
    return float(np.degrees(np.linalg.norm(cv2.Rodrigues(difference)[0])))


def turned_picture(picture, turn):
    """The picture of a far room after a turn: the homography K R K^-1."""
    rotation, _ = cv2.Rodrigues(np.asarray(turn, float))
    plane = CAMERA.matrix @ rotation @ np.linalg.inv(CAMERA.matrix)
    return cv2.warpPerspective(picture, plane, SIZE, flags=cv2.INTER_CUBIC)


def smoothed(flat):
    return cv2.GaussianBlur(flat.astype(np.float32), (0, 0), 0.7)


def test_far_points_move_as_the_turned_camera_sees_them():
    turn = np.array([0.01, -0.02, 0.03])
    rng = np.random.default_rng(1)
    before = rng.uniform([0, 0], SIZE, (30, 2))
    after = turn_pixels(CAMERA, before, turn)
    # Points 1 km away, put there through the camera that has not turned.
    rotation, _ = cv2.Rodrigues(CAMERA.rotation_vector)
    rays = np.column_stack([before - CAMERA.centre_px, np.full(30, CAMERA.focal_px)])
    far = (rays / np.linalg.norm(rays, axis=1)[:, None] * 1e6 - CAMERA.translation_mm) @ rotation
    np.testing.assert_allclose(CAMERA.project(far), before, atol=1e-6)
    moved = turned(CAMERA, turn)
    np.testing.assert_allclose(moved.project(far), after, atol=1e-6)
    np.testing.assert_allclose(moved.position_mm, CAMERA.position_mm, atol=1e-9)


def test_a_small_tilt_moves_the_middle_by_focal_length_times_angle():
    # 0.01 rad of pan at a focal length of 700 px: 7 px.
    moved = turn_pixels(CAMERA, np.array([CAMERA.centre_px]), np.array([0, 0.01, 0]))
    np.testing.assert_allclose(moved - CAMERA.centre_px, [[7.0, 0.0]], atol=1e-3)


@pytest.mark.parametrize("turn", [(0.004, -0.006, 0.002), (0.02, 0.03, -0.02), (0.0, 0.0, 0.0)])
def test_a_turn_is_found_among_forty_per_cent_of_wrong_points(turn):
    rng = np.random.default_rng(2)
    before = rng.uniform([0, 0], SIZE, (100, 2))
    after = turn_pixels(CAMERA, before, np.array(turn)) + rng.normal(scale=0.1, size=(100, 2))
    after[:40] = before[:40] + rng.uniform(-30, 30, (40, 2))
    found = fit_turn(CAMERA, before, after)
    assert degrees_between(found.vector, turn) < 0.02
    assert 55 <= found.inliers <= 62
    off = turn_pixels(CAMERA, before, found.vector) - turn_pixels(CAMERA, before, np.array(turn))
    assert np.sqrt(np.mean(off**2)) < 3 * found.sigma_px
    assert 0.01 < found.sigma_px < 0.05
    assert np.median(found.residual_px[40:]) < 0.2


def test_too_few_or_unrelated_points_give_no_turn():
    rng = np.random.default_rng(3)
    before = rng.uniform([0, 0], SIZE, (60, 2))
    assert fit_turn(CAMERA, before[:7], before[:7]) is None
    assert fit_turn(CAMERA, before, rng.uniform([0, 0], SIZE, (60, 2))) is None


def test_local_contrast_does_not_know_gain_offset_or_shading():
    rng = np.random.default_rng(4)
    picture = scattered((240, 320), 80, rng)
    flat = local_contrast(picture).astype(float)
    assert np.abs(local_contrast(picture + 60) - flat).max() <= 1
    # The floor of 2.5 grey levels, there against noise, leaves a little of gain and shading.
    shade = np.linspace(0, 40, 320, dtype=np.float32)[None, :]
    for other in (0.7 * picture, 1.2 * picture - 30, picture + shade):
        difference = np.abs(local_contrast(other) - flat)
        assert np.percentile(difference, 99) <= 0.3 * flat.std()
        assert difference.mean() < 0.06 * flat.std()
    assert flat.std() > 20
    plain = local_contrast(np.full((60, 80), 77, np.float32)).astype(float)
    assert np.abs(plain - 128).max() <= 1


@pytest.mark.parametrize("turn", [(0.0004, -0.0011, 0.0), (-0.0023, 0.0037, 0.0), (0.0, 0.0, 0.0)])
def test_a_shaken_camera_against_phase_correlation(turn):
    # Guizar-Sicairos et al. 2008 as scikit-image has it, to 1/100 px, in the middle.
    room = a_room(5)
    later = turned_picture(room, turn)
    found = Room(CAMERA, room, local_contrast(room), NOWHERE).find(local_contrast(later))
    middle = (slice(140, 340), slice(220, 420))
    window = np.outer(np.hanning(200), np.hanning(200))
    before, after = ((p[middle] - 128) * window for p in (room, later))
    shift, _, _ = phase_cross_correlation(after, before, upsample_factor=100, normalization=None)
    ours = turn_pixels(CAMERA, np.array([CAMERA.centre_px]), found.vector)[0] - CAMERA.centre_px
    np.testing.assert_allclose(ours, shift[::-1], atol=0.05)
    assert degrees_between(found.vector, turn) < 0.01


def test_a_knocked_camera_is_found_again_in_other_light():
    rng = np.random.default_rng(6)
    room = a_room(6)
    turn = (0.05, -0.06, 0.04)
    later = 0.8 * turned_picture(room, turn) + 25 + rng.normal(scale=2, size=room.shape)
    room_there = Room(CAMERA, room, local_contrast(room), NOWHERE)
    found = room_there.find(local_contrast(later.astype(np.float32)))
    assert degrees_between(found.vector, turn) < 0.05


def test_another_room_is_not_taken_for_this_one():
    one, two = a_room(7), a_room(8)
    assert Room(CAMERA, one, local_contrast(one), NOWHERE).find(local_contrast(two)) is None


def test_no_corner_is_followed_where_the_bed_may_be():
    rng = np.random.default_rng(9)
    room = a_room(9) + rng.normal(scale=1.0, size=NOWHERE.shape).astype(np.float32)
    moving = NOWHERE.copy()
    moving[200:] = True
    points = Room(CAMERA, room, local_contrast(room), moving).points_px
    assert len(points) > 40
    assert points[:, 1].max() < 200


def test_nothing_stands_out_in_a_picture_without_noise_or_room():
    blank = np.full(NOWHERE.shape, 120, np.float32)
    room = Room(CAMERA, blank, local_contrast(blank), NOWHERE)
    assert len(room.points_px) == 0
    assert room.plain


def test_a_room_that_is_textured_all_over_is_followed():
    rng = np.random.default_rng(16)
    grain = cv2.GaussianBlur(rng.normal(size=NOWHERE.shape), (0, 0), 2.0)
    room = (128 + 300 * grain).astype(np.float32)
    turn = np.array([0.0011, -0.0017, 0.0])
    later = turned_picture(room, turn)
    followed = Room(CAMERA, room, local_contrast(room), NOWHERE)
    assert len(followed.points_px) > 60
    assert degrees_between(followed.find(local_contrast(later)).vector, turn) < 0.01


class Machine:
    """A textured bed before the camera, moved by known millimetres."""

    def __init__(self, motion, seed=10, texture=None):
        self.rng = np.random.default_rng(seed)
        step = 0.5
        shape = tuple(int((size + 60) / step) for size in BED[::-1])
        self.texture = scattered(shape, 300, self.rng) if texture is None else texture(shape)
        self.step = step
        self.setup = setup_for(CAMERA, motion)
        self.bed = Bed(self.setup)

    def look(self, travel_mm, noise=1.0):
        picture = picture_of_bed(CAMERA, self.texture, self.step, travel_mm * self.bed.axis)
        noisy = picture + self.rng.normal(scale=noise, size=picture.shape)
        return smoothed(local_contrast(noisy.astype(np.float32)))

    def teach(self, frames=4):
        for _ in range(frames):
            flat = self.bed.flat(self.look(0.0), self.bed.pixels(CAMERA, np.zeros(3)))
            self.bed.learn(flat, np.isfinite(flat))

    def locate(self, travel_mm, reach_mm, start_mm=0.0, hide=None):
        look = self.look(travel_mm)
        if hide is not None:
            look[hide] = 128.0
        return self.bed.locate(CAMERA, look, NOWHERE, reach_mm, start_mm)


@pytest.fixture(scope="module")
def sliding():
    machine = Machine("bed-y")
    machine.teach()
    return machine


def test_the_flat_picture_of_the_bed_is_its_texture(sliding):
    picture = picture_of_bed(CAMERA, sliding.texture, sliding.step, np.zeros(3))
    flat = sliding.bed.flat(picture, sliding.bed.pixels(CAMERA, np.zeros(3)))
    places = sliding.bed.points_mm.reshape(*sliding.bed.shape, 3)
    cells = np.round((places[..., :2] + 30) / sliding.step).astype(int)
    there = sliding.texture[cells[..., 1], cells[..., 0]]
    on_bed = (places[..., :2] > 0).all(axis=2) & (places[..., :2] < BED).all(axis=2)
    on_bed &= np.isfinite(flat)
    assert np.corrcoef(flat[on_bed], there[on_bed])[0, 1] > 0.97


@pytest.mark.parametrize("travel_mm", [-23.37, -4.2, 0.0, 0.33, 11.85, 30.5])
def test_a_slid_bed_is_found_to_a_tenth_of_a_millimetre(sliding, travel_mm):
    found = sliding.locate(travel_mm, (-40.0, 40.0))
    assert found.offset_mm == pytest.approx(travel_mm, abs=0.1)
    assert found.score > 0.8


def test_the_error_that_the_bed_states_is_honest(sliding):
    true = np.linspace(-12.3, 12.9, 12)
    found = [sliding.locate(t, (t - 3, t + 3), t) for t in true]
    error = np.array([f.offset_mm for f in found]) - true
    stated = np.array([f.sigma_mm for f in found])
    assert np.sqrt(np.mean(error**2)) < 3 * stated.mean()
    assert stated.mean() < 0.1


def test_half_hidden_the_bed_is_still_found(sliding):
    hide = NOWHERE.copy()
    hide[:, 330:] = True
    found = sliding.locate(7.3, (-40.0, 40.0), hide=hide)
    assert found.offset_mm == pytest.approx(7.3, abs=0.15)


def test_a_bed_that_is_not_there_scores_low(sliding):
    stranger = Machine("bed-y", seed=11)
    look = stranger.look(0.0)
    found = sliding.bed.locate(CAMERA, look, NOWHERE, (-40.0, 40.0))
    assert found is None or found.score < 0.3


def test_a_bed_that_was_never_seen_is_not_found():
    bed = Bed(setup_for(CAMERA))
    flat = np.full((SIZE[1], SIZE[0]), 128, np.float32)
    assert bed.locate(CAMERA, flat, NOWHERE, (-5.0, 5.0)) is None


@pytest.mark.parametrize("sunk_mm", [0.4, 3.1, 17.77])
def test_a_sunk_bed_is_found_to_a_tenth_of_a_millimetre(sunk_mm):
    machine = Machine("bed-z")
    machine.teach()
    found = machine.locate(sunk_mm, (sunk_mm - 2.6, sunk_mm + 2.2), sunk_mm - 0.3)
    assert found.offset_mm == pytest.approx(sunk_mm, abs=0.1)


def test_what_is_printed_is_no_place_to_look_at():
    ring = np.array([[60, 50], [140, 50], [140, 130], [60, 130.0]])
    machine = Machine("bed-y")
    machine.bed = Bed(machine.setup, (ring,))
    machine.teach()
    # A block of the bed's own texture goes elsewhere with the part: the bed stays put.
    moved = machine.look(9.0)
    still = machine.look(0.0)
    corners = CAMERA.project(np.column_stack([ring, np.zeros(4)]))
    part = np.zeros((SIZE[1], SIZE[0]), np.uint8)
    cv2.fillConvexPoly(part, np.round(corners).astype(np.int32), 1)
    mixed = np.where(part > 0, moved, still).astype(np.float32)
    found = machine.bed.locate(CAMERA, mixed, NOWHERE, (-20.0, 20.0))
    assert found.offset_mm == pytest.approx(0.0, abs=0.1)


def test_a_bed_beneath_a_turned_camera_is_found_with_that_camera(sliding):
    turn = np.array([0.004, 0.006, 0.0])
    shaken = turned(CAMERA, turn)
    picture = picture_of_bed(shaken, sliding.texture, sliding.step, 5.0 * sliding.bed.axis)
    look = smoothed(local_contrast(picture))
    found = sliding.bed.locate(shaken, look, NOWHERE, (-20.0, 20.0))
    assert found.offset_mm == pytest.approx(5.0, abs=0.1)
    # With the camera of before the same picture is read wrong.
    wrong = sliding.bed.locate(CAMERA, look, NOWHERE, (-20.0, 20.0))
    assert abs(wrong.offset_mm - 5.0) > 0.3


def grained(shape):
    """Grain everywhere, as on powder-coated steel: no half of it is plain."""
    grain = np.random.default_rng(17).normal(size=shape)
    return (128 + 200 * cv2.GaussianBlur(grain, (0, 0), 2.5)).astype(np.float32)


@pytest.mark.parametrize("travel_mm", [-17.4, 0.0, 8.9])
def test_a_bed_that_is_textured_all_over_is_found(travel_mm):
    machine = Machine("bed-y", texture=grained)
    machine.teach()
    found = machine.locate(travel_mm, (-30.0, 30.0))
    assert found.offset_mm == pytest.approx(travel_mm, abs=0.1)
    assert found.score > 0.8
