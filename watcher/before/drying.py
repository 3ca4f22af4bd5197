"""Is the filament dry enough?"""

from __future__ import annotations

from dataclasses import dataclass

from watcher.before.materials import Material

DAMP_PERCENT = 50.0
"""Relative humidity above which filament takes up water faster: common practice, no source."""
OVEN = (
    "Dry in a filament dryer or in an oven that is kept for it, never in one for food; check the "
    "oven's true temperature first, since it overshoots, and stay below the spool's own softening "
    "point. Warm plastic gives off fumes: air the room. The filament's data sheet goes before this "
    "table."
)


@dataclass(frozen=True)
class Dryness:
    """Whether to dry, and how."""

    ready: bool
    sentence: str
    recipe: str
    """Temperature and hours with their source."""


def dryness(
    material: Material,
    hours_since: float | None,
    humidity_percent: float | None = None,
    kept_sealed: bool = False,
) -> Dryness:
    """Judge by the hours since the spool was last dried, and by where it was kept.

    In air damper than ``DAMP_PERCENT`` the time a material keeps is halved. Hygroscopic materials
    that were never dried are not ready; others get the benefit of the doubt.
    """
    keeps = material.keeps_dry_h
    damp = humidity_percent is not None and humidity_percent > DAMP_PERCENT
    if damp:
        keeps /= 2
    recipe = (
        f"{material.dry_c.low:.0f} to {material.dry_c.high:.0f} °C for {material.dry_h.low:.0f} to "
        f"{material.dry_h.high:.0f} h ({material.dry_c.source})"
    )
    water = (
        f"takes up {material.water_percent.low:g} to {material.water_percent.high:g} % of water at "
        f"23 °C and 50 % humidity ({material.water_percent.source})"
    )
    takes = (
        f"{material.name} is hygroscopic: it {water}"
        if material.hygroscopic
        else (f"{material.name} {water}")
    )
    if hours_since is None:
        return Dryness(not material.hygroscopic, f"{takes}. When it was dried is not known", recipe)
    place = "sealed" if kept_sealed else "in room air"
    if damp:
        place += f" at {humidity_percent:.0f} % humidity"
    since = f"Dried {_span(hours_since)} ago and kept {place}"
    if kept_sealed or hours_since <= keeps:
        return Dryness(True, since, recipe)
    return Dryness(
        False, f"{since}; it keeps about {_span(keeps)} there (common practice). {takes}", recipe
    )


def _span(hours: float) -> str:
    return f"{hours:.0f} h" if hours < 72 else f"{hours / 24:.0f} days"
