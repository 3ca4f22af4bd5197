"""What a view promises: against geometry worked by hand, the evidence itself and a real replay."""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from scene.benchtop import BED, SIZE, looking, rectangle, setup_for, toolpath, usual_camera

from watcher.before.eye import FLOOR_PX, lift_sigma_mm
from watcher.before.view import BED_NAMES, PICTURES, part_of, prospect
from watcher.evidence.bars import USUAL_BARS, bars_for
from watcher.evidence.faults import Faults, stopping_lift_mm
from watcher.night import Night
from watcher.records import Frame, Reading
from watcher.scene.region import drawn_region
from watcher.settings import read_setup
from watcher.toolpath import read_toolpath
from watcher.trouble import BadSetup

SAMPLE = Path(__file__).resolve().parents[2] / "sample_frames" / "lift"


def bed(camera, colour=110.0, room=50.0, noise=1.5, blur=1.0):
    """A plain bed in a plain room, with some boxes in it to be sharp or not."""
    rng = np.random.default_rng(4)
    width, height = camera.size_px
    fine = 4
    picture = np.full((height * fine, width * fine), room, np.float32)
    for x in range(20, width, 90):
        cv2.rectangle(picture, (x * fine, 10 * fine), ((x + 40) * fine, 50 * fine), 160.0, -1)
    box = camera.project(np.array([[0, 0, 0], [BED[0], 0, 0], [*BED, 0], [0, BED[1], 0]], float))
    cv2.fillConvexPoly(picture, np.round(box * fine).astype(np.int32), colour)
    small = cv2.resize(picture, (width, height), interpolation=cv2.INTER_AREA)
    small = cv2.GaussianBlur(small, (0, 0), blur) + rng.normal(0, noise, small.shape)
    return np.clip(small, 0, 255).astype(np.float32)


def test_millimetres_of_height_in_a_pixel_as_worked_by_hand():
    """A level camera at distance D sees a millimetre of height as f / D pixels at its axis (similar
    triangles). Looking down by an angle a it is f cos(a) / D."""
    down = np.radians(40)
    far = 400.0
    target = np.array([BED[0] / 2, BED[1] / 2, 0.0])
    eye = target + far * np.array([0.0, -np.cos(down), np.sin(down)])
    camera = looking(eye, target, focal_px=800.0)
    seen = prospect(bed(camera), setup_for(camera))
    middle = np.mean([spot.mm_per_px for spot in seen.bed])
    assert middle == pytest.approx(far / (800.0 * np.cos(down)), rel=0.05)
    # Corners in front are nearer, so a pixel is less there.
    front, back = seen.bed[0].mm_per_px, seen.bed[2].mm_per_px
    assert front < middle < back
    assert [spot.name for spot in seen.bed] == list(BED_NAMES)
    assert seen.advice == ()


def test_the_words_of_a_corner():
    camera = usual_camera()
    seen = prospect(bed(camera), setup_for(camera))
    spot = seen.bed[1]
    assert spot.words == (
        f"front right: {spot.mm_per_px:.2f} mm a pixel, sees {spot.stops_from_mm:.1f} mm"
    )


def test_the_lift_that_stops_follows_from_the_sum():
    """Bar h in n pictures: each adds (L - 0.25) / s - 0.5, so L = 0.25 + s (h / n + 0.5), with s
    the reading's error and the 0.08 mm that every track adds, in squares."""
    bar = USUAL_BARS.threshold["corner-lift"]
    assert stopping_lift_mm(0.0, 10) == pytest.approx(0.25 + 0.08 * (bar / 10 + 0.5))
    assert stopping_lift_mm(0.06, 10) == pytest.approx(0.25 + 0.1 * (bar / 10 + 0.5))
    # Three clipped pictures add 2.5 each: that never passes a bar of 7.6.
    assert stopping_lift_mm(0.05, 3) is None
    strict = bars_for(1.0, 10.0, {"corner-lift": 4}, 3600.0, 10.0)
    assert stopping_lift_mm(0.05, 10, strict) is None


@pytest.mark.parametrize("sigma", [0.03, 0.1, 0.3])
@pytest.mark.parametrize("share", [0.85, 1.1])
def test_the_evidence_stops_on_just_that_lift(sigma, share):
    """Readings without noise into the real sums: above the told lift a stop, well below none."""
    lift = 0.25 + share * (stopping_lift_mm(sigma, PICTURES) - 0.25)
    faults = Faults()
    passed = False
    for index in range(40 + PICTURES):
        value = 0.0 if index < 40 else lift
        reading = Reading("corner-lift", "corner", (0.0, 0.0, 0.0), value, sigma, "mm")
        suspicions, _ = faults.update((reading,), index, 1.0)
        passed |= any(s.strength > s.threshold for s in suspicions)
    assert passed == (share > 1)


def test_the_expected_error_is_of_the_size_of_what_is_measured():
    """The sample night's first pictures through the real measuring: same order of magnitude."""
    setup = read_setup(SAMPLE / "setup.json")
    path = read_toolpath([(SAMPLE / "part.gcode").read_bytes()])
    night = Night(setup, path)
    measured = []
    files = sorted((SAMPLE / "frames").glob("*.jpg"))[:14]
    for index, file in enumerate(files):
        seen = night.see(Frame(index, file.name, 60.0 * index, cv2.imread(str(file))))
        measured += [r.sigma for r in seen.measured if r.kind == "corner-lift" and r.sigma]
    grey = cv2.imread(str(files[0]), cv2.IMREAD_GRAYSCALE).astype(np.float32)
    foretold = [spot.sigma_mm for spot in prospect(grey, setup, part_of("part", path)).part]
    assert len(measured) > 10
    assert 0.2 < np.median(measured) / np.median(foretold) < 5


def test_noise_blur_and_poor_contrast_cost_what_the_bound_says():
    """In white noise the error goes with noise, the root of blur and one over contrast; the floor
    of 0.1 px stays."""

    def bound(noise, blur, step):
        return np.sqrt((10 * lift_sigma_mm(10.0, noise, blur, step)) ** 2 - FLOOR_PX**2)

    one = bound(4.0, 1.0, 20.0)
    assert bound(8.0, 1.0, 20.0) == pytest.approx(2 * one)
    assert bound(4.0, 4.0, 20.0) == pytest.approx(2 * one)
    assert bound(4.0, 1.0, 10.0) == pytest.approx(2 * one)
    camera = usual_camera()
    calm, rough = (prospect(bed(camera, noise=n), setup_for(camera)) for n in (1.0, 12.0))
    assert rough.bed[0].sigma_mm > 1.2 * calm.bed[0].sigma_mm


def said(prospects):
    return " ".join(prospects.advice)


def test_a_dark_bright_glaring_or_noisy_picture_is_told():
    camera = usual_camera()
    setup = setup_for(camera)
    assert "Too dark" in said(prospect(bed(camera, colour=20, room=10), setup))
    assert "Too bright" in said(prospect(bed(camera, colour=235), setup))
    assert "Noisy" in said(prospect(bed(camera, noise=12), setup))
    glare = bed(camera)
    x, y = camera.project(np.array([[100.0, 90.0, 0.0]]))[0]
    cv2.circle(glare, (int(x), int(y)), 50, 255.0, -1)
    assert "The lamp glares" in said(prospect(glare, setup))
    assert "Blurred" in said(prospect(bed(camera, blur=4.0, noise=0.5), setup))
    black = prospect(np.zeros((SIZE[1], SIZE[0]), np.float32), setup)
    assert black.blind == "the picture is black"
    assert "Nothing can be seen" in said(black)


def test_a_camera_that_stands_badly_is_told_how_to_stand():
    def stand(eye, target=(100.0, 90.0, 0.0), focal=700.0):
        camera = looking(eye, target, focal_px=focal)
        return said(prospect(bed(camera), setup_for(camera)))

    assert "too flat over the bed (10 degrees)" in stand((100.0, -480.0, 100.0), focal=900)
    assert "too steeply" in stand((100.0, 60.0, 420.0), focal=600.0)
    assert "Outside the picture: front left" in stand(
        (150.0, -180.0, 220.0), (130.0, 90.0, 0.0), 900.0
    )
    assert "Too coarse" in stand((100.0, -700.0, 500.0), focal=500.0)


def test_the_parts_corners_are_judged_and_its_footprint_is_the_region():
    camera = usual_camera()
    setup = setup_for(camera)
    ring = rectangle(60, 50, 140, 110)
    part = part_of("plate", toolpath([[ring]] * 40))
    seen = prospect(bed(camera), setup, part)
    assert sorted(spot.name for spot in seen.part) == [
        "back left",
        "back right",
        "front left",
        "front right",
    ]
    assert all(spot.in_picture and not spot.hidden for spot in seen.part)
    back = drawn_region(camera, np.array(seen.region_px), np.zeros(3)).ring_mm
    near = np.linalg.norm(back[:, None] - ring[None], axis=2)
    # To half a millimetre and a bit: the camera is fitted anew to the bed's edges.
    assert len(back) == 4
    assert near.min(axis=0).max() < 0.6


def test_a_footprint_of_several_parts_gets_one_polygon_round_all():
    camera = usual_camera()
    rings = [rectangle(20, 20, 60, 60), rectangle(120, 100, 160, 150)]
    seen = prospect(bed(camera), setup_for(camera), part_of("two", toolpath([rings] * 40)))
    back = drawn_region(camera, np.array(seen.region_px), np.zeros(3)).ring_mm
    assert back.min(axis=0) == pytest.approx([20, 20], abs=0.5)
    assert back.max(axis=0) == pytest.approx([160, 150], abs=0.5)


def test_a_tall_part_hides_its_own_back():
    camera = looking((100.0, -300.0, 110.0), (100.0, 90.0, 0.0))
    ring = rectangle(60, 50, 140, 110)
    seen = prospect(bed(camera), setup_for(camera), part_of("box", toolpath([[ring]] * 40)))
    hidden = [spot.name for spot in seen.part if spot.hidden]
    assert set(hidden) <= {"back left", "back right"}


def test_points_that_fit_no_bed_of_that_size_are_told():
    camera = usual_camera()
    right = setup_for(camera)
    assert "No camera sees" not in said(prospect(bed(camera), right))
    moved = replace(right.bed_points[0], pixel=(-80.0, 343.0))
    wrong = replace(right, bed_points=(moved, *right.bed_points[1:]))
    assert "No camera sees a bed of 200 by 180 mm just there" in said(prospect(bed(camera), wrong))


def test_points_that_no_camera_explains_are_refused():
    camera = usual_camera()
    setup = setup_for(camera)
    below = replace(
        setup,
        bed_points=tuple(
            replace(point, bed_mm=(BED[0] - point.bed_mm[0], point.bed_mm[1]))
            for point in setup.bed_points
        ),
    )
    with pytest.raises(BadSetup):
        prospect(bed(camera), below)
