"""Printers whose cameras are folders, and a supervisor in a process of its own."""

import contextlib
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
from patience import wait_for
from stand_ins import jpeg

from watcher.store import Store

SETUP = {
    "frame_size": [96, 64],
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
GCODE = "G21\nG90\nM82\nG1 Z0.2 F600\nG0 X100 Y100 F6000\n" + "".join(
    f"G1 X{x} Y{y} E{n * 0.7:.1f} F1800\n"
    for n, (x, y) in enumerate([(120, 100), (120, 120), (100, 120), (100, 100)], 1)
)

# The supervisor with the judge of the tests, which reads the grey of flat pictures.
PROGRAM = """
import os
from watcher.cli import main
import watcher.tend as tend
from tend.shade import judge

class Supervisor(tend.Supervisor):
    def __init__(self, *args, **more):
        super().__init__(*args, options={"make_judge": judge}, **more)

if __name__ == "__main__":
    import watcher.cli
    tend.HANGS_AFTER_S = float(os.environ.get("HANGS_AFTER_S", tend.HANGS_AFTER_S))
    watcher.cli.Supervisor = Supervisor
    main()
"""


class Workshop:
    """A folder with a configuration, and the command that tends it."""

    def __init__(self, folder, port):
        self.folder, self.port = folder, port
        self.data = folder / "kept"
        self.config = folder / "workshop.toml"
        self.log = folder / "log"
        (folder / "setup.json").write_text(json.dumps(SETUP))
        (folder / "part.gcode").write_text(GCODE)
        (folder / "run.py").write_text(PROGRAM)
        self._shade = {}
        self.process = None

    def write(self, *names, head="", stop=""):
        text = head
        for name in names:
            (self.folder / name).mkdir(exist_ok=True)
            text += (
                f'[[printer]]\nname = "{name}"\nsource = "{self.folder / name}"\n'
                f'setup = "setup.json"\ntoolpath = "part.gcode"\ninterval_s = 0.5\n{stop}\n'
            )
        self.config.write_text(text)

    def start(self, *more, **environment):
        tests = Path(__file__).resolve().parents[1]
        self.process = subprocess.Popen(
            [
                *(sys.executable, str(self.folder / "run.py"), "tend", str(self.config)),
                *("--data", str(self.data), "--port", str(self.port), *more),
            ],
            env={**os.environ, "PYTHONPATH": str(tests), **environment},
            stdout=self.log.open("ab"),
            stderr=subprocess.STDOUT,
        )
        return self.process

    def drop(self, name, shade=None):
        """Put a picture where the camera of a printer would."""
        if shade is None:
            shade = self._shade[name] = (self._shade.get(name, 0) + 7) % 150
        path = self.folder / name / f"{time.monotonic_ns()}.jpg"
        hidden = path.with_name(f".{path.name}")
        hidden.write_bytes(jpeg(shade))
        hidden.rename(path)

    def runs(self):
        with Store.open(self.data, write=False) as store:
            return {run.watch: run for run in reversed(store.runs())}

    def signs(self):
        with Store.open(self.data, write=False) as store:
            return {sign.watch: sign for sign in store.book.signs()}

    def frames(self, name):
        run = self.runs().get(name)
        return run.frames if run else 0

    def keep_dropping(self, name, frames):
        """Drop pictures until so many are kept."""

        def enough():
            self.drop(name)
            time.sleep(0.2)
            return self.frames(name) >= frames

        wait_for(enough, 120)

    def children(self):
        """Process ids of the watches."""
        found = []
        for folder in Path("/proc").iterdir():
            with contextlib.suppress(OSError):
                if not folder.name.isdigit():
                    continue
                parent = int((folder / "stat").read_text().rsplit(")", 1)[1].split()[1])
                if parent == self.process.pid and b"spawn_main" in (
                    (folder / "cmdline").read_bytes()
                ):
                    found.append(int(folder.name))
        return found

    def end(self, sign=signal.SIGINT):
        if self.process is not None and self.process.poll() is None:
            self.process.send_signal(sign)
            self.process.wait(40)
        return self.log.read_text() if self.log.exists() else ""


@pytest.fixture
def workshop(tmp_path, free_port):
    shop = Workshop(tmp_path, free_port)
    yield shop
    if shop.process is not None and shop.process.poll() is None:
        shop.process.kill()
        shop.process.wait()
