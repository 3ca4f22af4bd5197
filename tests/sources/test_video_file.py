"""Videos written by OpenCV's own writer."""

import cv2
import pytest
from stand_ins import SIZE, picture, shade_of

from watcher.sources.video import VideoFile
from watcher.trouble import BadNight

RATE_HZ = 4


@pytest.fixture
def video(tmp_path):
    """Ten seconds, 40 pictures, in shades 0, 5, 10 ..."""
    path = tmp_path / "night.avi"
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter_fourcc(*"MJPG"), RATE_HZ, SIZE)
    assert writer.isOpened()
    for n in range(40):
        writer.write(picture(5 * n))
    writer.release()
    return path


@pytest.mark.parametrize(
    ("every_s", "count"), [(0.25, 40), (0.5, 20), (1, 10), (3, 4), (100, 1), (0.01, 40), (0.6, 17)]
)
def test_takes_a_picture_every_so_many_seconds(video, every_s, count):
    source = VideoFile(video, SIZE, every_s)
    got = list(source.pictures())
    source.close()
    assert len(got) == count
    assert got[0].elapsed_s == 0
    for n, item in enumerate(got):
        assert item.name == f"{n + 1:05d}.jpg"
        assert shade_of(item) == pytest.approx(5 * round(item.elapsed_s * RATE_HZ), abs=2)
        due_s = max(n * every_s, n / RATE_HZ)
        assert due_s - 0.5 / RATE_HZ <= item.elapsed_s + 1e-6
        assert item.elapsed_s <= due_s + 1 / RATE_HZ + 1e-6
        assert item.jpeg.startswith(b"\xff\xd8")


def test_total_is_the_number_of_pictures(video):
    assert VideoFile(video, SIZE, 3).total == 4
    assert VideoFile(video, SIZE, 0.25).total == 40


def test_wrong_size_is_missed(video):
    got = list(VideoFile(video, (80, 60), 5).pictures())
    assert [item.wrong_size for item in got] == [True, True]


def test_what_is_no_video_is_refused(tmp_path, capfd):
    with pytest.raises(BadNight, match="no video file"):
        VideoFile(tmp_path / "none.mp4", SIZE, 1)
    (tmp_path / "text.mp4").write_bytes(b"words " * 500)
    with pytest.raises(BadNight, match=r"text\.mp4 can't be read"):
        VideoFile(tmp_path / "text.mp4", SIZE, 1)
    (tmp_path / "empty.mp4").write_bytes(b"")
    with pytest.raises(BadNight, match=r"empty\.mp4 can't be read"):
        VideoFile(tmp_path / "empty.mp4", SIZE, 1)
    assert capfd.readouterr() == ("", "")


def test_video_cut_short_gives_what_is_there(video):
    data = video.read_bytes()
    video.write_bytes(data[: len(data) // 2])
    got = list(VideoFile(video, SIZE, 0.25).pictures())
    assert 0 < len(got) < 40
