"""Whole pictures are taken, broken ones are told apart before they are measured."""

import io

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image
from stand_ins import SIZE, jpeg, picture

from watcher.sources.jpeg import Unusable, usable

NOISE = np.random.default_rng(5).integers(0, 256, (64, 96, 3), dtype=np.uint8)


def coded(**options):
    """A JPEG of noise by another encoder than the project's."""
    file = io.BytesIO()
    Image.fromarray(NOISE).save(file, "JPEG", **options)
    return file.getvalue()


def test_keeps_the_bytes_of_a_jpeg():
    data = jpeg(120)
    kept, bgr = usable(data, SIZE)
    assert kept is data
    assert bgr.shape == (64, 96, 3)
    assert np.abs(bgr.astype(int) - 120).max() <= 2


def test_png_becomes_a_jpeg_of_the_same_picture():
    data = cv2.imencode(".png", picture(90))[1].tobytes()
    kept, bgr = usable(data, SIZE)
    assert kept.startswith(b"\xff\xd8")
    assert (bgr == 90).all()


@pytest.mark.parametrize("options", [{}, {"progressive": True}, {"quality": 100}, {"optimize": 1}])
def test_every_cut_is_noticed(options):
    data = coded(**options)
    usable(data, SIZE)
    for length in range(0, len(data) - 1, 37):
        with pytest.raises(Unusable):
            usable(data[:length], SIZE)
    with pytest.raises(Unusable, match="cut short"):
        usable(data[:-1], SIZE)


def test_thumbnail_with_an_end_of_its_own_does_not_hide_a_cut():
    thumbnail = jpeg(10, (16, 16))
    body = b"Exif\0\0" + thumbnail
    segment = b"\xff\xe1" + (len(body) + 2).to_bytes(2, "big") + body
    data = coded()
    data = data[:2] + segment + data[2:]
    usable(data, SIZE)
    with pytest.raises(Unusable, match="cut short"):
        usable(data[: len(data) // 2], SIZE)


def test_padding_after_the_end_is_harmless():
    usable(coded() + b"\0" * 100, SIZE)


@pytest.mark.parametrize(
    ("data", "says"),
    [(b"", "empty"), (b"\0" * 999, "neither JPEG nor PNG"), (b"\xff\xd8" + b"a" * 99, "cut short")],
)
def test_garbage(data, says):
    with pytest.raises(Unusable, match=says):
        usable(data, SIZE)


def test_cut_png_is_noticed():
    data = cv2.imencode(".png", NOISE)[1].tobytes()
    with pytest.raises(Unusable, match="cut short"):
        usable(data[: len(data) // 2], SIZE)


def test_wrong_size_is_said_with_both_sizes():
    with pytest.raises(Unusable, match="80 by 60 pixels, but the setup says 96 by 64") as caught:
        usable(jpeg(1, (80, 60)), SIZE)
    assert caught.value.wrong_size


@settings(max_examples=300)
@given(st.binary(max_size=400), st.sampled_from([b"", b"\xff\xd8", b"\x89PNG\r\n\x1a\n"]))
def test_any_bytes_are_a_picture_or_unusable(data, start):
    try:
        _, bgr = usable(start + data, SIZE)
    except Unusable:
        return
    assert bgr.shape == (64, 96, 3)
