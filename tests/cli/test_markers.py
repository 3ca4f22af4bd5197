"""``watcher markers`` writes a page that can be printed, or says why not."""

from click.testing import CliRunner

from watcher.cli import main
from watcher.scene.fiducials import sheet


def test_the_page_is_written(tmp_path):
    out = tmp_path / "markers.svg"
    result = CliRunner().invoke(main, ["markers", "--out", str(out), "--side", "30"])
    assert result.exit_code == 0
    assert "full size" in result.output
    assert out.read_text(encoding="utf-8") == sheet(30.0)


def test_a_folder_that_is_not_there_is_told(tmp_path):
    result = CliRunner().invoke(main, ["markers", "--out", str(tmp_path / "no" / "m.svg")])
    assert result.exit_code == 2
    assert "can't be written" in result.output
    assert "Traceback" not in result.output
