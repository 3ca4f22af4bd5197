"""Sheets of small pictures: what is on them, when they are kept, what thinning leaves of them."""

import artificial_pictures as made_up
import cv2
import numpy as np
import pytest

from watcher.store import GRAINS, Store, previews
from watcher.store.previews import COARSE, FINE, MIDDLE

SPAN = FINE.span


def decoded(sheet):
    return cv2.imdecode(np.frombuffer(sheet.jpeg, np.uint8), cv2.IMREAD_COLOR)


def cell(sheet, grain, place):
    """Mean colour of one cell of a sheet."""
    picture = decoded(sheet)
    width, height = grain.cell(made_up.SIZE)
    row, column = divmod(place, grain.columns)
    part = picture[row * height : (row + 1) * height, column * width : (column + 1) * width]
    return part[2:-2, 2:-2].mean(axis=(0, 1))


def files(folder):
    return sorted(p.name for p in folder.glob("runs/1/sheets/*"))


@pytest.fixture
def ended(tmp_path):
    made_up.fill(tmp_path, SPAN + 10)
    return tmp_path


def test_each_cell_holds_its_picture(ended):
    with Store.open(ended, write=False) as store:
        first, second = (store.sheet(1, FINE, n) for n in (0, 1))
        coarse = store.sheet(1, COARSE, 0)
    for place in (0, 1, 9, SPAN - 1):
        assert cell(first, FINE, place) == pytest.approx(made_up.colour(place), abs=6)
    assert cell(second, FINE, 3) == pytest.approx(made_up.colour(SPAN + 3), abs=6)
    assert cell(coarse, COARSE, 2) == pytest.approx(made_up.colour(32), abs=6)
    # Beyond the last picture it stays dark.
    assert cell(second, FINE, 20).max() < 20


def test_a_cell_has_the_pictures_own_shape_and_never_more_pixels():
    assert FINE.cell((1280, 720)) == (320, 180)
    assert FINE.cell((800, 600)) == (320, 240)
    assert MIDDLE.cell((1920, 1080)) == (160, 90)
    assert FINE.cell((160, 120)) == (160, 120)
    assert set(GRAINS) == {"fine", "middle", "coarse"}


@pytest.mark.parametrize("width", [100, 320, 333, 640, 1283])
def test_pictures_of_any_size_fill_their_cells(tmp_path, width):
    picture = np.full((width * 3 // 4, width, 3), 120, np.uint8)
    cv2.imwrite(str(tmp_path / "a.jpg"), picture)
    size = (width, width * 3 // 4)
    jpeg, lost = previews.made(tmp_path, {0: "a.jpg"}, FINE, 0, size)
    sheet = cv2.imdecode(np.frombuffer(jpeg, np.uint8), cv2.IMREAD_COLOR)
    w, h = FINE.cell(size)
    assert sheet.shape == (FINE.rows * h, FINE.columns * w, 3)
    assert sheet[2 : h - 2, 2 : w - 2].mean() == pytest.approx(120, abs=3)
    assert lost == []


def test_it_is_made_once(ended, monkeypatch):
    with Store.open(ended, write=False) as store:
        first = store.sheet(1, FINE, 0)
        assert first.lasting
        assert files(ended) == ["fine-160x90-00000.jpg"]
        monkeypatch.setattr(previews, "made", None)
        assert store.sheet(1, FINE, 0) == first


def test_the_tail_of_a_run_being_watched_is_not_kept(tmp_path):
    with Store.open(tmp_path, write=True) as store:
        run = made_up.begin(store)
        made_up.feed(store, run, range(SPAN + 3))
        assert store.sheet(run, FINE, 0).lasting
        tail = store.sheet(run, FINE, 1)
        assert not tail.lasting
        made_up.feed(store, run, range(SPAN + 3, SPAN + 5))
        later = store.sheet(run, FINE, 1)
        assert cell(tail, FINE, 4).max() < 20
        assert cell(later, FINE, 4) == pytest.approx(made_up.colour(SPAN + 4), abs=6)
        assert not store.sheet(run, COARSE, 0).lasting
        assert files(tmp_path) == ["fine-160x90-00000.jpg"]
        store.end_run(run, 2e9)
        assert store.sheet(run, FINE, 1).lasting
        assert store.sheet(run, COARSE, 0).lasting


def test_there_is_no_sheet_where_there_is_no_picture(ended):
    with Store.open(ended, write=False) as store:
        assert store.sheet(1, FINE, 2) is None
        assert store.sheet(99, FINE, 0) is None


def test_a_disk_without_room_still_serves(ended, monkeypatch):
    monkeypatch.setattr(previews.keep, "__defaults__", (2**60,))
    with Store.open(ended, write=False) as store:
        sheet = store.sheet(1, FINE, 0)
    assert cell(sheet, FINE, 1) == pytest.approx(made_up.colour(1), abs=6)
    assert not sheet.lasting
    assert files(ended) == []


def test_a_disk_that_fails_while_writing_leaves_no_half_sheet(ended, monkeypatch):
    def full(path, content):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("watcher.store.disk.write_file", full)
    with Store.open(ended, write=False) as store:
        assert not store.sheet(1, FINE, 0).lasting
    assert files(ended) == []


def test_a_picture_that_can_not_be_read_is_hatched_and_tried_again(ended):
    path = ended / "runs" / "1" / "frames" / made_up.name(3)
    kept = path.read_bytes()
    path.write_bytes(b"no picture")
    with Store.open(ended, write=False) as store:
        sheet = store.sheet(1, FINE, 0)
        assert not sheet.lasting
        hatched = decoded(sheet)[2:88, 3 * 160 + 2 : 4 * 160 - 2]
        assert hatched.std() > 5
        path.write_bytes(kept)
        assert cell(store.sheet(1, FINE, 0), FINE, 3) == pytest.approx(made_up.colour(3), abs=6)


def test_thinned_pictures_keep_their_preview(tmp_path):
    made_up.fill(tmp_path, 5 * SPAN)
    # More than there is, so that everything goes that may, and the previews stand in the way last.
    with Store.open(tmp_path, write=True) as store:
        gone = thin_pictures_alone(store)
        assert gone > SPAN
        assert store.thinned(1) == gone
        left = {frame.number for frame in store.frames(1)}
        lost = next(n for n in range(SPAN) if n not in left)
        sheet = store.sheet(1, FINE, 0)
        assert cell(sheet, FINE, lost) == pytest.approx(made_up.colour(lost), abs=6)
        reel = store.reel(1)
        assert [frame.number for frame in reel] == list(range(5 * SPAN))
        assert {frame.number for frame in reel if not frame.thinned} == left
        # What is left is enough for the coarse ones.
        assert cell(store.sheet(1, COARSE, 0), COARSE, 1) == pytest.approx(
            made_up.colour(16), abs=6
        )


def thin_pictures_alone(store):
    kept = previews.forget
    previews.forget = lambda folder: 0
    try:
        return store.thin(2**60)
    finally:
        previews.forget = kept


def test_previews_go_when_nothing_else_is_left(ended):
    with Store.open(ended, write=True) as store:
        store.sheet(1, FINE, 0)
        store.sheet(1, FINE, 1)
        assert len(files(ended)) == 2
        store.thin(2**60)
    assert files(ended) == []


def test_a_kill_between_file_and_row_costs_a_preview_at_most(ended):
    """Pictures of a sheet are gone, but the database does not know it yet."""
    for number in (4, 5):
        (ended / "runs" / "1" / "frames" / made_up.name(number)).unlink()
    with Store.open(ended, write=True) as store:
        assert not store.sheet(1, FINE, 0).lasting
        thin_pictures_alone(store)
        assert cell(store.sheet(1, FINE, 0), FINE, 6) == pytest.approx(made_up.colour(6), abs=6)
