"""Runs in a store and a small night, without anything to measure."""

from __future__ import annotations

import json

import cv2
import numpy as np

from watcher.records import Advice, BedPoint, Frame, Layer, Reading, Seen, Setup, Toolpath, View
from watcher.store import Store

SETUP = Setup(
    (64, 48),
    (220.0, 220.0),
    "fixed",
    True,
    tuple(
        BedPoint(pixel, bed)
        for pixel, bed in [
            ((5.0, 45.0), (0.0, 0.0)),
            ((60.0, 45.0), (220.0, 0.0)),
            ((45.0, 15.0), (220.0, 220.0)),
            ((15.0, 15.0), (0.0, 220.0)),
        ]
    ),
)


def keep_two(folder) -> None:
    """A run that lifts and has no brim (1), one with a brim (2), one with another (3)."""
    ring = np.array([[0.0, 0.0], [80.0, 0.0], [80.0, 40.0]])
    toolpath = Toolpath(
        tuple(Layer(n, 0.2 * n, 0.2, (ring,), 60.0 * (n - 1), 60.0, 200.0) for n in range(1, 31)),
        6000.0,
        1800.0,
        0.45,
    )
    bgr = np.zeros((48, 64, 3), np.uint8)
    jpeg = cv2.imencode(".jpg", bgr)[1].tobytes()
    with Store.open(folder, write=True) as store:
        for number, brim in enumerate(("0", "8", "5"), 1):
            run = store.start_run(f"Bracket {number}", SETUP, "made up", toolpath, 1.75e9)
            store.ledger.keep_job(run, settings={"layer_height": "0.2", "brim_width": brim})
            advice = Advice("carry on", "Carry on.")
            if number == 1:
                advice = Advice("stop", "Stop: it lifts.", "corner-lift", "right corner")
            for n in range(30):
                store.keep_frame(run, Frame(n, f"{n:05}.jpg", 66.0 * n, bgr, None), jpeg)
                lift = 0.1 * n if number == 1 else 0.0
                reading = Reading("corner-lift", "right corner", None, lift, 0.05, "mm")
                store.keep_seen(run, n, Seen(View(True, 0.1, n + 1, 0.3), (reading,), (), advice))
            store.end_run(run, 1.75e9 + 1800, "finished")


def small_night(folder, settings):
    """A folder for ``replay``: a 20 mm square of two layers, grey pictures."""
    (folder / "frames").mkdir(parents=True)
    rng = np.random.default_rng(1)
    rows = ["file,elapsed_s"]
    for n in range(3):
        picture = rng.integers(40, 200, (48, 64, 3), dtype=np.uint8)
        (folder / "frames" / f"{n}.jpg").write_bytes(cv2.imencode(".jpg", picture)[1].tobytes())
        rows.append(f"{n}.jpg,{10.0 * n}")
    (folder / "frames.csv").write_text("\n".join(rows) + "\n")
    (folder / "setup.json").write_text(
        json.dumps(
            {
                "frame_size": SETUP.frame_size,
                "bed_mm": SETUP.bed_mm,
                "bed_motion": SETUP.bed_motion,
                "head_parked_for_frames": True,
                "bed_points": [{"pixel": p.pixel, "bed_mm": p.bed_mm} for p in SETUP.bed_points],
            }
        )
    )
    lines = ["G21", "G90", "M83"]
    for n in (1, 2, 3):
        lines += [f"G1 Z{0.2 * n:.1f} F600", "G0 X100 Y100 F6000"]
        lines += [
            f"G1 X{x} Y{y} E0.7 F1800" for x, y in [(120, 100), (120, 120), (100, 120), (100, 100)]
        ]
    lines += [f"; {key} = {value}" for key, value in settings.items()]
    (folder / "part.gcode").write_text("\n".join(lines) + "\n")
    return folder
