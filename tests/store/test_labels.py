"""What persons call runs and say of moments."""

import sqlite3

import pytest
from artificial_pictures import SETUP, begin, feed, name

from watcher.records import Advice, Moment, Seen, View
from watcher.store import RunLabel, Store, schema


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path, write=True) as opened:
        run = begin(opened)
        feed(opened, run, range(2))
        moment = Moment(1, name(1), 10.0, "corner-lift", "stop", "It lifts.")
        view = View(True, 0.1, 1, 0.2)
        opened.keep_seen(run, 1, Seen(view, (), (), Advice("stop", "Stop."), (moment,)))
        yield opened


def test_a_run_is_called_otherwise_and_by_its_old_name_again(store):
    store.rename(1, "Vent bracket, second try")
    assert store.run(1).name == store.runs()[0].name == "Vent bracket, second try"
    store.rename(1, "")
    assert store.run(1).name == "bracket"


def test_a_renamed_run_is_carried_on_by_its_watch(tmp_path, store):
    store.rename(1, "something else")
    store.close()
    with Store.open(tmp_path, write=True) as later:
        label = RunLabel("bracket", "made up", SETUP)
        assert later.interrupted(label, None, float("inf")) == 1
        other = RunLabel("something else", "made up", SETUP)
        assert later.interrupted(other, None, float("inf")) is None


def test_a_moment_is_labelled(store):
    (before,) = store.moments(1)
    assert (before.truth, before.cause) == ("", "")
    assert store.label_moment(1, before.id, "false alarm", "the head's shadow")
    (after,) = store.moments(1)
    assert (after.truth, after.cause) == ("false alarm", "the head's shadow")
    assert after.moment == before.moment
    assert not store.label_moment(1, 99, "true fault", "")
    assert not store.label_moment(2, before.id, "true fault", "")


def test_an_older_store_learns_to_be_labelled(tmp_path):
    """The migration by its own statements, from the schema before it."""
    number = next(i for i, statements in enumerate(schema.MIGRATIONS) if "renamed" in statements[0])
    path = tmp_path / "watcher.db"
    with sqlite3.connect(path) as db:
        for statements in schema.MIGRATIONS[:number]:
            for statement in statements:
                db.execute(statement)
        db.execute(f"PRAGMA application_id = {schema.APPLICATION_ID}")
        db.execute(f"PRAGMA user_version = {number}")
    db.close()
    with Store.open(tmp_path, write=True) as store:
        run = begin(store)
        store.rename(run, "new")
        assert store.run(run).name == "new"
