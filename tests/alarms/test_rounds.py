"""When alarms go out: again until answered, never held back where it is a stop."""

from datetime import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.alarms.concern import Concern, from_advice, written
from watcher.alarms.rounds import Manners, Rounds
from watcher.records import Advice

STOP = Concern("stop: corner-lift, right corner", "stop", "Stop the print.")
LOOK = Concern("look: corner-lift, right corner", "look", "Have a look.")
FAILED = Concern("failed 1", "stop failed", "The printer did not answer.")
NOON, NIGHT = time(12), time(3)
QUIET = (time(22), time(7))


def sent_at(rounds, concern, seconds, answer=lambda s: None, local=NOON):
    return [s for s in seconds if rounds.due([concern], answer(s), float(s), local)]


def test_a_stop_is_told_again_until_it_is_answered():
    answer = lambda s: 1.7e9 if s >= 300 else None  # noqa: E731
    assert sent_at(Rounds(Manners(120)), STOP, range(0, 1000, 10), answer) == [0, 120, 240]


def test_a_look_is_told_once_when_it_came_through():
    rounds = Rounds(Manners(120))
    assert rounds.due([LOOK], None, 0.0, NOON) == [LOOK]
    rounds.came_through(LOOK.key, True, 0.0)
    assert sent_at(rounds, LOOK, range(1, 1000, 10)) == []


def test_a_failed_stop_is_told_more_often():
    assert sent_at(Rounds(Manners(120)), FAILED, range(0, 100, 10)) == [0, 30, 60, 90]


@given(st.times(), st.times(), st.times(), st.sampled_from([STOP, FAILED]), st.floats(0, 1e5))
def test_quiet_hours_never_silence_a_stop(begin, end, now, concern, now_s):
    assert Rounds(Manners(120, (begin, end))).due([concern], None, now_s, now) == [concern]


def test_quiet_hours_hold_a_look_back_until_they_end():
    rounds = Rounds(Manners(120, QUIET))
    assert rounds.due([LOOK], None, 0.0, NIGHT) == []
    assert rounds.due([LOOK], None, 10.0, time(7)) == [LOOK]


@pytest.mark.parametrize(
    ("quiet", "at", "held"),
    [
        (QUIET, time(23), True),
        (QUIET, time(6, 59), True),
        (QUIET, time(21, 59), False),
        ((time(1), time(5)), time(0, 30), False),
        ((time(1), time(5)), time(3), True),
        (None, time(3), False),
    ],
)
def test_quiet_hours_may_run_over_midnight(quiet, at, held):
    assert Manners(quiet=quiet).is_quiet(at) is held


def test_an_alarm_that_reached_nobody_is_tried_again_soon_and_ever_less_often():
    rounds = Rounds(Manners(120))
    times = []
    for s in range(400):
        if rounds.due([STOP], None, float(s), NOON):
            times.append(s)
            rounds.came_through(STOP.key, False, float(s))
    assert times == [0, 10, 30, 70, 150, 270, 390]


def test_an_answer_before_the_alarm_is_none_to_it():
    rounds = Rounds(Manners(120))
    assert rounds.due([STOP], 5.0, 0.0, NOON) == [STOP]
    assert rounds.unanswered_s(STOP.key, 5.0, 60.0) == 60.0
    assert rounds.unanswered_s(STOP.key, 6.0, 60.0) is None


def test_a_clock_that_is_set_back_does_not_unmake_an_answer():
    rounds = Rounds(Manners(120))
    rounds.due([STOP], 1.7e9, 0.0, NOON)
    assert rounds.due([STOP], 1.7e9 - 3600, 200.0, NOON) == []


def test_a_later_process_knows_what_was_answered_before_it():
    assert Rounds(Manners(120), {STOP.key: (None, 50.0)}).due([STOP], 1.7e9, 0.0, NOON) == []
    rounds = Rounds(Manners(120), {STOP.key: (None, 50.0)})
    assert rounds.due([STOP], None, 0.0, NOON) == [STOP]
    assert rounds.unanswered_s(STOP.key, None, 10.0) == 60.0


def test_a_trouble_that_comes_back_is_told_anew():
    trouble = Concern("camera", "trouble", "No picture.")
    rounds = Rounds(Manners(120))
    assert rounds.due([trouble], None, 0.0, NOON)
    rounds.due([], None, 1.0, NOON)
    assert rounds.due([trouble], None, 2.0, NOON)


def test_the_message_says_kind_place_amount_stake_and_link():
    advice = Advice(
        "stop",
        "Stop the print: the right corner has lifted.",
        "corner-lift",
        "right corner",
        amount=2.34,
        sigma=0.21,
        unit="mm",
    )
    alarm = written(
        from_advice(advice, "4 h of printing are still to come."),
        "left printer",
        "http://192.0.2.4:8537/run/3",
        None,
        "No fire alarm.",
    )
    assert alarm.title == "STOP THE PRINT: left printer"
    for part in (
        advice.sentence,
        "right corner",
        "2.3 ± 0.21 mm",
        "4 h of printing",
        "http://192.0.2.4:8537/run/3",
        "No fire alarm.",
    ):
        assert part in alarm.body


def test_a_growing_amount_stays_the_same_concern():
    one, two = (
        from_advice(Advice("stop", "x", "corner-lift", "right corner", amount=a))
        for a in (1.0, 2.0)
    )
    assert one.key == two.key
    assert from_advice(Advice("carry on", "x")) is None
