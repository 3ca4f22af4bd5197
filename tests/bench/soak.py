"""A ten-hour night at sixty times its speed: 3,600 pictures of 800 by 600, ten seconds apart.

    python tests/bench/soak.py
    python tests/bench/soak.py --frames 600 --speed 1000

The real judge, the store, the bedside thread and a page that is asked once a second. The pictures
are those of the sample night that goes well, each with fresh noise; after its end the last one
goes on. Says how memory and open files grew after the first ten minutes of the night, and whether
every frame is accounted for; exit status 1 where a limit is passed.
"""

import argparse
import gc
import os
import sys
import tempfile
import threading
import time
import urllib.request
from bisect import bisect_right
from pathlib import Path

import cv2
import numpy as np

from watcher.bedside import Bedside
from watcher.config import Config, Printer
from watcher.night import Night
from watcher.page import create_app, listen
from watcher.run import Label
from watcher.settings import read_setup
from watcher.sources.clock import Pace
from watcher.sources.jpeg import from_array
from watcher.sources.night import NightFolder
from watcher.sources.taken import picture_name
from watcher.store import Store
from watcher.tend import Hooks, live_night
from watcher.toolpath import read_toolpath

SAMPLE = Path(__file__).resolve().parents[2] / "sample_frames" / "clean"
INTERVAL_S = 10.0
SETTLED_S = 600.0
MOST_GROWTH_MB = 10.0


class QuickClock:
    """The machine's clock, ``speed`` times as quick."""

    def __init__(self, speed):
        self._speed, self._began = speed, time.monotonic()

    def elapsed_s(self):
        return (time.monotonic() - self._began) * self._speed

    def utc_s(self):
        return time.time()

    def wait(self, seconds):
        time.sleep(seconds / self._speed)


class NoisyNight:
    """The sample night stretched to so many frames, with noise that is new in each."""

    total = None
    remarks = ()

    def __init__(self, frames, setup, clock):
        self._frames, self._size, self._clock = frames, setup.frame_size, clock
        self._taken = list(NightFolder(SAMPLE, setup.frame_size).pictures())
        self._rng = np.random.default_rng(3)

    def pictures(self):
        pace = Pace(self._clock, INTERVAL_S)
        times = [taken.elapsed_s for taken in self._taken]
        noise = [
            self._rng.integers(-2, 3, self._taken[0].bgr.shape).astype(np.int16) for _ in range(7)
        ]
        for n in range(self._frames):
            at = self._taken[max(0, bisect_right(times, n * INTERVAL_S) - 1)]
            bgr = cv2.add(at.bgr.astype(np.int16), noise[n % 7]).clip(0, 255).astype(np.uint8)
            # The night's own time, so that the layer fits the picture however late it is.
            yield from_array(picture_name(n + 1), bgr, self._size, n * INTERVAL_S, time.time())
            pace.wait()

    def close(self):
        pass


class Gauge:
    """Reads memory and open files every hundredth frame."""

    def __init__(self):
        self.rows = []
        self.judged = 0
        self.levels = set()

    def heard_frame(self, frame, seen):
        self.judged += 1
        self.levels.add(seen.advice.level)
        if self.judged % 60 == 0:
            gc.collect()
            pages = int(Path("/proc/self/statm").read_text().split()[1])
            self.rows.append(
                (
                    frame.elapsed_s,
                    pages * os.sysconf("SC_PAGE_SIZE") / 2**20,
                    len(os.listdir("/proc/self/fd")),
                )
            )
            if self.judged % 300 == 0:
                print(f"{self.judged:5d} frames, {self.rows[-1][1]:6.1f} MB", flush=True)

    def heard_missed(self, missed):
        print(f"missed: {missed}")


def main():
    asked = argparse.ArgumentParser()
    asked.add_argument("--frames", type=int, default=3600)
    asked.add_argument("--speed", type=float, default=60.0)
    options = asked.parse_args()
    # One thread is what a core of a small machine gives, and its memory does not jump about.
    cv2.setNumThreads(1)
    setup = read_setup(SAMPLE / "setup.json")
    toolpath = read_toolpath([(SAMPLE / "part.gcode").read_bytes()])
    with tempfile.TemporaryDirectory() as folder:
        data = Path(folder)
        printer = Printer("left", "made up", SAMPLE / "setup.json", SAMPLE / "part.gcode")
        server = listen(create_app(data), "127.0.0.1", 0)
        threading.Thread(target=server.run, daemon=True).start()
        asking = threading.Event()
        threading.Thread(target=_ask, args=(server.url, asking), daemon=True).start()
        beside = Bedside(Config((printer,)), printer, data)
        gauge = Gauge()
        with Store.open(data, write=True) as store:
            ended = live_night(
                store,
                Label("bracket", "made up", setup, toolpath, watch="left"),
                Night,
                QuickClock(options.speed),
                lambda clock: NoisyNight(options.frames, setup, clock),
                listeners=[beside, gauge],
                hooks=Hooks(beside.begun, beside.kept),
            )
            frames = store.frames(ended.run_id)
            files = len(list((data / "runs" / "1" / "frames").iterdir()))
            judged = sum(frame.view is not None for frame in frames)
        asking.set()
        beside.close(for_good=True)
        server.close()
    settled = [row for row in gauge.rows if row[0] >= SETTLED_S]
    growth = max(row[1] for row in settled) - settled[0][1]
    handles = max(row[2] for row in settled) - settled[0][2]
    print(f"frames given {options.frames}, kept {len(frames)}, files {files}, judged {judged}")
    print(f"advice: {', '.join(sorted(gauge.levels))}")
    print(f"memory after 10 min {settled[0][1]:.1f} MB, at most {growth:.1f} MB more later")
    print(f"open files after 10 min {settled[0][2]}, at most {handles} more later")
    whole = options.frames == len(frames) == files == judged
    # A request of the page under way holds a few files for a moment.
    return 0 if whole and growth < MOST_GROWTH_MB and handles <= 8 else 1


def _ask(url, ended):
    since = 0
    while not ended.wait(1.0):
        for path in ("api/life", f"api/run/1?since={since}"):
            try:
                with urllib.request.urlopen(url + path, timeout=10) as answer:
                    answer.read()
            except OSError:
                continue
        since += 6


if __name__ == "__main__":
    sys.exit(main())
