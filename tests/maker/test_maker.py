"""The night maker's pure parts: what its truth rests on. No ray tracer needed."""

from __future__ import annotations

import math
import re
import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.append(str(Path(__file__).resolve().parents[2] / "sample_frames" / "maker"))

import faults
import photograph

parts = pytest.importorskip("parts", reason="the night maker's toolpaths need shapely")


def extruded(gcode: str) -> list[tuple[float, float]]:
    """(length mm, filament mm) of every extruding move."""
    out, pos, e = [], [0.0, 0.0], 0.0
    for line in gcode.splitlines():
        w = {c: float(v) for c, v in re.findall(r"([XYE])(-?[\d.]+)", line)}
        new = [w.get("X", pos[0]), w.get("Y", pos[1])]
        if line.startswith("G1") and "E" in w:
            out.append((math.dist(pos, new), w["E"] - e))
            e = w["E"]
        pos = new
    return out


def test_filament_volume_equals_bead_volume():
    # cylinder of 1.75 mm wire: volume = pi d^2 / 4 * length (geometry, no source needed)
    regions = parts.bracket(40, 30, 2, 4, 4.0)
    moves = extruded(parts.slice_part(regions, 0.25, line=0.45))
    wire = sum(e for _, e in moves) * math.pi * 1.75**2 / 4
    beads = sum(length for length, _ in moves) * 0.45 * 0.25
    assert wire == pytest.approx(beads, rel=1e-4)


def test_solid_layer_takes_about_its_own_volume():
    regions = parts.bracket(40, 30, 1, 1, 4.0)
    filament = sum(e for _, e in extruded(parts.slice_part(regions, 0.25)))
    assert filament * math.pi * 1.75**2 / 4 == pytest.approx(40 * 30 * 0.25, rel=0.03)


def test_walls_keep_half_a_line_inside_the_outline():
    path = parts.layer_paths(parts.bracket(40, 30, 1, 1, 4.0)[0], 0.45, 2, 45.0)
    assert np.vstack(path)[:, 0].max() == pytest.approx(20 - 0.225, abs=1e-6)


def test_lift_is_full_at_the_tip_quarter_half_way_and_none_beyond_its_reach():
    lift = faults.Lift((10.0, 20.0), begins=10, rate_mm=0.1, most_mm=2.0, reach_mm=30.0)
    pts = np.array([[10.0, 20, 0], [25, 20, 0], [10, 50, 0], [70, 20, 3]])
    up = faults.lift_field(pts, np.ones(4), lift, now=20)
    assert up == pytest.approx([1.0, 0.25, 0.0, 0.0])
    assert lift.at(9) == 0.0
    assert lift.at(500) == 2.0


def test_lift_profile_is_a_constant_curvature_strip():
    # second differences of a parabola are constant: the small-slope form of h = L^2 / (8 R)
    lift = faults.Lift((0.0, 0.0), begins=0, rate_mm=1.0, most_mm=3.0, reach_mm=40.0)
    x = np.linspace(0, 40, 21)
    up = faults.lift_field(np.column_stack([x, 0 * x, 0 * x]), np.ones(21), lift, now=10)
    bend = np.diff(up, 2) / 2.0**2
    assert bend == pytest.approx(np.full(19, 2 * 3.0 / 40**2))


def test_a_levelled_layer_rises_only_by_what_came_after_it():
    lift = faults.Lift((0.0, 0.0), 10, 0.1, 5.0, 30.0, levelled=True)
    pts = np.zeros((3, 3))
    up = faults.lift_field(pts, np.array([1, 15, 20]), lift, now=20)
    assert up == pytest.approx([1.0, 0.5, 0.0])


def test_an_overhang_lifts_nothing_below_it():
    lift = faults.Lift((0.0, 0.0), 0, 0.1, 5.0, 30.0, z_mm=6.0, from_layer=25)
    up = faults.lift_field(np.array([[0, 0, 6.0]] * 2), np.array([24, 25]), lift, now=30)
    assert up == pytest.approx([0.0, 3.0])


def test_an_edge_rises_alike_along_its_length():
    lift = faults.Lift((0.0, 0.0), 0, 0.1, 5.0, 10.0, edge_to_mm=(40.0, 0.0))
    pts = np.array([[0.0, 0, 0], [20, 0, 0], [40, 0, 0], [20, 5, 0]])
    assert faults.lift_field(pts, np.ones(4), lift, 10) == pytest.approx([1, 1, 1, 0.25])


def test_step_moves_only_the_upper_layers():
    fault = faults.Fault(steps=(faults.Step(5, 2.0, -1.0),))
    moved = faults.displaced(np.zeros((2, 3)), np.array([4, 5]), fault, 9, (0.0, 0.0))
    assert moved == pytest.approx(np.array([[0, 0, 0], [2, -1, 0]]))


def test_slide_turns_about_the_centre():
    slide = faults.Slide(0, 10, dx_mm=3.0, dy_mm=0.0, turn_deg=90.0)
    moved = faults.slid(np.array([[11.0, 5.0, 2.0]]), slide, 1.0, (10.0, 5.0))
    assert moved == pytest.approx(np.array([[13.0, 6.0, 2.0]]))


def test_tipping_over_lays_the_part_on_the_bed():
    slide = faults.Slide(0, 10, 0.0, 0.0, 0.0, tip_deg=90.0, tip_toward_deg=0.0)
    block = np.array([[x, y, z] for x in (-5.0, 5) for y in (-5.0, 5) for z in (0.0, 20)])
    moved = faults.slid(block, slide, 1.0, (0.0, 0.0))
    assert moved[:, 2].min() == pytest.approx(0.0, abs=1e-9)
    assert moved[:, 2].max() == pytest.approx(10.0)
    assert moved[:, 0].max() == pytest.approx(25.0)


@pytest.mark.parametrize(
    ("fault", "built", "strands", "failed"),
    [
        (faults.Fault(), 30, 0, False),
        (faults.Fault(no_growth_from=20), 19, 0, True),
        (faults.Fault(strands_from=20), 20, 20, True),
        (faults.Fault(slide=faults.Slide(20, 5, 9.0, 0.0, 0.0)), 22, 16, True),
        (faults.Fault(steps=(faults.Step(31, 1.0, 0.0),)), 30, 0, False),
        (faults.Fault(steps=(faults.Step(30, 1.0, 0.0),)), 30, 0, True),
        (faults.Fault(lifts=(faults.Lift((0.0, 0.0), 20, 0.049, 3.0, 20.0),)), 30, 0, False),
        (faults.Fault(lifts=(faults.Lift((0.0, 0.0), 20, 0.05, 3.0, 20.0),)), 30, 0, True),
    ],
)
def test_truth_of_a_frame(fault, built, strands, failed):
    row = fault.truth(30, 7.5, "00030.jpg")
    assert (row["built_layers"], row["strands"], row["failed"]) == (built, strands, failed)


def test_strands_stay_as_they_fell():
    a = faults.strand(3, 7, (10.0, 10.0, 5.0), 40.0)
    assert np.array_equal(a, faults.strand(3, 7, (10.0, 10.0, 5.0), 40.0))
    assert not np.array_equal(a[:5], faults.strand(3, 8, (10.0, 10.0, 5.0), 40.0)[:5])
    assert a[:, 2].min() > 0


def test_camera_projects_as_opencv_does():
    # outside check: cv2.projectPoints with the same pose and k1
    cv2 = pytest.importorskip("cv2")
    cam = photograph.Camera((60, -400, 250), (0, 0, 10), 50, k1=-0.08, roll_deg=2.0)
    world = np.array([[-110.0, -100, 0], [110, -100, 0], [110, 120, 0], [0, 0, 40]])
    rotation = cam.axes()
    rvec, _ = cv2.Rodrigues(rotation)
    tvec = -rotation @ np.array(cam.eye, float)
    lens = np.array([cam.k1, 0, 0, 0, 0])
    want, _ = cv2.projectPoints(world, rvec, tvec, cam.matrix(), lens)
    assert cam.project(world) == pytest.approx(want[:, 0], abs=1e-6)


def test_the_lens_bends_a_point_to_where_it_projects():
    # a dot drawn by the straight lens lands, once bent, where project() puts it
    cam = photograph.Camera((0, -400, 300), (0, 0, 0), 50, (320, 240), k1=-0.1)
    w, h = cam.drawn_size()
    world = np.array([[90.0, 60.0, 0.0]])
    seen = (world - cam.eye) @ cam.axes().T
    at = seen[0, :2] / seen[0, 2] * cam.focal_px() + (np.array([w, h]) - 1) / 2
    yy, xx = np.mgrid[:h, :w]
    dot = np.exp(-((xx - at[0]) ** 2 + (yy - at[1]) ** 2) / 8)
    bent = photograph.bend(np.repeat(dot[..., None], 3, 2).astype(np.float32), cam)[..., 0]
    yy, xx = np.mgrid[: bent.shape[0], : bent.shape[1]]
    got = np.array([(bent * xx).sum(), (bent * yy).sum()]) / bent.sum()
    assert got == pytest.approx(cam.project(world)[0], abs=0.1)
