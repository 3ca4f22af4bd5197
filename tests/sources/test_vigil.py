"""A frozen feed is noticed, and a run that goes on numbers its pictures on."""

from itertools import islice

import cv2
import numpy as np
from stand_ins import SIZE, http_server, jpeg, reply

from watcher.sources.choose import open_live
from watcher.sources.taken import Missed
from watcher.sources.vigil import Vigil


def test_a_frozen_feed_is_noticed_and_forgiven(clock):
    shades = iter([10, 10, 30, 30, 30, 50])
    with http_server(lambda h: reply(h, jpeg(next(shades, 99)))) as url:
        # The address was asked once already, when the source was opened.
        source = Vigil(open_live(url, SIZE, 2, clock), after=7)
        got = list(islice(source.pictures(), 5))
    assert [item.name for item in got] == [f"{n:05d}.jpg" for n in range(8, 13)]
    assert [isinstance(item, Missed) for item in got] == [False, False, True, True, False]
    assert "frozen" in got[2].reason


def test_the_faintest_noise_is_a_new_picture(clock):
    rng = np.random.default_rng(5)
    flat = np.full((SIZE[1], SIZE[0], 3), 90, np.uint8)

    def answer(handler):
        noisy = flat + rng.integers(0, 2, flat.shape, np.uint8)
        reply(handler, cv2.imencode(".png", noisy)[1].tobytes(), "image/png")

    with http_server(answer) as url:
        got = list(islice(Vigil(open_live(url, SIZE, 2, clock)).pictures(), 5))
    assert not any(isinstance(item, Missed) for item in got)
