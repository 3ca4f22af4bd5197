"""Compares what a replay said of a night with the night's truth: pure functions.

A frame has failed where its truth says so: a corner lifted by 0.5 mm or more, the part moved,
strands, a layer step, or no growth. A stop is in time from the first lift of 0.2 mm on.
"""

from __future__ import annotations

import math
import statistics
from dataclasses import dataclass
from typing import Any

EARLY_MM = 0.2
"""A stop for a lift of this size is early, not false."""
SAME_CORNER_MM = 10.0
NAMED_CORNER_MM = 15.0

RIGHT_KINDS = {
    "good": (),
    "warp": ("corner-lift",),
    "overhang": ("overhang-curl", "corner-lift"),
    "spaghetti": ("spaghetti",),
    "detach": ("detached",),
    "runout": ("no-growth",),
    "shift": ("layer-step",),
}
"""Kinds of fault that a stop may name, by what really happens in the night."""


@dataclass(frozen=True)
class Pair:
    """One corner in one frame that was measured and whose lift is known."""

    estimate_mm: float
    sigma_mm: float | None
    truth_mm: float


@dataclass(frozen=True)
class Scored:
    """How one replay fared."""

    night: str
    kind: str
    verdict: str
    right: bool
    delay_frames: int | None
    delay_layers: int | None
    saved: float | None
    """Share of what was still to print at the onset."""
    rmse_mm: float | None
    coverage: float | None
    """Share of the frames in which a corner that ever lifts was measured."""
    phantom_mm: float | None
    """95th percentile of the size of the lifts measured where nothing lifts."""


def pairs(truth: dict[str, Any], said: dict[str, Any]) -> list[Pair]:
    """Every lift that was measured at a corner whose lift the truth knows.

    Frames with strands are left out: what lies before the corner is measured with it.
    """
    known = {frame["file"]: frame for frame in truth["frames"]}
    found = []
    for frame in said["frames"]:
        real = known.get(frame["file"])
        if real is None or real["strands"]:
            continue
        for corner in real["lifts"]:
            lift = _at(frame["lifts"], corner["corner_bed_mm"])
            if lift is not None:
                found.append(Pair(lift["lift_mm"], lift["sigma_mm"], corner["lift_mm"]))
    return found


def normalised(some: list[Pair]) -> list[float]:
    """(estimate - truth) / sigma of every pair that has a sigma."""
    return [(p.estimate_mm - p.truth_mm) / p.sigma_mm for p in some if p.sigma_mm]


def robust_deviation(values: list[float]) -> float:
    """1.4826 times the median absolute deviation from the median."""
    middle = statistics.median(values)
    return 1.4826 * statistics.median(abs(v - middle) for v in values)


def scored(name: str, truth: dict[str, Any], said: dict[str, Any]) -> Scored:
    """Score one night."""
    frames = truth["frames"]
    order = {frame["file"]: i for i, frame in enumerate(frames)}
    onset = truth["first_failed_frame"]
    kind = truth["kind"]
    verdict, right = _verdict(truth, said["stop"])
    frames_late = layers_late = None
    saved = 0.0 if onset is not None else None
    if onset is not None and verdict.startswith("found"):
        stop, begin = frames[order[said["stop"]["file"]]], frames[order[onset]]
        frames_late = order[stop["file"]] - order[onset]
        layers_late = stop["layer"] - begin["layer"]
        left = max(1, truth["total_layers"] - begin["layer"])
        saved = min(1.0, (truth["total_layers"] - stop["layer"]) / left)
    errors = [p.estimate_mm - p.truth_mm for p in pairs(truth, said)]
    places = sum(len(frame["lifts"]) for frame in frames if not frame["strands"])
    phantom = _phantom(truth, said)
    return Scored(
        night=name,
        kind=kind,
        verdict=verdict,
        right=right,
        delay_frames=frames_late,
        delay_layers=layers_late,
        saved=saved,
        rmse_mm=math.sqrt(sum(e * e for e in errors) / len(errors)) if errors else None,
        coverage=len(errors) / places if places else None,
        phantom_mm=phantom[min(len(phantom) - 1, int(0.95 * len(phantom)))] if phantom else None,
    )


def _verdict(truth: dict[str, Any], stop: dict[str, Any] | None) -> tuple[str, bool]:
    kind = truth["kind"]
    if stop is None:
        return ("quiet", True) if kind == "good" else ("missed", False)
    at = next(frame for frame in truth["frames"] if frame["file"] == stop["file"])
    lifted = [c["corner_bed_mm"] for c in at["lifts"] if c["lift_mm"] >= EARLY_MM]
    if not (at["failed"] or lifted):
        return "false stop", False
    right = stop["kind"] in RIGHT_KINDS[kind]
    if right and kind in ("warp", "overhang"):
        named = stop["corner_bed_mm"]
        right = named is not None and any(math.dist(named, c) <= NAMED_CORNER_MM for c in lifted)
        if not right:
            return "found, other corner", False
    return ("found", True) if right else (f"found, named {stop['kind']}", False)


def _phantom(truth: dict[str, Any], said: dict[str, Any]) -> list[float]:
    """Sizes of the lifts measured at corners that never lift, before anything has failed."""
    known = {frame["file"]: frame for frame in truth["frames"]}
    sizes = []
    for frame in said["frames"]:
        real = known.get(frame["file"])
        if real is None or real["failed"]:
            continue
        lifting = [_at(frame["lifts"], c["corner_bed_mm"]) for c in real["lifts"]]
        sizes += [abs(x["lift_mm"]) for x in frame["lifts"] if not any(x is y for y in lifting)]
    return sorted(sizes)


def _at(lifts: list[dict[str, Any]], corner: list[float]) -> dict[str, Any] | None:
    """The lift measured nearest to a corner; None where there is none near it."""
    near = [x for x in lifts if math.dist(x["corner_bed_mm"], corner) <= SAME_CORNER_MM]
    return min(near, key=lambda x: math.dist(x["corner_bed_mm"], corner), default=None)
