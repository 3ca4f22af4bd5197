"""``read_setup``: what it takes, and one sentence for each thing it refuses."""

import copy
import json
import math
import re

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from watcher.records import BedMarker, BedPoint
from watcher.settings import read_setup
from watcher.trouble import BadSetup

GOOD = {
    "frame_size": [1024, 576],
    "bed_mm": [220, 200],
    "bed_motion": "bed-y",
    "head_parked_for_frames": True,
    "bed_points": [
        {"pixel": [198.9, 631.0], "bed_mm": [0, 0]},
        {"pixel": [955.2, 565.6], "bed_mm": [220, 0]},
        {"pixel": [723.4, 280.7], "bed_mm": [220, 200]},
        {"pixel": [277.8, 301.5], "bed_mm": [0, 200]},
    ],
    "bed_points_z_mm": 0.25,
}


@pytest.fixture
def write(tmp_path):
    def written(content):
        path = tmp_path / "setup.json"
        path.write_text(content if isinstance(content, str) else json.dumps(content))
        return path

    return written


def with_change(*keys, to):
    content = copy.deepcopy(GOOD)
    place = content
    for key in keys[:-1]:
        place = place[key]
    place[keys[-1]] = to
    return content


def test_reads_every_field(write):
    setup = read_setup(write(GOOD))
    assert setup.frame_size == (1024, 576)
    assert setup.bed_mm == (220.0, 200.0)
    assert setup.bed_motion == "bed-y"
    assert setup.head_parked_for_frames is True
    assert setup.bed_points[1] == BedPoint(pixel=(955.2, 565.6), bed_mm=(220.0, 0.0))
    assert len(setup.bed_points) == 4
    assert setup.bed_points_z_mm == 0.25
    assert setup.part_px == ()


def test_reads_a_drawn_region(write):
    region = [[400, 300], [520.5, 310], [510, 350]]
    setup = read_setup(write({**GOOD, "part_region": region}))
    assert setup.part_px == ((400.0, 300.0), (520.5, 310.0), (510.0, 350.0))


def test_reads_markers(write):
    markers = [{"number": 2, "bed_mm": [5, 180], "side_mm": 20.5}]
    setup = read_setup(write({**GOOD, "bed_markers": markers, "room_markers": True}))
    assert setup.bed_markers == (BedMarker(2, (5.0, 180.0), 20.5),)
    assert setup.room_markers is True
    assert read_setup(write(GOOD)).room_markers is False


@pytest.mark.parametrize(
    ("markers", "named"),
    [
        ({"number": 2}, "bed_markers"),
        ([{"number": 2, "bed_mm": [5, 180]}], "side_mm"),
        ([{"number": 12, "bed_mm": [5, 180], "side_mm": 20}], "number"),
        ([{"number": 1.5, "bed_mm": [5, 180], "side_mm": 20}], "number"),
        ([{"number": 1, "bed_mm": [5, 180], "side_mm": 0}], "side_mm"),
        ([{"number": 1, "bed_mm": [5], "side_mm": 20}], "bed_mm"),
        ([{"number": 1, "bed_mm": [5, 180], "side_mm": 20}] * 2, "twice"),
        (["one"], "bed_markers"),
    ],
)
def test_markers_that_make_no_sense_are_refused(write, markers, named):
    with pytest.raises(BadSetup, match=named):
        read_setup(write({**GOOD, "bed_markers": markers}))


@pytest.mark.parametrize("region", [[[1, 2]], [[1, 2], [3, 4]], "all", [[1, 2], [3], [5, 6]]])
def test_a_region_that_is_no_polygon_is_refused(write, region):
    with pytest.raises(BadSetup, match="part_region"):
        read_setup(write({**GOOD, "part_region": region}))


def test_sunk_bed_may_be_left_out(write):
    content = copy.deepcopy(GOOD)
    del content["bed_points_z_mm"]
    assert read_setup(write(content)).bed_points_z_mm == 0.0


def test_points_may_come_in_any_order_and_be_more_than_four(write):
    content = copy.deepcopy(GOOD)
    content["bed_points"] = [
        *content["bed_points"][::-2],
        {"pixel": [540, 430], "bed_mm": [110, 100]},
        {"pixel": [577, 598.3], "bed_mm": [110, 0]},
        *content["bed_points"][::2],
    ]
    assert len(read_setup(write(content)).bed_points) == 6


def test_extra_fields_are_passed_over(write):
    assert read_setup(write({**GOOD, "notes": "desk camera"})).bed_mm == (220.0, 200.0)


THREE = GOOD["bed_points"][:3]
CROSSED = [
    {"pixel": GOOD["bed_points"][n]["pixel"], "bed_mm": GOOD["bed_points"][m]["bed_mm"]}
    for n, m in ((0, 0), (1, 1), (3, 2), (2, 3))
]
MIRRORED = [
    {"pixel": [1024 - p["pixel"][0], p["pixel"][1]], "bed_mm": p["bed_mm"]}
    for p in GOOD["bed_points"]
]
DENTED = copy.deepcopy(GOOD["bed_points"])
DENTED[2]["pixel"] = [400, 480]
ON_A_LINE = copy.deepcopy(GOOD["bed_points"])
ON_A_LINE[2]["bed_mm"] = [110, 0]
TWICE = copy.deepcopy(GOOD["bed_points"])
TWICE[2]["bed_mm"] = [220, 0]


@pytest.mark.parametrize(
    ("content", "field", "says"),
    [
        (with_change("bed_points", to=THREE), "bed_points", "holds 3 points"),
        (with_change("bed_points", to=THREE[:1]), "bed_points", "holds 1 point"),
        (with_change("bed_points", to=CROSSED), "bed_points", "crossed"),
        (with_change("bed_points", to=DENTED), "bed_points", "crossed"),
        (with_change("bed_points", to=MIRRORED), "bed_points", "mirrored"),
        (with_change("bed_points", to=ON_A_LINE), "bed_points", "quadrilateral"),
        (with_change("bed_points", to=TWICE), "bed_points", "quadrilateral"),
        (with_change("bed_points", to="four"), "bed_points", "0 points"),
        (with_change("bed_points", 1, to=[1, 2]), "bed_points[1]", "no object"),
        (with_change("bed_points", 1, to={"pixel": [1, 2]}), "bed_points[1].bed_mm", "missing"),
        (with_change("bed_points", 2, "pixel", to=[math.nan, 5]), "bed_points[2].pixel", "finite"),
        (with_change("bed_points", 2, "pixel", to=[10**400, 5]), "bed_points[2].pixel", "finite"),
        (with_change("bed_points", 2, "bed_mm", to=["a", 5]), "bed_points[2].bed_mm", "a"),
        (with_change("bed_points", 2, "bed_mm", to=[1]), "bed_points[2].bed_mm", "two numbers"),
        (with_change("frame_size", to=[0, 576]), "frame_size", "0 by 576"),
        (with_change("frame_size", to=[1024.5, 576]), "frame_size", "1024.5"),
        (with_change("frame_size", to=[True, 576]), "frame_size", "true"),
        (with_change("frame_size", to=[1e9, 576]), "frame_size", "1e+09"),
        (with_change("bed_mm", to=[math.inf, 220]), "bed_mm", "finite"),
        (with_change("bed_mm", to=[-220, 220]), "bed_mm", "-220"),
        (with_change("bed_motion", to="bed-x"), "bed_motion", "bed-x"),
        (with_change("bed_motion", to=["fixed"]), "bed_motion", "fixed"),
        (with_change("head_parked_for_frames", to="yes"), "head_parked_for_frames", "yes"),
        (with_change("bed_points_z_mm", to=-1), "bed_points_z_mm", "-1"),
        ({k: v for k, v in GOOD.items() if k != "bed_mm"}, "bed_mm", "missing"),
        ([1, 2], "JSON object", ""),
        ("{", "not JSON", "line 1"),
        ("", "not JSON", ""),
    ],
)
def test_refuses_in_one_sentence_that_names_file_field_and_mend(write, content, field, says):
    with pytest.raises(BadSetup) as caught:
        read_setup(write(content))
    sentence = str(caught.value)
    assert "setup.json" in sentence
    assert field in sentence
    assert says in sentence
    assert "\n" not in sentence
    assert re.search(r"\. [A-Z][^.]+.*\.$", sentence), "says what to do"


def test_missing_file_folder_and_binary(tmp_path):
    with pytest.raises(BadSetup, match="no setup file"):
        read_setup(tmp_path / "setup.json")
    with pytest.raises(BadSetup, match="folder"):
        read_setup(tmp_path)
    (tmp_path / "setup.json").write_bytes(bytes(range(256)))
    with pytest.raises(BadSetup, match="not a JSON"):
        read_setup(tmp_path / "setup.json")


@settings(max_examples=60)
@given(
    turn=st.floats(-180, 180),
    tilt=st.floats(15, 75),
    away=st.floats(350, 900),
)
def test_every_camera_above_the_bed_is_taken(tmp_path_factory, turn, tilt, away):
    """Projections by OpenCV's own ``projectPoints`` of a bed seen from above, from any side."""
    corners = np.array([[0, 0, 0], [220, 0, 0], [220, 220, 0], [0, 220, 0]], float)
    # The camera looks at the bed's middle; OpenCV's camera has y down and z forward.
    level = cv2.Rodrigues(np.array([np.radians(90 + tilt), 0.0, 0.0]))[0]
    spin = cv2.Rodrigues(np.array([0.0, 0.0, np.radians(turn)]))[0]
    rotation = level @ spin
    shift = np.array([0, 0, away]) - rotation @ np.array([110.0, 110.0, 0.0])
    assert (-rotation.T @ shift)[2] > 0, "the camera stands above the bed"
    camera = np.array([[900, 0, 512], [0, 900, 288], [0, 0, 1]], float)
    pixels, _ = cv2.projectPoints(corners, cv2.Rodrigues(rotation)[0], shift, camera, None)
    points = [
        {"pixel": pixel.tolist(), "bed_mm": corner[:2].tolist()}
        for pixel, corner in zip(pixels[:, 0], corners, strict=True)
    ]
    path = tmp_path_factory.mktemp("s") / "setup.json"
    path.write_text(json.dumps({**GOOD, "bed_points": points}))
    assert len(read_setup(path).bed_points) == 4
