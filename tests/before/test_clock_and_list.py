"""When it ends, when nobody looks, and the printed list."""

from datetime import UTC, datetime, time
from zoneinfo import ZoneInfo

import pytest

from watcher.before import Item, Sheet, hours_unwatched
from watcher.before.clock import USUAL_PACE, learnt_pace

ATHENS = ZoneInfo("Europe/Athens")


def spans(begin, end, watched):
    return [
        (h.begin.strftime("%d %H:%M"), h.end.strftime("%d %H:%M"))
        for h in hours_unwatched(begin, end, watched)
    ]


def test_a_night_between_two_watched_days():
    begin, end = datetime(2026, 3, 3, 20, tzinfo=UTC), datetime(2026, 3, 4, 9, tzinfo=UTC)
    assert spans(begin, end, (time(7), time(23))) == [("03 23:00", "04 07:00")]


def test_watched_hours_over_midnight():
    begin, end = datetime(2026, 3, 3, 20, tzinfo=UTC), datetime(2026, 3, 4, 4, tzinfo=UTC)
    assert spans(begin, end, (time(22), time(1))) == [
        ("03 20:00", "03 22:00"),
        ("04 01:00", "04 04:00"),
    ]


def test_nobody_ever_looks_and_everybody_always():
    begin, end = datetime(2026, 3, 3, 20, tzinfo=UTC), datetime(2026, 3, 4, 4, tzinfo=UTC)
    assert spans(begin, end, (time(8), time(8))) == [("03 20:00", "04 04:00")]
    assert spans(begin, datetime(2026, 3, 3, 22, tzinfo=UTC), (time(8), time(23))) == []


def test_a_lost_hour_in_spring_is_no_hour():
    """Clocks in Greece went from 03:00 to 04:00 on 29 March 2026 (EU directive 2000/84/EC)."""
    begin = datetime(2026, 3, 28, 22, tzinfo=ATHENS)
    end = datetime(2026, 3, 29, 9, tzinfo=ATHENS)
    (only,) = hours_unwatched(begin, end, (time(7), time(23)))
    real = only.end.astimezone(UTC) - only.begin.astimezone(UTC)
    assert real.total_seconds() == 7 * 3600


@pytest.mark.parametrize(
    ("paces", "pace"), [([], USUAL_PACE), ([1.2], 1.2), ([1.02, 1.08, 1.03, 1.4], 1.055)]
)
def test_pace_is_the_median_of_earlier_runs(paces, pace):
    found, sigma = learnt_pace(paces)
    assert found == pytest.approx(pace)
    assert sigma > 0


def test_what_is_not_ready_stands_first():
    sheet = Sheet(
        "A part",
        (
            Item("end", "to know", "At noon."),
            Item("camera", "ready", "Sharp."),
            Item("stop", "not tested", "Never."),
            Item("filament", "not ready", "It runs out.", ("Take another.",)),
        ),
        ("No fire alarm.",),
    )
    assert not sheet.ready
    assert sheet.verdict() == "Not ready: filament. Not tested: stop."
    lines = sheet.lines()
    marks = [line[:3] for line in lines if line[:3] in ("[ ]", "[?]", "[x]", " - ")]
    assert marks == ["[ ]", "[?]", "[x]", " - "]
    assert lines[-1] == "No fire alarm."


def test_untested_does_not_forbid_but_is_said():
    sheet = Sheet("A part", (Item("alarm", "not tested", "Never."),))
    assert sheet.ready
    assert sheet.verdict() == "Nothing stands against it. Not tested: alarm."
