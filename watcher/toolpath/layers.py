"""Layers from Z and E alone.

A layer begins where filament is laid at a new, greater height. What doesn't make a layer: lifted
travel, retraction, waiting; filament pushed without moving across the bed; filament laid high
above the last layer (a nozzle being wiped clean); a line laid before the first layer at a greater
height than it. Ramps within a layer belong to the layer in which they end; where the height climbs
on and on (spiral), it is cut into layers, one a turn.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np

from watcher.records import Array
from watcher.toolpath.gcode import Moves
from watcher.trouble import BadToolpath

SAME_Z_MM = 0.011
"""Heights closer than this are one layer: common practice, no source."""
THICKEST_MM = 1.5
"""No desktop nozzle lays a thicker layer: common practice, no source."""
PRIMING_MM = 100.0
"""At most so much filament is laid to prime the nozzle: common practice, no source."""
STRAY_MM = 5.0
"""So little filament above a layer to which the nozzle returns is no layer of its own."""
FLAT_RUN_MM = 12.0
"""So long a way at one height ends a ramp: it was no spiral."""


@dataclass
class RawLayer:
    """What was laid at one height: segments, not yet an outline."""

    z_mm: float
    start_s: float
    height_mm: float = 0.0
    """Down to the layer that it mostly lies on, which need not be the one before: supports may
    have heights of their own."""
    filament_mm: float = 0.0
    pieces: list[np.ndarray[tuple[int, int], np.dtype[np.float32]]] = field(default_factory=list)
    """Arrays of shape (n, 5): x0, y0, x1, y1 and filament, all mm; single precision, to save
    memory in layers of millions of moves."""

    def add(self, pieces: Array) -> None:
        """Take over segments, shape (n, 5)."""
        self.pieces.append(pieces.astype(np.float32))
        self.filament_mm += float(pieces[:, 4].sum())

    def segments(self) -> Array:
        """Shape (n, 5), in order."""
        return np.concatenate(self.pieces).astype(np.float64)


class LayerCutter:
    """Takes moves in order, gives layers as soon as nothing later can change them."""

    def __init__(self) -> None:
        self.filament_mm = 0.0
        self.now_s = 0.0
        self.end_s = 0.0
        """When the last filament was laid."""
        self._drawn_back_mm = 0.0
        self._open: list[RawLayer] = []
        self._stray: RawLayer | None = None
        self._given = 0
        self._given_z = 0.0
        self._lately: list[tuple[float, set[int]]] = []
        """Height of the last layers, newest first, and where they lie."""
        self._ramp = _Ramp()
        self._below_mm = 0.0
        self._below_run_mm = 0.0

    def take(self, moves: Moves, durations_s: Array) -> Iterator[RawLayer]:
        """Yield the layers that these moves complete.

        Raises ``BadToolpath`` where objects are printed one after another.
        """
        begun = self.now_s + np.concatenate([[0.0], np.cumsum(durations_s)])
        self.now_s = float(begun[-1])
        self._count_filament(moves.filament_mm)
        across = np.any(moves.start_mm[:, :2] != moves.end_mm[:, :2], axis=1)
        lays = (moves.filament_mm > 0) & across
        if not lays.any():
            if across.any():
                self._end_ramp()
            return
        self.end_s = float(begun[np.nonzero(lays)[0][-1] + 1])
        z0, z1 = moves.start_mm[:, 2], moves.end_mm[:, 2]
        climbs = lays & (z1 > z0 + 1e-6)
        pieces = np.column_stack([moves.start_mm[:, :2], moves.end_mm[:, :2], moves.filament_mm])
        if self._ramp.empty and not climbs.any():
            where = np.nonzero(lays)[0]
            cuts = np.nonzero(np.abs(np.diff(z1[where])) > 1e-4)[0] + 1
            for run in np.split(where, cuts):
                self._lay(pieces[run], float(z1[run[0]]), float(begun[run[0]]))
                yield from self._settled(3)
            return
        kind = np.where(climbs, 2, np.where(lays, 1, np.where(across, 0, -1)))
        height = np.where(lays & ~climbs, z1, 0.0)
        cuts = np.nonzero((np.diff(kind) != 0) | (np.abs(np.diff(height)) > 1e-4))[0] + 1
        bounds = [0, *cuts.tolist(), len(kind)]
        for begin, end in itertools.pairwise(bounds):
            what = kind[begin]
            if what == 2:
                self._climb(pieces[begin:end], z0[begin], z1[begin:end], begun[begin:end])
            elif what == 1:
                self._flat(pieces[begin:end], float(z1[begin]), begun[begin:end])
            elif what == 0:
                self._end_ramp()
            yield from self._settled(3)

    def finish(self) -> Iterator[RawLayer]:
        """Yield what is left. Raises as ``take`` does."""
        self._end_ramp()
        if self._below_mm > 0.3 * self.filament_mm:
            raise self._one_after_another()
        yield from self._settled(0)

    def _settled(self, keep: int) -> Iterator[RawLayer]:
        while len(self._open) > keep:
            layer = self._open.pop(0)
            cells = _cells(layer.segments())
            if not self._given and self._open and layer.filament_mm <= PRIMING_MM:
                above = _cells(self._open[0].segments())
                if len(above & cells) < 0.1 * len(above):
                    # It bears nothing: a line to prime the nozzle.
                    continue
            layer.height_mm = layer.z_mm - self._given_z
            for z, under in self._lately:
                if len(cells & under) > 0.3 * len(cells):
                    layer.height_mm = layer.z_mm - z
                    break
            self._lately = [(layer.z_mm, cells), *self._lately[:2]]
            self._given_z = layer.z_mm
            self._given += 1
            yield layer

    def _count_filament(self, pushed: Array) -> None:
        """Add what leaves the nozzle for good: making up a retraction is not counted."""
        level = np.cumsum(pushed) - self._drawn_back_mm
        top = max(0.0, float(level.max()))
        self.filament_mm += top
        self._drawn_back_mm = top - float(level[-1])

    def _lay(self, pieces: Array, z: float, start_s: float) -> None:
        """Put segments that lie at one height where they belong."""
        if z <= 0:
            return
        nothing = not self._open and not self._given
        top_z = self._open[-1].z_mm if self._open else self._given_z
        if self._open and abs(z - top_z) <= SAME_Z_MM:
            self._below_run_mm = 0.0
            self._open[-1].add(pieces)
        elif z > top_z:
            if z - top_z > THICKEST_MM:
                return
            self._below_run_mm = 0.0
            layer = RawLayer(z, start_s)
            if self._stray is not None and abs(self._stray.z_mm - z) <= SAME_Z_MM:
                layer = self._stray
            self._stray = None
            self._open.append(layer)
            layer.add(pieces)
        elif not nothing and self._drop_above(z):
            self._lay(pieces, z, start_s)
        else:
            under_z = self._open[-2].z_mm if len(self._open) > 1 else self._given_z
            if z > under_z + SAME_Z_MM and self._open:
                self._open[-1].add(pieces)
                return
            laid = float(pieces[:, 4].sum())
            self._below_mm += laid
            self._below_run_mm += laid
            if self._below_run_mm > PRIMING_MM:
                raise self._one_after_another()

    def _drop_above(self, z: float) -> bool:
        """Take back what only looked like a layer above ``z``; whether something was."""
        above = [layer for layer in self._open if layer.z_mm > z + SAME_Z_MM]
        rest = self._open[: len(self._open) - len(above)]
        laid = sum(layer.filament_mm for layer in above)
        first = not rest and not self._given
        if first and len(above) <= 2 and laid <= PRIMING_MM:
            self._open = []
            return True
        returns = bool(rest) and abs(rest[-1].z_mm - z) <= SAME_Z_MM
        if returns and len(above) == 1 and laid <= STRAY_MM:
            self._stray = above[0]
            self._open = rest
            return True
        return False

    @staticmethod
    def _one_after_another() -> BadToolpath:
        return BadToolpath(
            "The toolpath goes back down after building up: it prints objects one after another.",
            "Slice them to be printed together, layer by layer.",
        )

    def _climb(self, pieces: Array, z0: float, z1: Array, begun: Array) -> None:
        ramp = self._ramp
        if ramp.empty:
            ramp.begin(float(z0))
        ramp.add(pieces, z1, begun)
        ramp.flat_mm = 0.0
        if ramp.pitch_mm == 0 and ramp.rise_mm > max(ramp.looked_mm, 1.5 * self._last_height()):
            ramp.pitch_mm = ramp.find_pitch()
            ramp.looked_mm = ramp.rise_mm + 0.1
            if ramp.pitch_mm == 0 and ramp.rise_mm > 2 * THICKEST_MM:
                ramp.pitch_mm = self._last_height() or THICKEST_MM
        if ramp.pitch_mm:
            self._lay_spiral()

    def _flat(self, pieces: Array, z: float, begun: Array) -> None:
        ramp = self._ramp
        if not ramp.empty and abs(z - ramp.end_z) < 0.002:
            ramp.flat_mm += float(
                np.hypot(pieces[:, 2] - pieces[:, 0], pieces[:, 3] - pieces[:, 1]).sum()
            )
            ramp.add(pieces, np.full(len(pieces), z), begun)
            if ramp.flat_mm > FLAT_RUN_MM:
                self._end_ramp()
            elif ramp.pitch_mm:
                self._lay_spiral()
            return
        self._end_ramp()
        self._lay(pieces, z, float(begun[0]))

    def _end_ramp(self) -> None:
        ramp, self._ramp = self._ramp, _Ramp()
        if not ramp.pieces:
            return
        if ramp.pitch_mm == 0 and ramp.rise_mm > 1.5 * (self._last_height() or THICKEST_MM):
            ramp.pitch_mm = self._last_height() or THICKEST_MM
        if ramp.pitch_mm:
            self._ramp = ramp
            self._lay_spiral()
            self._ramp = _Ramp()
            return
        self._lay(np.concatenate(ramp.pieces), ramp.end_z, float(ramp.begun[0][0]))

    def _lay_spiral(self) -> None:
        ramp = self._ramp
        pieces, z, begun = ramp.take()
        # Heights are written to 0.001 mm: a turn's last move may stand that much too high.
        turn = np.maximum(np.ceil((z - ramp.start_z - 0.003) / ramp.pitch_mm), 1)
        for k in np.unique(turn):
            part = turn == k
            self._lay(pieces[part], ramp.start_z + float(k) * ramp.pitch_mm, float(begun[part][0]))

    def _last_height(self) -> float:
        if not self._open:
            return 0.0
        under = self._open[-2].z_mm if len(self._open) > 1 else self._given_z
        return self._open[-1].z_mm - under


def _cells(segments: Array) -> set[int]:
    """Squares of 2 mm that the segments touch, as numbers."""
    way = segments[:, 2:4] - segments[:, 0:2]
    steps = np.ceil(np.hypot(way[:, 0], way[:, 1]) / 2).astype(int) + 1
    owner = np.repeat(np.arange(len(segments)), steps)
    part = (np.arange(len(owner)) - (np.cumsum(steps) - steps)[owner]) / np.maximum(steps - 1, 1)[
        owner
    ]
    x, y = ((segments[owner, 0:2] + part[:, None] * way[owner]) // 2).astype(int).T
    return set(np.unique(x * 1_000_000 + y).tolist())


@dataclass
class _Ramp:
    """Filament laid while the nozzle climbs: a ramp within a layer, or a spiral."""

    start_z: float = 0.0
    end_z: float = 0.0
    flat_mm: float = 0.0
    pitch_mm: float = 0.0
    """Rise of a turn; above zero once it is known to be a spiral."""
    looked_mm: float = 0.0
    """Rise up to which no two turns were found."""
    empty: bool = True
    pieces: list[Array] = field(default_factory=list)
    z: list[Array] = field(default_factory=list)
    begun: list[Array] = field(default_factory=list)

    @property
    def rise_mm(self) -> float:
        return self.end_z - self.start_z

    def begin(self, z: float) -> None:
        self.start_z, self.empty = z, False

    def add(self, pieces: Array, z1: Array, begun: Array) -> None:
        self.pieces.append(pieces)
        self.z.append(z1)
        self.begun.append(begun)
        self.end_z = float(z1[-1])

    def take(self) -> tuple[Array, Array, Array]:
        found = np.concatenate(self.pieces), np.concatenate(self.z), np.concatenate(self.begun)
        self.pieces, self.z, self.begun = [], [], []
        return found

    def find_pitch(self) -> float:
        """Rise of one turn, 0 where no whole turn is seen.

        The direction of a closed curve turns by 360 degrees in all, whatever its shape, so
        the rise is taken between the places where the sum passes one turn and two.
        """
        pieces, z = np.concatenate(self.pieces), np.concatenate(self.z)
        way = pieces[:, 2:4] - pieces[:, 0:2]
        angle = np.arctan2(way[:, 1], way[:, 0])
        bend = np.diff(angle)
        total = np.abs(np.cumsum((bend + math.pi) % math.tau - math.pi))
        past = [np.nonzero(total >= turns * math.tau - 0.05)[0] for turns in (1, 2)]
        if len(past[0]) == 0 or len(past[1]) == 0:
            return 0.0
        return round(float(z[past[1][0]] - z[past[0][0]]), 3)
