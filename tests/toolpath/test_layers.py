"""What makes a layer, and what doesn't."""

import math

import numpy as np
import pytest
from programs import PER_MM, circle, loop, move, path, square, stack, travel

from watcher.toolpath import read_toolpath
from watcher.trouble import BadToolpath

SQUARE = loop(square(40, 60))


def heights(lines):
    return [round(layer.z_mm, 3) for layer in read_toolpath(lines).layers]


def test_a_layer_a_height():
    toolpath = read_toolpath(stack(SQUARE, 4))
    assert [layer.number for layer in toolpath.layers] == [1, 2, 3, 4]
    assert [round(layer.z_mm, 3) for layer in toolpath.layers] == [0.2, 0.4, 0.6, 0.8]
    np.testing.assert_allclose([layer.height_mm for layer in toolpath.layers], 0.2)
    np.testing.assert_allclose(
        [layer.filament_mm for layer in toolpath.layers], 80 * PER_MM, rtol=1e-4
    )
    assert toolpath.filament_mm == pytest.approx(4 * 80 * PER_MM, rel=1e-4)
    assert toolpath.line_width_mm == pytest.approx(0.45, abs=1e-3)


def test_variable_heights():
    lines = ["M83", "G0 Z0.3", *SQUARE, "G0 Z0.45", *SQUARE, "G0 Z0.75", *SQUARE]
    assert heights(lines) == [0.3, 0.45, 0.75]


def test_lifts_retractions_and_wipes_make_no_layers():
    wipe = ["G1 X42 Y41 E-0.5", "G1 E-1 F2400", "G91", "G1 Z0.6", "G90", travel(50, 50), "G91"]
    back = ["G1 Z-0.6", "G90", "G1 E1.5 F2400"]
    inner = loop(square(45, 55))
    toolpath = read_toolpath(stack([*SQUARE, *wipe, *back, *inner], 3))
    assert [round(layer.z_mm, 3) for layer in toolpath.layers] == [0.2, 0.4, 0.6]
    # What makes up a retraction is no new filament.
    assert toolpath.filament_mm == pytest.approx(3 * 120 * PER_MM, rel=1e-3)


@pytest.mark.parametrize(
    "priming",
    [
        ["G0 Z0.28", *path([(2, 5), (2, 150)], 0.08)],
        ["G0 Z0.15", *path([(2, 5), (2, 150)], 0.08)],
        ["G0 Z30", "G1 E10 F200", *path([(2, 5), (2, 30)], 0.08)],
        ["G0 Z0.5", *path([(2, 5), (2, 150)], 0.08), "G0 Z0.3", *path([(3, 5), (3, 150)], 0.08)],
    ],
    ids=["higher than the first layer", "lower than it", "in the air", "two of them"],
)
def test_priming_makes_no_layer(priming):
    lines = ["M83", *priming, *stack(SQUARE, 4)]
    assert heights(lines) == [0.2, 0.4, 0.6, 0.8]


def test_wiping_high_above_the_part_makes_no_layer():
    lines = [*stack(SQUARE, 4), "G0 Z20", *path([(2, 5), (2, 30)])]
    assert heights(lines) == [0.2, 0.4, 0.6, 0.8]


def test_a_stray_line_above_a_layer_makes_no_layer():
    stray = ["G91", "G0 Z0.3", "G90", *path([(45, 45), (48, 45)]), "G91", "G0 Z-0.3", "G90"]
    lines = stack([*SQUARE, *stray, *loop(square(44, 56))], 5)
    assert heights(lines) == [0.2, 0.4, 0.6, 0.8, 1.0]


def spiral(points, turns, pitch, start_z):
    lines, z = [travel(*points[0])], start_z
    around = sum(math.dist(a, b) for a, b in zip(points, points[1:] + points[:1], strict=True))
    for _ in range(turns):
        for a, b in zip(points, points[1:] + points[:1], strict=True):
            z += pitch * math.dist(a, b) / around
            lines.append(move(*b, math.dist(a, b) * PER_MM) + f" Z{z:.3f}")
    return lines


@pytest.mark.parametrize("shape", [circle(15), square(40, 60), circle(15, n=400)])
@pytest.mark.parametrize("pitch", [0.2, 0.3])
def test_a_spiral_is_cut_a_turn(shape, pitch):
    base = stack(loop(shape), 2, height=0.2, first=0.25)
    toolpath = read_toolpath([*base, *spiral(shape, 12, pitch, 0.45)])
    expected = [0.25, 0.45, *(0.45 + pitch * np.arange(1, 13))]
    np.testing.assert_allclose([layer.z_mm for layer in toolpath.layers], expected, atol=2e-3)
    per_turn = [layer.filament_mm for layer in toolpath.layers[2:]]
    np.testing.assert_allclose(per_turn, np.mean(per_turn), rtol=0.3)
    last = toolpath.layers[-2].rings_mm
    assert len(last) == 2


def test_a_ramp_into_a_loop_is_no_layer():
    # The seam of each loop begins on the layer below and climbs over its first 10 mm.
    def ramped(k):
        z = 0.2 + 0.2 * k
        corners = [(60, 40), (60, 60), (40, 60), (40, 40)]
        return [
            travel(40, 40),
            f"G0 Z{z - 0.15:.3f}",
            move(45, 40, 5 * PER_MM) + f" Z{z - 0.07:.3f}",
            move(50, 40, 5 * PER_MM) + f" Z{z:.3f}",
            *[move(*corner, 20 * PER_MM) for corner in corners],
        ]

    lines = ["M83", *(line for k in range(6) for line in ramped(k))]
    assert heights(lines) == [0.2, 0.4, 0.6, 0.8, 1.0, 1.2]


def test_objects_one_after_another_are_refused():
    # 144 mm³ each, about 240 mm of filament altogether a tower of 100 layers.
    tower = stack(loop(square(40, 60)), 100)
    other = stack(loop(square(80, 100)), 100)
    with pytest.raises(BadToolpath, match="one after another"):
        read_toolpath([*tower, "G0 Z30", *other])


def test_a_support_with_heights_of_its_own_does_not_thin_the_layers():
    lines = ["M83"]
    for k in range(20):
        lines += [f"G0 Z{0.2 + 0.2 * k:.3f}", *loop(square(40, 60))]
        if k % 2:
            # 0.4 mm thick, between the part's heights.
            lines += [f"G0 Z{0.3 + 0.2 * k:.3f}", *loop(square(80, 100), 2 * PER_MM)]
    toolpath = read_toolpath(lines)
    assert len(toolpath.layers) == 30
    assert toolpath.line_width_mm == pytest.approx(0.45, abs=0.01)
    part = [layer for layer in toolpath.layers if layer.rings_mm[0][:, 0].max() < 70]
    np.testing.assert_allclose([layer.height_mm for layer in part], 0.2, atol=1e-6)


def test_a_spiral_from_the_bed():
    toolpath = read_toolpath(["M83", "G0 Z0.2", *spiral(circle(15), 10, 0.25, 0.2)])
    np.testing.assert_allclose(
        [layer.z_mm for layer in toolpath.layers], 0.2 + 0.25 * np.arange(1, 11), atol=2e-3
    )


def test_small_objects_one_after_another_are_refused():
    tower = stack(loop(square(45, 55)), 20)
    other = stack(loop(square(80, 90)), 20)
    assert 20 * 40 * PER_MM < 100
    with pytest.raises(BadToolpath, match="one after another"):
        read_toolpath([*tower, "G0 Z30", *other])
