"""Small copies of a run's pictures, many to a sheet, so that a night can be scrubbed at once.

``runs/<id>/sheets/fine-320x180-00012.jpg``. A sheet is made when it is first asked for and kept
once no picture can join it any more. What can't be written is served all the same.
"""

from __future__ import annotations

import contextlib
import shutil
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import numpy.typing as npt

from watcher.store import disk

QUALITY = 72
SPARE = 128 * 2**20
"""Bytes that must be free for a sheet to be kept: previews never crowd out pictures."""
_GROUND = (10, 11, 12)
_HATCH = (44, 50, 56)
_REDUCED = (
    (8, cv2.IMREAD_REDUCED_COLOR_8),
    (4, cv2.IMREAD_REDUCED_COLOR_4),
    (2, cv2.IMREAD_REDUCED_COLOR_2),
    (1, cv2.IMREAD_COLOR),
)
"""A JPEG is decoded at an eighth of its size several times faster than whole."""


@dataclass(frozen=True)
class Grain:
    """How much of a run one sheet holds."""

    name: str
    step: int
    """Every so many-th picture has a cell."""
    columns: int
    rows: int
    widest_px: int

    @property
    def span(self) -> int:
        """Frame numbers that a sheet covers."""
        return self.step * self.columns * self.rows

    def cell(self, frame_size: tuple[int, int]) -> tuple[int, int]:
        """Width and height of one cell in pixels, for pictures of ``frame_size``."""
        width, height = frame_size
        narrow = min(width, self.widest_px)
        return narrow, max(1, round(narrow * height / width))


FINE = Grain("fine", 1, 8, 4, 320)
MIDDLE = Grain("middle", 4, 8, 8, 160)
COARSE = Grain("coarse", 16, 8, 8, 160)
"""Few enough for a whole night in memory; 16 is also what thinning leaves (``COARSEST``)."""
GRAINS: Mapping[str, Grain] = {grain.name: grain for grain in (FINE, MIDDLE, COARSE)}


@dataclass(frozen=True)
class Sheet:
    """One sheet of previews."""

    jpeg: bytes
    lasting: bool
    """Whether it will never look otherwise."""


def path_of(run_folder: Path, grain: Grain, number: int, frame_size: tuple[int, int]) -> Path:
    """Where a sheet lies once it is kept."""
    width, height = grain.cell(frame_size)
    return run_folder / "sheets" / f"{grain.name}-{width}x{height}-{number:05}.jpg"


def made(
    frames: Path, names: Mapping[int, str], grain: Grain, number: int, frame_size: tuple[int, int]
) -> tuple[bytes, list[int]]:
    """Draw a sheet.

    Args:
        frames: folder of the pictures.
        names: file name of each picture, by its frame number.
        grain: which kind of sheet.
        number: which one, from 0.
        frame_size: width and height of the run's pictures in pixels.

    Returns:
        The sheet as a JPEG, and the numbers of pictures that could not be read. Their cells are
        hatched; cells without a picture stay dark.

    """
    width, height = grain.cell(frame_size)
    sheet = np.full((grain.rows * height, grain.columns * width, 3), _GROUND, np.uint8)
    lost = []
    first = number * grain.span
    for place in range(grain.columns * grain.rows):
        begin = first + place * grain.step
        asked = [n for n in range(begin, begin + grain.step) if n in names]
        if not asked:
            continue
        cell = None
        for one in asked:
            cell = _small(frames / names[one], (width, height), frame_size[0])
            if cell is not None:
                break
            lost.append(one)
        row, column = divmod(place, grain.columns)
        sheet[row * height : (row + 1) * height, column * width : (column + 1) * width] = (
            _hatched(width, height) if cell is None else cell
        )
    ok, jpeg = cv2.imencode(".jpg", sheet, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
    assert ok, "an array of this shape can always be encoded"
    return jpeg.tobytes(), lost


def keep(path: Path, jpeg: bytes, spare: int = SPARE) -> bool:
    """Keep a sheet if there is room; whether it was kept."""
    try:
        if shutil.disk_usage(path.parent.parent).free < spare:
            return False
        path.parent.mkdir(exist_ok=True)
        disk.write_file(path, jpeg)
    except OSError:
        return False
    return True


def kept(path: Path) -> bytes | None:
    """A kept sheet; ``None`` where there is none or it can't be read."""
    try:
        return path.read_bytes()
    except OSError:
        return None


def forget(run_folder: Path) -> int:
    """Delete a run's sheets; how many went."""
    gone = 0
    with contextlib.suppress(OSError):
        for path in (run_folder / "sheets").iterdir():
            path.unlink()
            gone += 1
    return gone


def _small(path: Path, size: tuple[int, int], full_width: int) -> npt.NDArray[np.uint8] | None:
    """A picture in small, decoded no larger than it takes; ``None`` where it can't be read."""
    flag = next((f for by, f in _REDUCED if full_width // by >= size[0]), cv2.IMREAD_COLOR)
    try:
        data = np.fromfile(path, np.uint8)
    except OSError:
        return None
    picture = cv2.imdecode(data, flag) if data.size else None
    if picture is None:
        return None
    if picture.shape[1::-1] != size:
        picture = cv2.resize(picture, size, interpolation=cv2.INTER_AREA)
    return np.asarray(picture, np.uint8)


def _hatched(width: int, height: int) -> npt.NDArray[np.uint8]:
    rows, columns = np.indices((height, width))
    cell = np.full((height, width, 3), _GROUND, np.uint8)
    cell[(rows + columns) // 6 % 4 == 0] = _HATCH
    return cell
