"""A made-up run with everything that an export has to cope with."""

import numpy as np
from stand_ins import jpeg, picture

from watcher.records import (
    Advice,
    Answer,
    BedPoint,
    Frame,
    Layer,
    Moment,
    Outline,
    Prices,
    Reading,
    Seen,
    Setup,
    Stake,
    Toolpath,
    View,
    Weights,
)

SIZE = (95, 63)
"""Odd, as no film may be."""
COUNT = 40
ONSET, STOP, UNPLACED = 20, 30, 7
NAME = 'Vent bracket <left> & "right"'
SECRET = "http://camera.example/with/a/path"
STAKE = Stake(20.0, 6.7, 3000.0, 10.0, 3.3, 1500.0, 1.25, 0.6, 4.0, 30.0, 0.2, 0.95, 0.5, 0.3, 3.2)
POINTS = ((5.0, 60.0), (90.0, 60.0), (70.0, 20.0), (25.0, 20.0))
SETUP = Setup(
    SIZE,
    (220.0, 220.0),
    "bed-y",
    True,
    tuple(
        BedPoint(pixel, bed)
        for pixel, bed in zip(POINTS, ((0, 0), (220, 0), (220, 220), (0, 220)), strict=True)
    ),
)


def shade(number):
    """Grey of a picture, so that a film's frame tells which picture it shows."""
    return 30 + 5 * number


def lift_mm(number):
    return 0.1 * max(0, number - ONSET)


def sentence(number):
    return f"Stop the print: the right corner has lifted {lift_mm(number):.1f} mm <off> the bed."


def seen(number):
    if number == UNPLACED:
        advice = Advice("carry on", "Carry on: nothing lifts.")
        return Seen(View(False, np.inf, 8, np.nan, "it is too dark"), (), (), advice)
    strands = Reading("spaghetti", "bed", None, 1.0 / 3.0, np.inf, "mm")
    back = Reading("corner-lift", "back corner", None, None, None, "mm", "hidden by the head")
    right = Reading(
        "corner-lift", "right corner", (160.0, 60.0, 0.2), lift_mm(number), 0.05 + 0.1 / 3, "mm"
    )
    advice = Advice("carry on", "Carry on: nothing lifts.")
    moments = ()
    if number >= STOP:
        spot = ("corner-lift", "right corner", (160.0, 60.0, 0.2), lift_mm(number), 0.1, "mm")
        advice = Advice("stop", sentence(number), *spot, 60.0 * ONSET, chance=0.97, stake=STAKE)
    if number == STOP:
        moments = (
            Moment(
                ONSET, name(ONSET), 60.0 * ONSET, "corner-lift", "have a look", "Here it began."
            ),
            Moment(STOP, name(STOP), 60.0 * STOP, "corner-lift", "stop", sentence(STOP)),
        )
    edge = Outline("measured", "right corner", np.array([[20.0, 30.0], [70.0, 30.0]]))
    readings = (right, back, strands)
    return Seen(View(True, 0.1, number + 1, 0.5), readings, (), advice, moments, (edge,))


def name(number):
    return f"{number + 1:05d}.jpg"


def fill(store, count=COUNT):
    """Run 1 as described, its last picture not judged; run 2 without a picture."""
    layers = tuple(Layer(n, 0.2 * n, 0.2, (), 60.0 * n, 60.0, 90.0) for n in range(1, 41))
    plan = Toolpath(layers, 3600.0, 2400.0, 0.45)
    weights = Weights(2.0, 12.0, Prices(25.0, 0.6, 12.0, None))
    run = store.start_run(NAME, SETUP, SECRET, plan, 1.7645e9, weights)
    for number in range(count):
        bgr = picture(shade(number), SIZE)
        frame = Frame(number, name(number), 60.0 * number, bgr, 1.7645e9 + 60.0 * number)
        store.keep_frame(run, frame, jpeg(shade(number), SIZE))
        if number < count - 1:
            store.keep_seen(run, number, seen(number))
    store.skip_frame(run, "00041.jpg", "the picture is cut short")
    store.keep_answer(run, Answer("it is failing", 1.7645e9 + 2500, "corner-lift", "right corner"))
    store.end_run(run, 1.7645e9 + 2400.0)
    store.end_run(store.start_run("Empty", SETUP, "made up", None, 1.7645e9), 1.7645e9)
