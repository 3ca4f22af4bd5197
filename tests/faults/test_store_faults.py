"""What a disk and a database can do to a night: it is watched on, and people are told."""

import os
import sqlite3
import subprocess
import time

import pytest
from bedside.conftest import PRINTER, SETUP, Shades, Watch
from patience import wait_for
from sink import sink
from stand_ins import ShadeJudge, picture

from watcher.alarms import Delivery
from watcher.bedside import Hands
from watcher.config import Stop
from watcher.page import create_app
from watcher.records import Frame
from watcher.run import Label
from watcher.sources.clock import NightClock
from watcher.stopping import HttpRequest
from watcher.store import Book, Store, machine, thinning
from watcher.store.thinning import BESIDE_MOMENT, NEWEST, may_go
from watcher.tend import live_night
from watcher.trouble import FullDisk


@pytest.fixture
def told():
    messages = []

    def send(alarm):
        messages.append(alarm)
        return (Delivery("test", True),)

    send.messages = messages
    return send


@pytest.fixture
def small_disk(tmp_path):
    """A disk of 12 MB in memory."""
    folder = tmp_path / "small"
    folder.mkdir()
    if os.geteuid() != 0:
        pytest.skip("only root may mount a small disk")
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", "size=12m", "tmpfs", str(folder)],
        capture_output=True,
        check=False,
    )
    if done.returncode:
        pytest.skip("this machine does not let a small disk be mounted")
    yield folder
    subprocess.run(["umount", "-l", str(folder)], check=True)


def test_a_full_disk_thins_old_pictures_and_never_the_flagged(small_disk, told, monkeypatch):
    monkeypatch.setattr("watcher.store.Store.thin.__defaults__", (2_000_000,))
    monkeypatch.setattr(thinning, "NEWEST", 20)
    _pad(monkeypatch, 40_000)
    shades = [40 + n % 100 for n in range(60)] + [220] + [40 + n % 100 for n in range(300)]
    ended = Watch(small_disk / "kept")(shades, send=told)
    with Store.open(small_disk / "kept", write=False) as store:
        run = store.run(ended.run_id)
        assert store.thinned(run.id) > 50
        assert run.frames == len(shades), "every frame is accounted for"
        assert run.advice.level == "stop"
        flagged = store.moments(run.id)[0].moment.index
        left = {f.number: f.name for f in store.frames(run.id)}
        for number in range(flagged - BESIDE_MOMENT, flagged + BESIDE_MOMENT + 1):
            assert store.frame_path(run.id, left[number]).stat().st_size > 40_000
        assert store.frame_path(run.id, left[0])
        assert {len(shades) - 1 - n for n in range(20)} <= set(left)
        # Only pictures went: what was measured in them is there.
        gone = next(n for n in range(60) if n not in left)
        assert store.readings(run.id, gone)
        thinned = store.thinned(run.id)
    told_on_page = create_app(small_disk / "kept").test_client().get(f"/run/{run.id}/beside")
    assert f"{thinned} old pictures were deleted" in told_on_page.get_data(as_text=True)
    assert "STOP THE PRINT: left" in [m.title for m in told.messages]


def _pad(monkeypatch, size):
    """Make the tiny test pictures as heavy as real ones."""
    from watcher.sources import jpeg  # noqa: PLC0415

    encode = jpeg.encode
    monkeypatch.setattr(jpeg, "encode", lambda bgr: encode(bgr) + b"\0" * size)


def test_a_disk_that_stays_full_keeps_watching_and_alarming(small_disk, told, monkeypatch):
    _pad(monkeypatch, 40_000)
    filler = small_disk / "filler"

    def fill():
        with filler.open("wb", buffering=0) as file:
            try:
                while True:
                    file.write(b"x" * 4096)
            except OSError:
                pass

    def loud(urgency):
        return lambda: wait_for(lambda: [m for m in told.messages if m.urgency == urgency])

    watch = Watch(small_disk / "kept")
    ended = watch(
        [20, 30, fill, 40, 50, loud("trouble"), 220, 225, loud("stop"), filler.unlink, 60],
        send=told,
    )
    assert "can't be kept" in next(m.body for m in told.messages if m.urgency == "trouble")
    with Store.open(small_disk / "kept", write=False) as store:
        run = store.run(ended.run_id)
        numbers = [f.number for f in store.frames(run.id)]
        # What came while the disk was full is judged all the same; what came after is kept.
        assert numbers[0] == 0
        assert numbers[-1] == 6
        assert run.advice.level == "stop"


def test_a_store_that_can_not_be_written_does_not_keep_a_stop_from_being_made(
    tmp_path, monkeypatch
):
    def full(*_):
        raise FullDisk("The disk is full.")

    monkeypatch.setattr(Book, "begin_stop", full)
    with sink() as (port, got):
        watch = Watch(tmp_path / "kept")
        watch.with_stop(Stop(HttpRequest("POST", f"http://127.0.0.1:{port}/stop")))
        watch([20, 30])
        assert Hands(watch.config, watch.data).stop(1).ok
        armed = [20, lambda: watch.book(lambda b: b.arm(2, 0.0)), 220]
        watch([*armed, lambda: wait_for(lambda: len(got) == 2), 225])
    assert [request.path for request in got] == ["/stop", "/stop"]


def test_a_locked_store_does_not_hold_up_the_night(tmp_path, told, monkeypatch):
    monkeypatch.setattr("watcher.store.disk.WAIT_S", 0.2)
    monkeypatch.setattr("watcher.bedside.STORE_WAIT_S", 0.2)
    monkeypatch.setattr("watcher.store.Store.open.__func__.__kwdefaults__", {"wait_s": 0.2})
    other = []

    def lock():
        other.append(sqlite3.connect(tmp_path / "kept" / "watcher.db", isolation_level=None))
        other[0].execute("BEGIN IMMEDIATE")

    def unlock():
        wait_for(lambda: [m for m in told.messages if m.urgency == "stop"])
        other[0].rollback()
        other[0].close()

    ended = Watch(tmp_path / "kept")([20, 30, lock, 40, 220, unlock, 60], send=told)
    with Store.open(tmp_path / "kept", write=False) as store:
        run = store.run(ended.run_id)
        assert run.state == "finished"
        assert [f.number for f in store.frames(run.id)] == [0, 1, 4]
        assert run.advice.level == "stop"


def test_a_store_that_is_corrupted_in_the_night_is_an_alarm_and_the_stop_still_comes(
    tmp_path, told
):
    def spoil():
        for path in (tmp_path / "kept").glob("watcher.db*"):
            path.write_bytes(b"\xff" * 200_000)

    def loud(urgency):
        return lambda: wait_for(lambda: [m for m in told.messages if m.urgency == urgency])

    watch = Watch(tmp_path / "kept")
    shades = [20, 30, spoil, 40, 50, loud("trouble"), 220, 225, loud("stop"), 230]
    with pytest.raises(Exception, match=r"damaged|not a database|can't be used"):
        # The end can't be kept, and that is said.
        watch(shades, send=told)
    trouble = next(m for m in told.messages if m.urgency == "trouble")
    assert "can't be kept" in trouble.body
    pictures = sorted(p.name for p in (tmp_path / "kept").rglob("*.jpg"))
    assert "00001.jpg" in pictures


def test_a_wall_clock_that_jumps_does_no_harm(tmp_path, told, monkeypatch):
    """Set back by a day, forward by a year: elapsed time and signs of life do not notice."""
    now = time.time

    def jump(by_s):
        return lambda: monkeypatch.setattr(time, "time", lambda: now() + by_s)

    watch = Watch(tmp_path / "kept")
    seen = []

    def look():
        with Store.open(tmp_path / "kept", write=False) as store:
            seen.extend(store.book.signs())

    ended = watch([20, 30, jump(-86_400), 40, look, jump(365 * 86_400), 50, look, 60], send=told)
    with Store.open(tmp_path / "kept", write=False) as store:
        elapsed = [f.elapsed_s for f in store.frames(ended.run_id)]
        assert elapsed == sorted(elapsed)
        assert elapsed[-1] < 3600
    assert all(sign.fresh for sign in seen)


@pytest.mark.parametrize("by_s", [-7200.0, 7200.0])
def test_a_clock_that_is_set_while_the_watch_is_dead_does_not_move_the_print(
    tmp_path, by_s, monkeypatch
):
    label = Label("bracket", "made up", SETUP, None, watch="left")

    class Killed(BaseException):
        pass

    def kill():
        raise Killed

    def night(shades):
        with Store.open(tmp_path, write=True) as store:
            return live_night(
                store,
                label,
                lambda setup, toolpath, weights: ShadeJudge(),
                NightClock(),
                lambda clock: Shades(clock, shades),
            )

    with pytest.raises(Killed):
        night([20, 30, kill])
    now = time.time
    monkeypatch.setattr(time, "time", lambda: now() + by_s)
    ended = night([40, 50])
    with Store.open(tmp_path, write=False) as store:
        frames = store.frames(ended.run_id)
    assert len(frames) == 4, "the run goes on"
    assert 0 <= frames[2].elapsed_s - frames[1].elapsed_s < 3600


def test_after_a_power_cut_the_wall_clock_tells_how_long_it_was_dark(tmp_path, monkeypatch):
    with Store.open(tmp_path, write=True) as store:
        run = store.start_run("n", SETUP, "s", None, machine.utc_s() - 700, watch="left")
        frame = Frame(0, "00001.jpg", 100.0, picture(20), machine.utc_s() - 600)
        store.keep_frame(run, frame, b"x")
    monkeypatch.setattr(machine, "boot_id", lambda: "another start of the machine")
    with Store.open(tmp_path, write=True) as store:
        assert store.carry_on(run) == pytest.approx(700, abs=60)
    with Store.open(tmp_path, write=True) as store:
        assert store.book.signs() == []


def test_a_run_that_was_interrupted_long_ago_is_not_carried_on(tmp_path, monkeypatch):
    label = Label(PRINTER.name, "s", SETUP, None, watch="left")
    with Store.open(tmp_path, write=True) as store:
        run = store.start_run(label.name, SETUP, "s", None, 1.0, watch="left")
        store.keep_frame(run, Frame(0, "00001.jpg", 0.0, picture(20), machine.utc_s()), b"x")
    with Store.open(tmp_path, write=True) as store:
        assert store.interrupted(label.of_run(), None, 1800) == run
        later = machine.monotonic_s() + 3600
        monkeypatch.setattr(machine, "monotonic_s", lambda: later)
        assert store.interrupted(label.of_run(), None, 1800) is None


@pytest.mark.parametrize("keep_every", [2, 4, 16])
def test_the_policy_of_thinning(keep_every):
    numbers = list(range(1000))
    moments = [3, 500, 501, 960]
    gone = may_go(numbers, moments, keep_every)
    assert gone
    flagged = {m + d for m in moments for d in range(-BESIDE_MOMENT, BESIDE_MOMENT + 1)}
    assert not set(gone) & flagged
    assert 0 not in gone
    assert not [n for n in gone if n >= 1000 - NEWEST]
    assert not [n for n in gone if n % keep_every == 0]
    assert may_go(list(range(NEWEST)), [], keep_every) == []
