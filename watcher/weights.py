"""Reads how the user wants advice to be weighed: a TOML file with a budget and prices."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from watcher.records import Prices, Weights
from watcher.trouble import BadSetup

# Name: least, greatest, what to do where a number lies outside.
_WEIGHTS: Mapping[str, tuple[float, float, str]] = {
    "false_stops_per_100_nights": (
        0.01,
        50.0,
        "Say how many false stops in a hundred nights you can bear, from 0.01 to 50; 1 is usual.",
    ),
    "failing_nights_per_100": (
        0.1,
        90.0,
        "Say how many of a hundred nights fail, from 0.1 to 90; 10 is usual.",
    ),
}
_PRICES: Mapping[str, tuple[float, float, str]] = {
    "filament_per_kg": (0.01, 1e4, "Give what a kilogram costs, or leave prices out."),
    "machine_hour": (0.001, 1e4, "Give what an hour of the machine costs, or leave prices out."),
    "part": (0.01, 1e6, "Give what the finished part is worth, or leave it out."),
    "collision": (0.01, 1e6, "Give what a collision costs, or leave it out."),
    "collision_ratio": (
        1.0,
        1000.0,
        "Give the lift in layer heights at which a collision is even; 10 is usual.",
    ),
    "filament_diameter_mm": (0.5, 5.0, "Give the diameter in mm: 1.75 or 2.85."),
    "filament_density_g_cm3": (0.3, 12.0, "Give the density in g/cm3: about 1.0 to 1.4."),
}


def read_weights(path: Path) -> Weights:
    """Return the weights that the TOML file at ``path`` states; what it leaves out is as usual.

    Raises ``BadSetup`` with one sentence that names the file, the entry and the mend.
    """
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise BadSetup(f"There is no settings file {path}.", "Check --settings.") from None
    except OSError as error:
        raise BadSetup(
            f"The settings file {path} can't be read ({error.strerror}).", "Check it."
        ) from None
    except (UnicodeDecodeError, RecursionError):
        raise BadSetup(f"{path.name} is no text file.", "Name a TOML file.") from None
    except tomllib.TOMLDecodeError as error:
        raise BadSetup(f"{path.name} is not TOML: {error}.", "Mend that line.") from None
    return weights_of(content, path.name)


def weights_of(content: Mapping[str, Any], file: str) -> Weights:
    """The weights in a table that was read from ``file``. Raises ``BadSetup``."""
    _only(content, (*_WEIGHTS, "prices"), file, "")
    table = content.get("prices", {})
    if not isinstance(table, Mapping):
        raise BadSetup(f"{file}: prices is no table.", "Begin it with [prices].")
    _only(table, _PRICES, file, "prices.")
    taken = {name: _number(table[name], *_PRICES[name], f"{file}: prices.{name}") for name in table}
    for one, other in (
        ("filament_per_kg", "machine_hour"),
        ("machine_hour", "filament_per_kg"),
    ):
        if one in taken and other not in taken:
            raise BadSetup(
                f"{file}: prices.{other} is missing.",
                f"Give it beside prices.{one}, for without both no money can be weighed.",
            )
    for name in ("part", "collision"):
        if name in taken and "filament_per_kg" not in taken:
            raise BadSetup(
                f"{file}: prices.{name} stands alone.",
                "Give prices.filament_per_kg and prices.machine_hour too.",
            )
    plain = {
        name: _number(content[name], *_WEIGHTS[name], f"{file}: {name}")
        for name in _WEIGHTS
        if name in content
    }
    return Weights(**plain, prices=Prices(**taken))


def _only(
    table: Mapping[str, Any], known: Mapping[str, Any] | tuple[str, ...], file: str, at: str
) -> None:
    for name in table:
        if name not in known:
            raise BadSetup(f"{file}: {at}{name} is not known.", f"Known are {', '.join(known)}.")


def _number(value: Any, least: float, greatest: float, do: str, what: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise BadSetup(f"{what} is no number.", do)
    try:
        number = float(value)
    except OverflowError:
        number = math.inf
    if not math.isfinite(number) or not least <= number <= greatest:
        raise BadSetup(f"{what} is {str(value)[:20]}, which can't be.", do)
    return number
