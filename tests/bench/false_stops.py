"""False stops and delays on made-up nights that are drawn from kept clean ones.

    python tests/bench/false_stops.py DATA [--nights 10000] [--frames 60] [--fit] [--without RUN...]

DATA is a data folder with replayed nights whose truth is known (a truth.json beside each). What was
measured before anything went wrong is clean; a made-up night is put together from blocks of
successive frames of one such stretch, whole frames at a time, so that what neighbouring frames and
places have in common stays (Kuensch, "The jackknife and the bootstrap for general stationary
observations", Annals of Statistics 17, 1989). It goes through the watcher's own evidence.

A run whose measurement is wrong for many frames in a row is no matter of chance, and no threshold
mends it: leave it out by name, and say so.

Prints the false stops against the budget, and for ramps laid over one corner the delay of a stop
beside that of a plain threshold on single readings with the same false stops. With --fit it prints
instead the tails for watcher/evidence/bars.py.
"""

from __future__ import annotations

import argparse
import time
from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from watcher import rejudge
from watcher.advice.verdict import Place, budding, grown
from watcher.evidence.bars import (
    MEASURED_AT_S,
    TAILS,
    USUAL_BARS,
    Bars,
    bars_for,
    long_run,
)
from watcher.evidence.drift import Drift
from watcher.evidence.faults import Faults
from watcher.evidence.intervals import wilson
from watcher.records import Array, FaultKind, Reading, Sight, Suspicion
from watcher.store import Store

BLOCK = 8
SHORTEST = 14
TAIL_FROM = 5.0
RAMPS_MM = (0.1, 0.3, 0.5, 1.0, 2.0, 3.0)
ONSET, CLIMB = 20, 40
LIFTS = ("corner-lift", "overhang-curl")


@dataclass(frozen=True)
class Stretch:
    """Frames of one night before anything went wrong."""

    name: str
    sights: tuple[Sight, ...]
    spacing_s: float

    def places(self) -> dict[FaultKind, int]:
        kinds: dict[FaultKind, int] = defaultdict(int)
        for reading in self.sights[0].readings:
            if reading.kind in LIFTS:
                kinds[reading.kind] += 1
        return {**kinds, "spaghetti": 1, "detached": 1, "layer-step": 1, "no-growth": 1}

    def bars(self, frames: int, budget: float) -> Bars:
        return bars_for(budget, 10.0, self.places(), frames, self.spacing_s)

    def scale(self, kind: FaultKind) -> float:
        """How much higher bars are for frames as close as these."""
        memory = TAILS[kind].memory_s
        return max(1.0, long_run(self.spacing_s, memory) / long_run(MEASURED_AT_S, memory))


def stretches(folder: Path, without: tuple[str, ...]) -> list[Stretch]:
    """Clean stretches of all runs whose truth is known, but for those named."""
    found = []
    with Store.open(folder, write=False) as store:
        for run in sorted(store.runs(), key=lambda r: r.name):
            kept = rejudge.read_kept(store, run)
            if kept.truth is None or kept.toolpath is None or run.name in without:
                continue
            begun = kept.truth.begun if kept.truth.failed else None
            top = kept.toolpath.layers[-1].number
            sights = tuple(
                s
                for s in kept.sights
                if not s.blind and s.layer < top and (begun is None or s.index < begun)
            )
            if len(sights) >= SHORTEST:
                gaps = np.diff([s.elapsed_s for s in sights])
                found.append(Stretch(run.name, sights, float(np.median(gaps))))
    return found


def drawn(stretch: Stretch, frames: int, rng: np.random.Generator) -> list[Sight]:
    """One made-up night: blocks of the stretch, one after the other."""
    night: list[Sight] = []
    while len(night) < frames:
        start = int(rng.integers(0, len(stretch.sights) - BLOCK + 1))
        night += stretch.sights[start : start + BLOCK]
    return night[:frames]


def suspected(night: list[Sight], bars: Bars) -> Iterator[tuple[Suspicion, ...]]:
    """The watcher's own evidence, frame by frame."""
    faults, drift = Faults(bars), Drift()
    for i, sight in enumerate(night):
        yield faults.update(drift.take_off(sight.readings, i), i, sight.found_share)[0]


def strongest(stretch: Stretch, night: list[Sight]) -> dict[Place, tuple[float, float]]:
    """For each sum its greatest value, and that in a frame whose amount is worth a stop; both as
    they would be at the spacing of the tails."""
    most: dict[Place, tuple[float, float]] = {}
    for found in suspected(night, USUAL_BARS):
        for one in found:
            key = (one.kind, one.place)
            enough = grown(replace(one, threshold=min(one.threshold, one.strength)))
            every, worth = most.get(key, (0.0, 0.0))
            value = one.strength / stretch.scale(one.kind)
            most[key] = max(every, value), max(worth, value if enough else 0.0)
    return most


def fit(found: list[Stretch], nights: int, frames: int, rng: np.random.Generator) -> None:
    """Print the share of sums that pass h in a night, whatever their amount and where it would be
    worth a stop, and the tails that follow."""
    maxima: dict[str, list[tuple[float, float]]] = defaultdict(list)
    by_night: dict[tuple[str, str], list[float]] = defaultdict(list)
    for n in range(nights):
        stretch = found[n % len(found)]
        for (kind, _), pair in strongest(stretch, drawn(stretch, frames, rng)).items():
            maxima[kind].append(pair)
            by_night[kind, stretch.name].append(pair[1])
    grid = (1, 2, 3, 4, 5, 6, 7, 8, 10, 12, 15)
    print(f"{'':14} {'sums':>6} " + " ".join(f"{h:>6}" for h in grid))
    for kind, pairs in maxima.items():
        for which, name in enumerate(("passes", "and worth it")):
            values = np.array(pairs)[:, which]
            told = " ".join(f"{float((values >= h).mean()):6.2%}" for h in grid)
            print(f"{kind:14} {len(values):>6} {told} {name}")
    for (kind, name), values in sorted(by_night.items()):
        share = float(np.mean(np.array(values) >= TAIL_FROM))
        if share > 0.02:
            print(f"{kind} of {name}: {share:.0%} pass {TAIL_FROM:g} and are worth it")
    for kind, pairs in maxima.items():
        rate, size = tail(np.array(pairs)[:, 1], frames)
        print(f'"{kind}": Tail({rate:.2f}, {size:.1e}, {memory_s(found, kind):.0f}.0),')


def tail(worth: Array, frames: int) -> tuple[float, float]:
    """Rate and size from each sum's greatest value that was worth a stop.

    Above the lowest level that matters the excess is exponential, so its mean gives the rate. With
    fewer than ten there the rate is taken as half a unit's, and the share as its upper limit: three
    over the number of sums where none passed (the rule of three, Hanley and Lippman-Hand,
    "If nothing goes wrong, is everything all right?", JAMA 249, 1983).
    """
    over = worth[worth >= TAIL_FROM] - TAIL_FROM
    rate = len(over) / float(over.sum()) if len(over) >= 10 and over.sum() > 0 else 0.5
    share = max(len(over), 3) / len(worth)
    return rate, share / frames * float(np.exp(rate * TAIL_FROM))


def memory_s(found: list[Stretch], kind: str) -> float:
    """Time constant of the AR(1) process that has the readings' own long-run variance."""
    lags = np.arange(1, BLOCK + 1)
    products, squares, spacings = np.zeros(BLOCK), 0.0, []
    for stretch in found:
        places = {r.place for s in stretch.sights for r in s.readings if r.kind == kind}
        for place in places:
            z = np.full(len(stretch.sights), np.nan)
            for i, sight in enumerate(stretch.sights):
                for r in sight.readings:
                    if (r.kind, r.place) == (kind, place) and r.value is not None and r.sigma:
                        z[i] = r.value / np.hypot(r.sigma, 0.08)
            if np.isfinite(z).sum() < SHORTEST:
                continue
            z = np.clip(z - np.nanmedian(z), -3, 3)
            pairs = [z[lag:] * z[:-lag] for lag in lags]
            if all(np.isfinite(p).any() for p in pairs):
                products += [float(np.nanmean(p)) for p in pairs]
                squares += float(np.nanmean(z**2))
                spacings.append(stretch.spacing_s)
    if squares == 0.0:
        return MEASURED_AT_S
    variance = max(1.2, 1 + 2 * float(products.sum()) / squares)
    common = (variance - 1) / (variance + 1)
    return float(-np.median(spacings) / np.log(common))


# False stops


def count(
    found: list[Stretch], nights: int, frames: int, budget: float, rng: np.random.Generator
) -> list[float]:
    """Print false stops against the budget; return the greatest single reading of each night."""
    stops: dict[str, int] = defaultdict(int)
    by_name: dict[str, int] = defaultdict(int)
    readings, looks = [], 0
    for n in range(nights):
        stretch = found[n % len(found)]
        night = drawn(stretch, frames, rng)
        readings.append(max(excess(night).values(), default=0.0))
        kinds, looked = set(), False
        for every in suspected(night, stretch.bars(frames, budget)):
            kinds |= {one.kind for one in every if grown(one)}
            looked = looked or any(map(budding, every))
        looks += looked
        for kind in kinds:
            stops[kind] += 1
        if kinds:
            stops["any"] += 1
            by_name[stretch.name] += 1
    low, high = wilson(stops["any"], nights)
    wanted_low, wanted_high = wilson(round(nights * budget / 100), nights)
    print(
        f"budget {budget:g} in 100 nights: {stops.pop('any', 0)} of {nights} nights stop falsely "
        f"(95 % interval {low:.2%} to {high:.2%}; of the budget {wanted_low:.2%} to "
        f"{wanted_high:.2%})"
    )
    print(f"  a look in vain: {looks / nights:.1%} of nights")
    for name, counts in (("by kind", stops), ("by night", by_name)):
        told = ", ".join(f"{k} {v}" for k, v in sorted(counts.items(), key=lambda kv: -kv[1]))
        print(f"  {name}: {told or 'none'}")
    return readings


def excess(night: list[Sight]) -> dict[str, float]:
    """Greatest single reading of each corner above the median of its first eight, mm."""
    series: dict[str, list[float]] = defaultdict(list)
    for sight in night:
        for r in sight.readings:
            if r.kind == "corner-lift" and r.value is not None:
                series[r.place].append(r.value)
    return {
        place: max(values[8:]) - float(np.median(values[:8]))
        for place, values in series.items()
        if len(values) > 8
    }


# Delays


def delays(
    found: list[Stretch],
    nights: int,
    budget: float,
    limit_mm: float,
    rng: np.random.Generator,
) -> None:
    """Print, for ramps over the corner that is seen most, when a stop and a look come."""
    able = [(s, most_seen(s)) for s in found]
    able = [(s, place) for s, place in able if place]
    frames = ONSET + CLIMB
    print(f"ramp over {CLIMB} frames; {nights} nights each; plain threshold {limit_mm:.2f} mm")
    print(
        "  to mm  mm/frame   stop: found  delay  at mm   look: found  delay   plain: found  delay"
    )
    for reach in RAMPS_MM:
        stop, look, plain = [], [], []
        for n in range(nights):
            stretch, place = able[n % len(able)]
            night = [
                replace(s, readings=lifted(s, place, reach * max(0, i - ONSET + 1) / CLIMB))
                for i, s in enumerate(drawn(stretch, frames, rng))
            ]
            stop.append(None)
            look.append(None)
            for i, every in enumerate(suspected(night, stretch.bars(frames, budget))):
                for one in every:
                    if one.place == place and i >= ONSET:
                        if look[-1] is None and budding(one):
                            look[-1] = i - ONSET
                        if stop[-1] is None and grown(one):
                            stop[-1] = i - ONSET
            plain.append(first_above(night, place, limit_mm))
        told = f"{reach:7.1f} {reach / CLIMB:9.4f}"
        for times, with_mm in ((stop, True), (look, False), (plain, False)):
            hits = [t for t in times if t is not None]
            told += f"   {len(hits) / nights:12.1%}"
            told += f" {np.mean(hits):6.1f}" if hits else f" {'-':>6}"
            if with_mm:
                told += f" {reach * (np.mean(hits) + 1) / CLIMB:6.2f}" if hits else f" {'-':>6}"
        print(told)


def most_seen(stretch: Stretch) -> str:
    """The corner that is measured most, where that is in two of three frames or more."""
    seen: dict[str, int] = defaultdict(int)
    for sight in stretch.sights:
        for r in sight.readings:
            seen[r.place] += r.kind == "corner-lift" and r.value is not None
    place = max(seen, key=lambda p: seen[p])
    return place if seen[place] >= 2 * len(stretch.sights) / 3 else ""


def lifted(sight: Sight, place: str, by_mm: float) -> tuple[Reading, ...]:
    return tuple(
        replace(r, value=r.value + by_mm) if r.place == place and r.value is not None else r
        for r in sight.readings
    )


def first_above(night: list[Sight], place: str, limit_mm: float) -> int | None:
    first: list[float] = []
    for i, sight in enumerate(night):
        for r in sight.readings:
            if r.place == place and r.kind == "corner-lift" and r.value is not None:
                if len(first) < 8:
                    first.append(r.value)
                elif i >= ONSET and r.value - float(np.median(first)) > limit_mm:
                    return i - ONSET
    return None


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n", maxsplit=1)[0])
    parser.add_argument("data", type=Path)
    parser.add_argument("--nights", type=int, default=10_000)
    parser.add_argument("--frames", type=int, default=60)
    parser.add_argument("--budget", type=float, default=1.0)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--fit", action="store_true")
    parser.add_argument("--without", nargs="*", default=[], help="names of runs to leave out")
    parser.add_argument("--half", type=int, choices=(0, 1), help="every second stretch only")
    asked = parser.parse_args()
    found = stretches(asked.data, tuple(asked.without))
    if asked.half is not None:
        found = found[asked.half :: 2]
    rng = np.random.default_rng(asked.seed)
    began = time.perf_counter()
    spacings = [s.spacing_s for s in found for _ in s.sights]
    print(
        f"{len(found)} clean stretches, {len(spacings)} frames, {np.median(spacings):.0f} s apart"
    )
    if asked.fit:
        fit(found, asked.nights, asked.frames, rng)
    else:
        readings = count(found, asked.nights, asked.frames, asked.budget, rng)
        limit_mm = float(np.quantile(readings, 1 - asked.budget / 100))
        delays(found, max(100, asked.nights // 25), asked.budget, limit_mm, rng)
    print(f"{time.perf_counter() - began:.0f} s")


if __name__ == "__main__":
    main()
