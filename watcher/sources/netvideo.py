"""A video over the network, as RTSP cameras send it; a thread reads along for the newest."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator
from typing import Any, Protocol

import cv2
import numpy as np

from watcher.records import Picture
from watcher.sources.address import Address
from watcher.sources.clock import Clock, Pace, Tempo
from watcher.sources.jpeg import from_array
from watcher.sources.retry import pauses_s
from watcher.sources.taken import Missed, Taken, picture_name
from watcher.trouble import BadSource

# Over TCP a picture comes whole or late; over UDP it may come with grey bands.
os.environ.setdefault("OPENCV_FFMPEG_CAPTURE_OPTIONS", "rtsp_transport;tcp")
os.environ.setdefault("OPENCV_FFMPEG_LOGLEVEL", "-8")

TIMEOUT_MS = 10_000
PATIENCE_S = 30.0


class Video(Protocol):
    """The part of ``cv2.VideoCapture`` that is used."""

    def isOpened(self) -> bool: ...
    def read(self) -> tuple[bool, Any]: ...
    def release(self) -> None: ...


def open_video(url: str) -> Video:
    """Open with time-outs, so that a camera that hangs is noticed."""
    return cv2.VideoCapture(
        url,
        cv2.CAP_FFMPEG,
        [cv2.CAP_PROP_OPEN_TIMEOUT_MSEC, TIMEOUT_MS, cv2.CAP_PROP_READ_TIMEOUT_MSEC, TIMEOUT_MS],
    )


class NetVideo:
    """Takes the newest picture of the video every so often and opens it again when it ends."""

    total: int | None = None
    remarks: tuple[str, ...] = ()

    def __init__(
        self,
        address: Address,
        frame_size: tuple[int, int],
        tempo: float | Tempo,
        clock: Clock,
        *,
        patience_s: float = PATIENCE_S,
        open_url: Callable[[str], Video] = open_video,
    ) -> None:
        """Raise ``BadSource`` where no video comes."""
        self._address = address
        self._frame_size = frame_size
        self._tempo = tempo
        self._clock = clock
        self._patience_s = patience_s
        self._open_url = open_url
        self._closed = threading.Event()
        self._changed = threading.Condition()
        self._newest: tuple[Picture, float, float] | None = None
        self._trouble = "the camera sends nothing"
        video = open_url(address.url)
        if not video.isOpened():
            video.release()
            raise BadSource(
                f"No video comes from {address.shown}.",
                "Check that the camera is on, the address, and its name and password.",
            )
        self._thread = threading.Thread(target=self._read, args=(video,), daemon=True)
        self._thread.start()

    def pictures(self) -> Iterator[Taken | Missed]:
        pace = Pace(self._clock, self._tempo)
        taken = 0
        while not self._closed.is_set():
            with self._changed:
                self._changed.wait_for(lambda: self._newest is not None, self._patience_s)
                newest, self._newest = self._newest, None
            taken += 1
            name = picture_name(taken)
            if newest is None:
                reason = f"no picture came for {self._patience_s:g} s: {self._trouble}"
                yield Missed(name, reason, self._clock.elapsed_s())
            else:
                bgr, elapsed_s, utc_s = newest
                yield from_array(name, bgr, self._frame_size, elapsed_s, utc_s)
            pace.wait()

    def close(self) -> None:
        self._closed.set()

    def _read(self, video: Video) -> None:
        pauses = pauses_s()
        while not self._closed.is_set():
            while not self._closed.is_set():
                decoded, bgr = video.read()
                if not decoded:
                    break
                pauses = pauses_s()
                self._arrived(np.asarray(bgr, np.uint8))
            video.release()
            self._trouble = "the camera ended its video or fell silent"
            self._closed.wait(next(pauses))
            if not self._closed.is_set():
                video = self._open_url(self._address.url)
        video.release()

    def _arrived(self, bgr: Picture) -> None:
        with self._changed:
            self._newest = (bgr, self._clock.elapsed_s(), self._clock.utc_s())
            self._changed.notify()
