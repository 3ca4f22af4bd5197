"""Makes the pictures of the page's help anew from nights of the project's own maker.

    python tests/bench/help_pictures.py FOLDER

FOLDER holds the nights that sample_frames/maker has rendered. Each picture is what ``watcher draw
--close`` makes of one frame, at two thirds of its size.
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path

import cv2

FRAMES = {
    "corner-lift": ("sample-lift", "00050.jpg"),
    "overhang-curl": ("vent-flange-curl", "00046.jpg"),
    "strands": ("dark-spaghetti", "00044.jpg"),
    "come-loose": ("plate-breaks-loose", "00021.jpg"),
    "layer-step": ("bracket-step", "00050.jpg"),
    "no-growth": ("vent-tray-runout", "00030.jpg"),
    "hidden": ("two-corner-lift", "00030.jpg"),
}
HELP = Path(__file__).parents[2] / "web" / "static" / "help"
WIDTH_PX = 900
START = "from watcher.cli import main; main()"


def main() -> None:
    if len(sys.argv) != 2 or not Path(sys.argv[1]).is_dir():
        sys.exit(f"Name the folder of the rendered nights.\n{__doc__}")
    HELP.mkdir(exist_ok=True)
    for name, (night, frame) in FRAMES.items():
        with tempfile.TemporaryDirectory() as scratch:
            drawn = Path(scratch) / "drawn.png"
            line = ["draw", str(Path(sys.argv[1]) / night), frame, "--close", "--out", str(drawn)]
            subprocess.run([sys.executable, "-c", START, *line], check=True)
            picture = cv2.imread(str(drawn))
        height = round(picture.shape[0] * WIDTH_PX / picture.shape[1])
        small = cv2.resize(picture, (WIDTH_PX, height), interpolation=cv2.INTER_AREA)
        out = HELP / f"{name}.webp"
        cv2.imwrite(str(out), small, [cv2.IMWRITE_WEBP_QUALITY, 82])
        print(f"{out.name}: {WIDTH_PX} x {height}, {out.stat().st_size // 1024} KB")


if __name__ == "__main__":
    main()
