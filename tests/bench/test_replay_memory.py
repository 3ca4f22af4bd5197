"""Peak memory of a replay: below 300 MB, and the same for four times as many frames."""

import os
import shutil
import subprocess
import sys

import pytest
from long_night import write_night

SHORT, LONG = 150, 600
MOST_MB, SLACK_MB = 300.0, 20.0

RUN = """
import resource, sys
from watcher.cli import main
try:
    main(sys.argv[1:], prog_name="watcher")
except SystemExit as end:
    if end.code:
        raise
print("peak_kb", resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


def peak_mb(folder, count):
    """Megabytes that a replay of so many frames holds at most."""
    write_night(folder / "night", count)
    command = [sys.executable, "-c", RUN, "replay", str(folder / "night")]
    command += ["--data", str(folder / "data"), "--json", str(folder / "out.json")]
    done = subprocess.run(command, capture_output=True, text=True, check=False, env=os.environ)
    assert done.returncode == 0, done.stderr
    kept = done.stdout.rpartition("peak_kb")[2]
    shutil.rmtree(folder)
    return float(kept) / 1024


@pytest.mark.skipif(sys.platform == "win32", reason="peak memory is asked for in the POSIX way")
def test_memory_stays_flat(tmp_path):
    short, long = peak_mb(tmp_path / "short", SHORT), peak_mb(tmp_path / "long", LONG)
    print(f"\npeak memory: {short:.0f} MB for {SHORT} frames, {long:.0f} MB for {LONG}")
    assert long < MOST_MB
    assert long - short < SLACK_MB
