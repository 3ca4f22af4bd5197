"""Recorded nights: whole, damaged, and none at all."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from stand_ins import SIZE, jpeg, shade_of

from watcher.sources.night import NightFolder, settle_times
from watcher.sources.taken import Missed, Taken
from watcher.trouble import BadNight


@pytest.fixture
def night(tmp_path):
    """Six frames, ten seconds apart, in shades 10, 20 ..."""
    (tmp_path / "frames").mkdir()
    rows = ["file,elapsed_s"]
    for n in range(1, 7):
        (tmp_path / "frames" / f"{n:05d}.jpg").write_bytes(jpeg(10 * n))
        rows.append(f"{n:05d}.jpg,{10.0 * n}")
    write_rows(tmp_path, rows)
    return tmp_path


def write_rows(night, rows):
    (night / "frames.csv").write_text("\n".join(rows) + "\n")


def read_rows(night):
    return (night / "frames.csv").read_text().splitlines()


def items(night):
    source = NightFolder(night, SIZE)
    got = list(source.pictures())
    assert source.total == len(got)
    return source, got


def times(got):
    return [(item.name, item.elapsed_s) for item in got if isinstance(item, Taken)]


def test_gives_each_frame_once_in_order_with_its_time(night):
    source, got = items(night)
    assert times(got) == [(f"{n:05d}.jpg", 10.0 * n) for n in range(1, 7)]
    assert [shade_of(item) for item in got] == [10, 20, 30, 40, 50, 60]
    assert got[2].jpeg == (night / "frames" / "00003.jpg").read_bytes()
    assert source.remarks == ()


def test_a_bad_frame_is_skipped_with_its_reason(night):
    whole = jpeg(30)
    frames = night / "frames"
    (frames / "00002.jpg").write_bytes(whole[: len(whole) // 2])
    (frames / "00003.jpg").write_bytes(b"")
    (frames / "00004.jpg").write_bytes(b"\0" * 500)
    (frames / "00005.jpg").write_bytes(jpeg(50, (48, 32)))
    _, got = items(night)
    assert [(i.name, i.reason, i.wrong_size) for i in got if isinstance(i, Missed)] == [
        ("00002.jpg", "the picture is cut short", False),
        ("00003.jpg", "the file is empty", False),
        ("00004.jpg", "it is neither JPEG nor PNG", False),
        ("00005.jpg", "it is 48 by 32 pixels, but the setup says 96 by 64", True),
    ]
    assert [t[0] for t in times(got)] == ["00001.jpg", "00006.jpg"]


def test_a_missing_row_is_filled_from_its_neighbours_and_said(night):
    rows = read_rows(night)
    write_rows(night, rows[:3] + rows[5:])  # without 3 and 4
    source, got = items(night)
    assert times(got) == [(f"{n:05d}.jpg", 10.0 * n) for n in range(1, 7)]
    assert len(source.remarks) == 1
    assert "00003.jpg and 00004.jpg" in source.remarks[0]


def test_missing_rows_at_the_ends_leave_those_frames_out(night):
    rows = read_rows(night)
    write_rows(night, [rows[0], *rows[2:-1]])
    _, got = items(night)
    assert [t[0] for t in times(got)] == [f"{n:05d}.jpg" for n in range(2, 6)]
    missed = [i for i in got if isinstance(i, Missed)]
    assert [i.name for i in missed] == ["00001.jpg", "00006.jpg"]
    assert "no time" in missed[0].reason


def test_disordered_rows_are_sorted_and_said(night):
    rows = read_rows(night)
    write_rows(night, [rows[0], *rows[:0:-1]])
    source, got = items(night)
    assert times(got) == [(f"{n:05d}.jpg", 10.0 * n) for n in range(1, 7)]
    assert "out of order" in source.remarks[0]


@pytest.mark.parametrize("wrong", ["5", "1e9", "nan", "inf", "-3", "soon", ""])
def test_one_wrong_time_is_replaced(night, wrong):
    rows = read_rows(night)
    rows[3] = f"00003.jpg,{wrong}"
    write_rows(night, rows)
    source, got = items(night)
    assert dict(times(got))["00003.jpg"] == 30.0
    assert any("00003.jpg" in remark for remark in source.remarks)


def test_row_without_picture_and_row_twice(night):
    rows = read_rows(night)
    write_rows(night, [*rows, "00004.jpg,999", "../../elsewhere.jpg,70"])
    source, got = items(night)
    assert dict(times(got))["00004.jpg"] == 40.0
    missed = [i for i in got if isinstance(i, Missed)]
    assert [i.name for i in missed] == ["../../elsewhere.jpg"]
    assert any("twice" in remark for remark in source.remarks)


def test_times_that_run_back_and_forth_are_refused(night):
    rows = ["file,elapsed_s", *(f"{n:05d}.jpg,{100 - 10 * n}" for n in range(1, 7))]
    write_rows(night, rows)
    with pytest.raises(BadNight, match="back and forth: only 1 of 6"):
        NightFolder(night, SIZE)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda night: (night / "frames.csv").unlink(), "has no frames.csv"),
        (lambda night: (night / "frames.csv").write_text(""), "does not begin with"),
        (lambda night: (night / "frames.csv").write_text("a,b\n1,2\n"), "does not begin with"),
        (lambda night: (night / "frames.csv").write_text("file,elapsed_s\n"), "no time"),
        (lambda night: (night / "frames.csv").write_bytes(b"\xff\xfe\x00\x81" * 9), "not a table"),
        (lambda night: [p.unlink() for p in (night / "frames").iterdir()], "holds no JPEG"),
        (lambda night: (night / "frames").rename(night / "pictures"), "no folder frames/"),
    ],
)
def test_what_is_no_night_is_refused(night, change, says):
    change(night)
    with pytest.raises(BadNight, match=says) as caught:
        NightFolder(night, SIZE)
    assert "\n" not in str(caught.value)


def test_missing_and_empty_folder(tmp_path):
    with pytest.raises(BadNight, match="no folder"):
        NightFolder(tmp_path / "none", SIZE)
    with pytest.raises(BadNight, match="no folder frames/"):
        NightFolder(tmp_path, SIZE)


def test_hidden_files_beside_the_frames_are_passed_over(night):
    (night / "frames" / "._00001.jpg").write_bytes(b"resource fork")
    _, got = items(night)
    assert [i.name for i in got] == [f"{n:05d}.jpg" for n in range(1, 7)]


@given(st.lists(st.one_of(st.none(), st.floats(0, 1e6)), min_size=1, max_size=40))
def test_settled_times_always_rise(recorded):
    names = [f"{n:03d}.jpg" for n in range(len(recorded))]
    try:
        settled, _ = settle_times(names, dict(zip(names, recorded, strict=True)))
    except BadNight:
        return
    in_order = [settled[name] for name in names if name in settled]
    assert all(math.isfinite(t) for t in in_order)
    assert in_order == sorted(in_order)
    kept = [t for name, t in zip(names, recorded, strict=True) if settled.get(name) == t]
    assert len(kept) * 2 >= sum(t is not None for t in recorded)
