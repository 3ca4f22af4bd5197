"""What a camera and a network can do to a night: it goes on, says so, and accounts for every
picture."""

import shutil
import subprocess
import time
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from bedside.conftest import PRINTER, SETUP
from patience import wait_for
from stand_ins import SIZE, ShadeJudge, begin_stream, http_server, jpeg, reply, send_part

from watcher.alarms import Delivery
from watcher.bedside import Bedside
from watcher.config import Config
from watcher.night import Night
from watcher.run import Label
from watcher.settings import read_setup
from watcher.sources.address import read_address
from watcher.sources.choose import open_live
from watcher.sources.clock import NightClock, Tempo
from watcher.sources.jpeg import from_array
from watcher.sources.stream import Stream
from watcher.store import Store
from watcher.tend import live_night
from watcher.toolpath import read_toolpath

SAMPLE = Path(__file__).resolve().parents[2] / "sample_frames" / "lift"


class Counted:
    """Hears a night and ends it after so many pictures that could be used."""

    def __init__(self, usable):
        self.left = usable
        self.frames, self.missed = [], []

    def heard_frame(self, frame, seen):
        self.frames.append(frame)
        self.left -= 1
        if self.left <= 0:
            raise KeyboardInterrupt

    def heard_missed(self, missed):
        self.missed.append(missed)


def night(folder, open_source, usable, *, listeners=()):
    counted = Counted(usable)
    with Store.open(folder, write=True) as store:
        ended = live_night(
            store,
            Label("bracket", "made up", SETUP, None, watch="left"),
            lambda setup, toolpath, weights: ShadeJudge(),
            NightClock(),
            open_source,
            listeners=[*listeners, counted],
        )
        run = store.run(ended.run_id)
        assert run.state == "left early"
        # Every picture is accounted for: kept, or left out with a reason.
        assert run.frames == len(counted.frames) == len(store.frames(run.id))
        assert run.skipped == len(counted.missed)
        for frame in store.frames(run.id):
            assert store.frame_path(run.id, frame.name).read_bytes().endswith(b"\xff\xd9")
    return counted


@pytest.fixture(autouse=True)
def quick(monkeypatch):
    monkeypatch.setattr("watcher.sources.retry.FIRST_PAUSE_S", 0.05)
    monkeypatch.setattr("watcher.sources.retry.LONGEST_PAUSE_S", 0.2)


def shades():
    """Grey levels that never come twice in a row."""
    n = 0
    while True:
        yield 20 + n % 150
        n += 7


FAULTS = {
    "cut in the middle of a picture": lambda h, good: h.wfile.write(
        b"--part\r\nContent-Length: 5000\r\n\r\n" + good[:200]
    ),
    "garbage bytes": lambda h, good: h.wfile.write(bytes(range(256)) * 40),
    "garbage in a part": lambda h, good: send_part(h, bytes(range(256)) * 4),
    "0 bytes": lambda h, good: send_part(h, b""),
    "a picture cut short": lambda h, good: send_part(h, good[:-80]),
    "a picture of the wrong size": lambda h, good: send_part(h, jpeg(90, (48, 32))),
    "a picture that is none": lambda h, good: send_part(h, b"\xff\xd8 no picture \xff\xd9"),
    "the connection closed": lambda h, good: None,
}


@pytest.mark.parametrize("fault", FAULTS)
def test_a_stream_that_is_disturbed_while_it_is_watched(tmp_path, fault):
    """Each connection sends three good pictures, then the fault, and then it is cut."""
    shade = shades()

    def camera(handler):
        begin_stream(handler)
        for _ in range(3):
            send_part(handler, jpeg(next(shade)))
            time.sleep(0.05)
        FAULTS[fault](handler, jpeg(next(shade)))
        time.sleep(0.05)

    with http_server(camera) as url:
        heard = night(tmp_path, lambda clock: open_live(url, SIZE, 0.02, clock), 12)
    # Of pictures of another size and the like it is said what is wrong with them.
    for missed in heard.missed:
        assert missed.reason


def test_a_stream_that_is_cut_stalls_and_dies_is_found_again_and_told(tmp_path, free_port):
    shade, stalled = shades(), []

    def camera(handler):
        begin_stream(handler)
        for _ in range(4):
            send_part(handler, jpeg(next(shade)))
            time.sleep(0.03)
        if not stalled:
            stalled.append(1)
            time.sleep(1.5)

    messages = []

    def send(alarm):
        messages.append(alarm)
        return (Delivery("test", True),)

    def stream(clock, url):
        address = read_address(url)
        return Stream(address, address.open(), SIZE, 0.02, clock, patience_s=0.3)

    printer = replace(PRINTER, interval_s=0.01)
    beside = Bedside(Config((printer,)), printer, tmp_path, send=send)
    with pytest.MonkeyPatch.context() as patch, http_server(camera) as url:
        patch.setattr("watcher.bedside.LEAST_PATIENCE_S", 0.4)
        patch.setattr("watcher.bedside.TICK_S", 0.05)
        heard = night(tmp_path, lambda clock: stream(clock, url), 16, listeners=[beside])
        wait_for(lambda: messages)
        beside.close(for_good=True)
    assert any("no picture came for 0.3 s" in missed.reason for missed in heard.missed)
    assert messages[0].title.startswith("The watch is hindered")


def test_a_stream_that_is_slowed_to_a_trickle(tmp_path):
    shade = shades()

    def camera(handler):
        begin_stream(handler)
        while True:
            body = jpeg(next(shade))
            head = f"--part\r\nContent-Length: {len(body)}\r\n\r\n".encode()
            for start in range(0, len(head + body), 60):
                handler.wfile.write((head + body)[start : start + 60])
                handler.wfile.flush()
                time.sleep(0.002)
            handler.wfile.write(b"\r\n")

    with http_server(camera) as url:
        night(tmp_path, lambda clock: open_live(url, SIZE, 0.01, clock), 6)


def test_a_still_camera_that_freezes_dies_and_sends_the_wrong_things(tmp_path):
    good = shades()
    answers = iter(
        [200, 200, "same", "same", 200, 500, 200, b"", 200, b"\0" * 400, 200, "size", 200, "cut"]
    )
    last = [jpeg(next(good))]

    def camera(handler):
        what = next(answers, 200)
        if what == 200:
            last[0] = jpeg(next(good))
            return reply(handler, last[0])
        if what == "same":
            return reply(handler, last[0])
        if what == "size":
            return reply(handler, jpeg(30, (32, 32)))
        if what == "cut":
            return reply(handler, last[0][:99])
        return (
            reply(handler, what, status=200)
            if isinstance(what, bytes)
            else reply(handler, b"no", status=what)
        )

    with http_server(camera) as url:
        heard = night(tmp_path, lambda clock: open_live(url, SIZE, 0.02, clock), 8)
    reasons = " | ".join(missed.reason for missed in heard.missed)
    for part in (
        "frozen",
        "HTTP status 500",
        "is empty",
        "neither JPEG nor PNG",
        "32 by 32",
        "cut",
    ):
        assert part in reasons, reasons


def test_a_picture_a_layer_survives_a_caller_that_falls_silent(tmp_path):
    shade = shades()
    tempo = Tempo(0.3, layer_file=tmp_path / "layer")
    with http_server(lambda h: reply(h, jpeg(next(shade)))) as url:
        night(tmp_path / "kept", lambda clock: open_live(url, SIZE, tempo, clock), 3)


def test_a_video_of_ffmpeg_that_is_cut_is_watched_as_far_as_it_goes(tmp_path):
    program = shutil.which("ffmpeg")
    if program is None:
        pytest.skip("this test needs Debian's ffmpeg, which is not there")
    path = tmp_path / "night.mkv"
    subprocess.run(
        [
            *(program, "-v", "error", "-f", "lavfi"),
            *("-i", f"testsrc=size={SIZE[0]}x{SIZE[1]}:rate=10", "-t", "8"),
            *("-c:v", "mjpeg", str(path)),
        ],
        check=True,
    )
    whole = path.read_bytes()
    path.write_bytes(whole[: len(whole) * 2 // 3])
    counted = Counted(10**6)
    with Store.open(tmp_path / "kept", write=True) as store:
        ended = live_night(
            store,
            Label("bracket", "made up", SETUP, None, watch="left"),
            lambda setup, toolpath, weights: ShadeJudge(),
            NightClock(),
            lambda clock: open_live(str(path), SIZE, 0.5, clock),
            listeners=[counted],
        )
        run = store.run(ended.run_id)
    assert run.state == "finished"
    assert 8 <= run.frames <= 12


class Dark:
    """Two pictures of the sample night, and then a covered camera with its noise."""

    total = None
    remarks = ()

    def __init__(self, clock, size, ready):
        self._clock, self._size, self._ready = clock, size, ready

    def pictures(self):
        rng = np.random.default_rng(1)
        paths = sorted((SAMPLE / "frames").iterdir())[:2]
        for n in range(12):
            if n < 2:
                bgr = cv2.imread(str(paths[n]))
            else:
                bgr = rng.integers(0, 4, (self._size[1], self._size[0], 3), np.uint8)
            yield from_array(f"{n + 1:05d}.jpg", bgr, self._size, 60.0 * n, None)
        self._ready()

    def close(self):
        pass


def test_a_black_picture_is_noticed_and_told_at_night(tmp_path):
    setup = read_setup(SAMPLE / "setup.json")
    toolpath = read_toolpath([(SAMPLE / "part.gcode").read_bytes()])
    messages = []

    def send(alarm):
        messages.append(alarm)
        return (Delivery("test", True),)

    beside = Bedside(Config((PRINTER,)), PRINTER, tmp_path, send=send)
    with Store.open(tmp_path, write=True) as store:
        ended = live_night(
            store,
            Label("bracket", "made up", setup, toolpath, watch="left"),
            Night,
            NightClock(),
            lambda clock: Dark(clock, setup.frame_size, lambda: wait_for(lambda: messages)),
            listeners=[beside],
        )
        frames = store.frames(ended.run_id)
    beside.close(for_good=True)
    assert frames[-1].view.reason == "the picture is black"
    assert messages[0].urgency == "trouble"
    assert "black" in messages[0].body
