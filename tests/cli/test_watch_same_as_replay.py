"""A whole night with the real judge: live from an MJPEG stream it comes to what replay comes to."""

import csv
import json
from pathlib import Path

import pytest
from click.testing import CliRunner
from stage import Stage, read_page
from stand_ins import http_server

from watcher.cli import Equipment, main
from watcher.store import Store

HOUSE = Path(__file__).resolve().parents[2]
NIGHTS = (HOUSE / "sample_frames" / "lift", HOUSE.parent / "shared" / "nights" / "bracket-a")


@pytest.fixture
def night():
    for folder in NIGHTS:
        if (folder / "frames.csv").is_file():
            return folder
    pytest.skip("this copy holds no night on which a corner lifts")


def run(*args, equipment=None):
    result = CliRunner().invoke(main, list(map(str, args)), obj=equipment or Equipment())
    assert result.exit_code == 0, result.output
    return result.output


def test_watch_comes_to_the_same_stop_and_the_page_shows_it_live(night, tmp_path, free_port):
    data, out = tmp_path / "kept", tmp_path / "out.json"
    run("replay", night, "--json", out, "--data", data)
    record = json.loads(out.read_text())
    assert record["stop"] is not None
    assert record["stop"]["kind"] == "corner-lift"

    with (night / "frames.csv").open(newline="") as file:
        rows = sorted((row["file"], float(row["elapsed_s"])) for row in csv.DictReader(file))
    names = [name for name, _ in rows]
    last = len(rows) - 1
    pages = []

    def look(shown):
        if shown == last:
            pages.extend(read_page(free_port, path) for path in ("/", "/run/2", "/api/run/2"))

    stage = Stage(
        [(night / "frames" / name).read_bytes() for name in names], [t for _, t in rows], look
    )
    with http_server(stage.stream) as url:
        said = run(
            *("watch", "--source", url, "--setup", night / "setup.json"),
            *("--toolpath", night / "part.gcode", "--data", data, "--port", free_port),
            equipment=Equipment(make_clock=lambda: stage),
        )

    with Store.open(data, write=False) as store:
        live, replayed = store.runs()
        if live.id == 1:
            live, replayed = replayed, live
        assert (replayed.id, live.id) == (1, 2)
        assert live.frames == replayed.frames == len(rows)
        assert store.advice(live.id) == store.advice(replayed.id)
        stop = next(a for a in store.advice(live.id) if a.advice.level == "stop")
        for number in range(len(rows)):
            assert store.readings(live.id, number) == store.readings(replayed.id, number)
    assert names[stop.number] == record["stop"]["file"]
    assert rows[stop.number][1] == record["stop"]["elapsed_s"]
    assert stop.advice.sentence == record["stop"]["sentence"]

    assert f": {stop.advice.sentence}" in said.split("\a", 1)[1]
    prints, timelapse, api = pages
    assert "being watched now" in prints
    assert stop.advice.sentence.partition(": ")[2] in timelapse.replace("&#39;", "'")
    told = json.loads(api)
    assert told["watching"]
    assert told["advice"]["level"] == "stop"
    assert len(told["frames"]) == len(rows)
