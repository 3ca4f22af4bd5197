"""Draws what was measured over time as SVG, to stand in a page: one picture a watched place."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

import numpy as np

WIDTH, HEIGHT = 460, 170
LEFT, RIGHT, TOP, BOTTOM = 46, 10, 22, 26
MOST_POINTS = 400
"""A longer row is thinned: of every bin its least and its greatest value are drawn."""
STEPS = (1.0, 2.0, 5.0)
MINUTES = (1, 2, 5, 10, 15, 30, 60, 120, 180, 240, 360, 720, 1440)
LEAST_SPAN = 0.5
"""An axis spans no less, in the unit of the curve: measuring noise should look small."""
TICKS = 5
LETTER = 7
"""Width of a label's letter."""


@dataclass(frozen=True)
class Point:
    """One measured value."""

    elapsed_s: float
    value: float
    sigma: float


@dataclass(frozen=True)
class Mark:
    """A flagged moment."""

    elapsed_s: float
    label: str
    """A letter or number, short enough to stand above a line."""
    stop: bool


@dataclass(frozen=True)
class Curve:
    """One kind of amount at one place over a run."""

    name: str
    """Unlike those of the other curves on the page."""
    title: str
    """What the picture shows, for those who can't see it."""
    unit: str
    points: Sequence[Point | None]
    """In order of time; ``None`` where nothing was measured."""
    unseen_s: Sequence[tuple[float, float]]
    """Stretches from and to, in elapsed seconds, in which nothing was measured."""


def svg_of(
    curve: Curve, marks: Sequence[Mark], end_s: float, span: tuple[float, float] | None
) -> str:
    """Draw a curve with its band of one standard deviation.

    Args:
        curve: what was measured.
        marks: moments to mark.
        end_s: where the time axis ends.
        span: least and greatest value of the axis; ``None`` takes the curve's own.

    Returns:
        An ``svg`` element with its own title, without a request to anywhere.

    """
    low, high = span or span_of([curve])
    step = _step((high - low) / TICKS)
    end_s = max(end_s, 60.0)

    def x(seconds: float) -> float:
        return LEFT + (WIDTH - LEFT - RIGHT) * seconds / end_s

    def y(value: float) -> float:
        value = min(max(value, low), high)
        return HEIGHT - BOTTOM - (HEIGHT - TOP - BOTTOM) * (value - low) / (high - low)

    parts = [
        f'<svg viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-labelledby="{escape(curve.name)}">',
        f'<title id="{escape(curve.name)}">{escape(curve.title)}</title>',
    ]
    for i in range(math.ceil(low / step), math.floor(high / step) + 1):
        value = i * step
        parts.append(f'<path class="grid" d="M{LEFT} {y(value):.1f}H{WIDTH - RIGHT}"/>')
        at = f'x="{LEFT - 5}" y="{y(value) + 4:.1f}"'
        parts.append(f'<text {at} text-anchor="end">{value + 0.0:.3g}</text>')
    parts.append(f'<text x="{LEFT - 5}" y="12" text-anchor="end">{escape(curve.unit)}</text>')
    for minutes in _times(end_s / 60):
        words = f"{minutes // 60}:{minutes % 60:02d}"
        at = f'x="{x(60 * minutes):.1f}" y="{HEIGHT - 7}"'
        parts.append(f'<text {at} text-anchor="middle">{words}</text>')
    for start, stop in curve.unseen_s:
        wide = max(1.5, x(stop) - x(start))
        at = f'x="{x(start):.1f}" y="{HEIGHT - BOTTOM}" width="{wide:.1f}" height="5"'
        parts.append(f'<rect class="unseen" {at}/>')
    for piece in _pieces(curve.points):
        upper = [f"{x(p.elapsed_s):.1f},{y(p.value + p.sigma):.1f}" for p in piece]
        lower = [f"{x(p.elapsed_s):.1f},{y(p.value - p.sigma):.1f}" for p in reversed(piece)]
        middle = " ".join(f"{x(p.elapsed_s):.1f},{y(p.value):.1f}" for p in piece)
        parts.append(f'<polygon class="band" points="{" ".join(upper + lower)}"/>')
        parts.append(f'<polyline class="curve" points="{middle}"/>')
    free = 0.0
    for mark in marks:
        line = x(mark.elapsed_s)
        kind = "stop" if mark.stop else "look"
        parts.append(f'<path class="mark {kind}" d="M{line:.1f} {TOP - 4}V{HEIGHT - BOTTOM}"/>')
        # Close moments' labels stand beside each other, not upon each other.
        label = max(line, free)
        free = label + LETTER * (len(mark.label) + 1)
        at = f'x="{label:.1f}" y="{TOP - 8}"'
        parts.append(f'<text class="{kind}" {at} text-anchor="middle">{escape(mark.label)}</text>')
    return "".join([*parts, "</svg>"])


def span_of(curves: Sequence[Curve]) -> tuple[float, float]:
    """Least and greatest value of the axis that curves share; zero always lies on it."""
    points = [p for curve in curves for p in curve.points if p]
    values = [0.0, *(p.value for p in points)]
    # Room for the usual band; a few very unsure values must not make the curve flat.
    usual = float(np.median([p.sigma for p in points])) if points else 0.0
    low, high = min(0.0, min(values) - usual), max(values) + usual
    return low, max(high, low + LEAST_SPAN)


def _step(wanted: float) -> float:
    """The first round step that is no smaller than ``wanted``."""
    power = 10.0 ** math.floor(math.log10(wanted))
    return next((s * power for s in STEPS if s * power >= wanted * 0.999), 10 * power)


def _times(minutes: float) -> range:
    """Whole minutes to write below the axis."""
    step = next((m for m in MINUTES if minutes / m <= TICKS), 1440 * math.ceil(minutes / 7200))
    return range(0, int(minutes) + 1, step)


def _pieces(points: Sequence[Point | None]) -> list[list[Point]]:
    """Rows of points without a gap, thinned where there are many."""
    size = max(1, math.ceil(2 * len(points) / MOST_POINTS))
    pieces: list[list[Point]] = []
    row: list[Point] = []
    for point in [*points, None]:
        if point is not None:
            row.append(point)
        elif row:
            pieces.append(_thinned(row, size))
            row = []
    return pieces


def _thinned(row: list[Point], size: int) -> list[Point]:
    if size <= 2:
        return row
    kept: set[int] = {0, len(row) - 1}
    for start in range(0, len(row), size):
        values = np.array([p.value for p in row[start : start + size]])
        kept |= {start + int(values.argmin()), start + int(values.argmax())}
    return [row[i] for i in sorted(kept)]
