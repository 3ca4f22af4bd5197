"""Strands: lines that stay, told from steps, from what moves and from what was always there."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from watcher.measure.strands import StrandMap, line_strength, strand_signal

MIDDLE = (60.0, 50.0)


def with_line(angle_deg, width_px, grey=160, ground=110.0):
    """A line of 50 px through the middle, drawn eight times finer and averaged."""
    fine = 8
    canvas = np.full((100 * fine, 120 * fine), ground, np.float32)
    reach = 25 * np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
    one, two = (
        np.round((np.array(MIDDLE) + sign * reach + 0.5) * fine).astype(int).tolist()
        for sign in (-1, 1)
    )
    cv2.line(canvas, one, two, grey, round(width_px * fine))
    return cv2.resize(canvas, (120, 100), interpolation=cv2.INTER_AREA)


def with_step(angle_deg, high=160, ground=110.0):
    y, x = np.mgrid[:100, :120]
    d = (x - MIDDLE[0]) * np.cos(np.radians(angle_deg)) + (y - MIDDLE[1]) * np.sin(
        np.radians(angle_deg)
    )
    return (ground + (high - ground) * np.clip(d + 0.5, 0, 1)).astype(np.float32)


@pytest.mark.parametrize("angle_deg", range(0, 180, 15))
@pytest.mark.parametrize("grey", [160, 60])
def test_a_thin_line_stands_out_in_every_direction(angle_deg, grey):
    # 50 grey levels; a line of 1 px, which a mean over 1 px across takes nearly whole.
    strength = line_strength(with_line(angle_deg, 1.0, grey))
    assert strength[48:53, 58:63].max() > 15
    strong = line_strength(with_line(angle_deg, 2.0, grey))
    assert strong[48:53, 58:63].max() > 25
    assert strong.max() <= 51
    # Nothing far from it.
    y, x = np.mgrid[:100, :120]
    far = np.hypot(x - MIDDLE[0], y - MIDDLE[1]) > 40
    assert strong[far].max() < 1


@pytest.mark.parametrize("angle_deg", range(0, 360, 15))
def test_a_step_is_no_line(angle_deg):
    line = line_strength(with_line(angle_deg, 2.0))[48:53, 58:63].max()
    step = line_strength(with_step(angle_deg))
    assert step[10:-10, 10:-10].max() < 0.2 * line


def test_a_broad_band_is_no_line():
    assert line_strength(with_line(30, 12.0))[45:56, 55:66].max() < 3


def test_an_even_picture_has_no_lines():
    assert line_strength(np.full((40, 50), 90, np.float32)).max() < 1e-3
    assert line_strength(np.zeros((0, 0), np.float32)).shape == (0, 0)


def test_the_signal_is_in_multiples_of_what_is_usual():
    rng = np.random.default_rng(1)
    noise = rng.normal(scale=4.0, size=(100, 120, 3))
    among = np.ones((100, 120), bool)
    plain = np.clip(np.full((100, 120, 3), 110) + noise, 0, 255).astype(np.uint8)
    signal = strand_signal(plain, among)
    assert np.median(signal) == pytest.approx(1.0, abs=0.3)
    assert (signal > StrandMap.STRONG).mean() < 0.001
    line = np.repeat(with_line(20, 1.5, 190)[..., None], 3, axis=2)
    marked = strand_signal(np.clip(line + noise, 0, 255).astype(np.uint8), among)
    assert marked[48:53, 58:63].max() > StrandMap.STRONG
    assert not strand_signal(plain, ~among).any()


def test_a_strand_of_the_beds_brightness_shows_by_its_colour():
    rng = np.random.default_rng(2)
    share = ((with_line(70, 2.0, 200) - 110) / 90)[..., None]
    picture = 110 + share * np.array([-70.0, 0.0, 70.0]) + rng.normal(scale=2, size=(100, 120, 3))
    bgr = np.clip(picture, 0, 255).astype(np.uint8)
    grey = bgr.mean(axis=2)
    assert abs(grey[48:53, 58:63].mean() - grey.mean()) < 3
    assert strand_signal(bgr, np.ones((100, 120), bool))[48:53, 58:63].max() > StrandMap.STRONG


SHAPE = (80, 90)
OPEN = np.ones(SHAPE, bool)


def grid_line(row, begin=20, end=60):
    strength = np.ones(SHAPE, np.float32)
    strength[row, begin:end] = 2 * StrandMap.STRONG
    return strength


def run(frames, step_mm=1.0, open_places=OPEN):
    strands = StrandMap(SHAPE, step_mm)
    return strands, [strands.add(frame, open_places) for frame in frames]


def test_a_line_that_stays_is_counted_after_a_few_frames():
    bare = [np.ones(SHAPE, np.float32)] * 15
    strands, found = run(bare + [grid_line(30)] * 8)
    lengths = [length for length, _ in found]
    assert lengths[:15] == [0.0] * 15
    assert lengths[15 + StrandMap.ENOUGH - 2] == 0.0
    # A line one cell wide of 40 mm: its length is reckoned for lines one to two cells wide.
    assert 20 <= lengths[15 + StrandMap.ENOUGH - 1] <= 60
    assert 20 <= lengths[-1] <= 60
    assert strands.standing[30, 25:55].all()
    assert strands.standing.sum() == 40
    assert found[-1][1] == pytest.approx(80 * 90)


def test_twice_the_cell_is_twice_the_length():
    bare = [np.ones(SHAPE, np.float32)] * 15
    frames = bare + [grid_line(30)] * 6
    assert run(frames, 2.0)[1][-1][0] == pytest.approx(2 * run(frames, 1.0)[1][-1][0])


def test_a_line_that_moves_is_not_counted():
    bare = [np.ones(SHAPE, np.float32)] * 15
    _, found = run(bare + [grid_line(10 + 5 * i) for i in range(12)])
    assert max(length for length, _ in found) == 0


def test_a_line_that_was_there_from_the_start_is_not_counted():
    _, found = run([grid_line(30)] * 40)
    assert max(length for length, _ in found) == 0
    # A new one beside it is.
    _, found = run([grid_line(30)] * 20 + [np.maximum(grid_line(30), grid_line(50))] * 6)
    assert 20 <= found[-1][0] <= 60


def test_specks_are_not_counted():
    speck = np.ones(SHAPE, np.float32)
    speck[30, 40:43] = 99
    _, found = run([np.ones(SHAPE, np.float32)] * 15 + [speck] * 8)
    assert found[-1][0] == 0


def test_hidden_places_are_not_looked_at():
    hidden = OPEN.copy()
    hidden[:, :45] = False
    bare = [np.ones(SHAPE, np.float32)] * 15
    _, found = run(bare + [grid_line(30, 5, 40)] * 8, open_places=hidden)
    assert found[-1] == (0.0, pytest.approx(80 * 45))
    outside = np.full(SHAPE, np.nan, np.float32)
    assert run([outside] * 3)[1][-1] == (0.0, 0.0)


@settings(derandomize=True, max_examples=60)
@given(arrays(np.uint8, st.tuples(st.integers(1, 14), st.integers(1, 14), st.just(3))))
def test_any_picture_is_searched_without_fuss(picture):
    strength = line_strength(picture[..., 1].astype(np.float32))
    assert strength.shape == picture.shape[:2]
    assert (strength >= 0).all()
    signal = strand_signal(picture, np.ones(picture.shape[:2], bool))
    assert np.isfinite(signal).all()
