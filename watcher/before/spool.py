"""What is left on a spool, from what is written down of it."""

from __future__ import annotations

from collections.abc import Sequence

from watcher.before.filament import Stock, after_use, counted, per_mm_g, weighed
from watcher.before.materials import material
from watcher.store import Spool, SpoolEvent
from watcher.trouble import BadFacts


def density_of(spool: Spool) -> tuple[float, float]:
    """Density in g/cm³ and its standard deviation: from the data sheet, or of the material's class.

    A range is taken as two sigma to both sides. Raises ``BadFacts`` for an unknown material.
    """
    if spool.density_g_cm3 is not None:
        return spool.density_g_cm3, 0.005 * spool.density_g_cm3
    figure = material(spool.material).density_g_cm3
    return figure.middle, (figure.high - figure.low) / 4


def stock_of(spool: Spool, events: Sequence[SpoolEvent]) -> Stock:
    """Filament that is left: from the last weighing on, or else from the mass printed on it.

    ``events`` are in order of time. Raises ``BadFacts`` where neither is known.
    """
    density, sigma = density_of(spool)
    weighings = [n for n, event in enumerate(events) if event.kind == "weighed"]
    since = events[weighings[-1] + 1 :] if weighings else events
    used = sum(event.length_mm or 0.0 for event in since if event.kind == "used")
    if weighings:
        gross = events[weighings[-1]].gross_g
        if spool.empty_g is None or gross is None:
            raise BadFacts(
                f"The spool {spool.name} was weighed, but its mass when empty is not known.",
                "Add it with watcher spool set --empty.",
            )
        stock = weighed(gross, spool.empty_g, spool.diameter_mm, density, density_sigma=sigma)
        return after_use(stock, used, per_mm_g(spool.diameter_mm, density))
    if spool.marked_g is None:
        raise BadFacts(
            f"How much is on the spool {spool.name} is not known.",
            "Weigh it: watcher spool weigh.",
        )
    return counted(spool.marked_g, used, spool.diameter_mm, density, density_sigma=sigma)


def dried_at(events: Sequence[SpoolEvent]) -> float | None:
    """UTC seconds of the last drying; ``None`` where none is written down."""
    times = [event.utc_s for event in events if event.kind == "dried"]
    return max(times, default=None)
