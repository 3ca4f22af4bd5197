"""Times of moves against trapezoids reckoned by hand."""

import math

import numpy as np
import pytest
from programs import loop, square, stack

from watcher.toolpath import layer_at, move_durations, read_moves, read_toolpath
from watcher.toolpath.timing import ACCELERATION_MM_S2, CORNER_MM


def seconds(*lines):
    return sum(float(move_durations(batch).sum()) for batch in read_moves(lines))


def test_trapezoid():
    # 100 mm at 50 mm/s and 1000 mm/s²: ramps of 0.05 s and 1.25 mm, 97.5 mm at full speed.
    assert seconds("M204 S1000", "G1 X100 F3000") == pytest.approx(0.05 + 0.05 + 97.5 / 50)


def test_triangle_where_the_move_is_too_short_for_full_speed():
    # t = 2 sqrt(s / a).
    assert seconds("M204 S1000", "G1 X1 F60000") == pytest.approx(2 * math.sqrt(1 / 1000))


def test_without_acceleration_in_the_program_the_stated_default_holds():
    ramp = 50 / ACCELERATION_MM_S2
    assert seconds("G1 X100 F3000") == pytest.approx(100 / 50 + ramp)


def test_straight_on_costs_nothing():
    whole = seconds("M204 S1000", "G1 X100 F3000")
    assert seconds("M204 S1000", *[f"G1 X{x} F3000" for x in range(1, 101)]) == pytest.approx(whole)


def test_turning_back_means_standing_still():
    one = seconds("M204 S1000", "G1 X50 F3000")
    assert seconds("M204 S1000", "G1 X50 F3000", "G1 X0") == pytest.approx(2 * one)


def test_a_right_angle_is_taken_at_the_speed_of_its_rounding():
    # Half the inner angle is 45°: v² = a d sin / (1 - sin).
    v = math.sqrt(1000 * CORNER_MM * math.sqrt(0.5) / (1 - math.sqrt(0.5)))
    each = (50 + 50 - v) / 1000 + (50 - 1.25 - (2500 - v * v) / 2000) / 50
    assert seconds("M204 S1000", "G1 X50 F3000", "G1 Y50") == pytest.approx(2 * each)


def test_look_ahead_brakes_over_several_short_moves():
    # 1 mm in ten pieces ends at rest after 99 mm at speed: as one move of 100 mm.
    lines = ["M204 S1000", "G1 X99 F6000", *[f"G1 X{99 + k / 10:.1f}" for k in range(1, 11)]]
    assert seconds(*lines) == pytest.approx(seconds("M204 S1000", "G1 X100 F6000"))


def test_an_axis_may_be_slower():
    assert seconds("M204 S1000", "M201 X250", "G1 X1 F60000") == pytest.approx(
        2 * math.sqrt(1 / 250)
    )
    assert seconds("M204 S1000", "M201 Y250", "G1 X1 F60000") == pytest.approx(
        2 * math.sqrt(1 / 1000)
    )


def test_dwell_and_retraction_count():
    plain = seconds("M204 S1000", "G1 X100 F3000")
    assert seconds("M204 S1000", "G1 X100 F3000", "G4 S3") == pytest.approx(plain + 3)
    # 2 mm of filament at 40 mm/s and 1000 mm/s²: 2/40 + 40/1000.
    assert seconds("M204 R1000", "G1 E-2 F2400") == pytest.approx(0.09)


def test_layers_follow_on_each_other():
    toolpath = read_toolpath(stack(loop(square(10, 60)), 5))
    ends = [layer.start_s + layer.duration_s for layer in toolpath.layers]
    starts = [layer.start_s for layer in toolpath.layers]
    np.testing.assert_allclose(ends[:-1], starts[1:])
    assert ends[-1] <= toolpath.duration_s
    # 200 mm at 50 mm/s each, corners and the travel between layers aside.
    assert all(4 < layer.duration_s < 4.2 for layer in toolpath.layers)


def test_layer_clock():
    toolpath = read_toolpath(stack(loop(square(10, 60)), 5))
    third = toolpath.layers[2]
    assert layer_at(toolpath, -1) == layer_at(toolpath, 0) == 1
    assert layer_at(toolpath, third.start_s + 0.01) == 3
    assert layer_at(toolpath, (third.start_s + 0.01) * 1.1, pace=1.1) == 3
    assert layer_at(toolpath, (third.start_s - 0.01) * 1.1, pace=1.1) == 2
    assert layer_at(toolpath, 1e9) == 5
    with pytest.raises(ValueError, match="pace"):
        layer_at(toolpath, 1, pace=0)
