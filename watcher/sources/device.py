"""A camera on this machine, by its number."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any, Protocol

import cv2
import numpy as np

from watcher.records import Picture
from watcher.sources.clock import Clock, Pace, Tempo
from watcher.sources.jpeg import from_array
from watcher.sources.retry import pauses_s
from watcher.sources.taken import Missed, Taken, picture_name
from watcher.trouble import BadSource

# A camera that isn't there is told in one sentence of ours, not in the library's warnings.
cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_ERROR)

BY_HAND = 1
"""V4L2's manual exposure (``V4L2_EXPOSURE_MANUAL``), as OpenCV hands it on."""
STALE_FRAMES = 5
"""A driver queues about four pictures; they are older than the interval and thrown away."""


class Camera(Protocol):
    """The part of ``cv2.VideoCapture`` that is used."""

    def isOpened(self) -> bool: ...
    def set(self, propId: int, value: float) -> bool: ...
    def get(self, propId: int) -> float: ...
    def grab(self) -> bool: ...
    def retrieve(self) -> tuple[bool, Any]: ...
    def release(self) -> None: ...


class Device:
    """Takes the camera's newest picture every ``interval_s`` and reopens a camera that went."""

    total: int | None = None
    remarks: tuple[str, ...] = ()

    def __init__(
        self,
        number: int,
        frame_size: tuple[int, int],
        interval_s: float | Tempo,
        clock: Clock,
        open_camera: Callable[[int], Camera] = cv2.VideoCapture,
    ) -> None:
        """Raise ``BadSource`` where there is no such camera."""
        self._number = number
        self._frame_size = frame_size
        self._interval_s = interval_s
        self._clock = clock
        self._open_camera = open_camera
        self._closed = False
        self._camera = self._open()
        if not self._camera.isOpened():
            raise BadSource(
                f"Camera {number} doesn't answer.",
                "Check its cable, its number and that no other program holds it.",
            )

    def pictures(self) -> Iterator[Taken | Missed]:
        pace = Pace(self._clock, self._interval_s)
        taken = 0
        pauses = pauses_s()
        while not self._closed:
            taken += 1
            name, elapsed_s = picture_name(taken), self._clock.elapsed_s()
            bgr = self._newest()
            if bgr is None:
                yield Missed(name, "the camera gives no picture", elapsed_s)
                self._clock.wait(next(pauses))
                self._camera.release()
                self._camera = self._open()
            else:
                pauses = pauses_s()
                yield from_array(name, bgr, self._frame_size, elapsed_s, self._clock.utc_s())
            pace.wait()

    def close(self) -> None:
        self._closed = True
        self._camera.release()

    def _open(self) -> Camera:
        camera = self._open_camera(self._number)
        if camera.isOpened():
            camera.set(cv2.CAP_PROP_FRAME_WIDTH, self._frame_size[0])
            camera.set(cv2.CAP_PROP_FRAME_HEIGHT, self._frame_size[1])
            # A lens that hunts for focus moves every edge of the part.
            camera.set(cv2.CAP_PROP_AUTOFOCUS, 0)
        self._exposed = False
        return camera

    def _newest(self) -> Picture | None:
        if not self._camera.isOpened():
            return None
        for _ in range(STALE_FRAMES):
            if not self._camera.grab():
                return None
        if not self._exposed:
            self._fix_exposure()
        decoded, bgr = self._camera.retrieve()
        return np.asarray(bgr, np.uint8) if decoded else None

    def _fix_exposure(self) -> None:
        """Keep what the automatic has found in the first pictures, where the device allows it."""
        self._exposed = True
        found = self._camera.get(cv2.CAP_PROP_EXPOSURE)
        if found and self._camera.set(cv2.CAP_PROP_AUTO_EXPOSURE, BY_HAND):
            self._camera.set(cv2.CAP_PROP_EXPOSURE, found)
