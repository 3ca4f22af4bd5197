"""The scores of nights, reckoned by hand on small ones."""

import math

import pytest
from bench.scored import normalised, pairs, robust_deviation, scored

CORNER, OTHER = [10.0, 20.0], [90.0, 20.0]


def night(lifts=(), kind="warp", failed_from=None, layers=10, strands_from=99):
    """Ten frames, one a layer; the corner lifts by ``lifts[i]`` mm in frame i."""
    frames = []
    for i in range(layers):
        lift = lifts[i] if i < len(lifts) else 0.0
        frames.append(
            {
                "file": f"{i:02d}.jpg",
                "layer": i + 1,
                "lifts": [{"corner_bed_mm": CORNER, "lift_mm": lift}] if lifts else [],
                "strands": 3 if i >= strands_from else 0,
                "failed": failed_from is not None and i >= failed_from,
            }
        )
    onset = None if failed_from is None else f"{failed_from:02d}.jpg"
    return {"kind": kind, "total_layers": layers, "first_failed_frame": onset, "frames": frames}


def replay(measured=(), other=(), stop=None, kind="corner-lift", corner=CORNER):
    frames = []
    for i in range(10):
        lifts = []
        for place, values in ((CORNER, measured), (OTHER, other)):
            if i < len(values) and values[i] is not None:
                near = [place[0] + 3.0, place[1] - 4.0]  # 5 mm off
                lifts.append({"corner_bed_mm": near, "lift_mm": values[i], "sigma_mm": 0.1})
        frames.append({"file": f"{i:02d}.jpg", "lifts": lifts})
    said = None
    if stop is not None:
        said = {"file": f"{stop:02d}.jpg", "kind": kind, "corner_bed_mm": corner}
    return {"stop": said, "moments": [], "frames": frames}


RISE = [0, 0, 0, 0, 0.1, 0.3, 0.6, 0.9, 1.2, 1.5]


def test_a_stop_two_layers_after_the_onset():
    one = scored("a", night(RISE, failed_from=6), replay(stop=8))
    assert (one.verdict, one.right) == ("found", True)
    assert (one.delay_frames, one.delay_layers) == (2, 2)
    # At the onset layers 8 to 10 are still to print; the stop saves the last of them.
    assert one.saved == pytest.approx((10 - 9) / (10 - 7))


@pytest.mark.parametrize(
    ("truth", "said", "verdict", "right"),
    [
        (night(kind="good"), replay(), "quiet", True),
        (night(kind="good"), replay(stop=3), "false stop", False),
        (night(RISE, failed_from=6), replay(), "missed", False),
        (night(RISE, failed_from=6), replay(stop=5), "found", True),  # 0.3 mm: early, not false
        (night(RISE, failed_from=6), replay(stop=4), "false stop", False),  # 0.1 mm
        (night(RISE, failed_from=6), replay(stop=7, corner=OTHER), "found, other corner", False),
        (night(RISE, failed_from=6), replay(stop=7, kind="spaghetti"), "found, named spaghetti", 0),
        (night(kind="shift", failed_from=4), replay(stop=6, kind="layer-step"), "found", True),
        (night(RISE, "overhang", 6), replay(stop=7, kind="overhang-curl"), "found", True),
    ],
)
def test_verdicts(truth, said, verdict, right):
    one = scored("a", truth, said)
    assert (one.verdict, one.right) == (verdict, bool(right))


def test_an_early_stop_saves_everything_and_has_a_negative_delay():
    one = scored("a", night(RISE, failed_from=6), replay(stop=5))
    assert one.delay_frames == -1
    assert one.saved == 1.0


def test_errors_are_those_of_the_frames_that_were_measured():
    measured = [None, None, 0.3, -0.4, *[None] * 6]
    one = scored("a", night(RISE, failed_from=6), replay(measured))
    assert one.rmse_mm == pytest.approx(math.sqrt((0.3**2 + 0.4**2) / 2))
    assert one.coverage == pytest.approx(2 / 10)


def test_phantoms_are_lifts_measured_where_nothing_lifts_before_the_failure():
    other = [0.1, -0.2, 0.05, 0.0, 0.1, 0.1, 9.0, 9.0, 9.0, 9.0]
    one = scored("a", night(RISE, failed_from=6), replay(RISE, other))
    assert one.phantom_mm == pytest.approx(0.2)


def test_frames_with_strands_do_not_count_for_the_error():
    truth = night(RISE, failed_from=6, strands_from=5)
    assert len(pairs(truth, replay(RISE))) == 5


def test_normalised_errors_and_their_deviation():
    measured = [0.1, -0.1, 0.0, 0.3]
    values = normalised(pairs(night([0.0] * 4), replay(measured)))
    assert values == pytest.approx([1.0, -1.0, 0.0, 3.0])
    # Median 0.5, distances 0.5, 1.5, 0.5, 2.5, their median 1.
    assert robust_deviation(values) == pytest.approx(1.4826)
