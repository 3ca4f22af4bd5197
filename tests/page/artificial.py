"""Fills a store with a made-up run: a bracket's right corner lifts, the back ones hide at times.

``python tests/page/artificial.py FOLDER`` makes runs to look at while working on the page.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from watcher.records import (
    Advice,
    BedPoint,
    Frame,
    Layer,
    Moment,
    Outline,
    Reading,
    Seen,
    Setup,
    Toolpath,
    View,
)
from watcher.store import Store

CORNERS = ("front left corner", "right corner", "back right corner", "back left corner")
ONSET = 20
STOP = 30
SENTENCE = (
    "Stop: the right corner has lifted 1.0 ± 0.1 mm off the bed since layer 21, "
    "and it lifts 1.9 mm more each hour."
)
STARTED_UTC_S = 1.7645e9
PART = np.array([[110, 230], [345, 195], [290, 130], [105, 145]], dtype=float)
SETUP = Setup(
    (480, 270),
    (220.0, 220.0),
    "bed-y",
    True,
    tuple(
        BedPoint(pixel, bed)
        for pixel, bed in [
            ((60.0, 265.0), (0.0, 0.0)),
            ((440.0, 265.0), (220.0, 0.0)),
            ((330.0, 110.0), (220.0, 220.0)),
            ((90.0, 110.0), (0.0, 220.0)),
        ]
    ),
)


def lift_mm(number: int) -> float:
    """True lift of the right corner in a frame."""
    return 0.0 if number < ONSET else 0.1 * (number - ONSET)


def top_edge(number: int) -> np.ndarray:
    """Pixels of the part's front edge, (n, 2): its right end climbs by 4 px per mm."""
    t = np.linspace(0, 1, 20)[:, None]
    edge = PART[0] + t * (PART[1] - PART[0])
    edge[:, 1] -= 4 * lift_mm(number) * t[:, 0] ** 3
    return edge


def picture(number: int) -> np.ndarray:
    """A dim bed with a dark part on it, (270, 480, 3) uint8."""
    rng = np.random.default_rng(number)
    image = np.full((270, 480, 3), 34.0)
    cv2.fillPoly(image, [np.array([[60, 265], [440, 265], [330, 110], [90, 110]])], (78, 76, 74))
    outline = np.concatenate([top_edge(number), PART[2:]])
    side = np.concatenate([top_edge(number)[::-1], np.add(top_edge(number), [0, 8])])
    cv2.fillPoly(image, [outline.astype(np.int32)], (48, 44, 42))
    cv2.fillPoly(image, [side.astype(np.int32)], (24, 22, 22))
    head = np.array([150 + 20 * np.sin(number), 60])
    cv2.rectangle(
        image, head.astype(int).tolist(), np.add(head, [60, 50]).astype(int).tolist(), (92,) * 3, -1
    )
    image += rng.normal(0, 3, image.shape)
    return np.clip(image, 0, 255).astype(np.uint8)


def seen(number: int, *, clean: bool) -> Seen:
    """What the frame tells."""
    rng = np.random.default_rng(1000 + number)
    readings = []
    for i, corner in enumerate(CORNERS):
        true = lift_mm(number) if i == 1 and not clean else 0.0
        if (i == 3 and number % 17 in {4, 5, 6}) or (i == 2 and number in {12, 13}):
            readings.append(
                Reading("corner-lift", corner, None, None, None, "mm", "hidden by the head")
            )
        else:
            readings.append(
                Reading(
                    "corner-lift", corner, None, true + rng.normal(0, 0.08), 0.08 + 0.01 * i, "mm"
                )
            )
    readings.append(Reading("spaghetti", "around the part", None, rng.uniform(0, 3), 1.5, "mm"))
    moments: tuple[Moment, ...] = ()
    advice = Advice("carry on", "Carry on: all watched corners lie flat.")
    if not clean and number >= STOP:
        advice = Advice(
            "stop",
            SENTENCE,
            "corner-lift",
            "right corner",
            (160.0, 76.0, 0.0),
            1.0,
            0.1,
            "mm",
            60.0 * ONSET,
        )
    elif not clean and number >= ONSET + 5:
        advice = Advice(
            "have a look",
            "Have a look at the right corner: it may have lifted 0.5 ± 0.1 mm.",
            "corner-lift",
            "right corner",
            None,
            0.5,
            0.1,
            "mm",
            60.0 * ONSET,
        )
    if not clean and number == STOP:
        moments = (
            Moment(
                ONSET,
                name(ONSET),
                60.0 * ONSET,
                "corner-lift",
                "have a look",
                "Here the right corner began to lift.",
            ),
            Moment(STOP, name(STOP), 60.0 * STOP, "corner-lift", "stop", SENTENCE),
        )
    registered = number != 7
    return Seen(
        View(
            registered,
            0.08 if registered else np.inf,
            number + 1,
            0.5,
            "" if registered else "too dark",
        ),
        tuple(readings) if registered else (),
        (),
        advice,
        moments,
        (
            Outline("expected", "part", PART),
            Outline("measured", "right corner", top_edge(number)[10:]),
        ),
    )


def name(number: int) -> str:
    return f"{number + 1:05}.jpg"


def feed(store: Store, run: int, numbers: range, *, clean: bool = False) -> None:
    """Keep frames and what they tell."""
    for number in numbers:
        bgr = picture(number)
        frame = Frame(number, name(number), 60.0 * number, bgr, STARTED_UTC_S + 60.0 * number)
        store.keep_frame(run, frame, cv2.imencode(".jpg", bgr)[1].tobytes())
        store.keep_seen(run, number, seen(number, clean=clean))


def feed_one(store: Store, run: int, number: int, bed_mm: float) -> None:
    """Keep one frame of the failing print, with the bed so far along its axis."""
    bgr = picture(number)
    frame = Frame(number, name(number), 60.0 * number, bgr, STARTED_UTC_S + 60.0 * number)
    store.keep_frame(run, frame, cv2.imencode(".jpg", bgr)[1].tobytes())
    told = replace(seen(number, clean=False), notes={"bed_offset_mm": bed_mm})
    store.keep_seen(run, number, told)


def begin(store: Store, title: str, setup: Setup = SETUP) -> int:
    """Start a run of 60 layers."""
    ring = np.array([[0.0, 0.0], [80.0, 0.0], [80.0, 40.0]])
    toolpath = Toolpath(
        tuple(Layer(n, 0.2 * n, 0.2, (ring,), 60.0 * n, 60.0, 100.0) for n in range(1, 61)),
        6000.0,
        3600.0,
        0.45,
    )
    return store.start_run(title, setup, "made up", toolpath, STARTED_UTC_S)


def fill(folder: Path, frames: int = 60) -> None:
    """A failing run (id 1), a clean one (2), one without pictures (3), an interrupted one (4)."""
    with Store.open(folder, write=True) as store:
        run = begin(store, "Vent bracket, left")
        feed(store, run, range(frames))
        store.skip_frame(run, "00061.jpg", "the file ends in the middle of the picture")
        store.end_run(run, STARTED_UTC_S + 60.0 * frames)
        run = begin(store, "Vent bracket, right")
        feed(store, run, range(20), clean=True)
        store.end_run(run, STARTED_UTC_S + 1200.0)
        store.end_run(begin(store, "Hinge pin"), STARTED_UTC_S, "left early")
        feed(store, begin(store, "Handle"), range(3), clean=True)


if __name__ == "__main__":
    fill(Path(sys.argv[1]))
