"""The MJPEG body reader against bodies as RFC 2046 has them and as cameras send them."""

import io

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from stand_ins import jpeg
from werkzeug.datastructures import Headers
from werkzeug.sansio.multipart import Data, Epilogue, File, MultipartEncoder, Preamble

from watcher.sources.multipart import parts

PICTURES = [jpeg(shade) for shade in (10, 20, 30)]


def body(pictures, head=b"--b", length=True, newline=b"\r\n"):
    lines = b""
    for picture in pictures:
        lines += head + newline + b"Content-Type: image/jpeg" + newline
        if length:
            lines += b"Content-Length: %d" % len(picture) + newline
        lines += newline + picture + newline
    return lines


def read(data, boundary="b"):
    return list(parts(io.BytesIO(data), boundary))


@pytest.mark.parametrize("boundary", ["b", "--b", '"b"'])
@pytest.mark.parametrize("newline", [b"\r\n", b"\n"])
def test_parts_with_and_without_length(boundary, newline):
    assert read(body(PICTURES, newline=newline), boundary) == PICTURES
    # Without a length only the next boundary ends a part, so the last one is left out.
    assert read(body(PICTURES, length=False, newline=newline), boundary) == PICTURES[:2]


def test_body_made_by_another_library():
    """Werkzeug's encoder: no Content-Length, a header of its own, a closing boundary."""
    encoder = MultipartEncoder(b"edge")
    data = encoder.send_event(Preamble(data=b""))
    for picture in PICTURES:
        headers = Headers({"Content-Type": "image/jpeg"})
        data += encoder.send_event(File(name="f", filename="p.jpg", headers=headers))
        data += encoder.send_event(Data(data=picture, more_data=False))
    data += encoder.send_event(Epilogue(data=b""))
    assert read(data, "edge") == PICTURES


def test_preamble_and_closing_boundary_are_no_pictures():
    assert read(b"hello\r\n" + body(PICTURES) + b"--b--\r\n") == PICTURES


@pytest.mark.parametrize("false", [b"0", b"-5", b"many", b"99999999999"])
def test_senseless_length_is_passed_over(false):
    data = body(PICTURES).replace(b"%d" % len(PICTURES[1]), false)
    assert read(data)[:2] == PICTURES[:2]


def test_length_that_is_too_short_costs_one_picture():
    cut = len(PICTURES[1]) - 20
    data = (
        body(PICTURES[:1])
        + body([PICTURES[1]]).replace(b"%d" % len(PICTURES[1]), b"%d" % cut)
        + body(PICTURES[2:])
    )
    assert read(data) == [PICTURES[0], PICTURES[1][:cut], PICTURES[2]]


def test_cut_at_any_place_gives_whole_pictures_only():
    data = body(PICTURES)
    for end in range(0, len(data), 11):
        got = read(data[:end])
        assert got == PICTURES[: len(got)]


@given(st.binary(max_size=2000))
def test_any_bytes_end(data):
    assert sum(map(len, read(data + b"\r\n--b\r\n" + data))) <= 2 * len(data) + 8


def test_binary_data_that_holds_line_ends():
    noise = np.random.default_rng(1).integers(9, 14, 4000, dtype=np.uint8).tobytes()
    picture = b"\xff\xd8" + noise + b"\xff\xd9"
    assert read(body([picture, picture])) == [picture, picture]
    assert read(body([picture, picture], length=False)) == [picture]
