"""What goes in comes out."""

from __future__ import annotations

import gc
import json
import math
import os
import sqlite3
import threading
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np
import pytest

from watcher.records import Outline, Reading, View
from watcher.store import Store, schema
from watcher.trouble import BadStore


def fill(store, setup, picture, told, *, frames=12, toolpath=None):
    run = store.start_run("bracket", setup, "a folder", toolpath, 1.7e9)
    for number in range(frames):
        frame, jpeg = picture(number)
        store.keep_frame(run, frame, jpeg)
        store.keep_seen(run, number, told(number), b"state %d" % number)
    return run


def test_a_run_comes_back_as_it_was_kept(tmp_path, setup, toolpath, picture, told):
    with Store.open(tmp_path / "data", write=True) as store:
        run_id = fill(store, setup, picture, told, toolpath=toolpath)
        store.skip_frame(run_id, "00099.jpg", "not a picture")
        store.end_run(run_id, 1.7e9 + 500, "finished")

    with Store.open(tmp_path / "data", write=False) as store:
        (run,) = store.runs()
        assert run == store.run(run_id)
        assert run.setup == setup
        assert (run.name, run.source, run.state) == ("bracket", "a folder", "finished")
        assert (run.frames, run.skipped, run.moments) == (12, 1, 1)
        assert (run.elapsed_s, run.newest_frame) == (330.0, "00012.jpg")
        assert run.toolpath is not None
        assert (run.toolpath.layers, run.toolpath.filament_mm) == (3, 36.0)
        assert run.toolpath.height_mm == pytest.approx(0.6)
        assert run.advice == told(11).advice
        assert run.biggest_lift is not None
        assert run.biggest_lift.value_mm == pytest.approx(1.1)

        frames = store.frames(run_id)
        assert [f.number for f in frames] == list(range(12))
        assert frames[3].view == told(3).view
        assert frames[3].size == (64, 48)
        assert [f.number for f in store.frames(run_id, since=10)] == [10, 11]

        by_place = {s.place: s for s in store.series(run_id)}
        assert by_place["right corner"].values == pytest.approx([0.1 * n for n in range(12)])
        assert by_place["left corner"].values == [None] * 12
        assert by_place["left corner"].unseen == ["hidden by the head"] * 12
        assert store.readings(run_id, 4) == told(4).readings
        assert store.suspicions(run_id, 4) == told(4).suspicions

        (outline,) = store.outlines(run_id, 4, 5)[4]
        assert list(store.outlines(run_id, 4, 9)) == [4, 5, 6, 7, 8]
        assert outline.role == "measured"
        np.testing.assert_array_equal(outline.points_px, [[1.0, 2.0], [3.25, 4.5]])

        assert [(a.number, a.advice.level) for a in store.advice(run_id)] == [
            (0, "carry on"),
            (10, "stop"),
        ]
        (moment,) = store.moments(run_id)
        assert moment.noticed == 10
        assert moment.moment == told(10).moments[0]
        assert [s.why for s in store.skipped(run_id)] == ["not a picture"]
        assert store.evidence(run_id) is None, "a run that has ended is not carried on"

        path = store.frame_path(run_id, "00004.jpg")
        assert path is not None
        assert path.read_bytes() == picture(3)[1]


def test_values_that_are_no_numbers_count_as_not_known(tmp_path, setup, picture, told):
    odd = replace(
        told(0),
        view=View(False, math.inf, 0, math.nan, "too dark"),
        readings=(Reading("corner-lift", "a", None, math.nan, np.float32(0.5), "mm", "blurred"),),
        outlines=(Outline("region", "", np.array([[1.0, math.nan], [2.0, 2.0]])),),
    )
    with Store.open(tmp_path, write=True) as store:
        run = store.start_run("n", setup, "s", None, 0.0)
        store.keep_frame(run, *picture(0))
        assert store.frames(run)[0].view is None
        store.keep_seen(run, 0, odd)
        view = store.frames(run)[0].view
        assert view is not None
        assert (view.registered, view.reason, view.sigma_px) == (False, "too dark", math.inf)
        assert store.readings(run, 0)[0].value is None
        assert store.readings(run, 0)[0].sigma == 0.5
        assert store.outlines(run, 0, 1)[0][0].points_px.tolist() == [[2.0, 2.0]]


def test_the_biggest_lift_is_not_the_biggest_noise(tmp_path, setup, picture, told):
    noisy = Reading("corner-lift", "left corner", None, 9.0, 4.0, "mm")
    clear = Reading("corner-lift", "right corner", None, 0.8, 0.1, "mm")
    with Store.open(tmp_path, write=True) as store:
        run = store.start_run("n", setup, "s", None, 0.0)
        store.keep_frame(run, *picture(0))
        store.keep_seen(run, 0, replace(told(0), readings=(noisy, clear)))
        lift = store.runs()[0].biggest_lift
        assert lift is not None
        assert (lift.place, lift.value_mm) == ("right corner", 0.8)


def test_no_table_is_made_outside_the_migrations(tmp_path, setup, picture, told):
    with Store.open(tmp_path, write=True) as store:
        before = _tables(tmp_path)
        run = fill(store, setup, picture, told)
        store.skip_frame(run, "x.jpg", "why")
        store.end_run(run, 1.0)
        assert _tables(tmp_path) == before


def test_a_name_can_not_leave_the_run(tmp_path, setup, picture, told):
    (tmp_path / "secret.jpg").write_bytes(b"secret")
    with Store.open(tmp_path, write=True) as store:
        run = fill(store, setup, picture, told, frames=1)
        other = fill(store, setup, picture, told, frames=2)
        for name in ["../../../secret.jpg", "..", "", "00002.jpg", "/etc/passwd", "00001.jpg\0"]:
            assert store.frame_path(run, name) is None
        assert store.frame_path(other, "00002.jpg") is not None
        assert store.frame_path(99, "00001.jpg") is None
        frame, jpeg = picture(5)
        for name in ["../x.jpg", "a/b.jpg", "a\\b.jpg", ".hidden.jpg", "a\nb.jpg", "", "x" * 300]:
            with pytest.raises(BadStore, match="can't be kept"):
                store.keep_frame(run, replace(frame, name=name), jpeg)
        store.keep_frame(run, replace(frame, name="Küche 03:12:00 (2).jpg"), jpeg)


def test_a_second_picture_of_one_name_does_not_replace_the_first(tmp_path, setup, picture, told):
    with Store.open(tmp_path, write=True) as store:
        run = fill(store, setup, picture, told, frames=2)
        with pytest.raises(BadStore, match="already has"):
            store.keep_frame(run, replace(picture(7)[0], name="00001.jpg"), picture(7)[1])
        path = store.frame_path(run, "00001.jpg")
        assert path is not None
        assert path.read_bytes() == picture(0)[1]
        assert len(store.frames(run)) == 2


def test_what_a_frame_told_is_kept_whole_or_not_at_all(tmp_path, setup, picture, told):
    with Store.open(tmp_path, write=True) as store:
        run = fill(store, setup, picture, told, frames=3)
        store.keep_frame(run, *picture(3))
        broken = replace(told(3), moments=(None,))
        with pytest.raises(AttributeError):
            store.keep_seen(run, 3, broken, b"half")
        assert store.readings(run, 3) == ()
        assert store.frames(run)[3].view is None
        assert store.evidence(run) == b"state 2"
        store.keep_seen(run, 3, told(3), b"state 3")
        assert store.evidence(run) == b"state 3"


def test_a_folder_without_a_database_reads_as_empty_and_stays_untouched(tmp_path):
    with Store.open(tmp_path / "none", write=False) as store:
        assert store.runs() == []
        assert store.run(1) is None
    assert not (tmp_path / "none").exists()


def test_a_reader_sees_what_was_committed_while_a_writer_goes_on(tmp_path, setup, picture, told):
    with Store.open(tmp_path, write=True) as writer:
        run = fill(writer, setup, picture, told, frames=3)
        with Store.open(tmp_path, write=False) as reader:
            assert len(reader.frames(run)) == 3
            writer.keep_frame(run, *picture(3))
            assert len(reader.frames(run)) == 4
            with pytest.raises(BadStore):
                reader.skip_frame(run, "x", "y")


def test_it_works_only_in_its_own_thread(tmp_path):
    errors: list[BaseException] = []
    with Store.open(tmp_path, write=True) as store:

        def use() -> None:
            try:
                store.runs()
            except sqlite3.ProgrammingError as error:
                errors.append(error)

        thread = threading.Thread(target=use)
        thread.start()
        thread.join()
    assert len(errors) == 1


def test_fifty_times_open_and_closed_leaves_no_handle(tmp_path, setup, picture, told):
    handles = Path("/proc/self/fd")
    if not handles.is_dir():
        pytest.skip("handles are counted in /proc, which this system lacks")
    with Store.open(tmp_path, write=True) as store:
        fill(store, setup, picture, told, frames=2)
    gc.collect()
    before = len(os.listdir(handles))
    for turn in range(50):
        with Store.open(tmp_path, write=turn % 2 == 0) as store:
            assert len(store.runs()[0].name) > 0
            if turn % 2 == 0:
                store.start_run("n", setup, "s", None, 0.0)
    # Fewer is no leak: what earlier tests left to a thread may be closed meanwhile.
    assert len(os.listdir(handles)) <= before


def test_an_empty_database_and_version_one_come_to_the_same_tables(tmp_path, monkeypatch, setup):
    with Store.open(tmp_path / "new", write=True):
        pass
    with monkeypatch.context() as patch:
        patch.setattr(schema, "MIGRATIONS", schema.MIGRATIONS[:1])
        with Store.open(tmp_path / "old", write=True) as store:
            store._insert(
                "runs",
                [{"name": "old", "source": "s", "started_utc_s": 1.0, "setup": _json(setup)}],
            )
    assert _version(tmp_path / "old") == 1
    with Store.open(tmp_path / "old", write=False) as store:
        assert [r.name for r in store.runs()] == ["old"]
        assert store.runs()[0].skipped == 0
    assert _tables(tmp_path / "old") == _tables(tmp_path / "new")
    assert _version(tmp_path / "old") == _version(tmp_path / "new") == len(schema.MIGRATIONS)


def _json(setup) -> str:
    return json.dumps(asdict(setup))


def _version(folder: Path) -> int:
    with sqlite3.connect(folder / "watcher.db") as db:
        number: int = db.execute("PRAGMA user_version").fetchone()[0]
    db.close()
    return number


def _tables(folder: Path) -> dict[str, str]:
    with sqlite3.connect(folder / "watcher.db") as db:
        tables = dict(db.execute("SELECT name, sql FROM sqlite_master ORDER BY name").fetchall())
    db.close()
    return tables
