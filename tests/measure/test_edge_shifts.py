"""Sub-pixel displacement of slanted edges whose place is known by formula.

The idea is ISO 12233's: an edge a few degrees off the pixel grid passes every fraction of a pixel
along its length. The edge is a Gaussian-blurred step, 128 + A / 2 erf(d / (sqrt(2) s)) at the
signed distance d, so its place is exact. Scatter in noise is compared with the Cramer-Rao bound
for the position of a known edge in white noise (Gatherer 1993, Stanford CSL-TR-93-560; working
form (noise / A) sqrt(2 sqrt(pi) s) / sqrt(rows)).
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.special import erf

from watcher.measure.edges import (
    HALF_PX,
    LAGS,
    REACH_PX,
    SAMPLES,
    STEP_PX,
    Memory,
    agreement_of,
    extent_mask,
    read_profiles,
    shifts_against,
)

SHAPE = (240, 120)
STEP, BLUR = 60.0, 1.0


class Edge:
    """A slanted edge in the middle of a picture, brighter towards its normal."""

    def __init__(self, slant_deg, spacing_px=8.0):
        angle = np.radians(slant_deg)
        self.normal = np.array([np.cos(angle), np.sin(angle)])
        along = np.array([-self.normal[1], self.normal[0]])
        self.middle = np.array([(SHAPE[1] - 1) / 2, (SHAPE[0] - 1) / 2])
        reach = np.arange(-90.0, 90.1, spacing_px)
        self.pixel = self.middle + reach[:, None] * along
        self.normals = np.tile(self.normal, (len(reach), 1))
        self.everything = np.ones((len(reach), SAMPLES), bool)
        self.alone = np.arange(len(reach))[:, None]

    def picture(self, shift_px=0.0, step=STEP, blur=BLUR):
        y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
        d = (np.stack([x, y], axis=2) - self.middle) @ self.normal - shift_px
        return (128 + step / 2 * erf(d / (np.sqrt(2) * blur))).astype(np.float32)

    def template(self):
        return read_profiles(self.picture(), self.pixel, self.normals, HALF_PX)

    def found(self, picture, noise=0.5, spread=None):
        profiles = read_profiles(picture, self.pixel, self.normals, HALF_PX + REACH_PX)
        near = self.alone if spread is None else spread
        return shifts_against(self.template(), self.everything, profiles, near, noise)


SLANTED = Edge(5.0)


def test_a_profile_is_the_edge_as_the_formula_has_it():
    profiles = read_profiles(SLANTED.picture(), SLANTED.pixel, SLANTED.normals, HALF_PX)
    assert profiles.shape == (len(SLANTED.pixel), SAMPLES)
    d = (np.arange(SAMPLES) - (SAMPLES - 1) / 2) * STEP_PX
    on_paper = 128 + STEP / 2 * erf(d / (np.sqrt(2) * BLUR))
    # Reading between pixels is linear: that blurs a little more.
    assert np.abs(profiles - on_paper).max() < 0.05 * STEP
    np.testing.assert_allclose(profiles.mean(axis=0), on_paper, atol=0.03 * STEP)


def test_a_profile_of_a_ramp_is_exact():
    # Linear interpolation of a linear ramp has no error: 3 + 2 x + y.
    y, x = np.mgrid[:60, :60]
    ramp = (3 + 2 * x + y).astype(np.float32)
    pixel = np.array([[30.25, 20.5], [25.0, 33.75]])
    normal = np.array([[1.0, 0.0], [0.6, 0.8]])
    profiles = read_profiles(ramp, pixel, normal, 4.0)
    reach = (np.arange(17) - 8) * 0.5
    middle = 3 + 2 * pixel[:, :1] + pixel[:, 1:]
    # remap rounds places to 1/32 px, the slope is at most 3 a px.
    np.testing.assert_allclose(
        profiles, middle + reach * (2 * normal[:, :1] + normal[:, 1:]), atol=3 / 32
    )


def test_outside_the_picture_there_is_no_brightness():
    profiles = read_profiles(SLANTED.picture(), np.array([[2.0, 100.0]]), SLANTED.normals[:1], 4.0)
    assert np.isnan(profiles[0, 0])
    assert np.isfinite(profiles[0, -1])


@pytest.mark.parametrize("slant_deg", [5.0, -12.0, 40.0, 85.0, 176.0])
@pytest.mark.parametrize("shift_px", [-1.27, -1.1, -0.4, 0.0, 0.13, 0.5, 0.75, 1.2])
def test_known_displacements_of_slanted_edges(slant_deg, shift_px):
    edge = Edge(slant_deg)
    inside = np.abs(edge.pixel - edge.middle).max(axis=1) < 40
    shifts = edge.found(edge.picture(shift_px))
    error = shifts.value_px[inside] - shift_px
    assert abs(error.mean()) < 0.01
    assert np.abs(error).max() < 0.02
    assert (shifts.agreement[inside] > 0.95).all()
    assert np.isfinite(shifts.sigma_px[inside]).all()


@pytest.mark.parametrize("shift_px", [-5.2, -3.3, 1.4, 1.9, 2.71, 4.9])
def test_a_step_that_is_far_off_is_told_short_rather_than_long(shift_px):
    # Of two like edges the nearer one is meant, so a lone far one is drawn in a little.
    value = SLANTED.found(SLANTED.picture(shift_px)).value_px
    short = abs(shift_px) - value * np.sign(shift_px)
    assert (short > -0.02).all()
    assert (short < 0.25 * abs(shift_px)).all()


@settings(derandomize=True, max_examples=40)
@given(st.floats(-3, 3), st.floats(0.65, 1.6), st.floats(-40, 40))
def test_gain_and_offset_of_the_light_do_not_move_an_edge(shift_px, gain, offset):
    picture = SLANTED.picture(shift_px)
    plain = SLANTED.found(picture)
    other = SLANTED.found(gain * picture + np.float32(offset))
    np.testing.assert_allclose(other.value_px, plain.value_px, atol=0.01)
    np.testing.assert_allclose(other.gain / plain.gain, gain, rtol=0.02)


def bound_px(noise, rows):
    return noise / STEP * np.sqrt(2 * np.sqrt(np.pi) * BLUR) / np.sqrt(rows)


@pytest.fixture(scope="module")
def in_noise():
    """Displacements found at independent places of edges in noise of 3 grey levels."""
    rng = np.random.default_rng(1)
    error, sigma = [], []
    for i in range(24):
        shift = -1.2 + 0.1 * i
        noisy = SLANTED.picture(shift) + rng.normal(scale=3.0, size=SHAPE)
        shifts = SLANTED.found(noisy.astype(np.float32), noise=1.5)
        error.append(shifts.value_px - shift)
        sigma.append(shifts.sigma_px)
    return np.concatenate(error), np.concatenate(sigma)


def test_scatter_in_noise_against_the_cramer_rao_bound(in_noise):
    error, _ = in_noise
    scatter = error.std()
    # Three readings a pixel apart, each between two rows of pixels, use four rows at most and
    # three at least. The scatter of n samples is known to 1 / sqrt(2 n).
    slack = 1 - 3 / np.sqrt(2 * len(error))
    assert scatter > slack * bound_px(3.0, 4)
    assert scatter < 3 * bound_px(3.0, 3)
    assert abs(error.mean()) < 0.3 * scatter


def test_the_stated_error_covers_the_scatter(in_noise):
    error, sigma = in_noise
    # It is meant to be cautious: real edges are not as straight and even as these.
    assert error.std() < np.median(sigma) < 10 * error.std()
    assert np.median(sigma) > bound_px(3.0, 4)


def test_neighbours_share_their_noise():
    edge = Edge(5.0, spacing_px=4.0)
    n = len(edge.pixel)
    five = np.clip(np.arange(n)[:, None] + np.arange(-2, 3), 0, n - 1)
    rng = np.random.default_rng(2)
    alone, shared = [], []
    for _ in range(6):
        noisy = (edge.picture(0.3) + rng.normal(scale=3.0, size=SHAPE)).astype(np.float32)
        alone.append(edge.found(noisy, 1.5).value_px[3:-3])
        shared.append(edge.found(noisy, 1.5, five).value_px[3:-3])
    ratio = np.std(shared) / np.std(alone)
    assert 0.8 / np.sqrt(5) < ratio < 1.4 / np.sqrt(5)


def test_where_there_is_no_edge_nothing_is_found():
    rng = np.random.default_rng(3)
    blank = (128 + rng.normal(scale=1.0, size=SHAPE)).astype(np.float32)
    shifts = SLANTED.found(blank, noise=1.0)
    # Chance may agree a little, but with hardly any of the edge's contrast.
    assert (np.isinf(shifts.sigma_px) | (shifts.gain < 0.1)).all()
    assert (shifts.agreement < 0.6).all()
    outside = SLANTED.found(SLANTED.picture(9.0))
    assert np.isinf(outside.sigma_px).all()


def test_the_border_of_the_picture_gives_no_displacement():
    edge = Edge(5.0)
    edge.pixel = edge.pixel - [50.0, 0.0]
    shifts = edge.found(edge.picture())
    assert np.isinf(shifts.sigma_px).all()


def test_no_places_no_shifts():
    nothing = shifts_against(
        np.zeros((0, SAMPLES)),
        np.zeros((0, SAMPLES), bool),
        np.zeros((0, SAMPLES + LAGS - 1)),
        np.zeros((0, 5), np.int64),
        1.0,
    )
    assert nothing.score.shape == (0, LAGS)
    assert len(nothing.value_px) == 0


def test_masked_samples_do_not_count():
    # A second edge 3 px below the first stays while the first moves by 1 px.
    edge = Edge(0.0)
    x = np.mgrid[: SHAPE[0], : SHAPE[1]][1]

    def two(shift):
        d = x - edge.middle[0]
        upper = 30 * erf((d - shift) / np.sqrt(2))
        return (128 + upper + 60 * erf((d + 3.5) / np.sqrt(2))).astype(np.float32)

    template = read_profiles(two(0.0), edge.pixel, edge.normals, HALF_PX)
    profiles = read_profiles(two(1.0), edge.pixel, edge.normals, HALF_PX + REACH_PX)
    n = len(edge.pixel)
    mask = extent_mask(np.full(n, 1.0), np.full(n, HALF_PX))
    masked = shifts_against(template, mask, profiles, edge.alone, 0.5).value_px
    whole = shifts_against(template, edge.everything, profiles, edge.alone, 0.5).value_px
    assert abs(masked.mean() - 1.0) < 0.15
    assert abs(whole.mean()) < 0.3


def test_extent_is_counted_in_samples():
    mask = extent_mask(np.array([0.0, 2.0, 9.0]), np.array([1.0, 0.0, 9.0]))
    # From 0 to +1 px: 3 samples half a pixel apart; from -2 to 0: 5; all.
    assert mask.sum(axis=1).tolist() == [3, 5, SAMPLES]
    assert mask[0, (SAMPLES - 1) // 2 : (SAMPLES - 1) // 2 + 3].all()


def test_agreement_is_one_for_the_same_and_low_for_another():
    template = SLANTED.template()
    rng = np.random.default_rng(4)
    other = rng.normal(128, 20, template.shape)
    agreement = agreement_of(
        template, SLANTED.everything, np.stack([template, 0.8 * template + 30, other])
    )
    assert agreement.shape == (3, len(template))
    assert (agreement[:2] > 0.97).all()
    assert np.abs(agreement[2]).mean() < 0.35


class TestMemory:
    rows = np.arange(3)
    extent = np.ones((3, SAMPLES), bool)
    yes, no = np.ones(3, bool), np.zeros(3, bool)

    def remembered(self, frames=5, scale=2.0):
        rng = np.random.default_rng(5)
        memory = Memory()
        rows = memory.rows(np.array([70, 5, 12]))
        true = Edge(5.0).template()[:3]
        for i in range(frames):
            noisy = true + rng.normal(scale=scale, size=true.shape)
            memory.learn(rows, noisy, self.extent, self.yes if i else self.no, self.no)
        return memory, rows, true

    def test_a_key_keeps_its_row_however_many_come(self):
        memory = Memory()
        first = memory.rows(np.array([9, 4, 9]))
        assert first[0] == first[2] != first[1]
        many = memory.rows(np.arange(1000))
        assert len(set(many.tolist())) == 1000
        assert memory.rows(np.array([9, 4, 9])).tolist() == first.tolist()
        assert len(memory.count) >= 1000

    def test_what_is_learnt_is_the_mean(self):
        memory, rows, true = self.remembered(25)
        # The mean of 25 has a fifth of the noise.
        off = memory.template[rows] - true
        off -= off.mean(axis=1, keepdims=True)  # brightness as such is not learnt
        assert np.sqrt(np.mean(off**2)) < 1.5 * 2.0 / 5
        assert (memory.count[rows] == 25).all()
        assert memory.mask(rows, self.extent).all()

    def test_other_light_does_not_change_it(self):
        memory, rows, true = self.remembered(10, 0.01)
        for _ in range(5):
            memory.learn(rows, 0.8 * true + 40, self.extent, self.yes, self.no)
        assert np.abs(memory.template[rows] - true).max() < 1.0

    def test_a_hidden_place_is_not_forgotten_but_a_changed_one_is_learnt_anew(self):
        memory, rows, true = self.remembered()
        other = 300 - true
        for _ in range(Memory.PATIENCE):
            memory.learn(rows, other, self.extent, self.no, self.no)
        assert np.abs(memory.template[rows] - true).max() < 8
        memory.learn(rows, other, self.extent, self.no, self.no)
        np.testing.assert_allclose(memory.template[rows], other)
        assert (memory.count[rows] == 1).all()

    def test_what_lies_outside_the_picture_teaches_nothing(self):
        memory, rows, _ = self.remembered()
        before = memory.template.copy()
        memory.learn(rows, np.full((3, SAMPLES), np.nan), self.extent, self.yes, self.no)
        np.testing.assert_array_equal(memory.template, before)


@settings(derandomize=True, max_examples=60)
@given(
    arrays(np.uint8, st.tuples(st.integers(1, 24), st.integers(1, 24))),
    st.floats(-10, 30),
    st.floats(-10, 30),
    st.floats(0, 6.3),
)
def test_any_picture_is_read_without_fuss(picture, x, y, angle):
    pixel = np.array([[x, y], [y, x]])
    normal = np.array([[np.cos(angle), np.sin(angle)], [1.0, 0.0]])
    grey = picture.astype(np.float32)
    template = np.nan_to_num(read_profiles(grey, pixel, normal, HALF_PX))
    profiles = read_profiles(grey, pixel, normal, HALF_PX + REACH_PX)
    near = np.array([[0, 1, -1], [1, -1, -1]])
    shifts = shifts_against(template, np.ones((2, SAMPLES), bool), profiles, near, 1.0)
    assert np.isfinite(shifts.value_px).all()
    assert (shifts.sigma_px > 0).all()
    assert (np.abs(shifts.value_px) <= REACH_PX).all()
