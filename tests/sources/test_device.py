"""A camera by number, with a camera played by a script."""

from itertools import islice, pairwise

import cv2
import pytest
from stand_ins import SIZE, FakeClock, picture, shade_of

from watcher.sources.device import Device
from watcher.sources.taken import Missed
from watcher.trouble import BadSource


class ScriptedCamera:
    """Gives a brighter picture at each grab until it is unplugged."""

    def __init__(self, bench):
        self.bench = bench
        self.settings = {}

    def isOpened(self):
        return self.bench.plugged

    def set(self, name, value):
        self.settings[name] = value
        return True

    def get(self, name):
        return {cv2.CAP_PROP_EXPOSURE: 157.0}.get(name, 0.0)

    def grab(self):
        self.bench.grabs += self.bench.plugged
        return self.bench.plugged

    def retrieve(self):
        return True, picture(self.bench.grabs, self.bench.size)

    def release(self):
        self.bench.released += 1


class Bench:
    def __init__(self):
        self.plugged, self.size = True, SIZE
        self.grabs = self.opened = self.released = 0
        self.cameras = []

    def open(self, number):
        assert number == 3
        self.opened += 1
        self.cameras.append(ScriptedCamera(self))
        return self.cameras[-1]


def test_takes_the_newest_picture_at_each_interval(clock):
    bench = Bench()
    source = Device(3, SIZE, 10, clock, bench.open)
    got = list(islice(source.pictures(), 3))
    assert [item.elapsed_s for item in got] == [0, 10, 20]
    assert [shade_of(item) for item in got] == [5, 10, 15], "queued pictures are thrown away"
    assert [item.name for item in got] == ["00001.jpg", "00002.jpg", "00003.jpg"]
    settings = bench.cameras[0].settings
    assert settings[cv2.CAP_PROP_FRAME_WIDTH] == SIZE[0]
    assert settings[cv2.CAP_PROP_AUTOFOCUS] == 0
    assert settings[cv2.CAP_PROP_AUTO_EXPOSURE] == 1, "V4L2_EXPOSURE_MANUAL"
    assert settings[cv2.CAP_PROP_EXPOSURE] == 157.0, "what the automatic had found"
    source.close()
    assert bench.released == 1


def test_camera_that_goes_is_opened_again_with_longer_and_longer_pauses():
    bench = Bench()

    def plug(wait_number):
        bench.plugged = not 1 <= wait_number < 8

    clock = FakeClock(plug)
    source = Device(3, SIZE, 1, clock, bench.open)
    got = list(islice(source.pictures(), 6))
    assert [isinstance(item, Missed) for item in got] == [False, True, True, True, True, False]
    assert got[1].reason == "the camera gives no picture"
    times = [item.elapsed_s for item in got]
    gaps = [b - a for a, b in pairwise(times)]
    assert gaps[1:4] == [1, 2, 4]
    assert bench.opened == 5


def test_no_such_camera_is_refused(clock):
    bench = Bench()
    bench.plugged = False
    with pytest.raises(BadSource, match="Camera 3 doesn't answer"):
        Device(3, SIZE, 1, clock, bench.open)


def test_wrong_size_is_missed(clock):
    bench = Bench()
    bench.size = (64, 48)
    (item,) = islice(Device(3, SIZE, 1, clock, bench.open).pictures(), 1)
    assert isinstance(item, Missed)
    assert item.wrong_size


def test_real_opencv_says_no_in_one_sentence(clock, capfd):
    with pytest.raises(BadSource, match="Camera 97 doesn't answer"):
        Device(97, SIZE, 1, clock)
    assert capfd.readouterr() == ("", "")
