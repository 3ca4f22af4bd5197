"""Parts made by hand: their walls, corners and footprints, counted on paper."""

import numpy as np
import pytest
from benchtop import rectangle, toolpath

from watcher.scene.solid import (
    corners_of,
    footprint_index,
    outline_corners,
    ring_area_mm2,
    same_rings,
    solid_from_toolpath,
)
from watcher.trouble import BadToolpath

BOX = rectangle(40, 50, 100, 90)
ELL = np.array([[40, 50], [120, 50], [120, 80], [80, 80], [80, 120], [40, 120]], float)


def rounded(low, high, radius, steps=10):
    """A rectangle with round corners, counter-clockwise."""
    (x0, y0), (x1, y1) = low, high
    ring = []
    for (cx, cy), begin in zip(
        [
            (x1 - radius, y0 + radius),
            (x1 - radius, y1 - radius),
            (x0 + radius, y1 - radius),
            (x0 + radius, y0 + radius),
        ],
        (-90, 0, 90, 180),
        strict=True,
    ):
        angle = np.radians(begin + np.linspace(0, 90, steps))
        ring.append(np.column_stack([cx + radius * np.cos(angle), cy + radius * np.sin(angle)]))
    return np.concatenate(ring)


def circle(radius, centre=(100.0, 90.0), steps=90):
    angle = np.linspace(0, 2 * np.pi, steps, endpoint=False)
    return np.column_stack([np.cos(angle), np.sin(angle)]) * radius + centre


def found(program):
    return corners_of(solid_from_toolpath(program), program)


def places(corners):
    return sorted((round(c.place_mm[0], 3), round(c.place_mm[1], 3)) for c in corners)


def test_a_box_has_four_right_angled_corners_on_the_bed():
    corners = found(toolpath([[BOX]] * 20))
    assert places(corners) == [(40, 50), (40, 90), (100, 50), (100, 90)]
    assert all(c.place_mm[2] == 0 and not c.overhang and c.first == 0 for c in corners)
    for corner in corners:
        assert corner.sharpness_deg == pytest.approx(90, abs=0.5)


def test_an_ell_has_five_corners_and_the_inner_one_is_none():
    # Only what sticks out can lift: (80, 80) turns inwards.
    corners = found(toolpath([[ELL]] * 20))
    assert places(corners) == [(40, 50), (40, 120), (80, 120), (120, 50), (120, 80)]


def test_a_hole_has_no_corners_that_lift():
    hole = rectangle(55, 60, 85, 80)[::-1]
    corners = found(toolpath([[BOX, hole]] * 20))
    assert places(corners) == [(40, 50), (40, 90), (100, 50), (100, 90)]


def test_rounded_corners_count_once_each_and_near_the_tip():
    ring = rounded((40, 50), (120, 110), 5.0)
    corners = found(toolpath([[ring]] * 20))
    assert len(corners) == 4
    # The middle of the arc lies 5 (1 - cos 45) = 1.46 mm inside the sharp corner on both axes.
    tips = np.array([[41.46, 51.46], [118.54, 51.46], [118.54, 108.54], [41.46, 108.54]])
    for corner in corners:
        assert np.abs(tips - corner.place_mm[:2]).max(axis=1).min() < 1.0


def test_a_disc_has_no_corner():
    # Over 16 mm of a circle of 60 mm radius the direction turns by about 8 degrees.
    assert outline_corners(circle(60.0)) == []


def test_turns_of_an_outline_are_the_angles_of_a_regular_polygon():
    # A regular hexagon turns by 60 degrees at each of its corners (Euclid IV.15).
    angle = np.radians(np.arange(0, 360, 60))
    ring = 50 * np.column_stack([np.cos(angle), np.sin(angle)])
    corners = outline_corners(ring)
    assert sorted(i for i, _ in corners) == [0, 1, 2, 3, 4, 5]
    for _, turn in corners:
        assert turn == pytest.approx(60, abs=1.0)


def test_corners_of_a_small_part_are_kept_apart():
    corners = outline_corners(rectangle(0, 0, 7, 6))
    assert sorted(i for i, _ in corners) == [0, 1, 2, 3]


def test_a_plate_with_a_narrower_wall_lifts_at_the_plate():
    wall = rectangle(45, 84, 95, 88)
    program = toolpath([[BOX]] * 15 + [[wall]] * 40)
    solid = solid_from_toolpath(program)
    corners = corners_of(solid, program)
    assert places(corners) == [(40, 50), (40, 90), (100, 50), (100, 90)]
    # The plate's rim ends with the plate, the wall's with the wall.
    front = np.hypot(*(solid.xy_mm - [70, 50]).T).argmin()
    top = np.hypot(*(solid.xy_mm - [70, 84]).T).argmin()
    assert (solid.first[front], solid.last[front]) == (0, 14)
    assert (solid.first[top], solid.last[top]) == (15, 54)
    assert solid.foot_index == 0


def test_a_brim_is_left_out_of_the_footprint():
    brim = rectangle(32, 42, 108, 98)
    program = toolpath([[brim]] + [[BOX]] * 30)
    solid = solid_from_toolpath(program)
    assert solid.foot_index == footprint_index(program) == 1
    corners = corners_of(solid, program)
    assert places(corners) == [(40, 50), (40, 90), (100, 50), (100, 90)]
    assert all(c.first == 1 for c in corners)


def test_a_purge_line_beside_the_part_is_left_out():
    line = rectangle(5, 5, 6, 120)
    program = toolpath([[BOX, line]] + [[BOX]] * 30)
    assert footprint_index(program) == 1
    assert len(found(program)) == 4


def test_a_part_without_brim_stands_on_its_first_layer():
    assert footprint_index(toolpath([[BOX]] * 30)) == 0
    assert footprint_index(toolpath([[BOX]])) == 0


def test_an_overhang_has_corners_of_its_own():
    # A post of 20 mm carries a plate of 60 x 50 mm from layer 41 on, 8 mm up.
    post, plate = rectangle(60, 60, 80, 80), rectangle(40, 45, 100, 95)
    program = toolpath([[post]] * 40 + [[plate]] * 20)
    corners = found(program)
    standing = [c for c in corners if not c.overhang]
    hanging = [c for c in corners if c.overhang]
    assert places(standing) == [(60, 60), (60, 80), (80, 60), (80, 80)]
    assert places(hanging) == [(40, 45), (40, 95), (100, 45), (100, 95)]
    for corner in hanging:
        assert corner.first == 40
        # Its lower edge is the top of layer 40: 40 x 0.2 mm.
        assert corner.place_mm[2] == pytest.approx(8.0)


def test_a_wall_that_leans_gently_is_no_overhang():
    # 0.1 mm outwards in each layer of 0.2 mm: 1.5 mm in 3 mm.
    leaning = [[rectangle(60 - i / 10, 60 - i / 10, 90 + i / 10, 90 + i / 10)] for i in range(40)]
    program = toolpath(leaning)
    assert not any(c.overhang for c in found(program))
    solid = solid_from_toolpath(program)
    # Its walls are followed all the way up: the front's middle has moved by 3.9 mm.
    front = np.hypot(*(solid.path_mm[0] - [75, 60]).T).argmin()
    assert solid.last[front] == 39
    assert solid.path_mm[39, front, 1] == pytest.approx(60 - 3.9, abs=0.05)


def test_tracks_of_a_box_stand_upright_and_all_round():
    solid = solid_from_toolpath(toolpath([[BOX]] * 25))
    # 200 mm of outline, a place at most every 1.2 mm: 50 + 34 + 50 + 34.
    assert len(solid.first) == 168
    assert (solid.first == 0).all()
    assert (solid.last == 24).all()
    np.testing.assert_allclose(solid.path_mm[0], solid.path_mm[24])
    np.testing.assert_allclose(np.hypot(*solid.tangent.T), 1)
    # The part lies to the left of the outline's direction.
    inwards = np.column_stack([-solid.tangent[:, 1], solid.tangent[:, 0]])
    inside = solid.xy_mm + inwards
    assert (inside > BOX.min(axis=0)).all()
    assert (inside < BOX.max(axis=0)).all()
    np.testing.assert_allclose(solid.z_mm, 0.2 * np.arange(1, 26))


def test_areas_are_those_of_school():
    assert ring_area_mm2((BOX,)) == pytest.approx(60 * 40)
    assert ring_area_mm2((BOX, rectangle(50, 60, 60, 70)[::-1])) == pytest.approx(2300)
    assert ring_area_mm2((ELL,)) == pytest.approx(80 * 30 + 40 * 40)
    assert ring_area_mm2((circle(10.0, steps=720),)) == pytest.approx(np.pi * 100, rel=1e-4)
    assert ring_area_mm2(()) == 0


def test_same_outlines_are_the_same_number_for_number():
    assert same_rings((BOX, ELL), (BOX.copy(), ELL.copy()))
    assert not same_rings((BOX,), (BOX + 0.01,))
    assert not same_rings((BOX,), (BOX, ELL))
    assert not same_rings((BOX,), (ELL,))


def test_a_program_without_outline_is_told():
    with pytest.raises(BadToolpath, match="nothing that has an outline"):
        solid_from_toolpath(toolpath([[], []]))


def test_a_layer_without_outline_ends_the_walls_below():
    solid = solid_from_toolpath(toolpath([[BOX], [BOX], [], [BOX]]))
    assert sorted(set(zip(solid.first.tolist(), solid.last.tolist(), strict=True))) == [
        (0, 1),
        (3, 3),
    ]
