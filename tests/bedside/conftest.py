"""One watch with flat pictures, a judge that reads their grey, and what goes on beside it."""

import json
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
import pytest
from stand_ins import SIZE, ShadeJudge, picture

from watcher.bedside import Bedside
from watcher.config import Config, Printer
from watcher.records import BedPoint, Setup
from watcher.run import Label
from watcher.sources.clock import NightClock
from watcher.sources.jpeg import from_array
from watcher.sources.taken import Missed, picture_name
from watcher.store import Store
from watcher.tend import Hooks, live_night

SETUP = Setup(
    SIZE,
    (220.0, 220.0),
    "fixed",
    True,
    tuple(
        BedPoint((x, y), (x, y)) for x, y in [(0.0, 0.0), (90.0, 0.0), (90.0, 60.0), (0.0, 60.0)]
    ),
)


class Shades:
    """A source of flat pictures; a callable among them is called in its place."""

    total = None
    remarks = ()

    def __init__(self, clock, shades):
        self._clock, self._shades = clock, shades

    def pictures(self):
        count = 0
        for shade in self._shades:
            if callable(shade):
                shade()
                continue
            count += 1
            name, now_s = picture_name(count), self._clock.elapsed_s()
            if shade is None:
                yield Missed(name, "the camera gives no picture", now_s)
            else:
                yield from_array(name, picture(shade), SIZE, now_s, self._clock.utc_s())

    def close(self):
        pass


@dataclass
class Watch:
    """Runs a night in the test's own thread."""

    data: object
    config: Config = field(default_factory=lambda: Config((PRINTER,)))
    judge: type = ShadeJudge

    def __call__(self, shades, *, for_good=True, **bedside):
        printer = self.config.printers[0]
        label = Label("bracket", "made up", SETUP, None, watch=printer.name)
        beside = Bedside(self.config, printer, self.data, **bedside)
        try:
            with Store.open(self.data, write=True) as store:
                store.claim(printer.name)
                return live_night(
                    store,
                    label,
                    lambda setup, toolpath, weights: self.judge(),
                    NightClock(),
                    lambda clock: Shades(clock, shades),
                    listeners=[beside],
                    hooks=Hooks(beside.begun, beside.kept),
                )
        finally:
            beside.close(for_good=for_good)

    def with_stop(self, stop):
        printer = replace(self.config.printers[0], stop=stop)
        self.config = replace(self.config, printers=(printer,))

    def book(self, read):
        with Store.open(self.data, write=True) as store:
            return read(store.book)


PRINTER = Printer("left", "made up", None, None, 1.0)


@pytest.fixture(autouse=True)
def quick_ticks(monkeypatch):
    monkeypatch.setattr("watcher.bedside.TICK_S", 0.1)


@pytest.fixture
def watch(tmp_path):
    return Watch(tmp_path / "kept")


def got_pictures(message):
    """Attachments of an apprise JSON message, decoded."""
    import base64  # noqa: PLC0415

    return [
        cv2.imdecode(np.frombuffer(base64.b64decode(a["base64"]), np.uint8), cv2.IMREAD_COLOR)
        for a in json.loads(message.body)["attachments"]
    ]
