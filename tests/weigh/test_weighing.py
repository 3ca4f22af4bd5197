"""Whole nights of readings through evidence and advice, without a picture."""

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from watcher.advice.sentence import STOPPED_SENTENCE
from watcher.records import Answer, Layer, Prices, Reading, Sight, Toolpath, Weights
from watcher.weigh import BLIND_FRAMES, LOST_FRAMES, Weigh

CORNERS = ("front left corner", "front right corner", "back right corner", "back left corner")
FRAMES = 120


def toolpath(layers=200, layer_s=75.0):
    return Toolpath(
        tuple(
            Layer(n, 0.2 * n, 0.2, (), layer_s * (n - 1), layer_s, 300.0)
            for n in range(1, layers + 1)
        ),
        300.0 * layers,
        layer_s * layers,
        0.45,
    )


PATH = toolpath()


def sights(lift=lambda i: 0.0, *, frames=FRAMES, spacing_s=75.0, seed=1, hidden=(), blind=()):
    """Four corners with noise of 0.1 mm; the second lifts; all are hidden, or all is dark."""
    rng = np.random.default_rng(seed)
    for i in range(frames):
        noise = rng.normal(scale=0.1, size=4)
        readings = []
        for k, name in enumerate(CORNERS):
            place = (50.0 * k, 20.0, 0.0)
            if i in hidden or i in blind:
                readings.append(Reading("corner-lift", name, place, None, None, "mm", "hidden"))
            else:
                value = float(noise[k]) + (lift(i) if k == 1 else 0.0)
                readings.append(Reading("corner-lift", name, place, value, 0.1, "mm"))
        time = spacing_s * (i + 1)
        yield Sight(
            i,
            f"{i:05d}.jpg",
            time,
            1 + int(time / 75.0),
            tuple(readings),
            0.9,
            "the picture is black" if i in blind else "",
        )


def weigh(*args, answers=(), weights=None, path=PATH, **more):
    one = Weigh(path, weights or Weights(), {"corner-lift": 4})
    told = dict(answers)
    result = []
    for sight in sights(*args, **more):
        result.append(one.weigh(sight))
        if sight.index in told:
            one.hear(told[sight.index])
    return result


def levels(result):
    return [w.advice.level for w in result]


def ramp(i):
    """From frame 40 on, 1.92 mm an hour at 75 s a frame."""
    return 0.04 * max(0, i - 40)


def test_a_lift_gets_a_look_and_then_a_stop_with_all_that_belongs_to_it():
    result = weigh(ramp, weights=Weights(prices=Prices(25.0, 0.5, 5.0, 60.0)))
    got = levels(result)
    look, stop = got.index("have a look"), got.index("stop")
    assert 40 < look < stop < 70
    assert set(got[:look]) == {"carry on"}
    assert set(got[stop:]) == {"stop"}
    advice = result[stop].advice
    assert (advice.kind, advice.place) == ("corner-lift", CORNERS[1])
    # Began at frame 40, 51 min in; the climb is 0.04 mm a frame of 75 s, 1.92 mm an hour.
    assert advice.since_s == pytest.approx(75 * 41, abs=8 * 75)
    assert advice.per_hour == pytest.approx(1.92, rel=0.35)
    left_h = (200 - stop - 2) * 75 / 3600
    assert advice.at_end == pytest.approx(advice.amount + advice.per_hour * left_h, rel=0.1)
    assert advice.chance > 0.9
    assert advice.stake is not None
    assert advice.stake.loss_carry_on > advice.stake.loss_stop
    moments = [m for w in result for m in w.moments]
    assert [m.level for m in moments] == ["have a look", "have a look", "stop"]


def test_a_quiet_night_is_quiet():
    for seed in range(5):
        assert set(levels(weigh(seed=seed))) == {"carry on"}


def test_advice_does_not_flap_at_a_lift_that_wavers_about_the_bar():
    for seed in range(10):
        got = levels(weigh(lambda i: 0.42 if i > 30 else 0.0, seed=seed))
        changes = sum(a != b for a, b in pairwise(got))
        assert changes <= 3


def test_a_look_stays_while_its_place_is_hidden():
    hidden = range(70, 80)
    result = weigh(lambda i: 0.40 if i > 30 else 0.0, hidden=hidden)
    assert result[69].advice.level == "have a look"
    for i in hidden:
        assert result[i].advice.level == "have a look"
        assert result[i].advice.unseen == CORNERS


def test_after_a_person_stopped_it_nothing_more_is_judged():
    result = weigh(ramp, answers=[(80, Answer("stopped", 0.0))])
    assert result[80].advice.level == "stop"
    for one in result[81:]:
        assert (one.advice.level, one.advice.sentence) == ("carry on", STOPPED_SENTENCE)
        assert one.moments == ()


def test_it_is_failing_leaves_the_stop():
    result = weigh(ramp, answers=[(80, Answer("it is failing", 0.0, "corner-lift", CORNERS[1]))])
    assert set(levels(result)[80:]) == {"stop"}


def test_still_fine_spares_one_place_and_not_the_others():
    def both(i):
        return 1.0 if i > 30 else 0.0

    fine = Answer("still fine", 0.0)
    result = weigh(both, answers=[(80, fine)])
    assert result[80].advice.level == "stop"
    assert set(levels(result)[81:]) == {"carry on"}

    # The same lift at another corner afterwards still stops.
    one = Weigh(toolpath(), Weights(), {"corner-lift": 4})
    for sight in sights(both, frames=60):
        last = one.weigh(sight)
    assert last.advice.level == "stop"
    one.hear(fine)
    for sight in list(sights(both))[60:]:
        mirrored = tuple(
            Reading(r.kind, r.place, r.place_mm, r.value + 1.0, r.sigma, r.unit)
            if r.place == CORNERS[3]
            else r
            for r in sight.readings
        )
        last = one.weigh(
            Sight(sight.index, sight.name, sight.elapsed_s, sight.layer, mirrored, 0.9)
        )
    assert (last.advice.level, last.advice.place) == ("stop", CORNERS[3])


def test_not_seen_for_long_is_an_alarm_of_its_own():
    result = weigh(blind=range(50, 70))
    got = levels(result)
    assert got.index("have a look") == 50 + BLIND_FRAMES - 1
    advice = result[60].advice
    assert advice.kind == "cannot-see"
    assert "black" in advice.sentence
    assert got[70] == "carry on"


def test_hidden_corners_are_an_alarm_too_though_the_bed_is_seen():
    result = weigh(hidden=range(50, 90))
    got = levels(result)
    first = got.index("have a look")
    assert first == 49 + LOST_FRAMES
    assert "all watched corners are hidden" in result[first].advice.sentence
    assert result[first].advice.unseen == CORNERS
    assert got[91] == "carry on"


def test_a_few_pictures_in_a_hurry_are_not_long():
    got = levels(weigh(blind=range(50, 70), spacing_s=10.0))
    # 120 s at 10 s a picture.
    assert got.index("have a look") == 50 + 12


def test_still_fine_about_a_dark_lens_waits_twice_as_long():
    answer = Answer("still fine", 0.0)
    got = levels(weigh(blind=range(50, 100), answers=[(60, answer)]))
    assert got[60] == "have a look"
    assert set(got[61:71]) == {"carry on"}
    assert "have a look" in got[71:80]


def test_closer_pictures_need_more_of_them():
    thresholds = []
    for spacing in (75.0, 10.0):
        result = weigh(lambda i: 1.0 if i > 40 else 0.0, spacing_s=spacing)
        thresholds.append(result[-1].suspicions[0].threshold)
        assert "stop" in levels(result)
    assert thresholds[1] > 3 * thresholds[0]


def test_a_drift_of_the_whole_view_is_no_lift():
    one = Weigh(toolpath(), Weights(), {"corner-lift": 4})
    got = set()
    for sight in sights():
        drifted = tuple(
            Reading(r.kind, r.place, r.place_mm, r.value + 0.008 * sight.index, r.sigma, r.unit)
            for r in sight.readings
        )
        got.add(one.weigh(replace(sight, readings=drifted)).advice.level)
    assert got == {"carry on"}


def test_after_the_last_layer_a_stop_is_only_a_look():
    result = weigh(ramp, path=toolpath(layers=40))
    assert "stop" not in levels(result)
    assert "nothing is left to print" in result[-1].advice.sentence


def test_without_a_toolpath_there_is_advice_and_no_stake():
    result = weigh(ramp, path=None)
    stop = next(w.advice for w in result if w.advice.level == "stop")
    assert (stop.place, stop.at_end, stop.stake) == (CORNERS[1], None, None)
    assert stop.per_hour == pytest.approx(1.92, rel=0.35)
    assert "growing" in stop.sentence
    assert "at the end" not in stop.sentence
