"""The next single change to try after a failure, with its reason and where that comes from."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass

from watcher.records import FaultKind

COMMON = "common practice, no source"
WANG = "Wang, Xi and Jin 2007, doi:10.1007/s00170-006-0556-9"


@dataclass(frozen=True)
class Suggestion:
    """One thing to change, all else as it was."""

    change: str
    reason: str
    source: str
    words: frozenset[str]
    """Words that a setting's key has if it is the one to change; empty where none is."""


@dataclass(frozen=True)
class _Rule:
    words: frozenset[str]
    change: str
    reason: str
    source: str
    fits: Callable[[float | None], bool] = lambda value: True


def _below(limit: float) -> Callable[[float | None], bool]:
    return lambda value: value is None or value < limit


def _above(limit: float) -> Callable[[float | None], bool]:
    return lambda value: value is None or value > limit


_RULES: dict[FaultKind, tuple[_Rule, ...]] = {
    "corner-lift": (
        _Rule(
            frozenset({"brim", "width"}),
            "a brim of 8 mm",
            "it moves the edge that peels outwards and holds the corner by area",
            COMMON,
            _below(5.0),
        ),
        _Rule(
            frozenset({"chamber", "temperature"}),
            "a warmer chamber, by 10 °C and within what the maker allows",
            "curl goes with the cooling from the glass transition down to the chamber",
            WANG,
        ),
        _Rule(
            frozenset({"bed", "temperature"}),
            "a bed that is 5 °C warmer",
            "a bottom near its glass transition gives way instead of peeling",
            COMMON,
        ),
        _Rule(
            frozenset({"first", "layer", "speed"}),
            "a slower first layer, 20 mm/s",
            "slow lines wet the bed better",
            COMMON,
            _above(20.0),
        ),
    ),
    "overhang-curl": (
        _Rule(
            frozenset({"overhang", "speed"}),
            "overhangs at half their speed",
            "a line that has time to set on the one below does not curl up into the nozzle's way",
            COMMON,
        ),
        _Rule(
            frozenset({"min", "layer", "time"}),
            "a longer least time for a layer, by 5 s",
            "heat that stays in the edge lets it curl",
            COMMON,
        ),
    ),
    "spaghetti": (
        _Rule(
            frozenset({"support", "material"}),
            "supports under what begins in the air",
            "what has nothing under it is laid loose",
            COMMON,
        ),
        _Rule(
            frozenset({"brim", "width"}),
            "a brim of 8 mm",
            "a part that comes loose leaves its lines in the air",
            COMMON,
            _below(5.0),
        ),
    ),
    "detached": (
        _Rule(
            frozenset(),
            "a bed that is washed with water and detergent and then not touched",
            "grease from fingers is what most parts come loose of",
            COMMON,
        ),
        _Rule(
            frozenset({"brim", "width"}),
            "a brim of 8 mm",
            "more area holds against the nozzle's push",
            COMMON,
            _below(5.0),
        ),
        _Rule(
            frozenset({"first", "layer", "speed"}),
            "a slower first layer, 20 mm/s",
            "slow lines wet the bed better",
            COMMON,
            _above(20.0),
        ),
    ),
    "layer-step": (
        _Rule(
            frozenset({"travel", "speed"}),
            "travel at three quarters of its speed",
            "a nozzle that runs into a curled edge makes the motor lose steps; slowly it pushes "
            "less",
            COMMON,
        ),
        _Rule(
            frozenset(),
            "belts and pulleys checked, and the axis moved by hand through its whole way",
            "a belt that slips or a place that binds loses steps at any speed",
            COMMON,
        ),
    ),
    "no-growth": (
        _Rule(
            frozenset(),
            "the filament's path and the nozzle checked, with the spool weighed",
            "nothing comes out where the spool is empty or tangled, or the nozzle is clogged",
            COMMON,
        ),
        _Rule(
            frozenset({"temperature"}),
            "a nozzle that is 5 °C hotter",
            "filament that flows badly is ground up by the drive",
            COMMON,
        ),
    ),
}


def suggest(
    kind: FaultKind, settings: Mapping[str, str], tried: Collection[str] = ()
) -> Suggestion | None:
    """The first change that fits and has not been tried; ``None`` where none is left.

    ``settings`` are those of the failed run; ``tried`` names the settings that were changed in
    earlier runs that failed as well.
    """
    spent = [_words(key) for key in tried]
    for rule in _RULES.get(kind, ()):
        if rule.words and any(rule.words <= words for words in spent):
            continue
        if not rule.fits(_value(rule.words, settings)):
            continue
        return Suggestion(rule.change, rule.reason, rule.source, rule.words)
    return None


def _words(key: str) -> frozenset[str]:
    return frozenset(re.findall(r"[a-z]+", key.lower()))


def _value(words: frozenset[str], settings: Mapping[str, str]) -> float | None:
    """The value of the setting whose key has these words and the fewest others."""
    keys = sorted((len(_words(k)), k) for k in settings if words and words <= _words(k))
    for _, key in keys:
        number = re.match(r"\s*([-+]?\d+(?:\.\d+)?)\s*(?!%)", settings[key])
        if number:
            return float(number[1])
    return None
