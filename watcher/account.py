"""Gathers what a night told, and gives it as the record to score by or in plain words."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from typing import Any

from watcher.advice.sentence import NO_TOOLPATH, OFF
from watcher.advice.stake import sum_of
from watcher.page.words import CAUTIONS, duration, fault, how_sure
from watcher.records import Advice, FaultKind, Frame, Moment, Reading, Seen
from watcher.sources.taken import Missed

LIFTS: frozenset[FaultKind] = frozenset({"corner-lift", "overhang-curl"})
"""Kinds that are measured as a height in mm at a corner."""

SELDOM = 0.1
"""A place that is hidden in a smaller share of the pictures is not worth a line of its own."""


@dataclass
class _Watched:
    """How often one place was measured."""

    seen: int = 0
    unseen: int = 0
    why: str = ""

    @property
    def total(self) -> int:
        return self.seen + self.unseen


class Account:
    """Listens to a night. Its size does not grow with the night unless ``every_frame`` is set."""

    def __init__(self, every_frame: bool = False) -> None:
        self._every_frame = every_frame
        self.frames = 0
        self.last_s = 0.0
        self.missed: Counter[str] = Counter()
        self.missed_names: list[str] = []
        self.stop: tuple[str, float, Advice] | None = None
        """Name and elapsed seconds of the first frame after which the advice was to stop."""
        self.advice: Advice | None = None
        self.moments: list[Moment] = []
        self.unregistered: Counter[str] = Counter()
        self._watched: dict[tuple[FaultKind, str], _Watched] = {}
        self._lifts: list[dict[str, Any]] = []
        self._no_toolpath = False

    def heard_frame(self, frame: Frame, seen: Seen) -> None:
        self.frames += 1
        self.last_s = frame.elapsed_s
        self.advice = seen.advice
        self.moments.extend(seen.moments)
        if self.stop is None and seen.advice.level == "stop":
            self.stop = (frame.name, frame.elapsed_s, seen.advice)
        if not seen.view.registered:
            self.unregistered[seen.view.reason] += 1
        for reading in seen.readings:
            self._no_toolpath |= reading.unseen == NO_TOOLPATH
            watched = self._watched.setdefault((reading.kind, reading.place), _Watched())
            if reading.value is None:
                watched.unseen += 1
                watched.why = reading.unseen
            else:
                watched.seen += 1
        if self._every_frame:
            lifts = [_lift(r) for r in seen.readings if r.kind in LIFTS and r.value is not None]
            self._lifts.append(
                {"file": frame.name, "layer": seen.view.layer, "lifts": [x for x in lifts if x]}
            )

    def heard_missed(self, missed: Missed) -> None:
        self.missed[missed.reason] += 1
        if len(self.missed_names) < 3:
            self.missed_names.append(missed.name)

    def record(self) -> dict[str, Any]:
        """The night as plain JSON: ``stop``, ``moments``, what was ``off`` and, for every frame,
        layer and lifts."""
        stop = None
        if self.stop is not None:
            name, elapsed_s, advice = self.stop
            at = advice.place_mm if advice.kind in LIFTS else None
            stop = {
                "file": name,
                "elapsed_s": elapsed_s,
                "kind": advice.kind,
                "corner_bed_mm": None if at is None else [float(at[0]), float(at[1])],
                "sentence": advice.sentence,
            }
        return {
            "stop": stop,
            "moments": [
                {
                    "file": moment.name,
                    "elapsed_s": moment.elapsed_s,
                    "kind": moment.kind,
                    "level": moment.level,
                    "sentence": moment.sentence,
                }
                for moment in self.moments
            ],
            "off": [OFF] if self._no_toolpath else [],
            "frames": self._lifts,
        }

    def words(self) -> list[str]:
        """The night in plain words, a line each: what was found, when, how sure, what was not
        seen, and the cautions."""
        lines = [f"{_count(self.frames, 'picture')} looked at, over {duration(self.last_s)}."]
        lines += [OFF] if self._no_toolpath else []
        lines += self._missed_words()
        lines += self._found_words()
        if self.moments:
            lines.append("Flagged moments:")
            lines += [
                f"  {duration(m.elapsed_s)} ({m.name}): {m.sentence}"
                for m in sorted(self.moments, key=lambda m: m.index)
            ]
        lines += self._unseen_words()
        lines.append(" ".join(CAUTIONS))
        return lines

    def _missed_words(self) -> list[str]:
        count = self.missed.total()
        if not count:
            return []
        reason, _ = self.missed.most_common(1)[0]
        names = ", ".join(self.missed_names) + (" and others" if count > 3 else "")
        return [f"{_count(count, 'picture')} could not be used ({names}): {reason}."]

    def _found_words(self) -> list[str]:
        if self.stop is None:
            if self.advice is not None and self.advice.level != "carry on":
                return [f"At the end: {self.advice.sentence}"]
            return ["Nothing was found that would be a reason to stop."]
        name, elapsed_s, advice = self.stop
        lines = [f"{duration(elapsed_s)} into the print ({name}): {advice.sentence}"]
        if sure := how_sure(advice):
            lines.append(f"How sure: {sure}.")
        if advice.unseen:
            lines.append(f"Not seen then: {', '.join(advice.unseen)}.")
        if advice.stake is not None:
            lines.append("What was at stake:")
            lines += [f"  {line}" for line in sum_of(advice.stake)]
        return lines

    def _unseen_words(self) -> list[str]:
        lines = [
            f"Not seen: bed and part in {_count(n, 'picture')} ({reason})."
            for reason, n in self.unregistered.items()
        ]
        often = [
            (kind, place, watched)
            for (kind, place), watched in sorted(self._watched.items())
            if watched.unseen > SELDOM * watched.total
        ]
        lines += [
            f"Not seen: {place} ({fault(kind)}) in {watched.unseen} of {watched.total} pictures "
            f"(at last: {watched.why})."
            for kind, place, watched in often
        ]
        if len(often) < len(self._watched):
            lines.append("Every other watched place was seen in nine of ten pictures or more.")
        return lines


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def _lift(reading: Reading) -> dict[str, Any] | None:
    """One lift for the record; None where its place or value is not known as a finite number."""
    if reading.place_mm is None or reading.value is None or not math.isfinite(reading.value):
        return None
    known = reading.sigma is not None and math.isfinite(reading.sigma)
    return {
        "corner_bed_mm": [float(reading.place_mm[0]), float(reading.place_mm[1])],
        "lift_mm": float(reading.value),
        "sigma_mm": float(reading.sigma) if known and reading.sigma is not None else None,
    }
