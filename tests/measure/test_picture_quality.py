"""Noise, sharpness and blindness of pictures made on purpose."""

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from watcher.measure.picture import blinded, noise_of, sharpness_of


def scene(rng):
    """Boxes of flat greys, as parts and machines are."""
    picture = np.full((240, 320), 120.0, np.float32)
    for _ in range(12):
        x, y = rng.integers(0, [300, 220])
        picture[y : y + 60, x : x + 70] = rng.uniform(60, 190)
    return picture


@pytest.mark.parametrize("sigma", [0.7, 1.5, 3.0, 8.0])
@pytest.mark.parametrize("boxes", [False, True])
def test_gaussian_noise_is_known_to_a_tenth(sigma, boxes):
    rng = np.random.default_rng(1)
    clean = scene(rng) if boxes else np.full((240, 320), 120.0, np.float32)
    noisy = (clean + rng.normal(scale=sigma, size=clean.shape)).astype(np.float32)
    assert noise_of(noisy) == pytest.approx(sigma, rel=0.1)


def test_a_picture_without_noise_has_none():
    assert noise_of(np.full((50, 60), 90, np.float32)) == 0
    assert noise_of(np.zeros((2, 9), np.float32)) == 0


def test_blur_makes_a_picture_less_sharp():
    rng = np.random.default_rng(2)
    clean = scene(rng)
    sharpness = [
        sharpness_of(cv2.GaussianBlur(clean, (0, 0), blur) if blur else clean, 1.0)
        for blur in (0.0, 2.0, 5.0)
    ]
    assert sharpness[0] > 1.3 * sharpness[1] > 1.3 * sharpness[2]
    assert sharpness_of(clean, 4.0) == pytest.approx(sharpness_of(clean, 1.0) / 4)


@pytest.mark.parametrize(
    ("picture", "why"),
    [
        (np.zeros((60, 80)), "black"),
        (np.full((60, 80), 8), "black"),
        (np.full((60, 80), 250), "white"),
        (np.full((60, 80), 120), "blank"),
        (np.linspace(117, 123, 4800).reshape(60, 80), "blank"),
        (np.linspace(20, 230, 4800).reshape(60, 80), ""),
        (np.linspace(5, 40, 4800).reshape(60, 80), ""),
    ],
)
def test_a_picture_that_shows_nothing_says_why(picture, why):
    told = blinded(picture.astype(np.float32))
    assert (why in told) if why else told == ""


def test_a_few_hot_pixels_do_not_make_a_black_picture_bright():
    picture = np.zeros((60, 80), np.float32)
    picture[::20, ::40] = 255
    assert "black" in blinded(picture)


@settings(derandomize=True, max_examples=60)
@given(arrays(np.uint8, st.tuples(st.integers(1, 16), st.integers(1, 16))))
def test_any_picture_has_a_quality(picture):
    grey = picture.astype(np.float32)
    noise = noise_of(grey)
    # The mask's weights come to 8 on each side of zero.
    assert 0 <= noise <= 8 * 255 / (0.6745 * 6) + 1e-3
    assert sharpness_of(grey, noise) >= 0
    assert isinstance(blinded(grey), str)
