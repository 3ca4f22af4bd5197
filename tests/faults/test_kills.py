"""SIGKILL at moments that chance chooses: at most the picture in flight is lost, and the run goes
on with its evidence intact.
"""

import json
import subprocess
import sys
from pathlib import Path

import pytest

KILLS = 200
MEMORY = Path("/dev/shm")
"""What SIGKILL does does not depend on the disk, and a disk in memory is quick."""


def killed(folder, kills, seed):
    here = Path(__file__).resolve().parent
    done = subprocess.run(
        [sys.executable, str(here / "kills.py"), str(folder), str(kills), str(seed)],
        env={"PYTHONPATH": str(here.parent)},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


@pytest.fixture
def folder(tmp_path):
    if not MEMORY.is_dir():
        return tmp_path
    path = MEMORY / tmp_path.name
    path.mkdir()
    yield path
    subprocess.run(["rm", "-r", str(path)], check=True)


def check(result, kills):
    assert result["most lost by one kill"] <= 1
    assert result["kept"] > kills, "it must have watched between the kills"
    assert result["numbers without a gap"]
    assert result["names"] == result["kept"]
    assert len(result["unjudged"]) <= 1
    assert result["unjudged"] in ([], [result["kept"] - 1])
    assert result["same advice"] == result["kept"] - len(result["unjudged"])
    assert result["carried state is of"] == result["carried state has seen"] > 0
    assert result["database"] == "ok"


def test_at_most_the_picture_in_flight_is_lost_and_the_evidence_goes_on(folder):
    check(killed(folder, KILLS, 20261125), KILLS)
