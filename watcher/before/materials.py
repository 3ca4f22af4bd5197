"""What is known about filament materials, each figure with where it comes from.

Ranges hold for the class of material. The data sheet of the spool in hand goes before this table.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

from watcher.trouble import BadFacts

CRAWFORD = "Crawford, Plastics Engineering, table 1.8"
SHEET = "handbook sheet, thermal properties of plastic materials"
FAUST = "Faust et al. 2021, Polymers 13, 3637"
SUPPLIER = "supplier data sheets of this class, from memory"
NYLON_BOOK = "Kohan, Nylon Plastics Handbook, 1995, from memory"
COMMON = "common practice, no source"

Range = tuple[float, float]


@dataclass(frozen=True)
class Figure:
    """A figure's range and its source."""

    low: float
    high: float
    source: str

    @property
    def middle(self) -> float:
        """Middle of the range."""
        return (self.low + self.high) / 2


@dataclass(frozen=True)
class Material:
    """One class of filament."""

    name: str
    density_g_cm3: Figure
    expansion_per_k: Figure
    """Coefficient of linear thermal expansion along the layer; stands for the shrinkage."""
    glass_c: Figure
    """Glass transition, degrees Celsius, dry."""
    dry_c: Figure
    dry_h: Figure
    water_percent: Figure
    """Water taken up at 23 °C and 50 % relative humidity, per cent of the mass."""
    keeps_dry_h: float
    """Hours in room air after which it wants drying again; ``COMMON``."""
    hygroscopic: bool = False
    semi_crystalline: bool = False
    """Shrinks from its crystallisation on, well above the glass transition."""
    fumes: str = ""


_STYRENE = (
    "Gives off styrene (Azimi et al. 2016, doi:10.1021/acs.est.5b04983): enclose and air the room."
)
_CAPROLACTAM = (
    "Gives off caprolactam (Azimi et al. 2016, doi:10.1021/acs.est.5b04983): enclose and air the "
    "room."
)

MATERIALS: tuple[Material, ...] = (
    Material(
        "PLA",
        Figure(1.23, 1.25, SUPPLIER),
        Figure(65e-6, 75e-6, SUPPLIER),
        Figure(55, 62, SUPPLIER),
        Figure(40, 50, COMMON),
        Figure(4, 8, COMMON),
        Figure(0.2, 0.5, SUPPLIER),
        keeps_dry_h=720,
    ),
    Material(
        "PETG",
        Figure(1.26, 1.28, SUPPLIER),
        Figure(60e-6, 70e-6, SUPPLIER),
        Figure(78, 85, SUPPLIER),
        Figure(60, 65, COMMON),
        Figure(4, 8, COMMON),
        Figure(0.1, 0.3, SUPPLIER),
        keeps_dry_h=240,
    ),
    Material(
        "ABS",
        Figure(1.03, 1.07, SUPPLIER),
        Figure(90e-6, 90e-6, CRAWFORD),
        Figure(115, 115, CRAWFORD),
        Figure(70, 80, COMMON),
        Figure(2, 6, COMMON),
        Figure(0.2, 0.5, SUPPLIER),
        keeps_dry_h=240,
        fumes=_STYRENE,
    ),
    Material(
        "ASA",
        Figure(1.05, 1.09, SUPPLIER),
        Figure(85e-6, 100e-6, SUPPLIER),
        Figure(98, 108, SUPPLIER),
        Figure(75, 85, COMMON),
        Figure(3, 6, COMMON),
        Figure(0.2, 0.5, SUPPLIER),
        keeps_dry_h=240,
        fumes="Gives off styrene as ABS does (common practice, no source): enclose and air.",
    ),
    Material(
        "PC",
        Figure(1.18, 1.22, SUPPLIER),
        Figure(65e-6, 70e-6, SUPPLIER),
        Figure(145, 150, SUPPLIER),
        Figure(80, 110, COMMON),
        Figure(6, 12, COMMON),
        Figure(0.1, 0.2, SUPPLIER),
        keeps_dry_h=48,
        hygroscopic=True,
    ),
    Material(
        "PA6",
        Figure(1.12, 1.15, SUPPLIER),
        Figure(95e-6, 95e-6, SHEET),
        Figure(47, 57, NYLON_BOOK),
        Figure(70, 90, COMMON),
        Figure(8, 16, COMMON),
        Figure(2.5, 3.0, NYLON_BOOK),
        keeps_dry_h=12,
        hygroscopic=True,
        semi_crystalline=True,
        fumes=_CAPROLACTAM,
    ),
    Material(
        "PA12",
        Figure(1.01, 1.03, SUPPLIER),
        Figure(100e-6, 120e-6, SHEET),
        Figure(37, 50, NYLON_BOOK),
        Figure(70, 90, COMMON),
        Figure(6, 12, COMMON),
        Figure(0.7, 0.9, NYLON_BOOK),
        keeps_dry_h=24,
        hygroscopic=True,
        semi_crystalline=True,
    ),
    Material(
        "PA-CF",
        Figure(1.06, 1.25, SUPPLIER),
        Figure(22e-6, 22e-6, f"{FAUST}, along the bead"),
        Figure(40, 40, "material data base, PA6 with 30 % carbon fibre, dry"),
        Figure(70, 90, COMMON),
        Figure(8, 16, COMMON),
        Figure(1.5, 2.5, SUPPLIER),
        keeps_dry_h=12,
        hygroscopic=True,
        semi_crystalline=True,
        fumes=_CAPROLACTAM + " Cut fibres irritate skin and lungs: no dry sanding.",
    ),
    Material(
        "TPU",
        Figure(1.19, 1.23, SUPPLIER),
        Figure(140e-6, 170e-6, SUPPLIER),
        Figure(-40, -20, SUPPLIER),
        Figure(50, 65, COMMON),
        Figure(4, 8, COMMON),
        Figure(0.4, 1.0, SUPPLIER),
        keeps_dry_h=24,
        hygroscopic=True,
    ),
    Material(
        "PP",
        Figure(0.89, 0.91, SUPPLIER),
        Figure(90e-6, 120e-6, SUPPLIER),
        Figure(-20, 0, SUPPLIER),
        Figure(50, 60, COMMON),
        Figure(2, 6, COMMON),
        Figure(0.0, 0.05, SUPPLIER),
        keeps_dry_h=8760,
        semi_crystalline=True,
    ),
)

_OTHER_NAMES = {
    "PA": "PA6",
    "NYLON": "PA6",
    "PA6CF": "PA-CF",
    "NYLONCF": "PA-CF",
    "PACF": "PA-CF",
    "PET": "PETG",
}


def material(name: str) -> Material:
    """The material of this name, however it is written (``pa6-cf``, ``Nylon``).

    Raises ``BadFacts`` with the names that are known.
    """
    plain = re.sub(r"[^A-Z0-9]", "", name.upper())
    plain = _OTHER_NAMES.get(plain, plain)
    for one in MATERIALS:
        if re.sub(r"[^A-Z0-9]", "", one.name) == re.sub(r"[^A-Z0-9]", "", plain):
            return one
    raise BadFacts(
        f"The material {name!r} is not in the table.",
        f"Use the nearest of {', '.join(one.name for one in MATERIALS)}.",
    )
