"""How many cameras one core carries, and how quick the page stays meanwhile.

    python tests/bench/load.py

Cameras of 1280x720, a picture every five seconds each: watched one after the other on one core as
so many processes would share it, store included, until a round takes longer than five seconds.
Meanwhile the page, on the other cores, is asked for its state by twenty clients. Times are
processor time of the watching and wall-clock time of the page's answers; on a machine that is busy
with other things the latter are too long.
"""

import http.client
import json
import multiprocessing
import os
import sys
import tempfile
import threading
import time
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from watcher.night import Night
from watcher.page import create_app, listen
from watcher.records import BedPoint, Frame
from watcher.settings import read_setup
from watcher.sources.jpeg import encode, usable
from watcher.sources.night import NightFolder
from watcher.store import Store
from watcher.toolpath import read_toolpath

SAMPLE = Path(__file__).resolve().parents[2] / "sample_frames" / "clean"
SIZE = (1280, 720)
EVERY_S = 5.0
ROUNDS = 25
CLIENTS = 20
SCALE = 1.6
CUT_PX = 120
"""Rows taken off above and below once 800x600 are enlarged to 1280x960."""


def enlarged(bgr):
    return np.ascontiguousarray(cv2.resize(bgr, (1280, 960))[CUT_PX : CUT_PX + SIZE[1]])


def setup_720():
    setup = read_setup(SAMPLE / "setup.json")
    points = tuple(
        BedPoint(
            (SCALE * (p.pixel[0] + 0.5) - 0.5, SCALE * (p.pixel[1] + 0.5) - 0.5 - CUT_PX), p.bed_mm
        )
        for p in setup.bed_points
    )
    return replace(setup, frame_size=SIZE, bed_points=points)


def watch(data, done):
    """One camera's pictures through judge and store on one core; processor seconds of each."""
    os.sched_setaffinity(0, {max(os.sched_getaffinity(0))})
    cv2.setNumThreads(1)
    setup = setup_720()
    toolpath = read_toolpath([(SAMPLE / "part.gcode").read_bytes()])
    night = Night(setup, toolpath)
    spent = []
    with Store.open(data, write=True) as store:
        run = store.start_run("bracket", setup, "made up", toolpath, time.time())
        store.book.sign("left", run, 1e6, "")
        for n, taken in enumerate(NightFolder(SAMPLE, (800, 600)).pictures()):
            if n == ROUNDS:
                break
            jpeg = encode(enlarged(taken.bgr))
            began = time.process_time()
            jpeg, bgr = usable(jpeg, SIZE)
            frame = Frame(n, f"{n + 1:05d}.jpg", taken.elapsed_s, bgr, time.time())
            store.keep_frame(run, frame, jpeg)
            store.keep_seen(run, n, night.see(frame))
            spent.append(time.process_time() - began)
    done.send(spent)


def client(port, ended, times, failures):
    """Asks as an open page does, on one connection."""
    asked = http.client.HTTPConnection("127.0.0.1", port, timeout=30)
    since = 0
    while not ended.is_set():
        for path in ("/api/life", f"/api/run/1?since={since}"):
            began = time.perf_counter()
            asked.request("GET", path)
            answer = asked.getresponse()
            told = answer.read()
            times.append(time.perf_counter() - began)
            if answer.status != 200:
                failures.append(answer.status)
            elif path.startswith("/api/run"):
                since = max([since, *(f["number"] for f in json.loads(told)["frames"])])
        ended.wait(1.5)
    asked.close()


def clients(port, seconds, out):
    """Twenty clients in a process of their own."""
    ended, times, failures = threading.Event(), [], []
    threads = [
        threading.Thread(target=client, args=(port, ended, times, failures)) for _ in range(CLIENTS)
    ]
    for thread in threads:
        thread.start()
        time.sleep(1.5 / CLIENTS)
    time.sleep(seconds)
    ended.set()
    for thread in threads:
        thread.join()
    out.send((times, failures))


def main():
    context = multiprocessing.get_context("spawn")
    with tempfile.TemporaryDirectory() as folder:
        data = Path(folder)
        done, told = context.Pipe(False)
        watching = context.Process(target=watch, args=(data, told))
        watching.start()
        while not (data / "runs" / "1" / "frames" / "00001.jpg").exists():
            time.sleep(0.1)
        server = listen(create_app(data), "127.0.0.1", 0)
        threading.Thread(target=server.run, daemon=True).start()
        heard, out = context.Pipe(False)
        port = int(server.url.rstrip("/").rsplit(":", 1)[1])
        asking = context.Process(target=clients, args=(port, 15.0, out))
        asking.start()
        times, failures = heard.recv()
        spent = done.recv()
        asking.join()
        watching.join()
        server.close()
    spent = sorted(spent[2:])
    p95 = spent[int(0.95 * len(spent))]
    times.sort()
    print(
        f"a picture of 1280x720: {1000 * float(np.median(spent)):.0f} ms of a core in the middle, "
        f"{1000 * p95:.0f} ms at the 95th percentile"
    )
    print(f"cameras a core carries at one picture in {EVERY_S:g} s: {int(EVERY_S / p95)}")
    print(
        f"{len(times)} state requests by {CLIENTS} clients, {len(failures)} failed: "
        f"{1000 * times[len(times) // 2]:.0f} ms in the middle, "
        f"{1000 * times[int(0.95 * len(times))]:.0f} ms at the 95th percentile"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
