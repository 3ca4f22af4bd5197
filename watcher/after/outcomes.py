"""Outcome against one setting over many runs, with what few runs can tell."""

from __future__ import annotations

import statistics
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from scipy.stats import fisher_exact

from watcher.after.changes import same
from watcher.evidence.intervals import wilson

MOST_VALUES = 4
"""More different numbers than these are split at their median."""


@dataclass(frozen=True)
class Group:
    """Runs with one value of a setting, or one side of a number."""

    label: str
    runs: int
    failed: int
    low: float
    """Wilson's 95 per cent interval of the share that fails."""
    high: float


@dataclass(frozen=True)
class Effect:
    """What a setting seems to do to the outcome."""

    key: str
    groups: tuple[Group, ...]
    p: float | None
    """Fisher's exact test, two-sided; of two groups, or of the largest against all others. ``None``
    where there is but one group."""
    warning: str
    """What else changed along with it; empty where nothing did."""

    def sentence(self) -> str:
        """What may be said, and no more."""
        if self.p is None:
            return f"All runs have the same {self.key}: nothing can be said of it."
        parts = [
            f"with {g.label}, {g.failed} of {g.runs} failed (95 %: {g.low:.0%} to {g.high:.0%})"
            for g in self.groups
        ]
        said = "; ".join(parts)
        told = "is unlikely to be chance alone" if self.p < 0.05 else "may well be chance"
        text = f"{said}. The difference {told} (Fisher's exact test, p = {self.p:.2g})."
        return text[0].upper() + text[1:]


def fisher_p(failed_a: int, runs_a: int, failed_b: int, runs_b: int) -> float:
    """Two-sided p of Fisher's exact test (Fisher, Statistical Methods for Research Workers, 1934).

    Raises ``ValueError`` unless 0 <= failed <= runs in both.
    """
    if not (0 <= failed_a <= runs_a and 0 <= failed_b <= runs_b):
        raise ValueError("failures must lie between zero and the number of runs")
    table = [[failed_a, runs_a - failed_a], [failed_b, runs_b - failed_b]]
    return float(fisher_exact(table, alternative="two-sided")[1])


def effect(key: str, values: Sequence[str], failed: Sequence[bool], others: int = 0) -> Effect:
    """Group runs by their value of a setting and compare how many failed.

    ``others`` is the number of other settings that vary over the same runs.
    """
    labels = _labels(values)
    groups = []
    for label, count in Counter(labels).most_common():
        bad = sum(f for own, f in zip(labels, failed, strict=True) if own == label)
        low, high = wilson(bad, count)
        groups.append(Group(label, count, bad, low, high))
    p = None
    if len(groups) > 1:
        first = groups[0]
        rest = groups[1:]
        p = fisher_p(
            first.failed, first.runs, sum(g.failed for g in rest), sum(g.runs for g in rest)
        )
    groups.sort(key=lambda group: group.label)
    warning = ""
    if others:
        more = "one other setting" if others == 1 else f"{others} other settings"
        warning = (
            f"In these runs {more} changed as well, so {key} alone can't be blamed or praised."
        )
    return Effect(key, tuple(groups), p, warning)


def _labels(values: Sequence[str]) -> list[str]:
    known: list[str] = []
    plain = []
    for value in values:
        match = next((k for k in known if same(k, value)), None)
        if match is None:
            known.append(value)
        plain.append(value if match is None else match)
    if len(known) <= MOST_VALUES:
        return [value or "not named" for value in plain]
    try:
        numbers = [float(value) for value in plain]
    except ValueError:
        return [value or "not named" for value in plain]
    middle = statistics.median_low(sorted(set(numbers)))
    return [f"{middle:g} or less" if n <= middle else f"more than {middle:g}" for n in numbers]
