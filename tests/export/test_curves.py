"""The curves' geometry, read back from the SVG."""

from xml.etree import ElementTree

import numpy as np
import pytest

from watcher.export.curves import (
    LEFT,
    MOST_POINTS,
    RIGHT,
    WIDTH,
    Curve,
    Mark,
    Point,
    span_of,
    svg_of,
)


def curve(values, sigma=0.1, unseen=()):
    points = [None if v is None else Point(60.0 * i, float(v), sigma) for i, v in enumerate(values)]
    return Curve("lift", "Lift < of the corner", "mm", points, unseen)


def drawn(curve, marks=(), end_s=None, span=None):
    end_s = 60.0 * (len(curve.points) - 1) if end_s is None else end_s
    return ElementTree.fromstring(svg_of(curve, marks, end_s, span))


def lines(tree, kind):
    return [
        np.array([pair.split(",") for pair in e.get("points").split()], float)
        for e in tree.iter()
        if e.get("class") == kind
    ]


def test_value_and_time_are_on_the_scale_of_the_axes():
    values = [0.0, 1.0, 2.0, 0.5]
    tree = drawn(curve(values))
    (line,) = lines(tree, "curve")
    np.testing.assert_allclose(line[:, 0], np.linspace(LEFT, WIDTH - RIGHT, 4), atol=0.1)
    # Two labelled ticks give the scale.
    ticks = {
        float(e.text): float(e.get("y")) - 4
        for e in tree.iter("text")
        if e.get("text-anchor") == "end" and e.text != "mm"
    }
    slope = (ticks[1.0] - ticks[0.0]) / 1.0
    assert slope < 0
    np.testing.assert_allclose(line[:, 1], ticks[0.0] + slope * np.array(values), atol=0.11)


def test_the_band_is_one_standard_deviation_wide_on_each_side():
    tree = drawn(curve([0.0, 1.0, 2.0], sigma=0.25))
    (line,), (band,) = lines(tree, "curve"), lines(tree, "band")
    upper, lower = band[:3], band[3:][::-1]
    one_mm = line[0, 1] - line[1, 1]
    np.testing.assert_allclose(line[:, 1] - upper[:, 1], 0.25 * one_mm, atol=0.15)
    np.testing.assert_allclose(lower[:, 1] - line[:, 1], 0.25 * one_mm, atol=0.15)


def test_what_was_not_seen_is_a_gap_with_a_bar_on_the_axis():
    tree = drawn(curve([0.0, 0.1, None, None, 0.2, 0.3], unseen=[(120.0, 240.0)]))
    assert [len(line) for line in lines(tree, "curve")] == [2, 2]
    (bar,) = [e for e in tree.iter("rect") if e.get("class") == "unseen"]
    unit = (WIDTH - LEFT - RIGHT) / 300
    assert float(bar.get("x")) == pytest.approx(LEFT + 120 * unit, abs=0.1)
    assert float(bar.get("width")) == pytest.approx(120 * unit, abs=0.1)


def test_moments_stand_at_their_time_and_their_labels_not_upon_each_other():
    marks = [Mark(100.0, "1", False), Mark(101.0, "2", True)]
    tree = drawn(curve([0.0] * 11), marks)
    places = [
        float(e.get("d")[1:].split()[0]) for e in tree.iter("path") if "mark" in e.get("class")
    ]
    unit = (WIDTH - LEFT - RIGHT) / 600
    assert places == pytest.approx([LEFT + 100 * unit, LEFT + 101 * unit], abs=0.1)
    labels = [float(e.get("x")) for e in tree.iter("text") if e.text in "12" and e.get("class")]
    assert labels[1] - labels[0] >= 10


def test_a_long_row_is_thinned_but_keeps_its_extremes():
    values = np.sin(np.arange(3600) / 100)
    values[1234], values[2345] = 7.0, -3.0
    tree = drawn(curve(values))
    (line,) = lines(tree, "curve")
    assert len(line) <= MOST_POINTS + 2
    x = LEFT + (WIDTH - LEFT - RIGHT) * np.array([1234, 2345]) / 3599
    assert line[line[:, 1].argmin(), 0] == pytest.approx(x[0], abs=0.1)
    assert line[line[:, 1].argmax(), 0] == pytest.approx(x[1], abs=0.1)


def test_noise_does_not_fill_the_axis():
    low, high = span_of([curve([0.01, -0.02, 0.015], sigma=0.02)])
    assert low == pytest.approx(-0.04)
    assert high >= 0.45


@pytest.mark.parametrize("values", [[0.0], [1e-9, 0.0], [5e6, 1.0], [-2.0, -3.0], [0.0] * 5])
def test_any_row_of_values_is_drawn_inside_the_picture(values):
    tree = drawn(curve(values), end_s=0.0 if len(values) == 1 else None)
    (line,) = lines(tree, "curve")
    assert np.isfinite(line).all()
    assert line.min() >= 0
    assert any(e.get("class") == "grid" for e in tree.iter("path"))


@pytest.mark.parametrize("hours", [0.01, 0.5, 9.7, 47.0, 500.0])
def test_the_time_axis_has_a_few_round_times(hours):
    tree = drawn(curve([0.0, 0.0]), end_s=3600 * hours)
    times = [e.text for e in tree.iter("text") if e.text and ":" in e.text]
    assert times[0] == "0:00"
    assert len(times) <= 7


def test_it_says_what_it_shows():
    tree = drawn(curve([0.0, 1.0]))
    assert tree.get("role") == "img"
    title = next(tree.iter("title"))
    assert tree.get("aria-labelledby") == title.get("id")
    assert title.text == "Lift < of the corner"
