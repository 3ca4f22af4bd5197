"""``watcher watch``: every source on the path of replay, the page beside it, and how it ends."""

import json
import os
import re
import signal
import subprocess
import sys
import time

import cv2
import pytest
from stage import Stage, read_page
from stand_ins import SIZE, FakeClock, http_server, jpeg, picture

from watcher.store import Store


def frames_of(night):
    return [path.read_bytes() for path in sorted((night / "frames").iterdir())]


TIMES_S = [100.0 * n for n in range(1, 8)]


def kept(data):
    with Store.open(data, write=False) as store:
        (run,) = store.runs()
        return run, [(f.name, f.elapsed_s) for f in store.frames(run.id)], store.moments(run.id)


def watch(watcher, source, night, *more):
    return watcher(
        "watch",
        *("--source", source, "--setup", night / "setup.json", "--port", 0),
        *("--toolpath", night / "part.gcode", *more),
    )


@pytest.mark.parametrize("camera", ["stream", "still"])
def test_http_camera_comes_to_the_same_as_replay(watcher, night, data, camera):
    stage = Stage(frames_of(night), TIMES_S)
    watcher.clock = stage
    with http_server(getattr(stage, camera)) as url:
        result = watch(watcher, url.replace("//", "//me:s3cret@"), night)
    assert result.exit_code == 0, result.output
    assert watcher.judge.frames == [(n, f"{n + 1:05d}.jpg", t) for n, t in enumerate(TIMES_S)]
    run, frames, (moment,) = kept(data)
    assert (run.name, run.state, run.frames, run.skipped) == ("part", "left early", 7, 0)
    assert frames == [(f"{n + 1:05d}.jpg", t) for n, t in enumerate(TIMES_S)]
    assert moment.moment.name == "00006.jpg"
    assert "s3cret" not in run.source
    assert "s3cret" not in result.output


def test_stop_is_cried_with_a_bell_at_each_picture(watcher, night):
    stage = Stage(frames_of(night), TIMES_S)
    watcher.clock = stage
    with http_server(stage.stream) as url:
        said = watch(watcher, url, night).output
    cries = re.findall("\a(.*) into the print: Stop the print: the right corner", said)
    assert cries == ["10 min", "11 min"]
    assert said.count("Carry on: nothing lifts.") == 1, "what has not changed is not said again"
    assert "no fire or smoke alarm" in said


def test_page_shows_the_run_while_it_is_watched(watcher, night, free_port):
    seen = []

    def look(shown):
        if shown == 6:
            seen.append((read_page(free_port), read_page(free_port, "/run/1")))

    stage = Stage(frames_of(night), TIMES_S, look)
    watcher.clock = stage
    with http_server(stage.stream) as url:
        result = watch(watcher, url, night, "--port", free_port)
    assert result.exit_code == 0, result.output
    assert f"http://127.0.0.1:{free_port}/" in result.output
    ((prints, timelapse),) = seen
    assert "being watched now" in prints
    assert "the right corner has lifted 2.2 mm." in timelapse.lower()
    with pytest.raises(OSError, match="refused"):
        read_page(free_port)


def test_folder_that_pictures_are_dropped_into(watcher, night, data, tmp_path):
    drop = tmp_path / "drop"
    drop.mkdir()
    shades = iter([30, 230])

    def next_picture(wait_number):
        shade = next(shades, None)
        if shade is None:
            raise KeyboardInterrupt
        (drop / f"{shade}.jpg").write_bytes(jpeg(shade))

    watcher.clock = FakeClock(next_picture)
    result = watch(watcher, drop, night)
    assert result.exit_code == 0, result.output
    _, frames, moments = kept(data)
    assert len(frames) == 2
    assert len(moments) == 1


def test_video_is_watched_to_its_end(watcher, night, data, tmp_path):
    path = tmp_path / "v.avi"
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter_fourcc(*"MJPG"), 1, SIZE)
    for shade in range(0, 250, 10):
        writer.write(picture(shade))
    writer.release()
    result = watch(watcher, path, night, "--interval", 5)
    assert result.exit_code == 0, result.output
    run, frames, _ = kept(data)
    assert run.state == "finished"
    assert [t for _, t in frames] == [0, 5, 10, 15, 20]


def test_bad_pictures_in_the_stream_are_said_once_and_counted(watcher, night, data):
    pictures = frames_of(night)
    pictures[2] = pictures[3] = pictures[2][:99]
    stage = Stage(pictures, TIMES_S)
    watcher.clock = stage
    with http_server(stage.stream) as url:
        result = watch(watcher, url, night)
    assert result.exit_code == 0
    assert result.stderr.count("can't be used: the picture is cut short") == 1
    run, _, _ = kept(data)
    assert (run.frames, run.skipped) == (5, 2)


def test_interrupt_before_the_first_picture_leaves_no_run(watcher, night, data, tmp_path):
    def interrupt(_):
        raise KeyboardInterrupt

    watcher.clock = FakeClock(interrupt)
    (tmp_path / "drop").mkdir()
    result = watch(watcher, tmp_path / "drop", night)
    assert result.exit_code == 2
    assert "before a picture came" in result.stderr
    with Store.open(data, write=False) as store:
        assert store.runs() == []


# The judge of the outside process is slow, so that a signal comes in the middle of the night.
SLOW = """
import time
from stand_ins import ShadeJudge
from watcher.cli import Equipment, main

class Slow(ShadeJudge):
    def see(self, frame):
        time.sleep(0.4)
        return super().see(frame)

main(obj=Equipment(make_judge=lambda setup, toolpath, weights: Slow()))
"""


@pytest.fixture
def slow_replay(night, data):
    tests = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
    process = subprocess.Popen(
        [sys.executable, "-c", SLOW, "replay", str(night), "--data", str(data)],
        env={**os.environ, "PYTHONPATH": tests},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    for _ in range(600):
        if (data / "runs" / "1" / "frames" / "00003.jpg").exists():
            break
        time.sleep(0.05)
    yield process
    process.kill()
    process.wait()


def test_killed_replay_leaves_a_store_that_opens_and_an_interrupted_run(slow_replay, data):
    with Store.open(data, write=False) as store:
        assert store.runs()[0].state == "watching"
    slow_replay.send_signal(signal.SIGKILL)
    slow_replay.wait(timeout=20)
    run, frames, _ = kept(data)
    assert run.state == "interrupted"
    assert 2 <= len(frames) < 7
    with Store.open(data, write=False) as store:
        for name, _ in frames:
            assert store.frame_path(run.id, name).read_bytes().endswith(b"\xff\xd9")


@pytest.mark.parametrize("sign", [signal.SIGINT, signal.SIGTERM])
def test_interrupted_replay_ends_in_order(slow_replay, data, sign):
    slow_replay.send_signal(sign)
    said, complaint = slow_replay.communicate(timeout=20)
    assert slow_replay.returncode == 0
    assert "Traceback" not in complaint
    assert "pictures looked at" in said
    run, frames, _ = kept(data)
    assert run.state == "left early"
    assert 2 <= len(frames) < 7


def test_setup_is_kept_with_the_run(watcher, night, data):
    watcher("replay", night)
    run, _, _ = kept(data)
    assert (
        list(run.setup.frame_size) == json.loads((night / "setup.json").read_text())["frame_size"]
    )
