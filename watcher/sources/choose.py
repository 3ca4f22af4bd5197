"""Finds the right kind of source for what the user typed."""

from __future__ import annotations

from pathlib import Path

from watcher.sources.address import VIDEO_SCHEMES, read_address
from watcher.sources.clock import Clock, Tempo
from watcher.sources.device import Device
from watcher.sources.folder import Folder
from watcher.sources.netvideo import NetVideo
from watcher.sources.night import NightFolder
from watcher.sources.still import Still
from watcher.sources.stream import Stream
from watcher.sources.taken import Source
from watcher.sources.video import VideoFile
from watcher.trouble import BadNight, BadSource

STREAM_TYPE = "multipart/x-mixed-replace"


def open_live(
    where: str, frame_size: tuple[int, int], interval_s: float | Tempo, clock: Clock
) -> Source:
    """Open a camera number, an http(s) or rtsp address, a folder or a video file.

    Pictures are wanted as ``frame_size`` (width, height) every ``interval_s``. Raises
    ``BadSource``, or ``BadNight`` for a video that can't be read.
    """
    if where.isascii() and where.isdigit():
        return Device(int(where), frame_size, interval_s, clock)
    if "://" in where:
        return _open_address(where, frame_size, interval_s, clock)
    path = Path(where)
    if path.is_dir():
        return Folder(path, frame_size, interval_s, clock)
    if path.is_file():
        every_s = interval_s.interval_s if isinstance(interval_s, Tempo) else interval_s
        return VideoFile(path, frame_size, every_s)
    raise BadSource(
        f"There is no source {where}.",
        "Give a camera's number, an http:// address, a folder or a video file.",
    )


def open_recorded(path: Path, frame_size: tuple[int, int], every_s: float) -> Source:
    """Open a recorded night's folder, or a video of which a picture is taken every ``every_s``.

    Raises ``BadNight``.
    """
    if path.is_dir():
        return NightFolder(path, frame_size)
    if path.is_file():
        return VideoFile(path, frame_size, every_s)
    raise BadNight(f"There is no folder or video {path}.", "Name a recorded night or a video.")


def _open_address(
    text: str, frame_size: tuple[int, int], interval_s: float | Tempo, clock: Clock
) -> Source:
    address = read_address(text)
    if address.url.startswith(tuple(f"{scheme}://" for scheme in VIDEO_SCHEMES)):
        return NetVideo(address, frame_size, interval_s, clock)
    response = address.open()
    kind = response.headers.get_content_type()
    if kind == STREAM_TYPE:
        return Stream(address, response, frame_size, interval_s, clock)
    response.close()
    if kind.startswith("image/") or kind == "application/octet-stream":
        return Still(address, frame_size, interval_s, clock)
    raise BadSource(
        f"{address.shown} answers with {kind}, not with pictures.",
        "Give the address of the stream or picture itself.",
    )
