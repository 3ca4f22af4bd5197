"""A night as a user would look back at it: replayed by the command, scrubbed in a browser."""

import re
from pathlib import Path

from click.testing import CliRunner

from watcher.cli import main

ROOT = Path(__file__).parents[2]
NIGHTS = (ROOT.parent / "shared" / "nights" / "bracket-a", ROOT / "sample_frames" / "lift")


def test_a_replayed_night_is_scrubbed_to_its_stop(watched, serve, tmp_path_factory):
    night = next(place for place in NIGHTS if place.is_dir())
    data = tmp_path_factory.getbasetemp() / "replayed"
    if not data.exists():
        ran = CliRunner().invoke(main, ["replay", str(night), "--data", str(data)])
        assert ran.exit_code == 0, ran.output
    page = watched.page
    page.goto(serve(data) + "run/1")
    stop = page.locator("#moments a", has_text="Stop the print")
    stop.click()
    here = page.locator("#here")
    here.filter(has_text="Advice then: stop").wait_for()
    told = stop.inner_text()
    assert re.search(r"front right corner has lifted \d\.\d mm \(± \d\.\d mm\) off the bed", told)
    assert "began about" in told
    page.keyboard.press("Home")
    here.filter(has_text="Advice then: carry on").wait_for()
    assert page.locator("#picture").bounding_box()["width"] > 300
