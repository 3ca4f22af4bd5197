"""Readings in texts: good ones read, bad ones named, none lost."""

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.conditions import BadReading, Band, Tail, departures, read_json, read_number, read_row
from watcher.store import Condition

NOW = 1_770_000_000.0


def test_an_object_with_both():
    found = read_json(
        '{"chamber_c": 61.5, "humidity_percent": "22", "time": 1769999990}', "left", "test", NOW
    )
    assert found == [
        Condition("left", "chamber_c", 1769999990.0, 61.5, "test"),
        Condition("left", "humidity_percent", 1769999990.0, 22.0, "test"),
    ]


@pytest.mark.parametrize(
    ("written", "utc_s"),
    [
        # ISO 8601; 2026-01-01T00:00:00Z is 1767225600 s after 1970 (20454 days).
        ("2026-01-01T00:00:00+00:00", 20454 * 86400),
        ("2026-01-01T02:00:00+02:00", 20454 * 86400),
        ("2026-01-01T00:00:00Z", 20454 * 86400),
    ],
)
def test_time_as_iso_8601(written, utc_s):
    (only,) = read_json(json.dumps({"chamber_c": 20, "time": written}), "", "test", NOW)
    assert only.utc_s == utc_s


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("", "not JSON"),
        ("61.5 C", "not JSON"),
        ("[1]", "not a JSON object"),
        ("[" * 3000, "not JSON"),
        ('{"temperature": 61}', "neither chamber_c nor"),
        ('{"chamber_c": "hot"}', "no number"),
        ('{"chamber_c": true}', "no number"),
        ('{"chamber_c": NaN}', "outside"),
        ('{"chamber_c": 1e9}', "outside"),
        ('{"humidity_percent": -1}', "outside"),
        ('{"chamber_c": 60, "time": "2026-01-01T00:00:00"}', "lacks its offset"),
        ('{"chamber_c": 60, "time": "yesterday"}', "neither ISO 8601"),
        ('{"chamber_c": 60, "time": 1.8e9}', "ahead of our clock"),
        ('{"chamber_c": 60, "time": -5}', "no time since 1970"),
        ('{"chamber_c": 60, "place": 7}', "no short text"),
        ('{"chamber_c": 60, "x": "' + "y" * 5000 + '"}', "longer"),
    ],
)
def test_bad_texts_say_why(text, why):
    with pytest.raises(BadReading, match=why):
        read_json(text, "", "test", NOW)


@given(st.text(max_size=200))
def test_any_text_is_read_or_refused(text):
    for read in (
        lambda: read_json(text, "", "test", NOW),
        lambda: read_number(text, "chamber_c", "", "test", NOW),
        lambda: read_row({"chamber_c": text, "time": text}, "", "test", NOW),
    ):
        try:
            assert all(-40 <= one.value <= 400 for one in read() if one.what == "chamber_c")
        except BadReading:
            continue


def test_a_bare_number():
    assert read_number(" 58.25\n", "chamber_c", "", "test", NOW)[0].value == 58.25


HEAD = "time,chamber_c,humidity_percent\n"


def test_a_csv_that_grows_is_read_line_by_line(tmp_path):
    file = tmp_path / "chamber.csv"
    tail = Tail(file)
    assert tail.rows() == []
    file.write_text(HEAD + "1769999000,60,20\n1769999010,61")
    assert [row for _, row in tail.rows()] == [
        {"time": "1769999000", "chamber_c": "60", "humidity_percent": "20"}
    ]
    with file.open("a") as more:
        more.write(",21\n\nbroken\n")
    rows = tail.rows()
    assert [line for line, _ in rows] == ["1769999010,61,21", "broken"]
    assert rows[1][1] is None
    assert tail.rows() == []


def test_a_csv_that_begins_anew_is_read_again(tmp_path):
    file = tmp_path / "chamber.csv"
    tail = Tail(file)
    file.write_text(HEAD + "1,60,20\n2,61,20\n")
    assert len(tail.rows()) == 2
    file.write_text(HEAD + "3,62,20\n")
    assert [row["time"] for _, row in tail.rows()] == ["3"]
    (tmp_path / "new").write_text(HEAD + "4,62,20\n5,62,20\n6,62,20\n")
    (tmp_path / "new").replace(file)
    assert [row["time"] for _, row in tail.rows()] == ["4", "5", "6"]


BAND = Band("chamber_c", 50.0, 70.0, patience_s=120.0)


def warm(values, step_s=60.0):
    return [Condition("", "chamber_c", n * step_s, v, "test") for n, v in enumerate(values)]


def test_heating_up_is_no_departure_and_falling_out_is():
    (only,) = departures(warm([20, 35, 49, 55, 60, 62, 48, 45, 42]), BAND)
    assert only.began_utc_s == 6 * 60
    assert only.ended_utc_s is None
    assert only.worst == 42
    assert "below its band of 50 to 70 °C" in only.sentence
    # From 62 °C in the sixth reading to 42 °C in the ninth, a minute each.
    assert "It fell from 62 °C in 3 min" in only.sentence


def test_one_bad_reading_is_forgiven():
    assert departures(warm([60, 60, 20, 60, 60]), BAND) == []


def test_it_comes_back():
    (only,) = departures(warm([60, 45, 44, 43, 44, 55]), BAND)
    assert only.ended_utc_s == 5 * 60


def test_too_hot_counts_even_before_it_was_in_its_band():
    (only,) = departures(warm([80, 82, 85, 84]), BAND)
    assert only.worst == 85
    assert "above its band" in only.sentence


@given(st.permutations(warm([60, 62, 48, 45, 42, 44, 61])))
def test_order_of_arrival_does_not_matter(shuffled):
    assert departures(shuffled, BAND) == departures(warm([60, 62, 48, 45, 42, 44, 61]), BAND)
