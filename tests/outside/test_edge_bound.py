"""The place of an edge in noise: nobody can know it better than the Cramer-Rao bound allows.

An edge of step A, blurred by a Gaussian of standard deviation s px, sampled by N rows of pixels in
white noise of standard deviation n, is known at best to

    sigma >= (n / A) sqrt(2 sqrt(pi) s) / sqrt(N)

since the Fisher information of its place is the sum of the squared slope over the squared noise,
and the slope's square integrates to A^2 / (2 sqrt(pi) s) a row. Gatherer 1993, "A lower bound on
edge location", Stanford CSL-TR-93-560, has the bound for sampled edges.
"""

import numpy as np
import pytest
from scipy.special import erf

from watcher.measure.edges import HALF_PX, REACH_PX, SAMPLES, read_profiles, shifts_against

STEP, NOISE, BLUR = 60.0, 3.0, 1.0
PICTURES = 200
SHAPE = (60, 60)
ROWS = 4
"""Three readings a pixel apart, each between two rows of pixels, use four rows at most."""
MIDDLE = np.array([29.3, 29.0])


def edge(shift_px=0.0):
    """A slanted, antialiased edge, brighter towards its normal, its place known by formula."""
    angle = np.radians(4.0)
    normal = np.array([np.cos(angle), np.sin(angle)])
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    d = (np.stack([x, y], axis=2) - MIDDLE) @ normal - shift_px
    return 128 + STEP / 2 * erf(d / (np.sqrt(2) * BLUR)), normal


def bound_px(rows):
    return NOISE / STEP * np.sqrt(2 * np.sqrt(np.pi) * BLUR) / np.sqrt(rows)


def test_the_bound_itself_is_the_published_figure():
    # Step 60, noise 3, blur 1: 0.094 px in one row, 0.030 in ten, 0.013 in fifty.
    assert bound_px(1) == pytest.approx(0.0941, abs=5e-5)
    assert bound_px(10) == pytest.approx(0.030, abs=5e-4)
    assert bound_px(50) == pytest.approx(0.013, abs=5e-4)
    # The same from the information, summed over one row of pixels instead of integrated.
    d = np.arange(-8, 9) + 0.2
    slope = STEP / np.sqrt(2 * np.pi) / BLUR * np.exp(-(d**2) / 2 / BLUR**2)
    assert NOISE / np.sqrt(np.sum(slope**2)) == pytest.approx(bound_px(1), rel=1e-3)


@pytest.fixture(scope="module")
def found():
    """Error and stated sigma of one place in 200 noisy pictures, its displacement all over."""
    rng = np.random.default_rng(7)
    clean, normal = edge()
    template = read_profiles(clean.astype(np.float32), MIDDLE[None], normal[None], HALF_PX)
    mask, alone = np.ones((1, SAMPLES), bool), np.zeros((1, 1), np.int64)
    error, sigma = np.zeros(PICTURES), np.zeros(PICTURES)
    for i, shift in enumerate(np.linspace(-1.0, 1.0, PICTURES)):
        picture = np.clip(np.round(edge(shift)[0] + rng.normal(scale=NOISE, size=SHAPE)), 0, 255)
        profiles = read_profiles(
            picture.astype(np.float32), MIDDLE[None], normal[None], HALF_PX + REACH_PX
        )
        # Noise of one sample: three rows averaged, each between pixels.
        shifts = shifts_against(template, mask, profiles, alone, NOISE / 2)
        error[i] = shifts.value_px[0] - shift
        sigma[i] = shifts.sigma_px[0]
    return error, sigma


def test_no_place_is_known_better_than_the_bound(found):
    error, _ = found
    # The standard deviation of 200 samples is itself known to 1 / sqrt(400).
    assert error.std() > (1 - 3 / np.sqrt(2 * PICTURES)) * bound_px(ROWS)
    # And the reading is not wasteful: within twice the bound, without bias.
    assert error.std() < 2 * bound_px(ROWS - 1)
    assert abs(error.mean()) < 3 * error.std() / np.sqrt(PICTURES) + 0.01


def test_the_stated_sigma_is_no_better_than_the_bound(found):
    _, sigma = found
    assert np.isfinite(sigma).all()
    assert np.median(sigma) > bound_px(ROWS)


def test_normalised_errors_of_one_edge(found):
    error, sigma = found
    spread = float(np.std(error / sigma))
    assert 0.7 < spread < 1.4
