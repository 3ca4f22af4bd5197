"""Deleting runs in the terminal, and bringing them back."""

import artificial_run
import pytest
from click.testing import CliRunner

from watcher.cli import main
from watcher.store import REMOVED_AFTER_S, Store, machine


@pytest.fixture
def say(tmp_path):
    artificial_run.keep_two(tmp_path)

    def run(*words):
        done = CliRunner().invoke(main, [*words, "--data", str(tmp_path)])
        assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
        return done

    return run


def test_a_deleted_run_is_in_no_list_and_no_sum_and_comes_back(say):
    assert "watcher delete --undo 1" in say("delete", "1").output
    assert "Bracket 1" not in say("runs").output
    assert "Bracket 1" in say("runs", "--deleted").output
    assert "Bracket 2" not in say("runs", "--deleted").output
    assert "0 of 2 failed" in say("cost").output
    assert say("delete", "--undo", "1").output == "Run 1, Bracket 1, is back.\n"
    assert "Bracket 1" in say("runs").output
    assert "1 of 3 failed" in say("cost").output


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("delete", "2", "99"), "There is no run 99."),
        (("delete", "--undo", "2"), "Run 2 is not deleted."),
        (("delete",), "RUN"),
        (("delete", "0"), "RUN"),
        (("delete", "9" * 30), "RUN"),
    ],
)
def test_what_cannot_be_is_told_and_nothing_is_touched(say, words, told):
    done = say(*words)
    assert done.exit_code == 2
    assert told in done.output
    assert say("runs", "--deleted").output.startswith("No deleted runs")


def test_twice_is_told(say):
    say("delete", "2")
    assert "deleted already" in say("delete", "2").output


def test_what_is_being_watched_cannot_be_deleted(say, tmp_path):
    with Store.open(tmp_path, write=True) as store:
        store.start_run("Live", artificial_run.SETUP, "made up", None, 1.8e9)
        done = say("delete", "4", "1")
        assert done.exit_code == 2
        assert "Run 4 is being watched." in done.output
        assert "Bracket 1" in say("runs").output


def test_what_is_removed_for_good_is_told_with_its_room(say, monkeypatch):
    say("delete", "1")
    later = machine.utc_s() + REMOVED_AFTER_S + 1
    monkeypatch.setattr(machine, "utc_s", lambda: later)
    assert "Removed for good: run 1, Bracket 1; " in say("delete", "2").output


def test_a_mistyped_folder_does_not_come_to_be(tmp_path):
    done = CliRunner().invoke(main, ["delete", "1", "--data", str(tmp_path / "mistyped")])
    assert done.exit_code == 2
    assert "There is no run 1." in done.output
    assert not (tmp_path / "mistyped").exists()
