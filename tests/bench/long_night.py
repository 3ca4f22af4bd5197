"""The sample night drawn out: its frames at another size and over again, for measuring cost."""

import csv
import json
from pathlib import Path

import cv2
import numpy as np

SAMPLE = Path(__file__).resolve().parents[2] / "sample_frames" / "clean"
JPEG = (cv2.IMWRITE_JPEG_QUALITY, 90)


def sample_times():
    """File and elapsed seconds of each frame of the sample night."""
    with (SAMPLE / "frames.csv").open(newline="") as file:
        return [(row["file"], float(row["elapsed_s"])) for row in csv.DictReader(file)]


def fitted_setup(size):
    """The sample's setup for frames that were enlarged to cover ``size`` and cut in the middle.

    Returns the setup as JSON gives it and the function that changes a frame alike.
    """
    setup = json.loads((SAMPLE / "setup.json").read_text())
    before = np.array(setup["frame_size"])
    scale = float((np.array(size) / before).max())
    whole = np.ceil(before * scale).astype(int)
    cut = (whole - size) // 2
    setup["frame_size"] = [int(v) for v in size]
    for point in setup["bed_points"]:
        # Pixel centres: (0, 0) is the middle of the first pixel.
        moved = (np.array(point["pixel"]) + 0.5) * whole / before - 0.5 - cut
        point["pixel"] = [round(float(v), 2) for v in moved]

    def change(bgr):
        wide = cv2.resize(bgr, tuple(int(v) for v in whole), interpolation=cv2.INTER_CUBIC)
        return wide[cut[1] : cut[1] + size[1], cut[0] : cut[0] + size[0]]

    return setup, change


def write_night(folder, count):
    """A night of so many frames: the sample's, each of them several times, times drawn out."""
    (folder / "frames").mkdir(parents=True)
    times = sample_times()
    rows = []
    for i in range(count):
        at = i * (len(times) - 1) / max(1, count - 1)
        name, elapsed = times[int(at)]
        share = at - int(at)
        if share:
            elapsed += share * (times[int(at) + 1][1] - elapsed)
        rows.append((f"{i + 1:05d}.jpg", round(elapsed, 2)))
        (folder / "frames" / rows[-1][0]).write_bytes((SAMPLE / "frames" / name).read_bytes())
    with (folder / "frames.csv").open("w", newline="") as file:
        csv.writer(file).writerows([("file", "elapsed_s"), *rows])
    for name in ("setup.json", "part.gcode"):
        (folder / name).write_bytes((SAMPLE / name).read_bytes())
