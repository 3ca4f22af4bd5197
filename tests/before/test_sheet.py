"""The list as a whole."""

from dataclasses import replace
from datetime import UTC, datetime, time

import numpy as np
import pytest

from watcher.before import material
from watcher.before.eye import Eye, Watched
from watcher.before.filament import weighed
from watcher.before.sheet import Known, Trial, make_sheet
from watcher.records import Layer, Toolpath
from watcher.store import Spool

RING = np.array([[20.0, 20.0], [120.0, 20.0], [120.0, 80.0], [20.0, 80.0]])
TOOLPATH = Toolpath(
    tuple(Layer(n, 0.2 * n, 0.2, (RING,), 600.0 * (n - 1), 600.0, 500.0) for n in range(1, 61)),
    30_000.0,
    36_000.0,
    0.45,
)
BLACK = Spool(1, "black", "PA6", 1.75, 1.14, 50.0, 750.0, 200.0, False, 0.0)
KNOWN = Known(
    title="Vent bracket",
    toolpath=TOOLPATH,
    material=material("PA6"),
    spool=BLACK,
    stock=weighed(800, 200, 1.75, 1.14),
    stock_trouble="",
    others=(),
    start=datetime(2026, 3, 3, 21, tzinfo=UTC),
    watched=(time(7), time(23)),
    paces=(1.1, 1.1, 1.1),
    past=(),
    chamber_c=None,
    bed_c=90.0,
    humidity_percent=None,
    hours_dry=2.0,
    eye=Eye("", 100.0, 0.0, 1.0, 1.0, (Watched((20, 20, 0), (50, 60), True, 0.1),)),
    corner_names=("front left corner",),
    free_bytes=10**10,
    frame_bytes=1e5,
    interval_s=10.0,
    alarm=Trial(True, "yesterday"),
    stop=Trial(True),
)


def items(known):
    return {item.name: item for item in make_sheet(known).items}


def test_all_is_well_but_the_stop_was_never_tested():
    sheet = make_sheet(KNOWN)
    assert sheet.verdict() == "Nothing stands against it. Not tested: stop."
    assert "no fire or smoke alarm" in " ".join(sheet.lines())


def test_end_on_the_clock_and_hours_alone():
    # 36000 s nominal at pace 1.1 are 11 h: from 21:00 to 08:00.
    said = items(KNOWN)["end"].sentence
    assert "ends at 08:00 on 04 March" in said
    assert "Tue 23:00 to Wed 07:00" in said


def test_a_spool_that_runs_out_and_who_would_do():
    short = replace(KNOWN, stock=weighed(240, 200, 1.75, 1.14))
    # 40 g / (2.40528 * 1.14 mg/mm) = 14588 mm of 30000: layer 30 of 60, at 6.0 mm; half way of
    # 11 h is 5:21 h.
    item = items(short)["filament"]
    assert item.state == "not ready"
    assert "layer 30 of 60, 5:20 h into the print at 6.0 mm" in item.sentence
    assert "No other spool" in item.more[-1]
    helped = replace(short, others=((replace(BLACK, name="grey"), KNOWN.stock),))
    assert items(helped)["filament"].more[-1] == "Enough is on: grey."
    scant = replace(short, others=((replace(BLACK, name="grey"), weighed(283, 200, 1.75, 1.14)),))
    assert "No other spool" in items(scant)["filament"].more[-1]


@pytest.mark.parametrize(
    ("change", "name", "state", "says"),
    [
        ({"hours_dry": 100.0}, "drying", "not ready", "hygroscopic"),
        ({"free_bytes": 10**8}, "disk", "not ready", "475 MB"),
        ({"frame_bytes": None}, "disk", "not tested", "not known"),
        ({"eye": None}, "camera", "not tested", "--picture"),
        ({"eye": replace(KNOWN.eye, blind="the picture is black")}, "camera", "not ready", "black"),
        ({"eye": replace(KNOWN.eye, blur_px=4.0)}, "sharpness", "not ready", "Focus"),
        ({"eye": replace(KNOWN.eye, level=12.0)}, "light", "not ready", "more light"),
        ({"eye": replace(KNOWN.eye, level=240.0)}, "light", "not ready", "lamp down"),
        ({"alarm": Trial(False)}, "alarm", "not tested", "No alarm is known to be set up"),
        ({"stop": Trial(True, "", "no answer.")}, "stop", "not ready", "no answer"),
        ({"stock": None, "stock_trouble": "Weigh it."}, "filament", "not tested", "Weigh it."),
        ({"past": ((99.0, True), (98.0, False))}, "warp", "to know", "Of 2 of your runs"),
        ({"material": material("TPU")}, "warp", "to know", "says nothing of TPU"),
    ],
)
def test_each_point_is_judged(change, name, state, says):
    # 39600 s / 10 s * 0.1 MB * 1.2 = 475 MB.
    item = items(replace(KNOWN, **change))[name]
    assert item.state == state
    assert says in item.sentence


def test_a_hidden_corner_is_not_ready_and_named():
    hidden = replace(
        KNOWN,
        eye=replace(
            KNOWN.eye,
            corners=(*KNOWN.eye.corners, Watched((120, 80, 0), (700, 60), False, 0.1)),
        ),
        corner_names=("front left corner", "back right corner"),
    )
    item = items(hidden)["corners"]
    assert item.state == "not ready"
    assert "Not watched: back right corner" in item.sentence
