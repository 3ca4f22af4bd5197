"""A small night of flat pictures, a runner for the command, and a judge that reads their grey."""

import json
import socket
from pathlib import Path

import pytest
from click.testing import CliRunner
from stand_ins import SIZE, FakeClock, ShadeJudge, jpeg

from watcher.cli import Equipment, main

SETUP = {
    "frame_size": list(SIZE),
    "bed_mm": [220, 220],
    "bed_motion": "fixed",
    "head_parked_for_frames": True,
    "bed_points": [
        {"pixel": [10, 60], "bed_mm": [0, 0]},
        {"pixel": [90, 60], "bed_mm": [220, 0]},
        {"pixel": [70, 20], "bed_mm": [220, 220]},
        {"pixel": [30, 20], "bed_mm": [0, 220]},
    ],
}

# Two layers of a 20 mm square.
GCODE = "G21\nG90\nM82\n" + "".join(
    f"G1 Z{0.2 * n:.1f} F600\nG0 X100 Y100 F6000\n"
    + "".join(
        f"G1 X{x} Y{y} E{(4 * n - 4 + k) * 0.7:.1f} F1800\n"
        for k, (x, y) in enumerate([(120, 100), (120, 120), (100, 120), (100, 100)], 1)
    )
    for n in (1, 2)
)

SHADES = [20, 60, 100, 140, 180, 220, 240]
"""The judge reads 2.2 mm at the sixth and then says stop."""


@pytest.fixture
def night(tmp_path) -> Path:
    folder = tmp_path / "vent bracket"
    (folder / "frames").mkdir(parents=True)
    rows = ["file,elapsed_s"]
    for n, shade in enumerate(SHADES, 1):
        (folder / "frames" / f"{n:05d}.jpg").write_bytes(jpeg(shade))
        rows.append(f"{n:05d}.jpg,{100.0 * n}")
    (folder / "frames.csv").write_text("\n".join(rows) + "\n")
    (folder / "setup.json").write_text(json.dumps(SETUP))
    (folder / "part.gcode").write_text(GCODE)
    return folder


@pytest.fixture
def data(tmp_path) -> Path:
    return tmp_path / "kept"


class Runner:
    """Runs ``watcher`` in this process with a clock and a judge of the test."""

    def __init__(self, data):
        self.data = data
        self.clock = FakeClock()
        self.judge = ShadeJudge()
        self.setup = self.toolpath = self.weights = None

    def __call__(self, command, *args, keep=True):
        def judge(setup, toolpath, weights):
            self.setup, self.toolpath, self.weights = setup, toolpath, weights
            return self.judge

        line = [command, *map(str, args)]
        if keep:
            line += ["--data", str(self.data)]
        equipment = Equipment(make_clock=lambda: self.clock, make_judge=judge)
        return CliRunner().invoke(main, line, obj=equipment)


@pytest.fixture
def watcher(data) -> Runner:
    return Runner(data)


@pytest.fixture
def taken_port():
    """A port that another program has."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        yield listener.getsockname()[1]
