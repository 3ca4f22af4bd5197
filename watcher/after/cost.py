"""What failed prints cost and what stopping them early saved, month by month."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from watcher.evidence.intervals import wilson


@dataclass(frozen=True)
class Spent:
    """One run's share."""

    month: str
    """``2026-11``, local time."""
    hours: float
    filament_mm: float
    mass_g: float | None
    money: float | None
    """``None`` where spool or price are not known."""
    failed: bool
    saved_hours: float = 0.0
    """What was not printed any more because a failing print was ended early."""
    saved_mm: float = 0.0
    saved_g: float | None = None
    saved_money: float | None = None


@dataclass(frozen=True)
class Month:
    """A month's sums."""

    month: str
    runs: int
    failed: int
    failed_low: float
    """Wilson's 95 per cent interval of the share that fails."""
    failed_high: float
    hours: float
    mass_g: float
    money: float
    lost_hours: float
    lost_g: float
    lost_money: float
    saved_hours: float
    saved_g: float
    saved_money: float
    unpriced: int
    """Runs whose filament has no known price or mass: they count in hours only."""


def by_month(runs: Iterable[Spent]) -> list[Month]:
    """Sum up, the newest month first."""
    months: dict[str, list[Spent]] = {}
    for run in runs:
        months.setdefault(run.month, []).append(run)
    found = []
    for month in sorted(months, reverse=True):
        own = months[month]
        lost = [run for run in own if run.failed]
        low, high = wilson(len(lost), len(own))
        found.append(
            Month(
                month=month,
                runs=len(own),
                failed=len(lost),
                failed_low=low,
                failed_high=high,
                hours=sum(r.hours for r in own),
                mass_g=sum(r.mass_g or 0.0 for r in own),
                money=sum(r.money or 0.0 for r in own),
                lost_hours=sum(r.hours for r in lost),
                lost_g=sum(r.mass_g or 0.0 for r in lost),
                lost_money=sum(r.money or 0.0 for r in lost),
                saved_hours=sum(r.saved_hours for r in own),
                saved_g=sum(r.saved_g or 0.0 for r in own),
                saved_money=sum(r.saved_money or 0.0 for r in own),
                unpriced=sum(r.money is None for r in own),
            )
        )
    return found
