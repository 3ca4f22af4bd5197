"""A curl's profile against circles and strips of two materials, by published formulas.

Timoshenko 1925, "Analysis of bi-metal thermostats", J. Opt. Soc. Am. & R.S.I. 11, 233-255; Wang,
Xi and Jin 2007, "A model research for prototype warp deformation in the FDM process", Int. J. Adv.
Manuf. Technol. 33, 1087-1096, whose radius follows from Timoshenko's with one material. Properties
of ABS: Crawford, Plastics Engineering, table 1.8 (90e-6 per K; glass transition 115 C is that of
the table, the difference of 80 K to a plate at 35 C is an assumption).
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from watcher.measure.curl import Curl, fit_curl, rise_mm

ABS_PER_K, COOLED_K, LAYER_MM = 90e-6, 80.0, 0.2


def circle_mm(from_still_mm, radius_mm):
    """Exact rise of a circle that leaves the bed flat, at arc length from where it does."""
    return radius_mm * (1 - np.cos(from_still_mm / radius_mm))


def timoshenko(strain, a1, a2, e1=1.0, e2=1.0):
    """Curvature of a strip of two layers, 1/mm for mm."""
    m, n, h = a1 / a2, e1 / e2, a1 + a2
    return 6 * strain * (1 + m) ** 2 / (h * (3 * (1 + m) ** 2 + (1 + m * n) * (m**2 + 1 / (m * n))))


def curled(radius_mm, half_mm, flat_mm=30.0, sigma_mm=0.01, rng=None, places=60):
    """Places along an edge that lies still for a stretch and then follows a circle to its tip."""
    away = np.linspace(0, half_mm + flat_mm, places)
    rise = circle_mm(np.clip(half_mm - away, 0, None), radius_mm)
    if rng is not None:
        rise = rise + rng.normal(scale=sigma_mm, size=places)
    return away, rise, np.full(places, sigma_mm)


@pytest.mark.parametrize("length_mm", [30.0, 50.0, 80.0])
@pytest.mark.parametrize("radius_mm", [150.0, 400.0, 2000.0])
def test_sagitta_of_a_shallow_arc(length_mm, radius_mm):
    """h = L^2 / (8 R), exact to (L/R)^2 / 48 of itself."""
    found = fit_curl(*curled(radius_mm, length_mm / 2))
    sagitta = length_mm**2 / (8 * radius_mm)
    assert found.tip_mm == pytest.approx(sagitta, rel=0.01 + (length_mm / radius_mm) ** 2 / 48)
    assert found.curvature_per_mm == pytest.approx(1 / radius_mm, rel=0.05)
    assert found.reach_mm == pytest.approx(length_mm / 2, rel=0.05)


def test_timoshenkos_formula_as_it_is_used_here():
    # Equal thickness and stiffness: curvature is 3/2 strain over the whole thickness.
    assert timoshenko(1e-3, 0.5, 0.5) == pytest.approx(1.5e-3, rel=1e-12)
    # One stiffness: 6 strain a1 a2 / h^3.
    assert timoshenko(2e-3, 0.2, 1.8) == pytest.approx(6 * 2e-3 * 0.2 * 1.8 / 2.0**3, rel=1e-12)
    # Turning the strip over changes nothing.
    assert timoshenko(1e-3, 0.2, 1.0, 2.0, 1.0) == pytest.approx(
        timoshenko(1e-3, 1.0, 0.2, 1.0, 2.0), rel=1e-12
    )


@pytest.mark.parametrize(
    ("length_mm", "layers", "tip_mm"),
    # Worked with Wang's formulas for ABS, 80 K, layers of 0.2 mm: R (1 - cos(L / 2R)).
    [(50, 10, 0.607), (50, 20, 0.160), (100, 10, 2.428), (100, 20, 0.641), (50, 5, 2.155)],
)
def test_one_new_layer_on_a_free_strip(length_mm, layers, tip_mm):
    strain = ABS_PER_K * COOLED_K
    curvature = timoshenko(strain, LAYER_MM, (layers - 1) * LAYER_MM)
    radius = layers**3 * LAYER_MM / (6 * strain * (layers - 1))
    assert 1 / curvature == pytest.approx(radius, rel=1e-9)
    found = fit_curl(*curled(radius, length_mm / 2))
    # A parabola for a circle: within (L/2R)^2 / 12 of the tip.
    assert found.tip_mm == pytest.approx(tip_mm, rel=0.01)
    assert found.curvature_per_mm == pytest.approx(curvature, rel=0.05)


@pytest.fixture(scope="module")
def in_noise():
    rng = np.random.default_rng(3)
    return [fit_curl(*curled(300.0, 22.0, sigma_mm=0.08, rng=rng, places=45)) for _ in range(200)]


@pytest.mark.parametrize(
    ("name", "true"),
    [("tip_mm", 22.0**2 / 600), ("curvature_per_mm", 1 / 300), ("reach_mm", 22.0)],
)
def test_stated_sigmas_agree_with_the_scatter(in_noise, name, true):
    value = np.array([getattr(curl, name) for curl in in_noise])
    kind = {
        "tip_mm": "tip_sigma_mm",
        "curvature_per_mm": "curvature_sigma_per_mm",
        "reach_mm": "reach_sigma_mm",
    }[name]
    sigma = np.array([getattr(curl, kind) for curl in in_noise])
    assert 0.7 < np.std((value - true) / sigma) < 1.4
    assert abs(np.mean(value - true)) < 0.4 * np.mean(sigma)


def test_an_outlier_has_little_say():
    away, rise, sigma = curled(300.0, 22.0, sigma_mm=0.05)
    clean = fit_curl(away, rise, sigma)
    rise[[3, 20, 41]] += [2.0, -1.5, 1.0]
    assert fit_curl(away, rise, sigma).tip_mm == pytest.approx(clean.tip_mm, abs=0.03)


def test_a_flat_edge_has_no_curl_and_says_how_surely():
    rng = np.random.default_rng(4)
    tips = []
    for _ in range(100):
        away = np.linspace(0, 60, 50)
        found = fit_curl(away, rng.normal(scale=0.1, size=50), np.full(50, 0.1))
        tips.append(found.tip_mm / found.tip_sigma_mm)
    # Choosing the reach after looking makes noise look a little larger than it is.
    assert np.std(tips) < 2.0
    assert np.mean(np.abs(tips) > 4) < 0.05


def test_too_little_to_fit():
    three = np.arange(3.0)
    assert fit_curl(three, three, np.ones(3)) is None
    same = np.full(9, 5.0)
    assert fit_curl(same, same, np.ones(9)) is None
    unseen = np.linspace(0, 30, 9)
    assert fit_curl(unseen, unseen, np.full(9, np.inf)) is None


@settings(derandomize=True, max_examples=60)
@given(
    st.lists(
        st.tuples(
            st.floats(0, 200),
            st.floats(-1e3, 1e3) | st.just(float("nan")),
            st.floats(1e-3, 10) | st.just(float("inf")),
        ),
        max_size=30,
    )
)
def test_any_points_give_a_finite_answer_or_none(points):
    away, rise, sigma = np.array(points, float).reshape(-1, 3).T
    found = fit_curl(away, rise, sigma)
    assert found is None or (
        isinstance(found, Curl) and all(np.isfinite(v) for v in vars(found).values())
    )


@settings(derandomize=True, max_examples=30)
@given(st.floats(0.3, 5.0), st.floats(8.0, 60.0), st.floats(0.2, 5.0))
def test_scale_of_the_millimetres_does_not_matter(tip, reach, scale):
    """Rises and sigmas in another unit give the same reach, and the tip in that unit."""
    away = np.linspace(0, 90, 60)
    rise = rise_mm(away, tip, reach)
    one = fit_curl(away, rise, np.full(60, 0.05))
    two = fit_curl(away, scale * rise, np.full(60, scale * 0.05))
    assert two.tip_mm == pytest.approx(scale * one.tip_mm, rel=1e-3)
    assert two.reach_mm == pytest.approx(one.reach_mm, rel=1e-3)
