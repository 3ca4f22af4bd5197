"""A made-up bed before a made-up camera, for setting a printer up, and eyes that see it."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import cv2
import numpy as np

from watcher.config import Printer
from watcher.records import BedPoint, Setup
from watcher.scene.camera import Camera, camera_from_points
from watcher.settings import setup_text
from watcher.trouble import BadSource

SIZE = (640, 480)
BED = (200.0, 180.0)
CORNERS = ((49.1, 343.1), (533.1, 413.4), (516.9, 163.9), (187.7, 132.2))
"""Where a camera of 700 px at (150, -180, 220) mm sees the bed: worked out by similar triangles
in ``tests/scene/benchtop.usual_camera``."""
SETUP = Setup(
    SIZE,
    BED,
    "bed-y",
    False,
    tuple(
        BedPoint(pixel, place)
        for pixel, place in zip(
            CORNERS, ((0.0, 0.0), (BED[0], 0.0), BED, (0.0, BED[1])), strict=True
        )
    ),
)
PASSWORD = "owner:very-secret"
SOURCE = f"http://{PASSWORD}@192.0.2.7/stream"


def camera() -> Camera:
    return camera_from_points(SETUP)


def bed_picture(lamp: float = 1.0, size: tuple[int, int] = SIZE) -> bytes:
    """The bed, green in a dark room, as a JPEG; ``lamp`` scales its light."""
    rng = np.random.default_rng(1)
    fine = 4
    picture = np.full((SIZE[1] * fine, SIZE[0] * fine, 3), (55, 50, 48), np.uint8)
    cv2.rectangle(picture, (0, 0), (SIZE[0] * fine, 60 * fine), (150, 140, 130), -1)
    corners = (np.array(CORNERS) + 0.5) * fine - 0.5
    cv2.fillConvexPoly(picture, np.round(corners * 16).astype(np.int32), (80, 140, 70), 16, 4)
    small = cv2.resize(picture, SIZE, interpolation=cv2.INTER_AREA).astype(np.float32)
    small = cv2.GaussianBlur(small, (0, 0), 0.8) * lamp + rng.normal(0, 1.5, small.shape)
    shown = cv2.resize(np.clip(small, 0, 255).astype(np.uint8), size)
    return cv2.imencode(".jpg", shown, [cv2.IMWRITE_JPEG_QUALITY, 95])[1].tobytes()


def program() -> bytes:
    """A plate of 60 by 40 mm at (70, 60), ten layers high."""
    lines = ["G90", "M82", "G92 E0"]
    e = 0.0
    for layer in range(1, 11):
        lines.append(f"G1 Z{0.2 * layer:.2f} F600")
        for ring in (0.0, 0.45):
            x0, y0, x1, y1 = 70 + ring, 60 + ring, 130 - ring, 100 - ring
            lines.append(f"G0 X{x0} Y{y0} F6000")
            for x, y, length in (
                (x1, y0, x1 - x0),
                (x1, y1, y1 - y0),
                (x0, y1, x1 - x0),
                (x0, y0, y1 - y0),
            ):
                e += length * 0.45 * 0.2 / 2.405
                lines.append(f"G1 X{x} Y{y} E{e:.5f} F1800")
    return "\n".join(lines).encode()


@dataclass(frozen=True)
class Seen:
    jpeg: bytes
    words: str = "from the camera"


@dataclass
class FakeEyes:
    """Sees ``picture``, or tells ``trouble``; remembers what was asked for."""

    printers: tuple[Printer, ...] = ()
    picture_now: bytes = b""
    trouble: str = ""
    asked: list[str] = field(default_factory=list)

    def check(self, address: str) -> None:
        if "/" in address and "://" not in address:
            raise BadSource("From the page only cameras are opened.", "Name it elsewhere.")

    def shown(self, address: str) -> str:
        return address.replace(f"{PASSWORD}@", "")

    def picture(self, address: str, wish: tuple[int, int] | None = None) -> Seen:
        self.asked.append(address)
        if self.trouble:
            raise BadSource(self.trouble)
        return Seen(self.picture_now or bed_picture())


def bench(folder: Path, *, program_too: bool = True) -> Printer:
    """A configured printer whose files lie in ``folder``."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "setup.json").write_text(setup_text(SETUP), encoding="utf-8")
    (folder / "part.gcode").write_bytes(program())
    toolpath = folder / "part.gcode" if program_too else Path()
    return Printer("bench left", SOURCE, folder / "setup.json", toolpath)
