"""``setup_text``: what is written is read back as it was, and stays a file for people."""

import json
import re
from pathlib import Path

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from watcher.records import BedMarker, BedPoint, Setup
from watcher.settings import check_setup, read_setup, setup_text
from watcher.trouble import BadSetup

README = Path(__file__).resolve().parents[2] / "README.md"

numbers = st.floats(-4000, 4000)
points = st.tuples(numbers, numbers)
shifts = st.floats(-20, 20)


@st.composite
def setups(draw):
    """Any set-up that is sound: a bed seen by some camera from above, points a little off."""
    width, height = draw(st.integers(64, 4096)), draw(st.integers(64, 2160))
    bed = draw(st.tuples(st.floats(50, 900), st.floats(50, 900)))
    shares = [(0.2, 0.85), (0.8, 0.85), (0.7, 0.4), (0.3, 0.4)]
    places = [(0.0, 0.0), (bed[0], 0.0), bed, (0.0, bed[1])]
    numbered = draw(st.lists(st.integers(0, 9), unique=True, max_size=4))
    return Setup(
        frame_size=(width, height),
        bed_mm=bed,
        bed_motion=draw(st.sampled_from(["bed-y", "bed-z", "fixed"])),
        head_parked_for_frames=draw(st.booleans()),
        bed_points=tuple(
            BedPoint((x * width + draw(shifts) / 20, y * height + draw(shifts) / 20), place)
            for (x, y), place in zip(shares, places, strict=True)
        ),
        bed_points_z_mm=draw(st.floats(0, 300)),
        part_px=tuple(draw(st.one_of(st.just([]), st.lists(points, min_size=3, max_size=12)))),
        bed_markers=tuple(
            BedMarker(n, draw(points), draw(st.floats(1, 100))) for n in sorted(numbered)
        ),
        room_markers=draw(st.booleans()),
    )


@settings(max_examples=150, deadline=None)
@given(setups())
def test_what_is_written_is_read_back_as_it_was(tmp_path_factory, setup):
    path = tmp_path_factory.mktemp("setup") / "setup.json"
    path.write_text(setup_text(setup), encoding="utf-8")
    assert read_setup(path) == setup


@given(setups())
@settings(max_examples=30, deadline=None)
def test_a_point_has_a_line_of_its_own(setup):
    lines = setup_text(setup).splitlines()
    assert sum('"pixel"' in line for line in lines) == 4
    assert all(line.count('"pixel"') <= 1 for line in lines)


def test_the_readmes_example_comes_out_as_it_stands_there():
    (example,) = re.findall(r"```json\n(.*?)```", README.read_text(), re.DOTALL)
    written = setup_text(check_setup(json.loads(example), "it"))
    # A whole number is written without its .0.
    assert written == re.sub(r"(\d)\.0\b", r"\1", example)


@given(setups(), st.randoms(use_true_random=False))
@settings(max_examples=40, deadline=None)
def test_swapped_points_are_told_as_when_a_file_holds_them(setup, random):
    content = json.loads(setup_text(setup))
    order = [0, 1, 2, 3]
    random.shuffle(order)
    assume(order not in [[0, 1, 2, 3], [1, 2, 3, 0], [2, 3, 0, 1], [3, 0, 1, 2]])
    pixels = [point["pixel"] for point in content["bed_points"]]
    for point, n in zip(content["bed_points"], order, strict=True):
        point["pixel"] = pixels[n]
    with pytest.raises(BadSetup, match=r"The set-up: bed_points are (crossed|mirrored)"):
        check_setup(content, "The set-up")


def test_what_is_no_object_is_told():
    with pytest.raises(BadSetup, match="does not hold one JSON object"):
        check_setup([1], "The set-up")
