"""Programs as slicing programs make them, against what these programs say of them.

The comments were taken out, and with them the facts that stand here: heights of the layers,
length of filament and estimated time, by the program that made the file.
"""

from pathlib import Path

import numpy as np
import pytest
from programs import area

from watcher.toolpath import read_toolpath

DATA = Path(__file__).parent / "data"


def read(name):
    with (DATA / name).open("rb") as file:
        return read_toolpath(file)


def heights(toolpath):
    return [layer.z_mm for layer in toolpath.layers]


def test_brim_sparse_infill_and_lifts():
    toolpath = read("brim_sparse_infill_lift.gcode")
    np.testing.assert_allclose(heights(toolpath), 0.3 + 0.2 * np.arange(8), atol=1e-6)
    assert toolpath.filament_mm == pytest.approx(199.29, abs=0.02)
    brim, skirt = sorted((r for r in toolpath.layers[0].rings_mm if area(r) > 0), key=area)
    # 30 mm x 20 mm with 3 mm of brim, its corners rounded.
    assert area(brim) == pytest.approx(36 * 26, rel=0.06)
    assert area(skirt) > area(brim)
    # 30 mm x 20 mm, then 4 mm x 20 mm; the plate is sparse inside.
    for layer, size in zip(toolpath.layers, [600] * 4 + [80] * 4, strict=True):
        if layer.number > 1:
            (ring,) = layer.rings_mm
            assert len(ring) == 4
            assert area(ring) == pytest.approx(size, rel=0.02)
    corner = toolpath.layers[1].rings_mm[0].min(axis=0)
    np.testing.assert_allclose(corner, [85, 90], atol=0.06)


def test_supports_with_heights_of_their_own_and_relative_e():
    toolpath = read("supports_relative_e.gcode")
    stated = [0.35, 0.55, 0.6, 0.75, 0.85, 0.95, 1.1, 1.15, 1.35, 1.55, 1.75, 1.95, 2.15, 2.35,
              2.55]  # fmt: skip
    np.testing.assert_allclose(heights(toolpath), stated, atol=1e-6)
    assert toolpath.filament_mm == pytest.approx(233.96, abs=0.02)
    (cap,) = toolpath.layers[-1].rings_mm
    assert area(cap) == pytest.approx(256, rel=0.01)
    stem = min(toolpath.layers[1].rings_mm, key=area)
    assert area(stem) == pytest.approx(16, rel=0.03)
    # The support at 0.6 mm reaches round the stem as one body.
    support = max(toolpath.layers[2].rings_mm, key=area)
    assert area(support) > 200


def test_spiral():
    toolpath = read("spiral_cup.gcode")
    np.testing.assert_allclose(heights(toolpath), 0.3 + 0.2 * np.arange(29), atol=2e-3)
    assert toolpath.filament_mm == pytest.approx(169.06, abs=0.02)
    # Twenty corners on a circle of 12 mm: 10 sin(18°) r².
    polygon = 10 * np.sin(np.radians(18)) * 144
    for layer in toolpath.layers[3:-1]:
        outer = max(layer.rings_mm, key=area)
        assert area(outer) == pytest.approx(polygon, rel=0.01)
        assert len(layer.rings_mm) == 2


def test_hole_grid_infill_wipes_and_stated_accelerations():
    toolpath = read("plate_with_hole.gcode")
    np.testing.assert_allclose(heights(toolpath), 0.2 * np.arange(1, 6), atol=1e-6)
    assert toolpath.filament_mm == pytest.approx(148.66, abs=0.02)
    for layer in toolpath.layers:
        outer, hole = sorted(layer.rings_mm, key=area, reverse=True)
        assert area(outer) == pytest.approx(400, rel=0.01)
        assert area(hole) == pytest.approx(-np.pi * 16, rel=0.03)
    # The program's own estimate with the same accelerations: 3 min 42 s.
    assert toolpath.duration_s == pytest.approx(222, rel=0.02)
