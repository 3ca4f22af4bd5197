"""From one frame's readings to advice: wires evidence and advice for one run.

Needs no picture, so a kept run can be judged again from what was measured.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace

import numpy as np

from watcher.advice.sentence import OFF, OVER_SENTENCE, STOPPED_SENTENCE
from watcher.advice.stake import Course, weigh_stake
from watcher.advice.verdict import LINGER, Now, Place, advise
from watcher.evidence.bars import bars_for
from watcher.evidence.drift import Drift
from watcher.evidence.faults import Faults
from watcher.evidence.onset import hinge
from watcher.records import (
    Advice,
    Answer,
    FaultKind,
    Moment,
    Reading,
    Sight,
    Stake,
    Suspicion,
    Toolpath,
    Weights,
)

BLIND_FRAMES = 8
"""So many frames in a row that show nothing are worth waking somebody for a look."""
LOST_FRAMES = 15
"""So many frames in a row in which every corner that used to be seen is hidden are, too."""
LONG_S = 120.0
"""Neither is worth it before so much time has gone by."""
UNKNOWN_S = 8 * 3600.0
"""A print whose end is not known is taken to go on for a night."""
REMEMBERED = 400
"""Newest readings of a place that its beginning is looked for in: memory stays flat."""
LIFTS: tuple[FaultKind, ...] = ("corner-lift", "overhang-curl")
RATED: tuple[FaultKind, ...] = (*LIFTS, "spaghetti", "no-growth")
"""Kinds that grow, and whose beginning is that of a climb; others come with a jerk."""


@dataclass(frozen=True)
class Weighed:
    """What one frame's readings came to."""

    suspicions: tuple[Suspicion, ...]
    readings: tuple[Reading, ...]
    """Lifts taken from their zero and smoothed; one for each that went in."""
    advice: Advice
    moments: tuple[Moment, ...]


class Weigh:
    """Evidence and advice of one run. Give it every frame in order."""

    def __init__(
        self, toolpath: Toolpath | None, weights: Weights, places: dict[FaultKind, int]
    ) -> None:
        """Prepare a run; ``places`` says how many corners of each kind are watched.

        Without a toolpath nothing is known of the end, and no stake is given.
        """
        self._weights = weights
        self._places: dict[FaultKind, int] = {
            **places,
            "spaghetti": 1,
            "detached": 1,
            "layer-step": 1,
            "no-growth": 1,
        }
        self._course = None if toolpath is None else Course(toolpath)
        self._faults = Faults()
        self._drift = Drift()
        self._past: dict[Place, deque[tuple[int, float, float, float]]] = {}
        self._advice: Advice | None = None
        self._held: dict[Place, tuple[Suspicion, int]] = {}
        self._spared: dict[Place, float] = {}
        self._amounts: dict[Place, float] = {}
        self._times: list[float] = []
        self._layers: list[int] = []
        self._names: list[str] = []
        self._indices: list[int] = []
        self._blind = 0
        self._blind_bar = BLIND_FRAMES
        self._last_seen: dict[str, int] = {}
        self._lost_since = 0
        self._over = False

    def weigh(self, sight: Sight) -> Weighed:
        """Take in one frame and say what holds after it."""
        self._times.append(sight.elapsed_s)
        self._layers.append(sight.layer)
        self._names.append(sight.name)
        self._indices.append(sight.index)
        at = len(self._times) - 1
        if sight.over:
            return self._after_the_end(sight)
        self._set_bars(at)
        if sight.blind:
            suspicions, readings = self._unseen(sight.blind, at), sight.readings
        else:
            self._blind, self._blind_bar = 0, BLIND_FRAMES
            level = self._drift.take_off(sight.readings, at)
            self._remember(level, at)
            found, readings = self._faults.update(level, at, sight.found_share)
            suspicions = tuple(map(self._dated, found))
            self._held |= {(s.kind, s.place): (s, at) for s in suspicions}
            suspicions += self._hidden(readings, at)
        suspicions += self._still_held(suspicions, at)
        self._amounts = {(s.kind, s.place): s.amount for s in suspicions}
        advice = self._advised(suspicions, readings, at)
        moments = self._moments(sight, advice)
        self._advice = advice
        return Weighed(suspicions, readings, advice, moments)

    def hear(self, answer: Answer) -> None:
        """Take in what a person said; it counts from the next frame on."""
        if answer.said == "stopped":
            self._over = True
        if answer.said != "still fine" or self._advice is None:
            return
        kind = answer.kind or self._advice.kind
        place = answer.place if answer.kind else self._advice.place
        if kind is None:
            return
        if kind == "cannot-see":
            self._blind_bar = 2 * max(self._blind, BLIND_FRAMES)
            self._lost_since = len(self._times)
        else:
            here = (kind, place)
            amount = max(self._amounts.get(here, 0.0), self._spared.get(here, 0.0))
            self._spared[here] = amount
            self._faults.spare(kind, place, amount)
            self._held.pop(here, None)
        if (self._advice.kind, self._advice.place) == (kind, place):
            self._advice = None

    def _after_the_end(self, sight: Sight) -> Weighed:
        """Nothing is judged any more; a stop that nobody has answered stays."""
        if self._advice is None or self._advice.level != "stop":
            self._advice = Advice("carry on", OVER_SENTENCE)
        return Weighed((), sight.readings, self._advice, ())

    # Evidence

    def _set_bars(self, at: int) -> None:
        """Thresholds by the frames that are to be expected; anew as their pace becomes known."""
        if at < 1 or at & (at - 1):
            return
        spacing = max((self._times[-1] - self._times[0]) / at, 0.1)
        left_s = self._to_come_s(at)
        weights = self._weights
        self._faults.bars = bars_for(
            weights.false_stops_per_100_nights,
            weights.failing_nights_per_100,
            self._places,
            at + (UNKNOWN_S if left_s is None else left_s) / spacing,
            spacing,
        )

    def _to_come_s(self, at: int) -> float | None:
        if self._course is None:
            return None
        return self._course.to_come_s(self._layers[at], self._times[at])

    def _remember(self, readings: tuple[Reading, ...], at: int) -> None:
        for one in readings:
            if one.kind in RATED and one.value is not None and one.sigma is not None:
                past = self._past.setdefault((one.kind, one.place), deque(maxlen=REMEMBERED))
                value = -one.value if one.kind == "no-growth" else one.value
                past.append((at, self._times[at], value, max(one.sigma, 1e-3)))

    def _dated(self, suspicion: Suspicion) -> Suspicion:
        """With beginning and growth, once it is worth a look."""
        past = self._past.get((suspicion.kind, suspicion.place))
        if past is None or suspicion.strength < LINGER * suspicion.threshold:
            return suspicion
        numbers, times, values, sigmas = np.array(past, dtype=np.float64).T
        onset = hinge(times, values, sigmas)
        if onset is None:
            return suspicion
        began = int(numbers[onset.index])
        return replace(suspicion, began_index=began, per_hour=onset.per_hour)

    def _still_held(self, fresh: tuple[Suspicion, ...], at: int) -> tuple[Suspicion, ...]:
        """Suspicions of places that this frame did not show: being hidden clears nobody."""
        known = {(s.kind, s.place) for s in fresh}
        return tuple(
            suspicion
            for place, (suspicion, seen) in self._held.items()
            if place not in known and at - seen <= LOST_FRAMES
        )

    # What is not seen

    def _unseen(self, why: str, at: int) -> tuple[Suspicion, ...]:
        """The picture shows nothing; after a while that is an alarm of its own."""
        self._blind += 1
        began = at - self._blind + 1
        if self._blind < self._blind_bar or self._times[at] - self._times[began] < LONG_S:
            return ()
        count, bar = float(self._blind), float(self._blind_bar)
        return (Suspicion("cannot-see", why, None, count, bar, began, count, 0.0, "frames"),)

    def _hidden(self, readings: tuple[Reading, ...], at: int) -> tuple[Suspicion, ...]:
        """The bed is seen, but every corner that used to be seen has been hidden for long."""
        for one in readings:
            if one.kind in LIFTS and one.value is not None:
                self._last_seen[one.place] = at
        if not self._last_seen:
            return ()
        last = max(*self._last_seen.values(), self._lost_since)
        if at - last < LOST_FRAMES or self._times[at] - self._times[last] < LONG_S:
            return ()
        count = float(at - last)
        return (
            Suspicion(
                "cannot-see",
                "all watched corners are hidden",
                None,
                count,
                float(LOST_FRAMES),
                last,
                count,
                0.0,
                "frames",
            ),
        )

    # Advice

    def _advised(
        self, suspicions: tuple[Suspicion, ...], readings: tuple[Reading, ...], at: int
    ) -> Advice:
        if self._over:
            return Advice("carry on", STOPPED_SENTENCE)
        lifts = [r for r in readings if r.kind in LIFTS]
        hidden = tuple(r.place for r in lifts if r.value is None)
        now = Now(
            self._times,
            self._layers,
            self._to_come_s(at),
            len(lifts),
            len(lifts) - len(hidden),
            hidden,
            self._spared,
        )
        highest = max((s.amount for s in suspicions if s.kind in LIFTS), default=0.0)

        def stake_of(suspicion: Suspicion) -> Stake | None:
            if self._course is None:
                return None
            chance = suspicion.chance
            if chance is None:
                chance = self._weights.failing_nights_per_100 / 100.0
            return weigh_stake(
                self._course,
                self._layers[at],
                self._times[at],
                highest,
                chance,
                self._weights.prices,
            )

        advice = advise(self._advice, suspicions, now, stake_of)
        if self._course is None and advice.level == "carry on":
            return replace(advice, sentence=f"{advice.sentence} {OFF}")
        return advice

    def _moments(self, sight: Sight, advice: Advice) -> tuple[Moment, ...]:
        """A rise of the advice is a moment; so is the beginning of what led to a stop."""
        before = self._advice
        rank = {"carry on": 0, "have a look": 1, "stop": 2}
        old = rank[before.level] if before else 0
        if advice.kind is None or rank[advice.level] <= old:
            return ()
        here = Moment(
            sight.index, sight.name, sight.elapsed_s, advice.kind, advice.level, advice.sentence
        )
        if advice.level != "stop" or advice.since_s is None:
            return (here,)
        began = int(np.searchsorted(self._times, advice.since_s))
        if began >= len(self._times) - 1:
            return (here,)
        start = replace(
            here,
            index=self._indices[began],
            name=self._names[began],
            elapsed_s=self._times[began],
            level="have a look",
            sentence="Here it began.",
        )
        return (start, here)
