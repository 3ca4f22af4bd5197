"""The recorded nights' toolpaths, where they are at hand."""

import csv
import json
from pathlib import Path

import numpy as np
import pytest

from watcher.toolpath import read_toolpath

NIGHTS = Path(__file__).parents[3] / "shared" / "nights"
NAMES = ["bracket-a", "bracket-b", "plate-a", "tray-a", "vase-a"]

pytestmark = pytest.mark.skipif(not NIGHTS.is_dir(), reason="the recorded nights are not here")


def read(name):
    with (NIGHTS / name / "part.gcode").open("rb") as file:
        return read_toolpath(file), json.loads((NIGHTS / name / "truth.json").read_text())


@pytest.mark.parametrize("name", NAMES)
def test_layers_and_filament(name):
    toolpath, truth = read(name)
    assert len(toolpath.layers) == truth["total_layers"]
    np.testing.assert_allclose(
        [layer.height_mm for layer in toolpath.layers], truth["layer_mm"], atol=1e-6
    )
    assert toolpath.filament_mm == pytest.approx(truth["filament_mm"], abs=0.1)
    assert all(layer.rings_mm for layer in toolpath.layers)


def test_the_lifting_corner_is_a_corner_of_the_outline():
    toolpath, truth = read("bracket-a")
    corner = truth["frames"][-1]["lifts"][0]["corner_bed_mm"]
    ring = toolpath.layers[0].rings_mm[0]
    assert np.linalg.norm(ring - corner, axis=1).min() < 0.1


def test_the_machine_keeps_one_pace():
    # Frame k of this night was taken at the end of layer k.
    toolpath, _ = read("bracket-a")
    with (NIGHTS / "bracket-a" / "frames.csv").open(encoding="utf-8") as file:
        elapsed = [float(row["elapsed_s"]) for row in csv.DictReader(file)]
    ends = [layer.start_s + layer.duration_s for layer in toolpath.layers]
    pace = np.array(elapsed) / ends
    assert np.ptp(pace) / pace.mean() < 0.005
