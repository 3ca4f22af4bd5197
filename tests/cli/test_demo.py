"""``watcher demo`` and ``watcher page``: the shipped nights, and a page that comes up and ends."""

import os
import re
import signal
import subprocess
import sys
import urllib.request
from importlib.resources import files
from pathlib import Path

import pytest

NIGHTS = sorted(Path(str(files("watcher.sample_frames"))).glob("*/frames.csv"))
COMMAND = """
from stand_ins import ShadeJudge
from watcher.cli import Equipment, main
main(obj=Equipment(make_judge=lambda setup, toolpath, weights: ShadeJudge()))
"""

needs_nights = pytest.mark.skipif(not NIGHTS, reason="this copy holds no sample nights")


def ended_by_hand(*args):
    """Start the command, read the page at the address that it says, and end it with Ctrl-C."""
    tests = os.path.dirname(os.path.dirname(os.path.abspath(__file__)))
    process = subprocess.Popen(
        [sys.executable, "-c", COMMAND, *args, "--port", "0"],
        env={**os.environ, "PYTHONPATH": tests},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        said = ""
        while not (match := re.search(r"The page is at (\S+) ", said)):
            line = process.stdout.readline()
            assert line, process.stderr.read()
            said += line
        with urllib.request.urlopen(match[1], timeout=20) as answer:
            page = answer.read().decode()
        process.send_signal(signal.SIGINT)
        rest, complaint = process.communicate(timeout=30)
        assert "Traceback" not in complaint
        return process.returncode, said + rest, page
    finally:
        process.kill()
        process.wait()


@needs_nights
def test_summary_of_each_night_and_nothing_kept(watcher, tmp_path, monkeypatch):
    monkeypatch.setenv("TMPDIR", str(tmp_path))
    monkeypatch.setattr("tempfile.tempdir", None)
    result = watcher("demo", "--no-serve", keep=False)
    assert result.exit_code == 0, result.output
    for csv in NIGHTS:
        assert f"Night {csv.parent.name}:" in result.output
        count = len(csv.read_text().splitlines()) - 1
        assert f"{count} pictures looked at" in result.output
    assert not list(tmp_path.glob("watcher-demo-*"))


@needs_nights
def test_demo_ends_with_the_page_up():
    status, said, page = ended_by_hand("demo")
    assert status == 0
    assert "Ctrl-C" in said
    for csv in NIGHTS:
        assert csv.parent.name in page


def test_page_serves_what_was_kept(watcher, night, data):
    watcher("replay", night)
    status, _, page = ended_by_hand("page", "--data", str(data))
    assert status == 0
    assert "vent bracket" in page
