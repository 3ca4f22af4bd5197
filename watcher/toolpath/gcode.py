"""Lines of G-code in, batches of straight moves in bed millimetres out.

Words, modes and arcs follow the RS274/NGC language (Kramer, Proctor and Messina, NISTIR 6556,
2000). What printers add to it, and where they differ, is common practice with no source:

* ``;`` starts a comment; ``*nn`` at the end of a line is the exclusive-or of the bytes before it;
* ``E`` is the length of filament; ``M82`` makes it absolute, ``M83`` relative. ``G91`` makes it
  relative too, and ``G90`` goes back to what ``M82`` or ``M83`` said last (absolute if neither);
* ``G0`` obeys ``F`` like ``G1``; ``G4`` waits ``P`` milliseconds or ``S`` seconds;
* ``M204`` (``S`` both, ``P`` printing, ``T`` travel, ``R`` retraction) and ``M201`` (per axis)
  set accelerations in mm/s²;
* ``G28`` brings the named axes to 0 of the bed's coordinates.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np

from watcher.records import Array
from watcher.trouble import BadToolpath

INCH_MM = 25.4
START_FEED_MM_MIN = 1500.0
"""Feed before the first ``F`` word: common practice, no source."""
CHORD_MM = 0.01
"""Arcs become chords that stay within this distance of the circle."""
FARTHEST_MM = 10_000.0
"""A coordinate beyond this is damage: no desktop machine reaches it."""

_BLOCK_BYTES = 1 << 19
_BATCH_MOVES = 20_000
_LONGEST_LINE = 1 << 16
_NUMBER = r"([-+]?[\d.]+)"
# One match a line. The common move, its words in the order in which programs write them, is
# taken apart by the expression itself; every other line lands in the last group.
_LINE = re.compile(
    r"^[Gg]0?([01])"
    rf"(?: *[Ff]{_NUMBER})?(?: *[Xx]{_NUMBER})?(?: *[Yy]{_NUMBER})?(?: *[Zz]{_NUMBER})?"
    rf"(?: *[Ee]{_NUMBER})?(?: *[Ff]{_NUMBER})?[ \t]*(?:;.*)?$|^(.*)$",
    re.MULTILINE | re.ASCII,
)
_WORD = re.compile(r"([A-Z])([-+]?(?:\d+\.?\d*|\.\d+))?", re.ASCII)
_PARENTHESES = re.compile(r"\([^()]*\)")
_CHECKSUM = re.compile(r"^(.*)\*\s*(\d{1,3})\s*$", re.ASCII)
# Host commands whose argument is free text, not words.
_TEXT_COMMAND = re.compile(r"^(?:N\d+)?\s*M(?:16|2[03]|28|3[0-3]|11[78]|928)(?!\d)", re.ASCII)
_PLANES = {17: (0, 1, 2), 18: (2, 0, 1), 19: (1, 2, 0)}
_AXES = "XYZ"
_CENTRES = "IJK"


@dataclass(frozen=True)
class Moves:
    """A batch of straight moves in the order of the program."""

    start_mm: Array
    """Shape (n, 3), bed coordinates."""
    end_mm: Array
    """Shape (n, 3)."""
    filament_mm: Array
    """Shape (n,): filament pushed (positive) or drawn back (negative)."""
    speed_mm_s: Array
    """Shape (n,): what the ``F`` word asks for."""
    acceleration_mm_s2: Array
    """Shape (n,): what ``M204`` asks for; not a number where the program never said."""
    axis_acceleration_mm_s2: Array
    """Shape (3,): limit of each axis from ``M201``; infinite where the program never said."""
    wait_s: Array
    """Shape (n,): dwell; a dwell is a move of no length."""


def read_moves(
    lines: Iterable[str | bytes], *, progress: Callable[[int], None] | None = None
) -> Iterator[Moves]:
    """Yield the moves of a program in batches of about 20 000.

    ``lines`` holds text lines, or chunks of bytes cut anywhere. ``progress`` is called now and
    then with the number of bytes read so far. Codes without meaning for the path are passed over.

    Raises ``BadToolpath`` where a checksum doesn't match, where the text is not G-code, and where
    a coordinate is beyond any machine.
    """
    machine = _Machine()
    done = 0
    for block, read in _blocks(lines):
        yield from machine.run(block)
        done += read
        if progress is not None:
            progress(done)
    yield from machine.flush()
    machine.check_whole()


def _blocks(lines: Iterable[str | bytes]) -> Iterator[tuple[str, int]]:
    """Yield text of whole lines without the last line's end, and the bytes it took."""
    parts: list[bytes] = []
    size = 0
    for piece in lines:
        if isinstance(piece, str):
            part = piece.encode("utf-8", "replace")
            if not part.endswith(b"\n"):
                part += b"\n"
        else:
            part = bytes(piece)
        parts.append(part)
        size += len(part)
        if size < _BLOCK_BYTES:
            continue
        whole, end, rest = b"".join(parts).rpartition(b"\n")
        if not end and len(rest) > _BLOCK_BYTES * 8:
            raise _not_gcode()
        if end:
            yield _text(whole), size - len(rest)
        parts, size = [rest], len(rest)
    if size:
        yield _text(b"".join(parts)), size


def _text(block: bytes) -> str:
    # Latin-1 keeps one character a byte, which the checksum needs.
    text = block.decode("latin-1").replace("\r\n", "\n").replace("\r", "\n")
    return text.removesuffix("\n")


def _not_gcode() -> BadToolpath:
    return BadToolpath(
        "The toolpath file does not hold G-code text.", "Give the file that the printer prints."
    )


def arc_points(
    start: tuple[float, float, float],
    end: tuple[float, float, float],
    *,
    clockwise: bool,
    centre: tuple[float, float] | None = None,
    radius: float | None = None,
    plane: tuple[int, int, int] = (0, 1, 2),
) -> Array:
    """Points along an arc, shape (n, 3), from after ``start`` up to and with ``end``; mm.

    ``centre`` is the offset from ``start`` in the plane's two axes (the I J form); a full circle
    when start and end agree there. With ``radius`` (the R form) a positive radius makes the arc of
    at most 180 degrees, a negative one the longer (NISTIR 6556, 3.5.3). The third axis of
    ``plane`` moves evenly along the arc (helix). Raises ``ValueError`` where no such arc exists.
    """
    first, second, third = plane
    x0, y0, x1, y1 = start[first], start[second], end[first], end[second]
    if radius is not None:
        half = math.hypot(x1 - x0, y1 - y0) / 2
        if half == 0 or half > abs(radius) * 1.001 + 0.002:
            raise ValueError("no arc of this radius joins the two points")
        height = math.sqrt(max(radius * radius - half * half, 0.0))
        # The short clockwise arc has its centre to the right of the way from start to end.
        side = 1.0 if clockwise != (radius < 0) else -1.0
        cx = (x0 + x1) / 2 + side * height * (y1 - y0) / (2 * half)
        cy = (y0 + y1) / 2 - side * height * (x1 - x0) / (2 * half)
    elif centre is not None:
        cx, cy = x0 + centre[0], y0 + centre[1]
    else:
        raise ValueError("an arc needs a centre or a radius")
    r0, r1 = math.hypot(x0 - cx, y0 - cy), math.hypot(x1 - cx, y1 - cy)
    if r0 == 0 or max(r0, r1) > FARTHEST_MM:
        raise ValueError("the arc's radius is nought or beyond any machine")
    a0, a1 = math.atan2(y0 - cy, x0 - cx), math.atan2(y1 - cy, x1 - cx)
    sweep = (a0 - a1 if clockwise else a1 - a0) % math.tau
    if radius is None and math.hypot(x1 - x0, y1 - y0) < 1e-6:
        sweep = math.tau
    step = 2 * math.acos(max(1 - CHORD_MM / max(r0, r1), 0.5))
    n = max(1, math.ceil(sweep / step))
    part = np.arange(1, n + 1) / n
    angle = a0 + part * (-sweep if clockwise else sweep)
    r = r0 + part * (r1 - r0)
    points = np.empty((n, 3))
    points[:, first] = cx + r * np.cos(angle)
    points[:, second] = cy + r * np.sin(angle)
    points[:, third] = start[third] + part * (end[third] - start[third])
    points[-1] = end
    return points


@dataclass
class _Machine:
    """The state that the language keeps from line to line."""

    at: list[float] = field(default_factory=lambda: [0.0, 0.0, 0.0])
    offset: list[float] = field(default_factory=lambda: [0.0, 0.0, 0.0])
    e: float = 0.0
    unit: float = 1.0
    relative: bool = False
    e_relative: bool = False
    e_relative_said: bool = False
    feed: float = START_FEED_MM_MIN
    motion: int = 1
    plane: tuple[int, int, int] = (0, 1, 2)
    print_a: float = math.nan
    travel_a: float = math.nan
    retract_a: float = math.nan
    axis_a: list[float] = field(default_factory=lambda: [math.inf] * 3)
    line: int = 0
    understood: int = 0
    strange: int = 0
    origin: list[float] = field(default_factory=lambda: [0.0, 0.0, 0.0])
    rows: list[float] = field(default_factory=list)
    """Flat: x, y, z, filament and feed of each move."""
    homed: list[tuple[int, tuple[float, float, float]]] = field(default_factory=list)
    waits: list[tuple[int, float]] = field(default_factory=list)
    changes: list[tuple[int, float, float, float]] = field(default_factory=list)
    """From which move on which accelerations hold: printing, travel, retraction."""
    begun_a: tuple[float, float, float] = (math.nan, math.nan, math.nan)
    """The same where the batch begins."""

    def run(self, block: str) -> Iterator[Moves]:
        """Carry out whole lines."""
        at, offset, rows = self.at, self.offset, self.rows
        for number, f0, x, y, z, e, f1, other in _LINE.findall(block):
            self.line += 1
            if not number:
                if other:
                    self._other(other)
                    if len(rows) > _BATCH_MOVES * 5:
                        yield from self.flush()
                continue
            try:
                unit = self.unit
                if f0 or f1:
                    feed = float(f1 or f0) * unit
                    if feed > 0:
                        self.feed = feed
                if self.relative:
                    if x:
                        at[0] += float(x) * unit
                    if y:
                        at[1] += float(y) * unit
                    if z:
                        at[2] += float(z) * unit
                else:
                    if x:
                        at[0] = float(x) * unit + offset[0]
                    if y:
                        at[1] = float(y) * unit + offset[1]
                    if z:
                        at[2] = float(z) * unit + offset[2]
                if e:
                    pushed = float(e) * unit
                    if not self.e_relative:
                        pushed, self.e = pushed - self.e, pushed
                else:
                    pushed = 0.0
            except ValueError:
                self.strange += 1
                continue
            self.understood += 1
            self.motion = 1
            if x or y or z or e:
                rows.extend((at[0], at[1], at[2], pushed, self.feed))
                if len(rows) > _BATCH_MOVES * 5:
                    yield from self.flush()
        if self.strange > 100 and self.strange > self.understood:
            raise _not_gcode()

    def flush(self) -> Iterator[Moves]:
        """Yield the moves gathered so far."""
        if not self.rows:
            return
        table = np.array(self.rows).reshape(-1, 5)
        # Not `all(<)`: a number that isn't one must fail too.
        if not np.all(np.abs(table[:, :3]) < FARTHEST_MM) or not np.all(np.isfinite(table)):
            raise BadToolpath(
                f"Before line {self.line} the toolpath moves farther than any printer reaches.",
                "The file seems damaged: slice or copy it again.",
            )
        n = len(table)
        end = np.ascontiguousarray(table[:, :3])
        start = np.vstack([np.array([self.origin]), end[:-1]])
        for row, place in self.homed:
            if row < n:
                start[row] = place
        wait = np.zeros(n)
        for row, seconds in self.waits:
            wait[row] = seconds
        pushed = table[:, 3].copy()
        travels = np.any(start[:, :2] != end[:, :2], axis=1)
        acceleration = np.empty(n)
        marks = [*self.changes, (n, math.nan, math.nan, math.nan)]
        now, begun = self.begun_a, 0
        for row, printing, travel, retract in marks:
            part = slice(begun, row)
            acceleration[part] = np.where(
                travels[part], np.where(pushed[part] > 0, now[0], now[1]), now[2]
            )
            begun, now = row, (printing, travel, retract)
        yield Moves(start, end, pushed, table[:, 4] / 60, acceleration, np.array(self.axis_a), wait)
        # Homed after the last move of this batch: the next one starts there.
        self.origin = (
            list(self.homed[-1][1]) if self.homed and self.homed[-1][0] >= n else list(end[-1])
        )
        self.rows.clear()
        self.homed.clear()
        self.waits.clear()
        self.changes.clear()
        self.begun_a = (self.print_a, self.travel_a, self.retract_a)

    def check_whole(self) -> None:
        """Raise ``BadToolpath`` where most of the lines were not G-code."""
        if not self.understood or self.strange > self.understood:
            raise _not_gcode()

    def _other(self, raw: str) -> None:
        """Carry out a line that isn't the common move."""
        text = raw.split(";", 1)[0].strip().upper()
        if not text or text[0] in "%/":
            return
        if len(text) > _LONGEST_LINE:
            self.strange += 1
            return
        if _TEXT_COMMAND.match(text):
            self.understood += 1
            return
        if "*" in text:
            self._check(raw)
            text = text.split("*", 1)[0]
        if "(" in text:
            text = _PARENTHESES.sub("", text)
        text = "".join(text.split())
        if not text:
            return
        words = _WORD.findall(text)
        if sum(len(letter) + len(value) for letter, value in words) != len(text):
            self.strange += 1
            return
        self.understood += 1
        self._carry_out([(letter, float(value) if value else None) for letter, value in words])

    def _check(self, raw: str) -> None:
        found = _CHECKSUM.match(raw.split(";", 1)[0])
        if found is None or found[1].lstrip()[:1].upper() not in ("N", "G"):
            return
        reckoned = 0
        for character in found[1]:
            reckoned ^= ord(character)
        if reckoned != int(found[2]):
            raise BadToolpath(
                f"Line {self.line} of the toolpath carries checksum {found[2]}, "
                f"but its characters give {reckoned}: the file is damaged.",
                "Copy or slice it again.",
            )

    def _carry_out(self, words: list[tuple[str, float | None]]) -> None:
        """One line, its codes in the order that NISTIR 6556 (3.8) lays down."""
        codes = [value for letter, value in words if letter == "G" and value is not None]
        others = [value for letter, value in words if letter == "M" and value is not None]
        given = {letter: value for letter, value in words if value is not None}
        named = {letter for letter, _ in words}
        for code in codes:
            if code in (20, 21):
                self.unit = INCH_MM if code == 20 else 1.0
        if 201 in others:
            self._axis_limits(given)
        if 204 in others:
            self._accelerations(given)
        feed = given.get("F", 0.0) * self.unit
        # M codes give other meanings to their letters.
        if not others and feed > 0:
            self.feed = feed
        if 4 in codes:
            self._dwell(given.get("S", 0.0) + given.get("P", 0.0) / 1000)
        for code in codes:
            if code in _PLANES:
                self.plane = _PLANES[int(code)]
            elif code in (90, 91):
                self.relative = code == 91
                self.e_relative = self.relative or self.e_relative_said
        if 82 in others or 83 in others:
            self.e_relative = self.e_relative_said = 83 in others
        if 28 in codes:
            self._home(named)
        elif 92 in codes:
            self._offset(given)
        elif 92.1 in codes or 92.2 in codes:
            self.offset[:] = [0.0, 0.0, 0.0]
        moving = [int(code) for code in codes if code in (0, 1, 2, 3)]
        if moving:
            self.motion = moving[-1]
        elif codes or others or "T" in named:
            return
        if self.motion in (2, 3):
            if any(letter in given for letter in "XYZEIJKR"):
                self._arc(given)
        elif any(letter in given for letter in "XYZE"):
            self.at[:] = self._target(given)
            self._row(tuple(self.at), self._pushed(given))

    def _target(self, given: dict[str, float]) -> tuple[float, float, float]:
        target = list(self.at)
        for axis, letter in enumerate(_AXES):
            if letter in given:
                base = self.at[axis] if self.relative else self.offset[axis]
                target[axis] = given[letter] * self.unit + base
        return target[0], target[1], target[2]

    def _pushed(self, given: dict[str, float]) -> float:
        if "E" not in given:
            return 0.0
        value = given["E"] * self.unit
        if self.e_relative:
            return value
        pushed, self.e = value - self.e, value
        return pushed

    def _row(self, place: tuple[float, ...], pushed: float) -> None:
        self.rows.extend((*place, pushed, self.feed))

    def _arc(self, given: dict[str, float]) -> None:
        start = (self.at[0], self.at[1], self.at[2])
        end = self._target(given)
        pushed = self._pushed(given)
        first, second, _ = self.plane
        centre = tuple(given.get(_CENTRES[axis], 0.0) * self.unit for axis in (first, second))
        try:
            points = arc_points(
                start,
                end,
                clockwise=self.motion == 2,
                centre=(centre[0], centre[1]),
                radius=given["R"] * self.unit if "R" in given else None,
                plane=self.plane,
            )
        except (ValueError, OverflowError):
            # No such arc: the head ends up there all the same.
            points = np.array([end])
        self.at[:] = end
        for point in points.tolist():
            self._row(point, pushed / len(points))

    def _dwell(self, seconds: float) -> None:
        if 0 < seconds < 86_400:
            self.waits.append((len(self.rows) // 5, seconds))
            self._row(tuple(self.at), 0.0)

    def _home(self, named: set[str]) -> None:
        axes = [axis for axis, letter in enumerate(_AXES) if letter in named] or [0, 1, 2]
        for axis in axes:
            self.at[axis] = 0.0
            self.offset[axis] = 0.0
        self.homed.append((len(self.rows) // 5, (self.at[0], self.at[1], self.at[2])))

    def _offset(self, given: dict[str, float]) -> None:
        for axis, letter in enumerate(_AXES):
            if letter in given:
                self.offset[axis] = self.at[axis] - given[letter] * self.unit
        if "E" in given:
            self.e = given["E"] * self.unit

    def _accelerations(self, given: dict[str, float]) -> None:
        both = given.get("S", 0.0)
        if both > 0:
            self.print_a = self.travel_a = both
        for letter, name in (("P", "print_a"), ("T", "travel_a"), ("R", "retract_a")):
            if given.get(letter, 0.0) > 0:
                setattr(self, name, given[letter])
        self.changes.append((len(self.rows) // 5, self.print_a, self.travel_a, self.retract_a))

    def _axis_limits(self, given: dict[str, float]) -> None:
        for axis, letter in enumerate(_AXES):
            if given.get(letter, 0.0) > 0:
                self.axis_a[axis] = given[letter]
