"""What the view from bed says of a run, and which part of the picture it shows."""

from __future__ import annotations

from typing import get_args

import artificial
import from_bed
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.advice.sentence import OVER_SENTENCE, STOPPED_SENTENCE
from watcher.page import create_app
from watcher.page.night_words import (
    LEAST_PATIENCE_S,
    URGENCY,
    Mood,
    crop,
    end_words,
    patience_s,
    span_s,
)
from watcher.records import Advice, FaultKind, Outline
from watcher.scene.finish import ToEnd
from watcher.store import Store

SIZE = (480, 270)


@pytest.fixture
def bed(tmp_path):
    begun = from_bed.Bed.begin(tmp_path)
    yield begun
    begun.store.close()


def told(bed, **more):
    app = create_app(bed.data, hands=from_bed.Hands(bed.data, **more))
    return app.test_client().get(f"/api/run/{bed.run}/night").json


EXPECTED = {
    "carry-on": ("carry-on", "Carry on."),
    "look": ("look", "Have a look: right corner."),
    "stop": ("stop", "Stop: the right corner lifts."),
    "answered": ("answered", "Stop: the right corner lifts."),
    "no-picture": ("waiting", "No picture yet."),
    "no-advice": ("waiting", "No advice yet."),
    "unseen": ("unseen", "Not seen just now."),
    "cannot-see": ("unseen", "Have a look: the part can’t be seen."),
    "hindered": ("hindered", "The watch is hindered: go and look."),
    "late": ("carry-on", "Carry on."),  # The browser tells its age, and alarms.
    "over": ("over", "The print is over."),
    "left-early": ("over", "The watch was ended early."),
    "dead": ("dead", "Nobody is watching: the watch has died."),
    "stopped": ("stopped", "The stop was sent: see that it stands still."),
    "stop-failed": ("stop-failed", "Stopping failed: go to the printer."),
    "no-toolpath": ("carry-on", "Carry on."),
}


@pytest.mark.parametrize("name", from_bed.MOODS)
def test_each_state_has_its_big_sentence(bed, name):
    from_bed.MOODS[name](bed)
    now = told(bed)
    assert (now["mood"], now["head"]) == EXPECTED[name]
    assert now["detail"]
    asks = {"look", "stop", "hindered", "dead", "stop-failed", "cannot-see"}
    assert now["wants_answer"] == (name in asks)
    assert now["going_on"] == (name != "over")


def test_a_watch_that_was_killed_is_told_though_no_sign_says_so(tmp_path):
    bed = from_bed.Bed.begin(tmp_path)
    from_bed.carry_on(bed)
    bed.store.book.end_sign(from_bed.WATCH)
    bed.store.close()
    assert told(bed)["mood"] == "dead"


def test_the_death_of_the_watch_outranks_its_last_advice(bed):
    from_bed.stop(bed)
    bed.sign(patience_s=0.0)
    now = told(bed)
    assert now["mood"] == "dead"
    assert artificial.SENTENCE in now["detail"]


def test_a_stop_outranks_a_hindered_watch_and_a_failed_stop_both(bed):
    from_bed.stop(bed)
    bed.sign("No usable picture has come for 2 min.")
    assert told(bed)["mood"] == "stop"
    bed.stop(works=False)
    assert told(bed)["mood"] == "stop-failed"
    bed.stop(works=True)
    assert told(bed)["mood"] == "stopped"


def test_a_trial_of_a_stop_stops_nothing_and_says_so(bed):
    from_bed.stop(bed)
    bed.stop(works=True, dry=True)
    now = told(bed)
    assert now["mood"] == "stop"
    assert now["tried"].startswith("Trial of a stop by a person")


@pytest.mark.parametrize(
    ("sentence", "mood"), [(OVER_SENTENCE, "over"), (STOPPED_SENTENCE, "stopped")]
)
def test_the_end_of_judging_is_no_calm(bed, sentence, mood):
    bed.advise(0, Advice("carry on", sentence))
    now = told(bed)
    assert now["mood"] == mood
    assert now["end_words"] == "–"


@pytest.mark.parametrize(
    ("sentence", "detail"),
    [
        ("Stop the print: the front left corner has lifted.", "The front left corner has lifted."),
        ("Have a look: strands?", "Strands?"),
        ("Have a look at the corner: it lifts.", "Have a look at the corner: it lifts."),
    ],
)
def test_the_sentence_below_does_not_say_the_level_again(bed, sentence, detail):
    bed.advise(0, Advice("stop", sentence, "corner-lift", "front left corner"))
    assert told(bed)["detail"] == detail


@pytest.mark.parametrize("level", ["stop", "have a look"])
@pytest.mark.parametrize("kind", get_args(FaultKind))
def test_every_fault_fits_on_a_phone(bed, level, kind):
    bed.advise(0, Advice(level, "What it is.", kind, "front right corner (2)"))
    head = told(bed)["head"]
    assert head.lower().startswith(level)
    assert len(head) <= 45


def test_every_mood_has_its_rank():
    assert sorted(URGENCY) == sorted(get_args(Mood))
    assert URGENCY[:3] == ("stop-failed", "dead", "stop")


def test_time_to_the_end_is_that_of_the_toolpath(bed):
    from_bed.carry_on(bed)  # 24 of 60 minutes, 12 s ago
    now = told(bed)
    assert now["end_words"] == "about 36 min"
    early, late = now["span_s"]
    assert early < 36 * 60 < late


def test_without_a_toolpath_the_end_is_not_known(tmp_path):
    bed = from_bed.Bed.begin(tmp_path, toolpath=False)
    from_bed.carry_on(bed)
    now = told(bed)
    bed.store.close()
    assert (now["end_words"], now["span_s"]) == ("not known", None)


def test_the_age_of_the_newest_picture_heeds_no_wall_clock(bed, monkeypatch):
    from_bed.carry_on(bed)
    monkeypatch.setattr("time.time", lambda: 4e9)
    assert told(bed)["age_s"] == pytest.approx(12, abs=2)


# Where the night goes


def test_the_night_goes_to_what_is_watched_now(bed):
    from_bed.carry_on(bed)
    client = create_app(bed.data).test_client()
    text = client.get("/night").get_data(as_text=True)
    assert 'aria-live="polite">Carry on.</h2>' in text
    assert f'data-run="{bed.run}"' in text
    assert client.get("/api/night").json == {"address": "/night", "runs": [bed.run]}


def test_the_night_goes_to_a_watch_that_died(tmp_path):
    bed = from_bed.Bed.begin(tmp_path)
    from_bed.dead(bed)
    bed.store.close()
    text = create_app(tmp_path).test_client().get("/night").get_data(as_text=True)
    assert "Nobody is watching: the watch has died.</h2>" in text


def test_the_night_says_that_nothing_is_watched(bed):
    from_bed.over(bed)
    client = create_app(bed.data).test_client()
    assert "Nothing is being watched." in client.get("/night").get_data(as_text=True)
    assert client.get("/api/night").json == {"address": None, "runs": []}


def test_of_several_the_worst_comes_first(bed):
    from_bed.stop(bed)
    run = artificial.begin(bed.store, "Hinge pin")
    artificial.feed(bed.store, run, range(3), clean=True)
    text = create_app(bed.data).test_client().get("/night").get_data(as_text=True)
    assert 0 < text.index("Stop: the right corner lifts.") < text.index("Carry on.")


def test_a_page_of_yesterday_leads_to_the_print_of_today(bed):
    from_bed.over(bed)
    run = artificial.begin(bed.store, "Hinge pin")
    bed.store._db.execute("UPDATE runs SET watch = ? WHERE id = ?", (from_bed.WATCH, run))
    assert told(bed)["newer"] == f"/run/{run}/night"
    assert not told(bed)["picture"].startswith(f"/run/{run}")


# Stopping and answering come back to bed


@pytest.fixture
def person(bed):
    """Fills in the forms of the view, as a browser without scripts does."""
    from_bed.stop(bed)
    hands = from_bed.Hands(bed.data)
    client = create_app(bed.data, hands=hands).test_client()

    def post(path, **fields):
        text = client.get("/run/1/night").get_data(as_text=True)
        (token,) = set(_values(text, "csrf_token"))
        return client.post(path, data={"csrf_token": token, "from": "night", **fields})

    return client, hands, post


def _values(text, name):
    return [part.split('"')[0] for part in text.split(f'name="{name}" value="')[1:]]


def test_looking_answers_the_alarm_and_stays_in_bed(bed, person):
    _, _, post = person
    answer = post("/run/1/heard")
    assert (answer.status_code, answer.location) == (303, "/run/1/night")
    assert told(bed)["mood"] == "answered"


def test_without_scripts_the_stop_asks_first(bed, person):
    client, hands, post = person
    asked = post("/run/1/stop").get_data(as_text=True)
    assert hands.stopped == []
    assert "Yes, stop it now" in asked
    assert _values(asked, "from") == ["night"]
    assert 'href="/run/1/night"' in client.get("/run/1/stop?from=night").get_data(as_text=True)
    answer = post("/run/1/stop", sure="yes")
    assert answer.location == "/run/1/night"
    assert hands.stopped == [1]
    with Store.open(bed.data, write=False) as store:
        assert store.book.answered_at(1) is not None


def test_a_stop_that_fails_answers_nothing(bed, person):
    _, hands, post = person
    hands.works = False
    post("/run/1/stop", sure="yes")
    with Store.open(bed.data, write=False) as store:
        assert store.book.answered_at(1) is None
    assert told(bed)["mood"] == "stop-failed"


def test_where_no_stop_is_set_up_it_says_so(bed):
    from_bed.stop(bed)
    app = create_app(bed.data, hands=from_bed.Hands(bed.data, can_stop=False))
    text = app.test_client().get("/run/1/night").get_data(as_text=True)
    assert "Stopping from here is off" in text
    assert "Stop the print</span>" not in text


def test_without_scripts_it_loads_itself_anew(bed):
    from_bed.carry_on(bed)
    text = create_app(bed.data).test_client().get("/run/1/night").get_data(as_text=True)
    assert '<noscript><meta http-equiv="refresh" content="30"></noscript>' in text
    assert "Carry on." in text
    assert "12 s old" in text


# Late pictures


def test_a_picture_is_late_by_the_pauses_that_were():
    assert patience_s([]) == LEAST_PATIENCE_S
    assert patience_s([0.0, 5.0, 10.0]) == LEAST_PATIENCE_S
    assert patience_s([0.0, 60.0, 100.0, 160.0]) == 180.0


# The end in words


@pytest.mark.parametrize(
    ("seconds", "sigma", "words", "note"),
    [
        (7230, 300, "about 2 h 00 min", "Between 1 h 50 min and 2 h 15 min at this pace."),
        (1830, 60, "about 30 min", "Between 28 min and 33 min at this pace."),
        (30, 60, "about now", "It may take 3 min more."),
        (-300, 60, "should be over", "By its toolpath and its pace so far it should have ended"),
    ],
)
def test_the_end_in_words(seconds, sigma, words, note):
    end = ToEnd(max(0.0, seconds), sigma)
    told, why = end_words(end, max(0.0, -seconds), planned=True)
    assert told == words
    assert why.startswith(note)


@given(st.floats(0, 2e5), st.floats(0, 2e4), st.floats(0, 1e4))
def test_the_span_holds_two_standard_deviations(seconds, sigma, age):
    early, late = span_s(ToEnd(seconds, sigma), age)
    assert early <= max(0.0, seconds - age - 2 * sigma) + 1e-6
    assert late >= seconds - age + 2 * sigma - 1e-6


# The crop

STOP = Advice("stop", "s", "corner-lift", "right corner")
LINES = artificial.seen(40, clean=False).outlines


def test_the_crop_holds_every_watched_line():
    seen = crop(LINES, SIZE, STOP)
    points = np.concatenate([line.points_px for line in LINES])
    assert (points[:, 0] >= seen.x).all()
    assert (points[:, 0] <= seen.x + seen.width).all()
    assert (points[:, 1] >= seen.y).all()
    assert (points[:, 1] <= seen.y + seen.height).all()
    assert seen.width * seen.height < 0.8 * SIZE[0] * SIZE[1]


def test_the_ring_goes_round_the_suspected_corner_and_no_other():
    x, y, radius = crop(LINES, SIZE, STOP).mark
    edge = LINES[1].points_px
    assert (np.hypot(*(edge - [x, y]).T) <= radius + 0.1).all()
    assert np.hypot(*(artificial.PART[3] - [x, y])) > radius
    assert crop(LINES, SIZE, Advice("carry on", "c")).mark is None
    assert crop(LINES, SIZE, Advice("stop", "s", "corner-lift", "back left corner")).mark is None


def test_strands_count_where_the_advice_is_about_them():
    short = Outline("strand", "bed", np.array([[300.0, 240.0]]))
    lines = (*LINES, Outline("strand", "bed", np.array([[5.0, 5.0], [20.0, 9.0]])), short)
    near = crop(lines, SIZE, STOP)
    assert near.y > 20
    wide = crop(lines, SIZE, Advice("stop", "s", "spaghetti", "bed"))
    assert wide.x == 0
    assert wide.mark[:2] == pytest.approx((12.5, 7))


@given(
    st.lists(st.tuples(st.floats(-900, 1500), st.floats(-900, 1500)), min_size=1, max_size=9),
    st.sampled_from([(480, 270), (1280, 720), (600, 800)]),
)
def test_the_crop_stays_within_the_picture(points, size):
    lines = (Outline("measured", "right corner", np.array(points)),)
    seen = crop(lines, size, STOP)
    assert seen.width > 0
    assert seen.height > 0
    assert min(seen.x, seen.y) >= 0
    assert seen.x + seen.width <= size[0] + 0.2
    assert seen.y + seen.height <= size[1] + 0.2


def test_where_nothing_is_known_the_whole_picture_is_shown(bed):
    from_bed.no_advice(bed)
    now = told(bed)
    assert now["box"] == [0, 0, 480, 270]
    assert now["mark"] is None


@pytest.mark.parametrize(("parked", "expected"), [(True, 1), (False, 0)])
def test_lines_of_older_pictures_count_only_where_the_bed_comes_back(tmp_path, parked, expected):
    bed = from_bed.Bed.begin(tmp_path, parked=parked)
    from_bed.stop(bed)
    bed.store._db.execute("UPDATE views SET outlines = '[]' WHERE number >= 35")
    now = told(bed)
    bed.store.close()
    assert (now["mark"] is not None) == expected
