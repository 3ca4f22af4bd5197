"""A made-up night as long as a real one: 3,600 pictures of 1280 by 720, ten seconds apart.

``python tests/page/long_night.py FOLDER`` makes it to look at while working on the page.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import artificial
import cv2
import numpy as np

from watcher.records import Advice, Frame, Moment, Outline, Reading, Seen, View
from watcher.store import Store

FRAMES = 3600
APART_S = 10.0
ONSET = 2400
STOP = 2460
TITLE = "Vent bracket, the whole night"
_SCALE = 1280 / 480
_DISTINCT = 60
"""So many different pictures; each is kept many times, since only time and memory count here."""
SETUP = replace(
    artificial.SETUP,
    frame_size=(1280, 720),
    bed_points=tuple(
        replace(point, pixel=(point.pixel[0] * _SCALE, point.pixel[1] * _SCALE))
        for point in artificial.SETUP.bed_points
    ),
)


def _jpeg(number: int) -> bytes:
    large = cv2.resize(artificial.picture(number), (1280, 720), interpolation=cv2.INTER_CUBIC)
    cv2.putText(large, str(number), (20, 60), cv2.FONT_HERSHEY_SIMPLEX, 2, (160, 160, 160), 3)
    return cv2.imencode(".jpg", large, [cv2.IMWRITE_JPEG_QUALITY, 85])[1].tobytes()


def _seen(number: int, rng: np.random.Generator) -> Seen:
    lift = max(0.0, number - ONSET) / 300
    readings = []
    for i, corner in enumerate(artificial.CORNERS):
        if i == 3 and number % 17 in {4, 5, 6}:
            readings.append(
                Reading("corner-lift", corner, None, None, None, "mm", "hidden by the head")
            )
            continue
        value = (lift if i == 1 else 0.0) + rng.normal(0, 0.08)
        readings.append(Reading("corner-lift", corner, None, value, 0.08, "mm"))
    readings.append(Reading("spaghetti", "around the part", None, rng.uniform(0, 3), 1.5, "mm"))
    readings.append(Reading("detached", "the part", None, abs(rng.normal(0, 0.1)), 0.1, "mm"))
    readings.append(Reading("no-growth", "the part", None, rng.normal(0, 0.05), 0.05, "mm"))
    moments: tuple[Moment, ...] = ()
    advice = Advice("carry on", "Carry on: all watched corners lie flat.")
    if number >= STOP:
        advice = Advice(
            "stop",
            "Stop: the right corner has lifted 0.2 ± 0.1 mm off the bed since layer 41.",
            "corner-lift",
            "right corner",
            (160.0, 76.0, 0.0),
            0.2,
            0.1,
            "mm",
            APART_S * ONSET,
        )
    if number == STOP:
        began = "Here the right corner began to lift."
        moments = (
            Moment(ONSET, name(ONSET), APART_S * ONSET, "corner-lift", "have a look", began),
            Moment(STOP, name(STOP), APART_S * STOP, "corner-lift", "stop", advice.sentence),
        )
    outlines = (
        Outline("expected", "part", artificial.PART * _SCALE),
        Outline("measured", "right corner", artificial.top_edge(number % 60)[10:] * _SCALE),
    )
    layer = 1 + number // 60
    return Seen(View(True, 0.1, layer, 0.2, ""), tuple(readings), (), advice, moments, outlines)


def name(number: int) -> str:
    """File name of a picture."""
    return f"{number + 1:05}.jpg"


def fill(folder: Path, frames: int = FRAMES) -> None:
    """One failing run, id 1."""
    rng = np.random.default_rng(5)
    jpegs = [_jpeg(number) for number in range(_DISTINCT)]
    blank = np.zeros((1, 1, 3), np.uint8)
    with Store.open(folder, write=True) as store:
        run = artificial.begin(store, TITLE, SETUP)
        for number in range(frames):
            utc_s = artificial.STARTED_UTC_S + APART_S * number
            frame = Frame(number, name(number), APART_S * number, blank, utc_s)
            store.keep_frame(run, frame, jpegs[number % _DISTINCT])
            store.keep_seen(run, number, _seen(number, rng))
        store.end_run(run, artificial.STARTED_UTC_S + APART_S * frames)


if __name__ == "__main__":
    fill(Path(sys.argv[1]))
