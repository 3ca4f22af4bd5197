"""Gathers from the store all that an export tells of a run."""

from __future__ import annotations

import bisect
import math
from collections.abc import Iterator
from dataclasses import dataclass

from watcher.overlay.drawn import draw
from watcher.page.words import duration
from watcher.records import Advice, Outline, Picture, Reading, Seen, View
from watcher.sources.jpeg import from_file
from watcher.sources.taken import Missed
from watcher.store import (
    AdviceFrom,
    KeptAnswer,
    KeptFrame,
    KeptMoment,
    Plan,
    Run,
    Series,
    Skipped,
    Store,
)
from watcher.trouble import BadExport, BadStore

NOT_JUDGED = "it was not judged"
NOTHING_YET = "Nothing was advised yet."
_AT_ONCE = 100
"""Pictures whose lines are read from the store together."""


@dataclass(frozen=True)
class KeptRun:
    """One run as it stood when it was read."""

    run: Run
    frames: list[KeptFrame]
    """At least one."""
    series: list[Series]
    advice: list[AdviceFrom]
    moments: list[KeptMoment]
    answers: list[KeptAnswer]
    skipped: list[Skipped]
    plan: Plan | None

    def advice_at(self, number: int) -> Advice | None:
        """The advice that held after a frame; ``None`` before the first."""
        place = bisect.bisect_right(self.advice, number, key=lambda each: each.number)
        return self.advice[place - 1].advice if place else None


def read_run(store: Store, run_id: int) -> KeptRun:
    """Read a run.

    Raises:
        BadStore: where there is no such run.
        BadExport: where it holds no picture.

    """
    run = store.run(run_id)
    if run is None:
        raise BadStore(f"No run {run_id} is kept there.", "See watcher runs for their numbers.")
    frames = store.frames(run_id)
    if not frames:
        raise BadExport(f"Run {run_id} holds no pictures.", "Choose another with watcher runs.")
    return KeptRun(
        run,
        frames,
        store.series(run_id),
        store.advice(run_id),
        store.moments(run_id),
        store.answers(run_id),
        store.skipped(run_id),
        store.plan(run_id),
    )


def readings_of(store: Store, kept: KeptRun) -> Iterator[tuple[KeptFrame, tuple[Reading, ...]]]:
    """Each picture with what was read in it."""
    for frame in kept.frames:
        yield frame, store.readings(kept.run.id, frame.number)


def picture_of(store: Store, kept: KeptRun, frame: KeptFrame) -> Picture | None:
    """A picture as the camera gave it, shape (H, W, 3); ``None`` where its file is gone,
    broken or locked away."""
    path = store.frame_path(kept.run.id, frame.name)
    if path is None:
        return None
    try:
        data = path.read_bytes()
    except OSError:
        return None
    taken = from_file(frame.name, data, frame.size, frame.elapsed_s)
    return None if isinstance(taken, Missed) else taken.bgr


def drawn(bgr: Picture, frame: KeptFrame, seen: Seen) -> Picture:
    """A picture with the kept lines over it and the advice below."""
    return draw(bgr, None, seen, title_of(frame), close=False)


def seen_in(store: Store, kept: KeptRun, frames: list[KeptFrame]) -> Iterator[Seen]:
    """What each of ``frames``, which rise in number, told, as far as it was kept."""
    for start in range(0, len(frames), _AT_ONCE):
        some = frames[start : start + _AT_ONCE]
        lines = store.outlines(kept.run.id, some[0].number, some[-1].number + 1)
        for frame in some:
            readings = store.readings(kept.run.id, frame.number)
            yield _seen(kept, frame, readings, lines.get(frame.number, ()))


def title_of(frame: KeptFrame) -> str:
    """``00045.jpg, layer 12, 1 h 05 min into the print``."""
    layer = f", layer {frame.view.layer}" if frame.view else ""
    return f"{frame.name}{layer}, {duration(frame.elapsed_s)} into the print"


def _seen(
    kept: KeptRun,
    frame: KeptFrame,
    readings: tuple[Reading, ...],
    outlines: tuple[Outline, ...],
) -> Seen:
    view = frame.view or View(False, math.inf, 0, math.nan, NOT_JUDGED)
    advice = kept.advice_at(frame.number) or Advice("carry on", NOTHING_YET)
    return Seen(view, readings, (), advice, (), outlines)
