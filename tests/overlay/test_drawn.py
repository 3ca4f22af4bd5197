"""What is drawn over a frame: where it lies, that it is there, and that eyes can tell it apart."""

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from watcher.overlay import drawn
from watcher.overlay.drawn import DRAWN_WIDTH, ENLARGED, WIDEST_PX, draw, enlargement
from watcher.overlay.record import Found, Measured, Tip
from watcher.records import Advice, Outline, Reading, Seen, View

SIZES = [(800, 600), (1280, 720)]
N = 41
QUIET = Advice("carry on", "Carry on: 1 of 1 corners is seen.")


def measured(shift_px=0.0, hidden=()):
    """A straight edge from (100, 300) to (500, 300), all of it displaced upwards."""
    x = np.linspace(100, 500, N)
    away = np.isin(np.arange(N), hidden)
    shift = np.where(away, np.nan, shift_px)
    return Measured(
        expected_px=np.column_stack([x, np.full(N, 300.0)]),
        normal=np.tile([0.0, -1.0], (N, 1)),
        shift_px=shift,
        sigma_px=np.where(away, np.inf, 0.05),
        aside_px=np.zeros(N),
        lifted_px=np.full(N, float(shift_px)),
        hidden=away,
        edge=np.zeros(N, dtype=np.int64),
        rings_px=(np.array([[100, 300], [500, 300], [500, 400], [100, 400.0]]),),
        region_px=(),
        tips=(Tip("front left corner", np.array([100.0, 300.0]), 1.234, 0.056),),
    )


def seen(readings=(), outlines=()):
    view = View(True, 0.1, 12, 0.25)
    return Seen(view, tuple(readings), (), QUIET, outlines=tuple(outlines))


def plain(size):
    return np.full((size[1], size[0], 3), 90, np.uint8)


def changed(picture, size):
    """Shape (H, W) of the frame: whether a colour was drawn within each of its pixels."""
    scale = max(1.0, DRAWN_WIDTH / size[0])
    high, wide = round(size[1] * scale), round(size[0] * scale)
    drawn_over = np.abs(picture[:high, :wide].astype(int) - 90).max(axis=2) > 40
    rows = (np.arange(size[1]) * scale).astype(int)
    columns = (np.arange(size[0]) * scale).astype(int)
    return drawn_over[np.ix_(rows, columns)]


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("shift_px", [0.5, 1.0, 3.0, -2.0])
def test_a_displaced_edge_is_drawn_at_its_enlarged_displacement(size, shift_px):
    one = measured(shift_px)
    times = enlargement(one)
    over = changed(draw(plain(size), one, seen(), "a", close=False), size)
    row = round(300 - times * shift_px)
    assert over[row, 360:460:10].all()
    # Nothing was drawn on the other side.
    assert not over[round(300 + times * shift_px), 360:460].any()


def test_the_usual_displacement_never_leaves_its_neighbourhood():
    for shift in (0.01, 0.3, 1.7, 5.0, 40.0):
        times = enlargement(measured(shift))
        assert times in ENLARGED
        assert times * shift <= WIDEST_PX or times == 1


@pytest.mark.parametrize("size", SIZES)
def test_the_frame_itself_is_left_alone_where_nothing_was_measured(size):
    over = changed(draw(plain(size), measured(), seen(), "a", close=False), size)
    assert not over[: size[1] // 3].any()


def test_hidden_stretches_are_marked_and_not_joined():
    one = measured(1.0, hidden=range(15, 25))
    size = SIZES[0]
    picture = changed(draw(plain(size), one, seen(), "a", close=False), size)
    row = 300 - enlargement(one)
    assert not picture[row, 275:325].any()
    shown = changed(draw(plain(size), measured(1.0), seen(), "a", close=False), size)
    assert shown[row, 275:325].any()


def test_strands_motions_and_heights_are_drawn_where_they_are_clear():
    size = SIZES[1]
    line = np.array([[900.0, 500.0], [1000.0, 500.0], [1000.0, 510.0]])
    ring = np.array([[700.0, 100.0], [800.0, 100.0], [800.0, 150.0]])
    found = Found("detached", (ring,), np.array([740.0, 130.0]), np.array([750.0, 120.0]))
    one = replace(measured(), found=(found,))
    strand = Outline("strand", "bed", line)
    for value, there in ((2.0, True), (0.1, False)):
        reading = Reading("detached", "part", None, value, 0.2, "mm")
        over = changed(draw(plain(size), one, seen([reading], [strand]), "a", False), size)
        assert over[500, 905:995].all()
        assert over[100, 705:795].any() == there


def test_a_frame_that_could_not_be_placed_is_shown_with_its_reason():
    size = SIZES[0]
    blind = replace(seen(), view=View(False, float("inf"), 1, float("nan"), "the picture is black"))
    picture = draw(plain(size), None, blind, "a", close=True)
    assert not changed(picture, size).any()
    assert picture.shape[0] > size[1]


def test_lines_are_drawn_where_nothing_is_known_place_by_place():
    """Without a toolpath there are strands and edges, and no places to compare."""
    size = SIZES[0]
    line = np.array([[300.0, 500.0], [400.0, 500.0], [400.0, 510.0]])
    for role in ("strand", "measured", "region"):
        over = changed(
            draw(plain(size), None, seen(outlines=[Outline(role, "bed", line)]), "a", True), size
        )
        assert over[500, 305:395].all()


def test_a_close_picture_shows_the_part_only():
    size = SIZES[1]
    mark = plain(size)
    mark[:50] = 255  # far above the part
    wide = draw(mark, measured(), seen(), "a", close=False)
    near = draw(mark, measured(), seen(), "a", close=True)
    assert (wide == 255).all(axis=2).mean() > 0.05
    assert (near == 255).all(axis=2).mean() < 0.05
    assert near.shape[1] == DRAWN_WIDTH


@settings(derandomize=True, max_examples=25, deadline=None)
@given(
    arrays(np.uint8, st.tuples(st.integers(1, 40), st.integers(1, 40), st.just(3))),
    st.floats(-1e4, 1e4),
    st.booleans(),
)
def test_any_picture_of_any_size_can_be_drawn_on(bgr, shift_px, close):
    picture = draw(bgr, measured(shift_px), seen(), "a", close)
    assert picture.dtype == np.uint8
    assert picture.ndim == 3


def luminance(colour):
    """Relative luminance of WCAG 2.2."""
    share = np.array(colour) / 255
    linear = np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)
    return float(linear @ [0.2126, 0.7152, 0.0722])


@pytest.mark.parametrize(
    "colour", [drawn.WHITE, drawn.GREY, drawn.ORANGE, drawn.SKY, drawn.VERMILION]
)
def test_words_stand_out_from_their_ground(colour):
    # WCAG 2.2, success criterion 1.4.3: 4.5 to 1.
    assert (luminance(colour) + 0.05) / (luminance(drawn.STRIP) + 0.05) >= 4.5


# Machado, Oliveira and Fernandes 2009, IEEE TVCG 15(6), table 1, severity 1 (from memory).
BLINDNESS = {
    "protan": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deutan": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritan": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}


@pytest.mark.parametrize("kind", BLINDNESS)
def test_colours_stay_apart_for_colour_blind_eyes(kind):
    """Dots above and below, and strands against the region's border."""
    matrix = np.array(BLINDNESS[kind])
    np.testing.assert_allclose(matrix.sum(axis=1), 1.0, atol=1e-5)  # grey stays grey

    def looks(colour):
        share = np.array(colour) / 255
        linear = np.where(share <= 0.04045, share / 12.92, ((share + 0.055) / 1.055) ** 2.4)
        return matrix @ linear

    for one, other in combinations((drawn.ORANGE, drawn.SKY, drawn.WHITE), 2):
        assert np.abs(looks(one) - looks(other)).max() > 0.15
    assert np.abs(looks(drawn.YELLOW) - looks(drawn.PURPLE)).max() > 0.15
