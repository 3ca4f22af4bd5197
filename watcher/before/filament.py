"""Will the filament last? Length from mass, and the layer in which it ends."""

from __future__ import annotations

import math
from bisect import bisect_left
from dataclasses import dataclass
from itertools import accumulate
from typing import Literal

from watcher.records import Toolpath
from watcher.toolpath.filament import filament_mass_g
from watcher.trouble import BadFacts

DIAMETER_SIGMA_MM = 0.02
"""Spools promise ± 0.05 mm or less, taken as 2.5 sigma: supplier data sheets, from memory."""
SCALE_SIGMA_G = 1.0
"""A kitchen scale that shows whole grams: common practice, no source."""
EMPTY_SIGMA_G = 3.0
"""Empty spools of one make differ by a few grams: common practice, no source."""
MARKED_SHARE = 0.01
"""One sigma of the mass that is printed on a new spool: common practice, no source."""
SURE = 2.0
"""So many sigma to spare count as enough, so many missing as sure to run out."""

Judgement = Literal["enough", "in doubt", "runs out"]


@dataclass(frozen=True)
class Stock:
    """Filament on a spool."""

    length_mm: float
    sigma_mm: float
    mass_g: float
    how: Literal["weighed", "counted down"]


@dataclass(frozen=True)
class Place:
    """Where in a print something happens."""

    layer: int
    layers: int
    z_mm: float
    elapsed_s: float


@dataclass(frozen=True)
class Forecast:
    """What a print needs, and whether a stock is enough for it."""

    need_mm: float
    start_mm: float
    """Of it, what is pushed before the first layer: purge and prime."""
    mass_g: float
    cost: float | None
    judgement: Judgement
    spare_mm: float
    """Below zero: so much is missing."""
    sigma_mm: float
    ends: Place | None
    """Where the likeliest length ends; ``None`` where that is enough."""
    earliest: Place | None
    """Where it ends if the stock is two sigma shorter."""
    latest: Place | None


def per_mm_g(diameter_mm: float, density_g_cm3: float) -> float:
    """Grams of a millimetre of filament. Raises ``BadFacts`` unless both are above zero."""
    try:
        return filament_mass_g(1.0, diameter_mm, density_g_cm3)
    except ValueError as error:
        raise BadFacts(f"Diameter or density can't be used: {error}.", "Correct it.") from None


def weighed(
    gross_g: float,
    empty_g: float,
    diameter_mm: float,
    density_g_cm3: float,
    *,
    density_sigma: float = 0.0,
    scale_sigma_g: float = SCALE_SIGMA_G,
    empty_sigma_g: float = EMPTY_SIGMA_G,
    diameter_sigma_mm: float = DIAMETER_SIGMA_MM,
) -> Stock:
    """Filament on a spool that was weighed; errors add up in squares (JCGM 100:2008, 5.1.2).

    Raises ``BadFacts`` where the spool weighs less than it does empty.
    """
    mass = gross_g - empty_g
    if mass < 0 or gross_g < 0 or empty_g < 0:
        raise BadFacts(
            f"The spool weighs {gross_g:g} g, less than the {empty_g:g} g it has empty.",
            "Weigh it again, or correct the empty mass.",
        )
    length = mass / per_mm_g(diameter_mm, density_g_cm3)
    scale = math.hypot(scale_sigma_g, empty_sigma_g) / per_mm_g(diameter_mm, density_g_cm3)
    share = math.hypot(2 * diameter_sigma_mm / diameter_mm, density_sigma / density_g_cm3)
    return Stock(length, math.hypot(scale, length * share), mass, "weighed")


def counted(
    marked_g: float,
    used_mm: float,
    diameter_mm: float,
    density_g_cm3: float,
    *,
    density_sigma: float = 0.0,
    diameter_sigma_mm: float = DIAMETER_SIGMA_MM,
) -> Stock:
    """Filament left of a new spool of ``marked_g`` after ``used_mm`` were printed from it.

    Never below zero. Raises ``BadFacts`` where mass or use is below zero.
    """
    if marked_g < 0 or used_mm < 0:
        raise BadFacts("Mass and use of a spool can't be below zero.", "Correct them.")
    per = per_mm_g(diameter_mm, density_g_cm3)
    whole = marked_g / per
    share = math.hypot(
        MARKED_SHARE, 2 * diameter_sigma_mm / diameter_mm, density_sigma / density_g_cm3
    )
    left = max(0.0, whole - used_mm)
    return Stock(left, whole * share, left * per, "counted down")


def after_use(stock: Stock, used_mm: float, per_mm_grams: float) -> Stock:
    """What is left of a weighed spool after more was printed from it; never below zero."""
    left = max(0.0, stock.length_mm - used_mm)
    return Stock(left, stock.sigma_mm, left * per_mm_grams, stock.how)


def start_mm(toolpath: Toolpath) -> float:
    """Filament that is pushed but lies in no layer: purge and prime before the first one."""
    return max(0.0, toolpath.filament_mm - sum(layer.filament_mm for layer in toolpath.layers))


def reached(toolpath: Toolpath, length_mm: float, pace: float = 1.0) -> Place | None:
    """Where the toolpath has pushed ``length_mm``; ``None`` where it ends before that.

    Within a layer, time goes with filament. ``pace`` multiplies nominal seconds.
    """
    layers = toolpath.layers
    # Layers keep single precision, so the sum may differ from the whole by a few thousandths.
    sums = list(accumulate((layer.filament_mm for layer in layers), initial=start_mm(toolpath)))
    if length_mm >= min(sums[-1], toolpath.filament_mm):
        return None
    at = max(0, bisect_left(sums, max(length_mm, 0.0)) - 1)
    at = min(at, len(layers) - 1)
    layer = layers[at]
    share = (length_mm - sums[at]) / layer.filament_mm if layer.filament_mm else 0.0
    seconds = layer.start_s + min(max(share, 0.0), 1.0) * layer.duration_s
    return Place(layer.number, len(layers), layer.z_mm, seconds * pace)


def pushed_by(toolpath: Toolpath, nominal_s: float) -> float:
    """Filament in mm that the toolpath has pushed after so many nominal seconds.

    The inverse of :func:`reached`; after the last layer all of it.
    """
    total = start_mm(toolpath)
    for layer in toolpath.layers:
        if nominal_s < layer.start_s + layer.duration_s and layer.duration_s > 0:
            share = max(0.0, nominal_s - layer.start_s) / layer.duration_s
            return min(total + share * layer.filament_mm, toolpath.filament_mm)
        total += layer.filament_mm
    return toolpath.filament_mm


def forecast(
    toolpath: Toolpath,
    stock: Stock,
    diameter_mm: float,
    density_g_cm3: float,
    *,
    price_per_kg: float | None = None,
    pace: float = 1.0,
) -> Forecast:
    """Set what the toolpath needs against what is there. Raises ``BadFacts`` as ``weighed``."""
    need = toolpath.filament_mm
    mass = need * per_mm_g(diameter_mm, density_g_cm3)
    spare = stock.length_mm - need
    doubt = SURE * stock.sigma_mm
    judgement: Judgement = "enough"
    if spare < -doubt:
        judgement = "runs out"
    elif spare < doubt:
        judgement = "in doubt"
    return Forecast(
        need_mm=need,
        start_mm=start_mm(toolpath),
        mass_g=mass,
        cost=None if price_per_kg is None else mass / 1000 * price_per_kg,
        judgement=judgement,
        spare_mm=spare,
        sigma_mm=stock.sigma_mm,
        ends=reached(toolpath, stock.length_mm, pace),
        earliest=reached(toolpath, max(stock.length_mm - doubt, 0.0), pace),
        latest=reached(toolpath, stock.length_mm + doubt, pace),
    )
