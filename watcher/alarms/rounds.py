"""When which concern is told, and told again. No clock of its own: time is handed in."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import time

from watcher.alarms.concern import Concern, Urgency

LOUDER = 0.25
"""A failed stop is repeated after this share of the usual pause."""
FIRST_RETRY_S = 10.0


@dataclass(frozen=True)
class Manners:
    """How people want to be told."""

    repeat_s: float = 120.0
    """Pause before an alarm without an answer is sent again."""
    quiet: tuple[time, time] | None = None
    """Local times from and until which only what can wait is held back: never a stop."""
    looks: bool = True
    """Whether *have a look* is worth a message."""

    def is_quiet(self, at: time) -> bool:
        """Whether ``at`` lies in the quiet hours, which may run over midnight."""
        if self.quiet is None:
            return False
        begin, end = self.quiet
        return begin <= at < end if begin <= end else at >= begin or at < end


@dataclass
class _Round:
    """What is known of one concern."""

    answer_before: float | None
    raised_s: float
    next_s: float
    failures: int = 0
    told: bool = False


@dataclass
class Rounds:
    """The state of one run's alarms.

    An answer is told from its being *another* than the one known when the concern was raised, not
    from its time: a clock that is set back must not unmake it.
    """

    manners: Manners
    known: dict[str, tuple[float | None, float]] = field(default_factory=dict)
    """Concerns that an earlier process of the same run raised: the answer known then, and how
    many seconds ago that was."""
    _rounds: dict[str, _Round] = field(default_factory=dict)

    def due(
        self,
        concerns: Iterable[Concern],
        answer: float | None,
        now_s: float,
        local: time,
    ) -> list[Concern]:
        """Return what is to be told now.

        Args:
            concerns: all that hold at the moment.
            answer: UTC seconds of the person's newest answer, if any.
            now_s: monotonic seconds.
            local: time of day where the people are.

        """
        told = []
        current = {concern.key: concern for concern in concerns}
        for key in [key for key in self._rounds if key not in current]:
            # A trouble that comes back is a new one; an advice to stop stays in any case.
            del self._rounds[key]
        for key, concern in current.items():
            if key not in self._rounds:
                before, age_s = self.known.pop(key, (answer, 0.0))
                self._rounds[key] = _Round(before, now_s - age_s, now_s)
            if self._is_due(self._rounds[key], concern.urgency, answer, now_s, local):
                told.append(concern)
                self._rounds[key].next_s = now_s + self.pause_s(concern.urgency)
        return told

    def pause_s(self, urgency: Urgency) -> float:
        """Pause between two messages about the same concern."""
        return self.manners.repeat_s * (LOUDER if urgency == "stop failed" else 1.0)

    def unanswered_s(self, key: str, answer: float | None, now_s: float) -> float | None:
        """Seconds since a concern was raised to which there is no answer yet."""
        known = self._rounds.get(key)
        if known is None or answer != known.answer_before:
            return None
        return now_s - known.raised_s

    def answer_before(self, key: str) -> float | None:
        """The answer that was known when the concern was raised."""
        known = self._rounds.get(key)
        return known.answer_before if known else None

    def came_through(self, key: str, sent: bool, now_s: float) -> None:
        """Hear whether a message reached anybody; if not it is tried again soon."""
        known = self._rounds.get(key)
        if known is None:
            return
        if sent:
            known.failures, known.told = 0, True
            return
        known.failures += 1
        retry_s = min(FIRST_RETRY_S * 2 ** (known.failures - 1), self.manners.repeat_s)
        known.next_s = min(known.next_s, now_s + retry_s)

    def _is_due(
        self, known: _Round, urgency: Urgency, answer: float | None, now_s: float, local: time
    ) -> bool:
        if now_s < known.next_s or answer != known.answer_before:
            return False
        if urgency == "stopped":
            return not known.told
        if urgency == "look":
            # Asked for once; a person who sleeps through it is woken by the stop.
            return self.manners.looks and not known.told and not self.manners.is_quiet(local)
        return True
