"""``watcher draw``: one picture of a night, or of a kept run, drawn over."""

import cv2
import numpy as np
import pytest


def picture(path):
    return cv2.imread(str(path))


def test_a_picture_of_a_recorded_night_is_drawn(watcher, night, tmp_path):
    out = tmp_path / "drawn.png"
    result = watcher("draw", night, "00003.jpg", "--out", out)
    assert result.exit_code == 0, result.output
    assert f"Written to {out}." in result.output
    # The frames are flat grey, so nothing can be placed, and that is said below the frame.
    drawn = picture(out)
    assert drawn.shape[1] >= 1200
    top, below = drawn[:100], drawn[-40:]
    assert np.ptp(top) == 0
    assert np.ptp(below) > 100


@pytest.mark.parametrize("suffix", [".jpg", ".webp", ".PNG"])
def test_a_picture_may_be_asked_for_by_number_and_in_any_kind_of_file(
    watcher, night, tmp_path, suffix
):
    one, two = tmp_path / "one.png", tmp_path / f"two{suffix}"
    assert watcher("draw", night, "00003.jpg", "--out", one).exit_code == 0
    assert watcher("draw", night, "2", "--out", two).exit_code == 0
    assert np.abs(picture(one).astype(int) - picture(two)).mean() < 3


def test_a_kept_run_is_drawn_with_its_own_setup(watcher, night, tmp_path):
    assert watcher("replay", night).exit_code == 0
    one, two = tmp_path / "one.png", tmp_path / "two.png"
    plan = night / "part.gcode"
    result = watcher("draw", "1", "00003.jpg", "--toolpath", plan, "--out", two)
    assert result.exit_code == 0, result.output
    assert watcher("draw", night, "00003.jpg", "--out", one).exit_code == 0
    np.testing.assert_array_equal(picture(one), picture(two))


@pytest.mark.parametrize(
    ("what", "words"),
    [
        (("{night}", "nope.jpg", "--out", "{out}.png"), "no picture nope.jpg. It has 00001.jpg to"),
        (("{night}", "00001.jpg", "--out", "{out}.gif"), "is no kind of picture"),
        (("{night}", "00001.jpg", "--out", "{out}/x.png"), "can't be written"),
        (("{night}-2", "00001.jpg", "--out", "{out}.png"), "setup.json"),
        (("99", "1", "--out", "{out}.png"), "No run 99 is kept"),
    ],
)
def test_bad_input_is_refused_in_words(watcher, night, tmp_path, what, words):
    watcher("replay", night)
    result = watcher("draw", *(x.format(night=night, out=tmp_path / "out") for x in what))
    assert result.exit_code == 2
    assert words in result.output
    assert not list(tmp_path.glob("out*"))


def test_a_broken_picture_is_not_drawn(watcher, night, tmp_path):
    (night / "frames" / "00002.jpg").write_bytes(b"no picture")
    result = watcher("draw", night, "00002.jpg", "--out", tmp_path / "out.png")
    assert result.exit_code == 2
    assert "00002.jpg can't be used" in result.output
    assert watcher("draw", night, "00003.jpg", "--out", tmp_path / "out.png").exit_code == 0
