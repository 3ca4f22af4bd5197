"""Pictures by time, quicker while evidence grows, or one for each layer."""

from itertools import islice

from stand_ins import SIZE, FakeClock, http_server, jpeg, reply

from watcher.sources.choose import open_live
from watcher.sources.clock import NightClock, Pace, Tempo


def test_pictures_come_quicker_while_evidence_grows(clock):
    tempo = Tempo(10, 2)
    pace = Pace(clock, tempo)
    times = []
    for strength in (0.0, 0.1, 0.5, 0.9, 0.2, 0.0):
        tempo.follow(strength)
        pace.wait()
        times.append(clock.elapsed_s())
    assert times == [10, 20, 22, 24, 34, 44]


def test_without_a_quick_interval_it_stays_the_same(clock):
    tempo = Tempo(10)
    tempo.follow(1.0)
    assert tempo.interval_s == 10


def test_a_picture_for_each_touch_of_the_layer_file(tmp_path):
    file = tmp_path / "layer"

    def touch(waits):
        if waits % 8 == 0:
            file.write_text(str(waits))

    clock = FakeClock(touch)
    with http_server(lambda h: reply(h, jpeg(50))) as url:
        source = open_live(url, SIZE, Tempo(600, layer_file=file), clock)
        got = list(islice(source.pictures(), 4))
    assert [item.elapsed_s for item in got] == [0, 2, 4, 6]


def test_a_caller_that_falls_silent_does_not_blind_the_watch(tmp_path):
    clock = FakeClock()
    pace = Pace(clock, Tempo(60, layer_file=tmp_path / "layer"))
    pace.wait()
    assert clock.elapsed_s() == 60


def test_a_run_that_goes_on_takes_up_its_elapsed_time():
    assert 3600 <= NightClock(3600).elapsed_s() < 3660
