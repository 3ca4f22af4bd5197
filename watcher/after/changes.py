"""Which settings differ between runs, and only those."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

# What a slicer reckons from the settings: it differs when they do and is no change of its own.
_RECKONED = re.compile(r"^(estimated|total|generated|filament[ _](used|cost))", re.IGNORECASE)
_NUMBER = re.compile(r"^([-+]?\d+(?:\.\d*)?|[-+]?\.\d+)\s*(%|[A-Za-z°/²³]*)$", re.ASCII)


@dataclass(frozen=True)
class Change:
    """One setting that differs; an empty value means that a run does not name it."""

    key: str
    before: str
    after: str


@dataclass(frozen=True)
class Changes:
    """All that differs between two runs."""

    settings: tuple[Change, ...]
    reckoned: tuple[Change, ...]
    """What follows from them, such as filament used."""

    def warning(self) -> str:
        """Why the difference in outcome can't be put down to one setting; empty where it can."""
        if not self.settings:
            return "Nothing that is recorded changed: a difference is chance, or was not recorded."
        if len(self.settings) > 1:
            return (
                f"{len(self.settings)} things changed at once, so it can't be told which of them "
                "made the difference. Change one at a time."
            )
        return ""


def same(a: str, b: str) -> bool:
    """Whether two values say the same: ``0.20`` is ``0.2``, and blanks don't count."""
    one, other = a.strip(), b.strip()
    if one == other:
        return True
    left, right = _NUMBER.match(one), _NUMBER.match(other)
    if not left or not right or left[2] != right[2]:
        return False
    return math.isclose(float(left[1]), float(right[1]), rel_tol=1e-9, abs_tol=1e-12)


def changes(before: Mapping[str, str], after: Mapping[str, str]) -> Changes:
    """Compare the settings of two runs, by name."""
    found = [
        Change(key, before.get(key, ""), after.get(key, ""))
        for key in sorted({*before, *after})
        if not same(before.get(key, ""), after.get(key, ""))
    ]
    return Changes(
        tuple(c for c in found if not _RECKONED.match(c.key)),
        tuple(c for c in found if _RECKONED.match(c.key)),
    )


def varying(runs: Sequence[Mapping[str, str]]) -> dict[str, tuple[str, ...]]:
    """Settings that are not the same in all runs of a series, with their value in each."""
    keys = sorted({key for run in runs for key in run if not _RECKONED.match(key)})
    found = {key: tuple(run.get(key, "") for run in runs) for key in keys}
    return {
        key: values
        for key, values in found.items()
        if any(not same(values[0], value) for value in values)
    }
