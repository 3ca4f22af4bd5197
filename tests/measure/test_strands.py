"""Strands: lines that run every way and stay, told from steps, from walls and from what passes.

Pictures are drawn here with known lines; nothing in them is a photograph.
"""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from watcher.measure.strands import (
    DIRECTIONS,
    STRONG,
    StrandMap,
    Strands,
    seen_strands,
    tangle,
    tangle_score,
    thin_lines,
)

MIDDLE = (60.0, 50.0)
FINE = 8


def with_line(angle_deg, width_px, grey=160, ground=110.0):
    """A line of 50 px through the middle, drawn eight times finer and averaged."""
    canvas = np.full((100 * FINE, 120 * FINE), ground, np.float32)
    reach = 25 * np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
    one, two = (
        np.round((np.array(MIDDLE) + sign * reach + 0.5) * FINE).astype(int).tolist()
        for sign in (-1, 1)
    )
    cv2.line(canvas, one, two, grey, round(width_px * FINE))
    return cv2.resize(canvas, (120, 100), interpolation=cv2.INTER_AREA)


def with_step(angle_deg, high=160, ground=110.0):
    y, x = np.mgrid[:100, :120]
    d = (x - MIDDLE[0]) * np.cos(np.radians(angle_deg)) + (y - MIDDLE[1]) * np.sin(
        np.radians(angle_deg)
    )
    return (ground + (high - ground) * np.clip(d + 0.5, 0, 1)).astype(np.float32)


# -- the line filter


@pytest.mark.parametrize("angle_deg", range(0, 180, 15))
@pytest.mark.parametrize("grey", [160, 60])
def test_a_thin_line_stands_out_in_every_direction(angle_deg, grey):
    # 50 grey levels; a line of 1 px, which a mean over 1 px across takes nearly whole.
    strength = thin_lines(with_line(angle_deg, 1.0, grey)).strength
    assert strength[48:53, 58:63].max() > 15
    found = thin_lines(with_line(angle_deg, 2.0, grey))
    strong = found.strength
    assert strong[48:53, 58:63].max() > 25
    assert strong.max() <= 51
    y, x = np.mgrid[:100, :120]
    far = np.hypot(x - MIDDLE[0], y - MIDDLE[1]) > 40
    assert strong[far].max() < 1
    # The direction is that of the line, to half of what lies between two.
    on = strong > 0.7 * strong.max()
    off = (found.direction[on].astype(float) * 180 / DIRECTIONS - angle_deg + 90) % 180 - 90
    assert abs(np.median(off)) <= 12


@pytest.mark.parametrize("angle_deg", range(0, 360, 15))
def test_a_step_is_no_line(angle_deg):
    line = thin_lines(with_line(angle_deg, 2.0)).strength[48:53, 58:63].max()
    step = thin_lines(with_step(angle_deg)).strength
    assert step[10:-10, 10:-10].max() < 0.2 * line


def test_a_broad_band_is_no_line():
    assert thin_lines(with_line(30, 12.0)).strength[45:56, 55:66].max() < 3


def test_an_even_picture_has_no_lines():
    assert thin_lines(np.full((40, 50), 90, np.float32)).strength.max() < 1e-3
    assert thin_lines(np.zeros((0, 0), np.float32)).strength.shape == (0, 0)


# -- the tangle


def test_parallel_lines_are_no_tangle_and_lines_of_all_ways_are_their_own_share():
    amount = np.full((60, 70), 0.4, np.float32)
    same = np.full((60, 70), 3, np.uint8)
    assert tangle(amount, same, 8.0).max() < 1e-3
    # Every direction alike: the vectors sum to nothing and the whole share is left.
    all_ways = (np.indices((60, 70)).sum(axis=0) % DIRECTIONS).astype(np.uint8)
    assert np.median(tangle(amount, all_ways, 8.0)) == pytest.approx(0.4, abs=0.01)


def test_two_ways_at_an_angle_leave_sine_squared_of_it():
    # Half the lines along 0 and half along a: |V| / T = cos a, so T sin^2 a is left, by hand.
    amount = np.ones((60, 64), np.float32)
    for number in range(DIRECTIONS // 2 + 1):
        ways = np.where(np.indices((60, 64))[1] % 2, number, 0).astype(np.uint8)
        expected = np.sin(np.pi * number / DIRECTIONS) ** 2
        assert tangle(amount, ways, 9.0)[30, 32] == pytest.approx(expected, abs=0.02)


def curls(count, seed=3, size=(360, 480), ground=90, grey=190, width=2):
    """So many curls of about 60 px each thrown at random over one quarter of a plain picture."""
    rng = np.random.default_rng(seed)
    picture = np.full(size, ground, np.uint8)
    for _ in range(count):
        at = rng.uniform((20, 20), (size[1] / 2, size[0] / 2))
        way = rng.uniform(0, 2 * np.pi) + np.cumsum(rng.normal(0, 0.35, 15))
        line = at + np.cumsum(4 * np.column_stack([np.cos(way), np.sin(way)]), axis=0)
        cv2.polylines(
            picture, [np.round(line * 8).astype(np.int32)], False, grey, width, cv2.LINE_AA, 3
        )
    return picture


def grain(picture, scale, seed=1):
    rng = np.random.default_rng(seed)
    return np.clip(picture + rng.normal(scale=scale, size=picture.shape), 0, 255).astype(np.uint8)


def walls():
    """A block with its layer lines beside a machine's straight edges."""
    picture = np.full((360, 480), 90, np.uint8)
    picture[120:300, 150:330] = 170
    picture[120:300:6, 150:330] = 150
    picture[:, 380:400] = 40
    return picture


def test_a_heap_of_curls_scores_above_walls_and_more_curls_above_few():
    scores = [tangle_score(curls(count)) for count in (0, 20, 60, 160)]
    assert scores[0] == 0
    assert np.all(np.diff(scores) > 0)
    assert scores[-1] > 0.5
    assert tangle_score(walls()) < 0.5 * scores[1]


def test_colour_pictures_score_as_their_grey():
    grey = curls(60)
    assert tangle_score(cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR)) == pytest.approx(tangle_score(grey))


@settings(derandomize=True, max_examples=20, deadline=None)
@given(st.floats(0.5, 1.3), st.integers(0, 3))
def test_the_score_hardly_changes_with_the_pictures_brightness(gain, seed):
    picture = curls(80, seed)
    brighter = np.clip(np.round(picture * gain), 0, 255).astype(np.uint8)
    # Not wholly: whole grey levels, and a floor that is a grey level.
    assert tangle_score(brighter) == pytest.approx(tangle_score(picture), abs=0.05)


@settings(derandomize=True, max_examples=15, deadline=None)
@given(st.floats(0.6, 1.3), st.integers(0, 3))
def test_a_regions_signal_does_not_change_with_brightness(gain, seed):
    picture = grain(curls(20, seed), 5.0).astype(float)
    places, region = pixels(360, 480), np.ones((360, 480), bool)
    signals = []
    for one in (picture, picture * gain):
        bgr = cv2.cvtColor(np.clip(np.round(one), 0, 255).astype(np.uint8), cv2.COLOR_GRAY2BGR)
        signals.append(seen_strands(bgr, places, region).signal)
    assert np.abs(signals[1] - signals[0]).max() < 0.15 * signals[0].max()
    assert np.median(np.abs(signals[1] - signals[0])) < 0.1


@settings(derandomize=True, max_examples=20, deadline=None)
@given(st.integers(-10, 10), st.integers(-10, 10), st.integers(0, 2))
def test_lines_and_tangle_move_with_the_picture(dx, dy, seed):
    picture = curls(40, seed, (140, 180)).astype(np.float32)
    moved = np.roll(picture, (dy, dx), axis=(0, 1))
    maps = []
    for one in (picture, moved):
        lines = thin_lines(one)
        maps.append((lines.strength, tangle(lines.amount(1.0), lines.direction, 6.0)))
    inner = (slice(35, -35), slice(35, -35))
    for before, after in zip(*maps, strict=True):
        shifted = np.roll(before, (dy, dx), axis=(0, 1))
        np.testing.assert_allclose(after[inner], shifted[inner], atol=1e-3)


@settings(derandomize=True, max_examples=20, deadline=None)
@given(st.floats(0.6, 1.6))
def test_the_score_is_the_pictures_at_any_size(scale):
    picture = cv2.GaussianBlur(curls(80), (0, 0), 0.8)
    size = (round(480 * scale), round(360 * scale))
    how = cv2.INTER_AREA if scale < 1 else cv2.INTER_CUBIC
    resized = cv2.resize(picture, size, interpolation=how)
    assert tangle_score(resized) == pytest.approx(tangle_score(picture), rel=0.12)


@settings(derandomize=True, max_examples=60, deadline=None)
@given(arrays(np.uint8, st.tuples(st.integers(1, 40), st.integers(1, 40), st.just(3))))
def test_any_picture_is_scored_and_searched_without_fuss(picture):
    assert 0.0 <= tangle_score(picture) <= 1.0
    places = pixels(*picture.shape[:2])
    found = seen_strands(picture, places, np.ones(picture.shape[:2], bool))
    assert found.signal.shape == picture.shape[:2]
    assert np.nanmin(found.signal) >= 0
    length, _ = StrandMap(picture.shape[:2], 1.0).add(found, np.ones(picture.shape[:2], bool))
    assert length == 0


# -- a region of a picture


def pixels(height, width):
    """A grid of places that is the picture's own pixels."""
    x, y = np.meshgrid(np.arange(width, dtype=float), np.arange(height, dtype=float))
    return np.stack([x, y], axis=2)


def test_the_signal_is_in_multiples_of_what_is_usual():
    everywhere = np.ones((360, 480), bool)
    plain = cv2.cvtColor(grain(np.full((360, 480), 110, np.uint8), 4.0), cv2.COLOR_GRAY2BGR)
    signal = seen_strands(plain, pixels(360, 480), everywhere).signal
    assert 0.7 < np.median(signal) < 2.0
    assert (signal > STRONG).mean() < 0.001
    marked = cv2.cvtColor(grain(curls(6, ground=110), 4.0), cv2.COLOR_GRAY2BGR)
    found = seen_strands(marked, pixels(360, 480), everywhere)
    on = curls(6, ground=110) > 150
    assert np.median(found.signal[on]) > STRONG


def test_part_and_outside_of_the_picture_are_not_seen():
    picture = cv2.cvtColor(curls(60), cv2.COLOR_GRAY2BGR)
    region = np.ones((360, 480), bool)
    hidden = np.zeros((360, 480), bool)
    hidden[:, :200] = True
    found = seen_strands(picture, pixels(360, 480), region, hidden)
    assert np.isnan(found.signal[:, :200]).all()
    assert np.isfinite(found.signal[:, 210:]).all()
    away = seen_strands(picture, pixels(360, 480) + 1000.0, region)
    assert np.isnan(away.signal).all()
    assert np.isnan(seen_strands(picture, pixels(360, 480), ~region).signal).all()
    assert np.isnan(seen_strands(picture, pixels(360, 480), region, ~(hidden & False)).signal).all()


# -- what stays

SHAPE = (80, 90)
OPEN = np.ones(SHAPE, bool)
BARE = np.ones(SHAPE, np.float32)


def frame(signal, brightness=100.0, tangled=0.0):
    full = np.broadcast_to(np.asarray(brightness, np.float32), SHAPE)
    return Strands(signal, np.full(SHAPE, tangled, np.float32), full)


def grid_line(row, begin=20, end=60):
    strength = BARE.copy()
    strength[row, begin:end] = 2 * STRONG
    return strength


def run(signals, step_mm=1.0, open_places=OPEN):
    strands = StrandMap(SHAPE, step_mm)
    frames = (s if isinstance(s, Strands) else frame(s) for s in signals)
    return strands, [strands.add(one, open_places) for one in frames]


# 40 cells along a row are 40 mm; lines of all directions are reckoned, which makes it 12 % more.
WHOLE_MM = 40 * 1.122


def test_a_line_that_stays_counts_half_in_its_second_frame_and_whole_in_its_third():
    strands, found = run([BARE] * 15 + [grid_line(30)] * 8)
    lengths = [length for length, _ in found]
    assert lengths[:16] == [0.0] * 16
    assert lengths[16] == pytest.approx(WHOLE_MM / 2)
    assert lengths[17:] == pytest.approx([WHOLE_MM] * 6)
    assert strands.standing[30, 20:60].all()
    assert strands.standing.sum() == 40
    assert found[-1][1] == pytest.approx(80 * 90)


def test_twice_the_cell_is_twice_the_length():
    frames = [BARE] * 15 + [grid_line(30)] * 6
    assert run(frames, 2.0)[1][-1][0] == pytest.approx(2 * run(frames, 1.0)[1][-1][0])


def test_a_line_that_moves_is_not_counted():
    _, found = run([BARE] * 15 + [grid_line(10 + 5 * i) for i in range(12)])
    assert max(length for length, _ in found) == 0


def test_a_line_that_was_there_from_the_start_is_not_counted():
    assert max(length for length, _ in run([grid_line(30)] * 40)[1]) == 0
    _, found = run([grid_line(30)] * 20 + [np.maximum(grid_line(30), grid_line(50))] * 6)
    assert found[-1][0] == pytest.approx(WHOLE_MM)


def test_specks_and_faint_lines_are_not_counted():
    speck = BARE.copy()
    speck[30, 40:43] = 99
    assert run([BARE] * 15 + [speck] * 8)[1][-1][0] == 0
    assert run([BARE] * 15 + [grid_line(30) / 2.2] * 8)[1][-1][0] == 0


def test_closed_places_are_not_looked_at():
    hidden = OPEN.copy()
    hidden[:, :45] = False
    _, found = run([BARE] * 15 + [grid_line(30, 5, 40)] * 8, open_places=hidden)
    assert found[-1] == (0.0, pytest.approx(80 * 45))
    outside = np.full(SHAPE, np.nan, np.float32)
    assert run([outside] * 3)[1][-1] == (0.0, 0.0)


def test_lines_on_what_stands_before_the_bed_are_not_counted_unless_they_are_a_heap():
    dark = np.full(SHAPE, 100.0)
    dark[20:50, 10:70] = 40.0
    head = [frame(grid_line(30), dark)] * 8
    _, found = run([BARE] * 15 + head)
    assert [length for length, _ in found] == [0.0] * 23
    assert found[-1][1] == pytest.approx(80 * 90 - 30 * 60)
    heap = [frame(grid_line(30), dark, 2 * StrandMap.TANGLED)] * 8
    assert run([BARE] * 15 + heap)[1][-1][0] == pytest.approx(WHOLE_MM)


def test_light_that_goes_up_or_down_over_all_hides_nothing():
    for light in (0.4, 2.0):
        lit = [frame(grid_line(30), 100.0 * light)] * 8
        assert run([BARE] * 15 + lit)[1][-1][0] == pytest.approx(WHOLE_MM)


def test_strands_of_a_known_length_thrown_on_a_grained_bed_are_measured():
    # Pixels of 0.5 mm; the length drawn is known, crossings and ends take a little of it.
    places, region = pixels(360, 480), np.ones((360, 480), bool)
    strands = StrandMap((360, 480), 0.5)
    counts, lengths = (4, 12), []
    for number in range(22):
        drawn = curls(0 if number < 12 else counts[number >= 17], ground=110, grey=170, seed=5)
        picture = cv2.cvtColor(grain(drawn, 2.0, number), cv2.COLOR_GRAY2BGR)
        lengths.append(strands.add(seen_strands(picture, places, region), region)[0])
    assert max(lengths[:13]) == 0
    curl_mm = 14 * 4 * 0.5
    assert lengths[16] == pytest.approx(counts[0] * curl_mm, rel=0.6)
    assert lengths[21] == pytest.approx(counts[1] * curl_mm, rel=0.6)
    assert lengths[21] > 2 * lengths[16]
