"""The commands before and after a print, as a person types them."""

import json
from datetime import datetime, timedelta
from pathlib import Path

import artificial_run
import pytest
from click.testing import CliRunner

from watcher.cli import main
from watcher.store import Store

SAMPLE = Path(__file__).resolve().parents[2] / "sample_frames" / "lift"
SLICED = Path(__file__).resolve().parents[1] / "toolpath" / "data" / "settings_brim_1_75.gcode"


@pytest.fixture
def watcher(tmp_path):
    def run(*words, status=0):
        result = CliRunner().invoke(main, [*map(str, words), "--data", str(tmp_path / "kept")])
        assert result.exit_code == status, result.output
        return result.output

    return run


@pytest.fixture
def black(watcher):
    watcher(
        *("spool", "add", "black", "--material", "pa6-cf", "--marked", 750),
        *("--empty", 210, "--price", 62, "--density", 1.16),
    )
    return "black"


def test_a_spool_is_weighed_dried_and_listed(watcher, black):
    # 500 g / (2.40528 mm² * 1.16 mg/mm³) = 179.2 m
    assert "179.2 ±" in watcher("spool", "weigh", black, 710)
    assert "at 80 °C for 8 h" in watcher("spool", "dry", black, "--hours", 8, "--celsius", 80)
    listed = watcher("spool", "list")
    assert "black: PA-CF, 1.75 mm; 179.2" in listed
    assert "dried" in listed


def test_too_hot_a_drying_is_remarked(watcher, black):
    assert "70 to 90 °C" in watcher("spool", "dry", black, "--hours", 8, "--celsius", 140)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("spool", "add", "x", "--material", "wood"), "not in the table"),
        (("spool", "add", "black", "--material", "PLA"), "already"),
        (("spool", "weigh", "black", 100), "less than the 210 g"),
        (("spool", "weigh", "white", 100), "There are: black"),
        (("note", 7, "--bed", "washed"), "no run 7"),
        (("note", 7, "--used", 3), "--spool"),
        (("compare", 1), "two runs or more"),
        (("compare", 1, 2), "no run 1"),
        (("before", "none.gcode", "--material", "PLA"), "no G-code file"),
        (("before", SLICED), "--spool or --material"),
        (("before", SLICED, "--material", "PLA", "--start", "late"), "07:00"),
        (("before", SLICED, "--material", "PLA", "--watched", "all day"), "07:00-23:00"),
        (("before", SLICED, "--material", "PLA", "--picture", SLICED), "--setup"),
        (("chamber", "--band", 70, 50), "Give low, then high"),
        (("chamber", "--mqtt", "shop"), "--topic"),
    ],
)
def test_what_can_be_mended_is_one_sentence(watcher, black, words, says):
    output = watcher(*words, status=2)
    assert says in output
    assert "Traceback" not in output


def test_a_weight_that_can_t_be_is_not_kept(watcher, black):
    watcher("spool", "weigh", black, 100, status=2)
    assert "counted down" in watcher("spool", "list")


def test_the_list_before_a_print(watcher, black):
    watcher("spool", "weigh", black, 221)
    output = watcher(
        *("before", SAMPLE / "part.gcode", "--spool", black, "--setup", SAMPLE / "setup.json"),
        *("--picture", SAMPLE / "frames" / "00001.jpg", "--start", "21:40"),
        *("--watched", "07:00-22:30"),
    )
    lines = output.splitlines()
    assert lines[1] == "Not ready: filament, drying. Not tested: alarm, stop."
    # 11 g / (2.40528 * 1.16 mg) = 3.94 m of the 12.3 m: a third of 64 layers less those at the
    # foot, which take more.
    assert "[ ] filament: It runs out at layer" in output
    assert "4 of 4 are seen" in output
    assert "Nobody looks: " in output


def test_the_list_as_json_and_kept_for_the_page(watcher, tmp_path):
    output = watcher("before", SLICED, "--material", "PLA", "--json")
    sheet = json.loads(output)
    assert {item["name"] for item in sheet["items"]} >= {"filament", "drying", "warp", "end"}
    with Store.open(tmp_path / "kept", write=False) as store:
        assert store.ledger.newest_sheet()[1] == sheet


def test_a_time_of_day_that_is_past_means_tomorrows(watcher):
    past = datetime.now() - timedelta(hours=2)
    begin = past + timedelta(days=1)
    output = watcher("before", SLICED, "--material", "PLA", "--start", f"{past:%H:%M}")
    assert f"{begin:%d %B %Y %H:%M}" in output.splitlines()[0]


def test_another_picture_than_the_setups_is_told(watcher, tmp_path):
    (tmp_path / "x.jpg").write_bytes(b"no picture")
    words = ("before", SLICED, "--material", "PLA", "--setup", SAMPLE / "setup.json", "--picture")
    assert "is no picture" in watcher(*words, tmp_path / "x.jpg", status=2)


@pytest.fixture
def two_runs(watcher, tmp_path):
    artificial_run.keep_two(tmp_path / "kept")


def test_runs_are_compared_and_the_next_change_named(watcher, two_runs, black):
    output = watcher("compare", 2, 1)
    assert "brim_width: 8 -> 0" in output
    assert "layer_height" not in output
    assert "change only this: a brim of 8 mm" in output


def test_a_series_names_those_without_outcome(watcher, two_runs):
    watcher("note", 1, "--outcome", "failed")
    watcher("note", 2, "--outcome", "good")
    output = watcher("compare", 1, 2, 3)
    assert "1 of 3 runs have no outcome" in output
    assert "Fisher" in output


def test_what_a_run_took_is_counted_from_its_spool_and_costs(watcher, two_runs, black):
    # 6 m / 750 g of 268.8 m leave 262.8 m; 6 m are 16.7 g and 1.04 at 62 a kg.
    watcher("note", 1, "--spool", black, "--used", 6, "--outcome", "failed", "--bed", "glue")
    assert "262.8 ±" in watcher("spool", "list")
    # Said twice, it is counted once.
    watcher("note", 1, "--spool", black, "--used", 6)
    assert "262.8 ±" in watcher("spool", "list")
    output = watcher("cost")
    assert "1 of 3 failed" in output
    assert "17 g, 1.04" in output


def test_settings_of_the_program_are_kept_with_a_replayed_run(watcher, tmp_path):
    """The sample has no settings of its own: give it some."""
    night = artificial_run.small_night(tmp_path / "night", settings={"brim_width": "8"})
    watcher("replay", night)
    with Store.open(tmp_path / "kept", write=False) as store:
        job = store.ledger.job(1)
    assert job.settings == {"brim_width": "8"}
    assert job.facts["span_mm"] == pytest.approx(28.9, abs=0.3)  # of a 20 mm square and its lines
