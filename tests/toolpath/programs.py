"""Small programs for the tests of this room."""

from __future__ import annotations

import itertools
import math

import numpy as np

PER_MM = 0.45 * 0.2 / (math.pi * (1.75 / 2) ** 2)
"""Filament that a line 0.45 mm wide and 0.2 mm high takes a millimetre, 1.75 mm filament."""


def move(x, y, e=None):
    """One straight move with relative E."""
    return f"G1 X{x:.4f} Y{y:.4f}" + (f" E{e:.6f}" if e else "")


def travel(x, y):
    return f"G0 X{x:.4f} Y{y:.4f}"


def path(points, per_mm=PER_MM):
    """Lay filament along points."""
    lines = [travel(*points[0])]
    for a, b in itertools.pairwise(points):
        lines.append(move(*b, math.dist(a, b) * per_mm))
    return lines


def loop(points, per_mm=PER_MM):
    """Lay a closed loop."""
    return path([*points, points[0]], per_mm)


def square(low, high):
    return [(low, low), (high, low), (high, high), (low, high)]


def circle(radius, middle=(50.0, 50.0), n=48):
    angle = np.arange(n) / n * math.tau
    return [(middle[0] + radius * math.cos(a), middle[1] + radius * math.sin(a)) for a in angle]


def stack(layer, count, height=0.2, first=0.2):
    """The same layer ``count`` times, relative E."""
    lines = ["G21", "G90", "M83", "G28"]
    for k in range(count):
        lines += [f"G0 Z{first + k * height:.3f} F600", "G1 F3000", *layer]
    return lines


def area(ring):
    """Signed area in mm², positive counter-clockwise."""
    x, y = ring[:, 0], ring[:, 1]
    return float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) / 2
