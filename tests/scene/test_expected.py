"""What the camera should see of a box: faces and edges that hand geometry says."""

import cv2
import numpy as np
import pytest
from benchtop import SIZE, looking, rectangle, toolpath, usual_camera

from watcher.scene.expected import FOOT, RIM, UPRIGHT, machine, slab_map, stations_at
from watcher.scene.solid import solid_from_toolpath

STILL = np.zeros(3)
BOX = solid_from_toolpath(toolpath([[rectangle(70, 60, 130, 110)]] * 100))
"""60 x 50 mm and 20 mm high."""
FRONT = looking((100.0, -200.0, 200.0), (100.0, 80.0, 0.0))
"""Right before the box: sees its front and its top, no side, no back."""
LEFT = looking((-80.0, -100.0, 160.0), (100.0, 85.0, 0.0))
"""Sees front, left side and top."""


def height_at(camera, seen, point, offset=STILL):
    x, y = np.round(camera.project(np.array([point]) + offset)[0]).astype(int)
    return float(seen[y, x])


def test_top_walls_and_bed_are_where_geometry_puts_them():
    seen = slab_map(FRONT, BOX, 99, STILL)
    assert height_at(FRONT, seen, (100, 85, 20)) == pytest.approx(20)
    # A place of the front wall shows its own height, to the slab of 2 mm it belongs to.
    for z in (3.0, 9.0, 17.0):
        assert height_at(FRONT, seen, (100, 60, z)) == pytest.approx(z, abs=1.1)
    assert height_at(FRONT, seen, (20, 20, 0)) == -1
    assert height_at(FRONT, seen, (100, 40, 0)) == -1
    # The eye stands 260 mm before and 180 mm above the front rim, so the top's back edge, 310 mm
    # away, hides the bed for 20 / 180 of that: 34 mm behind the box.
    assert height_at(FRONT, seen, (100, 110 + 30, 0)) == pytest.approx(20)
    assert height_at(FRONT, seen, (100, 110 + 39, 0)) == -1


def test_the_map_covers_as_many_pixels_as_the_silhouette():
    # The silhouette of a convex body is the hull of its projected corners (shoelace area).
    corners = np.array([(x, y, z) for x in (70, 130) for y in (60, 110) for z in (0, 20)], float)
    for camera in (FRONT, LEFT, usual_camera()):
        hull = cv2.convexHull(camera.project(corners).astype(np.float32)).reshape(-1, 2)
        seen = slab_map(camera, BOX, 99, STILL)
        # A polygon is drawn with its border, half a pixel outwards all round.
        border = cv2.arcLength(hull.reshape(-1, 1, 2), True)
        assert 0 <= (seen >= 0).sum() - cv2.contourArea(hull) <= 0.8 * border


def test_the_part_grows_in_the_map_with_its_layers():
    low, high = slab_map(FRONT, BOX, 9, STILL), slab_map(FRONT, BOX, 99, STILL)
    assert low.max() == pytest.approx(2.0)
    assert high.max() == pytest.approx(20.0)
    assert (low >= 0).sum() < (high >= 0).sum()


def test_the_bed_carries_the_part_along():
    offset = np.array([0, 25.0, 0])
    seen = slab_map(FRONT, BOX, 99, offset)
    assert height_at(FRONT, seen, (100, 85, 20), offset) == pytest.approx(20)
    assert height_at(FRONT, seen, (100, 62, 0.0)) == -1
    np.testing.assert_allclose(machine(np.array([[1.0, 2, 3]]), offset), [[1, 27, 3]])


def test_a_wall_behind_a_taller_one_is_hidden():
    tall, low = rectangle(60, 40, 140, 50), rectangle(80, 80, 120, 90)
    solid = solid_from_toolpath(toolpath([[tall, low]] * 20 + [[tall]] * 180))
    seen = slab_map(FRONT, solid, 199, STILL)
    # The line of sight from 200 mm up over the tall wall's back edge (y 50, z 40) falls 160 mm
    # in 250: at y 90 it is still 14 mm up, the low wall 4.
    stations = stations_at(FRONT, solid, 199, STILL, seen)
    assert not (stations.point_mm[:, 1] > 75).any()
    assert (stations.kind == RIM).any()


@pytest.fixture(scope="module")
def front():
    return stations_at(FRONT, BOX, 99, STILL, slab_map(FRONT, BOX, 99, STILL))


def test_from_the_front_one_foot_and_the_whole_rim_are_seen(front):
    foot = front.point_mm[front.kind == FOOT]
    assert len(foot) == 50
    np.testing.assert_allclose(foot[:, 1:], np.tile([60.0, 0.0], (50, 1)))
    rim = front.point_mm[front.kind == RIM]
    np.testing.assert_allclose(rim[:, 2], 20)
    # Every place of the outline: 50 + 42 + 50 + 42.
    assert len(rim) == 184


def test_from_the_left_two_feet_are_seen():
    seen = slab_map(LEFT, BOX, 99, STILL)
    stations = stations_at(LEFT, BOX, 99, STILL, seen)
    foot = stations.point_mm[stations.kind == FOOT]
    on_front, on_left = foot[:, 1] == 60, foot[:, 0] == 70
    assert on_front.sum() == 50
    assert on_left.sum() == 42
    assert len(foot) == 92


def test_upright_edges_are_those_that_bound_the_silhouette():
    seen = slab_map(LEFT, BOX, 99, STILL)
    stations = stations_at(LEFT, BOX, 99, STILL, seen)
    upright = stations.point_mm[stations.kind == UPRIGHT]
    # The outline turns out of sight at (130, 60) and at (70, 110); a place each mm, 20 mm high.
    tips = np.array([[130, 60], [70, 110]])
    which = np.hypot(*(upright[:, None, :2] - tips).transpose(2, 0, 1)).argmin(axis=1)
    for tip in (0, 1):
        mine = upright[which == tip]
        assert 17 <= len(mine) <= 20
        assert np.hypot(*(mine[:, :2] - tips[tip]).T).max() < 1.2
    np.testing.assert_allclose(
        stations.along[stations.kind == UPRIGHT], np.tile([0, 0, 1.0], (len(upright), 1))
    )


def test_only_edges_of_the_newest_layer_grow():
    plate, wall = rectangle(60, 50, 140, 120), rectangle(70, 100, 130, 110)
    solid = solid_from_toolpath(toolpath([[plate]] * 15 + [[wall]] * 60))
    seen = slab_map(FRONT, solid, 50, STILL)
    stations = stations_at(FRONT, solid, 50, STILL, seen)
    rim = stations.kind == RIM
    newest = np.isclose(stations.point_mm[:, 2], 0.2 * 51)
    np.testing.assert_array_equal(stations.growing, rim & newest)
    assert stations.growing.any()
    assert (rim & np.isclose(stations.point_mm[:, 2], 3.0)).any()


def test_a_place_keeps_its_number_while_the_part_grows():
    one, two = (
        stations_at(FRONT, BOX, layer, STILL, slab_map(FRONT, BOX, layer, STILL))
        for layer in (60, 99)
    )
    for stations in (one, two):
        level = stations.kind != UPRIGHT
        assert len(set(stations.key[level].tolist())) == level.sum()
    places = zip(one.kind, one.point_mm[:, :2], strict=True)
    before = dict(zip(one.key.tolist(), places, strict=True))
    common = set(before) & set(two.key.tolist())
    assert len(common) > 150
    for key, kind, point in zip(two.key.tolist(), two.kind, two.point_mm[:, :2], strict=True):
        if key in common:
            assert kind == before[key][0]
            np.testing.assert_allclose(point, before[key][1])


def test_what_lies_outside_the_picture_is_not_a_place():
    near = looking((100.0, -60.0, 120.0), (150.0, 80.0, 0.0), focal_px=900.0)
    stations = stations_at(near, BOX, 99, STILL, slab_map(near, BOX, 99, STILL))
    pixels = near.project(stations.point_mm)
    assert 0 < len(pixels) < 250
    assert (pixels > 0).all()
    assert (pixels < SIZE).all()
