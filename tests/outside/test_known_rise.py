"""Edges that rise by a known amount, from the picture to millimetres.

The camera is hand geometry: it stands at height 0, looks along +y at an edge 250 mm away, and has a
focal length of 1000 px, so that a millimetre is 4 px and a rise of h mm is 4 h px, up. The edge is
drawn by its area in each pixel (antialiased by formula), blurred by a Gaussian and given noise.

A corner that comes off the bed follows the curve of constant curvature, h (1 - d / R)^2: Timoshenko
1925, "Analysis of bi-metal thermostats"; sagitta h = L^2 / (8 R).
"""

import numpy as np
import pytest
from scipy.special import erf

from watcher.measure.edges import HALF_PX, REACH_PX, SAMPLES, read_profiles, shifts_against
from watcher.measure.field import Field
from watcher.measure.lift import LIFTS_FROM, REACHES_MM, fit_lifts, lift_columns, reach_costs

PX_PER_MM = 4.0
SHAPE = (90, 420)
DARK, LIGHT, BLUR, NOISE = 70.0, 150.0, 0.9, 2.5
HEIGHT_MM = 10.0
"""Of the edge above the bed, which stands in row 85."""
X_MM = np.arange(-45.0, 45.1, 1.2)
CORNER = (45.0, 250.0, 0.0)
REACH_MM = 29.0
SHAKEN_PX = 0.05
"""Standard deviation of the camera's own motion."""


def pixels(x_mm, z_mm):
    """Pinhole by hand: 4 px a mm, x to the right, z up."""
    return np.column_stack([210 + PX_PER_MM * x_mm, 85 - PX_PER_MM * (HEIGHT_MM + z_mm)])


def picture(rise_mm, rng=None):
    """Part below, dark background above, the border displaced by ``rise_mm(x)``."""
    columns = (np.arange(SHAPE[1]) - 210) / PX_PER_MM
    border = pixels(columns, rise_mm(columns))[:, 1]
    slope = np.gradient(border)
    # Distance across the sloping border, then a step through a Gaussian blur.
    d = (np.arange(SHAPE[0])[:, None] - border[None]) / np.hypot(1, slope)[None]
    clean = DARK + (LIGHT - DARK) / 2 * (1 + erf(d / (np.sqrt(2) * BLUR)))
    if rng is not None:
        clean = clean + rng.normal(scale=NOISE, size=SHAPE)
    return np.clip(np.round(clean), 0, 255).astype(np.float32)


def flat(x_mm):
    return np.zeros_like(x_mm)


def parabola(tip_mm, reach_mm=REACH_MM):
    return lambda x: tip_mm * np.clip(1 - (CORNER[0] - x) / reach_mm, 0, None) ** 2


def read(rise_mm, rng=None):
    """Displacements of the places along the edge against the flat edge's own picture."""
    place = pixels(X_MM, flat(X_MM))
    up = np.tile([0.0, -1.0], (len(place), 1))
    template = read_profiles(picture(flat), place, up, HALF_PX)
    profiles = read_profiles(picture(rise_mm, rng), place, up, HALF_PX + REACH_PX)
    mask = np.ones((len(place), SAMPLES), bool)
    alone = np.arange(len(place))[:, None]
    return place, up, shifts_against(template, mask, profiles, alone, NOISE / 2)


def field_of(rise_mm, rng=None):
    place, up, shifts = read(rise_mm, rng)
    n = len(place)
    return Field(
        point_mm=np.column_stack([X_MM, np.full(n, 250.0), np.full(n, HEIGHT_MM)]),
        pixel=place,
        normal=up,
        per_mm=np.tile([0.0, 0.0, PX_PER_MM], (n, 1)),
        growing=np.zeros(n, bool),
        foot=np.zeros(n, bool),
        shift_px=np.where(np.isfinite(shifts.sigma_px), shifts.value_px, 0.0),
        sigma_px=shifts.sigma_px,
    )


def lift(rise_mm, rng=None):
    """Lift at the corner's tip, mm, and its sigma."""
    field = field_of(rise_mm, rng)
    columns = lift_columns(field, [CORNER], np.array([REACH_MM]))
    fitted = fit_lifts(field, columns, SHAKEN_PX, (0.0, 0.05), 0.1)
    return fitted.value[LIFTS_FROM], fitted.sigma()[LIFTS_FROM]


@pytest.mark.parametrize("degrees", [-2.0, -0.5, 0.5, 1.0, 2.5])
def test_a_tilted_edge_rises_by_its_length_times_the_tangent(degrees):
    tangent = np.tan(np.radians(degrees))
    rng = np.random.default_rng(1)
    # About the middle, where it stays: 4 px a mm, so the rise in px is the tangent times px.
    _, _, shifts = read(lambda x: x * tangent, rng)
    on_paper = PX_PER_MM * X_MM * tangent
    use = np.isfinite(shifts.sigma_px) & (np.abs(on_paper) < REACH_PX - 1.5)
    error = shifts.value_px[use] - on_paper[use]
    assert use.sum() > 25
    assert np.sqrt(np.mean(error**2)) < 0.1
    measured = np.polyfit(X_MM[use], shifts.value_px[use] / PX_PER_MM, 1)[0]
    assert measured == pytest.approx(tangent, abs=0.0006)


@pytest.mark.parametrize("tip_mm", [0.0, 0.1, 0.3, 0.5, 0.8, 1.0])
def test_a_lifted_corner_in_millimetres(tip_mm):
    value, sigma = lift(parabola(tip_mm))
    # No noise: what is left is the way between pixels.
    assert value == pytest.approx(tip_mm, abs=0.02)
    assert sigma < 0.05
    _, _, shifts = read(parabola(tip_mm))
    on_paper = PX_PER_MM * parabola(tip_mm)(X_MM)
    np.testing.assert_allclose(shifts.value_px, on_paper, atol=0.08)


def test_scatter_and_stated_sigma_of_lifts_in_noise():
    rng = np.random.default_rng(2)
    normalised = []
    for tip_mm in np.linspace(0.0, 1.0, 100):
        # The fit is told that the camera may have moved by so much, and it has.
        shaken_mm = rng.normal(scale=SHAKEN_PX) / PX_PER_MM
        lifted = parabola(tip_mm)
        value, sigma = lift(lambda x, a=shaken_mm, b=lifted: a + b(x), rng)
        normalised.append((value - tip_mm) / sigma)
    assert 0.7 < np.std(normalised) < 1.4
    assert abs(np.mean(normalised)) < 0.4


@pytest.mark.parametrize("reach_mm", REACHES_MM[:5])
def test_how_far_in_a_corner_has_lifted_is_told_by_its_edge(reach_mm):
    field = field_of(parabola(1.0, reach_mm), np.random.default_rng(3))
    columns = lift_columns(field, [CORNER], np.array([REACH_MM]))
    costs = reach_costs(field, columns, [CORNER], 0, SHAKEN_PX, (0.0, 0.05), 0.1)
    assert abs(int(np.argmin(costs)) - REACHES_MM.index(reach_mm)) <= 1
