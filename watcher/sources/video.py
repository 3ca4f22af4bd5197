"""A video file, one picture every so many seconds of it."""

from __future__ import annotations

import math
import os
from collections.abc import Iterator
from pathlib import Path

import cv2
import numpy as np

from watcher.sources.jpeg import from_array
from watcher.sources.taken import Missed, Taken, picture_name
from watcher.trouble import BadNight

# Decoder chatter on standard error would hide the one sentence that the user needs.
os.environ.setdefault("OPENCV_FFMPEG_LOGLEVEL", "-8")


class VideoFile:
    """Time runs by the video's own time stamps."""

    remarks: tuple[str, ...] = ()

    def __init__(self, path: Path, frame_size: tuple[int, int], every_s: float) -> None:
        """Raise ``BadNight`` where the file holds no video that can be read."""
        if not path.is_file():
            raise BadNight(f"There is no video file {path}.", "Name a video or a night's folder.")
        self._capture = cv2.VideoCapture(str(path))
        self._frame_size = frame_size
        self._every_s = every_s
        rate_hz = self._capture.get(cv2.CAP_PROP_FPS) if self._capture.isOpened() else 0.0
        if not (math.isfinite(rate_hz) and rate_hz > 0):
            self.close()
            raise BadNight(
                f"{path.name} can't be read as a video.",
                "Name an MP4, AVI or MKV file, or a recorded night's folder.",
            )
        self._rate_hz = rate_hz
        count = self._capture.get(cv2.CAP_PROP_FRAME_COUNT)
        self.total: int | None = math.ceil(count / rate_hz / every_s) if count > 0 else None

    def pictures(self) -> Iterator[Taken | Missed]:
        due_s = 0.0
        shown = taken = 0
        while self._capture.grab():
            elapsed_s = self._capture.get(cv2.CAP_PROP_POS_MSEC) / 1000
            if not math.isfinite(elapsed_s) or elapsed_s <= 0:
                elapsed_s = shown / self._rate_hz
            shown += 1
            # Half a frame of leave, or time stamps rounded down would skip to the next frame.
            if elapsed_s + 0.5 / self._rate_hz < due_s:
                continue
            due_s += self._every_s * max(1, 1 + math.floor((elapsed_s - due_s) / self._every_s))
            taken += 1
            yield self._picture(picture_name(taken), elapsed_s)

    def close(self) -> None:
        self._capture.release()

    def _picture(self, name: str, elapsed_s: float) -> Taken | Missed:
        decoded, bgr = self._capture.retrieve()
        if not decoded:
            return Missed(name, "the video is broken there", elapsed_s)
        return from_array(name, np.asarray(bgr, np.uint8), self._frame_size, elapsed_s)
