"""Warp against the model's limits and figures worked out from the same formula elsewhere."""

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.before import Footprint, curl_mm, footprint, material
from watcher.before.warp import index_mm, sharp_corners, standing, to_try
from watcher.records import Layer, Toolpath
from watcher.toolpath import read_toolpath

LONG = Footprint(span_mm=120, sharp_corners=4, layers=60, layer_mm=0.2, brim_mm=0)


@pytest.mark.parametrize(
    ("span", "layers", "alpha", "cooling", "curl"),
    [
        # R = n³ Δh / (6 α ΔT (n - 1)); Δh = 0.2 mm. First row: R = 125 * 0.2 / (6 * 0.0072 * 4)
        # = 144.68 mm; 144.68 * (1 - cos(50 / 289.35)) = 2.155 mm.
        (50, 5, 90e-6, 80, 2.155),
        (50, 10, 90e-6, 80, 0.607),
        (50, 20, 90e-6, 80, 0.160),
        (100, 5, 90e-6, 80, 8.554),
        (100, 10, 90e-6, 80, 2.428),
        (100, 20, 90e-6, 80, 0.641),
        (100, 10, 90e-6, 15, 0.456),
        (100, 10, 95e-6, 25, 0.802),
        (100, 10, 22e-6, 25, 0.186),
    ],
)
def test_figures_of_the_formula(span, layers, alpha, cooling, curl):
    assert curl_mm(span, layers, 0.2, alpha, cooling) == pytest.approx(curl, abs=6e-4)


def test_formula_is_timoshenkos_strip_of_equal_stiffness():
    """Timoshenko 1925: curvature = 6 Δε (1 + m)² / (h (3 (1 + m)² + (1 + m n)(m² + 1/(m n)))) with
    m the ratio of thicknesses and n = 1; the radius of the model must be its inverse."""
    layer, n, strain = 0.25, 8, 90e-6 * 60
    thin, thick = layer, (n - 1) * layer
    m, h = thin / thick, n * layer
    curvature = 6 * strain * (1 + m) ** 2 / (h * (3 * (1 + m) ** 2 + (1 + m) * (m**2 + 1 / m)))
    span = 40.0
    expected = (1 - math.cos(span * curvature / 2)) / curvature
    assert curl_mm(span, n, layer, 90e-6, 60) == pytest.approx(expected, rel=1e-9)


@given(span=st.floats(0, 500), layers=st.integers(1, 300), layer=st.floats(0.05, 0.6))
def test_flat_without_shrinkage_or_cooling(span, layers, layer):
    assert curl_mm(span, layers, layer, 0.0, 80) == 0
    assert curl_mm(span, layers, layer, 90e-6, 0.0) == 0
    assert curl_mm(span, layers, layer, 90e-6, -30) == 0


@given(
    span=st.floats(1, 300),
    more=st.floats(0.1, 100),
    layers=st.integers(2, 100),
    cooling=st.floats(1, 120),
)
def test_monotone_in_span_and_in_cooling(span, more, layers, cooling):
    here = curl_mm(span, layers, 0.2, 90e-6, cooling)
    assert curl_mm(span + more, layers, 0.2, 90e-6, cooling) >= here
    # The arc's height grows with the cooling until the strip is bent to a half circle.
    radius = layers**3 * 0.2 / (6 * 90e-6 * (cooling + 5) * (layers - 1))
    if span < radius:
        assert curl_mm(span, layers, 0.2, 90e-6, cooling + 5) > here


def test_small_curl_goes_with_the_square_of_the_span():
    one, two = (curl_mm(s, 20, 0.2, 90e-6, 40) for s in (30, 60))
    assert two / one == pytest.approx(4, rel=1e-3)


def test_index_falls_with_chamber_heat_and_is_none_below_the_glass_transition():
    abs_ = material("ABS")
    cold, warm = index_mm(LONG, abs_, 25), index_mm(LONG, abs_, 60)
    assert 0 < warm < cold
    assert index_mm(LONG, abs_, 115) is None
    assert index_mm(LONG, material("TPU"), 25) is None


def plate(ring, layers=5, brim=0.0):
    middle = ring.mean(axis=0)
    big = middle + (ring - middle) * (1 + 2 * brim / np.ptp(ring[:, 0]))
    rings = [big if n == 0 and brim else ring for n in range(layers)]
    return Toolpath(
        tuple(
            Layer(n + 1, 0.2 * (n + 1), 0.2, (r,), 60.0 * n, 60.0, 100.0)
            for n, r in enumerate(rings)
        ),
        100.0 * layers,
        60.0 * layers,
        0.45,
    )


BOX = np.array([[20.0, 20.0], [100.0, 20.0], [100.0, 80.0], [20.0, 80.0]])


def rounded(radius, width=80.0, depth=60.0):
    angle = np.linspace(0, math.pi / 2, 12)
    arcs = [
        np.column_stack(
            [
                cx + radius * np.cos(angle + turn),
                cy + radius * np.sin(angle + turn),
            ]
        )
        for cx, cy, turn in [
            (width - radius, depth - radius, 0.0),
            (radius, depth - radius, math.pi / 2),
            (radius, radius, math.pi),
            (width - radius, radius, 1.5 * math.pi),
        ]
    ]
    return np.concatenate(arcs) + 20


def test_span_is_the_diagonal_and_corners_are_counted():
    foot = footprint(plate(BOX))
    assert foot.span_mm == pytest.approx(100.0)  # 3-4-5: 60, 80, 100
    assert foot.sharp_corners == 4
    assert foot.brim_mm == 0


def test_a_brim_is_not_part_of_the_span():
    foot = footprint(plate(BOX, brim=8.0))
    assert foot.span_mm == pytest.approx(100.0)
    # The scaled box reaches 8 mm beyond the short sides and 6 mm beyond the long ones.
    assert foot.brim_mm == pytest.approx(6.0, abs=0.51)


DATA = Path(__file__).resolve().parents[1] / "toolpath" / "data"


@pytest.mark.parametrize(
    ("program", "brim"),
    [
        # Its outermost line runs at X 81.807, the part's at X 85.275.
        ("settings_brim_1_75.gcode", 3.47),
        # A skirt stands apart and holds nothing.
        ("settings_skirt_2_85.gcode", 0.0),
    ],
)
def test_brim_of_sliced_programs(program, brim):
    toolpath = read_toolpath([(DATA / program).read_bytes()])
    assert footprint(toolpath).brim_mm == pytest.approx(brim, abs=0.3)


@pytest.mark.parametrize(("radius", "corners"), [(1.0, 4), (2.0, 4), (6.0, 0), (12.0, 0)])
def test_rounded_corners_are_not_sharp(radius, corners):
    assert sharp_corners(rounded(radius)) == corners


def test_a_disc_has_no_corner_and_a_triangle_three():
    angle = np.arange(60) / 60 * math.tau
    assert sharp_corners(np.column_stack([np.cos(angle), np.sin(angle)]) * 40) == 0
    angle = np.arange(3) / 3 * math.tau
    assert sharp_corners(np.column_stack([np.cos(angle), np.sin(angle)]) * 40) == 3


def test_things_to_try_fit_the_case_and_give_a_reason():
    said = [t.what for t in to_try(LONG, material("ABS"), None, 90.0)]
    assert any("brim" in w for w in said)
    assert any("chamber" in w for w in said)
    assert any("warmer bed" in w for w in said)
    easy = replace(LONG, span_mm=30, sharp_corners=0, brim_mm=8)
    said = [t.what for t in to_try(easy, material("PLA"), 45.0, 60.0)]
    assert not any("brim" in w or "chamber" in w or "rounded" in w for w in said)
    assert all(t.why for t in to_try(LONG, material("PA6"), None, None))


def test_standing_among_own_runs():
    past = [(0.5, False), (1.0, True), (2.0, True), (3.0, False)]
    found = standing(1.0, past)
    assert (found.runs, found.as_high, found.lifted) == (4, 3, 2)
