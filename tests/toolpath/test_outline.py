"""Outlines against shapes whose true edges are known."""

import itertools
import math

import numpy as np
import pytest
from programs import area, circle, loop, path, square, stack

from watcher.toolpath import read_toolpath
from watcher.toolpath.outline import rings

WIDTH = 0.45


def outline(*chains):
    """Rings of chains of points laid as lines of ``WIDTH``."""
    segments = [
        [*a, *b]
        for chain in chains
        for a, b in itertools.pairwise(chain)
    ]  # fmt: skip
    return rings(np.array(segments), WIDTH)


def closed(points):
    return [*points, points[0]]


def turned(points, degrees, about=(50.0, 50.0)):
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    return [
        (
            about[0] + c * (x - about[0]) - s * (y - about[1]),
            about[1] + s * (x - about[0]) + c * (y - about[1]),
        )
        for x, y in points
    ]


def perimeters(low, high, count=2):
    return [closed(square(low + WIDTH * (0.5 + k), high - WIDTH * (0.5 + k))) for k in range(count)]


def sparse(low, high, gap):
    """Diagonal lines of infill, each laid by itself."""
    span = high - low
    lines = []
    for offset in np.arange(-span + gap, span, gap):
        a = max(0.0, -offset), max(0.0, offset)
        b = min(span, span - offset), min(span, span + offset)
        lines.append([(low + a[0], low + a[1]), (low + b[0], low + b[1])])
    return lines


@pytest.mark.parametrize("degrees", [0, 8, 30, 45, 77])
def test_corners_are_sharp_and_exact(degrees):
    truth = np.array(turned(square(30, 70), degrees))
    chains = [turned(chain, degrees) for chain in [*perimeters(30, 70), *sparse(31, 69, 3.0)]]
    (ring,) = outline(*chains)
    assert len(ring) == 4
    assert area(ring) > 0
    apart = np.linalg.norm(ring[:, None] - truth[None], axis=2).min(axis=0)
    assert apart.max() < 0.02


def test_inner_corners_are_exact_too():
    shape = [(30, 30), (70, 30), (70, 40), (40, 40), (40, 70), (30, 70)]
    truth = np.array([(29.775, 29.775), (70.225, 29.775), (70.225, 40.225), (40.225, 40.225),
                      (40.225, 70.225), (29.775, 70.225)])  # fmt: skip
    infill = [[(30.3, y), (39.7 if y > 40 else 69.7, y)] for y in np.arange(31, 69, 2.0)]
    (ring,) = outline(closed(shape), *infill)
    assert len(ring) == 6
    assert np.linalg.norm(ring[:, None] - truth[None], axis=2).min(axis=0).max() < 0.02


def test_sparse_infill_leaves_no_holes():
    for gap in (3.0, 6.0, 9.0):
        assert len(outline(*perimeters(30, 70), *sparse(31, 69, gap))) == 1


def test_a_hole_of_its_own_loops_is_one():
    hole = [closed(circle(6 + WIDTH * (0.5 + k))) for k in range(2)]
    infill = [
        line
        for line in sparse(31, 69, 4.0)
        if abs(line[0][0] - line[0][1]) > 7.5 * math.sqrt(2)
    ]  # fmt: skip
    found = outline(*perimeters(30, 70), *hole, *infill)
    outer = [ring for ring in found if area(ring) > 0]
    inner = [ring for ring in found if area(ring) < 0]
    assert len(outer) == len(inner) == 1
    assert -area(inner[0]) == pytest.approx(math.pi * 36, rel=0.01)
    assert area(outer[0]) == pytest.approx(1600, rel=0.001)


def test_a_screw_hole_is_too_small_to_count():
    hole = [closed(circle(1.6 + WIDTH / 2))]
    lines = [[(31, y), (47.5, y)] for y in np.arange(31, 69, 1.0)]
    assert len(outline(*perimeters(30, 70), *hole, *lines)) == 1


def test_a_skirt_stands_apart():
    skirt = closed(circle(40, n=90))
    found = outline(skirt, *perimeters(30, 70), *sparse(31, 69, 3.0))
    assert sorted(round(area(ring), -1) for ring in found) == [
        pytest.approx(-math.pi * 39.775**2, rel=0.01),
        pytest.approx(1600, rel=0.01),
        pytest.approx(math.pi * 40.225**2, rel=0.01),
    ]


def test_a_brim_is_part_of_the_outline():
    brim = [closed(square(30 - WIDTH * (k + 0.5), 70 + WIDTH * (k + 0.5))) for k in range(5)]
    (ring,) = outline(*brim, *perimeters(30, 70), *sparse(31, 69, 3.0))
    assert area(ring) == pytest.approx((40 + 10 * WIDTH) ** 2, rel=0.001)


def test_a_seam_left_open_does_no_harm():
    gap = [(30.9, 30), (70, 30), (70, 70), (30, 70), (30, 30)]
    (ring,) = outline(gap, *sparse(30.3, 69.7, 3.0))
    assert area(ring) == pytest.approx(40.45**2, rel=0.001)


def test_lines_of_support_become_one_body():
    comb = [[(30, y), (50, y)] for y in np.arange(30, 50, 2.5)]
    found = outline(*comb)
    assert len(found) == 1
    assert area(found[0]) == pytest.approx(20.45 * 17.95, rel=0.05)


def test_specks_are_dropped():
    assert outline([(10, 10), (10.5, 10)]) == ()


def test_a_wall_of_one_line_has_two_sides():
    outer, inner = sorted(outline(closed(circle(20, n=90))), key=area, reverse=True)
    assert area(outer) == pytest.approx(math.pi * 20.225**2, rel=0.003)
    assert area(inner) == pytest.approx(-math.pi * 19.775**2, rel=0.003)


def test_arcs_are_drawn_round():
    lines = stack(["G0 X70 Y50", "G3 X70 Y50 I-20 J0 E5"], 1)
    (layer,) = read_toolpath(lines, line_width_mm=WIDTH).layers
    outer = max(layer.rings_mm, key=area)
    off = np.hypot(outer[:, 0] - 50, outer[:, 1] - 50) - 20.225
    assert np.abs(off).max() < 0.05


def test_line_width_of_thick_filament_and_of_unknown():
    per_mm = 0.5 * 0.2 / (math.pi * 2.85**2 / 4)
    assert read_toolpath(stack(loop(square(30, 70), per_mm), 3)).line_width_mm == pytest.approx(
        0.5, abs=0.01
    )
    assert read_toolpath(stack(loop(square(30, 70), 5.0), 3)).line_width_mm == 0.45
    given = read_toolpath(stack(path([(30, 30), (70, 30)]), 1), line_width_mm=0.8)
    (ring,) = given.layers[0].rings_mm
    np.testing.assert_allclose(np.ptp(ring, axis=0), [40.8, 0.8], atol=1e-3)
