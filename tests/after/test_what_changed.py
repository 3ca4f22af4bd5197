"""Settings that differ, runs side by side by layer, the next change, and the month's sums."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.after import Spent, by_layer, by_month, changes, step_through, suggest, varying
from watcher.after.changes import same

FIRST = {"layer_height": "0.20", "brim_width": "0", "nozzle temp": "250", "total layers": "60"}


def test_only_what_differs_is_listed():
    found = changes(FIRST, FIRST | {"layer_height": "0.2", "brim_width": "8", "total layers": "61"})
    assert [(c.key, c.before, c.after) for c in found.settings] == [("brim_width", "0", "8")]
    assert [c.key for c in found.reckoned] == ["total layers"]
    assert found.warning() == ""


def test_more_than_one_change_is_warned_of():
    found = changes(FIRST, {"layer_height": "0.3", "brim_width": "8", "fan": "20%"})
    assert {c.key for c in found.settings} == {"layer_height", "brim_width", "fan", "nozzle temp"}
    assert found.warning().startswith("4 things changed at once")


def test_no_change_is_said_too():
    assert "Nothing that is recorded changed" in changes(FIRST, FIRST).warning()


@pytest.mark.parametrize(
    ("a", "b", "alike"),
    [
        ("0.20", "0.2", True),
        ("20%", "20 %", True),
        ("20%", "20", False),
        ("rectilinear", "rectilinear ", True),
        ("1e3", "1000", False),
        ("", "0", False),
        ("0,20", "0.20", False),
    ],
)
def test_values_that_say_the_same(a, b, alike):
    assert same(a, b) is alike


@given(
    st.dictionaries(st.text(min_size=1), st.text()), st.dictionaries(st.text(min_size=1), st.text())
)
def test_changes_are_the_same_both_ways(a, b):
    there, back = changes(a, b), changes(b, a)
    assert [c.key for c in there.settings] == [c.key for c in back.settings]
    assert [(c.before, c.after) for c in there.settings] == [
        (c.after, c.before) for c in back.settings
    ]


def test_series_lists_what_is_not_the_same_everywhere():
    runs = [FIRST, FIRST | {"brim_width": "8"}, FIRST | {"brim_width": "8.0"}]
    assert varying(runs) == {"brim_width": ("0", "8", "8.0")}


def test_readings_of_a_layer_are_weighted_by_their_errors():
    # By hand: (1 / 0.1² + 2 / 0.2²) / (1 / 0.1² + 1 / 0.2²) = (100 + 50) / 125 = 1.2
    points = by_layer(
        [0, 1, 2, 3], [1.0, 2.0, None, 5.0], [0.1, 0.2, None, 0.1], {0: 4, 1: 4, 2: 5, 3: 6}
    )
    assert [(p.layer, p.sigma) for p in points] == [(4, 0.1), (6, 0.1)]
    assert points[0].value == pytest.approx(1.2)


def test_two_runs_step_by_layer_whatever_their_pace():
    a = {0: 1, 1: 2, 2: 2, 3: 4}
    b = {0: 2, 1: 3, 2: 4, 3: 4, 4: 5}
    assert step_through(a, b) == [(1, 0, None), (2, 2, 0), (3, 2, 1), (4, 3, 3), (5, 3, 4)]


def test_the_next_change_is_single_has_a_reason_and_was_not_tried():
    first = suggest("corner-lift", {"brim_width": "0"})
    assert "brim" in first.change
    assert first.reason
    assert first.source
    second = suggest("corner-lift", {"brim_width": "8"})
    assert "chamber" in second.change
    third = suggest("corner-lift", {"brim_width": "0"}, tried=["brim_width", "chamber_temperature"])
    assert "bed" in third.change


def test_suggestions_run_out_honestly():
    tried = ["overhang_speed", "min_layer_time"]
    assert suggest("overhang-curl", {}, tried) is None
    assert suggest("cannot-see", {}) is None


def run(month="2026-03", failed=False, **more):
    values = {"hours": 8.0, "filament_mm": 10_000.0, "mass_g": 30.0, "money": 1.2} | more
    return Spent(month=month, failed=failed, **values)


def test_a_month_by_hand():
    found = by_month(
        [
            run(),
            run(
                failed=True,
                hours=3.0,
                mass_g=10.0,
                money=0.4,
                saved_hours=5.0,
                saved_g=20.0,
                saved_money=0.8,
            ),
            run(failed=True, mass_g=None, money=None),
            run("2026-02"),
        ]
    )
    assert [m.month for m in found] == ["2026-03", "2026-02"]
    march = found[0]
    assert (march.runs, march.failed, march.unpriced) == (3, 2, 1)
    assert (march.hours, march.lost_hours, march.saved_hours) == (19.0, 11.0, 5.0)
    assert march.money == pytest.approx(1.6)
    assert march.lost_money == pytest.approx(0.4)
    assert march.saved_money == pytest.approx(0.8)
    # Wilson for 2 of 3: 0.2077 to 0.9385 (Brown, Cai and DasGupta's formula (4), 2001, by hand).
    assert march.failed_low == pytest.approx(0.2077, abs=1e-4)
    assert march.failed_high == pytest.approx(0.9385, abs=1e-4)
