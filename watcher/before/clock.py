"""When a print will end, and which hours of it nobody watches."""

from __future__ import annotations

import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, time, timedelta

USUAL_PACE = 1.05
"""Real seconds to a nominal one before a machine's own pace is known: common practice."""
USUAL_SIGMA = 0.05


@dataclass(frozen=True)
class Hours:
    """A stretch of time, local."""

    begin: datetime
    end: datetime


def learnt_pace(paces: Sequence[float]) -> tuple[float, float]:
    """Median pace of earlier runs and the standard deviation of the next one's.

    With fewer than three runs the spread is not taken below ``USUAL_SIGMA``.
    """
    if not paces:
        return USUAL_PACE, USUAL_SIGMA
    middle = statistics.median(paces)
    if len(paces) < 3:
        return middle, USUAL_SIGMA
    spread = statistics.stdev(paces)
    return middle, max(spread * (1 + 1 / len(paces)) ** 0.5, 0.005)


def hours_unwatched(begin: datetime, end: datetime, watched: tuple[time, time]) -> list[Hours]:
    """The parts of a print that lie outside the daily hours in which somebody looks.

    ``begin`` and ``end`` carry their zone. ``watched`` may run over midnight; where both
    times are the same nobody ever looks. Across a change of the clocks, real time counts.
    """
    zone = begin.tzinfo
    stretches: list[tuple[datetime, datetime]] = []
    day = begin.date() - timedelta(days=1)
    while day <= end.date() + timedelta(days=1):
        first = datetime.combine(day, watched[0], zone)
        last_day = day + timedelta(days=1) if watched[1] < watched[0] else day
        last = datetime.combine(last_day, watched[1], zone)
        stretches.append((first.astimezone(UTC), last.astimezone(UTC)))
        day += timedelta(days=1)
    found: list[Hours] = []
    at, stop = begin.astimezone(UTC), end.astimezone(UTC)
    for first, last in stretches:
        if last <= at or first >= stop:
            continue
        if first > at:
            found.append(Hours(at.astimezone(zone), first.astimezone(zone)))
        at = max(at, last)
    if at < stop:
        found.append(Hours(at.astimezone(zone), stop.astimezone(zone)))
    return found
