"""Programs that can't be used: one sentence, nothing else."""

import contextlib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from programs import area, loop, square, stack

from watcher.toolpath import read_toolpath
from watcher.trouble import BadToolpath


@pytest.mark.parametrize(
    ("program", "says"),
    [
        ([], "does not hold G-code"),
        ([b""], "does not hold G-code"),
        ([b"\x00\xff\x89PNG\r\n\x1a\n" * 500], "does not hold G-code"),
        ([b"A" * 9_000_000], "does not hold G-code"),
        (["Dear reader,", "this is prose."], "does not hold G-code"),
        (["G28", "G1 X10 Y10", "G0 Z5"], "lays no filament"),
        (["M83", "G1 E5", "G1 E5"], "lays no filament"),
        (["M83", "G0 Z50", "G1 X10 E1"], "lays no filament"),
        (["G1 X99999999 E1"], "farther than any printer"),
        (["G1 X" + "9" * 400 + " E1"], "farther than any printer"),
        (["N7 G1 X1 E1*250"], "checksum 250"),
    ],
)
def test_says_what_is_wrong(program, says):
    with pytest.raises(BadToolpath, match=says) as caught:
        read_toolpath(program)
    assert str(caught.value).count("\n") == 0


def test_strange_lines_in_a_good_program_do_no_harm():
    good = stack(loop(square(30, 70)), 3)
    noise = [
        *["G1 Xnan Y5", "G1 X1..2", "hello world!", "T0", 'M862.3 P "x"', "G5 X1", "G1", "G1 E"],
        *["G4", "M204", "M204 S-1", "G92", "G1 F0", "G2", "G2 X1", "G3 R0", "#1=5", "M"],
    ]
    mixed = [line for k, line in enumerate(good) for line in (line, noise[k % len(noise)])]
    assert len(read_toolpath(mixed).layers) >= 3


@settings(max_examples=150, deadline=None)
@given(st.lists(st.binary(max_size=200), max_size=8))
def test_any_bytes(chunks):
    with contextlib.suppress(BadToolpath):
        read_toolpath(chunks)


WORDS = st.builds(
    lambda letter, value: f"{letter}{value}",
    st.sampled_from("GGGMNXYZEFIJKRPSTgxyz*(;"),
    st.one_of(
        st.integers(-3, 120),
        st.floats(-500, 500, allow_nan=False).map(lambda value: f"{value:.3f}"),
        st.sampled_from(["", ".", "-", "1e9", "92.1", "9" * 30]),
    ),
)
LINES = st.one_of(
    st.lists(WORDS, max_size=7).map(" ".join),
    st.builds(
        lambda x, y, z, e: f"G1 X{x} Y{y} Z{z / 10} E{e / 10}",
        st.integers(0, 60), st.integers(0, 60), st.integers(0, 20), st.integers(-20, 60),
    ),
    st.sampled_from(["G91", "G90", "M83", "M82", "G28", "G2 X5 Y5 I3 J1 E2", "G92 E0", "G20"]),
)  # fmt: skip


@settings(max_examples=150, deadline=None)
@given(st.lists(LINES, max_size=40))
def test_any_words(lines):
    try:
        toolpath = read_toolpath(lines)
    except BadToolpath:
        return
    assert [layer.number for layer in toolpath.layers] == list(range(1, len(toolpath.layers) + 1))
    heights = [layer.z_mm for layer in toolpath.layers]
    assert heights == sorted(heights)
    assert all(layer.height_mm > 0 and layer.duration_s >= 0 for layer in toolpath.layers)


SOUND = (Path(__file__).parent / "data" / "brim_sparse_infill_lift.gcode").read_bytes()[:9000]


@settings(max_examples=60, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.integers(0, len(SOUND) - 1),
            st.integers(0, 12),
            st.one_of(st.binary(max_size=4), st.sampled_from([b"\nG91\n", b"\nG20\n", b"9", b"-"])),
        ),
        max_size=12,
    )
)
def test_any_damage_to_a_sound_program(cuts):
    damaged = bytearray(SOUND)
    for where, length, instead in cuts:
        damaged[where : where + length] = instead
    try:
        toolpath = read_toolpath([bytes(damaged)])
    except BadToolpath:
        return
    assert toolpath.layers
    for layer in toolpath.layers:
        assert all(np.isfinite(ring).all() and len(ring) >= 3 for ring in layer.rings_mm)


def test_a_line_across_ten_metres_is_still_drawn():
    corners = [(0, 0), (9000, 0), (9000, 30), (0, 30)]
    (layer,) = read_toolpath(stack(loop(corners), 1)).layers
    assert max(area(ring) for ring in layer.rings_mm) == pytest.approx(9000 * 30, rel=0.05)
