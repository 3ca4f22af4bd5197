"""When to carry on, to have a look and to stop."""

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from watcher.advice.stake import Course, weigh_stake
from watcher.advice.verdict import LEAST, RANK, Now, advise, budding, grown
from watcher.records import Layer, Prices, Suspicion, Toolpath

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


PATH = Toolpath(
    tuple(Layer(n, 0.2 * n, 0.2, (), 120.0 * (n - 1), 120.0, 100.0) for n in range(1, 101)),
    10_000.0,
    12_000.0,
    0.45,
)
COURSE = Course(PATH)


def advice(
    *suspicions, before=None, watched=4, seen=4, spared=(), prices=None, layer=50, unseen=()
):
    now = Now(TIMES, LAYERS, 7200.0, watched, seen, unseen, dict(spared))

    def stake_of(one):
        return weigh_stake(COURSE, layer, 120.0 * layer, one.amount, 0.9, prices or Prices())

    return advise(before, suspicions, now, stake_of)


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


def test_a_look_lingers_where_its_evidence_only_wavers():
    look = advice(suspicion(strength=6.0, amount=0.4))
    for strength, amount in [(5.0, 0.28), (4.0, 0.24), (5.3, 0.3)]:
        wavers = suspicion(strength=strength, amount=amount)
        assert advice(wavers).level == "carry on"
        look = advice(wavers, before=look)
        assert look.level == "have a look"
    assert advice(suspicion(strength=3.0, amount=0.4), before=look).level == "carry on"


def test_two_corners_that_lift_alike_do_not_take_turns():
    one, two = (suspicion(strength=6.0, amount=0.40, place=place) for place in ("one", "two"))
    look = advice(one)
    for amount in (0.41, 0.45, 0.49):
        look = advice(replace(two, amount=amount), one, before=look)
        assert look.place == "one"
    assert advice(replace(two, amount=0.8), one, before=look).place == "two"


def test_what_was_called_fine_needs_as_much_again_and_only_there():
    here = ("corner-lift", "front right corner")
    assert advice(suspicion(amount=1.5), spared={here: 1.4}).level == "carry on"
    assert advice(suspicion(amount=1.5), spared={("corner-lift", "b"): 1.4}).level == "stop"
    assert advice(suspicion(amount=2.1), spared={here: 1.4}).level == "stop"


def test_growth_and_the_end_are_told_and_what_was_not_seen_is_kept():
    told = advice(suspicion(per_hour=1.25, chance=0.97), unseen=("back left corner",))
    assert told.per_hour == 1.25
    # 1.5 mm now and two hours to come.
    assert told.at_end == pytest.approx(1.5 + 2 * 1.25)
    assert "growing 1.2 mm an hour towards 4 mm at the end" in told.sentence
    assert told.chance == 0.97
    assert told.unseen == ("back left corner",)
    assert told.stake is not None


def test_a_stop_that_would_lose_more_than_it_saves_is_a_look():
    prices = Prices(filament_per_kg=25.0, machine_hour=2.0, part=100.0)
    assert advice(suspicion(), prices=prices, layer=5).level == "have a look"
    cheap = Prices(filament_per_kg=25.0, machine_hour=2.0)
    assert advice(suspicion(), prices=cheap, layer=50).level == "stop"
    late = advice(suspicion(), prices=cheap, layer=98)
    assert late.level == "have a look"
    assert "stopping is expected to lose more than it saves" in late.sentence


def test_after_the_last_layer_nothing_is_stopped():
    told = advice(suspicion("detached", amount=3.0, place="part"), layer=100)
    assert told.level == "have a look"
    assert "nothing is left to print" in told.sentence


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
