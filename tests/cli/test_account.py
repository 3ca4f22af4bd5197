"""What a night's record holds where readings are odd, and how the words read."""

import json
import math

import numpy as np
import pytest

from watcher.account import Account
from watcher.records import Advice, Frame, Moment, Reading, Seen, Stake, View
from watcher.sources.taken import Missed

AT = (150.0, 70.0, 0.0)


def frame(index):
    return Frame(index, f"{index:05d}.jpg", 60.0 * index, np.zeros((2, 2, 3), np.uint8))


def seen(*readings, registered=True, advice=None, moments=()):
    view = View(registered, 0.1, 4, 0.3, "" if registered else "too dark")
    return Seen(view, readings, (), advice or Advice("carry on", "All is well."), moments)


def lifts_of(*readings):
    account = Account(every_frame=True)
    account.heard_frame(frame(0), seen(*readings))
    return json.loads(json.dumps(account.record(), allow_nan=False))["frames"][0]["lifts"]


def test_lifts_and_curls_are_recorded_at_their_place():
    got = lifts_of(
        Reading("corner-lift", "a", AT, np.float64(0.25), np.float32(0.5), "mm"),
        Reading("overhang-curl", "b", (1, 2, 30), 0.5, 0.1, "mm"),
        Reading("detached", "part", AT, 3.0, 0.1, "mm"),
    )
    assert got == [
        {"corner_bed_mm": [150.0, 70.0], "lift_mm": 0.25, "sigma_mm": 0.5},
        {"corner_bed_mm": [1.0, 2.0], "lift_mm": 0.5, "sigma_mm": 0.1},
    ]


@pytest.mark.parametrize(
    "reading",
    [
        Reading("corner-lift", "a", AT, None, None, "mm", "hidden"),
        Reading("corner-lift", "a", AT, math.nan, 0.1, "mm"),
        Reading("corner-lift", "a", None, 1.0, 0.1, "mm"),
    ],
)
def test_what_was_not_measured_is_left_out(reading):
    assert lifts_of(reading) == []


def test_unknown_sigma_is_null():
    assert lifts_of(Reading("corner-lift", "a", AT, 1.0, math.inf, "mm"))[0]["sigma_mm"] is None


def test_first_stop_is_the_stop():
    account = Account()
    for n, level in enumerate(["carry on", "have a look", "stop", "stop"]):
        advice = Advice(level, f"Sentence {n}.", "detached", "part", AT, 2.0, 0.1, "mm", 60.0)
        account.heard_frame(frame(n), seen(advice=advice))
    stop = account.record()["stop"]
    assert (stop["file"], stop["elapsed_s"], stop["kind"]) == ("00002.jpg", 120.0, "detached")
    assert stop["corner_bed_mm"] is None, "only a lift has a corner"
    assert account.record()["frames"] == [], "the record of each frame was not asked for"
    said = "\n".join(account.words())
    assert "2 min into the print (00002.jpg): Sentence 2." in said
    assert "How sure: sure: 20 times the measuring error." in said


def test_moments_in_words_are_in_order_of_the_night():
    account = Account()
    late = Moment(3, "00003.jpg", 180.0, "spaghetti", "stop", "Late.")
    early = Moment(1, "00001.jpg", 60.0, "spaghetti", "have a look", "Early.")
    account.heard_frame(frame(3), seen(moments=(late, early)))
    said = "\n".join(account.words())
    assert said.index("1 min (00001.jpg): Early.") < said.index("3 min (00003.jpg)")


def test_words_name_what_could_not_be_seen_or_used():
    account = Account()
    account.heard_frame(frame(0), seen(registered=False))
    for n in range(5):
        account.heard_missed(Missed(f"{n}.jpg", "the file is empty"))
    said = "\n".join(account.words())
    assert "1 pictures" not in said
    assert "Not seen: bed and part in 1 picture (too dark)." in said
    assert (
        "5 pictures could not be used (0.jpg, 1.jpg, 2.jpg and others): the file is empty." in said
    )


def test_a_look_at_the_end_is_said():
    account = Account()
    account.heard_frame(frame(0), seen(advice=Advice("have a look", "The left corner may lift.")))
    assert "At the end: The left corner may lift." in account.words()


def test_a_place_that_is_seldom_hidden_gets_no_line_of_its_own():
    account = Account()
    hidden = Reading("corner-lift", "a", AT, None, None, "mm", "behind the head")
    clear = Reading("corner-lift", "a", AT, 0.1, 0.1, "mm")
    for n in range(20):
        other = Reading("corner-lift", "b", AT, None, None, "mm", "in the dark")
        account.heard_frame(frame(n), seen(clear if n else hidden, other))
    said = "\n".join(account.words())
    assert "Not seen: b (corner lift) in 20 of 20 pictures (at last: in the dark)." in said
    assert "Not seen: a" not in said
    assert "Every other watched place was seen in nine of ten pictures or more." in said


def test_a_stop_says_what_was_at_stake_and_what_was_not_seen():
    stake = Stake(
        *(47.7, 16.0, 7920.0, 71.6, 24.0, 11_880.0),
        *(None, None, 0.0, 0.0, 0.5, 0.9, None, None, None),
    )
    advice = Advice(
        "stop",
        "Stop the print: it lifts.",
        "corner-lift",
        "right corner",
        amount=1.0,
        sigma=0.1,
        chance=0.9,
        unseen=("back left corner",),
        stake=stake,
    )
    account = Account()
    account.heard_frame(frame(0), seen(advice=advice))
    words = account.words()
    assert "Not seen then: back left corner." in words
    assert "  Spent so far: 47.7 g of filament (16.0 m) and 2.2 h." in words
    assert any("90 chances in 100 that it fails" in line for line in words)
