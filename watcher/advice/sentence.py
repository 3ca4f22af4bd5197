"""Says a finding in one sentence that a tired person understands."""

from __future__ import annotations

from watcher.records import FaultKind, Suspicion

GROWS_MM_H = 0.1
"""Slower growth than this is not worth a word."""

OFF = "No toolpath: growth, layer steps and run-out are not watched."
NO_TOOLPATH = "there is no toolpath to compare with"
"""Reason of the readings that need one."""


def clock_words(seconds: float) -> str:
    """Elapsed time as hours and minutes: ``1 h 05 min``."""
    minutes = int(seconds // 60)
    if minutes < 60:
        return f"{minutes} min"
    return f"{minutes // 60} h {minutes % 60:02d} min"


def finding(kind: FaultKind, place: str, amount: float, sigma: float) -> str:
    """What has happened, without advice."""
    if kind == "corner-lift":
        return f"the {place} has lifted {amount:.1f} mm (± {max(sigma, 0.05):.1f} mm) off the bed"
    if kind == "overhang-curl":
        return f"the overhang's {place} has curled up {amount:.1f} mm (± {max(sigma, 0.05):.1f} mm)"
    if kind == "spaghetti":
        return f"about {round(amount / 10) * 10:.0f} mm of loose strands lie beside the part"
    if kind == "detached":
        return f"the part has come loose and moved {amount:.1f} mm (± {max(sigma, 0.05):.1f} mm)"
    if kind == "layer-step":
        return f"the upper layers stand {amount:.1f} mm (± {max(sigma, 0.05):.1f} mm) aside"
    if kind == "no-growth":
        return (
            f"the part has stopped growing: its top is {amount:.1f} mm "
            f"(± {max(sigma, 0.05):.1f} mm) too low, as when filament runs out or the nozzle clogs"
        )
    return f"the part can't be seen: {place}"


def growth(now: Suspicion, at_end: float | None) -> str:
    """How it goes on, to follow a lift's finding; empty where it does not grow."""
    kind, per_hour = now.kind, now.per_hour
    if kind not in ("corner-lift", "overhang-curl") or per_hour is None or per_hour < GROWS_MM_H:
        return ""
    if at_end is None or at_end < now.amount + 0.5:
        return f", growing {per_hour:.1f} mm an hour"
    return f", growing {per_hour:.1f} mm an hour towards {at_end:.0f} mm at the end"


def stop_sentence(now: Suspicion, at_end: float | None, since_s: float, layer: int) -> str:
    """One sentence that says stop, why and since when; layer 0 means that none is known."""
    told = finding(now.kind, now.place, now.amount, now.sigma)
    told += growth(now, at_end)
    at = f", at layer {layer}" if layer > 0 else ""
    return f"Stop the print: {told}; it began about {clock_words(since_s)} into the print{at}."


def look_sentence(now: Suspicion, because: str = "") -> str:
    """One sentence that asks for a look; ``because`` says why it is no stop."""
    told = finding(now.kind, now.place, now.amount, now.sigma)
    return f"Have a look: {told}{f', but {because}' if because else ''}."


def fine_sentence(watched: int, seen: int) -> str:
    """One sentence for a night without a finding."""
    if watched == 0:
        return "Carry on: nothing unusual is seen."
    if seen == 0:
        return "Carry on, but none of the watched corners can be seen in this picture."
    return f"Carry on: {seen} of {watched} watched corners are seen and lie flat."


STOPPED_SENTENCE = "Carry on: a person has stopped this print, so nothing more is judged."
OVER_SENTENCE = "The print is over; nothing is judged any more."
