"""A run of plain pictures, each of a colour of its own."""

import cv2
import numpy as np

from watcher.records import BedPoint, Frame, Setup
from watcher.store import Store

SIZE = (160, 90)
SETUP = Setup(SIZE, (200.0, 200.0), "fixed", True, (BedPoint((1.0, 1.0), (0.0, 0.0)),) * 4)


def colour(number):
    """Blue, green and red of a picture."""
    return np.array([40 + 5 * (number % 32), 60 + number % 150, 220 - 5 * (number % 32)], float)


def name(number):
    return f"{number + 1:05}.jpg"


def begin(store):
    return store.start_run("bracket", SETUP, "made up", None, 1.7645e9)


def feed(store, run, numbers):
    for number in numbers:
        bgr = np.full((SIZE[1], SIZE[0], 3), colour(number), np.uint8)
        frame = Frame(number, name(number), 10.0 * number, bgr, 1.7645e9 + 10 * number)
        store.keep_frame(run, frame, cv2.imencode(".jpg", bgr)[1].tobytes())


def fill(folder, frames):
    with Store.open(folder, write=True) as store:
        run = begin(store)
        feed(store, run, range(frames))
        store.end_run(run, 1.7645e9 + 10 * frames)
