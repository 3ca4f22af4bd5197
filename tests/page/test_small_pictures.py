"""Small pictures for lists."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from watcher.page import create_app
from watcher.page.small import WIDTHS, made_small
from watcher.store import Store


@pytest.fixture
def client(folder):
    return create_app(folder).test_client()


@pytest.mark.parametrize("width", WIDTHS)
def test_a_picture_comes_small_and_may_be_kept(client, width):
    answer = client.get(f"/run/1/picture/00060.jpg/{width}")
    picture = cv2.imdecode(np.frombuffer(answer.data, np.uint8), cv2.IMREAD_COLOR)
    assert picture.shape == (270 * width // 480, width, 3)
    assert answer.mimetype == "image/jpeg"
    assert "immutable" in answer.headers["Cache-Control"]


def test_it_shows_what_the_large_one_shows(tmp_path):
    """Against OpenCV's mean over areas: within a few grey levels on average."""
    rng = np.random.default_rng(3)
    large = cv2.resize(rng.integers(0, 255, (18, 32, 3), np.uint8), (1280, 720))
    path = tmp_path / "a.jpg"
    cv2.imwrite(str(path), large)
    small = cv2.imdecode(np.frombuffer(made_small(path, 240), np.uint8), cv2.IMREAD_COLOR)
    wanted = cv2.resize(large, (240, 135), interpolation=cv2.INTER_AREA)
    assert np.abs(small.astype(int) - wanted).mean() < 5
    assert len(made_small(path, 240)) < path.stat().st_size / 4


def test_it_is_never_enlarged(tmp_path):
    path = tmp_path / "a.jpg"
    cv2.imwrite(str(path), np.zeros((48, 64, 3), np.uint8))
    small = cv2.imdecode(np.frombuffer(made_small(path, 240), np.uint8), cv2.IMREAD_COLOR)
    assert small.shape == (48, 64, 3)


@pytest.mark.parametrize(
    "path",
    [
        "/run/1/picture/00060.jpg/241",
        "/run/1/picture/00060.jpg/0",
        "/run/1/picture/99999.jpg/240",
        "/run/99/picture/00060.jpg/240",
        "/run/99999999999999999999/picture/00060.jpg/240",
        "/run/1/picture/..%2f..%2fwatcher.db/240",
    ],
)
def test_nothing_else_is_served(client, path):
    assert client.get(path).status_code == 404


def test_a_broken_or_missing_file_is_not_found(tmp_path, folder):
    with Store.open(folder, write=False) as store:
        path = store.frame_path(1, "00060.jpg")
    content = path.read_bytes()
    for name, kept in (("cut.jpg", content[:200]), ("text.jpg", b"no picture"), ("none.jpg", b"")):
        (tmp_path / name).write_bytes(kept)
        assert made_small(tmp_path / name, 240) is None
    assert made_small(tmp_path / "missing.jpg", 240) is None
