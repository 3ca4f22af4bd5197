"""Pictures dropped into a folder while the watch runs."""

from itertools import islice

import cv2
import pytest
from stand_ins import SIZE, FakeClock, jpeg, picture, shade_of

from watcher.sources.folder import PATIENCE_S, Folder
from watcher.sources.taken import Missed, Taken
from watcher.trouble import BadSource


def watched(folder, script, interval_s=10):
    """A source on a clock that calls ``script[n]`` at the n-th wait."""
    steps = iter(script)
    clock = FakeClock(lambda _: next(steps, lambda: None)())
    return Folder(folder, SIZE, interval_s, clock)


def drop(folder, name, data):
    return lambda: (folder / name).write_bytes(data)


def test_takes_each_new_picture_and_leaves_old_ones_alone(tmp_path):
    drop(tmp_path, "yesterday.jpg", jpeg(200))()
    source = watched(
        tmp_path, [drop(tmp_path, "b.jpg", jpeg(10)), drop(tmp_path, "a.jpg", jpeg(20))]
    )
    got = list(islice(source.pictures(), 2))
    assert [shade_of(item) for item in got] == [10, 20]
    assert [item.name for item in got] == ["00001.jpg", "00002.jpg"]
    assert [item.elapsed_s for item in got] == [1, 10]


def test_newest_of_several_wins(tmp_path):
    def several():
        for n, shade in enumerate((10, 20, 30)):
            path = tmp_path / f"{n}.jpg"
            path.write_bytes(jpeg(shade))

    source = watched(tmp_path, [several, drop(tmp_path, "9.jpg", jpeg(90))])
    assert [shade_of(item) for item in islice(source.pictures(), 2)] == [30, 90]


def test_file_written_over_again_and_again(tmp_path):
    script = [drop(tmp_path, "latest.jpg", jpeg(shade)) for shade in (10, 20, 30)]
    assert [shade_of(i) for i in islice(watched(tmp_path, script).pictures(), 3)] == [10, 20, 30]


def test_waits_for_a_picture_that_is_still_being_written(tmp_path):
    data = jpeg(60)
    script = [drop(tmp_path, "a.jpg", data[:k]) for k in (0, 300, 500)]
    script.append(drop(tmp_path, "a.jpg", data))
    (item,) = islice(watched(tmp_path, script).pictures(), 1)
    assert isinstance(item, Taken)
    assert item.jpeg == data


def test_picture_that_stays_broken_is_missed(tmp_path):
    source = watched(
        tmp_path,
        [
            drop(tmp_path, "a.jpg", jpeg(60)[:300]),
            *[lambda: None] * 3,
            drop(tmp_path, "b.jpg", jpeg(5)),
        ],
    )
    got = list(islice(source.pictures(), 2))
    assert isinstance(got[0], Missed)
    assert got[0].reason == "a.jpg: the picture is cut short"
    assert shade_of(got[1]) == 5


def test_png_is_kept_as_jpeg_and_other_files_are_passed_over(tmp_path):
    def several():
        drop(tmp_path, "a.png", cv2.imencode(".png", picture(70))[1].tobytes())()
        drop(tmp_path, "notes.txt", b"hello")()
        drop(tmp_path, ".b.jpg.part", b"hello")()

    (item,) = islice(watched(tmp_path, [several]).pictures(), 1)
    assert shade_of(item) == 70
    assert item.jpeg.startswith(b"\xff\xd8")


def test_wrong_size_is_missed_at_once(tmp_path):
    (item,) = islice(watched(tmp_path, [drop(tmp_path, "a.jpg", jpeg(1, (32, 32)))]).pictures(), 1)
    assert item.wrong_size


def test_long_silence_is_missed(tmp_path):
    (item,) = islice(watched(tmp_path, []).pictures(), 1)
    assert isinstance(item, Missed)
    assert item.elapsed_s >= PATIENCE_S
    assert "no new picture" in item.reason


def test_folder_that_vanishes_and_returns(tmp_path):
    folder = tmp_path / "drop"
    folder.mkdir()

    def back():
        folder.mkdir()
        drop(folder, "a.jpg", jpeg(44))()

    source = watched(folder, [folder.rmdir, lambda: None, back])
    (item,) = islice(source.pictures(), 1)
    assert shade_of(item) == 44


def test_missing_folder_is_refused(tmp_path):
    with pytest.raises(BadSource, match="There is no folder"):
        watched(tmp_path / "none", [])
