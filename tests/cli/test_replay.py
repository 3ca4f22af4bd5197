"""``watcher replay``: what is judged, printed, written and kept."""

import json

import cv2
import pytest
from stand_ins import SIZE, jpeg, picture

from watcher.store import Store


def runs(data):
    with Store.open(data, write=False) as store:
        return store.runs()


def test_judges_each_frame_in_order_and_keeps_the_run(watcher, night, data):
    result = watcher("replay", night)
    assert result.exit_code == 0, result.output
    assert watcher.judge.frames == [(n, f"{n + 1:05d}.jpg", 100.0 * (n + 1)) for n in range(7)]
    assert watcher.setup.frame_size == SIZE
    assert len(watcher.toolpath.layers) == 2
    (run,) = runs(data)
    assert (run.name, run.state, run.frames, run.skipped) == ("vent bracket", "finished", 7, 0)
    assert run.advice.level == "stop"
    with Store.open(data, write=False) as store:
        path = store.frame_path(run.id, "00003.jpg")
        assert path.read_bytes() == (night / "frames" / "00003.jpg").read_bytes()


def test_says_in_plain_words_what_when_how_sure_and_what_was_not_seen(watcher, night):
    said = watcher("replay", night).output
    assert "7 pictures looked at, over 11 min." in said
    assert (
        "10 min into the print (00006.jpg): Stop the print: the right corner has lifted 2.2 mm."
        in said
    )
    assert "How sure: sure: 44 times the measuring error." in said
    assert "Not seen: left corner (corner lift) in 7 of 7 pictures (at last: hidden)." in said
    assert "Every other watched place was seen" in said
    assert "no fire or smoke alarm" in said
    assert "watcher page" in said


def test_quiet_night_says_so(watcher, night):
    for path in (night / "frames").iterdir():
        path.write_bytes(jpeg(20))
    said = watcher("replay", night).output
    assert "Nothing was found that would be a reason to stop." in said
    assert "Stop the print" not in said


def test_json_holds_stop_moments_and_lifts(watcher, night, tmp_path):
    out = tmp_path / "out.json"
    result = watcher("replay", night, "--json", out)
    assert result.exit_code == 0
    record = json.loads(out.read_text())
    assert record["stop"] == {
        "file": "00006.jpg",
        "elapsed_s": 600.0,
        "kind": "corner-lift",
        "corner_bed_mm": [160.0, 60.0],
        "sentence": "Stop the print: the right corner has lifted 2.2 mm.",
    }
    assert [m["file"] for m in record["moments"]] == ["00006.jpg"]
    assert [f["file"] for f in record["frames"]] == [f"{n:05d}.jpg" for n in range(1, 8)]
    lift = record["frames"][2]["lifts"]
    assert len(lift) == 1, "a place that was not seen has no lift"
    assert lift[0]["corner_bed_mm"] == [160.0, 60.0]
    assert lift[0]["lift_mm"] == pytest.approx(1.0, abs=0.02)
    assert lift[0]["sigma_mm"] == 0.05


def test_json_of_a_quiet_night_has_no_stop(watcher, night, tmp_path):
    for path in (night / "frames").iterdir():
        path.write_bytes(jpeg(20))
    watcher("replay", night, "--json", tmp_path / "out.json")
    record = json.loads((tmp_path / "out.json").read_text())
    assert record["stop"] is None
    assert record["moments"] == []


def test_bad_frames_are_skipped_and_counted(watcher, night, data):
    whole = jpeg(100)
    (night / "frames" / "00003.jpg").write_bytes(whole[: len(whole) // 2])
    (night / "frames" / "00004.jpg").write_bytes(jpeg(100, (48, 32)))
    result = watcher("replay", night)
    assert result.exit_code == 0
    assert "2 pictures could not be used (00003.jpg, 00004.jpg)" in result.output
    assert [index for index, _, _ in watcher.judge.frames] == list(range(5))
    (run,) = runs(data)
    assert (run.frames, run.skipped) == (5, 2)


def test_first_frame_bad_is_counted_too(watcher, night, data):
    (night / "frames" / "00001.jpg").write_bytes(b"")
    assert watcher("replay", night).exit_code == 0
    (run,) = runs(data)
    assert (run.frames, run.skipped) == (6, 1)


def test_remarks_on_the_recording_are_said(watcher, night):
    rows = (night / "frames.csv").read_text().splitlines()
    (night / "frames.csv").write_text("\n".join([rows[0], *rows[:0:-1]]))
    result = watcher("replay", night)
    assert result.exit_code == 0
    assert "out of order" in result.output


def test_setup_and_toolpath_from_elsewhere(watcher, night, tmp_path):
    (night / "setup.json").rename(tmp_path / "my.json")
    (night / "part.gcode").rename(tmp_path / "my.gcode")
    result = watcher(
        "replay", night, "--setup", tmp_path / "my.json", "--toolpath", tmp_path / "my.gcode"
    )
    assert result.exit_code == 0
    assert len(watcher.toolpath.layers) == 2


def test_video_with_every_and_setup(watcher, night, tmp_path, data):
    path = tmp_path / "night.avi"
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter_fourcc(*"MJPG"), 2, SIZE)
    for n in range(40):
        writer.write(picture(5 * n))
    writer.release()
    result = watcher("replay", path, "--every", 5, "--setup", night / "setup.json")
    assert result.exit_code == 0, result.output
    assert [round(t) for _, _, t in watcher.judge.frames] == [0, 5, 10, 15]
    assert runs(data)[0].name == "night"


def test_runs_lists_the_newest_first(watcher, night):
    assert "No runs are kept" in watcher("runs").output
    watcher("replay", night)
    watcher.clock.now_s = 5000
    watcher.judge.__init__()
    watcher("replay", night)
    said = watcher("runs").output
    assert said.index("2  vent bracket") < said.index("1  vent bracket")
    assert "watched to the last picture" in said
    assert "the right corner has lifted 2.2 mm." in said
