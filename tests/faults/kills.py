"""Watches made-up pictures and is killed over and over at moments that chance chooses.

``python tests/faults/kills.py FOLDER COUNT SEED`` prints one JSON line with what became of it.
Each watch is a fork of this process, so that a kill costs milliseconds, not a start of Python.
"""

import json
import mmap
import os
import random
import signal
import struct
import sys
import time
import zlib
from pathlib import Path

import numpy as np

from watcher.carried import unpacked
from watcher.records import Advice, BedPoint, Frame, Reading, Seen, Setup, View
from watcher.run import Label
from watcher.sources.clock import NightClock
from watcher.sources.jpeg import from_array, usable
from watcher.sources.taken import picture_name
from watcher.store import Store
from watcher.tend import live_night

SIZE = (16, 8)
SETUP = Setup(
    SIZE, (200.0, 200.0), "fixed", True, tuple(BedPoint((x, x), (x, x)) for x in (0.0, 1.0))
)


class ChainJudge:
    """Its advice depends on every picture it ever saw and on their order."""

    def __init__(self):
        self.chain = 0
        self.count = 0

    def hear(self, answer):
        raise SystemExit("nobody answered")

    def see(self, frame):
        self.chain = zlib.crc32(frame.bgr.tobytes(), self.chain)
        self.count += 1
        return Seen(
            View(True, 0.1, self.count, 0.3),
            (Reading("corner-lift", "corner", None, float(self.count), 0.1, "mm"),),
            (),
            Advice("carry on", f"{self.count} pictures, chain {self.chain:08x}."),
        )


class Numbered:
    """Pictures with a number in them that is never given twice."""

    total = None
    remarks = ()

    def __init__(self, shared, clock):
        self._shared, self._clock = shared, clock

    def pictures(self):
        while True:
            (number,) = struct.unpack("<q", self._shared[:8])
            self._shared[:8] = struct.pack("<q", number + 1)
            name, now_s = picture_name(1), self._clock.elapsed_s()
            yield from_array(name, coded(number), SIZE, now_s, time.time())

    def close(self):
        pass


def coded(number):
    """A picture that shows a number in squares of 4 by 4 pixels, which a JPEG keeps apart."""
    bits = np.array([(number >> k) & 1 for k in range(8)], np.uint8).reshape(2, 4)
    bgr = np.kron(bits * 200 + 20, np.ones((4, 4), np.uint8))
    # A frozen feed would be left out, and so would two pictures that differ by 256.
    bgr[0, 0] += number >> 8 & 0x1F
    return np.repeat(bgr[:, :, None], 3, axis=2)


def watch(folder, shared):
    with Store.open(folder, write=True) as store:
        live_night(
            store,
            Label("killed", "made up", SETUP, None, watch="left"),
            lambda setup, toolpath, weights: ChainJudge(),
            NightClock(),
            lambda clock: Numbered(shared, clock),
        )


def killed_at_chance(folder, shared, chance, longest_s=0.12):
    """Start a watch, kill it, and return how many pictures it had begun."""
    begun = struct.unpack("<q", shared[:8])[0]
    child = os.fork()
    if child == 0:
        try:
            watch(folder, shared)
        finally:
            os._exit(9)
    # Some kills come before the first picture, some in the carrying on, most between two fsyncs.
    time.sleep(chance.uniform(0.0, longest_s))
    os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    if not os.WIFSIGNALED(status):
        raise SystemExit("a watch ended by itself")
    return struct.unpack("<q", shared[:8])[0] - begun


def kept_in(folder):
    with Store.open(folder, write=False) as store:
        return sum(run.frames for run in store.runs())


def main(folder, kills, seed):
    chance = random.Random(seed)
    shared = mmap.mmap(-1, 8)
    begun = kept = 0
    lost = []
    for _ in range(kills):
        more = killed_at_chance(folder, shared, chance)
        before, kept = kept, kept_in(folder)
        begun += more
        lost.append(more - (kept - before))
    with Store.open(folder, write=True) as store:
        (run,) = store.runs()
        frames = store.frames(run.id)
        files = [store.frame_path(run.id, frame.name) for frame in frames]
        pictures = [path.read_bytes() if path else b"" for path in files]
        unjudged = [frame.number for frame in frames if frame.view is None]
        state = store.evidence(run.id)
        carried = unpacked(state, ChainJudge) if state else None
        # A judge that sees all kept pictures in one go must say the same at each of them.
        judge = ChainJudge()
        said = {}
        for frame, jpeg in zip(frames, pictures, strict=True):
            bgr = usable(jpeg, SIZE)[1]
            said[frame.number] = judge.see(Frame(frame.number, frame.name, 0.0, bgr)).advice
        told = {kept.number: kept.advice for kept in store.advice(run.id)}
        result = {
            "begun": begun,
            "most lost by one kill": max(lost),
            "kept": len(frames),
            "numbers without a gap": [f.number for f in frames] == list(range(len(frames))),
            "names": len({frame.name for frame in frames}),
            "unjudged": unjudged,
            "same advice": sum(told.get(number) == advice for number, advice in said.items()),
            "carried state is of": store.evidence_number(run.id) + 1,
            "carried state has seen": carried.count if carried else 0,
            "database": store._db.execute("PRAGMA integrity_check").fetchone()[0],
        }
    print(json.dumps(result))


if __name__ == "__main__":
    main(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]))
