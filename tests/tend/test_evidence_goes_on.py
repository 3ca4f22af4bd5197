"""The real judge: a night that is killed and carried on comes to what an unbroken one comes to."""

from itertools import islice
from pathlib import Path

import pytest

from watcher.night import Night
from watcher.records import Frame
from watcher.run import Label, catch_up
from watcher.settings import read_setup
from watcher.sources.clock import NightClock
from watcher.sources.night import NightFolder
from watcher.store import Store
from watcher.tend import live_night
from watcher.toolpath import read_toolpath

NIGHT = Path(__file__).resolve().parents[2] / "sample_frames" / "lift"
FRAMES = 34
KILLED_AFTER = 25
"""Once the state has been kept at the twentieth, so that five pictures are judged again."""


class Killed(BaseException):
    """Ends a night as a kill would, for the store."""


class Part:
    """Some of the sample night's pictures; afterwards a kill or the end."""

    total = None
    remarks = ()

    def __init__(self, night, first, last, kill):
        self._night, self._first, self._last, self._kill = night, first, last, kill

    def pictures(self):
        yield from islice(self._night.pictures(), self._first, self._last)
        if self._kill:
            raise Killed

    def close(self):
        pass


@pytest.fixture(scope="module")
def material():
    setup = read_setup(NIGHT / "setup.json")
    return setup, read_toolpath([(NIGHT / "part.gcode").read_bytes()])


def watched(folder, material, *parts):
    setup, toolpath = material
    carried = []
    for first, last, kill in parts:
        with Store.open(folder, write=True) as store:
            try:
                live_night(
                    store,
                    Label("bracket", "made up", setup, toolpath, watch="left"),
                    Night,
                    NightClock(),
                    lambda _, f=first, e=last, k=kill: Part(
                        NightFolder(NIGHT, setup.frame_size), f, e, k
                    ),
                )
            except Killed:
                carried.append(store.evidence_number(1))
    with Store.open(folder, write=False) as store:
        (run,) = store.runs()
        told = [
            (
                store.readings(run.id, n),
                store.suspicions(run.id, n),
                store.outlines(run.id, n, n + 1),
            )
            for n in range(run.frames)
        ]
        return run, [(r, s, len(o)) for r, s, o in told], store.advice(run.id), carried


def test_a_killed_night_comes_to_what_an_unbroken_one_comes_to(tmp_path, material):
    whole = watched(tmp_path / "whole", material, (0, FRAMES, False))
    broken = watched(
        tmp_path / "broken", material, (0, KILLED_AFTER, True), (KILLED_AFTER, FRAMES, False)
    )
    assert broken[3] == [19], "the state was kept at the twentieth picture"
    assert whole[0].frames == broken[0].frames == FRAMES
    assert whole[1] == broken[1]
    assert whole[2] == broken[2]


def test_without_a_kept_state_the_pictures_are_seen_again(tmp_path, material):
    setup, toolpath = material
    watched(tmp_path, material, (0, 8, False))
    again, unbroken = Night(setup, toolpath), Night(setup, toolpath)
    with Store.open(tmp_path, write=True) as store:
        assert catch_up(store, 1, again, -1) == 8
    taken = islice(NightFolder(NIGHT, setup.frame_size).pictures(), 9)
    frames = [Frame(i, t.name, t.elapsed_s, t.bgr, t.utc_s) for i, t in enumerate(taken)]
    for frame in frames[:8]:
        unbroken.see(frame)
    one, other = again.see(frames[8]), unbroken.see(frames[8])
    assert one.readings == other.readings
    assert one.advice == other.advice
