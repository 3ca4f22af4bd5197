"""Tells a whole picture from a broken one, and keeps every picture as a JPEG."""

from __future__ import annotations

import cv2
import numpy as np

from watcher.records import Picture
from watcher.sources.taken import Missed, Taken

QUALITY = 95
START, END = b"\xff\xd8", b"\xff\xd9"
PNG_START, PNG_END = b"\x89PNG\r\n\x1a\n", b"IEND\xaeB`\x82"
"""Signature and closing chunk of a PNG (ISO/IEC 15948)."""
SCAN = 0xDA
STANDALONE = frozenset({0x01, *range(0xD0, 0xD9)})
"""Marker codes that no length follows (ISO/IEC 10918-1, table B.1)."""


class Unusable(Exception):
    """The picture can't be used; the text says why as part of a sentence."""

    def __init__(self, reason: str, wrong_size: bool = False) -> None:
        super().__init__(reason)
        self.reason = reason
        self.wrong_size = wrong_size


def from_file(
    name: str,
    data: bytes,
    frame_size: tuple[int, int],
    elapsed_s: float,
    utc_s: float | None = None,
) -> Taken | Missed:
    """Take the bytes of a JPEG or PNG file as a picture of the run, or say why they are none."""
    try:
        jpeg, bgr = usable(data, frame_size)
    except Unusable as why:
        return Missed(name, why.reason, elapsed_s, why.wrong_size)
    return Taken(name, jpeg, bgr, elapsed_s, utc_s)


def from_array(
    name: str,
    bgr: Picture,
    frame_size: tuple[int, int],
    elapsed_s: float,
    utc_s: float | None = None,
) -> Taken | Missed:
    """Take a decoded picture of shape (H, W, 3), or say why it can't be used.

    What is judged is the picture as it is kept, so that a run that is carried on or replayed comes
    to the same.
    """
    try:
        check_size(bgr, frame_size)
        jpeg, kept = usable(encode(bgr), frame_size)
        return Taken(name, jpeg, kept, elapsed_s, utc_s)
    except Unusable as why:
        return Missed(name, why.reason, elapsed_s, why.wrong_size)


def usable(data: bytes, frame_size: tuple[int, int]) -> tuple[bytes, Picture]:
    """Return a JPEG or PNG file as the JPEG to keep and as a picture of shape (H, W, 3), uint8,
    blue-green-red.

    ``frame_size`` is the width and height in pixels that the setup gives. Raises ``Unusable`` where
    the bytes are no whole picture of that size.
    """
    jpeg, picture = whole(data)
    check_size(picture, frame_size)
    return jpeg, picture


def whole(data: bytes) -> tuple[bytes, Picture]:
    """As :func:`usable`, for a picture of any size.

    Raises ``Unusable`` where the bytes are no whole picture: some decoders fill the rest of a cut
    picture with grey and say nothing, and measuring grey would be worse than measuring nothing.
    """
    if not data:
        raise Unusable("the file is empty")
    is_png = data.startswith(PNG_START)
    if not is_png and not data.startswith(START):
        raise Unusable("it is neither JPEG nor PNG")
    if not (PNG_END in data[-64:] if is_png else _ends(data)):
        raise Unusable("the picture is cut short")
    bgr = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_COLOR)
    if bgr is None:
        raise Unusable("the picture can't be decoded")
    picture = np.asarray(bgr, np.uint8)
    return (encode(picture) if is_png else data), picture


def check_size(bgr: Picture, frame_size: tuple[int, int]) -> None:
    """Raise ``Unusable`` where the picture is not of the width and height in ``frame_size``."""
    height, width = bgr.shape[:2]
    if (width, height) != frame_size:
        raise Unusable(
            f"it is {width} by {height} pixels, but the setup says {frame_size[0]} by "
            f"{frame_size[1]}",
            wrong_size=True,
        )


def encode(bgr: Picture) -> bytes:
    """Return the picture of shape (H, W, 3) as a JPEG that keeps its edges."""
    done, coded = cv2.imencode(".jpg", bgr, [cv2.IMWRITE_JPEG_QUALITY, QUALITY])
    if not done:
        raise Unusable("it can't be kept as a JPEG")
    return coded.tobytes()


def _ends(jpeg: bytes) -> bool:
    """Whether an end-of-image marker follows the first scan.

    Marker segments before the scan are stepped over by their lengths, for a thumbnail in one of
    them has an end of its own. In the scan itself FF D9 can be nothing but the end, as data bytes
    FF are followed by 00 (ISO/IEC 10918-1, B.1.1.5).
    """
    place = len(START)
    while place + 4 <= len(jpeg) and jpeg[place] == 0xFF:
        code = jpeg[place + 1]
        if code == 0xFF:
            place += 1
        elif code in STANDALONE:
            place += 2
        elif code == SCAN:
            return jpeg.find(END, place) >= 0
        else:
            place += 2 + int.from_bytes(jpeg[place + 2 : place + 4], "big")
    return False
