"""The night's clock, handed to live sources so that a test can hand them its own."""

from __future__ import annotations

import time
from pathlib import Path
from typing import Protocol


class Clock(Protocol):
    """Time as a live source needs it."""

    def elapsed_s(self) -> float:
        """Seconds since the watch began; never runs backwards."""

    def utc_s(self) -> float:
        """Seconds since 1970 in UTC."""

    def wait(self, seconds: float) -> None:
        """Sleep."""


class NightClock:
    """The machine's own clock. Elapsed time is monotonic, so a clock that is set back or a change
    to winter time in the middle of the night does no harm."""

    def __init__(self, elapsed_s: float = 0.0) -> None:
        """``elapsed_s`` says how long the print has gone on already."""
        self._began = time.monotonic() - elapsed_s

    def elapsed_s(self) -> float:
        return time.monotonic() - self._began

    def utc_s(self) -> float:
        return time.time()

    def wait(self, seconds: float) -> None:
        time.sleep(max(0.0, seconds))


class Tempo:
    """How often pictures are wanted, which may change as the night goes on.

    By time: every ``usual_s``, and every ``quick_s`` while evidence grows. By layer: whenever
    ``layer_file`` is touched, and after ``usual_s`` in any case, so that a caller that fell silent
    does not blind the watch.
    """

    POLL_S = 0.25

    def __init__(
        self, usual_s: float, quick_s: float | None = None, layer_file: Path | None = None
    ) -> None:
        self._usual_s = usual_s
        self._quick_s = usual_s if quick_s is None else min(quick_s, usual_s)
        self._file = layer_file
        self._touched = self._time()
        self.interval_s = usual_s

    @property
    def by_layer(self) -> bool:
        """Whether something calls for each picture."""
        return self._file is not None

    def follow(self, strength: float) -> None:
        """Hear how far evidence has grown: 1 is enough to say stop."""
        self.interval_s = self._quick_s if strength >= HURRY_FROM else self._usual_s

    def called(self) -> bool:
        """Whether the layer file was touched since the last time this was asked."""
        before, self._touched = self._touched, self._time()
        return self._touched != before

    def _time(self) -> int:
        try:
            return self._file.stat().st_mtime_ns if self._file else 0
        except OSError:
            return 0


HURRY_FROM = 0.35
"""Share of the evidence for a stop from which on pictures come quicker."""


class Pace:
    """Keeps a loop to one turn every so many seconds, without ever hurrying to catch up."""

    def __init__(self, clock: Clock, tempo: float | Tempo) -> None:
        self._clock = clock
        self._tempo = tempo if isinstance(tempo, Tempo) else Tempo(tempo)
        self._due_s = clock.elapsed_s()

    def wait(self) -> None:
        """Sleep until the next turn is due."""
        self._due_s += self._tempo.interval_s
        now_s = self._clock.elapsed_s()
        if self._tempo.by_layer:
            self._wait_for_call()
        else:
            self._clock.wait(max(0.0, self._due_s - now_s))
        self._due_s = max(self._due_s, now_s)

    def _wait_for_call(self) -> None:
        while (left_s := self._due_s - self._clock.elapsed_s()) > 0 and not self._tempo.called():
            self._clock.wait(min(self._tempo.POLL_S, left_s))
        self._due_s = self._clock.elapsed_s()
