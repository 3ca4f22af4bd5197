"""``watcher export``: a kept run as film, report and tables, and what is refused."""

import csv
import json

import av
import pytest

from watcher.store import Store


@pytest.fixture
def out(tmp_path):
    folder = tmp_path / "out"
    folder.mkdir()
    return folder


def test_all_four_are_made_at_once(watcher, night, out):
    assert watcher("replay", night).exit_code == 0
    names = {
        f"--{kind}": out / f"a.{ending}"
        for kind, ending in (
            ("video", "mp4"),
            ("report", "html"),
            ("csv", "csv"),
            ("json", "json"),
        )
    }
    line = [part for pair in names.items() for part in pair]
    result = watcher("export", 1, *line, "--pictures-per-second", 10)
    assert result.exit_code == 0, result.output
    # Seven pictures, the sixth flagged: 1.5 s for it, 0.2 s for each of the others.
    assert f"Written to {out / 'a.mp4'}: 27 frames, 2.7 s." in result.output
    with av.open(str(out / "a.mp4")) as film:
        assert film.streams.video[0].frames == 27
    assert "Stop the print: the right corner has lifted 2.2 mm" in (out / "a.html").read_text()
    with (out / "a.csv").open(newline="") as file:
        lifts = [row["value"] for row in csv.DictReader(file) if row["place"] == "right corner"]
    with Store.open(watcher.data, write=False) as store:
        (kept,) = [s.values for s in store.series(1) if s.place == "right corner"]
    assert [float(x) for x in lifts] == kept
    assert len(json.loads((out / "a.json").read_text())["pictures"]) == 7
    assert sorted(p.name for p in out.iterdir()) == ["a.csv", "a.html", "a.json", "a.mp4"]


def test_the_film_may_be_drawn_over(watcher, night, out):
    watcher("replay", night)
    result = watcher("export", 1, "--video", out / "a.mp4", "--drawn")
    assert result.exit_code == 0, result.output
    with av.open(str(out / "a.mp4")) as film:
        assert film.streams.video[0].width >= 1200


@pytest.mark.parametrize(
    ("what", "words"),
    [
        (("9", "--csv", "{out}/a.csv"), "No run 9 is kept there. See watcher runs"),
        (("2", "--video", "{out}/a.mp4"), "Run 2 holds no pictures."),
        (("2", "--report", "{out}/a.html"), "Run 2 holds no pictures."),
        (("1",), "Nothing to write was named. Add --video"),
        (("1", "--csv", "{out}/a.csv", "--drawn"), "--drawn is about a film."),
        (("1", "--video", "{out}/a.avi"), "is no MP4 film. End its name in .mp4."),
        (("1", "--csv", "{out}/a", "--json", "{out}/a"), "the same name"),
        (("1", "--csv", "{out}/a.csv", "--json", "{out}/no/a"), "can't be written. Name a file"),
        (("1", "--video", "{out}/a.mp4", "--pictures-per-second", "0"), "not in the range"),
        (("one", "--csv", "{out}/a.csv"), "'one' is not a valid integer"),
    ],
)
def test_bad_input_is_refused_in_words_and_nothing_is_written(watcher, night, out, what, words):
    watcher("replay", night)
    with Store.open(watcher.data, write=True) as store:
        store.end_run(store.start_run("empty", store.run(1).setup, "made up", None, 0.0), 0.0)
    result = watcher("export", *(part.format(out=out) for part in what))
    assert result.exit_code == 2
    assert words in " ".join(result.output.split())
    assert "Traceback" not in result.output
    assert not list(out.iterdir())


def test_a_broken_picture_is_left_out_and_named(watcher, night, out):
    watcher("replay", night)
    (watcher.data / "runs" / "1" / "frames" / "00002.jpg").write_bytes(b"no picture")
    result = watcher("export", 1, "--video", out / "a.mp4", "--pictures-per-second", 10)
    assert result.exit_code == 0
    assert "1 of the pictures can't be read and were left out: 00002.jpg." in result.output
    assert "25 frames" in result.output


def test_long_work_says_how_far_it_is(watcher, night, out, monkeypatch):
    monkeypatch.setattr("watcher.cli.REPORT_EVERY", 3)
    watcher("replay", night)
    result = watcher("export", 1, "--csv", out / "a.csv")
    assert "Making a.csv: 3 of 7 pictures" in result.output
    assert "Making a.csv: 6 of 7 pictures" in result.output
