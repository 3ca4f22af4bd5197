"""Spools, settings, outcomes and conditions are kept."""

import pytest

from watcher.store import Condition, Spool, SpoolEvent, Store, Unread
from watcher.trouble import BadFacts


@pytest.fixture
def store(tmp_path):
    with Store.open(tmp_path, write=True) as opened:
        yield opened


def spool(name="black"):
    return Spool(0, name, "PA6", 1.75, None, 60.0, 750.0, 210.0, False, 1e9)


def test_a_spool_comes_back_as_it_was_kept(store):
    number = store.ledger.add_spool(spool())
    found = store.ledger.spool("black")
    assert found == Spool(number, "black", "PA6", 1.75, None, 60.0, 750.0, 210.0, False, 1e9)
    store.ledger.change_spool(number, empty_g=205.0, sealed=True)
    assert store.ledger.spool("black").empty_g == 205.0
    assert store.ledger.spool("black").sealed


def test_two_spools_of_one_name_and_none_are_told(store):
    store.ledger.add_spool(spool())
    with pytest.raises(BadFacts, match="already"):
        store.ledger.add_spool(spool())
    with pytest.raises(BadFacts, match="There are: black"):
        store.ledger.spool("white")


def test_events_come_in_order_of_time_and_a_runs_use_is_counted_once(store, setup, toolpath):
    number = store.ledger.add_spool(spool())
    run = store.start_run("part", setup, "test", toolpath, 100.0)
    store.ledger.note_spool(number, SpoolEvent(300.0, "used", length_mm=5.0, run_id=run))
    store.ledger.note_spool(number, SpoolEvent(200.0, "weighed", gross_g=700.0))
    store.ledger.note_spool(number, SpoolEvent(301.0, "used", length_mm=6.0, run_id=run))
    events = store.ledger.spool_events(number)
    assert [(e.kind, e.length_mm) for e in events] == [("weighed", None), ("used", 6.0)]


def test_notes_change_only_what_they_name(store, setup, toolpath):
    run = store.start_run("part", setup, "test", toolpath, 100.0)
    store.ledger.keep_job(run, settings={"brim": "8"}, facts={"span_mm": 90.0})
    store.ledger.keep_job(run, notes="late", outcome="failed")
    store.ledger.keep_job(run, bed="washed", notes=None)
    job = store.ledger.job(run)
    assert (job.notes, job.bed, job.outcome) == ("late", "washed", "failed")
    assert job.settings == {"brim": "8"}
    assert store.ledger.jobs() == {run: job}
    with pytest.raises(BadFacts, match="no run 99"):
        store.ledger.keep_job(99, notes="x")


def reading(utc_s, value=60.0, what="chamber_c"):
    return Condition("", what, utc_s, value, "test")


def test_readings_out_of_order_late_and_twice_lose_nothing(store):
    assert store.ledger.keep_conditions([reading(30), reading(10), reading(20)], 40) == 3
    assert store.ledger.keep_conditions([reading(10), reading(5), reading(20, 61.0)], 50) == 2
    found = store.ledger.conditions(0, 100)
    assert [(c.utc_s, c.value) for c in found] == [(5, 60), (10, 60), (20, 60), (20, 61), (30, 60)]
    assert store.ledger.newest_condition("chamber_c").utc_s == 30
    assert store.ledger.newest_condition("humidity_percent") is None
    assert store.ledger.conditions(11, 29) == found[2:4]


def test_a_printer_is_given_its_own_readings_and_those_of_no_place(store):
    for place in ("left", "right", ""):
        store.ledger.keep_conditions([Condition(place, "chamber_c", 5, 60.0, "test")], 9)
    found = store.ledger.conditions(0, 9, "left")
    assert sorted(c.place for c in found) == ["", "left"]
    assert len(store.ledger.conditions(0, 9)) == 3


def test_what_could_not_be_read_is_kept_and_counted(store):
    for came in (1.0, 2.0):
        store.ledger.keep_unread(Unread(came, "csv", "gibberish", "not JSON"))
    assert store.ledger.unread() == [Unread(1.0, "csv", "gibberish", "not JSON", 2)]


def test_the_newest_list_is_given_back(store):
    assert store.ledger.newest_sheet() is None
    store.ledger.keep_sheet(1.0, {"title": "first"})
    store.ledger.keep_sheet(2.0, {"title": "second"})
    assert store.ledger.newest_sheet() == (2.0, {"title": "second"})


def test_an_older_data_folder_gets_the_new_tables(tmp_path, setup, toolpath):
    """A folder written before there was a ledger: the runs in it stay."""
    from watcher.store import disk, schema  # noqa: PLC0415

    db = disk.connect(tmp_path / disk.DATABASE, write=True)
    for statement in schema.MIGRATIONS[0]:
        db.execute(statement)
    db.execute(f"PRAGMA application_id = {schema.APPLICATION_ID}")
    db.execute("PRAGMA user_version = 1")
    db.close()
    with Store.open(tmp_path, write=True) as store:
        assert store.ledger.spools() == []
        run = store.start_run("part", setup, "test", toolpath, 1.0)
        assert store.ledger.job(run).settings == {}
