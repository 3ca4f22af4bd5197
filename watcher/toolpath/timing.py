"""How long moves take: trapezoidal speed profiles joined by a look-ahead.

Where the program states no acceleration, and everywhere for the corners, the figures below stand
in; they are common practice, no source. What a machine really takes differs from them by a
few per cent, much the same all night long: its pace.
"""

from __future__ import annotations

import math
from bisect import bisect_right

import numpy as np

from watcher.records import Array, Toolpath
from watcher.toolpath.gcode import Moves

ACCELERATION_MM_S2 = 10_000.0
"""Where ``M204`` and ``M201`` are silent."""
CORNER_MM = 0.05
"""How far a corner may be thought rounded; sets the speed through it."""


def move_durations(moves: Moves) -> Array:
    """Seconds that each move takes, shape (n,); dwell included.

    Each move speeds up and slows down at its acceleration between the speeds at its two ends.
    A corner is taken at the speed that an arc touching both moves, ``CORNER_MM`` from
    the corner at its middle, allows at that acceleration. The batch starts and ends at rest.
    """
    way = moves.end_mm - moves.start_mm
    length = np.linalg.norm(way, axis=1)
    n = len(length)
    if n == 0:
        return np.zeros(0)
    goes = length > 0
    unit = np.divide(way, length[:, None], out=np.zeros_like(way), where=goes[:, None])
    acceleration = np.where(
        np.isfinite(moves.acceleration_mm_s2), moves.acceleration_mm_s2, ACCELERATION_MM_S2
    )
    with np.errstate(divide="ignore"):
        by_axis = (moves.axis_acceleration_mm_s2 / np.abs(unit)).min(axis=1)
    acceleration = np.maximum(np.minimum(acceleration, by_axis), 1.0)
    wanted = np.maximum(moves.speed_mm_s, 1e-3)

    # Square of the greatest speed where move i begins; n + 1 places, at rest at both ends.
    gate = np.zeros(n + 1)
    cosine = -np.einsum("ij,ij->i", unit[:-1], unit[1:])
    half_sine = np.sqrt(np.clip((1 - cosine) / 2, 0.0, 1.0))
    bend = np.minimum(acceleration[:-1], acceleration[1:]) * CORNER_MM * half_sine
    with np.errstate(divide="ignore", invalid="ignore"):
        round_corner = np.where(half_sine < 1 - 1e-9, bend / (1 - half_sine), math.inf)
    straight = np.minimum(wanted[:-1], wanted[1:]) ** 2
    gate[1:-1] = np.where(goes[:-1] & goes[1:], np.minimum(round_corner, straight), 0.0)

    # v² can't grow faster than 2 a s along the path: with c the running sum of 2 a s, v² - c only
    # falls, so the recursion is a running minimum; once forwards, once backwards.
    climb = np.concatenate([[0.0], np.cumsum(2 * acceleration * length)])
    gate = climb + np.minimum.accumulate(gate - climb)
    gate = np.minimum.accumulate((gate + climb)[::-1])[::-1] - climb
    gate = np.maximum(gate, 0.0)

    entry, leave = np.sqrt(gate[:-1]), np.sqrt(gate[1:])
    peak = np.sqrt(np.minimum(wanted**2, acceleration * length + (gate[:-1] + gate[1:]) / 2))
    peak = np.maximum(peak, np.maximum(entry, leave))
    ramps = (2 * peak**2 - gate[:-1] - gate[1:]) / (2 * acceleration)
    cruise = np.maximum(length - ramps, 0.0)
    seconds = (2 * peak - entry - leave) / acceleration
    seconds += np.divide(cruise, peak, out=np.zeros(n), where=peak > 0)
    # Filament alone: the same trapezoid from rest to rest.
    pushed = np.where(goes, 0.0, np.abs(moves.filament_mm))
    top = np.minimum(wanted, np.sqrt(pushed * acceleration))
    seconds += np.where(
        pushed > 0,
        np.divide(pushed, top, out=np.zeros(n), where=top > 0) + top / acceleration,
        0.0,
    )
    return np.asarray(np.where(goes | (pushed > 0), seconds, 0.0) + moves.wait_s)


def layer_at(toolpath: Toolpath, elapsed_s: float, pace: float = 1.0) -> int:
    """Number of the layer being printed ``elapsed_s`` after the start; 1 before the first layer.

    ``pace`` is elapsed time over nominal time (1.05: the machine is 5 % slower than nominal).
    Raises ``ValueError`` for a pace that is not above zero.
    """
    if not pace > 0:
        raise ValueError("pace must be above zero")
    starts = [layer.start_s for layer in toolpath.layers]
    return max(1, bisect_right(starts, elapsed_s / pace))
