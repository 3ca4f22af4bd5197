"""Judging again from the store: the same answer under the same settings, and the tables."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree

import cv2
import numpy as np
import pytest

from watcher import rejudge
from watcher.cli import main
from watcher.night import Night
from watcher.records import Answer, Prices, Weights
from watcher.store import Store
from watcher.trouble import BadNight, BadStore

sys.path.insert(0, str(Path(__file__).parents[1] / "night"))
from small_night import SmallNight

FRAMES, ONSET = 44, 15
RAMP = 0.07 * np.clip(np.arange(FRAMES) - ONSET + 1, 0, None)
NAMES = {kind: kind for kind in ("corner-lift", "detached", "spaghetti")}


def keep(store, small, *, weights=None, source="made up", name="night", answers=(), hide=()):
    """A night from the real judge into the store, as a run does it; answers by frame number."""
    night = Night(small.setup, small.toolpath, weights)
    run = store.start_run(name, small.setup, source, small.toolpath, 1.7e9, weights)
    said = dict(answers)
    for frame in small.frames():
        bgr = np.full_like(frame.bgr, 3) if frame.index in hide else frame.bgr
        shown = replace(frame, bgr=bgr)
        store.keep_frame(run, shown, cv2.imencode(".jpg", bgr)[1].tobytes())
        for answer in store.hear_answers(run, frame.index):
            night.hear(answer)
        store.keep_seen(run, frame.index, night.see(shown))
        if frame.index in said:
            store.keep_answer(run, said[frame.index])
    store.end_run(run, 1.7e9 + 9000)
    return run


@pytest.fixture(scope="module")
def data(tmp_path_factory):
    """A lift (1), a flat night with a covered lens (2), a lift that is called fine (3)."""
    folder = tmp_path_factory.mktemp("kept")
    source = tmp_path_factory.mktemp("source")
    truth = {
        "kind": "warp",
        "first_failed_frame": f"{ONSET + 7:05d}.jpg",
        "frames": [
            {
                "file": f"{i:05d}.jpg",
                "failed": bool(lift >= 0.5),
                "lifts": [{"lift_mm": float(lift)}],
            }
            for i, lift in enumerate(RAMP)
        ],
    }
    (source / "truth.json").write_text(json.dumps(truth))
    prices = Weights(prices=Prices(25.0, 0.5, 8.0, 60.0))
    fine = Answer("still fine", 1.7e9, "corner-lift", "front right corner")
    with Store.open(folder, write=True) as store:
        keep(store, SmallNight(RAMP, 1), source=str(source), name="lift")
        flat = SmallNight(np.zeros(FRAMES))
        keep(store, flat, weights=prices, hide=range(12, 24), name="flat")
        keep(store, SmallNight(RAMP, 1), weights=prices, answers=[(30, fine)], name="fine")
        store.keep_answer(2, Answer("still fine", 1.7e9))
    return folder


@pytest.fixture
def store(data):
    with Store.open(data, write=False) as opened:
        yield opened


@pytest.mark.parametrize("run_id", [1, 2, 3])
def test_under_the_runs_own_settings_it_is_exactly_the_runs_own_advice(store, run_id):
    kept = rejudge.read_kept(store, store.run(run_id))
    assert len(kept.sights) == FRAMES
    changes, moments = [], []
    for sight, weighed in zip(kept.sights, rejudge.judge_again(kept), strict=True):
        if not changes or weighed.advice != changes[-1][1]:
            changes.append((sight.index, weighed.advice))
        moments += weighed.moments
        assert weighed.readings == store.readings(run_id, sight.index)
        assert weighed.suspicions == store.suspicions(run_id, sight.index)
    assert changes == [(a.number, a.advice) for a in store.advice(run_id)]
    assert sorted(moments, key=lambda m: m.index) == [m.moment for m in store.moments(run_id)]
    levels = {a.level for _, a in changes}
    assert levels == ({"carry on", "have a look"} if run_id == 2 else set(LEVELS))


LEVELS = ("carry on", "have a look", "stop")


def test_an_answer_ends_the_stop_and_only_more_of_it_stops_again(store):
    advice = [w.advice for w in rejudge.judge_again(rejudge.read_kept(store, store.run(3)))]
    levels = [a.level for a in advice]
    stop = levels.index("stop")
    assert stop < 30
    assert levels[30] == "stop"
    assert levels[31] == "carry on"
    again = levels.index("stop", 31)
    assert advice[again].amount > advice[30].amount + 0.5


def test_stricter_settings_stop_later_or_not_at_all(store):
    kept = rejudge.read_kept(store, store.run(1))
    stops = [
        rejudge.outcome_of(kept, Weights(false_stops_per_100_nights=b)).stop for b in (30, 1, 0.01)
    ]
    assert stops == sorted(stops)
    assert stops[0] < stops[2]


def test_outcomes_are_told_by_kind_with_intervals(store):
    kept = [rejudge.read_kept(store, store.run(i)) for i in (1, 2, 3)]
    outcomes = [rejudge.outcome_of(one) for one in kept]
    lift, flat, fine = outcomes
    assert (lift.found, lift.missed, lift.false_stop) == (True, False, False)
    assert lift.delay_frames == lift.stop - (ONSET + 7)
    assert 0 < lift.saved_g <= lift.at_stake_g
    assert (flat.found, flat.missed, flat.false_stop) == (False, False, False)
    # Somebody said of the third that it was fine, so its stop counts as false.
    assert fine.false_stop
    lines = rejudge.told(outcomes, NAMES)
    assert any(x.startswith("corner-lift: found 1 of 1 (95 % interval 21% to 100%)") for x in lines)
    assert "g of filament saved" in " ".join(lines)
    assert "false stops: 1 of 2 (95 % interval 9% to 91%) good nights stopped" in lines


def test_the_curve_trades_delay_against_false_stops(store):
    kept = [rejudge.read_kept(store, store.run(i)) for i in (1, 2, 3)]
    points = rejudge.curve(kept, None)
    assert [p.budget for p in points] == sorted(p.budget for p in points)
    delays = [p.delay_frames for p in points]
    assert delays == sorted(delays, reverse=True)
    assert all(p.good == 2 and p.failing == 1 for p in points)
    assert len(rejudge.curve_words(points)) == len(points) + 1
    picture = ElementTree.fromstring(rejudge.curve_svg(points))
    shapes = picture.findall("{http://www.w3.org/2000/svg}circle")
    assert len(shapes) == len({(p.false_stops, p.delay_frames) for p in points})
    figures = [t.text for t in picture.findall("{http://www.w3.org/2000/svg}text")][2:]
    assert ", ".join(figures).split(", ") == [f"{p.budget:g}" for p in points]


def test_a_person_overrules_the_record_and_leaves_its_times_where_they_agree(store, tmp_path):
    kept = rejudge.read_kept(store, store.run(1))
    run = replace(kept.run, source=kept.run.source)
    said = [rejudge.KeptAnswer(1, Answer("it is failing", 0.0, "corner-lift", "a"), None)]
    assert rejudge.truth_of(run, kept.sights, said) == kept.truth
    fine = [rejudge.KeptAnswer(2, Answer("still fine", 0.0), None)]
    assert rejudge.truth_of(run, kept.sights, fine) == rejudge.Truth((), False)
    assert rejudge.truth_of(replace(run, source="none"), kept.sights, []) is None
    (tmp_path / "truth.json").write_text('{"kind": "warp"}')
    with pytest.raises(BadNight, match=r"truth\.json can't be read"):
        rejudge.truth_of(replace(run, source=str(tmp_path)), kept.sights, [])


def test_a_run_without_its_measurements_is_refused_in_a_sentence(tmp_path, store):
    kept = rejudge.read_kept(store, store.run(1))
    with Store.open(tmp_path, write=True) as empty:
        run = empty.start_run("old", kept.run.setup, "made up", None, 1.7e9)
        empty._db.execute("DELETE FROM plans")  # as a database was before they were kept
        with pytest.raises(BadStore, match="older version"):
            rejudge.read_kept(empty, empty.run(run))


def test_the_command(data, tmp_path):
    from click.testing import CliRunner  # noqa: PLC0415

    def watcher(*args):
        return CliRunner().invoke(main, ["rejudge", "--data", str(data), *map(str, args)])

    said = watcher()
    assert said.exit_code == 0, said.output
    assert "Run 1, lift: found, stop at" in said.stdout
    assert "Run 2, flat: good, no stop." in said.stdout
    strict = tmp_path / "strict.toml"
    strict.write_text("false_stops_per_100_nights = 0.01\n")
    said = watcher(1, "--settings", strict, "--curve", tmp_path / "curve.svg")
    assert said.exit_code == 0, said.output
    assert "budget a 100 nights" in said.stdout
    assert (tmp_path / "curve.svg").read_text().startswith("<svg")
    said = watcher(77)
    assert said.exit_code == 2
    assert "There is no run 77" in said.stderr
    said = watcher(1, "--settings", tmp_path / "none.toml")
    assert said.exit_code == 2
