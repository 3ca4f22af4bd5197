"""Bad folders, full disks and killed writers."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from watcher.store import Store, disk, schema
from watcher.trouble import BadStore

WRITER = """
import sys
from pathlib import Path
import numpy as np
from watcher.records import *
from watcher.store import Store

setup = Setup((8, 6), (200.0, 200.0), "fixed", True, ())
with Store.open(Path(sys.argv[1]), write=True) as store:
    run = store.start_run("killed", setup, "made up", None, 1.0)
    for number in range(1_000_000):
        frame = Frame(number, f"{number:06}.jpg", float(number), np.zeros((6, 8, 3), np.uint8))
        store.keep_frame(run, frame, b"x" * 5000)
        store.keep_seen(run, number, Seen(
            View(True, 0.1, number, 0.3),
            tuple(Reading("corner-lift", f"corner {c}", None, 0.1, 0.1, "mm") for c in range(4)),
            (), Advice("carry on", f"Nothing at {number}.")), b"%d" % number)
        print(number, flush=True)
"""


@pytest.mark.parametrize("after", [1, 7, 40])
def test_a_killed_writer_leaves_a_whole_store_and_an_interrupted_run(tmp_path, after):
    with subprocess.Popen(
        [sys.executable, "-c", WRITER, str(tmp_path)], stdout=subprocess.PIPE, text=True
    ) as process:
        assert process.stdout is not None
        told = 0
        for line in process.stdout:
            told = int(line)
            if told >= after:
                break
        with Store.open(tmp_path, write=False) as store:
            assert store.runs()[0].state == "watching"
        process.send_signal(signal.SIGKILL)
        told = max([told, *map(int, process.stdout.read().split())])

    for write in (False, True):
        with Store.open(tmp_path, write=write) as store:
            (run,) = store.runs()
            assert run.state == "interrupted"
            frames = store.frames(run.id)
            # Everything that was told is there; at most the frame in flight is not judged.
            assert told < len(frames) <= told + 2
            judged = [f.number for f in frames if f.view is not None]
            assert judged == list(range(len(judged)))
            assert len(judged) >= len(frames) - 1
            assert store.evidence(run.id) == b"%d" % judged[-1]
            assert all(len(s.numbers) == len(judged) for s in store.series(run.id))
            for frame in frames:
                path = store.frame_path(run.id, frame.name)
                assert path is not None
                assert path.stat().st_size == 5000
    with sqlite3.connect(tmp_path / "watcher.db") as db:
        assert db.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
    db.close()


def test_a_run_whose_writer_closed_without_an_end_is_interrupted(tmp_path, setup):
    with Store.open(tmp_path, write=True) as store:
        store.start_run("n", setup, "s", None, 1.0)
        assert store.runs()[0].state == "watching"
        with Store.open(tmp_path, write=False) as reader:
            assert reader.runs()[0].state == "watching"
    with Store.open(tmp_path, write=False) as reader:
        assert reader.runs()[0].state == "interrupted"


def test_two_runs_by_two_writers_each_have_their_own_state(tmp_path, setup):
    with (
        Store.open(tmp_path, write=True) as one,
        Store.open(tmp_path, write=True) as two,
        Store.open(tmp_path, write=False) as reader,
    ):
        first = one.start_run("first", setup, "s", None, 1.0)
        two.start_run("second", setup, "s", None, 2.0)
        one.end_run(first, 3.0, "left early")
        assert [(r.name, r.state) for r in reader.runs()] == [
            ("second", "watching"),
            ("first", "left early"),
        ]


def test_a_file_where_the_folder_should_be(tmp_path):
    (tmp_path / "data").write_text("I am a file")
    with pytest.raises(BadStore, match="can't be used"):
        Store.open(tmp_path / "data", write=True)
    with pytest.raises(BadStore, match="can't be used"):
        Store.open(tmp_path / "data" / "deeper", write=True)
    with pytest.raises(BadStore, match="is not a folder"):
        Store.open(tmp_path / "data", write=False)


def test_a_folder_that_can_not_be_written(tmp_path):
    (tmp_path / "data").mkdir()
    (tmp_path / "data").chmod(0o500)
    if os.access(tmp_path / "data", os.W_OK):
        with mounted(tmp_path / "read only", "ro,size=1m") as folder:
            _expect_unwritable(folder)
    else:
        _expect_unwritable(tmp_path / "data")


def _expect_unwritable(folder: Path) -> None:
    with pytest.raises(BadStore, match=r"can't be used.*--data"):
        Store.open(folder, write=True)


def test_a_file_that_is_no_database(tmp_path):
    (tmp_path / "watcher.db").write_bytes(b"not a database at all " * 100)
    for write in (True, False):
        with pytest.raises(BadStore, match="not a database"):
            Store.open(tmp_path, write=write)
    assert (tmp_path / "watcher.db").read_bytes().startswith(b"not a database")


def test_a_database_of_another_program(tmp_path):
    with sqlite3.connect(tmp_path / "watcher.db") as db:
        db.execute("CREATE TABLE recipes (id)")
    db.close()
    for write in (True, False):
        with pytest.raises(BadStore, match="another program"):
            Store.open(tmp_path, write=write)


def test_a_newer_schema_is_left_alone(tmp_path):
    with Store.open(tmp_path, write=True):
        pass
    with sqlite3.connect(tmp_path / "watcher.db") as db:
        db.execute(f"PRAGMA user_version = {len(schema.MIGRATIONS) + 1}")
    db.close()
    for write in (True, False):
        with pytest.raises(BadStore, match="newer version"):
            Store.open(tmp_path, write=write)


@pytest.mark.parametrize("size", ["200k", "600k", "1m", "2m"])
def test_a_full_disk_is_told_and_what_was_kept_stays(tmp_path, setup, told, picture, size):
    with mounted(tmp_path / "small", f"size={size}") as folder:
        kept: list[int] = []
        runs: list[int] = []
        with pytest.raises(BadStore, match="full") as caught:
            _write_until_it_fails(folder, setup, told, picture, runs=runs, kept=kept)
        assert "\n" not in str(caught.value)
        assert not list(folder.glob("runs/*/frames/.new-*"))
        if not runs:
            return
        run = runs[0]
        subprocess.run(["mount", "-o", "remount,size=8m", folder], check=True)
        with Store.open(folder, write=True) as store:
            frames = store.frames(run)
            assert len(kept) <= len(frames) <= len(kept) + 1
            assert [f.number for f in frames if f.view is not None] == kept
            assert store.evidence(run) == (b"%d" % kept[-1] if kept else None)
            for frame in frames:
                path = store.frame_path(run, frame.name)
                assert path is not None
                assert path.stat().st_size == 9000


def _write_until_it_fails(folder, setup, told, picture, *, runs, kept):
    with Store.open(folder, write=True) as store:
        runs.append(store.start_run("n", setup, "s", None, 1.0))
        for number in range(10_000):
            store.keep_frame(runs[0], picture(number)[0], os.urandom(9000))
            store.keep_seen(runs[0], number, told(number), b"%d" % number)
            kept.append(number)


class mounted:
    """A small disk of its own; skips the test where this user may not mount one."""

    def __init__(self, folder: Path, options: str) -> None:
        self.folder = folder
        self.options = options

    def __enter__(self) -> Path:
        self.folder.mkdir()
        command = ["mount", "-t", "tmpfs", "-o", self.options, "tmpfs", str(self.folder)]
        try:
            done = subprocess.run(command, capture_output=True, text=True, check=False)
        except FileNotFoundError:
            pytest.skip("a small disk is made with mount, which this system lacks")
        if done.returncode:
            pytest.skip(f"a small disk can't be mounted by this user: {done.stderr.strip()}")
        return self.folder

    def __exit__(self, *_: object) -> None:
        subprocess.run(["umount", str(self.folder)], check=True)


def test_a_database_that_stays_locked_is_told(tmp_path, setup):
    with Store.open(tmp_path, write=True, wait_s=0.05) as store:
        other = sqlite3.connect(tmp_path / "watcher.db", isolation_level=None)
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(BadStore, match="locked"):
            store.start_run("n", setup, "s", None, 1.0)
        other.rollback()
        other.close()
        assert store.start_run("n", setup, "s", None, 1.0) == 1


def test_a_damaged_database_is_told(tmp_path, setup, picture, told):
    with Store.open(tmp_path, write=True) as store:
        run = store.start_run("n", setup, "s", None, 1.0)
        for number in range(50):
            store.keep_frame(run, *picture(number))
            store.keep_seen(run, number, told(number))
        store.end_run(run, 2.0)
    content = bytearray((tmp_path / "watcher.db").read_bytes())
    content[4096:] = b"\xa5" * (len(content) - 4096)
    (tmp_path / "watcher.db").write_bytes(content)
    with (
        pytest.raises(BadStore, match="damaged"),
        Store.open(tmp_path, write=False) as store,
    ):
        store.runs()


def test_a_new_store_is_opened_by_many_at_once(tmp_path):
    """Switching to write-ahead logging, SQLite refuses at once where another opens or closes."""

    def often(_):
        for _ in range(25):
            with Store.open(tmp_path, write=True) as store:
                assert store.runs() == []

    with ThreadPoolExecutor(6) as pool:
        list(pool.map(often, range(6)))


def test_a_store_that_another_makes_at_this_moment_is_not_another_programs(tmp_path):
    """Between two reads of the new, still empty database somebody else makes its tables."""
    path = tmp_path / disk.DATABASE
    ours = disk.connect(path, write=True)

    class Meanwhile:
        """Ours, but that the other one comes in before the tables are looked for."""

        def execute(self, sql):
            return ours.execute(sql)

        def table_names(self):
            theirs = disk.connect(path, write=True)
            schema.migrate(theirs)
            theirs.close()
            return ours.table_names()

    assert schema.version(Meanwhile()) == 0
    assert schema.version(ours) == len(schema.MIGRATIONS)
    ours.close()
