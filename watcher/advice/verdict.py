"""From suspicions to one piece of advice. Have a look comes early, stop is rare and right.

Advice does not flap: what was worth a look stays so until it has clearly gone down, and a stop
stays until a person has answered it.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from watcher.advice.sentence import fine_sentence, look_sentence, stop_sentence
from watcher.advice.stake import worth_stopping
from watcher.records import Advice, FaultKind, Stake, Suspicion

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

LOOK, LINGER = 0.6, 0.4
"""Shares of threshold and least amount at which a look is asked for, and at which it is still
asked for once it was."""

Place = tuple[FaultKind, str]


@dataclass(frozen=True)
class Now:
    """Where the night stands, beside what is suspected."""

    times_s: list[float]
    """Elapsed seconds of every frame so far."""
    layers: list[int]
    """Layer of every frame so far."""
    to_come_s: float | None
    """Seconds until the end of the print, where that is known."""
    watched: int
    """Number of watched corners."""
    seen: int
    """How many of them this frame showed."""
    unseen: tuple[str, ...] = ()
    """Watched places that could not be seen."""
    spared: Mapping[Place, float] = field(default_factory=dict)
    """Amounts that a person has called fine, by place: only there the bar is raised."""


def _more(suspicion: Suspicion, spared: Mapping[Place, float]) -> float:
    """What comes on top of the amount that a person has called fine."""
    return suspicion.amount - spared.get((suspicion.kind, suspicion.place), 0.0)


def grown(suspicion: Suspicion, spared: Mapping[Place, float] | None = None) -> bool:
    """Whether the evidence is enough to stop and the amount worth it."""
    least = LEAST.get(suspicion.kind)
    if least is None or suspicion.strength < suspicion.threshold:
        return False
    more = _more(suspicion, spared or {})
    return more >= least and more - 1.64 * suspicion.sigma >= 0.5 * least


def budding(
    suspicion: Suspicion, spared: Mapping[Place, float] | None = None, share: float = LOOK
) -> bool:
    """Whether a person should have a look."""
    if suspicion.kind == "cannot-see":
        return suspicion.strength >= suspicion.threshold
    return (
        suspicion.strength >= share * suspicion.threshold
        and _more(suspicion, spared or {}) >= share * LEAST[suspicion.kind]
    )


def advise(
    before: Advice | None,
    suspicions: tuple[Suspicion, ...],
    now: Now,
    stake_of: Callable[[Suspicion], Stake | None],
) -> Advice:
    """The advice that holds now.

    Args:
        before: the advice that held until now; a stop stays.
        suspicions: what is suspected, of any strength.
        now: where the night stands.
        stake_of: what is at stake if this is what goes wrong.

    """
    if before is not None and before.level == "stop":
        return _kept(before, suspicions, now, stake_of)
    order = {kind: i for i, kind in enumerate(RANK)}

    def rank(one: Suspicion) -> tuple[int, float]:
        return order[one.kind], -_more(one, now.spared)

    ready = sorted((s for s in suspicions if grown(s, now.spared)), key=rank)
    if ready:
        first = _cause(ready[0], suspicions, now)
        stake = stake_of(first)
        if stake is None or worth_stopping(stake):
            return _told("stop", first, now, stake)
        because = (
            "by your prices stopping is expected to lose more than it saves"
            if stake.to_come_g > 0
            else "nothing is left to print"
        )
        return _told("have a look", first, now, stake, because)
    subject = (before.kind, before.place) if before and before.level == "have a look" else None
    young = sorted(
        (
            s
            for s in suspicions
            if budding(s, now.spared, LINGER if (s.kind, s.place) == subject else LOOK)
        ),
        key=rank,
    )
    if young:
        first = young[0]
        # Two corners that lift alike don't take turns.
        same = [s for s in young if (s.kind, s.place) == subject and s.kind == first.kind]
        if same and first.amount < 1.25 * same[0].amount:
            first = same[0]
        return _told("have a look", first, now, stake_of(first))
    return Advice("carry on", fine_sentence(now.watched, now.seen), unseen=now.unseen)


def _kept(
    before: Advice,
    suspicions: tuple[Suspicion, ...],
    now: Now,
    stake_of: Callable[[Suspicion], Stake | None],
) -> Advice:
    """A stop stays; only its amount keeps up with a fault that goes on growing."""
    same = [s for s in suspicions if (s.kind, s.place) == (before.kind, before.place)]
    if not same or same[0].amount <= (before.amount or 0.0):
        return before
    told = _told("stop", same[0], now, stake_of(same[0]))
    since = before.since_s or 0.0
    began = min(bisect_left(now.times_s, since), len(now.layers) - 1)
    sentence = stop_sentence(same[0], told.at_end, since, now.layers[began])
    return replace(told, since_s=before.since_s, sentence=sentence)


def _cause(first: Suspicion, suspicions: tuple[Suspicion, ...], now: Now) -> Suspicion:
    """What comes loose leaves strands and stops growing: the cause is named if it shows."""
    if first.kind not in ("spaghetti", "no-growth"):
        return first
    cause = [s for s in suspicions if s.kind == "detached" and budding(s, now.spared)]
    if first.kind == "no-growth":
        cause += [s for s in suspicions if s.kind == "spaghetti" and s.strength > 3.0]
    return cause[0] if cause else first


def _told(level: str, first: Suspicion, now: Now, stake: Stake | None, because: str = "") -> Advice:
    since = now.times_s[first.began_index]
    at_end = None
    if first.per_hour is not None and now.to_come_s is not None:
        at_end = first.amount + max(0.0, first.per_hour) * now.to_come_s / 3600.0
    layer = now.layers[first.began_index]
    return Advice(
        "stop" if level == "stop" else "have a look",
        stop_sentence(first, at_end, since, layer)
        if level == "stop"
        else look_sentence(first, because),
        first.kind,
        first.place,
        first.place_mm,
        first.amount,
        first.sigma,
        first.unit,
        since,
        first.per_hour,
        at_end,
        first.chance,
        now.unseen,
        stake,
    )
