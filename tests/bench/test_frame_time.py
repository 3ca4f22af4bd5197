"""Time of one frame's analysis beside the decoding of the same frame and two general tools.

    pytest tests/bench

One thread, 1280 x 720. The table that it ends with (``-s`` shows it) gives medians of processor
time, which a busy machine disturbs little, and each over the decoding. Nothing is asserted about
time.
"""

import gc
import itertools
import json
import time

import cv2
import numpy as np
import pytest
from long_night import JPEG, SAMPLE, fitted_setup, sample_times
from small_network import network

from watcher.night import Night
from watcher.records import Frame
from watcher.settings import read_setup
from watcher.toolpath import read_toolpath

pytestmark = pytest.mark.benchmark(timer=time.process_time)

SIZE = (1280, 720)
ROUNDS, WARM_UP = 30, 12
medians = {}


@pytest.fixture(scope="module", autouse=True)
def one_thread():
    before = cv2.getNumThreads()
    cv2.setNumThreads(1)
    yield
    cv2.setNumThreads(before)


@pytest.fixture(scope="module")
def night(tmp_path_factory):
    """The sample night at 1280 x 720: setup, and frames as JPEG and as arrays."""
    setup, change = fitted_setup(SIZE)
    path = tmp_path_factory.mktemp("night") / "setup.json"
    path.write_text(json.dumps(setup))
    frames = []
    for index, (name, elapsed) in enumerate(sample_times()):
        bgr = change(cv2.imread(str(SAMPLE / "frames" / name)))
        ok, data = cv2.imencode(".jpg", bgr, JPEG)
        assert ok
        frames.append((data, Frame(index, name, elapsed, cv2.imdecode(data, cv2.IMREAD_COLOR))))
    return read_setup(path), frames


@pytest.fixture(scope="module", autouse=True)
def table():
    yield
    decode = medians.get("decoding")
    if decode:
        print("\n\nmedian processor ms a frame, 1280 x 720, one thread; over the decoding")
        for name, seconds in medians.items():
            print(f"  {name:44s}{1000 * seconds:8.1f}{seconds / decode:8.1f}")


def measured(benchmark, name, call, arguments, rounds=ROUNDS):
    """Run ``call`` on one argument after the other and keep the median."""
    each = iter(arguments)
    gc.collect()
    benchmark.pedantic(call, setup=lambda: ((next(each),), {}), rounds=rounds)
    if benchmark.stats:
        medians[name] = benchmark.stats.stats.median


def test_decoding(benchmark, night):
    _, frames = night
    datas = itertools.cycle(data for data, _ in frames)
    measured(benchmark, "decoding", lambda data: cv2.imdecode(data, cv2.IMREAD_COLOR), datas)


def test_analysis(benchmark, night):
    setup, frames = night
    with (SAMPLE / "part.gcode").open() as lines:
        watched = Night(setup, read_toolpath(lines))
    for _, frame in frames[:WARM_UP]:
        assert watched.see(frame).view.registered
    rest = [frame for _, frame in frames[WARM_UP:]]
    seen = []
    measured(benchmark, "analysis", lambda f: seen.append(watched.see(f)), rest, len(rest))
    # What is timed must be the real thing, not a frame that could not be placed.
    assert np.mean([one.view.registered for one in seen]) > 0.9


def test_background_subtraction(benchmark, night):
    _, frames = night
    subtractor = cv2.createBackgroundSubtractorMOG2()
    pictures = [frame.bgr for _, frame in frames]
    for bgr in pictures[:WARM_UP]:
        subtractor.apply(bgr)
    measured(benchmark, "OpenCV's MOG2", subtractor.apply, itertools.cycle(pictures))


@pytest.mark.parametrize("size", [(224, 224), (640, 384)], ids=lambda s: f"{s[0]}x{s[1]}")
def test_small_network(benchmark, night, size):
    _, frames = night
    net = cv2.dnn.readNetFromONNX(np.frombuffer(network(size[1], size[0]), np.uint8))

    def run(bgr):
        net.setInput(cv2.dnn.blobFromImage(bgr, 1 / 127.5, size, (127.5, 127.5, 127.5)))
        return net.forward()

    assert run(frames[0][1].bgr).size == 1000
    pictures = itertools.cycle(frame.bgr for _, frame in frames)
    name = f"small network, {size[0]} x {size[1]}, random weights"
    measured(benchmark, name, run, pictures, 10)
