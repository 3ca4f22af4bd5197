"""Volume and mass of a length of filament: a cylinder."""

from __future__ import annotations

import math


def filament_volume_mm3(length_mm: float, diameter_mm: float) -> float:
    """Volume of a cylinder in mm³. Raises ``ValueError`` unless the diameter is above zero."""
    if not diameter_mm > 0:
        raise ValueError("filament diameter must be above zero")
    return math.pi * (diameter_mm / 2) ** 2 * length_mm


def filament_mass_g(length_mm: float, diameter_mm: float, density_g_cm3: float) -> float:
    """Mass in g. Raises ``ValueError`` unless diameter and density are above zero."""
    if not density_g_cm3 > 0:
        raise ValueError("density must be above zero")
    return filament_volume_mm3(length_mm, diameter_mm) * density_g_cm3 / 1000
