"""Words, modes and units of the language, against NISTIR 6556 (RS274/NGC, 2000)."""

import itertools

import numpy as np
import pytest

from watcher.toolpath import read_moves
from watcher.trouble import BadToolpath


def moves(*lines):
    found = list(read_moves(lines))
    return found[0] if found else None


def ends(*lines):
    return moves(*lines).end_mm.tolist()


def pushed(*lines):
    return moves(*lines).filament_mm.tolist()


def test_inches_are_25_4_mm():
    # NISTIR 6556, 3.5.7: G20 inches, G21 millimetres; the inch is 25.4 mm exactly.
    batch = moves("G20", "G1 X1 Y-2 E0.1 F60", "G21", "G1 X1")
    assert batch.end_mm.tolist() == [[25.4, -50.8, 0], [1, -50.8, 0]]
    assert batch.filament_mm[0] == pytest.approx(2.54)
    assert batch.speed_mm_s[0] == pytest.approx(25.4)


def test_incremental_distance():
    # 3.5.17: G91, axis numbers are increments from the current location.
    assert ends("G90", "G1 X10 Y10", "G91", "G1 X-3 Z0.5", "G1 Y2", "G90", "G1 X0") == [
        [10, 10, 0],
        [7, 10, 0.5],
        [7, 12, 0.5],
        [0, 12, 0.5],
    ]


def test_offset_moves_the_zero_not_the_head():
    # 3.5.18: G92 makes the current point have the coordinates given, without motion.
    assert ends("G1 X10 Y10", "G92 X0 Y5", "G1 X1 Y5", "G92.1", "G1 X1") == [
        [10, 10, 0],
        [11, 10, 0],
        [1, 10, 0],
    ]


def test_case_blanks_and_leading_zeros_do_not_matter():
    # 3.3 and 3.3.2: letters in either case, blanks and tabs anywhere, g0x +0. 12 34y 7.
    assert ends("g0x +0. 12 34y 7") == [[0.1234, 7, 0]]
    assert ends("g01x1y2z3", "G1X4.Y-.5") == [[1, 2, 3], [4, -0.5, 3]]
    assert ends("N0010 G001 X5") == [[5, 0, 0]]


def test_comments_and_block_delete():
    # 3.3.4 comments in parentheses, 3.2 block delete; ``;`` is common practice, no source.
    assert ends("G1 X1 (X9) Y2 ; Y9", "/G1 X7", "%", "(G1 X8)", "; G1 X8", "G1 X3") == [
        [1, 2, 0],
        [3, 2, 0],
    ]


def test_motion_is_modal():
    # 3.7: a line of axis words alone repeats the motion mode in force.
    assert ends("G1 X1", "X2 Y1", "G0 X0", "Y5")[-1] == [0, 5, 0]
    assert len(ends("G2 X10 Y0 I5 J0", "X20 Y0 I5 J0")) > 20


def test_feed_stays_and_may_stand_first():
    batch = moves("G1 F1200", "G1 F600 X1 Y1", "G1 X2", "G1 X3 F1800")
    assert batch.speed_mm_s.tolist() == [10, 10, 30]


def test_absolute_and_relative_filament():
    assert pushed("M82", "G1 X1 E2", "G1 X2 E5", "G92 E0", "G1 X3 E1") == [2, 3, 1]
    assert pushed("M83", "G1 X1 E2", "G1 X2 E5", "G92 E0", "G1 X3 E1") == [2, 5, 1]
    # Common practice, no source: M83 outlasts G90; G91 makes E relative until G90.
    assert pushed("M83", "G90", "G1 X1 E2", "G1 X2 E2") == [2, 2]
    assert pushed("M82", "G1 X1 E100", "G91", "G1 Z1 E-2", "G90", "G1 X5 E100") == [100, -2, 0]


def test_checksums():
    # The exclusive-or of the bytes before the star: 'N1 G1 X10' gives 84 by hand below.
    by_hand = 0
    for byte in b"N1 G1 X10":
        by_hand ^= byte
    assert ends(f"N1 G1 X10*{by_hand}") == [[10, 0, 0]]
    with pytest.raises(BadToolpath, match=r"Line 2 .* checksum 1\b.*damaged"):
        moves("G28", "N1 G1 X10*1")


def test_text_for_the_display_is_no_motion():
    assert moves("M117 X10 Y20 * 3", "M118 G1 X5", "M23 part*1.gcode") is None


def test_homing_and_waiting():
    batch = moves("G1 X10 Y10 Z5", "G28 X", "G1 Y20", "G4 P1500", "G4 S2", "G28", "G1 X1")
    assert batch.start_mm[1].tolist() == [0, 10, 5]
    assert batch.wait_s.tolist() == [0, 0, 1.5, 2, 0]
    assert batch.start_mm[-1].tolist() == [0, 0, 0]


def test_accelerations_follow_the_kind_of_move():
    batch = moves(
        "G1 X1 E1", "M204 P800 T2000 R3000", "G1 X2 E2", "G0 X9", "G1 E1", "M204 S500", "G0 X0",
        "M201 X9000 Y8000",
    )  # fmt: skip
    expected = [np.nan, 800, 2000, 3000, 500]
    np.testing.assert_array_equal(batch.acceleration_mm_s2, expected)
    assert batch.axis_acceleration_mm_s2.tolist() == [9000, 8000, np.inf]


def test_bytes_may_be_cut_anywhere_and_progress_counts_them():
    text = b"G1 X1 Y2 E3\r\nG1 X4\nG1 X5 Y6"
    whole = [batch.end_mm.tolist() for batch in read_moves([text])]
    for size in (1, 2, 3, 7):
        seen = []
        pieces = [text[i : i + size] for i in range(0, len(text), size)]
        assert [b.end_mm.tolist() for b in read_moves(pieces, progress=seen.append)] == whole
        assert seen[-1] == len(text)


def test_batches_join_without_a_gap():
    lines = (f"G1 X{i % 100} Y{i // 100}" for i in range(45_000))
    batches = list(read_moves(lines))
    assert len(batches) > 1
    for before, after in itertools.pairwise(batches):
        assert before.end_mm[-1].tolist() == after.start_mm[0].tolist()
    assert sum(len(batch.wait_s) for batch in batches) == 45_000
