"""Evidence and advice again from what was measured: no picture is touched.

A run's truth is what a person said of it, or the ``truth.json`` that lies beside a recorded night.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from watcher.advice.stake import Course
from watcher.evidence.intervals import wilson
from watcher.records import Answer, FaultKind, Sight, Toolpath, Weights
from watcher.store import KeptAnswer, Run, Store
from watcher.trouble import BadNight, BadStore
from watcher.weigh import Weigh, Weighed

BUDGETS = (0.1, 0.3, 1.0, 3.0, 10.0, 30.0)
"""False stops per 100 nights at which the curve is drawn."""

# What a night's truth.json calls its fault, and what a stop may call it to be right.
_KINDS: Mapping[str, tuple[FaultKind, ...]] = {
    "warp": ("corner-lift",),
    "overhang": ("overhang-curl", "corner-lift"),
    "spaghetti": ("spaghetti",),
    "detach": ("detached",),
    "runout": ("no-growth",),
    "shift": ("layer-step",),
    "good": (),
}
BEGUN_MM = 0.2
"""A lift from which on a stop is no false one."""


@dataclass(frozen=True)
class Truth:
    """What really happened in a run."""

    kinds: tuple[FaultKind, ...]
    """What a stop may call it; empty for a good night or where it is not known."""
    failed: bool
    onset: int | None = None
    """Number of the first frame that fails, where known."""
    begun: int | None = None
    """Number of the first frame in which a stop would not be false, where known."""


@dataclass(frozen=True)
class Kept:
    """One run, read from the store: all that judging it again takes."""

    run: Run
    toolpath: Toolpath | None
    weights: Weights
    """By which it was judged."""
    sights: tuple[Sight, ...]
    answers: tuple[KeptAnswer, ...]
    truth: Truth | None


def read_kept(store: Store, run: Run) -> Kept:
    """Read one run. Raises ``BadStore`` where it does not hold its measurements."""
    plan = store.plan(run.id)
    sights = tuple(store.sights(run.id))
    if plan is None or len(sights) < run.frames - 1:
        raise BadStore(
            f"Run {run.id} was kept by an older version, without its measurements.",
            "Replay its pictures, or leave it out.",
        )
    answers = tuple(store.answers(run.id))
    return Kept(run, plan.toolpath, plan.weights, sights, answers, truth_of(run, sights, answers))


def judge_again(kept: Kept, weights: Weights | None = None) -> Iterator[Weighed]:
    """What each frame comes to under other weights; without them, under the run's own."""
    places: dict[FaultKind, int] = {}
    if kept.sights:
        for reading in kept.sights[0].readings:
            if reading.kind in ("corner-lift", "overhang-curl"):
                places[reading.kind] = places.get(reading.kind, 0) + 1
    weigh = Weigh(kept.toolpath, weights or kept.weights, places)
    heard: dict[int, list[Answer]] = {}
    for one in kept.answers:
        if one.heard is not None:
            heard.setdefault(one.heard, []).append(one.answer)
    for sight in kept.sights:
        for answer in heard.get(sight.index, []):
            weigh.hear(answer)
        yield weigh.weigh(sight)


# Truth


def truth_of(run: Run, sights: Sequence[Sight], answers: Iterable[KeptAnswer]) -> Truth | None:
    """What a person said last, else the truth.json beside the night; ``None`` where neither is.

    Raises ``BadNight`` where a truth.json is there but can't be read.
    """
    told = _told(answers)
    recorded = _recorded(Path(run.source) / "truth.json", sights)
    if told is None:
        return recorded
    # A person knows whether, a record also knows when.
    if recorded is not None and recorded.failed == told.failed:
        return recorded
    return told


def _told(answers: Iterable[KeptAnswer]) -> Truth | None:
    truth: Truth | None = None
    for one in answers:
        answer = one.answer
        if answer.said == "still fine":
            truth = Truth((), False)
        else:
            truth = Truth((answer.kind,) if answer.kind else (), True)
    return truth


def _recorded(path: Path, sights: Sequence[Sight]) -> Truth | None:
    if not path.is_file():
        return None
    try:
        content: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        kinds = _KINDS[content["kind"]]
        numbers = {sight.name: sight.index for sight in sights}
        first = content["first_failed_frame"]
        begun = next(
            (
                frame["file"]
                for frame in content["frames"]
                if frame["failed"] or any(x["lift_mm"] >= BEGUN_MM for x in frame["lifts"])
            ),
            first,
        )
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise BadNight(f"{path} can't be read ({error}).", "Mend it or take it away.") from None
    return Truth(kinds, bool(kinds), numbers.get(first), numbers.get(begun))


# Outcomes


@dataclass(frozen=True)
class Outcome:
    """How the advice of one run compares with its truth."""

    kept: Kept
    stop: int | None
    """Place of the first frame that advised to stop, among the run's frames."""
    kind: FaultKind | None
    false_stop: bool
    found: bool
    missed: bool
    delay_frames: int | None
    delay_s: float | None
    saved_g: float | None
    """Filament that was not wasted, of failing runs."""
    at_stake_g: float | None
    """Filament still to come when it began to fail."""


def outcome_of(kept: Kept, weights: Weights | None = None) -> Outcome:
    """Judge a run again and compare with its truth."""
    stop, kind = None, None
    for at, weighed in enumerate(judge_again(kept, weights)):
        if weighed.advice.level == "stop":
            stop, kind = at, weighed.advice.kind
            break
    truth = kept.truth
    early = (
        stop is not None
        and truth is not None
        and truth.failed
        and truth.begun is not None
        and kept.sights[stop].index < truth.begun
    )
    failed = truth is not None and truth.failed
    false_stop = stop is not None and truth is not None and (not failed or early)
    found = stop is not None and failed and not early
    delay_frames = delay_s = saved = at_stake = None
    if truth is not None and truth.failed and truth.onset is not None:
        indices = [sight.index for sight in kept.sights]
        onset = indices.index(truth.onset)
        if kept.toolpath is not None:
            grams = _GramsLeft(kept, kept.toolpath, weights or kept.weights)
            at_stake = grams.at(onset)
            saved = min(at_stake, grams.at(stop)) if stop is not None and found else 0.0
        if stop is not None and found:
            delay_frames = stop - onset
            delay_s = kept.sights[stop].elapsed_s - kept.sights[onset].elapsed_s
    return Outcome(
        kept,
        stop,
        kind,
        false_stop,
        found,
        failed and not found,
        delay_frames,
        delay_s,
        saved,
        at_stake,
    )


class _GramsLeft:
    """Filament that is still to come after a frame."""

    def __init__(self, kept: Kept, toolpath: Toolpath, weights: Weights) -> None:
        self._sights = kept.sights
        self._course = Course(toolpath)
        self._prices = weights.prices

    def at(self, place: int) -> float:
        rest = self._course.filament_mm - self._course.done_mm(self._sights[place].layer)
        return self._course.grams(max(0.0, rest), self._prices)


# Words


def told(outcomes: Sequence[Outcome], names: Mapping[FaultKind, str]) -> list[str]:
    """Found, missed, false, delay and filament saved, a line a kind; ``names`` of the kinds."""
    known = [o for o in outcomes if o.kept.truth is not None]
    lines = []
    for outcome in known:
        lines.append(f"Run {outcome.kept.run.id}, {outcome.kept.run.name}: {_one(outcome, names)}.")
    unknown = len(outcomes) - len(known)
    if unknown:
        lines.append(
            f"Of {unknown} {'run' if unknown == 1 else 'runs'} nobody has said how it went: "
            "answer with watcher answer."
        )
    failing = [o for o in known if o.kept.truth is not None and o.kept.truth.failed]
    groups: dict[str, list[Outcome]] = {}
    for outcome in failing:
        assert outcome.kept.truth is not None
        kinds = outcome.kept.truth.kinds
        groups.setdefault(names[kinds[0]] if kinds else "kind not said", []).append(outcome)
    for name, group in sorted(groups.items()):
        lines.append(f"{name}: {_group(group)}")
    if len(groups) > 1:
        lines.append(f"all kinds: {_group(failing)}")
    good = [o for o in known if o.kept.truth is not None and not o.kept.truth.failed]
    if known:
        false_all = sum(o.false_stop for o in known)
        false_good = sum(o.false_stop for o in good)
        lines.append(f"false stops: {_share(false_good, len(good))} good nights stopped")
        if false_all > false_good:
            lines.append(f"stopped before it began: {false_all - false_good} of {len(failing)}")
    return lines


def _one(outcome: Outcome, names: Mapping[FaultKind, str]) -> str:
    truth = outcome.kept.truth
    assert truth is not None
    if outcome.stop is None:
        return "missed" if truth.failed else "good, no stop"
    sight = outcome.kept.sights[outcome.stop]
    called = names[outcome.kind] if outcome.kind else "nothing"
    where = f"stop at {sight.name} ({called})"
    if outcome.false_stop:
        return f"false {where}"
    wrong = ", another kind" if _named_wrong(outcome) else ""
    late = "" if outcome.delay_frames is None else f", {outcome.delay_frames} frames after it began"
    return f"found, {where}{wrong}{late}"


def _named_wrong(outcome: Outcome) -> bool:
    truth = outcome.kept.truth
    kinds = truth.kinds if truth is not None else ()
    return outcome.found and bool(kinds) and outcome.kind not in kinds


def _group(group: Sequence[Outcome]) -> str:
    text = f"found {_share(sum(o.found for o in group), len(group))}"
    wrong = sum(map(_named_wrong, group))
    if wrong:
        text += f", {wrong} of them called another kind"
    delays = [o for o in group if o.delay_frames is not None and o.delay_s is not None]
    if delays:
        frames = sum(o.delay_frames or 0 for o in delays) / len(delays)
        minutes = sum(o.delay_s or 0.0 for o in delays) / len(delays) / 60
        text += f", {frames:.1f} frames ({minutes:.0f} min) after it began"
    at_stake = sum(o.at_stake_g or 0.0 for o in group)
    if at_stake > 0:
        saved = sum(o.saved_g or 0.0 for o in group)
        text += f", {saved:.0f} of {at_stake:.0f} g of filament saved ({saved / at_stake:.0%})"
    return text


def _share(hits: int, cases: int) -> str:
    low, high = wilson(hits, cases)
    return f"{hits} of {cases} (95 % interval {low:.0%} to {high:.0%})"


# The curve


@dataclass(frozen=True)
class Point:
    """One budget of the curve."""

    budget: float
    false_stops: int
    good: int
    found: int
    failing: int
    delay_frames: float | None
    """Mean over the runs that are found under every budget, so that budgets compare."""


def curve(runs: Sequence[Kept], weights: Weights | None) -> list[Point]:
    """Delay against false stops: all runs judged under each budget."""
    table: list[list[Outcome]] = []
    for budget in BUDGETS:
        row = []
        for kept in runs:
            own = weights or kept.weights
            row.append(outcome_of(kept, replace(own, false_stops_per_100_nights=budget)))
        table.append(row)
    always = [i for i in range(len(runs)) if all(row[i].delay_frames is not None for row in table)]
    points = []
    for budget, row in zip(BUDGETS, table, strict=True):
        known = [o for o in row if o.kept.truth is not None]
        failing = [o for o in known if o.kept.truth is not None and o.kept.truth.failed]
        delays = [row[i].delay_frames or 0 for i in always]
        points.append(
            Point(
                budget,
                sum(o.false_stop for o in known if o not in failing),
                len(known) - len(failing),
                sum(o.found for o in failing),
                len(failing),
                sum(delays) / len(delays) if delays else None,
            )
        )
    return points


def curve_words(points: Sequence[Point]) -> list[str]:
    """The curve as a table."""
    lines = ["budget a 100 nights   false stops (95 % interval)        found    mean delay"]
    for point in points:
        delay = "-" if point.delay_frames is None else f"{point.delay_frames:.1f} frames"
        lines.append(
            f"{point.budget:>19g}   {_share(point.false_stops, point.good):<33} "
            f"{point.found:>2} of {point.failing:<3} {delay:>12}"
        )
    return lines


def curve_svg(points: Sequence[Point]) -> str:
    """The curve as a small picture: false stops of good nights across, delay upwards."""
    drawn = [p for p in points if p.delay_frames is not None]
    width, height, edge = 480, 300, 48
    across = max([wilson(p.false_stops, p.good)[1] for p in drawn], default=1.0)
    up = max([p.delay_frames or 0.0 for p in drawn], default=1.0) * 1.15 or 1.0

    def x(share: float) -> float:
        return edge + (width - 2 * edge) * share / across

    def y(delay: float) -> float:
        return height - edge - (height - 2 * edge) * delay / up

    # Budgets that come to the same are one point with all their figures.
    same: dict[tuple[int, float], list[Point]] = {}
    for point in drawn:
        same.setdefault((point.false_stops, point.delay_frames or 0.0), []).append(point)
    shapes = []
    for (false_stops, delay), points_here in same.items():
        good = points_here[0].good
        low, high = wilson(false_stops, good)
        share = false_stops / good if good else 0.0
        figures = ", ".join(f"{p.budget:g}" for p in points_here)
        shapes.append(
            f'<line x1="{x(low):.1f}" x2="{x(high):.1f}" y1="{y(delay):.1f}" y2="{y(delay):.1f}" '
            f'stroke="#b9935a"/><circle cx="{x(share):.1f}" cy="{y(delay):.1f}" r="4" '
            f'fill="#7a3b12"/><text x="{x(share) + 7:.1f}" y="{y(delay) - 5:.1f}">'
            f"{figures}</text>"
        )
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" '
        f'width="{width}" height="{height}" font-family="sans-serif" font-size="11">'
        "<title>Delay of a stop against false stops, by budget</title>"
        f'<rect width="{width}" height="{height}" fill="#fffdf8"/>'
        f'<path d="M{edge} {edge}V{height - edge}H{width - edge}" fill="none" stroke="#333"/>'
        f'<text x="{edge}" y="{edge - 12}">mean delay, 0 to {up:.1f} frames</text>'
        f'<text x="{edge}" y="{height - 14}">good nights stopped, 0 to {across:.0%} '
        "(bars: 95 % intervals; figures: budget a 100 nights)</text>"
        f"{''.join(shapes)}</svg>\n"
    )
