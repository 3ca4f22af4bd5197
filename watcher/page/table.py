"""What a person works on while setting a printer up: pictures, an address, a program; in memory."""

from __future__ import annotations

import io
import threading
import time
from collections import OrderedDict
from dataclasses import dataclass, field

import cv2
import numpy as np
from PIL import Image, UnidentifiedImageError
from werkzeug.datastructures import FileStorage

from watcher.before.view import Part
from watcher.records import Picture
from watcher.trouble import Trouble

LARGEST_PIXELS = 40_000_000
MOST_ON_TABLE = 8
QUALITY = 95


@dataclass
class Looked:
    """The picture that a printer is being set up with."""

    jpeg: bytes
    bgr: Picture
    words: str
    utc_s: float
    version: int

    @property
    def size(self) -> tuple[int, int]:
        """Width and height in pixels."""
        return self.bgr.shape[1], self.bgr.shape[0]


@dataclass
class Place:
    """What lies there of one printer."""

    looked: Looked | None = None
    address: str = field(default="", repr=False)
    """May hold a password."""
    part: Part | None = None
    part_of: str = ""
    """Which version of a file ``part`` was read from; empty where it was handed in."""


@dataclass
class Table:
    """What is being worked on, by printer; the least touched goes when there is no room."""

    _places: OrderedDict[str, Place] = field(default_factory=OrderedDict)
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _count: int = 0

    def place(self, key: str) -> Place:
        """The printer's own, made where there is none."""
        with self._lock:
            found = self._places.setdefault(key, Place())
            self._places.move_to_end(key)
            while len(self._places) > MOST_ON_TABLE:
                self._places.popitem(last=False)
            return found

    def lay(self, key: str, jpeg: bytes, words: str) -> Looked:
        """Lay a new picture there. Raises ``Trouble`` where it is none."""
        bgr = decoded(jpeg)
        place = self.place(key)
        with self._lock:
            self._count += 1
            # The version goes into addresses: it must not come again after a restart.
            version = int(time.time() * 1000) + self._count
            place.looked = Looked(jpeg, bgr, words, time.time(), version)
            return place.looked


def picture_of(file: FileStorage | None) -> bytes:
    """A picture that was handed in as a JPEG without its notes. Raises ``Trouble``."""
    data = file.read() if file is not None else b""
    if not data:
        raise Trouble("No picture was chosen.", "Choose a JPEG or PNG file.")
    done, coded = cv2.imencode(".jpg", decoded(data), [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
    if not done:
        raise Trouble("The picture can't be kept.", "Give another one.")
    return coded.tobytes()


def decoded(data: bytes) -> Picture:
    """Decode, after its size was read: a small file may hold a picture that fills the memory."""
    size: tuple[int, int] | None = None
    try:
        with Image.open(io.BytesIO(data), formats=["JPEG", "PNG"]) as image:
            size = image.size
    except Image.DecompressionBombError:
        size = None
    except (UnidentifiedImageError, OSError, ValueError):
        raise Trouble("That is no picture.", "Give a JPEG or PNG file.") from None
    if size is None or size[0] * size[1] > LARGEST_PIXELS:
        raise Trouble(
            f"The picture is larger than {LARGEST_PIXELS // 10**6} million pixels.",
            "Give one as the camera sends it.",
        )
    bgr = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    if bgr is None:
        raise Trouble("That is no whole picture.", "Give a JPEG or PNG file.")
    return np.asarray(bgr, np.uint8)
