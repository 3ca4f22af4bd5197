"""From suspicions to one piece of advice. Have a look comes early, stop is rare and right."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import replace

from watcher.advice.sentence import fine_sentence, look_sentence, stop_sentence
from watcher.records import Advice, FaultKind, Suspicion

RANK: tuple[FaultKind, ...] = (
    "detached",
    "spaghetti",
    "layer-step",
    "overhang-curl",
    "corner-lift",
    "no-growth",
    "cannot-see",
)
"""Of findings in the same frame the first explains the others: a part that has come loose also
has lifted corners, and where strands lie about nothing grows."""

LEAST: dict[FaultKind, float] = {
    "corner-lift": 0.5,
    "overhang-curl": 0.5,
    "spaghetti": 30.0,
    "detached": 1.0,
    "layer-step": 0.6,
    "no-growth": 0.8,
}
"""Amounts below which nobody would throw a print away (mm)."""


def grown(suspicion: Suspicion) -> bool:
    """Whether the evidence is enough to stop and the amount worth it."""
    least = LEAST.get(suspicion.kind)
    return (
        least is not None
        and suspicion.strength >= suspicion.threshold
        and suspicion.amount >= least
        and suspicion.amount - 1.64 * suspicion.sigma >= 0.5 * least
    )


def budding(suspicion: Suspicion) -> bool:
    """Whether a person should have a look."""
    if suspicion.kind == "cannot-see":
        return suspicion.strength >= suspicion.threshold
    return (
        suspicion.strength >= 0.6 * suspicion.threshold
        and suspicion.amount >= 0.6 * LEAST[suspicion.kind]
    )


def advise(
    before: Advice | None,
    suspicions: tuple[Suspicion, ...],
    watched: int,
    seen: int,
    times_s: list[float],
    layers: list[int],
) -> Advice:
    """The advice that holds now.

    Args:
        before: the advice that held until now; a stop stays.
        suspicions: what is suspected, of any strength.
        watched: number of watched corners.
        seen: how many of them this frame showed.
        times_s: elapsed seconds of every frame so far.
        layers: layer of every frame so far.

    """
    if before is not None and before.level == "stop":
        same = [s for s in suspicions if s.kind == before.kind and s.place == before.place]
        if same and same[0].amount > (before.amount or 0.0):
            now, since = same[0], before.since_s or 0.0
            began = min(bisect_left(times_s, since), len(layers) - 1)
            told = stop_sentence(now.kind, now.place, now.amount, now.sigma, since, layers[began])
            return replace(before, amount=now.amount, sigma=now.sigma, sentence=told)
        return before
    order = {kind: i for i, kind in enumerate(RANK)}
    ready = sorted((s for s in suspicions if grown(s)), key=lambda s: (order[s.kind], -s.amount))
    if ready:
        first = ready[0]
        if first.kind in ("spaghetti", "no-growth"):
            # What comes loose leaves strands and stops growing: the cause is named if it shows.
            cause = [s for s in suspicions if s.kind == "detached" and budding(s)]
            if first.kind == "no-growth":
                cause += [s for s in suspicions if s.kind == "spaghetti" and s.strength > 3.0]
            first = cause[0] if cause else first
        since = times_s[first.began_index]
        return Advice(
            "stop",
            stop_sentence(
                first.kind, first.place, first.amount, first.sigma, since, layers[first.began_index]
            ),
            first.kind,
            first.place,
            first.place_mm,
            first.amount,
            first.sigma,
            first.unit,
            since,
        )
    young = sorted((s for s in suspicions if budding(s)), key=lambda s: (order[s.kind], -s.amount))
    if young:
        first = young[0]
        return Advice(
            "have a look",
            look_sentence(first.kind, first.place, first.amount, first.sigma),
            first.kind,
            first.place,
            first.place_mm,
            first.amount,
            first.sigma,
            first.unit,
            times_s[first.began_index],
        )
    return Advice("carry on", fine_sentence(watched, seen))
