"""What must hold of every measurement whatever the picture.

The light may change, the camera may be turned a little or stand nearer, and the lift in millimetres
stays what it is. And no picture of any size may make a measurement fail: it says that nothing was
found instead.
"""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from watcher.measure.displacement import (
    Drift,
    Motion,
    agreement_at,
    common_motion,
    lost_part,
    rigid_columns,
)
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
from watcher.measure.field import Field, fit, neighbours, scatter_along, vote, votes_at
from watcher.measure.growth import growth_over_clock
from watcher.measure.lift import (
    LIFTS_FROM,
    REACHES_MM,
    distance_mm,
    fit_lifts,
    lift_columns,
    lift_profile,
    reach_costs,
    side_disagreement,
)
from watcher.measure.picture import blinded, noise_of, sharpness_of

SEEDS = st.integers(0, 2**32 - 1)
GAINS = st.floats(0.5, 2.0)
PICTURES = arrays(np.uint8, st.tuples(st.integers(1, 48), st.integers(1, 48)))
FEW = settings(derandomize=True, max_examples=40, deadline=None)


def boxes(rng, shape=(120, 160)):
    """A picture of blurred boxes: edges in every direction, float, far from black and white."""
    picture = np.full(shape, 120.0, np.float32)
    for _ in range(14):
        x, y = rng.integers(0, [shape[1] - 20, shape[0] - 20])
        w, h = rng.integers(12, 50, 2)
        picture[y : y + h, x : x + w] = rng.uniform(70, 170)
    return cv2.GaussianBlur(picture, (0, 0), 1.0)


def places(rng, count=30, low=30.0, high=(130.0, 90.0)):
    """Places well inside and unit normals."""
    pixel = rng.uniform([low, low], high, (count, 2))
    angle = rng.uniform(0, 2 * np.pi, count)
    return pixel, np.column_stack([np.cos(angle), np.sin(angle)])


def alone(count):
    return np.arange(count)[:, None]


# -- edges --------------------------------------------------------------------------------------


@FEW
@given(SEEDS, GAINS, st.floats(-40, 40))
def test_profiles_take_on_the_lights_gain_and_offset(seed, gain, offset):
    rng = np.random.default_rng(seed)
    picture = boxes(rng)
    pixel, normal = places(rng)
    plain = read_profiles(picture, pixel, normal, HALF_PX)
    other = read_profiles(gain * picture + np.float32(offset), pixel, normal, HALF_PX)
    np.testing.assert_allclose(other, gain * plain + offset, atol=1e-2)


@FEW
@given(SEEDS, st.integers(-8, 8), st.integers(-8, 8))
def test_profiles_go_along_with_the_picture(seed, dx, dy):
    rng = np.random.default_rng(seed)
    picture = boxes(rng)
    pixel, normal = places(rng)
    moved = np.roll(picture, (dy, dx), axis=(0, 1))
    np.testing.assert_allclose(
        read_profiles(moved, pixel + np.array([dx, dy]), normal, HALF_PX),
        read_profiles(picture, pixel, normal, HALF_PX),
        atol=1e-2,
    )


@FEW
@given(SEEDS, GAINS, st.floats(-40, 40))
def test_displacements_do_not_depend_on_the_light(seed, gain, offset):
    """Neither where both pictures are brighter nor where only the new one is."""
    rng = np.random.default_rng(seed)
    picture = boxes(rng)
    moved = cv2.warpAffine(picture, np.array([[1, 0, 0.7], [0, 1, -0.4]]), picture.shape[::-1])
    pixel, normal = places(rng)
    n = len(pixel)
    mask = np.ones((n, SAMPLES), bool)
    template = read_profiles(picture, pixel, normal, HALF_PX)
    profiles = read_profiles(moved, pixel, normal, HALF_PX + REACH_PX)
    plain = shifts_against(template, mask, profiles, alone(n), 1.0)
    both = shifts_against(
        gain * template + offset, mask, gain * profiles + offset, alone(n), gain * 1.0
    )
    # Where there is some contrast: on a blank stretch only noise would be compared.
    there = plain.contrast > 3.0
    np.testing.assert_allclose(both.value_px[there], plain.value_px[there], atol=1e-3)
    np.testing.assert_allclose(both.agreement, plain.agreement, atol=1e-4)
    found = there & np.isfinite(plain.sigma_px)
    np.testing.assert_allclose(both.sigma_px[found], plain.sigma_px[found], rtol=1e-2)


@FEW
@given(SEEDS, st.integers(-8, 8), st.integers(-8, 8))
def test_displacements_go_along_with_the_picture(seed, dx, dy):
    rng = np.random.default_rng(seed)
    picture = boxes(rng)
    pixel, normal = places(rng)
    n = len(pixel)
    mask = np.ones((n, SAMPLES), bool)
    template = read_profiles(picture, pixel, normal, HALF_PX)
    later = boxes(np.random.default_rng(seed + 1))
    found = [
        shifts_against(
            template,
            mask,
            read_profiles(some, at, normal, HALF_PX + REACH_PX),
            alone(n),
            1.0,
        )
        for some, at in (
            (later, pixel),
            (np.roll(later, (dy, dx), axis=(0, 1)), pixel + np.array([dx, dy])),
        )
    ]
    inside = np.isfinite(found[0].value_px) & (found[0].contrast > 3.0)
    np.testing.assert_allclose(found[1].value_px[inside], found[0].value_px[inside], atol=1e-2)


@FEW
@given(PICTURES, PICTURES, SEEDS, st.floats(0.0, 20.0))
def test_edges_of_any_picture(before, now, seed, noise):
    """Any two pictures, places anywhere, half of them outside."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(0, 12))
    pixel = rng.uniform(-20, 70, (n, 2))
    angle = rng.uniform(0, 2 * np.pi, n)
    normal = np.column_stack([np.cos(angle), np.sin(angle)])
    template = read_profiles(before.astype(np.float32), pixel, normal, HALF_PX)
    profiles = read_profiles(now.astype(np.float32), pixel, normal, HALF_PX + REACH_PX)
    assert template.shape == (n, SAMPLES)
    extent = extent_mask(rng.uniform(-1, 9, n), rng.uniform(-1, 9, n))
    memory = Memory()
    rows = memory.rows(rng.integers(0, 5, n))
    like = rng.random(n) < 0.5
    for _ in range(3):
        memory.learn(rows, template, extent, like, ~like)
    kind = np.zeros(n, np.int64)
    near = neighbours(pixel, kind, normal)
    shifts = shifts_against(memory.template[rows], memory.mask(rows, extent), profiles, near, noise)
    assert shifts.score.shape == (n, LAGS)
    assert np.isfinite(shifts.value_px).all()
    assert (shifts.sigma_px > 0).all()
    assert (np.abs(shifts.value_px) <= REACH_PX + STEP_PX).all()
    same = agreement_of(memory.template[rows], memory.mask(rows, extent), template[None])
    assert same.shape == (1, n)
    assert (np.abs(same) <= 1 + 1e-9).all()


# -- the picture itself -------------------------------------------------------------------------


@settings(derandomize=True, max_examples=100, deadline=None)
@given(PICTURES)
def test_quality_of_any_picture(picture):
    grey = picture.astype(np.float32)
    noise = noise_of(grey)
    assert 0 <= noise < 1000
    assert 0 <= sharpness_of(grey, noise) < 1000
    assert blinded(grey) in {
        "",
        "the picture is black",
        "the picture is white",
        "the picture is blank",
        "the picture is too small",
    }


@FEW
@given(SEEDS, GAINS, st.floats(-30, 30), st.floats(0.6, 6.0))
def test_noise_scales_with_the_light_and_sharpness_does_not(seed, gain, offset, scale):
    rng = np.random.default_rng(seed)
    picture = boxes(rng) + rng.normal(scale=scale, size=(120, 160)).astype(np.float32)
    brighter = gain * picture + np.float32(offset)
    noise, more = noise_of(picture), noise_of(brighter)
    assert more == pytest.approx(gain * noise, rel=1e-3)
    if min(noise, more) > 0.5:
        assert sharpness_of(brighter, more) == pytest.approx(sharpness_of(picture, noise), rel=1e-3)


# -- fields and fits ----------------------------------------------------------------------------


CORNERS = [(0.0, 0.0, 0.0), (60.0, 0.0, 0.0), (60.0, 40.0, 0.0), (0.0, 40.0, 0.0)]


def field(rng, lift_mm=0.0, noise_px=0.03):
    """The rim of a box, 60 by 40 mm, 8 mm high, seen at 4 px a mm; one corner lifted."""
    along = np.linspace(0, 1, 40)[:, None]
    ring = np.array([c[:2] for c in CORNERS])
    xy = np.concatenate(
        [a + along * (b - a) for a, b in zip(ring, np.roll(ring, -1, 0), strict=True)]
    )
    n = len(xy)
    point = np.column_stack([xy, np.full(n, 8.0)])
    per_mm = np.tile([0.3, 1.5, 3.6], (n, 1)) * rng.uniform(0.97, 1.03, (n, 1))
    share = lift_profile(distance_mm(point, CORNERS[1]), 29.0)
    shift = lift_mm * share * per_mm[:, 2] + rng.normal(scale=noise_px, size=n)
    return Field(
        point_mm=point,
        pixel=4.0 * xy * [1.0, -0.6] + [200, 300],
        normal=np.tile([0.0, -1.0], (n, 1)),
        per_mm=per_mm,
        growing=rng.random(n) < 0.5,
        foot=np.zeros(n, bool),
        shift_px=shift,
        sigma_px=np.full(n, max(noise_px, 0.01)),
    )


def lifts_of(some, scale=1.0, **change):
    some = replace(some, **change)
    columns = lift_columns(some, CORNERS, np.full(4, 29.0))
    fitted = fit_lifts(some, columns, 0.1 * scale, (0.0, 0.05), 0.2 * scale)
    return fitted.value[LIFTS_FROM : LIFTS_FROM + 4], fitted.sigma()[LIFTS_FROM : LIFTS_FROM + 4]


@FEW
@given(SEEDS, st.floats(0.0, 4.0), st.floats(0.6, 4.0))
def test_lifts_in_mm_do_not_depend_on_the_pictures_scale(seed, lift_mm, scale):
    """A camera of another resolution: everything in px is so many times larger."""
    some = field(np.random.default_rng(seed), lift_mm)
    value, sigma = lifts_of(some)
    other, sigma_2 = lifts_of(
        some,
        scale,
        pixel=scale * some.pixel,
        per_mm=scale * some.per_mm,
        shift_px=scale * some.shift_px,
        sigma_px=scale * some.sigma_px,
    )
    np.testing.assert_allclose(other, value, atol=1e-6)
    np.testing.assert_allclose(sigma_2, sigma, rtol=1e-6)


@FEW
@given(SEEDS, st.floats(0.0, 4.0), st.floats(-900, 900), st.floats(-900, 900))
def test_lifts_do_not_depend_on_where_the_part_stands_in_the_picture(seed, lift_mm, dx, dy):
    some = field(np.random.default_rng(seed), lift_mm)
    value, sigma = lifts_of(some)
    other, sigma_2 = lifts_of(some, pixel=some.pixel + np.array([dx, dy]))
    np.testing.assert_allclose(other, value, atol=1e-6)
    np.testing.assert_allclose(sigma_2, sigma, rtol=1e-6)


@FEW
@given(SEEDS, st.floats(-50, 150), st.floats(-50, 150))
def test_lifts_do_not_depend_on_where_the_part_stands_on_the_bed(seed, dx, dy):
    some = field(np.random.default_rng(seed), 1.0)
    there = [(x + dx, y + dy, z) for x, y, z in CORNERS]
    one = lift_columns(some, CORNERS, np.full(4, 29.0))
    two = lift_columns(
        replace(some, point_mm=some.point_mm + np.array([dx, dy, 0])), there, np.full(4, 29.0)
    )
    np.testing.assert_allclose(one, two, atol=1e-9)


@FEW
@given(SEEDS, st.floats(0.0, 3.0), st.floats(-2, 2), st.floats(-2, 2))
def test_a_camera_that_moved_takes_no_lift_along(seed, lift_mm, dx, dy):
    """Every edge displaced alike is the camera's doing, within what it may have moved."""
    some = field(np.random.default_rng(seed), lift_mm)
    columns = lift_columns(some, CORNERS, np.full(4, 29.0))
    moved = replace(some, shift_px=some.shift_px + some.normal @ [dx, dy])
    one, two = (fit_lifts(f, columns, 3.0, (0.0, 0.05), 0.2) for f in (some, moved))
    part = slice(LIFTS_FROM, LIFTS_FROM + 4)
    np.testing.assert_allclose(two.value[part], one.value[part], atol=0.05)


@FEW
@given(
    SEEDS,
    st.integers(0, 12),
    arrays(np.float64, 12, elements=st.floats(-1e3, 1e3)),
    arrays(np.float64, 12, elements=st.floats(1e-2, 1e3) | st.just(np.inf)),
)
def test_fits_of_any_displacements(seed, count, shift, sigma):
    rng = np.random.default_rng(seed)
    whole = field(rng)
    pick = rng.permutation(len(whole.pixel))[:count]
    some = replace(
        whole,
        point_mm=whole.point_mm[pick],
        pixel=whole.pixel[pick],
        normal=whole.normal[pick],
        per_mm=whole.per_mm[pick],
        growing=whole.growing[pick],
        foot=rng.random(count) < 0.3,
        shift_px=shift[:count],
        sigma_px=sigma[:count],
        edge=rng.integers(-1, 3, count),
    )
    columns = lift_columns(some, CORNERS, np.full(4, 29.0))
    fitted = fit_lifts(some, columns, 0.1, (0.0, 0.05), 0.2)
    assert np.isfinite(fitted.value).all()
    assert (fitted.sigma() > 0).all()
    assert side_disagreement(some, columns, fitted, 1) >= 0
    costs = reach_costs(some, columns, CORNERS, 1, 0.1, (0.0, 0.05), 0.2)
    assert costs.shape == (len(REACHES_MM),)
    assert costs.min() == 0


@FEW
@given(arrays(np.float64, (7, 3), elements=st.floats(-50, 50)), SEEDS)
def test_an_exact_fit_is_found(design, seed):
    rng = np.random.default_rng(seed)
    true = rng.normal(size=3)
    found = fit(design, design @ true, np.full(7, 0.01), np.full(3, 1e3))
    np.testing.assert_allclose(design @ found.value, design @ true, atol=0.02)


# -- motions and growth -------------------------------------------------------------------------


def scores(rng, n=60):
    """Correlations with one peak each, and some that agree with nothing."""
    lag = (np.arange(LAGS) - (LAGS - 1) / 2) * STEP_PX
    peak = rng.uniform(-3, 3, (n, 1))
    return np.clip(np.exp(-((lag - peak) ** 2) / 2) + rng.normal(scale=0.05, size=(n, LAGS)), -1, 1)


@FEW
@given(SEEDS, st.floats(1.1, 3.0), st.floats(0.2, 5.0))
def test_growth_and_motions_do_not_depend_on_scale_or_contrast(seed, scale, gain):
    rng = np.random.default_rng(seed)
    table = scores(rng)
    n = len(table)
    per_mm, weight = rng.uniform(1.0, 4.0, n), rng.uniform(2, 40, n)
    one = growth_over_clock(table, STEP_PX, np.zeros(n), per_mm, weight, 0.0)
    two = growth_over_clock(table, scale * STEP_PX, np.zeros(n), scale * per_mm, gain * weight, 0.0)
    assert two.height_mm == pytest.approx(one.height_mm, abs=1e-6)
    assert two.agreement == pytest.approx(one.agreement, abs=1e-6)
    columns = rigid_columns(
        np.column_stack([rng.uniform(0, 60, (n, 2)), np.full(n, 5.0)]),
        rng.uniform(-4, 4, (n, 3)),
        np.array([30.0, 30.0]),
    )
    near = common_motion(table, STEP_PX, columns, np.zeros(3), weight, turns=False)
    far = common_motion(
        table, scale * STEP_PX, scale * columns, np.zeros(3), gain * weight, turns=False
    )
    np.testing.assert_allclose(far.shift_mm, near.shift_mm, atol=1e-6)
    assert far.agreement == pytest.approx(near.agreement, abs=1e-6)


@FEW
@given(
    SEEDS,
    st.integers(0, 40),
    arrays(np.float64, (40, LAGS), elements=st.floats(-1, 1)),
    st.booleans(),
)
def test_growth_and_motions_of_any_correlations(seed, count, table, turns):
    rng = np.random.default_rng(seed)
    per_mm = rng.uniform(-4, 4, (count, 3))
    weight = np.where(rng.random(count) < 0.3, 0.0, rng.uniform(0, 60, count))
    columns = rigid_columns(rng.uniform(-50, 50, (count, 3)), per_mm, np.zeros(2))
    grown = growth_over_clock(
        table[:count], STEP_PX, rng.uniform(-3, 3, count), per_mm[:, 2], weight, 0.0
    )
    assert grown is None or (np.isfinite(grown.height_mm) and grown.sigma_mm > 0)
    motion = common_motion(table[:count], STEP_PX, columns, np.zeros(3), weight, turns=turns)
    assert motion is None or (np.isfinite(motion.shift_mm).all() and motion.sigma_mm > 0)
    share = agreement_at(table[:count], STEP_PX, columns, rng.uniform(-2, 2, 3))
    assert 0 <= share <= 1


@FEW
@given(arrays(np.float64, 30, elements=st.floats(0, 1)), SEEDS)
def test_a_lost_part_is_only_told_where_it_stands_out(agreement, seed):
    trials = np.random.default_rng(seed).normal(size=(30, 3))
    found = lost_part(agreement, trials)
    if found is not None:
        assert found[1] == agreement.max()
        assert found[2] > 0
    # What is expected and agrees best is not lost.
    agreement[0] = 1.0
    assert lost_part(agreement, trials) is None


@FEW
@given(
    arrays(np.float64, (9, 15), elements=st.floats(-1, 1)),
    arrays(np.float64, (9, 4), elements=st.floats(-20, 20)),
)
def test_votes_are_shares(score, shift):
    votes = votes_at(score, STEP_PX, shift)
    assert votes.shape == shift.shape
    assert ((votes >= 0) & (votes <= 1)).all()
    ordered = np.sort(score.ravel())
    assert (np.diff(vote(ordered)) >= 0).all()


@FEW
@given(SEEDS, st.integers(0, 30), st.floats(0.3, 4.0), st.floats(-500, 500))
def test_neighbours_go_along_with_shift_and_scale(seed, count, scale, shift):
    rng = np.random.default_rng(seed)
    pixel = rng.uniform(0, 60, (count, 2))
    group, angle = rng.integers(0, 2, count), rng.uniform(0, 0.2, count)
    along = np.column_stack([np.cos(angle), np.sin(angle)])
    near = neighbours(pixel, group, along)
    assert near.shape == (count, 5)
    assert (near[:, 0] == np.arange(count)).all(), "each is its own nearest"
    moved = neighbours(scale * pixel + shift, group, along, reach_px=6.0 * scale)
    np.testing.assert_array_equal(moved, near)


@FEW
@given(SEEDS, st.integers(0, 30), st.floats(-5, 5), st.floats(0.3, 4.0))
def test_scatter_along_an_edge_is_about_a_line_and_goes_with_its_scale(seed, count, tilt, scale):
    rng = np.random.default_rng(seed)
    x = np.sort(rng.uniform(0, 60, count))
    pixel = np.column_stack([x, np.zeros(count)])
    along, group = np.tile([1.0, 0.0], (count, 1)), np.zeros(count, np.int64)
    found = rng.random(count) < 0.8
    value = rng.normal(scale=0.3, size=count)
    plain = scatter_along(pixel, group, along, value, found)
    assert plain.shape == (count,)
    assert (np.isnan(plain) | (plain >= 0)).all()
    # An edge that is tilted scatters no more for it.
    tilted = scatter_along(pixel, group, along, value + tilt + 0.1 * tilt * x, found)
    np.testing.assert_allclose(tilted, plain, atol=0.02)
    larger = scatter_along(pixel, group, along, scale * value, found)
    np.testing.assert_allclose(larger, scale * plain, rtol=1e-3, atol=1e-6)


@FEW
@given(
    st.lists(
        st.tuples(
            st.floats(-30, 30),
            st.floats(-30, 30),
            st.floats(-20, 20),
            st.floats(0, 1),
            st.booleans(),
        ),
        max_size=12,
    )
)
def test_a_part_is_followed_through_any_motions(motions):
    drift = Drift()
    for x, y, turn, margin, loose in motions:
        drift.update(Motion(np.array([x, y]), turn, 0.2, max(margin, 0.2), margin), loose)
        assert np.isfinite(drift.level).all()
        assert 0 < drift.sigma_mm < 100
    if len(motions) < 2:
        assert not drift.clear(0.5), "one picture proves nothing"
