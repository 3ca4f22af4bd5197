"""One picture at a time, of any size, from a camera that is still being set up."""

from __future__ import annotations

import http.client
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any, Protocol

import cv2
import numpy as np

from watcher.records import Picture
from watcher.sources.address import VIDEO_SCHEMES, Address, read_address
from watcher.sources.device import STALE_FRAMES
from watcher.sources.folder import SUFFIXES
from watcher.sources.jpeg import Unusable, encode, whole
from watcher.sources.multipart import parts
from watcher.sources.netvideo import Video, open_video
from watcher.sources.stream import boundary
from watcher.trouble import BadSource

os.environ.setdefault("OPENCV_FFMPEG_LOGLEVEL", "-8")

TIMEOUT_S = 5.0
WISH = (1280, 720)
"""Asked of a camera by number whose size nobody has chosen; it sends the nearest that it has."""


class Camera(Protocol):
    """The part of ``cv2.VideoCapture`` that is used."""

    def isOpened(self) -> bool: ...
    def set(self, propId: int, value: float) -> bool: ...
    def grab(self) -> bool: ...
    def retrieve(self) -> tuple[bool, Any]: ...
    def release(self) -> None: ...


class Glimpse:
    """A camera that is asked for a picture now and then; opened at the first, until closed."""

    def __init__(
        self,
        where: str,
        wish: tuple[int, int] = WISH,
        *,
        open_camera: Callable[[int], Camera] = cv2.VideoCapture,
        open_url: Callable[[str], Video] = open_video,
    ) -> None:
        """Take what ``watcher watch --source`` takes. Raises ``BadSource``."""
        self._where = where
        self._wish = wish
        self._open_camera = open_camera
        self._open_url = open_url
        self._camera: Camera | None = None
        self._video: Video | None = None
        self._address: Address | None = read_address(where) if "://" in where else None

    def picture(self) -> bytes:
        """The newest picture as a JPEG. Raises ``BadSource``."""
        try:
            if self._where.isascii() and self._where.isdigit():
                return encode(self._from_device())
            if self._address is not None:
                return self._from_address(self._address)
            return self._from_path(Path(self._where))
        except Unusable as why:
            raise BadSource(
                f"The camera's picture can't be used: {why}.", "Look at its own settings."
            ) from None

    def close(self) -> None:
        """Let go of the camera. May be called more than once."""
        for held in (self._camera, self._video):
            if held is not None:
                held.release()
        self._camera = self._video = None

    def _from_device(self) -> Picture:
        if self._camera is None:
            self._camera = self._open_camera(int(self._where))
            if self._camera.isOpened():
                self._camera.set(cv2.CAP_PROP_FRAME_WIDTH, self._wish[0])
                self._camera.set(cv2.CAP_PROP_FRAME_HEIGHT, self._wish[1])
        if self._camera.isOpened() and all(self._camera.grab() for _ in range(STALE_FRAMES)):
            decoded, bgr = self._camera.retrieve()
            if decoded:
                return np.asarray(bgr, np.uint8)
        self.close()
        raise BadSource(
            f"Camera {self._where} gives no picture.",
            "Check its cable, its number and that no other program holds it.",
        )

    def _from_address(self, address: Address) -> bytes:
        if address.url.startswith(tuple(f"{scheme}://" for scheme in VIDEO_SCHEMES)):
            return encode(self._from_video(address))
        try:
            with address.open(TIMEOUT_S) as response:
                kind = response.headers.get_content_type()
                if kind == "multipart/x-mixed-replace":
                    for data in parts(response, boundary(response)):
                        return whole(data)[0]
                    raise BadSource(
                        f"{address.shown} ends its stream at once.",
                        "Look at the camera's settings.",
                    )
        except (OSError, http.client.HTTPException, ValueError) as error:
            raise address.unreachable(error) from None
        return whole(address.fetch(TIMEOUT_S))[0]

    def _from_video(self, address: Address) -> Picture:
        if self._video is None:
            self._video = self._open_url(address.url)
        decoded, bgr = self._video.read() if self._video.isOpened() else (False, None)
        if not decoded:
            self.close()
            raise BadSource(
                f"No video comes from {address.shown}.",
                "Check that the camera is on, the address, and its name and password.",
            )
        return np.asarray(bgr, np.uint8)

    def _from_path(self, path: Path) -> bytes:
        """The newest picture of a folder, or the first of a video."""
        try:
            if path.is_dir():
                files = [p for p in path.iterdir() if p.suffix.lower() in SUFFIXES]
                if not files:
                    raise BadSource(f"The folder {path} holds no picture yet.", "Wait for one.")
                return whole(max(files, key=lambda p: p.stat().st_mtime_ns).read_bytes())[0]
        except OSError as error:
            raise BadSource(
                f"{path} can't be read ({error.strerror}).", "Check its permissions."
            ) from None
        video = self._open_url(str(path)) if path.is_file() else None
        decoded, bgr = video.read() if video is not None else (False, None)
        if video is not None:
            video.release()
        if not decoded:
            raise BadSource(
                f"There is no picture in {path}.",
                "Give a camera's number, an http:// address, a folder or a video file.",
            )
        return encode(np.asarray(bgr, np.uint8))
