"""Many runs read at once, deleted, brought back and removed for good."""

from __future__ import annotations

import sqlite3
from dataclasses import replace

import pytest

from watcher.records import Advice, Answer
from watcher.store import RunLabel, Store, machine
from watcher.store.shelf import REMOVED_AFTER_S

DAY_S = 24 * 3600.0


@pytest.fixture
def keep(setup, picture, told):
    """Keeps a run of some pictures and ends it."""

    def kept(store, name, frames=3, ended=True):
        run = store.start_run(name, setup, "made up", None, 1.75e9)
        for number in range(frames):
            store.keep_frame(run, *picture(number))
            store.keep_seen(run, number, told(number))
        if ended:
            store.end_run(run, 1.75e9 + 60)
        return run

    return kept


@pytest.fixture
def clock(monkeypatch):
    """A wall clock to set."""
    now = [1.8e9]
    monkeypatch.setattr(machine, "utc_s", lambda: now[0])
    return now


def names(listed):
    return [one.name for one in listed]


def test_a_list_tells_what_each_run_alone_tells(tmp_path, keep):
    with Store.open(tmp_path, write=True) as store:
        first = keep(store, "one")
        keep(store, "empty", frames=0)
        keep(store, "open", ended=False)
        store.skip_frame(first, "x.jpg", "cut")
        store.skip_frame(first, "y.jpg", "cut")
        store.keep_answer(first, Answer("still fine", 5.0))
        store.keep_answer(first, Answer("stopped", 7.0))
        store.ledger.keep_job(first, material="PLA", outcome="failed", notes="a note")
        listed = {one.id: one for one in store.shelf.listed()}
        counts = store.shelf.counts(listed)
        assert len(listed) == 3
        for run in store.runs():
            one = listed[run.id]
            for field in (
                *("name", "source", "watch", "started_utc_s", "state", "elapsed_s"),
                *("newest_frame", "biggest_lift", "deleted_utc_s"),
            ):
                assert getattr(one, field) == getattr(run, field), field
            assert one.frame_size == run.setup.frame_size
            assert counts[run.id] == (run.frames, run.skipped)
            if run.advice is None:
                assert one.advice is None
            else:
                full = run.advice
                assert one.advice == Advice(full.level, full.sentence, full.kind, full.place)
                assert full.kind is None or full.kind in one.kinds
        one = listed[first]
        assert (one.said, one.stopped_utc_s) == ("stopped", 7.0)
        assert (one.material, one.outcome, one.notes) == ("PLA", "failed", "a note")
        assert {m.moment.kind for m in store.moments(first)} <= one.kinds


def test_plans_of_many_are_those_of_each(tmp_path, keep):
    with Store.open(tmp_path, write=True) as store:
        runs = [keep(store, name, frames=1) for name in ("one", "two")]
        assert store.plans(runs) == {run: store.plan(run) for run in runs}
        assert store.plans([99]) == {}


def test_a_deleted_run_is_gone_from_the_list_and_can_be_brought_back(tmp_path, keep, clock):
    with Store.open(tmp_path, write=True) as store:
        one, two = keep(store, "one"), keep(store, "two")
        assert store.shelf.delete([one, one, 99]) == [one]
        assert names(store.runs()) == names(store.shelf.listed()) == ["two"]
        assert names(store.shelf.listed(deleted=True)) == ["one"]
        assert store.shelf.deleted() == 1
        assert store.run(one).deleted_utc_s == clock[0]
        assert store.shelf.bring_back([one, two]) == [one]
        assert sorted(names(store.runs())) == ["one", "two"]
        assert store.run(one).deleted_utc_s is None


def test_a_run_being_watched_is_not_deleted(tmp_path, keep):
    with Store.open(tmp_path, write=True) as writer:
        live = keep(writer, "live", ended=False)
        with Store.open(tmp_path, write=True) as other:
            assert other.shelf.delete([live]) == []
            assert names(other.runs()) == ["live"]
    with Store.open(tmp_path, write=True) as store:
        assert store.runs()[0].state == "interrupted"
        assert store.shelf.delete([live]) == [live]


def test_an_interrupted_run_that_is_taken_up_again_is_not_deleted(tmp_path, keep, clock):
    with Store.open(tmp_path, write=True) as store:
        live = keep(store, "live", ended=False)
    with Store.open(tmp_path, write=True) as store:
        store.shelf.delete([live])
        clock[0] += REMOVED_AFTER_S + 1
        store.carry_on(live)
        assert store.run(live).deleted_utc_s is None
        with Store.open(tmp_path, write=True) as other:
            assert other.shelf.removed == ()
            assert other.run(live).state == "watching"


def test_what_was_deleted_is_removed_with_its_pictures_a_week_later(tmp_path, keep, clock):
    with Store.open(tmp_path, write=True) as store:
        one, two = keep(store, "one"), keep(store, "two")
        store.ledger.keep_job(one, notes="x")
        size = store.shelf.bytes_of(one)
        jpegs = sum(f.stat().st_size for f in (tmp_path / "runs" / str(one)).rglob("*.jpg"))
        assert size >= jpegs > 0
        store.shelf.delete([one])
    clock[0] += 7 * DAY_S - 1
    with Store.open(tmp_path, write=True) as store:
        assert store.shelf.removed == ()
        assert names(store.shelf.listed(deleted=True)) == ["one"]
    clock[0] += 2
    with Store.open(tmp_path, write=False) as store:
        assert store.shelf.deleted() == 1
    with Store.open(tmp_path, write=True) as store:
        (gone,) = store.shelf.removed
        assert (gone.run_id, gone.name, gone.freed) == (one, "one", size)
        assert store.run(one) is None
        assert names(store.runs()) == ["two"]
        for table in ("frames", "views", "readings", "moments", "advice", "plans", "jobs"):
            left = store._rows(f"SELECT count(*) AS n FROM {table} WHERE run_id = ?", one)
            assert left[0]["n"] == 0, table
    assert not (tmp_path / "runs" / str(one)).exists()
    assert (tmp_path / "runs" / str(two)).is_dir()


def test_who_opens_while_another_writes_neither_waits_nor_fails(tmp_path, keep, clock):
    with Store.open(tmp_path, write=True) as store:
        store.shelf.delete([keep(store, "one")])
    clock[0] += REMOVED_AFTER_S + 1
    other = sqlite3.connect(tmp_path / "watcher.db", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with Store.open(tmp_path, write=True) as store:
        assert store.shelf.removed == ()
        assert store._db.execute("PRAGMA busy_timeout").fetchone()[0] > 0
    other.execute("ROLLBACK")
    other.close()
    with Store.open(tmp_path, write=True) as store:
        assert [gone.name for gone in store.shelf.removed] == ["one"]


def test_removing_that_breaks_off_is_done_again(tmp_path, keep, clock, monkeypatch):
    with Store.open(tmp_path, write=True) as store:
        store.shelf.delete([keep(store, "one")])
    clock[0] += REMOVED_AFTER_S + 1
    with monkeypatch.context() as patch:
        patch.setattr("shutil.rmtree", _refuse)
        with Store.open(tmp_path, write=True) as store:
            assert store.shelf.removed == ()
            assert store.shelf.deleted() == 1
    with Store.open(tmp_path, write=True) as store:
        assert [gone.name for gone in store.shelf.removed] == ["one"]


def _refuse(_):
    raise OSError(5, "Input/output error")


def test_a_deleted_run_is_not_carried_on(tmp_path, keep, setup, clock):
    with Store.open(tmp_path, write=True) as store:
        live = keep(store, "live", ended=False)
    with Store.open(tmp_path, write=True) as store:
        label = RunLabel("live", "made up", setup)
        assert store.interrupted(label, None, 1e12) == live
        store.shelf.delete([live])
        assert store.interrupted(label, None, 1e12) is None
        assert store.interrupted(replace(label, name="x"), None, 1e12) is None
