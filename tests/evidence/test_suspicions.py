"""From readings to suspicions, on series with and without a fault."""

from dataclasses import replace

import numpy as np
import pytest

from watcher.evidence.bars import USUAL_BARS
from watcher.evidence.faults import LIFT_ALLOWED_MM, Faults
from watcher.records import Reading

CORNER = "front right corner"
THRESHOLD = USUAL_BARS.threshold["corner-lift"]


def lift(value, place=CORNER, sigma=0.1):
    return Reading("corner-lift", place, (100.0, 50.0, 0.0), value, sigma, "mm")


def strength(suspicions, kind, place=None):
    found = [s for s in suspicions if s.kind == kind and place in (None, s.place)]
    return found[0].strength if found else 0.0


def night(readings_of, frames, trust=1.0):
    """Strengths of the first reading's kind over a night, and the last frame's answer."""
    faults = Faults()
    history = []
    suspicions, better = (), ()
    for i in range(frames):
        readings = readings_of(i)
        suspicions, better = faults.update(readings, i, trust)
        history.append(strength(suspicions, readings[0].kind, readings[0].place))
    return np.array(history), suspicions, better


def test_a_lift_that_grows_is_suspected_within_a_few_frames_and_its_beginning_kept():
    rng = np.random.default_rng(1)
    noise = rng.normal(scale=0.1, size=80)

    def readings(i):
        return (lift(max(0, i - 40) * 0.05 + noise[i]), lift(noise[i - 1], "back left corner"))

    history, suspicions, better = night(readings, 80)
    assert history[:40].max() < 0.5 * THRESHOLD
    ready = int(np.argmax(history >= THRESHOLD))
    # 0.05 mm a frame passes what is allowed, 0.25 mm, after 5 frames.
    assert 45 <= ready <= 60
    found = next(s for s in suspicions if s.place == CORNER)
    assert 40 <= found.began_index <= 50
    assert found.amount == pytest.approx(39 * 0.05, abs=0.3)
    assert found.unit == "mm"
    assert strength(suspicions, "corner-lift", "back left corner") < 0.5 * THRESHOLD
    smooth = next(r for r in better if r.place == CORNER)
    assert smooth.value == pytest.approx(found.amount)
    assert smooth.sigma > 0


def test_many_flat_nights_give_no_alarm():
    rng = np.random.default_rng(2)
    for _ in range(20):
        noise = rng.normal(scale=0.1, size=250)
        zero = rng.normal(scale=0.2)
        history, _, _ = night(lambda i, n=noise, z=zero: (lift(z + n[i]),), 250)
        assert history.max() < THRESHOLD


def test_a_lift_below_what_is_allowed_gives_no_alarm():
    rng = np.random.default_rng(3)
    noise = rng.normal(scale=0.1, size=300)
    small = 0.8 * LIFT_ALLOWED_MM
    history, _, _ = night(lambda i: (lift((small if i > 30 else 0) + noise[i]),), 300)
    assert history.max() < THRESHOLD


def test_one_wild_reading_is_no_alarm():
    history, _, _ = night(lambda i: (lift(5.0 if i == 30 else 0.0),), 40)
    assert history.max() < 0.5 * THRESHOLD


def test_where_little_is_seen_evidence_grows_more_slowly():
    def readings(i):
        return (lift(0.6 if i > 20 else 0.0),)

    clear, _, _ = night(readings, 40, trust=1.0)
    hidden, _, _ = night(readings, 40, trust=0.2)
    assert hidden[-1] < 0.5 * clear[-1]


def test_what_was_not_seen_is_passed_on_and_is_no_evidence():
    unseen = Reading("corner-lift", CORNER, None, None, None, "mm", "hidden by the head")
    suspicions, better = Faults().update((unseen,), 0, 1.0)
    assert suspicions == ()
    assert better == (unseen,)


@pytest.mark.parametrize(
    ("kind", "calm", "wrong", "sign"),
    [
        ("detached", 0.1, 3.0, 1),
        ("layer-step", 0.1, 1.5, 1),
        ("no-growth", 0.0, -1.5, -1),
    ],
)
def test_other_faults_are_suspected_when_they_last(kind, calm, wrong, sign):
    rng = np.random.default_rng(4)
    noise = rng.normal(scale=0.1, size=60)

    def readings(i):
        value = (wrong if i >= 30 else calm) + noise[i]
        return (Reading(kind, "part", None, value, 0.2, "mm"),)

    history, suspicions, _ = night(readings, 60)
    assert history[:30].max() < 2
    assert history[-1] > THRESHOLD
    (found,) = suspicions
    assert found.began_index == pytest.approx(30, abs=1)
    assert found.amount == pytest.approx(sign * wrong, abs=0.35)
    assert found.threshold == USUAL_BARS.threshold[kind]


def growth(shortfall):
    """Readings of the top, 0.25 mm a frame, that lies ``shortfall(i)`` too low."""
    return lambda i: (Reading("no-growth", "top", (1.0, 2.0, 0.25 * i), -shortfall(i), 0.14, "mm"),)


def test_a_top_that_stays_while_the_toolpath_climbs_is_suspected():
    history, suspicions, _ = night(growth(lambda i: 0.25 * max(0, i - 30)), 45)
    assert history[:30].max() == 0
    assert history[-1] > THRESHOLD
    assert suspicions[0].began_index == pytest.approx(32, abs=2)


def test_a_line_that_climbs_with_the_toolpath_is_no_top_that_stays():
    # Seen now and then 3.8 mm below, where the head hides the top.
    history, _, _ = night(growth(lambda i: 3.8 if i > 20 and i % 3 == 0 else 0.0), 90)
    assert history.max() < THRESHOLD / 2


def test_growing_faster_than_the_clock_is_no_fault():
    def readings(i):
        return (Reading("no-growth", "top", None, 1.5, 0.2, "mm"),)

    history, _, _ = night(readings, 60)
    assert history.max() == 0


def test_strands_are_counted_above_what_is_usual_here():
    rng = np.random.default_rng(5)
    noise = rng.normal(scale=5, size=120)

    def readings(base, more):
        def reading(i):
            value = base + (more if i >= 60 else 0) + noise[i]
            return (Reading("spaghetti", "bed", None, value, 10.0, "mm"),)

        return reading

    calm, _, _ = night(readings(80.0, 0.0), 120)
    assert calm.max() < THRESHOLD / 2
    wrong, suspicions, _ = night(readings(80.0, 400.0), 66)
    assert wrong[-1] > THRESHOLD
    assert suspicions[0].amount == pytest.approx(400, abs=30)


def test_places_have_sums_of_their_own():
    faults = Faults()
    for i in range(40):
        value = 0.8 if i > 15 else 0.0
        suspicions, _ = faults.update((lift(value, "one"), lift(0.0, "two")), i, 1.0)
    assert strength(suspicions, "corner-lift", "one") > THRESHOLD
    assert strength(suspicions, "corner-lift", "two") == 0


def test_an_overhang_is_followed_as_a_corner_is():
    def readings(i):
        return (replace(lift(0.8 if i > 15 else 0.0), kind="overhang-curl"),)

    history, suspicions, better = night(readings, 40)
    assert history[-1] > THRESHOLD
    assert suspicions[0].kind == better[0].kind == "overhang-curl"


def test_what_a_person_called_fine_raises_that_places_bar_and_no_other():
    faults = Faults()

    def run(one, two, frames):
        for i in frames:
            suspicions, _ = faults.update((lift(one, "one"), lift(two, "two")), i, 1.0)
        return suspicions

    suspicions = run(0.8, 0.8, range(20, 60)) if run(0.0, 0.0, range(20)) else ()
    assert strength(suspicions, "corner-lift", "one") > THRESHOLD
    faults.spare("corner-lift", "one", 0.8)
    suspicions = run(0.8, 0.8, range(60, 100))
    assert strength(suspicions, "corner-lift", "one") < 0.5 * THRESHOLD
    assert strength(suspicions, "corner-lift", "two") > THRESHOLD
    # What comes on top counts again.
    suspicions = run(2.0, 0.8, range(100, 130))
    assert strength(suspicions, "corner-lift", "one") > THRESHOLD
