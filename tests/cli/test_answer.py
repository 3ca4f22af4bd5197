"""What a person says from the command line is kept with the run, and a live watch hears it."""

import pytest

from watcher.records import Answer
from watcher.store import Store


def test_an_answer_goes_with_the_advice_that_stands(watcher, night, data):
    assert watcher("replay", night).exit_code == 0
    said = watcher("answer", 1, "still fine")
    assert said.exit_code == 0, said.output
    assert said.stdout == "Kept for run 1: still fine about right corner.\n"
    with Store.open(data, write=False) as store:
        (kept,) = store.answers(1)
    assert (kept.answer.said, kept.answer.kind, kept.answer.place) == (
        "still fine",
        "corner-lift",
        "right corner",
    )
    assert kept.heard is None


def test_another_kind_may_be_named(watcher, night, data):
    watcher("replay", night)
    said = watcher("answer", 1, "it is failing", "--kind", "spaghetti")
    assert "it is failing about spaghetti" in said.stdout
    with Store.open(data, write=False) as store:
        assert (store.answers(1)[0].answer.kind, store.answers(1)[0].answer.place) == (
            "spaghetti",
            "",
        )


@pytest.mark.parametrize(
    ("args", "said"),
    [
        ((7, "still fine"), "There is no run 7"),
        ((1, "fine"), "'still fine', 'it is failing', 'stopped'"),
        ((0, "still fine"), "0 is not in the range"),
    ],
)
def test_what_can_not_be_answered_is_told(watcher, night, args, said):
    watcher("replay", night)
    result = watcher("answer", *args)
    assert result.exit_code == 2
    assert said in result.stderr


def test_a_watch_hears_an_answer_before_its_next_picture(watcher, night, data):
    """Given between two pictures by another program, as the page does."""

    class Answering(type(watcher.judge)):
        def see(self, frame):
            if frame.index == 2:
                with Store.open(data, write=True) as store:
                    store.keep_answer(1, Answer("still fine", 5.0, "corner-lift", "right corner"))
            return super().see(frame)

    watcher.judge = Answering()
    assert watcher("replay", night).exit_code == 0
    assert watcher.judge.heard == [Answer("still fine", 5.0, "corner-lift", "right corner")]
    with Store.open(data, write=False) as store:
        assert [a.heard for a in store.answers(1)] == [3]


def test_settings_reach_the_judge_and_the_store(watcher, night, data, tmp_path):
    (tmp_path / "mine.toml").write_text("false_stops_per_100_nights = 3\n")
    assert watcher("replay", night, "--settings", tmp_path / "mine.toml").exit_code == 0
    assert watcher.weights.false_stops_per_100_nights == 3
    with Store.open(data, write=False) as store:
        assert store.plan(1).weights == watcher.weights
        assert [y.filament_mm for y in store.plan(1).toolpath.layers] == [
            y.filament_mm for y in watcher.toolpath.layers
        ]
    (tmp_path / "bad.toml").write_text("false_stops_per_100_nights = 0\n")
    said = watcher("replay", night, "--settings", tmp_path / "bad.toml")
    assert said.exit_code == 2
    assert "false_stops_per_100_nights is 0" in said.stderr
