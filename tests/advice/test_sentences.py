"""What a person reads: plain words, numbers with units, the time when it began."""

import re
from typing import get_args

import pytest

from watcher.advice.sentence import (
    clock_words,
    finding,
    fine_sentence,
    look_sentence,
    stop_sentence,
)
from watcher.records import FaultKind, Suspicion

KINDS = get_args(FaultKind)


def found(kind, place="front right corner", amount=1.234, sigma=0.27, per_hour=None):
    return Suspicion(kind, place, None, 12.0, 9.0, 40, amount, sigma, "mm", per_hour)


@pytest.mark.parametrize(
    ("seconds", "words"),
    [
        (0, "0 min"),
        (89, "1 min"),
        (59 * 60, "59 min"),
        (3599, "59 min"),
        (3600 + 5 * 60, "1 h 05 min"),
        (10 * 3600 + 59 * 60 + 40, "10 h 59 min"),
        (30 * 3600, "30 h 00 min"),
    ],
)
def test_times_are_hours_and_minutes(seconds, words):
    assert clock_words(seconds) == words


@pytest.mark.parametrize("kind", KINDS)
def test_every_finding_is_one_short_sentence_in_plain_words(kind):
    for sentence in (
        stop_sentence(found(kind, per_hour=1.9), 6.2, 4000.0, 37),
        look_sentence(found(kind)),
        look_sentence(found(kind), "so little is still to come"),
    ):
        assert sentence.endswith(".")
        assert len(re.findall(r"[.!?](\s|$)", sentence)) == 1
        assert len(sentence.split()) < 50
        # No name of the code's, no sum, no threshold.
        assert kind == "spaghetti" or kind not in sentence
        assert not re.search(r"cusum|strength|threshold|None|nan|_", sentence)
        if kind != "cannot-see":
            assert re.search(r"\d mm\b", sentence)


def test_a_stop_says_what_where_how_much_and_since_when():
    sentence = stop_sentence(found("corner-lift"), None, 4000.0, 37)
    assert sentence == (
        "Stop the print: the front right corner has lifted 1.2 mm (± 0.3 mm) off the bed; "
        "it began about 1 h 06 min into the print, at layer 37."
    )


def test_a_lift_that_grows_says_how_fast_and_how_far():
    sentence = stop_sentence(found("corner-lift", per_hour=1.94), 6.2, 4000.0, 37)
    assert sentence == (
        "Stop the print: the front right corner has lifted 1.2 mm (± 0.3 mm) off the bed, growing "
        "1.9 mm an hour towards 6 mm at the end; it began about 1 h 06 min into the print, at "
        "layer 37."
    )
    still = stop_sentence(found("corner-lift", per_hour=0.02), 1.3, 4000.0, 37)
    assert "growing" not in still
    near = stop_sentence(found("corner-lift", per_hour=1.94), 1.4, 4000.0, 37)
    assert "growing 1.9 mm an hour;" in near
    assert "growing" not in stop_sentence(found("detached", per_hour=3.0), 9.0, 4000.0, 37)


def test_a_look_is_not_a_stop():
    sentence = look_sentence(found("detached", "part", 1.0, 0.2))
    assert sentence.startswith("Have a look: ")
    assert "top the print" not in sentence


def test_an_error_is_never_told_as_nothing():
    assert "± 0.1 mm" in finding("corner-lift", "corner", 1.0, 0.001)


def test_strands_are_told_in_tens_of_millimetres():
    assert "about 230 mm of loose strands" in finding("spaghetti", "bed", 234.0, 20.0)


def test_a_quiet_night_says_how_many_corners_were_seen():
    assert fine_sentence(4, 3) == "Carry on: 3 of 4 watched corners are seen and lie flat."
    assert "none of the watched corners can be seen" in fine_sentence(4, 0)
    assert fine_sentence(0, 0).startswith("Carry on")
