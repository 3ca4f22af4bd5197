"""Pictures out of a multipart/x-mixed-replace body, the form in which cameras send MJPEG.

Parts and boundaries follow RFC 2046, section 5.1; what many cameras get wrong is forgiven: a
boundary parameter that already holds the dashes, a missing or false Content-Length, line ends of
a lone LF.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import BinaryIO

from watcher.sources.address import LARGEST_PICTURE
from watcher.sources.jpeg import START

LONGEST_LINE = 2**16


def parts(body: BinaryIO, boundary: str) -> Iterator[bytes]:
    """Give the content of each part that the body holds until it ends.

    ``boundary`` is the parameter of the body's Content-Type. A part that is larger than any
    picture, or that the end cuts off, is left out.
    """
    mark = b"--" + boundary.strip().strip('"').removeprefix("--").encode("latin-1", "replace")
    line = body.readline(LONGEST_LINE)
    while line:
        if not line.startswith(mark):
            line = body.readline(LONGEST_LINE)
            continue
        length = _content_length(body)
        if length is not None and 0 < length <= LARGEST_PICTURE:
            content = body.read(length)
            if len(content) < length:
                return
            yield content
            line = body.readline(LONGEST_LINE)
        else:
            content, line = _until(body, mark)
            if line and len(content) <= LARGEST_PICTURE and content.startswith(START):
                yield content


def _content_length(body: BinaryIO) -> int | None:
    """Read a part's header lines and return the length that they give, if any."""
    length = None
    while (line := body.readline(LONGEST_LINE)).strip():
        name, _, value = line.partition(b":")
        if name.strip().lower() == b"content-length" and value.strip().isdigit():
            length = int(value)
    return length


def _until(body: BinaryIO, mark: bytes) -> tuple[bytes, bytes]:
    """Read up to the next boundary; return what was before it and the boundary's line."""
    lines: list[bytes] = []
    size = 0
    while (line := body.readline(LONGEST_LINE)) and not line.startswith(mark):
        size += len(line)
        if size <= LARGEST_PICTURE + LONGEST_LINE:
            lines.append(line)
    content = b"".join(lines)
    return content.removesuffix(b"\n").removesuffix(b"\r"), line
