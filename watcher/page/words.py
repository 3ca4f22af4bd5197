"""Runs in plain words, for the page and the command line."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime

from watcher.records import Advice, FaultKind
from watcher.store import Lift, Listed, Run, State

CAUTIONS = (
    "This is no fire or smoke alarm, and it may miss faults.",
    "Don't leave a printer unattended on its strength.",
    "The maker's manual and your local codes come first.",
)

_STATES: dict[State, str] = {
    "watching": "being watched now",
    "finished": "watched to the last picture",
    "left early": "watching was ended early",
    "interrupted": "interrupted: the watching program died before the end",
}

_FAULTS: dict[FaultKind, str] = {
    "corner-lift": "corner lift",
    "overhang-curl": "curled overhang",
    "spaghetti": "spaghetti",
    "detached": "part came loose",
    "layer-step": "layer step",
    "no-growth": "nothing grows",
    "cannot-see": "view lost",
}


@dataclass(frozen=True)
class RunInWords:
    """One run, ready to print or show."""

    id: int
    name: str
    started: str
    """``2026-11-25 21:40 UTC``."""
    lasted: str
    """From the start to the newest picture, ``10 h 05 min``."""
    state: str
    outcome: str
    """The last advice as one sentence, or that there is none."""
    level: str
    """``carry on``, ``have a look``, ``stop``, or empty where nothing was judged."""
    pictures: str
    biggest_lift: str
    """``3.1 ± 0.2 mm, right corner``, or that there is none above the error."""


def in_words(run: Run) -> RunInWords:
    """Say a run in words. Times are UTC; the page turns them into the viewer's zone."""
    return RunInWords(
        id=run.id,
        name=run.name,
        started=when(run.started_utc_s),
        lasted=duration(run.elapsed_s),
        state=state(run.state),
        outcome=run.advice.sentence if run.advice else _no_advice(run.state),
        level=run.advice.level if run.advice else "",
        pictures=pictures(run.frames, run.skipped),
        biggest_lift=lift(run.biggest_lift)
        if run.biggest_lift
        else "none above the measuring error",
    )


def pictures(kept: int, skipped: int) -> str:
    """``60 pictures, 1 left out as unusable``."""
    left_out = f", {skipped} left out as unusable" if skipped else ""
    return f"{kept} {'picture' if kept == 1 else 'pictures'}{left_out}"


def lift(found: Lift) -> str:
    """``3.1 ± 0.2 mm, right corner``."""
    return f"{amount(found.value_mm, found.sigma_mm, 'mm')}, {found.place}"


def listed_sentence(one: Listed) -> str:
    """The advice of a run in a list, to stand beside its level."""
    return beside_level(one.advice) if one.advice else _no_advice(one.state)


def room(size: int) -> str:
    """``1.2 GB``, ``340 MB`` or ``12 kB``."""
    if size >= 1e9:
        return f"{size / 1e9:.1f} GB"
    return f"{size / 1e6:.0f} MB" if size >= 1e6 else f"{size / 1e3:.0f} kB"


def when(utc_s: float) -> str:
    """``2026-11-25 21:40 UTC``."""
    return datetime.fromtimestamp(utc_s, UTC).strftime("%Y-%m-%d %H:%M UTC")


def _no_advice(value: State) -> str:
    return "Nothing has been judged yet." if value == "watching" else "Nothing was judged."


def beside_level(advice: Advice) -> str:
    """The sentence to stand beside the level in large letters, which it need not repeat."""
    sentence = advice.sentence
    start = advice.level.lower()
    if sentence.lower().startswith(start) and sentence[len(start) :].lstrip()[:1] in {
        ":",
        ",",
        ".",
    }:
        rest = sentence[len(start) :].lstrip()[1:].lstrip()
        if rest:
            return rest[0].upper() + rest[1:]
    return sentence


def state(value: State) -> str:
    """How a run stands."""
    return _STATES[value]


def fault(kind: FaultKind) -> str:
    """Name of a kind of fault."""
    return _FAULTS[kind]


def moment(utc_s: float) -> str:
    """``2026-11-25 21:40:07 UTC``."""
    return datetime.fromtimestamp(utc_s, UTC).strftime("%Y-%m-%d %H:%M:%S UTC")


def duration(seconds: float) -> str:
    """``45 s``, ``12 min`` or ``3 h 05 min``; fractions are cut off."""
    whole = max(0, int(seconds))
    if whole < 60:
        return f"{whole} s"
    hours, minutes = divmod(whole // 60, 60)
    return f"{hours} h {minutes:02} min" if hours else f"{minutes} min"


def amount(value: float, sigma: float | None, unit: str) -> str:
    """A measured value with its standard deviation and unit."""
    digits = 1 if abs(value) >= 1 or sigma is None or sigma >= 0.1 else 2
    error = "" if sigma is None else f" ± {sigma:.{digits}f}"
    return f"{value:.{digits}f}{error} {unit}".rstrip()


def how_sure(advice: Advice) -> str:
    """The chance that the print is failing, and how far the amount stands above its own error;
    empty where not known."""
    if advice.level == "carry on" or advice.amount is None or not advice.sigma:
        return ""
    ratio = abs(advice.amount) / advice.sigma
    if ratio < 2:
        return "not sure: hardly above the measuring error"
    sure = f"{'fairly sure' if ratio < 5 else 'sure'}: {ratio:.0f} times the measuring error"
    if advice.chance is None:
        return sure
    return f"{sure}; {chance(advice.chance)} that it fails"


def chance(value: float) -> str:
    """``97 chances in 100``; never more than the evidence can give."""
    return f"{min(99, max(1, round(100 * value)))} chances in 100"
