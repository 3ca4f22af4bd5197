"""The film's pace."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from watcher.export.pace import FLAGGED_S, NEAR, NEAR_S, showings


def test_without_a_moment_every_picture_has_one_frame():
    assert showings(5, [], 25) == [1] * 5
    assert showings(0, [], 25) == []


def test_the_film_slows_down_before_the_moment_and_speeds_up_after_it():
    assert showings(20, [10], 10) == [1, 1] + [2] * 8 + [15] + [2] * 8 + [1]


def test_two_moments_close_together_are_not_slower_than_each():
    times = showings(20, [10, 11], 10)
    assert times[10:12] == [15, 15]
    assert times[9] == times[12] == 2


def test_a_slow_film_needs_no_slowing_beside_the_moment():
    assert showings(20, [10], 2) == [1] * 10 + [3] + [1] * 9


@given(
    st.integers(1, 200).flatmap(
        lambda n: st.tuples(st.just(n), st.sets(st.integers(0, n - 1), max_size=5))
    ),
    st.integers(1, 60),
)
def test_every_picture_is_shown_and_the_flagged_ones_long_enough(row, per_second):
    count, flagged = row
    times = showings(count, flagged, per_second)
    assert len(times) == count
    assert min(times) >= 1
    for place in range(count):
        near = any(abs(place - f) <= NEAR for f in flagged)
        seconds = FLAGGED_S if place in flagged else NEAR_S if near else 0
        assert times[place] == pytest.approx(max(1, seconds * per_second), abs=0.5)
