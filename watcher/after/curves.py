"""Runs side by side by layer, whatever their pace."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Point:
    """A place's value on one layer."""

    layer: int
    value: float
    sigma: float


def by_layer(
    numbers: Sequence[int],
    values: Sequence[float | None],
    sigmas: Sequence[float | None],
    layer_of: Mapping[int, int],
) -> list[Point]:
    """Mean of each layer's readings, weighted by their errors, in order of layers.

    ``layer_of`` gives the layer of a frame's number. Readings without value, error or layer are
    left out. Errors of one layer are taken as alike, not as independent: the mean's is the smallest
    of them, for light and registration err the same way for minutes.
    """
    sums: dict[int, tuple[float, float, float]] = {}
    for number, value, sigma in zip(numbers, values, sigmas, strict=True):
        layer = layer_of.get(number)
        if layer is None or value is None or not sigma or not math.isfinite(sigma):
            continue
        weight = 1 / sigma**2
        total, weights, least = sums.get(layer, (0.0, 0.0, math.inf))
        sums[layer] = (total + weight * value, weights + weight, min(least, sigma))
    return [
        Point(layer, total / weights, least)
        for layer, (total, weights, least) in sorted(sums.items())
    ]


def step_through(
    a: Mapping[int, int], b: Mapping[int, int]
) -> list[tuple[int, int | None, int | None]]:
    """For each layer that either run has a frame of: the layer and each run's frame to show.

    ``a`` and ``b`` give the layer of each frame's number. Of a layer's frames the last is shown;
    where a run has none of a layer, its last one below; ``None`` before its first.
    """
    last = [_last_of(a), _last_of(b)]
    rows: list[tuple[int, int | None, int | None]] = []
    shown: list[int | None] = [None, None]
    for layer in sorted({*last[0], *last[1]}):
        for k in (0, 1):
            shown[k] = last[k].get(layer, shown[k])
        rows.append((layer, shown[0], shown[1]))
    return rows


def _last_of(layer_of: Mapping[int, int]) -> dict[int, int]:
    last: dict[int, int] = {}
    for number, layer in layer_of.items():
        last[layer] = max(number, last.get(layer, number))
    return last
