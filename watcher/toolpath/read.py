"""From the lines of a program to the toolpath that the other rooms use."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import replace

import numpy as np

from watcher.records import Array, Layer, Toolpath
from watcher.toolpath.gcode import read_moves
from watcher.toolpath.layers import LayerCutter, RawLayer
from watcher.toolpath.outline import rings
from watcher.toolpath.timing import move_durations
from watcher.trouble import BadToolpath

DIAMETERS_MM = (1.75, 2.85)
"""Filaments in use: common practice, no source."""
FALLBACK_WIDTH_MM = 0.45
"""Where E tells no line width: common practice for a 0.4 mm nozzle, no source."""


def read_toolpath(
    lines: Iterable[str | bytes],
    *,
    progress: Callable[[int], None] | None = None,
    line_width_mm: float | None = None,
) -> Toolpath:
    """Read a G-code program into layers with outlines, times and filament.

    ``lines`` holds text lines or chunks of bytes; nothing more than a few layers is kept in
    memory. ``progress`` is called with the number of bytes read so far. ``line_width_mm`` is taken
    from E where it isn't given: the cross-section that a line gets, over the height of its layer.

    Raises ``BadToolpath`` with one sentence where the program can't be used.
    """
    cutter = LayerCutter()
    layers: list[Layer] = []
    widths: list[tuple[float, float]] = []

    def keep(raw: RawLayer) -> None:
        segments = raw.segments()
        width = line_width_mm or _line_width(segments, raw.height_mm)
        if width is not None:
            widths.append((width, raw.filament_mm))
        usual = _middle(widths) if widths else FALLBACK_WIDTH_MM
        # Where a layer lies over air, E over height misleads.
        if width is None or not 0.6 < width / usual < 1.6:
            width = usual
        outline = rings(segments[:, :4], width)
        number = len(layers) + 1
        layers.append(
            Layer(number, raw.z_mm, raw.height_mm, outline, raw.start_s, 0.0, raw.filament_mm)
        )

    for moves in read_moves(lines, progress=progress):
        for raw in cutter.take(moves, move_durations(moves)):
            keep(raw)
    for raw in cutter.finish():
        keep(raw)
    if not layers:
        raise BadToolpath(
            "The toolpath lays no filament, so it has no layers.",
            "Give the sliced file that the printer prints.",
        )
    ends = [layer.start_s for layer in layers[1:]] + [max(cutter.end_s, layers[-1].start_s)]
    return Toolpath(
        layers=tuple(
            replace(layer, duration_s=max(end - layer.start_s, 0.0))
            for layer, end in zip(layers, ends, strict=True)
        ),
        filament_mm=cutter.filament_mm,
        duration_s=cutter.now_s,
        line_width_mm=_middle(widths) if widths else FALLBACK_WIDTH_MM,
    )


def _line_width(segments: Array, height_mm: float) -> float | None:
    """Median width of lines, weighted by length; ``None`` where E can't be lengths of filament."""
    length = np.hypot(segments[:, 2] - segments[:, 0], segments[:, 3] - segments[:, 1])
    if height_mm <= 0:
        return None
    per_mm = _middle(list(zip((segments[:, 4] / length).tolist(), length.tolist(), strict=True)))
    for diameter in DIAMETERS_MM:
        width = per_mm * math.pi * (diameter / 2) ** 2 / height_mm
        # A line is wider than high, and desktop nozzles lay 0.25 mm to 2 mm: common practice.
        if max(height_mm, 0.25) <= width <= 2.0:
            return width
    return None


def _middle(weighted: list[tuple[float, float]]) -> float:
    """Weighted median of (value, weight) pairs."""
    value, weight = np.array(weighted).T
    order = np.argsort(value)
    sums = np.cumsum(weight[order])
    return float(value[order][np.searchsorted(sums, sums[-1] / 2)])
