"""Files are there whole or not at all."""

import errno

import pytest

from watcher.export.whole import written_whole
from watcher.trouble import BadExport


def test_the_file_is_in_its_place_only_at_the_end(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("old")
    with written_whole(path) as beside:
        beside.write_text("half")
        assert path.read_text() == "old"
    assert path.read_text() == "half"
    assert list(tmp_path.iterdir()) == [path]


@pytest.mark.parametrize(
    ("error", "raised", "words"),
    [
        (OSError(errno.ENOSPC, "No space left on device"), BadExport, "No space left on device"),
        (ValueError("a fault"), ValueError, "a fault"),
        (KeyboardInterrupt("ended"), KeyboardInterrupt, "ended"),
    ],
)
def test_nothing_half_written_stays(tmp_path, error, raised, words):
    path = tmp_path / "a.csv"
    path.write_text("old")

    def broken_off():
        with written_whole(path) as beside:
            beside.write_text("half")
            raise error

    with pytest.raises(raised, match=words):
        broken_off()
    assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]


def test_a_folder_in_its_place_is_told(tmp_path):
    (tmp_path / "a.csv").mkdir()
    with (
        pytest.raises(BadExport, match=r"a\.csv can't be written"),
        written_whole(tmp_path / "a.csv") as beside,
    ):
        beside.write_text("half")
    assert [p.name for p in tmp_path.iterdir()] == ["a.csv"]
