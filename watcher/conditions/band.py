"""When the surroundings leave their band: a blanket that slid off, a door that was opened."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from watcher.store import Condition, What

NAMES: dict[What, tuple[str, str]] = {
    "chamber_c": ("The chamber", "°C"),
    "humidity_percent": ("The humidity", "%"),
}
FALL_WINDOW_S = 1800.0


@dataclass(frozen=True)
class Band:
    """Where one kind of reading should stay."""

    what: What
    low: float
    high: float
    patience_s: float = 120.0
    """How long it may be outside before that counts: sensors have bad moments."""


@dataclass(frozen=True)
class Departure:
    """A stretch of time outside the band."""

    what: What
    began_utc_s: float
    ended_utc_s: float | None
    """``None``: it is still outside."""
    worst: float
    sentence: str


def departures(readings: Iterable[Condition], band: Band) -> list[Departure]:
    """Every departure longer than the band's patience, in order of time.

    A chamber counts only once it has been in its band: while it heats up it must be outside.
    """
    own = sorted((r for r in readings if r.what == band.what), key=lambda r: r.utc_s)
    found: list[Departure] = []
    been_inside = False
    outside: list[Condition] = []
    for one in own:
        if band.low <= one.value <= band.high:
            if outside:
                _close(found, own, outside, band, one.utc_s)
            been_inside, outside = True, []
        elif been_inside or one.value > band.high:
            outside.append(one)
    if outside:
        _close(found, own, outside, band, None)
    return found


def _close(
    found: list[Departure],
    own: list[Condition],
    outside: list[Condition],
    band: Band,
    ended_utc_s: float | None,
) -> None:
    first, last = outside[0], outside[-1]
    # Still outside: what was measured counts, not what may come.
    if (last.utc_s if ended_utc_s is None else ended_utc_s) - first.utc_s < band.patience_s:
        return
    low = first.value < band.low
    worst = (min if low else max)(one.value for one in outside)
    name, unit = NAMES[band.what]
    before = [r for r in own if first.utc_s - FALL_WINDOW_S <= r.utc_s < first.utc_s]
    sentence = (
        f"{name} is at {worst:.0f} {unit}, {'below' if low else 'above'} its band of {band.low:g} "
        f"to {band.high:g} {unit}."
    )
    if before:
        from_one = (max if low else min)(before, key=lambda r: r.value)
        at = next(one for one in outside if one.value == worst)
        minutes = max(1.0, (at.utc_s - from_one.utc_s) / 60)
        way = "fell" if low else "rose"
        sentence += f" It {way} from {from_one.value:.0f} {unit} in {minutes:.0f} min."
    if band.what == "chamber_c" and low:
        sentence += " Look whether a door stands open or a blanket slid off."
    found.append(Departure(band.what, first.utc_s, ended_utc_s, worst, sentence))
