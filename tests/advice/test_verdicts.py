"""When to carry on, to have a look and to stop."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from watcher.advice.verdict import LEAST, RANK, advise, budding, grown
from watcher.records import Suspicion

TIMES = [60.0 * i for i in range(100)]
LEAST_LIFT = LEAST["corner-lift"]
LAYERS = [1 + i // 2 for i in range(100)]


def suspicion(kind="corner-lift", strength=12.0, amount=1.5, sigma=0.2, **more):
    fields = {
        "place": "front right corner",
        "place_mm": (100.0, 50.0, 0.0),
        "threshold": 9.0,
        "began_index": 40,
        "unit": "mm",
    }
    return Suspicion(kind=kind, strength=strength, amount=amount, sigma=sigma, **{**fields, **more})


def advice(*suspicions, before=None, watched=4, seen=4):
    return advise(before, suspicions, watched, seen, TIMES, LAYERS)


def test_nothing_suspected_carry_on():
    told = advice(seen=3)
    assert told.level == "carry on"
    assert told.kind is None
    assert "3 of 4" in told.sentence


def test_enough_evidence_of_enough_lift_stops():
    told = advice(suspicion())
    assert told.level == "stop"
    assert (told.kind, told.place, told.place_mm) == (
        "corner-lift",
        "front right corner",
        (100.0, 50.0, 0.0),
    )
    assert (told.amount, told.sigma, told.unit) == (1.5, 0.2, "mm")
    # Frame 40: 40 min in, layer 21.
    assert told.since_s == 2400.0
    assert "40 min into the print, at layer 21" in told.sentence


@pytest.mark.parametrize(
    ("change", "stops"),
    [
        ({}, True),
        ({"strength": 9.0}, True),
        ({"strength": 8.99}, False),
        ({"amount": LEAST_LIFT, "sigma": 0.1}, True),
        ({"amount": LEAST_LIFT - 0.01, "sigma": 0.05}, False),  # nobody would throw it away
        # 95 % sure of half the least amount: 1.64 sigma below what was read.
        ({"amount": 0.6, "sigma": (0.6 - LEAST_LIFT / 2) / 1.65}, True),
        ({"amount": 0.6, "sigma": (0.6 - LEAST_LIFT / 2) / 1.63}, False),
        ({"kind": "cannot-see", "strength": 99.0, "amount": 99.0}, False),
    ],
)
def test_what_it_takes_to_stop(change, stops):
    one = replace(suspicion(), **change)
    assert grown(one) is stops
    assert (advice(one).level == "stop") is stops


@pytest.mark.parametrize(
    ("change", "looks"),
    [
        ({"strength": 5.41, "amount": 0.61 * LEAST_LIFT}, True),
        ({"strength": 5.39, "amount": 0.61 * LEAST_LIFT}, False),
        ({"strength": 5.41, "amount": 0.59 * LEAST_LIFT}, False),
        ({"kind": "cannot-see", "strength": 9.0, "amount": 9.0, "sigma": 0.0}, True),
        ({"kind": "cannot-see", "strength": 8.0, "amount": 8.0, "sigma": 0.0}, False),
    ],
)
def test_what_it_takes_to_have_a_look(change, looks):
    one = replace(suspicion(), **change)
    assert budding(one) is looks
    assert (advice(one).level == "have a look") is looks


def test_a_lift_that_grows_asks_for_a_look_before_it_stops():
    before = None
    levels = []
    for i in range(20):
        before = advice(suspicion(strength=float(i), amount=0.1 * i), before=before)
        levels.append(before.level)
    order = ["carry on", "have a look", "stop"]
    assert [order.index(level) for level in levels] == sorted(map(order.index, levels))
    assert set(levels) == set(order)


def test_a_stop_stays_and_its_amount_follows_only_upwards():
    first = advice(suspicion())
    later = advice(before=first)
    assert later == first
    grown_more = advice(suspicion(amount=2.5, sigma=0.3), before=first)
    assert (grown_more.level, grown_more.amount, grown_more.sigma) == ("stop", 2.5, 0.3)
    assert grown_more.since_s == first.since_s
    assert advice(suspicion(amount=0.2), before=first).amount == 1.5
    # Another fault does not take its place.
    other = advice(suspicion("detached", amount=9.0, place="part"), before=first)
    assert (other.kind, other.place) == ("corner-lift", "front right corner")


def test_a_look_passes_when_its_reason_does():
    look = advice(suspicion(strength=6.0, amount=0.3))
    assert look.level == "have a look"
    assert advice(before=look).level == "carry on"


def test_of_several_findings_the_one_that_explains_the_others_is_told():
    found = [suspicion(kind, amount=100.0, place=kind) for kind in reversed(RANK)]
    assert advice(*found).kind == "detached"
    without = [s for s in found if s.kind != "detached"]
    assert advice(*without).kind == "spaghetti"
    assert advice(suspicion(place="a"), suspicion(amount=2.0, place="b")).place == "b"


def test_strands_of_a_loose_part_are_told_as_the_loose_part():
    strands = suspicion("spaghetti", amount=300.0, place="bed")
    loose = suspicion("detached", strength=6.0, amount=2.0, place="part")
    assert advice(strands).kind == "spaghetti"
    told = advice(strands, loose)
    assert (told.level, told.kind) == ("stop", "detached")


def test_a_part_that_stopped_growing_among_strands_is_told_as_strands():
    short = suspicion("no-growth", amount=2.0, place="top")
    strands = suspicion("spaghetti", strength=4.0, amount=90.0, place="bed")
    assert advice(short).kind == "no-growth"
    assert advice(short, strands).kind == "spaghetti"


@settings(derandomize=True)
@given(
    st.lists(
        st.tuples(st.sampled_from(RANK), st.floats(0, 40), st.floats(0, 500), st.floats(0.01, 5)),
        max_size=6,
    )
)
def test_no_stop_without_evidence_above_its_threshold(findings):
    found = [suspicion(k, strength=s, amount=a, sigma=e, place=k) for k, s, a, e in findings]
    told = advice(*found)
    assert (told.level == "stop") == any(grown(s) for s in found)
    assert told.sentence.endswith(".")
    if told.level == "carry on":
        assert not any(budding(s) for s in found)


def test_every_kind_that_can_stop_has_a_least_amount():
    assert set(RANK) - set(LEAST) == {"cannot-see"}
