"""What a person in bed needs to know of a run, in few words, and where in the picture to look.

Pure: times come as arguments.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np

from watcher.advice.sentence import OVER_SENTENCE, STOPPED_SENTENCE
from watcher.page.words import duration
from watcher.records import Advice, FaultKind, Outline, Reading
from watcher.scene.finish import ToEnd
from watcher.store import KeptFrame, KeptStop, Run, Sign

Mood = Literal[
    "carry-on",
    "look",
    "stop",
    "answered",
    "waiting",
    "unseen",
    "hindered",
    "dead",
    "stopped",
    "stop-failed",
    "over",
]
"""What the view is coloured by. ``unseen``: the newest pictures don't show the part. ``hindered``:
the watch lives and says what is wrong with itself. Losing contact is the browser's to tell."""

URGENCY: tuple[Mood, ...] = (
    *("stop-failed", "dead", "stop", "hindered", "unseen", "look", "answered"),
    *("waiting", "stopped", "carry-on", "over"),
)
"""What to look at first, where there are several."""

LEAST_PATIENCE_S = 45.0
"""A picture younger than this is never too old."""
PATIENCE = 3.0
"""Pauses between pictures after which the next one is late."""
MARGIN = 0.18
"""Of the watched places' own extent, left free around them."""
LEAST_SHARE = 0.3
"""Of the picture's width: a crop narrower than this would show blocks, not a corner."""

_STOP: dict[FaultKind, str] = {
    "corner-lift": "Stop: the {place} lifts.",
    "overhang-curl": "Stop: an overhang curls up.",
    "spaghetti": "Stop: loose strands.",
    "detached": "Stop: the part came loose.",
    "layer-step": "Stop: the layers have stepped aside.",
    "no-growth": "Stop: nothing grows any more.",
    "cannot-see": "Stop: the part can’t be seen.",
}
_LOOK: dict[FaultKind, str] = {
    "corner-lift": "Have a look: {place}.",
    "overhang-curl": "Have a look: an overhang.",
    "spaghetti": "Have a look: strands?",
    "detached": "Have a look: does the part hold?",
    "layer-step": "Have a look: a step in the layers?",
    "no-growth": "Have a look: does it still grow?",
    "cannot-see": "Have a look: the part can’t be seen.",
}


@dataclass(frozen=True)
class Glance:
    """The advice in few words."""

    mood: Mood
    head: str
    """The big sentence."""
    detail: str
    """One or two sentences below it."""
    going_on: bool
    """Whether the print may still be going on, so that there is something to stop."""
    wants_answer: bool
    """Whether a person is asked to say that he or she is looking."""


@dataclass(frozen=True)
class Crop:
    """The part of the picture to show, and what to mark in it, in pixels of the frame."""

    x: float
    y: float
    width: float
    height: float
    mark: tuple[float, float, float] | None
    """Centre and radius of a ring around the suspected place; ``None`` where there is none."""


def glance(
    run: Run,
    *,
    sign: Sign | None,
    stops: Sequence[KeptStop],
    newest: KeptFrame | None,
    readings: Sequence[Reading],
    answered: bool,
) -> Glance:
    """How a run stands.

    Args:
        run: the run.
        sign: last sign of life of its watch; ``None`` where none is expected.
        stops: attempts to stop it, in order.
        newest: its newest picture.
        readings: of the newest judged picture.
        answered: whether a person has answered the advice.

    """
    advice = run.advice
    told = "" if advice is None else advice.sentence
    tried = [stop for stop in stops if not stop.dry and stop.ok is not None]
    if run.state in ("finished", "left early"):
        return _ended(run)
    if tried and tried[-1].ok is False:
        return Glance(
            "stop-failed",
            "Stopping failed: go to the printer.",
            f"{_capital(tried[-1].action)}: {tried[-1].detail}. Stop it by hand, by its maker’s "
            "means.",
            going_on=True,
            wants_answer=True,
        )
    if run.state == "interrupted" or (sign is not None and not sign.fresh):
        since = "" if sign is None or sign.age_s is None else f" for {duration(sign.age_s)}"
        return Glance(
            "dead",
            "Nobody is watching: the watch has died.",
            f"It has given no sign of life{since}. Go and look at the printer."
            + (f" Its last advice: {told}" if told else ""),
            going_on=True,
            wants_answer=True,
        )
    if tried and tried[-1].ok:
        return Glance(
            "stopped",
            "The stop was sent: see that it stands still.",
            f"By {tried[-1].who}, with {tried[-1].action}: {tried[-1].detail}. Nozzle and bed stay "
            "hot; air the room before you go near. A message may be taken and not obeyed.",
            going_on=True,
            wants_answer=False,
        )
    if advice is not None and advice.level == "stop":
        return Glance(
            "answered" if answered else "stop",
            _head(_STOP, advice),
            ("Answered: the alarm is not repeated. " if answered else "") + _reason(advice),
            going_on=True,
            wants_answer=not answered,
        )
    if sign is not None and sign.trouble:
        return Glance(
            "hindered",
            "The watch is hindered: go and look.",
            sign.trouble,
            going_on=True,
            wants_answer=True,
        )
    return _quiet(run, advice, newest, readings, answered)


def _ended(run: Run) -> Glance:
    last = "" if run.advice is None else f" The last advice was: {run.advice.sentence}"
    if run.state == "left early":
        return Glance(
            "over",
            "The watch was ended early.",
            f"The print may still be going on, and nothing watches it.{last}",
            going_on=True,
            wants_answer=False,
        )
    if run.advice is not None and run.advice.sentence == OVER_SENTENCE:
        last = ""
    return Glance(
        "over",
        "The print is over.",
        f"It was watched to the last picture. Nozzle and bed may still be hot.{last}",
        going_on=False,
        wants_answer=False,
    )


def _quiet(
    run: Run,
    advice: Advice | None,
    newest: KeptFrame | None,
    readings: Sequence[Reading],
    answered: bool,
) -> Glance:
    if newest is None:
        return Glance(
            "waiting", "No picture yet.", "The first one is waited for.", True, wants_answer=False
        )
    if advice is None:
        return Glance(
            "waiting",
            "No advice yet.",
            "The first pictures are being judged. Until then nothing is watched.",
            True,
            wants_answer=False,
        )
    if advice.sentence == OVER_SENTENCE:
        return Glance(
            "over", "The print is over.", "Nothing is judged any more.", False, wants_answer=False
        )
    if advice.sentence == STOPPED_SENTENCE:
        return Glance(
            "stopped",
            "A person has stopped this print.",
            "Nothing is judged any more. Nozzle and bed stay hot.",
            True,
            wants_answer=False,
        )
    if advice.level == "have a look":
        said = "Answered: the alarm is not repeated. " if answered else ""
        mood: Mood = "answered" if answered else "look"
        if advice.kind == "cannot-see" and not answered:
            mood = "unseen"
        return Glance(
            mood,
            _head(_LOOK, advice),
            said + _reason(advice),
            True,
            wants_answer=not answered,
        )
    why = _why_unseen(newest, readings)
    if why:
        return Glance(
            "unseen",
            "Not seen just now.",
            f"{_capital(why)}. Nothing was found wrong when it was last seen.",
            True,
            wants_answer=False,
        )
    return Glance("carry-on", "Carry on.", _reason(advice), True, wants_answer=False)


def _why_unseen(newest: KeptFrame, readings: Sequence[Reading]) -> str:
    """Why the newest picture shows nothing of the part; empty where it does."""
    if newest.view is not None and not newest.view.registered:
        return f"the newest picture can’t be used: {newest.view.reason}"
    lifts = [one for one in readings if one.kind in ("corner-lift", "overhang-curl")]
    if lifts and all(one.value is None for one in lifts):
        return f"none of the watched corners is seen: {lifts[0].unseen}"
    return ""


def _head(heads: dict[FaultKind, str], advice: Advice) -> str:
    if advice.kind is None:
        return f"{_capital(advice.level)}."
    return heads[advice.kind].format(place=advice.place or "part")


def _reason(advice: Advice) -> str:
    """The advice's sentence without the level, which the big sentence says."""
    level, colon, reason = advice.sentence.partition(": ")
    known = level.lower() in ("carry on", "have a look", "stop", "stop the print")
    return _capital(reason) if colon and known else advice.sentence


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def patience_s(times_s: Sequence[float]) -> float:
    """Age from which on the newest picture is too old, from the elapsed times of the newest ones
    in order. A layer may take its time, so the longest pause counts."""
    pauses = [after - before for before, after in pairwise(times_s)]
    return max(LEAST_PATIENCE_S, PATIENCE * max(pauses, default=0.0))


def crop(
    outlines: Sequence[Outline], frame_size: tuple[int, int], advice: Advice | None
) -> Crop | None:
    """The part of the picture around the watched places; ``None`` where nothing is known of them.

    Strands count where the advice is about strands; otherwise they may lie far from any corner.
    """
    suspected = _suspected(outlines, advice)
    shown = [line for line in outlines if line.role != "strand"] + suspected
    points = [line.points_px for line in shown if len(line.points_px)]
    if not points:
        return None
    width, height = frame_size
    low, high = _extent(points, frame_size)
    margin = MARGIN * float(max(high - low))
    low, high = low - margin, high + margin
    middle = (low + high) / 2
    size = np.maximum(high - low, LEAST_SHARE * width * np.array([1.0, 0.75]))
    size = np.minimum(size, [width, height])
    corner = np.clip(middle - size / 2, 0, np.array([width, height]) - size)
    mark = None
    found = [line.points_px for line in suspected if len(line.points_px)]
    if found:
        first, last = _extent(found, frame_size)
        x, y = (first + last) / 2
        radius = max(float(np.hypot(*(last - first))) / 2, 0.06 * float(size[0]))
        mark = (round(float(x), 1), round(float(y), 1), round(radius, 1))
    x0, y0, w, h = (round(float(v), 1) for v in (*corner, *size))
    return Crop(x0, y0, w, h, mark)


def _suspected(outlines: Sequence[Outline], advice: Advice | None) -> list[Outline]:
    """Lines that show what the advice is about; of strands the longest, for a ring around all of
    them would go round everything."""
    if advice is None or advice.level == "carry on":
        return []
    if advice.kind == "spaghetti":
        strands = [line for line in outlines if line.role == "strand"]
        return sorted(strands, key=lambda line: len(line.points_px))[-1:]
    return [line for line in outlines if line.role == "measured" and line.place == advice.place]


def _extent(
    points: Sequence[np.ndarray], frame_size: tuple[int, int]
) -> tuple[np.ndarray, np.ndarray]:
    """Lowest and highest x and y that lie within the picture."""
    inside = np.clip(np.concatenate(points), 0, np.array(frame_size, float) - 1)
    return inside.min(axis=0), inside.max(axis=0)


def end_words(to_end: ToEnd | None, age_s: float, *, planned: bool) -> tuple[str, str]:
    """Time to the end from now, and how sure that is, in words.

    Args:
        to_end: as of the newest picture; ``None`` where nothing is known.
        age_s: of that picture.
        planned: whether the run has a toolpath.

    """
    if to_end is None:
        why = "No picture was placed yet." if planned else "There is no toolpath to tell it."
        return "not known", why
    left_s = to_end.seconds - age_s
    early, late = span_s(to_end, age_s)
    if late <= 0:
        return "should be over", "By its toolpath and its pace so far it should have ended by now."
    if left_s < 60:
        return "about now", f"It may take {duration(late)} more."
    return (
        f"about {duration(left_s)}",
        f"Between {duration(early)} and {duration(late)} at this pace.",
    )


def span_s(to_end: ToEnd, age_s: float) -> tuple[float, float]:
    """Seconds from now between which the end lies in nineteen prints of twenty (two standard
    deviations), rounded outwards to 5 minutes, or to one where it is near."""
    left_s = to_end.seconds - age_s
    step = 300.0 if left_s > 3600 else 60.0
    early = max(0.0, np.floor((left_s - 2 * to_end.sigma_s) / step) * step)
    return float(early), float(np.ceil((left_s + 2 * to_end.sigma_s) / step) * step)
